package uplink

import (
	"context"
	"fmt"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// lane is one cursor with the batch that comes next. The batch stays and grows
// until the store has taken it, so that what was read once keeps its ranks.
type lane struct {
	cursor string
	at     int64 // position read up to: where the cursor goes after the final yes
	done   int64 // position up to which all is accepted
	known  bool  // the cursor has been read, and the ranks before it

	lines   []string
	asides  []aside
	full    bool   // there is more after the batch
	waiting string // why what follows the batch cannot be read yet

	ranks *ranks
	// read yields from a position on, in order, until take says stop.
	read  func(ctx context.Context, from int64, take func(item) (goOn bool, err error)) error
	stamp func(boot uint32, since time.Duration) (ms int64, ok bool, err error)
	load  func(ctx context.Context, name string) (int64, error)
}

// item is one entry or finding on its way to a line.
type item struct {
	at     int64
	boot   uint32
	since  time.Duration
	own    int64 // Unix ms told by the instrument or the person; 0: none
	series seriesKey
	write  func(ns int64) (string, error) // nil: no line comes of it
	aside  string                         // why no line can come of it, though one should
	what   string                         // of an aside
}

// aside is what the store, or the writer, cannot take: kept with the reason.
type aside struct{ item, reason string }

func (f *Follower) entries() *lane {
	l := &lane{cursor: f.name, ranks: newRanks(entrySpan), stamp: f.stamp, load: f.parts.Journal.Cursor}
	l.read = func(ctx context.Context, from int64, take func(item) (bool, error)) error {
		if err := f.hear(ctx); err != nil {
			return err
		}
		for e, err := range f.parts.Journal.Entries(ctx, uint64(from), 0, nil) {
			if err != nil {
				return err
			}
			if on, err := take(f.entryItem(e)); err != nil || !on {
				return err
			}
		}
		return nil
	}
	return l
}

// hear learns, once, what was ever said of the instruments: readings go out
// corrected by what held when they were taken.
func (f *Follower) hear(ctx context.Context) error {
	if f.said != nil {
		return nil
	}
	marks, err := f.parts.Journal.Told(ctx, 0)
	if err != nil {
		return err
	}
	f.said = rules.NewCalibrations(f.parts.Site)
	for _, e := range marks {
		if b, ok := e.Body.(*rules.Told); ok {
			f.said.Tell(e, b)
		}
	}
	return nil
}

func (f *Follower) findings() *lane {
	l := &lane{cursor: f.name + ":findings", ranks: newRanks(findingSpan), stamp: f.stamp, load: f.parts.Journal.Cursor}
	l.read = func(ctx context.Context, from int64, take func(item) (bool, error)) error {
		for {
			page, err := f.parts.Journal.Findings(ctx, from-1, usualBatch)
			if err != nil || len(page) == 0 {
				return err
			}
			for _, s := range page {
				tag := s.Subject
				if s.Edge == rules.Given {
					tag = s.Unit
				}
				it := item{at: s.ID, boot: s.At.Boot, since: s.At.Since,
					series: seriesKey{findingKind(s.Finding), s.Flag, s.System, s.Step, tag},
					write:  func(ns int64) (string, error) { return f.writer.finding(s, ns) }}
				if on, err := take(it); err != nil || !on {
					return err
				}
			}
			from = page[len(page)-1].ID + 1
		}
	}
	return l
}

func (f *Follower) entryItem(e rules.Entry) item {
	it := item{at: int64(e.Seq), boot: e.At.Boot, since: e.At.Since}
	switch b := e.Body.(type) {
	case *rules.Measured:
		it.since = b.Taken
		if b.Health.Reason != sensors.ReasonTime {
			it.own = b.Own
		}
		p, ok := f.writer.points[b.Point]
		if !ok {
			it.aside, it.what = "the site file names no such point any more", fmt.Sprintf("reading %d of point %s", e.Seq, b.Point)
			return it
		}
		it.series = seriesKey{kind: "point", a: b.Point}
		if fix := f.said.At(b.Point, e.Seq); fix != nil {
			c := *b
			c.Reading = fix.Of(p.Quantity, b.Reading)
			b = &c
		}
		it.write = func(ns int64) (string, error) { return f.writer.reading(b, p, ns) }
	case *rules.Told:
		f.said.Tell(e, b)
		if b.Kind == "begin" || b.Kind == "end" {
			it.own = b.Own
			it.series = seriesKey{kind: "step", a: b.System, b: b.Name}
			it.write = func(ns int64) (string, error) { return f.writer.step(b, ns) }
		}
	}
	return it
}

// fill reads on until the batch has most lines or the journal ends.
func (l *lane) fill(ctx context.Context, most int) error {
	if !l.known {
		if err := l.begin(ctx); err != nil {
			return err
		}
	}
	l.full, l.waiting = false, ""
	if len(l.lines) >= most {
		l.full = true
		return nil
	}
	return l.read(ctx, l.at+1, func(it item) (bool, error) {
		ok, err := l.take(it)
		if err != nil || !ok {
			return false, err
		}
		l.full = len(l.lines) >= most || len(l.asides) >= most
		return !l.full, nil
	})
}

// begin reads the cursor, and the ranks of what lies just before it.
func (l *lane) begin(ctx context.Context) error {
	cursor, err := l.load(ctx, l.cursor)
	if err != nil {
		return err
	}
	if cursor > 0 {
		ranks := newRanks(l.ranks.span)
		err := l.read(ctx, ranks.from(cursor), func(it item) (bool, error) {
			if it.at > cursor {
				return false, nil
			}
			if it.write == nil {
				return true, nil
			}
			ms, ok, err := l.moment(it)
			if ok {
				ranks.next(it.at, it.series, ms)
			}
			return true, err
		})
		if err != nil {
			return err
		}
		l.ranks = ranks
	}
	l.at, l.done, l.known = cursor, cursor, true
	return nil
}

// take adds one item to the batch. ok is false where it must wait for a clock.
func (l *lane) take(it item) (ok bool, err error) {
	switch {
	case it.aside != "":
		l.asides = append(l.asides, aside{it.what, it.aside})
	case it.write != nil:
		ms, ok, err := l.moment(it)
		if err != nil {
			return false, err
		}
		if !ok {
			l.waiting = waitingForClock(it.boot)
			return false, nil
		}
		if err := l.write(it, ms); err != nil {
			l.asides = append(l.asides, aside{fmt.Sprintf("%s %d", l.cursor, it.at), err.Error()})
		}
	}
	l.at = it.at
	return true, nil
}

func (l *lane) write(it item, ms int64) error {
	rank := l.ranks.next(it.at, it.series, ms)
	if !stampable(ms) {
		return fmt.Errorf("its time, %d ms, lies outside what a store can hold", ms)
	}
	line, err := it.write(ms*1_000_000 + rank)
	if err != nil {
		return err
	}
	l.lines = append(l.lines, line)
	return nil
}

// moment is the wall time of an item: its own where it told one.
func (l *lane) moment(it item) (ms int64, ok bool, err error) {
	if it.own != 0 {
		return it.own, true, nil
	}
	return l.stamp(it.boot, it.since)
}
