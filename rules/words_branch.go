package rules

import (
	"fmt"
	"strings"
	"time"
)

// The sentences of the branch check.

// crossing is a command that another room answered.
type crossing struct {
	unit, answers string
	k             float64
	valved        bool
}

// branchWords is what the sentences about a branch check are made of.
type branchWords struct {
	units, straight int
	least           float64
	settle          time.Duration
	passing         []string // sentences about second answers
	also            string   // what else is to be said of units that did not answer rightly
}

// branchAlso names the units of which something is missing.
func branchAlso(half, dead, blind, untried, unclear, shared []string) (s string) {
	for _, x := range []struct {
		units []string
		said  string
	}{
		{half, "Answered only when others were asked as well: %s."},
		{dead, "Nothing answered %s."},
		{blind, "No supply air is measured at %s."},
		{untried, "Not asked to heat or cool for long enough: %s."},
		{unclear, "Not clear which room follows %s (a defrost may have covered its run)."},
		{shared, "Two units claim the sensor %s: each needs one of its own."},
	} {
		if len(x.units) > 0 {
			s += " " + fmt.Sprintf(x.said, few(x.units))
		}
	}
	return s
}

// few lists some things, and says how many are left out.
func few(list []string) string {
	const most = 6
	if len(list) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(list[:most], ", "), len(list)-most)
	}
	if n := len(list); n > 1 {
		return strings.Join(list[:n-1], ", ") + " and " + list[n-1]
	}
	return strings.Join(list, "")
}

func whoAnswered(all []crossing) string {
	var parts []string
	for _, c := range all {
		parts = append(parts, fmt.Sprintf("what was asked of %s came in %s, by %s", c.unit, c.answers, kelvin(c.k)))
	}
	return few(parts)
}

const crossedMeans = "Pipes or control wires are crossed, or supply sensors are exchanged: the readings cannot tell which. Look first whether each sensor hangs in its room, then, with the power of both units off (a qualified person, and the maker's waiting time), exchange one control wire and try again; pipes are opened only by who is licensed to."

func pipesCrossed(rooms []string, all []crossing) string {
	return fmt.Sprintf("%s are crossed: %s. %s", few(rooms), whoAnswered(all), crossedMeans)
}

// branchSeems says what is half seen of a crossing.
func branchSeems(all []crossing) string {
	if len(all) == 0 {
		return ""
	}
	return fmt.Sprintf(" It seems that %s, but the room that this would leave was not answered by the other: that is no proof. Ask both alone once more.", whoAnswered(all))
}

func branchCrossed(w branchWords, all []crossing) string {
	return fmt.Sprintf("Branch check failed: %s. %s %s%s%s", whoAnswered(all), crossedMeans, rightly(w), w.also, also(w.passing))
}

func rightly(w branchWords) string {
	return fmt.Sprintf("%d of %d units answered in their own rooms.", w.straight, w.units)
}

func also(sentences []string) string {
	if len(sentences) == 0 {
		return ""
	}
	return " " + strings.Join(sentences, " ")
}

func valvePassing(rooms []string, k float64) string {
	return fmt.Sprintf("What was asked of %s came in its own room and by %s in %s, too: that branch's valve passes, or the two share a duct. Look for the duct first, then feel the branch's pipes (they may be hot enough to burn).",
		rooms[0], kelvin(k), rooms[1])
}

func branchNotSo() string {
	return "What was asked and measured since does not bear it out any more."
}

func branchTooShort(given, least time.Duration) string {
	return fmt.Sprintf("branch-check: settle: %s is too short for an answer to be read; the branch check leaves each command %s", span(given), span(least))
}

func settleStretched(given time.Duration, source string) string {
	return fmt.Sprintf("the least in which an answer can be read; %s by %s is too short", span(given), source)
}

func branchNoUnits() string {
	return "Branch check not proven: the site file names no indoor units, so nobody can say who answers whom. Add them under indoor_units with their supply points, and begin the step again."
}

func branchNoCommands() string {
	return "Branch check not proven: no unit was asked to heat or to cool, or nobody told the box. Ask the units as the plan says, tell the box what each was asked for, and begin again."
}

func branchNothingAnswered(asked int, warm bool, outdoorC, ceilingC float64) string {
	s := fmt.Sprintf("Branch check not proven: %d units were asked and not one room answered, so the system was not running or not in that mode. ", asked)
	if warm {
		return s + fmt.Sprintf("It is %s outdoors, and units refuse to heat above %s (the maker's own figure comes first): try in cooling.", Celsius.Text(outdoorC), Celsius.Text(ceilingC))
	}
	return s + "Look at the outdoor unit and its fault codes, and whether the commands reached the units."
}

func branchDead(w branchWords, dead []string, paired bool) string {
	does := "Its valve or its branch does not open, one of its pipes is crossed, or its command does not reach it. Look at its fault code and its wiring first (mains: for a qualified person), and ask it alone once more."
	switch {
	case paired:
		does = "Nor were they when they were asked for opposite things at once: a valve or a branch that does not open, or only one pipe of a pair that is crossed."
	case len(dead) > 1:
		does = "Two rooms that answer nothing are the usual sign of a crossed pair, for each one's port opens toward the other room, where the valve is shut. Ask one of them to heat and the other to cool at once, and look again."
	}
	return fmt.Sprintf("Branch check failed: %s%s %s%s", rightly(w), w.also, does, also(w.passing))
}

func branchHalf(w branchWords) string {
	return fmt.Sprintf("Branch check failed: %s%s That is the sign of one pipe of a pair exchanged, the liquid or the gas: what goes out by one unit's pipe can come back only by the other's. A defrost may have taken their answers, too: ask each alone once more, then follow both of its pipes; pipes are opened only by who is licensed to.%s",
		rightly(w), w.also, also(w.passing))
}

func branchPassing(w branchWords) string {
	return fmt.Sprintf("Branch check failed: %s%s%s", rightly(w), also(w.passing), w.also)
}

func branchNotProven(w branchWords, do string) string {
	return fmt.Sprintf("Branch check not proven: %s%s %s", rightly(w), w.also, do)
}

func branchStraight(w branchWords) string {
	return fmt.Sprintf("Branch check passed: each of %d units is answered in its own room and in no other, the weakest by %s.", w.units, kelvin(w.least))
}

// What to ask.

// fewOrMany names units where they are few; the list of a run stands beside its sentence.
func fewOrMany(units []string) string {
	if len(units) > 3 {
		return fmt.Sprintf("%d units", len(units))
	}
	return few(units)
}

func branchAsk(heat, cool []string, rest int, settle time.Duration) string {
	others := ""
	if rest > 0 {
		others = fmt.Sprintf(", the other %d to run their fans only", rest)
	}
	switch {
	case len(heat) == 0 && len(cool) == 0:
		return fmt.Sprintf("Ask all %d units to run their fans only, and leave them so for %s: what comes later is held against this.", rest, span(settle))
	case len(heat) > 0 && len(cool) > 0:
		return fmt.Sprintf("Ask %s to heat and %s to cool%s, all at once, and leave them so for %s.", fewOrMany(heat), fewOrMany(cool), others, span(settle))
	case len(heat) > 0:
		return fmt.Sprintf("Ask %s to heat%s, and leave them so for %s.", fewOrMany(heat), others, span(settle))
	}
	return fmt.Sprintf("Ask %s to cool%s, and leave them so for %s.", fewOrMany(cool), others, span(settle))
}

// branchStand is how a branch check stands.
type branchStand struct {
	elapsed                time.Duration
	units, tried, straight int
	crossed                []crossing
	dead, blind            []string
	running                *Ask
}

func branchStands(w branchStand) string {
	s := fmt.Sprintf("Branch check, %s.", span(w.elapsed))
	switch {
	case w.units == 0:
		return s + " No indoor unit is known to the site file."
	case w.tried == 0:
		s += fmt.Sprintf(" None of %d units tried yet.", w.units)
	case w.straight+len(w.crossed)+len(w.dead) == 0: // by halves nothing can be told apart before the last of them
		s += fmt.Sprintf(" %d of %d units asked; too early to tell who answers whom.", w.tried, w.units)
	default:
		s += fmt.Sprintf(" %d of %d units asked, %d answered rightly.", w.tried, w.units, w.straight)
	}
	if len(w.crossed) > 0 {
		var units []string
		for _, c := range w.crossed {
			units = append(units, c.unit)
		}
		s += fmt.Sprintf(" Crossed: %s.", few(units))
	}
	if len(w.dead) > 0 {
		s += fmt.Sprintf(" Nothing answered %s.", few(w.dead))
	}
	if len(w.blind) > 0 {
		s += fmt.Sprintf(" No supply air is measured at %s: without a sensor the check cannot pass.", few(w.blind))
	}
	if w.running == nil {
		s += " The plan is done: end the step."
	}
	return s
}

func branchItself(k float64) string { return fmt.Sprintf("Its own room answered, by %s.", kelvin(k)) }

func branchOther(room string, k float64) string {
	return fmt.Sprintf("What was asked of it came in %s, by %s.", room, kelvin(k))
}

func branchOnlyBeside() string { return "Its room answered only when others were asked as well." }

func branchNobody() string { return "No room answered it." }

func branchNoSensor(unit string) string {
	return fmt.Sprintf("%s has no supply sensor of its own: nothing can be said of its room. Add one under points.", unit)
}

// Split against command, in whatever step.

func splitIsOpposed(unit, asked string, supplyC, returnC float64, long time.Duration) string {
	does := "heats"
	if asked == "heat" {
		does = "cools"
	}
	return fmt.Sprintf("%s is asked to %s but %s: supply %s, return %s, for %s now. Its pipes or control wires may be crossed with another room's, or its supply and return sensors exchanged. Look at the sensors, then make a branch check.",
		unit, asked, does, Celsius.Text(supplyC), Celsius.Text(returnC), span(long))
}

func splitObeys(unit, asked string) string {
	return fmt.Sprintf("%s does what it is asked again (%s).", unit, asked)
}
