package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/people"
)

// accessRoutes are the doors, and the pages of who may get in.
func (s *screens) accessRoutes(mux *routes) {
	mux.HandleFunc("GET /claim", s.claimPage)
	mux.HandleFunc("POST /claim", s.postClaim)
	mux.HandleFunc("GET /login", s.loginPage)
	mux.HandleFunc("POST /login", s.postLogin)
	mux.HandleFunc("POST /logout", s.postLogout)
	mux.HandleFunc("GET /invitation", s.linkPage("invitation"))
	mux.HandleFunc("POST /invitation", s.postInvitation)
	mux.HandleFunc("GET /share", s.linkPage("share"))
	mux.HandleFunc("POST /share", s.postShare)
	mux.HandleFunc("GET /account", s.accountPage)
	mux.HandleFunc("POST /account/password", s.postPassword)
	mux.HandleFunc("POST /account/revoke", s.postRevokeOwn)
	mux.HandleFunc("GET /people", s.peoplePage)
	mux.HandleFunc("POST /people/invite", s.postInvite)
	mux.HandleFunc("POST /people/share", s.postGiveShare)
	mux.HandleFunc("POST /people/withdraw", s.postWithdraw)
	mux.HandleFunc("POST /people/revoke", s.postRevoke)
	mux.HandleFunc("POST /people/remove", s.postRemove)
	mux.HandleFunc("POST /pair", s.postPair)
}

// doorView is a page by which somebody gets in.
type doorView struct {
	Title string
	Kind  string // claim, login, invitation, share
	Help  string
	Name  string // as it was typed
	Token string // of a link, as it was brought
	To    string // where to go then
	Least int    // letters of a password
	Own   bool   // the browser knows the box's certificate from nowhere
}

// doorPage answers with a door, as it is first seen or with what was wrong.
func (s *screens) doorPage(w http.ResponseWriter, r *http.Request, status int, d doorView, problem string) {
	v := s.frame(r, "door", s.box.Now())
	d.Title, d.Help, d.Least = s.words.say("title."+d.Kind), s.words.say("door."+d.Kind), people.LeastPassword
	v.Title, v.Problem, v.Body, v.Script, v.Path = d.Title, problem, d, "door.js", "/"
	s.write(w, status, "door", v)
}

// failed says what was wrong, and gives the status that goes with it.
func (s *screens) failed(w http.ResponseWriter, err error) (status int, problem string) {
	var wait people.WaitError
	for _, known := range []struct {
		err    error
		status int
		key    string
	}{
		{people.ErrCode, http.StatusForbidden, "problem.code"}, {people.ErrWrong, http.StatusForbidden, "problem.login"},
		{people.ErrOver, http.StatusForbidden, "problem.link"}, {people.ErrName, http.StatusUnprocessableEntity, "problem.name"},
		{people.ErrLast, http.StatusConflict, "problem.last"}, {people.ErrFull, http.StatusConflict, "problem.full"},
	} {
		if errors.Is(err, known.err) {
			return known.status, s.words.say(known.key)
		}
	}
	switch {
	case errors.Is(err, people.ErrPassword):
		return http.StatusUnprocessableEntity, s.words.say("problem.password", people.LeastPassword)
	case errors.As(err, &wait):
		return tooEarly(w, wait.For), s.words.say("problem.wait", s.words.span(wait.For.Truncate(time.Second)+time.Second))
	case errors.Is(err, people.ErrBusy):
		return tooEarly(w, 10*time.Second), s.words.say("problem.busy")
	}
	s.log.Error("who may get in could not be changed", "error", err)
	return http.StatusServiceUnavailable, s.words.say("problem.kept")
}

func tooEarly(w http.ResponseWriter, wait time.Duration) int {
	w.Header().Set("Retry-After", strconv.Itoa(int(wait/time.Second)+1))
	return http.StatusTooManyRequests
}

func (s *screens) claimPage(w http.ResponseWriter, r *http.Request) {
	if s.people == nil {
		s.lost(w, r)
		return
	}
	s.doorPage(w, r, http.StatusOK, s.claimView(r, ""), "")
}

func (s *screens) claimView(r *http.Request, name string) doorView {
	d := doorView{Kind: "claim", Name: name}
	if s.people.Claimed() {
		d.Kind = "again"
	}
	d.Own = r.TLS != nil && s.cfg.Certificate == ""
	return d
}

func (s *screens) postClaim(w http.ResponseWriter, r *http.Request) {
	if s.people == nil {
		s.lost(w, r)
		return
	}
	if !s.form(w, r) {
		return
	}
	name := tidy(r.PostForm.Get("name"), mostName)
	d := s.claimView(r, name)
	token, err := s.people.Claim(r.Context(), r.PostForm.Get("code"), name, r.PostForm.Get("password"), s.earlier(r), s.from(r))
	s.through(w, r, token, err, d, "/?done=claimed")
}

// through goes through a door, or shows it again with what was wrong.
func (s *screens) through(w http.ResponseWriter, r *http.Request, token string, err error, d doorView, to string) {
	if err != nil {
		status, problem := s.failed(w, err)
		s.doorPage(w, r, status, d, problem)
		return
	}
	s.tellAccess(r.Context())
	s.letIn(w, r, token)
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// form reads a form. What it is signed with is who is logged in.
func (s *screens) form(w http.ResponseWriter, r *http.Request) bool {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return false
	}
	return true
}

func (s *screens) loginPage(w http.ResponseWriter, r *http.Request) {
	if _, in := people.Of(r.Context()); in {
		http.Redirect(w, r, back(r.URL.Query().Get("to")), http.StatusSeeOther)
		return
	}
	s.doorPage(w, r, http.StatusOK, doorView{Kind: "login", To: back(r.URL.Query().Get("to"))}, "")
}

func (s *screens) postLogin(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	name, to := tidy(r.PostForm.Get("name"), mostName), back(r.PostForm.Get("to"))
	token, err := s.people.LogIn(r.Context(), name, r.PostForm.Get("password"), s.earlier(r), s.from(r))
	s.through(w, r, token, err, doorView{Kind: "login", Name: name, To: to}, to)
}

func (s *screens) postLogout(w http.ResponseWriter, r *http.Request) {
	if v, ok := people.Of(r.Context()); ok {
		if err := s.people.Revoke(v, v.Session); err != nil {
			s.log.Error("a session could not be ended", "error", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "problem.kept")
			return
		}
	}
	s.letOut(w, r)
	w.Header().Set("Clear-Site-Data", `"cache"`)
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// linkPage is where an invitation, or a link that only shows, leads. What lets
// in stands behind the # of the address: no browser sends that, so that neither
// a log nor a program that looks at links sees it. A script puts it into the
// form, or a person does.
func (s *screens) linkPage(kind string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		s.doorPage(w, r, http.StatusOK, doorView{Kind: kind}, "")
	}
}

// brought is the token of a link: bare, or with the address before it.
func brought(text string) string {
	text = strings.TrimSpace(text)
	return text[strings.LastIndex(text, "#")+1:]
}

func (s *screens) postInvitation(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	d := doorView{Kind: "invitation", Name: tidy(r.PostForm.Get("name"), mostName), Token: brought(r.PostForm.Get("token"))}
	token, err := s.people.Accept(r.Context(), d.Token, d.Name, r.PostForm.Get("password"), s.earlier(r), s.from(r))
	s.through(w, r, token, err, d, "/?done=invited")
}

func (s *screens) postShare(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	d := doorView{Kind: "share", Token: brought(r.PostForm.Get("token"))}
	token, err := s.people.OpenShare(r.Context(), d.Token, s.earlier(r), s.from(r))
	s.through(w, r, token, err, d, "/")
}

// personRow is a person as the page People shows him.
type personRow struct {
	Name, RoleWord string
	Made           moment
	Seen           moment // the last use of any session
	Self           bool
	Sessions       sessionList
}

// sessionList is what somebody is logged in on.
type sessionList struct {
	Title string
	Rows  []sessionRow
}

type sessionRow struct {
	ID, Device, Address string
	Made, Used          moment
	Here                bool // the one that asks
}

type linkRowOut struct {
	ID, For, RoleWord, By string
	Ends                  moment
	Sessions              sessionList
}

type peopleView struct {
	People      []personRow
	Invitations []linkRowOut
	Shares      []linkRowOut
	Roles       []option
	Days        []option
	Fresh       *freshLink
	Unclaimed   bool
}

// freshLink is a link that has just been made. The box keeps no more of it
// than what it takes to know it again, so it is shown this once.
type freshLink struct {
	Title, Text, URL string
	OnlyHere         bool // its address leads nowhere from another machine
}

func (s *screens) peoplePage(w http.ResponseWriter, r *http.Request) {
	s.showPeople(w, r, http.StatusOK, nil, "")
}

func (s *screens) showPeople(w http.ResponseWriter, r *http.Request, status int, fresh *freshLink, problem string) {
	snap := s.box.Now()
	v := s.frame(r, "people", snap)
	p := peopleView{Fresh: fresh, Unclaimed: s.people == nil || !s.people.Claimed()}
	for _, role := range []people.Role{people.Viewer, people.Technician} {
		p.Roles = append(p.Roles, option{string(role), s.words.say("access." + string(role)), role == people.Viewer})
	}
	for _, days := range shareDays {
		p.Days = append(p.Days, option{days, s.words.span(daysLong(days)), days == shareDays[1]})
	}
	if !p.Unclaimed {
		if err := s.fillPeople(r, &p); err != nil {
			s.log.Error("who may get in could not be read", "error", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "problem.kept")
			return
		}
	}
	v.Problem, v.Body, v.Script, v.Path = problem, p, "door.js", "/people"
	s.write(w, status, "people", v)
}

// shareDays are the lengths to choose from, in days.
var shareDays = []string{"1", "3", "7", "14", "30"}

func daysLong(text string) time.Duration {
	i := slices.Index(shareDays, text)
	if i < 0 {
		i = 0
	}
	return []time.Duration{1, 3, 7, 14, 30}[i] * 24 * time.Hour
}

func (s *screens) fillPeople(r *http.Request, p *peopleView) error {
	ctx, now := r.Context(), s.people.Now()
	me, _ := people.Of(ctx)
	all, err := s.people.List(ctx)
	if err != nil {
		return err
	}
	sessions, err := s.people.Sessions(ctx)
	if err != nil {
		return err
	}
	for _, x := range all {
		row := personRow{Name: x.Name, RoleWord: s.words.say("access." + string(x.Role)), Made: s.when(x.Made, now), Self: x.Name == me.Name && me.Share == "", Seen: moment{Ago: s.words.say("time.never"), Never: true}}
		row.Sessions = s.sessionList(sessions, now, me, func(y people.Session) bool { return y.Name == x.Name && y.Share == "" })
		if len(row.Sessions.Rows) > 0 {
			row.Seen = row.Sessions.Rows[0].Used
		}
		p.People = append(p.People, row)
	}
	invitations, err := s.people.Invitations(ctx)
	if err != nil {
		return err
	}
	for _, l := range invitations {
		p.Invitations = append(p.Invitations, s.linkRow(l, now))
	}
	shares, err := s.people.Shares(ctx)
	for _, l := range shares {
		row := s.linkRow(l, now)
		row.Sessions = s.sessionList(sessions, now, me, func(y people.Session) bool { return y.Share == l.ID })
		p.Shares = append(p.Shares, row)
	}
	return err
}

func (s *screens) linkRow(l people.Link, now people.Moment) linkRowOut {
	row := linkRowOut{ID: l.ID, For: l.For, By: l.By, Ends: s.words.moment(l.Made.At(l.Length, now), time.UnixMilli(now.Wall), s.box.Now().zone())}
	if l.Role != "" {
		row.RoleWord = s.words.say("access." + string(l.Role))
	}
	return row
}

func (s *screens) sessionList(all []people.Session, now people.Moment, me people.Visitor, whose func(people.Session) bool) (l sessionList) {
	for _, x := range all {
		if whose(x) {
			l.Rows = append(l.Rows, s.sessionRow(x, now, me.Session))
		}
	}
	l.Title = s.words.count("people.sessions", len(l.Rows))
	return l
}

func (s *screens) sessionRow(x people.Session, now people.Moment, mine string) sessionRow {
	return sessionRow{ID: x.ID, Device: s.words.say("device." + x.From.Device), Address: x.From.Address,
		Made: s.when(x.Made, now), Used: s.when(x.Used, now), Here: x.ID == mine}
}

// when is a moment of the access clock in words. It is told by how long the box
// has run since, as its sessions are.
func (s *screens) when(m, now people.Moment) moment {
	wall := time.UnixMilli(now.Wall)
	return s.words.moment(wall.Add(-m.Since(now)), wall, s.box.Now().zone())
}

func (s *screens) postInvite(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	role, whom := people.Role(r.PostForm.Get("role")), tidy(r.PostForm.Get("for"), mostName)
	if !role.Known() {
		s.showPeople(w, r, http.StatusUnprocessableEntity, nil, s.words.say("problem.role"))
		return
	}
	length := min(daysLong(r.PostForm.Get("days")), people.MostInvitation)
	token, err := s.people.Invite(me, whom, role, length)
	s.showFresh(w, r, "invitation", token, err, s.words.say("people.fresh-invitation", s.words.say("access."+string(role)), s.words.span(length)))
}

func (s *screens) postGiveShare(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	length := daysLong(r.PostForm.Get("days"))
	token, err := s.people.Share(me, tidy(r.PostForm.Get("for"), mostName), length)
	s.showFresh(w, r, "share", token, err, s.words.say("people.fresh-share", s.words.span(length)))
}

func (s *screens) showFresh(w http.ResponseWriter, r *http.Request, kind, token string, err error, text string) {
	if err != nil {
		status, problem := s.failed(w, err)
		s.showPeople(w, r, status, nil, problem)
		return
	}
	s.tellAccess(r.Context())
	base, reached := s.frontDoor(r)
	s.showPeople(w, r, http.StatusOK, &freshLink{s.words.say("people.fresh"), text, base + "/" + kind + "#" + token, !reached}, "")
}

// frontDoor is the address that somebody else is to be given, and whether it
// leads here from another machine.
func (s *screens) frontDoor(r *http.Request) (base string, reached bool) {
	if s.cfg.PublicURL != "" || s.cfg.Beyond() && r.TLS == nil {
		base = s.cfg.URL()
	} else {
		scheme := "http://"
		if r.TLS != nil {
			scheme = "https://"
		}
		base = scheme + r.Host
	}
	u, err := url.Parse(base)
	return base, err == nil && !loopbackHost(u.Hostname())
}

// unclaimed refuses what only makes sense once there is somebody.
func (s *screens) unclaimed(w http.ResponseWriter, r *http.Request) bool {
	if s.people != nil && s.people.Claimed() {
		return false
	}
	s.refuse(w, r, http.StatusConflict, "refused.unclaimed")
	return true
}

// changed goes back to a page after a change of who may get in.
func (s *screens) changed(w http.ResponseWriter, r *http.Request, err error, to string) {
	if err != nil {
		status, problem := s.failed(w, err)
		if to == "/account" {
			s.showAccount(w, r, status, problem)
			return
		}
		s.showPeople(w, r, status, nil, problem)
		return
	}
	s.tellAccess(r.Context())
	http.Redirect(w, r, to+"?done=access", http.StatusSeeOther)
}

func (s *screens) postWithdraw(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	s.changed(w, r, s.people.Withdraw(me, r.PostForm.Get("id")), "/people")
}

func (s *screens) postRevoke(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	s.changed(w, r, s.people.Revoke(me, r.PostForm.Get("id")), "/people")
}

func (s *screens) postRemove(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	s.changed(w, r, s.people.Remove(me, r.PostForm.Get("name")), "/people")
}

// accountView is the page of one's own account.
type accountView struct {
	Name, RoleWord string
	Link           bool // in by a link that only shows: there is no password
	Unclaimed      bool
	Sessions       []sessionRow
	Least          int
}

func (s *screens) accountPage(w http.ResponseWriter, r *http.Request) {
	s.showAccount(w, r, http.StatusOK, "")
}

func (s *screens) showAccount(w http.ResponseWriter, r *http.Request, status int, problem string) {
	v := s.frame(r, "account", s.box.Now())
	me, in := people.Of(r.Context())
	a := accountView{Name: me.Name, Link: me.Share != "", Unclaimed: !in, Least: people.LeastPassword}
	if in {
		a.RoleWord = s.words.say("access." + string(me.Role))
		all, err := s.people.Sessions(r.Context())
		if err != nil {
			s.log.Error("the sessions could not be read", "error", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "problem.kept")
			return
		}
		now := s.people.Now()
		for _, x := range all {
			if x.Name == me.Name && x.Share == me.Share {
				a.Sessions = append(a.Sessions, s.sessionRow(x, now, me.Session))
			}
		}
	}
	v.Problem, v.Body, v.Script, v.Path = problem, a, "door.js", "/account"
	s.write(w, status, "account", v)
}

func (s *screens) postPassword(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	token, err := s.people.Password(r.Context(), me, r.PostForm.Get("present"), r.PostForm.Get("password"), s.from(r))
	if err == nil {
		s.letIn(w, r, token)
	}
	s.changed(w, r, err, "/account")
}

// postRevokeOwn ends one of one's own sessions.
func (s *screens) postRevokeOwn(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) || s.unclaimed(w, r) {
		return
	}
	me, _ := people.Of(r.Context())
	all, err := s.people.Sessions(r.Context())
	id := r.PostForm.Get("id")
	if err == nil && slices.ContainsFunc(all, func(x people.Session) bool { return x.ID == id && x.Name == me.Name && x.Share == me.Share }) {
		err = s.people.Revoke(me, id)
	}
	s.changed(w, r, err, "/account")
}
