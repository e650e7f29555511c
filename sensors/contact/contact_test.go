package contact

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

func watched(pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: sensors.Node{
			File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1]}})
	}
	return sensors.Point{Name: "power", Quantity: sensors.Contact, Every: 10 * time.Second, Settings: n}
}

// pin is a line of a kernel, as periph shows it: a read that fails is low, and the next setting up fails.
type pin struct {
	gpiotest.Pin
	mu      sync.Mutex
	level   gpio.Level
	gone    bool
	noEdges bool
	hangs   bool
	asked   int // how often it was read
	edges   chan struct{}
}

func newPin(level gpio.Level) *pin { return &pin{level: level, edges: make(chan struct{}, 16)} }

func (p *pin) set(level gpio.Level) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.level == level {
		return
	}
	p.level = level
	select {
	case p.edges <- struct{}{}:
	default: // the kernel keeps 16
	}
}

func (p *pin) In(_ gpio.Pull, edge gpio.Edge) error {
	p.mu.Lock()
	hangs, gone := p.hangs, p.gone
	p.mu.Unlock()
	switch {
	case hangs:
		time.Sleep(30 * time.Second)
		return errors.New("given up")
	case gone:
		return errors.New("no such device")
	case p.noEdges && edge != gpio.NoEdge:
		return errors.New("edges are not supported")
	}
	return nil
}

func (p *pin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked++
	return p.level && !gpio.Level(p.gone)
}

func (p *pin) WaitForEdge(wait time.Duration) bool {
	p.mu.Lock()
	gone := p.gone
	p.mu.Unlock()
	if gone {
		return false // at once
	}
	select {
	case <-p.edges:
		return true
	case <-time.After(wait):
		return false
	}
}

func (p *pin) Halt() error { return nil }

func on1(p gpio.PinIO) sensors.Env {
	return sensors.Env{GPIO: func(line string) (gpio.PinIO, error) {
		if line != "GPIO17" {
			return nil, errors.New("no line " + line)
		}
		return p, nil
	}}
}

func TestConformance(t *testing.T) {
	t.Parallel()
	for _, edges := range []bool{true, false} {
		sensortest.Run(t, sensortest.Suite{
			Driver: Driver(),
			Config: sensors.Config{Name: "GPIO17", Points: []sensors.Point{watched("gpio", "GPIO17")}},
			World: func(scene sensortest.Scene) (sensors.Env, func()) {
				p := newPin(gpio.Low)
				p.noEdges, p.gone, p.hangs = !edges, scene == sensortest.Absent, scene == sensortest.Stuck
				if scene != sensortest.Garbled {
					return on1(p), nil
				}
				end := make(chan struct{})
				go func() { // alternating current at the line
					for {
						select {
						case <-end:
							return
						case <-time.After(5 * time.Millisecond):
							p.set(!p.level)
						}
					}
				}()
				return on1(p), func() { close(end) }
			},
			Want:    []sensors.Reading{{Point: "power", Value: 1}, {Point: "power", Value: 1}},
			Garbled: reasonChatter,
			Absent:  sensors.ReasonDisconnected,
		})
	}
}

// What is told of a level, by how the contact is wired.
func TestWiring(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		settings string
		level    gpio.Level
		want     float64
	}{
		{"", gpio.Low, 1}, {"", gpio.High, 0},
		{"pull up", gpio.Low, 1}, {"pull down", gpio.High, 1}, {"pull down", gpio.Low, 0},
		{"pull none closed low", gpio.Low, 1}, {"pull none closed high", gpio.High, 1}, {"pull up closed high", gpio.High, 1},
		{"normally closed", gpio.Low, 0}, {"normally closed", gpio.High, 1}, {"pull down normally closed", gpio.Low, 1},
	} {
		synctest.Test(t, func(t *testing.T) {
			var faults []error
			p := watched(append([]string{"gpio", "GPIO17"}, strings.Fields(c.settings)...)...)
			s := read(p, sensors.Decode(p.Settings, &faults))
			if faults != nil {
				t.Fatal(faults)
			}
			l, err := open(t.Context(), on1(newPin(c.level)), s, func() time.Duration { return time.Second })
			if err != nil {
				t.Fatal(err)
			}
			rs, err := l.Read(t.Context())
			if err != nil || len(rs) != 1 || rs[0].Value != c.want || rs[0].Health.Grade != sensors.Good {
				t.Errorf("%q at %s: %+v %v, want %g", c.settings, c.level, rs, err, c.want)
			}
		})
	}
}

// A night: it is told at once when it changes and each ten seconds, bouncing is no change, a flutter
// is told once and asks no more of the machine than rest does, and a line that is gone is not open.
func TestNight(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		p := newPin(gpio.High)
		env := on1(p)
		var mu sync.Mutex
		var sentences []string
		env.Status = func(_ string, ok bool, s string) {
			mu.Lock()
			defer mu.Unlock()
			sentences = append(sentences, fmt.Sprint(ok, " ", s))
		}
		source, err := Driver().New(env, sensors.Config{Name: "GPIO17", Points: []sensors.Point{watched("gpio", "GPIO17")}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		begun := time.Now()
		var told []string
		var done sync.WaitGroup
		done.Go(func() {
			_ = source.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				r := d.Readings[0]
				told = append(told, fmt.Sprintf("%.1f %g%s", time.Since(begun).Seconds(), r.Value, r.Health.Reason))
			})
		})
		expect := func(what string, want ...string) {
			t.Helper()
			mu.Lock()
			defer mu.Unlock()
			if strings.Join(told, ", ") != strings.Join(want, ", ") {
				t.Errorf("%s: %v, want %v", what, told, want)
			}
			told = nil
		}
		time.Sleep(time.Until(begun.Add(15 * time.Second)))
		expect("at rest", "0.1 0", "10.1 0")

		p.set(gpio.Low) // it closes, and bounces for 12 ms
		for range 6 {
			time.Sleep(2 * time.Millisecond)
			p.set(!p.level)
		}
		time.Sleep(500 * time.Millisecond)
		expect("closed", "15.1 1")

		p.set(gpio.High) // a knock: 10 ms
		time.Sleep(10 * time.Millisecond)
		p.set(gpio.Low)
		time.Sleep(4 * time.Second)
		expect("knocked")

		flutter, stop := context.WithCancel(ctx)
		done.Go(func() {
			for flutter.Err() == nil {
				time.Sleep(100 * time.Microsecond)
				p.set(!p.level)
			}
			p.set(gpio.Low)
		})
		p.mu.Lock()
		before := p.asked
		p.mu.Unlock()
		time.Sleep(8 * time.Second)
		p.mu.Lock()
		asked := p.asked - before
		p.mu.Unlock()
		if asked > 800 {
			t.Errorf("fluttering, the line is asked %d times in 8 s", asked)
		}
		mu.Lock()
		n := len(told)
		for _, s := range told {
			if !strings.HasSuffix(s, "0chatter") {
				t.Errorf("fluttering: %v", told)
			}
		}
		mu.Unlock()
		if n < 1 || n > 2 {
			t.Errorf("fluttering is told %d times in 8 s", n)
		}
		stop()
		time.Sleep(2 * time.Second)
		mu.Lock()
		if last := told[len(told)-1]; !strings.HasSuffix(last, " 1") {
			t.Errorf("after the flutter: %v", told)
		}
		told = nil
		mu.Unlock()

		p.mu.Lock()
		p.gone = true // the adapter is pulled: what cannot be read looks low, which would be closed
		p.mu.Unlock()
		time.Sleep(11 * time.Second)
		mu.Lock()
		for _, s := range told {
			if !strings.HasSuffix(s, sensors.ReasonDisconnected) {
				t.Errorf("gone: %v", told)
			}
		}
		if len(told) == 0 || !strings.Contains(sentences[len(sentences)-1], "false Cannot be read: no such device") {
			t.Errorf("gone: %v, %q", told, sentences)
		}
		told = nil
		mu.Unlock()
		p.mu.Lock()
		p.gone = false
		p.mu.Unlock()
		time.Sleep(35 * time.Second)
		mu.Lock()
		if len(told) == 0 || !strings.HasSuffix(told[len(told)-1], " 1") || !strings.Contains(sentences[len(sentences)-1], "true") {
			t.Errorf("back: %v, %q", told, sentences)
		}
		mu.Unlock()
		cancel()
		done.Wait()
		time.Sleep(time.Minute)
	})
}

func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	wrong := watched("gpio", "GPIO17")
	wrong.Quantity = sensors.Current
	second := watched("gpio", "GPIO17")
	second.Name = "second"
	for want, ps := range map[string][]sensors.Point{
		"gpio: 17 is a number, and numbers differ":               {watched("gpio", "17")},
		"gpio is missing":                                        {watched()},
		"the line GPIO17 has the point power already":            {watched("gpio", "GPIO17"), second},
		"measures no current; write measures: contact":           {wrong},
		"nothing tells what a closed contact does; add closed":   {watched("gpio", "GPIO17", "pull", "none")},
		"debounce: 2s is out of range; write a time from 4ms":    {watched("gpio", "GPIO17", "debounce", "2s")},
		`normally: "opne" is not known here; did you mean open?`: {watched("gpio", "GPIO17", "normally", "opne")},
		`unknown key "line"`:                                     {watched("gpio", "GPIO17", "line", "x")},
	} {
		_, err := newSource(sensors.Env{}, sensors.Config{Name: "GPIO17", Points: ps})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
