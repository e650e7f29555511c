// Package outbox brings messages to people.
//
// It follows the journal's findings and acknowledgements and decides, by a
// plain computation on plain data (plan.go), what is to be sent next: to who is
// on watch, again until somebody has acknowledged it, to the next person, or
// gathered into one. Its state and what it decided are kept in one transaction;
// only then is anything sent. Each destination is a follower of its own with a
// queue of its own, so that one that is away holds up no other. A message
// leaves its queue after the other side has taken it; a crash in between sends
// it again under the same key.
package outbox

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/rules"
)

// pageOf findings are read at once; the rest waits in the journal.
const pageOf = 500

// The shelves of the outbox. A path's queue has a shelf of its own.
const (
	ownShelf   = "outbox"
	stateKey   = "state"
	watchKey   = "watch"
	pathShelf  = "outbox paths"
	queueShelf = "outbox queue "
)

// Parts is what the outbox is made of.
type Parts struct {
	Config  Config
	Box     string // the box's name
	ID      string // tells this journal from others of the box: Links.Box
	Site    string
	Zone    *time.Location // the site's; nil: UTC
	Links   *Links         // makes the links that acknowledge; nil: none
	Journal *journal.Journal
	Log     *slog.Logger
	Push    *Push // phones that are told by push; nil: none are
	// Transport is how webhooks travel; nil: directly, without any proxy.
	Transport http.RoundTripper
	// Now is the moment by the box's own clock, and its wall clock; it gives the
	// hours, and how long the box was away. nil: nobody knows, and nothing waits.
	Now func() clock.Moment
	// Device is the broker or bus that a point hangs on; empty: none. May be nil.
	Device func(point string) string
	// Stands is how a step stands now, in a sentence; empty: not known. May be nil.
	Stands func(system, step string) string
}

// destination is one path: a webhook, one address of a mail server, ...
type destination struct {
	name  string // tells it from all others
	group string // by which the rota may call it, besides: the mail server's entry for all of its addresses
	least rules.Urgency
	way   way
	there func(context.Context) bool // whether there is anybody at its end; nil: there is
}

// destinations are the paths that the site file names, and the phones that take
// pushes. travel is how webhooks travel; nil: directly.
func (c Config) destinations(travel http.RoundTripper, push *Push) (ds []destination) {
	for _, w := range c.Webhooks {
		ds = append(ds, destination{w.Name, w.Name, w.Least, &webhook{Webhook: w, travel: travel}, nil})
	}
	for _, m := range c.Mails {
		for _, to := range m.To {
			ds = append(ds, destination{m.Name + ":" + to, m.Name, m.Least, &mailbox{m, to}, nil})
		}
	}
	for _, s := range c.Services {
		ds = append(ds, destination{s.Name, s.Name, s.Least, &service{s}, nil})
	}
	if push != nil {
		ds = append(ds, destination{PushPath, PushPath, rules.Tell, &pushes{push}, push.Taken})
	}
	return ds
}

// way is how a message travels. The error is a *refusal where another attempt
// would be in vain, a *postponed where the other side named a time.
type way interface {
	send(ctx context.Context, m message) error
}

// refusal says that a message will never be taken, in the other side's words.
type refusal struct{ text string }

func (r *refusal) Error() string { return r.text }

// postponed says that the other side wants to be left alone for a while.
type postponed struct {
	text  string
	after time.Duration
}

func (p *postponed) Error() string { return p.text }

// theirs says that what failed is one person's alone: what is for others goes on.
type theirs struct{ error }

// Unwrap is what failed.
func (t *theirs) Unwrap() error { return t.error }

// Outbox decides what is to be sent. It is a follower itself.
type Outbox struct {
	parts Parts
	ds    []destination
	paths []*Follower
	poke  chan struct{} // one slot: the rota was changed

	mu    sync.Mutex // guards what follows
	watch Watch
	own   bool      // the rota is not the site file's
	s     *state    // nil: not read yet
	kept  []byte    // the state as it lies on the shelf
	began time.Time // when its T was
	due   time.Duration
	waits bool // for due

	using sync.Mutex // one link is used at a time

	telling sync.Mutex // guards state alone: whoever asks for it may be asked for the time meanwhile
	state   journal.FollowerState
}

// New makes the outbox with a follower for each destination.
func New(p Parts) *Outbox {
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	o := &Outbox{parts: p, ds: p.Config.destinations(p.Transport, p.Push), watch: p.Config.Watch, poke: make(chan struct{}, 1)}
	o.state = journal.FollowerState{Name: "outbox", Sentence: "not started yet"}
	for _, d := range o.ds {
		o.paths = append(o.paths, newFollower(p, d))
	}
	return o
}

// Followers are the outbox and its destinations; none where there is nobody to tell.
func (o *Outbox) Followers() (fs []journal.Follower) {
	if len(o.paths) == 0 {
		return nil
	}
	fs = append(fs, o)
	for _, f := range o.paths {
		fs = append(fs, f)
	}
	return fs
}

// State says who is on watch and what is not acknowledged.
func (o *Outbox) State() journal.FollowerState {
	o.telling.Lock()
	defer o.telling.Unlock()
	return o.state
}

// Begin takes the outbox's place among the findings. Whoever calls it before
// anything can be found makes sure that a new destination misses nothing of its
// first moments.
func (o *Outbox) Begin(ctx context.Context) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.s != nil {
		return nil
	}
	s := &state{}
	known, err := o.parts.Journal.Shelf(ownShelf).Get(ctx, stateKey, s)
	if err != nil {
		return err
	}
	var w Watch
	changed, err := o.parts.Journal.Shelf(ownShelf).Get(ctx, watchKey, &w)
	if err != nil {
		return err
	}
	if changed {
		o.watch, o.own = w.reachable(o.ds), true
	}
	if err := o.settle(ctx, s, known); err != nil {
		return err
	}
	o.s = s
	return nil
}

// settle makes the audiences those that there are: the people of the rota, and
// each destination that none of them names. A new one begins at the newest
// finding, but takes over what is still to be acknowledged.
func (o *Outbox) settle(ctx context.Context, s *state, known bool) error {
	wanted := []string{}
	if len(o.watch.People) > 0 {
		wanted = append(wanted, "")
	}
	for _, d := range o.ds {
		if !o.watch.names(d) && (d.there == nil || d.there(ctx)) {
			wanted = append(wanted, d.name)
		}
	}
	s.Audiences = slices.DeleteFunc(s.Audiences, func(a *audience) bool { return !slices.Contains(wanted, a.Path) })
	for _, path := range wanted {
		if slices.ContainsFunc(s.Audiences, func(a *audience) bool { return a.Path == path }) {
			continue
		}
		a := &audience{Path: path}
		if o.parts.Config.FromNow || known && path == "" {
			if err := o.takeOver(ctx, a); err != nil {
				return err
			}
		}
		s.Audiences = append(s.Audiences, a)
	}
	return nil
}

// takeOver brings a new audience to the newest finding.
func (o *Outbox) takeOver(ctx context.Context, a *audience) error {
	open, err := o.parts.Journal.OpenFlags(ctx, 0)
	if err != nil {
		return err
	}
	for {
		page, err := o.parts.Journal.Findings(ctx, a.Read, pageOf)
		if err != nil {
			return err
		}
		for _, x := range page {
			a.Read = x.ID
			k := keyOf(x.Finding)
			a.Open = slices.DeleteFunc(a.Open, func(op *opened) bool { return keyOf(op.Finding) == k })
			unheard := slices.ContainsFunc(open, func(f rules.Flag) bool { return keyOf(f.Finding) == k && f.Seq == x.Seq && !f.Acknowledged })
			if x.Edge == rules.Raised && x.Urgency == rules.Wake && unheard {
				a.Open = append(a.Open, &opened{Stored: x, Told: rules.Wake})
			}
		}
		if len(page) < pageOf {
			return nil
		}
	}
}

// Run decides, at every change and whenever something is due, until ctx ends.
func (o *Outbox) Run(ctx context.Context) error {
	for ctx.Err() == nil {
		changed := o.parts.Journal.Changed() // before reading, so that nothing slips between
		wait, err := o.look(ctx)
		if err != nil && ctx.Err() == nil {
			o.tell(false, "what is to be sent cannot be read or kept, it is tried again: "+err.Error())
			o.parts.Log.Error("outbox", "error", err)
			changed, wait = nil, firstPause
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-changed:
		case <-o.poke:
		case <-t.C:
		}
		t.Stop()
	}
	return nil
}

func (o *Outbox) tell(ok bool, sentence string) {
	o.telling.Lock()
	defer o.telling.Unlock()
	o.state.OK, o.state.Sentence = ok, sentence
}

// longestLook is how long nothing need be looked at where nothing is due.
const longestLook = time.Hour

// look does what there is to do, and says how long nothing is due.
func (o *Outbox) look(ctx context.Context) (wait time.Duration, err error) {
	if err := o.Begin(ctx); err != nil {
		return 0, err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.began.IsZero() {
		o.resume()
	}
	for more := true; more; {
		if more, err = o.page(ctx); err != nil {
			return 0, err
		}
	}
	o.say()
	wait = longestLook
	if o.waits {
		wait = min(wait, max(0, o.due-o.s.T-time.Since(o.began)))
	}
	return wait, nil
}

// resume counts the time that the box was away.
func (o *Outbox) resume() {
	o.began = time.Now()
	if o.s.At == (clock.Moment{}) {
		if o.s.T > 0 { // it was here before, and nobody knows when
			o.s.resume(0, false)
		}
		return
	}
	o.s.resume(clock.Gap(o.s.At, o.clock()))
}

func (o *Outbox) clock() clock.Moment {
	if o.parts.Now == nil {
		return clock.Moment{}
	}
	return o.parts.Now()
}

// page takes the next findings and marks, and keeps what follows from them.
func (o *Outbox) page(ctx context.Context) (more bool, err error) {
	from := int64(-1)
	for _, a := range o.s.Audiences {
		if from < 0 || a.Read < from {
			from = a.Read
		}
	}
	found, err := o.parts.Journal.Findings(ctx, max(from, 0), pageOf)
	if err != nil {
		return false, err
	}
	// Marks are read after the findings, and back to what those rest on: a mark
	// that acknowledges a finding is newer than it.
	after := o.s.Marks
	for _, x := range found {
		if x.Edge == rules.Raised {
			after = min(after, x.Seq)
		}
	}
	marks, err := o.parts.Journal.Told(ctx, after)
	if err != nil {
		return false, err
	}
	now := o.s.T + time.Since(o.began)
	if len(found) == 0 && len(marks) == 0 && !(o.waits && now >= o.due) && o.kept != nil {
		return false, nil
	}
	p, err := o.plan(ctx, now)
	if err != nil {
		return false, err
	}
	for _, x := range found {
		for _, a := range p.Audiences {
			p.find(a, x)
		}
	}
	for _, m := range marks {
		p.acknowledge(m)
		p.Marks = max(p.Marks, m.Seq)
	}
	if len(found) < pageOf { // what is found after it may clear what would be called now
		p.due()
	}
	return len(found) == pageOf, o.keep(p)
}

// plan makes ready to decide on a copy of the state, so that what could not be
// kept has not been decided.
func (o *Outbox) plan(ctx context.Context, now time.Duration) (*plan, error) {
	anchors, err := o.parts.Journal.Anchors(ctx)
	if err != nil {
		return nil, err
	}
	s := &state{}
	was, err := json.Marshal(o.s)
	if err == nil {
		err = json.Unmarshal(was, s)
	}
	if err != nil {
		return nil, fmt.Errorf("the outbox's state: %w", err)
	}
	at := o.clock()
	s.T, s.At = now, at
	p := &plan{state: s, watch: o.watch, paths: o.ds,
		now:    moment{T: now, Wall: time.UnixMilli(at.Wall).In(o.parts.Zone), Proven: at.Proven},
		device: o.parts.Device, stands: o.parts.Stands,
		tells: func(x journal.Stored, link bool) message { return o.message(x, anchors, link, now) }}
	if p.device == nil {
		p.device = func(string) string { return "" }
	}
	if p.stands == nil {
		p.stands = func(string, string) string { return "" }
	}
	return p, nil
}

// message makes a message of a finding.
func (o *Outbox) message(s journal.Stored, anchors journal.Anchors, link bool, now time.Duration) message {
	ms, _ := anchors.Wall(s.At) // every run of the box begins with an anchor, proven or not
	m := message{Finding: s.Finding, ID: s.ID, Box: o.parts.Box, Site: o.parts.Site,
		Key:  fmt.Sprintf("%s-%s-%d", plain(o.parts.Box), plain(o.parts.ID), s.ID),
		Wall: time.UnixMilli(ms).In(o.parts.Zone), Proven: anchors[s.At.Boot].Proven}
	if link && o.parts.Links != nil && s.Edge == rules.Raised {
		m.Ack = o.parts.Links.Make(s.ID, now+linkFor)
	}
	return m
}

// keep keeps what was decided: the state and what goes into the queues, all of
// it or nothing. Calls of one wake to one person that could not be sent yet
// become one with the newest; only the first message of a queue (of pushes, the
// first to each person) may have been tried already, and stays as it is.
func (o *Outbox) keep(p *plan) error {
	first := p.Next
	p.Next += int64(len(p.out))
	due, waits := p.next()
	body, err := json.Marshal(p.state)
	if err != nil {
		return fmt.Errorf("the outbox's state: %w", err)
	}
	if len(p.out) > 0 || !bytes.Equal(remembered(p.state), remembered(o.s)) || o.kept == nil {
		err = o.parts.Journal.Change(func(tx *journal.Change) error {
			for i, l := range p.out {
				if err := enqueue(tx, l, first+int64(i)); err != nil {
					return err
				}
			}
			return tx.Put(ownShelf, stateKey, p.state)
		})
		if err != nil {
			return err
		}
		o.kept = body
	}
	o.s, o.began = p.state, time.Now()
	o.due, o.waits = due, waits
	for _, l := range p.out {
		for _, f := range o.paths {
			if f.path == l.To {
				f.notify()
			}
		}
	}
	return nil
}

// remembered is what is worth keeping of a state: not that time went by, nor
// that marks were read that concern nobody.
func remembered(s *state) []byte {
	body, _ := json.Marshal(s.Audiences) // it has been marshalled before
	return body
}

func enqueue(tx *journal.Change, l letter, number int64) error {
	kind := queueShelf + l.To
	if l.Thread != "" {
		tried := false
		err := tx.Each(kind, func(key string, body []byte) error {
			if !tried && l.To != PushPath {
				tried = true
				return nil
			}
			var older letter
			if err := json.Unmarshal(body, &older); err != nil {
				return err
			}
			if !tried && older.Message.To == l.Message.To {
				tried = true
				return nil
			}
			if older.Thread != l.Thread {
				return nil
			}
			l.Message.From = min(l.Message.From, older.Message.From)
			return tx.Drop(kind, key)
		})
		if err != nil {
			return err
		}
	}
	return tx.Put(kind, fmt.Sprintf("%019d", number), l)
}

// say says how the watch stands.
func (o *Outbox) say() {
	var calls []string
	waiting := 0
	for _, a := range o.s.Audiences {
		waiting += len(a.Tells)
		for _, op := range a.Open {
			words := strings.TrimSpace(op.Flag + " " + op.Subject)
			if op.Told == rules.Wake && !op.Acknowledged && !slices.Contains(calls, words) {
				calls = append(calls, words)
			}
		}
	}
	sentence := "nothing is waiting for an acknowledgement"
	if len(calls) > 0 {
		sentence = "called until somebody acknowledges: " + cut(strings.Join(calls, ", "), 160)
	}
	if waiting > 0 {
		sentence += fmt.Sprintf("; %d messages wait for their hour", waiting)
	}
	o.tell(true, sentence)
}

// Watch is the rota as it stands, and whether it was changed from the site file's.
func (o *Outbox) Watch() (w Watch, own bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.watch, o.own
}

// SetWatch changes the rota from now on; nil: back to the site file's.
func (o *Outbox) SetWatch(ctx context.Context, w *Watch) error {
	if w != nil {
		if err := w.Check(pathNames(o.ds)); err != nil {
			return err
		}
	}
	if err := o.Begin(ctx); err != nil {
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	own := w != nil
	var err error
	if !own {
		w = &o.parts.Config.Watch
		err = o.parts.Journal.Shelf(ownShelf).Drop(watchKey)
	} else {
		err = o.parts.Journal.Shelf(ownShelf).Put(watchKey, w)
	}
	if err != nil {
		return err
	}
	o.watch, o.own = *w, own
	o.kept = nil // the audiences may be others: keep them
	if err := o.settle(ctx, o.s, true); err != nil {
		return err
	}
	select {
	case o.poke <- struct{}{}:
	default:
	}
	return nil
}

// Resettle looks anew who there is to be told: a phone was added, or taken off.
func (o *Outbox) Resettle(ctx context.Context) error {
	if err := o.Begin(ctx); err != nil {
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.kept = nil
	if err := o.settle(ctx, o.s, true); err != nil {
		return err
	}
	select {
	case o.poke <- struct{}{}:
	default:
	}
	return nil
}

// OnWatch is who is called first now, and who after; on is false where nobody's
// hours hold now.
func (o *Outbox) OnWatch() (names []string, on, quiet bool) {
	at := o.clock()
	wall := time.UnixMilli(at.Wall).In(o.parts.Zone)
	w, _ := o.Watch()
	names, on = w.order(wall, at.Proven)
	return names, on, w.isQuiet(wall, at.Proven)
}

// PathState is how a destination stands.
type PathState struct {
	Name, Group string
	Least       rules.Urgency
	journal.FollowerState
}

// Paths are the destinations.
func (o *Outbox) Paths() (all []PathState) {
	for i, f := range o.paths {
		all = append(all, PathState{o.ds[i].name, o.ds[i].group, o.ds[i].least, f.State()})
	}
	return all
}

// Try sends a test message by one path, at once and beside its queue. The error
// says how it went, in the other side's words.
func (o *Outbox) Try(ctx context.Context, path string) error {
	i := slices.IndexFunc(o.ds, func(d destination) bool { return d.name == path })
	if i < 0 {
		return fmt.Errorf("there is no path %q", path)
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	at := o.clock()
	wall := time.Now()
	if at.Wall != 0 {
		wall = time.UnixMilli(at.Wall)
	}
	m := message{Test: true, Path: path, Box: o.parts.Box, Site: o.parts.Site, Wall: wall.In(o.parts.Zone), Proven: at.Proven,
		Key: fmt.Sprintf("%s-%s-test-%d", plain(o.parts.Box), plain(o.parts.ID), time.Now().UnixMilli())}
	err := o.ds[i].way.send(ctx, m)
	if err == nil {
		return o.paths[i].done(time.Now())
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("no answer within 30 s: %w", err)
	}
	return err
}
