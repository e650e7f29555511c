// Package daemon joins the parts into the box: Run starts the sources, the one
// loop that stamps and commits, the judging that follows the journal, and the
// followers that carry findings and readings outward. Replay puts a field log
// through the same engine.
//
//	sources -> queue -> loop -> journal -> judging -> findings -> { outbox, uplink, screens, metrics }
//
// There are three kinds of goroutine: a source's own, the loop, and whatever
// follows the journal. Only the loop writes entries; only judging writes findings.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
	"standwatch/sensors"
)

// Limits of the one queue and of a commit.
const (
	queueLength = 8192 // deliveries that may wait
	batchLength = 8192 // readings that make a commit due at once
)

// stopGrace is how long followers may take to end after the journal is closed
// to new entries: a reply under way may still arrive and move a cursor.
const stopGrace = 5 * time.Second

// Clock stamps what the loop takes from the queue. A daemon has one: the
// machine's (clock.Clock) in run, the readings' own times (clock.Own) in the demo.
type Clock interface {
	// Stamp is the time since boot, whole milliseconds, never going back, at
	// which something with an own time (Unix ms; 0: none) is taken.
	Stamp(own int64) time.Duration
	// Anchor is the wall clock as an anchor for an entry stamped at.
	Anchor(at time.Duration) *rules.Clocked
}

// Source is a source with the name of its device, for the log.
type Source struct {
	Name string
	sensors.Source
}

// Parts is everything a daemon is made of. Zero fields that are not needed may stay zero.
type Parts struct {
	Site         rules.Site
	Zone         *time.Location
	BoxName      string
	Version      string
	Demo         bool
	Rules        []rules.Rule
	Journal      *journal.Journal
	Clock        Clock
	OwnTimes     bool          // the clock goes by the readings' own times: they are checked against no other
	Machine      string        // the kernel's boot id; empty: not known
	Commit       time.Duration // the interval of group commits
	Data         string        // the journal's folder, whose disk is watched; empty: it is not
	Key          record.Key    // signs what is left behind
	Emptied      bool          // the journal has nothing, though this box was started before: its file may have been lost
	Sources      []Source
	Certificates []Certificate // those that somebody supplied
	Followers    []journal.Follower
	Log          *slog.Logger

	Guard      func(ctx context.Context, kept func() (quiet time.Duration, why string)) // calls people when nothing is kept; nil: nobody is
	Supervisor Supervisor                                                               // who restarts the program where it hangs
}

// Daemon is a box put together. It serves the screens (web.Box) before, while
// and after it runs.
type Daemon struct {
	parts    Parts
	queue    chan sensors.Delivery
	marks    chan mark
	loop     *loop
	judging  *judging
	devices  *devices
	stopping chan struct{} // closed when the box is told to stop
	over     atomic.Bool   // a demo's night has been played to its end
}

// New puts a box together. It starts nothing.
func New(p Parts) *Daemon {
	if p.Commit <= 0 {
		p.Commit = 250 * time.Millisecond
	}
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	if p.Rules == nil {
		p.Rules = rules.All()
	}
	d := &Daemon{
		parts:    p,
		queue:    make(chan sensors.Delivery, queueLength),
		marks:    make(chan mark),
		stopping: make(chan struct{}),
		devices:  &devices{state: map[string]device{}, now: time.Now},
	}
	if p.OwnTimes { // the machine's time would stand beside the site's, and mean nothing there
		d.devices.now = func() time.Time { return time.Time{} }
	}
	d.judging = newJudging(p)
	d.judging.trouble = func(ok bool, sentence string) { d.devices.set("judging", ok, sentence) }
	d.judging.engine.Contain(func(rule string, x any) {
		p.Log.Error("a rule panicked and is not asked again until the next start", "rule", rule, "panic", x, "stack", string(debug.Stack()))
		d.devices.set("rule "+rule, false, fmt.Sprintf("Judges nothing any more: a fault of the program (%v). Readings are kept and the other rules go on. Report it with the journal, which shows it again.", x))
	})
	d.loop = newLoop(d)
	return d
}

// beginner is a follower that must take its place before anything is found.
type beginner interface{ Begin(context.Context) error }

// Run runs the box until ctx ends, and returns after an orderly stop: sources
// cancelled, the queue drained, a last commit, followers given a deadline.
func (d *Daemon) Run(ctx context.Context) error {
	for _, f := range d.parts.Followers {
		if b, ok := f.(beginner); ok { // before anything is found that it might miss
			if err := b.Begin(ctx); err != nil {
				return unlessStopped(ctx, fmt.Errorf("daemon: %s: %w", f.State().Name, err))
			}
		}
	}
	if err := d.loop.begin(ctx); err != nil {
		return unlessStopped(ctx, fmt.Errorf("daemon: starting: %w", err))
	}
	if err := d.judging.begin(ctx, d.loop.boot, d.loop.started); err != nil {
		return unlessStopped(ctx, fmt.Errorf("daemon: reading the journal: %w", err))
	}

	sourcesCtx, stopSources := context.WithCancel(ctx)
	followCtx, stopFollowers := context.WithCancel(context.WithoutCancel(ctx))
	loopCtx, stopLoop := context.WithCancel(context.WithoutCancel(ctx))
	defer stopSources()
	defer stopFollowers()
	defer stopLoop()

	failed := make(chan error, 2)
	var sources, core, followers sync.WaitGroup
	d.loop.turned.Store(int64(time.Since(d.loop.begun))) // it took a while to read the journal
	core.Go(func() {
		if err := d.loop.run(loopCtx); err != nil {
			failed <- fmt.Errorf("daemon: keeping readings: %w", err)
		}
	})
	judgingDone := make(chan struct{})
	go func() {
		defer close(judgingDone)
		if err := d.judging.run(followCtx, d.loop.stopped); err != nil && !errors.Is(err, context.Canceled) {
			failed <- fmt.Errorf("daemon: judging: %w", err)
		}
	}()
	for _, f := range d.parts.Followers {
		followers.Go(func() {
			if err := f.Run(followCtx); err != nil && !errors.Is(err, context.Canceled) {
				d.parts.Log.Error("a follower ended", "follower", f.State().Name, "error", err)
			}
		})
	}
	followers.Go(func() { d.chain(followCtx) })
	followers.Go(func() { d.seal(followCtx) })
	followers.Go(func() { d.rollUp(followCtx) })
	followers.Go(func() { d.watchBox(followCtx) })
	followers.Go(func() { d.selfTest(followCtx) })
	followers.Go(func() { d.watchCertificates(followCtx) })
	if d.parts.Guard != nil && !d.parts.OwnTimes {
		followers.Go(func() { d.parts.Guard(followCtx, d.loop.unkept) })
	}
	for _, s := range d.parts.Sources {
		sources.Go(func() { d.keepRunning(sourcesCtx, s, d.emit(loopCtx)) })
	}
	d.parts.Supervisor.tell("READY=1")

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	d.parts.Supervisor.tell("STOPPING=1")
	close(d.stopping)
	stopSources()
	waitAtMost(&sources, stopGrace, func() { d.parts.Log.Warn("a source did not end in time; going on without it") })
	stopLoop()
	core.Wait()
	select { // judging ends by itself once it has applied the last commit
	case <-judgingDone:
		grace, cancel := context.WithTimeout(followCtx, stopGrace)
		d.settle(grace)
		cancel()
	case <-time.After(stopGrace):
	}
	stopFollowers()
	followers.Wait()
	<-judgingDone
	if err == nil { // what could not be kept at the very end is no orderly stop
		select {
		case err = <-failed:
		default:
		}
	}
	return err
}

// unlessStopped is an error of a start, but for the one that comes of being told
// to stop in the midst of it: that is an orderly stop.
func unlessStopped(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return nil
	}
	return err
}

// sourcePause is how long a source that fell over rests before it is run again.
const sourcePause = 10 * time.Second

// keepRunning runs a source until ctx ends, and again after a pause where it
// fell over: one driver's fault must silence its own points and nothing else.
func (d *Daemon) keepRunning(ctx context.Context, s Source, emit sensors.Emit) {
	for ctx.Err() == nil {
		err := d.runOnce(ctx, s, emit)
		if ctx.Err() != nil {
			return
		}
		d.parts.Log.Error("a source fell over, running it again", "source", s.Name, "error", err, "in", sourcePause)
		d.devices.set(s.Name, false, fmt.Sprintf("Fell over: %v. It is run again in %s.", err, sourcePause))
		select {
		case <-ctx.Done():
		case <-time.After(sourcePause):
		}
	}
}

// runOnce runs a source; a panic in it is an error of it.
func (d *Daemon) runOnce(ctx context.Context, s Source, emit sensors.Emit) (err error) {
	defer func() {
		if p := recover(); p != nil {
			d.parts.Log.Error("a source panicked", "source", s.Name, "stack", string(debug.Stack()))
			err = fmt.Errorf("a fault of the program: %v", p)
		}
	}()
	if err = s.Run(ctx, emit); err == nil {
		err = errors.New("it ended by itself")
	}
	return err
}

// waitAtMost waits for what should end promptly, but not for ever: a driver may
// hang in a call to a bus that nothing can interrupt.
func waitAtMost(wg *sync.WaitGroup, most time.Duration, late func()) {
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(most):
		late()
	}
}

// settle waits, no longer than ctx allows, until every follower that can has
// sent what there is.
func (d *Daemon) settle(ctx context.Context) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		waiting := false
		for _, f := range d.parts.Followers {
			if s := f.State(); s.OK && s.Waiting > 0 {
				waiting = true
			}
		}
		if !waiting {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// emit returns the function by which sources hand over deliveries. It waits
// while the queue is full; after the loop has ended nothing is taken any more.
func (d *Daemon) emit(loopCtx context.Context) sensors.Emit {
	return func(x sensors.Delivery) {
		select {
		case d.queue <- x:
		case <-loopCtx.Done():
		}
	}
}

// Status is the function that sources report their device's state to.
func (d *Daemon) Status(name string, ok bool, sentence string) { d.devices.set(name, ok, sentence) }

// Count adds one to a counter of odd things.
func (d *Daemon) Count(what string) { d.devices.count(what) }
