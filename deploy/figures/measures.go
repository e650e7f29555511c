package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
	sensormqtt "standwatch/sensors/mqtt"
)

// longestMeasure ends a measure that goes nowhere.
const longestMeasure = 3 * time.Minute

func size(b bench) error {
	st, err := os.Stat(b.program)
	if err != nil {
		return err
	}
	fmt.Printf("  %.1f MB\n", float64(st.Size())/1e6)
	return nil
}

// drained is one client emptying one backlog.
type drained struct {
	took, cpu time.Duration
}

func backlog(b bench) error {
	store := newStore()
	defer store.Close()
	contestants := []struct {
		name  string
		drain func(bench) (drained, error)
		took  []drained
	}{
		{"bare", drainBare, nil},
		{"standwatch", drainBox(""), nil},
		{"standwatch and uplink", drainBox(fmt.Sprintf("uplink: {url: %q, bucket: bench}", store.URL)), nil},
	}
	for round := range b.rounds {
		for i := range contestants { // each is first in turn, so that none always has the warmer machine
			c := &contestants[(round+i)%len(contestants)]
			d, err := c.drain(b)
			if err != nil {
				return fmt.Errorf("%s: %w", c.name, err)
			}
			c.took = append(c.took, d)
			fmt.Printf("  round %d, %s: %s\n", round+1, c.name, b.show(d))
		}
	}
	bare := middle(contestants[0].took)
	fmt.Printf("  medians: bare %s\n", b.show(bare))
	for _, c := range contestants[1:] {
		d := middle(c.took)
		fmt.Printf("  medians: %s %s: %.0f %% of the rate, %.2f times the CPU\n",
			c.name, b.show(d), 100*bare.took.Seconds()/d.took.Seconds(), d.cpu.Seconds()/bare.cpu.Seconds())
	}
	fmt.Println("  (rate: from the connection to the last message counted, or read back from the journal by another process;")
	fmt.Println("  CPU: user and system time of the whole process, its start and its orderly stop included)")
	return nil
}

// newStore takes whatever an uplink sends and keeps nothing.
func newStore() *httptest.Server {
	return httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // what the other side broke off is its matter
		w.WriteHeader(http.StatusNoContent)
	}))
}

func (b bench) show(d drained) string {
	return fmt.Sprintf("%.0f/s with %.2f s CPU", float64(b.messages)/d.took.Seconds(), d.cpu.Seconds())
}

// middle takes the medians of the times and of the CPU.
func middle(ds []drained) drained {
	var took, cpu []time.Duration
	for _, d := range ds {
		took, cpu = append(took, d.took), append(cpu, d.cpu)
	}
	slices.Sort(took)
	slices.Sort(cpu)
	return drained{took[len(took)/2], cpu[len(cpu)/2]}
}

// jsonMessage is the i-th message: a thermometer after the other, each a second
// after its last.
func jsonMessage(i int) message {
	at := yesterday.Add(time.Duration(i/points) * time.Second).UnixMilli()
	return message{"bench/" + pointName(i), fmt.Appendf(nil, `{"celsius":%.2f,"t":%d,"seq":%d,"battery":93}`, celsius(i), at, i/points)}
}

// yesterday is when the measured instruments began to speak: in the past, so
// that no reading is from the future.
var yesterday = time.Now().Add(-24 * time.Hour)

func celsius(i int) float64 { return 20 + float64(i%700)/100 }

func drainBare(b bench) (d drained, err error) {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return d, err
	}
	defer m.stop()
	self, err := os.Executable()
	if err != nil {
		return d, err
	}
	log := filepath.Join(b.dir, "bare.log")
	run := func(count int) (*child, error) {
		return startChild(log, self, "acknowledge", m.url, strconv.Itoa(count))
	}
	c, err := run(0)
	if err != nil {
		return d, err
	}
	if err := m.await(10*time.Second, "New client connected", " bare "); err != nil {
		return d, err
	}
	if err := c.wait(); err != nil {
		return d, err
	}
	if err := m.fill(b.messages, jsonMessage); err != nil {
		return d, err
	}
	if c, err = run(b.messages); err != nil {
		return d, err
	}
	if err := m.await(10*time.Second, "New client connected", " bare "); err != nil {
		return d, err
	}
	begun := time.Now()
	for end := begun.Add(longestMeasure); !strings.Contains(read(log), "counted"); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			return d, fmt.Errorf("the bare subscriber did not count %d messages", b.messages)
		}
	}
	d.took = time.Since(begun)
	err = c.wait()
	d.cpu = c.cpu()
	return d, err
}

func drainBox(more string) func(bench) (drained, error) {
	return func(b bench) (drained, error) {
		return drainInto(b, oneReading, more, b.messages, b.messages, jsonMessage)
	}
}

// drainInto lets a standwatch make its session, fills the broker while it is
// away, and drains.
func drainInto(b bench, payload, more string, messages, readings int, nth func(int) message) (d drained, err error) {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return d, err
	}
	defer m.stop()
	x, err := newBox(b, m.url, payload, more)
	if err != nil {
		return d, err
	}
	defer x.close()
	if err := x.start(b); err != nil {
		return d, err
	}
	if err := m.await(10*time.Second, "standwatch", "bench/"); err != nil {
		return d, fmt.Errorf("%w\n%s", err, tail(read(filepath.Join(x.dir, "log")), 2000))
	}
	time.Sleep(300 * time.Millisecond) // until it has subscribed to every topic
	if err := x.proc.stop(); err != nil {
		return d, err
	}
	if err := m.fill(messages, nth); err != nil {
		return d, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), longestMeasure)
	defer cancel()
	r, err := x.reader(ctx)
	if err != nil {
		return d, err
	}
	defer r.Close()
	before, err := r.Last(ctx)
	if err != nil {
		return d, err
	}
	if err := x.start(b); err != nil {
		return d, err
	}
	if err := m.await(10*time.Second, "New client connected", "standwatch"); err != nil {
		return d, err
	}
	begun := time.Now()
	if err := reaches(ctx, r, before+uint64(readings)+2); err != nil { // beside the start and its anchor
		return d, err
	}
	d.took = time.Since(begun)
	if err := x.proc.stop(); err != nil {
		return d, err
	}
	d.cpu = x.proc.cpu()
	if err := keptAll(ctx, r, before, readings); err != nil {
		return d, err
	}
	return d, m.owesNothing(sensormqtt.ClientID("bench", "bench"))
}

// keptAll fails unless the journal holds that many good readings after an entry.
func keptAll(ctx context.Context, r *journal.Reader, after uint64, want int) error {
	got := 0
	for e, err := range r.Entries(ctx, after+1, 0, nil) {
		if err != nil {
			return err
		}
		if m, ok := e.Body.(*rules.Measured); ok && m.Health.Grade == sensors.Good {
			got++
		}
	}
	if got != want {
		return fmt.Errorf("the journal holds %d good readings of %d", got, want)
	}
	return nil
}

func packs(b bench) error {
	const perPack = 100
	n := max(1, b.messages/20) // five times the readings of the backlog above
	var ds []drained
	for range b.rounds {
		d, err := drainInto(b, pack, "", n, n*perPack, func(i int) message { return message{"bench/pack", senml(i, perPack)} })
		if err != nil {
			return err
		}
		ds = append(ds, d)
	}
	d := middle(ds)
	fmt.Printf("  %.0f readings/s with %.2f s CPU for %d readings (median of %d rounds)\n",
		float64(n*perPack)/d.took.Seconds(), d.cpu.Seconds(), n*perPack, b.rounds)
	return nil
}

// senml makes the i-th pack of n records by RFC 8428; the packs take turns over
// the points, and each point's next reading is a second after its last.
func senml(i, n int) []byte {
	var s strings.Builder
	for k := range n {
		lead := ","
		if k == 0 {
			lead = fmt.Sprintf(`[{"bt":%d,"bu":"Cel"`, yesterday.Unix()+int64(i*n/points)) + ","
		} else {
			lead += "{"
		}
		fmt.Fprintf(&s, `%s"n":"%s","v":%.2f}`, lead, pointName(i*n+k), celsius(i+k))
	}
	s.WriteByte(']')
	return []byte(s.String())
}

func start(b bench) error {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return err
	}
	defer m.stop()
	ctx, cancel := context.WithTimeout(context.Background(), longestMeasure)
	defer cancel()
	done := publish(ctx, m, 20*time.Millisecond, 1)
	var took []time.Duration
	for range 5 {
		d, err := startOnce(ctx, b, m)
		if err != nil {
			return err
		}
		took = append(took, d)
	}
	cancel()
	if err := <-done; err != nil {
		return err
	}
	fmt.Printf("  %s (a new journal each time; a thermometer speaks every 20 ms)\n", spread(took))
	return nil
}

func startOnce(ctx context.Context, b bench, m *mosquitto) (time.Duration, error) {
	x, err := newBox(b, m.url, oneReading, "")
	if err != nil {
		return 0, err
	}
	defer x.close()
	begun := time.Now()
	if err := x.start(b); err != nil {
		return 0, err
	}
	r, err := x.reader(ctx)
	if err != nil {
		return 0, err
	}
	defer r.Close()
	for {
		ok, err := measured(ctx, r)
		if err != nil {
			return 0, err
		}
		if ok {
			break
		}
		time.Sleep(2 * time.Millisecond)
	}
	took := time.Since(begun)
	return took, x.proc.stop()
}

// publish sends n readings at every interval until ctx ends, from a point to
// the next.
func publish(ctx context.Context, m *mosquitto, every time.Duration, n int) <-chan error {
	done := make(chan error, 1)
	go func() {
		c, err := dial(m.url, "thermometers", true)
		if err != nil {
			done <- err
			return
		}
		defer c.Disconnect(100)
		tick := time.NewTicker(every)
		defer tick.Stop()
		for i := 0; ; {
			for range n {
				x := jsonMessage(i)
				c.Publish(x.topic, 1, false, x.payload)
				i++
			}
			select {
			case <-ctx.Done():
				done <- nil
				return
			case <-tick.C:
			}
		}
	}()
	return done
}

func steady(b bench) error {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return err
	}
	defer m.stop()
	x, err := newBox(b, m.url, oneReading, "")
	if err != nil {
		return err
	}
	defer x.close()
	if err := x.start(b); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(b.seconds)*time.Second+longestMeasure)
	defer cancel()
	done := publish(ctx, m, time.Second, points)
	time.Sleep(5 * time.Second) // its start is another figure
	pid := x.proc.cmd.Process.Pid
	before, begun := used(pid), time.Now()
	time.Sleep(time.Duration(b.seconds) * time.Second)
	share := (used(pid) - before).Seconds() / time.Since(begun).Seconds()
	status := fmt.Sprintf("/proc/%d/status", pid)
	fmt.Printf("  %.2f %% of one core over %d s, %s resident (at most %s)\n", 100*share, b.seconds,
		procField(status, "VmRSS"), procField(status, "VmHWM"))
	cancel()
	if err := <-done; err != nil {
		return err
	}
	return x.proc.stop()
}

// used is the CPU time of a running process, in the kernel's steps of 10 ms.
func used(pid int) time.Duration {
	stat := read(fmt.Sprintf("/proc/%d/stat", pid))
	fields := strings.Fields(stat[strings.LastIndexByte(stat, ')')+1:])
	if len(fields) < 13 {
		return 0
	}
	user, _ := strconv.Atoi(fields[11]) // a kernel's number
	system, _ := strconv.Atoi(fields[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

// flagDelay lets every point fail twice, and then a third time at a moment that
// has nothing to do with the commit's: that reading raises the flag.
func flagDelay(b bench) error {
	m, err := startMosquitto(b.dir)
	if err != nil {
		return err
	}
	defer m.stop()
	x, err := newBox(b, m.url, oneReading, "")
	if err != nil {
		return err
	}
	defer x.close()
	if err := x.start(b); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), longestMeasure)
	defer cancel()
	r, err := x.reader(ctx)
	if err != nil {
		return err
	}
	defer r.Close()
	if err := m.await(10*time.Second, "standwatch", "bench/"); err != nil {
		return err
	}
	time.Sleep(time.Second)
	c, err := dial(m.url, "thermometers", true)
	if err != nil {
		return err
	}
	defer c.Disconnect(100)
	fail := func(i int) { c.Publish("bench/"+pointName(i), 1, false, []byte("out of order")) }
	var took []time.Duration
	after := int64(0)
	const group = 40 // so that none waits for the half minute after which two failures are enough
	for first := 0; first < points; first += group {
		for i := range 2 * group {
			fail(first + i%group)
		}
		time.Sleep(6 * time.Second) // three failures within 5 s are one fault of the moment: rules/failed.go
		for i := first; i < first+group; i++ {
			time.Sleep(time.Duration(rand.IntN(250)) * time.Millisecond)
			sent := time.Now()
			fail(i)
			if after, err = flagged(ctx, r, after, pointName(i)); err != nil {
				return err
			}
			took = append(took, time.Since(sent))
		}
	}
	fmt.Printf("  %s\n", spread(took))
	return x.proc.stop()
}

// flagged waits for a finding that names the point and returns its number.
func flagged(ctx context.Context, r *journal.Reader, after int64, point string) (int64, error) {
	for {
		fs, err := r.Findings(ctx, after, 100)
		if err != nil {
			return after, err
		}
		for _, f := range fs {
			after = f.ID
			if slices.Contains(f.Points, point) {
				return after, nil
			}
		}
		select {
		case <-ctx.Done():
			return after, fmt.Errorf("no flag for %s: %w", point, ctx.Err())
		case <-time.After(time.Millisecond):
		}
	}
}
