package physics

import (
	"cmp"
	"math"
	"slices"
)

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
// and nothing else. Faster is beside the one: what no leak does into a fixed volume,
// for air that comes in through a hole into a vacuum is choked, and comes as fast
// all the time (the field guide's straight line).
type Causes struct{ Steady, Leak, Moisture, Both, Straight, Faster float64 }

// mostOf is the part of the rise from which the rest beside it is no second
// cause (our choice).
const mostOf = 0.7

// surelyFaster is from how many times as probable as a straight line on a rise
// that grows faster counts against what levels off too (our choice).
const surelyFaster = 3.0

// Causes weighs the causes over so long a time from the first stretch. A slow
// approach is as straight as a leak only as far as the readings cannot tell: its
// share of the prior is small beside the straight line's, and grows with what it
// explains better. A rise by both is one cause alone where the other gives
// little of it.
func (r *Rises) Causes(spanS float64) (c Causes) {
	walls := 0.0
	for _, s := range r.shapes {
		switch {
		case s.kind == steady:
			c.Steady += s.weight
		case s.kind == line:
			c.Leak += s.weight
			c.Straight += s.weight
		case s.kind == walled: // what goes with the wall is water (the field guide)
			c.Moisture += s.weight
			walls += s.weight
		case s.kind == curve, s.kind == films:
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
	c.Faster = c.Straight * r.speedsUp
	if r.speedsUp > surelyFaster { // what levels off is further from it than a straight line; what goes with a wall may not be
		c.Faster = (c.Leak + c.Moisture + c.Both - walls) * r.speedsUp
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
			ends = append(ends, end{s.level + float64((1-s.meanG)*s.rise), s.weight})
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
