package outbox

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"standwatch/rules"
)

// Everything else that is told hangs on the journal: a flag follows from what it keeps,
// and a message lies in its queues. This file tells the one thing that cannot: that the
// journal keeps nothing. It goes beside the queues and writes nothing down, so that a full
// disk does not hold it up; a box that is started again meanwhile may tell it again.

// UnkeptFor is how long nothing may have been kept before people are called: longer than
// any slow commit, and before a watchdog of 30 s ends the program that hangs (our choice).
const UnkeptFor = 20 * time.Second

// keptFor is how long readings must have been kept again before that is told, so that a
// disk that fills and empties calls once (our choice).
const keptFor = time.Minute

// Unkept is the flag that says that nothing is kept, for so long by the wall clock.
func Unkept(since time.Time, why string) rules.Finding {
	f := rules.Finding{Edge: rules.Raised, Flag: unkept, Urgency: rules.Wake}
	f.Text = english.say("unkept.raised", since.Format("15:04"))
	if why != "" {
		f.Text += " " + english.say("unkept.why", strings.TrimPrefix(why, "journal: "))
	}
	return f
}

const unkept = rules.NothingKept

// Guard calls everybody, once, when the box has kept nothing for a while, and says once
// that it keeps readings again to whom it called. kept says for how long nothing was kept,
// and why as far as it is known. It returns when ctx ends.
func (o *Outbox) Guard(ctx context.Context, kept func() (quiet time.Duration, why string)) {
	var called, ended *shout // under way, or done; nil: none is
	var since, well time.Time
	doubt := false // a machine that was held up itself looks so for a moment
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			called.stop()
			ended.stop()
			return
		case <-t.C:
		}
		quiet, why := kept()
		was := doubt
		doubt = quiet >= UnkeptFor
		switch {
		case called == nil && doubt && was:
			ended.stop()
			since, well = time.Now().Add(-quiet), time.Time{}
			called = o.shout(ctx, Unkept(o.wall().Add(-quiet), why), nil)
		case called == nil:
		case doubt:
			well = time.Time{}
		case well.IsZero():
			well = time.Now().Add(-quiet)
		case time.Since(well) >= keptFor:
			f := Unkept(time.Time{}, "")
			f.Edge, f.Text = rules.Cleared, english.say("unkept.cleared", rules.Span(well.Sub(since).Seconds()))
			called, ended = nil, o.shout(ctx, f, called.stop())
		}
	}
}

// wall is the box's own clock, or the machine's where it has none.
func (o *Outbox) wall() time.Time {
	wall := time.Now()
	if at := o.clock(); at.Wall != 0 {
		wall = time.UnixMilli(at.Wall)
	}
	return wall.In(o.parts.Zone)
}

// shout is a message on its way to everybody, beside the queues.
type shout struct {
	cancel context.CancelFunc
	all    sync.WaitGroup
	mu     sync.Mutex
	heard  map[string]bool // the paths that took it
}

// shout tries each path until it has taken the message; only: those, nil for all.
func (o *Outbox) shout(ctx context.Context, f rules.Finding, only map[string]bool) *shout {
	ctx, cancel := context.WithCancel(ctx)
	s := &shout{cancel: cancel, heard: map[string]bool{}}
	wall := o.wall()
	m := message{Finding: f, Box: o.parts.Box, Site: o.parts.Site, Wall: wall, Proven: o.clock().Proven, Beside: true,
		Key: fmt.Sprintf("%s-%s-%s-%d", plain(o.parts.Box), plain(o.parts.ID), f.Flag, wall.UnixMilli())}
	for _, d := range o.ds {
		if only != nil && !only[d.name] {
			continue
		}
		s.all.Go(func() { s.bring(ctx, o.parts, d, m) })
	}
	return s
}

func (s *shout) bring(ctx context.Context, p Parts, d destination, m message) {
	for n, pause := 0, firstPause; ; pause = min(2*pause, longestPause) {
		err := d.way.send(ctx, m)
		var r *refusal
		var late *unanswered
		switch {
		case err == nil:
			s.mu.Lock()
			defer s.mu.Unlock()
			s.heard[d.name] = true
			return
		case ctx.Err() != nil, errors.As(err, &r):
			return
		case errors.As(err, &late):
			if n++; n == mostUnanswered {
				return
			}
		}
		p.Log.Warn("outbox: a call beside the queue is not taken, trying again", "destination", d.name, "why", err)
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause/2 + rand.N(pause/2)):
		}
	}
}

// stop ends the attempts; heard are the paths that took the message.
func (s *shout) stop() (heard map[string]bool) {
	if s == nil {
		return nil
	}
	s.cancel()
	s.all.Wait()
	return s.heard
}
