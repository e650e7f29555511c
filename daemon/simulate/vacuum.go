package simulate

import "math"

// pump is a rotary vacuum pump behind a hose. The speed stands at any inlet
// pressure down to its own ultimate pressure (from memory: flat above 10 Pa).
type pump struct {
	speed    float64 // l/s
	ultimate float64 // Pa
	bore     float64 // of the hose, cm
	length   float64 // of the hose, cm
}

// conductance of a round hose in l/s at a mean pressure in Pa: viscous and
// molecular flow with the bridge between them (d, l in cm, p in mbar), as
// printed in vacuum engineering tables:
//
//	C = 135 d^4 p / l + 12.1 d^3 / l * (1 + 192 d p) / (1 + 237 d p)
func conductance(bore, length, meanPa float64) float64 {
	p := meanPa / 100
	d3 := bore * bore * bore
	return 135*d3*bore*p/length + 12.1*d3/length*(1+192*bore*p)/(1+237*bore*p)
}

// effective is the speed in l/s that the pump has at the far end of its hose,
// where the pressure is pa: what flows through the hose reaches the pump.
func (p pump) effective(pa float64) float64 {
	if pa <= p.ultimate {
		return 0
	}
	low, high := p.ultimate, pa // the pressure at the pump lies between
	for range 30 {
		mid := (low + high) / 2
		through := conductance(p.bore, p.length, (pa+mid)/2) * (pa - mid)
		if through > p.speed*(mid-p.ultimate) {
			low = mid
		} else {
			high = mid
		}
	}
	return p.speed * (high - p.ultimate) / pa
}

// pipework is the field pipe and the coils, one volume. Pressures are partial
// pressures in Pa; gas amounts are in Pa l at the pipe's temperature.
type pipework struct {
	volume float64 // l
	wallC  float64 // the coldest wall
	dry    float64 // air and nitrogen
	vapour float64 // water vapour

	leak    float64 // Pa l/s of air coming in while well below the atmosphere (choked: constant)
	puddleG float64 // liquid water, or ice, in its lowest spot
	puddleC float64 // and its temperature: boiling cools it
	film    float64 // water held by walls and oil, Pa l
	holds   float64 // l: film pressure = film / holds
	gives   float64 // l/s: how fast the film gives vapour off
}

const (
	puddleGives = 12.0   // l/s of vapour at the difference in pressure: its surface (an assumption)
	puddleWarms = 15.0   // W/K from the wall (an assumption)
	latentJ     = 2.50e3 // J/g
	heatJ       = 4.2    // J/(g K)
	puddlePipeJ = 400.0  // J/K of the copper under it
)

func (p *pipework) pressure() float64 { return p.dry + p.vapour }

// step lets the pipe live for a second, with the pump drawing at its end or
// (nil) shut off.
func (p *pipework) step(by *pump) {
	speed := 0.0
	if by != nil {
		speed = by.effective(p.pressure())
	}
	const parts = 4
	for range parts {
		p.part(speed, 1.0/parts)
	}
}

// part lets s seconds pass with so many l/s drawn off.
func (p *pipework) part(speed, s float64) {
	crowd := 1.0 // in nitrogen near the atmosphere vapour must diffuse away
	if p.dry > 5000 {
		crowd = 0.1
	}
	in := p.boil(crowd, s)
	fromFilm := crowd * p.gives * (p.film/p.holds - p.vapour) * s
	p.film -= fromFilm
	p.vapour += (in + fromFilm) / p.volume
	if p.pressure() < atmosphere/2 {
		p.dry += p.leak * s / p.volume
	}
	if speed > 0 {
		left := math.Exp(-speed / p.volume * s)
		p.dry *= left
		p.vapour *= left
	}
}

// boil gives off vapour (Pa l) from the puddle in s seconds and cools it.
func (p *pipework) boil(crowd, s float64) float64 {
	if p.puddleG <= 0 {
		p.puddleC = p.wallC
		return 0
	}
	gas := crowd * puddleGives * (vapourPressure(p.puddleC) - p.vapour) * s
	// Pa l to g: 1 Pa l is 1e-3 J
	perPaL := 1e-3 / (gasJ * (p.wallC + 273.15)) * waterKg * 1e3
	grams := min(gas*perPaL, p.puddleG)
	gas = grams / perPaL
	heat := puddleWarms*(p.wallC-p.puddleC)*s - grams*latentJ
	p.puddleC += heat / (p.puddleG*heatJ + puddlePipeJ)
	p.puddleG -= grams
	return gas
}

// fill admits dry nitrogen at a rate in Pa a second up to a pressure.
func (p *pipework) fill(rate, to float64) {
	p.dry += min(rate, max(0, to-p.pressure()))
}

// vent lets go of what stands above the atmosphere.
func (p *pipework) vent() {
	if over := p.pressure() / atmosphere; over > 1 {
		p.dry /= over
		p.vapour /= over
	}
}

// shown is what a thermal-conductivity gauge makes of the gas, in Pa: it reads
// about double in water vapour (correction factor 0.5 in makers' tables, for a
// gauge calibrated in nitrogen) and flattens toward the top of its range.
func (p *pipework) shown() float64 {
	x := p.dry + 2*p.vapour
	top := 25000 * micronPa
	return x / math.Pow(1+math.Pow(x/top, 4), 0.25)
}
