package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"standwatch/sensors"
)

// This file is the one catalogue of sentences: what the top of the screen, the
// phone message and the record say. Each says what happened, what it means and
// what to do, with the figure, in the trade's units.

// step names as people say them at the beginning of a sentence.
func stepWord(step string) string {
	words := step
	switch step {
	case "":
		return "Step"
	case "take-off", "draw-in", "weigh-in", "hand-over": // one word each
	default:
		words = strings.ReplaceAll(step, "-", " ")
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

func underWay(step string, elapsed time.Duration, known bool) string {
	if !known {
		return fmt.Sprintf("%s under way since before the box was last started.", stepWord(step))
	}
	return fmt.Sprintf("%s under way for %s.", stepWord(step), span(elapsed))
}

// stepEnded says why a flag is cleared by the end of its step: not because all
// is well again.
func stepEnded(flag, step, result string) string {
	s := fmt.Sprintf("%s has ended, so this is no longer watched for: %s", stepWord(step), strings.ReplaceAll(flag, "-", " "))
	if result != "" {
		s += fmt.Sprintf("; its verdict stands: %s", strings.ReplaceAll(result, "-", " "))
	}
	return s + "."
}

// Silence.

func silent(point string, quiet time.Duration) string {
	return fmt.Sprintf("%s silent for %s. Nothing that needs it can be proved meanwhile. Check its power, its cable or its radio.", point, span(quiet))
}

func speaksAgain(point string) string { return fmt.Sprintf("%s is heard again.", point) }

func scaleWatched(step string) string {
	return fmt.Sprintf("%s has begun: the scale's silence is now watched by scale-silent.", stepWord(step))
}

// span says a length of time as people do: 45 s, 23 min, 2 h 10 min.
func span(d time.Duration) string {
	switch s := int(math.Round(d.Seconds())); {
	case s < 120:
		return fmt.Sprintf("%d s", s)
	case s < 60*60-30:
		return fmt.Sprintf("%d min", (s+30)/60)
	case (s+30)/60%60 == 0:
		return fmt.Sprintf("%d h", (s+30)/3600)
	default:
		m := (s + 30) / 60
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	}
}

// Failing instruments.

// reasonWords say a health reason as a person would; others are said as they are.
var reasonWords = map[string]string{
	"crc":            "its check sum does not fit (crc): a long or wet cable, or interference",
	"open-circuit":   "its circuit is open (open-circuit): a broken wire or a loose terminal",
	"power-on-value": "it shows what it shows before measuring (power-on-value): its supply drops out",
	"disconnected":   "it does not answer (disconnected)",
	"offline":        "it has signed off (offline)",
	"garbage":        "what it sends cannot be read (garbage)",
	"not-a-number":   "it sends no number (not-a-number)",
	"off-scale":      "its value is outside what can be (off-scale)",
	"wrong-unit":     "it sends another unit (wrong-unit)",
	"oversize":       "what it sends is too long to be a reading (oversize)",
	"fault":          "it reports a fault of its own (fault)",
}

func fails(point string, since time.Duration, reason string) string {
	return fmt.Sprintf("%s has given no value for %s: %s. Look at the instrument and its cable.", point, span(since), whyNoValue(reason))
}

const noReason = "no reason is given"

func whyNoValue(reason string) string {
	switch why := reasonWords[reason]; {
	case why != "":
		return why
	case reason == "":
		return noReason
	}
	return reason
}

func readsAgain(point string) string { return fmt.Sprintf("%s gives values again.", point) }

func batteryIsLow(point string) string {
	return fmt.Sprintf("The battery of %s is low. Change or charge it before it falls silent.", point)
}

func batteryIsGood(point string) string {
	return fmt.Sprintf("The battery of %s is good again.", point)
}

// ofSpan says how far a step of a set length is: 23 of 60 min, 3 h of 24 h.
func ofSpan(elapsed, lasts time.Duration) string {
	if elapsed > 2*time.Minute {
		elapsed = elapsed.Truncate(time.Minute) // what is left is rounded up beside it
	}
	if lasts <= time.Hour {
		return fmt.Sprintf("%d of %d min", int(elapsed.Minutes()), int(math.Round(lasts.Minutes())))
	}
	return fmt.Sprintf("%s of %s", span(elapsed), span(lasts))
}

// Splits.

func kelvin(k float64) string { return fmt.Sprintf("%.1f K (%.0f F)", k, k*1.8) }

func unitName(u Unit) string {
	if u.Room == "" {
		return u.Name
	}
	return fmt.Sprintf("%s (%s)", u.Name, u.Room)
}

var splitMeans = map[string]string{
	"reversed":    "It does the opposite of what is asked: look for crossed pipes or wires.",
	"not-running": "Nothing happens: is it running, does its valve open?",
	"low":         "Low capacity: too little charge, a valve not open, or the supply measured in mixed air. Measure again first.",
	"high":        "Little air flows: look at the filter, the fan's speed, dampers and ducts.",
}

func splitIsPoor(u Unit, v splitView, heating bool) string {
	return fmt.Sprintf("%s: supply %.1f C, return %.1f C, split %s where %s is good%s. %s",
		unitName(u), v.supplyC, v.returnC, kelvin(v.splitK), goodRange(v), because(v, heating), splitMeans[splitCause(v)])
}

func splitIsGood(u Unit, v splitView, heating bool) string {
	return fmt.Sprintf("%s: supply %.1f C, return %.1f C, split %s, within %s%s.",
		unitName(u), v.supplyC, v.returnC, kelvin(v.splitK), goodRange(v), because(v, heating))
}

func goodRange(v splitView) string { return fmt.Sprintf("%.1f to %.1f K", v.lowK, v.highK) }

func because(v splitView, heating bool) string {
	switch {
	case heating:
		return " (common practice)"
	case v.humid:
		return fmt.Sprintf(" at a wet bulb of %.1f C", v.wetBulbC)
	}
	return " whatever the humidity, which is not measured"
}

func unitAskedOther(u Unit, command string) string {
	return fmt.Sprintf("%s is now asked for %s: its split is no longer judged.", unitName(u), command)
}

func splitTooClose(v splitView) string {
	return fmt.Sprintf("has a split of %.2f K, too close to the edge of %.2f to %.2f K to call with two clamps. Measure again", v.splitK, v.lowK, v.highK)
}

func splitNotProven(u Unit, why string) string {
	return fmt.Sprintf("%s not proven: it %s.", unitName(u), why)
}

func poorWords(u Unit, v splitView) string {
	return fmt.Sprintf("%s %.1f K, wants %.1f", unitName(u), v.splitK, v.targetK)
}

// checkWords is what the sentence about a cooling or heating check is made of.
type checkWords struct {
	step               string
	elapsed, settle    time.Duration
	units, good        int
	poor               []string
	tooWarm            bool
	outdoorC, ceilingC float64
}

func checkStands(w checkWords) string {
	s := fmt.Sprintf("%s, %s.", stepWord(w.step), span(w.elapsed))
	switch {
	case w.units == 0:
		return s + " No indoor unit is known to the site file."
	case w.tooWarm:
		return fmt.Sprintf("%s Waiting for cooler outdoor air: %.0f C now, units refuse to heat above %.0f C.", s, w.outdoorC, w.ceilingC)
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
	few := w.poor[:min(3, len(w.poor))]
	return fmt.Sprintf("%s, %d poor: %s.", s, len(w.poor), strings.Join(few, "; "))
}

// Steps that nobody judges yet.

// stepStands says how far a step is, with its figure and what it is to reach.
func stepStands(step string, o Outlook, line Setting, aimed bool) string {
	s := underWay(step, o.Elapsed, true)
	if o.Lasts > 0 {
		s = fmt.Sprintf("%s, %s.", stepWord(step), ofSpan(o.Elapsed, o.Lasts))
	}
	if !o.HasFig {
		return s
	}
	s += " " + figure(o.Figure, o.Quantity)
	if !aimed {
		return s + "."
	}
	return fmt.Sprintf("%s, target %s.", s, figure(line.Value, o.Quantity))
}

// figure says a value in the trade's unit with its SI value beside it.
func figure(v float64, q sensors.Quantity) string {
	switch q {
	case sensors.Vacuum:
		return micronSI(v)
	case sensors.Pressure, sensors.AbsolutePressure:
		return fmt.Sprintf("%.0f psi (%.0f kPa)", v/psiPa, v/1e3)
	case sensors.Temperature:
		return fmt.Sprintf("%.1f C (%.0f F)", v, float64(v*1.8)+32)
	case sensors.Mass:
		return fmt.Sprintf("%s (%s)", kg(v), pounds(v))
	}
	return fmt.Sprintf("%g %s", Num(v), q.SI())
}
