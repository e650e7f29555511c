package rules

import (
	"math"
	"time"
)

// What a jump was that stayed: a shift, another cylinder, a scale zeroed, a display
// in another unit, or somebody who leaned on it.

// breakSegment closes the segment where it was before the jump and opens the
// next with what came since.
func (p *platform) breakSegment() {
	p.refit()
	flowed, earlier, surely := p.fit.rate, p.flowing, p.fit.rate > 4*p.fit.rateSe
	p.finish()
	last, first := p.good[len(p.good)-1], p.pending[0]
	was, flowing, after := p.fit, p.fit, firstLevel(p.pending, p.noise)
	gap, fall := first.t-last.t, was.kg-after.kg
	empty := math.Abs(after.kg) < emptyKg && was.kg > 1
	stands := false // another load: it is put on, and what was there taken off, with the valve shut
	silent := p.back || p.silence(p.unheard, gapAtLeast)
	// Of a platform that shows less than nothing when it is empty, nought is a scale that was zeroed.
	zeroed := p.hintedAt(first.t) && p.hint == "scale-zeroed" || p.zero < -1 && !p.lifted && math.Abs(after.kg) < emptyKg
	if (empty || math.Abs(fall) > gulpMost || p.lifted || p.cleared) && !silent && !zeroed && len(p.own()) > 0 {
		rest := p.restedAt()
		was.kg, was.se, stands = rest.kg, rest.se, true
		p.fit.se, fall = rest.se, rest.kg-after.kg
	}
	var whole *joint
	flows := after
	flows.rate = min(after.rate, newestLevel(p.pending, p.noise).rate) // a display that comes to rest falls at first
	frozen, sure := p.frozen(last, first, flows)
	p.unit = p.unit || p.unitChanged(was, after, flowing, gap)
	switch {
	case p.carried && len(p.good) == 1 && !(p.back && last.v < 0): // another cylinder since the step before
		p.anotherSince(last, first)
	case p.keyed(last) && !silent:
		p.next(last.t, was.kg, EndedZeroed, false)
	case !silent && !frozen && !zeroed && !empty && !p.lifted && math.Abs(fall) > gulpMost && !p.hintedAt(first.t) && p.fast[0].t == first.t && steady(flowing, after):
		// Nobody changes a cylinder while it flows: something heavy was laid on, or taken off.
		p.fit.se = flowing.se
		p.next(last.t, flowing.kg, EndedShift, false)
		p.flowedOn(flowing.rate, after.rate, gap)
		p.laidKg = max(0, -fall)
	case silent: // the best guess is that it flowed on as before
		if was.rate == 0 && surely && restLevel(p.own(), p.noise, false).span < bumpMost { // a few like readings are no shut valve
			was.rate = flowed
		}
		p.breakSilent(was, after, gap)
	case frozen: // it showed its last value while it flowed
		p.thaw(sure)
		return
	case p.lifted && fall > gulpMost: // what was taken for an empty platform was zeroed under a cylinder that is lifted now
		p.notLifted(earlier)
		p.next(last.t, was.kg, EndedSwap, false)
		p.lifted, p.stood, p.empties, p.offRow = true, was, nil, 0
	case p.lifted && math.Abs(after.kg) < emptyKg && was.kg < -1 && !(p.offRow > 0 && math.Abs(after.kg-p.stood.kg) <= p.jump()): // zeroed, empty, and not what was lifted off put back
		p.next(last.t, was.kg, EndedZeroed, false)
		p.empties = append(p.empties, was)
		p.open(p.pending)
		p.pending = nil
		return
	case p.lifted && p.offRow > 0 && was.kg-p.lowest() > gulpMost: // the same, between two readings
		p.notLifted(earlier)
		p.next(last.t, was.kg, EndedSwap, true)
	case p.lifted && fall < -1:
		p.putOn(was, after)
	case p.cleared && !zeroed && !p.lifted && after.kg > emptyKg && math.Abs(fall) <= p.jump() && !(p.hintedAt(first.t) && p.hint == "cylinder-swapped"): // lifted off and put back: it gave nothing meanwhile
		p.sameAgain(last.t, was.kg, fall)
	case p.cleared && !zeroed && after.kg > emptyKg && (math.Abs(fall) > p.jump() || !p.lifted): // another cylinder, put on within the time of a bump; two full ones weigh nearly the same, and who changed them knows
		p.another(last.t, was, gap)
	case fall > gulpMost && after.kg > max(emptyKg, float64(emptyShare*was.kg)): // no empty platform: another cylinder, between two readings
		p.another(last.t, was, gap)
		p.stuckOn(last, fall)
	case zeroed && after.kg < emptyKg && after.kg > -max(emptyKg, float64(gapHigh*was.rate*gap.Seconds())) && (empty || fall > gulpMost):
		p.next(last.t, was.kg, EndedZeroed, false)
		p.unwatched(len(p.rows), was, after, last.t, first.t)
	case empty || fall > gulpMost:
		p.next(last.t, was.kg, EndedSwap, false)
		p.onKg = float64(was.rate * gap.Seconds()) // it may have flowed on until then
		p.rows[len(p.rows)-1].HighKg += p.onKg + p.thawedOnce(last)
		p.lifted, p.stood, p.flowing, p.empties, p.offRow = true, was, flowing, nil, len(p.rows)
	case p.hintedAt(first.t) && p.hint == "cylinder-swapped" && !p.lifted && math.Abs(fall) > p.jump() && p.fast[0].t != first.t: // who changed them knows
		p.another(last.t, was, gap)
	case fall > -gulpMost: // a shift; or, downwards, a gulp too fast to be one
		whole = p.moved(was, after, max(was.rate, flowed))
	case math.Abs(after.kg) < emptyKg: // it showed what had left it since it was zeroed
		empty := p.lifted
		p.next(last.t, was.kg, EndedZeroed, false)
		if !empty {
			p.unwatched(len(p.rows), was, after, last.t, first.t)
		}
	case (zeroed || p.putBack(after.kg)) && p.zeroedRow > 0: // lifted off, zeroed and put back, between two readings or within the time of a bump
		p.next(last.t, was.kg, EndedSwap, false)
		p.backOn(after.kg)
	default: // another one, between two readings; or somebody leans on it
		p.leant = &leant{sample{last.t, was.kg}, max(was.rate, flowed), len(p.rows), p.cylinder, p.swapped, p.untold, p.zero}
		p.another(last.t, was, gap)
	}
	if fall > gulpMost {
		p.leftAlone(sample{first.t, after.kg})
	}
	p.put = p.putSince(stands)
	p.open(p.pending)
	p.pending, p.settling, p.stands, p.joint = nil, true, stands, whole
}

// anotherSince is another cylinder that stands there since the step before.
func (p *platform) anotherSince(last, first sample) {
	p.start = weight{t: last.t, kg: last.v}
	p.unseen(max(p.mostBetween(first.t-last.t), last.v-first.v), last.v, first.t, p.stepAt) // or it is the same one, and gave that
	next := p.firstHeard
	p.next(last.t, last.v, EndedSwap, true)
	if next != nil { // what the one before gave is in its row
		p.firstHeard = &firstHeard{since: next.since}
	}
}

// sameAgain is a cylinder that was lifted off and put back between two readings, by so much
// lighter: it may have given that before.
func (p *platform) sameAgain(t time.Duration, kg, fallKg float64) {
	p.next(t, kg, EndedSwap, false)
	if r := &p.rows[len(p.rows)-1]; fallKg > 0 {
		r.BestKg, r.HighKg = r.BestKg+fallKg, r.HighKg+fallKg
	}
}

// backOn is a cylinder set on a platform that was zeroed empty: the one under which it had been zeroed
// before, or another.
func (p *platform) backOn(grossKg float64) {
	p.regain(grossKg, 0)
	if p.zeroedRow > 0 { // another one
		p.cylinder++
		p.zeroedRow = 0
	}
}

// another closes a segment where another cylinder stands there: the one before may have
// flowed on until then.
func (p *platform) another(t time.Duration, was weight, gap time.Duration) {
	if len(p.rows) == 0 && math.Abs(was.kg) < emptyKg { // the first one: what the empty platform showed, a hose laid on it perhaps
		p.zero = was.kg
	}
	p.next(t, was.kg, EndedSwap, true)
	p.rows[len(p.rows)-1].HighKg += float64(max(0, was.rate) * gap.Seconds())
}

// moved closes a segment where the weight shifted; it may be found later that it
// went on, with the flow that was seen before the last reading was touched.
func (p *platform) moved(was, after weight, flowed float64) (whole *joint) {
	last, first, line := p.good[len(p.good)-1], p.pending[0], was
	if ss := p.own(); len(ss) > 0 && !p.lifted {
		line = newestLevel(ss, p.noise)
	}
	if steady(line, after) { // it flows on as before: nobody had shut the valve just then, as its last readings may look
		was, p.fit = line, line
	}
	fall := was.kg - after.kg
	by := fall - float64((was.rate+after.rate)/2*(first.t-last.t).Seconds())
	taken := p.takenOff(fall) || p.takenOff(by)
	empty := p.lifted && !p.flowedLifted(p.start.kg-was.kg)
	if !empty && !p.lifted && !p.hintedAt(first.t) && !p.carried {
		whole = p.jointed(was, fall)
		whole.line, whole.was.rate, whole.apart = line, flowed, taken
		whole.gap, whole.flowed = first.t-last.t, float64((was.rate+after.rate)/2*(first.t-last.t).Seconds())
	}
	p.next(last.t, was.kg, EndedShift, false)
	if !empty {
		p.flowedOn(was.rate, after.rate, first.t-last.t)
		if !taken {
			most := fall
			if last.t-p.same.t < freezeFor { // the display followed what flows: in so short a time no hose gives more
				fastest := jumpKgPerS
				if p.fastest > 0 {
					fastest = min(fastest, 2*max(p.fastest, was.rate, after.rate)) // our choice
				}
				most = min(fall, float64(fastest*(first.t-last.t).Seconds()))
			}
			p.rows[len(p.rows)-1].HighKg += max(0, most)
		}
		p.laidKg = max(0, -by)
	}
	p.lifted = empty
	return whole
}

// takenOff reports whether a fall is what was laid on the cylinder before, where
// noise is none.
func (p *platform) takenOff(kg float64) bool {
	within := max(p.pairs(), p.units.digit())
	return p.laidKg > 2*within && math.Abs(kg-p.laidKg) <= within
}

// lowest is the least that was shown since the first of the jumps.
func (p *platform) lowest() float64 { return lowestOf(p.fast) }

func lowestOf(ss []sample) (kg float64) {
	kg = ss[0].v
	for _, s := range ss {
		kg = min(kg, s.v)
	}
	return kg
}

func highestOf(ss []sample) (kg float64) {
	kg = ss[0].v
	for _, s := range ss {
		kg = max(kg, s.v)
	}
	return kg
}

// leant is a platform before it suddenly weighed more.
type leant struct {
	was      sample
	rate     float64
	rows     int
	cylinder int
	swapped  time.Duration
	untold   bool
	zero     float64
}

// leanMost is how long somebody leans on a scale, or leaves what he put on it;
// later it is another cylinder. Our choice.
const leanMost = 10 * time.Minute

// leftAlone takes back that there was another cylinder, and that it weighed more
// than any does, where the weight has come back to where the flow before has
// brought it.
func (p *platform) leftAlone(s sample) {
	l := p.leant
	if p.leant = nil; l == nil || s.t-l.was.t > leanMost || p.zeroedRow > 0 || p.hintedAt(s.t) || !p.continues(l.was, s, max(l.rate, p.fastest)) {
		return
	}
	for i := range p.rows[l.rows:] {
		r := &p.rows[l.rows+i]
		if r.Cylinder = l.cylinder; r.Ended == EndedSwap {
			r.Ended = EndedShift
		}
	}
	if p.lifted { // of a scale that was zeroed the cylinder shows no more than an empty platform
		p.lifted, p.empties, p.offRow = false, nil, 0
	}
	p.cylinder, p.swapped, p.untold, p.zero = l.cylinder, l.swapped, l.untold, l.zero
	if p.byTare {
		p.unit, p.byTare = false, false
	}
}

// unitChanged reports whether a jump is a display that shows pounds for kilograms, or the
// reverse. In one moment nobody changes its unit and the cylinder: where there was time for
// both, unitBySwap tells it by the flow.
func (p *platform) unitChanged(was, after, flowing weight, gap time.Duration) bool {
	first := p.pending[0]
	switch {
	case p.hintedAt(first.t) || p.toldSwapped(p.good[len(p.good)-1]) || p.lifted || p.fast[0].t != first.t: // it showed something else between
		return false
	case gap <= max(bumpMost, 2*p.usual()):
		return otherUnit(was.kg, after.kg, switchShare) && !steady(flowing, after) // its flow changed alike
	}
	// It was silent, and flowed on meanwhile, or not.
	half := float64(gapHigh * max(0, flowing.rate) * gap.Seconds() / 2)
	return otherUnit(was.kg-half, after.kg, half/max(1, was.kg)+switchShare)
}

// rated is a cylinder's full weight and the last flow from it that was well known.
type rated struct {
	cylinder   int
	kg, kgPerS float64
}

const (
	ratedTimes = 20.0 // standard errors of a flow that is well known; our choice
	ratedShare = 0.05 // by which two flows through one valve may differ; our choice
	likeShare  = 0.15 // and two full cylinders of one job; our choice
)

// unitBySwap doubts the unit where with another cylinder both the weight and the flow
// became more, or less, by just what lies between pounds and kilograms: somebody
// switched the display when he changed the cylinder.
func (p *platform) unitBySwap() {
	now := rated{p.cylinder, p.start.kg, p.fit.rate}
	if p.lifted || p.zeroedRow > 0 || p.fit.rate < ratedTimes*p.fit.rateSe || p.fit.span < 3*levelLeast || now.kg < 1 {
		return
	}
	was := p.rated
	if was.cylinder == now.cylinder {
		p.rated.kg, p.rated.kgPerS = max(was.kg, now.kg), now.kgPerS
		return
	}
	p.rated = now
	times := now.kgPerS * poundKg / was.kgPerS
	heavier := now.kg * poundKg / was.kg
	if times < poundKg {
		times, heavier = times/poundKg/poundKg, heavier/poundKg/poundKg
	}
	if was.cylinder > 0 && !p.agreed && math.Abs(times-1) < ratedShare && math.Abs(heavier-1) < likeShare {
		p.unit = true
	}
}

// otherUnit reports whether two weights are the same in pounds and in
// kilograms.
func otherUnit(a, b, within float64) bool {
	if a < 1 || b < 1 { // so little is any share of anything
		return false
	}
	r := float64(max(a/b, b/a) * poundKg)
	return math.Abs(r-1) < within
}

// weighed takes what a person read as the cylinder's weight.
func (p *platform) weighed(grossKg float64) {
	if p.lifted || len(p.own()) == 0 {
		return
	}
	p.refit()
	if p.zeroedRow == 0 && otherUnit(p.levelKg(), grossKg, weighedShare) {
		p.unit = true
		return
	}
	if p.zeroedRow == 0 && math.Abs(p.levelKg()/grossKg-1) < weighedShare { // heavier cylinders than the site file says
		p.unit, p.byTare, p.agreed = p.unit && !p.byTare, false, true
	}
	if h := (byHand{p.cylinder, grossKg, p.levelKg(), 0}); p.zeroedRow > 0 { // that its nought is off is known
		p.byHand = h
	} else {
		p.byHand = p.byHand.and(h)
	}
	p.regain(grossKg, p.openKg())
}

// byHand is a cylinder weighed by a person, and what the scale showed of it. A nought
// that is off changes no difference; so two weighings tell more than one.
type byHand struct {
	cylinder int
	kg, asKg float64
	by       float64 // what went in, times so much; nought: not known to differ
}

const (
	byHandApart = 1.0 // kg between two weighings whose difference tells; our choice
	byHandLeast = 0.1 // kg: two readings by hand differ by as much; our choice
)

// and takes a further weighing.
func (h byHand) and(next byHand) byHand {
	if math.Abs(next.kg-next.asKg) <= max(byHandLeast, float64(weighedShare*next.kg)) {
		return next
	}
	if off := (h.kg - h.asKg) - (next.kg - next.asKg); h.cylinder == next.cylinder && h.by == 0 && h.kg > 0 && math.Abs(off) <= byHandLeast {
		return next // by a nought that is known to be off
	}
	if went := h.asKg - next.asKg; h.cylinder == next.cylinder && math.Abs(went) >= byHandApart {
		if off := (h.kg - next.kg) - went; math.Abs(off) > byHandLeast {
			next.by = (h.kg - next.kg) / went
		}
		return next
	}
	if next.asKg >= 1 { // so little is any share of anything
		next.by = next.kg / next.asKg
	}
	return next
}

// times is what went in by the person's weight, of what did by the scale's.
func (h byHand) times(cylinder int) float64 {
	if h.cylinder != cylinder || h.by <= 0 {
		return 1
	}
	return h.by
}

// inPounds doubts the unit where the cylinder's known weight does. With several
// scales nobody knows which of them.
func (l *ledger) inPounds() {
	if len(l.platforms) != 1 {
		return
	}
	if p := l.platforms[0]; !p.unit && !p.agreed {
		p.unit, p.byTare = true, true
	}
}
