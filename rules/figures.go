package rules

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// How a figure is written: on a page, in a message and on a paper in the same
// way, for whoever reads one of them hears of the other by telephone. What
// programs read (JSON, CSV, the field log) is plain numbers and none of this.

// Scale is one unit and what the trade's instruments can know in it.
type Scale struct {
	Symbol         string
	Factor, Offset float64 // shown = si*Factor + Offset
	Digits         int     // after the point
	Most           int     // digits that count; what is larger has fewer after the point. 0: no matter
}

// The units of the two worlds that telephone each other. A vacuum gauge shows
// 1 micron, a test gauge 0.1 psi or four digits, a charging scale 5 to 10 g, a
// clamp 0.1 K (common practice; the makers' own figures govern).
var (
	Micron     = Scale{"micron", 1000 * 760 / 101325.0, 0, 0, 0}
	Torr       = Scale{"torr", 760 / 101325.0, 0, 0, 0}
	Pascal     = Scale{"Pa", 1, 0, 1, 4}
	PSI        = Scale{"psi", 1 / 6894.757293168361, 0, 1, 4}
	Kilopascal = Scale{"kPa", 1e-3, 0, 1, 4}
	InHg       = Scale{"inHg", 1 / 3386.389, 0, 2, 4}
	Bar        = Scale{"bar", 1e-5, 0, 2, 4}
	Megapascal = Scale{"MPa", 1e-6, 0, 3, 4}
	Kilogram   = Scale{"kg", 1, 0, 2, 0}
	Pound      = Scale{"lb", 1 / poundKg, 0, 2, 0}
	Celsius    = Scale{"°C", 1, 0, 1, 0}
	Fahrenheit = Scale{"°F", 1.8, 32, 1, 0}
	Kelvin     = Scale{"K", 1, 0, 1, 0}    // a difference
	Rankine    = Scale{"°F", 1.8, 0, 1, 0} // a difference, as it is said
	Percent    = Scale{"%", 100, 0, 0, 0}
	Ampere     = Scale{"A", 1, 0, 2, 0}
	Volt       = Scale{"V", 1, 0, 2, 0}
)

// Value is the number as shown.
func (s Scale) Value(si float64) float64 { return float64(si*s.Factor) + s.Offset }

// Number writes a value without its unit.
func (s Scale) Number(si float64) string { return s.Write(s.Value(si)) }

// Write writes a number that is in this unit already.
func (s Scale) Write(v float64) string {
	digits := s.Digits
	for s.Most > 0 && digits > 0 && math.Abs(v) >= math.Pow10(s.Most-digits) {
		digits--
	}
	return Decimals(v, digits)
}

// Text writes number and unit: 312 micron, 31 lb 5 oz.
func (s Scale) Text(si float64) string {
	switch s.Symbol {
	case Pound.Symbol:
		return PoundsOunces(si)
	case "":
		return s.Number(si)
	}
	return s.Number(si) + " " + s.Symbol
}

// Beside writes a value with that in the other world's unit beside it.
func (s Scale) Beside(other Scale, si float64) string {
	if s == other {
		return s.Text(si)
	}
	return s.Text(si) + " (" + other.Text(si) + ")"
}

// Doubt writes how far off a value may be. That is never nought.
func (s Scale) Doubt(si float64) string {
	if v := s.Value(si); v > 0 && strings.Trim(s.Write(v), "0.") == "" {
		return "less than " + Decimals(math.Pow10(-s.Digits), s.Digits) + " " + s.Symbol
	}
	return s.Text(si)
}

// Decimals writes so many digits after the point, and no minus before nought.
func Decimals(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return thousands(text)
}

// WithSign is Decimals with a plus before what is not less than nought.
func WithSign(v float64, digits int) string { return plus(Decimals(v, digits)) }

func plus(text string) string {
	if strings.HasPrefix(text, "-") || text == "?" {
		return text
	}
	return "+" + text
}

// Significant writes so many digits that count, of what was reckoned and not
// read off: noughts at the end stay, since they count. What is whole is written whole.
func Significant(v float64, count int) string {
	const finest = 12 // after the point; less than that is nought
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) < math.Pow10(-finest)/2 {
		return Decimals(v, 0)
	}
	// The exponent once rounded: 9.996 with three digits is 10.0.
	text := strconv.FormatFloat(v, 'e', count-1, 64)
	exponent, err := strconv.Atoi(text[strings.IndexByte(text, 'e')+1:])
	if err != nil {
		return Decimals(v, 0)
	}
	return Decimals(v, min(max(count-1-exponent, 0), finest))
}

// AsGiven writes what a person set or a list gave, of which nobody knows how many
// digits count: three of them at most, and no noughts at the end.
func AsGiven(v float64) string { return trimmed(Significant(v, 3)) }

func trimmed(text string) string {
	if strings.Contains(text, ".") {
		return strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// thousands groups the digits before the point by commas from five digits on;
// four digits are read at a glance.
func thousands(text string) string {
	whole, rest, _ := strings.Cut(text, ".")
	if rest != "" {
		rest = "." + rest
	}
	sign := ""
	if strings.HasPrefix(whole, "-") {
		sign, whole = "-", whole[1:]
	}
	if len(whole) > 4 {
		for i := len(whole) - 3; i > 0; i -= 3 {
			whole = whole[:i] + "," + whole[i:]
		}
	}
	return sign + whole + rest
}

// PoundsOunces writes a mass as it is asked on the telephone: 31 lb 5 oz; less
// than an ounce by its tenths, so that 10 g are not nothing.
func PoundsOunces(kg float64) string {
	oz, tenths := math.Round(kg/poundKg*16), math.Round(kg/poundKg*160)
	switch {
	case math.IsNaN(oz) || math.IsInf(oz, 0):
		return "?"
	case tenths < 0:
		return "-" + PoundsOunces(-kg)
	case tenths > 0 && tenths < 10:
		return Decimals(tenths/10, 1) + " oz"
	case oz < 16:
		return Decimals(oz, 0) + " oz"
	}
	return Decimals(math.Floor(oz/16), 0) + " lb " + Decimals(math.Mod(oz, 16), 0) + " oz"
}

// Metres and Feet write a length as a tape gives it.
func Metres(m float64) string { return trimmed(Decimals(m, 2)) + " m" }

func Feet(m float64) string { return trimmed(Decimals(m/0.3048, 1)) + " ft" }

// Litres writes a volume: pipes in litres, rooms in cubic metres.
func Litres(m3 float64) string {
	if math.Abs(m3) >= 1 {
		return Significant(m3, 3) + " m³"
	}
	return Significant(float64(m3*1e3), 3) + " l"
}

const cubicFootM3 = 0.028316846592

// figuresByKey writes a finding's figures by the end of their keys: in SI, and in the
// other world's unit where that is another.
var figuresByKey = []struct {
	end  string
	show func(v float64) (si, us string)
}{
	{"_pa_per_s", func(v float64) (string, string) {
		return Significant(v, 2) + " Pa/s", Significant(float64(v*60*Micron.Factor), 2) + " micron/min"
	}},
	{"_pa_m3_per_s", func(v float64) (string, string) {
		return Significant(v, 2) + " Pa m³/s", Significant(float64(v*1e6/101325), 2) + " std cm³/s"
	}},
	{"_m3_per_s", func(v float64) (string, string) {
		return Significant(float64(v*1e3), 2) + " l/s", Significant(float64(v*60/cubicFootM3), 2) + " cfm"
	}},
	{"_kg_per_m3", func(v float64) (string, string) {
		return Significant(v, 3) + " kg/m³", Significant(float64(v*1000*cubicFootM3/poundKg), 3) + " lb/1000 ft³"
	}},
	{"_kg_per_s", func(v float64) (string, string) {
		return hundredths(float64(v*60)) + " kg/min", hundredths(float64(v*60/poundKg)) + " lb/min"
	}},
	{"sure_ratio", func(v float64) (string, string) { return surely(v), "" }},
	{"_ratio", func(v float64) (string, string) { return percent(v), "" }},
	{"_ratio_low", func(v float64) (string, string) { return percent(v), "" }},
	{"_ratio_high", func(v float64) (string, string) { return percent(v), "" }},
	{"_length_m", func(v float64) (string, string) { return Metres(v), Feet(v) }},
	{"_doubt_k", func(v float64) (string, string) { return Kelvin.Doubt(v), Rankine.Doubt(v) }},
	{"_pa", nil}, // by the step
	{"_kg", func(v float64) (string, string) { return Kilogram.Text(v), Pound.Text(v) }},
	{"_c", func(v float64) (string, string) { return Celsius.Text(v), Fahrenheit.Text(v) }},
	{"_k", func(v float64) (string, string) { return Kelvin.Text(v), Rankine.Text(v) }},
	{"_m3", func(v float64) (string, string) { return Litres(v), Significant(v/cubicFootM3, 3) + " ft³" }},
	{"_s", func(v float64) (string, string) { return Span(v), "" }},
	{"_a", func(v float64) (string, string) { return Ampere.Text(v), "" }},
	{"_v", func(v float64) (string, string) { return Volt.Text(v), "" }},
}

// hundredths writes a flow; one that is small with two digits that count.
func hundredths(v float64) string {
	if math.Abs(v) < 0.1 {
		return Significant(v, 2)
	}
	return Decimals(v, 2)
}

// Figure writes a finding's figure, known by its key, in both worlds' units, and
// what the key says without the unit: limit of limit_pa. us is empty where both
// have the same. A key does not say whether a gauge or a vacuum gauge measured: in
// the pressure test it was a gauge, and a change of a few Pa is one of the gauge's;
// elsewhere the size tells.
func Figure(step, key string, v float64) (name, si, us string) {
	name, si = key, AsGiven(v)
	for _, x := range figuresByKey {
		bare, ok := strings.CutSuffix(key, x.end)
		if !ok {
			continue
		}
		if bare == "" { // the whole key is the ending: sure_ratio is sure
			bare, _, _ = strings.Cut(key, "_")
		}
		if name = bare; strings.HasSuffix(x.end, "_doubt_k") {
			name += "_doubt"
		}
		switch {
		case step == "pressure-test" && x.end == "_pa_per_s": // as its sentences say it
			si, us = Kilopascal.Text(float64(v*3600))+" an hour", PSI.Text(float64(v*3600))+" an hour"
		case x.show != nil:
			si, us = x.show(v)
		case step != "pressure-test" && math.Abs(v) < 2e4:
			si, us = Pascal.Text(v), Micron.Text(v)
		default:
			si, us = Kilopascal.Text(v), PSI.Text(v)
		}
		break
	}
	return strings.ReplaceAll(name, "_", " "), si, us
}

// longestSpan is beyond what a board's clock is off that began in 1970, and within what a time.Duration holds.
const longestSpan = 5e9

// Span writes a length of time that was measured: 45 s, 23 min 10 s, 2 h 10 min.
func Span(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) || math.Abs(s) > longestSpan {
		return "?"
	}
	if s < 0 {
		return "-" + Span(-s)
	}
	whole := func(d, of time.Duration) string { return strconv.FormatInt(int64(d/of), 10) }
	d := time.Duration(math.Round(s)) * time.Second
	switch {
	case s < 1 && s > 0:
		return Significant(s, 2) + " s"
	case d < time.Minute:
		return whole(d, time.Second) + " s"
	case d < time.Hour && d%time.Minute != 0:
		return whole(d, time.Minute) + " min " + whole(d%time.Minute, time.Second) + " s"
	case d < time.Hour:
		return whole(d, time.Minute) + " min"
	}
	d = d.Round(time.Minute)
	if d%time.Hour == 0 {
		return whole(d, time.Hour) + " h"
	}
	return whole(d, time.Hour) + " h " + whole(d%time.Hour, time.Minute) + " min"
}
