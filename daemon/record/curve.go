package record

import (
	"image/color"
	"math"
	"slices"
	"strconv"
	"time"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sizes of a curve, in points. The graph itself is as high as its paper
// allows; what is written around it keeps the size of small print.
const (
	curveGraph  = 150 // height of the graph with its axes
	curvePrint  = 7.5
	curveLine   = 10 // from one line of small print to the next
	curveMost   = 10 // lines of tick labels, before the rest are only counted
	curveColumn = 0.5

	briefGraph = 84 // of a small one among others
	briefStrip = 7  // over it: what was asked
)

// Inks. Every one of them is told from the others in grey print too.
var (
	ink    = color.Gray{Y: 20}
	soft   = color.Gray{Y: 90}
	faint  = color.Gray{Y: 170}
	paper  = color.Gray{Y: 255}
	shade  = color.Gray{Y: 225}
	accent = color.RGBA{R: 0x1c, G: 0x46, B: 0x80, A: 0xff}
)

// strokes are the lines of one curve, told apart by weight and dashes first.
var strokes = []draw.LineStyle{
	{Color: ink, Width: 0.9},
	{Color: accent, Width: 0.9, Dashes: []vg.Length{5, 1.5}},
	{Color: soft, Width: 1.3, Dashes: []vg.Length{1.2, 1.2}},
	{Color: ink, Width: 0.6, Dashes: []vg.Length{6, 1.5, 1, 1.5}},
}

var (
	modelStroke = draw.LineStyle{Color: accent, Width: 0.6, Dashes: []vg.Length{3, 2}}
	limitStroke = draw.LineStyle{Color: ink, Width: 0.9, Dashes: []vg.Length{8, 2}}
	hatchStroke = draw.LineStyle{Color: faint, Width: 0.35}
	lightStroke = draw.LineStyle{Color: color.Gray{Y: 205}, Width: 0.35}
	thinStroke  = draw.LineStyle{Color: soft, Width: 0.5}
	stemStroke  = draw.LineStyle{Color: faint, Width: 0.35, Dashes: []vg.Length{1, 1}}
	gridStroke  = draw.LineStyle{Color: shade, Width: 0.4}
)

func small(size vg.Length) text.Style {
	return text.Style{
		Color:   ink,
		Font:    font.From(font.Font{Typeface: "Liberation", Variant: "Sans"}, size),
		Handler: text.Plain{Fonts: curveFonts()},
	}
}

// curveHeight is what drawCurve needs for a curve so wide.
func curveHeight(c Curve, width vg.Length) vg.Length {
	p := newCurvePlot(c, width, false)
	return vg.Length(len(p.legend)+len(p.lanes)+1)*curveLine + p.strip() + curveGraph + 8
}

// briefHeight is what drawBrief needs.
func briefHeight(c Curve, width vg.Length) vg.Length {
	p := newCurvePlot(c, width, true)
	return vg.Length(len(p.lanes))*curveLine + p.strip() + briefGraph + 8
}

// drawBrief draws a small curve among others, whose legend stands over all.
func drawBrief(dc draw.Canvas, c Curve) {
	newCurvePlot(c, dc.Max.X-dc.Min.X, true).drawGraph(dc, dc.Max.Y-3)
}

// legendOf is what the lines of small curves are, once for all of them, and how
// many rows that takes.
func legendOf(cs Curves, width vg.Length) *curvePlot {
	p := &curvePlot{}
	if len(cs.Each) == 0 {
		return p
	}
	p.curve.Lines = cs.Each[0].Lines
	gaps := false
	for _, c := range cs.Each {
		for _, b := range c.Bands {
			if !slices.ContainsFunc(p.curve.Bands, func(o Band) bool { return o.Name == b.Name }) {
				p.curve.Bands = append(p.curve.Bands, Band{Name: b.Name})
			}
		}
		p.curve.Spans = append(p.curve.Spans, c.Spans...)
		gaps = gaps || len(newCurvePlot(c, width, true).gaps()) > 0
	}
	c := cs.Each[0]
	p.addKeys(width, gaps)
	said := "times in " + zoneName(c.Begin, c.End)
	if !slices.ContainsFunc(cs.Each, func(o Curve) bool { return o.Unit != c.Unit }) {
		said = c.Unit + "; " + said
	}
	p.legendAdd(key{name: said, bare: true}, width)
	return p
}

// drawCurve draws a curve, without its title, which stands as text beside it.
func drawCurve(dc draw.Canvas, c Curve) {
	p := newCurvePlot(c, dc.Max.X-dc.Min.X, false)
	sty := small(curvePrint)

	// From the top: what the lines are, the unit above its axis, the graph with
	// its time axis, and under it what happened.
	y := p.drawLegend(dc, dc.Max.Y)
	y -= curveLine
	dc.FillText(sty, vg.Point{X: dc.Min.X, Y: y}, c.Unit)

	right := sty
	right.XAlign = text.XRight
	dc.FillText(right, vg.Point{X: dc.Max.X, Y: y}, p.zone)
	p.drawGraph(dc, y-5)
}

// drawLegend draws the legend from y down, and returns where it ends.
func (p *curvePlot) drawLegend(dc draw.Canvas, y vg.Length) vg.Length {
	sty := small(curvePrint)
	for _, row := range p.legend {
		y -= curveLine
		for _, k := range row {
			x := dc.Min.X + k.x
			mid := y + 3
			switch {
			case k.bare:
				dc.FillText(sty, vg.Point{X: x, Y: y}, k.name)
				continue
			case k.full:
				dc.FillPolygon(ink, box(x, mid-2, x+18, mid+2))
			case k.band:
				dc.FillPolygon(shade, box(x, mid-3, x+18, mid+3))
			case k.strip:
				p.hatchStrip(dc, x, x+18, mid-2, mid+2)
			case k.hatch:
				hatch(dc, vg.Rectangle{Min: vg.Point{X: x, Y: mid - 3}, Max: vg.Point{X: x + 18, Y: mid + 3}}, -1)
				dc.StrokeLines(gridStroke, closed(box(x, mid-3, x+18, mid+3)))
			default:
				dc.StrokeLine2(k.stroke, x, mid, x+18, mid)
			}
			dc.FillText(sty, vg.Point{X: x + 22, Y: y}, k.name)
		}
	}
	return y
}

// drawGraph draws the graph with its axes, what was asked over it and what
// happened under it.
func (p *curvePlot) drawGraph(dc draw.Canvas, top vg.Length) {
	bottom := dc.Min.Y + vg.Length(len(p.lanes))*curveLine + 4
	area := draw.Canvas{Canvas: dc.Canvas, Rectangle: vg.Rectangle{
		Min: vg.Point{X: dc.Min.X, Y: bottom},
		Max: vg.Point{X: dc.Max.X, Y: top - p.strip()},
	}}
	times, values, data := p.areas(area)
	p.drawTimes(times)
	p.drawValues(values)
	p.drawData(data)
	for _, s := range p.curve.Spans {
		from, to := max(0, (unix(s.From)-p.begin)/p.span), min(1, (unix(s.To)-p.begin)/p.span)
		if from >= to {
			continue
		}
		x0, x1, y := data.X(from), data.X(to), data.Max.Y+3
		if s.Full {
			dc.FillPolygon(ink, box(x0, y, x1, y+4))
		} else {
			p.hatchStrip(dc, x0, x1, y, y+4)
		}
	}
	p.drawTicks(dc, data, bottom)
}

func (p *curvePlot) hatchStrip(dc draw.Canvas, x0, x1, y0, y1 vg.Length) {
	hatch(dc, vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}, -1)
	dc.StrokeLines(thinStroke, closed(box(x0, y0, x1, y1)))
}

// strip is the room over the graph for what was asked.
func (p *curvePlot) strip() vg.Length {
	if len(p.curve.Spans) == 0 {
		return 0
	}
	return briefStrip
}

// curvePlot is a plot with what stands around it.
type curvePlot struct {
	curve  Curve
	times  ruler // seconds after the begin
	values ruler
	begin  float64 // Unix seconds
	span   float64
	zone   string
	legend [][]key
	lanes  [][]laneTick
	left   vg.Length // where the graph begins, from the left
	right  vg.Length
	more   int // ticks that found no lane
}

// key is one name in the legend.
type key struct {
	name        string
	stroke      draw.LineStyle
	band, hatch bool
	full, strip bool // of what was asked
	bare        bool // words alone
	x           vg.Length
}

type laneTick struct {
	at    float64 // 0 to 1 of the time axis
	x     vg.Length
	label string
}

// newCurvePlot lays a curve; a brief one has no legend of its own.
func newCurvePlot(c Curve, width vg.Length, brief bool) *curvePlot {
	p := &curvePlot{curve: c}
	if !c.End.After(c.Begin) {
		c.End = c.Begin.Add(time.Minute)
		p.curve.End = c.End
	}
	p.begin, p.span = unix(c.Begin), c.End.Sub(c.Begin).Seconds()
	p.zone = "times in " + zoneName(c.Begin, c.End)

	sty := small(curvePrint)
	p.values = p.valueAxis()
	p.values.label = sty
	p.values.label.XAlign, p.values.label.YAlign = text.XRight, text.YCenter
	p.times = ruler{high: p.span, label: sty, ticks: timeTicks(c.Begin, c.End, max(3, int(width/55)))}
	p.times.label.XAlign, p.times.label.YAlign = text.XCenter, text.YTop

	if !brief {
		p.addKeys(width, len(p.gaps()) > 0)
	}
	graph := vg.Length(curveGraph)
	if brief {
		graph = briefGraph
	}

	// Where the graph lies from left to right does not hang on its height.
	_, _, data := p.areas(draw.Canvas{Rectangle: vg.Rectangle{Max: vg.Point{X: width, Y: graph}}})
	p.left, p.right = data.Min.X, data.Max.X
	p.layTicks(width)
	return p
}

// addKeys names what is drawn.
func (p *curvePlot) addKeys(width vg.Length, gaps bool) {
	for i, l := range p.curve.Lines {
		if l.Name != "" {
			p.legendAdd(key{name: l.Name, stroke: p.stroke(i)}, width)
		}
	}
	for _, b := range p.curve.Bands {
		if b.Name != "" {
			p.legendAdd(key{name: b.Name, band: true}, width)
		}
	}
	var named []string
	for _, s := range p.curve.Spans {
		if !slices.Contains(named, s.Name) {
			named = append(named, s.Name)
			p.legendAdd(key{name: s.Name, full: s.Full, strip: !s.Full}, width)
		}
	}
	if gaps {
		p.legendAdd(key{name: "no data", hatch: true}, width)
	}
}

// stroke is how the line of that index is drawn: a model always in the same way.
func (p *curvePlot) stroke(index int) draw.LineStyle {
	if p.curve.Lines[index].Model {
		return modelStroke
	}
	n := 0
	for _, l := range p.curve.Lines[:index] {
		if !l.Model {
			n++
		}
	}
	return strokes[n%len(strokes)]
}

func (p *curvePlot) legendAdd(k key, width vg.Length) {
	sty := small(curvePrint)
	k.name = shorten(sty, k.name, width-24)
	var end vg.Length
	if n := len(p.legend); n > 0 {
		last := p.legend[n-1][len(p.legend[n-1])-1]
		end = last.x + 22 + sty.Width(last.name) + 14
	}
	if len(p.legend) == 0 || end+22+sty.Width(k.name) > width {
		p.legend = append(p.legend, nil)
		end = 0
	}
	k.x = end
	p.legend[len(p.legend)-1] = append(p.legend[len(p.legend)-1], k)
}

// layTicks gives every tick a lane in which its label has room.
func (p *curvePlot) layTicks(width vg.Length) {
	sty := small(curvePrint)
	ticks := slices.Clone(p.curve.Ticks)
	slices.SortStableFunc(ticks, func(a, b Tick) int { return a.At.Compare(b.At) })
	var ends []vg.Length
	for _, t := range ticks {
		at := (unix(t.At) - p.begin) / p.span
		if at < 0 || at > 1 {
			continue
		}
		label := shorten(sty, t.Label, width-8)
		x := p.left + vg.Length(at)*(p.right-p.left) + 3
		w := sty.Width(label)
		if x+w > width {
			x = max(0, width-w)
		}
		lane := slices.IndexFunc(ends, func(end vg.Length) bool { return end+6 <= x })
		if lane < 0 {
			if len(ends) == curveMost {
				p.more++
				continue
			}
			lane = len(ends)
			ends = append(ends, 0)
			p.lanes = append(p.lanes, nil)
		}
		ends[lane] = x + w
		p.lanes[lane] = append(p.lanes[lane], laneTick{at, x, label})
	}
	if p.more > 0 {
		p.lanes = append(p.lanes, []laneTick{{-1, 0, "and " + strconv.Itoa(p.more) + " more: see the flags and the field log"}})
	}
}

func (p *curvePlot) drawTicks(dc, data draw.Canvas, top vg.Length) {
	sty := small(curvePrint)
	for i, lane := range p.lanes {
		for _, t := range lane {
			if t.at >= 0 {
				x := data.X(t.at)
				dc.StrokeLine2(stemStroke, x, top-vg.Length(i+1)*curveLine+2, x, data.Max.Y)
				dc.FillPolygon(ink, []vg.Point{{X: x - 2, Y: data.Min.Y - 4}, {X: x + 2, Y: data.Min.Y - 4}, {X: x, Y: data.Min.Y}})
			}
		}
	}
	for i, lane := range p.lanes {
		y := top - vg.Length(i+1)*curveLine + 2
		for _, t := range lane {
			dc.FillPolygon(paper, box(dc.Min.X+t.x-1, y-2, dc.Min.X+t.x+sty.Width(t.label)+1, y+curveLine-3))
			dc.FillText(sty, vg.Point{X: dc.Min.X + t.x, Y: y}, t.label)
		}
	}
}

// drawData draws what lies within the axes, from the back to the front.
func (p *curvePlot) drawData(dc draw.Canvas) {
	c := p.curve
	for _, t := range p.values.ticks {
		if t.Label != "" {
			y := p.y(dc, t.At)
			dc.StrokeLine2(gridStroke, dc.Min.X, y, dc.Max.X, y)
		}
	}
	for _, b := range c.Bands {
		var up, down []vg.Point
		for i := range min(len(b.At), len(b.Low), len(b.High)) {
			x := p.x(dc, b.At[i])
			if finite(b.Low[i]) && finite(b.High[i]) {
				up = append(up, vg.Point{X: x, Y: p.y(dc, b.High[i])})
				down = append(down, vg.Point{X: x, Y: p.y(dc, b.Low[i])})
			}
		}
		slices.Reverse(down)
		if poly := dc.ClipPolygonX(append(up, down...)); len(poly) > 2 {
			dc.FillPolygon(shade, poly)
		}
	}
	p.hatchForbidden(dc)
	for _, g := range p.gaps() {
		hatch(dc, vg.Rectangle{
			Min: vg.Point{X: dc.X(g[0]), Y: dc.Min.Y},
			Max: vg.Point{X: dc.X(g[1]), Y: dc.Max.Y},
		}, -1)
	}
	p.drawLimits(dc) // beneath the lines: its names' ground hides none of them
	for i, line := range c.Lines {
		sty := p.stroke(i)
		for _, stretch := range line.Stretches {
			p.drawStretch(dc, sty, stretch)
		}
	}
}

func (p *curvePlot) x(dc draw.Canvas, at time.Time) vg.Length {
	return dc.X((unix(at) - p.begin) / p.span)
}

// y is where a value lies; what is off the axis lies at its end.
func (p *curvePlot) y(dc draw.Canvas, v float64) vg.Length {
	return dc.Y(p.values.norm(min(max(v, p.values.low), p.values.high)))
}

// drawStretch joins its samples; of many that fall into one column of the
// paper the first, the lowest, the highest and the last are enough.
func (p *curvePlot) drawStretch(dc draw.Canvas, sty draw.LineStyle, stretch []Sample) {
	var pts []vg.Point
	var column []vg.Point
	flush := func() {
		if len(column) == 0 {
			return
		}
		low, high := 0, 0
		for i, pt := range column {
			if pt.Y < column[low].Y {
				low = i
			}
			if pt.Y > column[high].Y {
				high = i
			}
		}
		keep := []int{0, min(low, high), max(low, high), len(column) - 1}
		for _, i := range slices.Compact(keep) {
			pts = append(pts, column[i])
		}
		column = column[:0]
	}
	draw := func() {
		flush()
		if len(pts) == 1 { // alone between two gaps: still to be seen
			pts = append(pts, vg.Point{X: pts[0].X + 1, Y: pts[0].Y})
		}
		dc.StrokeLines(sty, dc.ClipLinesX(pts)...)
		pts = pts[:0]
	}
	for _, s := range stretch {
		if !finite(s.Value) {
			draw()
			continue
		}
		pt := vg.Point{X: p.x(dc, s.At), Y: p.y(dc, s.Value)}
		if len(column) > 0 && math.Abs(float64(pt.X-column[0].X)) > curveColumn {
			flush()
		}
		column = append(column, pt)
	}
	draw()
}

// gaps are the times, from 0 to 1, in which no measured line has a sample.
func (p *curvePlot) gaps() [][2]float64 {
	const smallest = 0.004 // of the axis: less cannot be seen
	var have [][2]float64
	for _, l := range p.curve.Lines {
		if l.Model {
			continue
		}
		for _, s := range l.Stretches {
			if len(s) > 0 {
				have = append(have, [2]float64{
					(unix(s[0].At) - p.begin) / p.span,
					(unix(s[len(s)-1].At) - p.begin) / p.span,
				})
			}
		}
	}
	slices.SortFunc(have, func(a, b [2]float64) int {
		if a[0] < b[0] || a[0] == b[0] && a[1] < b[1] {
			return -1
		}
		return 1
	})
	var gaps [][2]float64
	end := 0.0
	for _, h := range append(have, [2]float64{1, 1}) {
		from, to := end, min(h[0], 1)
		// One sample's time at either end of the axis is no gap.
		least := smallest
		if from == 0 || to == 1 {
			least = 0.02
		}
		if to-from > least {
			gaps = append(gaps, [2]float64{from, to})
		}
		end = max(end, h[1])
	}
	return gaps
}

// hatchForbidden hatches what lies beyond the nearest limits, up and down.
func (p *curvePlot) hatchForbidden(dc draw.Canvas) {
	above, below := math.Inf(1), math.Inf(-1)
	for _, l := range p.curve.Limits {
		if l.Above {
			above = min(above, l.Value)
		} else {
			below = max(below, l.Value)
		}
	}
	if above < p.values.high {
		hatch(dc, vg.Rectangle{Min: vg.Point{X: dc.Min.X, Y: p.y(dc, above)}, Max: dc.Max}, 1)
	}
	if below > p.values.low {
		hatch(dc, vg.Rectangle{Min: dc.Min, Max: vg.Point{X: dc.Max.X, Y: p.y(dc, below)}}, 1)
	}
}

// drawLimits draws each limit with its name on it, where that lies on least of the
// curve and on no other name: over the line at its right end rather than elsewhere.
func (p *curvePlot) drawLimits(dc draw.Canvas) {
	sty := small(curvePrint)
	curve := p.places(dc)
	var taken []vg.Rectangle
	for _, l := range p.curve.Limits {
		if !(l.Value >= p.values.low && l.Value <= p.values.high) {
			continue
		}
		y := p.y(dc, l.Value)
		dc.StrokeLine2(limitStroke, dc.Min.X, y, dc.Max.X, y)
		label := shorten(sty, l.Label, dc.Max.X-dc.Min.X-8)
		if label == "" {
			continue
		}
		w := sty.Width(label)
		fewest, best := vg.Length(math.Inf(1)), vg.Rectangle{}
		for _, base := range []vg.Length{y + 3, y - curveLine + 1, y - 2*curveLine + 1, y - 3*curveLine + 1} {
			for _, x := range []vg.Length{dc.Max.X - w - 4, dc.Min.X + 4, (dc.Min.X + dc.Max.X - w) / 2} {
				b := vg.Rectangle{Min: vg.Point{X: x - 2, Y: base - 2}, Max: vg.Point{X: x + w + 2, Y: base + curveLine - 3}}
				if n := inWay(dc, b, curve, taken); n < fewest-0.01 { // points: what is as good on any machine
					fewest, best = n, b
				}
			}
		}
		taken = append(taken, best)
		dc.FillPolygon(paper, box(best.Min.X, best.Min.Y, best.Max.X, best.Max.Y))
		dc.FillText(sty, vg.Point{X: best.Min.X + 2, Y: best.Min.Y + 2}, label)
	}
}

// places are the curve's lines on the paper.
func (p *curvePlot) places(dc draw.Canvas) (lines [][]vg.Point) {
	for _, l := range p.curve.Lines {
		for _, stretch := range l.Stretches {
			var pts []vg.Point
			for _, s := range stretch {
				if finite(s.Value) {
					pts = append(pts, vg.Point{X: p.x(dc, s.At), Y: p.y(dc, s.Value)})
				}
			}
			if len(pts) > 1 {
				lines = append(lines, pts)
			}
		}
	}
	return lines
}

// inWay is how much of the curve lies within a box; other names, and what is
// beyond the graph, count as more than any curve.
func inWay(dc draw.Canvas, b vg.Rectangle, curve [][]vg.Point, taken []vg.Rectangle) (way vg.Length) {
	const most = 1e6
	if b.Max.Y > dc.Max.Y || b.Min.Y < dc.Min.Y {
		way += most
	}
	for _, o := range taken {
		if b.Min.X < o.Max.X && o.Min.X < b.Max.X && b.Min.Y < o.Max.Y-1 && o.Min.Y < b.Max.Y-1 {
			way += 2 * most
		}
	}
	within := draw.Canvas{Rectangle: b}
	for _, piece := range within.ClipLinesXY(curve...) {
		for i := 1; i < len(piece); i++ {
			way += vg.Length(math.Abs(float64(piece[i].X-piece[i-1].X)) + math.Abs(float64(piece[i].Y-piece[i-1].Y)))
		}
	}
	return way
}

// valueAxis spans what was measured and its limits; a model that runs away may
// not flatten it.
func (p *curvePlot) valueAxis() ruler {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		const absurd = 1e12 // of any unit: no axis has room for its digits
		if math.Abs(v) < absurd && (!p.curve.Log || v > 0) {
			low, high = min(low, v), max(high, v)
		}
	}
	for _, l := range p.curve.Lines {
		for _, s := range l.Stretches {
			for _, v := range s {
				if !l.Model {
					take(v.Value)
				}
			}
		}
	}
	for _, l := range p.curve.Limits {
		take(l.Value)
	}
	if a := p.curve.Axis; a[0] < a[1] {
		take(a[0])
		take(a[1])
	}
	if low > high {
		for _, b := range p.curve.Bands {
			for i := range min(len(b.Low), len(b.High)) {
				take(b.Low[i])
				take(b.High[i])
			}
		}
		for _, l := range p.curve.Lines {
			for _, s := range l.Stretches {
				for _, v := range s {
					take(v.Value)
				}
			}
		}
	}
	if low > high {
		low, high = 0, 1
		if p.curve.Log {
			low = 0.1
		}
	}
	a := ruler{log: p.curve.Log}
	if a.log {
		a.low, a.high, a.ticks = Decades(low, high)
	} else {
		a.low, a.high, a.ticks = Rounds(low, high, 5)
	}
	return a
}

// timeTicks labels at most most round times of the site's day, in seconds
// after begin.
func timeTicks(begin, end time.Time, most int) []AxisTick {
	step, format := TimeStep(end.Sub(begin), most)
	// From midnight by the clock on the wall, so that an hour is a round one on
	// both sides of a change to summer time.
	var ticks []AxisTick
	days := max(1, int(step/(24*time.Hour)))
	day := begin
	for last := ""; len(ticks) < 10*most; {
		midnight := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, begin.Location())
		if midnight.After(end) {
			break
		}
		for s := time.Duration(0); s < 24*time.Hour; s += step {
			at := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, int(s/time.Second), 0, begin.Location())
			label := at.Format(format)
			if at.Before(begin) || at.After(end) || label == last {
				continue
			}
			last = label
			if s == 0 && step < 24*time.Hour {
				label = at.Format("2 Jan")
			}
			ticks = append(ticks, AxisTick{at.Sub(begin).Seconds(), label})
		}
		day = time.Date(day.Year(), day.Month(), day.Day()+days, 12, 0, 0, 0, begin.Location())
	}
	return ticks
}

// zoneName says how the times of a curve are meant.
func zoneName(begin, end time.Time) string {
	a, b := begin.Format("MST (-07:00)"), end.Format("MST (-07:00)")
	if begin.Location() == time.UTC {
		a = "UTC"
	}
	if end.Location() == time.UTC {
		b = "UTC"
	}
	if a != b {
		return a + ", then " + b
	}
	return a
}

// hatch fills a rectangle with slanting lines: up to the right (1), lightly, for
// what is forbidden, down to the right (-1) for where there are no data.
func hatch(dc draw.Canvas, r vg.Rectangle, slant vg.Length) {
	pitch, sty := vg.Length(5), hatchStroke
	if slant > 0 {
		pitch, sty = 8, lightStroke
	}
	w, h := r.Max.X-r.Min.X, r.Max.Y-r.Min.Y
	if w <= 0 || h <= 0 {
		return
	}
	for d := pitch; d < w+h; d += pitch {
		x0, y0 := d, vg.Length(0)
		if x0 > w {
			x0, y0 = w, d-w
		}
		x1, y1 := vg.Length(0), d
		if y1 > h {
			x1, y1 = d-h, h
		}
		if slant > 0 {
			x0, x1 = w-x0, w-x1
		}
		dc.StrokeLine2(sty, r.Min.X+x0, r.Min.Y+y0, r.Min.X+x1, r.Min.Y+y1)
	}
}

func box(x0, y0, x1, y1 vg.Length) []vg.Point {
	return []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
}

func closed(pts []vg.Point) []vg.Point { return append(pts, pts[0]) }

// shorten cuts a label that does not fit, and shows that it did.
func shorten(sty text.Style, s string, width vg.Length) string {
	if sty.Width(s) <= width {
		return s
	}
	rs := []rune(s)
	n := len(rs)
	for n > 0 && sty.Width(string(rs[:n])+"…") > width {
		n--
	}
	return string(rs[:n]) + "…"
}

func unix(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
