package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"regexp"
	"strings"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// stalledPages is how many open pages never read what the box sends them.
const stalledPages = 50

// pages measures the screens with a real browser: what the first visit loads,
// how soon it can be used on a slow phone, and how long a flag takes to a page
// and to a webhook while other pages stall.
func pages(b bench) error {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return err
	}
	defer m.stop()
	arrived := make(chan time.Time, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(io.LimitReader(r.Body, 1<<20))
		if err == nil && strings.Contains(string(body), "battery-low") {
			arrived <- time.Now()
		}
	}))
	defer hook.Close()
	x, err := newBox(b, m.url, oneReading, fmt.Sprintf("outbox: {webhooks: [{name: phone, url: %q, least: tell}]}", hook.URL))
	if err != nil {
		return err
	}
	defer x.close()
	if err := x.start(b); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*longestMeasure)
	defer cancel()
	if err := m.await(time.Minute, "standwatch", "bench/"); err != nil {
		return err
	}
	published := publish(ctx, m, time.Second, points)
	time.Sleep(2 * time.Second)
	address := "127.0.0.1:" + x.port
	if err := firstVisit(ctx, "http://"+address); err != nil {
		return err
	}
	tab, stop, err := browser(ctx)
	if err != nil {
		return err
	}
	defer stop()
	if err := interactive(tab, "http://"+address); err != nil {
		return err
	}
	if err := chromedp.Do(tab, chromedp.Navigate("http://"+address+"/"), chromedp.Evaluate[chromedp.Void](watchFlags)); err != nil {
		return err
	}
	told := 1 << 30 // no number that the steady readings have taken
	for _, stalled := range []int{0, stalledPages} {
		var shown, sent []time.Duration
		memory := procField(fmt.Sprintf("/proc/%d/status", x.proc.cmd.Process.Pid), "VmRSS")
		for i := range 5 {
			point := pointName(stalled + i)
			held, err := stall(ctx, address, stalled)
			if err != nil {
				return err
			}
			c, err := dial(m.url, fmt.Sprint("weak", stalled, i), true)
			if err != nil {
				return err
			}
			weak := func() {
				told++
				c.Publish("bench/"+point, 1, false, fmt.Appendf(nil, `{"celsius":20,"t":%d,"seq":%d,"battery":2}`, time.Now().UnixMilli(), told))
			}
			weak()
			weak()                                                                       // the third one raises the flag: rules/failed.go
			time.Sleep(12*time.Second + time.Duration(rand.IntN(1000))*time.Millisecond) // more than five a minute are told as one
			at := time.Now()
			weak()
			ms, err := chromedp.Run(tab, chromedp.Evaluate[float64](fmt.Sprintf("window.seen(%q)", point), chromedp.EvalAwaitPromise))
			if err != nil {
				return err
			}
			shown = append(shown, time.UnixMilli(int64(ms)).Sub(at))
			select {
			case t := <-arrived:
				sent = append(sent, t.Sub(at))
			case <-time.After(30 * time.Second):
				return fmt.Errorf("the webhook was not told of %s", point)
			}
			c.Disconnect(10)
			for _, h := range held {
				_ = h.Close()
			}
		}
		after := procField(fmt.Sprintf("/proc/%d/status", x.proc.cmd.Process.Pid), "VmRSS")
		fmt.Printf("  with %d stalled pages: a reading published to its flag painted: %s\n", stalled, spread(shown))
		fmt.Printf("  with %d stalled pages: a reading published to its flag at a webhook: %s; %s resident before, %s after\n", stalled, spread(sent), memory, after)
	}
	cancel()
	if err := <-published; err != nil {
		return err
	}
	return x.proc.stop()
}

// firstVisit counts what a browser that comes for the first time loads, packed.
func firstVisit(ctx context.Context, base string) error {
	get := func(path string) (string, int, error) {
		r, err := http.NewRequestWithContext(ctx, "GET", base+path, nil)
		if err != nil {
			return "", 0, err
		}
		plain, err := http.DefaultClient.Do(r) // unpacks by itself
		if err != nil {
			return "", 0, err
		}
		defer plain.Body.Close()
		text, err := io.ReadAll(plain.Body)
		if err != nil {
			return "", 0, err
		}
		r = r.Clone(ctx)
		r.Header.Set("Accept-Encoding", "gzip")
		packed, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			return "", 0, err
		}
		defer packed.Body.Close()
		n, err := io.Copy(io.Discard, packed.Body)
		return string(text), int(n), err
	}
	page, sum, err := get("/")
	if err != nil {
		return err
	}
	html := sum
	for _, f := range regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`).FindAllStringSubmatch(page, -1) {
		_, n, err := get(f[1])
		if err != nil {
			return err
		}
		sum += n
	}
	fmt.Printf("  the first page, packed: %d bytes with all its files, %d the page itself\n", sum, html)
	return nil
}

// browser is a tab of a real one, of a phone's size.
func browser(ctx context.Context) (tab context.Context, stop func(), err error) {
	path := ""
	for _, name := range []string{"chromium-headless-shell", "headless_shell", "chromium"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		return nil, nil, fmt.Errorf("no chromium; deploy/bench installs it")
	}
	alloc, stopAlloc := chromedp.NewExecAllocator(ctx, chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	tab, stopTab := chromedp.NewContext(alloc)
	stop = func() { stopTab(); stopAlloc() }
	err = chromedp.Do(tab, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulateScale(2)))
	if err != nil {
		stop()
	}
	return tab, stop, err
}

// interactive measures from the click to a page whose scripts have run, with
// everything fetched anew and a CPU slowed down to a quarter.
func interactive(tab context.Context, base string) error {
	throttle := func(rate float64) chromedp.Action[chromedp.Void] {
		return chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: rate})
			return err
		})
	}
	forget := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, network.ClearBrowserCache, cdp.Empty{})
		return err
	})
	for _, visit := range []string{"first visit", "again"} {
		var took []time.Duration
		for range 5 {
			if visit == "first visit" {
				if err := chromedp.Do(tab, forget); err != nil {
					return err
				}
			}
			if err := chromedp.Do(tab, chromedp.Navigate("about:blank"), throttle(4), chromedp.Navigate(base+"/")); err != nil {
				return err
			}
			ms, err := chromedp.Run(tab, chromedp.Evaluate[float64](`performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd`))
			if err != nil {
				return err
			}
			took = append(took, time.Duration(ms*float64(time.Millisecond)))
		}
		if err := chromedp.Do(tab, throttle(1)); err != nil {
			return err
		}
		fmt.Printf("  usable on a CPU slowed to a quarter, %s: %s\n", visit, spread(took))
	}
	return nil
}

// stall opens streams of the page with the most to say, and never reads them.
func stall(ctx context.Context, address string, n int) (held []net.Conn, err error) {
	var d net.Dialer
	for range n {
		c, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return held, err
		}
		if t, ok := c.(*net.TCPConn); ok {
			_ = t.SetReadBuffer(4096)
		}
		if _, err := fmt.Fprintf(c, "GET /stream?page=points HTTP/1.1\r\nHost: %s\r\n\r\n", address); err != nil {
			return held, err
		}
		held = append(held, c)
	}
	return held, nil
}

// watchFlags tells when a flag of a point was painted, by the machine's clock.
const watchFlags = `window.seen = (point) => new Promise((done) => {
	const look = () => Array.from(document.querySelectorAll("article.flag")).some((f) => f.textContent.includes(point));
	const paint = () => requestAnimationFrame(() => requestAnimationFrame(() => done(Date.now())));
	if (look()) { paint(); return; }
	const o = new MutationObserver(() => { if (look()) { o.disconnect(); paint(); } });
	o.observe(document.body, { childList: true, subtree: true });
})`
