package web

import (
	"context"
	"net/http"
	"time"
)

// FakeScreens are the screens over an invented night, for tests that stand
// outside the package; Tick lets it go on.
func FakeScreens(scene string) (h http.Handler, tick func()) {
	if scene == "board" {
		f := newFakeFleet()
		return f.board().handler(), func() { f.tick("hold") }
	}
	box := newFakeBox(scene)
	return box.screens(WithPhones(newFakePhones())).handler(), func() { box.tick(scene) }
}

// Night is an invented night that a test can let pass at its own pace.
type Night struct {
	Handler http.Handler
	Step    func(time.Duration) (clock string) // lets time pass and returns what a clock at the site shows then
	Streams func() int                         // open ones
}

// FakeNight is such a night; its pages are renewed as fast as it goes.
func FakeNight(scene string) Night {
	box := newFakeBox(scene)
	s := box.screens()
	s.beat = 10 * time.Millisecond
	return Night{s.handler(), func(d time.Duration) string {
		box.change(func(n *Snapshot) { n.Wall = n.Wall.Add(d - time.Second) })
		box.tick(scene)
		return box.Now().Wall.Format("15:04:05")
	}, func() int { return len(s.places) }}
}

// FakeDoors are the screens over an invented night on a box that nobody has
// claimed, with its code.
func FakeDoors(dir string) (h http.Handler, code string, done func() error, err error) {
	g, err := newGuarded("hold", dir)
	if err != nil {
		return nil, "", nil, err
	}
	code, err = g.people.Code(context.Background())
	return g.handler(), code, g.journal.Close, err
}
