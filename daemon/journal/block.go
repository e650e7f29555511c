package journal

import (
	"encoding/binary"
	"fmt"
	"time"

	"github.com/klauspost/compress/zstd"

	"standwatch/rules"
	"standwatch/sensors"
)

// A sealed block stands for many plain batches of one boot. It is
//
//	byte     2
//	varint   at before the first row, ms since boot
//	uvarint  number of points; each: uvarint id
//	uvarint  number of healths but good; each: byte grade, uvarint length, reason
//	uvarint  number of runs; each: uvarint sequence numbers left out before it (marks), uvarint rows
//	packed   whose row it is: index of the point, a byte each, or two where there are more than 256 points
//	packed   of each point: its columns
//
// where packed is uvarint length, uvarint length compressed, one zstd frame. A
// point's columns are, in this order, each a byte 0 and the one varint that
// every row has, or a byte 1, uvarint length and a varint for each row:
//
//	at       delta of delta, ms
//	off      taken minus at, delta; or, where a byte 1 stands before, taken, delta of delta
//	value    delta of counts; failed rows have none
//	health   index
//	marks    1: has its own sequence number, 2: has its own time
//	seq      own sequence number less the last one plus 1, of rows that have it
//	own      own time less taken, delta, of rows that have it
const (
	colAt = iota
	colOff
	colValue
	colHealth
	colMarks
	colSeq
	colOwn
	columns
)

const (
	markSeq = 1
	markOwn = 2
)

// track is what the next row of a point is told against, in a block.
type track struct {
	at, atStep       int64
	off              int64
	taken, takenStep int64
	value, own       int64
	seq              uint64
}

// blockEncoder gathers the columns of a block.
type blockEncoder struct {
	ids     []uint32
	points  map[uint32]*pointEncoder
	order   []uint16
	healths encoder // for its list only
	runs    []byte
	runLen  uint64
	nRuns   uint64
	next    uint64 // the sequence number that would go on the run
	sum     batch
}

type pointEncoder struct {
	index int
	track track
	cols  [columns]columnEncoder
	taken columnEncoder // the other way of colOff
}

type columnEncoder struct {
	b       []byte
	first   int64
	n, zero int
	varied  bool
}

func (c *columnEncoder) add(v int64) {
	if c.n == 0 {
		c.first = v
	}
	c.varied = c.varied || v != c.first
	c.n++
	if v == 0 {
		c.zero++
	}
	c.b = binary.AppendVarint(c.b, v)
}

func (c *columnEncoder) appendTo(b []byte) []byte {
	if !c.varied {
		return binary.AppendVarint(append(b, 0), c.first)
	}
	b = binary.AppendUvarint(append(b, 1), uint64(len(c.b)))
	return append(b, c.b...)
}

func newBlockEncoder(first batch) *blockEncoder {
	return &blockEncoder{points: map[uint32]*pointEncoder{}, next: first.first, sum: first}
}

// add takes the next reading, of a point by its id, as counts.
func (e *blockEncoder) add(seq uint64, at int64, id uint32, counts int64, m *rules.Measured) {
	p := e.points[id]
	if p == nil {
		p = &pointEncoder{index: len(e.ids)}
		p.track.at, p.track.taken = e.sum.firstMs, e.sum.firstMs
		e.points[id], e.ids = p, append(e.ids, id)
	}
	if seq != e.next {
		e.endRun()
		e.runs = binary.AppendUvarint(e.runs, seq-e.next)
	} else if e.runLen == 0 {
		e.runs = append(e.runs, 0)
	}
	e.next = seq + 1
	e.runLen++
	e.order = append(e.order, uint16(p.index))
	p.add(at, counts, int64(e.healths.health(m.Health)), m)
}

func (e *blockEncoder) endRun() {
	e.runs = binary.AppendUvarint(e.runs, e.runLen)
	e.runLen = 0
	e.nRuns++
}

func (p *pointEncoder) add(at, counts, health int64, m *rules.Measured) {
	t, taken := &p.track, m.Taken.Milliseconds()
	step := at - t.at
	p.cols[colAt].add(step - t.atStep)
	t.at, t.atStep = at, step

	p.cols[colOff].add(taken - at - t.off)
	t.off = taken - at
	step = taken - t.taken
	p.taken.add(step - t.takenStep)
	t.taken, t.takenStep = taken, step

	if m.Health.Grade != sensors.Failed {
		p.cols[colValue].add(counts - t.value)
		t.value = counts
	}
	p.cols[colHealth].add(health)
	marks := int64(0)
	if m.HasSeq {
		marks |= markSeq
		p.cols[colSeq].add(int64(m.Seq - t.seq - 1))
		t.seq = m.Seq
	}
	if m.Own != 0 {
		marks |= markOwn
		p.cols[colOwn].add(m.Own - taken - t.own)
		t.own = m.Own - taken
	}
	p.cols[colMarks].add(marks)
}

func (p *pointEncoder) appendTo(b []byte) []byte {
	for i := range p.cols {
		c := &p.cols[i]
		if i == colOff {
			b = append(b, 0)
			if p.taken.zero > c.zero { // an instrument with an even beat of its own
				c, b[len(b)-1] = &p.taken, 1
			}
		}
		b = c.appendTo(b)
	}
	return b
}

// finish returns the block.
func (e *blockEncoder) finish(z *zstd.Encoder) []byte {
	e.endRun()
	b := binary.AppendVarint([]byte{sealedBlock}, e.sum.firstMs)
	b = binary.AppendUvarint(b, uint64(len(e.ids)))
	for _, id := range e.ids {
		b = binary.AppendUvarint(b, uint64(id))
	}
	b = appendHealths(b, e.healths.healths)
	b = append(binary.AppendUvarint(b, e.nRuns), e.runs...)
	var raw []byte
	for _, i := range e.order {
		raw = append(raw, byte(i))
		if len(e.ids) > 256 {
			raw = append(raw, byte(i>>8))
		}
	}
	b = appendPacked(b, raw, z)
	for _, id := range e.ids {
		p := e.points[id]
		b = appendPacked(b, p.appendTo(raw[:0]), z)
	}
	return b
}

func appendPacked(b, raw []byte, z *zstd.Encoder) []byte {
	packed := z.EncodeAll(raw, nil)
	b = binary.AppendUvarint(b, uint64(len(raw)))
	b = binary.AppendUvarint(b, uint64(len(packed)))
	return append(b, packed...)
}

// packEncoder makes a small encoder: a block's parts are short.
func packEncoder() (*zstd.Encoder, error) {
	return zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18),
		zstd.WithEncoderLevel(zstd.SpeedBetterCompression), zstd.WithLowerEncoderMem(true))
}

// blockDecoder keeps the buffers of a decoder for blocks.
type blockDecoder struct {
	zstd   *zstd.Decoder
	order  []byte
	points []pointDecoder
}

type pointDecoder struct {
	raw     []byte // the columns' bytes
	byTaken bool
	track   track
	cols    [columns]columnDecoder
	bad     bool // a column ended early
}

type columnDecoder struct {
	b        []byte // what is left
	constant int64
	varied   bool
}

func (p *pointDecoder) next(column int) int64 {
	c := &p.cols[column]
	if !c.varied {
		return c.constant
	}
	if len(c.b) > 0 && c.b[0] < 0x80 { // most steps are small
		u := c.b[0]
		c.b = c.b[1:]
		return int64(u>>1) ^ -int64(u&1)
	}
	v, n := binary.Varint(c.b)
	if n <= 0 {
		p.bad = true
		return 0
	}
	c.b = c.b[n:]
	return v
}

// unpack reads a packed part into buf.
func (d *blockDecoder) unpack(in *input, buf []byte) ([]byte, error) {
	size := in.uvarint()
	packed := in.bytes(in.count(1))
	if in.bad || size > blockReadings*columns*binary.MaxVarintLen64 {
		return nil, errBlob
	}
	if d.zstd == nil {
		z, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(64<<20))
		if err != nil {
			return nil, err
		}
		d.zstd = z
	}
	out, err := d.zstd.DecodeAll(packed, buf[:0])
	if err != nil || uint64(len(out)) != size {
		return nil, fmt.Errorf("%w (%w)", errBlob, err)
	}
	return out, nil
}

// open reads the columns of a point.
func (p *pointDecoder) open(d *blockDecoder, in *input, base int64) error {
	raw, err := d.unpack(in, p.raw)
	if err != nil {
		return err
	}
	p.raw, p.track, p.bad = raw, track{at: base, taken: base}, false
	cols := input{b: raw}
	for i := range p.cols {
		if i == colOff {
			p.byTaken = cols.byte() == 1
		}
		c := &p.cols[i]
		*c = columnDecoder{varied: cols.byte() == 1}
		if c.varied {
			c.b = cols.bytes(cols.count(1))
		} else {
			c.constant = cols.varint()
		}
	}
	return orDamaged(cols.bad || cols.i != len(raw))
}

func orDamaged(bad bool) error {
	if bad {
		return errBlob
	}
	return nil
}

// read takes the next row into m.
func (p *pointDecoder) read(m *rules.Measured, healths []sensors.Health, point *known) (at int64, err error) {
	t := &p.track
	t.atStep += p.next(colAt)
	t.at += t.atStep
	if p.byTaken {
		t.takenStep += p.next(colOff)
		t.taken += t.takenStep
	} else {
		t.off += p.next(colOff)
		t.taken = t.at + t.off
	}
	m.Taken = time.Duration(t.taken) * time.Millisecond
	h := p.next(colHealth)
	if uint64(h) >= uint64(len(healths)) {
		return 0, errBlob
	}
	m.Point, m.Health, m.Value = point.name, healths[h], 0
	if m.Health.Grade != sensors.Failed {
		t.value += p.next(colValue)
		m.Value = point.quantity.FromCounts(t.value)
	}
	marks := p.next(colMarks)
	m.Seq, m.HasSeq, m.Own = 0, marks&markSeq != 0, 0
	if m.HasSeq {
		t.seq += uint64(p.next(colSeq)) + 1
		m.Seq = t.seq
	}
	if marks&markOwn != 0 {
		t.own += p.next(colOwn)
		m.Own = t.own + t.taken
	}
	return t.at, nil
}

// block yields a sealed block's rows.
func (d *decoder) block(b batch, in *input, low, high uint64, yield func(rules.Entry) bool) (more bool, err error) {
	base := in.varint()
	if !d.header(in) {
		return d.skipped(in)
	}
	runs := input{}
	if runs, err = cutRuns(in); err != nil {
		return false, err
	}
	s := &d.sealed
	if s.order, err = s.unpack(in, s.order); err != nil {
		return false, err
	}
	if err := s.openPoints(d, in, base); err != nil {
		return false, err
	}
	wide := len(d.points) > 256
	m, seq, pos := &d.measure, b.first, 0
	for runs.i < len(runs.b) {
		seq += runs.uvarint()
		rows := runs.uvarint()
		if rows > blockReadings || seq < b.first {
			return false, errBlob
		}
		for end := seq + rows; seq < end; seq++ {
			if pos >= len(s.order) || seq > b.last {
				return false, errBlob
			}
			i := int(s.order[pos])
			pos++
			if wide && pos < len(s.order) {
				i |= int(s.order[pos]) << 8
				pos++
			}
			if seq > high {
				return true, nil
			}
			if i >= len(d.points) {
				return false, errBlob
			}
			id := d.points[i]
			if d.want != nil && !d.want[id] {
				continue
			}
			d.id = id
			p := &s.points[i]
			at, err := p.read(m, d.healths, &d.catalog[id])
			if err != nil {
				return false, err
			}
			if seq < low {
				continue
			}
			if p.bad {
				return false, errBlob
			}
			if !yield(rules.Entry{Seq: seq, At: rules.Instant{Boot: b.boot, Since: time.Duration(at) * time.Millisecond}, Body: m}) {
				return false, nil
			}
		}
	}
	return true, orDamaged(pos != len(s.order) || seq != b.last+1)
}

// openPoints opens the columns of the points that are wanted, and passes over the others.
func (s *blockDecoder) openPoints(d *decoder, in *input, base int64) error {
	for len(s.points) < len(d.points) {
		s.points = append(s.points, pointDecoder{})
	}
	for i, id := range d.points {
		p := &s.points[i]
		if d.want != nil && !d.want[id] {
			in.uvarint()
			in.bytes(in.count(1))
			continue
		}
		if err := p.open(s, in, base); err != nil {
			return err
		}
	}
	return orDamaged(in.bad || in.i != len(in.b))
}

// cutRuns takes the runs off the input.
func cutRuns(in *input) (runs input, err error) {
	n := in.count(2)
	from := in.i
	for range n {
		in.uvarint()
		in.uvarint()
	}
	if in.bad {
		return runs, errBlob
	}
	return input{b: in.b[from:in.i]}, nil
}
