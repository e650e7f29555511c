package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/sensors"
)

// DrainRising wakes somebody when condensate does not run off.
var DrainRising = Rule{
	Name:  "drain-rising",
	Doc:   "Wakes somebody when a drain pan's float switch closes, or when its level goes on rising.",
	Flags: []string{"drain-rising"},
	Roles: []string{"drain"},
	Begin: beginDrainRising,
}

// A float switch is on where the water stands high. A level signal has no
// stated scale: a twentieth of 4 to 20 mA, or of 0 to 10 V, counts as a rise. A dry
// pan fills to its outlet first, which takes 20 to 30 min (the field guide).
const (
	floatFor     = 10 * time.Second // a float bobs for less (common practice)
	floatOff     = 2 * time.Minute  // and so long down clears
	drainOver    = 20               // slots: what a level is compared over, 10 min
	drainRises   = 20 * time.Minute // the level has risen for those 10 min and so long
	drainRest    = 10 * time.Minute // and no longer rises, or has fallen, for so long
	drainShare   = 0.05             // of the span
	drainFull    = 0.75             // of the span: there a rise is told at once
	spanCurrentA = 0.016            // 4 to 20 mA (IEC 60381-1)
	zeroCurrentA = 0.004
	spanVoltageV = 10.0 // 0 to 10 V (IEC 60381-2)
)

// pan is one drain pan.
type pan struct {
	point  sensors.Point
	track  track
	heard  bool
	on     bool
	since  time.Duration // of the float's last change
	slot   int64         // looked at
	level  float64
	rises  lasting
	rests  lasting
	isHigh bool
}

func newPan(p sensors.Point) *pan { return &pan{point: p, track: track{point: p}} }

func (p *pan) contact() bool { return p.point.Quantity == sensors.Contact }

// read takes a reading at a time that does not go back.
func (p *pan) read(v float64, now time.Duration) {
	if p.contact() {
		if on := v >= 0.5; on != p.on || !p.heard {
			p.heard, p.on, p.since = true, on, now
		}
		return
	}
	p.track.add(sample{now, v})
	slot := int64(now / slotLasts)
	if slot <= p.slot {
		return
	}
	p.slot = slot
	zero, span := 0.0, spanVoltageV
	if p.point.Quantity == sensors.Current {
		zero, span = zeroCurrentA, spanCurrentA
	}
	p.level = p.track.level(slot-4, slot)
	risen := p.level - p.track.level(slot-drainOver-4, slot-drainOver)
	rises := risen > drainShare*span
	long := p.rises.by(now, rises, drainRises)
	rest := p.rests.by(now, !rises && !math.IsNaN(risen), drainRest)
	switch full := p.level > zero+float64(drainFull*span); {
	case long || full && rises:
		p.isHigh = true
	case rest && !full:
		p.isHigh = false
	}
}

// high reports whether water stands in the pan, or goes on rising.
func (p *pan) high(now time.Duration) bool {
	switch {
	case !p.contact() || !p.heard:
	case p.on && now-p.since >= floatFor:
		p.isHigh = true
	case !p.on && now-p.since >= floatOff:
		p.isHigh = false
	}
	return p.isHigh
}

type drainRising struct {
	steps underWaySteps
	pans  []*pan // as the points of Start
	up    []bool
}

func beginDrainRising(s Start) Judge {
	j := &drainRising{steps: stepsOf(s), up: make([]bool, len(s.Points))}
	for i, p := range s.Points {
		x := newPan(p)
		j.up[i] = slices.ContainsFunc(s.Open, func(o Flag) bool { return o.Subject == p.Name })
		x.isHigh = j.up[i]
		j.pans = append(j.pans, x)
	}
	return j
}

func (j *drainRising) Next(e Entry) (out []Finding) {
	switch b := e.Body.(type) {
	case *Told:
		j.steps = j.steps.hear(b)
		return nil
	case *Measured:
		if b.Health.Usable() {
			j.pans[e.place].read(b.Value, e.At.Since)
			return j.look(e.place, e.At.Since)
		}
	case *Due:
		for i := range j.pans {
			out = append(out, j.look(i, e.At.Since)...)
		}
	}
	return out
}

func (j *drainRising) look(i int, now time.Duration) []Finding {
	p := j.pans[i]
	high := p.high(now)
	if high == j.up[i] {
		return nil
	}
	j.up[i] = high
	if !high {
		return []Finding{{Edge: Cleared, Flag: "drain-rising", Subject: p.point.Name, Step: j.steps.newest(), Text: drainFell(p.point.Name)}}
	}
	f := Finding{Edge: Raised, Flag: "drain-rising", Subject: p.point.Name, Urgency: Wake, Step: j.steps.newest(),
		Points: []string{p.point.Name}, Text: drainIsHigh(p.point.Name, p.contact())}
	if !p.contact() {
		key := "level_v"
		if p.point.Quantity == sensors.Current {
			key = "level_a"
		}
		f.Values = []Value{{key, p.level}}
	}
	return []Finding{f}
}

// Due is when a float that is up, or down again, will have been so for long enough.
func (j *drainRising) Due() (due time.Duration, ok bool) {
	for i, p := range j.pans {
		at := p.since + floatFor
		if !p.on {
			at = p.since + floatOff
		}
		if p.contact() && p.heard && p.on != j.up[i] && (!ok || at < due) {
			due, ok = at, true
		}
	}
	return due, ok
}
