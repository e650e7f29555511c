package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/people"
)

// lockedBoard is a board with a password, by https through a proxy.
func lockedBoard(t *testing.T) (*board, http.Handler) {
	t.Helper()
	kept, err := people.HashAlone(t.Context(), "a long pass phrase")
	if err != nil {
		t.Fatal(err)
	}
	p, err := people.NewAlone(kept)
	if err != nil {
		t.Fatal(err)
	}
	b := newBoard(BoardConfig{Name: "Desk", PublicURL: "https://board.example.org", Zone: zone}, newFakeFleet(), p, asPrinted)
	return b, b.handler()
}

func TestNobodySeesALockedBoard(t *testing.T) {
	b, h := lockedBoard(t)
	public := func(r *http.Request) { r.Host = "board.example.org" }
	for _, path := range []string{"/", "/boxes/company/quayside", "/?q=x", "/nothing", "//", "/door/../", "/boxes/company/%2e%2e", "/door/"} {
		resp, text := visit(t, h, "GET", path, nil, public)
		if resp.StatusCode == 200 || strings.Contains(text, "Quayside Library") {
			t.Errorf("%s: %d\n%s", path, resp.StatusCode, text)
		}
	}
	for _, path := range []string{"/stream?page=boxes", "/curve?broker=company&box=quayside&point=gauge&hours=4"} {
		if resp, _ := visit(t, h, "GET", path, nil, public); resp.StatusCode != 401 {
			t.Errorf("%s: %d", path, resp.StatusCode)
		}
	}
	if resp, _ := visit(t, h, "POST", "/units", url.Values{"units": {"si"}}, public); resp.StatusCode != 401 {
		t.Errorf("a form without the password: %d", resp.StatusCode)
	}
	resp, _ := visit(t, h, "POST", "/door", url.Values{"password": {"a long pass phrase"}, "back": {"https://evil.example.org"}}, public)
	if resp.StatusCode != 303 || resp.Header.Get("Location") != "/" || len(resp.Cookies()) != 1 {
		t.Fatalf("with the password: %d %v", resp.StatusCode, resp.Header)
	}
	c := resp.Cookies()[0]
	if c.Name != "__Host-board" || !c.HttpOnly || !c.Secure || c.SameSite != http.SameSiteStrictMode || c.Path != "/" {
		t.Errorf("the cookie is %+v", c)
	}
	with := func(value string) func(*http.Request) {
		return func(r *http.Request) {
			public(r)
			r.AddCookie(&http.Cookie{Name: c.Name, Value: value})
		}
	}
	if resp, text := visit(t, h, "GET", "/", nil, with(c.Value)); resp.StatusCode != 200 || !strings.Contains(text, "Quayside Library") {
		t.Errorf("with the cookie: %d", resp.StatusCode)
	}
	until, mac, _ := strings.Cut(c.Value, ".")
	for what, value := range map[string]string{"another time": "9999999999." + mac, "no mac": until + ".", "no time": "." + mac, "nothing": "", "half": mac, "spaces": " " + c.Value + " x"} {
		if resp, _ := visit(t, h, "GET", "/", nil, with(value)); resp.StatusCode == 200 {
			t.Errorf("a cookie with %s opens", what)
		}
	}
	now := b.now()
	b.now = func() time.Time { return now.Add(staysOpen + time.Hour) }
	if resp, _ := visit(t, b.handler(), "GET", "/", nil, with(c.Value)); resp.StatusCode == 200 {
		t.Error("a cookie that is over opens")
	}
	if resp, _ := visit(t, h, "POST", "/leave", url.Values{}, with(c.Value)); resp.StatusCode != 303 || resp.Cookies()[0].MaxAge >= 0 {
		t.Errorf("leaving: %d %v", resp.StatusCode, resp.Cookies())
	}
	_, other := lockedBoard(t) // the same words, hashed anew: whoever was in is out
	if resp, _ := visit(t, other, "GET", "/", nil, with(c.Value)); resp.StatusCode == 200 {
		t.Error("a cookie of another password opens")
	}
}

func TestGuessingAtTheBoard(t *testing.T) {
	_, h := lockedBoard(t)
	opened, waited := 0, 0
	for i := range 1000 {
		resp, text := visit(t, h, "POST", "/door", url.Values{"password": {fmt.Sprintf("guess number %d", i)}})
		switch resp.StatusCode {
		case 429:
			waited++
			if resp.Header.Get("Retry-After") == "" || !strings.Contains(text, "Try again in") {
				t.Fatal("it does not say how long to wait")
			}
		case 401:
		default:
			opened++
		}
	}
	if opened != 0 || waited < 900 {
		t.Errorf("of 1000 guesses %d opened and %d were made to wait", opened, waited)
	}
	// Somebody elsewhere is not kept out by that.
	elsewhere := func(r *http.Request) { r.RemoteAddr = "192.0.2.7:1234" }
	if resp, _ := visit(t, h, "POST", "/door", url.Values{"password": {"a long pass phrase"}}, elsewhere); resp.StatusCode != 303 {
		t.Errorf("the right one from elsewhere: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "POST", "/door", url.Values{"password": {strings.Repeat("x", 5000)}}, elsewhere); resp.StatusCode != 401 {
		t.Errorf("a password of 5000 letters: %d", resp.StatusCode)
	}
}

func TestOthersPagesAndNamesStayOut(t *testing.T) {
	_, h := lockedBoard(t)
	for _, host := range []string{"evil.example.org", "127.0.0.1.evil.example.org", "192.0.2.1:8092", "board.example.org:81", ""} {
		if resp, _ := visit(t, h, "GET", "/door", nil, func(r *http.Request) { r.Host = host }); resp.StatusCode != 421 {
			t.Errorf("host %q: %d", host, resp.StatusCode)
		}
	}
	for _, change := range []func(*http.Request){
		func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		func(r *http.Request) {
			r.Header.Del("Sec-Fetch-Site")
			r.Header.Set("Origin", "https://evil.example.org")
		},
	} {
		if resp, _ := visit(t, h, "POST", "/door", url.Values{"password": {"a long pass phrase"}}, change); resp.StatusCode != 403 {
			t.Errorf("a form of another site: %d", resp.StatusCode)
		}
	}
	resp, _ := visit(t, h, "GET", "/door", nil)
	for key, want := range map[string]string{"Content-Security-Policy": policy, "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "X-Content-Type-Options": "nosniff"} {
		if resp.Header.Get(key) != want {
			t.Errorf("%s: %q", key, resp.Header.Get(key))
		}
	}
	if resp.Header.Get("Strict-Transport-Security") == "" {
		t.Error("by https without strict transport")
	}
}
