package rules

import (
	"math"
	"slices"
	"strings"
	"time"

	"standwatch/sensors"
)

// BranchCheck tells which indoor unit's command each room's supply air follows.
var BranchCheck = Rule{
	Name:  "branch-check",
	Doc:   "Tells in the branch check which room follows which unit's command: crossed pipes or wires, dead branches and passing valves.",
	Steps: []string{"branch-check"},
	Flags: []string{"pipes-crossed", "valve-passing"},
	Roles: []string{"supply-air", "return-air", "outdoor-air"},
	Begin: beginBranchCheck,
}

const (
	branchBin  = 30 * time.Second // readings are kept as the means of these
	branchBoth = 0.9              // of the windows must have both airs, for the split to stand for the supply air
)

type branchCheck struct {
	step    Step
	settle  time.Duration
	clock   watch
	units   []Unit
	names   []string
	airs    []branchAir
	shared  []string // supply points that two units claim
	feeds   [][]branchFeed
	every   time.Duration // the slowest supply point's
	asked   []int8        // now, by unit
	words   []string      // the same, as it was told
	heard   bool          // a command stands
	runs    []branchRun   // those that are over
	since   time.Duration // of the present run
	fitted  bool          // the present run was looked at
	looked  int           // how many runs there were when it was last looked
	outdoor sample
	outside bool
	ceiling float64
	view    *branchFit
	newest  branchData // what it rests on
	raised  []Finding  // the flags that are up
	given   string     // the verdict given: result, cause, pairs
}

// branchAir is what was measured at a unit.
type branchAir struct {
	supply, back branchSeries
	measured     bool // it has a supply point of its own
}

// branchSeries is the readings of the whole step, as means of half minutes.
type branchSeries struct {
	point string
	sum   []float64
	n     []float64
	last  sample
}

func (x *branchSeries) add(s sample) {
	if s.t < 0 {
		return
	}
	if s.t >= x.last.t {
		x.last = s
	}
	for i := int(s.t / branchBin); ; {
		if i < len(x.n) {
			x.sum[i] += s.v
			x.n[i]++
			return
		}
		x.sum, x.n = append(x.sum, 0), append(x.n, 0)
	}
}

// over is the median of the half minutes in a span; not a number where there are none.
func (x *branchSeries) over(from, to time.Duration) float64 {
	var ss []sample
	for i := int((from + branchBin - 1) / branchBin); i < int(to/branchBin) && i < len(x.n); i++ {
		if x.n[i] > 0 {
			ss = append(ss, sample{v: x.sum[i] / x.n[i]})
		}
	}
	if len(ss) == 0 {
		return math.NaN()
	}
	return median(ss)
}

// branchFeed says which unit's series a point's readings go to.
type branchFeed struct{ to *branchSeries }

func beginBranchCheck(s Start) Judge {
	j := &branchCheck{step: s.Step, clock: startWatch(s), units: s.Units, asked: make([]int8, len(s.Units)),
		airs: make([]branchAir, len(s.Units)), feeds: make([][]branchFeed, len(s.Points))}
	ceiling, _ := limit(Step{Name: "heating-check", Limits: s.Plant.Steps["heating-check"]}, "ambient")
	j.ceiling = ceiling.Value
	taken := map[string]int{}
	for i, u := range s.Units {
		j.names = append(j.names, u.Name)
		j.asked[i] = sign(s.Commands[u.Name])
		j.words = append(j.words, s.Commands[u.Name])
		j.heard = j.heard || s.Commands[u.Name] != ""
		a := &j.airs[i]
		a.supply.point, a.back.point = airOf(u.Supply, u, s.Points, "supply-air"), airOf(u.Return, u, s.Points, "return-air")
		a.measured = a.supply.point != ""
		if a.measured {
			taken[a.supply.point]++
		}
	}
	for i := range j.airs {
		if a := &j.airs[i]; taken[a.supply.point] > 1 {
			a.measured = false
			if !slices.Contains(j.shared, a.supply.point) {
				j.shared = append(j.shared, a.supply.point)
			}
		}
	}
	for k, p := range s.Points {
		if p.Role == "outdoor-air" {
			j.feeds[k] = append(j.feeds[k], branchFeed{})
		}
		for i := range j.airs {
			a := &j.airs[i]
			if a.measured && a.supply.point == p.Name {
				j.every = max(j.every, p.Every)
				j.feeds[k] = append(j.feeds[k], branchFeed{&a.supply})
			}
			if a.measured && a.back.point == p.Name {
				j.feeds[k] = append(j.feeds[k], branchFeed{&a.back})
			}
		}
	}
	settle, _ := limit(s.Step, "settle")
	j.settle = max(asTime(settle.Value), branchLeast(j.every))
	return j
}

// branchLeast is the shortest time after which a run can be read at all, with
// supply points as slow as this one.
func branchLeast(every time.Duration) time.Duration { return branchSkip + branchWide(every) }

// branchWide is how wide a run's windows are.
func branchWide(every time.Duration) time.Duration { return max(branchWindow, every*5/2) }

// ShortSettle says what is wrong where a system's branch check leaves a command
// less time than its answer can be read in; nothing where it is long enough.
func (s Site) ShortSettle(system string) string {
	i := slices.IndexFunc(s.Systems, func(x System) bool { return x.Name == system })
	set, least := s.Settings(system, "branch-check")["settle"], s.leastSettle(system)
	if given := asTime(set.Value); given < least && (set.Given || i >= 0 && s.Systems[i].HeatRecovery) {
		return branchTooShort(given, least)
	}
	return ""
}

// leastSettle is branchLeast by the slowest supply point of a system.
func (s Site) leastSettle(system string) time.Duration {
	var every time.Duration
	for _, p := range s.Points {
		if p.Role == "supply-air" && (p.System == system || p.System == "") {
			every = max(every, p.Every)
		}
	}
	return branchLeast(every)
}

// Used is a setting as a step of a system goes by it: a settle that is too short for
// an answer to be read is stretched, and its source says so.
func (s Site) Used(system, step, key string, set Setting) Setting {
	if least := s.leastSettle(system); step == "branch-check" && key == "settle" && asTime(set.Value) < least {
		set.Source = settleStretched(asTime(set.Value), set.Source)
		set.Value, set.Text = least.Seconds(), span(least)
	}
	return set
}

// airOf finds a unit's point of a role where the site file does not name it:
// the one that is called after the unit.
func airOf(named string, u Unit, points []sensors.Point, role string) string {
	if named != "" {
		return named
	}
	for _, p := range points {
		if rest, ok := strings.CutPrefix(p.Name, u.Name); ok && p.Role == role && rest != "" && strings.ContainsRune("-_. ", rune(rest[0])) {
			return p.Name
		}
	}
	return ""
}

// sign is what a command is to the model.
func sign(command string) int8 {
	switch command {
	case "heat":
		return 1
	case "cool":
		return -1
	}
	return 0
}

func (j *branchCheck) Next(e Entry) (out []Finding) {
	was := j.clock.newest
	if _, restarted := j.clock.hear(e); restarted {
		// Nobody knows what the units did meanwhile, but what is asked stands.
		j.close(was)
		j.close(j.clock.newest)
		return nil
	}
	switch b := e.Body.(type) {
	case *Measured:
		if !b.Health.Usable() {
			return nil
		}
		s := sample{j.clock.of(b.Taken), b.Value}
		for _, f := range j.feeds[e.place] {
			if f.to == nil {
				j.outdoor, j.outside = s, true
				continue
			}
			f.to.add(s)
		}
	case *Told:
		switch {
		case b.Kind == "command":
			return j.command(b, j.clock.of(e.At.Since))
		case b.Kind == "end" && b.Name == j.step.Name:
			return j.look(j.clock.of(e.At.Since), true)
		}
	case *Due:
		j.fitted = true
		now := j.clock.of(e.At.Since)
		// The fit takes as long as there are units squared and runs: where there
		// are many, it is not made anew at each run of a plan that goes on.
		if len(j.runs)-j.looked < len(j.units)/8 && !j.complete(now) {
			return nil
		}
		j.looked = len(j.runs)
		return j.look(now, false)
	}
	return nil
}

// command closes the present run where it changes what is asked.
func (j *branchCheck) command(b *Told, now time.Duration) (out []Finding) {
	i := slices.Index(j.names, b.Name)
	if i < 0 {
		return nil
	}
	j.heard = true
	unknown := j.words[i] == ""
	j.words[i] = b.Note
	if j.asked[i] == sign(b.Note) {
		// What a unit did that nobody had spoken of is no rest to hold against: it
		// may still have been running. The rest begins with the last one told.
		if heat, cool := askedOf(j.asked); unknown && heat+cool == 0 && !j.begun() {
			j.runs, j.since, j.fitted = nil, now, false
		}
		return nil
	}
	j.close(now)
	j.asked = slices.Clone(j.asked)
	j.asked[i] = sign(b.Note)
	return nil
}

// begun reports whether a unit was asked to heat or cool in a run that is over.
func (j *branchCheck) begun() bool {
	return asksAnything(branchData{runs: j.runs})
}

func (j *branchCheck) close(now time.Duration) {
	if now > j.since {
		j.runs = append(j.runs, branchRun{j.since, now, j.asked})
	}
	j.since, j.fitted = now, false
}

// Due is when what is asked now has been left to work.
func (j *branchCheck) Due() (time.Duration, bool) {
	return j.clock.when(j.since + j.settle), !j.fitted && j.heard
}

// data is what there is to go by at a moment.
func (j *branchCheck) data(now time.Duration) branchData {
	runs := append(slices.Clone(j.runs), branchRun{j.since, max(now, j.since), j.asked})
	d := branchData{runs: runs, spans: branchSpans(runs, branchWide(j.every)), settle: j.settle}
	for i := range j.airs {
		a := &j.airs[i]
		row, split := make([]float64, len(d.spans)), make([]float64, len(d.spans))
		has, both := 0, 0
		for w, s := range d.spans {
			row[w] = a.supply.over(s.from, s.to)
			split[w] = row[w] - a.back.over(s.from, s.to)
			if !math.IsNaN(row[w]) {
				has++
			}
			if !math.IsNaN(split[w]) {
				both++
			}
		}
		if float64(both) >= branchBoth*float64(has) { // what the room does by itself is in both airs
			row = split
		}
		d.take(row)
	}
	return d
}

// look fits what there is, and gives the verdict where there is one.
func (j *branchCheck) look(now time.Duration, end bool) (out []Finding) {
	d := j.data(now)
	f := d.fit(j.names)
	j.view, j.newest = f, d
	v := j.verdict(f, d, now)
	if !end && (v.early || !j.complete(now)) {
		return nil
	}
	var up []Finding
	for _, c := range v.cycles {
		up = append(up, Finding{Flag: "pipes-crossed", Subject: strings.Join(j.of(c), "-"), Points: j.pointsOf(c),
			Text: pipesCrossed(j.roomsOf(c), j.answersOf(f, c)), Values: []Value{{"least_k", j.leastOf(f, c)}}})
	}
	for k, p := range f.leaks {
		of := []int{slices.Index(j.names, p.Unit), slices.Index(j.names, p.Answers)}
		up = append(up, Finding{Flag: "valve-passing", Subject: p.Answers, Points: j.pointsOf(of),
			Text: valvePassing(j.roomsOf(of), f.leakK[k]), Values: []Value{{"response_k", f.leakK[k]}}})
	}
	out = j.flags(up)
	key := v.Result + v.Cause + strings.Join(pairWords(v.Pairs), " ")
	if key == j.given {
		return out
	}
	j.given = key
	return append(out, v.Finding)
}

// flags raises what is new, and clears what more runs do not bear out.
func (j *branchCheck) flags(up []Finding) (out []Finding) {
	has := func(list []Finding, f Finding) bool {
		return slices.ContainsFunc(list, func(x Finding) bool { return x.Flag == f.Flag && x.Subject == f.Subject })
	}
	for _, f := range j.raised {
		if !has(up, f) {
			out = append(out, Finding{Edge: Cleared, Flag: f.Flag, Subject: f.Subject, Text: branchNotSo()})
		}
	}
	for _, f := range up {
		if !has(j.raised, f) {
			f.Edge, f.Urgency = Raised, Tell
			out = append(out, f)
		}
	}
	j.raised = up
	return out
}

// branchVerdict is a verdict with what it rests on.
type branchVerdict struct {
	Finding
	early  bool // there is more to come: it is given at the end only
	cycles [][]int
}

// branchTold is how the units stand, by their places in the site file.
type branchTold struct {
	straight, crossed, dead []int
	half                    []int // they answer only when another is asked, too
	untried, unclear, blind []int // not asked, not clear, without a supply point
	answered, asked         int
	seems                   []int // of the unclear: another room answered, and nothing closes the ring
}

func (j *branchCheck) told(f *branchFit, d branchData) (t branchTold) {
	for i := range j.units {
		r := f.room[i]
		known := r >= 0 && f.sure(i) && f.answers[i][r].known()
		if f.tried[i] || known {
			t.asked++
		}
		switch {
		case known && r == i && f.halfway[i]:
			t.half = append(t.half, i)
			t.answered++
		case known && r == i:
			t.straight = append(t.straight, i)
			t.answered++
		case known:
			t.crossed = append(t.crossed, i)
			t.answered++
		case !f.tried[i]:
			t.untried = append(t.untried, i)
		case !d.has[i] && !d.heard[i]:
			t.blind = append(t.blind, i)
		case r < 0 && f.answers[i][i].known() && f.answers[i][i].k() < branchNoneK && !d.dipped[i]:
			t.dead = append(t.dead, i)
		default:
			t.unclear = append(t.unclear, i)
		}
	}
	// Pipes and wires are exchanged, so crossings close into rings. One that does
	// not is half seen (a run was spoilt, a room is not measured), and not found.
	closes := func(i int) bool {
		at := f.room[i]
		for range t.crossed {
			if at == i || !slices.Contains(t.crossed, at) {
				break
			}
			at = f.room[at]
		}
		return at == i
	}
	for _, i := range t.crossed {
		if !closes(i) {
			t.seems = append(t.seems, i)
		}
	}
	t.crossed = slices.DeleteFunc(t.crossed, func(i int) bool { return slices.Contains(t.seems, i) })
	t.unclear = append(t.unclear, t.seems...)
	slices.Sort(t.unclear)
	return t
}

func (j *branchCheck) verdict(f *branchFit, d branchData, now time.Duration) (v branchVerdict) {
	t := j.told(f, d)
	v.Edge, v.Result, v.Cause = Given, NotPassed, ""
	for _, i := range t.crossed {
		v.Pairs = append(v.Pairs, Pair{j.names[i], j.names[f.room[i]]})
	}
	v.cycles = cycles(t.crossed, f.room)
	v.early = len(t.untried)+len(t.unclear)+len(t.blind) > 0
	v.Points = j.pointsOf(nil)
	least := math.Inf(1)
	for _, i := range append(slices.Clone(t.straight), t.crossed...) {
		least = min(least, f.answers[i][f.room[i]].k())
	}
	v.Values = []Value{{"units", float64(len(j.units))}, {"straight_units", float64(len(t.straight))}, {"crossed_units", float64(len(v.Pairs))},
		{"dead_units", float64(len(t.dead))}, {"least_k", least}, {"margin_k", f.marginK}, {"runs", float64(j.worked(d))}, {"elapsed_s", seconds(now)}}
	w := branchWords{units: len(j.units), straight: len(t.straight), least: least, settle: j.settle,
		also: branchAlso(j.roomsOf(t.half), j.roomsOf(t.dead), j.roomsOf(t.blind), j.roomsOf(t.untried), j.roomsOf(t.unclear), j.shared) + branchSeems(j.answersOf(f, t.seems))}
	for k, p := range f.leaks {
		of := []int{slices.Index(j.names, p.Unit), slices.Index(j.names, p.Answers)}
		w.passing = append(w.passing, valvePassing(j.roomsOf(of), f.leakK[k]))
	}
	notProven := func(cause string) { v.Result, v.Cause = NotProven, cause }
	switch {
	case len(j.units) == 0:
		notProven("missing")
		v.Text = branchNoUnits()
	case !j.heard || t.asked == 0 && !asksAnything(d):
		notProven("no-command")
		v.Text = branchNoCommands()
	case len(t.crossed) > 0:
		v.Cause = "crossed"
		v.Text = branchCrossed(w, j.answersOf(f, t.crossed))
	case len(t.dead) > 1 && t.answered == 0:
		notProven("no-answer")
		v.early = true
		v.Text = branchNothingAnswered(t.asked, j.tooWarm(), j.outdoor.v, j.ceiling)
	case len(t.half) > 0:
		v.Cause = "one-pipe"
		v.Text = branchHalf(w)
	case len(t.dead) > 0:
		v.Cause = "dead"
		v.Text = branchDead(w, j.roomsOf(t.dead), j.paired(d, t.dead))
	case len(f.leaks) > 0:
		v.Cause = "valve-passing"
		v.Text = branchPassing(w)
	case len(j.shared) > 0:
		notProven("shared-sensor")
		v.Text = branchNotProven(w, "Give each unit a supply sensor of its own, and ask it again.")
	case len(t.blind) > 0:
		notProven("missing")
		v.Text = branchNotProven(w, "Give each unit a supply sensor of its own, and ask it again.")
	case len(t.untried) > 0:
		notProven("incomplete")
		v.Text = branchNotProven(w, "Ask them, and look again.")
	case len(t.unclear) > 0:
		notProven("unclear")
		v.Text = branchNotProven(w, "Ask each of them alone, and look again.")
	default:
		v.Result, v.Cause = Passed, "none"
		v.Text = branchStraight(w)
	}
	return v
}

// asksAnything reports whether some unit was ever asked to heat or cool.
func asksAnything(d branchData) bool {
	return slices.ContainsFunc(d.runs, func(r branchRun) bool {
		return slices.ContainsFunc(r.asked, func(a int8) bool { return a != 0 })
	})
}

// worked counts the runs that were left to work and asked for something.
func (j *branchCheck) worked(d branchData) (n int) {
	for _, r := range d.runs {
		if r.to-r.from >= j.settle*4/5 && slices.ContainsFunc(r.asked, func(a int8) bool { return a != 0 }) {
			n++
		}
	}
	return n
}

// paired reports whether any two of these were asked for opposite things at once.
func (j *branchCheck) paired(d branchData, of []int) bool {
	for _, r := range d.runs {
		for _, a := range of {
			for _, b := range of {
				if r.asked[a] == 1 && r.asked[b] == -1 && r.to-r.from >= j.settle*4/5 {
					return true
				}
			}
		}
	}
	return false
}

// cycles groups crossed units: each is answered in the room of the next, the
// last one in that of the first.
func cycles(crossed, room []int) (all [][]int) {
	seen := map[int]bool{}
	for _, i := range crossed {
		var c []int
		for at := i; !seen[at]; at = room[at] {
			seen[at] = true
			c = append(c, at)
		}
		if len(c) > 0 {
			all = append(all, c)
		}
	}
	return all
}

func (j *branchCheck) of(c []int) (names []string) {
	for _, i := range c {
		names = append(names, j.names[i])
	}
	return names
}

func (j *branchCheck) roomsOf(c []int) (rooms []string) {
	for _, i := range c {
		rooms = append(rooms, unitName(j.units[i]))
	}
	return rooms
}

// answersOf says of each crossed unit who answered it, and by how much.
func (j *branchCheck) answersOf(f *branchFit, c []int) (all []crossing) {
	for _, i := range c {
		if r := f.room[i]; r >= 0 && r != i {
			all = append(all, crossing{unitName(j.units[i]), unitName(j.units[r]), f.answers[i][r].k(), f.answers[i][r].valved})
		}
	}
	return all
}

func (j *branchCheck) leastOf(f *branchFit, c []int) float64 {
	least := math.Inf(1)
	for _, i := range c {
		if r := f.room[i]; r >= 0 {
			least = min(least, f.answers[i][r].k())
		}
	}
	return least
}

// pointsOf lists the supply points of some units; of nil those of all.
func (j *branchCheck) pointsOf(c []int) (ps []string) {
	for i := range j.airs {
		if j.airs[i].measured && (c == nil || slices.Contains(c, i)) {
			ps = append(ps, j.airs[i].supply.point)
		}
	}
	return ps
}

func pairWords(ps []Pair) (words []string) {
	for _, p := range ps {
		words = append(words, p.Unit+">"+p.Answers)
	}
	return words
}

func (j *branchCheck) tooWarm() bool { return j.outside && j.outdoor.v > j.ceiling }
