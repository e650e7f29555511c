package people

import (
	"context"
	"encoding/json"
	"time"

	"standwatch/daemon/journal"
)

// Moment is when something was made or last used, by two clocks. The box often
// has no right wall clock, so what has an end ends by whichever of the two says
// so first:
//
//   - Lived is how long the box has run since it was set up, all its runs
//     together. It never goes back and needs no wall clock. It stands still
//     while the box is off.
//   - Wall counts only where it was proven at both ends. A wall clock that
//     jumps before it is proven throws nobody out and lets nobody in.
//
// So a session never lasts longer than its length in running hours, whatever
// the wall clock says; and where the wall clock can be believed, not longer
// than that by the wall either, hours without power included.
type Moment struct {
	Lived  time.Duration
	Wall   int64 // Unix ms
	Proven bool
}

// Since is how long ago m was, as far as the box can know: never less than it
// has run in between.
func (m Moment) Since(now Moment) time.Duration {
	d := now.Lived - m.Lived
	if m.Proven && now.Proven {
		d = max(d, time.Duration(now.Wall-m.Wall)*time.Millisecond)
	}
	return max(d, 0)
}

// anchored gives a moment that was written down by an unproven clock the wall
// time that it cannot have been after, now that there is one.
func (m Moment) anchored(now Moment) Moment {
	if !m.Proven && now.Proven {
		m.Wall, m.Proven = now.Wall-(now.Lived-m.Lived).Milliseconds(), true
	}
	return m
}

// At is the wall time at which something that was made at m and lasts so long
// is over, if the box runs on.
func (m Moment) At(length time.Duration, now Moment) time.Time {
	return time.UnixMilli(now.Wall).Add(length - m.Since(now))
}

// Now is this moment.
func (s *Store) Now() Moment {
	since, wall, proven := s.clock()
	return Moment{s.base + since, wall, proven}
}

// lived is what the shelf keeps of how long the box has run.
type lived struct{ Lived time.Duration }

// livedBeat is how often that is written down, and what is over is put away.
const livedBeat = time.Minute

// Run keeps the box's age, puts away what is over and tells the journal what it
// has not been told yet, until ctx ends. What fails is tried again at the next
// beat: what is over does not count any more even while it still stands on its
// shelf.
func (s *Store) Run(ctx context.Context, tell func(ctx context.Context, by, note string) error) error {
	beat := time.NewTicker(livedBeat)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-beat.C:
			if s.Claimed() {
				_ = s.tidy()
				_ = s.Tell(ctx, tell)
			}
		}
	}
}

// tidy writes down the box's age, drops what is over and anchors what was made
// before the wall clock was proven.
func (s *Store) tidy() error {
	now := s.Now()
	s.tries.forget(now.Lived)
	return s.j.Change(func(tx *journal.Change) error {
		if err := tx.Put(livedShelf, "box", lived{now.Lived}); err != nil {
			return err
		}
		if err := tidyShelf(tx, sessionShelf, now, func(x *session) bool { return x.over(now) }, func(x *session) *Moment { return &x.Made }); err != nil {
			return err
		}
		if err := tidyShelf(tx, invitationShelf, now, func(x *link) bool { return x.over(now) }, func(x *link) *Moment { return &x.Made }); err != nil {
			return err
		}
		return tidyShelf(tx, shareShelf, now, func(x *link) bool { return x.over(now) }, func(x *link) *Moment { return &x.Made })
	})
}

func tidyShelf[T any](tx *journal.Change, shelf string, now Moment, over func(*T) bool, made func(*T) *Moment) error {
	return tx.Each(shelf, func(key string, body []byte) error {
		x := new(T)
		if err := json.Unmarshal(body, x); err != nil || over(x) { // what cannot be read lets nobody in either
			return tx.Drop(shelf, key)
		}
		m := made(x)
		if fresh := m.anchored(now); fresh != *m {
			*m = fresh
			return tx.Put(shelf, key, x)
		}
		return nil
	})
}
