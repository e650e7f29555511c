package rulestest_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/rules/rulestest"
	"standwatch/sensors"
)

// whole runs a script with every rule, whichever it was written for.
func whole(t testing.TB, file string) (rules.Site, []rules.Entry) {
	s := read(t, file)
	return s.Site, s.Entries()
}

func TestSameEntriesSameFindings(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		a := rulestest.Print(rulestest.Feed(rules.NewEngine(site, rules.All()), entries))
		b := rulestest.Print(rulestest.Feed(rules.NewEngine(site, rules.All()), entries))
		if a != b {
			t.Errorf("%s: two runs differ:\n%s\n%s", file, a, b)
		}
	}
}

// Time that passes with nothing heard must change nothing but when it is
// noticed: the daemon commits a *Clocked wherever a deadline has passed.
func TestAnAnchorMoreChangesNothing(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		var more []rules.Entry
		for i, e := range entries {
			more = append(more, e)
			if i+1 < len(entries) && entries[i+1].At.Boot == e.At.Boot {
				half := e
				half.At.Since += (entries[i+1].At.Since - e.At.Since) / 2
				half.Body = &rules.Clocked{Wall: 0, Source: "log"}
				if i%7 == 0 {
					more = append(more, half)
				}
			}
		}
		a := rulestest.Print(rulestest.Feed(rules.NewEngine(site, rules.All()), entries))
		b := rulestest.Print(rulestest.Feed(rules.NewEngine(site, rules.All()), more))
		if a != b {
			t.Errorf("%s: anchors between the readings changed the findings:\n%s\n%s", file, a, b)
		}
	}
}

func TestEdgesAlternate(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		open := map[string]rules.Urgency{}
		for _, f := range rulestest.Feed(rules.NewEngine(site, rules.All()), entries) {
			key := fmt.Sprintf("%s/%s/%d/%s", f.System, f.Flag, f.Begin, f.Subject)
			was, up := open[key]
			switch f.Edge {
			case rules.Raised:
				if up && f.Urgency <= was {
					t.Errorf("%s: %s raised again at %v without being more urgent", file, key, f.At)
				}
				open[key] = f.Urgency
			case rules.Cleared:
				if !up {
					t.Errorf("%s: %s cleared at %v, and was not open", file, key, f.At)
				}
				delete(open, key)
			}
		}
	}
}

func TestFindingsAreWhole(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		seen := map[string]bool{}
		for _, f := range rulestest.Feed(rules.NewEngine(site, rules.All()), entries) {
			key := fmt.Sprintf("%s/%s/%d/%s/%s/%v/%d/%v", f.Flag, f.System, f.Begin, f.Subject, f.Unit, f.Edge, f.Seq, f.At)
			if seen[key] {
				t.Errorf("%s: two findings are %s", file, key)
			}
			seen[key] = true
			if f.Text == "" || strings.Contains(f.Text, "NaN") || strings.Contains(f.Text, "%!") {
				t.Errorf("%s: %s says %q", file, f.Flag, f.Text)
			}
			for _, v := range f.Values {
				if v.Number != rules.Num(v.Number) || math.IsNaN(v.Number) {
					t.Errorf("%s: %s has %s=%v, not rounded", file, f.Flag, v.Key, v.Number)
				}
			}
			if f.Edge == rules.Given && (f.Result == "" || f.Cause == "") {
				t.Errorf("%s: verdict without result or cause: %+v", file, f)
			}
		}
	}
}

// A box that starts anew in the middle judges on from the last start before
// the earliest step still open: the findings must be those of a box that ran
// through, and none may come twice.
func TestResumeGivesTheSameFindings(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		through := rules.NewEngine(site, rules.All())
		type stand struct {
			open []rules.Flag
			seen int
		}
		var all []rules.Finding
		at := map[int]stand{}
		for i, e := range entries {
			if _, ok := e.Body.(*rules.Started); ok {
				at[i] = stand{through.Open(), len(all)}
			}
			all = append(all, through.Next(e)...)
		}
		for i, before := range at {
			again := rules.NewEngine(site, rules.All())
			again.Resume(before.open)
			again.Recall(all[:before.seen])
			if len(running(site, entries[:i])) > 0 {
				continue // a step is open: the daemon goes further back
			}
			got := rulestest.Print(rulestest.Feed(again, entries[i:]))
			if want := rulestest.Print(all[before.seen:]); got != want {
				t.Errorf("%s, resumed at entry %d:\n%s\nwant\n%s", file, i+1, got, want)
			}
		}
	}
}

func running(site rules.Site, entries []rules.Entry) []rules.Running {
	e := rules.NewEngine(site, nil)
	rulestest.Feed(e, entries)
	return e.Running()
}

// Resumed at a step's begin, without the start before it, the step's own
// judges must find the same.
func TestResumeAtABeginGivesTheStepsFindings(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		straight := rulestest.Feed(rules.NewEngine(site, rules.All()), entries)
		through := rules.NewEngine(site, rules.All())
		var all []rules.Finding
		for i, e := range entries {
			b, ok := e.Body.(*rules.Told)
			if !ok || b.Kind != "begin" || len(through.Running()) > 0 || b.Own != 0 && late(e, b) {
				all = append(all, through.Next(e)...)
				continue
			}
			again := rules.NewEngine(site, rules.All())
			again.Resume(through.Open())
			again.Recall(all)
			for _, before := range entries[:i] {
				again.Past(before)
			}
			want := ofStep(straight, e.Seq)
			if got := ofStep(rulestest.Feed(again, entries[i:]), e.Seq); got != want {
				t.Errorf("%s, resumed at begin %d:\n%s\nwant\n%s", file, e.Seq, got, want)
			}
			all = append(all, through.Next(e)...)
		}
	}
}

// late marks carry a wall time of their own, which only an anchor makes sense of.
func late(e rules.Entry, b *rules.Told) bool {
	return b.Own != 1_700_000_000_000+(e.At.Since-20*time.Second).Milliseconds()
}

func ofStep(fs []rules.Finding, begin uint64) string {
	var own []rules.Finding
	for _, f := range fs {
		if f.Begin == begin {
			own = append(own, f)
		}
	}
	return rulestest.Print(own)
}

// Whatever the script: where a step's own points fall silent for good before
// its end, nothing passes from then on.
func TestSilenceNeverPasses(t *testing.T) {
	for _, file := range files(t) {
		site, entries := whole(t, file)
		for _, cut := range []float64{0, 0.1, 0.25} {
			var silenced []rules.Entry
			var since rules.Instant
			readings := 0
			for _, e := range entries {
				if _, ok := e.Body.(*rules.Measured); ok {
					readings++
				}
			}
			n := 0
			for _, e := range entries {
				if _, ok := e.Body.(*rules.Measured); ok {
					if n++; float64(n) > cut*float64(readings) {
						if since == (rules.Instant{}) {
							since = e.At
						}
						continue
					}
				}
				silenced = append(silenced, e)
			}
			for _, f := range rulestest.Feed(rules.NewEngine(site, rules.All()), silenced) {
				if f.Edge == rules.Given && f.Result == rules.Passed && f.At.Boot == since.Boot && f.At.Since > since.Since+3*time.Minute {
					t.Errorf("%s, silent from %v: %s passed at %v", file, since, f.Step, f.At)
				}
			}
		}
	}
}

// No order of entries may make the engine panic, hang or contradict itself.
func FuzzAnyOrder(f *testing.F) {
	fs := files(f)
	for i := range fs {
		f.Add(uint16(i), []byte{0, 200, 3, 90, 255, 17, 4, 8, 100, 250, 33})
	}
	f.Add(uint16(3), bytes.Repeat([]byte{7, 130, 201, 250}, 40))
	sites := make([]rules.Site, len(fs))
	logs := make([][]rules.Entry, len(fs))
	for i, file := range fs {
		sites[i], logs[i] = whole(f, file)
	}
	f.Fuzz(func(t *testing.T, which uint16, moves []byte) {
		i := int(which) % len(fs)
		log := logs[i]
		e := rules.NewEngine(sites[i], rules.All())
		at := 0
		for k, m := range moves[:min(len(moves), 200)] {
			if m > 240 {
				e.Next(odd(sites[i], uint64(k), m))
			}
			at = (at + int(m)*int(m)) % len(log)
			for _, x := range log[at:min(at+20, len(log))] {
				e.Next(x)
			}
			e.Outlooks(log[at].At)
			e.Due()
			e.Open()
		}
	})
}

// odd are entries that no script holds.
func odd(site rules.Site, seq uint64, m byte) rules.Entry {
	point := "nobody"
	if len(site.Points) > 0 {
		point = site.Points[int(seq)%len(site.Points)].Name
	}
	values := []float64{math.NaN(), math.Inf(1), -1e300, 0, 1e300}
	bodies := []rules.Body{
		&rules.Told{Kind: "begin", Name: rules.StepNames()[int(seq)%len(rules.StepNames())]},
		&rules.Told{Kind: "end", Name: "nothing"}, &rules.Told{Kind: "mark", Name: "acknowledged"}, &rules.Told{},
		&rules.Started{Gap: -time.Hour}, &rules.Due{}, nil,
		&rules.Measured{Reading: sensors.Reading{Point: point, Value: values[int(seq)%len(values)]}, Taken: time.Duration(seq) * time.Hour},
	}
	return rules.Entry{Seq: seq, At: rules.Instant{Boot: uint32(m % 3), Since: time.Duration(seq) * time.Minute}, Body: bodies[int(m)%len(bodies)]}
}
