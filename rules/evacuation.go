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
	boilFall      = 0.25             // over stallWater, of water that boils: its pool cools, and the rest dries (our choice; a dry pull falls by as much in a minute or two)
	boilLeast     = 0.4              // of water's pressure at the coldest pipe: a pool that boils is some 13 K colder (latent heat, as in why)
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
	iceOverCold   = 5 * time.Minute  // with pipes below freezeColdC so long,
	iceFallCold   = 0.25             // falling by no more than this: a dry pull, and what walls give off (1/t), fall by twice as much (our choice)
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

func (j *evacuation) cleared(flag, text string) Finding {
	return Finding{Edge: Cleared, Flag: flag, Text: text}
}

// Due is never: what the judge says rests on what is heard.
func (j *evacuation) Due() (time.Duration, bool) { return 0, false }
