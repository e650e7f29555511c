package fieldlog

import (
	"standwatch/rules"
	"standwatch/sensors"
)

// Export turns journal entries, in their order, into rows.
type Export struct {
	quantity func(point string) sensors.Quantity
	wall     func(rules.Instant) (ms int64, ok bool)
	started  bool  // the entry before was a Started: its anchor belongs to it
	now      int64 // the greatest wall time so far
	bootWall int64 // Unix ms at the boot's beginning, by its newest anchor; 0: none yet
}

// setLeast, in ms, is more than the jitter of reading two clocks one after the other.
const setLeast = 100

// NewExport makes rows with wall times by the journal's anchors; where a boot
// has none, at the time before it. quantity tells a point's unit.
func NewExport(quantity func(point string) sensors.Quantity, wall func(rules.Instant) (ms int64, ok bool)) *Export {
	return &Export{quantity: quantity, wall: wall}
}

// Row returns an entry's row. ok is false where the log has none for it: the
// first start, the anchor of a start, and anchors that a log gave itself.
func (x *Export) Row(e rules.Entry) (row Row, ok bool) {
	afterStart := x.started
	x.started = false
	known, has := x.wall(e.At)
	if !has {
		known = x.now
	}
	row = Row{Time: known, Known: known, HasKnown: true}
	switch b := e.Body.(type) {
	case *rules.Measured:
		x.measured(&row, e, b)
		ok = true
	case *rules.Told:
		x.told(&row, b)
		ok = true
	case *rules.Started:
		x.started, x.bootWall = true, 0
		row.Kind, row.Name = Mark, powerCut
		switch {
		case !b.GapKnown || known < x.now:
			row.Note = unproven
			x.now = known
		case b.Same:
			row.Note = restarted
		}
		ok = e.At.Boot > 1
	case *rules.Clocked:
		row.Kind, row.Name, row.Note = Mark, clockSet, b.Source
		was := x.bootWall
		x.bootWall = b.Wall - e.At.Since.Milliseconds()
		if by := x.bootWall - was; was != 0 && max(by, -by) >= setLeast { // by how much it was set
			row.Value, row.Unit, row.HasValue = float64(by)/1e3, "s", true
		}
		ok = !afterStart && b.Source != "log" && b.Source != "simulated"
	}
	x.now = max(x.now, known)
	return row, ok
}

func (x *Export) measured(row *Row, e rules.Entry, m *rules.Measured) {
	row.Kind, row.Name, row.Note = Reading, m.Point, m.Health.Reason
	row.Time += (m.Taken - e.At.Since).Milliseconds()
	if m.Own != 0 {
		row.Time = m.Own
	}
	switch m.Health.Grade {
	case sensors.Failed:
		row.Note = row.health().Reason
	case sensors.Suspect:
		if row.Note == "" {
			row.Note = "suspect"
		}
		fallthrough
	default:
		row.Value, row.HasValue, row.Unit = m.Value, true, x.quantity(m.Point).SI()
	}
}

func (x *Export) told(row *Row, t *rules.Told) {
	row.Kind, row.Name, row.System, row.Note = t.Kind, t.Name, t.System, t.Note
	row.Value, row.Unit, row.HasValue = t.Value, t.Unit, t.Unit != ""
	row.toSI()
	if t.Own != 0 {
		row.Time = t.Own
	}
}
