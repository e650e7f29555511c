package web

import (
	"context"
	"html/template"
	"net/url"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// pointView is a row of Points.
type pointView struct {
	Name, Role, System string
	URL                string
	Main, Other        string
	State              string // good, suspect, failed, silent, none
	Health             string // in words
	Taken              moment
	Heard              moment
	Every, Silent      string
	Source             string
	Count, Bad         string
	Corrected          string // what the instrument shows, where that is not what it is held for
	Expired            bool   // its calibration has run out
}

func (s *screens) pointViews(snap Snapshot, c choice) []pointView {
	vs := make([]pointView, len(snap.Points))
	for i, p := range snap.Points {
		vs[i] = s.pointView(snap, c, p)
	}
	return vs
}

func (s *screens) pointView(snap Snapshot, c choice, p Point) pointView {
	v := pointView{Name: p.Name, Role: s.words.name("role", p.Role), System: p.System,
		URL:   "/points/" + url.PathEscape(p.Name),
		State: p.Health.Grade.String(), Health: s.health(p.Health),
		Taken: s.words.moment(p.Taken, snap.Wall, snap.zone()), Heard: s.words.moment(p.Heard, snap.Wall, snap.zone()),
		Every: s.words.span(p.Every), Silent: s.words.span(silence(p.Point)),
		Source: s.words.name("source", p.Source), Count: rules.Decimals(float64(p.Count), 0), Bad: rules.Decimals(float64(p.Bad), 0), Expired: p.Expired}
	if p.Source == "" {
		v.Source = s.words.say("source.none")
	}
	if p.Every < time.Second && p.Every > 0 {
		v.Every = s.words.say("time.milliseconds", int(p.Every/time.Millisecond))
	}
	switch {
	case p.Heard.IsZero() && p.Taken.IsZero():
		v.State, v.Health = "none", s.words.say("health.never")
		return v
	case snap.Wall.Sub(p.Heard) > silence(p.Point)+s.late:
		v.State, v.Health = "silent", s.words.say("health.silent", s.words.span(snap.Wall.Sub(p.Heard)))
	}
	if p.Health.Grade == sensors.Failed {
		return v
	}
	if p.Quantity == sensors.Contact {
		v.Main = s.onOff(p.Value)
	} else {
		v.Main, v.Other = c.both(p.Quantity, p.Unit, p.Value)
	}
	if p.Holds.Fix != nil {
		shown, _ := c.both(p.Quantity, p.Unit, p.Shown)
		v.Corrected = s.words.say("instrument.shows", shown, p.Holds.Fix.Words(p.Quantity))
	}
	return v
}

func (s *screens) health(h sensors.Health) string {
	if h.Grade == sensors.Good {
		return s.words.say("health.good")
	}
	return s.words.say("health."+h.Grade.String(), s.words.name("reason", h.Reason))
}

type pointPageView struct {
	pointView
	CurveURL     string
	CurveTitle   string
	Wide, Narrow template.HTML
	Table        []tableRow
	Placing      []string // how to place it
	Drawing      string   // of that; empty: none
	Flags        []flagView
	Instrument   *instrumentView
}

// pointWindow is what a point's own page shows: the last two hours.
func pointWindow(snap Snapshot) (from, to int64) {
	return snap.Wall.Add(-2 * time.Hour).UnixMilli(), snap.Wall.UnixMilli() + 1
}

func (s *screens) pointPage(ctx context.Context, snap Snapshot, frame view, p Point, svg bool) pointPageView {
	c := frame.Units
	v := pointPageView{pointView: s.pointView(snap, c, p), CurveTitle: s.words.say("curve.point-title", p.Name),
		CurveURL: "/curve?" + url.Values{"point": {p.Name}}.Encode()}
	s.placing(&v, p.Role)
	v.Instrument = s.instrument(snap, p)
	v.Flags = s.flagsOf(snap, frame, p.Name)
	if !svg {
		return v
	}
	from, to := pointWindow(snap)
	ch, err := s.pointChart(ctx, snap, c, p.Point, from, to, mostDrawn)
	if err != nil {
		s.notRead(ctx, "a curve could not be read", "point", p.Name, "error", err)
		return v
	}
	v.Table = tableOf(ch)
	v.Wide, v.Narrow = ch.svg(720, 342, ch.Title), ch.svg(372, 290, ch.Title)
	return v
}
