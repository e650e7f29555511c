package trial

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// The trials' superheat and subcooling against an own evaluation of the
// published equations (testdata/reference/superheat_subcooling.csv), within
// the 0.1 K that is asked of the judge.
func TestSaturationOfTheTrials(t *testing.T) {
	f, err := os.Open("../../../testdata/reference/superheat_subcooling.csv")
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
	for _, row := range rows[1:] {
		name := strings.Replace(row[0], "R", "R-", 1)
		gas := fluidNamed(name)
		var v [7]float64 // p_atm, p_suc_gauge, t_suc, superheat, p_liq_gauge, t_liq, subcooling
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		if len(gas.tempC) != 22 {
			t.Fatalf("%s: %d rows of saturation", name, len(gas.tempC))
		}
		superheat := v[2] - gas.temperature(gas.dewP, 1000*(v[0]+v[1]))
		subcooling := gas.temperature(gas.bub, 1000*(v[0]+v[4])) - v[5]
		if math.Abs(superheat-v[3]) > 0.03 || math.Abs(subcooling-v[6]) > 0.03 {
			t.Errorf("%v: superheat %.3f K, subcooling %.3f K", row, superheat, subcooling)
		}
	}
	if len(rows) < 10 {
		t.Errorf("%d rows", len(rows))
	}
}
