package web_test

import (
	"net/http/httptest"
	"testing"

	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

// A real browser takes the worker under the pages' policy; it has no say over
// any page; and the page says why this browser cannot be told.
func TestRealBrowserTakesTheWorker(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	h, _ := web.FakeScreens("hold")
	server := httptest.NewServer(h)
	defer server.Close()
	b.do(t, chromedp.Navigate(server.URL+"/phone"))
	b.until(t, "the page saying how it stands", `Array.from(document.querySelectorAll("[data-why]")).filter(p => !p.hidden).length === 1`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`void navigator.serviceWorker.register("/phone/worker.js", { scope: "/phone/", updateViaCache: "none" })
		.then(r => { window.taken = r; }, e => { window.taken = { scope: String(e) }; })`))
	b.until(t, "the worker running", `!!window.taken && !!window.taken.active && window.taken.active.state === "activated"`)
	if scope := ask[string](t, b, `new URL(window.taken.scope).pathname`); scope != "/phone/" {
		t.Errorf("the worker has a say over %s", scope)
	}
	b.do(t, chromedp.Navigate(server.URL+"/"))
	if ask[bool](t, b, `!!navigator.serviceWorker.controller`) {
		t.Error("the worker stands between the box and Now")
	}
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
	b.do(t, chromedp.Navigate("about:blank"))
}
