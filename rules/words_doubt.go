package rules

import "fmt"

// What is said where nobody knows what went in: what happened, when, how much
// of the charge it leaves in doubt, and what settles it.

func chargeUncertain(c charge, d doubt) string {
	if c.unit {
		return fmt.Sprintf("Charge uncertain: the scale's weight differs by just the 2.2 between pounds and kilograms, so that %s may be wrong. Close the cylinder valve, set the scale's display to the unit of the site file, and weigh the cylinder before going on.", ofTarget(c))
	}
	return fmt.Sprintf("Charge uncertain: between %s and %s went in, best %s; the allowance is %s. %s: that leaves %s in doubt. Close the cylinder valve. %s",
		c.mass(c.lowKg), c.mass(c.highKg), ofTarget(c), c.mass(c.tolerance()), d.what(c), c.mass(d.kg), d.settledBy())
}

func (d doubt) what(c charge) string { // without "ago": the sentence stands for long
	long := span(d.until - d.from)
	switch d.why {
	case EndedSilence:
		if d.until-d.from < backAfter {
			return fmt.Sprintf("The weight had stood still, and fell from %s to %s at once", c.mass(d.fromKg), c.mass(d.toKg))
		}
		return fmt.Sprintf("The scale was silent for %s", long)
	case EndedPowerCut:
		return fmt.Sprintf("The box was off; no weight was heard for %s", long)
	case EndedZeroed:
		return "The scale was zeroed with the cylinder on it"
	case EndedSwap:
		return "The cylinder was lifted off or changed, and it may have flowed until then"
	case EndedShift:
		return fmt.Sprintf("The weight jumped from %s to %s and stayed", c.mass(d.fromKg), c.mass(d.toKg))
	case doubtJump:
		return fmt.Sprintf("The weight went from %s to %s between two readings, which looks less like flow than like another cylinder, or like something laid on the scale, or slipped off", c.mass(d.fromKg), c.mass(d.toKg))
	case EndedStep:
		return "It was left so by the step before this one"
	case doubtBetween:
		return "What flowed between the step before and this one was not weighed"
	case doubtHand:
		return fmt.Sprintf("The cylinder was weighed at %s where the scale showed %s, so the scale may show too much or too little of what goes in", c.mass(d.fromKg), c.mass(d.toKg))
	case doubtPutOn:
		return "The first readings after the cylinder was put on do not agree, so one of them may be of a hand on it"
	case doubtRain:
		return "The weight rose while nothing flowed, as by rain on the platform or a scale that creeps, and that hides as much of what went in"
	}
	return "The scale's readings scatter that much, by wind, a shaking floor or its digit"
}

func (d doubt) settledBy() string {
	switch d.why {
	case EndedSwap:
		return "Mark the change of cylinder where nobody has, weigh the cylinder that was taken off, and compare with its weight before: that settles it."
	case EndedShift, doubtJump:
		return "Look at what lies on the scale or leans on it, weigh the cylinder alone, and compare with its weight before: that settles it."
	case doubtHand:
		return handDo
	case doubtRain:
		return "Wipe the platform dry and keep it so, weigh the cylinder alone, and compare with its weight before: that settles it."
	case doubtNoise:
		return "Shelter the scale from wind and let it stand still."
	}
	if d.regained {
		return "Lift the cylinder off, wait until the scale stands still, and put it back, or enter its weight: that settles it."
	}
	return "Weigh the cylinder, and compare with its weight before: that settles it."
}

// handDo settles two weights of one cylinder.
const handDo = "Read the scale's own display again and enter that, or set a known weight on it. Or enter the weight once more after 1 kg or more has gone in: then it is said whether only the scale's zero is off."

func weighedOtherwise(c charge, h byHand) string {
	return fmt.Sprintf("The cylinder was weighed at %s, but the scale shows %s. The charge goes on by the scale. If only its zero is off, the charge is right; if it shows too much or too little, the charge is not. %s", c.mass(h.kg), c.mass(h.asKg), handDo)
}

func weighedInVain(c charge, kg, wasKg float64) string {
	return fmt.Sprintf("The cylinder was entered at %s. That does not fit the %s it weighed before the scale lost its zero, so it was not used, and what went in stays in doubt. A scale that lost its zero does not show the cylinder's weight: lift the cylinder off, wait until the scale stands still, and put it back. If another cylinder stands there now, mark the change.", c.mass(kg), c.mass(wasKg))
}

func unusedSettled() string {
	return "What went in while the scale was without its zero is settled by now."
}

func weighedAlike(c charge, h byHand) string {
	return fmt.Sprintf("The cylinder was weighed at %s, and the scale shows %s: by what was weighed so far it is right in what goes in.", c.mass(h.kg), c.mass(h.asKg))
}
