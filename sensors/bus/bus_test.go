package bus

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

// chip is made up for these tests: two bytes, hundredths of a degree; all ones are damage.
func chip(name string, addresses ...uint16) sensors.Chip {
	return sensors.Chip{
		Name: name, Doc: "a chip of these tests", Addresses: addresses,
		New: func(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
			var faults []error
			for _, p := range c.Points {
				sensors.Decode(p.Settings, &faults).Done()
			}
			open := func(_ context.Context, c2 conn.Conn) (sensors.Probe, error) { return &probe{c2, c.Points}, nil }
			return open, errors.Join(faults...)
		},
	}
}

type probe struct {
	conn.Conn
	points []sensors.Point
}

func (p *probe) Close() error { return nil }

func (p *probe) Read(context.Context) ([]sensors.Reading, error) {
	var r [2]byte
	if err := p.Tx([]byte{0, 0}, r[:]); err != nil {
		return nil, err
	}
	var rs []sensors.Reading
	for _, pt := range p.points {
		if r == [2]byte{0xFF, 0xFF} {
			rs = append(rs, sensors.Reading{Point: pt.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonCRC}})
			continue
		}
		rs = append(rs, sensors.Temperature.Reading(pt.Name, float64(int(r[0])<<8|int(r[1]))/100, "C"))
	}
	return rs, nil
}

func answer(scene sensortest.Scene) sensortest.Respond {
	return func(_, r []byte) error {
		r[0], r[1] = 0x08, 0x34 // 21.00
		if scene == sensortest.Garbled {
			r[0], r[1] = 0xFF, 0xFF
		}
		return nil
	}
}

func settings(pairs ...string) sensors.Node {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return n
}

func point(name string, pairs ...string) sensors.Point {
	return sensors.Point{Name: name, Quantity: sensors.Temperature, Unit: "C", Every: time.Second, Settings: settings(pairs...)}
}

func TestConformanceI2C(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: I2C(chip("thermo", 0x20, 0x21)),
		Config: sensors.Config{Name: "1", Points: []sensors.Point{
			point("a", "bus", "1", "address", "0x21", "chip", "thermo"), point("b", "bus", "1", "address", "33", "chip", "thermo"),
		}},
		World:   sensortest.OnI2C(0x21, answer),
		Want:    []sensors.Reading{{Point: "a", Value: 21}, {Point: "b", Value: 21}},
		Garbled: sensors.ReasonCRC,
		Absent:  sensors.ReasonDisconnected,
	})
}

func TestConformanceSPI(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver:  SPI(chip("thermo")),
		Config:  sensors.Config{Name: "SPI0.0", Points: []sensors.Point{point("a", "port", "SPI0.0", "chip", "thermo")}},
		World:   sensortest.OnSPI(answer),
		Want:    []sensors.Reading{{Point: "a", Value: 21}},
		Garbled: sensors.ReasonCRC,
		Absent:  sensors.ReasonCRC, // all ones
	})
}

// Faults come with their place, all at once.
func TestSettings(t *testing.T) {
	t.Parallel()
	_, err := I2C(chip("thermo", 0x20, 0x21), chip("hygro", 0x21)).New(sensors.Env{}, sensors.Config{Name: "1", Points: []sensors.Point{
		point("a", "address", "0x21", "chip", "thermo"),
		point("b", "chip", "hygro"), // its only address, taken
		point("c", "address", "0x22", "chip", "thermo"),
		point("d", "address", "0x20", "chip", "termo"),
		point("e", "address", "0x20"),
		point("f", "chip", "thermo"),
		point("g", "address", "0x20", "chip", "thermo", "port", "SPI0.0"),
	}})
	want := []string{
		"the point b wants a chip hygro where a has a chip thermo; one address is one chip",
		`address: "0x22" is none that a chip thermo can have; write one of 0x20, 0x21`,
		`chip: "termo" is not known here; did you mean thermo? write one of thermo, hygro`,
		"chip is missing", "address is missing", `unknown key "port"`,
	}
	text := fmt.Sprint(err)
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("no %q in:\n%s", w, text)
		}
	}
	if n := strings.Count(text, "site.yaml:3:"); n != len(want) {
		t.Errorf("%d faults with a place, want %d:\n%s", n, len(want), text)
	}
}

// world is a bus whose chips can hang, be unplugged and come back.
type world struct {
	mu     sync.Mutex
	hangs  map[uint16]time.Duration
	absent map[uint16]bool
	dead   bool // the adapter itself was pulled: what is open answers no more
	hung   int  // transactions that hang
	opened int
	busy   int
}

type worldBus struct {
	*world
	dead bool
}

func (w *world) open(string) (i2c.BusCloser, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.dead {
		return nil, syscall.ENODEV
	}
	w.opened++
	return &worldBus{world: w}, nil
}

func (b *worldBus) String() string                  { return "world" }
func (b *worldBus) Close() error                    { return nil }
func (b *worldBus) SetSpeed(physic.Frequency) error { return nil }

func (b *worldBus) Tx(addr uint16, _, r []byte) error {
	b.mu.Lock()
	hang, absent := b.hangs[addr], b.absent[addr]
	b.dead = b.dead || b.world.dead
	if b.busy++; b.busy > 1 && hang == 0 {
		b.mu.Unlock()
		panic("two transactions at once")
	}
	if hang > 0 {
		b.hung++
	}
	b.mu.Unlock()
	time.Sleep(hang + time.Millisecond)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.busy--
	switch {
	case b.dead:
		return syscall.ENODEV
	case absent:
		return syscall.EREMOTEIO
	case hang > 0:
		return fmt.Errorf("bus: %v", syscall.ETIMEDOUT) // as periph passes it on
	}
	r[0], r[1] = 0, byte(addr)
	return nil
}

// night runs a bus with two chips and tells what came in each second.
type night struct {
	*world
	mu   sync.Mutex
	got  map[string][]sensors.Reading
	says map[string]string // what people were told last, by device
}

func begin(t *testing.T, w *world) (*night, func()) {
	n := &night{world: w, got: map[string][]sensors.Reading{}, says: map[string]string{}}
	status := func(device string, ok bool, sentence string) {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.says[device] = fmt.Sprint(ok, " ", sentence)
	}
	src, err := I2C(chip("thermo", 0x20, 0x21)).New(sensors.Env{I2C: w.open, Status: status}, sensors.Config{Name: "1", Points: []sensors.Point{
		point("a", "address", "0x20", "chip", "thermo"), point("b", "address", "0x21", "chip", "thermo"),
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() {
		done <- src.Run(ctx, func(d sensors.Delivery) {
			n.mu.Lock()
			defer n.mu.Unlock()
			for _, r := range d.Readings {
				n.got[r.Point] = append(n.got[r.Point], r)
			}
		})
	}()
	return n, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		time.Sleep(time.Hour) // what hangs ends
	}
}

// over lets time pass and gives what each point told meanwhile: good readings, and reasons.
func (n *night) over(d time.Duration) (good map[string]int, reasons map[string]map[string]bool) {
	n.mu.Lock()
	clear(n.got)
	n.mu.Unlock()
	time.Sleep(d)
	n.mu.Lock()
	defer n.mu.Unlock()
	good, reasons = map[string]int{}, map[string]map[string]bool{"a": {}, "b": {}}
	for p, rs := range n.got {
		for _, r := range rs {
			if r.Health.Grade == sensors.Good {
				good[p]++
			} else {
				reasons[p][r.Health.Reason] = true
			}
		}
	}
	return good, reasons
}

// told is what people were told last of each device, by their names' order.
func (n *night) told() (says []string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, device := range slices.Sorted(maps.Keys(n.says)) {
		says = append(says, n.says[device])
	}
	return says
}

func (n *night) set(f func(*world)) {
	n.world.mu.Lock()
	defer n.world.mu.Unlock()
	f(n.world)
}

// A chip that hangs, for as long as the kernel lets it or for longer, makes its own points
// silent; the other goes on; both are well when it is.
func TestHungChip(t *testing.T) {
	t.Parallel()
	for hang, least := range map[time.Duration]int{time.Second: 100, 5 * time.Second: 70} { // of 120 readings
		synctest.Test(t, func(t *testing.T) {
			n, stop := begin(t, &world{hangs: map[uint16]time.Duration{}, absent: map[uint16]bool{}})
			defer stop()
			if good, _ := n.over(time.Minute); good["a"] < 59 || good["b"] < 59 {
				t.Errorf("in a minute %v", good)
			}
			n.set(func(w *world) { w.hangs[0x20] = hang })
			time.Sleep(10 * time.Second)
			good, reasons := n.over(2 * time.Minute)
			if good["a"] != 0 || !reasons["a"][sensors.ReasonHung] || len(reasons["a"]) != 1 {
				t.Errorf("a chip that hangs for %s: %v good, %v", hang, good["a"], reasons["a"])
			}
			if good["b"] < least {
				t.Errorf("beside a chip that hangs for %s only %d readings in two minutes (%v)", hang, good["b"], reasons["b"])
			}
			n.set(func(w *world) { delete(w.hangs, 0x20) })
			time.Sleep(longestPause + 10*time.Second)
			if good, reasons := n.over(time.Minute); good["a"] < 59 || good["b"] < 59 {
				t.Errorf("after it healed %v, %v", good, reasons)
			}
		})
	}
}

// longestPause is that of sensors.Poll.
const longestPause = 30 * time.Second

// A chip that is unplugged is told at once, and is back at most a pause after it is plugged in.
func TestUnpluggedChip(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n, stop := begin(t, &world{hangs: map[uint16]time.Duration{}, absent: map[uint16]bool{}})
		defer stop()
		time.Sleep(time.Minute)
		n.set(func(w *world) { w.absent[0x21] = true })
		if good, reasons := n.over(2 * time.Second); !reasons["b"][sensors.ReasonDisconnected] || good["a"] < 1 {
			t.Errorf("%v, %v", good, reasons)
		}
		if says := n.told(); len(says) != 2 || !strings.HasPrefix(says[0], "true ") || !strings.Contains(says[1], "false Does not answer") {
			t.Errorf("people are told %q", says)
		}
		n.set(func(w *world) { delete(w.absent, 0x21) })
		if good, _ := n.over(longestPause + time.Second); good["b"] == 0 || good["a"] < 30 {
			t.Errorf("%v", good)
		}
		if says := n.told(); !slices.Equal(says, []string{"true Answers.", "true Answers."}) {
			t.Errorf("people are told %q of two that answer", says)
		}
	})
}

// The adapter itself is pulled and plugged in again: what was open is dead, and is opened anew.
func TestUnpluggedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		w := &world{hangs: map[uint16]time.Duration{}, absent: map[uint16]bool{}}
		n, stop := begin(t, w)
		defer stop()
		time.Sleep(time.Minute)
		n.set(func(w *world) { w.dead = true })
		if good, reasons := n.over(time.Minute); good["a"] > 1 || !reasons["a"][sensors.ReasonDisconnected] || !reasons["b"][sensors.ReasonDisconnected] {
			t.Errorf("%v, %v", good, reasons)
		}
		n.set(func(w *world) { w.dead = false })
		time.Sleep(2 * longestPause)
		if good, reasons := n.over(time.Minute); good["a"] < 59 || good["b"] < 59 {
			t.Errorf("%v, %v", good, reasons)
		}
		n.set(func(w *world) {
			if w.opened != 2 {
				t.Errorf("opened %d times", w.opened)
			}
		})
	})
}

// A transaction that never ends: the bus is opened anew beside it.
func TestBusThatNeverAnswersAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n, stop := begin(t, &world{hangs: map[uint16]time.Duration{}, absent: map[uint16]bool{}})
		defer stop()
		time.Sleep(time.Minute)
		n.set(func(w *world) { w.hangs[0x20] = 30 * time.Minute })
		time.Sleep(5 * time.Second)
		n.set(func(w *world) { delete(w.hangs, 0x20); w.busy = -1 << 20 }) // the one that hangs does not count
		time.Sleep(time.Minute)
		if good, reasons := n.over(time.Minute); good["a"] < 59 || good["b"] < 59 {
			t.Errorf("%v, %v", good, reasons)
		}
	})
}

// A chip whose transactions never end is asked no more after a few: each would keep a thread of the machine's.
// The other goes on.
func TestChipThatNeverAnswersAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n, stop := begin(t, &world{hangs: map[uint16]time.Duration{0x20: 30 * time.Minute}, absent: map[uint16]bool{}, busy: -1 << 20})
		defer stop()
		time.Sleep(10 * time.Minute)
		if good, reasons := n.over(time.Minute); good["b"] < 59 || good["a"] > 0 || !reasons["a"][sensors.ReasonHung] || len(reasons["a"]) != 1 {
			t.Errorf("%v, %v", good, reasons)
		}
		n.set(func(w *world) {
			if w.hung != mostHeld {
				t.Errorf("%d transactions hang, want %d", w.hung, mostHeld)
			}
			delete(w.hangs, 0x20)
		})
		time.Sleep(30 * time.Minute)
		if good, reasons := n.over(time.Minute); good["a"] < 59 || good["b"] < 59 {
			t.Errorf("after it healed %v, %v", good, reasons)
		}
	})
}
