package rules

import (
	"math"

	"standwatch/sensors"
)

// A scale that is silent as the first weighing step is begun: what it weighed before the begin
// tells what flowed until it is heard.

// keepWeight keeps the newest weight of each charging scale.
func (e *Engine) keepWeight(b *Measured) {
	if w := e.weighed[b.Point]; w != nil && b.Taken >= w.Taken && b.Health.Usable() && b.Health.Live() {
		*w = *b
	}
}

// weighedBefore is the newest weight of each point of a step's judge, corrected as it reads them.
func (e *Engine) weighedBefore(s *seat) []Measured {
	all := make([]Measured, len(s.points))
	for i, p := range s.points {
		if w := e.weighed[p.Name]; w != nil && w.Point != "" {
			all[i] = *w
			if s.fixes != nil && s.fixes[i] != nil {
				all[i].Reading = s.fixes[i].Of(sensors.Mass, w.Reading)
			}
		}
	}
	return all
}

// weighedBefore hands each scale what it weighed before the begin.
func (l *ledger) weighedBefore(s Start) {
	k := 0
	for i, pt := range s.Points {
		if pt.Role != "charging-scale" {
			continue
		}
		if i < len(s.weighed) && s.weighed[i].Point != "" {
			l.platforms[k].earlier = sample{l.clock.of(s.weighed[i].Taken), s.weighed[i].Value}
		}
		k++
	}
}

// beganSilent goes on from the weight before the begin where the scale was silent over it, and
// shows now what may be the same cylinder: as much lighter as may have flowed since the begin, or
// at nought, zeroed under it.
func (p *platform) beganSilent(s sample) {
	from := p.earlier
	p.earlier = sample{}
	silent := s.t-from.t >= gapAtLeast && (s.t-from.t).Seconds() > float64(lostReads*p.every.Seconds())
	if len(p.good) > 0 || len(p.pending) > 0 || !silent || from.t > 0 || from.v < 1 || p.hintedAt(s.t) && p.hint == "cylinder-swapped" {
		return
	}
	most := max(0, min(float64(p.widest()*max(0, s.t.Seconds())), from.v-emptyKg))
	if fall := from.v - s.v; fall < -jumpAtOnce || fall > most+jumpAtOnce && math.Abs(s.v) >= max(emptyKg, float64(emptyShare*from.v)) {
		return // another one
	}
	p.start, p.from, p.unheardKg, p.beganAsleep = weight{t: from.t, kg: from.v}, &from, most, true
	p.fit, p.good, p.carried = p.start, []sample{from}, true
}

// flowedFrom is the flow of a segment from its very first reading on; nought where it was opened
// between the first two of seldom ones: it ebbs, so that it was less between these than after.
func (p *platform) flowedFrom(first weight) float64 {
	if ss := p.begun; p.usual() >= seldom && len(ss) >= levelReads {
		early, late := p.steepest(ss[:2]), p.steepest(ss[1:3])
		if float64((late-early)*(ss[1].t-ss[0].t).Seconds()) > p.pairs() {
			return 0
		}
	}
	return first.rate
}
