package rules

import (
	"slices"
	"time"
)

// PowerReturned tells that the box was away, and what that means for what was under way.
var PowerReturned = Rule{
	Name:  "power-returned",
	Doc:   "Tells when the box runs again after its power was cut or its program ended: for how long it saw nothing, and what that means for each step under way.",
	Flags: []string{"power-returned", "box-restarted"},
	Roles: []string{},
	Box:   true,
	Begin: beginPowerReturned,
}

// returnedFor is how long power must have stayed before its return is no
// longer news: a supply that fails again within is one trouble (our choice).
const returnedFor = 15 * time.Minute

type powerReturned struct {
	since time.Duration // the start
	away  *Started      // nil: told already, or the box's first start
	cut   []Step        // steps under way then that have not ended
	given []Finding
	up    []string // flags
}

func beginPowerReturned(s Start) Judge {
	j := &powerReturned{since: s.Entry.At.Since, cut: slices.Clone(s.Running), given: s.Earlier}
	if b, ok := s.Entry.Body.(*Started); ok && s.Entry.At.Boot > 1 {
		j.away = b
	}
	for _, o := range s.Open {
		j.up = append(j.up, o.Flag)
	}
	return j
}

func (j *powerReturned) Next(e Entry) (out []Finding) {
	if j.away != nil {
		out = j.back(*j.away)
		j.away = nil
	}
	if b, ok := e.Body.(*Told); ok && (b.Kind == "begin" || b.Kind == "end") {
		j.cut = slices.DeleteFunc(j.cut, func(s Step) bool { return s.Name == b.Name && s.System == b.System })
	}
	if len(j.up) > 0 && len(j.cut) == 0 && e.At.Since >= j.since+returnedFor {
		out = append(out, j.lower(stayedUp(e.At.Since-j.since))...)
	}
	return out
}

// back says what the box missed.
func (j *powerReturned) back(b Started) []Finding {
	f := Finding{Edge: Raised, Flag: "power-returned", Urgency: Tell}
	if b.Same {
		f.Flag = "box-restarted"
		if len(j.cut) == 0 {
			f.Urgency = Note
		}
	}
	if b.GapKnown {
		f.Values = []Value{{"gap_s", seconds(b.Gap)}}
	}
	f.Text = boxAway(b)
	for _, s := range j.cut {
		f.Text += " " + missed(s, b, j.judged(s))
	}
	if b.GapKnown && b.Gap <= bridged { // nothing was interrupted
		j.cut = nil
	}
	out := append(j.lower(awayAgain(b.Same)), f)
	j.up = append(j.up, f.Flag)
	return out
}

// judged reports whether a step has a verdict that stands, whatever comes.
func (j *powerReturned) judged(s Step) bool {
	return slices.ContainsFunc(j.given, func(f Finding) bool {
		return f.System == s.System && f.Step == s.Name && f.Begin == s.Begin && f.Unit == ""
	})
}

func (j *powerReturned) lower(text string) (out []Finding) {
	for _, flag := range j.up {
		out = append(out, Finding{Edge: Cleared, Flag: flag, Text: text})
	}
	j.up = nil
	return out
}

func (j *powerReturned) Due() (time.Duration, bool) {
	if j.away != nil {
		return j.since, true
	}
	return j.since + returnedFor, len(j.up) > 0 && len(j.cut) == 0
}
