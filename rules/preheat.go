package rules

import (
	"math"
	"slices"
	"sort"
	"time"

	"standwatch/sensors"
)

// Preheat counts how long the outdoor units have been energised, holds the
// warmth of each compressor's sump against the outdoor air, and looks out for a
// compressor that starts before its time.
var Preheat = Rule{
	Name: "preheat",
	Doc: "Counts the energised time of the crankcase heaters over interruptions, and looks for each sump's warmth. " +
		"Says when power is lost, a heater shows no warmth, or a compressor starts too early.",
	Steps: []string{"preheat"},
	Flags: []string{"preheat-broken", "heater-unproven", "started-too-early"},
	Roles: []string{"outdoor-power", "oil-sump", "outdoor-air", "discharge-line", "suction-pressure", "liquid-pressure"},
	Begin: beginPreheat,
}

const (
	powerBridge  = 2 * time.Minute  // of silence between two readings that say on (the contract)
	powerBounce  = 5 * time.Second  // a contact bounces for less (common practice)
	powerSteady  = time.Minute      // on for so long, and the flag goes (our choice)
	powerNever   = 5 * time.Minute  // from the begin without power, before somebody is told (our choice)
	sumpFresh    = 10 * time.Minute // a sump's time constant is an hour or two (the field guide): it does nothing unseen in these
	sumpHole     = 30 * time.Minute // unheard for so long at most, and warm before and after: it did not cool and warm up again meanwhile (the same time constant)
	sumpApart    = 10 * time.Second // of the readings kept
	sumpLook     = time.Minute
	warmLast     = 30 * time.Minute // how long the sump has been warm when it counts; a short preheat: a quarter of it (our choice)
	heaterTau    = 2 * time.Hour    // the slowest that a sound heater warms its sump (the field guide, step 4: 1 to 2 h)
	deadFrom     = 90 * time.Minute // energised for so long, and what a heater seems to add is less than
	deadShare    = 0.25             // of the warmth asked for: nothing heats it (our choice)
	heaterMostK  = 70.0             // over the outdoor air: no crankcase heater brings a standing shell so far (from memory: 20 to 40 K are usual)
	heaterEarly  = time.Hour        // by then a sump without half of the warmth that such a one gives is hardly heated
	heaterSurely = 3 * time.Hour    // by then one without all of it will not come to it
)

// sump is one compressor's oil sump.
type sump struct {
	point   sensors.Point
	newest  sample
	heard   bool
	margins []sample // above the outdoor air
	heat    [len(heatTaus)]heating
	dead    bool // its first hours showed that nothing heats it: what warms it later may be the sun
	rest    stillness
	raised  bool
}

// heatTaus are the time constants that a shell may have (the field guide has 1 to 2 h).
var heatTaus = [...]time.Duration{time.Hour / 2, time.Hour, 2 * time.Hour, 4 * time.Hour}

// heating estimates what a heater adds, for one time constant: the sump follows
// the outdoor air plus that much; airC is the air as it comes to the sump. A morning that warms faster than the shell is
// no dead heater then, and one that cools is no live one.
type heating struct{ followsC, airC, share, sumShare, sumBoth, sumOver float64 }

// learn takes a reading: the time since the last one, and for how much of it power was on.
func (h *heating) learn(tau, since time.Duration, on bool, sumpC, airC float64, first bool) {
	if first {
		h.followsC, h.airC = sumpC, airC
	}
	keep := math.Exp(-since.Seconds() / tau.Seconds())
	h.followsC, h.airC = airC+float64((h.followsC-airC)*keep), airC+float64((h.airC-airC)*keep)
	h.share = float64(h.share * keep)
	if on {
		h.share += 1 - keep
	}
	h.sumShare += float64(h.share * h.share)
	h.sumBoth += float64(h.share * (sumpC - h.followsC))
	h.sumOver += float64((sumpC - h.followsC) * (sumpC - h.followsC))
}

// heatedK is what a heater adds, by the time constant that fits best (least squares); no number before power.
func (s *sump) heatedK() float64 {
	best, least := math.NaN(), math.Inf(1)
	for i := range s.heat {
		h := &s.heat[i]
		if left := h.sumOver - float64(h.sumBoth*h.sumBoth/h.sumShare); left < least {
			best, least = h.sumBoth/h.sumShare, left
		}
	}
	return best
}

// over is the sump's warmth above the outdoor air at a time: the median of the minutes before it.
func (s *sump) over(t time.Duration) float64 {
	after := func(t time.Duration) int {
		return sort.Search(len(s.margins), func(i int) bool { return s.margins[i].t > t })
	}
	return median(s.margins[after(t-sumpFresh):after(t)])
}

// warm reports whether it has been warm for as long, by the medians of ten minutes each.
func (s *sump) warm(now, long time.Duration, warmK float64) bool {
	for to := now; to > now-long; to -= sumpFresh {
		if m := s.over(to); !(m >= warmK) {
			return false
		}
	}
	return true
}

// stayedWarm reports whether it was warm over a whole spell, heard often
// enough, or before and after where the box was dark for a while; one reading
// that sticks out says nothing.
func (s *sump) stayedWarm(x spell, warmK float64) bool {
	ms := s.margins
	i := sort.Search(len(ms), func(i int) bool { return ms[i].t >= x.from })
	k := sort.Search(len(ms), func(i int) bool { return ms[i].t > x.to })
	i, k = max(0, i-2), min(len(ms), k+2)
	ms = ms[i:k]
	if len(ms) < 3 || ms[0].t > x.from || ms[len(ms)-1].t < x.to-sumpFresh {
		return false
	}
	for i := 1; i < len(ms); i++ {
		if hole := ms[i].t - ms[i-1].t; hole > sumpHole || hole > sumpFresh && median(ms[i:min(i+3, len(ms))]) < warmK {
			return false
		}
		if i > 1 && median(ms[i-2:i+1]) < warmK {
			return false
		}
	}
	return true
}

// clockOf is how the preheat's clock stands.
type clockOf struct {
	runS         time.Duration // energised time that counts
	stood        time.Duration // what had counted when it was last set back
	since        time.Duration // of the first of it
	on           bool
	ever         bool // it has been on
	offSince     time.Duration
	met          bool
	metAt        time.Duration // or, where it is on, when it will be
	lapsed       bool          // met, and restarted since
	pauses       int           // interruptions that did not restart it
	paused       time.Duration
	restarts     int
	unheard      bool  // one of the restarts, or what lies before now, is silence and no power lost
	interruption spell // the last one
	blind        bool  // it is of a length that nobody knows
}

type preheat struct {
	step         Step
	clock        watch
	lasts, pause time.Duration
	warmK        float64
	power        []*supply
	unknown      []time.Duration // when the box was off for nobody knows how long
	sumps        []*sump
	airs         []sample // the newest of each outdoor thermometer
	airEvery     []time.Duration
	airHeard     []bool
	feeds        []preheatFeed
	start        startSigns
	wall         int64 // Unix ms at the running boot's beginning, as marks have it
	anchored     bool
	proven       int64 // the same by the newest proven anchor; 0: none
	zone         *time.Location

	now        clockOf
	looked     time.Duration
	broken     bool
	setBack    int // restarts told of
	result     string
	tooEarly   bool // told
	powerMarks bool // somebody told of power
	blindly    bool // told that nothing measures the warmth
	ran        bool // a compressor was seen to run before its time
}

// preheatFeed is where a point's readings go.
type preheatFeed struct {
	power            *supply
	sump             *sump
	air              int // place among the outdoor thermometers; -1: none
	discharge        *series
	suction, current *series
	liquid           *series
}

func beginPreheat(s Start) Judge {
	j := &preheat{step: s.Step, clock: startWatch(s)}
	lasts, _ := limit(s.Step, "lasts")
	pause, _ := limit(s.Step, "pause")
	warm, _ := limit(s.Step, "warmth")
	j.lasts, j.pause, j.warmK = asTime(lasts.Value), asTime(pause.Value), warm.Value
	j.proven, j.zone = s.Wall, s.Zone
	j.feeds = make([]preheatFeed, len(s.Points))
	for i, p := range s.Points {
		f := &j.feeds[i]
		f.air = -1
		switch p.Role {
		case "outdoor-power":
			f.power = newSupply(p, s.Step)
			j.power = append(j.power, f.power)
			if p.Quantity == sensors.Current {
				f.current = &series{point: p}
				j.start.currents = append(j.start.currents, currentSigns{series: f.current, least: f.power.least})
			}
		case "oil-sump":
			f.sump = &sump{point: p}
			j.sumps = append(j.sumps, f.sump)
		case "outdoor-air":
			f.air = len(j.airs)
			j.airs, j.airEvery, j.airHeard = append(j.airs, sample{}), append(j.airEvery, p.Every), append(j.airHeard, false)
		case "discharge-line":
			f.discharge = &series{point: p}
			j.start.discharge = append(j.start.discharge, f.discharge)
		case "suction-pressure":
			f.suction = &series{point: p}
			j.start.suction = append(j.start.suction, f.suction)
		case "liquid-pressure":
			f.liquid = &series{point: p}
			j.start.liquid = append(j.start.liquid, f.liquid)
		}
	}
	if len(j.power) == 0 { // nobody measures it: to begin says that it is on
		j.power = []*supply{{told: true, states: []state{{spell{0, 0}, true}}}}
	}
	if b, ok := s.Entry.Body.(*Told); ok && b.Own != 0 {
		j.wall, j.anchored = b.Own-s.Began.Since.Milliseconds(), true
	}
	j.start.watches = true
	j.now, j.looked = j.account(max(0, j.clock.newest)), max(0, j.clock.newest)
	return j
}

func (j *preheat) byMarks() bool { return j.power[0].told }

func (j *preheat) Next(e Entry) (out []Finding) {
	before := j.clock.newest
	j.clock.hear(e)
	now := j.clock.newest
	switch b := e.Body.(type) {
	case *Measured:
		return j.read(b, e.place, now)
	case *Clocked:
		if b.Proven {
			j.proven = b.Wall - e.At.Since.Milliseconds()
		}
		if !j.anchored { // by the clock as the step's first marks had it: their own times and those to come agree
			j.wall, j.anchored = b.Wall-e.At.Since.Milliseconds(), true
		}
		return nil
	case *Started:
		j.away(b, before, now)
	case *Told:
		if b.Kind == "end" && b.Name == j.step.Name {
			return append(j.look(now), j.ended(now)...)
		}
		out = j.told(e, b, now)
	case *Due:
	default:
		return nil
	}
	return append(out, j.look(now)...)
}

// away is a time in which the box was off: nobody heard whether the outdoor unit had power.
func (j *preheat) away(b *Started, before, now time.Duration) {
	j.anchored, j.proven = false, 0
	if !b.GapKnown {
		j.unknown = append(j.unknown, now)
	}
	for _, s := range j.power {
		x, heard := s.last()
		switch {
		case !b.GapKnown:
			s.cut = true
		case !s.told || now-before <= powerBridge:
			continue
		}
		if s.told && heard { // what was told holds again from now on
			s.states[len(s.states)-1].to = max(x.to, before)
			s.states = append(s.states, state{spell{now, now}, x.on})
			s.cut = false
		}
	}
	j.start.clear()
}

func (j *preheat) read(b *Measured, place int, now time.Duration) []Finding {
	if !b.Health.Usable() {
		return nil
	}
	t, f := j.clock.of(b.Taken), &j.feeds[place]
	switch {
	case f.power != nil:
		changed := f.power.read(t, b.Value)
		if f.current != nil {
			f.current.add(sample{t, b.Value})
		}
		if _, all := j.onSince(); changed || !j.now.on && all && now-j.looked >= startLook { // what comes late may end a silence
			return j.look(now)
		}
	case f.sump != nil:
		j.warmth(f.sump, sample{t, b.Value})
	case f.air >= 0:
		if !j.airHeard[f.air] || t >= j.airs[f.air].t {
			j.airs[f.air], j.airHeard[f.air] = sample{t, b.Value}, true
		}
	case f.discharge != nil:
		f.discharge.add(sample{t, b.Value})
	case f.suction != nil:
		f.suction.add(sample{t, b.Value})
	case f.liquid != nil:
		f.liquid.add(sample{t, b.Value})
	}
	var out []Finding
	if j.start.watches && (f.discharge != nil || f.suction != nil || f.liquid != nil || f.current != nil) {
		out = j.running(now)
	}
	if f.sump != nil && now-j.looked >= sumpLook {
		out = append(out, j.look(now)...)
	}
	return out
}

// warmth takes a sump's temperature. Of several outdoor thermometers the
// coldest stands for the shade.
func (j *preheat) warmth(s *sump, x sample) {
	if !s.heard || x.t >= s.newest.t {
		if x.v != s.rest.value {
			if _, stood := s.stands(); stood {
				s.rest.was = x.t
			}
		}
		s.newest, s.heard = x, true
		s.rest.hear(x)
	}
	if n := len(s.margins); n > 0 && x.t-s.margins[n-1].t < sumpApart {
		return
	}
	air, ok := j.airAt(x.t)
	if !ok {
		return
	}
	since := time.Duration(0)
	if n := len(s.margins); n > 0 {
		since = x.t - s.margins[n-1].t
	}
	var f [len(heatTaus)]follows
	for i := range s.heat {
		s.heat[i].learn(heatTaus[i], since, j.now.on, x.v, air, len(s.margins) == 0)
		f[i] = follows{s.heat[i].airC, s.heat[i].followsC, s.heat[i].share}
	}
	s.rest.course = append(s.rest.course, f)
	s.margins = append(s.margins, sample{x.t, x.v - air})
}

func (j *preheat) airAt(t time.Duration) (airC float64, ok bool) {
	for i, a := range j.airs {
		if !j.airHeard[i] || t-a.t > max(sumpFresh, j.airEvery[i]*5/2) || ok && a.v >= airC {
			continue
		}
		airC, ok = a.v, true
	}
	return airC, ok
}

// told follows power that a person tells of, and steps that run the compressor.
func (j *preheat) told(e Entry, b *Told, now time.Duration) []Finding {
	switch {
	case b.Kind == "mark" && j.byMarks():
		on, off := powerTold(b)
		if !on && !off {
			return nil
		}
		s := j.power[0]
		at := now
		if own := j.clock.of(time.Duration(b.Own-j.wall) * time.Millisecond); b.Own != 0 && j.anchored && own < now {
			at = max(own, 0)
		}
		x, _ := s.last()
		at = max(at, x.from)
		j.powerMarks = true
		s.states[len(s.states)-1].to = max(x.to, at)
		switch {
		case on && off: // it was off and is on again: nobody knows since when
			j.unknown = append(j.unknown, at)
			s.states = append(s.states, state{spell{at, at}, true})
		case on != x.on:
			s.states = append(s.states, state{spell{at, at}, on})
		}
	case b.Kind == "begin" && slices.Contains(compressorSteps, b.Name) && !j.tooEarly:
		a := j.account(now)
		if j.result == Passed && !a.lapsed {
			return nil
		}
		j.tooEarly = true
		return []Finding{{Edge: Raised, Flag: "started-too-early", Urgency: Tell, Text: begunBeforePreheat(b.Name, a, j.lasts, j.result == Passed || a.met),
			Values: j.values(a, now)}}
	}
	return nil
}

// account goes over all that was heard of power.
func (j *preheat) account(now time.Duration) (a clockOf) {
	on := j.power[0].energised(now)
	for _, s := range j.power[1:] {
		on = bothOf(on, s.energised(now), now)
	}
	at := time.Duration(0)
	for i, x := range on {
		if i > 0 {
			j.interrupted(&a, spell{at, x.from})
		}
		if a.runS == 0 {
			a.since = x.from
		}
		if a.runS += x.to - x.from; a.runS >= j.lasts && !a.met {
			a.met, a.metAt = true, x.to-(a.runS-j.lasts)
		}
		at, a.ever = x.to, true
	}
	a.on = a.ever && at >= now
	if !a.on {
		a.offSince = at
		a.unheard = a.unheard || !j.saidOff()
		if x := (spell{at, now}); a.ever && j.tooLong(x) {
			a.stood = a.runS
			a.runS, a.since, a.interruption, a.blind = 0, now, x, j.isBlind(x)
			j.lapses(&a)
			a.restarts++
		}
	}
	a.lapsed = a.lapsed && a.runS < j.lasts
	if !a.met {
		a.metAt = now + j.lasts - a.runS
	}
	return a
}

// interrupted takes an interruption that is over: a short one stops the clock,
// a longer one sets it back unless every sump stayed warm.
func (j *preheat) interrupted(a *clockOf, x spell) {
	a.interruption, a.blind = x, j.isBlind(x)
	if !j.tooLong(x) {
		a.pauses++
		a.paused += x.to - x.from
		return
	}
	a.restarts++
	a.unheard = a.unheard || !j.offIn(x)
	a.stood = a.runS
	a.runS, a.pauses, a.paused = 0, 0, 0
	j.lapses(a)
}

// lapses is the clock set back: a pass stands, but what it stood for is gone; without one it is met anew.
func (j *preheat) lapses(a *clockOf) {
	if j.result == Passed {
		a.lapsed = a.lapsed || a.met
	} else {
		a.met = false
	}
}

// isBlind reports whether the box was off meanwhile for nobody knows how long.
func (j *preheat) isBlind(x spell) bool {
	return slices.ContainsFunc(j.unknown, func(at time.Duration) bool { return at >= x.from && at <= x.to })
}

func (j *preheat) tooLong(x spell) bool {
	if j.isBlind(x) || x.to-x.from <= j.pause {
		return j.isBlind(x)
	}
	for _, s := range j.sumps {
		if !s.stayedWarm(x, j.warmK) {
			return true
		}
	}
	return len(j.sumps) == 0
}

// offIn reports whether power was said to be off in a spell, and not only unheard.
func (j *preheat) offIn(x spell) bool {
	for _, s := range j.power {
		for _, y := range s.states {
			if !y.on && y.from <= x.to && y.to >= x.from {
				return true
			}
		}
	}
	return false
}

// saidOff reports whether an input says now that power is off, and since when.
func (j *preheat) saidOff() bool { _, off := j.offSaid(); return off }

func (j *preheat) offSaid() (since time.Duration, off bool) {
	for _, s := range j.power {
		if x, ok := s.last(); ok && !x.on && (!off || x.from < since) {
			since, off = x.from, true
		}
	}
	return since, off
}

// onSince is since when all inputs say on.
func (j *preheat) onSince() (since time.Duration, on bool) {
	for _, s := range j.power {
		x, ok := s.last()
		if !ok || !x.on {
			return 0, false
		}
		since = max(since, x.from)
	}
	return since, true
}

// look judges how it stands now.
func (j *preheat) look(now time.Duration) (out []Finding) {
	j.looked = now
	a := j.account(now)
	j.now = a
	j.start.watches = !j.ran && (j.result != Passed || a.lapsed)
	out = append(out, j.powerLost(a, now)...)
	if lacks := j.lacks(); lacks != "" && !j.blindly { // now, not when the hours are over
		j.blindly = true
		out = append(out, Finding{Edge: Raised, Flag: "heater-unproven", Urgency: Tell, Text: heatersUnseen(lacks)})
	}
	if j.result != Passed {
		out = append(out, j.heaters(a, now)...)
	}
	if a.met && j.result != Passed && !j.failed() {
		out = append(out, j.judge(a, now)...)
	}
	return out
}

func (j *preheat) failed() bool { return j.result == NotPassed }

// powerLost raises preheat-broken and clears it.
func (j *preheat) powerLost(a clockOf, now time.Duration) []Finding {
	since, off := j.offSaid()
	if on, all := j.onSince(); all && a.on {
		if a.blind && a.since >= a.interruption.to && a.restarts > j.setBack && !j.broken { // over before anybody could be told of it
			j.broken, j.setBack = true, a.restarts
			return []Finding{{Edge: Raised, Flag: "preheat-broken", Urgency: Tell, Points: j.powerPoints(), Text: powerBlind(a, j.lasts), Values: j.values(a, now)}}
		}
		if !j.broken || now-on < powerSteady {
			return nil
		}
		j.broken = false
		return []Finding{{Edge: Cleared, Flag: "preheat-broken", Text: powerIsBack(a, j.lasts, j.metIn(a)), Values: j.values(a, now)}}
	}
	if j.broken {
		return nil
	}
	f := Finding{Edge: Raised, Flag: "preheat-broken", Urgency: Wake, Points: j.powerPoints()}
	if j.result == Passed || j.failed() {
		f.Urgency = Tell
	}
	switch {
	case off && !a.ever && now-since >= powerNever:
		f.Text = neverPowered(now, j.lasts)
	case off && a.ever && now-since >= powerBounce:
		f.Text = powerIsLost(a, now-since, j.lasts, j.pause, j.coldest(now), j.warmK, j.result == Passed)
	case !off && now-j.quietSince() >= j.pause:
		f.Urgency = Tell
		f.Text = powerUnheard(a, now-j.quietSince(), j.lasts)
	default:
		return nil
	}
	j.broken = true
	f.Values = j.values(a, now)
	return []Finding{f}
}

// quietSince is since when one of the inputs has not been heard.
func (j *preheat) quietSince() time.Duration {
	since := time.Duration(math.MaxInt64)
	for _, s := range j.power {
		x, _ := s.last()
		if s.told {
			continue
		}
		since = min(since, x.to)
	}
	return since
}

func (j *preheat) powerPoints() (ps []string) {
	for _, s := range j.power {
		if !s.told {
			ps = append(ps, s.point.Name)
		}
	}
	return ps
}

// coldest is the least of the sumps' warmth over the outdoor air.
func (j *preheat) coldest(now time.Duration) float64 {
	least := math.NaN()
	for _, s := range j.sumps {
		if m := s.over(now); !(m >= least) {
			least = m
		}
	}
	return least
}

// hottest is the most of it.
func (j *preheat) hottest(now time.Duration) float64 {
	most := math.Inf(-1)
	for _, s := range j.sumps {
		if m := s.over(now); m > most {
			most = m
		}
	}
	return most
}

// heaters says which sump does not warm as one with a sound heater does: the
// least that is asked, approached as slowly as the guide knows.
func (j *preheat) heaters(a clockOf, now time.Duration) (out []Finding) {
	expected := float64(j.warmK * (1 - math.Exp(-a.runS.Seconds()/heaterTau.Seconds())))
	for _, s := range j.sumps {
		m := s.over(now)
		if a.runS >= deadFrom && a.runS < heaterSurely && s.heatedK() < deadShare*j.warmK {
			s.dead = true
		}
		byK, stands := s.stands()
		proven := !s.dead && !stands && !s.stoodWithin(now, j.warmFor()) && m >= j.warmK && (!a.met || s.warm(now, j.warmFor(), j.warmK))
		cold := a.runS >= heaterEarly && m < expected/2 || a.runS >= heaterSurely && m < expected || a.met && !proven
		switch {
		case !s.raised && stands && a.on:
			s.raised = true
			out = append(out, Finding{Edge: Raised, Flag: "heater-unproven", Subject: s.point.Name, Urgency: Tell, Points: []string{s.point.Name},
				Text: heaterStands(s.point.Name, s.rest.value, s.rest.at-s.rest.from, byK), Values: j.values(a, now)})
		case !s.raised && cold && a.on:
			s.raised = true
			out = append(out, Finding{Edge: Raised, Flag: "heater-unproven", Subject: s.point.Name, Urgency: Tell, Points: []string{s.point.Name},
				Text: heaterIsCold(s.point.Name, m, j.warmK, a.runS), Values: j.values(a, now)})
		case s.raised && proven:
			s.raised = false
			out = append(out, Finding{Edge: Cleared, Flag: "heater-unproven", Subject: s.point.Name, Points: []string{s.point.Name},
				Text: heaterIsWarm(s.point.Name, m), Values: j.values(a, now)})
		}
	}
	return out
}

// warmFor is how long a sump must have been warm to count.
func (j *preheat) warmFor() time.Duration { return min(warmLast, j.lasts/4) }

// cold lists the sumps that are not warm or not measured.
func (j *preheat) cold(now time.Duration) (cold, unheard []string) {
	for _, s := range j.sumps {
		switch m := s.over(now); {
		case math.IsNaN(m):
			unheard = append(unheard, s.point.Name)
		case s.dead || !s.warm(now, j.warmFor(), j.warmK):
			cold = append(cold, s.point.Name)
		}
	}
	return cold, unheard
}

// judge gives the verdict once the time is met.
func (j *preheat) judge(a clockOf, now time.Duration) []Finding {
	w := preheatWords{a: a, lasts: j.lasts, warmK: j.warmK, coldestK: j.coldest(now), byMarks: j.byMarks(), powerMarks: j.powerMarks}
	w.cold, w.unheard = j.cold(now)
	for _, s := range j.sumps {
		if s.dead {
			w.dead = append(w.dead, s.point.Name)
		}
		if _, stands := s.stands(); stands || s.stoodWithin(now, j.warmFor()) {
			w.still = append(w.still, s.point.Name)
		}
	}
	_, air := j.airAt(now)
	switch {
	case j.lacks() != "":
		return j.verdict(NotProven, "unmeasured", preheatUnseen(w, j.lacks()), a, now)
	case len(w.cold) > 0:
		return j.verdict(NotProven, "no-warmth", preheatCold(w), a, now)
	case len(w.still) > 0:
		return j.verdict(NotProven, "gauge", preheatStill(w), a, now)
	case j.hottest(now) > heaterMostK:
		return j.verdict(NotProven, "implausible", preheatTooHot(w, j.hottest(now)), a, now)
	case len(w.unheard) > 0 && !air:
		return j.verdict(NotProven, "unmeasured", preheatUnseen(w, "the outdoor air was not heard"), a, now)
	case len(w.unheard) > 0:
		return j.verdict(NotProven, "unmeasured", preheatUnseen(w, "not heard: "+listed(w.unheard)), a, now)
	}
	return j.verdict(Passed, "none", preheatMet(w), a, now)
}

// lacks says which point the site file lacks to see the heaters' warmth.
func (j *preheat) lacks() string {
	switch {
	case len(j.sumps) == 0:
		return "no point has the role oil-sump"
	case len(j.airs) == 0:
		return "no point has the role outdoor-air, to compare the sump with"
	}
	return ""
}

// verdict is given when it changes.
func (j *preheat) verdict(result, cause, text string, a clockOf, now time.Duration) []Finding {
	if j.result == result {
		return nil
	}
	j.result = result
	j.start.watches = result == NotProven
	var points []string
	for _, s := range j.sumps {
		points = append(points, s.point.Name)
	}
	return []Finding{{Edge: Given, Result: result, Cause: cause, Points: append(j.powerPoints(), points...), Text: text, Values: j.values(a, now)}}
}

// metIn says when it will be met if power stays on: in how long, and at what time where the clock is proven.
func (j *preheat) metIn(a clockOf) string {
	at := ""
	if j.proven != 0 {
		at = timeOfDay(time.UnixMilli(j.proven+j.clock.when(a.metAt).Milliseconds()), j.zone)
	}
	return inAt(wholeMinutes(j.lasts-a.runS), at)
}

func (j *preheat) values(a clockOf, now time.Duration) []Value {
	vs := []Value{{"energised_s", seconds(a.runS)}, {"elapsed_s", seconds(now)}, {"left_s", seconds(max(0, j.lasts-a.runS))}}
	if a.on || a.met {
		vs = append(vs, Value{"due_s", seconds(a.metAt)})
	}
	if a.pauses+a.restarts > 0 {
		vs = append(vs, Value{"paused_s", seconds(a.paused)}, Value{"restarts", float64(a.restarts)})
	}
	return append(vs, Value{"sump_over_ambient_k", j.coldest(now)})
}

// ended gives the verdict where there is none yet.
func (j *preheat) ended(now time.Duration) []Finding {
	if j.result != "" {
		return nil
	}
	a := j.account(now)
	cause := "ended-early"
	switch {
	case !a.ever && j.saidOff():
		cause = "no-power"
	case !a.ever, a.unheard:
		cause = "gap"
	case a.restarts+a.pauses > 0, !a.on && j.saidOff():
		cause = "power-lost"
	}
	return j.verdict(NotProven, cause, preheatShort(cause, a, j.lasts), a, now)
}

// Due is the next moment at which time alone changes how it stands.
func (j *preheat) Due() (due time.Duration, ok bool) {
	want := func(t time.Duration) {
		if t > j.looked && (!ok || t < due) {
			due, ok = t, true
		}
	}
	a := j.now
	on, all := j.onSince()
	until := time.Duration(math.MaxInt64)
	for _, s := range j.power {
		until = min(until, s.heardUntil())
	}
	if all && !a.met && a.on && j.result == "" && a.metAt <= until {
		want(a.metAt)
	}
	if all && j.broken {
		want(on + powerSteady)
	}
	if !j.broken {
		if since, off := j.offSaid(); off {
			wait := powerBounce
			if !a.ever {
				wait = powerNever
			}
			want(since + wait)
		} else if q := j.quietSince(); q < math.MaxInt64 {
			want(q + j.pause)
		}
	}
	if j.lacks() != "" && !j.blindly {
		want(j.looked + time.Second)
	}
	if !ok {
		return 0, false
	}
	return j.clock.when(due), true
}

// Outlook says how far it is.
func (j *preheat) Outlook(at Instant) Outlook {
	now := max(j.clock.newest, j.clock.of(at.Since))
	a := j.account(now)
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Lasts: j.lasts, Left: max(0, j.lasts-a.runS), Quantity: sensors.Temperature, Sure: "likely"}
	if !a.on {
		o.Sure = "too early to say"
	}
	w := preheatWords{a: a, lasts: j.lasts, warmK: j.warmK, coldestK: j.coldest(now), byMarks: j.byMarks(), powerMarks: j.powerMarks, result: j.result, now: now}
	w.saidOff, w.metIn = j.saidOff(), j.metIn(a)
	w.cold, w.unheard = j.cold(now)
	var show *sump
	for _, s := range j.sumps { // the coldest
		if show == nil || s.over(now) < show.over(now) {
			show = s
		}
	}
	if show != nil {
		o.Point = show.point.Name
		if show.heard {
			o.Figure, o.HasFig, o.FigAt = Num(show.newest.v), true, Instant{at.Boot, j.clock.when(show.newest.t)}
		}
	}
	if j.result != "" {
		o.Sure = "sure"
	}
	o.Values = rounded(j.values(a, now))
	o.Sentence = preheatStands(w, len(j.sumps))
	return o
}
