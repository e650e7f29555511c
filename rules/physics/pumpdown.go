package physics

import (
	"math"
	"sort"
)

// PullDownS is how long a pump of constant speed takes from one absolute
// pressure to another: t = V/S ln((p0-pu)/(p1-pu)), with the pressure that it
// would reach at last. Nothing boils and nothing leaks: water makes it longer.
// It is infinite where the end lies not above that last pressure.
func PullDownS(volumeM3, pumpM3PerS, fromPa, toPa, ultimatePa float64) float64 {
	if toPa <= ultimatePa {
		return math.Inf(1)
	}
	return volumeM3 / pumpM3PerS * math.Log((fromPa-ultimatePa)/(toPa-ultimatePa))
}

// Hose is what lies between the pipework and the pump.
type Hose struct{ BoreM, LengthM float64 }

// ConductanceM3PerS is a hose's conductance for air at 20 C at the mean of the
// pressures at its ends: C = 135 d^4 p/l + 12.1 d^3/l (1+192dp)/(1+237dp) l/s,
// with d and l in cm and p in mbar (pipe-conductance formula of the field
// guide, step 2: viscous and molecular terms read, their bridge from memory).
func (h Hose) ConductanceM3PerS(meanPa float64) float64 {
	d, l, p := h.BoreM*100, h.LengthM*100, meanPa/100
	d3, dp := float64(d*d)*d, float64(d*p)
	viscous := 135 * d3 * dp / l
	molecular := float64(12.1 * d3 / l * ((1 + float64(192*dp)) / (1 + float64(237*dp))))
	return (viscous + molecular) * 1e-3
}

// SpeedM3PerS is what is left of a pump's speed at the hose's far end, where
// the pressure is the given one. The pressure at the pump follows from both
// passing the same throughput: S p2 = C (p1 - p2).
func (h Hose) SpeedM3PerS(pumpM3PerS, farPa float64) float64 {
	pumpPa := solve(0, farPa, 0, func(p float64) float64 {
		return float64(pumpM3PerS*p) - float64(h.ConductanceM3PerS((farPa+p)/2)*(farPa-p))
	})
	return pumpM3PerS * pumpPa / farPa
}

// PullDownS is how long a pump takes through the hose. The hose's conductance
// falls with the pressure, so the time is integrated over it (Simpson's rule in
// ln p): dt = V/S(p) dp/p.
func (h Hose) PullDownS(volumeM3, pumpM3PerS, fromPa, toPa float64) float64 {
	const pieces = 200 // even
	step := math.Log(fromPa/toPa) / pieces
	sum := 0.0
	for i := range pieces + 1 {
		weight := 2.0
		switch {
		case i == 0 || i == pieces:
			weight = 1
		case i%2 == 1:
			weight = 4
		}
		sum += weight / h.SpeedM3PerS(pumpM3PerS, float64(toPa*math.Exp(float64(float64(i)*step))))
	}
	return volumeM3 * sum * step / 3
}

// Course is a dry pull's course through a hose: the seconds that each cubic
// metre needs from the table's highest pressure down to a pressure.
type Course struct {
	topLn, stepLn float64
	sPerM3        []float64 // at the top, and one step lower in ln p each
}

// Course works the course out between two absolute pressures.
func (h Hose) Course(pumpM3PerS, lowPa, highPa float64) Course {
	const pieces = 64
	c := Course{topLn: math.Log(highPa), stepLn: math.Log(highPa/lowPa) / pieces, sPerM3: make([]float64, pieces+1)}
	was := 1 / h.SpeedM3PerS(pumpM3PerS, highPa)
	for i := 1; i <= pieces; i++ {
		now := 1 / h.SpeedM3PerS(pumpM3PerS, float64(highPa*math.Exp(-float64(c.stepLn*float64(i)))))
		c.sPerM3[i] = c.sPerM3[i-1] + float64(c.stepLn*(was+now)/2)
		was = now
	}
	return c
}

// piece is the table's piece to interpolate in; the outermost go on beyond the ends.
func (c Course) piece(i int) int { return min(max(i, 0), len(c.sPerM3)-2) }

// SPerM3 is how long a cubic metre takes from the top to a pressure.
func (c Course) SPerM3(pa float64) float64 {
	x := (c.topLn - math.Log(pa)) / c.stepLn
	i := c.piece(int(math.Floor(x)))
	return c.sPerM3[i] + float64((x-float64(i))*(c.sPerM3[i+1]-c.sPerM3[i]))
}

// Pa is the inverse; falls is dp for each second of a cubic metre there.
func (c Course) Pa(sPerM3 float64) (pa, falls float64) {
	i := c.piece(sort.SearchFloat64s(c.sPerM3, sPerM3) - 1)
	speed := 1 / (c.sPerM3[i+1] - c.sPerM3[i])
	pa = math.Exp(c.topLn - float64(c.stepLn*(float64(i)+float64((sPerM3-c.sPerM3[i])*speed))))
	return pa, -float64(float64(pa*c.stepLn) * speed)
}

// Pull is what a stretch of a pull says of the volume that the pump draws on.
type Pull struct {
	VolumeM3 float64
	Doubt    float64 // its standard error, as a share of it, from the readings alone
	ZeroPa   float64 // what the instrument shows too much, as far as the curve tells
	Chi2     float64 // of the readings about the curve, by the noise given
	N        int
}

// FitPull fits the volume, the pressure at the first reading and the
// instrument's zero (known beforehand to zeroDoubtPa) to pressures read at times,
// by least squares on the pressures, each with its own standard error. The doubt
// rests on how the readings scatter, and as far as they are few on those errors.
func (c Course) FitPull(tS, pPa, noisePa []float64, zeroPa, zeroDoubtPa float64) (f Pull, ok bool) {
	n := len(tS)
	if n < 3 {
		return f, false
	}
	floor := math.Exp(c.topLn - float64(c.stepLn*float64(len(c.sPerM3)-1)))
	at := func(i int) float64 { return c.SPerM3(max(pPa[i]-zeroPa, floor)) }
	start, perS, zero := at(0), (at(n-1)-at(0))/(tS[n-1]-tS[0]), zeroPa
	var m [3][4]float64
	for range 12 {
		m = [3][4]float64{}
		f.Chi2 = float64(zero-zeroPa) * (zero - zeroPa) / (zeroDoubtPa * zeroDoubtPa)
		for i := range tS {
			t := tS[i] - tS[0]
			p, falls := c.Pa(start + float64(perS*t))
			left := (pPa[i] - zero - p) / noisePa[i]
			f.Chi2 += float64(left * left)
			row := [3]float64{falls / noisePa[i], float64(falls*t) / noisePa[i], 1 / noisePa[i]}
			for a := range row {
				for b := range row {
					m[a][b] += float64(row[a] * row[b])
				}
				m[a][3] += float64(row[a] * left)
			}
		}
		m[2][2] += 1 / (zeroDoubtPa * zeroDoubtPa)
		m[2][3] += (zeroPa - zero) / (zeroDoubtPa * zeroDoubtPa)
		step, solved := solveScaled(m)
		if !solved {
			return f, false
		}
		next := perS + step[1]
		if next < perS/3 { // never through nought
			next = perS / 3
		}
		start, perS, zero = start+step[0], next, zero+step[2]
	}
	if !(perS > 0) {
		return f, false
	}
	unit := m
	unit[0][3], unit[1][3], unit[2][3] = 0, 1, 0
	column, solved := solveScaled(unit)
	if !solved || !(column[1] > 0) {
		return f, false
	}
	const worth = 4.0 // readings' worth of trust in the noise given
	scatter := (f.Chi2 + worth) / (max(float64(n)-2, 0) + worth)
	f.VolumeM3, f.ZeroPa, f.N = 1/perS, zero, n
	f.Doubt = math.Sqrt(column[1]*scatter) / perS
	return f, true
}

// solveScaled solves normal equations whose diagonal it first makes one, so
// that seconds and pascals do not spoil the elimination.
func solveScaled(m [3][4]float64) (x [3]float64, ok bool) {
	var root [3]float64
	for a := range 3 {
		root[a] = math.Sqrt(m[a][a])
	}
	for a := range 3 {
		for b := range 3 {
			m[a][b] /= root[a] * root[b]
		}
		m[a][3] /= root[a]
	}
	x, ok = solve3(m)
	for a := range 3 {
		x[a] /= root[a]
	}
	return x, ok
}

// Bend is a sudden change in the middle of a pull.
type Bend struct {
	At    int     // place of the reading
	Share float64 // the volume drawn on after it, of that before it
	Gain  float64 // chi-square by which it is better than a smooth curve, in units of the scatter about it
}

// FindBend looks for the best one with so many readings on either side. A dry
// pull is straight in seconds a cubic metre; a pump or a hose that is not quite
// what it was taken for bends it smoothly (a parabola), a valve that shuts at once.
func (c Course) FindBend(tS, pPa []float64, noisePa float64, least int) (b Bend, ok bool) {
	n := len(tS)
	if n < 2*least+1 {
		return b, false
	}
	floor := math.Exp(c.topLn - float64(c.stepLn*float64(len(c.sPerM3)-1)))
	x, y, w := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, p := range pPa {
		y[i] = c.SPerM3(max(p, floor))
		_, falls := c.Pa(y[i])
		x[i] = tS[i] - tS[0]
		w[i] = float64(falls*falls) / float64(noisePa*noisePa)
	}
	smooth, _, _ := fitBent(x, y, w, func(t float64) float64 { return float64(t*t) / x[n-1] })
	best := math.Inf(1)
	for i := least; i < n-least; i += max(1, n/128) {
		left, before, more := fitBent(x, y, w, func(t float64) float64 { return max(0, t-x[i]) })
		if left < best && before > 0 && before+more > 0 {
			best, b.At, b.Share = left, i, before/(before+more)
		}
	}
	b.Gain = (smooth - best) / max(1, best/float64(n-4))
	return b, best < math.Inf(1)
}

// fitBent fits y = a + b x + c f(x), by weights: what is left, b and c.
func fitBent(x, y, w []float64, f func(float64) float64) (left, slope, more float64) {
	var m [3][4]float64
	for i := range x {
		row := [4]float64{1, x[i], f(x[i]), y[i]}
		for a := range 3 {
			for b := range 4 {
				m[a][b] += float64(w[i] * float64(row[a]*row[b]))
			}
		}
	}
	k, ok := solveScaled(m)
	if !ok || math.IsNaN(k[0]+k[1]+k[2]) {
		return math.Inf(1), 0, 0
	}
	for i := range x {
		d := y[i] - k[0] - float64(k[1]*x[i]) - float64(k[2]*f(x[i]))
		left += float64(w[i] * float64(d*d))
	}
	return left, k[1], k[2]
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

// AfterBreak is the air that is left of what a pull left, once dry nitrogen has
// been let in to a pressure and the next pull is down to another: it is diluted
// as the pressures are.
func AfterBreak(airPa, brokenPa, nextPa float64) float64 { return airPa * nextPa / brokenPa }

// VapourKgPerM3 is what a cubic metre of nitrogen can carry off as water
// vapour, saturated: as an ideal gas (18.015 g/mol).
func VapourKgPerM3(tempC float64) float64 {
	return WaterPressurePa(tempC) * 18.015e-3 / (GasConstant * (tempC + 273.15))
}

// DrawnKgPerS is the water that a pump draws off as vapour at a speed and a pressure.
func DrawnKgPerS(speedM3PerS, pa, tempC float64) float64 {
	return speedM3PerS * pa * 18.015e-3 / (GasConstant * (tempC + 273.15))
}
