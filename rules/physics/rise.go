// Package physics holds the pure functions behind the rules: SI in, SI out, the
// unit in the name, the source beside each formula. Products that are added to
// something are written float64(a*b)+c, so that no machine fuses them and the
// results are the same on every architecture.
package physics

import (
	"math"
	"slices"
)

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

	// How many times as probable as a straight rise one is that grows faster, under
	// all kinds of noise, by the newer stretches alone: a leak far from the gauge comes
	// to it slowly at first, through the pipe (so it does in the project's own trials).
	speedsUp float64
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
	settleMost  = 100.0 // of the noise: by how much what evens out is off at first; free
)

// settlesS are the times in which the pump's side evens out with the rest: of pipework
// where that is over within 3 to 5 min (common practice), and of long or narrow pipework, whose
// far end lies higher and falls while the whole rises: what levels off looks straight there for
// a quarter of an hour. Which it is the readings tell (our choice, from trial runs with seeds).
var settlesS = [...]float64{60, 180}

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

// FitRises weighs what the stretches (in order of time) may mean. Rises are held
// probable up to the order of scalePa (the limit), or of the level where it came further:
// far above the limit a bend that the noise allows for would else count as one that is seen.
func FitRises(stretches []Stretch, scalePa float64) Rises {
	f := fit{spreads: spreads()}
	if !f.take(stretches) {
		return Rises{}
	}
	scalePa = max(scalePa, slices.Max(f.pPa))
	f.logScale = logScale(scalePa)
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
	f.addGauges()
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
	r := f.rises()
	if r.Causes(span).Steady < 0.5 { // else there is nothing that could
		// What evened out or dried at first bends the whole, or hides how the rest bends.
		r.speedsUp = growsFaster(stretches[n*2/5:], scalePa)
	}
	return r
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
