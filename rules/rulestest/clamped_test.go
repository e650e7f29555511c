package rulestest_test

import (
	"fmt"
	"strings"
	"testing"

	"standwatch/rules"
	"standwatch/rules/rulestest"
)

// One clamp stands for 10 of 40 l, on a roof that warms by 12 K; the other 30 l
// are indoors and stay as they are. The gas warms by 3 K then, by 1/T = sum(V/T)/sum(V),
// which is 44 kPa at the field guide's 14.54 kPa/K, not by 12 K: nothing leaks.
// Were there no more than the clamp's 10 l, that would be a leak.
func TestPipesWithoutAClampAreNoLeak(t *testing.T) {
	for _, c := range []struct {
		pipeM3 float64
		leak   bool
	}{{0.040, false}, {0.020, false}, {0.010, true}} {
		part := 0.010 / c.pipeM3
		if c.leak {
			part = 0.25
		}
		const rows = "0s,begin,pressure-test,,,\n* roof 0s..6h1m every 60s line 14..26 C\n* test 0s..6h1m every 60s line 551..%.3f psi\n"
		s, err := rulestest.Parse("rules pressure-test\npoint test pressure role=test-pressure unit=psi every=60s\n" +
			"point roof temperature role=pipe-air unit=C every=60s volume=\"10 l\"\nstep pressure-test target=\"550 psi\" lasts=6h\n-- happened\n" +
			fmt.Sprintf(rows, 551+part*12*14.54/6.894757) + "-- found\n")
		if err != nil {
			t.Fatal(err)
		}
		s.Site.Systems[0].PipeM3 = c.pipeM3
		result, texts := "", []string{}
		for _, f := range s.Run() {
			if f.Edge == rules.Given {
				result = f.Result
			}
			texts = append(texts, f.Text)
		}
		if failed := result == rules.NotPassed; failed != c.leak || result == "" {
			t.Errorf("%.0f l, of which the clamp stands for 10: %s\n%s", c.pipeM3*1000, result, strings.Join(texts, "\n"))
		}
	}
}
