package main

import (
	"fmt"
	"io"
	"math"

	"standwatch/rules"
)

// trialRunScore scores the trial run.
type trialRunScore struct {
	figures, right, passes, fails, cause share
	within, hunting, hot                 share
	missing, absolute, code, short       share
	falseOff                             share
	off                                  spread
	said                                 confusion
}

func newTrialRunScore() score {
	return &trialRunScore{
		figures:  share{name: "superheat, subcooling: off by 0.1 K and the wandering of the run at most", asked: 0.98},
		off:      spread{name: "  off by", unit: "K"},
		right:    share{name: "rightly passed or failed, over 0.3 K and the sensors' errors from a limit", asked: 0.98},
		passes:   share{name: "  of these: within all limits, passed"},
		fails:    share{name: "  of these: outside one, failed"},
		hot:      share{name: "  of these: the discharge too hot, failed"},
		cause:    share{name: "pattern named rightly, both clearly in their part of the table"},
		falseOff: share{name: "within all limits by that: superheat-off or subcooling-off raised", asked: 0.02, atMost: true},
		within:   share{name: "nearer to a limit: passed or failed at all"},
		hunting:  share{name: "a valve that hunts by 5 K and more all the while: not passed"},
		missing:  share{name: "an instrument is missing: not passed", asked: 1},
		absolute: share{name: "gauges that show absolute pressure: neither passed nor failed"},
		code:     share{name: "a fault code entered: failed"},
		short:    share{name: "ended early: not passed", asked: 1},
		said:     confusion{name: "verdict, outside the bands"},
	}
}

// part is where a figure lies: -1 under its range, 1 over it, 0 within, and
// whether farther from a limit than the band.
func part(v, low, high, band float64) (side int, clear bool) {
	switch {
	case v < low:
		side = -1
	case v > high:
		side = 1
	}
	return side, math.Abs(v-low) > band && math.Abs(v-high) > band
}

func (s *trialRunScore) take(c judged, odd func(string)) {
	v, given := c.verdict("trial-run")
	outcome := "no verdict"
	if given {
		outcome = v.outcome()
	}
	passed, failed := given && v.Result == rules.Passed, given && v.Result == rules.NotPassed
	wrong := func(right bool, what string) {
		if !right {
			odd(fmt.Sprintf("%s; said: %s: %s", what, outcome, v.Text))
		}
	}
	count := func(of *share, right bool, what string) {
		of.count(right)
		wrong(right, what)
	}
	switch {
	case c.truth.Word("without") != "":
		count(&s.missing, given && !passed, "an instrument is missing")
		return
	case c.yes("absolute"):
		count(&s.absolute, !passed && !failed, "absolute pressure")
		return
	case c.yes("fault_code"):
		count(&s.code, failed, "a fault code")
		return
	case c.number("ran_s") < 2700:
		count(&s.short, !passed, "ended early")
		return
	case c.number("hunts_k") > 0:
		count(&s.hunting, !passed, "it hunts")
		return
	}
	s.figured(c, v, wrong)
	hot, clearHot := part(c.number("superheat_k"), 3, 8, c.number("superheat_band_k"))
	cold, clearCold := part(c.number("subcooling_k"), 3, 10, c.number("subcooling_band_k"))
	tooHot := c.number("discharge_c") > 112
	bad := hot != 0 && clearHot || cold != 0 && clearCold || tooHot
	good := hot == 0 && clearHot && cold == 0 && clearCold && !tooHot
	class := c.truth.Word("class")
	switch {
	case good:
		s.passes.count(passed)
		count(&s.right, passed, "within all limits")
		s.falseOff.count(len(c.raised("superheat-off"))+len(c.raised("subcooling-off")) > 0)
		s.said.add("within", outcome)
	case bad:
		s.fails.count(failed)
		if tooHot {
			s.hot.count(failed)
		}
		count(&s.right, failed, "outside a limit")
		s.said.add(class, outcome)
	default:
		s.within.count(passed || failed)
	}
	if named := map[[2]int]string{{1, -1}: "short-of-charge", {-1, 1}: "overcharge", {1, 1}: "restriction"}[[2]int{hot, cold}]; named != "" && clearHot && clearCold && failed {
		count(&s.cause, v.Cause == named, named)
	}
}

// figured scores the figures against what the instruments show.
func (s *trialRunScore) figured(c judged, v said, wrong func(bool, string)) {
	for _, name := range []string{"superheat", "subcooling"} {
		said, ok := v.value(name + "_k")
		if !ok {
			s.figures.count(false)
			wrong(false, name+" is missing")
			continue
		}
		off := math.Abs(said - c.number(name+"_shown_k"))
		s.off.v = append(s.off.v, off)
		right := off <= 0.1+1.5*c.number("noise_k")
		s.figures.count(right)
		wrong(right, fmt.Sprintf("%s %.2f K", name, said))
	}
}

func (s *trialRunScore) write(w io.Writer) {
	s.figures.write(w)
	s.off.write(w)
	for _, one := range []*share{&s.right, &s.passes, &s.fails, &s.hot, &s.cause, &s.falseOff, &s.within, &s.hunting, &s.missing, &s.absolute, &s.code, &s.short} {
		one.write(w)
	}
	s.said.write(w)
}
