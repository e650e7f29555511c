package trial

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
)

// The trials' own psychrometrics against PsychroLib's values
// (testdata/reference/psychrometrics.csv says how they were made).
func TestMoistAirAgainstPsychrolib(t *testing.T) {
	f, err := os.Open("../../../testdata/reference/psychrometrics.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.Comment = '#'
	rows, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, row := range rows[1:] {
		var v [7]float64 // t_db_c, rh, p_pa, w, t_wb_c, t_dp_c, h
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		if v[0] < 10 || v[0] > 40 || v[4] < 1 {
			continue // no room; over ice it is another curve
		}
		checked++
		w := moisture(v[0], v[1], v[2])
		if off := math.Abs(w/v[3] - 1); off > 0.006 { // no enhancement factor here: 0.5 %
			t.Errorf("%v: %.6f kg/kg, want %.6f", row, w, v[3])
		}
		if off := math.Abs(wetBulb(v[0], w, v[2]) - v[4]); off > 0.1 {
			t.Errorf("%v: wet bulb %.3f C, want %.3f", row, wetBulb(v[0], w, v[2]), v[4])
		}
		if off := math.Abs(enthalpy(v[0], v[3]) - v[6]); off > 0.004*math.Abs(v[6])+100 {
			t.Errorf("%v: %.0f J/kg, want %.0f", row, enthalpy(v[0], v[3]), v[6])
		}
		if off := math.Abs(relativeHumidity(v[0], w, v[2]) - v[1]); off > 1e-9 {
			t.Errorf("%v: there and back %g", row, off)
		}
	}
	if checked < 40 {
		t.Errorf("%d rows of the table checked", checked)
	}
}

// The field guide's targets (step 7): 12.3 to 15.2 K, 10.8 to 12.0, 8.0 to 9.1
// at 24 C and 35, 50, 65 %; 8.8 to 9.8 at 27 C and 60 %.
func TestTargetSplitAgainstTheFieldGuide(t *testing.T) {
	for _, c := range []struct{ tempC, rh, low, high float64 }{{24, 0.35, 12.3, 15.2}, {24, 0.5, 10.8, 12}, {24, 0.65, 8, 9.1}, {27, 0.6, 8.8, 9.8}} {
		w := moisture(c.tempC, c.rh, 101325)
		if low, high := splitAt(c.tempC, w, 101325, 12500), splitAt(c.tempC, w, 101325, 15500); math.Abs(low-c.low) > 0.15 || math.Abs(high-c.high) > 0.15 {
			t.Errorf("%g C, %g: %.2f to %.2f K, want %g to %g", c.tempC, c.rh, low, high, c.low, c.high)
		}
	}
}

// What the sensors show at the end of a plain walk is the split that is said
// to be true, within their errors.
func TestWalkShowsItsSplits(t *testing.T) {
	checked := 0
	for _, step := range []string{"cooling-check", "heating-check"} {
		for seed := range uint64(60) {
			r := rand.New(rand.NewPCG(seed, 11))
			w := newWalking(r, step)
			if w.how != "own" || w.outC > 28 || w.defrostEvery > 0 {
				continue
			}
			w.ask()
			w.run(2700)
			last := map[string]float64{}
			for _, row := range w.rows {
				if row.Kind == "reading" {
					last[row.Name], _ = strconv.ParseFloat(row.Value, 64)
				}
			}
			for i, x := range w.rooms {
				if x.modulates > 0 || x.silentFrom > 0 {
					continue
				}
				checked++
				want := x.overK
				if step == "cooling-check" && x.overK > -1.7 && x.class == "good" {
					want += targetSplit(x.tempC, x.kgKg, w.pa)
				} else if step == "cooling-check" {
					continue
				}
				got := last[unitName(i)+"-supply"] - last[unitName(i)+"-return"]
				if step == "cooling-check" {
					got = -got
				}
				if off := math.Abs(got - want); off > w.errorK+6*w.noiseK+0.5 {
					t.Errorf("%s, seed %d, %s: %.2f K shown, %.2f true", step, seed, unitName(i), got, want)
				}
				if row := w.site(); !strings.Contains(row, unitName(i)+"-supply") {
					t.Errorf("%s is not in the site file", unitName(i))
				}
			}
		}
	}
	if checked < 60 {
		t.Errorf("%d units checked", checked)
	}
}
