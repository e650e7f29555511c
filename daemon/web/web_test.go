package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// visit asks a handler as a browser on this machine would.
func visit(t *testing.T, h http.Handler, method, target string, form url.Values, change ...func(*http.Request)) (*http.Response, string) {
	t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r := httptest.NewRequest(method, "http://127.0.0.1:8090"+target, body)
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(text)
}

func TestEveryPageAnswersInEveryScene(t *testing.T) {
	for _, scene := range []string{"hold", "weigh", "idle", "empty", "old"} {
		h := newFakeBox(scene).screens().handler()
		for _, page := range []string{"/", "/points", "/steps", "/flags", "/box"} {
			resp, text := visit(t, h, "GET", page, nil)
			if resp.StatusCode != 200 || !strings.Contains(text, "</html>") {
				t.Errorf("%s %s: %d\n%s", scene, page, resp.StatusCode, text)
			}
		}
	}
}
