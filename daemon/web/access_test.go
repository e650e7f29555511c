package web

import (
	"net/http"
	"slices"
	"testing"
)

// A route that nobody thought about is shut, and this says so before a person finds out.
func TestEveryRouteSaysWhomItLetsIn(t *testing.T) {
	s := newFakeBox("hold").screens(WithMetrics(http.NotFoundHandler()))
	mounted := s.routes().patterns
	for _, pattern := range mounted {
		if needs[pattern] == shut {
			t.Errorf("%q lets nobody in: give it its line in needs (access.go). Reading is shows; whatever changes something is acts", pattern)
		}
	}
	for pattern := range needs {
		if !slices.Contains(mounted, pattern) {
			t.Errorf("needs has a line for %q, which is no route: take it out", pattern)
		}
	}
}
