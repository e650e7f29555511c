package outbox

import (
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"standwatch/rules"
)

// A webhook that answers later than the time-out, each time, takes every message all
// the same, in order. Nothing behind the first one would come otherwise.
func TestASlowWebhookGetsEveryMessage(t *testing.T) {
	const late, timeout = 300 * time.Millisecond, 100 * time.Millisecond
	var mu sync.Mutex
	var keys []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			return
		}
		mu.Lock()
		keys = append(keys, r.Header.Get("Idempotency-Key"))
		mu.Unlock()
		select {
		case <-time.After(late):
			w.WriteHeader(http.StatusOK)
		case <-r.Context().Done(): // nobody waits any more
		}
	}))
	defer srv.Close()
	w := &webhook{Webhook: Webhook{Name: "desk", URL: srv.URL, Least: rules.Tell, Timeout: timeout}}
	for _, key := range []string{"1", "2"} {
		var err error
		for range 5 { // 0.1, 0.2, 0.4 s; twice as many tries as that takes
			if err = w.send(t.Context(), message{Key: key}); err == nil {
				break
			}
		}
		if err != nil {
			t.Fatalf("message %s: %v", key, err)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if tries := slices.Index(keys, "2"); tries < 2 || slices.Contains(keys[tries:], "1") {
		t.Errorf("heard %q; want the first until it is waited for, and then the second", keys)
	}
}

// A host that does not answer at all, or refuses, is not waited for longer than the time-out says.
func TestPatienceIsForWhoWasAsked(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusInternalServerError) }))
	for _, end := range []func(){func() {}, srv.Close} {
		end()
		w := &webhook{Webhook: Webhook{URL: srv.URL, Timeout: time.Second}}
		if err := w.send(t.Context(), message{}); err == nil || w.patience.Load() != 0 {
			t.Errorf("%v: waits %v", err, time.Duration(w.patience.Load()))
		}
	}
	quick := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer quick.Close()
	w := &webhook{Webhook: Webhook{URL: quick.URL, Timeout: 10 * time.Second}}
	w.patience.Store(int64(time.Minute))
	if err := w.send(t.Context(), message{}); err != nil || w.patience.Load() != 0 {
		t.Errorf("%v: who answers in time again is still waited for %v", err, time.Duration(w.patience.Load()))
	}
	w = &webhook{Webhook: Webhook{Timeout: 5 * time.Minute}}
	w.patience.Store(int64(time.Minute))
	if c, err := w.client(); err != nil || c.Timeout != 5*time.Minute {
		t.Errorf("%v: a time-out of the site file is cut to %v", err, c.Timeout)
	}
}

// A test message goes beside the queue, also before the first message has gone: the race detector watches.
func TestAWebhookIsUsedByTwo(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer srv.Close()
	w := &webhook{Webhook: Webhook{URL: srv.URL, Timeout: 10 * time.Second}}
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			if err := w.send(t.Context(), message{}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
}
