package rules

import (
	"fmt"
	"strings"
)

// Where the checks come from. What the unit maker's manual, the job's
// specification and local code say of them comes first.
const (
	byManual  = "the unit maker's installation manual"
	byDrawing = "the job's drawing and the unit maker's installation manual"
	bySafety  = practice + " and local safety rules"
)

// CheckPowerOff is the check that a sensor can contradict.
const CheckPowerOff = "indoor-power-off"

// CheckValvesOpen is the check that says the same as the mark valves-opened, and
// more: that mark does not settle it, since it says nothing of caps and leaks.
const CheckValvesOpen = "valves-open"

// tradeChecks is the list, in the order of the steps. A name never changes:
// records stand on it.
func tradeChecks() []Check {
	first := []string{"pressure-test"}
	return []Check{
		{Name: "pipe-sizes", Before: first, Source: byDrawing,
			Text: "Every pipe has the size that the drawing gives, liquid and gas lines, up to the last unit.",
			Why:  "One size wrong starves a room of refrigerant, or of the oil that must come back, and makes the calculated charge wrong."},
		{Name: "branch-order", Before: first, Source: byDrawing,
			Text: "Branch units and fittings sit in the drawn order and the right way up, and each indoor unit is on the port drawn for it.",
			Why:  "A unit on another's port answers the wrong room, and a fitting on its head shares the refrigerant unevenly. Now it is one joint; later it is a ceiling."},
		{Name: "lengths-heights", Before: first, Source: byManual,
			Text: "Lengths and differences of height are within the maker's limits: the longest run, from the first branch to the farthest unit, from outdoor to indoor units, and among indoor units.",
			Why:  "Beyond them the farthest rooms are short of refrigerant and oil stays in the pipes."},
		{Name: "no-oil-traps", Before: first, Source: byManual + "; " + practice,
			Text: "No pipe dips where the drawing has no trap; gas lines fall the way the maker wants; long runs can expand.",
			Why:  "Oil collects in a dip, and the compressor runs without it."},
		{Name: "joints", Before: first, Source: practice,
			Text: "Every joint was brazed with dry nitrogen flowing, and every flare is tightened to the maker's torque.",
			Why:  "Brazed without nitrogen the pipe scales inside, and the scale blocks expansion valves."},
		{Name: "nitrogen-rig", Before: first, Source: bySafety,
			Text: "Dry nitrogen stands ready: regulator and relief valve fitted, cylinder chained. What is rated below the test pressure is shut off or taken out.",
			Why:  "Test pressure tears what is not made for it. Never oxygen, compressed air or a fuel gas: with oil they explode."},
		{Name: "valves-shut", Before: []string{"pressure-test", "evacuation"}, After: "", Source: byManual,
			Text: "The outdoor units' service valves are shut and capped, each of them, gas and liquid.",
			Why:  "An open one lets nitrogen in among the factory charge, or the charge out into the pipework, and either test judges the wrong pipes."},
		{Name: "pressure-tag", Before: first, Source: bySafety,
			Text: "A tag UNDER PRESSURE, with the pressure and a telephone number, hangs at every place where somebody could open the pipework.",
			Why:  "Others work in the ceiling overnight. Who cuts a pipe at test pressure is hurt."},
		{Name: CheckPowerOff, Before: []string{"pressure-test", "evacuation", "vacuum-hold", "draw-in"}, Source: byManual + "; " + practice,
			Text: "Indoor and branch units are off and their isolators tagged, and they have never had power since the pipework was closed.",
			Why:  "At power-up expansion valves drive shut and cut the pipework into parts that neither pressure nor vacuum sees across. Valves shut by an earlier power-up stay shut: off now proves nothing."},

		{Name: "soap-search", Before: []string{"evacuation"}, After: "pressure-test", Source: practice,
			Text: "Under test pressure every joint, flare and valve was searched with leak soap, and nothing bubbled.",
			Why:  "Bubbles find what no gauge sees in a night: the record says how small a leak the gauge could have seen."},
		{Name: "vacuum-rig", Before: []string{"evacuation"}, Source: practice,
			Text: "Valve cores are out, hoses short and wide, the pump's oil fresh. The vacuum gauge sits at the end farthest from the pump, behind a valve of its own.",
			Why:  "A thin hose, not the pump, sets how fast water leaves. A gauge at the pump shows the pump; and it must be shut off before any nitrogen comes in."},

		{Name: "cylinder", Before: []string{"draw-in", "weigh-in"}, Source: practice + "; the unit's nameplate",
			Text: "The cylinder holds the refrigerant of the nameplate and stands so that liquid leaves it; gloves and goggles are on; somebody certified is there.",
			Why:  "A blend drawn off as vapour changes what it is made of, and another refrigerant means to recover all of it."},
		{Name: "no-ignition", Before: []string{"draw-in", "weigh-in"}, Source: bySafety, flammable: true,
			Text: "The place is aired, no flame or spark is near, the leak detector runs and the tools are made for A2L refrigerants. This box stands outside the cabinet, off the floor and a metre or more from joints.",
			Why:  "This refrigerant is flammable. The box, its relays and its battery are not made for that, and it is no gas detector."},

		{Name: "mains", Before: []string{"preheat"}, Source: "local electrical code; " + byManual,
			Text: "A qualified person has checked the outdoor units' supply: voltage, phases, protective earth and breaker.",
			Why:  "Mains work is for qualified persons. What is wrong here ruins a compressor in its first second."},
		{Name: "brackets-off", Before: []string{"preheat", "trial-run"}, Source: byManual,
			Text: "Transport brackets and bolts are off, at each compressor and fan that the manual names.",
			Why:  "A compressor that runs in its brackets shakes pipes until they break."},

		{Name: CheckValvesOpen, Before: []string{"unit-count", "weigh-in", "trial-run"}, After: "draw-in", Source: byManual + "; " + practice,
			Text: "After the draw-in and before any indoor power the service valves were opened fully, capped, and their stems and caps searched for leaks.",
			Why:  "With the valves shut, units that get power lock liquid in between two shut valves; as it warms, the pipe can burst. The box learns the moment by the mark Service valves opened."},
		{Name: "control-wires", Before: []string{"unit-count"}, Source: byDrawing,
			Text: "Control wires lead from unit to unit as drawn, tight in their terminals, apart from mains and never with mains on them.",
			Why:  "A loose or crossed wire loses units or exchanges two rooms; mains on it destroys every board along it."},
		{Name: "thermostats", Before: []string{"unit-count"}, Source: byDrawing,
			Text: "Thermostats and controllers are connected, each to the unit of its own room.",
			Why:  "A unit without one cannot be asked for anything, and two exchanged look like crossed pipes."},
		{Name: "counts-agreed", Before: []string{"weigh-in", "trial-run"}, After: "unit-count", Source: byManual + "; " + practice,
			Text: "Indoor, branch and outdoor units that answer are exactly those installed, and the supervisor has agreed to the numbers.",
			Why:  "A unit that does not answer is left out by the outdoor unit: charge and trial run are then wrong, and nothing says so."},

		{Name: "leak-search", Before: []string{"trial-run", "hand-over"}, After: "weigh-in", Source: practice + "; local law on refrigerants",
			Text: "After charging, flares, service valves, ports and every joint made since the pressure test were searched with a leak detector.",
			Why:  "These were open after the test: no test of this job has seen them under pressure."},
		{Name: "insulated", Before: []string{"trial-run"}, After: "pressure-test", Source: byDrawing,
			Text: "Liquid and gas lines are insulated each by itself, over joints and branch fittings too, and sealed; ducts are insulated and tight.",
			Why:  "A cold pipe drips into the ceiling, and a bare liquid line arrives with flash gas in it. A joint is covered only after its leak search."},
		{Name: "drains", Before: []string{"trial-run", "cooling-check"}, Source: byDrawing,
			Text: "Drains are connected, glued and trapped with fall all the way, and a jug of water ran through each.",
			Why:  "Half an hour of cooling makes water. A drain that is only pushed together lets go over a ceiling."},
		{Name: "airways", Before: []string{"cooling-check"}, Source: practice,
			Text: "Filters are in and clean, grilles open, dampers set, tape and dust sheets off.",
			Why:  "Too little air looks like a good split, and like a fault later."},

		{Name: "charge-label", Before: []string{"hand-over"}, After: "weigh-in", Source: byManual + "; local law on refrigerants",
			Text: "The charge label is filled in and fixed inside the panel: refrigerant, factory charge, added and total, date and name.",
			Why:  "Whoever opens the system next has nothing else to go by."},
		{Name: "closed-up", Before: []string{"hand-over"}, Source: practice,
			Text: "Caps are on and tight, panels shut, hoses, probes and tags of the start-up taken off, and what was set differently is set back.",
			Why:  "A cap is the valve's seal, and a tag that stays makes the next one worth nothing."},
	}
}

// Sentences of checks in findings.

// begunWithOpen says "not done yet" of a check, never "open": that could be a valve.
func begunWithOpen(step string, open []CheckState) string {
	var names []string
	for _, c := range open {
		name := checkWord(c.Name)
		if c.State == CheckWrong {
			name += " (found wrong)"
		}
		names = append(names, name)
	}
	if len(open) == 1 {
		return fmt.Sprintf("%s was begun while a check that no sensor makes was not done yet: %s. No reading shows it. Look at it and tick it, or write down why it is left undone.", stepWord(step), names[0])
	}
	return fmt.Sprintf("%s was begun while %d checks that no sensor makes were not done yet: %s. No reading shows them. Look at each and tick it, or write down why it is left undone.",
		stepWord(step), len(open), strings.Join(names, ", "))
}

func tickUnclear(check string) string {
	return fmt.Sprintf("A checked mark names %s but not how it is, so nothing was ticked. Its note is kept. Write the name, then one of %s, then a colon and the remark: %s done: what was seen.",
		checkWord(check), strings.Join(checkStates, ", "), check)
}

func tickUnlisted(check string) string {
	return fmt.Sprintf("A checked mark ticks %q, and no check of this job has that name, so nothing was ticked. Its note is kept. The names stand on the page Checks; a check of the job's own stands in the site file. Tell it again by its name.", check)
}

// wasTicked says that somebody had checked what power now contradicts.
func wasTicked(m CheckMark) string {
	by := m.By
	if by == "" {
		by = "somebody who gave no name"
	}
	return fmt.Sprintf(" It had been checked off and tagged (by %s): find out who switched it on.", by)
}

func checkWord(name string) string { return strings.ReplaceAll(name, "-", " ") }
