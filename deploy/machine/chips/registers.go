package chips

import (
	"math"
	"sync"
	"syscall"
	"time"
)

// registers is a chip of registers of a byte, whose pointer counts up by itself.
type registers struct {
	Knob
	lock    sync.Mutex
	at      byte
	file    [256]byte
	read    func(at byte) byte         // before a byte is read; nil: the file's
	written func(at byte, before byte) // after a byte was written
	only    func(at byte) bool         // registers that only read
}

func (r *registers) knob() *Knob { return &r.Knob }

// Write sets the pointer and the registers from there on.
func (r *registers) Write(p []byte) error {
	r.lock.Lock()
	defer r.lock.Unlock()
	if len(p) == 0 {
		return nil
	}
	r.at = p[0]
	for _, b := range p[1:] {
		r.put(b)
	}
	return nil
}

func (r *registers) put(b byte) {
	before := r.file[r.at]
	if r.only == nil || !r.only(r.at) {
		r.file[r.at] = b
		if r.written != nil {
			r.written(r.at, before)
		}
	}
	r.at++
}

// Read reads from the pointer on.
func (r *registers) Read(p []byte) error {
	r.lock.Lock()
	defer r.lock.Unlock()
	for i := range p {
		p[i] = r.get()
	}
	return nil
}

func (r *registers) get() byte {
	v := r.file[r.at]
	if r.read != nil {
		v = r.read(r.at)
	}
	r.at++
	return v
}

// pairs is a chip of registers of a byte on SPI in which bit 7 of the first byte writes.
func (r *registers) pairs(out, in []byte) {
	r.lock.Lock()
	defer r.lock.Unlock()
	if len(out) == 0 {
		return
	}
	write := out[0]&0x80 != 0
	r.at = out[0] & 0x7F
	fill(in[:1], 0xFF)
	for i := 1; i < len(out); i++ {
		if write {
			r.put(out[i])
			in[i] = 0xFF
		} else {
			in[i] = r.get()
		}
	}
}

// MCP9601 follows the maker's document DS20005426: the hot junction in 0x00, the
// cold one in 0x02, sixteenths of a kelvin, status in 0x04 (bit 6: a conversion is complete, until that is
// cleared; bit 5 short, bit 4 open, which its sister MCP9600 has not), the sensor in 0x05, the device in 0x06,
// its kind in 0x20 (0x41). The registers are of their own lengths.
type MCP9601 struct {
	Knob
	lock      sync.Mutex
	at        byte
	hot, cold float64
	sensor    byte
	device    byte
	status    byte
	next      time.Time // when a conversion is complete
}

// NewMCP9601 makes one whose junctions are at these temperatures.
func NewMCP9601(hot, cold float64) *MCP9601 {
	m := &MCP9601{hot: hot, cold: cold}
	m.reset = func() {
		m.lock.Lock()
		defer m.lock.Unlock()
		m.sensor, m.device, m.status = 0, 0, 0
	}
	return m
}

func (m *MCP9601) knob() *Knob { return &m.Knob }

// Write sets the pointer and perhaps a register.
func (m *MCP9601) Write(p []byte) error {
	m.lock.Lock()
	defer m.lock.Unlock()
	if len(p) == 0 {
		return nil
	}
	m.at = p[0]
	if len(p) > 1 {
		switch m.at {
		case 0x04:
			m.status = p[1] & 0x0F
			if p[1]&0x40 == 0 {
				m.next = time.Now().Add(320 * time.Millisecond) // at 18 bits
			}
		case 0x05:
			m.sensor = p[1]
		case 0x06:
			m.device = p[1]
		}
	}
	return nil
}

// Read reads the register that the pointer names.
func (m *MCP9601) Read(p []byte) error {
	m.lock.Lock()
	defer m.lock.Unlock()
	hot := m.hot
	status := m.status
	if !time.Now().Before(m.next) {
		status |= 0x40
	}
	switch m.Fault() {
	case Broken:
		hot = 1372 // the input floats
		status |= 0x10
	case Short:
		hot = m.cold // a short makes a junction where it is
		status |= 0x20
	}
	var b []byte
	word := func(t float64) []byte {
		v := uint16(int16(math.Round(t * 16)))
		return []byte{byte(v >> 8), byte(v)}
	}
	switch m.at {
	case 0x00:
		b = word(hot)
	case 0x01:
		b = word(hot - m.cold)
	case 0x02:
		b = word(m.cold)
	case 0x04:
		b = []byte{status}
	case 0x05:
		b = []byte{m.sensor}
	case 0x06:
		b = []byte{m.device}
	case 0x20:
		b = []byte{0x41, 0x12}
		if m.Fault() == Wrong {
			b[0] = 0x11
		}
	default:
		b = []byte{0, 0, 0}
	}
	for i := range p {
		p[i] = 0xFF
		if i < len(b) {
			p[i] = b[i]
		}
	}
	return nil
}

// SHT4x follows the maker's data sheet ("SHT4x", version 6): a command
// of a byte, then six bytes back, two values each with a check sum (0x31, from 0xFF); while it
// measures it does not acknowledge.
type SHT4x struct {
	Knob
	lock  sync.Mutex
	t, rh float64
	ready time.Time
	reply []byte
}

// NewSHT4x makes one in air of that temperature and relative humidity in percent.
func NewSHT4x(t, rh float64) *SHT4x {
	s := &SHT4x{t: t, rh: rh}
	s.reset = func() { s.lock.Lock(); s.reply = nil; s.lock.Unlock() }
	return s
}

func (s *SHT4x) knob() *Knob { return &s.Knob }

func crcWord(p []byte) byte {
	crc := byte(0xFF)
	for _, b := range p {
		crc ^= b
		for range 8 {
			top := crc & 0x80
			crc <<= 1
			if top != 0 {
				crc ^= 0x31
			}
		}
	}
	return crc
}

func words(a, b uint16) []byte {
	p := []byte{byte(a >> 8), byte(a), 0, byte(b >> 8), byte(b), 0}
	p[2], p[5] = crcWord(p[:2]), crcWord(p[3:5])
	return p
}

// Write takes a command.
func (s *SHT4x) Write(p []byte) error {
	s.lock.Lock()
	defer s.lock.Unlock()
	if len(p) != 1 {
		return syscall.EREMOTEIO
	}
	if time.Now().Before(s.ready) {
		return syscall.EREMOTEIO
	}
	wait := time.Duration(0)
	switch p[0] {
	case 0xFD:
		wait = 8300 * time.Microsecond
	case 0xF6:
		wait = 4500 * time.Microsecond
	case 0xE0:
		wait = 1700 * time.Microsecond
	case 0x89:
		s.reply = words(0x0F4A, 0x21C3)
		if s.Fault() == Wrong {
			s.reply = words(0x1111, 0x2222)
		}
		return nil
	case 0x94:
		s.reply = nil
		return nil
	default:
		return syscall.EREMOTEIO
	}
	s.ready = time.Now().Add(wait)
	s.reply = words(uint16(math.Round((s.t+45)/175*65535)), uint16(math.Round((s.rh+6)/125*65535)))
	return nil
}

// Read gives the answer, once.
func (s *SHT4x) Read(p []byte) error {
	s.lock.Lock()
	defer s.lock.Unlock()
	if s.reply == nil || time.Now().Before(s.ready) {
		return syscall.EREMOTEIO
	}
	copy(p, s.reply)
	s.reply = nil
	return nil
}
