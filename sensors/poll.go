package sensors

import (
	"context"
	"time"
)

type poller struct {
	points []string
	open   func(context.Context) (Probe, error)
	every  func() time.Duration
}

// pauses between attempts to open: the first soon, since most failures are a
// loose plug; never longer than half a minute, since somebody is waiting.
const (
	firstPause   = time.Second
	longestPause = 30 * time.Second
	// No instrument on a bus is worth asking more often, whatever every says.
	shortestEvery = 10 * time.Millisecond
)

// Run opens, reads and reopens until ctx ends.
func (p *poller) Run(ctx context.Context, emit Emit) error {
	pause := firstPause
	for ctx.Err() == nil {
		probe, err := p.open(ctx)
		if err == nil {
			if p.read(ctx, probe, emit) {
				pause = firstPause
			}
			_ = probe.Close() // it has already failed, or we are stopping
		}
		if ctx.Err() != nil {
			break
		}
		emit(Delivery{Readings: p.failed()})
		if !sleep(ctx, pause) {
			break
		}
		pause = min(2*pause, longestPause)
	}
	return nil
}

// read polls an open probe until it fails or ctx ends, and reports whether it
// ever answered.
func (p *poller) read(ctx context.Context, probe Probe, emit Emit) (answered bool) {
	next := time.Now()
	for {
		rs, err := probe.Read(ctx)
		if ctx.Err() != nil {
			return answered
		}
		if len(rs) > 0 {
			emit(Delivery{Readings: rs})
		}
		if err != nil {
			return answered
		}
		answered = true
		// From the due time, not from the end of the reading, so that the rate
		// is the one asked for; a slow probe falls behind rather than piling up.
		next = next.Add(max(p.every(), shortestEvery))
		if now := time.Now(); next.Before(now) {
			next = now
		}
		if !sleep(ctx, time.Until(next)) {
			return answered
		}
	}
}

func (p *poller) failed() []Reading {
	rs := make([]Reading, len(p.points))
	for i, name := range p.points {
		rs[i] = Reading{Point: name, Health: Health{Failed, ReasonDisconnected}}
	}
	return rs
}

// sleep waits, and reports false when ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
