package rules

import (
	"math"
	"time"
)

// What one reading is: flow, which is believed; the first after a jump, which waits
// until it is known what that was; or the first after a silence.

// weigh takes one gross weight.
func (p *platform) weigh(s sample) {
	for len(p.rows) > rowsMost {
		p.fold()
	}
	p.units.see(s.v)
	p.noise.rounded(p.units.finest())
	p.hold(s)
	if n := len(p.put); n > 0 && n < putMost {
		p.put = append(p.put, s)
	}
	if p.earlier.v != 0 {
		p.beganSilent(s)
	}
	if len(p.good) == 0 && len(p.pending) == 0 {
		p.open([]sample{s})
		return
	}
	last := p.good[len(p.good)-1]
	newest := last
	if n := len(p.pending); n > 0 {
		newest = p.pending[n-1]
	}
	if s.t-newest.t < pause && !p.away {
		return // late, or twice
	}
	if p.dropTail(s) {
		last = p.good[len(p.good)-1]
	}
	if p.away { // the cylinder's weight bridges it all the same, but says nothing of the rate
		p.away = false
		if p.hintedAt(s.t) && p.hint == "cylinder-swapped" || last.v > 1 && s.v < -emptyKg {
			p.awayMoved(last)
			p.open([]sample{s})
			return
		}
		if s.v-last.v > gulpMost && !p.lifted { // another one, and nobody has said so yet
			p.awayMoved(last)
			p.open([]sample{s})
			p.swapped, p.untold = s.t, true
			return
		}
		if fall := last.v - s.v; fall >= -p.jump() && (math.Abs(s.v) > emptyKg || last.v < 1) {
			p.bridge(s, EndedPowerCut)
			return
		}
		p.lost = true
	}
	if len(p.pending) > 0 {
		p.weighAfterJump(s, last, newest)
		return
	}
	if !p.lifted && p.silence(s.t-last.t, gapAtLeast) && p.toldSwapped(last) && !p.hintedAt(s.t) { // whatever it weighs: it is another one
		p.pending, p.fast, p.unheard, p.back = []sample{s}, []sample{s}, s.t-last.t, false
		p.breakSegment()
		return
	}
	p.back = p.cameBackZeroed(last, s)
	if p.back || p.jumped(last, s) {
		if s.v > last.v && !p.back && p.undoBump(s) {
			p.accept(s)
			return
		}
		p.pending, p.fast, p.unheard = []sample{s}, []sample{s}, s.t-last.t
		p.aside, p.cleared = nil, false
		return
	}
	zeroed := p.zeroedRow > 0 && p.zeroedRow == len(p.rows) && !p.lifted // the load is the same, and one reading tells what it showed then
	if p.silence(s.t-last.t, gapAtLeast) && (len(p.own()) > 1 || zeroed || p.lifted && (s.t-last.t).Seconds() > float64(lostReads*p.beat.Seconds())) {
		why := EndedSilence
		if p.cut {
			why = EndedPowerCut
		}
		before, opened := p.fit, p.opening()
		if p.bridge(s, why); !p.lifted {
			p.spanned = &spanned{len(p.rows) - 1, before, opened}
		}
		return
	}
	p.accept(s)
}

func (p *platform) weighAfterJump(s, last, newest sample) {
	if p.silence(s.t-newest.t, backAfter) && p.thawedBefore(last, true) {
		p.weigh(s)
		return
	}
	if p.silence(s.t-newest.t, backAfter) && p.changedBefore(last, newest, s) {
		p.weigh(s)
		return
	}
	onItsWay := p.toldZeroed(last) && newest.v >= emptyKg && newest.v < last.v && p.silence(s.t-newest.t, backAfter) && p.cameBackZeroed(last, s)
	if !p.lifted && (onItsWay || math.Abs(newest.v-last.v) < gulpMost && p.cameBackZeroed(newest, s)) { // what touched it before is gone with its zero
		p.pending, p.fast, p.aside = nil, nil, nil
		p.weigh(s)
		return
	}
	p.unheard = max(p.unheard, s.t-newest.t)
	rate := p.fit.rate
	if p.passed(s, last, newest) {
		return
	}
	if math.Abs(s.v-newest.v) > p.jump() && !p.thawed(last) { // it has left where it jumped to
		rate = jumpKgPerS
	}
	if p.continues(last, s, rate) && p.leaves(newest, s) && !p.hintedAt(s.t) && !p.back && !p.keyed(last) && newest.t-p.offSince(last, s) < bumpMost {
		p.tail, p.tailUp, p.came = s.t, p.pending[0].v > last.v, s.t
		p.pending = nil // it was a bump
		p.accept(s)
		if math.Abs(newest.v) < emptyKg && last.v > 1 { // lifted off: it gave nothing meanwhile
			p.putBackAt = s.t
			if p.suspect == s.t {
				p.suspect = 0
			}
		}
		return
	}
	// Nought after a silence is no flow, however evenly it goes on; nor is a display on its way to it.
	falls := len(p.fast) < fastMost && !p.back && !(p.hint == "scale-zeroed" && p.hintedAt(s.t) && math.Abs(s.v) < emptyKg)
	if falls {
		p.fast = append(p.fast, s)
	}
	if falls && p.flowsFast(last) {
		flow := p.fast
		p.pending, p.fast = nil, nil
		for _, f := range flow {
			p.accept(f)
		}
		p.refit()
		return
	}
	if p.bumpedAside(s, newest) {
		return
	}
	if p.jumped(newest, s) || math.Abs(s.v) < emptyKg && math.Abs(newest.v) >= emptyKg { // or it was still on its way there
		if len(p.pending) > 1 && p.lifts(s) && p.thawedBefore(last, false) {
			p.weigh(s)
			return
		}
		if p.thawedAside(last, s) {
			p.weigh(s)
			return
		}
		p.stoodBriefly(last, s)
		p.nought = p.nought || p.lifted && math.Abs(newest.v) < emptyKg
		// Of seldom readings one of an empty platform is enough: no bump goes so far.
		often := len(p.pending) >= levelReads || p.usual() >= seldom && last.v > gulpMost+emptyKg
		p.cleared = p.cleared || !p.lifted && last.v > 1 && often && math.Abs(newest.v) < emptyKg
		if n := len(p.aside); !p.lifted || n < max(levelReads, len(p.pending)) || s.t-p.aside[n-1].t >= bumpMost { // a kick swings to and fro
			p.aside = p.pending
		}
		p.pending = []sample{s}
		return
	}
	p.pending = append(p.pending, s)
	if s.t-p.pending[0].t >= bumpMost {
		if p.goesOn(last, s) { // it has come back little by little
			p.pending = nil
			p.accept(s)
			return
		}
		if p.keyed(last) || !p.undoRise() && !p.undoTouch() {
			p.stoodFirst()
			p.breakSegment()
		}
	}
}

func (p *platform) accept(s sample) {
	if n := len(p.good); n > 0 {
		last := p.good[n-1]
		dt := (s.t - last.t).Seconds()
		if off := last.v - s.v - float64(p.fit.rate*dt); (p.suspect == 0 || math.Abs(off) > 2*p.leapt) && n >= 3 && (p.noise.levels >= 3 || p.noise.waved.seen >= 8 && p.beat <= bumpMost+bumpMost/10) && math.Abs(off) > max(0.6*jumpLeast, 0.6*p.pairs()) && !p.held(s) {
			p.suspect, p.leapt, p.doubt = s.t, math.Abs(off), 0
		}
		if s.v != p.same.v {
			p.same, p.sameBy = s, p.fit.rate
		}
	} else {
		p.same, p.sameBy = s, 0
	}
	p.noise.see(s)
	p.good, p.lost = append(p.good, s), false
	if len(p.own()) >= levelReads {
		p.beat = p.usual()
	}
	for len(p.good) > 8 && s.t-p.good[0].t > historyFor {
		p.good = p.good[1:]
	}
	if !p.settled {
		p.begun = append(p.begun, s)
	}
	if p.carried && s.t-p.good[1].t >= bumpMost {
		p.good, p.carried = p.good[1:], false
	}
	if p.fits(s) {
		p.refit()
		if p.same.t == s.t {
			p.sameBy = max(p.sameBy, p.fit.rate)
		}
	}
	if p.suspect > 0 && s.t-p.suspect >= max(doubtedLeast, p.doubt) {
		p.doubted()
	}
}

// fits reports whether it is time for a new level: of readings that come often each few, of
// seldom ones where the newest does not lie on the old one's line, or for a while none was taken.
func (p *platform) fits(s sample) bool {
	since := s.t - p.fitted
	switch {
	case len(p.good) <= levelReads:
		return true
	case p.beat < seldom || since >= levelLong:
		return since >= max(levelEvery, p.rest)
	}
	return since >= max(levelEvery, p.rest) && math.Abs(p.fit.at(s.t)-s.v) > 1.5*p.noise.sigma()
}

// jumped reports whether two readings lie further apart than flow explains.
// Nothing flows back into a cylinder.
func (p *platform) jumped(a, b sample) bool {
	dt := (b.t - a.t).Seconds()
	fall := a.v - b.v
	most := max(p.jump(), float64(jumpKgPerS*dt), p.jump()+float64(2*p.fit.rate*dt))
	if b.t-a.t >= gapAtLeast && p.fastest > 0 && (fall <= most && !p.opening()) { // nothing says that it flowed faster than it ever did
		most = p.jump() + float64(2*p.fastest*dt)
	}
	if p.unheardYet() && p.flowedUnheard(a, b) {
		most = max(most, fall)
	}
	if len(p.pending) == 0 && p.hintedAt(b.t) {
		most = p.jump() + float64(gapHigh*p.fit.rate*dt)
	}
	return -fall > p.jump() || fall > most || len(p.pending) == 0 && p.takenOff(fall-float64(max(0, p.fit.rate)*dt))
}

// jump is how far two readings on end lie apart that no noise explains.
func (p *platform) jump() float64 {
	if p.noise.levels < 3 && p.noise.risen.seen < 2*risesNeed || !p.units.known() {
		return jumpAtOnce
	}
	return max(jumpLeast, float64(2.5*p.units.digit()), float64(jumpNoise*p.noise.sigma()))
}

// pairs is how far noise moves two readings on end apart, four standard
// deviations.
func (p *platform) pairs() float64 { return float64(4 * math.Sqrt2 * p.noise.sigma()) }

// opening reports whether the newest believed reading lies below the level of
// those before it: a valve was just opened, by how much nobody knows.
func (p *platform) opening() bool {
	ss := p.own()
	n := len(ss) - 1
	if n < levelReads {
		return false
	}
	before := newestLevel(ss[:n], p.noise)
	return before.at(ss[n].t)-ss[n].v > max(p.pairs(), p.units.digit())
}

// continues reports whether a reading goes on from an earlier one, whether the
// flow went on meanwhile, at half as much again at most, or was stopped.
func (p *platform) continues(a, b sample, rate float64) bool {
	fall := a.v - b.v
	return fall >= -p.jump() && fall <= p.jump()+float64(1.5*max(0, rate)*(b.t-a.t).Seconds())
}

// leaves reports whether a reading has left where a jump went, the flow before
// it and the fall since it allowed for.
func (p *platform) leaves(jumped, s sample) bool {
	dt := (s.t - jumped.t).Seconds()
	rate, since := max(0, p.fit.rate), max(0, p.fit.rate)
	if first := p.pending[0]; len(p.pending) >= levelReads {
		since = max(0, (first.v-jumped.v)/(jumped.t-first.t).Seconds())
	}
	there := jumped.v - s.v // the flow may have ended, too
	return min(math.Abs(there), math.Abs(there-float64(rate*dt)), math.Abs(there-float64(since*dt))) > p.pairs()
}

// goesOn reports whether a reading lies where the flow before a jump would
// have brought it, and no longer where the jump went.
func (p *platform) goesOn(before, s sample) bool {
	flowed := float64(max(0, p.fit.rate) * (s.t - before.t).Seconds())
	first := p.pending[0]
	taken := p.takenOff(before.v - first.v - float64(max(0, p.fit.rate)*(first.t-before.t).Seconds()))
	return math.Abs(before.v-flowed-s.v) <= p.pairs() && !taken && !p.back && !p.hintedAt(s.t) && !p.keyed(before) &&
		math.Abs(first.v-float64(max(0, p.fit.rate)*(s.t-first.t).Seconds())-s.v) > p.pairs()
}

// dropTail takes back the first reading after a bump where the next one shows
// that the display was still on its way back then; and those after it, of a bump
// downwards, as long as a display takes: that it flows on hides the way.
func (p *platform) dropTail(s sample) bool {
	n := len(p.good)
	if len(p.pending) > 0 || len(p.own()) < 2 || p.good[n-1].t != p.tail {
		return false
	}
	last := p.good[n-1]
	back := last.v - s.v - float64(max(0, p.fit.rate)*(s.t-last.t).Seconds())
	if !p.tailUp {
		back = -back
		if p.tail == p.came {
			back = s.v - last.v
		}
	}
	if back <= p.pairs() {
		return false
	}
	p.forget(n - 1)
	if !p.tailUp && s.t-p.came < comesToRest {
		p.tail = s.t
	}
	p.noise.apart()
	p.refit()
	return true
}

// forget takes back the readings from one on.
func (p *platform) forget(from int) {
	first := p.good[from].t
	p.good = p.good[:from]
	if p.suspect >= first {
		p.suspect = 0
	}
	for n := len(p.begun); n > 1 && !p.settled && p.begun[n-1].t >= first; n-- {
		p.begun = p.begun[:n-1]
	}
}

// own is what this step has weighed.
func (p *platform) own() []sample {
	if p.carried {
		return p.good[1:]
	}
	return p.good
}

// usual is the time between readings.
func (p *platform) usual() time.Duration {
	ss := p.own()
	n := len(ss)
	if n < 2 {
		return 0
	}
	return (ss[n-1].t - ss[0].t) / time.Duration(n-1)
}
