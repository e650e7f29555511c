// Package clock is the one place that stamps.
//
// An entry's At is the time since the machine's boot, which no wall clock can
// turn back. What the wall clock says goes beside it, as an anchor, with
// whether it can be believed: a site box often has no battery clock and no
// network. In the demo and in a replay time is what the readings themselves
// say (Own).
//
// What waits does not belong here: it calls package time.
//
// We assume:
//
//  1. The machine does not sleep while the box runs. time.Since stops in
//     suspend; CLOCK_BOOTTIME, read once at the start, would not.
//  2. The kernel slews CLOCK_MONOTONIC together with the wall clock, so that
//     their difference moves only when the wall clock is set.
//  3. A machine without a device tree (a PC, a server, a virtual machine) has
//     a battery clock or a host that keeps its time, even where nothing on it
//     tells the kernel that the time is synchronised. A board with a device
//     tree has one only where it shows an RTC.
package clock

import (
	"time"

	"standwatch/rules"
)

// Clock is the running machine's clock. Make it with Running.
type Clock struct {
	start   time.Time     // when it was made
	booted  time.Duration // since the machine's boot, then
	machine string
	facts   func() facts
	floor   int64 // Unix ms less ms since boot: an unproven anchor lies no lower
	floored bool
}

// Running reads the machine's time since boot once; from then on package time
// carries it, which is right inside a testing/synctest bubble too.
func Running() (*Clock, error) {
	booted, machine, err := boot()
	if err != nil {
		return nil, err
	}
	return &Clock{start: time.Now(), booted: booted, machine: machine, facts: look}, nil
}

// Machine is the kernel's boot id: the same one after a restart means that the
// machine ran on.
func (c *Clock) Machine() string { return c.machine }

// Since is the time since the machine's boot, in whole milliseconds.
func (c *Clock) Since() time.Duration {
	return (c.booted + time.Since(c.start)).Truncate(time.Millisecond)
}

// Stamp is Since: what the loop stamps with in run. An instrument's own time
// (Unix ms; 0: none) does not move it.
func (c *Clock) Stamp(own int64) time.Duration { return c.Since() }

// NotBefore gives the last wall time that the journal knows (Unix ms). An
// anchor that is not proven never lies before it. Call it once, before Anchor.
func (c *Clock) NotBefore(wall int64) {
	c.floor, c.floored = wall-c.Since().Milliseconds(), true
}

// Anchor is the wall clock as an anchor for an entry stamped at.
func (c *Clock) Anchor(at time.Duration) *rules.Clocked {
	f := c.facts()
	offset := f.wall.UnixMilli() - (c.booted + f.read.Sub(c.start)).Milliseconds()
	proven := proven(f)
	if !proven && c.floored {
		offset = max(offset, c.floor)
	}
	source := "system"
	if f.synchronised {
		source = "synchronised"
	}
	return &rules.Clocked{Wall: offset + at.Milliseconds(), Error: f.err, Source: source, Proven: proven}
}

// stepped is how far the wall clock must be off its last anchor to be called
// set: above the jitter of reading two clocks one after the other, and below
// what a judge or a reader could notice.
const stepped = 100 * time.Millisecond

// Moved reports whether a fresh anchor says what the last one of the same boot
// did not: the wall clock was set, or has become proven. Asking once a minute
// is enough. That a clock is no longer synchronised is not news: it was set
// right and runs on.
func Moved(lastAt time.Duration, last *rules.Clocked, at time.Duration, fresh *rules.Clocked) bool {
	if last == nil || fresh.Proven && !last.Proven {
		return true
	}
	d := (fresh.Wall - last.Wall) - (at - lastAt).Milliseconds()
	return max(d, -d) >= stepped.Milliseconds()
}

// Own stamps by the readings' own times, in the demo and in a replay: At is
// the greatest own time so far, since the first. Set Source before use.
type Own struct {
	Source          string // "simulated" or "log"
	first, greatest int64  // Unix ms
	begun           bool
}

// Stamp takes in an instrument's own time (Unix ms; 0: none) and returns the
// time since the first.
func (o *Own) Stamp(own int64) time.Duration {
	if own != 0 && !o.begun {
		o.first, o.greatest, o.begun = own, own, true
	}
	if own != 0 {
		o.greatest = max(o.greatest, own)
	}
	return o.Since()
}

// Since is the greatest own time so far, since the first.
func (o *Own) Since() time.Duration {
	return time.Duration(o.greatest-o.first) * time.Millisecond
}

// Begun reports whether any reading told a time yet. Until then there is none.
func (o *Own) Begun() bool { return o.begun }

// Anchor is the anchor for an entry stamped at: the own times are the wall clock.
func (o *Own) Anchor(at time.Duration) *rules.Clocked {
	return &rules.Clocked{Wall: o.first + at.Milliseconds(), Source: o.Source, Proven: true}
}

// Moment is where one run of the box ended or the next began.
type Moment struct {
	Machine string        // the kernel's boot id; empty: not known
	Since   time.Duration // since the machine's boot
	Wall    int64         // Unix ms, by the run's anchor
	Proven  bool          // the anchor's
}

// Gap is how long the box was away between the last entry of a run and the
// start of the next. It is exact where the machine ran on, by wall clocks where
// both were proven, and else not known.
func Gap(before, after Moment) (gap time.Duration, known bool) {
	switch {
	case before.Machine != "" && before.Machine == after.Machine:
		gap = after.Since - before.Since
	case before.Proven && after.Proven:
		gap = time.Duration(after.Wall-before.Wall) * time.Millisecond
	default:
		return 0, false
	}
	if gap < 0 { // one of the two was wrong after all
		return 0, false
	}
	return gap, true
}

// How far an instrument's own time may be off the box's and still be believed.
// An instrument may hand over what it kept for weeks; one that is ahead was
// never set. Our choice.
const (
	oldest = 31 * 24 * time.Hour
	ahead  = 2 * time.Minute
)

// Taken derives when a reading was taken, since the boot of its entry's At,
// from the instrument's own time (Unix ms; 0: none) and the boot's anchor as
// known now (the wall time at boot in Unix ms, and whether it is proven).
// Without an own time, or by an unproven clock that cannot be compared with
// another, it was taken at; own time that cannot be is not believed, and the
// reading is to be marked for that.
func Taken(own int64, at time.Duration, bootWall int64, proven bool) (taken time.Duration, believed bool) {
	if own == 0 || !proven {
		return at, true
	}
	off := own - bootWall - at.Milliseconds() // ms; huge for a time that is years off
	if off < -oldest.Milliseconds() || off > ahead.Milliseconds() {
		return at, false
	}
	return at + time.Duration(off)*time.Millisecond, true
}
