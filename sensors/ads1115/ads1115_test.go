package ads1115

import (
	"context"
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"standwatch/daemon/config"
	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

// load reads points as a person writes them in a site file.
func load(t *testing.T, points ...string) (sensors.Config, []string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: Quayside Library}\npoints:\n  - " + strings.Join(points, "\n  - ") + "\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	driver := bus.I2C(Chip())
	site, errs := config.Load(file, []sensors.Driver{driver})
	if len(errs) > 0 || len(site.Devices) != 1 {
		t.Fatalf("%s\n%v", text, errs)
	}
	c := site.Devices[0].Config
	_, err := driver.New(sensors.Env{}, c)
	var faults []string
	for _, f := range config.Faults(err) {
		faults = append(faults, strings.TrimPrefix(f.Error(), file+":"))
	}
	return c, faults
}

func mustLoad(t *testing.T, points ...string) sensors.Config {
	t.Helper()
	c, faults := load(t, points...)
	if len(faults) > 0 {
		t.Fatalf("%s: %v", points, faults)
	}
	return c
}

// open makes a probe of the points on a bus, as the bus's driver does.
func open(t *testing.T, b i2c.Bus, c sensors.Config) (sensors.Probe, error) {
	t.Helper()
	for i := range c.Points {
		n := &c.Points[i].Settings
		var fields []sensors.Field
		for _, f := range n.Fields {
			if f.Key != "bus" && f.Key != "address" && f.Key != "chip" {
				fields = append(fields, f)
			}
		}
		n.Fields = fields
	}
	o, err := newChip(sensors.Env{}, c)
	if err != nil {
		t.Fatal(err)
	}
	return o(t.Context(), &i2c.Dev{Bus: b, Addr: 0x48})
}

const at48 = "i2c: {bus: one, address: 0x48, chip: ads1115, "

// chip is an ADS1115 as its data sheet describes it.
type chip struct {
	scene   sensortest.Scene
	config  uint16
	result  uint16
	low     uint16
	high    uint16
	volts   [4]float64
	done    time.Time
	slow    float64 // of the oscillator; 0: nominal
	meddler uint16  // another master writes this while it converts; 0: nobody
	resets  bool    // it loses its power while it converts
	late    bool    // and both only when the result is being read
	asked   []uint16
}

func newFake(scene sensortest.Scene, volts ...float64) *chip {
	c := &chip{scene: scene, config: powerOn, low: powerOnLow, high: powerOnHigh}
	copy(c.volts[:], volts)
	if scene == sensortest.Garbled {
		c.meddler = 0xC183
	}
	return c
}

func (c *chip) respond(w, r []byte) error {
	if len(w) == 3 && w[0] == regConfig {
		config := binary.BigEndian.Uint16(w[1:])
		c.asked = append(c.asked, config)
		c.config = config &^ start
		c.convert(config)
		return nil
	}
	if c.config&start == 0 && !time.Now().Before(c.done) {
		c.config |= start
	}
	if now := len(c.asked) > 0 && (!c.late || w[0] == regResult); now && c.meddler != 0 {
		c.config = c.meddler
	} else if now && c.resets {
		c.config, c.result = powerOn, 0
	}
	v, ok := map[byte]uint16{regResult: c.result, regConfig: c.config, regLow: c.low, regHigh: c.high}[w[0]]
	if len(w) != 1 || len(r) != 2 || !ok {
		return fmt.Errorf("a write of %x and a read of %d bytes is nothing that the chip knows", w, len(r))
	}
	binary.BigEndian.PutUint16(r, v)
	return nil
}

func (c *chip) convert(config uint16) {
	pairs := [][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}, {0, -1}, {1, -1}, {2, -1}, {3, -1}}
	pair := pairs[config>>12&7]
	volts := c.volts[pair[0]]
	if pair[1] >= 0 {
		volts -= c.volts[pair[1]]
	}
	fs := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[config>>9&7]
	rate := []float64{8, 16, 32, 64, 128, 250, 475, 860}[config>>5&7]
	n := math.Round(volts / fs * 32768)
	c.result = uint16(int16(max(-32768, min(32767, n))))
	c.done = time.Now().Add(time.Duration(float64(time.Second) / rate * max(c.slow, 1)))
}

// fakeBus is a bus with only the fake on it.
type fakeBus struct {
	i2ctest.Record
	*chip
}

func (b *fakeBus) String() string { return "fake" }

func (b *fakeBus) Tx(_ uint16, w, r []byte) error { return b.respond(w, r) }

var clamp = "{name: liquid, measures: temperature, role: liquid-line, every: 2s, " + at48 + "channel: 0, supply: {channel: 3}, ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}}}"
var transducer = "{name: high, measures: pressure, role: liquid-pressure, every: 2s, " + at48 + "channel: 1, supply: 5 V, ratiometric: {from: 0 bar, to: 50 bar}}}"

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.I2C(Chip()),
		Config: mustLoad(t, clamp, transducer),
		World: sensortest.OnI2C(0x48, func(s sensortest.Scene) sensortest.Respond {
			return newFake(s, 1.5, 2.5, 0, 3).respond // a thermistor of as much as its series resistor; the middle of the range
		}),
		Want:    []sensors.Reading{{Point: "liquid", Value: 25}, {Point: "high", Value: 2499921.875}}, // code 13333: 2.4999375 V
		Garbled: reasonDisturbed,
		Absent:  sensors.ReasonDisconnected,
	})
}

// The codes of the data sheet, testdata/ads1115_codes.csv, by a recorded bus: what is
// written for each full scale, and what is made of each code.
func TestCodes(t *testing.T) {
	t.Parallel()
	f, err := os.Open("testdata/ads1115_codes.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 50 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	// Bits 11 to 9 by the data sheet; single shot on AIN0 against ground at 860 SPS is F1E3h + those,
	// and the latch bit.
	pga := map[string]uint16{"6.144": 0, "4.096": 1 << 9, "2.048": 2 << 9, "1.024": 3 << 9, "0.512": 4 << 9, "0.256": 5 << 9}
	for _, row := range rows[1:] {
		code, err := strconv.ParseUint(row[3], 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		want, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		gain, ok := pga[row[0]]
		if !ok {
			t.Fatalf("no full scale %s", row[0])
		}
		config := 0xC1E7 | gain
		hi, lo := byte(config>>8), byte(config)
		playback := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x48, W: []byte{2}, R: []byte{0x80, 0x00}},
			{Addr: 0x48, W: []byte{3}, R: []byte{0x7F, 0xFF}},
			{Addr: 0x48, W: []byte{1, hi, lo}},
			{Addr: 0x48, W: []byte{1}, R: []byte{hi &^ 0x80, lo}}, // not yet
			{Addr: 0x48, W: []byte{1}, R: []byte{hi, lo}},
			{Addr: 0x48, W: []byte{0}, R: []byte{byte(code >> 8), byte(code)}},
			{Addr: 0x48, W: []byte{1}, R: []byte{hi, lo}},
		}}
		p, err := open(t, playback, mustLoad(t, "{name: v, measures: voltage, every: 2s, "+at48+"channel: 0, full-scale: "+row[0]+" V, rate: 860 SPS}}"))
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 1 {
			t.Fatalf("%v: %v, %v", row, rs, err)
		}
		if err := playback.Close(); err != nil {
			t.Error(err)
		}
		if code == 0x7FFF || code == 0x8000 { // what was there may have been any more
			if rs[0].Health != (sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonOffScale}) || rs[0].Value != 0 {
				t.Errorf("%v: %+v", row, rs[0])
			}
		} else if rs[0].Health.Grade != sensors.Good || math.Abs(rs[0].Value-want) > 0.5e-6 { // what a voltage is kept to
			t.Errorf("%v: %+v", row, rs[0])
		}
	}
}

// every channel gets its own settings, and its own voltage.
func TestChannels(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		c := newFake(sensortest.Good, 1.25, 2.5, 0.1, 0.025)
		p, err := open(t, &fakeBus{chip: c}, mustLoad(t,
			"{name: a, measures: voltage, every: 5s, "+at48+"channel: 0, rate: 8 SPS, full-scale: 2.048 V}}",
			"{name: b, measures: voltage, every: 5s, "+at48+"channel: 1, rate: 475SPS, full-scale: 4.096V, divider: {upper: 20 kohm, lower: 10 kohm}}}",
			"{name: c, measures: voltage, every: 5s, "+at48+"channel: 2-3, full-scale: 256 mV}}",
			"{name: d, measures: voltage, every: 5s, "+at48+"channel: 3}}",
		))
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 4 {
			t.Fatal(rs, err)
		}
		for i, want := range []float64{1.25, 7.5, 0.075, 0.025} {
			if rs[i].Health.Grade != sensors.Good || math.Abs(rs[i].Value-want) > 2e-4 {
				t.Errorf("%+v, want %g V", rs[i], want)
			}
		}
		// OS, MUX, PGA, MODE, DR, latch and no comparator, written out by the data sheet's table.
		for i, want := range []uint16{
			0b1_100_010_1_000_0_0_1_11,
			0b1_101_001_1_110_0_0_1_11,
			0b1_011_101_1_001_0_0_1_11,
			0b1_111_000_1_001_0_0_1_11,
		} {
			if c.asked[i] != want {
				t.Errorf("channel %d is set with %016b, want %016b", i, c.asked[i], want)
			}
		}
	})
}

// Without full-scale the least one is taken that holds what the scale can say.
func TestFullScaleByScale(t *testing.T) {
	t.Parallel()
	for settings, want := range map[string]uint16{
		"measures: temperature, every: 5s, " + at48 + "channel: 0, supply: 3.3 V, ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}}":                    1,
		"measures: temperature, every: 5s, " + at48 + "channel: 0, supply: {channel: 3}, ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}}":             0,
		"measures: pressure, every: 5s, " + at48 + "channel: 0, supply: 5 V, ratiometric: {from: 0 bar, to: 50 bar}}":                                            0,
		"measures: pressure, every: 5s, " + at48 + "channel: 0, supply: 5 V, divider: {upper: 10 kohm, lower: 10 kohm}, ratiometric: {from: 0 bar, to: 50 bar}}": 1,
		"measures: pressure, every: 5s, " + at48 + "channel: 0, loop: {shunt: 100 ohm, from: 0 bar, to: 50 bar}}":                                                1, // 2.1 V at 21 mA
		"measures: pressure, every: 5s, " + at48 + "channel: 0, loop: {shunt: 47 ohm, from: 0 bar, to: 50 bar}}":                                                 3,
		"measures: vacuum, every: 5s, " + at48 + "channel: 0, divider: {upper: 10 kohm, lower: 10 kohm}, linear: {from: [0 V, 0 mbar], to: [10 V, 1000 mbar]}}":  0,
		"measures: vacuum, every: 5s, " + at48 + "channel: 0, table: {points: [[0.1 V, 1 mbar], [0.9 V, 2 mbar]]}}":                                              3,
	} {
		synctest.Test(t, func(t *testing.T) {
			c := newFake(sensortest.Good)
			p, err := open(t, &fakeBus{chip: c}, mustLoad(t, "{name: p, "+settings+"}"))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := p.Read(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := c.asked[len(c.asked)-1] >> 9 & 7; got != want {
				t.Errorf("%s: full scale %d, want %d", settings, got, want)
			}
		})
	}
}

// What a broken clamp, a missing supply and a broken transducer wire look like through the chip.
func TestFaultsOfProbes(t *testing.T) {
	t.Parallel()
	failed := func(reason string) sensors.Health { return sensors.Health{Grade: sensors.Failed, Reason: reason} }
	for _, c := range []struct {
		volts      [4]float64
		clamp, psi sensors.Health
	}{
		{[4]float64{1.65, 2.5, 0, 3.3}, sensors.Health{}, sensors.Health{}},
		{[4]float64{3.3, 0.02, 0, 3.3}, failed(sensors.ReasonOpen), failed(sensors.ReasonBelowZero)},
		{[4]float64{0.001, 4.99, 0, 3.3}, failed(sensors.ReasonShort), failed(sensors.ReasonOverRange)},
		{[4]float64{0, 0, 0, 0}, failed(sensors.ReasonNoSupply), failed(sensors.ReasonBelowZero)},
		{[4]float64{1.65, 2.5, 0, 6.5}, failed(sensors.ReasonOffScale), sensors.Health{}},  // nor its supply
		{[4]float64{1.65, 6.5, 0, 3.3}, sensors.Health{}, failed(sensors.ReasonOverRange)}, // beyond what the chip takes in
	} {
		synctest.Test(t, func(t *testing.T) {
			p, err := open(t, &fakeBus{chip: newFake(sensortest.Good, c.volts[:]...)}, mustLoad(t, clamp, transducer))
			if err != nil {
				t.Fatal(err)
			}
			rs, err := p.Read(t.Context())
			if err != nil || len(rs) != 2 || rs[0].Health != c.clamp || rs[1].Health != c.psi {
				t.Errorf("%v: %+v, %v", c.volts, rs, err)
			}
		})
	}
}

// A slow oscillator is waited for; a chip that never ends, another master and a brown-out
// are told, and the next round is good again.
func TestConversions(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		upset  func(*chip)
		reason string
	}{
		{"ten percent slow", func(c *chip) { c.slow = 1.1 }, ""},
		{"three times slow", func(c *chip) { c.slow = 3 }, ""},
		{"never", func(c *chip) { c.slow = 1e6 }, reasonNoResult},
		{"another master", func(c *chip) { c.meddler = 0xD3E7 }, reasonDisturbed},
		{"another master, done", func(c *chip) { c.meddler = 0xD1E7 }, reasonDisturbed}, // only the channel differs
		{"another master, late", func(c *chip) { c.meddler, c.late = 0xD1E7, true }, reasonDisturbed},
		{"brown-out", func(c *chip) { c.resets = true }, reasonBrownOut},
		{"brown-out, late", func(c *chip) { c.resets, c.late = true, true }, reasonBrownOut},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := newFake(sensortest.Good, 1.25)
			p, err := open(t, &fakeBus{chip: f}, mustLoad(t, "{name: v, measures: voltage, every: 5s, "+at48+"channel: 0, full-scale: 6.144 V, rate: 860 SPS}}"))
			if err != nil {
				t.Fatal(err)
			}
			c.upset(f)
			rs, err := p.Read(t.Context())
			if err != nil || len(rs) != 1 || rs[0].Health.Reason != c.reason || (c.reason == "") != (rs[0].Health.Grade == sensors.Good) {
				t.Errorf("%s: %+v, %v", c.name, rs, err)
			}
			f.slow, f.meddler, f.resets, f.late = 0, 0, false, false
			rs, err = p.Read(t.Context())
			if err != nil || len(rs) != 1 || rs[0].Health.Grade != sensors.Good || math.Abs(rs[0].Value-1.25) > 2e-4 {
				t.Errorf("%s: and then %+v, %v", c.name, rs, err)
			}
		})
	}
}

// No setting of ours may be the one of power-on, or a brown-out could not be told.
func TestNoSettingIsPowerOn(t *testing.T) {
	t.Parallel()
	for mux := range channels {
		for full := range fullScales {
			for _, rate := range rates {
				if newInput(mux, full, rate, 1).config == powerOn {
					t.Errorf("channel %s, full scale %g V, %d SPS", channels[mux], fullScales[full], rate)
				}
			}
		}
	}
}

func TestIdentityAndFind(t *testing.T) {
	t.Parallel()
	c := newFake(sensortest.Good)
	b := &i2c.Dev{Bus: &fakeBus{chip: c}, Addr: 0x48}
	shows, err := Chip().Find(t.Context(), b)
	if err != nil || shows != "has measured nothing since power-on" {
		t.Errorf("%q, %v", shows, err)
	}
	c.config, c.result = 0xC3E7, 0x4E20
	shows, err = Chip().Find(t.Context(), b)
	if err != nil || shows != "2.5000 V on channel 0 when it was last asked" {
		t.Errorf("%q, %v", shows, err)
	}
	for _, other := range [][2]uint16{{powerOnLow, 0x5000}, {0x4B00, powerOnHigh}} {
		c.low, c.high = other[0], other[1]
		if _, err = Chip().Find(t.Context(), b); err == nil {
			t.Errorf("%04X is taken for an ADS1115", other)
		}
	}
	c.low, c.high = 0x4B00, 0x5000 // a thermometer that can have the same address
	if _, err = Chip().Find(t.Context(), b); err == nil {
		t.Error("another chip is taken for an ADS1115")
	}
	if len(c.asked) > 0 {
		t.Errorf("Find writes %04X", c.asked)
	}
	synctest.Test(t, func(t *testing.T) {
		cfg := mustLoad(t, clamp)
		source, err := bus.I2C(Chip()).New(sensors.Env{I2C: func(string) (i2c.BusCloser, error) {
			return closer{&fakeBus{chip: c}}, nil
		}}, cfg)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		_ = source.Run(ctx, func(d sensors.Delivery) {
			cancel()
			if want := (sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonIdentity}); len(d.Readings) != 1 || d.Readings[0].Health != want {
				t.Errorf("%+v", d.Readings)
			}
		})
		if len(c.asked) > 0 {
			t.Errorf("another chip is written %04X", c.asked)
		}
	})
}

type closer struct{ i2c.Bus }

func (closer) Close() error { return nil }

// What doctor writes for a chip that it found is a site file that works, also once people have taken the
// examples in.
func TestStart(t *testing.T) {
	t.Parallel()
	var plain, examples []string
	for _, s := range Chip().Start {
		point := fmt.Sprintf("{name: %s, measures: %s, every: 10s, %s%s}}", s.Name, s.Measures, at48, s.Settings)
		if s.Lacks == "" {
			plain = append(plain, point)
		} else {
			examples = append(examples, point)
		}
	}
	if len(plain) != 4 || len(examples) != 2 {
		t.Errorf("%d and %d points", len(plain), len(examples))
	}
	mustLoad(t, plain...)
	mustLoad(t, examples...)
}

// Every fault has its place and what would be right.
func TestSettings(t *testing.T) {
	t.Parallel()
	volt := func(name, rest string) string {
		return "{name: " + name + ", measures: voltage, every: 5s, " + at48 + rest + "}}"
	}
	for _, c := range []struct {
		points []string
		want   string
	}{
		{[]string{volt("a", "channel: 2"), volt("b", "channel: 2")}, "4:100: channel: input 2 is the point a already; give each point its own input"},
		{[]string{volt("a", "channel: 0-1"), volt("b", "channel: 1")}, "channel: input 1 is the point a already"},
		{[]string{volt("a", "channel: 0"), volt("b", "channel: 0-3")}, "channel: input 0 is the point a already"},
		{[]string{clamp, "{name: b, measures: temperature, every: 2s, " + at48 + "channel: 3, supply: {channel: 2}, ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}}}"},
			"supply: input 3 is the point b already; measure the supply on a free input"},
		{[]string{volt("a", "full-scale: 2.048 V")}, "channel is missing"},
		{[]string{volt("a", "channel: 4")}, `channel: "4" is not known here; write one of 0-1, 0-3, 1-3, 2-3, 0, 1, 2, 3`},
		{[]string{volt("a", "channel: 0, rate: 128")}, `rate: "128" is none that an ADS1115 can do; write one of 8 SPS, 16 SPS`},
		{[]string{volt("a", "channel: 0, full-scale: 5 V")}, "full-scale: 5 V is none that an ADS1115 can do; write one of 0.256 V, 0.512 V"},
		{[]string{volt("a", "channel: 0, full-scale: 4.096")}, `full-scale: "4.096" has no unit`},
		{[]string{volt("a", "channel: 0, divider: {upper: 20 kohm}")}, "divider: one of its resistors is missing"},
		{[]string{volt("a", "channel: 0, gain: 2")}, `unknown key "gain"`},
		{[]string{"{name: a, measures: pressure, every: 5s, " + at48 + "channel: 0}}"}, "nothing says how the voltage becomes pressure"},
		{[]string{"{name: a, measures: pressure, every: 5s, " + at48 + "channel: 0, ratiometric: {from: 0 bar, to: 50 bar}}}"}, "the probe's supply is missing"},
		{[]string{"{name: a, measures: pressure, every: 5s, " + at48 + "channel: 0, supply: 0 V, ratiometric: {from: 0 bar, to: 50 bar}}}"}, "supply: no voltage"},
		{[]string{"{name: a, measures: pressure, every: 5s, " + at48 + "channel: 0, full-scale: 2.048 V, loop: {shunt: 150 ohm, from: 0 bar, to: 50 bar}}}"},
			"full-scale: 2.048 V does not hold the 3.15 V that may come"},
		{[]string{"{name: a, measures: vacuum, every: 5s, " + at48 + "channel: 0, linear: {from: [0 V, 0 mbar], to: [10 V, 10 mbar]}}}"},
			"up to 10.6 V may come, and an ADS1115 takes 6.144 V at most; put a divider before the input"},
		{[]string{"{name: a, measures: voltage, every: 100ms, " + at48 + "channel: 0, rate: 8 SPS}}"}, "all channels of the chip take 138ms, and a is to be read every 100ms"},
		{[]string{"{name: a, measures: voltage, every: 5s, during: {weigh-in: 100ms}, " + at48 + "channel: 0, rate: 8 SPS}}"}, "all channels of the chip take 138ms, and a is to be read every 100ms"},
	} {
		_, faults := load(t, c.points...)
		if len(faults) != 1 || !strings.Contains(faults[0], c.want) {
			t.Errorf("%s\ngives %q\nwant %q", c.points, faults, c.want)
		}
	}
	// An input that measures a supply may be shown too, and a pair's lower end at 3 is shared.
	mustLoad(t, clamp, volt("rail", "channel: 3"))
	mustLoad(t, volt("a", "channel: 0-3"), volt("b", "channel: 1-3"), volt("c", "channel: 3"))
}
