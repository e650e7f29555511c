package record

import (
	"math"
	"strings"
)

// laidTable is a table whose columns have their widths.
type laidTable struct {
	s       *sheet
	head    style
	body    style
	caption []textLine
	titles  [][]textLine
	rows    [][][]textLine
	columns []Column
	widths  []float64
}

const (
	cellSide = 3.5
	cellTop  = 2.0

	shortTable = 150 // pt, a fifth of a page: no reader likes a dozen figures on two (our choice)
)

// lay finds widths for the columns, in the largest print in which the longest
// word of every column fits.
func (s *sheet) lay(t Table) *laidTable {
	for size := 8.5; ; size -= 0.75 {
		var best *laidTable
		fits := false
		for _, narrow := range narrowShares {
			l := &laidTable{s: s, columns: t.Columns, body: style{size: size}, head: style{size: size, bold: true}}
			fits = l.fit(t, narrow)
			l.set(t)
			if best == nil || l.height() < best.height()-0.001 {
				best = l
			}
		}
		if fits || size < 6.5 {
			return best
		}
	}
}

// narrowShares are how much of what they would need beyond their longest words
// the columns that are not wide get before the wide ones do: the table that comes out lowest is drawn, and
// of equal ones the first.
var narrowShares = []float64{1, 0.7, 0.35, 0}

func (l *laidTable) set(t Table) {
	if t.Caption != "" {
		l.caption = l.s.wrap(t.Caption, boldStyle, l.s.width())
	}
	for i, c := range t.Columns {
		l.titles = append(l.titles, l.s.wrap(c.Title, l.head, l.widths[i]-2*cellSide))
	}
	for _, row := range t.Rows {
		cells := make([][]textLine, len(t.Columns))
		for i := range cells {
			if i < len(row) {
				cells[i] = l.s.wrap(row[i], l.body, l.widths[i]-2*cellSide)
			}
		}
		l.rows = append(l.rows, cells)
	}
}

func (l *laidTable) height() float64 {
	h := l.headHeight()
	for _, row := range l.rows {
		h += l.rowHeight(row)
	}
	return h
}

// fit gives each column what its longest word needs, and what is left to those
// whose text is longer, the wide ones before the others. It tells whether there
// is room for every longest word.
func (l *laidTable) fit(t Table, narrow float64) bool {
	n := len(t.Columns)
	least, most := make([]float64, n), make([]float64, n)
	take := func(i int, line string, st style, figure bool) {
		rs := l.s.fonts.visible(line)
		most[i] = max(most[i], l.s.measureRunes(rs, st)+2*cellSide)
		for from := 0; from < len(rs); {
			to := from + 1
			for to < len(rs) && (rs[to] != ' ' || figure && (to+1 == len(rs) || rs[to+1] != '(')) && !(breaksAfter(rs[to-1], rs[to]) && !isASCII(rs[to-1])) {
				to++
			}
			least[i] = max(least[i], l.s.measureRunes(rs[from:to], st)+2*cellSide)
			from = to
		}
	}
	for i, c := range t.Columns {
		take(i, c.Title, l.head, false)
		for _, row := range t.Rows {
			if i < len(row) {
				for line := range strings.SplitSeq(row[i], "\n") {
					take(i, line, l.body, c.Number || c.Whole) // a figure stays with its unit: 25.0 °C over (77.0 °F)
				}
			}
		}
		least[i] += 0.5
		most[i] += 0.5
	}
	// One endless word (a check sum, an address) may be broken, and does not
	// make the whole table small.
	share := l.s.width() / 5
	room := l.s.width()
	l.widths = make([]float64, n)
	sum := 0.0
	for i := range least {
		l.widths[i] = min(least[i], share)
		sum += l.widths[i]
	}
	if sum > room {
		for i := range l.widths {
			l.widths[i] = hundredth(l.widths[i] * room / sum)
		}
		return false
	}
	left := room - sum
	for _, wide := range []bool{false, true} {
		need := 0.0
		for i, c := range t.Columns {
			if c.Wide == wide {
				need += max(0, most[i]-l.widths[i])
			}
		}
		part := 1.0
		if need > left {
			part = left / need
		}
		if !wide {
			part *= narrow
		}
		for i, c := range t.Columns {
			if c.Wide == wide {
				more := math.Floor(max(0, most[i]-l.widths[i])*part*100) / 100
				l.widths[i] += more
				left -= more
			}
		}
	}
	// The table ends with the page's edge: wide columns take what is left, or
	// the last that is no column of numbers.
	last := -1
	for i, c := range t.Columns {
		if c.Wide || last < 0 && !c.Number && i == n-1 {
			last = i
		}
	}
	if last >= 0 && left > 0 {
		l.widths[last] += left
	}
	return true
}

// isASCII tells a hyphen within a name, where a line breaks only if it must,
// from the scripts that are broken anywhere.
func isASCII(r rune) bool { return r < 0x80 }

func lineCount(cells [][]textLine) (n int) {
	for _, c := range cells {
		n = max(n, len(c))
	}
	return n
}

func (l *laidTable) captionHeight() float64 {
	return float64(len(l.caption)) * boldStyle.line()
}

func (l *laidTable) headHeight() float64 {
	if n := lineCount(l.titles); n > 0 {
		return float64(n)*l.head.line() + 2*cellTop
	}
	return 0
}

func (l *laidTable) rowHeight(row [][]textLine) float64 {
	return float64(max(1, lineCount(row)))*l.body.line() + 2*cellTop
}

// beginning is how much of a table stands together: all of a short one, else
// two rows under its head.
func (l *laidTable) beginning() float64 {
	if h := l.captionHeight() + l.height(); h <= shortTable {
		return h
	}
	h := l.captionHeight() + l.headHeight()
	for _, row := range l.rows[:min(2, len(l.rows))] {
		h += l.rowHeight(row)
	}
	return h
}

func (s *sheet) table(t Table) {
	if len(t.Columns) == 0 {
		return
	}
	l := s.lay(t)
	s.gap(6)
	page := s.bottom() - marginTop
	s.room(min(l.beginning(), page))
	for _, c := range l.caption {
		s.line(s.left(), boldStyle, c)
	}
	l.drawHead()
	for i, row := range l.rows {
		h := l.rowHeight(row)
		if i > 1 && i == len(l.rows)-2 { // nor does the last one stand alone
			h = min(h+l.rowHeight(l.rows[i+1]), page-l.headHeight())
		}
		if s.y+h > s.bottom()+0.001 && h <= page-l.headHeight() {
			s.page()
			l.drawHead()
		}
		l.drawRow(row)
	}
	s.y += 3
}

func (l *laidTable) drawHead() {
	if l.headHeight() == 0 {
		return
	}
	s := l.s
	if lineCount(l.titles) > 6 { // no head may eat the page
		for i := range l.titles {
			l.titles[i] = l.titles[i][:min(6, len(l.titles[i]))]
		}
	}
	l.cells(l.titles, 0, lineCount(l.titles), l.head)
	s.rule(s.left(), s.left()+l.total(), s.y, 0.8, ink)
}

func (l *laidTable) total() (w float64) {
	for _, v := range l.widths {
		w += v
	}
	return hundredth(w)
}

// drawRow draws a row in one piece; only a row that is higher than a page goes
// on over the next.
func (l *laidTable) drawRow(row [][]textLine) {
	s := l.s
	n := max(1, lineCount(row))
	for from := 0; from < n; {
		fits := int((s.bottom() - s.y - 2*cellTop + 0.001) / l.body.line())
		if fits < 1 {
			s.page()
			l.drawHead()
			fits = max(1, int((s.bottom()-s.y-2*cellTop)/l.body.line()))
		}
		to := min(n, from+fits)
		l.cells(row, from, to, l.body)
		from = to
	}
	s.rule(s.left(), s.left()+l.total(), s.y, 0.3, faint)
}

// cells draws the lines from one to another of each cell and goes below them.
// A cell that says a state has its shape before the word.
func (l *laidTable) cells(cells [][]textLine, from, to int, st style) {
	s := l.s
	x := s.left()
	for i, cell := range cells {
		for j := from; j < min(to, len(cell)); j++ {
			at := x + cellSide
			if l.columns[i].Number {
				at = x + l.widths[i] - cellSide - s.measureRunes(cell[j].runes, st)
			}
			s.set(at, s.y+cellTop+float64(j-from)*st.line()+st.size, st, cell[j])
		}
		x += l.widths[i]
	}
	s.y, s.fresh = s.y+2*cellTop+float64(to-from)*st.line(), false
}
