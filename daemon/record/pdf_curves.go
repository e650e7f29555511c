package record

import (
	"encoding/hex"
	"strings"
	"unicode/utf16"

	"gonum.org/v1/plot/vg"
)

// How small curves stand side by side.
const (
	briefAcross = 3
	briefGutter = 14.0
	briefApart  = 7.0 // from row to row
)

var briefStyle = style{size: 7.5, bold: true}

func (s *sheet) briefWidth() float64 {
	return hundredth((s.width() - (briefAcross-1)*briefGutter) / briefAcross)
}

// briefRow is a row of small curves, laid: each title's lines, and the heights.
type briefRow struct {
	each          []Curve
	titles        [][]textLine
	title, height float64
}

func (s *sheet) briefRow(each []Curve) briefRow {
	r := briefRow{each: each}
	for _, c := range each {
		lines := s.wrap(c.Title, briefStyle, s.briefWidth())
		r.titles = append(r.titles, lines)
		r.title = max(r.title, float64(len(lines))*briefStyle.line())
		r.height = max(r.height, float64(briefHeight(c, vg.Length(s.briefWidth()))))
	}
	return r
}

func (s *sheet) curvesHead(cs Curves, legend int) float64 {
	return float64(len(s.wrap(cs.Title, boldStyle, s.width())))*boldStyle.line() + float64(legend)*curveLine + 4
}

// curvesBegin is their head with the first row.
func (s *sheet) curvesBegin(cs Curves) float64 {
	if len(cs.Each) == 0 {
		return 0
	}
	r := s.briefRow(cs.Each[:min(briefAcross, len(cs.Each))])
	return 8 + s.curvesHead(cs, len(legendOf(cs, vg.Length(s.width())).legend)) + r.title + r.height
}

// curves draws small curves, row by row; a row is never torn.
func (s *sheet) curves(cs Curves) {
	if len(cs.Each) == 0 {
		return
	}
	s.gap(8)
	s.room(s.curvesBegin(cs))
	for _, l := range s.wrap(cs.Title, boldStyle, s.width()) {
		s.line(s.left(), boldStyle, l)
	}
	legend := legendOf(cs, vg.Length(s.width()))
	height := float64(len(legend.legend))*curveLine + 4
	dc := canvasOf(&pdfPen{s, s.left(), s.y + height}, vg.Length(s.width()), vg.Length(height))
	legend.drawLegend(dc, dc.Max.Y)
	s.y, s.fresh = s.y+height, false
	for i := 0; i < len(cs.Each); i += briefAcross {
		r := s.briefRow(cs.Each[i:min(i+briefAcross, len(cs.Each))])
		s.room(r.title + r.height)
		for k, c := range r.each {
			x := s.left() + float64(float64(k)*(s.briefWidth()+briefGutter))
			for j, l := range r.titles[k] {
				s.set(x, s.y+float64(float64(j)*briefStyle.line())+briefStyle.size, briefStyle, l)
			}
			own := float64(briefHeight(c, vg.Length(s.briefWidth())))
			s.pictured(c.Title+". "+c.Describe, func() {
				drawBrief(canvasOf(&pdfPen{s, x, s.y + r.title + own}, vg.Length(s.briefWidth()), vg.Length(own)), c)
			})
		}
		s.y, s.fresh = s.y+r.title+r.height+briefApart, false
	}
	for _, l := range s.wrap(cs.Note, smallStyle, s.width()) {
		s.room(smallStyle.line())
		s.line(s.left(), smallStyle, l)
	}
}

// pictured draws something that has its meaning in words: a marked-content
// sequence with an alternate description (ISO 32000-1, 14.9.3), for readers that
// know it without a structure tree. What is drawn must stay on one page.
func (s *sheet) pictured(says string, put func()) {
	var text strings.Builder
	for _, u := range utf16.Encode([]rune("\ufeff" + says)) {
		text.WriteString(hex.EncodeToString([]byte{byte(u >> 8), byte(u)}))
	}
	s.f.RawWriteStr("/Span <</Alt <" + strings.ToUpper(text.String()) + ">>> BDC\n")
	put()
	s.f.RawWriteStr("EMC\n")
}
