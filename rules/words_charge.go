package rules

import (
	"fmt"
	"strings"
	"time"

	"standwatch/rules/physics"
)

// What is said of the scale and of the charge.

func scaleIsSilent(quiet time.Duration, fault string, c charge) string {
	if fault != "" {
		return fmt.Sprintf("The scale has given no weight for %s, at %s: %s. What flows now is not weighed. Close the cylinder valve and look at the scale.",
			span(quiet), ofTarget(c), whyNoValue(fault))
	}
	return fmt.Sprintf("Scale silent for %s at %s. What flows now is not weighed. Close the cylinder valve or wake the scale.", span(quiet), ofTarget(c))
}

// scaleIsSilentAtTheEnd is said where a draw-in had died away: many a scale switches itself off then.
func scaleIsSilentAtTheEnd(quiet time.Duration, c charge) string {
	return fmt.Sprintf("Scale silent for %s at %s, and before that next to nothing flowed: the draw-in may be at its end, and the scale may have switched itself off. Close the cylinder valve, then wake the scale: what flows now is not weighed.", span(quiet), ofTarget(c))
}

// scaleIsSilentAfterTheEnd is said where the draw-in's end had been told: only what is new.
func scaleIsSilentAfterTheEnd(quiet time.Duration, c charge) string {
	return fmt.Sprintf("Scale silent for %s at %s, after the draw-in had finished: it may have switched itself off. See that the cylinder valve is closed, wake the scale, and end the draw-in.", span(quiet), ofTarget(c))
}

func scaleSpoke(quiet time.Duration) string {
	return fmt.Sprintf("The scale was heard for a moment, %s ago.", span(quiet))
}

func scaleNotHeardSince(quiet time.Duration) string {
	return fmt.Sprintf("The box was away. Since it is back the scale was not heard for %s: it is called anew.", span(quiet))
}

func scaleSpeaks(c charge) string {
	if c.highKg-c.lowKg > 0.1 { // it came back zeroed, say
		return fmt.Sprintf("The scale is heard again, at %s: between %s and %s went in. Lift the cylinder off, wait until the scale stands still, and put it back: that gives its weight again.",
			ofTarget(c), c.mass(c.lowKg), c.mass(c.highKg))
	}
	return fmt.Sprintf("The scale is heard again, at %s.", ofTarget(c))
}

// ofTarget says a charge as the scale speaks, so that who stands at it can compare.
func ofTarget(c charge) string {
	switch {
	case !c.aimed:
		return c.mass(c.bestKg)
	case c.lb:
		return pounds(c.bestKg) + " of " + pounds(c.targetKg)
	}
	return Kilogram.Number(c.bestKg) + " of " + kg(c.targetKg)
}

// inBoth is the same, and beside it in the other world's unit.
func inBoth(c charge) string {
	other := c
	other.lb = !c.lb
	return ofTarget(c) + " (" + ofTarget(other) + ")"
}

func kg(x float64) string { return Kilogram.Text(x) }

func pounds(x float64) string { return PoundsOunces(x) }

// mass says a mass as the scale speaks.
func (c charge) mass(x float64) string {
	if c.lb {
		return pounds(x)
	}
	return kg(x)
}

// both says it in the other world's unit too.
func (c charge) both(x float64) string {
	if c.lb {
		return Pound.Beside(Kilogram, x)
	}
	return Kilogram.Beside(Pound, x)
}

// perMin says a flow as both worlds read it off a scale.
func (c charge) perMin(kgPerS float64) string {
	si, us := hundredths(float64(kgPerS*60))+" kg", hundredths(kgPerS*60/poundKg)+" lb"
	if c.lb {
		si, us = us, si
	}
	return fmt.Sprintf("%s (%s) a minute", si, us)
}

func chargeNear(c charge, left time.Duration, flows bool, u Urgency) string {
	s := fmt.Sprintf("Charge at %s, %s to go", ofTarget(c), c.both(max(c.remainingKg(), 0)))
	if flows && left > 0 {
		s += fmt.Sprintf(": about %s at this rate", roughly(left))
	}
	if u == Wake {
		return s + ". Close the cylinder valve now: what is in the hose still goes in."
	}
	return s + ". Close the cylinder valve in time; what is in the hose still goes in."
}

func chargeFar(c charge) string {
	return fmt.Sprintf("Charge at %s: its target is no longer close.", ofTarget(c))
}

func chargeOver(c charge) string {
	if c.unit {
		return fmt.Sprintf("Charge at %s by a scale whose weight differs by just the 2.2 between pounds and kilograms: it may be too much, or too little. Close the cylinder valve, and recover nothing before the cylinder is weighed with its unit known.", ofTarget(c))
	}
	if -c.remainingKg() <= c.tolerance() {
		return fmt.Sprintf("Charge at %s: %s over. Close the cylinder valve now. %s", ofTarget(c), c.both(-c.remainingKg()), stillWithin(c))
	}
	return fmt.Sprintf("Charge at %s: %s too much. Close the cylinder valve. %s", ofTarget(c), c.both(-c.remainingKg()), recoverBy)
}

func stillWithin(c charge) string {
	return fmt.Sprintf("Still within %s of the target.", c.mass(c.tolerance()))
}

// chargeBeyond ends the call that said it was still within what is allowed.
func chargeBeyond(c charge) string {
	return fmt.Sprintf("Charge at %s: no longer within %s of the target; for that somebody is called anew.", ofTarget(c), c.mass(c.tolerance()))
}

func chargeBack(c charge) string {
	return fmt.Sprintf("Charge at %s: no longer over its target.", ofTarget(c))
}

func chargePassed(c charge) string {
	return fmt.Sprintf("Charge at %s: its target is no longer near, it is passed.", ofTarget(c))
}

func chargeNotOver(c charge) string {
	return fmt.Sprintf("Charge at %s: by the readings since, it is not over its target by more than the scale's display tells. Leave the cylinder valve closed.", ofTarget(c))
}

func chargeHandedOver() string { return "The weigh-in goes on from here." }

func targetLine(c charge, target Setting) string {
	return fmt.Sprintf("gross weight with %s charged; %s", c.mass(target.Value), target.Source)
}

func scaleNeverHeard(step string) string {
	return fmt.Sprintf("%s not proven: no scale was heard. Weigh the cylinder, and compare with its weight before: that settles it.", stepWord(step))
}

func scaleQuietAtEnd(step string, quiet time.Duration, c charge) string {
	return fmt.Sprintf("%s not proven: %s by the last weight, but the scale had been silent for %s at the end. Weigh the cylinder, and compare with its weight before: that settles it.", stepWord(step), ofTarget(c), span(quiet))
}

func boxAwayAtEnd(step string, c charge) string {
	return fmt.Sprintf("%s not proven: %s by the last weight, when it flowed; the box has been off since, nobody knows for how long, and no scale was heard after that. Charge no more before the cylinder is weighed, and compare with its weight before: that settles it.", stepWord(step), ofTarget(c))
}

func weighed(step, result, cause string, c charge, tol float64, source string) string {
	name := stepWord(step)
	switch {
	case cause == "unit":
		return fmt.Sprintf("%s not proven: the scale's weight differed by just the 2.2 between pounds and kilograms, so what it showed, %s, may be wrong. Nothing is lost: weigh the cylinder with its unit known, and compare with its weight before.", name, ofTarget(c))
	case step == "draw-in" && result == Passed && !c.aimed:
		return fmt.Sprintf("%s ended with %s drawn in.%s", name, c.both(c.bestKg), lineFull(c))
	case step == "draw-in" && result == Passed:
		return fmt.Sprintf("%s ended with %s drawn in; %s remain for the weigh-in.%s", name, ofTarget(c), c.both(c.remainingKg()), lineFull(c))
	case result == Passed:
		return fmt.Sprintf("%s passed: %s, within %s of the target (%s; tolerance by common practice).", name, passedAt(c), c.mass(tol), source)
	case cause == "over":
		return fmt.Sprintf("%s failed: %s, %s too much. %s", name, ofTarget(c), c.both(-c.remainingKg()), recoverBy)
	case cause == "short":
		return fmt.Sprintf("%s failed: %s, %s short. It still has to go in, by weight.", name, ofTarget(c), c.both(c.remainingKg()))
	case !c.aimed:
		return fmt.Sprintf("%s not proven: %s weighed in, but no target was given.", name, c.both(c.bestKg))
	}
	return fmt.Sprintf("%s not proven: between %s and %s went in, of %s. Weigh the cylinder, and compare with its weight before: that settles it.",
		name, c.mass(c.lowKg), c.mass(c.highKg), c.mass(c.targetKg))
}

// passedAt has the charge itself in both units, and its target as the scale speaks.
func passedAt(c charge) string {
	other := c
	other.lb = !c.lb
	return fmt.Sprintf("%s (%s)", ofTarget(c), other.mass(c.bestKg))
}

func weighsForTwo(system, step string, other Step) string {
	return fmt.Sprintf("%s of %s was begun while the %s of %s is under way, and one scale weighs for both: what flows now counts in both. End the one into which nothing flows.",
		stepWord(step), system, strings.ToLower(stepWord(other.Name)), other.System)
}

func chargeNotHeard(step string, c charge) string {
	if !c.aimed {
		return fmt.Sprintf("%s, no target given. The scale has shown no weight since it began.", stepWord(step))
	}
	return fmt.Sprintf("%s of %s. The scale has shown no weight since it began.", stepWord(step), c.mass(c.targetKg))
}

func chargeStands(step string, c charge, kgPerS float64, left, quiet time.Duration, over bool) string {
	s := fmt.Sprintf("%s, %s.", stepWord(step), inBoth(c))
	switch {
	case quiet > 0:
		return fmt.Sprintf("%s The scale was last heard %s ago: what flows now is not weighed.", s, span(quiet))
	case over:
		return s + " " + overStands(c, kgPerS > 0)
	case kgPerS <= 0 && step == "draw-in" && c.highKg < 0.1:
		return s + " Nothing has flowed yet: open the cylinder valve, liquid into the liquid line, as the unit maker says."
	case kgPerS <= 0 && step == "draw-in":
		return s + " Nothing flows now. If it stays so with the cylinder valve open, line and cylinder have most likely come level: close the valve and end the draw-in."
	case kgPerS <= 0:
		return s + " Nothing flows now."
	case step == "draw-in": // when it would arrive at this rate is no time to give: it never keeps it
		return fmt.Sprintf("%s %s; a draw-in slows down.", s, c.perMin(kgPerS))
	case left >= 0:
		return fmt.Sprintf("%s %s: about %s to go.", s, c.perMin(kgPerS), roughly(left))
	}
	return fmt.Sprintf("%s %s.", s, c.perMin(kgPerS))
}

// overStands says how a charge stands for which somebody was called, and what to do.
func overStands(c charge, flows bool) string {
	do := ", and nothing flows now: leave the cylinder valve closed."
	if flows {
		do = ": close the cylinder valve now."
	}
	over := max(0, -c.remainingKg())
	switch {
	case c.unit:
		return "Over its target, if the scale's unit is what it says" + do
	case over < 0.005: // less than is shown of it
		return "At its target" + do
	case over <= c.tolerance():
		return fmt.Sprintf("%s over%s %s", c.mass(over), do, stillWithin(c))
	}
	return fmt.Sprintf("%s too much%s What is too much comes out again, by weight.", c.mass(over), do)
}

// roughly says a time that is predicted: to the minute, and in the last minute
// and a half to the ten seconds below, for who is early at a valve loses nothing.
func roughly(d time.Duration) string {
	if d >= 90*time.Second {
		return span(d.Round(time.Minute))
	}
	return span(max(d.Truncate(10*time.Second), 10*time.Second))
}

// recoverBy says how what is too much comes out again.
var recoverBy = fmt.Sprintf("It is recovered by weight into a recovery cylinder, by a certified person: never into a disposable one, and never above %.0f %% of what its water capacity holds as liquid.", 100*physics.RecoveryFill)

// chargeInDoubt follows how the charge stands while charge-uncertain is up.
func chargeInDoubt(c charge) string {
	if c.unit {
		return "Not sure: the scale may show pounds."
	}
	return fmt.Sprintf("Not sure: between %s and %s went in.", c.mass(c.lowKg), c.mass(c.highKg))
}

func chargeCertain(c charge) string {
	return fmt.Sprintf("Charge at %s, known within %s again.", ofTarget(c), c.mass(c.tolerance()))
}

func chargingFast(c charge, kgPerS float64, limit Setting, step string) string {
	s := fmt.Sprintf("Charging at %s; the limit is %s (%s).", c.perMin(kgPerS), c.perMin(limit.Value), limit.Source)
	if step == "weigh-in" {
		return s + " Liquid may reach the compressor. Throttle the cylinder valve."
	}
	return s + " Throttle the cylinder valve."
}

func chargingSlower(c charge, kgPerS float64, limit Setting) string {
	if kgPerS*60 < 0.005 {
		return fmt.Sprintf("Nothing flows now; the limit is %s.", c.perMin(limit.Value))
	}
	return fmt.Sprintf("Charging at %s, within %s again.", c.perMin(kgPerS), c.perMin(limit.Value))
}

// lineFull is the caution after a draw-in: liquid that is shut in and warms can burst what
// holds it. Where somebody said that the valves are open nothing is shut in.
func lineFull(c charge) string {
	if c.opened {
		return ""
	}
	return " Liquid may fill the line: open the service valves, as the unit maker says, before indoor units get power; where they have it already, now."
}

func flowStopped(c charge) string {
	s := fmt.Sprintf("Draw-in finished: nothing to speak of has flowed for 5 min, at %s.", ofTarget(c))
	if c.aimed && c.remainingKg() > 0 {
		s += fmt.Sprintf(" %s remain for the weigh-in.", c.both(c.remainingKg()))
	}
	return s + " Close the cylinder valve." + lineFull(c)
}

func flowsAgain(c charge, kgPerS float64) string {
	return fmt.Sprintf("It flows again, %s.", c.perMin(kgPerS))
}

func cylinderLow(c charge, netKg, contentsKg float64) string {
	return fmt.Sprintf("Cylinder nearly empty: %s left of %s. What is left is mostly vapour. Have the next one ready.",
		c.both(max(0, netKg)), c.mass(contentsKg))
}

// cylinderUnknown is said until something flows.
const cylinderUnknown = "Nobody is told when the cylinder runs low: what it weighs empty (tare) and what it holds are not both in the site file. Watch its weight."

func cylinderFull(c charge, netKg float64) string {
	return fmt.Sprintf("The cylinder on the scale holds %s.", c.mass(netKg))
}
