package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// chainEvery is how long an entry may stand unchained: what is changed before,
// the chain does not tell.
const chainEvery = time.Minute

// Links of the chain that are compared with their entries again (our choice: a
// link costs a laptop some 3 ms, and a small board ten times that): at a start
// the newest, a night of two hundred points at 12 s or so, then so many a
// minute, round and round.
const (
	recheckAtStart = 64
	recheckAtOnce  = 16
)

// walkShelf keeps how far the round has come, or a box that is switched off
// every evening would never come to the end of a long journal.
const walkShelf = "chain walk"

type walkAt struct{ Next uint64 }

// chainWatch makes the chain and walks it again.
type chainWatch struct {
	next   uint64               // with which entry the walk goes on
	whole  bool                 // it has come from the first entry without a fault
	tail   bool                 // whether entries could be chained to the newest
	broken *journal.BrokenError // the newest fault that was not told yet
	unread *journal.UnreadError // the same of a disk that gave nothing twice

	ahead, behind uint64 // where it gave nothing the last time: what is new, what was chained; 0: it did
}

// twice reports whether a disk gave nothing where it gave nothing the last time:
// once may have been a plug.
func (w *chainWatch) twice(err error, last *uint64) bool {
	var u *journal.UnreadError
	if !errors.As(err, &u) {
		*last = 0
		return false
	}
	if *last != u.First {
		*last = u.First
		return false
	}
	w.unread = u
	return true
}

// chain carries on the chain of what was committed, at once and until ctx ends,
// and then to the very end: an orderly stop leaves nothing unchained. In between
// it compares what was chained with the entries again, and tells what differs.
func (d *Daemon) chain(ctx context.Context) {
	w := chainWatch{next: 1}
	var at walkAt
	if ok, err := d.parts.Journal.Shelf(walkShelf).Get(ctx, "at", &at); err == nil && ok && at.Next > 0 {
		w.next = at.Next
	}
	d.carryOn(ctx, &w)
	d.recheckNewest(ctx, &w)
	t := time.NewTicker(chainEvery)
	defer t.Stop()
	for {
		d.tellChain(ctx, &w)
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopGrace)
			defer cancel()
			d.carryOn(last, &w)
			return
		case <-t.C:
		}
		d.carryOn(ctx, &w)
		d.walk(ctx, &w)
	}
}

// carryOn chains what is new.
func (d *Daemon) carryOn(ctx context.Context, w *chainWatch) {
	err := d.parts.Journal.Chain(ctx)
	w.tail = err == nil
	w.twice(err, &w.ahead)
	if !errors.As(err, &w.broken) && err != nil && !errors.Is(err, context.Canceled) {
		d.parts.Log.Warn("the journal's chain was not carried on, trying again later", "error", err)
	}
}

// recheckNewest looks at what a start finds: the end of the journal, where the
// job under way stands.
func (d *Daemon) recheckNewest(ctx context.Context, w *chainWatch) {
	end, err := d.parts.Journal.KeptEnd(ctx)
	if err != nil {
		d.parts.Log.Warn("self-test", "of", "chain", "found", err)
		return
	}
	_, kept := end.Chained(^uint64(0))
	from := uint64(1)
	if links := kept / journal.LinkEntries; links > recheckAtStart {
		from += (links - recheckAtStart) * journal.LinkEntries
	}
	first, found := from, w.broken
	for {
		if from, err = d.parts.Journal.Recheck(ctx, from, recheckAtOnce); err != nil && !errors.As(err, &w.broken) {
			break
		}
		if from <= first { // round
			break
		}
	}
	switch {
	case ctx.Err() != nil:
	case w.broken != found:
		d.parts.Log.Warn("self-test", "of", "chain", "found", w.broken)
	case err != nil:
		d.parts.Log.Warn("self-test", "of", "chain", "found", err)
	default:
		d.parts.Log.Info("self-test", "of", "chain", "found", fmt.Sprintf("Entries %d to %d are those that were chained when they came.", min(first, kept), kept))
	}
}

// walk goes on with the round.
func (d *Daemon) walk(ctx context.Context, w *chainWatch) {
	from := w.next
	next, err := d.parts.Journal.Recheck(ctx, from, recheckAtOnce)
	if from == 1 {
		w.whole = true
	}
	if err != nil {
		w.whole = false
	}
	if again := w.twice(err, &w.behind); !again && err != nil && !errors.As(err, &w.broken) {
		if !errors.Is(err, context.Canceled) {
			d.parts.Log.Warn("the journal's chain was not compared again, trying again later", "error", err)
		}
		return
	}
	if w.next = next; next != from {
		if err := d.parts.Journal.Shelf(walkShelf).Put("at", walkAt{next}); err != nil && !errors.Is(err, context.Canceled) {
			d.parts.Log.Warn("how far the chain was compared was not kept", "error", err)
		}
	}
}

// tellChain notes by a mark what was found, once: what has been noted the open
// flag says. It is over when a whole round finds nothing.
func (d *Daemon) tellChain(ctx context.Context, w *chainWatch) {
	m, ok := w.tells(d.Now())
	if !ok {
		return
	}
	switch {
	case w.broken != nil:
		d.parts.Log.Error("the journal is not what it was", "error", w.broken)
	case w.unread != nil:
		d.parts.Log.Error("the disk does not give back what it took", "error", w.unread)
	}
	if d.parts.OwnTimes { // a simulated night tells nothing of this machine
		return
	}
	if err := d.Tell(ctx, m); err != nil && ctx.Err() == nil {
		d.parts.Log.Warn("what became of the journal's chain was not noted, trying again later", "error", err)
		return
	}
	w.broken, w.unread = nil, nil
}

func (w *chainWatch) tells(s web.Snapshot) (m rules.Told, ok bool) {
	open := false
	for _, f := range s.Flags {
		open = open || f.Flag.Flag == "journal-changed"
	}
	switch {
	case open && (w.broken != nil || w.unread != nil):
		w.broken, w.unread = nil, nil // it is said
	case w.broken != nil:
		return rules.ChainBroken(w.broken.First, w.broken.Last), true
	case w.unread != nil:
		return rules.ChainUnread(w.unread.First, w.unread.Last), true
	case open && w.whole && w.next == 1 && w.tail:
		return rules.ChainWhole(), true
	}
	return m, false
}
