package rules

import (
	"math"
	"slices"
	"time"
)

// What flowed while nobody weighed: bridged by the weights before and after where they
// can be compared, else reckoned by the rates, until somebody weighs the cylinder.

// silence reports whether a time without a reading is one, and not a few that
// were lost on their way.
func (p *platform) silence(gap, least time.Duration) bool {
	return gap >= least && gap.Seconds() > float64(lostReads*p.usual().Seconds())
}

// toldZeroed reports whether somebody said since a reading that he zeroed the scale.
func (p *platform) toldZeroed(since sample) bool {
	return p.hint == "scale-zeroed" && p.hinted > 0 && p.hinted-hintFor > since.t
}

// toldSwapped reports whether somebody said since a reading that he changed the cylinder.
func (p *platform) toldSwapped(since sample) bool {
	return p.hint == "cylinder-swapped" && p.hinted > 0 && p.hinted-hintFor > since.t
}

// cameBackZeroed reports whether a scale that was silent shows nothing now
// although a cylinder stood on it and cannot have emptied.
func (p *platform) cameBackZeroed(last, s sample) bool {
	gap := s.t - last.t
	silent := p.lost && len(p.pending) == 0 || p.silence(gap, backAfter)
	if silent && p.toldZeroed(last) && s.v < emptyKg {
		return true
	}
	if !silent || math.Abs(s.v) >= max(emptyKg, float64(emptyShare*last.v)) {
		return false
	}
	meant := float64(p.fit.rate * gap.Seconds())
	if last.v > 1 { // nought itself is no weight of a cylinder
		nought := math.Abs(s.v) <= p.units.digit()+float64(max(0, p.fit.rate)*p.usual().Seconds())
		return nought || last.v-s.v > float64(gapHigh*meant)+emptyKg
	}
	// It was zeroed before: about nought again, from well below it or although it flowed, or where
	// it was zeroed last, so that the same again says nothing of what flowed.
	return !p.lifted && s.v-last.v > p.jump() && math.Abs(s.v) <= max(p.units.digit()+p.pairs(), -last.v/4) || last.v < 0 && meant > p.jump() && last.v-s.v < max(p.pairs(), meant/10) ||
		p.zeroedRow > 0 && !p.lifted && math.Abs(last.v) <= p.jump() && math.Abs(s.v) <= p.units.digit()+p.pairs()
}

// passed bridges a silence that began within a bump, where the weight after it
// goes on from the one before that. Where it may as well have stayed, what
// went in is known the less.
func (p *platform) passed(s, last, newest sample) bool {
	first, rate := p.pending[0], p.fit.rate
	if p.thawed(last) {
		rate = max(rate, p.sameBy)
	}
	if !p.silence(s.t-newest.t, gapAtLeast) || newest.t-first.t >= bumpMost || p.lifted || p.back || p.hintedAt(s.t) ||
		math.Abs(newest.v) < emptyKg || !p.continues(last, s, rate) {
		return false
	}
	stays := !p.leaves(newest, s)
	by := first.v - last.v
	p.pending, p.fast = nil, nil
	p.bridge(s, EndedSilence)
	if r := &p.rows[len(p.rows)-1]; stays {
		r.LowKg, r.HighKg = max(0, r.LowKg+min(0, by)), r.HighKg+max(0, by)
	}
	return true
}

// bridge goes on after a stretch in which nothing was heard: the cylinder's
// weight before and after says what flowed.
func (p *platform) bridge(s sample, why string) {
	last := p.good[len(p.good)-1]
	kg := p.levelKg()
	if p.lifted {
		p.bareSince, p.bareUntil = last.t, s.t
	}
	p.closeRow(last.t, kg, why)
	// No empty platform grows lighter: it may have been zeroed under a cylinder that gave that.
	if n := len(p.rows); n > 0 && p.lifted && math.Abs(kg) < emptyKg && kg-s.v > emptyKg {
		p.rows[n-1].HighKg += kg - s.v
	}
	if fall := kg - s.v; !p.lifted {
		p.rows = append(p.rows, Segment{Scale: p.point, Cylinder: p.cylinder, Since: last.t, Until: s.t, FromKg: kg, ToKg: s.v,
			LowKg: fall, BestKg: fall, HighKg: fall, Ended: EndedHeard, Unseen: true})
	}
	p.pending, p.fast, p.suspect = nil, nil, 0
	// What was closed and what is opened share their ends: no error of theirs counts.
	p.start, p.begun, p.settled = weight{t: s.t, kg: s.v, se: p.start.se}, nil, true
	p.began, p.cut, p.carried, p.from, p.joint = s.t, false, false, nil, nil
	p.good = nil
	p.noise.apart()
	p.fit, p.fitted = weight{t: s.t, kg: s.v, rateSe: math.Inf(1)}, s.t
	p.accept(s)
}

// spanned is a silence that the weights before and after bridge, until the flow after it
// is known as well as the one before.
type spanned struct {
	row    int // its index
	before weight
	opened bool // a valve had just been opened, by how much nobody knows
}

// rateCheck compares what the weights say of a silence with the flow before and after it
// (the field guide's rate check). Where they differ by more than a flow does by itself,
// somebody turned the valve meanwhile, or something was laid on the scale or slipped off:
// the weights are the best estimate, and the band reaches what the rates say.
func (p *platform) rateCheck(ss []sample) {
	b := p.spanned
	if b == nil {
		return
	}
	r := &p.rows[b.row]
	after := firstLevel(ss, p.noise)
	if ss[0].t != r.Until || min(b.before.n, after.n) < levelReads {
		return
	}
	s, fall := (r.Until - r.Since).Seconds(), r.BestKg
	least, most := math.Inf(1), 0.0
	for _, w := range []weight{b.before, after} {
		least = min(least, max(0, w.rate-float64(2*w.rateSe)))
		most = max(most, w.rate+float64(2*w.rateSe))
	}
	if b.opened {
		least, most = 0, max(most, p.widest())
	}
	least, most = float64(least*s), float64(most*s)
	within := max(p.pairs(), p.units.digit())
	r.LowKg, r.HighKg = fall, fall
	switch {
	case fall < least/gapHigh-within:
		r.HighKg = most
	case fall > float64(gapHigh*most)+within:
		r.LowKg = least
	}
}

// awayMoved closes the segment where the box was off for nobody knows how long
// and another cylinder stands there, as somebody says, or the scale was zeroed,
// as it shows less than nothing: what was given meanwhile is at the most all that
// the cylinder weighed.
func (p *platform) awayMoved(last sample) {
	p.finish()
	most := p.levelKg() - p.zero
	switch {
	case p.lifted:
		most = 0
	case p.zeroedRow > 0:
		most = p.zeroedGross
	case most < -emptyKg: // zeroed under it in the step before
		most = p.mostSeen(len(p.rows))
	}
	p.cut = false
	p.next(last.t, p.levelKg(), EndedPowerCut, true)
	p.rows[len(p.rows)-1].HighKg += max(0, most)
}

// breakSilent closes the segment before a silence after which the weight
// cannot be compared.
func (p *platform) breakSilent(was, after weight, gap time.Duration) {
	if was.rate == 0 { // so slow a flow moves a display seldom
		was.rate = p.lately()
	}
	lifted, opened := p.lifted, p.opening()
	fresh := was.rate <= noFlow && (p.stands || p.flowedAt <= p.stepAt || len(p.own()) < levelReads) // nobody saw it give yet: its valve is what comes next
	why := EndedSilence
	if p.cut {
		why = EndedPowerCut
	}
	last, first := p.good[len(p.good)-1], p.pending[0]
	p.next(last.t, was.kg, why, false)
	p.cut = false
	if since := last.t; lifted {
		if p.bareUntil > 0 && p.bareUntil == p.began { // nobody saw it stand empty since then, either
			since = p.bareSince
		}
		p.putOnUnseen(since, after)
		return
	}
	p.unwatched(len(p.rows), was, after, last.t, first.t)
	swapped := p.toldSwapped(last)
	p.blind.opened, p.blind.put, p.blind.lost = opened, fresh || swapped, p.lost
	p.reckon(after)
	if swapped {
		p.cylinder++
		p.zeroedRow, p.hinted, p.swapped, p.untold = 0, 0, first.t, false
	}
}

// blind is what flowed while nobody weighed, and where that stands.
type blind struct {
	row    int // its index
	before weight
	silent bool // nothing was heard for longer than between two readings
	opened bool // a valve had just been opened, by how much nobody knows
	put    bool // another cylinder was put on meanwhile, or it had not given yet
	lost   bool // nobody knows for how long
}

// unwatched adds a row of what flowed between two weights that cannot be
// compared, as the readings before and after tell it.
func (p *platform) unwatched(i int, before, after weight, from, until time.Duration) {
	p.rows = slices.Insert(p.rows, i, Segment{Scale: p.point, Cylinder: p.cylinder, Since: from, Until: until, FromKg: before.kg, ToKg: after.kg,
		Ended: EndedHeard, Unseen: true})
	p.blind = &blind{row: i, before: before, silent: p.silence(until-from, 0)}
	p.zeroedRow, p.zeroedGross = i+1, before.kg-p.zero
	p.reckon(after)
}

// reckon says what flowed unseen: by the rate before, at the least nothing, at
// the most a quarter more (the field guide). Where it flows otherwise after it,
// the valve was turned at any moment, all alike: half of it by each rate, at the
// most by the greater and a quarter. Between two readings that no silence kept
// apart nobody had the time for that.
func (p *platform) reckon(after weight) {
	u := p.blind
	if u == nil {
		return
	}
	r := &p.rows[u.row]
	s := (r.Until - r.Since).Seconds()
	low, best, high := 0.0, u.before.rate, float64(gapHigh*u.before.rate)
	if after.rate > high { // it was opened anew, and ebbs
		high = float64(gapHigh * after.rate)
	}
	switch {
	case u.before.rate == 0 && p.beganStill(after.rate): // nor did it flow before
		best = 0
	case !steady(u.before, after):
		best = (u.before.rate + after.rate) / 2
	}
	if !u.silent {
		low = max(0, min(u.before.rate-float64(2*u.before.rateSe), after.rate-float64(2*after.rateSe)))
	}
	if u.opened {
		high = max(high, p.widest())
	}
	if u.put { // its valve may have been open as wide as ever before, and shut again
		high = max(high, p.asEver())
	}
	for _, w := range []weight{u.before, after} { // two standard errors of the rates
		if w.span >= 3*bumpMost && !math.IsInf(w.rateSe, 1) {
			high = max(high, w.rate+float64(2*w.rateSe))
		}
	}
	r.ToKg = after.kg
	r.LowKg, r.BestKg, r.HighKg = float64(low*s), float64(best*s), float64(high*s)
	if p.stepAt > r.Since && p.fastest > high { // a step that was begun meanwhile opened a valve anew
		r.HighKg += float64((p.fastest - high) * max(0, (r.Until-p.stepAt).Seconds()))
	}
	if u.lost {
		r.HighKg = max(r.HighKg, p.mostSeen(u.row))
	}
	if in := p.zeroedGross - p.tare; in > emptyKg { // no more than was in it, steel and all where its tare is not known
		r.LowKg, r.BestKg, r.HighKg = min(r.LowKg, in), min(r.BestKg, in), min(r.HighKg, in)
	}
}

// mostSeen is the most that the cylinder was seen to weigh before a row: it cannot have given more. One that
// was on a scale zeroed under it since before the step weighs nobody knows what.
func (p *platform) mostSeen(row int) (kg float64) {
	for _, r := range p.rows[:row] {
		if r.Cylinder == p.cylinder {
			kg = max(kg, r.FromKg)
		}
	}
	if kg <= emptyKg {
		return cylinderMost
	}
	return kg
}

// cylinderMost is what a cylinder on such a scale weighs at the most, kg; our choice.
const cylinderMost = 60.0

// beganStill reports whether the open segment's cylinder stood still at first,
// where what is known by now flows at a rate.
func (p *platform) beganStill(rate float64) bool {
	if len(p.begun) < 2 {
		return rate == 0
	}
	a, b := p.begun[0], p.begun[1]
	if a.v-b.v <= p.pairs() && float64(rate*(b.t-a.t).Seconds()) > p.pairs() {
		return true
	}
	return restLevel(p.begun, p.noise, true).n >= levelReads
}

// regain takes what the cylinder truly weighs, and what left it in the open
// segment, and tells from it what flowed while nobody weighed.
func (p *platform) regain(grossKg, openKg float64) {
	if p.zeroedRow == 0 {
		return
	}
	flowed := p.zeroedGross - grossKg - openKg
	for _, later := range p.rows[p.zeroedRow:] {
		flowed -= later.BestKg
	}
	p.found(flowed)
}

// found is what flowed while nobody weighed, where that can be; else it is of another
// cylinder, or by another nought.
func (p *platform) found(kg float64) {
	r := &p.rows[p.zeroedRow-1]
	if kg < -p.jump() || kg > p.jump()+max(r.HighKg, float64(jumpKgPerS*(r.Until-r.Since).Seconds())) {
		return
	}
	kg = max(0, kg)
	r.LowKg, r.BestKg, r.HighKg = kg, kg, kg
	p.zeroedRow, p.blind = 0, nil
}

// sendsChanges reports whether the scale sends a weight only when it changes:
// it showed one digit less or more so often, and never the same twice. A scale
// that is asked shows the same again in one of three at least of such pairs,
// whatever its noise: as often all differ in one of 10,000 cases. Where it flows
// by a digit or two from one to the next all differ, too: so it must have been
// silent as well, as such a scale is while a valve is shut.
func (p *platform) sendsChanges() bool { return p.paused && !p.repeats && p.changes >= 23 }

// hold takes it that such a scale showed its last weight until it sent the next,
// where it does not show what flowed meanwhile.
func (p *platform) hold(s sample) {
	n := len(p.good)
	if n == 0 || p.away {
		return
	}
	last, by := p.good[n-1], p.units.digit()
	jumped := len(p.pending) > 0
	if jumped {
		last = p.pending[len(p.pending)-1]
	}
	gap, fall := s.t-last.t, last.v-s.v
	switch {
	case gap.Seconds() > float64(lostReads*p.usual().Seconds()): // it may be sent now and then all the same
		p.paused = p.paused || gap >= backAfter && fall != 0
	case jumped || gap < pause:
	case fall == 0:
		p.repeats = true
	case math.Abs(fall) < 1.5*by:
		p.changes++
	}
	if jumped || !p.sendsChanges() || !p.silence(gap, backAfter) || fall > 2*by && fall <= p.jump()+float64(1.5*max(0, p.fit.rate)*gap.Seconds()) {
		return
	}
	p.accept(sample{s.t - 2*pause, last.v})
}
