package web

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"
)

// fakePhones are the phones of an invented night.
type fakePhones struct {
	mu    sync.Mutex
	all   []Phone
	sub   Subscription
	tried string
	err   error
}

func newFakePhones() *fakePhones {
	return &fakePhones{all: []Phone{
		{ID: "aa00aa00aa00aa00", Person: "Ines", Name: "work phone", Added: time.Now().Add(-20 * time.Hour), Last: time.Now().Add(-23 * time.Minute)},
		{ID: "bb00bb00bb00bb00", Person: "Ines", Name: "tablet", WakeOnly: true, Added: time.Now().Add(-2 * time.Hour), Trouble: "the push service asks to wait: 429 slow down"},
	}}
}

// Key is the example key of RFC 8292, section 2.4.
func (f *fakePhones) Key() string {
	return "BA1Hxzyi1RUM1b5wjxsn7nGxAszw2u61m164i3MrAIxHF6YK5h4SDYic-dRuU_RCPCfA5aq9ojSwk5Y2EmClBPs"
}

func (f *fakePhones) List(context.Context, string) ([]Phone, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]Phone(nil), f.all...), nil
}

func (f *fakePhones) Add(_ context.Context, p Phone, s Subscription) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err == nil {
		f.all, f.sub = append(f.all, p), s
	}
	return f.err
}

func (f *fakePhones) Remove(_ context.Context, person, id string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, p := range f.all {
		if p.ID == id {
			f.all = append(f.all[:i], f.all[i+1:]...)
			break
		}
	}
	return nil
}

func (f *fakePhones) Try(_ context.Context, person, id, sentence string) error {
	f.tried = id + " " + sentence
	return f.err
}

func TestPhonePage(t *testing.T) {
	phones := newFakePhones()
	h := newFakeBox("hold").screens(WithPhones(phones)).handler()
	get := func(path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "http://localhost:8090"+path, nil)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	post := func(path string, form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "http://localhost:8090"+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	page := get("/phone").Body.String()
	for _, want := range []string{phones.Key(), "work phone", "only what must wake somebody", "429 slow down", `data-id="aa00aa00aa00aa00"`, "23 min ago"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	sub := url.Values{"endpoint": {"https://push.example.net/x"}, "key": {"k"}, "secret": {"s"}, "name": {"roof phone"}, "sort": {"wake"}, "by": {"Rui"}}
	if w := post("/phone", sub); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/phone?done=phone" {
		t.Errorf("subscribing: %d %s", w.Code, w.Header())
	}
	if got := phones.all[2]; got.Person != "Rui" || got.Name != "roof phone" || !got.WakeOnly || phones.sub != (Subscription{"https://push.example.net/x", "k", "s"}) {
		t.Errorf("kept %+v, %+v", got, phones.sub)
	}
	if w := post("/phone", url.Values{"name": {"x"}}); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "gave no address") {
		t.Errorf("without the script: %d", w.Code)
	}
	if w := post("/phone/test", url.Values{"id": {"aa00aa00aa00aa00"}}); w.Code != http.StatusSeeOther || !strings.HasPrefix(phones.tried, "aa00aa00aa00aa00 Test from Quayside Library") {
		t.Errorf("testing: %d, %q", w.Code, phones.tried)
	}
	phones.err = errors.New("the push service does not answer: no route")
	if w := post("/phone/test", url.Values{"id": {"aa00aa00aa00aa00"}}); w.Code != http.StatusBadGateway || !strings.Contains(w.Body.String(), "no route") {
		t.Errorf("a test that fails: %d", w.Code)
	}
	if w := post("/phone", sub); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "could not be added") {
		t.Errorf("a subscription that is refused: %d", w.Code)
	}
	if w := post("/phone/remove", url.Values{"id": {"bb00bb00bb00bb00"}}); w.Code != http.StatusSeeOther || len(phones.all) != 2 {
		t.Errorf("removing: %d, %+v", w.Code, phones.all)
	}
	for _, path := range []string{"/phone/test", "/phone/remove"} {
		if w := get(path + "?id=aa00aa00aa00aa00"); w.Code < 400 {
			t.Errorf("GET %s: %d", path, w.Code)
		}
	}

	worker := get("/phone/worker.js")
	if h := worker.Header(); h.Get("Content-Type") != "text/javascript; charset=utf-8" || h.Get("Cache-Control") != "no-cache" ||
		!strings.Contains(h.Get("Content-Security-Policy"), "worker-src 'self'; manifest-src 'self'") {
		t.Errorf("the worker comes with %v", h)
	}
	if body := worker.Body.String(); !strings.HasPrefix(body, `self.said={"ended":"This phone`) || strings.Contains(body, `addEventListener("fetch"`) {
		t.Errorf("the worker keeps pages, or says nothing: %.80s", body)
	}
	for path, kind := range map[string]string{"/assets/site.webmanifest": "application/manifest+json", "/assets/icon-192.png": "image/png"} {
		if w := get(path); w.Code != http.StatusOK || w.Header().Get("Content-Type") != kind {
			t.Errorf("%s: %d %s", path, w.Code, w.Header().Get("Content-Type"))
		}
	}

	h = newFakeBox("hold").screens().handler() // a box that pushes nothing
	if w := get("/phone"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "Nobody can be told by push here.") {
		t.Errorf("without pushes: %d", w.Code)
	}
	if w := post("/phone", sub); w.Code != http.StatusNotFound {
		t.Errorf("subscribing where nothing is pushed: %d", w.Code)
	}
}
