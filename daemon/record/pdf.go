package record

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg"
)

// Paper is what a PDF is laid out for, in points.
type Paper struct {
	Name          string
	Width, Height float64
	Fonts         []string // folders of fonts for scripts that are not built in
}

// The two papers of the world's offices (ISO 216; ANSI/ASME Y14.1).
var (
	A4     = Paper{Name: "A4", Width: 595.28, Height: 841.89, Fonts: SystemFonts()}
	Letter = Paper{Name: "Letter", Width: 612, Height: 792, Fonts: SystemFonts()}
)

// Sizes of a page, in points.
const (
	marginSide   = 50.0
	marginTop    = 48.0
	marginBottom = 58.0
	leading      = 1.32 // from line to line, times the size
)

// style is how text is set.
type style struct {
	size float64
	bold bool
	gray uint8 // 0 is black
}

var (
	titleStyle   = style{size: 20, bold: true}
	subjectStyle = style{size: 11}
	bodyStyle    = style{size: 9.5}
	boldStyle    = style{size: 9.5, bold: true}
	smallStyle   = style{size: 8, gray: 70}
	footStyle    = style{size: 7.5, gray: 70}
	headings     = [4]style{{}, {size: 14, bold: true}, {size: 11.5, bold: true}, {size: 10, bold: true}}
)

func (s style) line() float64 { return hundredth(s.size * leading) }

// PDF draws a document on paper. The same document gives the same bytes, but
// for the fonts that the machine has for scripts beyond Latin, Greek and
// Cyrillic. Text is text, in reading order, without ligatures.
func PDF(w io.Writer, d Document, p Paper) error {
	out, err := pdfWith(d, p, p.Fonts)
	if errors.Is(err, errFont) {
		// A font that cannot be embedded must not cost the record.
		out, err = pdfWith(d, p, nil)
	}
	if err != nil {
		return fmt.Errorf("the PDF of %q: %w", d.Title, err)
	}
	_, err = w.Write(out)
	return err
}

var errFont = errors.New("a font of this machine cannot be embedded")

func pdfWith(d Document, p Paper, dirs []string) (out []byte, err error) {
	fonts, err := newFontSet(d, dirs)
	if err != nil {
		return nil, err
	}
	if len(fonts.system) > 0 {
		defer func() {
			if r := recover(); r != nil {
				out, err = nil, errFont // the library trusts a font's tables
			}
		}()
	}
	s := &sheet{paper: p, fonts: fonts, doc: d}
	s.f = fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: p.Width, Ht: p.Height}})
	s.f.SetCatalogSort(true)
	s.f.SetAutoPageBreak(false, 0)
	s.f.SetMargins(marginSide, marginTop, marginSide)
	s.f.SetCreationDate(dated(d.Made))
	s.f.SetModificationDate(dated(d.Made))
	s.f.SetTitle(d.Title, true)
	s.f.SetSubject(d.Subject, true)
	s.f.SetCreator("Standwatch", true)
	s.f.SetProducer("Standwatch", true)
	s.f.SetLang(d.Language)
	s.f.SetDisplayMode("default", "continuous")
	s.f.SetXmpMetadata(xmp(d))
	s.f.SetLineJoinStyle("round")
	s.addFont(fonts.regular)
	s.addFont(fonts.bold)
	for _, f := range fonts.system {
		s.addFont(f)
	}
	s.draw()
	var buffer bytes.Buffer
	if err := s.f.Output(&buffer); err != nil {
		return nil, err
	}
	return buffer.Bytes(), nil
}

// dated is a file's own date. Where no clock told one the library would write
// the hour at which it draws, and the same journal would give other bytes: it
// is the one that the parts of a bundle carry, by which none is meant.
func dated(made time.Time) time.Time {
	if made.IsZero() {
		return time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return made
}

// xmp is the file's own data once more, for those who look there.
func xmp(d Document) []byte {
	made := dated(d.Made).Format("2006-01-02T15:04:05Z07:00")
	e := html.EscapeString
	return []byte(`<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">` + e(d.Title) + `</rdf:li></rdf:Alt></dc:title>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">` + e(d.Subject) + `</rdf:li></rdf:Alt></dc:description>
<dc:language><rdf:Bag><rdf:li>` + e(d.Language) + `</rdf:li></rdf:Bag></dc:language>
<xmp:CreateDate>` + made + `</xmp:CreateDate>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>`)
}

// sheet is a document being laid out; y runs down from the top of the page.
type sheet struct {
	f     *fpdf.Fpdf
	paper Paper
	fonts *fontSet
	doc   Document
	y     float64
	fresh bool // nothing on this page yet
	level int  // of the last bookmark
}

func (s *sheet) addFont(f *face) { s.f.AddUTF8FontFromBytes(f.name, "", f.data) }

func (s *sheet) left() float64   { return marginSide }
func (s *sheet) width() float64  { return s.paper.Width - 2*marginSide }
func (s *sheet) bottom() float64 { return s.paper.Height - marginBottom }

func (s *sheet) page() {
	s.f.AddPage()
	s.y, s.fresh = marginTop, true
}

// room begins a new page if what comes now needs more than is left. Nothing
// needs more than a page.
func (s *sheet) room(height float64) {
	if s.y+height > s.bottom()+0.001 && !s.fresh {
		s.page()
	}
}

// gap is the space before a block, which the top of a page needs not.
func (s *sheet) gap(height float64) {
	if !s.fresh {
		s.y += height
	}
}

func (s *sheet) draw() {
	s.page()
	if s.doc.Title != "" {
		for _, l := range s.wrap(s.doc.Title, titleStyle, s.width()) {
			s.line(s.left(), titleStyle, l)
		}
		s.y += 2
	}
	if s.doc.Subject != "" {
		for _, l := range s.wrap(s.doc.Subject, subjectStyle, s.width()) {
			s.line(s.left(), subjectStyle, l)
		}
	}
	if !s.fresh {
		s.y += 5
		s.rule(s.left(), s.left()+s.width(), s.y, 1.2, accent)
		s.rule(s.left(), s.left()+s.width(), s.y+2, 0.4, accent)
		s.y += 6
	}
	blocks := slices.Concat(s.doc.Blocks, s.fonts.notes())
	for i := 0; i < len(blocks); {
		i += s.block(blocks[i:])
	}
	s.foot()
}

// block draws the first of the blocks, or more of them that stand side by side.
func (s *sheet) block(blocks []Block) int {
	switch b := blocks[0].(type) {
	case Heading:
		s.heading(b, blocks[1:])
	case Paragraph:
		s.paragraph(b)
	case Facts:
		s.facts(b)
	case Table:
		s.table(b)
	case Curve:
		s.curve(b)
	case Curves:
		s.curves(b)
	case Break:
		if !s.fresh {
			s.page()
		}
	case Picture:
		n := 1
		if len(blocks) > 1 {
			if _, ok := blocks[1].(Picture); ok {
				n = 2
			}
		}
		s.pictures(blocks[:n])
		return n
	case Signature:
		n := 1
		if len(blocks) > 1 {
			if _, ok := blocks[1].(Signature); ok {
				n = 2
			}
		}
		s.signatures(blocks[:n])
		return n
	}
	return 1
}

// begins is how much of a block must stand under its heading.
func (s *sheet) begins(blocks []Block) float64 {
	if len(blocks) == 0 {
		return 0
	}
	switch b := blocks[0].(type) {
	case Heading:
		return s.headingHeight(b) + s.begins(blocks[1:])
	case Paragraph:
		st, indent := paragraphStyle(b)
		return 8 + float64(min(3, len(s.wrap(b.Text, st, s.width()-indent))))*st.line()
	case Facts:
		return 4 * bodyStyle.line()
	case Table:
		return min(6+s.lay(b).beginning(), 200)
	case Curve:
		return s.curveTotal(b)
	case Curves:
		return s.curvesBegin(b)
	case Picture:
		return 150
	case Signature:
		return signatureHeight
	}
	return 0
}

func headingStyle(h Heading) style { return headings[min(max(h.Level, 1), 3)] }

func (s *sheet) headingHeight(h Heading) float64 {
	st := headingStyle(h)
	return st.size + 4 + float64(len(s.wrap(h.Text, st, s.width())))*st.line()
}

func (s *sheet) heading(h Heading, next []Block) {
	st := headingStyle(h)
	s.room(min(s.headingHeight(h)+s.begins(next), s.bottom()-marginTop))
	s.gap(st.size)
	level := min(max(h.Level, 1)-1, s.level+1) // no reader likes an outline with a step left out
	s.level = level
	s.f.Bookmark(string(s.fonts.visible(h.Text)), level, s.y)
	for _, l := range s.wrap(h.Text, st, s.width()) {
		s.room(st.line())
		s.line(s.left(), st, l)
	}
	if h.Level <= 1 {
		s.rule(s.left(), s.left()+s.width(), s.y+1, 0.6, ink)
		s.y += 3
	}
	s.y++
}

// paragraphStyle is the style and how far the text stands in from the left.
func paragraphStyle(p Paragraph) (style, float64) {
	switch p.Tone {
	case Small:
		return smallStyle, 0
	case Caution:
		return boldStyle, 12
	case Result:
		return bodyStyle, resultIndent
	}
	return bodyStyle, 0
}

// resultIndent leaves room for a state's shape and word.
const resultIndent = 76

func (s *sheet) paragraph(p Paragraph) {
	st, indent := paragraphStyle(p)
	lines := s.wrap(p.Text, st, s.width()-indent-6)
	if len(lines) == 0 {
		return
	}
	s.gap(4)
	if p.Tone == Caution {
		s.y += 3
	}
	// No line stands alone at the foot of a page or the head of the next.
	s.room(float64(min(2, len(lines))) * st.line())
	begin := s.y
	bar := func() {
		if p.Tone == Caution {
			s.area([][2]float64{{s.left(), begin - 3}, {s.left() + 4, begin - 3}, {s.left() + 4, s.y + 3}, {s.left(), s.y + 3}}, ink)
			s.rule(s.left(), s.left()+s.width(), begin-3, 0.6, ink)
			s.rule(s.left(), s.left()+s.width(), s.y+3, 0.6, ink)
		}
	}
	if p.Tone == Result {
		s.mark(p.State, s.left()+5, s.y+st.line()/2-0.4, 4)
		if word := s.wrap(stateWord(p.State), boldStyle, indent-15); len(word) > 0 {
			s.set(s.left()+15, s.y+boldStyle.size, boldStyle, word[0])
		}
	}
	for i, l := range lines {
		left := len(lines) - i
		if s.y+st.line() > s.bottom()+0.001 || left == 2 && i > 1 && s.y+2*st.line() > s.bottom()+0.001 {
			bar()
			s.page()
			begin = s.y
		}
		s.line(s.left()+indent, st, l)
	}
	bar()
	if p.Tone == Caution {
		s.y += 5
	}
}

// stateWord says a state before its sentence, so that the text alone has it.
func stateWord(state string) string {
	word := strings.ReplaceAll(state, "-", " ")
	if word == "" {
		return ""
	}
	return strings.ToUpper(word[:1]) + word[1:] + "."
}

// mark draws a state's shape, r about its middle: the shapes say it first.
func (s *sheet) mark(state string, x, y, r float64) {
	s.pen(0.9, nil, ink)
	at := func(v float64) float64 { return float64((v - 10) * r / 8) }
	for _, p := range shapes(state) {
		var pts [][2]float64
		for _, pt := range p.points {
			pts = append(pts, [2]float64{x + at(pt[0]), y + at(pt[1])})
		}
		switch {
		case len(pts) == 0:
			s.f.Circle(hundredth(x), hundredth(y), hundredth(float64(circleRadius*r/8)), "D")
		case p.full:
			s.area(pts, ink)
		default:
			s.outline(pts)
		}
	}
}

func (s *sheet) facts(facts Facts) {
	widest := 0.0
	for _, f := range facts {
		widest = max(widest, s.measure(f.Label, smallStyle))
	}
	widest = min(hundredth(widest)+10, s.width()/3)
	s.gap(4)
	for _, f := range facts {
		labels := s.wrap(f.Label, smallStyle, widest-8)
		texts := s.wrap(f.Text, bodyStyle, s.width()-widest)
		n := max(len(labels), len(texts))
		s.room(float64(min(n, 3)) * bodyStyle.line())
		for i := range n {
			s.room(bodyStyle.line())
			base := s.y + bodyStyle.size
			if i < len(labels) {
				s.set(s.left(), base, smallStyle, labels[i])
			}
			if i < len(texts) {
				s.set(s.left()+widest, base, bodyStyle, texts[i])
			}
			s.y, s.fresh = s.y+bodyStyle.line(), false
		}
		s.y += 1.5
	}
}

func (s *sheet) curveTotal(c Curve) float64 {
	h := 14 + float64(len(s.wrap(c.Title, boldStyle, s.width())))*boldStyle.line() +
		float64(curveHeight(c, vg.Length(s.width()))) +
		float64(len(s.wrap(c.Describe, smallStyle, s.width())))*smallStyle.line()
	return min(h, s.bottom()-marginTop)
}

func (s *sheet) curve(c Curve) {
	s.gap(8)
	s.room(s.curveTotal(c))
	for _, l := range s.wrap(c.Title, boldStyle, s.width()) {
		s.line(s.left(), boldStyle, l)
	}
	s.y += 3
	height := float64(curveHeight(c, vg.Length(s.width())))
	s.room(height)
	s.pictured(c.Title+": drawn here, said in the line under it", func() {
		drawWith(&pdfPen{s, s.left(), s.y + height}, c, vg.Length(s.width()), vg.Length(height))
	})
	s.y, s.fresh = s.y+height+3, false
	for _, l := range s.wrap(c.Describe, smallStyle, s.width()) {
		s.room(smallStyle.line())
		s.line(s.left(), smallStyle, l)
	}
}

// pdfPen draws a curve at its place on the page.
type pdfPen struct {
	s    *sheet
	x, y float64 // of its lower left corner
}

func (p *pdfPen) points(pts []vg.Point) [][2]float64 {
	out := make([][2]float64, len(pts))
	for i, pt := range pts {
		out[i] = [2]float64{p.x + float64(pt.X), p.y - float64(pt.Y)}
	}
	return out
}

func (p *pdfPen) stroke(pts []vg.Point, width vg.Length, dashes []vg.Length, c color.Color) {
	p.s.pen(float64(width), dashes, c)
	p.s.outline(p.points(pts))
}

func (p *pdfPen) fill(pts []vg.Point, c color.Color) { p.s.area(p.points(pts), c) }

func (p *pdfPen) text(at vg.Point, size, width vg.Length, bold bool, text string, c color.Color) {
	r, _, _, _ := c.RGBA()
	st := style{size: float64(size), bold: bold, gray: uint8(r >> 8)}
	rs := p.s.fonts.visible(text)
	x := p.x + float64(at.X)
	// The place was measured without the fonts of other scripts.
	if over := x + p.s.measureRunes(rs, st) - (p.s.left() + p.s.width()); over > 0 {
		x -= over
	}
	p.s.set(x, p.y-float64(at.Y), st, textLine{rs, rightToLeft(rs)})
}

const signatureHeight = 92

func (s *sheet) signatures(blocks []Block) {
	s.gap(8)
	s.room(signatureHeight)
	const gutter = 24
	w := (s.width() - gutter) / 2
	for i, b := range blocks {
		sig := b.(Signature)
		x := s.left() + float64(i)*(w+gutter)
		s.pen(1, nil, ink)
		for _, stroke := range sig.Strokes {
			var pts [][2]float64
			for _, d := range stroke {
				// Whoever drew beyond the box stays within it on paper.
				dx, dy := min(max(d.X, 0), 1), min(max(d.Y, 0), 1)
				if d.X != d.X || d.Y != d.Y {
					continue
				}
				pts = append(pts, [2]float64{x + float64(dx*w), s.y + float64(dy*54)})
			}
			if len(pts) == 1 {
				pts = append(pts, [2]float64{pts[0][0] + 0.8, pts[0][1]})
			}
			s.outline(pts)
		}
		s.rule(x, x+w, s.y+56, 0.6, ink)
		y := s.y + 58
		say := func(text string, st style) {
			for _, l := range s.wrap(text, st, w) {
				if y+st.line() > s.y+signatureHeight {
					return
				}
				s.set(x, y+st.size, st, l)
				y += st.line()
			}
		}
		say(sig.Name, bodyStyle)
		say(sig.Role, smallStyle)
		if sig.Signed.IsZero() {
			say("not signed yet", smallStyle)
		} else {
			say("signed "+sig.Signed.Format("2 Jan 2006 15:04 MST"), smallStyle)
		}
	}
	s.y, s.fresh = s.y+signatureHeight, false
}

// foot puts the foot line and the number on every page, now that it is known
// how many there are.
func (s *sheet) foot() {
	n := s.f.PageCount()
	for i := 1; i <= n; i++ {
		s.f.SetPage(i)
		y := s.paper.Height - marginBottom + 22
		s.rule(s.left(), s.left()+s.width(), y-11, 0.4, ink)
		number := s.fonts.visible(strconv.Itoa(i) + " of " + strconv.Itoa(n))
		w := s.measureRunes(number, footStyle)
		if lines := s.wrap(s.doc.Foot, footStyle, s.width()-w-14); len(lines) > 0 {
			for j, l := range lines[:min(2, len(lines))] {
				s.set(s.left(), y+float64(j)*footStyle.line(), footStyle, l)
			}
		}
		s.set(s.left()+s.width()-w, y, footStyle, textLine{number, false})
	}
}

// line sets one line and goes on to the next.
func (s *sheet) line(x float64, st style, l textLine) {
	s.set(x, s.y+st.size, st, l)
	s.y, s.fresh = s.y+st.line(), false
}

// set puts a line's characters on the page from x on, its feet on y.
func (s *sheet) set(x, y float64, st style, l textLine) {
	s.f.SetTextColor(int(st.gray), int(st.gray), int(st.gray))
	for _, run := range s.fonts.runs(reorder(l.runes, l.rtl), st.bold) {
		s.f.SetFont(run.face.name, "", st.size)
		s.f.Text(hundredth(x), hundredth(y), string(run.runes))
		x += float64(float64(run.width) * st.size / 1000)
	}
}

func (s *sheet) measure(text string, st style) float64 {
	return s.measureRunes(s.fonts.visible(text), st)
}

func (s *sheet) measureRunes(rs []rune, st style) float64 {
	w := 0
	for _, r := range rs {
		w += s.fonts.width(r, st.bold)
	}
	return float64(w) * st.size / 1000
}

// textLine is one line, in the order in which it is read.
type textLine struct {
	runes []rune
	rtl   bool
}

// wrap breaks text into lines of a width, at spaces where it can but between a number
// and its unit only where it must, and within a word that is wider than the line.
func (s *sheet) wrap(text string, st style, width float64) []textLine {
	var lines []textLine
	for _, para := range strings.Split(text, "\n") {
		rs := s.fonts.visible(para)
		rtl := rightToLeft(rs)
		for _, l := range s.wrapRunes(rs, st, width) {
			lines = append(lines, textLine{l, rtl})
		}
	}
	return lines
}

func (s *sheet) wrapRunes(rs []rune, st style, width float64) (lines [][]rune) {
	// In thousandths of the size, whole numbers: every machine breaks alike.
	most := int(math.Floor(width*1000/st.size + 1e-6))
	for {
		for len(rs) > 0 && rs[0] == ' ' {
			rs = rs[1:]
		}
		if len(rs) == 0 {
			return lines
		}
		w, end, end2, tied := 0, 0, 0, 0 // end2: where the next line begins
		i := 0
		for ; i < len(rs); i++ {
			switch {
			case rs[i] != ' ' || i == 0:
			case unitOfNumber(rs, i):
				tied = i
			default:
				end, end2 = i, i+1
			}
			cw := s.fonts.width(rs[i], st.bold)
			if w+cw > most && i > 0 && rs[i] != ' ' {
				break
			}
			w += cw
			if i+1 < len(rs) && breaksAfter(rs[i], rs[i+1]) {
				end, end2 = i+1, i+1
			}
		}
		switch {
		case i == len(rs):
			end, end2 = i, i
		case end == 0 && tied > 0:
			end, end2 = tied, tied+1
		case end == 0: // one word, wider than the line
			for i > 1 && unicode.Is(unicode.Mn, rs[i]) {
				i--
			}
			end, end2 = i, i
		}
		line := rs[:end]
		for len(line) > 0 && line[len(line)-1] == ' ' {
			line = line[:len(line)-1]
		}
		lines = append(lines, line)
		rs = rs[end2:]
	}
}

// numberUnits are the units behind a number, as judges write them.
var numberUnits = []string{"micron", "Pa", "kPa", "MPa", "psi", "kg", "lb", "oz", "g", "K", "F", "C", "°C", "°F", "%", "d", "h", "min", "s", "m", "mm", "ft", "in", "l"}

// unitOfNumber tells whether the space at i stands between a number and its unit.
func unitOfNumber(rs []rune, i int) bool {
	if !unicode.IsDigit(rs[i-1]) {
		return false
	}
	end := i + 1
	for end < len(rs) && (unicode.IsLetter(rs[end]) || rs[end] == '°' || rs[end] == '%') {
		end++
	}
	return slices.Contains(numberUnits, string(rs[i+1:end]))
}

func (s *sheet) pen(width float64, dashes []vg.Length, c color.Color) {
	r, g, b, _ := c.RGBA()
	s.f.SetDrawColor(int(r>>8), int(g>>8), int(b>>8))
	s.f.SetLineWidth(width)
	pattern := make([]float64, len(dashes))
	for i, d := range dashes {
		pattern[i] = float64(d)
	}
	s.f.SetDashPattern(pattern, 0)
}

func (s *sheet) rule(x0, x1, y, width float64, c color.Color) {
	s.pen(width, nil, c)
	s.f.Line(hundredth(x0), hundredth(y), hundredth(x1), hundredth(y))
}

// outline draws along points.
func (s *sheet) outline(pts [][2]float64) {
	if len(pts) < 2 {
		return
	}
	for i, pt := range pts {
		if i == 0 {
			s.f.MoveTo(hundredth(pt[0]), hundredth(pt[1]))
		} else {
			s.f.LineTo(hundredth(pt[0]), hundredth(pt[1]))
		}
	}
	s.f.DrawPath("D")
}

func (s *sheet) area(pts [][2]float64, c color.Color) {
	if len(pts) < 3 {
		return
	}
	r, g, b, _ := c.RGBA()
	s.f.SetFillColor(int(r>>8), int(g>>8), int(b>>8))
	for i, pt := range pts {
		if i == 0 {
			s.f.MoveTo(hundredth(pt[0]), hundredth(pt[1]))
		} else {
			s.f.LineTo(hundredth(pt[0]), hundredth(pt[1]))
		}
	}
	s.f.DrawPath("F")
}
