package main

import (
	"fmt"
	"io"
	"math"

	"standwatch/rules"
)

// preheatScore scores the preheat.
type preheatScore struct {
	due, contact, current    share
	restarted, unclear       share
	early                    share
	dead, deadPass, sunPass  share
	falseDead, stopped       share
	broken, falseBroken      share
	started, falseStarted    share
	unheardEarly, unmeasured share
	off                      spread
	said                     confusion
}

func newPreheatScore() score {
	return &preheatScore{
		due:          share{name: "met when the time was met, to the power input's resolution", asked: 1},
		contact:      share{name: "  of these: a contact (2 s)"},
		current:      share{name: "  of these: a sampled current (a sample an edge)"},
		restarted:    share{name: "  of these: set back at least once"},
		off:          spread{name: "  said so after it was met, a contact", unit: "s"},
		unclear:      share{name: "the same, an interruption or a sump at its very limit"},
		early:        share{name: "met before the time was met", asked: 0, atMost: true},
		unheardEarly: share{name: "  the same where the power input fell silent for a while"},
		dead:         share{name: "a dead or weak heater: heater-unproven raised"},
		deadPass:     share{name: "a dead or weak heater, no strong sun: passed", asked: 0, atMost: true},
		sunPass:      share{name: "a dead or weak heater that the sun stood on: passed"},
		falseDead:    share{name: "all heaters good: heater-unproven raised"},
		stopped:      share{name: "ended before the time was met: not passed", asked: 1},
		unmeasured:   share{name: "no sump measured: passed"},
		broken:       share{name: "power lost for 2 min and more, a contact: told within 60 s"},
		falseBroken:  share{name: "power never lost: preheat-broken raised"},
		started:      share{name: "compressor started before: told within 10 min"},
		falseStarted: share{name: "compressor never started: started-too-early raised"},
		said:         confusion{name: "verdict"},
	}
}

func (s *preheatScore) take(c judged, odd func(string)) {
	v, given := c.verdict("preheat")
	outcome := "no verdict"
	if given {
		outcome = v.outcome()
	}
	truth := c.truth.Word("result")
	measured, unheard, started := c.yes("sumps_measured"), c.number("power_unheard_s") > 0, c.number("compressor_s") > 0
	complain := func(what string) { odd(fmt.Sprintf("%s; said: %s: %s", what, outcome, v.Text)) }
	passedAt := math.NaN()
	for _, f := range c.said {
		if f.Edge == rules.Given && f.Step == "preheat" && f.Result == rules.Passed {
			passedAt = f.s
			break
		}
	}
	passed := given && v.Result == rules.Passed
	if measured {
		s.said.add(truth, outcome)
	}
	switch {
	case truth == "stopped":
		s.stopped.count(!passed)
		if passed {
			complain("ended before")
		}
	case !measured:
		s.unmeasured.count(passed)
	case truth == "no-warmth":
		s.deadPass.count(passed)
		if passed {
			complain("a dead heater passed")
		}
	case truth == "sun":
		s.sunPass.count(passed)
	case truth == "met" && !unheard && !started:
		s.met(c, passedAt, complain)
	}
	if unheard && c.has("due_s") {
		s.unheardEarly.count(passedAt < c.number("due_s")-5)
	}
	s.flags(c, measured, started, complain)
}

// met scores the moment at which the preheat was met.
func (s *preheatScore) met(c judged, at float64, complain func(string)) {
	late := at - c.number("due_s")
	edges := 1 + 2*(c.number("restarts")+c.number("pauses"))
	allowed := 2.0
	if c.truth.Word("sensed") == "current" {
		allowed = edges*c.number("power_every_s") + 2
	}
	right := math.Abs(late) <= allowed
	if !c.yes("clear") {
		s.unclear.count(right)
		return
	}
	s.due.count(right)
	s.early.count(late < -allowed)
	if c.truth.Word("sensed") == "contact" {
		s.contact.count(right)
		if !math.IsNaN(late) {
			s.off.v = append(s.off.v, late)
		}
	} else {
		s.current.count(right)
	}
	if c.number("restarts") > 0 {
		s.restarted.count(right)
	}
	if !right {
		complain(fmt.Sprintf("said %.0f s after it was met, %.0f allowed", late, allowed))
	}
}

func (s *preheatScore) flags(c judged, measured, started bool, complain func(string)) {
	unproven := len(c.raised("heater-unproven")) > 0
	switch dead := c.truth.Word("dead"); {
	case !measured || c.truth.Word("result") == "stopped":
	case dead != "" && c.truth.Word("result") == "no-warmth":
		s.dead.count(unproven)
		if !unproven {
			complain("heater-unproven is missing")
		}
	case dead == "" && c.yes("clear"):
		s.falseDead.count(unproven)
		if unproven {
			complain("heater-unproven, and all are good")
		}
	}
	broken, lost := c.raised("preheat-broken"), false
	off := 0.0
	for _, f := range c.truth.Truth {
		switch {
		case f.Name == "off_s":
			off, lost = f.Number, true
		case f.Name == "on_s" && f.Number-off >= 120 && c.truth.Word("sensed") == "contact" && (!c.has("due_s") || off < c.number("due_s")):
			told := false // it may still be told of the time before
			for _, b := range c.said {
				if b.Flag == "preheat-broken" && b.s <= off+60 {
					told = b.Edge == rules.Raised
				}
			}
			s.broken.count(told)
			if !told {
				complain(fmt.Sprintf("power lost at %.0f s was not told", off))
			}
		}
	}
	if !lost && c.number("power_unheard_s") == 0 && c.truth.Word("kind") == "steady" {
		s.falseBroken.count(len(broken) > 0)
		if len(broken) > 0 {
			complain("power was never lost: " + broken[0].Text)
		}
	}
	told := false
	for _, f := range c.raised("started-too-early") {
		told = told || !started || f.s >= c.number("compressor_s") && f.s <= c.number("compressor_s")+600
	}
	if started {
		s.started.count(told)
	} else {
		s.falseStarted.count(told)
	}
	if told != started {
		complain("started-too-early")
	}
}

func (s *preheatScore) write(w io.Writer) {
	s.due.write(w)
	s.contact.write(w)
	s.off.write(w)
	for _, one := range []*share{&s.current, &s.restarted, &s.unclear, &s.early, &s.unheardEarly, &s.dead, &s.deadPass, &s.sunPass, &s.falseDead,
		&s.stopped, &s.unmeasured, &s.broken, &s.falseBroken, &s.started, &s.falseStarted} {
		one.write(w)
	}
	s.said.write(w)
}
