package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// How long one answer may take to be read from the journal.
const traceDeadline = 15 * time.Second

type journalColumn = journal.Column

// traceData is what the page's script draws.
type traceData struct {
	From  int64       `json:"from"`
	To    int64       `json:"to"`
	Width int64       `json:"width"`         // ms of a column; 0: each is one reading
	Now   int64       `json:"now,omitempty"` // where the end is not over yet
	Lines []traceLine `json:"lines"`
	Steps []traceBar  `json:"steps"`
	Flags []traceBar  `json:"flags"`
	List  string      `json:"list,omitempty"`  // what happened, as a list of the page
	Table string      `json:"table,omitempty"` // the figures, as one
	Span  string      `json:"span"`
}

// traceLine is one point's columns in the unit they are shown in. A null is a
// gap: never bridged.
type traceLine struct {
	Point  string       `json:"point"`
	Role   string       `json:"role"`
	Chart  int          `json:"chart"` // the lines of one chart share a unit
	Unit   string       `json:"unit"`
	Digits int          `json:"digits"` // after the point; -1: three significant ones
	Other  *twinUnit    `json:"other,omitempty"`
	Words  []string     `json:"words,omitempty"` // of a contact: off and on
	Log    bool         `json:"log,omitempty"`
	Times  []int64      `json:"t"` // the first, then each less the one before
	Mean   figures      `json:"y"`
	Low    *figures     `json:"low,omitempty"` // where columns stand for many readings
	High   *figures     `json:"high,omitempty"`
	Gaps   []traceGap   `json:"gaps,omitempty"`
	Limits []traceLimit `json:"limits,omitempty"`
}

// twinUnit is how the same value is written in the other world's unit: value*Scale + Offset.
type twinUnit struct {
	Unit   string  `json:"unit"`
	Scale  float64 `json:"scale"`
	Offset float64 `json:"offset"`
	Digits int     `json:"digits"`
}

// traceGap is a stretch without a usable reading.
type traceGap struct {
	From int64  `json:"from"`
	To   int64  `json:"to"`
	Why  string `json:"why"`
}

// traceLimit is a step's limit over the step's time.
type traceLimit struct {
	At    float64 `json:"at"`
	Label string  `json:"label"`
	Side  string  `json:"side,omitempty"`
	From  int64   `json:"from"`
	To    int64   `json:"to"`
}

// figures are written short: no more digits than the instrument has, and one.
type figures struct {
	values []float64 // NaN: none
	digits int
}

// MarshalJSON writes them as an array; what is none as null.
func (f figures) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, v := range f.values {
		if i > 0 {
			b = append(b, ',')
		}
		switch {
		case math.IsNaN(v) || math.IsInf(v, 0):
			b = append(b, "null"...)
		case f.digits < 0:
			b = strconv.AppendFloat(b, v, 'g', 6, 64)
		default:
			at := len(b)
			b = strconv.AppendFloat(b, v, 'f', f.digits+1, 64)
			b = bytes.TrimRight(b, "0")
			if b[len(b)-1] == '.' {
				b = b[:len(b)-1]
			}
			if string(b[at:]) == "-0" || len(b) == at {
				b = append(b[:at], '0')
			}
		}
	}
	return append(b, ']'), nil
}

// columns reads from the journal, as soon as not too many others do.
func (s *screens) columns(ctx context.Context, points []string, from, to int64, most int) (journal.Columns, error) {
	select {
	case s.readers <- struct{}{}:
		defer func() { <-s.readers }()
	case <-ctx.Done():
		return journal.Columns{}, ctx.Err()
	}
	return s.box.Columns(ctx, points, from, to, most)
}

// traceFigures answers with the figures of what an address of Trace asks for.
func (s *screens) traceFigures(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), traceDeadline)
	defer cancel()
	snap, q := s.box.Now(), r.URL.Query()
	a, refused := s.traceAsk(q, snap)
	if refused != "" {
		s.refuse(w, r, http.StatusBadRequest, refused)
		return
	}
	most := mostSamples
	if n, err := strconv.Atoi(q.Get("most")); err == nil {
		most = min(max(n, 2), mostColumns)
	}
	d, err := s.traceData(ctx, snap, unitsOf(r), a, q, most)
	if err != nil {
		if r.Context().Err() == nil { // else nobody waits any more
			s.log.Error("a trace could not be read", "error", err)
			s.refuse(w, r, http.StatusInternalServerError, "refused.curve")
		}
		return
	}
	writeMarked(w, r, d)
}

// writeMarked writes a body under the mark of its content, so that what has not
// changed is not sent again; what is over never changes, unless a late reading
// comes or a clock is mended.
func writeMarked(w http.ResponseWriter, r *http.Request, body any) {
	text, err := json.Marshal(body)
	if err != nil { // figures and strings can all be written
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	sum := sha256.Sum256(text)
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "private")
	h.Add("Cache-Control", "no-cache") // kept, and asked after each time
	h.Set("Vary", "Accept-Encoding, Cookie")
	h.Set("ETag", tag)
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	_, _ = w.Write(text) // a reader that has gone away is no fault of ours
}

func (s *screens) traceData(ctx context.Context, snap Snapshot, c choice, a traceAsk, q url.Values, most int) (*traceData, error) {
	wide := a
	if q.Get("wide") != "" { // what a finger may move into view at once
		half := (a.To - a.From) / 2
		wide.From, wide.To = a.From-half, max(a.To, min(a.To+half, snap.Wall.UnixMilli()))
	}
	got, err := s.columns(ctx, names(a.Points), wide.From, wide.To, most)
	if err != nil {
		return nil, err
	}
	d := &traceData{From: a.From, To: a.To, Width: got.Width.Milliseconds(), Lines: []traceLine{}, Span: s.traceSpan(snap, a)}
	now := snap.Wall.UnixMilli()
	if a.To >= now-time.Minute.Milliseconds() {
		d.Now = now
	}
	charts := chartsOf(c, a.Points)
	for i, p := range a.Points {
		l := s.traceLine(snap, c, p, wide, got.Points[i], got.Width)
		l.Chart = charts[i]
		d.Lines = append(d.Lines, l)
	}
	if q.Get("plain") != "" { // what is laid beside: its figures only
		d.Steps, d.Flags, d.Span = []traceBar{}, []traceBar{}, ""
		return d, nil
	}
	bars := s.traceBars(ctx, snap, a)
	d.Steps, d.Flags = bars.Steps, bars.Flags
	if d.List, err = s.part("trace", "tracelist", bars); err == nil {
		d.Table, err = s.part("trace", "tracetable", s.traceTable(snap, c, a, got))
	}
	return d, err
}

// part renders a part of a page by itself.
func (s *screens) part(page, name string, data any) (string, error) {
	var b bytes.Buffer
	err := s.pages[page].ExecuteTemplate(&b, name, data)
	return b.String(), err
}

// chartsOf says which chart each point stands in: one a unit, and of four lines at most.
func chartsOf(c choice, ps []sensors.Point) []int {
	type chart struct {
		q     sensors.Quantity
		unit  rules.Scale
		lines int
	}
	var all []chart
	at := make([]int, len(ps))
	for i, p := range ps {
		d, _ := c.scales(p.Quantity, p.Unit)
		k := slices.IndexFunc(all, func(x chart) bool { return x.q == p.Quantity && x.unit == d && x.lines < inOneChart })
		if k < 0 {
			k = len(all)
			all = append(all, chart{p.Quantity, d, 0})
		}
		all[k].lines++
		at[i] = k
	}
	return at
}

func (s *screens) traceLine(snap Snapshot, c choice, p sensors.Point, a traceAsk, columns []journal.Column, width time.Duration) traceLine {
	d, other := c.scales(p.Quantity, p.Unit)
	l := traceLine{Point: p.Name, Role: s.words.name("role", p.Role), Unit: d.Symbol, Digits: d.Digits, Log: p.Quantity == sensors.Vacuum,
		Times: []int64{}, Mean: figures{[]float64{}, d.Digits}, Limits: s.traceLimits(snap, c, p, a.From, a.To)}
	if p.Quantity == sensors.Contact {
		l.Words, l.Mean.digits = []string{s.words.say("contact.off"), s.words.say("contact.on")}, 2
	}
	if d != other && d.Factor != 0 {
		scale := other.Factor / d.Factor
		l.Other = &twinUnit{other.Symbol, scale, other.Offset - float64(d.Offset*scale), other.Digits}
	}
	low, high, many := figures{digits: d.Digits}, figures{digits: d.Digits}, false
	last := int64(0)
	add := func(ms int64, mean, lowest, highest float64) {
		l.Times = append(l.Times, ms-last)
		last = ms
		l.Mean.values, low.values, high.values = append(l.Mean.values, mean), append(low.values, lowest), append(high.values, highest)
		many = many || lowest != highest
	}
	nan := math.NaN()
	half := width.Milliseconds() / 2
	longest := longestStep(p, width)
	end := min(a.To, snap.Wall.UnixMilli())
	// What lies before the first reading and after the last one is a gap as well.
	heard := int64(0) // the end of the last column with a value
	why := ""
	gap := func(from, to int64) {
		from, to = max(from, a.From), min(to, end)
		if why == "" {
			why = s.words.say("trace.silent")
		}
		if to > from {
			l.Gaps = append(l.Gaps, traceGap{from, to, why})
		}
		why = ""
	}
	for _, x := range columns {
		if x.Count == 0 {
			why = s.words.name("reason", x.Worst.Reason)
			continue
		}
		if last != 0 && x.WallMs <= last {
			continue // the drawing goes one way only
		}
		switch {
		case heard == 0:
			if x.WallMs-half-a.From > longest {
				gap(a.From, x.WallMs-half)
			}
		case why != "" || x.WallMs-last > longest:
			add(heard+(x.WallMs-half-heard)/2, nan, nan, nan)
			gap(heard, x.WallMs-half)
		}
		why = ""
		add(x.WallMs, d.Value(x.Mean), d.Value(x.Low), d.Value(x.High))
		heard = x.WallMs + half
	}
	// A gap may end an hour past the window's column grid: only what is beyond a silence counts.
	if quiet := max(longest, silence(p).Milliseconds()); heard == 0 || why != "" || end-heard > quiet {
		gap(max(heard, a.From), end)
	}
	if many {
		l.Low, l.High = &low, &high
	}
	return l
}

// longestStep is the longest time between two columns that a line may bridge.
func longestStep(p sensors.Point, width time.Duration) int64 {
	every := p.Every
	if every <= 0 {
		every = silence(p)
	}
	return int64(gapAfter * float64(max(every, width).Milliseconds()))
}

// samplesOf are columns as the pictures' charts take them.
func samplesOf(columns []journal.Column) []journal.Sample {
	out := make([]journal.Sample, 0, len(columns))
	for _, x := range columns {
		h := x.Worst
		if x.Count > 0 { // what could be used is shown
			h = sensors.Health{}
		}
		out = append(out, journal.Sample{WallMs: x.WallMs, Value: x.Mean, Low: x.Low, High: x.High, Health: h})
	}
	return out
}

// laidOver is an earlier stretch, moved to lie over a later one.
func laidOver(columns []journal.Column, by int64, d rules.Scale, label string) sideLine {
	l := sideLine{Label: label}
	for _, x := range columns {
		if x.Count > 0 {
			l.Times, l.Y = append(l.Times, x.WallMs+by), append(l.Y, d.Value(x.Mean))
		}
	}
	return l
}

// traceLimits are the limits of the steps that go by a point, each over its step.
func (s *screens) traceLimits(snap Snapshot, c choice, p sensors.Point, from, to int64) (ls []traceLimit) {
	d, other := c.scales(p.Quantity, p.Unit)
	for _, st := range slices.Concat(snap.Running, snap.Past) {
		st, _ = snap.begun(st.System, st.Name, st.Begin) // with what a judge that is gone went by
		line := st.Outlook.Limit
		if st.Outlook.Point != p.Name || line == nil || len(st.Ledger) > 0 || st.Begun.IsZero() {
			continue
		}
		begin, end := st.Begun.UnixMilli(), max(to, snap.Wall.UnixMilli())
		if !st.Ended.IsZero() {
			end = st.Ended.UnixMilli()
		}
		if end < from || begin > to {
			continue
		}
		key := "curve.target"
		if st.Name == "vacuum-hold" {
			key = "curve.limit"
		}
		l := traceLimit{At: d.Value(line.Value), Side: forbidden[st.Name], From: begin, To: end,
			Label: s.words.say("trace.limit", s.words.say(key, d.Beside(other, line.Value)), midSentence(s.words.name("step", st.Name)))}
		ls = append(ls, l)
	}
	return ls
}

// traceTable is the same figures for who hears the page.
type traceTable struct {
	Points []string
	Rows   []traceRow
}

type traceRow struct {
	Clock  string
	Values []string
}

const traceRows = 24

func (s *screens) traceTable(snap Snapshot, c choice, a traceAsk, got journal.Columns) *traceTable {
	t := &traceTable{Points: names(a.Points)}
	step := max((a.To-a.From)/traceRows, 1)
	next := make([]int, len(a.Points))
	end := min(a.To, snap.Wall.UnixMilli())
	format := "15:04"
	if step < time.Minute.Milliseconds() {
		format = "15:04:05"
	}
	for at := a.From; at <= end; at += step {
		row := traceRow{Clock: time.UnixMilli(at).In(snap.zone()).Format(format)}
		if a.To-a.From > (20 * time.Hour).Milliseconds() {
			row.Clock = s.words.clock(time.UnixMilli(at), snap.Wall, snap.zone())
		}
		for i, p := range a.Points {
			columns, text := got.Points[i], s.words.say("trace.none")
			for next[i] < len(columns) && columns[next[i]].WallMs < at {
				next[i]++
			}
			// The first column at or after the row's time, where it still lies near it.
			if k := next[i]; k < len(columns) && columns[k].WallMs-at < max(step, longestStep(p, got.Width)) {
				switch x := columns[k]; {
				case x.Count == 0:
					text = s.words.name("reason", x.Worst.Reason)
				case p.Quantity == sensors.Contact:
					text = s.onOff(math.Round(x.Mean))
				default:
					text, _ = c.both(p.Quantity, p.Unit, x.Mean)
				}
			}
			row.Values = append(row.Values, text)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// traceOverview is how every point went over a time, in a picture of a thumb's width.
type traceOverview struct {
	From   int64          `json:"from"`
	To     int64          `json:"to"`
	Points []traceOutline `json:"points"`
}

// traceOutline is a point's lowest and highest values in equal parts of the
// time, from 0 to 99 between its own lowest and highest; -1: none.
type traceOutline struct {
	Point string `json:"point"`
	Low   []int  `json:"low"`
	High  []int  `json:"high"`
	Range string `json:"range"`
}

const (
	outlineParts  = 96
	mostOutlines  = 512
	outlineHeight = 99
)

func (s *screens) traceOutlines(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), traceDeadline)
	defer cancel()
	snap, q := s.box.Now(), r.URL.Query()
	q.Del("points")
	a, refused := s.traceAsk(q, snap)
	if refused != "" {
		s.refuse(w, r, http.StatusBadRequest, refused)
		return
	}
	points := snap.Points[:min(len(snap.Points), mostOutlines)]
	var list []string
	for _, p := range points {
		list = append(list, p.Name)
	}
	got, err := s.columns(ctx, list, a.From, a.To, outlineParts)
	if err != nil {
		if r.Context().Err() == nil {
			s.log.Error("the outlines could not be read", "error", err)
			s.refuse(w, r, http.StatusInternalServerError, "refused.curve")
		}
		return
	}
	o := traceOverview{From: a.From, To: a.To, Points: []traceOutline{}}
	for i, p := range points {
		o.Points = append(o.Points, s.outline(unitsOf(r), p.Point, a, got.Points[i]))
	}
	writeMarked(w, r, o)
}

func (s *screens) outline(c choice, p sensors.Point, a traceAsk, columns []journal.Column) traceOutline {
	o := traceOutline{Point: p.Name, Low: make([]int, outlineParts), High: make([]int, outlineParts)}
	for i := range o.Low {
		o.Low[i], o.High[i] = -1, -1
	}
	scale := func(v float64) float64 { return v }
	if p.Quantity == sensors.Vacuum {
		scale = func(v float64) float64 { return math.Log10(max(v, 1e-3)) }
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range columns {
		if x.Count > 0 {
			low, high = min(low, x.Low), max(high, x.High)
		}
	}
	if low > high {
		return o
	}
	least, _ := c.both(p.Quantity, p.Unit, low)
	most, _ := c.both(p.Quantity, p.Unit, high)
	if o.Range = s.words.say("trace.range", least, most); least == most {
		o.Range = least
	}
	if p.Quantity == sensors.Contact {
		o.Range = s.onOff(high)
	}
	span := scale(high) - scale(low)
	at := func(v float64) int {
		if span == 0 {
			return outlineHeight / 2
		}
		return int(math.Round(outlineHeight * (scale(v) - scale(low)) / span))
	}
	for _, x := range columns {
		i := int((x.WallMs - a.From) * outlineParts / (a.To - a.From))
		if x.Count == 0 || i < 0 || i >= outlineParts {
			continue
		}
		if o.Low[i] < 0 {
			o.Low[i], o.High[i] = at(x.Low), at(x.High)
		}
		o.Low[i], o.High[i] = min(o.Low[i], at(x.Low)), max(o.High[i], at(x.High))
	}
	return o
}

// traceBar is something that lasted: a step, or a flag from raised to cleared.
type traceBar struct {
	From  int64  `json:"from"`
	To    int64  `json:"to"`
	Open  bool   `json:"open,omitempty"`  // it goes on
	State string `json:"state"`           // the shape
	Wakes bool   `json:"wakes,omitempty"` // a flag for which a phone rings
	Title string `json:"title"`
	N     int    `json:"n"` // in the list
	URL   string `json:"-"`
	When  string `json:"-"`
	Text  string `json:"-"`
}

// traceBars are the steps and flags of a stretch of time.
type traceBars struct {
	Steps, Flags []traceBar
	More         int // flags that are not shown
}

func (b traceBars) list() []traceBar { return slices.Concat(b.Steps, b.Flags) }

const (
	mostStepBars = 24
	mostFlagBars = 24
)

// traceBars gathers what was under way and what was flagged: the newest first
// where there is too much, then in the order of time.
func (s *screens) traceBars(ctx context.Context, snap Snapshot, a traceAsk) traceBars {
	b := traceBars{Steps: []traceBar{}, Flags: []traceBar{}}
	now := snap.Wall.UnixMilli()
	within := func(x traceBar) bool { return x.To >= a.From && x.From <= a.To }
	for _, st := range slices.Concat(snap.Running, snap.Past) {
		x := traceBar{From: st.Begun.UnixMilli(), To: st.Ended.UnixMilli(), Open: st.Ended.IsZero(), State: underWay, Title: s.stepTitle(snap, st.System, st.Name)}
		if x.Open {
			x.To = now
		} else if x.State = ended; len(st.Verdicts) > 0 {
			x.State = st.Verdicts[len(st.Verdicts)-1].Result
		}
		if !st.Begun.IsZero() && within(x) && len(b.Steps) < mostStepBars {
			x.URL = a.over(x.From, x.To, x.Open).address()
			b.Steps = append(b.Steps, x)
		}
	}
	flags := s.flagBars(ctx, snap, a)
	flags = slices.DeleteFunc(flags, func(x traceBar) bool { return !within(x) })
	slices.SortStableFunc(flags, func(x, y traceBar) int { return cmpBool(y.Wakes, x.Wakes) })
	if b.More = max(0, len(flags)-mostFlagBars); b.More > 0 {
		flags = flags[:mostFlagBars]
	}
	b.Flags = append(b.Flags, flags...)
	byBegin := func(x, y traceBar) int { return int(min(max(x.From-y.From, -1), 1)) }
	slices.SortStableFunc(b.Steps, byBegin)
	slices.SortStableFunc(b.Flags, byBegin)
	n := 0
	for _, list := range [][]traceBar{b.Steps, b.Flags} {
		for i := range list {
			n++
			x := &list[i]
			x.N = n
			begin := s.words.clock(time.UnixMilli(x.From), snap.Wall, snap.zone())
			if x.When = s.words.say("trace.since", begin); !x.Open {
				x.When = s.words.say("trace.from-to", begin, s.words.clock(time.UnixMilli(x.To), snap.Wall, snap.zone()))
			}
		}
	}
	return b
}

func cmpBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// flagBars pairs the edges of the flags that have to do with what is shown:
// they rest on one of its points, or on none, or wake somebody.
func (s *screens) flagBars(ctx context.Context, snap Snapshot, a traceAsk) (bars []traceBar) {
	type key struct {
		flag, system, subject string
		begin                 uint64
	}
	of := func(f rules.Finding) key { return key{f.Flag, f.System, f.Subject, f.Begin} }
	concerned := func(f rules.Finding) bool {
		return f.Urgency == rules.Wake || len(f.Points) == 0 || slices.ContainsFunc(f.Points, func(p string) bool {
			return slices.ContainsFunc(a.Points, func(o sensors.Point) bool { return o.Name == p })
		})
	}
	raised := map[key]int{} // the bar of a flag that is open
	add := func(f rules.Finding, from, to int64, open bool) int {
		bars = append(bars, traceBar{From: from, To: to, Open: open, State: "raised", Wakes: f.Urgency == rules.Wake, Title: s.words.name("flag", f.Flag), Text: f.Text})
		return len(bars) - 1
	}
	now := snap.Wall.UnixMilli()
	for _, f := range slices.Backward(s.findingsSince(ctx, snap, time.UnixMilli(a.From))) {
		if f.Edge == rules.Given || f.Wall.IsZero() || !concerned(f.Finding) {
			continue
		}
		wall := f.Wall.UnixMilli()
		i, open := raised[of(f.Finding)]
		switch {
		case f.Edge == rules.Raised && open: // again, with more urgency
			bars[i].Wakes, bars[i].Text = f.Urgency == rules.Wake, f.Text
		case f.Edge == rules.Raised:
			raised[of(f.Finding)] = add(f.Finding, wall, now, true)
		case open:
			bars[i].To, bars[i].Open = wall, false
			delete(raised, of(f.Finding))
		default: // raised before anything that is read back here
			add(f.Finding, min(a.From, wall), wall, false)
		}
	}
	for _, f := range snap.Flags {
		if f.Raised.IsZero() || !concerned(f.Finding) {
			continue
		}
		if i, ok := raised[of(f.Finding)]; ok {
			bars[i].From = min(bars[i].From, f.Raised.UnixMilli())
			continue
		}
		add(f.Finding, f.Raised.UnixMilli(), now, true)
	}
	return bars
}
