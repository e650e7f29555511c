package daemon

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// A wired instrument is read faster from the begin of a step to its end, in its system only.
func TestPaceFollowsTheStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		site := testSite()
		site.Points[1].During = []sensors.Pace{{Step: "vacuum-hold", Every: 100 * time.Millisecond}}
		gauge := site.Points[1]
		var asked []time.Duration // how long each reading waited for the next
		var d *Daemon
		src := script(func(ctx context.Context, emit sensors.Emit) {
			open := func(context.Context) (sensors.Probe, error) {
				return &lastAsked{at: time.Now(), waits: &asked}, nil
			}
			_ = sensors.Poll([]string{gauge.Name}, open, sensors.Env{Pace: d.judging.view.pace.of}.Pacer([]sensors.Point{gauge})).Run(ctx, emit)
		})
		d, j := boxOf(t, site, t.TempDir(), src)
		run(t, d, func(ctx context.Context) {
			time.Sleep(10 * time.Second)
			if err := d.Tell(ctx, rules.Told{Kind: "begin", Name: "vacuum-hold"}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Second)
			if err := d.Tell(ctx, rules.Told{Kind: "end", Name: "vacuum-hold"}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Second)
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		var slow, fast int
		for _, w := range asked {
			switch w {
			case time.Second:
				slow++
			case 100 * time.Millisecond:
				fast++
			}
		}
		if slow < 17 || slow > 21 || fast < 85 || fast > 101 {
			t.Errorf("%d readings a second apart, want about 19, and %d a tenth apart, want about 95: %v", slow, fast, asked)
		}
	})
}

type lastAsked struct {
	at    time.Time
	waits *[]time.Duration
}

func (p *lastAsked) Close() error { return nil }

func (p *lastAsked) Read(context.Context) ([]sensors.Reading, error) {
	*p.waits = append(*p.waits, time.Since(p.at))
	p.at = time.Now()
	return []sensors.Reading{{Point: "gauge", Value: 40}}, nil
}
