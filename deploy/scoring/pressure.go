package main

import (
	"fmt"
	"io"
)

// pressureScore scores the nitrogen pressure test.
type pressureScore struct {
	falseFail, falseDay share
	falseTell           share
	passTight           share
	leaks, leaksTold    share
	passLeak            share
	crept, vented, open share
	ventedIn            spread
	seen                spread
	said                confusion
}

func newPressureScore() score {
	return &pressureScore{
		falseFail: share{name: "tight, failed", asked: 0.01, atMost: true},
		falseDay:  share{name: "  of these: over a day whose air moves by 15 K or more", asked: 0.01, atMost: true},
		falseTell: share{name: "tight, and the pressure said to be falling", asked: 0.02, atMost: true},
		passTight: share{name: "tight, with clamps on all parts and no gap, passed"},
		leaks:     share{name: "a leak from the start, 2.5 times what the verdict says it could see: failed", asked: 0.95},
		leaksTold: share{name: "  of these: told before the test was over"},
		passLeak:  share{name: "a leak 2.5 times what the verdict says it could see: passed", asked: 0.01, atMost: true},
		crept:     share{name: "gas added, 2.5 times what the verdict says it could see: not passed", asked: 0.95},
		open:      share{name: "a valve opened to another part, by 2 % or more: not passed", asked: 0.95},
		vented:    share{name: "vented: somebody is called within 2 min, or 3 readings", asked: 0.95},
		ventedIn:  spread{name: "  called after", unit: "s"},
		seen:      spread{name: "smallest leak a verdict says it could see, over the field guide's for such a test", unit: "times"},
		said:      confusion{name: "verdict"},
	}
}

func (s *pressureScore) take(c judged, odd func(string)) {
	v, given := c.verdict("pressure-test")
	kind := c.truth.Word("kind")
	outcome := "no verdict"
	if given {
		outcome = v.outcome()
	}
	falling := c.raised("pressure-falling")
	sees := c.couldSee(v)
	label := kind
	ratio := 0.0
	switch kind {
	case "leak":
		ratio = c.number("leak_pa_m3_per_s") / sees
	case "crept":
		ratio = c.number("creep_pa_m3_per_s") / sees
	}
	if given && sees > 0 && (kind == "leak" || kind == "crept") {
		label = kind + " below what it sees"
		if ratio >= 1 {
			label = kind + " 1 to 2.5 times that"
		}
		if ratio >= 2.5 {
			label = kind + " above 2.5 times that"
		}
	}
	s.said.add(label, outcome)
	switch kind {
	case "tight":
		s.tight(c, v, given, len(falling) > 0, odd)
	case "leak":
		if !given || sees <= 0 || ratio < 2.5 {
			break
		}
		if c.number("gap_s") > 600 || c.yes("power_cut_unproven") {
			break // not-proven is right
		}
		if c.number("event_s") > c.number("last_stage_s")+1 || v.s-c.number("last_stage_s") < c.number("lasts_s")/2 {
			break // it was not there, or not compared, for most of the test
		}
		s.passLeak.count(v.Result == "passed")
		s.leaks.count(v.Result == "failed")
		s.leaksTold.count(len(falling) > 0 && falling[0].s < c.number("begin_s")+c.number("lasts_s"))
		if v.Result != "failed" {
			odd(fmt.Sprintf("a leak of %.1f times what it could see: %s: %s", ratio, outcome, v.Text))
		}
	case "crept":
		if given && sees > 0 && ratio >= 2.5 {
			s.crept.count(v.Result != "passed")
			if v.Result == "passed" {
				odd(fmt.Sprintf("gas added, %.1f times what it could see: %s", ratio, v.Text))
			}
		}
	case "opened":
		if given && v.s < c.number("event_s")+60 {
			break // the verdict stood already
		}
		if c.number("opened_m3") >= 0.02*(c.number("volume_m3")-c.number("opened_m3")) {
			s.open.count(!given || v.Result != "passed")
			if given && v.Result == "passed" {
				odd("a valve was opened: " + v.Text)
			}
		}
	case "vented":
		if gap := c.number("event_s") - c.number("gap_from_s"); c.number("gap_s") > 0 && gap > -120 && gap < c.number("gap_s")+120 {
			break
		}
		s.ventedAt(c, falling, odd)
	}
}

// couldSee is the smallest leak that the verdict says it could have seen.
func (c judged) couldSee(v said) float64 {
	if q, ok := v.value("detectable_pa_m3_per_s"); ok {
		return q
	}
	tolerance, ok := v.value("tolerance_pa") // two standard uncertainties
	elapsed, _ := v.value("elapsed_s")
	if !ok || elapsed <= 0 {
		return 0
	}
	return tolerance * c.number("volume_m3") / elapsed
}

func (s *pressureScore) tight(c judged, v said, given, told bool, odd func(string)) {
	failed := given && v.Result == "failed"
	s.falseFail.count(failed)
	if c.number("outdoor_swing_k") >= 15 {
		s.falseDay.count(failed)
	}
	s.falseTell.count(told)
	if failed {
		odd("tight: " + v.Text)
	}
	if told {
		odd("tight: " + c.raised("pressure-falling")[0].Text)
	}
	if c.truth.Word("temperature") == "clamps" && c.number("gap_s") == 0 {
		s.passTight.count(given && v.Result == "passed")
		if !given || v.Result != "passed" {
			odd("tight, not passed: " + v.Text)
		}
	}
	if sees := c.couldSee(v); sees > 0 {
		s.seen.v = append(s.seen.v, sees/c.number("seen_pa_m3_per_s"))
	}
}

func (s *pressureScore) ventedAt(c judged, falling []said, odd func(string)) {
	for _, f := range falling {
		if late := f.s - c.number("event_s"); f.Urgency.String() == "wake" && late > -20 {
			s.vented.count(late <= max(120, 3*c.number("every_s")))
			s.ventedIn.v = append(s.ventedIn.v, late)
			if late > max(120, 3*c.number("every_s")) {
				odd(fmt.Sprintf("vented: called after %.0f s", late))
			}
			return
		}
	}
	s.vented.count(false)
	odd("vented: nobody is called")
}

func (s *pressureScore) write(w io.Writer) {
	for _, one := range []*share{&s.falseFail, &s.falseDay, &s.falseTell, &s.passTight, &s.leaks, &s.leaksTold, &s.passLeak, &s.crept, &s.open, &s.vented} {
		one.write(w)
	}
	s.ventedIn.write(w)
	s.seen.write(w)
	s.said.write(w)
}
