package web_test

import (
	"bufio"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// startDemo builds the real program, plays a night and returns where its pages
// are, and the code that claims it.
func startDemo(t *testing.T, args ...string) (base, code string) {
	t.Helper()
	program := filepath.Join(t.TempDir(), "standwatch")
	if out, err := exec.Command("go", "build", "-o", program, "standwatch/cmd/standwatch").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	cmd := exec.Command(program, append([]string{"demo", "--listen", "127.0.0.1:0"}, args...)...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = t.Output()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	t.Cleanup(func() {
		_ = cmd.Process.Signal(os.Interrupt)
		if err := cmd.Wait(); err != nil {
			t.Errorf("the demo did not end in order: %v", err)
		}
	})
	claim := regexp.MustCompile(`(http://\S+)/claim with its code, (\S+)\.`)
	for lines.Scan() {
		if m := claim.FindStringSubmatch(lines.Text()); m != nil {
			base, code = m[1], m[2]
			go func() {
				for lines.Scan() { // a full pipe would stop the demo
				}
			}()
			return base, code
		}
	}
	t.Fatal("the demo named no address and no code")
	return "", ""
}

// press fills a form in as a person does, and sends it by the button that
// carries the words, or the only one; the page that answers is there when it returns.
func (b *browser) press(t *testing.T, form, words string, fields map[string]string) {
	t.Helper()
	b.wait(t, "a form "+form, fmt.Sprintf(`document.readyState === "complete" && !!document.querySelector(%q)`, form))
	b.do(t, chromedp.Evaluate[chromedp.Void](`window.before = true`))
	for name, value := range fields {
		b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).elements[%q].value = %q`, form, name, value)))
	}
	b.do(t, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`((form, words) => {
		if (!words) form.requestSubmit();
		else Array.from(form.querySelectorAll("button")).find((x) => x.textContent.includes(words)).click();
	})(document.querySelector(%q), %q)`, form, words)))
	b.wait(t, "an answer to "+words, `!window.before && document.readyState === "complete"`)
}

// shot keeps a picture, where somebody wants to look at them.
func (b *browser) shot(t *testing.T, name string) {
	t.Helper()
	if shotsOf(name) != "" {
		b.picture(t, name)
	}
}

// TestRealBrowserPlaysTheNight goes through a night of the real demo as two
// people do. The technician, with a phone, claims the box, shares it, sees to a
// flag, ticks a check, begins and ends a step and tells of a cylinder. The
// supervisor, at a desk, comes by the shared link, sees all of it come by
// itself, and can do nothing.
func TestRealBrowserPlaysTheNight(t *testing.T) {
	t.Parallel()
	phone, desk := openBrowser(t), openBrowser(t) // two people, two browsers
	base, code := startDemo(t, "--speed", "400", "--scenario", "eventful")
	phone.as(t, looks[0])
	desk.as(t, look{name: "desk", width: 1280, height: 900})

	phone.do(t, chromedp.Navigate(base+"/claim"))
	phone.press(t, `form[action="/claim"]`, "", map[string]string{"code": code, "name": "Ines", "password": "quay side at night"})
	phone.wait(t, "Now", `!!document.querySelector("h1.sentence")`)
	phone.shot(t, "night-technician-1-claimed")
	phone.do(t, chromedp.Navigate(base+"/people"))
	phone.press(t, `form[action="/people/share"]`, "", map[string]string{"for": "Supervisor"})
	link := ask[string](t, phone, `document.getElementById("fresh").value`)
	phone.shot(t, "night-technician-2-shared")

	desk.do(t, chromedp.Navigate(link))
	desk.press(t, `form[action="/share"]`, "", nil)
	desk.wait(t, "Now", `!!document.querySelector("h1.sentence")`)

	// A flag comes by itself to both; the technician takes it, the supervisor sees that.
	phone.do(t, chromedp.Navigate(base+"/"))
	phone.wait(t, "the flag", `!!document.querySelector('.flag input[name=flag][value=battery-low]')`)
	phone.shot(t, "night-technician-3-flag")
	phone.press(t, `.flag form:has(input[value=battery-low])`, "Acknowledge", nil)
	phone.wait(t, "the acknowledgement", `document.body.textContent.includes("Acknowledged by Ines")`)
	desk.wait(t, "the acknowledgement at the desk", `document.body.textContent.includes("Acknowledged by Ines")`)
	desk.shot(t, "night-supervisor-1-acknowledged")

	// What no sensor sees.
	phone.do(t, chromedp.Navigate(base+"/checks/valves-shut"))
	phone.press(t, `form[action="/checks"]`, "It is so", map[string]string{"remark": "both valves, by hand"})
	phone.shot(t, "night-technician-4-check")
	desk.do(t, chromedp.Navigate(base+"/checks/valves-shut"))
	desk.wait(t, "the check at the desk", `document.body.textContent.includes("both valves, by hand") && document.body.textContent.includes("Ines")`)

	// A step begun and ended.
	phone.do(t, chromedp.Navigate(base+"/confirm?do=begin&step=take-off"))
	phone.shot(t, "night-technician-5-begin")
	phone.press(t, `form[action="/marks"]`, "Record the begin", nil)
	desk.do(t, chromedp.Navigate(base+"/steps"))
	desk.wait(t, "the take-off under way at the desk", `Array.from(document.querySelectorAll(".step.under-way")).some((x) => x.textContent.includes("Take-off"))`)
	desk.shot(t, "night-supervisor-2-steps")
	phone.do(t, chromedp.Navigate(base+"/confirm?do=end&step=take-off"))
	phone.press(t, `form[action="/marks"]`, "Record the end", nil)
	desk.wait(t, "its end at the desk", `!Array.from(document.querySelectorAll(".step.under-way")).some((x) => x.textContent.includes("Take-off"))`)

	// The vacuum hold, alive on both.
	for _, b := range []*browser{phone, desk} {
		b.do(t, chromedp.Navigate(base+"/"))
	}
	desk.wait(t, "the vacuum hold", `!!document.querySelector("h1.sentence") && document.querySelector("h1.sentence").textContent.startsWith("Vacuum hold")`)
	desk.until(t, "the curve", `!!document.querySelector(".uplot-place canvas")`)
	sentence := ask[string](t, desk, `document.querySelector("h1.sentence").textContent`)
	desk.until(t, "the sentence going on by itself", fmt.Sprintf(`document.querySelector("h1.sentence").textContent !== %q`, sentence))
	desk.shot(t, "night-supervisor-3-hold")
	phone.shot(t, "night-technician-6-hold")

	// The supervisor is offered nothing to do, and what is sent all the same is refused.
	for _, path := range []string{"/", "/steps/vacuum-hold", "/flags", "/checks/valves-shut", "/box"} {
		desk.do(t, chromedp.Navigate(base+path))
		if offers := ask[string](t, desk, `Array.from(document.querySelectorAll("form, a[href^='/confirm'], a[href^='/mark']")).filter((x) => x.checkVisibility() && !/\/(units|logout)$/.test(x.action || "")).map((x) => x.outerHTML.slice(0, 90)).join(" | ")`); offers != "" {
			t.Errorf("at %s the supervisor is offered %s", path, offers)
		}
	}
	status := ask[int](t, desk, `fetch("/marks", {method: "POST", headers: {"Content-Type": "application/x-www-form-urlencoded"}, body: "kind=mark&name=note&note=x"}).then((r) => r.status)`)
	if status != http.StatusForbidden {
		t.Errorf("a mark of the supervisor is answered by %d", status)
	}
	for end := time.Now().Add(2 * time.Minute); len(desk.complaints()) == 0; time.Sleep(50 * time.Millisecond) { // the console's, of that answer
		if time.Now().After(end) {
			t.Fatal("the console says nothing of an answer 403")
		}
	}

	// The charge: a cylinder is swapped, and the ledger has it.
	desk.do(t, chromedp.Navigate(base+"/ledger"))
	desk.wait(t, "the charge", `!!document.querySelector(".stretches")`)
	desk.shot(t, "night-supervisor-4-ledger")
	phone.do(t, chromedp.Navigate(base+"/mark/cylinder-swapped?step=weigh-in"))
	phone.press(t, `form[action="/marks"]`, "Record it", map[string]string{"note": "cylinder 7, seen by Ines"})
	phone.shot(t, "night-technician-7-swap")
	phone.do(t, chromedp.Navigate(base+"/steps/weigh-in"))
	phone.shot(t, "night-technician-8-weigh-in")

	// Nothing is wrong with any page that either of them sees.
	for _, path := range []string{"/", "/points", "/points/gauge", "/steps", "/steps/vacuum-hold", "/ledger", "/branches", "/checks", "/flags", "/box", "/people", "/account", "/more"} {
		phone.checkPage(t, base, path, look{name: "night-technician", width: 390})
		if path != "/people" && path != "/account" {
			desk.checkPage(t, base, path, look{name: "night-supervisor", width: 1280})
		}
	}
}

// wait is until for what takes its time.
func (b *browser) wait(t *testing.T, what, script string) {
	t.Helper()
	for end := time.Now().Add(3 * time.Minute); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if ask[bool](t, b, script) {
			return
		}
	}
	t.Fatalf("it never came to pass: %s; the page says %s", what, ask[string](t, b, `document.body.innerText.slice(0, 500)`))
}
