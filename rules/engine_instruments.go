package rules

import (
	"fmt"
	"slices"

	"standwatch/sensors"
)

// What corrections and exchanges of instruments make of what the judges read
// and of their verdicts.

// correct takes what a mark says of an instrument. What stands watch goes by it
// at once. A step under way goes on with what it began with, so that no judge
// takes a correction for an event; only where the instrument itself was
// exchanged the old one's correction ends there too.
func (e *Engine) correct(entry Entry, b *Told) {
	m, ok := e.said.Tell(entry, b)
	if !ok || m.Problem != "" {
		return
	}
	for _, s := range e.standing {
		s.fixes = e.fixesOf(s.points)
	}
	if m.What != Exchanged {
		return
	}
	at := slices.Clone(e.between)
	for _, st := range e.running {
		at = append(at, st.seats...)
	}
	for _, s := range at {
		for i, p := range s.points {
			if p.Name != m.Point {
				continue
			}
			if s.mixed = append(s.mixed, p.Name); s.fixes != nil {
				s.fixes[i] = nil
			}
		}
	}
}

// holds reports whether a step compares what one instrument shows at two times.
func holds(step string) bool { return step == "vacuum-hold" || step == "pressure-test" }

// readByTwo lists the instruments exchanged that take the proof from a hold: from
// a pass any of them, from a failure the one that it is judged by, unless it had
// failed before.
func (s *seat) readByTwo(result string) (by []string) {
	if !holds(s.step.Name) || result == NotProven || result == NotPassed && s.failed {
		return nil
	}
	for _, p := range s.points {
		if slices.Contains(s.mixed, p.Name) && (result == Passed || p.Role == "vacuum-gauge" || p.Role == "test-pressure") {
			by = append(by, p.Name)
		}
	}
	return by
}

// passedUncorrected is what stands in the place of a vacuum hold's pass where the
// correction recorded since its begin puts its peak past the limit; else empty.
func (e *Engine) passedUncorrected(s *seat, f Finding) string {
	if f.Result != Passed || s.step.Name != "vacuum-hold" {
		return ""
	}
	for i, p := range s.points {
		now, waits := e.waiting(s, i)
		if !waits || p.Role != "vacuum-gauge" {
			continue
		}
		peak := valueOf(f, "peak_pa")
		if s.fixes != nil && s.fixes[i] != nil {
			peak = (peak - s.fixes[i].Offset) / s.fixes[i].Gain
		}
		if peak, limit := now.Value(p.Quantity, peak), valueOf(f, "limit_pa"); peak > limit {
			return heldUncorrected(p.Name, waitsWords(now, p.Quantity), peak, limit)
		}
	}
	return ""
}

// waiting is the correction of a judge's point that was recorded since it began
// and that it does not read by; nil: read as it shows.
func (e *Engine) waiting(s *seat, i int) (now *Correction, waits bool) {
	var had *Correction
	if s.fixes != nil {
		had = s.fixes[i]
	}
	now = e.said.Correction(s.points[i].Name)
	if now == nil || had == nil {
		return now, now != had
	}
	return now, *now != *had
}

// fixesOf are the corrections in force of points; nil where there is none.
func (e *Engine) fixesOf(points []sensors.Point) (fixes []*Correction) {
	for i, p := range points {
		if c := e.said.Correction(p.Name); c != nil {
			if fixes == nil {
				fixes = make([]*Correction, len(points))
			}
			fixes[i] = c
		}
	}
	return fixes
}

// instruments says by which corrections a verdict was read, which are not in it,
// and whose calibration had run out: evidence that stands with it.
func (e *Engine) instruments(s *seat, f Finding) string {
	var fixes, since, old, exchanged []string
	for i, p := range s.points {
		if p.Role == "" || s.rule.Roles == nil || len(f.Points) > 0 && !slices.Contains(f.Points, p.Name) {
			continue
		}
		if s.fixes != nil && s.fixes[i] != nil {
			fixes = append(fixes, p.Name+" "+fixWords(*s.fixes[i], p.Quantity))
		}
		if f.Cause != "gauge" && slices.Contains(s.mixed, p.Name) { // whose text says so
			exchanged = append(exchanged, p.Name)
		}
		if now, waits := e.waiting(s, i); waits {
			since = append(since, p.Name+" "+waitsWords(now, p.Quantity))
		}
		if e.proven != 0 {
			if until, expired := e.said.Expired(p.Name, e.proven+e.now.Since.Milliseconds()); expired {
				old = append(old, fmt.Sprintf("%s (%s)", p.Name, until))
			}
		}
	}
	return readExchanged(exchanged) + readCorrected(fixes) + readUncorrected(since) + readExpired(old)
}
