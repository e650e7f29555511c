package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// liveParts are the templates of each page that a stream renews.
var liveParts = map[string][]string{
	"now":     {"bar", "count", "lead", "urgent", "ask", "units", "leadcurve", "ledger", "events", "lately", "actions", "others", "openflags", "heard", "state"},
	"points":  {"bar", "count", "pointlist", "state"},
	"point":   {"bar", "count", "pointnow", "pointflags", "pointfacts", "state"},
	"against": {"bar", "count", "againstnow", "state"},
	"steps":   {"bar", "count", "steplist", "state"},
	"step":    {"bar", "count", "stepnow", "stepchecks", "ask", "answers", "units", "leadcurve", "ledger", "events", "stepactions", "state"},
	"flags":   {"bar", "count", "recent", "state"},
	"box":     {"bar", "count", "boxnow", "state"},

	"ledger":   {"bar", "count", "charges", "leadcurve", "state"},
	"checks":   {"bar", "count", "checklist", "state"},
	"branches": {"bar", "count", "branchlist", "state"},
	"trace":    {"bar", "count", "state"}, // its curves are its script's
}

// parseBase parses the layout and the parts that all pages share.
func parseBase(w words, assets map[string]asset) *template.Template {
	funcs := template.FuncMap{"say": w.say, "count": w.count, "name": w.name, "whole": whole, "glue": glue,
		"asset": func(name string) template.URL { return assetURL(assets, name) }}
	return template.Must(template.New("").Funcs(funcs).ParseFS(pageFiles, "pages/layout.html", "pages/parts.html"))
}

func parsePages(w words, assets map[string]asset) map[string]*template.Template {
	base := parseBase(w, assets)
	pages := map[string]*template.Template{}
	for _, name := range []string{"now", "points", "point", "steps", "step", "flags", "box", "mark", "confirm", "ack", "lost", "takeoff", "sheet", "typed", "door", "people", "account",
		"ledger", "branches", "record", "earlier", "job", "more", "checks", "check", "trace", "phone", "watch", "against", "import"} {
		pages[name] = template.Must(template.Must(base.Clone()).ParseFS(pageFiles, "pages/"+name+".html"))
	}
	return pages
}

// notRead reports what could not be read; not where the reader has gone away meanwhile.
func (s *screens) notRead(ctx context.Context, what string, args ...any) {
	if ctx.Err() == nil {
		s.log.Error(what, args...)
	}
}

// numbered is a number and its unit, as judges write them.
var numbered = regexp.MustCompile(`(\d) (micron|Pa|kPa|MPa|psi|kg|lb|oz|g|K|F|C|°C|°F|%|d|h|min|s|m|ft)\b`)

// glue keeps each number of a sentence with its unit on one line.
func glue(text string) string { return numbered.ReplaceAllString(text, "$1\u00a0$2") }

// whole keeps what stands in brackets on one line: a number and its unit must
// not be torn apart.
func whole(text string) string {
	deep := 0
	return strings.Map(func(r rune) rune {
		switch {
		case r == '(':
			deep++
		case r == ')':
			deep--
		case r == ' ' && deep == 1:
			return '\u00a0'
		}
		return r
	}, text)
}

// view is what every page is made of; Body is the page's own.
type view struct {
	Page    string
	Query   string // of the page's stream
	Title   string
	Site    string
	Box     string
	Clock   string
	NowMs   int64
	Zone    string
	Proven  bool
	Demo    string // what the page says of a simulated site
	Units   choice
	Path    string // to come back to
	Done    string // what has just been recorded
	Problem string // what was wrong with a form
	Who     signer
	Acts    bool   // forms are of use to who looks
	Me      string // who is logged in
	Bare    bool   // a page for who has not been let in: nothing of the job is on it
	Door    string // where such a one gets in
	Script  string // of this page alone
	Curves  bool   // the curve library is there
	Nav     []navLink
	Open    int  // flags
	Urgent  bool // one of them wakes
	State   string
	Body    any
}

// titled is a figure or a fact with its title; Small is what stands under it.
type titled struct{ Title, Text, Small string }

// page answers with one of the pages that show how things stand.
func (s *screens) page(name string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, status := s.look(r, name, true)
		if status != http.StatusOK {
			s.refuse(w, r, status, "refused.page")
			return
		}
		s.write(w, status, name, v)
	}
}

func (s *screens) write(w http.ResponseWriter, status int, page string, v view) {
	var b strings.Builder
	if err := s.pages[page].ExecuteTemplate(&b, "layout", v); err != nil {
		s.log.Error("a page could not be written", "page", page, "error", err)
		http.Error(w, s.words.say("refused.broken"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(b.String())) // a reader that has gone away is no fault of ours
}

// refuse answers with a page that says what is wrong and what to do.
func (s *screens) refuse(w http.ResponseWriter, r *http.Request, status int, key string) {
	v := s.frame(r, "lost", s.box.Now())
	v.Title = s.words.say("refused.title")
	v.Body = titled{Title: v.Title, Text: s.words.say(key)}
	s.write(w, status, "lost", v)
}

func (s *screens) lost(w http.ResponseWriter, r *http.Request) {
	s.refuse(w, r, http.StatusNotFound, "refused.page")
}

// frame fills in what all pages share.
func (s *screens) frame(r *http.Request, page string, snap Snapshot) view {
	v := view{
		Page: page, Site: snap.Site.Name, Box: snap.BoxName,
		Title: s.words.say("title." + page),
		Clock: snap.Wall.In(snap.zone()).Format("15:04:05"), NowMs: snap.Wall.UnixMilli(), Zone: snap.zone().String(),
		Proven: snap.ClockProven, Units: unitsOf(r), Path: "/", Who: signerOf(r), Acts: s.mayAct(r), Bare: s.stranger(r), Curves: s.curves,
		Open: len(snap.Flags), Nav: s.nav(page),
	}
	if r.Method == http.MethodGet && page != "lost" {
		v.Path = seenAt(r, page)
		q := url.Values{}
		for _, key := range []string{"system", "begin", "before"} {
			if value := r.URL.Query().Get(key); value != "" {
				q.Set(key, value)
			}
		}
		if len(q) > 0 {
			v.Path += "?" + q.Encode()
		}
	}
	if done := r.URL.Query().Get("done"); s.words["done."+done] != "" {
		v.Done = s.words.say("done." + done)
	}
	switch {
	case snap.Over:
		v.Demo = s.words.say("demo.over", v.Clock)
	case snap.Demo:
		v.Demo = s.words.say("demo")
	}
	for _, f := range snap.Flags {
		v.Urgent = v.Urgent || f.Urgency == rules.Wake && !f.Acknowledged
	}
	v.State = s.state(snap)
	v.Who.Acts = v.Acts
	if v.Who.Fixed {
		v.Me = v.Who.Name
	}
	if !v.Acts { // whom it lets act it lets invite
		v.Nav = slices.DeleteFunc(v.Nav, func(l navLink) bool { return l.Name == "people" })
	}
	if v.Bare {
		v.Door = s.nearestDoor()
		v.Nav, v.Open, v.Urgent, v.State, v.Done = nil, 0, false, "", ""
	}
	return v
}

// state is what a screen reader is told when it changes: states, never figures.
func (s *screens) state(snap Snapshot) string {
	var parts []string
	for _, st := range snap.Running {
		parts = append(parts, s.words.say("state.running", s.stepTitle(snap, st.System, st.Name)))
	}
	if len(parts) == 0 {
		parts = append(parts, s.words.say("now.idle"))
	}
	for _, f := range snap.Flags {
		parts = append(parts, s.words.say("state.flag", s.words.name("flag", f.Flag.Flag)))
	}
	return strings.Join(parts, " ")
}

// seenAt is the path of the page that a request is for; a stream's parts stand
// in the page that opened it, and its forms lead back there.
func seenAt(r *http.Request, page string) string {
	if r.URL.Path != "/stream" {
		return r.URL.Path
	}
	switch page {
	case "now":
		return "/"
	case "point", "step":
		return "/" + page + "s/" + url.PathEscape(named(r, page))
	}
	return "/" + page
}

// look builds a page's view of this moment.
func (s *screens) look(r *http.Request, page string, svg bool) (view, int) {
	snap := s.box.Now()
	v := s.frame(r, page, snap)
	q := url.Values{"page": {page}}
	if system := r.URL.Query().Get("system"); system != "" {
		q.Set("system", system)
	}
	ctx := r.Context()
	switch page {
	case "now":
		v.Body = s.nowView(ctx, snap, v, svg)
	case "points":
		v.Body = s.pointViews(snap, v.Units)
	case "point":
		name := named(r, "point")
		q.Set("point", name)
		p, ok := snap.point(name)
		if !ok {
			return v, http.StatusNotFound
		}
		v.Title = p.Name
		v.Body = s.pointPage(ctx, snap, v, p, svg)
	case "against":
		name := named(r, "point")
		q.Set("point", name)
		p, ok := snap.point(name)
		if !ok {
			return v, http.StatusNotFound
		}
		asked := r.URL.Query()
		body, ok := s.againstPage(ctx, snap, v, p, asked)
		if !ok {
			return v, http.StatusNotFound
		}
		for _, key := range []string{"with", "empty", "weight", "loaded", "again", "true", "unit", "steady"} {
			if x := asked.Get(key); x != "" {
				q.Set(key, x)
			}
		}
		v.Title, v.Body = body.Title, body
	case "steps":
		v.Body = s.stepLists(snap)
	case "checks":
		system, ok := s.knownStep(snap, r.URL.Query().Get("system"), s.order[0])
		if !ok && r.URL.Query().Get("system") == "" && len(snap.Site.Systems) > 0 {
			system, ok = snap.Site.Systems[0].Name, true
		}
		if !ok {
			return v, http.StatusNotFound
		}
		v.Body = s.checksView(snap, system)
	case "step":
		name := named(r, "step")
		q.Set("step", name)
		system, ok := s.knownStep(snap, r.URL.Query().Get("system"), name)
		if !ok {
			return v, http.StatusNotFound
		}
		v.Title = s.words.name("step", name)
		begin, err := strconv.ParseUint(cmp.Or(r.URL.Query().Get("begin"), "0"), 10, 64)
		if _, ok := snap.begun(system, name, begin); err != nil || begin != 0 && !ok {
			return v, http.StatusNotFound
		}
		if begin != 0 {
			q.Set("begin", fmt.Sprint(begin))
		}
		v.Body = s.stepPage(ctx, snap, v, system, name, begin, svg)
	case "flags":
		before, err := strconv.ParseInt(cmp.Or(r.URL.Query().Get("before"), "0"), 10, 64)
		if err != nil || before < 0 {
			return v, http.StatusNotFound
		}
		if before != 0 {
			q.Set("before", fmt.Sprint(before))
		}
		v.Body = s.flagsPage(ctx, snap, v, before)
	case "ledger":
		v.Body = s.ledgerPage(ctx, snap, v, svg)
	case "branches":
		v.Body = s.branchesPage(snap, v.Units)
	case "box":
		v.Body = s.boxPage(snap)
	}
	v.Query = q.Encode()
	return v, http.StatusOK
}

// named is a name from the path, or in a stream from the query.
func named(r *http.Request, key string) string {
	if s := r.PathValue(key); s != "" {
		return s
	}
	return r.URL.Query().Get(key)
}

// knownStep checks a step and a system of the site. Without a word of the
// system the site's only one is meant.
func (s *screens) knownStep(snap Snapshot, system, step string) (string, bool) {
	if !slices.Contains(s.order, step) {
		return "", false
	}
	for _, sys := range snap.Site.Systems {
		if sys.Name == snap.Site.SystemOf(system) {
			return sys.Name, true
		}
	}
	return "", false
}

func (s *screens) stepTitle(snap Snapshot, system, step string) string {
	return s.withSystem(snap, s.words.name("step", step), system)
}

// withSystem is a title with its system, where the site has several.
func (s *screens) withSystem(snap Snapshot, title, system string) string {
	if len(snap.Site.Systems) > 1 && system != "" {
		return s.words.say("step.of", title, system)
	}
	return title
}

// midSentence is a title within a sentence.
func midSentence(title string) string {
	r, n := utf8.DecodeRuneInString(title)
	return string(unicode.ToLower(r)) + title[n:]
}

func stepURL(system, step string) string {
	u := "/steps/" + url.PathEscape(step)
	if system != "" {
		u += "?system=" + url.QueryEscape(system)
	}
	return u
}

func confirmURL(do, system, step string) string {
	return "/confirm?" + url.Values{"do": {do}, "system": {system}, "step": {step}}.Encode()
}

// figure is the number as tall as a thumb.
type figure struct {
	Number, Unit string
	Point        string
	Other        string // in the units of the other world
	Size         int    // of the numerals, in hundredths of the width of a phone
	Old          bool
	When         moment
}

func (s *screens) figure(snap Snapshot, c choice, st Step) *figure {
	o := st.Outlook
	if !o.HasFig {
		return nil
	}
	unit := ""
	quiet := time.Minute
	if p, ok := snap.point(o.Point); ok {
		quiet = silence(p.Point)
		if p.Quantity == o.Quantity {
			unit = p.Unit
		}
	}
	main, other := c.scales(o.Quantity, unit)
	f := &figure{Point: o.Point, Number: main.Number(o.Figure), Unit: main.Symbol,
		When: s.words.moment(st.FigureAt, snap.Wall, snap.zone()),
		Old:  snap.Wall.Sub(st.FigureAt) > quiet}
	if f.Old { // as old as the sentence above says, which rounds
		f.When.Ago = s.words.say("time.ago", s.words.aboutSpan(snap.Wall.Sub(st.FigureAt)))
	}
	if o.Quantity == sensors.Contact {
		f.Number = s.onOff(o.Figure)
	}
	if main == rules.Pound {
		f.Other = main.Text(o.Figure) + ", " + other.Text(o.Figure)
	} else if main != other {
		f.Other = other.Text(o.Figure)
	}
	f.Size = numeralSize(f.Number, f.Unit)
	return f
}

// numeralSize is the largest of the style sheet's sizes at which number and
// unit share a phone's width: as tall as a thumb where there are few digits.
func numeralSize(number, unit string) int {
	digitsEm := 0.0
	for _, r := range number {
		if r >= '0' && r <= '9' || r >= 'a' {
			digitsEm += 0.7 // the widest of the system fonts
		} else {
			digitsEm += 0.4
		}
	}
	room := 84 - 3.6*float64(len(unit))
	for _, size := range []int{32, 28, 24, 20, 17, 14} {
		if digitsEm*float64(size) <= room {
			return size
		}
	}
	return 11
}

func (s *screens) onOff(v float64) string {
	if v != 0 {
		return s.words.say("contact.on")
	}
	return s.words.say("contact.off")
}

// stepView is a step under way as Now shows it.
type stepView struct {
	System, Name, Title  string
	Sentence             string
	Fig                  *figure
	State, StateWord     string // under way, or failed already
	Begun                moment
	Elapsed, Lasts, Left string
	Sure                 string
	Behind               []titled  // the numbers behind the sentence
	Points               []linkRow // whose readings it rests on
	Verdicts             []verdictView
	URL, EndURL          string
	NoFig                string    // why there is no figure yet
	Ways                 []linkRow // of a step that no reading draws: where its work is entered
	CurveURL             string
	Events               []event
	Wide, Narrow         template.HTML
	Table                []tableRow
	CurveTitle           string
	Before               int // events before those listed
	Ledger               *ledgerView
	Units                *unitsView // of a step that looks at each indoor unit
	Ask                  *askView   // what it proposes to command next
	Answers              *tableView // of a branch check
}

type tableRow struct{ Clock, Value string }

type nowView struct {
	Lead   *stepView
	Others []stepView
	Urgent []flagView // that nobody has acknowledged, the first of the step shown or to wake for: before the curve
	Flags  []flagView
	Next   *stepRow
	// NextTitle is its name within a sentence.
	NextTitle string
	LeftOver  []string   // what was never begun, reported or accepted, before that
	Idle      string     // the sentence while nothing is under way
	Unsettled []stepRow  // ended failed or not proven, and nobody has accepted it
	Start     []startRow // at a site where nothing has been begun yet
	Checks    string     // that are open before the next one
	Recent    []flagView // while nothing is under way
	Heard     heardView
	Quiet     string // nothing has been kept for a while
}

type heardView struct {
	Sentence string
	Trouble  string // brokers, stores and message ways that do not work
}

func (s *screens) nowView(ctx context.Context, snap Snapshot, v view, svg bool) nowView {
	var n nowView
	running := slices.Clone(snap.Running)
	slices.SortStableFunc(running, snap.ahead)
	for i, st := range running {
		sv := s.stepView(snap, v.Units, st)
		if i > 0 {
			n.Others = append(n.Others, sv)
			continue
		}
		s.addCurve(ctx, snap, v.Units, st, &sv, svg)
		n.Lead = &sv
	}
	if n.Lead == nil {
		n.Start = s.start(snap)
		n.Unsettled = s.unsettled(snap)
		n.Idle = s.idle(n.Unsettled)
		n.Next = s.next(snap)
		n.LeftOver = s.leftOver(snap, n.Next)
		if n.Next != nil {
			n.NextTitle = midSentence(n.Next.Title)
			if open := snap.openChecks(n.Next.System, n.Next.Name); len(open) > 0 && n.Next.State == waiting {
				n.Checks = s.words.count("now.checks-open", len(open))
			}
		}
		for _, f := range snap.Recent[:min(5, len(snap.Recent))] {
			n.Recent = append(n.Recent, s.flagView(snap, v, f.Finding, f.Wall, nil))
		}
	}
	for _, f := range snap.Flags {
		fv := s.flagView(snap, v, f.Finding, f.Raised, &f)
		ofLead := n.Lead != nil && f.System == n.Lead.System && f.Step == n.Lead.Name && f.Urgency != rules.Note
		if !f.Acknowledged && (ofLead && len(n.Urgent) == 0 || f.Urgency == rules.Wake) { // one thing before the curve, unless more wake
			n.Urgent = append(n.Urgent, fv)
		} else {
			n.Flags = append(n.Flags, fv)
		}
	}
	n.Heard = heardView{s.heard(snap), s.ways(snap)}
	if snap.KeptAt.IsZero() {
		n.Quiet = s.words.say("now.nothing-kept")
	} else if d := snap.Wall.Sub(snap.KeptAt); d > time.Minute {
		n.Quiet = s.words.say("now.quiet", s.words.span(d))
	}
	return n
}

// ahead orders steps under way by what a person looks for first: the gravest
// open flag, then what does not only wait as a preheat does, whenever it was
// begun, then the step begun last.
func (s Snapshot) ahead(a, b Step) int {
	waits := func(st Step) int {
		if st.Name == "preheat" {
			return 1
		}
		return 0
	}
	return cmp.Or(s.urgency(b)-s.urgency(a), waits(a)-waits(b), b.Begun.Compare(a.Begun))
}

// urgency is that of the step's gravest open flag.
func (s Snapshot) urgency(st Step) int {
	u := 0
	for _, f := range s.Flags {
		if f.Step == st.Name && f.System == st.System {
			u = max(u, 1+int(f.Urgency))
		}
	}
	return u
}

func (s *screens) stepView(snap Snapshot, c choice, st Step) stepView {
	o := st.Outlook
	sv := stepView{System: st.System, Name: st.Name, Title: s.stepTitle(snap, st.System, st.Name),
		Sentence: o.Sentence, Fig: s.figure(snap, c, st),
		Begun: s.words.moment(st.Begun, snap.Wall, snap.zone()), Elapsed: s.words.span(snap.Wall.Sub(st.Begun)),
		Verdicts: s.verdicts(snap, c, st), Behind: s.behind(snap, c, st), Ledger: s.ledger(snap, c, st), Points: pointLinks(snap, []string{o.Point}),
		URL: stepURL(st.System, st.Name), EndURL: confirmURL("end", st.System, st.Name)}
	sv.Units, sv.Ask, sv.Answers = s.each(snap, c, st), s.ask(snap, st), s.answers(snap, c, st)
	switch st.Name {
	case "take-off":
		sv.Ways = []linkRow{{takeoffURL(st.System), s.words.say("ledger.to-take-off")}}
	case "unit-count":
		sv.Ways = []linkRow{{sheetURL(st.System), s.words.say("sheet.go")}}
	case "hand-over":
	default:
		sv.NoFig = s.words.say("now.no-figure")
	}
	if sv.Answers != nil { // which says the same of each
		sv.Units = nil
	}
	if sv.Units != nil { // each unit's verdict stands with the unit
		sv.Verdicts = slices.DeleteFunc(sv.Verdicts, func(v verdictView) bool { return v.Unit != "" })
	}
	if sv.Sentence == "" {
		sv.Sentence = s.words.say("now.no-outlook", sv.Title, sv.Elapsed)
	}
	if o.Sure != "" {
		sv.Sure = s.words.name("sure", o.Sure)
	}
	sv.State, sv.StateWord = underWay, s.words.say("state."+underWay)
	// What has passed or failed waits for a person and no longer for the clock; what is not proven may still be.
	for _, f := range latest(st.Verdicts) {
		if f.Unit == "" && f.Result != rules.NotProven {
			sv.State, sv.StateWord = f.Result, s.words.say("state."+f.Result)
			return sv
		}
	}
	if o.Lasts > 0 {
		sv.Lasts = s.words.span(o.Lasts)
		if left := o.Lasts - snap.Wall.Sub(st.Begun); left > 0 {
			sv.Left = s.words.say("now.left", s.words.span(wholeMinutes(left)))
		} else {
			sv.Left = s.words.say("now.time-is-up")
		}
	}
	switch {
	case o.Left > 0 && o.Lasts > 0:
		sv.Left = s.words.say("now.left", s.words.span(wholeMinutes(o.Left)))
	case o.Left > 0: // predicted: the sentence above says it in the same words
		sv.Left = s.words.say("now.to-go", s.words.aboutSpan(o.Left))
	}
	return sv
}

// wholeMinutes rounds a time left up, so that 23 min gone and 37 left make 60.
func wholeMinutes(d time.Duration) time.Duration {
	if d < time.Minute {
		return d
	}
	return (d + time.Minute - 1).Truncate(time.Minute)
}

func (s *screens) addCurve(ctx context.Context, snap Snapshot, c choice, st Step, sv *stepView, svg bool) {
	if st.Outlook.Point == "" {
		return
	}
	q := url.Values{"system": {st.System}, "step": {st.Name}}
	if !st.Ended.IsZero() {
		q.Set("begin", fmt.Sprint(st.Begin))
	}
	sv.CurveURL = "/curve?" + q.Encode()
	sv.CurveTitle = s.curveTitle(snap, st)
	from, to := stepWindow(snap, st)
	sv.Events, sv.Before = s.events(ctx, snap, c, st, from, to)
	if !svg {
		return
	}
	ch, err := s.stepChart(ctx, snap, c, st, mostDrawn)
	if err != nil {
		s.notRead(ctx, "a curve could not be read", "point", st.Outlook.Point, "error", err)
	}
	if ch == nil || err != nil {
		return
	}
	sv.Table = tableOf(ch)
	sv.Wide, sv.Narrow = ch.svg(720, 342, ch.Title), ch.svg(372, 290, ch.Title)
}

// tableOf is the curve as rows: a screen reader's way to read it.
func tableOf(c *chart) []tableRow {
	const rows = 24
	every := max(1, (len(c.Text)+rows-1)/rows)
	var t []tableRow
	for i := 0; i < len(c.Text); i++ {
		if i%every == 0 || i == len(c.Text)-1 {
			clock, value, ok := strings.Cut(c.Text[i], "  ")
			if ok {
				t = append(t, tableRow{clock, value})
			}
		}
	}
	return t
}

func (s *screens) heard(snap Snapshot) string {
	var never, late, failed int
	for _, p := range snap.Points {
		switch {
		case p.Heard.IsZero():
			never++
		case snap.Wall.Sub(p.Heard) > silence(p.Point):
			late++
		case p.Health.Grade == sensors.Failed:
			failed++
		}
	}
	n := len(snap.Points)
	switch {
	case n == 0:
		return s.words.say("heard.none")
	case never == n:
		return s.words.say("heard.never", n)
	case never+late+failed == 0 && n == 1:
		return s.words.say("heard.one")
	case never+late+failed == 0:
		return s.words.say("heard.all", n)
	}
	switch {
	case failed == 0:
		return s.words.say("heard.silent", n-never-late, n, never+late)
	case never+late == 0:
		return s.words.say("heard.failed", n-failed, n, failed)
	}
	return s.words.say("heard.some", n-never-late-failed, n, never+late, failed)
}

// ways says how many of the brokers and buses, stores and message ways do not
// work; nothing where all do. Somebody who waits to be woken must know it here.
func (s *screens) ways(snap Snapshot) string {
	bad, all := 0, len(snap.Devices)+len(snap.Outward)
	for _, d := range snap.Devices {
		if !d.OK {
			bad++
		}
	}
	for _, f := range snap.Outward {
		if !f.OK || f.Quarantined > 0 {
			bad++
		}
	}
	if bad == 0 {
		return ""
	}
	return s.words.say("heard.ways", bad, all)
}

// flagView is a flag, or an edge of one, or a verdict among the recent findings.
type flagView struct {
	Name, System, Subject, Title string
	Urgency, UrgencyWord         string
	Text                         string
	When                         moment
	First                        string // of an open one that was raised again: when first
	Values                       []titled
	Open                         bool
	Acknowledged                 bool
	By                           string
	State                        string // raised, cleared, passed, failed, not-proven
	StateWord                    string
	Where                        string
	Points                       []linkRow // whose readings it rests on
	ID                           string    // on the page
	Who                          signer
	Back                         string
}

func (s *screens) flagView(snap Snapshot, v view, f rules.Finding, at time.Time, open *Flag) flagView {
	fv := flagView{Name: f.Flag, System: f.System, Subject: f.Subject,
		Title:   s.edgeTitle(f),
		Urgency: f.Urgency.String(), UrgencyWord: s.words.name("urgency", f.Urgency.String()),
		Text: f.Text, When: s.words.moment(at, snap.Wall, snap.zone()), Values: s.values(v.Units, f), Points: pointLinks(snap, f.Points),
		State: f.Edge.String(), StateWord: s.words.name("edge", f.Edge.String()), Who: v.Who, Back: v.Path}
	if f.Edge == rules.Given {
		fv.State, fv.StateWord = f.Result, s.words.name("result", f.Result)
	}
	var where []string
	if f.System != "" && len(snap.Site.Systems) > 1 {
		where = append(where, f.System)
	}
	if f.Step != "" && f.Edge != rules.Given {
		where = append(where, s.words.name("step", f.Step))
	}
	if f.Subject != "" && f.Unit == "" {
		where = append(where, f.Subject)
	}
	fv.Where = strings.Join(where, ", ")
	if open != nil {
		fv.Title = s.withSystem(snap, s.words.name("flag", f.Flag), f.System)
		fv.Open, fv.Acknowledged, fv.By = true, open.Acknowledged, open.By
		fv.ID = fmt.Sprintf("flag-%s-%s-%s", f.Flag, f.System, f.Subject)
		if open.Newest.After(open.Raised) { // its words and figures are of then
			fv.When = s.words.moment(open.Newest, snap.Wall, snap.zone())
			fv.First = s.words.say("flag.first", s.words.clock(open.Raised, snap.Wall, snap.zone()))
		}
	}
	return fv
}

// edgeTitle names a finding in a few words.
func (s *screens) edgeTitle(f rules.Finding) string {
	if f.Edge == rules.Given {
		title := s.words.name("step", f.Flag)
		if f.Unit != "" {
			title += ", " + f.Unit
		}
		return s.words.say("edge.title-verdict", title, midSentence(s.words.name("result", f.Result)))
	}
	return s.words.say("edge.title-"+f.Edge.String(), s.words.name("flag", f.Flag))
}

type flagsView struct {
	Open   []flagView // on the first page
	Recent []flagView
	Back   bool   // this is a page of older ones
	Older  string // where those before these are; empty: there are none
	Broken bool   // the journal could not be read
}

// mostFindings is how many findings a page shows.
const mostFindings = 50

// flagsPage shows the open flags and the newest findings, or those before one.
func (s *screens) flagsPage(ctx context.Context, snap Snapshot, v view, before int64) flagsView {
	fv := flagsView{Back: before != 0}
	fs := snap.Recent
	if fv.Back {
		var err error
		if fs, err = s.box.Findings(ctx, before, mostFindings+1); err != nil {
			s.notRead(ctx, "older findings could not be read", "error", err)
			fv.Broken = true
		}
	} else {
		for _, f := range snap.Flags {
			fv.Open = append(fv.Open, s.flagView(snap, v, f.Finding, f.Raised, &f))
		}
	}
	if len(fs) > mostFindings {
		fs = fs[:mostFindings]
		fv.Older = "/flags?before=" + fmt.Sprint(fs[mostFindings-1].ID)
	}
	for _, f := range fs {
		fv.Recent = append(fv.Recent, s.flagView(snap, v, f.Finding, f.Wall, nil))
	}
	return fv
}

// pointView is a row of Points.
type pointView struct {
	Name, Role, System string
	URL                string
	Main, Other        string
	State              string // good, suspect, failed, silent, none
	Health             string // in words
	Taken              moment
	Heard              moment
	Every, Silent      string
	Source             string
	Count, Bad         string
	Corrected          string // what the instrument shows, where that is not what it is held for
	Expired            bool   // its calibration has run out
}

func (s *screens) pointViews(snap Snapshot, c choice) []pointView {
	vs := make([]pointView, len(snap.Points))
	for i, p := range snap.Points {
		vs[i] = s.pointView(snap, c, p)
	}
	return vs
}

func (s *screens) pointView(snap Snapshot, c choice, p Point) pointView {
	v := pointView{Name: p.Name, Role: s.words.name("role", p.Role), System: p.System,
		URL:   "/points/" + url.PathEscape(p.Name),
		State: p.Health.Grade.String(), Health: s.health(p.Health),
		Taken: s.words.moment(p.Taken, snap.Wall, snap.zone()), Heard: s.words.moment(p.Heard, snap.Wall, snap.zone()),
		Every: s.words.span(p.Every), Silent: s.words.span(silence(p.Point)),
		Source: s.words.name("source", p.Source), Count: rules.Decimals(float64(p.Count), 0), Bad: rules.Decimals(float64(p.Bad), 0), Expired: p.Expired}
	if p.Source == "" {
		v.Source = s.words.say("source.none")
	}
	if p.Every < time.Second && p.Every > 0 {
		v.Every = s.words.say("time.milliseconds", int(p.Every/time.Millisecond))
	}
	switch {
	case p.Heard.IsZero() && p.Taken.IsZero():
		v.State, v.Health = "none", s.words.say("health.never")
		return v
	case snap.Wall.Sub(p.Heard) > silence(p.Point):
		v.State, v.Health = "silent", s.words.say("health.silent", s.words.span(snap.Wall.Sub(p.Heard)))
	}
	if p.Health.Grade == sensors.Failed {
		return v
	}
	if p.Quantity == sensors.Contact {
		v.Main = s.onOff(p.Value)
	} else {
		v.Main, v.Other = c.both(p.Quantity, p.Unit, p.Value)
	}
	if p.Holds.Fix != nil {
		shown, _ := c.both(p.Quantity, p.Unit, p.Shown)
		v.Corrected = s.words.say("instrument.shows", shown, p.Holds.Fix.Words(p.Quantity))
	}
	return v
}

func (s *screens) health(h sensors.Health) string {
	if h.Grade == sensors.Good {
		return s.words.say("health.good")
	}
	return s.words.say("health."+h.Grade.String(), s.words.name("reason", h.Reason))
}

type pointPageView struct {
	pointView
	CurveURL     string
	CurveTitle   string
	Wide, Narrow template.HTML
	Table        []tableRow
	Placing      []string // how to place it
	Drawing      string   // of that; empty: none
	Flags        []flagView
	Instrument   *instrumentView
}

// pointWindow is what a point's own page shows: the last two hours.
func pointWindow(snap Snapshot) (from, to int64) {
	return snap.Wall.Add(-2 * time.Hour).UnixMilli(), snap.Wall.UnixMilli() + 1
}

func (s *screens) pointPage(ctx context.Context, snap Snapshot, frame view, p Point, svg bool) pointPageView {
	c := frame.Units
	v := pointPageView{pointView: s.pointView(snap, c, p), CurveTitle: s.words.say("curve.point-title", p.Name),
		CurveURL: "/curve?" + url.Values{"point": {p.Name}}.Encode()}
	s.placing(&v, p.Role)
	v.Instrument = s.instrument(snap, p)
	v.Flags = s.flagsOf(snap, frame, p.Name)
	if !svg {
		return v
	}
	from, to := pointWindow(snap)
	ch, err := s.pointChart(ctx, snap, c, p.Point, from, to, mostDrawn)
	if err != nil {
		s.notRead(ctx, "a curve could not be read", "point", p.Name, "error", err)
		return v
	}
	v.Table = tableOf(ch)
	v.Wide, v.Narrow = ch.svg(720, 342, ch.Title), ch.svg(372, 290, ch.Title)
	return v
}

// stepRow is one step of one system in the usual order.
type stepRow struct {
	System, Name, Title string
	State, StateWord    string
	URL                 string
	When                string
	Text                string
	Said                []string // who reported it done, who accepted its result
	Checks              string   // how those stand that no sensor sees
	accepted            bool
}

// acceptable: it ended, and not well.
func (r stepRow) acceptable() bool {
	return r.State == rules.NotPassed || r.State == rules.NotProven || r.State == ended
}

// settled: a person answers for it.
func (r stepRow) settled() bool { return r.accepted || r.State == reported }

type stepList struct {
	System string
	Rows   []stepRow
	Shut   string // the system's newest job is closed
	Record linkRow
}

func (s *screens) stepLists(snap Snapshot) []stepList {
	var ls []stepList
	for _, sys := range snap.Site.Systems {
		l := stepList{System: sys.Name, Shut: s.shutJob(snap, sys.Name), Record: linkRow{recordURL(sys.Name, 0), s.words.say("record.of-job", midSentence(s.jobTitle(snap.newest(sys.Name))))}}
		for _, name := range s.order {
			l.Rows = append(l.Rows, s.stepRow(snap, sys.Name, name))
		}
		ls = append(ls, l)
	}
	return ls
}

// States of a step, each with a shape of its own.
const (
	waiting  = "waiting"
	underWay = "under-way"
	ended    = "ended"    // without a verdict
	reported = "reported" // done before the box came, somebody says
)

func (s *screens) stepRow(snap Snapshot, system, name string) stepRow {
	row := stepRow{System: system, Name: name, Title: s.words.name("step", name), State: waiting}
	if st, ok := snap.begun(system, name, 0); ok {
		row = s.rowOf(snap, st)
	}
	for _, x := range snap.Reported {
		if x.System == system && x.Step == name {
			row.Said = append(row.Said, s.said(snap, "step.reported", x))
			if row.State == waiting {
				row.State = reported
			}
		}
	}
	row.StateWord, row.URL = s.words.name("state", row.State), stepURL(system, name)
	row.Checks = s.checkCount(snap, system, name)
	return row
}

// rowOf is the row of a step that was begun.
func (s *screens) rowOf(snap Snapshot, st Step) stepRow {
	row := stepRow{System: st.System, Name: st.Name, Title: s.words.name("step", st.Name), State: underWay,
		URL: "/steps/" + url.PathEscape(st.Name) + "?" + url.Values{"system": {st.System}, "begin": {fmt.Sprint(st.Begin)}}.Encode()}
	if st.Ended.IsZero() {
		m := s.words.moment(st.Begun, snap.Wall, snap.zone())
		row.When, row.Text = s.words.say("step.begun", m.Ago, m.Clock), st.Outlook.Sentence
	} else {
		row.State = outcome(st.Verdicts)
		m := s.words.moment(st.Ended, snap.Wall, snap.zone())
		row.When = s.words.say("step.ended", m.Ago, m.Clock)
		row.Text = s.summary(st)
	}
	for _, x := range st.Accepted {
		row.Said, row.accepted = append(row.Said, s.said(snap, "step.accepted", x)), true
	}
	row.StateWord = s.words.name("state", row.State)
	return row
}

func (s *screens) said(snap Snapshot, key string, x Said) string {
	return s.words.say(key, cmp.Or(x.By, s.words.say("step.nobody")), s.words.clock(x.At, snap.Wall, snap.zone()), x.Text)
}

func (s Snapshot) past(system, step string) (Step, bool) {
	for _, st := range s.Past { // newest first
		if st.Name == step && st.System == system {
			return st, true
		}
	}
	return Step{}, false
}

// summary is the verdict in a sentence; of many units how many stand how, and
// what is said of the worst.
func (s *screens) summary(st Step) string {
	vs := latest(st.Verdicts)
	if len(vs) == 0 {
		return ""
	}
	if len(vs) == 1 {
		return vs[0].Text
	}
	return s.words.say("step.of-units", s.tally(vs), vs[0].Text)
}

// tally counts verdicts by their result, what is wrong first.
func (s *screens) tally(vs []Finding) string {
	var parts []string
	for _, result := range worstFirst {
		n := 0
		for _, f := range vs {
			if f.Result == result {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, s.words.say("units.count", n, midSentence(s.words.name("state", result))))
		}
	}
	return strings.Join(parts, ", ")
}

// outcome is the worst of the verdicts that count, one a unit.
func outcome(fs []Finding) string {
	last := map[string]string{}
	for _, f := range fs {
		last[f.Unit] = f.Result
	}
	state := ended
	for _, r := range last {
		switch {
		case r == rules.NotPassed || state == rules.NotPassed:
			state = rules.NotPassed
		case r == rules.NotProven || state == rules.NotProven:
			state = rules.NotProven
		default:
			state = rules.Passed
		}
	}
	return state
}

// next is what the usual order has after the last step that was begun, on the
// first system that still has something to do.
func (s *screens) next(snap Snapshot) *stepRow {
	for _, sys := range snap.working() {
		last := -1
		for i, name := range s.order {
			// A preheat may run beside any step: what comes before it is no later for that.
			if s.stepRow(snap, sys.Name, name).State != waiting && (name != "preheat" || last == i-1) {
				last = i
			}
		}
		if last >= 0 {
			row := s.stepRow(snap, sys.Name, s.order[last])
			if (row.State == rules.NotPassed || row.State == rules.NotProven) && !row.settled() {
				return &row
			}
		}
		if last+1 < len(s.order) {
			row := s.stepRow(snap, sys.Name, s.order[last+1])
			return &row
		}
	}
	return nil
}

// leftOver says what lies behind the last step that was begun and is not
// settled, a sentence a system, besides the step that is suggested.
func (s *screens) leftOver(snap Snapshot, next *stepRow) (said []string) {
	for _, sys := range snap.working() {
		var never, told, accepted []string
		begun := false
		for _, name := range slices.Backward(s.order) {
			row := s.stepRow(snap, sys.Name, name)
			begun = begun || row.State != waiting
			switch {
			case row.State == rules.NotPassed && !row.settled(), row.State == rules.NotProven && !row.settled(): // see unsettled
			case next != nil && next.System == sys.Name && next.Name == name:
			case row.State == reported:
				told = append(told, midSentence(row.Title))
			case row.accepted:
				accepted = append(accepted, midSentence(row.Title))
			case row.State == waiting && begun:
				never = append(never, midSentence(row.Title))
			}
		}
		text := s.titles("now.never-begun", never) +
			s.titles("now.reported", told) + s.titles("now.accepted", accepted)
		if text == "" {
			continue
		}
		if len(snap.Site.Systems) > 1 {
			text = sys.Name + ". " + text
		}
		said = append(said, strings.TrimSpace(text))
	}
	return said
}

// titles says a list that was found last to first; nothing where it is empty.
func (s *screens) titles(key string, backward []string) string {
	if len(backward) == 0 {
		return ""
	}
	slices.Reverse(backward)
	return s.words.say(key, strings.Join(backward, ", ")) + " "
}

type limitRow struct{ Name, Text, Source, Doc string }

type linkRow struct{ URL, Title string }

type stepPageView struct {
	stepRow
	Running   bool
	Lead      *stepView // under way, or over
	Earlier   []stepRow // other times the step was begun
	Cautions  []string
	Limits    []limitRow
	Own       []linkRow
	Common    []linkRow
	BeginURL  string
	EndURL    string
	Look      checkGroup // what no sensor sees
	ChecksURL string
	Accept    string // where to accept what did not pass
	Record    string // of the last step: where the paper is
	Shut      string // the system's newest job is closed
	Who       signer
}

// begun is a step by the number of its begin mark, under way or over; without
// one the newest of the system's newest job.
func (s Snapshot) begun(system, step string, begin uint64) (Step, bool) {
	for _, st := range slices.Concat(s.Running, s.Past) {
		if st.Name == step && st.System == system && (begin == 0 && s.ofNewest(st) || st.Begin == begin) {
			if st.Outlook.Point == "" {
				st.Outlook.Point, st.Outlook.Quantity, st.Outlook.Limit = s.shown(st)
			}
			return st, true
		}
	}
	return Step{}, false
}

// shown is what there is to see of a step whose judge is gone, after a
// restart: the point it went by, and its line.
func (s Snapshot) shown(st Step) (point string, q sensors.Quantity, line *rules.Setting) {
	by, ok := shownBy[st.Name]
	for _, p := range s.Points {
		if !ok || p.Role != by.role || p.System != "" && p.System != st.System {
			continue
		}
		if set, given := st.Limits[by.line]; given {
			line = &set
		}
		return p.Name, p.Quantity, line
	}
	return "", sensors.NoQuantity, nil
}

// shownBy is the role a step goes by, and the setting drawn as its line. A
// charge has none on the scale's own curve: its weight there is known to its judge.
var shownBy = map[string]struct{ role, line string }{
	"pressure-test": {"test-pressure", "target"},
	"evacuation":    {"vacuum-gauge", "target"},
	"vacuum-hold":   {"vacuum-gauge", "limit"},
	"draw-in":       {"charging-scale", ""},
	"weigh-in":      {"charging-scale", ""},
}

func (s *screens) stepPage(ctx context.Context, snap Snapshot, v view, system, name string, begin uint64, svg bool) stepPageView {
	p := stepPageView{stepRow: s.stepRow(snap, system, name), Who: v.Who,
		BeginURL: confirmURL("begin", system, name), EndURL: confirmURL("end", system, name)}
	p.Look, p.ChecksURL = s.checkGroup(snap, system, name), checksURL(system)
	p.Title = s.stepTitle(snap, system, name)
	p.Cautions = s.cautions(snap, system, name)
	limits := snap.Site.Settings(system, name)
	if st, ok := snap.begun(system, name, begin); ok {
		sv := s.stepView(snap, v.Units, st)
		s.addCurve(ctx, snap, v.Units, st, &sv, svg)
		p.Running, p.Lead = st.Ended.IsZero(), &sv
		if begin != 0 {
			p.stepRow = s.rowOf(snap, st)
		}
		p.Title = sv.Title
		if st.Limits != nil {
			limits = st.Limits
		}
		for _, other := range slices.Concat(snap.Running, snap.Past) {
			if other.System == system && other.Name == name && other.Begin != st.Begin {
				p.Earlier = append(p.Earlier, s.rowOf(snap, other))
			}
		}
	}
	p.Limits = s.limitRows(v.Units, name, limits)
	if p.acceptable() && begin == 0 {
		p.Accept = "/mark/accepted?" + url.Values{"system": {system}, "step": {name}}.Encode()
	}
	if p.Shut = s.shutJob(snap, system); name == "hand-over" || p.Shut != "" {
		p.Record = recordURL(system, 0)
	}
	own, common := marksFor(name)
	p.Own, p.Common = s.markLinks(own, system, name), s.markLinks(common, system, name)
	if name == "take-off" {
		p.Own = append([]linkRow{{takeoffURL(system), s.words.say("takeoff.go")}}, p.Own...)
	}
	if name == "unit-count" {
		p.Own = append([]linkRow{{sheetURL(system), s.words.say("sheet.go")}}, p.Own...)
	}
	if slices.Contains(commanded, name) {
		p.Own = append(p.Own, s.markLinks([]markKind{{Name: "command"}}, system, name)...)
	}
	return p
}

// limitRows are a step's settings in the order of the table of limits.
func (s *screens) limitRows(c choice, step string, settings map[string]rules.Setting) []limitRow {
	var rows []limitRow
	for _, l := range rules.Limits() {
		if set, ok := settings[l.Key]; ok && l.Step == step {
			rows = append(rows, limitRow{s.words.name("limit", l.Key), s.setting(c, l, set), set.Source, l.Doc})
		}
	}
	return rows
}

// setting shows a limit's value with its unit.
func (s *screens) setting(c choice, l rules.Limit, set rules.Setting) string {
	switch l.Dimension {
	case sensors.Times:
		return s.words.measured(set.Value)
	case sensors.Masses:
		return pair(c.both(sensors.Mass, "kg", set.Value))
	case sensors.Temperatures:
		return pair(c.both(sensors.Temperature, "C", set.Value))
	case sensors.Differences:
		return c.given(set.Value, rules.Kelvin, rules.Rankine)
	case sensors.Pressures:
		if l.Quantity == sensors.Vacuum {
			return pair(c.both(sensors.Vacuum, "micron", set.Value))
		}
		return pair(c.both(sensors.Pressure, "psi", set.Value))
	case sensors.Currents:
		return rules.Ampere.Text(set.Value)
	case sensors.Voltages:
		return rules.Volt.Text(set.Value)
	case sensors.Ratios:
		return rules.Percent.Text(set.Value)
	case sensors.Lengths:
		if set.Value < 0.1 {
			return c.given(set.Value, millimetre, inch)
		}
		return c.length(set.Value)
	case sensors.Flows:
		return c.given(set.Value, litresASecond, cubicFeetAMin)
	case sensors.MassRates:
		return c.given(set.Value, kilogramAMin, poundAMin)
	case sensors.Densities:
		return c.given(set.Value, kilogramRoom, poundRoom)
	case sensors.Volumes:
		if set.Value < 1 {
			return c.given(set.Value, litre, cubicFoot)
		}
		return c.given(set.Value, cubicMetre, cubicFoot)
	}
	return set.Text
}

func (s *screens) markLinks(ms []markKind, system, step string) []linkRow {
	var ls []linkRow
	for _, m := range ms {
		q := url.Values{"step": {step}}
		if system != "" {
			q.Set("system", system)
		}
		page := "/mark/" + m.Name
		if m.Name == "typed" { // several at once, on a page of its own
			page = "/typed"
		}
		ls = append(ls, linkRow{page + "?" + q.Encode(), s.words.name("mark", m.Name)})
	}
	return ls
}

type deviceView struct {
	Name, State, Sentence string
	Since                 moment
}

type outwardView struct {
	Name, State, Sentence string
	Waiting, Quarantined  int64
	Last                  moment
}

type boxView struct {
	Devices []deviceView
	Outward []outwardView
	Kept    string
	KeptAt  moment
	Signs   string
	Clock   string
	Zone    string
	NoLinks bool // messages leave the box, and no phone could open a link in them
	Access  accessView
}

func (s *screens) boxPage(snap Snapshot) boxView {
	b := boxView{Kept: rules.Decimals(float64(snap.Kept), 0), KeptAt: s.words.moment(snap.KeptAt, snap.Wall, snap.zone()), Signs: snap.Signs,
		Clock: s.words.say("time.at", s.words.day(snap.Wall.In(snap.zone()), time.Time{}), snap.Wall.In(snap.zone()).Format("15:04:05")), Zone: snap.zone().String()}
	b.Access = s.accessOfBox()
	for _, d := range snap.Devices {
		b.Devices = append(b.Devices, deviceView{d.Name, okState(d.OK), d.Sentence, s.words.moment(d.Since, snap.Wall, snap.zone())})
	}
	for _, f := range snap.Outward {
		b.NoLinks = b.NoLinks || strings.HasPrefix(f.Name, "outbox:") && s.cfg.OnlyHere()
		b.Outward = append(b.Outward, outwardView{s.wayTitle(f.Name), wayState(f), f.Sentence, f.Waiting, f.Quarantined,
			s.words.moment(f.LastDone, snap.Wall, snap.zone())})
	}
	return b
}

// wayTitle turns a follower's name, such as uplink:desk, into a title.
func (s *screens) wayTitle(name string) string {
	kind, which, named := strings.Cut(name, ":")
	title := s.words.name("outward", kind)
	if named {
		title += ": " + which
	}
	return title
}

// wayState doubts a way out that set something aside: it did not all arrive.
func wayState(f journal.FollowerState) string {
	if f.OK && f.Quarantined > 0 {
		return "suspect"
	}
	return okState(f.OK)
}

func okState(ok bool) string {
	if ok {
		return "good"
	}
	return "failed"
}

const aYear = 365 * 24 * 3600

func unitsOf(r *http.Request) choice {
	c, err := r.Cookie("units")
	if err != nil {
		return asMeasured
	}
	switch choice(c.Value) {
	case choiceSI, choiceUS:
		return choice(c.Value)
	}
	return asMeasured
}

// whoOf is the name last given on this browser, so that it need not be typed again.
func whoOf(r *http.Request) string {
	c, err := r.Cookie("who")
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || len(name) > mostName {
		return ""
	}
	return name
}

func setCookie(w http.ResponseWriter, r *http.Request, name, value string) {
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: aYear,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil})
}
