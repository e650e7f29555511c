package rules

import (
	"time"

	"standwatch/sensors"
)

// Progress says how the steps stand that no rule judges yet: the figure to
// look at, and how long they have been under way. It raises nothing.
var Progress = Rule{
	Name:  "progress",
	Doc:   "Says how the steps stand that no other rule judges yet.",
	Steps: []string{"mixed-run"},
	Roles: []string{"supply-air"},
	Begin: beginProgress,
}

// watchedRole is what to look at in a step, and which setting is its line.
var watchedRole = map[string]struct{ role, line string }{
	"mixed-run": {"supply-air", ""},
}

type progress struct {
	clock  watch
	step   Step
	place  int // of the point shown; -1: none
	point  sensors.Point
	newest sample
	heard  bool
}

func beginProgress(s Start) Judge {
	j := &progress{clock: startWatch(s), step: s.Step, place: -1}
	for i, p := range s.Points {
		if p.Role == watchedRole[s.Step.Name].role && j.place < 0 {
			j.place, j.point = i, p
		}
	}
	return j
}

func (j *progress) Next(e Entry) []Finding {
	j.clock.hear(e)
	b, ok := e.Body.(*Measured)
	if ok && e.place == j.place && b.Health.Usable() {
		if t := j.clock.of(b.Taken); !j.heard || t >= j.newest.t {
			j.newest, j.heard = sample{t, b.Value}, true
		}
	}
	return nil
}

func (j *progress) Due() (time.Duration, bool) { return 0, false }

// Outlook says how far the step is.
func (j *progress) Outlook(at Instant) Outlook {
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Sure: "too early to say"}
	if lasts, ok := limit(j.step, "lasts"); ok {
		o.Lasts = asTime(lasts.Value)
		o.Left = max(0, o.Lasts-o.Elapsed)
	}
	line, aimed := limit(j.step, watchedRole[j.step.Name].line)
	if j.place >= 0 {
		o.Point, o.Quantity = j.point.Name, j.point.Quantity
		if aimed {
			o.Limit = &line
		}
	}
	if j.heard {
		o.Figure, o.HasFig, o.FigAt = Num(j.newest.v), true, Instant{at.Boot, j.clock.when(j.newest.t)}
	}
	o.Sentence = stepStands(j.step.Name, o, line, aimed)
	return o
}
