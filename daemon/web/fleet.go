package web

import (
	"context"
	"time"

	"standwatch/daemon/journal"
)

// Fleet is what the pages of the board need: many boxes, each as far as it
// has told a broker, and their curves from a store.
type Fleet interface {
	// Boxes are all boxes that are known, in no order. Of their points only
	// those are there that a step under way goes by.
	Boxes() []Standing
	// Box is one of them whole.
	Box(broker, name string) (Standing, bool)
	// Ways are the brokers and the store, and how the board stands with them.
	Ways() []Device
	// Left is what there was no room for, in whole sentences.
	Left() []string
	// Watch returns a channel of one slot that gets a value when something has changed.
	Watch() (changed <-chan struct{}, stop func())
	// Curve returns a point's samples between two times of the box's clock (Unix ms).
	Curve(ctx context.Context, box Standing, point string, fromMs, toMs int64, most int) ([]journal.Sample, error)
}

// Word is how a box can be reached.
type Word string

// The words, the worst first.
const (
	WordOffline Word = "offline" // the broker says so, by last will or the box's own word
	WordQuiet   Word = "quiet"   // nothing has come for a while
	WordLost    Word = "lost"    // the broker itself is away
	WordAwaited Word = "awaited" // the board has just begun to listen
	WordLive    Word = "live"
)

// Standing is one box as the board knows it. Its snapshot is as the box last
// told; Wall is what the box's clock would show now.
type Standing struct {
	Broker, Name string
	Snapshot
	Word    Word
	Heard   time.Time     // when the last word came, by the board's clock; zero: none since the board began
	Last    time.Time     // what the box's clock said in its last word; zero: it never told
	Ahead   time.Duration // how far the box's clock is ahead of the board's, where ClockHeard
	Off     time.Time     // since when it is offline, by the board's clock; zero: from before the board began
	Version string
	URL     string // of the box's own page; empty: not known

	ClockHeard bool
	Odd        uint64 // messages that could not be read
	Cut        uint64 // messages there was no room for
}
