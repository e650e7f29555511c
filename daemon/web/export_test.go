package web

import "net/http"

// FakeScreens are the screens over an invented night, for tests that stand
// outside the package; Tick lets it go on.
func FakeScreens(scene string) (h http.Handler, tick func()) {
	if scene == "board" {
		f := newFakeFleet()
		return f.board().handler(), func() { f.tick("hold") }
	}
	box := newFakeBox(scene)
	return box.screens().handler(), func() { box.tick(scene) }
}
