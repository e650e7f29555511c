package chips

import (
	"testing"
	"time"
)

func TestCheckSums(t *testing.T) {
	// Application note 27 of the 1-Wire chips' maker (from memory).
	if got := crc1Wire([]byte{0x02, 0x1C, 0xB8, 0x01, 0, 0, 0}); got != 0xA2 {
		t.Errorf("1-Wire: %#x, want 0xa2", got)
	}
	// The SHT4x's data sheet, section 4.4: the check sum of BEEF is 92 (from memory).
	if got := crcWord([]byte{0xBE, 0xEF}); got != 0x92 {
		t.Errorf("SHT4x: %#x, want 0x92", got)
	}
}

// The kernel finds probes by triplets; so does this walk, which takes the 1 at each fork.
func TestSearchFindsAProbe(t *testing.T) {
	a, b := NewDS18B20(0x1b81c, 20), NewDS18B20(0x0316a2794bff, 20)
	w := &Wire{Probes: []*DS18B20{a, b}}
	if in, err := w.op(opReset, 0, nil); err != nil || in[0] != 0 {
		t.Fatal("no presence pulse", in, err)
	}
	if _, err := w.op(opWrite, 0, []byte{0xF0}); err != nil {
		t.Fatal(err)
	}
	var rom [8]byte
	for i := range 64 {
		bits, err := w.op(opTriplet, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		rom[i/8] |= bits[0] >> 2 << (i % 8)
	}
	if rom != a.ROM && rom != b.ROM {
		t.Errorf("% x is none of the two", rom)
	}
}

// Data sheet 19-7487, table 1: 25.0625 C is 0191h; 85 C is what stands there after power-on.
func TestProbeConverts(t *testing.T) {
	d := NewDS18B20(1, 25.0625)
	w := &Wire{Probes: []*DS18B20{d}}
	ask := func(command byte) {
		for _, op := range []struct {
			op  int
			out []byte
		}{{opReset, nil}, {opWrite, []byte{0xCC, command}}} {
			if _, err := w.op(op.op, 0, op.out); err != nil {
				t.Fatal(err)
			}
		}
	}
	ask(0xBE)
	if pad, _ := w.op(opRead, 9, nil); pad[0] != 0x50 || pad[1] != 0x05 || crc1Wire(pad[:8]) != pad[8] {
		t.Errorf("after power-on % x", pad)
	}
	ask(0x44)
	d.ready = d.ready.Add(-time.Second) // its 750 ms have passed
	ask(0xBE)
	if pad, _ := w.op(opRead, 9, nil); pad[0] != 0x91 || pad[1] != 0x01 || crc1Wire(pad[:8]) != pad[8] {
		t.Errorf("after the conversion % x", pad)
	}
}

// SBAS444: a volt at input 0 is a quarter of 4.096 V, and the reset value is 8583h.
func TestConverterConverts(t *testing.T) {
	a := NewADS1115(1.024)
	read := func(register byte) int {
		var p [2]byte
		if err := a.Write([]byte{register}); err != nil {
			t.Fatal(err)
		}
		if err := a.Read(p[:]); err != nil {
			t.Fatal(err)
		}
		return int(p[0])<<8 | int(p[1])
	}
	if got := read(1); got != 0x8583 {
		t.Errorf("after power-on %#x", got)
	}
	if err := a.Write([]byte{1, 0xC3, 0xE3}); err != nil { // single, input 0, 4.096 V, 860 a second
		t.Fatal(err)
	}
	a.ready = a.ready.Add(-time.Second)
	if got := read(0); got != 0x2000 {
		t.Errorf("a quarter of full scale is %#x, want 0x2000", got)
	}
}

// Document 19-6478, table 9 (testdata of the driver has more): 100 ohm of 400 are code 8192.
func TestResistanceConverts(t *testing.T) {
	m := NewMAX31865(100, 400)
	in := make([]byte, 2)
	m.Exchange(1, []byte{0x80, 0xA0}, in)
	m.ready = m.ready.Add(-time.Second)
	in = make([]byte, 3)
	m.Exchange(1, []byte{0x01, 0, 0}, in)
	if got := (int(in[1])<<8 | int(in[2])) >> 1; got != 8192 {
		t.Errorf("code %d, want 8192", got)
	}
}
