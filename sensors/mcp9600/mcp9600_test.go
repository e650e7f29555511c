package mcp9600

import (
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

// chip is an MCP9600 by its register map. It converts between any two looks at its status.
type chip struct {
	id             byte
	hot, cold      int16
	status, faults byte
	sensor, device byte
	converting     bool
	n              int
	noise          bool
}

func (c *chip) respond(w, r []byte) error {
	if len(w) == 0 {
		return syscall.EREMOTEIO
	}
	if len(w) == 2 {
		switch w[0] {
		case regSensor:
			c.sensor = w[1]
		case regDevice:
			c.device = w[1]
		case regStatus:
			c.status &= w[1]
		}
		return nil
	}
	var b [2]byte
	switch w[0] {
	case regHot:
		b = [2]byte{byte(uint16(c.hot) >> 8), byte(c.hot)}
	case regCold:
		b = [2]byte{byte(uint16(c.cold) >> 8), byte(c.cold)}
	case regStatus:
		b[0] = c.status | c.faults
		if c.converting {
			c.status = updated
		}
	case regSensor:
		b[0] = c.sensor
	case regDevice:
		b[0] = c.device
	case regID:
		b = [2]byte{c.id, 0x12}
	}
	copy(r, b[:])
	if c.n++; c.noise { // another byte is hit each time
		r[0] ^= byte(c.n * 31)
	}
	return nil
}

func fresh() *chip { return &chip{id: mcp9600, hot: -200, cold: 340, converting: true} } // -12.5 and 21.25 C

func point(name string, q sensors.Quantity, pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: name, Quantity: q, Unit: "C", Every: time.Second, Settings: n}
}

var points = []sensors.Point{
	point("suction", sensors.Temperature, "address", "0x67", "chip", "mcp9600", "type", "T", "filter", "2"),
	point("terminals", sensors.Temperature, "address", "0x67", "chip", "mcp9600", "reads", "cold-junction"),
}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.I2C(Chip()),
		Config: sensors.Config{Name: "1", Points: points},
		World: sensortest.OnI2C(0x67, func(s sensortest.Scene) sensortest.Respond {
			c := fresh()
			c.noise = s == sensortest.Garbled
			return c.respond
		}),
		Want:    []sensors.Reading{{Point: "suction", Value: -12.5}, {Point: "terminals", Value: 21.25}},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

// Temperatures as the data sheet's section on the register format has them (from memory: 2^10 C is the bit below the
// sign, 2^-4 C the lowest), of both signs.
func TestTemperatures(t *testing.T) {
	t.Parallel()
	for word, want := range map[uint16]float64{
		0x0000: 0, 0x0001: 0.0625, 0x0190: 25, 0x0194: 25.25, 0x1388: 312.5, 0x5550: 1365, 0x6400: 1600,
		0xFFFF: -0.0625, 0xFFF0: -1, 0xFC40: -60, 0xFE70: -25,
	} {
		s := state{id: mcp9600, hot: int16(word), cold: int16(word)}
		if r := hot("p", s, 0, -200); r != (sensors.Reading{Point: "p", Value: sensors.Temperature.Round(want)}) {
			t.Errorf("%04X: %+v, want %g", word, r, want)
		}
		if r := cold("p", s); (want >= -40 && want <= 125) != (r.Health.Grade == sensors.Good) {
			t.Errorf("cold junction %04X: %+v", word, r)
		}
	}
}

// What the fault bits make of a reading, seen once and seen again.
func TestFaults(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		id, status  byte
		once, twice string
	}{
		{mcp9600, outOfRange, "failed off-scale", "failed off-scale"},
		{mcp9600, shorted, "good ", "good "}, // a bit that the chip does not have
		{mcp9601, outOfRange, "suspect open-circuit", "failed open-circuit"},
		{mcp9601, shorted, "suspect short-circuit", "failed short-circuit"},
		{mcp9601, shorted | outOfRange, "suspect open-circuit", "failed open-circuit"},
	} {
		s := state{id: c.id, hot: 400, status: c.status}
		for before, want := range map[byte]string{0: c.once, c.status: c.twice} {
			r := hot("p", s, before, sensors.UsualLowestC)
			if got := r.Health.Grade.String() + " " + r.Health.Reason; got != want || (r.Health.Grade == sensors.Failed) != (r.Value == 0) {
				t.Errorf("%02X %02X after %02X: %+v, want %s", c.id, c.status, before, r, want)
			}
		}
	}
	if r := hot("p", state{id: mcp9600, hot: -61 * 16}, 0, sensors.UsualLowestC); r.Health != (sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonReversed}) {
		t.Errorf("-61 C: %+v", r)
	}
}

// run runs the chip in the daemon's way and gives what the thermocouple told, without repetitions.
func run(t *testing.T, c *chip, change func()) []string {
	return sensortest.Night(t, bus.I2C(Chip()), sensors.Config{Name: "1", Points: points[:1]}, sensortest.I2C(0x67), c.respond, change, sensortest.Health)
}

// What can happen to a chip in a night, and how it is told.
func TestNight(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		what   string
		change func(c *chip)
		want   []string
	}{
		{"a brown-out", func(c *chip) { c.sensor, c.device, c.status = 0, 0, 0 }, []string{"good ", "failed brown-out", "good "}},
		{"no more conversions", func(c *chip) { c.converting = false }, []string{"good ", "failed stale"}},
		{"a broken wire", func(c *chip) { c.id, c.faults = mcp9601, outOfRange }, []string{"good ", "suspect open-circuit", "failed open-circuit"}},
		{"another chip in its place", func(c *chip) { c.id = 0x54 }, []string{"good ", "failed wrong-identity"}},
	} {
		c := fresh()
		if got := run(t, c, func() { x.change(c) }); !slices.Equal(got, x.want) {
			t.Errorf("%s: %q, want %q", x.what, got, x.want)
		}
	}
}

// What goes over the wire, byte by byte.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := &i2ctest.Playback{}
		add := func(w, r []byte) { b.Ops = append(b.Ops, i2ctest.IO{Addr: 0x67, W: w, R: r}) }
		all := func(hot []byte) {
			add([]byte{0x20}, []byte{0x41, 0x10})
			add([]byte{0x00}, hot)
			add([]byte{0x02}, []byte{0x01, 0x54})
			add([]byte{0x04}, []byte{0x40})
			add([]byte{0x05}, []byte{0x10})
			add([]byte{0x06}, []byte{0x00})
		}
		all([]byte{0x00, 0x00})
		all([]byte{0x00, 0x00})
		add([]byte{0x05, 0x10}, nil)
		add([]byte{0x06, 0x00}, nil)
		add([]byte{0x04, 0x00}, nil)
		add([]byte{0x04}, []byte{0x00}) // not yet
		add([]byte{0x04}, []byte{0x40})
		all([]byte{0x06, 0x4F})
		all([]byte{0x06, 0x50}) // a conversion between
		all([]byte{0x06, 0x50})
		add([]byte{0x04, 0x00}, nil)
		open, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
			point("pipe", sensors.Temperature, "type", "J"), point("terminals", sensors.Temperature, "reads", "cold-junction")}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := open(t.Context(), &i2c.Dev{Bus: b, Addr: 0x67})
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if want := []sensors.Reading{{Point: "pipe", Value: 101}, {Point: "terminals", Value: 21.25}}; err != nil || !slices.Equal(rs, want) {
			t.Errorf("%+v, %v", rs, err)
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestSettings(t *testing.T) {
	t.Parallel()
	_, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
		point("a", sensors.Temperature, "type", "k", "filter", "8", "lowest", "-60 bar"),
		point("b", sensors.Temperature),
		point("c", sensors.Pressure, "reads", "cold-junction", "type", "K"),
	}})
	text := fmt.Sprint(err)
	for _, want := range []string{`type: "k"`, `filter: "8"`, "lowest: ", "type is missing", "is the point a already", "not pressure", `unknown key "type"`} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	c := fresh()
	env, _ := sensortest.OnI2C(0x67, func(sensortest.Scene) sensortest.Respond { return c.respond })(sensortest.Good)
	b, err := env.I2C("1")
	if err != nil {
		t.Fatal(err)
	}
	says, err := find(t.Context(), &i2c.Dev{Bus: b, Addr: 0x67})
	if want := "MCP9600 revision 1.2, type K, -12.5 C, cold junction 21.2 C"; err != nil || says != want {
		t.Errorf("%q, %v, want %q", says, err, want)
	}
	c.id = 0x04 // an MCP9808
	if _, err := find(t.Context(), &i2c.Dev{Bus: b, Addr: 0x67}); !strings.Contains(fmt.Sprint(err), "0x04") {
		t.Errorf("%v", err)
	}
}

// Whatever the chip says: a number that can be, or a reason.
func FuzzState(f *testing.F) {
	f.Add(int16(400), int16(340), byte(0), byte(0x40), byte(0))
	f.Fuzz(func(t *testing.T, h, k int16, status, id, before byte) {
		s := state{hot: h, cold: k, status: status & (shorted | outOfRange), id: id}
		for _, r := range []sensors.Reading{hot("p", s, before, sensors.UsualLowestC), cold("p", s)} {
			if (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || !sensors.Temperature.Plausible(r.Value) {
				t.Errorf("%+v: %+v", s, r)
			}
		}
	})
}
