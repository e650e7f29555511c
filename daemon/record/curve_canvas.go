package record

import (
	"fmt"
	"html"
	"image"
	"image/color"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// A pen puts a curve on paper or on a page: y goes up, from the curve's foot.
type pen interface {
	stroke(points []vg.Point, width vg.Length, dashes []vg.Length, c color.Color)
	fill(points []vg.Point, c color.Color)
	text(at vg.Point, size, width vg.Length, bold bool, s string, c color.Color)
}

// flat is a vg.Canvas of what a curve needs: straight lines, areas of one
// colour and text that is not turned. gonum/plot has canvases for PDF and SVG
// of its own. They are not used because the first begins a file for itself,
// with no way for text in the fonts of ours, and the second writes style
// attributes, which the box's own pages forbid.
type flat struct {
	pen pen
	flatState
	saved []flatState
}

type flatState struct {
	width  vg.Length
	dashes []vg.Length
	color  color.Color
	origin vg.Point
}

func drawWith(p pen, c Curve, width, height vg.Length) {
	drawCurve(canvasOf(p, width, height), c)
}

func canvasOf(p pen, width, height vg.Length) draw.Canvas {
	canvas := &flat{pen: p}
	canvas.color = color.Black
	canvas.width = 1
	return draw.NewCanvas(canvas, width, height)
}

func (f *flat) SetLineWidth(w vg.Length)               { f.width = w }
func (f *flat) SetLineDash(d []vg.Length, _ vg.Length) { f.dashes = d }
func (f *flat) Push()                                  { f.saved = append(f.saved, f.flatState) }
func (f *flat) Translate(pt vg.Point)                  { f.origin = f.origin.Add(pt) }
func (f *flat) DrawImage(vg.Rectangle, image.Image)    {}
func (f *flat) Rotate(float64)                         {}
func (f *flat) Scale(float64, float64)                 {}

func (f *flat) SetColor(c color.Color) {
	if c == nil {
		c = color.Black
	}
	f.color = c
}

func (f *flat) Pop() {
	last := len(f.saved) - 1
	f.flatState, f.saved = f.saved[last], f.saved[:last]
}

func (f *flat) Stroke(path vg.Path) {
	if f.width <= 0 {
		return
	}
	for _, pts := range f.lines(path) {
		f.pen.stroke(pts, f.width, f.dashes, f.color)
	}
}

func (f *flat) Fill(path vg.Path) {
	for _, pts := range f.lines(path) {
		f.pen.fill(pts, f.color)
	}
}

func (f *flat) FillString(face font.Face, pt vg.Point, s string) {
	if face.Font.Size == 0 || s == "" {
		return
	}
	f.pen.text(f.origin.Add(pt), face.Font.Size, face.Width(s), face.Font.Weight > 0, s, f.color)
}

// lines are the path's polygons, and whether one is closed shows at its end.
func (f *flat) lines(path vg.Path) (all [][]vg.Point) {
	var pts []vg.Point
	flush := func() {
		if len(pts) > 1 {
			all = append(all, pts)
		}
		pts = nil
	}
	for _, c := range path {
		switch c.Type {
		case vg.MoveComp:
			flush()
			pts = append(pts, f.origin.Add(c.Pos))
		case vg.LineComp:
			pts = append(pts, f.origin.Add(c.Pos))
		case vg.CloseComp:
			if len(pts) > 0 {
				pts = append(pts, pts[0])
			}
			flush()
		}
	}
	flush()
	return all
}

// hundredth rounds a place to what is written of it. A laptop and an ARM board
// may differ in a sum's last digit; a place that lies between two hundredths
// by construction (half a width) must not be rounded apart by that, which the
// last summand sees to.
func hundredth(v float64) float64 {
	return math.Floor(float64(v*100)+0.5+1e-6) / 100
}

// SVG draws a curve for a page: as wide as its place, with text that is text,
// and without a title, which stands beside it. It holds no style attribute and
// no script; the ink is the page's own colour (currentColor), paper and accent
// are its --paper and --accent where it has them. class is put on the drawing.
func SVG(c Curve, class string) string {
	const width = 560
	return svgOf(class, c.Title+" "+c.Describe, width, curveHeight(c, width), func(dc draw.Canvas) { drawCurve(dc, c) })
}

// svgOf is a drawing with what it says in words; without any it is only to be
// looked at.
func svgOf(class, says string, width, height vg.Length, put func(draw.Canvas)) string {
	told := `role="img" aria-label="` + html.EscapeString(says) + `"`
	if says == "" {
		told = `aria-hidden="true" focusable="false"`
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" class="%s" viewBox="0 0 %s %s" %s font-family="Liberation Sans, Arial, Helvetica, sans-serif">`,
		html.EscapeString(class), number(float64(width)), number(float64(height)), told)
	put(canvasOf(&svgPen{&b, float64(height)}, width, height))
	b.WriteString("</svg>\n")
	return b.String()
}

// svgLegend and svgBrief draw small curves for a page: their legend, and each.
func svgLegend(cs Curves) string {
	const width = 560
	p := legendOf(cs, width)
	return svgOf("legend", "", width, vg.Length(len(p.legend))*curveLine+4, func(dc draw.Canvas) { p.drawLegend(dc, dc.Max.Y) })
}

func svgBrief(c Curve) string {
	const width = 250
	return svgOf("curve", c.Title+" "+c.Describe, width, briefHeight(c, width), func(dc draw.Canvas) { drawBrief(dc, c) })
}

type svgPen struct {
	*strings.Builder
	height float64
}

func (s *svgPen) stroke(pts []vg.Point, width vg.Length, dashes []vg.Length, c color.Color) {
	fmt.Fprintf(s, `<path fill="none" stroke="%s" stroke-width="%s"`, svgColor(c), number(float64(width)))
	for i, d := range dashes {
		if i == 0 {
			s.WriteString(` stroke-dasharray="`)
		} else {
			s.WriteByte(' ')
		}
		s.WriteString(number(float64(d)))
	}
	if len(dashes) > 0 {
		s.WriteByte('"')
	}
	s.WriteString(` d="`)
	s.points(pts)
	s.WriteString(`"/>`)
}

func (s *svgPen) fill(pts []vg.Point, c color.Color) {
	fmt.Fprintf(s, `<path fill="%s" d="`, svgColor(c))
	s.points(pts)
	s.WriteString(`"/>`)
}

func (s *svgPen) text(at vg.Point, size, width vg.Length, bold bool, text string, c color.Color) {
	// Where the page's font is wider than the one that was measured with, the
	// text is pressed into its place.
	fmt.Fprintf(s, `<text x="%s" y="%s" font-size="%s" textLength="%s" lengthAdjust="spacingAndGlyphs" fill="%s"`,
		number(float64(at.X)), number(s.height-float64(at.Y)), number(float64(size)), number(float64(width)), svgColor(c))
	if bold {
		s.WriteString(` font-weight="bold"`)
	}
	fmt.Fprintf(s, `>%s</text>`, html.EscapeString(text))
}

func (s *svgPen) points(pts []vg.Point) {
	for i, pt := range pts {
		if i == 0 {
			s.WriteByte('M')
		} else {
			s.WriteByte('L')
		}
		s.WriteString(number(float64(pt.X)))
		s.WriteByte(' ')
		s.WriteString(number(s.height - float64(pt.Y)))
	}
}

func svgColor(c color.Color) string {
	switch c {
	case ink, color.Black:
		return "currentColor"
	case paper:
		return "var(--paper, #fff)"
	case accent:
		return "var(--accent, #1c4680)"
	case soft:
		return "var(--soft, #5a5a5a)"
	case shade:
		return "var(--rule, #e1e1e1)"
	}
	r, g, b, _ := c.RGBA()
	return fmt.Sprintf("#%02x%02x%02x", r>>8, g>>8, b>>8)
}

// number writes a place with the digits that can be seen.
func number(v float64) string {
	v = hundredth(v)
	if v == 0 {
		return "0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
