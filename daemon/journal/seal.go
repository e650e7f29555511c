package journal

import (
	"context"
	"fmt"
	"time"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
)

// Blocks hold the readings of an hour since boot, or so many readings, if those are sooner reached.
const (
	blockSpan     = time.Hour
	blockReadings = 1 << 18
)

// Seal replaces the plain batches of every hour (since boot) that ended before
// an instant by sealed blocks, a block a transaction. Readers see the same
// entries before, during and after. Call it about hourly, from a goroutine
// that may take its time: only the replacing itself keeps Append waiting.
func (j *Journal) Seal(ctx context.Context, before rules.Instant) error {
	w := walk{}
	for {
		full, err := j.unsealed(ctx, &w, before)
		if err != nil || len(w.batches) == 0 {
			return err
		}
		b, err := w.seal()
		if err != nil {
			return fmt.Errorf("journal: seal entries %d to %d: %w", w.batches[0].first, w.batches[len(w.batches)-1].last, err)
		}
		if err := j.replace(w.batches, b); err != nil {
			return err
		}
		j.log.Debug("journal: sealed", "first", b.first, "last", b.last, "batches", len(w.batches), "bytes", len(b.blob), "full", full)
	}
}

// unsealed loads the batches of the next block, none if all is sealed. full is
// whether the block ends by its size.
func (j *Journal) unsealed(ctx context.Context, w *walk, before rules.Instant) (full bool, err error) {
	err = j.read(ctx, "read what to seal", func(conn *sqlite.Conn) (err error) {
		w.batches, w.arena = w.batches[:0], w.arena[:0]
		if w.dec.catalog, err = j.Reader.points(conn); err != nil {
			return err
		}
		readings := uint64(0)
		return rows(conn, `SELECT `+batchColumns+` FROM batches WHERE sealed = 0 ORDER BY first_seq`, func(s *sqlite.Stmt) error {
			b := w.batch(s)
			n := b.last - b.first + 1
			if !b.over(before) {
				return errEnough
			}
			if len(w.batches) > 0 && !b.goesWith(w.batches[0]) {
				return errEnough
			}
			if readings+n > blockReadings && len(w.batches) > 0 {
				full = true
				return errEnough
			}
			readings += n
			w.batches = append(w.batches, b)
			return nil
		})
	})
	return full, err
}

func hour(ms int64) int64 { return ms / blockSpan.Milliseconds() }

// over reports whether the batch's hour has ended.
func (b batch) over(before rules.Instant) bool {
	return b.boot < before.Boot || b.boot == before.Boot && hour(b.firstMs) < hour(before.Since.Milliseconds())
}

func (b batch) goesWith(a batch) bool { return a.boot == b.boot && hour(a.firstMs) == hour(b.firstMs) }

// seal makes one block of the walk's batches.
func (w *walk) seal() (batch, error) {
	e := newBlockEncoder(w.batches[0])
	for _, b := range w.batches {
		e.sum.last, e.sum.lastMs = b.last, b.lastMs
		e.sum.takenLow, e.sum.takenHigh = min(e.sum.takenLow, b.takenLow), max(e.sum.takenHigh, b.takenHigh)
		if _, err := w.dec.decode(b, b.first, b.last, func(x rules.Entry) bool {
			m, id := x.Body.(*rules.Measured), w.dec.id
			e.add(x.Seq, x.At.Since.Milliseconds(), id, w.dec.catalog[id].quantity.Counts(m.Value), m)
			return true
		}); err != nil {
			return batch{}, err
		}
	}
	z, err := packEncoder()
	if err != nil {
		return batch{}, err
	}
	b := e.sum
	b.blob, b.sealed = e.finish(z), true
	return b, z.Close()
}

// replace puts the block in the place of the batches, if they are still all that stands there.
func (j *Journal) replace(old []batch, block batch) error {
	j.write.Lock()
	defer j.write.Unlock()
	return j.transaction("seal", func() error {
		err := execute(j.conn, `DELETE FROM batches WHERE first_seq BETWEEN ? AND ?`, int64(block.first), int64(block.last))
		if err != nil {
			return err
		}
		if n := j.conn.Changes(); n != len(old) {
			return fmt.Errorf("entries %d to %d were %d batches and are now %d; left as they are", block.first, block.last, len(old), n)
		}
		return insertBatch(j.conn, block)
	})
}
