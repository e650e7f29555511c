package rules

import (
	"slices"
	"time"
)

// ClockUnproven notes that the wall clock of a run is nobody's word yet, and tells when it was set.
var ClockUnproven = Rule{
	Name:  "clock-unproven",
	Doc:   "Notes that a timed step is under way by a clock that nothing has proven, and tells when the clock was set by more than a minute. Durations do not hang on it.",
	Flags: []string{"clock-unproven"},
	Roles: []string{},
	Box:   true,
	Begin: beginClockUnproven,
}

const (
	clockGrace  = 2 * time.Minute // a time service needs that long after a start (our choice)
	clockJumped = time.Minute     // set by less, nobody reads the record wrongly (our choice)
	clockNews   = 15 * time.Minute
	jumped      = "set" // the subject of a clock that was set
)

type clockUnproven struct {
	since    time.Duration // the start
	offset   int64         // Unix ms at the boot's beginning, by the newest anchor
	anchored bool
	proven   bool
	timed    []Step        // under way
	up       bool          // that it is not proven
	set      bool          // that it was set
	setAt    time.Duration // the last time
}

func beginClockUnproven(s Start) Judge {
	j := &clockUnproven{since: s.Entry.At.Since, setAt: s.Entry.At.Since}
	for _, st := range s.Running {
		j.begin(st)
	}
	for _, o := range s.Open {
		j.up, j.set = j.up || o.Subject == "", j.set || o.Subject == jumped
	}
	return j
}

// begin takes a step that lasts a set time.
func (j *clockUnproven) begin(s Step) {
	if _, ok := s.Limits["lasts"]; ok {
		j.timed = append(j.timed, s)
	}
}

func (j *clockUnproven) Next(e Entry) (out []Finding) {
	now := e.At.Since
	switch b := e.Body.(type) {
	case *Clocked:
		out = j.anchor(b, now)
	case *Told:
		if by := time.Duration(b.Value * float64(time.Second)); b.Kind == "mark" && b.Name == "clock-set" && b.Unit == "s" {
			out = j.jump(by, now, true)
		}
		if b.Kind == "begin" || b.Kind == "end" {
			j.timed = slices.DeleteFunc(j.timed, func(s Step) bool { return s.Name == b.Name && s.System == b.System })
		}
		if b.Kind == "begin" {
			j.begin(Step{System: b.System, Name: b.Name, Begin: e.Seq, Limits: b.Limits})
		}
	}
	if j.set && now >= j.setAt+clockNews {
		j.set = false
		out = append(out, Finding{Edge: Cleared, Flag: "clock-unproven", Subject: jumped, Text: clockSteady(now - j.setAt)})
	}
	switch doubt := !j.proven && j.anchored && len(j.timed) > 0; {
	case j.up && len(j.timed) == 0:
		j.up = false
		out = append(out, Finding{Edge: Cleared, Flag: "clock-unproven", Text: clockNoMatter()})
	case doubt && !j.up && now >= j.since+clockGrace:
		j.up = true
		out = append(out, Finding{Edge: Raised, Flag: "clock-unproven", Urgency: Note, Text: clockDoubt(j.timed[0])})
	}
	return out
}

// anchor compares an anchor with the one before it.
func (j *clockUnproven) anchor(b *Clocked, now time.Duration) (out []Finding) {
	offset := b.Wall - now.Milliseconds()
	was, anchored, proven := j.offset, j.anchored, j.proven
	j.offset, j.anchored, j.proven = offset, true, j.proven || b.Proven
	if j.proven && j.up {
		j.up = false
		out = append(out, Finding{Edge: Cleared, Flag: "clock-unproven", Text: clockProven()})
	}
	if anchored {
		out = append(out, j.jump(time.Duration(offset-was)*time.Millisecond, now, proven || !b.Proven)...)
	}
	return out
}

// jump tells that the clock was set, and by how much. The first time that it
// is proven in a run is no surprise: it comes right.
func (j *clockUnproven) jump(by, now time.Duration, surprise bool) (out []Finding) {
	if max(by, -by) < clockJumped {
		return nil
	}
	if j.setAt = now; j.set { // a clock that goes on jumping is told once
		return nil
	}
	j.set = true
	f := Finding{Edge: Raised, Flag: "clock-unproven", Subject: jumped, Urgency: Note, Text: clockCameRight(by),
		Values: []Value{{"stepped_s", seconds(by)}}}
	if surprise {
		f.Urgency, f.Text = Tell, clockWasSet(by)
	}
	return append(out, f)
}

func (j *clockUnproven) Due() (due time.Duration, ok bool) {
	if j.set {
		due, ok = j.setAt+clockNews, true
	}
	if at := j.since + clockGrace; !j.proven && j.anchored && !j.up && len(j.timed) > 0 && (!ok || at < due) {
		due, ok = at, true
	}
	return due, ok
}
