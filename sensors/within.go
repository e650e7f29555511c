package sensors

import (
	"context"
	"fmt"
	"time"
)

// Within does something that knows no deadline of its own: a file of the kernel, a device that is
// opened. What takes longer than most, or than ctx, is left behind; what it brings after all
// goes to undo (nil: there is nothing to undo).
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
