package daemon

import (
	"context"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// What the screens are told of a step: the marks during it, its verdict with
// the time it was given, and when it is over what its judge last said of it.
func TestScreensKeepWhatAStepWas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		d, j := box(t, t.TempDir(), weighing(start, func(t time.Duration) bool { return t > 2*time.Minute && t < 150*time.Second }))
		tell := func(ctx context.Context, kind, name, note string) {
			if err := d.Tell(ctx, rules.Told{Kind: kind, Name: name, Note: note}); err != nil {
				t.Error(err)
			}
		}
		run(t, d, func(ctx context.Context) {
			time.Sleep(30 * time.Second)
			tell(ctx, "begin", "weigh-in", "")
			time.Sleep(5 * time.Minute)
			tell(ctx, "mark", "note", "valve half open")
			time.Sleep(5 * time.Minute)
			tell(ctx, "end", "weigh-in", "")
			time.Sleep(time.Minute)
			s := d.Now()
			if len(s.Running) != 0 || len(s.Past) != 1 {
				t.Errorf("running %d, past %d", len(s.Running), len(s.Past))
				return
			}
			p := s.Past[0]
			if p.Outlook.Point != "scale" || p.Outlook.Sentence == "" || math.Abs(p.Outlook.Figure-2.4) > 0.1 {
				t.Errorf("what was said of it last: %+v", p.Outlook)
			}
			if len(p.Verdicts) != 1 || p.Verdicts[0].Wall.Sub(p.Ended).Abs() > time.Second {
				t.Errorf("ended %v, verdicts %+v", p.Ended, p.Verdicts)
			}
			if len(s.Marks) != 1 || s.Marks[0].Note != "valve half open" || s.Marks[0].Wall.Sub(p.Begun).Round(time.Second) != 5*time.Minute {
				t.Errorf("marks %+v", s.Marks)
			}
			all, err := d.Findings(ctx, 1<<40, 100)
			if err != nil || len(all) < 2 || len(all) != len(s.Recent) {
				t.Errorf("%d findings of %d, %v: %+v", len(all), len(s.Recent), err, all)
				return
			}
			older, err := d.Findings(ctx, all[0].ID, 1)
			if err != nil || len(older) != 1 || older[0].ID != all[1].ID || !older[0].Wall.Equal(s.Recent[1].Wall) {
				t.Errorf("before the newest: %+v, %v", older, err)
			}
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// Two people who begin or end a step at once, or a thumb that taps twice, make
// one mark; what follows a while later is another.
func TestAStepIsBegunOnceByTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, j := box(t, t.TempDir(), weighing(time.Now(), func(time.Duration) bool { return false }))
		run(t, d, func(ctx context.Context) {
			time.Sleep(10 * time.Second)
			atOnce := func(kind string) {
				var all sync.WaitGroup
				for range 4 {
					all.Go(func() {
						err := d.Tell(ctx, rules.Told{Kind: "mark", Name: "note", Note: "asked"}, rules.Told{Kind: kind, Name: "weigh-in"})
						if err != nil {
							t.Error(err)
						}
					})
				}
				all.Wait()
			}
			for _, kind := range []string{"begin", "end", "begin"} { // sooner one after the other than twice the same
				atOnce(kind)
			}
			time.Sleep(time.Minute)
			if s := d.Now(); len(s.Running) != 1 || len(s.Past) != 1 {
				t.Errorf("running %d, past %d, want 1 and 1", len(s.Running), len(s.Past))
			}
			if err := d.Tell(ctx, rules.Told{Kind: "begin", Name: "weigh-in"}); err != nil { // a field log's way to begin anew
				t.Error(err)
			}
		})
		marks, err := j.Marks(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		said := ""
		for _, e := range marks {
			if b, ok := e.Body.(*rules.Told); ok && b.Note != "stopped" {
				said += b.Kind + " "
			}
		}
		if want := "mark begin mark end mark begin begin "; said != want {
			t.Errorf("the journal has %s, want %s", said, want)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
