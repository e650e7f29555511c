package outbox

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httptrace"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
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

// mute takes each message whole, and answers none.
type mute struct {
	mu    sync.Mutex
	heard []string
}

func (m *mute) RoundTrip(r *http.Request) (*http.Response, error) {
	m.mu.Lock()
	m.heard = append(m.heard, r.Header.Get("Idempotency-Key"))
	m.mu.Unlock()
	httptrace.ContextClientTrace(r.Context()).WroteRequest(httptrace.WroteRequestInfo{})
	<-r.Context().Done()
	return nil, r.Context().Err()
}

// Who never answers however long he is asked gets each message so many times and then
// the next one, in order; that one was given up is said once, and it is kept aside.
func TestWhoNeverAnswersGetsTheNextMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, h := newJournal(t), &mute{}
		f, stop := begin(t, m, h, Webhook{}, true)
		m.find(flag(rules.Raised, rules.Tell, "a", 1), flag(rules.Raised, rules.Tell, "b", 2))
		time.Sleep(40 * time.Minute)
		synctest.Wait()
		stop()
		if len(h.heard) < 2*mostUnanswered || len(h.heard) > 20 {
			t.Errorf("sent %d times: %q", len(h.heard), h.heard)
		}
		if keys := slices.Compact(slices.Clone(h.heard)); len(keys) != 2 {
			t.Errorf("heard %q; want the first so often, then the second", h.heard)
		}
		aside := m.aside("outbox:phone")
		if len(aside) != 2 || !strings.Contains(aside[0], "may have arrived") || !strings.Contains(aside[0], "does not answer within 1m0s") {
			t.Errorf("set aside %q", aside)
		}
		if st := f.State(); !st.OK || st.Waiting != 0 || st.Quarantined != 2 || !strings.Contains(st.Sentence, "never answered") {
			t.Errorf("state %+v", st)
		}
	})
}

// Who answers late now and then is heard out, and who was not asked at all is not given up: the tries of one message do not count for another.
func TestTriesAreCountedForOneMessage(t *testing.T) {
	f := newFollower(Parts{}, destination{name: "desk"})
	late := &unanswered{errors.New("late")}
	var refused *refusal
	for range mostUnanswered - 1 {
		if err := f.givenUp("1", late); errors.As(err, &refused) {
			t.Fatalf("given up too early: %v", err)
		}
	}
	for range mostUnanswered - 1 {
		if err := f.givenUp("2", late); errors.As(err, &refused) {
			t.Fatalf("the tries of another message count: %v", err)
		}
	}
	if err := f.givenUp("2", errors.New("no route to host")); errors.As(err, &refused) {
		t.Fatal("a message that was not sent is given up")
	}
	if err := f.givenUp("2", late); !errors.As(err, &refused) {
		t.Fatalf("not given up: %v", err)
	}
}

// RFC 9110, section 10.2.3 and section 15.6.4; RFC 6585, section 4.
func TestOnlyWhoNamesATimeAsksToWait(t *testing.T) {
	for _, c := range []struct {
		status int
		after  string
		asks   time.Duration
	}{
		{http.StatusInternalServerError, "", 0}, {http.StatusInternalServerError, "30", 0}, {http.StatusBadGateway, "", 0},
		{http.StatusServiceUnavailable, "", 0}, {http.StatusServiceUnavailable, "30", 30 * time.Second},
		{http.StatusTooManyRequests, "", 0}, {http.StatusTooManyRequests, "7", 7 * time.Second},
		{http.StatusServiceUnavailable, "Fri, 27 Nov 2026 17:00:00 GMT", 0},
	} {
		resp := &http.Response{StatusCode: c.status, Header: http.Header{}}
		if c.after != "" {
			resp.Header.Set("Retry-After", c.after)
		}
		err := judge(resp, "busy")
		var p *postponed
		var r *refusal
		switch asks := errors.As(err, &p); {
		case err == nil || errors.As(err, &r) || !strings.Contains(err.Error(), "busy"):
			t.Errorf("%d, %q: %v", c.status, c.after, err)
		case asks != (c.asks > 0), asks != strings.Contains(err.Error(), "asks to wait"), asks && p.after != c.asks:
			t.Errorf("%d, %q: %v; asks %v", c.status, c.after, err, asks)
		}
	}
}
