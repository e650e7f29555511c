package web

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/sensors"
)

func TestOnlyTheBoxsOwnNamesAreAnswered(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	s.cfg.PublicURL = "https://box.example.org"
	h := s.handler()
	for host, want := range map[string]int{
		"127.0.0.1:8090": 200, "localhost": 200, "LOCALHOST:8090": 200, "[::1]:8090": 200, "127.0.0.2:1": 200, "box.example.org": 401, // known, and not let in
		"evil.example": 421, "localhost.evil.example": 421, "127.0.0.1.evil.example": 421, "box.example.org.evil.example": 421,
		"192.0.2.7:8090": 421, "": 421, "evil.example:8090": 421, "0.0.0.0:8090": 421,
	} {
		resp, _ := visit(t, h, "GET", "/", nil, func(r *http.Request) { r.Host = host })
		if resp.StatusCode != want {
			t.Errorf("host %q: %d, want %d", host, resp.StatusCode, want)
		}
	}
}

func TestFormsFromElsewhereAreRefused(t *testing.T) {
	ours := form("kind", "mark", "name", "oil-changed")
	for name, c := range map[string]struct {
		change func(*http.Request)
		want   int
	}{
		"our page":              {func(r *http.Request) {}, 303},
		"another site":          {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403},
		"a sister site":         {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, 403},
		"another site, plainly": {func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "http://evil.example") }, 403},
		"a page without origin": {func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "null") }, 403},
		"our page, plainly":     {func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "http://127.0.0.1:8090") }, 303},
		"another port of ours":  {func(r *http.Request) { r.Header.Del("Sec-Fetch-Site"); r.Header.Set("Origin", "http://127.0.0.1:9999") }, 403},
		"the public page": {func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Origin", "https://box.example.org")
		}, 303},
		"another program by hand": {func(r *http.Request) { r.Header.Del("Sec-Fetch-Site") }, 303},
	} {
		box := newFakeBox("hold")
		s := box.screens()
		s.cfg.PublicURL = "https://box.example.org"
		resp, text := visit(t, s.handler(), "POST", "/marks", ours, c.change)
		if resp.StatusCode != c.want || (c.want == 403) != (len(box.told) == 0) {
			t.Errorf("%s: %d, recorded %v, want %d\n%s", name, resp.StatusCode, box.told, c.want, text)
		}
	}
}

func TestEveryAnswerTellsTheBrowserWhatItMayDo(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	for _, target := range []string{"/", "/nothing", "/assets/app.js", "/curve?point=gauge", "/curve?point=nothing"} {
		resp, text := visit(t, h, "GET", target, nil)
		for name, want := range map[string]string{"Content-Security-Policy": "default-src 'none'", "X-Content-Type-Options": "nosniff",
			"Referrer-Policy": "same-origin", "X-Frame-Options": "DENY"} {
			if !strings.Contains(resp.Header.Get(name), want) {
				t.Errorf("%s: %s is %q", target, name, resp.Header.Get(name))
			}
		}
		if csp := resp.Header.Get("Content-Security-Policy"); strings.Contains(csp, "unsafe") {
			t.Errorf("%s: %s", target, csp)
		}
		for _, inline := range []string{" style=\"", " onclick=", "<style", "<script>"} {
			if strings.Contains(text, inline) && !strings.HasPrefix(target, "/assets") {
				t.Errorf("%s has %q, which the policy forbids", target, inline)
			}
		}
	}
}

func TestAssetsAreFilesNotFolders(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	for target, want := range map[string]int{"/assets/app.js": 200, "/assets/style.css": 200, "/assets/vendor/README": 200,
		"/assets/": 404, "/assets/vendor/": 404, "/assets/../server.go": 307, "/assets/%2e%2e/server.go": 404} {
		if resp, _ := visit(t, h, "GET", target, nil); resp.StatusCode != want {
			t.Errorf("%s: %d, want %d", target, resp.StatusCode, want)
		}
	}
}

func TestUnknownPagesSayWhatToDo(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	for target, want := range map[string]int{"/nothing": 404, "/steps/lunch": 404, "/steps/draw-in?system=roof": 404, "/points/nothing": 404, "/mark/nothing": 404,
		"/confirm?do=end&step=lunch": 404, "/confirm?do=dance&step=draw-in": 404, "/stream?page=nothing": 404, "/curve?step=tea-break": 404,
		"/curve?point=gauge&from=5&to=1": 400, "/curve?point=gauge&from=x": 400} {
		resp, text := visit(t, h, "GET", target, nil)
		if resp.StatusCode != want || !strings.Contains(text, "To Now") {
			t.Errorf("%s: %d, want %d\n%s", target, resp.StatusCode, want, text)
		}
	}
}

func TestServeEndsInOrderWithOpenStreams(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		done <- Serve(ctx, ln, newFakeBox("hold").screens().handler(), slog.New(slog.DiscardHandler))
	}()
	resp, err := http.Get("http://" + ln.Addr().String() + "/stream?page=now")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	first := make([]byte, 6)
	if _, err := io.ReadFull(resp.Body, first); err != nil || string(first) != "id: 1\n" {
		t.Fatalf("%q, %v", first, err)
	}
	stop()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("it never ended")
	}
	_, err = io.ReadAll(resp.Body)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Error(err)
	}
}

func TestConfigOfThePages(t *testing.T) {
	type keys map[string]string
	read := func(k keys) (Config, []error) {
		n := sensors.Node{File: "site.yaml", Kind: sensors.Mapping, Line: 1, Column: 1}
		for key, text := range k {
			n.Fields = append(n.Fields, sensors.Field{Key: key, Line: 2, Col: 3, Value: sensors.Node{File: "site.yaml", Line: 2, Column: 11, Kind: sensors.Scalar, Text: text}})
		}
		var faults []error
		return Read(n, &faults), faults
	}
	for _, c := range []struct {
		keys   keys
		local  string
		beyond bool
	}{
		{keys{}, DefaultListen, false},
		{keys{"listen": "127.0.0.1:80"}, "127.0.0.1:80", false},
		{keys{"listen": "localhost:1", "public_url": "https://box.example.org/"}, "localhost:1", false},
		{keys{"listen": "[::1]:8090"}, "[::1]:8090", false},
		{keys{"listen": "0.0.0.0:8443"}, DefaultListen, true},
		{keys{"listen": ":8443", "local": "127.0.0.1:8091"}, "127.0.0.1:8091", true},
		{keys{"listen": "192.0.2.7:8443", "names": "quayside.example.org", "certificate": "c.pem", "key": "k.pem"}, DefaultListen, true},
		{keys{"public_url": "http://localhost:9000"}, DefaultListen, false},
	} {
		got, faults := read(c.keys)
		if len(faults) > 0 || got.Local != c.local || got.Beyond() != c.beyond {
			t.Errorf("%v: local %q, beyond %v, %v", c.keys, got.Local, got.Beyond(), faults)
		}
	}
	for _, c := range []struct {
		keys keys
		want string
	}{
		{keys{"listen": "box.example.org:8090"}, "is no address"},
		{keys{"listen": "127.0.0.1"}, "not an address with a port"},
		{keys{"listen": "127.0.0.1:99999"}, "no port"},
		{keys{"listen": "0.0.0.0:8443", "local": "0.0.0.0:8090"}, "local: "},
		{keys{"public_url": "box.example.org"}, "front door"},
		{keys{"public_url": "ftp://box.example.org"}, "front door"},
		{keys{"public_url": "https://box.example.org/screens"}, "front door"},
		{keys{"public_url": "https://me@box.example.org"}, "front door"},
		{keys{"public_url": "http://box.example.org"}, "shows passwords"},
		{keys{"certificate": "c.pem"}, "belong together"},
		{keys{"names": "https://box"}, "neither a host's name nor an address"},
		{keys{"certificat": "c.pem"}, "unknown key"},
	} {
		if _, faults := read(c.keys); len(faults) != 1 || !strings.Contains(faults[0].Error(), c.want) || !strings.HasPrefix(faults[0].Error(), "site.yaml:2:") {
			t.Errorf("%v: %v, want %q", c.keys, faults, c.want)
		}
	}
	if c, _ := read(keys{"public_url": "https://box.example.org/"}); c.URL() != "https://box.example.org" {
		t.Errorf("%q", c.URL())
	}
	if c, _ := read(keys{"listen": "192.0.2.7:8443"}); c.URL() != "https://192.0.2.7:8443" || c.Abroad() != c.URL() || c.OnlyHere() {
		t.Errorf("%q, from elsewhere %q", c.URL(), c.Abroad())
	}
	for _, k := range []keys{{}, {"public_url": "http://localhost:9000"}, {"listen": "[::1]:80"}} {
		if c, _ := read(k); c.Abroad() != "" || !c.OnlyHere() {
			t.Errorf("%v: other machines are sent to %q", k, c.Abroad())
		}
	}
	if c, _ := read(keys{"public_url": "https://box.example.org"}); c.Abroad() != "https://box.example.org" || c.OnlyHere() {
		t.Errorf("behind a proxy other machines are sent to %q", c.Abroad())
	}
}

// The page Box says when messages carry no link.
func TestTheBoxSaysThatNoPhoneCouldFollowALink(t *testing.T) {
	const says = "carry no link that acknowledges"
	box := newFakeBox("hold")
	page := func(c Config) string {
		s := box.screens()
		s.cfg = c
		_, text := visit(t, s.handler(), "GET", "/box", nil)
		return text
	}
	here, abroad := Config{Listen: DefaultListen, Local: DefaultListen}, Config{Listen: DefaultListen, Local: DefaultListen, PublicURL: "https://box.example.org"}
	if text := page(here); strings.Contains(text, says) {
		t.Error("it says so of a box that sends no messages")
	}
	box.snap.Outward = append(box.snap.Outward, journal.FollowerState{Name: "outbox:mail", OK: true, Sentence: "up to date"})
	if text := page(here); !strings.Contains(text, says) {
		t.Error("it does not say so")
	}
	if text := page(abroad); strings.Contains(text, says) {
		t.Error("it says so of a box that phones reach")
	}
}
