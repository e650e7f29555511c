package horn

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"standwatch/daemon/config"
	"standwatch/rules"

	"os"
)

// line is a GPIO line whose level can be looked at, and which can be broken.
type line struct {
	gpiotest.Pin
	mu     sync.Mutex
	broken bool
	read   bool
}

func (l *line) Out(level gpio.Level) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.broken {
		return errors.New("the line is gone")
	}
	return l.Pin.Out(level)
}

func (l *line) Read() gpio.Level { l.read = true; return gpio.Low }

func (l *line) high() bool {
	l.Pin.Lock()
	defer l.Pin.Unlock()
	return bool(l.Pin.L)
}

// site is what stands on a box.
type site struct {
	mu      sync.Mutex
	flags   []rules.Flag
	changed chan struct{}
}

func (s *site) set(flags ...rules.Flag) {
	s.mu.Lock()
	s.flags = flags
	s.mu.Unlock()
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

func (s *site) open() []rules.Flag {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.flags)
}

func flag(seq uint64, u rules.Urgency, acknowledged bool) rules.Flag {
	return rules.Flag{Finding: rules.Finding{Flag: "vacuum-rising", Seq: seq, Urgency: u}, Acknowledged: acknowledged}
}

func TestHornAndLamp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		horn, lamp := &line{}, &line{}
		s, s2 := &site{changed: make(chan struct{}, 1)}, &site{changed: make(chan struct{}, 1)}
		start := func(c Config, s *site, l *line) *Output {
			o := New(Parts{Config: c, Flags: s.open, Log: slog.New(slog.DiscardHandler),
				Watch: func() (<-chan struct{}, func()) { return s.changed, func() {} },
				Open: func(name string) (Pin, error) {
					l.mu.Lock()
					defer l.mu.Unlock()
					if l.broken {
						return nil, errors.New("no line " + name)
					}
					return l, nil
				}})
			return o
		}
		ctx, cancel := context.WithCancel(t.Context())
		h := start(Config{Name: "horn", Line: "GPIO17", Least: rules.Wake, Longest: time.Minute}, s, horn)
		m := start(Config{Name: "lamp", Line: "GPIO27", Light: true, Low: true, Least: rules.Wake}, s2, lamp)
		var done sync.WaitGroup
		done.Go(func() { _ = h.Run(ctx) })
		done.Go(func() { _ = m.Run(ctx) })
		both := func(flags ...rules.Flag) { s.set(flags...); s2.set(flags...) }
		// sounds counts the seconds of so many in which the horn is heard.
		sounds := func(seconds int) (n int) {
			for range seconds {
				synctest.Wait()
				if horn.high() {
					n++
				}
				time.Sleep(time.Second)
			}
			return n
		}
		lit := func() bool { synctest.Wait(); return !lamp.high() } // low is on
		time.Sleep(100 * time.Millisecond)
		if sounds(5) != 0 || lit() {
			t.Error("on for nothing")
		}
		both(flag(1, rules.Tell, false))
		if sounds(5) != 0 || lit() {
			t.Error("on for a tell")
		}
		both(flag(1, rules.Tell, false), flag(2, rules.Wake, false))
		if n := sounds(10); n != 5 || !lit() {
			t.Errorf("a wake: heard %d of 10 s, lit %v", n, lit())
		}
		both(flag(2, rules.Wake, true))
		if sounds(10) != 0 || !lit() {
			t.Error("acknowledged: silent, and lit until it is cleared")
		}
		both(flag(2, rules.Wake, true), flag(7, rules.Wake, false))
		if n := sounds(10); n != 5 {
			t.Errorf("the next wake: heard %d of 10 s", n)
		}
		time.Sleep(time.Minute)
		if sounds(10) != 0 || !lit() || !strings.Contains(h.State().Sentence, "rests") {
			t.Errorf("it sounds for as long as it may: %+v", h.State())
		}
		both(flag(7, rules.Wake, false), flag(9, rules.Wake, false))
		if n := sounds(10); n != 5 {
			t.Errorf("another one after its rest: heard %d of 10 s", n)
		}
		both()
		if sounds(5) != 0 || lit() {
			t.Error("on though all is cleared")
		}
		horn.mu.Lock()
		horn.broken = true
		horn.mu.Unlock()
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if st := h.State(); st.OK || !strings.Contains(st.Sentence, "would not sound") {
			t.Errorf("a line that is gone: %+v", st)
		}
		horn.mu.Lock()
		horn.broken = false
		horn.mu.Unlock()
		both(flag(11, rules.Wake, false))
		time.Sleep(reopens)
		if n := sounds(10); n != 5 || !h.State().OK {
			t.Errorf("a line that came back: heard %d of 10 s, %+v", n, h.State())
		}
		cancel()
		done.Wait()
		if horn.high() || !lamp.high() {
			t.Error("left on at the end")
		}
		if horn.read || lamp.read {
			t.Error("an output was read back, which makes it an input")
		}
	})
}

func TestSettings(t *testing.T) {
	read := func(outputs string) (all []Config, faults []string) {
		file := filepath.Join(t.TempDir(), "site.yaml")
		text := "site: {name: Quayside Library}\nsystem: {refrigerant: R-410A}\nbox: {outputs: " + outputs + "}\n"
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s, errs := config.Load(file, nil)
		all = Read(s.Outputs, &errs)
		for _, err := range errs {
			faults = append(faults, strings.TrimPrefix(err.Error(), file+":"))
		}
		return all, faults
	}
	all, faults := read("[{name: horn, gpio: GPIO17}, {name: lamp, gpio: GPIO27, does: light, for: tell, active: low, longest: 1min}]")
	want := []Config{{Name: "horn", Line: "GPIO17", Least: rules.Wake, Longest: 10 * time.Minute},
		{Name: "lamp", Line: "GPIO27", Light: true, Least: rules.Tell, Low: true, Longest: time.Minute}}
	if !slices.Equal(all, want) || faults != nil {
		t.Errorf("%+v, %q", all, faults)
	}
	_, faults = read("[{name: horn, gpio: 17}, {name: horn, gpio: 17, longest: 1s}]")
	for _, part := range []string{"17 is a number", `an output "horn" already`, "the line 17 has an output already", "too short to be heard"} {
		if !slices.ContainsFunc(faults, func(f string) bool { return strings.Contains(f, part) }) {
			t.Errorf("no fault says %q: %q", part, faults)
		}
	}
}
