package record

import (
	"math"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sizes of an axis, in points.
const (
	axisTick = 3    // a labelled tick; a fine one has half of it
	axisGap  = 3    // between the values' labels and their ticks
	axisHalf = 0.25 // half of an axis's line
)

// ruler is one of a curve's two. gonum/plot has a type for it, which brings three
// families of fonts and a raster of its own into the program, of which a curve
// on paper needs none.
type ruler struct {
	low, high float64
	log       bool
	ticks     []AxisTick
	label     text.Style
}

// norm is how far along the axis a value lies, from 0 to 1.
func (a ruler) norm(v float64) float64 {
	if a.log {
		low := math.Log(a.low)
		return (math.Log(v) - low) / (math.Log(a.high) - low)
	}
	return (v - a.low) / (a.high - a.low)
}

// size is what the largest of its labels takes.
func (a ruler) size() (width, height vg.Length) {
	for _, t := range a.ticks {
		if t.Label != "" {
			r := a.label.Rectangle(t.Label)
			width, height = max(width, r.Max.X-r.Min.X), max(height, r.Max.Y-r.Min.Y)
		}
	}
	return width, height
}

// begins is where a tick's line begins: a fine one is short.
func begins(t AxisTick) vg.Length {
	if t.Label == "" {
		return axisTick / 2.
	}
	return 0
}

// areas are what the time axis, the value axis and the data have of an area. The
// outermost labels stay within it.
func (p *curvePlot) areas(area draw.Canvas) (times, values, data draw.Canvas) {
	left, _ := p.values.size()
	if left > 0 {
		left += axisGap
	}
	_, bottom := p.times.size()
	times = draw.Crop(area, left+axisTick+axisHalf, 0, 0, 0)
	values = draw.Crop(area, 0, 0, bottom+axisTick+axisHalf, 0)

	far, at, over := times.Max.X, 1., vg.Length(0)
	for _, t := range p.times.ticks {
		n, half := p.times.norm(t.At), p.times.label.Width(t.Label)/2
		if x := times.X(n) + half; x > far {
			far, at, over = x, n, half
		}
	}
	times.Max.X = times.Min.X + (times.Max.X-over-times.Min.X)/vg.Length(at)

	far, at, over = values.Max.Y, 1., 0
	for _, t := range p.values.ticks {
		n, half := p.values.norm(t.At), p.values.label.Height(t.Label)/2
		if y := values.Y(n) + half; t.Label != "" && y > far {
			far, at, over = y, n, half
		}
	}
	values.Max.Y = values.Min.Y + (values.Max.Y-over-values.Min.Y)/vg.Length(at)

	data = draw.Canvas{Canvas: area.Canvas, Rectangle: vg.Rectangle{
		Min: vg.Point{X: times.Min.X, Y: values.Min.Y},
		Max: vg.Point{X: times.Max.X, Y: values.Max.Y},
	}}
	return times, values, data
}

func (p *curvePlot) drawTimes(dc draw.Canvas) {
	_, height := p.times.size()
	y := dc.Min.Y + height
	for _, t := range p.times.ticks {
		dc.FillText(p.times.label, vg.Point{X: dc.X(p.times.norm(t.At)), Y: y + p.times.label.FontExtents().Descent}, t.Label)
	}
	for _, t := range p.times.ticks {
		x := dc.X(p.times.norm(t.At))
		dc.StrokeLine2(thinStroke, x, y+begins(t), x, y+axisTick)
	}
	y += axisTick
	dc.StrokeLine2(thinStroke, dc.Min.X, y, dc.Max.X, y)
}

func (p *curvePlot) drawValues(dc draw.Canvas) {
	width, _ := p.values.size()
	x := dc.Min.X + width
	for _, t := range p.values.ticks {
		dc.FillText(p.values.label, vg.Point{X: x, Y: dc.Y(p.values.norm(t.At)) + p.values.label.FontExtents().Descent}, t.Label)
	}
	if width > 0 {
		x += p.values.label.Width(" ")
	}
	for _, t := range p.values.ticks {
		y := dc.Y(p.values.norm(t.At))
		dc.StrokeLine2(thinStroke, x+begins(t), y, x+axisTick, y)
	}
	x += axisTick
	dc.StrokeLine2(thinStroke, x, dc.Min.Y, x, dc.Max.Y)
}

// curveFonts has the letters that curves are measured with: the papers' own.
var curveFonts = sync.OnceValue(func() *font.Cache {
	face, err := opentype.Parse(liberationsansregular.TTF)
	if err != nil {
		panic("record: " + err.Error()) // it is part of the binary: a fault of the build
	}
	return font.NewCache(font.Collection{{Font: font.Font{Typeface: "Liberation", Variant: "Sans"}, Face: face}})
})
