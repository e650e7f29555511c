package trial

import "math"

// The psychrometrics of the trials: Buck's saturation pressure (1996), the
// enthalpy of moist air with rounded constants, and the thermodynamic wet bulb.

const waterToAir = 0.62198 // ratio of their molar masses

// buckPa is the saturation pressure over water (Buck 1996).
func buckPa(tempC float64) float64 {
	return 611.21 * math.Exp((18.678-tempC/234.5)*(tempC/(257.14+tempC)))
}

// moisture is the kg of water in a kg of dry air, by relative humidity.
func moisture(tempC, relative, pa float64) float64 {
	e := float64(relative * buckPa(tempC))
	return waterToAir * e / (pa - e)
}

// relativeHumidity of air that holds so much water.
func relativeHumidity(tempC, kgKg, pa float64) float64 {
	return pa * kgKg / (waterToAir + kgKg) / buckPa(tempC)
}

// enthalpy is J a kg of dry air, from 0 C.
func enthalpy(tempC, kgKg float64) float64 {
	return float64(1005*tempC) + float64(kgKg*(2500.9e3+float64(1840*tempC)))
}

// wetBulb is where water that evaporates without heat from outside comes to.
func wetBulb(tempC, kgKg, pa float64) float64 {
	low, high := tempC-40, tempC
	for range 50 {
		mid := (low + high) / 2
		if kgKgOfWetBulb(tempC, mid, pa) > kgKg {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

func kgKgOfWetBulb(tempC, wetC, pa float64) float64 {
	ws := moisture(wetC, 1, pa)
	return (float64((2501-float64(2.326*wetC))*ws) - float64(1.006*(tempC-wetC))) / (2501 + float64(1.86*tempC) - float64(4.186*wetC))
}

// targetSplit is the middle of what a coil does to room air that leaves it at
// 92 % and gives up 12.5 to 15.5 kJ a kg (the field guide, step 7).
func targetSplit(tempC, kgKg, pa float64) float64 {
	return (splitAt(tempC, kgKg, pa, 12500) + splitAt(tempC, kgKg, pa, 15500)) / 2
}

func splitAt(tempC, kgKg, pa, takenJ float64) float64 {
	left := enthalpy(tempC, kgKg) - takenJ
	low, high := tempC-40, tempC
	for range 50 {
		mid := (low + high) / 2
		if enthalpy(mid, min(kgKg, moisture(mid, 0.92, pa))) > left {
			high = mid
		} else {
			low = mid
		}
	}
	return tempC - high
}
