package physics

import "math"

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
	molecular := 12.1 * d3 / l * ((1 + float64(192*dp)) / (1 + float64(237*dp)))
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
		sum += weight / h.SpeedM3PerS(pumpM3PerS, toPa*math.Exp(float64(float64(i)*step)))
	}
	return volumeM3 * sum * step / 3
}
