package record

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// How figures stand on the paper: in SI and beside it as the other world's
// instruments show them, with the digits that those earn.

const (
	micronsInPa = 1000 * 760 / 101325.0
	psiInPa     = 1 / 6894.757293168361
)

// significant writes three digits that count, and never an exponent.
func significant(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	if digits < 0 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	s := strconv.FormatFloat(v, 'f', min(digits, 12), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func decimals(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-") // no minus nought
	}
	return s
}

func massText(kg float64) string {
	if kg < 0 {
		return decimals(kg, 2) + " kg (-" + poundsOunces(-kg) + ")"
	}
	return decimals(kg, 2) + " kg (" + poundsOunces(kg) + ")"
}

func tempText(c float64) string {
	return decimals(c, 1) + " °C (" + decimals(float64(c*1.8)+32, 1) + " °F)"
}

func lengthText(m float64) string { return metres(m) + " (" + feet(m) + ")" }

func diameterText(m float64) string {
	if in := inches(m); in != "" {
		return millimetres(m) + " (" + in + ")"
	}
	return millimetres(m)
}

// pressureText: a key does not say whether a gauge or a vacuum gauge measured
// it. In the pressure test it was a gauge; elsewhere the size tells.
func pressureText(step string, pa float64) string {
	if step != "pressure-test" && math.Abs(pa) < 2e4 {
		return significant(pa) + " Pa (" + decimals(float64(pa*micronsInPa), 0) + " micron)"
	}
	return decimals(pa/1e3, 1) + " kPa (" + decimals(float64(pa*psiInPa), 1) + " psi)"
}

func spanText(s float64) string {
	d := time.Duration(math.Round(s)) * time.Second
	switch {
	case math.Abs(s) < 1 && s != 0:
		return significant(s) + " s"
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour && d%time.Minute != 0:
		return fmt.Sprintf("%d min %d s", d/time.Minute, d%time.Minute/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d%time.Hour < time.Minute:
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
}

// figureText is a figure's label and its value, by the end of its key.
func figureText(step, key string, v float64) (label, text string) {
	label = labels["value."+key]
	for _, s := range []struct {
		end  string
		show func(float64) string
	}{
		{"_pa_per_s", func(v float64) string {
			return significant(v) + " Pa/s (" + significant(float64(v*micronsInPa*60)) + " micron/min)"
		}},
		{"_pa_m3_per_s", func(v float64) string {
			return significant(v) + " Pa m³/s (" + significant(float64(v*1e6/101325)) + " std cm³/s)"
		}},
		{"_kg_per_m3", func(v float64) string { return significant(v) + " kg/m³" }},
		{"_kg_per_s", func(v float64) string {
			return significant(float64(v*60)) + " kg/min (" + significant(float64(v*60/kgInPound)) + " lb/min)"
		}},
		{"_length_m", lengthText},
		{"_pa", func(v float64) string { return pressureText(step, v) }},
		{"_kg", massText},
		{"_c", tempText},
		{"_k", func(v float64) string { return significant(v) + " K (" + significant(float64(v*1.8)) + " °F)" }},
		{"_m3", func(v float64) string { return significant(float64(v*1e3)) + " l" }},
		{"_s", spanText},
		{"_a", func(v float64) string { return significant(v) + " A" }},
	} {
		if name, ok := strings.CutSuffix(key, s.end); ok {
			if label == "" {
				label = titled(strings.ReplaceAll(name, "_", " "))
			}
			return label, s.show(v)
		}
	}
	if label == "" {
		label = titled(strings.ReplaceAll(key, "_", " "))
	}
	return label, significant(v)
}

// limitText is a setting as the paper shows it: as it was written, and in SI
// where that is another unit.
func (l StepLimit) limitText(step string) string {
	var si string
	switch l.Unit {
	case "":
		return l.Text
	case "Pa":
		si = pressureText(step, l.Value)
	case "kg":
		if si = massText(l.Value); strings.HasSuffix(l.Text, " kg") && hundredths(l.Value) {
			return si
		}
	case "kg/s":
		_, si = figureText(step, "rate_kg_per_s", l.Value)
	case "m":
		if si = significant(l.Value) + " m"; math.Abs(l.Value) < 0.1 {
			si = significant(float64(l.Value*1e3)) + " mm"
		}
	case "1":
		si = significant(float64(l.Value*100)) + " %"
	case "C":
		si = tempText(l.Value)
	case "s":
		si = spanText(l.Value)
	default:
		si = significant(l.Value) + " " + l.Unit
	}
	if l.Text == "" || l.Text == si || strings.Contains(si, l.Text) || l.Unit == "s" {
		return si
	}
	return l.Text + ": " + si
}

// hundredths is whether two decimals write it whole.
func hundredths(v float64) bool {
	x, err := strconv.ParseFloat(decimals(v, 2), 64)
	return err == nil && x == v
}

// axis is the unit in which a curve is drawn, as the instrument's own world has it.
func axis(q sensors.Quantity, unit string) (symbol string, scale, offset float64) {
	us := false
	switch unit {
	case "micron", "microns", "torr", "Torr", "mmHg", "inHg", "psi", "psig", "psia", "lb", "oz", "F", "°F":
		us = true
	}
	switch q {
	case sensors.Vacuum:
		if us {
			return "micron", micronsInPa, 0
		}
		return "Pa", 1, 0
	case sensors.Pressure, sensors.AbsolutePressure:
		if us {
			return "psi", psiInPa, 0
		}
		return "kPa", 1e-3, 0
	case sensors.Temperature:
		if us {
			return "°F", 1.8, 32
		}
		return "°C", 1, 0
	case sensors.Mass:
		if us {
			return "lb", 1 / kgInPound, 0
		}
		return "kg", 1, 0
	}
	return q.SI(), 1, 0
}

const (
	momentLayout = "2006-01-02 15:04:05"
	notKnown     = "not known"
)

func momentText(t time.Time) string {
	if t.IsZero() {
		return notKnown
	}
	return t.Format(momentLayout)
}

// clockOf is the time of a day, for a table whose heading says which.
func clockOf(t time.Time) string {
	if t.IsZero() {
		return notKnown
	}
	return t.Format("02 15:04:05")
}
