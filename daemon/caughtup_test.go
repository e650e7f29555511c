package daemon

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
)

// noted notes since when it runs.
type noted struct {
	journal.Follower
	ran chan time.Time
}

func (n noted) Run(ctx context.Context) error {
	n.ran <- time.Now()
	<-ctx.Done()
	return ctx.Err()
}

// Who tells how the box stands does not begin before the box knows: flags that are open would
// be told as ended, and then once more.
func TestHowTheBoxStandsIsToldOnceItIsKnown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		n := noted{ran: make(chan time.Time, 1)}
		s := stands{n, func() bool { return time.Since(begun) < time.Minute }}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		if at := (<-n.ran).Sub(begun); at < time.Minute || at > time.Minute+time.Second {
			t.Errorf("it ran after %s", at)
		}
		stop()
		<-done
		s.behind = func() bool { return true }
		if err := s.Run(ctx); err == nil || len(n.ran) != 0 {
			t.Errorf("a box that is told to stop: %v, %d", err, len(n.ran))
		}
	})
}
