package web_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"standwatch/daemon/web"
)

// A technician claims a box, gives the supervisor a link and logs out; the
// supervisor looks on. Every page on the way is looked at, on a phone and on a desk.
func TestRealBrowserGetsIn(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	h, code, done, err := web.FakeDoors(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = done() })
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	seen := func(as []look, paths ...string) {
		t.Helper()
		for _, path := range paths {
			for _, l := range as {
				name := l
				name.name = "access-" + l.name
				b.as(t, l)
				b.checkPage(t, server.URL, path, name)
			}
		}
		b.as(t, looks[0])
	}
	fill := func(name, value string) {
		t.Helper()
		b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("main form [name=%s]").value = %q`, name, value)))
	}
	press := func(selector string) {
		t.Helper()
		b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).click()`, selector)))
	}
	at := func(path, what string) {
		t.Helper()
		b.until(t, path, fmt.Sprintf(`document.readyState === "complete" && location.pathname === %q && (%s)`, path, what))
	}
	open := func(address string) {
		t.Helper()
		b.do(t, chromedp.Navigate("about:blank"), chromedp.Navigate(address))
	}

	every, phone := looks, looks[:1]
	seen(every, "/claim")
	seen(phone, "/people")
	open(server.URL + "/claim")
	fill("code", strings.ToLower(code))
	fill("name", "Ines Duarte")
	fill("password", "needles all night long")
	press(".password .show")
	if shown := ask[string](t, b, `document.querySelector("[name=password]").type + " " + document.querySelector(".show").getAttribute("aria-pressed")`); shown != "text true" {
		t.Errorf("the password is not shown: %s", shown)
	}
	press("main form button.main")
	at("/", `!!document.querySelector(".done")`)
	if who := ask[string](t, b, `document.querySelector(".me").textContent`); !strings.Contains(who, "Ines Duarte") {
		t.Errorf("the page says %q", who)
	}
	if n := ask[float64](t, b, `document.querySelectorAll("[name=by]").length`); n != 0 {
		t.Errorf("%g forms ask for a name", n)
	}
	seen(every, "/people", "/account")
	seen(phone, "/box", "/claim", "/mark/note", "/")

	open(server.URL + "/people")
	b.do(t, chromedp.Evaluate[chromedp.Void](`document.querySelector("form[action='/people/share'] [name=for]").value = "Supervisor"`))
	press("form[action='/people/share'] button")
	at("/people/share", `!!document.getElementById("fresh")`)
	link := ask[string](t, b, `document.getElementById("fresh").value`)
	if !strings.HasPrefix(link, server.URL+"/share#") {
		t.Fatalf("the link is %q", link)
	}
	if copies := ask[bool](t, b, `document.querySelector("[data-copy] button").checkVisibility()`); !copies {
		t.Error("nothing copies the address")
	}
	if bad := b.complaints(); len(bad) > 0 {
		t.Errorf("the console says %q", bad)
	}
	open(server.URL + "/account")
	press("form[action='/logout'] button")
	at("/login", `!!document.querySelector("[autocomplete=current-password]")`)
	seen(every, "/login")
	seen(phone, "/invitation", "/share")

	open(link)
	at("/share", `document.querySelector("[name=token]").value !== ""`)
	if left := ask[string](t, b, `location.href`); strings.Contains(left, "#") {
		t.Errorf("the secret stays in the address: %s", left)
	}
	if ask[bool](t, b, `document.querySelector("[name=token]").checkVisibility()`) {
		t.Error("a person is asked for what the script knows")
	}
	press("main form button.main")
	at("/", `document.body.classList.contains("reads")`)
	seen(phone, "/", "/steps/vacuum-hold", "/account")
	for _, path := range []string{"/", "/steps/vacuum-hold", "/steps/weigh-in", "/flags", "/sheet", "/takeoff", "/checks", "/trace"} {
		open(server.URL + path)
		if offers := ask[string](t, b, `Array.from(document.querySelectorAll("main form[method=post], main form[method=post] button, main a[href^='/mark'], main a[href^='/confirm'], main a[href='/people']"))
			.filter(e => e.checkVisibility()).map(e => e.outerHTML.slice(0, 80)).join(" | ")`); offers != "" {
			t.Errorf("%s offers who only looks on: %s", path, offers)
		}
	}
}
