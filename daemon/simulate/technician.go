package simulate

import (
	"fmt"
	"time"

	"standwatch/rules"
)

// act is one thing the technician does: some time after the act before, and
// not before what it waits for has come true.
type act struct {
	after time.Duration
	when  func() bool // nil: at once
	do    func()
}

// act does what is due. A hand is never quite on time: up to 20 s late.
func (n *Night) act() {
	for len(n.script) > 0 {
		a := n.script[0]
		if !n.ready {
			n.wait = a.after
			if a.after >= time.Minute {
				n.wait += time.Duration(n.rand.IntN(21)) * time.Second
			}
			n.ready = true
		}
		if n.t-n.since < n.wait || a.when != nil && !a.when() {
			return
		}
		a.do()
		n.script, n.since, n.ready = n.script[1:], n.t, false
	}
}

func (n *Night) tell(m rules.Told) {
	m.Own, m.By = n.now.At, "technician"
	n.now.Marks = append(n.now.Marks, m)
}

func (n *Night) beginStep(name string) { n.tell(rules.Told{Kind: "begin", Name: name}) }
func (n *Night) endStep(name string)   { n.tell(rules.Told{Kind: "end", Name: name}) }

func (n *Night) mark(name, note string) {
	n.tell(rules.Told{Kind: "mark", Name: name, Note: note})
}

func (n *Night) commandAll(what string) {
	for _, r := range n.rooms {
		r.command = what
		n.tell(rules.Told{Kind: "command", Name: r.unit, Note: what})
	}
}

// micron is what the gauge shows, without its noise.
func (n *Night) micron() float64 { return n.stub / micronPa }

// below waits for the gauge to show so many micron or less.
func (n *Night) below(micron float64) func() bool {
	return func() bool { return !n.isolated && n.micron() <= micron }
}

// technician writes down the whole night's work.
func (n *Night) technician() []act {
	var s []act
	s = append(s, n.evacuation()...)
	s = append(s, n.hold()...)
	s = append(s, n.drawIn()...)
	s = append(s, n.powerUp()...)
	s = append(s, n.weighIn()...)
	s = append(s, n.running()...)
	return s
}

func (n *Night) evacuation() []act {
	s := []act{
		{after: 20 * time.Second, do: func() {
			n.mark("reported", "pressure-test: 550 psi of nitrogen for 24 h, signed sheet in the plant room")
			n.mark("calibrated", "scale checked within 0.01 kg against a test weight of 5 kg")
			n.outdoor.powered = true
			n.beginStep("preheat")
		}},
		{after: 3 * time.Minute, do: func() {
			n.beginStep("evacuation")
			n.mark("pump-started", "")
			n.pump = &n.rig
		}},
	}
	for _, pull := range []float64{2500, 1500} {
		s = append(s, n.nitrogenBreak(pull)...)
	}
	return s
}

// nitrogenBreak waits for the pull's pressure, then breaks it with nitrogen,
// lets it stand, vents, and pulls again. The gauge is valved off meanwhile.
func (n *Night) nitrogenBreak(micron float64) []act {
	return []act{
		{after: 5 * time.Minute, when: n.below(micron), do: func() {
			n.mark("pump-stopped", fmt.Sprintf("below %.0f micron", micron))
			n.pump, n.isolated = nil, true
		}},
		{after: time.Minute, do: func() {
			n.mark("nitrogen-break", "gauge valved off")
			n.filling = true
		}},
		{after: 15 * time.Minute, do: func() {
			n.mark("oil-changed", "")
			n.filling = false
			n.pipe.vent()
		}},
		{after: 2 * time.Minute, do: func() {
			n.mark("pump-started", "")
			n.pump = &n.rig
		}},
		{when: func() bool { return n.pipe.pressure() < 2000 }, do: func() { n.isolated = false }},
	}
}

// hold pumps down, isolates and waits the hour; where that fails, it mends and
// does it again.
func (n *Night) hold() []act {
	switch {
	case n.scenario.leak:
		return append(n.failedHold(150, "bubbles at the flare nut of iu07: tightened", func() { n.pipe.leak = 0 }), n.goodHold()...)
	case n.scenario.wet:
		return append(n.failedHold(205, "still wet: low end warmed and swept with dry nitrogen", func() {
			n.pipe.film *= 0.3 // what warming and dry nitrogen carry off
			n.pipe.puddleG = 0
		}), n.goodHold()...)
	}
	return n.goodHold()
}

func (n *Night) goodHold() []act {
	return []act{
		{after: 10 * time.Minute, when: n.below(holdFrom), do: n.isolate},
		{after: time.Minute, do: func() { n.mark("pump-stopped", "") }},
		{after: 61 * time.Minute, do: func() { n.endStep("vacuum-hold") }},
	}
}

const holdFrom = 190 // micron at which the technician calls it dry

func (n *Night) isolate() {
	n.pump = nil
	n.endStep("evacuation")
	n.beginStep("vacuum-hold")
	n.mark("isolated", "")
}

func (n *Night) failedHold(from float64, found string, mend func()) []act {
	s := []act{
		{after: 10 * time.Minute, when: n.below(from), do: n.isolate},
		{after: time.Minute, do: func() { n.mark("pump-stopped", "") }},
		{after: 5 * time.Minute, when: func() bool { return n.micron() > 520 }, do: func() {}},
		{after: 10 * time.Minute, do: func() {
			n.endStep("vacuum-hold")
			n.beginStep("evacuation")
			n.mark("nitrogen-break", "gauge valved off")
			n.isolated, n.filling = true, true
		}},
		{after: 25 * time.Minute, do: func() {
			n.mark("note", found)
			mend()
			n.filling = false
			n.pipe.vent()
		}},
		{after: 2 * time.Minute, do: func() {
			n.mark("pump-started", "")
			n.pump = &n.rig
		}},
		{when: func() bool { return n.pipe.pressure() < 2000 }, do: func() { n.isolated = false }},
	}
	return s
}

func (n *Night) drawIn() []act {
	return []act{
		{after: 3 * time.Minute, do: func() {
			n.isolated = true // the gauge does not like refrigerant
			n.beginStep("draw-in")
		}},
		{after: time.Minute, do: func() { n.charge.open = true }},
		{after: 10 * time.Minute, when: func() bool { return n.charge.flow(false) < 0.02/60 }, do: func() { n.charge.open = false }},
		{after: time.Minute, do: func() { n.mark("valves-opened", "service valves of ou1, liquid and gas") }},
		{after: 20 * time.Second, do: func() { n.endStep("draw-in") }},
	}
}

func (n *Night) powerUp() []act {
	return []act{
		{after: time.Minute, do: func() {
			n.outdoor.indoorPower = true
			n.beginStep("unit-count")
		}},
		{after: 30 * time.Second, do: func() { n.found("ou1 address 0", "bu1 address 51", "bu2 address 52", "bu3 address 53") }},
		{after: 30 * time.Second, do: func() {
			for i, r := range n.rooms {
				n.found(fmt.Sprintf("%s address %d", r.unit, i+1))
			}
			n.mark("setting", "iu08 setting 21 from 0 to 2 note high ceiling in the lecture hall")
		}},
		{after: 5 * time.Minute, do: func() {
			n.mark("counted", "12 indoor units, 3 branch units, 1 outdoor unit")
			n.endStep("unit-count")
		}},
		{when: func() bool { return n.t > 6*time.Hour+5*time.Minute }, do: func() { n.endStep("preheat") }},
	}
}

// found tells each unit that answers, and at which address.
func (n *Night) found(units ...string) {
	for _, u := range units {
		n.mark("unit-found", u)
	}
}

// weighIn runs the compressor and puts the rest in by weight, with one change
// of cylinders on the way.
func (n *Night) weighIn() []act {
	s := []act{
		{after: time.Minute, do: func() {
			n.beginStep("weigh-in")
			n.outdoor.running = "cool"
			n.commandAll("cool")
		}},
		{after: 3 * time.Minute, do: func() {
			n.charge.metered = 0.165 / 60
			n.charge.open = true
		}},
		{when: func() bool { return n.charge.on.net < 1.15 }, do: func() { n.charge.open = false }},
		{after: 40 * time.Second, do: func() { n.charge.on = nil }},
		{after: 50 * time.Second, do: func() {
			n.charge.on = &cylinder{tare: 6.15, net: 11.34, litres: 11.9, tempC: n.outdoor.airC}
		}},
		{after: 40 * time.Second, do: func() { n.mark("cylinder-swapped", "the second cylinder, 11.34 kg net") }},
		{after: 30 * time.Second, do: func() { n.charge.open = true }},
	}
	if n.scenario.scaleOff {
		s = append(s,
			act{when: n.charged(targetKg - 2.2), do: func() { n.scale.asleep = true }},
			act{after: 4 * time.Minute, do: func() {
				n.scale.asleep = false
				if n.scenario.battery {
					n.scaleBat = 97
				}
				n.mark("note", "scale switched on again, cylinder untouched")
			}})
	}
	stop := targetKg - 0.03 // what is in the hose still goes in
	if n.scenario.over {
		stop = targetKg + 0.25
	}
	return append(s,
		act{when: n.charged(stop), do: func() { n.charge.open = false }},
		act{after: 3 * time.Minute, do: func() { n.endStep("weigh-in") }})
}

func (n *Night) charged(kg float64) func() bool { return func() bool { return n.charge.drawn >= kg } }

// running is the trial run, both checks and the hand-over.
func (n *Night) running() []act {
	s := []act{{after: 2 * time.Minute, do: func() { n.beginStep("trial-run") }}}
	if n.scenario.probe {
		s = append(s,
			act{after: 8 * time.Minute, do: func() { n.rooms[3].lost = true }},
			act{after: 12 * time.Minute, do: func() { n.rooms[3].lost = false }})
	}
	s = append(s,
		act{after: 45 * time.Minute, do: func() { n.endStep("trial-run") }},
		act{after: time.Minute, do: func() {
			n.beginStep("cooling-check")
			n.commandAll("cool")
		}},
		act{after: 30 * time.Minute, do: func() {
			n.endStep("cooling-check")
			n.outdoor.running = ""
			n.commandAll("fan")
		}},
		act{after: 12 * time.Minute, do: func() {
			n.beginStep("heating-check")
			n.outdoor.running = "heat"
			n.commandAll("heat")
		}},
		act{after: 32 * time.Minute, do: func() {
			n.endStep("heating-check")
			n.outdoor.running = ""
			n.commandAll("fan")
		}})
	if n.scenario.crossed {
		s = append(s, n.branches()...)
	}
	return append(s,
		act{after: 2 * time.Minute, do: func() {
			n.commandAll("off")
			n.beginStep("hand-over")
		}},
		act{after: 4 * time.Minute, do: func() {
			n.mark("checked", "charge-label done: filled in and fixed inside the panel")
			n.endStep("hand-over")
			n.ended = true
		}})
}

// branches tries the branch units by halves: each room has a number, and run
// by run the rooms heat whose number has that binary digit while the others
// cool; then the other way round.
func (n *Night) branches() []act {
	s := []act{{after: 2 * time.Minute, do: func() { n.beginStep("branch-check") }}}
	for run := range 8 {
		s = append(s, act{after: 12 * time.Minute, do: func() {
			n.outdoor.running = "heat"
			for i, r := range n.rooms {
				r.command = "cool"
				if i>>(run/2)&1 == run%2 {
					r.command = "heat"
				}
				n.tell(rules.Told{Kind: "command", Name: r.unit, Note: r.command})
			}
		}})
	}
	return append(s, act{after: 12 * time.Minute, do: func() {
		n.endStep("branch-check")
		n.outdoor.running = ""
		n.commandAll("fan")
	}}, act{after: time.Minute, do: func() {
		n.mark("note", "iu05 and iu06 answer for each other: to be piped over once the charge is recovered")
	}})
}
