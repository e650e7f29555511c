package chips

import (
	"encoding/binary"
	"math"
	"sync"
	"syscall"
	"time"
)

// ADS1115 follows the maker's document SBAS444: four registers of 16 bits behind
// a pointer (table 8-3), the configuration's reset value 0x8583, input choice and gain by
// tables 8-4, single conversions that take one period of the data rate.
type ADS1115 struct {
	Knob
	lock    sync.Mutex
	inputs  [4]float64 // volts against ground
	pointer byte
	config  uint16
	limits  [2]uint16
	code    int16     // of the last conversion
	next    int16     // of the one under way
	ready   time.Time // when that is done
}

// NewADS1115 makes a converter with these volts at its inputs.
func NewADS1115(volts ...float64) *ADS1115 {
	a := &ADS1115{}
	copy(a.inputs[:], volts)
	a.reset = a.powerOn
	a.powerOn()
	return a
}

// Volts sets one input.
func (a *ADS1115) Volts(input int, v float64) {
	a.lock.Lock()
	defer a.lock.Unlock()
	a.inputs[input] = v
}

func (a *ADS1115) knob() *Knob { return &a.Knob }

func (a *ADS1115) powerOn() {
	a.lock.Lock()
	defer a.lock.Unlock()
	a.pointer, a.config, a.limits, a.code, a.ready = 0, 0x8583, [2]uint16{0x8000, 0x7FFF}, 0, time.Time{}
}

// Write sets the pointer, and a register where two bytes follow.
func (a *ADS1115) Write(p []byte) error {
	a.lock.Lock()
	defer a.lock.Unlock()
	if len(p) == 0 {
		return nil
	}
	a.pointer = p[0] & 3
	if len(p) < 3 {
		return nil
	}
	v := binary.BigEndian.Uint16(p[1:])
	switch a.pointer {
	case 1:
		a.config = v
		if v>>15 == 1 || v>>8&1 == 0 { // start a single one, or go on by itself
			a.begin()
		}
	case 2, 3:
		a.limits[a.pointer-2] = v
	}
	return nil
}

func (a *ADS1115) begin() {
	full := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[a.config>>9&7]
	rate := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[a.config>>5&7]
	in := a.inputs
	v := [8]float64{in[0] - in[1], in[0] - in[3], in[1] - in[3], in[2] - in[3], in[0], in[1], in[2], in[3]}[a.config>>12&7]
	a.next = int16(max(-32768, min(32767, math.Round(v/full*32768))))
	a.ready = time.Now().Add(time.Duration(1e9 / rate))
}

// Read gives the register that the pointer names. Where another chip answers,
// nothing here is as this one shows it.
func (a *ADS1115) Read(p []byte) error {
	a.lock.Lock()
	defer a.lock.Unlock()
	done := !time.Now().Before(a.ready)
	if done {
		a.code = a.next
		if a.config>>8&1 == 0 {
			a.begin()
			a.code = a.next
		}
	}
	var v uint16
	switch a.pointer {
	case 0:
		v = uint16(a.code)
	case 1:
		v = a.config &^ 0x8000
		if done {
			v |= 0x8000
		}
	default:
		v = a.limits[a.pointer-2]
	}
	if a.Fault() == Wrong {
		v = 0x60A0 + uint16(a.pointer) // whatever is written, these stand there
	}
	if len(p) < 1 {
		return syscall.EINVAL
	}
	b := binary.BigEndian.AppendUint16(nil, v)
	for i := range p {
		p[i] = b[i%2]
	}
	return nil
}
