package web

import (
	"context"
	"fmt"
	"strings"
	"time"

	"standwatch/rules"
)

// flagView is a flag, or an edge of one, or a verdict among the recent findings.
type flagView struct {
	Name, System, Subject, Title string
	Urgency, UrgencyWord         string
	Text                         string
	When                         moment
	First                        string // of an open one that was raised again: when first
	Values                       []titled
	Open                         bool
	Acknowledged                 bool
	By                           string
	State                        string // raised, cleared, passed, failed, not-proven
	StateWord                    string
	Where                        string
	Points                       []linkRow // whose readings it rests on
	Marks                        []linkRow // that it asks for
	ID                           string    // on the page
	Who                          signer
	Back                         string
	Device                       string   // what its point hangs on, where others may share its trouble
	Subjects                     []string // of a card for several
	edge                         string
	at                           time.Time // of When
}

func (s *screens) flagView(snap Snapshot, v view, f rules.Finding, at time.Time, open *Flag) flagView {
	fv := flagView{Name: f.Flag, System: f.System, Subject: f.Subject,
		Title:   s.edgeTitle(f),
		Urgency: f.Urgency.String(), UrgencyWord: s.words.name("urgency", f.Urgency.String()),
		Text: f.Text, When: s.words.moment(at, snap.Wall, snap.zone()), Values: s.values(v.Units, f), Points: pointLinks(snap, f.Points),
		State: f.Edge.String(), StateWord: s.words.name("edge", f.Edge.String()), Who: v.Who, Back: v.Path}
	fv.Device, fv.edge, fv.at = s.deviceOf(snap, f), f.Edge.String(), at
	if f.Edge == rules.Given {
		fv.State, fv.StateWord = f.Result, s.words.name("result", f.Result)
	}
	var where []string
	if f.System != "" && len(snap.Site.Systems) > 1 {
		where = append(where, f.System)
	}
	if f.Step != "" && f.Edge != rules.Given {
		where = append(where, s.words.name("step", f.Step))
	}
	if f.Subject != "" && f.Unit == "" {
		where = append(where, f.Subject)
	}
	fv.Where = strings.Join(where, ", ")
	if open != nil {
		fv.Title = s.withSystem(snap, s.words.name("flag", f.Flag), f.System)
		fv.Open, fv.Acknowledged, fv.By = true, open.Acknowledged, open.By
		fv.ID = fmt.Sprintf("flag-%s-%s-%s", f.Flag, f.System, f.Subject)
		if f.Flag == "power-too-early" && f.Step == "draw-in" { // no step is under way, so nothing else on the page leads there
			fv.Marks = s.markLinks([]markKind{{Name: "valves-opened"}}, f.System, f.Step)
		}
		if open.Newest.After(open.Raised) { // its words and figures are of then
			fv.When, fv.at = s.words.moment(open.Newest, snap.Wall, snap.zone()), open.Newest
			fv.First = s.words.say("flag.first", s.words.clock(open.Raised, snap.Wall, snap.zone()))
		}
	}
	return fv
}

// edgeTitle names a finding in a few words.
func (s *screens) edgeTitle(f rules.Finding) string {
	if f.Edge == rules.Given {
		title := s.words.name("step", f.Flag)
		if f.Unit != "" {
			title += ", " + f.Unit
		}
		return s.words.say("edge.title-verdict", title, midSentence(s.words.name("result", f.Result)))
	}
	return s.words.say("edge.title-"+f.Edge.String(), s.words.name("flag", f.Flag))
}

type flagsView struct {
	Open   []flagView // on the first page
	Recent []flagView
	Back   bool   // this is a page of older ones
	Older  string // where those before these are; empty: there are none
	Broken bool   // the journal could not be read
}

// mostFindings is how many findings a page shows.
const mostFindings = 50

// flagsPage shows the open flags and the newest findings, or those before one.
func (s *screens) flagsPage(ctx context.Context, snap Snapshot, v view, before int64) flagsView {
	fv := flagsView{Back: before != 0}
	fs := snap.Recent
	if fv.Back {
		var err error
		if fs, err = s.box.Findings(ctx, before, mostFindings+1); err != nil {
			s.notRead(ctx, "older findings could not be read", "error", err)
			fv.Broken = true
		}
	} else {
		for _, f := range snap.Flags {
			fv.Open = append(fv.Open, s.flagView(snap, v, f.Finding, f.Raised, &f))
		}
	}
	if len(fs) > mostFindings {
		fs = fs[:mostFindings]
		fv.Older = "/flags?before=" + fmt.Sprint(fs[mostFindings-1].ID)
	}
	for _, f := range fs {
		fv.Recent = append(fv.Recent, s.flagView(snap, v, f.Finding, f.Wall, nil))
	}
	fv.Open, fv.Recent = s.together(fv.Open), s.together(fv.Recent)
	return fv
}
