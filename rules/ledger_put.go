package rules

import (
	"math"
	"time"
)

// Hands on a cylinder that is put on or lifted off: which readings show it standing still, and
// by how much less, or more, has gone in where one reading says it against another.

// leeway is by how much less, and more, may have gone in than is taken.
type leeway struct{ lessKg, moreKg float64 }

// putSince are the readings since a load was put on, of those since the first of the jumps;
// none where it is no load.
func (p *platform) putSince(stands bool) (put []sample) {
	if !stands || p.lifted {
		return nil
	}
	since := p.fast
	for i, s := range p.fast {
		if math.Abs(s.v) < emptyKg {
			since = p.fast[i+1:]
		}
	}
	return append(put, since[:min(len(since), putMost)]...)
}

// stoodAfterHand is the level at which a load that was just put on stood, where its first
// readings are of a hand on it, or of a display on its way: of one weight, until a flow begins
// at it. What lies above may have flowed before, where that flow would have let it; a lone
// first reading may be of a hand.
func (p *platform) stoodAfterHand() (still weight, ok bool) {
	p.hand = leeway{}
	if !p.stands || p.lifted {
		return still, false
	}
	ss, least := p.put, 1
	for least < len(ss) && ss[least].v > ss[least-1].v+p.pairs() { // nothing flows back: it was being put on
		least++
	}
	highest := least - 1
	for i := 0; i < len(ss) && (i <= least || ss[i].t-ss[0].t < bumpMost); i++ {
		k := i
		if i <= highest { // the last of those that rise first
			k = highest - i
		}
		one, rate, ok := p.stoodFrom(ss, k, handOn)
		if !ok {
			continue
		}
		if k < least && one.n == 1 {
			later, _, ok := p.stoodFrom(ss, k+1, 0)
			if ok && later.n > 1 { // two readings say more than one
				continue
			}
			if ok {
				p.hand.lessKg = max(0, one.kg-later.kg)
			}
		}
		if k >= least {
			before := ss[k-1]
			if above := before.v - one.kg; above > p.pairs() && above < p.pairs()+float64(gapHigh*rate*(ss[k].t-before.t).Seconds()) {
				p.hand.moreKg = above
			}
		}
		return one, true
	}
	return still, false
}

// handOn is how long a hand stays on a valve that it opens; our choice.
const handOn = 4 * time.Second

// stoodFrom is the level of readings from one on that show one weight until a flow begins at
// it, where they do, and that flow. A hand may be on the valve for so long, or at one reading.
func (p *platform) stoodFrom(ss []sample, k int, hand time.Duration) (still weight, rate float64, ok bool) {
	within, m, sum, low, high := p.pairs(), 0, 0.0, math.Inf(1), math.Inf(-1)
	for ; k+m < len(ss); m++ {
		low, high = min(low, ss[k+m].v), max(high, ss[k+m].v)
		if high-low > within {
			break
		}
		sum += ss[k+m].v - ss[k].v
	}
	least := levelReads
	if p.usual() >= seldom {
		least = 1
	}
	if m < least {
		return still, 0, false
	}
	newest, kg := ss[k+m-1], ss[k].v+sum/float64(m)
	for from := k + m; from+levelReads <= len(ss); from++ {
		if touched := from > k+m; touched && (hand == 0 || from > k+m+1 && ss[from-1].t-ss[k+m].t > hand) {
			break
		}
		later := firstLevel(ss[from:], p.noise)
		if later.rate <= 4*later.rateSe || float64(float64(later.rate*float64(least))*p.usual().Seconds()) < within { // so slow a flow shows no stand
			continue
		}
		begins := later.t.Seconds() - (kg-later.kg)/later.rate
		if begins >= newest.t.Seconds()-within/later.rate && begins <= ss[from].t.Seconds()+within/later.rate {
			return weight{kg: kg, se: p.noise.sigma() / math.Sqrt(float64(m)), rateSe: math.Inf(1), n: m, span: newest.t - ss[k].t}, later.rate, true
		}
	}
	return still, 0, false
}

// onItsWay reports whether the last of seldom readings is of a cylinder that was being lifted
// off, by more than it flowed: it stood between the reading before it and what may have flowed
// since then. Where it once flowed as fast, its valve may have been opened again, too.
func (p *platform) onItsWay(ss []sample) (was weight, perhapsKg float64, ok bool) {
	n := len(ss) - 1
	if n < 2 {
		return was, 0, false
	}
	dt := (ss[n].t - ss[n-1].t).Seconds()
	within := max(p.pairs(), float64(1.5*p.units.digit()))
	line := newestLevel(ss[:n], p.noise)
	step := ss[n-1].v - ss[n].v
	most := float64(max(line.rate, p.steepest(ss[max(0, n-levelReads):n])) * dt)
	surely := line.n > levelReads && line.rate > ratedTimes*line.rateSe && line.at(ss[n].t)-ss[n].v > 2*p.pairs() // it flowed evenly until then
	if !surely && step <= within+float64(1.5*most) {
		return was, 0, false
	}
	kg := line.at(ss[n-1].t)
	fastest := p.fastest
	if p.fastAt == ss[n].t { // by this very fall
		fastest = p.slower
	}
	if step <= within+float64(gapHigh*fastest*dt) {
		perhapsKg = kg - ss[n].v
	}
	most = float64(max(0, line.rate) * dt)
	if n >= 3 && ss[n-2].v-ss[n-1].v < float64(steadyShare*(ss[n-3].v-ss[n-2].v)) { // it was shut by then
		most = 0
	}
	return weight{kg: kg - float64(most/2), se: max(line.se, most/4), n: 1, rateSe: math.Inf(1)}, perhapsKg, true
}

// swappedUnseen doubts a fall between two readings that was taken for flow, where the cylinder
// stood still before it and after it, and somebody says later that it was changed: no part
// of the best estimate, for what is missing is added sooner than what is too much is recovered.
func (p *platform) swappedUnseen() {
	ss := p.own()
	for i := len(ss) - levelReads; i >= levelReads && !p.lifted; i-- {
		fall := ss[i-1].v - ss[i].v
		least := max(emptyKg, p.jump())
		if ss[i].t == p.putBackAt { // two full ones weigh nearly the same
			least = max(p.pairs(), p.units.digit())
		}
		if fall < least {
			continue
		}
		was, is := ss[i-levelReads:i], ss[len(ss)-levelReads:]
		if highestOf(was)-lowestOf(was) <= p.pairs() && highestOf(is)-lowestOf(is) <= p.pairs() && ss[i].v-is[0].v < max(p.pairs(), float64(1.5*p.units.digit())) {
			p.perhaps(-fall, ss[i-1], ss[i])
		}
		return
	}
}
