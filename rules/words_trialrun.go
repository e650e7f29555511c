package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// The sentences of the trial run, of the discharge and of the drain pan.

// trialPart is one figure: a superheat, a subcooling, what a line loses.
type trialPart struct {
	name, place string
	v           view
	aim         aim
	surely      bool // outside its limits beyond its doubt
}

// what names the figure: superheat, superheat at ou1.
func (p trialPart) what() string {
	if p.place == "" {
		return p.name
	}
	return p.name + " at " + p.place
}

func (p trialPart) doubt() string { return ", give or take " + Kelvin.Doubt(p.v.uK) }

func (p trialPart) line() bool { return p.name == "line loss" }

// range says what is good, and by whom.
func (p trialPart) within() string {
	source, _, _ := strings.Cut(p.aim.most.Source, ";")
	if p.line() {
		return fmt.Sprintf("at most %s (%s)", Kelvin.Text(p.aim.most.Value), source)
	}
	if low, _, _ := strings.Cut(p.aim.least.Source, ";"); low != source {
		source = low + "; " + source
	}
	return fmt.Sprintf("%s to %s (%s)", Kelvin.Number(p.aim.least.Value), Kelvin.Text(p.aim.most.Value), source)
}

func (p trialPart) said() string {
	if p.line() {
		return fmt.Sprintf("The liquid loses %s%s, on its way to %s; good is %s", kelvin(p.v.k), p.doubt(), p.place, p.within())
	}
	return fmt.Sprintf("%s %s%s; good is %s", upper(p.what()), kelvin(p.v.k), p.doubt(), p.within())
}

func (p trialPart) outside() string {
	switch {
	case p.line() && p.v.k > 0:
		return fmt.Sprintf("the liquid loses %s on its way to %s, more than %s", kelvin(p.v.k), p.place, Kelvin.Text(p.aim.most.Value))
	case p.line():
		return fmt.Sprintf("the liquid gains %s on its way to %s, more than %s", kelvin(-p.v.k), p.place, Kelvin.Text(p.aim.most.Value))
	case p.v.k > p.aim.most.Value:
		return fmt.Sprintf("%s %s is above %s", p.what(), kelvin(p.v.k), Kelvin.Text(p.aim.most.Value))
	}
	return fmt.Sprintf("%s %s is below %s", p.what(), kelvin(p.v.k), Kelvin.Text(p.aim.least.Value))
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// means says what a figure alone suggests and what to do.
func (p trialPart) means() string {
	switch high := p.v.k > p.aim.most.Value; {
	case p.name == "superheat" && high:
		return "The evaporators get too little liquid: too little charge, a valve that opens too little, or a restriction."
	case p.name == "superheat":
		return "Liquid may come back to the compressor: too much charge, a valve that stays open, or little air over the coils. Press the clamp on and insulate it first."
	case p.name == "subcooling" && high:
		return "Liquid backs up in the condenser: too much charge, a restriction, or air in the system."
	case p.name == "subcooling":
		return "Vapour may be in the liquid line: too little charge."
	case high:
		return "Look for bare pipe, and for a place where it gets cold at once: there a valve is part shut, a dryer clogged or the pipe kinked, and liquid boils."
	}
	return "Look for bare pipe in the sun or in a hot ceiling."
}

func trialIsOff(p trialPart, hint string) string {
	s := fmt.Sprintf("%s%s, steady over 10 min. ", upper(p.outside()), p.doubt())
	if !p.v.steady {
		s = fmt.Sprintf("%s%s, and has been all of the last 10 min. ", upper(p.outside()), p.doubt())
	}
	if s += p.means(); hint != "" {
		s += " " + hint
	}
	if p.line() {
		return s + " To be sure, exchange the two clamps and look again."
	}
	return s + " The unit maker's own range comes first."
}

func trialIsGood(p trialPart) string {
	if p.line() {
		return fmt.Sprintf("The liquid loses %s on its way to %s; good is %s.", kelvin(p.v.k), p.place, p.within())
	}
	return fmt.Sprintf("%s is back where it should be: %s, good is %s.", upper(p.what()), kelvin(p.v.k), p.within())
}

func trialIfAbsolute(otherK float64) string {
	return fmt.Sprintf("If the gauge shows absolute pressure, it would be %s: it must read zero in open air.", Kelvin.Text(otherK))
}

func trialMayFlash(subcoolingK float64) string {
	return fmt.Sprintf("It is more than the liquid's subcooling of %s.", Kelvin.Text(subcoolingK))
}

// trialWords is what the sentences about a whole run are made of.
type trialWords struct {
	elapsed, lasts, settle time.Duration
	parts                  []trialPart
	discharge              string // the hottest line; empty: none measured
	dischargeC             float64
	mostC                  Setting
	headK                  float64 // not a number: not known
	drain                  string  // a pan that stands high
	codes                  []string
	own                    string
	unfitted, idle         []string
	said                   []string // figures that need no repeating
	hint                   string
	overAtm                float64 // stood above saturation at rest
	barometer, charging    bool

	runFrom       time.Duration
	stands        bool
	missing       []string
	silent        string
	quiet         time.Duration
	result, cause string
}

// measured lists the figures with what is good, without those already said.
func (w trialWords) measured() string {
	var all []string
	for _, p := range w.parts {
		if !slices.Contains(w.said, p.what()) {
			all = append(all, p.said()+".")
		}
	}
	if w.discharge != "" && !slices.Contains(w.said, w.discharge) {
		all = append(all, fmt.Sprintf("Discharge %s, at most %s.", figureC(w.dischargeC), Celsius.Text(w.mostC.Value)))
	}
	if len(all) == 0 {
		return ""
	}
	if !w.barometer && len(w.parts) > 0 {
		all = append(all, "No barometer: the standard atmosphere was taken, which is too much on a mountain.")
	}
	if len(w.unfitted) > 0 {
		all = append(all, fmt.Sprintf("Not fitted, so not judged: %s.", strings.Join(w.unfitted, ", ")))
	}
	return " " + strings.Join(all, " ")
}

func figureC(c float64) string { return Celsius.Beside(Fahrenheit, c) }

// beside says what was entered by hand and how the run was asked for.
func (w trialWords) beside() (s string) {
	if w.own != "" {
		s += fmt.Sprintf(" The unit's own result, as entered: %s.", w.own)
	}
	if n := len(w.idle); n > 0 {
		few := strings.Join(w.idle[:min(4, n)], ", ")
		if n > 4 {
			few += ", ..."
		}
		s += fmt.Sprintf(" Not asked to cool: %s. So this was not the full cooling run.", few)
	}
	if w.overAtm > 0 {
		s += fmt.Sprintf(" At rest both pressures stood %.1f atmospheres above saturation at the outdoor air's temperature: a warmer building does that, air in the system, or gauges that show absolute pressure. In open air they must read zero.", w.overAtm)
	}
	if w.charging {
		s += " A weigh-in was still under way: the charge may have changed."
	}
	return s
}

func trialPassed(w trialWords) string {
	return "Trial run passed: steady, and within its limits." + w.measured() + w.beside() + " Go on with the cooling check."
}

var trialSuggests = map[string]string{
	"short-of-charge": "Together that suggests too little charge, which is a suspicion and no finding. Hold it against the weighed charge and look for a leak before any is added; certified persons only.",
	"overcharge":      "Together that suggests too much charge, which is a suspicion and no finding. Hold it against the weighed charge; what is too much is recovered by weight into a recovery cylinder, by certified persons only.",
	"restriction":     "Together that suggests a restriction, which is a suspicion and no finding: a service valve not fully open, a clogged dryer, a kinked pipe. Look for a place where the liquid line gets cold at once.",
	"flooding":        "Together that suggests flooding, which is a suspicion and no finding: an expansion valve that stays open or hunts, and liquid on its way to the compressor. Stop the run if the compressor's shell turns cold.",
	"hunting":         "Together, and with that swing, it suggests a hunting expansion valve, which is a suspicion and no finding: look at its sensor clamps and at the load.",
	"superheat-high":  "That suggests that the evaporators are starved, a suspicion and no finding: a valve that opens too little, a charge a little short, a restriction.",
	"superheat-low":   "That suggests liquid on its way to the compressor, a suspicion and no finding: a valve that opens too far, little air over the coils, or a clamp that does not sit. Press the clamp on, insulate it and look again first.",
	"subcooling-high": "That suggests somewhat too much charge or liquid backing up, a suspicion and no finding. Hold it against the weighed charge.",
	"subcooling-low":  "That suggests vapour in the liquid line, a suspicion and no finding: a charge a little short, or a clamp that does not sit. Press the clamp on, insulate it and look again first.",
	"air-left-in":     "With the pressure so high above the outdoor air that suggests air left in, which is a suspicion and no finding: a dirty coil, or one that draws in its own hot air, looks the same. Look at the coil first; then stand the system still and hold its pressure against the outdoor air's.",
}

func trialFailed(cause string, w trialWords) string {
	var out []string
	for _, p := range w.parts {
		if p.surely && (!p.line() || cause == "line-heat-loss") {
			out = append(out, p.outside()+p.doubt())
			w.said = append(w.said, p.what())
		}
	}
	first, do := strings.Join(out, "; "), trialSuggests[cause]
	if (cause == "superheat-low" || cause == "superheat-high") && w.hint != "" {
		do += " " + w.hint
	}
	switch cause {
	case "fault-code":
		w.said = nil
		first = "the unit shows " + strings.Join(w.codes, ", ")
		do = "See the unit maker's list for it. Once its reason is gone, enter the code again with the word cleared, or begin the run again."
	case "own-result":
		w.said = nil
		first = "the unit's own result is entered as: " + w.own
		do = "The unit maker's instructions say what it means. Begin the run again once it is mended."
		w.own = ""
	case "discharge-too-hot":
		w.said = append(w.said, w.discharge)
		first = fmt.Sprintf("%s is at %s, above %s", w.discharge, figureC(w.dischargeC), Celsius.Text(w.mostC.Value))
		do = "Oil and windings suffer: find out why before the compressor runs on. Too little charge, a restriction, a dirty coil and air in the system all do it."
	case "line-heat-loss":
		do = "Look for bare pipe, and for a place where it gets cold at once."
	case "drain-rising":
		w.said = nil
		first = "water stands high in the drain pan, by " + w.drain
		do = "Clear its drain before it runs over."
	case "air-left-in":
		first += fmt.Sprintf(", and it condenses %s above the outdoor air", kelvin(w.headK))
	}
	if cause == "overcharge" && w.headK > headOverK {
		do += fmt.Sprintf(" It condenses %s above the outdoor air: air left in looks alike.", kelvin(w.headK))
	}
	return fmt.Sprintf("Trial run failed: %s. %s%s%s", first, do, w.measured(), w.beside())
}

func trialNotProven(why string, w trialWords) string {
	if strings.HasPrefix(why, "before the start") {
		w.overAtm = 0
	}
	for _, p := range w.parts {
		if strings.HasPrefix(why, p.what()+" is") {
			w.said = append(w.said, p.what())
		}
	}
	return "Trial run not proven: " + why + w.measured() + w.beside()
}

func trialWants(name string, roles []string, noTable bool) string {
	switch {
	case len(roles) > 0:
		return fmt.Sprintf("%s: no %s", name, strings.Join(roles, ", no "))
	case noTable:
		return name + ": the site file names no refrigerant"
	}
	return name + ": no two points go together"
}

func trialMissing(why []string) string {
	return fmt.Sprintf("what it takes is not measured (%s). Add what is missing to the site file with its role and begin the run again.", strings.Join(why, "; "))
}

func trialSilent(point string, quiet time.Duration, heard bool) string {
	if !heard {
		return fmt.Sprintf("%s was never heard. Look at the instrument and its cable and begin the run again.", point)
	}
	return fmt.Sprintf("%s has not been heard for %s. Look at the instrument and its cable and begin the run again.", point, span(quiet))
}

func trialGap(of string, since, lasts time.Duration) string {
	return fmt.Sprintf("%s was silent for more than 10 min, and nobody knows what happened meanwhile. %s have been measured since; let it run on for the whole %s, or begin the run again.", of, upper(span(since)), span(lasts))
}

func trialShort(now, lasts time.Duration) string {
	return fmt.Sprintf("it was ended after %s. Let it run for the whole time: a run that has not lasted shows too little.", ofSpan(now, lasts))
}

func trialStands(ran bool, since time.Duration) string {
	if ran {
		return fmt.Sprintf("the compressor has stood still since %s after the begin: both pressures are alike. Find out why it stopped and begin the run again.", span(since))
	}
	return "the compressor never ran: both pressures stayed alike. Start the unit's cooling run and begin the step again."
}

func trialExchanged(suction, liquid string) string {
	return fmt.Sprintf("the suction pressure (%s) stands above the liquid pressure (%s), and nothing boils hotter than it condenses. The two gauges, their hoses or their names in the site file are likely exchanged: put that right and begin the run again. No figure of theirs can be relied on.", suction, liquid)
}

const trialOddSuperheat = "So much is rarely the refrigerant's doing: see first that the clamp sits on the suction line, and that clamp and gauge speak the unit that the site file gives them."

func trialAbsurd(p trialPart) string {
	s := fmt.Sprintf("%s comes out at %s, which cannot be, so what is measured is not what stands in the pipe.", p.what(), kelvin(p.v.k))
	if p.name == "superheat" {
		return s + " The gauge may show absolute pressure where gauge pressure is expected, the clamp may not sit on the suction line, or another refrigerant is in the system. In open air the gauge must read zero."
	}
	return s + " The clamp may not sit on the liquid line, the gauge may read too little, or another refrigerant is in the system."
}

func trialAbsolute(atm, c float64, fluid string) string {
	return fmt.Sprintf("before the start both pressures stood %.1f atmospheres above what %s has at the %s all around. The gauges seem to show absolute pressure where gauge pressure is expected: in open air they must read zero. If they do, air is in the system. No figure below can be relied on.", atm, fluid, Celsius.Text(c))
}

func trialHunts(p trialPart) string {
	return fmt.Sprintf("%s swings by about %s every %s: that suggests a hunting expansion valve, which is normal in the first 15 min and a suspicion after. Look at its sensor clamps and at the load, and let it run on.", p.what(), kelvin(p.v.waveK), minutes(p.v.periodM))
}

func minutes(m float64) string { return fmt.Sprintf("%.0f min", m) }

func trialUnsteady(p trialPart) string {
	if math.Abs(p.v.driftK) > driftMostK {
		return fmt.Sprintf("%s was not steady: it went by %s K in 10 min. Let it run on until it stands.", p.what(), WithSign(p.v.driftK, 1))
	}
	return fmt.Sprintf("%s was not steady: it went between %s and %s in 10 min. Let it run on until it stands.", p.what(), Kelvin.Number(p.v.lowK), Kelvin.Text(p.v.highK))
}

func trialTooFew(ran, settle time.Duration) string {
	return fmt.Sprintf("it ran for %s since its start or the last change of charge, of which the first %s settle: too little is left to judge. Let it run on.", span(max(0, ran)), span(settle))
}

func trialClose(p trialPart) string {
	edge := p.aim.least.Value
	if p.v.k > (p.aim.least.Value+p.aim.most.Value)/2 {
		edge = p.aim.most.Value
	}
	return fmt.Sprintf("%s is %s%s: too near its limit of %s to call with these instruments. Measure again with better ones, and see the unit maker's own range.", p.what(), Kelvin.Text(p.v.k), p.doubt(), Kelvin.Text(edge))
}

// trialStandsSo is the sentence at the top of the screen.
func trialStandsSo(w trialWords) string {
	s := fmt.Sprintf("Trial run, %s.", ofSpan(w.elapsed, w.lasts))
	if w.result != "" {
		s = fmt.Sprintf("Trial run %s.", strings.ReplaceAll(w.result, "-", " "))
	}
	var now []string
	for _, p := range w.parts {
		if !p.line() || p.v.k > p.aim.most.Value {
			state := "steady"
			switch {
			case p.v.hunts:
				state = fmt.Sprintf("swinging every %s", minutes(p.v.periodM))
			case !p.v.steady:
				state = "not steady yet"
			case p.v.k > p.aim.most.Value:
				state = "high"
			case p.v.k < p.aim.least.Value:
				state = "low"
			}
			now = append(now, fmt.Sprintf("%s %s, %s", p.what(), kelvin(p.v.k), state))
		}
	}
	switch {
	case len(w.codes) > 0:
		s += fmt.Sprintf(" The unit shows %s.", strings.Join(w.codes, ", "))
	case w.drain != "":
		s += fmt.Sprintf(" Water stands high in the drain pan, by %s.", w.drain)
	case len(w.missing) > 0:
		s += fmt.Sprintf(" It cannot be proven: %s.", strings.Join(w.missing, "; "))
	case w.silent != "":
		s += fmt.Sprintf(" %s was last heard %s ago.", w.silent, span(w.quiet))
	case w.stands:
		s += " The compressor stands still: both pressures are alike."
	case w.elapsed-w.runFrom < w.settle:
		s += fmt.Sprintf(" The first %s settle.", span(w.settle))
	}
	if len(now) > 0 {
		s += " " + upper(strings.Join(now, "; ")) + "."
	}
	return s
}

// The discharge and the drain pan.

func dischargeIsHot(point string, c float64, most Setting) string {
	source, _, _ := strings.Cut(most.Source, ";")
	return fmt.Sprintf("%s is at %s, above %s (%s). Oil breaks down and windings suffer: stop the compressor by the unit's own control unless the maker allows more, and look for too little charge, a restriction, a dirty coil or air in the system.",
		point, figureC(c), Celsius.Text(most.Value), source)
}

func dischargeCooler(point string, c float64) string {
	return fmt.Sprintf("%s is down to %s.", point, figureC(c))
}

func drainIsHigh(point string, float bool) string {
	how := "the level in the drain pan goes on rising"
	if float {
		how = "the float switch in the drain pan is on: water stands high"
	}
	return fmt.Sprintf("%s: %s. Stop the cooling there and clear the drain before it runs over.", point, how)
}

func drainFell(point string) string {
	return fmt.Sprintf("%s: the water in the drain pan no longer stands high.", point)
}
