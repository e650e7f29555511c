// Package sht4x reads SHT40, SHT41 and SHT45 thermometers and hygrometers on an I2C bus.
//
// Facts are from the maker's data sheet "SHT4x", version 6 (from memory): commands of one byte; a
// measurement of high repeatability takes at most 8.3 ms; two words come, each with a check sum
// (polynomial 31h, begun at FFh; BEEFh gives 92h); -45 + 175 S/65535 C and -6 + 125 S/65535 %RH; an own
// serial number. The heater is never used: it would falsify the air that is measured.
//
// periph has no driver for this chip.
//
// # Humidity beyond 0 and 100 %
//
// The formula reaches from -6 to 119 %, and the data sheet says to cut to 0 and 100 %. Within the chip's
// own accuracy of 3 % that is done silently; beyond it the value is cut and suspect: condensed
// water or a contaminated sensor. A word at one end of its scale is no measurement.
//
// # Settings
//
//	i2c: {bus: "1", address: 0x44, chip: sht4x, serial: 0x0a1b2c3d}
//
// What the point measures (temperature, humidity) says what is read; two points share one chip. serial, where given, is the
// serial number that `standwatch doctor` shows: a chip exchanged for another is then told.
package sht4x

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:      "sht4x",
		Doc:       "SHT40, SHT41, SHT45: air temperature and humidity",
		Addresses: []uint16{0x44, 0x45, 0x46},
		New:       newOpen,
		Find:      find,
		Start: []sensors.Start{
			{Name: "air", Measures: sensors.Temperature},
			{Name: "humidity", Measures: sensors.Humidity},
		},
	}
}

// Commands.
const (
	measure    = 0xFD
	readSerial = 0x89
)

const (
	takes    = 10 * time.Millisecond // 8.3 ms at most
	attempts = 3                     // at a measurement whose check sum does not fit
	accuracy = 3.0                   // %RH, of the SHT40 near the ends of its scale
)

type settings struct {
	temperature, humidity string // points; empty: not asked for
	serial                uint32 // 0: whichever
	count                 func(string)
}

func newOpen(env sensors.Env, c sensors.Config) (sensors.Open, error) {
	var faults []error
	s := settings{count: env.Count}
	for _, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		s.readSerial(d)
		var into *string
		switch p.Quantity {
		case sensors.Temperature:
			into = &s.temperature
		case sensors.Humidity:
			into = &s.humidity
		default:
			d.Fail(p.Settings, fmt.Sprintf("an SHT4x measures temperature and humidity, not %s", p.Quantity), "write measures: temperature, or humidity")
		}
		if into != nil && *into != "" {
			d.Fail(p.Settings, fmt.Sprintf("the %s of this chip is the point %s already", p.Quantity, *into), "give each quantity of a chip one point")
		} else if into != nil {
			*into = p.Name
		}
		d.Done()
	}
	open := func(ctx context.Context, c conn.Conn) (sensors.Probe, error) { return open(ctx, c, s) }
	return open, errors.Join(faults...)
}

// readSerial reads the serial number of the chip that is meant, where one is given.
func (s *settings) readSerial(d *sensors.Decoder) {
	text := strings.ToLower(d.Text("serial", ""))
	if text == "" {
		return
	}
	n, err := strconv.ParseUint(strings.TrimPrefix(text, "0x"), 16, 32)
	switch {
	case err != nil || n == 0:
		d.Fail(d.Node("serial"), fmt.Sprintf("serial: %q is not the serial number of an SHT4x", text), "write its eight hexadecimal digits, as `standwatch doctor` shows them")
	case s.serial != 0 && s.serial != uint32(n):
		d.Fail(d.Node("serial"), fmt.Sprintf("serial: another point of this chip has %08x", s.serial), "one chip has one serial number")
	}
	s.serial = uint32(n)
}

type probe struct {
	conn.Conn
	settings
	own uint32 // the serial number of the chip that answered
}

// open asks who answers. Nothing is to be set up, and a reset would disturb whoever measures there.
func open(ctx context.Context, c conn.Conn, s settings) (sensors.Probe, error) {
	p := &probe{Conn: c, settings: s}
	serial, err := p.serialNumber(ctx)
	if err != nil {
		return nil, err
	}
	if s.serial != 0 && serial != s.serial {
		return nil, sensors.Because(sensors.ReasonIdentity, fmt.Errorf("the chip that answers has the serial number %08x, not %08x", serial, s.serial))
	}
	p.own = serial
	return p, nil
}

func (p *probe) serialNumber(ctx context.Context) (uint32, error) {
	a, b, err := p.ask(ctx, readSerial)
	return uint32(a)<<16 | uint32(b), err
}

var errCRC = sensors.Because(sensors.ReasonCRC, errors.New("the check sum does not fit, three times"))

// ask sends a command and reads the two words that answer it.
func (p *probe) ask(ctx context.Context, command byte) (a, b uint16, err error) {
	for range attempts {
		if err := p.Tx([]byte{command}, nil); err != nil {
			return 0, 0, err
		}
		t := time.NewTimer(takes)
		select {
		case <-ctx.Done():
			t.Stop()
			return 0, 0, ctx.Err()
		case <-t.C:
		}
		var r [6]byte
		if err := p.Tx(nil, r[:]); err != nil {
			return 0, 0, err
		}
		var whole bool
		if a, b, whole = words(r); whole {
			return a, b, nil
		}
		if p.count != nil {
			p.count("i2c-crc") // a line that is too long or too weak shows here first
		}
	}
	return 0, 0, errCRC
}

// words takes two words with their check sums.
func words(r [6]byte) (a, b uint16, whole bool) {
	return uint16(r[0])<<8 | uint16(r[1]), uint16(r[3])<<8 | uint16(r[4]), crc(r[0], r[1]) == r[2] && crc(r[3], r[4]) == r[5]
}

func crc(bytes ...byte) byte {
	c := byte(0xFF)
	for _, b := range bytes {
		c ^= b
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ 0x31
			} else {
				c <<= 1
			}
		}
	}
	return c
}

// Read does one measurement.
func (p *probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	t, h, err := p.ask(ctx, measure)
	if err != nil {
		return nil, err
	}
	if uint32(t)<<16|uint32(h) == p.own { // another program (doctor) asked for it meanwhile: its check sums fit
		return nil, sensors.Because("disturbed", errors.New("it answers with its serial number: another program asks it, too"))
	}
	return p.readings(t, h), nil
}

// Close does nothing: the chip sleeps between measurements.
func (p *probe) Close() error { return nil }

func (s *settings) readings(t, h uint16) []sensors.Reading {
	var rs []sensors.Reading
	if s.temperature != "" {
		rs = append(rs, temperature(s.temperature, t))
	}
	if s.humidity != "" {
		rs = append(rs, humidity(s.humidity, t, h))
	}
	return rs
}

func celsius(t uint16) float64 { return float64(float64(t)*175/65535) - 45 }
func percent(h uint16) float64 { return float64(float64(h)*125/65535) - 6 }

// temperature is believed between -40 and 125 C, the chip's range.
func temperature(point string, t uint16) sensors.Reading {
	c := celsius(t)
	if c < -40 || c > 125 {
		return failed(point)
	}
	return sensors.Temperature.Reading(point, c, "C")
}

func humidity(point string, t, h uint16) sensors.Reading {
	if c := celsius(t); h == 0 || h == 0xFFFF || c < -40 || c > 125 {
		return failed(point) // without its own temperature the chip cannot correct its humidity
	}
	rh := percent(h)
	r := sensors.Humidity.Reading(point, min(max(rh, 0), 100), "%RH")
	if rh < -accuracy || rh > 100+accuracy {
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonOffScale}
	}
	return r
}

func failed(point string) sensors.Reading {
	return sensors.Reading{Point: point, Health: sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonOffScale}}
}

// find knows the chip by its serial number's check sums.
func find(ctx context.Context, c conn.Conn) (string, error) {
	p := probe{Conn: c}
	serial, err := p.serialNumber(ctx)
	if err != nil {
		return "", err
	}
	t, h, err := p.ask(ctx, measure)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("serial number %08x, %.1f C, %.0f %%RH", serial, celsius(t), percent(h)), nil
}
