package web_test

import (
	"context"
	"flag"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

var shots = flag.String("shots", "", "put a picture of every page looked at into this folder; STANDWATCH_SHOTS is a folder for those of the played night alone")

// look is how a person looks at a page.
type look struct {
	name          string
	width, height int64
	dark          bool
	noScript      bool
}

// looks put what may go wrong together: either light, each width, a thumb and
// a mouse, no script, and a desk's page at 200 %.
var looks = []look{
	{name: "phone", width: 390, height: 844},
	{name: "narrow-dark", width: 320, height: 640, dark: true},
	{name: "desk-dark", width: 1280, height: 900, dark: true},
	{name: "desk-zoomed", width: 640, height: 450},
	{name: "phone-noscript", width: 390, height: 844, noScript: true},
}

// browser is a real one, with what its console said.
type browser struct {
	ctx context.Context
	axe string
	mu  sync.Mutex
	bad []string
}

// openBrowser starts the browser that deploy/check installs.
func openBrowser(t *testing.T) *browser {
	t.Helper()
	var path string
	for _, name := range []string{"chromium-headless-shell", "headless_shell", "chromium"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Fatal("no chromium-headless-shell in the PATH: run deploy/check, which installs it")
	}
	axe, err := os.ReadFile("assets/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("no axe-core: run deploy/check, which installs it (%v)", err)
	}
	if _, err := os.Stat("assets/vendor/uPlot.iife.min.js"); err != nil {
		t.Fatalf("no uPlot: run deploy/check, which installs it (%v)", err)
	}
	alloc, stopAlloc := chromedp.NewExecAllocator(t.Context(), chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox,
		chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("hide-scrollbars", true))
	t.Cleanup(stopAlloc)
	return (&browser{ctx: alloc, axe: string(axe)}).tab(t)
}

// tab is another tab of the same browser; the first one starts it.
func (b *browser) tab(t *testing.T) *browser {
	t.Helper()
	ctx, stop := chromedp.NewContext(b.ctx)
	t.Cleanup(stop)
	tab := &browser{ctx: ctx, axe: b.axe}
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	console := chromedp.Console(ctx)
	go func() {
		for m, err := range console {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleException || m.Type == chromedp.ConsoleWarning {
				tab.mu.Lock()
				tab.bad = append(tab.bad, m.String()+" "+m.URL)
				tab.mu.Unlock()
			}
		}
	}()
	return tab
}

// complaints are what the console said since the last time.
func (b *browser) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	bad := b.bad
	b.bad = nil
	return bad
}

func (b *browser) do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 2*time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func ask[T any](t *testing.T, b *browser, script string) T {
	t.Helper()
	v, err := asked[T](b, script)
	if err != nil {
		t.Fatalf("%v\n%s", err, script)
	}
	return v
}

func asked[T any](b *browser, script string) (T, error) {
	ctx, cancel := context.WithTimeout(b.ctx, 2*time.Minute)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
}

// until waits for a page to come to something, and for the page that takes its place.
func (b *browser) until(t *testing.T, what, script string) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		switch ok, err := asked[bool](b, script); {
		case err != nil && strings.Contains(err.Error(), "navigated or closed"): // another page comes just now: that one is asked
		case err != nil:
			t.Fatalf("%v\n%s", err, script)
		case ok:
			return
		}
	}
	t.Fatalf("%s: it never came to %s", what, script)
}

func (b *browser) as(t *testing.T, l look) {
	t.Helper()
	scheme := "light"
	if l.dark {
		scheme = "dark"
	}
	options := []chromedp.EmulateViewportOption{chromedp.EmulateScale(2)}
	if l.width < 800 {
		options = append(options, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulatePortrait)
	}
	b.do(t, chromedp.EmulateViewport(l.width, l.height, options...),
		chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			if _, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}); err != nil {
				return err
			}
			return nil
		}))
	b.script(t, !l.noScript)
}

func (b *browser) script(t *testing.T, on bool) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
		return err
	}))
}

// violation is what axe-core says of a page.
type violation struct {
	ID, Help string
	Nodes    []struct{ HTML, FailureSummary string }
}

// checkPage opens a page and demands that nothing is wrong with it: no
// complaint of axe-core (its enhanced contrast and target size included), no
// scrolling sideways, no word on the console.
func (b *browser) checkPage(t *testing.T, base, path string, l look) {
	t.Helper()
	b.do(t, chromedp.Navigate(base+path))
	if !l.noScript {
		b.until(t, path, drawn)
	}
	if wide := ask[float64](t, b, fmt.Sprintf(`document.documentElement.scrollWidth - %d`, l.width)); wide > 0 {
		t.Errorf("%s %s scrolls sideways by %g px: %s", l.name, path, wide, ask[string](t, b, fmt.Sprintf(widest, l.width)))
	}
	if small := ask[string](t, b, smallTargets); small != "" {
		t.Errorf("%s %s has targets under 48 px: %s", l.name, path, small)
	}
	if l.noScript { // the page has been made without; axe-core is one
		b.script(t, true)
	}
	b.do(t, chromedp.Evaluate[chromedp.Void](b.axe))
	for _, v := range ask[[]violation](t, b, `axe.run(document, {resultTypes: ["violations"], rules: {"color-contrast-enhanced": {enabled: true}, "target-size": {enabled: true}}}).then(r => r.violations)`) {
		for _, n := range v.Nodes {
			t.Errorf("%s %s: %s: %s\n%s\n%s", l.name, path, v.ID, v.Help, n.HTML, n.FailureSummary)
		}
	}
	if l.noScript {
		b.script(t, false)
	}
	if shotsOf(l.name) != "" {
		b.picture(t, fmt.Sprintf("%s%s", l.name, strings.NewReplacer("/", "_", "?", "_", "&", "_", "=", "_").Replace(path)))
	}
	for _, c := range b.complaints() {
		t.Errorf("%s %s: the console says %s", l.name, path, c)
	}
}

// shotsOf is where a picture of this name goes; empty: nowhere.
func shotsOf(name string) string {
	if *shots == "" && strings.HasPrefix(name, "night-") {
		return os.Getenv("STANDWATCH_SHOTS")
	}
	return *shots
}

func (b *browser) picture(t *testing.T, name string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 2*time.Minute)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(shotsOf(name), name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

// The element that sticks out, and what is too small for a glove: links within
// a sentence are text, not targets.
const (
	drawn  = `(!document.querySelector("[data-curve], #curve-is") || !!document.querySelector(".uplot-place canvas")) && (!document.querySelector("#trace:not([data-points=''])") || !!document.querySelector(".trace-legend li"))`
	widest = `Array.from(document.querySelectorAll("body *")).filter(e => e.getBoundingClientRect().right > %d + 1)
		.map(e => e.outerHTML.slice(0, 80)).slice(0, 3).join(" | ")`
	smallTargets = `Array.from(document.querySelectorAll("a, button, input:not([type=hidden]), select, textarea, summary"))
		.filter(e => e.checkVisibility() && !e.classList.contains("skip"))
		.filter(e => { const b = e.getBoundingClientRect(); return b.height < 48 || b.width < 48; })
		.map(e => e.outerHTML.slice(0, 80)).join(" | ")`
)

var pages = []string{"/", "/points", "/points/gauge", "/points/indoor-power", "/points/ambient/against", "/points/scale/against", "/points/gauge/against", "/steps", "/steps/vacuum-hold", "/steps/pressure-test", "/steps/weigh-in", "/steps/cooling-check",
	"/flags", "/flags?before=9", "/box", "/ledger", "/branches", "/more", "/phone", "/confirm?do=end&step=vacuum-hold", "/confirm?do=begin&step=draw-in", "/mark/cylinder-weight?step=weigh-in",
	"/mark/command?step=cooling-check", "/mark/accepted?step=vacuum-hold", "/takeoff", "/typed?step=cooling-check&unit=iu01", "/mark/reported?step=pressure-test", "/flags/ack?id=7&until=90&key=secret", "/watch",
	"/trace?points=gauge,ambient,ou1-sump,iu01-return&for=2h", "/trace?find=air", "/record", "/earlier", "/record/job?do=close", "/import", "/import?kind=units"}

// checkPages are where what no sensor sees is asked for and answered.
var checkPages = []string{"/steps", "/steps/pressure-test", "/confirm?do=begin&step=pressure-test", "/checks/valves-shut", "/checks/indoor-power-off"}

// threePages are those of a site with several systems and jobs.
var threePages = []string{"/", "/steps", "/record?system=south", "/record?system=tower", "/record?system=tower&do=mail", "/record?system=tower&do=stick", "/record?system=north&do=download", "/record/job?do=begin&system=tower", "/steps/hand-over?system=tower", "/confirm?do=begin&step=draw-in&system=tower",
	"/ledger", "/branches", "/sheet?system=south", "/takeoff?system=north", "/checks?system=tower"}

// ownPage is the page, beside Now, that a scene is there for.
var ownPage = map[string]string{"take-off": "/takeoff", "rooms": "/steps/cooling-check", "branches": "/branches", "count": "/sheet", "weigh": "/ledger", "checks": "/checks",
	"leaking": "/steps/pressure-test", "break": "/steps/evacuation", "drawn-in": "/ledger", "answered": "/steps/vacuum-hold"}

func TestRealBrowserFindsNothingWrongWithAnyPage(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	for _, scene := range []string{"hold", "weigh", "take-off", "rooms", "branches", "count", "checks", "leaking", "break", "drawn-in", "answered", "three", "idle", "empty", "old"} {
		h, _ := web.FakeScreens(scene)
		server := httptest.NewServer(h)
		t.Cleanup(server.Close)
		all := []string{"/"}
		switch scene {
		case "hold":
			all = pages
		case "checks":
			all = append([]string{"/", "/checks"}, checkPages...)
		case "three":
			all = threePages
		case "empty":
			all = []string{"/", "/record", "/points", "/steps", "/flags", "/box", "/ledger", "/branches"}
		default:
			if own := ownPage[scene]; own != "" {
				all = append(all, own)
			}
		}
		if scene == "hold" { // all pages stand in one row from 800 px on, or in two
			t.Run("between", func(t *testing.T) {
				tab := b.tab(t)
				for _, width := range []int64{800, 820, 960} {
					tab.as(t, look{name: "between", width: width, height: 900})
					tab.do(t, chromedp.Navigate(server.URL+"/"))
					if wide := ask[float64](t, tab, fmt.Sprintf(`document.documentElement.scrollWidth - %d`, width)); wide > 0 {
						t.Errorf("at %d px it scrolls sideways by %g px: %s", width, wide, ask[string](t, tab, fmt.Sprintf(widest, width)))
					}
				}
			})
		}
		for _, l := range looks {
			if scene != "hold" && (l.noScript || l.name == "desk-zoomed") {
				continue
			}
			t.Run(scene+"-"+l.name, func(t *testing.T) { // two at once, each in a tab of its own
				t.Parallel()
				tab := b.tab(t)
				tab.as(t, l)
				l.name = scene + "-" + l.name
				for _, path := range all {
					tab.checkPage(t, server.URL, path, l)
				}
			})
		}
	}
}

// A name is drawn by a pointer, kept as letters, and stands under the record when it was sent.
func TestRealBrowserDrawsAName(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[2])
	h, _ := web.FakeScreens("three")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	b.do(t, chromedp.Navigate(server.URL+"/record?system=north"))
	b.until(t, "the field for a name", `document.querySelector("[data-sign] canvas").clientWidth > 100`)
	const draw = `(() => { const c = document.querySelector("[data-sign] canvas"), at = c.getBoundingClientRect();
		const go = (kind, x, y) => c.dispatchEvent(new PointerEvent(kind, {clientX: at.left + x * at.width, clientY: at.top + y * at.height, isPrimary: true, pointerId: 1, bubbles: true}));
		c.setPointerCapture = () => {};
		go("pointerdown", 0.1, 0.5); for (let i = 0; i <= 400; i++) go("pointermove", 0.1 + i / 600, 0.5 + 0.3 * Math.sin(i / 3)); go("pointerup", 0.8, 0.5);
		go("pointerdown", 0.9, 0.5); go("pointerup", 0.9, 0.5);
		return document.querySelector("[data-sign] input").value; })()`
	drawn := ask[string](t, b, draw)
	if len(drawn) < 200 || len(drawn) > 4*600+80 || strings.Count(drawn, "-") != 1 {
		t.Errorf("what was drawn is kept as %q", drawn)
	}
	if shotsOf("") != "" {
		b.picture(t, "name-drawn")
	}
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector("[data-sign] button").click()`))
	if wiped := ask[string](t, b, `document.querySelector("[data-sign] input").value`); wiped != "" {
		t.Errorf("wiped, it is still %q", wiped)
	}
	again := ask[string](t, b, draw)
	if again != drawn {
		t.Errorf("the same drawing is kept as %q and %q", drawn, again)
	}
	b.do(t, chromedp.Evaluate[chromedp.Void](`(() => { document.querySelector("#sign input[name=name]").value = "Inês"; document.querySelector("#sign-go").click(); })()`))
	b.until(t, "what was recorded", `location.search.includes("done=signed")`)
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
}

func TestRealBrowserShowsNewsAndSaysWhenItLosesTheBox(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	h, tick := web.FakeScreens("hold")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: h, ReadHeaderTimeout: time.Second}
	go func() { _ = server.Serve(ln) }() // it ends when the test closes it
	base := "http://" + ln.Addr().String()
	b.do(t, chromedp.Navigate(base+"/"))
	b.until(t, "the curve", `!!document.querySelector(".uplot-place canvas")`)
	first := ask[string](t, b, `document.querySelector(".where .clock").textContent`)
	tick()
	b.until(t, "the clock going on", fmt.Sprintf(`document.querySelector(".where .clock").textContent > %q`, first))
	// A form under somebody's fingers stays.
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector(".flag input[name=by]").value = "Ines"`))
	tick()
	b.until(t, "the clock going on", fmt.Sprintf(`document.querySelector(".where .clock").textContent > %q`, first))
	if got := ask[string](t, b, `document.querySelector(".flag input[name=by]").value`); got != "Ines" {
		t.Errorf("what was typed is gone: %q", got)
	}
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
	if err := server.Close(); err != nil {
		t.Fatal(err)
	}
	b.until(t, "the page noticing", `document.body.classList.contains("lostbox")`)
	text := ask[string](t, b, `document.getElementById("lost").textContent`)
	if !strings.Contains(text, "lost the box at 03:25") {
		t.Errorf("the page says %q", text)
	}
	if *shots != "" {
		b.picture(t, "lost")
	}
}

// What was recorded is said once: it goes from the address, so that a page read
// anew does not say it again, and after a while from the page, where it would stand
// over flags that came later ("you have it").
func TestRealBrowserSaysOnceWhatWasRecorded(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	h, _ := web.FakeScreens("weigh")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
			Source: `window.waits = []; const later = setTimeout; window.setTimeout = (f, ms, ...a) => ms >= 10000 ? window.waits.push(f) : later(f, ms, ...a);`})
		return err
	}), chromedp.Navigate(server.URL+"/?done=acknowledge"))
	b.until(t, "an address without it", `location.search === "" && document.querySelector(".done").innerText.includes("you have it")`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`for (const f of window.waits) f()`))
	if ask[bool](t, b, `!!document.querySelector(".done")`) {
		t.Error("it stands there for good")
	}
}

// boxThatLeaves serves a weigh-in, and breaks each connection while it is away.
func boxThatLeaves(t *testing.T) (*httptest.Server, *atomic.Bool) {
	h, _ := web.FakeScreens("weigh")
	var away atomic.Bool
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if away.Load() {
			panic(http.ErrAbortHandler)
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	return server, &away
}

// A form that cannot be sent says that nothing was recorded, and keeps what was
// typed; once the box is there again, it is sent.
func TestRealBrowserKeepsAFormThatCannotBeSent(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	server, away := boxThatLeaves(t)
	b.do(t, chromedp.Navigate(server.URL+"/mark/note?step=weigh-in"))
	const send = `document.querySelector("[name=note]").value = "wind on the scale"; document.querySelector("form.form button.main").click()`
	away.Store(true)
	b.do(t, chromedp.Evaluate[chromedp.Void](send))
	b.until(t, "a word that it was not sent", `!!document.querySelector("#lost") && document.querySelector("#lost").innerText.includes("nothing was recorded") && document.querySelector("[name=note]").value === "wind on the scale"`)
	away.Store(false)
	b.until(t, "a word that the box is there again", `document.querySelector("#lost").innerText.includes("send it once more") && document.querySelector("[name=note]").value === "wind on the scale"`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector("form.form button.main").click()`))
	b.until(t, "the page after it", `location.pathname === "/steps/weigh-in" && document.querySelector(".done") !== null`)
}

// On a page that renews itself the form's word stays while the box is away, and says
// what is to be done once it is there again: neither is said away by the page's own words.
func TestRealBrowserKeepsTheWordOfAFormThatWasNotSent(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	server, away := boxThatLeaves(t)
	b.do(t, chromedp.Navigate(server.URL+"/"))
	const word = `document.querySelector("#lost").innerText + "|" + document.querySelector(".flag input[name=by]").value`
	away.Store(true)
	server.CloseClientConnections()
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector(".flag input[name=by]").value = "Ines"; document.querySelector(".flag button").click()`))
	b.until(t, "a word that it was not sent", `(`+word+`).includes("nothing was recorded")`)
	b.until(t, "the page noticing", `document.body.classList.contains("lostbox")`)
	if text := ask[string](t, b, word); !strings.Contains(text, "What you entered still stands here") || !strings.HasSuffix(text, "|Ines") {
		t.Errorf("while the box is away it says %q", text)
	}
	away.Store(false)
	b.until(t, "the box again", `!document.body.classList.contains("lostbox")`)
	if text := ask[string](t, b, word); !strings.Contains(text, "send it once more") || !strings.HasSuffix(text, "|Ines") {
		t.Errorf("once the box is there again it says %q", text)
	}
}

// Another language's words are longer, by a third and now and then by another word (German's
// compounds): no page of tables and figures grows wider than a phone by them.
func TestRealBrowserHasRoomForLongerWords(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	for _, c := range []struct {
		scene, path string
		width       int64
	}{{"count", "/sheet", 390}, {"weigh", "/ledger", 320}, {"hold", "/watch", 320}, {"weigh", "/", 320}} {
		h, _ := web.FakeScreens(c.scene)
		server := httptest.NewServer(h)
		t.Cleanup(server.Close)
		b.as(t, look{name: "longer", width: c.width, height: 640})
		b.do(t, chromedp.Navigate(server.URL+c.path))
		b.do(t, chromedp.Evaluate[chromedp.Void](`(() => {
			window.dispatchEvent(new Event("pagehide")); // no news: it would bring the short words back
			const all = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
			let n = 0;
			while (all.nextNode()) all.currentNode.data = all.currentNode.data.replace(/[a-z]{5,}/gi, (w) => w + w.slice(-1).repeat(w.length / 3) + (++n % 5 ? "" : "sicherung"));
		})()`))
		if wide := ask[float64](t, b, fmt.Sprintf(`document.documentElement.scrollWidth - %d`, c.width)); wide > 0 {
			t.Errorf("%s at %d px scrolls sideways by %g px: %s", c.path, c.width, wide, ask[string](t, b, fmt.Sprintf(`Array.from(document.querySelectorAll("main *")).filter((x) => x.getBoundingClientRect().right > %d).map((x) => x.outerHTML.slice(0, 80)).slice(-8).join(" | ")`, c.width)))
		}
	}
}

// Paper is white and its ink black, in the dark light of a screen too; what is for entering is left out.
func TestRealBrowserPrintsOnWhitePaper(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, _ := web.FakeScreens("answered")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	flags, _ := web.FakeScreens("weigh")
	flagged := httptest.NewServer(flags)
	t.Cleanup(flagged.Close)
	b.as(t, look{name: "print", width: 1280, height: 900})
	b.do(t, chromedp.Navigate(server.URL+"/record"),
		chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
			_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print",
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
			return err
		}))
	for script, want := range map[string]string{
		`["--paper", "--leaf", "--ink"].map((x) => getComputedStyle(document.documentElement).getPropertyValue(x)).join()`: "#fff,#fff,#000",
		`getComputedStyle(document.querySelector(".rows li")).breakInside`:                                                 "avoid",
		`Array.from(document.querySelectorAll("details, main form")).filter((x) => x.checkVisibility()).length + ""`:       "0",
	} {
		if got := ask[string](t, b, script); got != want {
			t.Errorf("on paper %s is %q; want %q", script, got, want)
		}
	}
	b.do(t, chromedp.Navigate(flagged.URL+"/"))
	const entered = `document.querySelectorAll(".flag form").length + " " + Array.from(document.querySelectorAll("main form, main .actions")).filter((x) => x.checkVisibility()).length`
	if got := ask[string](t, b, entered); strings.HasPrefix(got, "0 ") || !strings.HasSuffix(got, " 0") {
		t.Errorf("on paper stand forms of flags and, of them, seen: %q", got)
	}
}

// A bundle that was sent says that it is on its way, and what it is then fits a phone:
// its sum is one word of 64 letters. The page itself notes the word: while another page is
// on its way a browser may answer nobody.
func TestRealBrowserSendsABundle(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, _ := web.FakeScreens("hold")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	for _, l := range looks[:2] {
		b.as(t, l)
		b.do(t, chromedp.Navigate(server.URL+"/earlier"))
		b.do(t, chromedp.Evaluate[chromedp.Void](`(() => {
			sessionStorage.removeItem("word");
			new MutationObserver(() => { const s = document.querySelector(".sending"); if (s) sessionStorage.setItem("word", s.innerText + "|" + (s.getBoundingClientRect().bottom <= innerHeight)); }).observe(document.body, { childList: true, subtree: true });
			const d = new DataTransfer(); d.items.add(new File(["changed elsewhere"], "bundle.zip"));
			document.querySelector("input[name=bundle]").files = d.files; document.querySelector("form[action='/earlier'] button.main").click(); })()`))
		b.until(t, "what it is", `!!document.querySelector("#take-go")`)
		if word := ask[string](t, b, `sessionStorage.getItem("word") || ""`); !strings.Contains(word, "on its way") || !strings.HasSuffix(word, "|true") {
			t.Errorf("at %d px, sent, the page said %q", l.width, word)
		}
		b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach((d) => { d.open = true; })`))
		if wide := ask[float64](t, b, fmt.Sprintf(`document.documentElement.scrollWidth - %d`, l.width)); wide > 0 {
			t.Errorf("at %d px it scrolls sideways by %g px: %s", l.width, wide, ask[string](t, b, fmt.Sprintf(widest, l.width)))
		}
		if small := ask[string](t, b, smallTargets); small != "" {
			t.Errorf("targets under 48 px: %s", small)
		}
	}
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
}

// A link that leads to no page leaves the one that is there, with what stands on it.
func TestRealBrowserStaysWhereALinkLeadsNowhere(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	server, away := boxThatLeaves(t)
	b.do(t, chromedp.Navigate(server.URL+"/steps"))
	const tap = `document.querySelector("nav.pages a[href='/flags']").click()`
	away.Store(true)
	server.CloseClientConnections()
	b.until(t, "the page noticing", `document.body.classList.contains("lostbox")`)
	b.do(t, chromedp.Evaluate[chromedp.Void](tap))
	b.until(t, "a word that no page comes", `location.pathname === "/steps" && document.querySelector("#lost").innerText.includes("This one stays")`)
	away.Store(false)
	b.do(t, chromedp.Evaluate[chromedp.Void](tap))
	b.until(t, "the other page", `location.pathname === "/flags" && !!document.querySelector("h1")`)
}

// A flag's form that news renews while the box is asked is sent all the same.
func TestRealBrowserSendsAFormThatIsRenewedMeanwhile(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	b.as(t, looks[0])
	h, tick := web.FakeScreens("hold")
	asked, answer := make(chan struct{}, 8), make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodHead {
			asked <- struct{}{}
			<-answer
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	b.do(t, chromedp.Navigate(server.URL+"/"))
	const clock = `document.querySelector(".where .clock").textContent`
	b.until(t, "the curve", `!!document.querySelector(".uplot-place canvas")`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`(() => { const by = document.querySelector(".flag input[name=by]"); by.value = by.defaultValue = "Ines"; by.form.requestSubmit(); })()`))
	<-asked
	first := ask[string](t, b, clock)
	for range 120 { // so that how long ago it was raised is said anew
		tick()
	}
	b.until(t, "the clock going on", fmt.Sprintf(`%s > %q`, clock, first))
	close(answer)
	b.until(t, "the page after it", `document.querySelector(".done") !== null`)
}

// Who begins a step with gloves on sees on a phone's first screen what is
// recorded, the button, and where there is room how many checks are open.
func TestRealBrowserBeginsAStepFromTheFirstScreen(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, _ := web.FakeScreens("checks")
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	for _, l := range looks {
		if l.width > 400 {
			continue
		}
		b.as(t, l)
		first := `, ".ticks legend"`
		if l.height < 800 { // what may hurt leaves no room for it
			first = ""
		}
		for path, want := range map[string]string{
			"/confirm?do=begin&step=pressure-test": `[".what-recorded"` + first + `]`,
			"/steps/pressure-test":                 `["#step-checks summary"]`,
		} {
			b.do(t, chromedp.Navigate(server.URL+path))
			if out := ask[string](t, b, `(e => e.bottom > innerHeight ? ".actions" : `+want+`.filter(q => !(document.querySelector(q)?.getBoundingClientRect().bottom <= e.top)).join(", "))(document.querySelector(".actions").getBoundingClientRect())`); out != "" {
				t.Errorf("%s %s: below the first screen: %s", l.name, path, out)
			}
		}
	}
}
