package sht4x

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/conntest"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

func answer(a, b uint16) []byte {
	x, y := []byte{byte(a >> 8), byte(a)}, []byte{byte(b >> 8), byte(b)}
	return slices.Concat(x, []byte{crc(x...)}, y, []byte{crc(y...)})
}

// chip is an SHT4x: a command, then an answer, else it does not acknowledge.
type chip struct {
	serial  uint32
	t, h    uint16
	damaged int // so many answers come with a turned bit
	pending []byte
}

func (c *chip) respond(w, r []byte) error {
	switch {
	case len(w) == 1 && w[0] == measure:
		c.pending = answer(c.t, c.h)
	case len(w) == 1 && w[0] == readSerial:
		c.pending = answer(uint16(c.serial>>16), uint16(c.serial))
	case len(w) > 0 || c.pending == nil:
		return syscall.EREMOTEIO
	}
	if len(r) > 0 {
		copy(r, c.pending)
		c.pending = nil
		if c.damaged > 0 {
			c.damaged--
			r[4] ^= 0x08
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
	point("outdoor", sensors.Temperature, "address", "0x44", "chip", "sht4x", "serial", "0x0a1b2c3d"),
	point("moist", sensors.Humidity, "address", "0x44", "chip", "sht4x"),
}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.I2C(Chip()),
		Config: sensors.Config{Name: "1", Points: points},
		World: sensortest.OnI2C(0x44, func(s sensortest.Scene) sensortest.Respond {
			c := &chip{serial: 0x0A1B2C3D, t: 0x6666, h: 0x7FFF} // 25 C and 56.5 %
			if s == sensortest.Garbled {
				c.damaged = math.MaxInt
			}
			return c.respond
		}),
		Want:    []sensors.Reading{{Point: "outdoor", Value: 25}, {Point: "moist", Value: 0.564990}},
		Garbled: sensors.ReasonCRC,
		Absent:  sensors.ReasonDisconnected,
	})
}

// The data sheet's own example of the check sum, and that each turned bit is found.
func TestCheckSum(t *testing.T) {
	t.Parallel()
	if got := crc(0xBE, 0xEF); got != 0x92 {
		t.Errorf("%#x", got)
	}
	good := [6]byte(answer(0xBEEF, 0x1234))
	if _, _, whole := words(good); !whole {
		t.Error("a whole answer is refused")
	}
	for i := range 48 {
		bad := good
		bad[i/8] ^= 1 << (i % 8)
		if _, _, whole := words(bad); whole {
			t.Errorf("bit %d turned is not found", i)
		}
	}
}

// The data sheet's formulas at their ends, and what is made of values that cannot be.
func TestValues(t *testing.T) {
	t.Parallel()
	raw := func(share float64) uint16 { return uint16(math.Round(share * 65535)) }
	for _, c := range []struct {
		t, h         uint16
		wantT, wantH string
	}{
		{raw(70. / 175), raw(56. / 125), "good  25.000", "good  0.500"},
		{raw(45. / 175), raw(4. / 125), "good  0.000", "good  0.000"},                       // -2 %
		{raw(45. / 175), raw(2. / 125), "good  0.000", "suspect off-scale 0.000"},           // -4 %
		{raw(45. / 175), raw(108. / 125), "good  0.000", "good  1.000"},                     // 102 %
		{raw(45. / 175), raw(110. / 125), "good  0.000", "suspect off-scale 1.000"},         // 104 %
		{raw(45. / 175), 0, "good  0.000", "failed off-scale 0.000"},                        // the end of the scale
		{raw(45. / 175), 0xFFFF, "good  0.000", "failed off-scale 0.000"},                   //
		{0, raw(56. / 125), "failed off-scale 0.000", "failed off-scale 0.000"},             // -45 C
		{0xFFFF, raw(56. / 125), "failed off-scale 0.000", "failed off-scale 0.000"},        // 130 C
		{raw(4. / 175), raw(56. / 125), "failed off-scale 0.000", "failed off-scale 0.000"}, // -41 C
	} {
		rs := (&settings{temperature: "t", humidity: "h"}).readings(c.t, c.h)
		say := func(r sensors.Reading) string {
			return fmt.Sprintf("%s %s %.3f", r.Health.Grade, r.Health.Reason, math.Abs(r.Value))
		}
		if got := say(rs[0]); got != c.wantT {
			t.Errorf("%#04x: %s, want %s", c.t, got, c.wantT)
		}
		if got := say(rs[1]); got != c.wantH {
			t.Errorf("%#04x: %s, want %s", c.h, got, c.wantH)
		}
	}
}

// A bad check sum now and then is asked again, and counted; a chip exchanged is told.
func TestRetryAndIdentity(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		serial  uint32
		damaged int
		want    []string
		counts  int
	}{
		{0x0A1B2C3D, 2, []string{"good "}, 2},
		{0x0A1B2C3D, 3, []string{"failed crc", "good "}, 3},
		{0x0A1B2C3E, 0, []string{"failed wrong-identity"}, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			device := &chip{serial: c.serial, t: 0x6666, h: 0x7FFF, damaged: c.damaged}
			env, _ := sensortest.OnI2C(0x44, func(sensortest.Scene) sensortest.Respond { return device.respond })(sensortest.Good)
			counts := 0
			env.Count = func(string) { counts++ }
			src, err := bus.I2C(Chip()).New(env, sensors.Config{Name: "1", Points: points})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			got := make(chan string, 1000)
			done := make(chan error)
			go func() {
				done <- src.Run(ctx, func(d sensors.Delivery) {
					for _, r := range d.Readings {
						got <- r.Health.Grade.String() + " " + r.Health.Reason
					}
				})
			}()
			time.Sleep(time.Minute)
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			close(got)
			var told []string
			for s := range got {
				if len(told) == 0 || told[len(told)-1] != s {
					told = append(told, s)
				}
			}
			if !slices.Equal(told, c.want) || counts != c.counts {
				t.Errorf("%+v: %q and %d counted", c, told, counts)
			}
		})
	}
}

// What goes over the wire, byte by byte.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := &i2ctest.Playback{Ops: []i2ctest.IO{
			{Addr: 0x44, W: []byte{0x89}},
			{Addr: 0x44, R: []byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92}},
			{Addr: 0x44, W: []byte{0xFD}},
			{Addr: 0x44, R: []byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92}},
		}}
		says, err := find(t.Context(), &i2c.Dev{Bus: b, Addr: 0x44})
		// -45 + 175*48879/65535 and -6 + 125*48879/65535
		if want := "serial number beefbeef, 85.5 C, 87 %RH"; err != nil || says != want {
			t.Errorf("%q, %v, want %q", says, err, want)
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestSettings(t *testing.T) {
	t.Parallel()
	_, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{
		point("a", sensors.Temperature, "serial", "0x11"),
		point("b", sensors.Temperature),
		point("c", sensors.Pressure),
		point("d", sensors.Humidity, "serial", "0x12", "heater", "true"),
		point("e", sensors.Humidity, "serial", "sht40"),
	}})
	text := fmt.Sprint(err)
	for _, want := range []string{"temperature of this chip is the point a already", "not pressure", "another point of this chip has 00000011",
		`unknown key "heater"`, `"sht40" is not the serial number`, "humidity of this chip is the point d already"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

// Whatever comes: a number that can be, or a reason.
func FuzzWords(f *testing.F) {
	f.Add([]byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 6 {
			return
		}
		a, h, _ := words([6]byte(b))
		for i, r := range (&settings{temperature: "t", humidity: "h"}).readings(a, h) {
			q := []sensors.Quantity{sensors.Temperature, sensors.Humidity}[i]
			if (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || !q.Plausible(r.Value) || i == 1 && r.Value > 1 {
				t.Errorf("% x: %+v", b, r)
			}
		}
	})
}

// Another program that asks for the serial number between a measurement and its reading is told: both have
// check sums that fit, and a serial number is no temperature.
func TestAnotherProgramAsks(t *testing.T) {
	t.Parallel()
	serial := []byte{0xBE, 0xEF, crc(0xBE, 0xEF), 0x12, 0x34, crc(0x12, 0x34)}
	p := &probe{Conn: &conntest.Playback{Ops: []conntest.IO{{W: []byte{measure}}, {R: serial}}}, settings: settings{temperature: "a"}, own: 0xBEEF1234}
	rs, err := p.Read(t.Context())
	if len(rs) != 0 || sensors.ReasonOf(err) != "disturbed" {
		t.Errorf("%v, %v", rs, err)
	}
}
