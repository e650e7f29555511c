package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// A line is one entry as the chain hashes it: a JSON array and a line feed,
//
//	[seq,boot,ms,"told",{...}]
//	[seq,boot,ms,"measured","point","quantity",counts,taken]
//
// the first with a mark's, start's or anchor's text as it was stored, the
// second with whole counts of what the quantity fixes, null where the reading
// failed, and where anything is odd an object of its health, reason, own
// sequence number and own time behind it. Batches, blocks, the ids of points
// and later anchors leave no trace in it.
const lineMeasured = "measured"

// Line is an entry read back from a line.
type Line struct {
	rules.Entry
	Quantity sensors.Quantity // of a reading
}

// odd is what most readings have nothing of.
type odd struct {
	Health string `json:"health,omitempty"`
	Reason string `json:"reason,omitempty"`
	Seq    *int64 `json:"seq,omitempty"` // the bits of a uint64
	Own    int64  `json:"own,omitempty"`
}

func appendPlace(b []byte, e rules.Entry) []byte {
	b = strconv.AppendUint(append(b, '['), e.Seq, 10)
	b = strconv.AppendUint(append(b, ','), uint64(e.At.Boot), 10)
	b = strconv.AppendInt(append(b, ','), e.At.Since.Milliseconds(), 10)
	return append(b, ',')
}

// appendText writes a JSON string.
func appendText(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			text, _ := json.Marshal(s) // a string always can be written
			return append(b, text...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

func appendReading(b []byte, e rules.Entry, m *rules.Measured, q sensors.Quantity) []byte {
	b = append(appendPlace(b, e), `"`+lineMeasured+`",`...)
	b = append(appendText(b, m.Point), ',')
	b = append(appendText(b, q.String()), ',')
	if m.Health.Grade == sensors.Failed {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendInt(b, q.Counts(m.Value), 10)
	}
	b = strconv.AppendInt(append(b, ','), m.Taken.Milliseconds(), 10)
	if m.Health != (sensors.Health{}) || m.HasSeq || m.Own != 0 {
		o := odd{Reason: m.Health.Reason, Own: m.Own}
		if m.Health.Grade != sensors.Good {
			o.Health = m.Health.Grade.String()
		}
		if m.HasSeq {
			seq := int64(m.Seq)
			o.Seq = &seq
		}
		text, _ := json.Marshal(o) // strings and numbers always can be written
		b = append(append(b, ','), text...)
	}
	return append(b, ']', '\n')
}

func appendEvent(b []byte, e rules.Entry, kind, text string) []byte {
	b = appendText(appendPlace(b, e), kind)
	b = append(append(b, ','), text...)
	return append(b, ']', '\n')
}

var errLine = errors.New("it is no line that a standwatch wrote")

// ReadLine reads a line back, its line feed included. Only what would be
// written again byte by byte is read.
func ReadLine(b []byte) (l Line, err error) {
	in := lineInput{b: b}
	in.skip('[')
	l.Seq = uint64(in.integer())
	in.skip(',')
	boot := in.integer()
	l.At.Boot = uint32(boot)
	in.skip(',')
	l.At.Since = milliseconds(in.integer())
	in.skip(',')
	kind := in.text()
	in.skip(',')
	if in.bad || boot != int64(l.At.Boot) || len(b) < 2 || string(b[len(b)-2:]) != "]\n" {
		return l, errLine
	}
	if kind == lineMeasured {
		return l, l.reading(&in)
	}
	switch kind {
	case told:
		l.Body = new(rules.Told)
	case started:
		l.Body = new(rules.Started)
	case clocked:
		l.Body = new(rules.Clocked)
	default:
		return l, fmt.Errorf("it is of a kind %q that this standwatch does not know", kind)
	}
	text := b[in.i : len(b)-2]
	if err := json.Unmarshal(text, l.Body); err != nil {
		return l, fmt.Errorf("%w (%w)", errLine, err)
	}
	return l, orNoLine(string(appendEvent(nil, l.Entry, kind, string(text))) == string(b))
}

func orNoLine(good bool) error {
	if good {
		return nil
	}
	return errLine
}

func milliseconds(ms int64) time.Duration { return time.Duration(ms) * time.Millisecond }

func (l *Line) reading(in *lineInput) error {
	m := new(rules.Measured)
	l.Body = m
	m.Point = in.text()
	in.skip(',')
	q, ok := sensors.QuantityOf(in.text())
	if !ok || in.bad {
		return errLine
	}
	l.Quantity = q
	in.skip(',')
	failed := in.null()
	if !failed {
		m.Value = q.FromCounts(in.integer())
	}
	in.skip(',')
	m.Taken = milliseconds(in.integer())
	if in.i < len(in.b) && in.b[in.i] == ',' {
		var o odd
		if err := json.Unmarshal(in.b[in.i+1:len(in.b)-2], &o); err != nil {
			return fmt.Errorf("%w (%w)", errLine, err)
		}
		m.Health.Reason, m.Own = o.Reason, o.Own
		if o.Seq != nil {
			m.Seq, m.HasSeq = uint64(*o.Seq), true
		}
		switch o.Health {
		case "":
		case sensors.Suspect.String():
			m.Health.Grade = sensors.Suspect
		case sensors.Failed.String():
			m.Health.Grade = sensors.Failed
		default:
			return errLine
		}
	}
	if in.bad || failed != (m.Health.Grade == sensors.Failed) {
		return errLine
	}
	return orNoLine(string(appendReading(nil, l.Entry, m, q)) == string(in.b))
}

// lineInput reads the parts of a line. After a fault bad is set.
type lineInput struct {
	b   []byte
	i   int
	bad bool
}

func (in *lineInput) skip(c byte) {
	if in.i >= len(in.b) || in.b[in.i] != c {
		in.bad = true
		return
	}
	in.i++
}

func (in *lineInput) null() bool {
	if len(in.b)-in.i < 4 || string(in.b[in.i:in.i+4]) != "null" {
		return false
	}
	in.i += 4
	return true
}

func (in *lineInput) integer() int64 {
	from := in.i
	for in.i < len(in.b) && (in.b[in.i] == '-' || in.b[in.i] >= '0' && in.b[in.i] <= '9') {
		in.i++
	}
	n, err := strconv.ParseInt(string(in.b[from:in.i]), 10, 64)
	in.bad = in.bad || err != nil
	return n
}

func (in *lineInput) text() string {
	from := in.i
	in.skip('"')
	plain := true
	for in.i < len(in.b) && in.b[in.i] != '"' {
		if in.b[in.i] == '\\' {
			plain = false
			in.i++
		}
		in.i++
	}
	in.skip('"')
	if in.bad {
		return ""
	}
	if plain {
		return string(in.b[from+1 : in.i-1])
	}
	var s string
	in.bad = json.Unmarshal(in.b[from:in.i], &s) != nil
	return s
}
