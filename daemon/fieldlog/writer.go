package fieldlog

import (
	"bufio"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
)

// Writer prints rows: CSV of seven columns, or one JSON object a line.
type Writer struct {
	out   *bufio.Writer
	json  bool
	begun bool
	line  []byte
}

// NewWriter writes CSV.
func NewWriter(out io.Writer) *Writer { return &Writer{out: bufio.NewWriterSize(out, 64<<10)} }

// NewJSONWriter writes one object a line, with the columns of the CSV as keys;
// value is a number, and absent where there is none.
func NewJSONWriter(out io.Writer) *Writer {
	w := NewWriter(out)
	w.json = true
	return w
}

// Write prints one row. It is buffered until Flush.
func (w *Writer) Write(row Row) error {
	if !w.begun && !w.json {
		w.line = append(w.line[:0], header+",known\n"...)
		if _, err := w.out.Write(w.line); err != nil {
			return err
		}
	}
	w.begun = true
	if !row.HasKnown {
		row.Known = row.Time
	}
	if w.json {
		w.line = appendJSON(w.line[:0], row)
	} else {
		w.line = appendCSV(w.line[:0], row)
	}
	_, err := w.out.Write(w.line)
	return err
}

// Flush writes out what is buffered, and the header where there was no row.
func (w *Writer) Flush() error {
	if !w.begun && !w.json {
		w.begun = true
		if _, err := w.out.WriteString(header + ",known\n"); err != nil {
			return err
		}
	}
	return w.out.Flush()
}

func appendCSV(b []byte, row Row) []byte {
	b = appendTime(b, row.Time)
	b = append(b, ',')
	b = appendField(b, row.Kind)
	b = append(b, ',')
	b = appendField(b, stepName(row.System, row.Name))
	b = append(b, ',')
	if row.HasValue {
		b = appendNumber(b, row.Value)
	}
	b = append(b, ',')
	b = appendField(b, row.Unit)
	b = append(b, ',')
	b = appendField(b, row.Note)
	b = append(b, ',')
	b = appendTime(b, row.Known)
	return append(b, '\n')
}

// appendNumber writes the shortest plain decimal that is read back as the same number.
func appendNumber(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) { // no row has one; a log that cannot be read back would be worse than none
		return b
	}
	return strconv.AppendFloat(b, v+0, 'f', -1, 64)
}

// appendField quotes where RFC 4180 needs it. What could not be read back (it
// can only come from outside, in a mark) is shown as a replacement character.
func appendField(b []byte, s string) []byte {
	s = clean(s)
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(b, s...)
	}
	b = append(b, '"')
	b = append(b, strings.ReplaceAll(s, `"`, `""`)...)
	return append(b, '"')
}

func clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if strings.IndexByte(s, 0) >= 0 {
		s = strings.ReplaceAll(s, "\x00", "\uFFFD")
	}
	return s
}

func appendJSON(b []byte, row Row) []byte {
	text := func(key, s string) {
		b = append(b, `,"`+key+`":`...)
		q, err := json.Marshal(clean(s))
		if err != nil { // a string can always be written
			panic(err)
		}
		b = append(b, q...)
	}
	b = append(b, `{"time":"`...)
	b = appendTime(b, row.Time)
	b = append(b, '"')
	text("kind", row.Kind)
	text("name", stepName(row.System, row.Name))
	if row.HasValue && !math.IsNaN(row.Value) && !math.IsInf(row.Value, 0) {
		b = append(b, `,"value":`...)
		b = appendNumber(b, row.Value)
	}
	text("unit", row.Unit)
	text("note", row.Note)
	b = append(b, `,"known":"`...)
	b = appendTime(b, row.Known)
	return append(b, "\"}\n"...)
}
