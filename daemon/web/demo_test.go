package web_test

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// startDemo builds the real program, plays a night and returns where its pages are.
func startDemo(t *testing.T, args ...string) (base string) {
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
	address := regexp.MustCompile(`http://\S+`)
	for lines.Scan() {
		if base = address.FindString(lines.Text()); base != "" {
			go func() {
				for lines.Scan() { // a full pipe would stop the demo
				}
			}()
			return base
		}
	}
	t.Fatal("the demo named no address")
	return ""
}

// TestRealBrowserWatchesTheDemo goes through the real demo as a person would:
// the sentence and the curve come alive, a flag arrives, it is acknowledged
// with a thumb, and no page has anything wrong with it.
func TestRealBrowserWatchesTheDemo(t *testing.T) {
	b := openBrowser(t)
	base := startDemo(t, "--speed", "400", "--scenario", "eventful")
	phone := looks[0]
	b.as(t, phone)
	b.do(t, chromedp.Navigate(base+"/"))
	b.wait(t, time.Minute, "the flag", `!!document.querySelector('.flag input[name=flag][value=battery-low]')`)
	b.do(t, chromedp.Evaluate[chromedp.Void](`(() => {
		const form = document.querySelector('.flag input[name=flag][value=battery-low]').form;
		form.querySelector("input[name=by]").value = "Ines";
		form.querySelector("button").click();
	})()`))
	b.wait(t, 10*time.Second, "the acknowledgement", `!!document.body && document.body.textContent.includes("Acknowledged by Ines")`)
	b.wait(t, time.Minute, "the vacuum hold", `!!document.querySelector("h1.sentence") && document.querySelector("h1.sentence").textContent.startsWith("Vacuum hold")`)
	b.until(t, "the curve", `!!document.querySelector(".uplot-place canvas")`)
	sentence := ask[string](t, b, `document.querySelector("h1.sentence").textContent`)
	b.until(t, "the sentence going on by itself", fmt.Sprintf(`document.querySelector("h1.sentence").textContent !== %q`, sentence))
	for _, l := range []look{phone, desk} {
		b.as(t, l)
		for _, path := range []string{"/", "/points", "/points/gauge", "/steps", "/steps/vacuum-hold", "/flags", "/box"} {
			l.name = "demo-" + strings.TrimPrefix(l.name, "demo-")
			b.checkPage(t, base, path, l)
		}
	}
}

// wait is until for what takes its time.
func (b *browser) wait(t *testing.T, most time.Duration, what, script string) {
	t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if ask[bool](t, b, script) {
			return
		}
	}
	t.Fatalf("not within %s: %s; the page says %s", most, what, ask[string](t, b, `document.body.innerText.slice(0, 500)`))
}
