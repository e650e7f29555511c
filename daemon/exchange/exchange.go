// Package exchange reads the lists that installers send: take-offs and unit
// lists as CSV, in their own column names, units and number styles. Nothing is
// guessed in silence and nothing is lost: every line is understood, named as a
// heading, blank or a total, or told with what is wrong. It writes the take-off
// and the site file's lists, and records nothing itself.
package exchange

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// What a list may be of.
const (
	TakeOff = "takeoff"
	Units   = "units"
)

// Options are what who imports says, where the list itself does not.
type Options struct {
	LengthUnit   string // m, ft, ...
	DiameterUnit string // mm or in
	Decimal      string // point or comma
	Line         string // of all rows: liquid, suction or hot-gas
	Columns      []Named
	LeaveOut     []int // lines that are to be left out
}

// Named says what a column is: by its heading, or by its number, such as #3.
type Named struct{ Meaning, Heading string }

// State is what a line was taken for.
type State string

// The states of lines.
const (
	Understood    State = "understood"
	Waits         State = "waits for an answer"
	NotUnderstood State = "not understood"
	LeftOut       State = "left out as you said"
	Title         State = "title"
	Heading       State = "heading"
	Total         State = "total, left out"
	Blank         State = "blank"
)

// Line is a line of the list, or a row that goes over several.
type Line struct {
	From, To int
	State    State
	Text     string // as it stands
	Runs     []rules.Run
	Units    []Unit
	Faults   []sensors.Fault
	Remarks  []string

	asks    []Question
	lengths []measured
}

// measured is a length with the column that it stands in.
type measured struct {
	column int
	line   string
	metres float64
}

// Column is how a column was understood.
type Column struct {
	Number  int // the first is 1
	Heading string
	Meaning string // empty: not used
	Line    string // the kind of line that it is of, where the heading says so
	Unit    string // that its heading tells
	Remark  string

	decimal string
}

// Question is what has to be answered before the list can be taken.
type Question struct {
	Option  string // that answers it
	Problem string
	Want    string
	Say     string // the option as it is written on the command line
}

// Preview is how a list was read.
type Preview struct {
	File, Kind  string
	Text        string // as letters, its lines ended alike
	Encoding    string
	Separator   string
	HeadingLine int // 0: none
	Columns     []Column
	Lines       []Line
	Questions   []Question
	Remarks     []string // of the whole list
}

// Runs are the rows of the take-off that were understood.
func (p Preview) Runs() (all []rules.Run) {
	for _, l := range p.Lines {
		if l.State == Understood {
			all = append(all, l.Runs...)
		}
	}
	return all
}

// Count is how many lines were taken for what.
func (p Preview) Count(s State) (n int) {
	for _, l := range p.Lines {
		if l.State == s {
			n += l.To - l.From + 1
		}
	}
	return n
}

// Complete reports whether all that is in the list was understood, or left out
// by who imports it.
func (p Preview) Complete() bool {
	return p.Count(NotUnderstood) == 0 && p.Count(Waits) == 0 && len(p.Questions) == 0 && (len(p.Runs()) > 0 || len(p.AllUnits()) > 0)
}

// Faults are what is wrong, line by line.
func (p Preview) Faults() (all []sensors.Fault) {
	for _, l := range p.Lines {
		if l.State == NotUnderstood {
			all = append(all, l.Faults...)
		}
	}
	return all
}

// Read reads a list. An error says that it is no list at all, or that the
// options cannot be meant.
func Read(file string, data []byte, kind string, o Options) (Preview, error) {
	p := Preview{File: file, Kind: kind}
	fail := func(err error) (Preview, error) {
		return p, sensors.Fault{File: file, Line: 1, Column: 1, Problem: err.Error()}
	}
	v, err := readVocabulary()
	if err != nil {
		return fail(err)
	}
	if err := o.check(v, kind); err != nil {
		return p, err
	}
	text, encoding, err := decode(data)
	if err != nil {
		return fail(err)
	}
	p.Encoding = encoding
	text = lineBreaks(text)
	p.Text = text
	if n := strings.Count(text, "\n"); n > mostLines {
		return fail(fmt.Errorf("the list has more than %d lines; import it in parts", mostLines))
	}
	r := reader{v: v, o: o, kind: kind, p: &p}
	sep, rest := r.separator(text)
	r.rows, p.Separator = rest, sep
	r.read()
	if o.Decimal != "" {
		p.Remarks = append(p.Remarks, "decimal "+o.Decimal+", as you said")
	}
	return p, nil
}

// check refuses what cannot be meant.
func (o Options) check(v vocabulary, kind string) error {
	for _, u := range []struct{ option, text string }{{"--length-unit", o.LengthUnit}, {"--diameter-unit", o.DiameterUnit}} {
		if u.text != "" && scaleOf(u.text) == 0 {
			return fmt.Errorf("%s: %q is no unit of length; write m, ft, mm or in", u.option, u.text)
		}
	}
	if o.Decimal != "" && o.Decimal != decimalPoint && o.Decimal != decimalComma {
		return fmt.Errorf("--decimal: %q; write point or comma", o.Decimal)
	}
	if o.Line != "" && !slices.Contains(rules.RunLines, o.Line) {
		return fmt.Errorf("--line: %q is not a kind of line; write %s", o.Line, strings.Join(rules.RunLines, ", "))
	}
	for _, c := range o.Columns {
		if meaning, line := ofLine(c.Meaning); !slices.Contains(meaningsOf(kind), meaning) || line != "" && !slices.Contains(rules.RunLines, line) {
			return fmt.Errorf("--columns: %q is no column; known here: %s", c.Meaning, strings.Join(meaningsOf(kind), ", "))
		}
	}
	return nil
}

// ParseColumns reads what a column is: length=Rohrlänge,outside_diameter=#3,liquid-length=Fl.
func ParseColumns(text string) (all []Named, err error) {
	for part := range strings.SplitSeq(text, ",") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		meaning, heading, ok := strings.Cut(part, "=")
		if !ok || strings.TrimSpace(heading) == "" {
			return nil, fmt.Errorf("%q: write what the column is, =, and its heading or number: length=Rohrlänge or length=#4", part)
		}
		all = append(all, Named{strings.TrimSpace(meaning), strings.TrimSpace(heading)})
	}
	return all, nil
}

// ofLine parts liquid-length into length and liquid.
func ofLine(meaning string) (string, string) {
	for _, l := range rules.RunLines {
		if m, ok := strings.CutPrefix(meaning, l+"-"); ok {
			return m, l
		}
	}
	return meaning, ""
}

// Meanings are what a column may be said to be: Named.Meaning.
func Meanings(kind string) (all []string) {
	all = slices.Clone(meaningsOf(kind))
	if kind == TakeOff {
		for _, line := range rules.RunLines {
			for _, m := range []string{"length", "outside_diameter", "wall", "factor"} {
				all = append(all, line+"-"+m)
			}
		}
	}
	return all
}

// The meanings that headings of a list can have. The first that a heading names governs.
func meaningsOf(kind string) []string {
	if kind == Units {
		return []string{"note", "room_volume", "port", "branch", "address", "capacity", "model", "room", "kind", "name"}
	}
	return []string{"note", "factor", "wall", "bore", "equivalent", "outside_diameter", "length", "pieces", "from", "to", "run", "line"}
}

// separators are tried in this order; the one by which most is understood counts.
var separators = []struct {
	sign rune
	name string
}{{';', "semicolon"}, {'\t', "tab"}, {'|', "bar"}, {',', "comma"}}

type reader struct {
	v    vocabulary
	o    Options
	kind string
	p    *Preview
	rows []record

	heading int // its place in rows; -1: none
	cols    []Column
	styles  []style // of each column
	section string  // the kind of line that the last section's heading names
	title   string  // the same of the title
	lastRun string

	sums, since map[int]float64    // metres of length columns, altogether and since the last total
	ofLine      map[string]float64 // metres of each kind of line
	twin        map[int]int        // the column that has a length column's figures in another unit
}

// separator finds what parts the cells.
func (r *reader) separator(text string) (name string, best []record) {
	most := -1.0
	for _, s := range separators {
		all := records(text, s.sign)
		at, score := r.findHeading(all)
		alike := 0
		width := 0
		if at >= 0 {
			width = len(all[at].fields)
		}
		for _, row := range all {
			if width > 1 && len(row.fields) == width {
				alike++
			}
		}
		got := float64(score) + float64(alike)/float64(len(all)+1)
		if at < 0 { // no heading: what parts most
			got = 0
			for _, row := range all {
				if len(row.fields) > 1 {
					got += 0.5 / float64(len(all)+1)
				}
			}
		}
		if got > most {
			most, best, name = got, all, s.name
			r.heading = at
		}
	}
	return name, best
}

const (
	headingWithin = 60 // lines
)

// findHeading is the row of headings that names most, and how many it names.
func (r *reader) findHeading(all []record) (at, score int) {
	at = -1
	for i, row := range all[:min(len(all), headingWithin)] {
		if n := r.headingScore(row); n > score {
			at, score = i, n
		}
	}
	return at, score
}

func (r *reader) headingScore(row record) int {
	said, named, needed, numbers := 0, 0, 0, 0
	for _, f := range row.fields {
		if f.text == "" {
			continue
		}
		said++
		if readNumber(f.text).asPoint || readNumber(f.text).asComma {
			numbers++
		}
		c := r.column(-1, f.text) // a number would name a column of every row
		if c.Meaning == "" && c.Line == "" {
			continue
		}
		named++
		switch {
		case r.kind == Units && slices.Contains([]string{"name", "address", "room", "model", "branch", "port"}, c.Meaning):
			needed++
		case r.kind == TakeOff && (c.Meaning == "length" || c.Meaning == "outside_diameter" || c.Meaning == "equivalent" || c.Meaning == "bore"):
			needed++
		case r.kind == TakeOff && c.Line != "" && c.Unit != "":
			needed++
		}
	}
	least := 2
	if r.kind == TakeOff {
		least = 1
	}
	if named < 2 || needed < least || numbers > 0 || named*5 < said*2 {
		return 0
	}
	return named + needed
}

// column reads a heading.
func (r *reader) column(i int, text string) Column {
	c := Column{Number: i + 1, Heading: text}
	c.Unit = r.v.unitIn(text)
	for _, n := range r.o.Columns {
		if n.Heading == "#"+strconv.Itoa(i+1) || text != "" && slices.Equal(plainWords(n.Heading), plainWords(text)) {
			c.Meaning, c.Line = ofLine(n.Meaning)
			c.Remark = "as you said"
			return c
		}
	}
	words := plainWords(text)
	if c.Unit != "" && len(words) > 1 && r.v.unit(words[len(words)-1]) == c.Unit { // Length in m; Liquid L
		words = words[:len(words)-1]
	}
	found := r.v.meanings(words, append(slices.Clone(meaningsOf(r.kind)), rules.RunLines...))
	for _, m := range meaningsOf(r.kind) {
		if slices.Contains(found, m) {
			c.Meaning = m
			break
		}
	}
	if r.kind == TakeOff {
		for _, l := range []string{"hot-gas", "liquid", "suction"} {
			if slices.Contains(found, l) {
				c.Line = l
				break
			}
		}
		if named := c.Meaning == "run" || c.Meaning == "from" || c.Meaning == "to"; named && (c.Unit == "m" || c.Unit == "ft") { // Run ft
			c.Meaning, c.Remark = "length", "it has a unit, as no name has"
		}
		if c.Line != "" && c.Meaning != "length" && c.Meaning != "outside_diameter" && c.Meaning != "factor" && c.Meaning != "wall" && c.Meaning != "bore" && c.Meaning != "equivalent" {
			c.Meaning = ""
		}
	}
	return c
}

// unitIn finds the unit that a heading tells: Length (ft), Länge [m], od_mm, Length in m.
func (v vocabulary) unitIn(text string) string {
	text = tidyMarks(text)
	for _, b := range []struct{ open, shut string }{{"(", ")"}, {"[", "]"}, {"{", "}"}} {
		for rest := text; ; {
			_, after, ok := strings.Cut(rest, b.open)
			if !ok {
				break
			}
			inner, more, _ := strings.Cut(after, b.shut)
			rest = more
			for _, w := range append([]string{inner}, strings.FieldsFunc(inner, func(r rune) bool { return r == ' ' || r == ',' })...) {
				if u := v.unit(w); u != "" {
					return u
				}
			}
		}
	}
	words := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" ,_:;()[]", r) })
	if len(words) < 2 {
		if len(words) == 1 {
			switch u := v.unit(words[0]); {
			case u != "" && utf8.RuneCountInString(words[0]) > 2: // a column that is called Metres
				return u
			}
		}
		return ""
	}
	if u := v.unit(words[len(words)-1]); u != "" {
		return u
	}
	last := words[len(words)-1]
	if i := strings.LastIndexByte(last, '/'); i >= 0 {
		return v.unit(last[i+1:])
	}
	return ""
}

// ask gathers a question once.
func (r *reader) ask(option, problem, want, say string) {
	if !slices.ContainsFunc(r.p.Questions, func(q Question) bool { return q.Option == option && q.Problem == problem }) {
		r.p.Questions = append(r.p.Questions, Question{option, problem, want, say})
	}
}

// read takes the rows one by one.
func (r *reader) read() {
	byNumber := slices.ContainsFunc(r.o.Columns, func(n Named) bool { return strings.HasPrefix(n.Heading, "#") })
	width := 0
	for _, row := range r.rows {
		width = max(width, len(row.fields))
	}
	var heads record
	if r.heading >= 0 {
		heads = r.rows[r.heading]
		r.p.HeadingLine = heads.from
	}
	if r.heading >= 0 || byNumber {
		for i := range width {
			r.cols = append(r.cols, r.column(i, heads.text(i)))
		}
	}
	first := r.heading + 1
	unitsAt := -1
	if r.heading >= 0 {
		r.bandAbove()
		if first < len(r.rows) && r.unitsRow(r.rows[first]) {
			unitsAt = first
			first++
		}
	}
	if len(r.cols) == 0 {
		want := "its first lines need one with headings such as " + strings.Join(rules.RunColumns[:rules.RunNeeds], ", ")
		if r.kind == Units {
			want = "its first lines need one with headings such as name, address, room, branch, port"
		}
		r.ask("--columns", "no line with headings was found", want+"; or say which column is what", "--columns \""+map[string]string{TakeOff: "run=#1,line=#2,outside_diameter=#3,length=#4", Units: "name=#1,address=#2,room=#3"}[r.kind]+"\"")
	}
	take := r.prepareTakeOff
	if r.kind == Units {
		take = r.prepareUnits
	}
	understand := take(r.rows[min(first, len(r.rows)):])
	for i, row := range r.rows {
		l := Line{From: row.from, To: row.to, Text: row.raw}
		switch {
		case row.blank():
			l.State = Blank
		case i == 0 && strings.HasPrefix(strings.ToLower(strings.TrimSpace(row.raw)), "sep="):
			l.State = Title
		case len(r.cols) == 0:
			l.State = Waits
		case i < r.heading:
			l.State = Title
			r.notice(&r.title, row)
		case i == r.heading || i == unitsAt:
			l.State = Heading
		default:
			understand(row, &l)
		}
		slices.SortStableFunc(l.Faults, func(a, b sensors.Fault) int {
			return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
		})
		r.leaveOut(&l)
		r.p.Lines = append(r.p.Lines, l)
	}
	r.p.Columns = r.cols
	for i := range r.p.Columns {
		if i < len(r.styles) {
			r.p.Columns[i].decimal = r.styles[i].decimal
		}
	}
	for _, l := range r.p.Lines {
		for _, q := range l.asks {
			if l.State == Waits {
				r.ask(q.Option, q.Problem, q.Want, q.Say)
			}
		}
	}
}

// leaveOut takes a line out that who imports named.
func (r *reader) leaveOut(l *Line) {
	if l.State != NotUnderstood && l.State != Waits && l.State != Understood {
		return
	}
	for n := l.From; n <= l.To; n++ {
		if slices.Contains(r.o.LeaveOut, n) {
			l.State, l.Runs, l.Units = LeftOut, nil, nil
		}
	}
}

// notice remembers the one kind of line that a title or a section's heading names.
func (r *reader) notice(into *string, row record) {
	for _, f := range row.fields {
		found := r.v.meanings(plainWords(f.text), rules.RunLines)
		found = slices.DeleteFunc(found, func(m string) bool { return len(plainWords(f.text)) > 8 })
		if len(found) == 1 {
			*into = found[0]
		} else if len(found) > 1 {
			*into = ""
		}
	}
}

// bandAbove takes kinds of line from a row above the headings that spans several: Liquid line,,Gas line,,
func (r *reader) bandAbove() {
	if r.kind != TakeOff || r.heading == 0 {
		return
	}
	above := r.rows[r.heading-1]
	lines := map[int]string{}
	for i, f := range above.fields {
		if found := r.v.meanings(plainWords(f.text), rules.RunLines); len(found) == 1 || len(found) > 1 && slices.Contains(found, "hot-gas") {
			lines[i] = found[0]
			if slices.Contains(found, "hot-gas") {
				lines[i] = "hot-gas"
			}
		}
	}
	if len(lines) < 2 {
		return
	}
	now := ""
	for i := range r.cols {
		if l, ok := lines[i]; ok {
			now = l
		} else if above.text(i) != "" {
			now = ""
		}
		c := &r.cols[i]
		if now != "" && c.Line == "" && slices.Contains([]string{"length", "outside_diameter", "factor", "wall"}, c.Meaning) {
			c.Line = now
			c.Remark = "of the heading above it"
		}
	}
}

// unitsRow takes units from a row below the headings that holds nothing else.
func (r *reader) unitsRow(row record) bool {
	any := false
	for _, f := range row.fields {
		if f.text == "" || f.text == "-" {
			continue
		}
		if r.v.unit(strings.Trim(f.text, "()[]{}")) == "" {
			return false
		}
		any = true
	}
	if !any {
		return false
	}
	for i := range r.cols {
		if u := r.v.unit(strings.Trim(row.text(i), "()[]{}")); u != "" && r.cols[i].Unit == "" {
			r.cols[i].Unit = u
		}
	}
	return true
}

// decimals finds out how each column's numbers are written, of the rows' cells:
// by what can be read in one way only. A column that does not tell goes by the others, if they agree.
func (r *reader) decimals(rows []record, numeric func(Column) bool) {
	told := make([]map[string]bool, len(r.cols))
	all := map[string]bool{}
	first := map[string]string{} // the first number that each mark was told by
	for i, c := range r.cols {
		told[i] = map[string]bool{}
		if !numeric(c) {
			continue
		}
		for _, row := range rows {
			parts, _ := r.v.parts(strings.TrimSpace(diameterMarks.Replace(tidyMarks(row.text(i)))))
			for _, p := range parts {
				if t := p.number.tells(); t != "" && p.fraction == 0 {
					told[i][t], all[t] = true, true
					if line, _ := row.at(i); first[t] == "" {
						first[t] = fmt.Sprintf("%s (line %d)", p.number.text, line)
					}
				}
			}
		}
	}
	one := func(m map[string]bool) string {
		switch {
		case m[decimalPoint] && !m[decimalComma]:
			return decimalPoint
		case m[decimalComma] && !m[decimalPoint]:
			return decimalComma
		}
		return ""
	}
	r.styles = make([]style, len(r.cols))
	for i := range r.cols {
		s := style{decimal: one(told[i])}
		if len(told[i]) == 0 {
			s.decimal = one(all)
		}
		if r.o.Decimal != "" {
			s.decimal, s.said = r.o.Decimal, true
		}
		r.styles[i] = s
		if numeric(r.cols[i]) {
			r.eitherWay(i, rows)
		}
	}
	if all[decimalPoint] && all[decimalComma] && r.o.Decimal == "" {
		r.p.Remarks = append(r.p.Remarks, fmt.Sprintf("numbers are written in two ways: %s with a decimal comma, %s with a decimal point; each was read by its own sign", first[decimalComma], first[decimalPoint]))
	}
}

// eitherWay tells of lengths that could part thousands and were read by the decimal mark of the others.
func (r *reader) eitherWay(i int, rows []record) {
	sign := map[string]string{decimalPoint: ".", decimalComma: ","}[r.styles[i].decimal]
	if r.cols[i].Meaning != "length" || r.styles[i].said || sign == "" {
		return
	}
	var example string
	more := 0
	for _, row := range rows {
		parts, _ := r.v.parts(tidyMarks(row.text(i)))
		for _, p := range parts {
			n := p.number
			scale := scaleOf(cmp.Or(p.unit, r.cols[i].Unit, r.o.LengthUnit))
			if !n.eitherWay() || !strings.Contains(n.text, sign) || max(n.point, n.comma)*scale > longestM || scale == 0 {
				continue
			}
			if example == "" {
				line, _ := row.at(i)
				example = fmt.Sprintf("%s (line %d) read as %s and not as %s", n.text, line, plain(min(n.point, n.comma)), plain(max(n.point, n.comma)))
				continue
			}
			more++
		}
	}
	if example == "" {
		return
	}
	text := fmt.Sprintf("column %d: %s, by the decimal %s of the others", i+1, example, r.styles[i].decimal)
	if more > 0 {
		text += fmt.Sprintf("; and so %d more", more)
	}
	r.p.Remarks = append(r.p.Remarks, text)
}

// fault names what is wrong with a cell.
func (r *reader) fault(l *Line, row record, i int, problem, want string) {
	line, col := row.at(i)
	l.State = NotUnderstood
	l.Faults = append(l.Faults, sensors.Fault{File: r.p.File, Line: line, Column: col, Problem: problem, Want: want})
}

// cannot tells of a cell that was not understood; where an answer would settle it the line waits.
func (r *reader) cannot(l *Line, row record, i int, t trouble) {
	if t.asks == "" {
		r.fault(l, row, i, t.problem, t.want)
		return
	}
	if l.State != NotUnderstood {
		l.State = Waits
	}
	line, col := row.at(i)
	l.Faults = append(l.Faults, sensors.Fault{File: r.p.File, Line: line, Column: col, Problem: t.problem, Want: t.want})
	asked := map[string][2]string{
		"--length-unit":   {"the lengths have no unit", "m or --length-unit ft"},
		"--diameter-unit": {"a diameter can be in millimetres or in inches", "mm or --diameter-unit in"},
		"--decimal":       {"a number can be read in two ways", "point or --decimal comma"},
		"--line":          {"nothing tells which kind of line the rows are", strings.Join(rules.RunLines, ", --line ")},
	}[t.asks]
	if asked[0] != "" { // a column that is missing is asked for once, of the whole list
		l.asks = append(l.asks, Question{t.asks, asked[0], t.want, t.asks + " " + asked[1]})
	}
}

// firstText is the row's first cell that is not blank, and how many there are.
func (row record) firstText() (at, filled int) {
	at = -1
	for i, f := range row.fields {
		if f.text != "" {
			if at < 0 {
				at = i
			}
			filled++
		}
	}
	return at, filled
}

// tooWide tells of a row with more cells than the headings have, mostly a decimal comma that parts cells.
func (r *reader) tooWide(row record, l *Line) bool {
	if r.heading < 0 {
		return false
	}
	heads := len(r.rows[r.heading].fields)
	for i := heads; i < len(row.fields); i++ {
		if row.fields[i].text == "" {
			continue
		}
		want := "put what belongs together in quotes"
		if r.p.Separator == "comma" {
			want = "a decimal comma parts cells here: put such a number in quotes, or save the list with semicolons"
		}
		r.fault(l, row, i, fmt.Sprintf("the row has %d cells, the headings have %d", len(row.fields), heads), want)
		return true
	}
	return false
}

// badText tells of letters that could not be read.
func (r *reader) badText(row record, l *Line) bool {
	for i, f := range row.fields {
		if strings.ContainsRune(f.text, utf8.RuneError) {
			r.fault(l, row, i, fmt.Sprintf("%q holds a sign that cannot be read", f.text), "save the list as UTF-8")
			return true
		}
	}
	return false
}

// isHeading reports whether a row repeats the headings, as after a page's break.
func (r *reader) isHeading(row record) bool {
	if r.heading < 0 {
		return false
	}
	heads, same, said := r.rows[r.heading], 0, 0
	for i, f := range row.fields {
		if f.text == "" {
			continue
		}
		said++
		if slices.Equal(plainWords(f.text), plainWords(heads.text(i))) {
			same++
		}
	}
	return said >= 2 && same == said
}

// none reports whether a cell says that there is nothing.
func (r *reader) none(text string) bool {
	if text == "" {
		return true
	}
	words := strings.ToLower(strings.Trim(tidyMarks(text), " ."))
	for _, p := range r.v.all {
		if p.meaning == "none" && (p.words[0] == words || cmp.Compare(strings.Join(plainWords(text), " "), strings.Join(plainWords(p.words[0]), " ")) == 0 && len(plainWords(text)) > 0) {
			return true
		}
	}
	return false
}
