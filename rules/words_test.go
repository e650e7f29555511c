package rules

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
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
		for _, got := range []string{chargeOver(c), chargeStands("weigh-in", c, 0.25/60, -1, 0, true)} {
			within := strings.Contains(got, "Still within 0.14 kg")
			if within == recovers || !strings.Contains(got, "lose the cylinder valve") {
				t.Errorf("%g kg over: %s", over, got)
			}
		}
	}
}

// Who has shut the valve is not told to shut it, and a charge that went back to
// its target is not over by nothing.
func TestACallForTooMuchStandsByWhatFlows(t *testing.T) {
	for _, x := range []struct {
		over, kgPerS float64
		want, never  string
	}{
		{0.09, 0.25 / 60, "0.09 kg over: close the cylinder valve now.", "leave"},
		{0.09, 0, "0.09 kg over, and nothing flows now: leave the cylinder valve closed.", "valve now"},
		{0.35, 0, "0.35 kg too much, and nothing flows now: leave the cylinder valve closed. What is too much comes out again, by weight.", "valve now"},
		{0.003, 0, "At its target, and nothing flows now: leave the cylinder valve closed.", "0.00 kg"},
		{-0.02, 0.25 / 60, "At its target: close the cylinder valve now.", "over"},
	} {
		got := chargeStands("weigh-in", charge{bestKg: 14.2 + x.over, targetKg: 14.2, aimed: true}, x.kgPerS, -1, 0, true)
		if !strings.Contains(got, x.want) || strings.Contains(got, x.never) {
			t.Errorf("%g kg over at %g kg/s: %s", x.over, x.kgPerS, got)
		}
	}
}

// At a scale that speaks pounds every sentence of a charge has its first figures in
// pounds and ounces, so that who stands there can compare; 8.91 kg is 19 lb 10.29 oz.
func TestAtAScaleInPoundsEverySentenceSpeaksThem(t *testing.T) {
	c := charge{bestKg: 8.91, lowKg: 8.5, highKg: 9, targetKg: 14.2, aimed: true, lb: true}
	over := c
	over.bestKg = 14.55
	limit := Setting{Value: 0.5 / 60}
	for _, got := range []string{
		chargeNear(c, 117*time.Second, true, Tell), chargeOver(over), chargeBack(c), chargeBeyond(over), scaleIsSilent(time.Minute, "", c),
		scaleIsSilentAtTheEnd(time.Minute, c), scaleIsSilentAfterTheEnd(time.Minute, c), scaleSpeaks(c), chargeStands("weigh-in", c, 0.004, time.Minute, 0, false), chargeStands("draw-in", over, 0, -1, 0, true),
		chargeNotHeard("weigh-in", c), flowStopped(c), flowsAgain(c, 0.004), cylinderLow(c, 0.5, 11.3), cylinderFull(c, 9), chargeInDoubt(c), chargeCertain(c),
		chargingFast(c, 0.02, limit, "weigh-in"), chargingSlower(c, 0.004, limit), chargeUncertain(c, doubt{why: EndedShift, kg: 0.3, fromKg: 30, toKg: 31}),
		weighed("weigh-in", Passed, "none", c, 0.14, siteFile), weighed("weigh-in", NotPassed, "over", over, 0.14, siteFile), weighed("weigh-in", NotPassed, "short", c, 0.14, siteFile),
		weighed("draw-in", Passed, "none", c, 0.14, siteFile), weighed("weigh-in", NotProven, "gap", c, 0.14, siteFile), scaleQuietAtEnd("weigh-in", time.Minute, c), targetLine(c, Setting{Value: 14.2}),
	} {
		kg, lb := strings.Index(got, " kg"), strings.Index(got, " lb")
		if oz := strings.Index(got, " oz"); lb < 0 || oz >= 0 && oz < lb {
			lb = oz
		}
		if lb < 0 || kg >= 0 && kg < lb {
			t.Errorf("kilograms first: %s", got)
		}
	}
	if got, want := scaleIsSilent(time.Minute, "", c), "Scale silent for 60 s at 19 lb 10 oz of 31 lb 5 oz."; !strings.HasPrefix(got, want) {
		t.Errorf("%s, want %s", got, want)
	}
	if l := beginLedger(Start{Points: []sensors.Point{{Name: "scale", Role: "charging-scale", Unit: "lb"}}}); !l.charge(Setting{}, false).lb {
		t.Error("a scale that the site file gives in lb is said in kilograms")
	}
}

// A point of an indoor unit is called by its room, with its name to find it by.
func TestAPointIsCalledByItsRoom(t *testing.T) {
	units := []Unit{{Name: "iu01", Room: "Reading room", Supply: "s1", Return: "r1"}, {Name: "iu02", Supply: "s2"}}
	for point, want := range map[string]string{"s1": "Supply air of Reading room (s1)", "r1": "Return air of Reading room (r1)", "s2": "s2", "gauge": "gauge", "": ""} {
		if got := called(point, units); got != want {
			t.Errorf("%s: %q, want %q", point, got, want)
		}
	}
	site := Site{Systems: []System{{Units: units}}, Points: []sensors.Point{{Name: "s1", Quantity: sensors.Temperature, Every: time.Second, SilentAfter: 10 * time.Second}}}
	e := NewEngine(site, All())
	e.Next(Entry{Seq: 1, At: Instant{Boot: 1}, Body: &Started{}})
	found := e.Next(Entry{Seq: 2, At: Instant{Boot: 1, Since: 20 * time.Second}, Body: &Due{}})
	if len(found) != 1 || !strings.HasPrefix(found[0].Text, "Supply air of Reading room (s1) silent for") || found[0].Subject != "s1" {
		t.Errorf("%+v", found)
	}
}

// A time that is over is not counted as seven of six minutes.
func TestATimeThatIsOverIsSaidToBe(t *testing.T) {
	for _, x := range []struct {
		elapsed, lasts time.Duration
		want           string
	}{
		{5 * time.Minute, 6 * time.Minute, "5 of 6 min"}, {6 * time.Minute, 6 * time.Minute, "6 of 6 min"}, {6*time.Minute + 40*time.Second, 6 * time.Minute, "6 of 6 min"},
		{7*time.Minute + 10*time.Second, 6 * time.Minute, "7 min, past its 6 min"}, {25 * time.Hour, 24 * time.Hour, "25 h, past its 24 h"},
	} {
		if got := ofSpan(x.elapsed, x.lasts); got != x.want {
			t.Errorf("%s of %s: %q, want %q", x.elapsed, x.lasts, got, x.want)
		}
	}
}

// A predicted time is no count of seconds.
func TestWhatIsPredictedIsSaidRoughly(t *testing.T) {
	for d, want := range map[time.Duration]string{
		4 * time.Second: "10 s", 36 * time.Second: "30 s", 89 * time.Second: "80 s", 100 * time.Second: "2 min", 117 * time.Second: "2 min", 17*time.Minute + 29*time.Second: "17 min",
	} {
		if got := roughly(d); got != want {
			t.Errorf("%s: %q, want %q", d, got, want)
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
