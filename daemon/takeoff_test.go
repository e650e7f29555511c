package daemon

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// A take-off entered row by row, over a restart of the box; a step reported
// done and a result accepted. The screens know them after the restart, and a
// replay of what was exported finds the same.
func TestATakeOffOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, start := t.TempDir(), time.Now()
		awake := func(time.Duration) bool { return false }
		tell := func(d *Daemon, ctx context.Context, told ...rules.Told) {
			t.Helper()
			commits := d.loop.commits.Load()
			if err := d.Tell(ctx, told...); err != nil {
				t.Fatal(err)
			}
			if n := d.loop.commits.Load() - commits; n != 1 {
				t.Errorf("what was told at once took %d commits: a power cut between them keeps a part", n)
			}
			time.Sleep(10 * time.Second)
		}
		row := func(fields ...string) rules.Told { return rules.RowMark("", fields, false) }
		d, j := box(t, dir, weighing(start, awake))
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Minute)
			tell(d, ctx, rules.Told{Kind: "begin", Name: "take-off"})
			tell(d, ctx,
				row("riser", "liquid", "1/2 in", "30 m", "", "0.063 kg/m"), // lb/ft written as kg/m
				row("riser", "suction", "7/8 in", "30 m", "", ""))
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		d, j = box(t, dir, weighing(start, awake))
		if s := d.Now(); !s.Behind || len(s.Running) != 0 { // the pages are served from here on
			t.Errorf("before it has read what it kept the box says behind %v, under way %v", s.Behind, s.Running)
		}
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Minute)
			if d.Now().Behind {
				t.Error("after a minute the box still says that it reads what it kept")
			}
			if s := d.Now(); len(s.Running) != 1 || len(s.Running[0].Entered.Rows) != 2 || !strings.Contains(s.Running[0].Outlook.Sentence, "2 lines: 1.89 kg") {
				t.Errorf("after a restart the take-off is %+v", s.Running)
			}
			tell(d, ctx, rules.Told{Kind: "end", Name: "take-off"})
			tell(d, ctx, rules.Told{Kind: "mark", Name: "accepted", Note: "take-off by R. Sample: the drawing's rows stand"})
			tell(d, ctx, rules.Told{Kind: "mark", Name: "reported", Note: "pressure-test their sheet 7", By: "Ines"})
			tell(d, ctx, rules.Told{Kind: "mark", Name: "accepted", Note: "lunch"})
			s := d.Now()
			if len(s.Past) != 1 || len(s.Past[0].Accepted) != 1 || s.Past[0].Accepted[0].By != "R. Sample" || s.Past[0].Accepted[0].Text != "the drawing's rows stand" {
				t.Errorf("past %+v", s.Past)
			}
			if v := s.Past[0].Verdicts; len(v) != 1 || v[0].Result != rules.NotProven || v[0].Cause != "doubtful" {
				t.Errorf("what was accepted changed the verdict: %+v", v)
			}
			if len(s.Reported) != 1 || s.Reported[0].By != "Ines" || s.Reported[0].Step != "pressure-test" || s.Reported[0].At.IsZero() {
				t.Errorf("reported %+v", s.Reported)
			}
		})
		both := findings(t, j)
		if n := strings.Count(both, `"rule":"take-off-doubtful","state":"raised"`); n != 2 { // the factor, and 1.89 kg where the site's target is 14.2
			t.Errorf("%d slips were told, want 2:\n%s", n, both)
		}
		if again := replayed(t, j); again != both {
			t.Errorf("the replay found\n%s\nlive it was\n%s", again, both)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A charge's target by the take-off stands with the step after its end, too: its curve is drawn against it.
func TestAPastChargeKeepsItsTarget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		site := testSite()
		site.Systems[0].Steps = nil
		d, j := boxOf(t, site, t.TempDir(), weighing(time.Now(), func(time.Duration) bool { return false }))
		run(t, d, func(ctx context.Context) {
			for _, told := range []rules.Told{{Kind: "begin", Name: "take-off"}, rules.RowMark("", []string{"riser", "liquid", "1/2 in", "30 m", "", "0.094 kg/m"}, false),
				{Kind: "end", Name: "take-off"}, {Kind: "begin", Name: "draw-in"}, {Kind: "end", Name: "draw-in"}} {
				time.Sleep(20 * time.Second)
				if err := d.Tell(ctx, told); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(20 * time.Second)
			past := d.Now().Past
			if len(past) != 2 || past[0].Name != "draw-in" {
				t.Fatalf("past %+v", past)
			}
			if target := past[0].Limits["target"]; target.Value != 2.82 { // 30 m of 0.094 kg/m
				t.Errorf("the target of the draw-in that is over is %+v", target)
			}
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
