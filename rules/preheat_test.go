package rules

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"standwatch/sensors"
)

func preheatSite(every time.Duration) Site {
	return Site{Points: []sensors.Point{
		{Name: "mains", Quantity: sensors.Contact, Role: "outdoor-power", Every: every, SilentAfter: max(5*every, 10*time.Second)},
		{Name: "sump", Quantity: sensors.Temperature, Role: "oil-sump", Every: every},
		{Name: "ambient", Quantity: sensors.Temperature, Role: "outdoor-air", Every: every},
	}}
}

// preheated feeds a preheat begun at nought, a reading of each point every so
// often, and returns when it passed, in seconds; 0: it did not.
func preheated(site Site, every, untilS float64, on func(s float64) bool, overK func(s float64) float64) (passedS float64, found []Finding) {
	e := feed{Engine: NewEngine(site, []Rule{Preheat})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "preheat"})
	for s := 0.0; s <= untilS; s += every {
		power := 0.0
		if on(s) {
			power = 1
		}
		found = append(found, e.read(1, s, "ambient", 12)...)
		found = append(found, e.read(1, s, "sump", 12+overK(s))...)
		found = append(found, e.read(1, s, "mains", power)...)
	}
	for _, f := range found {
		if f.Edge == Given && f.Result == Passed {
			return f.At.Since.Seconds(), found
		}
	}
	return 0, found
}

// Worked example 16 of the field guide: a 6 h rule, begun at 08:00, power lost at 10:00.
func TestPreheatWorkedExample16(t *testing.T) {
	const h, m = 3600.0, 60.0
	warm := func(float64) float64 { return 18 }
	for _, c := range []struct {
		name string
		offS float64
		over func(s float64) float64
		dueS float64 // since 08:00
	}{
		{"off 10 min: due 14:10", 10 * m, warm, 6*h + 10*m},
		{"off 40 min, sump at 4 K: restart, due 16:40", 40 * m, func(s float64) float64 {
			if s >= 2*h+5*m && s < 3*h {
				return 4
			}
			return 18
		}, 8*h + 40*m},
		{"off 40 min, sump never under 10 K: pause, due 14:40", 40 * m, warm, 6*h + 40*m},
	} {
		for _, every := range []float64{5, 10, 60} {
			got, _ := preheated(preheatSite(time.Duration(every)*time.Second), every, 10*h, func(s float64) bool { return s < 2*h || s >= 2*h+c.offS }, c.over)
			if got != c.dueS {
				t.Errorf("%s, every %g s: passed after %g s, want %g", c.name, every, got, c.dueS)
			}
		}
	}
}

// dueByHand goes second by second through a preheat, as one would with a pencil.
func dueByHand(lastsS, pauseS, untilS int, on func(s int) bool, overK func(s int) float64, warmK float64) (due int) {
	ran, off, coldest := 0, 0, math.Inf(1)
	for s := 0; s < untilS; s++ {
		if !on(s) {
			off++
			coldest = min(coldest, overK(s))
			continue
		}
		if off > pauseS && coldest < warmK {
			ran = 0
		}
		off, coldest = 0, math.Inf(1)
		if ran++; ran == lastsS {
			return s + 1
		}
	}
	return 0
}

// Whatever the interruptions, the due time is the one counted by hand: a sump
// with a heater of its own time constant, power lost and back at random.
func TestPreheatDueInEveryPattern(t *testing.T) {
	const every, untilS = 20, 14 * 3600
	restarts, pauses, longPauses := 0, 0, 0
	for seed := range uint64(400) {
		r := rand.New(rand.NewPCG(seed, 16))
		power, over := make([]bool, untilS+1), make([]float64, untilS+1)
		state, left := r.IntN(4) > 0, 0
		plateau, tau, k := 14+r.Float64()*20, 3600*(0.7+r.Float64()*1.3), 0.0
		if r.IntN(3) == 0 {
			k = plateau
		}
		for s := range power {
			if left == 0 {
				if state = !state || s == 0 && state; state {
					left = every * (1 + r.IntN([]int{60, 600, 2000}[r.IntN(3)]))
				} else {
					left = every * (1 + r.IntN([]int{50, 60, 200}[r.IntN(3)]))
				}
			}
			left--
			power[s] = state
			goal := 0.0
			if state {
				goal = plateau
			}
			k += (goal - k) / tau
			over[s] = k
		}
		close, off, coldest := false, 0, math.Inf(1)
		for s := range power { // how it comes out is not for readings to tell where the sump comes to its limit by a hair
			switch {
			case !power[s]:
				off++
				coldest = min(coldest, over[s])
			case off > 0:
				close = close || math.Abs(coldest-10) < 0.3
				switch {
				case off <= 900:
					pauses++
				case coldest < 10:
					restarts++
				default:
					longPauses++
				}
				off, coldest = 0, math.Inf(1)
			}
		}
		if close {
			continue
		}
		site := preheatSite(every * time.Second)
		lasts := 3600 * float64(1+r.IntN(7))
		site.Systems = []System{{Steps: map[string]map[string]Setting{"preheat": {"lasts": {Value: lasts, Given: true}}}}}
		want := dueByHand(int(lasts), 900, untilS, func(s int) bool { return power[s] }, func(s int) float64 { return over[s] }, 10)
		_, found := preheated(site, every, untilS-every, func(s float64) bool { return power[int(s)] }, func(s float64) float64 { return over[int(s)] })
		got := 0
		for _, f := range found { // with a heater that is not yet warm the time is met all the same
			if f.Edge == Given && got == 0 {
				got = int(f.At.Since.Seconds())
			}
		}
		if got != want && want < untilS-every {
			t.Errorf("seed %d, lasts %g h: due after %d s, by hand %d", seed, lasts/3600, got, want)
		}
	}
	if restarts < 100 || pauses < 100 || longPauses < 100 {
		t.Errorf("%d restarts, %d pauses, %d long pauses with a warm sump: too few to prove anything", restarts, pauses, longPauses)
	}
}

// shell plays a day of a compressor's shell: a heater that adds aK with a time
// constant, outdoor air that swings through the day, sun on the shell from six
// to twenty. Begun at an hour of the day.
func shell(r *rand.Rand, aK, tauS, sunK, beginH float64) (sumpC, airC func(s float64) float64) {
	swing, warmest := 2+r.Float64()*5, 13+r.Float64()*4
	air := func(s float64) float64 { return 16 + swing*math.Cos(2*math.Pi*(beginH+s/3600-warmest)/24) }
	sun := func(s float64) float64 {
		h := math.Mod(beginH+s/3600, 24)
		return sunK * max(0, math.Sin(math.Pi*(h-6)/14)) * max(0, math.Sin(math.Pi*(h-6)/14))
	}
	t, all := air(0)+r.Float64()*4-2, []float64{}
	for s := 0.0; s < 16*3600; s += 30 {
		t += (air(s) + aK + sun(s) - t) / tauS * 30
		all = append(all, t)
	}
	return func(s float64) float64 { return all[int(s/30)] + 0.15*r.NormFloat64() }, func(s float64) float64 { return air(s) + 0.15*r.NormFloat64() }
}

// A dead heater is not taken for a good one because the sun stands on the
// shell later, and a good one not for a dead one because of the weather.
func TestPreheatTellsTheSunFromAHeater(t *testing.T) {
	falsely, good, bySun, dead := 0, 0, 0, 0
	for seed := range uint64(150) {
		r := rand.New(rand.NewPCG(seed, 4))
		site := preheatSite(30 * time.Second)
		aK, sunK, beginH := 12+r.Float64()*18, r.Float64()*10, r.Float64()*24
		if seed%3 == 0 {
			aK, sunK, beginH = 0, 8+r.Float64()*12, r.Float64()*4 // begun in the night: with the sun up nobody can tell
		}
		sumpC, airC := shell(r, aK, 3600*(0.7+r.Float64()*1.3), sunK, beginH)
		e := feed{Engine: NewEngine(site, []Rule{Preheat})}
		e.next(1, 0, &Started{})
		e.next(1, 0, &Told{Kind: "begin", Name: "preheat"})
		passedS, cold := 0.0, false
		for s := 0.0; s < 15*3600; s += 30 {
			fs := e.read(1, s, "ambient", airC(s))
			fs = append(fs, e.read(1, s, "sump", sumpC(s))...)
			for _, f := range append(fs, e.read(1, s, "mains", 1)...) {
				if f.Result == Passed {
					passedS = f.At.Since.Seconds()
				}
				cold = cold || f.Flag == "heater-unproven" && f.Edge == Raised
			}
		}
		switch {
		case aK > 0:
			good++
			if cold || passedS != 6*3600 {
				falsely++
				t.Logf("seed %d: a heater of %.1f K, begun at %.1f h, sun %.1f K: told cold %v, passed after %.2f h", seed, aK, beginH, sunK, cold, passedS/3600)
			}
		default:
			dead++
			if passedS > 0 || !cold {
				bySun++
				t.Logf("seed %d: a dead heater, sun %.1f K: told cold %v, passed after %.2f h", seed, sunK, cold, passedS/3600)
			}
		}
	}
	if falsely > good/50 || bySun > 0 {
		t.Errorf("%d of %d good heaters told cold or late, %d of %d dead ones passed", falsely, good, bySun, dead)
	}
}

// Two outdoor units, each with its own input, must both have power; what is
// not heard for more than two minutes does not count, and what comes late
// after all does.
func TestPreheatCountsWhatWasHeardOfEveryInput(t *testing.T) {
	const every, untilS, lastsS = 20, 9 * 3600, 2 * 3600
	gaps, lates, judged := 0, 0, 0
	for seed := range uint64(150) {
		r := rand.New(rand.NewPCG(seed, 2))
		site := Site{Points: []sensors.Point{
			{Name: "ou1", Quantity: sensors.Contact, Role: "outdoor-power", Every: every * time.Second, SilentAfter: 100 * time.Second},
			{Name: "ou2", Quantity: sensors.Current, Role: "outdoor-power", Every: every * time.Second, SilentAfter: 100 * time.Second},
		}, Systems: []System{{Steps: map[string]map[string]Setting{"preheat": {"lasts": {Value: lastsS, Given: true}}}}}}
		type reading struct {
			known, at float64
			point     string
			v         float64
		}
		var log []reading
		on := make([]bool, untilS)
		for s := range on {
			on[s] = true
		}
		var edges []int
		for p, name := range []string{"ou1", "ou2"} {
			state, left, silent, late := true, 0, 0, 0.0
			last, was := -1, false
			for s := 0; s < untilS; s += every {
				if left -= every; left <= 0 {
					state = r.IntN(8) > 0
					left = every * (3 + r.IntN([]int{40, 400}[r.IntN(2)]))
				}
				if silent > 0 {
					silent -= every
					if late == 0 {
						continue
					}
				} else if late = 0; r.IntN(400) == 0 {
					silent = every * (1 + r.IntN([]int{4, 80}[r.IntN(2)]))
					if gaps++; r.IntN(3) == 0 {
						late, lates = float64(s+silent+every), lates+1
					}
				}
				if last < 0 || s-last > 120 {
					for k := max(0, last); k < s; k++ {
						on[k] = false
					}
					edges = append(edges, last, s)
				} else {
					for k := last; k < s; k++ {
						on[k] = on[k] && was
					}
				}
				if was != state {
					edges = append(edges, s)
				}
				last, was = s, state
				v := 0.0
				if state {
					v = float64(1 + p)
				}
				log = append(log, reading{max(float64(s), late), float64(s), name, v})
			}
		}
		slices.SortStableFunc(log, func(a, b reading) int { return cmp.Compare(a.known, b.known) })
		want := dueByHand(lastsS, 900, untilS, func(s int) bool { return on[s] }, func(int) float64 { return 0 }, 10)
		known := 0.0
		for _, x := range log {
			if x.at <= float64(want)+150 {
				known = max(known, x.known)
			}
		}
		if want == 0 || known > float64(want)+150 || slices.ContainsFunc(edges, func(s int) bool { return s < want && s > want-160 || s >= want && s-want < 160 }) {
			continue // met while something was not yet heard
		}
		e := feed{Engine: NewEngine(site, []Rule{Preheat})}
		e.next(1, 0, &Started{})
		e.next(1, 0, &Told{Kind: "begin", Name: "preheat"})
		got := 0.0
		for _, x := range log {
			for _, f := range e.next(1, x.known, &Measured{Reading: sensors.Reading{Point: x.point, Value: x.v}, Taken: at(1, x.at).Since}) {
				if f.Edge == Given && got == 0 {
					got = f.At.Since.Seconds()
				}
			}
		}
		judged++
		// Met within two minutes of a silence it was bridged, and nobody could know better.
		bridged := slices.ContainsFunc(edges, func(s int) bool { return got >= float64(s) && got-float64(s) < 160 })
		if !bridged && (got < float64(want) || got > max(float64(want), known)) {
			t.Errorf("seed %d: due after %g s, by hand %d", seed, got, want)
		}
	}
	if gaps < 100 || lates < 30 || judged < 50 {
		t.Errorf("%d silences, %d told late, %d judged: too few to prove anything", gaps, lates, judged)
	}
}

func TestWhatPeopleTellOfPower(t *testing.T) {
	for text, want := range map[string][2]bool{ // on, off
		"power off": {false, true}, "outdoor unit: breaker tripped": {false, true}, "power back on": {true, false}, "mains restored": {true, false},
		"de-energised": {false, true}, "energised again": {true, false}, "power was off, back on": {true, true}, "outdoor-power off": {false, true},
		"heater off": {false, true}, "no power": {false, true},
		"no power cut so far": {}, "power not off": {}, "breaker of the lights tripped, not ours": {}, "power": {}, "tripped": {},
		"indoor units' power off and tagged": {}, "panel closed": {}, "lost the key": {}, "clamp back on the shell": {}, "": {},
	} {
		for _, name := range []string{"note", "checked"} {
			if on, off := powerTold(&Told{Kind: "mark", Name: name, Note: text}); on != want[0] || off != want[1] {
				t.Errorf("%s %q: on %v, off %v", name, text, on, off)
			}
		}
		if on, off := powerTold(&Told{Kind: "mark", Name: "reported", Note: text}); on || off {
			t.Errorf("reported %q: on %v, off %v", text, on, off)
		}
	}
	if on, off := powerTold(&Told{Kind: "mark", Name: "power-off", Note: "back on at six"}); on || !off {
		t.Errorf("power-off: on %v, off %v", on, off)
	}
}
