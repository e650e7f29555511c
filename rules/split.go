package rules

import (
	"strings"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// SplitPoor judges each indoor unit's supply against its return air.
var SplitPoor = Rule{
	Name:  "split-poor",
	Doc:   "Judges each indoor unit's split in the cooling and heating checks, cooling against a target from the return air's wet bulb.",
	Steps: []string{"cooling-check", "heating-check"},
	Flags: []string{"split-poor"},
	Roles: []string{"supply-air", "return-air", "return-wet-bulb", "return-humidity", "outdoor-air"},
	Begin: beginSplitPoor,
}

// The target of cooling is computed from psychrometrics (physics.CoolingSplitK),
// not read from the published table of target splits: of that we hold only a
// copy from memory, whose outer cells nobody here has checked.
const (
	splitOver    = 5 * time.Minute  // a split is the difference of medians over these
	splitFresh   = 2 * time.Minute  // and both airs were measured within these
	airFresh     = 10 * time.Minute // humidity changes slowly
	coolHoldOff  = 3 * time.Minute  // a poor split must last
	heatHoldOff  = 12 * time.Minute // longer than a defrost, 3 to 10 min (the field guide)
	goodHoldOff  = 5 * time.Minute  // before its flag goes
	doubtK       = 0.3              // of a split by two clamps (common practice): no nearer its edge does it fail
	heatLeastK   = 15.0             // common practice (the field guide, step 8)
	heatMostK    = 30.0
	coolLeastK   = 5.0 // where no humidity is known: common practice, dry and damp rooms taken together
	coolMostK    = 18.0
	reversedK    = -1.0
	idleK        = 1.5 // nothing happens
	ambientBackK = 1.0
)

type splitPoor struct {
	step    Step
	heating bool
	tolK    float64
	settle  time.Duration
	ceiling Setting
	clock   watch
	units   []*unitSplit
	feeds   [][]feedOf // by place of the point
	outdoor sample
	outside bool // outdoor air is known
	tooWarm bool
}

// feedOf says which unit's series a point's readings go to.
type feedOf struct {
	unit   *unitSplit // nil: outdoor air
	series *series
}

// series is the readings of the last minutes.
type series struct {
	point sensors.Point
	ss    []sample
}

func (x *series) add(s sample) {
	if n := len(x.ss); n > 0 && s.t <= x.ss[n-1].t {
		return
	}
	x.ss = append(x.ss, s)
	for s.t-x.ss[0].t > max(splitOver, 3*x.point.Every) {
		x.ss = x.ss[1:]
	}
}

func (x *series) fresh(now, within time.Duration) bool {
	n := len(x.ss)
	return n > 0 && now-x.ss[n-1].t <= max(within, x.point.Every*5/2)
}

// unitSplit is one indoor unit's check.
type unitSplit struct {
	unit                     Unit
	supply, back, wet, humid series
	asked                    string
	since                    time.Duration // when that was asked
	view                     splitView
	known                    bool // there is a view
	poor, good               lasting
	raised                   bool
	result                   string
	looked                   time.Duration
}

// splitView is a unit's split at one moment, against what it should be.
type splitView struct {
	supplyC, returnC, splitK float64
	lowK, highK              float64 // what is good
	targetK                  float64 // their middle
	wetBulbC                 float64
	humid                    bool // the target is from the return air's humidity
}

func beginSplitPoor(s Start) Judge {
	j := &splitPoor{step: s.Step, heating: s.Step.Name == "heating-check", clock: startWatch(s)}
	tol, _ := limit(s.Step, "tolerance")
	settle, _ := limit(s.Step, "settle")
	j.tolK, j.settle = tol.Value, asTime(settle.Value)
	j.ceiling, _ = limit(s.Step, "ambient")
	for _, u := range s.Units {
		if u.WetBulb == "" && u.Humidity == "" {
			u.WetBulb = moistureOf(u, s.Points, "return-wet-bulb")
			u.Humidity = moistureOf(u, s.Points, "return-humidity")
		}
		x := &unitSplit{unit: u, asked: j.wanted()}
		if c, ok := s.Commands[u.Name]; ok {
			x.asked = c
		}
		j.units = append(j.units, x)
	}
	j.feeds = make([][]feedOf, len(s.Points))
	for i, p := range s.Points {
		if p.Role == "outdoor-air" {
			j.feeds[i] = append(j.feeds[i], feedOf{})
		}
		for _, x := range j.units {
			j.feeds[i] = append(j.feeds[i], x.feeds(p)...)
		}
	}
	return j
}

// moistureOf finds a unit's wet bulb or humidity where the site file does not
// name it: the point of that role that is called after the unit, or the only
// one of the system (the rooms of one building are about as moist; common
// practice).
func moistureOf(u Unit, points []sensors.Point, role string) string {
	only, n := "", 0
	for _, p := range points {
		if p.Role != role {
			continue
		}
		if strings.HasPrefix(p.Name, u.Name+"-") {
			return p.Name
		}
		only = p.Name
		n++
	}
	if n == 1 {
		return only
	}
	return ""
}

func (x *unitSplit) feeds(p sensors.Point) (fs []feedOf) {
	for _, f := range []struct {
		name string
		to   *series
	}{{x.unit.Supply, &x.supply}, {x.unit.Return, &x.back}, {x.unit.WetBulb, &x.wet}, {x.unit.Humidity, &x.humid}} {
		if f.name == p.Name {
			f.to.point = p
			fs = append(fs, feedOf{x, f.to})
		}
	}
	return fs
}

// wanted is what a unit must be asked for, to be judged.
func (j *splitPoor) wanted() string {
	if j.heating {
		return "heat"
	}
	return "cool"
}

func (j *splitPoor) Next(e Entry) (out []Finding) {
	j.clock.hear(e)
	now := j.clock.newest
	switch b := e.Body.(type) {
	case *Measured:
		if !b.Health.Usable() {
			return nil
		}
		s := sample{j.clock.of(b.Taken), b.Value}
		for _, f := range j.feeds[e.place] {
			if f.unit == nil {
				j.weather(s)
				continue
			}
			f.series.add(s)
			out = append(out, j.judge(f.unit, now)...)
		}
	case *Started:
		for _, x := range j.units {
			x.supply.ss, x.back.ss, x.poor, x.good = nil, nil, lasting{}, lasting{}
		}
	case *Told:
		switch {
		case b.Kind == "command":
			return j.command(b, now)
		case b.Kind == "end" && b.Name == j.step.Name:
			return j.ended()
		}
	}
	return out
}

// weather follows the outdoor air: above its ceiling a unit refuses to heat.
func (j *splitPoor) weather(s sample) {
	j.outdoor, j.outside = s, true
	if s.v > j.ceiling.Value {
		j.tooWarm = true
	} else if s.v <= j.ceiling.Value-ambientBackK {
		j.tooWarm = false
	}
}

func (j *splitPoor) command(b *Told, now time.Duration) []Finding {
	for _, x := range j.units {
		if x.unit.Name != b.Name || x.asked == b.Note {
			continue
		}
		x.asked, x.since = b.Note, now
		x.poor, x.good = lasting{}, lasting{}
		if x.raised {
			x.raised = false
			return []Finding{{Edge: Cleared, Flag: "split-poor", Subject: x.unit.Name, Text: unitAskedOther(x.unit, b.Note)}}
		}
	}
	return nil
}

// waits says why a unit cannot be judged yet; empty where it can.
func (j *splitPoor) waits(x *unitSplit, now time.Duration) string {
	switch {
	case x.unit.Supply == "" || x.unit.Return == "":
		return "has no supply or return point"
	case x.asked != j.wanted():
		return "is not asked to " + j.wanted()
	case j.heating && j.tooWarm:
		return "waits for cooler outdoor air"
	case now-x.since < j.settle:
		return "has not run for long enough"
	case !x.supply.fresh(now, splitFresh) || !x.back.fresh(now, splitFresh) || len(x.supply.ss) < 3 || len(x.back.ss) < 3:
		return "is not measured"
	}
	return ""
}

// judge looks at a unit after a reading of it, at most every few seconds.
func (j *splitPoor) judge(x *unitSplit, now time.Duration) []Finding {
	if now-x.looked < 5*time.Second && x.looked > 0 {
		return nil
	}
	x.looked = now
	if j.waits(x, now) != "" {
		x.poor, x.good = lasting{}, lasting{}
		return nil
	}
	v := j.look(x, now)
	x.view, x.known = v, true
	holdOff := coolHoldOff
	if j.heating {
		holdOff = heatHoldOff
	}
	outside := v.splitK < v.lowK-doubtK || v.splitK > v.highK+doubtK
	inside := v.splitK >= v.lowK && v.splitK <= v.highK
	if x.poor.by(now, outside, holdOff) {
		return j.isPoor(x)
	}
	long := coolHoldOff
	if x.raised {
		long = goodHoldOff
	}
	if x.good.by(now, inside, long) {
		return j.isGood(x)
	}
	return nil
}

// look is a unit's split now, positive where it does what it is asked.
func (j *splitPoor) look(x *unitSplit, now time.Duration) splitView {
	v := splitView{supplyC: median(x.supply.ss), returnC: median(x.back.ss)}
	if j.heating {
		v.splitK = v.supplyC - v.returnC
		v.lowK, v.highK = heatLeastK-j.tolK, heatMostK+j.tolK
		v.targetK = (heatLeastK + heatMostK) / 2
		return v
	}
	v.splitK = v.returnC - v.supplyC
	ratio := 0.0
	switch {
	case x.wet.fresh(now, airFresh):
		ratio, v.humid = physics.HumidityRatioWetBulb(v.returnC, median(x.wet.ss), physics.AtmospherePa), true
	case x.humid.fresh(now, airFresh):
		ratio, v.humid = physics.HumidityRatio(v.returnC, median(x.humid.ss), physics.AtmospherePa), true
	}
	if !v.humid || ratio <= 0 {
		v.humid = false
		v.lowK, v.highK, v.targetK = coolLeastK, coolMostK, (coolLeastK+coolMostK)/2
		return v
	}
	v.wetBulbC = physics.WetBulbC(v.returnC, ratio, physics.AtmospherePa)
	low, high := physics.CoolingSplitK(v.returnC, ratio, physics.AtmospherePa)
	v.targetK = float64((low + high) / 2)
	v.lowK, v.highK = v.targetK-j.tolK, v.targetK+j.tolK
	return v
}

func (j *splitPoor) isPoor(x *unitSplit) (out []Finding) {
	text := splitIsPoor(x.unit, x.view, j.heating)
	if !x.raised {
		x.raised = true
		out = append(out, Finding{Edge: Raised, Flag: "split-poor", Subject: x.unit.Name, Urgency: Tell,
			Points: x.points(), Text: text, Values: x.view.values(j.tolK)})
	}
	return append(out, j.verdict(x, NotPassed, splitCause(x.view), text)...)
}

func (j *splitPoor) isGood(x *unitSplit) (out []Finding) {
	text := splitIsGood(x.unit, x.view, j.heating)
	if x.raised {
		x.raised = false
		out = append(out, Finding{Edge: Cleared, Flag: "split-poor", Subject: x.unit.Name, Text: text})
	}
	return append(out, j.verdict(x, Passed, "none", text)...)
}

// verdict is given when it changes.
func (j *splitPoor) verdict(x *unitSplit, result, cause, text string) []Finding {
	if x.result == result {
		return nil
	}
	x.result = result
	f := Finding{Edge: Given, Result: result, Cause: cause, Unit: x.unit.Name, Points: x.points(), Text: text}
	if x.known {
		f.Values = append(x.view.values(j.tolK), Value{"elapsed_s", seconds(j.clock.newest)})
	}
	return []Finding{f}
}

// splitCause names what kind of poor split it is.
func splitCause(v splitView) string {
	switch {
	case v.splitK < reversedK:
		return "reversed"
	case v.splitK < idleK:
		return "not-running"
	case v.splitK < v.lowK:
		return "low"
	}
	return "high"
}

func (x *unitSplit) points() (ps []string) {
	for _, p := range []string{x.unit.Supply, x.unit.Return, x.unit.WetBulb, x.unit.Humidity} {
		if p != "" {
			ps = append(ps, p)
		}
	}
	return ps
}

func (v splitView) values(tolK float64) []Value {
	vs := []Value{{"supply_c", v.supplyC}, {"return_c", v.returnC}, {"split_k", v.splitK}, {"target_k", v.targetK},
		{"low_k", v.lowK}, {"high_k", v.highK}}
	if v.humid {
		vs = append(vs, Value{"tolerance_k", tolK}, Value{"wet_bulb_c", v.wetBulbC})
	}
	return vs
}

// ended gives the verdict of every unit that has none.
func (j *splitPoor) ended() (out []Finding) {
	for _, x := range j.units {
		if x.result != "" {
			continue
		}
		why := j.waits(x, j.clock.newest)
		cause := "unknown"
		if why == "is not measured" {
			cause = "gap"
		}
		if why == "" {
			why = "was not steady for long enough"
			if v := x.view; x.known && v.splitK >= v.lowK-doubtK && v.splitK <= v.highK+doubtK && (v.splitK < v.lowK || v.splitK > v.highK) {
				why = splitTooClose(v)
			}
		}
		out = append(out, j.verdict(x, NotProven, cause, splitNotProven(x.unit, why))...)
	}
	return out
}

// Due is nothing: a split is judged by its readings.
func (j *splitPoor) Due() (time.Duration, bool) { return 0, false }

// Outlook says how many units are good, and which is not.
func (j *splitPoor) Outlook(at Instant) Outlook {
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Sure: "sure", Quantity: sensors.Temperature}
	w := checkWords{step: j.step.Name, elapsed: o.Elapsed, settle: j.settle, units: len(j.units), tooWarm: j.heating && j.tooWarm,
		outdoorC: j.outdoor.v, ceilingC: j.ceiling.Value}
	var show *unitSplit
	for _, x := range j.units {
		switch {
		case x.raised:
			w.poor = append(w.poor, poorWords(x.unit, x.view))
		case x.result == Passed:
			w.good++
		}
		if show == nil && x.unit.Supply != "" || x.raised && !show.raised {
			show = x
		}
	}
	if w.good+len(w.poor) < len(j.units) {
		o.Sure = "too early to say"
		if left := j.settle - o.Elapsed; left > 0 {
			o.Left = left + coolHoldOff
		}
	}
	if show != nil {
		o.Point = show.unit.Supply
		if n := len(show.supply.ss); n > 0 {
			o.Figure, o.HasFig = Num(show.supply.ss[n-1].v), true
			o.FigAt = Instant{at.Boot, j.clock.when(show.supply.ss[n-1].t)}
		}
	}
	o.Sentence = checkStands(w)
	return o
}
