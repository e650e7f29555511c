package main

import (
	"fmt"
	"io"

	"standwatch/rules"
)

// splitScore scores a cooling or heating check, unit by unit.
type splitScore struct {
	step                      string
	right, own, carried       share
	typed, near, defrost      share
	modulating, cause, called share
	within, noHumidity, dry   share
	tooWarm, unmeasured       share
	said                      confusion
}

func newCoolingScore() score { return newSplitScore("cooling-check") }
func newHeatingScore() score { return newSplitScore("heating-check") }

func newSplitScore(step string) score {
	return &splitScore{
		step:       step,
		right:      share{name: "rightly passed or failed, over 0.3 K and the stated error from a limit", asked: 0.98},
		own:        share{name: "  of these: by sensors in the room"},
		carried:    share{name: "  of these: by a pair that is carried from room to room"},
		typed:      share{name: "  of these: read off and typed"},
		near:       share{name: "  of these: within 1 K of that band"},
		defrost:    share{name: "  of these: with defrosts"},
		modulating: share{name: "  of these: the compressor slows down after 12 min of steady running"},
		cause:      share{name: "cause right, of those rightly failed"},
		called:     share{name: "good and outside the band: split-poor raised at any time"},
		within:     share{name: "inside the band: passed or failed at all"},
		noHumidity: share{name: "no humidity measured: passed or failed rightly"},
		dry:        share{name: "no humidity measured: a good unit failed"},
		tooWarm:    share{name: "too warm outside to heat: neither passed nor failed"},
		unmeasured: share{name: "nobody came to measure: neither passed nor failed"},
		said:       confusion{name: "a unit's verdict, outside the band"},
	}
}

func (s *splitScore) take(c judged, odd func(string)) {
	for i := range int(c.number("units")) {
		s.unit(c, fmt.Sprintf("iu%02d", i+1), odd)
	}
}

func (s *splitScore) unit(c judged, unit string, odd func(string)) {
	var v said
	outcome := "no verdict"
	for _, f := range c.said {
		if f.Edge == rules.Given && f.Step == s.step && f.Unit == unit {
			v, outcome = f, f.outcome()
		}
	}
	class := c.truth.Word(unit)
	decided := v.Result == rules.Passed || v.Result == rules.NotPassed
	right := v.Result == rules.NotPassed
	if class == "good" {
		right = v.Result == rules.Passed
	}
	complain := func(what string) { odd(fmt.Sprintf("%s is %s, %s; said: %s: %s", unit, class, what, outcome, v.Text)) }
	switch {
	case class == "modulated" || class == "idle" && !c.yes("commands_logged"):
		return // nobody can know
	case class == "too-warm":
		s.tooWarm.count(!decided)
		if decided {
			complain("too warm outside")
		}
	case class == "unmeasured":
		s.unmeasured.count(!decided)
		if decided {
			complain("not measured")
		}
	case c.number(unit+"_off_k") <= c.number(unit+"_band_k"):
		s.within.count(decided)
	case s.step == "cooling-check" && c.truth.Word("moisture") == "none":
		s.noHumidity.count(right)
		if class == "good" {
			s.dry.count(v.Result == rules.NotPassed)
		}
	default:
		s.said.add(class, outcome)
		s.outside(c, unit, v, right)
		if !right {
			complain(fmt.Sprintf("%.2f K from its limit", c.number(unit+"_off_k")))
		}
	}
}

// outside scores a unit far enough from its limits.
func (s *splitScore) outside(c judged, unit string, v said, right bool) {
	s.right.count(right)
	map[string]*share{"own": &s.own, "carried": &s.carried, "typed": &s.typed}[c.truth.Word("measured")].count(right)
	if c.number(unit+"_off_k") < c.number(unit+"_band_k")+1 {
		s.near.count(right)
	}
	if c.number("defrosts") > 0 {
		s.defrost.count(right)
	}
	if c.yes(unit + "_modulates") {
		s.modulating.count(right)
	}
	class := c.truth.Word(unit)
	if class == "good" {
		raised := false
		for _, f := range c.raised("split-poor") {
			raised = raised || f.Subject == unit
		}
		s.called.count(raised)
	} else if right {
		s.cause.count(v.Cause == class || class == "idle" && v.Cause == "not-running")
	}
}

func (s *splitScore) write(w io.Writer) {
	for _, one := range []*share{&s.right, &s.own, &s.carried, &s.typed, &s.near, &s.defrost, &s.modulating, &s.cause, &s.called, &s.within} {
		one.write(w)
	}
	if s.step == "cooling-check" {
		s.noHumidity.write(w)
		s.dry.write(w)
	} else {
		s.tooWarm.write(w)
	}
	s.unmeasured.write(w)
	s.said.write(w)
}
