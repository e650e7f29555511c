package rules

import "time"

// watch is a step's stopwatch. A box that starts anew begins to count from
// nought; the step's time goes on, by the gap where that is known.
type watch struct {
	from    time.Duration // since the running boot, the moment that base stands for
	base    time.Duration // the step's time at from
	newest  time.Duration // the step's time at the newest entry
	unknown bool          // a start of the box came between of which nobody knows the gap
}

func startWatch(s Start) watch {
	w := watch{from: s.Began.Since}
	w.newest = s.Entry.At.Since - s.Began.Since
	return w
}

// hear moves the newest time on, and over a start of the box.
func (w *watch) hear(e Entry) (gap time.Duration, restarted bool) {
	if b, ok := e.Body.(*Started); ok {
		w.unknown = w.unknown || !b.GapKnown
		w.base, w.from = w.newest+max(0, b.Gap), e.At.Since
		w.newest = w.base
		return max(0, b.Gap), true
	}
	w.newest = max(w.newest, w.of(e.At.Since))
	return 0, false
}

// of is the step's time at a moment of the running boot.
func (w *watch) of(since time.Duration) time.Duration { return w.base + since - w.from }

// when is the moment of the running boot at a time of the step.
func (w *watch) when(elapsed time.Duration) time.Duration { return w.from + elapsed - w.base }
