package simulate

import "math"

const (
	micronPa   = 101325.0 / 760 / 1000 // one thousandth of a conventional millimetre of mercury
	atmosphere = 101325.0
	gasJ       = 8.314462618 // J/(mol K)
	waterKg    = 0.018015    // kg/mol
)

// vapourPressure is that of water at a temperature in C, in Pa: over liquid at
// 0 C and above, over ice below. Magnus form with the coefficients of Alduchov
// and Eskridge, J. Appl. Meteor. 35 (1996) 601, equations 21 and 23.
func vapourPressure(tempC float64) float64 {
	if tempC < 0 {
		return 611.21 * math.Exp(22.587*tempC/(tempC+273.86))
	}
	return 610.94 * math.Exp(17.625*tempC/(tempC+243.04))
}

// air is moist air: temperature in C and humidity ratio in kg water a kg dry air.
type air struct{ tempC, ratio float64 }

// moist makes air of a temperature and a relative humidity from 0 to 1, at sea level.
func moist(tempC, humidity float64) air {
	p := humidity * vapourPressure(tempC)
	return air{tempC, 0.62198 * p / (atmosphere - p)}
}

// enthalpy is in J a kg dry air, above dry air and liquid water at 0 C.
func (a air) enthalpy() float64 {
	return 1006*a.tempC + a.ratio*(2.501e6+1860*a.tempC)
}

// humidity is the relative humidity from 0 to 1.
func (a air) humidity() float64 {
	p := a.ratio * atmosphere / (0.62198 + a.ratio)
	return p / vapourPressure(a.tempC)
}

// cooled is what leaves a cooling coil that takes drop J from each kg of dry
// air. A coil wet enough to condense leaves the air at coilHumidity; one that
// is not cools it dry.
func (a air) cooled(drop float64) air {
	want := a.enthalpy() - drop
	dry := air{a.tempC - drop/(1006+1860*a.ratio), a.ratio}
	if dry.humidity() <= coilHumidity {
		return dry
	}
	low, high := -20.0, a.tempC
	for range 40 {
		mid := (low + high) / 2
		if moist(mid, coilHumidity).enthalpy() < want {
			low = mid
		} else {
			high = mid
		}
	}
	return moist(high, coilHumidity)
}

// coilHumidity is the relative humidity of air leaving a wet coil (common practice).
const coilHumidity = 0.92
