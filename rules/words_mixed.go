package rules

import (
	"fmt"
	"strings"
	"time"
)

// The sentences of the mixed run.

const (
	mixedNoUnits    = "Mixed run not proven: no indoor unit is known to the site file."
	mixedNeverMixed = "never had some units asked to heat and others to cool at the same time. Command half of them each way, for 20 min, then exchange them, and log the commands"
)

var mixedWord = [2]string{"heating", "cooling"}

func mixedPassed(units int, share float64) string {
	return fmt.Sprintf("Mixed run passed: each of %d units heated while others cooled, and cooled while others heated, with at least %.1f of what it must give alone.", units, share)
}

func mixedNotProven(unit, why string) string {
	return fmt.Sprintf("Mixed run not proven: %s %s.", unit, why)
}

func mixedTooClose(n int, share, errorK float64) string {
	return fmt.Sprintf("Mixed run not proven: %d splits lie within %s of %.1f of what a unit must give alone, too close to call with two sensors. Measure again.", n, Kelvin.Text(errorK), share)
}

func mixedBesides(u Unit, more int) string {
	if more == 0 {
		return unitName(u)
	}
	return fmt.Sprintf("%d units have run one way only, among them %s: it", more+1, unitName(u))
}

func mixedNeverAsked(mode string) string {
	return fmt.Sprintf("was never asked to %s while others did the opposite. Exchange the halves and log the commands", mode)
}

func mixedTooShort(mode string, ran, lasts time.Duration) string {
	return fmt.Sprintf("was asked to %s for %s only, and needs %s", mode, span(ran), span(lasts))
}

var mixedMeans = map[string]string{
	"majority": "All rooms do the same, whatever each is asked: it changes over as a whole instead of recovering heat. Look for branch units not addressed or not taken into control, and for a two-pipe setting.",
	"branch":   "Only these rooms do not follow their command: look at their branch valves, and for crossed pipes or wires.",
	"bypass":   "They cooled well alone and are weak only now: a valve that lets gas pass between the high and the low side is suspected, in the branch unit or the outdoor unit.",
	"low":      "They give too little: see how they do alone first.",
}

func mixedFailed(cause string, fs []mixedFault, share float64, alone string) string {
	var said []string
	for _, f := range fs[:min(4, len(fs))] {
		v := f.x.best[f.mode]
		does := map[string]string{"reversed": "does the opposite", "not-running": "does nothing", "low": fmt.Sprintf("gives less than %.1f of what it must", share)}[f.what]
		said = append(said, fmt.Sprintf("%s %s %s (split %s)", unitName(f.x.unit), mixedWord[f.mode], does, Kelvin.Text(v.splitK)))
	}
	more := ""
	if n := len(fs) - len(said); n > 0 {
		more = fmt.Sprintf("; and %d more", n)
	}
	means := mixedMeans[cause]
	if cause == "low" && alone == "" {
		means = "Whether they are weak only while others do the opposite is not known: the checks of cooling and heating alone have not shown it."
	}
	return fmt.Sprintf("Mixed run failed: %s%s. %s", strings.Join(said, "; "), more, means)
}

func mixedWeakest(u Unit, mode int, v splitView, leastK float64) string {
	return fmt.Sprintf(" The weakest: %s %s, %s where at least %s is asked.", unitName(u), mixedWord[mode], Kelvin.Text(v.splitK), Kelvin.Text(leastK))
}

func mixedUnitStands(x *mixedUnit, j *mixedRun) string {
	var said []string
	for m, v := range x.best {
		if v.known {
			said = append(said, fmt.Sprintf("%s %s, at least %s is asked", mixedWord[m], Kelvin.Text(v.splitK), Kelvin.Text(j.leastK(v))))
		}
	}
	if len(said) == 0 && (x.series[supplyAir].point.Name == "" || x.series[returnAir].point.Name == "") {
		return splitWaits(x.unit, splitNoSensor(x.unitAir, j.air.carriesAir()))
	}
	if len(said) == 0 {
		return fmt.Sprintf("%s has shown neither heating nor cooling yet.", unitName(x.unit))
	}
	return fmt.Sprintf("%s: %s.", unitName(x.unit), strings.Join(said, "; "))
}

func mixedStands(elapsed time.Duration, units, done, faulty int, both, over bool, lasts, left time.Duration) string {
	s := fmt.Sprintf("Mixed run, %s.", span(elapsed))
	switch {
	case units == 0:
		return s + " No indoor unit is known to the site file."
	case !both:
		return s + " Not mixed yet: ask half the units to heat and the others to cool."
	}
	s += fmt.Sprintf(" %d of %d units have shown both", done, units)
	if faulty > 0 {
		s += fmt.Sprintf(", %d do not follow", faulty)
	}
	if left > 0 {
		return fmt.Sprintf("%s; this half goes on for %s.", s, span(left))
	}
	if over {
		return fmt.Sprintf("%s; both halves have had their %s: end the step once nothing is left to measure.", s, span(lasts))
	}
	return fmt.Sprintf("%s; this half has had its %s.", s, span(lasts))
}

func mixedAsk(run int) string {
	if run == 1 {
		return "Ask every other unit to heat and the others to cool."
	}
	return "Exchange the halves: what heats is asked to cool, what cools to heat."
}
