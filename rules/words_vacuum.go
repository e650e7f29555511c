package rules

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// What is said of the vacuum hold.

// micron says a pressure in the trade's unit; its SI value stands beside it
// where somebody may be asked on the telephone.
func micron(pa float64) string { return Micron.Text(pa) }

func micronSI(pa float64) string { return Micron.Beside(Pascal, pa) }

// steadyRise is the rise (Pa/s) up to which a vacuum is called steady: a gauge
// shows no less than a third of a micron a minute within minutes (common practice).
const steadyRise = 0.3 * micronPa / 60

// perMinute says a rise in micron a minute.
func perMinute(paPerS float64) string {
	return Significant(float64(paPerS*60*Micron.Factor), 2) + " micron a minute"
}

var causeWords = map[string]string{
	"leak":              "It rises in a straight line, as a leak does.",
	"moisture":          "It rises towards a plateau, as moisture does.",
	"leak-and-moisture": "It rises as a leak with moisture beside it does.",
	"temperature":       "It rises no more than a sealed gas does whose pipes grow warmer.",
	speedsUp:            "It rises faster and faster, as no leak does by itself: something warms, thaws or was opened meanwhile.",
	thaws:               "It rises faster and faster, as ice or water does that grows warmer, and no leak.",
	"unknown":           "The cause cannot be told yet.",
	"air":               "Air comes in.", // too fast for any of them
}

var causeAdvice = map[string]string{
	"leak":              "Find the leak with nitrogen and soap before pulling again.",
	"moisture":          "Break with dry nitrogen and pull again.",
	"leak-and-moisture": "Find the leak, then break with dry nitrogen and pull again.",
	"air":               "Shut the valve to the pump, and look at hoses, caps and valves; do not charge.",
	"temperature":       "Wait until the pipes' temperature is steady, pull further down, and begin the hold again.",
	speedsUp:            "Look whether a valve was opened; if none was, warm the pipes where water may lie (no flame), break with dry nitrogen and pull again.",
	thaws:               "Warm the pipes where water may lie (no flame), break with dry nitrogen and pull again.",
	"unknown":           "With the pump running, open its valve again, or look for the leak; do not charge.",
}

// causeSaid is the cause in words, with how sure it is.
func causeSaid(cause string, sure float64) string {
	s := causeWords[cause]
	if cause == "unknown" || cause == "air" || cause == speedsUp || sure == 0 {
		return s
	}
	if cause == "leak" && sure < 0.5 { // a straight line is not ruled out, and to look for a leak comes first
		s = "It rises as a leak may."
	}
	return fmt.Sprintf("%s (%.0f %% sure).", strings.TrimSuffix(s, "."), math.Floor(100*min(sure, 0.99)))
}

func vacuumPassed(nowPa float64, limit Setting, slope float64, cause string, sure float64) string {
	rises := ""
	if slope > steadyRise && cause != "air" {
		rises = ", rising " + perMinute(slope)
	}
	return fmt.Sprintf("Vacuum at %s, past its limit of %s%s. %s %s",
		micronSI(nowPa), micron(limit.Value), rises, causeSaid(cause, sure), causeAdvice[cause])
}

func vacuumWillPass(v holdView, limit Setting, ends time.Duration, cause string, sure float64) string {
	rises := ""
	if v.slopePaPerS > steadyRise {
		rises = " and rising " + perMinute(v.slopePaPerS)
	}
	return fmt.Sprintf("Vacuum at %s%s: %s expected after %s, surely past the limit of %s. %s %s",
		micronSI(v.nowPa), rises, micron(v.endPa), span(ends), micron(limit.Value), causeSaid(cause, sure), causeAdvice[cause])
}

func holdFell(firstPa, endPa float64) string {
	return fmt.Sprintf("Vacuum hold not proven: it fell from %s to %s, as a pipe does from which the pump still draws; in one that is shut, water may dry up or freeze. Is the pump valved off? Valve it off, mark it as isolated, and begin the hold again.", micron(firstPa), micronSI(endPa))
}

// holdDried is of a hold that fell and whose valve to the pump somebody said to be shut.
func holdDried(endPa float64, limit Setting, lasts time.Duration, firstPa float64) string {
	return fmt.Sprintf("Vacuum hold passed: %s after %s, limit %s (%s). It fell from %s behind the shut valve, as it does where a puddle dries up or freezes and walls and oil take its vapour in: the pipe may be wet still. If the valve was opened again meanwhile this hold proves nothing; if nobody did, charge now, and do not leave the vacuum alone.",
		micronSI(endPa), span(lasts), micron(limit.Value), limit.Source, micron(firstPa))
}

func holdCooled(firstPa, endPa, byK float64) string {
	return fmt.Sprintf(" It fell from %s to %s while the pipes cooled by %s, as water on their walls does.", micron(firstPa), micron(endPa), Kelvin.Text(byK))
}

// gaugeTried is how to see whether a gauge still measures.
const gaugeTried = "Valve it off from the pipe and let a little air in at it, or change it, and begin the hold again."

func holdStuck(pa float64, readings int, never bool) string {
	s := fmt.Sprintf("Vacuum hold not proven: not one of %d readings differs from %s", readings, micronSI(pa))
	if never {
		s += ", and nothing else was ever seen of this gauge"
	}
	return s + ". Does the gauge still measure? " + gaugeTried
}

func holdFroze(pa float64, readings int, from time.Duration, moves bool) string {
	after, does := " since", "Does it still measure?"
	if moves {
		after, does = " after that", "It moves again, but for so long nobody knows what the vacuum did."
	}
	return fmt.Sprintf("Vacuum hold not proven: the gauge moved until %s after the begin, and the %d readings%s are all %s. %s %s", span(from), readings, after, micronSI(pa), does, gaugeTried)
}

// holdReadTo says how well a gauge with coarse steps knows a level.
func holdReadTo(stepPa float64) string {
	return fmt.Sprintf(" Read to %s, the gauge's step, on which it has come to rest.", micron(stepPa))
}

func holdPowered(point string) string {
	return fmt.Sprintf("Vacuum hold not proven: %s: indoor or branch units had power in it. Expansion valves shut when power comes (common practice), and the gauge then sees only the part that it stands on. Switch the power off and tag it, open the valves the unit maker's way, and begin the hold again.", point)
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

func holdValvedOff() string {
	return "The pump is valved off only now: the hold counts from here, and what the gauge showed before is no part of it."
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

func holdFailed(nowPa float64, limit Setting, t time.Duration, cause string, sure float64) string {
	return fmt.Sprintf("Vacuum hold failed: %s after %s, limit %s (%s). %s %s",
		micronSI(nowPa), span(t), micron(limit.Value), limit.Source, causeSaid(cause, sure), causeAdvice[cause])
}

// holdAtEnd says of a gauge that shows one value above the limit that it ends there.
func holdAtEnd(pa float64, from time.Duration) string {
	return fmt.Sprintf(" From %s on the gauge shows %s and nothing else: its range ends there, or it no longer measures.", span(from), micron(pa))
}

// holdNoVacuum is for numbers that begin far beyond any vacuum gauge's scale.
func holdNoVacuum(point string, pa float64) string {
	return fmt.Sprintf("%s: the hold begins at %s, and a vacuum gauge ends at 25,000 micron. Set the gauge's own unit in the site file if that is not it; else pull a vacuum. Then begin the step again.",
		point, micronSI(pa))
}

// holdSlipped is for a gauge whose numbers would be a hold's in micron, and are
// called pascals.
func holdSlipped(point string, startPa float64, limit Setting) string {
	return fmt.Sprintf("%s: the hold begins at %s, which is %s and above its limit of %s: it counts as not started. Does the gauge show micron? %s micron would be a usual beginning. Then set its unit to micron in the site file; if it does show pascals, pull further down. Then begin the step again.",
		point, Pascal.Text(startPa), micron(startPa), micron(limit.Value), Decimals(startPa, 0))
}

func holdNoGauge(point string, zeros int) string {
	if zeros > 0 {
		return fmt.Sprintf("Vacuum hold not proven: %s gave nothing but 0, and no pipe is as empty as that. Look at the gauge, its cable and its unit in the site file, and begin the hold again.", point)
	}
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
	return fmt.Sprintf("Vacuum hold not proven: %s, give or take %s, against %s is too close to call with this gauge. Hold longer or change the gauge.",
		micron(endPa), Micron.Doubt(doubtPa), micron(limit.Value))
}

func holdEnded(now, ends time.Duration, cause string) string {
	s := fmt.Sprintf("Vacuum hold not proven: ended after %s.", ofSpan(now, ends))
	switch cause {
	case "gauge":
		s += " No gauge was heard."
	case "gap":
		s += " The gauge had fallen silent."
	}
	return s + " Only a hold of its whole time, with its gauge heard, proves it."
}

// holdCharged is said of a hold within which a charging step was begun: what the gauge
// shows from then on is refrigerant.
func holdCharged() string {
	return "Vacuum hold not proven: a draw-in or weigh-in was begun before it was over, and refrigerant in the pipe hides what comes in. Only a hold of its whole time, and nothing let in, proves it."
}

// holdWords is what the sentence about a hold is made of.
type holdWords struct {
	elapsed, lasts, extend, quiet time.Duration
	nowPa, endPa, slopePaPerS     float64
	limit                         Setting
	result, cause                 string
	urgency                       Urgency
	heard, settling, known, stays bool
	raised, startedHi, beganHi    bool
	deaf                          time.Duration // how long it speaks without a value
	noValue                       string        // why; empty: it gives values, or is silent
	spoiled, leaks, falls         bool
	charging                      bool
}

func holdStands(h holdWords) string {
	s := fmt.Sprintf("Vacuum hold, %s.", ofSpan(h.elapsed, h.lasts+h.extend))
	if !h.heard {
		return s + " The gauge has not been heard yet."
	}
	now := micron(h.nowPa)
	switch {
	case h.charging && h.result == "":
		return fmt.Sprintf("%s A charge has begun, so the gauge's %s is no vacuum to judge, and nobody is called for this hold any more. End it.", s, now)
	case h.noValue != "" && h.deaf >= deafFor:
		return fmt.Sprintf("%s The gauge has given no value for %s, last %s: %s. Air comes in beyond its range, or it failed: look.", s, span(h.deaf), now, h.noValue)
	case h.spoiled:
		return fmt.Sprintf("%s %s. This hold proves nothing: its verdict says why. Begin it again.", s, now)
	case h.quiet > bridged:
		return fmt.Sprintf("%s The gauge was last heard %s ago, at %s. Without it the hold cannot be proved.", s, span(h.quiet), now)
	case h.beganHi:
		return fmt.Sprintf("%s %s: it began above its limit of %s, and counts as not started if it is not under it once settled.", s, now, micron(h.limit.Value))
	case h.startedHi:
		return fmt.Sprintf("%s %s: it began above its limit of %s. Pull further down and begin again.", s, now, micron(h.limit.Value))
	case h.raised && h.urgency == Wake:
		return fmt.Sprintf("%s %s, past the limit of %s. %s", s, now, micron(h.limit.Value), causeWords[orUnknown(h.cause)])
	case h.result == Passed && h.leaks:
		return fmt.Sprintf("Vacuum hold passed. %s now, limit %s, and still rising %s as a leak does: find it before charging.", now, micron(h.limit.Value), perMinute(h.slopePaPerS))
	case h.result == Passed:
		return fmt.Sprintf("Vacuum hold passed. %s now, limit %s. Charge now, and do not leave the vacuum alone.", now, micron(h.limit.Value))
	case h.raised && h.nowPa > h.limit.Value: // of one reading: the limit is not passed before it persists
		return fmt.Sprintf("%s %s and rising %s: surely past %s at the end. %s", s, now, perMinute(h.slopePaPerS), micron(h.limit.Value), causeWords[orUnknown(h.cause)])
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
		return fmt.Sprintf("%s %s and %s: so a pipe falls from which the pump still draws. Is it valved off?", s, now, how)
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
