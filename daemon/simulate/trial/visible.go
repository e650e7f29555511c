package trial

import "math"

// Whether noise leaves a shape to be told is asked of the trial itself, with
// its true curve and its true noise, by the chi-square of the best curve of
// either kind. No judge's fit is asked.

const (
	visibleChi2  = 16   // four standard deviations (our choice)
	visibleTauS  = 3600 // an approach slower than this is as good as straight within the hour (field guide)
	visibleMeans = 100  // points along the hold
)

// visible is by how much chi-square the curve's own kind fits better than the
// other: an approach that ends within the hour's reach against a straight line.
// Of both together it is what the better of the two misses. It is 0 or less
// where the curve looks like the other kind: water that is held back by its own
// cold rises straight, or faster and faster.
func (p *holdPlan) visible(h held, cause string) float64 {
	means, at := p.means(h)
	white := p.whitener(means, at[1]-at[0])
	line := white.misfit(means, func(t float64) float64 { return t }, at)
	bend := math.Inf(1)
	for tau := 60.0; tau <= visibleTauS; tau *= 1.1 {
		bend = min(bend, white.misfit(means, func(t float64) float64 { return -math.Expm1(-t / tau) }, at))
	}
	switch cause {
	case "leak":
		return bend - line
	case "moisture":
		return line - bend
	case "leak-and-moisture":
		return min(line, bend)
	}
	return 0
}

// means are those of the ideal curve after settling, and their times.
func (p *holdPlan) means(h held) (pa, at []float64) {
	w := (p.endsS() - settleS) / visibleMeans
	for k := range visibleMeans {
		t := settleS + float64((float64(k)+0.5)*w)
		pa, at = append(pa, h.shown[int(t)]), append(at, t)
	}
	return pa, at
}

// whitener is the lower Cholesky factor of the noise's covariance.
type whitener [][]float64

func (p *holdPlan) whitener(pa []float64, w float64) whitener {
	n := len(pa)
	l := make(whitener, n)
	for i := range n {
		l[i] = make([]float64, i+1)
		for j := 0; j <= i; j++ {
			c := float64(p.gauge.covariance(w, float64(i-j)*w) * pa[i] * pa[j])
			if i == j {
				digit := p.gauge.digit(pa[i]/micronPa) * micronPa
				c += float64(float64(digit*digit) / 12 * p.gauge.everyS / w)
			}
			for k := range j {
				c -= float64(l[i][k] * l[j][k])
			}
			if i == j {
				l[i][i] = math.Sqrt(max(c, 1e-12))
			} else {
				l[i][j] = c / l[j][j]
			}
		}
	}
	return l
}

// of solves l x = y: y without the correlation of its noise, in its spread.
func (l whitener) of(y []float64) []float64 {
	x := make([]float64, len(y))
	for i := range y {
		x[i] = y[i]
		for k := range i {
			x[i] -= float64(l[i][k] * x[k])
		}
		x[i] /= l[i][i]
	}
	return x
}

// misfit is the least chi-square of a + b*shape(t), b not below zero.
func (l whitener) misfit(pa []float64, shape func(float64) float64, at []float64) float64 {
	one, g := make([]float64, len(pa)), make([]float64, len(pa))
	for i, t := range at {
		one[i], g[i] = 1, shape(t-at[0])
	}
	y := l.of(pa)
	one, g = l.of(one), l.of(g)
	dot := func(a, b []float64) (sum float64) {
		for i := range a {
			sum += float64(a[i] * b[i])
		}
		return sum
	}
	s0, s1, s2, y0, y1 := dot(one, one), dot(one, g), dot(g, g), dot(y, one), dot(y, g)
	b := (float64(s0*y1) - float64(s1*y0)) / (float64(s0*s2) - float64(s1*s1))
	b = max(b, 0)
	a := (y0 - float64(b*s1)) / s0
	chi2 := 0.0
	for i := range y {
		e := y[i] - float64(a*one[i]) - float64(b*g[i])
		chi2 += float64(e * e)
	}
	return chi2
}
