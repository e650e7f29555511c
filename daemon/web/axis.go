package web

import (
	"math"
	"time"

	"standwatch/daemon/record"
	"standwatch/rules"
)

// tick is one label on an axis.
type tick struct {
	At    float64 `json:"at"`
	Label string  `json:"label"`
}

// logAxis spans the values on a logarithmic axis and labels it with the round
// numbers of the trade, 1, 2, 3 and 5 times a power of ten (50, 100, 200, 300,
// 500, 1000 micron: common practice), fewer of them over many decades.
func logAxis(low, high float64) (from, to float64, ticks []tick) {
	const smallest = 1e-3
	low = max(low, smallest)
	high = max(high, low)
	from, to = roundBelow(low), roundAbove(high)
	if from >= to {
		to = roundAbove(to * 1.01)
	}
	for _, steps := range [][]float64{{1, 2, 3, 5}, {1, 3}, {1}} {
		ticks = ticks[:0]
		for e := math.Floor(math.Log10(from)); e <= math.Ceil(math.Log10(to)); e++ {
			for _, s := range steps {
				if v := tens(s, e); v >= from*(1-1e-9) && v <= to*(1+1e-9) {
					ticks = append(ticks, tick{v, axisNumber(v)})
				}
			}
		}
		if len(ticks) <= 8 {
			break
		}
	}
	return from, to, ticks
}

// tens is s times ten to the e, exact for the whole numbers people read.
func tens(s, e float64) float64 {
	if e < 0 {
		return s / math.Pow(10, -e)
	}
	return s * math.Pow(10, e)
}

func roundBelow(v float64) float64 {
	e := math.Floor(math.Log10(v))
	best := tens(1, e)
	for _, s := range []float64{2, 3, 5} {
		if r := tens(s, e); r <= v*(1+1e-9) {
			best = r
		}
	}
	return best
}

func roundAbove(v float64) float64 {
	e := math.Floor(math.Log10(v))
	for _, s := range []float64{1, 2, 3, 5} {
		if r := tens(s, e); r >= v*(1-1e-9) {
			return r
		}
	}
	return tens(1, e+1)
}

// linearAxis spans the values with about five round steps of 1, 2 or 5.
func linearAxis(low, high float64) (from, to float64, ticks []tick) {
	if high-low < 1e-9 {
		room := max(math.Abs(high)*0.02, 0.5)
		low, high = low-room, high+room
	}
	step := niceStep((high - low) / 4)
	if low < 0 && low > -step/20 {
		low = 0 // an empty scale that reads a little under nought needs no room of its own
	}
	from, to = math.Floor(low/step+1e-9)*step, math.Ceil(high/step-1e-9)*step
	for i := 0; ; i++ {
		v := from + float64(float64(i)*step)
		if v > to+step/2 {
			break
		}
		if math.Abs(v) < step/1e6 {
			v = 0
		}
		ticks = append(ticks, tick{v, stepNumber(v, step)})
	}
	return from, to, ticks
}

func niceStep(rough float64) float64 {
	e := math.Floor(math.Log10(rough))
	for _, s := range []float64{1, 2, 5} {
		if r := tens(s, e); r >= rough*(1-1e-9) {
			return r
		}
	}
	return tens(1, e+1)
}

func stepNumber(v, step float64) string {
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	return rules.Decimals(v, digits)
}

func axisNumber(v float64) string {
	return stepNumber(v, tens(1, min(0, math.Floor(math.Log10(v)+1e-9))))
}

// timeAxis labels at most most round times of the site's day between from and
// to, in Unix ms.
func timeAxis(from, to int64, zone *time.Location, most int) []tick {
	step, format := record.TimeStep(time.Duration(to-from)*time.Millisecond, most)
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
