package rules

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestSpansAreSaidAsPeopleSayThem(t *testing.T) {
	for d, want := range map[time.Duration]string{
		45 * time.Second: "45 s", 119 * time.Second: "119 s", 2 * time.Minute: "2 min", 59*time.Minute + 29*time.Second: "59 min",
		59*time.Minute + 30*time.Second: "1 h", time.Hour: "1 h", 70 * time.Minute: "1 h 10 min", 26 * time.Hour: "26 h",
	} {
		if got := span(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
	// What has gone is rounded down, for what is left is rounded up beside it.
	for _, c := range []struct {
		gone, of time.Duration
		want     string
	}{
		{23*time.Minute + 50*time.Second, time.Hour, "23 of 60 min"},
		{29*time.Minute + 50*time.Second, 90 * time.Minute, "29 min of 1 h 30 min"},
		{3 * time.Hour, 24 * time.Hour, "3 h of 24 h"},
	} {
		if got := ofSpan(c.gone, c.of); got != c.want {
			t.Errorf("%v of %v: %q, want %q", c.gone, c.of, got, c.want)
		}
	}
}

func TestAClearedFlagSaysWhatStands(t *testing.T) {
	if got := stepEnded("vacuum-rising", "vacuum-hold", NotPassed); !strings.Contains(got, "vacuum rising; its verdict stands: failed") {
		t.Error(got)
	}
	if got := stepEnded("scale-silent", "weigh-in", ""); strings.Contains(got, "verdict") || strings.Contains(got, "scale-silent") {
		t.Error(got)
	}
}

func TestNothingJudgedIsNotNothingGood(t *testing.T) {
	w := checkWords{step: "cooling-check", elapsed: 20 * time.Minute, settle: 15 * time.Minute, units: 12}
	if got := checkStands(w); !strings.Contains(got, "None of 12 units judged yet") || strings.Contains(got, "0 of") {
		t.Error(got)
	}
	w.good = 1
	if got := checkStands(w); !strings.Contains(got, "1 of 12 units good") {
		t.Error(got)
	}
}

func TestASteadyVacuumIsNotCalledRising(t *testing.T) {
	limit := Setting{Value: 500 * micronPa}
	for perMin, rises := range map[float64]bool{-6: false, -0.01: false, 0.2: false, 0.4: true} {
		got := vacuumPassed(600*micronPa, limit, perMin*micronPa/60, "unknown", 0)
		if strings.Contains(got, "rising") != rises {
			t.Errorf("%g micron a minute: %s", perMin, got)
		}
	}
}

// What is over by less than what still passes is no case for recovery; what
// is over by more is (tolerance: 1 % or 0.1 kg, common practice).
func TestOverWithinTheToleranceAsksForTheValveOnly(t *testing.T) {
	for over, recovers := range map[float64]bool{0.03: false, 0.14: false, 0.15: true} {
		c := charge{bestKg: 14.2 + over, targetKg: 14.2, aimed: true}
		for _, got := range []string{chargeOver(c), chargeStands("weigh-in", c, 0, -1, 0, true)} {
			within := strings.Contains(got, "Still within 0.14 kg")
			if within == recovers || !strings.Contains(got, "lose the cylinder valve") {
				t.Errorf("%g kg over: %s", over, got)
			}
		}
	}
}

func TestFiguresAreSaidWithoutExponents(t *testing.T) {
	for x, want := range map[float64]string{0.00094: "0.00094", 8.4: "8.4", 77: "77", 99.7: "100", 223: "220", 1949: "1900", 995: "1000"} {
		if got := twoDigits(x); got != want {
			t.Errorf("%g: %q, want %q", x, got, want)
		}
	}
}

// A person is told why an instrument gives no value in words: what the page has
// a word for, a finding has one for too.
func TestEveryReasonThatAnInstrumentFailsForHasItsWords(t *testing.T) {
	page, err := os.ReadFile("../daemon/web/words/en.yaml")
	if err != nil {
		t.Fatal(err)
	}
	usable := []string{"battery-low", "retained", "redelivered", "queued", "time-off", "in-motion"} // suspect, with a value
	seen := 0
	for _, line := range strings.Split(string(page), "\n") {
		rest, ok := strings.CutPrefix(line, "reason.")
		if !ok {
			continue
		}
		reason, _, _ := strings.Cut(rest, ":")
		seen++
		if why := whyNoValue(reason); !slices.Contains(usable, reason) && (why == reason || !strings.Contains(why, "("+reason+")")) {
			t.Errorf("%s: no words in rules/words.go", reason)
		}
	}
	if seen < 20 {
		t.Errorf("%d reasons found on the page", seen)
	}
}

// A cause that is less likely than not is not said as one that is known.
func TestALeakThatIsNotRuledOutIsNoLeak(t *testing.T) {
	for _, c := range []struct {
		cause string
		sure  float64
		want  string
	}{
		{"leak", 0.48, "It rises as a leak may (48 % sure)."},
		{"leak", 0.62, "It rises in a straight line, as a leak does (62 % sure)."},
		{"moisture", 0.62, "It rises towards a plateau, as moisture does (62 % sure)."},
	} {
		if got := causeSaid(c.cause, c.sure); got != c.want {
			t.Errorf("%s at %g: %q, want %q", c.cause, c.sure, got, c.want)
		}
	}
}
