package loadcell

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"os"
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

func cell(name string, pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: name, Quantity: sensors.Mass, Every: time.Second, Settings: n}
}

// kernel is a file tree as the kernel shows it. Each conversion of a channel is the next of its list, the last one for ever.
type kernel struct {
	mu    sync.Mutex
	files fstest.MapFS
	raw   map[string][]string
	err   error
	hang  time.Duration
}

func (k *kernel) Open(name string) (fs.File, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if strings.HasSuffix(name, "_raw") {
		if k.hang > 0 {
			hang := k.hang
			k.mu.Unlock()
			time.Sleep(hang)
			k.mu.Lock()
		}
		if k.err != nil {
			return nil, k.err
		}
		if rest := k.raw[name]; len(rest) > 0 {
			k.files[name] = &fstest.MapFile{Data: []byte(rest[0] + "\n")}
			if len(rest) > 1 {
				k.raw[name] = rest[1:]
			}
		}
	}
	return k.files.Open(name)
}

const at = devices + "/iio:device3/"

func newKernel(raw ...string) *kernel {
	return &kernel{
		files: fstest.MapFS{
			devices + "/iio:device0/name": {Data: []byte("ads1015\n")},
			at + "name":                   {Data: []byte("hx711\n")},
			at + "in_voltage0_raw":        {}, at + "in_voltage1_raw": {},
		},
		raw: map[string][]string{at + "in_voltage0_raw": raw, at + "in_voltage1_raw": raw},
	}
}

var settings = []string{"zero", "84000", "counts_per_kg", "20000"}

func TestConformance(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: Driver(),
		Config: sensors.Config{Points: []sensors.Point{cell("scale", settings...), cell("second", append([]string{"channel", "1"}, settings...)...)}},
		World: func(scene sensortest.Scene) (sensors.Env, func()) {
			k := newKernel("9097608") // 84000 + 31.25 * 20000 above the middle
			switch scene {
			case sensortest.Absent:
				delete(k.files, at+"name")
			case sensortest.Garbled:
				k.raw[at+"in_voltage0_raw"], k.raw[at+"in_voltage1_raw"] = []string{"90?"}, []string{"90?"}
			case sensortest.Stuck:
				k.hang = 30 * time.Second
			}
			return sensors.Env{Root: k}, nil
		},
		Want:    []sensors.Reading{{Point: "scale", Value: 31.25}, {Point: "second", Value: 31.25}},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

// The ends of the range are those of the data sheet, and the kernel turns the highest bit.
func TestRails(t *testing.T) {
	t.Parallel()
	f, err := os.Open("testdata/hx711.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows {
		want := map[string]string{"code_max": sensors.ReasonOverload, "code_min": sensors.ReasonUnderload}[row[0]]
		if want == "" {
			continue
		}
		seen++
		code, err := strconv.ParseUint(row[1], 16, 24)
		if err != nil {
			t.Fatal(err)
		}
		k := newKernel(fmt.Sprint(code ^ 0x800000))
		c := &cells{root: k, dir: strings.TrimSuffix(at, "/"), points: []channel{{Point: cell("scale"), span: sensors.Span{PerKg: 1}, file: "in_voltage0_raw"}}, turned: true, tell: func(error) {}}
		rs, err := c.Read(t.Context())
		if err != nil || len(rs) != 1 || rs[0].Health != (sensors.Health{Grade: sensors.Failed, Reason: want}) {
			t.Errorf("%s: %+v %v, want %s", row[0], rs, err, want)
		}
	}
	if seen != 2 {
		t.Errorf("%d ends of the range in the table, want 2", seen)
	}
}

// A single wild conversion is no weight; a pulled plug and a kernel that hangs are named, and heal.
func TestEvening(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		k := newKernel("9097608", "16777215", "9097609", "12582911", "9097607", "9097608")
		var mu sync.Mutex
		var sentences []string
		source, err := Driver().New(sensors.Env{Root: k, Status: func(_ string, ok bool, s string) {
			mu.Lock()
			defer mu.Unlock()
			sentences = append(sentences, fmt.Sprint(ok, " ", s))
		}}, sensors.Config{Points: []sensors.Point{cell("scale", settings...)}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var last sensors.Reading
		wild := false
		var done sync.WaitGroup
		done.Go(func() {
			_ = source.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				last = d.Readings[0]
				wild = wild || last.Health.Grade == sensors.Good && (last.Value < 31.2 || last.Value > 31.3)
			})
		})
		step := func(what, reason, sentence string, change func()) {
			t.Helper()
			k.mu.Lock()
			change()
			k.mu.Unlock()
			time.Sleep(40 * time.Second)
			mu.Lock()
			defer mu.Unlock()
			if last.Health.Reason != reason || wild || !strings.Contains(sentences[len(sentences)-1], sentence) {
				t.Errorf("%s: %+v, wild %t, %q; want %q, %q", what, last, wild, sentences, reason, sentence)
			}
		}
		step("it weighs", "", "true Answers.", func() {})
		step("the kernel says EIO", sensors.ReasonDisconnected, "false Does not answer: input/output error", func() { k.err = errors.New("input/output error") })
		step("plugged in", "", "true Answers.", func() { k.err = nil })
		step("it hangs", sensors.ReasonHung, "false Does not answer: no answer within 1.5s", func() { k.hang = 20 * time.Second })
		step("it is back", "", "true Answers.", func() { k.hang = 0 })
		step("a broken wire", sensors.ReasonOverload, "true", func() { k.raw[at+"in_voltage0_raw"] = []string{"16777215"} })
		cancel()
		done.Wait()
		time.Sleep(time.Minute)
	})
}

func TestFind(t *testing.T) {
	t.Parallel()
	two := newKernel()
	two.files[devices+"/iio:device1/name"] = &fstest.MapFile{Data: []byte("hx711\n")}
	labelled := newKernel()
	labelled.files[devices+"/iio:device1/name"] = &fstest.MapFile{Data: []byte("hx711\n")}
	labelled.files[devices+"/iio:device1/label"] = &fstest.MapFile{Data: []byte("cylinder\n")}
	for _, c := range []struct {
		root       fs.FS
		want, said string
	}{
		{newKernel(), "hx711", "iio:device3"},
		{two, "hx711", "2 devices have the name hx711: give each a label"},
		{labelled, "cylinder", "iio:device1"},
		{newKernel(), "cylinder", "the kernel has no device cylinder, but ads1015, hx711"},
		{fstest.MapFS{}, "hx711", "is its overlay in the boot configuration?"},
		{nil, "hx711", "no files of a kernel"},
	} {
		dir, err := find(t.Context(), c.root, c.want)
		if got := dir + fmt.Sprint(err); !strings.Contains(got, c.said) {
			t.Errorf("%s: %s, want %s", c.want, got, c.said)
		}
	}
}

func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	wrong := cell("scale", settings...)
	wrong.Quantity = sensors.Temperature
	for want, ps := range map[string][]sensors.Point{
		`device: "iio:device0" is a number`:      {cell("scale", append([]string{"device", "iio:device0"}, settings...)...)},
		`device: "3" is a number`:                {cell("scale", append([]string{"device", "3"}, settings...)...)},
		"this channel is the point scale":        {cell("scale", settings...), cell("second", settings...)},
		"measures mass, not temperature":         {wrong},
		"nothing says how many counts":           {cell("scale")},
		`channel: "2" is not a number that fits`: {cell("scale", append([]string{"channel", "2"}, settings...)...)},
		`unknown key "gain"`:                     {cell("scale", append([]string{"gain", "2"}, settings...)...)},
	} {
		_, err := newSource(sensors.Env{}, sensors.Config{Points: ps})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
