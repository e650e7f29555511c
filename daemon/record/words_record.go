package record

import (
	"fmt"
	"strings"

	"standwatch/rules"
)

// The record's own sentences. What a judge said it repeats in the judge's words.
const (
	endedWithout = "It was ended before its judge gave a verdict."
	handedOver   = "It was ended. No verdict is given on a hand-over."
	stillOpen    = "It is under way."
	leftRunning  = "It was still running when the job was closed."
)

func numberOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func unclearAnswer(mark, note string) string {
	return fmt.Sprintf("A mark %s names no step, so nothing was made of it: %q.", mark, note)
}

func unclearSystem(mark, note string) string {
	return fmt.Sprintf("A mark %s is of no system that the site has, so nothing was made of it: %q.", mark, note)
}

func nobodyAnswers(mark, note string) string {
	return fmt.Sprintf("A mark %s names nobody and gives no reason, so nothing was made of it: %q.", mark, note)
}

func nothingToAccept(note string) string {
	return fmt.Sprintf("A mark accepted came before its step had a result or an end, so nothing was made of it: %q.", note)
}

func unitsJudged(vs []Verdict) string {
	count, names := map[string]int{}, map[string][]string{}
	for _, v := range vs {
		count[v.Result]++
		if v.Result != rules.Passed && v.Unit != "" {
			names[v.Result] = append(names[v.Result], v.Unit)
		}
	}
	var parts []string
	for _, r := range []string{rules.Passed, rules.NotPassed, rules.NotProven} {
		if n := count[r]; n > 0 {
			part := fmt.Sprintf("%d %s", n, outcome(r))
			if len(names[r]) > 0 {
				part += " (" + strings.Join(names[r], ", ") + ")"
			}
			parts = append(parts, part)
		}
	}
	return fmt.Sprintf("Of %s judged: %s.", numberOf(len(vs), "unit", "units"), strings.Join(parts, ", "))
}

func outcome(state string) string {
	switch state {
	case rules.NotProven:
		return "not proven"
	case endedState:
		return "ended without a verdict"
	case leftState:
		return "still running when the job was closed"
	case rules.CheckApart:
		return "does not apply"
	case rules.CheckLeft:
		return "left open"
	}
	return state
}

// stepWord is a name as people say it; some steps are one word each.
func stepWord(step string) string {
	switch step {
	case "take-off", "draw-in", "weigh-in", "hand-over":
		return step
	}
	return strings.ReplaceAll(step, "-", " ")
}

// causeWord is why a result is what it is, where the name alone does not say it.
func causeWord(cause string) string {
	switch cause {
	case "low":
		return "lower than is good"
	case "high":
		return "higher than is good"
	case "over":
		return "more than the target"
	case "short":
		return "less than the target"
	case "estimate":
		return "by bore and density only"
	case "doubtful":
		return "what looks like a slip"
	case "gap":
		return "a gap in the readings"
	case "gauge":
		return "the gauge"
	case "unknown":
		return notKnown
	}
	return stepWord(cause)
}

// endedWord is what ended a stretch of the ledger.
func endedWord(ended string) string {
	switch ended {
	case rules.EndedStep:
		return "the step ended"
	case rules.EndedSilence:
		return "the scale fell silent"
	case rules.EndedHeard:
		return "the scale was heard again"
	case rules.EndedSwap:
		return "the cylinder was lifted off or changed"
	case rules.EndedZeroed:
		return "the scale was zeroed"
	case rules.EndedShift:
		return "the weight jumped"
	case rules.EndedPowerCut:
		return "the power was cut"
	}
	return stepWord(ended)
}

// unseenWord says how it is known what flowed while no scale watched: by the
// weights before and after, which leave nothing unweighed, or only by estimate.
func unseenWord(x Segment) string {
	if rules.Bridged(x.LowKg, x.HighKg) {
		return "not watched: by the weights before and after"
	}
	return "seen by no scale"
}

// titled writes the first letter as a capital.
func titled(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// silencesUnread says in one sentence what the table of flags leaves out.
func silencesUnread(each []string) string {
	return "Flags point-silent of instruments while no step under way read them: " + strings.Join(each, "; ") + ". CSV and JSON have each."
}

// clearedText is when a flag was cleared, or that it was not.
func clearedText(f Flag) string {
	switch {
	case !f.Open:
		return momentText(f.Cleared)
	case !f.Cleared.IsZero():
		return "open at the close; " + momentText(f.Cleared)
	}
	return "open"
}

// afterText is what became of a step after its job was closed.
func afterText(a After) string {
	if a.Ended.IsZero() {
		return "After the job was closed it ran on."
	}
	text := "After the job was closed it was ended at " + momentText(a.Ended)
	if len(a.Verdicts) == 0 {
		return text + ", without a verdict."
	}
	state, said, _ := StateOf(a.Verdicts, false, false)
	return text + ", " + outcome(state) + ": " + said
}

const (
	recordTitle   = "Start-up record"
	noSettings    = "None was told to the box."
	noSteps       = "No step was begun."
	nothingOpen   = "None: every step is done, reported or accepted, every check is settled, no flag that asks for somebody is open."
	notWeighed    = "not weighed by this box"
	siteUnknown   = "This journal does not hold the site file: names, rooms, limits and the factory's charge are only what the marks tell."
	whatItIs      = "This record reports readings and rules chosen for this job. It does not replace the equipment manual, the code official or a qualified technician. The tool opens and closes nothing."
	reportedMeans = "Somebody else's word, with the document it stands in. This box has not measured it."
	acceptedMeans = "The result stays what it was: a named person has taken it on, with the reason."
	clockMeans    = "Lengths of time are counted since each run's begin; days and hours follow from the clock named here. Where that is not proven, they are only likely."
	laterMeans    = "Told after this job was closed, and before another was begun: kept here, and nothing of the record above was made of it."
	laterEntries  = " signed what the journal held then; the job has further entries since."
)

var recordCautions = []string{
	"The maker's instructions, local code and the licensed technician come before anything here.",
	"Refrigerant is recovered, never let out. Gloves and goggles with liquid refrigerant. Nitrogen by a regulator and a relief valve, from a chained cylinder; never oxygen or air. Vent outdoors.",
	"Panels stay live after isolation: wait as long as the maker says. Nobody goes onto a roof alone, in the dark or in lightning.",
}

const flammableCaution = " is flammable (class A2L): no flame, spark or hot work near it; a detector runs and the place is aired before and while work is done. The box and its instruments are not made for gas: keep them where none can gather."

func timesIn(zone string) string { return "in the site's zone, " + zone }

func goesOn(to string) string { return to + ", and it goes on" }

func clockText(s string) string {
	switch s {
	case "proven":
		return "proven over all of it"
	case "none":
		return "not known for some of it"
	}
	return "not proven for some of it"
}

func bandName(name string) string {
	if name == "expected" {
		return "expected of a tight pipe"
	}
	return "fitted model"
}

// ledgerJudged says why a ledger's sum and the step's figures are grams apart.
const ledgerJudged = "A row's least and most differ by what no scale saw. As judged: at the end all weights are gone through once more, and the scale's noise and what it rounds widen the bounds (two standard errors)."

const (
	judgedApart = "Judged are the figures above, in which noise is set aside."
	goodCooling = "Good: by psychrometrics at each return's wet bulb, give or take %s (%s); without a humidity, what is good at any."
	goodHeating = "Good: 15 to 30 K, common practice, give or take %s (%s)."
	goodShare   = "Good: at least %s of the least split of the cooling or the heating check (%s)."

	severalTitle   = "What the step was looked at by"
	severalRows    = "Single readings, as drawn"
	airsTitle      = "Supply and return air, unit by unit"
	airsNote       = "Shaded is where the supply air was to lie, by the return air and the limits of the unit's split. The mark under an axis is when its result was given, the last time. Single readings; what was judged stands in the table."
	branchAirsNote = "Over each graph stands what the unit was asked. Its supply air is to follow that; where another room's follows instead, pipes or wires are crossed. Single readings; what was judged stands in the table."
)

func gapText(g Gap) string {
	length := notKnown
	if g.LengthS > 0 {
		length = rules.Span(g.LengthS)
	}
	what := "The box was without power"
	switch g.Why {
	case "restarted":
		what = "The program was started again"
	case "silent":
		what = g.Point + " gave nothing that could be used"
	}
	return fmt.Sprintf("Gap: %s, to %s. Length: %s.", what, momentText(g.Until), length)
}
