package web

import (
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

type deviceView struct {
	Name, State, Sentence string
	Since                 moment
}

type outwardView struct {
	Name, State, Sentence string
	Waiting, Quarantined  int64
	Last                  moment
}

type boxView struct {
	Devices []deviceView
	Outward []outwardView
	Kept    string
	KeptAt  moment
	Signs   string
	Clock   string
	Zone    string
	NoLinks bool // messages leave the box, and no phone could open a link in them
	Access  accessView
}

func (s *screens) boxPage(snap Snapshot) boxView {
	b := boxView{Kept: rules.Decimals(float64(snap.Kept), 0), KeptAt: s.words.moment(snap.KeptAt, snap.Wall, snap.zone()), Signs: snap.Signs,
		Clock: s.words.say("time.at", s.words.day(snap.Wall.In(snap.zone()), time.Time{}), snap.Wall.In(snap.zone()).Format("15:04:05")), Zone: snap.zone().String()}
	b.Access = s.accessOfBox()
	for _, d := range snap.Devices {
		b.Devices = append(b.Devices, deviceView{d.Name, okState(d.OK), d.Sentence, s.words.moment(d.Since, snap.Wall, snap.zone())})
	}
	for _, f := range snap.Outward {
		b.NoLinks = b.NoLinks || strings.HasPrefix(f.Name, "outbox:") && s.cfg.OnlyHere()
		b.Outward = append(b.Outward, outwardView{s.wayTitle(f.Name), wayState(f), f.Sentence, f.Waiting, f.Quarantined,
			s.words.moment(f.LastDone, snap.Wall, snap.zone())})
	}
	return b
}

// wayTitle turns a follower's name, such as uplink:desk, into a title.
func (s *screens) wayTitle(name string) string {
	kind, which, named := strings.Cut(name, ":")
	title := s.words.name("outward", kind)
	if named {
		title += ": " + which
	}
	return title
}

// wayState doubts a way out that set something aside: it did not all arrive.
func wayState(f journal.FollowerState) string {
	if f.OK && f.Quarantined > 0 {
		return "suspect"
	}
	return okState(f.OK)
}

func okState(ok bool) string {
	if ok {
		return "good"
	}
	return "failed"
}
