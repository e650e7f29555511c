package physics

import (
	"math"
	"testing"
)

// Source: the table's own lines (IAPWS R14-08 and IAPWS-IF97).
func TestBoilingAgainstIAPWS(t *testing.T) {
	for _, r := range words(t, "water_microns_to_temperature.csv") {
		c, ice, err := BoilingC(r.number(t, "p_pa"))
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["microns"]+" micron", c, r.number(t, "t_sat_c"), 1e-3)
		if want := r["phase"] == "ice"; ice != want {
			t.Errorf("%s micron: ice %v, want %s", r["microns"], ice, r["phase"])
		}
		back, ice2, err := BoilingPa(c)
		relative(t, r["microns"]+" micron and back", back, r.number(t, "p_pa"), 1e-9)
		if err != nil || ice2 != ice {
			t.Errorf("%s micron and back: ice %v, %v", r["microns"], ice2, err)
		}
	}
}

// Source: the table's own lines: what people print for the boiling point, where
// it is right to a degree; the other rows are known to be wrong there.
func TestBoilingAgainstPublishedPoints(t *testing.T) {
	mmHg := AtmospherePa / 760
	for _, c := range []struct{ pa, printedC, iapwsC, within float64 }{
		{760 * mmHg, 100, 99.97, 0.05},
		{17 * mmHg, 20, 19.49, 0.6},
		{4 * mmHg, -2, -1.64, 0.5},
		{(29.92 - 10) * 3386.389, 88.9, 88.96, 0.1},
		{31.8 * mmHg, 30, 29.97, 0.05},
	} {
		got, _, err := BoilingC(c.pa)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "printed", got, c.printedC, c.within)
		near(t, "IAPWS", got, c.iapwsC, 0.01)
	}
}

// Source: water_boiling_published_points.csv must name the points above.
func TestPublishedPointsAreThose(t *testing.T) {
	if n := len(words(t, "water_boiling_published_points.csv")); n != 6 {
		t.Errorf("%d rows, of which this test knows 6", n)
	}
}

func TestBoilingSaysItsRange(t *testing.T) {
	for _, pa := range []float64{0, -1, 3e7, math.NaN()} {
		if c, _, err := BoilingC(pa); err == nil {
			t.Errorf("at %g Pa: %g C", pa, c)
		}
	}
	for _, c := range []float64{-101, 374, math.NaN()} {
		if pa, _, err := BoilingPa(c); err == nil {
			t.Errorf("at %g C: %g Pa", c, pa)
		}
	}
}

// Source: the tables' own lines (ASHRAE Handbook Fundamentals 2017, chapter 1).
func TestDewPointAgainstASHRAE(t *testing.T) {
	for _, r := range words(t, "psychrometrics.csv") {
		c, p := r.number(t, "t_db_c"), r.number(t, "p_pa")
		w := r.number(t, "w_kg_per_kg")
		near(t, "dew point at "+r["t_db_c"]+" C, "+r["rh"], DewPointC(w, p), r.number(t, "t_dp_c"), 0.05)
		near(t, "relative humidity", RelativeHumidity(c, w, p), r.number(t, "rh"), 2e-3*r.number(t, "rh"))
	}
	for _, r := range words(t, "psychrometrics_from_wetbulb.csv") {
		c, p := r.number(t, "t_db_c"), r.number(t, "p_pa")
		w := HumidityRatioWetBulb(c, r.number(t, "t_wb_c"), p)
		near(t, "dew point", DewPointC(w, p), r.number(t, "t_dp_c"), 0.06)
		near(t, "relative humidity", RelativeHumidity(c, w, p), r.number(t, "rh"), 0.002)
		near(t, "enthalpy", AirEnthalpyJPerKg(c, w), r.number(t, "h_j_per_kg"), 100)
	}
	if c := DewPointC(0, 101325); !math.IsInf(c, -1) {
		t.Errorf("dry air has a dew point of %g", c)
	}
}
