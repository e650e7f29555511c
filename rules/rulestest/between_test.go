package rulestest_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"standwatch/rules"
	"standwatch/rules/rulestest"
)

// weighIn runs rows of a script for a scale of 2 s and returns the last
// verdict's values with its result.
func weighIn(t *testing.T, every, rows string) (map[string]float64, string) {
	t.Helper()
	s, err := rulestest.Parse("rules charge-target\npoint scale mass role=charging-scale unit=kg every=" + every +
		" silent_after=10s\nstep weigh-in target=\"30 kg\"\n-- happened\n" + rows + "\n-- found\n")
	if err != nil {
		t.Fatal(err)
	}
	values, result := map[string]float64{}, ""
	for _, f := range s.Run() {
		if f.Edge == rules.Given {
			clear(values)
			result = f.Result
			for _, v := range f.Values {
				values[v.Key] = v.Number
			}
		}
	}
	return values, result
}

// What flows between two weighing steps is the difference of the cylinder's
// weight (the contract: one ledger runs over draw-in and weigh-in), whether it
// was read meanwhile or not, whatever the rate and the scale.
func TestChargeBetweenTwoStepsIsKept(t *testing.T) {
	for _, rate := range []float64{0.05, 0.25, 0.613} { // kg/min; on no display digit
		for _, every := range []string{"1s", "2s", "5s"} {
			for _, first := range []string{"draw-in", "weigh-in"} {
				for _, between := range []string{"read", "unread", "cut", "cut unproven"} {
					at := func(min float64) float64 { return 40 - rate*min }
					// It flows from the first minute to the 20th; the steps are ended at 8 and begun at 11.
					rows := []string{"0s,begin," + first + ",,,", "8m,end," + first + ",,,", "11m,begin,weigh-in,,,", "24m,end,weigh-in,,,",
						fmt.Sprintf("* scale 0s..58s every %s line 40..40 kg", every),
						fmt.Sprintf("* scale 1m..8m every %s line 40..%.4f kg", every, at(7)),
						fmt.Sprintf("* scale 11m..20m every %s line %.4f..%.4f kg", every, at(10), at(19)),
						fmt.Sprintf("* scale 20m2s..24m every %s line %.4f..%.4f kg", every, at(19), at(19))}
					switch between {
					case "read":
						rows = append(rows, fmt.Sprintf("* scale 8m2s..10m58s every %s line %.4f..%.4f kg", every, at(7+2./60), at(10-2./60)))
					case "cut":
						rows = append(rows, "10m50s,mark,power-cut,,,")
					case "cut unproven":
						rows = append(rows, "10m50s,mark,power-cut,,,unproven")
					}
					v, _ := weighIn(t, every, strings.Join(rows, "\n"))
					want := rate * 19
					if math.Abs(v["charged_kg"]-want) > 0.01 || v["charged_high_kg"] < want-0.01 || v["charged_low_kg"] < want-0.02 {
						t.Errorf("%g kg/min, every %s, after %s, %s: %v, went in %.3f kg", rate, every, first, between, v, want)
					}
				}
			}
		}
	}
}

// Where the valve was shut at the end of the step, a lower weight at the next
// begin is doubtful, and another cylinder is not charge.
func TestWeightThatChangedBetweenTwoSteps(t *testing.T) {
	run := func(next float64) map[string]float64 {
		v, _ := weighIn(t, "2s", fmt.Sprintf(`0s,begin,draw-in,,,
* scale 0s..58s every 2s line 40..40 kg
* scale 1m..9m every 2s line 40..38 kg
* scale 9m2s..15m every 2s line 38..38 kg
15m,end,draw-in,,,
30m,begin,weigh-in,,,
* scale 30m..31m every 2s line %[1]g..%[1]g kg
* scale 31m2s..39m every 2s line %[1]g..%[2]g kg
* scale 39m2s..44m every 2s line %[2]g..%[2]g kg
44m,end,weigh-in,,,`, next, next-2))
		return v
	}
	for _, c := range []struct{ next, low, best, high float64 }{
		{38, 4, 4, 4},       // the same cylinder
		{38.03, 4, 4, 4},    // give or take what a hose weighs
		{37.4, 4, 4.6, 4.6}, // something went in, or the cylinder was shifted
		{55, 4, 4, 4},       // a full one
		{25, 4, 4, 17},      // another one, most likely
	} {
		v := run(c.next)
		for key, want := range map[string]float64{"charged_low_kg": c.low, "charged_kg": c.best, "charged_high_kg": c.high, "unweighed_kg": c.best - c.low} {
			within := 0.04 // the hose, and what the display's digit leaves in doubt
			if key == "charged_low_kg" || key == "charged_high_kg" {
				within += 0.02 // what a scale creeps by
			}
			if math.Abs(v[key]-want) > within {
				t.Errorf("38 kg, and %g kg at the next begin: %s %.3f, want %g", c.next, key, v[key], want)
			}
		}
	}
}

// A cylinder lifted off while it flows has given what it weighed less at the
// last reading: nothing is lost to the median of the last few.
func TestSegmentClosedDuringFlow(t *testing.T) {
	for _, rate := range []float64{0.1, 0.25, 1} { // kg/min
		for _, every := range []float64{1, 2, 5} { // s
			v, _ := weighIn(t, fmt.Sprintf("%gs", every), fmt.Sprintf(`0s,begin,weigh-in,,,
* scale 0s..2m every %[1]gs line 40..40 kg
* scale 2m%[1]gs..10m every %[1]gs line %.6[2]f..%.6[3]f kg
10m%[1]gs,mark,cylinder-swapped,,,
* scale 10m%[1]gs..11m every %[1]gs line 0..0 kg
* scale 11m%[1]gs..14m every %[1]gs line 50..50 kg
14m,end,weigh-in,,,`, every, 40-rate*every/60, 40-rate*8))
			if want := rate * 8; math.Abs(v["charged_kg"]-want) > 0.003 {
				t.Errorf("%g kg/min, every %g s: charged %.4f kg, went in %.4f", rate, every, v["charged_kg"], want)
			}
		}
	}
}

// The call at 0.2 kg comes at 0.2 kg (the contract), not a few readings later.
func TestNearTargetByMassComesInTime(t *testing.T) {
	for _, rate := range []float64{0.25, 0.5, 1} { // kg/min
		s, err := rulestest.Parse(fmt.Sprintf("rules charge-target\npoint scale mass role=charging-scale unit=kg every=2s silent_after=10s\n"+
			"step weigh-in target=\"4 kg\" lead=5s\n-- happened\n0s,begin,weigh-in,,,\n* scale 0s..58s every 2s line 40..40 kg\n"+
			"* scale 1m..%.0fs every 2s line 40..36 kg\n-- found\n", 60+240/rate))
		if err != nil {
			t.Fatal(err)
		}
		fs := s.Run()
		i := slices.IndexFunc(fs, func(f rules.Finding) bool { return f.Flag == "charge-near-target" })
		if i < 0 {
			t.Fatalf("%g kg/min: nobody was told", rate)
		}
		for _, v := range fs[i].Values {
			if v.Key == "remaining_kg" && (v.Number < 0.2-rate*2.1/60 || v.Number > 0.2+rate*4/60) {
				t.Errorf("%g kg/min: told with %g kg to go", rate, v.Number)
			}
		}
	}
}
