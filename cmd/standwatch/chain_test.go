package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestRealChain is the whole chain as a person sets it up: a real mosquitto
// with a password file, mosquitto_pub by hand, `standwatch run`, the page, the
// export, a real InfluxDB and a webhook. Then the publisher stops in a
// weigh-in, and the webhook is told at the silence limit and woken at 60 s.
func TestRealChain(t *testing.T) {
	t.Parallel()
	const silentAfter = 10 * time.Second
	broker, password := startMosquitto(t, "hands"), "hands-password"
	store := startInflux(t)
	hook := newHook(t)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "broker.password"), password+"\n")
	site := filepath.Join(dir, "site.yaml")
	write(t, site, fmt.Sprintf(`
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box: {name: chain, data: data}
brokers: [{name: site, url: "tcp://%s", user: hands, password_file: broker.password}]
uplink: {url: "%s", bucket: site}
outbox: {webhooks: [{name: phone, url: "%s"}]}
web: {listen: "127.0.0.1:%d", public_url: "https://quayside.example.org"}
points:
  - {name: scale, measures: mass, role: charging-scale, unit: kg, every: 1s, silent_after: %s, mqtt: {topic: q/scale}}
steps:
  weigh-in: {target: 14.2 kg}
`, broker, store, hook.url, freePort(t), silentAfter))
	c := startRun(t, site, nil)
	page := waitUp(t, site)

	pub := func(message string) {
		t.Helper()
		host, port, _ := strings.Cut(broker, ":")
		if out, err := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-u", "hands", "-P", password, "-q", "1", "-t", "q/scale", "-m", message).CombinedOutput(); err != nil {
			t.Fatalf("mosquitto_pub: %v\n%s", err, out)
		}
	}
	pub("38.40")
	eventually(t, "the page shows the reading", func() bool { return strings.Contains(get(t, page+"/points"), "38.4") })
	eventually(t, "the export holds the reading", func() bool {
		out, err := exec.Command("standwatch", "export", "--data", filepath.Join(dir, "data")).Output()
		return err == nil && strings.Contains(string(out), ",reading,scale,38.4,kg,,")
	})
	eventually(t, "InfluxDB holds the reading", func() bool {
		return strings.Contains(get(t, store+"/query?db=site&q="+url.QueryEscape(`select kilograms from mass where point='scale'`)), "38.4")
	})

	if code := post(t, page, "/marks", url.Values{"kind": {"begin"}, "step": {"weigh-in"}}); code != http.StatusSeeOther {
		t.Fatalf("beginning the weigh-in answers %d", code)
	}
	stopped := time.Now() // or a little later
	pub("38.35")
	tell := hook.wait(t, "scale-silent", "tell")
	if after := tell.Sub(stopped); after < silentAfter {
		t.Errorf("told %s after the last reading, before the limit of %s", after, silentAfter)
	}
	wake := hook.wait(t, "scale-silent", "wake")
	if after := wake.Sub(stopped); after < time.Minute {
		t.Errorf("woken %s after the last reading, before 60 s", after)
	}
	if n := hook.count("scale-silent"); n != 2 {
		t.Errorf("the webhook got %d messages of the silence, want one as tell and one as wake", n)
	}
	c.stop(t)
}

// hook is a webhook that remembers what it was told.
type hook struct {
	url  string
	mu   sync.Mutex
	got  []map[string]any
	when []time.Time
}

func newHook(t *testing.T) *hook {
	h := &hook{}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m map[string]any
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			t.Errorf("the webhook got something that is not JSON: %v", err)
		}
		h.mu.Lock()
		h.got, h.when = append(h.got, m), append(h.when, time.Now())
		h.mu.Unlock()
	}))
	t.Cleanup(srv.Close)
	h.url = srv.URL
	return h
}

func (h *hook) count(flag string) (n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, m := range h.got {
		if m["rule"] == flag {
			n++
		}
	}
	return n
}

func (h *hook) wait(t *testing.T, flag, urgency string) (at time.Time) {
	t.Helper()
	eventually(t, fmt.Sprintf("the webhook gets %s as %s", flag, urgency), func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		for i, m := range h.got {
			if m["rule"] == flag && m["urgency"] == urgency && m["state"] == "raised" {
				if link, _ := m["ack_url"].(string); !strings.HasPrefix(link, "https://quayside.example.org/flags/ack?") {
					t.Errorf("the message has no acknowledgement link that a phone can open: %v", m)
				}
				at = h.when[i]
				return true
			}
		}
		return false
	})
	return at
}

// eventually waits for something to happen. How long that takes says nothing: the
// machine may have other work.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if is() {
			return
		}
	}
	t.Fatalf("it never came to pass: %s", what)
}

func get(t *testing.T, address string) string {
	t.Helper()
	resp, err := http.Get(address)
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

// post sends a form as the page itself does, and returns the status.
func post(t *testing.T, page, path string, form url.Values) int {
	t.Helper()
	req, err := http.NewRequestWithContext(context.WithoutCancel(t.Context()), http.MethodPost, page+path, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", page)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, resp.Body)
	return resp.StatusCode
}

// startInflux starts a real InfluxDB 1.8 with a database called site.
func startInflux(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("influxd")
	if err != nil {
		t.Fatal("influxd is not here; run deploy/check, which installs it")
	}
	dir, address := t.TempDir(), fmt.Sprintf("127.0.0.1:%d", freePort(t))
	conf := filepath.Join(dir, "influxd.conf")
	write(t, conf, fmt.Sprintf("reporting-disabled = true\nbind-address = \"127.0.0.1:%d\"\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\n[monitor]\nstore-enabled = false\n[http]\nbind-address = %q\n",
		freePort(t), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), address))
	cmd := exec.Command(path, "-config", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Signal(os.Interrupt); _ = cmd.Wait() })
	base := "http://" + address
	eventually(t, "InfluxDB answers", func() bool {
		resp, err := http.Get(base + "/ping")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusNoContent
	})
	resp, err := http.PostForm(base+"/query", url.Values{"q": {"CREATE DATABASE site"}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	return base
}
