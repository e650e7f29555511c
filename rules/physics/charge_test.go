package physics

import (
	"math"
	"strings"
	"testing"
)

func tube(t *testing.T, outsideM, wallM float64) Tube {
	t.Helper()
	tb, err := TubeOf(outsideM, wallM)
	if err != nil {
		t.Fatal(err)
	}
	return tb
}

// Source: the table's own lines (ASTM B280 as read in engineering tables). The
// first annealed wall of a size is found by default; any other by giving it.
func TestTubeAgainstB280(t *testing.T) {
	found := map[string]bool{}
	for _, r := range words(t, "copper_tube_b280.csv") {
		outside, wall := r.number(t, "od_in")*inch, r.number(t, "wall_in")*inch
		given := tube(t, outside, wall)
		near(t, r["size"]+" bore", given.BoreM()*1e3, r.number(t, "id_mm"), 1e-9)
		relative(t, r["size"]+" l/m", given.M3PerM()*1e3, r.number(t, "vol_l_per_m"), 1e-9)
		if r["temper"] == "annealed" && !found[r["size"]] || r["size"] == "1-5/8" {
			found[r["size"]] = true
			near(t, r["size"]+" wall", tube(t, outside, 0).WallM, wall, 1e-12)
			if !strings.Contains(tube(t, outside, 0).Source, "B280") {
				t.Errorf("%s: %s", r["size"], tube(t, outside, 0).Source)
			}
		}
	}
	if len(found) != 9 {
		t.Errorf("%d sizes found, want 9", len(found))
	}
}

// Source: the table's own lines: its walls are from memory, its arithmetic is
// not. A metric spelling of an inch size finds the inch size's wall.
func TestTubeMetric(t *testing.T) {
	for _, r := range words(t, "copper_tube_metric.csv") {
		outside, wall := r.number(t, "od_mm")*1e-3, r.number(t, "wall_mm")*1e-3
		relative(t, r["od_mm"]+" l/m", tube(t, outside, wall).M3PerM()*1e3, r.number(t, "vol_l_per_m"), 1e-9)
	}
	for _, mm := range []float64{25.4, 31.75, 38.1} { // B280 as read has none of them
		if source := tube(t, mm*1e-3, 0).Source; !strings.Contains(source, "from memory") {
			t.Errorf("%g mm: %q does not say that its wall is from memory", mm, source)
		}
	}
	near(t, "12.7 mm is 1/2 in", tube(t, 12.7e-3, 0).WallM*1e3, 0.8128, 1e-9)
	near(t, "15.9 mm is 5/8 in", tube(t, 15.9e-3, 0).WallM*1e3, 0.889, 1e-9)
	near(t, "9.52 mm is 3/8 in", tube(t, 9.52e-3, 0).WallM*1e3, 0.8128, 1e-9)
	if _, err := TubeOf(17e-3, 0); err == nil || !strings.Contains(err.Error(), "6.35, 9.525, 12.7, 15.875, 19.05, 22.225, 25.4, 28.575, 31.75, 34.925, 38.1, 41.275 mm") {
		t.Errorf("the sizes are not in order: %v", err)
	}
	for _, c := range []struct{ outside, wall float64 }{{16e-3, 0}, {1.27, 0}, {0, 0}, {math.NaN(), 0}, {12.7e-3, 6.4e-3}, {12.7e-3, -1e-3}} {
		if tb, err := TubeOf(c.outside, c.wall); err == nil {
			t.Errorf("%g with wall %g: %+v", c.outside, c.wall, tb)
		}
	}
}

// Source: the tables' own lines: lengths of tube full of saturated liquid, and
// the grams a metre beside each bore.
func TestLiquidInLines(t *testing.T) {
	for _, r := range words(t, "copper_tube_line_mass.csv") {
		density, err := refrigerant(t, ours(r["fluid"])).LiquidKgPerM3(r.number(t, "t_c"))
		if err != nil {
			t.Fatal(err)
		}
		l := Line{Tube: tube(t, r.number(t, "od_in")*inch, r.number(t, "wall_in")*inch), LengthM: r.number(t, "length_m"), Liquid: true}
		relative(t, r["size"]+" litres", l.VolumeM3()*1e3, r.number(t, "volume_l"), 1e-6)
		kg, estimate := l.ChargeKg(density)
		relative(t, r["size"]+" kg", kg, r.number(t, "mass_kg"), 1e-5)
		if !estimate {
			t.Errorf("%s: by its bore, yet no estimate", r["size"])
		}
	}
	for _, file := range []string{"copper_tube_b280.csv", "copper_tube_metric.csv"} {
		for _, r := range words(t, file) {
			tb := tube(t, r.number(t, "od_mm")*1e-3, r.number(t, "wall_mm")*1e-3)
			for column, of := range map[string]struct {
				name string
				c    float64
			}{
				"R410A_g_per_m_25c": {"R-410A", 25}, "R410A_g_per_m_40c": {"R-410A", 40},
				"R32_g_per_m_25c": {"R-32", 25}, "R32_g_per_m_40c": {"R-32", 40},
			} {
				density, err := refrigerant(t, of.name).LiquidKgPerM3(of.c)
				if err != nil {
					t.Fatal(err)
				}
				relative(t, file+" "+r["od_mm"]+" "+column, tb.M3PerM()*density*1e3, r.number(t, column), 1e-5)
			}
		}
	}
}

// takeoff is the field guide's worked examples 1 and 2: liquid lines with the
// maker's factors, gas lines beside them.
func takeoff(t *testing.T) []Line {
	var lines []Line
	for _, l := range []struct{ inches, length, factor float64 }{
		{0.375, 62, 0.048}, {0.5, 38.5, 0.094}, {0.625, 24, 0.152}, {0.75, 15.5, 0.228},
	} {
		lines = append(lines, Line{Tube: tube(t, l.inches*inch, 0), LengthM: l.length, Liquid: true, FactorKgM: l.factor})
	}
	for _, l := range []struct{ inches, length float64 }{{0.625, 62}, {0.75, 38.5}, {0.875, 24}, {1.125, 15.5}} {
		lines = append(lines, Line{Tube: tube(t, l.inches*inch, 0), LengthM: l.length})
	}
	return lines
}

func TestChargeExamples(t *testing.T) {
	const density = 975.7157 // R-410A at 40 C: refrigerant_saturation.csv
	lines := takeoff(t)
	c := ChargeOf(lines, density)
	near(t, "example 1: lines, kg", c.LinesKg, 13.777, 0.002)
	near(t, "example 1: all, kg", c.LinesKg+10*0.12+19.6, 34.577, 0.002)
	near(t, "example 2: liquid, l", c.LiquidM3*1e3, 14.12, 0.01)
	near(t, "example 2: all with coils, l", c.TotalM3*1e3+10*1.8, 66.570, 0.01)
	if c.Estimate {
		t.Error("the maker's factors govern, yet an estimate")
	}
	for i, l := range lines[:4] { // those factors are pure liquid's
		if ratio, doubtful := l.FactorRatio(density); doubtful || math.Abs(ratio-1) > 0.01 {
			t.Errorf("line %d: ratio %g", i, ratio)
		}
	}
	lines[2].FactorKgM = 0
	if c := ChargeOf(lines, density); !c.Estimate || math.Abs(c.LinesKg-13.777) > 0.01 {
		t.Errorf("one line by its bore: %+v, want an estimate near 13.777 kg", c)
	}

	// Example 1: 24 m of 5/8 read as 1/2 cost 1.392 kg.
	right := Line{LengthM: 24, FactorKgM: 0.152}
	wrong := Line{LengthM: 24, FactorKgM: 0.094}
	a, _ := right.ChargeKg(density)
	b, _ := wrong.ChargeKg(density)
	near(t, "5/8 read as 1/2, kg", a-b, 1.392, 1e-9)
	// Only the diameter misread and the factor kept: the ratio tells it.
	if ratio, doubtful := (Line{Tube: tube(t, inch/2, 0), LengthM: 24, FactorKgM: 0.152}).FactorRatio(density); !doubtful {
		t.Errorf("the 5/8 factor on 1/2 passes with a ratio of %g", ratio)
	}
	// A factor in lb/ft written as kg/m is 0.672 of what it should be.
	if ratio, doubtful := (Line{Tube: tube(t, inch/2, 0), LengthM: 1, FactorKgM: 0.063}).FactorRatio(density); !doubtful {
		t.Errorf("lb/ft taken for kg/m passes with a ratio of %g", ratio)
	}
	if m, estimate := (Line{Tube: tube(t, inch, 0), LengthM: 9}).ChargeKg(density); m != 0 || estimate {
		t.Errorf("a gas line without a factor takes %g kg", m)
	}
}

// The worked example of trade texts on AHRI Guideline K (filling by weight: 49
// CFR 173.304a), for R-410A of 1.06 times water's density.
func TestRecoveryFill(t *testing.T) {
	for _, c := range []struct{ water, most float64 }{{21.6, 18.3}, {47.7, 40.4}} { // kg; lb
		if got := RecoveryFill * c.water * 1.06; math.Abs(got-c.most) > 0.05 {
			t.Errorf("a cylinder of %g water capacity may hold %g, want %g", c.water, got, c.most)
		}
	}
}
