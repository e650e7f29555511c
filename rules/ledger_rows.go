package rules

import "time"

// The rows of a ledger: how one is closed, and what of it is doubtful.

// next closes the open segment; another cylinder may follow.
func (p *platform) next(t time.Duration, kg float64, why string, another bool) {
	p.variance += p.endsVariance()
	p.closeRow(t, kg, why)
	p.lifted = false
	if why != EndedShift { // what lay on it is off, or of no use to know
		p.laidKg = 0
	}
	if another {
		p.cylinder++
		p.zeroedRow, p.blind = 0, nil
		p.swapped, p.untold = t, !p.hintedAt(t) || p.hint != "cylinder-swapped"
		if p.hint == "cylinder-swapped" { // it has said its say
			p.hinted = 0
		}
	}
}

// closeRow writes the open segment into the ledger.
func (p *platform) closeRow(t time.Duration, kg float64, why string) {
	fall := p.start.kg - kg
	if p.lifted && !p.flowedLifted(fall) {
		fall = 0
	} else if p.lifted {
		fall += p.onKg
	}
	r := Segment{Scale: p.point, Cylinder: p.cylinder, Since: p.began, Until: t, FromKg: p.start.kg, ToKg: kg,
		LowKg: fall - p.betweenKg - p.handLast.lessKg, BestKg: fall, HighKg: fall + p.betweenHi + p.handLast.moreKg, Ended: why}
	if p.lifted && fall == 0 {
		r.Cylinder = 0 // nothing stood there
	}
	p.rows = append(p.rows, r)
	p.betweenKg, p.betweenHi, p.firstHeard, p.handLast, p.blind, p.spanned = 0, 0, nil, leeway{}, nil, nil
}

// flowedOn adds what flowed between the last reading of a closed segment and
// the first of the next, by the rates before and after.
func (p *platform) flowedOn(before, after float64, gap time.Duration) {
	r, s := &p.rows[len(p.rows)-1], gap.Seconds()
	r.LowKg += float64(min(before, after) * s)
	r.BestKg += float64((before + after) / 2 * s)
	r.HighKg += float64(max(before, after) * s)
}

// unweighed is the part of a row that no scale saw, before or after: no more than
// the row, since what a gust may have hidden was weighed.
func (p *platform) unweighed(r Segment) float64 {
	if r.HighKg > r.LowKg {
		return min(r.BestKg-r.LowKg, max(0, r.BestKg))
	}
	return 0
}

// fold takes the two oldest rows as one, of the same sums.
func (p *platform) fold() {
	a, b := p.rows[0], p.rows[1]
	b.Since, b.FromKg, b.Cylinder, b.Unseen = a.Since, a.FromKg, max(a.Cylinder, b.Cylinder), false
	b.LowKg, b.BestKg, b.HighKg = a.LowKg+b.LowKg, a.BestKg+b.BestKg, a.HighKg+b.HighKg
	p.rows = append(p.rows[:0], p.rows[1:]...)
	p.rows[0] = b
	// So long after a silence no cylinder's weight tells what flowed in it.
	if p.zeroedRow--; p.zeroedRow <= 1 {
		p.zeroedRow = 0
	}
	if p.joint != nil {
		p.joint.rows--
	}
	p.blind, p.spanned, p.leant = nil, nil, nil
	p.offRow = max(0, p.offRow-1)
}

// segments is the ledger, stretch by stretch, at a moment of the running boot.
func (l *ledger) segments() (rows []Segment) {
	b := l.before
	if b.bestKg != 0 || b.highKg != 0 {
		rows = append(rows, Segment{LowKg: Num(b.lowKg), BestKg: Num(b.bestKg), HighKg: Num(b.highKg), Ended: EndedStep,
			Since: l.clock.when(0), Until: l.clock.when(0)})
	}
	for _, p := range l.platforms {
		all := p.rows
		if n := len(p.good); n > 0 && !p.lifted {
			kg := p.openKg()
			all = append(all[:len(all):len(all)], Segment{Scale: p.point, Cylinder: p.cylinder, Since: p.began, Until: p.good[n-1].t,
				FromKg: p.start.kg, ToKg: p.levelKg(), LowKg: kg - p.betweenKg, BestKg: kg, HighKg: kg + p.betweenHi})
		}
		told, low, high := len(rows), 0.0, p.rain.kg(p.units.digit()) // doubt of no row's own: the newest bears it
		for _, r := range all {
			if r.Cylinder == 0 || r.Until <= r.Since && r.BestKg == 0 {
				low, high = low+r.LowKg, high+r.HighKg
				continue
			}
			r.Since, r.Until = l.clock.when(r.Since), l.clock.when(r.Until)
			for _, kg := range []*float64{&r.FromKg, &r.ToKg, &r.LowKg, &r.BestKg, &r.HighKg} {
				*kg = Num(wholeMg(*kg))
			}
			rows = append(rows, r)
		}
		if n := len(rows); n > told {
			r := &rows[n-1]
			r.LowKg, r.HighKg = Num(wholeMg(r.LowKg+low)), Num(wholeMg(r.HighKg+high))
		}
	}
	return rows
}
