package trial

import (
	"math"
	"math/rand/v2"
	"time"
)

// vacuumGauge is a thermal-conductivity gauge on its stub: it takes water
// vapour for more than it is, lags, hisses, drifts, spikes and rounds. Its
// spreads are shares of the reading: the field guide gives 0.5 to 3 %.
type vacuumGauge struct {
	r        *rand.Rand
	factor   float64 // what it shows of water vapour; 2 in gauge makers' tables (factor 0.5)
	white    float64
	drifts   []*drift
	slow     float64 // warming and cooling of its head: a wave of this height
	slowS    float64 // and this period
	phase    float64
	spikes   float64 // an hour
	lagS     float64
	fine     bool // a decimal below 100 micron
	everyS   float64
	shownPa  float64 // lagging
	hasShown bool
	left     int     // readings of the spike under way
	spike    float64 // its height, a factor
}

// newVacuumGauge draws a gauge. Its noise is white, or wanders with one
// correlation time, or with many (1/f).
func newVacuumGauge(r *rand.Rand) *vacuumGauge {
	g := &vacuumGauge{
		r: r, factor: pick(r, 1, 1.6, 2, 2, 2.1), everyS: pick(r, 1.0, 1, 2, 2, 5, 10),
		lagS: between(r, 0.5, 5), fine: chance(r, 0.3), slowS: between(r, 2, 8) * 3600, phase: between(r, 0, 2*math.Pi),
	}
	total := spreadOver(r, 0.005, 0.03)
	switch x := r.Float64(); {
	case x < 0.3:
		g.white = total
	case x < 0.75:
		share := between(r, 0.2, 1)
		g.white = total * math.Sqrt(1-share)
		g.drifts = []*drift{{r: r, spread: total * math.Sqrt(share), tau: spreadOver(r, 20, 600)}}
	default:
		g.white = total * math.Sqrt(0.2)
		for _, tau := range []float64{10, 40, 160, 640} {
			g.drifts = append(g.drifts, &drift{r: r, spread: total * math.Sqrt(0.2), tau: tau})
		}
	}
	if chance(r, 0.3) {
		g.slow = spreadOver(r, 0.003, 0.015)
	}
	if chance(r, 0.4) {
		g.spikes = spreadOver(r, 0.5, 20)
	}
	return g
}

// ideal is what the gauge would show without lag, noise or rounding, in Pa.
func (g *vacuumGauge) ideal(s *section) float64 { return s.air + float64(g.factor*s.vapour) }

// follow lets the head lag behind for dt seconds.
func (g *vacuumGauge) follow(idealPa, dt float64) {
	if !g.hasShown {
		g.shownPa, g.hasShown = idealPa, true
	}
	g.shownPa += float64((idealPa - g.shownPa) * -math.Expm1(-dt/g.lagS))
}

// micron is a reading, t seconds into the trial; ok is false over its range.
func (g *vacuumGauge) micron(t float64) (v float64, ok bool) {
	e := float64(g.white * g.r.NormFloat64())
	for _, d := range g.drifts {
		e += d.after(g.everyS)
	}
	e += float64(g.slow * math.Sin(2*math.Pi*t/g.slowS+g.phase))
	if g.left == 0 && g.spikes > 0 && chance(g.r, g.spikes*g.everyS/3600) {
		g.left, g.spike = 1+g.r.IntN(2), pick(g.r, 0.5, 0.8, 1.3, 2, 5)
	}
	v = g.shownPa / micronPa * max(0.05, 1+e)
	if g.left > 0 {
		g.left--
		v *= g.spike
	}
	if v > 25000 {
		return 0, false
	}
	return max(1, g.round(v)), true
}

// digit is one step of its display in micron.
func (g *vacuumGauge) digit(v float64) float64 {
	switch {
	case v < 100 && g.fine:
		return 0.1
	case v >= 10000:
		return 100
	case v >= 1000:
		return 10
	}
	return 1
}

func (g *vacuumGauge) round(v float64) float64 { return toDigit(v, g.digit(v)) }

// row is a reading as the box gets it.
func (g *vacuumGauge) row(at time.Time, t float64) Row {
	v, ok := g.micron(t)
	if !ok {
		return Row{Time: at, Kind: "reading", Name: "gauge", Note: "off-scale"}
	}
	decimals := 0
	if g.digit(v) < 1 {
		decimals = 1
	}
	return Row{Time: at, Kind: "reading", Name: "gauge", Value: text(v, decimals), Unit: "micron"}
}

// spread is the noise's standard deviation, and alike its correlation with
// itself so many seconds later.
func (g *vacuumGauge) spread() float64 {
	sum := float64(g.white * g.white)
	for _, d := range g.drifts {
		sum += float64(d.spread * d.spread)
	}
	return math.Sqrt(sum)
}

func (g *vacuumGauge) alike(dt float64) float64 {
	sum := 0.0
	for _, d := range g.drifts {
		sum += float64(float64(d.spread*d.spread) * math.Exp(-dt/d.tau))
	}
	return sum / float64(g.spread()*g.spread())
}

// covariance is that of the noise in two means over w seconds, dt apart, as
// shares of the reading; the slow wave counts as a drift of its own.
func (g *vacuumGauge) covariance(w, dt float64) float64 {
	sum := 0.0
	add := func(spread, tau float64) {
		x := w / tau
		if dt == 0 {
			sum += float64(float64(spread*spread) * 2 / x * (1 + math.Expm1(-x)/x))
			return
		}
		mean := math.Sinh(x/2) / (x / 2)
		sum += float64(float64(spread*spread) * mean * mean * math.Exp(-dt/tau))
	}
	for _, d := range g.drifts {
		add(d.spread, d.tau)
	}
	if g.slow > 0 {
		add(g.slow/math.Sqrt2, g.slowS/4)
	}
	if dt == 0 {
		sum += float64(g.white*g.white) * g.everyS / w
	}
	return sum
}
