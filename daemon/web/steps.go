package web

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
)

// stepRow is one step of one system in the usual order.
type stepRow struct {
	System, Name, Title string
	State, StateWord    string
	URL                 string
	When                string
	Text                string
	Said                []string // who reported it done, who accepted its result
	Checks              string   // how those stand that no sensor sees
	accepted            bool
}

// acceptable: it ended, and not well.
func (r stepRow) acceptable() bool {
	return r.State == rules.NotPassed || r.State == rules.NotProven || r.State == ended
}

// settled: a person answers for it.
func (r stepRow) settled() bool { return r.accepted || r.State == reported }

type stepList struct {
	System string
	Rows   []stepRow
	Shut   string // the system's newest job is closed
	Record linkRow
}

func (s *screens) stepLists(snap Snapshot) []stepList {
	var ls []stepList
	for _, sys := range snap.Site.Systems {
		l := stepList{System: sys.Name, Shut: s.shutJob(snap, sys.Name), Record: linkRow{recordURL(sys.Name, 0), s.words.say("record.of-job", midSentence(s.jobTitle(snap.newest(sys.Name))))}}
		for _, name := range s.order {
			l.Rows = append(l.Rows, s.stepRow(snap, sys.Name, name))
		}
		ls = append(ls, l)
	}
	return ls
}

// States of a step, each with a shape of its own.
const (
	waiting  = "waiting"
	underWay = "under-way"
	ended    = "ended"    // without a verdict
	judging  = "judging"  // ended a moment ago, and its end may give one
	reported = "reported" // done before the box came, somebody says
)

func (s *screens) stepRow(snap Snapshot, system, name string) stepRow {
	row := stepRow{System: system, Name: name, Title: s.words.name("step", name), State: waiting}
	if st, ok := snap.begun(system, name, 0); ok {
		row = s.rowOf(snap, st)
	}
	for _, x := range snap.Reported {
		if x.System == system && x.Step == name {
			row.Said = append(row.Said, s.said(snap, "step.reported", x))
			if row.State == waiting {
				row.State = reported
			}
		}
	}
	row.StateWord, row.URL = s.words.name("state", row.State), stepURL(system, name)
	row.Checks = s.checkCount(snap, system, name)
	return row
}

// judgedIn is how long a verdict that comes with a step's end may take to be
// here: the page that follows the button is quicker (our choice).
const judgedIn = 3 * time.Second

// rowOf is the row of a step that was begun.
func (s *screens) rowOf(snap Snapshot, st Step) stepRow {
	row := stepRow{System: st.System, Name: st.Name, Title: s.words.name("step", st.Name), State: underWay,
		URL: "/steps/" + url.PathEscape(st.Name) + "?" + url.Values{"system": {st.System}, "begin": {fmt.Sprint(st.Begin)}}.Encode()}
	if st.Ended.IsZero() {
		m := s.words.moment(st.Begun, snap.Wall, snap.zone())
		row.When, row.Text = s.words.say("step.begun", m.Ago, m.Clock), st.Outlook.Sentence
	} else {
		row.State = outcome(st.Verdicts)
		if d := snap.Wall.Sub(st.Ended); row.State == ended && d >= 0 && d < judgedIn { // a clock may have been set back
			row.State = judging
		}
		m := s.words.moment(st.Ended, snap.Wall, snap.zone())
		row.When = s.words.say("step.ended", m.Ago, m.Clock)
		row.Text = s.summary(st)
	}
	for _, x := range st.Accepted {
		row.Said, row.accepted = append(row.Said, s.said(snap, "step.accepted", x)), true
	}
	row.StateWord = s.words.name("state", row.State)
	return row
}

func (s *screens) said(snap Snapshot, key string, x Said) string {
	return s.words.say(key, cmp.Or(x.By, s.words.say("step.nobody")), s.words.clock(x.At, snap.Wall, snap.zone()), x.Text)
}

func (s Snapshot) past(system, step string) (Step, bool) {
	for _, st := range s.Past { // newest first
		if st.Name == step && st.System == system {
			return st, true
		}
	}
	return Step{}, false
}

// summary is the verdict in a sentence; of many units how many stand how, and
// what is said of the worst.
func (s *screens) summary(st Step) string {
	vs := latest(st.Verdicts)
	if len(vs) == 0 {
		return ""
	}
	if len(vs) == 1 {
		return vs[0].Text
	}
	return s.words.say("step.of-units", s.tally(vs), vs[0].Text)
}

// tally counts verdicts by their result, what is wrong first.
func (s *screens) tally(vs []Finding) string {
	var parts []string
	for _, result := range worstFirst {
		n := 0
		for _, f := range vs {
			if f.Result == result {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, s.words.say("units.count", n, midSentence(s.words.name("state", result))))
		}
	}
	return strings.Join(parts, ", ")
}

// outcome is the worst of the verdicts that count, one a unit.
func outcome(fs []Finding) string {
	last := map[string]string{}
	for _, f := range fs {
		last[f.Unit] = f.Result
	}
	state := ended
	for _, r := range last {
		switch {
		case r == rules.NotPassed || state == rules.NotPassed:
			state = rules.NotPassed
		case r == rules.NotProven || state == rules.NotProven:
			state = rules.NotProven
		default:
			state = rules.Passed
		}
	}
	return state
}

// next is what the usual order has after the last step that was begun, on the
// first system that still has something to do.
func (s *screens) next(snap Snapshot) *stepRow {
	for _, sys := range snap.working() {
		last := -1
		for i, name := range s.order {
			// A preheat may run beside any step: what comes before it is no later for that.
			if s.stepRow(snap, sys.Name, name).State != waiting && (name != "preheat" || last == i-1) {
				last = i
			}
		}
		if last >= 0 {
			row := s.stepRow(snap, sys.Name, s.order[last])
			if (row.State == rules.NotPassed || row.State == rules.NotProven) && !row.settled() {
				return &row
			}
		}
		if last+1 < len(s.order) {
			row := s.stepRow(snap, sys.Name, s.order[last+1])
			return &row
		}
	}
	return nil
}

// leftOver says what lies behind the last step that was begun and is not
// settled, a sentence a system, besides the step that is suggested.
func (s *screens) leftOver(snap Snapshot, next *stepRow) (said []string) {
	for _, sys := range snap.working() {
		var never, told, accepted []string
		begun := false
		for _, name := range slices.Backward(s.order) {
			row := s.stepRow(snap, sys.Name, name)
			begun = begun || row.State != waiting
			switch {
			case row.State == rules.NotPassed && !row.settled(), row.State == rules.NotProven && !row.settled(): // see unsettled
			case next != nil && next.System == sys.Name && next.Name == name:
			case row.State == reported:
				told = append(told, midSentence(row.Title))
			case row.accepted:
				accepted = append(accepted, midSentence(row.Title))
			case row.State == waiting && begun:
				never = append(never, midSentence(row.Title))
			}
		}
		text := s.titles("now.never-begun", never) +
			s.titles("now.reported", told) + s.titles("now.accepted", accepted)
		if text == "" {
			continue
		}
		if len(snap.Site.Systems) > 1 {
			text = sys.Name + ". " + text
		}
		said = append(said, strings.TrimSpace(text))
	}
	return said
}

// titles says a list that was found last to first; nothing where it is empty.
func (s *screens) titles(key string, backward []string) string {
	if len(backward) == 0 {
		return ""
	}
	slices.Reverse(backward)
	return s.words.say(key, strings.Join(backward, ", ")) + " "
}
