package nau7802

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"standwatch/sensors"
	"standwatch/sensors/bus"
	"standwatch/sensors/sensortest"
)

func cell(name string, pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: name, Quantity: sensors.Mass, Every: time.Second, Settings: n}
}

// fake is the chip as its data sheet describes it, as far as the driver can tell.
type fake struct {
	mu       sync.Mutex
	regs     [0x20]byte
	counts   []int32 // of the next conversions, the last one for ever
	busy     time.Time
	calUntil time.Time
	broken   string // "pur", "cal", "slow-cal", "cr", "identity", "ctrl1"
	err      error
}

func newFake(counts ...int32) *fake {
	f := &fake{counts: counts}
	f.regs[revision] = 0x0F
	return f
}

func (f *fake) respond(w, r []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.err != nil:
		return f.err
	case len(w) == 2:
		f.write(w[0], w[1])
		return nil
	}
	for i := range r {
		r[i] = f.read(w[0] + byte(i))
	}
	return nil
}

func (f *fake) write(register, v byte) {
	switch {
	case register == puCtrl && v&reset != 0:
		f.regs = [0x20]byte{revision: f.regs[revision]}
		return
	case register == ctrl2 && v&calibrates != 0:
		f.calUntil = time.Now().Add(344 * time.Millisecond)
	}
	if register == puCtrl && v&converts != 0 && f.regs[puCtrl]&converts == 0 {
		f.busy = time.Now().Add(400 * time.Millisecond) // the filter
	}
	f.regs[register] = v
}

func (f *fake) read(register byte) byte {
	v := f.regs[register]
	switch register {
	case puCtrl:
		if v&digital != 0 && f.broken != "pur" {
			v |= powered
		}
		if v&converts != 0 && v&analogue != 0 && f.broken != "cr" && !time.Now().Before(f.busy) {
			v |= converted
		}
	case ctrl1:
		if f.broken == "ctrl1" {
			v ^= 0x10
		}
	case ctrl2:
		if f.broken != "slow-cal" && !time.Now().Before(f.calUntil) {
			v &^= calibrates
		}
		if f.broken == "cal" {
			v |= calibrateErr
		}
	case revision:
		if f.broken == "identity" {
			v = 0x60
		}
	case result, result + 1, result + 2:
		n := uint32(f.counts[0])
		v = byte(n >> (8 * (2 - (register - result))))
		if register == result+2 { // read whole: the next one takes its time
			if len(f.counts) > 1 {
				f.counts = f.counts[1:]
			}
			f.busy = time.Now().Add(100 * time.Millisecond)
		}
	}
	return v
}

var settled = []string{"bus", "1", "chip", "nau7802", "zero", "84000", "counts_per_kg", "20000"}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: bus.I2C(Chip()),
		Config: sensors.Config{Name: "1", Points: []sensors.Point{cell("scale", settled...)}},
		World: sensortest.OnI2C(0x2A, func(scene sensortest.Scene) sensortest.Respond {
			f := newFake(709000) // 84000 + 31.25 * 20000
			if scene == sensortest.Garbled {
				f.broken = "ctrl1"
			}
			return f.respond
		}),
		Want:    []sensors.Reading{{Point: "scale", Value: 31.25}, {Point: "scale", Value: 31.25}},
		Garbled: reasonDisturbed,
		Absent:  sensors.ReasonDisconnected,
	})
}

// What goes over the bus, in its order: reset, power, settings, calibration, four conversions to
// settle, and three of which the middle counts.
func TestRecordedBus(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		const at = 0x2A
		op := func(r []byte, w ...byte) i2ctest.IO { return i2ctest.IO{Addr: at, W: w, R: r} }
		ops := []i2ctest.IO{
			op([]byte{0x0F}, 0x1F),                   // who answers
			op(nil, 0x00, 0x01), op(nil, 0x00, 0x02), // registers reset, digital part on
			op([]byte{0x02}, 0x00), op([]byte{0x0A}, 0x00), // ready at the second look
			op(nil, 0x00, 0x86),                      // analogue part and regulator on
			op(nil, 0x01, 0x2F), op(nil, 0x02, 0x30), // 3.0 V, gain 128; 80 a second
			op(nil, 0x15, 0x30), op(nil, 0x1C, 0x80), // chopper's clock off, capacitor on
			op(nil, 0x00, 0x96), op(nil, 0x02, 0x34), // convert, and calibrate
			op([]byte{0x34}, 0x02), op([]byte{0x30}, 0x02), op([]byte{0x30}, 0x02), // done, without an error
		}
		conversion := func(r ...byte) []i2ctest.IO {
			return []i2ctest.IO{
				op([]byte{0x9E}, 0x00), op([]byte{0x2F}, 0x01), op([]byte{0x30}, 0x02), // still as set
				op([]byte{0xBE}, 0x00), op(r, 0x12),
			}
		}
		for range 4 {
			ops = append(ops, conversion(0, 0, 0)...)
		}
		ops = append(ops, conversion(0xFE, 0x1D, 0xC0)...) // -123456
		ops = append(ops, conversion(0x3F, 0xFF, 0xFF)...) // a wild one
		ops = append(ops, conversion(0xFE, 0x1D, 0xC1)...)
		play := &i2ctest.Playback{Ops: ops, DontPanic: true}
		chipOpen, err := Chip().New(sensors.Env{}, sensors.Config{Points: []sensors.Point{cell("scale", "zero", "-123455", "counts_per_kg", "-20000", "rate", "80")}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := chipOpen(t.Context(), &i2c.Dev{Bus: play, Addr: at})
		if err != nil {
			t.Fatal(err)
		}
		rs, err := p.Read(t.Context())
		if err != nil || len(rs) != 1 || rs[0].Value != 0 || rs[0].Health.Grade != sensors.Good {
			t.Errorf("%+v %v, want 0 kg", rs, err)
		}
		if err := errors.Join(p.Close(), play.Close()); err != nil {
			t.Error(err)
		}
	})
}

// Each thing that can be wrong with the chip has its reason, and heals.
func TestEvening(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		f := newFake(709000)
		source, err := bus.I2C(Chip()).New(sensors.Env{I2C: func(string) (i2c.BusCloser, error) { return &wire{f}, nil }},
			sensors.Config{Name: "1", Points: []sensors.Point{cell("scale", settled...)}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var mu sync.Mutex
		var last sensors.Reading
		seen := map[string]bool{}
		var done sync.WaitGroup
		done.Go(func() {
			_ = source.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				last = d.Readings[0]
				seen[last.Health.Reason] = true
			})
		})
		step := func(what, reason, then string, change func()) {
			t.Helper()
			f.mu.Lock()
			change()
			f.mu.Unlock()
			mu.Lock()
			clear(seen)
			mu.Unlock()
			time.Sleep(45 * time.Second)
			mu.Lock()
			defer mu.Unlock()
			if !seen[reason] || last.Health.Reason != then || then == "" && last.Value != 31.25 {
				t.Errorf("%s: %v, at last %+v; want %q, then %q", what, seen, last, reason, then)
			}
		}
		well := func() { f.broken, f.err, f.counts = "", nil, []int32{709000} }
		step("it weighs", "", "", func() {})
		step("it loses its power for a moment", sensors.ReasonBrownOut, "", func() { f.write(puCtrl, reset) })
		step("somebody else sets it", reasonDisturbed, "", func() { f.regs[ctrl1] = 0 })
		step("it converts no more", reasonNoResult, reasonNoResult, func() { f.broken = "cr" })
		step("well", "", "", well)
		step("unplugged", sensors.ReasonDisconnected, sensors.ReasonDisconnected, func() { f.err = syscall.EREMOTEIO })
		step("another device is plugged in", sensors.ReasonIdentity, sensors.ReasonIdentity, func() { f.err, f.broken = nil, "identity" })
		step("it does not power up", reasonNoResult, reasonNoResult, func() { f.broken = "pur" })
		step("its inputs are out of range", sensors.ReasonFault, sensors.ReasonFault, func() { f.broken = "cal" })
		step("it calibrates for ever", reasonNoResult, reasonNoResult, func() { f.broken = "slow-cal" })
		step("well again", "", "", well)
		step("a broken wire", sensors.ReasonOverload, sensors.ReasonOverload, func() { f.counts = []int32{1<<23 - 1} })
		step("or the other", sensors.ReasonUnderload, sensors.ReasonUnderload, func() { f.counts = []int32{-1 << 23} })
		cancel()
		done.Wait()
		time.Sleep(time.Minute)
	})
}

type wire struct{ *fake }

func (w *wire) String() string                  { return "fake" }
func (w *wire) Close() error                    { return nil }
func (w *wire) SetSpeed(physic.Frequency) error { return nil }
func (w *wire) Tx(_ uint16, b, r []byte) error  { return w.respond(b, r) }

func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	wrong := cell("scale", "counts_per_kg", "20000")
	wrong.Quantity = sensors.Voltage
	for want, ps := range map[string][]sensors.Point{
		"nothing says how many counts":                   {cell("scale")},
		"measures mass, not voltage":                     {wrong},
		"this chip has the point scale already":          {cell("scale", "counts_per_kg", "20000"), cell("second", "counts_per_kg", "20000", "channel", "2")},
		`excitation: "5V" is none that the chip makes`:   {cell("scale", "counts_per_kg", "20000", "excitation", "5 V")},
		`gain: "100" is not known here; write one of 1,`: {cell("scale", "counts_per_kg", "20000", "gain", "100")},
		`rate: "320" is not known here`:                  {cell("scale", "counts_per_kg", "20000", "rate", "320")},
		`unknown key "gian"`:                             {cell("scale", "counts_per_kg", "20000", "gian", "1")},
	} {
		_, err := Chip().New(sensors.Env{}, sensors.Config{Points: ps})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// The bits of the settings, by the data sheet's register map.
func TestRegisters(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		pairs []string
		want  string
	}{
		{nil, "96 2f 00"},
		{[]string{"excitation", "4.5V", "gain", "1", "rate", "20"}, "96 00 10"},
		{[]string{"excitation", "2.4 V", "gain", "64", "rate", "40", "channel", "2"}, "96 3e a0"},
		{[]string{"excitation", "external"}, "16 07 00"},
	} {
		var faults []error
		p := cell("scale", append([]string{"counts_per_kg", "20000"}, c.pairs...)...)
		s := read(p, sensors.Decode(p.Settings, &faults))
		if got := fmt.Sprintf("%02x %02x %02x", s.pu, s.ctrl1, s.ctrl2); got != c.want || faults != nil {
			t.Errorf("%v: %s %v, want %s", c.pairs, got, faults, c.want)
		}
	}
}
