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
	surelyWill  = 0.988            // for as long as a projection must last,
	stillWill   = 0.97             // and not less meanwhile;
	farSurer    = 0.995            // or this, for half the time: two looks
	tooClose    = 0.1              // either side of even, at the end
	causeSure   = 0.75             // of what rises, before its cause is named
	riseSure    = 0.9              // how probably it rises at all
	bentSurely  = 30.0             // times as probable as straight: then it surely bends
	noiseMost   = 0.03             // of the reading, a bad gauge's noise (the field guide)
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
	slipped   bool // began where a pascal gauge would not and a micron gauge would: may be one called the other
	unstarted bool // and was still above it once settled: nothing passes without a new begin

	view      holdView
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

// bucket is a stretch of readings without spikes.
type bucket struct {
	tS, pPa     float64 // sums
	n           float64
	first, last time.Duration
}

// holdView is what the readings say at one moment.
type holdView struct {
	ok                      bool
	t                       time.Duration
	rises                   physics.Rises
	nowPa, sePa             float64 // the level and its standard error
	isOver, willBe          float64 // how probably the level is over the limit, and will be at the hold's end
	endPa                   float64 // at the hold's end
	peakPa                  float64
	slopePaPerS, meanPaPerS float64 // now, and over all that is compared
	cause, likely           string  // once it is much more probable than the others; more than not
	sure                    float64 // of the likely cause
}

func beginVacuumHold(s Start) Judge {
	if s.Entry.At.Since-s.Began.Since > bridged {
		s.Began = s.Entry.At // what the gauge said before a mark that came so late was never heard here
	}
	j := &vacuumHold{begun: s, clock: startWatch(s), width: bucketFirst, rough: noiseLeast, startPa: math.NaN(), pipeM3: s.PipeM3}
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

// bridge is the longest gap that counts as heard; a gauge that speaks rarely
// may take longer.
func (j *vacuumHold) bridge() time.Duration { return max(bridged, j.gauge.Every*3/2) }
func (j *vacuumHold) gapMost() time.Duration {
	return max(gapMost, j.gauge.Every*3)
}

// ends is when the hold is over: later for every gap that was not bridged.
func (j *vacuumHold) ends() time.Duration { return j.lasts + j.extend }

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

// append takes a reading in its order.
func (j *vacuumHold) append(s sample) {
	was := time.Duration(0)
	if n := len(j.ss); n > 0 {
		was = j.ss[n-1].t
	}
	j.gap(s.t - was)
	if s.v != j.still.value && j.still.at-j.still.from > j.gapMost() && j.still.frozen() {
		j.wasFrozen = j.still
	}
	j.still.hear(s)
	j.ss = append(j.ss, s)
	if n := len(j.ss); n >= 5 {
		j.unlessSpike(j.ss[n-3], median(j.ss[n-5:]))
	}
}

// unlessSpike takes a reading into its bucket, but for one that departs from
// its neighbours as no noise does.
func (j *vacuumHold) unlessSpike(s sample, among float64) {
	off := math.Abs(s.v/among - 1)
	if off <= max(spikeTimes*j.rough, spikeLeast) {
		j.bucket(s.t, s.v)
	}
	j.rough += float64((min(off, float64(4*j.rough)+spikeLeast) - j.rough) / 50)
}

func (j *vacuumHold) gap(d time.Duration) {
	if d > j.gapMost() {
		j.broken = true
	} else if d > j.bridge() {
		j.extend += d
	}
}

func (j *vacuumHold) bucket(t time.Duration, pPa float64) {
	from := j.sett / 2 // what has not settled by then physics.FitRises allows for
	if t < from {
		return
	}
	i := int((t - from) / j.width)
	for i >= bucketsMost {
		j.halve()
		i = int((t - from) / j.width)
	}
	for len(j.buckets) <= i {
		j.buckets = append(j.buckets, bucket{})
	}
	b := &j.buckets[i]
	b.tS += t.Seconds()
	b.pPa += pPa
	if b.n == 0 {
		b.first = t
	}
	b.last = t
	b.n++
}

// halve joins buckets in pairs.
func (j *vacuumHold) halve() {
	var half []bucket
	for i := 0; i < len(j.buckets); i += 2 {
		b := j.buckets[i]
		if i+1 < len(j.buckets) {
			c := j.buckets[i+1]
			if b.n == 0 {
				b.first = c.first
			}
			if c.n > 0 {
				b.last = c.last
			}
			b.tS, b.pPa, b.n = b.tS+c.tS, b.pPa+c.pPa, b.n+c.n
		}
		half = append(half, b)
	}
	j.buckets, j.width = half, 2*j.width
}

// sortOut makes gaps and buckets anew after a late reading. An unknown gap stays.
func (j *vacuumHold) sortOut() {
	ss := j.ss
	j.ss, j.buckets, j.extend, j.broken, j.stale = nil, nil, 0, j.clock.unknown, false
	j.rough = noiseLeast
	j.still, j.wasFrozen = still{}, still{}
	for _, s := range ss {
		j.append(s)
	}
}

// forget drops the older readings of a hold that has its verdict and that nobody
// has ended, or that is over because it is charged: for what is still asked of it
// the newest are enough, and the buckets keep the means of all.
func (j *vacuumHold) forget() {
	n := len(j.ss)
	if j.result == "" && !j.charging || j.stale || j.ss[n-1].t-j.ss[0].t < 2*keptFor {
		return
	}
	i := sort.Search(n, func(i int) bool { return j.ss[i].t >= j.ss[n-1].t-keptFor })
	j.ss = append([]sample(nil), j.ss[i:]...)
	j.forgot = true
}

// recentPa is the level of the last few readings.
func (j *vacuumHold) recentPa() float64 {
	if len(j.ss) == 0 {
		return math.NaN()
	}
	return median(tail(j.ss, 5))
}

// look takes a view of the readings up to a moment of the hold.
func (j *vacuumHold) look(t time.Duration) {
	if j.stale {
		j.sortOut()
	}
	j.looked = max(t, j.clock.newest)
	var all []physics.Stretch
	for _, b := range j.buckets {
		if b.n > 0 {
			all = append(all, physics.Stretch{TS: b.tS / b.n, PPa: b.pPa / b.n, N: b.n, SpanS: (b.last - b.first).Seconds()})
		}
	}
	all = withoutKicks(all)
	if from, ends := j.atEnd(); ends { // what it shows since then bends the curve, and is none
		t = min(t, from)
		all = all[:sort.Search(len(all), func(i int) bool { return all[i].TS+float64(all[i].SpanS/2) >= from.Seconds() })]
	}
	j.besideWalls(all)
	n := len(all)
	if n < 5 || t < j.sett || all[n-1].TS-all[0].TS < viewFrom.Seconds() {
		j.view = holdView{}
		return
	}
	v := holdView{t: t, rises: physics.FitRises(all, j.limit.Value)}
	if v.ok = v.rises.Known; v.ok {
		now, first := t.Seconds(), max(all[0].TS, j.sett.Seconds())
		level := v.rises.At(now)
		v.nowPa, v.sePa = level.Pa, level.SePa
		v.isOver = level.Above(j.limit.Value)
		v.endPa, v.willBe = v.nowPa, v.isOver
		if end := j.ends().Seconds(); end > now {
			level := v.rises.At(end)
			v.endPa, v.willBe = level.Quantile(0.5), level.Above(j.limit.Value)
		}
		before, atFirst := v.rises.At(now-60).Pa, v.rises.At(first).Pa
		v.slopePaPerS, v.meanPaPerS = (v.nowPa-before)/60, (v.nowPa-atFirst)/max(now-first, 1)
		v.peakPa = max(v.nowPa, atFirst)
		v.lookForPeak(all, j.sett.Seconds())
		v.lookForCause(max(now, j.ends().Seconds()) - first)
		j.lookAtWalls(&v, asTime(first))
	}
	j.view = v
}

// withoutKicks leaves out the few stretches that depart from their neighbours'
// median as no rise does: a kicked hose. The newest count once they are many.
func withoutKicks(all []physics.Stretch) []physics.Stretch {
	n := len(all)
	if n < 2*kickWide {
		return all
	}
	off, near := make([]float64, n), make([]float64, 0, 2*kickWide+1)
	for i, s := range all {
		near = near[:0]
		for _, x := range all[max(0, i-kickWide):min(n, i+kickWide+1)] {
			near = append(near, x.PPa)
		}
		sort.Float64s(near)
		off[i] = math.Abs(s.PPa/middle(near) - 1)
	}
	usual := append([]float64(nil), off...)
	sort.Float64s(usual)
	most := max(kickShare, spikeTimes*middle(usual))
	kept := make([]physics.Stretch, 0, n)
	for i, s := range all {
		if off[i] <= most {
			kept = append(kept, s)
		}
	}
	return kept
}

// lookAtStart takes the pressure at which the hold began, once it is known.
func (j *vacuumHold) lookAtStart() {
	if !math.IsNaN(j.startPa) || len(j.ss) < 3 {
		return
	}
	j.startPa = j.ss[0].v
	if first := j.ss[:3]; j.ss[2].t-j.ss[0].t <= 15*time.Second {
		j.startPa = median(first)
	}
	j.startedHi = j.startPa > j.limit.Value && j.ss[0].t < time.Minute
	j.slipped = j.startedHi && (j.gauge.Unit == "Pa" || j.gauge.Unit == "") && j.startPa*micronPa <= j.limit.Value && j.startPa >= slipFrom
}

// slipFrom is the least number that is taken for micron where pascals are said
// (our choice: no hold is begun from 900 micron, and few below 120).
const slipFrom = 120.0

// lookForPeak finds a level beyond the fit's and beyond noise, over some minutes.
func (v *holdView) lookForPeak(all []physics.Stretch, fromS float64) {
	from, sum, of := 0, 0.0, 0.0
	for _, s := range all {
		if s.TS < fromS {
			from++
			continue
		}
		sum, of = sum+float64(s.PPa*s.N), of+s.N
		for s.TS-all[from].TS > peakOver {
			sum, of = sum-float64(all[from].PPa*all[from].N), of-all[from].N
			from++
		}
		if mean := sum / of; mean > v.peakPa && mean > v.rises.At(s.TS).Pa*(1+float64(3*max(v.rises.Spread, noiseLeast))) {
			v.peakPa = max(v.peakPa, mean)
		}
	}
}

const peakOver = 180.0 // s

// lineAt is a straight line through points, at a time, and its slope.
func lineAt(tS, pPa []float64, t float64) (p, slope float64) {
	n := float64(len(tS))
	var mt, mp, stt, stp float64
	for i := range tS {
		mt += tS[i] / n
		mp += pPa[i] / n
	}
	for i := range tS {
		d := tS[i] - mt
		stt += float64(d * d)
		stp += float64(d * (pPa[i] - mp))
	}
	if stt > 0 {
		slope = stp / stt
	}
	return mp + float64(slope*(t-mt)), slope
}

// lookForCause names the cause where one is much more probable than the others.
// Short of that the likely one is a leak unless the straight line is surely beaten
// (the field guide: moisture is what beats it by 10 in chi-square), or else what is
// more probable than not.
func (v *holdView) lookForCause(spanS float64) {
	v.cause, v.likely = "unknown", "unknown"
	c := v.rises.Causes(spanS)
	rises := 1 - c.Steady
	if rises < riseSure {
		return
	}
	for _, x := range []struct {
		cause string
		p     float64
	}{{"leak", c.Leak}, {"moisture", c.Moisture}, {"leak-and-moisture", c.Both}} {
		switch p := x.p / rises; {
		case p > causeSure:
			v.cause, v.likely, v.sure = x.cause, x.cause, p
		case p > 0.5:
			v.likely, v.sure = x.cause, p
		}
	}
	if bent := c.Leak - c.Straight + c.Moisture + c.Both; v.cause == "unknown" && c.Straight*bentSurely > bent {
		v.likely, v.sure = "leak", c.Leak/rises
	}
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
			out = append(out, j.verdict(NotProven, "gauge", holdNoGauge()))
		default:
			out = append(out, j.verdict(NotProven, "gap", holdGap(j.clock.unknown, j.air.deafN > 0)))
		}
	case t >= j.ends() && v.ok:
		out = append(out, j.final()...)
	}
	return out
}

// lookAtLateStart follows a hold that began above its limit. Still above it
// once settled it has not started; while the pump goes on pulling nobody is called.
func (j *vacuumHold) lookAtLateStart(t time.Duration) (out []Finding) {
	if t < j.sett || j.result != "" && j.result != NotProven {
		return nil
	}
	from := sort.Search(len(j.ss), func(i int) bool { return j.ss[i].t >= t-max(j.sett/2, bridged) })
	l := lineThrough(j.ss[from:])
	if l.known && !j.unstarted && j.startPa-float64(3*l.spreadPa) <= j.limit.Value { // within its noise: then it did begin
		j.startedHi = false
		return nil
	}
	if (!l.known || l.pPa-float64(2.5*l.sePa) <= j.limit.Value) && !j.isFarOver() {
		return nil
	}
	if j.slipped {
		if j.result == "" {
			j.air.spoiled = true
			out = append(out, j.verdict(NotProven, "gauge", holdSlipped(j.gauge.Name, j.startPa, j.limit)))
		}
		return out
	}
	j.unstarted = true
	if v := &j.view; !v.ok {
		v.t, v.nowPa, v.endPa, v.slopePaPerS = t, l.pPa, l.pPa, l.slopePaPerS
	}
	text := holdNotStarted(j.startPa, j.limit)
	if (l.slopePaPerS >= 0 || l.known && l.slopePaPerS > -2*l.seSlope) && (!j.raised || j.told < Wake) {
		j.raised, j.told = true, Wake
		out = append(out, j.flag(Wake, text))
	}
	if j.result == "" {
		out = append(out, j.verdict(NotProven, "unknown", text))
	}
	return out
}

// lookAtUnit says of readings that no vacuum gauge can mean that their unit is
// wrong: the hold proves nothing then.
func (j *vacuumHold) lookAtUnit(s sample) []Finding {
	text := ""
	j.small, j.great = j.small+1, j.great+1
	if s.v >= leastGaugePa {
		j.small = 0
	}
	if s.v < 1.2*gaugeTopPa {
		j.great = -1 << 30 // only how it begins
	}
	switch {
	case j.result != "" || j.charging:
		return nil
	case j.small == oddFor:
		text = evacUnitSmall(j.gauge.Name, j.gauge.Unit, s.v)
	case j.great == oddFor:
		text = holdNoVacuum(j.gauge.Name, s.v)
	default:
		return nil
	}
	j.air.spoiled, j.badUnit = true, true
	return []Finding{j.verdict(NotProven, "gauge", text)}
}

// line is a straight line through readings: its level at the last of them and
// its slope, with standard errors from how they scatter about it.
type line struct {
	pPa, sePa, slopePaPerS, seSlope, spreadPa float64
	known                                     bool
}

func lineThrough(ss []sample) (l line) {
	n := len(ss)
	if n < 5 {
		return l
	}
	tS, pPa := make([]float64, n), make([]float64, n)
	for i, s := range ss {
		tS[i], pPa[i] = s.t.Seconds(), s.v
		if i > 0 && i < n-1 { // a spike says nothing
			pPa[i] = median(ss[i-1 : i+2])
		}
	}
	l.pPa, l.slopePaPerS = lineAt(tS, pPa, tS[n-1])
	var own, neighbour, last float64
	for i := range tS {
		d := pPa[i] - l.pPa - float64(l.slopePaPerS*(tS[i]-tS[n-1]))
		own += float64(d * d)
		if i > 0 {
			neighbour += float64(d * last)
		}
		last = d
	}
	least := float64(noiseLeast * l.pPa)
	rho := neighbour / max(own, float64(float64(least*least)*float64(n)))
	rho = min(max(rho+(1+float64(4*rho))/float64(n), 0), 0.97) // as physics.FitRise does
	worth := float64(n) * (1 - rho) / (1 + rho)
	spread := math.Sqrt(max(own/max(float64(n)-2*float64(n)/worth, 1), float64(least*least)))
	l.spreadPa, l.sePa = spread, 2*spread/math.Sqrt(worth)
	l.seSlope = math.Sqrt(12/worth) * spread / max(tS[n-1]-tS[0], 1)
	l.known = worth >= 3
	return l
}

// isOver reports whether the limit has surely been passed: for some time, for
// an hour has a hundred looks, or beyond all doubt.
func (j *vacuumHold) isOver(t time.Duration) bool {
	v := j.view
	if !v.ok || v.isOver < surelyOver || j.recentPa() <= 0.9*j.limit.Value {
		j.above = lasting{}
		return j.isFarOver()
	}
	return j.above.by(t, true, overFor) || j.isFarOver()
}

func (j *vacuumHold) passLimit(out []Finding) []Finding {
	if j.isFarOver() {
		j.view.nowPa = max(j.view.nowPa, j.recentPa())
		j.view.t = max(j.view.t, j.ss[len(j.ss)-1].t)
		if l := lineThrough(j.ss[max(0, len(j.ss)-farReadings):]); l.slopePaPerS > j.view.slopePaPerS { // the fit lags behind
			j.view.slopePaPerS = l.slopePaPerS
		}
	}
	cause := j.settledCause()
	if j.ended || j.view.t >= j.ends() && !j.whole {
		cause = j.lastCause()
	}
	words := cause
	if j.comesIn() {
		words, cause = "air", "leak"
	}
	if !j.raised || j.told < Wake {
		j.raised, j.told = true, Wake
		j.noteBefore()
		text := vacuumPassed(j.view.nowPa, j.limit, j.view.slopePaPerS, words, j.sureOf(words))
		if j.result == Passed {
			text = afterTheHold(text)
		}
		out = append(out, j.flag(Wake, text))
	}
	switch {
	case j.result == Passed: // the hour's verdict stands
	case j.result != NotPassed || cause != "unknown" && cause != j.gaveCause || !j.whole && j.view.t >= j.ends():
		if cause == "unknown" && j.result == NotPassed { // what was clear stays so
			cause, words = j.gaveCause, j.gaveCause
		}
		text := holdFailed(j.view.nowPa, j.limit, j.view.t, words, j.sureOf(words))
		if from, ends := j.atEnd(); ends {
			text += holdAtEnd(j.still.value, from)
		}
		out = append(out, j.verdict(NotPassed, cause, text))
	}
	return out
}

// followCause keeps since when the cause has been the same.
func (j *vacuumHold) followCause(t time.Duration) {
	cause := "unknown"
	if j.view.ok {
		cause = j.view.cause
	}
	if cause != j.cause {
		j.cause, j.causeAt = cause, t
	}
}

// settledCause is the cause, once it has lasted.
func (j *vacuumHold) settledCause() string {
	if j.cause == "" || j.view.t-j.causeAt < persistFor {
		return "unknown"
	}
	return j.cause
}

// lastCause is the cause when no more will be heard of the hold: the likelier
// one, where none has settled.
func (j *vacuumHold) lastCause() string {
	if cause := j.settledCause(); cause != "unknown" || !j.view.ok {
		return cause
	}
	return j.view.likely
}

// sureOf is how sure a cause is now; 0 where another one is seen.
func (j *vacuumHold) sureOf(cause string) float64 {
	if cause != j.view.likely {
		return 0
	}
	return j.view.sure
}

// project tells when the limit will surely be passed before the hold's end.
func (j *vacuumHold) project(t time.Duration, out []Finding) []Finding {
	v := j.view
	surely := v.ok && j.result != Passed && t < j.ends() && (v.willBe > surelyWill || j.isSurely && v.willBe > stillWill)
	if !surely {
		j.isSurely = false
		if !j.raised || j.told != Tell {
			return out
		}
		if j.fine == 0 {
			j.fine = t
		}
		if t-j.fine >= gapMost {
			j.raised, j.fine = false, 0
			out = append(out, Finding{Edge: Cleared, Flag: "vacuum-rising", Text: vacuumNoLonger(j.limit)})
		}
		return out
	}
	j.fine = 0
	if !j.isSurely {
		j.isSurely, j.stood = true, 0
	} else {
		j.stood += float64((t - j.surely).Seconds() * standing(min(v.willBe, j.willBe)))
	}
	j.surely, j.willBe = t, v.willBe
	if j.raised || j.stood < willFor.Seconds() {
		return out
	}
	j.raised, j.told = true, Tell
	return append(out, j.flag(Tell, vacuumWillPass(v, j.limit, j.ends(), j.settledCause(), j.sureOf(j.settledCause()))))
}

// standing is what a second counts for which a projection stands: one where it
// is just sure, two where it is far surer, and between them by its log odds.
func standing(willBe float64) float64 {
	odds := func(p float64) float64 { return math.Log(p / (1 - p)) }
	far := willFor.Seconds() / lookEvery.Seconds()
	if willBe >= farSurer {
		return far
	}
	return 1 + float64((far-1)*max(0, odds(willBe)-odds(surelyWill))/(odds(farSurer)-odds(surelyWill)))
}

// final is the verdict at the hold's end.
func (j *vacuumHold) final() []Finding {
	v := j.view
	end, doubt := v.nowPa, v.sePa
	if doubt < 0.25*micronPa { // less than a gauge shows
		doubt = 0
	}
	step := j.restsOn()
	if doubt < step/2 {
		doubt = step / 2
	}
	result, cause, text := NotProven, "unknown", holdTooClose(end, doubt, j.limit)
	switch {
	case step > 0 && math.Abs(end-j.limit.Value) < step/2*(1-1e-6): // somewhere on that step
	case (doubt == 0 || step > 0) && end <= j.limit.Value*(1+1e-6) || doubt > 0 && v.isOver < 0.5-tooClose:
		result, cause = Passed, "none"
		text = holdPassed(end, j.limit, v.t, j.startPa > j.start.Value, j.start, j.leakRise())
		if step > 0 {
			text += holdReadTo(step)
		}
		if by, at, ok := j.jumped(); ok {
			text += holdJumped(by, at)
		}
		if f, falls := j.falls(fallShare); !falls && f.colderK > 0 {
			text += holdCooled(f.firstPa, f.nowPa, f.colderK)
		}
		if why, said := j.provesNothing(); why != "" {
			result, cause, text, j.air.spoiled = NotProven, why, said, true
		}
	case j.startedHi:
		text = holdNotStarted(j.startPa, j.limit)
	case doubt == 0 || step > 0 || v.isOver > 0.5+tooClose:
		return j.passLimit(nil)
	}
	if result == j.result {
		return nil
	}
	return []Finding{j.verdict(result, cause, text)}
}

// leakRise is the rise a second where the cause is settled as a leak that would
// pass the limit within as long again; else 0.
func (j *vacuumHold) leakRise() float64 {
	v := j.view
	if c := j.settledCause(); c != "leak" && c != "leak-and-moisture" || v.nowPa+float64(v.slopePaPerS*j.lasts.Seconds()) <= j.limit.Value {
		return 0
	}
	return v.slopePaPerS
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

// over is the end mark: whoever ends a hold early has no verdict but this.
func (j *vacuumHold) over() []Finding {
	now := j.clock.newest
	j.ended = true
	j.look(now)
	out := j.decide(now)
	if j.result != "" {
		return out
	}
	cause := "unknown"
	switch {
	case len(j.ss) == 0:
		cause = "gauge"
	case now < j.sett:
		cause = "settling"
	case now-j.ss[len(j.ss)-1].t > j.bridge():
		cause = "gap"
	}
	return append(out, j.verdict(NotProven, cause, holdEnded(now, j.ends(), cause)))
}

func (j *vacuumHold) flag(u Urgency, text string) Finding {
	v := j.view
	if !v.ok && v.endPa == 0 { // too early for a fit
		v.slopePaPerS, v.endPa = math.NaN(), math.NaN()
	}
	return Finding{Edge: Raised, Flag: "vacuum-rising", Urgency: u, Points: []string{j.gauge.Name}, Text: text,
		Values: []Value{{"pressure_pa", v.nowPa}, {"limit_pa", j.limit.Value}, {"rise_pa_per_s", v.slopePaPerS},
			{"expected_pa", v.endPa}, {"elapsed_s", seconds(v.t)}}}
}

func (j *vacuumHold) verdict(result, cause, text string) Finding {
	j.result, j.gaveCause = result, cause
	j.whole = j.view.t >= j.ends()
	v := j.view
	values := []Value{{"limit_pa", j.limit.Value}, {"elapsed_s", seconds(j.clock.newest)}, {"start_pa", j.startPa}}
	if v.ok {
		values = append(values, Value{"end_pa", v.nowPa}, Value{"peak_pa", max(v.peakPa, v.nowPa)},
			Value{"rise_pa_per_s", v.meanPaPerS})
		if v.cause == "moisture" {
			values = append(values, Value{"plateau_pa", v.rises.PlateauPa()})
		}
		if j.pipeM3 > 0 { // as if all of the rise were a leak: more does not come in
			values = append(values, Value{"leak_pa_m3_per_s", physics.LeakPaM3PerS(j.pipeM3, max(0, v.meanPaPerS))})
		}
	}
	if result == Passed {
		values = append(values, Value{"unit_checks", j.checks})
	}
	return Finding{Edge: Given, Result: result, Cause: cause, Text: text, Points: []string{j.gauge.Name}, Values: values}
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

// Outlook says how the hold stands.
func (j *vacuumHold) Outlook(at Instant) Outlook {
	elapsed := max(0, j.clock.of(at.Since))
	o := Outlook{Point: j.gauge.Name, Quantity: sensors.Vacuum, Limit: &j.limit, Elapsed: elapsed, Lasts: j.lasts,
		Left: max(0, j.ends()-elapsed), Sure: "too early to say"}
	if n := len(j.ss); n > 0 {
		o.Figure, o.HasFig = Num(j.recentPa()), true
		o.FigAt = Instant{at.Boot, j.clock.when(j.ss[n-1].t)}
	}
	o.Sentence, o.Sure = j.sentence(elapsed)
	if v := j.view; v.ok {
		o.Trend = j.trend()
	}
	return o
}

func (j *vacuumHold) trend() (ps []TrendPoint) {
	end := max(j.ends(), j.view.t)
	const steps = 16
	for i := range steps + 1 {
		t := j.sett + (end-j.sett)*time.Duration(i)/steps
		level := j.view.rises.At(t.Seconds())
		ps = append(ps, TrendPoint{j.clock.when(t), Num(max(level.Quantile(0.025), 0)), Num(level.Pa), Num(level.Quantile(0.975))})
	}
	return ps
}

// sentence says how the hold stands, and how sure that is.
func (j *vacuumHold) sentence(elapsed time.Duration) (sentence, sure string) {
	v := j.view
	h := holdWords{elapsed: elapsed, lasts: j.lasts, extend: j.extend, nowPa: j.recentPa(), limit: j.limit,
		heard: len(j.ss) > 0, result: j.result, raised: j.raised, urgency: j.told, cause: j.cause, startedHi: j.unstarted, beganHi: j.startedHi && !j.unstarted && elapsed < j.sett}
	if len(j.ss) > 0 {
		h.quiet = elapsed - j.ss[len(j.ss)-1].t
	}
	if j.air.deafN > 0 {
		h.deaf, h.noValue = elapsed-j.air.deaf, whyNoValue(j.air.reason)
	}
	h.spoiled, h.leaks, h.charging = j.air.spoiled, j.leakRise() > steadyRise, j.charging
	switch {
	case j.result == Passed || j.result == NotPassed:
		sure = "sure"
	case j.raised:
		sure = "sure"
	case v.ok && v.willBe < 0.05:
		sure, h.stays = "likely", true
	default:
		sure = "too early to say"
	}
	if _, falls := j.falls(fallShareAt); falls && j.result == "" {
		sure, h.stays, h.falls = "too early to say", false, true
	}
	h.settling = elapsed < j.sett
	if v.ok {
		h.slopePaPerS, h.known, h.endPa = v.slopePaPerS, true, v.endPa
	}
	return holdStands(h), sure
}
