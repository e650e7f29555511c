package exchange

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"standwatch/rules"
	"standwatch/rules/physics"
)

// group is where a kind of line stands in a row: -1 where there is no such column.
type group struct {
	line                           string // empty: each row says
	diameter, length, wall, factor int
}

// takeOff reads the rows of a take-off.
type takeOff struct {
	*reader
	groups                     []group
	run, from, to, line, count int // columns
}

func (r *reader) columnOf(meaning, line string) int {
	return slices.IndexFunc(r.cols, func(c Column) bool { return c.Meaning == meaning && c.Line == line })
}

// prepareTakeOff settles what the columns are, and returns what reads a row.
func (r *reader) prepareTakeOff(rows []record) func(record, *Line) {
	r.twin = map[int]int{}
	r.lineOfSeveral(rows)
	r.lineByCells(rows)
	r.guessMeanings(rows)
	r.pairColumns()
	r.dropDoubles()
	t := &takeOff{reader: r, run: r.columnOf("run", ""), from: r.columnOf("from", ""), to: r.columnOf("to", ""), line: r.columnOf("line", ""), count: r.columnOf("pieces", "")}
	r.decimals(rows, func(c Column) bool {
		return slices.Contains([]string{"length", "outside_diameter", "wall", "factor"}, c.Meaning)
	})
	for i, c := range r.cols {
		switch c.Meaning {
		case "length":
			r.styles[i].unit = c.Unit
			if c.Unit == "" {
				r.styles[i].unit = r.o.LengthUnit
			}
		case "outside_diameter", "wall":
			r.styles[i].unit = c.Unit
			if c.Unit == "" {
				r.styles[i].unit = r.o.DiameterUnit
			}
		case "factor":
			r.styles[i].unit = c.Unit
		case "bore":
			r.cols[i].Remark = "not used: the volume follows from the outside diameter and the wall"
			r.cols[i].Meaning = ""
		case "equivalent":
			r.cols[i].Remark = "not used: an equivalent length counts bends; the charge follows from the measured length"
			r.cols[i].Meaning = ""
		}
	}
	or := func(meaning, line string) int {
		if i := r.columnOf(meaning, line); i >= 0 || line == "" {
			return i
		}
		return r.columnOf(meaning, "")
	}
	for _, line := range append([]string{}, rules.RunLines...) {
		if r.columnOf("length", line) >= 0 || r.columnOf("outside_diameter", line) >= 0 {
			g := group{line, or("outside_diameter", line), or("length", line), or("wall", line), r.columnOf("factor", line)}
			if g.factor < 0 && line == "liquid" {
				g.factor = r.columnOf("factor", "")
			}
			t.groups = append(t.groups, g)
		}
	}
	if len(t.groups) == 0 {
		t.groups = []group{{"", or("outside_diameter", ""), or("length", ""), or("wall", ""), or("factor", "")}}
	}
	for _, c := range []struct {
		meaning, what string
		of            func(group) int
	}{{"length", "lengths", func(g group) int { return g.length }}, {"outside_diameter", "outside diameters", func(g group) int { return g.diameter }}} {
		if len(r.cols) > 0 && slices.ContainsFunc(t.groups, func(g group) bool { return c.of(g) < 0 }) {
			r.ask("--columns", "no column of "+c.what+" was found", "say which it is", "--columns \""+c.meaning+"=HEADING\"")
		}
	}
	r.sums, r.since, r.ofLine = map[int]float64{}, map[int]float64{}, map[string]float64{}
	return t.row
}

// guessMeanings settles columns that are called by the kind of line alone: Gas (m), Liquid (mm).
func (r *reader) guessMeanings(rows []record) {
	for i := range r.cols {
		c := &r.cols[i]
		if c.Line == "" || c.Meaning != "" {
			continue
		}
		sizes, filled := 0, 0
		for _, row := range rows {
			if text := row.text(i); !r.none(text) {
				filled++
				if z, t := r.v.tube(text, style{}); t.ok() {
					if _, err := physics.TubeOf(z.outsideM, z.wallM); err == nil {
						sizes++
					}
				}
			}
		}
		switch {
		case c.Unit == "mm" || c.Unit == "in":
			c.Meaning = "outside_diameter"
		case c.Unit == "m" || c.Unit == "ft":
			c.Meaning = "length"
		case filled > 0 && sizes*10 >= filled*9:
			c.Meaning, c.Remark = "outside_diameter", "every cell is the size of a tube"
		case filled > 0 && sizes*2 < filled:
			c.Meaning, c.Remark = "length", "its cells are no sizes of tube"
		default:
			c.Remark = "not used: it may be a length or a diameter; say which"
			c.Line = ""
		}
	}
}

// lineOfSeveral settles which column is the kind of line where headings name
// several so, or one whose cells name no kind: in Leitung;Art the first may be
// the run and the second the kind, or the first the kind and the second the copper.
func (r *reader) lineOfSeveral(rows []record) {
	best, bestShare := -1, 0.0
	for i, c := range r.cols {
		if c.Meaning != "line" {
			continue
		}
		share := r.kindShare(rows, i)
		if c.Remark == "as you said" {
			share = 2
		}
		if share > bestShare {
			best, bestShare = i, share
		}
	}
	for i := range r.cols {
		c := &r.cols[i]
		if c.Meaning != "line" || i == best || c.Remark == "as you said" || bestShare > 0 && r.kindShare(rows, i) >= bestShare {
			continue
		}
		switch {
		case r.columnOf("run", "") < 0 && r.columnOf("from", "") < 0 && r.columnOf("to", "") < 0 && r.differ(rows, i):
			c.Meaning, c.Remark = "run", "its cells are no kinds of line"
		case best >= 0:
			c.Meaning, c.Remark = "", fmt.Sprintf("not used: column %d is the line", best+1)
		}
	}
}

// kindShare is how much of a column's cells are kinds of line and nothing else.
func (r *reader) kindShare(rows []record, column int) float64 {
	filled, kinds := 0, 0
	for _, text := range r.cells(rows, column) {
		filled++
		if r.v.whole(text, rules.RunLines) != "" {
			kinds++
		}
	}
	return float64(kinds) / float64(max(filled, 1))
}

// differ reports whether a column's cells are not all the same, as a material's are.
func (r *reader) differ(rows []record, column int) bool {
	all := r.cells(rows, column)
	return len(all) == 1 || slices.ContainsFunc(all, func(text string) bool { return text != all[0] })
}

// cells are what a column has in the rows of the list. A row of one cell is a
// heading within the list; sums are of no kind.
func (r *reader) cells(rows []record, column int) (all []string) {
	for _, row := range rows {
		if at, n := row.firstText(); n >= 2 && !r.none(row.text(column)) && !r.v.total(row.text(at)) {
			all = append(all, row.text(column))
		}
	}
	return all
}

// lineByCells finds the kind of line in a column that is called otherwise: Pipe,
// over LIQ, SUCT and HG.
func (r *reader) lineByCells(rows []record) {
	if slices.ContainsFunc(r.cols, func(c Column) bool { return c.Meaning == "line" || c.Line != "" }) {
		return
	}
	for i := range r.cols {
		c := &r.cols[i]
		if c.Meaning != "run" && c.Meaning != "" || c.Unit != "" || c.Remark == "as you said" {
			continue
		}
		cells, kinds := r.cells(rows, i), map[string]bool{}
		for _, text := range cells {
			kinds[r.v.whole(text, rules.RunLines)] = true
		}
		if len(cells) > 1 && len(kinds) > 1 && !kinds[""] {
			c.Meaning, c.Remark = "line", "every cell is a kind of line"
			return
		}
	}
}

// pairColumns gives columns of the same name, one beside each kind of line, to
// that line: Liquid Ø, Length, Gas Ø, Length.
func (r *reader) pairColumns() {
	for _, pair := range [][2]string{{"outside_diameter", "length"}, {"length", "outside_diameter"}} {
		var owners, free []int
		for i, c := range r.cols {
			switch {
			case c.Meaning == pair[0] && c.Line != "":
				owners = append(owners, i)
			case c.Meaning == pair[1] && c.Line == "":
				free = append(free, i)
			}
		}
		if len(owners) < 2 || len(free) != len(owners) {
			continue
		}
		for k, i := range owners {
			r.cols[free[k]].Line = r.cols[i].Line
			r.cols[free[k]].Remark = fmt.Sprintf("of the %s line, as it stands beside column %d", r.cols[i].Line, i+1)
		}
	}
}

// dropDoubles settles two columns of one meaning: what somebody named, else the first, where the other is the same in another unit.
func (r *reader) dropDoubles() {
	for i := range r.cols {
		c := &r.cols[i]
		if c.Meaning == "" || c.Meaning == "note" || c.Meaning == "bore" || c.Meaning == "equivalent" {
			continue
		}
		for k := range i {
			d := &r.cols[k]
			if d.Meaning != c.Meaning || d.Line != c.Line {
				continue
			}
			said := func(c *Column) bool { return c.Remark == "as you said" }
			later, earlier := c, d
			if said(c) && !said(d) {
				later, earlier = d, c
			}
			why := fmt.Sprintf("not used: column %d is the %s, too", earlier.Number, strings.ReplaceAll(later.Meaning, "_", " "))
			if measure := c.Meaning == "length" || c.Meaning == "outside_diameter" || c.Meaning == "factor" || c.Meaning == "wall"; measure && !said(earlier) && (c.Unit == "" || c.Unit == d.Unit) {
				r.ask("--columns", fmt.Sprintf("columns %d (%s) and %d (%s) may both be the %s", d.Number, d.Heading, c.Number, c.Heading, strings.ReplaceAll(c.Meaning, "_", " ")),
					"say which it is", fmt.Sprintf("--columns \"%s=#%d\"", c.Meaning, d.Number))
			}
			if c.Meaning == "length" && later.Unit != "" && earlier.Unit != "" && later.Unit != earlier.Unit {
				r.twin[earlier.Number-1] = later.Number - 1
				why = fmt.Sprintf("the same as column %d in another unit: only compared", earlier.Number)
			}
			later.Meaning, later.Line, later.Remark = "", "", why
			break
		}
	}
}

// row reads one row.
func (t *takeOff) row(row record, l *Line) {
	at, filled := row.firstText()
	first := row.fields[at].text
	switch {
	case t.badText(row, l):
		return
	case t.isHeading(row):
		l.State = Heading
		return
	case t.v.total(first):
		l.State = Total
		t.checkTotal(row, l)
		return
	case t.lengthsAlone(row):
		t.unnamedTotal(row, l)
		return
	case filled == 1 && withUnit.MatchString(tidyMarks(first)):
		t.fault(l, row, at, "the row is one cell", "part its cells as the headings are parted, by "+t.p.Separator)
		return
	case filled == 1 && !strings.ContainsAny(first, "0123456789") || filled == 1 && at == max(t.run, 0) && !t.measured(row):
		l.State = Title // of what follows
		t.section = ""
		t.notice(&t.section, row)
		t.lastRun = ""
		return
	case t.tooWide(row, l):
		return
	}
	l.State = Understood
	name := t.name(row, l)
	lines, lineAt := t.linesOf(row, l)
	if t.count >= 0 && !t.none(row.text(t.count)) {
		if n := readNumber(row.text(t.count)); !(n.asPoint && n.point == 1) {
			t.fault(l, row, t.count, fmt.Sprintf("%q pieces: the length may be that of one or of all", row.text(t.count)), "write a row for each, or the whole length and 1")
		}
	}
	for _, g := range t.groups {
		t.group(row, l, g, name, lines, lineAt)
	}
	if len(l.Runs) == 0 && l.State == Understood {
		t.fault(l, row, at, "the row has no length and no diameter", "fill them in, or delete the row")
	}
	if name != "" {
		t.lastRun = name
	}
	if l.State != Understood {
		l.Runs = nil
		return
	}
	for _, m := range l.lengths {
		t.sums[m.column] += m.metres
		t.since[m.column] += m.metres
		t.ofLine[m.line] += m.metres
	}
}

// withUnit is a number with a unit of pipes: then a row of one cell is no heading.
var withUnit = regexp.MustCompile(`(?i)\d ?(?:m|mm|cm|ft|in|"|')(?:$|[^\pL])`)

// measured reports whether a row has anything in a column of measures.
func (t *takeOff) measured(row record) bool {
	for _, g := range t.groups {
		if g.diameter >= 0 && row.text(g.diameter) != "" || g.length >= 0 && row.text(g.length) != "" {
			return true
		}
	}
	return false
}

// name is what the run is called.
func (t *takeOff) name(row record, l *Line) string {
	var parts []string
	for _, c := range []int{t.from, t.to} {
		if c >= 0 && row.text(c) != "" {
			parts = append(parts, row.text(c))
		}
	}
	name := strings.Join(parts, " to ")
	if t.run >= 0 && row.text(t.run) != "" {
		name = row.text(t.run)
		if len(parts) > 0 {
			name += ", " + strings.Join(parts, " to ")
		}
	}
	if name == "" && t.run < 0 && t.from < 0 && t.to < 0 {
		l.Remarks = append(l.Remarks, "no column names the runs: named after its line")
		return fmt.Sprintf("row %d", l.From)
	}
	if name == "" && t.lastRun != "" {
		l.Remarks = append(l.Remarks, "run as in the row above")
		return t.lastRun
	}
	if name == "" {
		t.fault(l, row, max(t.run, t.from, t.to, 0), "the row has no name", "write which run it is, as the drawing names it")
	}
	if strings.Count(name, `"`)%2 == 1 { // a quote that nobody closed
		name = strings.Trim(name, `"`)
	}
	return oneLine(name)
}

// oneLine is a text without what would break a line, short enough for a name.
func oneLine(text string) string {
	const most = 80
	text = strings.Join(strings.FieldsFunc(text, func(r rune) bool { return r <= ' ' || r == 0x7f }), " ")
	if len(text) > most {
		text = strings.TrimSpace(strings.ToValidUTF8(text[:most], ""))
	}
	return text
}

// linesOf are the kinds of line that a row names for itself.
func (t *takeOff) linesOf(row record, l *Line) (lines []string, at int) {
	if t.groups[0].line != "" {
		return nil, -1
	}
	if t.line >= 0 && row.text(t.line) != "" {
		text := row.text(t.line)
		if line := t.v.whole(text, rules.RunLines); line != "" {
			return []string{line}, t.line
		}
		found := t.v.meanings(plainWords(text), rules.RunLines)
		if len(found) == 2 && slices.Contains(found, "suction") && slices.Contains(found, "hot-gas") && !strings.ContainsAny(text, "/+&") { // Heissgas holds gas
			found = []string{"hot-gas"}
		}
		if len(found) > 0 {
			return found, t.line
		}
		t.fault(l, row, t.line, fmt.Sprintf("%q is not a kind of line", text), "write "+strings.Join(rules.RunLines, ", "))
		return nil, t.line
	}
	switch {
	case t.o.Line != "":
		return []string{t.o.Line}, -1
	case t.section != "":
		l.Remarks = append(l.Remarks, "kind of line by the heading above")
		return []string{t.section}, -1
	case t.title != "":
		l.Remarks = append(l.Remarks, "kind of line by the title")
		return []string{t.title}, -1
	}
	if t.line >= 0 {
		t.fault(l, row, t.line, "the kind of line is missing", "write "+strings.Join(rules.RunLines, ", ")+"; of merged cells only the first comes along: fill the others in")
		return nil, t.line
	}
	return nil, -1
}

// group reads what a row says of one kind of line, or of the kinds that the row names.
func (t *takeOff) group(row record, l *Line, g group, name string, lines []string, lineAt int) {
	if g.diameter < 0 || g.length < 0 {
		t.cannot(l, row, 0, trouble{problem: "a column is missing", want: "say which column is what", asks: "--columns"})
		return
	}
	sizeText, lengthText := row.text(g.diameter), row.text(g.length)
	if g.line != "" {
		// A kind of line that is not there: its own cells are empty.
		own := t.cols[g.diameter].Line == "" || t.none(sizeText)
		if own && (t.cols[g.length].Line == "" || t.none(lengthText) || zero(lengthText)) && (t.cols[g.diameter].Line != "" || t.cols[g.length].Line != "") {
			if len(t.groups) > 1 || t.none(lengthText) {
				return
			}
		}
		if t.cols[g.length].Line != "" && t.cols[g.diameter].Line == "" && (t.none(lengthText) || zero(lengthText)) { // one size, a length a line
			return
		}
		lines = []string{g.line}
	}
	sizes := []tube{{}}
	if t.none(sizeText) {
		t.fault(l, row, g.diameter, "the outside diameter is missing", "write a size such as 3/8 in or 9.52 mm; of merged cells only the first comes along: fill the others in")
	} else if z, trouble := t.v.tube(sizeText, t.styles[g.diameter]); trouble.ok() {
		sizes = []tube{z}
	} else if pair, ok := t.pair(sizeText, g.diameter, len(lines)); ok {
		sizes = pair
	} else {
		t.cannot(l, row, g.diameter, trouble)
	}
	m := 0.0
	if t.none(lengthText) {
		t.fault(l, row, g.length, "the length is missing", "write it such as 12.5 m or 42 ft")
	} else {
		var trouble trouble
		var remark string
		if m, remark, trouble = t.v.length(lengthText, t.styles[g.length]); remark != "" {
			l.Remarks = append(l.Remarks, remark)
		}
		if !trouble.ok() {
			t.cannot(l, row, g.length, trouble)
		} else if c, ok := t.twin[g.length]; ok && !t.none(row.text(c)) {
			// Two roundings of one tape differ by less than 2 per cent and 0.1 m (our choice).
			other, _, trouble := t.v.length(row.text(c), style{unit: t.cols[c].Unit, decimal: t.styles[g.length].decimal, said: t.styles[g.length].said})
			if trouble.ok() && math.Abs(other-m) > 0.1+0.02*m {
				t.fault(l, row, c, fmt.Sprintf("%q is %s, column %d has %s", row.text(c), Length(other), g.length+1, Length(m)), "see which is right")
			}
		}
	}
	wall, factor := t.wallAndFactor(row, l, g, sizes[0])
	switch {
	case len(sizes) == 2 && len(lines) != 2:
		lines = []string{"liquid", "suction"}
		l.Remarks = append(l.Remarks, "two sizes in one cell: the smaller is the liquid line's, the larger the suction line's")
		if sizes[0].outsideM > sizes[1].outsideM {
			sizes[0], sizes[1] = sizes[1], sizes[0]
		}
	case len(lines) > 1 && len(sizes) == 1:
		t.fault(l, row, lineAt, fmt.Sprintf("%q: which line?", row.text(lineAt)), "write a row for each line, with its own diameter")
		return
	case len(lines) == 0 && l.State != NotUnderstood:
		t.cannot(l, row, g.diameter, trouble{problem: "nothing tells which kind of line this is", want: "say which kind all rows are, or add a column", asks: "--line"})
		return
	}
	if l.State != Understood {
		return
	}
	for i, line := range lines {
		z := sizes[min(i, len(sizes)-1)]
		run := rules.Run{Name: name, Line: line, OutsideDiameterM: z.outsideM, LengthM: m, WallM: z.wallM, Row: l.From}
		if run.WallM == 0 {
			run.WallM = wall
		}
		if line == "liquid" || len(lines) == 1 && len(t.groups) == 1 {
			run.FactorKgM = factor
		}
		if z.remark != "" {
			l.Remarks = append(l.Remarks, z.remark)
		}
		run, faults := asWritten(run)
		for _, f := range faults {
			c, want := g.length, f.Want
			if f.Column == "outside_diameter" || f.Column == "wall" {
				c, want = g.diameter, "write it with its wall, such as 12 x 1 mm, or add a column wall"
			}
			t.fault(l, row, c, strings.ReplaceAll(f.Problem, "_", " "), want)
		}
		l.Runs = append(l.Runs, run)
	}
	for _, line := range lines {
		l.lengths = append(l.lengths, measured{g.length, line, m})
	}
}

// wallAndFactor reads the two columns that few lists have.
func (t *takeOff) wallAndFactor(row record, l *Line, g group, size tube) (wall, factor float64) {
	if g.wall >= 0 && !t.none(row.text(g.wall)) {
		p, ok := t.v.parts(row.text(g.wall))
		if !ok || len(p) != 1 {
			t.fault(l, row, g.wall, fmt.Sprintf("%q is no wall", row.text(g.wall)), "write it such as 1 mm")
		} else {
			st := t.styles[g.wall]
			if st.unit == "" && strings.Contains(size.remark, "millimetres") {
				st.unit = "mm"
			}
			var trouble trouble
			if wall, trouble = t.v.wall(p[0], row.text(g.wall), st); !trouble.ok() {
				t.cannot(l, row, g.wall, trouble)
			}
		}
	}
	if g.factor >= 0 && !t.none(row.text(g.factor)) && !zero(row.text(g.factor)) {
		var trouble trouble
		if factor, trouble = t.v.factor(row.text(g.factor), t.styles[g.factor]); !trouble.ok() {
			t.cannot(l, row, g.factor, trouble)
		}
	}
	return wall, factor
}

// asWritten is the run as the take-off's file will hold it.
func asWritten(r rules.Run) (rules.Run, []rules.RunFault) {
	fields := r.Fields()
	out, faults := rules.ReadRun(func(column string) string { return fields[slices.Index(rules.RunColumns, column)] })
	out.Row = r.Row
	return out, faults
}

func zero(text string) bool {
	digits := strings.ContainsAny(text, "0123456789")
	return digits && !strings.ContainsAny(text, "123456789")
}

// pair reads two sizes in one cell. Each must be a tube that is made.
func (t *takeOff) pair(text string, column, lines int) (pair []tube, ok bool) {
	text = strings.TrimSpace(diameterMarks.Replace(tidyMarks(text)))
	if lines == 1 {
		return nil, false
	}
	for i, r := range text {
		if !strings.ContainsRune("/+&;-", r) || i == 0 {
			continue
		}
		a, errA := t.v.tube(text[:i], t.styles[column])
		b, errB := t.v.tube(text[i+1:], t.styles[column])
		if !errA.ok() || !errB.ok() || !made(a) || !made(b) || a.outsideM == b.outsideM {
			continue
		}
		if pair != nil { // it can be parted in two ways
			return nil, false
		}
		pair = []tube{a, b}
	}
	return pair, pair != nil
}

func made(z tube) bool {
	_, err := physics.TubeOf(z.outsideM, z.wallM)
	return err == nil
}

// sameLength reports whether a total is what rows come to. Rows are rounded to a
// tenth of a metre or a foot: within half a per cent and 0.1 m it is the same (our choice).
func sameLength(total, sum float64) bool { return math.Abs(sum-total) <= 0.1+float64(0.005*total) }

// checkTotal holds a total against the rows above it; one that names a kind of
// line against the rows of that kind.
func (t *takeOff) checkTotal(row record, l *Line) {
	for i, c := range t.cols {
		if c.Meaning != "length" || t.none(row.text(i)) || t.sums[i] == 0 {
			continue
		}
		m, _, trouble := t.v.length(row.text(i), t.styles[i])
		if !trouble.ok() {
			l.Remarks = append(l.Remarks, fmt.Sprintf("not compared with the rows: %s", trouble.problem))
			continue
		}
		at, _ := row.firstText()
		if found := t.v.meanings(plainWords(row.fields[at].text), rules.RunLines); len(found) == 1 && c.Line == "" {
			t.saysTotal(l, m, sameLength(m, t.ofLine[found[0]]), fmt.Sprintf("the %s lines come to %s", strings.ReplaceAll(found[0], "-", " "), Length(t.ofLine[found[0]])))
			continue
		}
		text := "the rows above come to " + Length(t.since[i])
		switch {
		case t.since[i] == 0:
			text = "all rows come to " + Length(t.sums[i])
		case math.Abs(t.since[i]-t.sums[i]) > 0.05:
			text += ", all rows so far to " + Length(t.sums[i])
		}
		t.saysTotal(l, m, sameLength(m, t.sums[i]) || sameLength(m, t.since[i]), text)
		t.since[i] = 0
	}
}

func (t *takeOff) saysTotal(l *Line, m float64, agrees bool, rows string) {
	if agrees {
		l.Remarks = append(l.Remarks, "it agrees with the rows above")
		return
	}
	text := fmt.Sprintf("it says %s, %s", Length(m), rows)
	l.Remarks = append(l.Remarks, text)
	t.p.Remarks = append(t.p.Remarks, fmt.Sprintf("line %d: the total does not agree: %s. A row may be missing, or twice there, or not understood.", l.From, text))
}

// lengthsAlone reports whether a row has lengths and nothing else, after rows that have been added up.
func (t *takeOff) lengthsAlone(row record) bool {
	for i, f := range row.fields {
		if f.text != "" && (i >= len(t.cols) || t.cols[i].Meaning != "length" || t.sums[i] == 0) {
			return false
		}
	}
	return true
}

// unnamedTotal takes lengths alone for a total where they are one; else the row lacks the rest.
func (t *takeOff) unnamedTotal(row record, l *Line) {
	for i, f := range row.fields {
		if f.text == "" {
			continue
		}
		m, _, trouble := t.v.length(f.text, t.styles[i])
		if !trouble.ok() || !sameLength(m, t.sums[i]) && !sameLength(m, t.since[i]) {
			t.fault(l, row, i, fmt.Sprintf("%s stands alone, and the rows above come to %s", f.text, Length(t.sums[i])), "complete the row, or leave the line out if it is a total")
		}
	}
	if l.State == "" {
		l.State = Total
		l.Remarks = append(l.Remarks, "a length alone, taken for a total: it agrees with the rows above")
		for i := range t.since {
			t.since[i] = 0
		}
	}
}
