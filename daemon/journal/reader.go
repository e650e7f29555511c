package journal

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
	"standwatch/sensors"
)

// Reader reads a journal, also while another process writes it. Its methods
// may be called from several goroutines.
type Reader struct {
	dir string

	mu      sync.Mutex
	idle    []*sqlite.Conn
	closed  bool
	catalog []known // grows only
	anchors Anchors // as of anchorsTo
	upTo    uint64

	taken atomic.Int64
}

// Taken is how many bytes of readings, pictures and things on shelves were read
// from the database so far: what a page or a watch costs.
func (r *Reader) Taken() int64 { return r.taken.Load() }

var errClosed = errors.New("journal: the reader is closed")

// idleConns bounds how many connections wait for the next reader.
const idleConns = 4

// OpenReader opens the journal in dir read-only. A directory without a journal is an error.
func OpenReader(ctx context.Context, dir string) (*Reader, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	conn, err := openReader(dir)
	if err != nil {
		return nil, err
	}
	return &Reader{dir: dir, idle: []*sqlite.Conn{conn}}, nil
}

// Close closes the connections that nobody uses now; the others close at their end.
func (r *Reader) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var errs []error
	for _, c := range r.idle {
		errs = append(errs, c.Close())
	}
	r.idle, r.closed = nil, true
	return errors.Join(errs...)
}

func (r *Reader) take() (*sqlite.Conn, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil, errClosed
	}
	if n := len(r.idle); n > 0 {
		c := r.idle[n-1]
		r.idle = r.idle[:n-1]
		return c, nil
	}
	return openReader(r.dir)
}

func (r *Reader) give(c *sqlite.Conn) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed || len(r.idle) >= idleConns {
		return c.Close()
	}
	r.idle = append(r.idle, c)
	return nil
}

// read runs f in one read transaction. It must be short: a long one keeps the
// write-ahead log from being emptied.
func (r *Reader) read(ctx context.Context, what string, f func(*sqlite.Conn) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	conn, err := r.take()
	if err != nil {
		return err
	}
	err = execute(conn, "BEGIN")
	if err == nil {
		err = errors.Join(f(conn), execute(conn, "END"))
	}
	if err != nil { // in an unknown state: the next reader opens anew
		return explain(what, r.dir, errors.Join(err, conn.Close()))
	}
	return r.give(conn)
}

// points returns the catalog, by id.
func (r *Reader) points(conn *sqlite.Conn) ([]known, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	catalog, err := readCatalog(conn, r.catalog)
	if err == nil {
		r.catalog = catalog
	}
	return catalog, err
}

// readCatalog adds to what is known the points with higher ids.
func readCatalog(conn *sqlite.Conn, catalog []known) ([]known, error) {
	if len(catalog) == 0 {
		catalog = []known{{}} // ids count from 1
	}
	err := rows(conn, `SELECT id, name, quantity FROM points WHERE id >= ? ORDER BY id`, func(s *sqlite.Stmt) error {
		q, ok := sensors.QuantityOf(s.ColumnText(2))
		if !ok || s.ColumnInt64(0) != int64(len(catalog)) {
			return fmt.Errorf("point %d (%s, %s) is not one this standwatch could have written", s.ColumnInt64(0), s.ColumnText(1), s.ColumnText(2))
		}
		catalog = append(catalog, known{s.ColumnText(1), q})
		return nil
	}, int64(len(catalog)))
	return catalog, err
}

// Quantities returns every point the journal was ever told of and what it measures (last).
func (r *Reader) Quantities(ctx context.Context) (map[string]sensors.Quantity, error) {
	out := map[string]sensors.Quantity{}
	err := r.read(ctx, "read the points", func(conn *sqlite.Conn) error {
		catalog, err := r.points(conn)
		for _, p := range catalog {
			if p.name != "" {
				out[p.name] = p.quantity
			}
		}
		return err
	})
	return out, err
}

// end returns the last entry's number and moment.
func end(conn *sqlite.Conn) (seq uint64, at rules.Instant, err error) {
	err = rows(conn, `SELECT * FROM (SELECT last_seq, boot, last_ms FROM batches ORDER BY first_seq DESC LIMIT 1)
		UNION ALL SELECT * FROM (SELECT seq, boot, since_ms FROM events ORDER BY seq DESC LIMIT 1)`, func(s *sqlite.Stmt) error {
		if n := uint64(s.ColumnInt64(0)); n > seq {
			seq, at = n, rules.Instant{Boot: uint32(s.ColumnInt64(1)), Since: time.Duration(s.ColumnInt64(2)) * time.Millisecond}
		}
		return nil
	})
	return seq, at, err
}

// Last returns the number of the last entry, 0 in an empty journal.
func (r *Reader) Last(ctx context.Context) (uint64, error) {
	seq, _, err := r.End(ctx)
	return seq, err
}

// End returns the number and the moment of the last entry.
func (r *Reader) End(ctx context.Context) (seq uint64, at rules.Instant, err error) {
	err = r.read(ctx, "read the end", func(conn *sqlite.Conn) error {
		seq, at, err = end(conn)
		return err
	})
	return seq, at, err
}

// Newest returns the numbers of the newest mark, start or anchor and of the
// newest finding: while both stand, nothing was told and nothing found.
func (r *Reader) Newest(ctx context.Context) (mark uint64, finding int64, err error) {
	err = r.read(ctx, "read the newest mark", func(conn *sqlite.Conn) error {
		n, err := number(conn, `SELECT COALESCE(MAX(seq), 0) FROM events`)
		if err == nil {
			finding, err = number(conn, `SELECT COALESCE(MAX(id), 0) FROM findings`)
		}
		mark = uint64(n)
		return err
	})
	return mark, finding, err
}

// Size returns the bytes of the database and of its write-ahead log.
func (r *Reader) Size(ctx context.Context) (db, wal int64, err error) {
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	path := filepath.Join(r.dir, File)
	d, err := os.Stat(path)
	if err != nil {
		return 0, 0, fmt.Errorf("journal: %w", err)
	}
	w, err := os.Stat(path + "-wal")
	if errors.Is(err, os.ErrNotExist) {
		return d.Size(), 0, nil
	}
	if err != nil {
		return d.Size(), 0, fmt.Errorf("journal: %w", err)
	}
	return d.Size(), w.Size(), nil
}

// Entries yields entries with from <= Seq <= to (0: to the end), in order, in short
// transactions; points nil: all, else only readings of these points, and every
// mark, start and anchor. The *Measured of a yielded entry is the reader's own
// and is valid until the next is asked for.
func (r *Reader) Entries(ctx context.Context, from, to uint64, points []string) iter.Seq2[rules.Entry, error] {
	return func(yield func(rules.Entry, error) bool) {
		if to == 0 {
			var err error
			if to, err = r.Last(ctx); err != nil {
				yield(rules.Entry{}, err)
				return
			}
		}
		w := walk{wanted: points}
		for next := max(from, 1); next <= to; next = w.end + 1 {
			if err := r.read(ctx, "read entries", func(conn *sqlite.Conn) error { return w.load(r, conn, next, to) }); err != nil {
				yield(rules.Entry{}, err)
				return
			}
			if more, err := w.play(next, yield); !more || err != nil {
				if err != nil {
					yield(rules.Entry{}, fmt.Errorf("read entries from %d: %w", next, err))
				}
				return
			}
		}
	}
}

// A page ends at the first of these bounds.
const (
	pageBytes  = 512 << 10
	pageEvents = 1024
)

// walk is one reading of the journal, a page at a time.
type walk struct {
	wanted  []string
	dec     decoder
	batches []batch
	events  []rules.Entry
	arena   []byte
	end     uint64 // the page is complete to here
	held    []held
}

// load reads the page that begins at next, within the running transaction.
func (w *walk) load(r *Reader, conn *sqlite.Conn, next, to uint64) error {
	w.batches, w.events, w.arena, w.end = w.batches[:0], w.events[:0], w.arena[:0], to
	last, _, err := end(conn)
	if err != nil {
		return err
	}
	to = min(to, last)
	err = rows(conn, `SELECT `+batchColumns+` FROM batches
		WHERE first_seq >= ifnull((SELECT max(first_seq) FROM batches WHERE first_seq <= ?1), 0) AND first_seq <= ?2
		ORDER BY first_seq`, func(s *sqlite.Stmt) error {
		b := w.batch(s)
		if b.last < next {
			return nil
		}
		w.batches = append(w.batches, b)
		if len(w.arena) >= pageBytes && b.last < to {
			w.end = b.last
			return errEnough
		}
		return nil
	}, int64(next), int64(to))
	if err != nil {
		return err
	}
	err = rows(conn, `SELECT seq, boot, since_ms, kind, body FROM events WHERE seq >= ? AND seq <= ? ORDER BY seq LIMIT ?`,
		func(s *sqlite.Stmt) error {
			e, err := event(s)
			w.events = append(w.events, e)
			return err
		}, int64(next), int64(w.end), int64(pageEvents))
	if err != nil {
		return err
	}
	if len(w.events) == pageEvents {
		w.end = w.events[pageEvents-1].Seq
	}
	r.taken.Add(int64(len(w.arena)))
	if w.dec.catalog, err = r.points(conn); err != nil {
		return err
	}
	w.dec.want = wanted(w.dec.catalog, w.wanted)
	return nil
}

const batchColumns = `first_seq, last_seq, boot, first_ms, last_ms, taken_low_ms, taken_high_ms, sealed, blob`

// batch copies a row of batchColumns out of the statement.
func (w *walk) batch(s *sqlite.Stmt) batch {
	n, at := s.ColumnLen(8), len(w.arena)
	w.arena = slices.Grow(w.arena, n)[:at+n]
	blob := w.arena[at : at+n : at+n] // stays valid when the arena grows elsewhere
	s.ColumnBytes(8, blob)
	return batch{
		first: uint64(s.ColumnInt64(0)), last: uint64(s.ColumnInt64(1)), boot: uint32(s.ColumnInt64(2)),
		firstMs: s.ColumnInt64(3), lastMs: s.ColumnInt64(4), takenLow: s.ColumnInt64(5), takenHigh: s.ColumnInt64(6),
		sealed: s.ColumnBool(7), blob: blob,
	}
}

// wanted marks the ids of the named points; nil names all.
func wanted(catalog []known, names []string) []bool {
	if names == nil {
		return nil
	}
	want := make([]bool, len(catalog))
	for i, p := range catalog {
		want[i] = i > 0 && slices.Contains(names, p.name)
	}
	return want
}

// play yields the page's entries from next on, marks and readings in one order.
func (w *walk) play(next uint64, yield func(rules.Entry, error) bool) (more bool, err error) {
	events := w.events
	one := func(e rules.Entry) bool {
		for len(events) > 0 && events[0].Seq < e.Seq {
			if !yield(events[0], nil) {
				return false
			}
			events = events[1:]
		}
		return yield(e, nil)
	}
	for _, b := range w.batches {
		if more, err := w.dec.decode(b, next, w.end, one); !more || err != nil {
			return false, err
		}
	}
	for _, e := range events {
		if !yield(e, nil) {
			return false, nil
		}
	}
	return true, nil
}

// event reads seq, boot, since_ms, kind, body.
func event(s *sqlite.Stmt) (rules.Entry, error) {
	e := rules.Entry{Seq: uint64(s.ColumnInt64(0)), At: rules.Instant{
		Boot: uint32(s.ColumnInt64(1)), Since: time.Duration(s.ColumnInt64(2)) * time.Millisecond,
	}}
	switch kind := s.ColumnText(3); kind {
	case told:
		e.Body = new(rules.Told)
	case started:
		e.Body = new(rules.Started)
	case clocked:
		e.Body = new(rules.Clocked)
	default:
		return e, fmt.Errorf("entry %d is of a kind %q that this standwatch does not know", e.Seq, kind)
	}
	if err := json.Unmarshal([]byte(s.ColumnText(4)), e.Body); err != nil {
		return e, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	return e, nil
}

// Marks returns all marks (Told, Started, Clocked entries) in order.
func (r *Reader) Marks(ctx context.Context) ([]rules.Entry, error) {
	return r.eventsOf(ctx, 0, told, started, clocked)
}

// Told returns the marks with Seq > after, in order.
func (r *Reader) Told(ctx context.Context, after uint64) ([]rules.Entry, error) {
	return r.eventsOf(ctx, after, told)
}

// eventsOf returns the events of some kinds with Seq > after, a page a transaction.
func (r *Reader) eventsOf(ctx context.Context, after uint64, kinds ...string) (out []rules.Entry, err error) {
	quoted := "'" + strings.Join(kinds, "','") + "'"
	for n := pageEvents; n == pageEvents; {
		n = 0
		err := r.read(ctx, "read marks", func(conn *sqlite.Conn) error {
			return rows(conn, `SELECT seq, boot, since_ms, kind, body FROM events
				WHERE seq > ? AND kind IN (`+quoted+`) ORDER BY seq LIMIT ?`, func(s *sqlite.Stmt) error {
				e, err := event(s)
				out, after = append(out, e), e.Seq
				n++
				return err
			}, int64(after), int64(pageEvents))
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Findings returns up to limit findings with ID > after, in order.
func (r *Reader) Findings(ctx context.Context, after int64, limit int) ([]Stored, error) {
	var out []Stored
	err := r.read(ctx, "read findings", func(conn *sqlite.Conn) error {
		return rows(conn, `SELECT id, body FROM findings WHERE id > ? ORDER BY id LIMIT ?`, func(s *sqlite.Stmt) error {
			f, err := finding(s)
			out = append(out, f)
			return err
		}, after, int64(limit))
	})
	return out, err
}

// FindingsBefore returns up to limit findings with ID < before, newest first.
func (r *Reader) FindingsBefore(ctx context.Context, before int64, limit int) ([]Stored, error) {
	var out []Stored
	err := r.read(ctx, "read findings", func(conn *sqlite.Conn) error {
		return rows(conn, `SELECT id, body FROM findings WHERE id < ? ORDER BY id DESC LIMIT ?`, func(s *sqlite.Stmt) error {
			f, err := finding(s)
			out = append(out, f)
			return err
		}, before, int64(limit))
	})
	return out, err
}

// finding reads a row of id and body.
func finding(s *sqlite.Stmt) (Stored, error) {
	f := Stored{ID: s.ColumnInt64(0)}
	if err := json.Unmarshal([]byte(s.ColumnText(1)), &f.Finding); err != nil {
		return f, fmt.Errorf("finding %d cannot be read: %w", f.ID, err)
	}
	return f, nil
}

// OpenFlags returns the flags open (and whether acknowledged) by findings that rest on entries with Seq < before (0: all).
// A flag is acknowledged by a mark `acknowledged` after its newest raising edge
// whose note is the flag's name, or the name, a blank and the subject; a system
// named by the mark must be the flag's.
func (r *Reader) OpenFlags(ctx context.Context, before uint64) ([]rules.Flag, error) {
	var open []rules.Flag
	for after := int64(0); ; {
		page, err := r.Findings(ctx, after, pageEvents)
		if err != nil {
			return nil, err
		}
		for _, f := range page {
			after = f.ID
			if before == 0 || f.Seq < before {
				open = applyEdge(open, f.Finding)
			}
		}
		if len(page) < pageEvents {
			break
		}
	}
	marks, err := r.eventsOf(ctx, 0, told)
	for _, e := range marks {
		m := e.Body.(*rules.Told)
		if m.Name != "acknowledged" || before != 0 && e.Seq >= before {
			continue
		}
		for i := range open {
			if f := &open[i]; Acknowledges(m, e.Seq, f) {
				f.Acknowledged, f.By = true, m.By
			}
		}
	}
	return open, err
}

// applyEdge raises or clears a flag; those open stand in the order first raised.
func applyEdge(open []rules.Flag, f rules.Finding) []rules.Flag {
	if f.Edge == rules.Given {
		return open
	}
	i := slices.IndexFunc(open, func(o rules.Flag) bool {
		return o.Flag == f.Flag && o.System == f.System && o.Begin == f.Begin && o.Subject == f.Subject
	})
	switch {
	case f.Edge == rules.Cleared && i >= 0:
		return slices.Delete(open, i, i+1)
	case f.Edge == rules.Cleared:
		return open
	case i >= 0:
		open[i].Finding = f
		return open
	}
	return append(open, rules.Flag{Finding: f, First: f.At})
}

// Acknowledges reports whether a mark with that number takes a flag on: it is
// newer than the flag's newest raising edge and names it, as OpenFlags says.
func Acknowledges(m *rules.Told, seq uint64, f *rules.Flag) bool {
	name, subject, named := strings.Cut(m.Note, " ")
	return seq > f.Seq && name == f.Flag && (!named || subject == f.Subject) && (m.System == "" || m.System == f.System)
}

// Anchors maps a boot to its newest anchor.
type Anchors map[uint32]Anchor

// Anchor is a boot's wall clock: Wall = OffsetMs + since boot.
type Anchor struct {
	OffsetMs int64
	Error    time.Duration
	Source   string
	Proven   bool
}

// Wall returns Unix ms of an instant. ok is false where the boot has no anchor.
func (a Anchors) Wall(at rules.Instant) (ms int64, ok bool) {
	x, ok := a[at.Boot]
	return x.OffsetMs + at.Since.Milliseconds(), ok
}

func anchor(e rules.Entry) Anchor {
	c := e.Body.(*rules.Clocked)
	return Anchor{c.Wall - e.At.Since.Milliseconds(), c.Error, c.Source, c.Proven}
}

// Anchors returns what is known of wall time, by the newest anchors: of each
// boot the newest proven one, else the newest.
func (r *Reader) Anchors(ctx context.Context) (Anchors, error) {
	r.mu.Lock()
	after := r.upTo
	r.mu.Unlock()
	fresh, err := r.eventsOf(ctx, after, clocked)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	out := Anchors{}
	for boot, a := range r.anchors {
		out[boot] = a
	}
	for _, e := range fresh {
		if a := anchor(e); e.Seq > r.upTo && (a.Proven || !out[e.At.Boot].Proven) {
			out[e.At.Boot] = a
		}
	}
	if n := len(fresh); n > 0 && fresh[n-1].Seq > r.upTo {
		r.anchors, r.upTo = out, fresh[n-1].Seq
		copied := Anchors{}
		for boot, a := range out {
			copied[boot] = a
		}
		return copied, nil
	}
	return out, nil
}

// Cursor returns a follower's cursor, 0 where it has none yet.
func (r *Reader) Cursor(ctx context.Context, name string) (at int64, err error) {
	err = r.read(ctx, "read a cursor", func(conn *sqlite.Conn) error {
		at, err = number(conn, `SELECT at FROM cursors WHERE name = ?`, name)
		return err
	})
	return at, err
}

// Quarantined counts what a follower set aside, what is no longer kept too.
func (r *Reader) Quarantined(ctx context.Context, follower string) (n int64, err error) {
	err = r.read(ctx, "count what was refused", func(conn *sqlite.Conn) error {
		n, err = number(conn, `SELECT (SELECT count(*) FROM quarantine WHERE follower = ?1)
			+ COALESCE((SELECT CAST(body AS INTEGER) FROM shelf WHERE kind = ?2 AND key = ?1), 0)`, follower, droppedShelf)
		return err
	})
	return n, err
}

// Recent yields the newest n readings, newest first, for the duplicate memory.
// As with Entries the *Measured is valid until the next is asked for.
func (r *Reader) Recent(ctx context.Context, n int) iter.Seq2[rules.Entry, error] {
	return func(yield func(rules.Entry, error) bool) {
		w := walk{}
		for below := uint64(math.MaxInt64); n > 0; below = w.batches[0].first {
			err := r.read(ctx, "read the newest", func(conn *sqlite.Conn) error { return w.loadBelow(r, conn, below) })
			if err == nil && len(w.batches) > 0 {
				var more bool
				if more, err = w.playBack(&n, yield); !more {
					return
				}
			}
			if err != nil {
				yield(rules.Entry{}, err)
				return
			}
			if len(w.batches) == 0 {
				return
			}
		}
	}
}

// loadBelow loads the last batch that begins below a number.
func (w *walk) loadBelow(r *Reader, conn *sqlite.Conn, below uint64) (err error) {
	w.batches, w.arena = w.batches[:0], w.arena[:0]
	if w.dec.catalog, err = r.points(conn); err != nil {
		return err
	}
	return rows(conn, `SELECT `+batchColumns+` FROM batches WHERE first_seq < ? ORDER BY first_seq DESC LIMIT 1`, func(s *sqlite.Stmt) error {
		w.batches = append(w.batches, w.batch(s))
		return nil
	}, int64(below))
}

// backWindow bounds how many readings are held to turn them round: a block has
// many, and decoding some of it again costs less than the room.
const backWindow = 8192

// playBack yields up to n readings of the batch, the last first, and counts n down.
func (w *walk) playBack(n *int, yield func(rules.Entry, error) bool) (more bool, err error) {
	b := w.batches[0]
	for high := b.last; high >= b.first && *n > 0; {
		low := max(b.first, high-min(high, backWindow)+1)
		w.held = w.held[:0]
		_, err := w.dec.decode(b, low, high, func(e rules.Entry) bool {
			w.held = append(w.held, held{e, *e.Body.(*rules.Measured)})
			return true
		})
		if err != nil {
			return true, err
		}
		for i := len(w.held) - 1; i >= 0 && *n > 0; i-- {
			h := &w.held[i]
			h.Body = &h.measured
			if !yield(h.Entry, nil) {
				return false, nil
			}
			*n--
		}
		high = low - 1
	}
	return true, nil
}

// held is a copy of a decoded reading.
type held struct {
	rules.Entry
	measured rules.Measured
}

// Sample is one point of a curve.
type Sample struct {
	WallMs    int64 // when it was taken, by the newest anchors
	Value     float64
	Low, High float64 // of the readings it stands for; equal to Value where it is one
	Health    sensors.Health
}

func bySampleTime(a, b Sample) int { return cmp.Compare(a.WallMs, b.WallMs) }
