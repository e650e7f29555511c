package record

import (
	"math"
	"slices"
	"strconv"
	"time"

	"standwatch/rules"
)

// The axes of curves, on paper and on a page.

// AxisTick is a round value of an axis; without a label it is a fine line.
type AxisTick struct {
	At    float64
	Label string
}

// Rounds spans the values by about so many steps of 1, 2 or 5.
func Rounds(low, high float64, parts int) (from, to float64, ticks []AxisTick) {
	if high-low < 1e-9*max(1, math.Abs(high)) {
		room := max(math.Abs(high)*0.02, 0.5)
		low, high = low-room, high+room
	}
	step, digits := roundStep((high - low) / float64(parts))
	if low < 0 && low > -step/20 {
		low = 0 // an empty scale that reads a little under nought needs no room of its own
	}
	first, last := math.Floor(low/step+1e-9), math.Ceil(high/step-1e-9)
	for i := first; i <= last; i++ {
		ticks = append(ticks, AxisTick{i * step, rules.Decimals(i*step, digits)})
	}
	return first * step, last * step, ticks
}

// roundStep is the smallest of 1, 2 and 5 times a power of ten that is no less
// than what is wanted, and the digits behind the point that it needs.
func roundStep(wanted float64) (step float64, digits int) {
	for e := -12; e <= 15; e++ {
		for _, s := range []string{"1", "2", "5"} {
			// Read as text, a step is the nearest number to what is printed.
			v, err := strconv.ParseFloat(s+"e"+strconv.Itoa(e), 64)
			if err == nil && v >= wanted*(1-1e-9) {
				return v, max(0, -e)
			}
		}
	}
	return wanted, 0
}

// Decades spans the values by 1, 2, 3 and 5 times powers of ten, the round
// numbers that gauges of vacuum are read by (50, 100, 200, 300, 500 micron:
// common practice), and labels fewer of them over many decades.
func Decades(low, high float64) (from, to float64, ticks []AxisTick) {
	var all []AxisTick
	var firsts []int
	for e := -3; e <= 9; e++ {
		for i, s := range []string{"1", "2", "3", "5"} {
			v, err := strconv.ParseFloat(s+"e"+strconv.Itoa(e), 64)
			if err == nil {
				all = append(all, AxisTick{v, rules.Decimals(v, max(0, -e))})
				firsts = append(firsts, i)
			}
		}
	}
	low, high = max(low, all[0].At), min(high, all[len(all)-1].At)
	begin, end := 0, len(all)-1
	for begin+1 < len(all) && all[begin+1].At <= low*(1+1e-9) {
		begin++
	}
	for end > 0 && all[end-1].At >= high*(1-1e-9) {
		end--
	}
	if end <= begin {
		begin = min(begin, len(all)-2)
		end = begin + 1
	}
	for _, keep := range [][]int{{0, 1, 2, 3}, {0, 2}, {0}} {
		n := 0
		ticks = nil
		for i := begin; i <= end; i++ {
			t := all[i]
			if slices.Contains(keep, firsts[i]) {
				n++
			} else {
				t.Label = ""
			}
			ticks = append(ticks, t)
		}
		if n <= 8 {
			break
		}
	}
	return all[begin].At, all[end].At, ticks
}

// TimeStep is the round step that labels a span with about most times, and how
// its times are written: on a paper's curves as on a page's.
func TimeStep(span time.Duration, most int) (step time.Duration, format string) {
	step, format = 24*time.Hour, "15:04"
	for _, s := range []time.Duration{
		time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 30 * time.Second,
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	} {
		if span/s < time.Duration(most) {
			step = s
			break
		}
	}
	for span/step >= time.Duration(most) {
		step *= 2
	}
	switch {
	case step < time.Minute:
		format = "15:04:05"
	case step >= 24*time.Hour:
		format = "2 Jan"
	}
	return step, format
}
