package rules

import (
	"strings"
	"time"

	"standwatch/sensors"
)

// PointFailed tells when a point's readings go on failing.
var PointFailed = Rule{
	Name:  "point-failed",
	Doc:   "Tells when a point gives readings without a value, three in a row or for half a minute, and why.",
	Flags: []string{"point-failed"},
	Begin: beginPointFailed,
}

// One garbled reading is nothing; a run of them is. The flag goes only after
// values have come for a while, so that a loose contact is one flag.
const (
	failedRun  = 3
	failedSpan = 5 * time.Second  // three within less are one fault of the moment
	failedLong = 30 * time.Second // or two that span this
	goodRun    = 3
	goodSpan   = 30 * time.Second
)

type pointFailed struct {
	points   []failing // as the points of Start
	earliest time.Duration
	armed    bool
}

// failing counts a point's present run of failed readings, or of good ones
// while its flag is up.
type failing struct {
	point  sensors.Point
	called string // what people call it
	raised bool
	run    int
	since  time.Duration // of the run's first
	reason string
}

func beginPointFailed(s Start) Judge {
	j := &pointFailed{}
	for _, p := range s.Points {
		f := failing{point: p, called: called(p.Name, s.Units)}
		for _, o := range s.Open {
			f.raised = f.raised || o.Subject == p.Name
		}
		j.points = append(j.points, f)
	}
	return j
}

func (j *pointFailed) Next(e Entry) []Finding {
	now := e.At.Since
	switch b := e.Body.(type) {
	case *Measured:
		f := &j.points[e.place]
		failed := b.Health.Grade == sensors.Failed && !f.rests(b.Health.Reason)
		if !b.Health.Live() && b.Health.Reason != sensors.ReasonOffline {
			return nil
		}
		if failed == f.raised { // the state it is in already
			f.run = 0
			return nil
		}
		if f.run == 0 {
			f.since = now
		}
		f.run++
		if failed {
			f.reason = b.Health.Reason
			return j.fail(f, now)
		}
		if f.run >= goodRun && now-f.since >= goodSpan {
			f.raised, f.run = false, 0
			return []Finding{{Edge: Cleared, Flag: "point-failed", Subject: f.point.Name, Text: readsAgain(f.called)}}
		}
	case *Due:
		return j.persist(now)
	}
	return nil
}

func (j *pointFailed) fail(f *failing, now time.Duration) []Finding {
	if f.run >= failedRun && now-f.since >= failedSpan || f.long(now) {
		return []Finding{f.raise(now)}
	}
	if due := f.due(); !j.armed || due < j.earliest {
		j.earliest, j.armed = due, true
	}
	return nil
}

// rests reports whether a reading without a value is what a sound instrument
// gives at rest: a thermal vacuum gauge ends far below the atmosphere. Where
// air comes in during a pull or a hold, their judges say so.
func (f *failing) rests(reason string) bool {
	return f.point.Role == "vacuum-gauge" && pastItsTop(reason)
}

// pastItsTop reports whether a reading without a value is of more than the
// instrument shows, in whichever words it says so: over-range, "over range".
func pastItsTop(reason string) bool {
	reason = strings.ReplaceAll(reason, " ", "-")
	return reason == sensors.ReasonOffScale || reason == sensors.ReasonOverRange
}

// long reports whether the run has lasted, also where readings are rare or
// the instrument has said once that it goes away.
func (f *failing) long(now time.Duration) bool {
	return !f.raised && f.run > 0 && (f.run > 1 || f.reason == sensors.ReasonOffline) && now >= f.due()
}

func (f *failing) due() time.Duration { return f.since + max(failedLong, f.point.Every*5/2) }

func (f *failing) raise(now time.Duration) Finding {
	f.raised, f.run = true, 0
	return Finding{Edge: Raised, Flag: "point-failed", Subject: f.point.Name, Urgency: Tell,
		Points: []string{f.point.Name}, Text: fails(f.called, now-f.since, f.reason),
		Values: []Value{{"failed_s", seconds(now - f.since)}}}
}

func (j *pointFailed) persist(now time.Duration) (out []Finding) {
	j.armed = false
	for i := range j.points {
		f := &j.points[i]
		if f.raised || f.run == 0 {
			continue
		}
		if f.long(now) {
			out = append(out, f.raise(now))
		} else if due := f.due(); due > now && (!j.armed || due < j.earliest) {
			j.earliest, j.armed = due, true
		}
	}
	return out
}

func (j *pointFailed) Due() (time.Duration, bool) { return j.earliest, j.armed }

// BatteryLow tells when an instrument says that its battery runs out.
var BatteryLow = Rule{
	Name:  "battery-low",
	Doc:   "Tells when an instrument reports a low battery, before it falls silent.",
	Flags: []string{"battery-low"},
	Begin: beginBatteryLow,
}

// A battery near its threshold says low and not low by turns: a few reports
// raise the flag, and only a good while without any clears it.
const (
	batteryReports = 3
	batteryGood    = 10 * time.Minute
)

type batteryLow struct{ points []battery } // as the points of Start

type battery struct {
	called string // what people call its point
	raised bool
	low    int           // reports since the flag went down
	last   time.Duration // of the newest report
}

func beginBatteryLow(s Start) Judge {
	j := &batteryLow{}
	for _, p := range s.Points {
		b := battery{called: called(p.Name, s.Units), last: s.Entry.At.Since}
		for _, o := range s.Open {
			b.raised = b.raised || o.Subject == p.Name
		}
		j.points = append(j.points, b)
	}
	return j
}

func (j *batteryLow) Next(e Entry) []Finding {
	m, ok := e.Body.(*Measured)
	if !ok || !m.Health.Live() {
		return nil
	}
	b := &j.points[e.place]
	if m.Health.Grade == sensors.Good {
		return b.good(m.Point, e.At.Since)
	}
	if m.Health.Reason != sensors.ReasonBatteryLow {
		return nil
	}
	b.last = e.At.Since
	b.low++
	if b.raised || b.low < batteryReports {
		return nil
	}
	b.raised = true
	return []Finding{{Edge: Raised, Flag: "battery-low", Subject: m.Point, Urgency: Tell,
		Points: []string{m.Point}, Text: batteryIsLow(b.called)}}
}

func (b *battery) good(point string, now time.Duration) []Finding {
	if !b.raised && b.low == 0 || now-b.last < batteryGood {
		return nil
	}
	b.low = 0
	if !b.raised {
		return nil
	}
	b.raised = false
	return []Finding{{Edge: Cleared, Flag: "battery-low", Subject: point, Text: batteryIsGood(b.called)}}
}

func (j *batteryLow) Due() (time.Duration, bool) { return 0, false }
