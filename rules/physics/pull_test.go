package physics

import (
	"math"
	"testing"
)

// Source: the field guide, worked example 7 (120 l, 2 l/s; 100 to 10 torr in
// 138 s; 52 s are 45.2 l, 38 %): fitted to readings of that very fall.
func TestFitPullFindsTheVolume(t *testing.T) {
	torr := AtmospherePa / 760
	c := Hose{0.1, 0.01}.Course(0.002, torr, 1.1e5) // no hose
	relative(t, "100 to 10 torr, s", 0.120*(c.SPerM3(10*torr)-c.SPerM3(100*torr)), 138.155, 1e-3)
	for took, litres := range map[float64]float64{138.155: 120, 52: 45.167} {
		var tS, pPa, noise []float64
		for i := range 11 {
			tS, noise = append(tS, took*float64(i)/10), append(noise, 100)
			pPa = append(pPa, 100*torr*math.Pow(10, -float64(i)/10))
		}
		f, ok := c.FitPull(tS, pPa, noise, 0, 1)
		if !ok {
			t.Fatal("no fit")
		}
		relative(t, "litres", f.VolumeM3*1e3, litres, 1e-3)

		// A zero that is off by 0.5 kPa, and not known, is found as well.
		for i := range pPa {
			pPa[i] += 500
		}
		f, _ = c.FitPull(tS, pPa, noise, 0, 1e4)
		near(t, "zero, Pa", f.ZeroPa, 500, 5)
		relative(t, "litres with a zero off", f.VolumeM3*1e3, litres, 2e-3)
	}
	if _, ok := c.FitPull([]float64{0, 1}, []float64{2, 1}, []float64{1, 1}, 0, 1); ok {
		t.Error("two readings are fitted by anything")
	}
}

// A course is the integral that PullDownS takes, and its inverse is one.
func TestCourseIsThePullDown(t *testing.T) {
	h := Hose{6e-3, 1.5}
	c := h.Course(0.0047, 400, 1.1e5)
	for _, pa := range []float64{5e4, 1e4, 3e3, 5e2} {
		relative(t, "s a cubic metre", c.SPerM3(pa), h.PullDownS(1, 0.0047, 1.1e5, pa), 2e-3)
		back, falls := c.Pa(c.SPerM3(pa))
		relative(t, "and back", back, pa, 1e-9)
		relative(t, "the fall", -falls, pa*h.SpeedM3PerS(0.0047, pa), 0.04)
	}
}

// Half of the volume shuts 40 s into a dry pull: the bend is there, and
// there is none in a pull through a hose that was taken for a wider one.
func TestFindBend(t *testing.T) {
	h := Hose{0.1, 0.01}
	c := h.Course(0.004, 400, 1.1e5)
	var tS, bent, smooth []float64
	narrow := Hose{4.8e-3, 1.5}.Course(0.004, 400, 1.1e5)
	for s := 0.0; s < 90; s += 2 {
		tS = append(tS, s)
		pa, _ := c.Pa(min(s, 40)/0.12 + max(0, s-40)/0.06)
		bent = append(bent, pa)
		pa, _ = narrow.Pa(s / 0.06)
		smooth = append(smooth, pa)
	}
	b, ok := c.FindBend(tS, bent, 100, 5)
	if !ok || b.Gain < 10 {
		t.Fatalf("bend %+v", b)
	}
	near(t, "at, s", tS[b.At], 40, 2)
	near(t, "share", b.Share, 0.5, 0.02)
	if b, ok := c.FindBend(tS, smooth, 100, 5); ok && b.Gain > 10 && b.Share < 0.76 {
		t.Errorf("a hose: %+v", b)
	}
}

// Source: the field guide, worked example 18: 2,500 and 1,500 micron, both
// broken to 2 psi (863,430 micron), then 300: 0.0015 micron of air are left; and
// step 2: x 0.0029 for 2,500 micron broken to 2 psi.
func TestAirLeftAfterBreaks(t *testing.T) {
	broken := AtmospherePa + 2*psiPa
	relative(t, "broken to, micron", broken/micronPa, 863430, 1e-4)
	relative(t, "one break", AfterBreak(1, broken, 2500*micronPa), 0.0029, 0.01)
	air := AfterBreak(AfterBreak(2500*micronPa, broken, 1500*micronPa), broken, 300*micronPa)
	relative(t, "micron left", air/micronPa, 0.001509, 0.01)
}

// Source: the field guide, step 2: a 10 cfm pump draws 77 g of water an hour at
// 4,580 micron and 8.4 g at 500; a break carries at most 17 g a cubic metre at 20 C.
func TestWaterDrawnOff(t *testing.T) {
	const pump = 10 * 0.47194745e-3
	near(t, "g/h at 4580 micron", DrawnKgPerS(pump, 4580*micronPa, 20)*3.6e6, 77, 1)
	near(t, "g/h at 500 micron", DrawnKgPerS(pump, 500*micronPa, 20)*3.6e6, 8.4, 0.1)
	near(t, "g/m3", VapourKgPerM3(20)*1e3, 17, 0.4)
}
