package bme280

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

// The trimming parameters and values of the data sheet's worked example (BST-BMP280-DS001, section 3.12).
var (
	example     = []int{27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000}
	exampleT    = int32(519888)
	exampleP    = int32(415148)
	exampleTrim = [26]byte(trimBytes(example, 75))
	// of humidity: h2 366, h3 0, h4 309, h5 0, h6 30
	exampleTrimH = [7]byte{0x6E, 0x01, 0x00, 0x13, 0x05, 0x00, 0x1E}
)

func trimBytes(words []int, h1 byte) []byte {
	var b []byte
	for _, w := range words {
		b = append(b, byte(w), byte(w>>8))
	}
	return append(b, 0, h1)
}

func TestWorkedExample(t *testing.T) {
	t.Parallel()
	c := trimOf(exampleTrim, exampleTrimH)
	celsius, fine := c.celsius(exampleT)
	pa := c.pascals(exampleP, fine)
	if math.Abs(celsius-25.08) > 0.005 || math.Round(fine) != 128422 || math.Abs(pa-100653.27) > 0.02 {
		t.Errorf("%.4f C, fine %.1f, %.3f Pa; the data sheet has 25.08, 128422, 100653.27", celsius, fine, pa)
	}
}

// One real chip, as periph's tests of its bmxx80 (Apache 2.0) have it: parameters, values, and what that
// library computes of them in whole numbers, which come in hundredths of a degree, 1/256 Pa and 1/1024 %.
func TestRealChip(t *testing.T) {
	t.Parallel()
	c := trimOf([26]byte(trimBytes([]int{28176, 26220, 350, 38237, -10824, 3024, 7799, -99, -7, 9900, -10230, 4285}, 75)), exampleTrimH)
	celsius, fine := c.celsius(524112)
	if want := 22.93; math.Abs(celsius-want) > 0.005 {
		t.Errorf("%.4f C, want %.2f", celsius, want)
	}
	if pa, want := c.pascals(309104, fine), 25611063.0/256; math.Abs(pa-want) > 0.1 {
		t.Errorf("%.3f Pa, want %.3f", pa, want)
	}
	if rh, want := c.percent(30987, fine), 64686.0/1024; math.Abs(rh-want) > 0.01 {
		t.Errorf("%.4f %%, want %.4f", rh, want)
	}
}

// integerPercent is the other formula that the data sheet BST-BME280-DS002 gives, in whole numbers, to 1/1024 %.
func integerPercent(c trim, adc, fine int32) float64 {
	h1, h2, h3, h4, h5, h6 := int32(c.h1), int32(c.h2), int32(c.h3), int32(c.h4), int32(c.h5), int32(c.h6)
	v := fine - 76800
	v = (((adc << 14) - (h4 << 20) - (h5 * v)) + 16384) >> 15 *
		(((((((v*h6)>>10)*(((v*h3)>>11)+32768))>>10)+2097152)*h2 + 8192) >> 14)
	v -= ((((v >> 15) * (v >> 15)) >> 7) * h1) >> 4
	return float64(min(max(v, 0), 419430400)>>12) / 1024
}

// Humidity has no worked example: the two formulas of the data sheet must agree, also where h4 and h5 are negative.
func TestHumidity(t *testing.T) {
	t.Parallel()
	for _, h := range [][7]byte{exampleTrimH, {0x6E, 0x01, 0x00, 0x14, 0x2A, 0x03, 0x1E}, {0x72, 0x01, 0x05, 0x12, 0x0C, 0xFE, 0xE2}, {0x50, 0x01, 0x00, 0xFA, 0xC7, 0xFF, 0x1E}} {
		c := trimOf(exampleTrim, h)
		for adc := int32(12000); adc < 45000; adc += 500 {
			for _, raw := range []int32{430000, 519888, 600000} {
				_, fine := c.celsius(raw)
				got, want := min(max(c.percent(adc, fine), 0), 100), integerPercent(c, adc, int32(fine))
				if math.Abs(got-want) > 0.02 {
					t.Errorf("% x, %d at %d: %.4f %%, by the other formula %.4f", h, adc, raw, got, want)
				}
			}
		}
	}
	if c := trimOf(exampleTrim, [7]byte{3: 0xFF, 4: 0xAE, 5: 0xFE}); c.h4 != -2 || c.h5 != -22 {
		t.Errorf("h4 %g, h5 %g", c.h4, c.h5)
	}
}

// chip is a BME280 by its register map.
type chip struct {
	mem   [256]byte
	t, p  int32
	h     uint16
	busy  int // so many looks at the status show it measuring
	dead  bool
	n     int
	noise bool
}

func fresh(id byte) *chip {
	c := &chip{t: exampleT, p: exampleP, h: 30987}
	c.mem[regID] = id
	c.powerOn()
	return c
}

func (c *chip) powerOn() {
	id := c.mem[regID]
	c.mem = [256]byte{}
	c.mem[regID] = id
	copy(c.mem[regTrim:], exampleTrim[:])
	if id == bme280 {
		copy(c.mem[regTrimH:], exampleTrimH[:])
	}
	c.data(none20, none20, none16)
}

func (c *chip) data(p, t int32, h uint16) {
	copy(c.mem[0xF7:], []byte{byte(p >> 12), byte(p >> 4), byte(p << 4), byte(t >> 12), byte(t >> 4), byte(t << 4), byte(h >> 8), byte(h)})
}

func (c *chip) respond(w, r []byte) error {
	if len(r) == 0 {
		for i := 0; i+1 < len(w); i += 2 {
			if w[i] == regHumidity && c.mem[regID] == bmp280 {
				continue // not there
			}
			c.mem[w[i]] = w[i+1]
		}
		if c.mem[regMeasure]&3 == forced && !c.dead {
			c.data(c.p, c.t, c.h)
			c.mem[regMeasure] &^= 3
		}
		return nil
	}
	c.mem[0xF3] = 0
	if c.busy > 0 {
		c.busy--
		c.mem[0xF3] = measuring
	}
	c.n++
	for i := range r {
		r[i] = c.mem[int(w[0])+i]
		if c.noise { // another byte is hit each time
			r[i] ^= byte((c.n + i) * 31)
		}
	}
	return nil
}

func point(name string, q sensors.Quantity, pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: name, Quantity: q, Every: time.Second, Settings: n}
}

var points = []sensors.Point{
	point("baro", sensors.AbsolutePressure, "address", "0x76", "chip", "bme280"),
	point("air", sensors.Temperature, "address", "0x76", "chip", "bme280"),
	point("moist", sensors.Humidity, "address", "0x76", "chip", "bme280"),
}

// alone are the same as the chip sees them, when the bus has read its own settings.
var alone = []sensors.Point{point("baro", sensors.AbsolutePressure), point("air", sensors.Temperature), point("moist", sensors.Humidity)}

func TestConformance(t *testing.T) {
	t.Parallel()
	c := trimOf(exampleTrim, exampleTrimH)
	celsius, fine := c.celsius(exampleT)
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.I2C(Chip()),
		Config: sensors.Config{Name: "1", Points: points},
		World: sensortest.OnI2C(0x76, func(s sensortest.Scene) sensortest.Respond {
			c := fresh(bme280)
			c.noise = s == sensortest.Garbled
			return c.respond
		}),
		Want: []sensors.Reading{
			sensors.AbsolutePressure.Reading("baro", c.pascals(exampleP, fine), ""),
			sensors.Temperature.Reading("air", celsius, ""),
			sensors.Humidity.Reading("moist", c.percent(30987, fine), "%RH"),
		},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

// run runs the chip in the daemon's way and gives what a point told, without repetitions.
func run(t *testing.T, c *chip, of string, change func()) []string {
	return sensortest.Night(t, bus.I2C(Chip()), sensors.Config{Name: "1", Points: points}, sensortest.I2C(0x76), c.respond, change, func(r sensors.Reading) string {
		if r.Point != of {
			return ""
		}
		return sensortest.Health(r)
	})
}

// What can happen to a chip in a night, and how it is told.
func TestNight(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		what, of string
		change   func(c *chip)
		want     []string
	}{
		{"a slow measurement", "baro", func(c *chip) { c.busy = 4 }, []string{"good "}},
		{"a measurement that does not end", "baro", func(c *chip) { c.dead = true }, []string{"good ", "failed stale"}},
		{"another chip in its place", "baro", func(c *chip) { c.mem[regID] = 0x61; c.mem[regMeasure] = 0xFF; c.dead = true }, []string{"good ", "failed stale", "failed wrong-identity"}},
		{"nothing measured", "baro", func(c *chip) { c.p = none20 }, []string{"good ", "failed power-on-value"}},
		{"nothing measured", "moist", func(c *chip) { c.p = none20 }, []string{"good "}},
		{"a pressure that cannot be", "baro", func(c *chip) { c.p = 0xFFFFF }, []string{"good ", "failed off-scale"}},
		{"a temperature that cannot be", "baro", func(c *chip) { c.t = 0xFFFFF }, []string{"good ", "failed off-scale"}},
		{"a temperature that cannot be", "moist", func(c *chip) { c.t = 0 }, []string{"good ", "failed off-scale"}},
		{"humidity at the end of its scale", "moist", func(c *chip) { c.h = 0xFFFF }, []string{"good "}}, // cut to 100 %
	} {
		c := fresh(bme280)
		if got := run(t, c, x.of, func() { x.change(c) }); !slices.Equal(got, x.want) {
			t.Errorf("%s: %s told %q, want %q", x.what, x.of, got, x.want)
		}
	}
	if got := run(t, fresh(bmp280), "moist", func() {}); !slices.Equal(got, []string{"failed wrong-identity"}) {
		t.Errorf("humidity of a BMP280: %q", got)
	}
	if got := run(t, fresh(bmp280), "baro", func() {}); !slices.Equal(got, []string{"good "}) {
		t.Errorf("pressure of a BMP280: %q", got)
	}
}

// A supply that breaks down between the order and the answer.
func TestBrownOut(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		c := fresh(bme280)
		ordered := false
		env, _ := sensortest.OnI2C(0x76, func(sensortest.Scene) sensortest.Respond {
			return func(w, r []byte) error {
				if ordered && len(r) > 0 { // the first look after the order
					c.powerOn()
				}
				ordered = ordered || len(w) == 4 && w[3]&3 == forced
				return c.respond(w, r)
			}
		})(sensortest.Good)
		b, err := env.I2C("1")
		if err != nil {
			t.Fatal(err)
		}
		open, err := Chip().New(sensors.Env{}, sensors.Config{Points: alone})
		if err != nil {
			t.Fatal(err)
		}
		p, err := open(t.Context(), &i2c.Dev{Bus: b, Addr: 0x76})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.Read(t.Context()); !strings.Contains(fmt.Sprint(err), "supply broke down") {
			t.Error(err)
		}
	})
}

// What goes over the wire, byte by byte: the worked example.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := &i2ctest.Playback{}
		add := func(w, r []byte) { b.Ops = append(b.Ops, i2ctest.IO{Addr: 0x77, W: w, R: r}) }
		values := []byte{0x00, 0x00, 0x54, 0x00, 0x00, 0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00, 0x80, 0x00}
		broken := slices.Clone(values)
		broken[5] ^= 0x40
		for range 2 {
			add([]byte{0xD0}, []byte{0x58})
		}
		for range 2 {
			add([]byte{0x88}, exampleTrim[:])
		}
		add([]byte{0xF4, 0x54, 0xF5, 0x00}, nil)
		add([]byte{0xF2, 0x01, 0xF4, 0x55}, nil)
		add([]byte{0xF2}, broken) // one bit turned on the way
		add([]byte{0xF2}, values)
		add([]byte{0xF2}, values)
		open, err := Chip().New(sensors.Env{}, sensors.Config{Points: alone[:2]})
		if err != nil {
			t.Fatal(err)
		}
		p, err := open(t.Context(), &i2c.Dev{Bus: b, Addr: 0x77})
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 2 || math.Abs(rs[0].Value-100653.27) > 0.02 || math.Abs(rs[1].Value-25.08) > 0.005 {
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
		point("a", sensors.Pressure), point("b", sensors.Humidity), point("c", sensors.Humidity, "filter", "4"),
	}})
	text := fmt.Sprint(err)
	for _, want := range []string{"not pressure", "humidity of this chip is the point b already", `unknown key "filter"`} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	for id, want := range map[byte]string{bme280: "BME280", bmp280: "BMP280, without humidity", 0x61: "0x61"} {
		c := fresh(id)
		before := c.mem
		env, _ := sensortest.OnI2C(0x76, func(sensortest.Scene) sensortest.Respond { return c.respond })(sensortest.Good)
		b, err := env.I2C("1")
		if err != nil {
			t.Fatal(err)
		}
		says, err := find(t.Context(), &i2c.Dev{Bus: b, Addr: 0x76})
		if err != nil {
			says = err.Error()
		}
		if !strings.Contains(says, want) || c.mem != before {
			t.Errorf("%q, want %q", says, want)
		}
	}
}

// Whatever parameters and values: a number that can be, or a reason.
func FuzzValues(f *testing.F) {
	f.Add(exampleTrim[:], exampleTrimH[:], []byte{0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00, 0x80, 0x00})
	f.Add(make([]byte, 26), make([]byte, 7), make([]byte, 8))
	f.Fuzz(func(t *testing.T, tp, h, data []byte) {
		if len(tp) < 26 || len(h) < 7 || len(data) < 8 {
			return
		}
		p := probe{id: bme280, trim: trimOf([26]byte(tp), [7]byte(h)), settings: settings{"p", "t", "h"}}
		r := registers{0: humidityOnce, 2: oversampling}
		copy(r[5:], data)
		rs, err := p.readings(r)
		if err != nil || len(rs) != 3 {
			t.Fatal(rs, err)
		}
		for i, q := range []sensors.Quantity{sensors.AbsolutePressure, sensors.Temperature, sensors.Humidity} {
			if r := rs[i]; (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || !q.Plausible(r.Value) {
				t.Errorf("%+v", r)
			}
		}
	})
}
