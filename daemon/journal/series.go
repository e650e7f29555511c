package journal

import (
	"context"
	"slices"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
	"standwatch/sensors"
)

// Series returns a point's readings taken between two wall times, at most most samples
// (min, mean and max of equal spans where there are more); a failed reading is a sample with its health.
//
// A span with values has the worst health among them; where some of its
// readings failed it is at least suspect, for their reason. A span in which all
// failed has no value.
func (r *Reader) Series(ctx context.Context, point string, fromMs, toMs int64, most int) ([]Sample, error) {
	anchors, err := r.Anchors(ctx)
	if err != nil || most <= 0 || toMs < fromMs {
		return nil, err
	}
	boots := make([]uint32, 0, len(anchors))
	for b := range anchors {
		boots = append(boots, b)
	}
	slices.Sort(boots)
	c := newCurve(fromMs, toMs, most)
	for _, boot := range boots {
		if err := r.curve(ctx, c, boot, anchors[boot].OffsetMs, point); err != nil {
			return nil, err
		}
	}
	return c.samples(), nil
}

// curve adds one boot's readings, a page a transaction.
func (r *Reader) curve(ctx context.Context, c *curve, boot uint32, offset int64, point string) error {
	w := walk{wanted: []string{point}}
	add := func(e rules.Entry) bool {
		m := e.Body.(*rules.Measured)
		c.add(offset+m.Taken.Milliseconds(), m.Value, m.Health)
		return true
	}
	for next, more := int64(0), true; more; {
		more = false
		err := r.read(ctx, "read a curve", func(conn *sqlite.Conn) (err error) {
			w.batches, w.arena = w.batches[:0], w.arena[:0]
			err = rows(conn, `SELECT `+batchColumns+` FROM batches
				WHERE first_seq > ? AND boot = ? AND taken_high_ms >= ? AND taken_low_ms <= ? ORDER BY first_seq`, func(s *sqlite.Stmt) error {
				b := w.batch(s)
				w.batches, next = append(w.batches, b), int64(b.first)
				if len(w.arena) >= pageBytes {
					more = true
					return errEnough
				}
				return nil
			}, next, int64(boot), c.from-offset, c.to-offset)
			if err != nil {
				return err
			}
			w.dec.catalog, err = r.points(conn)
			w.dec.want = wanted(w.dec.catalog, w.wanted)
			return err
		})
		if err != nil {
			return err
		}
		for _, b := range w.batches {
			if _, err := w.dec.decode(b, b.first, b.last, add); err != nil {
				return err
			}
		}
	}
	return nil
}

// curve gathers samples one by one, and in spans as soon as there are too many.
type curve struct {
	from, to int64
	single   []Sample
	spans    []span
	many     bool
}

// span sums up the readings of an equal part of the time.
type span struct {
	n, failed       int
	sum, wall       float64 // wall from the curve's start
	low, high       float64
	health, failure sensors.Health
}

func newCurve(from, to int64, most int) *curve {
	return &curve{from: from, to: to, spans: make([]span, most)}
}

func (c *curve) add(wall int64, value float64, h sensors.Health) {
	if wall < c.from || wall > c.to {
		return
	}
	if len(c.single) < len(c.spans) {
		c.single = append(c.single, Sample{wall, value, value, value, h})
	} else {
		c.many = true
	}
	width := float64(c.to-c.from+1) / float64(len(c.spans))
	s := &c.spans[min(int(float64(wall-c.from)/width), len(c.spans)-1)]
	s.add(float64(wall-c.from), value, h)
}

func (s *span) add(wall, value float64, h sensors.Health) {
	if h.Grade == sensors.Failed {
		s.failed++
		s.failure = h
		if s.n == 0 {
			s.wall += wall
		}
		return
	}
	if s.n == 0 {
		s.low, s.high, s.wall = value, value, 0 // the time is that of the values
	}
	s.n++
	s.sum += value
	s.wall += wall
	s.low, s.high = min(s.low, value), max(s.high, value)
	if h.Grade > s.health.Grade {
		s.health = h
	}
}

func (c *curve) samples() []Sample {
	if !c.many {
		slices.SortStableFunc(c.single, bySampleTime)
		return c.single
	}
	var out []Sample
	for i := range c.spans {
		s := &c.spans[i]
		switch {
		case s.n > 0:
			x := Sample{c.from + int64(s.wall/float64(s.n)), s.sum / float64(s.n), s.low, s.high, s.health}
			if s.failed > 0 && x.Health.Grade == sensors.Good {
				x.Health = sensors.Health{Grade: sensors.Suspect, Reason: s.failure.Reason}
			}
			out = append(out, x)
		case s.failed > 0:
			out = append(out, Sample{WallMs: c.from + int64(s.wall/float64(s.failed)), Health: s.failure})
		}
	}
	return out
}
