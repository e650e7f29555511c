package rules

import (
	"math"
	"time"
)

// What came back: a jump that was a bump, and readings that were believed though they
// were one; and what only looks like jump upon jump, flow through a valve opened wide.

// offSince is when a weight that returns left the line between the last reading
// before and the one that is back: from there on it may be a bump.
func (p *platform) offSince(last, back sample) time.Duration {
	for _, s := range p.fast {
		share := (s.t - last.t).Seconds() / (back.t - last.t).Seconds()
		if math.Abs(last.v+float64(share*(back.v-last.v))-s.v) > p.jump() {
			return s.t
		}
	}
	return back.t
}

// bumpedAside takes back what was pending before the newest jump where the
// weight has returned to it, as it does after a bump: a valve that is opened on a
// cylinder just put on knocks it.
func (p *platform) bumpedAside(s, newest sample) bool {
	n := len(p.aside)
	if n == 0 || math.Abs(p.aside[n-1].v) < emptyKg || n < levelReads && (p.usual() < seldom || p.pending[0].v > p.aside[n-1].v) { // the display was still coming to rest
		return false
	}
	last, bump := p.aside[n-1], p.pending[0]
	if low := lowestOf(p.pending); low < last.v && s.v < low && p.usual() < seldom { // it is still on its way there
		return false
	}
	if newest.t-bump.t >= min(bumpMost, last.t-p.aside[0].t+2*p.usual()) || !p.continues(last, s, jumpKgPerS) || !p.leaves(newest, s) {
		return false
	}
	p.pending, p.aside = p.aside, nil
	if p.usual() >= seldom || last.v-s.v <= p.pairs() { // else the display may still be on its way
		p.pending = append(p.pending, s)
	}
	return true
}

// stoodFirst puts before what is pending where a cylinder just put on stood, if the flow
// since explains the fall from there: its valve was opened with a hand on it.
func (p *platform) stoodFirst() {
	n := len(p.aside)
	if !p.lifted || n < levelReads || highestOf(p.aside)-lowestOf(p.aside) > max(float64(2.01*p.noise.digit), p.pairs()) || math.Abs(p.aside[0].v) < emptyKg || p.pending[0].t-p.aside[n-1].t >= bumpMost {
		return
	}
	last, later := p.aside[n-1], newestLevel(p.pending, p.noise)
	fell := last.v - later.kg
	if later.rate > 4*later.rateSe && fell >= -p.pairs() && fell <= float64(later.rate*(later.t-last.t).Seconds())+p.pairs() {
		p.pending = append(p.aside[:n:n], p.pending...)
	}
}

// undoBump takes back readings that were taken for flow, where the weight now
// returns within the time of a bump to where the flow before them would have
// it, and they lie below that.
func (p *platform) undoBump(s sample) bool {
	for k := len(p.good) - 2; k >= 0; k-- {
		g := p.good[k]
		first, last := p.good[k+1], p.good[len(p.good)-1]
		if last.t-first.t >= bumpMost-bumpMost/10 || s.t-first.t >= bumpMost+p.usual() && k < len(p.good)-2 { // it may be over for as long as between two readings
			return false
		}
		if !p.continues(g, s, jumpKgPerS) || !p.below(p.good[k+1:], g, s) || p.flows(k+1) || len(p.good) > k+levelReads && evenly(g, p.good[k+1:]) && !p.goesOnFrom(k, s) {
			continue
		}
		p.good = p.good[:k+1]
		p.suspect = 0
		if n := len(p.begun); n > 0 && !p.settled {
			for n > 1 && p.begun[n-1].t > g.t {
				n--
			}
			p.begun = p.begun[:n]
		}
		p.refit()
		return true
	}
	return false
}

// flows reports whether a believed reading goes on from those before it, by
// their rate.
func (p *platform) flows(i int) bool {
	was := newestLevel(p.good[:i], p.noise)
	return was.at(p.good[i].t)-p.good[i].v < p.jump()
}

// goesOnFrom reports whether a reading lies where the flow up to a believed one has
// brought it, but for what is left of a bump.
func (p *platform) goesOnFrom(i int, s sample) bool {
	was := newestLevel(p.good[:i+1], p.noise)
	return was.n >= levelReads && math.Abs(was.at(s.t)-s.v) <= (s.v-p.good[len(p.good)-1].v)/4
}

// below reports whether readings lie below the line from one to another, by a jump.
func (p *platform) below(ss []sample, a, b sample) bool {
	for _, s := range ss {
		share := (s.t - a.t).Seconds() / (b.t - a.t).Seconds()
		if a.v+float64(share*(b.v-a.v))-s.v < p.jump() {
			return false
		}
	}
	return true
}

// undoRise takes back readings that were believed although they lay a little
// high, where the weight has now fallen back to where the flow before them
// would have it: a bump too small to be one at first.
func (p *platform) undoRise() bool {
	first, since := p.pending[0], p.suspect
	if since == 0 {
		since = p.rose()
	}
	if since == 0 || first.t-since > bumpMost+p.usual() || p.back || p.hintedAt(first.t) {
		return false
	}
	i := len(p.good)
	for i > 0 && p.good[i-1].t >= since {
		i--
	}
	if i < levelReads || p.carried {
		return false
	}
	was, after := newestLevel(p.good[:i], p.noise), firstLevel(p.pending, p.noise)
	dt := (after.t - was.t).Seconds()
	fall := was.kg - after.kg
	if fall < float64(min(was.rate, after.rate)*dt)-p.pairs() || fall > float64(max(was.rate, after.rate)*dt)+p.pairs() {
		return false
	}
	p.good, p.suspect = p.good[:i], 0
	for n := len(p.begun); n > 1 && !p.settled && p.begun[n-1].t > was.t; n-- {
		p.begun = p.begun[:n-1]
	}
	p.believe()
	return true
}

// believe takes what is pending for flow.
func (p *platform) believe() {
	flow := p.pending
	p.pending = nil
	for _, s := range flow {
		p.accept(s)
	}
	p.refit()
}

// undoTouch takes back the last of seldom readings before a rise where the flow before it
// explains all that came after: nothing flows back into a cylinder, so a hand was on the valve
// that was being shut. What lies between may be a shift for good, and is in the band.
func (p *platform) undoTouch() bool {
	n, first := len(p.good)-1, p.pending[0]
	if p.usual() < seldom || n < levelReads || p.carried || p.lifted || p.back || p.hintedAt(first.t) {
		return false
	}
	touched, was, after := p.good[n], newestLevel(p.good[:n], p.noise), firstLevel(p.pending, p.noise)
	fall, dt := was.kg-after.kg, (after.t - was.t).Seconds()
	if first.v <= touched.v || was.rate <= 4*was.rateSe || fall < float64(min(was.rate, after.rate)*dt)-p.pairs() || fall > float64(max(was.rate, after.rate)*dt)+p.pairs() {
		return false
	}
	p.perhaps(first.v-touched.v, touched, first)
	p.forget(n)
	p.believe()
	return true
}

// rose is when the newest of the believed readings rose, within the time of a
// bump: nothing flows back into a cylinder. Nought: they did not.
func (p *platform) rose() time.Duration {
	n := len(p.good)
	for i := n - 1; i > 0 && p.good[n-1].t-p.good[i].t < bumpMost; i-- {
		if p.good[i].v-p.good[i-1].v > max(float64(1.5*p.units.digit()), p.pairs()) {
			return p.good[i].t
		}
	}
	return 0
}

// stoodBriefly takes the readings since a small rise for where the cylinder
// stood, where it is lifted off before that is known to stay: nothing flows
// back into one, so the last readings before the rise were a hand on the valve.
func (p *platform) stoodBriefly(last, lifted sample) {
	n := len(p.pending)
	if n < levelReads && p.usual() < seldom || p.lifted || p.back || p.hintedAt(last.t) && p.hint == "scale-zeroed" {
		return
	}
	first, newest := p.pending[0], p.pending[n-1]
	if first.v < last.v || first.v-last.v > gulpMost || math.Abs(lifted.v) >= emptyKg && newest.v-lifted.v < gulpMost {
		return
	}
	stood := median(p.pending)
	k := len(p.good)
	for k > 0 && p.good[k-1].v < stood-p.pairs() && (first.t-p.good[k-1].t < bumpMost || k == len(p.good)) { // one of seldom readings, too
		k--
	}
	if k < levelReads || k == len(p.good) || p.carried || p.good[k-1].v < stood-p.pairs() {
		return
	}
	if n == 1 { // one reading against another: either may be of a hand
		p.handLast.moreKg = first.v - last.v
	}
	p.forget(k)
	for _, s := range p.pending {
		p.accept(s)
	}
	p.refit()
}

// flowsFast reports whether what looked like jump upon jump is a valve opened
// wide: it falls evenly for longer than a bump.
func (p *platform) flowsFast(last sample) bool {
	n := len(p.fast)
	span := p.fast[n-1].t - last.t
	if span < bumpMost || n < 4 && (n < levelReads || span < time.Duration(n)*seldom) {
		return false
	}
	return evenly(last, p.fast)
}

// evenly reports whether readings fall evenly from one on, as flow does.
func evenly(from sample, ss []sample) bool {
	last := ss[len(ss)-1]
	mean := (from.v - last.v) / (last.t - from.t).Seconds()
	for _, s := range ss {
		step := (from.v - s.v) / (s.t - from.t).Seconds()
		if step < 0.4*mean || step > 2.5*mean {
			return false
		}
		from = s
	}
	return mean > 0
}
