package uplink

import (
	"compress/gzip"
	"context"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"math/rand"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// 2026-03-01T06:00:00Z in Unix ms, checked by date(1).
const morning = int64(1772344800000)

// store is a store in memory behind a RoundTripper: it keeps lines by series
// and stamp, as real ones do.
type store struct {
	mu       sync.Mutex
	requests [][]string
	kept     map[string]string // series and stamp -> fields
	answer   func(n int, lines []string) (status int, header http.Header, body string, err error)
}

func newStore() *store { return &store{kept: map[string]string{}} }

func (s *store) RoundTrip(req *http.Request) (*http.Response, error) {
	body := io.Reader(req.Body)
	if req.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(req.Body)
		if err != nil {
			return nil, err
		}
		body = z
	}
	b, err := io.ReadAll(body)
	if err != nil {
		return nil, err
	}
	req.Body.Close()
	lines := strings.Split(string(b), "\n")
	s.mu.Lock()
	s.requests = append(s.requests, lines)
	n, answer := len(s.requests), s.answer
	s.mu.Unlock()
	status, header, text := 204, http.Header{}, ""
	if answer != nil {
		if status, header, text, err = answer(n, lines); err != nil {
			if errors.Is(err, errHang) {
				<-req.Context().Done()
				return nil, req.Context().Err()
			}
			if errors.Is(err, errLost) {
				s.keep(lines)
			}
			return nil, err
		}
	}
	if status == 204 {
		s.keep(lines)
	}
	if header == nil {
		header = http.Header{}
	}
	return &http.Response{StatusCode: status, Header: header, Body: io.NopCloser(strings.NewReader(text)), Request: req}, nil
}

var (
	errHang = errors.New("the store never answers")
	errLost = errors.New("connection reset by peer") // after the store has kept the lines
)

func (s *store) keep(lines []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, l := range lines {
		series := seriesOf(l)
		rest := l[len(series)+1:]
		i := strings.LastIndexByte(rest, ' ')
		s.kept[series+" "+rest[i+1:]] = rest[:i]
	}
}

func (s *store) points() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var ps []string
	for k, v := range s.kept {
		ps = append(ps, k+" "+v)
	}
	slices.Sort(ps)
	return ps
}

func (s *store) count() int { s.mu.Lock(); defer s.mu.Unlock(); return len(s.requests) }

func (s *store) say(f func(n int, lines []string) (int, http.Header, string, error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answer = f
}

func always(status int, body string) func(int, []string) (int, http.Header, string, error) {
	return func(int, []string) (int, http.Header, string, error) { return status, nil, body, nil }
}

// begin runs a follower over m until the returned stop is called.
func begin(t *testing.T, m *memory, rt http.RoundTripper, change func(*Parts)) (f *Follower, stop func()) {
	t.Helper()
	p := Parts{
		Config: Config{Name: "desk", URL: "http://store.invalid:8086", Bucket: "site", Batch: 1000, Timeout: 20 * time.Second, Every: time.Second},
		Box:    "box-1", Site: quay(), Journal: m, Log: slog.New(slog.DiscardHandler), Transport: rt,
	}
	if change != nil {
		change(&p)
	}
	f = New(p)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	return f, func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	}
}

func night(n int) *memory {
	m := newMemory()
	m.prove(1, morning)
	for i := range n {
		m.add(measured("gauge", float64(i), int64(i)*1000))
	}
	return m
}

func TestLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := newMemory(), newStore()
		m.prove(1, morning)
		own := measured("scale", 14.2, 5000)
		own.Body.(*rules.Measured).Own = morning + 4321
		off := measured("scale", 14.3, 6000)
		off.Body.(*rules.Measured).Own = 5
		off.Body.(*rules.Measured).Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonTime}
		failed := measured("hall", 0, 7000)
		failed.Body.(*rules.Measured).Health = sensors.Health{Grade: sensors.Failed, Reason: "open-circuit"}
		early := measured("hall", 21.5, 8000)
		early.Body.(*rules.Measured).Taken = -time.Second // kept by the instrument since before the boot
		m.add(
			rules.Entry{At: rules.Instant{Boot: 1}, Body: &rules.Started{}},
			rules.Entry{At: rules.Instant{Boot: 1}, Body: &rules.Clocked{Wall: morning, Proven: true}},
			measured("gauge", 66.7, 1000), measured("gauge", 66.8, 1000), measured("gauge", 66, 1001),
			own, off, failed, early,
			rules.Entry{At: rules.Instant{Boot: 1, Since: 9 * time.Second}, Body: &rules.Told{Kind: "begin", Name: "weigh-in", System: "north"}},
			rules.Entry{At: rules.Instant{Boot: 1, Since: 10 * time.Second}, Body: &rules.Told{Kind: "mark", Name: "note", Note: "tea"}},
			rules.Entry{At: rules.Instant{Boot: 1, Since: 11 * time.Second}, Body: &rules.Told{Kind: "end", Name: "weigh-in", System: "north"}},
		)
		m.find(
			rules.Finding{At: rules.Instant{Boot: 1, Since: 12 * time.Second}, Edge: rules.Raised, Flag: "scale-silent", System: "north", Step: "weigh-in", Subject: "scale",
				Urgency: rules.Wake, Text: `The scale says "nothing"`, Values: []rules.Value{{Key: "silent_s", Number: 60}}},
			rules.Finding{At: rules.Instant{Boot: 1, Since: 13 * time.Second}, Edge: rules.Given, Flag: "weigh-in", Step: "weigh-in", System: "north",
				Result: rules.NotProven, Cause: "gap", Text: "Not proven.", Values: []rules.Value{{Key: "charged_kg", Number: 14.2}}},
		)
		_, stop := begin(t, m, s, nil)
		synctest.Wait()
		stop()
		want := []string{
			`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344801000000000 pascals=66.7`,
			`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344801000000001 pascals=66.8`,
			`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344801001000000 pascals=66`,
			`mass,box=box-1,point=scale,role=charging-scale,site=Quayside\ Library,system=north 1772344804321000000 kilograms=14.2`,
			`mass,box=box-1,point=scale,role=charging-scale,site=Quayside\ Library,system=north 1772344806000000000 kilograms=14.3,health="suspect: time-off"`,
			`temperature,box=box-1,point=hall,site=Quayside\ Library 1772344807000000000 health="failed: open-circuit"`,
			`temperature,box=box-1,point=hall,site=Quayside\ Library 1772344799000000000 celsius=21.5`,
			`step,box=box-1,site=Quayside\ Library,step=weigh-in,system=north 1772344809000000000 state="begin",text="weigh-in began"`,
			`step,box=box-1,site=Quayside\ Library,step=weigh-in,system=north 1772344811000000000 state="end",text="weigh-in ended"`,
			`flag,box=box-1,rule=scale-silent,site=Quayside\ Library,step=weigh-in,subject=scale,system=north 1772344812000000000 state="raised",urgency="wake",text="The scale says \"nothing\"",silent_s=60`,
			`verdict,box=box-1,site=Quayside\ Library,step=weigh-in,system=north 1772344813000000000 result="not-proven",cause="gap",text="Not proven.",charged_kg=14.2`,
		}
		slices.Sort(want)
		if got := s.points(); !slices.Equal(got, want) {
			t.Errorf("store holds\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		if got := m.cursor("uplink:desk"); got != 12 {
			t.Errorf("entries cursor %d, want 12", got)
		}
		if got := m.cursor("uplink:desk:findings"); got != 2 {
			t.Errorf("findings cursor %d, want 2", got)
		}
	})
}

// Each row of the outcome table: what the store answers first, and what must
// come of it once it answers as it should.
func TestOutcomes(t *testing.T) {
	retry := http.Header{"Retry-After": {"7"}}
	for _, row := range []struct {
		name     string
		first    func(n int, lines []string) (int, http.Header, string, error)
		sentence string        // while it lasts
		least    time.Duration // no second request earlier
		most     time.Duration // and none later
	}{
		{"a captive portal's page", always(200, "<html>Welcome to the guest network</html>"), "not a store", 30 * time.Second, 30 * time.Second},
		{"created", always(201, ""), "not a store", 30 * time.Second, 30 * time.Second},
		{"a redirect", func(int, []string) (int, http.Header, string, error) {
			return 302, http.Header{"Location": {"http://portal.invalid/login"}}, "", nil
		}, `redirects (302) to "http://portal.invalid/login"`, 30 * time.Second, 30 * time.Second},
		{"a wrong token", always(401, `{"code":"unauthorized","message":"unauthorized access"}`), "unauthorized access", 30 * time.Second, 30 * time.Second},
		{"a token that may not write", always(403, `{"error":"write not permitted"}`), "write not permitted", 30 * time.Second, 30 * time.Second},
		{"no such bucket", always(404, `{"code":"not found","message":"bucket \"site\" not found"}`), `bucket "site" not found`, 30 * time.Second, 30 * time.Second},
		{"something unexpected", always(418, ""), "unexpected", 30 * time.Second, 30 * time.Second},
		{"400 to everything", always(400, "database is upside down"), "refuses every line (400: database is upside down)", 30 * time.Second, 30 * time.Second},
		{"too busy, with a time", func(int, []string) (int, http.Header, string, error) { return 429, retry, "slow down", nil }, "slow down", 7 * time.Second, 8 * time.Second},
		{"trouble of its own", always(500, "timeout"), "500", 500 * time.Millisecond, time.Second},
		{"away for a while, until a date", func(int, []string) (int, http.Header, string, error) {
			return 503, http.Header{"Date": {"Sun, 01 Mar 2026 06:00:00 GMT"}, "Retry-After": {"Sun, 01 Mar 2026 06:00:20 GMT"}}, "", nil
		}, "503", 20 * time.Second, 22 * time.Second},
		{"a hang", func(int, []string) (int, http.Header, string, error) { return 0, nil, "", errHang }, "no answer in time", 20500 * time.Millisecond, 21 * time.Second},
		{"a reset", func(int, []string) (int, http.Header, string, error) {
			return 0, nil, "", errors.New("connection reset by peer")
		}, "connection reset by peer", 500 * time.Millisecond, time.Second},
		{"an answer lost after the store kept the lines", func(int, []string) (int, http.Header, string, error) { return 0, nil, "", errLost }, "connection reset by peer", 500 * time.Millisecond, time.Second},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m, s := night(3), newStore()
				s.say(row.first)
				begun := time.Now()
				f, stop := begin(t, m, s, nil)
				for f.State().Sentence == "not started yet" {
					time.Sleep(time.Millisecond)
				}
				synctest.Wait()
				requests := s.count()
				if st := f.State(); st.OK || !strings.Contains(st.Sentence, row.sentence) || st.Waiting != 3 {
					t.Errorf("state while it lasts: %+v, want %q and 3 waiting", st, row.sentence)
				}
				if at := m.cursor("uplink:desk"); at != 0 {
					t.Errorf("the cursor moved to %d without a yes", at)
				}
				s.say(nil)
				for s.count() == requests {
					time.Sleep(time.Millisecond)
				}
				if took := time.Since(begun); took < row.least-time.Millisecond || took > row.most+10*time.Millisecond {
					t.Errorf("asked again after %v, want %v to %v", took, row.least, row.most)
				}
				synctest.Wait()
				if st := f.State(); !st.OK || st.Waiting != 0 || st.Quarantined != 0 {
					t.Errorf("state after: %+v", st)
				}
				stop()
				if got := s.points(); len(got) != 3 {
					t.Errorf("store holds %d points, want 3: %v", len(got), got)
				}
			})
		})
	}
}

// refusing answers 400 to any request with a line that holds one of the words,
// with or without keeping the good lines of it (version 1 of the store keeps
// them: "partial write"), and 204 to the rest.
func (s *store) refusing(status int, partial bool, words ...string) func(int, []string) (int, http.Header, string, error) {
	return func(_ int, lines []string) (int, http.Header, string, error) {
		var good []string
		for _, l := range lines {
			if !slices.ContainsFunc(words, func(w string) bool { return strings.Contains(l, w) }) {
				good = append(good, l)
			}
		}
		if len(good) == len(lines) {
			return 204, nil, "", nil
		}
		if partial {
			s.keep(good)
		}
		return status, nil, `{"error":"partial write: field type conflict"}`, nil
	}
}

func TestRefusedLinesAreFoundAndKept(t *testing.T) {
	for _, partial := range []bool{false, true} {
		for _, status := range []int{400, 422} {
			t.Run(fmt.Sprint(status, partial), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					m, s := night(1000), newStore()
					s.say(s.refusing(status, partial, "pascals=0 ", "pascals=500 ", "pascals=777 ", "pascals=999 "))
					f, stop := begin(t, m, s, nil)
					synctest.Wait()
					stop()
					if got := len(s.points()); got != 996 {
						t.Errorf("store holds %d points, want 996", got)
					}
					aside := m.set("uplink:desk")
					if len(aside) != 4 {
						t.Fatalf("set aside %q, want 4 lines", aside)
					}
					for i, want := range []string{"pascals=0 ", "pascals=500 ", "pascals=777 ", "pascals=999 "} {
						if !strings.Contains(aside[i], want) || !strings.Contains(aside[i], "field type conflict") {
							t.Errorf("set aside %q, want %q with the store's words", aside[i], want)
						}
					}
					if st := f.State(); !st.OK || st.Quarantined != 4 || st.Waiting != 0 || !strings.Contains(st.Sentence, "4 lines") {
						t.Errorf("state %+v", st)
					}
					if n := s.count(); n > 4*2*11+1 {
						t.Errorf("%d requests to find 4 lines of 1000", n)
					}
				})
			})
		}
	}
}

// Every line of one kind is refused (its field has another type there), the
// others are taken: the refused ones are set aside, the rest flows.
func TestOneKindRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := newMemory(), newStore()
		m.prove(1, morning)
		for i := range 60 {
			m.add(measured("gauge", float64(i), int64(i)), measured("scale", float64(i), int64(i)))
		}
		s.say(s.refusing(400, false, "pascals="))
		f, stop := begin(t, m, s, nil)
		synctest.Wait()
		if st := f.State(); st.Quarantined != 60 || !st.LastDone.Equal(time.Now()) {
			t.Errorf("it says %+v; want 60 set aside, and done now", st)
		}
		stop()
		if got, aside := len(s.points()), len(m.set("uplink:desk")); got != 60 || aside != 60 {
			t.Errorf("stored %d, set aside %d, want 60 and 60", got, aside)
		}
	})
}

// A store that breaks in the middle of the night and answers 400 to
// everything fills no quarantine, whatever it took before.
func TestBrokenStoreFillsNoQuarantine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(2500), newStore()
		broken := always(400, "engine: corrupt index")
		s.say(func(n int, lines []string) (int, http.Header, string, error) {
			if n == 2 { // it takes one batch, refuses the second, takes its first half, then breaks
				return 400, nil, "partial write", nil
			}
			if n <= 3 {
				return 204, nil, "", nil
			}
			return broken(n, lines)
		})
		f, stop := begin(t, m, s, nil)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if aside := m.set("uplink:desk"); len(aside) != 0 {
			t.Errorf("a broken store filled the quarantine with %d lines", len(aside))
		}
		if st := f.State(); st.OK || !strings.Contains(st.Sentence, "corrupt index") {
			t.Errorf("state %+v", st)
		}
		s.say(nil)
		time.Sleep(time.Minute)
		synctest.Wait()
		stop()
		if got := len(s.points()); got != 2500 {
			t.Errorf("store holds %d points, want 2500", got)
		}
	})
}

// The very first line ever is refused, and nothing else is there to prove the
// store by: held until a second line comes, then set aside.
func TestFirstLineRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(1), newStore()
		s.say(s.refusing(400, false, "pascals=0 "))
		f, stop := begin(t, m, s, nil)
		synctest.Wait()
		if st := f.State(); st.OK || st.Quarantined != 0 {
			t.Errorf("state %+v, want held", st)
		}
		m.add(measured("gauge", 1, 1000))
		time.Sleep(time.Minute)
		synctest.Wait()
		stop()
		if got, aside := len(s.points()), len(m.set("uplink:desk")); got != 1 || aside != 1 {
			t.Errorf("stored %d, set aside %d, want 1 and 1", got, aside)
		}
	})
}

func TestTooLarge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(3000), newStore()
		s.say(func(_ int, lines []string) (int, http.Header, string, error) {
			if len(lines) > 300 {
				return 413, nil, "Request Entity Too Large", nil
			}
			return 204, nil, "", nil
		})
		_, stop := begin(t, m, s, nil)
		synctest.Wait()
		stop()
		if got := len(s.points()); got != 3000 {
			t.Errorf("store holds %d points, want 3000", got)
		}
		refused := 0
		for _, r := range s.requests {
			if len(r) > 300 {
				refused++
			}
		}
		if refused != 3 { // 1000, and 500 for each half: after that the box has learnt
			t.Errorf("%d requests were too large, want 3", refused)
		}
	})
}

func TestBackOffGrowsToAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(1), newStore()
		var at []time.Time
		s.say(func(int, []string) (int, http.Header, string, error) {
			at = append(at, time.Now())
			return 503, nil, "", nil
		})
		_, stop := begin(t, m, s, nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		stop()
		last := 0 * time.Second
		for i := 1; i < len(at); i++ {
			d, cap := at[i].Sub(at[i-1]), min(time.Second<<min(i-1, 6), time.Minute)
			if d < cap/2 || d > cap {
				t.Errorf("pause %d was %v, want %v to %v", i, d, cap/2, cap)
			}
			if i > 10 && d == last {
				t.Errorf("two pauses of %v in a row: no jitter", d)
			}
			last = d
		}
		if len(at) < 60 || len(at) > 140 {
			t.Errorf("%d attempts in an hour", len(at))
		}
	})
}

// A boot without a proven anchor is waited for, never passed over; a reading
// with its own time needs none.
func TestUnprovenClockIsWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := newMemory(), newStore()
		own := measured("scale", 3, 0)
		own.Body.(*rules.Measured).Own = morning
		m.add(own, measured("gauge", 5, 1000), measured("gauge", 6, 2000))
		next := measured("gauge", 7, 500)
		next.At.Boot = 2
		m.add(next)
		m.prove(2, morning+60_000)
		f, stop := begin(t, m, s, nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		if st := f.State(); st.OK || !strings.Contains(st.Sentence, "waiting for a proven clock") || st.Waiting != 3 {
			t.Errorf("state %+v", st)
		}
		if got := len(s.points()); got != 1 {
			t.Errorf("%d points sent, want the one with its own time", got)
		}
		m.prove(1, morning)
		time.Sleep(2 * time.Second)
		synctest.Wait()
		m.prove(1, morning+999) // a later correction is not sent again
		stop()
		got := strings.Join(s.points(), "\n")
		for _, want := range []string{" 1772344801000000000 pascals=5", " 1772344802000000000 pascals=6", " 1772344860500000000 pascals=7"} {
			if !strings.Contains(got, want) {
				t.Errorf("missing %q in\n%s", want, got)
			}
		}
	})
}

// Crashes at any request, restarts, equal milliseconds near and far: the store
// ends with exactly the journal's readings, each under a stamp of its own.
func TestResendsKeepTheirStamps(t *testing.T) {
	for seed := range int64(6) {
		synctest.Test(t, func(t *testing.T) {
			r := rand.New(rand.NewSource(seed))
			m, s := newMemory(), newStore()
			m.prove(1, morning)
			n := entrySpan/2 + r.Intn(2*entrySpan)
			want := map[float64]bool{}
			for i := range n {
				e := measured("gauge", float64(i), int64(i/3))
				if r.Intn(20) == 0 {
					e.Body.(*rules.Measured).Own = morning + int64(i/3) - int64(r.Intn(2000)) // late, and often a time told before
				}
				m.entries = append(m.entries, rules.Entry{Seq: uint64(i + 1), At: e.At, Body: e.Body})
				want[float64(i)] = true
			}
			for {
				lose := 1 + r.Intn(12)
				ctx, crash := context.WithCancel(t.Context())
				s.say(func(k int, _ []string) (int, http.Header, string, error) {
					if lose--; lose == 0 {
						crash() // the store has the lines, the box never hears of it
						return 0, nil, "", errLost
					}
					return 204, nil, "", nil
				})
				f := New(Parts{Config: Config{Name: "desk", URL: "http://store.invalid", Bucket: "b", Batch: 1000 + r.Intn(4000), Timeout: time.Minute, Every: time.Second},
					Box: "box-1", Site: quay(), Journal: m, Log: slog.New(slog.DiscardHandler), Transport: s})
				go func() { time.Sleep(time.Hour); crash() }()
				if err := f.Run(ctx); err != nil {
					t.Fatal(err)
				}
				if m.cursor("uplink:desk") == int64(n) {
					break
				}
			}
			for _, fields := range s.kept {
				var v float64
				if _, err := fmt.Sscanf(fields, "pascals=%g", &v); err != nil {
					t.Fatal(err)
				}
				delete(want, v)
			}
			if len(s.kept) != n || len(want) != 0 {
				t.Errorf("seed %d: store holds %d points of %d, %d readings are missing", seed, len(s.kept), n, len(want))
			}
		})
	}
}

func TestPointsThatAreGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(2), newStore()
		m.add(measured("old", 1, 5000))
		f, stop := begin(t, m, s, nil)
		synctest.Wait()
		stop()
		if aside := m.set("uplink:desk"); len(aside) != 1 || !strings.Contains(aside[0], "point old") {
			t.Errorf("set aside %q", aside)
		}
		if st := f.State(); st.Waiting != 0 {
			t.Errorf("state %+v", st)
		}
	})
}

// What comes live is gathered for a second: one request, one move of the cursor.
func TestGathers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(1), newStore()
		_, stop := begin(t, m, s, nil)
		for i := range 400 { // 100 s of commits
			time.Sleep(250 * time.Millisecond)
			m.add(measured("gauge", 1, int64(250*i+1)))
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		stop()
		if n := s.count(); n < 50 || n > 102 {
			t.Errorf("%d requests for 400 commits in 100 s", n)
		}
		if got := len(s.points()); got != 401 {
			t.Errorf("%d points", got)
		}
	})
}

// Over a real socket: gzip, the token, the path and the query that version 2
// of the API wants, and redirects not followed.
func TestOverASocket(t *testing.T) {
	followed := false
	var got []string
	var mu sync.Mutex
	redirect := true
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if r.URL.Path == "/elsewhere" {
			followed = true
			w.WriteHeader(204)
			return
		}
		if redirect {
			redirect = false
			http.Redirect(w, r, "/elsewhere", http.StatusTemporaryRedirect)
			return
		}
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			t.Error(err)
			return
		}
		b, _ := io.ReadAll(z)
		got = append(got, fmt.Sprintf("%s %s org=%s bucket=%s precision=%s %s %s", r.Method, r.URL.Path, r.URL.Query().Get("org"), r.URL.Query().Get("bucket"), r.URL.Query().Get("precision"), r.Header.Get("Authorization"), b))
		w.WriteHeader(204)
	}))
	defer srv.Close()
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:1") // must not matter
	m := night(1)
	f, stop := begin(t, m, nil, func(p *Parts) {
		p.Config.URL, p.Config.Org, p.Config.Token, p.Config.Gzip = srv.URL, "quay", "s3cret", true
		p.Held = 10 * time.Millisecond
		p.Transport = nil
	})
	for f.State().Waiting > 0 || !f.State().OK {
		time.Sleep(time.Millisecond)
	}
	stop()
	mu.Lock()
	defer mu.Unlock()
	want := `POST /api/v2/write org=quay bucket=site precision=ns Token s3cret vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north pascals=0 1772344800000000000`
	if followed || len(got) != 1 || got[0] != want {
		t.Errorf("followed the redirect: %v; got\n%q\nwant\n%q", followed, got, want)
	}
}

// A store with a certificate of a private authority, and one nobody vouches for.
func TestPrivateAuthority(t *testing.T) {
	took := 0
	srv := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { took++; w.WriteHeader(204) }))
	srv.Config.ErrorLog = log.New(io.Discard, "", 0)
	defer srv.Close()
	ca := filepath.Join(t.TempDir(), "ca.pem")
	m := night(1)
	f, stop := begin(t, m, nil, func(p *Parts) { p.Config.URL = srv.URL })
	eventually(t, "the strange certificate shows", func() bool { return strings.Contains(f.State().Sentence, "certificate") })
	stop()
	if took != 0 {
		t.Error("a store that nobody vouches for got a request")
	}
	f, stop = begin(t, m, nil, func(p *Parts) { p.Config.URL, p.Config.CAFile, p.Held = srv.URL, ca, time.Millisecond })
	eventually(t, "the missing file shows", func() bool { return strings.Contains(f.State().Sentence, "authority cannot be read") })
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: srv.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all arrives", func() bool { return f.State().OK && f.State().Waiting == 0 })
	stop()
}

// 26 hours without a store, a restart of the box in the middle: all arrives,
// once, in a few hundred requests.
func TestAwayForADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := night(1), newStore()
		s.say(func(int, []string) (int, http.Header, string, error) {
			return 0, nil, "", errors.New("no route to host")
		})
		_, stop := begin(t, m, s, nil)
		const n = 26 * 3600 / 2
		for i := 1; i < n; i++ {
			time.Sleep(2 * time.Second)
			m.add(measured("gauge", float64(i), int64(i)*2000))
			if i == n/2 {
				stop()
				_, stop = begin(t, m, s, nil)
			}
		}
		tries := s.count()
		if tries > 26*60*2+20 {
			t.Errorf("%d attempts in 26 hours", tries)
		}
		s.say(nil)
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		stop()
		if got := len(s.points()); got != n {
			t.Errorf("store holds %d points, want %d", got, n)
		}
		if more := s.count() - tries; more > n/1000+5 {
			t.Errorf("%d requests for %d lines", more, n)
		}
	})
}

func TestStopsWhileTheStoreHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStore()
		s.say(func(int, []string) (int, http.Header, string, error) { return 0, nil, "", errHang })
		_, stop := begin(t, night(1), s, nil)
		time.Sleep(time.Second)
		begun := time.Now()
		stop()
		if d := time.Since(begun); d != 0 {
			t.Errorf("stopping took %v", d)
		}
	})
}

func BenchmarkLines(b *testing.B) {
	m := night(10_000)
	f := New(Parts{Config: Config{Name: "desk", Batch: 1000}, Box: "box-1", Site: quay(), Journal: m, Log: slog.New(slog.DiscardHandler)})
	l := f.lanes[0]
	for b.Loop() {
		l.at, l.lines = 0, l.lines[:0]
		for n := 0; n < 10_000; n += 1000 {
			l.lines = l.lines[:0]
			if err := l.fill(b.Context(), 1000); err != nil || len(l.lines) != 1000 {
				b.Fatal(len(l.lines), err)
			}
		}
	}
	b.ReportMetric(float64(b.N)*10_000/b.Elapsed().Seconds(), "lines/s")
}

var _ journal.Follower = (*Follower)(nil)
