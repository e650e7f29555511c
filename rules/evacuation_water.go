package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
)

// lookAtWater follows a level that dwells at water's vapour pressure: where it
// then falls fast below the triple point, what is left of the water freezes.
func (j *evacuation) lookAtWater(l level) []Finding {
	pa := l.pa()
	r := pa / vapourPa(l.tempC)
	if pa > physics.TriplePointPa && r >= waterLeast && r <= waterMost && !j.isTop(l) {
		if j.dwell == 0 || pa < j.dweltPa*(1-waterDwellMax) {
			j.dwell, j.dweltPa = 0, pa
		}
		j.dwell++
		if j.dwell >= waterDwell {
			j.dwelt, j.dweltAt = true, time.Duration(l.minute)*minute
		}
		return nil
	}
	j.dwell = 0
	over, most := iceOver, stallFall
	if l.tempC < freezeColdC { // of what a pool holds little is needed to freeze it, and it cools as it does
		over, most = iceOverCold, iceFallCold
	}
	if past := lately(j.past, over); past != nil && !j.frozen && !j.isCold && pa > iceFromPa && pa < iceToPa && r < 1 && fallen(past) < most && fallen(past) > -stallFall {
		j.frozen = true
		return []Finding{j.freezing(evacIce(pa, l.tempC), pa, l.tempC)}
	}
	if !j.dwelt || j.frozen || pa >= physics.TriplePointPa {
		return nil
	}
	j.dwelt = false // it is one fall
	within := freezeWithin
	if l.tempC < freezeColdC {
		within = freezeCold
	}
	if time.Duration(l.minute)*minute-j.dweltAt > within {
		return nil
	}
	j.frozen = true
	if j.isCold {
		return nil // told already, for the pipes' own cold
	}
	return []Finding{j.freezing(evacFreezes(pa), pa, l.tempC)}
}

func (j *evacuation) freezing(text string, pa, tempC float64) Finding {
	return Finding{Edge: Raised, Flag: "freezing-risk", Urgency: Tell, Text: text,
		Values: []Value{{"pressure_pa", pa}, {"coldest_c", tempC}}}
}

func (j *evacuation) clearFreezing() []Finding {
	j.frozen = false
	if j.isCold {
		return nil
	}
	return []Finding{j.cleared("freezing-risk", evacBroken())}
}

// lookAtCold follows the site rule: no evacuation in frost.
func (j *evacuation) lookAtCold(t time.Duration) []Finding {
	c, _ := j.pipesC()
	c = least(c, j.of("outdoor-air", t, 30*minute))
	changes := !j.isCold && c < j.coldC.Value || j.isCold && c > j.coldC.Value+coldAgain
	if !changes {
		j.coldSince = -1
		return nil
	}
	if j.coldSince < 0 {
		j.coldSince = t
	}
	wait := minute
	if j.isCold {
		wait = coldLasts
	}
	if t-j.coldSince < wait {
		return nil
	}
	j.isCold, j.coldSince = !j.isCold, -1
	switch {
	case j.frozen: // the flag is up for the water
		return nil
	case j.isCold:
		return []Finding{j.freezing(evacCold(c, j.coldC), math.NaN(), c)}
	}
	return []Finding{j.cleared("freezing-risk", evacWarmer(c, j.coldC))}
}
