package max31865

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
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

// chip is a MAX31865 with a thermometer of a known resistance, by the data sheet.
type chip struct {
	regs  [registers]byte
	ratio float64
	wires byte // fault bits that the look through the wires finds
	dead  bool // it converts no more
	n     int
	noise bool
}

func fresh(ratio float64) *chip {
	c := &chip{ratio: ratio}
	c.powerOn()
	return c
}

func (c *chip) powerOn() { c.regs = [registers]byte{3: 0xFF, 4: 0xFF} }

func (c *chip) respond(w, r []byte) error {
	at := int(w[0] &^ write)
	for i := range w[1:] {
		switch reg := (at + i) % registers; {
		case w[0]&write == 0:
			r[1+i] = c.regs[reg]
			if c.noise { // another byte is hit each time
				r[1+i] ^= byte((c.n + i) * 31)
			}
		case reg == regConfig:
			c.configure(w[1+i])
		case reg >= regLimits && reg < regFault:
			c.regs[reg] = w[1+i]
		}
	}
	c.n++
	return nil
}

func (c *chip) configure(to byte) {
	if to&clearFaults != 0 {
		c.regs[regFault] = 0
	}
	c.regs[regConfig] = to &^ clearFaults
	switch {
	case c.dead:
	case to&looking == looking:
		c.regs[regFault] |= c.wires
		c.regs[regConfig] &^= looking
	case to&(bias|oneShot) == bias|oneShot:
		c.regs[regConfig] &^= oneShot
		code := uint16(min(c.ratio, 32767.0/32768)*32768) << 1
		word := func(at int) uint16 { return uint16(c.regs[at])<<8 | uint16(c.regs[at+1]) }
		if code >= word(regLimits) {
			c.regs[regFault] |= faultHigh
		}
		if code <= word(regLimits+2) {
			c.regs[regFault] |= faultLow
		}
		if c.regs[regFault] != 0 {
			code |= 1
		}
		c.regs[regRatio], c.regs[regRatio+1] = byte(code>>8), byte(code)
	}
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
			point("pipe", sensors.Temperature, "port", "SPI0.0", "chip", "max31865", "element", "Pt100", "wires", "3", "reference", "400 ohm")}},
		World: sensortest.OnSPI(func(s sensortest.Scene) sensortest.Respond {
			c := fresh(0.25) // 100 ohm of 400
			c.noise = s == sensortest.Garbled
			return c.respond
		}),
		Want:    []sensors.Reading{{Point: "pipe", Value: 0}},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

func table(t *testing.T, name string) (rows [][]float64, texts [][]string) {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	texts, err = r.ReadAll()
	if err != nil || len(texts) < 6 {
		t.Fatal(name, err)
	}
	texts = texts[1:]
	for _, text := range texts {
		var row []float64
		for _, s := range text {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil { // a column in hexadecimal
				v = math.NaN()
			}
			row = append(row, v)
		}
		rows = append(rows, row)
	}
	return rows, texts
}

// Resistances of IEC 60751 (coefficients, and the standard's table to a hundredth of an ohm), both ways.
func TestResistance(t *testing.T) {
	t.Parallel()
	rows, _ := table(t, "pt100.csv")
	for _, r := range rows {
		if got := 100 * ohms(r[0]); math.Abs(got-r[1]) > 1e-6 || math.Abs(got-r[2]) > 0.0051 {
			t.Errorf("%g C: %.6f ohm, want %.6f, the table has %.2f", r[0], got, r[1], r[2])
		}
		if got := tempC(r[1] / 100); math.Abs(got-r[0]) > 1e-5 {
			t.Errorf("%.6f ohm: %.6f C, want %g", r[1], got, r[0])
		}
	}
	for tenth := -2000; tenth <= 8500; tenth += 7 { // the whole range of the standard
		if c := float64(tenth) / 10; math.Abs(tempC(ohms(c))-c) > 1e-8 {
			t.Errorf("%g C comes back as %.10f", c, tempC(ohms(c)))
		}
	}
}

// The data sheet's table 9: a Pt100 and 400 ohm, register to temperature. One step of the register
// is 0.03 K, and the table rounds now up, now down.
func TestRegisterToTemperature(t *testing.T) {
	t.Parallel()
	rows, texts := table(t, "max31865_table9.csv")
	s := settings{point: "p", nominal: 100, refOhms: 400}
	for i, r := range rows {
		reg, err := strconv.ParseUint(texts[i][2], 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		got := s.reading([registers]byte{1: byte(reg >> 8), 2: byte(reg)})
		if got.Health.Grade != sensors.Good || math.Abs(got.Value-r[0]) > 0.04 {
			t.Errorf("%s: %+v, want %g C", texts[i][2], got, r[0])
		}
	}
	rows, texts = table(t, "max31865_table5.csv")
	for i, r := range rows {
		high, _ := strconv.ParseUint(texts[i][1], 16, 8)
		low, _ := strconv.ParseUint(texts[i][2], 16, 8)
		if got := ratio([registers]byte{1: byte(high), 2: byte(low)}); got != r[3]/32768 || math.Abs(got-r[0]) > 0.001 {
			t.Errorf("table 5, %v: %g", texts[i], got)
		}
	}
}

// run runs the chip in the daemon's way and gives what was told, without repetitions.
func run(t *testing.T, respond sensortest.Respond, change func(), pairs ...string) []string {
	return sensortest.Night(t, bus.SPI(Chip()), sensors.Config{Name: "SPI0.0", Points: []sensors.Point{
		point("pipe", sensors.Temperature, append([]string{"port", "SPI0.0", "chip", "max31865"}, pairs...)...)}}, sensortest.SPI, respond, change,
		func(r sensors.Reading) string {
			return strings.TrimSuffix(fmt.Sprintf("%s %.1f", sensortest.Health(r), r.Value), " 0.0")
		})
}

var usual = []string{"element", "Pt100", "wires", "4", "reference", "430 ohm"}

// Each fault bit has its reason, and is gone once the wire is mended.
func TestFaults(t *testing.T) {
	t.Parallel()
	good := 107.79 / 430 // 20 C
	for _, f := range []struct {
		what  string
		ratio float64
		wires byte
		want  string
	}{
		{"an open element", 1, 0, sensors.ReasonOpen},
		{"a corroded terminal, 150 ohm more", 257.79 / 430, 0, sensors.ReasonOpen},
		{"a short circuit", 0, 0, sensors.ReasonShort},
		{"REFIN- high", good, faultReference, sensors.ReasonOpen},
		{"REFIN- low with FORCE- open", good, faultRefOpen, sensors.ReasonGround},
		{"RTDIN- low with FORCE- open", good, faultInOpen, sensors.ReasonGround},
		{"a foreign voltage", good, faultVoltage | faultReference, sensors.ReasonOverVoltage},
		{"a bit unknown to the data sheet", good, 0x01, sensors.ReasonFault},
	} {
		c := fresh(f.ratio)
		c.wires = f.wires
		got := run(t, c.respond, func() { c.ratio, c.wires = good, 0 }, usual...)
		if want := []string{"failed " + f.want, "good  20.0"}; !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", f.what, got, want)
		}
	}
}

// A chip that lost its supply, that converts no more, that is another one.
func TestChipFaults(t *testing.T) {
	t.Parallel()
	c := fresh(1077.9 / 4300)
	if got, want := run(t, c.respond, c.powerOn, "element", "Pt1000", "wires", "2", "reference", "4300 ohm", "mains", "60Hz"),
		[]string{"good  20.0", "failed brown-out", "good  20.0"}; !slices.Equal(got, want) {
		t.Errorf("a brown-out: %q, want %q", got, want)
	}
	if got, want := run(t, c.respond, func() { c.dead = true }, "element", "Pt1000", "wires", "2", "reference", "4300 ohm"),
		[]string{"good  20.0", "failed stale"}; !slices.Equal(got, want) {
		t.Errorf("no conversion: %q, want %q", got, want)
	}
	other := func(_, r []byte) error {
		for i := range r {
			r[i] = byte(0x40 + i)
		}
		return nil
	}
	if got, want := run(t, other, func() {}, usual...), []string{"failed wrong-identity"}; !slices.Equal(got, want) {
		t.Errorf("another chip: %q, want %q", got, want)
	}
}

// What goes over the wire, byte by byte, as the register tables have it: three wires, 50 Hz, table 9's 100 C.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := settings{nominal: 100, refOhms: 400}
		high, low := s.code(highestC), s.code(lowestC)
		if high != 0x87B6 || low != 0x2690 { // table 9's own rows of 300 and -100 C
			t.Errorf("limits %04X %04X", high, low)
		}
		ask := make([]byte, 9)
		regs := func(config byte) []byte { return []byte{0, config, 0x58, 0xA4, 0x87, 0xB6, 0x26, 0x90, 0x00} }
		two := make([]byte, 2)
		port := &spitest.Playback{Playback: conntest.Playback{Ops: []conntest.IO{
			{W: []byte{0x83, 0x87, 0xB6, 0x26, 0x90}, R: make([]byte, 5)},
			{W: []byte{0x80, 0x13}, R: two},
			{W: ask, R: regs(0x11)},
			{W: []byte{0x80, 0x93}, R: two},
			{W: []byte{0x80, 0x99}, R: two},
			{W: []byte{0x80, 0x9D}, R: two},
			{W: []byte{0x80, 0xB1}, R: two},
			{W: ask, R: regs(0x91)},
			{W: []byte{0x80, 0x11}, R: two},
		}}}
		c, err := port.Connect(physic.MegaHertz, spi.Mode1, 8)
		if err != nil {
			t.Fatal(err)
		}
		open, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
			point("pipe", sensors.Temperature, "wires", "3", "reference", "400 ohm")}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := open(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 1 || rs[0].Health.Grade != sensors.Good || math.Abs(rs[0].Value-100) > 0.03 {
			t.Errorf("%+v, %v", rs, err)
		}
		if err := errors.Join(p.Close(), port.Close()); err != nil {
			t.Error(err)
		}
	})
}

func TestSettings(t *testing.T) {
	t.Parallel()
	_, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
		point("a", sensors.Pressure, "element", "pt100", "wires", "5", "reference", "430 ohm", "mains", "50"),
		point("b", sensors.Temperature, "element", "Pt1000", "wires", "2", "reference", "430 ohm", "lead", "1"),
		point("c", sensors.Temperature, "reference", "NaN"),
		point("d", sensors.Temperature, "wires", "2"),
	}})
	text := fmt.Sprint(err)
	for _, want := range []string{`element: "pt100"`, `wires: "5"`, `mains: "50"`, "not pressure", "is the point a already",
		`"430 ohm" is not the resistance of a reference resistor for a Pt1000; write one from 2121 ohm to 10000 ohm; on most boards 4000 ohm or 4300 ohm`,
		`unknown key "lead"`, "wires is missing", `reference: "NaN"`, "reference is missing"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	c := fresh(0.25)
	ask := func() string {
		env, _ := sensortest.OnSPI(func(sensortest.Scene) sensortest.Respond { return c.respond })(sensortest.Good)
		p, err := env.SPI("")
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
	for _, ref := range []float64{400, 430, 423.7} {
		s := settings{nominal: 100, refOhms: ref}
		high, low := s.code(highestC), s.code(lowestC)
		c.regs = [registers]byte{0x11, 0x40, 0x00, byte(high >> 8), byte(high), byte(low >> 8), byte(low), 0}
		got = append(got, ask())
	}
	c.regs[regFault] = faultHigh
	got = append(got, ask())
	copy(c.regs[regLimits:], []byte{0x7F, 0xC0, 0x7F, 0xFF}) // those of a MAX31856
	got = append(got, ask())
	shows := "0.2500 of its reference resistor"
	if want := []string{"not set up yet", shows, shows, shows, "open-circuit", "no MAX31865 answers"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// Whatever the chip says: a number that can be, or a reason.
func FuzzRegisters(f *testing.F) {
	f.Add(make([]byte, registers))
	f.Add(slices.Repeat([]byte{0xFF}, registers))
	f.Add([]byte{0x91, 0x58, 0xA4, 0x87, 0xB6, 0x26, 0x90, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < registers {
			return
		}
		s := settings{point: "p", nominal: 100, refOhms: 430}
		r := s.reading([registers]byte(b))
		if (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || !sensors.Temperature.Plausible(r.Value) {
			t.Errorf("% x: %+v", b, r)
		}
		if (b[regFault] != 0 && b[regFault]&^3 != 0 || b[2]&1 != 0) && r.Health.Grade != sensors.Failed {
			t.Errorf("% x: %+v beside a fault", b, r)
		}
	})
}
