package rules

import (
	"cmp"
	"slices"
	"time"
)

// PowerTooEarly wakes somebody when indoor or branch units get power before
// the service valves are open. It stands watch, so that power between two steps
// is seen too.
var PowerTooEarly = Rule{
	Name:  "power-too-early",
	Doc:   "Wakes somebody when indoor or branch units have power between the pressure test and the draw-in's valves-opened.",
	Flags: []string{"power-too-early"},
	Roles: []string{"indoor-power"},
	Begin: beginPowerTooEarly,
}

const (
	powerLasts = 5 * time.Second  // power must stand so long: a contact bounces for less, and an expansion valve needs longer to shut (common practice)
	powerOff   = 30 * time.Second // off for so long, and what it was on before no longer adds up
	powerAgain = 10 * time.Minute // off for so long, and power that returns is told anew
)

// sealing are the steps in which the pipework must stay one space, in order.
var sealing = []string{"pressure-test", "evacuation", "vacuum-hold", "draw-in"}

// seal is a system's pipework from the first of these steps to valves-opened:
// the last of them that was begun.
type seal struct {
	Step
	running bool
}

// sealed are the systems' pipeworks, in the order begun.
type sealed []seal

// hear follows the marks. Valves are not opened while a test or a vacuum is
// under way: such a mark is of another step.
func (all sealed) hear(b *Told, system string) sealed {
	of := func(s seal) bool { return s.System == system }
	switch {
	case b.Kind == "begin" && slices.Contains(sealing, b.Name):
		all = slices.DeleteFunc(slices.Clone(all), of)
		return append(all, seal{Step{System: system, Name: b.Name, Limits: b.Limits}, true})
	case b.Kind == "end":
		if i := slices.IndexFunc(all, of); i >= 0 && all[i].Name == b.Name {
			all = slices.Clone(all)
			all[i].running = false
		}
	case b.Kind == "mark":
		named, ok := valvesOpen(b)
		if !ok {
			return all
		}
		return slices.DeleteFunc(slices.Clone(all), func(s seal) bool {
			return (named == "" || s.System == named) && (s.Name == "draw-in" || !s.running)
		})
	}
	return all
}

// valvesOpen reports whether a mark says that the service valves are open, and of
// which system: by its own name, or as the check that asks for it.
func valvesOpen(b *Told) (system string, ok bool) {
	switch b.Name {
	case "valves-opened":
		return b.System, true
	case "checked":
		t, ok := ReadTick(b.Note, func(check string) bool { return check == CheckValvesOpen })
		return cmp.Or(t.System, b.System), ok && t.State == CheckDone
	}
	return "", false
}

// watched is the pipework in which power does harm; ok is false where there is
// none, or where the site file allows power.
func (all sealed) watched() (s seal, ok bool) {
	for _, s := range all {
		if !s.powered() {
			return s, true
		}
	}
	return s, false
}

// powered reports whether the site file allows indoor power in a step.
func (s Step) powered() bool {
	mode, _ := limit(s, "powered")
	return mode.Text == "allowed"
}

type powerTooEarly struct {
	system string
	sealed sealed
	points []powered
	checks *CheckList
}

// powered is what one contact says.
type powered struct {
	name   string
	on     bool
	since  time.Duration // of the running boot: the last change
	before time.Duration // how long it was on shortly before
	told   bool          // this power-up was
	raised string        // the step in which the flag was raised that is still up
}

func beginPowerTooEarly(s Start) Judge {
	j := &powerTooEarly{system: s.System, sealed: s.Sealed, checks: s.Checks}
	for _, p := range s.Points {
		w := powered{name: p.Name}
		for _, o := range s.Open {
			if o.Subject == p.Name {
				w.raised, w.told = o.Step, true
			}
		}
		j.points = append(j.points, w)
	}
	return j
}

func (j *powerTooEarly) Next(e Entry) (out []Finding) {
	switch b := e.Body.(type) {
	case *Told:
		return j.marked(b, e.At.Since)
	case *Measured:
		if p := &j.points[e.place]; b.Health.Usable() {
			p.hear(b.Value >= 0.5, e.At.Since)
		}
	case *Due:
	default:
		return nil
	}
	return j.look(e.At.Since)
}

func (p *powered) hear(on bool, now time.Duration) {
	if on == p.on {
		return
	}
	lasted := now - p.since
	switch {
	case !on:
		p.before += lasted
	case lasted >= powerOff:
		p.before = 0
		p.told = p.told && (p.since == 0 || lasted < powerAgain)
	}
	p.on, p.since = on, now
}

func (j *powerTooEarly) marked(b *Told, now time.Duration) (out []Finding) {
	system := b.System
	if system == "" {
		system = j.system
	}
	was := len(j.sealed)
	j.sealed = j.sealed.hear(b, system)
	switch {
	case b.Kind == "begin" && slices.Contains(sealing, b.Name):
		out = j.begun(b.Name)
	case len(j.sealed) == 0 && was > 0:
		return j.opened()
	}
	return append(out, j.look(now)...)
}

// begun is a step that somebody begins: with power on it is told anew; with
// power off, work that is done again from here on answers for the valves.
func (j *powerTooEarly) begun(step string) (out []Finding) {
	for i := range j.points {
		p := &j.points[i]
		switch {
		case p.on:
			p.told = false
		case p.raised != "" && slices.Index(sealing, step) <= slices.Index(sealing, p.raised):
			p.raised = ""
			out = append(out, Finding{Edge: Cleared, Flag: "power-too-early", Step: step, Subject: p.name, Text: powerBegunAgain(p.name, step)})
		}
	}
	return out
}

// look raises what has lasted. Power that goes off again clears nothing: the
// valves that it shut stay shut.
func (j *powerTooEarly) look(now time.Duration) (out []Finding) {
	s, ok := j.sealed.watched()
	if !ok {
		return nil
	}
	for i := range j.points {
		p := &j.points[i]
		if !p.on || p.told || p.before+now-p.since < powerLasts {
			continue
		}
		if p.raised != "" {
			out = append(out, Finding{Edge: Cleared, Flag: "power-too-early", Step: p.raised, Subject: p.name, Text: powerAnew(p.name)})
		}
		p.told, p.raised = true, s.Name
		text := poweredEarly(s.Name, s.running, p.name)
		if m, ok := j.checks.ticked(CheckPowerOff); ok {
			text += wasTicked(m)
		}
		out = append(out, Finding{Edge: Raised, Flag: "power-too-early", Step: s.Name, Subject: p.name, Urgency: Wake,
			Points: []string{p.name}, Text: text})
	}
	return out
}

// opened is the service valves' opening: nothing is shut in any more.
func (j *powerTooEarly) opened() (out []Finding) {
	for i := range j.points {
		p := &j.points[i]
		if p.raised != "" {
			out = append(out, Finding{Edge: Cleared, Flag: "power-too-early", Step: p.raised, Subject: p.name, Text: powerNowRight(p.name)})
		}
		p.raised, p.told = "", false
	}
	return out
}

// Due is when power that stands now will have lasted.
func (j *powerTooEarly) Due() (due time.Duration, ok bool) {
	if _, sealed := j.sealed.watched(); !sealed {
		return 0, false
	}
	for _, p := range j.points {
		if at := p.since + powerLasts - p.before; p.on && !p.told && (!ok || at < due) {
			due, ok = at, true
		}
	}
	return due, ok
}
