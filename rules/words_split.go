package rules

import (
	"fmt"
	"strings"
	"time"
)

// The sentences of the cooling check and the heating check.

var splitMeans = map[string]string{
	"reversed":    "It does the opposite of what is asked. See that its supply and return sensors are not exchanged; then look for a branch or change-over valve the wrong way, and for crossed pipes or wires.",
	"not-running": "Nothing happens: is it running, does it get the command, does its valve open?",
	"low":         "Low capacity is suspected: too little refrigerant, a valve not open, more air than it is made for, or the supply measured in mixed air. Measure again first.",
	"high":        "Too little air is suspected: look at the filter, the fan's speed, dampers and ducts. See first that no sun or lamp warms a sensor.",
}

const sensorsExchanged = "Its supply and return sensors are most likely exchanged: look at them, and at the site file, before anything else."

func splitFigures(u Unit, v splitView) string {
	by := ""
	if v.byHand {
		by = " (read off and typed)"
	}
	return fmt.Sprintf("%s: supply %s, return %s%s, split %s", unitName(u), Celsius.Text(v.supplyC), Celsius.Text(v.returnC), by, kelvin(v.splitK))
}

func splitIsPoor(u Unit, v splitView, heating, exchanged bool) string {
	means := splitMeans[splitCause(v)]
	if exchanged {
		means = sensorsExchanged
	}
	return fmt.Sprintf("%s where %s is good%s. %s", splitFigures(u, v), goodRange(v), because(v, heating), means)
}

func splitIsGood(u Unit, v splitView, heating bool) string {
	return fmt.Sprintf("%s, within %s%s.", splitFigures(u, v), goodRange(v), because(v, heating))
}

func splitSoFar(u Unit, v splitView, heating bool) string {
	return fmt.Sprintf("%s, steady; %s is good%s. It is watched for a few minutes more.", splitFigures(u, v), goodRange(v), because(v, heating))
}

func goodRange(v splitView) string {
	return fmt.Sprintf("%s to %s", Kelvin.Number(v.lowK), Kelvin.Text(v.highK))
}

func because(v splitView, heating bool) string {
	switch {
	case heating:
		return " (common practice)"
	case v.humid:
		return fmt.Sprintf(", by psychrometrics at a wet bulb of %s", Celsius.Text(v.wetBulbC))
	}
	return " at one humidity or another; it is not measured"
}

func splitTakenAsAsked(wanted string) string {
	return fmt.Sprintf(" No command to it was logged: taken as asked to %s since the step began.", wanted)
}

func unitAskedOther(u Unit, command string) string {
	return fmt.Sprintf("%s is now asked for %s: its split is no longer judged.", unitName(u), command)
}

func splitNotProven(u Unit, why string) string {
	return fmt.Sprintf("%s not proven: it %s.", unitName(u), why)
}

func splitWaits(u Unit, why string) string { return fmt.Sprintf("%s %s.", unitName(u), why) }

// What a unit waits for, after its name.

func splitShared(point string) string {
	return fmt.Sprintf("has its supply sensor %s in common with another unit, so neither can be told. Give each its own in the site file", point)
}

func splitNotAsked(wanted, asked string) string {
	return fmt.Sprintf("is asked for %s, not to %s. Command it, and log that", asked, wanted)
}

func splitTooWarm(outdoorC float64, ceiling Setting) string {
	return fmt.Sprintf("waits for cooler outdoor air: %s now, and units refuse to heat above %s (%s)", Celsius.Text(outdoorC), Celsius.Text(ceiling.Value), ceiling.Source)
}

func splitTooEarly(ran, settle time.Duration) string {
	return fmt.Sprintf("has run for %s only since it was asked; it is judged after %s", span(max(0, ran)), span(settle))
}

func splitProbeEarly(there, settle time.Duration, defrosted bool) string {
	if defrosted {
		return "has just defrosted; it is judged when it is warm again"
	}
	return fmt.Sprintf("has had the carried probes for %s; they are left to settle for %s", span(max(0, there)), span(settle))
}

func splitNoSensor(x *unitAir, carried bool) string {
	missing := "a supply and a return sensor"
	switch {
	case x.series[supplyAir].point.Name != "":
		missing = "a return sensor"
	case x.series[returnAir].point.Name != "":
		missing = "a supply sensor"
	}
	if carried {
		return fmt.Sprintf("lacks %s, and the carried probes were not placed there. Carry them there and say so, or type what you read off", missing)
	}
	return fmt.Sprintf("lacks %s in the site file. Add them, carry a pair of probes there, or type what you read off", missing)
}

const (
	splitSilent       = "is not measured: its supply or return sensor is silent. Look at both sensors' power and cables, or read a thermometer off and type it"
	splitNeverSettled = "was never steady for long enough. Leave it at full capacity and high fan for 15 min and measure again"
	splitHalfTyped    = "has only one of supply and return typed. Type the other one too"
)

func splitNoCommand(v splitView, wanted string) string {
	return fmt.Sprintf("has a split of %s, so nothing happens, but no command to it was logged. Was it asked to %s at all? Command it and log that", Kelvin.Text(v.splitK), wanted)
}

func splitNoHumidity(v splitView) string {
	return fmt.Sprintf("has a split of %s at a return of %s, which is right at one humidity and wrong at another. Measure the return air's wet bulb or humidity, or read it off and type it: the target hangs on it", Kelvin.Text(v.splitK), Celsius.Text(v.returnC))
}

func wetAboveDry(wetC, dryC float64) string {
	return fmt.Sprintf(". Its wet bulb shows %s where the air itself is at %s, which cannot be: see which sensor is which", Celsius.Text(wetC), Celsius.Text(dryC))
}

func noSuchHumidity(relative float64) string {
	return fmt.Sprintf(". Its humidity shows %.0f %%, which no room has: look at the sensor", relative*100)
}

func splitMoves(v splitView) string {
	return fmt.Sprintf("has a split of %s that is still moving. Leave it at full capacity and high fan until it is steady, and measure again", Kelvin.Text(v.splitK))
}

func splitTooClose(v splitView, errorK float64) string {
	return fmt.Sprintf("has a split of %s K, too close to the edge of %s to %s K to call with two sensors (%s). Measure again", Decimals(v.splitK, 2), Decimals(v.lowK, 2), Decimals(v.highK, 2), Kelvin.Text(errorK))
}

func splitDefrosts(u Unit) string {
	return fmt.Sprintf("%s falls away as in a defrost, which takes 3 to 10 min. What is read meanwhile is left out.", unitName(u))
}

func splitMayDefrost(v splitView) string {
	return fmt.Sprintf("blew %s colder than it drew in while the carried probes were there, which a defrost does for 3 to 10 min. Go back, or stay for longer than that", Kelvin.Text(-v.splitK))
}

func splitMended(v splitView) string {
	return fmt.Sprintf(" Its split is %s now. If something was mended, command it anew; a compressor that has slowed down gives less as well.", Kelvin.Text(v.splitK))
}

func splitSettles(u Unit, v splitView) string {
	if !v.known {
		return fmt.Sprintf("%s: its first minutes are being read.", unitName(u))
	}
	return fmt.Sprintf("%s, still moving.", splitFigures(u, v))
}

// Many at once.

func splitSystemLow(low, judged int, heating bool) string {
	what := "cool"
	if heating {
		what = "heat"
	}
	return fmt.Sprintf("%d of %d units judged %s too little. Many at once means the system, not the rooms: look at the charge, the compressor's speed and the service valves before any single unit.", low, judged, what)
}

func splitSystemFine(low, judged int) string {
	return fmt.Sprintf("%d of %d units judged are low now: no longer so many that it is the system.", low, judged)
}

func splitToldTogether(u Unit) string {
	return fmt.Sprintf("%s is one of many that are low: they are told together, as the system's matter. Its result stands: failed.", unitName(u))
}

func splitNext(u Unit, from *unitSplit, carried bool) string {
	on := ""
	if u.Branch != "" {
		on = " on " + u.Branch
	}
	if from != nil && from.here && from.result == "" {
		return fmt.Sprintf("After %s: %s%s.", unitName(from.unit), unitName(u), on)
	}
	if !carried {
		return fmt.Sprintf("Next: %s%s. No sensor stands there and none is carried: read its supply and return air off, and type them.", unitName(u), on)
	}
	return fmt.Sprintf("Next: %s%s. Carry the probes there and say so, or type what you read off.", unitName(u), on)
}

func poorWords(u Unit, v splitView) string {
	if !v.targeted() {
		return fmt.Sprintf("%s %s, wants %s", unitName(u), Kelvin.Text(v.splitK), goodRange(v))
	}
	return fmt.Sprintf("%s %s, wants %s", unitName(u), Kelvin.Text(v.splitK), Kelvin.Text(v.targetK))
}

// checkWords is what the sentence about a cooling or heating check is made of.
type checkWords struct {
	step               string
	elapsed, settle    time.Duration
	units, good        int
	poor               []string
	tooWarm, system    bool
	outdoorC, ceilingC float64
	stray              string
}

func checkStands(w checkWords) string {
	s := fmt.Sprintf("%s, %s.", stepWord(w.step), span(w.elapsed))
	if w.stray != "" {
		s += fmt.Sprintf(" A mark names no unit, so nothing was made of it: %q. Write the unit's name, as in iu08, or iu08 supply.", w.stray)
	}
	switch {
	case w.units == 0:
		return s + " No indoor unit is known to the site file."
	case w.tooWarm:
		return fmt.Sprintf("%s Waiting for cooler outdoor air: %s now, units refuse to heat above %s.", s, Celsius.Text(w.outdoorC), Celsius.Text(w.ceilingC))
	case w.good+len(w.poor) == 0 && w.elapsed < w.settle:
		return fmt.Sprintf("%s Units are left to settle until %s.", s, span(w.settle))
	}
	if w.good+len(w.poor) == 0 {
		return fmt.Sprintf("%s None of %d units judged yet.", s, w.units)
	}
	s += fmt.Sprintf(" %d of %d units good", w.good, w.units)
	if len(w.poor) == 0 {
		return s + "."
	}
	if w.system {
		return fmt.Sprintf("%s, %d poor: so many mean the system, not the rooms.", s, len(w.poor))
	}
	few := w.poor[:min(3, len(w.poor))]
	return fmt.Sprintf("%s, %d poor: %s.", s, len(w.poor), strings.Join(few, "; "))
}

// The time to heat.

func windowOpen(nowC, mostC float64, ceiling Setting, hours string) string {
	within := ""
	if hours != "" {
		within = fmt.Sprintf(", within the hours that the site allows (%s)", hours)
	}
	return fmt.Sprintf("It is cool enough outdoors to heat%s: %s, at least 1 K under the ceiling of %s (%s) for 20 min, and with the day's usual rise likely not above %s in the next 2 h. Ask the units to heat now. Nobody goes onto a roof alone or in the dark for it.",
		within, Celsius.Text(nowC), Celsius.Text(ceiling.Value), ceiling.Source, Celsius.Text(mostC))
}

func windowClosed(nowC float64, ceiling Setting) string {
	return fmt.Sprintf("It is %s outdoors, above the ceiling of %s: units refuse to heat from here. The check waits for the next cool hours.", Celsius.Text(nowC), Celsius.Text(ceiling.Value))
}

func windowOver(hours string) string {
	return fmt.Sprintf("The hours that the site allows for heating (%s) are over. The check waits for the next ones.", hours)
}

const windowDone = "Every unit has passed its heating check: nobody has to wait for the cool hours any more."

func splitCycles(settle time.Duration) string {
	return fmt.Sprintf("starts and stops, and never ran for %s on end. Set its thermostat so that it runs on, and ask it again", span(settle))
}
