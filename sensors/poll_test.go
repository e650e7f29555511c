package sensors

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// probe answers as a test says, and notes when it was asked and closed.
type probe struct {
	read   func(context.Context) ([]Reading, error)
	closed func()
}

func (p probe) Read(ctx context.Context) ([]Reading, error) { return p.read(ctx) }
func (p probe) Close() error                                { p.closed(); return errors.New("was unplugged") }

// diary writes down what happens, with the seconds since the beginning.
type diary struct {
	begin time.Time
	lines []string
}

func (d *diary) note(format string, args ...any) {
	d.lines = append(d.lines, fmt.Sprintf("%g ", time.Since(d.begin).Seconds())+fmt.Sprintf(format, args...))
}

func (d *diary) emit(x Delivery) {
	for _, r := range x.Readings {
		if r.Health.Grade == Good {
			d.note("%s %v", r.Point, r.Value)
		} else {
			d.note("%s %s %s", r.Point, r.Health.Grade, r.Health.Reason)
		}
	}
}

// run lets a poll go for some time, and sees that nothing of it is left.
func run(t *testing.T, length time.Duration, begin func(*diary) Source, want ...string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		d := &diary{begin: time.Now()}
		done := make(chan error, 1)
		source := begin(d)
		go func() { done <- source.Run(ctx, d.emit) }()
		time.Sleep(length)
		cancel()
		synctest.Wait()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("the poll ended with %v; a broken instrument is no error of the daemon", err)
			}
		default:
			t.Error("the poll goes on after its context ended")
		}
		if got := strings.Join(d.lines, "\n"); got != strings.Join(want, "\n") {
			t.Errorf("got\n%s\nwant\n%s", got, strings.Join(want, "\n"))
		}
	})
}

func every(t time.Duration) func() time.Duration { return func() time.Duration { return t } }

func TestPollKeepsTheRateByDueTimes(t *testing.T) {
	run(t, 5400*time.Millisecond, func(d *diary) Source {
		n := 0
		open := func(context.Context) (Probe, error) {
			return probe{func(context.Context) ([]Reading, error) {
				time.Sleep(300 * time.Millisecond) // a conversion takes its time
				n++
				if n == 3 {
					time.Sleep(1200 * time.Millisecond) // slower than the interval: no pile of readings after
				}
				return []Reading{{Point: "clamp", Value: float64(n)}}, nil
			}, func() { d.note("closed") }}, nil
		}
		return Poll([]string{"clamp"}, open, every(time.Second))
	},
		"0.3 clamp 1", "1.3 clamp 2", "3.5 clamp 3", "3.8 clamp 4", "4.8 clamp 5", "5.4 closed")
}

func TestPollOpensAgainWithAGrowingPause(t *testing.T) {
	run(t, 130*time.Second, func(d *diary) Source {
		opened := 0
		open := func(context.Context) (Probe, error) {
			opened++
			d.note("open")
			if opened != 8 {
				return nil, errors.New("no such device")
			}
			reads := 0
			return probe{func(context.Context) ([]Reading, error) {
				if reads++; reads == 2 {
					// What it still has counts, and then the cable is off.
					return []Reading{{Point: "a", Health: Health{Suspect, ReasonCRC}}}, errors.New("input/output error")
				}
				return []Reading{{Point: "a", Value: 1}, {Point: "b", Value: 2}}, nil
			}, func() { d.note("closed") }}, nil
		}
		return Poll([]string{"a", "b"}, open, every(10*time.Second))
	},
		"0 open", "0 a failed disconnected", "0 b failed disconnected",
		"1 open", "1 a failed disconnected", "1 b failed disconnected",
		"3 open", "3 a failed disconnected", "3 b failed disconnected",
		"7 open", "7 a failed disconnected", "7 b failed disconnected",
		"15 open", "15 a failed disconnected", "15 b failed disconnected",
		"31 open", "31 a failed disconnected", "31 b failed disconnected",
		"61 open", "61 a failed disconnected", "61 b failed disconnected", // never longer than 30 s
		"91 open", "91 a 1", "91 b 2", "101 a suspect crc", "101 closed",
		"101 a failed disconnected", "101 b failed disconnected",
		"102 open", "102 a failed disconnected", "102 b failed disconnected", // it had answered: short pauses again
		"104 open", "104 a failed disconnected", "104 b failed disconnected",
		"108 open", "108 a failed disconnected", "108 b failed disconnected",
		"116 open", "116 a failed disconnected", "116 b failed disconnected")
}

func TestPollStopsAtOnce(t *testing.T) {
	// While a reading is under way: what comes of it after the end is not told.
	run(t, 1500*time.Millisecond, func(d *diary) Source {
		open := func(context.Context) (Probe, error) {
			return probe{func(ctx context.Context) ([]Reading, error) {
				<-ctx.Done()
				return []Reading{{Point: "a", Value: 1}}, ctx.Err()
			}, func() { d.note("closed") }}, nil
		}
		return Poll([]string{"a"}, open, every(time.Second))
	}, "1.5 closed")
	// While it waits to open again.
	run(t, 2500*time.Millisecond, func(d *diary) Source {
		open := func(context.Context) (Probe, error) { return nil, errors.New("no such device") }
		return Poll([]string{"a"}, open, every(time.Second))
	}, "0 a failed disconnected", "1 a failed disconnected")
	// While opening itself hangs.
	run(t, time.Second, func(d *diary) Source {
		open := func(ctx context.Context) (Probe, error) { <-ctx.Done(); return nil, ctx.Err() }
		return Poll([]string{"a"}, open, every(time.Second))
	})
}

func TestPollAsksForTheIntervalEachTime(t *testing.T) {
	run(t, 3400*time.Millisecond, func(d *diary) Source {
		interval := 2 * time.Second
		open := func(context.Context) (Probe, error) {
			return probe{func(context.Context) ([]Reading, error) {
				d.note("read")
				interval /= 2
				return nil, nil
			}, func() {}}, nil
		}
		return Poll(nil, open, func() time.Duration { return max(interval, 500*time.Millisecond) })
	}, "0 read", "1 read", "1.5 read", "2 read", "2.5 read", "3 read")
}

// An interval of nothing must not turn a core into a heater.
func TestPollRestsBetweenReadings(t *testing.T) {
	run(t, 25*time.Millisecond, func(d *diary) Source {
		open := func(context.Context) (Probe, error) {
			return probe{func(context.Context) ([]Reading, error) { d.note("read"); return nil, nil }, func() {}}, nil
		}
		return Poll([]string{"a"}, open, every(0))
	}, "0 read", "0.01 read", "0.02 read")
}

// A step that begins while a slow point waits has it read fast from then on.
func TestPollHurriesWithinASecond(t *testing.T) {
	run(t, 65500*time.Millisecond, func(d *diary) Source {
		open := func(context.Context) (Probe, error) {
			return probe{func(context.Context) ([]Reading, error) { d.note("read"); return nil, nil }, func() {}}, nil
		}
		return Poll([]string{"a"}, open, func() time.Duration {
			if time.Since(d.begin) < 62500*time.Millisecond {
				return time.Minute
			}
			return time.Second
		})
	}, "0 read", "60 read", "63 read", "64 read", "65 read")
}

func TestEveryAmid(t *testing.T) {
	p := Point{Every: 10 * time.Second, During: []Pace{
		{"vacuum-hold", time.Second}, {"weigh-in", 500 * time.Millisecond}, {"preheat", time.Minute},
	}}
	for _, c := range []struct {
		want  time.Duration
		steps []string
	}{
		{10 * time.Second, nil},
		{10 * time.Second, []string{"trial-run"}},
		{time.Second, []string{"vacuum-hold"}},
		{500 * time.Millisecond, []string{"preheat", "weigh-in", "trial-run"}},
		{time.Minute, []string{"preheat"}},
	} {
		if got := p.EveryAmid(c.steps); got != c.want {
			t.Errorf("amid %v each %s, want %s", c.steps, got, c.want)
		}
	}
}
