package web

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// plot is a chart laid out on a sheet of given size, in SVG units.
type plot struct {
	*chart
	width, height            int
	left, right, top, bottom float64 // of the curve's field
	taken                    []box   // by words
}

// svg draws the chart: what a browser without script shows, and one without
// the curve library. Colours and lines come from the style sheet by class.
func (c *chart) svg(width, height int, title string) template.HTML {
	p := &plot{c, width, height, 56, float64(width) - 16, 32, float64(height) - 42, nil}
	for _, t := range c.Values { // room for what is written beside it
		p.left = max(p.left, math.Ceil(8.3*float64(utf8.RuneCountInString(t.Label)))+10)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="curve" viewBox="0 0 %d %d" role="img" aria-label="%s">`, width, height, html.EscapeString(title))
	fmt.Fprintf(&b, `<text class="title" x="8" y="20">%s</text>`, html.EscapeString(title))
	p.grid(&b)
	p.limit(&b)
	p.trend(&b)
	p.lines(&b)
	p.band(&b)
	p.line(&b)
	p.strays(&b)
	p.stale(&b)
	p.events(&b)
	b.WriteString("</svg>")
	return template.HTML(b.String())
}

func (p *plot) x(ms float64) float64 {
	return round1(p.left + (p.right-p.left)*(ms-float64(p.From))/float64(max(p.To-p.From, 1)))
}

func (p *plot) y(v float64) float64 {
	low, high := p.Low, p.High
	if p.Log {
		v, low, high = math.Log10(max(v, low)), math.Log10(low), math.Log10(high)
	}
	share := min(max((v-low)/(high-low), 0), 1)
	return round1(p.bottom - float64((p.bottom-p.top)*share))
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

func (p *plot) grid(b *strings.Builder) {
	for _, t := range p.Values {
		y := p.y(t.At)
		fmt.Fprintf(b, `<line class="grid" x1="%g" y1="%g" x2="%g" y2="%g"/>`, p.left, y, p.right, y)
		fmt.Fprintf(b, `<text class="tick" x="%g" y="%g" text-anchor="end">%s</text>`, p.left-6, y+4, html.EscapeString(t.Label))
	}
	for _, t := range p.Hours {
		x := p.x(t.At)
		fmt.Fprintf(b, `<line class="grid" x1="%g" y1="%g" x2="%g" y2="%g"/>`, x, p.top, x, p.bottom)
		anchor := "middle"
		if x > p.right-18 {
			anchor = "end"
		}
		fmt.Fprintf(b, `<text class="tick" x="%g" y="%g" text-anchor="%s">%s</text>`, x, p.bottom+17, anchor, html.EscapeString(t.Label))
	}
	fmt.Fprintf(b, `<rect class="field" x="%g" y="%g" width="%g" height="%g"/>`, p.left, p.top, p.right-p.left, p.bottom-p.top)
}

// hatch fills a box with slanted lines, clipped by hand so that no fill
// pattern with a page-wide name is needed.
func (p *plot) hatch(b *strings.Builder, class string, x1, y1, x2, y2, gap float64, falling bool) {
	var d strings.Builder
	w, h := x2-x1, y2-y1
	if w <= 0 || h <= 0 {
		return
	}
	for s := gap; s < w+h; s += gap { // the line x+y = s within the box
		ax, ay := min(s, w), max(s-w, 0)
		bx, by := max(s-h, 0), min(s, h)
		if falling { // the same line in a mirror
			ax, bx = w-ax, w-bx
		}
		fmt.Fprintf(&d, "M%g %gL%g %g", round1(x1+ax), round1(y1+ay), round1(x1+bx), round1(y1+by))
	}
	fmt.Fprintf(b, `<path class="%s" d="%s"/>`, class, d.String())
}

func (p *plot) limit(b *strings.Builder) {
	if p.Limit == nil {
		return
	}
	y := p.y(p.Limit.At)
	switch p.Limit.Side {
	case "above":
		p.hatch(b, "forbidden", p.left, p.top, p.right, y, 8, false)
	case "below":
		p.hatch(b, "forbidden", p.left, y, p.right, p.bottom, 8, false)
	}
	fmt.Fprintf(b, `<line class="limit" x1="%g" y1="%g" x2="%g" y2="%g"/>`, p.left, y, p.right, y)
	x, first, anchor := p.words(append([]string{p.Limit.Label}, p.Limit.Source...), p.left, p.right, func(float64) float64 { return y }, p.Limit.Side == "above")
	fmt.Fprintf(b, `<text class="limit-label" x="%g" y="%g" text-anchor="%s">%s</text>`, x, first, anchor, html.EscapeString(p.Limit.Label))
	for i, line := range p.Limit.Source {
		fmt.Fprintf(b, `<text class="limit-source" x="%g" y="%g" text-anchor="%s">%s</text>`, x, first+16*float64(i+1), anchor, html.EscapeString(line))
	}
}

// box is a stretch of the sheet that holds words.
type box struct{ left, top, right, bottom float64 }

func (b box) meets(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

// standing is where along its line words may stand, as shares of the way from its
// left end to its right one, in the order tried.
var standing = []float64{1, 0, 0.75, 0.5, 0.25}

// words finds the place for lines of words beside a line from x1 to x2, whose
// height at an x is at: where least of the curve runs, and no other words; above
// it first or below it first, and at its right end rather than elsewhere.
func (p *plot) words(text []string, x1, x2 float64, at func(x float64) float64, above bool) (x, first float64, anchor string) {
	long := 0
	for _, line := range text {
		long = max(long, utf8.RuneCountInString(line))
	}
	width, height := 7*float64(long)+10, 16*float64(len(text))+8
	x1, x2 = min(x1, p.right-width), max(x2, p.left+width)
	fewest, best := math.MaxInt, box{}
	for _, up := range []bool{above, !above} {
		for _, share := range standing {
			left := x1 + float64(share*(x2-width-x1))
			ends := []float64{at(left), at(left + width/2), at(left + width)}
			b := box{left, slices.Max(ends), left + width, slices.Max(ends) + height}
			if up {
				b.top, b.bottom = slices.Min(ends)-height, slices.Min(ends)
			}
			if n := p.inWay(b); n < fewest {
				fewest, best, x, anchor = n, b, round1(left+5), "start"
				if share == 1 {
					x, anchor = round1(left+width-5), "end"
				}
			}
		}
	}
	p.taken = append(p.taken, best)
	return x, round1(best.top + 18), anchor
}

// inWay counts the pieces of the curve and the places of the projection within a
// box; a flag on the curve counts as a quarter of it, and words that lie on others,
// beyond the edge, or where there are no data as all of it.
func (p *plot) inWay(b box) (n int) {
	if b.top < p.top || b.bottom > p.bottom {
		n += 2 * len(p.Times)
	}
	if p.Stale != 0 {
		if from, to := p.noData(); b.left < to && from < b.right {
			n += 1 + len(p.Times)/2
		}
	}
	for _, o := range p.taken {
		if b.meets(o) { // the more, the worse
			wide, tall := min(b.right, o.right)-max(b.left, o.left), min(b.bottom, o.bottom)-max(b.top, o.top)
			n += 1 + int(4*float64(len(p.Times))*wide*tall/((b.right-b.left)*(b.bottom-b.top)))
		}
	}
	for i, v := range p.Y {
		if v == nil {
			continue
		}
		from := i
		if i > 0 && p.Y[i-1] != nil {
			from = i - 1
		}
		// A steep piece strikes out as many words as a flat stretch of its length.
		if y1, y2 := p.y(*p.Y[from]), p.y(*v); b.crossed(p.x(float64(p.Times[from])), y1, p.x(float64(p.Times[i])), y2) {
			tall := min(max(y1, y2), b.bottom) - max(min(y1, y2), b.top)
			n += 1 + int(float64(len(p.Times))*tall/(p.right-p.left))
		}
	}
	for _, e := range p.Events { // a flag on the curve
		if e.At == nil {
			continue
		}
		if x, y := p.x(float64(e.Ms)), p.y(*e.At); (box{x - 9, y - 20, x + 9, y}).meets(b) {
			n += 1 + len(p.Times)/4
		}
	}
	for _, t := range p.Trend {
		if x := p.x(float64(t.Ms)); (box{x, p.y(t.High), x, p.y(t.Low)}).meets(b) {
			n++
		}
	}
	return n
}

// crossed reports whether the straight line between two places runs through the box.
func (b box) crossed(x1, y1, x2, y2 float64) bool {
	from, to := 0.0, 1.0 // the share of it that lies within the sides looked at so far
	for _, side := range [][2]float64{{x1 - x2, x1 - b.left}, {x2 - x1, b.right - x1}, {y1 - y2, y1 - b.top}, {y2 - y1, b.bottom - y1}} {
		switch d, room := side[0], side[1]; {
		case d == 0 && room <= 0:
			return false
		case d < 0:
			from = max(from, room/d)
		case d > 0:
			to = min(to, room/d)
		}
	}
	return from < to
}

func (p *plot) trend(b *strings.Builder) {
	if len(p.Trend) < 2 {
		return
	}
	var band, best strings.Builder
	for i, t := range p.Trend {
		fmt.Fprintf(&band, "%s%g %g", move(i), p.x(float64(t.Ms)), p.y(t.High))
		fmt.Fprintf(&best, "%s%g %g", move(i), p.x(float64(t.Ms)), p.y(t.Best))
	}
	for i := len(p.Trend) - 1; i >= 0; i-- {
		fmt.Fprintf(&band, "L%g %g", p.x(float64(p.Trend[i].Ms)), p.y(p.Trend[i].Low))
	}
	fmt.Fprintf(b, `<path class="projection" d="%sZ"/><path class="model" d="%s"/>`, band.String(), best.String())
}

func move(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

// runs splits the curve at its gaps.
func (c *chart) runs() [][2]int {
	var rs [][2]int
	start := -1
	for i := 0; i <= len(c.Y); i++ {
		drawn := i < len(c.Y) && c.Y[i] != nil
		if drawn && start < 0 {
			start = i
		}
		if !drawn && start >= 0 {
			rs = append(rs, [2]int{start, i})
			start = -1
		}
	}
	return rs
}

func (p *plot) band(b *strings.Builder) {
	if p.YLow == nil {
		return
	}
	for _, r := range p.runs() {
		var d strings.Builder
		for i := r[0]; i < r[1]; i++ {
			fmt.Fprintf(&d, "%s%g %g", move(i-r[0]), p.x(float64(p.Times[i])), p.y(*p.YHigh[i]))
		}
		for i := r[1] - 1; i >= r[0]; i-- {
			fmt.Fprintf(&d, "L%g %g", p.x(float64(p.Times[i])), p.y(*p.YLow[i]))
		}
		fmt.Fprintf(b, `<path class="spread" d="%sZ"/>`, d.String())
	}
}

func (p *plot) line(b *strings.Builder) {
	for _, r := range p.runs() {
		if r[1]-r[0] == 1 {
			fmt.Fprintf(b, `<circle class="dot" cx="%g" cy="%g" r="2"/>`, p.x(float64(p.Times[r[0]])), p.y(*p.Y[r[0]]))
			continue
		}
		var d strings.Builder
		for i := r[0]; i < r[1]; i++ {
			fmt.Fprintf(&d, "%s%g %g", move(i-r[0]), p.x(float64(p.Times[i])), p.y(*p.Y[i]))
		}
		fmt.Fprintf(b, `<path class="line" d="%s"/>`, d.String())
	}
}

// strays are marked by an arrow at the edge behind which they lie.
func (p *plot) strays(b *strings.Builder) {
	for _, s := range p.Strays {
		x, y, back := p.x(float64(s.Ms)), p.bottom, -7.0
		if s.Up {
			y, back = p.top, 7
		}
		fmt.Fprintf(b, `<path class="stray" d="M%g %gL%g %gL%g %gZ"><title>%s</title></path>`, x, y, x-5, y+back, x+5, y+back, html.EscapeString(s.Text))
		anchor, dx := "start", 8.0
		if x > (p.left+p.right)/2 {
			anchor, dx = "end", -8
		}
		fmt.Fprintf(b, `<text class="stray-label" x="%g" y="%g" text-anchor="%s">%s</text>`, x+dx, y+back*1.2+4, anchor, html.EscapeString(s.Text))
	}
}

// stale ends the curve in a hatched strip: time went on, the data did not.
func (p *plot) stale(b *strings.Builder) {
	if p.Stale == 0 {
		return
	}
	from, to := p.noData()
	p.hatch(b, "no-data", from, p.top, to, p.bottom, 6, true)
}

// noData is the strip in which time went on and the data did not.
func (p *plot) noData() (from, to float64) {
	from = p.x(float64(p.Stale))
	return from, max(min(p.x(float64(p.Now)), p.right), from+16)
}

// lines are other lines to compare with, with their doubt, and named.
func (p *plot) lines(b *strings.Builder) {
	for _, l := range p.Lines {
		var places []int
		for i, v := range l.Y {
			if v >= p.Low && v <= p.High {
				places = append(places, i)
			}
		}
		if len(places) < 2 {
			continue
		}
		draw := func(v []float64, back bool) string {
			var d strings.Builder
			order := slices.Clone(places)
			if back {
				slices.Reverse(order)
			}
			for n, i := range order {
				fmt.Fprintf(&d, "%s%g %g", move(n), p.x(float64(l.Times[i])), p.y(v[i]))
			}
			return d.String()
		}
		if l.Low != nil {
			fmt.Fprintf(b, `<path class="projection" d="%s%sZ"/>`, draw(l.High, false), strings.Replace(draw(l.Low, true), "M", "L", 1))
		}
		fmt.Fprintf(b, `<path class="side" d="%s"/>`, draw(l.Y, false))
		if l.Label == "" {
			continue
		}
		from, to := places[0], places[len(places)-1]
		words := strings.Split(l.Label, "\n")
		x, first, anchor := p.words(words, p.x(float64(l.Times[from])), p.x(float64(l.Times[to])), func(x float64) float64 {
			k := 1
			for k < len(places)-1 && p.x(float64(l.Times[places[k]])) < x {
				k++
			}
			a, b := places[k-1], places[k]
			xa, xb := p.x(float64(l.Times[a])), p.x(float64(l.Times[b]))
			share := min(max((x-xa)/max(xb-xa, 1), 0), 1)
			return p.y(l.Y[a]) + float64(share*(p.y(l.Y[b])-p.y(l.Y[a])))
		}, true)
		for i, line := range words {
			fmt.Fprintf(b, `<text class="side-label" x="%g" y="%g" text-anchor="%s">%s</text>`, x, round1(first-2+16*float64(i)), anchor, html.EscapeString(line))
		}
	}
}

// events are ticks under the time axis; a flag stands on the curve too, filled
// where it was raised, open where it was cleared.
func (p *plot) events(b *strings.Builder) {
	x := func(ms int64) float64 { return p.x(float64(ms)) }
	for _, e := range p.Events {
		x := x(e.Ms)
		fmt.Fprintf(b, `<path class="event" d="M%g %gL%g %gL%g %gZ"/>`, x, p.bottom+20, x-4, p.bottom+27, x+4, p.bottom+27)
		if e.At == nil {
			continue
		}
		y, up, fly := p.y(*e.At), -1.0, 9.0
		if y < p.top+24 {
			up = 1
		}
		if x > p.right-12 {
			fly = -9
		}
		fmt.Fprintf(b, `<path class="staff" d="M%g %gV%g"/><path class="pennant %s" d="M%g %gL%g %gL%g %gZ"/>`,
			x, y, round1(y+20*up), e.Kind, x, round1(y+20*up), round1(x+fly), round1(y+16*up), x, round1(y+12*up))
	}
	for _, l := range labels(p.Events, x) {
		fmt.Fprintf(b, `<text class="event-label" x="%g" y="%g" text-anchor="middle">%s</text>`, round1(l.x), p.bottom+40, l.text)
	}
}
