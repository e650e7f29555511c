package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

type client struct {
	t    *testing.T
	body *bufio.Reader
}

func connect(t *testing.T, base, query string) (*client, func()) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute) // ends a hung test; says nothing of speed
	r, err := http.NewRequestWithContext(ctx, "GET", base+"/stream?"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if got := resp.Header.Get("Content-Type"); resp.StatusCode != 200 || got != "text/event-stream" || resp.Header.Get("X-Accel-Buffering") != "no" {
		t.Fatalf("%d %s %v", resp.StatusCode, got, resp.Header)
	}
	return &client{t, bufio.NewReader(resp.Body)}, func() { cancel(); resp.Body.Close() }
}

// next reads one event, or a comment as an event without parts.
func (c *client) next() (id string, u update) {
	c.t.Helper()
	for {
		line, err := c.body.ReadString('\n')
		if err != nil {
			c.t.Fatal(err)
		}
		line = strings.TrimSuffix(line, "\n")
		switch {
		case strings.HasPrefix(line, ":"):
			return "ping", u
		case strings.HasPrefix(line, "id: "):
			id = line[4:]
		case strings.HasPrefix(line, "data: "):
			if err := json.Unmarshal([]byte(line[6:]), &u); err != nil {
				c.t.Fatalf("%v in %q", err, line)
			}
		case line == "" && id != "":
			return id, u
		}
	}
}

func TestAStreamSendsWhatChanged(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	s.beat = 10 * time.Millisecond
	server := httptest.NewServer(s.handler())
	defer server.Close()
	c, stop := connect(t, server.URL, "page=now")
	defer stop()
	id, u := c.next()
	if id != "1" || !strings.Contains(u.Parts["lead"]+u.Parts["figure"], "373\u00a0micron") || u.Parts["others"] == "" || u.Clock != "03:25:20" {
		t.Fatalf("event %s: %v", id, u)
	}
	if _, ok := u.Parts["leadcurve"]; ok {
		t.Error("a page that draws by itself got a picture")
	}
	box.tick("hold")
	id, u = c.next()
	if id != "2" || u.Clock != "03:25:21" || u.Parts["lead"] == "" {
		t.Errorf("event %s: %v", id, u)
	}
	if _, ok := u.Parts["openflags"]; ok {
		t.Error("what did not change was sent again")
	}
}

func TestAPageWithoutTheLibraryGetsPictures(t *testing.T) {
	s := newFakeBox("hold").screens()
	server := httptest.NewServer(s.handler())
	defer server.Close()
	c, stop := connect(t, server.URL, "page=now&svg=1")
	defer stop()
	if _, u := c.next(); !strings.Contains(u.Parts["leadcurve"], "<svg") {
		t.Errorf("no picture in %v", u.Parts)
	}
}

func TestAQuietStreamIsKeptAlive(t *testing.T) {
	box := newFakeBox("old")
	s := box.screens()
	s.beat, s.ping = 5*time.Millisecond, 20*time.Millisecond
	server := httptest.NewServer(s.handler())
	defer server.Close()
	c, stop := connect(t, server.URL, "page=box")
	defer stop()
	c.next()
	if id, _ := c.next(); id != "ping" {
		t.Errorf("event %s while nothing happened", id)
	}
}

func TestTooManyPagesAreTold(t *testing.T) {
	s := newFakeBox("hold").screens()
	s.places = make(chan struct{}, 2)
	server := httptest.NewServer(s.handler())
	defer server.Close()
	for range 2 {
		c, stop := connect(t, server.URL, "page=now")
		defer stop()
		c.next()
	}
	resp, err := http.Get(server.URL + "/stream?page=now")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusServiceUnavailable || resp.Header.Get("Retry-After") == "" {
		t.Errorf("the third page: %d", resp.StatusCode)
	}
}

func TestAClosedPageGivesItsPlaceBack(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	s.beat = 5 * time.Millisecond
	s.places = make(chan struct{}, 1)
	server := httptest.NewServer(s.handler())
	defer server.Close()
	c, stop := connect(t, server.URL, "page=now")
	c.next()
	stop()
	for end := time.Now().Add(2 * time.Minute); len(s.places) > 0; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the place is still taken")
		}
	}
	box.mu.Lock()
	defer box.mu.Unlock()
	if len(box.slots) != 0 {
		t.Errorf("%d watchers are left", len(box.slots))
	}
}

// The server's time-outs are for those who stall, not for a page left open.
func TestAStreamOutlivesTheServersTimeouts(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	s.beat, s.ping = 10*time.Millisecond, 20*time.Millisecond
	ctx, stop := context.WithCancel(t.Context())
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := server(ctx, s.handler(), slog.New(slog.DiscardHandler))
	srv.ReadTimeout, srv.WriteTimeout = 100*time.Millisecond, 100*time.Millisecond
	done := make(chan error, 1)
	go func() { done <- serve(ctx, srv, ln) }()
	c, leave := connect(t, "http://"+ln.Addr().String(), "page=now")
	defer leave()
	for begun := time.Now(); time.Since(begun) < 500*time.Millisecond; {
		c.next() // fails when the stream ends
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// Pages that never read what they are sent disturb nobody: what goes on in the
// box does not wait for them, a page that does read has the news, each of them
// holds one event at most, and their places come back.
func TestFiftyStalledPagesDisturbNobody(t *testing.T) {
	box := newFakeBox("hold")
	s := box.screens()
	s.beat = 5 * time.Millisecond
	ctx, end := context.WithCancel(t.Context())
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- serve(ctx, server(ctx, s.handler(), slog.New(slog.DiscardHandler)), ln) }()
	for range 50 {
		c, err := net.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if err := c.(*net.TCPConn).SetReadBuffer(2048); err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Fprintf(c, "GET /stream?page=flags HTTP/1.1\r\nHost: %s\r\n\r\n", ln.Addr()); err != nil {
			t.Fatal(err)
		}
	}
	reads, leave := connect(t, "http://"+ln.Addr().String(), "page=now")
	defer leave()
	for until := time.Now().Add(2 * time.Minute); len(s.places) < 51; time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("%d of 51 pages are open", len(s.places))
		}
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	padding := strings.Repeat("what happened ", 5000) // a page of flags that fills any socket's buffer
	for i := range 60 {
		box.change(func(n *Snapshot) {
			n.Wall = n.Wall.Add(time.Second)
			n.Recent = append([]Finding{{Finding: rules.Finding{Edge: rules.Raised, Flag: "point-silent", Text: padding}, ID: int64(1000 + i)}}, n.Recent[:3]...)
		})
		time.Sleep(time.Millisecond)
	}
	box.change(func(n *Snapshot) {
		news := rules.Finding{Edge: rules.Raised, Flag: "scale-silent", Urgency: rules.Wake, Text: "The scale is silent."}
		n.Flags = append(n.Flags, Flag{Flag: rules.Flag{Finding: news}, Raised: n.Wall})
	})
	for !strings.Contains(func() string { _, u := reads.next(); return u.Parts["wakes"] + u.Parts["urgent"] }(), "The scale is silent.") { // fails when the stream ends
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	// A page of flags is some 4 x 70 kB: a queue of all 60 for each of fifty would be 840 MB.
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 200<<20 {
		t.Errorf("fifty stalled pages hold %d MB", grown>>20)
	} else {
		t.Logf("fifty stalled pages hold %d MB", grown>>20)
	}
	end()
	if err := <-served; err != nil {
		t.Error(err)
	}
	for until := time.Now().Add(2 * time.Minute); len(s.places) > 0; time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("%d places are still taken", len(s.places))
		}
	}
}
