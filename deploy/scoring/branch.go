package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"standwatch/rules"
)

// branchScore scores the branch check.
type branchScore struct {
	one, addresses, ajar, sensors, pairs share
	coded, big                           share
	straight, sound                      share
	weak, unclear, thermostat            share
	untrue, passedOver                   share
	dead, leak, onePipe, shut, missing   share
	flagged                              share
	said                                 confusion
}

func newBranchScore() score {
	return &branchScore{
		one:        share{name: "crossings recovered exactly, one at a time, responses from 5 K", asked: 0.99},
		addresses:  share{name: "  of these: addresses crossed"},
		ajar:       share{name: "  of these: pipes crossed, valves at rest ajar"},
		pairs:      share{name: "  of these: pipes crossed, valves shut at rest; then tried in pairs"},
		sensors:    share{name: "  of these: supply sensors exchanged"},
		coded:      share{name: "crossings recovered exactly, coded plan, responses from 5 K", asked: 0.97},
		big:        share{name: "  of these: 24 units and more"},
		weak:       share{name: "crossings recovered exactly, a response below 5 K"},
		unclear:    share{name: "crossings recovered exactly, a leak or a neighbour's duct nearly as loud"},
		thermostat: share{name: "crossings recovered exactly, a unit that at times does not do as asked"},
		straight:   share{name: "straight building: no crossing reported", asked: 0.995},
		sound:      share{name: "straight building with nothing wrong, responses from 5 K: passed"},
		untrue:     share{name: "a crossing reported that is none, all trials"},
		passedOver: share{name: "crossed, pipes, addresses or sensors: passed", asked: 0, atMost: true},
		flagged:    share{name: "crossings recovered exactly: pipes-crossed raised"},
		dead:       share{name: "a dead port: not passed, its room named"},
		leak:       share{name: "a leaking branch valve: valve-passing, or both rooms named in the verdict"},
		shut:       share{name: "pipes crossed, valves shut, never in pairs: not passed, no crossing said"},
		onePipe:    share{name: "one pipe of a pair crossed, both rooms dead alone: not passed"},
		missing:    share{name: "a unit without a supply sensor: not passed, named"},
		said:       confusion{name: "verdict"},
	}
}

func (s *branchScore) take(c judged, odd func(string)) {
	v, given := c.verdict("branch-check")
	outcome, got := "no verdict", ""
	if given {
		outcome, got = v.outcome(), pairsOf(v.Pairs)
	}
	kind, plan, truth := c.truth.Word("kind"), c.truth.Word("plan"), c.truth.Word("pairs")
	s.said.add(strings.TrimSuffix(strings.TrimSuffix(plan, "-heat"), "-cool")+" "+kind, outcome)
	complain := func(what string) { odd(fmt.Sprintf("%s; said: %s %s: %s", what, outcome, got, v.Text)) }
	untrue := false
	for _, p := range strings.Fields(got) {
		untrue = untrue || !slices.Contains(strings.Fields(truth), p)
	}
	s.untrue.count(untrue)
	if untrue {
		complain("a crossing that is none")
	}
	switch {
	case kind == "straight":
		reported := got != "" || len(c.raised("pipes-crossed")) > 0
		s.straight.count(!reported)
		if reported && !untrue {
			complain("a crossing was said at times")
		}
	case kind == "one-pipe":
	case kind == "pipes" && plan != "coded" && !c.yes("tried_in_pairs"):
		good := given && v.Result != rules.Passed && got == ""
		s.shut.count(good)
		if !good {
			complain("dead rows")
		}
	default:
		s.crossed(c, got == truth, given && v.Result == rules.Passed, complain)
	}
	s.others(c, v, given, complain)
}

// crossed scores a building with crossings that its plan lets be seen.
func (s *branchScore) crossed(c judged, right, passed bool, complain func(string)) {
	s.passedOver.count(passed)
	if passed {
		complain("crossed, and passed")
	}
	if right {
		s.flagged.count(len(c.raised("pipes-crossed")) > 0)
	}
	switch {
	case c.yes("thermostat"):
		s.thermostat.count(right)
	case c.truth.Word("clear") == "no" || c.truth.Word("leak") != "":
		s.unclear.count(right)
	case c.number("least_response_k") < 5:
		s.weak.count(right)
	case c.truth.Word("plan") == "coded":
		s.coded.count(right)
		if c.number("units") >= 24 {
			s.big.count(right)
		}
		if !right {
			complain("not recovered exactly")
		}
	default:
		s.one.count(right)
		map[string]*share{"addresses": &s.addresses, "pipes-ajar": &s.ajar, "sensors": &s.sensors, "pipes": &s.pairs}[c.truth.Word("kind")].count(right)
		if !right {
			complain("not recovered exactly")
		}
	}
}

// others scores what is wrong beside a crossing, or nothing.
func (s *branchScore) others(c judged, v said, given bool, complain func(string)) {
	dead, leak, missing := c.truth.Word("dead"), c.truth.Word("leak"), c.truth.Word("unmeasured")
	named := func(units string) bool {
		for _, u := range strings.FieldsFunc(units, func(r rune) bool { return r == '>' || r == ' ' }) {
			if !strings.Contains(v.Text, u) {
				return false
			}
		}
		return true
	}
	open := given && v.Result != rules.Passed
	if dead != "" {
		s.dead.count(open && named(dead))
		if !open || !named(dead) {
			complain("a dead port")
		}
	}
	if leak != "" {
		good := len(c.raised("valve-passing")) > 0 || open && named(leak)
		s.leak.count(good)
		if !good {
			complain("a leak")
		}
	}
	if missing != "" {
		s.missing.count(open && named(missing))
		if !open || !named(missing) {
			complain("a unit without a sensor")
		}
	}
	if c.truth.Word("kind") == "one-pipe" {
		s.onePipe.count(open)
		if !open {
			complain("one pipe crossed")
		}
	}
	if c.truth.Word("kind") == "straight" && dead == "" && leak == "" && missing == "" && c.truth.Word("duct") == "" && !c.yes("thermostat") && c.number("least_response_k") >= 5 {
		s.sound.count(given && v.Result == rules.Passed)
		if !given || v.Result != rules.Passed {
			complain("nothing is wrong")
		}
	}
}

// pairsOf writes a verdict's crossings as the truth does, in the units' order.
func pairsOf(ps []rules.Pair) string {
	var all []string
	for _, p := range ps {
		all = append(all, p.Unit+">"+p.Answers)
	}
	slices.Sort(all)
	return strings.Join(all, " ")
}

func (s *branchScore) write(w io.Writer) {
	for _, one := range []*share{&s.one, &s.addresses, &s.ajar, &s.pairs, &s.sensors, &s.coded, &s.big, &s.straight, &s.sound, &s.passedOver,
		&s.untrue, &s.flagged, &s.weak, &s.unclear, &s.thermostat, &s.dead, &s.leak, &s.shut, &s.onePipe, &s.missing} {
		one.write(w)
	}
	s.said.write(w)
}
