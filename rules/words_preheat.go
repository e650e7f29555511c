package rules

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// The sentences of the preheat.

// preheatWords is what the sentences about a preheat are made of.
type preheatWords struct {
	a             clockOf
	lasts         time.Duration
	warmK         float64
	coldestK      float64 // not a number: not measured
	cold, unheard []string
	still         []string // whose clamp shows one value for hours
	dead          []string // of the cold ones, those that nothing heated at first
	byMarks       bool
	powerMarks    bool
	saidOff       bool
	metIn         string
	result        string
	now           time.Duration
}

func listed(names []string) string {
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// howLong says how long the last interruption was.
func (a clockOf) howLong() string {
	if a.blind {
		return "a length that nobody knows"
	}
	return span(a.interruption.to - a.interruption.from)
}

// given is a warmth that somebody set.
func given(k float64) string { return AsGiven(k) + " K" }

// how is how the energised time came together.
func (w preheatWords) how() string {
	s := fmt.Sprintf("energised for %s", span(w.lasts))
	if w.a.pauses > 0 {
		s += fmt.Sprintf(" net of %s (%s)", counted(w.a.pauses, "interruption"), span(w.a.paused))
	}
	if w.a.restarts > 0 {
		s += ", counted from zero again after an interruption of " + w.a.howLong()
	}
	switch {
	case w.byMarks && w.powerMarks:
		s += ", by what was told (no point has the role outdoor-power)"
	case w.byMarks:
		s += ", taken as energised since the step's begin (no point has the role outdoor-power, and nobody told of power off)"
	}
	return s
}

const preheatGoverns = "The unit maker's instructions say whether the compressor may start now."

func preheatMet(w preheatWords) string {
	return fmt.Sprintf("Preheat met: %s. Every oil sump stands at least %s over the outdoor air; %s shows that its heater works. %s",
		w.how(), kelvin(w.coldestK), given(w.warmK), preheatGoverns)
}

// deadWords says of heaters that gave nothing at first that warmth since then proves nothing.
func (w preheatWords) deadWords() string {
	if len(w.dead) == 0 {
		return ""
	}
	return fmt.Sprintf(" In the first hours nothing heated %s; what warms it since may be the sun. Once it is mended, begin the step again: its time counts from there.", listed(w.dead))
}

func preheatCold(w preheatWords) string {
	return fmt.Sprintf("Preheat not proven: %s, but the heater is not: %s did not stay %s over the outdoor air, the coldest stands at %s.%s Do not start the compressor. Look whether the clamp sits low on the shell, out of the sun; then the heater, its fuse and its wiring (mains: for a qualified person).",
		w.how(), listed(w.cold), given(w.warmK), over(w.coldestK), w.deadWords())
}

func heatersUnseen(lacks string) string {
	return fmt.Sprintf("The heaters' warmth is not measured: %s. The time is counted, but the preheat will not be proven by it alone. Put a clamp low on each compressor's shell and one in the shade now, or be ready to feel the shells and to accept it by name.", lacks)
}

func preheatUnseen(w preheatWords, why string) string {
	return fmt.Sprintf("Preheat not proven: %s, but nothing shows that the heaters gave warmth: %s. Put a clamp low on each compressor's shell and one in the shade (oil-sump, outdoor-air), or feel the shells and accept this by name.",
		w.how(), why)
}

func preheatStill(w preheatWords) string {
	return fmt.Sprintf("Preheat not proven: %s, but the clamp of %s showed one and the same value for hours in which the outdoor air should have moved it, so it measures nothing. Hold a hand or another thermometer against the shell; mend or move the clamp and leave it %s, or feel the shells and accept this by name.",
		w.how(), listed(w.still), span(min(warmLast, w.lasts/4)))
}

func heaterStands(point string, valueC float64, long time.Duration, byK float64) string {
	return fmt.Sprintf("%s has shown %s without moving by a digit for %s, where the outdoor air should have moved it by %s: it measures nothing. Look at its clamp, its cable and what hands its value on; until it moves, the heater is not proven.",
		point, Celsius.Text(valueC), span(long), kelvin(byK))
}

func preheatTooHot(w preheatWords, mostK float64) string {
	return fmt.Sprintf("Preheat not proven: %s, but a sump stands at %s the outdoor air, and no heater warms a standing compressor so far. See that its clamp sits on the shell and speaks the unit that the site file gives it (°F shown as °C looks so), or feel the shells and accept this by name.",
		w.how(), aboveOrBelow(mostK))
}

func over(k float64) string {
	if math.IsNaN(k) {
		return "a warmth that is not measured"
	}
	return fmt.Sprintf("%s over it", kelvin(k))
}

func preheatShort(cause string, a clockOf, lasts time.Duration) string {
	s := fmt.Sprintf("Preheat not proven: ended after %s of %s energised.", span(a.runS), span(lasts))
	switch cause {
	case "no-power":
		s = fmt.Sprintf("Preheat not proven: the outdoor unit had no power for any of its %s.", span(lasts))
	case "gap":
		if !a.ever {
			s = "Preheat not proven: in all of it nobody heard whether the outdoor unit had power. Look at the input, its cable or radio."
			break
		}
		s += " For part of the time nobody heard whether the outdoor unit had power; what is not heard does not count. If the input tells only changes, give its point a longer silent_after."
	case "power-lost":
		s += " Power was lost meanwhile."
		if a.restarts > 0 {
			s = fmt.Sprintf("%s The last interruption, of %s, set the clock back.", s, a.howLong())
		}
	}
	return s + " Do not start the compressor: begin the step again and leave the power on."
}

func preheatStarted(a clockOf, lasts time.Duration) string {
	return fmt.Sprintf("Preheat failed: a compressor ran after %s of %s energised. The oil may be full of refrigerant. Stop it, see what the unit maker says, and begin the preheat again.", span(a.runS), span(lasts))
}

var signWords = map[string]string{
	"discharge": "the discharge line rose by %.1f K within minutes",
	"pressures": "suction and liquid pressure parted by %.0f Pa within minutes",
	"current":   "the outdoor unit takes %.1f A, several times what its heaters took",
}

func startedEarly(sign, point string, value float64, a clockOf, lasts time.Duration, lapsed bool) string {
	what := fmt.Sprintf(signWords[sign], value)
	if sign == "pressures" {
		what = fmt.Sprintf("suction and liquid pressure parted by %s within minutes", Kilopascal.Beside(PSI, value))
	}
	s := fmt.Sprintf("A compressor seems to run before its preheat is met: %s (%s), after %s of %s energised.", what, point, span(a.runS), span(lasts))
	if lapsed {
		s = fmt.Sprintf("A compressor seems to run though power was lost for too long after the preheat: %s (%s); energised again for %s of %s.", what, point, span(a.runS), span(lasts))
	}
	return s + " Cold oil full of refrigerant foams and leaves the bearings dry. Stop it at its remote control if it runs, and let it preheat."
}

func begunBeforePreheat(step string, a clockOf, lasts time.Duration, lapsed bool) string {
	s := fmt.Sprintf("%s has begun, but the preheat is not met: %s of %s energised.", stepWord(step), span(a.runS), span(lasts))
	if lapsed {
		s = fmt.Sprintf("%s has begun, but the preheat no longer stands or is not proven: %s of %s energised.", stepWord(step), span(a.runS), span(lasts))
	}
	return s + " Do not start a compressor before it is met: cold oil full of refrigerant foams and leaves the bearings dry."
}

func noPreheat(step string) string {
	return fmt.Sprintf("%s has begun, and no preheat is known. If it was done before the box came, mark it as reported; else preheat before a compressor starts.", stepWord(step))
}

func preheatNotPassed(step, result string) string {
	return fmt.Sprintf("%s has begun, and the last preheat is %s. Do not start a compressor before the preheat is met, or somebody accepts it by name: cold oil full of refrigerant foams and leaves the bearings dry.",
		stepWord(step), strings.ReplaceAll(result, "-", " "))
}

func neverPowered(now, lasts time.Duration) string {
	return fmt.Sprintf("The preheat was begun %s ago, and the outdoor unit has no power: none of its %s has begun to count. Switch it on (mains: for a qualified person), or look at the input that says so.", span(now), span(lasts))
}

func powerIsLost(a clockOf, ago, lasts, pause time.Duration, coldestK, warmK float64, met bool) string {
	s := fmt.Sprintf("The outdoor unit lost its power %s ago: the preheat stands at %s of %s.", span(ago), span(a.counted(ago > pause)), span(lasts))
	if met {
		s = fmt.Sprintf("The outdoor unit lost its power %s ago, after the preheat was met.", span(ago))
	}
	if ago > pause {
		s += fmt.Sprintf(" That is longer than %s: it counts from zero, %s more, unless every oil sump stayed %s over the outdoor air", span(pause), span(lasts), given(warmK))
	} else {
		s += fmt.Sprintf(" Back within %s it goes on; later it counts from zero, %s more, unless every oil sump stays %s over the outdoor air", span(pause), span(lasts), given(warmK))
	}
	if !math.IsNaN(coldestK) {
		s += fmt.Sprintf(": now %s", kelvin(coldestK))
	}
	return s + ". Find out who switched it off or what tripped (mains: for a qualified person)."
}

func powerUnheard(a clockOf, quiet, lasts time.Duration) string {
	return fmt.Sprintf("Nobody has heard for %s whether the outdoor unit has power. What is not heard does not count: the preheat stood at %s of %s. Check the input's power, cable or radio, and whether the unit is on.", span(quiet), span(a.counted(true)), span(lasts))
}

// powerBlind is told where the box was away for nobody knows how long and finds power on again.
func powerBlind(a clockOf, lasts time.Duration) string {
	return fmt.Sprintf("Nobody knows for how long the outdoor unit may have been without power while the box was away: the preheat stood at %s of %s and counts from zero. Look whether the unit lost its power, too, and why.", span(a.counted(true)), span(lasts))
}

// counted is what counts, or had counted before the interruption that set it back.
func (a clockOf) counted(long bool) time.Duration {
	if long && a.runS == 0 || a.blind {
		return a.stood
	}
	return a.runS
}

func timeOfDay(t time.Time, zone *time.Location) string {
	if zone == nil {
		return t.UTC().Format("15:04 UTC")
	}
	return t.In(zone).Format("15:04")
}

func inAt(left time.Duration, at string) string {
	if at == "" {
		return span(left)
	}
	return fmt.Sprintf("%s, at %s,", span(left), at)
}

func powerIsBack(a clockOf, lasts time.Duration, metIn string) string {
	x := a.interruption.to - a.interruption.from
	switch {
	case a.runS >= lasts && !a.lapsed:
		return "The outdoor unit has power; the preheat's time is met."
	case x == 0:
		return fmt.Sprintf("The outdoor unit has power. The preheat is met in %s if it stays on.", metIn)
	case a.restarts > 0 && a.since >= a.interruption.to && a.blind:
		return fmt.Sprintf("The outdoor unit has power; nobody knows for how long it had none, so the preheat counts from zero. Met in %s if it stays on.", metIn)
	case a.restarts > 0 && a.since >= a.interruption.to:
		return fmt.Sprintf("Power is back after %s, too long with a sump that is cold or not heard: the preheat counts from zero. Met in %s if it stays on.", a.howLong(), metIn)
	}
	return fmt.Sprintf("Power is back after %s: the preheat goes on from where it stood. Met in %s if it stays on.", span(x), metIn)
}

func heaterIsCold(point string, overK, warmK float64, ran time.Duration) string {
	s := fmt.Sprintf("%s stands at %s the outdoor air after %s energised; a heater that works brings it %s over.", point, aboveOrBelow(overK), span(ran), given(warmK))
	if math.IsNaN(overK) {
		s = fmt.Sprintf("%s cannot be held against the outdoor air after %s energised: one of the two is not heard.", point, span(ran))
	}
	return s + " Look whether the clamp sits low on the shell, in the shade; then the heater, its fuse and its wiring (mains: for a qualified person)."
}

func aboveOrBelow(k float64) string {
	if k < 0 {
		return fmt.Sprintf("%s under", kelvin(-k))
	}
	return fmt.Sprintf("%s over", kelvin(k))
}

func heaterIsWarm(point string, overK float64) string {
	return fmt.Sprintf("%s stands at %s over the outdoor air: its heater works.", point, kelvin(overK))
}

// preheatStands is the sentence at the top of the screen.
func preheatStands(w preheatWords, sumps int) string {
	s := fmt.Sprintf("Preheat, %s energised.", ofSpan(min(w.a.runS, w.lasts), w.lasts))
	switch {
	case w.result == NotPassed:
		return s + " A compressor ran before it was met: begin it again."
	case w.result == Passed && w.a.lapsed:
		return s + " It was met, but power was off for too long since: it counts anew."
	case w.result == Passed:
		s = fmt.Sprintf("Preheat met, %s energised. %s", span(w.lasts), preheatGoverns)
	case !w.a.ever:
		s += " The outdoor unit has no power yet."
		if !w.saidOff {
			s = fmt.Sprintf("Preheat, %s. Nobody has heard yet whether the outdoor unit has power.", ofSpan(0, w.lasts))
		}
	case !w.a.on && w.saidOff:
		s += fmt.Sprintf(" Power is off for %s.", span(w.now-w.a.offSince))
	case !w.a.on:
		s += fmt.Sprintf(" Whether it has power was last heard %s ago.", span(w.now-w.a.offSince))
	case w.a.runS < w.lasts:
		s += fmt.Sprintf(" Met in %s if power stays on.", w.metIn)
	}
	switch {
	case sumps == 0:
		s += " No point has the role oil-sump: its warmth cannot be proved."
	case math.IsNaN(w.coldestK):
		s += " The oil sump's warmth over the outdoor air is not measured."
	default:
		s += fmt.Sprintf(" The coldest oil sump stands at %s the outdoor air, wants %s.", aboveOrBelow(w.coldestK), given(w.warmK))
	}
	if w.byMarks {
		s += " By what was told; tell power-off and power-on."
	}
	return s
}
