package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// event is a labelled tick under the time axis; its words stand in the list
// below. A flag is marked on the curve too.
type event struct {
	Ms   int64    `json:"ms"`
	N    int      `json:"n"`
	Kind string   `json:"kind"`         // the shape: raised, cleared, passed, failed, not-proven, mark, under-way, ended
	At   *float64 `json:"at,omitempty"` // of a flag: the curve's value then
	When moment   `json:"-"`
	Text string   `json:"text"`
}

// events are the edges, marks and other steps' begins and ends within a step,
// oldest first; the newest mostEvents of them, and how many were before those.
func (s *screens) events(ctx context.Context, snap Snapshot, c choice, st Step, from, to int64) (es []event, before int) {
	add := func(t time.Time, kind, text string) {
		if ms := t.UnixMilli(); ms >= from && ms <= to {
			es = append(es, event{Ms: ms, Kind: kind, When: s.words.moment(t, snap.Wall, snap.zone()), Text: text})
		}
	}
	for _, f := range s.findingsSince(ctx, snap, st.Begun) {
		if f.System != "" && f.System != st.System {
			continue
		}
		if f.Begin == 0 && !slices.Contains(f.Points, st.Outlook.Point) || f.Begin != 0 && f.Begin != st.Begin {
			continue
		}
		kind := f.Edge.String()
		if f.Edge == rules.Given {
			kind = f.Result
		}
		add(f.Wall, kind, s.edgeTitle(f.Finding))
	}
	for _, g := range tapped(snap.Marks) {
		// A check that is done stands on the step's page: a row of ticks at its begin would hide what happened.
		g = slices.DeleteFunc(g, func(m Mark) bool { return !s.concerns(snap, m, st) || settles(m) })
		switch {
		case len(g) == 1:
			add(g[0].Wall, "mark", s.markText(snap, c, g[0]))
		case len(g) > 1: // of all of them the same was asked
			add(g[0].Wall, "mark", s.words.say("event.commands", len(g), midSentence(s.words.name("command", g[0].Note))))
		}
	}
	for _, other := range slices.Concat(snap.Running, snap.Past) {
		if other.System != st.System || other.Begin == st.Begin {
			continue
		}
		add(other.Begun, underWay, s.words.say("event.begun", s.words.name("step", other.Name)))
		if !other.Ended.IsZero() {
			add(other.Ended, ended, s.words.say("event.ended", s.words.name("step", other.Name)))
		}
	}
	slices.SortStableFunc(es, func(a, b event) int { return cmp.Compare(a.Ms, b.Ms) })
	before = max(0, len(es)-mostEvents)
	es = es[before:]
	for i := range es {
		es[i].N = i + 1
	}
	return es, before
}

// oneTap is within what time commands were recorded by one press of a button.
const oneTap = 2 * time.Second

// tapped gathers the commands of one tap that asked the same of several units;
// any other mark stands alone.
func tapped(marks []Mark) (gs [][]Mark) {
	for _, m := range marks {
		i := -1
		if m.Kind == "command" {
			i = slices.IndexFunc(gs, func(g []Mark) bool {
				return g[0].Kind == "command" && g[0].Note == m.Note && g[0].System == m.System && g[0].By == m.By && g[0].Wall.Sub(m.Wall).Abs() <= oneTap
			})
		}
		if i < 0 {
			gs = append(gs, []Mark{m})
			continue
		}
		gs[i] = append(gs[i], m)
	}
	return gs
}

// mostSearched bounds how far back the journal's findings are read for ticks.
const mostSearched = 1000

// findingsSince are the findings since a time, newest first: those at hand,
// and, where they do not reach so far, the journal's.
func (s *screens) findingsSince(ctx context.Context, snap Snapshot, t time.Time) []Finding {
	fs := snap.Recent
	for n := len(fs); n > 0 && n < mostSearched && fs[n-1].Wall.After(t); n = len(fs) {
		older, err := s.box.Findings(ctx, fs[n-1].ID, 200)
		if err != nil {
			s.notRead(ctx, "older findings could not be read", "error", err)
		}
		if len(older) == 0 {
			break
		}
		fs = slices.Concat(fs, older)
	}
	return fs
}

// concerns tells whether a mark has to do with a step under way: one of
// another system has not, nor one of another step that was under way then, nor one about some
// step as a whole, nor an acknowledgement, nor what units were asked while nobody
// looks at their air.
func (s *screens) concerns(snap Snapshot, m Mark, st Step) bool {
	if m.System != "" && m.System != st.System {
		return false
	}
	if m.Kind == "command" {
		return slices.Contains(commanded, st.Name) && unitOf(snap, st.System, m.Name)
	}
	kind, _ := markByName(m.Name)
	if m.Name == "acknowledged" || m.Name == "access" || kind.Of != "" || rules.IsJobMark(m.Name) || m.Name == rules.MarkSigned { // none is of the work
		return false
	}
	return kind.Steps == nil || slices.Contains(kind.Steps, st.Name) ||
		!slices.ContainsFunc(slices.Concat(snap.Running, snap.Past), func(other Step) bool {
			return slices.Contains(kind.Steps, other.Name) && other.System == st.System &&
				!m.Wall.Before(other.Begun) && (other.Ended.IsZero() || !m.Wall.After(other.Ended))
		})
}

func unitOf(snap Snapshot, system, unit string) bool {
	for _, sys := range snap.Site.Systems {
		for _, u := range sys.Units {
			if sys.Name == system && u.Name == unit {
				return true
			}
		}
	}
	return false
}

// settles tells whether a mark says of a check that nothing is open about it.
func settles(m Mark) bool {
	tick, ok := rules.ReadTick(m.Note, func(string) bool { return true })
	return m.Name == "checked" && ok && tick.State != rules.CheckWrong && tick.State != rules.CheckLeft
}

// markText says a mark: its name, its value and its note.
func (s *screens) markText(snap Snapshot, c choice, m Mark) string {
	if m.Kind == "command" {
		return s.words.say("event.command", m.Name, midSentence(s.words.name("command", m.Note)))
	}
	if m.Name == "note" && m.Note == "stopped" && m.By == "" { // of the program: beside a pump it would be read as the pump's
		return s.words.say("event.box-stopped")
	}
	text := s.words.name("mark", m.Name)
	if m.Name == "checked" {
		tick, ok := rules.ReadTick(m.Note, func(name string) bool { _, _, known := s.check(snap, m.System, name); return known })
		if ok {
			return s.words.say("event.mark", s.words.name("check", tick.Check), s.words.say("checkstate."+tick.State))
		}
	}
	var more []string
	switch {
	case m.Unit == "Pa":
		more = append(more, pair(c.both(sensors.Pressure, "psi", m.Value)))
	case m.Unit == "kg":
		more = append(more, pair(c.both(sensors.Mass, snap.unitFor(sensors.Mass, "kg"), m.Value)))
	case m.Name == rules.BoxMark && m.Unit == "1": // a part of its disk
		more = append(more, rules.AsGiven(math.Round(1000*m.Value)/10)+" %")
	case m.Unit != "":
		more = append(more, strings.TrimSpace(rules.AsGiven(m.Value)+" "+midSentence(s.words.name("unit", m.Unit))))
	}
	if note, _ := rules.CutPhotos(m.Note); note != "" {
		more = append(more, note)
	}
	if len(more) == 0 {
		return text
	}
	return s.words.say("event.mark", text, strings.Join(more, ", "))
}

// onCurve puts the flags' edges on the curve: at the sample nearest in time.
func (c *chart) onCurve() {
	near := (c.To - c.From) / 40
	for i := range c.Events {
		e := &c.Events[i]
		if e.Kind != "raised" && e.Kind != "cleared" {
			continue
		}
		best := near
		for k, y := range c.Y {
			if d := abs(c.Times[k] - e.Ms); y != nil && d <= best {
				best, e.At = d, y
			}
		}
	}
}

func abs(n int64) int64 { return max(n, -n) }

// label is the number under a tick, or the numbers of several that stand too
// close to be read apart.
type label struct {
	x    float64
	text string
}

// labels lays out the ticks' numbers along an axis: neighbours join until no
// number runs into another.
func labels(es []event, x func(ms int64) float64) (ls []label) {
	const digit = 8 // pixels, and as much between two numbers
	type group struct{ from, to int }
	at := func(g group) label {
		l := label{(x(es[g.from].Ms) + x(es[g.to].Ms)) / 2, fmt.Sprint(es[g.from].N)}
		if g.to > g.from {
			l.text += "\u2013" + fmt.Sprint(es[g.to].N)
		}
		return l
	}
	half := func(l label) float64 { return digit / 2 * float64(utf8.RuneCountInString(l.text)+1) }
	var gs []group
	for i := range es {
		g := group{i, i}
		for len(gs) > 0 {
			before := gs[len(gs)-1]
			a, b := at(before), at(g)
			if b.x-a.x >= half(a)+half(b) {
				break
			}
			g.from, gs = before.from, gs[:len(gs)-1]
		}
		gs = append(gs, g)
	}
	for _, g := range gs {
		ls = append(ls, at(g))
	}
	return ls
}
