package physics

import "math"

// AtmospherePa is the standard atmosphere, for where no barometer is at hand.
const AtmospherePa = 101325.0

// WaterPressurePa is the saturation pressure of water: over liquid by
// IAPWS-IF97, equation 30 (region 4), over ice below the triple point by IAPWS
// R14-08(2011), equation 6.
func WaterPressurePa(tempC float64) float64 {
	if tempC < 0.01 {
		return icePressurePa(tempC)
	}
	t := tempC + 273.15
	th := t - 0.23855557567849/(t-650.17534844798)
	a := float64(th*th) + float64(1167.0521452767*th) - 724213.16703206
	b := float64(float64(-17.073846940092*th)*th) + float64(12020.824702470*th) - 3232555.0322333
	c := float64(float64(14.915108613530*th)*th) - float64(4823.2657361591*th) + 405113.40542057
	x := 2 * c / (-b + math.Sqrt(float64(b*b)-float64(float64(4*a)*c)))
	return float64(float64(x*x)*float64(x*x)) * 1e6
}

func icePressurePa(tempC float64) float64 {
	th := (tempC + 273.15) / 273.16
	sum := float64(-21.2144006*math.Pow(th, 0.00333333333)) +
		float64(27.3203819*math.Pow(th, 1.20666667)) +
		float64(-6.10598130*math.Pow(th, 1.70333333))
	return 611.657 * math.Exp(sum/th)
}

// waterPerAir is the ratio of the molar masses of water and dry air (ASHRAE
// Handbook Fundamentals 2017, chapter 1).
const waterPerAir = 0.621945

// HumidityRatio is kg of water a kg of dry air.
func HumidityRatio(tempC, relative, pressurePa float64) float64 {
	pw := float64(relative * WaterPressurePa(tempC))
	return waterPerAir * pw / (pressurePa - pw)
}

// HumidityRatioWetBulb is the same from a wet-bulb thermometer (ASHRAE
// Handbook Fundamentals 2017, chapter 1, equations 33 and 35).
func HumidityRatioWetBulb(tempC, wetBulbC, pressurePa float64) float64 {
	ws := HumidityRatio(wetBulbC, 1, pressurePa)
	dt := tempC - wetBulbC
	if wetBulbC >= 0 {
		return (float64((2501-float64(2.326*wetBulbC))*ws) - float64(1.006*dt)) /
			(2501 + float64(1.86*tempC) - float64(4.186*wetBulbC))
	}
	return (float64((2830-float64(0.24*wetBulbC))*ws) - float64(1.006*dt)) /
		(2830 + float64(1.86*tempC) - float64(2.1*wetBulbC))
}

// WetBulbC is the wet-bulb temperature of air with a humidity ratio.
func WetBulbC(tempC, ratio, pressurePa float64) float64 {
	low, high := tempC-60, tempC
	for range 60 {
		mid := (low + high) / 2
		if HumidityRatioWetBulb(tempC, mid, pressurePa) > ratio {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

// AirEnthalpyJPerKg is that of moist air, a kg of dry air, nought at 0 C and
// dry (ASHRAE Handbook Fundamentals 2017, chapter 1, equation 30).
func AirEnthalpyJPerKg(tempC, ratio float64) float64 {
	return float64(1006*tempC) + float64(ratio*(2501000+float64(1860*tempC)))
}

// A cooling coil at work takes this much out of a kg of air and lets it leave
// nearly saturated (computed for the field guide, step 7; common practice).
const (
	coilLeastJPerKg = 12500.0
	coilMostJPerKg  = 15500.0
	coilLeaving     = 0.92
)

// CoolingSplitK is how much colder a working unit's supply air is than its
// return air: the more moisture there is to take out, the less.
func CoolingSplitK(returnC, ratio, pressurePa float64) (lowK, highK float64) {
	return coilSplitK(returnC, ratio, pressurePa, coilLeastJPerKg), coilSplitK(returnC, ratio, pressurePa, coilMostJPerKg)
}

func coilSplitK(returnC, ratio, pressurePa, takenJPerKg float64) float64 {
	left := AirEnthalpyJPerKg(returnC, ratio) - takenJPerKg
	dryC := (left - float64(2501000*ratio)) / (1006 + float64(1860*ratio))
	if HumidityRatio(dryC, coilLeaving, pressurePa) >= ratio {
		return returnC - dryC // too dry for the coil to take any moisture out
	}
	low, high := dryC, returnC
	for range 60 {
		mid := (low + high) / 2
		if AirEnthalpyJPerKg(mid, HumidityRatio(mid, coilLeaving, pressurePa)) > left {
			high = mid
		} else {
			low = mid
		}
	}
	return returnC - high
}
