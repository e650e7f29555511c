package journal

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"strconv"
	"sync"
	"time"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
	"standwatch/sensors"
)

// Journal is the one writer, and a Reader of what it wrote.
type Journal struct {
	Reader
	log  *slog.Logger
	lock *os.File

	write    sync.Mutex // held for a whole transaction; guards what follows
	conn     *sqlite.Conn
	seq      uint64        // the last one given
	at       rules.Instant // of the last entry
	ids      map[string]uint32
	catalog  []known
	enc      encoder
	receipts map[string]*receiptCount

	mostPhotos int64            // bytes of all pictures together
	mostAside  int64            // of a follower; 0: MostQuarantined
	aside      map[string]int64 // how much is kept of each follower, as far as it is known

	wake    sync.Mutex
	changed chan struct{}
}

// receiptsKept is how many receipts of a client are kept at least: one for
// every packet identifier that MQTT 3.1.1 (2.3.1) allows to be in flight.
const receiptsKept = 65535

// Open opens or creates the journal in dir for writing; one process may.
func Open(ctx context.Context, dir string, log *slog.Logger) (*Journal, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("journal: make the directory: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	conn, err := openWriter(dir)
	if err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	j := &Journal{
		Reader: Reader{dir: dir}, log: log, lock: lock, conn: conn,
		ids: map[string]uint32{}, receipts: map[string]*receiptCount{}, changed: make(chan struct{}), mostPhotos: mostPhotos,
	}
	if err := j.load(); err != nil {
		return nil, errors.Join(fmt.Errorf("journal: read what %s holds: %w", dir, err), conn.Close(), lock.Close())
	}
	log.Info("journal open", "dir", dir, "entries", j.seq)
	return j, nil
}

// load reads where the journal stands.
func (j *Journal) load() (err error) {
	if j.seq, j.at, err = end(j.conn); err != nil {
		return err
	}
	if j.catalog, err = readCatalog(j.conn, nil); err != nil {
		return err
	}
	for i, p := range j.catalog[min(1, len(j.catalog)):] {
		j.ids[p.name] = uint32(i + 1)
	}
	return rows(j.conn, `SELECT client, min(id), sum(count) FROM receipts GROUP BY client`, func(s *sqlite.Stmt) error {
		j.receipts[s.ColumnText(0)] = &receiptCount{oldest: s.ColumnInt64(1), total: s.ColumnInt64(2)}
		return nil
	})
}

// Close ends the writing. Nothing needs it for safety: what Append returned is kept.
func (j *Journal) Close() error {
	j.write.Lock()
	defer j.write.Unlock()
	if j.conn == nil {
		return nil
	}
	err := errors.Join(j.Reader.Close(), j.conn.Close(), j.lock.Close())
	j.conn = nil
	return err
}

// transaction runs f between BEGIN IMMEDIATE and COMMIT, and undoes it where it fails.
func (j *Journal) transaction(what string, f func() error) error {
	if j.conn == nil {
		return fmt.Errorf("journal: %s: the journal is closed", what)
	}
	err := execute(j.conn, "BEGIN IMMEDIATE")
	if err == nil {
		if err = f(); err == nil {
			err = execute(j.conn, "COMMIT")
		}
		if err != nil && !j.conn.AutocommitEnabled() {
			err = errors.Join(err, execute(j.conn, "ROLLBACK"))
		}
	}
	return explain(what, j.dir, err)
}

// Points tells the journal which points there are. A reading of any other is
// refused, since its quantity fixes how the value is stored.
func (j *Journal) Points(points []sensors.Point) error {
	j.write.Lock()
	defer j.write.Unlock()
	catalog := j.catalog
	if len(catalog) == 0 {
		catalog = append(catalog, known{}) // ids count from 1
	}
	ids := map[string]uint32{}
	err := j.transaction("keep the points", func() error {
		for _, p := range points {
			if p.Quantity.String() == "" {
				return fmt.Errorf("point %q has no quantity", p.Name)
			}
			id := find(catalog, known{p.Name, p.Quantity})
			if id == 0 {
				id = uint32(len(catalog))
				catalog = append(catalog, known{p.Name, p.Quantity})
				if err := execute(j.conn, `INSERT INTO points (id, name, quantity) VALUES (?, ?, ?)`,
					int64(id), p.Name, p.Quantity.String()); err != nil {
					return err
				}
			}
			ids[p.Name] = id
		}
		return nil
	})
	if err != nil {
		return err
	}
	j.catalog, j.ids = catalog, ids
	return nil
}

func find(catalog []known, p known) uint32 {
	for i := range catalog {
		if i > 0 && catalog[i] == p {
			return uint32(i)
		}
	}
	return 0
}

// Append commits entries durably, in order, and fills in their Seq. Receipts are
// those of the messages the entries came by: they are stored in the same
// transaction (the newest 65,535 of a client are kept).
//
// Times are cut to whole milliseconds and values rounded to their counts in
// place, so that what is used on is what is stored. Where Append fails nothing
// of it is stored and the journal can be used on.
func (j *Journal) Append(entries []rules.Entry, receipts []sensors.Receipt) error {
	if len(entries) == 0 && len(receipts) == 0 {
		return nil
	}
	j.write.Lock()
	defer j.write.Unlock()
	at, err := j.check(entries)
	if err != nil {
		return fmt.Errorf("journal: append: %w", err)
	}
	err = j.transaction("append", func() error {
		if err := j.store(entries); err != nil {
			return err
		}
		return j.storeReceipts(receipts)
	})
	if err != nil {
		j.forgetReceipts()
		return err
	}
	for i := range entries {
		j.seq++
		entries[i].Seq = j.seq
	}
	j.at = at
	if len(entries) > 0 {
		j.announce()
	}
	return nil
}

// check brings entries into the form in which they are stored, and refuses
// what must never be.
func (j *Journal) check(entries []rules.Entry) (last rules.Instant, err error) {
	last = j.at
	for i := range entries {
		e := &entries[i]
		e.At.Since = e.At.Since.Truncate(time.Millisecond)
		if e.At.Before(last) {
			return last, fmt.Errorf("entry %d lies at %v of boot %d, before %v of boot %d: time never goes back",
				i, e.At.Since, e.At.Boot, last.Since, last.Boot)
		}
		last = e.At
		switch b := e.Body.(type) {
		case *rules.Measured:
			if err := j.normalise(b); err != nil {
				return last, fmt.Errorf("entry %d: %w", i, err)
			}
		case *rules.Told, *rules.Started, *rules.Clocked:
		default:
			return last, fmt.Errorf("entry %d: a %T is never stored", i, e.Body)
		}
	}
	return last, nil
}

// exact is the largest count kept: to there a count becomes a value and the same count again.
const exact = 1 << 50

func (j *Journal) normalise(m *rules.Measured) error {
	id, ok := j.ids[m.Point]
	if !ok {
		return fmt.Errorf("a reading of point %q, which the journal was not told of (Points)", m.Point)
	}
	q := j.catalog[id].quantity
	m.Taken = m.Taken.Truncate(time.Millisecond)
	if m.Health.Grade >= sensors.Failed {
		m.Health.Grade, m.Value = sensors.Failed, 0
	}
	if m.Health.Grade == sensors.Good {
		m.Health.Reason = ""
	}
	if !m.HasSeq {
		m.Seq = 0
	}
	// Before it is counted: what a count of no number is differs from one processor to the next.
	if math.Abs(m.Value) <= q.FromCounts(exact) { // false for NaN
		m.Value = q.Round(m.Value)
		return nil
	}
	return fmt.Errorf("point %q: %v is no value of %s; a source should have made it a failed reading", m.Point, m.Value, q)
}

// store writes entries: each run of readings as a batch, each mark for itself.
func (j *Journal) store(entries []rules.Entry) error {
	seq := j.seq
	for i := 0; i < len(entries); {
		n := run(entries[i:])
		var err error
		if n == 0 {
			n = 1
			err = j.storeEvent(seq+1, entries[i])
		} else {
			err = j.storeBatch(seq+1, entries[i:i+n])
		}
		if err != nil {
			return err
		}
		seq += uint64(n)
		i += n
	}
	return nil
}

// batchReadings bounds a batch, so that a block can hold any.
const batchReadings = 1 << 16

// run counts the readings of one boot at the head of entries, to the bound.
func run(entries []rules.Entry) int {
	entries = entries[:min(len(entries), batchReadings)]
	for i, e := range entries {
		if _, ok := e.Body.(*rules.Measured); !ok || e.At.Boot != entries[0].At.Boot {
			return i
		}
	}
	return len(entries)
}

func (j *Journal) storeBatch(first uint64, entries []rules.Entry) error {
	e := &j.enc
	e.begin(len(j.catalog))
	for i := range entries {
		m := entries[i].Body.(*rules.Measured)
		id := j.ids[m.Point]
		e.add(entries[i].At.Since.Milliseconds(), id, j.catalog[id].quantity.Counts(m.Value), m)
	}
	return insertBatch(j.conn, batch{
		first: first, last: first + uint64(len(entries)) - 1, boot: entries[0].At.Boot,
		firstMs: entries[0].At.Since.Milliseconds(), lastMs: entries[len(entries)-1].At.Since.Milliseconds(),
		takenLow: e.takenLow, takenHigh: e.takenHigh, blob: e.finish(),
	})
}

func insertBatch(conn *sqlite.Conn, b batch) error {
	return execute(conn, `INSERT INTO batches (first_seq, last_seq, boot, first_ms, last_ms, taken_low_ms, taken_high_ms, sealed, blob)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		int64(b.first), int64(b.last), int64(b.boot), b.firstMs, b.lastMs, b.takenLow, b.takenHigh, b.sealed, b.blob)
}

// The kinds of events, as stored.
const (
	told    = "told"
	started = "started"
	clocked = "clocked"
)

func (j *Journal) storeEvent(seq uint64, e rules.Entry) error {
	kind := told
	switch e.Body.(type) {
	case *rules.Started:
		kind = started
	case *rules.Clocked:
		kind = clocked
	}
	text, err := json.Marshal(e.Body)
	if err != nil {
		return fmt.Errorf("entry %d cannot be written down: %w", seq, err)
	}
	return execute(j.conn, `INSERT INTO events (seq, boot, since_ms, kind, body) VALUES (?, ?, ?, ?, ?)`,
		int64(seq), int64(e.At.Boot), e.At.Since.Milliseconds(), kind, string(text))
}

// Find stores findings that are not stored yet, in one transaction, and returns the new ones.
func (j *Journal) Find(fs []rules.Finding) ([]Stored, error) {
	if len(fs) == 0 {
		return nil, nil
	}
	j.write.Lock()
	defer j.write.Unlock()
	var fresh []Stored
	err := j.transaction("store findings", func() error {
		for _, f := range fs {
			text, err := json.Marshal(f)
			if err != nil {
				return fmt.Errorf("finding %s cannot be written down: %w", f.Flag, err)
			}
			err = execute(j.conn, `INSERT INTO findings (flag, system, step_begin, subject, edge, seq, boot, since_ms, body)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
				ON CONFLICT (flag, system, step_begin, subject, edge, seq, boot, since_ms) DO NOTHING`,
				f.Flag, f.System, int64(f.Begin), cmp.Or(f.Subject, f.Unit), int64(f.Edge), int64(f.Seq), // one entry may judge many units
				int64(f.At.Boot), f.At.Since.Milliseconds(), string(text))
			if err != nil {
				return err
			}
			if j.conn.Changes() > 0 {
				fresh = append(fresh, Stored{j.conn.LastInsertRowID(), f})
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(fresh) > 0 {
		j.announce()
	}
	return fresh, nil
}

// Changed returns a channel that is closed at the next Append or Find.
func (j *Journal) Changed() <-chan struct{} {
	j.wake.Lock()
	defer j.wake.Unlock()
	return j.changed
}

func (j *Journal) announce() {
	j.wake.Lock()
	defer j.wake.Unlock()
	close(j.changed)
	j.changed = make(chan struct{})
}

// SetCursor moves a follower's cursor; only after the other side's final yes.
func (j *Journal) SetCursor(name string, at int64) error {
	j.write.Lock()
	defer j.write.Unlock()
	return j.transaction("move cursor "+name, func() error {
		return execute(j.conn, `INSERT INTO cursors (name, at) VALUES (?, ?)
			ON CONFLICT (name) DO UPDATE SET at = excluded.at`, name, at)
	})
}

// Freeze returns the anchor by which a follower stamps a boot, kept from then
// on: the first proven one; for a boot that is over and never had one, its own
// unproven anchor once a later boot has proof, so that one evening without a
// clock does not hold up every later reading. ok is false while there is none.
func (j *Journal) Freeze(follower string, boot uint32) (offsetMs int64, ok bool, err error) {
	j.write.Lock()
	defer j.write.Unlock()
	err = j.transaction("freeze the clock of "+follower, func() error {
		if offsetMs, ok, err = frozen(j.conn, follower, boot); err != nil || ok {
			return err
		}
		if offsetMs, ok, err = firstProven(j.conn, boot); err == nil && !ok {
			offsetMs, ok, err = unproven(j.conn, boot)
		}
		if err != nil || !ok {
			return err
		}
		return execute(j.conn, `INSERT INTO frozen (follower, boot, offset_ms) VALUES (?, ?, ?)`,
			follower, int64(boot), offsetMs)
	})
	return offsetMs, ok && err == nil, err
}

func frozen(conn *sqlite.Conn, follower string, boot uint32) (offsetMs int64, ok bool, err error) {
	err = rows(conn, `SELECT offset_ms FROM frozen WHERE follower = ? AND boot = ?`, func(s *sqlite.Stmt) error {
		offsetMs, ok = s.ColumnInt64(0), true
		return nil
	}, follower, int64(boot))
	return offsetMs, ok, err
}

func firstProven(conn *sqlite.Conn, boot uint32) (offsetMs int64, ok bool, err error) {
	// Another run of the program on the same boot of the machine counts its time
	// from the same moment, so its anchor serves as well.
	err = rows(conn, `SELECT seq, boot, since_ms, kind, body FROM events
		WHERE kind = 'clocked' AND body ->> 'Proven' AND boot IN (
			SELECT ?1 UNION
			SELECT other.boot FROM events own JOIN events other ON other.kind = 'started' AND other.body ->> 'Machine' = own.body ->> 'Machine'
			WHERE own.kind = 'started' AND own.boot = ?1 AND own.body ->> 'Machine' != '')
		ORDER BY boot != ?1, seq LIMIT 1`, func(s *sqlite.Stmt) error {
		e, err := event(s)
		if err != nil {
			return err
		}
		offsetMs, ok = anchor(e).OffsetMs, true
		return nil
	}, int64(boot))
	return offsetMs, ok, err
}

// unproven places a boot that never had a proven clock: by its own newest
// anchor, but ending no later than the next boot that has proof began. ok is
// false while no later boot has proof.
func unproven(conn *sqlite.Conn, boot uint32) (offsetMs int64, ok bool, err error) {
	var next int64 // wall ms at which the next proven boot began
	err = rows(conn, `SELECT seq, boot, since_ms, kind, body FROM events
		WHERE kind = 'clocked' AND body ->> 'Proven' AND boot > ?1 ORDER BY boot, seq LIMIT 1`, func(s *sqlite.Stmt) error {
		e, err := event(s)
		if err != nil {
			return err
		}
		next, ok = anchor(e).OffsetMs, true
		return rows(conn, `SELECT min(since_ms) FROM events WHERE boot = ?`, func(s *sqlite.Stmt) error {
			next += s.ColumnInt64(0)
			return nil
		}, int64(e.At.Boot))
	}, int64(boot))
	if err != nil || !ok {
		return 0, false, err
	}
	var end int64
	err = rows(conn, `SELECT max((SELECT coalesce(max(since_ms), 0) FROM events WHERE boot = ?1),
		(SELECT coalesce(max(last_ms), 0) FROM batches WHERE boot = ?1))`, func(s *sqlite.Stmt) error {
		end = s.ColumnInt64(0)
		return nil
	}, int64(boot))
	if err != nil {
		return 0, false, err
	}
	offsetMs = next - end // where it told no time at all
	err = rows(conn, `SELECT seq, boot, since_ms, kind, body FROM events
		WHERE kind = 'clocked' AND boot = ? ORDER BY seq DESC LIMIT 1`, func(s *sqlite.Stmt) error {
		e, err := event(s)
		if err != nil {
			return err
		}
		offsetMs = min(offsetMs, anchor(e).OffsetMs)
		return nil
	}, int64(boot))
	return offsetMs, err == nil, err
}

// MostQuarantined is how much of what the other side refused is kept of each
// follower: a store that refuses everything must not fill the disk. Our choice:
// far more than anybody reads, a few megabytes.
const MostQuarantined = 10_000

// Quarantine keeps what the other side refused for good, with its words. Beyond
// MostQuarantined the oldest go, and are only counted.
func (j *Journal) Quarantine(follower string, item, reason string) error {
	j.write.Lock()
	defer j.write.Unlock()
	most := int64(MostQuarantined)
	if j.mostAside > 0 {
		most = j.mostAside
	}
	if j.aside == nil {
		j.aside = map[string]int64{}
	}
	kept, known := j.aside[follower]
	err := j.transaction("set aside what was refused to "+follower, func() (err error) {
		if !known {
			if kept, err = number(j.conn, `SELECT count(*) FROM quarantine WHERE follower = ?`, follower); err != nil {
				return err
			}
		}
		if kept++; kept > most { // not one each time, for finding the oldest reads them all
			drop := kept - most + most/10
			kept -= drop
			if err := execute(j.conn, `DELETE FROM quarantine WHERE id IN (SELECT id FROM quarantine WHERE follower = ? ORDER BY id LIMIT ?)`, follower, drop); err != nil {
				return err
			}
			if err := execute(j.conn, `INSERT INTO shelf (kind, key, body) VALUES (?, ?, ?)
				ON CONFLICT (kind, key) DO UPDATE SET body = CAST(CAST(body AS INTEGER) + CAST(excluded.body AS INTEGER) AS TEXT)`,
				droppedShelf, follower, strconv.FormatInt(drop, 10)); err != nil {
				return err
			}
		}
		return execute(j.conn, `INSERT INTO quarantine (follower, item, reason) VALUES (?, ?, ?)`, follower, item, reason)
	})
	if err != nil {
		delete(j.aside, follower) // counted anew the next time
		return err
	}
	j.aside[follower] = kept
	return nil
}

// droppedShelf counts, by follower, what its quarantine no longer keeps.
const droppedShelf = "quarantine-dropped"

// Stored is a finding with its number in the order of storing.
type Stored struct {
	ID int64
	rules.Finding
}
