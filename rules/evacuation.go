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
	Flags: []string{"vacuum-stalled", "pulldown-too-fast", "freezing-risk", "vacuum-rising"},
	Roles: []string{"vacuum-gauge", "absolute-pressure", "pipe-air", "outdoor-air", "barometer"},
	Begin: beginEvacuation,
}

// What the judge goes by, besides its settings.
const (
	minute        = time.Minute
	stallOver     = 30 * time.Minute // the floor has not fallen for so long (the field guide)
	stallWater    = 15 * time.Minute // and where it stands at water's pressure: a dry pull is past it in a few minutes (from memory)
	stallLeast    = 12               // minutes heard of the longer
	stallFall     = 0.05             // a fall by less over that time is none: a gauge's noise and drift
	stallGone     = 0.15             // and by more it falls again
	stallLasts    = 5                // minutes for which either must be so
	levelOver     = 5 * time.Minute
	levelRise     = 0.05             // a rise by more in these minutes is one, at the step's end
	breakRise     = 5.0              // a break lifts the floor so many times,
	nearTop       = 0.9              // of the most that the gauge showed; or to there, where that is
	breakTop      = 1.5              // so many times the floor: no water's pressure rises by as much within minutes
	breakLeastPa  = 600.0            // and at least to here (4,500 micron; 1 to 3 psi of nitrogen is far above),
	breakWithin   = 3 * time.Minute  // and from half of that in no longer: a leak or water takes longer
	openLate      = 30 * time.Minute // a gauge valved off for the break shows the pull by then
	fallsAgain    = 0.7              // of the highest since the break: pumped again
	gaugeTopPa    = 25000 * micronPa // where a thermal gauge ends (the field guide)
	upPa          = 50e3             // with an absolute transducer: let in gas
	pulledPa      = 30e3             // and pumped again
	letInPa       = 5e3              // what it must show of a break that stops short of the atmosphere; a zero and noise are below (from memory)
	letInStands   = 0.9              // of the most of it: what the pump draws off at once is a valve opened
	nitrogenPa    = 2e3              // so far above the atmosphere is no air: nitrogen is 1 to 3 psi above (the field guide)
	airFor        = time.Minute      // levelled off at the atmosphere
	restsWithin   = 0.005            // of the level: so far it may move and still stand (0.5 kPa at the atmosphere: a digit and noise)
	restsFor      = time.Minute      // our choice: a pull of any use moves further
	markLate      = 15 * time.Minute // a break that was seen is marked by then
	waterLeast    = 0.6              // of the vapour pressure at the coldest pipe: boiling cools the water by some kelvin; a thermal gauge
	waterMost     = 2.1              // shows up to twice in pure vapour (gas factor 0.5 of gauge tables)
	waterDwell    = 10               // minutes on that level are water
	waterDwellMax = 0.35             // falling by no more than this meanwhile; a dry pull falls by more in a minute or two
	freezeWithin  = 15 * time.Minute
	iceFromPa     = 330.0 // ice at -7 C (IAPWS); a hose or old oil holds less (from memory)
	iceToPa       = 1.1 * physics.TriplePointPa
	iceOver       = 10 * time.Minute // so long at one level
	freezeCold    = time.Hour        // with pipes below freezeColdC it takes little
	freezeColdC   = 10.0             // (the field guide)
	coldAgain     = 1.0              // K above the limit clears
	coldLasts     = 10 * time.Minute
	leastGaugePa  = 1 * micronPa // no field pump reaches it (from memory)
	absLeastPa    = 3000.0       // an absolute transducer shows no less by its zero and noise alone
	oddMost       = 3.0          // times: what a gauge and a transducer may differ by
	oddFor        = 5            // readings
	topStands     = 0.995        // of the most that the gauge showed: its noise is more
	nearTarget    = 2.0          // times the target: there a gauge has the steps that it has in the hold
)

type evacuation struct {
	clock  watch
	points []sensors.Point
	gauge  int // place of the vacuum gauge; -1: none
	target Setting
	first  Setting // where pulls 1 and 2 are broken
	second Setting
	coldC  Setting // the least temperature

	pumping   bool // not after pump-stopped or isolated
	isolated  bool // marked so
	broken    bool // between a break and the next pull
	breaks    int
	unseen    int  // marked, and the absolute transducer saw no gas let in
	saidBreak bool // this break was marked
	absSaw    bool // and the transducer heard in it
	isMarked  bool // somebody marked this pull's start, and when: its gauge may be opened late
	pulledAt  time.Duration
	dilutedBy float64 // what the breaks so far left of each part of the air; 0: a break's pressure is not known
	saidPa    float64 // absolute, that this break was marked with
	saidAt    time.Duration
	peakPa    float64 // since the break
	pairPa    float64 // of two readings one after the other
	beforePa  float64 // the reading before
	wasShut   bool    // and the gauge's valve was shut in it: it never showed the nitrogen
	absPeakPa float64
	absMostPa float64 // since the gauge's floor was lifted
	absDown   bool    // this pull was seen by the transducer
	startedPa float64 // of the transducer before the first pull; 0: not heard
	standPa   float64 // where it stands, and since when
	standAt   time.Duration
	upSince   time.Duration
	isUp      bool
	isMid     bool // it has left its floor, and when
	midAt     time.Duration
	atAir     lasting
	lost      bool      // air came in: told
	floors    []float64 // the lowest level of each pull, Pa
	floorPa   float64   // of this pull; 0: none yet
	past      []level   // minutes of this pull, at most stallOver of them and one
	open      level     // the minute under way
	last      sample    // of the gauge
	heard     bool
	shutAt    time.Duration // isolated or pump-stopped
	offScale  bool
	offSince  time.Duration
	newest    []sample // by place
	isCold    bool
	coldSince time.Duration // since when it is colder, or no longer
	unit      string        // why the gauge's unit cannot be right
	unitTold  bool
	small     int     // readings below what a pump can reach
	flat      int     // readings at what another unit's top would be, from the first on; -1: it left it
	still     still   // of the gauge, once it is near its target
	highPa    float64 // the most that it showed,
	agreed    int     // readings that the transducer bears out, and whether it
	atAtm     bool    // stood at the atmosphere
	firstPa   float64 // its first reading
	odd       int     // readings that the transducer contradicts, all by about one factor
	oddRatio  float64
	oddFrom   float64 // what both showed at the first of them
	oddGauge  float64
	oddPa     float64

	stalled   bool
	stillFor  int
	stallFrom int64 // the minute from which it did not fall
	movesFor  int
	cause     string
	dwell     int // minutes on water's level in this pull
	dweltPa   float64
	dweltAt   time.Duration
	dwelt     bool
	frozen    bool

	volume volume
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
	j := &evacuation{dilutedBy: 1, clock: startWatch(s), points: s.Points, gauge: -1, pumping: true, coldSince: -1, newest: make([]sample, len(s.Points))}
	j.target, _ = limit(s.Step, "target")
	j.first, _ = limit(s.Step, "first")
	j.second, _ = limit(s.Step, "second")
	j.coldC, _ = limit(s.Step, "coldest")
	for i, p := range s.Points {
		j.newest[i].v = math.NaN()
		if p.Role == "vacuum-gauge" && j.gauge < 0 {
			j.gauge = i
		}
	}
	j.volume = beginVolume(s)
	return j
}

func (j *evacuation) Next(e Entry) []Finding {
	_, restarted := j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Started:
		if restarted && j.clock.unknown {
			j.forget()
			j.volume.stop()
		}
	case *Told:
		return j.told(b, j.clock.of(e.At.Since))
	case *Measured:
		t := j.clock.of(b.Taken)
		if e.place == j.gauge && b.Health.Live() && !b.Health.Usable() {
			return j.over(t, b.Health.Reason)
		}
		if t < 0 || !b.Health.Usable() || math.IsNaN(b.Value) || math.IsInf(b.Value, 0) {
			return nil
		}
		s := sample{t, b.Value}
		switch p := j.points[e.place]; p.Role {
		case "vacuum-gauge":
			if e.place == j.gauge && b.Value >= 0 {
				return j.read(s)
			}
		case "absolute-pressure":
			return j.readAbsolute(e.place, s)
		case "pipe-air", "outdoor-air":
			j.newest[e.place] = s
			j.volume.warmest(j.pipesC())
			return j.lookAtCold(t)
		case "barometer":
			j.newest[e.place] = s
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
		return j.ended()
	case b.Kind != "mark":
		return nil
	}
	switch b.Name {
	case "pump-started":
		j.pumping, j.isolated = true, false
		var out []Finding
		if j.broken {
			out = j.pull(t)
		}
		j.isMarked, j.pulledAt = true, t
		return out
	case "pump-stopped", "isolated":
		if j.pumping {
			j.pumping, j.shutAt = false, t
		}
		j.isolated = j.isolated || b.Name == "isolated"
		j.volume.stop()
	case "nitrogen-break":
		out := j.toldBreak(t)
		if b.Value > 0 && b.Unit == "Pa" {
			j.saidPa = 101325 + b.Value
		}
		return out
	}
	return nil
}

// toldBreak takes the mark, unless the break was seen before it was said.
func (j *evacuation) toldBreak(t time.Duration) (out []Finding) {
	if j.lost { // it was nitrogen
		j.lost = false
		j.breaks++
		out = append(out, j.cleared("vacuum-rising", evacNitrogen()))
	}
	switch {
	case j.broken:
	case !j.saidBreak && j.breaks > 0 && t-j.pulledAt < markLate: // a late mark
	case j.floorPa == 0 && !j.absDown && j.isAbsUp(t): // there is no vacuum to break
		j.unseen++
		return out
	default:
		out = append(out, j.broke()...)
	}
	j.saidBreak, j.saidAt = true, t
	return out
}

// broke ends a pull.
func (j *evacuation) broke() (out []Finding) {
	j.lastMinute()
	if j.floorPa > 0 && len(j.floors) < 32 {
		j.floors = append(j.floors, j.floorPa)
	}
	j.breaks++
	j.pairPa, j.beforePa = 0, 0
	j.broken, j.saidBreak, j.absSaw, j.peakPa, j.absPeakPa, j.saidPa, j.floorPa, j.isUp = true, false, false, 0, 0, 0, 0, false
	if j.stalled {
		out = append(out, j.cleared("vacuum-stalled", evacBroken()))
	}
	if j.frozen {
		out = append(out, j.clearFreezing()...)
	}
	if j.volume.fast {
		out = append(out, j.cleared("pulldown-too-fast", evacBroken()))
	}
	j.stalled, j.dwelt, j.cause = false, false, ""
	j.volume.next()
	j.forget()
	return out
}

// lastMinute counts the minute that a break or the end cuts short.
func (j *evacuation) lastMinute() {
	if n := len(j.past); n > 0 && j.floorPa > 0 && 2*j.open.n >= j.past[n-1].n { // with less of it noise would count
		j.floorPa = min(j.floorPa, j.open.pa())
	}
}

// pull begins the next pull. Where a break was marked, and the transducer went
// on showing a vacuum, it was none.
func (j *evacuation) pull(t time.Duration) (out []Finding) {
	floor := 0.0
	if n := len(j.floors); n > 0 && !j.lost && !(j.absSaw && j.absPeakPa < letInPa) {
		if broken := max(j.absPeakPa, j.saidPa); broken > 0 {
			j.dilutedBy *= physics.AfterBreak(j.floors[n-1], broken, 1)
		} else {
			j.dilutedBy = 0
		}
	}
	if j.absSaw && j.absPeakPa < letInPa {
		j.breaks--
		j.unseen++
		if n := len(j.floors); n > 0 { // it is the same pull
			floor, j.floors = j.floors[n-1], j.floors[:n-1]
		}
	}
	j.broken, j.pumping, j.isolated, j.absDown, j.floorPa, j.isUp, j.isMarked, j.pulledAt = false, true, false, false, floor, false, false, t
	j.atAir = lasting{}
	j.forget()
	if j.lost {
		j.lost = false
		out = []Finding{j.cleared("vacuum-rising", evacPulledAgain())}
	}
	return out
}

func (j *evacuation) read(s sample) (out []Finding) {
	if j.heard && s.t < j.last.t {
		return nil // late: the minutes before are closed
	}
	if j.highPa = max(j.highPa, s.v); s.v <= nearTarget*j.target.Value {
		j.still.hear(s)
	}
	j.last, j.heard, j.offScale = s, true, false
	if j.unit == "" {
		if j.lookAtUnit(s); j.unit != "" { // said at once: the hours until the end mark would be lost
			out = j.ended()
		}
	}
	if s.v > 0 {
		out = append(out, j.follow(s)...)
	}
	return out
}

// follow takes what the gauge shows into the pull, or the break.
func (j *evacuation) follow(s sample) (out []Finding) {
	if j.broken {
		if j.isPulledAgain(s) {
			out = j.pull(s.t)
		}
		j.volume.gaugeOver() // opened late it falls as fast as its own stub empties
		return out
	}
	out, rose := j.rises(s)
	if rose || !j.pumping {
		return out
	}
	if f := j.volume.readGauge(s, j.unit == "" && j.breaks == 0); f != nil {
		out = append(out, *f)
	}
	if m := int64(s.t / minute); m != j.open.minute && j.open.n > 0 {
		out = append(out, j.minute()...)
	}
	j.open.minute = int64(s.t / minute)
	j.open.ln += math.Log(s.v)
	j.open.n++
	return out
}

// isPulledAgain reports whether a break is over, as the gauge shows it. One that
// was valved off for a break that somebody marked is opened at any pressure: what
// it shows may be far below nitrogen's, but nothing else than a pump lowers it.
func (j *evacuation) isPulledAgain(s sample) bool {
	low := max(s.v, j.beforePa) // of two, for a stray one says nothing
	j.peakPa, j.pairPa = max(j.peakPa, s.v), max(j.pairPa, min(s.v, j.beforePa))
	j.beforePa = s.v
	if j.isAbsUp(s.t) {
		return false
	}
	j.wasShut = j.peakPa < breakLeastPa && j.saidBreak && low < fallsAgain*j.pairPa
	return j.wasShut || j.peakPa >= breakLeastPa && s.v < fallsAgain*j.peakPa
}

// over is a gauge without a value; above its range as at the beginning of a pull.
func (j *evacuation) over(t time.Duration, reason string) []Finding {
	if !j.offScale {
		j.offScale, j.offSince = true, t
	}
	if reason != sensors.ReasonOffScale || t < 0 {
		return nil
	}
	if j.broken {
		j.peakPa = max(j.peakPa, gaugeTopPa)
		return nil
	}
	out, _ := j.rises(sample{t, gaugeTopPa})
	return out
}

// rises sees gas let in that nobody marked: the floor lifted for a minute.
func (j *evacuation) rises(s sample) (out []Finding, rose bool) {
	lift, half := j.lifted()
	if j.floorPa == 0 || s.v < breakLeastPa || s.v < lift {
		if j.isUp = false; s.v < half {
			j.isMid = false
		} else if !j.isMid {
			j.isMid, j.midAt = true, s.t
		}
		return nil, false
	}
	if !j.isUp {
		j.isUp, j.upSince, j.absMostPa = true, s.t, 0
	}
	if j.absHeard(s.t) {
		j.absMostPa = max(j.absMostPa, j.abs(s.t))
	}
	switch {
	case s.t-j.upSince < minute:
		return nil, true
	case j.isMarked && s.t-j.pulledAt <= openLate, j.absHeard(s.t) && !j.absDown: // the gauge was valved off
		j.floorPa, j.isUp = 0, false
		j.forget()
		return nil, true
	case j.isMid && j.upSince-j.midAt > breakWithin || j.absHeard(s.t) && !j.isLetIn(s.t):
		return nil, true // a leak, or water: no nitrogen comes in like that
	}
	stopped := !j.pumping && !j.isolated
	if n := len(j.floors); j.wasShut && j.breaks > 0 && n > 0 && s.t-j.saidAt <= markLate { // marked early, and pulled on until now
		j.wasShut, j.breaks, j.floors = false, j.breaks-1, j.floors[:n-1]
	}
	out = j.broke()
	j.peakPa = s.v
	if stopped && !j.absHeard(s.t) {
		out = append(out, j.airIn(s.v))
	}
	return out, true
}

// lifted is how far a break lifts this pull's floor, and where it is half way. A
// gauge that ends before that, over a wet pipe, shows no more than its end.
func (j *evacuation) lifted() (pa, halfPa float64) {
	pa = breakRise * j.floorPa
	if top := nearTop * j.highPa; pa > top && top > breakTop*j.floorPa {
		return top, math.Sqrt(j.floorPa * top)
	}
	return pa, pa / 2
}

// airIn is air through a pump that stands with its valve open.
func (j *evacuation) airIn(pa float64) Finding {
	j.lost = true
	j.breaks-- // it was no nitrogen
	return Finding{Edge: Raised, Flag: "vacuum-rising", Urgency: Wake, Text: evacAir(pa, !j.pumping), Values: []Value{{"pressure_pa", pa}}}
}

// absHeard reports whether an absolute transducer was heard lately, and
// isAbsUp whether it shows gas let in.
func (j *evacuation) absHeard(t time.Duration) bool { return !math.IsNaN(j.abs(t)) }
func (j *evacuation) isAbsUp(t time.Duration) bool  { return j.abs(t) > upPa }

// isLetIn reports whether it shows gas let in that stays, be it less than an atmosphere.
func (j *evacuation) isLetIn(t time.Duration) bool {
	return j.abs(t) > max(letInPa, letInStands*j.absMostPa)
}

func (j *evacuation) abs(t time.Duration) float64 { return j.of("absolute-pressure", t, bridged) }

// of is the newest reading of a role, where it is not too old.
func (j *evacuation) of(role string, t, most time.Duration) float64 {
	v := math.NaN()
	for i, p := range j.points {
		if s := j.newest[i]; p.Role == role && !math.IsNaN(s.v) && t-s.t <= most {
			v = s.v
		}
	}
	return v
}

// readAbsolute follows the transducer: gas let in, the fall after it, and what
// the fall says of the volume.
func (j *evacuation) readAbsolute(place int, s sample) (out []Finding) {
	if n := j.newest[place]; math.IsNaN(n.v) || s.t >= n.t {
		j.newest[place] = s
		out = j.followAbsolute(s)
	}
	if j.pumping || j.broken {
		if f := j.volume.read(s); f != nil {
			out = append(out, *f)
		}
	}
	if f := j.volume.zero(s, j.last, j.heard && !j.broken && j.pumping && j.unit == ""); f != nil {
		out = append(out, *f)
	}
	return out
}

func (j *evacuation) followAbsolute(s sample) (out []Finding) {
	if j.broken {
		j.absSaw, j.absPeakPa = true, max(j.absPeakPa, s.v)
		if j.absPeakPa > letInPa && s.v < min(pulledPa, fallsAgain*j.absPeakPa) {
			return j.pull(s.t)
		}
		air := j.of("barometer", s.t, 24*time.Hour)
		if math.IsNaN(air) {
			air = j.startedPa // where no barometer tells it: what the transducer stood at before the first pull
		}
		if air == 0 || j.absPeakPa > air+nitrogenPa || j.saidBreak || j.lost {
			return nil
		}
		if j.atAir.by(s.t, math.Abs(s.v-air) <= nitrogenPa, airFor) {
			return []Finding{j.airIn(s.v)}
		}
		return nil
	}
	if s.v > upPa && j.floorPa == 0 && !j.volume.fell() && j.breaks == 0 {
		j.stands(s)
	}
	j.absDown = j.absDown || s.v < pulledPa
	if s.v > upPa && j.absDown {
		out = j.broke()
		j.absSaw, j.absPeakPa = true, s.v
	}
	return out
}

// stands keeps where the transducer stood before the first pull: at first its
// first reading, then any level it has kept. A slow pull keeps none.
func (j *evacuation) stands(s sample) {
	if j.startedPa == 0 {
		j.startedPa = s.v
	}
	switch {
	case math.Abs(s.v-j.standPa) > restsWithin*j.standPa:
		j.standPa, j.standAt = s.v, s.t
	case s.t-j.standAt >= restsFor:
		j.startedPa = j.standPa
	}
}

// lookAtUnit asks whether the gauge's numbers can be of the unit that the site
// file gives it: a wrong one makes every judgement wrong.
func (j *evacuation) lookAtUnit(s sample) {
	p := j.points[j.gauge]
	if s.v < leastGaugePa {
		j.small++
	} else {
		j.small = 0
	}
	j.lookAtBoth(s)
	if j.firstPa == 0 {
		j.firstPa = s.v
	}
	if j.flat >= 0 && math.Abs(s.v-j.firstPa) < 0.002*j.firstPa { // only how it begins
		j.flat++
	} else {
		j.flat = -1
	}
	if j.flat == oddFor || j.broken {
		j.atAtm = j.atAtm || s.v > upPa && s.v < 2*upPa+2*nitrogenPa
	}
	switch {
	case j.small >= oddFor:
		j.unit = evacUnitSmall(p.Name, p.Unit, s.v)
	case j.odd >= oddFor:
		j.unit = evacUnitOdd(p.Name, p.Unit, s.v, j.oddPa)
	case j.flat >= 2*oddFor && isOtherTop(p.Unit, s.v):
		j.unit = evacUnitTop(p.Name, p.Unit, s.v)
	case j.flat >= 2*oddFor && isOtherAir(p.Unit, s.v):
		j.unit = evacUnitAir(p.Name, p.Unit, s.v)
	}
}

// isOtherTop reports whether a number is where a gauge ends that speaks the other of
// micron and Pa: at 25,000, 20,000 or 19,000 micron (from memory).
func isOtherTop(unit string, pa float64) bool {
	n := pa / unitPa(unit)
	for _, top := range []float64{25000, 20000, 19000} {
		if unit == "micron" && math.Abs(n/(top*micronPa)-1) < 0.002 || unit == "Pa" && top != 20000 && math.Abs(n/top-1) < 0.002 { // 20 kPa is a range that gauges have
			return true
		}
	}
	return false
}

// isOtherAir reports whether a number is the atmosphere in the other of micron and
// Pa, from a high mountain down to the sea, or in any unit more than there is.
func isOtherAir(unit string, pa float64) bool {
	const low, high = 70e3, 108e3
	return unit == "micron" && pa > low*micronPa && pa < high*micronPa || pa > 3*high
}

// unitChecks counts what showed that the gauge's unit is right: that it stood at
// the atmosphere, that an absolute transducer bore it out, or that it ends where a
// gauge of its unit does and one of the other of micron and Pa does not.
func (j *evacuation) unitChecks() (n float64) {
	if j.gauge < 0 {
		return 0
	}
	const ends = 1.05 * gaugeTopPa // and in Pa no thermal gauge's numbers are higher
	unit := j.points[j.gauge].Unit
	top := j.highPa / unitPa(unit)
	for _, shown := range []bool{j.atAtm, j.agreed >= oddFor, unit == "micron" && top > ends && j.highPa < ends} {
		if shown {
			n++
		}
	}
	return n
}

// lookAtBoth holds the gauge against the absolute transducer, where both can
// read: they fall together, and by the same factor apart. A gauge that is
// valved off does not fall.
func (j *evacuation) lookAtBoth(s sample) {
	abs := j.abs(s.t) - j.volume.zeroPa
	if !(abs > zeroMostPa && abs < 0.9*gaugeTopPa) || s.v <= 0 || j.broken {
		return
	}
	r := s.v / abs
	switch {
	case r < oddMost && r > 1/oddMost:
		j.odd = 0
		j.agreed++
		return
	case j.odd == 0 || math.Abs(math.Log(r/j.oddRatio)) > 0.3:
		j.odd, j.oddRatio, j.oddFrom, j.oddGauge = 0, r, abs, s.v
	}
	if j.odd < oddFor-1 || abs < 0.8*j.oddFrom && s.v < 0.9*j.oddGauge {
		j.odd++
		j.oddPa = abs
	}
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
	if j.unit != "" {
		return nil
	}
	out = j.lookAtStall(l)
	return append(out, j.lookAtWater(l)...)
}

// pipeC is the coldest pipe; where none is measured, the outdoor air.
func (j *evacuation) pipeC() float64 {
	if c, _ := j.pipesC(); !math.IsNaN(c) {
		return c
	}
	return j.of("outdoor-air", j.clock.newest, 30*minute)
}

// pipesC are the coldest and the warmest pipe.
func (j *evacuation) pipesC() (coldest, warmest float64) {
	coldest, warmest = math.NaN(), math.NaN()
	for i, p := range j.points {
		s := j.newest[i]
		if p.Role != "pipe-air" || math.IsNaN(s.v) || j.clock.newest-s.t > 30*minute {
			continue
		}
		coldest, warmest = least(coldest, s.v), -least(-warmest, -s.v)
	}
	return coldest, warmest
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
	past, over := j.past, stallOver
	for j.stalled && past[0].minute < j.stallFrom { // what fell before it stalled is not falling again
		past = past[1:]
	}
	if water := lately(past, stallWater); water != nil && !j.stalled && j.why(water) == "moisture" {
		past, over = water, stallWater
	}
	if !j.stalled && l.minute-past[0].minute < int64(over/minute) || len(past) < int(float64(stallLeast)*float64(over)/float64(stallOver)) {
		return nil
	}
	fall := fallen(past)
	j.stillFor, j.movesFor = j.stillFor+1, j.movesFor+1
	if fall > stallFall*float64(over)/float64(stallOver) || l.pa() <= j.target.Value {
		j.stillFor = 0
	}
	if fall < stallGone {
		j.movesFor = 0
	}
	if cause := j.why(past); j.stalled && cause != "unknown" {
		j.cause = cause // the pipe's temperature moved since
	}
	switch {
	case !j.stalled && j.stillFor >= stallLasts:
		j.stalled, j.cause, j.stallFrom = true, j.why(past), past[0].minute
		return []Finding{{Edge: Raised, Flag: "vacuum-stalled", Urgency: Tell, Points: []string{j.points[j.gauge].Name},
			Text: evacStalled(l.pa(), j.target, j.pullTarget(), j.cause, l.tempC, over) + evacWater(j.cause, j.drawn(l), j.volume.wholeM3, l.tempC),
			Values: []Value{{"pressure_pa", l.pa()}, {"target_pa", j.target.Value}, {"coldest_c", l.tempC}, {"water_pa", vapourPa(l.tempC)},
				{"water_kg_per_s", j.drawn(l)}}}}
	case j.stalled && j.movesFor >= stallLasts:
		j.stalled, j.stillFor = false, 0
		return []Finding{j.cleared("vacuum-stalled", evacFalls(l.pa()))}
	}
	return nil
}

// drawn is the water that the pump draws off at this level, kg/s, if it is
// water; not a number where the pump is not known.
func (j *evacuation) drawn(l level) float64 {
	r := j.volume.rig
	if r.pumpM3PerS <= 0 || j.cause != "moisture" {
		return math.NaN()
	}
	return physics.DrawnKgPerS(r.hose.SpeedM3PerS(r.pumpM3PerS, l.pa()), l.pa(), l.tempC)
}

// lately are the last minutes, where they reach back so far.
func lately(past []level, span time.Duration) []level {
	last := past[len(past)-1].minute
	for i := len(past) - 1; i >= 0; i-- {
		if last-past[i].minute >= int64(span/minute) {
			return past[i:]
		}
	}
	return nil
}

// why names water where the level is its vapour pressure at the coldest pipe
// and, where the pipe's temperature moved, moved with it (6 to 7 % a kelvin).
// Below that it may be a pool that boils itself colder than the clamps: 40 g an
// hour take 27 W, and still air gives a pipe little (latent heat 2.45 MJ/kg).
func (j *evacuation) why(past []level) string {
	l := past[len(past)-1]
	switch r := l.pa() / vapourPa(l.tempC); {
	case j.isTop(l):
		return "top"
	case math.IsNaN(l.tempC):
		return "unknown"
	case r > waterMost || l.pa() <= iceFromPa/2:
		return "leak"
	case r < 1 && l.pa() < iceToPa && r < waterLeast:
		return "ice"
	case r < waterLeast:
		return "pool"
	}
	var tC, ln []float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range past {
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

// isTop reports whether a gauge that moves stood where it ends, all of a minute.
func (j *evacuation) isTop(l level) bool { return l.pa() > topStands*j.highPa && l.pa() > breakLeastPa }

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
	if pa > physics.TriplePointPa && r >= waterLeast && r <= waterMost && !j.isTop(l) {
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
	if past := lately(j.past, iceOver); past != nil && !j.frozen && !j.isCold && pa > iceFromPa && pa < iceToPa && r < 1 && fallen(past) < stallFall && fallen(past) > -stallFall {
		j.frozen = true
		return []Finding{j.freezing(evacIce(pa, l.tempC), pa, l.tempC)}
	}
	if !j.dwelt || j.frozen || pa >= physics.TriplePointPa {
		return nil
	}
	j.dwelt = false // it is one fall
	within := freezeWithin
	if l.tempC < freezeColdC {
		within = freezeCold
	}
	if time.Duration(l.minute)*minute-j.dweltAt > within {
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
	c, _ := j.pipesC()
	c = least(c, j.of("outdoor-air", t, 30*minute))
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

// ended is the end mark: the evacuation's verdict. One that the gauge's unit was
// wrong was given when that was seen, and stands.
func (j *evacuation) ended() []Finding {
	if j.unitTold {
		return nil
	}
	j.unitTold = j.unit != ""
	j.lastMinute()
	pa, fall, ok := j.levelNow()
	now := j.clock.newest
	quiet := max(bridged, 3*j.every())
	w := evacWords{pulls: j.pulls(), breaks: j.breaks, unseen: j.unseen, pa: pa, target: j.target, cause: j.cause,
		compared: j.volume.compared, unit: j.unit}
	result, cause := NotProven, "unknown"
	switch {
	case !j.heard || j.unit != "":
		cause = "gauge"
	case j.broken:
	case now-j.last.t > quiet || j.offScale || !j.pumping && j.shutAt-j.last.t > quiet:
		cause = "gap"
	case j.contradicted(now, pa):
		cause, w.absPa = "gauge", j.abs(now)
	case !ok:
	case pa > j.target.Value*(1+1e-6):
		result = NotPassed
		if j.stalled && (j.cause == "leak" || j.cause == "moisture") {
			cause = j.cause
		}
	case -fall > levelRise:
		w.rising = true
	case j.volume.fast || j.frozen:
		w.doubt = true
	default:
		result, cause = Passed, "none"
	}
	w.result, w.broken, w.lost = result, j.broken, j.lost
	w.why = cause
	values := []Value{{"elapsed_s", seconds(now)}, {"target_pa", j.target.Value}}
	if j.unit == "" { // else they would be made of a wrong unit
		values = append(values, Value{"end_pa", pa}, Value{"breaks", float64(j.breaks)})
		for i, p := range j.pulls() {
			values = append(values, Value{pullKey(i), p})
		}
		if j.breaks > 0 && !j.broken && j.dilutedBy > 0 {
			w.airPa = pa * j.dilutedBy
			values = append(values, Value{"air_pa", w.airPa})
		}
		values = append(values, j.volume.values()...)
		if j.heard {
			values = append(values, Value{"unit_checks", j.unitChecks()})
		}
		if j.still.step > 0 {
			values = append(values, Value{"gauge_step_pa", j.still.step})
		}
	}
	f := Finding{Edge: Given, Result: result, Cause: cause, Text: evacVerdict(w), Values: values}
	if j.gauge >= 0 {
		f.Points = []string{j.points[j.gauge].Name}
	}
	return []Finding{f}
}

// contradicted reports whether the transducer shows no vacuum where the gauge
// does: its valve is shut.
func (j *evacuation) contradicted(t time.Duration, pa float64) bool {
	return pa < absLeastPa/2 && j.abs(t)-j.volume.zeroPa > absLeastPa
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
	shut := j.contradicted(j.clock.newest, pa)
	ok = ok && !shut
	w := evacStand{shut: shut, elapsed: o.Elapsed, pull: j.breaks + 1, broken: j.broken, pumping: j.pumping, heard: j.heard, over: j.offScale,
		nowPa: j.last.v, next: j.pullTarget(), target: j.target, stalled: j.stalled, cause: j.cause, frozen: j.frozen, cold: j.isCold,
		fast: j.volume.fast, lost: j.lost, unit: j.unit}
	w.last = j.breaks >= 2
	w.ready = ok && !j.broken && pa <= w.next.Value && -fall <= levelRise
	w.deep = ok && !j.broken && pa <= j.target.Value && -fall <= levelRise
	if w.left = -1; w.ready {
		o.Sure = "likely"
	} else if ok && !j.broken && j.pumping && j.unit == "" && !j.stalled {
		o.Trend, w.left = j.trend()
		if o.Left = w.left; w.left >= 0 {
			o.Sure = "likely"
		}
	}
	o.Sentence = evacStands(w)
	return o
}

const (
	trendOver  = 20 * time.Minute // minutes that the projection rests on
	trendLeast = 8                // of them heard
	trendMost  = 6 * time.Hour    // further ahead nothing is said
	trendNoise = 0.02             // of the level: a gauge's (the field guide: 0.5 to 3 %)
)

// trend projects the pull to its target. What walls and oil give off dies away
// as a power of the time (about 1/t: vacuum engineering tables, from memory), a
// dry pull as an exponential: the power is the slower and the best, the
// exponential the lower edge, and a level that stays the upper.
func (j *evacuation) trend() (ps []TrendPoint, left time.Duration) {
	past := j.past
	for len(past) > 0 && past[len(past)-1].minute-past[0].minute > int64(trendOver/minute) {
		past = past[1:]
	}
	from := j.pulledAt.Minutes()
	if len(past) < trendLeast || float64(past[0].minute) < from {
		return nil, -1
	}
	var t, lnT, lnP []float64
	for _, l := range past {
		m := float64(l.minute) + 0.5
		t, lnT, lnP = append(t, m), append(lnT, math.Log(m-from)), append(lnP, l.ln/l.n)
	}
	n := len(t) - 1
	now, power := lineAt(lnT, lnP, lnT[n])
	_, slope := lineAt(t, lnP, t[n])
	target := math.Log(j.pullTarget().Value)
	if power >= -trendNoise || slope >= 0 || now <= target {
		return nil, -1
	}
	ends := math.Exp(lnT[n]+(target-now)/power) + from - t[n] // minutes from the last
	if ends > trendMost.Minutes() {
		return nil, -1
	}
	const steps = 24
	for i := range steps + 1 {
		ahead := ends * float64(i) / steps
		best := math.Exp(now + float64(power*(math.Log(t[n]+ahead-from)-lnT[n])))
		low := math.Exp(now + float64(slope*ahead) - 2*trendNoise)
		at := time.Duration(float64(minute) * (t[n] + ahead)).Round(time.Second)
		ps = append(ps, TrendPoint{j.clock.when(at), Num(min(low, best)), Num(best), Num(math.Exp(now + 2*trendNoise))})
	}
	return ps, max(0, (time.Duration(float64(minute)*(t[n]+ends))).Round(time.Minute)-j.clock.newest.Round(time.Minute))
}
