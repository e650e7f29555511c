package main

import (
	"fmt"
	"io"
	"math"

	"standwatch/rules"
)

// holdScore scores the vacuum hold.
type holdScore struct {
	final, edge, overGap share
	cause, causePass     share
	called               share
	falseCall, falseEdge share
	neverEarly           share
	ahead, aheadOfAll    spread
	result, causes       confusion
}

func newHoldScore() score {
	return &holdScore{
		final:      share{name: "final result right, peak more than 4 % from the limit", asked: 0.995},
		edge:       share{name: "  the same within 4 % of the limit, or begun within 5 % of it"},
		overGap:    share{name: "a gap of more than 10 min: passed all the same", asked: 0, atMost: true},
		cause:      share{name: "cause right, failing pure leaks and pure moisture of visible shape, heard", asked: 0.9},
		causePass:  share{name: "  the same, passing"},
		called:     share{name: "failing later than 10 min: called before the limit", asked: 0.8},
		ahead:      spread{name: "  time to the limit still ahead then, of that from isolating", unit: "of it", asked: 0.4},
		aheadOfAll: spread{name: "    the same, 0 where it was not called before the limit", unit: "of it"},
		falseCall:  share{name: "passing: called before its time was over", asked: 0.01, atMost: true},
		falseEdge:  share{name: "  of them, peak in the last 4 % below the limit"},
		neverEarly: share{name: "passed before the hold's time was over", asked: 0, atMost: true},
		result:     confusion{name: "result"},
		causes:     confusion{name: "cause, pure and of visible shape"},
	}
}

func (s *holdScore) take(c judged, odd func(string)) {
	begun := c.begun["vacuum-hold"]
	v, given := c.verdict("vacuum-hold")
	outcome := "no verdict"
	if given {
		outcome = v.Result
	}
	want := c.truth.Word("result")
	s.result.add(want, outcome)
	right := outcome == want || want == "not-started" && (outcome == "failed" || outcome == "not-proven")
	far := math.Abs(c.number("peak_pa")/c.number("limit_pa")-1) > 0.04
	start := math.Abs(c.number("start_pa")/c.number("limit_pa")-1) < 0.05 // whether it had started is anybody's guess
	gap := c.number("gap_s") > 600                                        // it may fail or prove nothing; it may not pass
	switch {
	case gap:
		s.overGap.count(outcome == "passed")
	case far && !start:
		s.final.count(right)
	default:
		s.edge.count(right)
	}
	if far && !start && !gap && !right || gap && outcome == "passed" {
		odd(fmt.Sprintf("%s is right, said: %s: %s", want, outcome, v.Text))
	}
	for _, f := range c.said {
		if f.Edge == rules.Given && f.Step == "vacuum-hold" && f.Result == "passed" {
			early := f.s < begun+c.number("lasts_s")-1
			s.neverEarly.count(early)
			if early {
				odd(fmt.Sprintf("passed after %.0f s", f.s-begun))
			}
			break
		}
	}
	s.why(c, v, given, odd)
	s.calls(c, begun, want, odd)
}

// why scores the cause. After a gap of more than 10 min it is the gap's (the
// contract), whatever the shape.
func (s *holdScore) why(c judged, v said, given bool, odd func(string)) {
	truth := c.truth.Word("cause")
	if c.number("gap_s") > 600 || !c.yes("visible") || !c.yes("pure") || truth != "leak" && truth != "moisture" {
		return
	}
	said := "no verdict"
	if given {
		said = v.Result + " " + v.Cause
	}
	s.causes.add(truth, said)
	good := given && v.Cause == truth
	switch c.truth.Word("result") {
	case "failed":
		s.cause.count(good)
		if !good {
			odd(fmt.Sprintf("cause %s, said: %s", truth, said))
		}
	case "passed":
		s.causePass.count(good || given && v.Cause == "none")
	}
}

// calls scores vacuum-rising: before the hold's time is over. What is flagged after
// it, of a hold that goes on, is the gauge past its limit, as it is.
func (s *holdScore) calls(c judged, begun float64, want string, odd func(string)) {
	raised := c.raised("vacuum-rising")
	first := math.Inf(1)
	if len(raised) > 0 {
		first = raised[0].s - begun
	}
	switch want {
	case "passed":
		falsely := first < c.number("lasts_s")-1
		s.falseCall.count(falsely)
		if c.number("peak_pa") > 0.96*c.number("limit_pa") {
			s.falseEdge.count(falsely)
		}
		if falsely {
			odd("passes: " + raised[0].Text)
		}
	case "failed":
		crosses := c.number("crosses_s")
		if crosses <= 600 {
			return
		}
		s.called.count(first < crosses)
		ahead := max(0, (crosses-min(first, crosses))/crosses)
		s.aheadOfAll.v = append(s.aheadOfAll.v, ahead)
		if first < crosses {
			s.ahead.v = append(s.ahead.v, ahead)
		} else {
			odd(fmt.Sprintf("called %.0f s after the limit", first-crosses))
		}
	}
}

func (s *holdScore) write(w io.Writer) {
	s.final.write(w)
	s.edge.write(w)
	s.overGap.write(w)
	s.cause.write(w)
	s.causePass.write(w)
	s.called.write(w)
	s.ahead.write(w)
	s.aheadOfAll.write(w)
	s.falseCall.write(w)
	s.falseEdge.write(w)
	s.neverEarly.write(w)
	s.result.write(w)
	s.causes.write(w)
}
