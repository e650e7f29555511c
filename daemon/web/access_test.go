package web

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/people"
)

// A route that nobody thought about is shut, and this says so before a person finds out.
func TestEveryRouteSaysWhomItLetsIn(t *testing.T) {
	s := newFakeBox("hold").screens(WithMetrics(http.NotFoundHandler()))
	mounted := s.routes().patterns
	for _, pattern := range mounted {
		if needs[pattern] == shut {
			t.Errorf("%q lets nobody in: give it its line in needs (access.go). Reading is shows; whatever changes something is acts", pattern)
		}
	}
	for pattern := range needs {
		if !slices.Contains(mounted, pattern) {
			t.Errorf("needs has a line for %q, which is no route: take it out", pattern)
		}
	}
	for pattern, n := range needs {
		if strings.HasPrefix(pattern, "POST ") && n == shows && pattern != "POST /units" {
			t.Errorf("%q changes something, and a viewer may do it", pattern)
		}
	}
}

// testBox is an invented night on a box that knows who may get in.
func testBox(t *testing.T, settled bool, opts ...Option) *guarded {
	t.Helper()
	g, err := newGuarded("hold", t.TempDir(), opts...)
	if err == nil && settled {
		err = g.settle()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = g.journal.Close() })
	return g
}

// target is a request that a route answers.
func target(pattern string) (method, path string) {
	method, path, found := strings.Cut(pattern, " ")
	if !found {
		method, path = "GET", "/nothing-here"
	}
	for placeholder, name := range map[string]string{"{$}": "", "{point}": "gauge", "{step}": "vacuum-hold", "{mark}": "note", "{name...}": "style.css"} {
		path = strings.ReplaceAll(path, placeholder, name)
	}
	path = regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(path, "x")
	return method, path + map[string]string{"/curve": "?point=gauge", "/stream": "?page=none", "/flags/ack": "?id=7&until=90&key=secret"}[path]
}

func from(who string, g *guarded) func(*http.Request) {
	return func(r *http.Request) {
		if token := g.tokens[who]; token != "" {
			r.AddCookie(&http.Cookie{Name: "standwatch", Value: token})
		}
	}
}

func browsing(r *http.Request) { r.Header.Set("Accept", "text/html,*/*;q=0.8") }

// beyond makes a request one that came in at another address of the machine.
func beyond(host string) func(*http.Request) {
	return func(r *http.Request) {
		at := net.TCPAddrFromAddrPort(addrPort("192.0.2.7:8443"))
		*r = *r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(at)))
		r.Host, r.TLS = host, &tls.ConnectionState{}
		r.RemoteAddr = "192.0.2.99:5000"
	}
}

// What stands on the pages of the invented night, and on none that a stranger sees.
var ofTheJob = []string{"micron", "Reading room", "iu01", "Vacuum hold", "Ines", "Rui"}

// Every route, walked by everybody.
func TestWhoGetsWhere(t *testing.T) {
	const yes, no = true, false
	for _, c := range []struct {
		who     string
		settled bool
		far     bool
		may     map[need]bool // what answers with the page itself
	}{
		{"nobody, unclaimed, on this machine", false, false, map[need]bool{open: yes, doors: no, shows: yes, own: yes, acts: yes, machine: yes, pairs: no}},
		{"nobody, unclaimed, from the site network", false, true, map[need]bool{open: yes}},
		{"nobody, on this machine", true, false, map[need]bool{open: yes, doors: yes, machine: yes}},
		{"nobody, from the site network", true, true, map[need]bool{open: yes, doors: yes}},
		{"viewer", true, false, map[need]bool{open: yes, doors: yes, shows: yes, own: yes, machine: yes}},
		{"link", true, false, map[need]bool{open: yes, doors: yes, shows: yes, own: yes, machine: yes}},
		{"technician", true, false, map[need]bool{open: yes, doors: yes, shows: yes, own: yes, acts: yes, machine: yes}},
	} {
		g := testBox(t, c.settled)
		h := g.handler()
		for pattern, n := range needs {
			if pattern == "POST /logout" { // walked last: it would end the walk
				continue
			}
			method, path := target(pattern)
			var f url.Values
			if method == "POST" {
				f = url.Values{}
			}
			change := []func(*http.Request){from(c.who, g), browsing}
			if c.far {
				change = append(change, beyond("192.0.2.7:8443"))
			}
			resp, text := visit(t, h, method, path, f, change...)
			refused := resp.StatusCode == 401 || strings.Contains(text, g.words.say("refused.role")) || n == pairs ||
				resp.StatusCode == 303 && (strings.HasPrefix(resp.Header.Get("Location"), "/login") || resp.Header.Get("Location") == "/claim")
			if refused == c.may[n] {
				t.Errorf("%s: %s: %d %s, refused %v", c.who, pattern, resp.StatusCode, resp.Header.Get("Location"), refused)
			}
			if g.tokens[c.who] == "" && (n != open && !c.may[n] || n == doors) {
				for _, word := range ofTheJob {
					if strings.Contains(text, word) && !strings.Contains(text, g.words.say("refused.role")) {
						t.Errorf("%s: %s: a stranger reads %q", c.who, pattern, word)
					}
				}
			}
		}
		for _, m := range g.night.told {
			if !c.may[acts] && (m.Name != "access" || m.By != "Ines Duarte" && m.By != "Rui Matos") {
				t.Errorf("%s recorded %+v", c.who, m)
			}
		}
	}
}

// Whatever a path is spelt like, nothing of the job comes out to who has not logged in.
func TestPathTricks(t *testing.T) {
	g := testBox(t, true)
	base, _ := serving(t, g.handler(), nil)
	for _, path := range []string{"/people", "//people", "///people", "/./people", "/x/../people", "/assets/../people", "/assets/%2e%2e/people", "/assets/..%2fpeople",
		"/assets/%2e%2e%2fpeople", "/%2e%2e/people", "/people/", "/people;x", "/people;/../claim", "/claim/../people", "/claim/..;/people", "/People", "/%70eople", "/people%00", "/people%2f", "/people?/claim",
		"/people#/claim", "/claim?to=/people", "\\people", "/\\people", "/people/.", "/login/%2e%2e/people", "/flags/ack/../../people", "http://127.0.0.1/people", "//127.0.0.1/people",
		"/steps/%2e%2e/people", "/points/gauge", "/assets/../points/gauge", "/stream?page=now", "/curve?point=gauge", "/./curve?point=gauge", "/CURVE?point=gauge"} {
		for _, method := range []string{"GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "FOO", "get"} {
			c, err := net.Dial("tcp", base)
			if err != nil {
				t.Fatal(err)
			}
			_ = c.SetDeadline(time.Now().Add(2 * time.Minute))
			fmt.Fprintf(c, "%s %s HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/html\r\nX-HTTP-Method-Override: GET\r\nX-Original-URL: /people\r\nX-Rewrite-URL: /people\r\nConnection: close\r\n\r\n", method, path)
			answer, err := io.ReadAll(io.LimitReader(c, 1<<20))
			_ = c.Close()
			if err != nil {
				t.Errorf("%s %s: %v", method, path, err)
			}
			for _, word := range ofTheJob {
				if bytes.Contains(answer, []byte(word)) {
					t.Errorf("%s %s shows %q to a stranger:\n%.300s", method, path, word, answer)
				}
			}
		}
	}
	if len(g.night.told) > 0 {
		t.Errorf("recorded: %+v", g.night.told)
	}
}

// serving serves a handler on a real socket; local, where given, is what its
// connections say they have reached.
func serving(t *testing.T, h http.Handler, local net.Addr) (address string, srv *http.Server) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv = server(t.Context(), h, slog.New(slog.DiscardHandler))
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(reachedAt{ln, local}) }()
	t.Cleanup(func() { _ = srv.Close(); <-done })
	return ln.Addr().String(), srv
}

// reachedAt is a listener whose connections have reached another address of the machine.
type reachedAt struct {
	net.Listener
	at net.Addr
}

func (l reachedAt) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil || l.at == nil {
		return c, err
	}
	return reached{c, l.at}, nil
}

type reached struct {
	net.Conn
	at net.Addr
}

func (c reached) LocalAddr() net.Addr { return c.at }

// A name or address that is not the box's, on either side of the door.
func TestHostsOnTheSiteNetwork(t *testing.T) {
	g := testBox(t, true)
	g.cfg.Listen, g.cfg.Names, g.cfg.PublicURL = "0.0.0.0:8443", []string{"library.example.org", "198.51.100.4"}, "https://box.example.org"
	h := g.handler()
	for host, known := range map[string]bool{"192.0.2.7:8443": true, "192.0.2.7": true, "quayside-1": true, "QUAYSIDE-1.local:8443": true, "library.example.org": true, "198.51.100.4:8443": true, "box.example.org": true,
		"192.0.2.8": false, "evil.example": false, "localhost": false, "127.0.0.1": false, "[::1]": false, "": false, "quayside-1.evil.example": false, "192.0.2.7.evil.example": false, "quayside-1.local.": false, "0.0.0.0": false} {
		resp, _ := visit(t, h, "GET", "/login", nil, beyond(host))
		if (resp.StatusCode != 421) != known {
			t.Errorf("host %q from the site network: %d", host, resp.StatusCode)
		}
	}
	// What was passed on by a proxy does not come from this machine, whatever host it names.
	un := testBox(t, false).handler()
	for _, header := range []string{"Forwarded", "X-Forwarded-For", "X-Real-IP", "Via", "X-Forwarded-Host"} {
		resp, text := visit(t, un, "GET", "/points", nil, func(r *http.Request) { r.Header.Set(header, "192.0.2.1") })
		if resp.StatusCode != 401 || strings.Contains(text, "gauge") {
			t.Errorf("%s on a box that nobody claimed: %d", header, resp.StatusCode)
		}
	}
}

// The claim, as a person does it, over real TLS.
func TestClaim(t *testing.T) {
	g := testBox(t, false)
	h := g.handler()
	resp, _ := visit(t, h, "GET", "/flags", nil, beyond("192.0.2.7:8443"), browsing)
	if resp.StatusCode != 303 || resp.Header.Get("Location") != "/claim" {
		t.Fatalf("%d %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	_, text := visit(t, h, "GET", "/claim", nil, beyond("192.0.2.7:8443"))
	for _, want := range []string{`autocomplete="one-time-code"`, `autocomplete="username"`, `autocomplete="new-password"`, `method="post" action="/claim"`, "certificate window"} {
		if !strings.Contains(text, want) {
			t.Errorf("the claim has no %q", want)
		}
	}
	code, err := g.people.Code(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i, bad := range []url.Values{form("code", "AAAA-BBBB-CCCC", "name", "Mallory", "password", goodPassword), form("code", code, "name", "", "password", goodPassword),
		form("code", code, "name", "Ines", "password", "short"), form("name", "Mallory", "password", goodPassword), {}} {
		resp, text := visit(t, h, "POST", "/claim", bad, beyond("192.0.2.7:8443"))
		if resp.StatusCode < 400 || len(resp.Cookies()) > 0 || strings.Contains(text, goodPassword) || strings.Contains(text, code) || g.people.Claimed() {
			t.Errorf("claim %d: %d %v", i, resp.StatusCode, resp.Cookies())
		}
	}
	g.pass(time.Minute)
	resp, _ = visit(t, h, "POST", "/claim", form("code", strings.ToLower(code), "name", " Ines\tDuarte\x00", "password", goodPassword), beyond("192.0.2.7:8443"))
	cookies := resp.Cookies()
	if resp.StatusCode != 303 || len(cookies) != 1 || !g.people.Claimed() {
		t.Fatalf("%d %v", resp.StatusCode, cookies)
	}
	c := cookies[0]
	if c.Name != "__Host-standwatch" || !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || len(c.Value) < 43 {
		t.Errorf("the cookie: %+v", c)
	}
	if len(g.night.told) != 1 || g.night.told[0].Name != "access" || g.night.told[0].By != "Ines Duarte" || g.night.told[0].Note != "Ines Duarte claimed the box, technician" {
		t.Errorf("recorded: %+v", g.night.told)
	}
	// A second claim with the same code, and with the next one.
	next, err := g.people.Code(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, again := range []string{code, next} {
		resp, _ = visit(t, h, "POST", "/claim", form("code", again, "name", "Mallory", "password", goodPassword))
		if resp.StatusCode != 403 {
			t.Errorf("a second claim: %d", resp.StatusCode)
		}
	}
	// In, with the cookie; on this machine too nobody without one.
	if resp, _ := visit(t, h, "GET", "/points", nil, beyond("192.0.2.7:8443"), func(r *http.Request) { r.AddCookie(c) }); resp.StatusCode != 200 {
		t.Errorf("the technician: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil); resp.StatusCode != 401 {
		t.Errorf("on this machine, after the claim: %d", resp.StatusCode)
	}
	// The plain cookie's name counts for nothing over TLS: nobody can plant it from a plain page.
	if resp, _ := visit(t, h, "GET", "/points", nil, beyond("192.0.2.7:8443"), func(r *http.Request) {
		r.AddCookie(&http.Cookie{Name: "standwatch", Value: c.Value})
	}); resp.StatusCode != 401 {
		t.Errorf("a plain cookie over TLS: %d", resp.StatusCode)
	}
}

// A thousand wrong codes through the page, from one place and from many.
func TestAThousandWrongCodesThroughThePage(t *testing.T) {
	g := testBox(t, false)
	h := g.handler()
	seen := map[int]int{}
	for i := range 1000 {
		resp, _ := visit(t, h, "POST", "/claim", form("code", fmt.Sprintf("%04d-AAAA-BBBB", i), "name", "Mallory", "password", goodPassword), beyond("192.0.2.7:8443"),
			func(r *http.Request) { r.Header.Set("X-Forwarded-For", fmt.Sprintf("203.0.113.%d", i)) }) // of no use: no proxy is named
		seen[resp.StatusCode]++
		if resp.StatusCode == 429 && resp.Header.Get("Retry-After") == "" {
			t.Fatal("it does not say when to try again")
		}
	}
	if seen[403] != 5 || seen[429] != 995 || g.people.Claimed() {
		t.Errorf("answers %v, claimed %v", seen, g.people.Claimed())
	}
}

func TestLogInAndOut(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	resp, _ := visit(t, h, "GET", "/flags?before=9", nil, browsing)
	if resp.StatusCode != 303 || resp.Header.Get("Location") != "/login?to=%2Fflags%3Fbefore%3D9" {
		t.Fatalf("%d %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	_, text := visit(t, h, "GET", resp.Header.Get("Location"), nil)
	if !strings.Contains(text, `name="to" value="/flags?before=9"`) ||
		!strings.Contains(text, `autocomplete="current-password"`) || !strings.Contains(text, `autocomplete="username"`) {
		t.Errorf("the log-in:\n%s", text)
	}
	if resp, text = visit(t, h, "POST", "/login", form("name", "Ines Duarte", "password", "wrong one, this is")); resp.StatusCode != 403 || len(resp.Cookies()) > 0 || !strings.Contains(text, `value="Ines Duarte"`) {
		t.Errorf("a wrong password: %d %v", resp.StatusCode, resp.Cookies())
	}
	var same string
	if _, same = visit(t, h, "POST", "/login", form("name", "Nobody", "password", "wrong one, this is")); strings.ReplaceAll(same, "Nobody", "Ines Duarte") != strings.ReplaceAll(text, "Nobody", "Ines Duarte") {
		t.Error("the answer tells whether the name is known")
	}
	for to, want := range map[string]string{"/flags?before=9": "/flags?before=9", "//evil.example": "/", "https://evil.example/": "/", `/\evil.example`: "/", "javascript:alert(1)": "/", "": "/"} {
		resp, _ = visit(t, h, "POST", "/login", form("name", "ines  duarte", "password", goodPassword, "to", to))
		if resp.StatusCode != 303 || resp.Header.Get("Location") != want {
			t.Errorf("to %q: %d %q", to, resp.StatusCode, resp.Header.Get("Location"))
		}
	}
	cookie := resp.Cookies()[0]
	if cookie.Name != "standwatch" || cookie.Secure || !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
		t.Errorf("the cookie on this machine: %+v", cookie)
	}
	// A session that somebody planted before is not the one that counts afterwards, and ends.
	planted := g.tokens["viewer"]
	resp, _ = visit(t, h, "POST", "/login", form("name", "Ines Duarte", "password", goodPassword), from("viewer", g))
	if fresh := resp.Cookies()[0].Value; fresh == planted || fresh == "" {
		t.Error("the session is the one from before")
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, from("viewer", g)); resp.StatusCode != 401 {
		t.Errorf("the planted session goes on: %d", resp.StatusCode)
	}
	// Out, and the cookie that somebody copied before is worth nothing.
	with := func(r *http.Request) { r.AddCookie(cookie) }
	if resp, _ := visit(t, h, "GET", "/logout", nil, with); resp.StatusCode != 404 {
		t.Errorf("logged out by a GET: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, with); resp.StatusCode != 200 {
		t.Fatalf("%d", resp.StatusCode)
	}
	resp, _ = visit(t, h, "POST", "/logout", form(), with)
	if resp.StatusCode != 303 || resp.Cookies()[0].MaxAge >= 0 {
		t.Errorf("out: %d %v", resp.StatusCode, resp.Cookies())
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, with); resp.StatusCode != 401 {
		t.Errorf("a copied cookie after logging out: %d", resp.StatusCode)
	}
	// Five days unused.
	g.pass(people.SessionIdle)
	if resp, _ := visit(t, h, "GET", "/points", nil, from("technician", g)); resp.StatusCode != 401 {
		t.Errorf("an old session: %d", resp.StatusCode)
	}
}

// Forms that another site's page sends do nothing, log-in and log-out included.
func TestOtherSitesCannotLogAnybodyIn(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	people0, err := g.people.Sessions(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, elsewhere := range []func(*http.Request){
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
		func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "https://evil.example") },
		func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "null") },
		func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			r.Header.Set("Origin", "http://127.0.0.1:8091")
		},
	} {
		for pattern := range needs {
			method, path := target(pattern)
			if method != "POST" {
				continue
			}
			resp, _ := visit(t, h, method, path, form("name", "Ines Duarte", "password", goodPassword, "id", people0[0].ID), from("technician", g), elsewhere)
			if resp.StatusCode != 403 || len(resp.Cookies()) > 0 {
				t.Errorf("%s from elsewhere: %d", pattern, resp.StatusCode)
			}
		}
	}
	after, err := g.people.Sessions(t.Context())
	if err != nil || len(after) != len(people0) || len(g.night.told) > 0 {
		t.Errorf("%d sessions, before %d; recorded %v; %v", len(after), len(people0), g.night.told, err)
	}
}

// A form's kind may be spelt in letters of any size: it is signed all the same.
func TestNobodySignsForSomebodyElseInCapitals(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	resp, _ := visit(t, h, "POST", "/marks", form("kind", "mark", "name", "note", "note", "wind again", "by", "Mallory"), from("technician", g), func(r *http.Request) {
		r.Header.Set("Content-Type", "Application/X-WWW-Form-Urlencoded") // the kinds' letters may be of any size (RFC 9110, section 8.3.1)
	})
	if resp.StatusCode != 303 || len(g.night.told) != 1 || g.night.told[0].By != "Ines Duarte" {
		t.Errorf("with the form's kind in capitals: %d %+v", resp.StatusCode, g.night.told)
	}
}

// Who is logged in signs, whatever a form says.
func TestNobodySignsForSomebodyElse(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	resp, _ := visit(t, h, "POST", "/marks", form("kind", "mark", "name", "note", "note", "wind on the scale", "by", "Mallory"), from("technician", g))
	if resp.StatusCode != 303 || len(g.night.told) != 1 || g.night.told[0].By != "Ines Duarte" {
		t.Errorf("%d %+v", resp.StatusCode, g.night.told)
	}
	resp, _ = visit(t, h, "POST", "/marks", form("kind", "mark", "name", "accepted", "of", "evacuation", "note", "owner agrees", "by", "Mallory"), from("technician", g))
	if resp.StatusCode != 303 || len(g.night.told) != 2 || g.night.told[1].By != "Ines Duarte" || !strings.Contains(g.night.told[1].Note, "by Ines Duarte: owner agrees") {
		t.Errorf("%d %+v", resp.StatusCode, g.night.told)
	}
	for _, c := range resp.Cookies() {
		t.Errorf("a name is remembered for who is logged in: %v", c)
	}
	_, text := visit(t, h, "GET", "/mark/note", nil, from("technician", g))
	if strings.Contains(text, `name="by"`) || !strings.Contains(text, "Recorded under your name, Ines Duarte.") {
		t.Errorf("the form asks for a name:\n%s", text)
	}
	_, text = visit(t, h, "GET", "/", nil, from("technician", g))
	if strings.Contains(text, `name="by"`) || !strings.Contains(text, "Ines Duarte") {
		t.Error("Now asks for a name")
	}
	// The link in a message acknowledges without a log-in, under the name that is typed.
	resp, _ = visit(t, h, "POST", "/flags/ack", form("id", "7", "until", "90", "key", "secret", "by", "Eva"))
	if resp.StatusCode != 200 || len(g.night.told) != 3 || g.night.told[2].By != "Eva" {
		t.Errorf("%d %+v", resp.StatusCode, g.night.told)
	}
	if resp, _ := visit(t, h, "POST", "/flags/ack", form("id", "7", "until", "90", "key", "guess", "by", "Eva")); resp.StatusCode != 403 {
		t.Errorf("a guessed link: %d", resp.StatusCode)
	}
}

// An invitation and a link that only shows, made and used as people do.
func TestInvitationsAndLinks(t *testing.T) {
	var log bytes.Buffer
	var mu sync.Mutex
	g := testBox(t, true, WithLog(slog.New(slog.NewTextHandler(locked{&mu, &log}, &slog.HandlerOptions{Level: slog.LevelDebug}))))
	h := g.handler()
	made := func(path string, f url.Values) (address string) {
		t.Helper()
		resp, text := visit(t, h, "POST", path, f, from("technician", g))
		m := regexp.MustCompile(`value="(http[^"]*#[^"]*)" readonly`).FindStringSubmatch(text)
		if resp.StatusCode != 200 || m == nil {
			t.Fatalf("%s: %d\n%s", path, resp.StatusCode, text)
		}
		if resp.Header.Get("Cache-Control") != "no-store" {
			t.Error("a page with a secret may be kept")
		}
		if !strings.Contains(text, "from this machine alone") {
			t.Error("it does not say that a loopback address is of no use elsewhere")
		}
		return m[1]
	}
	invitation := made("/people/invite", form("role", "viewer", "for", "Eva", "days", "3"))
	_, token, _ := strings.Cut(invitation, "#")
	if strings.Contains(invitation[:len(invitation)-len(token)-1], token) || len(token) < 43 {
		t.Errorf("the secret stands before the #: %s", invitation)
	}
	if resp, text := visit(t, h, "GET", "/invitation", nil); resp.StatusCode != 200 || strings.Contains(text, token) {
		t.Errorf("the invitation's page: %d", resp.StatusCode)
	}
	resp, _ := visit(t, h, "POST", "/invitation", form("token", invitation, "name", "Eva", "password", goodPassword)) // pasted whole
	if resp.StatusCode != 303 || len(resp.Cookies()) != 1 {
		t.Fatalf("%d", resp.StatusCode)
	}
	eva := resp.Cookies()[0]
	if resp, _ := visit(t, h, "POST", "/marks", form("kind", "mark", "name", "note", "note", "x"), func(r *http.Request) { r.AddCookie(eva) }); resp.StatusCode != 403 {
		t.Errorf("a viewer's mark: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "POST", "/invitation", form("token", token, "name", "Mallory", "password", goodPassword)); resp.StatusCode != 403 || len(resp.Cookies()) > 0 {
		t.Errorf("used twice: %d", resp.StatusCode)
	}
	share := made("/people/share", form("for", "Supervisor at night", "days", "1"))
	_, shareToken, _ := strings.Cut(share, "#")
	resp, _ = visit(t, h, "POST", "/share", form("token", shareToken))
	if resp.StatusCode != 303 {
		t.Fatalf("%d", resp.StatusCode)
	}
	super := func(r *http.Request) { r.AddCookie(resp.Cookies()[0]) }
	_, text := visit(t, h, "GET", "/", nil, super)
	if !strings.Contains(text, "Supervisor at night") || !strings.Contains(text, `class="page-now reads"`) || strings.Contains(text, `href="/people"`) {
		t.Errorf("the supervisor's page:\n%.2000s", text)
	}
	if resp, _ := visit(t, h, "POST", "/account/password", form("present", "", "password", goodPassword), super); resp.StatusCode != 403 {
		t.Errorf("a link with a password: %d", resp.StatusCode)
	}
	_, text = visit(t, h, "GET", "/people", nil, from("technician", g))
	for _, want := range []string{"Eva", "Supervisor at night", "Rui Matos", "looks on", "Ends"} {
		if !strings.Contains(text, want) {
			t.Errorf("People has no %q", want)
		}
	}
	for _, secret := range []string{token, shareToken, eva.Value, g.tokens["technician"]} {
		if strings.Contains(text, secret) {
			t.Error("People shows a secret")
		}
	}
	// Taken back: the supervisor is out.
	shares, err := g.people.Shares(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if resp, _ := visit(t, h, "POST", "/people/withdraw", form("id", shares[0].ID), from("viewer", g)); resp.StatusCode != 403 {
		t.Errorf("a viewer takes it back: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "POST", "/people/withdraw", form("id", shares[0].ID), from("technician", g)); resp.StatusCode != 303 {
		t.Errorf("%d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, super); resp.StatusCode != 401 {
		t.Errorf("after it was taken back: %d", resp.StatusCode)
	}
	// Removed: Eva is out, and the record says who did it.
	if resp, _ := visit(t, h, "POST", "/people/remove", form("name", "Eva"), from("technician", g)); resp.StatusCode != 303 {
		t.Errorf("%d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, func(r *http.Request) { r.AddCookie(eva) }); resp.StatusCode != 401 {
		t.Errorf("after she was removed: %d", resp.StatusCode)
	}
	if resp, text := visit(t, h, "POST", "/people/remove", form("name", "Ines Duarte"), from("technician", g)); resp.StatusCode != 409 || !strings.Contains(text, "last technician") {
		t.Errorf("the last technician: %d", resp.StatusCode)
	}
	var notes []string
	for _, m := range g.night.told {
		if m.Name == "access" {
			notes = append(notes, m.Note)
		}
	}
	record := strings.Join(notes, "\n")
	for _, want := range []string{"Ines Duarte claimed the box, technician", "Ines Duarte invited Eva as viewer", "Eva came in as viewer, invited by Ines Duarte",
		"Ines Duarte gave Supervisor at night a link that only shows", "Ines Duarte took back the link that only shows, of Supervisor at night", "Ines Duarte removed Eva, viewer"} {
		if !strings.Contains(record, want) {
			t.Errorf("the record has no %q:\n%s", want, record)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	for _, secret := range []string{token, shareToken, eva.Value, goodPassword} {
		if strings.Contains(record, secret) || strings.Contains(log.String(), secret) {
			t.Errorf("a secret is written down:\n%s\n%s", record, log.String())
		}
	}
}

type locked struct {
	mu *sync.Mutex
	w  io.Writer
}

func (l locked) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

func TestAccount(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	_, text := visit(t, h, "GET", "/account", nil, from("viewer", g))
	if !strings.Contains(text, "Rui Matos, looks on.") || strings.Contains(text, "Ines") || strings.Count(text, `name="id"`) != 0 {
		t.Errorf("the account:\n%s", text)
	}
	// Nobody ends somebody else's session by its id.
	all, err := g.people.Sessions(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range all {
		visit(t, h, "POST", "/account/revoke", form("id", x.ID), from("link", g))
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, from("technician", g)); resp.StatusCode != 200 {
		t.Errorf("a link ended a technician's session: %d", resp.StatusCode)
	}
	if resp, text := visit(t, h, "POST", "/account/password", form("present", "not this one", "password", "another good one"), from("viewer", g)); resp.StatusCode != 403 || !strings.Contains(text, `role="alert"`) {
		t.Errorf("a wrong present password: %d", resp.StatusCode)
	}
	resp, _ := visit(t, h, "POST", "/account/password", form("present", goodPassword, "password", "another good one"), from("viewer", g))
	if resp.StatusCode != 303 || len(resp.Cookies()) != 1 {
		t.Fatalf("%d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, from("viewer", g)); resp.StatusCode != 401 {
		t.Errorf("the session from before: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "GET", "/points", nil, func(r *http.Request) { r.AddCookie(resp.Cookies()[0]) }); resp.StatusCode != 200 {
		t.Errorf("who changed it: %d", resp.StatusCode)
	}
}

// A page that is left open ends with its session.
func TestAnOpenPageEndsWithItsSession(t *testing.T) {
	g := testBox(t, true)
	g.beat = 20 * time.Millisecond
	base, _ := serving(t, g.handler(), nil)
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+base+"/stream?page=now", nil)
	if err != nil {
		t.Fatal(err)
	}
	from("viewer", g)(r)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	if !lines.Scan() || lines.Text() != "id: 1" {
		t.Fatalf("%d %q", resp.StatusCode, lines.Text())
	}
	all, err := g.people.Sessions(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range all {
		if x.Name == "Rui Matos" {
			visit(t, g.handler(), "POST", "/people/revoke", form("id", x.ID), from("technician", g))
		}
	}
	ended := make(chan struct{})
	go func() {
		for lines.Scan() {
		}
		close(ended)
	}()
	select {
	case <-ended:
	case <-time.After(2 * time.Minute):
		t.Error("the stream goes on after the session was ended")
	}
}

// So does one that was opened while the box was nobody's.
func TestAnOpenPageEndsWithTheClaim(t *testing.T) {
	g := testBox(t, false)
	g.beat = 20 * time.Millisecond
	base, _ := serving(t, g.handler(), nil)
	resp, err := http.Get("http://" + base + "/stream?page=now")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	first := make([]byte, 5)
	if _, err := io.ReadFull(resp.Body, first); err != nil || string(first) != "id: 1" {
		t.Fatalf("%d %q %v", resp.StatusCode, first, err)
	}
	if err := g.settle(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { _, _ = io.Copy(io.Discard, resp.Body); close(ended) }()
	select {
	case <-ended:
	case <-time.After(2 * time.Minute):
		t.Error("the stream goes on after the claim")
	}
}

// Over HTTP/2 and TLS too a page stays open longer than an answer may take,
// and somebody who is refused is shown the door.
func TestStreamsOverTheDoorsProtocol(t *testing.T) {
	g := testBox(t, true)
	g.beat, g.ping = 20*time.Millisecond, 20*time.Millisecond
	pair, err := makeCertificate("quayside-1", nil, nil, time.Unix(0, 0), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	c, err := tls.X509KeyPair(pair, pair)
	if err != nil {
		t.Fatal(err)
	}
	// A slow machine needs longer for the handshake than an answer may take: it gets longer.
	longest := 200 * time.Millisecond
	stream := func() (*http.Response, error) {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		srv := server(t.Context(), g.handler(), slog.New(slog.DiscardHandler))
		srv.TLSConfig, srv.WriteTimeout = &tls.Config{Certificates: []tls.Certificate{c}}, longest
		go func() { _ = serve(t.Context(), srv, ln) }()
		client := &http.Client{Transport: &http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
		t.Cleanup(client.CloseIdleConnections)
		r, err := http.NewRequestWithContext(t.Context(), "GET", "https://"+ln.Addr().String()+"/stream?page=now", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.AddCookie(&http.Cookie{Name: "__Host-standwatch", Value: g.tokens["viewer"]})
		return client.Do(r)
	}
	resp, err := stream()
	for err != nil && longest < 20*time.Second {
		longest *= 5
		resp, err = stream()
	}
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.ProtoMajor != 2 || resp.StatusCode != 200 {
		t.Fatalf("%s %d", resp.Proto, resp.StatusCode)
	}
	lines, pings := bufio.NewScanner(resp.Body), 0
	lines.Buffer(nil, 1<<20)
	begun := time.Now()
	for lines.Scan() && time.Since(begun) < 5*longest {
		if strings.HasPrefix(lines.Text(), ":") {
			pings++
		}
	}
	if err := lines.Err(); err != nil || time.Since(begun) < 5*longest || pings == 0 {
		t.Errorf("the stream ended after %v with %d signs of life: %v", time.Since(begun), pings, err)
	}
	_, text := visit(t, g.handler(), "GET", "/points", nil)
	if !strings.Contains(text, `href="/login">Log in`) || strings.Contains(text, "To Now") {
		t.Errorf("who is refused is shown no door:\n%s", text)
	}
	_, text = visit(t, testBox(t, false).handler(), "GET", "/", nil, beyond("192.0.2.7:8443"))
	if !strings.Contains(text, `href="/claim">Claim this box`) || strings.Contains(text, "To Now") {
		t.Errorf("who is refused is shown no door:\n%s", text)
	}
}

func TestMetricsAreNotForEverybody(t *testing.T) {
	g := testBox(t, true)
	g.cfg.Metrics = filepath.Join(t.TempDir(), "token")
	h := g.handler()
	token := func(text string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+text) }
	}
	far := beyond("192.0.2.7:8443")
	tls := func(who string) func(*http.Request) {
		return func(r *http.Request) {
			if g.tokens[who] != "" {
				r.AddCookie(&http.Cookie{Name: "__Host-standwatch", Value: g.tokens[who]})
			}
		}
	}
	if err := os.WriteFile(g.cfg.Metrics, []byte("a token of enough letters\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change []func(*http.Request)
		want   int
	}{
		"on this machine":                    {nil, 200},
		"from the site network":              {[]func(*http.Request){far}, 401},
		"through a proxy":                    {[]func(*http.Request){func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.0.2.1") }}, 401},
		"a viewer from the site network":     {[]func(*http.Request){far, tls("viewer")}, 403},
		"a technician from the site network": {[]func(*http.Request){far, tls("technician")}, 200},
		"with the token":                     {[]func(*http.Request){far, token("a token of enough letters")}, 200},
		"with another token":                 {[]func(*http.Request){far, token("a token of enough letterz")}, 401},
		"with no token":                      {[]func(*http.Request){far, token("")}, 401},
		"with the token, at another page":    {[]func(*http.Request){far, token("a token of enough letters"), func(r *http.Request) { r.URL.Path = "/points" }}, 401},
		"with the token as somebody's cookie": {[]func(*http.Request){far, func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: "__Host-standwatch", Value: "a token of enough letters"})
		}}, 401},
	} {
		if resp, _ := visit(t, h, "GET", "/metrics", nil, c.change...); resp.StatusCode != c.want {
			t.Errorf("%s: %d, want %d", name, resp.StatusCode, c.want)
		}
	}
	if err := os.WriteFile(g.cfg.Metrics, []byte("\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if resp, _ := visit(t, h, "GET", "/metrics", nil, far, token("")); resp.StatusCode != 401 {
		t.Errorf("an empty token file lets everybody in: %d", resp.StatusCode)
	}
}

// Bodies that are too long, and such as never come.
func TestBodiesThatAreTooMuch(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	long := strings.Repeat("x", mostBody)
	for _, path := range []string{"/login", "/claim", "/invitation", "/share", "/pair", "/flags/ack"} {
		resp, _ := visit(t, h, "POST", path, form("name", "Ines Duarte", "password", goodPassword, "code", long, "token", long))
		if resp.StatusCode != 400 || len(resp.Cookies()) > 0 {
			t.Errorf("%s with %d letters: %d", path, mostBody, resp.StatusCode)
		}
	}
	// What was cut off is not half recorded.
	resp, _ := visit(t, h, "POST", "/marks", form("kind", "mark", "name", "note", "note", long), from("technician", g))
	if resp.StatusCode != 400 || len(g.night.told) > 0 {
		t.Errorf("a mark that is too long: %d %d", resp.StatusCode, len(g.night.told))
	}
}

// A connection that sends its form letter by letter, or not at all, is let go.
func TestSlowBodiesAreLetGo(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	synctest.Test(t, func(t *testing.T) {
		for _, begin := range []string{"POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 900\r\n\r\nname=", "POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Never: "} {
			theirs, ours := net.Pipe()
			ln := &oneConn{c: make(chan net.Conn, 1), done: make(chan struct{})}
			ln.c <- ours
			srv := server(t.Context(), h, slog.New(slog.DiscardHandler))
			var both sync.WaitGroup
			both.Go(func() { _ = srv.Serve(ln) })
			both.Go(func() {
				_, _ = theirs.Write([]byte(begin))
				for {
					time.Sleep(time.Second)
					if _, err := theirs.Write([]byte("x")); err != nil {
						return
					}
				}
			})
			begun := time.Now()
			_, _ = io.Copy(io.Discard, theirs)
			if d := time.Since(begun); d > 30*time.Second {
				t.Errorf("it was held for %v", d)
			}
			_ = srv.Close()
			_ = theirs.Close()
			both.Wait()
		}
	})
}

// oneConn is a listener with one connection.
type oneConn struct {
	c    chan net.Conn
	done chan struct{}
	once sync.Once
}

func (l *oneConn) Accept() (net.Conn, error) {
	select {
	case c := <-l.c:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *oneConn) Close() error { l.once.Do(func() { close(l.done) }); return nil }

func (l *oneConn) Addr() net.Addr { return net.TCPAddrFromAddrPort(addrPort("127.0.0.1:1")) }

// pair opens a box to who holds its key, on this machine, and to nobody else.
func TestPairing(t *testing.T) {
	g := testBox(t, true)
	h := g.handler()
	ask := func(f url.Values, change ...func(*http.Request)) (*http.Response, PairAnswer) {
		t.Helper()
		resp, text := visit(t, h, "POST", "/pair", f, change...)
		return resp, readAnswer(t, text)
	}
	key := []byte("the key of a box that is nowhere")
	mine := "a question of enough letters"
	if resp, _ := visit(t, h, "POST", "/pair", form("question", mine), beyond("192.0.2.7:8443")); resp.StatusCode != 404 {
		t.Errorf("from the site network: %d", resp.StatusCode)
	}
	resp, first := ask(form("question", mine))
	if resp.StatusCode != 401 || len(first.Question) < 20 {
		t.Fatalf("%d %+v", resp.StatusCode, first)
	}
	for name, proof := range map[string]string{"none": "", "another key": people.Proof([]byte("another key"), "pair", first.Question, mine), "another question": people.Proof(key, "pair", "x"+first.Question, mine),
		"another purpose": people.Proof(key, "paired", first.Question, mine)} {
		if resp, _ := ask(form("question", mine, "proof", proof)); resp.StatusCode != 401 || g.people.Pairing() != 0 {
			t.Errorf("%s: %d", name, resp.StatusCode)
		}
	}
	proof := people.Proof(key, "pair", first.Question, mine)
	resp, a := ask(form("question", mine, "proof", proof))
	if resp.StatusCode != 200 || !a.Claimed || g.people.Pairing() != people.PairingLasts || a.Proof != people.Proof(key, a.Said(first.Question, mine)...) {
		t.Fatalf("%d %+v", resp.StatusCode, a)
	}
	if resp, _ := ask(form("question", mine, "proof", proof)); resp.StatusCode != 401 {
		t.Errorf("the same proof twice: %d", resp.StatusCode)
	}
	// While it is open, the code makes a technician of a claimed box; then not.
	code, err := g.people.Code(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	g.pass(people.PairingLasts)
	if resp, _ := visit(t, h, "POST", "/claim", form("code", code, "name", "Eva", "password", goodPassword)); resp.StatusCode != 403 {
		t.Errorf("after its time: %d", resp.StatusCode)
	}
}

// The door to the site network: shut, open for a claim, shut again, open for good.
func TestTheDoor(t *testing.T) {
	g := testBox(t, false)
	dir := t.TempDir()
	d := &Door{Config: Config{Listen: "127.0.0.1:0", Names: []string{"library.example.org"}}, Box: "quayside-1", Dir: dir, Built: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), People: g.people, Log: slog.New(slog.DiscardHandler)}
	d.Config.Listen = ":0" // all of this machine's addresses
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	h := g.handler()
	go func() { ended <- d.Run(ctx, h) }()
	until := func(what string, is func() bool) {
		t.Helper()
		for range 400 {
			if is() {
				return
			}
			time.Sleep(25 * time.Millisecond)
		}
		t.Fatalf("it never came to %s", what)
	}
	listening := func() string { at, _ := d.state(); return at }
	time.Sleep(50 * time.Millisecond)
	if at := listening(); at != "" {
		t.Fatalf("a box that nobody claimed listens at %s", at)
	}
	if err := g.people.Pair(); err != nil {
		t.Fatal(err)
	}
	until("an open door", func() bool { return listening() != "" })
	_, port, err := net.SplitHostPort(listening())
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}, // the certificate is looked at below
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Get("https://127.0.0.1:" + port + "/claim")
	if err != nil {
		t.Fatal(err)
	}
	_ = resp.Body.Close()
	c := resp.TLS.PeerCertificates[0]
	if resp.StatusCode != 200 || !slices.Contains(c.DNSNames, "quayside-1.local") || !slices.Contains(c.DNSNames, "library.example.org") || !c.NotBefore.Equal(d.Built) ||
		resp.TLS.Version < tls.VersionTLS12 || resp.Header.Get("Strict-Transport-Security") != "" {
		t.Errorf("%d %v %v", resp.StatusCode, c.DNSNames, c.NotBefore)
	}
	if plain, err := http.Get("http://127.0.0.1:" + port + "/claim"); err == nil {
		if plain.StatusCode != 400 {
			t.Errorf("it speaks in the clear: %d", plain.StatusCode)
		}
		_ = plain.Body.Close()
	}
	if _, err := tls.Dial("tcp", "127.0.0.1:"+port, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("it speaks TLS 1.1")
	}
	g.pass(people.PairingLasts - 30*time.Millisecond)
	if err := g.people.Pair(); err != nil { // its time begins anew
		t.Fatal(err)
	}
	g.pass(people.PairingLasts)
	d.People.Announce() // the timer of real time would take a quarter of an hour
	until("a shut door", func() bool { return listening() == "" })
	if _, err := client.Get("https://127.0.0.1:" + port + "/claim"); err == nil {
		t.Error("a connection from before goes on")
	}
	if err := g.settle(); err != nil {
		t.Fatal(err)
	}
	until("an open door", func() bool { return listening() != "" })
	g.pass(time.Hour)
	d.People.Announce()
	time.Sleep(50 * time.Millisecond)
	if listening() == "" {
		t.Error("the door of a claimed box was shut")
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestTheBoxsCertificate(t *testing.T) {
	dir := t.TempDir()
	built := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	now := time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC)
	if _, err := ownCertificate(dir, "quayside", nil, nil, built, time.Unix(3600, 0)); err == nil || !strings.Contains(err.Error(), "clock says 1970-01-01") {
		t.Errorf("by a clock that was never set: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) > 0 {
		t.Errorf("it left %v", left)
	}
	first, err := ownCertificate(dir, "quayside", []string{"library.example.org", "198.51.100.4"}, nil, built, now)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"quayside", "quayside.local", "library.example.org", "198.51.100.4", "127.0.0.1"} {
		if err := first.Leaf.VerifyHostname(name); err != nil {
			t.Error(err)
		}
	}
	info, err := os.Stat(filepath.Join(dir, certificateFile))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	same, err := ownCertificate(dir, "quayside", nil, nil, built, now.AddDate(0, 6, 0))
	if err != nil || fingerprint(same) != fingerprint(first) {
		t.Errorf("half a year later it is another one: %v", err)
	}
	other, err := ownCertificate(dir, "quayside", nil, nil, built, first.Leaf.NotAfter.Add(-certificateEarly))
	if err != nil || fingerprint(other) == fingerprint(first) || !other.Leaf.NotAfter.After(first.Leaf.NotAfter) {
		t.Errorf("near its end it is the same one: %v", err)
	}
	if !regexp.MustCompile(`^([0-9A-F]{2}:){31}[0-9A-F]{2}$`).MatchString(fingerprint(other)) {
		t.Error(fingerprint(other))
	}
	if err := os.WriteFile(filepath.Join(dir, certificateFile), []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ownCertificate(dir, "quayside", nil, nil, built, now); err == nil || !strings.Contains(err.Error(), "remove it") {
		t.Errorf("a torn file: %v", err)
	}
}

// A certificate that somebody supplied is read anew when it is renewed.
func TestASuppliedCertificate(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "supplied.pem")
	built := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	write := func(name string, at time.Time) {
		t.Helper()
		both, err := makeCertificate(name, nil, nil, built, at)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, both, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(file, at, at); err != nil {
			t.Fatal(err)
		}
	}
	d := &Door{Config: Config{Listen: "0.0.0.0:8443", Certificate: file, Key: file}, Dir: dir, Built: built}
	now := time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC)
	if _, err := d.load(now); err == nil || !strings.Contains(err.Error(), "look at certificate and key") {
		t.Errorf("without its file: %v", err)
	}
	write("first", now)
	first, err := d.load(now)
	if err != nil {
		t.Fatal(err)
	}
	write("second", now.Add(time.Hour))
	if same, err := d.load(now.Add(time.Second)); err != nil || same != first {
		t.Errorf("looked at each time: %v", err)
	}
	second, err := d.load(now.Add(2 * time.Minute))
	if err != nil || second.Leaf.Subject.CommonName != "second" {
		t.Errorf("not read anew: %v", err)
	}
	if err := os.WriteFile(file, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	if kept, err := d.load(now.Add(time.Hour)); err != nil || kept.Leaf.Subject.CommonName != "second" {
		t.Errorf("while it is half written: %v", err)
	}
	g := testBox(t, true)
	g.cfg.Certificate = file
	if resp, _ := visit(t, g.handler(), "GET", "/login", nil, beyond("192.0.2.7:8443")); resp.Header.Get("Strict-Transport-Security") == "" {
		t.Error("no strict transport with a supplied certificate")
	}
}

// What browsers will not take is said, and by which name people come is part of it.
func TestDoubtsOfASuppliedCertificate(t *testing.T) {
	file := filepath.Join(t.TempDir(), "supplied.pem")
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	both, err := makeCertificate("quayside", []string{"board.example.org"}, nil, from, from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, both, 0o600); err != nil {
		t.Fatal(err)
	}
	end := from.Add(certificateLasts)
	for _, c := range []struct {
		at    time.Time
		names []string
		want  string // empty: no doubt
	}{
		{from.Add(time.Hour), nil, ""},
		{from.Add(time.Hour), []string{"board.example.org"}, ""},
		{from.Add(time.Hour), []string{"192.0.2.7", "board.example.org"}, ""},
		{from.Add(time.Hour), []string{"else.example.org"}, "is for quayside, quayside.local, localhost, board.example.org"},
		{from.Add(-time.Hour), nil, "valid only from 2026-01-01, and this machine's clock says 2025-12-31"},
		{end.Add(-6 * 24 * time.Hour), nil, "runs out on 2027-02-02"}, // 397 days after 1 January 2026
		{end.Add(-8 * 24 * time.Hour), nil, ""},
		{end.Add(time.Hour), nil, "ran out on 2027-02-02"},
	} {
		err := (&Supplied{Certificate: file, Key: file}).Doubt(c.at, c.names)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("at %s by %v: %v, want %q", c.at, c.names, err, c.want)
		}
	}
	c := Config{Listen: "0.0.0.0:8443", Certificate: file, Key: file, PublicURL: "https://box.example.org:8443"}
	if fault, doubt := c.CheckCertificate(from.Add(time.Hour)); fault != nil || doubt == nil || !strings.Contains(doubt.Error(), "people come by box.example.org") {
		t.Errorf("another name: %v, %v", fault, doubt)
	}
	c.PublicURL = "https://box.example.org" // a proxy's, with a certificate of its own
	if fault, doubt := c.CheckCertificate(from.Add(time.Hour)); fault != nil || doubt != nil {
		t.Errorf("behind a proxy: %v, %v", fault, doubt)
	}
	other, err := makeCertificate("other", nil, nil, from, from)
	if err != nil {
		t.Fatal(err)
	}
	c.Key = filepath.Join(t.TempDir(), "other.pem")
	if err := os.WriteFile(c.Key, other, 0o600); err != nil {
		t.Fatal(err)
	}
	if fault, _ := c.CheckCertificate(from.Add(time.Hour)); fault == nil || !strings.Contains(fault.Error(), "does not match") {
		t.Errorf("a key that is another's: %v", fault)
	}
	c.Certificate = "not-there.pem"
	if fault, doubt := c.CheckCertificate(from.Add(time.Hour)); fault != nil || doubt == nil {
		t.Errorf("not here: %v, %v", fault, doubt)
	}
}

// Pages in the clear are served on this machine and nowhere else.
func TestNothingIsServedInTheClearBeyondThisMachine(t *testing.T) {
	ln, err := net.Listen("tcp", ":0")
	if err != nil {
		t.Fatal(err)
	}
	err = Serve(t.Context(), ln, http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	if err == nil || !strings.Contains(err.Error(), "in the clear") {
		t.Errorf("%v", err)
	}
	if _, err := ln.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("it still listens: %v", err)
	}
}

// What a viewer may not use is not in his pages, and is in a technician's.
func TestAViewersPagesAskNothing(t *testing.T) {
	offers := regexp.MustCompile(`<form method="post" action="([^"]*)"|href="(/mark/|/confirm|/typed|/record/job|/import)`)
	for scene, pages := range map[string][]string{
		"hold": {"/", "/points", "/points/gauge", "/steps", "/steps/vacuum-hold", "/steps/take-off", "/flags", "/ledger", "/branches", "/box", "/more", "/sheet", "/takeoff",
			"/checks", "/checks/valves-shut", "/watch", "/trace?points=gauge&for=2h"},
		"three": {"/", "/record?system=tower", "/record?system=south&job=1"}, "weigh": {"/", "/steps/weigh-in", "/ledger"}, "take-off": {"/takeoff"}, "rooms": {"/", "/steps/cooling-check"}, "branches": {"/", "/branches"}, "count": {"/sheet"}, "checks": {"/checks"},
	} {
		g, err := newGuarded(scene, t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = g.journal.Close() })
		if err := g.settle(); err != nil {
			t.Fatal(err)
		}
		h := g.handler()
		asked := 0
		for _, page := range pages {
			_, text := visit(t, h, "GET", page, nil, from("viewer", g))
			if !strings.Contains(text, " reads\"") {
				t.Errorf("%s, %s is not a viewer's page", scene, page)
			}
			for _, m := range offers.FindAllStringSubmatch(text, -1) {
				if m[1] != "/units" { // his own choice
					t.Errorf("%s, %s offers a viewer %s", scene, page, m[0])
				}
			}
			_, text = visit(t, h, "GET", page, nil, from("technician", g))
			if strings.Contains(text, " reads\"") {
				t.Errorf("%s, %s is a viewer's page to a technician", scene, page)
			}
			for _, m := range offers.FindAllStringSubmatch(text, -1) {
				if m[1] != "/units" {
					asked++
				}
			}
		}
		if asked == 0 && scene != "checks" { // whose list only leads to pages of their own
			t.Errorf("%s offers a technician %d things to do: this test looks for the wrong ones", scene, asked)
		}
	}
}

func addrPort(s string) netip.AddrPort { return netip.MustParseAddrPort(s) }

func readAnswer(t *testing.T, text string) (a PairAnswer) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return a
}

// Who had access stands in the record, not on the curve of a step.
func TestWhoHadAccessIsNoEventOfAStep(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	for _, name := range []string{"access", "oil-changed"} {
		m := Mark{Wall: holdBegun.Add(time.Minute)}
		m.Kind, m.Name = "mark", name
		if got := s.concerns(box.snap, m, box.snap.Running[0]); got != (name == "oil-changed") {
			t.Errorf("%s is an event of the step: %v", name, got)
		}
	}
}

// A link may be passed on; who holds the box still sees it then.
func TestLinksThatOnlyShowLeaveRoom(t *testing.T) {
	s := newFakeBox("hold").screens()
	for range mostShown {
		s.shown <- struct{}{}
	}
	open := func(v people.Visitor) int {
		ctx, cancel := context.WithCancel(people.With(t.Context(), v))
		cancel() // the first event is enough
		w := httptest.NewRecorder()
		s.stream(w, httptest.NewRequestWithContext(ctx, "GET", "/stream?page=now", nil))
		return w.Code
	}
	if code := open(people.Visitor{Role: people.Viewer, Share: "s"}); code != http.StatusServiceUnavailable {
		t.Errorf("one page too many by a link: %d", code)
	}
	if code := open(people.Visitor{Role: people.Technician, Name: "Ana"}); code != http.StatusOK {
		t.Errorf("who has a password: %d", code)
	}
	<-s.shown
	if code := open(people.Visitor{Role: people.Viewer, Share: "s"}); code != http.StatusOK || len(s.shown) != mostShown-1 || len(s.places) != 0 {
		t.Errorf("a page by a link: %d; %d places by links and %d in all are still taken", code, len(s.shown), len(s.places))
	}
}
