package chips

import "time"

// NAU7802 follows the maker's data sheet, revision 1.7 (the times from memory):
// power by register 0x00, whose bit 3 says ready and whose bit 5 says a conversion is there;
// rate by 0x02 bits 6 to 4; 24 bits in 0x12 to 0x14; the low half of 0x1F is 0xF.
type NAU7802 struct {
	registers
	code    int32     // what the bridge gives
	next    time.Time // when the next conversion is there
	on, cal time.Time // since when it has power; until when it calibrates itself
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
		if v&2 != 0 && time.Since(n.on) > 200*time.Microsecond {
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
