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
	doubtedWorth = 5               // of chi-square, for which it is worth while to look again; our choice
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
	if s.fits && s.better >= stepBetter && !p.carried && math.Abs(s.by) >= max(jumpLeast, float64(1.5*p.units.digit())) && p.shift(s) {
		return
	}
	since, rows := p.suspect, len(p.rows)
	if p.suspect = 0; p.doubt == 0 {
		p.shifted(i)
	}
	if len(p.rows) == rows && s.fits && s.better > doubtedWorth && newest < doubtedMost {
		p.suspect, p.doubt = since, 2*newest
	}
}

// shift closes the segment where the weight shifted.
func (p *platform) shift(s stepped) bool {
	before, after := p.good[s.at-1], p.good[s.on]
	gap := after.t - before.t
	was, is := newestLevel(p.good[:s.at], p.noise), firstLevel(p.good[s.on:], p.noise)
	// Amid a flow that nobody turned; or upwards of what stood still.
	if !steady(was, is) && (s.by < 0 || was.rate > 0 || is.rate > 0) || s.by > 0 && s.by < float64(2*s.flowed)+p.pairs() && gap >= 2*bumpMost {
		return false
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
	s.fits = squares(off)-gain <= float64(2*float64(m)*each)
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
