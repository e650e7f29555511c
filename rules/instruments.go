package rules

import (
	"fmt"
	"slices"
	"time"

	"standwatch/sensors"
)

// InstrumentsTrusted looks at the calibration of what a step reads.
var InstrumentsTrusted = Rule{
	Name:  "instruments-trusted",
	Doc:   "Tells at a step's begin that the calibration of an instrument it reads has run out, and notes a correction or an exchange in the middle of it.",
	Steps: readingSteps,
	Flags: []string{"calibration-expired", "calibration-waits", "instrument-exchanged"},
	Roles: []string{},
	Begin: func(s Start) Judge {
		return &instrumentsTrusted{step: s.Step.Name, began: s.Entry.At.Since, wall: s.Wall, said: s.Said, points: s.Reads}
	},
}

// readingSteps are those that go by instruments.
var readingSteps = PointMissing.Steps

type instrumentsTrusted struct {
	step   string
	began  time.Duration
	wall   int64 // Unix ms at the boot's beginning, proven; 0: not known, and no day can be held against it
	said   *Calibrations
	points []sensors.Point
	looked bool
}

func (j *instrumentsTrusted) Next(e Entry) (out []Finding) {
	switch b := e.Body.(type) {
	case *Clocked:
		if b.Proven {
			j.wall = b.Wall - e.At.Since.Milliseconds()
		}
	case *Started:
		j.began, j.wall = e.At.Since, 0
	case *Told:
		out = j.told(e, b)
	}
	if j.wall != 0 && !j.looked {
		j.looked = true
		out = append(out, j.expired(j.wall+e.At.Since.Milliseconds())...)
	}
	return out
}

func (j *instrumentsTrusted) expired(wall int64) []Finding {
	var points, said []string
	for _, p := range j.points {
		if until, expired := j.said.Expired(p.Name, wall); expired {
			points, said = append(points, p.Name), append(said, fmt.Sprintf("%s (%s)", p.Name, until))
		}
	}
	if len(points) == 0 {
		return nil
	}
	return []Finding{{Edge: Raised, Flag: "calibration-expired", Urgency: Tell, Points: points, Text: calibrationExpired(j.step, said)}}
}

// told notes what is said of an instrument that the step reads. The engine has
// taken the mark already.
func (j *instrumentsTrusted) told(e Entry, b *Told) []Finding {
	i := slices.IndexFunc(j.points, func(p sensors.Point) bool {
		marks := j.said.Marks(p.Name)
		return len(marks) > 0 && b.Kind == "mark" && marks[len(marks)-1].Seq == e.Seq
	})
	if i < 0 {
		return nil
	}
	p := j.points[i]
	marks := j.said.Marks(p.Name)
	m := marks[len(marks)-1]
	f := Finding{Edge: Raised, Flag: "calibration-waits", Subject: p.Name, Points: []string{p.Name}, Urgency: Note}
	switch {
	case m.Problem != "" || m.What == AsFound:
		return nil
	case m.What == Exchanged:
		f.Flag, f.Text = "instrument-exchanged", instrumentExchanged(p.Name, j.step)
	default:
		f.Text = calibrationWaits(p.Name, j.step, calibrationSaid(m, p.Quantity))
	}
	return []Finding{f}
}

func (j *instrumentsTrusted) Due() (time.Duration, bool) { return j.began, !j.looked && j.wall != 0 }
