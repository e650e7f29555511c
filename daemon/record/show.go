package record

import (
	"cmp"
	"math"
	"strconv"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// How figures stand on the paper: in SI and beside it as the other world's
// instruments show them (rules.Figure), as on a page and in a message.

func massText(kg float64) string { return rules.Kilogram.Beside(rules.Pound, kg) }

func tempText(c float64) string { return rules.Celsius.Beside(rules.Fahrenheit, c) }

func lengthText(m float64) string { return rules.Metres(m) + " (" + rules.Feet(m) + ")" }

func diameterText(m float64) string {
	if in := inches(m); in != "" {
		return millimetres(m) + " (" + in + ")"
	}
	return millimetres(m)
}

// diameterNamed is a diameter where no heading says in what it is.
func diameterNamed(m float64) string {
	mm, in, inches := strings.Cut(diameterText(m), " ")
	if !inches {
		return mm + " mm"
	}
	return mm + " mm " + in
}

// markText is the value that a mark was told with.
func markText(v float64, unit string) string {
	switch unit {
	case "Pa":
		return rules.Kilopascal.Beside(rules.PSI, v)
	case "kg":
		return massText(v)
	}
	return rules.AsGiven(v) + " " + unit
}

// figureText is a figure's label and its value, by the end of its key.
func figureText(step, key string, v float64) (label, text string) {
	key, v = Shown(key, v)
	name, text, us := rules.Figure(step, key, v)
	if us != "" {
		text += " (" + us + ")"
	}
	return cmp.Or(labels["value."+key], titled(name)), text
}

// limitText is a setting as the paper shows it: as it was written, and in SI
// where that is another unit.
func (l StepLimit) limitText(step string) string {
	var si string
	switch l.Unit {
	case "":
		return l.Text
	case "Pa":
		_, si = figureText(step, "limit_pa", l.Value)
	case "kg":
		if si = massText(l.Value); strings.HasSuffix(l.Text, " kg") && hundredths(l.Value) {
			return si
		}
	case "kg/s":
		_, si = figureText(step, "rate_kg_per_s", l.Value)
	case "m":
		if si = rules.Metres(l.Value); math.Abs(l.Value) < 0.1 {
			si = rules.AsGiven(float64(l.Value*1e3)) + " mm"
		}
	case "1":
		si = rules.AsGiven(float64(l.Value*100)) + " %"
	case "C":
		si = tempText(l.Value)
	case "s":
		si = rules.Span(l.Value)
	default:
		si = rules.AsGiven(l.Value) + " " + l.Unit
	}
	if l.Text == "" || l.Text == si || strings.Contains(si, l.Text) || l.Unit == "s" {
		return si
	}
	return l.Text + ": " + si
}

// hundredths is whether two decimals write it whole.
func hundredths(v float64) bool {
	x, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', 2, 64), 64)
	return err == nil && x == v
}

// axis is the unit in which a curve is drawn, as the instrument's own world has it.
func axis(q sensors.Quantity, unit string) rules.Scale {
	us := false
	switch unit {
	case "micron", "microns", "torr", "Torr", "mmHg", "inHg", "psi", "psig", "psia", "lb", "oz", "F", "°F":
		us = true
	}
	for _, x := range []struct {
		q      sensors.Quantity
		si, us rules.Scale
	}{
		{sensors.Vacuum, rules.Pascal, rules.Micron},
		{sensors.Pressure, rules.Kilopascal, rules.PSI},
		{sensors.AbsolutePressure, rules.Kilopascal, rules.PSI},
		{sensors.Temperature, rules.Celsius, rules.Fahrenheit},
		{sensors.Mass, rules.Kilogram, rules.Pound},
	} {
		if x.q == q && us {
			return x.us
		} else if x.q == q {
			return x.si
		}
	}
	return rules.Scale{Symbol: q.SI(), Factor: 1, Digits: 2}
}

const (
	momentLayout = "2006-01-02 15:04:05"
	notKnown     = "not known"
)

func momentText(t time.Time) string {
	if t.IsZero() {
		return notKnown
	}
	return t.Format(momentLayout) + WhichHour(t)
}

// WhichHour tells apart the hour that a clock shows twice when summer time ends:
// a blank and the zone's short name then, and nothing else in the year.
func WhichHour(t time.Time) string {
	began, ends := t.ZoneBounds()
	_, offset := t.Zone()
	for _, other := range []time.Time{began.Add(-time.Second), ends} {
		_, was := other.In(t.Location()).Zone()
		twin := t.Add(time.Duration(offset-was) * time.Second) // when the clock shows the same by the other offset
		if _, at := twin.Zone(); twin != t && at == was {
			return t.Format(" MST")
		}
	}
	return ""
}

// clockOf is the time of a day, for a table whose heading says which.
func clockOf(t time.Time) string {
	if t.IsZero() {
		return notKnown
	}
	return t.Format("02 15:04:05") + WhichHour(t)
}
