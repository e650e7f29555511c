package physics

import (
	"math"
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
// what is steep tells of both alike (our choice, from trial runs with seeds).
const (
	quickS      = 600.0
	quicklyMore = 2.0
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

// at is a shape's pressure at a time after the first stretch, and its variance;
// one and g are what its start and its rise are multiplied with then.
func (s *shape) at(tS, one, g float64) (pPa, variance float64) {
	t := tS / perHour
	pPa = float64(s.start*one) + float64(s.slope*t) + float64(s.rise*g)
	variance = float64(float64(one*one)*s.c[0]) + float64(2*float64(s.c[1]*t)) + float64(2*float64(float64(one*s.c[2])*g)) +
		float64(float64(s.c[3]*t)*t) + float64(2*float64(float64(s.c[4]*t)*g)) + float64(float64(s.c[5]*g)*g)
	return pPa, max(variance, 0)
}
