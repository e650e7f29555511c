package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"standwatch/rules"
)

// shown is a step's state as a paper shows it: what goes on is no open point.
func (s Step) shown() string {
	if s.State == openState {
		return "under-way"
	}
	return s.State
}

// stepUnits is how each indoor unit stood, with what its split was to lie between.
func (l *laying) stepUnits(s Step) {
	if len(s.Units) == 0 {
		return
	}
	t := Table{Caption: "Unit by unit", Columns: []Column{{Title: "Unit"}, {Title: "Room"}, {Title: "Result"}, {Title: "Return", Number: true}, {Title: "Supply", Number: true}, {Title: "Split", Number: true}, {Title: "Good", Number: true}, {Title: "Why", Wide: true}}}
	limited := false
	for _, u := range s.Units {
		row := []string{u.Unit, u.Room, outcome(cmp.Or(u.Result, "not judged"))}
		for _, key := range []string{"return_c", "supply_c", "split_k"} {
			text := ""
			if v, ok := u.Figures.Of(key); ok {
				_, text = figureText(s.Step, key, v)
				text = strings.Replace(text, " (", "\n(", 1)
			}
			row = append(row, text)
		}
		good := goodSplit(u.Figures)
		limited = limited || good != ""
		t.Rows = append(t.Rows, append(row, good, u.Sentence))
	}
	l.put(t)
	if text := goodBy(s); limited && text != "" {
		l.say(Small, text)
	}
}

// goodSplit is what a split was to lie between.
func goodSplit(f Figures) string {
	low, ok := f.Of("low_k")
	if !ok {
		return ""
	}
	high, bounded := f.Of("high_k")
	if !bounded {
		return fmt.Sprintf("%s or more\n(%s)", rules.Kelvin.Text(low), rules.Rankine.Text(low))
	}
	return fmt.Sprintf("%s to %s\n(%s to %s)", rules.Kelvin.Number(low), rules.Kelvin.Text(high), rules.Rankine.Number(low), rules.Rankine.Text(high))
}

// goodBy says where the limits of the splits come from.
func goodBy(s Step) string {
	key, text := "tolerance", goodCooling
	switch s.Step {
	case "heating-check":
		text = goodHeating
	case "mixed-run":
		key, text = "share", goodShare
	}
	i := slices.IndexFunc(s.Limits, func(x StepLimit) bool { return x.Key == key })
	if i < 0 {
		return ""
	}
	return fmt.Sprintf(text, s.Limits[i].limitText(s.Step), s.Limits[i].Source)
}

// mostUnitsDrawn is how many units' curves a step's paper shows: as many as a
// system commonly has at most. Of more, those that did not pass come first.
const mostUnitsDrawn = 64

// fewCurves is how many curves of a step are drawn over the whole width.
const fewCurves = 2

// curves are a step's, each over the whole width or, where there are many, side
// by side with their figures in a table.
func (l *laying) curves(s Step) {
	if len(s.Curves) <= fewCurves {
		for _, g := range s.Curves {
			l.put(l.curve(s, g))
		}
		return
	}
	cs := Curves{Title: severalTitle, Note: judgedApart}
	t := Table{Caption: severalRows, Columns: []Column{{Title: "Point", Wide: true}, {Title: "Unit"}, {Title: "First", Number: true}, {Title: "Lowest", Number: true}, {Title: "Highest", Number: true}, {Title: "Last", Number: true}}}
	for _, g := range s.Curves {
		c := l.curve(s, g)
		c.Title = g.Point + ", " + c.Unit
		for i := range c.Lines {
			if !c.Lines[i].Model {
				c.Lines[i].Name = "as measured"
			}
		}
		c.Ticks = nil // they stand with the flags and the marks
		cs.Each = append(cs.Each, c)
		first, last := g.Lines[0][0], g.Lines[len(g.Lines)-1]
		scale := axis(g.Quantity, g.Unit)
		row := []string{g.Point, c.Unit}
		for _, v := range []float64{first.Value, g.Lowest.Value, g.Highest.Value, last[len(last)-1].Value} {
			row = append(row, scale.Number(v))
		}
		t.Rows = append(t.Rows, row)
	}
	l.put(cs, t)
}

// airs are the units' curves of a step that judges each by its air.
func (l *laying) airs(s Step) {
	all := slices.Clone(s.Airs)
	if len(all) == 0 {
		return
	}
	note := airsNote
	if s.Step == "branch-check" {
		note = branchAirsNote
	}
	if n := len(all); n > mostUnitsDrawn {
		slices.SortStableFunc(all, func(a, b UnitGraph) int {
			return cmp.Compare(passedLast(a.Result), passedLast(b.Result))
		})
		all = all[:mostUnitsDrawn]
		note += fmt.Sprintf(" Of %s with readings %d are drawn, those first that did not pass.", numberOf(n, "unit", "units"), mostUnitsDrawn)
	}
	cs := Curves{Title: airsTitle, Note: note}
	low, high := math.Inf(1), math.Inf(-1)
	for _, u := range all {
		c := l.air(s, u)
		low, high = min(low, c.Axis[0]), max(high, c.Axis[1])
		cs.Each = append(cs.Each, c)
	}
	for i := range cs.Each { // all alike, so that they can be compared
		cs.Each[i].Axis = [2]float64{low, high}
	}
	l.put(cs)
}

func passedLast(result string) int {
	if result == rules.Passed {
		return 1
	}
	return 0
}

// air is one unit's supply and return air, and where its supply was to lie.
func (l *laying) air(s Step, u UnitGraph) Curve {
	of := cmp.Or(u.Supply, u.Return)
	scale := axis(of.Quantity, of.Unit)
	show := scale.Value
	c := Curve{Title: u.Unit, Unit: scale.Symbol, Begin: of.From, End: of.To}
	if u.Room != "" {
		c.Title += ", " + u.Room
	}
	if u.Result != "" {
		c.Title += ": " + outcome(u.Result)
	}
	var said []string
	for _, x := range []struct {
		name string
		g    *Graph
	}{{"supply air", u.Supply}, {"return air", u.Return}} {
		line := Line{Name: x.name}
		if x.g != nil {
			for _, stretch := range x.g.Lines {
				var out []Sample
				for _, p := range stretch {
					out = append(out, Sample{p.At, show(p.Value)})
				}
				line.Stretches = append(line.Stretches, out)
			}
			said = append(said, fmt.Sprintf("%s %s to %s %s", x.name, scale.Number(x.g.Lowest.Value), scale.Number(x.g.Highest.Value), scale.Symbol))
		}
		c.Lines = append(c.Lines, line)
	}
	low, high, from, to := extremes(u.Supply, u.Return)
	c.Axis = [2]float64{show(low), show(high)}
	if c.Begin.IsZero() {
		c.Begin = from
	}
	if c.End.IsZero() {
		c.End = to
	}
	if u.Known && u.Return != nil {
		c.Bands = goodSupply(u, show)
		for _, b := range c.Bands {
			for i := range b.At {
				c.Axis[0], c.Axis[1] = min(c.Axis[0], b.Low[i]), max(c.Axis[1], b.High[i])
			}
		}
	}
	for _, a := range u.Asked {
		name := "asked to cool"
		if a.What == "heat" {
			name = "asked to heat"
		}
		c.Spans = append(c.Spans, Span{a.From, a.To, name, a.What == "heat"})
	}
	if !u.Judged.IsZero() {
		c.Ticks = []Tick{{u.Judged, "judged " + u.Judged.Format("15:04")}}
		said = append(said, "judged at "+momentText(u.Judged))
	}
	c.Describe = titled(strings.Join(said, ", ")) + "."
	return c
}

// goodSupply is where the supply air was to lie: from the return air by the
// split's limits, a piece each stretch of it.
func goodSupply(u UnitGraph, show func(float64) float64) (bands []Band) {
	for _, stretch := range u.Return.Lines {
		b := Band{Name: "where the supply air is good"}
		for _, p := range stretch {
			near, far := p.Value-u.HighK, p.Value-u.LowK
			if u.Heating {
				near, far = p.Value+u.LowK, p.Value+u.HighK
			}
			b.At, b.Low, b.High = append(b.At, p.At), append(b.Low, show(near)), append(b.High, show(far))
		}
		bands = append(bands, b)
	}
	return bands
}
