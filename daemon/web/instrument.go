package web

import (
	"cmp"
	"net/url"
	"slices"
	"strings"

	"standwatch/rules"
)

// instrumentView is what is said of the instrument at a point.
type instrumentView struct {
	Stands  string // by what it is corrected, who found that, against what, until when it holds
	Expired string
	Papers  string    // by the site file
	Checks  []linkRow // against what it can be held here
	Said    []saidOfIt
}

// saidOfIt is one line of its history.
type saidOfIt struct {
	Title, Text string
	When        moment
}

func (s *screens) instrument(snap Snapshot, p Point) *instrumentView {
	fits := methods(p.Quantity)
	if len(fits) == 0 {
		return nil
	}
	h := p.Holds
	v := &instrumentView{Stands: s.words.say("instrument.as-shown")}
	if h.Fix != nil {
		v.Stands = s.words.say("instrument.corrected", h.Fix.Words(p.Quantity))
	}
	if h.Until != "" {
		v.Stands += " " + s.words.say("instrument.until", h.Until)
	}
	if p.Expired {
		v.Expired = s.words.say("instrument.expired", h.Until)
	}
	var papers []string
	for _, x := range [][2]string{{"instrument.serial", h.Serial}, {"instrument.against", h.Against}, {"instrument.calibrated", p.Instrument.Calibrated}} {
		if x[1] != "" && (x[0] != "instrument.calibrated" || h.Serial == p.Instrument.Serial) {
			papers = append(papers, s.words.say(x[0], x[1]))
		}
	}
	v.Papers = strings.Join(papers, " · ")
	for _, m := range fits {
		v.Checks = append(v.Checks, linkRow{"/points/" + url.PathEscape(p.Name) + "/against?with=" + m, s.words.say("against.do." + m)})
	}
	v.Checks = append(v.Checks, linkRow{"/mark/placed", s.words.say("instrument.exchange")})
	for _, m := range slices.Backward(p.Said) {
		v.Said = append(v.Said, saidOfIt{s.saidTitle(p, m), s.saidText(m), s.words.moment(m.Wall, snap.Wall, snap.zone())})
	}
	return v
}

func (s *screens) saidTitle(p Point, m CalibrationMark) string {
	switch {
	case m.Problem != "":
		return s.words.say("instrument.said.unclear")
	case m.What == rules.Corrected:
		return s.words.say("instrument.said.corrected", m.Fix.Words(p.Quantity))
	case m.What == rules.AsFound && m.Within > 0:
		return s.words.say("instrument.said.within", strings.TrimPrefix(rules.Difference(m.Within, p.Quantity), "+"))
	}
	return s.words.say("instrument.said." + m.What)
}

func (s *screens) saidText(m CalibrationMark) string {
	if m.Problem != "" {
		return m.Note + ": " + m.Problem
	}
	parts := []string{cmp.Or(m.By, s.words.say("step.nobody"))}
	if m.Against != "" {
		parts = append(parts, s.words.say("instrument.against", m.Against))
	}
	if m.Serial != "" {
		parts = append(parts, s.words.say("instrument.serial", m.Serial))
	}
	if m.Until != "" {
		parts = append(parts, s.words.say("instrument.until", m.Until))
	}
	if m.Remark != "" {
		parts = append(parts, m.Remark)
	}
	return strings.Join(parts, " · ")
}
