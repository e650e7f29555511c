package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// PressureTest judges the nitrogen pressure test.
var PressureTest = Rule{
	Name:  "pressure-test",
	Doc:   "Judges the nitrogen pressure test: allows for the gas's temperature and the barometer, tells a leak early, and gives the test's verdict.",
	Steps: []string{"pressure-test"},
	Flags: []string{"pressure-falling", "pressure-too-high"},
	Roles: []string{"test-pressure", "pipe-air", "barometer", "outdoor-air"},
	Begin: beginPressureTest,
}

// What the test goes by, besides its limits.
const (
	fastDropPa   = 35e3             // within fastOver: somebody is called (the field guide)
	fastOver     = 10 * time.Minute //
	settleFor    = 30 * time.Minute // it must have been settled that long (the field guide)
	heldRatio    = 0.95             // of the target counts as held: what a fill's heat takes away again (our choice)
	highRatio    = 1.1              // of the target, where no ceiling is given (common practice)
	highFor      = 10 * time.Second // above the ceiling before somebody is called: a hose that is knocked is over sooner (our choice)
	lowerFor     = time.Minute      // below it before that is cleared (our choice)
	underCeiling = 0.99             // of the ceiling: by so much it is lower (our choice)
	fillRatio    = 0.01             // of the pressure within fillOver: a stage is raised, or the pipe topped up; less, or slower, may be the sun (our choice, from trial runs with seeds)
	fillOver     = 2 * time.Minute  //
	fasterThan   = 2.0              // times as fast as just before: it has begun now (our choice; the middle of three readings lags, the first does not)
	burstRatio   = 0.25             // of the pressure: more than a fill's heat can be, however fast it was filled (our choice)
	vented       = 0.1              // of the pressure at the start: what is below has been let out, not shared with another part (our choice)
	gapPart      = 8                // one part in so many of the test may go by unheard at once: 3 h of 24 (our choice)
	slipFor      = time.Hour        // a stage below the target is raised by then (common practice: 5 to 60 min)
	tellSure     = 3.0              // standard errors of its slope before a fall is told: it is looked at often (our choice, from trial runs with seeds)
)

type pressureTest struct {
	clock   watch
	points  []sensors.Point
	gauge   int // place of the gauge; -1: none
	pipeM3  float64
	target  Setting
	ceiling Setting
	lasts   time.Duration

	pressLog
	heard   bool
	last    time.Duration // the step's time at the newest gauge reading
	failing string        // why the gauge's newest reading without a value had none
	gaps    []stretch     // of silence not bridged,

	bridgedTo int // and how many of them were looked at for gas let in

	filled time.Duration // when gas was last let in, as far as the gauge shows
	start  *pressState   // where the comparison begins
	settle settling      // what was left of the fill's heat then
	swingK float64       // by how much the thermometer that moved most has moved
	seenS  float64       // since then, of the view
	bestPa float64       // the highest level seen
	lowPa  float64       // the gauge's lowest and highest reading since
	topPa  float64

	looked  time.Duration
	tried   time.Duration // to find the start
	view    pressView
	sound   pressView // as it was before the pressure fell at once
	fell    fall
	falling Urgency
	raised  bool
	surely  lasting
	calm    lasting
	over    lasting // above the ceiling
	under   lasting // below it again
	high    bool
	refPa   float64 // the level at the last look for a fast change
	result  string
	gave    string // the cause last given
}

type stretch struct{ from, to time.Duration }

// fall is a sudden one, and no gas was let in since: from which level, and to which it went at the least.
type fall struct {
	is           bool
	fromPa, toPa float64
}

func beginPressureTest(s Start) Judge {
	if s.Entry.At.Since-s.Began.Since > bridged {
		s.Began = s.Entry.At // what the gauge said before a mark that came so late was never heard here
	}
	j := &pressureTest{clock: startWatch(s), points: s.Points, gauge: -1}
	if s.PipeM3 > 0 {
		j.pipeM3 = s.PipeM3 + s.CoilsM3
	}
	j.target, _ = limit(s.Step, "target")
	j.ceiling, _ = limit(s.Step, "ceiling")
	if j.ceiling.Value <= 0 {
		j.ceiling = Setting{Value: float64(j.target.Value * highRatio), Source: practice + ": 10 % above the target"}
	}
	lasts, _ := limit(s.Step, "lasts")
	j.lasts = asTime(lasts.Value)
	for i, p := range s.Points {
		if p.Role == "test-pressure" && j.gauge < 0 {
			j.gauge = i
		}
	}
	j.pressLog = newPressLog(s.Points, j.gauge, max(min(j.lasts/240, time.Minute), 5*time.Second, j.every()))
	return j
}

func (j *pressureTest) Next(e Entry) []Finding {
	_, restarted := j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Measured:
		if e.place == j.gauge && b.Health.Live() && !b.Health.Usable() {
			j.failing = b.Health.Reason
		}
		if b.Health.Usable() && e.place < len(j.points) && canBe(j.points[e.place].Role, b.Value) {
			return j.read(e.place, sample{j.clock.of(b.Taken), b.Value})
		}
	case *Started:
		if restarted && j.clock.unknown && j.result == "" {
			return []Finding{j.verdict(NotProven, "gap", pressGap(true, 0))}
		}
	case *Due:
		return j.passed()
	case *Told:
		if b.Kind == "end" && b.Name == "pressure-test" {
			return j.ended()
		}
	}
	return nil
}

// canBe reports whether a value can be one of what the role stands for: one that
// cannot would stand in the means of the test's beginning or end. A pipe of a
// system that is being started is between -50 and 80 C in frost and in full sun
// (from memory); a digital clamp without a supply shows 85.
func canBe(role string, v float64) bool {
	switch role {
	case "pipe-air":
		return v >= -50 && v <= 80
	case "outdoor-air":
		return v >= -60 && v <= 60
	case "barometer":
		return v > 50e3 && v < 120e3
	}
	return !math.IsNaN(v) && !math.IsInf(v, 0)
}

// read keeps a reading; only the gauge's is judged.
func (j *pressureTest) read(place int, s sample) []Finding {
	if s.t < 0 || s.t > j.clock.newest+time.Hour {
		return nil
	}
	j.keep(place, s, j.clock.newest)
	if place != j.gauge {
		return nil
	}
	if s.t < j.last {
		j.fill(s.t)
		return nil
	}
	if s.t-j.last > j.bridge() {
		j.gaps = append(j.gaps, stretch{j.last, s.t})
	}
	fresh := s.t/j.fine != j.last/j.fine
	j.heard, j.last = true, s.t
	j.lowPa, j.topPa = min(j.lowPa, s.v), max(j.topPa, s.v)
	j.bestPa, j.fell.toPa = max(j.bestPa, j.level()), min(j.fell.toPa, j.level())
	out := j.tooHigh(s.t)
	if fresh || math.Abs(j.level()-j.refPa) > fastDropPa/2 {
		out = append(out, j.lookForJumps(s.t)...)
	}
	if j.raised && fresh {
		out = append(out, j.calmDown(s.t)...)
	}
	if every := max(j.width, s.t/32); s.t-j.looked >= every || s.t >= j.ends() && j.result == "" {
		if j.result != Passed && j.result != NotPassed && j.refilled(j.course(), s.t) {
			return append(out, j.gasLetIn(s.t)...)
		}
		j.look(s.t)
		out = append(out, j.decide(s.t)...)
	}
	return out
}

// fill takes what came late out of the gaps.
func (j *pressureTest) fill(t time.Duration) {
	for i, g := range j.gaps {
		if g.from >= t || t >= g.to {
			continue
		}
		j.gaps = slices.Delete(j.gaps, i, i+1)
		j.bridgedTo = min(j.bridgedTo, i) // those behind it have moved up
		for _, part := range []stretch{{t, g.to}, {g.from, t}} {
			if part.to-part.from > j.bridge() {
				j.gaps = slices.Insert(j.gaps, i, part)
			}
		}
		return
	}
}

func (j *pressureTest) every() time.Duration {
	if j.gauge < 0 {
		return 0
	}
	return j.points[j.gauge].Every
}

func (j *pressureTest) bridge() time.Duration { return max(bridged, j.every()*3/2) }

// gapMost is the longest that may go by unheard at once: of a test that has its
// beginning a part, since two levels are compared.
func (j *pressureTest) gapMost(from time.Duration) time.Duration {
	if from == 0 {
		return max(gapMost, j.every()*3)
	}
	return max(j.every()*3, unheardMost(j.lasts))
}

// unheardMost is the same for a gauge that is heard often, by how long the test lasts.
func unheardMost(lasts time.Duration) time.Duration { return max(gapMost, lasts/gapPart) }

// broken reports whether there was a gap too long, too much of them, or one of unknown length.
func (j *pressureTest) broken() bool {
	long := func(g stretch) bool { return g.to-g.from > j.gapMost(g.from) }
	return j.clock.unknown || slices.ContainsFunc(j.gaps, long) || j.unheard() > j.lasts/2 || j.clock.newest-j.last >= j.gapMost(j.last) && j.last < j.ends()
}

// tooLong is the limit that a single gap has passed; 0: all of them together have passed theirs.
func (j *pressureTest) tooLong() time.Duration {
	for _, g := range append(slices.Clip(j.gaps), stretch{from: j.last, to: j.clock.newest}) {
		if most := j.gapMost(g.from); g.to-g.from >= most {
			return most
		}
	}
	return 0
}

// ends is when the test is over: two levels are compared, and what was not heard
// between them takes nothing from that. Only the last one must have been heard.
func (j *pressureTest) ends() time.Duration {
	end := j.lasts
	for _, g := range j.gaps {
		if g.from < end && end < g.to+j.averaged() {
			end = g.to + j.averaged()
		}
	}
	return end
}

// unheard is for how long the gauge was not heard, what is bridged left out.
func (j *pressureTest) unheard() (d time.Duration) {
	for _, g := range j.gaps {
		d += g.to - g.from
	}
	return d
}

// refilled reports whether gas was let in while the gauge was not heard: its level
// after a gap is above the one before.
func (j *pressureTest) refilled(h []pressState, t time.Duration) bool {
	for ; j.bridgedTo < len(j.gaps); j.bridgedTo++ {
		g := j.gaps[j.bridgedTo]
		if t < g.to+j.averaged() {
			return false
		}
		a, ok := meanOf(h, g.from-j.averaged(), g.from)
		b, heard := meanOf(h, g.to, g.to+j.averaged())
		if !ok || !heard {
			continue
		}
		if c := j.compare(a, b); c.changePa > 3*c.doubtPa() {
			return true
		}
	}
	return false
}

// averaged is over how long the beginning and the end are averaged.
func (j *pressureTest) averaged() time.Duration { return max(min(10*time.Minute, j.lasts/24), j.fine) }

// How much of the test must be left for the comparison, and how long the last
// stage must have stood, as parts of how long the test lasts (our choice).
const (
	enough = 1.0 / 3
	stood  = 0.75
)

// course is what was heard, from the last fill on.
func (j *pressureTest) course() []pressState {
	h := after(j.history(), j.filled)
	j.lag(h)
	j.swingK = j.swing(h)
	return h
}

// look takes a view of the readings up to a moment of the test.
func (j *pressureTest) look(t time.Duration) {
	j.looked = t
	h := j.course()
	j.findStart(h, t)
	j.view = j.seen(h, t)
}

// lookForJumps tells what happens within minutes: gas let in, which begins the
// comparison anew, or a fall as no small leak makes.
func (j *pressureTest) lookForJumps(t time.Duration) []Finding {
	j.refPa = j.level()
	if j.rises(t) {
		return j.gasLetIn(t)
	}
	if j.quiet(t) {
		return nil
	}
	h := j.course()
	ago, ok := around(h, t-fastOver, j.fine)
	if !ok { // filled since, or not heard then: what was heard first since
		if since := after(h, t-fastOver); len(since) > 0 {
			ago, ok = since[0], true
		}
	}
	now, heard := around(h, t, 2*j.fine)
	if !ok || !heard || j.tracks[j.gauge].n < j.tracks[j.gauge].of {
		return nil
	}
	now.gaugePa, now.t = j.level(), t
	c := j.compare(ago, now)
	// A part of the pipe may warm or cool as no clamp shows.
	if c.changePa < -fastDropPa-float64(2*c.priorPa) && j.falling != Wake {
		return j.fallsAtOnce(h, t, now, c.changePa)
	}
	return nil
}

// moved is how far the level is from the lowest (or the highest) of the last
// two minutes, temperature allowed for, and how far it may be so without a valve.
func (j *pressureTest) moved(t time.Duration, sign float64) (pa, mayPa float64) {
	few := j.states(j.recent, j.fine, t-fillOver-2*j.fine, t+j.fine)
	if len(few) == 0 {
		return 0, 0
	}
	from, now := few[0], few[len(few)-1]
	for _, s := range few {
		if float64(sign*s.gaugePa) < float64(sign*from.gaugePa) {
			from = s
		}
	}
	now.gaugePa = j.level()
	mayPa = float64(fillRatio * (from.gaugePa + physics.AtmospherePa))
	if float64(sign*(now.gaugePa-from.gaugePa)) < mayPa/2 {
		return 0, mayPa
	}
	c := j.compare(from, now)
	return float64(sign * c.changePa), mayPa + float64(2*c.priorPa)
}

// rises reports whether gas is being let in.
func (j *pressureTest) rises(t time.Duration) bool {
	pa, may := j.moved(t, 1)
	if back := (j.level() - j.fell.toPa) / (j.fell.fromPa - j.fell.toPa); j.fell.is && back < 0.5 {
		return false // gas that expands cools, by 0.29 of its pressure at the most, and warms up again
	}
	return pa > may && j.result != Passed && j.result != NotPassed
}

// drops reports whether the pressure falls within two minutes as a fill's heat
// does not once gas and wall have evened out: fast, and faster than just before,
// since what fades slows down from one minute to the next.
func (j *pressureTest) drops(t time.Duration) bool {
	pa, may := j.moved(t, -1)
	if pa <= max(may, fastDropPa) || t-j.filled <= gasEven {
		return false
	}
	few := after(j.states(j.recent, j.fine, j.filled, t+j.fine), j.filled)
	half, heard := around(few, t-fillOver-j.fine, j.fine)
	if !heard || half.t-few[0].t < fillOver {
		return false
	}
	first, heard := around(few, max(few[0].t, half.t-2*fillOver-j.fine), j.fine)
	if !heard { // a short gap: all that came before it
		first = few[0]
	}
	now := few[len(few)-1]
	now.gaugePa = j.level()
	rate := func(a, b pressState) float64 { return j.compare(a, b).changePa / max((b.t-a.t).Seconds(), 1) }
	return rate(half, now) < fasterThan*rate(first, half)
}

// quiet reports whether the newest readings alone show that nothing happens:
// most of the time, and quickly told.
func (j *pressureTest) quiet(t time.Duration) bool {
	var few []pressState
	for _, at := range []time.Duration{t - fastOver, t} {
		few = append(few, j.states(j.recent, j.fine, at-2*j.fine, at+j.fine)...)
	}
	ago, ok1 := around(few, t-fastOver, 2*j.fine)
	now, ok2 := around(few, t, 2*j.fine)
	if !ok1 || !ok2 || j.falling == Wake {
		return false
	}
	for i := range ago.value {
		if math.IsNaN(ago.value[i]) != math.IsNaN(now.value[i]) {
			return false
		}
	}
	now.gaugePa = j.level()
	ago.lagK, now.lagK = 0, 0
	return math.Abs(j.compare(ago, now).changePa) < fastDropPa/2
}

// gasLetIn begins anew: a stage is raised, or the pipe is topped up.
func (j *pressureTest) gasLetIn(t time.Duration) []Finding {
	j.filled = t + j.fine/2 // this stretch may hold some of the raise itself
	j.restart(j.filled)
	j.start, j.view, j.tried, j.seenS = nil, pressView{}, 0, 0
	if j.gave == "gauge" { // it was a stage
		j.result, j.gave = "", ""
	}
	j.surely, j.calm, j.fell = lasting{}, lasting{}, fall{}
	if !j.raised {
		return nil
	}
	j.raised, j.falling = false, Note
	return []Finding{{Edge: Cleared, Flag: "pressure-falling", Text: pressFilled(j.level())}}
}

// fallsAtOnce calls somebody. What a fresh fill loses while it cools takes
// minutes and slows down as it goes, and calls nobody.
func (j *pressureTest) fallsAtOnce(h []pressState, t time.Duration, now pressState, changePa float64) []Finding {
	if j.slip(now.gaugePa) != "" && changePa > -burstRatio*(now.gaugePa-changePa+physics.AtmospherePa) {
		return nil // in a wrong unit the sun's work looks many times as large
	}
	fresh := j.start == nil && t-j.filled < settleMost+settleFor
	if fresh && !j.drops(t) && changePa > -burstRatio*(now.gaugePa-changePa+physics.AtmospherePa) {
		first, ok1 := around(h, t-2*fastOver, j.fine)
		half, ok2 := around(h, t-fastOver, j.fine)
		if !ok1 || !ok2 || j.compare(half, now).changePa > 0.75*j.compare(first, half).changePa {
			return nil
		}
	}
	urgency, text := Wake, pressFast(-changePa, now.gaugePa)
	if j.result == Passed { // what is proved is vented next: nobody is woken for that
		if j.raised {
			return nil
		}
		urgency, text = Tell, pressVented(-changePa, now.gaugePa)
	}
	j.sound, j.fell = j.view, fall{true, now.gaugePa - changePa, now.gaugePa}
	j.raised, j.falling, j.calm = true, urgency, lasting{}
	return []Finding{j.flag("pressure-falling", urgency, text, changePa)}
}

func (j *pressureTest) tooHigh(t time.Duration) []Finding {
	if j.tracks[j.gauge].n < j.tracks[j.gauge].of {
		return nil
	}
	p := j.level()
	above := j.over.by(t, p > j.ceiling.Value, highFor)
	below := j.under.by(t, p < underCeiling*j.ceiling.Value, lowerFor)
	switch {
	case !j.high && above:
		j.high = true
		if unit := j.slip(p); unit != "" {
			return []Finding{j.flag("pressure-too-high", Tell, pressUnit(p, j.points[j.gauge].Unit, unit, j.target), math.NaN())}
		}
		return []Finding{j.flag("pressure-too-high", Wake, pressHigh(p, j.ceiling), math.NaN())}
	case j.high && below:
		j.high = false
		return []Finding{{Edge: Cleared, Flag: "pressure-too-high", Text: pressLower(p, j.ceiling)}}
	}
	return nil
}

// slip is the unit in which what the gauge gives would be the target (within
// 10 %), where it is far from it in the unit that the site file names. Where it is
// below it must count as held: 3.5 bar may be the first stage of 38 bar, and no 3.5 MPa.
func (j *pressureTest) slip(pa float64) string {
	is, err := sensors.Pressure.ToSI(1, j.points[j.gauge].Unit)
	ratio := pa / j.target.Value
	if err != nil || ratio > 0.5 && ratio < 2 {
		return ""
	}
	least := 0.9
	if ratio < 1 {
		least = heldRatio
	}
	for _, unit := range []string{"psi", "kPa", "bar", "MPa", "Pa"} {
		would, _ := sensors.Pressure.ToSI(1, unit)
		if r := pa / is * would / j.target.Value; r > least && r < 1.1 {
			return unit
		}
	}
	return ""
}

// decide raises and clears the flag and gives the verdict, as the view is now.
func (j *pressureTest) decide(t time.Duration) []Finding {
	out := j.project(t)
	switch {
	case j.result == Passed || j.result == NotPassed:
	case !j.heard && (j.broken() || t >= j.ends()):
		return append(out, j.give(NotProven, "gauge", pressNoGauge(j.failing))...)
	case j.broken():
		return append(out, j.give(NotProven, "gap", pressGap(j.clock.unknown, j.tooLong()))...)
	case t < j.ends() && j.result == "" && t-j.filled >= slipFor && j.slip(j.level()) != "":
		return append(out, j.give(NotProven, "gauge", pressUnit(j.level(), j.points[j.gauge].Unit, j.slip(j.level()), j.target))...)
	case t >= j.ends():
		out = append(out, j.final()...)
		if j.result == Passed && j.raised {
			out = append(out, j.clear()...)
		}
	}
	return out
}

// project tells a leak before the test's end.
func (j *pressureTest) project(t time.Duration) []Finding {
	v := j.view
	left := max(0, j.ends()-t).Seconds()
	least := v.doubtPa
	if t-j.filled < settleMost+settleFor { // what is left of a fill's heat fades by then, and gas and wall even out
		least = 3 * v.doubtPa
	}
	sure := v.ok && j.result == "" && j.slip(j.level()) == "" && !v.step && v.monotone && v.slopePaPerS < -tellSure*v.slopeSe && v.changePa < -least &&
		v.changePa+float64((v.slopePaPerS+float64(1.645*v.slopeSe))*left) < -3*v.doubtPa && j.fallsByItself(v) && j.fallsWithLag(left)
	tell := j.surely.by(t, sure, min(fastOver, j.lasts/24))
	if !tell || j.raised {
		return nil
	}
	j.raised, j.falling, j.calm = true, Tell, lasting{}
	return []Finding{j.flag("pressure-falling", Tell, pressFalls(v, j.ends()), v.changePa)}
}

// calmDown clears the flag: told too early, or a new level. A fall that was seen
// for hours is over only where its size is in doubt again.
func (j *pressureTest) calmDown(t time.Duration) []Finding {
	still := !j.surely.holds && (j.falling == Wake || j.view.ok && j.view.changePa > -j.view.doubtPa)
	if j.result == NotPassed || !j.calm.by(t, still && j.standsStill(t), min(settleFor, j.lasts/8)) {
		return nil
	}
	return j.clear()
}

// clear clears the flag, with what it means now.
func (j *pressureTest) clear() []Finding {
	text := pressStill(j.level())
	if j.falling != Wake {
		text = pressAgain(j.view)
	}
	j.raised, j.falling = false, Note
	return []Finding{{Edge: Cleared, Flag: "pressure-falling", Text: text}}
}

// standsStill reports whether the last quarter of an hour shows no fall: less than
// the two standard uncertainties an hour that count as settled (the field guide).
func (j *pressureTest) standsStill(t time.Duration) bool {
	h := j.course()
	ago, ok := around(h, t-settleFor/2, 2*j.fine)
	now, heard := around(h, t, 2*j.fine)
	if !ok || !heard || now.gaugePa < vented*j.bestPa {
		return false
	}
	c := j.compare(ago, now)
	return c.changePa > -float64(float64(2*c.basePa)*(now.t-ago.t).Hours())-float64(2*c.termsPa)
}

// final is the verdict once the test has lasted; one not proven is looked at again until the end.
func (j *pressureTest) final() []Finding {
	v := j.view
	if unit := j.slip(j.level()); unit != "" {
		return j.give(NotProven, "gauge", pressUnit(j.level(), j.points[j.gauge].Unit, unit, j.target))
	}
	if j.bestPa > heldRatio*j.target.Value && j.level() < vented*j.bestPa {
		return j.give(NotPassed, "leak", pressEmptied(j.level()))
	}
	if !v.ok {
		return j.give(NotProven, "settling", pressNothing())
	}
	switch tolerance := 2 * v.doubtPa; {
	case v.t-j.filled < asTime(stood*j.lasts.Seconds()):
		return j.give(NotProven, "settling", pressNotStood(v.t-j.filled, asTime(stood*j.lasts.Seconds())))
	case v.end.t-j.start.t < asTime(enough*j.lasts.Seconds())-j.averaged()-j.fine:
		return j.give(NotProven, "settling", pressTooShort(v.end.t-j.start.t, asTime(enough*j.lasts.Seconds())))
	case j.topPa == j.lowPa && j.mustMovePa() > 2*tolerance:
		return j.give(NotProven, "gauge", pressStuck(j.level(), j.mustMovePa()))
	case v.source == noTemperature:
		return j.give(NotProven, "temperature", pressNoTemp(v))
	case v.doubtPa > float64(noTempDoubtK*j.paPerK(*j.start)): // thermometers that tell less than none would
		return j.give(NotProven, "temperature", pressTooWide(v))
	case v.changePa < -1.5*tolerance && v.monotone && !v.step:
		return j.give(NotPassed, "leak", pressFailed(v, j.spanS(), j.leakOf(-v.changePa)))
	case v.step || j.fell.is && v.changePa <= tolerance:
		return j.give(NotProven, "unknown", pressStep(v))
	case math.Abs(v.changePa) <= tolerance && v.changePa < -fastDropPa: // so wide a doubt explains it, and shows nothing tight
		return j.give(NotProven, "unknown", pressClose(v))
	case math.Abs(v.changePa) <= tolerance && j.bestPa < heldRatio*j.target.Value:
		return j.give(NotProven, "unknown", pressLow(j.bestPa, j.target))
	case math.Abs(v.changePa) <= tolerance:
		return j.give(Passed, "none", pressPassed(v, j.spanS(), j.leakOf(tolerance), j.target))
	case v.changePa > 0:
		return j.give(NotProven, "unknown", pressRises(v))
	case !v.monotone:
		return j.give(NotProven, "temperature", pressSun(v))
	}
	return j.give(NotProven, "unknown", pressClose(v))
}

// mustMovePa is by how much temperature and barometer alone have moved the pressure
// since the beginning, at the most: a day that ends as warm as it began shows it between.
func (j *pressureTest) mustMovePa() (pa float64) {
	for _, s := range after(j.course(), j.start.t) {
		if c := j.compare(*j.start, s); c.gas.source != noTemperature {
			pa = max(pa, math.Abs(c.expectedPa))
		}
	}
	return pa
}

func (j *pressureTest) spanS() float64 { return max((j.view.end.t - j.start.t).Seconds(), 1) }

// leakOf is the leak that loses a pressure over the comparison; NaN where the volume is not known.
func (j *pressureTest) leakOf(lossPa float64) float64 {
	if j.pipeM3 <= 0 {
		return math.NaN()
	}
	return physics.LeakPaM3PerS(j.pipeM3, lossPa/j.spanS())
}

// give gives a verdict that is not the one that stands.
func (j *pressureTest) give(result, cause, text string) []Finding {
	if j.result == result && j.gave == cause {
		return nil
	}
	return []Finding{j.verdict(result, cause, text)}
}

// passed is the judge's own deadline: the end, or a gap grown too long.
func (j *pressureTest) passed() []Finding {
	now := j.clock.newest
	if !j.broken() && (now < j.ends() || now-j.last > j.bridge()) {
		return nil
	}
	j.look(j.last)
	return j.decide(now)
}

// ended is the end mark: a test ended early has no verdict but this.
func (j *pressureTest) ended() []Finding {
	j.look(j.last)
	now := j.clock.newest
	if now-j.last <= j.bridge() || j.broken() {
		if out := j.decide(now); j.result != "" {
			return out
		}
	}
	if j.result != "" {
		return nil
	}
	v := j.view
	if j.raised && j.sound.ok { // the leak was seen, then the pipe was emptied to mend it
		v = j.sound
	}
	if v.ok && v.changePa < -3*v.doubtPa && v.monotone && !v.step && v.slopePaPerS < -tellSure*v.slopeSe && v.source != noTemperature && j.fallsByItself(v) {
		j.view = v
		return []Finding{j.verdict(NotPassed, "leak", pressFailed(v, j.spanS(), j.leakOf(-v.changePa)))}
	}
	cause := "unknown"
	if now-j.last > j.bridge() {
		cause = "gap"
	}
	return []Finding{j.verdict(NotProven, cause, pressEnded(now, j.ends(), j.view))}
}

func (j *pressureTest) flag(name string, u Urgency, text string, changePa float64) Finding {
	return Finding{Edge: Raised, Flag: name, Urgency: u, Points: []string{j.points[j.gauge].Name}, Text: text,
		Values: []Value{{"pressure_pa", j.level()}, {"target_pa", j.target.Value}, {"compensated_change_pa", changePa},
			{"elapsed_s", seconds(j.last)}}}
}

func (j *pressureTest) verdict(result, cause, text string) Finding {
	j.result, j.gave = result, cause
	values := []Value{{"elapsed_s", seconds(j.clock.newest)}}
	if j.start != nil && j.view.ok {
		v := j.view
		values = append(values, Value{"start_pa", j.start.gaugePa}, Value{"end_pa", v.end.gaugePa},
			Value{"compensated_change_pa", v.changePa}, Value{"tolerance_pa", 2 * v.doubtPa},
			Value{"detectable_pa_per_s", 2 * v.doubtPa / j.spanS()}, Value{"detectable_pa_m3_per_s", j.leakOf(2 * v.doubtPa)})
		if result == NotPassed {
			values = append(values, Value{"leak_pa_m3_per_s", j.leakOf(-v.changePa)})
		}
	}
	if missed := j.unheard(); missed > 0 && (result == Passed || result == NotPassed) {
		text += pressUnheard(missed)
	}
	for i, k := range j.tracks {
		if k.gone {
			text += pressFrozen(j.points[i].Name, k.still.value, k.still.from)
		}
	}
	f := Finding{Edge: Given, Result: result, Cause: cause, Text: text, Values: values}
	if j.gauge >= 0 {
		f.Points = []string{j.points[j.gauge].Name}
	}
	return f
}

// Due is the test's end, or the moment at which a gap has grown too long.
func (j *pressureTest) Due() (time.Duration, bool) {
	if j.result != "" {
		return 0, false
	}
	due := j.last + j.gapMost(j.last)
	if end := j.ends(); j.clock.newest < end && end < due {
		due = end
	}
	return j.clock.when(due), true
}

// Outlook says how the test stands.
func (j *pressureTest) Outlook(at Instant) Outlook {
	elapsed := max(0, j.clock.of(at.Since))
	o := Outlook{Quantity: sensors.Pressure, Limit: &j.target, Elapsed: elapsed, Lasts: j.lasts,
		Left: max(0, j.ends()-elapsed), Sure: "too early to say"}
	if j.gauge >= 0 {
		o.Point = j.points[j.gauge].Name
	}
	if j.heard {
		o.Figure, o.HasFig = Num(j.tracks[j.gauge].newest()), true
		o.FigAt = Instant{at.Boot, j.clock.when(j.last)}
	}
	switch v := j.view; {
	case j.raised || j.result == Passed || j.result == NotPassed:
		o.Sure = "sure"
	case v.ok && v.t > j.ends()/2:
		o.Sure = "likely"
	}
	for _, p := range j.view.trend {
		o.Trend = append(o.Trend, TrendPoint{j.clock.when(p.t), Num(max(p.low, 0)), Num(p.best), Num(p.high)})
		if p.tight > 0 {
			o.Expected = append(o.Expected, TrendPoint{j.clock.when(p.t), Num(p.tight - float64(2*j.view.doubtPa)), Num(p.tight), Num(p.tight + float64(2*j.view.doubtPa))})
		}
	}
	o.Sentence = pressStands(o, j)
	return o
}
