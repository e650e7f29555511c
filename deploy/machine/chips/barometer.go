package chips

import (
	"encoding/binary"
	"time"
)

// BME280 follows the maker's document BST-BME280-DS002: its kind 0x60 in 0xD0, control in
// 0xF2 and 0xF4, status in 0xF3, the values from 0xF7 to 0xFE, calibration from 0x88 and from 0xE1 on. It
// measures one thing only: the worked example of its sister's document BST-BMP280-DS001 (section 3.12, from
// memory), whose raw values 519888 and 415148 are 25.08 C and 100653.27 Pa.
type BME280 struct {
	registers
	ready time.Time
}

// NewBME280 makes one.
func NewBME280() *BME280 {
	b := &BME280{}
	b.reset = func() {
		b.lock.Lock()
		defer b.lock.Unlock()
		b.powerOn()
	}
	b.only = func(at byte) bool { return at < 0xE0 || at > 0xE0 && at < 0xF2 || at == 0xF3 || at > 0xF5 }
	b.written, b.read = b.wrote, b.reads
	b.powerOn()
	return b
}

// Write sets the pointer; what follows goes in pairs of register and value, for here the
// pointer counts up in reading only (section 6.2.1).
func (b *BME280) Write(p []byte) error {
	b.lock.Lock()
	defer b.lock.Unlock()
	for i, v := range p {
		if i%2 == 0 {
			b.at = v
		} else {
			b.put(v)
		}
	}
	return nil
}

func (b *BME280) powerOn() {
	b.file = [256]byte{0xD0: 0x60, 0xF7: 0x80, 0xFA: 0x80, 0xFD: 0x80}
	for i, v := range []int{27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
		binary.LittleEndian.PutUint16(b.file[0x88+2*i:], uint16(v))
	}
	// Of humidity, as such chips hold them: H1 75, H2 362, H3 0, H4 313, H5 50, H6 30.
	b.file[0xA1] = 75
	binary.LittleEndian.PutUint16(b.file[0xE1:], 362)
	b.file[0xE4], b.file[0xE5], b.file[0xE6], b.file[0xE7] = 313>>4, 313&15|50&15<<4, 50>>4, 30
	b.ready = time.Time{}
}

func (b *BME280) wrote(at, _ byte) {
	switch at {
	case 0xE0:
		if b.file[at] == 0xB6 {
			b.powerOn()
		}
	case 0xF4:
		if b.file[at]&3 != 0 {
			b.ready = time.Now().Add(40 * time.Millisecond)
		}
	}
}

func (b *BME280) reads(at byte) byte {
	if !b.ready.IsZero() && !time.Now().Before(b.ready) {
		const t, p, h = 519888, 415148, 28000
		copy(b.file[0xF7:], []byte{p >> 12, p >> 4 & 0xFF, p & 15 << 4, t >> 12, t >> 4 & 0xFF, t & 15 << 4, h >> 8, h & 0xFF})
		b.file[0xF4] &^= 3 // asleep again
		b.ready = time.Time{}
	}
	switch {
	case at == 0xD0 && b.Fault() == Wrong:
		return 0x55
	case at == 0xF3 && !b.ready.IsZero():
		return 0x08
	}
	return b.file[at]
}
