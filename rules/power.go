package rules

import "time"

// PowerTooEarly wakes somebody when indoor or branch units get power before
// the service valves are open.
var PowerTooEarly = Rule{
	Name:  "power-too-early",
	Doc:   "Wakes somebody when indoor or branch units have power between the pressure test and the draw-in's valves-opened.",
	Steps: []string{"pressure-test", "evacuation", "vacuum-hold", "draw-in"},
	Flags: []string{"power-too-early"},
	Roles: []string{"indoor-power"},
	Begin: beginPowerTooEarly,
}

// powerLasts is how long power must stand: a contact bounces for less, and an
// expansion valve needs longer to shut (common practice).
const powerLasts = 5 * time.Second

type powerTooEarly struct {
	step   string
	over   bool // allowed by the site file, or the service valves are open
	points []powered
}

// powered is what one contact says.
type powered struct {
	name       string
	on, raised bool
	since      time.Duration // of the running boot
}

func beginPowerTooEarly(s Start) Judge {
	mode, _ := limit(s.Step, "powered")
	j := &powerTooEarly{step: s.Step.Name, over: mode.Text == "allowed"}
	for _, p := range s.Points {
		j.points = append(j.points, powered{name: p.Name})
	}
	return j
}

func (j *powerTooEarly) Next(e Entry) (out []Finding) {
	if j.over {
		return nil
	}
	switch b := e.Body.(type) {
	case *Started: // what lasts is counted anew
		for i := range j.points {
			j.points[i].on = false
		}
	case *Told:
		if b.Kind == "mark" && b.Name == "valves-opened" && j.step == "draw-in" {
			return j.opened()
		}
	case *Measured:
		if p := &j.points[e.place]; b.Health.Usable() {
			if on := b.Value >= 0.5; on != p.on {
				p.on, p.since = on, e.At.Since
			}
		}
		return j.look(e.At.Since)
	case *Due:
		return j.look(e.At.Since)
	}
	return nil
}

// look raises what has lasted. Power that goes off again clears nothing: the
// valves that it shut stay shut.
func (j *powerTooEarly) look(now time.Duration) (out []Finding) {
	for i := range j.points {
		p := &j.points[i]
		if !p.on || p.raised || now-p.since < powerLasts {
			continue
		}
		p.raised = true
		out = append(out, Finding{Edge: Raised, Flag: "power-too-early", Subject: p.name, Urgency: Wake,
			Points: []string{p.name}, Text: poweredEarly(j.step, p.name)})
	}
	return out
}

// opened is the service valves' opening: nothing is shut in any more.
func (j *powerTooEarly) opened() (out []Finding) {
	j.over = true
	for _, p := range j.points {
		if p.raised {
			out = append(out, Finding{Edge: Cleared, Flag: "power-too-early", Subject: p.name, Text: powerNowRight(p.name)})
		}
	}
	return out
}

// Due is when power that stands now will have lasted.
func (j *powerTooEarly) Due() (due time.Duration, ok bool) {
	for _, p := range j.points {
		if at := p.since + powerLasts; !j.over && p.on && !p.raised && (!ok || at < due) {
			due, ok = at, true
		}
	}
	return due, ok
}
