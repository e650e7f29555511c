// Package ds18b20 reads DS18B20 thermometers on a 1-Wire bus.
//
// Facts are from the maker's data sheet "DS18B20 Programmable Resolution 1-Wire
// Digital Thermometer", document 19-7487 (from memory where it could not be looked
// up): range -55 to +125 C, accuracy 0.5 K between -10 and +85 C; the temperature is a
// two's complement number of sixteenths of a kelvin (table 1); conversion takes at
// most 750 ms at 12 bits, halving with each bit less (table 2); at power-on the
// register holds +85 C.
//
// Probes are bound by their ROM code, never by their place in a search: a probe
// that is exchanged is another instrument.
//
// The kernel's own driver for them (w1_therm) comes first, by the file `temperature` of each probe: it waits for conversions as the
// chip wants it, and shares the bus with whoever else reads. Where the kernel has no such bus, or `by: netlink`
// says so, the bus is driven from here, by periph. The kernel's file is empty for a check sum that does not fit and for no answer
// (drivers/w1/slaves/w1_therm.c); that is told as no-answer, and never as a temperature.
//
// # Values that are no measurement
//
// The register's power-on value, 85.000 C, passes the check sum. The reserved byte
// 6 of the scratchpad gives it away on genuine chips: 0x0C after power-on, 0x10 less
// the low half of the register after a conversion (not in the data sheet; the kernel's
// w1_therm driver tests the same). So 85.000 C with 0x0C is refused by name; with
// anything else it is suspect, for copies of the chip differ, unless the reading before
// it was near. A supply that broke down during a conversion shows as 127.94 C, which
// is outside the chip's range, and is refused by name too. A scratchpad of all ones is
// an absent probe; of all zeros, which the check sum does not catch, a bus held low.
package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/onewire"

	"standwatch/sensors"
)

// Driver is the driver for 1-Wire buses.
func Driver() sensors.Driver {
	return sensors.Driver{
		Name:   "onewire",
		Doc:    "DS18B20 thermometers on a 1-Wire bus",
		Device: "bus",
		New:    newSource,
	}
}

// Reasons of this instrument.
const (
	reasonBrownOut = "brown-out"     // the supply broke down during the conversion
	reasonShort    = "short-circuit" // the bus is held low
	reasonNoAnswer = "no-answer"     // the kernel got no whole answer
)

// Commands (data sheet, table 3, and the ROM commands before it).
const (
	skipROM        = 0xCC
	convert        = 0x44
	readScratchpad = 0xBE
	family         = 0x28
)

const (
	// conversion is waited in full whatever resolution a probe was set to: one
	// that lost its power comes back with the resolution of its EEPROM.
	conversion = 750 * time.Millisecond
	// answer is the longest a transaction may take before the bus counts as hung:
	// a reset and 19 bytes are under 15 ms by the data sheet's time slots.
	answer   = time.Second
	attempts = 3 // to read a scratchpad whose check sum does not fit

	powerOnRaw  = 0x0550 // +85 C (table 1)
	brownOutRaw = 0x07FF // +127.94 C
	powerOnByte = 0x0C
	near        = 10.0 // K: a pipe that is at 85 C was near it one reading before (common practice)
)

type point struct {
	sensors.Point
	rom onewire.Address
	id  string // as the kernel names it
}

func newSource(env sensors.Env, c sensors.Config) (sensors.Source, error) {
	var faults []error
	var points []point
	var names []string
	by := ""
	seen := map[onewire.Address]string{}
	for _, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		d.Text("bus", "")
		text := d.Required("id", "28-0316a2794bff")
		rom, want := parseROM(text)
		switch {
		case text == "":
		case want != "":
			d.Fail(d.Node("id"), fmt.Sprintf("id: %q is not the ROM code of a DS18B20", text), want)
		case seen[rom] != "":
			d.Fail(d.Node("id"), fmt.Sprintf("id: %s is the point %s already", text, seen[rom]), "give each point its own probe")
		}
		if p.Quantity != sensors.Temperature {
			d.Fail(p.Settings, fmt.Sprintf("a DS18B20 measures temperature, not %s", p.Quantity), "write measures: temperature")
		}
		way := d.OneOf("by", "", "kernel", "netlink")
		if way != "" && by != "" && way != by {
			d.Fail(d.Node("by"), fmt.Sprintf("by: another probe of this bus is read by %s", by), "one bus is read one way")
		}
		if by == "" {
			by = way
		}
		d.Done()
		seen[rom] = p.Name
		points = append(points, point{p, rom, fmt.Sprintf("%02x-%012x", byte(rom), uint64(rom)>>8&(1<<48-1))})
		names = append(names, p.Name)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	tell := teller(env, points)
	open := func(ctx context.Context) (sensors.Probe, error) {
		var p sensors.Probe
		var err error
		has := by != "netlink" && kernelHas(ctx, env.Root)
		switch {
		case has:
			p = openKernel(env, points)
		case by == "kernel":
			err = errors.New("the kernel has no 1-Wire bus with thermometers: is it switched on in the boot configuration, and is w1_therm loaded?")
		default:
			p, err = open(ctx, env, c.Name, points)
		}
		if err != nil {
			tell(nil, err)
			return nil, err
		}
		return told{p, tell}, nil
	}
	return sensors.Poll(names, open, env.Pacer(c.Points)), nil
}

// parseROM reads a ROM code: as the Linux kernel names a probe, family and
// serial number ("28-0316a2794bff"), or all 64 bits as printed on the reel, the
// check sum first ("0xd70316a2794bff28").
func parseROM(s string) (rom onewire.Address, want string) {
	const form = "write it as the kernel names the probe, 28-0316a2794bff"
	s = strings.ToLower(s)
	if kind, serial, ok := strings.Cut(s, "-"); ok {
		f, err := strconv.ParseUint(kind, 16, 8)
		n, err2 := strconv.ParseUint(serial, 16, 48)
		if err != nil || err2 != nil || len(kind) != 2 || len(serial) != 12 {
			return 0, form
		}
		rom = onewire.Address(n<<8 | f)
		b := bytesOf(rom)
		rom |= onewire.Address(onewire.CalcCRC(b[:7])) << 56
	} else {
		n, err := strconv.ParseUint(strings.TrimPrefix(s, "0x"), 16, 64)
		if err != nil || len(strings.TrimPrefix(s, "0x")) != 16 {
			return 0, form
		}
		rom = onewire.Address(n)
		b := bytesOf(rom)
		if onewire.CalcCRC(b[:7]) != b[7] {
			return 0, "its check sum does not fit: look for a slip of the pen, or " + form
		}
	}
	if byte(rom) != family {
		return 0, fmt.Sprintf("family %02x is another chip: a DS18B20 is family 28", byte(rom))
	}
	return rom, ""
}

// bytesOf gives a ROM code as it goes over the bus: family first, check sum last.
func bytesOf(a onewire.Address) (b [8]byte) {
	for i := range b {
		b[i] = byte(a >> (8 * i))
	}
	return b
}

// bus is an open bus with its probes.
type bus struct {
	onewire.BusCloser
	points []point
	env    sensors.Env
	last   map[string]float64 // the last good value of each point
	closed bool
}

func open(ctx context.Context, env sensors.Env, name string, points []point) (sensors.Probe, error) {
	if env.OneWire == nil {
		return nil, errors.New("this machine has no 1-Wire bus")
	}
	opened := make(chan struct{})
	var o onewire.BusCloser
	var err error
	go func() {
		defer close(opened)
		o, err = env.OneWire(name)
	}()
	select {
	case <-opened:
	case <-ctx.Done():
		go func() { // whoever opens late closes again
			if <-opened; err == nil {
				_ = o.Close()
			}
		}()
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, fmt.Errorf("1-Wire bus %q: %w", name, err)
	}
	return &bus{BusCloser: o, points: points, env: env, last: map[string]float64{}}, nil
}

// Read starts a conversion of all probes at once, waits for it, and reads each.
func (b *bus) Read(ctx context.Context) ([]sensors.Reading, error) {
	// Strong pull-up: probes without their own supply draw the current for the
	// conversion from the data line.
	if err := b.tx(ctx, []byte{skipROM, convert}, nil, onewire.StrongPullup); err != nil {
		return b.failAll(err)
	}
	t := time.NewTimer(conversion)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-t.C:
	}
	rs := make([]sensors.Reading, 0, len(b.points))
	for _, p := range b.points {
		r, err := b.readOne(ctx, p)
		if err != nil {
			return b.failAll(err)
		}
		rs = append(rs, r)
	}
	return rs, nil
}

// readOne reads one probe. The error is of the bus; what is wrong with the
// probe alone is in the reading.
func (b *bus) readOne(ctx context.Context, p point) (sensors.Reading, error) {
	rom := bytesOf(p.rom)
	w := append(append([]byte{0x55}, rom[:]...), readScratchpad) // match ROM
	var pad [9]byte
	var reason string
	for range attempts {
		if err := b.tx(ctx, w, pad[:], onewire.WeakPullup); err != nil {
			return sensors.Reading{}, err
		}
		if reason = whole(pad); reason != sensors.ReasonCRC {
			break
		}
		if b.env.Count != nil {
			b.env.Count("onewire-crc") // a line that is too long or too weak shows here first
		}
	}
	if reason != "" {
		return sensors.Reading{Point: p.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}, nil
	}
	last, known := b.last[p.Name]
	r := reading(p.Name, pad, last, known)
	if r.Health.Grade == sensors.Good {
		b.last[p.Name] = r.Value
	}
	return r, nil
}

// whole names what is wrong with a scratchpad as a whole.
func whole(pad [9]byte) string {
	ones, zeros := true, true
	for _, c := range pad {
		ones = ones && c == 0xFF
		zeros = zeros && c == 0
	}
	switch {
	case ones, zeros:
		return sensors.ReasonDisconnected
	case onewire.CalcCRC(pad[:8]) != pad[8]:
		return sensors.ReasonCRC
	}
	return ""
}

// reading makes a reading of a scratchpad whose check sum fits.
func reading(name string, pad [9]byte, last float64, known bool) sensors.Reading {
	fail := func(reason string) sensors.Reading {
		return sensors.Reading{Point: name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
	}
	raw := int16(uint16(pad[0]) | uint16(pad[1])<<8)
	switch {
	case raw == powerOnRaw && pad[6] == powerOnByte:
		return fail(sensors.ReasonPowerOn)
	case raw == brownOutRaw:
		return fail(reasonBrownOut)
	}
	// With fewer bits the lowest ones are undefined (table 1, figure 8: R1 R0 in
	// bits 6 and 5 of the configuration, 00 for 9 bits).
	raw &^= int16(1)<<(3-(pad[4]>>5&3)) - 1
	c := float64(raw) / 16
	if c < -55 || c > 125 {
		return fail(sensors.ReasonOffScale)
	}
	r := sensors.Temperature.Reading(name, c, "C")
	if raw == powerOnRaw && !(known && math.Abs(last-c) <= near) {
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonPowerOn}
	}
	return r
}

// failAll fails every point for what is wrong with the bus. An empty or shorted
// bus is an answer: it need not be opened again for that to be mended.
func (b *bus) failAll(err error) ([]sensors.Reading, error) {
	if errors.Is(err, context.Canceled) {
		return nil, err
	}
	reason := sensors.ReasonDisconnected
	var short onewire.ShortedBusError
	if errors.As(err, &short) && short.IsShorted() {
		reason, err = reasonShort, nil
	}
	var none onewire.NoDevicesError
	if errors.As(err, &none) && none.NoDevices() {
		err = nil
	}
	rs := make([]sensors.Reading, len(b.points))
	for i, p := range b.points {
		rs[i] = sensors.Reading{Point: p.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
	}
	return rs, err
}

var errHung = errors.New("the 1-Wire bus does not answer")

// tx does one transaction. The bus knows no deadline: one that hangs is left
// behind, and its probes are told as failed meanwhile.
func (b *bus) tx(ctx context.Context, w, r []byte, power onewire.Pullup) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, answer)
	defer cancel()
	into := make([]byte, len(r)) // its own, since a late answer must not write to ours
	done := make(chan error, 1)
	go func() { done <- b.Tx(w, into, power) }()
	select {
	case err := <-done:
		copy(r, into)
		return err
	case <-ctx.Done():
		if errors.Is(ctx.Err(), context.Canceled) {
			return ctx.Err()
		}
		return errHung
	}
}

// Close closes the bus, once.
func (b *bus) Close() error {
	if b.closed {
		return nil
	}
	b.closed = true
	return b.BusCloser.Close()
}
