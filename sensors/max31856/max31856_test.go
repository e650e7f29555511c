package max31856

import (
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spitest"

	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

// chip is a MAX31856 as its register map has it.
type chip struct {
	regs  [registers]byte
	n     int
	noise bool
}

func fresh() *chip {
	c := &chip{}
	c.powerOn()
	return c
}

func (c *chip) powerOn() {
	c.regs = [registers]byte{0x00, 0x03, 0xFF}
	copy(c.regs[regLimits:], atPowerOn[:])
}

// set puts a temperature, a cold junction and faults there as the chip would.
func (c *chip) set(hotC, coldC float64, fault byte) {
	h, k := int32(hotC*128)<<5, int16(coldC*64)<<2
	copy(c.regs[regCold:], []byte{byte(k >> 8), byte(k), byte(h >> 16), byte(h >> 8), byte(h), fault})
}

func (c *chip) respond(w, r []byte) error {
	at := int(w[0] &^ write)
	for i := range w[1:] {
		switch reg := (at + i) % registers; {
		case w[0]&write == 0:
			r[1+i] = c.regs[reg]
			if c.noise { // another byte is hit each time
				r[1+i] ^= byte((c.n + i) * 31)
			}
		case reg < regCold:
			c.regs[reg] = w[1+i]
		}
	}
	if c.n++; c.regs[0]&continuous != 0 && c.regs[regHot] == 0 && c.regs[regHot+1] == 0 && c.regs[regCold] == 0 {
		c.set(-12.5, 21.25, 0)
	}
	return nil
}

func point(name string, q sensors.Quantity, pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: name, Quantity: q, Unit: "C", Every: time.Second, Settings: n}
}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.SPI(Chip()),
		Config: sensors.Config{Name: "SPI0.0", Points: []sensors.Point{
			point("suction", sensors.Temperature, "port", "SPI0.0", "chip", "max31856", "type", "T", "averages", "4"),
			point("terminals", sensors.Temperature, "port", "SPI0.0", "chip", "max31856", "reads", "cold-junction"),
		}},
		World: sensortest.OnSPI(func(s sensortest.Scene) sensortest.Respond {
			c := fresh()
			c.noise = s == sensortest.Garbled
			return c.respond
		}),
		Want:    []sensors.Reading{{Point: "suction", Value: -12.5}, {Point: "terminals", Value: 21.25}},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

// The data sheet's tables of temperature and cold-junction data (see the file's head).
func TestTemperatures(t *testing.T) {
	t.Parallel()
	f, err := os.Open("testdata/max31856.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 20 {
		t.Fatal(len(rows), err)
	}
	for _, row := range rows[1:] {
		want, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		b, err := hex.DecodeString(strings.ReplaceAll(row[2], " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		var regs [registers]byte
		got := 0.0
		if row[0] == "tc" {
			b[2] |= 0x1F // not used, whatever stands there
			copy(regs[regHot:], b)
			got = hotC(regs)
		} else {
			b[1] |= 0x03
			copy(regs[regCold:], b)
			got = coldC(regs)
		}
		if got != want {
			t.Errorf("%s %s: %g, want %s", row[0], row[2], got, row[1])
		}
	}
}

// Each bit of the fault register has its reason.
func TestFaults(t *testing.T) {
	t.Parallel()
	for fault, want := range map[byte][2]string{
		0x01: {sensors.ReasonOpen, ""},
		0x02: {sensors.ReasonOverVoltage, sensors.ReasonOverVoltage},
		0x03: {sensors.ReasonOpen, sensors.ReasonOverVoltage},
		0x04: {sensors.ReasonOffScale, ""},
		0x08: {sensors.ReasonOffScale, ""},
		0x10: {sensors.ReasonColdJunction, sensors.ReasonOffScale},
		0x20: {sensors.ReasonColdJunction, sensors.ReasonOffScale},
		0x40: {sensors.ReasonOffScale, ""},
		0x80: {sensors.ReasonColdJunction, sensors.ReasonOffScale},
	} {
		c := fresh()
		c.set(40, 25, fault)
		h, k := hot("h", c.regs, sensors.UsualLowestC), cold("k", c.regs)
		if h.Health != (sensors.Health{Grade: sensors.Failed, Reason: want[0]}) || h.Value != 0 {
			t.Errorf("fault %02X: thermocouple %+v, want %s", fault, h, want[0])
		}
		if k.Health.Reason != want[1] || (want[1] == "") != (k.Value == 25) {
			t.Errorf("fault %02X: cold junction %+v, want %q", fault, k, want[1])
		}
	}
	c := fresh() // before the first conversion
	if h, k := hot("h", c.regs, sensors.UsualLowestC), cold("k", c.regs); h.Health.Reason != sensors.ReasonPowerOn || k.Health.Reason != sensors.ReasonPowerOn {
		t.Errorf("%+v, %+v", h, k)
	}
	c.set(0, 20, 0)
	if h := hot("h", c.regs, sensors.UsualLowestC); h != (sensors.Reading{Point: "h"}) {
		t.Errorf("melting ice: %+v", h)
	}
}

// emfK is type K in millivolts, rows of the NIST ITS-90 tables (monograph 175): -50 to -200 C as printed in
// table 9 of ASTM E230, the others of the same table from memory.
var emfK = [][2]float64{{-200, -5.891}, {-150, -4.913}, {-140, -4.669}, {-130, -4.411}, {-40, -1.527}, {0, 0}, {20, 0.798}, {25, 1.000}, {37, 1.489}, {50, 2.023}, {100, 4.096}, {200, 8.138}}

func between(rows [][2]float64, from, to int, x float64) float64 {
	i := slices.IndexFunc(rows, func(r [2]float64) bool { return r[from] >= x })
	a, b := rows[i-1], rows[i]
	return a[to] + (x-a[from])/(b[from]-a[from])*(b[to]-a[to])
}

// What exchanged wires show, by the thermocouple tables: the chip adds the voltage of its cold junction to
// one of the wrong sign. Only a pipe that is far hotter than the box gives it away.
func TestExchangedWires(t *testing.T) {
	t.Parallel()
	for pipe, told := range map[float64]bool{150: true, 130: true, 100: false, 50: false, 20: false, -40: false} {
		const box = 25
		shows := between(emfK, 1, 0, 2*between(emfK, 0, 1, box)-between(emfK, 0, 1, pipe))
		c := fresh()
		c.set(shows, box, 0)
		r := hot("pipe", c.regs, sensors.UsualLowestC)
		want := sensors.Health{}
		if told {
			want = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonReversed}
		}
		if r.Health != want {
			t.Errorf("a pipe of %g C shows as %.1f C: %+v, want %+v", pipe, shows, r.Health, want)
		}
		if (pipe > box) != (shows < box) {
			t.Errorf("a pipe of %g C shows as %.1f C", pipe, shows)
		}
	}
}

// What goes over the wire, byte by byte: type K, four samples, 60 Hz.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		regs := []byte{0, 0x90, 0x23, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0x19, 0x00, 0x06, 0x4F, 0x00, 0x00}
		ask := make([]byte, 17)
		reset := slices.Clone(regs)
		reset[1], reset[2] = 0x00, 0x03
		port := &spitest.Playback{Playback: conntest.Playback{Ops: []conntest.IO{
			{W: []byte{0x80, 0x10, 0x23}, R: make([]byte, 3)},
			{W: []byte{0x80, 0x90}, R: make([]byte, 2)},
			{W: ask, R: regs},
			{W: ask, R: regs},
			{W: ask, R: reset},
			{W: ask, R: make([]byte, 17)},
		}}}
		c, err := port.Connect(physic.MegaHertz, spi.Mode1, 8)
		if err != nil {
			t.Fatal(err)
		}
		open, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
			point("pipe", sensors.Temperature, "type", "K", "averages", "4", "mains", "60Hz")}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := open(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if want := []sensors.Reading{{Point: "pipe", Value: sensors.Temperature.Round(100.9375)}}; err != nil || !slices.Equal(rs, want) {
			t.Errorf("%+v, %v", rs, err)
		}
		for _, want := range []string{"supply broke down", "nothing drives the line"} {
			if _, err := p.Read(t.Context()); !strings.Contains(fmt.Sprint(err), want) {
				t.Errorf("%v, want %s", err, want)
			}
		}
		if err := errors.Join(p.Close(), port.Close()); err != nil {
			t.Error(err)
		}
	})
}

// told runs the chip in the daemon's way and gives the reasons of the first point, one after the other.
func told(t *testing.T, respond sensortest.Respond, change func()) []string {
	return sensortest.Night(t, bus.SPI(Chip()), sensors.Config{Name: "SPI0.0", Points: []sensors.Point{
		point("pipe", sensors.Temperature, "port", "SPI0.0", "chip", "max31856", "type", "K")}}, sensortest.SPI, respond, change, sensortest.Health)
}

// A chip that lost its supply for a moment is told, set up again and goes on.
func TestBrownOut(t *testing.T) {
	t.Parallel()
	c := fresh()
	got := told(t, c.respond, c.powerOn)
	if want := []string{"good ", "failed brown-out", "good "}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// A device that is no MAX31856 keeps nothing of what is written.
func TestAnotherChip(t *testing.T) {
	t.Parallel()
	other := func(w, r []byte) error {
		for i := range r {
			r[i] = byte(0x40 + i)
		}
		return nil
	}
	if got, want := told(t, other, func() {}), []string{"failed wrong-identity"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestSettings(t *testing.T) {
	t.Parallel()
	_, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
		point("a", sensors.Temperature, "type", "k", "averages", "3", "mains", "50", "lowest", "-60 bar"),
		point("b", sensors.Temperature),
		point("c", sensors.Pressure, "reads", "cold-junction", "type", "K"),
		point("d", sensors.Temperature, "reads", "cold"),
	}})
	text := fmt.Sprint(err)
	for _, want := range []string{`type: "k"`, `averages: "3"`, `mains: "50"`, "lowest: ", "type is missing", "is the point a already",
		"measures temperature, not pressure", `unknown key "type"`, `reads: "cold"`} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	c := fresh()
	ask := func() string {
		port, _ := sensortest.OnSPI(func(sensortest.Scene) sensortest.Respond { return c.respond })(sensortest.Good)
		p, err := port.SPI("")
		if err != nil {
			t.Fatal(err)
		}
		conn, err := p.Connect(physic.MegaHertz, spi.Mode1, 8)
		if err != nil {
			t.Fatal(err)
		}
		before := c.regs
		says, err := find(t.Context(), conn)
		if c.regs != before {
			t.Error("Find changes the chip")
		}
		if err != nil {
			return err.Error()
		}
		return says
	}
	got := []string{ask()}
	c.regs[0], c.regs[1] = continuous, 0x07
	c.set(-12.5, 21.25, 0)
	got = append(got, ask())
	c.regs[regFault] = faultOpen
	got = append(got, ask())
	c.regs[regLimits] = 0
	got = append(got, ask())
	want := []string{"not set up yet", "type T, -12.50 C, cold junction 21.25 C", "open-circuit", "no MAX31856 answers"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Whatever the chip says: a number that can be, or a reason.
func FuzzRegisters(f *testing.F) {
	f.Add(make([]byte, registers))
	f.Add(slices.Repeat([]byte{0xFF}, registers))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < registers {
			return
		}
		regs := [registers]byte(b)
		h, k := hot("p", regs, sensors.UsualLowestC), cold("p", regs)
		for _, r := range []sensors.Reading{h, k} {
			if (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || !sensors.Temperature.Plausible(r.Value) {
				t.Errorf("%02X: %+v", regs, r)
			}
		}
		if regs[regFault] != 0 && h.Health.Grade != sensors.Failed {
			t.Errorf("%02X: %+v beside a fault", regs, h)
		}
	})
}
