package sensors_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/sensors"
)

// What a call brings after its time is undone, or a port that opens late stays
// open for nobody; what it did not bring is not.
func TestWhatComesTooLateIsUndone(t *testing.T) {
	for name, c := range map[string]struct {
		err   error
		takes time.Duration
		nobody,
		cancelled bool
		undone int
	}{
		"late":                       {takes: 3 * time.Second, undone: 1},
		"late, and told to stop":     {takes: 3 * time.Second, cancelled: true, undone: 1},
		"late, and without anything": {takes: 3 * time.Second, err: errors.New("no such port")},
		"late, nothing to undo":      {takes: 3 * time.Second, nobody: true},
		"in time":                    {takes: time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				if c.cancelled {
					time.AfterFunc(time.Second, cancel)
				}
				undone := 0
				undo := func(v int) { undone += v }
				if c.nobody {
					undo = nil
				}
				v, err := sensors.Within(ctx, 2*time.Second, func() (int, error) {
					time.Sleep(c.takes)
					return 1, c.err
				}, undo)
				switch late := c.takes > 2*time.Second; {
				case late && (err == nil || v != 0):
					t.Errorf("got %d and %v of what came too late", v, err)
				case late && !c.cancelled && sensors.ReasonOf(err) != sensors.ReasonHung:
					t.Errorf("%v is told as %q", err, sensors.ReasonOf(err))
				case late && c.cancelled && !errors.Is(err, context.Canceled):
					t.Errorf("told to stop it says %v", err)
				case !late && (err != nil || v != 1):
					t.Errorf("got %d and %v in time", v, err)
				}
				time.Sleep(5 * time.Second)
				synctest.Wait()
				if undone != c.undone {
					t.Errorf("undone %d times, want %d", undone, c.undone)
				}
			})
		})
	}
}
