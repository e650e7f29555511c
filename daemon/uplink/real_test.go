package uplink

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// program finds an outside program, or fails with what to do.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is not on the PATH: run deploy/check, which installs it", name)
	}
	return path
}

// server is an outside program under the test's hand.
type server struct {
	t     *testing.T
	args  []string
	alive string // an address that answers while it lives
	cmd   *exec.Cmd
	log   bytes.Buffer
}

func (s *server) start() {
	s.t.Helper()
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	s.cmd.Stdout, s.cmd.Stderr = &s.log, &s.log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	eventually(s.t, "the store answers", func() bool {
		resp, err := http.Get(s.alive)
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode < 300
	})
}

func (s *server) stop(sig syscall.Signal) {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(sig) // it may have ended by itself
	_ = s.cmd.Wait()
	s.cmd = nil
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it never came to pass: %s", what)
		}
	}
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func get(t *testing.T, address string) []byte {
	t.Helper()
	resp, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode >= 300 {
		t.Fatalf("%s: %d %s %v", address, resp.StatusCode, b, err)
	}
	return b
}

// Names with everything that the line protocol escapes.
func awkward() rules.Site {
	return rules.Site{Name: `Quayside Library, "North" wing = öst`, Points: []sensors.Point{
		{Name: "gauge", System: "north, upper = 1", Quantity: sensors.Vacuum, Role: "vacuum-gauge"},
		{Name: "scale", System: `"south"`, Quantity: sensors.Mass, Role: "charging-scale"},
		{Name: "hall", System: "ναός 東 \\ ", Quantity: sensors.Temperature},
	}}
}

const awkwardBox = `box "1", quay=side`

// chain is a real journal, a real follower and a real store.
type chain struct {
	t    *testing.T
	j    *journal.Journal
	conf Config
	step int64 // ms between readings of a point
	n    int
	want map[string]float64 // "measurement|point|ns"
	stop func()
	f    *Follower
}

func newChain(t *testing.T, c Config, step int64) *chain {
	t.Helper()
	j, err := journal.Open(t.Context(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	if err := j.Points(awkward().Points); err != nil {
		t.Fatal(err)
	}
	at := rules.Instant{Boot: 1}
	if err := j.Append([]rules.Entry{{At: at, Body: &rules.Started{}}, {At: at, Body: &rules.Clocked{Wall: morning, Proven: true, Source: "synchronised"}}}, nil); err != nil {
		t.Fatal(err)
	}
	c.Every, c.Timeout = 10*time.Millisecond, 10*time.Second
	return &chain{t: t, j: j, conf: c, step: step, want: map[string]float64{}}
}

// append adds n readings of each point; with a step of 0 ms two of three share
// their millisecond.
func (c *chain) append(n int) {
	c.t.Helper()
	ranks := map[int64]int64{}
	var es []rules.Entry
	for range n {
		ms := int64(c.n) * c.step
		if c.step == 0 {
			ms = int64(c.n / 3 * 2)
		}
		at := time.Duration(ms) * time.Millisecond
		for _, p := range awkward().Points {
			v := p.Quantity.Round(20 + float64(c.n)*0.001)
			es = append(es, rules.Entry{At: rules.Instant{Boot: 1, Since: at}, Body: &rules.Measured{Reading: sensors.Reading{Point: p.Name, Value: v}, Taken: at}})
			c.want[fmt.Sprintf("%s|%s|%d", p.Quantity, p.Name, (morning+ms)*1_000_000+ranks[ms])] = v
		}
		ranks[ms]++
		c.n++
	}
	if err := c.j.Append(es, nil); err != nil {
		c.t.Fatal(err)
	}
}

func (c *chain) run() {
	c.f = New(Parts{Config: c.conf, Box: awkwardBox, Site: awkward(), Journal: c.j, Log: slog.New(slog.DiscardHandler), Held: 50 * time.Millisecond})
	ctx, cancel := context.WithCancel(c.t.Context())
	done := make(chan error, 1)
	go func() { done <- c.f.Run(ctx) }()
	c.stop = func() {
		cancel()
		if err := <-done; err != nil {
			c.t.Errorf("Run: %v", err)
		}
	}
}

func (c *chain) upToDate() bool {
	st := c.f.State()
	last, err := c.j.Last(c.t.Context())
	if err != nil {
		c.t.Fatal(err)
	}
	at, err := c.j.Cursor(c.t.Context(), "uplink:desk")
	if err != nil {
		c.t.Fatal(err)
	}
	return st.OK && uint64(at) == last
}

// night plays an outage and a restart of the box between readings.
func (c *chain) night(s *server, end syscall.Signal) {
	c.t.Helper()
	c.append(900)
	c.run()
	eventually(c.t, "the first readings arrive", c.upToDate)
	s.stop(end)
	c.append(600)
	eventually(c.t, "the outage shows", func() bool { return !c.f.State().OK && c.f.State().Waiting == 1800 })
	c.stop() // the box restarts while the store is away
	c.run()
	c.append(300)
	s.start()
	eventually(c.t, "all arrives after the outage", c.upToDate)
	c.append(300)
	eventually(c.t, "the last readings arrive", c.upToDate)
	c.stop()
	if st := c.f.State(); st.Quarantined != 0 {
		c.t.Errorf("lines were set aside: %+v", st)
	}
}

func (c *chain) compare(got map[string]float64) {
	c.t.Helper()
	if maps.Equal(got, c.want) {
		return
	}
	missing, extra := 0, 0
	for k, v := range c.want {
		if w, ok := got[k]; !ok || w != v {
			if missing++; missing <= 5 {
				c.t.Errorf("want %s = %v, store has %v (%v)", k, v, w, ok)
			}
		}
	}
	for k := range got {
		if _, ok := c.want[k]; !ok {
			if extra++; extra <= 5 {
				c.t.Errorf("store has %s, which was never measured", k)
			}
		}
	}
	c.t.Errorf("store holds %d points, want %d; %d missing or wrong, %d extra", len(got), len(c.want), missing, extra)
}

// checkTags compares what a store gives back with what the site file says.
func checkTags(t *testing.T, tags map[string]string) {
	t.Helper()
	i := slices.IndexFunc(awkward().Points, func(p sensors.Point) bool { return p.Name == tags["point"] })
	if i < 0 {
		t.Errorf("tags %q name no point", tags)
		return
	}
	p := awkward().Points[i]
	want := map[string]string{"box": awkwardBox, "site": awkward().Name, "point": p.Name, "system": strings.TrimRight(p.System, `\ `)}
	if p.Role != "" {
		want["role"] = p.Role
	}
	if !maps.Equal(tags, want) {
		t.Errorf("tags came back as %q, want %q", tags, want)
	}
}

// InfluxDB 1.8.10, killed in between and started again: exactly the journal's
// readings are in it, two of one millisecond apart, and every tag as it was.
func TestRealInfluxDB(t *testing.T) {
	dir, address, rpc := t.TempDir(), freeAddress(t), freeAddress(t)
	conf := filepath.Join(dir, "influxd.conf")
	text := fmt.Sprintf(`reporting-disabled = true
bind-address = %q
[meta]
  dir = %q
[data]
  dir = %q
  wal-dir = %q
[monitor]
  store-enabled = false
[http]
  bind-address = %q
`, rpc, filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), address)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &server{t: t, args: []string{program(t, "influxd"), "-config", conf}, alive: "http://" + address + "/ping"}
	s.start()
	t.Cleanup(func() {
		s.stop(syscall.SIGKILL)
		if t.Failed() {
			t.Log(s.log.String())
		}
	})
	query := func(q string) []byte {
		return get(t, "http://"+address+"/query?db=site&epoch=ns&q="+url.QueryEscape(q))
	}

	c := newChain(t, Config{Name: "desk", URL: "http://" + address, Bucket: "site", Batch: 500, Gzip: true}, 0)
	// A bucket that is not there yet holds everything; making it is enough.
	c.append(1)
	c.run()
	eventually(t, "the missing bucket shows", func() bool { return strings.Contains(c.f.State().Sentence, "check url, org and bucket") })
	resp, err := http.PostForm("http://"+address+"/query", url.Values{"q": {"CREATE DATABASE site"}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	eventually(t, "the first reading arrives", c.upToDate)
	c.stop()
	c.n = 3 // the next readings begin a millisecond of their own
	c.night(s, syscall.SIGKILL)

	got := map[string]float64{}
	var answer struct {
		Results []struct {
			Series []struct {
				Name    string
				Tags    map[string]string
				Columns []string
				Values  [][]json.Number
			}
		}
	}
	d := json.NewDecoder(bytes.NewReader(query(`SELECT pascals FROM vacuum GROUP BY *; SELECT kilograms FROM mass GROUP BY *; SELECT celsius FROM temperature GROUP BY *`)))
	if err := d.Decode(&answer); err != nil {
		t.Fatal(err)
	}
	for _, r := range answer.Results {
		for _, series := range r.Series {
			tags := maps.Clone(series.Tags)
			maps.DeleteFunc(tags, func(_, v string) bool { return v == "" }) // a tag that only other series have
			checkTags(t, tags)
			for _, v := range series.Values {
				f, err := v[1].Float64()
				if err != nil {
					t.Fatal(err)
				}
				got[fmt.Sprintf("%s|%s|%s", series.Name, series.Tags["point"], v[0])] = f
			}
		}
	}
	c.compare(got)

	// A field of another kind, written by somebody else first, is refused by
	// this very server: the line is set aside with its words, the rest flows.
	put(t, address, fmt.Sprintf("humidity,point=other ratio=\"text\" %d", morning*1_000_000)) // of the same week: kinds are kept by shard
	site := awkward()
	site.Points = append(site.Points, sensors.Point{Name: "wet", Quantity: sensors.Humidity})
	m := newMemory()
	m.prove(1, morning)
	m.add(measured("hall", 1, 10_000_000), measured("wet", 0.5, 10_000_000), measured("hall", 2, 10_001_000))
	f, stop := begin(t, m, nil, func(p *Parts) {
		p.Config.URL, p.Config.Every, p.Site, p.Box, p.Transport = "http://"+address, time.Millisecond, site, "box-2", nil
	})
	eventually(t, "the rest flows", func() bool { return f.State().OK && f.State().Waiting == 0 })
	stop()
	if aside := m.set("uplink:desk"); len(aside) != 1 || !strings.Contains(aside[0], "point=wet") || !strings.Contains(aside[0], "field type conflict") {
		t.Errorf("set aside %q", aside)
	}
	if b := query(`SELECT count(celsius) FROM temperature WHERE box='box-2'`); !bytes.Contains(b, []byte(`,2]`)) {
		t.Errorf("the good lines beside it: %s", b)
	}
}

func put(t *testing.T, address, line string) {
	t.Helper()
	resp, err := http.Post("http://"+address+"/api/v2/write?bucket=site&precision=ns", "text/plain", strings.NewReader(line))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != 204 {
		t.Fatalf("status %d", resp.StatusCode)
	}
}

// VictoriaMetrics as the store that people grow into. It keeps milliseconds, so
// readings are a millisecond apart here; and its 204 comes some seconds before
// it is durable, so it is stopped in order.
func TestRealVictoriaMetrics(t *testing.T) {
	address := freeAddress(t)
	s := &server{t: t, alive: "http://" + address + "/health", args: []string{program(t, "victoria-metrics"),
		"-httpListenAddr=" + address, "-storageDataPath=" + t.TempDir(), "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms"}}
	s.start()
	t.Cleanup(func() {
		s.stop(syscall.SIGKILL)
		if t.Failed() {
			t.Log(s.log.String())
		}
	})
	c := newChain(t, Config{Name: "desk", URL: "http://" + address, Bucket: "site", Batch: 500, Gzip: true}, 250)
	c.night(s, syscall.SIGINT)

	get(t, "http://"+address+"/internal/force_flush")
	got := map[string]float64{}
	lines := bufio.NewScanner(bytes.NewReader(get(t, "http://"+address+"/api/v1/export?match[]="+url.QueryEscape(`{point!=""}`))))
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var series struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		if err := json.Unmarshal(lines.Bytes(), &series); err != nil {
			t.Fatal(err)
		}
		measurement, _, _ := strings.Cut(series.Metric["__name__"], "_")
		tags := maps.Clone(series.Metric)
		delete(tags, "__name__")
		delete(tags, "db") // the bucket
		checkTags(t, tags)
		for i, ms := range series.Timestamps {
			got[measurement+"|"+series.Metric["point"]+"|"+strconv.FormatInt(ms*1_000_000, 10)] = series.Values[i]
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	c.compare(got)
}
