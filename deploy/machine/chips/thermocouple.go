package chips

import (
	"math"
	"time"
)

// MAX31856 follows the maker's document 19-7534: sixteen registers, those to
// write at 0x80 more, SPI modes 1 and 3; the cold junction in 0x0A and 0x0B (a 64th of a kelvin,
// 14 bits from the left), the thermocouple in 0x0C to 0x0E (a 128th, 19 bits), faults in 0x0F.
type MAX31856 struct {
	registers
	hot, cold float64
	ready     time.Time
}

// NewMAX31856 makes one whose junctions are at these temperatures.
func NewMAX31856(hot, cold float64) *MAX31856 {
	m := &MAX31856{hot: hot, cold: cold}
	m.reset = func() {
		m.lock.Lock()
		defer m.lock.Unlock()
		m.powerOn()
	}
	m.only = func(at byte) bool { return at > 0x0B || at == 0x0F }
	m.written, m.read = m.wrote, m.reads
	m.powerOn()
	return m
}

func (m *MAX31856) powerOn() {
	m.file = [256]byte{0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00}
	m.ready = time.Time{}
}

// Exchange is one select.
func (m *MAX31856) Exchange(mode int, out, in []byte) {
	if mode != 1 && mode != 3 { // sampled at the wrong edge, nothing is what it was
		fill(in, 0x55)
		return
	}
	if m.Fault() == Wrong {
		fill(in, 0x12)
		return
	}
	m.pairs(out, in)
}

func (m *MAX31856) wrote(at, before byte) {
	if at != 0 {
		return
	}
	if m.file[0]&2 != 0 { // clear the faults
		m.file[0] &^= 2
		m.file[15] = 0
	}
	if m.file[0]&0x40 != 0 && m.file[0]&0x80 == 0 {
		m.ready = time.Now().Add(155 * time.Millisecond) // one shot at 60 Hz; at 50 Hz 185 ms
	}
	if m.file[0]&0x80 != 0 && before&0x80 == 0 {
		m.ready = time.Now().Add(155 * time.Millisecond)
	}
}

func (m *MAX31856) reads(at byte) byte {
	if !m.ready.IsZero() && !time.Now().Before(m.ready) {
		m.convert()
		m.ready = time.Time{}
		if m.file[0]&0x80 != 0 {
			m.ready = time.Now().Add(90 * time.Millisecond)
		} else {
			m.file[0] &^= 0x40
		}
	}
	return m.file[at]
}

func (m *MAX31856) convert() {
	hot := m.hot
	var fault byte
	switch m.Fault() {
	case Broken:
		if m.file[0]&0x30 != 0 { // only where the detection is switched on
			fault = 1
		}
		hot = 1372 + 427.9 // the input floats
	case Short:
		fault = 2 // an input over or under its supply
	case Reverse:
		hot = m.cold - (m.hot - m.cold) // about: it goes down when the pipe goes up
	}
	cold := int16(math.Round(m.cold*64)) << 2
	m.file[10], m.file[11] = byte(uint16(cold)>>8), byte(cold)
	if hot < -210 || hot > 1800 {
		fault |= 0x40
	}
	t := int32(math.Round(hot*128)) << 5
	m.file[12], m.file[13], m.file[14] = byte(t>>16), byte(t>>8), byte(t)
	m.file[15] = fault
}

// MAX31865 follows the maker's document 19-6478: configuration in 0x00, the
// ratio to the reference resistor in 15 bits of 0x01 and 0x02 with the fault bit below, limits in
// 0x03 to 0x06 (high 0xFFFF and low 0 after power-on), faults in 0x07; SPI modes 1 and 3.
type MAX31865 struct {
	registers
	ohms, reference float64
	ready           time.Time
}

// NewMAX31865 makes one with that element and reference.
func NewMAX31865(ohms, reference float64) *MAX31865 {
	m := &MAX31865{ohms: ohms, reference: reference}
	m.reset = func() {
		m.lock.Lock()
		defer m.lock.Unlock()
		m.powerOn()
	}
	m.only = func(at byte) bool { return at == 1 || at == 2 || at == 7 || at > 7 }
	m.written, m.read = m.wrote, m.reads
	m.powerOn()
	return m
}

func (m *MAX31865) powerOn() {
	m.file = [256]byte{0, 0, 0, 0xFF, 0xFF, 0, 0, 0}
	m.ready = time.Time{}
}

// Exchange is one select.
func (m *MAX31865) Exchange(mode int, out, in []byte) {
	if mode != 1 && mode != 3 {
		fill(in, 0x55)
		return
	}
	if m.Fault() == Wrong {
		fill(in, 0x12)
		return
	}
	m.pairs(out, in)
}

func (m *MAX31865) wrote(at, before byte) {
	if at != 0 {
		return
	}
	v := m.file[0]
	if v&2 != 0 {
		m.file[7] = 0
		m.file[2] &^= 1
		m.file[0] &^= 2
	}
	if v>>2&3 != 0 { // look for faults: by itself, or in two cycles (table 3)
		switch m.Fault() {
		case Broken: // without a current nothing falls at the reference: REFIN- is at VBIAS
			m.file[7] |= 0x20
		case Leak:
			m.file[7] |= 0x10
		}
	}
	m.file[0] &^= 0x0C
	if v&0x80 != 0 && (v&0x20 != 0 || v&0x40 != 0 && before&0x40 == 0) {
		m.ready = time.Now().Add(55 * time.Millisecond) // 52 ms at 60 Hz, 62.5 ms at 50 Hz
	}
}

func (m *MAX31865) reads(at byte) byte {
	if !m.ready.IsZero() && !time.Now().Before(m.ready) {
		m.convert()
		m.file[0] &^= 0x20
		m.ready = time.Time{}
		if m.file[0]&0xC0 == 0xC0 {
			m.ready = time.Now().Add(17 * time.Millisecond)
		}
	}
	return m.file[at]
}

func (m *MAX31865) convert() {
	code := int(math.Round(m.ohms / m.reference * 32768))
	switch m.Fault() {
	case Broken:
		code = 0x7FFF
	case Short:
		code = 0
	}
	code = max(0, min(0x7FFF, code))
	v := uint16(code) << 1
	high := uint16(m.file[3])<<8 | uint16(m.file[4])
	low := uint16(m.file[5])<<8 | uint16(m.file[6])
	if v >= high&^1 && high != 0xFFFF {
		m.file[7] |= 0x80
	}
	if v <= low&^1 && low != 0 {
		m.file[7] |= 0x40
	}
	if m.file[7] != 0 {
		v |= 1
	}
	m.file[1], m.file[2] = byte(v>>8), byte(v)
}
