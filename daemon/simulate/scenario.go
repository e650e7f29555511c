package simulate

import "strings"

// Scenario is one way the night can go.
type Scenario struct {
	Name    string
	Doc     string   // one sentence: what happens
	Story   []string // what to expect, in the order of the night
	Flags   []string // the flags that this night raises, each at least once
	Perhaps []string // flags that some of its nights raise besides; there are no others

	leak, wet, scaleOff, battery, weak, over, probe, crossed bool
}

// DefaultScenario is the one with the most to see.
const DefaultScenario = "eventful"

// Scenarios lists the nights that can be played.
func Scenarios() []Scenario { return append([]Scenario(nil), scenarios...) }

func names() string {
	var ns []string
	for _, s := range scenarios {
		ns = append(ns, s.Name)
	}
	return strings.Join(ns, ", ")
}

// Every night's charge comes near its target, and that is told each time.
var scenarios = []Scenario{
	{
		Name: "eventful", Doc: "the scale's battery runs down, it falls silent during the weigh-in, and one room stays weak",
		Story: []string{
			"The scale's battery runs low in the evening; nobody changes it.",
			"The vacuum hold passes.",
			"During the weigh-in the scale falls silent for some minutes; when it comes back with a new battery, its gross weight bridges the gap.",
			"Room iu07 cools and heats at less than half of what it should.",
		},
		Flags:    []string{"battery-low", "scale-silent", "charge-near-target", "split-poor", "copies-due"},
		scaleOff: true, battery: true, weak: true,
	},
	{
		Name: "good-night", Doc: "all goes well",
		Story: []string{"Every step passes. The only call is the one to close the valve when the charge is nearly in."},
		Flags: []string{"charge-near-target", "copies-due"},
	},
	{
		Name: "scale-off", Doc: "the charging scale falls asleep during the weigh-in and is woken again",
		Story:    []string{"The scale falls silent with some two kilograms to go: a message at its silence limit, a wake call at 60 s. It comes back with its gross weight, and the gap is bridged."},
		Flags:    []string{"scale-silent", "charge-near-target", "copies-due"},
		scaleOff: true,
	},
	{
		Name: "leak", Doc: "a flare nut leaks: the first vacuum hold fails, it is found and tightened, the second passes",
		Story: []string{"The first hold rises steadily and passes 500 micron after about half an hour; that is foretold some minutes before.", "The nut at iu07 is found with nitrogen and bubbles.", "The second hold passes."},
		Flags: []string{"vacuum-rising", "charge-near-target", "copies-due"},
		leak:  true,
	},
	{
		Name: "wet", Doc: "water is left in the pipe: the first vacuum hold rises toward a plateau above its limit",
		Story: []string{"The first hold rises fast, then ever more slowly, and passes 500 micron.", "Nitrogen breaks and long pumping dry the pipe; the second hold passes."},
		Flags: []string{"vacuum-rising", "charge-near-target", "copies-due"},
		// By how long its pool stands at water's pressure, and how far it cools itself, before the first break.
		Perhaps: []string{"vacuum-stalled", "freezing-risk"},
		wet:     true,
	},
	{
		Name: "overcharge", Doc: "the cylinder valve is closed too late",
		Story: []string{"The message that the charge is nearly in goes unheeded, and a quarter of a kilogram too much goes in."},
		Flags: []string{"charge-near-target", "charge-over-target", "copies-due"},
		over:  true,
	},
	{
		Name: "weak-room", Doc: "one room's expansion valve opens half way only",
		Story: []string{"Room iu07 cools and heats at less than half of what it should; the other eleven are well."},
		Flags: []string{"charge-near-target", "split-poor", "copies-due"},
		weak:  true,
	},
	{
		Name: "probe-lost", Doc: "the supply probe of one room comes off during the trial run and is put back",
		Story: []string{"The supply air of iu04 falls silent during the trial run, and is heard again before the cooling check."},
		Flags: []string{"charge-near-target", "point-silent", "copies-due"},
		probe: true,
	},
	{
		Name: "crossed", Doc: "the pipes of two rooms are crossed at their branch unit, which only the branch check can show",
		Story: []string{"Cooling and heating are well in every room, for every branch is fed alike.",
			"The branch check by halves finds that iu05 and iu06 answer for each other."},
		Flags:   []string{"charge-near-target", "pipes-crossed", "copies-due"},
		crossed: true,
	},
}
