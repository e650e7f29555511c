package bus

import (
	"context"
	"fmt"
	"io"
	"time"

	"standwatch/sensors"
)

const (
	// longest is how long one transaction may take. The kernel gives up on an I2C
	// transfer after a second by itself; a conversion is never waited for within one.
	longest = 1500 * time.Millisecond
	// patience is how long a device waits for its turn: that of one that hangs, and its own.
	patience = 2 * longest
	// abandoned is how long a transaction may hold the bus before the bus is opened
	// anew beside it, the old one being left to whatever holds it.
	abandoned = 15 * time.Second
)

// owner is the one goroutine that talks to a bus: everything else asks it.
type owner[B io.Closer] struct {
	name string
	open func() (B, error)
	asks chan ask[B]
	end  chan struct{} // closed when nobody answers any more
}

// ask is something to be done with the bus.
type ask[B io.Closer] struct {
	do     func(B) error // may end after its asker went away: it writes to nothing of theirs
	answer chan error    // has room for one
}

func newOwner[B io.Closer](name string, open func() (B, error)) *owner[B] {
	return &owner[B]{name: name, open: open, asks: make(chan ask[B]), end: make(chan struct{})}
}

// use does one thing with the bus, in its turn.
func (o *owner[B]) use(do func(B) error) error {
	t := time.NewTimer(patience)
	defer t.Stop()
	a := ask[B]{do, make(chan error, 1)}
	select {
	case o.asks <- a:
	case <-t.C:
		return o.late()
	case <-o.end:
		return context.Canceled
	}
	select {
	case err := <-a.answer:
		return err
	case <-t.C:
		return o.late()
	case <-o.end:
		return context.Canceled
	}
}

func (o *owner[B]) late() error {
	return sensors.Because(sensors.ReasonHung, fmt.Errorf("%s is held, and no answer came within %s", o.name, patience))
}

// held is a transaction under way, with the bus it is done on. It has a goroutine of its
// own, since a transfer in the kernel knows no deadline; the owner waits for it.
type held[B io.Closer] struct {
	bus    B
	opened bool
	err    error
	done   chan struct{} // closed at its end; what stands above may be read then
}

// run answers until ctx ends. The bus is opened at the first ask, and anew after three
// errors in a row: a plug that was pulled leaves a dead file behind.
func (o *owner[B]) run(ctx context.Context) {
	defer close(o.end)
	const errorsInARow = 3
	h := &held[B]{}
	fails := 0
	shut := func() {
		if h.opened {
			_ = h.bus.Close() // what it had to say its transactions have said
		}
		h, fails = &held[B]{}, 0
	}
	for {
		var a ask[B]
		select {
		case a = <-o.asks:
		case <-ctx.Done():
			shut()
			return
		}
		h = &held[B]{bus: h.bus, opened: h.opened, done: make(chan struct{})}
		go o.hold(h, a)
		if !o.wait(ctx, h, a) {
			go leave(h)
			h, fails = &held[B]{}, 0
			continue // or end, at the next turn
		}
		switch {
		case h.err == nil:
			fails = 0
		case h.opened:
			if fails++; fails >= errorsInARow {
				shut()
			}
		}
	}
}

// wait waits for a transaction's end. One that takes too long is told to its asker, and the
// bus stays with it for a while; then, or when ctx ends, it is to be left.
func (o *owner[B]) wait(ctx context.Context, h *held[B], a ask[B]) (ended bool) {
	t := time.NewTimer(longest)
	defer t.Stop()
	for told := false; ; told = true {
		select {
		case <-h.done:
			return true
		case <-ctx.Done():
			return false
		case <-t.C:
			if told {
				return false
			}
			select {
			case a.answer <- sensors.Because(sensors.ReasonHung, fmt.Errorf("%s: no answer within %s", o.name, longest)):
			default: // it has just ended, and answered by itself
			}
			t.Reset(abandoned)
		}
	}
}

// hold opens the bus if that is to be done, and does what was asked.
func (o *owner[B]) hold(h *held[B], a ask[B]) {
	defer close(h.done)
	grown()
	if !h.opened {
		if h.bus, h.err = o.open(); h.err == nil {
			h.opened = true
		}
	}
	if h.opened {
		h.err = a.do(h.bus)
	}
	select {
	case a.answer <- h.err:
	default: // told as hung already
	}
}

// leave closes a bus once whatever holds it lets go.
func leave[B io.Closer](h *held[B]) {
	<-h.done
	if h.opened {
		_ = h.bus.Close()
	}
}

// grown makes room on this goroutine's stack. periph hands the kernel the address of
// what stands on the stack; were the stack to grow and move between, the kernel would read
// what stood there before.
//
//go:noinline
func grown() byte {
	var room [16 << 10]byte
	return room[len(room)/2]
}
