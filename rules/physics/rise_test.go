package physics

import (
	"math"
	"testing"
)

const micronPa = 101325.0 / 760 / 1000

func samples(r func(tS float64) float64, stepS, endS float64) (tS, pPa []float64) {
	for t := 0.0; t <= endS; t += stepS {
		tS, pPa = append(tS, t), append(pPa, r(t))
	}
	return tS, pPa
}

// Source: the field guide, worked example 9: 6 micron a minute from 250,
// 610 after an hour, 500 crossed at 41.7 min.
func TestStraightRise(t *testing.T) {
	tS, pPa := samples(func(t float64) float64 { return (250 + 6*t/60) * micronPa }, 300, 1200)
	f := FitRise(tS, pPa, 0.001)
	near(t, "micron a minute", f.Line.DriftPaPerS*60/micronPa, 6, 1e-6)
	near(t, "micron after an hour", f.Line.At(3600)/micronPa, 610, 1e-4)
	near(t, "minutes to 500", (500*micronPa-f.Line.StartPa)/f.Line.DriftPaPerS/60, 41.667, 0.001)
}

// Source: the field guide, worked example 10: time constant 20.0 min, plateau
// 900 micron, 500 crossed at 9.7 min.
func TestRiseThroughThreePoints(t *testing.T) {
	r, ok := ThreePointRise(600, 505.8, 660.9, 755.0)
	if !ok {
		t.Fatal("no rise through the three points")
	}
	near(t, "time constant, min", r.TauS/60, 20.0, 0.05)
	near(t, "plateau, micron", r.PlateauPa(), 900, 0.5)
	// The first point is 10 min into the hold.
	cross := 10 - r.TauS/60*math.Log((900-500)/(900-505.8))
	near(t, "minutes to 500", cross, 9.7, 0.05)
	if _, ok := ThreePointRise(600, 250, 310, 370); ok {
		t.Error("three points on a straight line have no plateau")
	}
}

func TestFitFindsThePlateau(t *testing.T) {
	tS, pPa := samples(func(t float64) float64 { return (250 + 650*(1-math.Exp(-t/1200))) * micronPa }, 10, 1800)
	f := FitRise(tS, pPa, 0.001)
	near(t, "plateau, micron", f.Best.PlateauPa()/micronPa, 900, 5)
	low, high := f.Tau()
	if !(low <= 1200 && high >= 1200-1e-2 && high < 1400) {
		t.Errorf("time constant between %g and %g s, want about 1200", low, high)
	}
	low, best, high := f.Band(3600, 2)
	if want := (250 + 650*(1-math.Exp(-3))) * micronPa; !(low <= want && want <= high) || math.Abs(best-want) > 0.02*want {
		t.Errorf("after an hour %g (%g to %g), want %g", best, low, high, want)
	}
}

// A rise whose end the readings leave open must not be cut short by its band.
func TestBandHoldsWhatTheReadingsLeaveOpen(t *testing.T) {
	noisy := func(t float64) float64 { // 1 % of alternating noise hides the curvature
		return (250 + 230*(1-math.Exp(-t/1200))) * micronPa * (1 + 0.01*math.Cos(t*0.7))
	}
	tS, pPa := samples(noisy, 30, 600)
	low, _, high := FitRise(tS, pPa, 0.001).Band(3600, 2)
	if truth := (250 + 230*(1-math.Exp(-3))) * micronPa; !(low < truth && truth < high) {
		t.Errorf("band %g to %g does not hold the truth %g", low, high, truth)
	}
}

func TestLeakBesideMoisture(t *testing.T) {
	tS, pPa := samples(func(t float64) float64 { return (250 + 200*(1-math.Exp(-t/720)) + 2*t/60) * micronPa }, 30, 3300)
	gain, both := FitRise(tS, pPa, 0.001).BothGain(tS, pPa, 0.001)
	if gain < 10 {
		t.Errorf("chi-square improves by %g only", gain)
	}
	near(t, "leak, micron a minute", both.DriftPaPerS*60/micronPa, 2, 0.1)
}

func FuzzFitRise(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0, 5.0)
	f.Add(0.0, -1.0, math.Inf(1), math.NaN(), 1e300)
	f.Fuzz(func(_ *testing.T, a, b, c, d, e float64) {
		fit := FitRise([]float64{0, 1, 2, 3, 4}, []float64{a, b, c, d, e}, 0.001)
		fit.Band(10, 2)
		fit.Level(10)
		fit.BothGain([]float64{0, 1, 2, 3, 4}, []float64{a, b, c, d, e}, 0.001)
	})
}
