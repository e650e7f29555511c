package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"zombiezen.com/go/sqlite"

	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/rules"
)

// 2026-03-01T06:00:00Z in Unix ms, checked by date(1).
const morning = int64(1772344800000)

// kept is a journal, and what the tests do with it.
type kept struct {
	*journal.Journal
	t   *testing.T
	dir string
}

// newJournal opens a journal that has begun its first run. In a bubble it is
// opened within.
func newJournal(t *testing.T) *kept {
	t.Helper()
	k := &kept{t: t, dir: t.TempDir()}
	k.open()
	t.Cleanup(func() { _ = k.Close() })
	at := rules.Instant{Boot: 1}
	if err := k.Append([]rules.Entry{{At: at, Body: &rules.Started{}}, {At: at, Body: &rules.Clocked{Wall: morning, Proven: true}}}, nil); err != nil {
		t.Fatal(err)
	}
	return k
}

func (k *kept) open() {
	k.t.Helper()
	j, err := journal.Open(k.t.Context(), k.dir, slog.New(slog.DiscardHandler))
	if err != nil {
		k.t.Fatal(err)
	}
	k.Journal = j
}

func (k *kept) find(fs ...rules.Finding) {
	k.t.Helper()
	if _, err := k.Find(fs); err != nil {
		k.t.Fatal(err)
	}
}

// aside is what a follower set aside, with the reason.
func (k *kept) aside(follower string) (all []string) {
	k.t.Helper()
	conn, err := sqlite.OpenConn(filepath.Join(k.dir, "journal.db"), sqlite.OpenReadOnly)
	if err != nil {
		k.t.Fatal(err)
	}
	defer conn.Close()
	s, err := conn.Prepare("SELECT item, reason FROM quarantine WHERE follower = ? ORDER BY id")
	if err != nil {
		k.t.Fatal(err)
	}
	s.BindText(1, follower)
	for {
		row, err := s.Step()
		if err != nil {
			k.t.Fatal(err)
		}
		if !row {
			_ = s.Reset()
			return all
		}
		all = append(all, s.ColumnText(0)+" | "+s.ColumnText(1))
	}
}

func flag(edge rules.Edge, urgency rules.Urgency, subject string, s int) rules.Finding {
	return rules.Finding{At: rules.Instant{Boot: 1, Since: time.Duration(s) * time.Second}, Edge: edge, Flag: "scale-silent", System: "north", Step: "weigh-in",
		Subject: subject, Urgency: urgency, Points: []string{subject}, Text: "The scale says nothing; look at its battery.", Values: []rules.Value{{Key: "silent_s", Number: 60}}}
}

func verdict(result string, s int) rules.Finding {
	return rules.Finding{At: rules.Instant{Boot: 1, Since: time.Duration(s) * time.Second}, Edge: rules.Given, Flag: "vacuum-hold", Step: "vacuum-hold", System: "north", Result: result, Cause: "none", Text: "Tight."}
}

// hook is a webhook in memory. The zero answer is 200.
type hook struct {
	mu     sync.Mutex
	heard  []string // id and word of what was taken
	keys   []string
	tries  int
	answer func(n int, id int64) (status int, text string, header http.Header, err error)
}

var errLost = errors.New("connection reset by peer") // after the message was taken

func (h *hook) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	var m struct {
		ID                           int64
		Type, State, Urgency, Result string
	}
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.tries++
	status, text, header := 200, "", http.Header{}
	if h.answer != nil {
		if status, text, header, err = h.answer(h.tries, m.ID); err != nil && !errors.Is(err, errLost) {
			return nil, err
		}
	}
	if err != nil || status < 300 {
		word := m.State + " " + m.Urgency
		if m.Type == "verdict" {
			word = m.Result
		}
		h.heard = append(h.heard, fmt.Sprintf("%d %s", m.ID, word))
		h.keys = append(h.keys, req.Header.Get("Idempotency-Key"))
	}
	if err != nil {
		return nil, err
	}
	if header == nil {
		header = http.Header{}
	}
	return &http.Response{StatusCode: status, Header: header, Body: io.NopCloser(strings.NewReader(text)), Request: req}, nil
}

func (h *hook) say(f func(n int, id int64) (int, string, http.Header, error)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.answer = f
}

func (h *hook) got() []string { h.mu.Lock(); defer h.mu.Unlock(); return slices.Clone(h.heard) }

func begin(t *testing.T, m *kept, rt http.RoundTripper, w Webhook, fromNow bool) (f *Follower, stop func()) {
	t.Helper()
	if w.URL == "" {
		w.URL = "http://hook.invalid/in"
	}
	w.Name, w.Timeout = "phone", 10*time.Second
	if w.Least == rules.Note {
		w.Least = rules.Tell
	}
	o := New(Parts{Config: Config{Webhooks: []Webhook{w}, FromNow: fromNow}, Box: "box-1", ID: "j1", Site: "Quayside Library", Journal: m.Journal,
		Links: &Links{make([]byte, 32), at("http://box.local")}, Log: slog.New(slog.DiscardHandler), Transport: rt, Now: runsOn})
	if err := o.Begin(t.Context()); err != nil {
		t.Fatal(err)
	}
	return o.paths[0], run(t, o)
}

// runsOn is the clock of a machine that never stops, and is proven.
func runsOn() clock.Moment {
	now := time.Now()
	return clock.Moment{Machine: "one", Since: time.Duration(now.UnixNano()), Wall: now.UnixMilli(), Proven: true}
}

// run runs the outbox with all its paths until stop is called.
func run(t *testing.T, o *Outbox) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for _, f := range o.Followers() {
		wg.Go(func() {
			if err := f.Run(ctx); err != nil {
				t.Errorf("Run: %v", err)
			}
		})
	}
	return func() { cancel(); wg.Wait() }
}

// What becomes a message, by the least urgency asked for.
func TestWhatIsTold(t *testing.T) {
	all := []rules.Finding{
		flag(rules.Raised, rules.Note, "a", 1),  // 1 never
		flag(rules.Cleared, rules.Note, "a", 2), // 2 its raising was none
		flag(rules.Raised, rules.Tell, "b", 3),  // 3
		flag(rules.Raised, rules.Tell, "b", 4),  // 4 the same again
		flag(rules.Raised, rules.Wake, "b", 5),  // 5 higher
		flag(rules.Raised, rules.Tell, "b", 6),  // 6 lower
		flag(rules.Raised, rules.Tell, "c", 7),  // 7
		flag(rules.Cleared, rules.Tell, "b", 8), // 8
		flag(rules.Cleared, rules.Tell, "c", 9), // 9
		verdict(rules.Passed, 10),               // 10
		flag(rules.Raised, rules.Tell, "b", 11), // 11 anew
		flag(rules.Raised, rules.Note, "d", 12), // 12
		flag(rules.Raised, rules.Wake, "d", 13), // 13
		flag(rules.Cleared, rules.Wake, "d", 14),
	}
	for least, want := range map[rules.Urgency][]string{
		rules.Tell: {"3 raised tell", "5 raised wake", "7 raised tell", "8 cleared tell", "9 cleared tell", "10 passed", "11 raised tell", "13 raised wake", "14 cleared wake"},
		rules.Wake: {"5 raised wake", "8 cleared tell", "13 raised wake", "14 cleared wake"},
	} {
		// At once, and with a restart after every finding.
		for _, restart := range []bool{false, true} {
			t.Run(fmt.Sprint(least, restart), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					m, h := newJournal(t), &hook{}
					_, stop := begin(t, m, h, Webhook{Least: least}, true)
					for _, f := range all {
						synctest.Wait()
						if restart {
							stop()
							_, stop = begin(t, m, h, Webhook{Least: least}, true)
							synctest.Wait()
						}
						m.find(f)
					}
					synctest.Wait()
					stop()
					if got := h.got(); !slices.Equal(got, want) {
						t.Errorf("told %q, want %q", got, want)
					}
				})
			})
		}
	}
}

func TestNewDestinationBeginsNow(t *testing.T) {
	for _, fromNow := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			m, h := newJournal(t), &hook{}
			m.find(flag(rules.Raised, rules.Tell, "old", 1), verdict(rules.Passed, 2))
			_, stop := begin(t, m, h, Webhook{}, fromNow)
			synctest.Wait()
			m.find(flag(rules.Cleared, rules.Tell, "old", 3), flag(rules.Raised, rules.Wake, "new", 4))
			synctest.Wait()
			stop()
			want := []string{"4 raised wake"}
			if !fromNow {
				want = []string{"1 raised tell", "2 passed", "3 cleared tell", "4 raised wake"}
			}
			if got := h.got(); !slices.Equal(got, want) {
				t.Errorf("from now %v: told %q, want %q", fromNow, got, want)
			}
		})
	}
}

// Nobody answers for an hour, with restarts in between and before anything was
// ever taken: each message arrives once, in order, soon after.
func TestAwayForAnHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, h := newJournal(t), &hook{}
		h.say(func(int, int64) (int, string, http.Header, error) {
			return 0, "", nil, errors.New("no route to host")
		})
		f, stop := begin(t, m, h, Webhook{}, true)
		for i := range 60 {
			m.find(flag(rules.Raised, rules.Tell, fmt.Sprint("p", i), 60*i))
			time.Sleep(time.Minute)
			if i%10 == 3 {
				synctest.Wait()
				if st := f.State(); st.OK || st.Waiting != int64(i+1) || !strings.Contains(st.Sentence, "no route to host") {
					t.Errorf("after %d minutes: %+v", i, st)
				}
				stop()
				f, stop = begin(t, m, h, Webhook{}, true)
			}
		}
		h.mu.Lock()
		n := h.tries
		h.mu.Unlock()
		if n < 60 || n > 260 {
			t.Errorf("%d attempts in an hour", n)
		}
		if len(h.got()) != 0 {
			t.Errorf("told %q", h.got())
		}
		h.say(nil)
		time.Sleep(longestPause)
		synctest.Wait()
		stop()
		var want []string
		for i := range 60 {
			want = append(want, fmt.Sprintf("%d raised tell", i+1))
		}
		if got := h.got(); !slices.Equal(got, want) {
			t.Errorf("told %q, want each once in order", got)
		}
		if st := f.State(); !st.OK || st.Waiting != 0 || st.Quarantined != 0 {
			t.Errorf("state %+v", st)
		}
	})
}

// The journal changes all the time, and then falls silent: a call is as late for
// none of it.
func TestCallsComeInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, h := newJournal(t), &hook{}
		begun := time.Now()
		var called []time.Duration
		h.say(func(int, int64) (int, string, http.Header, error) {
			called = append(called, time.Since(begun))
			return 200, "", nil, nil
		})
		_, stop := begin(t, m, h, Webhook{}, true)
		synctest.Wait()
		m.find(flag(rules.Raised, rules.Wake, "scale", 0))
		for i := range 24 { // to the fourth minute
			time.Sleep(10 * time.Second)
			at := rules.Instant{Boot: 1, Since: time.Duration(10*(i+1)) * time.Second}
			if err := m.Append([]rules.Entry{{At: at, Body: &rules.Clocked{Wall: morning + at.Since.Milliseconds(), Proven: true}}}, nil); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(12 * time.Minute)
		synctest.Wait()
		stop()
		if want := []time.Duration{0, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute}; !slices.Equal(called, want) {
			t.Errorf("called after %v, want %v", called, want)
		}
	})
}

// The answer is lost after the message was taken, and the box dies: it comes
// again under the same key, and no other message shares it.
func TestLostAnswerKeepsItsKey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, h := newJournal(t), &hook{}
		h.say(func(n int, _ int64) (int, string, http.Header, error) {
			if n == 1 {
				return 0, "", nil, errLost
			}
			return 202, "", nil, nil
		})
		_, stop := begin(t, m, h, Webhook{}, true)
		synctest.Wait()
		m.find(flag(rules.Raised, rules.Wake, "a", 1), flag(rules.Raised, rules.Wake, "b", 2))
		synctest.Wait()
		stop() // in the first pause
		_, stop = begin(t, m, h, Webhook{}, true)
		synctest.Wait()
		stop()
		if want := []string{"box-1-j1-1", "box-1-j1-1", "box-1-j1-2"}; !slices.Equal(h.keys, want) {
			t.Errorf("keys %q, want %q", h.keys, want)
		}
	})
}

// What each answer means: taken, again later, or refused for good.
func TestAnswers(t *testing.T) {
	for _, row := range []struct {
		status  int
		header  http.Header
		refused bool
		pause   time.Duration // until the next attempt, at least
		most    time.Duration
	}{
		{status: 200}, {status: 201}, {status: 204},
		{status: 400, refused: true}, {status: 413, refused: true}, {status: 422, refused: true},
		{status: 401, pause: 500 * time.Millisecond, most: time.Second}, {status: 403, pause: 500 * time.Millisecond, most: time.Second},
		{status: 404, pause: 500 * time.Millisecond, most: time.Second}, {status: 410, pause: 500 * time.Millisecond, most: time.Second},
		{status: 301, pause: 500 * time.Millisecond, most: time.Second}, {status: 302, pause: 500 * time.Millisecond, most: time.Second},
		{status: 307, pause: 500 * time.Millisecond, most: time.Second},
		{status: 408, pause: 500 * time.Millisecond, most: time.Second}, {status: 425, pause: 500 * time.Millisecond, most: time.Second},
		{status: 429, header: http.Header{"Retry-After": {"9"}}, pause: 9 * time.Second, most: 10 * time.Second},
		{status: 500, pause: 500 * time.Millisecond, most: time.Second}, {status: 503, header: http.Header{"Retry-After": {"86400"}}, pause: time.Minute, most: 67 * time.Second},
	} {
		t.Run(fmt.Sprint(row.status), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, h := newJournal(t), &hook{}
				header := row.header.Clone()
				if row.status < 400 && row.status >= 300 {
					header = http.Header{"Location": {"http://portal.invalid/"}}
				}
				var at []time.Time
				h.say(func(n int, id int64) (int, string, http.Header, error) {
					at = append(at, time.Now())
					if n == 1 {
						return row.status, "go away", header, nil
					}
					return 200, "", nil, nil
				})
				f, stop := begin(t, m, h, Webhook{}, true)
				synctest.Wait()
				m.find(flag(rules.Raised, rules.Wake, "a", 1), flag(rules.Raised, rules.Wake, "b", 2))
				time.Sleep(119 * time.Second) // and no second call yet
				synctest.Wait()
				stop()
				want := []string{"1 raised wake", "2 raised wake"}
				if row.refused {
					want = want[1:]
				}
				if got := h.got(); !slices.Equal(got, want) {
					t.Errorf("told %q, want %q", got, want)
				}
				aside := m.aside("outbox:phone")
				if row.refused != (len(aside) == 1) || row.refused && !(strings.Contains(aside[0], fmt.Sprintf("%d go away", row.status)) && strings.Contains(aside[0], `"id":1`)) {
					t.Errorf("set aside %q", aside)
				}
				if st := f.State(); !st.OK || st.Quarantined != int64(len(aside)) || row.refused && !strings.Contains(st.Sentence, "1 messages") {
					t.Errorf("state %+v", st)
				}
				if d := at[1].Sub(at[0]); d < row.pause || d > row.most {
					t.Errorf("asked again after %v, want %v to %v", d, row.pause, row.most)
				}
			})
		})
	}
}

func TestWebhookOverASocket(t *testing.T) {
	type request struct {
		header http.Header
		body   string
	}
	got := make(chan request, 1)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		got <- request{r.Header, string(b)}
	}))
	defer srv.Close()
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:1") // must not matter
	m := newJournal(t)
	_, stop := begin(t, m, nil, Webhook{URL: srv.URL + "/in?token=t", Secret: "quay"}, false)
	defer stop()
	m.find(flag(rules.Raised, rules.Wake, "scale", 60))
	r := <-got
	want := `{"type":"flag","at":"2026-03-01T06:01:00.000Z","rule":"scale-silent","state":"raised","urgency":"wake","system":"north","step":"weigh-in","subject":"scale","points":["scale"],"text":"The scale says nothing; look at its battery.","values":{"silent_s":60},` +
		`"id":1,"key":"box-1-j1-1","box":"box-1","site":"Quayside Library","clock_proven":true,"ack_url":"http://box.local/flags/ack?id=1\u0026key=KEY\u0026until=86400","sentence":"WAKE: Quayside Library, north: The scale says nothing; look at its battery.",` +
		`"message":"WAKE Quayside Library, north, weigh-in: The scale says nothing; look at its battery. Do not go up alone, in the dark or in lightning.","call":1,"since":"2026-03-01T06:01:00.000Z"}`
	body := regexp.MustCompile(`key=[-_\w]{22}`).ReplaceAllString(r.body, "key=KEY")
	if body != want {
		t.Errorf("body\n%s\nwant\n%s", body, want)
	}
	if s := sign("quay", r.header.Get(timeHeader), []byte(r.body)); s != r.header.Get(signatureHeader) {
		t.Errorf("signature %q, want %q", r.header.Get(signatureHeader), s)
	}
	if r.header.Get("Idempotency-Key") != "box-1-j1-1" || r.header.Get("Content-Type") != "application/json" {
		t.Errorf("headers %v", r.header)
	}
}

// The signature was made by another program:
// printf '1772344860\n{"id":1}' | openssl dgst -sha256 -hmac quay
func TestSignature(t *testing.T) {
	const want = "8959a0ef155ff78fcae7f2c398a7a9cf5b84f198c224134195878bbcd0acec99"
	if got := sign("quay", "1772344860", []byte(`{"id":1}`)); got != want {
		t.Errorf("signature %s, openssl says %s", got, want)
	}
}

func TestStopsWhileTheHookHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newJournal(t)
		_, stop := begin(t, m, hang{}, Webhook{}, true)
		synctest.Wait()
		m.find(flag(rules.Raised, rules.Wake, "a", 1))
		time.Sleep(time.Second)
		begun := time.Now()
		stop()
		if d := time.Since(begun); d != 0 {
			t.Errorf("stopping took %v", d)
		}
	})
}

type hang struct{}

func (hang) RoundTrip(req *http.Request) (*http.Response, error) {
	<-req.Context().Done()
	return nil, req.Context().Err()
}

var _ journal.Follower = (*Follower)(nil)
