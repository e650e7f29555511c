package record

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// Which says whose record is wanted.
type Which struct {
	System string // empty: the site's only one
	Job    int    // 0: the system's newest
}

// ErrEmpty says that a journal holds nothing yet.
var ErrEmpty = errors.New("the journal is empty: nothing was measured and nobody told anything yet, so there is nothing to put on record; begin a step, and ask again")

// Read gathers what the journal holds of one job, at any time: a step that is
// under way is shown as open. What was said in its time stands as it was said,
// by the findings that the journal keeps; curves, ledgers and tables come from
// putting the entries through the judges again.
func Read(ctx context.Context, r *journal.Reader, w Which) (Record, error) {
	now, err := stand(ctx, r)
	if err != nil {
		return Record{}, err
	}
	if now.entries == 0 {
		return Record{}, ErrEmpty
	}
	g := reading{r: r, stood: now, to: now.entries, last: now.entries, bySeq: map[uint64]*underWay{}}
	if g.marks, g.anchors, err = marksTo(ctx, r, g.to); err != nil {
		return Record{}, err
	}
	if err := g.choose(ctx, w); err != nil {
		return Record{}, err
	}
	for _, part := range []func(context.Context) error{g.told, g.found, g.replay, g.finish} {
		if err := part(ctx); err != nil {
			return Record{}, err
		}
	}
	g.rec.stood = now
	g.rec.chained, err = now.chainedAt(ctx, r, g.anchors, g.to)
	return g.rec, err
}

// marksTo are the marks, starts and anchors up to an entry: what comes while
// something is made of them is none of it.
func marksTo(ctx context.Context, r *journal.Reader, to uint64) (marks []rules.Entry, anchors journal.Anchors, err error) {
	marks, err = r.Marks(ctx)
	if i := slices.IndexFunc(marks, func(e rules.Entry) bool { return e.Seq > to }); i >= 0 {
		marks = marks[:i]
	}
	anchors = journal.Anchors{}
	for _, e := range marks {
		anchors.Tell(e)
	}
	return marks, anchors, err
}

// reading is one record while it is read.
type reading struct {
	r       *journal.Reader
	stood   stood
	anchors journal.Anchors
	marks   []rules.Entry // all of the journal's: told, started, clocked
	site    rules.Site
	system  rules.System
	job     rules.Job
	from    uint64 // the job's first entry
	to      uint64 // its last, so far
	next    uint64 // the first of the job after it; 0: none
	last    uint64 // the journal's
	at      rules.Instant
	steps   []*underWay
	bySeq   map[uint64]*underWay
	sheet   *rules.AddressSheet
	checks  *rules.CheckList
	used    map[string]bool
	placed  []string          // notes of carried probes placed, so far
	asked   map[string]string // of indoor units, so far
	open    []rules.Flag      // at the record's end
	rec     Record
}

// underWay is a step with what the record does not print.
type underWay struct {
	Step
	system       string
	began, ended rules.Instant
	endSeq       uint64 // 0: open
	after        After  // what became of it once its job was closed
	afterSeq     uint64 // of its end then; 0: none
	afterSaid    []rules.Finding
	settings     map[string]rules.Setting
	entered      rules.Entered
	verdicts     []rules.Finding
	outlook      rules.Outlook
	at           rules.Instant // of outlook
	traces       []*trace
	airs         *airs
	outdoor      outdoor
}

// choose finds the system, its job and the site file of that time.
func (g *reading) choose(ctx context.Context, w Which) (err error) {
	known := false
	if g.site, known, err = Site(ctx, g.r, 0); err != nil {
		return err
	}
	if err := g.named(w.System); err != nil {
		return err
	}
	jobs := rules.NewJobs(g.site)
	for _, e := range g.marks {
		if b, ok := e.Body.(*rules.Told); ok && e.Seq <= g.to {
			jobs.Tell(e, b)
		}
	}
	list := jobs.Of(g.system.Name)
	if w.Job < 0 || w.Job > len(list) {
		return fmt.Errorf("there is no job %d of %s: the journal holds %s", w.Job, g.called(), numberOf(len(list), "job", "jobs"))
	}
	g.job = list[len(list)-1]
	if w.Job > 0 {
		g.job = list[w.Job-1]
	}
	g.from = g.job.From
	if g.job.Number < len(list) {
		g.next = list[g.job.Number].From
	}
	if g.job.To > 0 && g.job.To < g.to {
		g.to = g.job.To
		if g.site, known, err = Site(ctx, g.r, g.to); err != nil {
			return err
		}
		if err := g.named(g.system.Name); err != nil {
			return err
		}
	}
	for e, err := range g.r.Entries(ctx, g.to, g.to, nil) {
		if err != nil {
			return err
		}
		g.at = e.At
	}
	if g.site.Zone == nil {
		g.site.Zone = time.UTC
	}
	s := g.system
	g.rec = Record{
		Format: recordFormat, Made: g.wall(g.at), Entries: g.to, Site: g.site.Name, Zone: g.site.Zone.String(), SiteKnown: known,
		System: System{Name: s.Name, Refrigerant: s.Refrigerant, HeatRecovery: s.HeatRecovery, Outdoor: s.Outdoor, Branches: s.Branches,
			PipeM3: rules.Num(s.PipeM3), GWP: s.GWP, GWPSource: s.GWPSource},
		Job: Job{Number: g.job.Number, Of: len(list), Name: g.job.Name, State: g.job.State, By: g.job.By},
	}
	for _, p := range slices.Backward(g.site.Points) { // the first of them
		if p.Role == "charging-scale" && (p.System == "" || p.System == s.Name) {
			g.rec.MassUnit = p.Unit
			if p.Unit == "kg" {
				g.rec.MassUnit = ""
			}
		}
	}
	for _, u := range s.Units {
		g.rec.System.Indoor = append(g.rec.System.Indoor, Indoor{u.Name, u.Room, u.Branch, u.Port})
	}
	for e, err := range g.r.Entries(ctx, g.from, g.from, nil) {
		if err != nil {
			return err
		}
		g.rec.Job.Begun = g.wall(e.At)
	}
	if g.job.To > 0 {
		g.rec.Job.Ended = g.rec.Made
	}
	for _, m := range g.job.Said {
		g.rec.Job.Said = append(g.rec.Job.Said, JobSaid{m.Mark, m.Text, m.By, g.happened(m.At, m.Own)})
	}
	for _, m := range g.job.Signed {
		g.rec.Signatures = append(g.rec.Signatures, Signed{Role: m.Role, Name: m.Name, At: g.happened(m.At, m.Own), Strokes: m.Strokes, After: g.to > m.Seq && g.tellsAfter(m.Seq)})
	}
	return nil
}

// tellsAfter reports whether somebody told the job something after a name was
// signed, beside more names and its closing.
func (g *reading) tellsAfter(seq uint64) bool {
	return slices.ContainsFunc(g.marks, func(e rules.Entry) bool {
		b, ok := e.Body.(*rules.Told)
		return ok && e.Seq > seq && e.Seq <= g.to && g.ours(b) && b.Name != rules.MarkSigned && !rules.IsJobMark(b.Name) && b.Note != "stopped"
	})
}

// named finds the system of a name.
func (g *reading) named(name string) error {
	var names []string
	for _, s := range g.site.Systems {
		if s.Name == g.site.SystemOf(name) {
			g.system = s
			return nil
		}
		names = append(names, s.Name)
	}
	switch {
	case name == "":
		return fmt.Errorf("the site has several systems, each with a record of its own: say which of %s", strings.Join(names, ", "))
	case len(names) == 0 || len(names) == 1 && names[0] == "":
		return fmt.Errorf("the site has no system %q, only one without a name", name)
	}
	return fmt.Errorf("the site has no system %q; it has %s", name, strings.Join(names, ", "))
}

func (g *reading) called() string { return cmp.Or(g.system.Name, "the system") }

func (g *reading) wall(at rules.Instant) time.Time {
	ms, ok := g.anchors.Wall(at)
	if !ok {
		return time.Time{}
	}
	return time.UnixMilli(ms).In(g.site.Zone)
}

// happened is when a mark was made: its own time (Unix ms) where it has one.
func (g *reading) happened(at rules.Instant, own int64) time.Time {
	if own != 0 {
		return time.UnixMilli(own).In(g.site.Zone)
	}
	return g.wall(at)
}

// ours reports whether a mark may be about this system.
func (g *reading) ours(b *rules.Told) bool { return b.System == "" || b.System == g.system.Name }

func (g *reading) inJob(seq uint64) bool { return seq >= g.from && seq <= g.to }

// otherwise are the marks that stand elsewhere in the record, or say nothing by
// themselves. An acknowledgement stands with its flag (found).
var otherwise = []string{"checked", "calibrated", "unit-found", "counted", "setting", "acknowledged", "reported", "accepted", rules.MarkSigned}

// told reads the marks.
func (g *reading) told(ctx context.Context) error {
	g.sheet = rules.NewAddressSheet(g.system, g.site.OthersOf(g.system.Name)...)
	g.checks = rules.NewCheckList(g.site, g.system.Name)
	said := rules.NewCalibrations(g.site)
	before := rules.Entry{}
	for i, e := range g.marks {
		if e.Seq > g.last {
			break
		}
		if e.Seq > g.to {
			if b, ok := e.Body.(*rules.Told); ok && g.ours(b) {
				g.later(e, b)
			}
			continue
		}
		switch b := e.Body.(type) {
		case *rules.Started:
			ends := true // a run that ended before the job began is none of it
			for _, x := range g.marks[i+1:] {
				if _, ok := x.Body.(*rules.Started); ok {
					ends = x.Seq > g.from
					break
				}
			}
			if ends {
				a, ok := g.anchors[e.At.Boot]
				run := Boot{Boot: e.At.Boot, Version: b.Version, Begun: g.wall(e.At), GapKnown: b.GapKnown, First: before.Seq == 0}
				if b.GapKnown {
					run.GapS = rules.Num(b.Gap.Seconds())
				}
				if ok {
					run.Clock, run.Proven, run.ErrorS = a.Source, a.Proven, rules.Num(a.Error.Seconds())
				}
				g.rec.Runs = append(g.rec.Runs, run)
			}
		case *rules.Told:
			said.Tell(e, b)
			if g.inJob(e.Seq) && g.ours(b) {
				g.mark(e, b)
			}
		}
		before = e
	}
	g.instruments(said)
	return nil
}

// bounds reports whether a mark begins or ends a step of this system: unlike
// other marks it means no system where the site has several and none is named.
func (g *reading) bounds(b *rules.Told) bool {
	return (b.Kind == "begin" || b.Kind == "end") && g.site.SystemOf(b.System) == g.system.Name
}

// later takes what was told after the job was closed: how a step ended that was
// left running, and what belongs to no other job. The job's own marks stand
// with it already.
func (g *reading) later(e rules.Entry, b *rules.Told) {
	if g.bounds(b) {
		for _, s := range g.steps {
			if s.endSeq == 0 && s.afterSeq == 0 && s.Step.Step == b.Name {
				s.afterSeq, s.after.Ended = e.Seq, g.happened(e.At, b.Own)
			}
		}
	}
	if b.Kind != "mark" || g.next != 0 && e.Seq >= g.next || rules.IsJobMark(b.Name) || b.Name == rules.MarkSigned || b.Name == rules.MarkCopy {
		return
	}
	g.rec.Later = append(g.rec.Later, g.note(e, b))
}

// note is a mark as it was told, and keeps the photos that it names.
func (g *reading) note(e rules.Entry, b *rules.Told) Note {
	text, photos := rules.CutPhotos(b.Note)
	for _, p := range photos {
		g.photo(p, b.Name)
	}
	return Note{b.Name, g.happened(e.At, b.Own), rules.Num(b.Value), b.Unit, text, b.By}
}

// photo keeps a photo's name once, with all that it is of.
func (g *reading) photo(name, of string) {
	i := slices.IndexFunc(g.rec.Photos, func(p Photo) bool { return p.Name == name })
	switch {
	case i < 0:
		g.rec.Photos = append(g.rec.Photos, Photo{Name: name, Of: of})
	case !slices.Contains(strings.Split(g.rec.Photos[i].Of, ", "), of):
		g.rec.Photos[i].Of += ", " + of
	}
}

func (g *reading) mark(e rules.Entry, b *rules.Told) {
	switch b.Kind {
	case "begin", "end":
		if !g.bounds(b) {
			return
		}
		for _, s := range g.steps {
			if s.endSeq == 0 && s.Step.Step == b.Name {
				s.ended, s.endSeq, s.Ended = e.At, e.Seq, g.happened(e.At, b.Own)
			}
		}
		if b.Kind == "end" || !slices.Contains(rules.StepNames(), b.Name) {
			return
		}
		s := &underWay{began: e.At, settings: b.Limits, system: g.system.Name}
		if len(s.settings) == 0 {
			s.settings = g.site.Settings(g.system.Name, b.Name)
		}
		s.Step = Step{Step: b.Name, Number: 1, Seq: e.Seq, Begun: g.happened(e.At, b.Own), Open: true}
		for _, o := range g.steps {
			if o.Step.Step == b.Name {
				s.Number++
			}
		}
		g.steps = append(g.steps, s)
		g.bySeq[e.Seq] = s
		return
	case "mark":
	default:
		return
	}
	at := g.happened(e.At, b.Own)
	for _, s := range g.steps {
		if s.endSeq == 0 && s.Step.Step == "take-off" {
			s.entered.Tell(b, g.system.Name)
		}
	}
	settings := len(g.sheet.Settings)
	g.sheet.Tell(b)
	for _, c := range g.sheet.Settings[min(settings, len(g.sheet.Settings)):] {
		g.rec.Settings = append(g.rec.Settings, Setting{c.Unit, c.Number, c.From, c.To, c.Note, b.By, at})
	}
	ticked := g.checks.Tell(e, b)
	if b.Name == "reported" || b.Name == "accepted" {
		g.answered(b, at)
	}
	if slices.Contains(otherwise, b.Name) && (b.Name != "checked" || ticked) || rules.IsJobMark(b.Name) {
		return
	}
	g.rec.Notes = append(g.rec.Notes, g.note(e, b))
}

// answered takes what a person answers for.
func (g *reading) answered(b *rules.Told, at time.Time) {
	system, step, rest, ok := rules.CutStep(b.Note)
	if !ok {
		g.rec.Unclear = append(g.rec.Unclear, unclearAnswer(b.Name, b.Note))
		return
	}
	if of := g.site.SystemOf(cmp.Or(system, b.System)); of != g.system.Name {
		if !slices.ContainsFunc(g.site.Systems, func(s rules.System) bool { return s.Name == of }) {
			g.rec.Unclear = append(g.rec.Unclear, unclearSystem(b.Name, b.Note)) // it stands in the record of each
		}
		return
	}
	if !rules.Answers(b) {
		g.rec.Unclear = append(g.rec.Unclear, nobodyAnswers(b.Name, b.Note))
		return
	}
	x := Said{Step: step, At: at}
	if x.By, x.Text = rules.CutBy(rest); x.By == "" {
		x.By = b.By
	}
	if b.Name == "reported" {
		g.rec.Reported = append(g.rec.Reported, x)
		return
	}
	for _, s := range slices.Backward(g.steps) { // the newest of its name
		if s.Step.Step != step {
			continue
		}
		if len(s.verdicts) == 0 && s.endSeq == 0 {
			break
		}
		g.rec.Accepted, s.Accepted = append(g.rec.Accepted, x), append(s.Accepted, x)
		return
	}
	g.rec.Unclear = append(g.rec.Unclear, nothingToAccept(b.Note))
}

func (g *reading) instruments(said *rules.Calibrations) {
	for _, p := range g.site.Points {
		if p.System != "" && p.System != g.system.Name {
			continue
		}
		h := said.Holds(p.Name)
		x := Instrument{Point: p.Name, Measures: p.Quantity.String(), Role: p.Role, Kind: p.Source, Serial: h.Serial, Against: h.Against, Until: h.Until}
		if h.Said {
			switch h.By.What {
			case rules.Exchanged: // another one, and when it was calibrated nobody said
			case rules.Withdrawn: // as it shows: what its papers say holds
				x.Calibrated = p.Instrument.Calibrated
			default:
				x.By = h.By.By
				if at := g.happened(h.By.At, h.By.Own); !at.IsZero() {
					x.Calibrated = at.Format(time.DateOnly)
				}
			}
		} else {
			x.Calibrated = p.Instrument.Calibrated
		}
		for _, m := range said.Marks(p.Name) {
			x.Said = append(x.Said, Calibrated{m.What, m.Note, m.Problem, m.By, g.happened(m.At, m.Own)})
		}
		g.rec.Instruments = append(g.rec.Instruments, x)
	}
}

// replay puts the job's entries through the judges of its steps, for what they
// said of each just before its end, and gathers the curves.
func (g *reading) replay(ctx context.Context) error {
	g.used, g.asked = map[string]bool{}, map[string]string{}
	var judges []rules.Rule
	for _, rule := range rules.All() {
		if len(rule.Steps) > 0 { // the standing ones have said what they had to say
			judges = append(judges, rule)
		}
	}
	var points []string
	quantity := map[string]sensors.Point{}
	for _, p := range g.site.Points {
		if p.System == "" || p.System == g.system.Name {
			points, quantity[p.Name] = append(points, p.Name), p
		}
	}
	engine := rules.NewEngine(g.site, judges)
	engine.Contain(func(string, any) {}) // what it found before it fell over stands in the findings
	for _, e := range g.marks {
		if e.Seq >= g.from {
			break
		}
		engine.Next(e)
		if b, ok := e.Body.(*rules.Told); ok {
			g.moved(b, e.At, nil)
		}
	}
	var open []*underWay
	for e, err := range g.r.Entries(ctx, g.from, g.to, points) {
		if err != nil {
			return err
		}
		switch b := e.Body.(type) {
		case *rules.Measured:
			g.used[b.Point] = true
			for _, s := range open {
				for _, t := range s.traces {
					if t.point.Name == b.Point {
						t.add(e.At, b, engine.Calibrations().Correction(b.Point))
					}
				}
				s.airs.add(e.At, b, engine.Calibrations().Correction(b.Point))
				if p := quantity[b.Point]; p.Role == "outdoor-air" && p.Quantity == sensors.Temperature {
					s.outdoor.add(engine.Calibrations().Correction(b.Point).Of(p.Quantity, b.Reading))
				}
			}
		case *rules.Told:
			g.moved(b, e.At, open)
			if g.bounds(b) {
				g.lastWords(engine, e.At)
			}
		}
		engine.Next(e)
		b, ok := e.Body.(*rules.Told)
		if !ok || !g.bounds(b) {
			continue
		}
		open = slices.DeleteFunc(open, func(s *underWay) bool { return s.endSeq != 0 && s.endSeq <= e.Seq })
		if s := g.bySeq[e.Seq]; s != nil {
			s.traces = g.tracesOf(s)
			s.airs = g.airsOf(s)
			open = append(open, s)
		}
	}
	g.lastWords(engine, g.at)
	return nil
}

func (g *reading) lastWords(engine *rules.Engine, at rules.Instant) {
	for _, o := range engine.Outlooks(at) {
		if s := g.bySeq[o.Begin]; s != nil && o.System == g.system.Name {
			s.outlook, s.at = o.Outlook, at
			if s.endSeq == 0 || len(o.Limits) > 0 {
				s.settings = o.Limits // the engine's: a target may come from the take-off
			}
		}
	}
}

// finish puts together what was gathered.
func (g *reading) finish(ctx context.Context) error {
	g.takeOff()
	for _, s := range g.steps {
		g.step(s)
		g.rec.Steps = append(g.rec.Steps, s.Step)
	}
	for i := range g.rec.Instruments {
		g.rec.Instruments[i].Used = g.used[g.rec.Instruments[i].Point]
	}
	for _, row := range g.sheet.Rows {
		planned, _ := g.sheet.PlanOf(row.Unit)
		g.rec.Units = append(g.rec.Units, UnitRow{Planned: planned.Address, Unit: row.Unit, Kind: row.Kind, Room: cmp.Or(row.Room, row.Site.Room), Address: row.Address,
			Others: row.Others, Model: row.Model, Branch: row.Site.Branch, Port: row.Site.Port, Found: row.Found, Note: row.Note})
	}
	for _, kind := range rules.Kinds() {
		n, ok := g.sheet.Counts[kind]
		if !ok {
			n = -1
		}
		g.rec.Counted = append(g.rec.Counted, Count{kind, g.sheet.Expected(kind), g.sheet.FoundOf(kind), n})
	}
	g.rec.Unclear = append(g.rec.Unclear, g.sheet.Odd...)
	for _, c := range g.checks.All() {
		x := Check{Check: c.Name, Text: c.Text, Source: c.Source, State: checkState(c)}
		for _, m := range c.Marks {
			x.Said = append(x.Said, CheckSaid{m.State, m.By, m.Remark, g.happened(m.At, m.Own), m.Photos})
			for _, p := range m.Photos {
				g.photo(p, c.Name)
			}
		}
		g.rec.Checks = append(g.rec.Checks, x)
	}
	for i := range g.rec.Photos { // none is read but by who draws it
		p := &g.rec.Photos[i]
		name := p.Name
		size, err := g.r.PhotoSize(ctx, name)
		if err != nil {
			return err
		}
		p.Size, p.Kept, p.read = size, size > 0, func() ([]byte, error) { return g.r.Photo(ctx, name) }
	}
	g.charge()
	g.outstanding()
	return g.earlier(ctx)
}

func (g *reading) takeOff() {
	var entered rules.Entered
	for _, s := range g.steps {
		if len(s.entered.Rows) > 0 || len(s.entered.Bad) > 0 {
			entered = s.entered
		}
	}
	p, doubts := g.system.TakenOff(entered)
	sum, err := p.Sum()
	t := TakeOff{AllowancesKg: rules.Num(p.ExtraKg), LiquidC: rules.Num(p.LiquidC), Entered: len(entered.Rows) > 0, Estimated: sum.Estimated,
		LiquidM: rules.Num(sum.LiquidM), GasM: rules.Num(sum.GasM), InsideM3: rules.Num(sum.InsideM3)}
	for _, d := range doubts {
		t.Doubts = append(t.Doubts, d.Text)
	}
	if err == nil && sum.Known() {
		t.AdditionalKg = rules.Num(sum.AdditionalKg)
		if g.system.WholeFactoryKg() > 0 {
			t.TotalKg = rules.Num(sum.TotalKg)
		}
	}
	for i, r := range p.Runs {
		x := Run{Run: r.Name, Line: r.Line, DiameterM: rules.Num(r.OutsideDiameterM), LengthM: rules.Num(r.LengthM), WallM: rules.Num(r.WallM), FactorKgM: rules.Num(r.FactorKgM)}
		if err == nil && i < len(sum.Lines) {
			l := sum.Lines[i]
			kg, _ := l.ChargeKg(sum.LiquidKgM3)
			x.VolumeM3, x.ChargeKg = rules.Num(l.VolumeM3()), rules.Num(kg)
		}
		t.Runs = append(t.Runs, x)
		j := slices.IndexFunc(t.ByDiameter, func(o Length) bool { return o.Line == x.Line && o.DiameterM == x.DiameterM })
		if j < 0 {
			t.ByDiameter = append(t.ByDiameter, Length{Line: x.Line, DiameterM: x.DiameterM})
			j = len(t.ByDiameter) - 1
		}
		t.ByDiameter[j].LengthM += r.LengthM
	}
	for i := range t.ByDiameter {
		t.ByDiameter[i].LengthM = rules.Num(t.ByDiameter[i].LengthM)
	}
	slices.SortStableFunc(t.ByDiameter, func(a, b Length) int {
		return cmp.Or(cmp.Compare(slices.Index(rules.RunLines, a.Line), slices.Index(rules.RunLines, b.Line)), cmp.Compare(a.DiameterM, b.DiameterM))
	})
	g.rec.TakeOff = t
}

// Further states of a step and of a check, beside a verdict's results.
const (
	openState     = "open"
	acceptedState = "accepted"
	endedState    = "ended"        // without a verdict
	leftState     = "left-running" // when its job was closed
)

// checkState is how a check stands, as a word.
func checkState(c rules.CheckState) string {
	if c.State == "" && c.Left {
		return rules.CheckLeft
	}
	return cmp.Or(c.State, openState)
}

// newest are the last verdict of a step and of each unit, and those before that
// said otherwise.
func (g *reading) newest(all []rules.Finding) (newest, before []Verdict) {
	last := map[string]int{}
	for i, f := range all {
		last[f.Unit] = i
	}
	for i, f := range all {
		v := Verdict{Unit: f.Unit, At: g.wall(f.At), Result: f.Result, Cause: f.Cause, Text: f.Text, Figures: f.Values, Seq: f.Seq}
		if last[f.Unit] == i {
			newest = append(newest, v)
		} else if n := all[last[f.Unit]]; n.Result != f.Result || n.Cause != f.Cause {
			before = append(before, v)
		}
	}
	return newest, before
}

func (g *reading) step(s *underWay) {
	s.Open = s.endSeq == 0
	s.Verdicts, s.Before = g.newest(s.verdicts)
	s.State, s.Sentence, s.Cause = StateOf(s.Verdicts, s.Open, len(s.Accepted) > 0)
	if s.State == openState {
		s.Sentence = cmp.Or(s.outlook.Sentence, stillOpen)
	}
	if s.State == endedState && s.Step.Step == "hand-over" {
		s.Sentence = handedOver
	}
	if s.Open && g.job.To != 0 {
		s.State, s.Sentence = leftState, leftRunning
		s.after.Verdicts, _ = g.newest(s.afterSaid)
		s.After = &s.after
	}
	for _, v := range s.Verdicts {
		if v.Unit == "" {
			s.Figures = slices.Clone(v.Figures)
		}
	}
	for _, v := range s.outlook.Values {
		if _, ok := s.Figures.Of(v.Key); !ok {
			s.Figures = append(s.Figures, rules.Value{Key: v.Key, Number: rules.Num(v.Number)})
		}
	}
	for _, l := range rules.Limits() {
		if set, ok := s.settings[l.Key]; ok && l.Step == s.Step.Step {
			set = g.site.Used(g.system.Name, s.Step.Step, l.Key, set)
			s.Limits = append(s.Limits, StepLimit{Key: l.Key, Value: rules.Num(set.Value), Unit: l.Dimension.SI(), Text: set.Text, Source: set.Source, Given: set.Given})
		}
	}
	if s.Step.Step == "weigh-in" || s.Step.Step == "draw-in" {
		if tol, ok := rules.ChargeTolerance(s.settings); ok && !slices.ContainsFunc(s.Limits, func(l StepLimit) bool { return l.Key == "allowance" }) {
			s.Limits = append(s.Limits, StepLimit{Key: "tolerance", Value: rules.Num(tol.Value), Unit: "kg", Text: tol.Text, Source: tol.Source, Given: tol.Given})
		}
	}
	if s.outlook.Sure != "" {
		s.Sure = s.outlook.Sure
	}
	s.ElapsedS = rules.Num(s.outlook.Elapsed.Seconds())
	if until := cmp.Or(s.Ended, g.rec.Made); s.ElapsedS == 0 && !s.Begun.IsZero() && until.After(s.Begun) {
		s.ElapsedS = rules.Num(until.Sub(s.Begun).Seconds())
	}
	s.Conditions = s.outdoor.figures()
	g.clock(s)
	for _, x := range s.outlook.Ledger {
		s.Ledger = append(s.Ledger, Segment{x.Scale, x.Cylinder, g.wall(rules.Instant{Boot: s.at.Boot, Since: x.Since}), g.wall(rules.Instant{Boot: s.at.Boot, Since: x.Until}),
			rules.Num(x.FromKg), rules.Num(x.ToKg), rules.Num(x.LowKg), rules.Num(x.BestKg), rules.Num(x.HighKg), x.Ended, x.Unseen})
	}
	g.units(s)
	if t := s.outlook.Table; t != nil {
		b := &Branch{Units: t.Units, Pairs: t.Pairs, Dead: t.Dead, Leaks: t.Leaks}
		for _, row := range t.Cells {
			var cells []Response
			for _, c := range row {
				cells = append(cells, Response{rules.Num(c.ResponseK), c.Known, c.Chosen})
			}
			b.Responses = append(b.Responses, cells)
		}
		s.Branch = b
	}
	g.curves(s)
	g.airGraphs(s)
}

// units is how the indoor units stood: by their verdicts, and where the judge
// was still at it by what it said last.
func (g *reading) units(s *underWay) {
	for _, u := range g.system.Units {
		x := Unit{Unit: u.Name, Room: u.Room}
		known := false
		for _, o := range s.outlook.Units {
			if o.Unit == u.Name {
				x.Asked, x.Result, x.Cause, x.Sentence, known = o.Asked, o.Result, o.Cause, o.Sentence, true
				for _, v := range o.Values {
					x.Figures = append(x.Figures, rules.Value{Key: v.Key, Number: rules.Num(v.Number)})
				}
			}
		}
		for _, v := range s.Verdicts {
			if v.Unit == u.Name {
				x.Result, x.Cause, x.Sentence, x.Figures, known = v.Result, v.Cause, v.Text, v.Figures, true
			}
		}
		if known {
			s.Units = append(s.Units, x)
		}
	}
}

// clock says how well the wall times of a step are proven.
func (g *reading) clock(s *underWay) {
	until := s.ended
	if s.Open {
		until = g.at
	}
	s.Clock = "proven"
	for boot := s.began.Boot; boot <= until.Boot; boot++ {
		a, ok := g.anchors[boot]
		if !ok { // and no later one mends it: the numbers may be anybody's, of a bundle that is verified
			s.Clock = "none"
			break
		}
		switch {
		case !a.Proven && s.Clock == "proven":
			s.Clock = "unproven"
		}
	}
	for _, e := range g.marks {
		if b, ok := e.Body.(*rules.Started); ok && s.began.Before(e.At) && e.At.Before(until) {
			gap := Gap{Until: g.wall(e.At), Why: "power-cut"}
			if b.Same {
				gap.Why = "restarted"
			}
			if b.GapKnown {
				gap.LengthS = rules.Num(b.Gap.Seconds())
				gap.From = gap.Until.Add(-b.Gap)
			}
			s.Gaps = append(s.Gaps, gap)
		}
	}
}

// charge is what went in, by the newest word on it.
func (g *reading) charge() {
	c := Charge{FactoryKg: rules.Num(g.system.WholeFactoryKg()), CalculatedKg: g.rec.TakeOff.AdditionalKg}
	if g.system.FactoryKg > 0 {
		c.FactoryOpen = g.system.FactoryOpen
	}
	for _, name := range []string{"draw-in", "weigh-in"} { // one ledger runs over both
		for _, s := range g.rec.Steps {
			if s.Step != name {
				continue
			}
			if x, ok := s.Figures.Of("target_kg"); ok {
				c.TargetKg = x
			}
			var low, best, high, unseen float64
			for _, x := range s.Ledger {
				low, best, high = low+x.LowKg, best+x.BestKg, high+x.HighKg
				if x.Unseen && !rules.Bridged(x.LowKg, x.HighKg) {
					unseen += x.BestKg
				}
			}
			known := len(s.Ledger) > 0
			for _, key := range []string{"charged_kg", "drawn_kg"} {
				if x, ok := s.Figures.Of(key); ok {
					best, known = x, true
					if key == "drawn_kg" && len(s.Ledger) == 0 {
						low, high = x, x
					}
					break
				}
			}
			if x, ok := s.Figures.Of("charged_low_kg"); ok {
				low = x
			}
			if x, ok := s.Figures.Of("charged_high_kg"); ok {
				high = x
			}
			if x, ok := s.Figures.Of("unweighed_kg"); ok {
				unseen = x
			}
			if known {
				c.Weighed, c.AdditionalKg, c.LowKg, c.HighKg, c.UnweighedKg = true, rules.Num(best), rules.Num(min(low, best)), rules.Num(max(high, best)), rules.Num(unseen)
				c.Result = ""
				if s.State != openState && s.State != leftState && s.State != endedState {
					c.Result = s.State
				}
			}
		}
	}
	if c.FactoryKg > 0 && c.Weighed {
		c.TotalKg = rules.Num(c.FactoryKg + c.AdditionalKg)
	}
	g.rec.Charge = c
}

// outstanding lists what is not settled.
func (g *reading) outstanding() {
	s := Standing{Site: g.site, System: g.system, Checks: g.checks.All(), Flags: g.open}
	for _, x := range g.rec.Steps {
		s.Steps = append(s.Steps, StepStanding{x.Step, x.State})
	}
	for _, x := range g.rec.Reported {
		s.Reported = append(s.Reported, x.Step)
	}
	g.rec.Outstanding = OpenPoints(s)
}
