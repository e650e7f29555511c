package ds18b20

import (
	"context"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewiretest"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

// table reads a reference table; its first line says where it is from.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal(name, err)
	}
	return rows[1:]
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// pad makes a scratchpad as a genuine chip shows it after a conversion.
func pad(lsb, msb, config, byte6 byte) (p [9]byte) {
	copy(p[:], []byte{lsb, msb, 0x4B, 0x46, config, 0xFF, byte6, 0x10})
	p[8] = onewire.CalcCRC(p[:8])
	return p
}

// The temperatures of the data sheet's table 1 and others computed by its rule.
func TestTemperatures(t *testing.T) {
	t.Parallel()
	for _, row := range table(t, "ds18b20_temperature.csv") {
		want, err := strconv.ParseFloat(row[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		lsb, msb := unhex(t, row[2])[0], unhex(t, row[3])[0]
		r := reading("p", pad(lsb, msb, 0x7F, 0x10-lsb&0x0F), want, true)
		// Readings are kept to the thousandth.
		if d := r.Value - want; r.Health.Grade != sensors.Good || d > 0.0006 || d < -0.0006 {
			t.Errorf("%s %s: %+v, want %g", row[2], row[3], r, want)
		}
	}
}

// Check sums that others computed.
func TestCheckSums(t *testing.T) {
	t.Parallel()
	for _, row := range table(t, "onewire_crc8.csv") {
		b := unhex(t, row[1])
		if got, want := onewire.CalcCRC(b), unhex(t, row[2])[0]; got != want {
			t.Errorf("%s: %02X, want %02X", row[0], got, want)
		}
		if len(b) != 8 {
			continue
		}
		var p [9]byte
		copy(p[:], append(b, unhex(t, row[2])...))
		if got := whole(p); got != "" {
			t.Errorf("%s: %s", row[0], got)
		}
		for i := range 72 { // one bit turned on the way is always found
			q := p
			q[i/8] ^= 1 << (i % 8)
			if got := whole(q); got != sensors.ReasonCRC {
				t.Errorf("%s with bit %d turned: %q", row[0], i, got)
			}
		}
	}
}

func TestWhatIsNoMeasurement(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		why   string
		p     [9]byte
		last  float64
		known bool
		want  string
	}{
		{"after power-on", pad(0x50, 0x05, 0x7F, 0x0C), 85, true, "failed power-on-value"},
		{"85 C out of the blue", pad(0x50, 0x05, 0x7F, 0x10), 20, true, "suspect power-on-value"},
		{"85 C first of all", pad(0x50, 0x05, 0x7F, 0x10), 0, false, "suspect power-on-value"},
		{"85 C on a hot pipe", pad(0x50, 0x05, 0x7F, 0x10), 84.5, true, "good "},
		{"127.94 C", pad(0xFF, 0x07, 0x7F, 0x0C), 20, true, "failed brown-out"},
		{"126 C", pad(0xE0, 0x07, 0x7F, 0x10), 120, true, "failed off-scale"},
		{"-55.0625 C", pad(0x8F, 0xFC, 0x7F, 0x01), -50, true, "failed off-scale"},
	} {
		r := reading("p", c.p, c.last, c.known)
		if got := r.Health.Grade.String() + " " + r.Health.Reason; got != c.want {
			t.Errorf("%s: %s, want %s", c.why, got, c.want)
		}
	}
	ones := [9]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	if whole(ones) != sensors.ReasonDisconnected || whole([9]byte{}) != sensors.ReasonDisconnected {
		t.Error("all ones and all zeros are no answer")
	}
}

// Bits below the resolution set are undefined (data sheet, table 1).
func TestResolution(t *testing.T) {
	t.Parallel()
	for config, want := range map[byte]float64{0x7F: 25.4375, 0x5F: 25.375, 0x3F: 25.25, 0x1F: 25} {
		if r := reading("p", pad(0x97, 0x01, config, 0x09), 25, true); r.Value != sensors.Temperature.Round(want) {
			t.Errorf("configuration %02X: %g, want %g", config, r.Value, want)
		}
	}
}

func TestROM(t *testing.T) {
	t.Parallel()
	// Application note 27's ROM code, with the family of this chip, as the kernel
	// and as the reel would have it.
	kernel, want := parseROM("28-00000001b81c")
	if want != "" {
		t.Fatal(want)
	}
	whole := "0x" + strconv.FormatUint(uint64(kernel), 16)
	if again, want := parseROM(whole); again != kernel || want != "" {
		t.Errorf("%s is %x, want %x (%s)", whole, again, kernel, want)
	}
	b := bytesOf(kernel)
	if b[0] != family || b[1] != 0x1c || b[2] != 0xb8 || b[3] != 0x01 || !onewire.CheckCRC(b[:]) {
		t.Errorf("bytes % x", b)
	}
	for _, s := range []string{"", "28", "28-1", "10-00000001b81c", "28-00000001b81g", "0x0100000001b81c28", "28-00000001b81c00"} {
		if _, want := parseROM(s); want == "" {
			t.Errorf("%q is accepted", s)
		}
	}
}

const probe = "28-00000001b81c"

func rom(t testing.TB) []byte {
	a, want := parseROM(probe)
	if want != "" {
		t.Fatal(want)
	}
	b := bytesOf(a)
	return b[:]
}

func settings(pairs ...string) sensors.Node {
	n := sensors.Node{File: "site.yaml", Line: 1, Column: 1, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 1, Col: 1, Value: sensors.Node{Kind: sensors.Scalar, Text: pairs[i+1], Line: 1, Column: 5}})
	}
	return n
}

func thermometer(name string, pairs ...string) sensors.Point {
	return sensors.Point{Name: name, Quantity: sensors.Temperature, Every: 10 * time.Second, Settings: settings(pairs...)}
}

// A recorded bus: convert for all, then the scratchpad of the one that is asked.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		match := append(append([]byte{0x55}, rom(t)...), 0xBE)
		scratchpad := unhex(t, "98 01 4B 46 7F FF 08 10 22") // published with its check sum: 25.5 C
		damaged := append([]byte{0x99}, scratchpad[1:]...)
		play := &onewiretest.Playback{DontPanic: true, Ops: []onewiretest.IO{
			{W: []byte{0xCC, 0x44}, Pull: onewire.StrongPullup},
			{W: match, R: damaged},
			{W: match, R: scratchpad}, // read again, for the check sum did not fit
		}}
		counted := 0
		env := sensors.Env{
			OneWire: func(string) (onewire.BusCloser, error) { return play, nil },
			Count:   func(string) { counted++ },
		}
		a, _ := parseROM(probe)
		p, err := open(t.Context(), env, "w1", []point{{thermometer("pipe"), a, probe}})
		if err != nil {
			t.Fatal(err)
		}
		begun := time.Now()
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 1 || rs[0].Value != 25.5 || rs[0].Health.Grade != sensors.Good {
			t.Errorf("%+v %v, want 25.5", rs, err)
		}
		if took := time.Since(begun); took != 750*time.Millisecond {
			t.Errorf("the conversion was waited for %s", took)
		}
		if counted != 1 {
			t.Errorf("%d damaged answers counted, want 1", counted)
		}
		if err := errors.Join(p.Close(), p.Close()); err != nil {
			t.Error(err)
		}
	})
}

// fakeBus is a bus with probes, as far as the driver can tell.
type fakeBus struct {
	scene sensortest.Scene
	mu    sync.Mutex
	begun time.Time // of the conversion
}

func (f *fakeBus) String() string                         { return "fake" }
func (f *fakeBus) Close() error                           { return nil }
func (f *fakeBus) Search(bool) ([]onewire.Address, error) { return nil, nil }

type fault struct{ none, short bool }

func (f fault) Error() string   { return "bus fault" }
func (f fault) NoDevices() bool { return f.none }
func (f fault) IsShorted() bool { return f.short }

func (f *fakeBus) Tx(w, r []byte, _ onewire.Pullup) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.scene == sensortest.Absent:
		return fault{none: true}
	case f.scene == sensortest.Stuck:
		time.Sleep(30 * time.Second)
		return errors.New("given up")
	case w[0] == 0xCC:
		f.begun = time.Now()
	case time.Since(f.begun) < 750*time.Millisecond: // not finished: the value before it
		p := pad(0x50, 0x05, 0x7F, 0x0C)
		copy(r, p[:])
	default:
		lsb := w[2] & 0x0F // each probe its own temperature
		p := pad(lsb, 0x01, 0x7F, 0x10-lsb)
		if f.scene == sensortest.Garbled {
			p[1] ^= 0x10
		}
		copy(r, p[:])
	}
	return nil
}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: Driver(),
		Config: sensors.Config{Name: "w1", Points: []sensors.Point{
			thermometer("supply", "bus", "w1", "id", "28-000000000004"),
			thermometer("return", "bus", "w1", "id", "28-000000000008"),
		}},
		World: func(scene sensortest.Scene) (sensors.Env, func()) {
			return sensors.Env{OneWire: func(string) (onewire.BusCloser, error) { return &fakeBus{scene: scene}, nil }}, nil
		},
		Want:    []sensors.Reading{{Point: "supply", Value: 16.25}, {Point: "return", Value: 16.5}},
		Garbled: sensors.ReasonCRC,
		Absent:  sensors.ReasonDisconnected,
		Stops:   0,
	})
}

// A bus held low, one that hangs, and one that cannot be opened.
func TestBusFaults(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			open func(string) (onewire.BusCloser, error)
			want string
		}{
			{func(string) (onewire.BusCloser, error) { return &txBus{err: fault{short: true}}, nil }, "short-circuit"},
			{func(string) (onewire.BusCloser, error) { return &txBus{wait: 10 * time.Second}, nil }, sensors.ReasonDisconnected},
			{func(string) (onewire.BusCloser, error) { return nil, errors.New("no such bus") }, sensors.ReasonDisconnected},
			{nil, sensors.ReasonDisconnected},
		} {
			source, err := newSource(sensors.Env{OneWire: c.open}, sensors.Config{Name: "w1", Points: []sensors.Point{thermometer("a", "id", probe)}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			var got []sensors.Reading
			if err := source.Run(ctx, func(d sensors.Delivery) {
				if got = append(got, d.Readings...); len(got) >= 2 { // it goes on after the first
					cancel()
				}
			}); err != nil {
				t.Error(err)
			}
			cancel()
			for _, r := range got {
				if r.Health != (sensors.Health{Grade: sensors.Failed, Reason: c.want}) {
					t.Errorf("%+v, want %s", r, c.want)
				}
			}
		}
		time.Sleep(time.Minute) // the hung transactions end
	})
}

// A bus without probes, or held low, has answered: opening it again mends neither.
func TestABusThatAnswersIsNotOpenedAgain(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		err   error
		again bool
	}{{fault{none: true}, false}, {fault{short: true}, false}, {errors.New("the adapter is gone"), true}} {
		synctest.Test(t, func(t *testing.T) {
			opened, heard := 0, 0
			source, err := newSource(sensors.Env{OneWire: func(string) (onewire.BusCloser, error) {
				opened++
				return &txBus{err: c.err}, nil
			}}, sensors.Config{Name: "w1", Points: []sensors.Point{thermometer("a", "id", probe)}})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
			defer cancel()
			if err := source.Run(ctx, func(d sensors.Delivery) { heard += len(d.Readings) }); err != nil {
				t.Error(err)
			}
			if again := opened > 1; again != c.again || heard < 10 {
				t.Errorf("%#v: opened %d times for %d readings", c.err, opened, heard)
			}
		})
	}
}

type txBus struct {
	fakeBus
	err  error
	wait time.Duration
}

func (b *txBus) Tx(_, _ []byte, _ onewire.Pullup) error {
	time.Sleep(b.wait)
	return b.err
}

func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	wrong := thermometer("a", "id", probe)
	wrong.Quantity = sensors.Pressure
	for why, ps := range map[string][]sensors.Point{
		"no id":        {thermometer("a")},
		"family":       {thermometer("a", "id", "10-00000001b81c")},
		"twice":        {thermometer("a", "id", probe), thermometer("b", "id", probe)},
		"quantity":     {wrong},
		"unknown key":  {thermometer("a", "id", probe, "resolution", "9")},
		"damaged code": {thermometer("a", "id", "0x0100000001b81c28")},
	} {
		_, err := newSource(sensors.Env{}, sensors.Config{Name: "w1", Points: ps})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 {
			t.Errorf("%s: %v", why, err)
		}
	}
}

// Whatever comes over the wire, a reading is a value or a reason.
func FuzzScratchpad(f *testing.F) {
	for _, s := range []string{"98 01 4B 46 7F FF 08 10 22", "50 05 4B 46 7F FF 0C 10 1C", "FF FF FF FF FF FF FF FF FF", "00 00 00 00 00 00 00 00 00"} {
		b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, 20.0)
	}
	f.Fuzz(func(t *testing.T, b []byte, last float64) {
		var p [9]byte
		copy(p[:], b)
		if whole(p) != "" {
			return
		}
		r := reading("p", p, last, true)
		failed := r.Health.Grade == sensors.Failed
		if failed && r.Value != 0 || (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || !failed && !(r.Value >= -55 && r.Value <= 125) {
			t.Errorf("% x: %+v", p, r)
		}
	})
}

// A code that is taken is one of this chip's, with its check sum.
func FuzzROM(f *testing.F) {
	for _, s := range []string{probe, "0xd70316a2794bff28", "28-", "0x", "-", "28-0000000000000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		rom, want := parseROM(s)
		b := bytesOf(rom)
		if want == "" && (b[0] != family || !onewire.CheckCRC(b[:])) {
			t.Errorf("%q is taken as %x", s, rom)
		}
	})
}
