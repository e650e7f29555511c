package chips

import (
	"math"
	"time"
)

// BMP390 follows the maker's document BST-BMP390-DS002: its kind 0x60 in 0x00, status
// in 0x03, pressure and temperature of 24 bits each from 0x04 on, control in 0x1B, 21 bytes of
// calibration from 0x31 on, commands in 0x7E. The raw values are found by reckoning section 8's
// compensation backwards.
type BMP390 struct {
	registers
	pressure, temp float64
	ready          time.Time
}

// Calibration as such a chip might hold it: T1 to T3, P1 to P11, in the order of table 23.
const (
	nvmT1 = 27500
	nvmT2 = 19000
	nvmT3 = -7
)

var nvmP = [11]int{1800, 1200, 6, 1, 25200, 30000, -8, -6, 3000, 4, -3}

// NewBMP390 makes one in air of that pressure in pascals and temperature.
func NewBMP390(pressure, temp float64) *BMP390 {
	b := &BMP390{pressure: pressure, temp: temp}
	b.reset = func() {
		b.lock.Lock()
		defer b.lock.Unlock()
		b.powerOn()
	}
	b.only = func(at byte) bool { return at < 0x15 || at > 0x1F && at != 0x7E }
	b.written, b.read = b.wrote, b.reads
	b.powerOn()
	return b
}

func (b *BMP390) powerOn() {
	b.file = [256]byte{0x00: 0x60, 0x01: 0x01, 0x03: 0x10, 0x06: 0x80, 0x09: 0x80, 0x10: 0x01, 0x1C: 0x02}
	at := 0x31
	put := func(v, bytes int) {
		for range bytes {
			b.file[at] = byte(v)
			v >>= 8
			at++
		}
	}
	put(nvmT1, 2)
	put(nvmT2, 2)
	put(nvmT3, 1)
	for i, bytes := range [11]int{2, 2, 1, 1, 2, 2, 1, 1, 2, 1, 1} {
		put(nvmP[i], bytes)
	}
	b.ready = time.Time{}
}

func (b *BMP390) wrote(at, _ byte) {
	switch at {
	case 0x7E:
		if b.file[0x7E] == 0xB6 {
			b.powerOn()
		}
	case 0x1B:
		if b.file[0x1B]>>4&3 != 0 && b.file[0x1B]&3 != 0 {
			osrP, osrT := b.file[0x1C]&7, b.file[0x1C]>>3&7
			wait := 234 + 392 + 2020*(1<<osrP) + 163 + 2020*(1<<osrT) // section 3.9.2, in microseconds
			b.ready = time.Now().Add(time.Duration(wait) * time.Microsecond)
		}
	}
}

func (b *BMP390) reads(at byte) byte {
	if !b.ready.IsZero() && !time.Now().Before(b.ready) {
		b.convert()
		b.ready = time.Time{}
		if b.file[0x1B]>>4&3 == 3 {
			b.ready = time.Now().Add(20 * time.Millisecond)
		} else {
			b.file[0x1B] &^= 0x30
		}
	}
	v := b.file[at]
	switch at {
	case 0x00:
		if b.Fault() == Wrong {
			return 0x58
		}
	case 0x04, 0x05, 0x06:
		b.file[3] &^= 0x20
	case 0x07, 0x08, 0x09:
		b.file[3] &^= 0x40
	case 0x10:
		b.file[0x10] = 0
	}
	return v
}

func (b *BMP390) convert() {
	rawT := between(func(x float64) float64 { return bmpTemp(x) - b.temp })
	t := bmpTemp(rawT)
	rawP := between(func(x float64) float64 { return b.pressure - bmpPressure(x, t) })
	for i := range 3 {
		b.file[4+i] = byte(int(rawP) >> (8 * i))
		b.file[7+i] = byte(int(rawT) >> (8 * i))
	}
	b.file[3] |= 0x60
}

// between finds where a rising f changes its sign, in 24 bits.
func between(f func(float64) float64) float64 {
	low, high := 0.0, float64(1<<24-1)
	for high-low > 0.5 {
		if mid := (low + high) / 2; f(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Round(low)
}

func bmpTemp(raw float64) float64 {
	d := raw - nvmT1*256
	return d*nvmT2/(1<<30) + d*d*nvmT3/(1<<48)
}

func bmpPressure(raw, t float64) float64 {
	p := func(n, power int) float64 { return math.Ldexp(float64(nvmP[n-1]), -power) }
	p1 := math.Ldexp(float64(nvmP[0])-1<<14, -20)
	p2 := math.Ldexp(float64(nvmP[1])-1<<14, -29)
	offset := p(5, -3) + p(6, 6)*t + p(7, 8)*t*t + p(8, 15)*t*t*t
	slope := raw * (p1 + p2*t + p(3, 32)*t*t + p(4, 37)*t*t*t)
	return offset + slope + raw*raw*(p(9, 48)+p(10, 48)*t) + raw*raw*raw*p(11, 65)
}
