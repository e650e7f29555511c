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

// chainEvery is how long an entry may stand unchained: what is changed before,
// the chain does not tell.
const chainEvery = time.Minute

// chain carries on the chain of what was committed, at once and until ctx ends,
// and then to the very end: an orderly stop leaves nothing unchained.
func (d *Daemon) chain(ctx context.Context) {
	carryOn := func(ctx context.Context) {
		if err := d.parts.Journal.Chain(ctx); err != nil && !errors.Is(err, context.Canceled) {
			d.parts.Log.Warn("the journal's chain was not carried on, trying again later", "error", err)
		}
	}
	t := time.NewTicker(chainEvery)
	defer t.Stop()
	for {
		carryOn(ctx)
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopGrace)
			defer cancel()
			carryOn(last)
			return
		case <-t.C:
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
