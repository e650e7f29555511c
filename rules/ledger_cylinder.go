package rules

import (
	"math"
	"time"
)

// A cylinder lifted off, what the empty platform shows, and a cylinder put on: the same
// one, which tells what flowed unseen, or another.

// lifts reports whether a reading is of a cylinder that is lifted off.
func (p *platform) lifts(s sample) bool {
	return math.Abs(s.v) < emptyKg || p.pending[len(p.pending)-1].v-s.v > gulpMost
}

// restedAt is the level at which a cylinder stood before it was taken off. What the last
// readings step away by, within the time of a bump, is a hand on it, or the next one on its
// way: where it stood still before them, that tells it.
func (p *platform) restedAt() weight {
	ss := p.own()
	rest := restLevel(ss, p.noise, false)
	n := len(ss) - 1
	if n > 0 && p.usual() >= bumpMost-bumpMost/10 { // so far apart it may have flowed between them, if not as much
		if still, ok := p.noise.stoodAt(ss[:n], false, ss[n].v); ok && math.Abs(still.kg-ss[n].v) > emptyKg {
			return still
		}
		if was, perhapsKg, ok := p.onItsWay(ss); ok {
			was.t = rest.t
			if perhapsKg > 0 { // as it was read, and not surely
				p.handLast.lessKg = perhapsKg
				return rest
			}
			return was
		}
		return rest
	}
	within := max(p.pairs(), float64(1.5*p.units.digit()))
	line := newestLevel(ss, p.noise)
	flows := line.n >= levelReads && line.rate > 4*line.rateSe && math.Abs(line.kg-ss[n].v) <= within
	var longest weight
	for k := n; k >= levelReads && ss[n].t-ss[k].t < bumpMost; k-- {
		was := restLevel(ss[:k], p.noise, false)
		stood := was.n >= 2*levelReads
		if (was.n >= levelReads && (rest.kg > was.kg+within || rest.n < levelReads && !flows) ||
			stood && (rest.kg < was.kg-within || rest.n < levelReads)) && was.n > longest.n {
			longest = was
		}
	}
	if longest.n > 0 {
		longest.t = rest.t
		return longest
	}
	if rest.n >= levelReads || flows || n < levelReads {
		return rest
	}
	// Nobody saw it stand still.
	step := ss[n-1].v - ss[n].v
	if fastest := p.steepest(ss[max(0, n-2*levelReads):n]); p.usual() >= seldom && (step < -within || step > within+float64(1.5*fastest*(ss[n].t-ss[n-1].t).Seconds())) {
		rest.kg, rest.se = ss[n-1].v, max(rest.se, math.Abs(step)/4)
		return rest
	}
	k := n
	for k > 0 && ss[n].t-ss[k-1].t < bumpMost {
		k--
	}
	if k < levelReads {
		return rest
	}
	before := hinged(newestLevel(ss[:k], p.noise), ss[:k], p.noise, false)
	flowed := min(before.kg, max(before.at(ss[n].t), rest.kg))
	if off := math.Abs(rest.kg - flowed); before.n >= levelReads && off > within {
		rest.kg, rest.se = flowed, max(before.se, off/4)
	}
	return rest
}

// steepest is the fastest fall from one of the readings to the next, kg/s.
func (p *platform) steepest(ss []sample) (rate float64) {
	for i := 1; i < len(ss); i++ {
		rate = max(rate, (ss[i-1].v-ss[i].v)/(ss[i].t-ss[i-1].t).Seconds())
	}
	return rate
}

// flowedLifted reports whether what was taken for an empty platform gives
// charge: then it is a scale that was zeroed with the cylinder on it, and
// shows less than nothing. A hand on an empty one never does for long.
func (p *platform) flowedLifted(fallKg float64) bool {
	least := min(max(0.1, float64(jumpNoise*p.noise.sigma())), emptyKg)
	below := max(emptyKg, float64(gapHigh*p.onKg))
	if p.bareUntil > 0 && p.bareUntil == p.began { // it may have been zeroed early in that silence, and have flowed since
		below = max(below, float64(gapHigh*p.fastest*(p.bareUntil-p.bareSince).Seconds()))
	}
	if ss := p.begun; len(ss) > 1 { // between seldom readings it may have flowed before the first of them
		rate := (ss[0].v - ss[1].v) / (ss[1].t - ss[0].t).Seconds()
		below = max(below, float64(gapHigh*rate*(ss[0].t-p.stood.t).Seconds()))
	}
	return (p.fastest > 0 || fallKg > emptyKg) && fallKg > least && p.start.kg < max(emptyKg, float64(emptyShare*p.stood.kg)) && p.start.kg > -below && p.start.kg-fallKg < p.zero-least
}

// loaded looks whether what was taken for an empty platform gives charge: then
// the scale was zeroed with the cylinder on it, and what flowed at that moment
// nobody saw.
func (p *platform) loaded() {
	switch {
	case !p.lifted || !p.flowedLifted(p.start.kg-p.levelKg()):
	case p.offRow > 0 && p.bareUntil > 0 && (p.bareUntil == p.began || p.rows[len(p.rows)-1].Since >= p.bareUntil):
		p.putOnUnseen(p.bareSince, p.start)
		p.begun, p.settled = append([]sample(nil), p.good...), false
		p.begin(p.first())
	default:
		p.notLifted(p.flowing)
	}
}

// putOnUnseen is another cylinder that was set on the empty platform in a silence: it may
// have flowed since, at any moment, and what is weighed from now on is of it.
func (p *platform) putOnUnseen(since time.Duration, after weight) {
	p.lifted, p.empties, p.nought, p.offRow = false, nil, false, 0
	p.cylinder++
	p.unwatched(len(p.rows), weight{t: since, rate: p.flowing.rate, rateSe: p.flowing.rateSe}, after, since, after.t)
	p.blind.put = true
	p.reckon(after)
	p.zeroedRow, p.zeroedGross = 0, 0 // nobody knows what it weighed before
}

// notLifted takes back that the cylinder was lifted off: the scale was zeroed
// under it. What flowed just before is known by its level then.
func (p *platform) notLifted(flowing weight) {
	if p.offRow == 0 {
		return
	}
	r := &p.rows[p.offRow-1]
	more := p.stood.kg - flowing.kg
	r.Ended, r.ToKg = EndedZeroed, flowing.kg
	r.LowKg, r.BestKg, r.HighKg = r.LowKg+more, r.BestKg+more, r.HighKg+more-p.onKg
	until := p.began
	if p.offRow < len(p.rows) {
		until = p.rows[p.offRow].Since
	}
	p.lifted, p.empties, p.nought = false, nil, false
	p.unwatched(p.offRow, flowing, p.start, r.Until, until)
	p.reckon(p.start)
	p.offRow = 0
}

// putOn is a cylinder set on the platform. The one that was lifted off proves
// where nought lay, and lies now: that tells what flowed while a scale was
// silent that came back zeroed under it. Another one does not: somebody may
// have zeroed between.
func (p *platform) putOn(was, after weight) {
	empties := append(p.empties, was)
	stood := p.stood
	zeros := []float64{was.kg}
	if p.nought || p.hintedAt(after.t) && p.hint == "scale-zeroed" {
		zeros = append(zeros, 0) // zeroed while it was empty, for a moment only
	}
	another := p.hintedAt(after.t) && p.hint == "cylinder-swapped" // two full ones weigh nearly the same: who changed them knows
	p.untold = !another
	p.swapped, p.hinted, p.nought = after.t, 0, false
	p.next(was.t, was.kg, EndedSwap, false)
	for _, zero := range zeros {
		p.zero = zero
		weighed := after.kg - zero
		if !another && math.Abs(weighed-(stood.kg-empties[0].kg)) <= p.jump()+float64(1.5*stood.rate*(after.t-stood.t).Seconds()) {
			p.gaveSince(stood.kg-empties[0].kg-weighed, after.t-stood.t)
			p.regain(weighed, 0)
			return
		}
	}
	p.bare(empties[0])
	p.cylinder++
	p.zeroedRow, p.blind = 0, nil
}

// changedBefore takes what is pending for a cylinder that was put on, for the empty
// platform, or for the cylinder under which somebody says he zeroed the scale, where a
// silence has followed before it was known to stay: what the scale shows after that is of
// another load, or by another nought, and it may have flowed meanwhile.
func (p *platform) changedBefore(last, newest, s sample) bool {
	put := newest.v >= 1 && newest.v-last.v >= gulpMost
	off := !p.lifted && p.usual() >= seldom && last.v > gulpMost+emptyKg && math.Abs(newest.v) < emptyKg && s.v < emptyKg
	zeroed := !p.lifted && p.hintedAt(newest.t) && p.hint == "scale-zeroed" && math.Abs(newest.v) < emptyKg && s.v <= newest.v+p.jump()
	fell := !p.lifted && last.v-newest.v > gulpMost && s.v < emptyKg && p.toldSwapped(newest) // it was on its way off
	if p.back || !put && !off && !zeroed && !fell {
		return false
	}
	p.stoodFirst()
	p.breakSegment()
	return true
}

// keyed reports whether a jump was somebody who zeroed a scale, read net, a while after he put
// the cylinder on: an empty platform below nought, then about nought, and nought itself.
func (p *platform) keyed(last sample) bool {
	n := len(p.rows)
	if n == 0 || p.rows[n-1].ToKg > -1 || p.lifted || math.Abs(last.v) > emptyKg || len(p.pending) < levelReads {
		return false
	}
	for _, s := range p.pending[:levelReads] {
		if math.Abs(s.v) > p.units.digit()/2 {
			return false
		}
	}
	return true
}

// putBack reports whether a cylinder under which the scale was zeroed weighs now
// what it must weigh above an empty platform that shows nought.
func (p *platform) putBack(kg float64) bool {
	if p.zeroedRow == 0 || p.zeroedGross < emptyKg+gulpMost {
		return false
	}
	r := p.rows[p.zeroedRow-1]
	was := p.belowZeroed() + r.BestKg
	return kg > was-2*r.HighKg-p.jump() && kg < was-r.LowKg+p.jump() // what flowed unseen may be more than its reckoning; another cylinder weighs otherwise
}

// belowZeroed is what a cylinder weighs, by the best estimate, that was on the scale when
// that was zeroed: what it weighed before, less what has left it since.
func (p *platform) belowZeroed() float64 {
	kg := p.zeroedGross - p.openKg()
	for _, later := range p.rows[p.zeroedRow-1:] {
		kg -= later.BestKg
	}
	return kg
}

// gaveSince adds to a cylinder that was lifted off what it weighs less now that
// it is back: it gave that after the last reading before, between two of a slow
// scale. Where a silence is to be reckoned by the same weights, regain tells it.
func (p *platform) gaveSince(kg float64, off time.Duration) {
	most := max(float64(gapHigh*p.onKg), float64(1.5*p.stood.rate*off.Seconds())) // its valve may have been open all the while
	if p.zeroedRow > 0 || p.offRow == 0 || kg <= 0 || kg > p.jump()+most {
		return
	}
	r := &p.rows[p.offRow-1]
	if r.HighKg += kg - p.onKg; p.stood.rate > noFlow { // of one that stood still with its valve shut, another that weighs nearly the same
		r.LowKg, r.BestKg = r.LowKg+kg, r.BestKg+kg
	}
	p.offRow, p.onKg = 0, 0
}

// bare tells what flowed unseen by what the platform showed without the cylinder under
// which it was zeroed: less than nothing, by what stood on it then. So it does where
// another one is put on, or what lay on it is gone.
func (p *platform) bare(empty weight) {
	if p.zeroedRow == 0 || empty.kg > -1 {
		return
	}
	if r := p.rows[p.zeroedRow-1]; r.HighKg-r.LowKg > p.pairs() { // else the rate tells it as well
		p.variance += float64(p.noise.sigma() * p.noise.sigma()) // of the moment at which it was zeroed
		p.found(p.zeroedGross - (r.ToKg - empty.kg))
	}
}

// emptied reports whether a weight is what the empty platform shows where the
// scale was zeroed with a cylinder on it: less than nothing, by what that weighed
// then.
func (p *platform) emptied(kg float64) bool {
	if p.zeroedRow == 0 {
		return false
	}
	r := p.rows[p.zeroedRow-1]
	shows := r.ToKg - p.zeroedGross
	return kg > shows+r.LowKg-p.jump() && kg < shows+r.HighKg+p.jump()
}
