package physics

import (
	"math"
	"slices"
)

// gauge is one kind of noise, and of settling: how it whitens, and what it makes of the columns.
type gauge struct {
	rho, tauCS    float64
	steps         []step
	logDet        float64
	one, t, y, y1 []float64           // whitened: the level, what goes straight, the readings, what the level leaves of them; t is cleared of the level, y of both
	s11, stt, tt  float64             // of one, of t, of t before it was cleared
	meanT         float64             // of the level in t
	level, slope  float64             // of a straight line: in the middle, Pa an hour
	y11, yyy      float64             // of y1 and y
	weight        [spreadMany]float64 // log, then share
}

// step is one of Kalman's recursion over two unknowns: the drift, and what is
// left of the pump's side evening out.
type step struct{ keepD, keepS, gainD, gainS, inv float64 }

// addGauges adds every kind of noise that is held possible, at both paces of settling.
func (f *fit) addGauges() {
	for _, settleS := range settlesS {
		f.addGauge(0, 0, settleS)
		for _, tauC := range []float64{20, 60, 150, 350, 700} {
			for _, rho := range []float64{0.25, 0.6, 0.9, 0.99} {
				f.addGauge(tauC, rho, settleS)
			}
		}
	}
}

func (f *fit) addGauge(tauCS, rho, settleS float64) {
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

// prepare whitens what all shapes share, relative to the level. One is cleared of the other
// before any sum is made: a level, a line, a slow approach, and what settles look so much alike for a
// quarter of an hour that the sums of what they are would lose the digits that tell them apart.
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
	g.s11, g.tt = dot(g.one, g.one), dot(g.t, g.t)
	g.meanT = takeOut(g.t, g.one, g.s11)
	g.stt = dot(g.t, g.t)
	g.level = takeOut(g.y, g.one, g.s11)
	g.y1 = slices.Clone(g.y)
	g.y11 = dot(g.y1, g.y1)
	g.slope = takeOut(g.y, g.t, g.stt)
	g.yyy = dot(g.y, g.y)
}

// takeOut takes out of x what it has of another, whose square is given, and says how much that was.
func takeOut(x, of []float64, square float64) (part float64) {
	part = dot(x, of) / square
	for i, v := range of {
		x[i] -= float64(part * v)
	}
	return part
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

// logScale is that of a prior up to the order of a pressure.
func logScale(scalePa float64) float64 { return math.Log(math.Sqrt(2*math.Pi) / scalePa) }

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

const gaugesMost = 6
