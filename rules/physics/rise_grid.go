package physics

import (
	"math"
	"slices"
)

// column is a shape's own regressor.
type column struct {
	kind         kind // curve (and both), films or late
	tauS, sinceS float64
	logWidth     float64 // of the grid about it: its prior
	raw          []float64
	start        []float64 // what a walled one's start is multiplied with
	sums         []sums    // for each gauge
}

// sums are a column's under one gauge: of itself, and how it goes with the readings, cleared of
// the level, and of the line too.
type sums struct {
	square          float64 // before anything was cleared
	mean, perT      float64 // of the level, of the line in it
	cc1, cy1        float64 // cleared of the level
	cc, cy          float64 // and of the line
	s11, level, y11 float64 // as the gauge's, but of what the column's start is multiplied with
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

// lateLeast is how many stretches it takes before a rise may have begun later.
const lateLeast = 20

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
	f.whiten(g, c.raw, f.scratch)
	if c.kind != walled {
		c.sums = append(c.sums, g.sumsOf(f.scratch))
		return
	}
	x, start := f.scratch, f.other
	f.whiten(g, c.start, start)
	y := make([]float64, len(x))
	for i := range y {
		y[i] = g.y1[i] + float64(g.level*g.one[i])
	}
	s := sums{square: dot(x, x), s11: dot(start, start)}
	s.level = takeOut(y, start, s.s11)
	s.mean = takeOut(x, start, s.s11)
	s.y11, s.cc1, s.cy1 = dot(y, y), dot(x, x), dot(x, y)
	c.sums = append(c.sums, s)
}

func (f *fit) whiten(g *gauge, raw, out []float64) {
	for i, v := range raw {
		out[i] = v / f.level[i]
	}
	g.whiten(out, out)
}

// sumsOf clears a whitened column, in place.
func (g *gauge) sumsOf(x []float64) sums {
	s := sums{square: dot(x, x), s11: g.s11, level: g.level, y11: g.y11}
	s.mean = takeOut(x, g.one, g.s11)
	s.cc1, s.cy1 = dot(x, x), dot(x, g.y1)
	s.perT = takeOut(x, g.t, g.stt)
	s.cc, s.cy = dot(x, x), dot(x, g.y)
	return s
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
