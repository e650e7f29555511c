package daemon

import (
	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
)

// The journal keeps what instruments showed; what people see is what it was
// believed to be: each reading by the correction that was in force when it was
// taken. (A judge holds on to the one of its step's begin: rules/engine.go.)

// change is a correction coming into force, or ending.
type change struct {
	fromMs int64
	fix    *rules.Correction
}

// corrections are a point's, by wall time; nil where there never was any.
type corrections struct {
	q       sensors.Quantity
	changes []change
}

func (v *view) corrections(said *rules.Calibrations, point string) (c corrections) {
	p, ok := v.points[point]
	if !ok {
		return c
	}
	c.q = p.Quantity
	for _, m := range said.Marks(point) {
		if m.Problem != "" || m.What == rules.AsFound {
			continue
		}
		x := change{fromMs: v.wall(m.At).UnixMilli()}
		if m.What == rules.Corrected {
			x.fix = &m.Fix
		}
		c.changes = append(c.changes, x)
	}
	return c
}

// at is the correction at a wall time.
func (c corrections) at(ms int64) (fix *rules.Correction) {
	for _, x := range c.changes {
		if x.fromMs <= ms {
			fix = x.fix
		}
	}
	return fix
}

func (c corrections) samples(ss []journal.Sample) []journal.Sample {
	if len(c.changes) == 0 {
		return ss
	}
	for i := range ss {
		s := &ss[i]
		if fix := c.at(s.WallMs); fix != nil && s.Health.Grade != sensors.Failed {
			r := fix.Of(c.q, sensors.Reading{Value: s.Value, Health: s.Health})
			s.Value, s.Health = r.Value, r.Health
			s.Low, s.High = fix.Value(c.q, s.Low), fix.Value(c.q, s.High)
		}
	}
	return ss
}

// columns corrects a trace's columns. One in which the correction changes has a
// band that holds both.
func (c corrections) columns(cs []journal.Column, widthMs int64) []journal.Column {
	if len(c.changes) == 0 {
		return cs
	}
	for i := range cs {
		x := &cs[i]
		if x.Count == 0 {
			continue
		}
		before, mid, after := c.at(x.WallMs-widthMs/2), c.at(x.WallMs), c.at(x.WallMs+widthMs/2)
		low, high := x.Low, x.High
		x.Low = min(before.Value(c.q, low), mid.Value(c.q, low), after.Value(c.q, low))
		x.High = max(before.Value(c.q, high), mid.Value(c.q, high), after.Value(c.q, high))
		if mid != nil {
			x.Mean = float64(mid.Gain*x.Mean) + mid.Offset
		}
	}
	return cs
}

// correctionsOf are those of several points.
func (d *Daemon) correctionsOf(points ...string) []corrections {
	g := d.judging
	g.mu.Lock()
	defer g.mu.Unlock()
	cs := make([]corrections, len(points))
	for i, p := range points {
		cs[i] = g.view.corrections(g.engine.Calibrations(), p)
	}
	return cs
}

// instrument adds to a point what is said of its instrument, and corrects its value.
func (v *view) instrument(p *web.Point, said *rules.Calibrations) {
	p.Shown, p.Holds = p.Value, said.Holds(p.Name)
	r := p.Holds.Fix.Of(p.Quantity, sensors.Reading{Value: p.Value, Health: p.Health})
	p.Value, p.Health = r.Value, r.Health
	for _, m := range said.Marks(p.Name) {
		p.Said = append(p.Said, web.CalibrationMark{CalibrationMark: m, Wall: v.happened(m.At, m.Own)})
	}
	if at := v.wall(v.at); !at.IsZero() && v.anchors[v.at.Boot].Proven {
		_, p.Expired = said.Expired(p.Name, at.UnixMilli())
	}
}
