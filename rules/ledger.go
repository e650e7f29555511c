package rules

import (
	"math"
	"sort"
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
	before    charge // by the steps before this one
	platforms []*platform
}

// charge is a charged mass, best estimate and bounds, against what was aimed at.
type charge struct {
	bestKg, lowKg, highKg float64
	unweighedKg           float64 // of the best estimate, the part no scale saw
	targetKg              float64
	aimed                 bool // there is a target
}

func (c charge) remainingKg() float64 { return wholeMg(c.targetKg - c.bestKg) }

// wholeMg rounds to what a reading can hold, so that sums leave no crumbs.
func wholeMg(kg float64) float64 { return math.Round(kg*1e6) / 1e6 }

type sample struct {
	t time.Duration // of the step
	v float64
}

const (
	bumpMost   = 10 * time.Second       // a jump that goes back sooner is a bump (the contract)
	jumpKg     = 0.1                    // between two readings; common practice
	jumpKgPerS = 0.05                   // faster than charging hoses flow (3 kg/min); common practice
	emptyKg    = 0.3                    // an empty platform shows less (the field guide)
	gapAtLeast = 30 * time.Second       // a silence in which flow is bridged
	steadyOver = 21 * time.Second       // a median over it never sees a bump
	slopeOver  = 3 * time.Minute        // the robust slope's window
	onsetOver  = time.Minute            // how much of a segment's beginning gives its start
	historyFor = 5 * time.Minute        //
	slopeEvery = 5 * time.Second        // how often the slope is taken anew
	noFlow     = 0.02 / 60              // kg/s: the draw-in's end (the field guide)
	gapHigh    = 1.25                   // what may have flowed in a gap, of the rate before it (the field guide)
	ounceKg    = 0.028349523125         //
	pause      = 500 * time.Millisecond // readings closer than this are one
	gulpMost   = 2.0                    // kg: a fall of more that no rate explains is another cylinder (common practice)
	endedMost  = 10 * time.Minute       // how long after its end a step's flow may have gone on
)

// platform is one scale and the cylinder on it.
type platform struct {
	point string

	closedKg                float64 // by the segments before
	doubtKg, lostKg, lostHi float64 // a shift nobody explained; best and high of what flowed unseen
	start                   sample  // of the open segment: its gross weight when it began
	begun                   []sample
	settled                 bool // start is final
	good                    []sample
	pending                 []sample      // since a jump, until it is known what it was
	fast                    []sample      // since the first of several jumps on end: perhaps fast flow
	rate                    float64       // kg/s leaving the cylinder, robust
	noiseKg                 float64       // between one reading and the next
	spreadKg                float64       // about the slope over the last minute
	sloped                  time.Duration // when rate was taken
	away                    bool          // the box was off since the last weight, nobody knows for how long
	units                   granularity
	hinted                  time.Duration // a person said that the cylinder is swapped or the scale zeroed until then

	// The step before this one told its last gross weight and its rate then:
	// what flowed between the two is the difference, where that can be flow.
	from                 *sample // that weight, of the segment that goes on from it
	carried              bool    // good still begins with it
	endRate              float64
	betweenKg, betweenHi float64 // between the steps: in best and not surely; perhaps
}

func beginLedger(s Start) *ledger {
	l := &ledger{clock: startWatch(s)}
	for _, p := range s.Points {
		if p.Role == "charging-scale" {
			l.platforms = append(l.platforms, &platform{point: p.Name})
		}
	}
	if last, ok := lastWeighed(s.Earlier); ok {
		l.before = earlierCharge(last)
		gap := endedMost
		if last.At.Boot == s.Entry.At.Boot {
			gap = min(gap, max(0, s.Began.Since-last.At.Since))
		}
		for i, p := range l.platforms {
			p.carry(last, i, gap)
		}
	}
	return l
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
func (p *platform) carry(last Finding, place int, gap time.Duration) {
	for _, v := range last.Values {
		switch v.Key {
		case grossKey(place):
			from := sample{-gap, v.Number}
			p.start, p.from = from, &from
			p.good, p.carried = []sample{from}, true
		case rateKey(place):
			p.endRate, p.rate = v.Number, v.Number
		}
	}
	p.sloped = 0
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
		if p.rate > noFlow {
			vs = append(vs, Value{rateKey(i), p.rate})
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

// Next follows the scale; it finds nothing.
func (l *ledger) Next(e Entry) {
	l.clock.hear(e)
	switch b := e.Body.(type) {
	case *Started:
		for _, p := range l.platforms {
			p.away = p.away || !b.GapKnown
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
		if b.Name == "cylinder-swapped" || b.Name == "scale-zeroed" {
			for _, p := range l.platforms {
				p.hinted = l.clock.newest + 2*time.Minute
			}
		}
	}
}

// weigh takes one gross weight.
func (p *platform) weigh(s sample) {
	p.units.see(s.v)
	if len(p.good) == 0 && len(p.pending) == 0 {
		p.open([]sample{s})
		return
	}
	last := p.good[len(p.good)-1]
	if p.away { // the cylinder's weight bridges it all the same, but says nothing of the rate
		p.away = false
		if fall := last.v - s.v; fall >= -p.jump() && (math.Abs(s.v) > emptyKg || last.v < 1) {
			p.closedKg += p.start.v - s.v
			p.pending = nil
			p.open([]sample{s})
			return
		}
	}
	if n := len(p.pending); n > 0 {
		p.weighAfterJump(s, last, p.pending[n-1])
		return
	}
	if s.t-last.t < pause {
		return // late, or twice
	}
	if p.jumped(last, s) || p.cameBackZeroed(last, s) {
		if s.v > last.v && p.undoBump(s) {
			p.accept(s)
			return
		}
		p.pending, p.fast = []sample{s}, []sample{s}
		return
	}
	p.accept(s)
}

// continues reports whether a reading goes on from an earlier one, whether the
// flow went on meanwhile, at half as much again at most, or was stopped.
func (p *platform) continues(a, b sample, rate float64) bool {
	fall := a.v - b.v
	return fall >= -p.jump() && fall <= p.jump()+float64(1.5*max(0, rate)*(b.t-a.t).Seconds())
}

// undoBump takes back readings that were taken for flow, where the weight now
// returns to what it was before them within the time of a bump.
func (p *platform) undoBump(s sample) bool {
	for k := len(p.good) - 2; k >= 0; k-- {
		g := p.good[k]
		first, last := p.good[k+1], p.good[len(p.good)-1]
		if last.t-first.t >= bumpMost || s.t-first.t >= bumpMost && k < len(p.good)-2 {
			return false
		}
		if p.continues(g, s, jumpKgPerS) {
			p.good = p.good[:k+1]
			return true
		}
	}
	return false
}

func (p *platform) weighAfterJump(s, last, newest sample) {
	if s.t-newest.t < pause {
		return
	}
	rate := p.rate
	if math.Abs(s.v-newest.v) > p.jump() { // it has left where it jumped to
		rate = jumpKgPerS
	}
	if p.continues(last, s, rate) && !p.hintedAt(s.t) {
		p.pending = nil // it was a bump
		p.accept(s)
		return
	}
	p.fast = append(p.fast, s)
	if p.flowsFast(last) {
		flow := p.fast
		p.pending, p.fast = nil, nil
		for _, f := range flow {
			p.accept(f)
		}
		p.rate = p.slope()
		return
	}
	if p.jumped(newest, s) {
		p.pending = []sample{s}
		return
	}
	p.pending = append(p.pending, s)
	if s.t-p.pending[0].t >= bumpMost {
		p.breakSegment()
	}
}

// flowsFast reports whether what looked like jump upon jump is a valve opened
// wide: it falls evenly for longer than a bump.
func (p *platform) flowsFast(last sample) bool {
	n := len(p.fast)
	span := p.fast[n-1].t - last.t
	if span < bumpMost || n < 4 {
		return false
	}
	mean := (last.v - p.fast[n-1].v) / span.Seconds()
	for _, s := range p.fast {
		step := (last.v - s.v) / (s.t - last.t).Seconds()
		if step < 0.4*mean || step > 2.5*mean {
			return false
		}
		last = s
	}
	return mean > 0
}

// jumped reports whether two readings lie further apart than flow explains.
// Nothing flows back into a cylinder.
func (p *platform) jumped(a, b sample) bool {
	dt := (b.t - a.t).Seconds()
	fall := a.v - b.v
	most := max(p.jump(), float64(jumpKgPerS*dt), p.jump()+float64(2*p.rate*dt))
	if p.hintedAt(b.t) {
		most = p.jump() + float64(gapHigh*p.rate*dt)
	}
	return -fall > p.jump() || fall > most
}

func (p *platform) jump() float64 { return max(jumpKg, 6*p.noiseKg) }

func (p *platform) hintedAt(t time.Duration) bool { return p.hinted > 0 && t <= p.hinted }

// cameBackZeroed reports whether a scale that was silent shows nothing now
// although a cylinder stood on it and cannot have emptied.
func (p *platform) cameBackZeroed(last, s sample) bool {
	gap := s.t - last.t
	return gap >= gapAtLeast && gap > 3*p.usual() && math.Abs(s.v) < emptyKg && last.v > 1 &&
		last.v-s.v > float64(gapHigh*p.rate*gap.Seconds())+emptyKg
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
	last := p.good[len(p.good)-1]
	gap := p.pending[0].t - last.t
	fall := last.v - p.pending[0].v
	p.closedKg += p.start.v - p.levelKg()
	switch {
	case p.carried && len(p.good) == 1: // another cylinder since the step before
		p.betweenHi = min(float64(gapHigh*p.endRate*gap.Seconds()), last.v)
	case gap >= gapAtLeast && gap > 3*p.usual(): // the best guess is that it flowed on as before
		flowed := max(0, p.rate) * gap.Seconds()
		p.closedKg += flowed
		p.lostKg += flowed
		p.lostHi += float64(gapHigh * flowed)
	case fall > 0 && fall < 2 && math.Abs(p.pending[0].v) > emptyKg:
		p.doubtKg += fall // a shift, or a gulp too fast to be one
	}
	p.open(p.pending)
	p.pending = nil
}

func (p *platform) open(first []sample) {
	p.start, p.begun, p.settled = first[0], nil, false
	p.good, p.from, p.carried = nil, nil, false
	p.rate = 0
	p.sloped = first[0].t
	for _, s := range first {
		p.accept(s)
	}
}

func (p *platform) accept(s sample) {
	if n := len(p.good); n > 0 {
		off := math.Abs(s.v - p.good[n-1].v + float64(p.rate*(s.t-p.good[n-1].t).Seconds()))
		if n >= 3 {
			// Two readings differ by 1.128 times the spread of one, on average.
			p.noiseKg += (min(off, p.jump())/1.128 - p.noiseKg) / 20
		}
	}
	p.good = append(p.good, s)
	for len(p.good) > 8 && s.t-p.good[0].t > historyFor {
		p.good = p.good[1:]
	}
	if !p.settled {
		p.begun = append(p.begun, s)
		p.begin(sample{p.begun[0].t, onset(p.begun)})
		p.settled = s.t-p.begun[0].t >= onsetOver
	}
	if p.carried && s.t-p.good[1].t >= bumpMost {
		p.good, p.carried = p.good[1:], false
	}
	if s.t-p.sloped >= slopeEvery {
		p.sloped, p.rate = s.t, p.slope()
	}
}

// begin takes the gross weight with which a segment begins. Where it goes on
// from the step before, what flowed between counts: surely where the rate at
// that step's end explains it, else doubtfully.
func (p *platform) begin(first sample) {
	if p.from == nil {
		p.start.v = first.v
		return
	}
	fall := p.from.v - first.v
	p.start, p.betweenKg, p.betweenHi = *p.from, 0, 0
	switch {
	case p.continues(*p.from, first, p.endRate):
	case fall < gulpMost:
		p.betweenKg = fall
	default:
		p.start, p.betweenHi = first, fall
	}
}

// onset is a segment's gross weight before flow began: the level part of a
// level that then falls, by least squares over where it begins to fall.
func onset(begun []sample) float64 {
	n := len(begun)
	if n < 6 {
		return median(begun[:min(n, 3)])
	}
	best, level := math.Inf(1), begun[0].v
	step := max(1, n/30)
	for k := 0; k < n; k += step {
		if v, sse := hinge(begun, begun[k].t); sse < best {
			best, level = sse, v
		}
	}
	return level
}

// hinge fits v = level - slope*max(0, t-from) and returns the level and the
// sum of squares.
func hinge(ss []sample, from time.Duration) (level, sse float64) {
	var n, sx, sy, sxx, sxy float64
	for _, s := range ss {
		x := max(0, (s.t - from).Seconds())
		n++
		sx += x
		sy += s.v
		sxx += float64(x * x)
		sxy += float64(x * s.v)
	}
	det := float64(n*sxx) - float64(sx*sx)
	slope := 0.0
	if det > 1e-9 {
		slope = min(0, (float64(n*sxy)-float64(sx*sy))/det)
	}
	level = (sy - float64(slope*sx)) / n
	for _, s := range ss {
		d := s.v - level - float64(slope*max(0, (s.t-from).Seconds()))
		sse += float64(d * d)
	}
	return level, sse
}

// slope is the mass leaving a second, robust (the median of pairs, Theil and
// Sen), over the last three minutes; over the last one where the flow has
// clearly changed since.
func (p *platform) slope() float64 {
	long, _, _ := theilSen(p.since(slopeOver))
	short, doubt, spread := theilSen(p.since(slopeOver / 3))
	p.spreadKg = spread
	if math.Abs(short-long) > 3*doubt && (math.Abs(short) > 1.5*math.Abs(long) || math.Abs(short) < 0.67*math.Abs(long)) {
		long = short
	}
	return -long
}

func (p *platform) since(span time.Duration) []sample {
	last := p.good[len(p.good)-1].t
	i := sort.Search(len(p.good), func(i int) bool { return last-p.good[i].t <= span })
	return p.good[i:]
}

// theilSen is the median slope of pairs of at most 30 samples, a second,
// its standard error by their scatter about it, and that scatter.
func theilSen(ss []sample) (slope, doubt, spread float64) {
	ss = thinned(ss, 30)
	if len(ss) < 3 {
		return 0, math.Inf(1), 0
	}
	var slopes []float64
	for i := range ss {
		for k := i + 1; k < len(ss); k++ {
			if dt := (ss[k].t - ss[i].t).Seconds(); dt > 0 {
				slopes = append(slopes, (ss[k].v-ss[i].v)/dt)
			}
		}
	}
	sort.Float64s(slopes)
	slope = middle(slopes)
	var off []float64
	for _, s := range ss {
		off = append(off, s.v-float64(slope*s.t.Seconds()))
	}
	sort.Float64s(off)
	mid := middle(off)
	for i := range off {
		off[i] = math.Abs(off[i] - mid)
	}
	sort.Float64s(off)
	spread = 1.4826 * middle(off)
	span := (ss[len(ss)-1].t - ss[0].t).Seconds()
	return slope, spread * math.Sqrt(12/float64(len(ss))) / span, spread
}

func thinned(ss []sample, most int) []sample {
	if len(ss) <= most {
		return ss
	}
	kept := make([]sample, most)
	for i := range kept {
		kept[i] = ss[i*(len(ss)-1)/(most-1)]
	}
	return kept
}

// chargedKg is what left the cylinders of this platform: by the newest few
// readings, brought to the newest one's moment by the rate.
func (p *platform) chargedKg() float64 {
	if len(p.good) == 0 {
		return 0
	}
	return p.closedKg + p.start.v - p.levelKg()
}

// levelKg is the gross weight now.
func (p *platform) levelKg() float64 {
	few := tail(p.good, 3)
	lag := few[len(few)-1].t - few[len(few)/2].t
	return median(few) - float64(p.rate*lag.Seconds())
}

// surelyOver reports whether more than limit has left, beyond a bump and the
// scale's noise.
func (p *platform) surelyOver(limitKg float64) bool {
	for _, span := range []time.Duration{steadyOver, 3 * steadyOver, 9 * steadyOver} {
		ss := p.since(span)
		if len(ss) < 3 || ss[len(ss)-1].t-ss[0].t < bumpMost {
			continue
		}
		// A median's standard error is 1.25 that of a mean; wind and load cells
		// are slow, so four readings count as one (common practice).
		doubt := 2 * 1.25 * p.spreadKg / math.Sqrt(float64(len(ss))/4)
		if p.spreadKg < p.units.digit()/2 {
			doubt = 0
		}
		if p.closedKg+p.units.display(p.start.v)-p.units.display(median(ss))-doubt > limitKg {
			return true
		}
	}
	return false
}

// charge is the whole charge by now.
func (l *ledger) charge(target Setting, aimed bool) charge {
	c := l.before
	c.targetKg, c.aimed = target.Value, aimed
	for _, p := range l.platforms {
		kg := p.chargedKg()
		c.bestKg += kg
		c.unweighedKg += p.lostKg + p.betweenKg
		c.lowKg += kg - p.lostKg - p.betweenKg
		c.highKg += kg - p.lostKg + p.lostHi + p.doubtKg + p.betweenHi
	}
	for _, kg := range []*float64{&c.bestKg, &c.lowKg, &c.highKg, &c.unweighedKg} {
		*kg = wholeMg(*kg)
	}
	return c
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
		ss := p.own()
		if n := len(ss); n > 0 && ss[n-1].t-ss[0].t >= onsetOver*3/4 && p.rate > noFlow {
			kgPerS += p.rate
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
	return last, ok
}

// pace is how long it takes to be sure of a condition: a reading or two.
func (l *ledger) pace() (d time.Duration) {
	for _, p := range l.platforms {
		d = max(d, sureFor, p.usual())
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

// surelyOver reports whether more than the target has gone in, by more than
// one display digit.
func (l *ledger) surelyOver(targetKg float64) bool {
	all := l.charge(Setting{}, false).bestKg
	for _, p := range l.platforms {
		others := all - p.chargedKg()
		if len(p.good) > 0 && p.surelyOver(targetKg+1.1*p.units.digit()-others) {
			return true
		}
	}
	return false
}

// granularity finds the display digit: the coarsest usual division of which
// all readings are multiples.
type granularity struct {
	seen  int
	last  int64
	fails [len(divisionsMg)]bool
}

// Usual divisions of charging scales, coarsest first, in mg: grams, then
// fractions of a pound and of an ounce (common practice).
var divisionsMg = [...]float64{100e3, 50e3, 20e3, 10e3, 5e3, 2e3, 1e3,
	0.05 * 453592.37, 0.02 * 453592.37, 0.01 * 453592.37, 0.5 * 28349.523125, 0.2 * 28349.523125, 0.1 * 28349.523125}

func (g *granularity) see(kg float64) {
	mg := int64(math.Round(kg * 1e6))
	if mg == g.last {
		return
	}
	g.last = mg
	g.seen++
	for i, d := range divisionsMg {
		n := math.Round(float64(mg) / d)
		if math.Abs(float64(mg)-float64(n*d)) > 1 {
			g.fails[i] = true
		}
	}
}

// digit is the display digit in kg; 5 g until enough different readings were
// seen, or where none fits (common practice).
func (g *granularity) digit() float64 {
	if g.seen >= 8 {
		for i, d := range divisionsMg {
			if !g.fails[i] {
				return d * 1e-6
			}
		}
	}
	return 0.005
}

// display is a weight as the scale would show it: a mean of many readings must
// not find what one digit cannot show.
func (g *granularity) display(kg float64) float64 {
	d := g.digit()
	return math.Round(kg/d) * d
}

func tail(ss []sample, n int) []sample { return ss[max(0, len(ss)-n):] }

// median of the samples' values; of an even number the mean of the middle two.
func median(ss []sample) float64 {
	vs := make([]float64, len(ss))
	for i, s := range ss {
		vs[i] = s.v
	}
	sort.Float64s(vs)
	return middle(vs)
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

func seconds(d time.Duration) float64 { return d.Seconds() }
