package rules

import (
	"math"
	"slices"
	"sort"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// VacuumRising judges the vacuum hold.
var VacuumRising = Rule{
	Name:  "vacuum-rising",
	Doc:   "Judges the vacuum hold: wakes somebody when the limit is passed, tells when it surely will be, and gives the hold's verdict.",
	Steps: []string{"vacuum-hold"},
	Flags: []string{"vacuum-rising"},
	Roles: []string{"vacuum-gauge", "pipe-air", "indoor-power"},
	Begin: beginVacuumHold,
}

// What the hold goes by, besides its limits. physics.FitRises says how probable
// it is that the limit is or will be passed; how probable it must be, and for
// how long, is our choice from trial runs with seeds (rulestest, holds_test.go).
const (
	bridged     = 2 * time.Minute  // gaps up to it count as heard (the contract)
	gapMost     = 10 * time.Minute // longer ones leave the hold not proven (the contract)
	overFor     = 90 * time.Second // how long the limit must be surely passed
	persistFor  = 3 * time.Minute  // a cause must last (the field guide),
	willFor     = time.Minute      // and a projection: the fit knows of the gauge's drift
	surelyOver  = 0.995            // how probably it is passed, or will be
	surelyWill  = 0.99             // for as long as a projection must last,
	stillWill   = 0.97             // and not less meanwhile;
	farSurer    = 0.995            // or this, for half the time: two looks
	tooClose    = 0.1              // either side of even, at the end
	causeSure   = 0.75             // of what rises, before its cause is named
	riseSure    = 0.9              // how probably it rises at all
	bentSurely  = 30.0             // times as probable as straight: then it surely bends
	noiseMost   = 0.03             // of the reading, a bad gauge's noise (the field guide)
	wanders     = 4.0              // times that, between two levels: more than a bad gauge shows that wanders (a difference has 1.4 of its standard deviation)
	wandersFor  = 20 * time.Minute // in so long its wandering shows (our choice)
	noiseLeast  = 0.001            // of the reading: the least that is believed
	spikeLeast  = 0.01             // of the level: what departs by less is no spike
	spikeTimes  = 8.0              // the usual departure from the neighbours' median
	bucketsMost = 200              //
	kickWide    = 4                // stretches to either side
	kickShare   = 0.15             // of the level
	bucketFirst = 10 * time.Second //
	lookEvery   = 30 * time.Second // or at every bucket, where they are longer
	glanceEvery = 5 * time.Second  // where the newest readings lie far over the limit
	viewFrom    = 2 * time.Minute  // of readings
	keptFor     = 20 * time.Minute // once there is a verdict: longer than any look back
)

type vacuumHold struct {
	begun Start // so that it can begin anew
	clock watch
	gauge sensors.Point
	limit Setting // Pa
	start Setting
	lasts time.Duration
	sett  time.Duration

	walls []wall // the pipes' temperatures

	still     still
	wasFrozen still   // the run in which it was, where it has moved since
	sawStepPa float64 // the gauge's least step in the evacuation before; 0: none was seen
	checks    float64 // what showed there that its unit is right

	air      airIn
	charging bool // a draw-in or weigh-in has begun: what the gauge shows now is refrigerant

	pipeM3    float64  // of the sealed pipework; 0: not known
	ss        []sample // Pa, in the order taken
	extend    time.Duration
	broken    bool // a gap too long, or of unknown length
	buckets   []bucket
	rough     float64 // how far a reading usually lies from its neighbours' median, of the level
	width     time.Duration
	stale     bool // a late reading came: buckets must be made anew
	forgot    bool // the older readings: the buckets have their means
	startPa   float64
	startedHi bool // began above its limit and has not been under it since
	small     int  // readings less than any gauge can show, and
	great     int  // more, from the first on
	badUnit   bool // so its unit is wrong
	zeros     int  // readings of nought or less, which no pressure is
	slipped   bool // began where a pascal gauge would not and a micron gauge would: may be one called the other
	unstarted bool // and was still above it once settled: nothing passes without a new begin

	view      holdView
	seen      []physics.Stretch // that it was taken of
	looked    time.Duration
	glanced   time.Duration
	above     lasting       // surely past the limit
	isSurely  bool          // the projection is surely over,
	surely    time.Duration // as it was at this look,
	willBe    float64       // with this probability;
	stood     float64       // s for which that stood, the more the surer it was
	fine      time.Duration // since when a projection that was told is no longer so
	told      Urgency       // of the flag, where raised
	raised    bool
	cause     string // the cause last seen, and since when
	causeAt   time.Duration
	result    string // of the verdict last given
	gaveCause string
	whole     bool // it was given on all of the hold
	ended     bool // by its mark
	valved    bool // somebody said that the pump is valved off, and nobody that it was started since
	power     []powered
	powered   string // the first contact that told power for long enough to shut valves
}

func beginVacuumHold(s Start) Judge {
	if s.Entry.At.Since-s.Began.Since > bridged {
		s.Began = s.Entry.At // what the gauge said before a mark that came so late was never heard here
	}
	j := &vacuumHold{begun: s, clock: startWatch(s), width: bucketFirst, rough: noiseLeast, startPa: math.NaN(), pipeM3: s.PipeM3}
	j.valved = s.Isolated != Instant{} && s.Isolated.Boot == s.Began.Boot && s.Began.Since-s.Isolated.Since <= isolatedBefore
	j.limit, _ = limit(s.Step, "limit")
	j.start, _ = limit(s.Step, "start")
	lasts, _ := limit(s.Step, "lasts")
	settle, _ := limit(s.Step, "settle")
	j.lasts, j.sett = asTime(lasts.Value), asTime(settle.Value)
	if !settle.Given { // a short hold does not settle away
		j.sett = min(j.sett, j.lasts/4)
	}
	for i := len(s.Points) - 1; i >= 0; i-- {
		switch p := s.Points[i]; p.Role {
		case "vacuum-gauge":
			j.gauge = p
		case "pipe-air":
			j.walls = append(j.walls, wall{point: p.Name})
		case "indoor-power":
			if !s.Step.powered() {
				j.power = append(j.power, powered{name: p.Name})
			}
		}
	}
	for _, f := range s.Earlier { // where it was seen to move
		if f.Step == "evacuation" && slices.Contains(f.Points, j.gauge.Name) {
			j.sawStepPa, j.checks = max(0, valueOf(f, "gauge_step_pa")), max(0, valueOf(f, "unit_checks"))
		}
	}
	return j
}

func asTime(s float64) time.Duration {
	return time.Duration(math.Round(s*1000)) * time.Millisecond
}

func (j *vacuumHold) Next(e Entry) (out []Finding) {
	_, restarted := j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Measured:
		switch {
		case b.Point != j.gauge.Name:
			j.hearWall(b)
			j.hearPower(b)
		case b.Health.Usable() && b.Value > 0:
			j.air.deafN = 0
			return j.read(sample{j.clock.of(b.Taken), b.Value})
		case b.Health.Usable() && b.Health.Live():
			j.zeros++
		case b.Health.Live() && !b.Health.Usable():
			return j.noValue(j.clock.newest, b.Health.Reason)
		}
	case *Started:
		if restarted && j.clock.unknown && !j.broken {
			j.broken = true
			return j.decide(j.clock.newest)
		}
	case *Due:
		return j.passed()
	case *Told:
		switch {
		case b.Kind == "end" && b.Name == "vacuum-hold":
			return j.over()
		case b.Kind == "begin" && isWeighing(b.Name):
			j.charging = true
		case b.Kind == "mark" && b.Name == "isolated":
			return j.valvedOff(e, b)
		case b.Kind == "mark" && b.Name == "pump-started":
			j.valved = false
		}
	}
	return out
}

func (j *vacuumHold) read(s sample) []Finding {
	if s.t < 0 {
		return nil
	}
	n := len(j.ss)
	switch {
	case n == 0 || s.t >= j.ss[n-1].t:
		j.append(s)
		j.forget()
	case j.forgot:
		j.bucket(s.t, s.v) // too late for order
		return nil
	default:
		i := sort.Search(n, func(i int) bool { return j.ss[i].t > s.t })
		j.ss = append(j.ss, sample{})
		copy(j.ss[i+1:], j.ss[i:])
		j.ss[i] = s
		j.stale = true
	}
	j.lookAtStart()
	if out := j.lookAtUnit(s); out != nil {
		return out
	}
	last := j.ss[len(j.ss)-1].t
	since := last - j.looked
	if j.stale {
		since = max(since, j.clock.newest-j.looked)
	}
	every := max(lookEvery, j.width)
	if j.view.isOver < 0.5 || j.raised && j.told == Wake { // nothing hurries
		every = max(every, last/30)
	}
	switch {
	case since >= every, last >= j.ends() && (j.result == "" || j.looked < j.ends()) && !j.charging:
		j.look(last)
	case last-j.glanced >= glanceEvery && j.recentPa() > farOver*j.limit.Value: // no fit needed
		j.glanced = last
	default:
		return nil
	}
	return j.decide(last)
}

// decide raises and clears the flag and gives the verdict, as the view is now.
func (j *vacuumHold) decide(t time.Duration) (out []Finding) {
	if j.charging || j.badUnit {
		return nil
	}
	v := j.view
	if v.ok && v.nowPa <= j.limit.Value && !j.unstarted {
		j.startedHi = false
	}
	j.followCause(t)
	switch {
	case j.startedHi && !j.isWild():
		if out = j.lookAtLateStart(t); j.unstarted || j.slipped {
			return out
		}
	case j.isOver(t):
		return j.passLimit(out)
	default:
		out = j.project(t, j.fellBack(t))
	}
	switch {
	case j.result == Passed || j.result == NotPassed || j.air.spoiled:
	case j.broken:
		switch {
		case j.result != "":
		case len(j.ss) == 0:
			out = append(out, j.verdict(NotProven, "gauge", holdNoGauge(j.gauge.Name, j.zeros)))
		default:
			out = append(out, j.verdict(NotProven, "gap", holdGap(j.clock.unknown, j.air.deafN > 0)))
		}
	case t >= j.ends() && v.ok:
		out = append(out, j.final()...)
	}
	return out
}

// passed is the judge's own deadline: the hold's end, or a gap grown too long.
func (j *vacuumHold) passed() []Finding {
	now := j.clock.newest
	last := time.Duration(0)
	if n := len(j.ss); n > 0 {
		last = j.ss[n-1].t
	}
	if now-last >= j.gapMost() {
		j.broken = true
	}
	if now < j.ends() && !j.broken || now-last > j.bridge() && !j.broken {
		return nil
	}
	j.look(now)
	return j.decide(now)
}

// Due is the hold's end, or the moment at which a gap has grown too long.
func (j *vacuumHold) Due() (time.Duration, bool) {
	if j.result == Passed || j.result == NotPassed || j.broken {
		return 0, false
	}
	last := time.Duration(0)
	if n := len(j.ss); n > 0 {
		last = j.ss[n-1].t
	}
	due := last + j.gapMost()
	if end := j.ends(); j.clock.newest < end && end < due {
		due = end
	}
	return j.clock.when(due), true
}
