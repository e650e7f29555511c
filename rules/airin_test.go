package rules

import (
	"math"
	"strings"
	"testing"

	"standwatch/rules/physics"
)

// Much water in warm pipes passes the limit as fast as air that is let in, and then levels off at
// its vapour pressure (IAPWS, water_test.go in physics): that is no leak, once it is seen. What a valve
// let in that was shut again lies level at once, and is air.
func TestMuchWaterIsNoAir(t *testing.T) {
	for seed, x := range []struct{ pipeC, tauS, noise float64 }{{10, 350, 0.02}, {20, 600, 0.01}, {20, 900, 0.03}, {26, 400, 0.02}, {14, 450, 0.005}} {
		full := physics.WaterPressurePa(x.pipeC) / micronPa
		given := toldHold(uint64(seed), x.noise, nil, func(s float64) float64 {
			return 250 - float64((full-250)*math.Expm1(-max(0, s)/x.tauS))
		})
		if n := len(given); n == 0 || given[n-1].Cause != "moisture" || given[n-1].Result != NotPassed {
			t.Errorf("water %+v: %v", x, given)
		} else if !strings.Contains(given[0].Text, "Air comes in") {
			t.Errorf("water %+v: the test needs air to be said first: %s", x, given[0].Text)
		}
	}
	for seed, x := range []struct{ at, forS, pa float64 }{{200, 10, 8000}, {400, 60, 15000}, {1500, 30, 3000}, {900, 50, 11000}, {2500, 5, 6000}} {
		for _, noise := range []float64{0.005, 0.02, 0.03} {
			given := toldHold(uint64(10+seed), noise, nil, func(s float64) float64 {
				return 200 + float64(x.pa*min(max(0, (s-x.at)/x.forS), 1))
			})
			for _, f := range given {
				if f.Cause != "leak" {
					t.Errorf("a valve opened and shut %+v, noise %g: %s: %s", x, noise, f.Cause, f.Text)
				}
			}
		}
	}
}
