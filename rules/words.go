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

// Vacuum.

// micron says a pressure in the trade's unit; its SI value stands beside it
// where somebody may be asked on the telephone.
func micron(pa float64) string { return fmt.Sprintf("%.0f micron", pa/micronPa) }

func micronSI(pa float64) string { return fmt.Sprintf("%.0f micron (%.1f Pa)", pa/micronPa, pa) }

// steadyRise is the rise (Pa/s) up to which a vacuum is called steady: a gauge
// shows no less than a third of a micron a minute within minutes (common practice).
const steadyRise = 0.3 * micronPa / 60

// perMinute says a rise in micron a minute.
func perMinute(paPerS float64) string {
	r := paPerS * 60 / micronPa
	if math.Abs(r) >= 10 {
		return fmt.Sprintf("%.0f micron a minute", r)
	}
	return fmt.Sprintf("%.1f micron a minute", r)
}

var causeWords = map[string]string{
	"leak":              "It rises in a straight line, as a leak does.",
	"moisture":          "It rises towards a plateau, as moisture does.",
	"leak-and-moisture": "It rises as a leak with moisture beside it does.",
	"unknown":           "The cause cannot be told yet.",
	"air":               "Air comes in.", // too fast for any of them
}

var causeAdvice = map[string]string{
	"leak":              "Find the leak with nitrogen and soap before pulling again.",
	"moisture":          "Break with dry nitrogen and pull again.",
	"leak-and-moisture": "Find the leak, then break with dry nitrogen and pull again.",
	"air":               "Shut the valve to the pump, and look at hoses, caps and valves; do not charge.",
	"unknown":           "With the pump running, open its valve again, or look for the leak; do not charge.",
}

func vacuumPassed(nowPa float64, limit Setting, slope float64, cause string) string {
	rises := ""
	if slope > steadyRise && cause != "air" {
		rises = ", rising " + perMinute(slope)
	}
	return fmt.Sprintf("Vacuum at %s, past its limit of %s%s. %s %s",
		micronSI(nowPa), micron(limit.Value), rises, causeWords[cause], causeAdvice[cause])
}

func vacuumWillPass(v holdView, limit Setting, ends time.Duration, cause string) string {
	return fmt.Sprintf("Vacuum at %s and rising %s: %.0f micron expected after %s, surely past the limit of %s. %s %s",
		micronSI(v.nowPa), perMinute(v.slopePaPerS), v.endPa/micronPa, span(ends), micron(limit.Value), causeWords[cause], causeAdvice[cause])
}

func holdFell(firstPa, endPa float64) string {
	return fmt.Sprintf("Vacuum hold not proven: it fell from %s to %s, which a sealed system does not. Is the pump valved off? Valve it off and begin the hold again.", micron(firstPa), micronSI(endPa))
}

func holdStuck(pa float64, readings int) string {
	return fmt.Sprintf("Vacuum hold not proven: not one of %d readings differs from %s. Does the gauge still measure? Let a little in at its hose, or change it, and begin the hold again.", readings, micronSI(pa))
}

func holdJumped(byPa float64, at time.Duration) string {
	return fmt.Sprintf(" It jumped by %s after %s: find out what was opened or moved then.", micron(byPa), span(at))
}

func vacuumFellBack(nowPa float64) string {
	return fmt.Sprintf("Vacuum back at %s. A sealed system does not fall back by itself: the gauge was moved, or the pump's valve opened again.", micronSI(nowPa))
}

func holdKicked(nowPa float64) string {
	return fmt.Sprintf("Vacuum hold not proven: it jumped past the limit and came back to %s, which a sealed system does not. Look at the gauge and its hose, and begin the hold again.", micronSI(nowPa))
}

// gaugeLeftBehind is for a gauge that speaks but gives no value.
func gaugeLeftBehind(quiet time.Duration, reason string, lastPa float64) string {
	last := ""
	if lastPa > 0 {
		last = fmt.Sprintf(" The last was %s.", micronSI(lastPa))
	}
	return fmt.Sprintf("The vacuum gauge has given no value for %s: %s.%s It is beyond its range because air comes in, or it failed. Shut the valve to the pump, and look.",
		span(quiet), whyNoValue(reason), last)
}

func vacuumNoLonger(limit Setting) string {
	return fmt.Sprintf("The vacuum is no longer sure to pass %s.", micron(limit.Value))
}

func holdNotStarted(startPa float64, limit Setting) string {
	return fmt.Sprintf("The hold began at %s, above its limit of %s: it counts as not started. Pull further down and begin again.",
		micronSI(startPa), micron(limit.Value))
}

func holdPassed(endPa float64, limit Setting, lasts time.Duration, high bool, start Setting, leak float64) string {
	s := fmt.Sprintf("Vacuum hold passed: %s after %s, limit %s (%s).", micronSI(endPa), span(lasts), micron(limit.Value), limit.Source)
	if high {
		s += fmt.Sprintf(" It began above the %s it should begin from.", micron(start.Value))
	}
	if leak > steadyRise {
		return s + fmt.Sprintf(" But it still rises %s in a straight line, as a leak does: find it first.", perMinute(leak))
	}
	return s + " Charge now, and do not leave the vacuum alone."
}

// afterTheHold says of a rise that the verdict before it stands.
func afterTheHold(text string) string { return "After the hold, which passed: " + text }

func holdFailed(nowPa float64, limit Setting, t time.Duration, cause string) string {
	return fmt.Sprintf("Vacuum hold failed: %s after %s, limit %s (%s). %s %s",
		micronSI(nowPa), span(t), micron(limit.Value), limit.Source, causeWords[cause], causeAdvice[cause])
}

func holdNoGauge() string {
	return "Vacuum hold not proven: no gauge was heard. Connect one and begin the hold again."
}

func holdGap(unknown, spoke bool) string {
	if unknown {
		return "Vacuum hold not proven: the box was off for a time that nobody knows. Begin the hold again."
	}
	if !spoke {
		return "Vacuum hold not proven: the gauge was not heard for more than 10 min. Begin the hold again."
	}
	return "Vacuum hold not proven: the gauge gave no value for more than 10 min. Begin the hold again."
}

func holdTooClose(endPa, doubtPa float64, limit Setting) string {
	return fmt.Sprintf("Vacuum hold not proven: %.0f micron, give or take %.0f, against %s is too close to call with this gauge. Hold longer or change the gauge.",
		endPa/micronPa, doubtPa/micronPa, micron(limit.Value))
}

func holdEnded(now, ends time.Duration, cause string) string {
	s := fmt.Sprintf("Vacuum hold not proven: ended after %s of %s.", span(now), span(ends))
	switch cause {
	case "gauge":
		return s + " No gauge was heard."
	case "gap":
		return s + " The gauge had fallen silent."
	}
	return s
}

// holdWords is what the sentence about a hold is made of.
type holdWords struct {
	elapsed, lasts, extend, quiet time.Duration
	nowPa, endPa, slopePaPerS     float64
	limit                         Setting
	result, cause                 string
	urgency                       Urgency
	heard, settling, known, stays bool
	raised, startedHi             bool
	deaf                          time.Duration // how long it speaks without a value
	noValue                       string        // why; empty: it gives values, or is silent
	spoiled, leaks, falls         bool
}

func holdStands(h holdWords) string {
	s := fmt.Sprintf("Vacuum hold, %s.", ofSpan(h.elapsed, h.lasts+h.extend))
	if !h.heard {
		return s + " The gauge has not been heard yet."
	}
	now := micron(h.nowPa)
	switch {
	case h.noValue != "" && h.deaf >= deafFor:
		return fmt.Sprintf("%s The gauge has given no value for %s, last %s: %s. Air comes in beyond its range, or it failed: look.", s, span(h.deaf), now, h.noValue)
	case h.spoiled:
		return fmt.Sprintf("%s %s. This hold proves nothing: its verdict says why. Begin it again.", s, now)
	case h.quiet > bridged:
		return fmt.Sprintf("%s The gauge was last heard %s ago, at %s. Without it the hold cannot be proved.", s, span(h.quiet), now)
	case h.startedHi:
		return fmt.Sprintf("%s %s: it began above its limit of %s. Pull further down and begin again.", s, now, micron(h.limit.Value))
	case h.raised && h.urgency == Wake:
		return fmt.Sprintf("%s %s, past the limit of %s. %s", s, now, micron(h.limit.Value), causeWords[orUnknown(h.cause)])
	case h.result == Passed && h.leaks:
		return fmt.Sprintf("Vacuum hold passed. %s now, limit %s, and still rising %s as a leak does: find it before charging.", now, micron(h.limit.Value), perMinute(h.slopePaPerS))
	case h.result == Passed:
		return fmt.Sprintf("Vacuum hold passed. %s now, limit %s. Charge now, and do not leave the vacuum alone.", now, micron(h.limit.Value))
	case h.raised:
		return fmt.Sprintf("%s %s and rising %s: it will pass %s before the end. %s", s, now, perMinute(h.slopePaPerS), micron(h.limit.Value), causeWords[orUnknown(h.cause)])
	case h.result == NotProven:
		return fmt.Sprintf("%s %s. Too long a gap: this hold cannot be proved any more. Begin it again.", s, now)
	case h.settling:
		return fmt.Sprintf("%s %s, still settling.", s, now)
	case !h.known:
		return fmt.Sprintf("%s %s. Too early to say more.", s, now)
	}
	how := "steady"
	if math.Abs(h.slopePaPerS) >= steadyRise {
		how = map[bool]string{true: "rising ", false: "falling "}[h.slopePaPerS > 0] + perMinute(math.Abs(h.slopePaPerS))
		if h.cause == "moisture" {
			how = "levelling off"
		}
	}
	if h.falls {
		return fmt.Sprintf("%s %s and %s: a sealed system does not fall. Is the pump valved off?", s, now, how)
	}
	if h.stays {
		return fmt.Sprintf("%s %s and %s: looks dry and tight so far.", s, now, how)
	}
	return fmt.Sprintf("%s %s and %s: too early to say whether it stays under %s.", s, now, how, micron(h.limit.Value))
}

func orUnknown(cause string) string {
	if cause == "" {
		return "unknown"
	}
	return cause
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
		return fmt.Sprintf("%.1f C (%.0f F)", v, v*1.8+32)
	case sensors.Mass:
		return fmt.Sprintf("%s (%s)", kg(v), pounds(v))
	}
	return fmt.Sprintf("%g %s", Num(v), q.SI())
}
