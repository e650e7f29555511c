package rules

import (
	"slices"
	"time"

	"standwatch/sensors"
)

// DischargeTooHot wakes somebody when a compressor's discharge is hotter than
// its oil bears. It stands watch: a compressor runs in many steps, and between them.
var DischargeTooHot = Rule{
	Name:  "discharge-too-hot",
	Doc:   "Wakes somebody when a compressor's discharge line is hotter than the trial run's most-discharge.",
	Flags: []string{"discharge-too-hot"},
	Roles: []string{"discharge-line"},
	Begin: beginDischargeTooHot,
}

const (
	hotReadings = 2                // a single one may be a glitch
	hotFor      = 10 * time.Second // and they span this
	coolerK     = 3.0              // below the limit, for
	coolerFor   = 2 * time.Minute  // so long, clears
)

type dischargeTooHot struct {
	limit Setting
	steps underWaySteps
	lines []hotLine // as the points of Start
}

// hotLine is one discharge line.
type hotLine struct {
	point  sensors.Point
	n      int           // readings over the limit in a row
	since  time.Duration // of the first of them
	cooler lasting
	up     bool
}

// underWaySteps names the newest step of a system that is under way: what a standing
// rule's flag concerns.
type underWaySteps []string

func (u underWaySteps) hear(b *Told) underWaySteps {
	if b.Kind != "begin" && b.Kind != "end" {
		return u
	}
	u = slices.DeleteFunc(slices.Clone(u), func(s string) bool { return s == b.Name })
	if b.Kind == "begin" {
		u = append(u, b.Name)
	}
	return u
}

func (u underWaySteps) newest() string {
	for _, s := range slices.Backward(u) {
		if slices.Contains(compressorSteps, s) {
			return s
		}
	}
	return ""
}

func stepsOf(s Start) (u underWaySteps) {
	for _, r := range s.Running {
		u = append(u, r.Name)
	}
	return u
}

func beginDischargeTooHot(s Start) Judge {
	j := &dischargeTooHot{steps: stepsOf(s)}
	j.limit, _ = limit(Step{Name: "trial-run", Limits: s.Plant.Steps["trial-run"]}, "most-discharge")
	for _, p := range s.Points {
		l := hotLine{point: p}
		l.up = slices.ContainsFunc(s.Open, func(o Flag) bool { return o.Subject == p.Name })
		j.lines = append(j.lines, l)
	}
	return j
}

func (j *dischargeTooHot) Next(e Entry) []Finding {
	switch b := e.Body.(type) {
	case *Told:
		j.steps = j.steps.hear(b)
		if b.Kind == "begin" && b.Name == "trial-run" {
			j.limit, _ = limit(Step{Name: b.Name, Limits: b.Limits}, "most-discharge")
		}
	case *Measured:
		if b.Health.Usable() {
			return j.read(&j.lines[e.place], b.Value, e.At.Since)
		}
	}
	return nil
}

func (j *dischargeTooHot) read(l *hotLine, c float64, now time.Duration) []Finding {
	if c > j.limit.Value {
		if l.n == 0 {
			l.since = now
		}
		l.n++
	} else {
		l.n = 0
	}
	if l.cooler.by(now, c <= j.limit.Value-coolerK, coolerFor) && l.up {
		l.up = false
		return []Finding{{Edge: Cleared, Flag: "discharge-too-hot", Subject: l.point.Name, Step: j.steps.newest(), Text: dischargeCooler(l.point.Name, c)}}
	}
	if l.up || l.n < hotReadings || now-l.since < hotFor {
		return nil
	}
	l.up = true
	return []Finding{{Edge: Raised, Flag: "discharge-too-hot", Subject: l.point.Name, Urgency: Wake, Step: j.steps.newest(),
		Points: []string{l.point.Name}, Text: dischargeIsHot(l.point.Name, c, j.limit),
		Values: []Value{{"discharge_c", c}, {"limit_c", j.limit.Value}}}}
}

// Due is nothing: a discharge is judged by its readings.
func (j *dischargeTooHot) Due() (time.Duration, bool) { return 0, false }
