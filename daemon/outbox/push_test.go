package outbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

func (s *shelf) Each(_ context.Context, f func(string, []byte) error) error {
	s.mu.Lock()
	things := maps.Clone(s.things)
	s.mu.Unlock()
	for _, k := range slices.Sorted(maps.Keys(things)) {
		if err := f(k, things[k]); err != nil {
			return err
		}
	}
	return nil
}

func (s *shelf) Drop(key string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.things, key)
	return nil
}

// service8030 stands in for the push services: it holds who sends to the
// standards, opens what a browser would, and answers as it is told.
type service8030 struct {
	t      *testing.T
	mu     sync.Mutex // what follows, where a follower runs beside the test
	got    []pushed
	answer map[string]int // by the endpoint's path; else 201
	after  string         // Retry-After
	now    func() time.Time
}

type pushed struct {
	path, ttl, urgency, topic string
	note
}

func (s *service8030) RoundTrip(r *http.Request) (*http.Response, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	body, _ := io.ReadAll(r.Body)
	answer := func(status int) (*http.Response, error) {
		return &http.Response{StatusCode: status, Body: io.NopCloser(strings.NewReader("said")), Request: r,
			Header: http.Header{"Date": {s.now().UTC().Format(http.TimeFormat)}, "Retry-After": {s.after}}}, nil
	}
	if s.answer[r.URL.Path] == -1 {
		return nil, errors.New("no route to " + r.URL.String())
	}
	claims, _, err := vouched(r.Header.Get("Authorization"))
	if err != nil {
		s.t.Errorf("who sends is not vouched for: %v", err)
		return answer(401)
	}
	exp := time.Unix(int64(claims["exp"].(float64)), 0).Sub(s.now())
	if exp <= 0 || exp > 24*time.Hour { // RFC 8292, section 2
		return answer(403)
	}
	if claims["aud"] != "https://"+r.URL.Host || claims["sub"] != "mailto:office@example.org" || r.Method != http.MethodPost ||
		r.Header.Get("Content-Encoding") != "aes128gcm" || r.Header.Get("TTL") == "" {
		s.t.Errorf("claims %v, headers %v", claims, r.Header)
	}
	if status := s.answer[r.URL.Path]; status != 0 {
		return answer(status)
	}
	text, err := openPush(body, privateOf(s.t, rfc8291.browser), bytesOf(s.t, rfc8291.secret))
	if err != nil {
		s.t.Error(err)
	}
	p := pushed{path: r.URL.Path, ttl: r.Header.Get("TTL"), urgency: r.Header.Get("Urgency"), topic: r.Header.Get("Topic")}
	if err := json.Unmarshal(text, &p.note); err != nil {
		s.t.Error(err)
	}
	s.got = append(s.got, p)
	return answer(201)
}

// paths are the endpoints that got something, and forgets them.
func (s *service8030) paths() (paths []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.got {
		paths = append(paths, p.path)
	}
	s.got = nil
	return paths
}

func openTestPush(t *testing.T, keep *shelf, s *service8030) *Push {
	t.Helper()
	x, err := OpenPush(t.Context(), PushParts{Config: PushConfig{Contact: "mailto:office@example.org"}, Shelf: keep, Now: time.Now,
		Flags: "/flags", Log: slog.New(slog.DiscardHandler), Transport: s})
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func phone(person, path string) Device {
	return Device{Person: person, Name: "work phone", Endpoint: "https://push.example.net" + path, Key: rfc8291.browserPublic, Secret: rfc8291.secret}
}

func add(t *testing.T, x *Push, d Device) (id string) {
	t.Helper()
	id, err := x.Add(t.Context(), d)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func wakeMessage(key, to string) message {
	return message{Finding: vacuumRising(0).Finding, Key: key, To: to, Site: "Quayside Library", Box: "quayside", Ack: "https://box.example.org/a/1", Proven: true, Wall: time.UnixMilli(morning)}
}

func TestPush(t *testing.T) {
	keep, s := &shelf{}, &service8030{t: t, now: time.Now, answer: map[string]int{}}
	x := openTestPush(t, keep, s)
	if again := openTestPush(t, keep, s); again.PublicKey() != x.PublicKey() {
		t.Error("a restart made another key: every subscription would be lost")
	}
	w := &pushes{x}
	var r *refusal
	if err := w.send(t.Context(), wakeMessage("k0", "")); !errors.As(err, &r) {
		t.Errorf("with no phone at all: %v", err)
	}
	add(t, x, phone("Ana", "/ana-secret"))
	rui := phone("Rui", "/rui")
	rui.WakeOnly = true
	add(t, x, rui)
	if err := w.send(t.Context(), wakeMessage("k1", "Ana")); err != nil {
		t.Fatal(err)
	}
	if len(s.got) != 1 || s.got[0].path != "/ana-secret" {
		t.Fatalf("Ana's wake went to %+v", s.got)
	}
	p := s.got[0]
	if p.ttl != "3600" || p.urgency != "high" || len(p.topic) > 32 || p.topic == "" || p.URL != "https://box.example.org/a/1" || !p.Wake ||
		!strings.Contains(p.Title, "Quayside Library") || !strings.Contains(p.Body, "501 micron") || p.Tag != p.topic || p.At != morning {
		t.Errorf("%+v", p)
	}
	topic := p.topic
	s.paths()
	over := wakeMessage("k2", "")
	over.Edge, over.Ack, over.Text = rules.Cleared, "", "The vacuum stands again."
	if err := w.send(t.Context(), over); err != nil {
		t.Fatal(err)
	}
	if len(s.got) != 1 || s.got[0].topic != topic || s.got[0].Wake || s.got[0].URL != "/flags" || s.got[0].urgency != "normal" {
		t.Errorf("what is over takes the wake's place, and not on a phone that is only to be woken: %+v", s.got)
	}
	s.paths()
	if err := w.send(t.Context(), wakeMessage("k3", "Zita")); !errors.As(err, &r) {
		t.Errorf("somebody without a phone: %v", err)
	}
}

func TestPushServicesThatFail(t *testing.T) {
	s := &service8030{t: t, now: time.Now, answer: map[string]int{}}
	x := openTestPush(t, &shelf{}, s)
	ana, rui := add(t, x, phone("Ana", "/ana-secret")), add(t, x, phone("Rui", "/rui"))
	w := &pushes{x}
	want := func(what string, key string, check func(error) bool, paths ...string) {
		t.Helper()
		err := w.send(t.Context(), wakeMessage(key, ""))
		if got := s.paths(); !check(err) || !slices.Equal(got, paths) {
			t.Errorf("%s: %v; reached %q, want %q", what, err, got, paths)
		}
		if err != nil && strings.Contains(err.Error(), "/ana-secret") {
			t.Errorf("%s: the error tells the secret address: %v", what, err)
		}
	}
	ok := func(err error) bool { return err == nil }
	fails := func(err error) bool { return err != nil }
	waits := func(err error) bool {
		var p *postponed
		return errors.As(err, &p) && p.after == 90*time.Second
	}
	s.answer["/ana-secret"], s.after = 429, "90"
	want("one is asked to wait", "k1", waits, "/rui")
	want("the other one is not told twice", "k1", waits)
	want("and one phone's trouble holds up no message", "k1", ok)
	s.answer["/ana-secret"] = -1
	want("not reached", "k2", fails, "/rui")
	if all, _ := x.List(t.Context(), "Ana"); len(all) != 1 || !strings.Contains(all[0].Trouble, "does not answer") {
		t.Errorf("the list says %+v", all)
	}
	delete(s.answer, "/ana-secret")
	want("reached again", "k2", ok, "/ana-secret")
	if all, _ := x.List(t.Context(), "Ana"); len(all) != 1 || all[0].Trouble != "" || all[0].Last.IsZero() {
		t.Errorf("the list says %+v", all)
	}
	s.answer["/rui"] = 410
	want("a subscription that is over", "k3", fails, "/ana-secret")
	want("is taken off the list", "k3", ok)
	if all, _ := x.List(t.Context(), ""); len(all) != 1 || all[0].ID != ana {
		t.Errorf("the list holds %+v", all)
	}
	s.answer["/ana-secret"] = 413
	want("all fail, and go on failing", "k4", fails)
	for range 5 {
		want("it is kept", "k4", fails)
	}
	if err := x.Try(t.Context(), "Ana", ana, "a test"); err == nil || !strings.Contains(err.Error(), "413") {
		t.Errorf("a test says %v", err)
	}
	delete(s.answer, "/ana-secret")
	if err := x.Try(t.Context(), "Rui", ana, "a test"); !errors.Is(err, ErrDevice) || len(s.got) > 0 {
		t.Errorf("Rui tests Ana's phone: %v", err)
	}
	if err := x.Try(t.Context(), "Ana", ana, "a test"); err != nil || len(s.got) != 1 || s.got[0].Title != "a test" {
		t.Errorf("a test: %v, %+v", err, s.got)
	}
	_ = x.Remove(t.Context(), "Rui", ana)
	if err := x.Remove(t.Context(), "Ana", rui); err != nil {
		t.Error(err)
	}
	if all, _ := x.List(t.Context(), ""); len(all) != 1 {
		t.Errorf("somebody else removed it: %+v", all)
	}
	if err := x.Remove(t.Context(), "Ana", ana); err != nil {
		t.Error(err)
	}
	if all, _ := x.List(t.Context(), ""); len(all) != 0 {
		t.Errorf("still there: %+v", all)
	}
}

// A box whose clock is years off pushes all the same, after one refusal.
func TestPushByAWrongClock(t *testing.T) {
	s := &service8030{t: t, now: func() time.Time { return time.Now().Add(-9 * 365 * 24 * time.Hour) }}
	x := openTestPush(t, &shelf{}, s)
	add(t, x, phone("Ana", "/ana-secret"))
	w := &pushes{x}
	for i := range 2 {
		if err := w.send(t.Context(), wakeMessage(fmt.Sprint(i), "")); err != nil {
			t.Fatal(err)
		}
	}
	if got := s.paths(); len(got) != 2 {
		t.Errorf("reached %q", got)
	}
}

func TestPushOfWhoIsGone(t *testing.T) {
	s := &service8030{t: t, now: time.Now}
	x := openTestPush(t, &shelf{}, s)
	x.p.Known = func(_ context.Context, person string) bool { return person == "Ana" }
	add(t, x, phone("Ana", "/ana-secret"))
	add(t, x, phone("Rui", "/rui"))
	if err := (&pushes{x}).send(t.Context(), wakeMessage("k", "")); err != nil {
		t.Fatal(err)
	}
	if all, _ := x.List(t.Context(), ""); len(all) != 1 || !slices.Equal(s.paths(), []string{"/ana-secret"}) {
		t.Errorf("who is no longer here is still told: %+v", all)
	}
}

func TestPushSubscriptions(t *testing.T) {
	x := openTestPush(t, &shelf{}, &service8030{t: t, now: time.Now})
	for what, change := range map[string]func(*Device){
		"no address":          func(d *Device) { d.Endpoint = "" },
		"no TLS":              func(d *Device) { d.Endpoint = "http://push.example.net/x" },
		"a user":              func(d *Device) { d.Endpoint = "https://me:pw@push.example.net/x" },
		"another port":        func(d *Device) { d.Endpoint = "https://push.example.net:8443/x" },
		"a file":              func(d *Device) { d.Endpoint = "file:///etc/passwd" },
		"an endless address":  func(d *Device) { d.Endpoint += strings.Repeat("x", mostEndpoint) },
		"no key":              func(d *Device) { d.Key = "" },
		"a point off the way": func(d *Device) { d.Key = webText.EncodeToString(append([]byte{4}, make([]byte, 64)...)) },
		"a short secret":      func(d *Device) { d.Secret = webText.EncodeToString([]byte("short")) },
	} {
		d := phone("Ana", "/ana-secret")
		change(&d)
		if _, err := x.Add(t.Context(), d); !errors.Is(err, ErrDevice) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for i := range mostDevices {
		add(t, x, phone("Ana", fmt.Sprint("/", i)))
	}
	if _, err := x.Add(t.Context(), phone("Ana", "/more")); !errors.Is(err, ErrDevices) {
		t.Errorf("one more: %v", err)
	}
	add(t, x, phone("Ana", "/7")) // renewed
	for _, address := range []string{"127.0.0.1:443", "10.1.2.3:443", "192.168.1.1:443", "169.254.169.254:443", "[::1]:443", "[fe80::1]:443", "[fd00::1]:443", "[::ffff:10.0.0.1]:443", "0.0.0.0:443"} {
		if publicOnly("tcp", address, nil) == nil {
			t.Errorf("a browser makes the box knock at %s", address)
		}
	}
	if err := publicOnly("tcp", "93.184.215.14:443", nil); err != nil {
		t.Error(err)
	}
}

func TestPushSettings(t *testing.T) {
	_, c, faults := read(t, "outbox: {push: {contact: office@example.org}, watch: [{name: Ana, paths: [push]}]}\n")
	if c.Push.Contact != "mailto:office@example.org" || faults != nil {
		t.Errorf("%+v, %q", c.Push, faults)
	}
	if _, c, faults := read(t, "outbox: {push: {contact: 'mailto:office@example.org'}}\n"); c.Push.Contact != "mailto:office@example.org" || faults != nil {
		t.Errorf("%+v, %q", c.Push, faults)
	}
	for contact, want := range map[string]string{"office": "neither a mail address", "box@localhost": "push services refuse it", "box@site.local": "push services refuse it"} {
		if _, _, faults := read(t, "outbox: {push: {contact: "+contact+"}}\n"); len(faults) != 1 || !strings.Contains(faults[0], want) {
			t.Errorf("%s: %q", contact, faults)
		}
	}
}

// All pushes have one queue: what one person's push service refuses waits there
// and holds up nobody else's.
func TestOnePersonsPhoneHoldsUpNobodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, s := newJournal(t), &service8030{t: t, now: time.Now, answer: map[string]int{"/ana-secret": 413}}
		x := openTestPush(t, &shelf{}, s)
		add(t, x, phone("Ana", "/ana-secret"))
		add(t, x, phone("Rui", "/rui"))
		put := func(number int64, thread, key, to string) {
			t.Helper()
			err := k.Change(func(tx *journal.Change) error {
				return enqueue(tx, letter{To: PushPath, Thread: thread, Message: wakeMessage(key, to)}, number)
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		put(0, "1 Ana", "a1", "Ana")
		put(1, "1 Rui", "r1", "Rui")
		f := newFollower(Parts{Journal: k.Journal, Log: slog.New(slog.DiscardHandler), Zone: time.UTC}, destination{PushPath, PushPath, rules.Tell, &pushes{x}, nil})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- f.Run(ctx) }()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if got := s.paths(); !slices.Equal(got, []string{"/rui"}) || f.State().OK || f.State().Waiting != 1 {
			t.Errorf("while Ana's push service refuses: reached %q, %+v", got, f.State())
		}
		put(2, "1 Ana", "a2", "Ana")
		put(3, "1 Ana", "a3", "Ana") // in the place of a2; a1 may be under way
		s.mu.Lock()
		delete(s.answer, "/ana-secret")
		s.mu.Unlock()
		time.Sleep(2 * longestPause)
		synctest.Wait()
		if got := s.paths(); !slices.Equal(got, []string{"/ana-secret", "/ana-secret"}) || !f.State().OK || f.State().Waiting != 0 {
			t.Errorf("when it takes them again: reached %q, %+v", got, f.State())
		}
		stop()
		<-ended
	})
}
