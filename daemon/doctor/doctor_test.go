package doctor

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"standwatch/daemon/config"
	"standwatch/sensors"
	"standwatch/sensors/all"
	"standwatch/sensors/bus"
)

// chip is made up for these tests: register 0 holds who it is, register 1 hundredths of a degree.
func chip(name string, id byte, addresses ...uint16) sensors.Chip {
	ask := func(c conn.Conn, register byte) (uint16, error) {
		var r [2]byte
		err := c.Tx([]byte{register, 0}, r[:])
		return binary.BigEndian.Uint16(r[:]), err
	}
	return sensors.Chip{
		Name: name, Doc: "a chip of these tests", Addresses: addresses,
		New: func(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
			return func(_ context.Context, on conn.Conn) (sensors.Probe, error) {
				return probe(func() ([]sensors.Reading, error) {
					v, err := ask(on, 1)
					return []sensors.Reading{sensors.Temperature.Reading(c.Points[0].Name, float64(v)/100, "C")}, err
				}), nil
			}, nil
		},
		Find: func(_ context.Context, c conn.Conn) (string, error) {
			v, err := ask(c, 0)
			if err == nil && v != uint16(id) {
				err = errors.New("another chip")
			}
			return fmt.Sprintf("identity %#02x", v), err
		},
		Start: []sensors.Start{{Name: "temperature", Measures: sensors.Temperature}, {Name: "load", Measures: sensors.Mass, Lacks: "zero and span"}},
	}
}

type probe func() ([]sensors.Reading, error)

func (p probe) Read(context.Context) ([]sensors.Reading, error) { return p() }
func (p probe) Close() error                                    { return nil }

// twoChips is a bus with a chip of identity 7 at 0x20 and a hung one at 0x21.
type twoChips struct{ closed *int }

func (b twoChips) String() string                  { return "fake" }
func (b twoChips) Close() error                    { *b.closed++; return nil }
func (b twoChips) SetSpeed(physic.Frequency) error { return nil }
func (b twoChips) Tx(addr uint16, w, r []byte) error {
	switch {
	case addr == 0x20 && w[0] == 0:
		r[0], r[1] = 0, 7
	case addr == 0x20:
		r[0], r[1] = 0x08, 0x34 // 21.00
	case addr == 0x21:
		time.Sleep(5 * time.Second)
		return syscall.ETIMEDOUT
	default:
		return syscall.EREMOTEIO
	}
	return nil
}

func machine(closed *int) Machine {
	chips := []sensors.Chip{chip("other", 9, 0x20, 0x22), chip("thermo", 7, 0x20, 0x21)}
	return Machine{
		Env: sensors.Env{
			Root: fstest.MapFS{
				"sys/bus/i2c/devices/i2c-1/name":            {Data: []byte("a bus\n")},
				"sys/bus/i2c/devices/i2c-10/name":           {Data: []byte("another\n")},
				"sys/bus/w1/devices/w1_bus_master1":         {Mode: fs.ModeDir},
				"sys/bus/w1/devices/28-0316a2794bff":        {Mode: fs.ModeDir},
				"sys/bus/iio/devices/iio:device0/name":      {Data: []byte("hx711\n")},
				"dev/serial/by-id/usb-indicator-if00-port0": {},
				"dev/spidev0.0":                             {},
			},
			I2C: func(name string) (i2c.BusCloser, error) {
				if name != "1" {
					return nil, errors.New("permission denied")
				}
				return twoChips{closed}, nil
			},
			SPI: func(string) (spi.PortCloser, error) { return nil, errors.New("busy") },
		},
		Lines: func() []string { return []string{"GPIO17", "GPIO27"} },
		I2C:   chips, SPI: []sensors.Chip{chip("thermo-spi", 7)},
	}
}

func TestLook(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		closed := 0
		var lines []string
		for _, b := range Look(t.Context(), machine(&closed)) {
			lines = append(lines, fmt.Sprintf("%s %s (%s) %s", b.Kind, b.Name, b.Label, b.Trouble))
			for _, f := range b.Found {
				lines = append(lines, fmt.Sprintf("- %s %s %s", f.Where, f.Chip, f.Shows))
			}
		}
		want := `i2c 1 (a bus) 
- 0x20 thermo identity 0x07
i2c 10 (another) permission denied
spi SPI0.0 (/dev/spidev0.0) busy
onewire  (1-Wire, by the kernel) 
- 28-0316a2794bff ds18b20 
loadcell  (measured by the kernel (IIO)) 
- /sys/bus/iio/devices/iio:device0 hx711 
serial  (serial ports that keep their names) 
- /dev/serial/by-id/usb-indicator-if00-port0  
contact  (GPIO lines that have a name) 
- GPIO17  
- GPIO27  `
		if got := strings.Join(lines, "\n"); got != want {
			t.Errorf("found\n%s\nwant\n%s", got, want)
		}
		if closed != 1 {
			t.Errorf("the bus was closed %d times", closed)
		}
		time.Sleep(time.Minute)
	})
}

// What was found makes a site file that is accepted, and its points tell values.
func TestStartingFile(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := machine(new(int))
		text := File(Look(t.Context(), m))
		for _, want := range []string{
			`  - {name: thermo-1-20-temperature, measures: temperature, every: 10s, i2c: {bus: "1", address: 0x20, chip: thermo}}` + "\n",
			"  # - {name: thermo-1-20-load, measures: mass,", "# lacks zero and span",
			"  - {name: probe-0316a2794bff, measures: temperature, every: 10s, onewire: {id: 28-0316a2794bff}}\n",
			"  # - {name: scale-1, measures: mass, every: 10s, serial: {port: /dev/serial/by-id/usb-indicator-if00-port0}}",
		} {
			if !strings.Contains(text, want) {
				t.Errorf("no %q in\n%s", want, text)
			}
		}
		site := load(t, text, bus.I2C(m.I2C...), all.Drivers()[1])
		got := Listen(t.Context(), m.Env, site.Devices, 25*time.Second)
		if r := got["thermo-1-20-temperature"]; r.Value != 21 || r.Health.Grade != sensors.Good {
			t.Errorf("%+v", got)
		}
		if r, ok := got["probe-0316a2794bff"]; !ok || r.Health.Grade != sensors.Failed { // this machine has no bus for it
			t.Errorf("%+v", got)
		}
		time.Sleep(time.Minute)
	})
}

func load(t *testing.T, text string, drivers ...sensors.Driver) *config.Site {
	t.Helper()
	file := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	site, faults := config.Load(file, drivers)
	for _, f := range faults {
		t.Error(f)
	}
	return site
}

// A machine without anything has a file to start from, too.
func TestNothingFound(t *testing.T) {
	t.Parallel()
	if buses := Look(t.Context(), Machine{Env: sensors.Env{Root: fstest.MapFS{}}}); len(buses) != 0 {
		t.Errorf("%+v", buses)
	}
	load(t, File(nil))
	if got := Listen(t.Context(), sensors.Env{}, nil, time.Hour); len(got) != 0 {
		t.Errorf("%v", got)
	}
}

// Every chip that is built in can be found, or says why not by having no Find; and what it
// starts with is accepted by the very drivers.
func TestEveryChipStarts(t *testing.T) {
	t.Parallel()
	b := Bus{Kind: "i2c", Name: "1"}
	s := Bus{Kind: "spi", Name: "SPI0.0"}
	for i, c := range all.I2CChips() {
		if len(c.Addresses) == 0 || len(c.Start) == 0 {
			t.Errorf("chip %s has no address or no starting point", c.Name)
			continue
		}
		b.Name = fmt.Sprint(i) // a bus each: two kinds can share an address
		at := c.Addresses[0]
		f := Found{Where: fmt.Sprintf("%#02x", at), Chip: c.Name, Start: starts(c, c.Name, fmt.Sprintf("i2c: {bus: %q, address: %#02x, chip: %s", b.Name, at, c.Name))}
		check(t, Bus{Kind: "i2c", Name: b.Name, Found: []Found{f}})
	}
	for _, c := range all.SPIChips() {
		if len(c.Start) == 0 {
			t.Errorf("chip %s has no starting point", c.Name)
		}
		s.Found = []Found{{Where: s.Name, Chip: c.Name, Start: starts(c, c.Name, fmt.Sprintf("spi: {port: %s, chip: %s", s.Name, c.Name))}}
		check(t, s)
	}
}

// check sees that a starting file is accepted, also by the drivers, and that its points are known again.
func check(t *testing.T, b Bus) {
	t.Helper()
	site := load(t, File([]Bus{b}), all.Drivers()...)
	for _, d := range site.Devices {
		if _, err := d.Driver.New(sensors.Env{}, d.Config); err != nil {
			t.Errorf("%s: %v", b.Found[0].Chip, err)
		}
	}
	for _, p := range site.Points {
		if !b.Found[0].Uses(b, p) {
			t.Errorf("%s does not know its own point %s again", b.Found[0].Chip, p.Name)
		}
	}
}

func TestUses(t *testing.T) {
	t.Parallel()
	set := func(source string, pairs ...string) sensors.Point {
		p := sensors.Point{Source: source}
		for i := 0; i < len(pairs); i += 2 {
			p.Settings.Fields = append(p.Settings.Fields, sensors.Field{Key: pairs[i], Value: sensors.Node{Text: pairs[i+1]}})
		}
		return p
	}
	i2cBus := Bus{Kind: "i2c", Name: "1", Label: "a bus"}
	ads := Found{Where: "0x48", Chip: "ads1115"}
	rom := Found{Where: "28-0316a2794bff"}
	for _, c := range []struct {
		f    Found
		b    Bus
		p    sensors.Point
		want bool
	}{
		{ads, i2cBus, set("i2c", "bus", "1", "address", "72", "chip", "ads1115"), true},
		{ads, i2cBus, set("i2c", "bus", "a bus", "address", "0x48", "chip", "ads1115"), true},
		{ads, i2cBus, set("i2c", "bus", "/dev/i2c-1", "address", "0x48", "chip", "ads1115"), true},
		{ads, i2cBus, set("i2c", "bus", "2", "address", "0x48", "chip", "ads1115"), false},
		{ads, i2cBus, set("i2c", "bus", "1", "address", "0x49", "chip", "ads1115"), false},
		{ads, i2cBus, set("i2c", "bus", "1", "address", "0x48", "chip", "mcp9600"), false},
		{ads, i2cBus, set("spi", "port", "SPI0.0", "chip", "ads1115"), false},
		{rom, Bus{Kind: "onewire"}, set("onewire", "id", "28-0316A2794BFF"), true},
		{rom, Bus{Kind: "onewire"}, set("onewire", "id", "0xd70316a2794bff28"), true},
		{rom, Bus{Kind: "onewire"}, set("onewire", "id", "28-0316a2794bf0"), false},
		{Found{Where: "SPI0.1"}, Bus{Kind: "spi", Name: "SPI0.1"}, set("spi", "port", "SPI0.1"), true},
		{Found{Where: "SPI0.1"}, Bus{Kind: "spi", Name: "SPI0.1"}, set("spi", "port", "/dev/spidev0.1"), true},
		{Found{Where: "SPI0.1"}, Bus{Kind: "spi", Name: "SPI0.1"}, set("spi", "port", "/dev/spidev0.0"), false},
		{Found{Chip: "hx711"}, Bus{Kind: "loadcell"}, set("loadcell", "channel", "0"), true},
		{Found{Chip: "hx711"}, Bus{Kind: "loadcell"}, set("loadcell", "device", "platform"), false},
	} {
		if got := c.f.Uses(c.b, c.p); got != c.want {
			t.Errorf("%+v uses %+v: %v", c.p, c.f, got)
		}
	}
}

// The listener ends when all have told, and a point once seen to work stays so.
func TestListenEnds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := machine(new(int))
		begun := time.Now()
		site := load(t, `site: {name: New site}
points: [{name: a, measures: temperature, i2c: {bus: "1", address: 0x20, chip: thermo}}]
`, bus.I2C(m.I2C...))
		if got := Listen(t.Context(), m.Env, site.Devices, time.Hour); got["a"].Value != 21 || time.Since(begun) > time.Minute {
			t.Errorf("%v after %s", got, time.Since(begun))
		}
	})
}
