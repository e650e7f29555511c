// Package nau7802 weighs by a load cell on an NAU7802, a bridge converter on an I2C bus.
//
// Facts are from the maker's data sheet "NAU7802 24-Bit Dual-Channel ADC For Bridge Sensors", revision 1.7,
// January 2012 (the register map and the calibration of section 8.6 looked up; the times from memory): one
// address, 2Ah; after a register reset the digital part is powered first and says in 200 microseconds that it is ready (PUR); the
// analogue part and the regulator that feeds the cell follow; the chip then calibrates its own offset (CALS) and says whether
// that failed (CAL_ERR); CR says that a conversion is ready; 24 bits, two's complement, the highest first. After
// a change the filter needs four conversions. REG_CHPS in register 15h turns a clock off that only adds
// noise; the capacitor across input 2 (PGA_CAP_EN) steadies input 1 and is on most boards. The revision register ends in Fh.
//
// periph has no driver for this chip.
//
// The chip has no check sum. So before each conversion its settings are read back: one that lost its
// power measures with others, and is set up anew.
//
// # Settings
//
//	i2c: {bus: "1", chip: nau7802, channel: 1, gain: 128, rate: 10, excitation: 3.0 V, zero: 84213, known: 20 kg, shows: 515300}
//
// excitation is what the chip's regulator feeds the cell with (at least 0.3 V below its own supply), or external.
// Gain 128 with 3.0 V takes in 11.7 mV: enough for cells of 2 and 3 mV/V (common practice).
package nau7802

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:      "nau7802",
		Doc:       "NAU7802: a load cell's bridge converter",
		Addresses: []uint16{0x2A},
		New:       newOpen,
		Find:      find,
		Start: []sensors.Start{{Name: "scale", Measures: sensors.Mass, Settings: "zero: 0, counts_per_kg: 20000",
			Lacks: "what the empty platform and a known weight show"}},
	}
}

// Registers.
const (
	puCtrl   = 0x00
	ctrl1    = 0x01
	ctrl2    = 0x02
	result   = 0x12
	adc      = 0x15
	pgaPower = 0x1C
	revision = 0x1F
)

// Bits of puCtrl.
const (
	reset      = 0x01
	digital    = 0x02
	analogue   = 0x04
	powered    = 0x08 // the digital part is ready
	converts   = 0x10
	converted  = 0x20
	regulated  = 0x80 // the cell is fed by the chip's own regulator
	setByUs    = digital | analogue | converts | regulated
	afterPower = 0x00 // what the register shows after power-on
)

// Bits of ctrl2.
const (
	calibrates   = 0x04
	calibrateErr = 0x08
	second       = 0x80 // input 2
)

const (
	chopperOff = 0x30
	capacitor  = 0x80

	ready    = 20 * time.Millisecond  // 200 microseconds
	settles  = 250 * time.Millisecond // the regulator, with a cell and its capacitors on it (common practice)
	filter   = 4                      // conversions until it has settled
	calLasts = 2 * time.Second        // a third of a second at 10 conversions a second
	glance   = 5 * time.Millisecond
)

// Reasons that other converters have, too.
const (
	reasonDisturbed = "disturbed"     // something else set it
	reasonNoResult  = "no-conversion" // it never says that it is done
)

var volts = []string{"4.5 V", "4.2 V", "3.9 V", "3.6 V", "3.3 V", "3.0 V", "2.7 V", "2.4 V"} // VLDO, from 0

type settings struct {
	point string
	span  sensors.Span
	pu    byte // of setByUs
	ctrl1 byte
	ctrl2 byte
	takes time.Duration // the longest that one conversion may take
}

func newOpen(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	var faults []error
	var s settings
	for i, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		s = read(p, d)
		if i > 0 {
			d.Fail(p.Settings, fmt.Sprintf("this chip has the point %s already", c.Points[0].Name), "one cell a chip: it would have to calibrate anew at each change between its inputs")
		}
		d.Done()
	}
	open := func(ctx context.Context, c conn.Conn) (sensors.Probe, error) { return open(ctx, c, s) }
	return open, errors.Join(faults...)
}

func read(p sensors.Point, d *sensors.Decoder) settings {
	s := settings{point: p.Name, pu: digital | analogue | converts}
	if p.Quantity != sensors.Mass {
		d.Fail(p.Settings, fmt.Sprintf("a load cell measures mass, not %s", p.Quantity), "write measures: mass")
	}
	gain := slices.Index([]string{"1", "2", "4", "8", "16", "32", "64", "128"}, d.OneOf("gain", "128", "1", "2", "4", "8", "16", "32", "64", "128"))
	s.ctrl1 = byte(max(gain, 0))
	feed := strings.ReplaceAll(d.Text("excitation", "3.0 V"), " ", "")
	v := slices.IndexFunc(volts, func(v string) bool { return strings.ReplaceAll(v, " ", "") == feed })
	switch {
	case v >= 0:
		s.pu |= regulated
		s.ctrl1 |= byte(v) << 3
	case feed != "external":
		d.Fail(d.Node("excitation"), fmt.Sprintf("excitation: %q is none that the chip makes", feed), "write external, or one of "+strings.Join(volts, ", "))
	}
	rates := []string{"10", "20", "40", "80"}
	rate := max(slices.Index(rates, d.OneOf("rate", "10", rates...)), 0)
	s.ctrl2 = byte(rate) << 4
	if d.Whole("channel", 1, 1, 2) == 2 {
		s.ctrl2 |= second
	}
	// Four conversions, where the filter begins anew, and half as much again for its clock.
	s.takes = 6 * (100 * time.Millisecond >> rate)
	s.span = sensors.ReadSpan(d)
	return s
}

type probe struct {
	conn.Conn
	settings
}

// open powers the chip up, sets it and has it calibrate itself.
func open(ctx context.Context, c conn.Conn, s settings) (sensors.Probe, error) {
	p := &probe{c, s}
	if _, err := find(ctx, c); err != nil {
		return nil, err
	}
	if err := errors.Join(p.set(puCtrl, reset), p.set(puCtrl, digital)); err != nil {
		return nil, err
	}
	if err := p.await(ctx, puCtrl, powered, powered, ready); err != nil {
		return nil, fmt.Errorf("it does not power up: %w", err)
	}
	steadies := byte(capacitor)
	if s.ctrl2&second != 0 {
		steadies = 0
	}
	if err := errors.Join(p.set(puCtrl, s.pu&^converts), p.set(ctrl1, s.ctrl1), p.set(ctrl2, s.ctrl2),
		p.set(adc, chopperOff), p.set(pgaPower, steadies)); err != nil {
		return nil, err
	}
	if err := sleep(ctx, settles); err != nil {
		return nil, err
	}
	if err := errors.Join(p.set(puCtrl, s.pu), p.set(ctrl2, s.ctrl2|calibrates)); err != nil {
		return nil, err
	}
	if err := p.await(ctx, ctrl2, calibrates, 0, calLasts); err != nil {
		return nil, fmt.Errorf("it does not calibrate itself: %w", err)
	}
	if v, err := p.get(ctrl2); err != nil || v&calibrateErr != 0 {
		return nil, errors.Join(err, sensors.Because(sensors.ReasonFault, errors.New("it cannot calibrate itself: its inputs are out of range, look at the cell's wires")))
	}
	for range filter {
		if _, err := p.convert(ctx); err != nil {
			return nil, err
		}
	}
	return p, nil
}

func (p *probe) set(register, v byte) error { return p.Tx([]byte{register, v}, nil) }

func (p *probe) get(register byte) (byte, error) {
	var r [1]byte
	err := p.Tx([]byte{register}, r[:])
	return r[0], err
}

// await waits until the bits of a register under mask are as wanted.
func (p *probe) await(ctx context.Context, register, mask, want byte, most time.Duration) error {
	end := time.NewTimer(most)
	defer end.Stop()
	for {
		v, err := p.get(register)
		if err != nil || v&mask == want {
			return err
		}
		select {
		case <-end.C:
			return sensors.Because(reasonNoResult, fmt.Errorf("register %02x shows %02x after %s", register, v, most))
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(glance):
		}
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// asSet fails where the chip is set otherwise than it was.
func (p *probe) asSet() error {
	pu, err := p.get(puCtrl)
	if err != nil {
		return err
	}
	one, err := p.get(ctrl1)
	if err != nil {
		return err
	}
	two, err := p.get(ctrl2)
	switch {
	case err != nil:
		return err
	case pu&setByUs == afterPower:
		return sensors.Because(sensors.ReasonBrownOut, errors.New("it has lost its power and forgotten how to measure"))
	case pu&setByUs != p.pu || one != p.ctrl1 || two&^calibrateErr != p.ctrl2:
		return sensors.Because(reasonDisturbed, fmt.Errorf("its settings are %02x %02x %02x, not %02x %02x %02x as they were set", pu&setByUs, one, two, p.pu, p.ctrl1, p.ctrl2))
	}
	return nil
}

// convert waits for a conversion and reads it.
func (p *probe) convert(ctx context.Context) (int32, error) {
	if err := p.asSet(); err != nil {
		return 0, err
	}
	if err := p.await(ctx, puCtrl, converted, converted, p.takes); err != nil {
		if why := p.asSet(); why != nil && ctx.Err() == nil {
			return 0, why
		}
		return 0, fmt.Errorf("it does not convert: %w", err)
	}
	var r [3]byte
	if err := p.Tx([]byte{result}, r[:]); err != nil {
		return 0, err
	}
	return int32(uint32(r[0])<<24|uint32(r[1])<<16|uint32(r[2])<<8) >> 8, nil
}

// Read weighs.
func (p *probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	counts, reason, err := sensors.MedianCounts(func() (int32, error) { return p.convert(ctx) })
	switch {
	case err != nil:
		return nil, err
	case reason != "":
		return []sensors.Reading{{Point: p.point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}}, nil
	}
	return []sensors.Reading{p.span.Mass(p.point, counts)}, nil
}

// Close leaves the chip converting: who opens it sets it up anew.
func (p *probe) Close() error { return nil }

// find reads the revision, which ends in Fh.
func find(_ context.Context, c conn.Conn) (string, error) {
	var r [1]byte
	if err := c.Tx([]byte{revision}, r[:]); err != nil {
		return "", err
	}
	if r[0]&0x0F != 0x0F {
		return "", sensors.Because(sensors.ReasonIdentity, fmt.Errorf("its revision register shows %02x, which is no NAU7802's", r[0]))
	}
	return "a bridge converter", nil
}
