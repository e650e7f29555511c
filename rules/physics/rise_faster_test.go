package physics

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Sources: ice's vapour pressure is checked against IAPWS in water_test.go; that a
// leak into a vacuum comes as fast all the time is the choked flow of any text on
// vacuum technology, and the field guide's straight line; a gauge's noise of 0.5 to
// 3 % is the field guide's. Ice that warms by 12 K an hour, a leak of the same
// rise, and water that levels off, under noise that is white or wanders: the first is
// never called a leak where the bend is plain, and the leak stays one.
func TestWhatSpeedsUpIsNoLeak(t *testing.T) {
	ice := func(h float64) float64 { return WaterPressurePa(-32 + float64(12*h)) }
	for _, noise := range []struct {
		share, lastsS float64
		plain         bool // the bend stands far above what the noise makes of a line
	}{{0.005, 1, true}, {0.005, 30, true}, {0.005, 120, true}, {0.015, 1, true}, {0.015, 30, true}, {0.03, 1, false}, {0.03, 120, false}} {
		var iceLeaks, iceFaster, leaks, leakFaster, dryFaster int
		const nights = 6
		for seed := range uint64(nights) {
			r := rand.New(rand.NewPCG(seed, 11))
			drawn := func(p func(h float64) float64) Causes {
				g := r.NormFloat64()
				rises := FitRises(stretches(func(tS float64) float64 {
					keep := math.Exp(-20 / noise.lastsS)
					g = float64(keep*g) + float64(math.Sqrt(1-keep*keep)*r.NormFloat64())
					return p(tS/3600) * (1 + float64(noise.share*g))
				}, 150, 20, 3600), 500*micronPa)
				return rises.Causes(3600)
			}
			mostly := func(part float64, c Causes) int {
				if part > 0.75*(1-c.Steady+c.Faster) {
					return 1
				}
				return 0
			}
			c := drawn(ice)
			iceLeaks, iceFaster = iceLeaks+mostly(c.Leak, c), iceFaster+mostly(c.Faster, c)
			c = drawn(func(h float64) float64 { return ice(0) + float64((ice(1)-ice(0))*h) })
			leaks, leakFaster = leaks+mostly(c.Leak, c), leakFaster+mostly(c.Faster, c)
			c = drawn(func(h float64) float64 { return ice(0) - float64((ice(1)-ice(0))*math.Expm1(-3*h)) })
			dryFaster += mostly(c.Faster, c)
		}
		if noise.plain && (iceLeaks > 0 || iceFaster < nights/2) {
			t.Errorf("%+v: ice that warms is a leak in %d of %d, and speeds up in %d", noise, iceLeaks, nights, iceFaster)
		}
		if noise.plain && leaks < nights-1 || leakFaster > 0 || dryFaster > 0 {
			t.Errorf("%+v: a leak is one in %d of %d; it speeds up in %d, and water that levels off in %d", noise, leaks, nights, leakFaster, dryFaster)
		}
	}
}

// A leak of 100 to 900 micron a minute is past any limit in minutes and goes on as straight to far
// beyond it: what the readings could bend by up there is many times the limit, and so is no
// sign of a bend. Noise that wanders, of the field guide's size.
func TestAFastLeakIsStraight(t *testing.T) {
	for _, lastsS := range []float64{1, 60, 150, 400} {
		const nights = 40
		leaks, faster, both := 0, 0, 0
		for seed := range uint64(nights) {
			r := rand.New(rand.NewPCG(seed, 37))
			a, noise, g := 100*math.Exp(r.Float64()*math.Log(9)), 0.005+float64(0.025*r.Float64()), r.NormFloat64()
			c := FitRises(stretches(func(tS float64) float64 {
				keep := math.Exp(-20 / lastsS)
				g = float64(keep*g) + float64(math.Sqrt(1-keep*keep)*r.NormFloat64())
				return (200 + float64(a*tS/60)) * micronPa * (1 + float64(noise*g))
			}, 150, 20, 3600), 500*micronPa)
			of := c.Causes(3600)
			all := 1 - of.Steady + of.Faster
			switch {
			case of.Leak > 0.5*all:
				leaks++
			case of.Faster > 0.5*all:
				faster++
			case of.Both > 0.5*all:
				both++
			}
		}
		if t.Logf("noise over %.0f s: a leak in %d of %d, faster %d, both %d", lastsS, leaks, nights, faster, both); leaks < nights*9/10 || faster > 1 {
			t.Errorf("noise that lasts %.0f s: a leak in %d of %d; it speeds up in %d, and is both in %d", lastsS, leaks, nights, faster, both)
		}
	}
}
