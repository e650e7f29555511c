package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A gauge whose noise wanders over a minute, of 1 % (field guide: 0.5 to 3 %), goes there and back in
// many readings and hardly ever between two; when it then shows one value for half an hour it
// no longer measures. One that measures is never called frozen, however quiet it is.
func TestAGaugeWhoseNoiseWandersIsSeenToFreeze(t *testing.T) {
	drawn := func(seed uint64, noise, everyS, stopS float64) (frozen bool) {
		r := rand.New(rand.NewPCG(seed, 43))
		keep, g, pa, s := math.Exp(-everyS/60), r.NormFloat64(), 0.0, still{}
		for at := 0.0; at < 3600; at += everyS {
			if g = float64(keep*g) + float64(math.Sqrt(1-keep*keep)*r.NormFloat64()); at < stopS {
				pa = math.Round(180*(1+float64(noise*g))+float64(20*-math.Expm1(-at/600))) * micronPa
			}
			s.hear(sample{time.Duration(at * float64(time.Second)), pa})
			frozen = frozen || at < stopS && s.stopped()
		}
		return frozen || stopS < 3600 && s.stopped()
	}
	seen, of := 0, 0
	for seed := range uint64(20) {
		for _, everyS := range []float64{1, 2, 5, 10} {
			of++
			if drawn(seed, 0.01, everyS, 1500) {
				seen++
			}
			for _, noise := range []float64{0.001, 0.002, 0.005, 0.01, 0.03} {
				if drawn(seed, noise, everyS, 1e9) {
					t.Errorf("noise %g, a reading each %g s, seed %d: frozen, and it measures", noise, everyS, seed)
				}
			}
		}
	}
	if seen < of*9/10 {
		t.Errorf("seen to be frozen: %d of %d", seen, of)
	}
}
