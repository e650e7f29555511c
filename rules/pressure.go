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

// What the test goes by, besides its limits. The doubts are the field guide's
// (step 1, error budget), one standard uncertainty each.
const (
	pipeDoubtK      = 0.3    // clamps on the pipes
	airDoubtK       = 1.5    // outdoor air instead of them (common practice)
	noTempDoubtK    = 5.0    // no temperature at all (common practice)
	stabilityPa     = 3000.0 // the transducer, within stableK of where it began
	stableK         = 2.0    //
	stabilityPaPerK = 1400.0 // and beyond it: 0.02 % of 7 MPa a kelvin
	resolutionPa    = 500.0  //
	barometerPa     = 100.0  //
	noBarometerPa   = 2000.0 // the weather, where nobody measures it
	gasLag          = 600.0  // s by which gas may follow its clamp (common practice)
	fastDropPa      = 35e3   // in fastOver: somebody is called (the field guide)
	fastOver        = 10 * time.Minute
	settleMost      = time.Hour // a fill has evened out by then, whatever it looks like
	settleFor       = 30 * time.Minute
	heldRatio       = 0.98 // of the target counts as held (common practice)
	highRatio       = 1.1  // of the target, where no ceiling is given (common practice)
	pressBinsMost   = 128  //
	tellDoubts      = 2.5  // standard uncertainties already lost before a fall is told
)

type pressureTest struct {
	clock   watch
	points  []sensors.Point
	gauge   int // place of the gauge; -1: none
	target  Setting
	ceiling Setting
	lasts   time.Duration
	fine    time.Duration // width of the newest bins
	width   time.Duration // width of all bins; doubles

	bins   []pressBin // the whole test
	recent []pressBin // the last quarter of an hour
	heard  bool
	last   time.Duration // the step's time at the newest gauge reading
	gaps   []stretch     // of silence not bridged
	start  *pressState   // where the comparison begins
	bestPa float64       // the highest level seen

	looked   time.Duration
	gave     string // the cause last given
	view     pressView
	falling  Urgency
	raised   bool
	surely   time.Duration
	isSurely bool
	calm     time.Duration
	isCalm   bool
	high     bool
	last3    [3]float64 // of the gauge
	refPa    float64    // the level at the last look for a fast drop
	result   string
}

type stretch struct{ from, to time.Duration }

// pressBin gathers a stretch of every point's readings.
type pressBin struct {
	n   int64 // which stretch
	sum []float64
	num []float64
}

// pressState is the pipe at one time.
type pressState struct {
	hold   physics.Hold
	t      time.Duration
	ok     bool
	source byte // of the temperature: 'p' pipes, 'o' outdoor air, 0 none
	baro   bool
	outC   float64
}

// pressView is what the readings say at one moment.
type pressView struct {
	ok                bool
	t                 time.Duration
	end               pressState
	changePa, doubtPa float64 // doubt: one standard uncertainty
	tempPa            float64 // the temperature's part of it
	slopePaPerS       float64
	slopeSe           float64
	recentPaPerS      float64
	monotone, step    bool
	sun               bool // what is left follows the temperature's rate
}

func beginPressureTest(s Start) Judge {
	if s.Entry.At.Since-s.Began.Since > bridged {
		s.Began = s.Entry.At // what the gauge said before a mark that came so late was never heard here
	}
	j := &pressureTest{clock: startWatch(s), points: s.Points, gauge: -1}
	j.target, _ = limit(s.Step, "target")
	j.ceiling, _ = limit(s.Step, "ceiling")
	if j.ceiling.Value <= 0 {
		j.ceiling = Setting{Value: float64(j.target.Value * highRatio), Source: practice + ": 10 % above the target"}
	}
	lasts, _ := limit(s.Step, "lasts")
	j.lasts = asTime(lasts.Value)
	j.fine = min(max(j.lasts/240, 5*time.Second), time.Minute).Truncate(time.Second)
	for i, p := range s.Points {
		if p.Role == "test-pressure" && j.gauge < 0 {
			j.gauge = i
		}
	}
	if j.gauge >= 0 {
		j.fine = max(j.fine, j.points[j.gauge].Every)
	}
	j.width = j.fine
	return j
}

func (j *pressureTest) Next(e Entry) []Finding {
	_, restarted := j.clock.hear(e)
	switch b := e.Body.(type) {
	case *Measured:
		if b.Health.Usable() && e.place < len(j.points) && !math.IsNaN(b.Value) && !math.IsInf(b.Value, 0) {
			return j.read(e.place, sample{j.clock.of(b.Taken), b.Value})
		}
	case *Started:
		if restarted && j.clock.unknown && j.result == "" {
			return []Finding{j.verdict(NotProven, "gap", pressGap(true))}
		}
	case *Due:
		return j.passed()
	case *Told:
		if b.Kind == "end" && b.Name == "pressure-test" {
			return j.over()
		}
	}
	return nil
}

// read takes a reading into its bins; only the gauge's is judged.
func (j *pressureTest) read(place int, s sample) []Finding {
	if s.t < 0 || s.t > j.clock.newest+time.Hour {
		return nil
	}
	for s.t/j.width >= pressBinsMost {
		j.width *= 2
		j.bins = joined(j.bins)
	}
	j.bins = j.gather(j.bins, j.width, place, s)
	if keep := int64((j.clock.newest - 16*time.Minute) / j.fine); int64(s.t/j.fine) >= keep {
		j.recent = j.gather(j.recent, j.fine, place, s)
		for len(j.recent) > 0 && j.recent[0].n < keep {
			j.recent = j.recent[1:]
		}
	}
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
	j.last3 = [3]float64{j.last3[1], j.last3[2], s.v}
	out := j.tooHigh(s)
	if j.level() < j.refPa-20e3 || fresh {
		out = append(out, j.fastDrop(s.t)...)
	}
	if every := max(j.width, s.t/64); s.t-j.looked >= every || s.t >= j.ends() && j.result == "" {
		j.look(s.t)
		out = append(out, j.decide(s.t)...)
	}
	return out
}

func (j *pressureTest) gather(bins []pressBin, width time.Duration, place int, s sample) []pressBin {
	n := int64(s.t / width)
	i := len(bins)
	for i > 0 && bins[i-1].n > n {
		i--
	}
	if i == 0 || bins[i-1].n < n {
		k := len(j.points)
		both := make([]float64, 2*k)
		bins = slices.Insert(bins, i, pressBin{n: n, sum: both[:k:k], num: both[k:]})
		i++
	}
	bins[i-1].sum[place] += s.v
	bins[i-1].num[place]++
	return bins
}

// joined are bins of twice the width.
func joined(bins []pressBin) (wide []pressBin) {
	for _, b := range bins {
		b.n /= 2
		if k := len(wide); k > 0 && wide[k-1].n == b.n {
			for i := range b.sum {
				wide[k-1].sum[i] += b.sum[i]
				wide[k-1].num[i] += b.num[i]
			}
			continue
		}
		wide = append(wide, b)
	}
	return wide
}

// fill takes what came late out of the gaps.
func (j *pressureTest) fill(t time.Duration) {
	for i, g := range j.gaps {
		if g.from >= t || t >= g.to {
			continue
		}
		j.gaps = slices.Delete(j.gaps, i, i+1)
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

func (j *pressureTest) bridge() time.Duration  { return max(bridged, j.every()*3/2) }
func (j *pressureTest) gapMost() time.Duration { return max(gapMost, j.every()*3) }

// broken reports whether there was a gap too long, or one of unknown length.
func (j *pressureTest) broken() bool {
	long := func(g stretch) bool { return g.to-g.from > j.gapMost() }
	return j.clock.unknown || slices.ContainsFunc(j.gaps, long) || j.clock.newest-j.last >= j.gapMost() && j.last < j.ends()
}

// ends is when the test is over: later for every gap that was not bridged.
func (j *pressureTest) ends() time.Duration {
	end := j.lasts
	for _, g := range j.gaps {
		if d := g.to - g.from; d <= j.gapMost() {
			end += d
		}
	}
	return end
}

// state is the pipe over bins of a time from (included) to (not).
func (j *pressureTest) state(bins []pressBin, width, from, to time.Duration) (s pressState) {
	sum, num := make([]float64, len(j.points)), make([]float64, len(j.points))
	tS, n := 0.0, 0.0
	for _, b := range bins {
		mid := time.Duration(b.n)*width + width/2
		if mid < from || mid >= to {
			continue
		}
		for i := range b.sum {
			sum[i], num[i] = sum[i]+b.sum[i], num[i]+b.num[i]
		}
		if j.gauge >= 0 && b.num[j.gauge] > 0 {
			tS, n = tS+mid.Seconds(), n+1
		}
	}
	if j.gauge < 0 || n == 0 {
		return s
	}
	s.ok, s.t = true, asTime(tS/n)
	s.hold = physics.Hold{GaugePa: sum[j.gauge] / num[j.gauge], TempC: 20, AtmospherePa: physics.AtmospherePa}
	var pipes, volumes, air []float64
	for i, p := range j.points {
		if num[i] == 0 {
			sum[i], num[i] = nearest(j.bins, j.width, i, s.t) // a slow instrument's value stands
		}
		if num[i] == 0 {
			continue
		}
		v := sum[i] / num[i]
		switch {
		case p.Role == "pipe-air" && v > -90 && v < 150:
			pipes, volumes = append(pipes, v), append(volumes, 1)
		case p.Role == "outdoor-air" && v > -90 && v < 90:
			air = append(air, v)
		case p.Role == "barometer" && v > 50e3 && v < 120e3:
			s.hold.AtmospherePa, s.baro = v, true
		}
	}
	s.outC = math.NaN()
	if len(air) > 0 {
		s.outC, s.hold.TempC, s.source = air[0], air[0], 'o'
	}
	if len(pipes) > 0 {
		s.hold.TempC, s.source = physics.MeanGasC(pipes, volumes), 'p'
	}
	return s
}

// nearest are the sums of the bin nearest a time that has a point's readings, within half an hour.
func nearest(bins []pressBin, width time.Duration, place int, t time.Duration) (sum, num float64) {
	best := settleFor + width
	for _, b := range bins {
		if d := (time.Duration(b.n)*width + width/2 - t).Abs(); b.num[place] > 0 && d < best {
			best, sum, num = d, b.sum[place], b.num[place]
		}
	}
	return sum, num
}

// level is the middle one of the gauge's last three readings.
func (j *pressureTest) level() float64 {
	s := j.last3
	slices.Sort(s[:])
	return s[1]
}

// change is what the gauge shows at b more than the same gas would since a,
// and its doubt: one standard uncertainty, and the temperature's part of it.
func (a pressState) change(b pressState) (changePa, doubtPa, tempPa float64) {
	perK := physics.NitrogenPaPerK(max(a.hold.GaugePa+a.hold.AtmospherePa, 1e4), a.hold.TempC)
	kelvin, weather := pipeDoubtK, barometerPa
	switch {
	case a.source != b.source || b.source == 0:
		kelvin, b.hold.TempC = noTempDoubtK, a.hold.TempC
	case b.source == 'o':
		kelvin = airDoubtK
	}
	if !a.baro || !b.baro {
		weather, b.hold.AtmospherePa = noBarometerPa, a.hold.AtmospherePa
	}
	swing := math.Abs(b.hold.TempC - a.hold.TempC)
	tempPa = float64(kelvin * perK)
	drift := stabilityPa + float64(stabilityPaPerK*max(0, swing-stableK))
	changePa = b.hold.GaugePa - a.hold.ExpectedGaugePa(b.hold.TempC, b.hold.AtmospherePa)
	return math.Round(changePa), // what is less is the machine's rounding
		physics.Doubt(tempPa, drift, resolutionPa, weather), tempPa
}

// averaged is over how long the beginning and the end are averaged.
func (j *pressureTest) averaged() time.Duration { return max(min(10*time.Minute, j.lasts/24), j.fine) }

// settle finds where the comparison begins: the pressure, compensated, moves
// by less than two standard uncertainties an hour, or the time for it is over.
func (j *pressureTest) settle(t time.Duration) {
	window := min(settleFor, j.lasts/4)
	if j.start != nil || t < window {
		return
	}
	a := j.state(j.bins, j.width, t-window, t-window+j.averaged()+j.width)
	b := j.state(j.bins, j.width, t-j.averaged(), t+j.width)
	if !a.ok || !b.ok || b.t <= a.t {
		return
	}
	change, doubt, _ := a.change(b)
	if hours := (b.t - a.t).Hours(); math.Abs(change) < float64(2*doubt*hours) || t-window >= min(settleMost, j.lasts/4) {
		j.start = &a
	}
}

// look takes a view of the readings up to a moment of the test.
func (j *pressureTest) look(t time.Duration) {
	j.looked = t
	j.settle(t)
	j.view = pressView{}
	end := j.state(j.recent, j.fine, t-j.averaged(), t+j.fine)
	if end.ok {
		j.bestPa = max(j.bestPa, end.hold.GaugePa)
	}
	if j.start == nil || !end.ok || end.t <= j.start.t {
		return
	}
	v := pressView{ok: true, t: t, end: end}
	v.changePa, v.doubtPa, v.tempPa = j.start.change(end)
	v.follow(j)
	j.view = v
}

// follow looks at the way from the start to now, in twelve parts.
func (v *pressView) follow(j *pressureTest) {
	const parts = 12
	part := (v.t - j.start.t) / parts
	var tS, pPa, tempC []float64
	for i := range parts {
		from := j.start.t + part*time.Duration(i)
		if s := j.state(j.bins, j.width, from, from+max(part, j.width)); s.ok {
			change, _, _ := j.start.change(s)
			tS, pPa, tempC = append(tS, s.t.Seconds()), append(pPa, change), append(tempC, s.hold.TempC)
		}
	}
	n := len(tS)
	if n < 6 || tS[n-1] <= tS[0] {
		return
	}
	_, v.slopePaPerS = lineAt(tS, pPa, v.t.Seconds())
	_, v.recentPaPerS = lineAt(tS[n-4:], pPa[n-4:], v.t.Seconds())
	mid, _ := lineAt(tS, pPa, 0)
	sum, stt, deepest := 0.0, 0.0, 0.0
	v.monotone = true
	for i := range tS {
		r := pPa[i] - mid - float64(v.slopePaPerS*tS[i])
		sum += float64(r * r)
		d := tS[i] - (tS[0]+tS[n-1])/2
		stt += float64(d * d)
		if i > 0 {
			fall := pPa[i-1] - pPa[i]
			deepest = max(deepest, fall)
			v.monotone = v.monotone && fall > -0.35*v.doubtPa
		}
	}
	v.slopeSe = 2 * math.Sqrt(sum/float64(n)/stt) // doubled: neighbours are alike
	v.step = v.changePa < 0 && n > 2 && deepest > -0.6*v.changePa
	first, last := rate(tS[:2], tempC[:2]), rate(tS[n-2:], tempC[n-2:])
	perK := v.tempPa / pipeDoubtK
	lag := math.Abs(last-first) * gasLag * perK
	v.sun = lag > v.doubtPa
	v.doubtPa = physics.Doubt(v.doubtPa, lag)
}

func rate(tS, v []float64) float64 { return (v[1] - v[0]) / max(tS[1]-tS[0], 1) }

// fastDrop calls somebody when the pressure falls as no small leak does. What
// a fresh fill loses while it cools slows down as it goes, and calls nobody.
func (j *pressureTest) fastDrop(t time.Duration) []Finding {
	j.refPa = j.level()
	ago := j.state(j.recent, j.fine, t-fastOver-j.fine, t-fastOver+j.fine)
	half := j.state(j.recent, j.fine, t-fastOver/2-j.fine, t-fastOver/2+j.fine)
	now := j.state(j.recent, j.fine, t-2*j.fine, t+j.fine)
	if !ago.ok && len(j.recent) > 0 && t < fastOver {
		ago = j.state(j.recent, j.fine, 0, 2*j.fine)
	}
	if !ago.ok || !now.ok || j.last3[0] == 0 {
		return nil
	}
	now.hold.GaugePa = j.level()
	change, _, _ := ago.change(now)
	if change > -fastDropPa || j.falling == Wake {
		return nil
	}
	if j.start == nil && t < settleMost+settleFor && change > -0.1*(ago.hold.GaugePa+ago.hold.AtmospherePa) {
		if !half.ok || t < fastOver {
			return nil
		}
		if early, _, _ := ago.change(half); change-early > early {
			return nil
		}
	}
	urgency, text := Wake, pressFast(-change, now.hold.GaugePa)
	if j.result == Passed { // what is proved is vented next: nobody is woken for that
		if j.raised {
			return nil
		}
		urgency, text = Tell, pressVented(-change, now.hold.GaugePa)
	}
	j.raised, j.falling, j.isCalm = true, urgency, false
	return []Finding{j.flag("pressure-falling", urgency, text, change)}
}

func (j *pressureTest) tooHigh(s sample) []Finding {
	switch p := j.level(); {
	case j.last3[0] == 0:
	case !j.high && p > j.ceiling.Value:
		j.high = true
		return []Finding{j.flag("pressure-too-high", Wake, pressHigh(p, j.ceiling), math.NaN())}
	case j.high && p < 0.99*j.ceiling.Value:
		j.high = false
		return []Finding{{Edge: Cleared, Flag: "pressure-too-high", Text: pressLower(p, j.ceiling)}}
	}
	return nil
}

// decide raises and clears the flag and gives the verdict, as the view is now.
func (j *pressureTest) decide(t time.Duration) []Finding {
	out := j.project(t)
	switch {
	case j.result == Passed || j.result == NotPassed:
	case !j.heard && j.broken():
		return append(out, j.give(NotProven, "gauge", pressNoGauge())...)
	case j.broken():
		return append(out, j.give(NotProven, "gap", pressGap(j.clock.unknown))...)
	case t >= j.ends():
		return append(out, j.final()...)
	}
	return out
}

func (j *pressureTest) project(t time.Duration) []Finding {
	v := j.view
	high := v.slopePaPerS + float64(1.645*v.slopeSe)
	left := max(0, j.ends()-t).Seconds()
	surely := v.ok && j.result == "" && !v.step && v.monotone && high < 0 && v.changePa < -tellDoubts*v.doubtPa &&
		v.changePa+float64(high*left) < -3*v.doubtPa && v.recentPaPerS < 0.4*v.slopePaPerS
	if surely && !j.isSurely {
		j.surely = t
	}
	j.isSurely = surely
	still := v.ok && v.recentPaPerS > -2*v.doubtPa/3600 && (j.falling == Wake || v.changePa > -v.doubtPa)
	switch {
	case surely && !j.raised && t-j.surely >= min(fastOver, j.lasts/24):
		j.raised, j.falling, j.isCalm = true, Tell, false
		return []Finding{j.flag("pressure-falling", Tell, pressFalls(v, j.ends()), v.changePa)}
	case !j.raised || surely || !still || j.result == NotPassed:
		j.isCalm = false
	case !j.isCalm:
		j.calm, j.isCalm = t, true
	case t-j.calm >= settleFor:
		j.raised, j.falling, j.isCalm = false, Note, false
		return []Finding{{Edge: Cleared, Flag: "pressure-falling", Text: pressStill(j.level())}}
	}
	return nil
}

// final is the verdict once the test has lasted; one not proven is looked at again until the end.
func (j *pressureTest) final() []Finding {
	v := j.view
	if !v.ok {
		return j.give(NotProven, "settling", pressNothing())
	}
	emptied := v.end.hold.GaugePa < j.start.hold.GaugePa/2
	switch tolerance := 2 * v.doubtPa; {
	case v.end.source == 0 || v.end.source != j.start.source:
		return j.give(NotProven, "temperature", pressNoTemp(v))
	case math.Abs(v.changePa) <= tolerance && j.bestPa < heldRatio*j.target.Value:
		return j.give(NotProven, "unknown", pressLow(j.bestPa, j.target))
	case math.Abs(v.changePa) <= tolerance:
		return j.give(Passed, "none", pressPassed(v, j.spanS(), j.target))
	case v.changePa < -1.5*tolerance && (v.monotone && !v.step || emptied):
		return j.give(NotPassed, "leak", pressFailed(v, j.spanS()))
	case v.sun:
		return j.give(NotProven, "temperature", pressSun(v))
	case v.changePa > 0:
		return j.give(NotProven, "unknown", pressRises(v))
	case v.step:
		return j.give(NotProven, "unknown", pressStep(v))
	}
	return j.give(NotProven, "unknown", pressClose(v))
}

func (j *pressureTest) spanS() float64 { return max((j.view.end.t - j.start.t).Seconds(), 1) }

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

// over is the end mark: a test ended early has no verdict but this.
func (j *pressureTest) over() []Finding {
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
		values = append(values, Value{"start_pa", j.start.hold.GaugePa}, Value{"end_pa", v.end.hold.GaugePa},
			Value{"compensated_change_pa", v.changePa}, Value{"tolerance_pa", 2 * v.doubtPa},
			Value{"detectable_pa_per_s", 2 * v.doubtPa / j.spanS()})
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
	due := j.last + j.gapMost()
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
		o.Figure, o.HasFig = Num(j.last3[2]), true
		o.FigAt = Instant{at.Boot, j.clock.when(j.last)}
	}
	if j.raised || j.result == Passed || j.result == NotPassed {
		o.Sure = "sure"
	}
	o.Sentence = pressStands(o, j)
	return o
}
