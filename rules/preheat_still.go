package rules

import (
	"math"
	"slices"
	"time"
)

// A sump follows the outdoor air and its heater. A clamp that shows one and the
// same value for hours in which the air should have moved it measures nothing.

const (
	stillFrom   = 3 * time.Hour // of one value, before it is held against the air (our choice)
	stillDigits = 1.2           // of the display's own: within one of them a sump may move unseen
	stillMostK  = 0.4           // what a clamp with fine digits may miss: a shell out of the wind (our choice)
	coarseK     = 1.0           // the coarsest digit that a thermometer shows (common practice: 1 K or 1 °F)
)

// stillness is a clamp's newest run of one value, and how the shell should have
// gone meanwhile.
type stillness struct {
	heard    bool
	value    float64
	from, at time.Duration
	stepK    float64 // the least change seen; 0: none
	course   [][len(heatTaus)]follows
	was      time.Duration // when a run ended that measured nothing; 0: none did
}

// follows is what a shell of one time constant follows: the air alone, the air from
// where the shell began, and the share of its heater.
type follows struct{ airC, fromC, share float64 }

// hear takes a reading, in order.
func (r *stillness) hear(x sample) {
	if d := math.Abs(x.v - r.value); !r.heard || d > sameAs*math.Abs(x.v) {
		if r.heard && (r.stepK == 0 || d < r.stepK) {
			r.stepK = d
		}
		r.value, r.from, r.course = x.v, x.t, nil
	}
	r.heard, r.at = true, x.t
}

// digitK is the display's digit: no coarser than the least change seen, nor than
// the value itself shows, in either unit.
func (r *stillness) digitK() float64 {
	digit := 0.1
	for _, x := range []struct{ shown, stepK float64 }{{r.value, coarseK}, {r.value*9/5 + 32, 5.0 / 9}, {2 * r.value, 0.5}} {
		if math.Abs(x.shown-math.Round(x.shown)) < 1e-6 {
			digit = max(digit, x.stepK)
		}
	}
	if r.stepK > 0 {
		digit = min(digit, r.stepK)
	}
	return digit
}

// shouldHaveMovedK is by how much the air moved it in its run, by the time
// constant of a shell that lets it rest most; less where a warming heater, as fits
// the readings best, hides a cooling night.
func (s *sump) shouldHaveMovedK() float64 {
	least := math.Inf(1)
	for i := range s.heat {
		if heatTaus[i] > heaterTau {
			continue
		}
		heatK := float64(s.heat[i].sumBoth / s.heat[i].sumShare)
		if s.heat[i].sumShare == 0 { // no power yet
			heatK = 0
		}
		var alone, both []float64
		for _, f := range s.rest.course {
			alone, both = append(alone, f[i].airC), append(both, f[i].fromC+float64(f[i].share*heatK))
		}
		least = min(least, slices.Max(alone)-slices.Min(alone), slices.Max(both)-slices.Min(both))
	}
	return least
}

// stands reports whether its clamp measures nothing by now, and by how much it should have moved.
func (s *sump) stands() (movedK float64, is bool) {
	if s.rest.at-s.rest.from < stillFrom || len(s.rest.course) == 0 {
		return 0, false
	}
	movedK = s.shouldHaveMovedK()
	return movedK, movedK > max(stillMostK, float64(stillDigits*s.rest.digitK()))
}

// stoodWithin reports whether such a run ended so little ago that what it showed still counts.
func (s *sump) stoodWithin(now, long time.Duration) bool {
	return s.rest.was > 0 && now-s.rest.was < long
}
