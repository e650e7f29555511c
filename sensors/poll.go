package sensors

import (
	"context"
	"errors"
	"slices"
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
	// A step that begins may want a slow point read fast from then on.
	longestNap = time.Second
	// No instrument on a bus is worth asking more often, whatever every says.
	shortestEvery = 10 * time.Millisecond
)

// Run opens, reads and reopens until ctx ends.
func (p *poller) Run(ctx context.Context, emit Emit) error {
	pause := firstPause
	for ctx.Err() == nil {
		probe, err := p.open(ctx)
		var told []Reading
		if err == nil {
			var answered bool
			if answered, told, err = p.read(ctx, probe, emit); answered {
				pause = firstPause
			}
			_ = probe.Close() // it has already failed, or we are stopping
		}
		if ctx.Err() != nil {
			break
		}
		if rs := p.failed(err, told); len(rs) > 0 {
			emit(Delivery{Readings: rs})
		}
		if !sleep(ctx, pause) {
			break
		}
		pause = min(2*pause, longestPause)
	}
	return nil
}

// read polls an open probe until it fails or ctx ends. It reports whether the probe
// ever answered, and what it told together with its failure.
func (p *poller) read(ctx context.Context, probe Probe, emit Emit) (answered bool, told []Reading, err error) {
	next := time.Now()
	for {
		rs, err := probe.Read(ctx)
		if ctx.Err() != nil {
			return answered, nil, nil
		}
		if len(rs) > 0 {
			emit(Delivery{Readings: rs})
		}
		if err != nil {
			return answered, rs, err
		}
		answered = true
		last := next
		for {
			// From the due time, not from the end of the reading, so that the rate
			// is the one asked for; a slow probe falls behind rather than piling up.
			next = last.Add(max(p.every(), shortestEvery))
			left := time.Until(next)
			if left < 0 {
				next = next.Add(-left)
			}
			if left <= 0 {
				break
			}
			if !sleep(ctx, min(left, longestNap)) {
				return answered, nil, nil
			}
		}
		if ctx.Err() != nil {
			return answered, nil, nil
		}
	}
}

// failed tells every point as failed that the probe itself has not told so already.
func (p *poller) failed(err error, told []Reading) []Reading {
	reason := ReasonOf(err)
	var rs []Reading
	for _, name := range p.points {
		if !slices.ContainsFunc(told, func(r Reading) bool { return r.Point == name && r.Health.Grade == Failed }) {
			rs = append(rs, Reading{Point: name, Health: Health{Failed, reason}})
		}
	}
	return rs
}

// because is an error that names the health of all points of a device.
type because struct {
	reason string
	error
}

func (b *because) Unwrap() error { return b.error }

// Because makes an error with which Poll tells a device's points as failed for that reason.
func Because(reason string, err error) error { return &because{reason, err} }

// ReasonOf is the reason that an error names (Because), else disconnected.
func ReasonOf(err error) string {
	var b *because
	if errors.As(err, &b) {
		return b.reason
	}
	return ReasonDisconnected
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
