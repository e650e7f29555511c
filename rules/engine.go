package rules

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// Engine applies entries to judges, in order.
type Engine struct {
	site  Site
	rules []Rule

	seq uint64  // of the last entry applied
	now Instant // how far time has come

	standing []*seat
	running  []*stage
	between  []*seat            // that follow a scale from one weighing step to the next
	seats    []*seat            // all of them, in the order in which they are asked
	byPoint  map[string][]place // who wants a point's readings
	earliest time.Duration      // the earliest deadline, where armed
	armed    bool

	open     []Flag
	given    []Finding            // the last verdict of each step begun and unit
	commands map[string]string    // what was last asked of each indoor unit
	askedAt  map[string]Instant   // and when
	placed   []string             // notes of the marks of a carried instrument placed, in order
	answered []Step               // that a person answers for: reported, or accepted
	swapped  map[string]uint64    // by system, the last mark of a cylinder swapped; "": of none in particular
	weighed  map[string]*Measured // by charging scale, its newest weight in this boot; no point: none
	isolated map[string]Instant   // by system, when the pump was last said to be valved off, and nobody said since that it runs
	checks   []*CheckList         // of each system
	said     *Calibrations        // of the instruments
	jobs     *Jobs                // of each system
	fixed    Measured             // a reading corrected, on its way to a judge
	hot      map[string]bool      // points that were near a digital thermometer's power-on value one reading before
	sealed   sealed               // the pipework that must not be cut by indoor power
	again    bool                 // a step is being ended by its own second begin
	wall     int64                // Unix ms at the boot's beginning, by the newest anchor
	anchored bool
	proven   int64 // the same by the newest proven anchor; 0: none in this boot

	panicked func(rule string, p any) // nil: a panic goes its way
}

// seat is a judge at work.
type seat struct {
	rule   *Rule
	system string
	step   Step // zero for a standing rule
	points []sensors.Point
	fixes  []*Correction // of each point, as they stood at the step's begin; nil: none
	mixed  []string      // points whose instrument was exchanged since
	failed bool          // it gave a failed verdict while one instrument alone had read it
	judge  Judge
	due    time.Duration
	armed  bool
	broken bool // it panicked
}

// place is where a point stands among a judge's.
type place struct {
	*seat
	index int
}

// stage is a step under way.
type stage struct {
	Running
	seats []*seat
}

// NewEngine makes an engine for a site with the given rules, in their order.
// Standing rules begin at the first *Started.
func NewEngine(site Site, rules []Rule) *Engine {
	if len(site.Systems) == 0 {
		site.Systems = []System{{}}
	}
	site.Points = withRoles(site)
	e := &Engine{site: site, rules: rules, commands: map[string]string{}, askedAt: map[string]Instant{}, hot: map[string]bool{}, swapped: map[string]uint64{}, isolated: map[string]Instant{}, weighed: map[string]*Measured{}, said: NewCalibrations(site), jobs: NewJobs(site)}
	for _, s := range site.Systems {
		e.checks = append(e.checks, NewCheckList(site, s.Name))
	}
	for _, p := range site.Points {
		if p.Role == "charging-scale" {
			e.weighed[p.Name] = &Measured{}
		}
	}
	e.seatAll()
	return e
}

// withRoles gives a point without a role the one that an indoor unit names it for.
func withRoles(site Site) []sensors.Point {
	role := map[string]string{}
	for _, sys := range site.Systems {
		for _, u := range sys.Units {
			for k, name := range [airKinds]string{u.Supply, u.Return, u.WetBulb, u.Humidity} {
				role[name] = airRoles[k]
			}
		}
	}
	points := append([]sensors.Point(nil), site.Points...)
	for i := range points {
		if points[i].Role == "" {
			points[i].Role = role[points[i].Name]
		}
	}
	return points
}

// Resume tells a new engine which flags were open before its first entry.
//
// A replay that begins at a *Started entry gives exactly the findings of the
// first time. One that begins later, at a step's begin, gives those of that
// step's judges, and of the standing ones from the next *Started on; but a
// weighing step goes on from what was heard since the last one, or weighed before the first, in the same boot.
func (e *Engine) Resume(open []Flag) { e.open = append([]Flag(nil), open...) }

// Recall tells a new engine which verdicts were given before its first entry,
// in order: a weigh-in goes on from what the draw-in before it drew.
func (e *Engine) Recall(given []Finding) {
	for _, f := range given {
		if f.Edge == Given {
			e.remember(f)
		}
	}
}

// Past tells a new engine of a mark that lies before its first entry: what was
// last asked of a unit still stands, and a pipe that was sealed is.
func (e *Engine) Past(entry Entry) {
	if _, ok := entry.Body.(*Started); ok {
		e.proven = 0
	}
	if b, ok := entry.Body.(*Clocked); ok {
		e.prove(entry, b)
	}
	b, ok := entry.Body.(*Told)
	if !ok {
		return
	}
	e.ordered(entry, b)
	e.swap(entry, b)
	e.valve(entry, b)
	e.answer(b)
	e.tick(entry, b)
	e.said.Tell(entry, b)
	e.turn(entry, b)
	if system, ok := e.systemOf(b.System); ok || b.Kind == "mark" {
		e.sealed = e.sealed.hear(e.withSettings(b, system), system)
	}
}

// prove keeps the wall clock of a proven anchor.
func (e *Engine) prove(entry Entry, b *Clocked) {
	if b.Proven {
		e.proven = b.Wall - entry.At.Since.Milliseconds()
	}
}

// Next applies one entry: first every deadline strictly before its At, then
// the entry itself. It returns the findings in order.
func (e *Engine) Next(entry Entry) []Finding {
	var out []Finding
	if e.armed && entry.At.Boot == e.now.Boot && e.earliest < entry.At.Since {
		out = e.passTime(entry.At.Since)
	}
	e.seq, e.now = entry.Seq, entry.At
	switch b := entry.Body.(type) {
	case *Measured:
		hot := e.isHot(b)
		e.keepWeight(b)
		for _, p := range e.byPoint[b.Point] {
			entry.place = p.index
			if health, is := e.unmeasured(b, p.points[p.index].Quantity, hot); is {
				e.fixed = Measured{Reading: sensors.Reading{Point: b.Point, Health: health}, Taken: b.Taken}
				entry.Body = &e.fixed
				out = e.ask(p.seat, entry, out)
				continue
			}
			if entry.Body = b; p.fixes != nil && p.fixes[p.index] != nil {
				e.fixed = Measured{Reading: p.fixes[p.index].Of(p.points[p.index].Quantity, b.Reading), Taken: b.Taken}
				entry.Body = &e.fixed // judges keep none
			}
			out = e.ask(p.seat, entry, out)
		}
	case *Told:
		out = e.told(entry, b, out)
	case *Started:
		out = e.started(entry, out)
	case *Clocked:
		e.wall, e.anchored = b.Wall-entry.At.Since.Milliseconds(), true
		e.prove(entry, b)
		for _, s := range e.seats {
			out = e.ask(s, entry, out)
		}
	}
	return out
}

// passTime fires the deadlines before an instant of the running boot: in time
// order, equal ones in the order of the judges.
func (e *Engine) passTime(before time.Duration) (out []Finding) {
	for e.armed && e.earliest < before {
		at := e.earliest
		e.now.Since = at
		for _, s := range e.seats {
			if !s.armed || s.due != at {
				continue
			}
			out = e.ask(s, Entry{Seq: e.seq, At: e.now, Body: &Due{}}, out)
			if s.armed && s.due <= at { // asked and still wants the same moment: it waits for an entry
				s.armed = false
			}
		}
		e.findEarliest()
	}
	return out
}

// ask hands a judge an entry, takes its findings and its next deadline.
func (e *Engine) ask(s *seat, entry Entry, out []Finding) []Finding {
	for _, f := range e.next(s, entry) {
		if f, ok := e.take(s, f); ok {
			out = append(out, f)
		}
	}
	e.rearm(s)
	return out
}

// next asks a judge. Where panics are contained, one that panics is never asked again.
func (e *Engine) next(s *seat, entry Entry) (found []Finding) {
	if e.panicked == nil {
		return s.judge.Next(entry)
	}
	if s.broken {
		return nil
	}
	defer func() {
		if p := recover(); p != nil {
			s.broken, found = true, nil
			e.panicked(s.rule.Name, p)
		}
	}()
	return s.judge.Next(entry)
}

// Contain keeps a judge that panics from ending the program: it falls silent,
// the others go on, and told is called with the rule's name and what the panic said.
func (e *Engine) Contain(told func(rule string, p any)) { e.panicked = told }

// rearm notes a judge's deadline: whole milliseconds, rounded up, and never in
// the past.
func (e *Engine) rearm(s *seat) {
	due, ok := s.judge.Due()
	ok = ok && !s.broken
	if ok {
		due = max(wholeMs(due), e.now.Since)
	}
	if ok == s.armed && (!ok || due == s.due) {
		return
	}
	wasEarliest := s.armed && s.due == e.earliest
	s.due, s.armed = due, ok
	switch {
	case ok && (!e.armed || due <= e.earliest):
		e.earliest, e.armed = due, true
	case wasEarliest:
		e.findEarliest()
	}
}

// wholeMs is a deadline in whole milliseconds, rounded up.
func wholeMs(due time.Duration) time.Duration {
	if r := due % time.Millisecond; r > 0 {
		due += time.Millisecond - r
	}
	return due
}

func (e *Engine) findEarliest() {
	e.armed = false
	for _, s := range e.seats {
		if s.armed && (!e.armed || s.due < e.earliest) {
			e.earliest, e.armed = s.due, true
		}
	}
}

// take completes a finding and keeps the flags: a flag that is open is raised
// again only with a higher urgency, and one that is not is never cleared, so
// that edges alternate.
func (e *Engine) take(s *seat, f Finding) (Finding, bool) {
	f.At, f.Seq, f.System, f.Begin = e.now, e.seq, s.system, s.step.Begin
	if s.rule.Steps != nil { // a standing judge may name a step that its flag concerns
		f.Step = s.step.Name
	}
	f.Values = rounded(f.Values)
	switch f.Edge {
	case Given:
		f.Flag = s.step.Name
		if e.again && f.Result != NotProven && !(f.Result == NotPassed && s.failed) { // nobody has said that it was done; what had failed stays so
			f.Result, f.Cause, f.Text = NotProven, "unknown", begunBeforeEnd(f.Step, f.Unit)
		}
		if s.step.powered() {
			f.Text += powerAllowed(true)
		}
		s.failed = s.failed || f.Result == NotPassed && len(s.mixed) == 0
		if by := s.readByTwo(f.Result); len(by) > 0 { // its end and its beginning
			f.Result, f.Cause, f.Text = NotProven, "gauge", heldByTwo(s.step.Name, by)
		} else if text := e.passedUncorrected(s, f); text != "" {
			f.Result, f.Cause, f.Text = NotProven, "gauge", text
		}
		f.Text += e.instruments(s, f)
		e.remember(f)
		return f, true
	case Raised:
		return f, e.raise(f)
	}
	i := e.find(f)
	if i < 0 {
		return f, false
	}
	f.Urgency = e.open[i].Urgency
	if f.Points == nil {
		f.Points = e.open[i].Points
	}
	e.open = append(e.open[:i:i], e.open[i+1:]...)
	return f, true
}

func (e *Engine) raise(f Finding) bool {
	i := e.find(f)
	if i < 0 {
		e.open = append(e.open, Flag{Finding: f, First: f.At})
		return true
	}
	if f.Urgency <= e.open[i].Urgency {
		return false
	}
	// More urgent than what was acknowledged: it has to be heard anew.
	e.open[i] = Flag{Finding: f, First: e.open[i].First}
	return true
}

func (e *Engine) find(f Finding) int {
	for i := range e.open {
		o := &e.open[i]
		if o.Flag == f.Flag && o.System == f.System && o.Begin == f.Begin && o.Subject == f.Subject {
			return i
		}
	}
	return -1
}

func (e *Engine) remember(f Finding) {
	for i := range e.given {
		g := &e.given[i]
		if g.Step == f.Step && g.System == f.System && g.Begin == f.Begin && g.Unit == f.Unit {
			e.given = append(e.given[:i:i], e.given[i+1:]...)
			break
		}
	}
	e.given = append(e.given, f)
}

// started begins the standing judges anew, with the flags still open, and
// tells the step judges, which go on. No deadline outlives its boot.
func (e *Engine) started(entry Entry, out []Finding) []Finding {
	e.anchored, e.proven = false, 0
	for _, w := range e.weighed {
		*w = Measured{}
	}
	clear(e.hot) // a probe that was without power as well shows its power-on value next, however hot it was
	for _, s := range e.seats {
		s.armed = false
	}
	e.armed = false
	e.standing, e.between = nil, nil
	for i := range e.rules {
		r := &e.rules[i]
		if r.Steps != nil {
			continue
		}
		systems := e.watched()
		if r.Box {
			systems = []string{""}
		}
		for _, system := range systems {
			points := e.points(r, system, false)
			if len(points) == 0 && (r.Roles == nil || len(r.Roles) > 0) { // but it may judge marks alone
				continue
			}
			of, s := e.of(system), &seat{rule: r, system: system, points: points, fixes: e.fixesOf(points)}
			s.judge = r.Begin(Start{System: system, Entry: entry, Points: points, Plant: of, Units: of.Units, PipeM3: of.PipeM3, CoilsM3: of.CoilsM3,
				Open: e.openOf(r, system), OpenFor: e.openFor, Earlier: e.givenTo(r, system), Began: entry.At,
				Running: e.runningOn(system), Commands: maps.Clone(e.commands), Checks: e.checksOf(system), Sealed: e.sealedOf(system), Said: e.said, Jobs: e.jobs, OneScale: len(e.site.Systems) > 1 && len(e.points(&ChargeTarget, "", false)) > 0})
			e.standing = append(e.standing, s)
		}
	}
	e.seatAll()
	for _, s := range e.standing {
		e.rearm(s)
	}
	for _, st := range e.running {
		for _, s := range st.seats {
			out = e.ask(s, entry, out)
		}
	}
	return out
}

// told hands a mark to those it concerns; a begin or end also starts or ends a step.
func (e *Engine) told(entry Entry, b *Told, out []Finding) []Finding {
	if system, ok := e.systemOf(b.System); ok && system != b.System { // a site's only system need not be named
		c := *b
		c.System, b = system, &c
		entry.Body = b
	}
	switch b.Kind {
	case "begin", "end":
		system, ok := e.systemOf(b.System)
		if !ok || !knownStep(b.Name) {
			return out
		}
		b = e.withSettings(b, system)
		e.sealed = e.sealed.hear(b, system)
		e.jobs.Tell(entry, b)
		entry.Body = b
		if b.Kind == "begin" {
			e.valve(entry, b)
			return e.begin(entry, b, system, out)
		}
		out = e.tellStanding(entry, system, out)
		return e.end(entry, system, b.Name, out)
	case "command":
		e.ordered(entry, b)
	case "mark":
		e.ordered(entry, b)
		system, _ := e.systemOf(b.System)
		e.sealed = e.sealed.hear(b, system)
		if b.Name == "acknowledged" {
			e.acknowledge(b)
		}
		e.answer(b)
		e.swap(entry, b)
		e.valve(entry, b)
		e.tick(entry, b)
		e.correct(entry, b)
		e.turn(entry, b)
	}
	for _, s := range e.seats {
		if b.System == "" || b.System == s.system || s.system == "" && s.rule.Steps == nil { // the box's own points serve every system
			out = e.ask(s, entry, out)
		}
	}
	return out
}

// withSettings is a begin mark with its step's settings as they stand, where it has none of its own.
func (e *Engine) withSettings(b *Told, system string) *Told {
	if b.Kind != "begin" || len(b.Limits) > 0 {
		return b
	}
	c := *b
	c.Limits = e.site.Settings(system, b.Name)
	return &c
}

// tellStanding hands a begin or end to the standing judges of the system and
// of the box, and to the system's other steps.
func (e *Engine) tellStanding(entry Entry, system string, out []Finding) []Finding {
	b := entry.Body.(*Told)
	for _, s := range e.seats {
		own := s.step.Name == b.Name && s.system == system
		if !own && (s.system == system || s.system == "") {
			out = e.ask(s, entry, out)
		}
	}
	return out
}

func (e *Engine) begin(entry Entry, b *Told, system string, out []Finding) []Finding {
	over := &Told{Kind: "end", Name: b.Name, System: b.System}
	e.again = true
	out = e.end(Entry{Seq: entry.Seq, At: entry.At, Body: over}, system, b.Name, out)
	e.again = false
	out = e.tellStanding(entry, system, out)
	step := Step{System: system, Name: b.Name, Begin: entry.Seq, Limits: b.Limits}
	of, step := byTakeOff(e.of(system), step, e.given)
	st := &stage{Running: Running{Step: step, Since: e.happened(entry, b)}}
	heard, readBy := e.heardBetween(system, b.Name)
	shared := &weigher{}
	for i := range e.rules {
		r := &e.rules[i]
		if !slices.Contains(r.Steps, b.Name) {
			continue
		}
		s := &seat{rule: r, system: system, step: step, points: e.points(r, system, true)}
		if s.fixes = e.fixesOf(s.points); heard != nil && (r.Name == ChargeTarget.Name || r.Name == ScaleSilent.Name) {
			s.fixes = readBy // one ledger, one correction
		}
		s.judge = r.Begin(Start{System: system, Step: step, Entry: entry, Points: s.points, Plant: of, Units: of.Units, PipeM3: of.PipeM3, CoilsM3: of.CoilsM3,
			Open: e.openOf(r, system), Earlier: e.givenOn(system), Given: func() []Finding { return e.givenOn(system) }, Began: st.Since,
			Running: e.runningOn(system), Commands: maps.Clone(e.commands), AskedAt: maps.Clone(e.askedAt), Placed: e.placed[:len(e.placed):len(e.placed)],
			Wall: e.proven, Zone: e.site.Zone, Answered: e.answeredOn(system), Others: e.site.OthersOf(system), Swapped: max(e.swapped[system], e.swapped[""]), Weighed: e.weighedFor(system), Isolated: e.isolated[system], weighed: e.weighedBefore(s), Said: e.said, Reads: e.readBy(b.Name, system), between: heard, weigher: shared, ended: e.goesOnFrom(system, heard)})
		st.seats = append(st.seats, s)
	}
	e.running = append(e.running, st)
	e.seatAll()
	for _, s := range st.seats {
		e.rearm(s)
	}
	return out
}

// end hands the step's judges its end, then clears what they leave open.
func (e *Engine) end(entry Entry, system, name string, out []Finding) []Finding {
	for i, st := range e.running {
		if st.System != system || st.Name != name {
			continue
		}
		for _, s := range st.seats {
			out = e.ask(s, entry, out)
		}
		e.running = append(e.running[:i:i], e.running[i+1:]...)
		ledger, fixes := ledgerOf(st.seats)
		e.listen(entry, st.Step, ledger, fixes)
		e.seatAll()
		return append(out, e.clearEnded(st.Step)...)
	}
	return out
}

func (e *Engine) clearEnded(step Step) (out []Finding) {
	var left []Flag
	for _, o := range e.open {
		if o.System != step.System || o.Step != step.Name || o.Begin != step.Begin {
			left = append(left, o)
			continue
		}
		out = append(out, Finding{At: e.now, Seq: e.seq, Edge: Cleared, Flag: o.Flag, System: o.System, Step: o.Step,
			Begin: o.Begin, Subject: o.Subject, Urgency: o.Urgency, Points: o.Points, Text: stepEnded(o.Flag, o.Step, e.stands(o))})
	}
	e.open = left
	return out
}

// stands is the verdict that a flag's step, or its unit, has.
func (e *Engine) stands(o Flag) (result string) {
	for _, f := range e.given {
		if f.System == o.System && f.Step == o.Step && f.Begin == o.Begin && (f.Unit == "" || f.Unit == o.Subject) {
			result = f.Result
		}
	}
	return result
}

// happened is when a mark was made: its own time where that is known and earlier than the entry's.
func (e *Engine) happened(entry Entry, b *Told) Instant {
	at := entry.At
	if b.Own == 0 || !e.anchored {
		return at
	}
	since := time.Duration(b.Own-e.wall) * time.Millisecond
	if since < at.Since && at.Since-since < 24*time.Hour { // further off is a clock, not a late mark
		at.Since = since
	}
	return at
}

func (e *Engine) acknowledge(b *Told) {
	flag, subject, _ := strings.Cut(strings.TrimSpace(b.Note), " ")
	for i := range e.open {
		o := &e.open[i]
		if o.Flag == flag && (subject == "" || o.Subject == subject) && (b.System == "" || o.System == b.System) {
			o.Acknowledged, o.By = true, b.By
		}
	}
}

// seatAll lists the judges in the order in which they are asked: the standing
// ones, then those of the steps as they were begun.
func (e *Engine) seatAll() {
	e.seats = append([]*seat(nil), e.standing...)
	for _, st := range e.running {
		e.seats = append(e.seats, st.seats...)
	}
	e.seats = append(e.seats, e.between...)
	e.byPoint = map[string][]place{}
	for _, s := range e.seats {
		for i := range s.points {
			e.byPoint[s.points[i].Name] = append(e.byPoint[s.points[i].Name], place{s, i})
		}
	}
	e.findEarliest()
}

// watched lists the systems, and "" for the box's own points where there are several.
func (e *Engine) watched() []string {
	var all []string
	for _, s := range e.site.Systems {
		all = append(all, s.Name)
	}
	if len(all) > 1 {
		all = append(all, "")
	}
	return all
}

// points lists what a rule reads of a system. What belongs to no system (a
// barometer, a scale on a trolley) serves every system's steps.
func (e *Engine) points(r *Rule, system string, shared bool) (ps []sensors.Point) {
	one := len(e.site.Systems) == 1
	for _, p := range e.site.Points {
		mine := one || p.System == system || shared && p.System == ""
		if mine && (r.Roles == nil || slices.Contains(r.Roles, p.Role)) {
			ps = append(ps, p)
		}
	}
	return ps
}

func (e *Engine) systemOf(name string) (string, bool) {
	name = e.site.SystemOf(name)
	if slices.ContainsFunc(e.site.Systems, func(s System) bool { return s.Name == name }) {
		return name, true
	}
	return "", false
}

// of is what the site file says of a system; of the box's own points, nothing.
func (e *Engine) of(system string) System {
	for _, s := range e.site.Systems {
		if s.Name == system {
			return s
		}
	}
	return System{}
}

func (e *Engine) openOf(r *Rule, system string) (open []Flag) {
	for _, o := range e.open {
		if o.System == system && slices.Contains(r.Flags, o.Flag) {
			open = append(open, o)
		}
	}
	return open
}

// openFor lists the subjects for which a flag is open on a system; "": on any.
func (e *Engine) openFor(flag, system string) (subjects []string) {
	for _, o := range e.open {
		if o.Flag == flag && (system == "" || o.System == system) {
			subjects = append(subjects, o.Subject)
		}
	}
	return subjects
}

// givenTo lists the verdicts that concern a standing rule.
func (e *Engine) givenTo(r *Rule, system string) []Finding {
	if r.Box {
		return slices.Clone(e.given)
	}
	return e.givenOn(system)
}

// givenOn lists the verdicts of a system's newest job, and of the take-off.
func (e *Engine) givenOn(system string) (given []Finding) {
	job, _ := e.jobs.Newest(system)
	for _, f := range e.given {
		if f.System == system && (f.Begin >= job.From || f.Step == "take-off") {
			given = append(given, f)
		}
	}
	return given
}

// runningOn lists the steps under way on a system; all of them for the box's own points.
func (e *Engine) runningOn(system string) (steps []Step) {
	for _, st := range e.running {
		if st.System == system || system == "" {
			steps = append(steps, st.Step)
		}
	}
	return steps
}

// sealedOf is a system's pipework where it is sealed; all of it for the box's own points.
func (e *Engine) sealedOf(system string) (of sealed) {
	for _, s := range e.sealed {
		if s.System == system || system == "" {
			of = append(of, s)
		}
	}
	return of
}

// readBy lists the points that a step's rules read by their roles.
func (e *Engine) readBy(step, system string) (ps []sensors.Point) {
	for _, p := range e.points(&Rule{}, system, true) {
		if reads(e.rules, step, p.Role) {
			ps = append(ps, p)
		}
	}
	return ps
}

func reads(rules []Rule, step, role string) bool {
	return role != "" && slices.ContainsFunc(rules, func(r Rule) bool {
		return slices.Contains(r.Steps, step) && slices.Contains(r.Roles, role) && r.Name != PointMissing.Name // which asks for them, and reads none
	})
}

// Reads reports whether the judges of a step read a point.
func (s Site) Reads(step, point string) bool {
	return slices.ContainsFunc(withRoles(s), func(p sensors.Point) bool { return p.Name == point && reads(All(), step, p.Role) })
}

// Jobs are those of the site's systems; read only.
func (e *Engine) Jobs() *Jobs { return e.jobs }

// Calibrations is what is said of the instruments; read only.
func (e *Engine) Calibrations() *Calibrations { return e.said }

// Due is the earliest moment of the running boot at which silence alone may
// bring a finding: who waits for it needs no entry at a deadline before.
func (e *Engine) Due() (due Instant, ok bool) {
	due.Boot = e.now.Boot
	for _, s := range e.seats {
		at, armed := s.due, s.armed
		if p, is := s.judge.(Putter); is && armed {
			at, armed = p.PutOff()
			at = max(wholeMs(at), s.due)
		}
		if armed && (!ok || at < due.Since) {
			due.Since, ok = at, true
		}
	}
	return due, ok
}

// Open returns the open flags in the order they were first raised.
func (e *Engine) Open() []Flag { return append([]Flag(nil), e.open...) }

// Running returns the steps under way with their begin marks' moments.
func (e *Engine) Running() []Running {
	var all []Running
	for _, st := range e.running {
		all = append(all, st.Running)
	}
	return all
}

// Running is a step under way and when it began.
type Running struct {
	Step
	Since Instant
}

// Outlooks says how each running step stands, in the order begun; a step nobody can speak for yet has a plain sentence.
func (e *Engine) Outlooks(at Instant) []StepOutlook {
	var all []StepOutlook
	for _, st := range e.running {
		o := st.outlook(at)
		if st.powered() {
			o.Sentence += powerAllowed(false)
		}
		all = append(all, StepOutlook{st.Running, o})
	}
	return all
}

func (st *stage) outlook(at Instant) Outlook {
	for _, s := range st.seats {
		if o, ok := s.judge.(Outlooker); ok && !s.broken {
			return o.Outlook(at)
		}
	}
	var elapsed time.Duration
	if at.Boot == st.Since.Boot {
		elapsed = max(0, at.Since-st.Since.Since)
	}
	return Outlook{Sentence: underWay(st.Name, elapsed, at.Boot == st.Since.Boot), Elapsed: elapsed, Left: -1}
}

// StepOutlook is a running step's outlook.
type StepOutlook struct {
	Running
	Outlook
}

// Num rounds to six significant digits, so that a number is the same on every machine.
func Num(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	if err != nil {
		return x
	}
	if y == 0 {
		return 0 // never minus nought
	}
	return y
}

// rounded rounds values and leaves out what is no number.
func rounded(vs []Value) []Value {
	var kept []Value
	for _, v := range vs {
		if !math.IsNaN(v.Number) && !math.IsInf(v.Number, 0) {
			kept = append(kept, Value{v.Key, Num(v.Number)})
		}
	}
	return kept
}

func knownStep(name string) bool { return slices.Contains(stepNames[:], name) }
