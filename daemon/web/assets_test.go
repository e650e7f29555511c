package web

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
)

func packedly(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip, deflate") }

func unpacked(t *testing.T, text string) string {
	t.Helper()
	z, err := gzip.NewReader(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// What the first visit loads: the page and each file that it names, packed.
// The issue asks for less than 60 kB.
func TestTheFirstPageIsSmall(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	resp, page := visit(t, h, "GET", "/", nil, packedly)
	if resp.Header.Get("Content-Encoding") != "gzip" || !strings.Contains(strings.Join(resp.Header.Values("Vary"), ","), "Accept-Encoding") {
		t.Fatalf("the page is not packed: %v", resp.Header)
	}
	sum := len(page)
	files := regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`).FindAllStringSubmatch(unpacked(t, page), -1)
	if len(files) < 3 {
		t.Fatalf("the page names only %d files", len(files))
	}
	for _, f := range files {
		resp, body := visit(t, h, "GET", f[1], nil, packedly)
		if resp.StatusCode != 200 {
			t.Errorf("%s: %d", f[1], resp.StatusCode)
		}
		sum += len(body)
		t.Logf("%6d bytes %s", len(body), f[1])
	}
	t.Logf("%6d bytes in all, of them %d the page", sum, len(page))
	if sum >= 60_000 {
		t.Errorf("the first page is %d bytes, 60,000 are too many", sum)
	}
}

func TestABrowserKeepsAFileUntilItChanges(t *testing.T) {
	s := newFakeBox("hold").screens()
	h := s.handler()
	for name, a := range s.assets {
		url := string(assetURL(s.assets, name))
		resp, text := visit(t, h, "GET", url, nil)
		if got := resp.Header.Get("Cache-Control"); !strings.Contains(got, "immutable") || !bytes.Equal([]byte(text), a.body) {
			t.Errorf("%s: %q, %d bytes of %d", url, got, len(text), len(a.body))
		}
		resp, text = visit(t, h, "GET", url, nil, packedly)
		if a.packed != nil && (resp.Header.Get("Content-Encoding") != "gzip" || unpacked(t, text) != string(a.body)) {
			t.Errorf("%s is packed wrongly", url)
		}
		// Without the mark of its content, or with an old one, the browser asks each time.
		for _, old := range []string{"/assets/" + name, "/assets/" + name + "?v=0123"} {
			if resp, _ = visit(t, h, "GET", old, nil); resp.Header.Get("Cache-Control") != "no-cache" {
				t.Errorf("%s may be kept: %q", old, resp.Header.Get("Cache-Control"))
			}
		}
		resp, text = visit(t, h, "GET", "/assets/"+name, nil, func(r *http.Request) { r.Header.Set("If-None-Match", `"`+a.mark+`"`) })
		if resp.StatusCode != http.StatusNotModified || text != "" {
			t.Errorf("%s, asked whether it has changed: %d", name, resp.StatusCode)
		}
	}
	for _, path := range []string{"/assets/", "/assets/vendor/", "/assets/package.json", "/assets/..%2fserver.go", "/assets/%2e%2e/words/en.yaml"} {
		if resp, _ := visit(t, h, "GET", path, nil); resp.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", path, resp.StatusCode)
		}
	}
}
