package doctor

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"standwatch/daemon/config"
	"standwatch/sensors"
)

// Listen runs the drivers of what is wired to the box, until each point has told a good
// value or the time is over, and gives the newest reading of each. A point that is not in it
// told nothing at all. What comes by a broker is not listened to.
func Listen(ctx context.Context, env sensors.Env, devices []config.Device, wait time.Duration) map[string]sensors.Reading {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	env.Log = slog.New(slog.DiscardHandler)
	var (
		mu   sync.Mutex
		wg   sync.WaitGroup
		got  = map[string]sensors.Reading{}
		left = map[string]bool{}
	)
	for _, d := range devices {
		if d.Driver.Device == "broker" {
			continue
		}
		src, err := d.Driver.New(env, d.Config)
		if err != nil {
			continue // the site file's faults have said it
		}
		mu.Lock()
		for _, p := range d.Config.Points {
			left[p.Name] = true
		}
		mu.Unlock()
		wg.Go(func() {
			_ = src.Run(ctx, func(x sensors.Delivery) { // its settings are accepted
				mu.Lock()
				defer mu.Unlock()
				for _, r := range x.Readings {
					if old, had := got[r.Point]; had && r.Health.Grade == sensors.Failed && old.Health.Grade != sensors.Failed {
						continue // it was seen to work
					}
					if got[r.Point] = r; r.Health.Grade == sensors.Good {
						delete(left, r.Point)
					}
				}
				if x.Kept != nil {
					x.Kept()
				}
				if len(left) == 0 {
					cancel()
				}
			})
		})
	}
	if mu.Lock(); len(left) == 0 {
		cancel()
	}
	mu.Unlock()
	wg.Wait()
	return got
}
