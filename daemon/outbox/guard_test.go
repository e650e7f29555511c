package outbox

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// said is a webhook that keeps what it took.
type said struct {
	mu   sync.Mutex
	deaf int // so many attempts fail; below nought: all
	took []string
}

func (s *said) RoundTrip(r *http.Request) (*http.Response, error) {
	b, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.deaf != 0 {
		s.deaf--
		return nil, errors.New("no route to host")
	}
	s.took = append(s.took, string(b))
	return &http.Response{StatusCode: 200, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("")), Request: r}, nil
}

// byHost sends each webhook to its own.
type byHost map[string]http.RoundTripper

func (b byHost) RoundTrip(r *http.Request) (*http.Response, error) {
	return b[r.URL.Host].RoundTrip(r)
}

// The journal is gone altogether; everybody is called all the same, once, and hears once that it is over.
func TestPeopleAreCalledWhenNothingIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newJournal(t)
		slow, away := &said{deaf: 3}, &said{deaf: -1}
		o := New(Parts{Config: Config{Webhooks: []Webhook{
			{Name: "pager", URL: "http://slow.invalid/in", Least: rules.Wake, Timeout: 10 * time.Second},
			{Name: "desk", URL: "http://away.invalid/in", Least: rules.Tell, Timeout: 10 * time.Second}}},
			Box: "box-1", ID: "j1", Site: "Quayside Library", Journal: m.Journal, Log: slog.New(slog.DiscardHandler), Transport: byHost{"slow.invalid": slow, "away.invalid": away}})
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		var stopped atomic.Int64 // since when nothing is kept, ns after begun; 0: it is
		begun := time.Now()
		kept := func() (time.Duration, string) {
			if s := stopped.Load(); s != 0 {
				return time.Since(begun) - time.Duration(s), "journal: append: the disk is full"
			}
			return time.Second, ""
		}
		fails := func(d time.Duration) {
			stopped.Store(int64(time.Since(begun)))
			time.Sleep(d)
			stopped.Store(0)
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); o.Guard(ctx, kept) }()
		took := func() []string { slow.mu.Lock(); defer slow.mu.Unlock(); return slices.Clone(slow.took) }
		time.Sleep(time.Minute)
		fails(UnkeptFor - 5*time.Second)
		time.Sleep(2 * time.Minute)
		if got := took(); len(got) != 0 {
			t.Errorf("a slow disk calls: %q", got)
		}
		fails(10 * time.Minute)
		got := took()
		if len(got) != 1 {
			t.Fatalf("told %q; want one call", got)
		}
		for _, want := range []string{`"rule":"nothing-kept"`, `"state":"raised"`, `"urgency":"wake"`, "The journal says: append: the disk is full", `"message":"WAKE Quayside Library: Readings have not been kept since`, `"id":0`} {
			if !strings.Contains(got[0], want) {
				t.Errorf("the call lacks %q: %s", want, got[0])
			}
		}
		time.Sleep(30 * time.Second) // and it fails again, before anybody could believe it
		fails(40 * time.Second)
		time.Sleep(50 * time.Second)
		if got := took(); len(got) != 1 {
			t.Errorf("told %q before readings have been kept for a minute", got)
		}
		time.Sleep(time.Minute)
		away.mu.Lock()
		away.deaf = 0
		away.mu.Unlock()
		time.Sleep(time.Hour)
		if got := took(); len(got) != 2 || !strings.Contains(got[1], `"state":"cleared"`) || !strings.Contains(got[1], "For 11 min") {
			t.Errorf("told %q; want once that it is over", got)
		}
		if len(away.took) != 0 { // it came back when there was nothing to call for any more
			t.Errorf("the one that was away heard %q", away.took)
		}
		fails(time.Minute)
		if got := took(); len(got) != 3 {
			t.Errorf("told %d times; the next disk that is full is another one", len(got))
		}
		stop()
		<-done
	})
}

// The message that calls stands in 200 characters with what to do, however long the cause.
func TestTheCallFitsAPhone(t *testing.T) {
	m := message{Finding: Unkept(time.UnixMilli(morning).UTC(), strings.Repeat("the disk is full; ", 20)), Site: "Quayside Library"}
	if s := m.short(); len([]rune(s)) > mostShort || !strings.Contains(s, "06:00") || !strings.Contains(s, english["do."+unkept]) || !strings.HasSuffix(s, english["caution"]) {
		t.Errorf("%d: %s", len([]rune(s)), s)
	}
}

// full is a shelf on a disk that takes nothing more.
type full struct{ *shelf }

func (full) Put(string, any) error { return errors.New("the disk is full") }

// A phone is told once though nothing of it can be written down, and what the queue's own
// message has reached is not forgotten for it.
func TestAPhoneIsToldOnAFullDisk(t *testing.T) {
	keep := &shelf{}
	s := &service8030{t: t, answer: map[string]int{}, now: time.Now}
	x := openTestPush(t, keep, s)
	for _, path := range []string{"/a", "/b"} {
		if _, err := x.Add(t.Context(), phone("Ana", path)); err != nil {
			t.Fatal(err)
		}
	}
	x.p.Shelf = full{keep}
	w := &pushes{x}
	queued := message{Finding: flag(rules.Raised, rules.Tell, "scale", 1), Key: "queued", To: "Ana"}
	beside := message{Finding: Unkept(time.Now(), ""), Key: "beside", Beside: true}
	s.answer["/b"] = 500
	if err := w.send(t.Context(), queued); err == nil {
		t.Fatal("b has not taken it")
	}
	s.answer["/b"] = 0
	if err := w.send(t.Context(), beside); err != nil {
		t.Errorf("both phones have it: %v", err)
	}
	if err := w.send(t.Context(), queued); err != nil {
		t.Errorf("both phones have it: %v", err)
	}
	if got := s.paths(); !slices.Equal(got, []string{"/a", "/a", "/b", "/b"}) {
		t.Errorf("told %q; want a the queue's, both the call, b the queue's", got)
	}
}

// hanging is a shelf on a disk that answers no write any more.
type hanging struct {
	*shelf
	stuck chan struct{}
}

func (h hanging) Put(string, any) error { <-h.stuck; return errors.New("the disk hung") }
func (h hanging) Drop(string) error     { <-h.stuck; return errors.New("the disk hung") }

// A disk that hangs holds up what the queue writes of its own pushes. The call beside the queue
// reaches every phone all the same, one of whom nobody knows any more, and one that is gone, left out.
func TestEveryPhoneIsToldOnAHangingDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		keep := &shelf{}
		s := &service8030{t: t, answer: map[string]int{"/gone": 410}, now: time.Now}
		x := openTestPush(t, keep, s)
		for _, d := range []Device{phone("Ana", "/a"), phone("Ana", "/b"), phone("Ben", "/c"), phone("Zoe", "/z"), phone("Ben", "/gone")} {
			add(t, x, d)
		}
		disk := hanging{keep, make(chan struct{})}
		x.p.Shelf, x.p.Known = disk, func(_ context.Context, person string) bool { return person != "Zoe" }
		w := &pushes{x}
		var queue sync.WaitGroup
		queue.Go(func() {
			_ = w.send(context.WithoutCancel(t.Context()), message{Finding: flag(rules.Raised, rules.Tell, "scale", 1), Key: "queued", To: "Ana"})
		})
		synctest.Wait() // it hangs in the middle, with the first phone told
		if got := s.paths(); len(got) != 1 {
			t.Fatalf("told %q by the queue, want one", got)
		}
		var beside sync.WaitGroup
		beside.Go(func() {
			if err := w.send(t.Context(), message{Finding: Unkept(time.Now(), ""), Key: "beside", Beside: true}); err != nil {
				t.Errorf("a call that every phone has is tried again: %v", err)
			}
		})
		synctest.Wait()
		got := s.paths()
		slices.Sort(got)
		if !slices.Equal(got, []string{"/a", "/b", "/c"}) {
			t.Errorf("told %q; want /a, /b and /c, each once", got)
		}
		close(disk.stuck)
		queue.Wait()
		beside.Wait()
	})
}

// An alert that could not be written down is told as ended all the same.
func TestAnAlertOnAFullDiskEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &standing{changed: make(chan struct{}, 1)}
		server := &am{now: time.Now}
		keep := &shelf{}
		p := s.parts(AlertServer{Name: "company", URL: "http://am.invalid", Least: rules.Tell, Timeout: time.Second, Every: time.Minute}, full{keep})
		p.Transport = server
		a := NewAlerts(p)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		s.set(Standing{Flag: rules.Flag{Finding: Unkept(time.Now(), "")}, Raised: time.Now()})
		time.Sleep(5 * time.Minute)
		if st := a.State(); st.OK || !strings.Contains(st.Sentence, "cannot keep") {
			t.Errorf("state %+v", st)
		}
		s.set()
		time.Sleep(5 * time.Minute)
		stop()
		<-done
		server.mu.Lock()
		defer server.mu.Unlock()
		ended := 0
		for _, post := range server.posts {
			for _, x := range post {
				if end, err := time.Parse(time.RFC3339, x.EndsAt); err == nil && x.Labels["alertname"] == unkept && end.Before(time.Now()) {
					ended++
				}
			}
		}
		if ended != 1 {
			t.Errorf("told %d times as ended", ended)
		}
	})
}
