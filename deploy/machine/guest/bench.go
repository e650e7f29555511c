package main

import (
	"fmt"
	"time"

	"standwatch/deploy/machine/chips"
)

// faulty is what every chip can be made to do.
type faulty interface{ Set(chips.Fault) }

// put makes a fault of a chip's knob.
func put(c faulty, f chips.Fault, reasons ...string) fault {
	return fault{name: f.String(), reason: reasons, do: func() { c.Set(f) }, mend: func() { c.Set(chips.None) }}
}

// exchange puts another chip in the place of one. Nobody does that in less time.
func exchange(c faulty) fault {
	return fault{name: "another chip", reason: []string{"wrong-identity"}, mend: func() { c.Set(chips.None) }, do: func() {
		c.Set(chips.Gone)
		time.Sleep(1500 * time.Millisecond)
		c.Set(chips.Wrong)
	}}
}

// at says that a fault shows at these points only.
func (f fault) at(points ...string) fault { f.points = points; return f }

// as gives a fault a name of its own.
func (f fault) as(name string) fault { f.name = name; return f }

// suspect says that a value stands.
func (f fault) suspect() fault { f.grade = "suspect"; return f }

// either says that a value may stand or not.
func (f fault) either() fault { f.grade = "either"; return f }

// bench wires the box of site.yaml: the chips, where they sit, what they show and what is
// done to them.
func bench() (*chips.Board, *lines, []device, error) {
	l := newLines()
	b := &chips.Board{I2C: map[uint16]chips.I2C{}, SPI: make([]chips.SPI, 4), Wire: &chips.Wire{}, Line: l.told}
	scale, err := indicator()
	devices := append(wires(b), scale)
	devices = append(devices, thermocouple(b), resistance(b), air(b), converter(b), cell(b), bridge(b), junction(b), barometer(b))
	return b, l, devices, err
}

func wires(b *chips.Board) []device {
	sump, line := chips.NewDS18B20(0x1b81c, 21.5), chips.NewDS18B20(0x0316a2794bff, -10.125)
	b.Wire.Probes = []*chips.DS18B20{sump, line}
	faults := func(d *chips.DS18B20) []fault {
		return []fault{
			// By the kernel's file nothing tells one failed transaction from another.
			put(d, chips.Gone, "disconnected", "no-answer"),
			put(d, chips.Noise, "crc", "no-answer"),
			put(d, chips.Zeros, "disconnected", "no-answer"),
			put(d, chips.Broken, "power-on-value").as("supply fails").either(),
		}
	}
	return []device{
		{name: "DS18B20 28-00000001b81c", points: []want{{"sump", 21.5, 0.01, "C"}}, faults: faults(sump)},
		{name: "DS18B20 28-0316a2794bff", points: []want{{"line", -10.125, 0.01, "C"}}, faults: faults(line)},
	}
}

// converter is an ADS1115 with what hangs at its inputs. The values are reckoned by hand:
// 12 mA are half of 0 to 50 bar; a 10 kohm thermistor reads 25 C where it halves its supply; a gauge
// with 10^((U - 6.143 V) / 1.286 V) mbar reads 0.0215615 mbar at 4 V (its divider halves it).
func converter(b *chips.Board) device {
	a := chips.NewADS1115(1.2, 1.65, 2.0, 3.3)
	b.I2C[0x48] = a
	volts := func(input int, v, usual float64, name, point string, reasons ...string) fault {
		return fault{name: name, reason: reasons, points: []string{point},
			do: func() { a.Volts(input, v) }, mend: func() { a.Volts(input, usual) }}
	}
	return device{
		name: "ADS1115 0x48",
		points: []want{
			{"test-pressure", 25e5, 2e3, "Pa"}, {"pipe", 25, 0.05, "C"}, {"gauge", 2.15615, 0.01, "Pa"}, {"supply", 3.3, 0.001, "V"},
		},
		faults: []fault{
			put(a, chips.Gone, "disconnected"),
			put(a, chips.Hung, "hung"),
			put(a, chips.Errs, "disconnected"),
			exchange(a),
			volts(0, 0, 1.2, "loop: wire cut", "test-pressure", "below-live-zero"),
			volts(0, 0.38, 1.2, "loop: 3.8 mA", "test-pressure", "under-range").suspect(),
			volts(1, 0.001, 1.65, "thermistor shorted", "pipe", "short-circuit"),
			volts(1, 3.3, 1.65, "thermistor cut", "pipe", "open-circuit"),
		},
	}
}

func thermocouple(b *chips.Board) device {
	m := chips.NewMAX31856(120.5, 25.25)
	b.SPI[0] = m
	return device{
		name:   "MAX31856 SPI0.0",
		shares: "SPI0",
		points: []want{{"discharge", 120.5, 0.01, "C"}, {"terminal", 25.25, 0.02, "C"}},
		faults: []fault{
			put(m, chips.Gone, "disconnected"),
			put(m, chips.Errs, "disconnected"),
			put(m, chips.Zeros, "disconnected"),
			exchange(m),
			put(m, chips.Broken, "open-circuit").at("discharge"),
			put(m, chips.Short, "over-voltage").as("voltage at an input"),
			put(m, chips.Reverse, "reversed").at("discharge").suspect(),
			// One that hangs holds the controller that both SPI chips share: its place in the list, the last here and the
			// first at the other, is one where its neighbour has nothing done to it (trial.run).
			put(m, chips.Hung, "hung"),
		},
	}
}

// resistance is a Pt100 at 100 C: 138.5055 ohm by IEC 60751.
func resistance(b *chips.Board) device {
	m := chips.NewMAX31865(138.5055, 430)
	b.SPI[1] = m
	return device{
		name:   "MAX31865 SPI0.1",
		shares: "SPI0",
		points: []want{{"hot-gas", 100, 0.05, "C"}},
		faults: []fault{
			put(m, chips.Hung, "hung"),
			put(m, chips.Gone, "disconnected"),
			put(m, chips.Errs, "disconnected"),
			exchange(m),
			put(m, chips.Broken, "open-circuit"),
			put(m, chips.Short, "short-circuit"),
			put(m, chips.Leak, "ground-contact"),
		},
	}
}

func junction(b *chips.Board) device {
	m := chips.NewMCP9601(-12.5, 23.25)
	b.I2C[0x67] = m
	return device{
		name:   "MCP9601 0x67",
		points: []want{{"suction", -12.5, 0.01, "C"}},
		faults: []fault{
			put(m, chips.Gone, "disconnected"),
			put(m, chips.Hung, "hung"),
			exchange(m),
			put(m, chips.Broken, "open-circuit"),
			put(m, chips.Short, "short-circuit"),
		},
	}
}

// barometer shows the worked example of its document.
func barometer(b *chips.Board) device {
	c := chips.NewBME280()
	b.I2C[0x76] = c
	return device{
		name:   "BME280 0x76",
		points: []want{{"barometer", 100653.27, 0.5, "Pa"}, {"indoors", 25.08, 0.01, "C"}},
		faults: []fault{
			put(c, chips.Gone, "disconnected"),
			put(c, chips.Hung, "hung"),
			put(c, chips.Errs, "disconnected"),
			put(c, chips.Zeros, "wrong-identity", "disconnected", "brown-out", "garbage"),
		},
	}
}

// cell is a load cell of 25,000 counts a kilogram, 84,000 when empty: 12.5 kg are 396,500.
func cell(b *chips.Board) device {
	h := &chips.HX711{Counts: 84000 + 12.5*25000}
	b.Cell = h
	return device{
		name:   "HX711 by the kernel",
		points: []want{{"cylinder", 12500, 0.5, "g"}},
		faults: []fault{
			put(h, chips.Gone, "disconnected"),
			put(h, chips.Hung, "hung", "disconnected"),
			put(h, chips.Noise, "disconnected").as("data line floats"),
			put(h, chips.Broken, "overload").as("beyond its range"),
			put(h, chips.Zeros, "underload"),
		},
	}
}

// bridge is the same load cell on a converter of its own: 8 kg are 284,000.
func bridge(b *chips.Board) device {
	n := chips.NewNAU7802(84000 + 8*25000)
	b.I2C[0x2A] = n
	return device{
		name:   "NAU7802 0x2a",
		points: []want{{"platform", 8000, 0.5, "g"}},
		faults: []fault{
			put(n, chips.Gone, "disconnected"),
			put(n, chips.Hung, "hung"),
			put(n, chips.Errs, "disconnected"),
			exchange(n),
			put(n, chips.Broken, "overload").as("beyond its range"),
			put(n, chips.Short, "underload").as("below its range"),
		},
	}
}

func air(b *chips.Board) device {
	s := chips.NewSHT4x(24.6, 51.3)
	b.I2C[0x44] = s
	return device{
		name:   "SHT4x 0x44",
		points: []want{{"return-air", 24.6, 0.01, "C"}, {"return-humidity", 0.513, 0.0005, ""}},
		faults: []fault{
			put(s, chips.Gone, "disconnected"),
			put(s, chips.Hung, "hung"),
			put(s, chips.Errs, "disconnected"),
			put(s, chips.Noise, "crc"),
			exchange(s),
		},
	}
}

// indicator is a scale that sends by itself, on a port that is bound by identity.
func indicator() (device, error) {
	i := chips.NewIndicator("/dev/serial/by-id/usb-quayside-scale")
	const usual = "ST,GS,+0012.345kg"
	i.Say(usual)
	if err := i.Plug(); err != nil {
		return device{}, fmt.Errorf("a pseudo-terminal for the scale: %w", err)
	}
	go i.Run()
	says := func(line, name string, reasons ...string) fault {
		return fault{name: name, reason: reasons, do: func() { i.Say(line) }, mend: func() { i.Say(usual) }}
	}
	return device{
		name:   "serial scale",
		points: []want{{"scale", 12345, 0.5, "g"}},
		faults: []fault{
			says("US,GS,+0012.345kg", "in motion", "in-motion").suspect(),
			says("OL,GS,+------kg", "overload", "overload"),
			says("ST,NT,+0002.345kg", "tare pressed", "net-weight").suspect(),
			says("ST,GS,+0012.345pcs", "another unit", "wrong-unit"),
			says("", "silent", "disconnected", "hung"),
			{name: "noise on the line", reason: []string{"garbage", "disconnected"}, do: i.Noise, mend: func() { i.Say(usual) }},
			{name: "unplugged, other number", reason: []string{"disconnected"}, do: i.Unplug, mend: func() { _ = i.Plug() }}, // not good again: the table tells
		},
	}, nil
}
