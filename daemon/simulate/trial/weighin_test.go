package trial_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// Mass is conserved: where one cylinder stands on the scale all the while and
// nothing is wrong with the scale, what it shows less at the end is what is
// said to have gone in, within two display digits and the wind.
func TestWeighInMassIsConserved(t *testing.T) {
	checked := 0
	for seed := range uint64(300) {
		one := of(t, "weigh-in").Of(seed)
		for _, clean := range []string{"swaps", "zeroed", "platform_kg"} {
			if v, _ := one.Number(clean); v != 0 {
				one.Rows = nil
			}
		}
		if one.Word("rezeroed") == "yes" || one.Word("hose_laid_on") == "yes" || one.Word("ended_unseen") == "yes" || len(one.Rows) == 0 {
			continue
		}
		checked++
		charged, _ := one.Number("charged_kg")
		digit, _ := one.Number("digit_kg")
		wind, _ := one.Number("wind_kg")
		var shown []float64
		unit := 1.0
		if strings.Contains(one.Site, "unit: lb") {
			unit = 0.45359237
		}
		for _, r := range one.Rows {
			if r.Kind == "reading" {
				v, err := strconv.ParseFloat(r.Value, 64)
				if err != nil {
					t.Fatal(err)
				}
				shown = append(shown, v*unit)
			}
		}
		left := shown[0] - shown[len(shown)-1]
		if off := math.Abs(left - charged); off > 2*digit+5*wind {
			t.Errorf("seed %d: the scale shows %.3f kg less, %.3f kg are said to have gone in", seed, left, charged)
		}
	}
	if checked < 15 {
		t.Errorf("only %d of 300 trials are plain enough to check", checked)
	}
}

// The facts agree with each other: who passed the target arrived first, and
// what went in unseen is part of what went in.
func TestWeighInFactsAgree(t *testing.T) {
	arrived, over, zeroed := 0, 0, 0
	for seed := range uint64(200) {
		one := of(t, "weigh-in").Of(seed)
		charged, _ := one.Number("charged_kg")
		target, _ := one.Number("target_kg")
		digit, _ := one.Number("digit_kg")
		at, arrives := one.Number("arrival_s")
		past, passes := one.Number("over_s")
		if arrives != (charged >= target) || passes != (charged > target+digit) || passes && past < at {
			t.Errorf("seed %d: %.4f of %.4f kg, arrival %v %v, over %v %v", seed, charged, target, at, arrives, past, passes)
		}
		unseen, _ := one.Number("unweighed_kg")
		if unseen < 0 || unseen > charged || (one.Word("rezeroed") == "no") != (unseen == 0) && unseen != 0 {
			t.Errorf("seed %d: %.3f kg unseen of %.3f", seed, unseen, charged)
		}
		arrived, over, zeroed = arrived+count(arrives), over+count(passes), zeroed+count(one.Word("rezeroed") == "yes")
	}
	if arrived < 70 || over < 40 || zeroed < 10 {
		t.Errorf("of 200 trials %d arrive, %d pass the target, %d come back zeroed: too few to judge by", arrived, over, zeroed)
	}
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}
