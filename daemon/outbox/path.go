package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"standwatch/daemon/journal"
)

// Pauses between attempts: the first soon, since somebody should know; never
// longer than a minute, since a site's network comes and goes.
const (
	firstPause   = time.Second
	longestPause = time.Minute
)

// Follower brings messages to one destination, in the order of its queue.
type Follower struct {
	parts Parts
	path  string
	way   way
	news  chan struct{} // one slot: something was put into the queue

	begun  bool
	late   string          // the key of the message that was sent and not answered
	times  int             // how often in this run: after a restart it is tried as often again
	passed map[string]bool // who is passed over until the pause: what is for them has just failed
	mu     sync.Mutex
	waits  bool // the log says so
	state  journal.FollowerState
}

func newFollower(p Parts, d destination) *Follower {
	return &Follower{parts: p, path: d.name, way: d.way, news: make(chan struct{}, 1), passed: map[string]bool{},
		state: journal.FollowerState{Name: "outbox:" + d.name, Sentence: "not started yet"}}
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
	f.state.OK, f.state.Sentence = ok, sentence
	if ok && f.state.Quarantined > 0 {
		f.state.Sentence += fmt.Sprintf("; %d messages that were refused for good, or sent %d times and never answered, are set aside (the newest %d of them are kept)", f.state.Quarantined, mostUnanswered, min(f.state.Quarantined, journal.MostQuarantined))
	}
	goes := ok && f.waits
	f.waits = !ok
	f.mu.Unlock()
	switch {
	case changed && !ok:
		f.parts.Log.Warn("outbox waits", "destination", f.path, "why", sentence)
	case goes:
		f.parts.Log.Info("outbox: all that waited was taken", "destination", f.path)
	}
}

// notify says that something was put into the queue.
func (f *Follower) notify() {
	f.mu.Lock()
	f.state.Waiting++ // until it is counted
	f.mu.Unlock()
	select {
	case f.news <- struct{}{}:
	default:
	}
}

// Run sends what the queue holds until ctx ends.
func (f *Follower) Run(ctx context.Context) error {
	pause, asked := firstPause, time.Duration(0)
	for ctx.Err() == nil {
		key, m, err := f.head(ctx)
		switch {
		case ctx.Err() != nil:
		case err != nil:
			f.tell(false, "its queue cannot be read: "+err.Error())
			f.wait(ctx, &pause, 0)
		case key == "" && len(f.passed) > 0:
			f.wait(ctx, &pause, asked)
			asked = 0
			clear(f.passed)
		case key == "":
			f.tell(true, "up to date")
			select {
			case <-ctx.Done():
			case <-f.news:
			}
		default:
			if err = f.deliver(ctx, key, m); err == nil {
				pause = firstPause
				continue
			}
			var p *postponed
			if errors.As(err, &p) {
				asked = max(asked, p.after)
			}
			if ctx.Err() != nil {
				return nil
			}
			f.tell(false, err.Error()+"; every message is kept and sent again until it is taken")
			if t := (*theirs)(nil); errors.As(err, &t) {
				f.passed[m.To] = true
				continue
			}
			f.wait(ctx, &pause, asked)
			asked = 0
			clear(f.passed)
		}
	}
	return nil
}

// wait pauses before the next attempt; what comes meanwhile is counted.
func (f *Follower) wait(ctx context.Context, pause *time.Duration, asked time.Duration) {
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
		case <-f.news:
			_, _, _ = f.head(ctx) // an error shows at the next attempt
		}
	}
}

// pathKept is what is kept of a path.
type pathKept struct{ LastDone time.Time }

// head is the first message of the queue, but for who is passed over; an empty
// key: there is none.
func (f *Follower) head(ctx context.Context) (key string, m message, err error) {
	if !f.begun {
		var k pathKept
		if _, err := f.parts.Journal.Shelf(pathShelf).Get(ctx, f.path, &k); err != nil {
			return "", m, err
		}
		n, err := f.parts.Journal.Quarantined(ctx, "outbox:"+f.path)
		if err != nil {
			return "", m, err
		}
		f.mu.Lock()
		f.state.LastDone, f.state.Quarantined = k.LastDone, n
		f.mu.Unlock()
		f.begun = true
	}
	waiting := int64(0)
	err = f.parts.Journal.Shelf(queueShelf+f.path).Each(ctx, func(k string, body []byte) error {
		if waiting++; key != "" {
			return nil
		}
		var l letter
		if err := json.Unmarshal(body, &l); err != nil {
			return err
		}
		if !f.passed[l.Message.To] {
			key, m = k, l.Message
		}
		return nil
	})
	f.mu.Lock()
	f.state.Waiting = waiting
	f.mu.Unlock()
	return key, f.local(m), err
}

// local brings times back into the site's zone: the shelf keeps the moment only.
func (f *Follower) local(m message) message {
	m.Wall, m.Since = m.Wall.In(f.parts.Zone), m.Since.In(f.parts.Zone)
	for i := range m.Several {
		m.Several[i] = f.local(m.Several[i])
	}
	return m
}

// mostUnanswered is how often a message is sent to a side that takes it and never
// answers, some ten minutes in all (our choice): it may have arrived each time, and
// what waits behind it must not wait for ever.
const mostUnanswered = 5

// givenUp makes of an error a refusal where the message was sent often enough.
func (f *Follower) givenUp(key string, err error) error {
	if u := (*unanswered)(nil); !errors.As(err, &u) {
		return err
	}
	if f.late != key {
		f.late, f.times = key, 0
	}
	if f.times++; f.times < mostUnanswered {
		return err
	}
	return &refusal{fmt.Sprintf("%s; it was sent %d times, may have arrived, and is not sent again", err, mostUnanswered)}
}

// deliver sends the first message of the queue, and takes it out.
func (f *Follower) deliver(ctx context.Context, key string, m message) error {
	err := f.givenUp(key, f.way.send(ctx, m))
	var r *refusal
	if errors.As(err, &r) {
		if err := f.parts.Journal.Quarantine("outbox:"+f.path, string(m.json()), r.text); err != nil {
			return err
		}
		f.parts.Log.Warn("outbox: a message is given up", "destination", f.path, "finding", m.ID, "reason", r.text)
	} else if err != nil {
		return err
	}
	at := time.Now()
	err = f.parts.Journal.Change(func(tx *journal.Change) error {
		if r == nil {
			if err := tx.Put(pathShelf, f.path, pathKept{at}); err != nil {
				return err
			}
		}
		return tx.Drop(queueShelf+f.path, key)
	})
	if err != nil {
		return fmt.Errorf("the journal cannot keep that a message was taken: %w", err)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state.Waiting--
	if r != nil {
		f.state.Quarantined++
	} else {
		f.state.LastDone = at
	}
	return nil
}

// done notes that the other side has taken something.
func (f *Follower) done(at time.Time) error {
	f.mu.Lock()
	f.state.LastDone = at
	f.mu.Unlock()
	return f.parts.Journal.Shelf(pathShelf).Put(f.path, pathKept{at})
}
