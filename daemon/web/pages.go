package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"standwatch/rules"
)

// liveParts are the templates of each page that a stream renews.
var liveParts = map[string][]string{
	"now":     {"bar", "count", "lead", "wakes", "next", "figure", "urgent", "ask", "units", "leadcurve", "ledger", "events", "lately", "actions", "beside", "others", "openflags", "heard", "state"},
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
