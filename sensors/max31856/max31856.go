// Package max31856 reads thermocouples by the MAX31856 converter on an SPI port.
//
// Facts are from the maker's data sheet 19-7534 (from memory where the tables of the
// tests do not hold them): sixteen registers, read and written in one burst; SPI mode 1 or 3, at
// most 5 MHz; linearised temperature of 19 bits in 1/128 K, cold junction of 14 bits
// in 1/64 K, both two's complement and aligned to the top; the linearisation is the
// chip's own (ITS-90). The fault register 0Fh follows the present state, since the
// chip is left in comparator mode.
//
// periph has no driver for this chip.
//
// # Values that are no measurement
//
// No check sum goes over the wire. So all sixteen registers are read each time, and those of
// the configuration must be as they were written: all zeros or all ones is a line without
// a chip, their power-on state a supply that broke down, anything else damage on the way. Temperature
// and cold junction both exactly zero is what the chip shows before its first conversion.
// A voltage fault suspends conversions, so what stands in the registers then is old.
//
// # A thermocouple with its wires exchanged
//
// It reads twice the cold junction less the truth, roughly: a hot pipe looks cold and a cold pipe
// warm, and at the box's own temperature it is right. One value alone does not tell it. What can be
// told is a value below what a refrigerant pipe ever is (the setting lowest): it is suspect. The sure check is to
// warm the tip in the hand: the reading must rise. A thermocouple whose wires touch
// each other on the way measures there, mostly the box's own temperature: nothing tells that.
//
// # Settings
//
//	spi: {port: SPI0.0, chip: max31856, type: K}
//
// type is the thermocouple's letter (B, E, J, K, N, R, S, T) and must be given; averages 1, 2, 4, 8 or 16 samples;
// mains 50Hz (as when nothing is said) or 60Hz is what its filter rejects; lowest is the temperature below which a
// reading is suspect (-60 C when nothing is said). A second point of the same chip with reads: cold-junction
// shows its terminals, and so where the box itself is too warm or warms too quickly.
package max31856

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:  "max31856",
		Doc:   "MAX31856 thermocouple converter, types B, E, J, K, N, R, S, T",
		Speed: physic.MegaHertz, // a fifth of what it can, for the sake of longer wires
		Mode:  spi.Mode1,
		New:   newOpen,
		Find:  find,
		Start: []sensors.Start{
			{Name: "terminals", Measures: sensors.Temperature, Settings: "reads: cold-junction"},
			{Name: "thermocouple", Measures: sensors.Temperature, Settings: "type: K", Lacks: "the letter on the thermocouple's plug"},
		},
	}
}

// Registers.
const (
	regConfig0 = 0x00
	regConfig1 = 0x01
	regLimits  = 0x03 // six: of cold junction and temperature, which are left as at power-on
	regCold    = 0x0A
	regHot     = 0x0C
	regFault   = 0x0F
	registers  = 16
	write      = 0x80
)

// Bits of configuration 0.
const (
	continuous   = 0x80
	openDetected = 0x10 // for leads below 5 kilohm
	reject50Hz   = 0x01
)

// Bits of the fault register.
const (
	faultColdRange = 0x80
	faultHotRange  = 0x40
	faultColdHigh  = 0x20
	faultColdLow   = 0x10
	faultHotHigh   = 0x08
	faultHotLow    = 0x04
	faultVoltage   = 0x02
	faultOpen      = 0x01
)

// atPowerOn is how the limits are after power-on. Nothing of ours changes them, so they tell the chip.
var atPowerOn = [...]byte{0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00}

// types in the order of the chip's code.
const types = "BEJKNRST"

// settings are those of the thermocouple; its cold junction needs none.
type settings struct {
	sensors.Thermocouple
	config0, config1 byte
	samples          int
}

func newOpen(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	s := settings{config0: openDetected | reject50Hz, config1: byte(3), samples: 1}
	var err error
	if s.Thermocouple, err = sensors.ReadThermocouple("a MAX31856", c, s.read); err != nil {
		return nil, err
	}
	if s.Type != "" {
		s.config1 = s.config1&0xF0 | byte(strings.Index(types, s.Type))
	}
	open := func(ctx context.Context, c conn.Conn) (sensors.Probe, error) { return open(ctx, c, s) }
	return open, nil
}

func (s *settings) read(d *sensors.Decoder) {
	averages := d.OneOf("averages", "1", "1", "2", "4", "8", "16")
	s.samples, _ = strconv.Atoi(averages) // one of the words above
	s.config1 |= byte(slices.Index([]string{"1", "2", "4", "8", "16"}, averages)) << 4
	if d.OneOf("mains", "50Hz", "50Hz", "60Hz") == "60Hz" {
		s.config0 &^= reject50Hz
	}
}

type probe struct {
	conn.Conn
	settings
}

// open sets the chip up. Filter and type are written while it does not convert.
func open(ctx context.Context, c conn.Conn, s settings) (sensors.Probe, error) {
	for _, w := range [][]byte{
		{write | regConfig0, s.config0, s.config1},
		{write | regConfig0, s.config0 | continuous},
	} {
		if err := c.Tx(w, make([]byte, len(w))); err != nil {
			return nil, err
		}
	}
	p := &probe{c, s}
	was, err := p.registers()
	if err != nil {
		return nil, err
	}
	if err := p.asWritten(was); err != nil {
		// A device of another kind answers twice the same; a bad line hardly does.
		if is, err2 := p.registers(); err2 == nil && is == was {
			return nil, sensors.Because(sensors.ReasonIdentity, errors.New("it does not keep what is written to it: this is no MAX31856"))
		}
		return nil, err
	}
	// The first conversion: 185 ms at most, and 40 ms for each further sample (table of
	// conversion times, with margin for the test for an open circuit).
	t := time.NewTimer(250*time.Millisecond + time.Duration(s.samples-1)*40*time.Millisecond)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-t.C:
	}
	return p, nil
}

// registers reads all of them.
func (p *probe) registers() (regs [registers]byte, err error) {
	var r [1 + registers]byte
	w := [len(r)]byte{regConfig0}
	if err = p.Tx(w[:], r[:]); err != nil {
		return regs, err
	}
	return [registers]byte(r[1:]), deadLine(r[1:])
}

// deadLine says that nobody drives the line.
func deadLine(regs []byte) error {
	for _, none := range []byte{0x00, 0xFF} {
		if !slices.ContainsFunc(regs, func(b byte) bool { return b != none }) {
			return sensors.Because(sensors.ReasonDisconnected, fmt.Errorf("each byte read is %#02x: nothing drives the line", none))
		}
	}
	return nil
}

// asWritten compares the configuration with what was written.
func (p *probe) asWritten(regs [registers]byte) error {
	switch c0, c1 := regs[regConfig0], regs[regConfig1]; {
	case c0 == p.config0|continuous && c1 == p.config1 && [6]byte(regs[regLimits:]) == atPowerOn:
		return nil
	case c0 == 0x00 && c1 == 0x03 && [6]byte(regs[regLimits:]) == atPowerOn:
		return sensors.Because(sensors.ReasonBrownOut, errors.New("its configuration is that after power-on: its supply broke down"))
	default:
		return sensors.Because(sensors.ReasonGarbage, fmt.Errorf("its configuration reads %02x %02x where %02x %02x was written", c0, c1, p.config0|continuous, p.config1))
	}
}

// Read reads the last conversion. The chip converts by itself ten times a second.
func (p *probe) Read(context.Context) ([]sensors.Reading, error) {
	regs, err := p.registers()
	if err == nil {
		err = p.asWritten(regs)
	}
	if err != nil {
		return nil, err
	}
	var rs []sensors.Reading
	if p.Hot != "" {
		rs = append(rs, hot(p.Hot, regs, p.LowestC))
	}
	if p.Cold != "" {
		rs = append(rs, cold(p.Cold, regs))
	}
	return rs, nil
}

// Close does nothing: the chip may go on converting.
func (p *probe) Close() error { return nil }

// hot makes the thermocouple's reading.
func hot(point string, regs [registers]byte, lowest float64) sensors.Reading {
	reason := ""
	switch f := regs[regFault]; {
	case f&faultOpen != 0:
		reason = sensors.ReasonOpen
	case f&faultVoltage != 0:
		reason = sensors.ReasonOverVoltage
	case f&(faultColdRange|faultColdHigh|faultColdLow) != 0:
		reason = sensors.ReasonColdJunction
	case f&(faultHotRange|faultHotHigh|faultHotLow) != 0:
		reason = sensors.ReasonOffScale
	case unconverted(regs):
		reason = sensors.ReasonPowerOn
	}
	if reason != "" {
		return failed(point, reason)
	}
	c := hotC(regs)
	r := sensors.Temperature.Reading(point, c, "C")
	if r.Health.Grade == sensors.Good && c < lowest {
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonReversed}
	}
	return r
}

// cold makes the cold junction's reading.
func cold(point string, regs [registers]byte) sensors.Reading {
	switch f := regs[regFault]; {
	case f&faultVoltage != 0: // conversions are suspended
		return failed(point, sensors.ReasonOverVoltage)
	case f&(faultColdRange|faultColdHigh|faultColdLow) != 0:
		return failed(point, sensors.ReasonOffScale)
	case unconverted(regs):
		return failed(point, sensors.ReasonPowerOn)
	}
	return sensors.Temperature.Reading(point, coldC(regs), "C")
}

func failed(point, reason string) sensors.Reading {
	return sensors.Reading{Point: point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
}

func unconverted(regs [registers]byte) bool { return hotC(regs) == 0 && coldC(regs) == 0 }

// hotC is the linearised temperature, without the five bits that are not used.
func hotC(regs [registers]byte) float64 {
	h := regs[regHot:]
	return float64(int32(uint32(h[0])<<24|uint32(h[1])<<16|uint32(h[2])<<8)>>13) / 128
}

// coldC is the temperature of the cold junction.
func coldC(regs [registers]byte) float64 {
	return float64(int16(uint16(regs[regCold])<<8|uint16(regs[regCold+1]))>>2) / 64
}

// find knows the chip by its limits, which nothing of ours changes.
func find(_ context.Context, c conn.Conn) (string, error) {
	p := probe{Conn: c}
	regs, err := p.registers()
	switch {
	case err != nil:
		return "", err
	case [6]byte(regs[regLimits:]) != atPowerOn:
		return "", sensors.Because(sensors.ReasonIdentity, errors.New("no MAX31856 answers"))
	case regs[regConfig0]&continuous == 0:
		return "not set up yet", nil
	case regs[regFault] != 0:
		return hot("", regs, sensors.UsualLowestC).Health.Reason, nil
	}
	return fmt.Sprintf("type %c, %.2f C, cold junction %.2f C", (types + "????????")[regs[regConfig1]&0x0F], hotC(regs), coldC(regs)), nil
}
