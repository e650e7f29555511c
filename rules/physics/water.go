package physics

import (
	"fmt"
	"math"
)

// The triple point of water (IAPWS): below its pressure there is ice, above it
// liquid.
const (
	TriplePointC  = 0.01
	TriplePointPa = 611.657
)

// Where the vapour pressure is asked for: from ice far below any pipe to the
// critical point (IAPWS-IF97: 647.096 K).
const (
	WaterLeastC = -100.0
	WaterMostC  = 373.946
)

// BoilingC is the temperature at which water boils, or ice sublimes, at an
// absolute pressure.
func BoilingC(absolutePa float64) (tempC float64, ice bool, err error) {
	low, high := WaterPressurePa(WaterLeastC), WaterPressurePa(WaterMostC)
	if !(absolutePa >= low && absolutePa <= high) {
		return 0, false, fmt.Errorf("water at %.4g Pa absolute: the equations go from %.2g Pa (%g C) to %.4g Pa (%g C)", absolutePa, low, WaterLeastC, high, WaterMostC)
	}
	return solve(WaterLeastC, WaterMostC, absolutePa, WaterPressurePa), absolutePa < TriplePointPa, nil
}

// BoilingPa is the inverse.
func BoilingPa(tempC float64) (absolutePa float64, ice bool, err error) {
	if !(tempC >= WaterLeastC && tempC <= WaterMostC) {
		return 0, false, fmt.Errorf("water at %.4g C: the equations go from %g to %g C", tempC, WaterLeastC, WaterMostC)
	}
	return WaterPressurePa(tempC), tempC < TriplePointC, nil
}

// DewPointC is where air of a humidity ratio begins to shed water, as dew or,
// below freezing, as frost. Air without water has none: minus infinity.
func DewPointC(ratio, pressurePa float64) float64 {
	pw := pressurePa * ratio / (waterPerAir + ratio)
	if pw <= WaterPressurePa(WaterLeastC) {
		return math.Inf(-1)
	}
	return solve(WaterLeastC, WaterMostC, pw, WaterPressurePa)
}

// RelativeHumidity is the inverse of HumidityRatio.
func RelativeHumidity(tempC, ratio, pressurePa float64) float64 {
	return pressurePa * ratio / (waterPerAir + ratio) / WaterPressurePa(tempC)
}
