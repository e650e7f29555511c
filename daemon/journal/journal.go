// Package journal is the one ordered, durable record: readings, marks, starts
// and clock anchors, with the findings and cursors that stand beside them.
package journal

import (
	"context"
	"errors"
	"iter"
	"log/slog"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

var errTodo = errors.New("journal: being written")

// Reader reads a journal, also while another process writes it.
type Reader struct{}

// Journal is the one writer, and a Reader of what it wrote.
type Journal struct{ Reader }

// Open opens or creates the journal in dir for writing; one process may.
func Open(ctx context.Context, dir string, log *slog.Logger) (*Journal, error) { return nil, errTodo }

// OpenReader opens the journal in dir read-only.
func OpenReader(ctx context.Context, dir string) (*Reader, error) { return nil, errTodo }

func (j *Journal) Close() error { return errTodo }

// Append commits entries durably, in order, and fills in their Seq. Receipts are
// those of the messages the entries came by: they are stored in the same
// transaction (the newest 65,535 of a client are kept).
func (j *Journal) Append(entries []rules.Entry, receipts []sensors.Receipt) error { return errTodo }

// Find stores findings that are not stored yet, in one transaction, and returns the new ones.
func (j *Journal) Find(fs []rules.Finding) ([]Stored, error) { return nil, errTodo }

// Changed returns a channel that is closed at the next Append or Find.
func (j *Journal) Changed() <-chan struct{} { return nil }

// SetCursor moves a follower's cursor; only after the other side's final yes.
func (j *Journal) SetCursor(name string, at int64) error { return errTodo }

// Freeze returns the anchor by which a follower stamps a boot: the first
// proven one, kept from then on. ok is false while there is none.
func (j *Journal) Freeze(follower string, boot uint32) (offsetMs int64, ok bool, err error) {
	return 0, false, errTodo
}

// Quarantine keeps what the other side refused for good, with its words.
func (j *Journal) Quarantine(follower string, item, reason string) error { return errTodo }

// Stored is a finding with its number in the order of storing.
type Stored struct {
	ID int64
	rules.Finding
}

func (r *Reader) Close() error                             { return errTodo }
func (r *Reader) Last(ctx context.Context) (uint64, error) { return 0, errTodo }

// Entries yields entries with from <= Seq <= to (0: to the end), in order, in short
// transactions; points nil: all, else only readings of these points, and every
// mark, start and anchor. The *Measured of a yielded entry is the reader's own
// and is valid until the next is asked for.
func (r *Reader) Entries(ctx context.Context, from, to uint64, points []string) iter.Seq2[rules.Entry, error] {
	return nil
}

// Findings returns up to limit findings with ID > after, in order.
func (r *Reader) Findings(ctx context.Context, after int64, limit int) ([]Stored, error) {
	return nil, errTodo
}

// OpenFlags returns the flags open (and whether acknowledged) by findings that rest on entries with Seq < before (0: all).
func (r *Reader) OpenFlags(ctx context.Context, before uint64) ([]rules.Flag, error) {
	return nil, errTodo
}

// OpenSteps returns the begin marks that no end mark has closed, in order.
func (r *Reader) OpenSteps(ctx context.Context) ([]rules.Entry, error) { return nil, errTodo }

// Marks returns all marks (Told, Started, Clocked entries) in order.
func (r *Reader) Marks(ctx context.Context) ([]rules.Entry, error) { return nil, errTodo }

// Anchors returns what is known of wall time, by the newest anchors.
func (r *Reader) Anchors(ctx context.Context) (Anchors, error) { return nil, errTodo }

// Anchors maps a boot to its newest anchor.
type Anchors map[uint32]Anchor

// Anchor is a boot's wall clock: Wall = OffsetMs + since boot.
type Anchor struct {
	OffsetMs int64
	Error    time.Duration
	Source   string
	Proven   bool
}

// Wall returns Unix ms of an instant. ok is false where the boot has no anchor.
func (a Anchors) Wall(at rules.Instant) (ms int64, ok bool) {
	x, ok := a[at.Boot]
	return x.OffsetMs + at.Since.Milliseconds(), ok
}

// Cursor returns a follower's cursor, 0 where it has none yet.
func (r *Reader) Cursor(ctx context.Context, name string) (int64, error) { return 0, errTodo }

// Quarantined counts what a follower set aside.
func (r *Reader) Quarantined(ctx context.Context, follower string) (int64, error) { return 0, errTodo }

// Sample is one point of a curve.
type Sample struct {
	WallMs    int64 // when it was taken, by the newest anchors
	Value     float64
	Low, High float64 // of the readings it stands for; equal to Value where it is one
	Health    sensors.Health
}

// Series returns a point's readings taken between two wall times, at most most samples
// (min, mean and max of equal spans where there are more); a failed reading is a sample with its health.
func (r *Reader) Series(ctx context.Context, point string, fromMs, toMs int64, most int) ([]Sample, error) {
	return nil, errTodo
}

// Recent yields the newest n readings, newest first, for the duplicate memory.
func (r *Reader) Recent(ctx context.Context, n int) iter.Seq2[rules.Entry, error] { return nil }

// Receipts returns the stored receipts, oldest first.
func (r *Reader) Receipts(ctx context.Context) ([]sensors.Receipt, error) { return nil, errTodo }

// FollowerState is how something that leaves the box stands.
type FollowerState struct {
	Name        string
	OK          bool
	Sentence    string // what is wrong and what to do; or "up to date"
	Waiting     int64  // entries or messages not yet accepted
	Quarantined int64
	LastDone    time.Time
}

// Follower carries what leaves the box: a named cursor over the journal that
// moves only after the other side's final yes.
type Follower interface {
	Run(ctx context.Context) error
	State() FollowerState
}
