// Package chips plays the instruments of the rig: each is what its maker's data
// sheet says the chip does on its bus, with knobs for what can be wrong with it.
// It is written from the data sheets and imports nothing of ours, so that a driver that
// reads a data sheet wrongly does not find the same mistake here.
package chips

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
	"syscall"
)

// Fault is what is wrong with a chip, whatever chip it is.
type Fault int

// The faults.
const (
	None    Fault = iota
	Gone          // unplugged; a chip that comes back has lost what was set
	Hung          // it holds the bus and never answers
	Errs          // every transaction ends in an error of the bus
	Noise         // what it says is damaged on the way
	Zeros         // its data line is stuck low
	Wrong         // another chip sits there
	Twice         // it answers every second time only
	Broken        // what hangs at the chip is broken: an open thermocouple, a cut wire
	Short         // what hangs at the chip is shorted
	Reverse       // what hangs at the chip has its ends exchanged
	Leak          // a wire of what hangs at the chip touches ground
	faults
)

func (f Fault) String() string {
	return [faults]string{"none", "unplugged", "hung", "bus error", "noise", "stuck low", "another chip", "every second", "open", "shorted", "reversed", "touches ground"}[f]
}

// Knob is what every chip has.
type Knob struct {
	mu    sync.Mutex
	fault Fault
	reset func() // to its state at power-on
	count int
}

// Set puts a fault on the chip, or None to mend it.
func (k *Knob) Set(f Fault) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if (k.fault == Gone || k.fault == Wrong) && f != k.fault && k.reset != nil {
		k.reset()
	}
	k.fault = f
}

// Fault tells what is wrong with the chip.
func (k *Knob) Fault() Fault {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.fault
}

var errHung = errors.New("the chip does not answer")

// before tells how a transaction ends that the chip has no say in.
func (k *Knob) before(absent syscall.Errno) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.count++
	switch {
	case k.fault == Gone:
		return absent
	case k.fault == Hung:
		return errHung
	case k.fault == Errs, k.fault == Twice && k.count%2 == 0:
		return syscall.EIO
	}
	return nil
}

// after damages what was read.
func (k *Knob) after(in []byte) {
	switch k.Fault() {
	case Noise:
		if len(in) > 0 {
			in[len(in)-1] ^= 0x5A
		}
	case Zeros:
		clear(in)
	}
}

// I2C is a chip on an I2C bus. A read follows the writes of the same
// transaction, as the wire carries them.
type I2C interface {
	Write(p []byte) error // EREMOTEIO where the chip does not acknowledge
	Read(p []byte) error
	knob() *Knob
}

// SPI is a chip behind a chip select: from select to deselect, both ways.
type SPI interface {
	Exchange(mode int, out, in []byte)
	knob() *Knob
}

// Converter is a load cell's converter as the kernel shows it.
type Converter interface {
	Raw(channel int) (int32, error)
}

// Board is all the buses. Its fields are set before Serve.
type Board struct {
	I2C  map[uint16]I2C
	SPI  []SPI // by chip select; nil: nothing there
	Wire *Wire // the 1-Wire bus
	Cell Converter
	Line func(line int, high bool) // told of each output's level

	mu      sync.Mutex
	control io.ReadWriter
}

// The module's numbers of buses.
const (
	BusI2C = 1 + iota
	BusSPI
	BusWire
	BusIIO
	BusGPIO
)

// SetLine sets the level of an input line.
func (b *Board) SetLine(line int, high bool) error {
	level := byte(0)
	if high {
		level = 1
	}
	return b.answer(0, int32(line), []byte{level})
}

func (b *Board) answer(id uint32, status int32, in []byte) error {
	p := make([]byte, 12+len(in))
	binary.LittleEndian.PutUint32(p, id)
	binary.LittleEndian.PutUint32(p[4:], uint32(status))
	binary.LittleEndian.PutUint32(p[8:], uint32(len(in)))
	copy(p[12:], in)
	b.mu.Lock()
	defer b.mu.Unlock()
	_, err := b.control.Write(p)
	return err
}

// Serve answers the transactions that the module hands over, one after the other, until control
// fails. No chip takes time over its answer: one that hangs gives none.
func (b *Board) Serve(control io.ReadWriter) error {
	b.mu.Lock()
	b.control = control
	b.mu.Unlock()
	buf := make([]byte, 16384)
	for {
		n, err := control.Read(buf)
		if err != nil {
			return err
		}
		if n < 12 {
			return fmt.Errorf("a request of %d bytes", n)
		}
		id, bus, op, arg := binary.LittleEndian.Uint32(buf), int(buf[4]), int(buf[5]), int(binary.LittleEndian.Uint16(buf[6:]))
		if bus == BusGPIO {
			b.Line(arg, op != 0)
			continue
		}
		in, err := b.one(bus, op, arg, buf[12:n])
		var errno syscall.Errno
		switch {
		case err == nil:
			err = b.answer(id, 0, in)
		case errors.As(err, &errno):
			err = b.answer(id, -int32(errno), nil)
		default: // hung: the module gives up by itself
			err = nil
		}
		if err != nil {
			return err
		}
	}
}

func (b *Board) one(bus, op, arg int, out []byte) ([]byte, error) {
	switch bus {
	case BusI2C:
		return b.i2c(arg, out)
	case BusSPI:
		in := make([]byte, len(out))
		if arg >= len(b.SPI) || b.SPI[arg] == nil {
			fill(in, 0xFF)
			return in, nil
		}
		chip := b.SPI[arg]
		switch err := chip.knob().before(syscall.ENXIO); {
		case errors.Is(err, syscall.ENXIO): // nothing drives the line: it floats high
			fill(in, 0xFF)
		case err != nil:
			return nil, err
		default:
			chip.Exchange(op, out, in)
			chip.knob().after(in)
		}
		return in, nil
	case BusWire:
		return b.Wire.op(op, arg, out)
	case BusIIO:
		raw, err := b.Cell.Raw(arg)
		if err != nil {
			return nil, err
		}
		return binary.LittleEndian.AppendUint32(nil, uint32(raw)), nil
	}
	return nil, syscall.EINVAL
}

const i2cRead = 1

func (b *Board) i2c(messages int, out []byte) (in []byte, err error) {
	for range messages {
		if len(out) < 6 {
			return nil, syscall.EINVAL
		}
		address := binary.LittleEndian.Uint16(out)
		flags := binary.LittleEndian.Uint16(out[2:])
		n := int(binary.LittleEndian.Uint16(out[4:]))
		out = out[6:]
		chip := b.I2C[address]
		if chip == nil {
			return nil, syscall.EREMOTEIO
		}
		if err := chip.knob().before(syscall.EREMOTEIO); err != nil {
			return nil, err
		}
		if flags&i2cRead == 0 {
			if err := chip.Write(out[:n]); err != nil {
				return nil, err
			}
			out = out[n:]
			continue
		}
		p := make([]byte, n)
		if err := chip.Read(p); err != nil {
			return nil, err
		}
		chip.knob().after(p)
		in = append(in, p...)
	}
	return in, nil
}

func fill(p []byte, v byte) {
	for i := range p {
		p[i] = v
	}
}
