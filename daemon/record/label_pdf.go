package record

import (
	"fmt"
	"io"
	"math"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"standwatch/rules"
)

// LabelPaper is the sheet of a charge label.
type LabelPaper string

// The sheets that fit inside a panel. A5 is A6 with everything larger by the
// root of two, so there is one layout.
const (
	A6 LabelPaper = "a6"
	A5 LabelPaper = "a5"
)

// LabelPapers are the sheets by name.
var LabelPapers = []LabelPaper{A6, A5}

func (p LabelPaper) scale() (float64, error) {
	switch p {
	case A6:
		return 1, nil
	case A5:
		return math.Sqrt2, nil
	}
	return 0, fmt.Errorf("%q is no sheet of a charge label; a6 and a5 are", string(p))
}

// A label's layout in mm of an A6 sheet. Black on white and nothing else: it
// fades evenly, and a stamp pad, a fax or a bad printer leave it legible.
const (
	sheetWide, sheetHigh = 105.0, 148.0
	sheetEdge            = 6.0 // what a printer may not reach, and a tape covers
	sheetInner           = sheetWide - 2*sheetEdge
	codeWide             = 46.0 // of the QR code with the white that belongs to it (four modules, ISO/IEC 18004)
	smallest             = 6.5  // pt
	pipesMost            = 7    // rows of sizes; more stand in the record
	pipesHead, pipesStep = 3.8, 3.6
	cautionsAt           = sheetHigh - sheetEdge - 6.2
	// From here down there is room for two lines of each proof, the date, two
	// names, and a code for a phone's eye: 43 mm at 105 modules are 0.4 mm each.
	proofsFrom = cautionsAt - 46
)

// pdf draws the label.
func (l chargeLabel) pdf(w io.Writer, paper LabelPaper) error {
	k, err := paper.scale()
	if err != nil {
		return err
	}
	d := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: sheetWide * k, Ht: sheetHigh * k}})
	d.SetCatalogSort(true)
	d.SetCreationDate(dated(l.Made))
	d.SetModificationDate(dated(l.Made))
	d.SetProducer("standwatch", true)
	d.SetTitle(strings.Join([]string{labelTitle, l.Site, l.System}, " "), true)
	d.SetLang("en")
	d.SetAutoPageBreak(false, 0)
	d.SetMargins(0, 0, 0)
	d.SetCellMargin(0)
	d.AddUTF8FontFromBytes(labelFont, "", liberationsansregular.TTF)
	d.AddUTF8FontFromBytes(labelFont, "B", liberationsansbold.TTF)
	d.AddPage()
	fonts, err := newFontSet(Document{}, nil) // a label is the same on every machine: no font of this one
	if err != nil {
		return err
	}
	s := &labelSheet{d: d, k: k, fonts: fonts}
	s.label(l)
	if s.err != nil {
		return s.err
	}
	return d.Output(w)
}

const labelFont = "label"

// labelSheet draws at places in mm of an A6 sheet, the y of a text being its base line.
type labelSheet struct {
	d     *fpdf.Fpdf
	k     float64
	fonts *fontSet
	err   error
}

func (s *labelSheet) font(bold bool, pt float64) {
	style := ""
	if bold {
		style = "B"
	}
	s.d.SetFont(labelFont, style, pt*s.k)
}

func (s *labelSheet) width(text string) float64 { return s.d.GetStringWidth(text) / s.k }

func (s *labelSheet) put(x, y float64, text string) { s.d.Text(x*s.k, y*s.k, text) }

func (s *labelSheet) rule(x, y, wide, thick float64) {
	s.d.SetLineWidth(thick * s.k)
	s.d.Line(x*s.k, y*s.k, (x+wide)*s.k, y*s.k)
}

// shown is a text as the fonts have it: a character that they lack stands there
// by its number, never as an empty box. The code has the text itself.
func (s *labelSheet) shown(text string) string { return string(s.fonts.visible(text)) }

// fit sets a text in one line, smaller where it must be, and cut where even
// the smallest type is too wide for it: the record has it in full.
func (s *labelSheet) fit(x, y, wide float64, bold bool, pt float64, text string) {
	text = s.shown(text)
	for s.font(bold, pt); pt > smallest && s.width(text) > wide; s.font(bold, pt) {
		pt -= 0.5
	}
	cut := text
	for r := []rune(text); s.width(cut) > wide && len(r) > 0; cut = string(r) + "…" {
		r = r[:len(r)-1]
	}
	s.put(x, y, cut)
}

// flow sets a text over at most so many lines and returns where the next one goes.
func (s *labelSheet) flow(x, y, wide float64, bold bool, pt float64, most int, text string) float64 {
	step := pt * 0.42 // mm of a line, a fifth more than the type
	s.font(bold, pt)
	lines := s.d.SplitText(s.shown(text), wide*s.k)
	for i, line := range lines {
		if i == most-1 && len(lines) > most {
			s.fit(x, y, wide, bold, pt, strings.Join(lines[i:], " "))
			return y + step
		}
		s.put(x, y, strings.TrimSpace(line))
		y += step
	}
	return y
}

// blank is a ruled line to write on.
func (s *labelSheet) blank(x, y, wide float64) { s.rule(x, y+0.6, wide, 0.2) }

func (s *labelSheet) label(l chargeLabel) {
	const left = sheetEdge
	s.d.SetLineWidth(0.6 * s.k)
	s.d.Rect((left-2)*s.k, (left-2)*s.k, (sheetInner+4)*s.k, (sheetHigh-2*left+4)*s.k, "D")

	y := s.head(l)

	// What is in the pipes.
	y += 7
	s.font(false, 8)
	s.put(left, y, labelRefrigerant)
	if l.Refrigerant == "" {
		s.blank(left+28, y, sheetInner-28)
	} else {
		s.fit(left+28, y, sheetInner-28, true, 20, l.Refrigerant)
	}
	y += 6
	y = s.amount(y, labelFactory, l.Factory, 11)
	y = s.amount(y, "+ "+labelAdded, l.Added, 11)
	s.rule(left, y-3.6, sheetInner, 0.3)
	y += 1.6
	y = s.amount(y, "= "+labelTotal, l.Total, 15)
	if l.Warming != "" {
		y = s.flow(left, y-0.6, sheetInner, false, 7, 2, l.Warming)
	}
	y = s.notes(l, y)
	y -= 1
	s.rule(left, y, sheetInner, 0.3)

	// How far they run.
	y += 4
	half := sheetInner/2 - 1.5
	rows := min(pipesMost, max(2, int((proofsFrom-y-pipesHead)/pipesStep)))
	low := max(s.pipes(left, y, half, labelLiquid, l.Liquid, rows), s.pipes(left+half+3, y, half, labelGas, l.Gas, rows))
	y = low - 1
	s.rule(left, y, sheetInner, 0.3)
	s.proved(l, y)
	s.rule(left, cautionsAt-2.8, sheetInner, 0.3)
	s.flow(left, cautionsAt, sheetInner, false, smallest, 3, strings.Join(labelCautions, " "))
}

// head names the site, the system and the job: in one line, or in two where the
// system would be cut off, of which a site may have several.
func (s *labelSheet) head(l chargeLabel) (y float64) {
	y = sheetEdge + 3.5
	s.font(true, 7.5)
	s.put(sheetEdge, y, labelTitle)
	y += 5
	of := strings.Join(slicesOf(l.System, l.Job), " / ")
	where := strings.Join(slicesOf(l.Site, of), " / ")
	s.font(true, 8)
	switch {
	case where == "":
		s.blank(sheetEdge, y, sheetInner)
	case s.width(s.shown(where)) <= sheetInner || l.Site == "" || of == "":
		s.fit(sheetEdge, y, sheetInner, true, 11, where)
	default:
		s.fit(sheetEdge, y, sheetInner, true, 11, l.Site)
		y += 4.4
		if wide := sheetInner/2 - 1; l.System != "" && l.Job != "" && s.width(s.shown(of)) > sheetInner {
			s.fit(sheetEdge, y, wide, true, 9, l.System)
			s.fit(sheetEdge+wide+2, y, wide, true, 9, l.Job)
		} else {
			s.fit(sheetEdge, y, sheetInner, true, 9, of)
		}
	}
	y += 2
	s.rule(sheetEdge, y, sheetInner, 0.3)
	return y
}

// notes says how far the figures can be trusted, in as many lines as the sizes
// of the pipes (of four at the most) and what was proved leave.
func (s *labelSheet) notes(l chargeLabel, y float64) float64 {
	const step = 7 * 0.42
	pipes := pipesHead + 4 + float64(pipesStep*float64(min(4, max(len(l.Liquid), len(l.Gas), 2))))
	left := max(1, int((proofsFrom-pipes-y)/step))
	for i, n := range l.Notes {
		s.font(false, 7)
		need := min(2, s.lines(n, sheetInner))
		if more := i < len(l.Notes)-1; i == 3 || need > left || more && need == left {
			s.font(false, smallest)
			s.put(sheetEdge, y-0.6, labelMore)
			return y + 2.7
		}
		left -= need
		y = s.flow(sheetEdge, y-0.6, sheetInner, false, 7, 2, n) + 0.6
	}
	return y
}

// lines is how many lines a text takes in the font that is set.
func (s *labelSheet) lines(text string, wide float64) int {
	return len(s.d.SplitText(s.shown(text), wide*s.k))
}

// proved is what was proved, when and by whom, beside the code. Where there is
// not room for all of it, the longest text is cut first, never under two
// lines: what a test came to stands in them.
func (s *labelSheet) proved(l chargeLabel, y float64) {
	const line, around = 7.5 * 0.42, 3.1 + 0.8 // of a text; of what stands over and under one
	code := min(codeWide, cautionsAt-3-y)
	s.code(sheetEdge+sheetInner-code, y+0.5, code, l.codeText())
	wide := sheetInner - code - 1
	s.font(false, 7.5)
	texts := []string{l.Pressure.Text, l.Vacuum.Text}
	need := []int{min(4, s.lines(texts[0], wide)), min(4, s.lines(texts[1], wide))}
	y += 4
	who := max(1, min(2, len(l.Who)))
	if len(l.Who) == 1 {
		who = min(2, s.lines(l.Who[0].words(), wide))
	}
	room := int((cautionsAt - 4 - y - float64(4*around)) / line)
	for room < need[0]+need[1]+1+who && max(need[0], need[1]) > 2 {
		if need[0] > need[1] {
			need[0]--
		} else {
			need[1]--
		}
	}
	y = s.told(y, wide, labelPressure, texts[0], need[0])
	y = s.told(y, wide, labelVacuum, texts[1], need[1])
	date := ""
	if !l.Charged.IsZero() {
		date = labelDay(l.Charged)
	}
	y = s.told(y, wide, labelDate, date, 1)
	if len(l.Who) == 2 {
		s.font(true, 7)
		s.put(sheetEdge, y, labelSigned)
		y += around - 0.8
		for _, w := range l.Who {
			s.fit(sheetEdge, y, wide, false, 7.5, w.words())
			y += line
		}
		y += 0.8
	} else {
		var all []string
		for _, w := range l.Who {
			all = append(all, w.words())
		}
		y = s.told(y, wide, labelSigned, strings.Join(all, "; "), who)
	}
	if l.Key != "" && y < cautionsAt-8 {
		s.told(y, wide, labelKey, l.Key, max(1, min(3, int((cautionsAt-4-y-around)/line))))
	}
}

func slicesOf(texts ...string) (given []string) {
	for _, t := range texts {
		if t != "" {
			given = append(given, t)
		}
	}
	return given
}

// amount is a row of the charge: kg, and pounds and ounces, each a blank where it is not known.
func (s *labelSheet) amount(y float64, label string, a amount, pt float64) float64 {
	const kgAt, lbAt = sheetEdge + 28, sheetEdge + 62
	s.font(pt > 12, 8)
	if pt > 12 {
		s.font(true, 9.5)
	}
	if !a.Known {
		y += 1.2 // room for a pen
	}
	s.put(sheetEdge, y, label)
	switch {
	case !a.Known:
		s.blank(kgAt, y-0.6, 25)
		s.font(false, 8)
		s.put(kgAt+26, y, "kg")
		s.blank(lbAt, y-0.6, 9)
		s.put(lbAt+10, y, "lb")
		s.blank(lbAt+15, y-0.6, 9)
		s.put(lbAt+25, y, "oz")
	case a.band():
		s.fit(kgAt, y, 32, true, pt-1, fmt.Sprintf("%s to %s kg", rules.Kilogram.Number(a.LowKg), rules.Kilogram.Number(a.HighKg)))
		s.fit(lbAt, y, 31, true, pt-2, rules.PoundsOunces(a.LowKg)+" to "+rules.PoundsOunces(a.HighKg))
		y += 3.4
		s.font(false, 7)
		s.put(kgAt, y, fmt.Sprintf(labelBest, rules.Kilogram.Number(a.Kg)))
	default:
		s.fit(kgAt, y, 32, true, pt, rules.Kilogram.Number(a.Kg)+" kg")
		s.fit(lbAt, y, 31, true, pt-1, rules.PoundsOunces(a.Kg))
	}
	if a.How != "" {
		y += 3.2
		s.fit(kgAt, y, sheetInner-28, false, 7, a.How)
	}
	return y + 5.6
}

// pipes is a column of sizes with their lengths.
func (s *labelSheet) pipes(x, y, wide float64, label string, all []pipeSize, most int) float64 {
	s.font(true, 8)
	s.put(x, y, label)
	y += pipesHead
	if len(all) == 0 {
		for range 2 {
			s.blank(x, y, wide)
			y += 4.4
		}
		return y
	}
	for i, p := range all {
		if i == most-1 && len(all) > most {
			rest := 0.0
			for _, p := range all[i:] {
				rest += p.LengthM
			}
			s.fit(x, y, wide, false, 8, fmt.Sprintf("%d more sizes: %s", len(all)-i, rules.Metres(rest)))
			return y + pipesStep
		}
		s.fit(x, y, wide*0.52, false, 8, strings.TrimSpace(millimetres(p.OutsideM)+" mm  "+inches(p.OutsideM)))
		s.font(true, 8)
		m := rules.Metres(p.LengthM)
		s.put(x+wide*0.74-s.width(m), y, m)
		s.font(false, 7)
		f := rules.Feet(p.LengthM)
		s.put(x+wide-s.width(f), y, f)
		y += pipesStep
	}
	return y
}

// told is a label with its text below it, or a blank.
func (s *labelSheet) told(y, wide float64, label, text string, most int) float64 {
	s.font(true, 7)
	s.put(sheetEdge, y, label)
	if text == "" {
		y += 5
		s.blank(sheetEdge, y-1, wide)
		return y + 3.4
	}
	return s.flow(sheetEdge, y+3.1, wide, false, 7.5, most, text) + 0.8
}

// code draws the QR code into a square, the white around it included. Its dark
// modules are one path, so that no printer leaves a hair's breadth between them.
func (s *labelSheet) code(x, y, wide float64, text string) {
	c, err := labelCode(text)
	if err != nil {
		s.err = err
		return
	}
	const quiet = 4
	module := wide / float64(c.Size+2*quiet)
	var path strings.Builder
	pt := 72 / 25.4 * s.k
	for row := range c.Size {
		for col := 0; col < c.Size; col++ {
			if !c.Black(col, row) {
				continue
			}
			from := col
			for col+1 < c.Size && c.Black(col+1, row) {
				col++
			}
			left := x + float64(float64(from+quiet)*module)
			low := y + float64(float64(row+1+quiet)*module)
			fmt.Fprintf(&path, "%.2f %.2f %.2f %.2f re\n", left*pt, (sheetHigh-low)*pt, float64(col+1-from)*module*pt, module*pt)
		}
	}
	s.d.SetFillColor(0, 0, 0)
	s.d.RawWriteStr(path.String() + "f")
}
