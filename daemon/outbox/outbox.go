// Package outbox carries messages to people: a webhook, mail.
//
// Each destination is a follower of its own with a named cursor over the
// findings, so that one that is away holds up no other. The cursor moves only
// after the message was taken; a crash in between sends it again under the
// same id.
package outbox

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Journal is what a follower needs of the journal.
type Journal interface {
	Findings(ctx context.Context, after int64, limit int) ([]journal.Stored, error)
	Anchors(ctx context.Context) (journal.Anchors, error)
	Changed() <-chan struct{}
	Cursor(ctx context.Context, name string) (int64, error)
	SetCursor(name string, at int64) error
	Quarantine(follower string, item, reason string) error
	Quarantined(ctx context.Context, follower string) (int64, error)
}

// Pauses between attempts: the first soon, since somebody should know; never
// longer than a minute, since a site's network comes and goes.
const (
	firstPause   = time.Second
	longestPause = time.Minute
)

// pageOf findings are read at once, and at most about twice as many messages
// wait in memory; the rest waits in the journal.
const pageOf = 500

// Parts is what the outbox is made of.
type Parts struct {
	Config  Config
	Box     string // the box's name
	ID      string // tells this journal from others of the box: Links.Box
	Site    string
	Zone    *time.Location // the site's; nil: UTC
	Ack     func(id int64) (url string)
	Journal Journal
	Log     *slog.Logger
	// Transport is how webhooks travel; nil: directly, without any proxy.
	Transport http.RoundTripper
}

// New makes one follower for each webhook and for each mail address.
func New(p Parts) []*Follower {
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	var fs []*Follower
	for _, d := range p.Config.destinations(p.Transport) {
		f := &Follower{parts: p, name: "outbox:" + d.name, least: d.least, way: d.way, told: map[flagKey]rules.Urgency{}}
		f.state = journal.FollowerState{Name: f.name, Sentence: "not started yet"}
		fs = append(fs, f)
	}
	return fs
}

// destination is one path: a webhook, one address of a mail server, ...
type destination struct {
	name  string // tells it from all others
	group string // by which the rota may call it, besides: the mail server's entry for all of its addresses
	least rules.Urgency
	way   way
}

// destinations are the paths that the site file names. travel is how webhooks
// travel; nil: directly.
func (c Config) destinations(travel http.RoundTripper) (ds []destination) {
	for _, w := range c.Webhooks {
		ds = append(ds, destination{w.Name, w.Name, w.Least, &webhook{w, travel}})
	}
	for _, m := range c.Mails {
		for _, to := range m.To {
			ds = append(ds, destination{m.Name + ":" + to, m.Name, m.Least, &mailbox{m, to}})
		}
	}
	for _, s := range c.Services {
		ds = append(ds, destination{s.Name, s.Name, s.Least, &service{s}})
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

// Follower brings messages to one destination, in the order of the findings.
type Follower struct {
	parts Parts
	name  string
	least rules.Urgency
	way   way

	begun   bool
	read    int64 // findings read up to
	pending []message
	told    map[flagKey]rules.Urgency // open flags whose raising is a message here, with the urgency told

	mu    sync.Mutex
	state journal.FollowerState
}

// flagKey tells open flags apart.
type flagKey struct {
	flag, system, subject string
	begin                 uint64
}

// State says how the destination stands.
func (f *Follower) State() journal.FollowerState {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state
}

func (f *Follower) tell(ok bool, sentence string) {
	f.mu.Lock()
	changed := f.state.OK != ok || f.state.Sentence != sentence
	f.state.OK, f.state.Sentence, f.state.Waiting = ok, sentence, int64(len(f.pending))
	if ok && f.state.Quarantined > 0 {
		f.state.Sentence += fmt.Sprintf("; %d messages that were refused for good are kept in quarantine", f.state.Quarantined)
	}
	f.mu.Unlock()
	if changed && !ok {
		f.parts.Log.Warn("outbox waits", "destination", f.name, "why", sentence)
	}
}

// Run brings what is found to the destination until ctx ends.
func (f *Follower) Run(ctx context.Context) error {
	pause := firstPause
	for ctx.Err() == nil {
		changed := f.parts.Journal.Changed() // before reading, so that nothing slips between
		err := f.Begin(ctx)
		if err == nil {
			err = f.fill(ctx)
		}
		if err != nil {
			f.tell(false, "the journal cannot be read: "+err.Error())
			f.wait(ctx, nil, &pause, 0)
			continue
		}
		if len(f.pending) == 0 {
			f.tell(true, "up to date")
			select {
			case <-ctx.Done():
			case <-changed:
			}
			continue
		}
		err = f.deliver(ctx, f.pending[0])
		switch {
		case ctx.Err() != nil:
		case err == nil:
			pause = firstPause
		default:
			var p *postponed
			after := time.Duration(0)
			if errors.As(err, &p) {
				after = p.after
			}
			f.tell(false, err.Error()+"; every message is kept and sent again until it is taken")
			f.wait(ctx, changed, &pause, after)
		}
	}
	return nil
}

// wait pauses before the next attempt; what is found meanwhile is counted.
func (f *Follower) wait(ctx context.Context, changed <-chan struct{}, pause *time.Duration, asked time.Duration) {
	d := *pause/2 + rand.N(*pause/2) // never the same twice, so that many boxes do not come back at one moment
	*pause = min(2**pause, longestPause)
	if asked = min(asked, longestPause); d < asked {
		d = asked + rand.N(asked/10+1)
	}
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			return
		case <-changed:
			changed = f.parts.Journal.Changed()
			if f.fill(ctx) == nil { // an error shows at the next attempt
				f.mu.Lock()
				f.state.Waiting = int64(len(f.pending))
				f.mu.Unlock()
			}
		}
	}
}

// Begin finds where to go on, and which flags were told before. Run does it by
// itself; whoever calls it before anything can be found makes sure that a new
// destination misses nothing of its first moments.
func (f *Follower) Begin(ctx context.Context) error {
	if f.begun {
		return nil
	}
	j := f.parts.Journal
	from, err := j.Cursor(ctx, f.name+":from")
	if err != nil {
		return err
	}
	if from == 0 { // the destination is new
		if from, err = f.first(ctx); err != nil {
			return err
		}
		if err := j.SetCursor(f.name+":from", from); err != nil {
			return err
		}
	}
	cursor, err := j.Cursor(ctx, f.name)
	if err != nil {
		return err
	}
	clear(f.told)
	f.read, f.pending = from-1, nil
	for f.read < cursor { // what was told, the flags tell again
		page, err := j.Findings(ctx, f.read, pageOf)
		if err != nil {
			return err
		}
		for _, s := range page {
			if s.ID <= cursor {
				f.due(s.Finding)
				f.read = s.ID
			}
		}
		if len(page) == 0 || page[len(page)-1].ID > cursor {
			break
		}
	}
	quarantined, err := j.Quarantined(ctx, f.name)
	if err != nil {
		return err
	}
	f.mu.Lock()
	f.state.Quarantined = quarantined
	f.mu.Unlock()
	f.begun = true
	return nil
}

// first is the number of the first finding that concerns a new destination.
func (f *Follower) first(ctx context.Context) (int64, error) {
	last := int64(0)
	for f.parts.Config.FromNow {
		page, err := f.parts.Journal.Findings(ctx, last, pageOf)
		if err != nil {
			return 0, err
		}
		if len(page) == 0 {
			break
		}
		last = page[len(page)-1].ID
	}
	return last + 1, nil
}

// fill reads on and lines up the messages.
func (f *Follower) fill(ctx context.Context) error {
	var anchors journal.Anchors
	for len(f.pending) < pageOf {
		page, err := f.parts.Journal.Findings(ctx, f.read, pageOf)
		if err != nil || len(page) == 0 {
			return err
		}
		if anchors == nil {
			if anchors, err = f.parts.Journal.Anchors(ctx); err != nil {
				return err
			}
		}
		for _, s := range page {
			if f.due(s.Finding) {
				f.pending = append(f.pending, f.message(s, anchors))
			}
			f.read = s.ID
		}
	}
	return nil
}

// due decides whether a finding is a message here: a flag raised, or raised
// again with a higher urgency; cleared, if its raising was a message; a
// verdict, which counts as tell.
func (f *Follower) due(x rules.Finding) bool {
	k := flagKey{x.Flag, x.System, x.Subject, x.Begin}
	switch x.Edge {
	case rules.Given:
		return f.least <= rules.Tell
	case rules.Cleared:
		_, told := f.told[k]
		delete(f.told, k)
		return told
	}
	if before, told := f.told[k]; x.Urgency < f.least || told && x.Urgency <= before {
		return false
	}
	f.told[k] = x.Urgency
	return true
}

// deliver sends the first pending message and moves the cursor.
func (f *Follower) deliver(ctx context.Context, m message) error {
	err := f.way.send(ctx, m)
	var r *refusal
	if errors.As(err, &r) {
		if err := f.parts.Journal.Quarantine(f.name, string(m.json()), r.text); err != nil {
			return err
		}
		f.parts.Log.Warn("outbox: a message was refused for good", "destination", f.name, "finding", m.ID, "reason", r.text)
	} else if err != nil {
		return err
	}
	if err := f.parts.Journal.SetCursor(f.name, m.ID); err != nil {
		return fmt.Errorf("the journal cannot keep that a message was taken: %w", err)
	}
	f.pending = f.pending[1:]
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state.Waiting = int64(len(f.pending))
	if r != nil {
		f.state.Quarantined++
	} else {
		f.state.LastDone = time.Now()
	}
	return nil
}

func (f *Follower) message(s journal.Stored, anchors journal.Anchors) message {
	p := f.parts
	ms, _ := anchors.Wall(s.At) // every run of the box begins with an anchor, proven or not
	m := message{Finding: s.Finding, ID: s.ID, Box: p.Box, Site: p.Site,
		Key:  fmt.Sprintf("%s-%s-%d", plain(p.Box), plain(p.ID), s.ID),
		Wall: time.UnixMilli(ms).In(p.Zone), Proven: anchors[s.At.Boot].Proven}
	if p.Ack != nil && s.Edge == rules.Raised {
		m.Ack = p.Ack(s.ID)
	}
	return m
}
