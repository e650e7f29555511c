package ds18b20

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"standwatch/sensors"
)

const (
	devices = "sys/bus/w1/devices"
	look    = 2 * time.Second // into a folder of the kernel
	// margin is what a probe's file may take beside conversions: three tries at a scratchpad, and the bus
	// being searched meanwhile.
	margin = 2 * time.Second

	powerOnMilli  = 85000
	brownOutMilli = 127937 // 2047 sixteenths, as w1_therm rounds them
)

// kernelHas reports whether the kernel itself measures: it has a bus, and where it knows probes its w1_therm reads them.
func kernelHas(ctx context.Context, root fs.FS) bool {
	if root == nil {
		return false
	}
	has, err := sensors.Within(ctx, look, func() (bool, error) {
		buses, _ := fs.Glob(root, devices+"/w1_bus_master*") // the patterns are well formed
		probes, _ := fs.Glob(root, devices+"/28-*")
		files, _ := fs.Glob(root, devices+"/28-*/temperature")
		return len(buses) > 0 && (len(probes) == 0 || len(files) > 0), nil
	}, nil)
	return err == nil && has
}

// kernel reads probes by the kernel's files.
type kernel struct {
	env    sensors.Env
	points []point
	last   map[string]float64 // the last good value of each point
	turns  []chan struct{}    // one for each point, with room for one: a file that hangs is asked once
	bulk   bool               // convert all at once first
}

func openKernel(env sensors.Env, points []point) *kernel {
	k := &kernel{env: env, points: points, last: map[string]float64{}, bulk: env.Write != nil && len(points) > 1}
	for range points {
		k.turns = append(k.turns, make(chan struct{}, 1))
	}
	return k
}

// Read reads every probe. A read of one file makes the kernel convert and wait for 750 ms, so they are read side by side:
// with a supply of their own all convert at the same time. Probes that live on the data line cannot, and are
// converted all at once before, where the box may ask for that.
func (k *kernel) Read(ctx context.Context) ([]sensors.Reading, error) {
	if k.bulk {
		k.bulk = k.convert(ctx)
	}
	rs := make([]sensors.Reading, len(k.points))
	var wg sync.WaitGroup
	for i, p := range k.points {
		last, known := k.last[p.Name]
		wg.Go(func() { rs[i] = k.readOne(ctx, i, last, known) })
	}
	wg.Wait()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	for _, r := range rs {
		if r.Health.Grade == sensors.Good {
			k.last[r.Point] = r.Value
		}
	}
	return rs, nil
}

// convert makes every bus of the kernel's convert for all its probes, and reports whether it could. The write
// returns when that is done (w1_therm, therm_bulk_read).
func (k *kernel) convert(ctx context.Context) bool {
	_, err := sensors.Within(ctx, conversion+margin, func() (bool, error) {
		asks, _ := fs.Glob(k.env.Root, devices+"/w1_bus_master*/therm_bulk_read")
		if len(asks) == 0 {
			return false, fs.ErrNotExist
		}
		var errs []error
		for _, name := range asks {
			errs = append(errs, k.env.Write(name, []byte("trigger\n")))
		}
		return true, errors.Join(errs...)
	}, nil)
	return err == nil
}

func (k *kernel) readOne(ctx context.Context, i int, last float64, known bool) sensors.Reading {
	p := k.points[i]
	name := path.Join(devices, p.id, "temperature")
	wait := margin + 2*time.Duration(len(k.points))*conversion // one after the other, at worst
	type answer struct {
		text string
		full []byte
	}
	got, err := sensors.Within(ctx, wait, func() (answer, error) {
		var full []byte
		select {
		case k.turns[i] <- struct{}{}:
			defer func() { <-k.turns[i] }()
		default:
			return answer{}, sensors.Because(sensors.ReasonHung, errors.New("the kernel still reads"))
		}
		b, err := fs.ReadFile(k.env.Root, name)
		if err == nil && len(b) == 0 { // once more: a signal or noise may have cut it short
			b, err = fs.ReadFile(k.env.Root, name)
		}
		text := strings.TrimSpace(string(b))
		if lie := text == "0" || text == strconv.Itoa(powerOnMilli); err == nil && lie {
			full, _ = fs.ReadFile(k.env.Root, path.Join(devices, p.id, "w1_slave")) // without it the text stands
		}
		return answer{text, full}, err
	}, nil)
	text := got.text
	if pad, ok := scratchpad(got.full); ok && err == nil {
		if reason := whole(pad); reason != "" {
			return sensors.Reading{Point: p.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
		}
		return reading(p.Name, pad, last, known)
	}
	r := sensors.Reading{Point: p.Name, Health: sensors.Health{Grade: sensors.Failed}}
	milli, wrong := strconv.Atoi(text)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		r.Health.Reason = sensors.ReasonDisconnected
	case err != nil:
		r.Health.Reason = sensors.ReasonOf(err)
	case text == "": // w1_therm gives nothing for a check sum that does not fit and for no answer alike
		r.Health.Reason = reasonNoAnswer
	case wrong != nil:
		r.Health.Reason = sensors.ReasonGarbage
	case milli == brownOutMilli:
		r.Health.Reason = reasonBrownOut
	case milli < -55000 || milli > 125000:
		r.Health.Reason = sensors.ReasonOffScale
	default:
		c := float64(milli) / 1000
		r = sensors.Temperature.Reading(p.Name, c, "C")
		// Here w1_slave could not be read, and the byte that gives a power-on value away is not known.
		if milli == powerOnMilli && !(known && math.Abs(last-c) <= near) {
			r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonPowerOn}
		}
	}
	return r
}

// scratchpad reads the file w1_slave, which shows all nine bytes of a conversion. Where `temperature` says 0 C or
// 85 C they tell: a bus held low reads as zeros, whose check sum fits, and so does what a chip holds after power-on.
func scratchpad(file []byte) (pad [9]byte, ok bool) {
	bytes, _, _ := strings.Cut(string(file), " :")
	b, err := hex.DecodeString(strings.ReplaceAll(bytes, " ", ""))
	n := copy(pad[:], b)
	return pad, err == nil && n == len(pad)
}

// Close has nothing to close: each reading opens its file.
func (k *kernel) Close() error { return nil }

// told is a probe whose thermometers are told of, each by itself.
type told struct {
	sensors.Probe
	tell func([]sensors.Reading, error)
}

// Read reads, and tells how each is.
func (t told) Read(ctx context.Context) ([]sensors.Reading, error) {
	rs, err := t.Probe.Read(ctx)
	t.tell(rs, err)
	return rs, err
}

// teller tells people how each thermometer is, when that changes.
func teller(env sensors.Env, points []point) func([]sensors.Reading, error) {
	last := map[string]string{}
	say := func(p point, ok bool, sentence string) {
		if env.Status != nil && last[p.id] != sentence {
			last[p.id] = sentence
			env.Status(fmt.Sprintf("1-Wire %s (%s)", p.id, p.Name), ok, sentence)
		}
	}
	return func(rs []sensors.Reading, err error) {
		if errors.Is(err, context.Canceled) {
			return
		}
		for _, p := range points {
			at := -1
			for i, r := range rs {
				if r.Point == p.Name {
					at = i
				}
			}
			switch {
			case at >= 0 && rs[at].Health.Grade != sensors.Failed:
				say(p, true, "Answers.")
			case err != nil:
				say(p, false, fmt.Sprintf("Cannot be reached: %v. It is tried again.", err))
			case at >= 0:
				say(p, false, because(rs[at].Health.Reason))
			}
		}
	}
}

// because says what a reason means for who stands beside the probe.
func because(reason string) string {
	switch reason {
	case sensors.ReasonDisconnected:
		return "Does not answer. Look at its plug, and that its number is the one on the bus."
	case reasonNoAnswer, sensors.ReasonCRC:
		return "Gives no whole answer. Look at its cable: too long, too many branches, or its plug is loose."
	case reasonShort:
		return "Its bus is short-circuited. Unplug one probe after the other until the rest answers."
	case sensors.ReasonPowerOn, reasonBrownOut:
		return "Loses its supply while it measures. Look at its supply wire."
	}
	return fmt.Sprintf("Gives no temperature (%s). Unplug it and plug it in again.", reason)
}
