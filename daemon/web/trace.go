package web

import (
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// The page Trace: any points over any time. Its address says all of it.

// Bounds of what one request may ask for.
const (
	mostLines   = 24 // points drawn; four to a chart
	inOneChart  = 4
	mostColumns = 2000
	mostSpan    = 400 * 24 * time.Hour
	leastSpan   = time.Second
	furthest    = int64(1e13) // ms from 1970: beyond any site's time
)

// traceAsk is what the address asks for.
type traceAsk struct {
	Points   []sensors.Point
	From, To int64 // Unix ms
	Live     bool  // no end was given: it goes on
	Slides   bool  // its beginning goes on too: so long before now
	Beside   int64 // Unix ms of the time laid over From; 0: none
	Find     string
}

// traceAsk reads an address's query; refused is the key of the sentence that
// says what cannot be, empty where all can.
func (s *screens) traceAsk(q url.Values, snap Snapshot) (a traceAsk, refused string) {
	for _, list := range q["points"] {
		for name := range strings.SplitSeq(list, ",") {
			p, ok := snap.point(strings.TrimSpace(name))
			if name == "" || slices.ContainsFunc(a.Points, func(o sensors.Point) bool { return o.Name == p.Name }) {
				continue
			}
			if !ok {
				return a, "refused.point"
			}
			if a.Points = append(a.Points, p.Point); len(a.Points) > mostLines {
				return a, "trace.too-many"
			}
		}
	}
	from, okFrom := moments(q.Get("from"), snap.zone())
	to, okTo := moments(q.Get("to"), snap.zone())
	beside, okBeside := moments(q.Get("beside"), snap.zone())
	length, okLength := lengthOf(q.Get("for"))
	if !okFrom || !okTo || !okBeside || !okLength {
		return a, "trace.when"
	}
	if a.Beside = beside; to == 0 {
		a.Live, to = true, snap.Wall.UnixMilli()
	}
	if from == 0 && length == 0 {
		from = s.traceBegin(snap).UnixMilli()
		length = 2 * time.Hour // where that is after an end that was given
	}
	if from == 0 || from >= to && q.Get("from") == "" {
		from = to - length.Milliseconds()
	}
	a.Slides = a.Live && q.Get("for") != "" && q.Get("from") == ""
	if a.From, a.To = from, to; from >= to && a.Live { // a time to come: nothing is known of it yet
		a.To = from + time.Hour.Milliseconds()
	}
	if span := a.To - a.From; span < leastSpan.Milliseconds() || span > mostSpan.Milliseconds() {
		return a, "trace.when"
	}
	a.Find = q.Get("find")
	return a, ""
}

// moments reads a moment: Unix ms, or a time of the site's day. Nothing is 0.
func moments(text string, zone *time.Location) (ms int64, ok bool) {
	if text == "" {
		return 0, true
	}
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		return n, n > 0 && n < furthest
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			ms = t.UnixMilli()
			return ms, ms > 0 && ms < furthest
		}
	}
	return 0, false
}

func lengthOf(text string) (d time.Duration, ok bool) {
	if text == "" {
		return 0, true
	}
	d, err := time.ParseDuration(text)
	return d, err == nil && d >= leastSpan && d <= mostSpan
}

// traceBegin is where a trace begins that nobody gave a time: with the step
// under way that was begun last, else two hours ago.
func (s *screens) traceBegin(snap Snapshot) time.Time {
	begin := snap.Wall.Add(-2 * time.Hour)
	newest := time.Time{}
	for _, st := range snap.Running {
		if st.Begun.After(newest) && snap.Wall.Sub(st.Begun) >= time.Minute {
			newest, begin = st.Begun, st.Begun
		}
	}
	return begin
}

// address is the page's for what is asked.
func (a traceAsk) address() string {
	q := url.Values{}
	if len(a.Points) > 0 {
		q.Set("points", a.names())
	}
	if a.Slides {
		q.Set("for", fmt.Sprint((a.To-a.From)/1000, "s"))
	} else {
		q.Set("from", fmt.Sprint(a.From))
	}
	if !a.Live {
		q.Set("to", fmt.Sprint(a.To))
	}
	if a.Beside != 0 {
		q.Set("beside", fmt.Sprint(a.Beside))
	}
	return "/trace?" + strings.ReplaceAll(q.Encode(), "%2C", ",")
}

func (a traceAsk) names() string {
	var names []string
	for _, p := range a.Points {
		names = append(names, p.Name)
	}
	return strings.Join(names, ",")
}

// over is the same, over another time; what is laid beside it moves along.
func (a traceAsk) over(from, to int64, live bool) traceAsk {
	if a.Beside != 0 {
		a.Beside += from - a.From
	}
	a.From, a.To, a.Live, a.Slides = from, to, live, false
	return a
}

func (a traceAsk) sliding() traceAsk {
	a.Slides = a.Live
	return a
}

// moved is the stretch of time beside, within or around the one asked for.
func (a traceAsk) moved(how string, now int64) traceAsk {
	span := a.To - a.From
	switch how {
	case "earlier":
		if a.From-span/2 < 1 {
			return a
		}
		return a.over(a.From-span/2, a.To-span/2, false)
	case "later":
		step := span / 2
		if a.To+step >= now { // its end is now, and stays so
			return a.over(min(a.From+step, max(now, a.To)-span), max(now, a.To), true).sliding()
		}
		return a.over(a.From+step, a.To+step, false)
	case "closer":
		if span < 4*leastSpan.Milliseconds() {
			return a
		}
		if a.Live { // the newest half
			return a.over(a.To-span/2, a.To, true).sliding()
		}
		return a.over(a.From+span/4, a.To-span/4, false)
	}
	if 2*span > mostSpan.Milliseconds() || a.From-span < 1 {
		return a
	}
	if a.Live {
		return a.over(a.From-span, a.To, true).sliding()
	}
	from, to := a.From-span/2, a.To+span/2
	return a.over(from, min(to, max(now, a.To)), to >= now)
}

// night is the site's newest night: since six in the evening, at daytime till
// eight in the morning (the hours in which a box is alone; our choice).
func night(now time.Time) (from, to time.Time, live bool) {
	evening := time.Date(now.Year(), now.Month(), now.Day(), 18, 0, 0, 0, now.Location())
	morning := time.Date(now.Year(), now.Month(), now.Day(), 8, 0, 0, 0, now.Location())
	if !now.Before(evening) {
		return evening, now, true
	}
	evening = time.Date(now.Year(), now.Month(), now.Day()-1, 18, 0, 0, 0, now.Location())
	if now.Before(morning) {
		return evening, now, true
	}
	return evening, morning, false
}

// traceView is the page.
type traceView struct {
	traceAsk
	Span     string // in words
	Data     string // where its figures are
	Charts   []traceChart
	Moves    []traceLink
	Times    []traceLink
	Steps    []traceLink
	Groups   []pointGroup
	Chosen   int
	All      int
	Roles    []traceLink // all points of a role at once
	FromText string      // for the fields
	ToText   string
	Besides  []besideOption
	Bars     traceBars
	Table    *traceTable
	Trouble  bool
	First    string // where there is nothing yet to draw: why

	PointNames string
	MostLines  int
}

// traceLink leads to another stretch of time, or other points.
type traceLink struct {
	URL, Title, Small string
	Move              string
	From, To          int64 // To 0: it goes on
	Slide             int64 // ms: so long before now, and goes on with it
	Here              bool
}

// traceChart is one picture for a browser without script.
type traceChart struct {
	Title   string
	Picture template.HTML
}

// mostPictured is how many columns such a picture has: every page carries it, most for nothing.
const mostPictured = 120

// pointGroup is the points of one quantity, to choose from.
type pointGroup struct {
	Title  string
	Points []pointChoice
}

type pointChoice struct {
	Name, Role, Place string
	Words             string // what the search looks through
	Chosen            bool
	Value             string
}

type besideOption struct {
	Value  int64
	Title  string
	Chosen bool
}

func (s *screens) tracePage(w http.ResponseWriter, r *http.Request) {
	snap := s.box.Now()
	v := s.frame(r, "trace", snap)
	a, refused := s.traceAsk(r.URL.Query(), snap)
	if refused != "" {
		s.refuse(w, r, http.StatusBadRequest, refused)
		return
	}
	if len(a.Points) == 0 && r.URL.Query().Get("find") == "" {
		a.Points = s.tracePoints(snap)
	}
	v.Query = "page=trace"
	v.Path = a.address() // the units' form comes back here
	v.Body = s.traceView(r, snap, v.Units, a)
	s.write(w, http.StatusOK, "trace", v)
}

// tracePoints are the points shown to who has chosen none: those that the steps
// under way go by.
func (s *screens) tracePoints(snap Snapshot) (ps []sensors.Point) {
	for _, st := range snap.Running {
		if p, ok := snap.point(st.Outlook.Point); ok && len(ps) < inOneChart && !slices.ContainsFunc(ps, func(o sensors.Point) bool { return o.Name == p.Name }) {
			ps = append(ps, p.Point)
		}
	}
	return ps
}

func (s *screens) traceView(r *http.Request, snap Snapshot, c choice, a traceAsk) traceView {
	zone := snap.zone()
	from, to := time.UnixMilli(a.From).In(zone), time.UnixMilli(a.To).In(zone)
	t := traceView{traceAsk: a, Data: strings.Replace(a.address(), "/trace?", "/trace/data?", 1), All: len(snap.Points), Chosen: len(a.Points),
		Span: s.traceSpan(snap, a), PointNames: a.names(), MostLines: mostLines,
		FromText: from.Format("2006-01-02T15:04:05"), ToText: to.Format("2006-01-02T15:04:05")}
	if a.Live {
		t.ToText = ""
	}
	for _, m := range [][2]string{{"earlier", "trace.move.earlier"}, {"later", "trace.move.later"}, {"closer", "trace.move.closer"}, {"wider", "trace.move.wider"}} {
		t.Moves = append(t.Moves, traceLink{URL: a.moved(m[0], snap.Wall.UnixMilli()).address(), Title: s.words.say(m[1]), Move: m[0]})
	}
	s.traceTimes(&t, snap)
	s.traceChoices(&t, snap, c)
	if len(a.Points) == 0 {
		t.First = s.words.say("trace.choose-first")
		if len(snap.Points) == 0 {
			t.First = s.words.say("points.none")
		}
		return t
	}
	t.Bars = s.traceBars(r.Context(), snap, a)
	got, err := s.columns(r.Context(), names(a.Points), a.From, a.To, mostPictured)
	if err != nil {
		s.log.Error("a trace could not be read", "error", err)
		t.Trouble = true
		return t
	}
	var earlier [][]journalColumn
	if a.Beside != 0 {
		if e, err := s.columns(r.Context(), names(a.Points), a.Beside, a.Beside+a.To-a.From, mostPictured); err == nil {
			earlier = e.Points
		}
	}
	t.Table = s.traceTable(snap, c, a, got)
	for i, p := range a.Points {
		ch := newChart(snap, c, p, a.From, a.To, samplesOf(got.Points[i]), mostPictured)
		if earlier != nil {
			ch.Lines = append(ch.Lines, laidOver(earlier[i], a.From-a.Beside, ch.scale, s.words.say("trace.earlier")).runs()...)
		}
		if l := s.traceLimits(snap, c, p, a.From, a.To); len(l) > 0 {
			ch.Limit = &limitLine{At: l[0].At, Label: l[0].Label, Side: l[0].Side}
		}
		for n, b := range t.Bars.list() {
			if b.From >= a.From && b.From <= a.To {
				ch.Events = append(ch.Events, event{Ms: b.From, N: n + 1, Kind: b.State})
			}
		}
		slices.SortFunc(ch.Events, func(x, y event) int { return cmp.Compare(x.Ms, y.Ms) })
		ch.axes(zone, 6)
		title := s.words.say("trace.picture", p.Name, t.Span)
		t.Charts = append(t.Charts, traceChart{Title: p.Name, Picture: ch.svg(372, 240, title)})
	}
	return t
}

func names(ps []sensors.Point) (out []string) {
	for _, p := range ps {
		out = append(out, p.Name)
	}
	return out
}

// traceSpan says the stretch of time: "12 Mar 18:00 to 03:25, 9 h 25 min".
func (s *screens) traceSpan(snap Snapshot, a traceAsk) string {
	from, to := time.UnixMilli(a.From), time.UnixMilli(a.To)
	begin, end := s.words.clock(from, snap.Wall, snap.zone()), s.words.clock(to, snap.Wall, snap.zone())
	length := s.words.span(to.Sub(from))
	if a.Live {
		return s.words.say("trace.span-live", begin, length)
	}
	if f, t := from.In(snap.zone()), to.In(snap.zone()); f.YearDay() == t.YearDay() && f.Year() == t.Year() {
		end = t.Format("15:04")
	}
	return s.words.say("trace.span", begin, end, length)
}

// traceTimes are the stretches of time that one tap leads to.
func (s *screens) traceTimes(t *traceView, snap Snapshot) {
	now, zone := snap.Wall.In(snap.zone()), snap.zone()
	last := func(title string, d time.Duration) traceLink {
		b := t.over(now.Add(-d).UnixMilli(), now.UnixMilli(), true).sliding()
		return traceLink{Title: title, URL: b.address(), From: b.From, Slide: d.Milliseconds(), Here: t.Slides && t.To-t.From == d.Milliseconds()}
	}
	link := func(title, small string, from, to time.Time, live bool) traceLink {
		l := traceLink{Title: title, Small: small, From: from.UnixMilli(), To: to.UnixMilli()}
		if live {
			l.To = 0
		}
		l.URL = t.over(l.From, to.UnixMilli(), live).address()
		l.Here = !t.Slides && l.From == t.From && (live && t.Live || !live && l.To == t.To)
		return l
	}
	t.Times = append(t.Times, last(s.words.say("trace.hour"), time.Hour))
	from, to, live := night(now)
	t.Times = append(t.Times, link(s.words.say("trace.night"), "", from, to, live))
	t.Times = append(t.Times, last(s.words.say("trace.day"), 24*time.Hour))
	first := now
	for _, st := range slices.Concat(snap.Running, snap.Past) {
		if st.Begun.IsZero() { // the boot it was begun in never had a clock
			continue
		}
		if st.Begun.Before(first) {
			first = st.Begun
		}
		title, small := s.words.say("trace.during", midSentence(s.stepTitle(snap, st.System, st.Name))), s.words.clock(st.Begun, snap.Wall, zone)
		end := st.Ended
		if end.IsZero() {
			end = now
		}
		if end.Sub(st.Begun) < leastSpan {
			continue
		}
		t.Steps = append(t.Steps, link(title, small, st.Begun, end, st.Ended.IsZero()))
	}
	if first.Before(now.Add(-time.Minute)) {
		t.Times = append(t.Times, link(s.words.say("trace.all"), "", first.Add(-time.Minute), now, true))
	}
	t.Besides = append(t.Besides, besideOption{0, s.words.say("trace.beside.none"), t.Beside == 0})
	day := t.From - (24 * time.Hour).Milliseconds()
	t.Besides = append(t.Besides, besideOption{day, s.words.say("trace.beside.day"), t.Beside == day})
	for _, l := range t.Steps {
		if l.From != t.From {
			t.Besides = append(t.Besides, besideOption{l.From, s.words.say("trace.beside.step", l.Title, l.Small), t.Beside == l.From})
		}
	}
	if t.Beside != 0 && !slices.ContainsFunc(t.Besides, func(o besideOption) bool { return o.Chosen }) {
		t.Besides = append(t.Besides, besideOption{t.Beside, s.words.say("trace.beside.at", s.words.clock(time.UnixMilli(t.Beside), snap.Wall, zone)), true})
	}
}

// traceChoices are the points to choose from, by what they measure.
func (s *screens) traceChoices(t *traceView, snap Snapshot, c choice) {
	rooms := map[string]string{} // by point
	for _, sys := range snap.Site.Systems {
		for _, u := range sys.Units {
			for _, p := range []string{u.Supply, u.Return, u.WetBulb, u.Humidity} {
				if p != "" {
					rooms[p] = u.Room
				}
			}
		}
	}
	byRole := map[string][]string{}
	var roles []string
	for _, q := range sensors.Quantities() {
		g := pointGroup{Title: s.words.name("quantity", q.String())}
		for _, p := range snap.Points {
			if p.Quantity != q {
				continue
			}
			x := pointChoice{Name: p.Name, Role: s.words.name("role", p.Role), Place: cmp.Or(rooms[p.Name], p.System),
				Chosen: slices.ContainsFunc(t.Points, func(o sensors.Point) bool { return o.Name == p.Name })}
			x.Words = strings.ToLower(strings.Join([]string{x.Name, x.Role, rooms[p.Name], p.System, g.Title}, " "))
			x.Value = s.pointView(snap, c, p).Main
			if byRole[p.Role] == nil {
				roles = append(roles, p.Role)
			}
			byRole[p.Role] = append(byRole[p.Role], p.Name)
			if !x.Chosen && !matches(x.Words, t.Find) {
				continue
			}
			g.Points = append(g.Points, x)
		}
		if len(g.Points) > 0 {
			t.Groups = append(t.Groups, g)
		}
	}
	for _, role := range roles {
		if all := byRole[role]; role != "" && len(all) > 1 {
			all = all[:min(len(all), mostLines)]
			b := t.traceAsk
			b.Points = nil
			for _, name := range all {
				p, _ := snap.point(name)
				b.Points = append(b.Points, p.Point)
			}
			t.Roles = append(t.Roles, traceLink{URL: b.address(), Title: s.words.say("trace.role", s.words.name("role", role), len(byRole[role])), Move: strings.Join(all, ",")})
		}
	}
}

// matches reports whether every word looked for stands in the text.
func matches(text, find string) bool {
	for word := range strings.FieldsSeq(strings.ToLower(find)) {
		if !strings.Contains(text, word) {
			return false
		}
	}
	return true
}
