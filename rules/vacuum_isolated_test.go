package rules

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// toldHold is all verdicts of a drawn hold.
func toldHold(seed uint64, noise float64, told map[float64]string, pa func(s float64) float64) (given []Finding) {
	for _, f := range allOfHold(seed, noise, told, pa) {
		if f.Edge == Given && f.Step == "vacuum-hold" {
			given = append(given, f)
		}
	}
	return given
}

// allOfHold is what is found in a hold of drawn readings, each 20 s, with what was told
// before and in it (seconds from the begin, and the mark).
func allOfHold(seed uint64, noise float64, told map[float64]string, pa func(s float64) float64) (all []Finding) {
	r := rand.New(rand.NewPCG(seed, 21))
	e := feed{Engine: NewEngine(holdSite, []Rule{VacuumRising})}
	const begin = 900.0
	e.next(1, 0, &Started{})
	for s := -begin + 20; s < 3900; s += 20 {
		for _, at := range slices.Sorted(func(yield func(float64) bool) {
			for at := range told {
				if at >= s-20 && at < s && !yield(at) {
					return
				}
			}
		}) {
			kind, name, _ := strings.Cut(told[at], " ")
			all = append(all, e.next(1, begin+at, &Told{Kind: kind, Name: name})...)
		}
		if s == 0 {
			e.next(1, begin, &Told{Kind: "begin", Name: "vacuum-hold"})
		}
		all = append(all, e.read(1, begin+s+1, "gauge", pa(s)*(1+float64(noise*r.NormFloat64()))*micronPa)...)
	}
	return all
}

// A puddle that dries up or freezes behind a shut valve falls far, as walls and oil take
// its vapour in; a pump that still draws looks the same. Who said before the begin that it
// is valved off said it of this hold, unless that was long ago, or of an evacuation before
// the one that followed, or the pump was said to run since. Curves invented.
func TestWhatFallsBehindAValveSaidToBeShut(t *testing.T) {
	for seed, c := range []struct{ noise, rise, dries, tau, to float64 }{
		{0.005, 150, 900, 600, 210}, {0.01, 60, 1500, 900, 180}, {0.02, 20, 600, 1200, 150}, {0.03, 0, 0, 900, 170},
	} {
		pa := func(s float64) float64 {
			top := 290 - float64(c.rise*math.Expm1(-max(0, min(s, c.dries))/400))
			return c.to + float64((top-c.to)*math.Exp(-max(0, s-c.dries)/c.tau))
		}
		for _, x := range []struct {
			told   map[float64]string
			result string
		}{
			{map[float64]string{-3: "mark isolated"}, Passed},
			{map[float64]string{-240: "mark isolated"}, Passed},
			{map[float64]string{-240: "mark pump-started", -120: "mark isolated"}, Passed},
			{map[float64]string{20: "mark isolated"}, Passed},
			{nil, NotProven},
			{map[float64]string{-400: "mark isolated"}, NotProven},
			{map[float64]string{-120: "mark isolated", -60: "mark pump-started"}, NotProven},
			{map[float64]string{-200: "mark isolated", -100: "begin evacuation", -1: "end evacuation"}, NotProven},
			{map[float64]string{-3: "mark isolated", 1200: "mark pump-started"}, NotProven},
		} {
			given := toldHold(uint64(seed), c.noise, x.told, pa)
			if len(given) != 1 || given[0].Result != x.result || valueOf(given[0], "elapsed_s") < 3600 {
				t.Errorf("%+v, told %v: %s is right, said: %v", c, x.told, x.result, given)
			} else if x.result == Passed && !strings.Contains(given[0].Text, "behind the shut valve") {
				t.Errorf("%+v, told %v: nothing of the fall: %s", c, x.told, given[0].Text)
			}
		}
	}
}

// Who says again that the pump is valved off tells nothing new of a level that rises; of one
// that fell back the valve may have been open meanwhile, and the hour counts from there.
func TestValvedOffAgainAfterAFall(t *testing.T) {
	for seed := range uint64(4) {
		noise := 0.005 * float64(seed+1)
		told := map[float64]string{-3: "mark isolated", 1501: "mark isolated"}
		again := toldHold(seed, noise, told, func(s float64) float64 { return 200 + s/60 })
		if len(again) == 0 || again[0].Result != Passed || valueOf(again[0], "elapsed_s") > 3700 {
			t.Errorf("noise %g, it rises: %v", noise, again)
		}
		opened := toldHold(seed, noise, told, func(s float64) float64 {
			if s > 600 && s < 1500 {
				return 150 + float64(200*math.Exp(-(s-600)/120))
			}
			return 150 + float64(200*-math.Expm1(-max(0, s-float64(1500*math.Floor(s/1500)))/400))
		})
		for _, f := range opened {
			if f.Result == Passed {
				t.Errorf("noise %g: it passed, and the valve was open for a while: %v", noise, opened)
			}
		}
	}
}

// A hold that has failed stays failed where it is begun again before anybody ended it, though
// its cause is named only then.
func TestBegunAgainAfterItFailed(t *testing.T) {
	named := 0
	for seed := range uint64(8) {
		const again = 2001.0
		given := toldHold(seed, 0.01, map[float64]string{again: "begin vacuum-hold"}, func(s float64) float64 {
			if s > again {
				return 250
			}
			return 490 + s/60
		})
		for _, f := range given {
			if f.At.Since != asTime(900+again) {
				continue
			}
			if named++; given[0].Result == NotPassed && f.Result != NotPassed {
				t.Errorf("seed %d: %v", seed, given)
			}
		}
	}
	if named < 2 {
		t.Errorf("%d verdicts at a second begin: the test tries nothing", named)
	}
}

// What was ended half a minute too early was not ended after its whole time.
func TestEndedJustBeforeItsTime(t *testing.T) {
	for _, text := range []string{holdEnded(59*time.Minute+40*time.Second, time.Hour, ""), holdEnded(23*time.Hour+59*time.Minute+50*time.Second, 24*time.Hour, "")} {
		if !strings.Contains(text, "59 of 60 min") && !strings.Contains(text, "23 h 59 min of 24 h") {
			t.Error(text)
		}
	}
}
