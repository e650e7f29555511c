package fieldlog

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// longest is the longest record that is read: a note may be long, a file
// without line ends must not fill the memory.
const longest = 1 << 20

const header = "time,kind,name,value,unit,note"

// The columns, in the order of the header.
const (
	inTime = iota
	inKind
	inName
	inValue
	inUnit
	inNote
	inKnown
	columns
)

// Reader reads one field log, row by row, and checks each against the site.
type Reader struct {
	file   string
	in     *bufio.Reader
	line   int  // of the record read last, from 1
	ahead  int  // further lines the record had
	begun  bool // the header was read
	width  int  // columns: 6 or 7
	n      int  // columns of the record
	cut    bool // the record is the file's last and has no line end
	record []byte
	fields [columns]field
	points map[string]sensors.Point
	steps  []string
	site   rules.Site
	notes  map[string]string // reasons come again and again
	date   [10]byte
	dateMs int64
	ended  bool // there is no more, or the file cannot be read on
}

type field struct {
	text []byte
	at   int // in the record
}

// NewReader reads a log that stands in the file named. The site says which
// points, units and steps there are.
func NewReader(in io.Reader, file string, site rules.Site) *Reader {
	r := &Reader{
		file: file, in: bufio.NewReaderSize(in, 64<<10), site: site, steps: rules.StepNames(),
		points: make(map[string]sensors.Point, len(site.Points)), notes: map[string]string{},
	}
	for _, p := range site.Points {
		r.points[p.Name] = p
	}
	return r
}

// Next returns the next row, in SI. The error is io.EOF at the end, else a
// sensors.Fault. After a fault of one row Next may be called again to find the
// next; a fault of the whole file comes once, and then io.EOF.
func (r *Reader) Next() (Row, error) {
	if r.ended {
		return Row{}, io.EOF
	}
	if !r.begun {
		r.begun = true
		if err := r.readHeader(); err != nil {
			r.ended = true
			return Row{}, r.last(err)
		}
	}
	for {
		if err := r.next(); err != nil {
			return Row{}, r.last(err)
		}
		if len(r.record) > 0 {
			return r.row()
		}
	}
}

// last notes that there is nothing to be read after an error, where that is so.
func (r *Reader) last(err error) error {
	var f fatal
	if errors.As(err, &f) {
		r.ended = true
		return f.Fault
	}
	r.ended = r.ended || err == io.EOF
	return err
}

// fatal is a fault after which the lines cannot be told apart any more.
type fatal struct{ sensors.Fault }

func (r *Reader) readHeader() error {
	for _, packed := range []struct{ begins, is, want string }{
		{"\x1f\x8b", "a compressed file", "unpack it first: gzip -d"}, // RFC 1952
		{"PK\x03\x04", "a zip archive or a spreadsheet program's own file", "unpack it, or save the table as CSV, UTF-8"},
		{"\xff\xfe", "UTF-16", "save the log as CSV, UTF-8"}, // Unicode's byte order mark, either way round
		{"\xfe\xff", "UTF-16", "save the log as CSV, UTF-8"},
	} {
		if at, _ := r.in.Peek(len(packed.begins)); string(at) == packed.begins {
			return fatal{sensors.Fault{File: r.file, Line: 1, Column: 1, Problem: "this is " + packed.is + ", and a field log is plain text in UTF-8", Want: packed.want}}
		}
	}
	err := r.next()
	for err == nil && len(r.record) == 0 {
		err = r.next()
	}
	want := "the first line is " + header + ", and perhaps ,known"
	if err == io.EOF {
		return sensors.Fault{File: r.file, Line: 1, Column: 1, Problem: "the log is empty", Want: want}
	}
	if err != nil {
		return err
	}
	names := make([]string, 0, columns) // by their texts: programs that quote every value quote these, too
	for _, f := range r.fields[:min(r.n, columns)] {
		names = append(names, string(f.text))
	}
	switch is := strings.Join(names, ","); {
	case is == header && r.n == columns-1, is == header+",known" && r.n == columns:
		r.width = r.n
	case r.n == 1 && strings.NewReplacer(";", ",", "\t", ",").Replace(is) == header:
		return r.fault(0, "the columns are separated by semicolons or tabs", "separate them by commas (RFC 4180); a number has a decimal point")
	default:
		return r.fault(0, "the first line is not a field log's header", want)
	}
	return nil
}

// fault makes a fault at an offset in the record.
func (r *Reader) fault(at int, problem, want string) error {
	before := r.record[:min(at, len(r.record))]
	line := r.line + bytes.Count(before, []byte("\n"))
	before = before[bytes.LastIndexByte(before, '\n')+1:]
	return sensors.Fault{File: r.file, Line: line, Column: 1 + utf8.RuneCount(before), Problem: problem, Want: want}
}

func (r *Reader) fail(i int, problem, want string) (Row, error) {
	return Row{}, r.fault(r.fields[i].at, problem, want)
}

// next reads one record and splits it; an empty line gives an empty record.
func (r *Reader) next() error {
	r.line += 1 + r.ahead
	r.ahead = 0
	var err error
	if r.record, err = r.readLine(nil); err != nil {
		return err
	}
	r.cut = !bytes.HasSuffix(r.record, []byte("\n"))
	if r.line == 1 {
		r.record = bytes.TrimPrefix(r.record, []byte("\ufeff"))
	}
	if bytes.IndexByte(r.record, '"') < 0 {
		r.record = trimEnd(r.record)
		if err := r.check(); err != nil {
			return err
		}
		return r.split()
	}
	return r.splitQuoted()
}

// readLine reads one line with its end, behind what is held already. Without
// that, the result is valid until the next line is read.
func (r *Reader) readLine(held []byte) ([]byte, error) {
	part, err := r.in.ReadSlice('\n')
	if held == nil && (err == nil || err == io.EOF && len(part) > 0) {
		return part, nil
	}
	held = append(held, part...)
	for err == bufio.ErrBufferFull && len(held) <= longest {
		part, err = r.in.ReadSlice('\n')
		held = append(held, part...)
	}
	switch {
	case len(held) > longest:
		return nil, r.unreadable(fmt.Sprintf("a row of more than %d bytes", longest), "look for a missing line end or a quote that was not closed")
	case err == nil, err == io.EOF && len(part) > 0:
		return held, nil
	case err == io.EOF:
		return nil, io.EOF
	}
	var p *fs.PathError
	if errors.As(err, &p) { // its file is named by the fault
		err = p.Err
	}
	return nil, r.unreadable(err.Error(), "give a log that can be read")
}

func (r *Reader) unreadable(problem, want string) error {
	return fatal{sensors.Fault{File: r.file, Line: r.line + r.ahead, Column: 1, Problem: problem, Want: want}}
}

func trimEnd(b []byte) []byte {
	return bytes.TrimSuffix(bytes.TrimSuffix(b, []byte("\n")), []byte("\r"))
}

// check refuses what is not text.
func (r *Reader) check() error {
	if i := bytes.IndexByte(r.record, 0); i >= 0 {
		return r.fault(i, "a NUL character", "a field log is plain text; was the file cut off by a power loss?")
	}
	if utf8.Valid(r.record) {
		return nil
	}
	for i := 0; i < len(r.record); {
		c, n := utf8.DecodeRune(r.record[i:])
		if c == utf8.RuneError && n == 1 {
			return r.fault(i, fmt.Sprintf("the byte 0x%02X is not UTF-8 text", r.record[i]), "save the log as UTF-8")
		}
		i += n
	}
	return nil
}

// split cuts a record without quotes.
func (r *Reader) split() error {
	if len(r.record) == 0 {
		return nil
	}
	n, from := 0, 0
	for from <= len(r.record) {
		to := bytes.IndexByte(r.record[from:], ',')
		if to < 0 {
			to = len(r.record)
		} else {
			to += from
		}
		if n < columns {
			r.fields[n] = field{r.record[from:to], from}
		}
		n++
		from = to + 1
	}
	return r.counted(n)
}

func (r *Reader) counted(n int) error {
	r.n = n
	switch {
	case r.width == 0 || n == r.width:
		return nil
	case r.cut && n < r.width: // a power cut, or a copy that was not finished
		return r.fault(0, fmt.Sprintf("the last row is cut off: it has no line end, and %d of its %d columns", n, r.width), cutOff)
	}
	want := `quote a value that holds a comma: "a, b"`
	if n < r.width {
		want = "write all of them, and nothing between its commas where there is none"
	}
	return r.fault(0, fmt.Sprintf("columns: %d here, %d in the header", n, r.width), want)
}

const cutOff = "delete it, or write it whole; look whether the log was copied to its end"

// unclosed is the fault of a quote, at an offset, that the file's end leaves open.
func (r *Reader) unclosed(at int) error {
	want := "close it before the next comma or line end"
	if r.ahead == 0 { // in the file's last line
		want += "; if the file was cut off there: " + cutOff
	}
	return r.fault(at, "a quote that is not closed", want)
}

// splitQuoted cuts a record with quotes (RFC 4180): it may go on over several
// lines, and a quote inside quotes is doubled.
func (r *Reader) splitQuoted() error {
	r.record = bytes.Clone(r.record) // it may grow, and the line's own room is used for the next
	n, at := 0, 0
	for {
		text, next, err := r.cutField(at)
		if err != nil {
			return err
		}
		if n < columns {
			r.fields[n] = field{text, at}
		}
		n++
		if next < 0 {
			break
		}
		at = next
	}
	if err := r.check(); err != nil {
		return err
	}
	return r.counted(n)
}

// cutField cuts the field that begins at an offset; next is where the one
// after begins, or -1.
func (r *Reader) cutField(at int) (text []byte, next int, err error) {
	if at >= len(r.record) || r.record[at] != '"' {
		text = r.record[at:]
		next = -1
		if i := bytes.IndexByte(text, ','); i >= 0 {
			text, next = text[:i], at+i+1
		} else {
			text = trimEnd(text)
		}
		if i := bytes.IndexByte(text, '"'); i >= 0 {
			return nil, 0, r.fault(at+i, "a quote inside a value that does not begin with one", `put the whole value in quotes and double those inside: "5/8"" pipe"`)
		}
		return text, next, nil
	}
	for i := at + 1; ; {
		j := bytes.IndexByte(r.record[i:], '"')
		if j < 0 {
			i = len(r.record)
			if r.record[i-1] != '\n' { // the end of the file
				return nil, 0, r.unclosed(at)
			}
			if err := r.more(at); err != nil {
				return nil, 0, err
			}
			continue
		}
		i += j
		rest := r.record[i+1:]
		switch {
		case len(rest) > 0 && rest[0] == '"':
			text = append(text, '"') // marks that there is something to undouble
			i += 2
			continue
		case len(rest) > 0 && rest[0] == ',':
			next = i + 2
		case len(trimEnd(rest)) == 0:
			next = -1
		default:
			return nil, 0, r.fault(i+1, "text after the closing quote", "the quote closes just before a comma or the line end; double a quote inside")
		}
		inside := r.record[at+1 : i]
		if text != nil {
			inside = bytes.ReplaceAll(inside, []byte(`""`), []byte(`"`))
		}
		return inside, next, nil
	}
}

// more appends the next line to a record whose quoted field, begun at an
// offset, goes on. What was cut already stays where it is.
func (r *Reader) more(at int) error {
	r.ahead++
	longer, err := r.readLine(r.record)
	if err == io.EOF {
		return r.unclosed(at)
	}
	if err != nil {
		return err
	}
	r.record, r.cut = longer, !bytes.HasSuffix(longer, []byte("\n"))
	return nil
}

// A mistyped year moves time on by as much, and durations are counted in
// nanoseconds, which 292 years fill. A box that does not know the year begins in 1970.
const yearsTaken = "a log goes from 1970 to 2199; mend the year"

var dateless = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

func dated(ms int64) bool { return ms >= 0 && ms < dateless }

// row checks a record's fields and converts them.
func (r *Reader) row() (Row, error) {
	var row Row
	var ok bool
	if row.Time, ok = r.time(r.fields[inTime].text); !ok {
		return r.fail(inTime, fmt.Sprintf("%q is not a time", short(r.fields[inTime].text)), "write RFC 3339, such as 2026-03-14T22:05:00Z or 2026-03-14T22:05:00.250+01:00")
	} else if !dated(row.Time) {
		return r.fail(inTime, fmt.Sprintf("%q is no time of a job", r.fields[inTime].text), yearsTaken)
	}
	if r.width == columns && len(r.fields[inKnown].text) > 0 {
		row.HasKnown = true
		if row.Known, ok = r.time(r.fields[inKnown].text); !ok {
			return r.fail(inKnown, fmt.Sprintf("%q is not a time", short(r.fields[inKnown].text)), "write RFC 3339, or nothing")
		} else if !dated(row.Known) {
			return r.fail(inKnown, fmt.Sprintf("%q is no time of a job", r.fields[inKnown].text), yearsTaken)
		}
	}
	if v := r.fields[inValue].text; len(v) > 0 {
		if row.Value, ok = number(v); !ok {
			return r.fail(inValue, fmt.Sprintf("%q is not a number", short(v)), "write a plain decimal; where the instrument gave none, nothing, and the reason in note")
		}
		row.HasValue = true
	}
	if string(r.fields[inKind].text) == Reading {
		return r.reading(row)
	}
	row.Note = string(r.fields[inNote].text)
	return r.told(row)
}

// reading completes a reading's row.
func (r *Reader) reading(row Row) (Row, error) {
	row.Kind = Reading
	p, ok := r.points[string(r.fields[inName].text)]
	if !ok {
		name := string(r.fields[inName].text)
		var known []string
		for _, p := range r.site.Points {
			known = append(known, p.Name)
		}
		return r.fail(inName, fmt.Sprintf("there is no point %q on the site", name), sensors.Known(name, known, "add it to the site file"))
	}
	row.Name = p.Name
	if note := r.fields[inNote].text; len(note) > 0 {
		if row.Note, ok = r.notes[string(note)]; !ok {
			row.Note = string(note)
			if len(r.notes) < 1000 {
				r.notes[row.Note] = row.Note
			}
		}
	}
	unit := p.Unit
	if u := r.fields[inUnit].text; len(u) > 0 && string(u) != unit {
		unit = string(u)
		if _, err := p.Quantity.ToSI(0, unit); err != nil {
			return r.fail(inUnit, err.Error(), "")
		}
	}
	if !row.HasValue {
		row.Note = row.health().Reason
		return row, nil
	}
	m := p.Quantity.Reading(p.Name, row.Value, unit)
	row.Value, row.Unit = m.Value, p.Quantity.SI()
	if m.Health.Grade == sensors.Failed { // the value cannot be one of the quantity
		row.HasValue, row.Unit, row.Note = false, "", m.Health.Reason
	}
	return row, nil
}

// told completes the row of what a person told the box.
func (r *Reader) told(row Row) (Row, error) {
	name := string(r.fields[inName].text)
	row.Kind, row.Name, row.Unit = string(r.fields[inKind].text), name, string(r.fields[inUnit].text)
	if !row.HasValue && row.Unit != "" {
		return r.fail(inUnit, "a unit without a value", "give the value, or no unit")
	}
	row.toSI()
	if math.IsInf(row.Value, 0) {
		return r.fail(inValue, "in SI this is more than a number can hold", "look for a slip in the exponent or the unit")
	}
	switch row.Kind {
	case Begin, End:
		return r.step(row)
	case Command:
		return r.command(row)
	case Mark:
		if name == "" {
			return r.fail(inName, "a mark without a name", "name it, such as note or cylinder-swapped")
		}
		if name == weight && row.Unit != "kg" {
			return r.fail(inValue, "cylinder-weight needs a mass", "write the value and its unit: "+strings.Join(sensors.Masses.Units(), ", "))
		}
		return row, nil
	}
	kinds := []string{Reading, Begin, End, Command, Mark}
	return r.fail(inKind, fmt.Sprintf("there is no kind %q", row.Kind), sensors.Known(row.Kind, kinds, ""))
}

func (r *Reader) step(row Row) (Row, error) {
	system, step := cutStep(r.site, row.Name)
	if len(r.steps) > 0 && !slices.Contains(r.steps, step) {
		return r.fail(inName, fmt.Sprintf("there is no step %q", step), sensors.Known(step, r.steps, ""))
	}
	var known []string
	for _, s := range r.site.Systems {
		known = append(known, s.Name)
	}
	if !slices.Contains(known, system) && (system != "" || len(known) > 1) {
		if system == "" {
			return r.fail(inName, fmt.Sprintf("%s of which system?", step), "write system/step, the system one of "+strings.Join(known, ", "))
		}
		return r.fail(inName, fmt.Sprintf("there is no system %q", system), sensors.Known(system, known, "add it to the site file"))
	}
	row.System, row.Name = system, step
	return row, nil
}

func (r *Reader) command(row Row) (Row, error) {
	var known []string
	for _, s := range r.site.Systems {
		for _, u := range s.Units {
			known = append(known, u.Name)
		}
	}
	if !slices.Contains(known, row.Name) {
		return r.fail(inName, fmt.Sprintf("there is no indoor unit %q", row.Name), sensors.Known(row.Name, known, "add it to the site file"))
	}
	if !slices.Contains(commands, row.Note) {
		return r.fail(inNote, fmt.Sprintf("%q is not a command", row.Note), sensors.Known(row.Note, commands, ""))
	}
	return row, nil
}

// short is a text as a fault shows it: its place is named, so that its begin will do.
func short(text []byte) string {
	const most = 60
	if utf8.RuneCount(text) <= most {
		return string(text)
	}
	return string([]rune(string(text))[:most]) + "..."
}

// number reads a plain decimal, with or without exponent; nothing that a
// person would not write.
func number(b []byte) (float64, bool) {
	for _, c := range b {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	return v, err == nil && !math.IsInf(v, 0)
}
