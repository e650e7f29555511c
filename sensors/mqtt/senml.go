package mqtt

import (
	"errors"
	"math"
	"slices"
	"time"

	"standwatch/sensors"
)

// record is a resolved SenML record (RFC 8428, section 4.6): base values are
// applied, its time is absolute.
type record struct {
	name, unit string
	value      float64
	kind       byte // 'v' number, 'b' boolean, 's' string, 'd' data, 0 only a sum
	sum        float64
	hasSum     bool
	ms         int64 // Unix ms
	// relative: the time was told as an offset (s) from the moment of reception,
	// so that it means nothing in a message that was kept or sent again.
	relative bool
	offset   float64
}

var errPack = errors.New("not a SenML pack")

const (
	senmlVersion = 10      // the version RFC 8428 defines
	absoluteFrom = 1 << 28 // times below are relative to now (section 4.5.3)
)

// resolve reads a SenML pack in JSON. A pack that breaks the standard in any
// record is refused whole: nobody knows what its base values then mean.
func resolve(payload []byte, now time.Time) ([]record, error) {
	if !validJSON(payload) {
		return nil, errPack
	}
	at := skipSpace(payload, 0)
	if payload[at] != '[' {
		return nil, errPack
	}
	var b base
	var rs []record
	var bad error
	each(payload, at, func(_ []byte, from, to int) {
		if bad != nil {
			return
		}
		var r record
		var ok bool
		if r, ok, bad = b.record(payload[from:to], now); ok && bad == nil {
			rs = append(rs, r)
		}
	})
	if bad != nil {
		return nil, bad
	}
	return rs, nil
}

// base holds the base fields, which stand until another record sets them.
type base struct {
	name, unit       string
	time, value, sum float64
	version          float64
}

// entry holds what one record itself says.
type entry struct {
	name, unit       string
	hasUnit          bool
	time, value, sum float64
	kind             byte
	hasSum           bool
}

// record reads one record. ok is false for one that only sets base fields.
func (b *base) record(raw []byte, now time.Time) (r record, ok bool, err error) {
	if raw[0] != '{' {
		return r, false, errPack
	}
	var e entry
	good := true
	each(raw, 0, func(key []byte, from, to int) {
		good = b.field(&e, text(key), raw[from:to]) && good
	})
	if !good {
		return r, false, errPack
	}
	if e.kind == 0 && !e.hasSum {
		return r, false, nil
	}
	r = record{name: b.name + e.name, unit: e.unit, kind: e.kind, value: e.value, sum: b.sum + e.sum, hasSum: e.hasSum}
	if !e.hasUnit {
		r.unit = b.unit
	}
	if e.kind == 'v' {
		r.value += b.value
	}
	if !SenMLName(r.name) {
		return r, false, errPack
	}
	t := b.time + e.time
	if r.relative = t < absoluteFrom; r.relative {
		r.offset = t
		t += float64(now.UnixMilli()) / 1e3
	}
	if t <= 0 || t > latest/1e3 {
		return r, false, errPack
	}
	r.ms = int64(math.Round(t * 1e3))
	return r, true, nil
}

// field takes one member of a record: false where it breaks the standard.
// Fields that are not known are skipped, unless their name ends in _, by
// which a sender says that they must be understood (section 4.4).
func (b *base) field(e *entry, key string, raw []byte) (ok bool) {
	isText := raw[0] == '"'
	number := func(to *float64) bool {
		v, ok := plainFloat(raw)
		*to = v
		return ok && !math.IsInf(v, 0)
	}
	switch key {
	case "bn":
		b.name, ok = stringOf(raw)
	case "bu":
		b.unit, ok = stringOf(raw)
	case "n":
		e.name, ok = stringOf(raw)
	case "u":
		e.unit, ok = stringOf(raw)
		e.hasUnit = true
	case "bt":
		ok = number(&b.time)
	case "bv":
		ok = number(&b.value)
	case "bs":
		ok = number(&b.sum)
	case "t":
		ok = number(&e.time)
	case "s":
		ok, e.hasSum = number(&e.sum), true
	case "bver":
		// A version that is newer than what is understood must not be used (section 4.4).
		var v float64
		ok = number(&v) && v >= 1 && v <= senmlVersion && v == float64(int(v)) && (b.version == 0 || b.version == v)
		b.version = v
	case "v":
		ok = number(&e.value) && e.once('v')
	case "vb":
		if raw[0] == 't' {
			e.value = 1
		}
		ok = (raw[0] == 't' || raw[0] == 'f') && e.once('b')
	case "vs":
		ok = isText && e.once('s')
	case "vd":
		ok = isText && e.once('d')
	default:
		ok = len(key) == 0 || key[len(key)-1] != '_'
	}
	return ok
}

// once notes the kind of value; a record may have one only.
func (e *entry) once(kind byte) bool {
	first := e.kind == 0
	e.kind = kind
	return first
}

func stringOf(raw []byte) (string, bool) {
	if raw[0] != '"' {
		return "", false
	}
	return text(raw), true
}

// SenMLName reports whether a resolved name keeps to section 4.5.1.
func SenMLName(s string) bool {
	for i := 0; i < len(s); i++ {
		c := s[i]
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !letter && (i == 0 || c != '-' && c != ':' && c != '.' && c != '/' && c != '_') {
			return false
		}
	}
	return s != ""
}

// senmlUnit gives our symbol for units of the SenML registry (RFC 8428
// section 12.1 and the secondary units of RFC 8798). The rest are spelled alike.
func senmlUnit(u string) string {
	switch u {
	case "Cel":
		return "C"
	case "/":
		return "1"
	}
	return u
}

// pack reads a SenML pack for the topic's points that are matched by name.
func (d *dispatch) pack(rs []sensors.Reading, m message, now time.Time) []sensors.Reading {
	reason, records := "", []record(nil)
	if len(m.payload) > longestPack {
		reason = sensors.ReasonOversize
	} else {
		var err error
		if records, err = resolve(m.payload, now); err != nil {
			reason = sensors.ReasonGarbage
		}
	}
	of := d.names.sort(records)
	rs = slices.Grow(rs, len(records)) // mostly each is a reading
	for _, f := range d.feeds {
		switch {
		case f.format != senml:
		case reason != "":
			rs = append(rs, failed(f, reason))
		default:
			rs = f.take(rs, of, m)
		}
	}
	return rs
}

// names numbers the names that a topic's points wait for, so that a pack is
// gone through once and not once a point.
type names map[string]int

func (n names) add(name string) {
	if _, there := n[name]; !there && name != "" {
		n[name] = len(n)
	}
}

// sorted are a pack's records by name.
type sorted struct {
	names   names
	records []record
	first   []int32 // of each name: index into records; -1: none
	next    []int32 // of each record: the next of its name; -1: none
}

func (n names) sort(records []record) sorted {
	s := sorted{n, records, make([]int32, len(n)), make([]int32, len(records))}
	for i := range s.first {
		s.first[i] = -1
	}
	for i := len(records) - 1; i >= 0; i-- {
		if id, wanted := n[records[i].name]; wanted {
			s.next[i] = s.first[id]
			s.first[id] = int32(i)
		}
	}
	return s
}

// each visits the records of a name in their order.
func (s *sorted) each(name string, visit func(*record)) {
	id, wanted := s.names[name]
	if !wanted {
		return
	}
	for i := s.first[id]; i >= 0; i = s.next[i] {
		visit(&s.records[i])
	}
}

// take appends the readings of one point. Records of the point's name but of
// another quantity are left out, since a device may put several under one name;
// only where there are no others do they fail the point.
func (f *feed) take(rs []sensors.Reading, pack sorted, m message) []sensors.Reading {
	low := f.packBattery(pack)
	from, stranger := len(rs), sensors.Reading{}
	pack.each(f.name, func(rec *record) {
		if rec.unit == "%EL" {
			return
		}
		r := f.mark(f.recordReading(rec, m, low), m)
		if r.Health.Reason == sensors.ReasonUnit {
			stranger = r
			return
		}
		rs = append(rs, r)
	})
	if len(rs) == from && stranger.Point != "" {
		rs = append(rs, stranger)
	}
	return rs
}

func (f *feed) recordReading(rec *record, m message, low bool) sensors.Reading {
	r := failed(f, sensors.ReasonNotANumber) // a text, data or a sum where a value should be
	if rec.kind == 'v' || rec.kind == 'b' && f.Quantity == sensors.Contact {
		r = f.reading(rec.value, senmlUnit(rec.unit))
	}
	// A time relative to reception says nothing more than reception does where
	// it is zero, and nothing at all in a message that is old.
	if !rec.relative || rec.offset != 0 && m.old() == "" {
		r.Own = rec.ms
	}
	if low && r.Health.Grade == sensors.Good {
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}
	}
	return r
}

// packBattery reports whether the pack tells a low battery: a record of the
// name set, or one of the point's name in the unit %EL.
func (f *feed) packBattery(pack sorted) (low bool) {
	look := func(rec *record) {
		if rec.kind == 'v' {
			l, known := f.batteryState(rec.value, senmlUnit(rec.unit), true)
			low = l && known
		}
	}
	pack.each(f.name, func(rec *record) {
		if rec.unit == "%EL" {
			look(rec)
		}
	})
	if f.batteryName != f.name {
		pack.each(f.batteryName, look)
	}
	return low
}
