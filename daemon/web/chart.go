package web

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// chart is one curve against its limit, in the unit it is shown in: what the
// page's script draws and what the server draws where there is no script.
type chart struct {
	Point  string       `json:"point"`
	Title  string       `json:"title"` // with the unit: what a picture cut out of its page must say by itself
	Unit   string       `json:"unit"`
	Log    bool         `json:"log"`
	From   int64        `json:"from"` // Unix ms, of the time axis
	To     int64        `json:"to"`
	Now    int64        `json:"now"`
	Zone   string       `json:"zone"`
	Low    float64      `json:"low"` // of the value axis
	High   float64      `json:"high"`
	Values []tick       `json:"valueTicks"`
	Hours  []tick       `json:"timeTicks"`
	Times  []int64      `json:"times"` // a null in Y is a gap: never bridged
	Y      []*float64   `json:"y"`
	YLow   []*float64   `json:"yLow,omitempty"` // where a sample stands for many readings
	YHigh  []*float64   `json:"yHigh,omitempty"`
	Text   []string     `json:"text"` // of each sample: "03:12  312 micron"
	Limit  *limitLine   `json:"limit,omitempty"`
	Trend  []trendPlace `json:"trend,omitempty"`
	Lines  []sideLine   `json:"lines,omitempty"`
	Events []event      `json:"events,omitempty"`
	Strays []stray      `json:"strays,omitempty"`
	Stale  int64        `json:"stale,omitempty"` // the data end here although time went on; 0: they are fresh

	bin    int64    // ms that a sample stands for where the journal has put readings together; else 0
	focus  int64    // Unix ms from which the value axis is fitted; what lies before is cut off at its edge
	newest *float64 // what was read last, where nothing of the step is drawn yet
	scale  rules.Scale
}

// said writes a value of the chart with its unit.
func (c *chart) said(v float64) string {
	return strings.TrimSpace(c.scale.Write(v) + " " + c.scale.Symbol)
}

// limitLine is a limit with its name and source; the forbidden side is hatched.
type limitLine struct {
	At     float64  `json:"at"`
	Label  string   `json:"label"`
	Source []string `json:"source"` // in lines
	Side   string   `json:"side"`   // the forbidden one: above, below, or empty
}

type trendPlace struct {
	Ms   int64   `json:"ms"`
	Low  float64 `json:"low"`
	Best float64 `json:"best"`
	High float64 `json:"high"`
}

// sideLine is another line to compare the curve with, such as the vapour
// pressure of water; it is drawn where the axis reaches to it.
type sideLine struct {
	Label string    `json:"label"` // in lines
	Times []int64   `json:"times"`
	Y     []float64 `json:"y"`
	Low   []float64 `json:"low,omitempty"` // its doubt
	High  []float64 `json:"high,omitempty"`
}

// runs parts a line where its data have a hole of more than gapAfter times the
// usual step; its name stays with the last part.
func (l sideLine) runs() (parts []sideLine) {
	steps := make([]int64, 0, len(l.Times))
	for i := 1; i < len(l.Times); i++ {
		steps = append(steps, l.Times[i]-l.Times[i-1])
	}
	if len(steps) == 0 {
		return nil
	}
	slices.Sort(steps)
	longest := int64(gapAfter * float64(steps[len(steps)/2]))
	start := 0
	for i := 1; i <= len(l.Times); i++ {
		if i < len(l.Times) && l.Times[i]-l.Times[i-1] <= longest {
			continue
		}
		part := sideLine{Times: l.Times[start:i], Y: l.Y[start:i]}
		if l.Low != nil {
			part.Low, part.High = l.Low[start:i], l.High[start:i]
		}
		parts, start = append(parts, part), i
	}
	parts[len(parts)-1].Label = l.Label
	return parts
}

// stray is a value so far off, and gone again at once, that an axis which
// reached to it would show nothing else: it is marked at the edge, by its number.
type stray struct {
	Ms   int64  `json:"ms"`
	Up   bool   `json:"up"`
	Text string `json:"text"`
}

// gapAfter is how many expected intervals without a reading make a gap.
const gapAfter = 2.5

// series lays samples out for drawing: each stretch without usable readings
// becomes one null, so that no line is ever drawn across it.
func (c *chart) series(samples []journal.Sample, every time.Duration, most int, d, other rules.Scale, zone *time.Location) {
	c.scale = d
	c.bin = spanOf(samples, (c.To-c.From)/int64(max(most, 1)))
	wide := max(every.Milliseconds(), 1, c.bin)
	longest := int64(gapAfter * float64(wide))
	many := false
	add := func(ms int64, y, low, high *float64, text string) {
		c.Times, c.Y = append(c.Times, ms), append(c.Y, y)
		c.YLow, c.YHigh = append(c.YLow, low), append(c.YHigh, high)
		c.Text = append(c.Text, text)
	}
	last := int64(math.MinInt64)
	open := false // the sample before is drawn
	for _, s := range samples {
		if s.WallMs <= last {
			continue // the drawing goes one way only
		}
		if !s.Health.Usable() {
			if open {
				add(s.WallMs, nil, nil, nil, "")
				last = s.WallMs
			}
			open = false
			continue
		}
		if open && s.WallMs-last > longest {
			add(last+(s.WallMs-last)/2, nil, nil, nil, "")
		}
		y, low, high := d.Value(s.Value), d.Value(s.Low), d.Value(s.High)
		many = many || low != high
		add(s.WallMs, &y, &low, &high, time.UnixMilli(s.WallMs).In(zone).Format("15:04:05")+"  "+d.Beside(other, s.Value))
		last, open = s.WallMs, true
	}
	if !many {
		c.YLow, c.YHigh = nil, nil
	}
}

// spanOf is how long each sample stands for, where the journal has put readings
// together to keep to the number asked for; else 0.
func spanOf(samples []journal.Sample, bin int64) int64 {
	together := len(samples) > 1
	for i, s := range samples {
		if s.Low != s.High {
			return bin
		}
		if i > 0 && s.WallMs-samples[i-1].WallMs < bin*9/10 {
			together = false
		}
	}
	if together {
		return bin
	}
	return 0
}

// axes fits both axes to what is drawn.
func (c *chart) axes(zone *time.Location, most int) {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if c.Log && v <= 0 {
			return
		}
		low, high = min(low, v), max(high, v)
	}
	strays := c.findStrays()
	c.Strays = nil
	for i, y := range c.Y {
		if up, ok := strays[i]; ok {
			value, most := c.ends(i)
			if up {
				value = most
			}
			c.Strays = append(c.Strays, stray{c.Times[i], up, c.said(value)})
			continue
		}
		if y != nil && c.Times[i] >= c.focus {
			take(*y)
			if c.YLow != nil {
				take(*c.YLow[i])
				take(*c.YHigh[i])
			}
		}
	}
	if c.focus != 0 { // what is compared with must be seen
		for _, l := range c.Lines {
			for _, v := range slices.Concat(l.Y, l.Low, l.High) {
				take(v)
			}
		}
	}
	if low > high && c.newest != nil { // nothing is drawn yet: what comes next is near what was read last
		take(*c.newest)
	}
	dataLow, dataHigh := low, high
	if c.Limit != nil {
		take(c.Limit.At)
	}
	for _, t := range c.Trend {
		// A projection may run away; it must not squeeze what was measured.
		if dataHigh > dataLow {
			take(min(max(t.Best, dataLow-(dataHigh-dataLow)), dataHigh+(dataHigh-dataLow)))
		}
	}
	if low > high {
		low, high = 1, 10
	}
	if l := c.Limit; l != nil { // at the edge it would hide its forbidden side, or itself
		switch {
		case l.Side != "above" && low == l.At && c.Log:
			low *= 0.95
		case l.Side != "above" && low == l.At:
			low -= max((high-low)/10, math.Abs(low)/100)
		case l.Side == "above" && high == l.At && c.Log:
			high *= 1.05
		case l.Side == "above" && high == l.At:
			high += max((high-low)/10, math.Abs(high)/100)
		}
	}
	// A steady value is a flat line, not its noise blown up.
	if least := math.Abs(high) / 20; !c.Log && high-low < least {
		middle := (low + high) / 2
		low, high = middle-least/2, middle+least/2
	}
	c.Low, c.High, c.Values = valueAxis(low, high, c.Log)
	c.Hours = timeAxis(c.From, c.To, zone, most)
}

// What counts as a stray: at most strayMost samples on end, with as many
// ordinary ones after them, so that a jump that stays is never one; and so far
// from all else (nine tenths of the samples, the limit) that it would take
// three quarters of the axis for itself. All else is taken to span a twentieth
// of its size at least, of a vacuum a third of a decade: an axis never shows less.
// An extreme among the readings that a sample stands for was shorter still: it
// may take a third.
const (
	strayMost  = 2
	strayFar   = 3
	strayBrief = 0.5
	strayLog   = 1.0 / 3
)

// findStrays returns the samples that are strays, and whether they are above.
func (c *chart) findStrays() map[int]bool {
	scale := func(v float64) float64 {
		if c.Log {
			return math.Log10(max(v, 1e-3))
		}
		return v
	}
	var drawn []int
	var sorted []float64
	for i, y := range c.Y {
		if y != nil {
			drawn, sorted = append(drawn, i), append(sorted, scale(*y))
		}
	}
	if len(sorted) < 10*strayMost {
		return nil
	}
	slices.Sort(sorted)
	low, high := sorted[len(sorted)/20], sorted[len(sorted)-1-len(sorted)/20]
	if c.Limit != nil {
		low, high = min(low, scale(c.Limit.At)), max(high, scale(c.Limit.At))
	}
	least := strayLog
	if !c.Log {
		least = max(math.Abs(low), math.Abs(high)) / 20
	}
	span := max(high-low, least)
	above := func(i int) bool {
		_, up := c.ends(i)
		return scale(*c.Y[i]) > high+strayFar*span || up > *c.Y[i] && scale(up) > high+strayBrief*span
	}
	below := func(i int) bool {
		down, _ := c.ends(i)
		return scale(*c.Y[i]) < low-strayFar*span || down < *c.Y[i] && scale(down) < low-strayBrief*span
	}
	strays := map[int]bool{}
	for k := 0; k < len(drawn); k++ {
		n := 0
		for k+n < len(drawn) && (above(drawn[k+n]) || below(drawn[k+n])) {
			n++
		}
		if n > 0 && n <= strayMost && k+2*n <= len(drawn) {
			for i := k; i < k+n; i++ {
				strays[drawn[i]] = above(drawn[i])
			}
		}
		k += n
	}
	return strays
}

// ends are the least and the greatest value that a sample stands for.
func (c *chart) ends(i int) (down, up float64) {
	if c.YLow != nil {
		return *c.YLow[i], *c.YHigh[i]
	}
	return *c.Y[i], *c.Y[i]
}

// The most samples a page asks for: a curve is no wider than a desk's screen,
// and a page left open for a week must not grow.
const (
	mostSamples = 600
	mostDrawn   = 300 // of a picture
	mostEvents  = 16
)

// pointChart is a point's curve between two wall times.
func (s *screens) pointChart(ctx context.Context, snap Snapshot, c choice, p sensors.Point, from, to int64, most int) (*chart, error) {
	samples, err := s.box.Curve(ctx, p.Name, from, to, most)
	if err != nil {
		return nil, err
	}
	ch := newChart(snap, c, p, from, to, samples, most)
	ch.Title = s.inUnit(p.Name, ch.Unit)
	return ch, nil
}

// inUnit is a curve's title with the unit of its numbers.
func (s *screens) inUnit(title, unit string) string {
	if unit == "" {
		return title
	}
	return s.words.say("curve.in-unit", title, unit)
}

// curveTitle says what a step's curve shows.
func (s *screens) curveTitle(snap Snapshot, st Step) string {
	if step := midSentence(s.stepTitle(snap, st.System, st.Name)); len(st.Ledger) > 0 {
		return s.words.say("curve.title-charge", step)
	} else {
		return s.words.say("curve.title", st.Outlook.Point, step)
	}
}

// newChart lays out samples in the unit a person wants.
func newChart(snap Snapshot, c choice, p sensors.Point, from, to int64, samples []journal.Sample, most int) *chart {
	d, other := c.scales(p.Quantity, p.Unit)
	ch := &chart{Point: p.Name, Unit: d.Symbol, Log: p.Quantity == sensors.Vacuum,
		From: from, To: to, Times: []int64{}, Y: []*float64{}, Text: []string{}, Now: snap.Wall.UnixMilli(), Zone: snap.zone().String()}
	ch.series(samples, p.Every, most, d, other, snap.zone())
	if last := ch.lastMs(); last > 0 && min(ch.Now, to)-last > silence(p).Milliseconds()+ch.bin/2 { // a span bears the mean time of its readings
		ch.Stale = last
	}
	ch.axes(snap.zone(), 6)
	return ch
}

// stepChart is the curve of a step under way, with its limit, its fitted model
// and what happened meanwhile.
func (s *screens) stepChart(ctx context.Context, snap Snapshot, c choice, st Step, most int) (*chart, error) {
	p, ok := snap.point(st.Outlook.Point)
	if !ok {
		return nil, nil
	}
	from, to := stepWindow(snap, st)
	d, other := c.scales(p.Quantity, p.Unit)
	var ch *chart
	var err error
	line, side := st.Outlook.Limit, forbidden[st.Name]
	trend := st.Trend
	if len(st.Ledger) > 0 { // the charge itself: the scale's own curve jumps with each cylinder
		samples, err := s.charged(ctx, st, from, to, most)
		if err != nil {
			return nil, err
		}
		ch = newChart(snap, c, p.Point, from, to, samples, most)
		line, side, trend = chargeTarget(st), "above", carried(st, samples)
	} else if ch, err = s.pointChart(ctx, snap, c, p.Point, from, to, most); err != nil {
		return nil, err
	}
	ch.Title = s.inUnit(s.curveTitle(snap, st), ch.Unit)
	if line != nil {
		ch.Limit = &limitLine{At: d.Value(line.Value), Side: side, Source: lines(line.Source), Label: s.words.say("curve.limit", d.Beside(other, line.Value))}
		switch {
		case p.Role == "charging-scale" && len(st.Ledger) == 0:
			ch.Limit.Label = s.words.say("curve.target-scale", d.Beside(other, line.Value))
		case st.Name != "vacuum-hold":
			ch.Limit.Label = s.words.say("curve.target", d.Beside(other, line.Value))
		}
	}
	if len(st.Expected) > 1 {
		l := sideLine{Label: s.words.say("curve.expected")}
		for _, t := range st.Expected {
			l.Times, l.Y = append(l.Times, t.WallMs), append(l.Y, d.Value(t.Best))
			l.Low, l.High = append(l.Low, d.Value(t.Low)), append(l.High, d.Value(t.High))
		}
		// The stages of filling before it would leave the test itself a flat line.
		ch.Lines, ch.focus = append(ch.Lines, l.runs()...), st.Expected[0].WallMs
		// So far the measured curve is the model; of that only what comes is drawn.
		trend = slices.DeleteFunc(slices.Clone(trend), func(t TrendPoint) bool { return t.WallMs < st.Expected[len(st.Expected)-1].WallMs })
	}
	for _, t := range trend {
		if t.WallMs >= from && t.WallMs <= to {
			ch.Trend = append(ch.Trend, trendPlace{t.WallMs, d.Value(t.Low), d.Value(t.Best), d.Value(t.High)})
		}
	}
	if p.Quantity == sensors.Vacuum {
		if line, ok := s.waterLine(ctx, snap, st, d, from, min(to, ch.Now)); ok {
			ch.Lines = append(ch.Lines, line.runs()...)
		}
	}
	ch.Events, _ = s.events(ctx, snap, c, st, from, to)
	ch.onCurve()
	if len(st.Ledger) == 0 && st.Ended.IsZero() && !p.Taken.IsZero() && p.Health.Usable() {
		v := d.Value(p.Value)
		ch.newest = &v
	}
	ch.axes(snap.zone(), 6)
	return ch, nil
}

func (c *chart) lastMs() int64 {
	for i := len(c.Y) - 1; i >= 0; i-- {
		if c.Y[i] != nil {
			return c.Times[i]
		}
	}
	return 0
}

// stepWindow is the stretch of time a step's curve shows: from its begin to
// where it will end, with a little room for what comes.
func stepWindow(snap Snapshot, st Step) (from, to int64) {
	begin, now := st.Begun, snap.Wall
	if !st.Ended.IsZero() {
		now = st.Ended
	}
	end := now
	if st.Ended.IsZero() {
		if st.Outlook.Lasts > 0 {
			end = begin.Add(st.Outlook.Lasts)
		} else if st.Outlook.Left > 0 && st.Outlook.Left < 4*now.Sub(begin) {
			end = now.Add(st.Outlook.Left)
		}
		for _, t := range st.Trend { // a projection, but never more future than past
			if at := time.UnixMilli(t.WallMs); at.After(end) && at.Sub(now) <= now.Sub(begin) {
				end = at
			}
		}
	}
	if end.Before(now) {
		end = now
	}
	if end.Sub(begin) < time.Minute {
		end = begin.Add(time.Minute)
	}
	return begin.UnixMilli(), end.Add(end.Sub(begin) / 50).UnixMilli()
}

// lines breaks a source so that it stands beside its limit on a phone.
func lines(text string) []string {
	const most = 38
	var ls []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len(line)+1+len(word) > most {
			ls, line = append(ls, line), ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	return append(ls, line)
}

// forbidden is the side of its line on which a step fails. Other lines are only
// to be reached.
var forbidden = map[string]string{"vacuum-hold": "above"}

// silence is how long a point may be quiet before its figure counts as old:
// five times its interval, at least 10 s, where the site says nothing else.
func silence(p sensors.Point) time.Duration {
	if p.SilentAfter > 0 {
		return p.SilentAfter
	}
	return max(5*p.Every, 10*time.Second)
}

func (s Snapshot) zone() *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

func (s Snapshot) point(name string) (Point, bool) {
	for _, p := range s.Points {
		if p.Name == name {
			return p, true
		}
	}
	return Point{}, false
}
