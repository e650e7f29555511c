package physics

import "math"

// priorFaster is that of a rise that grows faster: ice that warms, a pool that thaws
// (our choice, from drawn curves).
const priorFaster = 0.02

// growsFaster is how many times as probable as a straight line a parabola is that bends
// upwards, its prior too, over all kinds of noise: a drift that could have bent the line
// counts for the line. It takes no part in what is expected of the rise, for no
// parabola knows how a pool goes on that warms.
func growsFaster(stretches []Stretch, scalePa float64) float64 {
	f := fit{logScale: logScale(scalePa), spreads: spreads()}
	if len(stretches) < lateLeast || !f.take(stretches) {
		return 0
	}
	f.scratch, f.level = make([]float64, len(f.tS)), f.roughLevel()
	f.addGauges()
	raw := make([]float64, len(f.tS))
	for i, t := range f.tS {
		raw[i] = float64(t/perHour) * (t / perHour)
	}
	var lines, bent float64 // nought: nothing yet
	for i := range f.gauges {
		g := &f.gauges[i]
		f.whiten(g, raw, f.scratch)
		l, b := f.solve(line, g, nil, sums{}), f.solve(both, g, &column{}, g.sumsOf(f.scratch))
		if !l.ok || !b.ok {
			continue
		}
		for _, of := range f.spreads {
			x, y := l, b
			lines = logSum(lines, f.evidence(&x, g, of, math.Inf(-1))+math.Log(priorLine))
			log := f.evidence(&y, g, of, math.Inf(-1)) + math.Log(priorFaster)
			bent = logSum(bent, log+math.Log(max(normal(y.rise/math.Sqrt(y.vRise)), 1e-300)))
		}
	}
	if lines == 0 {
		return 0
	}
	return math.Exp(min(bent-lines, 100))
}
