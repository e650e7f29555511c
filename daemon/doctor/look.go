// Package doctor looks at a machine: which buses and instruments it has, what they show,
// and what the site file expects of them. It also writes a site file to start from.
//
// It only looks: a chip is asked who it is without changing how it measures, and live values
// come from the very drivers that the box runs.
package doctor

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// Machine is what is looked at.
type Machine struct {
	Env   sensors.Env
	Lines func() []string // the GPIO lines that have a name
	I2C   []sensors.Chip
	SPI   []sensors.Chip
}

// Bus is a bus, a port or a kind of port of the machine.
type Bus struct {
	Kind    string // the key under a point: "i2c", "spi", "onewire", "loadcell", "serial", "contact"
	Name    string // as a point names it: "1", "SPI0.0"
	Label   string // what the machine calls it
	Trouble string // why it could not be looked at
	Found   []Found
}

// Found is one instrument on a bus, or one line.
type Found struct {
	Where string // its address, its ROM code, its path
	Chip  string // its kind, where that can be told
	Shows string // what it said of itself
	Start []Start
}

// Start is a point that a site file could have for it.
type Start struct {
	Name  string
	Line  string // as in the site file
	Lacks string // what a person must add; then Line is not ready to be used
}

// answer is the longest a chip may take to say who it is.
const answer = 2 * time.Second

// Look lists what the machine has. A bus that cannot be opened says why.
func Look(ctx context.Context, m Machine) []Bus {
	var buses []Bus
	for _, b := range []func(context.Context, Machine) []Bus{lookI2C, lookSPI, look1Wire, lookIIO, lookSerial, lookLines} {
		buses = append(buses, b(ctx, m)...)
	}
	return buses
}

// glob lists kernel files, in the order of the numbers in their names.
func glob(m Machine, pattern string) []string {
	if m.Env.Root == nil {
		return nil
	}
	files, _ := fs.Glob(m.Env.Root, pattern) // the pattern is well formed
	slices.SortFunc(files, func(a, b string) int { return cmp.Or(len(a)-len(b), strings.Compare(a, b)) })
	return files
}

func text(m Machine, file string) string {
	b, err := fs.ReadFile(m.Env.Root, file)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// find asks a chip who it is.
func find(ctx context.Context, chip sensors.Chip, c conn.Conn) (shows string, err error) {
	if chip.Find == nil {
		return "", errors.New("nothing tells it from another chip")
	}
	ctx, cancel := context.WithTimeout(ctx, answer)
	defer cancel()
	return sensors.Within(ctx, answer, func() (string, error) { return chip.Find(ctx, c) }, nil)
}

func lookI2C(ctx context.Context, m Machine) (buses []Bus) {
	for _, f := range glob(m, "sys/bus/i2c/devices/i2c-*/name") {
		b := Bus{Kind: "i2c", Name: strings.TrimPrefix(path.Base(path.Dir(f)), "i2c-"), Label: text(m, f)}
		bus, err := sensors.Within(ctx, answer, func() (i2c.BusCloser, error) { return m.Env.I2C(b.Name) }, func(b i2c.BusCloser) { _ = b.Close() })
		if err != nil {
			b.Trouble = err.Error()
			buses = append(buses, b)
			continue
		}
		for _, a := range addresses(m.I2C) {
			for _, chip := range m.I2C {
				if !slices.Contains(chip.Addresses, a) {
					continue
				}
				shows, err := find(ctx, chip, &i2c.Dev{Bus: bus, Addr: a})
				if err != nil {
					continue
				}
				where := fmt.Sprintf("%#02x", a)
				b.Found = append(b.Found, Found{Where: where, Chip: chip.Name, Shows: shows,
					Start: starts(chip, fmt.Sprintf("%s-%s-%02x", chip.Name, b.Name, a), fmt.Sprintf("i2c: {bus: %q, address: %s, chip: %s", b.Name, where, chip.Name))})
				break
			}
		}
		_ = bus.Close() // nothing was written that must be kept
		buses = append(buses, b)
	}
	return buses
}

// addresses lists every address that a known chip can have, and no other: to speak to
// an unknown chip might set it.
func addresses(chips []sensors.Chip) (all []uint16) {
	for _, c := range chips {
		all = append(all, c.Addresses...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func lookSPI(ctx context.Context, m Machine) (buses []Bus) {
	for _, f := range glob(m, "dev/spidev*") {
		b := Bus{Kind: "spi", Name: "SPI" + strings.TrimPrefix(path.Base(f), "spidev"), Label: "/" + f}
		for _, chip := range m.SPI {
			shows, err := findSPI(ctx, m, b.Name, chip)
			if errors.As(err, new(notOpened)) {
				b.Trouble = err.Error()
				break
			}
			if err != nil {
				continue
			}
			b.Found = append(b.Found, Found{Where: b.Name, Chip: chip.Name, Shows: shows,
				Start: starts(chip, chip.Name+"-"+strings.ReplaceAll(strings.TrimPrefix(b.Name, "SPI"), ".", "-"), fmt.Sprintf("spi: {port: %s, chip: %s", b.Name, chip.Name))})
			break
		}
		buses = append(buses, b)
	}
	return buses
}

type notOpened struct{ error }

// findSPI opens a chip select as a chip wants it: once opened it keeps its mode.
func findSPI(ctx context.Context, m Machine, name string, chip sensors.Chip) (string, error) {
	port, err := sensors.Within(ctx, answer, func() (spi.PortCloser, error) { return m.Env.SPI(name) }, func(p spi.PortCloser) { _ = p.Close() })
	if err != nil {
		return "", notOpened{err}
	}
	defer func() { _ = port.Close() }()
	c, err := port.Connect(chip.Speed, chip.Mode, 8)
	if err != nil {
		return "", err
	}
	return find(ctx, chip, c)
}

// starts are the points of a chip; where is the part of their line that says where it is, not closed yet.
func starts(chip sensors.Chip, name, where string) (list []Start) {
	for _, s := range chip.Start {
		line := where
		if s.Settings != "" {
			line += ", " + s.Settings
		}
		list = append(list, start(strings.TrimSuffix(name+"-"+s.Name, "-"), s.Measures, line+"}", s.Lacks))
	}
	return list
}

func start(name string, q sensors.Quantity, source, lacks string) Start {
	return Start{Name: name, Lacks: lacks, Line: fmt.Sprintf("- {name: %s, measures: %s, every: 10s, %s}", name, q, source)}
}

func look1Wire(_ context.Context, m Machine) []Bus {
	b := Bus{Kind: "onewire", Label: "1-Wire, by the kernel"}
	for _, f := range glob(m, "sys/bus/w1/devices/28-*") {
		id := path.Base(f)
		b.Found = append(b.Found, Found{Where: id, Chip: "ds18b20",
			Start: []Start{start("probe-"+strings.TrimPrefix(id, "28-"), sensors.Temperature, "onewire: {id: "+id+"}", "")}})
	}
	if len(b.Found) == 0 && len(glob(m, "sys/bus/w1/devices/w1_bus_master*")) == 0 {
		return nil
	}
	return []Bus{b}
}

func lookIIO(_ context.Context, m Machine) []Bus {
	b := Bus{Kind: "loadcell", Label: "measured by the kernel (IIO)"}
	for _, f := range glob(m, "sys/bus/iio/devices/iio:device*/name") {
		name := text(m, f)
		found := Found{Where: "/" + path.Dir(f), Chip: name}
		if name == "hx711" {
			found.Start = []Start{start("loadcell-"+strings.TrimPrefix(path.Base(path.Dir(f)), "iio:device"), sensors.Mass, "loadcell: {device: "+name+"}",
				"zero and span, by an empty platform and a known weight")}
		}
		b.Found = append(b.Found, found)
	}
	if len(b.Found) == 0 {
		return nil
	}
	return []Bus{b}
}

func lookSerial(_ context.Context, m Machine) []Bus {
	b := Bus{Kind: "serial", Label: "serial ports that keep their names"}
	for _, f := range glob(m, "dev/serial/by-id/*") {
		b.Found = append(b.Found, Found{Where: "/" + f, Start: []Start{start("scale-"+strconv.Itoa(len(b.Found)+1), sensors.Mass, "serial: {port: /"+f+"}",
			"the frame that the indicator sends, and its baud rate")}})
	}
	if len(b.Found) == 0 {
		return nil
	}
	return []Bus{b}
}

func lookLines(_ context.Context, m Machine) []Bus {
	if m.Lines == nil {
		return nil
	}
	b := Bus{Kind: "contact", Label: "GPIO lines that have a name"}
	for _, l := range m.Lines() {
		b.Found = append(b.Found, Found{Where: l})
	}
	if len(b.Found) == 0 {
		return nil
	}
	return []Bus{b}
}
