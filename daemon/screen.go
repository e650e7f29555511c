package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// What the screens show without asking the journal: the newest findings and marks.
const (
	recentLength = 100
	marksLength  = 500
)

// view is what the screens show, kept up entry by entry beside the engine.
type view struct {
	p        Parts
	boot     uint32 // this run's; 0: not begun
	at       rules.Instant
	anchors  journal.Anchors
	points   map[string]*web.Point
	pointsAt map[string]rules.Instant // of the newest reading
	heardAt  map[string]rules.Instant
	takenAt  map[string]time.Duration
	steps    []pastStep // in the order begun
	pace     *pace
	reported []said
	verdicts []rules.Finding
	recent   []journal.Stored
	marks    []toldAt                       // oldest first
	sheets   map[string]*rules.AddressSheet // by system
	checks   map[string]*rules.CheckList    // by system
	jobs     *rules.Jobs
	count    uint64
}

type pastStep struct {
	rules.Step
	begun, ended rules.Instant
	open         bool
	outlook      rules.Outlook // the last one before its end
	accepted     []said
	entered      rules.Entered
}

type toldAt struct {
	rules.Told
	seq uint64
	at  rules.Instant
}

// said is what a person answers for, with the moment of its entry.
type said struct {
	web.Said
	at rules.Instant
}

func newView(p Parts) view {
	v := view{
		p: p, anchors: journal.Anchors{}, points: map[string]*web.Point{},
		pointsAt: map[string]rules.Instant{}, heardAt: map[string]rules.Instant{}, takenAt: map[string]time.Duration{},
		sheets: map[string]*rules.AddressSheet{}, checks: map[string]*rules.CheckList{},
		pace: &pace{}, jobs: rules.NewJobs(p.Site),
	}
	for _, sys := range p.Site.Systems {
		v.sheets[sys.Name] = rules.NewAddressSheet(sys, p.Site.OthersOf(sys.Name)...)
		v.checks[sys.Name] = rules.NewCheckList(p.Site, sys.Name)
	}
	for _, pt := range p.Site.Points {
		v.points[pt.Name] = &web.Point{Point: pt}
	}
	return v
}

// past loads the findings that lie before the entries the engine will see.
func (v *view) past(ctx context.Context, j *journal.Journal) error {
	for after := int64(0); ; {
		page, err := j.Findings(ctx, after, 1000)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		for _, s := range page {
			v.finding(s)
			after = s.ID
		}
	}
}

// entry takes what the screens need of an entry.
func (v *view) entry(e rules.Entry) {
	v.at = e.At
	v.count = e.Seq
	m, ok := e.Body.(*rules.Measured)
	if !ok {
		v.mark(e)
		return
	}
	p := v.points[m.Point]
	if p == nil {
		return
	}
	if e.At.Boot == v.boot { // not those read back after a start
		p.Count++
		if m.Health.Grade != 0 {
			p.Bad++
		}
	}
	if m.Health.Live() {
		v.heardAt[m.Point] = e.At
	}
	p.Value, p.Health = m.Value, m.Health
	v.pointsAt[m.Point] = e.At
	v.takenAt[m.Point] = m.Taken
}

// mark takes steps and anchors.
func (v *view) mark(e rules.Entry) {
	switch b := e.Body.(type) {
	case *rules.Clocked:
		if v.anchors[e.At.Boot].Proven && !b.Proven {
			return // a clock that is no longer synchronised was right before
		}
		v.anchors[e.At.Boot] = journal.Anchor{
			OffsetMs: b.Wall - e.At.Since.Milliseconds(), Error: b.Error, Source: b.Source, Proven: b.Proven,
		}
	case *rules.Told:
		system := v.p.Site.SystemOf(b.System)
		if of, began := v.jobs.Tell(e, b); began { // what the screens show of a system is of its newest job
			v.reported = slices.DeleteFunc(v.reported, func(x said) bool { return x.System == of })
			v.checks[of].Renew()
		}
		switch b.Kind {
		case "begin":
			v.end(system, b.Name, e.At)
			v.steps = append(v.steps, pastStep{
				Step:  rules.Step{System: system, Name: b.Name, Begin: e.Seq, Limits: b.Limits},
				begun: e.At, open: true,
			})
			v.pace.set(v.steps)
		case "end":
			v.end(system, b.Name, e.At)
			v.pace.set(v.steps)
		case "mark", "command":
			v.told(b, e.At)
			for _, list := range v.checks {
				list.Tell(e, b)
			}
			v.marks = append(v.marks, toldAt{*b, e.Seq, e.At})
			if len(v.marks) > marksLength {
				v.marks = v.marks[1:]
			}
		}
	}
}

// lastWords keeps what the judges of the steps under way say of them, before
// an entry that may end one: a step that is over is shown by that.
func (v *view) lastWords(e rules.Entry, engine *rules.Engine) {
	if b, ok := e.Body.(*rules.Told); !ok || b.Kind != "end" && b.Kind != "begin" {
		return
	}
	for _, o := range engine.Outlooks(e.At) {
		for i := range v.steps {
			if s := &v.steps[i]; s.open && s.Begin == o.Begin {
				s.outlook, s.Limits = o.Outlook, o.Limits // the engine's: a target may come from the take-off
			}
		}
	}
}

// told takes the marks that the screens show beside a step.
func (v *view) told(b *rules.Told, at rules.Instant) {
	for i := range v.steps {
		if s := &v.steps[i]; s.open && s.Name == "take-off" {
			s.entered.Tell(b, s.System)
		}
	}
	for name, sheet := range v.sheets {
		if b.System == "" || v.p.Site.SystemOf(b.System) == name {
			sheet.Tell(b)
		}
	}
	if b.Name != "reported" && b.Name != "accepted" {
		return
	}
	system, step, rest, ok := rules.CutStep(b.Note)
	if !ok || !rules.Answers(b) {
		return
	}
	x := said{web.Said{System: v.p.Site.SystemOf(cmp.Or(system, b.System)), Step: step}, at}
	if x.By, x.Text = rules.CutBy(rest); x.By == "" {
		x.By = b.By
	}
	if b.Name == "reported" {
		v.reported = append(v.reported, x)
		return
	}
	for i := len(v.steps) - 1; i >= 0; i-- { // the newest of its name
		if s := &v.steps[i]; s.System == x.System && s.Name == step {
			s.accepted = append(s.accepted, x)
			return
		}
	}
}

func (v *view) saidBy(all []said) (list []web.Said) {
	for _, x := range all {
		x.At = v.wall(x.at)
		list = append(list, x.Said)
	}
	return list
}

func (v *view) end(system, name string, at rules.Instant) {
	for i := range v.steps {
		if s := &v.steps[i]; s.open && s.System == system && s.Name == name {
			s.open, s.ended = false, at
		}
	}
}

// finding takes a stored finding.
func (v *view) finding(s journal.Stored) {
	if n := len(v.recent); n > 0 && v.recent[n-1].ID >= s.ID {
		return
	}
	v.recent = append(v.recent, s)
	if len(v.recent) > recentLength {
		v.recent = v.recent[1:]
	}
	if s.Edge == rules.Given {
		v.verdicts = append(v.verdicts, s.Finding)
	}
}

func (v *view) wall(at rules.Instant) time.Time {
	ms, ok := v.anchors.Wall(at)
	if !ok {
		return time.Time{}
	}
	return time.UnixMilli(ms).In(v.p.Zone)
}

// happened is when a mark was made: its own time (Unix ms) where it has one.
func (v *view) happened(at rules.Instant, own int64) time.Time {
	if own != 0 {
		return time.UnixMilli(own).In(v.p.Zone)
	}
	return v.wall(at)
}

// NightIsOver lets the pages of a demo say that no more will come.
func (d *Daemon) NightIsOver() { d.over.Store(true) }

// Now is how everything stands.
func (d *Daemon) Now() web.Snapshot {
	g := d.judging
	g.mu.Lock()
	defer g.mu.Unlock()
	v := &g.view
	at := v.at
	if !d.parts.OwnTimes && v.boot != 0 { // time goes on between entries, and while judging catches up
		if at.Boot != v.boot {
			at = rules.Instant{Boot: v.boot}
		}
		at.Since = max(at.Since, d.parts.Clock.Stamp(0))
	}
	s := web.Snapshot{
		BoxName: d.parts.BoxName, Site: d.parts.Site, Zone: d.parts.Zone, Demo: d.parts.Demo, Over: d.over.Load(), Behind: !g.caught.Load(),
		At: at, Wall: v.wall(at), ClockProven: v.anchors[at.Boot].Proven,
		Kept: v.count, KeptAt: v.wall(v.at), Signs: v.p.Key.Fingerprint(),
	}
	s.Running, s.Past = v.stepStates(g.engine, at)
	s.Sheets = map[string]rules.AddressSheet{}
	for name, sheet := range v.sheets {
		s.Sheets[name] = *sheet // Tell changes copies of what it points at
	}
	s.Checks = map[string][]web.Check{}
	for name, list := range v.checks {
		s.Checks[name] = v.checked(list)
	}
	s.Jobs = map[string][]web.Job{}
	for _, sys := range d.parts.Site.Systems {
		s.Jobs[sys.Name] = v.jobsOf(sys.Name)
	}
	s.Reported = v.saidBy(v.reported)
	for _, p := range d.parts.Site.Points {
		s.Points = append(s.Points, v.point(p.Name, g.engine.Calibrations()))
	}
	for _, f := range g.engine.Open() {
		s.Flags = append(s.Flags, web.Flag{Flag: f, Raised: v.wall(f.First), Newest: v.wall(f.At)})
	}
	sort.SliceStable(s.Flags, func(i, j int) bool {
		a, b := s.Flags[i], s.Flags[j]
		if a.Urgency != b.Urgency {
			return a.Urgency > b.Urgency
		}
		return b.First.Before(a.First)
	})
	for i := len(v.recent) - 1; i >= 0; i-- {
		f := v.recent[i]
		s.Recent = append(s.Recent, web.Finding{Finding: f.Finding, ID: f.ID, Wall: v.wall(f.At)})
	}
	for i := len(v.marks) - 1; i >= 0; i-- {
		m := v.marks[i]
		s.Marks = append(s.Marks, web.Mark{Told: m.Told, Seq: m.seq, Wall: v.happened(m.at, m.Own)})
	}
	s.Devices = d.devices.list()
	for _, f := range d.parts.Followers {
		s.Outward = append(s.Outward, f.State())
	}
	return s
}

// checked are a system's checks, each with the times at which it was spoken of.
func (v *view) checked(list *rules.CheckList) (all []web.Check) {
	for _, c := range list.All() {
		x := web.Check{CheckState: c}
		for _, m := range c.Marks {
			x.Said = append(x.Said, web.CheckMark{CheckMark: m, Wall: v.happened(m.At, m.Own)})
		}
		all = append(all, x)
	}
	return all
}

// jobsOf are a system's jobs, each with the times at which it was spoken of.
func (v *view) jobsOf(system string) (all []web.Job) {
	for _, j := range v.jobs.Of(system) {
		x := web.Job{Job: j, Begun: v.happened(j.Begun.At, j.Begun.Own)}
		for _, m := range j.Said {
			x.Said = append(x.Said, web.JobMark{JobMark: m, Wall: v.happened(m.At, m.Own)})
		}
		for _, m := range j.Signed {
			x.Signed = append(x.Signed, web.Signed{Signed: m, Wall: v.happened(m.At, m.Own)})
		}
		for _, c := range j.Copies {
			x.Copies = append(x.Copies, web.Copy{Copy: c, Wall: v.happened(c.At, c.Own)})
		}
		all = append(all, x)
	}
	return all
}

// KeepPhoto keeps a picture and returns its name.
func (d *Daemon) KeepPhoto(picture []byte) (name string, err error) {
	return d.parts.Journal.KeepPhoto(picture)
}

// Photo returns the picture of a name; nil where there is none.
func (d *Daemon) Photo(ctx context.Context, name string) ([]byte, error) {
	return d.parts.Journal.Photo(ctx, name)
}

func (v *view) point(name string, said *rules.Calibrations) web.Point {
	p := *v.points[name]
	v.instrument(&p, said)
	if at, ok := v.pointsAt[name]; ok {
		p.Taken = v.wall(rules.Instant{Boot: at.Boot, Since: v.takenAt[name]})
	}
	if at, ok := v.heardAt[name]; ok {
		p.Heard = v.wall(at)
	}
	return p
}

// stepStates are the steps under way, as their judges see them, and those past, newest first.
func (v *view) stepStates(e *rules.Engine, at rules.Instant) (running, past []web.Step) {
	outlooks := map[uint64]rules.StepOutlook{}
	if at.Boot != v.at.Boot {
		at = v.at // judging has not come to this run yet
	}
	for _, o := range e.Outlooks(at) {
		outlooks[o.Begin] = o
	}
	for i := range v.steps {
		s := &v.steps[i]
		w := web.Step{Step: s.Step, Begun: v.wall(s.begun), Accepted: v.saidBy(s.accepted), Entered: s.entered}
		for _, f := range v.verdicts {
			if f.Begin == s.Begin {
				w.Verdicts = append(w.Verdicts, web.Finding{Finding: f, Wall: v.wall(f.At)})
			}
		}
		boot := at.Boot
		if w.Outlook = outlooks[s.Begin].Outlook; !s.open {
			w.Outlook, boot = s.outlook, s.ended.Boot
		}
		w.FigureAt = v.wall(w.Outlook.FigAt)
		w.Trend, w.Expected = v.trend(boot, w.Outlook.Trend), v.trend(boot, w.Outlook.Expected)
		for _, x := range w.Outlook.Ledger {
			w.Ledger = append(w.Ledger, web.Segment{Segment: x,
				Begun: v.wall(rules.Instant{Boot: boot, Since: x.Since}), Ended: v.wall(rules.Instant{Boot: boot, Since: x.Until})})
		}
		if !s.open {
			w.Ended = v.wall(s.ended)
			past = append([]web.Step{w}, past...)
			continue
		}
		if o, ok := outlooks[s.Begin]; ok {
			w.Limits = o.Limits // the engine's: a target may come from the take-off
		}
		running = append(running, w)
	}
	return running, past
}

// trend is a fitted curve by wall time.
func (v *view) trend(boot uint32, ts []rules.TrendPoint) (ps []web.TrendPoint) {
	for _, t := range ts {
		ms, _ := v.anchors.Wall(rules.Instant{Boot: boot, Since: t.Since})
		ps = append(ps, web.TrendPoint{WallMs: ms, Low: t.Low, Best: t.Best, High: t.High})
	}
	return ps
}

// Watch returns a channel that gets a value when Now has changed.
func (d *Daemon) Watch() (<-chan struct{}, func()) { return d.judging.watchers.add() }

// Findings returns findings before one, newest first.
func (d *Daemon) Findings(ctx context.Context, before int64, most int) ([]web.Finding, error) {
	page, err := d.parts.Journal.FindingsBefore(ctx, before, most)
	if err != nil {
		return nil, err
	}
	d.judging.mu.Lock()
	defer d.judging.mu.Unlock()
	var fs []web.Finding
	for _, f := range page {
		fs = append(fs, web.Finding{Finding: f.Finding, ID: f.ID, Wall: d.judging.view.wall(f.At)})
	}
	return fs, nil
}

// Curve returns a point's samples between two wall times (Unix ms).
func (d *Daemon) Curve(ctx context.Context, point string, fromMs, toMs int64, most int) ([]journal.Sample, error) {
	ss, err := d.parts.Journal.Series(ctx, point, fromMs, toMs, most)
	return d.correctionsOf(point)[0].samples(ss), err
}

// Columns returns what points' readings between two wall times (Unix ms) come to.
func (d *Daemon) Columns(ctx context.Context, points []string, fromMs, toMs int64, most int) (journal.Columns, error) {
	cs, err := d.parts.Journal.Columns(ctx, points, fromMs, toMs, most)
	for i, c := range d.correctionsOf(points...) {
		cs.Points[i] = c.columns(cs.Points[i], cs.Width.Milliseconds())
	}
	return cs, err
}

// Tell records marks, all of them or none; they are durable when Tell returns without error.
func (d *Daemon) Tell(ctx context.Context, told ...rules.Told) error {
	for i := range told {
		b := &told[i]
		if math.IsNaN(b.Value) || math.IsInf(b.Value, 0) { // no journal could write it down
			return fmt.Errorf("the value of %s is no number: give one", b.Name)
		}
		if b.Kind == "begin" && b.Limits == nil {
			b.Limits = d.parts.Site.Settings(d.parts.Site.SystemOf(b.System), b.Name)
		}
	}
	m := mark{told, make(chan error, 1)}
	select {
	case d.marks <- m:
	case <-ctx.Done():
		return ctx.Err()
	case <-d.loop.stopped:
		return errors.New("the box is stopping: the mark was not recorded")
	}
	select {
	case err := <-m.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Ready waits until every broker and bus works: what is published before the
// box has subscribed reaches nobody.
func (d *Daemon) Ready(ctx context.Context) error {
	t := time.NewTicker(20 * time.Millisecond)
	defer t.Stop()
	for {
		ready := true
		for _, x := range d.devices.list() {
			ready = ready && x.OK
		}
		if ready {
			return nil
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Kept waits until everything whose own time is at or before a moment (Unix
// ms) is committed and judged.
func (d *Daemon) Kept(ctx context.Context, unixMs int64) error {
	changed, stop := d.Watch()
	defer stop()
	for {
		d.judging.mu.Lock()
		ms, ok := d.judging.view.anchors.Wall(d.judging.view.at)
		d.judging.mu.Unlock()
		if ok && ms >= unixMs {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (d *devices) list() []web.Device {
	d.mu.Lock()
	defer d.mu.Unlock()
	var ds []web.Device
	for _, name := range d.order {
		x := d.state[name]
		ds = append(ds, web.Device{Name: name, OK: x.ok, Sentence: x.sentence, Since: x.since})
	}
	return ds
}
