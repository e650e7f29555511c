package main

import (
	"fmt"
	"io"
)

// pulldownScore scores whether a part that is shut off is noticed.
type pulldownScore struct {
	told, untrue     share
	byPump, byBefore share
	noProof, small   share
	unproved         share
	said             confusion
}

func newPulldownScore() score {
	return &pulldownScore{
		told:     share{name: "40 % or more shut off, and there is proof: told", asked: 0.95},
		byPump:   share{name: "  of these: by the pump's stated speed alone"},
		byBefore: share{name: "  of these: by an earlier whole pull"},
		untrue:   share{name: "nothing shut off: told all the same", asked: 0.02, atMost: true},
		noProof:  share{name: "  of these: where nothing could prove it", asked: 0.02, atMost: true},
		small:    share{name: "less than 40 % shut off: told (may be)"},
		unproved: share{name: "40 % or more shut off, and nothing to prove it by: told (as a suspicion)"},
		said:     confusion{name: "pulldown-too-fast by share shut off and proof"},
	}
}

func (s *pulldownScore) take(c judged, odd func(string)) {
	told := len(c.raised("pulldown-too-fast")) > 0
	proof, part := c.truth.Word("proof"), c.number("window_share")
	label := "a part below 40 %"
	switch {
	case c.number("shut_share") == 0:
		label = "nothing"
		s.untrue.count(told)
		if proof == "none" {
			s.noProof.count(told)
		}
		if told {
			odd("nothing is shut off: " + c.raised("pulldown-too-fast")[0].Text)
		}
	case part < 0.4:
		s.small.count(told)
	case proof == "none":
		label = "40 % or more"
		s.unproved.count(told)
	default:
		label = "40 % or more"
		s.told.count(told)
		switch proof {
		case "pump":
			s.byPump.count(told)
		case "earlier":
			s.byBefore.count(told)
		}
		if !told {
			odd(fmt.Sprintf("%.0f %% shut off, not told", 100*part))
		}
	}
	what := "not told"
	if told {
		what = "told"
	}
	s.said.add(label+", proof "+proof, what)
}

func (s *pulldownScore) write(w io.Writer) {
	for _, one := range []*share{&s.told, &s.byPump, &s.byBefore, &s.untrue, &s.noProof, &s.small, &s.unproved} {
		one.write(w)
	}
	s.said.write(w)
}
