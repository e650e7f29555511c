package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// output that a test may read while a command writes it.
type shared struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *shared) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(b)
}

func (s *shared) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// realBox is the program with a site file, as it is run on a box.
type realBox struct {
	t           *testing.T
	dir, file   string
	local, site string // where its pages are: on this machine, on the site network
	stop        func()
	out         *shared
	client      *http.Client
}

func newRealBox(t *testing.T) *realBox {
	b := &realBox{t: t, dir: t.TempDir()}
	b.local, b.site = fmt.Sprint("http://127.0.0.1:", freePort(t)), fmt.Sprint("https://127.0.0.1:", freePort(t))
	b.file = filepath.Join(b.dir, "site.yaml")
	text := fmt.Sprintf(`site:   {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box:    {name: quayside, data: data}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 1s}
web: {listen: "0.0.0.0:%s", local: "%s"}
`, strings.TrimPrefix(b.site, "https://127.0.0.1:"), strings.TrimPrefix(b.local, "http://"))
	if err := os.WriteFile(b.file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b.client = &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}, // its fingerprint is compared
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	t.Cleanup(b.client.CloseIdleConnections)
	return b
}

func (b *realBox) start() {
	b.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	b.out = &shared{}
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, []string{"run", "--config", b.file}, b.out, b.out) }()
	b.stop = sync.OnceFunc(func() {
		cancel()
		if status := <-ended; status != exitDone {
			b.t.Errorf("it ended with %d:\n%s", status, b.out)
		}
	})
	b.t.Cleanup(b.stop)
	for range 200 {
		if resp, err := b.client.Get(b.local + "/login"); err == nil {
			_ = resp.Body.Close()
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.t.Fatalf("it never answered:\n%s", b.out)
}

// pair runs `standwatch pair` and returns what it prints, and the code in it.
func (b *realBox) pair(args ...string) (text, code string, status int) {
	b.t.Helper()
	out := &shared{}
	status = run(context.Background(), append([]string{"pair", "--config", b.file}, args...), out, out)
	text = out.String()
	if m := regexp.MustCompile(`Code:  (\S{4}-\S{4}-\S{4})`).FindStringSubmatch(text); m != nil {
		code = m[1]
	}
	return text, code, status
}

func (b *realBox) get(address string, cookies ...*http.Cookie) (*http.Response, string) {
	b.t.Helper()
	r, err := http.NewRequest("GET", address, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, c := range cookies {
		r.AddCookie(c)
	}
	return b.do(r)
}

func (b *realBox) post(address string, f url.Values) (*http.Response, string) {
	b.t.Helper()
	r, err := http.NewRequest("POST", address, strings.NewReader(f.Encode()))
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return b.do(r)
}

func (b *realBox) do(r *http.Request) (*http.Response, string) {
	b.t.Helper()
	resp, err := b.client.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return resp, string(text)
}

// A box from its first start to its first technician, by the program itself,
// with a thousand wrong codes on the way.
func TestABoxIsClaimed(t *testing.T) {
	b := newRealBox(t)
	if text, _, status := b.pair(); status != exitFailed || !strings.Contains(text, "start the box once") {
		t.Fatalf("before the first start: %d %s", status, text)
	}
	b.start()
	if _, err := net.Dial("tcp", strings.TrimPrefix(b.site, "https://")); err == nil {
		t.Fatal("a box that nobody claimed listens on the site network")
	}
	text, code, status := b.pair()
	if !strings.Contains(b.out.String(), code) {
		t.Errorf("the console does not show the code:\n%s", b.out)
	}
	finger := regexp.MustCompile(`(?:[0-9A-F]{2} ){31}[0-9A-F]{2}`).FindString(text)
	if status != exitDone || code == "" || finger == "" || !strings.Contains(text, b.local+"/claim") || !strings.Contains(text, "15 minutes") {
		t.Fatalf("pair: %d\n%s", status, text)
	}
	resp, _ := b.get(b.site + "/points")
	if sum := sha256.Sum256(resp.TLS.PeerCertificates[0].Raw); strings.ReplaceAll(finger, " ", "") != fmt.Sprintf("%X", sum) {
		t.Errorf("the fingerprint is another one: %s, %X", finger, sum)
	}
	wrong := map[int]int{}
	for i := range 1000 {
		resp, _ := b.post(b.site+"/claim", url.Values{"code": {fmt.Sprintf("%012d", i)}, "name": {"Mallory"}, "password": {"needles all night long"}})
		wrong[resp.StatusCode]++
	}
	if wrong[403] < 5 || wrong[403]+wrong[429] != 1000 || wrong[403] > 12 { // a second doubles: few more than the free ones
		t.Errorf("a thousand wrong codes: %v", wrong)
	}
	right := url.Values{"code": {code}, "name": {"Ines Duarte"}, "password": {"needles all night long"}}
	resp, text = b.post(b.site+"/claim", right)
	for range 10 {
		if resp.StatusCode != 429 {
			break
		}
		wait, err := strconv.Atoi(resp.Header.Get("Retry-After"))
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(wait) * time.Second)
		resp, text = b.post(b.site+"/claim", right)
	}
	if resp.StatusCode != 303 || len(resp.Cookies()) != 1 || resp.Cookies()[0].Name != "__Host-standwatch" {
		t.Fatalf("the right code: %d %v\n%s", resp.StatusCode, resp.Cookies(), text)
	}
	cookie := resp.Cookies()[0]
	for _, address := range []string{b.local, b.site} {
		if resp, _ := b.get(address + "/points"); resp.StatusCode != 401 {
			t.Errorf("without a session at %s: %d", address, resp.StatusCode)
		}
	}
	if resp, _ := b.get(b.site+"/points", cookie); resp.StatusCode != 200 {
		t.Errorf("with it: %d", resp.StatusCode)
	}
	if resp, _ := b.get(b.local + "/metrics"); resp.StatusCode != 200 {
		t.Errorf("/metrics on this machine: %d", resp.StatusCode)
	}
	if resp, _ := b.post(b.site+"/claim", right); resp.StatusCode != 403 {
		t.Errorf("the same code again: %d", resp.StatusCode)
	}

	// Who has another box's data cannot open this one.
	other := filepath.Join(b.dir, "other")
	if err := os.CopyFS(other, os.DirFS(filepath.Join(b.dir, "data"))); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(other, "links.key"), bytes.Repeat([]byte{7}, 32), 0o600); err != nil {
		t.Fatal(err)
	}
	if text, _, status := b.pair("--data", other); status != exitFailed || !strings.Contains(text, "another one") {
		t.Errorf("with another box's key: %d %s", status, text)
	}
	// A technician who lost his password.
	text, code, status = b.pair()
	if status != exitDone || !strings.Contains(text, "for 15 minutes. Whoever types it becomes a technician") {
		t.Fatalf("pair: %d\n%s", status, text)
	}
	if resp, text := b.post(b.site+"/claim", url.Values{"code": {code}, "name": {"Ines Duarte"}, "password": {"another good password"}}); resp.StatusCode != 303 {
		t.Errorf("a fresh code: %d\n%s", resp.StatusCode, text)
	}
	if resp, _ := b.get(b.site+"/points", cookie); resp.StatusCode != 401 {
		t.Errorf("the session with the lost password: %d", resp.StatusCode)
	}

	// Started anew it is the same box: listening, with the same certificate and people.
	b.stop()
	if text, _, status := b.pair(); status != exitFailed || !strings.Contains(text, "does not answer") {
		t.Errorf("while it is stopped: %d %s", status, text)
	}
	b.start()
	if strings.Contains(b.out.String(), "belongs to nobody") {
		t.Errorf("the console of a claimed box says\n%s", b.out)
	}
	for range 100 {
		if c, err := net.Dial("tcp", strings.TrimPrefix(b.site, "https://")); err == nil {
			_ = c.Close()
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	resp, _ = b.post(b.site+"/login", url.Values{"name": {"Ines Duarte"}, "password": {"another good password"}})
	if sum := sha256.Sum256(resp.TLS.PeerCertificates[0].Raw); resp.StatusCode != 303 || strings.ReplaceAll(finger, " ", "") != fmt.Sprintf("%X", sum) {
		t.Errorf("after a restart: %d, certificate %X", resp.StatusCode, sum)
	}
	b.stop()

	// The record says who had access, and nothing that lets anybody in.
	record := &shared{}
	if status := run(context.Background(), []string{"export", "--data", filepath.Join(b.dir, "data")}, record, record); status != exitDone {
		t.Fatal(record)
	}
	for _, want := range []string{",mark,access,,,\"Ines Duarte claimed the box, technician\"", ",mark,access,,,\"Ines Duarte came in by the box's own code, technician\""} {
		if strings.Count(record.String(), want) != 1 {
			t.Errorf("the record has not once %s:\n%s", want, record)
		}
	}
	for _, secret := range []string{code, cookie.Value, "needles all night long", "another good password"} {
		if strings.Contains(record.String(), secret) || strings.Contains(b.out.String(), secret) {
			t.Errorf("%q is written down", secret)
		}
	}
}

// The demo asks nobody who he is, so it shows itself to this machine alone.
func TestTheDemoStaysOnThisMachine(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.7:8090", "[::]:0"} {
		out := &shared{}
		if status := run(context.Background(), []string{"demo", "--once", "--listen", address}, out, out); status != exitUsage || !strings.Contains(out.String(), "beyond this machine") {
			t.Errorf("%s: %d %s", address, status, out)
		}
	}
}
