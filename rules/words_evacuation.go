package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"standwatch/rules/physics"
)

func poweredEarly(step string, running bool, point string) string {
	when := "during"
	if !running {
		when = "after"
	}
	s := fmt.Sprintf("%s: indoor or branch units have power %s the %s, before the service valves are open.", point, when, strings.ToLower(stepWord(step)))
	if step == "draw-in" {
		return s + " Stop charging, keep clear of the line, open the service valves as the unit maker says, and mark it. Liquid that expansion valves lock in bursts a line or a joint as it warms, and off now does not open them again. Call the technician in charge."
	}
	return s + " Their expansion valves shut and cut the pipework into parts. Switch the power off and tag it, open those valves the unit maker's way, and begin the step again: off now does not open them, so it proves nothing."
}

// powerAllowed is said with every verdict and outlook of a step in which power would else wake somebody.
func powerAllowed(over bool) string {
	if over {
		return " Indoor power was allowed by the site file."
	}
	return " Indoor power is allowed by the site file."
}

func powerNowRight(point string) string {
	return fmt.Sprintf("%s: the service valves are open, so the indoor units may have power.", point)
}

func powerBegunAgain(point, step string) string {
	return fmt.Sprintf("%s: the %s is begun again with the power off. Whether the expansion valves stand open the box cannot see.", point, strings.ToLower(stepWord(step)))
}

func powerAnew(point string) string {
	return fmt.Sprintf("%s: this is told anew, as power has come again or is on as a step begins.", point)
}

// evacWhy says why a vacuum stalls and what to do, in the middle of a sentence.
var evacWhy = map[string]string{
	"moisture": "water boils somewhere in the pipe. Warm the low and cold places, break with dry nitrogen, change the pump's oil and pull again",
	"leak":     "that is not water's pressure at that temperature: a hose, the pump's oil or a leak holds it. Valve the pump off close to it and see what it reaches alone, change its oil, look at hoses and cores, then look for a leak",
	"ice":      "ice in the pipe holds a vacuum there, and so does a large leak or the pump's oil. Warm the low and cold places: if the level rises with them it is ice. Break with dry nitrogen, change the oil and pull again, and look for a leak if that does not help",
	"pool":     "water that boils in a pool cools itself to there, below the clamps, and so would a large leak, an open hose or the pump's oil hold it. Valve the pump off for some minutes: a leak goes on rising, water comes to stand. Warm the low and cold places, break with dry nitrogen, change the oil and pull again, and look for a leak if that does nothing",
	"top":      "the gauge shows no more than that. Look whether the pump draws, whether its valve and the hoses' are open, and for a cap that is missing or a hose that is loose",
	"unknown":  "no pipe temperature is known to tell water from a hose, the pump's oil or a leak. Change the oil, look at the hoses, and break with dry nitrogen",
}

func evacStalled(pa float64, target, next Setting, cause string, tempC float64, over time.Duration) string {
	s := fmt.Sprintf("Vacuum has hardly fallen for %s: %s, target %s.", span(over), micronSI(pa), micron(target.Value))
	if pa <= next.Value {
		s += fmt.Sprintf(" It is below the %s wanted of this pull: ready for the nitrogen break. Valve the gauge off first.", micron(next.Value))
	}
	if !math.IsNaN(tempC) {
		s += fmt.Sprintf(" Water at the coldest pipe's %s has %s.", figureC(tempC), micron(vapourPa(tempC)))
	}
	why := evacWhy[cause]
	return s + " " + strings.ToUpper(why[:1]) + why[1:] + "."
}

// twoDigits says a rough figure as people do: 220, not 2.2e+02.
func twoDigits(x float64) string {
	if x >= 99.5 { // which two digits make 1e+02 of
		step := math.Pow(10, math.Floor(math.Log10(x))-1)
		return Decimals(math.Round(x/step)*step, 0)
	}
	return Significant(x, 2)
}

// evacWater says how much water goes: it is slow work.
func evacWater(cause string, drawnKgPerS, volumeM3, tempC float64) (s string) {
	if cause != "moisture" {
		return ""
	}
	if !math.IsNaN(drawnKgPerS) {
		s = fmt.Sprintf(" At this level the pump draws off about %s g of water an hour.", twoDigits(drawnKgPerS*3.6e6))
	}
	if volumeM3 > 0 {
		s += fmt.Sprintf(" A nitrogen break carries off %s g at most.", twoDigits(physics.VapourKgPerM3(tempC)*volumeM3*1e3))
	}
	return s
}

func evacFalls(pa float64) string { return fmt.Sprintf("The vacuum falls again, %s now.", micron(pa)) }

func evacReached(pa float64, target Setting) string {
	return fmt.Sprintf("The vacuum is down to %s, target %s.", micron(pa), micron(target.Value))
}

func evacBroken() string { return "The pull has been broken; the next one is judged anew." }

func evacFreezes(pa float64) string {
	return fmt.Sprintf("Vacuum stood at water's pressure and then fell fast to %s, below water's triple point (4588 micron): what is left of the water may be ice, which looks dry and thaws later. Pump slower, warm the low places, and break with dry nitrogen.", micronSI(pa))
}

func evacIce(pa, tempC float64) string {
	return fmt.Sprintf("Vacuum stands at %s, at or just below water's triple point (4588 micron), with the coldest pipe at %s: water in the pipe has most likely frozen; a large leak would look the same. Warm the low places and break with dry nitrogen; if it stands there again, look for a leak.", micronSI(pa), figureC(tempC))
}

func evacCold(c float64, limit Setting) string {
	return fmt.Sprintf("Pipes or outdoor air at %s, below %s (%s): water in the pipe freezes and no pump draws it off in good time. Warm the pipes or wait.", figureC(c), figureC(limit.Value), limit.Source)
}

func evacWarmer(c float64, limit Setting) string {
	return fmt.Sprintf("Pipes and outdoor air at %s again, above %s.", figureC(c), figureC(limit.Value))
}

// lookAtValves is what to do about a part that may be shut off.
const lookAtValves = "Look whether indoor units have had power, and at every valve, before pulling on."

func percent(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }

// surely is a confidence: nobody is quite sure.
func surely(p float64) string { return percent(min(p, 0.99)) }

// ofVolume names the volume, and what of it is a guess.
func ofVolume(volumeM3 float64, guessed int) string {
	s := fmt.Sprintf("the %s of the pipework", Litres(volumeM3))
	if guessed > 0 {
		s += fmt.Sprintf(" (the take-off, and 2 l for each of %d indoor units, which the site file does not give)", guessed)
	}
	return s
}

func evacFastVolume(took, whole, volumeM3 float64, guessed int, s share) string {
	return fmt.Sprintf("From 100 to 25 torr in about %.0f s; this pump and hose need %.0f s for %s: the pump draws on %s of it (%s to %s). Part of the pipework may be shut off, %s sure. %s",
		took, whole, ofVolume(volumeM3, guessed), percent(s.best), percent(s.low), percent(s.high), surely(s.sure), lookAtValves)
}

func evacFastEarlier(took, earlier float64, s share) string {
	return fmt.Sprintf("From 100 to 25 torr in about %.0f s; earlier pulls of this rig took %.0f s: with the same pump and hose, %s of their volume (%s to %s). Part of the pipework may be shut off since, %s sure. %s",
		took, earlier, percent(s.best), percent(s.low), percent(s.high), surely(s.sure), lookAtValves)
}

func evacFastStep(pa, share float64) string {
	return fmt.Sprintf("The fall grew steeper at once, at %s: since then the pump draws on %s of what it drew on before. Valves have shut during the pull. %s",
		kPa(pa), percent(share), lookAtValves)
}

func evacFastPump(took, volumeM3, needsM3PerS float64) string {
	_, si, us := Figure("evacuation", "pump_m3_per_s", needsM3PerS)
	return fmt.Sprintf("From 100 to 25 torr in about %.0f s: for the %s of the pipework that would take a pump of %s (%s), and the site file names none. Part may be shut off. This is a suspicion: give the pump's speed, or see what the next pull takes. %s",
		took, Litres(volumeM3), si, us, lookAtValves)
}

func evacFastGauge(volumeM3 float64, guessed int, s share) string {
	return fmt.Sprintf("By the vacuum gauge's fall the pump draws on %s (%s to %s) of %s. Part may be shut off. This is a suspicion: a gauge that ends at 25,000 micron alone cannot prove it; an absolute transducer can. %s",
		percent(s.best), percent(s.low), percent(s.high), ofVolume(volumeM3, guessed), lookAtValves)
}

func evacNotFast(ratio float64) string {
	if math.IsInf(ratio, 0) {
		return "With what is known by now the pull is not too fast."
	}
	return fmt.Sprintf("With what is known by now the pull drew on %s of the pipework: not too fast.", percent(ratio))
}

func evacAir(pa float64, stopped bool) string {
	why := "and did not go beyond the atmosphere, as nitrogen would"
	if stopped {
		why = "after the pump was stopped"
	}
	return fmt.Sprintf("The vacuum is lost: the pressure rose to %s %s. Air comes in through a pump that stands with its valve open, and sucks its oil back. Shut the valve at once, see what the pump's oil and the hose look like, and pull again. If you let nitrogen in, mark the nitrogen break.", kPa(pa), why)
}

func kPa(pa float64) string { return Kilopascal.Beside(Torr, pa) }

func evacPulledAgain() string { return "The pump draws again." }

func evacNitrogen() string { return "It was nitrogen: the break is marked." }

// evacUnit says that a gauge's unit cannot be right.
func evacUnit(point, unit, why string) string {
	if unit == "" {
		unit = "Pa"
	}
	return fmt.Sprintf("%s: its readings cannot be in %s: %s. Set the gauge's own unit in the site file, and begin the step again.", point, unit, why)
}

func evacUnitSmall(point, unit string, pa float64) string {
	return evacUnit(point, unit, fmt.Sprintf("they would be %s micron, and no pump on a site reaches 1 micron", AsGiven(pa/micronPa)))
}

func evacUnitOdd(point, unit string, pa, abs float64) string {
	return evacUnit(point, unit, fmt.Sprintf("they would be %s where the absolute transducer shows %s, which is %s", micron(pa), Kilopascal.Text(abs), micron(abs)))
}

func evacUnitTop(point, unit string, pa float64) string {
	return evacUnit(point, unit, fmt.Sprintf("they begin flat at %s, where a gauge that ends at 25,000 micron stands if it speaks the other of micron and Pa", Decimals(pa/unitPa(unit), 0)))
}

func evacUnitAir(point, unit string, pa float64) string {
	return evacUnit(point, unit, fmt.Sprintf("they stand at %s from the first on, which is the atmosphere in another unit", Decimals(pa/unitPa(unit), 0)))
}

func unitPa(unit string) float64 {
	if unit == "micron" {
		return micronPa
	}
	return 1
}

// evacWords is what an evacuation's verdict is made of.
type evacWords struct {
	result, why, cause    string
	pulls                 []float64
	breaks                int
	pa                    float64
	target                Setting
	broken, rising, doubt bool
	compared              bool
	lost                  bool
	absPa                 float64 // of the transducer that contradicts the gauge; 0: none does
	airPa                 float64 // left by dilution; 0: not known
	unseen                int     // breaks that were marked and not seen
	unit                  string  // why the gauge's unit is wrong
}

func pullKey(i int) string { return fmt.Sprintf("pull_%d_pa", i+1) }

func evacVerdict(w evacWords) string {
	var lows []string
	for _, pa := range w.pulls {
		lows = append(lows, Micron.Number(pa))
	}
	s := fmt.Sprintf("Evacuation %s: ", strings.ReplaceAll(w.result, "-", " "))
	switch {
	case w.unit != "":
		return s + w.unit
	case w.absPa > 0:
		s += fmt.Sprintf("the gauge shows %s where the absolute transducer shows %s: the gauge's valve is shut, or one of them is wrong. Open it and pull on.", micronSI(w.pa), kPa(w.absPa))
	case w.why == "gauge":
		s += "no vacuum gauge was heard."
	case w.why == "gap":
		s += "the vacuum gauge gave no value at the end."
	case w.broken && w.lost:
		s += "it ended with air let in. Pull again."
	case w.broken:
		s += "it ended in a nitrogen break. Pull again."
	case w.result == NotPassed:
		s += fmt.Sprintf("it ended at %s, target %s (%s). Pull further down.", micronSI(w.pa), micron(w.target.Value), w.target.Source)
		if w.cause != "" {
			s += " It had stalled: " + evacWhy[w.cause] + "."
		}
	case w.rising:
		s += fmt.Sprintf("it was rising, at %s, when it ended. Pump on until it no longer rises.", micronSI(w.pa))
	case w.doubt:
		s += fmt.Sprintf("%s is below the target, but part of the pipework may be shut off or hold ice. Clear that up first.", micronSI(w.pa))
	case w.result == NotProven:
		s += "the vacuum was read for too few minutes at the end."
	default:
		s += fmt.Sprintf("%s and not rising, target %s (%s).", micronSI(w.pa), micron(w.target.Value), w.target.Source)
	}
	if len(lows) > 0 {
		s += fmt.Sprintf(" Pulls down to %s micron, nitrogen breaks: %d.", strings.Join(lows, ", "), w.breaks)
	}
	if w.airPa > 0 {
		s += fmt.Sprintf(" Of the air at most %s micron is left, by dilution.", twoDigits(w.airPa/micronPa))
	}
	if w.unseen > 0 {
		s += fmt.Sprintf(" Breaks that were marked but found no vacuum, or let nothing in, by the absolute transducer: %d, not counted.", w.unseen)
	}
	if w.result == Passed && !w.compared {
		s += " A part shut off would not have shown; an absolute transducer shows it, with the pump's speed or a second pull. Look that every valve is open."
	}
	return s
}

// evacStand is what the sentence about an evacuation is made of.
type evacStand struct {
	elapsed                            time.Duration
	pull                               int
	broken, pumping, heard, over, last bool
	nowPa                              float64
	next, target                       Setting
	stalled, frozen, cold, fast        bool
	ready, deep, lost, shut            bool
	cause, unit                        string
	left                               time.Duration // to the pull's target; negative: not known
}

func evacStands(w evacStand) string {
	s := fmt.Sprintf("%s Pull %d", underWay("evacuation", w.elapsed, true), w.pull)
	now := micronSI(w.nowPa)
	switch {
	case w.unit != "":
		return s + ": " + w.unit
	case w.broken && w.lost:
		return fmt.Sprintf("%s The vacuum is lost: shut the valve at the pump, look at its oil, and pull again.", underWay("evacuation", w.elapsed, true))
	case w.broken:
		return fmt.Sprintf("%s Nitrogen break %d: let it stand, vent, change the pump's oil, and pull again.", underWay("evacuation", w.elapsed, true), w.pull-1)
	case w.over:
		s += ", above the gauge's range"
	case !w.heard:
		return s + ": the gauge has not been heard yet."
	case w.shut:
		return s + ", " + now + " by the gauge, but the absolute transducer shows no vacuum: the gauge's valve is shut, or one of them is wrong."
	default:
		s += ", " + now
	}
	switch {
	case w.fast:
		s += ". It falls too fast for the whole pipework: part may be shut off."
	case w.frozen:
		s += ". Water may have frozen in the pipe: warm it and break with dry nitrogen."
	case !w.pumping:
		s += ", pump stopped or valved off."
	case w.stalled:
		s += ", not falling: " + evacWhy[orUnknown(w.cause)] + "."
	case w.deep && w.last:
		s += fmt.Sprintf(" and level: ready for isolation (target %s).", micron(w.target.Value))
	case w.deep:
		s += fmt.Sprintf(" and level: ready for isolation, or a nitrogen break (target %s).", micron(w.target.Value))
	case w.ready:
		s += fmt.Sprintf(": ready for the nitrogen break, wanted %s. Valve the gauge off first.", micron(w.next.Value))
	case w.left >= 0:
		s += fmt.Sprintf(", falling: %s by the curve so far in about %s.", micron(w.next.Value), roughly(w.left))
	default:
		s += fmt.Sprintf(", to reach %s.", micron(w.next.Value))
	}
	if w.cold {
		s += " It is cold enough for water to freeze."
	}
	return s
}
