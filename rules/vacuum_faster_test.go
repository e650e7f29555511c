package rules

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// Ice of -35 C that lies still and then warms by 10 K an hour, its pressure that
// of IAPWS's equation (physics, water_test.go): straight at first, so that the hold fails
// as by a leak, but what speeds up surely is none. Beside pipes that warm it is
// water; beside pipes that do not, nobody can say more.
func TestALeakThatSpeedsUpIsTakenBack(t *testing.T) {
	site := holdSite
	site.Points = append(append([]sensors.Point(nil), site.Points...), sensors.Point{Name: "pipe", Quantity: sensors.Temperature, Role: "pipe-air", Every: 1e10})
	for _, x := range []struct {
		warm, pipe   float64
		cause, words string
	}{{10, 8, "moisture", "grows warmer"}, {10, 0, "unknown", "faster and faster"}, {0, 8, "leak", "straight line"}} {
		e := feed{Engine: NewEngine(site, []Rule{VacuumRising})}
		e.next(1, 0, &Started{})
		e.next(1, 0, &Told{Kind: "begin", Name: "vacuum-hold"})
		var causes []string
		text := ""
		for s := 1.0; s < 3700; s += 20 {
			e.read(1, s, "pipe", 12+float64(x.pipe*s/3600))
			// Straight by 7 micron a minute, and from 30 min on what ice adds that warms.
			pa := (330 + 7*s/60) * micronPa
			pa += float64(3 * (physics.WaterPressurePa(-35+float64(x.warm*max(0, s-1800)/3600)) - physics.WaterPressurePa(-35)))
			for _, f := range e.read(1, s, "gauge", pa*(1+float64(0.004*math.Sin(s*1.7)))) {
				if f.Edge == Given {
					causes, text = append(causes, f.Cause), f.Text
				}
			}
		}
		if n := len(causes); n == 0 || causes[n-1] != x.cause || !strings.Contains(text, x.words) {
			t.Errorf("%+v: causes %v: %s", x, causes, text)
		} else if x.warm > 0 && causes[0] != "leak" {
			t.Errorf("%+v: the test needs a leak to be said first: %v", x, causes)
		}
	}
}

// Ice that warms by 3 or 6 K an hour no gauge with 1 % of noise tells from a leak (IAPWS's
// vapour pressure, as above): where it is called one, that is not said to be sure.
func TestIceThatWarmsSlowlyIsNoSureLeak(t *testing.T) {
	leaks := 0
	for seed := range uint64(6) {
		warms, noise := []float64{3, 6}[seed%2], []float64{0.005, 0.01, 0.02}[seed/2]
		for _, f := range toldHold(seed, noise, nil, func(s float64) float64 {
			return 2 * physics.WaterPressurePa(-32+float64(warms*max(0, s)/3600)) / micronPa
		}) {
			said := regexp.MustCompile(`as a leak (does|may) \((\d+) % sure`).FindStringSubmatch(f.Text)
			if said == nil {
				continue
			}
			leaks++
			if sure, _ := strconv.Atoi(said[2]); sure > 93 {
				t.Errorf("%g K an hour, noise %g: %s", warms, noise, f.Text)
			}
		}
	}
	if leaks == 0 {
		t.Error("none is called a leak: the test tries nothing")
	}
}
