package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// HeatingWindow says when it is cool enough outdoors to heat.
var HeatingWindow = Rule{
	Name:  "heating-window",
	Doc:   "Tells in the heating check when the outdoor air is cool enough for units to heat and likely to stay so, within the hours that the site allows.",
	Steps: []string{"heating-check"},
	Flags: []string{"heating-window"},
	Roles: []string{"outdoor-air"},
	Begin: beginHeatingWindow,
}

const (
	windowUnderK = 1.0              // under the ceiling (the field guide, step 8), and
	windowFor    = 20 * time.Minute // for so long (the same), and
	windowAhead  = 2 * time.Hour    // likely for so much longer (the same)
	weatherOver  = 6 * time.Hour    // what its trend is found from
	weatherBin   = 5 * time.Minute
	weatherGap   = 15 * time.Minute // not heard for longer: nobody knows how warm it was meanwhile
	// A shower or a gust of warm air passes within an hour or so (our choice).
	passesOverS = 3600.0
	doubtAheadK = 0.5 // of what is expected (our choice): nobody is called for a window that hardly opens
	// What is believed of a day before it is seen: how far its temperature goes
	// up and down, with its spread; how it drifts beside that, K an hour (common
	// practice); and by how much five minutes stray from both.
	usualRangeK, rangeSpreadK, driftSpreadK, straySpreadK = 10.0, 5.0, 0.2, 1.0
)

// dayShape is by how much of a day's range it is cooler than at its warmest,
// at each full hour of local time from midnight (ASHRAE Handbook Fundamentals,
// climatic design: fractions of the daily range on a clear day; from memory).
var dayShape = [24]float64{0.82, 0.88, 0.92, 0.95, 0.98, 1, 0.98, 0.91, 0.74, 0.55, 0.38, 0.23,
	0.13, 0.05, 0, 0, 0.06, 0.14, 0.24, 0.39, 0.50, 0.59, 0.68, 0.75}

type heatingWindow struct {
	clock   watch
	zone    *time.Location
	wall    int64 // Unix ms at the step's beginning; 0: not known
	ceiling Setting
	hours   *Hours
	text    string // of the hours, as written
	bins    []weatherSpan
	cool    lasting
	warm    bool // it was too warm at some time
	units   []string
	asked   bool // a unit is asked to heat
	given   func() []Finding
	step    Step
	raised  bool
}

// weatherSpan is the mean outdoor temperature of some minutes.
type weatherSpan struct {
	from, last time.Duration
	sumC, n    float64
}

func (b weatherSpan) meanC() float64 { return b.sumC / b.n }

func beginHeatingWindow(s Start) Judge {
	j := &heatingWindow{clock: startWatch(s), zone: s.Zone, given: s.Given, step: s.Step}
	j.ceiling, _ = limit(s.Step, "ambient")
	if set, ok := limit(s.Step, "hours"); ok {
		if h, err := ReadHours(set.Text); err == nil {
			j.hours, j.text = &h, set.Text
		}
	}
	if j.zone == nil {
		j.zone = time.UTC
	}
	if s.Wall != 0 {
		j.wall = s.Wall + s.Began.Since.Milliseconds()
	}
	for _, u := range s.Units {
		j.units = append(j.units, u.Name)
		j.asked = j.asked || s.Commands[u.Name] == "heat"
	}
	return j
}

func (j *heatingWindow) Next(e Entry) []Finding {
	j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Started:
		j.wall, j.cool = 0, lasting{}
	case *Clocked:
		if b.Proven {
			j.wall = b.Wall - j.clock.of(e.At.Since).Milliseconds()
		}
	case *Told:
		j.asked = j.asked || b.Kind == "command" && b.Note == "heat" && slices.Contains(j.units, b.Name)
	case *Measured:
		if e.place == 0 && b.Health.Usable() && j.add(sample{j.clock.of(b.Taken), b.Value}) {
			return j.judge()
		}
	}
	return nil
}

// add puts a reading into its five minutes; it reports whether a while has
// passed since the last look.
func (j *heatingWindow) add(s sample) bool {
	n := len(j.bins)
	if n > 0 && s.t <= j.bins[n-1].last {
		return false
	}
	if n > 0 && s.t-j.bins[n-1].last > weatherGap {
		j.cool = lasting{}
	}
	if n == 0 || s.t-j.bins[n-1].from >= weatherBin {
		for len(j.bins) > 0 && s.t-j.bins[0].from > weatherOver {
			j.bins = j.bins[1:]
		}
		j.bins = append(j.bins, weatherSpan{s.t, s.t, s.v, 1})
		return true
	}
	b := &j.bins[n-1]
	looked := b.last.Truncate(time.Minute)
	b.last, b.sumC, b.n = s.t, b.sumC+s.v, b.n+1
	return s.t.Truncate(time.Minute) != looked
}

func (j *heatingWindow) judge() (out []Finding) {
	b := j.bins[len(j.bins)-1]
	nowC, now := b.meanC(), b.last
	under := nowC <= j.ceiling.Value-windowUnderK
	j.warm = j.warm || !under
	long := j.cool.by(now, under, windowFor)
	open := j.open(now)
	switch {
	case j.raised && nowC > j.ceiling.Value:
		j.raised = false
		return []Finding{{Edge: Cleared, Flag: "heating-window", Text: windowClosed(nowC, j.ceiling)}}
	case j.raised && !open && j.wall != 0: // without a clock nobody knows the hour
		j.raised = false
		return []Finding{{Edge: Cleared, Flag: "heating-window", Text: windowOver(j.text)}}
	case j.raised && j.done():
		j.raised = false
		return []Finding{{Edge: Cleared, Flag: "heating-window", Text: windowDone}}
	case j.raised || !long || !open || j.asked && !j.warm || j.done():
		return nil
	}
	mostC := j.aheadC(now)
	if mostC > j.ceiling.Value-doubtAheadK {
		return nil
	}
	j.raised = true
	return []Finding{{Edge: Raised, Flag: "heating-window", Urgency: Tell, Text: windowOpen(nowC, mostC, j.ceiling, j.text),
		Values: []Value{{"outdoor_c", nowC}, {"limit_c", j.ceiling.Value}, {"projected_c", mostC}}}}
}

// done reports whether every unit has passed in this check: nobody is called for it.
func (j *heatingWindow) done() bool {
	passed := map[string]bool{}
	for _, f := range j.given() {
		if f.Step == j.step.Name && f.Begin == j.step.Begin {
			passed[f.Unit] = f.Result == Passed
		}
	}
	return len(j.units) > 0 && !slices.ContainsFunc(j.units, func(u string) bool { return !passed[u] })
}

// open reports whether the site allows it at this hour.
func (j *heatingWindow) open(now time.Duration) bool {
	if j.hours == nil {
		return true
	}
	t, ok := j.local(now)
	return ok && j.hours.Holds(t)
}

func (j *heatingWindow) local(at time.Duration) (time.Time, bool) {
	return time.UnixMilli(j.wall + at.Milliseconds()).In(j.zone), j.wall != 0
}

// coolerBy is the day's shape at a moment: 0 at its warmest, 1 at its coolest.
// Where the time of day is not known there is no shape.
func (j *heatingWindow) coolerBy(at time.Duration) float64 {
	t, ok := j.local(at)
	if !ok {
		return 0
	}
	h := t.Hour()
	part := float64(t.Minute()) / 60
	return dayShape[h] + float64(part*(dayShape[(h+1)%24]-dayShape[h]))
}

// aheadC is the warmest that it is likely to become in the time looked ahead.
// The last hours are fitted by a level, a day's range in its usual shape and a
// drift, each held to what is usual (least squares with prior, Huber's weights);
// what it is off from that now passes as showers do.
func (j *heatingWindow) aheadC(now time.Duration) float64 {
	hour := func(t time.Duration) float64 { return (t - now).Hours() }
	var fit [3]float64
	at := func(t time.Duration) float64 {
		return fit[0] - float64(fit[1]*j.coolerBy(t)) + float64(fit[2]*hour(t))
	}
	weight := make([]float64, len(j.bins))
	for i := range weight {
		weight[i] = 1
	}
	for range 8 {
		// normal equations of T = level - range*shape + drift*hours
		var a [3][4]float64
		a[1] = [4]float64{0, 1 / (rangeSpreadK * rangeSpreadK), 0, usualRangeK / (rangeSpreadK * rangeSpreadK)}
		a[2] = [4]float64{0, 0, 1 / (driftSpreadK * driftSpreadK), 0}
		for i, b := range j.bins {
			mid := (b.from + b.last) / 2
			x := [4]float64{1, -j.coolerBy(mid), hour(mid), b.meanC()}
			for r := range a {
				for c := range a[r] {
					a[r][c] += float64(float64(x[r]*x[c]) * weight[i])
				}
			}
		}
		fit = solve3(a)
		for i, b := range j.bins {
			weight[i] = 1
			if off := math.Abs(b.meanC() - at((b.from+b.last)/2)); off > straySpreadK {
				weight[i] = straySpreadK / off
			}
		}
	}
	strays := j.bins[len(j.bins)-1].meanC() - at(now)
	most := j.bins[len(j.bins)-1].meanC()
	for d := time.Duration(0); d <= windowAhead; d += 10 * time.Minute {
		most = max(most, at(now+d)+float64(strays*decayed(d)))
	}
	return most
}

// decayed is how much is left of what passes, as a share.
func decayed(d time.Duration) float64 {
	left := 1.0 // (1 - d/3600/12)^12: exp from products alone, the same on every machine
	for range 12 {
		left *= max(0, 1-float64(d.Seconds()/passesOverS/12))
	}
	return left
}

// solve3 solves three equations, whose matrix is symmetric and positive.
func solve3(a [3][4]float64) (x [3]float64) {
	for i := range 3 {
		for r := i + 1; r < 3; r++ {
			f := float64(a[r][i] / a[i][i])
			for c := i; c < 4; c++ {
				a[r][c] -= float64(f * a[i][c])
			}
		}
	}
	for i := 2; i >= 0; i-- {
		x[i] = a[i][3]
		for c := i + 1; c < 3; c++ {
			x[i] -= float64(a[i][c] * x[c])
		}
		x[i] = float64(x[i] / a[i][i])
	}
	return x
}

// Hours is a stretch of the day, in minutes from midnight; it may go over
// midnight, and holds its beginning and not its end.
type Hours struct{ From, To int }

// ReadHours reads hours as people write them: 22:00-06:00.
func ReadHours(text string) (Hours, error) {
	from, to, ok := strings.Cut(strings.ReplaceAll(text, " ", ""), "-")
	a, ok1 := minuteOf(from)
	b, ok2 := minuteOf(to)
	if !ok || !ok1 || !ok2 || a == b {
		return Hours{}, fmt.Errorf("%q is no stretch of the day; write it such as 22:00-06:00", text)
	}
	return Hours{a, b}, nil
}

func minuteOf(text string) (int, bool) {
	h, m, ok := strings.Cut(text, ":")
	hour, err1 := strconv.ParseUint(h, 10, 8)
	minute, err2 := strconv.ParseUint(m, 10, 8)
	if !ok || err1 != nil || err2 != nil || len(m) != 2 || minute > 59 || hour*60+minute > 24*60 {
		return 0, false
	}
	return int(hour*60 + minute), true
}

// Holds reports whether a local time lies within.
func (h Hours) Holds(t time.Time) bool {
	m := t.Hour()*60 + t.Minute()
	if h.From < h.To {
		return m >= h.From && m < h.To
	}
	return m >= h.From || m < h.To
}

// Due is nothing: it is judged by the outdoor air's readings.
func (j *heatingWindow) Due() (time.Duration, bool) { return 0, false }
