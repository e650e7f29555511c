package daemon

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"standwatch/daemon/board"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

// company is a real broker for one test, without a memory of its own: after a
// restart it knows what the boxes tell it anew.
type company struct {
	t    *testing.T
	conf string
	port int
	cmd  *exec.Cmd
}

func newCompany(t *testing.T) *company {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &company{t: t, port: l.Addr().(*net.TCPAddr).Port, conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	_ = l.Close() // the broker takes its port
	who := ""
	if os.Getuid() == 0 {
		who = "user root\n"
	}
	if err := os.WriteFile(c.conf, fmt.Appendf(nil, "%slistener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\npersistence false\n", who, c.port), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.kill)
	return c
}

func (c *company) start() {
	c.t.Helper()
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		if program, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			c.t.Fatal("mosquitto is not here; run deploy/check, which installs it")
		}
	}
	c.cmd = exec.Command(program, "-c", c.conf)
	if err := c.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
}

func (c *company) kill() {
	if c.cmd != nil {
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
		c.cmd = nil
	}
}

// wire leads to the broker until it is cut, which neither end is told of in words.
func (c *company) wire() (port int, cut func()) {
	c.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		c.t.Fatal(err)
	}
	var mu sync.Mutex
	ends := []io.Closer{l}
	cut = sync.OnceFunc(func() {
		mu.Lock()
		defer mu.Unlock()
		for _, e := range ends {
			_ = e.Close()
		}
	})
	c.t.Cleanup(cut)
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", c.port))
			if err != nil {
				_ = near.Close()
				continue
			}
			mu.Lock()
			ends = append(ends, near, far)
			mu.Unlock()
			go func() { _, _ = io.Copy(far, near); _ = far.Close() }()
			go func() { _, _ = io.Copy(near, far); _ = near.Close() }()
		}
	}()
	return l.Addr().(*net.TCPAddr).Port, cut
}

// entry is the broker in a site file or a board's.
func (c *company) entry(port int) sensors.Node {
	text := func(s string) sensors.Node { return sensors.Node{Kind: sensors.Scalar, Text: s} }
	return sensors.Node{Kind: sensors.Mapping, Fields: []sensors.Field{{Key: "url", Value: text(fmt.Sprintf("tcp://127.0.0.1:%d", port))},
		{Key: "outward", Value: text("only")}, {Key: "retry", Value: text("300ms")}}}
}

// told is a box that tells a broker how it stands, with the very code of a box
// and an invented state.
type told struct {
	mu    sync.Mutex
	snap  web.Snapshot
	slots []chan struct{}
	stop  context.CancelFunc
	out   *outward
}

func (x *told) now() web.Snapshot {
	x.mu.Lock()
	defer x.mu.Unlock()
	s := x.snap
	s.Wall = time.Now()
	return s
}

func (x *told) watch() (<-chan struct{}, func()) {
	c := make(chan struct{}, 1)
	x.mu.Lock()
	defer x.mu.Unlock()
	x.slots = append(x.slots, c)
	return c, func() {}
}

func (x *told) change(f func(*web.Snapshot)) {
	x.mu.Lock()
	defer x.mu.Unlock()
	f(&x.snap)
	for _, c := range x.slots {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// tells starts a box that reaches the broker at a port.
func tells(t *testing.T, c *company, name string, port int, running *sync.WaitGroup) (x *told) {
	t.Helper()
	now := time.Now()
	gauge := sensors.Point{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Unit: "micron", Every: time.Second, SilentAfter: time.Hour}
	x = &told{snap: web.Snapshot{
		BoxName: name, Site: rules.Site{Name: "Site of " + name, Systems: []rules.System{{Name: "main", Refrigerant: "R-410A"}}}, Zone: time.UTC, ClockProven: true,
		Points: []web.Point{{Point: gauge, Value: 40, Taken: now, Heard: now}},
		Running: []web.Step{{Step: rules.Step{System: "main", Name: "vacuum-hold", Begin: 9}, Begun: now.Add(-20 * time.Minute), FigureAt: now,
			Outlook: rules.Outlook{Sentence: "Vacuum hold of " + name, Point: "gauge", Quantity: sensors.Vacuum, HasFig: true, Figure: 40,
				Limit: &rules.Setting{Value: 66.7, Source: "site file"}, Elapsed: 20 * time.Minute, Lasts: time.Hour, Left: 40 * time.Minute, Sure: "likely"}}},
	}}
	link, wanted, err := mqtt.NewPublisher(sensors.Env{}, sensors.Config{Name: "company", Device: c.entry(port), Box: name}, "standwatch/"+name+"/state")
	if err != nil || !wanted {
		t.Fatal(err, wanted)
	}
	x.out = &outward{link: link, root: "standwatch/" + name, version: "v1", now: x.now, watch: x.watch}
	ctx, cancel := context.WithCancel(context.Background())
	x.stop = cancel
	running.Go(func() { _ = x.out.Run(ctx) })
	return x
}

// Two hundred boxes tell a real broker how they stand, and the board shows
// them; it outlives the broker, and says which boxes are gone and how.
func TestRealFleet(t *testing.T) {
	const many = 200
	c := newCompany(t)
	c.start()
	var running sync.WaitGroup
	boxes := map[string]*told{}
	var cuts []func()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	conf := board.Config{Boxes: 500, Brokers: []board.Broker{{Name: "company", Entry: c.entry(c.port)}}}
	b, err := board.New(conf, log)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var listening sync.WaitGroup
	listening.Go(func() { _ = b.Run(ctx) })
	for i := range many {
		name := fmt.Sprintf("box-%03d", i)
		port := c.port
		if i >= 10 && i < 15 {
			var cut func()
			port, cut = c.wire()
			cuts = append(cuts, cut)
		}
		boxes[name] = tells(t, c, name, port, &running)
	}
	t.Cleanup(func() {
		stop()
		for _, x := range boxes {
			x.stop()
		}
		listening.Wait()
		running.Wait()
	})
	count := func(is func(web.Standing) bool) (n int) {
		for _, s := range b.Boxes() {
			if is(s) {
				n++
			}
		}
		return n
	}
	until := func(what string, is func() bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); !is(); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("it never came to this: %s; %d boxes, %d live, %v", what, len(b.Boxes()), count(func(s web.Standing) bool { return s.Word == web.WordLive }), b.Ways())
			}
		}
	}
	live := func(s web.Standing) bool { return s.Word == web.WordLive && len(s.Running) == 1 && len(s.Points) == 1 }
	until("all are live", func() bool { return count(live) == many })
	until("the readings have come", func() bool {
		s, _ := b.Box("company", "box-007")
		return s.Points[0].Value == 40
	})
	if s, ok := b.Box("company", "box-007"); !ok || s.Site.Name != "Site of box-007" || s.Running[0].Outlook.Sentence != "Vacuum hold of box-007" ||
		s.Running[0].Outlook.Limit == nil || s.Running[0].Outlook.Left != 40*time.Minute && s.Running[0].Outlook.Left < 39*time.Minute || s.Version != "v1" ||
		!s.ClockHeard || s.Ahead.Abs() > 10*time.Second {
		t.Errorf("one of them stands as %+v", s)
	}

	// A flag is there within a moment, and goes when it is cleared.
	silent := web.Flag{Flag: rules.Flag{Finding: rules.Finding{Edge: rules.Raised, Flag: "point-silent", System: "main", Subject: "gauge", Urgency: rules.Wake, Text: "Silent."}}, Raised: time.Now(), Newest: time.Now()}
	boxes["box-003"].change(func(s *web.Snapshot) { s.Flags = []web.Flag{silent} })
	flagged := func(s web.Standing) bool { return len(s.Flags) == 1 }
	until("the flag", func() bool { return count(flagged) == 1 })
	boxes["box-003"].change(func(s *web.Snapshot) { s.Flags = nil })
	until("the flag gone", func() bool { return count(flagged) == 0 })

	// Some vanish as a power cut takes them, one says goodbye.
	for _, cut := range cuts {
		cut()
	}
	boxes["box-020"].stop()
	offline := func(s web.Standing) bool { return s.Word == web.WordOffline && !s.Off.IsZero() }
	until("six are offline, by last will and by their own word", func() bool { return count(offline) == 6 })
	if s, ok := b.Box("company", "box-010"); !ok || len(s.Running) != 1 {
		t.Errorf("what a box that is gone told last is gone too: %+v", s)
	}

	// The broker dies. What was known stays, and is said to be old.
	c.kill()
	until("the broker is missed", func() bool {
		return count(func(s web.Standing) bool { return s.Word == web.WordLost && len(s.Running) == 1 }) == many && !b.Ways()[0].OK
	})
	boxes["box-004"].change(func(s *web.Snapshot) { s.Running = nil }) // meanwhile a step ends
	c.start()
	until("those that are there are live again", func() bool { return count(func(s web.Standing) bool { return s.Word == web.WordLive }) == many-6 })
	until("what ended meanwhile is gone", func() bool {
		s, _ := b.Box("company", "box-004")
		return len(s.Running) == 0
	})
	if s, ok := b.Box("company", "box-011"); !ok || s.Word == web.WordLive || len(s.Running) != 1 {
		t.Errorf("a box that has not come back stands as %v with %d steps", s.Word, len(s.Running))
	}

	// A second board that starts now knows the same at once.
	again, err := board.New(conf, log)
	if err != nil {
		t.Fatal(err)
	}
	listening.Go(func() { _ = again.Run(ctx) })
	until("a board that has just begun knows them", func() bool {
		n := 0
		for _, s := range again.Boxes() {
			if strings.HasPrefix(s.Site.Name, "Site of ") && (len(s.Running) == 1 || s.Name == "box-004") {
				n++
			}
		}
		return n == many-6
	})
}
