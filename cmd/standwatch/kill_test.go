package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// TestRealKill kills the daemon at random moments, many times, while messages
// with and without keys of their own stream through a real mosquitto. What the
// broker took must be in the journal exactly once.
func TestRealKill(t *testing.T) {
	t.Parallel()
	const kills = 30
	broker := startMosquitto(t, "")
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: killed, data: data}
brokers: [{name: site, url: "tcp://%s"}]
web: {listen: "127.0.0.1:%d"}
points:
  - {name: keyed, measures: mass, unit: g, every: 1s, mqtt: {topic: q/keyed, format: json, value: /v, seq: /n}}
  - {name: timed, measures: mass, unit: g, every: 1s, mqtt: {topic: q/timed, format: json, value: /v, time: /t}}
  - {name: plain, measures: mass, unit: g, every: 1s, mqtt: {topic: q/plain}}
  - {name: packed, measures: mass, unit: g, every: 1s, mqtt: {topic: q/packed, format: senml, name: packed}}
`, broker, freePort(t)))

	// The first start makes the session at the broker, from which on it owes us every message.
	child := startRun(t, site, nil)
	waitUp(t, site)
	var sent atomic.Int64
	stop, published := make(chan struct{}), make(chan error, 1)
	go func() { published <- publishCounted(broker, &sent, stop) }()
	for range kills {
		time.Sleep(time.Duration(rand.IntN(400)) * time.Millisecond)
		child.kill(t)
		time.Sleep(time.Duration(rand.IntN(100)) * time.Millisecond)
		child = startRun(t, site, nil)
		if rand.IntN(3) > 0 { // else kill it while it starts
			waitUp(t, site)
		}
	}
	waitUp(t, site)
	close(stop)
	if err := <-published; err != nil {
		t.Fatal(err)
	}
	n := int(sent.Load())
	if n < 1000 {
		t.Fatalf("only %d messages a topic were published: too few to say anything", n)
	}
	var counts map[string]map[int]int
	deadline := time.Now().Add(2 * time.Minute)
	for {
		counts = exported(t, filepath.Join(dir, "data"))
		if len(counts["keyed"]) >= n && len(counts["timed"]) >= n && len(counts["plain"]) >= n && len(counts["packed"]) >= n || time.Now().After(deadline) {
			break
		}
		time.Sleep(200 * time.Millisecond)
	}
	child.stop(t)
	for _, point := range []string{"keyed", "timed", "plain", "packed"} {
		lost, twice := 0, 0
		for i := range n {
			switch c := counts[point][i]; {
			case c == 0:
				lost++
			case c > 1:
				twice += c - 1
			}
		}
		if lost > 0 || twice > 0 {
			t.Errorf("%s: of %d messages %d are lost and %d are counted twice", point, n, lost, twice)
		}
	}
	t.Logf("%d kills, %d messages a topic", kills, n)

	// The chain was carried on at each start: what it says of the entries still holds.
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "killed.zip")
	if out, err := exec.Command("standwatch", "bundle", "--data", data, "--out", file).CombinedOutput(); err != nil {
		t.Fatalf("bundle: %v\n%s", err, out)
	}
	out, err := exec.Command("standwatch", "verify", "--json", file).CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte(`"intact":true`)) || !bytes.Contains(out, []byte(`"chained_late":0,`)) {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// publishCounted publishes 0, 1, 2, ... to each topic until stop, counting
// what the broker has acknowledged, and waits for the last acknowledgement.
func publishCounted(broker string, sent *atomic.Int64, stop <-chan struct{}) error {
	o := mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("publisher").SetOrderMatters(true)
	c := mqtt.NewClient(o)
	if t := c.Connect(); !t.WaitTimeout(2*time.Minute) || t.Error() != nil {
		return fmt.Errorf("the publisher cannot connect: %v", t.Error())
	}
	defer c.Disconnect(250)
	start := time.Now().Add(-time.Hour).UnixMilli()
	var open []mqtt.Token // published and not yet acknowledged: some at a time, or the round trip sets the rate
	settle := func(leave int) error {
		for len(open) > leave {
			if t := open[0]; !t.WaitTimeout(2*time.Minute) || t.Error() != nil {
				return fmt.Errorf("a message was not taken by the broker: %v", t.Error())
			}
			open = open[1:]
		}
		return nil
	}
	for i := 0; ; i++ {
		select {
		case <-stop:
			sent.Store(int64(i))
			return settle(0)
		default:
		}
		own := start + int64(i)
		open = append(open,
			c.Publish("q/keyed", 1, false, fmt.Sprintf(`{"v":%d,"n":%d}`, i, i)),
			c.Publish("q/timed", 1, false, fmt.Sprintf(`{"v":%d,"t":%d}`, i, own)),
			c.Publish("q/plain", 1, false, strconv.Itoa(i)),
			c.Publish("q/packed", 1, false, fmt.Sprintf(`[{"n":"packed","u":"g","t":%d.%03d,"v":%d}]`, own/1000, own%1000, i)))
		if err := settle(200); err != nil {
			return err
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// exported counts each value of each point in the journal, in grams.
func exported(t *testing.T, data string) map[string]map[int]int {
	t.Helper()
	out, err := exec.Command("standwatch", "export", "--data", data).Output()
	if err != nil {
		t.Fatalf("export: %v", err)
	}
	rows, err := csv.NewReader(bytes.NewReader(out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]map[int]int{}
	for _, r := range rows[1:] {
		if r[1] != "reading" || r[3] == "" {
			continue
		}
		kg, err := strconv.ParseFloat(r[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		if counts[r[2]] == nil {
			counts[r[2]] = map[int]int{}
		}
		counts[r[2]][int(kg*1000+0.5)]++
	}
	return counts
}

// child is a running standwatch.
type child struct {
	cmd *exec.Cmd
	log *bytes.Buffer
}

func startRun(t *testing.T, site string, env []string, args ...string) *child {
	t.Helper()
	c := &child{cmd: exec.Command("standwatch", append([]string{"run", "--config", site}, args...)...), log: &bytes.Buffer{}}
	c.cmd.Stdout, c.cmd.Stderr = io.Discard, c.log
	c.cmd.Env = append(os.Environ(), env...)
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
		if t.Failed() {
			t.Logf("standwatch said:\n%s", c.log)
		}
	})
	return c
}

func (c *child) kill(t *testing.T) {
	t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		t.Fatalf("the daemon had ended by itself: %v\n%s", err, c.log)
	}
	_ = c.cmd.Wait() // it was killed; that is its error
}

func (c *child) stop(t *testing.T) {
	t.Helper()
	c.end(t, os.Interrupt)
}

func (c *child) end(t *testing.T, by os.Signal) {
	t.Helper()
	_ = c.cmd.Process.Signal(by)
	done := make(chan error, 1)
	go func() { done <- c.cmd.Wait() }()
	select {
	case err := <-done:
		if err != nil {
			t.Errorf("the daemon did not stop in order: %v\n%s", err, c.log)
		}
	case <-time.After(2 * time.Minute):
		t.Errorf("the daemon did not stop\n%s", c.log)
	}
}

// waitUp waits until the daemon of a site file answers and its broker is connected.
func waitUp(t *testing.T, site string) (page string) {
	t.Helper()
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), `listen: "`)
	address, _, _ := strings.Cut(after, `"`)
	page = "http://" + address
	deadline := time.Now().Add(2 * time.Minute)
	for time.Now().Before(deadline) {
		resp, err := http.Get(page + "/metrics")
		if err == nil {
			body, _ := io.ReadAll(resp.Body)
			resp.Body.Close()
			if bytes.Contains(body, []byte(`standwatch_device_up{device="site"} 1`)) {
				return page
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("the daemon at %s did not come up with its broker within 20 s", address)
	return ""
}

// startMosquitto starts Debian's broker on a free port, without the limits by
// which it would drop what it owes a client that is away.
// With a user, nobody else gets in, and the password is the name and "-password".
func startMosquitto(t *testing.T, user string) string {
	t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		if path, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			t.Fatal("mosquitto is not here; run deploy/check, which installs it")
		}
	}
	address := fmt.Sprintf("127.0.0.1:%d", freePort(t))
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	who := "allow_anonymous true"
	if user != "" {
		file := filepath.Join(filepath.Dir(conf), "passwords")
		if out, err := exec.Command("mosquitto_passwd", "-b", "-c", file, user, user+"-password").CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
		}
		who = "allow_anonymous false\npassword_file " + file
	}
	write(t, conf, fmt.Sprintf("user root\nlistener %s 127.0.0.1\n%s\nmax_queued_messages 0\nmax_inflight_messages 0\npersistence false\n", address[strings.LastIndex(address, ":")+1:], who))
	cmd := exec.Command(path, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	for range 100 {
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close()
			return address
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatal("mosquitto did not start listening within 2 s")
	return ""
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// A terminal that is shut ends the program in order; one that was started to
// outlive its terminal goes on.
func TestRealTerminalThatIsShut(t *testing.T) {
	t.Parallel()
	broker := startMosquitto(t, "")
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: shut, data: data}
brokers: [{name: site, url: "tcp://%s"}]
web: {listen: "127.0.0.1:%d"}
points:
  - {name: plain, measures: mass, unit: g, every: 1s, mqtt: {topic: q/plain}}
`, broker, freePort(t)))
	if !signal.Ignored(syscall.SIGHUP) { // else what runs these tests was itself started so
		c := startRun(t, site, nil)
		waitUp(t, site)
		c.end(t, syscall.SIGHUP)
	}
	c := &child{cmd: exec.Command("nohup", "standwatch", "run", "--config", site), log: &bytes.Buffer{}}
	c.cmd.Stdout, c.cmd.Stderr = c.log, c.log
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.cmd.Process.Kill() })
	waitUp(t, site)
	if err := c.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second) // for it to end, if it would
	waitUp(t, site)
	c.stop(t)
}
