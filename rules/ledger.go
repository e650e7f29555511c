package rules

import (
	"math"
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
	endSaid   bool          // somebody was told that the draw-in may be at its end,
	stopped   bool          // or that it is
	lb        bool          // the scale speaks pounds, and so does who stands at it
	platforms []*platform
}

// charge is a charged mass, best estimate and bounds, against what was aimed at.
type charge struct {
	bestKg, lowKg, highKg float64
	unweighedKg           float64 // of the best estimate, the part no scale saw
	seKg                  float64 // what the scale's noise leaves of the best estimate: a standard error
	creepKg               float64 // by how much the scale may have crept meanwhile, either way
	targetKg              float64
	allowanceKg           float64 // that the site gave
	aimed                 bool    // there is a target
	unit                  bool    // a scale shows pounds that are taken for kilograms, or the reverse
	lb                    bool    // it is said in pounds first
	opened                bool    // the service valves are, by a mark
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
	creepMost   = 0.02                   // kg, that a scale creeps or drifts by in
	creepFor    = 30 * time.Minute       // with no valve open (the field guide, step 3: it belongs into the band)
	emptyShare  = 0.05                   // of the weight before: about nought, with a hose laid on; our choice
	gapAtLeast  = 30 * time.Second       // a silence in which flow is bridged
	backAfter   = 10 * time.Second       // a silence after which a scale may come back zeroed: scale-silent speaks by then (the contract)
	lostReads   = 3.5                    // of the usual time between readings: three on end are lost by chance once in 30,000 times where one in 30 is; our choice
	noFlow      = 0.02 / 60              // kg/s: the draw-in's end (the field guide)
	gapHigh     = 1.25                   // what may have flowed in a gap, of the rate before it (the field guide)
	pause       = 500 * time.Millisecond // readings closer than this are one
	gulpMost    = 2.0                    // kg: a fall of more that no rate explains is another cylinder (common practice)
	endedMost   = 10 * time.Minute       // how long after its end a step's flow may have gone on
	latelyFor   = 2 * time.Minute        // that tell how it flowed before a silence; our choice
	historyFor  = 5 * time.Minute        // of readings that give a level
	levelEvery  = 4 * time.Second        // how often it is taken anew
	levelLong   = 12 * time.Second       // and of seldom readings that lie on its line
	seldomNeed  = 20 * time.Second       // the same, where nobody asks for it but now and then
	putMost     = 60                     // readings since a load was put on that tell where it stood; our choice
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
	flowedAt time.Duration // when it was last seen to give
	settled  bool          // start is final
	settling bool          // it began with a jump
	stands   bool          // of a load put on: it stood still first
	put      []sample      // since it was put on, whatever they are
	hand     leeway        // what hands at its first readings leave in doubt
	handLast leeway        // and at its last
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
	fastAt  time.Duration // when that was found
	slower  float64       // the fastest until then
	pending []sample      // since a jump, until it is known what it was
	aside   []sample      // what was pending before the newest jump: it may be a bump in turn
	cleared bool          // since the first of these jumps the platform stood empty
	fast    []sample      // since the first of several jumps on end: perhaps fast flow
	nought  bool          // the empty platform showed nought for a moment
	back    bool          // pending is a scale that came back zeroed
	tail    time.Duration // the first reading after a bump: the display may still be on its way back from it
	tailUp  bool          // the bump was upwards
	rain    rain
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
	lost    bool          // and nobody knows for how long, nor what it weighed when that came back
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

	came  time.Duration // when the newest bump came back
	beat  time.Duration // the time between readings when it was last known
	rated rated         // the flow from a cylinder, to compare the next one's with

	putBackAt            time.Duration // the newest reading of a load after the platform was bare for a moment
	bareSince, bareUntil time.Duration // the newest silence that found the platform empty

	// The scale came back zeroed with the cylinder on it: which row tells what
	// nobody saw, and the weights before and after.
	zeroedRow   int     // its index and one; nought: none
	blind       *blind  // the same row, while the flow after it is not known for good
	zeroedGross float64 // before it
	spanned     *spanned
	tare        float64 // of a cylinder; nought: not known
	byHand      byHand  // what a person read last of it
	zero        float64 // what the empty platform showed last

	// The step before this one told its last gross weight and its rate then:
	// what flowed between the two is the difference, where that can be flow.
	from                 *sample // that weight, of the segment that goes on from it
	carried              bool    // good still begins with it
	endRate              float64
	unheardKg            float64 // what may have flowed between that weight and that step's end
	earlier              sample  // before the first of these steps was begun, until it is heard; no weight: none
	every                time.Duration
	beganAsleep          bool    // what it weighed then is from, and it was silent as the step was begun
	betweenKg, betweenHi float64 // between the steps: in best and not surely; perhaps
	firstHeard           *firstHeard
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
	if mark == "cylinder-swapped" && p.unheardYet() {
		p.unseen(p.mostBetween(now-p.from.t), p.start.kg, now, now)
		p.standsAnew()
		p.cylinder++
		return
	}
	if mark == "cylinder-swapped" {
		p.swappedUnseen()
	}
	p.hinted, p.hint = now+hintFor, mark
}

func (p *platform) hintedAt(t time.Duration) bool { return p.hinted > 0 && t <= p.hinted }

// rested is a ledger that takes its levels seldom, and when it is asked.
func (l *ledger) rested() *ledger {
	for _, p := range l.platforms {
		p.rest = seldomNeed
	}
	return l
}

// refit takes the newest levels.
func (l *ledger) refit() {
	for _, p := range l.platforms {
		p.refit()
	}
}

// charge is the whole charge by now.
func (l *ledger) charge(target Setting, aimed bool) charge {
	c := charge{targetKg: target.Value, aimed: aimed, lb: l.lb}
	variance := 0.0
	for _, p := range l.platforms {
		for _, r := range p.rows {
			c.lowKg, c.bestKg, c.highKg = c.lowKg+r.LowKg, c.bestKg+r.BestKg, c.highKg+r.HighKg
			c.unweighedKg += p.unweighed(r)
		}
		kg := p.openKg()
		c.lowKg, c.bestKg, c.highKg = c.lowKg+kg-p.betweenKg, c.bestKg+kg, c.highKg+kg+p.betweenHi
		c.highKg += p.rain.kg(p.units.digit())
		c.unweighedKg += p.betweenKg
		variance += p.variance + p.endsVariance()
		// However long it is averaged, a display is not believed beyond its digit (GUM, F.2.2.1: a step's variance).
		variance += float64(p.units.digit()*p.units.digit()) / 12
		c.unit = c.unit || p.unit
	}
	c.seKg = math.Sqrt(variance)
	c.creepKg = crept(l.clock.newest - l.stepAt)
	if c.unit { // nobody knows which of the weights were in the wrong one
		c.lowKg, c.highKg = min(c.lowKg, float64(c.lowKg*poundKg)), max(c.highKg, c.highKg/poundKg)
	}
	for _, p := range l.platforms { // by what a person weighed the scale shows other shares of a kilogram
		if times := p.byHand.times(p.cylinder); times != 1 {
			c.lowKg, c.highKg = min(c.lowKg, float64(c.lowKg*times)), max(c.highKg, float64(c.highKg*times))
		}
	}
	was := l.before
	c.lowKg, c.bestKg, c.highKg = c.lowKg+was.lowKg, c.bestKg+was.bestKg, c.highKg+was.highKg
	c.unweighedKg += was.unweighedKg
	c.unit = c.unit || was.unit
	for _, kg := range []*float64{&c.bestKg, &c.lowKg, &c.highKg, &c.unweighedKg} {
		*kg = wholeMg(*kg)
	}
	return c
}

// crept is what a scale may have crept or drifted by in a time, kg: half an hour's by the
// field guide, and longer as warmth wanders to and fro, with its root (our choice).
func crept(d time.Duration) float64 {
	share := max(0, d).Seconds() / creepFor.Seconds()
	return creepMost * min(share, math.Sqrt(share))
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

// flowsOn is what may have gone in since a scale was last heard: of one that was heard
// too seldom to see it flow, or stand, as much as a hose lets pass.
func (p *platform) flowsOn(quiet time.Duration, heard bool) (kg float64) {
	switch {
	case p.leftFlowing():
		if left := p.mostLeft(); !math.IsInf(left, 1) {
			return left
		}
	case p.hardlyHeard() && (len(p.own()) > 0 || !heard) && quiet >= backAfter:
		return min(p.mostLeft(), float64(p.widest()*quiet.Seconds()))
	case !p.silence(quiet, backAfter):
	case p.hint == "cylinder-swapped" && p.hinted > p.fit.t: // somebody changes it: the next one gives
		return float64(max(p.asEver(), float64(gapHigh*p.fit.rate)) * quiet.Seconds())
	case p.lifted && p.flowing.rate > noFlow && p.fitted-p.began < gapAtLeast: // or it was zeroed while it flowed: too few readings tell
		return float64(gapHigh * p.flowing.rate * (quiet + p.fitted - p.stood.t).Seconds())
	case p.lifted || p.sendsChanges():
	case p.opening():
		return float64(p.widest() * quiet.Seconds())
	case p.fit.rate > noFlow:
		return float64(gapHigh * p.fit.rate * quiet.Seconds())
	default:
		return float64(gapHigh * p.lately() * quiet.Seconds())
	}
	return 0
}

// lately is the flow of the last two minutes, unless the newest readings show that it has ended: so slow a
// flow moves a display seldom, so they are as many as it takes to fall by a digit and a half.
func (p *platform) lately() (rate float64) {
	ss := p.own()
	n := len(ss) - 1
	k := n
	for k > 0 && ss[n].t-ss[k-1].t <= latelyFor {
		k--
	}
	if n < levelReads || ss[n].t-ss[k].t < gapAtLeast {
		return 0
	}
	rate = (ss[k].v - ss[n].v) / (ss[n].t - ss[k].t).Seconds()
	if rate <= noFlow {
		return 0
	}
	var line lineSums
	for i := n; i >= k && (n-i < evenReads || float64(rate*(ss[n].t-ss[i].t).Seconds()) <= 1.5*p.units.digit()); i-- {
		line.add((ss[i].t - ss[n].t).Seconds(), ss[i].v-ss[n].v)
	}
	if -line.slope() < rate/2 {
		return 0
	}
	return rate
}

// leftFlowing reports whether the box was off since the last weight, nobody knows for how
// long, while it flowed, or may have: all that was left may be in.
func (p *platform) leftFlowing() bool {
	return p.away && !p.lifted && len(p.own()) > 0 && (p.fit.rate > noFlow || p.opening())
}

// hardlyHeard reports whether the step has too few readings to show a flow, or none.
func (p *platform) hardlyHeard() bool { return len(p.rows) == 0 && len(p.own()) < levelReads }

// mostLeft is what a cylinder cannot give more than: its last weight, where there is one,
// of a scale zeroed under it what it weighed before.
func (p *platform) mostLeft() float64 {
	switch n := len(p.good); {
	case n > 0 && p.zeroedRow > 0:
		return max(0, p.zeroedGross+p.good[n-1].v)
	case n > 0 && p.good[n-1].v > emptyKg:
		return p.good[n-1].v
	}
	return math.Inf(1)
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
