package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"html/template"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/language"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// The board's pages: many boxes on one page, and one box on a page of its own.
// They are made of the same words, parts and curves as the box's own pages, and
// they only look: nothing on them acts on a box.

// boardPages are the pages' names; each is a template of the box's layout.
var boardPages = []string{"boxes", "onebox", "boardlock", "lost"}

// toldLate is how old a figure may be here for that alone: a box tells its figures
// each 10 s, and a network takes its time. A gauge that is read each second would
// else fall silent between any two words.
const toldLate = 15 * time.Second

// boxesAtOnce is how many boxes a page lists; the worst come first.
const boxesAtOnce = 50

type board struct {
	*screens // its words, curves and guard of forms; it has no box
	cfg      BoardConfig
	fleet    Fleet
	lock     *lock // nil: whoever reaches the page sees it
	now      func() time.Time
}

// NewBoard makes the board's handler. It starts nothing.
func NewBoard(cfg BoardConfig, fleet Fleet, password *Password, opts ...Option) http.Handler {
	return newBoard(cfg, fleet, password, opts...).handler()
}

func newBoard(cfg BoardConfig, fleet Fleet, password *Password, opts ...Option) *board {
	if cfg.Zone == nil {
		cfg.Zone = time.UTC
	}
	b := &board{screens: newScreens(Config{Listen: cfg.Listen, PublicURL: cfg.PublicURL}, nil, opts...), cfg: cfg, fleet: fleet, now: time.Now}
	b.late = toldLate
	if password != nil {
		b.lock = &lock{password: password, secure: cfg.secure(), begun: time.Now()}
	}
	return b.in(b.languages[0])
}

// in is the board in one language.
func (b *board) in(x spoken) *board {
	one, s := *b, *b.screens
	s.words = maps.Clone(x.words)
	for key, text := range x.words { // what the layout says otherwise on a board
		if over, ok := strings.CutPrefix(key, "board.as."); ok {
			s.words[over] = text
		}
	}
	s.pages = parseBoard(s.words, s.assets)
	one.screens = &s
	return &one
}

func parseBoard(w words, assets map[string]asset) map[string]*template.Template {
	base, pages := parseBase(w, assets), map[string]*template.Template{}
	for _, name := range boardPages {
		pages[name] = template.Must(template.Must(base.Clone()).ParseFS(pageFiles, "pages/"+name+".html"))
	}
	return pages
}

func (b *board) handler() http.Handler {
	var tags []language.Tag
	var handlers []http.Handler
	for _, x := range b.languages {
		one := b.in(x)
		tags, handlers = append(tags, x.tag), append(handlers, one.guard(one.routes()))
	}
	return packing(matched(tags, handlers))
}

// routes are all there is: whoever is in may look at everything, and act on nothing.
func (b *board) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", b.listPage)
	mux.HandleFunc("GET /boxes/{broker}/{box}", b.boxPage)
	mux.HandleFunc("GET /curve", b.curve)
	mux.HandleFunc("GET /stream", b.stream)
	mux.HandleFunc("POST /units", b.postUnits)
	mux.HandleFunc("GET /door", b.lockPage)
	mux.HandleFunc("POST /door", b.postLock)
	mux.HandleFunc("POST /leave", b.leave)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { b.refuse(w, r, http.StatusNotFound, "refused.page") })
	outer := http.NewServeMux()
	outer.HandleFunc("GET /assets/{name...}", b.asset)
	outer.Handle("/", b.locked(mux))
	return outer
}

// guard is the box's, without people: other sites' pages and names that are not
// ours stay out.
func (b *board) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	if b.cfg.PublicURL != "" {
		_ = cross.AddTrustedOrigin(b.cfg.PublicURL) // ReadBoard has checked it
	}
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b.refuse(w, r, http.StatusForbidden, "refused.origin")
	}))
	inner := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer") // a link leads to the box's own page
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if b.cfg.secure() {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if !namesUs(r.Host, b.cfg.PublicURL) {
			http.Error(w, b.words.say("refused.host"), http.StatusMisdirectedRequest)
			return
		}
		if r.Body != nil {
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		}
		inner.ServeHTTP(w, r)
	})
}

// frame fills in what all pages share.
func (b *board) frame(r *http.Request, page string) view {
	now := b.now().In(b.cfg.Zone)
	v := view{Page: page, Site: b.cfg.Name, Title: b.words.say("title." + page), Clock: now.Format("15:04:05"), NowMs: now.UnixMilli(),
		Zone: b.cfg.Zone.String(), Proven: true, Acts: true, Units: unitsOf(r), Path: "/", Curves: b.curves}
	if r.Method == http.MethodGet && r.URL.Path != "/stream" && page != "lost" && page != "boardlock" {
		v.Path = r.URL.RequestURI()
	}
	return v
}

func (b *board) refuse(w http.ResponseWriter, r *http.Request, status int, key string) {
	v := b.frame(r, "lost")
	v.Title = b.words.say("refused.title")
	v.Body = titled{Title: v.Title, Text: b.words.say(key)}
	b.write(w, status, "lost", v)
}

// postUnits is the box's; only its refusals are the board's.
func (b *board) postUnits(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		b.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	c := choice(r.PostForm.Get("units"))
	if c != choiceSI && c != choiceUS && c != asMeasured {
		b.refuse(w, r, http.StatusUnprocessableEntity, "refused.units")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: "units", Value: string(c), Path: "/", MaxAge: aYear,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: b.cfg.secure()})
	http.Redirect(w, r, back(r.PostForm.Get("back")), http.StatusSeeOther)
}

// --- many boxes -------------------------------------------------------------

// boxRow is one box in the list.
type boxRow struct {
	Key, URL        string
	Site, Box       string
	Word, WordText  string
	Shape           string
	Old             bool // what is said of it is not of now
	OldFigure       bool // its figure is not: the box is not heard, or the instrument
	Sentence, More  string
	Figure, Unit    string
	Other           string
	Urgency         string // of the gravest flag that nobody has in hand: wake, tell; else taken, or none
	UrgencyWord     string
	Flags           []string // the gravest ones, in words
	FlagsMore       string
	Clock           string // what is odd with its clock
	rank            int
	site, box, find string
}

type boxesView struct {
	Count  string
	Rows   []boxRow
	Search string
	Show   string
	Narrow bool // the list is narrowed: how is shown
	Shows  []pick
	Ways   []deviceView
	Left   []string
	More   string
	Before string
	Empty  string
	Locked bool
}

type pick struct {
	URL, Title string
	Here       bool
}

// ranks by what a supervisor must look at first.
const (
	rankWake = iota
	rankTell
	rankAway
	rankTaken // somebody has it in hand
	rankWell
)

// narrowed are the ways to narrow the list.
var narrowed = []string{"all", "open", "away"}

func (r boxRow) in(show string) bool {
	switch show {
	case "open":
		return r.Urgency == "wake" || r.Urgency == "tell"
	case "away":
		return r.Word == string(WordOffline) || r.Word == string(WordQuiet) || r.Word == string(WordLost)
	}
	return true
}

// row sums up a box.
func (b *board) row(s Standing, c choice, several bool) boxRow {
	snap, now := s.Snapshot, b.now()
	h := fnv.New64a()
	_, _ = h.Write([]byte(s.Broker + "/" + s.Name)) // a hash takes everything
	r := boxRow{Key: strconv.FormatUint(h.Sum64(), 36), URL: boxURL(s), Site: snap.Site.Name, Box: s.Name, Word: string(s.Word),
		Old: s.Word != WordLive, Urgency: "none", rank: rankWell, site: strings.ToLower(snap.Site.Name), box: s.Broker + "/" + s.Name}
	if several {
		r.Box = b.words.say("board.box-at", s.Name, s.Broker)
	}
	r.WordText, r.Shape = b.wordText(s, now)
	one := b.of(s)
	running := slices.Clone(snap.Running)
	slices.SortStableFunc(running, snap.ahead)
	find := []string{snap.Site.Name, s.Name, s.Broker}
	if len(running) > 0 {
		st := running[0]
		r.Sentence = cmp.Or(st.Outlook.Sentence, one.stepTitle(snap, st.System, st.Name))
		if f := one.figure(snap, c, st); f != nil {
			r.Figure, r.Unit, r.Other, r.OldFigure = f.Number, f.Unit, f.Other, r.Old || f.Old
		}
		if n := len(running) - 1; n > 0 {
			r.More = b.words.say("board.more-steps", n)
		}
	} else {
		r.Sentence = b.words.say("now.idle")
	}
	for _, st := range running {
		find = append(find, b.words.name("step", st.Name))
	}
	const listed = 2
	rest := 0
	flags := slices.Clone(snap.Flags) // what nobody has in hand comes first
	slices.SortStableFunc(flags, func(x, y Flag) int { return cmp.Compare(taken(x), taken(y)) })
	for _, f := range flags {
		find = append(find, b.words.name("flag", f.Flag.Flag), f.Subject)
		if f.Urgency == rules.Note {
			continue
		}
		title, rank := b.words.name("flag", f.Flag.Flag), rankTell
		switch {
		case f.Acknowledged:
			title, rank = b.words.say("board.taken", title), rankTaken
		case f.Urgency == rules.Wake:
			rank = rankWake
		}
		r.rank = min(r.rank, rank)
		if r.Urgency == "none" {
			r.Urgency, r.UrgencyWord = f.Urgency.String(), b.words.name("urgency", f.Urgency.String())
			if f.Acknowledged {
				r.Urgency, r.UrgencyWord = "taken", ""
			}
		}
		if len(r.Flags) == listed {
			rest++
			continue
		}
		r.Flags = append(r.Flags, title)
	}
	if rest > 0 {
		r.FlagsMore = b.words.say("board.more-flags", rest)
	}
	if r.in("away") {
		r.rank = min(r.rank, rankAway)
	}
	r.Clock = b.clockDoubt(s)
	r.find = strings.ToLower(strings.Join(find, "\n"))
	return r
}

func taken(f Flag) int {
	if f.Acknowledged {
		return 1
	}
	return 0
}

// wordText says whether a box is heard, and since when it is not.
func (b *board) wordText(s Standing, now time.Time) (text, shape string) {
	ago := func(t time.Time) string { return b.words.span(now.Sub(t).Truncate(time.Minute)) }
	long := !s.Heard.IsZero() && now.Sub(s.Heard) >= time.Minute
	switch s.Word {
	case WordLive:
		return b.words.say("board.live"), "good"
	case WordAwaited:
		return b.words.say("board.awaited"), "waiting"
	case WordLost:
		return b.words.say("board.lost", s.Broker), "none"
	case WordOffline:
		if s.Off.IsZero() {
			return b.words.say("board.offline"), "failed"
		}
		if now.Sub(s.Off) < time.Minute {
			return b.words.say("board.offline-now"), "failed"
		}
		return b.words.say("board.offline-since", ago(s.Off)), "failed"
	}
	if long {
		return b.words.say("board.quiet-since", ago(s.Heard)), "none"
	}
	return b.words.say("board.quiet"), "none"
}

// clockOff is how far a box's clock may be from the board's before it is said:
// the message was some time on its way, and both clocks are kept by somebody.
const clockOff = 10 * time.Second

func (b *board) clockDoubt(s Standing) string {
	switch d := s.Ahead; {
	case !s.ClockHeard:
		return ""
	case d > clockOff:
		return b.words.say("board.ahead", b.words.span(d))
	case d < -clockOff:
		return b.words.say("board.behind", b.words.span(-d))
	case !s.ClockProven:
		return b.words.say("clock.unproven")
	}
	return ""
}

func boxURL(s Standing) string {
	return "/boxes/" + url.PathEscape(s.Broker) + "/" + url.PathEscape(s.Name)
}

// of is the screens of one box: its curves come from the store.
func (b *board) of(s Standing) *screens {
	one := *b.screens
	one.box = looked{fleet: b.fleet, s: s}
	return &one
}

// looked is a box that is only looked at.
type looked struct {
	Box   // nothing else is asked of it
	fleet Fleet
	s     Standing
}

// Now is how the box last told that it stands.
func (l looked) Now() Snapshot { return l.s.Snapshot }

// Findings before those told are not known.
func (l looked) Findings(context.Context, int64, int) ([]Finding, error) { return nil, nil }

// Curve reads the store.
func (l looked) Curve(ctx context.Context, point string, fromMs, toMs int64, most int) ([]journal.Sample, error) {
	return l.fleet.Curve(ctx, l.s, point, fromMs, toMs, most)
}

// list is the page of all boxes, as its address asks for.
func (b *board) list(r *http.Request) (v view, rows []boxRow) {
	v = b.frame(r, "boxes")
	q := r.URL.Query()
	search, show := strings.TrimSpace(q.Get("q")), q.Get("show")
	if len(search) > mostName {
		search = search[:mostName]
	}
	if !slices.Contains(narrowed, show) {
		show = "all"
	}
	from, err := strconv.Atoi(cmp.Or(q.Get("from"), "0"))
	if err != nil || from < 0 || from%boxesAtOnce != 0 {
		from = 0
	}
	ways := b.fleet.Ways()
	boxes := b.fleet.Boxes()
	brokers := map[string]bool{}
	for _, s := range boxes {
		brokers[s.Broker] = true
	}
	var all []boxRow
	wakes, tells, aways := 0, 0, 0
	for _, s := range boxes {
		row := b.row(s, v.Units, len(brokers) > 1)
		switch row.rank {
		case rankWake:
			wakes++
		case rankTell:
			tells++
		}
		if row.in("away") {
			aways++
		}
		if row.in(show) && strings.Contains(row.find, strings.ToLower(search)) {
			all = append(all, row)
		}
	}
	slices.SortFunc(all, func(x, y boxRow) int {
		return cmp.Or(cmp.Compare(x.rank, y.rank), cmp.Compare(x.site, y.site), cmp.Compare(x.box, y.box))
	})
	body := boxesView{Count: b.words.say("board.count", len(boxes), wakes, tells, aways), Search: search, Show: show, Narrow: search != "" || show != "all", Left: b.fleet.Left(), Locked: b.lock != nil}
	address := func(show string, from int) string {
		q := url.Values{}
		if search != "" {
			q.Set("q", search)
		}
		if show != "all" {
			q.Set("show", show)
		}
		if from > 0 {
			q.Set("from", strconv.Itoa(from))
		}
		if len(q) == 0 {
			return "/"
		}
		return "/?" + q.Encode()
	}
	for _, x := range narrowed {
		body.Shows = append(body.Shows, pick{address(x, 0), b.words.say("board.show." + x), x == show})
	}
	for _, d := range ways {
		body.Ways = append(body.Ways, deviceView{d.Name, okState(d.OK), d.Sentence, b.words.moment(d.Since, b.now(), b.cfg.Zone)})
	}
	if from >= len(all) {
		from = 0
	}
	if from > 0 {
		body.Before = address(show, from-boxesAtOnce)
	}
	if n := len(all) - from - boxesAtOnce; n > 0 {
		body.More = address(show, from+boxesAtOnce)
	}
	rows = all[from:min(from+boxesAtOnce, len(all))]
	body.Rows = rows
	if len(rows) == 0 {
		body.Empty = b.words.say("board.none-so")
		if len(boxes) == 0 {
			body.Empty = b.words.say("board.none")
		}
	}
	v.Body = body
	query := url.Values{"page": {"boxes"}}
	for _, key := range []string{"q", "show", "from"} {
		if q.Get(key) != "" {
			query.Set(key, q.Get(key))
		}
	}
	v.Query, v.State = query.Encode(), body.Count
	return v, rows
}

func (b *board) listPage(w http.ResponseWriter, r *http.Request) {
	v, _ := b.list(r)
	b.write(w, http.StatusOK, "boxes", v)
}

// --- one box ----------------------------------------------------------------

// ErrNoStore is what a fleet answers that has nowhere to get curves from.
var ErrNoStore = errors.New("the board's file names no store: add store: {url: ..., bucket: ...} to see curves")

type oneBoxView struct {
	Row       boxRow
	Facts     []titled
	Own       string // the box's own page
	Lead      *stepView
	Others    []stepView
	Urgent    []flagView // that wake somebody, and nobody has in hand
	Flags     []flagView
	Past      []pastView
	Points    []pointView
	Point     string // whose curve is shown
	Hours     int
	Spans     []pick
	Curve     *pointPageView
	CurveWhy  string // why there is no curve
	Curveless bool   // there will be none while this board runs, so no place is kept for one
	NoCurve   string
	Broken    []string
	HasPoints bool
}

type pastView struct {
	stepRow
	Verdicts []verdictView
}

// hours are the spans of a point's curve.
var hours = []int{1, 4, 12, 48}

func (b *board) boxPage(w http.ResponseWriter, r *http.Request) {
	v, ok := b.lookAt(r, true)
	if !ok {
		b.refuse(w, r, http.StatusNotFound, "board.unknown")
		return
	}
	b.write(w, http.StatusOK, "onebox", v)
}

// lookAt builds the page of one box.
func (b *board) lookAt(r *http.Request, picture bool) (view, bool) {
	s, ok := b.fleet.Box(named(r, "broker"), named(r, "box"))
	if !ok {
		return view{}, false
	}
	v := b.frame(r, "onebox")
	snap, now, one := s.Snapshot, b.now(), b.of(s)
	if v.Title = snap.Site.Name; snap.Demo {
		v.Demo = b.words.say("demo")
	}
	body := oneBoxView{Row: b.row(s, v.Units, true), Own: s.URL, HasPoints: len(s.Points) > 0}
	fact := func(key, text, small string) {
		if text != "" {
			body.Facts = append(body.Facts, titled{b.words.say(key), text, small})
		}
	}
	said := func(t, now time.Time, zone *time.Location) string {
		m := b.words.moment(t, now, zone)
		return strings.TrimSpace(m.Ago + " " + m.Clock)
	}
	if s.Heard.IsZero() {
		fact("board.heard", b.words.say("board.not-heard"), "")
	} else {
		fact("board.heard", said(s.Heard, now, b.cfg.Zone), b.words.say("board.by-board"))
	}
	if !s.Last.IsZero() {
		at := s.Last.In(snap.zone())
		fact("board.box-clock", b.words.say("time.at", b.words.day(at, time.Time{}), at.Format("15:04:05")), cmp.Or(b.clockDoubt(s), b.words.say("board.by-box")))
	}
	fact("board.version", s.Version, "")
	fact("board.broker", s.Broker, "")
	if s.Odd > 0 {
		body.Broken = append(body.Broken, b.words.say("board.odd", s.Odd))
	}
	if s.Cut > 0 {
		body.Broken = append(body.Broken, b.words.say("board.cut", s.Cut))
	}
	b.addSteps(r.Context(), one, s, v, &body, picture)
	for _, f := range snap.Flags {
		fv := one.flagView(snap, v, f.Finding, f.Raised, &f)
		if f.Urgency == rules.Wake && !f.Acknowledged { // before the curve
			body.Urgent = append(body.Urgent, fv)
		} else {
			body.Flags = append(body.Flags, fv)
		}
	}
	b.addPoints(r, one, s, v, &body, picture)
	v.Body = body
	q := url.Values{"page": {"onebox"}, "broker": {s.Broker}, "box": {s.Name}}
	for _, key := range []string{"point", "hours"} {
		if value := r.URL.Query().Get(key); value != "" {
			q.Set(key, value)
		}
	}
	v.Query, v.State = q.Encode(), body.Row.WordText+" "+one.state(snap)
	return v, true
}

func (b *board) addSteps(ctx context.Context, one *screens, s Standing, v view, body *oneBoxView, picture bool) {
	snap := s.Snapshot
	running := slices.Clone(snap.Running)
	slices.SortStableFunc(running, snap.ahead)
	for i, st := range running {
		sv := one.stepView(snap, v.Units, st)
		sv.Points = nil // their links lead to a box's own pages
		if i > 0 {
			body.Others = append(body.Others, sv)
			continue
		}
		body.Lead = &sv
		if _, known := snap.point(st.Outlook.Point); !known {
			continue
		}
		sv.CurveURL = "/curve?" + url.Values{"broker": {s.Broker}, "box": {s.Name}, "system": {st.System}, "step": {st.Name}}.Encode()
		sv.CurveTitle = b.words.say("curve.title", st.Outlook.Point, midSentence(sv.Title))
		from, to := stepWindow(snap, st)
		sv.Events, sv.Before = one.events(ctx, snap, v.Units, st, from, to)
		if !picture {
			continue
		}
		ch, err := one.stepChart(ctx, snap, v.Units, st, mostDrawn)
		switch {
		case err != nil:
			body.CurveWhy = b.noCurve(err)
			body.Curveless = errors.Is(err, ErrNoStore)
		case ch == nil:
		case ch.lastMs() == 0:
			body.CurveWhy = b.words.say("board.curve-empty", st.Outlook.Point)
		default:
			sv.Table = tableOf(ch)
			sv.Wide, sv.Narrow = ch.svg(720, 320, sv.CurveTitle), ch.svg(372, 268, sv.CurveTitle)
		}
	}
	for _, st := range snap.Past {
		p := pastView{stepRow: one.rowOf(snap, st), Verdicts: one.verdicts(snap, v.Units, st)}
		for i := range p.Verdicts {
			p.Verdicts[i].Points = nil
		}
		p.Title = one.stepTitle(snap, st.System, st.Name)
		body.Past = append(body.Past, p)
	}
}

// noCurve says why there is none; the sentence of the store is its own.
func (b *board) noCurve(err error) string { return b.words.say("board.curve-why", err.Error()) }

func (b *board) addPoints(r *http.Request, one *screens, s Standing, v view, body *oneBoxView, picture bool) {
	snap, q := s.Snapshot, r.URL.Query()
	body.Point, body.Hours = q.Get("point"), hours[1]
	if n, err := strconv.Atoi(q.Get("hours")); err == nil && slices.Contains(hours, n) {
		body.Hours = n
	}
	address := func(point string, n int) string {
		return boxURL(s) + "?" + url.Values{"point": {point}, "hours": {strconv.Itoa(n)}}.Encode() + "#curve"
	}
	for _, p := range snap.Points {
		pv := one.pointView(snap, v.Units, p)
		if body.Row.Old && pv.State == "silent" { // to the box it may be as well as ever
			pv.State, pv.Health = "none", b.words.say("board.point-unheard", b.words.span(snap.Wall.Sub(p.Heard)))
		}
		pv.URL = address(p.Name, body.Hours)
		body.Points = append(body.Points, pv)
	}
	p, ok := snap.point(body.Point)
	if !ok {
		body.Point = ""
		return
	}
	for _, n := range hours {
		body.Spans = append(body.Spans, pick{address(p.Name, n), b.words.say("time.hours", n), n == body.Hours})
	}
	c := pointPageView{pointView: one.pointView(snap, v.Units, p), CurveTitle: b.words.say("board.curve-title", p.Name, body.Hours),
		CurveURL: "/curve?" + url.Values{"broker": {s.Broker}, "box": {s.Name}, "point": {p.Name}, "hours": {strconv.Itoa(body.Hours)}}.Encode()}
	body.Curve = &c
	if !picture {
		return
	}
	ch, err := b.hoursChart(r.Context(), one, s, v.Units, p.Point, body.Hours, mostDrawn)
	switch {
	case err != nil:
		body.NoCurve = b.noCurve(err)
	case ch.lastMs() == 0:
		body.NoCurve = b.words.say("board.curve-empty", p.Name)
	default:
		c.Table = tableOf(ch)
		c.Wide, c.Narrow = ch.svg(720, 320, c.CurveTitle), ch.svg(372, 268, c.CurveTitle)
	}
}

// hoursChart is a point's curve of the last hours, with the limit of a step
// under way that goes by it.
func (b *board) hoursChart(ctx context.Context, one *screens, s Standing, c choice, p sensors.Point, n, most int) (*chart, error) {
	snap := s.Snapshot
	to := snap.Wall.UnixMilli()
	ch, err := one.pointChart(ctx, snap, c, p, to-int64(n)*3600_000, to, most)
	if err != nil {
		return nil, err
	}
	for _, st := range snap.Running {
		line := st.Outlook.Limit
		if st.Outlook.Point != p.Name || line == nil || st.Outlook.Quantity != p.Quantity {
			continue
		}
		d, other := c.scales(p.Quantity, p.Unit)
		ch.Limit = &limitLine{At: d.Value(line.Value), Side: forbidden[st.Name], Source: lines(line.Source), Label: b.words.say("curve.limit", d.Beside(other, line.Value))}
		ch.axes(snap.zone(), 6)
		break
	}
	return ch, nil
}

// curve answers with a curve as the box's own pages do.
func (b *board) curve(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	s, ok := b.fleet.Box(q.Get("broker"), q.Get("box"))
	if !ok {
		b.refuse(w, r, http.StatusNotFound, "board.unknown")
		return
	}
	most := mostSamples
	if n, err := strconv.Atoi(q.Get("most")); err == nil && n >= 2 && n <= mostSamples {
		most = n
	}
	var ch *chart
	var err error
	one, units := b.of(s), unitsOf(r)
	if p, known := s.point(q.Get("point")); known {
		n, bad := strconv.Atoi(q.Get("hours"))
		if bad != nil || !slices.Contains(hours, n) {
			b.refuse(w, r, http.StatusBadRequest, "refused.window")
			return
		}
		ch, err = b.hoursChart(r.Context(), one, s, units, p.Point, n, most)
	} else if st, under := s.running(q.Get("system"), q.Get("step")); under {
		ch, err = one.stepChart(r.Context(), s.Snapshot, units, st, most)
	} else {
		b.refuse(w, r, http.StatusNotFound, "refused.point")
		return
	}
	if err != nil { // the page says why
		b.refuse(w, r, http.StatusBadGateway, "refused.curve")
		return
	}
	if ch != nil && (math.IsNaN(ch.Low) || math.IsNaN(ch.High)) {
		ch = nil
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_ = json.NewEncoder(w).Encode(ch) // a reader that has gone away is no fault of ours
}

// --- live -------------------------------------------------------------------

// boardParts are the templates of one box's page that a stream renews.
var boardParts = []string{"bar", "boxhead", "boxlead", "boxurgent", "leadcurve", "events", "boxflags", "boxothers", "boxpast", "boxpoints", "state"}

// Between two looks of a stream at the boxes; a box tells its figures each 10 s.
const (
	boardBeat    = 2 * time.Second
	boardPicture = 20 * time.Second // a picture asks the store
)

func (b *board) stream(w http.ResponseWriter, r *http.Request) {
	render := b.boxParts
	switch r.URL.Query().Get("page") {
	case "boxes":
		render = b.listParts
	case "onebox":
		if _, ok := b.fleet.Box(named(r, "broker"), named(r, "box")); !ok {
			b.refuse(w, r, http.StatusNotFound, "board.unknown")
			return
		}
	default:
		b.refuse(w, r, http.StatusNotFound, "refused.page")
		return
	}
	select {
	case b.places <- struct{}{}:
		defer func() { <-b.places }()
	default:
		w.Header().Set("Retry-After", "30")
		b.refuse(w, r, http.StatusServiceUnavailable, "refused.streams")
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	changed, stop := b.fleet.Watch()
	defer stop()
	sent := map[string]string{}
	wantsPicture := r.URL.Query().Get("svg") == "1"
	beat := time.NewTicker(boardBeat)
	defer beat.Stop()
	out := http.NewResponseController(w)
	var lastEvent, lastPicture time.Time
	for id, dirty := 1, true; ; {
		// Ages grow while nothing changes: look again now and then.
		if dirty || time.Since(lastEvent) >= 2*boardBeat {
			picture := wantsPicture && time.Since(lastPicture) >= boardPicture
			if picture {
				lastPicture = time.Now()
			}
			u, err := render(r, sent, picture)
			if err != nil {
				b.log.Error("a live page could not be written", "page", r.URL.Query().Get("page"), "error", err)
				return
			}
			text, err := json.Marshal(u)
			if err != nil {
				return
			}
			_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second)) // the server's own would end a stream that is well
			if _, err := fmt.Fprintf(w, "id: %d\ndata: %s\n\n", id, text); err != nil || out.Flush() != nil {
				return
			}
			id, dirty, lastEvent = id+1, false, time.Now()
		}
		select { // at least one beat between two events
		case <-r.Context().Done():
			return
		case <-beat.C:
		}
		select {
		case <-changed:
			dirty = true
		default:
		}
	}
}

// listParts are the parts of the list that have changed: whole, or row by row
// where the same rows stand in the same order.
func (b *board) listParts(r *http.Request, sent map[string]string, _ bool) (update, error) {
	v, rows := b.list(r)
	u := update{Clock: v.Clock, Now: v.NowMs, Parts: map[string]string{}}
	body := v.Body.(boxesView)
	var order strings.Builder
	fmt.Fprintf(&order, "%s %s ", body.More, body.Empty)
	for _, row := range rows {
		order.WriteString(row.Key + " ")
	}
	put := func(part, name string, data any, only bool) error {
		var t strings.Builder
		if err := b.pages["boxes"].ExecuteTemplate(&t, name, data); err != nil {
			return err
		}
		if text := t.String(); sent[part] != text {
			sent[part] = text
			if !only {
				u.Parts[part] = text
			}
		}
		return nil
	}
	whole := sent["order"] != order.String()
	sent["order"] = order.String()
	if whole {
		sent["boxlist"] = ""
		if err := put("boxlist", "boxlist", v, false); err != nil {
			return u, err
		}
		sent["boxlist"] = "" // not kept: its rows are
	}
	for _, row := range rows {
		if err := put("row-"+row.Key, "boxrow", row, whole); err != nil {
			return u, err
		}
	}
	for _, part := range []string{"bar", "boxcount", "boxways", "state"} {
		if err := put(part, part, v, false); err != nil {
			return u, err
		}
	}
	return u, nil
}

// boxParts are the parts of one box's page that have changed.
func (b *board) boxParts(r *http.Request, sent map[string]string, picture bool) (update, error) {
	v, ok := b.lookAt(r, picture)
	now := b.now().In(b.cfg.Zone)
	u := update{Clock: now.Format("15:04:05"), Now: now.UnixMilli(), Parts: map[string]string{}}
	if !ok { // cleared away meanwhile: the page keeps what it has, and its age grows
		return u, nil
	}
	for _, part := range boardParts {
		if part == "leadcurve" && !picture {
			continue
		}
		var t strings.Builder
		if err := b.pages["onebox"].ExecuteTemplate(&t, part, v); err != nil {
			return u, err
		}
		if text := t.String(); sent[part] != text {
			sent[part] = text
			u.Parts[part] = text
		}
	}
	return u, nil
}
