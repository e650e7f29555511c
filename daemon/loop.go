package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
	"standwatch/sensors"
)

// anchorEvery is how often the wall clock is written down while it is steady.
const anchorEvery = time.Hour

// mark is what was told at once: all of it becomes durable, or none.
type mark struct {
	told []rules.Told
	done chan error
}

// batch is what one commit made durable, handed to judging from memory.
type batch struct {
	entries []rules.Entry
}

// loop is the one place that stamps and commits. Nothing is acknowledged and
// nothing downstream sees an entry before its commit.
type loop struct {
	d        *Daemon
	seen     *seen
	boot     uint32
	last     time.Duration  // of the newest entry
	anchor   *rules.Clocked // the newest
	anchorAt time.Duration
	started  uint64        // seq of this run's Started
	stopped  chan struct{} // closed after the last commit

	entries  []rules.Entry
	measured []rules.Measured // the slab that entries point into
	receipts []sensors.Receipt
	kept     []func()
	told     []mark
	first    time.Time              // when the oldest waiting delivery was taken; zero: none waits
	hurry    bool                   // commit now: somebody waits for it
	failing  string                 // why the newest commit failed; empty: it did not
	failed   time.Time              // when that began
	why      atomic.Pointer[string] // failing, for others
	newest   map[[2]string]turn     // by system and step

	begun     time.Time    // when the loop was made
	turned    atomic.Int64 // ns after begun: when it last turned with all that was due kept
	fed       time.Time    // when the watchdog was last told
	duplicate atomic.Int64
	commits   atomic.Int64
}

func newLoop(d *Daemon) *loop {
	return &loop{d: d, stopped: make(chan struct{}), begun: time.Now(), newest: map[[2]string]turn{}}
}

// quiet is how long ago the loop last turned with all that was due kept.
func (l *loop) quiet() time.Duration {
	return time.Since(l.begun) - time.Duration(l.turned.Load())
}

// unkept is how long nothing was kept that was due, and why where a commit has said so.
func (l *loop) unkept() (quiet time.Duration, why string) {
	if p := l.why.Load(); p != nil {
		why = *p
	}
	return l.quiet(), why
}

// begin finds where the journal ends and commits this run's Started and its
// first anchor.
func (l *loop) begin(ctx context.Context) error {
	j, c := l.d.parts.Journal, l.d.parts.Clock
	var err error
	if l.seen, err = remember(ctx, j, l.d.parts.Site.Points); err != nil {
		return err
	}
	past, err := lastRun(ctx, j)
	if err != nil {
		return err
	}
	if floor, ok := c.(interface{ NotBefore(wall int64) }); ok && past.moment.Wall != 0 {
		floor.NotBefore(past.moment.Wall)
	}
	l.boot = past.at.Boot + 1
	now := rules.Instant{Boot: l.boot, Since: c.Stamp(0)}
	l.anchor, l.anchorAt = c.Anchor(now.Since), now.Since
	started := &rules.Started{Version: l.d.parts.Version, Machine: l.d.parts.Machine}
	if past.at.Boot > 0 {
		started.Gap, started.GapKnown = clock.Gap(past.moment, clock.Moment{
			Machine: started.Machine, Since: now.Since, Wall: l.anchor.Wall, Proven: l.anchor.Proven,
		})
		started.Same = started.GapKnown && started.Machine != "" && started.Machine == past.moment.Machine
	}
	entries := []rules.Entry{{At: now, Body: started}, {At: now, Body: l.anchor}}
	if err := j.Points(l.d.parts.Site.Points); err != nil {
		return err
	}
	if err := j.BeginChain(ctx); err != nil {
		return err
	}
	if err := record.KeepSite(ctx, j, l.d.parts.Site); err != nil {
		return err
	}
	changed, keepKey, err := record.KeyChanged(ctx, j, l.d.parts.Key)
	if err != nil {
		return err
	}
	if changed != "" {
		entries = append(entries, rules.Entry{At: now, Body: &rules.Told{Kind: "mark", Name: "note", Note: changed}})
	}
	if err := j.Append(entries, nil); err != nil {
		return err
	}
	if err := keepKey(); err != nil {
		return err
	}
	l.started = entries[0].Seq
	l.last = now.Since
	return nil
}

// run takes and commits until ctx ends, then drains what is queued, commits it
// with a last mark, and closes stopped.
func (l *loop) run(ctx context.Context) error {
	defer close(l.stopped)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		timer.Reset(l.wait())
		select {
		case x := <-l.d.queue:
			l.take(x)
			l.takeWaiting()
		case m := <-l.d.marks:
			l.takeMark(m)
		case <-timer.C:
			l.tick()
		case <-ctx.Done():
			l.drain()
			l.put(&rules.Told{Kind: "mark", Name: "note", Note: "stopped"})
			return l.commit()
		}
		if l.due() {
			if err := l.commit(); err != nil {
				return err
			}
		}
		l.turned.Store(int64(time.Since(l.begun)))
		l.feed()
	}
}

// takeWaiting takes what the queue holds, up to a full batch, without going
// through the select for each.
func (l *loop) takeWaiting() {
	for len(l.entries) < batchLength {
		select {
		case x := <-l.d.queue:
			l.take(x)
		default:
			return
		}
	}
}

func (l *loop) drain() {
	for {
		select {
		case x := <-l.d.queue:
			l.take(x)
			if len(l.entries) >= batchLength {
				if err := l.commit(); err != nil {
					return
				}
			}
		default:
			return
		}
	}
}

// wait is how long the loop may sleep: to the commit, or to the judges' next deadline.
func (l *loop) wait() time.Duration {
	const idle = time.Second
	if !l.first.IsZero() {
		return max(0, l.d.parts.Commit-time.Since(l.first))
	}
	due, ok := l.d.judging.due()
	switch {
	case !ok || due.Boot != l.boot || l.d.parts.OwnTimes: // own times pass when they are told
		return idle
	case due.Since < l.last: // the entry that fires it is kept: judging is on its way there
		return l.d.parts.Commit
	}
	// One millisecond past it: a deadline fires strictly before the next entry.
	return min(idle, max(time.Millisecond, due.Since+time.Millisecond-l.d.parts.Clock.Stamp(0)))
}

// due reports whether a commit is due now.
func (l *loop) due() bool {
	switch {
	case l.hurry, len(l.entries) >= batchLength:
		return true
	case l.first.IsZero():
		return false
	}
	return time.Since(l.first) >= l.d.parts.Commit
}

// stamp is the only place where an entry gets its moment.
func (l *loop) stamp(own int64) rules.Instant {
	l.last = max(l.last, l.d.parts.Clock.Stamp(own))
	return rules.Instant{Boot: l.boot, Since: l.last}
}

// put stamps a body and lets it wait for the commit.
func (l *loop) put(b rules.Body) {
	l.entries = append(l.entries, rules.Entry{At: l.stamp(0), Body: b})
	if l.first.IsZero() {
		l.first = time.Now()
	}
}

// take stamps a delivery's readings, without those that came before.
func (l *loop) take(x sensors.Delivery) {
	if l.first.IsZero() {
		l.first = time.Now()
	}
	if x.Kept != nil {
		l.kept = append(l.kept, x.Kept)
	}
	if l.seen.again(x.Receipt) {
		l.duplicate.Add(int64(max(1, len(x.Readings))))
		return
	}
	var newest int64
	for i := range x.Readings {
		newest = max(newest, x.Readings[i].Own)
	}
	at, fresh := l.stamp(newest), 0
	for i := range x.Readings {
		r := &x.Readings[i]
		taken := l.taken(r, at)
		if l.seen.before(r, x.Receipt.Again, at.Since) {
			l.duplicate.Add(1)
			continue
		}
		fresh++
		l.entries = append(l.entries, rules.Entry{At: at, Body: l.slab(*r, taken)})
	}
	if x.Receipt.Client != "" && fresh > 0 {
		l.receipts = append(l.receipts, x.Receipt)
		l.seen.receipt(x.Receipt)
	}
}

// slab keeps readings side by side: one allocation a thousand, not one each.
// A batch's entries point into it until judging has applied them.
func (l *loop) slab(r sensors.Reading, taken time.Duration) *rules.Measured {
	if len(l.measured) == cap(l.measured) {
		l.measured = make([]rules.Measured, 0, 1024)
	}
	l.measured = append(l.measured, rules.Measured{Reading: r, Taken: taken})
	return &l.measured[len(l.measured)-1]
}

// taken is when a reading was taken, since boot. An own time that cannot be
// is dropped and named; the value stands, at the moment the box heard it.
func (l *loop) taken(r *sensors.Reading, at rules.Instant) time.Duration {
	if r.Own == 0 {
		return at.Since
	}
	bootWall := l.anchor.Wall - l.anchorAt.Milliseconds()
	if l.d.parts.OwnTimes {
		return time.Duration(r.Own-bootWall) * time.Millisecond
	}
	taken, believed := clock.Taken(r.Own, at.Since, bootWall, l.anchor.Proven)
	if !believed {
		r.Own = 0
		if r.Health.Grade == sensors.Good {
			r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonTime}
		}
	}
	return taken
}

func (l *loop) takeMark(m mark) {
	l.told = append(l.told, m)
	l.hurry = true
	if l.doubled(m.told) {
		return // answered with the commit of the first
	}
	for i := range m.told {
		if l.d.parts.OwnTimes {
			l.stamp(m.told[i].Own) // where times are told, a mark moves them on too
		}
		l.put(&m.told[i])
	}
}

// turn is the newest begin or end of a step that was told.
type turn struct {
	kind string
	at   time.Duration
}

// A page asks how a step stands and then tells of it. Who taps twice, or two
// people at once, find it as it was both times: within this it is one mark.
const oneTurn = 3 * time.Second

// doubled reports whether marks tell of a begin or an end that was told just now.
func (l *loop) doubled(told []rules.Told) bool {
	if len(told) == 0 {
		return false
	}
	b := told[len(told)-1] // what a page asked before a begin stands before it; its limits count as the first one's
	if b.Kind != "begin" && b.Kind != "end" {
		return false
	}
	key, now := [2]string{l.d.parts.Site.SystemOf(b.System), b.Name}, l.d.parts.Clock.Stamp(b.Own)
	if was, ok := l.newest[key]; ok && was.kind == b.Kind && now-was.at < oneTurn {
		return true
	}
	l.newest[key] = turn{b.Kind, now}
	return false
}

// tick writes an anchor when the wall clock has moved, when it is time, or
// when a judge's deadline has passed in silence: so time itself stands in the
// journal, and a replay sees it pass too.
func (l *loop) tick() {
	if l.d.parts.OwnTimes {
		return
	}
	now := l.d.parts.Clock.Stamp(0)
	due, ok := l.d.judging.due()
	silent := ok && due.Boot == l.boot && l.last <= due.Since && now > due.Since
	fresh := l.d.parts.Clock.Anchor(now)
	moved := clock.Moved(l.anchorAt, l.anchor, now, fresh)
	if !silent && !moved && now-l.anchorAt < anchorEvery {
		return
	}
	if moved {
		l.d.parts.Log.Info("the wall clock was set or has become proven", "source", fresh.Source, "proven", fresh.Proven)
	}
	l.put(fresh)
	fresh.Wall += (l.last - now).Milliseconds() // it was stamped a moment later
	l.anchor, l.anchorAt = fresh, l.last
	l.hurry = true // a finding may hang on it
}

// commit makes what waits durable, then tells those who wait for that.
func (l *loop) commit() error {
	if len(l.entries) > 0 {
		for {
			err := l.d.parts.Journal.Append(l.entries, l.receipts)
			if err == nil {
				l.mended()
				break
			}
			if !l.retry(err) {
				for _, m := range l.told {
					m.done <- err
				}
				l.told = nil // told once: the last commit may try again
				return err
			}
		}
		l.commits.Add(1)
		l.d.judging.offer(batch{entries: l.entries})
	}
	for _, kept := range l.kept {
		kept()
	}
	for _, m := range l.told {
		m.done <- nil
	}
	// Fresh entries: judging still holds these.
	l.entries = make([]rules.Entry, 0, min(batchLength, 2*len(l.entries)+16))
	clear(l.kept) // so that what was kept can be freed
	l.kept = l.kept[:0]
	l.receipts, l.told, l.first, l.hurry = l.receipts[:0], l.told[:0], time.Time{}, false
	return nil
}

// retry waits before a commit that failed is tried again: a full disk may get
// room, a slow one may recover. Nothing is acknowledged meanwhile, so nothing
// is lost. It gives up when the box is told to stop.
func (l *loop) retry(err error) bool {
	why := err.Error()
	if l.failing == "" {
		l.failed = time.Now()
	}
	if l.failing != why { // once, not each second: a log on the same disk would take what room there is
		l.failing = why
		l.why.Store(&why)
		l.d.parts.Log.Error("commit failed, tried again each second", "error", err)
	}
	advice := "Look at the disk, or change it; nothing is acknowledged meanwhile."
	if errors.Is(err, journal.ErrFull) { // which says itself where to make room
		advice = "Nothing is acknowledged meanwhile."
		l.feed() // a restart makes no room, and takes away the page that says so
	}
	l.d.devices.set("journal", false, fmt.Sprintf("Readings are not being kept: %s. %s", why, advice))
	select {
	case <-l.d.stopping:
		return false
	case <-time.After(time.Second):
		return true
	}
}

// mended says that commits work again, once.
func (l *loop) mended() {
	if l.failing != "" {
		l.failing = ""
		l.why.Store(nil)
		l.d.devices.set("journal", true, "Readings are being kept again.")
		l.d.parts.Log.Info("commits work again", "after", time.Since(l.failed).Round(time.Second))
	}
}
