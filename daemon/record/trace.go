package record

import (
	"cmp"
	"slices"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// shownBy is what a step is looked at by: the roles of the points whose curves
// its paper shows, one curve a quantity, and the setting drawn as their limit.
var shownBy = map[string]struct {
	roles []string
	limit string
	above bool // what lies above the limit is forbidden; else below
}{
	"pressure-test": {[]string{"test-pressure", "pipe-air"}, "", false},
	"evacuation":    {[]string{"vacuum-gauge"}, "target", true},
	"vacuum-hold":   {[]string{"vacuum-gauge"}, "limit", true},
	"draw-in":       {[]string{"charging-scale"}, "", false},
	"weigh-in":      {[]string{"charging-scale"}, "", false},
	"preheat":       {[]string{"oil-sump", "outdoor-air"}, "", false},
	"trial-run":     {[]string{"suction-pressure", "liquid-pressure", "suction-line", "liquid-line", "discharge-line"}, "", false},
}

// trace is a point's readings in a step, as believed then. It keeps each of
// them until they are many; from then on the lowest and the highest of each
// part of equally many, so that a step of weeks takes no more than one of a day.
type trace struct {
	point sensors.Point
	boots [][]at // a stretch each: a gap ends one and begins another
	last  rules.Instant
	heard bool
	gaps  []silence

	kept int // in boots
	most int // may be kept before they are thinned; 0: mostKept
	per  int // readings to a part, of which two are kept; 0: each is kept
	part part
}

type at struct {
	rules.Instant
	value float64
}

// part is what is not yet in boots of the newest stretch.
type part struct {
	n         int
	low, high at
	last      at
}

// mostKept readings of 24 bytes are kept of a trace: 200 kB, for a check of
// sixty units has more than a hundred of them. Our choice: two hours at one a
// second are kept whole, and what stays of more, a quarter of that at least, is
// still three times what is drawn.
const mostKept = 1 << 13

// thinning is how many that are kept become two.
const thinning = 8

// silence is a stretch without a reading that can be used.
type silence struct {
	from, until rules.Instant
	why         string
}

func (g *reading) tracesOf(s *underWay) (ts []*trace) {
	for _, role := range shownBy[s.Step.Step].roles {
		for _, p := range g.site.Points {
			if p.Role == role && (p.System == "" || p.System == g.system.Name) {
				ts = append(ts, &trace{point: p})
			}
		}
	}
	return ts
}

// silentAfter is how long a point may be silent: the site file's figure, else a minute.
func (t *trace) silentAfter() time.Duration {
	if t.point.SilentAfter > 0 {
		return t.point.SilentAfter
	}
	return time.Minute
}

func (t *trace) add(now rules.Instant, m *rules.Measured, fix *rules.Correction) {
	r := fix.Of(t.point.Quantity, m.Reading)
	if !r.Health.Usable() {
		return
	}
	x := at{rules.Instant{Boot: now.Boot, Since: m.Taken}, r.Value}
	silent := t.heard && x.Boot == t.last.Boot && x.Since-t.last.Since > t.silentAfter()
	if silent {
		t.gaps = append(t.gaps, silence{t.last, x.Instant, "silent"})
	}
	if !t.heard || silent || x.Boot != t.last.Boot {
		t.flush()
		t.boots = append(t.boots, nil)
		t.keep(x)
	} else {
		t.take(x)
	}
	if !x.Before(t.last) || !t.heard { // a late reading turns no time back
		t.last = x.Instant
	}
	t.heard = true
}

func (t *trace) keep(x at) {
	n := len(t.boots) - 1
	t.boots[n] = append(t.boots[n], x)
	t.kept++
	if t.most = cmp.Or(t.most, mostKept); t.kept >= t.most {
		t.thin()
	}
}

// take puts a reading into the part under way, and keeps what is kept of a full one.
func (t *trace) take(x at) {
	if t.per == 0 {
		t.keep(x)
		return
	}
	p := &t.part
	if p.n == 0 || x.value < p.low.value {
		p.low = x
	}
	if p.n == 0 || x.value > p.high.value {
		p.high = x
	}
	p.n, p.last = p.n+1, x
	if p.n == t.per {
		full := *p
		t.part = part{}
		for _, k := range lowAndHigh(full.low, full.high) {
			t.keep(k)
		}
	}
}

// flush ends the part under way, with its last reading: where a stretch ends is seen.
func (t *trace) flush() {
	p := t.part
	t.part = part{}
	if p.n == 0 {
		return
	}
	for _, k := range lowAndHigh(p.low, p.high) {
		t.keep(k)
	}
	if p.last != p.low && p.last != p.high {
		t.keep(p.last)
	}
}

// lowAndHigh are the two in their order in time, or the one that is both.
func lowAndHigh(low, high at) []at {
	switch {
	case low == high:
		return []at{low}
	case high.Before(low.Instant):
		return []at{high, low}
	}
	return []at{low, high}
}

// thin leaves the lowest and the highest of each few, and of a stretch its first
// and its last. Where that is not enough, for there are very many stretches,
// more may be kept.
func (t *trace) thin() {
	t.per = max(1, t.per/2) * thinning
	t.kept = 0
	for i, b := range t.boots {
		inTime(b)
		thin := b[:0]
		for from := 0; from < len(b); from += thinning {
			few := b[from:min(from+thinning, len(b))]
			low, high, first, last := few[0], few[0], few[0], few[len(few)-1]
			for _, x := range few {
				if x.value < low.value {
					low = x
				}
				if x.value > high.value {
					high = x
				}
			}
			two := lowAndHigh(low, high)
			if from == 0 && two[0] != first {
				two = append([]at{first}, two...)
			}
			if from+thinning >= len(b) && two[len(two)-1] != last {
				two = append(two, last)
			}
			thin = append(thin, two...)
		}
		t.boots[i] = slices.Clone(thin)
		t.kept += len(thin)
	}
	if 2*t.kept > t.most {
		t.most *= 2
	}
}

func inTime(b []at) {
	slices.SortStableFunc(b, func(a, c at) int {
		if a.Before(c.Instant) {
			return -1
		}
		if c.Before(a.Instant) {
			return 1
		}
		return 0
	})
}

// outdoor is the outdoor air over a step.
type outdoor struct {
	n              int
	sum, low, high float64
}

func (o *outdoor) add(r sensors.Reading) {
	if !r.Health.Usable() {
		return
	}
	if o.n == 0 {
		o.low, o.high = r.Value, r.Value
	}
	o.n++
	o.sum += r.Value
	o.low, o.high = min(o.low, r.Value), max(o.high, r.Value)
}

func (o *outdoor) figures() Figures {
	if o.n == 0 {
		return nil
	}
	return Figures{{Key: OutdoorKey, Number: rules.Num(o.sum / float64(o.n))}, {Key: "outdoor_low_c", Number: rules.Num(o.low)}, {Key: "outdoor_high_c", Number: rules.Num(o.high)}}
}

// mostDrawn is how many samples of a line a paper gets: some four a point of
// its width, and every lowest and highest among them.
const mostDrawn = 600

// stretches are what is drawn of a trace: by time, and thinned to the lowest
// and the highest of each of equal parts, so that no peak is lost.
func (g *reading) stretches(t *trace, most int) (lines [][]Sample, low, high Sample) {
	t.flush()
	total, first := 0, true
	for _, b := range t.boots {
		total += len(b)
	}
	for _, b := range t.boots {
		inTime(b)
		for _, x := range b {
			s := Sample{g.wall(x.Instant), x.value}
			if first || s.Value < low.Value {
				low = s
			}
			if first || s.Value > high.Value {
				high = s
			}
			first = false
		}
		step := max(1, 2*total/most)
		var line []Sample
		for i := 0; i < len(b); i += step {
			part := b[i:min(i+step, len(b))]
			l, h := 0, 0
			for k := range part {
				if part[k].value < part[l].value {
					l = k
				}
				if part[k].value > part[h].value {
					h = k
				}
			}
			keep := []int{0, min(l, h), max(l, h), len(part) - 1}
			if step > 4 && i+step < len(b) { // the next part's first is near
				keep = keep[:3]
			}
			for _, k := range slices.Compact(keep) {
				line = append(line, Sample{g.wall(part[k].Instant), part[k].value})
			}
		}
		if len(line) > 0 {
			lines = append(lines, line)
		}
	}
	return lines, low, high
}

// curves are what a step's paper draws, and the gaps in it.
func (g *reading) curves(s *underWay) {
	by := shownBy[s.Step.Step]
	until := s.Ended
	if s.Open {
		until = g.rec.Made
	}
	for _, t := range s.traces {
		c := Graph{Point: t.point.Name, Quantity: t.point.Quantity, Unit: t.point.Unit, From: s.Begun, To: until, Log: t.point.Quantity == sensors.Vacuum, Above: by.above}
		if c.Lines, c.Lowest, c.Highest = g.stretches(t, mostDrawn); len(c.Lines) == 0 {
			continue
		}
		for i := range s.Limits {
			if s.Limits[i].Key == by.limit && t.point.Role == by.roles[0] {
				c.Limit = &s.Limits[i]
			}
		}
		if s.outlook.Point == t.point.Name {
			c.Bands = append(g.band(s, "model", s.outlook.Trend), g.band(s, "expected", s.outlook.Expected)...)
		}
		s.Curves = append(s.Curves, c)
		for _, x := range t.gaps {
			s.Gaps = append(s.Gaps, Gap{g.wall(x.from), g.wall(x.until), rules.Num((x.until.Since - x.from.Since).Seconds()), t.point.Name, x.why})
		}
	}
}

func (g *reading) band(s *underWay, name string, ts []rules.TrendPoint) []GraphBand {
	b := GraphBand{Name: name}
	for _, t := range ts {
		if w := g.wall(rules.Instant{Boot: s.at.Boot, Since: t.Since}); !w.IsZero() {
			b.At, b.Low, b.Best, b.High = append(b.At, w), append(b.Low, t.Low), append(b.Best, t.Best), append(b.High, t.High)
		}
	}
	if len(b.At) == 0 {
		return nil
	}
	return []GraphBand{b}
}
