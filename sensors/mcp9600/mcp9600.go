// Package mcp9600 reads thermocouples by the MCP9600 and MCP9601 converters on an I2C bus.
//
// Facts are from the maker's data sheet DS20005426 (status and identity registers seen in revision
// C, that of the MCP9601 and the rest from memory): hot and cold junction as two's complement of 1/16 K; the
// linearisation is the chip's own (ITS-90); 18 bits take 320 ms; identity 40h, of the MCP9601 41h, with a
// revision; a flag that a conversion is complete, which the reader clears; I2C at 100 kHz at most, with the clock held
// low for a while, which some boards' controllers do not bear: give such a bus 50 kHz or less.
//
// periph has no driver for this chip.
//
// # What the two chips tell
//
// The MCP9601 has a bit for an open and one for a short-circuited thermocouple (its VSENSE pin
// must be wired). They flicker on a sound probe, as users report; so a bit seen once makes the reading suspect, and
// one seen twice in a row makes it failed. The plain MCP9600 has neither: it only tells what
// is outside the range of the thermocouple's type; broken wires float and may read as any temperature.
// Where that matters, use the other. For exchanged wires see the package max31856.
//
// # Values that are no measurement
//
// No check sum goes over the wire: all is read until it comes twice the same. The configuration must be as
// it was written, else the supply broke down; a flag that stays down is a chip that converts no more.
//
// # Settings
//
//	i2c: {bus: "1", address: 0x67, chip: mcp9600, type: T}
//
// type is the thermocouple's letter (B, E, J, K, N, R, S, T) and must be given; filter from 0 (none) to 7 is the
// chip's own; lowest is the temperature below which a reading is suspect (-60 C when nothing is said). A second point
// of the same chip with reads: cold-junction shows its terminals.
package mcp9600

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:      "mcp9600",
		Doc:       "MCP9600, MCP9601 thermocouple converters, types B, E, J, K, N, R, S, T",
		Addresses: []uint16{0x67, 0x60, 0x61, 0x62, 0x63, 0x64, 0x65, 0x66},
		New:       newOpen,
		Find:      find,
		Start: []sensors.Start{
			{Name: "terminals", Measures: sensors.Temperature, Settings: "reads: cold-junction"},
			{Name: "thermocouple", Measures: sensors.Temperature, Settings: "type: K", Lacks: "the letter on the thermocouple's plug"},
		},
	}
}

// Registers, with their lengths.
const (
	regHot    = 0x00 // 2
	regCold   = 0x02 // 2
	regStatus = 0x04 // 1
	regSensor = 0x05 // 1: type and filter
	regDevice = 0x06 // 1: resolutions and mode; all zeros is the finest, and goes on
	regID     = 0x20 // 2
)

// Bits of the status.
const (
	updated    = 0x40
	shorted    = 0x20 // MCP9601
	outOfRange = 0x10 // of the MCP9601: open
)

const (
	mcp9600 = 0x40
	mcp9601 = 0x41

	// types in the order of the chip's code.
	types = "KJTNSEBR"

	// A conversion takes 320 ms, and that of the cold junction 250 ms.
	step, patience = 50 * time.Millisecond, 1200 * time.Millisecond
)

type settings struct {
	sensors.Thermocouple
	sensor byte
}

func newOpen(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	var s settings
	var err error
	s.Thermocouple, err = sensors.ReadThermocouple("an MCP9600", c, func(d *sensors.Decoder) { s.sensor = byte(d.Whole("filter", 0, 0, 7)) })
	if err != nil {
		return nil, err
	}
	if s.Type != "" {
		s.sensor |= byte(strings.Index(types, s.Type)) << 4
	}
	open := func(_ context.Context, c conn.Conn) (sensors.Probe, error) { return open(c, s) }
	return open, nil
}

// state is all that the chip tells.
type state struct {
	hot, cold              int16
	sensor, device, status byte
	id                     byte
}

type probe struct {
	conn.Conn
	settings
	before byte // the fault bits of the last reading
}

// open sets the chip up and clears its flag, so that the next reading is one of the type set.
func open(c conn.Conn, s settings) (sensors.Probe, error) {
	p := &probe{Conn: c, settings: s}
	if _, err := p.state(); err != nil { // who answers, before anything is written
		return nil, err
	}
	for _, w := range [][]byte{{regSensor, s.sensor}, {regDevice, 0}, {regStatus, 0}} {
		if err := c.Tx(w, nil); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// get reads a register; each is read by itself.
func (p *probe) get(reg byte, r []byte) error { return p.Tx([]byte{reg}, r) }

// state reads everything until it comes twice the same; a conversion between makes one difference.
func (p *probe) state() (state, error) {
	const tries = 5
	var last state
	for i := range tries {
		s, err := p.once()
		switch {
		case err != nil:
			return s, err
		case i == 0 || s != last:
			last = s
		case s.id != mcp9600 && s.id != mcp9601:
			return s, sensors.Because(sensors.ReasonIdentity, fmt.Errorf("it says that it is the device %#02x: no MCP9600 (0x40) nor MCP9601 (0x41)", s.id))
		default:
			return s, nil
		}
	}
	return last, sensors.Because(sensors.ReasonGarbage, errors.New("what it says is never twice the same"))
}

func (p *probe) once() (s state, err error) {
	var id, hot, cold [2]byte
	var status, sensor, device [1]byte
	for _, r := range []struct {
		reg  byte
		into []byte
	}{{regID, id[:]}, {regHot, hot[:]}, {regCold, cold[:]}, {regStatus, status[:]}, {regSensor, sensor[:]}, {regDevice, device[:]}} {
		if err := p.get(r.reg, r.into); err != nil {
			return s, err
		}
	}
	return state{word(hot), word(cold), sensor[0], device[0], status[0] & (shorted | outOfRange), id[0]}, nil
}

func word(b [2]byte) int16 { return int16(uint16(b[0])<<8 | uint16(b[1])) }

// Read waits for a conversion that nobody has read, and reads it.
func (p *probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	if err := p.converted(ctx); err != nil {
		return nil, err
	}
	s, err := p.state()
	if err != nil {
		return nil, err
	}
	switch {
	case s.sensor == p.sensor && s.device == 0:
	case s.sensor == 0 && s.device == 0:
		return nil, sensors.Because(sensors.ReasonBrownOut, errors.New("its configuration is that after power-on: its supply broke down"))
	default:
		return nil, sensors.Because(sensors.ReasonGarbage, fmt.Errorf("its configuration reads %02x %02x where %02x 00 was written", s.sensor, s.device, p.sensor))
	}
	if err := p.Tx([]byte{regStatus, 0}, nil); err != nil {
		return nil, err
	}
	var rs []sensors.Reading
	if p.Hot != "" {
		rs = append(rs, hot(p.Hot, s, p.before, p.LowestC))
	}
	if p.Cold != "" {
		rs = append(rs, cold(p.Cold, s))
	}
	p.before = s.status
	return rs, nil
}

// converted waits for the flag.
func (p *probe) converted(ctx context.Context) error {
	for range int(patience / step) {
		var status [1]byte
		if err := p.get(regStatus, status[:]); err != nil || status[0]&updated != 0 {
			return err
		}
		t := time.NewTimer(step)
		select {
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		case <-t.C:
		}
	}
	// One whose supply broke down converts again, with its flag; one in shutdown does not.
	return sensors.Because(sensors.ReasonStale, fmt.Errorf("no conversion within %s", patience))
}

// Close does nothing: the chip may go on converting.
func (p *probe) Close() error { return nil }

// hot makes the thermocouple's reading. Bits of an MCP9601 count when they were there before, too.
func hot(point string, s state, before byte, lowest float64) sensors.Reading {
	grade, reason := sensors.Failed, ""
	switch {
	case s.status&outOfRange != 0 && s.id == mcp9600:
		reason = sensors.ReasonOffScale
	case s.status&outOfRange != 0:
		reason = sensors.ReasonOpen
	case s.status&shorted != 0 && s.id == mcp9601:
		reason = sensors.ReasonShort
	}
	if reason != "" && s.id == mcp9601 && s.status&before == 0 {
		grade = sensors.Suspect
	}
	if reason != "" && grade == sensors.Failed {
		return failed(point, reason)
	}
	c := float64(s.hot) / 16
	r := sensors.Temperature.Reading(point, c, "C")
	if r.Health.Grade != sensors.Good {
		return r
	}
	switch {
	case reason != "":
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: reason}
	case c < lowest:
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonReversed}
	}
	return r
}

// cold makes the cold junction's reading: the chip works between -40 and 125 C.
func cold(point string, s state) sensors.Reading {
	c := float64(s.cold) / 16
	if c < -40 || c > 125 {
		return failed(point, sensors.ReasonOffScale)
	}
	return sensors.Temperature.Reading(point, c, "C")
}

func failed(point, reason string) sensors.Reading {
	return sensors.Reading{Point: point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
}

// find asks for the identity.
func find(_ context.Context, c conn.Conn) (string, error) {
	p := &probe{Conn: c}
	s, err := p.state()
	if err != nil {
		return "", err
	}
	var id [2]byte
	if err := p.get(regID, id[:]); err != nil {
		return "", err
	}
	name := "MCP9600"
	if s.id == mcp9601 {
		name = "MCP9601"
	}
	return fmt.Sprintf("%s revision %d.%d, type %c, %.1f C, cold junction %.1f C",
		name, id[1]>>4, id[1]&0x0F, types[s.sensor>>4&7], float64(s.hot)/16, float64(s.cold)/16), nil
}
