package rules

import (
	"time"

	"standwatch/sensors"
)

// MixedRun judges a heat recovery system that heats some rooms and cools others.
var MixedRun = Rule{
	Name:  "mixed-run",
	Doc:   "Judges the mixed run: half the units heat while the other half cool, then exchanged; each does what it is asked, not much weaker than alone.",
	Steps: []string{"mixed-run"},
	Roles: []string{"supply-air", "return-air", "return-wet-bulb", "return-humidity", "barometer"},
	Begin: beginMixedRun,
}

const (
	mixedSlack   = time.Minute     // by which a half may be short: commands are given one after another
	phaseGathers = 5 * time.Minute // commands given within these belong to one half
)

type mixedRun struct {
	step   Step
	clock  watch
	air    *airs
	units  []*mixedUnit
	lasts  time.Duration // each half
	settle time.Duration // of it, before splits count
	probe  time.Duration
	share  float64 // of what is good alone
	errorK float64
	coolK  float64 // the cooling check's tolerance
	phases []*mixedPhase
	both   bool          // some heat and some cool
	since  time.Duration // since when
	before []Finding
	given  bool
}

// mixedUnit is one unit over both halves; [0] is heat, [1] cool.
type mixedUnit struct {
	*unitAir
	asked  string
	since  time.Duration
	ran    [2]time.Duration
	best   [2]splitView
	looked time.Duration
}

// mixedPhase is a stretch of the run between exchanges.
type mixedPhase struct {
	since time.Duration
	best  []splitView // by unit; of what it was asked then
	asked []string
}

var mixedModes = [2]string{"heat", "cool"}

func modeOf(asked string) int {
	for m, w := range mixedModes {
		if w == asked {
			return m
		}
	}
	return -1
}

func beginMixedRun(s Start) Judge {
	j := &mixedRun{step: s.Step, clock: startWatch(s), air: beginAirs(s), before: s.Earlier}
	lasts, _ := limit(s.Step, "lasts")
	settle, _ := limit(s.Step, "settle")
	probe, _ := limit(s.Step, "probe-settle")
	share, _ := limit(s.Step, "share")
	off, _ := limit(s.Step, "sensor-error")
	tol, _ := limit(s.Step, "tolerance")
	j.lasts, j.settle, j.probe, j.share, j.errorK, j.coolK = asTime(lasts.Value), asTime(settle.Value), asTime(probe.Value), share.Value, off.Value, tol.Value
	j.settle = min(j.settle, j.lasts/2)
	for _, a := range j.air.units {
		j.units = append(j.units, &mixedUnit{unitAir: a, asked: s.Commands[a.unit.Name]})
	}
	j.phase(0)
	j.mix(0)
	return j
}

// phase begins a new stretch, or goes on with the one just begun.
func (j *mixedRun) phase(now time.Duration) {
	n := len(j.phases)
	if n == 0 || now-j.phases[n-1].since > phaseGathers {
		j.phases = append(j.phases, &mixedPhase{since: now, best: make([]splitView, len(j.units)), asked: make([]string, len(j.units))})
		n++
	}
	p := j.phases[n-1]
	for i, x := range j.units {
		p.asked[i] = x.asked
	}
}

// mix looks whether some are asked to heat and some to cool.
func (j *mixedRun) mix(now time.Duration) {
	var n [2]int
	for _, x := range j.units {
		if m := modeOf(x.asked); m >= 0 {
			n[m]++
		}
	}
	both := min(n[0], n[1]) > 0 && 4*min(n[0], n[1]) >= n[0]+n[1] // about half of each, not one among many
	if both && !j.both {
		j.since = now
	}
	j.both = both
}

func (j *mixedRun) Next(e Entry) (out []Finding) {
	j.clock.hear(e)
	now := j.clock.newest
	switch b := e.Body.(type) {
	case *Measured:
		if !b.Health.Usable() {
			return nil
		}
		j.air.hear(e.place, sample{j.clock.of(b.Taken), b.Value})
		for _, f := range j.air.feeds[e.place] {
			x := j.unit(f.of)
			if f.kind <= returnAir && (x.looked == 0 || now-x.looked >= splitLookEvery) {
				x.looked = now
				j.look(x, now)
				out = append(out, j.complete(now)...)
			}
		}
	case *Started:
		j.air.forget()
	case *Told:
		switch {
		case b.Kind == "command":
			j.command(b, now)
		case b.Kind == "mark" && b.Name == "placed" && !IsExchange(b.Note):
			j.air.place(b.Note, now)
		case b.Kind == "mark" && b.Name == "typed":
			if a := j.air.typing(b, now); a != nil {
				j.typed(j.unit(a), now)
			}
		case b.Kind == "end" && b.Name == j.step.Name && b.System == j.step.System:
			return j.ended(now)
		}
	}
	return out
}

func (j *mixedRun) unit(a *unitAir) *mixedUnit { return j.units[a.place] }

func (j *mixedRun) command(b *Told, now time.Duration) {
	for _, x := range j.units {
		if x.unit.Name != b.Name || x.asked == b.Note {
			continue
		}
		j.count(now)
		x.asked, x.since = b.Note, now
		j.mix(now)
		j.phase(now)
		j.phases[len(j.phases)-1].best[x.place] = splitView{} // of what it was asked before
	}
}

// count adds up how long each unit has run in its half.
func (j *mixedRun) count(now time.Duration) {
	for _, x := range j.units {
		if m := modeOf(x.asked); m >= 0 && j.both {
			x.ran[m] = max(x.ran[m], now-max(x.since, j.since))
		}
	}
}

func (j *mixedRun) ready(x *mixedUnit) time.Duration {
	from := max(x.since, j.since) + j.settle
	if x.here {
		from = max(from, x.placed+j.probe)
	}
	return from
}

// look keeps the best settled split of the half: a defrost is no weakness.
func (j *mixedRun) look(x *mixedUnit, now time.Duration) {
	m := modeOf(x.asked)
	if m < 0 || !j.both || now < j.ready(x) || x.doubled {
		return
	}
	pressure := j.air.atmosphere(now)
	if a, ok := x.unitAir.look(j.ready(x), now, pressure); ok && (a.driftK == 0 || !x.best[m].known) {
		j.keep(x, m, splitLimits(a, m == 0, j.tolerance(m), pressure))
	}
}

func (j *mixedRun) tolerance(m int) float64 {
	if m == 0 {
		return 0
	}
	return j.coolK
}

func (j *mixedRun) keep(x *mixedUnit, m int, v splitView) {
	if b := &x.best[m]; !b.known || v.splitK > b.splitK {
		*b = v
	}
	p := j.phases[len(j.phases)-1]
	if b := &p.best[x.place]; !b.known || v.splitK > b.splitK {
		*b = v
	}
}

func (j *mixedRun) typed(x *mixedUnit, now time.Duration) {
	m := modeOf(x.asked)
	if m < 0 || !j.both || now < max(x.since, j.since)+j.settle {
		return
	}
	pressure := j.air.atmosphere(now)
	if a, ok := x.readOff(now, pressure); ok {
		j.keep(x, m, splitLimits(a, m == 0, j.tolerance(m), pressure))
	}
}

// leastK is what a unit must give in the mixed run.
func (j *mixedRun) leastK(v splitView) float64 { return float64(j.share * v.lowK) }

// mixedFault is what is wrong with a unit in one half.
type mixedFault struct {
	x    *mixedUnit
	mode int
	what string // reversed, not-running, low
}

func (j *mixedRun) faults() (fs []mixedFault, close int) {
	for _, x := range j.units {
		for m, v := range x.best {
			if !v.known {
				continue
			}
			least := j.leastK(v)
			switch {
			case v.splitK < reversedK:
				fs = append(fs, mixedFault{x, m, "reversed"})
			case v.splitK < idleK:
				fs = append(fs, mixedFault{x, m, "not-running"})
			case v.splitK < least-j.errorK:
				fs = append(fs, mixedFault{x, m, "low"})
			case v.splitK < least:
				close++
			}
		}
	}
	return fs, close
}

// follows reports whether in every half with both modes all rooms that do
// anything do the same: change-over control, not heat recovery.
func (j *mixedRun) follows() bool {
	seen := false
	for _, p := range j.phases {
		var made, asked [2]int // units that truly warm and cool; that were asked to
		for i, v := range p.best {
			m := modeOf(p.asked[i])
			if m < 0 || !v.known {
				continue
			}
			asked[m]++
			switch {
			case v.splitK > idleK:
				made[m]++
			case v.splitK < reversedK:
				made[1-m]++
			}
		}
		if asked[0] == 0 || asked[1] == 0 {
			continue
		}
		if made[0] > 0 && made[1] > 0 || made[0]+made[1] < 2 {
			return false
		}
		seen = true
	}
	return seen
}

// complete gives the verdict as soon as every unit has shown both.
func (j *mixedRun) complete(now time.Duration) []Finding {
	if j.given || !j.both {
		return nil
	}
	j.count(now)
	for _, x := range j.units {
		for m := range x.best {
			if !x.best[m].known || x.ran[m] < j.lasts {
				return nil
			}
		}
	}
	return j.verdict(now)
}

func (j *mixedRun) ended(now time.Duration) []Finding {
	j.count(now)
	if j.given {
		return nil
	}
	return j.verdict(now)
}

func (j *mixedRun) verdict(now time.Duration) []Finding {
	j.given = true
	f := Finding{Edge: Given}
	faults, close := j.faults()
	lacks, lackCause, lackWhy := j.lacks()
	switch {
	case len(faults) > 0:
		f.Result, f.Cause = NotPassed, j.cause(faults)
		f.Text = mixedFailed(f.Cause, faults, j.share, j.alone(faults))
	case len(j.units) == 0:
		f.Result, f.Cause, f.Text = NotProven, "missing", mixedNoUnits
	case lacks != "":
		f.Result, f.Cause, f.Text = NotProven, lackCause, mixedNotProven(lacks, lackWhy)
	case close > 0:
		f.Result, f.Cause, f.Text = NotProven, "too-close", mixedTooClose(close, j.share, j.errorK)
	default:
		f.Result, f.Cause, f.Text = Passed, "none", mixedPassed(len(j.units), j.share)
	}
	if x, m := j.weakest(); x != nil {
		v := x.best[m]
		f.Points = x.measuredBy(v.airView)
		f.Values = append(f.Values, Value{"supply_c", v.supplyC}, Value{"return_c", v.returnC}, Value{"split_k", v.splitK}, Value{"least_k", j.leastK(v)})
		f.Text += mixedWeakest(x.unit, m, v, j.leastK(v))
	}
	f.Values = append(f.Values, Value{"elapsed_s", seconds(now)})
	return []Finding{f}
}

// cause names what several faults have in common.
func (j *mixedRun) cause(fs []mixedFault) string {
	if j.follows() {
		return "majority"
	}
	cold := true
	for _, f := range fs {
		if f.what != "low" {
			return "branch"
		}
		cold = cold && f.mode == 1
	}
	if cold && j.alone(fs) == "good" {
		return "bypass"
	}
	return "low"
}

// alone says how the faulty units did alone, in the cooling check: good, poor,
// or nothing where that is not known of all.
func (j *mixedRun) alone(fs []mixedFault) string {
	good := 0
	for _, f := range fs {
		for _, b := range j.before {
			if b.Step == mixedModes[f.mode]+"ing-check" && b.Unit == f.x.unit.Name {
				switch b.Result {
				case Passed:
					good++
				case NotPassed:
					return "poor"
				}
			}
		}
	}
	if good >= len(fs) {
		return "good"
	}
	return ""
}

// lacks names the first unit that has not shown both, and why.
func (j *mixedRun) lacks() (unit, cause, why string) {
	if heat, cool := j.halves(); !heat || !cool {
		return stepWord(j.step.Name), "not-mixed", mixedNeverMixed
	}
	for _, x := range j.units {
		switch {
		case x.doubled:
			return unitName(x.unit), "shared-sensor", splitShared(x.points[supplyAir])
		case x.series[supplyAir].point.Name == "" || x.series[returnAir].point.Name == "":
			if !x.best[0].byHand || !x.best[1].byHand {
				return unitName(x.unit), "missing", splitNoSensor(x.unitAir, len(j.air.carried) > 0)
			}
		}
		for m := range x.best {
			switch {
			case x.ran[m] == 0:
				return j.besides(x), "not-exchanged", mixedNeverAsked(mixedModes[m])
			case x.ran[m] < j.lasts-mixedSlack:
				return unitName(x.unit), "too-early", mixedTooShort(mixedModes[m], x.ran[m], j.lasts)
			case !x.best[m].known:
				return unitName(x.unit), "gap", splitSilent
			}
		}
	}
	return "", "", ""
}

// besides names a unit and says how many more have not run both ways.
func (j *mixedRun) besides(x *mixedUnit) string {
	n := 0
	for _, y := range j.units {
		if y != x && (y.ran[0] == 0 || y.ran[1] == 0) {
			n++
		}
	}
	return mixedBesides(x.unit, n)
}

// halves reports whether any unit ever heated, and any cooled, while the other half did the other.
func (j *mixedRun) halves() (heat, cool bool) {
	for _, x := range j.units {
		heat, cool = heat || x.ran[0] > 0, cool || x.ran[1] > 0
	}
	return heat, cool
}

// weakest is the unit that gives the smallest share of what it must.
func (j *mixedRun) weakest() (weak *mixedUnit, mode int) {
	for _, x := range j.units {
		for m, v := range x.best {
			if v.known && (weak == nil || v.splitK*j.leastK(weak.best[mode]) < weak.best[mode].splitK*j.leastK(v)) {
				weak, mode = x, m
			}
		}
	}
	return weak, mode
}

// Due is nothing: it is judged by the units' readings.
func (j *mixedRun) Due() (time.Duration, bool) { return 0, false }

// Outlook says which units have shown both.
func (j *mixedRun) Outlook(at Instant) Outlook {
	now := max(j.clock.newest, j.clock.of(at.Since))
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Lasts: 2 * j.lasts, Sure: "too early to say", Quantity: sensors.Temperature}
	done, faulty := 0, 0
	var left time.Duration
	for _, x := range j.units {
		u := UnitStand{Unit: x.unit.Name, Asked: x.asked}
		m := modeOf(x.asked)
		if m >= 0 && j.both {
			left = max(left, j.lasts-(now-max(x.since, j.since)))
			u.Steady = now >= j.ready(x) && x.best[m].known && x.measuredNow(now)
		}
		both := x.best[0].known && x.best[1].known
		bad := ""
		for k, v := range x.best {
			if v.known && v.splitK < j.leastK(v)-j.errorK {
				bad = mixedModes[k]
			}
		}
		switch {
		case bad != "":
			u.Result, u.Cause = NotPassed, splitCause(x.best[modeOf(bad)])
			faulty++
		case both:
			u.Result = Passed
			done++
		}
		show := m
		if show < 0 || !x.best[show].known {
			show = 0
			if x.best[1].known {
				show = 1
			}
		}
		if v := x.best[show]; v.known {
			u.Values = rounded([]Value{{"supply_c", v.supplyC}, {"return_c", v.returnC}, {"split_k", v.splitK}, {"low_k", j.leastK(v)}})
		}
		u.Sentence = mixedUnitStands(x, j)
		o.Units = append(o.Units, u)
		if y := &x.series[supplyAir]; o.Point == "" && y.point.Name != "" {
			o.Point = y.point.Name
			if n := len(y.ss); n > 0 {
				o.Figure, o.HasFig, o.FigAt = Num(y.ss[n-1].v), true, Instant{at.Boot, j.clock.when(y.ss[n-1].t)}
			}
		}
	}
	if j.both {
		o.Left = max(0, left)
	}
	o.Next = j.next(now)
	over := o.Next == nil && !j.given && len(j.units) > 1
	o.Sentence = mixedStands(o.Elapsed, len(j.units), done, faulty, j.both, over, j.lasts, max(0, left))
	return o
}

// next is the half under way, as it was asked, and once it has lasted what comes
// next: every other unit heats and the others cool; then exchanged.
func (j *mixedRun) next(now time.Duration) *Ask {
	if len(j.units) < 2 || j.given {
		return nil
	}
	run, ran := 1, true
	var left time.Duration
	for _, x := range j.units {
		ran = ran && min(x.ran[0], x.ran[1]) >= j.lasts-mixedSlack
		m := modeOf(x.asked)
		if x.ran[0] > 0 && m != 0 || x.ran[1] > 0 && m != 1 { // the other half is behind it
			run = 2
		}
		if m >= 0 && j.both {
			left = max(left, j.lasts-(now-max(x.since, j.since)))
		}
	}
	a := &Ask{Run: run, Of: 2, Left: -1}
	switch {
	case ran:
		return nil
	case left > 0:
		a.Left = left
	case j.both && run == 2: // both halves have lasted
		return nil
	case j.both:
		a.Run = 2
	}
	a.Sentence = mixedAsk(a.Run)
	for i, x := range j.units {
		what, m := mixedModes[i%2], modeOf(x.asked)
		switch {
		case left > 0 && m < 0:
			continue
		case left > 0:
			what = x.asked
		case m >= 0 && j.both:
			what = mixedModes[1-m]
		case x.ran[0] > 0:
			what = mixedModes[1]
		case x.ran[1] > 0:
			what = mixedModes[0]
		}
		a.Commands = append(a.Commands, Asked{x.unit.Name, what})
	}
	return a
}
