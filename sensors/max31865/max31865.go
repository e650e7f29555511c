// Package max31865 reads platinum resistance thermometers (Pt100, Pt1000; 2, 3 or 4 wires) by
// the MAX31865 converter on an SPI port.
//
// Facts are from the maker's data sheet 19-6478 (register tables 1 to 7, fault tables 10 to
// 12, seen): eight registers, read and written in one burst; SPI mode 1 or 3, at most 5 MHz; the ratio of the
// thermometer's to the reference resistor as 15 bits, the lowest bit of the register being
// "some fault"; one conversion takes at most 66 ms; fault bits stay until they are
// cleared. Resistance becomes temperature by IEC 60751, both branches.
//
// periph has no driver for this chip.
//
// # Each reading
//
// The bias is switched on, the wires are looked through (the fault-detection cycle in its manual
// timing, since boards have input filters of their own), one conversion is done, and the bias goes off:
// a tenth of the time at one reading a second, so that the current does not warm the thermometer.
//
// # Values that are no measurement
//
// At power-on the chip's limits never trip, and a broken thermometer would read as a
// number. So they are set, to what a pipe can be (lowestC, highestC), and read back each time together with the
// configuration: all zeros or all ones is a line without a chip, their power-on state a supply that broke down,
// anything else damage on the way. A broken RTDIN+ wire of three or four leaves the input floating: the data
// sheet says that no test finds that for sure, and to fit 10 megohm from RTDIN+ to BIAS.
//
// # Settings
//
//	spi: {port: SPI0.1, chip: max31865, element: Pt100, wires: 3, reference: 430 ohm}
//
// element is Pt100 (as when nothing is said) or Pt1000; wires 2, 3 or 4, as the board's jumpers are set; reference the
// resistor on the board, which is printed on it; mains 50Hz (as when nothing is said) or 60Hz is what its filter rejects.
// With two wires the cable is in the measurement: 0.39 ohm are one kelvin of a Pt100.
package max31865

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// Chip is the chip for sensors/bus.
func Chip() sensors.Chip {
	return sensors.Chip{
		Name:  "max31865",
		Doc:   "MAX31865 converter for Pt100 and Pt1000 with 2, 3 or 4 wires",
		Speed: physic.MegaHertz, // a fifth of what it can, for the sake of longer wires
		Mode:  spi.Mode1,
		New:   newOpen,
		Find:  find,
		Start: []sensors.Start{
			{Name: "pipe", Measures: sensors.Temperature, Settings: "element: Pt100, wires: 3, reference: 430 ohm",
				Lacks: "which element and how many wires, and the ohms of the reference resistor on the board"},
		},
	}
}

// Registers.
const (
	regConfig = 0x00
	regRatio  = 0x01
	regLimits = 0x03 // high, low: two bytes each
	regFault  = 0x07
	registers = 8
	write     = 0x80
)

// Bits of the configuration.
const (
	bias        = 0x80
	oneShot     = 0x20
	threeWires  = 0x10
	lookClosed  = 0x08 // fault detection, manual timing: first with FORCE- closed
	lookOpen    = 0x0C // then with it open
	looking     = 0x0C
	clearFaults = 0x02
	reject50Hz  = 0x01
)

// Bits of the fault register.
const (
	faultHigh      = 0x80
	faultLow       = 0x40
	faultReference = 0x20 // REFIN- above 0.85 of the bias
	faultRefOpen   = 0x10 // REFIN- below that with FORCE- open
	faultInOpen    = 0x08 // RTDIN- below that with FORCE- open
	faultVoltage   = 0x04
)

const (
	// A pipe or the air beside it is within these; beyond them a wire is broken, corroded or
	// short-circuited (our choice: refrigerant circuits run between -60 and 150 C).
	lowestC, highestC = -100.0, 300.0

	// settles is waited for the input filter at each change. The data sheet asks 10.5 time
	// constants and 1 ms: enough for 0.5 ms, five times what it fits to a Pt100.
	settles = 7 * time.Millisecond
	// conversion is 62.5 ms at 50 Hz and 52 ms at 60 Hz, typically, 66 and 55 at most.
	conversion = 75 * time.Millisecond
)

// Coefficients of IEC 60751 for industrial platinum.
const (
	a = 3.9083e-3
	b = -5.775e-7
	c = -4.183e-12
)

type settings struct {
	point            string
	config           byte    // without what changes during a reading
	limits           [4]byte // as they stand in the registers
	nominal, refOhms float64
}

func newOpen(_ sensors.Env, c sensors.Config) (sensors.Open, error) {
	var faults []error
	var s settings
	for _, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		if p.Quantity != sensors.Temperature {
			d.Fail(p.Settings, fmt.Sprintf("a MAX31865 measures temperature, not %s", p.Quantity), "write measures: temperature")
		}
		if s.point != "" {
			d.Fail(p.Settings, "the thermometer of this chip is the point "+s.point+" already", "one chip has one thermometer")
		}
		s.point = p.Name
		s.read(d)
		d.Done()
	}
	open := func(ctx context.Context, c conn.Conn) (sensors.Probe, error) { return open(ctx, c, s) }
	return open, errors.Join(faults...)
}

func (s *settings) read(d *sensors.Decoder) {
	s.nominal = 100
	if d.OneOf("element", "Pt100", "Pt100", "Pt1000") == "Pt1000" {
		s.nominal = 1000
	}
	if d.Required("wires", "2", "3", "4") != "" && d.OneOf("wires", "2", "2", "3", "4") == "3" {
		s.config |= threeWires
	}
	if d.OneOf("mains", "50Hz", "50Hz", "60Hz") == "50Hz" {
		s.config |= reject50Hz
	}
	if d.Required("reference", "430 ohm", "what is printed on the resistor") == "" {
		return
	}
	// The ratio must have room for the hottest pipe, and not waste the scale: boards
	// carry about four times the nominal resistance, as the data sheet advises.
	least, most := math.Ceil(ohms(highestC)*s.nominal), 10*s.nominal
	s.refOhms = d.Amount("reference", math.NaN(), sensors.Resistances)
	if math.IsNaN(s.refOhms) {
		return // told already
	}
	if !(s.refOhms >= least && s.refOhms <= most) {
		d.Fail(d.Node("reference"), fmt.Sprintf("reference: %q is not the resistance of a reference resistor for a Pt%g", d.Node("reference").Text, s.nominal),
			fmt.Sprintf("write one from %g ohm to %g ohm; on most boards %g ohm or %g ohm", least, most, 4*s.nominal, 4.3*s.nominal))
		return
	}
	high, low := s.code(highestC), s.code(lowestC)
	s.limits = [4]byte{byte(high >> 8), byte(high), byte(low >> 8), byte(low)}
}

// code is the register's value of a temperature.
func (s *settings) code(tempC float64) uint16 {
	return uint16(math.Round(ohms(tempC)*s.nominal/s.refOhms*(1<<15))) << 1
}

// ohms is the resistance by IEC 60751 of a thermometer of 1 ohm at 0 C.
func ohms(t float64) float64 {
	r := 1 + float64(t*(a+float64(b*t)))
	if t < 0 {
		r += float64(c * float64((t-100)*t) * float64(t*t))
	}
	return r
}

// tempC is the inverse of ohms. Above 0 C it is the root of the quadratic; below, Newton's
// steps from there, of which three are enough for a microkelvin down to -200 C.
func tempC(r float64) float64 {
	t := (-a + math.Sqrt(float64(a*a)-float64(4*b*(1-r)))) / (2 * b)
	if r >= 1 {
		return t
	}
	for range 5 {
		slope := a + float64(2*b*t) + float64(c*float64(t*t)*float64(4*t-300))
		t -= (ohms(t) - r) / slope
	}
	return t
}

type probe struct {
	conn.Conn
	settings
}

// open sets the limits and sees whether they are kept.
func open(_ context.Context, c conn.Conn, s settings) (sensors.Probe, error) {
	p := &probe{c, s}
	if err := p.write(regLimits, s.limits[:]...); err != nil {
		return nil, err
	}
	if err := p.write(regConfig, s.config|clearFaults); err != nil {
		return nil, err
	}
	was, err := p.registers()
	if err != nil {
		return nil, err
	}
	if err := p.asWritten(was, s.config); err != nil {
		// A device of another kind answers twice the same; a bad line hardly does.
		if is, err2 := p.registers(); err2 == nil && is == was {
			return nil, sensors.Because(sensors.ReasonIdentity, errors.New("it does not keep what is written to it: this is no MAX31865"))
		}
		return nil, err
	}
	return p, nil
}

func (p *probe) write(reg byte, values ...byte) error {
	return p.Tx(append([]byte{write | reg}, values...), make([]byte, 1+len(values)))
}

// registers reads all of them.
func (p *probe) registers() (regs [registers]byte, err error) {
	var r [1 + registers]byte
	w := [len(r)]byte{regConfig}
	if err = p.Tx(w[:], r[:]); err != nil {
		return regs, err
	}
	regs = [registers]byte(r[1:])
	for _, none := range []byte{0x00, 0xFF} {
		if !slices.ContainsFunc(regs[:], func(b byte) bool { return b != none }) {
			return regs, sensors.Because(sensors.ReasonDisconnected, fmt.Errorf("each byte read is %#02x: nothing drives the line", none))
		}
	}
	return regs, nil
}

// asWritten compares configuration and limits with what was written. That of the
// one conversion clears itself; when it has not, the chip does not convert.
func (p *probe) asWritten(regs [registers]byte, config byte) error {
	limits := [4]byte(regs[regLimits:])
	switch {
	case regs[regConfig] == config && limits == p.limits:
		return nil
	case limits == [4]byte{0xFF, 0xFF, 0x00, 0x00}:
		return sensors.Because(sensors.ReasonBrownOut, errors.New("its limits are those after power-on: its supply broke down"))
	case limits == p.limits && regs[regConfig]&^(oneShot|looking) == config:
		return sensors.Because(sensors.ReasonStale, errors.New("its conversion does not end"))
	}
	return sensors.Because(sensors.ReasonGarbage, fmt.Errorf("its configuration reads %02x and its limits % x where %02x and % x were written",
		regs[regConfig], limits, config, p.limits))
}

// Read looks through the wires and does one conversion.
func (p *probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	on := p.config | bias
	for _, step := range []struct {
		config byte
		wait   time.Duration
	}{
		{on | clearFaults, settles},
		{on | lookClosed, settles},
		{on | lookOpen, settles},
		{on | oneShot, conversion},
	} {
		if err := p.write(regConfig, step.config); err != nil {
			return nil, err
		}
		t := time.NewTimer(step.wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return nil, ctx.Err()
		case <-t.C:
		}
	}
	regs, err := p.registers()
	if err == nil {
		err = p.asWritten(regs, on)
	}
	if err != nil {
		return nil, err
	}
	if err := p.write(regConfig, p.config); err != nil {
		return nil, err
	}
	return []sensors.Reading{p.reading(regs)}, nil
}

// Close does nothing: the bias is off between readings.
func (p *probe) Close() error { return nil }

// reading names what the fault bits tell, else converts.
func (s *settings) reading(regs [registers]byte) sensors.Reading {
	if reason := fault(regs); reason != "" {
		return sensors.Reading{Point: s.point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
	}
	return sensors.Temperature.Reading(s.point, tempC(ratio(regs)*s.refOhms/s.nominal), "C")
}

// ratio is the thermometer's resistance by the reference resistor's.
func ratio(regs [registers]byte) float64 {
	return float64((uint16(regs[regRatio])<<8|uint16(regs[regRatio+1]))>>1) / (1 << 15)
}

// fault is the reason of the worst that is reported (tables 10 to 12): a foreign voltage
// makes all else meaningless, and a wire at ground looks open or valid to the rest.
func fault(regs [registers]byte) string {
	switch f := regs[regFault]; {
	case f&faultVoltage != 0:
		return sensors.ReasonOverVoltage
	case f&(faultHigh|faultReference) != 0:
		return sensors.ReasonOpen
	case f&faultLow != 0:
		return sensors.ReasonShort
	case f&(faultRefOpen|faultInOpen) != 0:
		return sensors.ReasonGround
	case regs[regRatio+1]&1 != 0: // a fault bit that the data sheet does not know
		return sensors.ReasonFault
	}
	return ""
}

// find knows the chip by its limits: those at power-on, or such as we set.
func find(_ context.Context, c conn.Conn) (string, error) {
	p := probe{Conn: c}
	regs, err := p.registers()
	if err != nil {
		return "", err
	}
	switch limits := [4]byte(regs[regLimits:]); {
	case limits == [4]byte{0xFF, 0xFF, 0x00, 0x00}:
		return "not set up yet", nil
	case !ours(limits):
		return "", sensors.Because(sensors.ReasonIdentity, errors.New("no MAX31865 answers"))
	case fault(regs) != "":
		return fault(regs), nil
	}
	return fmt.Sprintf("%.4f of its reference resistor", ratio(regs)), nil
}

// ours reports whether limits are of our making: they stand in the ratio of the two resistances.
func ours(limits [4]byte) bool {
	high, low := float64(uint16(limits[0])<<8|uint16(limits[1])), float64(uint16(limits[2])<<8|uint16(limits[3]))
	return limits[1]&1 == 0 && limits[3]&1 == 0 && math.Abs(low-high*ohms(lowestC)/ohms(highestC)) <= 2
}
