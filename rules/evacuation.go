package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// Evacuation judges the pulls and nitrogen breaks before the vacuum hold.
var Evacuation = Rule{
	Name:  "evacuation",
	Doc:   "Judges the evacuation: counts pulls and nitrogen breaks, tells when the vacuum stalls, when water may freeze and when a pull goes too fast for the whole pipework, and gives the step's verdict.",
	Steps: []string{"evacuation"},
	Flags: []string{"vacuum-stalled", "pulldown-too-fast", "freezing-risk"},
	Roles: []string{"vacuum-gauge", "absolute-pressure", "pipe-air", "outdoor-air"},
	Begin: beginEvacuation,
}

// What the judge goes by, besides its settings.
const (
	minute        = time.Minute
	stallOver     = 30 * time.Minute // the floor has not fallen for so long (the field guide)
	stallLeast    = 12               // minutes heard of them
	stallFall     = 0.05             // a fall by less over that time is none: a gauge's noise and drift
	stallGone     = 0.15             // and by more it falls again
	stallLasts    = 5                // minutes for which either must be so
	levelOver     = 5 * time.Minute
	levelRise     = 0.05             // a rise by more in these minutes is one, at the step's end
	breakRise     = 5.0              // a break lifts the floor so many times,
	breakLeastPa  = 600.0            // and at least to here (4,500 micron; 1 to 3 psi of nitrogen is far above)
	openLate      = 30 * time.Minute // a gauge valved off for the break shows the pull by then
	fallsAgain    = 0.7              // of the highest since the break: pumped again
	breakAbsPa    = 50e3             // with an absolute transducer
	fastFromPa    = 13332.2          // 100 torr (the field guide)
	fastToPa      = 3333.05          // 25 torr: below it water may boil
	fastTell      = 0.76             // of the take-off's volume (the field guide)
	fastWake      = 0.5              //
	fastEarlier   = 0.9              // of an earlier pull's time: the same rig agrees within 10 % (the field guide)
	fastWarmestC  = 24.0             // pipes warmer than this boil water between 100 and 25 torr
	waterLeast    = 0.8              // of the vapour pressure at the coldest pipe: a thermal gauge shows
	waterMost     = 2.1              // up to twice in pure vapour (gas factor 0.5 of gauge tables)
	waterDwell    = 10               // minutes on that level are water
	waterDwellMax = 0.10             // falling by no more than this meanwhile
	freezeWithin  = 15 * time.Minute
	coldAgain     = 1.0 // K above the limit clears
	coldLasts     = 10 * time.Minute
)

type evacuation struct {
	clock  watch
	points []sensors.Point
	gauge  int // place of the vacuum gauge; -1: none
	target Setting
	first  Setting // where pulls 1 and 2 are broken
	second Setting
	coldC  Setting // the least temperature
	pump   Setting // m3/s; 0: not known
	hose   physics.Hose
	pipeM3 float64
	mode   Setting // powered

	pumping   bool // not after pump-stopped or isolated
	broken    bool // between a break and the next pull
	breaks    int
	isMarked  bool // somebody marked this pull's start, and when: its gauge may be opened late
	pulledAt  time.Duration
	peakPa    float64 // since the break
	upSince   time.Duration
	isUp      bool
	floors    []float64 // the lowest level of each pull, Pa
	floorPa   float64   // of this pull; 0: none yet
	past      []level   // minutes of this pull, at most stallOver of them and one
	open      level     // the minute under way
	last      sample    // of the gauge
	heard     bool
	shutAt    time.Duration // isolated or pump-stopped
	offScale  bool
	coldest   []sample // by place: the newest temperature
	isCold    bool
	coldSince time.Duration // since when it is colder, or no longer

	stalled  bool
	stillFor int
	movesFor int
	cause    string
	dwell    int // minutes on water's level in this pull
	dweltPa  float64
	dweltAt  time.Duration
	dwelt    bool
	frozen   bool
	crossed  time.Duration
	crossing bool
	earlierS float64
	compared bool // the newest timed pull was held against a volume or an earlier pull
	isFast   bool
	lastAbs  sample
}

// level is a minute of the gauge: the mean of ln p.
type level struct {
	minute int64
	ln     float64
	tempC  float64
	n      float64
}

func (l level) pa() float64 { return math.Exp(l.ln / l.n) }

func beginEvacuation(s Start) Judge {
	j := &evacuation{clock: startWatch(s), points: s.Points, gauge: -1, pumping: true, pipeM3: s.PipeM3, coldSince: -1, coldest: make([]sample, len(s.Points))}
	j.target, _ = limit(s.Step, "target")
	j.first, _ = limit(s.Step, "first")
	j.second, _ = limit(s.Step, "second")
	j.coldC, _ = limit(s.Step, "coldest")
	j.pump, _ = limit(s.Step, "pump")
	bore, _ := limit(s.Step, "hose-bore")
	length, _ := limit(s.Step, "hose-length")
	j.hose = physics.Hose{BoreM: bore.Value, LengthM: length.Value}
	j.mode, _ = limit(s.Step, "powered")
	for i, p := range s.Points {
		j.coldest[i].v = math.NaN()
		if p.Role == "vacuum-gauge" && j.gauge < 0 {
			j.gauge = i
		}
	}
	for _, f := range s.Earlier { // the same rig pulled before
		for _, v := range f.Values {
			if f.Step == "evacuation" && v.Key == "fall_100_to_25_torr_s" {
				j.earlierS = v.Number
			}
		}
	}
	return j
}

func (j *evacuation) Next(e Entry) []Finding {
	_, restarted := j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Started:
		if restarted && j.clock.unknown {
			j.forget()
			j.crossing, j.lastAbs = false, sample{}
		}
	case *Told:
		return j.told(b, j.clock.of(e.At.Since))
	case *Measured:
		t := j.clock.of(b.Taken)
		if e.place == j.gauge && b.Health.Live() && !b.Health.Usable() {
			j.offScale = true // over its range, as at the beginning of a pull
		}
		if t < 0 || !b.Health.Usable() || math.IsNaN(b.Value) || math.IsInf(b.Value, 0) {
			return nil
		}
		switch p := j.points[e.place]; {
		case e.place == j.gauge && b.Value > 0:
			return j.read(sample{t, b.Value})
		case p.Role == "absolute-pressure" && b.Value > 0:
			return j.readAbsolute(sample{t, b.Value})
		case p.Role == "pipe-air" || p.Role == "outdoor-air":
			j.coldest[e.place] = sample{t, b.Value}
			return j.lookAtCold(t)
		}
	}
	return nil
}

// forget drops what an unknown gap makes worthless: how the level moved.
func (j *evacuation) forget() {
	j.past, j.open, j.dwell, j.stillFor, j.movesFor = nil, level{}, 0, 0, 0
}

func (j *evacuation) told(b *Told, t time.Duration) []Finding {
	switch {
	case b.Kind == "end" && b.Name == "evacuation":
		return j.over()
	case b.Kind != "mark":
		return nil
	}
	switch b.Name {
	case "pump-started":
		j.pumping = true
		if j.broken {
			j.pull()
		}
		j.isMarked, j.pulledAt = true, t
	case "pump-stopped", "isolated":
		if j.pumping {
			j.pumping, j.shutAt = false, t
		}
		j.crossing = false
	case "nitrogen-break":
		if !j.broken { // else it was seen before it was said
			return j.broke()
		}
	}
	return nil
}

// broke ends a pull.
func (j *evacuation) broke() (out []Finding) {
	if j.floorPa > 0 && len(j.floors) < 32 {
		j.floors = append(j.floors, j.floorPa)
	}
	j.breaks++
	j.broken, j.peakPa, j.floorPa, j.isUp = true, 0, 0, false
	if j.stalled {
		out = append(out, j.cleared("vacuum-stalled", evacBroken()))
	}
	if j.frozen {
		out = append(out, j.clearFreezing()...)
	}
	if j.isFast {
		out = append(out, j.cleared("pulldown-too-fast", evacBroken()))
	}
	j.stalled, j.isFast, j.dwelt, j.cause = false, false, false, ""
	j.forget()
	return out
}

// pull begins the next pull.
func (j *evacuation) pull() {
	j.broken, j.pumping, j.floorPa, j.isUp, j.isMarked = false, true, 0, false, false
	j.forget()
}

func (j *evacuation) read(s sample) (out []Finding) {
	if j.heard && s.t < j.last.t {
		return nil // late: the minutes before are closed
	}
	j.last, j.heard, j.offScale = s, true, false
	if j.broken {
		j.peakPa = max(j.peakPa, s.v)
		if j.peakPa >= breakLeastPa && s.v < fallsAgain*j.peakPa {
			j.pull()
		}
		return nil
	}
	if out, rose := j.rises(s); rose {
		return out
	}
	if !j.pumping {
		return nil
	}
	if m := int64(s.t / minute); m != j.open.minute && j.open.n > 0 {
		out = j.minute()
	}
	j.open.minute = int64(s.t / minute)
	j.open.ln += math.Log(s.v)
	j.open.n++
	return out
}

// rises sees a break that nobody marked: the floor lifted for a minute.
func (j *evacuation) rises(s sample) (out []Finding, rose bool) {
	if j.floorPa == 0 || s.v < breakLeastPa || s.v < breakRise*j.floorPa {
		j.isUp = false
		return nil, false
	}
	if !j.isUp {
		j.isUp, j.upSince = true, s.t
	}
	if s.t-j.upSince < minute {
		return nil, true
	}
	if j.isMarked && s.t-j.pulledAt <= openLate { // the gauge was valved off for the break
		j.floorPa, j.isUp = 0, false
		j.forget()
		return nil, true
	}
	out = j.broke()
	j.peakPa = s.v
	return out, true
}

// minute closes a minute and looks at the pull.
func (j *evacuation) minute() (out []Finding) {
	l := j.open
	j.open = level{}
	l.tempC = j.pipeC()
	j.past = append(j.past, l)
	for len(j.past) > 1 && l.minute-j.past[0].minute > int64(stallOver/minute) {
		j.past = append(j.past[:0], j.past[1:]...)
	}
	if j.floorPa == 0 || l.pa() < j.floorPa {
		j.floorPa = l.pa()
	}
	out = j.lookAtStall(l)
	return append(out, j.lookAtWater(l)...)
}

// pipeC is the coldest pipe; where none is measured, the outdoor air.
func (j *evacuation) pipeC() float64 {
	c, air := math.NaN(), math.NaN()
	for i, p := range j.points {
		s := j.coldest[i]
		if math.IsNaN(s.v) || j.clock.newest-s.t > 30*minute {
			continue
		}
		switch p.Role {
		case "pipe-air":
			c = least(c, s.v)
		case "outdoor-air":
			air = least(air, s.v)
		}
	}
	if math.IsNaN(c) {
		return air
	}
	return c
}

func least(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

// fallen is by how much the level fell over these minutes, as a ratio, along
// a straight line through ln p.
func fallen(past []level) float64 {
	t, ln := make([]float64, len(past)), make([]float64, len(past))
	for i, l := range past {
		t[i], ln[i] = float64(l.minute), l.ln/l.n
	}
	_, slope := lineAt(t, ln, t[len(t)-1])
	return -float64(slope * (t[len(t)-1] - t[0]))
}

func (j *evacuation) lookAtStall(l level) []Finding {
	if j.stalled && l.pa() <= j.target.Value {
		j.stalled = false
		return []Finding{j.cleared("vacuum-stalled", evacReached(l.pa(), j.target))}
	}
	if l.minute-j.past[0].minute < int64(stallOver/minute) || len(j.past) < stallLeast {
		return nil
	}
	fall := fallen(j.past)
	j.stillFor, j.movesFor = j.stillFor+1, j.movesFor+1
	if fall > stallFall || l.pa() <= j.target.Value {
		j.stillFor = 0
	}
	if fall < stallGone {
		j.movesFor = 0
	}
	switch {
	case !j.stalled && j.stillFor >= stallLasts:
		j.stalled, j.cause = true, j.why(l)
		return []Finding{{Edge: Raised, Flag: "vacuum-stalled", Urgency: Tell, Points: []string{j.points[j.gauge].Name},
			Text:   evacStalled(l.pa(), j.target, j.cause, l.tempC),
			Values: []Value{{"pressure_pa", l.pa()}, {"target_pa", j.target.Value}, {"coldest_c", l.tempC}, {"water_pa", vapourPa(l.tempC)}}}}
	case j.stalled && j.movesFor >= stallLasts:
		j.stalled = false
		return []Finding{j.cleared("vacuum-stalled", evacFalls(l.pa()))}
	}
	return nil
}

// why names water where the level is its vapour pressure at the coldest pipe
// and, where the pipe's temperature moved, moved with it (6 to 7 % a kelvin).
func (j *evacuation) why(l level) string {
	if math.IsNaN(l.tempC) {
		return "unknown"
	}
	if r := l.pa() / vapourPa(l.tempC); !(r >= waterLeast && r <= waterMost) {
		return "leak"
	}
	var tC, ln []float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range j.past {
		if math.IsNaN(p.tempC) {
			continue
		}
		low, high = min(low, p.tempC), max(high, p.tempC)
		tC, ln = append(tC, p.tempC), append(ln, p.ln/p.n)
	}
	if high-low >= 2 {
		if _, perK := lineAt(tC, ln, tC[0]); perK < 0.03 || perK > 0.12 {
			return "leak"
		}
	}
	return "moisture"
}

func vapourPa(tempC float64) float64 {
	pa, _, err := physics.BoilingPa(tempC)
	if err != nil {
		return math.NaN()
	}
	return pa
}

// lookAtWater follows a level that dwells at water's vapour pressure: where it
// then falls fast below the triple point, what is left of the water freezes.
func (j *evacuation) lookAtWater(l level) []Finding {
	pa := l.pa()
	r := pa / vapourPa(l.tempC)
	if pa > physics.TriplePointPa && r >= waterLeast && r <= waterMost {
		if j.dwell == 0 || pa < j.dweltPa*(1-waterDwellMax) {
			j.dwell, j.dweltPa = 0, pa
		}
		j.dwell++
		if j.dwell >= waterDwell {
			j.dwelt, j.dweltAt = true, time.Duration(l.minute)*minute
		}
		return nil
	}
	j.dwell = 0
	if !j.dwelt || j.frozen || pa >= physics.TriplePointPa {
		return nil
	}
	j.dwelt = false // it is one fall
	if time.Duration(l.minute)*minute-j.dweltAt > freezeWithin {
		return nil
	}
	j.frozen = true
	if j.isCold {
		return nil // told already, for the pipes' own cold
	}
	return []Finding{j.freezing(evacFreezes(pa), pa, l.tempC)}
}

func (j *evacuation) freezing(text string, pa, tempC float64) Finding {
	return Finding{Edge: Raised, Flag: "freezing-risk", Urgency: Tell, Text: text,
		Values: []Value{{"pressure_pa", pa}, {"coldest_c", tempC}}}
}

func (j *evacuation) clearFreezing() []Finding {
	j.frozen = false
	if j.isCold {
		return nil
	}
	return []Finding{j.cleared("freezing-risk", evacBroken())}
}

// lookAtCold follows the site rule: no evacuation in frost.
func (j *evacuation) lookAtCold(t time.Duration) []Finding {
	c := math.NaN()
	for _, s := range j.coldest {
		if !math.IsNaN(s.v) && t-s.t <= 30*minute {
			c = least(c, s.v)
		}
	}
	changes := !j.isCold && c < j.coldC.Value || j.isCold && c > j.coldC.Value+coldAgain
	if !changes {
		j.coldSince = -1
		return nil
	}
	if j.coldSince < 0 {
		j.coldSince = t
	}
	wait := minute
	if j.isCold {
		wait = coldLasts
	}
	if t-j.coldSince < wait {
		return nil
	}
	j.isCold, j.coldSince = !j.isCold, -1
	switch {
	case j.frozen: // the flag is up for the water
		return nil
	case j.isCold:
		return []Finding{j.freezing(evacCold(c, j.coldC), math.NaN(), c)}
	}
	return []Finding{j.cleared("freezing-risk", evacWarmer(c, j.coldC))}
}

// readAbsolute times the fall from 100 to 25 torr.
func (j *evacuation) readAbsolute(s sample) (out []Finding) {
	was := j.lastAbs
	if s.t < was.t {
		return nil
	}
	j.lastAbs = s
	if !j.broken && j.floorPa > 0 && s.v > breakAbsPa {
		out = j.broke()
	}
	if was.v == 0 || s.t == was.t || s.t-was.t > minute || !j.pumping && !j.broken {
		j.crossing = false
		return out
	}
	if was.v >= fastFromPa && s.v < fastFromPa {
		j.crossing, j.crossed = true, between(was, s, fastFromPa)
	}
	if j.crossing && s.v > fastFromPa {
		j.crossing = false
	}
	if j.crossing && s.v <= fastToPa {
		j.crossing = false
		out = append(out, j.fell((between(was, s, fastToPa) - j.crossed).Seconds())...)
		if j.broken {
			j.pull()
		}
	}
	return out
}

// between is when a falling level passed a pressure, along ln p.
func between(a, b sample, pa float64) time.Duration {
	return a.t + time.Duration(float64(b.t-a.t)*math.Log(a.v/pa)/math.Log(a.v/b.v))
}

// fell judges a pull by the time it took: against the take-off's volume where
// the pump is known, else against an earlier pull of the same rig.
func (j *evacuation) fell(took float64) []Finding {
	whole, u, text := 0.0, Note, ""
	switch {
	case j.pump.Value > 0 && j.pipeM3 > 0 && j.hose.BoreM > 0 && j.hose.LengthM > 0:
		whole = j.hose.PullDownS(j.pipeM3, j.pump.Value, fastFromPa, fastToPa)
		if ratio := took / whole; ratio < fastWake {
			u = Wake
		} else if ratio < fastTell {
			u = Tell
		}
		text = evacFastVolume(took, whole, j.pipeM3)
	case j.earlierS > 0:
		whole = j.earlierS
		if c := j.pipeC(); took/whole < fastEarlier && c <= fastWarmestC {
			u = Tell
		}
		text = evacFastEarlier(took, whole)
	}
	j.compared = whole > 0
	j.earlierS = max(j.earlierS, took)
	if u == Note || j.isFast {
		return nil
	}
	j.isFast = true
	return []Finding{{Edge: Raised, Flag: "pulldown-too-fast", Urgency: u, Text: text,
		Values: []Value{{"took_s", took}, {"expected_s", whole}, {"volume_ratio", took / whole}}}}
}

func (j *evacuation) cleared(flag, text string) Finding {
	return Finding{Edge: Cleared, Flag: flag, Text: text}
}

// levelNow is the level of the last minutes of pumping, and by how much it fell in them.
func (j *evacuation) levelNow() (pa, fall float64, ok bool) {
	past := j.past
	if j.open.n > 0 {
		past = append(append([]level(nil), past...), j.open)
	}
	for len(past) > 0 && past[len(past)-1].minute-past[0].minute > int64(levelOver/minute) {
		past = past[1:]
	}
	if len(past) == 0 {
		return math.NaN(), 0, false
	}
	if len(past) < 3 {
		return past[len(past)-1].pa(), 0, false
	}
	var last []sample // a spike is one of three
	for _, l := range past[len(past)-3:] {
		last = append(last, sample{v: l.pa()})
	}
	return median(last), fallen(past), true
}

// over is the end mark: the evacuation's verdict.
func (j *evacuation) over() []Finding {
	pa, fall, ok := j.levelNow()
	now := j.clock.newest
	quiet := max(bridged, 3*j.every())
	w := evacWords{pulls: j.pulls(), breaks: j.breaks, pa: pa, target: j.target, cause: j.cause, allowed: j.mode.Text == "allowed",
		compared: j.compared}
	result, cause := NotProven, "unknown"
	switch {
	case !j.heard:
		cause = "gauge"
	case now-j.last.t > quiet || j.offScale || !j.pumping && j.shutAt-j.last.t > quiet:
		cause = "gap"
	case j.broken || !ok:
	case pa > j.target.Value*(1+1e-6):
		result = NotPassed
		if j.stalled && j.cause != "" {
			cause = j.cause
		}
	case -fall > levelRise:
		w.rising = true
	case j.isFast || j.frozen:
		w.doubt = true
	default:
		result, cause = Passed, "none"
	}
	w.result, w.broken = result, j.broken
	w.why = cause
	values := []Value{{"elapsed_s", seconds(now)}, {"target_pa", j.target.Value}, {"end_pa", pa}, {"breaks", float64(j.breaks)}}
	for i, p := range j.pulls() {
		values = append(values, Value{pullKey(i), p})
	}
	if j.earlierS > 0 {
		values = append(values, Value{"fall_100_to_25_torr_s", j.earlierS})
	}
	f := Finding{Edge: Given, Result: result, Cause: cause, Text: evacVerdict(w), Values: values}
	if j.gauge >= 0 {
		f.Points = []string{j.points[j.gauge].Name}
	}
	return []Finding{f}
}

func (j *evacuation) every() time.Duration {
	if j.gauge < 0 {
		return 0
	}
	return j.points[j.gauge].Every
}

// pulls lists each pull's lowest level.
func (j *evacuation) pulls() []float64 {
	if j.floorPa == 0 {
		return j.floors
	}
	return append(append([]float64(nil), j.floors...), j.floorPa)
}

// Due is never: what the judge says rests on what is heard.
func (j *evacuation) Due() (time.Duration, bool) { return 0, false }

// pullTarget is where this pull is broken, or isolated.
func (j *evacuation) pullTarget() Setting {
	switch j.breaks {
	case 0:
		return j.first
	case 1:
		return j.second
	}
	return j.target
}

// Outlook says which pull it is and what comes next.
func (j *evacuation) Outlook(at Instant) Outlook {
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Quantity: sensors.Vacuum, Limit: &j.target, Sure: "too early to say"}
	if j.gauge >= 0 {
		o.Point = j.points[j.gauge].Name
	}
	if j.heard {
		o.Figure, o.HasFig, o.FigAt = Num(j.last.v), true, Instant{at.Boot, j.clock.when(j.last.t)}
	}
	pa, fall, ok := j.levelNow()
	w := evacStand{elapsed: o.Elapsed, pull: j.breaks + 1, broken: j.broken, pumping: j.pumping, heard: j.heard, over: j.offScale,
		nowPa: j.last.v, next: j.pullTarget(), target: j.target, stalled: j.stalled, cause: j.cause, frozen: j.frozen, cold: j.isCold,
		fast: j.isFast, allowed: j.mode.Text == "allowed"}
	w.last = j.breaks >= 2
	w.ready = ok && !j.broken && pa <= w.next.Value && -fall <= levelRise
	w.deep = ok && !j.broken && pa <= j.target.Value && -fall <= levelRise
	if w.ready {
		o.Sure = "likely"
	}
	o.Sentence = evacStands(w)
	return o
}
