package rulestest_test

import (
	"math"
	"os"
	"testing"

	"standwatch/rules"
	"standwatch/rules/rulestest"
)

// The field guide's worked example 9: 6 micron a minute in 120 L is
// 1.6e-3 Pa m3/s. Without a take-off nothing is said of the leak.
func TestLeakRateWhereTheVolumeIsKnown(t *testing.T) {
	text, err := os.ReadFile("../../testdata/rules/vacuum-rising/bad.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, pipeM3 := range []float64{0, 0.120} {
		s, err := rulestest.Parse(string(text))
		if err != nil {
			t.Fatal(err)
		}
		s.Site.Systems[0].PipeM3 = pipeM3
		var leak, rise float64
		for _, f := range rulestest.Feed(rules.NewEngine(s.Site, s.Rules), s.Entries()) {
			if f.Edge != rules.Given {
				continue
			}
			for _, v := range f.Values {
				switch v.Key {
				case "leak_pa_m3_per_s":
					leak = v.Number
				case "rise_pa_per_s":
					rise = v.Number
				}
			}
		}
		if pipeM3 == 0 && leak != 0 {
			t.Errorf("without a volume the leak is told as %g", leak)
		}
		if pipeM3 > 0 && (math.Abs(leak/1.6e-3-1) > 0.05 || math.Abs(leak/(pipeM3*rise)-1) > 1e-4) {
			t.Errorf("the leak is %g Pa m3/s at a rise of %g Pa/s, want 1.6e-3 within the gauge's noise", leak, rise)
		}
	}
}
