package record

import (
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

// trace is a point's readings in a step, as believed then.
type trace struct {
	point sensors.Point
	boots [][]at // a stretch each: a gap ends one and begins another
	last  rules.Instant
	heard bool
	gaps  []silence
}

type at struct {
	rules.Instant
	value float64
}

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

// mostHeld is how many readings of one stretch are held, before every four of
// them become their lowest and their highest: no peak is lost, and a fortnight
// of a reading a second fits into a small board's memory.
const mostHeld = 1 << 13

// thin makes of every four readings the lowest and the highest, in their order.
func thin(b []at) []at {
	out := b[:0]
	for i := 0; i < len(b); i += 4 {
		part := b[i:min(i+4, len(b))]
		l, h := 0, 0
		for k := range part {
			if part[k].value < part[l].value {
				l = k
			}
			if part[k].value > part[h].value {
				h = k
			}
		}
		low, high := part[min(l, h)], part[max(l, h)]
		out = append(out, low)
		if l != h {
			out = append(out, high)
		}
	}
	return out
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
		t.boots = append(t.boots, nil)
	}
	n := len(t.boots) - 1
	if len(t.boots[n]) >= mostHeld {
		t.boots[n] = thin(t.boots[n])
	}
	t.boots[n] = append(t.boots[n], x)
	if !x.Before(t.last) || !t.heard { // a late reading turns no time back
		t.last = x.Instant
	}
	t.heard = true
}

// mostDrawn is how many samples of a line a paper gets: some four a point of
// its width, and every lowest and highest among them.
const mostDrawn = 600

// stretches are what is drawn of a trace: by time, and thinned to the lowest
// and the highest of each of equal parts, so that no peak is lost.
func (g *reading) stretches(t *trace, most int) (lines [][]Sample, low, high Sample) {
	total, first := 0, true
	for _, b := range t.boots {
		total += len(b)
	}
	for _, b := range t.boots {
		slices.SortStableFunc(b, func(a, c at) int {
			if a.Before(c.Instant) {
				return -1
			}
			if c.Before(a.Instant) {
				return 1
			}
			return 0
		})
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
