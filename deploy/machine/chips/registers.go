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

// NAU7802 follows the maker's data sheet (Nuvoton NAU7802, revision 1.7):
// power by register 0x00, whose bit 3 says ready and whose bit 5 says a conversion is there;
// rate by 0x02 bits 6 to 4; 24 bits in 0x12 to 0x14; the low half of 0x1F is 0xF.
type NAU7802 struct {
	registers
	code     int32 // what the bridge gives
	next     time.Time
	on, cal  time.Time
	settling int
}

// NewNAU7802 makes a converter that reads code.
func NewNAU7802(code int32) *NAU7802 {
	n := &NAU7802{code: code}
	n.reset = func() {
		n.lock.Lock()
		defer n.lock.Unlock()
		n.powerOn()
	}
	n.only = func(at byte) bool { return at >= 0x12 && at <= 0x14 || at == 0x1F }
	n.written, n.read = n.wrote, n.reads
	n.powerOn()
	return n
}

// Code sets what the bridge gives.
func (n *NAU7802) Code(c int32) {
	n.lock.Lock()
	defer n.lock.Unlock()
	n.code = c
}

func (n *NAU7802) powerOn() {
	n.file = [256]byte{}
	n.file[0x1F] = 0x0F
	n.on, n.next, n.cal = time.Time{}, time.Time{}, time.Time{}
}

func (n *NAU7802) wrote(at, before byte) {
	switch at {
	case 0x00:
		v := n.file[0]
		if v&1 != 0 { // reset, until it is written 0
			n.powerOn()
			n.file[0] = 1
			return
		}
		if v&2 != 0 && before&2 == 0 {
			n.on = time.Now()
		}
		if v&0x16 == 0x16 && before&0x10 == 0 || v&0x16 == 0x16 && n.next.IsZero() {
			n.next = time.Now().Add(4 * n.period()) // the filter settles in four conversions
		}
	case 0x02:
		if n.file[2]&4 != 0 {
			n.cal = time.Now().Add(4 * n.period())
		}
		if !n.next.IsZero() {
			n.next = time.Now().Add(4 * n.period())
		}
	}
}

func (n *NAU7802) period() time.Duration {
	rate := [8]int{10, 20, 40, 80, 80, 80, 80, 320}[n.file[2]>>4&7]
	return time.Second / time.Duration(rate)
}

func (n *NAU7802) reads(at byte) byte {
	switch at {
	case 0x00:
		v := n.file[0] &^ 0x28
		if v&2 != 0 && since(n.on) > 200*time.Microsecond {
			v |= 8
		}
		if !n.next.IsZero() && !time.Now().Before(n.next) {
			v |= 0x20
		}
		return v
	case 0x02:
		v := n.file[2]
		if v&4 != 0 && time.Now().After(n.cal) {
			v &^= 4
			n.file[2] = v
		}
		return v
	case 0x12:
		if !n.next.IsZero() && !time.Now().Before(n.next) {
			n.next = time.Now().Add(n.period())
			c := n.code
			switch n.Fault() {
			case Broken:
				c = 0x7FFFFF
			case Short:
				c = -0x800000
			}
			n.file[0x12], n.file[0x13], n.file[0x14] = byte(c>>16), byte(c>>8), byte(c)
		}
	case 0x1F:
		if n.Fault() == Wrong {
			return 0x00
		}
	}
	return n.file[at]
}

// MCP9600 follows the maker's document DS20005426: the hot junction in 0x00, the
// cold one in 0x02, sixteenths of a kelvin, status in 0x04, the sensor in 0x05, the device in 0x06,
// its kind in 0x20 (0x40). The registers are of their own lengths.
type MCP9600 struct {
	Knob
	lock      sync.Mutex
	at        byte
	hot, cold float64
	sensor    byte
	device    byte
	status    byte
}

// NewMCP9600 makes one whose junctions are at these temperatures.
func NewMCP9600(hot, cold float64) *MCP9600 {
	m := &MCP9600{hot: hot, cold: cold}
	m.reset = func() {
		m.lock.Lock()
		defer m.lock.Unlock()
		m.sensor, m.device, m.status = 0, 0, 0
	}
	return m
}

func (m *MCP9600) knob() *Knob { return &m.Knob }

// Write sets the pointer and perhaps a register.
func (m *MCP9600) Write(p []byte) error {
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
		case 0x05:
			m.sensor = p[1]
		case 0x06:
			m.device = p[1]
		}
	}
	return nil
}

// Read reads the register that the pointer names.
func (m *MCP9600) Read(p []byte) error {
	m.lock.Lock()
	defer m.lock.Unlock()
	hot := m.hot
	status := m.status | 0x40 // a conversion is there
	switch m.Fault() {
	case Broken:
		hot = 2047.9375 // it has no detector: the amplifier runs to its end
		status |= 0x10  // and says that its input is out of range
	case Short:
		hot = m.cold // a short makes a junction where it is
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
		b = []byte{0x40, 0x12}
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

// SHT4x follows the maker's data sheet (Sensirion SHT4x, version 6): a command
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

func crcSensirion(p []byte) byte {
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
	p[2], p[5] = crcSensirion(p[:2]), crcSensirion(p[3:5])
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
			s.reply = nil
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
	if s.Fault() == Wrong {
		s.reply = nil
	}
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
