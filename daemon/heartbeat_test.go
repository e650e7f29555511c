package daemon

import (
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/config"
	"standwatch/sensors"
)

type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		beats, status, quiet := 0, 204, time.Second
		h := newHeartbeat(Heartbeat{URL: "https://away.example.org/s3cret", Method: "GET", Every: time.Minute, Timeout: 10 * time.Second},
			func() time.Duration { mu.Lock(); defer mu.Unlock(); return quiet })
		h.travel = roundTrip(func(r *http.Request) (*http.Response, error) {
			mu.Lock()
			defer mu.Unlock()
			if beats++; status == 0 {
				return nil, errors.New("no route")
			}
			return &http.Response{StatusCode: status, Body: http.NoBody, Request: r}, nil
		})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { _ = h.Run(ctx); close(done) }()
		want := func(what string, n int, ok bool, says string) {
			t.Helper()
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			if st := h.State(); beats != n || st.OK != ok || !strings.Contains(st.Sentence, says) || strings.Contains(st.Sentence, "s3cret") {
				t.Errorf("%s: %d beats, %+v", what, beats, st)
			}
			beats = 0
		}
		set := func(s int, q time.Duration) { mu.Lock(); status, quiet = s, q; mu.Unlock() }
		time.Sleep(150 * time.Second)
		want("well", 3, true, "up to date")
		set(204, 20*time.Second)
		time.Sleep(time.Minute)
		want("readings are not kept: silence", 0, false, "have not been kept for 20s")
		set(302, time.Second)
		time.Sleep(time.Minute)
		want("a captive portal", 1, false, "answers 302")
		set(0, time.Second)
		time.Sleep(time.Minute)
		want("no network", 1, false, "is not reached: no route")
		set(200, time.Second)
		time.Sleep(time.Minute)
		want("well again", 1, true, "up to date")
		cancel()
		<-done
	})
}

func TestHeartbeatSettings(t *testing.T) {
	read := func(text string) (*Heartbeat, []error) {
		file := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(file, []byte("site: {name: Quayside Library}\nsystem: {refrigerant: R-410A}\nbox: {heartbeat: "+text+"}\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		s, errs := config.Load(file, nil)
		return readHeartbeat(s.Heartbeat, &errs), errs
	}
	if h, errs := read("{url: 'https://away.example.org/x', method: post, every: 5min}"); errs != nil || *h != (Heartbeat{URL: "https://away.example.org/x", Method: "POST", Every: 5 * time.Minute, Timeout: 10 * time.Second}) {
		t.Errorf("%+v, %v", h, errs)
	}
	for text, n := range map[string]int{"{}": 1, "{url: away, every: 1s}": 3, "{url: 'http://a', url_file: f}": 1, "{url: 'http://a', timeout: 2min}": 1} {
		if _, errs := read(text); len(errs) != n {
			t.Errorf("%s: %v", text, errs)
		}
	}
}

// The loop says when it last turned and all was kept.
func TestTheLoopTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, j := boxOf(t, testSite(), t.TempDir(), script(func(context.Context, sensors.Emit) {}))
		defer j.Close()
		run(t, d, func(context.Context) {
			time.Sleep(time.Minute) // no instrument says anything
			synctest.Wait()
			if quiet := d.loop.quiet(); quiet > 2*time.Second {
				t.Errorf("a box whose instruments are silent has not turned for %v", quiet)
			}
		})
		time.Sleep(time.Minute)
		if quiet := d.loop.quiet(); quiet < time.Minute {
			t.Errorf("one that has stopped turned %v ago", quiet)
		}
	})
}
