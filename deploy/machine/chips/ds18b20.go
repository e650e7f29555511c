package chips

import (
	"math"
	"sync"
	"time"
)

// Wire is a 1-Wire bus: what several chips say at once is a wired AND.
type Wire struct {
	mu     sync.Mutex
	Probes []*DS18B20
	state  int // what the bus carries now
	left   int // bits or bytes of it
	rom    [8]byte
}

// The module's operations of the 1-Wire bus.
const (
	opReset = iota
	opTouch
	opWrite
	opRead
	opTriplet
)

// States of the bus.
const (
	idle = iota
	romCommand
	matching
	searching
	command
	writing // to the scratchpad
	answering
	powering
)

// DS18B20 follows the maker's document 19-7487: ROM commands and functions of
// table 3, the scratchpad of figure 9, the register's power-on value of 85 C, the check sum
// x^8 + x^5 + x^4 + 1.
type DS18B20 struct {
	Knob
	ROM  [8]byte // family first, check sum last
	Temp float64

	selected bool
	pad      [9]byte
	ready    time.Time // when the conversion under way is done; zero: none
	raw      int16     // what it will come to
	at       int       // the byte that is read or written next
}

// NewDS18B20 makes a probe of that serial number.
func NewDS18B20(serial uint64, temp float64) *DS18B20 {
	d := &DS18B20{Temp: temp}
	d.ROM[0] = 0x28
	for i := range 6 {
		d.ROM[1+i] = byte(serial >> (8 * i))
	}
	d.ROM[7] = crc1Wire(d.ROM[:7])
	d.reset = d.powerOn
	d.powerOn()
	return d
}

func (d *DS18B20) powerOn() {
	d.pad = [9]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}
	d.pad[8] = crc1Wire(d.pad[:8])
	d.ready, d.selected = time.Time{}, false
}

// crc1Wire is the check sum of 1-Wire chips, bit by bit as in the maker's
// application note 27: x^8 + x^5 + x^4 + 1, least significant bit first.
func crc1Wire(p []byte) byte {
	var crc byte
	for _, b := range p {
		for range 8 {
			mix := (crc ^ b) & 1
			crc >>= 1
			if mix == 1 {
				crc ^= 0x8C
			}
			b >>= 1
		}
	}
	return crc
}

// settle finishes a conversion that is due.
func (d *DS18B20) settle() {
	if d.ready.IsZero() || time.Now().Before(d.ready) {
		return
	}
	d.ready = time.Time{}
	d.pad[0], d.pad[1] = byte(d.raw), byte(d.raw>>8)
	d.pad[6] = 0x10 - d.pad[0]&0x0F // reserved; genuine chips show it so
	d.pad[8] = crc1Wire(d.pad[:8])
}

// here reports whether the probe takes part in what the bus does.
func (d *DS18B20) here() bool { f := d.Fault(); return f != Gone && f != Wrong }

func (w *Wire) op(op, arg int, out []byte) ([]byte, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, d := range w.Probes {
		switch d.Fault() {
		case Hung:
			if op == opReset || d.selected { // it stretches nothing: the master itself is stuck on it
				return nil, errHung
			}
		case Short:
			if op == opReset {
				return []byte{1}, nil // a line held low shows no presence pulse
			}
			in := make([]byte, max(1, arg))
			if op == opTriplet {
				return in[:1], nil
			}
			return in, nil
		}
	}
	switch op {
	case opReset:
		w.state = romCommand
		present := false
		for _, d := range w.Probes {
			d.settle()
			d.selected = d.here()
			d.at = 0
			present = present || d.selected
		}
		if present {
			return []byte{0}, nil
		}
		return []byte{1}, nil
	case opWrite:
		for _, b := range out {
			w.write(b)
		}
		return nil, nil
	case opRead:
		in := make([]byte, arg)
		for i := range in {
			in[i] = w.read()
		}
		return in, nil
	case opTouch:
		return []byte{w.touch(byte(arg))}, nil
	case opTriplet:
		return []byte{w.triplet(byte(arg))}, nil
	}
	return nil, errHung
}

func (w *Wire) write(b byte) {
	switch w.state {
	case romCommand:
		w.left = 0
		switch b {
		case 0xCC: // skip ROM
			w.state = command
		case 0x55: // match ROM
			w.state = matching
		case 0xF0: // search ROM
			w.state = searching
		case 0x33: // read ROM
			w.state = answering
			for _, d := range w.Probes {
				d.at = -8
			}
		default:
			w.state = idle
		}
	case matching:
		w.rom[w.left] = b
		if w.left++; w.left == 8 {
			for _, d := range w.Probes {
				d.selected = d.selected && d.ROM == w.rom
			}
			w.state = command
		}
	case command:
		w.command(b)
	case writing:
		for _, d := range w.Probes {
			if d.selected && d.at < 3 {
				d.pad[2+d.at] = b
				if d.at == 2 {
					d.pad[4] = b&0x60 | 0x1F
				}
				d.at++
				d.pad[8] = crc1Wire(d.pad[:8])
			}
		}
	}
}

func (w *Wire) command(b byte) {
	w.state = idle
	for _, d := range w.Probes {
		if !d.selected {
			continue
		}
		switch b {
		case 0x44: // convert T: 93.75 ms at 9 bits, doubling with each more
			bits := 9 + int(d.pad[4]>>5&3)
			d.ready = time.Now().Add(93750 * time.Microsecond << (bits - 9))
			step := math.Pow(2, float64(12-bits))
			d.raw = int16(math.Floor(d.Temp*16/step) * step)
			w.state = powering // a read slot tells whether it is done
			if d.Fault() == Broken {
				d.ready = time.Time{} // its supply fails in the conversion: it is as after power-on
				d.powerOn()
				d.selected = true
			}
		case 0xBE: // read scratchpad
			d.at = 0
			w.state = answering
		case 0x4E: // write scratchpad
			d.at = 0
			w.state = writing
		case 0xB4: // read power supply: an own supply is a 1
			w.state = powering
		}
	}
}

func (w *Wire) read() byte {
	line := byte(0xFF)
	for _, d := range w.Probes {
		if !d.selected {
			continue
		}
		switch w.state {
		case answering:
			b := byte(0xFF)
			if d.at < 0 {
				b = d.ROM[8+d.at]
			} else if d.at < len(d.pad) {
				b = d.pad[d.at]
				if d.at == 3 && d.Fault() == Noise {
					b ^= 0x21
				}
			}
			if d.Fault() == Zeros {
				b = 0
			}
			d.at++
			line &= b
		case powering:
			if !d.ready.IsZero() && time.Now().Before(d.ready) {
				line = 0
			}
		}
	}
	return line
}

func (w *Wire) touch(bit byte) byte {
	if bit == 0 {
		return 0
	}
	if w.state == powering {
		return w.read() & 1
	}
	return 1
}

// triplet is two read slots, in which each probe sends a bit of its ROM code
// and that bit's complement, and a write slot by which the others leave.
func (w *Wire) triplet(dir byte) byte {
	if w.state != searching || w.left >= 64 {
		return 3
	}
	is, not := byte(1), byte(1)
	for _, d := range w.Probes {
		if d.selected {
			bit := d.ROM[w.left/8] >> (w.left % 8) & 1
			is &= bit
			not &= 1 - bit
		}
	}
	if is == 1 && not == 1 {
		return 3
	}
	if is != not {
		dir = is
	}
	for _, d := range w.Probes {
		if d.selected && d.ROM[w.left/8]>>(w.left%8)&1 != dir {
			d.selected = false
		}
	}
	if w.left++; w.left == 64 {
		w.state = command
	}
	return is | not<<1 | dir<<2
}
