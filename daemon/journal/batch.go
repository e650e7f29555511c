package journal

import (
	"encoding/binary"
	"errors"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// batch is a row of the table: readings of one boot, first to last by sequence.
type batch struct {
	first, last         uint64
	boot                uint32
	firstMs, lastMs     int64 // At
	takenLow, takenHigh int64 // Taken, of any reading in it
	sealed              bool
	blob                []byte
}

// known is a point as the journal keeps it.
type known struct {
	name     string
	quantity sensors.Quantity
}

// The first byte of a blob.
const (
	plainBatch  = 1
	sealedBlock = 2
)

// The flags of a row in a plain batch.
const (
	atMoved    = 1 << iota // uvarint: ms since the row before
	offMoved               // varint: taken minus at, against the point's last one
	healthOdd              // uvarint: index of the health, where it is not the point's last one
	hasSeq                 // the instrument's own sequence number
	seqJumped              // varint: how far it is off the point's last one plus 1
	hasOwn                 // the instrument's own time
	ownMoved               // varint: own minus taken, against the batch's last one
	valueMoved             // varint: counts, against the point's last one
)

// A plain batch is
//
//	byte     1
//	varint   at of the first row, ms since boot
//	uvarint  number of points; each: uvarint id
//	uvarint  number of healths but good; each: byte grade, uvarint length, reason
//	uvarint  number of rows; each:
//	    byte flags, uvarint index of the point, and what the flags announce in their order
//
// Every prediction starts from zero. A failed row has no value and leaves the
// point's last one alone.
type encoder struct {
	head, body          []byte
	points              []uint32 // ids in the order met
	local               []int32  // by id: index in points plus 1
	state               []pointState
	healths             []sensors.Health
	at, first, own      int64
	rows                int
	takenLow, takenHigh int64
}

// pointState is what the next row of a point is told against.
type pointState struct {
	value, off int64
	seq        uint64
	health     int
}

// begin starts a batch in which ids are below bound.
func (e *encoder) begin(bound int) {
	for _, id := range e.points {
		e.local[id] = 0
	}
	for len(e.local) < bound {
		e.local = append(e.local, 0)
	}
	e.points, e.state, e.healths, e.body = e.points[:0], e.state[:0], e.healths[:0], e.body[:0]
	e.at, e.first, e.own, e.rows = 0, 0, 0, 0
}

// add appends a reading. The value is given as counts.
func (e *encoder) add(at int64, id uint32, counts int64, m *rules.Measured) {
	i := int(e.local[id]) - 1
	if i < 0 {
		i = len(e.points)
		e.points, e.state = append(e.points, id), append(e.state, pointState{})
		e.local[id] = int32(i + 1)
	}
	s := &e.state[i]
	taken := m.Taken.Milliseconds()
	if e.rows == 0 {
		e.at, e.first, e.takenLow, e.takenHigh = at, at, taken, taken
	}
	e.takenLow, e.takenHigh = min(e.takenLow, taken), max(e.takenHigh, taken)
	e.rows++

	flagsAt := len(e.body)
	b := append(e.body, 0)
	b = binary.AppendUvarint(b, uint64(i))
	var flags byte
	if d := at - e.at; d != 0 {
		flags |= atMoved
		b = binary.AppendUvarint(b, uint64(d))
		e.at = at
	}
	if off := taken - at; off != s.off {
		flags |= offMoved
		b = binary.AppendVarint(b, off-s.off)
		s.off = off
	}
	if h := e.health(m.Health); h != s.health {
		flags |= healthOdd
		b = binary.AppendUvarint(b, uint64(h))
		s.health = h
	}
	if m.HasSeq {
		flags |= hasSeq
		if d := m.Seq - s.seq - 1; d != 0 {
			flags |= seqJumped
			b = binary.AppendVarint(b, int64(d))
		}
		s.seq = m.Seq
	}
	if m.Own != 0 {
		flags |= hasOwn
		if d := m.Own - taken; d != e.own {
			flags |= ownMoved
			b = binary.AppendVarint(b, d-e.own)
			e.own = d
		}
	}
	if m.Health.Grade != sensors.Failed && counts != s.value {
		flags |= valueMoved
		b = binary.AppendVarint(b, counts-s.value)
		s.value = counts
	}
	b[flagsAt] = flags
	e.body = b
}

// health returns the index of a health, 0 for good.
func (e *encoder) health(h sensors.Health) int {
	if h == (sensors.Health{}) {
		return 0
	}
	for i := range e.healths {
		if e.healths[i] == h {
			return i + 1
		}
	}
	e.healths = append(e.healths, h)
	return len(e.healths)
}

// finish returns the blob, which is valid until the next begin.
func (e *encoder) finish() []byte {
	b := append(e.head[:0], plainBatch)
	b = binary.AppendVarint(b, e.first)
	b = binary.AppendUvarint(b, uint64(len(e.points)))
	for _, id := range e.points {
		b = binary.AppendUvarint(b, uint64(id))
	}
	b = appendHealths(b, e.healths)
	b = binary.AppendUvarint(b, uint64(e.rows))
	e.head = append(b, e.body...)
	return e.head
}

func appendHealths(b []byte, hs []sensors.Health) []byte {
	b = binary.AppendUvarint(b, uint64(len(hs)))
	for _, h := range hs {
		b = append(b, byte(h.Grade))
		b = binary.AppendUvarint(b, uint64(len(h.Reason)))
		b = append(b, h.Reason...)
	}
	return b
}

var errBlob = errors.New("journal: a batch is damaged; export what can be read and keep the directory")

// input reads the parts of a blob. After a fault bad is set and every part is zero.
type input struct {
	b   []byte
	i   int
	bad bool
}

func (in *input) byte() byte {
	if in.i >= len(in.b) {
		in.bad = true
		return 0
	}
	in.i++
	return in.b[in.i-1]
}

func (in *input) uvarint() uint64 {
	if in.i < len(in.b) && in.b[in.i] < 0x80 {
		in.i++
		return uint64(in.b[in.i-1])
	}
	return in.longUvarint()
}

func (in *input) longUvarint() uint64 {
	v, n := binary.Uvarint(in.b[in.i:])
	if n <= 0 {
		in.bad = true
		in.i = len(in.b)
		return 0
	}
	in.i += n
	return v
}

func (in *input) varint() int64 {
	u := in.uvarint()
	return int64(u>>1) ^ -int64(u&1)
}

// count reads a number of things that take at least size bytes each.
func (in *input) count(size int) int {
	n := in.uvarint()
	if n > uint64(len(in.b)-in.i)/uint64(size) {
		in.bad = true
		return 0
	}
	return int(n)
}

func (in *input) bytes(n int) []byte {
	if n > len(in.b)-in.i {
		in.bad = true
		return nil
	}
	in.i += n
	return in.b[in.i-n : in.i]
}

// decoder turns blobs into entries. It keeps its buffers from one to the next;
// the reading it yields is its own.
type decoder struct {
	catalog []known
	want    []bool // by id; nil: all
	measure rules.Measured
	id      uint32 // of the point of measure
	points  []uint32
	state   []pointState
	healths []sensors.Health
	reasons map[string]string
	sealed  blockDecoder
}

// decode yields the entries of a batch with low <= Seq <= high. It returns
// false when yield did.
func (d *decoder) decode(b batch, low, high uint64, yield func(rules.Entry) bool) (more bool, err error) {
	in := input{b: b.blob}
	switch in.byte() {
	case plainBatch:
		return d.plain(b, &in, low, high, yield)
	case sealedBlock:
		return d.block(b, &in, low, high, yield)
	}
	return false, errBlob
}

// header reads ids and healths, and reports whether any point is wanted.
func (d *decoder) header(in *input) (wanted bool) {
	d.points, d.state = d.points[:0], d.state[:0]
	for n := in.count(1); n > 0; n-- {
		id := in.uvarint()
		if id == 0 || id >= uint64(len(d.catalog)) {
			in.bad = true
			return false
		}
		d.points, d.state = append(d.points, uint32(id)), append(d.state, pointState{})
		wanted = wanted || d.want == nil || d.want[id]
	}
	d.readHealths(in)
	return wanted && !in.bad
}

func (d *decoder) readHealths(in *input) {
	d.healths = append(d.healths[:0], sensors.Health{})
	for n := in.count(2); n > 0; n-- {
		grade := in.byte()
		reason := in.bytes(in.count(1))
		if grade > byte(sensors.Failed) {
			in.bad = true
		}
		d.healths = append(d.healths, sensors.Health{Grade: sensors.Grade(grade), Reason: d.reason(reason)})
	}
}

// reason returns the text without making a new string each time.
func (d *decoder) reason(b []byte) string {
	if s, ok := d.reasons[string(b)]; ok {
		return s
	}
	if d.reasons == nil || len(d.reasons) > 1000 {
		d.reasons = map[string]string{}
	}
	s := string(b)
	d.reasons[s] = s
	return s
}

func (d *decoder) plain(b batch, in *input, low, high uint64, yield func(rules.Entry) bool) (more bool, err error) {
	at := in.varint()
	if !d.header(in) {
		return d.skipped(in)
	}
	rows := in.count(2)
	if uint64(rows) != b.last-b.first+1 {
		return false, errBlob
	}
	m, own := &d.measure, int64(0)
	for seq := b.first; seq <= b.last; seq++ {
		flags := in.byte()
		i := in.uvarint()
		if i >= uint64(len(d.points)) {
			return false, errBlob
		}
		s := &d.state[i]
		if flags&atMoved != 0 {
			at += int64(in.uvarint())
		}
		if flags&offMoved != 0 {
			s.off += in.varint()
		}
		if flags&healthOdd != 0 {
			h := in.uvarint()
			if h >= uint64(len(d.healths)) {
				return false, errBlob
			}
			s.health = int(h)
		}
		if flags&hasSeq != 0 {
			s.seq++
			if flags&seqJumped != 0 {
				s.seq += uint64(in.varint())
			}
		}
		if flags&ownMoved != 0 {
			own += in.varint()
		}
		if flags&valueMoved != 0 {
			s.value += in.varint()
		}
		if in.bad {
			return false, errBlob
		}
		id := d.points[i]
		if seq < low || d.want != nil && !d.want[id] {
			continue
		}
		if seq > high {
			return true, nil
		}
		d.id = id
		p := &d.catalog[id]
		m.Point, m.Health = p.name, d.healths[s.health]
		m.Value = 0
		if m.Health.Grade != sensors.Failed {
			m.Value = p.quantity.FromCounts(s.value)
		}
		m.Seq, m.HasSeq = 0, flags&hasSeq != 0
		if m.HasSeq {
			m.Seq = s.seq
		}
		taken := at + s.off
		m.Taken = time.Duration(taken) * time.Millisecond
		m.Own = 0
		if flags&hasOwn != 0 {
			m.Own = own + taken
		}
		if !yield(rules.Entry{Seq: seq, At: rules.Instant{Boot: b.boot, Since: time.Duration(at) * time.Millisecond}, Body: m}) {
			return false, nil
		}
	}
	return true, nil
}

// skipped ends a batch in which no point is wanted. Where all are wanted there
// was none, which no batch has.
func (d *decoder) skipped(in *input) (more bool, err error) {
	if in.bad || d.want == nil {
		return false, errBlob
	}
	return true, nil
}
