package main

import (
	"standwatch/deploy/machine/chips"
)

// faulty is what every chip can be made to do.
type faulty interface{ Set(chips.Fault) }

// put makes a fault of a chip's knob.
func put(c faulty, f chips.Fault, reasons ...string) fault {
	return fault{name: f.String(), reason: reasons, do: func() { c.Set(f) }, mend: func() { c.Set(chips.None) }}
}

// bench wires the box: the chips, where they sit, what they show and what is done to them.
func bench() (*chips.Board, []device) {
	b := &chips.Board{I2C: map[uint16]chips.I2C{}, SPI: make([]chips.SPI, 4), Wire: &chips.Wire{}, Line: func(int, bool) {}}
	return b, wires(b)
}

func wires(b *chips.Board) []device {
	sump, line := chips.NewDS18B20(0x1b81c, 21.5), chips.NewDS18B20(0x0316a2794bff, -10.125)
	b.Wire.Probes = []*chips.DS18B20{sump, line}
	faults := func(d *chips.DS18B20) []fault {
		return []fault{
			put(d, chips.Gone, "disconnected", "no-answer"), // until the kernel has searched its bus again
			put(d, chips.Noise, "crc", "no-answer"),         // by netlink, by the kernel's file
			put(d, chips.Zeros, "disconnected"),
			put(d, chips.Broken, "power-on-value"),
		}
	}
	return []device{
		{name: "DS18B20 28-00000001b81c", bus: "1-Wire", points: []want{{"sump", 21.5, 0.01, "C"}}, faults: faults(sump)},
		{name: "DS18B20 28-0316a2794bff", bus: "1-Wire", points: []want{{"line", -10.125, 0.01, "C"}}, faults: faults(line)},
	}
}
