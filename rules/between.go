package rules

import (
	"slices"
	"time"

	"standwatch/sensors"
)

// between follows the scale from the end of a draw-in or weigh-in on: what
// flows then, or another cylinder, is part of the one ledger, and the next of
// these steps begins with what was seen. It finds nothing. A start of the box
// ends it; then the next step goes on from the last verdict's weight alone.
type between struct{ *ledger }

// Next follows the scale.
func (b between) Next(e Entry) []Finding {
	b.ledger.Next(e)
	return nil
}

// Due is nothing.
func (between) Due() (time.Duration, bool) { return 0, false }

// betweenWeighings is no rule of a site: the engine begins it.
var betweenWeighings = Rule{Name: "between-weighings"}

// listen begins to follow a system's scales where a weighing step has ended.
func (e *Engine) listen(entry Entry, of Step, ended *ledger, fixes []*Correction) {
	system, step := of.System, of.Name
	points := e.points(&ChargeTarget, system, true)
	s := Start{System: system, Step: of, Entry: entry, Points: points, Earlier: e.givenOn(system), Began: entry.At, ended: ended}
	last, given := lastWeighed(s.Earlier)
	if !isWeighing(step) || !given || last.Seq != entry.Seq {
		return
	}
	for _, st := range e.running { // the scale weighs for that
		if isWeighing(st.Name) && e.shareScale(system, st.System) {
			return
		}
	}
	e.drop(system)
	e.between = append(e.between, &seat{rule: &betweenWeighings, system: system, points: points, fixes: fixes, judge: between{beginLedger(s).rested()}})
}

// ledgerOf is the ledger of a step's seats, and how its points are corrected.
func ledgerOf(seats []*seat) (l *ledger, fixes []*Correction) {
	for _, s := range seats {
		if j, ok := s.judge.(*chargeTarget); ok {
			l, fixes = j.ledger, s.fixes
		}
	}
	return l, fixes
}

// heardBetween is the ledger since the last weighing step of a system, for the
// next one. No other system's by the same scale goes on: that weighs for this one now.
func (e *Engine) heardBetween(system, step string) (l *ledger, fixes []*Correction) {
	if !isWeighing(step) {
		return nil, nil
	}
	for _, s := range e.between {
		if s.system == system {
			l, fixes = s.judge.(between).ledger, s.fixes
		}
	}
	e.drop(system)
	return l, fixes
}

// goesOnFrom is the newest ledger of a system where a weighing step is begun: what
// was heard since the last one, or of that itself where it still runs.
func (e *Engine) goesOnFrom(system string, heard *ledger) (l *ledger) {
	if heard != nil {
		return heard
	}
	for _, st := range e.running {
		if st.System == system && isWeighing(st.Name) {
			l, _ = ledgerOf(st.seats)
		}
	}
	return l
}

// drop forgets what was heard since the last weighing step of a system, and of
// others that share a scale with it.
func (e *Engine) drop(system string) {
	e.between = slices.DeleteFunc(e.between, func(s *seat) bool { return e.shareScale(s.system, system) })
}

// shareScale reports whether two systems are charged by one scale: it is carried from one to the next.
func (e *Engine) shareScale(a, b string) bool {
	others := e.points(&ChargeTarget, b, true)
	return a == b || slices.ContainsFunc(e.points(&ChargeTarget, a, true), func(p sensors.Point) bool {
		return slices.ContainsFunc(others, func(q sensors.Point) bool { return p.Name == q.Name })
	})
}

// weighedFor is the newest verdict of another system's draw-in or weigh-in by a system's scale:
// what left the cylinder for that is none of this system's.
func (e *Engine) weighedFor(system string) (seq uint64) {
	for _, f := range e.given {
		if isWeighing(f.Step) && f.System != system && e.shareScale(f.System, system) {
			seq = max(seq, f.Seq)
		}
	}
	return seq
}

// weigher is the one ledger of a step for all judges that ask for it.
type weigher struct{ ledger *ledger }

func (w *weigher) of(s Start) *ledger {
	if w.ledger == nil {
		w.ledger = beginLedger(s)
	}
	return w.ledger
}

// goesOn is the ledger at a step's begin, where what was heard since the last
// one tells more than that one's last weight.
func (l *ledger) goesOn(s Start) (*ledger, bool) {
	if l == nil {
		return nil, false
	}
	now := l.clock.of(s.Began.Since)
	last, heard := l.heard()
	if !heard || now-last > endedMost {
		return nil, false
	}
	c := *l
	c.platforms = nil
	moved := false
	for _, p := range l.platforms {
		q := *p
		q.rows, q.begun, q.good = slices.Clone(p.rows), slices.Clone(p.begun), slices.Clone(p.good)
		q.put = slices.Clone(p.put)
		q.pending, q.aside, q.fast, q.empties = slices.Clone(p.pending), slices.Clone(p.aside), slices.Clone(p.fast), slices.Clone(p.empties)
		if p.joint != nil {
			j := *p.joint
			j.begun, q.joint = slices.Clone(j.begun), &j
		}
		if p.blind != nil {
			b := *p.blind
			q.blind = &b
		}
		q.rest, q.stepAt = 0, now
		moved = moved || len(p.rows) > 0 || p.lifted || p.fastest > 0
		c.platforms = append(c.platforms, &q)
	}
	c.stepAt = now
	c.clock.newest = max(c.clock.newest, c.clock.of(s.Entry.At.Since))
	return &c, moved
}
