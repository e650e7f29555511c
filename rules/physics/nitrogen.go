package physics

import "math"

// GasConstant is the molar gas constant, J/(mol K) (CODATA 2018, exact).
const GasConstant = 8.314462618

// nitrogenVirialM3PerMol is nitrogen's second virial coefficient (reference
// table A9 of LibreTexts, as the field guide cites it: cm3/mol).
func nitrogenVirialM3PerMol(tempC float64) float64 {
	return (185.4 - float64(141.8*math.Exp(88.7/(tempC+273.15)))) * 1e-6
}

// NitrogenMolPerM3 is the density of nitrogen at an absolute pressure:
// p = n R T (1 + B n), solved for n.
func NitrogenMolPerM3(absolutePa, tempC float64) float64 {
	ideal := absolutePa / (GasConstant * (tempC + 273.15))
	b := nitrogenVirialM3PerMol(tempC)
	return 2 * ideal / (1 + math.Sqrt(1+float64(4*b*ideal)))
}

// NitrogenPa is the absolute pressure of nitrogen of a density.
func NitrogenPa(molPerM3, tempC float64) float64 {
	return molPerM3 * GasConstant * (tempC + 273.15) * (1 + float64(nitrogenVirialM3PerMol(tempC)*molPerM3))
}

// SealedNitrogenPa is the absolute pressure of sealed nitrogen after its
// temperature has changed: its density stays. From -5 to 50 C and up to 600 psi
// it agrees with Span's equation of 2000 within 0.01 % of the pressure and
// 0.12 % of the change; the plain gas law misses the change by up to 10 %.
// (Densities alone are high by up to 0.6 % there: a third coefficient is left out.)
func SealedNitrogenPa(startPa, startC, endC float64) float64 {
	return NitrogenPa(NitrogenMolPerM3(startPa, startC), endC)
}

// IdealSealedPa is the same by the plain gas law, to show what it would say.
func IdealSealedPa(startPa, startC, endC float64) float64 {
	return startPa * ((endC + 273.15) / (startC + 273.15))
}

// Hold is a sealed pipe under nitrogen as it was found at one time. The gauge
// reads above the atmosphere of its own moment.
type Hold struct{ GaugePa, TempC, AtmospherePa float64 }

// ExpectedGaugePa is what the gauge would read at the end if nothing had
// leaked.
func (h Hold) ExpectedGaugePa(endC, endAtmospherePa float64) float64 {
	return SealedNitrogenPa(h.GaugePa+h.AtmospherePa, h.TempC, endC) - endAtmospherePa
}

// NitrogenPaPerK is by how much a sealed pipe's pressure changes a kelvin.
func NitrogenPaPerK(absolutePa, tempC float64) float64 {
	return SealedNitrogenPa(absolutePa, tempC, tempC+0.5) - SealedNitrogenPa(absolutePa, tempC, tempC-0.5)
}

// MeanGasC is the temperature that stands for gas spread over volumes of
// different temperature at one pressure: 1/T = sum(V/T)/sum(V).
func MeanGasC(tempsC, volumesM3 []float64) float64 {
	var volume, inverse float64
	for i, c := range tempsC {
		volume += volumesM3[i]
		inverse += volumesM3[i] / (c + 273.15)
	}
	return volume/inverse - 273.15
}

// Doubt adds independent uncertainties: the root of the sum of squares.
func Doubt(parts ...float64) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += float64(p * p)
	}
	return math.Sqrt(sum)
}
