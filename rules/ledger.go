package rules

import (
	"math"
	"slices"
	"strconv"
	"time"
)

// ledger keeps what went into a system by weight. The scale carries the
// cylinder: what leaves it is the sum of slow falls of the gross weight. A
// jump is not flow (a cylinder lifted off or put on, a scale zeroed, a hose
// that was kicked): it closes one segment and opens the next. One ledger runs
// over draw-in and weigh-in.
type ledger struct {
	clock     watch
	seen      uint64        // the newest entry that it has taken
	stepAt    time.Duration // the step's begin, by that clock: what was heard since the last weighing step goes before
	before    charge        // by the steps before this one
	platforms []*platform
}

// charge is a charged mass, best estimate and bounds, against what was aimed at.
type charge struct {
	bestKg, lowKg, highKg float64
	unweighedKg           float64 // of the best estimate, the part no scale saw
	seKg                  float64 // what the scale's noise leaves of the best estimate: a standard error
	targetKg              float64
	allowanceKg           float64 // that the site gave
	aimed                 bool    // there is a target
	unit                  bool    // a scale shows pounds that are taken for kilograms, or the reverse
}

func (c charge) remainingKg() float64 { return wholeMg(c.targetKg - c.bestKg) }

// wholeMg rounds to what a reading can hold, so that sums leave no crumbs.
func wholeMg(kg float64) float64 { return math.Round(kg*1e6) / 1e6 }

const (
	poundKg      = 0.45359237 // exact (international avoirdupois pound)
	switchShare  = 0.003      // of a weight: a display that changes its unit is that exact; our choice
	weighedShare = 0.02       // of a weight that a person read on another occasion; our choice
)

const (
	bumpMost    = 10 * time.Second       // a jump that goes back sooner is a bump (the contract)
	jumpLeast   = 0.03                   // kg between two readings; our choice: a kicked hose shows 0.05 kg and more (the field guide)
	jumpNoise   = 6                      // standard deviations of a reading that make a jump; our choice
	jumpAtOnce  = 0.2                    // kg, until the scale's noise is known; our choice
	jumpKgPerS  = 0.05                   // faster than charging hoses flow (3 kg/min); common practice
	emptyKg     = 0.3                    // an empty platform shows less (the field guide)
	emptyShare  = 0.05                   // of the weight before: about nought, with a hose laid on; our choice
	gapAtLeast  = 30 * time.Second       // a silence in which flow is bridged
	backAfter   = 10 * time.Second       // a silence after which a scale may come back zeroed: scale-silent speaks by then (the contract)
	lostReads   = 3.5                    // of the usual time between readings: three on end are lost by chance once in 30,000 times where one in 30 is; our choice
	noFlow      = 0.02 / 60              // kg/s: the draw-in's end (the field guide)
	gapHigh     = 1.25                   // what may have flowed in a gap, of the rate before it (the field guide)
	pause       = 500 * time.Millisecond // readings closer than this are one
	gulpMost    = 2.0                    // kg: a fall of more that no rate explains is another cylinder (common practice)
	endedMost   = 10 * time.Minute       // how long after its end a step's flow may have gone on
	historyFor  = 5 * time.Minute        // of readings that give a level
	levelEvery  = 4 * time.Second        // how often it is taken anew
	seldomNeed  = 20 * time.Second       // the same, where nobody asks for it but now and then
	firstMost   = 300                    // readings that give a segment's first weight
	freezeFor   = 20 * time.Second       // the same weight for as long while it flowed: a scale that shows its last value; our choice
	steadyShare = 0.7                    // of the flow before: where it flows on by as much nobody turned the valve meanwhile; our choice
	fastMost    = 300                    // readings of jump upon jump that are looked at: flow shows itself sooner
	rowsMost    = 200                    // closed rows that are told apart: weeks of faults must not slow the box
)

// platform is one scale and the cylinder on it.
type platform struct {
	point    string
	cylinder int // on it since the step's begin, from 1

	rows     []Segment // closed
	variance float64   // of their ends, in kg squared

	// The open segment: its gross weight when it began, and the readings that gave it.
	start    weight
	blur     float64 // by how much noise widened its doubt then
	began    time.Duration
	begun    []sample
	stepAt   time.Duration // the step's begin
	settled  bool          // start is final
	settling bool          // it began with a jump
	stands   bool          // of a load put on: it stood still first
	joint    *joint        // it may be the one before, that went on
	leant    *leant        // before it suddenly weighed more; nil: it did not
	lifted   bool          // the cylinder was lifted off: what is weighed is the platform
	stood    weight        // the cylinder before it was
	onKg     float64       // what may have flowed until it was
	flowing  weight        // the same cylinder, were it the flow that went on
	offRow   int           // the index and one of the row that ended with its being lifted off
	empties  []weight      // what the platform showed since

	good    []sample // readings of the open segment that are believed
	fit     weight   // by them
	fitted  time.Duration
	rest    time.Duration // between two fits, where longer
	fastest float64       // kg/s that surely flowed in this step
	pending []sample      // since a jump, until it is known what it was
	aside   []sample      // what was pending before the newest jump: it may be a bump in turn
	cleared bool          // since the first of these jumps the platform stood empty
	fast    []sample      // since the first of several jumps on end: perhaps fast flow
	nought  bool          // the empty platform showed nought for a moment
	back    bool          // pending is a scale that came back zeroed
	tail    time.Duration // the first reading after a bump: the display may still be on its way back from it
	tailUp  bool          // the bump was upwards
	suspect time.Duration // the reading at which the weight may have jumped by a little; nought: none
	leapt   float64       // kg: by how much
	doubt   time.Duration // how long after it it is looked at next
	same    sample        // since when the weight has been the very same
	sameBy  float64       // the rate before that
	laidKg  float64       // that a shift laid on the cylinder
	changes int           // readings a digit from the one before
	repeats bool          // one was the same as the one before
	paused  bool          // it was silent for a while, and came back
	away    bool          // the box was off since the last weight, nobody knows for how long
	cut     bool          // the box was off since
	units   granularity
	unit    bool // it shows pounds, or did: what it calls kilograms is in doubt
	byTare  bool // because no cylinder of the job weighs so much
	agreed  bool // somebody weighed what stands there, and found the same
	noise   noise
	unheard time.Duration // the longest time without a reading since the last good one
	swapped time.Duration // when a cylinder was last lifted off or put on
	untold  bool          // and nobody has said so yet
	hinted  time.Duration // a person said that the cylinder is swapped or the scale zeroed until then
	hint    string        // what he said

	// The scale came back zeroed with the cylinder on it: which row tells what
	// nobody saw, and the weights before and after.
	zeroedRow   int     // its index and one; nought: none
	blind       *blind  // the same row, while the flow after it is not known for good
	zeroedGross float64 // before it
	tare        float64 // of a cylinder; nought: not known
	zero        float64 // what the empty platform showed last

	// The step before this one told its last gross weight and its rate then:
	// what flowed between the two is the difference, where that can be flow.
	from                 *sample // that weight, of the segment that goes on from it
	carried              bool    // good still begins with it
	endRate              float64
	betweenKg, betweenHi float64 // between the steps: in best and not surely; perhaps
}

func beginLedger(s Start) *ledger {
	if l, ok := s.between.goesOn(s); ok {
		return l
	}
	l := &ledger{clock: startWatch(s)}
	for _, p := range s.Points {
		if p.Role == "charging-scale" {
			tare, _ := limit(s.Step, "tare")
			l.platforms = append(l.platforms, &platform{point: p.Name, cylinder: 1, tare: tare.Value, swapped: -toldLate})
		}
	}
	if last, ok := lastWeighed(s.Earlier); ok {
		l.before = earlierCharge(last)
		gap := endedMost
		if last.At.Boot == s.Entry.At.Boot {
			gap = min(gap, max(0, s.Began.Since-last.At.Since))
		}
		for i, p := range l.platforms {
			p.carry(last, i, gap, s.Swapped > last.Seq, s.Weighed > last.Seq)
			if s.ended != nil {
				p.knows(s.ended.platforms[i])
				p.swapped = l.clock.of(s.ended.clock.when(p.swapped))
			}
		}
	}
	return l
}

// knows takes over what an earlier step learned of the scale, and the swap that it saw:
// somebody may tell of that only now.
func (p *platform) knows(was *platform) {
	p.units = was.units // not its noise: compressors run now
	p.swapped, p.untold = was.swapped, was.untold
}

// lastWeighed is the newest verdict of a draw-in or weigh-in: each counts
// from the system's first draw-in.
func lastWeighed(given []Finding) (last Finding, ok bool) {
	for _, f := range given {
		if isWeighing(f.Step) && (!ok || f.Seq >= last.Seq) {
			last, ok = f, true
		}
	}
	return last, ok
}

// carry goes on from the gross weight at which the step before ended.
func (p *platform) carry(last Finding, place int, gap time.Duration, swapped, elsewhere bool) {
	for _, v := range last.Values {
		switch v.Key {
		case grossKey(place):
			from := sample{-gap, v.Number}
			p.start, p.from = weight{t: from.t, kg: from.v}, &from
			p.fit = p.start
			p.good, p.carried = []sample{from}, true
		case rateKey(place):
			p.endRate, p.fit.rate = v.Number, v.Number
		}
	}
	if (swapped || elsewhere) && p.from != nil { // another cylinder stands there, or another system drew from it: its weight says nothing of the one before
		p.betweenHi = p.mostBetween(gap)
		p.from, p.carried, p.good = nil, false, nil
	}
	if swapped {
		p.cylinder++
	}
}

// mostBetween is what may have flowed between two steps, by the rate at which
// the first one ended.
func (p *platform) mostBetween(gap time.Duration) float64 {
	return max(0, min(float64(gapHigh*p.endRate*gap.Seconds()), p.start.kg))
}

// A verdict tells the gross weight of each scale, and what left it then: the
// next step goes on from there.
func grossKey(place int) string { return numbered("gross", place) + "_kg" }
func rateKey(place int) string  { return numbered("flow", place) + "_kg_per_s" }

func numbered(key string, place int) string {
	if place == 0 {
		return key
	}
	return key + "_" + strconv.Itoa(place+1)
}

// grosses are these values.
func (l *ledger) grosses() (vs []Value) {
	for i, p := range l.platforms {
		if len(p.good) == 0 {
			continue
		}
		vs = append(vs, Value{grossKey(i), wholeMg(p.levelKg())})
		if p.fit.rate > noFlow {
			vs = append(vs, Value{rateKey(i), p.fit.rate})
		}
	}
	return vs
}

// earlierCharge is the total after an earlier draw-in or weigh-in.
func earlierCharge(f Finding) (was charge) {
	for _, v := range f.Values {
		switch v.Key {
		case "drawn_kg", "charged_kg":
			was.bestKg, was.lowKg, was.highKg = v.Number, v.Number, v.Number
		case "charged_low_kg":
			was.lowKg = v.Number
		case "charged_high_kg":
			was.highKg = v.Number
		case "unweighed_kg":
			was.unweighedKg = v.Number
		}
	}
	return was
}

// Next follows the scale; it finds nothing. Two judges of a step hold it: each
// hands it what comes, and it takes an entry once.
func (l *ledger) Next(e Entry) {
	if e.Seq > 0 && e.Seq == l.seen {
		return
	}
	l.seen = e.Seq
	l.clock.hear(e)
	switch b := e.Body.(type) {
	case *Started:
		for _, p := range l.platforms {
			p.away, p.cut = p.away || !b.GapKnown, true
		}
	case *Measured:
		if !b.Health.Usable() || !b.Health.Live() {
			return
		}
		for _, p := range l.platforms {
			if p.point == b.Point {
				p.weigh(sample{l.clock.of(b.Taken), b.Value})
			}
		}
	case *Told:
		for _, p := range l.platforms {
			switch b.Name {
			case "cylinder-swapped", "scale-zeroed":
				p.told(l.clock.newest, b.Name)
			case "cylinder-weight":
				if b.Unit == "kg" {
					p.weighed(b.Value)
				}
			}
		}
	}
}

// hintFor is how long after its mark a jump is what the mark says.
const hintFor = 2 * time.Minute

// toldLate is how long after a swap was seen a mark of one is of that, where
// nobody has told it yet; our choice.
const toldLate = 10 * time.Minute

// told takes a mark. What was seen already needs no telling: after it, what
// falls is flow again.
func (p *platform) told(now time.Duration, mark string) {
	if seen := now - p.swapped; mark == "cylinder-swapped" && !p.lifted && (seen < hintFor || p.untold && seen < toldLate) {
		p.untold = false
		return
	}
	p.hinted, p.hint = now+hintFor, mark
}

// rested is a ledger that takes its levels seldom, and when it is asked.
func (l *ledger) rested() *ledger {
	for _, p := range l.platforms {
		p.rest = seldomNeed
	}
	return l
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
	p.regain(grossKg, p.openKg())
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

// otherUnit reports whether two weights are the same in pounds and in
// kilograms.
func otherUnit(a, b, within float64) bool {
	if a < 1 || b < 1 { // so little is any share of anything
		return false
	}
	r := float64(max(a/b, b/a) * poundKg)
	return math.Abs(r-1) < within
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
	p.blind, p.leant = nil, nil
	p.offRow = max(0, p.offRow-1)
}

// weigh takes one gross weight.
func (p *platform) weigh(s sample) {
	for len(p.rows) > rowsMost {
		p.fold()
	}
	p.units.see(s.v)
	p.noise.rounded(p.units.finest())
	p.hold(s)
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
		if fall := last.v - s.v; fall >= -p.jump() && (math.Abs(s.v) > emptyKg || last.v < 1) {
			p.bridge(s, EndedPowerCut)
			return
		}
	}
	if len(p.pending) > 0 {
		p.weighAfterJump(s, last, newest)
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
	if p.silence(s.t-last.t, gapAtLeast) && len(p.own()) > 1 {
		why := EndedSilence
		if p.cut {
			why = EndedPowerCut
		}
		p.bridge(s, why)
		return
	}
	p.accept(s)
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
	}
	p.cut = false
	p.next(last.t, p.levelKg(), EndedPowerCut, true)
	p.rows[len(p.rows)-1].HighKg += max(0, most)
}

// dropTail takes back the first reading after a bump where the next one shows
// that the display was still on its way back then.
func (p *platform) dropTail(s sample) bool {
	n := len(p.good)
	if len(p.pending) > 0 || len(p.own()) < 2 || p.good[n-1].t != p.tail {
		return false
	}
	last := p.good[n-1]
	back := last.v - s.v - float64(max(0, p.fit.rate)*(s.t-last.t).Seconds())
	if !p.tailUp {
		back = s.v - last.v
	}
	if back <= p.pairs() {
		return false
	}
	p.forget(n - 1)
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

// bridge goes on after a stretch in which nothing was heard: the cylinder's
// weight before and after says what flowed.
func (p *platform) bridge(s sample, why string) {
	last := p.good[len(p.good)-1]
	kg := p.levelKg()
	if p.lifted {
		kg = s.v // a platform without a cylinder gives nothing
	}
	p.closeRow(last.t, kg, why)
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

// closeRow writes the open segment into the ledger.
func (p *platform) closeRow(t time.Duration, kg float64, why string) {
	fall := p.start.kg - kg
	if p.lifted && !p.flowedLifted(fall) {
		fall = 0
	} else if p.lifted {
		fall += p.onKg
	}
	r := Segment{Scale: p.point, Cylinder: p.cylinder, Since: p.began, Until: t, FromKg: p.start.kg, ToKg: kg,
		LowKg: fall - p.betweenKg, BestKg: fall, HighKg: fall + p.betweenHi, Ended: why}
	if p.lifted && fall == 0 {
		r.Cylinder = 0 // nothing stood there
	}
	p.rows = append(p.rows, r)
	p.betweenKg, p.betweenHi, p.blind = 0, 0, nil
}

// flowedLifted reports whether what was taken for an empty platform gives
// charge: then it is a scale that was zeroed with the cylinder on it, and
// shows less than nothing. A hand on an empty one never does for long.
func (p *platform) flowedLifted(fallKg float64) bool {
	least := min(max(0.1, float64(jumpNoise*p.noise.sigma())), emptyKg)
	return (p.fastest > 0 || fallKg > emptyKg) && fallKg > least && p.start.kg < max(emptyKg, float64(emptyShare*p.stood.kg)) && p.start.kg > -max(emptyKg, float64(gapHigh*p.onKg)) && p.start.kg-fallKg < p.zero-least
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
	return math.Abs(before.v-flowed-s.v) <= p.pairs() && !p.back && !p.hintedAt(s.t) &&
		math.Abs(first.v-float64(max(0, p.fit.rate)*(s.t-first.t).Seconds())-s.v) > p.pairs()
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
		if !p.continues(g, s, jumpKgPerS) || !p.below(p.good[k+1:], g, s) || p.flows(k+1) || len(p.good) > k+levelReads && evenly(g, p.good[k+1:]) {
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

func (p *platform) weighAfterJump(s, last, newest sample) {
	if p.silence(s.t-newest.t, backAfter) && p.thawedBefore(last, true) {
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
	if p.continues(last, s, rate) && p.leaves(newest, s) && !p.hintedAt(s.t) && !p.back && newest.t-p.offSince(last, s) < bumpMost {
		p.tail, p.tailUp = s.t, p.pending[0].v > last.v
		p.pending = nil // it was a bump
		p.accept(s)
		if math.Abs(newest.v) < emptyKg && last.v > 1 && p.suspect == s.t { // lifted off: it gave nothing meanwhile
			p.suspect = 0
		}
		return
	}
	falls := len(p.fast) < fastMost
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
		p.stoodBriefly(last, s)
		p.nought = p.nought || p.lifted && math.Abs(newest.v) < emptyKg
		// Of seldom readings one of an empty platform is enough: no bump goes so far.
		often := len(p.pending) >= levelReads || p.usual() >= seldom && last.v > gulpMost+emptyKg
		p.cleared = p.cleared || !p.lifted && last.v > 1 && often && math.Abs(newest.v) < emptyKg
		p.aside, p.pending = p.pending, []sample{s}
		return
	}
	p.pending = append(p.pending, s)
	if s.t-p.pending[0].t >= bumpMost {
		if p.goesOn(last, s) { // it has come back little by little
			p.pending = nil
			p.accept(s)
			return
		}
		if !p.undoRise() {
			p.breakSegment()
		}
	}
}

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

// thawedBefore takes for what flowed a jump that a silence, or a cylinder's being
// lifted off, has followed before it was known to stay, where the scale had
// shown its last value; surely, if that is asked.
func (p *platform) thawedBefore(last sample, surely bool) bool {
	if p.lifted || p.back || p.hintedAt(p.pending[0].t) {
		return false
	}
	frozen, sure := p.frozen(last, p.pending[0], weight{kg: p.pending[0].v})
	if !frozen || surely && !sure {
		return false
	}
	p.thaw(sure)
	return true
}

// thaw takes a jump for what flowed while the scale showed its last value;
// surely, or perhaps.
func (p *platform) thaw(sure bool) {
	since := p.pending
	p.bridge(since[0], EndedSilence)
	if !sure {
		p.rows[len(p.rows)-1].LowKg = 0
	}
	for _, s := range since[1:] {
		p.accept(s)
	}
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
	if newest.t-bump.t >= bumpMost || !p.continues(last, s, jumpKgPerS) || !p.leaves(newest, s) {
		return false
	}
	p.pending, p.aside = append(p.aside, s), nil
	return true
}

// stoodBriefly takes the readings since a small rise for where the cylinder
// stood, where it is lifted off before that is known to stay: nothing flows
// back into one, so the last readings before the rise were a hand on the valve.
func (p *platform) stoodBriefly(last, lifted sample) {
	n := len(p.pending)
	if n < levelReads && (n < 2 || p.usual() < seldom) || p.lifted || p.back || p.hintedAt(last.t) && p.hint == "scale-zeroed" {
		return
	}
	first, newest := p.pending[0], p.pending[n-1]
	if first.v < last.v || first.v-last.v > gulpMost || math.Abs(lifted.v) >= emptyKg && newest.v-lifted.v < gulpMost {
		return
	}
	stood := median(p.pending)
	k := len(p.good)
	for k > 0 && p.good[k-1].v < stood-p.pairs() && first.t-p.good[k-1].t < bumpMost {
		k--
	}
	if k < levelReads || k == len(p.good) || p.carried || p.good[k-1].v < stood-p.pairs() {
		return
	}
	p.forget(k)
	for _, s := range p.pending {
		p.accept(s)
	}
	p.refit()
}

// lifts reports whether a reading is of a cylinder that is lifted off.
func (p *platform) lifts(s sample) bool {
	return math.Abs(s.v) < emptyKg || p.pending[len(p.pending)-1].v-s.v > gulpMost
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
	flow := p.pending
	p.pending = nil
	for _, s := range flow {
		p.accept(s)
	}
	p.refit()
	return true
}

// rose is when the newest of the believed readings rose, within the time of a
// bump: nothing flows back into a cylinder. Nought: they did not.
func (p *platform) rose() time.Duration {
	n := len(p.good)
	for i := n - 1; i > 0 && p.good[n-1].t-p.good[i].t < bumpMost; i-- {
		if p.good[i].v-p.good[i-1].v > max(jumpLeast, p.units.digit()+p.pairs()) {
			return p.good[i].t
		}
	}
	return 0
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

// jumped reports whether two readings lie further apart than flow explains.
// Nothing flows back into a cylinder.
func (p *platform) jumped(a, b sample) bool {
	dt := (b.t - a.t).Seconds()
	fall := a.v - b.v
	most := max(p.jump(), float64(jumpKgPerS*dt), p.jump()+float64(2*p.fit.rate*dt))
	if b.t-a.t >= gapAtLeast && p.fastest > 0 && (fall <= most && !p.opening()) { // nothing says that it flowed faster than it ever did
		most = p.jump() + float64(2*p.fastest*dt)
	}
	if len(p.pending) == 0 && p.hintedAt(b.t) {
		most = p.jump() + float64(gapHigh*p.fit.rate*dt)
	}
	return -fall > p.jump() || fall > most || len(p.pending) == 0 && p.takenOff(fall-float64(max(0, p.fit.rate)*dt))
}

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

// jump is how far two readings on end lie apart that no noise explains.
func (p *platform) jump() float64 {
	if p.noise.levels < 3 && p.noise.risen.seen < 2*risesNeed || !p.units.known() {
		return jumpAtOnce
	}
	return max(jumpLeast, float64(2.5*p.units.digit()), float64(jumpNoise*p.noise.sigma()))
}

func (p *platform) hintedAt(t time.Duration) bool { return p.hinted > 0 && t <= p.hinted }

// cameBackZeroed reports whether a scale that was silent shows nothing now
// although a cylinder stood on it and cannot have emptied.
func (p *platform) cameBackZeroed(last, s sample) bool {
	gap := s.t - last.t
	if !p.silence(gap, backAfter) || math.Abs(s.v) >= max(emptyKg, float64(emptyShare*last.v)) {
		return false
	}
	meant := float64(p.fit.rate * gap.Seconds())
	if last.v > 1 { // nought itself is no weight of a cylinder
		nought := math.Abs(s.v) <= p.units.digit()+float64(max(0, p.fit.rate)*p.usual().Seconds())
		return nought || last.v-s.v > float64(gapHigh*meant)+emptyKg
	}
	// It was zeroed before: about nought again although it flowed, or where it was
	// zeroed last, so that the same again says nothing of what flowed.
	return last.v < 0 && meant > p.jump() && last.v-s.v < max(p.pairs(), meant/10) ||
		p.zeroedRow > 0 && !p.lifted && math.Abs(last.v) <= p.jump() && math.Abs(s.v) <= p.units.digit()+p.pairs()
}

// silence reports whether a time without a reading is one, and not a few that
// were lost on their way.
func (p *platform) silence(gap, least time.Duration) bool {
	return gap >= least && gap.Seconds() > float64(lostReads*p.usual().Seconds())
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

// own is what this step has weighed.
func (p *platform) own() []sample {
	if p.carried {
		return p.good[1:]
	}
	return p.good
}

// breakSegment closes the segment where it was before the jump and opens the
// next with what came since.
func (p *platform) breakSegment() {
	p.refit()
	flowed, earlier, surely := p.fit.rate, p.flowing, p.fit.rate > 4*p.fit.rateSe
	p.finish()
	last, first := p.good[len(p.good)-1], p.pending[0]
	was, flowing := p.fit, p.fit
	after := firstLevel(p.pending, p.noise)
	gap := first.t - last.t
	fall := was.kg - after.kg
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
	case p.carried && len(p.good) == 1: // another cylinder since the step before
		p.start = weight{t: last.t, kg: last.v}
		p.betweenHi = p.mostBetween(gap)
		p.next(last.t, last.v, EndedSwap, true)
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
	case p.cleared && !zeroed && after.kg > emptyKg && math.Abs(fall) > p.jump(): // another cylinder, put on within the time of a bump
		p.next(last.t, was.kg, EndedSwap, true)
		p.rows[len(p.rows)-1].HighKg += float64(max(0, was.rate) * gap.Seconds()) // it may have flowed on until then
	case fall > gulpMost && after.kg > max(emptyKg, float64(emptyShare*was.kg)): // no empty platform: another cylinder, between two readings
		p.next(last.t, was.kg, EndedSwap, true)
		p.stuckOn(last, fall)
	case zeroed && after.kg < emptyKg && after.kg > -max(emptyKg, float64(gapHigh*was.rate*gap.Seconds())) && (empty || fall > gulpMost):
		p.next(last.t, was.kg, EndedZeroed, false)
		p.unwatched(len(p.rows), was, after, last.t, first.t)
	case empty || fall > gulpMost:
		p.next(last.t, was.kg, EndedSwap, false)
		p.onKg = float64(was.rate * gap.Seconds()) // it may have flowed on until then
		p.rows[len(p.rows)-1].HighKg += p.onKg
		p.lifted, p.stood, p.flowing, p.empties, p.offRow = true, was, flowing, nil, len(p.rows)
	case p.hintedAt(first.t) && p.hint == "cylinder-swapped" && !p.lifted && math.Abs(fall) > p.jump() && p.fast[0].t != first.t: // who changed them knows
		p.next(last.t, was.kg, EndedSwap, true)
		p.rows[len(p.rows)-1].HighKg += float64(max(0, was.rate) * gap.Seconds())
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
		p.regain(after.kg, 0)
		if p.zeroedRow > 0 { // another one
			p.cylinder++
			p.zeroedRow = 0
		}
	default: // another one, between two readings; or somebody leans on it
		p.leant = &leant{sample{last.t, was.kg}, max(was.rate, flowed), len(p.rows), p.cylinder, p.swapped, p.untold}
		p.next(last.t, was.kg, EndedSwap, true)
	}
	if fall > gulpMost {
		p.leftAlone(sample{first.t, after.kg})
	}
	p.open(p.pending)
	p.pending, p.settling, p.stands, p.joint = nil, true, stands, whole
}

// leant is a platform before it suddenly weighed more.
type leant struct {
	was      sample
	rate     float64
	rows     int
	cylinder int
	swapped  time.Duration
	untold   bool
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
	p.cylinder, p.swapped, p.untold = l.cylinder, l.swapped, l.untold
	if p.byTare {
		p.unit, p.byTare = false, false
	}
}

// restedAt is the level at which a cylinder stood before it was taken off. What the last
// readings step away by, within the time of a bump, further than the flow before them
// brings them, is a hand on it, or the next one on its way.
func (p *platform) restedAt() weight {
	ss := p.own()
	rest := restLevel(ss, p.noise, false)
	n := len(ss) - 1
	if n > 0 && p.usual() >= bumpMost-bumpMost/10 { // so far apart it may have flowed between them, if not as much
		if still, ok := p.noise.stoodAt(ss[:n], false, ss[n].v); ok && math.Abs(still.kg-ss[n].v) > emptyKg {
			return still
		}
		return rest
	}
	k := n
	for k > 0 && ss[n].t-ss[k-1].t < bumpMost {
		k--
	}
	if k == 0 {
		return rest
	}
	before := hinged(newestLevel(ss[:k], p.noise), ss[:k], p.noise, false)
	if before.n < levelReads {
		return rest
	}
	within := max(p.pairs(), float64(1.5*p.units.digit()))
	for ; math.Abs(ss[k].v-before.at(ss[k].t)) <= within; k++ {
		if k == n { // all agree
			return rest
		}
	}
	before = hinged(newestLevel(ss[:k], p.noise), ss[:k], p.noise, false)
	flowed := before.at(ss[n].t)
	switch {
	case rest.kg < flowed-within:
		rest.kg, rest.se = flowed, before.se
	case rest.kg > before.kg+within:
		rest.kg, rest.se = before.kg, before.se
	}
	return rest
}

// unitChanged reports whether a jump is a display that shows pounds for kilograms, or the
// reverse. Nobody changes its unit and the cylinder in the same moment.
func (p *platform) unitChanged(was, after, flowing weight, gap time.Duration) bool {
	first := p.pending[0]
	return !p.hintedAt(first.t) && !p.lifted && gap <= max(bumpMost, 2*p.usual()) && otherUnit(was.kg, after.kg, switchShare) &&
		p.fast[0].t == first.t && !steady(flowing, after) // it showed nothing else between, and its flow changed alike
}

// moved closes a segment where the weight shifted; it may be found later that it
// went on, with the flow that was seen before the last reading was touched.
func (p *platform) moved(was, after weight, flowed float64) (whole *joint) {
	last, first := p.good[len(p.good)-1], p.pending[0]
	fall := was.kg - after.kg
	empty := p.lifted && !p.flowedLifted(p.start.kg-was.kg)
	if !empty && !p.lifted && !p.hintedAt(first.t) && !p.carried {
		whole = p.jointed(was, fall)
		whole.was.rate = flowed
	}
	p.next(last.t, was.kg, EndedShift, false)
	if !empty {
		p.flowedOn(was.rate, after.rate, first.t-last.t)
		by := fall - float64((was.rate+after.rate)/2*(first.t-last.t).Seconds())
		if !p.takenOff(fall) && !p.takenOff(by) {
			p.rows[len(p.rows)-1].HighKg += max(0, fall)
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
func (p *platform) lowest() (kg float64) {
	kg = p.fast[0].v
	for _, s := range p.fast {
		kg = min(kg, s.v)
	}
	return kg
}

// joint is a segment that a shift closed, as it was before.
type joint struct {
	was                  weight  // before the shift
	gust                 float64 // the highest rise from one reading to the next in the minute before
	by                   float64 // of so much
	start                weight
	blur                 float64
	began                time.Duration
	begun                []sample
	settled, settling    bool
	betweenKg, betweenHi float64
	variance             float64
	rows                 int
}

func (p *platform) jointed(was weight, by float64) *joint {
	ss := p.own()
	k := len(ss) - 1
	for k > 0 && ss[len(ss)-1].t-ss[k-1].t < gustFor {
		k--
	}
	return &joint{was, highestRise(ss[k:]), by, p.start, p.blur, p.began, p.begun, p.settled, p.settling, p.betweenKg, p.betweenHi, p.variance, len(p.rows)}
}

const (
	gustFor   = time.Minute // of readings that tell whether it blows; our choice
	gustShare = 2.5         // of that highest rise: what a gust lifts a weight by and is none that was laid on; our choice, from invented winds
)

// highestRise is the most that a reading lies above the one before. Nothing flows
// back: that is noise.
func highestRise(ss []sample) (most float64) {
	for i := 1; i < len(ss); i++ {
		most = max(most, ss[i].v-ss[i-1].v)
	}
	return most
}

// stuckOn widens what may have gone in where the scale had shown the very same
// weight for long before it fell: it may have been its last value.
func (p *platform) stuckOn(last sample, fallKg float64) {
	if stood := last.t - p.same.t; stood >= freezeFor {
		r := &p.rows[len(p.rows)-1]
		r.HighKg += max(0, min(fallKg, float64(gapHigh*max(p.fastest, p.sameBy)*stood.Seconds())))
	}
}

// rejoin takes back a shift where, past the time of a bump, the weight lies
// where flow alone brought it: something touched the scale while the flow changed.
func (p *platform) rejoin() {
	j := p.joint
	k := 0
	for k < len(p.begun) && p.begun[k].t-p.begun[0].t < bumpMost {
		k++
	}
	if len(p.begun)-k < levelReads {
		return
	}
	p.joint = nil
	later := firstLevel(p.begun[k:], p.noise)
	span := (later.t - j.was.t).Seconds()
	fall := j.was.kg - later.kg
	low, high := float64(min(j.was.rate, later.rate)*span), float64(max(j.was.rate, later.rate)*span)
	// What touched it may have hidden for as long that a valve was opened or shut.
	hidden := float64(math.Abs(j.was.rate-later.rate) * bumpMost.Seconds())
	low, high = low-hidden, high+hidden
	doubt := 3 * math.Sqrt(float64(j.was.se*j.was.se)+float64(later.se*later.se))
	off := fall - min(max(fall, low), high)
	within := min(max(doubt, jumpLeast), math.Abs(j.by)/4)
	if gust := max(j.gust, highestRise(p.begun[1:])); j.by < 0 && -j.by <= gustShare*gust { // what rises in wind is wind
		within = max(within, -j.by)
	}
	if math.Abs(off) > within || len(p.rows) != j.rows+1 {
		return
	}
	p.rows = p.rows[:j.rows]
	p.start, p.blur, p.began, p.begun, p.settled, p.settling = j.start, j.blur, j.began, j.begun, true, j.settling
	p.betweenKg, p.betweenHi, p.variance = j.betweenKg, j.betweenHi, j.variance
}

// flowedOn adds what flowed between the last reading of a closed segment and
// the first of the next, by the rates before and after.
func (p *platform) flowedOn(before, after float64, gap time.Duration) {
	r, s := &p.rows[len(p.rows)-1], gap.Seconds()
	r.LowKg += float64(min(before, after) * s)
	r.BestKg += float64((before + after) / 2 * s)
	r.HighKg += float64(max(before, after) * s)
}

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

// breakSilent closes the segment before a silence after which the weight
// cannot be compared.
func (p *platform) breakSilent(was, after weight, gap time.Duration) {
	lifted, opened := p.lifted, p.opening()
	why := EndedSilence
	if p.cut {
		why = EndedPowerCut
	}
	last, first := p.good[len(p.good)-1], p.pending[0]
	p.next(last.t, was.kg, why, false)
	p.cut = false
	if lifted {
		p.cylinder++
		return
	}
	p.unwatched(len(p.rows), was, after, last.t, first.t)
	p.blind.opened = opened
	p.reckon(after)
	if p.hintedAt(first.t) && p.hint == "cylinder-swapped" {
		p.cylinder++
		p.zeroedRow, p.blind = 0, nil
	}
}

// blind is what flowed while nobody weighed, and where that stands.
type blind struct {
	row    int // its index
	before weight
	silent bool // nothing was heard for longer than between two readings
	opened bool // a valve had just been opened, by how much nobody knows
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
// most by the greater. Between two readings that no silence kept apart nobody
// had the time for that.
func (p *platform) reckon(after weight) {
	u := p.blind
	if u == nil {
		return
	}
	r := &p.rows[u.row]
	s := (r.Until - r.Since).Seconds()
	low, best, high := 0.0, u.before.rate, max(float64(gapHigh*u.before.rate), after.rate)
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
	if in := p.zeroedGross - p.tare; in > emptyKg { // no more than was in it, steel and all where its tare is not known
		r.LowKg, r.BestKg, r.HighKg = min(r.LowKg, in), min(r.BestKg, in), min(r.HighKg, in)
	}
}

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

// loaded looks whether what was taken for an empty platform gives charge: then
// the scale was zeroed with the cylinder on it, and what flowed at that moment
// nobody saw.
func (p *platform) loaded() {
	if p.lifted && p.flowedLifted(p.start.kg-p.levelKg()) {
		p.notLifted(p.flowing)
	}
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
	p.cylinder++
	p.zeroedRow, p.blind = 0, nil
}

// putBack reports whether a cylinder under which the scale was zeroed weighs now
// what it must weigh above an empty platform that shows nought.
func (p *platform) putBack(kg float64) bool {
	if p.zeroedRow == 0 || p.zeroedGross < emptyKg+gulpMost {
		return false
	}
	r := p.rows[p.zeroedRow-1]
	was := p.zeroedGross - p.openKg()
	for _, later := range p.rows[p.zeroedRow:] {
		was -= later.BestKg
	}
	return kg > was-2*r.HighKg-p.jump() && kg < was-r.LowKg+p.jump() // what flowed unseen may be more than its reckoning; another cylinder weighs otherwise
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
	r.LowKg, r.BestKg, r.HighKg = r.LowKg+kg, r.BestKg+kg, r.HighKg+kg-p.onKg
	p.offRow, p.onKg = 0, 0
}

// regain takes what the cylinder truly weighs, and what left it in the open
// segment, and tells from it what flowed while nobody weighed.
func (p *platform) regain(grossKg, openKg float64) {
	if p.zeroedRow == 0 {
		return
	}
	r := &p.rows[p.zeroedRow-1]
	flowed := p.zeroedGross - grossKg - openKg
	for _, later := range p.rows[p.zeroedRow:] {
		flowed -= later.BestKg
	}
	if flowed < -p.jump() || flowed > p.jump()+float64(jumpKgPerS*(r.Until-r.Since).Seconds()) {
		return // that is another cylinder, or another nought
	}
	flowed = max(0, flowed)
	r.LowKg, r.BestKg, r.HighKg = flowed, flowed, flowed
	p.zeroedRow, p.blind = 0, nil
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

// pairs is how far noise moves two readings on end apart, four standard
// deviations.
func (p *platform) pairs() float64 { return float64(4 * math.Sqrt2 * p.noise.sigma()) }

// thaws reports whether a scale that had shown the very same weight while it
// flowed shows by a reading what flowed meanwhile.
func (p *platform) thaws(s sample) bool {
	meant := float64(p.sameBy * (s.t - p.same.t).Seconds())
	return s.t-p.same.t >= freezeFor && p.sameBy > noFlow && math.Abs(p.same.v-s.v-meant) < float64(meant/4)+p.units.digit()
}

// held reports whether what a reading fell by is no more than may have flowed while
// the scale showed the very same weight.
func (p *platform) held(s sample) bool {
	meant, fall := float64(p.sameBy*(s.t-p.same.t).Seconds()), p.same.v-s.v
	return s.t-p.same.t >= freezeFor && p.sameBy > noFlow && fall >= 0 && fall < float64(gapHigh*meant)+p.units.digit()
}

// thawed reports whether the jump may be what flowed while the scale showed its
// last value.
func (p *platform) thawed(last sample) bool {
	frozen, _ := p.frozen(last, p.pending[0], weight{kg: p.pending[0].v})
	return frozen
}

// frozen reports whether the weight lies lower after a jump because the scale
// had shown its last value while it flowed: the fall is no more than would have
// flowed, at the rate before or after, since the value was first shown. It is
// sure where it flows on or noise would have moved the readings. Else it may as
// well be a hose that was lifted off after the valve was shut; to take it for
// charge is the safer side, as what is missing is added sooner than what is too
// much is recovered.
func (p *platform) frozen(last, first sample, after weight) (frozen, sure bool) {
	rate := max(p.sameBy, after.rate)
	stood := last.t - p.same.t
	if stood < freezeFor || rate <= noFlow || math.Abs(after.kg) < emptyKg || p.emptied(after.kg) || p.hintedAt(first.t) && p.hinted-hintFor <= first.t ||
		float64(rate*stood.Seconds()) < 2*p.units.digit() { // so slow a flow moves the display no sooner
		return false, false
	}
	fall, since := last.v-first.v, (first.t - p.same.t).Seconds()
	if fall > float64(gapHigh*rate*since)+p.jump() && p.openedAt(p.same.t) { // how wide nobody had seen yet
		rate = max(rate, p.widest())
	}
	meant := float64(rate * since)
	if fall < 0 || fall > float64(gapHigh*meant)+p.jump() || p.takenOff(fall) {
		return false, false
	}
	return true, p.thaws(first) || after.rate > 4*after.rateSe && after.rate > noFlow || p.stuck(last) || fall > gulpMost
}

// openedAt reports whether a valve was opened, or wider, within the time of a bump before
// a believed reading: it lies below where the flow before that would have it.
func (p *platform) openedAt(t time.Duration) bool {
	i := len(p.good) - 1
	for i > 0 && p.good[i].t > t {
		i--
	}
	k := i
	for k > 0 && t-p.good[k].t < bumpMost {
		k--
	}
	if k < levelReads || k == i {
		return false
	}
	before := newestLevel(p.good[:k+1], p.noise)
	return before.at(t)-p.good[i].v > max(p.pairs(), p.units.digit())
}

// stuck reports whether the newest readings are the very same although the
// scale's noise would have moved one of them, in all but one of 10,000 cases.
func (p *platform) stuck(last sample) bool {
	sigma := math.Sqrt(max(0, float64(p.noise.white*p.noise.white)-float64(p.noise.digit*p.noise.digit)/12))
	if sigma == 0 {
		return false
	}
	same := 0
	for i := len(p.good) - 1; i >= 0 && p.good[i].v == last.v; i-- {
		same++
	}
	// At the most a reading shows the same digit as often as noise stays
	// within half of it.
	return float64(float64(same)*math.Log(math.Erf(p.noise.digit/2/sigma/math.Sqrt2))) < math.Log(1e-4)
}

func (p *platform) open(first []sample) {
	p.start, p.begun, p.settled = weight{t: first[0].t, kg: first[0].v, se: p.noise.sigma()}, nil, false
	p.began, p.settling, p.stands, p.joint = first[0].t, false, false, nil
	p.good, p.from, p.carried = nil, nil, false
	p.noise.apart()
	p.fit, p.fitted = weight{t: first[0].t, kg: first[0].v, se: p.noise.sigma(), rateSe: math.Inf(1)}, first[0].t
	p.suspect = 0
	for _, s := range first {
		p.accept(s)
	}
	p.refit()
}

func (p *platform) accept(s sample) {
	if n := len(p.good); n > 0 {
		last := p.good[n-1]
		dt := (s.t - last.t).Seconds()
		if off := last.v - s.v - float64(p.fit.rate*dt); (p.suspect == 0 || math.Abs(off) > 2*p.leapt) && n >= 3 && p.noise.levels >= 3 && math.Abs(off) > max(0.6*jumpLeast, 0.6*p.pairs()) && !p.held(s) {
			p.suspect, p.leapt, p.doubt = s.t, math.Abs(off), 0
		}
		if s.v != p.same.v {
			p.same, p.sameBy = s, p.fit.rate
		}
	} else {
		p.same, p.sameBy = s, 0
	}
	p.noise.see(s)
	p.good = append(p.good, s)
	for len(p.good) > 8 && s.t-p.good[0].t > historyFor {
		p.good = p.good[1:]
	}
	if !p.settled {
		p.begun = append(p.begun, s)
	}
	if p.carried && s.t-p.good[1].t >= bumpMost {
		p.good, p.carried = p.good[1:], false
	}
	if s.t-p.fitted >= max(levelEvery, p.rest) || len(p.good) < levelReads+1 {
		p.refit()
		if p.same.t == s.t {
			p.sameBy = max(p.sameBy, p.fit.rate)
		}
	}
	if p.suspect > 0 && s.t-p.suspect >= max(doubtedLeast, p.doubt) {
		p.doubted()
	}
}

// refit takes the level by the newest readings, and the segment's first one
// until that is settled.
func (p *platform) refit() {
	ss := p.own()
	if len(ss) == 0 {
		return
	}
	p.fit = newestLevel(ss, p.noise)
	p.fitted = p.fit.t
	p.noise.learn(p.fit, ss)
	if p.fit.rate > 4*p.fit.rateSe && p.fit.span >= levelLeast {
		p.fastest = max(p.fastest, p.fit.rate)
	}
	if p.joint != nil && p.begun[len(p.begun)-1].t-p.begun[0].t >= 3*bumpMost {
		p.rejoin()
	}
	p.loaded()
	if len(p.begun) == 0 || p.settled && p.noise.blur() > 0.7*p.blur {
		return
	}
	first := p.first()
	// It is settled once what follows no longer agrees with it.
	p.settled = p.settled || first.n < len(p.begun)/2 && len(p.begun) > 8 && p.begun[len(p.begun)-1].t-p.begun[0].t > 6*levelLeast || len(p.begun) >= firstMost
	if p.settled && !p.settling {
		first = hinged(first, p.begun, p.noise, true)
	}
	p.begin(first)
}

// first is the level with which the segment begins. After a jump a display
// still comes to rest for a reading or two, and a hand may be on what it shows.
func (p *platform) first() weight {
	from := p.begun[0]
	level := p.firstOf(p.begun)
	for k := 1; p.settling && k < len(p.begun); k++ {
		before, s := p.begun[k-1], p.begun[k]
		if k+levelReads > len(p.begun) && s.v-before.v <= p.pairs() { // nothing flows back: a rise needs no more to be told
			break
		}
		if s.t-before.t >= 2*bumpMost && k+1 < len(p.begun) && s.v < before.v-p.pairs() && p.begun[k+1].v < s.v-p.pairs() { // so far apart it is sooner a valve that was opened
			break
		}
		dt := s.t - before.t
		if before.t-from.t >= bumpMost { // readings far apart may have the first alone within it
			break
		}
		next := p.firstOf(p.begun[k:])
		off := before.v - next.at(before.t)
		noise := float64(3*math.Sqrt(float64(p.noise.sigma()*p.noise.sigma())+float64(next.se*next.se))) + float64(p.noise.digit/2)
		if off <= noise && off >= -noise-float64(next.rate*dt.Seconds()) { // or a valve was opened then
			break
		}
		level = next
		if next.rate < 4*next.rateSe || s.v > before.v { // what was just put on stands still
			level.rate = 0
		}
		level.t, level.kg = from.t, level.at(from.t)
	}
	return level
}

// firstOf is the level at the first of readings: of a load put on, while it
// stood still, where that was seen; the display may still come to rest before.
func (p *platform) firstOf(ss []sample) weight {
	for k := 0; p.stands && k < len(ss) && ss[k].v >= ss[0].v && ss[k].t-ss[0].t < bumpMost; k++ {
		if rest := restLevel(ss[k:], p.noise, true); rest.n >= levelReads {
			rest.t = ss[0].t
			return rest
		}
	}
	return firstLevel(ss, p.noise)
}

// refit takes the newest levels.
func (l *ledger) refit() {
	for _, p := range l.platforms {
		p.refit()
	}
}

// finish takes the open segment's two levels for good, as nearly as the
// readings give them.
func (p *platform) finish() {
	if p.joint != nil {
		p.rejoin()
	}
	p.refit()
	ss := p.own()
	if len(ss) == 0 {
		return
	}
	p.fit = hinged(p.fit, ss, p.noise, false)
	if len(p.begun) > 0 { // the scale's noise is known better than it was
		first := p.first()
		if !p.settling {
			first = p.noise.near(hinged(first, p.begun, p.noise, true), p.begun, true)
		}
		p.begin(first)
	}
}

// begin takes the gross weight with which a segment begins. Where it goes on
// from the step before, what flowed between counts: surely where the rate at
// that step's end explains it, else doubtfully.
func (p *platform) begin(first weight) {
	if p.from == nil {
		p.start, p.blur = first, p.noise.blur()
		if !p.lifted {
			p.reckon(first)
		}
		if len(p.rows) == 0 && p.cylinder == 1 && !p.settling && p.settled && !p.silence(first.t, 0) {
			p.betweenHi = 0
			if first.rate > 4*first.rateSe { // what flows at the first reading may have flowed since the step's begin
				p.betweenHi = float64(first.rate * first.t.Seconds())
			}
		}
		return
	}
	fall := p.from.v - first.kg
	p.start, p.betweenKg, p.betweenHi = weight{t: p.from.t, kg: p.from.v}, 0, 0
	read := *p.from
	read.t -= p.usual() // it was read up to that long before the step's end
	switch {
	case p.continues(read, sample{first.t, first.kg}, p.endRate):
	case fall < gulpMost:
		p.betweenKg = max(0, fall)
	default:
		p.start, p.blur, p.betweenHi = first, p.noise.blur(), fall
	}
}

// shifted looks at a suspected jump once there are readings enough on both
// sides of it: where the level before and the level after, each brought to the
// jump, lie further apart than flow explains, it was none and stayed.
func (p *platform) shifted(i int) {
	if i < 2 || p.carried {
		return
	}
	was, after := newestLevel(p.good[:i], p.noise), firstLevel(p.good[i:], p.noise)
	dt := (after.t - was.t).Seconds()
	fall := was.kg - after.kg
	low := 0.0 // it may have been shut for that long
	high := float64(max(was.rate+2*was.rateSe, after.rate+2*after.rateSe) * dt)
	if !steady(was, after) { // a hand was on the valve: it may have been wide open for a moment
		high = max(high, float64(p.widest()*dt))
	}
	if change := math.Abs(was.rate - after.rate); change > 3*math.Sqrt(float64(was.rateSe*was.rateSe)+float64(after.rateSe*after.rateSe)) {
		hidden := float64(change * bumpMost.Seconds()) // by a hand on the valve
		low, high = low-hidden, high+hidden
	}
	beyond := fall - min(max(fall, low), high)
	// A flow that changed at any moment must not explain the readings as well.
	around := p.good[max(0, i-2*(len(p.good)-i)-4):]
	each := float64(p.noise.sigma()*p.noise.sigma()) * float64(p.noise.inflation()*p.noise.inflation())
	if beyond == 0 || bentBest(around)-steppedAt(around, p.good[i].t) < stepBetter*each {
		return
	}
	doubt := math.Sqrt(float64(was.se*was.se) + float64(after.se*after.se))
	if math.Abs(beyond) < max(jumpLeast, float64(1.5*p.units.digit()), 3*doubt) {
		return
	}
	// What goes back within the time of a bump did not stay.
	k := i
	for k < len(p.good)-1 && p.good[k].t-p.good[i].t < bumpMost {
		k++
	}
	later := firstLevel(p.good[k:], p.noise)
	stays := was.kg - later.kg
	span := (later.t - was.t).Seconds()
	stays -= min(max(stays, float64(min(was.rate, later.rate)*span)), float64(max(was.rate, later.rate)*span))
	if stays*beyond <= 0 || math.Abs(stays) < math.Abs(beyond)/2 {
		return
	}
	since := append([]sample(nil), p.good[i:]...)
	p.good = p.good[:i]
	p.fit = was
	if n := len(p.begun); !p.settled {
		for n > 1 && p.begun[n-1].t > was.t {
			n--
		}
		p.begun = p.begun[:n]
	}
	p.finish()
	p.next(was.t, was.kg, EndedShift, false)
	p.flowedOn(was.rate, after.rate, after.t-was.t)
	if beyond > 0 {
		p.rows[len(p.rows)-1].HighKg += beyond
	}
	p.open(since)
}

// steady reports whether it flows before and after at about one rate: nobody
// had a hand on the valve.
func steady(was, after weight) bool {
	less, more := min(was.rate, after.rate), max(was.rate, after.rate)
	return min(was.n, after.n) >= levelReads && less > noFlow && less > steadyShare*more
}

// widest is how fast it may flow through an open valve: twice as fast as it
// ever surely did, never faster than a hose lets pass.
func (p *platform) widest() float64 {
	return min(jumpKgPerS, 2*max(p.fastest, jumpKgPerS/4))
}

// startSe is the doubt of the first level: where noise turned out smaller than
// it seemed then, so is that.
func (p *platform) startSe() float64 {
	if now := p.noise.blur(); p.blur > now {
		return p.start.se * now / p.blur
	}
	return p.start.se
}

// endsVariance is the variance of the open segment's two ends.
func (p *platform) endsVariance() float64 {
	return float64(p.startSe()*p.startSe()) + float64(p.fit.se*p.fit.se)
}

// openKg is what left the open segment's cylinder.
func (p *platform) openKg() float64 {
	if len(p.good) == 0 {
		return 0
	}
	kg := p.start.kg - p.levelKg()
	switch {
	case !p.lifted:
		return kg
	case p.flowedLifted(kg):
		return kg + p.onKg
	}
	return 0
}

// levelKg is the gross weight now.
func (p *platform) levelKg() float64 { return p.fit.at(p.good[len(p.good)-1].t) }

// charge is the whole charge by now.
func (l *ledger) charge(target Setting, aimed bool) charge {
	c := l.before
	c.targetKg, c.aimed = target.Value, aimed
	variance := 0.0
	for _, p := range l.platforms {
		for _, r := range p.rows {
			c.lowKg, c.bestKg, c.highKg = c.lowKg+r.LowKg, c.bestKg+r.BestKg, c.highKg+r.HighKg
			c.unweighedKg += p.unweighed(r)
		}
		kg := p.openKg()
		c.lowKg, c.bestKg, c.highKg = c.lowKg+kg-p.betweenKg, c.bestKg+kg, c.highKg+kg+p.betweenHi
		c.unweighedKg += p.betweenKg
		variance += p.variance + p.endsVariance()
		c.unit = c.unit || p.unit
	}
	c.seKg = math.Sqrt(variance)
	if c.unit { // nobody knows which of the weights were in the wrong one
		c.lowKg, c.highKg = min(c.lowKg, float64(c.lowKg*poundKg)), max(c.highKg, c.highKg/poundKg)
	}
	for _, kg := range []*float64{&c.bestKg, &c.lowKg, &c.highKg, &c.unweighedKg} {
		*kg = wholeMg(*kg)
	}
	return c
}

// unweighed is the part of a row that no scale saw, before or after.
func (p *platform) unweighed(r Segment) float64 {
	if r.HighKg > r.LowKg {
		return r.BestKg - r.LowKg
	}
	return 0
}

func (l *ledger) values(target Setting, aimed bool) []Value {
	c := l.charge(target, aimed)
	vs := []Value{{"charged_kg", c.bestKg}}
	if aimed {
		vs = append(vs, Value{"target_kg", c.targetKg})
	}
	return vs
}

// flow is what leaves the cylinders in a second; nought until it has been
// watched for long enough to be believed.
func (l *ledger) flow() (kgPerS float64) {
	for _, p := range l.platforms {
		if p.fit.rate > noFlow && p.fit.rate > 4*p.fit.rateSe && !p.lifted {
			kgPerS += p.fit.rate
		}
	}
	return kgPerS
}

// heard is when a scale last gave a weight, in the step's time.
func (l *ledger) heard() (last time.Duration, ok bool) {
	for _, p := range l.platforms {
		if ss := p.own(); len(ss) > 0 {
			last, ok = max(last, ss[len(ss)-1].t), true
		}
	}
	return last, ok && last >= l.stepAt
}

// flowsOn is what may have gone in since a scale was last heard.
func (l *ledger) flowsOn(quiet time.Duration) (kg float64) {
	for _, p := range l.platforms {
		switch {
		case !p.silence(quiet, backAfter) || p.lifted || p.sendsChanges():
		case p.opening():
			kg += float64(p.widest() * quiet.Seconds())
		case p.fit.rate > noFlow:
			kg += float64(gapHigh * p.fit.rate * quiet.Seconds())
		}
	}
	return kg
}

// sendsChanges reports whether all scales send a weight only when it changes.
func (l *ledger) sendsChanges() bool {
	for _, p := range l.platforms {
		if !p.sendsChanges() {
			return false
		}
	}
	return true
}

// usual is the time between readings, of the slowest scale.
func (l *ledger) usual() (d time.Duration) {
	for _, p := range l.platforms {
		d = max(d, p.usual())
	}
	return d
}

// grossKg is the newest gross weight.
func (l *ledger) grossKg() (kg float64) {
	last := time.Duration(-1)
	for _, p := range l.platforms {
		if n := len(p.good); n > 0 && p.good[n-1].t > last {
			last, kg = p.good[n-1].t, p.good[n-1].v
		}
	}
	return kg
}

// digit is the display digit, of the coarsest scale.
func (l *ledger) digit() (kg float64) {
	for _, p := range l.platforms {
		kg = max(kg, p.units.digit())
	}
	return kg
}

// foretold is what had gone in by now, were what the last seconds show no more
// than a bump: by the readings before them.
func (l *ledger) foretold() (kg float64, ok bool) {
	now := l.charge(Setting{}, false).bestKg
	for _, p := range l.platforms {
		n := len(p.good)
		if n == 0 || p.lifted {
			continue
		}
		last := p.good[n-1].t
		k := n - 1
		for k > 0 && last-p.good[k].t < bumpMost-pause {
			k--
		}
		if k < levelReads {
			return 0, false
		}
		before := newestLevel(p.good[:k+1], p.noise)
		now += p.levelKg() - before.at(last)
	}
	return now, true
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
		for _, r := range all {
			if r.Cylinder == 0 || r.Until <= r.Since && r.BestKg == 0 {
				continue
			}
			r.Since, r.Until = l.clock.when(r.Since), l.clock.when(r.Until)
			for _, kg := range []*float64{&r.FromKg, &r.ToKg, &r.LowKg, &r.BestKg, &r.HighKg} {
				*kg = Num(wholeMg(*kg))
			}
			rows = append(rows, r)
		}
	}
	return rows
}
