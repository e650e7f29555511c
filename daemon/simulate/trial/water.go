package trial

import "math"

const (
	micronPa    = 101325.0 / 760 / 1000 // a thousandth of a conventional millimetre of mercury
	torrPa      = 101325.0 / 760
	atmosphere  = 101325.0
	zeroC       = 273.15
	gasJ        = 8.314462618    // J/(mol K)
	waterKg     = 0.0180153      // kg/mol
	airKg       = 0.0289647      // kg/mol
	evaporateJ  = 2.50e6         // J/kg at 0 C (steam tables)
	meltJ       = 3.34e5         // J/kg
	waterHeatJ  = 4186.0         // J/(kg K)
	iceHeatJ    = 2090.0         // J/(kg K)
	airPaS      = 1.82e-5        // viscosity of air at 20 C, Pa s
	denseAirPa  = 3000.0         // air in which vapour leaves a surface half as fast (an assumption)
	waterInPaM3 = waterKg / gasJ // kg K/(Pa m3): kg of vapour are Pa m3 times this over the temperature in K
)

// saturatedPa is water's vapour pressure over liquid at 0 C and above, over
// ice below: Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539,
// equations 7 and 10.
func saturatedPa(tempC float64) float64 {
	t := tempC + zeroC
	ln := math.Log(t)
	if tempC < 0 {
		return math.Exp(9.550426 - 5723.265/t + float64(3.53068*ln) - float64(0.00728332*t))
	}
	a := 54.842763 - 6763.22/t - float64(4.210*ln) + float64(0.000367*t)
	b := 53.878 - 1331.22/t - float64(9.44523*ln) + float64(0.014025*t)
	return math.Exp(a + float64(math.Tanh(0.0415*(t-218.8))*b))
}

// puddle is water in a low place of the pipework: liquid, ice, or both. What
// boils away cools it; the wall under it warms it, slowly.
type puddle struct {
	kg       float64
	coolsJK  float64 // of the copper that shares its temperature
	warmsWK  float64 // from the wall
	givesM3S float64 // of vapour at a difference of pressure: its free surface
	heatJ    float64 // above liquid water and copper at 0 C
}

// newPuddle is a puddle as warm as the wall.
func newPuddle(kg, coolsJK, warmsWK, givesM3S, wallC float64) *puddle {
	p := &puddle{kg: kg, coolsJK: coolsJK, warmsWK: warmsWK, givesM3S: givesM3S}
	if wallC >= 0 {
		p.heatJ = wallC * (coolsJK + float64(kg*waterHeatJ))
	} else {
		p.heatJ = float64(wallC*(coolsJK+float64(kg*iceHeatJ))) - float64(kg*meltJ)
	}
	return p
}

func (p *puddle) tempC() float64 {
	switch ice := -float64(p.kg * meltJ); {
	case p.heatJ > 0:
		return p.heatJ / (p.coolsJK + float64(p.kg*waterHeatJ))
	case p.heatJ > ice:
		return 0
	default:
		return (p.heatJ - ice) / (p.coolsJK + float64(p.kg*iceHeatJ))
	}
}

// offers is what the puddle gives in the next dt seconds: its vapour pressure
// and how fast vapour leaves it in gas of some pressure.
func (p *puddle) offers(airPa, sectionC, dt float64) (pa, m3PerS float64) {
	if p.kg <= 0 {
		return 0, 0
	}
	pa = saturatedPa(p.tempC())
	m3PerS = p.givesM3S / (1 + airPa/denseAirPa)
	// What leaves in this step cools the puddle in this step, so that it gives
	// less: by the slope of the vapour pressure at its temperature.
	t := p.tempC() + zeroC
	slope := pa * evaporateJ * waterKg / (gasJ * t * t)
	m3PerS /= 1 + float64(m3PerS*slope*evaporateJ*waterInPaM3/(sectionC+zeroC)*dt/(p.coolsJK+float64(p.kg*iceHeatJ)))
	most := p.kg / waterInPaM3 * (sectionC + zeroC) / (dt * pa) // no more than there is
	return pa, min(m3PerS, most)
}

// gave takes away what left as vapour (Pa m3 at the section's temperature),
// with its heat, and lets the wall warm what is left.
func (p *puddle) gave(paM3, sectionC, wallC, dt float64) {
	kg := float64(paM3*waterInPaM3) / (sectionC + zeroC)
	t := p.tempC()
	p.heatJ += float64(p.warmsWK * (wallC - t) * dt)
	// What leaves takes the heat of evaporation (of sublimation, from ice) and
	// what it held above liquid water at 0 C.
	held := float64(waterHeatJ * t)
	if p.heatJ <= -float64(p.kg*meltJ) {
		held = float64(iceHeatJ*t) - meltJ
		p.heatJ -= float64(kg * (evaporateJ + meltJ + held))
	} else {
		p.heatJ -= float64(kg * (evaporateJ + held))
	}
	p.kg = max(0, p.kg-kg)
}
