// Package web is the screens: server-rendered pages with live numbers and
// curves by server-sent events, for a phone on a roof and a desk elsewhere.
package web

import (
	"context"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// Box is what the screens need of the daemon.
type Box interface {
	// Now is how everything stands; a copy, cheap to ask for.
	Now() Snapshot
	// Watch returns a channel of one slot that gets a value when Now has changed.
	Watch() (changed <-chan struct{}, stop func())
	// Tell records marks, all of them or none; they are durable when Tell returns without error.
	Tell(ctx context.Context, marks ...rules.Told) error
	// Findings returns up to most findings with ID < before, newest first.
	Findings(ctx context.Context, before int64, most int) ([]Finding, error)
	// Curve returns a point's samples between two wall times (Unix ms).
	Curve(ctx context.Context, point string, fromMs, toMs int64, most int) ([]journal.Sample, error)
	// KeepPhoto keeps a picture and returns its name; journal.ErrPhotosFull where no more fit.
	KeepPhoto(picture []byte) (name string, err error)
	// Photo returns the picture of a name; nil where there is none.
	Photo(ctx context.Context, name string) ([]byte, error)
	// Columns returns what points' readings between two wall times come to, in at most about most columns each.
	Columns(ctx context.Context, points []string, fromMs, toMs int64, most int) (journal.Columns, error)
}

// Snapshot is how everything stands at one moment.
type Snapshot struct {
	BoxName     string
	Site        rules.Site
	Zone        *time.Location // the site's
	At          rules.Instant
	Wall        time.Time // by the newest anchor; what the page calls now
	ClockProven bool
	Demo        bool // simulated: the page says so
	Over        bool // and its night has been played to the end: the clock stands still
	Behind      bool // the box was just started, and what it kept before is still read: steps under way may be missing
	Running     []Step
	Past        []Step // ended steps, newest first
	Reported    []Said // steps done before the box came, in the order told
	Points      []Point
	Flags       []Flag                        // open, most urgent first, then newest
	Recent      []Finding                     // the newest edges and verdicts, newest first, at most 100
	Marks       []Mark                        // the newest marks and commands, newest first, at most 500
	Sheets      map[string]rules.AddressSheet // by system: what is entered of its units
	Checks      map[string][]Check            // by system: what no sensor sees, in the order of the steps
	Jobs        map[string][]Job              // by system: in the order begun; what stands above is of the newest, but for Past
	Devices     []Device                      // brokers and buses
	Outward     []journal.FollowerState
	Kept        uint64    // entries in the journal
	KeptAt      time.Time // wall time of the last commit
	Signs       string    // the fingerprint of the key that signs what the box leaves behind
}

// Step is a step under way or past.
type Step struct {
	rules.Step
	Begun, Ended time.Time     // Ended zero: under way
	Outlook      rules.Outlook // of a past step the last one before its end; empty after a restart
	FigureAt     time.Time     // wall time of Outlook.FigAt
	Trend        []TrendPoint  // Outlook.Trend by wall time
	Expected     []TrendPoint  // Outlook.Expected by wall time
	Ledger       []Segment     // Outlook.Ledger by wall time
	Verdicts     []Finding     // the last one of each unit counts
	Accepted     []Said        // its result, by a person; the verdict stands
	Entered      rules.Entered // the rows of a take-off
}

// Segment is a stretch of a charge's ledger by wall time.
type Segment struct {
	rules.Segment
	Begun, Ended time.Time
}

// Mark is what a person told the box, other than a step's begin or end.
type Mark struct {
	rules.Told
	Seq  uint64
	Wall time.Time // when it happened
}

// Check is how a check that no sensor sees stands.
type Check struct {
	rules.CheckState
	Said []CheckMark // Marks, oldest first
}

// CheckMark is what a person said of a check.
type CheckMark struct {
	rules.CheckMark
	Wall time.Time
}

// Job is a job of a system, with when it was spoken of.
type Job struct {
	rules.Job
	Begun  time.Time // zero: with the journal
	Said   []JobMark
	Signed []Signed
	Copies []Copy
}

// Copy is a copy of a job's papers that went out.
type Copy struct {
	rules.Copy
	Wall time.Time
}

// JobMark is what a person said of a job.
type JobMark struct {
	rules.JobMark
	Wall time.Time
}

// Signed is a name under a job's record.
type Signed struct {
	rules.Signed
	Wall time.Time
}

// Said is what a person answers for: a step reported done, a result accepted.
type Said struct {
	System, Step string
	By, Text     string
	At           time.Time
}

// TrendPoint is a fitted or projected point by wall time.
type TrendPoint struct {
	WallMs          int64
	Low, Best, High float64
}

// Point is a point and its newest reading.
type Point struct {
	sensors.Point
	Value  float64
	Health sensors.Health
	Taken  time.Time // zero: nothing yet
	Heard  time.Time // the newest sign of life
	Count  uint64    // readings since start
	Bad    uint64    // of them suspect or failed

	Shown   float64           // what the instrument showed; Value is that corrected
	Holds   rules.Holds       // what is said of the instrument
	Expired bool              // and that has run out
	Said    []CalibrationMark // what was ever said, oldest first
}

// CalibrationMark is what a person said of a point's instrument.
type CalibrationMark struct {
	rules.CalibrationMark
	Wall time.Time
}

// Flag is an open flag with its wall times.
type Flag struct {
	rules.Flag
	Raised time.Time // first
	Newest time.Time // the newest raising edge
}

// Finding is a finding with its wall time.
type Finding struct {
	rules.Finding
	ID   int64
	Wall time.Time
}

// Device is a broker or bus.
type Device struct {
	Name     string
	OK       bool
	Sentence string
	Since    time.Time
}
