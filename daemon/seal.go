package daemon

import (
	"context"
	"errors"
	"time"
)

// sealEvery is how often past hours are made into blocks. A block takes far
// less room than the commits it is made of, and reads faster.
const sealEvery = 10 * time.Minute

// seal makes blocks of the hours that are over, until ctx ends. A failure is
// tried again the next time: the commits stay where they are meanwhile.
func (d *Daemon) seal(ctx context.Context) {
	t := time.NewTicker(sealEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		_, now, err := d.parts.Journal.End(ctx)
		if err == nil {
			err = d.parts.Journal.Seal(ctx, now)
		}
		if err != nil && !errors.Is(err, context.Canceled) {
			d.parts.Log.Warn("past hours were not sealed, trying again later", "error", err)
		}
	}
}

// rollUpEvery is how often the roll-ups for long curves are carried on.
const rollUpEvery = time.Minute

// rollUp carries the roll-ups on until ctx ends. What is not rolled up yet, a
// failure's too, is read from the commits.
func (d *Daemon) rollUp(ctx context.Context) {
	t := time.NewTicker(rollUpEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		if err := d.parts.Journal.RollUp(ctx); err != nil && !errors.Is(err, context.Canceled) {
			d.parts.Log.Warn("curves were not rolled up, trying again later", "error", err)
		}
	}
}
