package physics

// LeakPaM3PerS is a leak's throughput by the rise (or fall) of a sealed
// volume's pressure at steady temperature: Q = V dp/dt.
func LeakPaM3PerS(volumeM3, risePaPerS float64) float64 { return volumeM3 * risePaPerS }

// LeakMolPerS is a leak as an amount of gas of a temperature.
func LeakMolPerS(leakPaM3PerS, tempC float64) float64 {
	return leakPaM3PerS / (GasConstant * (tempC + 273.15))
}

// In other units: 1 Pa m3/s is 10 mbar l/s, 1000 l a m3 over 101.325/760 Pa a
// micron, and at its own temperature 1e6 cm3 a m3 over 101325 Pa an atmosphere.

// MbarLPerS converts a throughput into mbar l/s.
func MbarLPerS(leakPaM3PerS float64) float64 { return leakPaM3PerS * 10 }

// MicronLPerS converts a throughput into micron l/s.
func MicronLPerS(leakPaM3PerS float64) float64 {
	return leakPaM3PerS * 1e3 / (AtmospherePa / 760e3)
}

// AtmosphericCm3PerMin converts a throughput into cubic centimetres of gas at
// one atmosphere a minute, at its own temperature.
func AtmosphericCm3PerMin(leakPaM3PerS float64) float64 {
	return leakPaM3PerS * 60e6 / AtmospherePa
}

// Molar masses, kg/mol: nitrogen (IUPAC), dry air (ISO 2533, 28.9647 g/mol).
const (
	NitrogenKgPerMol = 28.0134e-3
	AirKgPerMol      = 28.9647e-3
)
