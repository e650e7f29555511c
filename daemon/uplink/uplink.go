// Package uplink carries readings, steps, flags and verdicts to a time-series
// store that speaks the InfluxDB line protocol.
//
// It is a follower: two named cursors over the journal, one over the entries
// and one over the findings, which move only after the store's 204. Nothing
// waits in a library's buffer; after any doubt the same lines go out again,
// which a store takes as the same points.
package uplink

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"sync"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Journal is what a follower needs of the journal.
type Journal interface {
	Entries(ctx context.Context, from, to uint64, points []string) iter.Seq2[rules.Entry, error]
	Findings(ctx context.Context, after int64, limit int) ([]journal.Stored, error)
	Told(ctx context.Context, after uint64) ([]rules.Entry, error)
	Last(ctx context.Context) (uint64, error)
	Changed() <-chan struct{}
	Cursor(ctx context.Context, name string) (int64, error)
	SetCursor(name string, at int64) error
	Freeze(follower string, boot uint32) (offsetMs int64, ok bool, err error)
	Quarantine(follower string, item, reason string) error
	Quarantined(ctx context.Context, follower string) (int64, error)
}

// Pauses. A store that is away may be back soon; one that needs a person is
// asked rarely, but often enough that nobody has to restart the box.
const (
	firstPause   = time.Second
	longestPause = time.Minute
	heldPause    = 30 * time.Second
)

// Parts is what a follower is made of.
type Parts struct {
	Config  Config
	Box     string
	Site    rules.Site
	Journal Journal
	Log     *slog.Logger
	// Transport is how requests travel; nil: directly, without any proxy.
	Transport http.RoundTripper
	// Held is how long to wait where a person must act first; 0: 30 s.
	Held time.Duration
}

// Follower carries the journal to one store.
type Follower struct {
	parts  Parts
	name   string // of its cursors, its quarantine and its frozen anchors
	frozen map[uint32]int64
	writer *writer
	said   *rules.Calibrations  // of the instruments; nil: not read yet
	most   int                  // lines in a request; smaller after a 413
	store  api.WriteAPIBlocking // nil: to be made anew
	dialer *http.Transport      // under it; nil where Parts give one
	good   string               // the newest line the store took: the proof that it takes any
	lanes  []*lane

	mu    sync.Mutex
	state journal.FollowerState
	done  int64 // position up to which the entries are accepted
	last  int64 // the journal's newest
}

// New makes a follower; it touches nothing until Run.
func New(p Parts) *Follower {
	if p.Held == 0 {
		p.Held = heldPause
	}
	p.Config.Batch = min(max(p.Config.Batch, 1), largestBatch)
	f := &Follower{parts: p, name: "uplink:" + p.Config.Name, frozen: map[uint32]int64{}, writer: newWriter(p.Box, p.Site), most: p.Config.Batch}
	f.lanes = []*lane{f.entries(), f.findings()}
	f.state = journal.FollowerState{Name: f.name, Sentence: "not started yet"}
	return f
}

// State says how the follower stands. It asks nobody and waits for nothing.
func (f *Follower) State() journal.FollowerState {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.state
	s.Waiting = max(0, f.last-f.done)
	if s.OK && s.Quarantined > 0 {
		s.Sentence += fmt.Sprintf("; %d lines that the store refused for good are set aside (the newest %d of them are kept)", s.Quarantined, min(s.Quarantined, journal.MostQuarantined))
	}
	return s
}

// look notes how long the journal is.
func (f *Follower) look(ctx context.Context) error {
	last, err := f.parts.Journal.Last(ctx)
	if err != nil {
		return err
	}
	f.mu.Lock()
	f.last = int64(last)
	f.mu.Unlock()
	return nil
}

// count notes how much was refused for good.
func (f *Follower) count(ctx context.Context) error {
	n, err := f.parts.Journal.Quarantined(ctx, f.name)
	if err != nil {
		return err
	}
	f.mu.Lock()
	f.state.Quarantined = n
	f.mu.Unlock()
	return nil
}

// rest waits, and goes on counting what waits for the store.
func (f *Follower) rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		changed := f.parts.Journal.Changed()
		if err := f.look(ctx); err != nil && ctx.Err() == nil {
			f.parts.Log.Warn("uplink: the journal cannot be read", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			return
		case <-changed:
		}
	}
}

func (f *Follower) tell(ok bool, sentence string) {
	f.mu.Lock()
	changed := f.state.OK != ok || f.state.Sentence != sentence
	f.state.OK, f.state.Sentence = ok, sentence
	f.mu.Unlock()
	if changed && !ok {
		f.parts.Log.Warn("uplink waits", "why", sentence)
	} else if changed {
		f.parts.Log.Info("uplink runs")
	}
}

// heldError stops the sending until a person has put something right.
type heldError struct{ sentence string }

func (h *heldError) Error() string { return h.sentence }

// Run carries what the journal has, and what it gets, until ctx ends.
func (f *Follower) Run(ctx context.Context) error {
	defer f.disconnect()
	if err := f.count(ctx); err != nil && ctx.Err() == nil {
		f.parts.Log.Warn("uplink: the quarantine cannot be counted", "error", err)
	}
	pause := pauses{next: firstPause}
	for ctx.Err() == nil {
		changed := f.parts.Journal.Changed() // before reading, so that nothing slips between
		more, err := f.round(ctx)
		var held *heldError
		switch {
		case ctx.Err() != nil:
		case errors.As(err, &held):
			f.tell(false, held.sentence)
			f.rest(ctx, f.parts.Held)
		case err != nil:
			f.tell(false, "the journal cannot be read: "+err.Error())
			f.rest(ctx, pause.take(0))
			continue
		case !more:
			select {
			case <-ctx.Done():
			case <-changed:
				f.rest(ctx, f.parts.Config.Every) // gather: one request and one cursor for many commits
			}
		}
		pause.next = firstPause
	}
	return nil
}

// round sends one batch of each lane; more says that there was a full one.
func (f *Follower) round(ctx context.Context) (more bool, err error) {
	if err := f.look(ctx); err != nil {
		return false, err
	}
	waiting := ""
	for _, l := range f.lanes {
		if err := l.fill(ctx, f.most); err != nil {
			return false, err
		}
		f.note(l)
		if err := f.send(ctx, l); err != nil {
			return false, err
		}
		more = more || l.full
		if l.waiting != "" {
			waiting = l.waiting
		}
	}
	switch {
	case waiting != "":
		f.tell(false, waiting)
	case more:
		f.tell(true, "catching up")
	default:
		f.tell(true, "up to date")
	}
	return more, nil
}

// send brings a lane's batch to the store and moves its cursor.
func (f *Follower) send(ctx context.Context, l *lane) error {
	asides := l.asides
	if len(l.lines) > 0 {
		p := &pass{f: f, lines: l.lines}
		if err := p.deliver(ctx, l.lines); err != nil {
			return err
		}
		asides = append(asides[:len(asides):len(asides)], p.refused...)
	}
	for _, a := range asides {
		if err := f.parts.Journal.Quarantine(f.name, a.item, a.reason); err != nil {
			return err
		}
		f.parts.Log.Warn("uplink set a line aside", "line", a.item, "reason", a.reason)
	}
	if len(l.lines)+len(asides) > 0 {
		if err := f.parts.Journal.SetCursor(l.cursor, l.at); err != nil {
			return err
		}
		f.mu.Lock()
		f.state.LastDone = time.Now()
		f.mu.Unlock()
	}
	l.lines, l.asides, l.done = l.lines[:0], nil, l.at
	f.note(l)
	if len(asides) > 0 {
		return f.count(ctx)
	}
	return nil
}

// note tells the screens how far the entries are accepted.
func (f *Follower) note(l *lane) {
	if l != f.lanes[0] {
		return
	}
	f.mu.Lock()
	f.done = l.done
	f.mu.Unlock()
}

// stamp gives the wall time of a moment, by the boot's frozen anchor.
func (f *Follower) stamp(boot uint32, since time.Duration) (ms int64, ok bool, err error) {
	offset, known := f.frozen[boot]
	if !known {
		if offset, known, err = f.parts.Journal.Freeze(f.name, boot); err != nil || !known {
			return 0, false, err
		}
		f.frozen[boot] = offset
	}
	return offset + since.Milliseconds(), true, nil
}

func waitingForClock(boot uint32) string {
	return fmt.Sprintf("waiting for a proven clock: what the box heard in its run %d cannot be stamped yet; everything is kept. Give the box a network with a time server, or vouch for its clock in the site file (box: {clock: trusted})", boot)
}

// pauses grow from attempt to attempt, and are never the same twice, so that
// many boxes do not come back at one moment.
type pauses struct{ next time.Duration }

func (p *pauses) take(asked time.Duration) time.Duration {
	d := p.next/2 + rand.N(p.next/2)
	p.next = min(2*p.next, longestPause)
	if asked = min(asked, longestPause); d < asked {
		d = asked + rand.N(asked/10+1)
	}
	return d
}
