package daemon

import (
	"sync/atomic"
	"time"

	"standwatch/sensors"
)

// pace is how often what is wired to the box is read: faster, where the site file says so,
// while a step is under way. Judging writes it, the sources read it.
type pace struct{ open atomic.Pointer[[]openStep] }

type openStep struct{ system, name string }

func (p *pace) set(steps []pastStep) {
	var open []openStep
	for _, s := range steps {
		if s.open {
			open = append(open, openStep{s.System, s.Name})
		}
	}
	p.open.Store(&open)
}

// of is how often a point is to be read now. One that is of no system goes by every system's steps.
func (p *pace) of(pt sensors.Point) time.Duration {
	open := p.open.Load()
	if open == nil || len(pt.During) == 0 {
		return pt.Every
	}
	var names []string
	for _, s := range *open {
		if pt.System == "" || s.system == "" || s.system == pt.System {
			names = append(names, s.name)
		}
	}
	return pt.EveryAmid(names)
}
