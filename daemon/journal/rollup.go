package journal

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/klauspost/compress/zstd"
	"zombiezen.com/go/sqlite"

	"standwatch/rules"
	"standwatch/sensors"
)

// A roll-up is what a stretch of entries comes to, in equal parts of the time,
// at each of the levels. It follows the entries as an index follows a text:
// made after their commit, up to an hour of a boot or rollReadings at a time,
// in their order and without a hole; what is not rolled up yet is read from the
// batches. So a crash can lose none, a late reading lies in the roll-up of the
// stretch it came in and is put to its own time when read, and a table that is
// empty (an older journal) is filled again. Parts are counted in time since
// boot, by when a reading was taken: an anchor that comes later moves them all.
//
// A row of the table holds one level of one stretch:
//
//	byte     1
//	uvarint  number of healths but good; each: byte grade, uvarint length, reason
//	packed   uvarint number of points; each: uvarint id, uvarint length, parts
//
// where packed is as in a block (block.go), and the parts of a point are
// uvarint their number, then one column after the other: number of the part
// (delta), readings that can be used, those that cannot, index of the worst
// health; and, of the parts with a value, the lowest count (delta), the highest
// less the lowest, and the mean less the lowest in eighths of a count.
var levels = []time.Duration{time.Minute, 10 * time.Minute}

const (
	rollFormat   = 1
	rollReadings = 1 << 17 // so many readings at most are read one by one at the end of a night
	meanParts    = 8
)

// Column is what a point's readings of one part of the time come to. One
// without a value (Count 0) had only readings that cannot be used; a part
// without any reading has no column.
type Column struct {
	WallMs          int64 // its middle by the newest anchors; of a single reading, when that was taken
	Mean, Low, High float64
	Count           int            // readings that can be used (sensors.Health.Usable)
	Bad             int            // and those that cannot
	Worst           sensors.Health // of equally bad ones that whose reason sorts last
}

// Columns are the columns of some points between two moments.
type Columns struct {
	Width  time.Duration // of a column; 0: each is one reading
	Points [][]Column    // in the order asked, each by time
}

// Columns returns what the points' readings taken between two wall times (Unix
// ms) come to, in at most about most columns a point. Where no point has more
// readings than that within the time, each column is one reading; else columns
// lie on a grid of their width since boot, and those that the window cuts are
// whole, so that a window which moves on shows the same ones.
func (r *Reader) Columns(ctx context.Context, points []string, fromMs, toMs int64, most int) (Columns, error) {
	out := Columns{Points: make([][]Column, len(points))}
	anchors, err := r.Anchors(ctx)
	if err != nil || most <= 0 || toMs < fromMs || len(points) == 0 {
		return out, err
	}
	boots := make([]uint32, 0, len(anchors))
	for b := range anchors {
		boots = append(boots, b)
	}
	slices.Sort(boots)
	width, level := columnWidth(toMs-fromMs, most)
	g := gathering{width: width.Milliseconds(), most: most, from: fromMs, to: toMs,
		single: make([][]Column, len(points)), columns: make([][]Column, len(points)), many: level > 0}
	after := uint64(0)
	if level > 0 {
		if after, err = r.rolledUp(ctx); err != nil {
			return out, err
		}
	}
	names := make(map[string]int, len(points))
	for i, name := range points {
		names[name] = i
	}
	for _, boot := range boots {
		g.begin(anchors[boot].OffsetMs)
		if after > 0 {
			if err := r.gatherRollups(ctx, &g, boot, level, names, after); err != nil {
				return out, err
			}
		}
		if err := r.gatherReadings(ctx, &g, boot, names, after); err != nil {
			return out, err
		}
		g.end()
	}
	if out.Points = g.single; g.many {
		out.Width, out.Points = width, g.columns
	}
	for i := range out.Points {
		slices.SortStableFunc(out.Points[i], func(a, b Column) int { return cmp.Compare(a.WallMs, b.WallMs) })
	}
	return out, nil
}

// columnWidth is the narrowest column of a whole second, or of a whole number
// of a level's parts, of which most span the time; level 0: no roll-up is so fine.
func columnWidth(spanMs int64, most int) (width, level time.Duration) {
	least := time.Duration((spanMs+int64(most)-1)/int64(most)) * time.Millisecond
	grid := time.Second
	for _, l := range levels {
		if least > l-grid {
			grid, level = l, l
		}
	}
	return max(grid, (least+grid-1)/grid*grid), level
}

// cell sums up readings, as counts.
type cell struct {
	n, bad    int
	low, high int64
	sum       float64
	worst     sensors.Health
}

func (c *cell) add(counts int64, h sensors.Health) {
	c.note(h)
	if !h.Usable() {
		c.bad++
		return
	}
	if c.n == 0 {
		c.low, c.high = counts, counts
	}
	c.n++
	c.sum += float64(counts)
	c.low, c.high = min(c.low, counts), max(c.high, counts)
}

func (c *cell) note(h sensors.Health) {
	if h.Grade > c.worst.Grade || h.Grade == c.worst.Grade && h.Reason > c.worst.Reason {
		c.worst = h
	}
}

func (c *cell) merge(o *cell) {
	c.note(o.worst)
	c.bad += o.bad
	if o.n == 0 {
		return
	}
	if c.n == 0 {
		c.low, c.high = o.low, o.high
	}
	c.n, c.sum = c.n+o.n, c.sum+o.sum
	c.low, c.high = min(c.low, o.low), max(c.high, o.high)
}

// cells are a point's, by the number of their part.
type cells struct {
	at    map[int64]int
	list  []partCell
	last  int // the one used last: the next reading most often falls there too
	known bool
}

type partCell struct {
	part int64
	cell
}

func (cs *cells) of(part int64) *cell {
	if cs.known && cs.list[cs.last].part == part {
		return &cs.list[cs.last].cell
	}
	i, ok := cs.at[part]
	if !ok {
		if cs.at == nil {
			cs.at = map[int64]int{}
		}
		i = len(cs.list)
		cs.at[part] = i
		cs.list = append(cs.list, partCell{part: part})
	}
	cs.last, cs.known = i, true
	return &cs.list[i].cell
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// gathering collects the columns of one request, a boot after the other.
type gathering struct {
	width    int64
	most     int
	from, to int64 // wall
	offset   int64 // of the boot
	low      int64 // the boot's first and last part within the window
	high     int64
	cells    []cells
	scale    []sensors.Quantity
	single   [][]Column
	columns  [][]Column
	many     bool // there are more readings than columns
}

func (g *gathering) begin(offset int64) {
	g.offset, g.low, g.high = offset, floorDiv(g.from-offset, g.width), floorDiv(g.to-offset, g.width)
	g.cells, g.scale = make([]cells, len(g.single)), make([]sensors.Quantity, len(g.single))
}

// add takes a reading.
func (g *gathering) add(i int, q sensors.Quantity, taken int64, m *rules.Measured) {
	part := floorDiv(taken, g.width)
	if part < g.low || part > g.high {
		return
	}
	g.scale[i] = q
	g.cells[i].of(part).add(q.Counts(m.Value), m.Health)
	if wall := g.offset + taken; !g.many && wall >= g.from && wall <= g.to {
		if g.many = len(g.single[i]) >= g.most; g.many {
			return
		}
		one := cell{}
		one.add(q.Counts(m.Value), m.Health)
		g.single[i] = append(g.single[i], one.column(wall, q))
	}
}

// take takes a part of a level, number part of those that are ms long.
func (g *gathering) take(i int, q sensors.Quantity, part, ms int64, c *cell) {
	if part = floorDiv(part*ms, g.width); part >= g.low && part <= g.high {
		g.scale[i] = q
		g.cells[i].of(part).merge(c)
	}
}

func (g *gathering) end() {
	for i := range g.cells {
		for j := range g.cells[i].list {
			x := &g.cells[i].list[j]
			g.columns[i] = append(g.columns[i], x.column(g.offset+x.part*g.width+g.width/2, g.scale[i]))
		}
	}
}

func (c *cell) column(wall int64, q sensors.Quantity) Column {
	out := Column{WallMs: wall, Count: c.n, Bad: c.bad, Worst: c.worst}
	if c.n > 0 {
		one := q.FromCounts(1) // the mean lies between counts
		out.Mean, out.Low, out.High = c.sum/float64(c.n)*one, q.FromCounts(c.low), q.FromCounts(c.high)
	}
	return out
}

// wantedIDs are the named points' ids and their places in the answer; of a name that
// has measured several quantities, the newest.
func wantedIDs(catalog []known, names map[string]int) (want []bool, place []int) {
	want, place = make([]bool, len(catalog)), make([]int, len(catalog))
	newest := make(map[int]int, len(names))
	for id := 1; id < len(catalog); id++ {
		if i, ok := names[catalog[id].name]; ok {
			newest[i] = id
		}
	}
	for i, id := range newest {
		want[id], place[id] = true, i
	}
	return want, place
}

// gatherReadings adds one boot's readings after an entry, a page a transaction.
func (r *Reader) gatherReadings(ctx context.Context, g *gathering, boot uint32, names map[string]int, after uint64) error {
	w, place := walk{}, []int(nil)
	add := func(e rules.Entry) bool {
		m := e.Body.(*rules.Measured)
		g.add(place[w.dec.id], w.dec.catalog[w.dec.id].quantity, m.Taken.Milliseconds(), m)
		return true
	}
	for next, more := int64(after)+1, true; more; {
		more = false
		err := r.read(ctx, "read a trace", func(conn *sqlite.Conn) (err error) {
			w.batches, w.arena = w.batches[:0], w.arena[:0]
			// A block may hold entries from before and after what is rolled up.
			err = rows(conn, `SELECT `+batchColumns+` FROM batches
				WHERE first_seq >= ifnull((SELECT max(first_seq) FROM batches WHERE first_seq <= ?1), 0)
				AND boot = ?2 AND last_seq >= ?1 AND taken_high_ms >= ?3 AND taken_low_ms <= ?4 ORDER BY first_seq`, func(s *sqlite.Stmt) error {
				b := w.batch(s)
				w.batches, next = append(w.batches, b), int64(b.last)+1
				if len(w.arena) >= pageBytes {
					more = true
					return errEnough
				}
				return nil
			}, next, int64(boot), g.low*g.width, (g.high+1)*g.width-1)
			if err != nil {
				return err
			}
			if w.dec.catalog, err = r.points(conn); err == nil {
				w.dec.want, place = wantedIDs(w.dec.catalog, names)
			}
			return err
		})
		if err != nil {
			return err
		}
		for _, b := range w.batches {
			if _, err := w.dec.decode(b, max(b.first, after+1), b.last, add); err != nil {
				return err
			}
		}
	}
	return nil
}

// rolledUp is the number of the last entry that is rolled up.
func (r *Reader) rolledUp(ctx context.Context) (seq uint64, err error) {
	err = r.read(ctx, "read how far is rolled up", func(conn *sqlite.Conn) error {
		seq, err = rolledUpTo(conn)
		return err
	})
	return seq, err
}

func rolledUpTo(conn *sqlite.Conn) (uint64, error) {
	n, err := number(conn, `SELECT last_seq FROM rollups WHERE level_ms = ? ORDER BY boot DESC, first_seq DESC LIMIT 1`, levels[0].Milliseconds())
	return uint64(n), err
}

// gatherRollups adds one boot's roll-ups of a level, up to an entry.
func (r *Reader) gatherRollups(ctx context.Context, g *gathering, boot uint32, level time.Duration, names map[string]int, to uint64) error {
	type row struct{ blob []byte }
	d := rollDecoder{}
	ms := level.Milliseconds()
	var catalog []known
	for next, more := int64(0), true; more; {
		more = false
		var page []row
		err := r.read(ctx, "read roll-ups", func(conn *sqlite.Conn) (err error) {
			size := 0
			err = rows(conn, `SELECT first_seq, blob FROM rollups WHERE level_ms = ? AND boot = ? AND first_seq > ?
				AND last_seq <= ? AND taken_high_ms >= ? AND taken_low_ms <= ? ORDER BY first_seq`, func(s *sqlite.Stmt) error {
				blob := make([]byte, s.ColumnLen(1))
				s.ColumnBytes(1, blob)
				page, next = append(page, row{blob}), s.ColumnInt64(0)
				if size += len(blob); size >= pageBytes {
					more = true
					return errEnough
				}
				return nil
			}, ms, int64(boot), next, int64(to), g.low*g.width, (g.high+1)*g.width-1)
			if err != nil {
				return err
			}
			catalog, err = r.points(conn)
			return err
		})
		if err != nil {
			return err
		}
		want, place := wantedIDs(catalog, names)
		for _, x := range page {
			err := d.decode(x.blob, want, func(id uint32, part int64, c *cell) {
				g.take(place[id], catalog[id].quantity, part, ms, c)
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// RollUp rolls up what has come since the last time: every stretch that is
// over, a transaction each. Call it every minute or so, from a goroutine that
// may take its time.
func (j *Journal) RollUp(ctx context.Context) error {
	z, err := packEncoder()
	if err != nil {
		return err
	}
	defer func() { _ = z.Close() }() // it holds nothing
	for {
		w, done := walk{}, uint64(0)
		if err := j.notRolledUp(ctx, &w, &done); err != nil || len(w.batches) == 0 {
			return err
		}
		first, last := max(w.batches[0].first, done+1), w.batches[len(w.batches)-1].last
		s, err := w.sumUp(first)
		if err != nil {
			return fmt.Errorf("journal: roll up entries %d to %d: %w", first, last, err)
		}
		if err := j.keepRollups(s, w.batches[0].boot, first, last, z); err != nil {
			return err
		}
	}
}

// notRolledUp loads the batches of the next stretch that is over; none if there is none.
func (j *Journal) notRolledUp(ctx context.Context, w *walk, done *uint64) error {
	return j.read(ctx, "read what to roll up", func(conn *sqlite.Conn) (err error) {
		if *done, err = rolledUpTo(conn); err != nil {
			return err
		}
		_, at, err := end(conn)
		if err != nil {
			return err
		}
		if w.dec.catalog, err = j.Reader.points(conn); err != nil {
			return err
		}
		full, readings := false, uint64(0)
		err = rows(conn, `SELECT `+batchColumns+` FROM batches
			WHERE first_seq >= ifnull((SELECT max(first_seq) FROM batches WHERE first_seq <= ?1), 0) AND last_seq >= ?1
			ORDER BY first_seq`, func(s *sqlite.Stmt) error {
			b := w.batch(s)
			n := b.last - max(b.first, *done+1) + 1
			if len(w.batches) > 0 && (!b.goesWith(w.batches[0]) || readings+n > rollReadings) {
				full = true
				return errEnough
			}
			readings += n
			w.batches = append(w.batches, b)
			return nil
		}, int64(*done)+1)
		if err == nil && !full && len(w.batches) > 0 && !w.batches[0].over(at) {
			w.batches = w.batches[:0]
		}
		return err
	})
}

// sums are a stretch's cells, by level and id.
type sums struct {
	levels    [][]cells
	low, high int64 // taken
}

// sumUp adds up the walk's batches from an entry on.
func (w *walk) sumUp(first uint64) (*sums, error) {
	s := &sums{levels: make([][]cells, len(levels)), low: math.MaxInt64, high: math.MinInt64}
	for i := range levels {
		s.levels[i] = make([]cells, len(w.dec.catalog))
	}
	fine, ms := s.levels[0], levels[0].Milliseconds()
	for _, b := range w.batches {
		_, err := w.dec.decode(b, max(b.first, first), b.last, func(e rules.Entry) bool {
			m, id := e.Body.(*rules.Measured), w.dec.id
			taken := m.Taken.Milliseconds()
			s.low, s.high = min(s.low, taken), max(s.high, taken)
			fine[id].of(floorDiv(taken, ms)).add(w.dec.catalog[id].quantity.Counts(m.Value), m.Health)
			return true
		})
		if err != nil {
			return nil, err
		}
	}
	for i := 1; i < len(levels); i++ {
		for id := range fine {
			for k := range fine[id].list {
				x := &fine[id].list[k]
				s.levels[i][id].of(floorDiv(x.part*ms, levels[i].Milliseconds())).merge(&x.cell)
			}
		}
	}
	return s, nil
}

func (j *Journal) keepRollups(s *sums, boot uint32, first, last uint64, z *zstd.Encoder) error {
	blobs := make([][]byte, len(levels))
	for i := range levels {
		blobs[i] = encodeRollup(s.levels[i], z)
	}
	j.write.Lock()
	defer j.write.Unlock()
	return j.transaction("roll up", func() error {
		for i, l := range levels {
			err := execute(j.conn, `INSERT INTO rollups (level_ms, boot, first_seq, last_seq, taken_low_ms, taken_high_ms, blob)
				VALUES (?, ?, ?, ?, ?, ?, ?)`, l.Milliseconds(), int64(boot), int64(first), int64(last), s.low, s.high, blobs[i])
			if err != nil {
				return err
			}
		}
		return nil
	})
}

func encodeRollup(points []cells, z *zstd.Encoder) []byte {
	var healths encoder // for its list only
	var raw, part []byte
	n := uint64(0)
	for id := range points {
		list := points[id].list
		if len(list) == 0 {
			continue
		}
		n++
		slices.SortFunc(list, func(a, b partCell) int { return cmp.Compare(a.part, b.part) })
		part = binary.AppendUvarint(part[:0], uint64(len(list)))
		before := int64(0)
		for i := range list {
			part = binary.AppendVarint(part, list[i].part-before)
			before = list[i].part
		}
		for _, number := range []func(*cell) int{
			func(c *cell) int { return c.n }, func(c *cell) int { return c.bad }, func(c *cell) int { return healths.health(c.worst) },
		} {
			for i := range list {
				part = binary.AppendUvarint(part, uint64(number(&list[i].cell)))
			}
		}
		before = 0
		for i := range list {
			if c := &list[i].cell; c.n > 0 {
				part = binary.AppendVarint(part, c.low-before)
				before = c.low
			}
		}
		for i := range list {
			if c := &list[i].cell; c.n > 0 {
				part = binary.AppendUvarint(part, uint64(c.high-c.low))
			}
		}
		for i := range list {
			if c := &list[i].cell; c.n > 0 {
				part = binary.AppendUvarint(part, uint64(math.Round(meanParts*max(0, c.sum/float64(c.n)-float64(c.low)))))
			}
		}
		raw = binary.AppendUvarint(raw, uint64(id))
		raw = binary.AppendUvarint(raw, uint64(len(part)))
		raw = append(raw, part...)
	}
	raw = append(binary.AppendUvarint(nil, n), raw...)
	return appendPacked(appendHealths([]byte{rollFormat}, healths.healths), raw, z)
}

// rollDecoder keeps its buffers from one row to the next.
type rollDecoder struct {
	dec   decoder // for its healths
	raw   []byte
	cells []partCell
}

// decode yields the parts of the wanted points; a cell is valid until the next.
func (d *rollDecoder) decode(blob []byte, want []bool, yield func(id uint32, part int64, c *cell)) (err error) {
	in := input{b: blob}
	if in.byte() != rollFormat {
		return errBlob
	}
	d.dec.readHealths(&in)
	if d.raw, err = d.dec.sealed.unpack(&in, d.raw); err != nil {
		return err
	}
	raw := input{b: d.raw}
	for n := raw.count(3); n > 0 && !raw.bad; n-- {
		id := raw.uvarint()
		part := input{b: raw.bytes(raw.count(1))}
		if id == 0 || id >= uint64(len(want)) {
			return errBlob // rows are read with the catalog of their time or a newer one
		}
		if !want[id] {
			continue
		}
		if err := d.point(&part); err != nil {
			return err
		}
		for i := range d.cells {
			yield(uint32(id), d.cells[i].part, &d.cells[i].cell)
		}
	}
	return orDamaged(raw.bad || raw.i != len(raw.b) || in.i != len(in.b))
}

func (d *rollDecoder) point(in *input) error {
	n := in.count(4) // each part takes a byte in four columns at least
	d.cells = slices.Grow(d.cells[:0], n)[:n]
	at := int64(0)
	for i := range d.cells {
		at += in.varint()
		d.cells[i] = partCell{part: at}
	}
	for i := range d.cells {
		d.cells[i].n = int(in.uvarint())
	}
	for i := range d.cells {
		d.cells[i].bad = int(in.uvarint())
	}
	for i := range d.cells {
		h := in.uvarint()
		if h >= uint64(len(d.dec.healths)) {
			return errBlob
		}
		d.cells[i].worst = d.dec.healths[h]
	}
	at = 0
	for i := range d.cells {
		if c := &d.cells[i].cell; c.n > 0 {
			at += in.varint()
			c.low = at
		}
	}
	for i := range d.cells {
		if c := &d.cells[i].cell; c.n > 0 {
			c.high = c.low + int64(in.uvarint())
		}
	}
	for i := range d.cells {
		if c := &d.cells[i].cell; c.n > 0 {
			c.sum = float64(c.n) * (float64(c.low) + float64(in.uvarint())/meanParts)
		}
	}
	return orDamaged(in.bad || in.i != len(in.b))
}
