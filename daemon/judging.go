package daemon

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/rules"
)

// judging follows the journal with the rules' engine. It takes commits from
// memory while it keeps up, and reads them back from the journal where it does
// not (after a start, or behind a burst): the order is the journal's either way.
type judging struct {
	p       Parts
	offered chan batch    // nearest commits, from memory
	more    chan struct{} // one slot: something was committed
	head    atomic.Uint64 // sequence of the newest committed entry
	caught  atomic.Bool   // what was kept before this start has been judged
	nextDue atomic.Pointer[rules.Instant]

	mu      sync.Mutex // guards what follows: one writer, the screens read
	engine  *rules.Engine
	applied uint64
	view    view

	watchers watchers
	trouble  func(ok bool, sentence string) // how judging itself stands, for the Box page
	troubled bool
}

// offeredLength bounds the commits that wait in memory; what does not fit is
// read back from the journal.
const offeredLength = 4

func newJudging(p Parts) *judging {
	return &judging{
		p:       p,
		offered: make(chan batch, offeredLength),
		more:    make(chan struct{}, 1),
		engine:  rules.NewEngine(p.Site, p.Rules),
		trouble: func(bool, string) {},
		view:    newView(p),
	}
}

// due is the judges' earliest deadline.
func (g *judging) due() (rules.Instant, bool) {
	if d := g.nextDue.Load(); d != nil {
		return *d, true
	}
	return rules.Instant{}, false
}

// offer hands over a commit. It never waits: measuring goes on while judging catches up.
func (g *judging) offer(b batch) {
	g.head.Store(b.entries[len(b.entries)-1].Seq)
	select {
	case g.offered <- b:
	default:
	}
	select {
	case g.more <- struct{}{}:
	default:
	}
}

// begin takes up judging where the journal says it must.
func (g *judging) begin(ctx context.Context, boot uint32, started uint64) error {
	j := g.p.Journal
	marks, err := j.Marks(ctx)
	if err != nil {
		return err
	}
	from := resumeAt(marks, started)
	flags, err := j.OpenFlags(ctx, from)
	if err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if err := g.view.past(ctx, j); err != nil {
		return err
	}
	g.engine.Resume(g.watched(flags))
	var given []rules.Finding
	for _, f := range g.view.verdicts {
		if f.Seq < from {
			given = append(given, f)
		}
	}
	g.engine.Recall(given)
	for _, e := range marks {
		if e.Seq < from {
			g.view.mark(e)
			g.engine.Past(e)
		} else if _, anchor := e.Body.(*rules.Clocked); anchor && e.At.Boot == boot {
			g.view.mark(e) // the screens tell the time while judging catches up
		}
	}
	g.applied, g.view.boot = from-1, boot
	g.caught.Store(from == started) // at a first start there is nothing before it
	g.head.Store(started + 1)
	return nil
}

// watched leaves out the flags whose points the site file names no more, and
// those of rules that are no more: no judge would ever clear them. reconcile does.
func (g *judging) watched(flags []rules.Flag) (left []rules.Flag) {
	for _, f := range flags {
		gone := func(point string) bool { return g.view.points[point] == nil }
		raises := func(r rules.Rule) bool { return slices.Contains(r.Flags, f.Flag) }
		if slices.ContainsFunc(g.p.Rules, raises) && !slices.ContainsFunc(f.Points, gone) {
			left = append(left, f)
		}
	}
	return left
}

// resumeAt finds the entry from which the engine must go so that every judge
// alive at the journal's end has seen its whole past: a start of the box before
// this one (the last, or an earlier one so that no step still open then or
// later is cut in two). There the standing judges begin anew by rule, so what
// lies before is told by the flags and verdicts it left.
func resumeAt(marks []rules.Entry, started uint64) uint64 {
	type span struct{ begin, end uint64 }
	var starts []uint64
	var steps []span
	open := map[[2]string]int{}
	for _, e := range marks {
		if e.Seq > started {
			break
		}
		switch b := e.Body.(type) {
		case *rules.Started:
			starts = append(starts, e.Seq)
		case *rules.Told:
			key := [2]string{b.System, b.Name}
			if i, ok := open[key]; ok && (b.Kind == "begin" || b.Kind == "end") {
				steps[i].end = e.Seq
				delete(open, key)
			}
			if b.Kind == "begin" {
				open[key] = len(steps)
				steps = append(steps, span{e.Seq, started})
			}
		}
	}
	from := started
	if n := len(starts); n > 1 && starts[n-1] == started {
		from = starts[n-2]
	}
	for {
		earliest := from
		for _, s := range steps {
			if s.begin < from && s.end >= from {
				earliest = min(earliest, s.begin)
			}
		}
		if earliest == from {
			return from
		}
		for _, s := range starts {
			if s <= earliest {
				from = s
			}
		}
	}
}

// run applies commits until stopped is closed and everything committed is
// applied, or ctx ends.
func (g *judging) run(ctx context.Context, stopped <-chan struct{}) error {
	if err := g.catchUp(ctx); err != nil {
		return err
	}
	if err := g.reconcile(ctx); err != nil {
		return err
	}
	g.caught.Store(true)
	for {
		select {
		case b := <-g.offered:
			if err := g.apply(ctx, b); err != nil {
				return err
			}
		case <-g.more:
		case <-stopped:
			return g.catchUp(ctx)
		case <-ctx.Done():
			return ctx.Err()
		}
		// A commit that found no room is known from the journal only, and its
		// signal may have come while nearer ones still waited here: asked each time.
		if len(g.offered) == 0 && g.behind() {
			if err := g.catchUp(ctx); err != nil {
				return err
			}
		}
	}
}

func (g *judging) behind() bool { return g.applied < g.head.Load() }

// apply takes one commit from memory, after what lies before it.
func (g *judging) apply(ctx context.Context, b batch) error {
	first, last := b.entries[0].Seq, b.entries[len(b.entries)-1].Seq
	if last <= g.applied {
		return nil
	}
	if first != g.applied+1 {
		return g.catchUp(ctx)
	}
	g.mu.Lock()
	var found []rules.Finding
	for _, e := range b.entries {
		found = append(found, g.next(e)...)
	}
	g.mu.Unlock()
	return g.settle(ctx, found)
}

// catchUp applies from the journal until the newest committed entry.
func (g *judging) catchUp(ctx context.Context) error {
	const page = 65536 // between pages the screens get their turn
	for g.behind() {
		if left := g.head.Load() - g.applied; left > 4*page && !g.troubled {
			g.troubled = true
			g.trouble(false, fmt.Sprintf("Catching up with %d entries of the journal. Flags may be late until it is done.", left))
		}
		found, err := g.page(ctx, min(g.applied+page, g.head.Load()))
		if err != nil {
			return err
		}
		if err := g.settle(ctx, found); err != nil {
			return err
		}
	}
	if g.troubled {
		g.troubled = false
		g.trouble(true, "Caught up with the journal.")
	}
	return nil
}

// page applies the journal's entries up to one of them.
func (g *judging) page(ctx context.Context, to uint64) (found []rules.Finding, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for e, err := range g.p.Journal.Entries(ctx, g.applied+1, to, nil) {
		if err != nil {
			return nil, err
		}
		found = append(found, g.next(e)...)
	}
	if g.applied < to {
		return nil, fmt.Errorf("the journal ends at %d, but %d was committed", g.applied, to)
	}
	return found, nil
}

// next applies one entry to the screens' view and the engine.
func (g *judging) next(e rules.Entry) []rules.Finding {
	g.view.lastWords(e, g.engine)
	g.view.entry(e)
	g.applied = e.Seq
	return g.engine.Next(e)
}

// settle stores what was found, makes it seen, and says when judging wants to
// be asked next.
func (g *judging) settle(ctx context.Context, found []rules.Finding) error {
	if len(found) > 0 {
		stored, err := g.find(ctx, found)
		if err != nil {
			return err
		}
		g.mu.Lock()
		for _, s := range stored {
			g.view.finding(s)
		}
		g.mu.Unlock()
	}
	if due, ok := g.engine.Due(); ok {
		g.nextDue.Store(&due)
	} else {
		g.nextDue.Store(nil)
	}
	g.watchers.tell()
	return nil
}

// find stores findings, again and again where the disk will not take them: a
// finding that was not stored would not reach anybody.
func (g *judging) find(ctx context.Context, found []rules.Finding) ([]journal.Stored, error) {
	for {
		stored, err := g.p.Journal.Find(found)
		if err == nil {
			return stored, nil
		}
		g.p.Log.Error("findings could not be stored, trying again", "error", err)
		select {
		case <-ctx.Done():
			return nil, err
		case <-time.After(time.Second):
		}
	}
}

// reconcile closes the gap between what the journal calls open and what the
// rules of today's version do: after an upgrade they may differ.
func (g *judging) reconcile(ctx context.Context) error {
	open, err := g.p.Journal.OpenFlags(ctx, 0)
	if err != nil {
		return err
	}
	have := map[string]bool{}
	for _, f := range g.engine.Open() {
		have[flagKey(f.Finding)] = true
	}
	var found []rules.Finding
	at := g.view.at
	for _, f := range open {
		if have[flagKey(f.Finding)] {
			delete(have, flagKey(f.Finding))
			continue
		}
		c := f.Finding
		c.Edge, c.Urgency, c.At, c.Seq = rules.Cleared, rules.Note, at, g.applied
		c.Text = "No longer open after a restart: " + f.Text
		found = append(found, c)
	}
	for _, f := range g.engine.Open() {
		if have[flagKey(f.Finding)] {
			found = append(found, f.Finding)
		}
	}
	return g.settle(ctx, found)
}

func flagKey(f rules.Finding) string {
	return fmt.Sprintf("%s|%s|%d|%s", f.Flag, f.System, f.Begin, f.Subject)
}

// reading returns an entry's reading.
func reading(e rules.Entry) (*rules.Measured, bool) {
	m, ok := e.Body.(*rules.Measured)
	return m, ok
}

// lastRunState is where the journal ended before this run.
type lastRunState struct {
	at     rules.Instant
	moment clock.Moment
}

// lastRun finds where the journal ends, by its newest anchor.
func lastRun(ctx context.Context, j *journal.Journal) (s lastRunState, err error) {
	if _, s.at, err = j.End(ctx); err != nil || s.at.Boot == 0 {
		return s, err
	}
	marks, err := j.Marks(ctx)
	if err != nil {
		return s, err
	}
	for _, e := range marks {
		switch b := e.Body.(type) {
		case *rules.Started:
			s.moment.Machine = b.Machine
		case *rules.Clocked:
			s.moment.Wall = b.Wall - e.At.Since.Milliseconds()
			s.moment.Proven = b.Proven
		}
	}
	s.moment.Since = s.at.Since
	if s.moment.Wall != 0 {
		s.moment.Wall += s.at.Since.Milliseconds()
	}
	return s, nil
}

// watchers are the screens that wait for news.
type watchers struct {
	mu   sync.Mutex
	next int
	all  map[int]chan struct{}
}

func (w *watchers) add() (<-chan struct{}, func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.all == nil {
		w.all = map[int]chan struct{}{}
	}
	w.next++
	id, c := w.next, make(chan struct{}, 1)
	w.all[id] = c
	return c, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.all, id)
	}
}

func (w *watchers) tell() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.all {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// devices is what sources report of their brokers and buses.
type devices struct {
	mu     sync.Mutex
	order  []string
	state  map[string]device
	counts map[string]uint64
	now    func() time.Time
}

type device struct {
	ok       bool
	sentence string
	since    time.Time
}

func (d *devices) set(name string, ok bool, sentence string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	old, known := d.state[name]
	if !known {
		d.order = append(d.order, name)
	}
	if known && old.ok == ok && old.sentence == sentence {
		return
	}
	d.state[name] = device{ok, sentence, d.now()}
}

func (d *devices) count(what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.counts == nil {
		d.counts = map[string]uint64{}
	}
	d.counts[what]++
}

// counted is a copy of the counters.
func (d *devices) counted() map[string]uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return maps.Clone(d.counts)
}
