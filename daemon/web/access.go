package web

import (
	"context"
	"crypto/subtle"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"time"

	"standwatch/daemon/people"
	"standwatch/rules"
)

// need is what a route asks of who comes. The zero need lets nobody in, so
// that a route which nobody thought about is shut.
type need int

const (
	shut    need = iota
	open         // whoever can reach the box: the claim, and what pages are made of
	doors        // the same, once there is somebody to come in
	shows        // whoever may look on
	own          // whoever is logged in, for his own things
	acts         // a technician
	machine      // /metrics: this machine, a technician, or who has the token
	pairs        // this machine alone; the handler wants a proof
)

// needs is the one table of who may do what: every route of handler has its
// line, and a route without one answers nobody. Reading is a viewer's; whatever
// changes something is a technician's.
var needs = map[string]need{
	"GET /{$}": shows, "GET /points": shows, "GET /points/{point}": shows, "GET /steps": shows, "GET /steps/{step}": shows,
	"GET /flags": shows, "GET /ledger": shows, "GET /branches": shows, "GET /box": shows, "GET /more": shows,
	"GET /takeoff": shows, "GET /sheet": shows, "GET /curve": shows, "GET /stream": shows, "POST /units": shows,
	"GET /checks": shows, "GET /checks/{check}": shows, "POST /checks": acts, "GET /photos/{photo}": shows,
	"GET /record": shows, "GET /record/papers/{paper}": shows, "GET /record/job": acts, "POST /record/job": acts, "POST /record/signed": acts, "POST /record/copied": acts,
	"POST /record/download": acts, "POST /record/mail": acts, "POST /record/mail/back": acts, "POST /record/stick": acts,
	"GET /earlier": shows, "POST /earlier": acts, "POST /earlier/take": acts,
	"GET /trace": shows, "GET /trace/data": shows, "GET /trace/outlines": shows,
	"GET /points/{point}/against": acts, "POST /points/{point}/against": acts,
	"GET /mark/{mark}": acts, "GET /typed": acts, "GET /confirm": acts,
	"GET /import": acts, "POST /import": acts, "POST /takeoff": acts, "POST /sheet": acts, "POST /typed": acts, "POST /marks": acts, "POST /commands": acts,
	"GET /flags/ack": open, "POST /flags/ack": open, // the link in a message is its own key
	"GET /watch": shows, "POST /watch": acts, "POST /watch/test": acts,

	"GET /claim": open, "POST /claim": open, "GET /login": doors, "POST /login": doors,
	"GET /invitation": doors, "POST /invitation": doors, "GET /share": doors, "POST /share": doors,
	"GET /account": own, "POST /account/password": own, "POST /account/revoke": own, "POST /logout": own,
	"GET /people": acts, "POST /people/invite": acts, "POST /people/share": acts, "POST /people/withdraw": acts,
	"POST /people/revoke": acts, "POST /people/remove": acts,

	"GET /phone": own, "POST /phone": own, "POST /phone/test": own, "POST /phone/remove": own, "GET /phone/worker.js": open,

	"GET /assets/{name...}": open, "GET /metrics": machine, "POST /pair": pairs, "/": shows,
}

// routes is a mux that lets nobody through to a handler whom needs does not.
// The check stands before the handler itself, not before a path: whatever way a
// path is spelt, it cannot be walked around.
type routes struct {
	*http.ServeMux
	s        *screens
	patterns []string
}

// HandleFunc is Handle of a function.
func (m *routes) HandleFunc(pattern string, h http.HandlerFunc) { m.Handle(pattern, h) }

// Handle mounts a handler for those whom needs names.
func (m *routes) Handle(pattern string, h http.Handler) {
	m.patterns = append(m.patterns, pattern)
	n := needs[pattern]
	m.ServeMux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		if refuse := m.s.may(r, n); refuse != nil {
			refuse(w, r)
			return
		}
		if !m.s.sign(w, r) {
			return
		}
		h.ServeHTTP(w, r)
	})
}

// sign puts the name of who is logged in under a form, whatever stands there
// and however the form's kind is spelt: nobody signs for somebody else. One with
// photos, which is left unread here, is signed where it is read.
func (s *screens) sign(w http.ResponseWriter, r *http.Request) bool {
	v, in := people.Of(r.Context())
	if !in || r.Method != http.MethodPost {
		return true
	}
	if !s.form(w, r) {
		return false
	}
	r.PostForm.Set("by", v.Name)
	r.Form.Set("by", v.Name)
	return true
}

// caller is what the guard found out about who sends a request.
type caller struct {
	beyond  bool   // comes from beyond this machine, or says so
	address string // from where, as far as it can be known
}

type callerKey struct{}

func callerOf(r *http.Request) caller {
	c, ok := r.Context().Value(callerKey{}).(caller)
	return caller{c.beyond || !ok, c.address} // without a guard everybody is a stranger
}

// identify finds out where a request comes from and who sends it. done ends
// what the session holds.
func (s *screens) identify(r *http.Request) (_ *http.Request, done func(), err error) {
	c := caller{beyond: s.fromBeyond(r), address: s.addressOf(r)}
	ctx := context.WithValue(r.Context(), callerKey{}, c)
	done = func() {}
	if s.people == nil {
		return r.WithContext(ctx), done, nil
	}
	if !s.people.Claimed() { // and a page that is open when it is claimed is open to nobody any more
		ctx, done = s.people.BeforeClaim(ctx)
		return r.WithContext(ctx), done, nil
	}
	cookie, cerr := r.Cookie(s.sessionCookie(r))
	if cerr != nil || cookie.Value == "" {
		return r.WithContext(ctx), done, nil
	}
	in, leave, ok, err := s.people.Enter(ctx, cookie.Value)
	if err != nil {
		return r, done, err
	}
	if ok {
		ctx, done = in, leave
	}
	return r.WithContext(ctx), done, nil
}

// fromBeyond reports whether a request did not come straight from this
// machine: it reached another address of it, names another host, or was
// passed on by a proxy.
func (s *screens) fromBeyond(r *http.Request) bool {
	if a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		at, err := netip.ParseAddrPort(a.String())
		if err != nil || !at.Addr().Unmap().IsLoopback() {
			return true
		}
	}
	for _, passed := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(passed) != "" {
			return true
		}
	}
	return !loopbackHost(hostOf(r.Host))
}

// addressOf is where a request comes from. A proxy on this machine, and only
// where the site file names its address, is believed in its last word.
func (s *screens) addressOf(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	if ip, err := netip.ParseAddr(host); err == nil && ip.IsLoopback() && s.cfg.PublicURL != "" {
		passed := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
		if last, err := netip.ParseAddr(strings.TrimSpace(passed[len(passed)-1])); err == nil {
			return last.Unmap().String()
		}
	}
	return host
}

// may says who a route lets in: nil, or what answers instead.
func (s *screens) may(r *http.Request, n need) http.HandlerFunc {
	c := callerOf(r)
	v, in := people.Of(r.Context())
	unclaimed := s.people == nil || !s.people.Claimed()
	switch {
	case n == shut:
		s.log.Error("a route without a line in needs was asked for", "path", r.URL.Path)
		return s.refusal(http.StatusForbidden, "refused.role")
	case n == open:
		return nil
	case n == pairs:
		if c.beyond || s.people == nil {
			return s.refusal(http.StatusNotFound, "refused.page")
		}
		return nil
	case n == doors && s.people != nil && !unclaimed:
		return nil
	case n == doors && s.people != nil:
		return s.toDoor("/claim", "refused.claim")
	case n == doors:
		return s.refusal(http.StatusNotFound, "refused.page")
	case n == machine && (!c.beyond || s.metricsToken(r)):
		return nil
	case unclaimed && !c.beyond && n != machine:
		return nil
	case unclaimed:
		return s.toDoor("/claim", "refused.claim")
	case !in:
		return s.toDoor("/login", "refused.login")
	case n == own:
		return nil
	case n == shows && v.Role.May(people.Viewer), v.Role.May(people.Technician):
		return nil
	}
	return s.refusal(http.StatusForbidden, "refused.role")
}

func (s *screens) refusal(status int, key string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { s.refuse(w, r, status, key) }
}

// toDoor sends a person to where he can get in; a program, or a form, is told.
func (s *screens) toDoor(door, key string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet || !strings.Contains(r.Header.Get("Accept"), "text/html") {
			s.refuse(w, r, http.StatusUnauthorized, key)
			return
		}
		if door == "/login" && r.URL.Path != "/" {
			door += "?" + url.Values{"to": {back(r.URL.RequestURI())}}.Encode()
		}
		http.Redirect(w, r, door, http.StatusSeeOther)
	}
}

// metricsToken checks the token of a program that reads /metrics from elsewhere.
func (s *screens) metricsToken(r *http.Request) bool {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok || s.cfg.Metrics == "" {
		return false
	}
	want, err := os.ReadFile(s.cfg.Metrics)
	token := strings.TrimSpace(string(want))
	if err != nil || len(token) < 16 {
		s.log.Error("metrics_token_file cannot be used: it should hold 16 letters and more", "file", s.cfg.Metrics, "error", err)
		return false
	}
	return subtle.ConstantTimeCompare([]byte(given), []byte(token)) == 1
}

// knownHost reports whether a request names this box. Any other name that leads
// here is somebody's trick (DNS rebinding). On this machine a loopback name and
// public_url's host are the box; on the site network its own address, its name
// and those that the site file gives.
func (s *screens) knownHost(r *http.Request) bool {
	if u, err := parseOrigin(s.cfg.PublicURL); err == nil && strings.EqualFold(r.Host, u.Host) {
		return true
	}
	host := hostOf(r.Host)
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return loopbackHost(host)
	}
	at, err := netip.ParseAddrPort(local.String())
	if err != nil || at.Addr().Unmap().IsLoopback() {
		return loopbackHost(host)
	}
	for _, name := range s.names() {
		if strings.EqualFold(host, name) {
			return true
		}
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap() == at.Addr().Unmap().WithZone("")
}

// names are what the box is called on the site network.
func (s *screens) names() []string {
	box := s.box.Now().BoxName
	return append([]string{box, box + ".local"}, s.cfg.Names...)
}

func hostOf(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	return strings.Trim(host, "[]")
}

func loopbackHost(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// secure reports whether the browser speaks TLS with the box, or with the proxy
// before it.
func (s *screens) secure(r *http.Request) bool {
	u, err := parseOrigin(s.cfg.PublicURL)
	return r.TLS != nil || err == nil && u.Scheme == "https" && strings.EqualFold(r.Host, u.Host)
}

// sessionCookie is the cookie's name. With the prefix a browser takes it from
// nobody but this very host, by TLS.
func (s *screens) sessionCookie(r *http.Request) string {
	if s.secure(r) {
		return "__Host-standwatch"
	}
	return "standwatch"
}

// earlier is the token of the session that the browser brought along.
func (s *screens) earlier(r *http.Request) string {
	if c, err := r.Cookie(s.sessionCookie(r)); err == nil {
		return c.Value
	}
	return ""
}

// letIn gives the browser its session.
func (s *screens) letIn(w http.ResponseWriter, r *http.Request, token string) {
	http.SetCookie(w, &http.Cookie{Name: s.sessionCookie(r), Value: token, Path: "/", MaxAge: int(people.SessionLength / time.Second),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: s.secure(r)})
}

func (s *screens) letOut(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{Name: s.sessionCookie(r), Path: "/", MaxAge: -1,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: s.secure(r)})
}

// from is where somebody comes from, for the list of sessions.
func (s *screens) from(r *http.Request) people.From {
	return people.From{Address: callerOf(r).address, Device: device(r.UserAgent())}
}

// device is what kind of thing a browser runs on, by what it says of itself:
// a word of the catalogue, for who looks through the sessions.
func device(agent string) string {
	switch {
	case strings.Contains(agent, "Tablet") || strings.Contains(agent, "iPad"):
		return "tablet"
	case strings.Contains(agent, "Mobi"): // as every phone's does
		return "phone"
	case strings.HasPrefix(agent, "Mozilla/"):
		return "computer"
	}
	return "program"
}

// signer is whose name stands under a mark.
type signer struct {
	Name  string
	Fixed bool // logged in: nobody signs for somebody else
	Acts  bool // forms are of use to him
}

// String is the name.
func (w signer) String() string { return w.Name }

// or is the name that was typed, unless it is fixed.
func (w signer) or(typed string) signer {
	if w.Fixed {
		return w
	}
	return signer{Name: typed, Acts: w.Acts}
}

// signerOf is who signs: who is logged in, else the name last given on this browser.
func signerOf(r *http.Request) signer {
	if v, ok := people.Of(r.Context()); ok {
		return signer{Name: v.Name, Fixed: true}
	}
	return signer{Name: whoOf(r)}
}

// nearestDoor is where somebody who has not been let in gets in.
func (s *screens) nearestDoor() string {
	if s.people == nil || !s.people.Claimed() {
		return "/claim"
	}
	return "/login"
}

// stranger reports whether somebody who has not been let in is asking.
func (s *screens) stranger(r *http.Request) bool {
	_, in := people.Of(r.Context())
	return s.people != nil && !in && (s.people.Claimed() || callerOf(r).beyond)
}

// mayAct reports whether forms are of use to who is asking.
func (s *screens) mayAct(r *http.Request) bool {
	if v, ok := people.Of(r.Context()); ok {
		return v.Role.May(people.Technician)
	}
	return s.people == nil || !s.people.Claimed()
}

// tellAccess hands the journal what it is to know of who had access. What it
// cannot be told now, while a disk is full say, it is told later.
func (s *screens) tellAccess(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	err := s.people.Tell(ctx, func(ctx context.Context, by, note string) error {
		return s.box.Tell(ctx, rules.Told{Kind: "mark", Name: "access", By: by, Note: note})
	})
	if err != nil && !errors.Is(err, context.Canceled) {
		s.log.Error("the journal could not be told who had access; it is told at the next change", "error", err)
	}
}
