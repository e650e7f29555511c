package sensors

import (
	"context"
	"fmt"
	"time"
)

// Within does something that knows no deadline of its own: a file of the kernel, a device that is
// opened. What takes longer than most, or than ctx, is left behind; what it brings after all
// goes to undo (nil: there is nothing to undo).
//
// What is left behind holds a goroutine, some 10 KB, until its system call returns, and nothing here
// counts them: a source that was let down asks again by Poll's back-off, so a device that hangs for
// a night of 12 h leaves some 1,500 of them, 15 MB. A bound would have to be kept for each device, and
// at that bound the source would be no better off.
func Within[T any](ctx context.Context, most time.Duration, do func() (T, error), undo func(T)) (T, error) {
	type result struct {
		v   T
		err error
	}
	var none T
	if err := ctx.Err(); err != nil {
		return none, err
	}
	done := make(chan result, 1)
	go func() {
		v, err := do()
		done <- result{v, err}
	}()
	t := time.NewTimer(most)
	defer t.Stop()
	var err error
	select {
	case r := <-done:
		return r.v, r.err
	case <-ctx.Done():
		err = ctx.Err()
	case <-t.C:
		err = Because(ReasonHung, fmt.Errorf("no answer within %s", most))
	}
	go func() {
		if r := <-done; r.err == nil && undo != nil {
			undo(r.v)
		}
	}()
	return none, err
}
