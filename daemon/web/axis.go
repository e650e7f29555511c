package web

import (
	"strings"
	"time"

	"standwatch/daemon/record"
)

// tick is one label on an axis.
type tick struct {
	At    float64 `json:"at"`
	Label string  `json:"label"`
}

// valueAxis spans the values as a paper's curve does, with fewer steps, for a
// phone is narrow.
func valueAxis(low, high float64, log bool) (from, to float64, ticks []tick) {
	var at []record.AxisTick
	if log {
		from, to, at = record.Decades(low, high)
	} else {
		from, to, at = record.Rounds(low, high, 4)
	}
	for _, t := range at {
		if t.Label != "" {
			ticks = append(ticks, tick(t))
		}
	}
	return from, to, ticks
}

// timeAxis labels at most most round times of the site's day between from and
// to, in Unix ms.
func timeAxis(from, to int64, zone *time.Location, most int) []tick {
	step, format := record.TimeStep(time.Duration(to-from)*time.Millisecond, most)
	if strings.Count(format, ":") > 1 { // labels with seconds are longer: two thirds of them have room
		step, format = record.TimeStep(time.Duration(to-from)*time.Millisecond, max(1, most*2/3))
	}
	start := time.UnixMilli(from).In(zone)
	midnight := time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, zone)
	at := midnight.Add(start.Sub(midnight).Truncate(step))
	var ticks []tick
	for ; at.UnixMilli() <= to; at = at.Add(step) {
		if at.UnixMilli() >= from {
			ticks = append(ticks, tick{float64(at.UnixMilli()), at.In(zone).Format(format)})
		}
	}
	return ticks
}
