package record

import (
	"slices"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// airs are the indoor units' supply and return air in a step that judges each.
type airs struct {
	whose  *rules.AirMap
	points []sensors.Point
	place  map[string]int // of a point
	units  []unitAirs     // in the site file's order
}

type unitAirs struct {
	supply, back trace
	asked        []askedFrom
}

// askedFrom is what a unit was asked from a moment on.
type askedFrom struct {
	rules.Instant
	what string
}

// judgesAirs are the steps that judge each unit by its air.
var judgesAirs = []string{"cooling-check", "heating-check", "branch-check", "mixed-run"}

func (g *reading) airsOf(s *underWay) *airs {
	if !slices.Contains(judgesAirs, s.Step.Step) {
		return nil
	}
	a := &airs{place: map[string]int{}, units: make([]unitAirs, len(g.system.Units))}
	for _, p := range g.site.Points {
		if p.System == "" || p.System == g.system.Name {
			a.place[p.Name] = len(a.points)
			a.points = append(a.points, p)
		}
	}
	a.whose = rules.WhoseAir(g.system.Units, a.points, g.placed)
	for i, u := range g.system.Units {
		a.units[i].asked = []askedFrom{{s.began, g.asked[u.Name]}}
	}
	return a
}

// moved takes where carried probes are and what units are asked.
func (g *reading) moved(b *rules.Told, now rules.Instant, open []*underWay) {
	switch {
	case b.Kind == "mark" && b.Name == "placed" && !rules.IsExchange(b.Note):
		g.placed = append(g.placed, b.Note)
		for _, s := range open {
			if s.airs != nil {
				s.airs.whose.Placed(b.Note)
			}
		}
	case b.Kind == "command":
		g.asked[b.Name] = b.Note
		i := slices.IndexFunc(g.system.Units, func(u rules.Unit) bool { return u.Name == b.Name })
		for _, s := range open {
			if s.airs != nil && i >= 0 {
				s.airs.units[i].asked = append(s.airs.units[i].asked, askedFrom{now, b.Note})
			}
		}
	}
}

func (a *airs) add(now rules.Instant, m *rules.Measured, fix *rules.Correction) {
	if a == nil {
		return
	}
	place, ok := a.place[m.Point]
	if !ok {
		return
	}
	for _, air := range a.whose.Of(place) {
		t := &a.units[air.Unit].supply
		if air.Return {
			t = &a.units[air.Unit].back
		}
		t.point = a.points[place]
		t.add(now, m, fix)
	}
}

// mostBrief is how many samples of a line a small curve gets.
const mostBrief = 160

func (g *reading) airGraphs(s *underWay) {
	if s.airs == nil {
		return
	}
	until := s.Ended
	end := s.ended
	if s.Open {
		until, end = g.rec.Made, g.at
	}
	for i, u := range g.system.Units {
		x := UnitGraph{Unit: u.Name, Room: u.Room, Heating: s.Step.Step == "heating-check"}
		a := &s.airs.units[i]
		graph := func(t *trace) *Graph {
			c := &Graph{Point: t.point.Name, Quantity: t.point.Quantity, Unit: t.point.Unit, From: s.Begun, To: until}
			if c.Lines, c.Lowest, c.Highest = g.stretches(t, mostBrief); len(c.Lines) == 0 {
				return nil
			}
			return c
		}
		x.Supply, x.Return = graph(&a.supply), graph(&a.back)
		if x.Supply == nil && x.Return == nil {
			continue
		}
		for _, o := range s.Units {
			if o.Unit != u.Name {
				continue
			}
			x.Result, x.Heating = o.Result, x.Heating || o.Asked == "heat"
			low, okLow := o.Figures.Of("low_k")
			high, okHigh := o.Figures.Of("high_k")
			x.LowK, x.HighK, x.Known = low, high, okLow && okHigh
		}
		for _, v := range s.Verdicts {
			if v.Unit == u.Name || v.Unit == "" && s.Step.Step == "branch-check" {
				x.Judged = v.At
			}
		}
		if s.Step.Step == "branch-check" || s.Step.Step == "mixed-run" {
			x.Asked = g.askedSpans(a.asked, end)
		}
		s.Airs = append(s.Airs, x)
	}
}

// askedSpans are the stretches in which a unit was asked to heat or to cool.
func (g *reading) askedSpans(all []askedFrom, end rules.Instant) (spans []AskedSpan) {
	for i, a := range all {
		to := end
		if i+1 < len(all) {
			to = all[i+1].Instant
		}
		if a.what != "heat" && a.what != "cool" || !a.Before(to) {
			continue
		}
		x := AskedSpan{g.wall(a.Instant), g.wall(to), a.what}
		if n := len(spans); n > 0 && spans[n-1].What == x.What && spans[n-1].To.Equal(x.From) {
			spans[n-1].To = x.To
			continue
		}
		spans = append(spans, x)
	}
	return spans
}

// extremes are the lowest and highest times and values of what is drawn.
func extremes(gs ...*Graph) (low, high float64, from, to time.Time) {
	first := true
	for _, g := range gs {
		if g == nil {
			continue
		}
		if first {
			low, high = g.Lowest.Value, g.Highest.Value
		}
		low, high, first = min(low, g.Lowest.Value), max(high, g.Highest.Value), false
		for _, l := range g.Lines {
			if a := l[0].At; from.IsZero() || a.Before(from) {
				from = a
			}
			if b := l[len(l)-1].At; b.After(to) {
				to = b
			}
		}
	}
	return low, high, from, to
}
