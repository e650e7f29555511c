package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
)

// fakeKeeper keeps a rota of two people and knows three paths.
type fakeKeeper struct {
	rota  *Rota // nil: the site file's
	tried string
	still bool
}

func (k *fakeKeeper) Watching() Watching {
	w := Watching{On: true, Order: []string{"Ana", "Rui"}, Still: k.still, Own: k.rota != nil,
		Rota: Rota{Quiet: "22:00-06:00", People: []OnRota{{"Ana", []string{"ana-phone", "office"}, "18:00-06:00"}, {"Rui", []string{"rui-phone"}, ""}}},
		Paths: []WatchPath{
			{Name: "ana-phone", Group: "ana-phone", Tries: true, FollowerState: journal.FollowerState{OK: true, Sentence: "up to date", LastDone: midnight}},
			{Name: "rui-phone", Group: "rui-phone", Wakes: true, Tries: true, FollowerState: journal.FollowerState{Sentence: "no route to host; every message is kept and sent again until it is taken", Waiting: 3}},
			{Name: "office:duty@example.org", Group: "office", Tries: true, FollowerState: journal.FollowerState{OK: true, Sentence: "up to date", Quarantined: 1, LastDone: midnight.Add(-time.Hour)}},
		}}
	if k.rota != nil {
		w.Rota = *k.rota
	}
	return w
}

func (k *fakeKeeper) SetRota(_ context.Context, r *Rota) error {
	if r != nil {
		for _, p := range r.People {
			if len(p.Paths) == 0 {
				return errors.New(p.Name + " has no path")
			}
		}
	}
	k.rota = r
	return nil
}

func (k *fakeKeeper) TryPath(_ context.Context, path string) error {
	k.tried = path
	if path == "rui-phone" {
		return errors.New("no route to host")
	}
	return nil
}

// lonePush has pushes that no phone has asked for.
type lonePush struct{ *fakeKeeper }

func (k *lonePush) Watching() Watching {
	w := k.fakeKeeper.Watching()
	w.Paths = append(w.Paths, WatchPath{Name: "push", Group: "push", Nobody: true, FollowerState: journal.FollowerState{OK: true, Sentence: "up to date"}})
	return w
}

// refusedAll has a path whose other side refused for good all that was sent.
type refusedAll struct{ *fakeKeeper }

func (k *refusedAll) Watching() Watching {
	w := k.fakeKeeper.Watching()
	w.Paths = append(w.Paths, WatchPath{Name: "pager", Group: "pager", FollowerState: journal.FollowerState{OK: true, Quarantined: 3, Sentence: "up to date; 3 messages that were refused for good are set aside"}})
	return w
}

func TestWatchSaysWhoAndByWhichPath(t *testing.T) {
	k := &fakeKeeper{}
	h := newFakeBox("hold").screens(WithKeeper(k)).handler()
	_, text := visit(t, h, "GET", "/watch", nil)
	for _, want := range []string{"Ana is on watch now. Then: Rui.", "In the quiet hours, 22:00-06:00,", "no route to host", "only what wakes", "Send a test",
		`name="name0" value="Ana"`, `name="path0" value="office" checked`, `name="hours0" value="18:00-06:00"`, `name="name3" value=""`} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if !strings.Contains(text, "3 h 25 min ago") { // by the box's clock, which an invented night's is not this machine's
		t.Errorf("when a message was last taken is not said by the box's clock:\n%s", text)
	}
	if strings.Contains(text, "no phone has asked") {
		t.Error("it says of a path to somebody that no phone takes it")
	}
	lone := &lonePush{k}
	if _, text = visit(t, newFakeBox("hold").screens(WithKeeper(lone)).handler(), "GET", "/watch", nil); !strings.Contains(text, "no phone has asked for messages yet") || strings.Contains(text, `name="path" value="push"`) {
		t.Errorf("a path that no phone takes is offered to be tried, or nothing is said of it:\n%s", text)
	}
	refused := &refusedAll{k}
	if _, text = visit(t, newFakeBox("hold").screens(WithKeeper(refused)).handler(), "GET", "/watch", nil); !strings.Contains(text, "refused for good are set aside") || strings.Contains(text, "nothing has gone out by it yet") {
		t.Errorf("of a path that refused all it does not say so:\n%s", text)
	}
	k.still = true
	if _, text = visit(t, h, "GET", "/watch", nil); !strings.Contains(text, "waits until they end") {
		t.Errorf("quiet hours are not said in\n%s", text)
	}
}

func TestTheRotaIsChangedByAForm(t *testing.T) {
	k := &fakeKeeper{}
	h := newFakeBox("hold").screens(WithKeeper(k)).handler()
	resp, _ := visit(t, h, "POST", "/watch", url.Values{"name0": {"Eva"}, "hours0": {"06:00-18:00"}, "path0": {"rui-phone", "office"}, "name1": {""}, "name3": {"Rui"}, "path3": {"rui-phone"}, "quiet": {"21:00-07:00"}})
	want := &Rota{Quiet: "21:00-07:00", People: []OnRota{{"Eva", []string{"rui-phone", "office"}, "06:00-18:00"}, {"Rui", []string{"rui-phone"}, ""}}}
	if resp.StatusCode != http.StatusSeeOther || !reflect.DeepEqual(k.rota, want) {
		t.Errorf("%d, rota %+v", resp.StatusCode, k.rota)
	}
	// What is wrong is said, and what was typed is still there.
	resp, text := visit(t, h, "POST", "/watch", form("name0", "Eva", "hours0", "noon"))
	if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "Eva has no path") || !strings.Contains(text, `value="noon"`) || !reflect.DeepEqual(k.rota, want) {
		t.Errorf("%d\n%s", resp.StatusCode, text)
	}
	if resp, _ = visit(t, h, "POST", "/watch", form("do", "site-file")); resp.StatusCode != http.StatusSeeOther || k.rota != nil {
		t.Errorf("%d, rota %+v", resp.StatusCode, k.rota)
	}
	for path, want := range map[string]string{"ana-phone": "A test was taken by ana-phone", "rui-phone": "The test by rui-phone failed: no route to host"} {
		if _, text := visit(t, h, "POST", "/watch/test", form("path", path)); !strings.Contains(text, want) || k.tried != path {
			t.Errorf("tried %q\n%s", k.tried, text)
		}
	}
	k.tried = ""
	for _, target := range []string{"/watch?do=site-file&name0=Eva", "/watch/test?path=ana-phone"} {
		if visit(t, h, "GET", target, nil); k.rota != nil || k.tried != "" {
			t.Errorf("looking at %s changed something", target)
		}
	}
}
