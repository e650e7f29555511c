package rules

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"standwatch/rules/physics"
)

// TrialRun judges the full cooling run of the whole system.
var TrialRun = Rule{
	Name:  "trial-run",
	Doc:   "Judges the trial run: superheat by dew and subcooling by bubble temperature, the discharge, what the liquid line loses on its way, the drain pan and the unit's own fault codes, and gives the step's verdict.",
	Steps: []string{"trial-run"},
	Flags: []string{"superheat-off", "subcooling-off", "line-heat-loss"},
	Roles: []string{"suction-line", "suction-pressure", "liquid-line", "liquid-pressure", "discharge-line", "drain", "barometer", "outdoor-air"},
	Begin: beginTrialRun,
}

// What the judge goes by, besides its settings.
const (
	runsK         = 8.0              // condensing and evaporating so far apart: a compressor runs (full cooling parts them by 25 K and more; from memory)
	restsK        = 3.0              // nearer than this it stands: two transducers at one pressure (1 % each)
	tripSlots     = 6                // 3 min of standing still after it ran
	restAlikeK    = 1.0              // at rest all clamps and the air lie within this
	absoluteOdds  = 50               // of one hundred gauges two show absolute pressure (our choice)
	gapEnds       = 10 * time.Minute // a longer gap begins the count anew (the contract)
	newResult     = 10 * time.Minute // so long must another result stand to replace the first
	weatherPa     = 3e3              // what the air pressure at one place may be off the standard one (from memory)
	headOverK     = 20.0             // condensing so far above the outdoor air is high: 8 to 17 K is usual (from memory)
	oddSuperheatK = 25.0             // more is rarely the refrigerant's doing (common practice): the instruments first
	absurdTimes   = 2.0              // of its doubt below nought: no superheat is
)

// aim is what a figure should lie between.
type aim struct{ least, most Setting }

type trialRun struct {
	step      Step
	clock     watch
	fluid     *physics.Refrigerant // nil: the site file names none there is a table for
	aims      struct{ superheat, subcooling aim }
	mostC     Setting // of the discharge
	lossK     Setting
	clampK    Setting
	pressure  Setting // a transducer's error, of its reading
	settle    time.Duration
	lasts     time.Duration
	tracks    []*track // as the points of Start
	lines     lines
	pans      []*pan // as the points of Start; nil: none
	barometer *track
	air       *track
	airPa     float64 // of the atmosphere, last looked up
	airKnown  bool
	units     []Unit
	asked     map[string]string
	charging  bool          // a weigh-in is under way
	changed   time.Duration // when the charge may last have changed, or the box came back
	runs      bool          // as far as it is known
	ran       bool          // at some time in this step
	runFrom   time.Duration // since when it runs, or has stood
	runSlot   int64         // looked at
	still     int           // slots of standing still
	behind    int           // slots in which it would condense colder than it evaporates
	overAtm   float64       // by so much the pressure stood above saturation at rest, in atmospheres; 0: it did not
	restC     float64       // at this temperature
	absolute  bool          // as gauges do that show absolute pressure
	looked    bool          // at the first readings
	countFrom time.Duration // a long gap began the count anew
	gapOf     string        // and whose it was
	codes     []string      // the unit's own, not yet cleared
	own       string        // the unit's own result as entered
	ownBad    bool
	result    string // given
	cause     string
	other     lasting // another result stands
	otherIs   string
	nextDue   time.Duration // of the step; 0: none
}

func beginTrialRun(s Start) Judge {
	j := &trialRun{step: s.Step, clock: startWatch(s), units: s.Units, asked: s.Commands, runs: true, airPa: physics.AtmospherePa}
	if s.Plant.Refrigerant != "" {
		j.fluid, _ = physics.RefrigerantNamed(s.Plant.Refrigerant) // the site file's check refuses others
	}
	set := func(key string) Setting { v, _ := limit(s.Step, key); return v }
	j.aims.superheat = aim{set("least-superheat"), set("most-superheat")}
	j.aims.subcooling = aim{set("least-subcooling"), set("most-subcooling")}
	j.mostC, j.lossK, j.clampK, j.pressure = set("most-discharge"), set("line-loss"), set("clamp-error"), set("pressure-error")
	j.lasts, j.settle = asTime(set("lasts").Value), asTime(set("settle").Value)
	if !set("settle").Given { // a shorter run is the job's own wish
		j.settle = min(j.settle, max(0, j.lasts-viewLeast*slotLasts))
	}
	j.charging = slices.ContainsFunc(s.Running, func(r Step) bool { return isWeighing(r.Name) })
	for _, p := range s.Points {
		k := &track{point: p}
		j.tracks = append(j.tracks, k)
		var drain *pan
		switch p.Role {
		case "drain":
			drain = newPan(p)
		case "barometer":
			j.barometer = k
		case "outdoor-air":
			j.air = cmp.Or(j.air, k)
		}
		j.pans = append(j.pans, drain)
	}
	j.lines = mating{j.fluid, func() float64 { return j.airPa }, s.Plant.Outdoor, s.Units, j.tracks}.lines()
	j.nextDue = j.lasts
	return j
}

func (j *trialRun) Next(e Entry) (out []Finding) {
	gap, restarted := j.clock.hear(e)
	if restarted {
		if b := e.Body.(*Started); !b.GapKnown || gap > gapEnds {
			j.countFrom, j.changed, j.gapOf = j.clock.newest, j.clock.newest, "the box"
		}
		return nil
	}
	switch b := e.Body.(type) {
	case *Measured:
		if b.Health.Usable() {
			return j.read(e.place, sample{j.clock.of(b.Taken), b.Value}, j.clock.of(e.At.Since))
		}
	case *Told:
		return j.told(b)
	case *Due:
		j.nextDue = 0
		return j.decide(j.clock.of(e.At.Since), false)
	}
	return nil
}

func (j *trialRun) told(b *Told) []Finding {
	switch {
	case b.Kind == "end" && b.Name == j.step.Name:
		return j.decide(j.clock.newest, true)
	case (b.Kind == "begin" || b.Kind == "end") && isWeighing(b.Name):
		j.charging, j.changed = b.Kind == "begin", j.clock.newest
	case b.Kind == "command" && slices.ContainsFunc(j.units, func(u Unit) bool { return u.Name == b.Name }):
		j.asked[b.Name] = b.Note
	case b.Kind == "mark" && b.Name == "fault-code":
		j.fault(b.Note)
		return j.revise()
	case b.Kind == "mark" && b.Name == "checked":
		j.ownResult(b.Note)
		return j.revise()
	}
	return nil
}

// fault takes a code that the unit shows. A note that says nothing but that
// there is none takes all back; one that says cleared, and names nothing but
// what was noted, takes that one back. Anything else is a code: "U4 no
// communication with unit 3" clears nothing.
func (j *trialRun) fault(note string) {
	note = strings.TrimSpace(note)
	words := strings.FieldsFunc(strings.ToLower(note), func(r rune) bool { return strings.ContainsRune(" ,;:.", r) })
	one := func(list ...string) func(string) bool { return func(w string) bool { return slices.Contains(list, w) } }
	clears := slices.ContainsFunc(words, one("none", "cleared", "clear", "gone", "reset"))
	rest := slices.DeleteFunc(slices.Clone(words), one("none", "no", "cleared", "clear", "gone", "reset", "all", "any", "more", "now", "is", "are",
		"fault", "faults", "code", "codes", "error", "errors"))
	stored := strings.ToLower(" " + strings.Join(j.codes, " ") + " ")
	named := func(code string) bool {
		return slices.Contains(words, strings.ToLower(strings.Fields(code + " -")[0]))
	}
	switch {
	case len(words) == 0 || slices.Contains(j.codes, note):
	case len(rest) == 0 && (clears || slices.Contains(words, "no")):
		j.codes = nil
	case clears && (len(words) == 2 || !slices.ContainsFunc(rest, func(w string) bool { return !strings.Contains(stored, " "+w+" ") })):
		j.codes = slices.DeleteFunc(j.codes, named)
	default:
		j.codes = append(j.codes, note)
	}
}

// ownResult takes what the unit's own trial run said: a check whose note begins
// with the step's name, and then with how it ended.
func (j *trialRun) ownResult(note string) {
	_, step, rest, ok := CutStep(note)
	if !ok || step != j.step.Name {
		if rest, ok = strings.CutPrefix(strings.ToLower(strings.TrimSpace(note)), "trial run"); !ok {
			return
		}
	}
	j.own = strings.Trim(rest, " :,;.")
	first, _, _ := strings.Cut(strings.ToLower(j.own), " ")
	j.ownBad = slices.Contains([]string{"failed", "fail", "abnormal", "error", "fault", "ng", "incomplete", "aborted", "stopped", "not"}, strings.Trim(first, ":,;."))
}

func (j *trialRun) read(place int, s sample, now time.Duration) (out []Finding) {
	k := j.tracks[place]
	if p := j.pans[place]; p != nil {
		p.read(s.v, max(now, 0))
		return nil
	}
	before := k.last
	if k.add(s) > k.stands() && s.t > j.settle {
		j.gap(k, max(before, j.settle), s.t)
	}
	j.atBegin()
	further := false
	if p := j.lines.parted; p != nil && (p.a == k || p.b == k) && p.advance() {
		j.running(p)
		further = j.tripped() || j.exchanged()
	}
	for _, ps := range [...][]*pair{j.lines.superheat, j.lines.subcooling, j.lines.loss} {
		for _, p := range ps {
			if (p.a == k || p.b == k) && p.advance() {
				further = true
				out = append(out, j.look(p)...)
			}
		}
	}
	if further {
		out = append(out, j.decide(now, false)...)
	}
	return out
}

// gap is a time in which a point that is judged gave nothing. A long one begins
// the count anew; a shorter one makes the run longer.
func (j *trialRun) gap(k *track, from, to time.Duration) {
	if !j.needed(k) || j.result != "" && j.cause != "gap" {
		return
	}
	switch long := to - from; {
	case long > max(gapEnds, k.stands()):
		j.countFrom, j.gapOf = to, k.point.Name
		for _, x := range j.tracks {
			x.gaps = 0
		}
	case long > k.stands():
		k.gaps += long
	}
}

// needed reports whether a point is one that superheat or subcooling is judged by.
func (j *trialRun) needed(k *track) bool {
	of := func(p *pair) bool { return p.a == k || p.b == k }
	return slices.ContainsFunc(j.lines.superheat, of) || slices.ContainsFunc(j.lines.subcooling, of)
}

// due is when the run will have lasted.
func (j *trialRun) due() time.Duration {
	var more time.Duration
	for _, k := range j.tracks {
		if j.needed(k) {
			more = max(more, k.gaps)
		}
	}
	return j.countFrom + j.lasts + more
}

// atmosphere looks up the air pressure: the barometer's, where one is heard.
func (j *trialRun) atmosphere(slot int64) {
	j.airKnown = false
	if k := j.barometer; k != nil && k.heard {
		pa := k.at(slot)
		if math.IsNaN(pa) {
			pa = k.at(int64(k.last / slotLasts)) // the weather moves slowly
		}
		if pa > 50e3 && pa < 120e3 {
			j.airPa, j.airKnown = pa, true
			return
		}
	}
	if !j.airKnown {
		j.airPa = physics.AtmospherePa
	}
}

// from is the first slot in which the system may have come to rest in its run.
func (j *trialRun) from() int64 {
	return int64((max(j.runFrom, j.changed) + j.settle + slotLasts - 1) / slotLasts)
}

// look looks at a pair whose slots have come forward, and raises its flag or clears it.
func (j *trialRun) look(p *pair) []Finding {
	j.atmosphere(p.front - 1)
	p.view = view{}
	if !j.runs || p.front <= j.from() {
		p.off, p.good = lasting{}, lasting{}
		return nil
	}
	v := p.look(j.from())
	v.uK = j.doubt(p, v)
	p.view = v
	now := time.Duration(p.front) * slotLasts
	kind := j.kind(p)
	beyond := j.beyond(p)
	settled := v.ok && v.slots >= viewOver && (v.steady || j.allBeyond(p)) && !j.absurd(p)
	off := p.off.by(now, settled && !j.charging && beyond > v.uK/2, 0)
	good := p.good.by(now, v.ok && beyond <= 0, viewOver*slotLasts)
	flag, words := kind.flag, trialPart{kind.name, p.place, v, j.aimOf(p), beyond > v.uK}
	switch {
	case off && !p.up:
		p.up = true
		return []Finding{{Edge: Raised, Flag: flag, Subject: p.subject(), Urgency: Tell,
			Points: []string{p.a.point.Name, p.b.point.Name}, Text: trialIsOff(words, j.hint(p)), Values: j.values(p)}}
	case good && p.up:
		p.up = false
		return []Finding{{Edge: Cleared, Flag: flag, Subject: p.subject(), Text: trialIsGood(words)}}
	}
	return nil
}

func (p *pair) subject() string {
	if p.place == p.b.point.Name { // liquid far away
		return p.place
	}
	return p.a.point.Name
}

// kind says what a pair is.
type kind struct{ name, flag, key string }

func (j *trialRun) kind(p *pair) kind {
	switch {
	case slices.Contains(j.lines.superheat, p):
		return kind{"superheat", "superheat-off", "superheat"}
	case slices.Contains(j.lines.subcooling, p):
		return kind{"subcooling", "subcooling-off", "subcooling"}
	}
	return kind{"line loss", "line-heat-loss", "line_loss"}
}

func (j *trialRun) aimOf(p *pair) aim {
	switch j.kind(p).name {
	case "superheat":
		return j.aims.superheat
	case "subcooling":
		return j.aims.subcooling
	}
	warmer := j.lossK
	warmer.Value = -warmer.Value
	return aim{warmer, j.lossK}
}

// beyond is how far a pair lies outside its limits; below nought: inside, by so much.
func (j *trialRun) beyond(p *pair) float64 {
	a := j.aimOf(p)
	return max(a.least.Value-p.view.k, p.view.k-a.most.Value)
}

// allBeyond reports whether a pair that is not steady lay outside its limits all
// the while, and is not on its way back.
func (j *trialRun) allBeyond(p *pair) bool {
	a, v := j.aimOf(p), p.view
	u := float64(v.uK / 2)
	return v.lowK > a.most.Value+u && v.lastK+min(v.driftK, 0) > a.most.Value+u ||
		v.highK < a.least.Value-u && v.lastK+max(v.driftK, 0) < a.least.Value-u
}

// absurd reports whether a figure cannot be: no line is colder than what boils
// in it, and no liquid warmer than what condenses, beyond all doubt.
func (j *trialRun) absurd(p *pair) bool {
	return p.view.ok && j.kind(p).key != "line_loss" && p.view.k < -absurdTimes*p.view.uK
}

// doubt is a figure's, of its clamps and its transducer.
func (j *trialRun) doubt(p *pair, v view) float64 {
	clamp := j.clampK.Value
	if j.kind(p).key == "line_loss" {
		return math.Sqrt2 * clamp
	}
	air := 0.0
	if !j.airKnown {
		air = weatherPa
	}
	pa := hypot(j.pressure.Value*math.Abs(v.b), air)
	byPressure := math.Abs(p.of(v.a, v.b+pa)-p.of(v.a, v.b-pa)) / 2
	if math.IsNaN(byPressure) {
		byPressure = 0
	}
	return hypot(clamp, byPressure)
}

// running follows whether the compressor runs: it parts the pressures.
func (j *trialRun) running(p *pair) {
	j.atmosphere(p.front - 1)
	for s := max(j.runSlot, p.front-slotsKept+1, 0); s < p.front; s++ {
		k, at := p.value(s), time.Duration(s)*slotLasts
		switch {
		case k >= runsK:
			if !j.runs {
				j.runs, j.runFrom = true, at
			}
			j.ran, j.still, j.behind = true, 0, 0
		case k <= -runsK:
			j.behind++
		case k < restsK:
			j.still++
			if j.runs && (j.still >= 2 || !j.ran) {
				j.runs, j.runFrom = false, at
			}
			j.atRest(func(k *track) float64 { return k.at(s) })
		}
	}
	j.runSlot = p.front
}

// tripped reports whether the compressor ran and has stood still for a while:
// worth saying before the run has lasted.
func (j *trialRun) tripped() bool { return j.ran && !j.runs && j.still >= tripSlots }

// exchanged reports whether the two gauges have stood the wrong way round for a
// while: nothing boils hotter than it condenses.
func (j *trialRun) exchanged() bool { return j.behind >= tripSlots }

// atBegin looks at the first readings of all that matters, once they are in: a
// compressor may start a few seconds after the begin.
func (j *trialRun) atBegin() {
	p := j.lines.parted
	if j.looked || p == nil || j.fluid == nil {
		return
	}
	var from, to time.Duration
	for i, k := range j.tracks {
		if !k.heard {
			return
		}
		if i == 0 || k.first.t < from {
			from = k.first.t
		}
		to = max(to, k.first.t)
	}
	j.looked = true
	first := func(k *track) float64 { return k.first.v }
	j.atmosphere(0)
	if to-from <= slotLasts && p.of(first(p.a), first(p.b)) < restsK {
		j.atRest(first)
	}
}

// atRest holds the pressure of a system that stands against what its refrigerant
// has at the temperature all around it. It cannot stand higher for long where
// there is liquid anywhere: the coldest place draws it (a check of the trade's for
// air in a system; common practice). Gauges that show absolute pressure stand one
// atmosphere above it; they are one in fifty, before anything was read.
func (j *trialRun) atRest(of func(*track) float64) {
	var cs []float64
	sum := 0.0
	for _, k := range j.tracks {
		switch k.point.Role {
		case "outdoor-air", "suction-line", "liquid-line", "discharge-line":
			cs = append(cs, of(k))
			sum += of(k)
		}
	}
	if len(cs) < 2 || math.IsNaN(sum) || slices.Max(cs)-slices.Min(cs) > restAlikeK {
		return
	}
	c := sum / float64(len(cs))
	sat, err := j.fluid.AtTemperature(c)
	warmer, err2 := j.fluid.AtTemperature(c + j.clampK.Value)
	if err != nil || err2 != nil {
		return
	}
	// A blend stands at its bubble pressure where the liquid is, and at its dew pressure at the least.
	liquidPa, suctionPa := of(j.lines.parted.a), of(j.lines.parted.b)
	over := (liquidPa + j.airPa - sat.BubblePa) / j.airPa
	doubt := hypot(warmer.BubblePa-sat.BubblePa, j.pressure.Value*math.Abs(liquidPa)) / j.airPa
	doubt /= math.Sqrt2 // half of it is a standard deviation, and as much again is for liquid in a place somewhat warmer
	if !(over > 0.5 && (suctionPa+j.airPa-sat.DewPa)/j.airPa > 0.5) {
		return
	}
	j.overAtm, j.restC = over, c
	j.absolute = over > 0.5+float64(float64(doubt*doubt)*math.Log(absoluteOdds)) && over < 1+float64(2*doubt)
}

// worst is the pair that lies furthest outside its limits, or nearest to them.
func (j *trialRun) worst(ps []*pair) (w *pair) {
	for _, p := range ps {
		if p.view.ok && (w == nil || j.beyond(p) > j.beyond(w)) {
			w = p
		}
	}
	return w
}

// hint says what else a figure outside its limits may come from.
func (j *trialRun) hint(p *pair) string {
	v := p.view
	switch j.kind(p).name {
	case "superheat":
		if other := p.of(v.a, v.b-j.airPa); other >= j.aims.superheat.least.Value && v.k < j.aims.superheat.least.Value {
			return trialIfAbsolute(other)
		}
		if v.k > oddSuperheatK {
			return trialOddSuperheat
		}
	case "line loss":
		if sc := j.worst(j.lines.subcooling); sc != nil && v.k > sc.view.k {
			return trialMayFlash(sc.view.k)
		}
	}
	return ""
}

func (j *trialRun) values(p *pair) []Value {
	k, v, a := j.kind(p), p.view, j.aimOf(p)
	vs := []Value{{k.key + "_k", v.k}, {k.key + "_doubt_k", v.uK}}
	switch k.name {
	case "superheat":
		vs = append(vs, Value{"suction_c", v.a}, Value{"dew_c", v.a - v.k}, Value{"suction_pa", v.b})
	case "subcooling":
		vs = append(vs, Value{"liquid_c", v.a}, Value{"bubble_c", v.a + v.k}, Value{"liquid_pa", v.b})
	default:
		return append(vs, Value{"line_loss_limit_k", a.most.Value})
	}
	return append(vs, Value{"least_" + k.key + "_k", a.least.Value}, Value{"most_" + k.key + "_k", a.most.Value})
}

// discharge is the hottest discharge line's level over the last minutes.
func (j *trialRun) discharge(now time.Duration) (hottest *track, c float64) {
	slot := int64(now / slotLasts)
	for _, k := range j.tracks {
		if k.point.Role != "discharge-line" || k.stale(now) {
			continue
		}
		if x := k.level(slot-viewLeast, slot); hottest == nil || x > c {
			hottest, c = k, x
		}
	}
	return hottest, c
}

// Due is when the verdict is to be given.
func (j *trialRun) Due() (time.Duration, bool) { return j.clock.when(j.nextDue), j.nextDue > 0 }
