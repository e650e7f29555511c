package outbox

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// told is a link of one message, as its holder has it.
type holder struct {
	id    int64
	until time.Duration
	key   string
}

func holds(t *testing.T, link string) holder {
	t.Helper()
	u, err := url.Parse(link)
	if err != nil {
		t.Fatal(err)
	}
	id, err1 := strconv.ParseInt(u.Query().Get("id"), 10, 64)
	until, err2 := strconv.ParseInt(u.Query().Get("until"), 10, 64)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	return holder{id, time.Duration(until) * time.Second, u.Query().Get("key")}
}

// linked is an outbox that links can be made for, and its journal.
func linked(t *testing.T) (k *kept, o *Outbox, stop func()) {
	t.Helper()
	k = newJournal(t)
	o = New(Parts{Config: Config{Webhooks: []Webhook{{Name: "phone", URL: "http://hook.invalid/in", Least: rules.Tell, Timeout: time.Second}}, FromNow: true},
		Box: "box-1", ID: "j1", Journal: k.Journal, Links: &Links{make([]byte, 32), at("http://box.local")}, Log: slog.New(slog.DiscardHandler), Transport: &hook{}, Now: runsOn})
	if err := o.Begin(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop = run(t, o)
	synctest.Wait()
	return k, o, stop
}

// tell records a mark as the daemon does.
func (k *kept) tell(_ context.Context, told ...rules.Told) error {
	var es []rules.Entry
	for _, b := range told {
		es = append(es, rules.Entry{At: rules.Instant{Boot: 1, Since: 5 * time.Minute}, Body: &b})
	}
	return k.Append(es, nil)
}

func (k *kept) acknowledged() (by []string) {
	k.t.Helper()
	marks, err := k.Told(k.t.Context(), 0)
	if err != nil {
		k.t.Fatal(err)
	}
	for _, e := range marks {
		if b := e.Body.(*rules.Told); b.Name == "acknowledged" {
			by = append(by, b.By)
		}
	}
	return by
}

// A link acknowledges once, whoever comes together with others; looking at it
// changes nothing, and afterwards it says who and when.
func TestALinkAcknowledgesOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, o, stop := linked(t)
		k.find(flag(rules.Raised, rules.Wake, "scale", 60))
		synctest.Wait()
		h := holds(t, o.parts.Links.Make(1, o.since()+linkFor))
		for range 20 { // previews of the link
			if l, ok, err := o.Look(t.Context(), h.id, h.until, h.key); err != nil || !ok || l.State != LinkOpen || l.Subject != "scale" {
				t.Fatalf("%+v %v %v", l, ok, err)
			}
		}
		for _, wrong := range []holder{{h.id, h.until, "x"}, {2, h.until, h.key}, {h.id, h.until + time.Second, h.key}, {h.id, h.until, ""}} {
			if l, ok, err := o.Use(t.Context(), wrong.id, wrong.until, wrong.key, "Eve", k.tell); ok || err != nil {
				t.Errorf("%+v: %+v %v %v", wrong, l, ok, err)
			}
		}
		if by := k.acknowledged(); by != nil {
			t.Fatalf("acknowledged by %q", by)
		}
		// What cannot be recorded has not happened.
		if _, _, err := o.Use(t.Context(), h.id, h.until, h.key, "Ana", func(context.Context, ...rules.Told) error { return errors.New("disk full") }); err == nil {
			t.Error("nobody heard that the mark was not kept")
		}
		var wg sync.WaitGroup
		for range 10 {
			wg.Go(func() {
				if l, ok, err := o.Use(t.Context(), h.id, h.until, h.key, "Ana", k.tell); err != nil || !ok || l.State != LinkAcknowledged || l.By != "Ana" {
					t.Errorf("%+v %v %v", l, ok, err)
				}
			})
		}
		wg.Wait()
		if by := k.acknowledged(); !slices.Equal(by, []string{"Ana"}) {
			t.Errorf("acknowledged by %q", by)
		}
		l, _, err := o.Use(t.Context(), h.id, h.until, h.key, "Rui", k.tell)
		if err != nil || l.State != LinkAcknowledged || l.By != "Ana" || !l.When.Equal(time.UnixMilli(morning).Add(5*time.Minute)) {
			t.Errorf("%+v %v", l, err)
		}
		synctest.Wait()
		if n := o.s.Audiences[0].Open[0]; !n.Acknowledged {
			t.Error("it is called on")
		}
		stop()
	})
}

// A link ends with its flag, with a newer raising, and after a day.
func TestALinkEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, o, stop := linked(t)
		tell := flag(rules.Raised, rules.Tell, "scale", 10)
		wake := flag(rules.Raised, rules.Wake, "scale", 60)
		tell.Seq, wake.Seq = 1, 2
		old := flag(rules.Raised, rules.Tell, "gauge", 70)
		k.find(tell, wake, old)
		state := func(id int64, until time.Duration) string {
			t.Helper()
			h := holds(t, o.parts.Links.Make(id, until))
			l, ok, err := o.Use(t.Context(), h.id, h.until, h.key, "", func(context.Context, ...rules.Told) error { return errors.New("not now") })
			if !ok || err != nil && l.State != LinkOpen {
				t.Fatalf("%+v %v %v", l, ok, err)
			}
			return l.State
		}
		until := o.since() + linkFor
		if a, b, c := state(1, until), state(2, until), state(3, until); a != LinkNewer || b != LinkOpen || c != LinkOpen {
			t.Errorf("%s, %s, %s", a, b, c)
		}
		k.find(flag(rules.Cleared, rules.Wake, "scale", 80))
		if s := state(2, until); s != LinkOver {
			t.Errorf("cleared: %s", s)
		}
		time.Sleep(linkFor - time.Minute)
		if s := state(3, until); s != LinkOpen {
			t.Errorf("nearly a day: %s", s)
		}
		time.Sleep(2 * time.Minute)
		if s := state(3, until); s != LinkExpired {
			t.Errorf("a day: %s", s)
		}
		stop()
	})
}

// The rota is changed while the box runs: who is on it hears of what nobody has
// acknowledged yet, and after a restart it is the same.
func TestTheRotaIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := newJournal(t)
		h := &hook{}
		config := Config{Webhooks: []Webhook{{Name: "a", URL: "http://a.invalid/in", Least: rules.Tell, Timeout: time.Second}}, FromNow: true}
		make := func() (*Outbox, func()) {
			o := New(Parts{Config: config, Box: "box-1", ID: "j1", Journal: k.Journal, Log: slog.New(slog.DiscardHandler), Transport: h, Now: runsOn})
			if err := o.Begin(t.Context()); err != nil {
				t.Fatal(err)
			}
			return o, run(t, o)
		}
		o, stop := make()
		k.find(flag(rules.Raised, rules.Wake, "scale", 60))
		synctest.Wait()
		if err := o.SetWatch(t.Context(), &Watch{People: []Person{{Name: "Ana", Paths: []string{"b"}}}}); err == nil {
			t.Error("a path that is none was taken")
		}
		if err := o.SetWatch(t.Context(), &Watch{People: []Person{{Name: "Ana", Paths: []string{"a"}}}}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if want := []string{"box-1-j1-1", "box-1-j1-1-Ana"}; !slices.Equal(h.keys, want) {
			t.Errorf("keys %q, want %q", h.keys, want)
		}
		stop()
		o, stop = make()
		if w, own := o.Watch(); !own || len(w.People) != 1 || w.People[0].Name != "Ana" {
			t.Errorf("after a restart %+v, %v", w, own)
		}
		time.Sleep(2*time.Minute + time.Second)
		synctest.Wait()
		if n := len(h.keys); n != 3 || h.keys[2] != "box-1-j1-1-2-Ana" {
			t.Errorf("keys %q", h.keys)
		}
		if err := o.SetWatch(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		if w, own := o.Watch(); own || len(w.People) != 0 {
			t.Errorf("the site file's: %+v, %v", w, own)
		}
		stop()
	})
}

// A test goes by one path, beside its queue, says how it went, and is kept as
// the path's last success, also over a restart.
func TestTry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, o, stop := linked(t)
		h := o.ds[0].way.(*webhook).travel.(*hook)
		h.say(func(int, int64) (int, string, http.Header, error) { return 401, "who are you", nil, nil })
		if err := o.Try(t.Context(), "phone"); err == nil || !strings.Contains(err.Error(), "who are you") {
			t.Errorf("refused: %v", err)
		}
		if err := o.Try(t.Context(), "nobody"); err == nil {
			t.Error("a path that is none was tried")
		}
		h.say(nil)
		if err := o.Try(t.Context(), "phone"); err != nil {
			t.Error(err)
		}
		at := o.Paths()[0].LastDone
		if at.IsZero() || len(h.got()) != 1 {
			t.Errorf("last %v, heard %q", at, h.got())
		}
		stop()
		o = New(Parts{Config: o.parts.Config, Journal: k.Journal, Log: slog.New(slog.DiscardHandler), Transport: h})
		stop = run(t, o)
		synctest.Wait()
		if got := o.Paths()[0].LastDone; !got.Equal(at) {
			t.Errorf("after a restart %v, want %v", got, at)
		}
		stop()
	})
}
