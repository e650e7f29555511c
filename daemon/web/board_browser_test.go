package web_test

import (
	"fmt"
	"net/http/httptest"
	"testing"

	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

// The board's pages are looked at as the box's are; and the list goes on by
// itself while somebody looks at it.
func TestRealBrowserLooksAtTheBoard(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, tick := web.FakeScreens("board")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	for i, l := range looks {
		b.as(t, l)
		paths := []string{"/", "/boxes/company/quayside?point=gauge"}
		if i == 0 { // the same parts, otherwise filled
			paths = append(paths, "/boxes/company/harbour", "/boxes/company/tram", "/door", "/?q=nothing")
		}
		for _, path := range paths {
			name := l
			name.name = "board-" + l.name
			b.checkPage(t, server.URL, path, name)
		}
	}
	b.as(t, looks[0])
	b.do(t, chromedp.Navigate(server.URL+"/"))
	b.until(t, "the rows", `document.querySelectorAll(".boxrow").length === 6`)
	clock := ask[string](t, b, `document.querySelector(".where .clock").textContent`)
	tick()
	b.until(t, "the clock going on", fmt.Sprintf(`document.querySelector(".where .clock").textContent > %q`, clock))
	b.do(t, chromedp.Navigate("about:blank"))
}
