// Package physics holds the pure functions behind the rules: SI in, SI out, the
// unit in the name, the source beside each formula. Products that are added to
// something are written float64(a*b)+c, so that no machine fuses them and the
// results are the same on every architecture.
package physics

import "math"

// Rise is how a sealed pipe's pressure rises under vacuum: an approach to a
// plateau (moisture, trapped gas), p = Start + Rise*(1 - exp(-t/Tau)), with a
// straight line (a leak: its inflow is choked and constant) beside it or alone.
type Rise struct {
	StartPa, RisePa, TauS, DriftPaPerS float64 // TauS 0: no plateau
}

// At is the pressure t seconds after the fit's nought.
func (r Rise) At(tS float64) float64 {
	p := r.StartPa + float64(r.DriftPaPerS*tS)
	if r.TauS > 0 {
		p += float64(r.RisePa * -math.Expm1(-tS/r.TauS))
	}
	return p
}

// PlateauPa is where an approach ends.
func (r Rise) PlateauPa() float64 { return r.StartPa + r.RisePa }

// RiseFit is a rise fitted to a gauge's readings by weighted least squares,
// with what else would fit them nearly as well.
type RiseFit struct {
	Line  Rise // the best straight line
	Curve Rise // the best approach to a plateau
	Best  Rise // the better of the two
	// Spread is the relative noise of a reading, Correlation that between
	// neighbours, Effective how many independent readings these are worth.
	Spread, Correlation, Effective float64
	// Known is false while the readings are too few for their noise.
	Known bool

	n          int
	noise      noise
	candidates []candidate
	steady     candidate
	line       candidate
	best       candidate
}

// candidate is one time constant's best fit and its covariance (unscaled).
type candidate struct {
	rise          Rise
	chi2          float64
	c00, c01, c11 float64
}

// The grid of time constants: 1 min to 12 h in steps of 3 %; a coarse grid
// finds plateaus that are not there (found in trial runs of the field guide).
const (
	tauFirstS = 60.0
	tauLastS  = 12 * 3600.0
	tauRatio  = 1.03
)

// FitRise fits times (s, increasing) and pressures (Pa). The noise of a vacuum
// gauge goes with its reading, so weights do too; spreadLeast is the least
// relative noise believed.
func FitRise(tS, pPa []float64, spreadLeast float64) RiseFit {
	f := RiseFit{n: len(tS)}
	if f.n < 4 {
		return f
	}
	w := make([]float64, f.n)
	for i, p := range pPa {
		w[i] = 1 / float64(p*p)
		if p <= 0 {
			return f
		}
	}
	g := make([]float64, f.n)
	f.line = fitShape(tS, pPa, w, tS)
	f.line.rise = Rise{StartPa: f.line.rise.StartPa, DriftPaPerS: f.line.rise.RisePa}
	f.Line = f.line.rise
	f.steady = fitShape(tS, pPa, w, make([]float64, f.n))
	f.best = candidate{chi2: math.Inf(1)}
	try := func(tau float64) float64 {
		for i, t := range tS {
			g[i] = -math.Expm1(-t / tau)
		}
		c := fitShape(tS, pPa, w, g)
		c.rise.TauS = tau
		f.candidates = append(f.candidates, c)
		if c.chi2 < f.best.chi2 {
			f.best = c
		}
		return c.chi2
	}
	for tau := tauFirstS; tau <= tauLastS; tau *= tauRatio {
		try(tau)
	}
	low, high := f.best.rise.TauS/tauRatio, f.best.rise.TauS*tauRatio
	for range 15 { // a quiet gauge fixes it better than the grid
		third := (high - low) / 3
		if a, b := try(low+third), try(high-third); a < b {
			high -= third
		} else {
			low += third
		}
	}
	f.Curve = f.best.rise
	if f.line.chi2 <= f.best.chi2 {
		f.best = f.line
	}
	f.candidates = append(f.candidates, f.line)
	f.Best = f.best.rise
	f.judgeNoise(tS, pPa, spreadLeast)
	return f
}

// fitShape fits p = a + b*g by weighted least squares with b >= 0: a sealed
// pipe does not lose gas into the vacuum.
func fitShape(tS, pPa, w, g []float64) candidate {
	var s0, s1, s2, y0, y1 float64
	for i := range tS {
		wg := float64(w[i] * g[i])
		s0 += w[i]
		s1 += wg
		s2 += float64(wg * g[i])
		y0 += float64(w[i] * pPa[i])
		y1 += float64(wg * pPa[i])
	}
	det := float64(s0*s2) - float64(s1*s1)
	c := candidate{}
	b := (float64(s0*y1) - float64(s1*y0)) / det // NaN where det is 0, and then not > 0
	if b > 0 && det > 1e-12*float64(s0*s2) {
		c.rise = Rise{StartPa: (y0 - float64(b*s1)) / s0, RisePa: b}
		c.c00, c.c01, c.c11 = s2/det, -s1/det, s0/det
	} else {
		c.rise = Rise{StartPa: y0 / s0}
		c.c00 = 1 / s0
	}
	for i := range tS {
		r := pPa[i] - c.rise.StartPa - float64(c.rise.RisePa*g[i])
		c.chi2 += float64(float64(w[i]*r) * r)
	}
	return c
}

// judgeNoise estimates the readings' noise and its correlation from what the
// best fit leaves over.
func (f *RiseFit) judgeNoise(tS, pPa []float64, spreadLeast float64) {
	f.noise = leftOver(f.Best, tS, pPa, spreadLeast, 3)
	f.Spread, f.Correlation = f.noise.spread, f.noise.correlation
	f.Effective = float64(f.n) / f.noise.inflation
	f.Known = f.noise.known
}

// noise is how readings scatter about a fit.
type noise struct {
	spread, correlation, inflation float64 // inflation of chi-square by correlation: (1+rho)/(1-rho)
	known                          bool
}

// unit is one chi-square: the noise, with its correlation.
func (n noise) unit() float64 { return float64(float64(n.spread*n.spread) * n.inflation) }

// leftOver is the noise about a fit of some parameters.
func leftOver(r Rise, tS, pPa []float64, spreadLeast, parameters float64) noise {
	var own, neighbour, last float64
	for i, p := range pPa {
		d := p/r.At(tS[i]) - 1
		own += float64(d * d)
		if i > 0 {
			neighbour += float64(d * last)
		}
		last = d
	}
	n := float64(len(tS))
	rho := neighbour / max(own, float64(float64(spreadLeast*spreadLeast)*n))
	// What a fit leaves over looks less correlated than the noise was, the
	// more so the fewer the readings (Marriott and Pope 1954, from memory).
	rho = min(max(rho+(1+float64(4*rho))/n, 0), 0.97)
	x := noise{correlation: rho, inflation: (1 + rho) / (1 - rho)}
	x.known = n/x.inflation > parameters+1
	free := max(n-float64(parameters*x.inflation), 1)
	x.spread = math.Sqrt(max(own/free, float64(spreadLeast*spreadLeast)))
	return x
}

// Band is the pressure at a time by every fit that the readings do not rule
// out, each k standard errors wide. It is meaningless where Known is false.
func (f RiseFit) Band(tS, k float64) (lowPa, bestPa, highPa float64) {
	bestPa = f.Best.At(tS)
	lowPa, highPa = math.Inf(1), math.Inf(-1)
	unit := f.noise.unit()
	for _, c := range f.candidates {
		if c.chi2-f.best.chi2 > float64(float64(k*k)*unit) {
			continue
		}
		e := float64(k * math.Sqrt(float64(c.variance(tS)*unit)))
		p := c.rise.At(tS)
		lowPa, highPa = min(lowPa, p-e), max(highPa, p+e)
	}
	return lowPa, bestPa, highPa
}

// Level is the pressure at a time and its standard error: by the best fit, or
// by the mean where no rise stands out from the noise.
func (f RiseFit) Level(tS float64) (pPa, sePa float64) {
	c := f.best
	if f.steady.chi2-c.chi2 < 4*f.noise.unit() {
		c = f.steady
	}
	v := c.variance(tS)
	return c.rise.At(tS), math.Sqrt(float64(v * f.noise.unit()))
}

// variance is the unscaled variance of a candidate's pressure at a time.
func (c candidate) variance(tS float64) float64 {
	g := tS
	if c.rise.TauS > 0 {
		g = -math.Expm1(-tS / c.rise.TauS)
	}
	return max(0, c.c00+float64(2*float64(c.c01*g))+float64(float64(c.c11*g)*g))
}

// Tau is the range of time constants that the readings do not rule out (two
// standard errors); highS is infinite where a straight line will do as well.
func (f RiseFit) Tau() (lowS, highS float64) {
	lowS = math.Inf(1)
	unit := 4 * f.noise.unit()
	for _, c := range f.candidates {
		if c.chi2-f.best.chi2 > unit {
			continue
		}
		tau := c.rise.TauS
		if tau == 0 {
			tau = math.Inf(1)
		}
		lowS, highS = min(lowS, tau), max(highS, tau)
	}
	return lowS, highS
}

// CurveGain is by how much chi-square, in units of the noise, an approach to a
// plateau fits better than a straight line.
func (f RiseFit) CurveGain() float64 {
	return (f.line.chi2 - f.best.chi2) / f.noise.unit()
}

// BothGain is by how much chi-square an approach and a leak beside it fit
// better than the better of the two alone.
func (f RiseFit) BothGain(tS, pPa []float64, spreadLeast float64) (gain float64, both Rise) {
	if f.n < 6 {
		return 0, f.Best
	}
	best := math.Inf(1)
	for tau := tauFirstS; tau <= tauLastS/4; tau *= tauRatio * tauRatio {
		if r, chi2, ok := fitBoth(tS, pPa, tau); ok && chi2 < best {
			best, both = chi2, r
		}
	}
	if math.IsInf(best, 1) {
		return 0, f.Best
	}
	left := leftOver(both, tS, pPa, spreadLeast, 4)
	if !left.known {
		return 0, f.Best
	}
	return (f.best.chi2 - best) / left.unit(), both
}

// fitBoth fits p = a + b*(1-exp(-t/tau)) + c*t with b, c > 0.
func fitBoth(tS, pPa []float64, tauS float64) (Rise, float64, bool) {
	var m [3][4]float64
	for i, t := range tS {
		row := [4]float64{1, -math.Expm1(-t / tauS), t, pPa[i]}
		w := 1 / float64(pPa[i]*pPa[i])
		for a := range 3 {
			for b := range 4 {
				m[a][b] += float64(float64(w*row[a]) * row[b])
			}
		}
	}
	x, ok := solve3(m)
	if !ok || x[1] <= 0 || x[2] <= 0 {
		return Rise{}, 0, false
	}
	r := Rise{StartPa: x[0], RisePa: x[1], TauS: tauS, DriftPaPerS: x[2]}
	chi2 := 0.0
	for i, t := range tS {
		d := (pPa[i] - r.At(t)) / pPa[i]
		chi2 += float64(d * d)
	}
	return r, chi2, true
}

// solve3 solves three linear equations by elimination with pivots.
func solve3(m [3][4]float64) (x [3]float64, ok bool) {
	for c := range 3 {
		p := c
		for r := c + 1; r < 3; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[p][c]) {
				p = r
			}
		}
		m[c], m[p] = m[p], m[c]
		if math.Abs(m[c][c]) < 1e-18 {
			return x, false
		}
		for r := range 3 {
			if r == c {
				continue
			}
			k := m[r][c] / m[c][c]
			for j := c; j < 4; j++ {
				m[r][j] -= float64(k * m[c][j])
			}
		}
	}
	for c := range 3 {
		x[c] = m[c][3] / m[c][c]
	}
	return x, true
}

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
