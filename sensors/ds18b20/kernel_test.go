package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

// w1 is a 1-Wire bus as the kernel shows it: each file holds what the next read gives, after a conversion.
type w1 struct {
	mu       sync.Mutex
	files    map[string]string
	errs     map[string]error
	parasite bool          // one conversion after the other
	bus      chan struct{} // who converts
	hangs    map[string]time.Duration
	reads    map[string]int
	bulk     bool // converted for all
	refuse   error
}

const master = devices + "/w1_bus_master1"

func newW1(temperatures map[string]string) *w1 {
	w := &w1{files: map[string]string{master + "/w1_master_name": "w1_bus_master1\n"}, errs: map[string]error{}, hangs: map[string]time.Duration{}, reads: map[string]int{}, bus: make(chan struct{}, 1)}
	for id, text := range temperatures {
		w.files[devices+"/"+id+"/temperature"] = text
	}
	return w
}

// Open serves the tree; a temperature is converted first.
func (w *w1) Open(name string) (fs.File, error) {
	w.mu.Lock()
	tree := fstest.MapFS{}
	for n, text := range w.files {
		tree[n] = &fstest.MapFile{Data: []byte(text)}
	}
	text, temperature := w.files[name]
	temperature = temperature && strings.HasSuffix(name, "/temperature")
	hang, bulk, parasite := w.hangs[name], w.bulk, w.parasite
	if temperature {
		w.reads[name]++
		if first, rest, more := strings.Cut(text, "|"); more { // what the first read gives, and the ones after it
			tree[name].Data = []byte(first)
			w.files[name] = rest
		}
	}
	err := w.errs[name]
	w.mu.Unlock()
	switch {
	case !temperature:
	case hang > 0:
		time.Sleep(hang)
	case bulk:
	case parasite:
		w.bus <- struct{}{}
		time.Sleep(conversion)
		<-w.bus
	default:
		time.Sleep(conversion)
	}
	if err != nil {
		return nil, err
	}
	return tree.Open(name)
}

// write is therm_bulk_read: it returns when all have converted.
func (w *w1) write(name string, data []byte) error {
	if name != master+"/therm_bulk_read" || string(data) != "trigger\n" {
		return fmt.Errorf("wrote %q to %s", data, name)
	}
	if w.refuse != nil {
		return w.refuse
	}
	time.Sleep(conversion)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.bulk = true
	return nil
}

const second = "28-0316a2794bff"

func TestConformanceKernel(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: Driver(),
		Config: sensors.Config{Points: []sensors.Point{thermometer("supply", "id", probe), thermometer("return", "id", second)}},
		World: func(scene sensortest.Scene) (sensors.Env, func()) {
			w := newW1(map[string]string{probe: "16250\n", second: "-10125\n"})
			switch scene {
			case sensortest.Absent:
				w = newW1(nil)
			case sensortest.Garbled: // the check sum does not fit
				w = newW1(map[string]string{probe: "", second: ""})
			case sensortest.Stuck:
				w.hangs[devices+"/"+probe+"/temperature"] = 30 * time.Second
				w.hangs[devices+"/"+second+"/temperature"] = 30 * time.Second
			}
			return sensors.Env{Root: w}, nil
		},
		Want:    []sensors.Reading{{Point: "supply", Value: 16.25}, {Point: "return", Value: -10.125}},
		Garbled: reasonNoAnswer,
		Absent:  sensors.ReasonDisconnected,
	})
}

// What the file says, against the data sheet's table 1 as the kernel rounds it, and what is no measurement.
func TestKernelFile(t *testing.T) {
	t.Parallel()
	type saying struct{ text, want string }
	sayings := []saying{
		{"85000\n", "suspect power-on-value"}, {"127937\n", "failed brown-out"}, {"", "failed no-answer"}, {"\n", "failed no-answer"},
		{"|21500\n", "good 21.5"}, // empty once
		{"126000\n", "failed off-scale"}, {"-55062\n", "failed off-scale"}, {"2l500\n", "failed garbage"}, {"99999999999999999999\n", "failed garbage"},
	}
	for _, row := range table(t, "ds18b20_temperature.csv") {
		raw, err := strconv.ParseInt(row[1], 16, 32)
		if err != nil {
			t.Fatal(err)
		}
		if row[0] != "85" {
			sayings = append(sayings, saying{fmt.Sprintf("%d\n", int(int16(raw))*1000/16), "good " + row[0]})
		}
	}
	for _, c := range sayings {
		synctest.Test(t, func(t *testing.T) {
			k := openKernel(sensors.Env{Root: newW1(map[string]string{probe: c.text})}, []point{{thermometer("p"), 0, probe}})
			rs, err := k.Read(t.Context())
			if err != nil || len(rs) != 1 {
				t.Fatal(rs, err)
			}
			got, value, isNumber := rs[0].Health.Grade.String()+" "+rs[0].Health.Reason, 0.0, false
			if number, ok := strings.CutPrefix(c.want, "good "); ok {
				value, _ = strconv.ParseFloat(number, 64)
				isNumber = true
			}
			if isNumber {
				if d := rs[0].Value - value; rs[0].Health.Grade != sensors.Good || d > 0.0011 || d < -0.0011 {
					t.Errorf("%q: %+v, want %g", c.text, rs[0], value)
				}
			} else if got != c.want {
				t.Errorf("%q: %s, want %s", c.text, got, c.want)
			}
		})
	}
}

// Where the temperature is one that a lie would show too, all nine bytes decide.
func TestKernelScratchpad(t *testing.T) {
	t.Parallel()
	show := func(p [9]byte) string {
		return fmt.Sprintf("% x : crc=%02x YES\n% x t=0\n", p, p[8], p)
	}
	for _, c := range []struct{ text, full, want string }{
		{"0\n", show([9]byte{}), "failed disconnected 0"}, // a bus held low
		{"0\n", show(pad(0, 0, 0x7F, 0x10)), "good  0"},   // the ice point
		{"0\n", "", "good  0"},
		{"85000\n", show(pad(0x50, 0x05, 0x7F, 0x0C)), "failed power-on-value 0"},
		{"85000\n", show(pad(0x50, 0x05, 0x7F, 0x10)), "suspect power-on-value 85"},
		{"85000\n", show(pad(0x58, 0x01, 0x7F, 0x08)), "good  21.5"}, // it was that only once
	} {
		synctest.Test(t, func(t *testing.T) {
			w := newW1(map[string]string{probe: c.text})
			w.files[devices+"/"+probe+"/w1_slave"] = c.full
			rs, err := openKernel(sensors.Env{Root: w}, []point{{thermometer("p"), 0, probe}}).Read(t.Context())
			if got := fmt.Sprintf("%s %s %g", rs[0].Health.Grade, rs[0].Health.Reason, rs[0].Value); err != nil || got != c.want {
				t.Errorf("%q %q: %s %v, want %s", c.text, c.full, got, err, c.want)
			}
		})
	}
}

// 85 C is a temperature where the pipe was near it before.
func TestKernelHotPipe(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		w := newW1(map[string]string{probe: "84500\n"})
		k := openKernel(sensors.Env{Root: w}, []point{{thermometer("p"), 0, probe}})
		for _, text := range []string{"84500\n", "85000\n"} {
			w.files[devices+"/"+probe+"/temperature"] = text
			if rs, err := k.Read(t.Context()); err != nil || rs[0].Health.Grade != sensors.Good {
				t.Errorf("%s: %+v %v", text, rs, err)
			}
		}
	})
}

// Ten probes are read in the time of one conversion: side by side where they have a supply of their own, all at once where
// they live on the data line and the box may ask for it.
func TestKernelTenProbes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		why           string
		parasite, may bool
		refuse        error
		least, most   time.Duration
	}{
		{"with a supply", false, false, nil, conversion, conversion},
		{"from the data line, asked at once", true, true, nil, conversion, conversion},
		{"from the data line, without the right", true, true, fs.ErrPermission, 10 * conversion, 10 * conversion},
	} {
		synctest.Test(t, func(t *testing.T) {
			w := newW1(nil)
			w.parasite, w.refuse = c.parasite, c.refuse
			if c.may {
				w.files[master+"/therm_bulk_read"] = "0\n"
			}
			var points []point
			for i := range 10 {
				id := fmt.Sprintf("28-%012x", i+1)
				w.files[devices+"/"+id+"/temperature"] = "21500\n"
				points = append(points, point{thermometer(id), 0, id})
			}
			begun := time.Now()
			k := openKernel(sensors.Env{Root: w, Write: w.write}, points)
			rs, err := k.Read(t.Context())
			took := time.Since(begun)
			if err != nil || len(rs) != 10 || slices.ContainsFunc(rs, func(r sensors.Reading) bool { return r.Value != 21.5 }) {
				t.Errorf("%s: %+v %v", c.why, rs, err)
			}
			if took < c.least || took > c.most {
				t.Errorf("%s: %s, want %s to %s", c.why, took, c.least, c.most)
			}
		})
	}
}

// A night: one probe is pulled and put back, one hangs in the kernel; the other goes on, and each has its sentence.
func TestKernelNight(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		w := newW1(map[string]string{probe: "16250\n", second: "21500\n"})
		file := devices + "/" + second + "/temperature"
		said := map[string]string{}
		var mu sync.Mutex
		source, err := Driver().New(sensors.Env{Root: w, Status: func(device string, ok bool, s string) {
			mu.Lock()
			defer mu.Unlock()
			said[device] = fmt.Sprint(ok, " ", s)
		}}, sensors.Config{Points: []sensors.Point{thermometer("supply", "id", probe), thermometer("return", "id", second)}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		last := map[string]sensors.Reading{}
		count := 0
		var done sync.WaitGroup
		done.Go(func() {
			_ = source.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				for _, r := range d.Readings {
					last[r.Point] = r
					if r.Point == "supply" && r.Health.Grade == sensors.Good {
						count++
					}
				}
			})
		})
		step := func(what, reason, sentence string, change func()) {
			t.Helper()
			w.mu.Lock()
			change()
			w.mu.Unlock()
			mu.Lock()
			count = 0
			mu.Unlock()
			time.Sleep(40 * time.Second)
			mu.Lock()
			defer mu.Unlock()
			if r := last["return"]; r.Health.Reason != reason || !strings.Contains(said["1-Wire "+second+" (return)"], sentence) {
				t.Errorf("%s: %+v, %q", what, r, said)
			}
			if count < 3 || !strings.Contains(said["1-Wire "+probe+" (supply)"], "true Answers.") {
				t.Errorf("%s: the other gave %d readings, %q", what, count, said)
			}
		}
		step("all is well", "", "true Answers.", func() {})
		step("pulled", sensors.ReasonDisconnected, "false Does not answer.", func() { delete(w.files, file) })
		step("put back", "", "true Answers.", func() { w.files[file] = "21500\n" })
		step("noise", reasonNoAnswer, "false Gives no whole answer.", func() { w.files[file] = "" })
		step("the kernel hangs", sensors.ReasonHung, "false Gives no temperature (hung).", func() { w.files[file] = "21500\n"; w.hangs[file] = time.Hour })
		step("for long", sensors.ReasonHung, "false Gives no temperature (hung).", func() {})
		w.mu.Lock()
		asked := w.reads[file]
		w.mu.Unlock()
		step("and is asked once", sensors.ReasonHung, "false", func() {})
		w.mu.Lock()
		if w.reads[file] != asked {
			t.Errorf("a file that hangs was opened %d times more", w.reads[file]-asked)
		}
		w.mu.Unlock()
		cancel()
		done.Wait()
		time.Sleep(2 * time.Hour)
	})
}

// Who measures: the kernel where it can, and what the site file says.
func TestWhoMeasures(t *testing.T) {
	t.Parallel()
	bare := &w1{files: map[string]string{devices + "/w1_bus_master1/x": "", devices + "/" + probe + "/rw": ""}}
	for _, c := range []struct {
		root fs.FS
		want bool
	}{{newW1(map[string]string{probe: "21500\n"}), true}, {newW1(nil), true}, {bare, false}, {fstest.MapFS{}, false}, {nil, false}} {
		if got := kernelHas(t.Context(), c.root); got != c.want {
			t.Errorf("%v: %t", c.root, got)
		}
	}
	_, err := newSource(sensors.Env{}, sensors.Config{Points: []sensors.Point{thermometer("a", "id", probe, "by", "kernel"), thermometer("b", "id", second, "by", "netlink")}})
	var f sensors.Fault
	if !errors.As(err, &f) || !strings.Contains(f.Problem, "another probe of this bus is read by kernel") {
		t.Error(err)
	}
}
