// Package loadcell weighs by a load cell whose amplifier the kernel itself reads: an HX711 as a device of
// its industrial I/O subsystem.
//
// Why the kernel: the HX711 takes a clock that stands high for more than 60 microseconds as the wish to be
// switched off, and a program that the machine interrupts cannot keep that (data sheet "HX711 24-Bit Analog-to-Digital
// Converter (ADC) for Weigh Scales", timing T3, from memory; testdata/hx711.csv). The kernel's driver
// (drivers/iio/adc/hx711.c) clocks it with interrupts off. It gives the 24 bits with the highest one turned, so that
// the middle of the range, no signal, is 8388608; here counts are turned back, and are signed.
//
// A device is known by its label or its name (`label` and `name` below /sys/bus/iio/devices), never by its number, which is the order
// in which the kernel found it.
//
// # Settings
//
//	loadcell: {device: hx711, channel: 0, zero: 84213, known: 20 kg, shows: 515300}
//
// zero is what the empty platform shows, and shows what a known weight on it does; counts_per_kg may stand in their
// place. Both are counts as they are here, signed: the kernel's file less 8388608.
package loadcell

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// Driver is the driver for load cells that the kernel reads.
func Driver() sensors.Driver {
	return sensors.Driver{
		Name:   "loadcell",
		Doc:    "load cells with an HX711 that the kernel reads (/sys/bus/iio)",
		Device: "device",
		Spell:  func(name string) string { return cmp.Or(name, usual) },
		New:    newSource,
	}
}

const (
	devices = "sys/bus/iio/devices"
	usual   = "hx711"                 // the kernel's name
	longest = 1500 * time.Millisecond // for one file: the kernel's driver gives up after a tenth of a second, a reset included in half of one
	middle  = 1 << 23
)

type channel struct {
	sensors.Point
	span sensors.Span
	file string
}

func newSource(env sensors.Env, c sensors.Config) (sensors.Source, error) {
	var faults []error
	var points []channel
	var names []string
	taken := map[string]string{}
	for _, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		if name := d.Text("device", usual); name == "" || strings.Trim(strings.TrimPrefix(name, "iio:device"), "0123456789") == "" {
			d.Fail(d.Node("device"), fmt.Sprintf("device: %q is a number, and devices are numbered in the order in which the kernel finds them", name), "write its label or name, such as hx711")
		}
		ch := channel{Point: p, file: fmt.Sprintf("in_voltage%d_raw", d.Whole("channel", 0, 0, 1)), span: sensors.ReadSpan(d)}
		if p.Quantity != sensors.Mass {
			d.Fail(p.Settings, fmt.Sprintf("a load cell measures mass, not %s", p.Quantity), "write measures: mass")
		}
		if other := taken[ch.file]; other != "" {
			d.Fail(p.Settings, fmt.Sprintf("this channel is the point %s already", other), "channel: 0 is input A, channel: 1 input B")
		}
		d.Done()
		taken[ch.file] = p.Name
		points, names = append(points, ch), append(names, p.Name)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	name := cmp.Or(c.Name, usual)
	last := ""
	tell := func(err error) {
		sentence := "Answers."
		if err != nil {
			sentence = fmt.Sprintf("Does not answer: %v. Look at the amplifier's plug and supply, and at the machine's boot configuration.", err)
		}
		if env.Status != nil && sentence != last && !errors.Is(err, context.Canceled) {
			last = sentence
			env.Status("load cell "+name, err == nil, sentence)
		}
	}
	open := func(ctx context.Context) (sensors.Probe, error) {
		dir, err := find(ctx, env.Root, name)
		if err != nil {
			tell(err)
			return nil, err
		}
		return &cells{env.Root, dir, points, tell, kernelName(ctx, env.Root, dir) == usual}, nil
	}
	return sensors.Poll(names, open, env.Pacer(c.Points)), nil
}

// read reads one of the kernel's files; it may take its time, and may never end.
func read(ctx context.Context, root fs.FS, name string) (string, error) {
	text, err := sensors.Within(ctx, longest, func() ([]byte, error) { return fs.ReadFile(root, name) }, nil)
	return strings.TrimSpace(string(text)), err
}

func kernelName(ctx context.Context, root fs.FS, dir string) string {
	name, _ := read(ctx, root, path.Join(dir, "name")) // find has read it already
	return name
}

// find gives the folder of the device with that label, or else with that name.
func find(ctx context.Context, root fs.FS, want string) (string, error) {
	if root == nil {
		return "", errors.New("this machine has no files of a kernel")
	}
	all, err := sensors.Within(ctx, longest, func() ([]string, error) { return fs.Glob(root, devices+"/iio:device*") }, nil)
	if err != nil {
		return "", err
	}
	for _, by := range []string{"label", "name"} {
		var found, seen []string
		for _, dir := range all {
			name, err := read(ctx, root, path.Join(dir, by))
			if err != nil {
				continue // it has no label, or has just gone
			}
			if seen = append(seen, name); name == want {
				found = append(found, dir)
			}
		}
		switch {
		case len(found) == 1:
			return found[0], nil
		case len(found) > 1:
			return "", fmt.Errorf("%d devices have the %s %s: give each a label in the boot configuration", len(found), by, want)
		case by == "name" && len(seen) > 0:
			return "", fmt.Errorf("the kernel has no device %s, but %s", want, strings.Join(seen, ", "))
		}
	}
	return "", fmt.Errorf("the kernel has no device %s: is its overlay in the boot configuration?", want)
}

// cells is an open amplifier with its load cells.
type cells struct {
	root   fs.FS
	dir    string
	points []channel
	tell   func(error)
	turned bool // the highest bit is
}

// Read weighs each channel.
func (c *cells) Read(ctx context.Context) ([]sensors.Reading, error) {
	var rs []sensors.Reading
	for _, p := range c.points {
		counts, reason, err := sensors.MedianCounts(func() (int32, error) { return c.convert(ctx, p.file) })
		switch {
		case err != nil:
			c.tell(err)
			return nil, err
		case reason != "":
			rs = append(rs, sensors.Reading{Point: p.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}})
		default:
			rs = append(rs, p.span.Mass(p.Name, counts))
		}
	}
	c.tell(nil)
	return rs, nil
}

// convert reads one conversion.
func (c *cells) convert(ctx context.Context, file string) (int32, error) {
	text, err := read(ctx, c.root, path.Join(c.dir, file))
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseInt(text, 10, 32)
	if c.turned {
		n -= middle
	}
	if err != nil || n < -middle || n >= middle {
		return 0, sensors.Because(sensors.ReasonGarbage, fmt.Errorf("%s holds %q, which is no conversion of 24 bits", file, text))
	}
	return int32(n), nil
}

// Close has nothing to close: each conversion opens its file.
func (c *cells) Close() error { return nil }
