package main

import (
	"fmt"
	"io"
	"math"
)

// weighScore scores draw-in and weigh-in.
type weighScore struct {
	mass, massAll, drifts  share
	known, unknowable      share
	told, steady, untold   share
	silence, swaps, unseen share
	bumps, zeroed, frozen  share
	cut, hose, late        share
	missed                 share
	calm, windy, slow      share
	seldom                 share
	band, bandAll, best    share
	near, nearAll, noNear  share
	nearTold, nearUntold   share
	nearMoved              share
	over, overPlus, overAl share
	falseOver, falseBump   share
	falseHose, restored    share
	gusts                  share
	unweighed              share
	errors                 spread
	said                   confusion
}

// tellable is by how many standard deviations the truth must lie from what is
// no cause to call, for 95 calls of 100 in time and one false one: 2.33 + 1.64
// (normal distribution).
const tellable = 3.97

func newWeighScore() score {
	return &weighScore{
		mass:       share{name: "charged mass within 10 g + 1.5 digits, platform true and calm, seen", asked: 1},
		known:      share{name: "  of these: whoever knew each reading of a cylinder standing still comes as near", asked: 1},
		unknowable: share{name: "  of these: whoever knew them does not"},
		drifts:     share{name: "  the same where creep or warmth falsify the platform by 5 g or more"},
		gusts:      share{name: "  the same in wind of 10 to 50 g"},
		silence:    share{name: "  of the first: with silence of the scale"},
		swaps:      share{name: "  of the first: with swaps, all marked"},
		unseen:     share{name: "  of the first: with swaps that nobody marked"},
		bumps:      share{name: "  of the first: with kicks"},
		late:       share{name: "  of the first: with readings that came late"},
		frozen:     share{name: "  of the first: with a display that held its last value"},
		cut:        share{name: "  of the first: with the box's power cut"},
		zeroed:     share{name: "charged mass where somebody zeroed the scale mid-run"},
		hose:       share{name: "charged mass where a hose was laid on the scale"},
		missed:     share{name: "charged mass where a cylinder was not read standing still before and after"},
		massAll:    share{name: "charged mass in all trials"},
		errors:     spread{name: "error of the charged mass, all trials", unit: "g"},
		band:       share{name: "truth inside [low, high] where the scale came back zeroed", asked: 0.95},
		best:       share{name: "  best estimate within 10 % of what went in unseen, + 10 g + 1.5 digits"},
		bandAll:    share{name: "truth inside [low, high] + 10 g + 1.5 digits, all trials"},
		restored:   share{name: "charged mass where it was then lifted off, zeroed empty and put back"},
		unweighed:  share{name: "unweighed_kg is more than nought there, the mass not being right"},
		nearAll:    share{name: "near target told 60 s to 5 min ahead (or at 0.2 kg), all arrivals", asked: 0.95},
		nearTold:   share{name: "  of these: whoever knew mass and flow at each reading heard would so tell", asked: 0.95},
		near:       share{name: "    of these: flow steady and seen for 5 min", asked: 0.95},
		nearUntold: share{name: "  of these: he would tell too early, too late or not at all"},
		nearMoved:  share{name: "  of these: scale zeroed, hose on it, cylinder not seen at rest: nobody knew the mass"},
		noNear:     share{name: "near target told where the charge never comes within 1 kg of it", asked: 0.01, atMost: true},
		over:       share{name: "over target told within 12 s or one digit's flow, clearly over, the scale heard", asked: 0.95},
		told:       share{name: "  of these: whoever knew what the scale can show, flow, noise could", asked: 0.95},
		steady:     share{name: "    of these: flow steady for a minute before it was there", asked: 0.95},
		untold:     share{name: "  of these: nobody could in 95 of 100, at one false call in 100"},
		calm:       share{name: "  of these: noise below half a digit, a reading each 5 s or oftener"},
		windy:      share{name: "  of these: noise above that"},
		slow:       share{name: "  of these: a reading each 10 s"},
		seldom:     share{name: "  of these: a reading each 30 s, of which two in five at most come within 12 s"},
		overPlus:   share{name: "  or with the first reading after that"},
		overAl:     share{name: "  told at all before the step's end, over by 3 digits and 30 g"},
		falseOver:  share{name: "over target told, at the end still short of it by 10 g + half a digit", asked: 0.01, atMost: true},
		falseHose:  share{name: "  the same where a hose was laid on the scale, or it was zeroed"},
		falseBump:  share{name: "over target told before it was passed by a digit less 10 g + 1.5 digits, and 3 s", asked: 0.01, atMost: true},
		said:       confusion{name: "verdict of the last step"},
	}
}

func (s *weighScore) take(c judged, odd func(string)) {
	step, key := "weigh-in", "charged_kg"
	if c.truth.Word("steps") == "draw-in" {
		step, key = "draw-in", "drawn_kg"
	}
	v, given := c.verdict(step)
	truth, target, digit := c.number("charged_kg"), c.number("target_kg"), c.number("digit_kg")
	tolerance := max(0.1, 0.01*target) // the field guide, step 3
	class := "within tolerance"
	switch {
	case c.yes("rezeroed"):
		class = "part of it unseen"
	case truth > target+tolerance:
		class = "too much"
	case truth < target-tolerance:
		class = "too little"
	}
	if !given {
		s.said.add(class, "no verdict")
		odd("no verdict of the " + step)
	} else {
		s.said.add(class, step+" "+v.outcome())
		charged, _ := v.value(key)
		s.weighed(c, v, charged-truth, 0.010+1.5*digit, odd)
	}
	s.nearing(c, odd)
	s.passing(c, odd)
}

// weighed scores the mass.
func (s *weighScore) weighed(c judged, v said, off, allowed float64, odd func(string)) {
	good := math.Abs(off) <= allowed
	s.errors.v = append(s.errors.v, 1000*math.Abs(off))
	s.massAll.count(good)
	truth := c.number("charged_kg")
	low, hasLow := v.value("charged_low_kg")
	high, hasHigh := v.value("charged_high_kg")
	if hasLow && hasHigh {
		s.bandAll.count(low-allowed <= truth && truth <= high+allowed)
	}
	switch {
	case c.yes("rezeroed") && c.yes("restored"):
		s.restored.count(good)
	case c.yes("rezeroed"):
		inside := hasLow && hasHigh && low-1e-3 <= truth && truth <= high+1e-3
		s.band.count(inside)
		s.best.count(math.Abs(off) <= 0.1*c.number("unweighed_kg")+allowed)
		if unweighed, _ := v.value("unweighed_kg"); !good { // an empty platform seen later tells it
			s.unweighed.count(unweighed > 0 || c.number("unweighed_kg") < 0.02)
		}
		if !inside {
			odd(fmt.Sprintf("came back zeroed: said %.3f [%.3f, %.3f] kg", truth+off, low, high))
		}
	case c.number("zeroed") > 0:
		s.zeroed.count(good)
	case c.yes("hose_laid_on"):
		s.hose.count(good)
	case c.yes("ended_unseen") || !c.yes("ends_seen"):
		s.missed.count(good)
	case math.Abs(c.number("platform_kg")) >= 0.005:
		s.drifts.count(math.Abs(off) <= allowed)
	case c.number("wind_kg") >= 0.01: // that belongs into the band (the field guide, step 3)
		s.gusts.count(good)
	default:
		s.mass.count(good)
		if math.Abs(c.number("standing_kg")-truth) <= allowed {
			s.known.count(good)
		} else {
			s.unknowable.count(good)
			odd(fmt.Sprintf("charged mass by standing weights off by %+.3f kg, %.3f allowed", c.number("standing_kg")-truth, allowed))
		}
		for _, part := range []struct {
			of   *share
			with bool
		}{
			{&s.silence, c.number("silent_s") > 0}, {&s.late, c.yes("late")}, {&s.bumps, c.number("bumps") > 0},
			{&s.swaps, c.number("swaps") > 0 && c.number("swaps_unmarked") == 0}, {&s.unseen, c.number("swaps_unmarked") > 0},
			{&s.frozen, c.number("frozen_s") > 0}, {&s.cut, c.number("power_cut_s") > 0},
		} {
			if part.with {
				part.of.count(good)
			}
		}
		if !good {
			odd(fmt.Sprintf("charged mass off by %+.3f kg, %.3f allowed", off, allowed))
		}
	}
}

// nearing scores charge-near-target: of the newest time it was raised anew
// before the target was reached.
func (s *weighScore) nearing(c judged, odd func(string)) {
	arrival := c.number("arrival_s")
	first, raised := math.NaN(), false
	over := math.NaN() // with this word near ends, and is not taken back
	for _, f := range c.said {
		if f.Flag == "charge-over-target" && f.Edge.String() == "raised" {
			over = f.s
		}
		if f.Flag != "charge-near-target" || c.has("arrival_s") && f.s > arrival {
			continue
		}
		if up := f.Edge.String() == "raised"; up && !raised {
			first, raised = f.s, true
		} else if !up && f.s != over {
			raised = false
		}
	}
	if !c.has("arrival_s") {
		if c.number("charged_kg") < c.number("target_kg")-1 {
			s.noNear.count(!math.IsNaN(first))
		}
		return
	}
	inTime := func(at float64) bool {
		ahead := arrival - at
		return ahead >= 60 && (ahead <= 300 || at >= c.number("near_s")-15)
	}
	good := raised && inTime(first)
	s.nearAll.count(good)
	known := c.has("near_known_s") && inTime(c.number("near_known_s"))
	of := &s.nearTold
	switch {
	case c.untold():
		of = &s.nearMoved
	case !known:
		of = &s.nearUntold
	}
	of.count(good)
	if known && !c.untold() && !good {
		odd(fmt.Sprintf("near target told %.0f s ahead", arrival-first))
	}
	if !c.untold() && c.number("steady_s") >= 300 && c.number("blind_s") <= 3*c.number("every_s")+5 {
		s.near.count(good)
	}
}

// moved is where what the platform shows is no longer what it showed: only who
// knows how much was on it knows the mass.
func (c judged) moved() bool {
	return c.yes("rezeroed") || c.number("zeroed") > 0 || c.yes("hose_laid_on")
}

// untold is where no reading tells the mass: moved, or a cylinder that was not
// read standing still before it gave and after.
func (c judged) untold() bool {
	return c.moved() || c.yes("ended_unseen") || !c.yes("ends_seen")
}

// passing scores charge-over-target.
func (s *weighScore) passing(c judged, odd func(string)) {
	raised := c.raised("charge-over-target")
	moved := c.moved()
	over := c.number("over_kg")
	if !c.has("over_s") {
		if c.number("charged_kg") < c.number("target_kg")-0.010-c.number("digit_kg")/2 {
			of := &s.falseOver
			if moved {
				of = &s.falseHose
			}
			of.count(len(raised) > 0)
			if len(raised) > 0 {
				odd(fmt.Sprintf("over target told at %.0f s, never passed", raised[0].s))
			}
		}
		return
	}
	at := c.number("over_s")
	digit := c.number("digit_kg")
	early := len(raised) > 0 && raised[0].s < at-3-(0.010+1.5*digit)/max(c.number("arrival_kg_per_s"), 1e-6)
	if !c.untold() {
		s.falseBump.count(early)
	}
	if early {
		odd(fmt.Sprintf("over target told %.0f s before it was passed by a digit", at-raised[0].s))
	}
	if over > 3*digit+0.03 {
		s.overAl.count(len(raised) > 0)
	}
	if over < 3*digit+3*c.number("wind_kg")+2*math.Abs(c.number("platform_kg"))+0.01 || c.number("blind_s") > 3*c.number("every_s")+5 || c.untold() {
		return
	}
	late := math.Inf(1)
	if len(raised) > 0 {
		late = raised[0].s - at
	}
	allowed := max(12, digit/max(c.number("arrival_kg_per_s"), 1e-6))
	s.over.count(late <= allowed)
	if c.number("over_sigma") >= tellable {
		s.told.count(late <= allowed)
		if c.number("steady_s") >= 60 {
			s.steady.count(late <= allowed)
		}
	} else {
		s.untold.count(late <= allowed)
	}
	switch {
	case c.number("every_s") > 12:
		s.seldom.count(late <= allowed)
	case c.number("every_s") > 5:
		s.slow.count(late <= allowed)
	case c.number("wind_kg") > digit/2:
		s.windy.count(late <= allowed)
	default:
		s.calm.count(late <= allowed)
	}
	s.overPlus.count(late <= allowed+c.number("every_s"))
	if late > allowed {
		odd(fmt.Sprintf("over target told %.0f s after it was passed by a digit, %.0f allowed", late, allowed))
	}
}

func (s *weighScore) write(w io.Writer) {
	for _, one := range []*share{&s.mass, &s.known, &s.unknowable, &s.silence, &s.swaps, &s.unseen, &s.bumps, &s.late, &s.frozen, &s.cut, &s.gusts, &s.drifts, &s.zeroed, &s.hose, &s.missed, &s.massAll} {
		one.write(w)
	}
	s.errors.write(w)
	for _, one := range []*share{&s.band, &s.best, &s.unweighed, &s.restored, &s.bandAll, &s.nearAll, &s.nearTold, &s.near, &s.nearUntold, &s.nearMoved, &s.noNear, &s.over, &s.told, &s.steady, &s.untold, &s.calm, &s.windy, &s.slow, &s.seldom, &s.overPlus, &s.overAl, &s.falseOver, &s.falseHose, &s.falseBump} {
		one.write(w)
	}
	s.said.write(w)
}
