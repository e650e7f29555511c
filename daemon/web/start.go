package web

import (
	"net/url"
	"slices"
	"strings"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// startRow is one thing to see to at a site where nothing has been begun yet.
type startRow struct {
	URL, Title, Text string
	State, StateWord string
}

// start is what to do first; nothing once a step was begun or reported.
func (s *screens) start(snap Snapshot) []startRow {
	if len(snap.Running)+len(snap.Past)+len(snap.Reported) > 0 {
		return nil
	}
	row := func(key, to, state string) startRow {
		return startRow{URL: to, Title: s.words.say("start." + key), Text: s.words.say("start." + key + "-help"),
			State: state, StateWord: s.words.say("start.state-" + state)}
	}
	well := func(ok bool) string {
		if ok {
			return "passed"
		}
		return waiting
	}
	points := row("points", "/points", well(len(snap.Points) > 0 && !slices.ContainsFunc(snap.Points, func(p Point) bool {
		return p.Heard.IsZero() || snap.Wall.Sub(p.Heard) > silence(p.Point) || p.Health.Grade == sensors.Failed
	})))
	points.Text = s.heard(snap)
	told := row("told", "/watch", well(toldOnce(snap)))
	rows := []startRow{points, told}
	if len(snap.Site.Systems) > 0 {
		rows = append(rows, row("take-off", takeoffURL(snap.Site.Systems[0].Name), waiting),
			row("reported", "/mark/reported?"+url.Values{"system": {snap.Site.Systems[0].Name}}.Encode(), waiting), row("begin", "/steps", waiting))
	}
	return rows
}

// toldOnce is whether a message to people, a test say, has left by some path:
// a path that is only written down has proved nothing.
func toldOnce(snap Snapshot) bool {
	return slices.ContainsFunc(snap.Outward, func(f journal.FollowerState) bool {
		return strings.HasPrefix(f.Name, "outbox:") && f.OK && !f.LastDone.IsZero()
	})
}

// unsettled are the steps, of all systems with an open job, that ended failed or not proven and
// that nobody has accepted: each as it was begun last.
func (s *screens) unsettled(snap Snapshot) (rows []stepRow) {
	for _, sys := range snap.working() {
		for _, name := range s.order {
			row := s.stepRow(snap, sys.Name, name)
			if (row.State == rules.NotPassed || row.State == rules.NotProven) && !row.settled() {
				row.Title = s.stepTitle(snap, sys.Name, name)
				rows = append(rows, row)
			}
		}
	}
	return rows
}

// idle is the sentence of Now while no step is under way.
func (s *screens) idle(unsettled []stepRow) string {
	switch len(unsettled) {
	case 0:
		return s.words.say("now.idle")
	case 1:
		return s.words.say("now.idle-one", midSentence(unsettled[0].Title), unsettled[0].StateWord)
	}
	return s.words.count("now.idle-many", len(unsettled))
}
