package journal

import (
	"context"
	"time"
)

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
