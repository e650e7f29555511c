package physics

import (
	"fmt"
	"math"
	"testing"
)

const psiPa = 6894.757293168361

func celsius(fahrenheit float64) float64 { return (fahrenheit - 32) / 1.8 }

// Source: the table's own lines (Span's equation of 2000, apart from ours).
func TestSealedNitrogenAgainstSpan(t *testing.T) {
	for _, r := range words(t, "nitrogen_hold.csv") {
		p1, c1, c2 := r.number(t, "p1_abs_kpa")*1e3, r.number(t, "t1_c"), r.number(t, "t2_c")
		what := fmt.Sprintf("%g psi from %g to %g C", r.number(t, "p1_gauge_psi"), c1, c2)
		want := r.number(t, "p2_real_abs_kpa") * 1e3
		got := SealedNitrogenPa(p1, c1, c2)
		relative(t, what, got, want, 1e-4)
		near(t, what+": the change", got-p1, want-p1, 1.2e-3*math.Abs(want-p1)+0.1)
		relative(t, what+": plain gas law", IdealSealedPa(p1, c1, c2), r.number(t, "p2_ideal_abs_kpa")*1e3, 1e-6)
		z := p1 / (NitrogenMolPerM3(p1, c1) * GasConstant * (c1 + 273.15))
		relative(t, what+": compressibility", z, r.number(t, "z1"), 6e-3)
	}
}

// Source: the field guide, worked examples 3, 4 and 5 and its table of slopes.
func TestNitrogenHoldExamples(t *testing.T) {
	// 550 psi gauge, 85 F to 65 F: real 527.44 psi, by the plain law 529.26.
	h := Hold{GaugePa: 550 * psiPa, TempC: celsius(85), AtmospherePa: 101325}
	near(t, "example 3, psi", h.ExpectedGaugePa(celsius(65), 101325)/psiPa, 527.440, 0.02)
	near(t, "example 3 ideal, psi", (IdealSealedPa(550*psiPa+101325, celsius(85), celsius(65))-101325)/psiPa, 529.265, 0.002)
	// Another barometer at the end.
	h = Hold{GaugePa: 3792e3, TempC: 24, AtmospherePa: 101.3e3}
	expected := h.ExpectedGaugePa(22.5, 99.8e3)
	near(t, "example 4, kPa", expected/1e3, 3772.05, 0.1)
	near(t, "example 4 left over, kPa", 3765-expected/1e3, -7.05, 0.1)
	// What the test could have seen.
	slope := NitrogenPaPerK(550*psiPa+101325, 20)
	near(t, "slope at 550 psi, kPa/K", slope/1e3, 14.54, 0.03)
	near(t, "slope at 150 psi, kPa/K", NitrogenPaPerK(150*psiPa+101325, 20)/1e3, 3.98, 0.01)
	near(t, "slope at 50 psi, kPa/K", NitrogenPaPerK(50*psiPa+101325, 20)/1e3, 1.54, 0.005)
	doubt := Doubt(0.3*14.54e3, 3e3, 0.5e3, 0.1e3)
	near(t, "example 5, Pa", doubt, 5319, 1)
	relative(t, "example 5, Pa m3/s", LeakPaM3PerS(0.06657, 2*doubt/86400), 0.0081958, 0.002)
}

// Source: the field guide's definition: 10 l of gas at 300 K and 30 l at 280 K
// hold 10/300 + 30/280 = 0.140476 l/K, so 40 l stand at 284.746 K.
func TestMeanGasTemperature(t *testing.T) {
	near(t, "mean", MeanGasC([]float64{26.85, 6.85}, []float64{0.010, 0.030}), 284.7458-273.15, 1e-3)
	near(t, "of one", MeanGasC([]float64{21}, []float64{2}), 21, 1e-9)
}
