package rulestest_test

import (
	"bytes"
	"fmt"
	"math"
	"slices"
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

// TestEveryScriptUnderEveryRule checks what must hold for all rules, whatever happens.
func TestEveryScriptUnderEveryRule(t *testing.T) {
	for _, file := range files(t) {
		t.Run(strings.TrimPrefix(file, scripts+"/"), func(t *testing.T) {
			site, entries := whole(t, file)
			found, idle := through(site, entries)
			findingsAreWhole(t, found)
			edgesAlternate(t, found)
			anchorsChangeNothing(t, site, entries, found)
			for _, at := range idle {
				resume(t, site, entries, found, at)
			}
		})
	}
}

// idle is how a box stands before an entry when no step is open.
type idle struct {
	entry int
	seen  int // findings so far
	open  []rules.Flag
}

// through feeds all, and keeps how the box stands before each start and each
// begin that finds no step open.
func through(site rules.Site, entries []rules.Entry) (found []rules.Finding, before []idle) {
	engine := rules.NewEngine(site, rules.All())
	for i, e := range entries {
		_, starts := e.Body.(*rules.Started)
		told, is := e.Body.(*rules.Told)
		begins := is && told.Kind == "begin" && !weighedBefore(told.Name, e.At.Boot, found)
		if (begins || starts && i > 0) && len(engine.Running()) == 0 {
			before = append(before, idle{i, len(found), engine.Open()})
		}
		found = append(found, engine.Next(e)...)
	}
	return found, before
}

// weighedBefore is where a weighing step goes on from what was heard since the
// last one ended, in the same boot.
func weighedBefore(step string, boot uint32, found []rules.Finding) bool {
	weighs := func(s string) bool { return s == "draw-in" || s == "weigh-in" }
	return weighs(step) && slices.ContainsFunc(found, func(f rules.Finding) bool {
		return f.Edge == rules.Given && weighs(f.Step) && f.At.Boot == boot
	})
}

// anchorsChangeNothing feeds the same again with anchors between: time that
// passes with nothing heard changes only when it is noticed, and the daemon
// commits a *Clocked wherever a deadline has passed.
func anchorsChangeNothing(t *testing.T, site rules.Site, entries []rules.Entry, found []rules.Finding) {
	var more []rules.Entry
	var bootWall int64
	for i, e := range entries {
		more = append(more, e)
		switch b := e.Body.(type) {
		case *rules.Started:
			bootWall = 0
		case *rules.Clocked:
			bootWall = b.Wall - e.At.Since.Milliseconds()
		}
		if i%7 == 0 && bootWall != 0 && i+1 < len(entries) && entries[i+1].At.Boot == e.At.Boot {
			e.At.Since += (entries[i+1].At.Since - e.At.Since) / 2
			e.Body = &rules.Clocked{Wall: bootWall + e.At.Since.Milliseconds(), Source: "log", Proven: true}
			more = append(more, e)
		}
	}
	got := rulestest.Print(rulestest.Feed(rules.NewEngine(site, rules.All()), more))
	if want := rulestest.Print(found); got != want {
		t.Errorf("anchors between the readings changed the findings:\n%s\nwant\n%s", got, want)
	}
}

func edgesAlternate(t *testing.T, found []rules.Finding) {
	open := map[string]rules.Urgency{}
	for _, f := range found {
		key := fmt.Sprintf("%s/%s/%d/%s", f.System, f.Flag, f.Begin, f.Subject)
		was, up := open[key]
		switch f.Edge {
		case rules.Raised:
			if up && f.Urgency <= was {
				t.Errorf("%s raised again at %v without being more urgent", key, f.At)
			}
			open[key] = f.Urgency
		case rules.Cleared:
			if !up {
				t.Errorf("%s cleared at %v, and was not open", key, f.At)
			}
			delete(open, key)
		}
	}
}

func findingsAreWhole(t *testing.T, found []rules.Finding) {
	seen := map[string]bool{}
	for _, f := range found {
		key := fmt.Sprintf("%s/%s/%d/%s/%s/%v/%d/%v", f.Flag, f.System, f.Begin, f.Subject, f.Unit, f.Edge, f.Seq, f.At)
		if seen[key] {
			t.Errorf("two findings are %s", key)
		}
		seen[key] = true
		if f.Text == "" || strings.Contains(f.Text, "NaN") || strings.Contains(f.Text, "%!") {
			t.Errorf("%s says %q", f.Flag, f.Text)
		}
		for _, v := range f.Values {
			if v.Number != rules.Num(v.Number) || math.IsNaN(v.Number) {
				t.Errorf("%s has %s=%v, not rounded", f.Flag, v.Key, v.Number)
			}
		}
		if f.Edge == rules.Given && (f.Result == "" || f.Cause == "") {
			t.Errorf("verdict without result or cause: %+v", f)
		}
	}
}

// resume feeds what a box has that begins anew while no step is open. From a
// start on, its findings must be those of a box that ran through, and none may
// come twice; from a begin on, without the start before it, those of the step.
func resume(t *testing.T, site rules.Site, entries []rules.Entry, found []rules.Finding, from idle) {
	again := rules.NewEngine(site, rules.All())
	again.Resume(from.open)
	again.Recall(found[:from.seen])
	for _, before := range entries[:from.entry] { // as the daemon does
		again.Past(before)
	}
	rest := rulestest.Feed(again, entries[from.entry:])
	first := entries[from.entry]
	got, want := rulestest.Print(rest), rulestest.Print(found[from.seen:])
	if _, ok := first.Body.(*rules.Told); ok {
		got, want = ofStep(rest, first.Seq), ofStep(found, first.Seq)
	}
	if got != want {
		t.Errorf("resumed at entry %d:\n%s\nwant\n%s", first.Seq, got, want)
	}
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
