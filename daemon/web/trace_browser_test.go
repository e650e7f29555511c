package web_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

const (
	traceDrawn = `document.querySelectorAll(".trace-sheet canvas").length > 0 && document.querySelectorAll(".trace-legend li").length > 0`
	fourPoints = "/trace?points=gauge,ambient,ou1-sump,iu01-return&for=2h"
)

// The curves move by keys, buttons, wheel and finger; the address goes along.
func TestRealBrowserMovesThroughATrace(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, tick := web.FakeScreens("hold")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	b.as(t, looks[0])
	b.do(t, chromedp.Navigate(server.URL+fourPoints))
	b.until(t, "its curves", traceDrawn)
	if n := ask[int](t, b, `document.querySelectorAll(".trace-sheet").length`); n != 2 {
		t.Errorf("%d charts, want one of the vacuum and one of the temperatures", n)
	}
	if text := ask[string](t, b, `document.querySelector(".trace-strip").textContent`); !strings.Contains(text, "Vacuum hold") {
		t.Errorf("under the time axis stands %q", text)
	}
	span := `(() => { const q = new URLSearchParams(location.search); return q.get("for") ? parseInt(q.get("for")) : (q.get("to") - q.get("from")) / 1000; })()`
	press := func(what, selector string, want float64) {
		t.Helper()
		b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).click()`, selector)))
		b.until(t, what, fmt.Sprintf(`Math.abs(%s - %g) < 2`, span, want))
	}
	press("half the time", `[data-move=closer]`, 3600)
	press("all of it again", `[data-move=wider]`, 7200)
	press("the same length, earlier", `[data-move=earlier]`, 7200)
	b.until(t, "an end that is past", `new URLSearchParams(location.search).get("to") !== null`)
	press("the last hour", `[data-span="3600000"]`, 3600)
	// The keyboard reads values off, in every chart at once.
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector(".trace-sheet").focus()`))
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector(".trace-sheet").dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowLeft", bubbles: true}))`))
	b.until(t, "a value being read", `Array.from(document.querySelectorAll(".trace-chart .readout")).every((o) => o.textContent.startsWith("2026-03-12 03:"))`)
	if text := ask[string](t, b, `document.querySelector(".trace-legend").textContent`); !strings.Contains(text, "micron") {
		t.Errorf("the key read %q", text)
	}
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector(".trace-sheet").dispatchEvent(new KeyboardEvent("keydown", {key: "Escape", bubbles: true}))`))
	// A finger drags the time along.
	b.do(t, chromedp.Evaluate[chromedp.Void](`{
		const over = document.querySelector(".trace-sheet .u-over"), box = over.getBoundingClientRect();
		const at = (type, x) => over.dispatchEvent(new PointerEvent(type, { pointerId: 1, pointerType: "mouse", clientX: box.left + x, clientY: box.top + 9, bubbles: true }));
		over.setPointerCapture = () => {};
		at("pointerdown", 50); at("pointermove", 90); at("pointermove", 150); at("pointerup", 150);
	}`))
	b.until(t, "the time it was dragged to", `+new URLSearchParams(location.search).get("to") < Date.UTC(2026, 2, 12, 3, 20)`)
	// Other points, and an earlier time beside.
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector("input[value=scale]").click()`))
	b.until(t, "a third chart", `document.querySelectorAll(".trace-sheet").length === 3`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`{ const s = document.querySelector("select[name=beside]"); s.selectedIndex = 1; s.dispatchEvent(new Event("change", { bubbles: true })); }`))
	b.until(t, "the address saying so", `location.search.includes("beside=")`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.getElementById("trace-points").open = true`))
	b.until(t, "every point's outline", `document.querySelectorAll("[data-outline] svg").length === 8`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`{ const f = document.getElementById("trace-find"); f.value = "reading room"; f.value = "outdoor air"; f.dispatchEvent(new Event("input")); }`))
	if n := ask[int](t, b, `document.querySelectorAll(".choice:not([hidden])").length`); n != 1 {
		t.Errorf("the search leaves %d points, want ambient", n)
	}
	// A page left open goes on by itself.
	b.do(t, chromedp.Navigate(server.URL+"/trace?points=gauge&for=2m"))
	b.until(t, "its curve", traceDrawn)
	end := ask[string](t, b, `document.querySelector("#trace-table tbody tr:last-child th").textContent`)
	for range 6 {
		tick()
	}
	b.until(t, "the curve going on", fmt.Sprintf(`document.querySelector("#trace-table tbody tr:last-child th").textContent > %q`, end))
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
}
