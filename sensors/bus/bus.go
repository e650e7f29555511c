// Package bus makes the drivers of what several devices share: I2C and SPI.
//
// One goroutine owns a bus and does one transaction after the other; each device is
// polled by itself and asks that goroutine. A device that hangs holds the bus until the
// deadline and makes its own points silent; the others go on between its turns, and it is
// tried again ever more seldom. A device is known by its address, or its chip select, and its
// kind: two kinds at one address are a fault of the site file.
package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// I2C is the driver of I2C buses with these chips on them.
func I2C(chips ...sensors.Chip) sensors.Driver {
	return sensors.Driver{
		Name:   "i2c",
		Doc:    "chips on an I2C bus: " + names(chips),
		Device: "bus",
		Spell: func(name string) string {
			for _, before := range []string{"/dev/i2c-", "I2C"} {
				if n, ok := strings.CutPrefix(name, before); ok && n != "" && strings.Trim(n, "0123456789") == "" {
					return n
				}
			}
			return name
		},
		New: func(env sensors.Env, c sensors.Config) (sensors.Source, error) {
			return newSource(env, c, chips, "i2c", devicesI2C(env))
		},
	}
}

// SPI is the driver of SPI chip selects with these chips on them.
func SPI(chips ...sensors.Chip) sensors.Driver {
	return sensors.Driver{
		Name:   "spi",
		Doc:    "chips on an SPI port: " + names(chips),
		Device: "port",
		Spell: func(name string) string {
			if n, ok := strings.CutPrefix(name, "/dev/spidev"); ok {
				return "SPI" + n
			}
			if name != "" && strings.Trim(name, "0123456789") == "" { // the first chip select of that controller
				return "SPI" + name + ".0"
			}
			return name
		},
		New: func(env sensors.Env, c sensors.Config) (sensors.Source, error) {
			return newSource(env, c, chips, "spi", deviceSPI(env))
		},
	}
}

func names(chips []sensors.Chip) string {
	var ns []string
	for _, c := range chips {
		ns = append(ns, c.Name)
	}
	return strings.Join(ns, ", ")
}

// device is one chip with its points.
type device struct {
	name    string // for people: "i2c 1, 0x48 (ads1115)"
	chip    sensors.Chip
	address uint16
	points  []sensors.Point
	open    sensors.Open
	held    atomic.Int32 // transactions with it that have not ended
}

// mostHeld is how many transactions with one device may not have ended before it is asked no more: each
// that the kernel holds keeps a thread of the machine's, and a bus that was opened anew is tried twice.
const mostHeld = 3

// start makes, for a bus by its name, what runs it and how a device gets at it.
type start func(name string) (run func(context.Context), dial func(*device) conn.Conn)

type source struct {
	env     sensors.Env
	devices []*device
	bus     string
	start   start
}

func newSource(env sensors.Env, c sensors.Config, chips []sensors.Chip, kind string, start start) (sensors.Source, error) {
	var faults []error
	s := &source{env: env, bus: c.Name, start: start}
	for _, p := range c.Points {
		var rest sensors.Node
		d := readDevice(p, chips, kind, &rest, &faults)
		if d == nil {
			continue
		}
		p.Settings = rest
		at := slices.IndexFunc(s.devices, func(o *device) bool { return o.address == d.address })
		if at < 0 {
			d.name = kind + " " + c.Name
			if kind == "i2c" {
				d.name += fmt.Sprintf(", %#02x", d.address)
			}
			d.name += " (" + d.chip.Name + ")"
			s.devices = append(s.devices, d)
			at = len(s.devices) - 1
		}
		o := s.devices[at]
		if o.chip.Name != d.chip.Name {
			faults = append(faults, p.Settings.Fault(
				fmt.Sprintf("the point %s wants a chip %s where %s has a chip %s", p.Name, d.chip.Name, o.points[0].Name, o.chip.Name),
				"one address is one chip: look at its address pins, or put one on another bus"))
			continue
		}
		o.points = append(o.points, p)
	}
	for _, d := range s.devices {
		var err error
		d.open, err = d.chip.New(env, sensors.Config{Name: d.name, Device: c.Device, Box: c.Box, Points: d.points})
		if err != nil {
			faults = append(faults, err)
		}
	}
	if len(faults) > 0 {
		return nil, errors.Join(flat(faults)...)
	}
	return s, nil
}

// flat takes joined errors apart, so that each fault stands by itself.
func flat(errs []error) []error {
	var all []error
	for _, err := range errs {
		if joined, ok := err.(interface{ Unwrap() []error }); ok {
			all = append(all, flat(joined.Unwrap())...)
		} else {
			all = append(all, err)
		}
	}
	return all
}

// readDevice reads which device a point is on, and leaves the rest to its chip.
func readDevice(p sensors.Point, chips []sensors.Chip, kind string, rest *sensors.Node, faults *[]error) *device {
	before := len(*faults)
	d := sensors.Decode(p.Settings, faults)
	var known []string
	for _, c := range chips {
		known = append(known, c.Name)
	}
	name := ""
	if d.Required("chip", known...) != "" {
		name = d.OneOf("chip", "", known...)
	}
	*rest = p.Settings
	rest.Fields = slices.DeleteFunc(slices.Clone(p.Settings.Fields), func(f sensors.Field) bool {
		switch f.Key {
		case "bus", "address":
			return kind == "i2c"
		case "port":
			return kind == "spi"
		}
		return f.Key == "chip"
	})
	at := slices.IndexFunc(chips, func(c sensors.Chip) bool { return c.Name == name })
	if at < 0 {
		return nil
	}
	dev := &device{chip: chips[at]}
	switch kind {
	case "i2c":
		d.Text("bus", "")
		dev.address = readAddress(d, dev.chip)
	default:
		d.Required("port", "SPI0.0")
	}
	if len(*faults) > before {
		return nil
	}
	return dev
}

// readAddress reads an I2C address as data sheets write it: 0x48.
func readAddress(d *sensors.Decoder, chip sensors.Chip) uint16 {
	if _, given := d.Given("address"); !given && len(chip.Addresses) == 1 {
		return chip.Addresses[0]
	}
	var can []string
	for _, a := range chip.Addresses {
		can = append(can, fmt.Sprintf("%#02x", a))
	}
	text := d.Required("address", can...)
	if text == "" {
		return 0
	}
	a, err := strconv.ParseUint(text, 0, 16)
	if err != nil || !slices.Contains(chip.Addresses, uint16(a)) {
		d.Fail(d.Node("address"), fmt.Sprintf("address: %q is none that a chip %s can have", text, chip.Name), "write one of "+strings.Join(can, ", "))
	}
	return uint16(a)
}

// Run polls every device until ctx ends.
func (s *source) Run(ctx context.Context, emit sensors.Emit) error {
	run, dial := s.start(s.bus)
	var wg sync.WaitGroup
	wg.Go(func() { run(ctx) })
	for _, d := range s.devices {
		var names []string
		for _, p := range d.points {
			names = append(names, p.Name)
		}
		open := func(ctx context.Context) (sensors.Probe, error) {
			probe, err := d.open(ctx, dial(d))
			s.tell(d, err)
			if err != nil {
				return nil, err
			}
			return &told{probe, s, d}, nil
		}
		wg.Go(func() { _ = sensors.Poll(names, open, s.env.Pacer(d.points)).Run(ctx, emit) }) // returns nil
	}
	wg.Wait()
	return nil
}

// tell says for people how a device is.
func (s *source) tell(d *device, err error) {
	switch {
	case s.env.Status == nil, errors.Is(err, context.Canceled):
	case err == nil:
		s.env.Status(d.name, true, "Answers.")
	default:
		s.env.Status(d.name, false, fmt.Sprintf("Does not answer: %v. Look at its plug, its supply and its address.", err))
	}
}

// told is a probe whose failures are told.
type told struct {
	sensors.Probe
	s *source
	d *device
}

// Read reads, and tells a failure.
func (t *told) Read(ctx context.Context) ([]sensors.Reading, error) {
	rs, err := t.Probe.Read(ctx)
	if err != nil {
		t.s.tell(t.d, err)
	}
	return rs, err
}

// devicesI2C opens an I2C bus of the machine.
func devicesI2C(env sensors.Env) start {
	return func(name string) (func(context.Context), func(*device) conn.Conn) {
		o := newOwner("I2C bus "+name, func() (i2c.BusCloser, error) {
			if env.I2C == nil {
				return nil, errors.New("this machine has no I2C bus")
			}
			return env.I2C(name)
		})
		return o.run, func(d *device) conn.Conn {
			return &line[i2c.BusCloser]{o: o, d: d, tx: func(b i2c.BusCloser, w, r []byte) error {
				return b.Tx(d.address, w, r)
			}}
		}
	}
}

// port is an SPI chip select, connected as its chip wants it.
type port struct {
	spi.PortCloser
	conn spi.Conn
}

// deviceSPI opens a chip select of the machine.
func deviceSPI(env sensors.Env) start {
	return func(name string) (func(context.Context), func(*device) conn.Conn) {
		o := newOwner("SPI port "+name, func() (*port, error) {
			if env.SPI == nil {
				return nil, errors.New("this machine has no SPI port")
			}
			p, err := env.SPI(name)
			return &port{PortCloser: p}, err
		})
		return o.run, func(d *device) conn.Conn {
			return &line[*port]{o: o, d: d, duplex: conn.Full, tx: func(p *port, w, r []byte) error {
				if p.conn == nil {
					c, err := p.Connect(d.chip.Speed, d.chip.Mode, 8)
					if err != nil {
						return err
					}
					p.conn = c
				}
				return p.conn.Tx(w, r)
			}}
		}
	}
}

// line is what a chip sees of the bus: its own device.
type line[B interface{ Close() error }] struct {
	o      *owner[B]
	d      *device
	duplex conn.Duplex
	tx     func(b B, w, r []byte) error
}

func (l *line[B]) String() string      { return l.d.name }
func (l *line[B]) Duplex() conn.Duplex { return l.duplex }

// Tx does one transaction by the bus's owner. What is read comes by way of a
// buffer of its own, since an answer that comes too late must not write to r. See mostHeld.
func (l *line[B]) Tx(w, r []byte) error {
	if l.d.held.Load() >= mostHeld {
		return sensors.Because(sensors.ReasonHung, fmt.Errorf("%d transactions before have not ended", mostHeld))
	}
	out, in := slices.Clone(w), make([]byte, len(r))
	err := l.o.use(func(b B) error {
		l.d.held.Add(1)
		defer l.d.held.Add(-1)
		return l.tx(b, out, in)
	})
	switch {
	case err == nil:
		copy(r, in)
	case strings.Contains(err.Error(), syscall.ETIMEDOUT.Error()): // periph gives the kernel's words only
		return sensors.Because(sensors.ReasonHung, err)
	}
	return err
}
