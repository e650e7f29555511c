package web_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/memory"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

// size is what a page holds on to after its rubbish was collected.
type size struct {
	nodes, listeners int64
	heap             float64
}

func (b *browser) size(t *testing.T) (s size) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		for range 3 { // what an observer still held goes with the next one
			if _, err := cdp.Call(ctx, target, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
				return err
			}
		}
		dom, err := cdp.Call(ctx, target, memory.GetDOMCounters, cdp.Empty{})
		if err != nil {
			return err
		}
		heap, err := cdp.Call(ctx, target, runtime.GetHeapUsage, cdp.Empty{})
		s = size{dom.Nodes, dom.JsEventListeners, heap.UsedSize}
		return err
	}))
	return s
}

// serveAgain serves at an address until stop is called.
func serveAgain(t *testing.T, address string, h http.Handler) (at string, stop func()) {
	t.Helper()
	ln, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: time.Second}
	go func() { _ = server.Serve(ln) }() // it ends when it is closed
	t.Cleanup(func() { _ = server.Close() })
	return ln.Addr().String(), func() { _ = server.Close() }
}

const clockOnPage = `document.querySelector(".where .clock").textContent`

// A page left open overnight holds as much at the end as at the beginning,
// says within seconds that it has lost the box, and comes back by itself with
// what happened meanwhile. One that nobody sees keeps no stream.
func TestRealBrowserStaysOpenOvernight(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	night := web.FakeNight("hold")
	address, stop := serveAgain(t, "127.0.0.1:0", night.Handler)
	b.do(t, chromedp.Navigate("http://"+address+"/"))
	b.until(t, "the curve", `!!document.querySelector(".uplot-place canvas")`)
	hours := func(n int) {
		t.Helper()
		for range n * 60 {
			clock := night.Step(time.Minute)
			b.until(t, "the clock at "+clock, fmt.Sprintf(clockOnPage+` === %q`, clock))
		}
	}
	hours(1)
	before := b.size(t)
	hours(6)
	after := b.size(t)
	t.Logf("after 1 h: %+v, after 7 h: %+v", before, after)
	// A leak of one node an update would be 360 here; of one kilobyte 360,000.
	if after.nodes > before.nodes+100 || after.listeners > before.listeners+20 || after.heap > before.heap+300_000 {
		t.Errorf("the page grew from %+v to %+v", before, after)
	}

	// Hidden: no stream. Seen again: the newest state.
	hide := func(hidden bool) {
		b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`Object.defineProperty(document, "hidden", {value: %v, configurable: true});
			document.dispatchEvent(new Event("visibilitychange"))`, hidden)))
	}
	hide(true)
	for end := time.Now().Add(2 * time.Minute); night.Streams() > 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a hidden page keeps its stream")
		}
	}
	meanwhile := night.Step(time.Hour)
	if got := ask[string](t, b, clockOnPage); got == meanwhile {
		t.Errorf("a hidden page shows %s", got)
	}
	hide(false)
	b.until(t, "the clock after it was hidden", fmt.Sprintf(clockOnPage+` === %q`, meanwhile))

	// Lost: said, with the age, and nothing looks fresh.
	stop()
	b.until(t, "the page noticing", `document.body.classList.contains("lostbox") && !document.getElementById("lost").hidden`)
	if text := ask[string](t, b, `document.getElementById("lost").textContent`); !strings.Contains(text, "lost the box at "+meanwhile) || !strings.Contains(text, " s ago") {
		t.Errorf("a page that has lost the box says %q", text)
	}
	if fill := ask[string](t, b, `getComputedStyle(document.querySelector(".figure .number")).color`); fill != "rgba(0, 0, 0, 0)" {
		t.Errorf("the old figure is filled with %s", fill)
	}
	b.complaints() // of the lost connection
	late := night.Step(90 * time.Minute)
	serveAgain(t, address, night.Handler)
	b.until(t, "the page coming back", fmt.Sprintf(`!document.body.classList.contains("lostbox") && document.getElementById("lost").hidden && `+clockOnPage+` === %q`, late))
}
