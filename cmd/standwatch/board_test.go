package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestRealBoard is the whole way to the supervisor: a real box with a broker of
// its own for its instruments, which tells a company's mosquitto how it stands and
// sends its readings to a real InfluxDB; and a real board that knows it from those
// two alone. Then the box is killed, the store goes, and the board starts anew.
func TestRealBoard(t *testing.T) {
	t.Parallel()
	broker := startMosquitto(t, "hands")
	store := startInflux(t)
	inner, err := url.Parse(store)
	if err != nil {
		t.Fatal(err)
	}
	gate := httptest.NewServer(httputil.NewSingleHostReverseProxy(inner)) // by which the board reaches the store, until it is shut
	t.Cleanup(gate.Close)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "broker.password"), "hands-password\n")
	site := filepath.Join(dir, "site.yaml")
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: quay, data: data, clock: trusted}
brokers:
  - {name: site, url: "tcp://%[1]s", user: hands, password_file: broker.password, outward: false}
  - {name: company, url: "tcp://%[1]s", user: hands, password_file: broker.password, outward: only}
uplink: {url: "%[2]s", bucket: site}
web: {listen: "127.0.0.1:%[3]d"}
points:
  - {name: scale, measures: mass, role: charging-scale, unit: kg, every: 1s, silent_after: 4s, mqtt: {broker: site, topic: q/scale}}
steps:
  weigh-in: {target: 14.2 kg}
`, broker, store, freePort(t)))
	at := fmt.Sprintf("127.0.0.1:%d", freePort(t))
	file := filepath.Join(dir, "board.yaml")
	write(t, filepath.Join(dir, "board.password"), hashed(t, "a long pass phrase"))
	write(t, file, fmt.Sprintf(`
board: {name: Service desk, listen: %q, password_file: board.password}
brokers: {company: {url: "tcp://%s", user: hands, password_file: broker.password}}
store: {url: "%s", bucket: site}
`, at, broker, gate.URL))
	if out, err := exec.Command("standwatch", "check", file, site).CombinedOutput(); err != nil {
		t.Fatalf("check: %v\n%s", err, out)
	}
	box := startRun(t, site, nil)
	page := waitUp(t, site)
	board := startBoard(t, file, at)
	desk := enter(t, "http://"+at, "a long pass phrase")

	pub := func(kg float64) {
		t.Helper()
		host, port, _ := strings.Cut(broker, ":")
		if out, err := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-u", "hands", "-P", "hands-password", "-q", "1", "-t", "q/scale", "-m", fmt.Sprint(kg)).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_pub: %v\n%s", err, out)
		}
	}
	says := func(what, path string, words ...string) {
		t.Helper()
		eventually(t, what, func() bool {
			text := desk.get(t, path)
			for _, w := range words {
				if !strings.Contains(text, w) {
					return false
				}
			}
			return true
		})
	}
	pub(38.40)
	says("the board knows the box", "/", "Quayside Library", "heard just now", "No step is under way")
	if code := post(t, page, "/marks", url.Values{"kind": {"begin"}, "step": {"weigh-in"}}); code != http.StatusSeeOther {
		t.Fatalf("beginning the weigh-in answers %d", code)
	}
	for i := range 4 {
		pub(38.35 - float64(i)/20)
		time.Sleep(time.Second)
	}
	says("the board shows the step", "/", "Weigh-in")
	says("and on the box's page its curve, from the store", "/boxes/company/quay?point=scale&hours=1", "Weigh-in", `class="curve"`, "38.", "scale, the last 1 h")
	var chart struct {
		Y []*float64 `json:"y"`
	}
	if err := json.Unmarshal([]byte(desk.get(t, "/curve?broker=company&box=quay&point=scale&hours=1")), &chart); err != nil || len(chart.Y) == 0 || *chart.Y[0] < 38 || *chart.Y[0] > 38.5 {
		t.Errorf("the curve: %v %v", chart, err)
	}
	says("the silent scale is told", "/", "Scale silent", "tell")

	// The store goes: the board says so, and goes on.
	if got := desk.get(t, "/boxes/company/quay?point=scale&hours=1"); strings.Contains(got, "No curve") {
		t.Error("there is no curve while there is a store")
	}
	gate.Close()
	says("the store is missed", "/boxes/company/quay?point=scale&hours=1", "No curve", "does not answer", "Weigh-in")

	// The box dies without a word; the broker's last will tells.
	box.kill(t)
	says("the box is missed", "/", "offline", "Quayside Library", "Weigh-in")
	board.stop(t)
	startBoard(t, file, at)
	says("a board that has just begun knows as much, and who was in is still in", "/", "offline", "Quayside Library", "Weigh-in", "Scale silent")
}

// hashed is the line of a password file, as the program itself writes it.
func hashed(t *testing.T, password string) string {
	t.Helper()
	cmd := exec.Command("standwatch", "board", "--password")
	cmd.Stdin = strings.NewReader(password + "\n")
	out, err := cmd.Output()
	if err != nil || !strings.HasPrefix(string(out), "$argon2id$") || strings.Contains(string(out), password) {
		t.Fatalf("standwatch board --password: %v\n%s", err, out)
	}
	return string(out)
}

type running struct{ cmd *exec.Cmd }

func startBoard(t *testing.T, file, at string) *running {
	t.Helper()
	cmd := exec.Command("standwatch", "board", "--config", file)
	cmd.Stderr = t.Output()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	r := &running{cmd}
	t.Cleanup(func() { r.stop(t) })
	eventually(t, "the board answers", func() bool {
		resp, err := http.Get("http://" + at + "/door")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return r
}

func (r *running) stop(t *testing.T) {
	t.Helper()
	if r.cmd == nil {
		return
	}
	_ = r.cmd.Process.Signal(os.Interrupt)
	if err := r.cmd.Wait(); err != nil {
		t.Errorf("the board did not end in order: %v", err)
	}
	r.cmd = nil
}

// reader is somebody who has given the password.
type reader struct {
	base   string
	cookie *http.Cookie
}

func enter(t *testing.T, base, password string) reader {
	t.Helper()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if resp, err := client.Get(base + "/"); err != nil || resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/door?back=%2F" {
		t.Fatalf("without the password: %v %v", resp, err)
	}
	resp, err := client.PostForm(base+"/door", url.Values{"password": {password}, "back": {"/"}})
	if err != nil || resp.StatusCode != http.StatusSeeOther || len(resp.Cookies()) != 1 {
		t.Fatalf("with it: %v %v", resp, err)
	}
	resp.Body.Close()
	return reader{base, resp.Cookies()[0]}
}

func (r reader) get(t *testing.T, path string) string {
	t.Helper()
	req, err := http.NewRequest(http.MethodGet, r.base+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.AddCookie(r.cookie)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
