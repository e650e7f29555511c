// Package physics holds the pure functions behind the rules: SI in, SI out, the
// unit in the name, the source beside each formula. Products that are added to
// something are written float64(a*b)+c, so that no machine fuses them and the
// results are the same on every architecture.
package physics

import (
	"cmp"
	"math"
	"slices"
)

// Rise is how a sealed pipe's pressure rises under vacuum: an approach to a
// plateau (moisture, trapped gas), p = Start + Rise*(1 - exp(-t/Tau)), with a
// straight line (a leak: its inflow is choked and constant) beside it or alone.
type Rise struct {
	StartPa, RisePa, TauS, DriftPaPerS float64 // TauS 0: no plateau
}

// At is the pressure t seconds after the rise's nought.
func (r Rise) At(tS float64) float64 {
	p := r.StartPa + float64(r.DriftPaPerS*tS)
	if r.TauS > 0 {
		p += float64(r.RisePa * -math.Expm1(-tS/r.TauS))
	}
	return p
}

// PlateauPa is where an approach ends.
func (r Rise) PlateauPa() float64 { return r.StartPa + r.RisePa }

// ThreePointRise is the approach through three pressures at equal intervals,
// in closed form; ok is false where they do not lie on one.
func ThreePointRise(stepS, p1Pa, p2Pa, p3Pa float64) (r Rise, ok bool) {
	d1, d2 := p2Pa-p1Pa, p3Pa-p2Pa
	ratio := d2 / d1
	if d1 <= 0 || ratio <= 0 || ratio >= 1 {
		return Rise{}, false
	}
	rise := d1 / (1 - ratio)
	return Rise{StartPa: p1Pa, RisePa: rise, TauS: -stepS / math.Log(ratio)}, true
}

// Stretch is the mean of some of a gauge's readings.
type Stretch struct {
	TS, PPa float64
	N       float64 // of how many
	SpanS   float64 // from the first of them to the last
	Water   float64 // water's pressure at the wall's temperature, of that at the first; 0: not known
}

// Rises is everything that a gauge's readings may mean, each shape with how
// probable it is: what is steady, rises straight, towards a plateau, by both,
// or began to rise later, under gauge noise that is white, drifts, or both; and,
// where the wall's temperature is known and moved, what goes with it as water does.
//
// It is Bayes's rule over a grid. For one kind of noise the readings are
// whitened (Kalman's recursion for an Ornstein-Uhlenbeck drift and white noise
// beside it), and every shape with a given time constant is then linear, so
// that its evidence and its estimates are those of generalised least squares.
// Nothing can be told of a slow drift before the readings have lasted long
// enough to show it; until then it is possible and widens every answer.
type Rises struct {
	Known  bool // false: the readings are too few for anything
	shapes []shape
	forms  []form
	fromS  float64 // the first stretch
	wall   wall

	// Spread is the noise's part of a reading's stretch, Drift that of it which
	// drifts (0 to 1), DriftS the drift's correlation time: means.
	Spread, Drift, DriftS float64
}

// The grids and what is held probable before any reading. A thermal gauge's
// noise is 0.5 to 3 % of its reading (the field guide); the rest is our choice,
// from trial runs with seeds.
const (
	spreadFirst = 0.0005 // of the level: less than any gauge shows
	spreadRatio = 1.35
	spreadMany  = 18   // up to 8 %
	spreadMost  = 0.03 // more is held improbable, in proportion to its fourth power
	tauFirstS   = 90.0
	tauLastS    = 7200.0 // slower is a straight line within an hour
	tauRatio    = 1.3
	filmsFirstS = 300.0
	filmsLastS  = 43200.0
	filmsRatio  = 1.7
	perHour     = 3600.0
	atOnceS     = 1.0   // of a late rise: a step
	settleS     = 60.0  // in which the pump's side evens out (common practice: over within 3 to 5 min)
	settleMost  = 100.0 // by how much at first, of the noise: free
)

// The prior of each kind of shape.
const (
	priorSteady = 0.15
	priorLine   = 0.25
	priorCurve  = 0.22
	priorFilms  = 0.15
	priorBoth   = 0.15
	priorLate   = 0.08
	priorWall   = 0.15 // where the wall moved
)

// quickS is the time constant up to which an approach is quicklyMore times as
// probable beforehand: what ice and puddles do near a plateau. While noise hides
// how a steep rise bends it could go on and pass any limit, or end just below it;
// what is steep tells of both alike (our choice, from trial runs with seeds: of 92
// that stay below, most of which level off from 430 to 500 micron, 17 were called).
const (
	quickS      = 600.0
	quicklyMore = 4.0
)

// The grid of how fast water follows the wall, and from where on the wall is said
// to have moved: half a kelvin.
const (
	wallFirstS = 60.0
	wallRatio  = 1.6
	wallMoved  = 0.03 // of water's pressure
)

type kind uint8

const (
	steady kind = iota
	line
	curve
	films
	both
	late
	walled // an approach to water's pressure at the wall, which itself moves
)

// wall is how water's pressure at the wall went: of that at first, and after how
// long. Empty: not known, or it hardly moved.
type wall struct{ tS, is []float64 }

// follow is what approaches the wall's pressure with a time constant, from
// nothing, dt seconds on: the exact answer while the wall's goes straight from a to b.
func follow(g, a, b, dtS, tauS float64) float64 {
	x := dtS / tauS
	if x <= 0 {
		return g
	}
	keep := math.Exp(-x)
	return float64(keep*g) + b - float64(a*keep) - float64((b-a)*(-math.Expm1(-x)/x))
}

// at is what a walled form's start and its rise are multiplied with at a time;
// the wall stays as it was last.
func (w wall) at(f *form, tS float64) (start, rise float64) {
	i, _ := slices.BinarySearch(w.tS, tS)
	if i = max(i-1, 0); i+1 < len(w.tS) {
		to := w.is[i] + float64((w.is[i+1]-w.is[i])*((tS-w.tS[i])/(w.tS[i+1]-w.tS[i])))
		rise = follow(f.raw[i], w.is[i], to, tS-w.tS[i], f.tauS)
	} else {
		rise = follow(f.raw[i], w.is[i], w.is[i], tS-w.tS[i], f.tauS)
	}
	return math.Exp(-tS/f.tauS) + rise, rise
}

// shape is one form of a rise under one noise, as probable as weight says.
type shape struct {
	kind   kind
	form   int // of Rises.forms; -1: none
	weight float64
	tauS   float64
	sinceS float64    // of a late one: after the first stretch
	start  float64    // Pa
	slope  float64    // Pa an hour
	rise   float64    // Pa
	c      [6]float64 // covariance of start, slope, rise: 00 01 02 11 12 22
}

// form is what a shape's rise is multiplied with.
type form struct {
	kind         kind
	tauS, sinceS float64
	raw          []float64 // of a walled one, at every stretch
}

// gauge is one kind of noise: how it whitens, and what it makes of the columns.
type gauge struct {
	rho, tauCS    float64
	steps         []step
	logDet        float64
	one, t, y     []float64
	s11, s1t, stt float64
	s1y, sty, syy float64
	weight        [spreadMany]float64 // log, then share
}

// step is one of Kalman's recursion over two unknowns: the drift, and what is
// left of the pump's side evening out.
type step struct{ keepD, keepS, gainD, gainS, inv float64 }

// column is a shape's own regressor.
type column struct {
	kind         kind // curve (and both), films or late
	tauS, sinceS float64
	logWidth     float64 // of the grid about it: its prior
	raw          []float64
	sums         [][4]float64 // for each gauge: with one, t, itself, y
	start        []float64    // what a walled one's start is multiplied with
	starts       [][3]float64 // for each gauge: that with itself, raw, y
}

// fit is one FitRises at work.
type fit struct {
	tS, pPa, level  []float64
	wobble          []float64 // the white noise of a stretch, relative to the usual one
	wide            []float64 // s: over which a stretch's mean smooths a drift
	logScale, fromS float64
	spreads         [spreadMany]spread
	gauges          []gauge
	columns         []column
	scratch, other  []float64
	wall            wall
}

// FitRises weighs what the stretches (in order of time) may mean. Rises are
// held probable up to the order of scalePa (the limit).
func FitRises(stretches []Stretch, scalePa float64) Rises {
	f := fit{logScale: math.Log(math.Sqrt(2*math.Pi) / scalePa), spreads: spreads()}
	if !f.take(stretches) {
		return Rises{}
	}
	n := len(f.tS)
	f.scratch, f.other = make([]float64, n), make([]float64, n)
	f.level = f.roughLevel()
	span := f.tS[n-1]

	// Which noise, and roughly which level: with few shapes.
	for _, tau := range []float64{180, 600, 1800} {
		f.addColumn(curve, tau, 0)
	}
	f.addColumn(films, 600, 0)
	f.addColumn(films, 6000, 0)
	if n >= lateLeast {
		for _, share := range []float64{0.5, 0.75} {
			f.addColumn(late, 0, span*share)
		}
	}
	f.addGauge(0, 0)
	for _, tauC := range []float64{20, 60, 150, 350, 700} {
		for _, rho := range []float64{0.25, 0.6, 0.9, 0.99} {
			f.addGauge(tauC, rho)
		}
	}
	f.level = f.likelyLevel()
	f.keepLikelyGauges()

	// What shape, with those kinds of noise.
	f.columns = f.columns[:0]
	for g := range f.gauges {
		f.prepare(&f.gauges[g])
	}
	for tau := tauFirstS; tau <= tauLastS*1.001; tau *= tauRatio {
		f.addColumn(curve, tau, 0)
	}
	for tau := filmsFirstS; tau <= filmsLastS*1.001; tau *= filmsRatio {
		f.addColumn(films, tau, 0)
	}
	if len(f.wall.is) > 0 {
		for tau := wallFirstS; tau <= tauLastS; tau *= wallRatio {
			f.addColumn(walled, tau, 0)
		}
	}
	if n >= lateLeast {
		for _, share := range []float64{0.2, 0.35, 0.5, 0.62, 0.75, 0.85, 0.92} {
			f.addColumn(late, 0, span*share)
			f.addColumn(late, 300, span*share)
		}
	}
	if i := f.jumpAt(); i > 0 {
		for _, at := range []int{i - 1, i, i + 1} {
			if at > 0 && at < n {
				f.addColumn(late, atOnceS, 0.5*(f.tS[at-1]+f.tS[at]))
			}
		}
	}
	f.refine()
	return f.rises()
}

// jumpAt is the place of the greatest step of the level between neighbours'
// means: where something was opened, if anything was.
func (f *fit) jumpAt() int {
	const k = 4
	at, most := -1, 0.0
	for i := k; i+2 <= len(f.pPa); i++ {
		before, after := mean(f.pPa[i-k:i]), mean(f.pPa[i:min(i+k, len(f.pPa))])
		if by := math.Abs(after-before) / f.level[i]; by > most {
			at, most = i, by
		}
	}
	return at
}

func mean(ps []float64) (m float64) {
	for _, p := range ps {
		m += float64(p / float64(len(ps)))
	}
	return m
}

// roughLevel is the level for the first weights: smooth, for where a reading
// weighs itself a fit does best near nought.
func (f *fit) roughLevel() []float64 {
	n := len(f.pPa)
	level := make([]float64, n)
	wide := max(3, n/8)
	for i := range level {
		level[i] = mean(f.pPa[max(0, i-wide):min(n, i+wide+1)])
	}
	return level
}

// lateLeast is how many stretches it takes before a rise may have begun later.
const lateLeast = 20

func (f *fit) take(stretches []Stretch) bool {
	usual := make([]float64, 0, len(stretches))
	if len(stretches) < 5 {
		return false
	}
	f.fromS = stretches[0].TS
	for _, s := range stretches {
		if !(s.PPa > 0) || !(s.N > 0) || math.IsInf(s.PPa, 0) || s.PPa > 1e9 {
			return false
		}
		f.tS, f.pPa = append(f.tS, s.TS-stretches[0].TS), append(f.pPa, s.PPa)
		usual = append(usual, s.N)
	}
	if !(f.tS[len(f.tS)-1] > 0) {
		return false
	}
	f.takeWall(stretches)
	slices.Sort(usual)
	f.wobble, f.wide = make([]float64, len(f.tS)), make([]float64, len(f.tS))
	for i, s := range stretches {
		f.wobble[i] = usual[len(usual)/2] / s.N
		f.wide[i] = s.SpanS * (1 + 1/s.N) // the continuous mean of the same variance, to the first order
	}
	return true
}

// takeWall takes how water's pressure at the wall went.
func (f *fit) takeWall(stretches []Stretch) {
	low, high := math.Inf(1), 0.0
	for _, s := range stretches {
		if !(s.Water > 0.01 && s.Water < 100) {
			return
		}
		low, high = min(low, s.Water), max(high, s.Water)
	}
	if high > low*(1+wallMoved) {
		f.wall.tS = f.tS
		for _, s := range stretches {
			f.wall.is = append(f.wall.is, s.Water)
		}
	}
}

func (f *fit) addGauge(tauCS, rho float64) {
	n := len(f.tS)
	g := gauge{tauCS: tauCS, rho: rho, steps: make([]step, n)}
	pDD, pDS, pSS := rho, 0.0, settleMost*settleMost*math.Exp(-2*f.fromS/settleS)
	prod, was, keepD, keepS, wide, flat := 1.0, 0.0, 1.0, 1.0, 0.0, 0.0
	for i := range n {
		k := &g.steps[i]
		if i > 0 {
			if dt := f.tS[i] - f.tS[i-1]; dt != was {
				was, keepD, keepS = dt, 0, math.Exp(-dt/settleS)
				if rho > 0 {
					keepD = math.Exp(-dt / tauCS)
				}
			}
			pDD = float64(float64(keepD*keepD)*pDD) + float64(rho*(1-float64(keepD*keepD)))
			pDS *= float64(keepD * keepS)
			pSS *= float64(keepS * keepS)
			k.keepD, k.keepS = keepD, keepS
		}
		if f.wide[i] != wide {
			wide = f.wide[i]
			flat = smoothed(wide / tauCS)
		}
		s := pDD + float64(2*pDS) + pSS + float64((1-rho)*f.wobble[i]) - float64(rho*flat)
		k.gainD, k.gainS, k.inv = (pDD+pDS)/s, (pDS+pSS)/s, 1/math.Sqrt(s)
		pDD -= float64(float64(k.gainD*k.gainD) * s)
		pSS -= float64(float64(k.gainS*k.gainS) * s)
		pDS -= float64(float64(k.gainD*k.gainS) * s)
		if prod *= s; i%8 == 7 || i == n-1 {
			g.logDet += math.Log(prod)
			prod = 1
		}
	}
	f.prepare(&g)
	for c := range f.columns {
		f.sumUp(&g, &f.columns[c])
	}
	f.gauges = append(f.gauges, g)
}

// smoothed is by how much less than its covariance with its neighbours' a
// drift's mean over a stretch varies, of that covariance; x is the stretch in
// units of the drift's correlation time.
func smoothed(x float64) float64 {
	if !(x > 1e-3) || math.IsInf(x, 0) {
		return 0
	}
	own := 2 / x * (1 - -math.Expm1(-x)/x)
	half := math.Sinh(min(x, 60)/2) / (x / 2)
	return 1 - own/float64(half*half)
}

// prepare whitens what all shapes share, relative to the level.
func (f *fit) prepare(g *gauge) {
	n := len(f.tS)
	raw := make([]float64, n)
	whitened := func(of func(i int) float64) []float64 {
		for i := range raw {
			raw[i] = of(i) / f.level[i]
		}
		out := make([]float64, n)
		g.whiten(raw, out)
		return out
	}
	g.one = whitened(func(int) float64 { return 1 })
	g.t = whitened(func(i int) float64 { return f.tS[i] / perHour })
	g.y = whitened(func(i int) float64 { return f.pPa[i] })
	g.s11, g.s1t, g.stt = dot(g.one, g.one), dot(g.one, g.t), dot(g.t, g.t)
	g.s1y, g.sty, g.syy = dot(g.one, g.y), dot(g.t, g.y), dot(g.y, g.y)
}

func (g *gauge) whiten(raw, out []float64) {
	d, z := 0.0, 0.0
	for i, v := range raw {
		k := &g.steps[i]
		d, z = float64(d*k.keepD), float64(z*k.keepS)
		e := v - d - z
		out[i] = e * k.inv
		d += float64(e * k.gainD)
		z += float64(e * k.gainS)
	}
}

func (f *fit) addColumn(k kind, tauS, sinceS float64) {
	c := column{kind: k, tauS: tauS, sinceS: sinceS, raw: make([]float64, len(f.tS))}
	for i, t := range f.tS {
		if k != walled {
			c.raw[i] = regressor(k, tauS, sinceS, f.fromS, t)
			continue
		}
		if i > 0 {
			c.raw[i] = follow(c.raw[i-1], f.wall.is[i-1], f.wall.is[i], t-f.tS[i-1], tauS)
		}
		c.start = append(c.start, math.Exp(-t/tauS)+c.raw[i])
	}
	for g := range f.gauges {
		f.sumUp(&f.gauges[g], &c)
	}
	f.columns = append(f.columns, c)
}

// regressor is what a shape's rise is multiplied with. Water that leaves the
// walls and oil at many rates at once (films) goes as the root of the time from
// isolating at first, as outgassing does in vacuum technology (from memory),
// and ends like any approach.
func regressor(k kind, tauS, sinceS, fromS, tS float64) float64 {
	switch {
	case k == films:
		first := math.Sqrt(fromS / tauS)
		return math.Exp(-first) * -math.Expm1(first-math.Sqrt((fromS+tS)/tauS))
	case k == late && tS <= sinceS:
		return 0
	case k == late && tauS == 0:
		return (tS - sinceS) / perHour
	case k == late:
		return -math.Expm1(-(tS - sinceS) / tauS)
	case tauS > 0:
		return -math.Expm1(-tS / tauS)
	}
	return 0
}

// sumUp adds a gauge's sums to a column's.
func (f *fit) sumUp(g *gauge, c *column) {
	c.sums = append(c.sums, f.sumsOf(g, c.raw))
	if c.kind != walled {
		return
	}
	for i, v := range c.start {
		f.other[i] = v / f.level[i]
	}
	g.whiten(f.other, f.other)
	var s [3]float64
	for i, x := range f.other {
		s[0] += float64(x * x)
		s[1] += float64(x * f.scratch[i]) // the column's own, whitened by sumsOf
		s[2] += float64(x * g.y[i])
	}
	c.starts = append(c.starts, s)
}

func (f *fit) sumsOf(g *gauge, raw []float64) [4]float64 {
	for i, v := range raw {
		f.scratch[i] = v / f.level[i]
	}
	g.whiten(f.scratch, f.scratch)
	c := f.scratch
	var s [4]float64
	for i, x := range c {
		s[0] += float64(x * g.one[i])
		s[1] += float64(x * g.t[i])
		s[2] += float64(x * x)
		s[3] += float64(x * g.y[i])
	}
	return s
}

// solved is a shape under a gauge, before its spread is said.
type solved struct {
	shape
	chi2, halfLogDet float64 // of the unscaled covariance
	parameters       int
	ok               bool
}

// solve fits one kind of shape under one gauge.
func (f *fit) solve(k kind, g *gauge, c *column, sums [4]float64, starts ...float64) (s solved) {
	s.kind = k
	switch k {
	case steady:
		s.parameters = 1
		s.start, s.c[0] = g.s1y/g.s11, 1/g.s11
		s.chi2 = g.syy - float64(s.start*g.s1y)
		s.halfLogDet = 0.5 * math.Log(s.c[0])
		s.ok = true
	case line, curve, films, late, walled:
		s11, s1y := g.s11, g.s1y
		sg, gg, gy := g.s1t, g.stt, g.sty
		if k != line {
			s.tauS, s.sinceS = c.tauS, c.sinceS
			sg, gg, gy = sums[0], sums[2], sums[3]
		}
		if k == walled {
			s11, sg, s1y = starts[0], starts[1], starts[2]
		}
		det := float64(s11*gg) - float64(sg*sg)
		if !(det > 1e-10*float64(s11*gg)) {
			return s
		}
		s.parameters = 2
		b := (float64(s11*gy) - float64(sg*s1y)) / det
		s.start = (s1y - float64(b*sg)) / s11
		s.chi2 = g.syy - float64(s.start*s1y) - float64(b*gy)
		s.c[0] = gg / det
		if k == line {
			s.slope, s.c[1], s.c[3] = b, -sg/det, s11/det
		} else {
			s.rise, s.c[2], s.c[5] = b, -sg/det, s11/det
		}
		s.halfLogDet = -0.5 * math.Log(det)
		s.ok = true
	case both:
		s.tauS = c.tauS
		a11, a12, a13, a22, a23, a33 := g.s11, g.s1t, sums[0], g.stt, sums[1], sums[2]
		m11 := float64(a22*a33) - float64(a23*a23)
		m12 := float64(a13*a23) - float64(a12*a33)
		m13 := float64(a12*a23) - float64(a13*a22)
		m22 := float64(a11*a33) - float64(a13*a13)
		m23 := float64(a12*a13) - float64(a11*a23)
		m33 := float64(a11*a22) - float64(a12*a12)
		det := float64(a11*m11) + float64(a12*m12) + float64(a13*m13)
		if !(det > 1e-12*float64(float64(a11*a22)*a33)) {
			return s
		}
		s.parameters = 3
		s.c = [6]float64{m11 / det, m12 / det, m13 / det, m22 / det, m23 / det, m33 / det}
		s.start = float64(s.c[0]*g.s1y) + float64(s.c[1]*g.sty) + float64(s.c[2]*sums[3])
		s.slope = float64(s.c[1]*g.s1y) + float64(s.c[3]*g.sty) + float64(s.c[4]*sums[3])
		s.rise = float64(s.c[2]*g.s1y) + float64(s.c[4]*g.sty) + float64(s.c[5]*sums[3])
		s.chi2 = g.syy - float64(s.start*g.s1y) - float64(s.slope*g.sty) - float64(s.rise*sums[3])
		s.halfLogDet = -0.5 * math.Log(det)
		s.ok = true
	}
	s.chi2 = max(s.chi2, 0)
	return s
}

// spread is one of the grid of noise: itself, its log, and its prior's log.
type spread struct{ is, log, logPrior float64 }

func spreads() (all [spreadMany]spread) {
	for i := range all {
		s := &all[i]
		s.is = spreadFirst * math.Pow(spreadRatio, float64(i))
		s.log = math.Log(s.is)
		if s.is > spreadMost {
			s.logPrior = -4 * math.Log(s.is/spreadMost)
		}
	}
	return all
}

// weigh hands a shape at every spread that matters to do, with its log, where
// that is not below the least.
func (f *fit) weigh(s *solved, g int, least float64, do func(x *solved, spread int, log float64)) {
	first, last := f.around(s)
	for i := first; i <= last; i++ {
		if s.kind == both {
			f.mixed(s, &f.gauges[g], f.spreads[i], least, func(x *solved, log float64) { do(x, i, log) })
			continue
		}
		x := *s
		if log := f.evidence(&x, &f.gauges[g], f.spreads[i], least); !(log < least) {
			do(&x, i, log)
		}
	}
}

// around is the part of the grid that matters for what a shape leaves over.
func (f *fit) around(s *solved) (first, last int) {
	likely := math.Sqrt(s.chi2 / float64(len(f.tS)))
	at := int(math.Round(math.Log(max(likely, spreadFirst)/spreadFirst) / math.Log(spreadRatio)))
	wide := 2 // the spread is known to 1/sqrt(2n)
	switch n := len(f.tS); {
	case n < 20:
		wide = 6
	case n < 60:
		wide = 3
	}
	return max(0, min(at-wide/2, spreadMany-1-wide)), min(spreadMany-1, at+wide)
}

// evidence is the log of a shape's probability at a spread, its rise and slope
// not below nought: a sealed pipe loses no gas into the vacuum. It completes
// the shape for that spread, unless the log is below the least that matters.
func (f *fit) evidence(s *solved, g *gauge, of spread, least float64) float64 {
	free := float64(len(f.tS) - s.parameters)
	square := float64(of.is * of.is)
	log := of.logPrior - float64(free*of.log) - float64(0.5*g.logDet) - s.chi2/float64(2*square) + s.halfLogDet
	log += float64(float64(s.parameters-1) * f.logScale)
	if log < least {
		return log // what follows only lessens it
	}
	for i := range s.c {
		s.c[i] *= square
	}
	switch s.kind {
	case line:
		log += math.Log(s.atLeastNought(&s.slope, 3, 1))
	case curve, films, late, walled:
		log += math.Log(s.atLeastNought(&s.rise, 5, 2))
	}
	return log
}

// mixed hands every part of a leak beside an approach that is possible, neither
// below nought, with its log. Where the readings tell the two apart that is one
// part; else the straight one's share is cut into pieces.
func (f *fit) mixed(s *solved, g *gauge, of spread, least float64, do func(x *solved, log float64)) {
	x := *s
	log := f.evidence(&x, g, of, least)
	if log < least {
		return
	}
	sdSlope, sdRise := math.Sqrt(x.c[3]), math.Sqrt(x.c[5])
	if x.slope > 4*sdSlope && x.rise > 4*sdRise {
		do(&x, log)
		return
	}
	// Given the slope, start and rise are a line's; the rise falls as the slope grows.
	perSlope := x.c[4] / x.c[3]
	varRise := max(x.c[5]-float64(float64(x.c[4]*x.c[4])/x.c[3]), 0)
	low, high := max(0, x.slope-float64(3*sdSlope)), x.slope+float64(3*sdSlope)
	if perSlope < 0 {
		high = min(high, x.slope-(x.rise+float64(3*math.Sqrt(varRise)))/perSlope)
	}
	if !(high > low) {
		return
	}
	width := (high - low) / pieces
	for i := range pieces {
		y := x
		y.slope = low + float64((float64(i)+0.5)*width)
		d := y.slope - x.slope
		z := d / sdSlope
		y.start += float64(x.c[1] / x.c[3] * d)
		y.rise += float64(perSlope * d)
		y.c = [6]float64{0: max(x.c[0]-float64(float64(x.c[1]*x.c[1])/x.c[3]), 0), 2: x.c[2] - float64(float64(x.c[1]*x.c[4])/x.c[3]), 5: varRise}
		part := log + math.Log(width/sdSlope/math.Sqrt(2*math.Pi)) - float64(0.5*float64(z*z))
		if part < least {
			continue
		}
		if varRise > 0 {
			part += math.Log(y.atLeastNought(&y.rise, 5, 2))
		} else if y.rise < 0 {
			continue
		}
		do(&y, part)
	}
}

const pieces = 5

// atLeastNought makes one estimate that of what is not below nought, and says
// how probable that was.
func (s *shape) atLeastNought(b *float64, own, withStart int) float64 {
	sd := math.Sqrt(s.c[own])
	z := *b / sd
	p := normal(z)
	if z > 6 {
		return p
	}
	if p < 1e-12 {
		return 1e-300
	}
	lambda := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / p
	shift := float64(sd * lambda)
	shrunk := max(1-float64(lambda*(lambda+z)), 0) // the variance's share that stays
	s.start += float64(s.c[withStart] / s.c[own] * shift)
	s.c[0] -= float64(float64(s.c[withStart]*s.c[withStart]) / s.c[own] * (1 - shrunk))
	s.c[withStart] *= shrunk
	s.c[own] *= shrunk
	*b += shift
	return p
}

// normal is the normal distribution.
func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// each hands every shape under every gauge to do, with its prior's log.
func (f *fit) each(g int, do func(s solved, logPrior float64, c int)) {
	ga := &f.gauges[g]
	do(f.solve(steady, ga, nil, [4]float64{}), math.Log(priorSteady), -1)
	do(f.solve(line, ga, nil, [4]float64{}), math.Log(priorLine), -1)
	for i := range f.columns {
		c := &f.columns[i]
		switch c.kind {
		case late:
			do(f.solve(late, ga, c, c.sums[g]), math.Log(priorLate)+c.logWidth, i)
			continue
		case walled:
			do(f.solve(walled, ga, c, c.sums[g], c.starts[g][:]...), math.Log(priorWall)+c.logWidth, i)
			continue
		case films:
			do(f.solve(films, ga, c, c.sums[g]), math.Log(priorFilms)+c.logWidth, i)
			continue
		}
		approach := math.Log(priorCurve) + c.logWidth
		if c.tauS <= quickS {
			approach += math.Log(quicklyMore)
		}
		do(f.solve(curve, ga, c, c.sums[g]), approach, i)
		do(f.solve(both, ga, c, c.sums[g]), math.Log(priorBoth)+c.logWidth, i)
	}
}

// widths gives every column its share of its kind's prior: time constants are
// as probable in each factor, late rises each the same.
func (f *fit) widths() {
	slices.SortStableFunc(f.columns, func(a, b column) int {
		switch {
		case a.kind != b.kind:
			return int(a.kind) - int(b.kind)
		case a.tauS < b.tauS:
			return -1
		case a.tauS > b.tauS:
			return 1
		}
		return 0
	})
	for from := 0; from < len(f.columns); {
		to := from
		for to < len(f.columns) && f.columns[to].kind == f.columns[from].kind {
			to++
		}
		family := f.columns[from:to]
		last := len(family) - 1
		all := math.Log(family[last].tauS / family[0].tauS)
		for i := range family {
			if family[i].kind == late {
				family[i].logWidth = -math.Log(float64(len(family)))
				if family[i].tauS == atOnceS { // picked from all places
					family[i].logWidth = -math.Log(float64(len(f.tS)))
				}
				continue
			}
			a, b := family[max(i-1, 0)].tauS, family[min(i+1, last)].tauS
			family[i].logWidth = math.Log(0.5 * math.Log(b/a) / all)
		}
		from = to
	}
}

// likelyLevel is the level at every stretch by the likeliest shape of all.
func (f *fit) likelyLevel() []float64 {
	f.widths()
	best, bestLog := solved{}, math.Inf(-1)
	for g := range f.gauges {
		f.each(g, func(s solved, logPrior float64, _ int) {
			if !s.ok || s.kind == both { // the others bend enough
				return
			}
			f.weigh(&s, g, bestLog-logPrior-12, func(x *solved, i int, log float64) {
				if log += logPrior; log > bestLog {
					best, bestLog = *x, log
				}
				f.gauges[g].weight[i] = logSum(f.gauges[g].weight[i], log)
			})
		})
	}
	level := make([]float64, len(f.tS))
	for i, t := range f.tS {
		level[i], _ = best.at(t, 1, regressor(best.kind, best.tauS, best.sinceS, f.fromS, t))
		if !(level[i] > 0.5*f.level[i]) || level[i] > 2*f.level[i] {
			level[i] = f.level[i]
		}
	}
	return level
}

func logSum(a, b float64) float64 {
	if a == 0 { // nothing yet
		return b
	}
	hi, lo := max(a, b), min(a, b)
	return hi + math.Log1p(math.Exp(lo-hi))
}

// keepLikelyGauges drops the kinds of noise that hardly matter.
func (f *fit) keepLikelyGauges() {
	most := math.Inf(-1)
	for _, g := range f.gauges {
		for _, w := range g.weight {
			most = max(most, w)
		}
	}
	share := func(g gauge) (sum float64) {
		for _, w := range g.weight {
			sum += math.Exp(w - most)
		}
		return sum
	}
	all := 0.0
	for _, g := range f.gauges {
		all += share(g)
	}
	slices.SortStableFunc(f.gauges, func(a, b gauge) int {
		switch x, y := share(a), share(b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	kept, sum := 0, 0.0
	for kept < len(f.gauges) && kept < gaugesMost && sum < 0.95*all {
		sum += share(f.gauges[kept])
		kept++
	}
	f.gauges = f.gauges[:kept]
	for g := range f.gauges {
		for i, w := range f.gauges[g].weight {
			f.gauges[g].weight[i] = math.Exp(w-most) / sum
		}
	}
}

const gaugesMost = 5

// refine lays the grid of time constants closer where one of them has most of
// its kind's probability: a coarse grid finds mixtures that are not there
// (found in the field guide's trial runs).
func (f *fit) refine() {
	for range 9 {
		f.widths()
		share := f.shares()
		var closer []form
		for k, of := range refined {
			if of == both {
				of = curve
			}
			best := -1
			for i, s := range share[k] {
				if f.columns[i].kind == of && (best < 0 || s > share[k][best]) {
					best = i
				}
			}
			if share[k][best] < 0.4 {
				continue
			}
			for _, other := range []int{best - 1, best + 1} {
				if other < 0 || other >= len(f.columns) || f.columns[other].kind != of {
					continue
				}
				a, b := f.columns[best].tauS, f.columns[other].tauS
				if math.Abs(math.Log(a/b)) < 0.004 {
					continue
				}
				if x := (form{kind: of, tauS: math.Sqrt(float64(a * b))}); !slices.ContainsFunc(closer, func(y form) bool { return y.kind == x.kind && y.tauS == x.tauS }) {
					closer = append(closer, x)
				}
			}
		}
		if len(closer) == 0 {
			break
		}
		for _, x := range closer {
			f.addColumn(x.kind, x.tauS, 0)
		}
	}
	f.widths()
}

// refined are the kinds whose time constants' grid is laid closer.
var refined = [...]kind{curve, both, films}

// shares is each column's part among those of its kind, at each
// gauge's likeliest spread.
func (f *fit) shares() (share [len(refined)][]float64) {
	var most [len(refined)]float64
	for k := range share {
		share[k] = make([]float64, len(f.columns))
		most[k] = math.Inf(-1)
	}
	type one struct {
		k, c int
		log  float64
	}
	var all []one
	for g := range f.gauges {
		at := 0
		for i, w := range f.gauges[g].weight {
			if w > f.gauges[g].weight[at] {
				at = i
			}
		}
		f.each(g, func(s solved, logPrior float64, c int) {
			k := slices.Index(refined[:], s.kind)
			if !s.ok || k < 0 {
				return
			}
			take := func(_ *solved, log float64) {
				all = append(all, one{k, c, log + logPrior})
				most[k] = max(most[k], log+logPrior)
			}
			if s.kind == both {
				f.mixed(&s, &f.gauges[g], f.spreads[at], math.Inf(-1), take)
			} else {
				take(nil, f.evidence(&s, &f.gauges[g], f.spreads[at], math.Inf(-1)))
			}
		})
	}
	var sum [len(refined)]float64
	for _, x := range all {
		w := math.Exp(x.log - most[x.k])
		share[x.k][x.c] += w
		sum[x.k] += w
	}
	for k := range share {
		for i := range share[k] {
			share[k][i] /= max(sum[k], 1e-300)
		}
	}
	return share
}

// rises weighs all shapes at all spreads.
func (f *fit) rises() Rises {
	r := Rises{fromS: f.fromS, forms: make([]form, len(f.columns)), wall: f.wall}
	for i, c := range f.columns {
		r.forms[i] = form{c.kind, c.tauS, c.sinceS, nil}
		if c.kind == walled {
			r.forms[i].raw = c.raw
		}
	}
	most := math.Inf(-1)
	type noise struct{ spread, rho, tauCS float64 }
	var noises []noise
	for g := range f.gauges {
		ga := &f.gauges[g]
		f.each(g, func(s solved, logPrior float64, c int) {
			if !s.ok {
				return
			}
			s.form = c
			f.weigh(&s, g, most-logPrior-8, func(x *solved, i int, log float64) {
				if x.weight = log + logPrior; math.IsNaN(x.weight) {
					return
				}
				most = max(most, x.weight)
				r.shapes = append(r.shapes, x.shape)
				noises = append(noises, noise{f.spreads[i].is, ga.rho, ga.tauCS})
			})
		})
	}
	sum, kept := 0.0, r.shapes[:0]
	for i, s := range r.shapes {
		if s.weight = math.Exp(s.weight - most); s.weight < 3e-4 {
			continue
		}
		sum += s.weight
		kept = append(kept, s)
		r.Spread += float64(s.weight * noises[i].spread)
		r.Drift += float64(s.weight * noises[i].rho)
		r.DriftS += float64(s.weight * noises[i].tauCS)
	}
	r.shapes = kept
	for i := range r.shapes {
		r.shapes[i].weight /= sum
	}
	r.Spread, r.Drift, r.DriftS = r.Spread/sum, r.Drift/sum, r.DriftS/sum
	r.Known = len(r.shapes) > 0
	return r
}

// at is a shape's pressure at a time after the first stretch, and its variance;
// one and g are what its start and its rise are multiplied with then.
func (s *shape) at(tS, one, g float64) (pPa, variance float64) {
	t := tS / perHour
	pPa = float64(s.start*one) + float64(s.slope*t) + float64(s.rise*g)
	variance = float64(float64(one*one)*s.c[0]) + float64(2*float64(s.c[1]*t)) + float64(2*float64(float64(one*s.c[2])*g)) +
		float64(float64(s.c[3]*t)*t) + float64(2*float64(float64(s.c[4]*t)*g)) + float64(float64(s.c[5]*g)*g)
	return pPa, max(variance, 0)
}

// Level is what the pressure may be at one time.
type Level struct {
	Pa, SePa float64 // its mean and standard error
	is       []gaussian
}

type gaussian struct{ weight, pPa, sePa float64 }

// At is what the pressure may be at a time.
func (r *Rises) At(tS float64) (l Level) {
	g, one := make([]float64, len(r.forms)), make([]float64, len(r.forms))
	for i := range r.forms {
		f := &r.forms[i]
		if f.kind == walled {
			one[i], g[i] = r.wall.at(f, tS-r.fromS)
			continue
		}
		one[i], g[i] = 1, regressor(f.kind, f.tauS, f.sinceS, r.fromS, tS-r.fromS)
	}
	l.is = make([]gaussian, len(r.shapes))
	square := 0.0
	for i := range r.shapes {
		s, first, of := &r.shapes[i], 1.0, 0.0
		if s.form >= 0 {
			first, of = one[s.form], g[s.form]
		}
		p, v := s.at(tS-r.fromS, first, of)
		l.is[i] = gaussian{s.weight, p, math.Sqrt(max(v, 1e-18))}
		l.Pa += float64(s.weight * p)
		square += float64(s.weight * v)
	}
	for _, x := range l.is {
		d := x.pPa - l.Pa
		square += float64(float64(x.weight*d) * d)
	}
	l.SePa = math.Sqrt(square)
	return l
}

// Above is the probability that the pressure is above another.
func (l Level) Above(pPa float64) (p float64) {
	for _, x := range l.is {
		p += float64(x.weight * normal((x.pPa-pPa)/x.sePa))
	}
	return p
}

// Quantile is the pressure below which it lies with a probability.
func (l Level) Quantile(share float64) float64 {
	low, high := l.Pa-float64(6*l.SePa), l.Pa+float64(6*l.SePa)
	for range 12 {
		mid := 0.5 * (low + high)
		if 1-l.Above(mid) < share {
			low = mid
		} else {
			high = mid
		}
	}
	return 0.5 * (low + high)
}

// Causes is how probable each cause of what rises is; the rest of one is of no
// known shape, or does not rise. Straight is what of the leak is a straight line
// and nothing else.
type Causes struct{ Steady, Leak, Moisture, Both, Straight float64 }

// mostOf is the part of the rise from which the rest beside it is no second
// cause (our choice).
const mostOf = 0.7

// Causes weighs the causes over so long a time from the first stretch. A slow
// approach is as straight as a leak only as far as the readings cannot tell: its
// share of the prior is small beside the straight line's, and grows with what it
// explains better. A rise by both is one cause alone where the other gives
// little of it.
func (r *Rises) Causes(spanS float64) (c Causes) {
	for _, s := range r.shapes {
		switch {
		case s.kind == steady:
			c.Steady += s.weight
		case s.kind == line:
			c.Leak += s.weight
			c.Straight += s.weight
		case s.kind == curve, s.kind == films, s.kind == walled: // what goes with the wall is water (the field guide)
			c.Moisture += s.weight
		case s.kind == both:
			straight := s.slope * spanS / perHour
			bent := float64(s.rise * -math.Expm1(-spanS/s.tauS))
			switch part := straight / (straight + bent); {
			case part > mostOf:
				c.Leak += s.weight
			case part < 1-mostOf:
				c.Moisture += s.weight
			default:
				c.Both += s.weight
			}
		}
	}
	return c
}

// PlateauPa is where what rises towards a plateau ends: as likely above as
// below. It is not a number where nothing does.
func (r *Rises) PlateauPa() float64 {
	type end struct{ pPa, weight float64 }
	var ends []end
	half := 0.0
	for _, s := range r.shapes {
		if s.kind == curve {
			ends = append(ends, end{s.start + s.rise, s.weight})
			half += float64(s.weight / 2)
		}
	}
	slices.SortStableFunc(ends, func(a, b end) int { return cmp.Compare(a.pPa, b.pPa) })
	for _, e := range ends {
		if half -= e.weight; half <= 0 {
			return e.pPa
		}
	}
	return math.NaN()
}
