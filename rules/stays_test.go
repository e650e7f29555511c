package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// stay is one weigh-in amid which the weight jumps and stays there: a hose laid on, a
// display shoved. Invented.
type stay struct {
	every  time.Duration
	digit  float64 // kg
	rate   float64 // kg/s, before the jump
	flow   string  // even, slowing (it ebbs to 0.6), throttled (to 0.4 at once), stopping
	silent float64 // s of silence about the jump; nought: none
	by     float64 // kg, that the jump adds to the weight; nought: none
}

// weighed is what the ledger makes of it, and what went in.
func (c stay) weighed(seed uint64) (told charge, in float64) {
	r := rand.New(rand.NewPCG(seed, 77))
	step := c.every.Seconds()
	opened := 20 * max(step, 3)
	at := 2*opened + 12*max(step, 2) + c.silent + float64(10*step*r.Float64())
	shut := at + 12*max(step, 2) + c.silent + float64(10*step*r.Float64())
	turned := at + c.silent/2 + 4*step
	quiet := at - float64(c.silent*r.Float64())
	rate := func(s float64) float64 {
		switch {
		case s < opened || s >= shut || c.flow == "stopping" && s >= turned:
			return 0
		case c.flow == "throttled" && s >= turned:
			return float64(0.4 * c.rate)
		case c.flow == "slowing":
			return float64(c.rate * math.Exp(-(s-opened)/(2*(shut-opened))))
		}
		return c.rate
	}
	p := &platform{point: "scale", cylinder: 1}
	for s, next := 0.0, float64(step*r.Float64()); s < shut+90; s += 0.25 {
		if s >= next {
			kg := 30 - in
			if s >= at {
				kg += c.by
			}
			kg += float64(max(0.002, c.digit/4) * r.NormFloat64())
			if s < quiet || s >= quiet+c.silent {
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/c.digit) * c.digit})
			}
			next += step
		}
		in += float64(0.25 * rate(s))
	}
	p.finish()
	l := &ledger{platforms: []*platform{p}}
	return l.charge(Setting{}, false), in
}

// A jump that stays is told from flow by what flows before and after it, amid readings
// far apart and in a silence: where nobody can tell, the band holds what went in by
// either. A flow that ebbs, or a valve that is throttled or shut, raises no doubt.
// Sizes are of what flows between two readings, or in the silence. Some jumps look like a
// valve that was turned, or lie within a flow's own change: no more than these.
func TestAJumpThatStays(t *testing.T) {
	const worth = 0.05 // kg that a band leaves out
	for _, c := range []struct {
		every  time.Duration
		silent float64
		times  float64
		wrong  int // bands of 72 that leave out what went in, by more than is worth a word
	}{
		{30 * time.Second, 0, 0.5, 10}, {30 * time.Second, 0, 1, 8}, {30 * time.Second, 0, 3, 6}, // 22, 23 and 3 while a rise was taken for a valve shut
		{10 * time.Second, 0, 3, 6}, {2 * time.Second, 0, 5, 15},
		{2 * time.Second, 60, 0.7, 30}, {30 * time.Second, 150, 0.7, 8}, {5 * time.Second, 300, 0.7, 20}, // 68, 72 and 72 without the rate check
		{5 * time.Second, 120, 1.2, 5}, {30 * time.Second, 150, 1.2, 5},
	} {
		wrong := 0
		for _, digit := range []float64{0.002, 0.01, 0.05} {
			for _, flow := range []string{"even", "slowing", "throttled", "stopping"} {
				for seed := range uint64(6) {
					night := stay{every: c.every, digit: digit, flow: flow, silent: c.silent, rate: (0.1 + float64(0.08*float64(seed))) / 60}
					told, in := night.weighed(seed)
					plain := told.widened()
					if max(plain.highKg-told.bestKg, told.bestKg-plain.lowKg) > toleranceK || plain.lowKg > in+worth || plain.highKg < in-worth {
						t.Errorf("no jump, each %v, silent %.0f s, %s at %.3f kg/s, digit %.3f: %.3f kg, said %.3f to %.3f", c.every, c.silent, flow, night.rate, digit, in, plain.lowKg, plain.highKg)
					}
					night.by = float64(c.times * night.rate * max(c.silent, c.every.Seconds()))
					if seed%2 == 1 {
						night.by = -night.by
					}
					told, in = night.weighed(seed)
					if wide := told.widened(); wide.lowKg > in+worth || wide.highKg < in-worth {
						wrong++
					}
				}
			}
		}
		if t.Logf("each %v, silent %.0f s, %.1f times the flow: %d", c.every, c.silent, c.times, wrong); wrong > c.wrong {
			t.Errorf("readings each %v, silent %.0f s, a jump of %.1f times what flows: %d bands leave out what went in, %d at the most", c.every, c.silent, c.times, wrong, c.wrong)
		}
	}
}
