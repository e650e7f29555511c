package rules

import (
	"math"
	"time"
)

// A hose that is laid on a scale, or slips off, shifts the weight for good by
// less than a valve may let pass between two readings. What it was the readings
// since tell: so a jump is held in doubt, with both histories (it flowed; it
// shifted), until they tell one from the other or it is too late to say.
const (
	doubtedLeast = 2 * bumpMost    // what goes back sooner is a bump
	doubtedMost  = 8 * bumpMost    // looked at again until then, each time after twice as long; our choice
	comesToRest  = 6 * time.Second // what a display takes at the most to show what was laid on it; our choice
	doubtedReads = 4               // the same in readings, where they come seldom; our choice
	evenReads    = 5               // that show that nobody turned the valve, where the level takes fewer; our choice
	doubtedWorth = 5               // of chi-square, for which it is worth while to look again; our choice
	doubtedLeft  = 9               // of chi-square, that leave a doubt where nothing tells more: three standard errors; our choice
)

// stepped is a shift of the weight amid a flow that went on.
type stepped struct {
	at, on int     // the first reading after it; the first of a display that has come to rest
	by     float64 // kg, upwards
	flowed float64 // kg, between the reading before it and that one
	better float64 // by so much of chi-square than any one change of flow
	fits   bool
}

// doubted looks at a jump that is in doubt once there are readings enough.
func (p *platform) doubted() {
	if p.lifted { // an empty platform gives nothing, whatever is laid on it
		p.suspect = 0
		return
	}
	i := len(p.good) - 1
	for i > 0 && p.good[i-1].t >= p.suspect {
		i--
	}
	if len(p.good)-i < levelReads {
		return
	}
	newest := p.good[len(p.good)-1].t - p.suspect
	s := p.steppedNear(i)
	if s.fits && s.better >= stepBetter && p.shiftsMuch(s) && p.shift(s) {
		return
	}
	since, rows := p.suspect, len(p.rows)
	if p.suspect = 0; p.doubt == 0 {
		p.shifted(i)
	}
	switch {
	case len(p.rows) > rows || !s.fits || s.better < doubtedWorth:
	case newest < max(doubtedMost, doubtedReads*p.usual()):
		p.suspect, p.doubt = since, 2*newest
	case s.better >= doubtedLeft && p.shiftsMuch(s) && steady(newestLevel(p.good[:s.at], p.noise), firstLevel(p.good[s.on:], p.noise)):
		p.perhaps(s.by, p.good[s.at-1], p.good[s.at])
	}
}

// shiftsMuch reports whether a shift is more than rounding and a hand make.
func (p *platform) shiftsMuch(s stepped) bool {
	return !p.carried && math.Abs(s.by) >= max(jumpLeast, float64(1.5*p.units.digit()))
}

// shift closes the segment where the weight shifted; what wind explains as well only
// widens the band. It reports whether there is no more to find.
func (p *platform) shift(s stepped) bool {
	before, after := p.good[s.at-1], p.good[s.on]
	gap := after.t - before.t
	was, is := newestLevel(p.good[:s.at], p.noise), firstLevel(p.good[s.on:], p.noise)
	// Amid a flow that nobody turned; or upwards of what stood still.
	// Of a quiet scale two readings are a level, and five tell whether it flowed as fast before them.
	even := steady(was, is) || s.better >= 4*stepBetter && evenFlow(tail(p.good[:s.at], evenReads), p.good[s.on:min(len(p.good), s.on+evenReads)])
	if !even && (s.by < 0 || was.rate > 0 || is.rate > 0) {
		return false
	}
	if s.by < 0 && p.roseBefore(s.at) { // what was laid on was taken off again
		p.perhaps(s.by, p.good[s.at-1], p.good[s.at])
		return true
	}
	shut := s.by > 0 && s.by < float64(2*s.flowed)+p.pairs() && gap >= 2*bumpMost // somebody may have shut the valve for as long
	if shut || p.gusty(s.by, p.riseAbout(s.at-1, s.on)) {
		p.perhaps(s.by, p.good[s.at-1], p.good[s.at])
		return true
	}
	since := append([]sample(nil), p.good[s.on:]...)
	p.good = p.good[:s.at]
	if n := len(p.begun); !p.settled {
		for n > 1 && p.begun[n-1].t > before.t {
			n--
		}
		p.begun = p.begun[:n]
	}
	p.finish()
	p.next(before.t, p.levelKg(), EndedShift, false)
	p.laidKg = max(0, s.by)
	r := &p.rows[len(p.rows)-1]
	r.BestKg += max(0, s.flowed)
	r.LowKg += max(0, s.flowed)
	r.HighKg += max(0, s.flowed, s.flowed-s.by) // a hand on the valve may have let as much pass
	if s.by > 0 && s.by < s.flowed {            // or have shut it for a moment
		r.LowKg -= s.by
	}
	p.open(since)
	return true
}

// evenFlow reports whether it flowed before and after at about one rate, by lines through all of
// some readings.
func evenFlow(before, after []sample) bool {
	less, more := math.Inf(1), 0.0
	for _, ss := range [][]sample{before, after} {
		var line lineSums
		for _, s := range ss {
			line.add((s.t - ss[0].t).Seconds(), s.v-ss[0].v)
		}
		less, more = min(less, -line.slope()), max(more, -line.slope())
	}
	return min(len(before), len(after)) >= evenReads && less > max(noFlow, float64(steadyShare*more))
}

// roseBefore reports whether the weight rose within the time of a bump before a reading:
// nothing flows back into a cylinder.
func (p *platform) roseBefore(at int) bool {
	least := max(p.pairs(), float64(1.5*p.units.digit()))
	for i := at - 1; i > 0 && p.good[at].t-p.good[i].t < bumpMost; i-- {
		if p.good[i].v-p.good[i-1].v >= least {
			return true
		}
	}
	return false
}

// steppedNear is the likeliest shift near a reading: the display may have shown
// a part of it first.
func (p *platform) steppedNear(i int) (best stepped) {
	best.better = math.Inf(-1)
	each := float64(p.noise.sigma()*p.noise.sigma()) * float64(p.noise.inflation()*p.noise.inflation())
	for at := max(2, i-1); at <= i+2 && at < len(p.good)-2; at++ {
		for on := at; on <= at+2 && on < len(p.good)-2 && (on == at || p.good[on-1].t-p.good[at].t < comesToRest); on++ {
			from := max(0, at-(len(p.good)-on)-4)
			if s := steppedOf(p.good[from:at], p.good[on:], each); s.better > best.better {
				s.at, s.on = at, on
				best = s
			}
		}
	}
	return best
}

// steppedOf compares two histories of readings: a flow that goes on, or dies away
// (a parabola), and shifts between them, and one that is turned at any moment. How
// much better the first is it tells only where that is more than is worth while.
func steppedOf(before, after []sample, each float64) (s stepped) {
	m := len(before) + len(after)
	ts, ys, step := make([]float64, 0, m), make([]float64, 0, m), make([]float64, m)
	origin := after[0]
	for _, ss := range [][]sample{before, after} {
		for _, one := range ss {
			ts, ys = append(ts, (one.t-origin.t).Seconds()), append(ys, one.v-origin.v)
		}
	}
	for i := len(before); i < m; i++ {
		step[i] = 1
	}
	c := newCurve(ts)
	off := c.off(ys)
	gain, by, col := gains(c, off, step)
	a, b := len(before)-1, len(before)
	shown := func(i int) float64 { return ys[i] - (off[i] - float64(by*col[i])) }
	s.by, s.flowed = by, shown(a)-shown(b)+by
	s.fits = squares(off)-gain <= max(float64(2*float64(m)*each), gain/20) // or the shift is nearly all that there is
	s.better = gain / each
	bend := make([]float64, m)
	for i := 1; i < m && s.better > doubtedWorth; i++ {
		for _, at := range []float64{ts[i-1], (ts[i-1] + ts[i]) / 2} {
			for k, t := range ts {
				bend[k] = max(0, t-at)
			}
			bent, _, _ := gains(c, off, bend)
			s.better = min(s.better, (gain-bent)/each)
		}
	}
	return s
}

// gains is by how much the squares about a curve become less where one column
// more explains them, by so much of it; and the column, as it lies about the curve.
func gains(c curve, off, col []float64) (gain, by float64, about []float64) {
	about = c.off(col)
	wide, sum := squares(about), 0.0
	if wide <= 1e-9 {
		return 0, 0, about
	}
	for i, v := range about {
		sum += float64(v * off[i])
	}
	return sum * sum / wide, sum / wide, about
}

func squares(vs []float64) (sum float64) {
	for _, v := range vs {
		sum += float64(v * v)
	}
	return sum
}

// curve are orthogonal polynomials at some times: a constant, a line, a parabola.
type curve [3][]float64

func newCurve(ts []float64) (c curve) {
	for k := range c {
		c[k] = make([]float64, len(ts))
		for i, t := range ts {
			c[k][i] = [...]float64{1, t, float64(t * t)}[k]
		}
		rest := c
		for j := k; j < len(rest); j++ {
			rest[j] = nil
		}
		c[k] = rest.off(c[k])
	}
	return c
}

// off is what of values no such curve explains.
func (c curve) off(vs []float64) []float64 {
	offs := append([]float64(nil), vs...)
	for _, q := range c {
		wide := squares(q)
		if wide <= 1e-9 {
			continue
		}
		sum := 0.0
		for i := range q {
			sum += float64(q[i] * offs[i])
		}
		for i := range q {
			offs[i] -= float64(sum / wide * q[i])
		}
	}
	return offs
}

// joint is a segment that a shift closed, as it was before.
type joint struct {
	was                  weight        // before the shift
	line                 weight        // the same, had it flowed on until then as its last readings hid
	gap                  time.Duration // to the first reading after it
	flowed               float64       // kg: what is taken to have flowed in that
	apart                bool          // it is no part of one segment: what was laid on was taken off
	gust                 float64       // the highest rise from one reading to the next in the minute before
	by                   float64       // of so much
	start                weight
	blur                 float64
	from                 *sample
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
	return &joint{was: was, gust: highestRise(ss[k:]), by: by, start: p.start, blur: p.blur, from: p.from, began: p.began, begun: p.begun, settled: p.settled, settling: p.settling,
		betweenKg: p.betweenKg, betweenHi: p.betweenHi, variance: p.variance, rows: len(p.rows)}
}

const (
	gustFor   = time.Minute // of readings that tell whether it blows; our choice
	gustShare = 2.5         // of that highest rise: what a gust moves a weight by and is no shift; our choice, from invented winds
	gustReads = 24          // that tell how it blows at a level; our choice
)

// gusty reports whether wind explains a shift: by the highest rise from one reading to
// the next about it, of which rounding makes a digit.
func (p *platform) gusty(by, rise float64) bool {
	return math.Abs(by) <= gustShare*(rise-p.units.digit())
}

// riseAbout is the highest rise in the minute before one reading and after another.
func (p *platform) riseAbout(before, after int) float64 {
	i, k := before, after
	for i > 0 && p.good[before].t-p.good[i-1].t < gustFor {
		i--
	}
	for k < len(p.good)-1 && p.good[k+1].t-p.good[after].t < gustFor {
		k++
	}
	return max(highestRise(p.good[i:before+1]), highestRise(p.good[after:k+1]))
}

// perhaps takes it that the weight may have shifted by so much, upwards, between two readings, and
// nothing have flowed or flowed the more: no part of the best estimate.
func (p *platform) perhaps(byKg float64, before, after sample) {
	p.suspect = 0
	p.rows = append(p.rows, Segment{Scale: p.point, Cylinder: p.cylinder, Since: after.t, Until: after.t, FromKg: before.v, ToKg: after.v,
		LowKg: min(0, byKg), HighKg: max(0, byKg), Ended: EndedShift})
}

// highestRise is the most that a reading lies above the one before. Nothing flows
// back: that is noise.
func highestRise(ss []sample) (most float64) {
	for i := 1; i < len(ss); i++ {
		most = max(most, ss[i].v-ss[i-1].v)
	}
	return most
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
	rise := max(j.gust, highestRise(p.begun[1:]))
	wind := p.gusty(j.by, rise) && p.gusty(off, rise) // what rises in it is it
	if len(p.rows) != j.rows+1 {
		return
	}
	if math.Abs(off) > within && !wind || j.apart {
		p.flowedUntil(j, later)
		return
	}
	p.rows = p.rows[:j.rows]
	p.start, p.blur, p.from, p.began, p.begun, p.settled, p.settling = j.start, j.blur, j.from, j.began, j.begun, true, j.settling
	p.betweenKg, p.betweenHi, p.variance = j.betweenKg, j.betweenHi, j.variance
	if up := j.flowed - j.by; up > within && !steady(j.was, later) { // or a hose was laid on as the valve was shut
		doubted := p.suspect
		p.perhaps(up, sample{j.was.t, j.was.kg}, sample{later.t, later.kg})
		p.suspect = doubted // of another jump
	}
}

// flowedUntil corrects what was closed at a shift, where its last readings looked as if the
// valve had just been shut, and it flows on since then as before them.
func (p *platform) flowedUntil(j *joint, later weight) {
	if !steady(j.line, later) || j.line.rate < 4*j.line.rateSe {
		return
	}
	more := j.was.kg - j.line.kg + float64((j.line.rate+later.rate)/2*j.gap.Seconds()) - j.flowed
	r := &p.rows[j.rows]
	r.ToKg = j.line.kg
	r.LowKg, r.BestKg, r.HighKg = r.LowKg+more, r.BestKg+more, r.HighKg+more
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
	if beyond == 0 {
		return
	}
	if _, bent := bentBest(around); bent-steppedAt(around, p.good[i].t) < stepBetter*each {
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
	if p.gusty(beyond, p.riseAbout(i-1, i)) || beyond > 0 && p.roseBefore(i) {
		p.perhaps(-beyond, p.good[i-1], p.good[i])
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

// asEver is how fast it may flow from a cylinder that nobody saw give: a quarter faster than it ever did
// before it; as a valve lets it where it never did.
func (p *platform) asEver() float64 {
	if p.fastest == 0 {
		return p.widest()
	}
	return float64(gapHigh * p.fastest)
}
