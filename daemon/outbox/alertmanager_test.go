package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// shelf is a shelf in memory.
type shelf struct {
	mu     sync.Mutex
	things map[string][]byte
}

func (s *shelf) Get(_ context.Context, key string, v any) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, ok := s.things[key]
	if !ok {
		return false, nil
	}
	return true, json.Unmarshal(b, v)
}

func (s *shelf) Put(key string, v any) error {
	b, err := json.Marshal(v)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.things == nil {
		s.things = map[string][]byte{}
	}
	s.things[key] = b
	return err
}

// standing is what stands on a box: the flags that are open.
type standing struct {
	mu      sync.Mutex
	flags   []Standing
	changed chan struct{}
}

func (s *standing) set(flags ...Standing) {
	s.mu.Lock()
	s.flags = flags
	s.mu.Unlock()
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

func (s *standing) open() []Standing {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.flags)
}

func (s *standing) watch() (<-chan struct{}, func()) { return s.changed, func() {} }

func (s *standing) parts(c AlertServer, keep Shelf) AlertParts {
	return AlertParts{Config: c, Box: "quayside", Site: "Quayside Library", Open: s.open, Watch: s.watch, Shelf: keep, Log: slog.New(slog.DiscardHandler)}
}

func vacuumRising(age time.Duration) Standing {
	return Standing{Raised: time.UnixMilli(morning), Age: age, Flag: rules.Flag{Finding: rules.Finding{
		Edge: rules.Raised, Flag: "vacuum-rising", System: "south", Step: "vacuum-hold", Subject: "gauge", Urgency: rules.Wake,
		Text: "The vacuum stands at 501 micron and rises. Do not charge: find the leak, or pump on."}}}
}

func pointSilent() Standing {
	return Standing{Raised: time.UnixMilli(morning), Flag: rules.Flag{Finding: rules.Finding{
		Edge: rules.Raised, Flag: "point-silent", Subject: "scale", Urgency: rules.Tell, Text: "scale silent for 60 s."}}}
}

// am stands in for an Alertmanager: what it was posted, and how it answers.
type am struct {
	mu     sync.Mutex
	posts  [][]alert
	now    func() time.Time
	answer func(*http.Request) (int, string, error)
}

func (a *am) RoundTrip(r *http.Request) (*http.Response, error) {
	body, _ := io.ReadAll(r.Body)
	a.mu.Lock()
	defer a.mu.Unlock()
	status, kind, err := 200, "", error(nil)
	if a.answer != nil {
		status, kind, err = a.answer(r)
	}
	if err != nil {
		return nil, err
	}
	var posted []alert
	if err := json.Unmarshal(body, &posted); err != nil || r.URL.Path != "/api/v2/alerts" || r.Method != http.MethodPost {
		return nil, fmt.Errorf("%s %s %s: %v", r.Method, r.URL.Path, body, err)
	}
	if status == 200 && kind == "" && len(posted) > 0 {
		a.posts = append(a.posts, posted)
	}
	return &http.Response{StatusCode: status, Body: http.NoBody, Request: r,
		Header: http.Header{"Date": {a.now().UTC().Format(http.TimeFormat)}, "Content-Type": {kind}}}, nil
}

// said are the posts so far, each alert by its name and whether it has ended by the server's clock.
func (a *am) said() (said []string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, p := range a.posts {
		var s []string
		for _, x := range p {
			ends, _ := time.Parse(time.RFC3339, x.EndsAt)
			s = append(s, fmt.Sprintf("%s ended=%v", x.Labels["alertname"], ends.Before(a.now())))
		}
		said = append(said, strings.Join(s, ", "))
	}
	a.posts = nil
	return said
}

func TestAlertsAreTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The box believes that it is 2000 (as a bubble does); the server knows better.
		off := 26 * 365 * 24 * time.Hour
		server := &am{now: func() time.Time { return time.Now().Add(off) }}
		s, keep := &standing{changed: make(chan struct{}, 1)}, &shelf{}
		p := s.parts(AlertServer{Name: "desk", URL: "http://am.example.org", Least: rules.Wake, Timeout: time.Second, Every: time.Minute}, keep)
		p.Transport = server
		want := func(what string, after time.Duration, said ...string) {
			t.Helper()
			time.Sleep(after)
			synctest.Wait()
			if got := server.said(); !slices.Equal(got, said) {
				t.Errorf("%s: told %q, want %q", what, got, said)
			}
		}
		start := func() func() {
			ctx, cancel := context.WithCancel(t.Context())
			a, done := NewAlerts(p), make(chan struct{})
			go func() { _ = a.Run(ctx); close(done) }()
			return func() { cancel(); <-done }
		}
		stop := start()
		want("nothing is open", 10*time.Second)
		s.set(pointSilent())
		want("a tell is not for this server", 10*time.Second)
		s.set(pointSilent(), vacuumRising(90*time.Second))
		time.Sleep(time.Second)
		synctest.Wait()
		server.mu.Lock()
		first := server.posts[0][0]
		server.mu.Unlock()
		begun, _ := time.Parse(time.RFC3339, first.StartsAt)
		if d := server.now().Sub(begun) - 91*time.Second; d < -2*time.Second || d > 2*time.Second {
			t.Errorf("it began at %v, by the server's clock %v ago", begun, server.now().Sub(begun))
		}
		for k, v := range map[string]string{"alertname": "vacuum-rising", "box": "quayside", "site": "Quayside Library",
			"system": "south", "step": "vacuum-hold", "subject": "gauge", "urgency": "wake"} {
			if first.Labels[k] != v {
				t.Errorf("label %s is %q, want %q", k, first.Labels[k], v)
			}
		}
		if len(first.Labels) != 7 || !strings.Contains(first.Annotations["summary"], "501 micron") || len([]rune(first.Annotations["summary"])) > 200 {
			t.Errorf("%+v", first)
		}
		want("within a second", 0, "vacuum-rising ended=false")
		want("and again each minute", 2*time.Minute, "vacuum-rising ended=false", "vacuum-rising ended=false")
		server.mu.Lock()
		server.answer = func(*http.Request) (int, string, error) { return 0, "", errors.New("no route") }
		server.mu.Unlock()
		s.set(pointSilent())
		want("the server is away", time.Minute)
		stop()
		server.mu.Lock()
		server.answer = nil
		server.mu.Unlock()
		stop = start()
		want("what ended while it was away is told by the next run", time.Minute, "vacuum-rising ended=true")
		want("and once", 10*time.Minute)
		stop()
	})
}

func TestAlertsWhoTakesThem(t *testing.T) {
	for name, c := range map[string]struct {
		status     int
		kind, want string
	}{
		"a captive portal": {200, "text/html; charset=utf-8", "does not take it"},
		"a redirect":       {302, "", "does not take it: 302"},
		"not let in":       {401, "", "check its url and who may write there"},
		"away":             {0, "", "does not answer"},
	} {
		server := &am{now: time.Now, answer: func(*http.Request) (int, string, error) {
			if c.status == 0 {
				return 0, "", errors.New("no route")
			}
			return c.status, c.kind, nil
		}}
		s := &standing{}
		p := s.parts(AlertServer{Name: "desk", URL: "http://am.example.org", Timeout: time.Second}, &shelf{})
		p.Transport = server
		a := NewAlerts(p)
		if err := a.tell(t.Context(), nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestRealAlertmanager raises a flag at a real Alertmanager, starts that anew,
// and ends the flag: its receiver must be told of the flag and of its end.
func TestRealAlertmanager(t *testing.T) {
	program, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		t.Fatal("no prometheus-alertmanager: run deploy/check, which installs it")
	}
	notified := make(chan string, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body struct {
			Alerts []struct {
				Status string
				Labels map[string]string
			}
		}
		_ = json.NewDecoder(r.Body).Decode(&body)
		for _, x := range body.Alerts {
			notified <- x.Status + " " + x.Labels["alertname"] + " " + x.Labels["subject"]
		}
	}))
	defer hook.Close()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := ln.Addr().String()
	ln.Close()
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	settings := fmt.Sprintf("route: {receiver: hook, group_wait: 0s, group_interval: 1s, repeat_interval: 1h, group_by: ['...']}\n"+
		"receivers: [{name: hook, webhook_configs: [{url: %q, send_resolved: true}]}]\n", hook.URL)
	if err := os.WriteFile(file, []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}
	serve := func() (stop func()) {
		cmd := exec.Command(program, "--config.file="+file, "--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--cluster.listen-address=")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }
	}
	stop := serve()
	defer func() { stop() }()
	s := &standing{changed: make(chan struct{}, 1)}
	a := NewAlerts(s.parts(AlertServer{Name: "desk", URL: "http://" + address, Timeout: 5 * time.Second, Every: 500 * time.Millisecond}, &shelf{}))
	go func() { _ = a.Run(t.Context()) }()
	next := func(want string) {
		t.Helper()
		select {
		case got := <-notified:
			if got != want {
				t.Fatalf("the receiver was told %q, want %q", got, want)
			}
		case <-time.After(2 * time.Minute):
			t.Fatalf("the receiver was not told %q; the box says: %+v", want, a.State())
		}
	}
	s.set(vacuumRising(time.Minute))
	next("firing vacuum-rising gauge")
	stop()
	stop = serve() // it has forgotten
	deadline := time.Now().Add(2 * time.Minute)
	for active(t, address) != "vacuum-rising" {
		if time.Now().After(deadline) {
			t.Fatalf("the server that was started anew was not told again: %+v", a.State())
		}
		time.Sleep(100 * time.Millisecond)
	}
	s.set()
	for { // one that was started anew may tell of the flag once more
		if got := <-notified; got == "resolved vacuum-rising gauge" {
			break
		} else if got != "firing vacuum-rising gauge" {
			t.Fatalf("the receiver was told %q", got)
		}
	}
	if got := active(t, address); got != "" {
		t.Errorf("still active: %s", got)
	}
	if st := a.State(); !st.OK || st.LastDone.IsZero() {
		t.Errorf("%+v", st)
	}
}

// active are the names of the alerts that a real server holds active.
func active(t *testing.T, address string) string {
	resp, err := http.Get("http://" + address + "/api/v2/alerts?active=true")
	if err != nil {
		return err.Error()
	}
	defer resp.Body.Close()
	var alerts []alert
	if err := json.NewDecoder(resp.Body).Decode(&alerts); err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, x := range alerts {
		names = append(names, x.Labels["alertname"])
	}
	return strings.Join(names, " ")
}
