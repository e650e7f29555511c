package rules

import (
	"math"
	"testing"
	"time"
)

// chargeOf weighs what a function says the platform carries, without noise, and tells of a swap.
func chargeOf(every, phase, until, said time.Duration, digit float64, carries func(s float64) float64) charge {
	p := &platform{point: "scale", cylinder: 1}
	for at := phase; at < until; at += every {
		if said > 0 && at >= said {
			p.told(said, "cylinder-swapped")
			said = 0
		}
		p.weigh(sample{at, math.Round(carries(at.Seconds())/digit) * digit})
	}
	p.finish()
	return (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened()
}

// Two full cylinders weigh nearly the same. Who tells of a change that was taken for the same one
// put back is believed: what it weighs less may not have gone in, and was surely charged before.
func TestAnotherCylinderThatWeighsNearlyTheSameIsNoCharge(t *testing.T) {
	for phase := range 10 {
		for _, less := range []float64{0.15, 0.2} {
			c := chargeOf(5*time.Second, time.Duration(phase)*500*time.Millisecond, 400*time.Second, 165*time.Second, 0.05, func(s float64) float64 {
				switch {
				case s < 100:
					return 32.35
				case s < 112:
					return 0
				}
				return 32.35 - less
			})
			if c.lowKg > 0.03 { // a digit may be settling
				t.Errorf("phase %d, %.2f kg less: surely %.3f [%.3f, %.3f] went in, and nothing did", phase, less, c.bestKg, c.lowKg, c.highKg)
			}
		}
	}
}

// A display that held its value while it flowed shows that once before the cylinder is lifted off:
// so does one that is on its way to nought. Either may be; that it was short was told for sure.
func TestWhatASeldomReadingShowsBeforeALiftMayHaveGoneIn(t *testing.T) {
	for phase := range 6 {
		said := time.Duration(0)
		if phase%2 == 1 {
			said = 545 * time.Second
		}
		c := chargeOf(30*time.Second, 0, 900*time.Second, said, 0.05, func(s float64) float64 {
			trulyKg := 20 - float64(0.01*math.Max(0, math.Min(s, 540)-60))
			switch {
			case s < 240+float64(30*phase):
				return trulyKg
			case s < 535: // it is held
				return 20 - float64(0.01*float64(math.Floor((240+float64(30*phase)-60)/30)*30))
			case s < 565:
				return trulyKg
			case s < 625:
				return 0
			}
			return 18
		})
		if in := 4.8; in > c.highKg+0.05 {
			t.Errorf("phase %d: %.3f [%.3f, %.3f], and %.1f kg went in", phase, c.bestKg, c.lowKg, c.highKg, in)
		}
	}
}
