package physics

// Line is one measured piece of pipework.
type Line struct {
	Tube      Tube
	LengthM   float64
	Liquid    bool    // it holds liquid; others hold gas
	FactorKgM float64 // the maker's mass a metre; 0: none given
}

// VolumeM3 is what the line holds.
func (l Line) VolumeM3() float64 { return float64(l.LengthM * l.Tube.M3PerM()) }

// ChargeKg is the refrigerant to be added for the line. The maker's factor
// governs where it is given: it holds allowances that no bore shows. Else a
// liquid line is filled with liquid of a density, which is an estimate; a gas
// line needs none.
func (l Line) ChargeKg(liquidKgM3 float64) (kg float64, estimate bool) {
	switch {
	case l.FactorKgM > 0:
		return l.LengthM * l.FactorKgM, false
	case l.Liquid:
		return l.VolumeM3() * liquidKgM3, true
	}
	return 0, false
}

// A maker's factor below 0.7 or above 1.6 times what the bore holds of pure
// liquid is more likely a slip of unit or row (the field guide, step 0).
const (
	factorLow  = 0.7
	factorHigh = 1.6
)

// FactorRatio is the maker's factor over what the bore holds of pure liquid,
// and whether it looks like a slip; 0 where the line has no factor.
func (l Line) FactorRatio(liquidKgM3 float64) (ratio float64, doubtful bool) {
	if l.FactorKgM == 0 {
		return 0, false
	}
	ratio = l.FactorKgM / float64(l.Tube.M3PerM()*liquidKgM3)
	return ratio, ratio < factorLow || ratio > factorHigh
}

// Charge is what a take-off comes to.
type Charge struct {
	LiquidM3, TotalM3 float64 // of the liquid lines, of all lines
	LinesKg           float64 // to be added for the lines
	Estimate          bool    // some liquid line had no maker's factor
}

// ChargeOf sums a take-off's lines.
func ChargeOf(lines []Line, liquidKgM3 float64) Charge {
	var c Charge
	for _, l := range lines {
		kg, estimate := l.ChargeKg(liquidKgM3)
		c.LinesKg += kg
		c.Estimate = c.Estimate || estimate
		c.TotalM3 += l.VolumeM3()
		if l.Liquid {
			c.LiquidM3 += l.VolumeM3()
		}
	}
	return c
}

// RecoveryFill is the share of a recovery cylinder's volume that liquid may
// fill: the rest is for its expansion (AHRI Guideline K; by weight, 49 CFR 173.304a).
const RecoveryFill = 0.8
