// Package sensortest is what every driver must do, as tests: give what a good
// instrument shows, name what is wrong with a bad one, stop in the middle of
// anything, leave nothing open and nothing running.
//
// It runs in a testing/synctest bubble, so that waiting costs no time: the fake
// instruments may wait with package time, but must not use real sockets or files.
package sensortest

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// Scene is what the fake instrument does.
type Scene int

// The scenes each driver is put through.
const (
	Good    Scene = iota // it answers
	Absent               // the bus or broker is there, or not even that; the instrument is not
	Garbled              // what it says is damaged on the way
	Stuck                // it never answers
)

// Suite is a driver with a fake instrument.
type Suite struct {
	Driver sensors.Driver
	Config sensors.Config
	// World builds a new fake instrument for a scene. It is called within the
	// bubble; end is called in it too, when the source has stopped (nil: nothing to end).
	World func(scene Scene) (env sensors.Env, end func())
	// Want is what a good instrument gives first; own times and sequence numbers included.
	Want []sensors.Reading
	// Garbled is the reason that damaged data must be told with.
	Garbled string
	// Absent is the reason that an absent instrument must be told with; empty
	// where only silence tells (a topic on which nothing is published).
	Absent string
	// Stops is the longest that stopping may take.
	Stops time.Duration
}

// Run puts the driver through everything.
func Run(t *testing.T, s Suite) {
	t.Run("settings", s.settings)
	t.Run("good", func(t *testing.T) { s.expect(t, Good, s.good) })
	t.Run("absent", func(t *testing.T) { s.expect(t, Absent, s.reason(s.Absent)) })
	t.Run("garbled", func(t *testing.T) { s.expect(t, Garbled, s.reason(s.Garbled)) })
	t.Run("stop", s.stop)
}

// settings checks that New names every fault with its place, and touches nothing.
func (s Suite) settings(t *testing.T) {
	refuse := errors.New("not to be opened")
	touched := func() { t.Error("New opens a bus, a line or a port") }
	untouched := sensors.Env{
		OneWire: func(string) (onewire.BusCloser, error) { touched(); return nil, refuse },
		I2C:     func(string) (i2c.BusCloser, error) { touched(); return nil, refuse },
		SPI:     func(string) (spi.PortCloser, error) { touched(); return nil, refuse },
		GPIO:    func(string) (gpio.PinIO, error) { touched(); return nil, refuse },
		Serial: func(string, sensors.SerialLine) (io.ReadWriteCloser, error) {
			touched()
			return nil, refuse
		},
	}
	if _, err := s.Driver.New(untouched, s.Config); err != nil {
		t.Errorf("good settings are refused: %v", err)
	}
	c := s.Config
	c.Points = slices.Clone(c.Points)
	for i := range c.Points {
		n := &c.Points[i].Settings
		n.Fields = append(slices.Clone(n.Fields), sensors.Field{Key: "nonsense", Line: 9, Col: 7,
			Value: sensors.Node{Kind: sensors.Scalar, Text: "1", Line: 9, Column: 17}})
	}
	_, err := s.Driver.New(untouched, c)
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok || len(joined.Unwrap()) != len(c.Points) {
		t.Fatalf("an unknown key in each of %d points gives %v", len(c.Points), err)
	}
	for _, err := range joined.Unwrap() {
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line != 9 || f.Column != 7 {
			t.Errorf("%v does not say where", err)
		}
	}
}

// patience is how long a scene is watched, in the bubble's time.
const patience = 2 * time.Minute

// expect runs the source in a scene until enough is satisfied with the readings so far.
func (s Suite) expect(t *testing.T, scene Scene, enough func(t *testing.T, rs []sensors.Reading) bool) {
	synctest.Test(t, func(t *testing.T) {
		r := s.start(t, scene)
		deadline := time.After(patience)
		for {
			select {
			case d := <-r.got:
				if d.Kept != nil {
					d.Kept()
				}
				r.readings = append(r.readings, d.Readings...)
				if !enough(t, r.readings) {
					continue
				}
			case <-deadline:
				enough(t, r.readings)
				if !(scene == Absent && s.Absent == "" && len(r.readings) == 0) {
					t.Errorf("after %s only %v", patience, r.readings)
				}
			}
			break
		}
		r.finish(t, s.Stops)
	})
}

func (s Suite) good(t *testing.T, rs []sensors.Reading) bool {
	if len(rs) < len(s.Want) {
		return false
	}
	if !slices.Equal(rs[:len(s.Want)], s.Want) {
		t.Errorf("a good instrument gives\n%+v, want\n%+v", rs, s.Want)
	}
	return true
}

func (s Suite) reason(want string) func(*testing.T, []sensors.Reading) bool {
	return func(t *testing.T, rs []sensors.Reading) bool {
		told := map[string]bool{}
		for _, r := range rs {
			if r.Health != (sensors.Health{Grade: sensors.Failed, Reason: want}) || r.Value != 0 {
				t.Errorf("%+v, want it failed for %q", r, want)
			}
			told[r.Point] = true
		}
		return len(told) == len(s.Config.Points)
	}
}

// stop stops the source at many moments: while it opens, converts, waits, and
// while nobody takes what it gives.
func (s Suite) stop(t *testing.T) {
	for _, scene := range []Scene{Good, Absent, Stuck} {
		for _, after := range []time.Duration{0, time.Microsecond, 100 * time.Millisecond, 749 * time.Millisecond, 3 * time.Second, time.Minute} {
			synctest.Test(t, func(t *testing.T) {
				r := s.start(t, scene)
				time.Sleep(after)
				r.finish(t, s.Stops)
			})
		}
	}
}

// run is a source at work.
type run struct {
	cancel   context.CancelFunc
	done     chan error
	got      chan sensors.Delivery
	readings []sensors.Reading
	end      func()
	buses    *buses
}

func (s Suite) start(t *testing.T, scene Scene) *run {
	env, end := s.World(scene)
	r := &run{done: make(chan error, 1), got: make(chan sensors.Delivery), end: end, buses: &buses{}}
	env.OneWire = watch(r.buses, env.OneWire, func(b onewire.BusCloser, c *closes) onewire.BusCloser { return &watched1W{b, c} })
	env.I2C = watch(r.buses, env.I2C, func(b i2c.BusCloser, c *closes) i2c.BusCloser { return &watchedI2C{b, c} })
	env.SPI = watch(r.buses, env.SPI, func(p spi.PortCloser, c *closes) spi.PortCloser { return &watchedSPI{p, c} })
	if open := env.Serial; open != nil {
		env.Serial = func(path string, line sensors.SerialLine) (io.ReadWriteCloser, error) {
			return watch(r.buses, func(string) (io.ReadWriteCloser, error) { return open(path, line) },
				func(p io.ReadWriteCloser, c *closes) io.ReadWriteCloser { return &watchedPort{p, c} })(path)
		}
	}
	source, err := s.Driver.New(env, s.Config)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	go func() {
		r.done <- source.Run(ctx, func(d sensors.Delivery) {
			select {
			case r.got <- d:
			case <-ctx.Done():
			}
		})
	}()
	return r
}

// finish stops the source. What still runs after that keeps the bubble from
// ending, and synctest says so.
func (r *run) finish(t *testing.T, most time.Duration) {
	begun := time.Now()
	r.cancel()
	select {
	case err := <-r.done:
		if err != nil {
			t.Errorf("Run returns %v", err)
		}
	case <-time.After(patience):
		t.Errorf("the source does not stop")
	}
	if took := time.Since(begun); took > most {
		t.Errorf("stopping takes %s, want at most %s", took, most)
	}
	if r.end != nil {
		r.end()
	}
	time.Sleep(time.Minute) // what was left behind ends by itself
	r.buses.check(t)
}

// buses counts what is opened and closed.
type buses struct {
	mu   sync.Mutex
	open []*closes
}

// closes counts how often one thing opened was closed.
type closes struct{ n atomic.Int32 }

// watch wraps what a driver opens, so that its closing is counted.
func watch[B any](b *buses, open func(string) (B, error), wrap func(B, *closes) B) func(string) (B, error) {
	if open == nil {
		return nil
	}
	return func(name string) (B, error) {
		o, err := open(name)
		if err != nil {
			return o, err
		}
		c := &closes{}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.open = append(b.open, c)
		return wrap(o, c), nil
	}
}

type (
	watched1W struct {
		onewire.BusCloser
		c *closes
	}
	watchedI2C struct {
		i2c.BusCloser
		c *closes
	}
	watchedSPI struct {
		spi.PortCloser
		c *closes
	}
	watchedPort struct {
		io.ReadWriteCloser
		c *closes
	}
)

func (w *watched1W) Close() error   { w.c.n.Add(1); return w.BusCloser.Close() }
func (w *watchedI2C) Close() error  { w.c.n.Add(1); return w.BusCloser.Close() }
func (w *watchedSPI) Close() error  { w.c.n.Add(1); return w.PortCloser.Close() }
func (w *watchedPort) Close() error { w.c.n.Add(1); return w.ReadWriteCloser.Close() }

func (b *buses) check(t *testing.T) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, c := range b.open {
		if n := c.n.Load(); n != 1 {
			t.Errorf("bus %d of %d was closed %d times", i+1, len(b.open), n)
		}
	}
}
