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
	sinceS float64 // of a late one: after the first stretch
	level  float64 // Pa, in the middle of the readings
	slope  float64 // Pa an hour
	rise   float64 // Pa

	// Of the line there is meanT in the level; of the rise meanG, and perT in the line. What is left
	// of each is independent of the others, and so are its variances.
	meanT, meanG, perT    float64
	vLevel, vSlope, vRise float64
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
func (f *fit) solve(k kind, g *gauge, c *column, of sums) (s solved) {
	s.kind, s.ok = k, true
	s.level, s.vLevel = g.level, 1/g.s11
	switch k {
	case steady:
		s.parameters = 1
		s.chi2 = g.y11
		s.halfLogDet = -0.5 * math.Log(g.s11)
	case line:
		s.parameters = 2
		s.slope, s.vSlope, s.meanT = g.slope, 1/g.stt, g.meanT
		s.chi2 = g.yyy
		s.halfLogDet = -0.5 * math.Log(float64(g.s11*g.stt))
		s.ok = g.stt > 1e-10*g.tt
	case curve, films, late, walled:
		s.parameters = 2
		s.tauS, s.sinceS = c.tauS, c.sinceS
		s.level, s.vLevel = of.level, 1/of.s11
		s.rise, s.vRise, s.meanG = of.cy1/of.cc1, 1/of.cc1, of.mean
		s.chi2 = of.y11 - float64(s.rise*of.cy1)
		s.halfLogDet = -0.5 * math.Log(float64(of.s11*of.cc1))
		s.ok = of.cc1 > 1e-10*of.square
	case both:
		s.parameters = 3
		s.tauS = c.tauS
		s.rise, s.vRise, s.meanG, s.perT = of.cy/of.cc, 1/of.cc, of.mean, of.perT
		s.slope, s.vSlope, s.meanT = g.slope-float64(s.rise*s.perT), 1/g.stt, g.meanT
		s.chi2 = g.yyy - float64(s.rise*of.cy)
		s.halfLogDet = -0.5 * math.Log(float64(float64(g.s11*g.stt)*of.cc))
		s.ok = float64(g.stt*of.cc) > 1e-12*float64(g.tt*of.square)
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
	s.vLevel, s.vSlope, s.vRise = s.vLevel*square, s.vSlope*square, s.vRise*square
	switch s.kind {
	case line:
		log += math.Log(atLeastNought(&s.slope, &s.vSlope))
	case curve, films, late, walled:
		log += math.Log(atLeastNought(&s.rise, &s.vRise))
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
	ofSlope := x.vSlope + float64(float64(x.perT*x.perT)*x.vRise) // its variance, whatever the rise
	sdSlope, sdRise := math.Sqrt(ofSlope), math.Sqrt(x.vRise)
	if x.slope > 4*sdSlope && x.rise > 4*sdRise {
		do(&x, log)
		return
	}
	// Given the slope the rise falls as the slope grows.
	perSlope := -float64(x.perT*x.vRise) / ofSlope
	varRise := float64(x.vRise*x.vSlope) / ofSlope
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
		y.rise += float64(perSlope * d)
		y.vSlope, y.vRise, y.perT = 0, varRise, 0
		part := log + math.Log(width/sdSlope/math.Sqrt(2*math.Pi)) - float64(0.5*float64(z*z))
		if part < least {
			continue
		}
		if varRise > 0 {
			part += math.Log(atLeastNought(&y.rise, &y.vRise))
		} else if y.rise < 0 {
			continue
		}
		do(&y, part)
	}
}

const pieces = 5

// atLeastNought makes an estimate that of what is not below nought, and its variance, and
// says how probable that was.
func atLeastNought(is, variance *float64) float64 {
	sd := math.Sqrt(*variance)
	z := *is / sd
	p := normal(z)
	if z > 6 {
		return p
	}
	if p < 1e-12 {
		return 1e-300
	}
	lambda := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / p
	*variance *= max(1-float64(lambda*(lambda+z)), 0) // the share that stays
	*is += float64(sd * lambda)
	return p
}

// normal is the normal distribution.
func normal(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// each hands every shape under every gauge to do, with its prior's log.
func (f *fit) each(g int, do func(s solved, logPrior float64, c int)) {
	ga := &f.gauges[g]
	do(f.solve(steady, ga, nil, sums{}), math.Log(priorSteady), -1)
	do(f.solve(line, ga, nil, sums{}), math.Log(priorLine), -1)
	for i := range f.columns {
		c := &f.columns[i]
		switch c.kind {
		case late:
			do(f.solve(late, ga, c, c.sums[g]), math.Log(priorLate)+c.logWidth, i)
			continue
		case walled:
			do(f.solve(walled, ga, c, c.sums[g]), math.Log(priorWall)+c.logWidth, i)
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
	t := tS/perHour - float64(s.meanT*one)
	g -= float64(s.meanG * one)
	pPa = float64(s.level*one) + float64(s.slope*t) + float64(s.rise*g)
	g -= float64(s.perT * t)
	variance = float64(float64(one*one)*s.vLevel) + float64(float64(t*t)*s.vSlope) + float64(float64(g*g)*s.vRise)
	return pPa, variance
}
