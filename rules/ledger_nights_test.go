package rules

import (
	"math"
	"math/rand/v2"
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

// The box comes back after nobody knows how long, and a heavier cylinder stands there: what the
// one before gave meanwhile nobody weighed, whether somebody says so first, later or never. That
// it was short was told for sure.
func TestAHeavierCylinderAfterTheBoxWasOffLeavesTheOneBeforeOpen(t *testing.T) {
	for _, said := range []time.Duration{0, 302 * time.Second} {
		p := &platform{point: "scale", cylinder: 1}
		weighs := func(from, to float64, kg func(s float64) float64) {
			for s := from; s < to; s += 5 {
				at := time.Duration(s * float64(time.Second))
				if said > 0 && at > said {
					p.told(said, "cylinder-swapped")
					said = 0
				}
				p.weigh(sample{at, math.Round(kg(s)/0.01) * 0.01})
			}
		}
		weighs(0, 200, func(s float64) float64 { return 20 - float64(0.01*math.Max(0, s-60)) })
		p.away, p.cut = true, true
		weighs(300, 500, func(float64) float64 { return 33 })
		p.finish()
		// 3.5 kg more may well have gone in, at the rate before, in 6 min.
		if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.lowKg > 1.4 || c.highKg < 1.4+3.5 {
			t.Errorf("said %v: %.2f [%.2f, %.2f]", said, c.bestKg, c.lowKg, c.highKg)
		}
	}
}

// A hand or a kick, then a silence in which the scale is zeroed: the weight that was touched has not
// flowed. All that the cylinder weighed was told as too much.
func TestWhatIsTouchedBeforeASilenceThatZeroesHasNotFlowed(t *testing.T) {
	for _, kick := range []float64{0.13, 0.16, 0.4} {
		for _, every := range []time.Duration{2 * time.Second, 10 * time.Second} {
			p := &platform{point: "scale", cylinder: 1}
			step, zero := every.Seconds(), 0.0
			off := 60 * step
			for s := 0.0; s < 150*step; s += step {
				kg := 16 - float64(0.002*math.Max(0, math.Min(s, off+20)-10*step))
				switch {
				case s >= off && s < off+40*step:
					zero = kg
					continue
				case s >= off-math.Max(step, 10) && s < off:
					kg += kick
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((kg-zero)/0.005) * 0.005})
			}
			p.finish()
			in := float64(0.002 * (50*step + 20))
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); in < c.lowKg-0.05 || in > c.highKg+0.05 || c.highKg > in+1 { // a tail of the way is weighed, too
				t.Errorf("kick %.2f kg, each %v: %.3f went in, said %.3f [%.3f, %.3f]", kick, every, in, c.bestKg, c.lowKg, c.highKg)
			}
		}
	}
}

// Somebody zeroes the scale under a cylinder that flows, says so, and the scale switches itself off
// after a reading or two: what flows meanwhile is what it shows less then. A kilogram was missing.
func TestASilenceJustAfterTheScaleWasZeroedIsWeighed(t *testing.T) {
	for heard := 1; heard <= 3; heard++ { // readings from zeroing on
		for _, rate := range []float64{0.005, 0.01} {
			p := &platform{point: "scale", cylinder: 1}
			trulyKg := func(s float64) float64 { return 30 + float64(rate*400*math.Expm1(-math.Max(0, s-60)/400)) }
			zero := 0.0
			for s := 0.0; s < 700; s += 2 {
				if s == 300 {
					p.told(300*time.Second, "scale-zeroed")
					zero = trulyKg(s)
				}
				if after := s - 300; after >= float64(2*float64(heard)) && after < 220 {
					continue
				}
				sway := float64(0.015 * math.Cos(s*0.7)) // in wind
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((trulyKg(s)-zero+sway)/0.005) * 0.005})
			}
			p.finish()
			in := 30 - trulyKg(698)
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); math.Abs(c.bestKg-in) > 0.06 || in < c.lowKg-0.02 || in > c.highKg+0.02 {
				t.Errorf("%d heard, %.3f kg/s: %.3f went in, said %.3f [%.3f, %.3f]", heard, rate, in, c.bestKg, c.lowKg, c.highKg)
			}
		}
	}
}

// A cylinder that was just put on, or gave nothing yet in this step, stands there with its valve shut
// as the scale goes silent, which comes back zeroed: its valve is what comes next, so nobody may say that nothing flowed. Of one
// whose valve was shut after it had given for long nothing more is thought.
func TestACylinderJustPutOnMayGiveInASilence(t *testing.T) {
	for _, before := range []string{"just put on", "gave nothing yet", "gave for long"} {
		fresh := before != "gave for long"
		p := &platform{point: "scale", cylinder: 1}
		for s := 0.0; s < 1200; s += 5 {
			kg := 20 - float64(0.008*math.Max(0, math.Min(s, 400)-60))
			switch {
			case before == "gave nothing yet":
				kg = 20
			case fresh && s >= 420 && s < 450:
				kg = 0
			case fresh && s >= 450:
				kg = 30
			}
			switch {
			case s >= 520 && s < 1000:
				continue
			case s >= 1000:
				kg = 0
			}
			p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((kg+float64(0.004*math.Cos(s)))/0.01) * 0.01})
		}
		p.finish()
		c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened()
		if more := c.highKg - c.bestKg; fresh && more < 480*0.008 || !fresh && more > 0.5 {
			t.Errorf("%s: %.3f [%.3f, %.3f]", before, c.bestKg, c.lowKg, c.highKg)
		}
	}
}

// Somebody zeroes a scale under a cylinder as it was silent, and its display takes some seconds to get there: that
// is no flow. All that the cylinder weighed was told as too much.
func TestADisplayOnItsWayToNoughtIsNoFlow(t *testing.T) {
	for _, every := range []float64{1, 2, 5} {
		for phase := range 5 {
			p := &platform{point: "scale", cylinder: 1}
			at0 := 300 + float64(float64(phase)*every/5)
			said := false
			trulyKg := func(s float64) float64 { return 15 - float64(0.008*math.Max(0, math.Min(s, 500)-60)) }
			for s := 0.0; s < 600; s += every {
				if s >= at0-60 && s < at0 { // and it is silent before
					continue
				}
				if s >= at0+every && !said {
					p.told(time.Duration(s*float64(time.Second)), "scale-zeroed")
					said = true
				}
				kg := trulyKg(s)
				if s >= at0 {
					kg += float64(-trulyKg(at0) * (1 - math.Exp(-(s-at0+1)/3)))
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.01) * 0.01})
			}
			p.finish()
			in := float64(0.008 * 440)
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); in < c.lowKg-0.05 || in > c.highKg+0.05 || c.highKg > in+1 { // a tail of the way is weighed, too
				t.Errorf("each %.0f s, phase %d: %.3f went in, said %.3f [%.3f, %.3f]", every, phase, in, c.bestKg, c.lowKg, c.highKg)
			}
		}
	}
}

// The same, and it is silent after one reading on its way, until it shows what has left the
// cylinder since: 12 kg was told as too much.
func TestASilenceOnTheWayToNoughtIsReckoned(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	at := 40 * time.Second
	weighs := func(every time.Duration, kgs ...float64) {
		for _, kg := range kgs {
			p.weigh(sample{at, kg})
			at += every
		}
	}
	weighs(10*time.Second, 16.70, 16.69, 16.70, 16.70, 16.70, 16.70, 16.69, 16.70, 16.69, 16.64, 16.47, 16.32, 16.16)
	p.told(at-3*time.Second, "scale-zeroed")
	weighs(221*time.Second, 11.49)
	weighs(10*time.Second, -2.41, -2.50, -2.57, -2.64, -2.71, -2.79, -2.87, -2.93, -3.00, -3.00, -3.00, -3.00, -3.00, -3.00)
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); 3.7 < c.lowKg || 3.7 > c.highKg || c.highKg > 6 { // 0.7 kg before it was zeroed, 3.0 after
		t.Errorf("3.7 kg went in, said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// Nought once, a silence, and then a kilogram less than nothing: no empty platform grows lighter,
// so it may have been zeroed under the cylinder, which gave that. Nothing was told of it, for sure.
func TestAPlatformThatGrowsLighterThanEmptyIsOpen(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	trulyKg := func(s float64) float64 { return 16.5 - float64(0.009*math.Max(0, math.Min(s, 1000)-120)) }
	for s := 0.0; s < 1300; s += 15 {
		kg := trulyKg(s)
		switch {
		case s == 900:
			kg = 0
		case s > 900 && s < 1155:
			continue
		case s >= 1155:
			kg -= trulyKg(897)
		}
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.02) * 0.02})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); 7.92 < c.lowKg-0.02 || 7.92 > c.highKg+0.02 {
		t.Errorf("7.92 kg went in, said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// A cylinder is changed while the scale is silent, and somebody says so then. That the next one weighs
// what flow might have left of the one before is chance: 4.6 kg too much was told, for sure. Nor
// does its being lifted off and put back tell what flowed: 15 kg was.
func TestACylinderChangedInASilenceAsSomebodySaysIsAnother(t *testing.T) {
	for _, next := range []float64{15, 17, 10, 8.7} { // 8.7 kg: what 19 lb would be
		for _, back := range []bool{false, true} {
			p := &platform{point: "scale", cylinder: 1}
			trulyKg := func(s float64) float64 { return 24 - float64(0.01*math.Max(0, math.Min(s, 420)-60)) }
			said := false
			for s := 0.0; s < 900; s += 5 {
				if s >= 460 && !said {
					p.told(460*time.Second, "cylinder-swapped")
					said = true
				}
				kg := trulyKg(s)
				switch {
				case s >= 400 && s < 660:
					continue
				case back && s >= 750 && s < 780:
					kg = 0
				case s >= 660:
					kg = next
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.01) * 0.01})
			}
			p.finish()
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); 3.6 < c.lowKg || 3.6 > c.highKg || c.bestKg > 3.4+float64(0.01*260) || c.unit {
				t.Errorf("next %.0f kg, put back %v: 3.6 kg went in, said %.3f [%.3f, %.3f]", next, back, c.bestKg, c.lowKg, c.highKg)
			}
		}
	}
}

// What may flow on after a scale's last readings, when the step is ended in a silence: of one zeroed as it
// flowed, with a reading or a few since then; of a display that so slow a flow moves seldom; of the
// next cylinder, where somebody has just said that he changes it. None of it was in the band.
func TestWhatFlowsOnAfterTheLastReadingsIsOpen(t *testing.T) {
	for name, c := range map[string]struct {
		every, digit, rate, zeroed, shut float64
		said                             bool
	}{
		"zeroed":            {5, 0.002, 0.006, 285, 1e9, false},
		"zeroed, seldom":    {10, 0.05, 0.004, 295, 1e9, false},
		"slow":              {10, 0.05, 0.0025, 1e9, 1e9, false},
		"slow, often":       {2, 0.05, 0.003, 1e9, 1e9, false},
		"another cylinder":  {5, 0.005, 0.005, 1e9, 240, true},
		"shut for a minute": {5, 0.005, 0.005, 1e9, 240, false},
	} {
		for phase := range 5 {
			p := &platform{point: "scale", cylinder: 1}
			zero := 0.0
			for s := float64(c.every * float64(phase) / 5); s < 302; s += c.every {
				kg := 20 - float64(c.rate*math.Max(0, math.Min(s, c.shut)-60))
				if s >= c.zeroed && zero == 0 {
					zero = kg
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((kg-zero)/c.digit) * c.digit})
			}
			if c.said {
				p.told(300*time.Second, "cylinder-swapped")
			}
			p.finish()
			if more, in := p.flowsOn(200*time.Second, true), float64(200*c.rate); name == "shut for a minute" && more > 0 || name != "shut for a minute" && (more < 0.85*in || more > 3*in) {
				t.Errorf("%s, phase %d: %.3f kg may flow on, and %.3f does", name, phase, more, in)
			}
		}
	}
}

// What the platform showed before the first cylinder was put on it, a hose perhaps, it shows when that is
// lifted off: no part of what flowed while nobody weighed.
func TestAHoseOnTheEmptyPlatformIsNoCharge(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	zero := 0.0
	trulyKg := func(s float64) float64 { return 20 - float64(0.008*math.Max(0, math.Min(s, 700)-60)) }
	for s := 0.0; s < 1200; s += 5 {
		kg := 0.26
		if s >= 20 && s < 800 || s >= 850 {
			kg += trulyKg(s)
		}
		if s >= 300 && s < 400 {
			zero = kg
			continue
		}
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((kg-zero)/0.005) * 0.005})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); math.Abs(c.bestKg-5.12) > 0.03 {
		t.Errorf("5.12 kg went in, said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// The box was off, nobody knows for how long, and the scale comes back zeroed: what flowed meanwhile is
// no matter of seconds. It was told short, for sure.
func TestAZeroAfterTheBoxWasOffIsOpen(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	for s := 0.0; s < 400; s += 5 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((20-float64(0.005*math.Max(0, s-60)))/0.01) * 0.01})
	}
	p.away, p.cut = true, true
	for s := 406.0; s < 700; s += 5 { // by the clock that was carried on
		p.weigh(sample{time.Duration(s * float64(time.Second)), 0})
	}
	p.finish()
	// Twenty minutes at that rate are 6 kg.
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.lowKg > 1.75 || c.highKg < 7.7 || c.highKg > 23 {
		t.Errorf("said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
	// The same once more, on a scale that was zeroed in the step before: nobody knows what was in it.
	p = &platform{point: "scale", cylinder: 1}
	p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), -2.5}}}, 0, 20*time.Second, false, false)
	for s := 5.0; s < 100; s += 5 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), -2.5})
	}
	p.away, p.cut = true, true
	for s := 106.0; s < 300; s += 5 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), 0})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.highKg < 6 || math.IsInf(c.highKg, 0) || math.IsNaN(c.highKg) {
		t.Errorf("zeroed before: said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// A scale that was zeroed in the step before shows less than nothing. Silent as the next one flows, it comes
// back at zero once more.
func TestAScaleZeroedBeforeTheStepComesBackAtZero(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), -2.5}}}, 0, 20*time.Second, false, false)
	trulyKg := func(s float64) float64 { return -2.5 - float64(0.01*math.Max(0, math.Min(s, 400)-60)) }
	zero := 0.0
	for s := 5.0; s < 600; s += 10 {
		if s < 200 {
			zero = trulyKg(s)
			continue
		}
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((trulyKg(s)-zero)/0.01) * 0.01})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); 3.4 < c.lowKg || 3.4 > c.highKg {
		t.Errorf("3.4 kg went in, said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// What flowed between two steps is not forgotten where the cylinder is touched later: it was told short,
// for sure.
func TestWhatFlowedBetweenStepsOutlivesATouch(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 61))
		p := &platform{point: "scale", cylinder: 1}
		p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), 18}, {rateKey(0), 0.01}, {unheardKey(0), 1.2}}}, 0, 20*time.Second, false, false)
		shut, by := 60+float64(40*r.Float64()), 0.1+float64(0.3*r.Float64())
		off := shut + float64(20*r.Float64())
		on := off + 9 + float64(4*r.Float64())
		again := on + 10 + float64(30*r.Float64())
		in := func(s float64) float64 { return 0.8 + float64(0.007*(math.Min(s, shut)-60+math.Max(0, s-again))) }
		for s := 60.0; s < 500; s += 2 {
			kg := 18 - in(s)
			switch {
			case s >= off && s < on:
				kg = 0.16
			case s >= on && s < on+2: // put back with some force
				kg += by
			}
			p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((kg+float64(0.02*r.NormFloat64()))/0.02268) * 0.02268})
		}
		p.finish()
		if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); math.Abs(c.bestKg-in(500)) > 0.15 {
			t.Errorf("seed %d: %.2f kg went in, said %.3f [%.3f, %.3f]", seed, in(500), c.bestKg, c.lowKg, c.highKg)
		}
	}
}

// A cylinder that was lifted off and put back between seldom readings gave nothing meanwhile, however it flowed
// before. Half a kilogram was told as too much.
func TestACylinderPutBackBetweenSeldomReadingsGaveNothing(t *testing.T) {
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 62))
		off := 605 + float64(25*r.Float64())
		on := off + 35 + float64(35*r.Float64())
		c := chargeOf(30*time.Second, time.Duration(30*r.Float64()*float64(time.Second)), 1300*time.Second, 0, 0.02, func(s float64) float64 {
			if s >= off && s < on {
				return 0.2 + float64(24*math.Exp(-(s-off)/1.5))
			}
			return 28.3 - float64(0.007*(math.Min(s, 600)+math.Max(0, math.Min(s, 1200)-on-20)))
		})
		if in := 0.007 * (600 + 1200 - on - 20); in < c.lowKg || in > c.highKg {
			t.Errorf("seed %d: %.2f kg went in, said %.3f [%.3f, %.3f]", seed, in, c.bestKg, c.lowKg, c.highKg)
		}
	}
}

// Somebody leans on a scale that was zeroed under its cylinder, while it flows: it is on there still,
// and gives on. Four kilograms were told as short, for sure.
func TestSomebodyLeansOnAScaleThatWasZeroed(t *testing.T) {
	for phase := range 5 {
		c := chargeOf(10*time.Second, time.Duration(phase)*2*time.Second, 900*time.Second, 0, 0.02, func(s float64) float64 {
			kg := 26 - float64(0.005*math.Max(0, math.Min(s, 800)-60))
			if s >= 300 {
				kg -= 26 - float64(0.005*240)
			}
			if s >= 500 && s < 521 {
				kg += 6.4
			}
			return kg
		})
		if c.lowKg > 3.72 || c.highKg < 3.68 || c.highKg > 4.2 {
			t.Errorf("phase %d: 3.7 kg went in, said %.3f [%.3f, %.3f]", phase, c.bestKg, c.lowKg, c.highKg)
		}
	}
}

// A cylinder is lifted off, and one reading shows it on its way; then the scale is silent, somebody says
// that he changed it, and it comes back at zero. That is no flow: ten kilograms were told as too much.
func TestACylinderOnItsWayOffBeforeASilenceHasNotFlowed(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	said := false
	for s := 0.0; s < 900; s += 15 {
		if s >= 560 && !said {
			p.told(560*time.Second, "cylinder-swapped")
			said = true
		}
		kg := 28 - float64(0.008*math.Max(0, math.Min(s, 400)-60))
		switch {
		case s == 420:
			kg = 9.7
		case s > 420 && s < 600:
			continue
		case s >= 600:
			kg = -0.04 - float64(0.005*(s-600))
		}
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.005) * 0.005})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.lowKg > 4.2 || c.highKg < 4.2 || c.bestKg > 7 {
		t.Errorf("4.2 kg were weighed, said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// A step is begun while its scale is silent, and the cylinder is changed before it is heard: what either gave
// meanwhile nobody weighed, whether somebody says so or not. It was told short, for sure.
func TestACylinderChangedBeforeAStepsScaleIsHeardIsOpen(t *testing.T) {
	for _, said := range []bool{false, true} {
		p := &platform{point: "scale", cylinder: 1, every: 5 * time.Second}
		p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), 9}}}, 0, 300*time.Second, false, false)
		if said {
			p.told(150*time.Second, "cylinder-swapped")
		}
		for s := 240.0; s < 500; s += 5 {
			p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((25-float64(0.006*(math.Min(s, 400)-180)))/0.01) * 0.01})
		}
		p.finish()
		// The one before gave 0.5 kg, at 5 g/s from 40 s on; the next 1.32 kg, of which 0.96 were weighed.
		if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.lowKg > 1.0 || c.highKg < 1.82 || c.highKg > 9 {
			t.Errorf("said %v: 1.82 kg went in, said %.3f [%.3f, %.3f]", said, c.bestKg, c.lowKg, c.highKg)
		}
	}
	p := &platform{point: "scale", cylinder: 1, every: 30 * time.Second} // in time: nothing is missing
	p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), 9}}}, 0, 300*time.Second, false, false)
	for s := 25.0; s < 500; s += 30 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), 25})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.highKg > 0.1 {
		t.Errorf("heard in time: [%.3f, %.3f]", c.lowKg, c.highKg)
	}
}

// A hose that is moved amid a draw-in's flow shifts the weight for good, by less than flows between two
// readings or a little more: it is no flow, either way. That was told short, or too much, for sure.
func TestAHoseMovedAmidAFastFlowIsNoFlow(t *testing.T) {
	for _, every := range []float64{5, 10} {
		const nights = 60
		out := 0
		for seed := range uint64(nights) {
			r := rand.New(rand.NewPCG(seed, 63))
			rate, ebb, digit := 0.012+float64(0.015*r.Float64()), 150+float64(500*r.Float64()), 0.005*float64(1+r.IntN(2))
			shift := 60 + float64(every*(8+float64(6*r.Float64())))
			by := (0.12 + float64(0.2*r.Float64())) * float64(2*r.IntN(2)-1)
			in := func(s float64) float64 { return float64(rate * ebb * -math.Expm1(-math.Max(0, s-60)/ebb)) }
			p := &platform{point: "scale", cylinder: 1}
			for s := float64(every * r.Float64()); s < 700; s += every {
				kg := 21 - in(s) + float64(0.003*r.NormFloat64())
				if s >= shift {
					kg += by
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/digit) * digit})
			}
			p.finish()
			last := p.good[len(p.good)-1].t.Seconds()
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); in(last) < c.lowKg-0.02 || in(last) > c.highKg+0.02 {
				out++
			}
		}
		if out > 1 {
			t.Errorf("each %.0f s: the band leaves the truth out in %d of %d nights", every, out, nights)
		}
	}
}

// So slow a flow moves a coarse display seldom: that it showed the same just before a silence that zeroes it is
// no shut valve, and the best estimate is that it flowed on (the field guide). It was that nothing did, and
// charge-near-target came late.
func TestASlowFlowOnACoarseDisplayGoesOnInASilence(t *testing.T) {
	for _, shut := range []bool{false, true} {
		wrong := 0
		for seed := range uint64(40) {
			r := rand.New(rand.NewPCG(seed, 64))
			rate, every := 0.0018+float64(0.0015*r.Float64()), 1+float64(5*r.Float64())
			in := func(s float64) float64 {
				if shut && s > 240 && s < 530 {
					s = 240
				} else if shut && s >= 530 {
					s -= 290
				}
				return float64(rate * math.Max(0, s-60))
			}
			p := &platform{point: "scale", cylinder: 1}
			zero := 0.0
			for s := float64(every * r.Float64()); s < 800; s += every {
				if s > 300 && s < 500 {
					zero = 27 - in(s)
					continue
				}
				p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round((27-in(s)-zero+float64(0.01*r.NormFloat64()))/0.05) * 0.05})
			}
			p.finish()
			went := in(800)
			if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); math.Abs(c.bestKg-went) > 0.15 || went < c.lowKg-0.03 || went > c.highKg+0.03 {
				wrong++
			}
		}
		// Shut for a minute it looks as if it flowed on in some of them (12; 8 before).
		if most := map[bool]int{false: 4, true: 13}[shut]; wrong > most {
			t.Errorf("shut %v: %d of 40 wrong", shut, wrong)
		}
	}
}

// A hose is laid on the cylinder as its valve is being shut: by the flow before it that may have been no shift,
// and by the rise it was one. It was told short, for sure, in 25 of these.
func TestAHoseLaidOnAsTheValveIsShutIsOpen(t *testing.T) {
	out := 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 65))
		shut := 200 + float64(20*r.Float64())
		laid := shut - float64(20*r.Float64())
		by, rate := 0.15+float64(0.2*r.Float64()), 0.01+float64(0.01*r.Float64())
		in := func(s float64) float64 { return float64(rate * math.Max(0, math.Min(s, shut)-60)) }
		p := &platform{point: "scale", cylinder: 1}
		for s := r.Float64(); s < 260; s++ {
			kg := 20 - in(s) + float64(0.003*r.NormFloat64())
			if s >= laid {
				kg += by
			}
			if s >= shut-2 && s < shut+1 { // a hand on the valve
				kg -= 0.15
			}
			p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.005) * 0.005})
		}
		p.finish()
		if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); in(260) < c.lowKg-0.02 || in(260) > c.highKg+0.02 {
			out++
		}
	}
	if out > 12 { // 25 before; where the valve is shut within ten seconds, what flowed since cannot be told from the hand that shut it
		t.Errorf("the band leaves the truth out in %d of 60 nights", out)
	}
}

// The next step is begun with another cylinder, on a scale that was zeroed in the step before, and silent as that begins:
// what was in the one before nobody knows, so what it gave unseen is open.
func TestAZeroedCylinderChangedBeforeAStepsScaleIsHeardIsOpen(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1, every: 5 * time.Second}
	p.carry(Finding{Step: "draw-in", Values: []Value{{grossKey(0), -2.5}}}, 0, 300*time.Second, false, false)
	for s := 240.0; s < 500; s += 5 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), 25})
	}
	p.finish()
	if c := (&ledger{platforms: []*platform{p}}).charge(Setting{}, false).widened(); c.highKg < 0.5 || c.highKg > 20 {
		t.Errorf("said %.3f [%.3f, %.3f]", c.bestKg, c.lowKg, c.highKg)
	}
}

// The scale comes back at about nought after the box was off, nobody knows for how long, and stands still there: each of its
// readings is heard.
func TestAScaleIsHeardAfterTheBoxWasOff(t *testing.T) {
	p := &platform{point: "scale", cylinder: 1}
	for s := 0.0; s < 200; s += 5 {
		kg := 20 - float64(0.005*math.Max(0, s-60))
		if s >= 100 {
			kg -= 20 - float64(0.005*40)
		}
		if s >= 60 && s < 100 {
			continue
		}
		p.weigh(sample{time.Duration(s * float64(time.Second)), math.Round(kg/0.01) * 0.01})
	}
	p.away, p.cut = true, true
	for s := 206.0; s < 400; s += 5 {
		p.weigh(sample{time.Duration(s * float64(time.Second)), 0.02})
	}
	if last := p.good[len(p.good)-1].t; last < 395*time.Second {
		t.Errorf("the newest reading that counts is of %v", last)
	}
}
