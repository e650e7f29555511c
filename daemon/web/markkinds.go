package web

import (
	"slices"

	"standwatch/sensors"
)

// markKind is a mark a person can enter on a page: what it asks for.
type markKind struct {
	Name     string
	Value    sensors.Dimension // NoDimension: asks for no value
	Units    []string          // offered, the first one first
	Needs    bool              // the value must be given
	NeedNote bool
	Of       string   // "step": the note begins with a step's name
	Steps    []string // where it is offered; nil: at every step
}

// The marks of the contract that a person enters. acknowledged stands on the
// Flags page; clock-set and power-cut are the box's own.
var markKinds = []markKind{
	{Name: "pump-started", Steps: []string{"evacuation"}},
	{Name: "pump-stopped", Steps: []string{"evacuation", "vacuum-hold"}},
	{Name: "isolated", Steps: []string{"pressure-test", "evacuation", "vacuum-hold"}},
	{Name: "nitrogen-break", Value: sensors.Pressures, Units: []string{"psi", "kPa", "bar"}, Steps: []string{"evacuation"}},
	{Name: "oil-changed", Steps: []string{"evacuation"}},
	{Name: "cylinder-swapped", Steps: []string{"draw-in", "weigh-in"}},
	{Name: "cylinder-weight", Value: sensors.Masses, Units: []string{"kg", "lb"}, Needs: true, Steps: []string{"draw-in", "weigh-in"}},
	{Name: "scale-zeroed", Steps: []string{"draw-in", "weigh-in"}},
	{Name: "valves-opened", Steps: []string{"draw-in", "preheat", "unit-count", "weigh-in", "trial-run"}},
	{Name: "power-off", Steps: []string{"preheat"}},
	{Name: "power-on", Steps: []string{"preheat"}},
	{Name: "counted", Value: sensors.Ratios, Units: []string{"1"}, Needs: true, Steps: []string{"unit-count"}},
	{Name: "unit-found", NeedNote: true, Steps: []string{"unit-count", "branch-check"}},
	{Name: "setting", NeedNote: true, Steps: []string{"unit-count", "trial-run", "hand-over"}},
	{Name: "fault-code", NeedNote: true, Steps: []string{"unit-count", "trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run"}},
	{Name: "checked", NeedNote: true},
	{Name: "note", NeedNote: true},
	{Name: "typed", Value: sensors.Temperatures, Units: []string{"C", "F", "%"}, Needs: true, NeedNote: true, Steps: []string{"cooling-check", "heating-check", "mixed-run"}},
	{Name: "placed", NeedNote: true},
	{Name: "calibrated", NeedNote: true},
	{Name: "reported", NeedNote: true, Of: "step"},
	{Name: "accepted", NeedNote: true, Of: "step"},
}

// commands are what an indoor unit can be asked to do.
var commands = []string{"off", "fan", "cool", "heat"}

// usualCommand is what a step asks of its units.
var usualCommand = map[string]string{"trial-run": "cool", "cooling-check": "cool", "heating-check": "heat"}

// commanded are the steps during which indoor units are asked to do things.
var commanded = []string{"trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run"}

func markByName(name string) (markKind, bool) {
	for _, m := range markKinds {
		if m.Name == name {
			return m, true
		}
	}
	return markKind{}, false
}

// marksFor are the marks offered at a step: its own first.
func marksFor(step string) (own, common []markKind) {
	for _, m := range markKinds {
		switch {
		case m.Steps == nil:
			common = append(common, m)
		case slices.Contains(m.Steps, step):
			own = append(own, m)
		}
	}
	return own, common
}
