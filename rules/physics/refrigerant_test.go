package physics

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// row is a row of a reference table that holds words beside numbers.
type row map[string]string

// number is a column's number; a column that is missing fails the test, so
// that a renamed one is not taken for nought.
func (r row) number(t *testing.T, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return x
}

// words reads a reference table from testdata/reference; its comment lines
// name the source.
func words(t *testing.T, name string) []row {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	var out []row
	for _, cells := range rows[1:] {
		m := row{}
		for i, key := range rows[0] {
			m[key] = cells[i]
		}
		out = append(out, m)
	}
	return out
}

// ours is the name here of a refrigerant in the tables: R410A, R-410A.
func ours(fluid string) string { return "R-" + strings.TrimPrefix(fluid, "R") }

func refrigerant(t *testing.T, name string) *Refrigerant {
	t.Helper()
	r, err := RefrigerantNamed(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// relative fails where got is off by more than a share of want.
func relative(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if !(math.Abs(got/want-1) <= share) {
		t.Errorf("%s: %g, want %g within %g %%", what, got, want, share*100)
	}
}

// Source: the table's own lines. What is compiled in is that table, and the
// interpolation goes through it.
func TestSaturationTableIsTheReference(t *testing.T) {
	rows := words(t, "refrigerant_saturation.csv")
	if len(rows) != 22*len(saturations) {
		t.Fatalf("%d rows for %d refrigerants", len(rows), len(saturations))
	}
	for _, r := range rows {
		c := r.number(t, "t_c")
		s, err := refrigerant(t, ours(r["fluid"])).AtTemperature(c)
		if err != nil {
			t.Fatal(err)
		}
		what := fmt.Sprintf("%s at %g C, ", r["fluid"], c)
		relative(t, what+"bubble", s.BubblePa, r.number(t, "p_bubble_kpa")*1e3, 1e-12)
		relative(t, what+"dew", s.DewPa, r.number(t, "p_dew_kpa")*1e3, 1e-12)
		relative(t, what+"liquid", s.LiquidKgPerM3, r.number(t, "rho_liq_kg_m3"), 1e-12)
		relative(t, what+"vapour", s.VapourKgPerM3, r.number(t, "rho_vap_kg_m3"), 1e-12)
	}
}

// Every second row left out, once the even ones and once the odd ones, comes
// back within 0.1 % in pressure and density and 0.05 K in temperature, although
// the steps are then twice as wide.
func TestSaturationBetweenTheRows(t *testing.T) {
	for _, s := range saturations {
		for parity := range 2 {
			last := len(s.rows) - 1
			kept := func(i int) bool { return i%2 == parity || i == 0 || i == last }
			r := s.interpolate(kept)
			for i, row := range s.rows {
				if kept(i) {
					continue
				}
				c := saturationFirstC + float64(i)*saturationStepC
				got, err := r.AtTemperature(c)
				if err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("%s at %g C, ", s.name, c)
				relative(t, what+"bubble", got.BubblePa, row[0]*1e3, 5e-5)
				relative(t, what+"dew", got.DewPa, row[1]*1e3, 5e-5)
				relative(t, what+"liquid", got.LiquidKgPerM3, row[2], 1e-4)
				relative(t, what+"vapour", got.VapourKgPerM3, row[3], 6e-4)
				for which, of := range map[string]func(float64) (float64, error){"bubble": r.BubbleC, "dew": r.DewC} {
					pa := row[0] * 1e3
					if which == "dew" {
						pa = row[1] * 1e3
					}
					back, err := of(pa)
					if err != nil {
						t.Fatal(err)
					}
					near(t, what+which+" temperature", back, c, 0.003)
				}
			}
		}
	}
}

// Source: the tables' own lines: an evaluation of the same published equations
// apart from the library, at pressures and temperatures between our rows.
func TestSaturationAgainstIndependentEvaluations(t *testing.T) {
	compared := 0
	for _, row := range words(t, "refrigerant_pressure_to_temperature.csv") {
		r, pa := refrigerant(t, ours(row["fluid"])), row.number(t, "p_abs_kpa")*1e3
		for column, of := range map[string]func(float64) (float64, error){"t_bubble_c": r.BubbleC, "t_dew_c": r.DewC} {
			want := row.number(t, column)
			got, err := of(pa)
			if outside := want < saturationFirstC || want > saturationLastC; outside {
				if err == nil || !strings.Contains(err.Error(), "-40 to 65 C") {
					t.Errorf("%s at %g Pa: %g, %v; want an error that says the range", r.Name, pa, got, err)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			compared++
			near(t, fmt.Sprintf("%s %s at %g Pa", r.Name, column, pa), got, want, 0.002)
		}
	}
	for _, row := range words(t, "refrigerant_subcooled_density.csv") {
		r, c := refrigerant(t, ours(row["fluid"])), row.number(t, "t_liq_c")
		got, err := r.LiquidKgPerM3(c)
		if err != nil {
			t.Fatal(err)
		}
		compared++
		relative(t, fmt.Sprintf("%s liquid at %g C", r.Name, c), got, row.number(t, "rho_sat_at_t_liq_kg_m3"), 2e-5)
	}
	if compared < 250 {
		t.Errorf("only %d values compared", compared)
	}
}

// Source: the table's own lines: R-410A and R-407C as true mixtures, a model
// that ours does not rest on; their authors state 0.5 % for pressures and 0.1 %
// for densities.
func TestSaturationAgainstTrueMixtures(t *testing.T) {
	for _, row := range words(t, "refrigerant_true_mixture_check.csv") {
		r, c := refrigerant(t, ours(strings.TrimSuffix(row["fluid"], "mix"))), row.number(t, "t_c")
		s, err := r.AtTemperature(c)
		if err != nil {
			t.Fatal(err)
		}
		what := fmt.Sprintf("%s at %g C, ", r.Name, c)
		relative(t, what+"bubble", s.BubblePa, row.number(t, "p_bubble_kpa")*1e3, 5e-4)
		relative(t, what+"dew", s.DewPa, row.number(t, "p_dew_kpa")*1e3, 5e-4)
		relative(t, what+"liquid", s.LiquidKgPerM3, row.number(t, "rho_liq_kg_m3"), 1e-3)
		relative(t, what+"vapour", s.VapourKgPerM3, row.number(t, "rho_vap_kg_m3"), 1e-3)
	}
}

// Source: ASHRAE Handbook Fundamentals, thermophysical properties of
// refrigerants, saturation tables (from memory, as printed): MPa, kg/m3, m3/kg.
func TestSaturationAgainstTheHandbook(t *testing.T) {
	for _, c := range []struct {
		name                        string
		tempC, mpa, liquid, vapourV float64
	}{
		{"R-134a", 0, 0.29280, 1294.8, 0.06931},
		{"R-134a", 40, 1.0166, 1146.7, 0.01997},
		{"R-32", 0, 0.81310, 1055.3, 0.04527},
	} {
		s, err := refrigerant(t, c.name).AtTemperature(c.tempC)
		if err != nil {
			t.Fatal(err)
		}
		relative(t, c.name+" pressure", s.BubblePa, c.mpa*1e6, 1e-4)
		relative(t, c.name+" liquid", s.LiquidKgPerM3, c.liquid, 1e-4)
		relative(t, c.name+" vapour", 1/s.VapourKgPerM3, c.vapourV, 5e-4)
	}
}

// Source: the table's own lines (two barometers: sea level and 84 kPa), and the
// field guide's worked example 13 for which curve goes with which.
func TestSuperheatAndSubcooling(t *testing.T) {
	for _, row := range words(t, "superheat_subcooling.csv") {
		r, atm := refrigerant(t, ours(row["fluid"])), row.number(t, "p_atm_kpa")*1e3
		got, dewC, err := r.SuperheatK(row.number(t, "t_suc_c"), row.number(t, "p_suc_gauge_kpa")*1e3, atm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r.Name+" superheat", got, row.number(t, "superheat_k"), 0.002)
		near(t, r.Name+" dew temperature", dewC, row.number(t, "t_suc_c")-row.number(t, "superheat_k"), 0.002)
		got, _, err = r.SubcoolingK(row.number(t, "t_liq_c"), row.number(t, "p_liq_gauge_kpa")*1e3, atm)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r.Name+" subcooling", got, row.number(t, "subcooling_k"), 0.002)
	}
}

func TestSaturationSaysItsRange(t *testing.T) {
	r := refrigerant(t, "R-407C")
	for _, c := range []float64{-40.001, 65.001, math.NaN(), math.Inf(1)} {
		if _, err := r.AtTemperature(c); err == nil || !strings.Contains(err.Error(), "from -40 to 65 C") {
			t.Errorf("at %g C: %v", c, err)
		}
	}
	for _, pa := range []float64{0, -5, 1e9, math.NaN()} {
		if _, err := r.AtPressure(pa); err == nil || !strings.Contains(err.Error(), "-40 to 65 C") {
			t.Errorf("at %g Pa: %v", pa, err)
		}
	}
	// The ends themselves are inside.
	s, err := r.AtTemperature(-40)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := r.BubbleC(s.BubblePa); err != nil || math.Abs(c+40) > 1e-9 {
		t.Errorf("bubble temperature at the table's end: %g, %v", c, err)
	}
	if _, err := RefrigerantNamed("R-22"); err == nil || !strings.Contains(err.Error(), "R-454B") {
		t.Errorf("an unknown refrigerant: %v", err)
	}
}

func BenchmarkDewTemperature(b *testing.B) {
	r, err := RefrigerantNamed("R-410A")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := r.DewC(900e3); err != nil {
			b.Fatal(err)
		}
	}
}
