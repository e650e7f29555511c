package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// Shells by the field guide's time constants (step 4: 1 to 2 h) on displays as coarse
// as there are, warm from the day before or cold: none is taken for a clamp that
// stands still. One that does is, whatever value it shows, where the night goes by 5 K.
func TestACoarseClampIsNoBrokenOne(t *testing.T) {
	rested := 0
	for seed := range uint64(120) {
		r := rand.New(rand.NewPCG(seed, 350))
		digit := []float64{1, 5.0 / 9, 0.5, 0.1, 0.0625}[r.IntN(5)]
		tau, heat := 3600*(1+r.Float64()), 12+r.Float64()*18
		fall, swing, every := r.Float64()*6-2, r.Float64(), []float64{10, 60}[r.IntN(2)]
		air := func(s float64) float64 { return 12 - fall*s/21600 + swing*math.Sin(s/3600) }
		sump := air(0)
		if r.IntN(2) == 0 { // its heater has been on since yesterday
			sump += heat
		}
		var longest, since time.Duration
		last := math.NaN()
		e := feed{Engine: NewEngine(preheatSite(time.Duration(every)*time.Second), []Rule{Preheat})}
		e.next(1, 0, &Started{})
		e.next(1, 0, &Told{Kind: "begin", Name: "preheat"})
		var found []Finding
		for s := 0.0; s <= 6*3600+60; s += every {
			sump += (air(s) + heat - sump) * every / tau
			shown := math.Round(sump/digit) * digit
			if at := time.Duration(s) * time.Second; shown != last {
				last, since = shown, at
			} else {
				longest = max(longest, at-since)
			}
			found = append(found, e.read(1, s, "ambient", air(s)+0.2*r.NormFloat64())...)
			found = append(found, e.read(1, s, "sump", shown)...)
			found = append(found, e.read(1, s, "mains", 1)...)
		}
		if longest > stillFrom {
			rested++
		}
		for _, f := range found {
			if f.Cause == "gauge" || f.Flag == "heater-unproven" {
				t.Errorf("night %d: digit %.4g K, time constant %.0f s, heater %.3g K, fall %.3g K: %s", seed, digit, tau, heat, fall, f.Text)
			}
		}
		result := ""
		_, found = preheatedBy(func(s float64) float64 { return 12 - 5*s/21600 + 0.2*r.NormFloat64() }, func(float64) float64 { return last })
		for _, f := range found {
			if f.Edge == Given {
				result = f.Cause
			}
		}
		if last-12 >= 10 && result != "gauge" {
			t.Errorf("night %d: a clamp that stands at %g C: %q", seed, last, result)
		}
	}
	if rested < 5 {
		t.Errorf("only %d of them stood on one value for longer than is looked at", rested)
	}
}

func preheatedBy(air, sump func(s float64) float64) (e feed, found []Finding) {
	e = feed{Engine: NewEngine(preheatSite(time.Minute), []Rule{Preheat})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "preheat"})
	for s := 0.0; s <= 6*3600+60; s += 60 {
		found = append(found, e.read(1, s, "ambient", air(s))...)
		found = append(found, e.read(1, s, "sump", sump(s))...)
		found = append(found, e.read(1, s, "mains", 1)...)
	}
	return e, found
}
