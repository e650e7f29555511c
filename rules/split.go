package rules

import (
	"math"
	"sort"
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
	Roles: []string{"supply-air", "return-air", "return-wet-bulb", "return-humidity", "outdoor-air", "barometer"},
	Begin: beginSplitPoor,
}

// The target of cooling is computed from psychrometrics (physics.CoolingSplitK),
// not read from the published table of target splits: of that we hold only a
// copy from memory, whose outer cells nobody here has checked.
const (
	splitLookEvery             = 15 * time.Second // a unit; once it has passed
	splitLookSeldom            = time.Minute      //
	callHolds                  = 3 * time.Minute  // a split must say the same for so long
	probeHolds                 = 45 * time.Second // the carried probes'
	amendHolds                 = 5 * time.Minute  // before a result is replaced
	flagHolds                  = 2 * time.Minute  // after a poor result, so that many poor units are told in one
	heatLeastK                 = 15.0             // common practice (the field guide, step 8)
	heatMostK                  = 30.0
	reversedK                  = -1.0
	idleK                      = 1.5 // nothing happens
	backInC                    = 1.0 // the outdoor air is cool enough again so far under its ceiling
	manyLow                    = 3   // units low at once, and half of those judged, are the system's (our choice)
	dipLeastK                  = 4.0 // a defrost takes at least so much of the split, and
	dipShare                   = 0.35
	dipLongest                 = 12 * time.Minute // 3 to 10 min (the field guide), and what it takes to warm again
	dipRecovers                = 3 * time.Minute  // after it
	defrostK                   = -4.0             // in one, the supply is no further under the return (our choice)
	pickedUpK                  = 1.5              // in a minute or so: carried probes are taken away (our choice)
	coldestRoomC, warmestRoomC = 16.0, 32.0       // a room's air: beyond these a return is more likely a supply (our choice)
)

type splitPoor struct {
	step    Step
	heating bool
	tolK    float64 // how far from its target a split may be
	errorK  float64 // how far off two sensors may be
	settle  time.Duration
	probe   time.Duration // how long the carried probes are left to settle
	ceiling Setting
	clock   watch
	air     *airs
	units   []*unitSplit
	walk    []*unitSplit // the same, in the order of a walk: by branch unit, port and name
	before  []Finding    // verdicts of other steps
	outdoor sample
	outside bool // outdoor air is known
	tooWarm bool
	coolBy  time.Duration // when it was cool enough again
	sysLow  bool          // many units are low: told as one
	walked  *unitSplit    // where the carried probes were last
}

// unitSplit is one indoor unit's check.
type unitSplit struct {
	*unitAir
	asked  string
	told   bool          // by a command; else it is taken as asked what the step says
	since  time.Duration // when that was asked
	view   splitView     // the newest
	steady splitView     // the newest of a settled split
	shown  splitView     // the one that the result rests on
	call   splitCall
	holds  lasting // the call
	raised bool
	poor   bool // it failed, and is asked what it failed at
	hand   bool // its result is by what was typed
	anew   bool // it was commanded or visited anew since its result
	result string
	cause  string        // of the result; without one why there is none, if that is known
	text   string        //
	gave   time.Duration // when the result was given
	looked time.Duration
	dip    dip
	ran    bool // it did something since it was asked,
	cycles bool // and then nothing: it starts and stops
}

// dip is a heating unit's split that falls away, as in a defrost.
type dip struct {
	levelK  float64 // what it gave before
	since   time.Duration
	resumes time.Duration // what is read counts again
	on      bool
}

// splitView is a unit's split at one moment, against what it should be.
type splitView struct {
	airView
	splitK      float64 // positive where it does what it is asked
	lowK, highK float64 // what is good
	targetK     float64 // their middle
	warm        bool    // of heating
	known       bool
}

// nears reports whether a poor split is on its way to what is good.
func (v splitView) nears() bool {
	grows := (v.driftK > 0) == v.warm
	return v.driftK != 0 && (v.splitK < v.lowK && grows || v.splitK > v.highK && !grows)
}

// targeted reports whether there is a target, not a range alone.
func (v splitView) targeted() bool { return v.warm || v.humid }

// splitCall is what a split says: a result with its cause; empty: nothing yet.
type splitCall struct{ result, cause string }

func beginSplitPoor(s Start) Judge {
	j := &splitPoor{step: s.Step, heating: s.Step.Name == "heating-check", clock: startWatch(s), air: beginAirs(s), before: s.Earlier}
	tol, _ := limit(s.Step, "tolerance")
	off, _ := limit(s.Step, "sensor-error")
	settle, _ := limit(s.Step, "settle")
	probe, _ := limit(s.Step, "probe-settle")
	j.tolK, j.errorK, j.settle, j.probe = tol.Value, off.Value, asTime(settle.Value), asTime(probe.Value)
	j.ceiling, _ = limit(s.Step, "ambient")
	for _, a := range j.air.units {
		x := &unitSplit{unitAir: a, asked: j.wanted()}
		if c, ok := s.Commands[a.unit.Name]; ok {
			x.asked, x.told = c, true
			if at := s.AskedAt[a.unit.Name]; at.Boot == s.Began.Boot {
				x.since = at.Since - s.Began.Since
			}
		}
		j.units = append(j.units, x)
		if a.here {
			j.walked = x
		}
	}
	j.walk = append(j.walk, j.units...)
	sort.SliceStable(j.walk, func(a, b int) bool { return walkBefore(j.walk[a].unit, j.walk[b].unit) })
	return j
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
		if j.air.points[e.place].Role == "outdoor-air" {
			j.weather(s)
			return nil
		}
		j.air.hear(e.place, s)
		for _, f := range j.air.feeds[e.place] {
			if x := j.unit(f.of); f.kind <= returnAir && j.due(x, now) {
				out = append(out, j.judge(x, now)...)
			}
		}
	case *Started:
		j.air.forget()
		for _, x := range j.units {
			x.call, x.holds, x.dip = splitCall{}, lasting{}, dip{}
		}
	case *Told:
		return j.told(b, now)
	}
	return out
}

func (j *splitPoor) told(b *Told, now time.Duration) []Finding {
	switch {
	case b.Kind == "command":
		return j.command(b, now)
	case b.Kind == "mark" && b.Name == "placed" && !IsExchange(b.Note):
		return j.placed(b, now)
	case b.Kind == "mark" && b.Name == "typed":
		if a := j.air.typing(b, now); a != nil {
			return j.typed(j.unit(a), now)
		}
	case b.Kind == "end" && b.Name == j.step.Name && b.System == j.step.System:
		return j.ended(now)
	}
	return nil
}

func (j *splitPoor) unit(a *unitAir) *unitSplit { return j.units[a.place] }

// due reports whether a unit should be looked at again.
func (j *splitPoor) due(x *unitSplit, now time.Duration) bool {
	every := splitLookEvery
	if x.result == Passed {
		every = splitLookSeldom
	}
	if x.looked > 0 && now-x.looked < every {
		return false
	}
	x.looked = now
	return true
}

// weather follows the outdoor air: above its ceiling a unit refuses to heat.
func (j *splitPoor) weather(s sample) {
	j.outdoor, j.outside = s, true
	if s.v > j.ceiling.Value {
		j.tooWarm = true
	} else if j.tooWarm && s.v <= j.ceiling.Value-backInC {
		j.tooWarm, j.coolBy = false, s.t
	}
}

func (j *splitPoor) command(b *Told, now time.Duration) (out []Finding) {
	for _, x := range j.units {
		if x.unit.Name != b.Name {
			continue
		}
		x.told, x.anew = true, true
		if x.asked == b.Note {
			continue
		}
		if x.asked == j.wanted() && x.result == "" {
			out = append(out, j.conclude(x, now)...)
		}
		x.asked, x.since = b.Note, now
		x.call, x.holds, x.dip, x.steady = splitCall{}, lasting{}, dip{}, splitView{}
		x.poor, x.ran, x.cycles = false, false, false
		if x.raised {
			x.raised = false
			out = append(out, Finding{Edge: Cleared, Flag: "split-poor", Subject: x.unit.Name, Text: unitAskedOther(x.unit, b.Note)})
		}
	}
	return out
}

// placed moves the carried probes: what they showed at the unit before decides
// its result where it has none, and what they show under way is nobody's.
func (j *splitPoor) placed(b *Told, now time.Duration) (out []Finding) {
	for _, x := range j.units {
		if x.here && x.result == "" {
			out = append(out, j.conclude(x, now)...)
		}
	}
	_, come := j.air.place(b.Note, now)
	if come != nil {
		x := j.unit(come)
		x.call, x.holds, x.dip, x.steady, x.view = splitCall{}, lasting{}, dip{}, splitView{}, splitView{}
		x.anew = true
		j.walked = x
	}
	return out
}

// ready is from when a unit's air counts.
func (j *splitPoor) ready(x *unitSplit) time.Duration {
	from := x.since + j.settle
	if j.heating {
		from = max(from, j.coolBy)
		if j.coolBy > 0 {
			from = max(from, j.coolBy+j.settle)
		}
	}
	if x.here {
		from = max(from, x.placed+j.probe)
	}
	return max(from, x.dip.resumes)
}

// waits says why a unit cannot be judged yet, with the cause where it stays so; empty where it can.
func (j *splitPoor) waits(x *unitSplit, now time.Duration) (cause, why string) {
	switch {
	case x.doubled:
		return "shared-sensor", splitShared(x.points[supplyAir])
	case x.asked != j.wanted():
		return "not-asked", splitNotAsked(j.wanted(), x.asked)
	case j.heating && j.tooWarm:
		return "too-warm", splitTooWarm(j.outdoor.v, j.ceiling)
	case now < x.since+j.settle || j.heating && j.coolBy > 0 && now < j.coolBy+j.settle:
		return "too-early", splitTooEarly(now-max(x.since, j.coolBy), j.settle)
	case x.series[supplyAir].point.Name == "" || x.series[returnAir].point.Name == "":
		return "missing", splitNoSensor(x.unitAir, len(j.air.carried) > 0)
	case now < j.ready(x):
		return "too-early", splitProbeEarly(now-x.placed, j.probe, x.dip.resumes > x.placed+j.probe)
	case !x.measuredNow(now):
		return "gap", splitSilent
	}
	return "", ""
}

// judge looks at a unit after a reading of it.
func (j *splitPoor) judge(x *unitSplit, now time.Duration) (out []Finding) {
	if cause, _ := j.waits(x, now); cause != "" {
		x.call, x.holds = splitCall{}, lasting{}
		j.follow(x, now)
		return j.tellPoor(now)
	}
	v, ok := j.look(x, now)
	if !ok {
		return j.tellPoor(now)
	}
	if x.here && x.steady.known && math.Abs(v.driftK) > pickedUpK { // on the way to the next room already
		return j.tellPoor(now)
	}
	x.view = v
	if j.heating && j.dips(x, now) {
		x.call, x.holds = splitCall{}, lasting{}
		return j.tellPoor(now)
	}
	if x.ran = x.ran || v.splitK > 2*idleK; x.ran && v.splitK < idleK && v.splitK > reversedK {
		x.cycles = true
	}
	if v.driftK == 0 && (x.here || v.at-v.from >= probeWindow) {
		x.steady = v
	}
	call := j.says(x, v, float64(2*v.doubtK))
	if call.result == NotPassed && (v.nears() || j.defrosts(x, v)) {
		call = splitCall{}
	}
	if call != x.call {
		x.call, x.holds = call, lasting{}
	}
	if x.holds.by(now, call.result != "", j.holdsFor(x, call)) {
		out = j.verdict(x, call, v, now)
	}
	return append(out, j.tellPoor(now)...)
}

func (j *splitPoor) holdsFor(x *unitSplit, call splitCall) time.Duration {
	switch {
	case x.cycles: // a stretch of running, or of rest, shows the thermostat: it must last as long as a unit is given to settle
		return max(j.settle, amendHolds)
	case x.here && x.anew:
		return probeHolds
	case x.result != "" && x.result != NotProven && call.result != x.result:
		return amendHolds
	case j.heating && x.dip.levelK > idleK && (call.cause == "reversed" || call.cause == "not-running"):
		return dipLongest // a weak unit's defrost
	case x.here:
		return probeHolds
	}
	return callHolds
}

// follow keeps the view for the screens while a unit cannot be judged.
func (j *splitPoor) follow(x *unitSplit, now time.Duration) {
	x.view.known = false
	if x.measuredNow(now) && x.asked == j.wanted() {
		if v, ok := j.against(x, now-probeWindow, now); ok {
			x.view = v
			if j.heating && !x.dip.on && v.splitK > x.dip.levelK {
				x.dip.levelK = v.splitK
			}
		}
	}
}

// look is a unit's split now.
func (j *splitPoor) look(x *unitSplit, now time.Duration) (splitView, bool) {
	from := j.ready(x)
	if !x.here {
		from -= leastSpan
	}
	return j.against(x, from, now)
}

func (j *splitPoor) against(x *unitSplit, from, now time.Duration) (v splitView, ok bool) {
	pressure := j.air.atmosphere(now)
	a, ok := x.look(from, now, pressure)
	if !ok {
		return v, false
	}
	return j.limits(a, pressure), true
}

// limits sets a split against what it should be.
func (j *splitPoor) limits(a airView, pressurePa float64) splitView {
	return splitLimits(a, j.heating, j.tolK, pressurePa)
}

// splitLimits sets a unit's air against what heating or cooling should make of it.
func splitLimits(a airView, heating bool, tolK, pressurePa float64) splitView {
	v := splitView{airView: a, warm: heating, known: true}
	if heating {
		v.splitK = a.warmerK
		v.lowK, v.highK, v.targetK = heatLeastK-tolK, heatMostK+tolK, (heatLeastK+heatMostK)/2
		return v
	}
	v.splitK = -a.warmerK
	if a.humid {
		v.targetK = coolingTargetK(a.returnC, a.ratio, pressurePa)
		v.lowK, v.highK = v.targetK-tolK, v.targetK+tolK
		return v
	}
	// Any humidity may be: only what is poor at every one is poor.
	damp := coolingTargetK(a.returnC, physics.HumidityRatio(a.returnC, dampestRoom, pressurePa), pressurePa)
	dry := coolingTargetK(a.returnC, 0, pressurePa)
	v.lowK, v.highK, v.targetK = damp-tolK, dry+tolK, float64((damp+dry)/2)
	return v
}

func coolingTargetK(returnC, ratio, pressurePa float64) float64 {
	low, high := physics.CoolingSplitK(returnC, ratio, pressurePa)
	return float64((low + high) / 2)
}

// says is what a split says, with so much doubt beside the sensors' own error:
// a split at the edge passes, one no further beyond it than two sensors may be
// off is not failed, and one that is still moving must be beyond or within by
// more than it has yet to move.
func (j *splitPoor) says(x *unitSplit, v splitView, doubtK float64) splitCall {
	moves := 2 * v.driftK // of what it is warmer; at the pace of these minutes, over as long again
	if moves < 0 {
		moves = -moves
	}
	more := doubtK + moves
	switch {
	case v.splitK < v.lowK-j.errorK-more, v.splitK > v.highK+j.errorK+more:
		cause := splitCause(v)
		if cause == "not-running" && !x.told {
			return splitCall{} // nobody has said that it was asked to do anything
		}
		return splitCall{NotPassed, cause}
	case v.splitK >= v.lowK+more && v.splitK <= v.highK-more && (j.heating || v.humid):
		return splitCall{Passed, "none"}
	}
	return splitCall{}
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

// dips reports whether a heating unit is in a defrost: its split has fallen
// away from what it gave, and not yet for longer than one lasts. What is read
// in it counts for nothing, and what comes after it counts anew.
func (j *splitPoor) dips(x *unitSplit, now time.Duration) bool {
	d := &x.dip
	nowK, ok := x.newestK(now)
	if !ok {
		return d.on
	}
	depth := max(dipLeastK, float64(dipShare*d.levelK))
	switch {
	case d.on && nowK > d.levelK-float64(depth/2):
		d.on, d.resumes = false, now+dipRecovers
		return true
	case d.on && now-d.since > dipLongest: // that is no defrost
		*d = dip{levelK: max(0, nowK), resumes: d.since}
	case !d.on && d.levelK > depth && nowK < d.levelK-depth:
		d.on, d.since = true, now
	case !d.on && x.view.driftK == 0:
		d.levelK = x.view.splitK
	}
	return d.on
}

// newestK is how much warmer the supply is than the return, over the last minute.
func (x *unitAir) newestK(now time.Duration) (k float64, ok bool) {
	var c [2]float64
	for kind := range c {
		y := &x.series[kind]
		ss := y.since(now - max(leastSpan, y.point.Every*5/2))
		if len(ss) == 0 {
			return 0, false
		}
		c[kind] = median(ss)
	}
	return c[supplyAir] - c[returnAir], true
}

// typed judges a unit by what was read off and typed: at once, as soon as
// supply and return are known. A measurement by hand is made to settle a
// matter: it stands against what sensors say.
func (j *splitPoor) typed(x *unitSplit, now time.Duration) []Finding {
	if cause, why := j.waits(x, now); cause == "not-asked" || cause == "too-warm" || now < x.since+j.settle {
		x.undecided(cause, why)
		return nil
	}
	pressure := j.air.atmosphere(now)
	a, ok := x.readOff(now, pressure)
	if !ok {
		x.undecided("missing", splitHalfTyped)
		return nil
	}
	x.view = j.limits(a, pressure)
	call := j.says(x, x.view, 0)
	if call.result == "" {
		cause, why := j.doubtful(x, x.view)
		x.undecided(cause, why)
		if x.result == Passed || x.result == NotPassed {
			return nil
		}
		return j.unproven(x, now)
	}
	return append(j.verdict(x, call, x.view, now), j.tellPoor(now)...)
}

// undecided keeps why a unit could not be judged, for the step's end.
func (x *unitSplit) undecided(cause, why string) {
	if x.result == "" || x.result == NotProven {
		x.cause, x.text = cause, why
	}
}

// defrosts reports whether what carried probes found in heating may be a
// defrost: they did not see what was before it, and have not been there for
// longer than one lasts. In one, air leaves a little colder than it came.
func (j *splitPoor) defrosts(x *unitSplit, v splitView) bool {
	return j.heating && x.here && v.splitK < reversedK && v.splitK > defrostK && v.at-x.placed < dipLongest
}

// doubtful says why a measured split decides nothing.
func (j *splitPoor) doubtful(x *unitSplit, v splitView) (cause, why string) {
	switch {
	case j.defrosts(x, v):
		return "defrost", splitMayDefrost(v)
	case splitCause(v) == "not-running" && !x.told:
		return "no-command", splitNoCommand(v, j.wanted())
	case !j.heating && !v.humid && v.splitK >= v.lowK && v.splitK <= v.highK:
		return "no-humidity", splitNoHumidity(v) + v.odd
	case v.driftK != 0:
		return "unsteady", splitMoves(v)
	}
	return "too-close", splitTooClose(v, j.errorK)
}

// conclude decides by what a unit's air last showed while it was settled:
// when the probes leave it, when it is asked for something else, at the end.
func (j *splitPoor) conclude(x *unitSplit, now time.Duration) []Finding {
	if cause, why := j.waits(x, now); cause == "too-warm" || cause == "not-asked" || cause == "shared-sensor" {
		x.undecided(cause, why)
		return nil
	}
	v := x.steady
	if !v.known && x.view.known && x.view.at >= j.ready(x) {
		v = x.view
	}
	if !v.known || now-v.at > callHolds && !x.measuredNow(now) {
		return nil
	}
	if x.cycles {
		x.view = v
		x.undecided("cycles", splitCycles(j.settle))
		return nil
	}
	call := j.says(x, v, 0)
	if call.result == "" || j.defrosts(x, v) {
		cause, why := j.doubtful(x, v)
		x.view = v
		x.undecided(cause, why)
		return nil
	}
	return append(j.verdict(x, call, v, now), j.tellPoor(now)...)
}

// verdict is given when it changes. What has once passed has shown what it
// can: a smaller split later is a compressor that runs slower in a cool room,
// and so it may be after one that was too high, until it is commanded anew.
func (j *splitPoor) verdict(x *unitSplit, call splitCall, v splitView, now time.Duration) []Finding {
	same := x.result == call.result && x.cause == call.cause
	stands := x.hand || x.result == Passed && call.cause != "high" || x.result == NotPassed && x.cause == "high" && !x.anew
	if same || !v.byHand && stands {
		return nil
	}
	x.anew = false
	x.result, x.cause, x.hand, x.gave = call.result, call.cause, v.byHand, now
	x.poor = call.result == NotPassed
	x.text = splitIsGood(x.unit, v, j.heating)
	if x.poor {
		x.text = splitIsPoor(x.unit, v, j.heating, j.exchanged(x, v))
	}
	if !x.told {
		x.text += splitTakenAsAsked(j.wanted())
	}
	x.view, x.shown = v, v
	return []Finding{{Edge: Given, Result: x.result, Cause: x.cause, Unit: x.unit.Name, Points: x.measuredBy(v.airView), Text: x.text,
		Values: append(v.values(j.tolK), Value{"elapsed_s", seconds(now)})}}
}

// exchanged reports whether a reversed split looks like two sensors mixed up:
// it was reversed in the other check as well, or the return is no room's air.
func (j *splitPoor) exchanged(x *unitSplit, v splitView) bool {
	if v.splitK >= reversedK {
		return false
	}
	for _, f := range j.before {
		if f.Unit == x.unit.Name && f.Cause == "reversed" && f.Step != j.step.Name && (f.Step == "cooling-check" || f.Step == "heating-check") {
			return true
		}
	}
	return !j.heating && v.returnC < coldestRoomC || j.heating && v.returnC > warmestRoomC
}

// unproven gives a unit's not-proven.
func (j *splitPoor) unproven(x *unitSplit, now time.Duration) []Finding {
	cause, why := x.cause, x.text
	f := Finding{Edge: Given, Result: NotProven, Cause: cause, Unit: x.unit.Name, Points: x.measuredBy(x.view.airView), Text: splitNotProven(x.unit, why)}
	if x.view.known {
		f.Values = append(x.view.values(j.tolK), Value{"elapsed_s", seconds(now)})
	}
	x.result = NotProven
	return []Finding{f}
}

// tellPoor raises and clears the flags. Where many units are low at once, one
// flag speaks of the system.
func (j *splitPoor) tellPoor(now time.Duration) (out []Finding) {
	low, judged, first := 0, 0, now
	for _, x := range j.units {
		if x.result == Passed || x.result == NotPassed {
			judged++
		}
		if x.poor && x.cause == "low" {
			low++
			first = min(first, x.gave)
		}
	}
	many := low >= manyLow && 2*low >= judged
	for _, x := range j.units {
		poor := x.poor && !(many && x.cause == "low") && (x.raised || x.here || x.hand || now-x.gave >= flagHolds && x.call.result == NotPassed)
		switch {
		case poor && !x.raised:
			x.raised = true
			out = append(out, Finding{Edge: Raised, Flag: "split-poor", Subject: x.unit.Name, Urgency: Tell,
				Points: x.measuredBy(x.shown.airView), Text: x.text, Values: x.shown.values(j.tolK)})
		case !poor && x.raised:
			x.raised = false
			text := x.text
			if x.poor {
				text = splitToldTogether(x.unit)
			}
			out = append(out, Finding{Edge: Cleared, Flag: "split-poor", Subject: x.unit.Name, Text: text})
		}
	}
	switch {
	case many && !j.sysLow && now-first >= flagHolds:
		j.sysLow = true
		out = append(out, Finding{Edge: Raised, Flag: "split-poor", Urgency: Tell, Text: splitSystemLow(low, judged, j.heating)})
	case !many && j.sysLow:
		j.sysLow = false
		out = append(out, Finding{Edge: Cleared, Flag: "split-poor", Text: splitSystemFine(low, judged)})
	}
	return out
}

func (v splitView) values(tolK float64) []Value {
	vs := []Value{{"supply_c", v.supplyC}, {"return_c", v.returnC}, {"split_k", v.splitK}}
	if v.targeted() {
		vs = append(vs, Value{"target_k", v.targetK})
	}
	vs = append(vs, Value{"low_k", v.lowK}, Value{"high_k", v.highK})
	if v.humid && !v.warm {
		vs = append(vs, Value{"tolerance_k", tolK}, Value{"wet_bulb_c", v.wetBulbC})
	}
	return vs
}

// ended gives the verdict of every unit that has none.
func (j *splitPoor) ended(now time.Duration) (out []Finding) {
	for _, x := range j.units {
		if x.result != "" {
			continue
		}
		cause, why := j.waits(x, now)
		if cause == "" || x.steady.known && cause == "too-early" { // after a defrost
			out = append(out, j.conclude(x, now)...)
			if x.result != "" {
				continue
			}
			if x.cause == "" {
				x.undecided("unsteady", splitNeverSettled)
			}
		} else if x.cause == "" || cause == "shared-sensor" {
			x.undecided(cause, why)
		}
		out = append(out, j.unproven(x, now)...)
	}
	return out
}

// Due is nothing: a split is judged by its readings.
func (j *splitPoor) Due() (time.Duration, bool) { return 0, false }

// Outlook says how many units are good, which is not, and where to go next.
func (j *splitPoor) Outlook(at Instant) Outlook {
	now := max(j.clock.newest, j.clock.of(at.Since))
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Sure: "sure", Quantity: sensors.Temperature}
	w := checkWords{step: j.step.Name, elapsed: o.Elapsed, settle: j.settle, units: len(j.units), tooWarm: j.heating && j.tooWarm,
		outdoorC: j.outdoor.v, ceilingC: j.ceiling.Value, system: j.sysLow, stray: j.air.stray}
	var show *unitSplit
	for _, x := range j.walk {
		o.Units = append(o.Units, j.stand(x, now))
		switch {
		case x.poor:
			w.poor = append(w.poor, poorWords(x.unit, x.view))
		case x.result == Passed:
			w.good++
		}
		if show == nil && x.series[supplyAir].point.Name != "" || x.poor && !show.poorAndMeasured() {
			show = x
		}
	}
	if w.good+len(w.poor) < len(j.units) {
		o.Sure = "too early to say"
		if left := j.settle - o.Elapsed; left > 0 {
			o.Left = left + callHolds
		}
	}
	if j.walked != nil && j.walked.here {
		show = j.walked
	}
	if show != nil {
		y := &show.series[supplyAir]
		o.Point = y.point.Name
		if n := len(y.ss); n > 0 {
			o.Figure, o.HasFig = Num(y.ss[n-1].v), true
			o.FigAt = Instant{at.Boot, j.clock.when(y.ss[n-1].t)}
		}
	}
	o.Next = j.next(w.good + len(w.poor))
	o.Sentence = checkStands(w)
	return o
}

func (x *unitSplit) poorAndMeasured() bool {
	return x != nil && x.poor && x.series[supplyAir].point.Name != ""
}

// stand is how one unit stands.
func (j *splitPoor) stand(x *unitSplit, now time.Duration) UnitStand {
	u := UnitStand{Unit: x.unit.Name, Asked: x.asked, Result: x.result}
	if !x.told {
		u.Asked = ""
	}
	if x.view.known {
		u.Values = rounded(x.view.values(j.tolK))
	}
	cause, why := j.waits(x, now)
	u.Steady = x.view.known && !x.view.byHand && x.view.driftK == 0 && x.measuredNow(now) && cause == ""
	switch {
	case x.result != "":
		u.Cause, u.Sentence = x.cause, x.text
		if x.result == NotPassed && x.call.result == Passed {
			u.Sentence += splitMended(x.view)
		}
	case cause != "":
		u.Sentence = splitWaits(x.unit, why)
	case x.dip.on:
		u.Sentence = splitDefrosts(x.unit)
	case !u.Steady:
		u.Sentence = splitSettles(x.unit, x.view)
	default:
		u.Sentence = splitSoFar(x.unit, x.view, j.heating)
	}
	return u
}

// next proposes where to carry the probes: the units not judged yet, first those
// on the branch unit where the walk is.
func (j *splitPoor) next(judged int) *Ask {
	byHand := false
	var best *unitSplit
	for _, x := range j.walk {
		own := x.points[supplyAir] != "" && x.points[returnAir] != ""
		byHand = byHand || !own
		if own || x.here || x.result != "" {
			continue
		}
		if best == nil || j.walked != nil && x.unit.Branch == j.walked.unit.Branch && best.unit.Branch != x.unit.Branch {
			best = x
		}
	}
	if !byHand || best == nil {
		return nil
	}
	return &Ask{Run: judged + 1, Of: len(j.units), Sentence: splitNext(best.unit, j.walked, j.air.carriesAir()), Left: -1}
}

func walkBefore(a, b Unit) bool {
	switch {
	case a.Branch != b.Branch:
		return a.Branch < b.Branch
	case a.Port != b.Port:
		return a.Port < b.Port
	}
	return a.Name < b.Name
}
