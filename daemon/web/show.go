package web

import (
	"math"
	"strconv"
	"strings"

	"standwatch/sensors"
)

// choice is which units a person wants as the main ones; kept in a cookie.
type choice string

const (
	asMeasured choice = ""   // the unit the instrument speaks
	choiceSI   choice = "si" //
	choiceUS   choice = "us"
)

// dress is how a quantity is written in one unit.
type dress struct {
	symbol string  // as shown
	scale  float64 // shown = float64(si*scale) + offset
	offset float64
	digits int // after the point; -1: three significant digits
}

// The units of the two worlds that telephone each other. The digits are those
// that instruments of the trade earn: a gauge 1 micron, a charging scale 5 to
// 10 g, a clamp 0.1 K (FIELD-GUIDE of the project, common practice).
var (
	micron     = dress{"micron", 1000 * 760 / 101325.0, 0, 0}
	pascal     = dress{"Pa", 1, 0, -1}
	psi        = dress{"psi", 1 / 6894.757293168361, 0, 1}
	kilopascal = dress{"kPa", 1e-3, 0, 1}
	inHg       = dress{"inHg", 1 / 3386.389, 0, 2}
	kilogram   = dress{"kg", 1, 0, 2}
	pound      = dress{"lb", 1 / 0.45359237, 0, 2}
	celsius    = dress{"°C", 1, 0, 1}
	fahrenheit = dress{"°F", 1.8, 32, 1}
	percent    = dress{"%", 100, 0, 0}
	ampere     = dress{"A", 1, 0, 2}
	volt       = dress{"V", 1, 0, 2}
	onOff      = dress{"", 1, 0, 0}
)

// dresses returns the SI and the US dress of a quantity; the same twice where
// both worlds agree.
func dresses(q sensors.Quantity) (si, us dress) {
	switch q {
	case sensors.Temperature:
		return celsius, fahrenheit
	case sensors.Vacuum:
		return pascal, micron
	case sensors.Pressure:
		return kilopascal, psi
	case sensors.AbsolutePressure:
		return kilopascal, inHg
	case sensors.Mass:
		return kilogram, pound
	case sensors.Humidity:
		return percent, percent
	case sensors.Current:
		return ampere, ampere
	case sensors.Voltage:
		return volt, volt
	}
	return onOff, onOff
}

// gauges are units of pressure that an instrument may speak beside those of the two worlds.
var gauges = map[string]dress{"bar": {"bar", 1e-5, 0, 2}, "barg": {"bar", 1e-5, 0, 2}, "MPa": {"MPa", 1e-6, 0, 3}}

// customary tells which world a unit of an instrument belongs to.
func customary(unit string) bool {
	switch unit {
	case "micron", "microns", "torr", "Torr", "mmHg", "inHg", "psi", "psig", "psia", "lb", "oz", "F", "°F":
		return true
	}
	return false
}

// dressed returns the dress a person wants first, and the other one.
func (c choice) dressed(q sensors.Quantity, unit string) (main, other dress) {
	si, us := dresses(q)
	if own, ok := gauges[unit]; ok && c == asMeasured && (q == sensors.Pressure || q == sensors.AbsolutePressure) {
		return own, us
	}
	if c == choiceUS || c == asMeasured && customary(unit) {
		return us, si
	}
	return si, us
}

// value is the number as shown.
func (d dress) value(si float64) float64 { return float64(si*d.scale) + d.offset }

// number writes the number without its unit.
func (d dress) number(si float64) string { return d.write(d.value(si)) }

func (d dress) write(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	digits := d.digits
	if digits < 0 {
		digits = 0
		for x := math.Abs(v); x > 0 && x < 100 && digits < 3; x *= 10 {
			digits++
		}
		digits = min(digits, 2)
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-") // no minus zero
	}
	return thousands(s)
}

// thousands groups the digits before the point by commas from five digits on;
// four digits are read at a glance.
func thousands(s string) string {
	whole, rest, _ := strings.Cut(s, ".")
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

// text writes number and unit: "312 micron", "31 lb 5.0 oz".
func (d dress) text(si float64) string {
	if d == pound {
		return poundsOunces(si)
	}
	if d.symbol == "" {
		return d.number(si)
	}
	return d.number(si) + " " + d.symbol
}

// poundsOunces writes a mass as an American cylinder label does.
func poundsOunces(kg float64) string {
	oz := math.Round(float64(kg/0.028349523125*10)) / 10
	sign := ""
	if oz < 0 {
		sign, oz = "-", -oz
	}
	lb := math.Floor(oz / 16)
	return sign + strconv.FormatFloat(lb, 'f', 0, 64) + " lb " + strconv.FormatFloat(oz-16*lb, 'f', 1, 64) + " oz"
}

// both writes a value in the wanted unit and, where the other world writes it
// otherwise, in that one too.
func (c choice) both(q sensors.Quantity, unit string, si float64) (main, other string) {
	m, o := c.dressed(q, unit)
	if m == o {
		return m.text(si), ""
	}
	return m.text(si), o.text(si)
}

// keyed is a figure of a step's finding: its label and its value in words.
func (c choice) keyed(step, key string, v float64) (label, text string) {
	suffixes := []struct {
		end  string
		show func(float64) string
	}{
		{"_pa_per_s", func(v float64) string {
			return c.order(sig(v)+" Pa/s", sig(float64(v*micron.scale*60))+" micron/min")
		}},
		{"_pa_m3_per_s", func(v float64) string {
			return c.order(sig(v)+" Pa m³/s", sig(float64(v*1e6/101325))+" std cm³/s")
		}},
		{"_kg_per_m3", c.density},
		{"_length_m", c.length},
		{"_kg_per_s", c.massRate},
		{"_pa", func(v float64) string { return c.pressure(step, v) }},
		{"_kg", func(v float64) string { return pair(c.both(sensors.Mass, "kg", v)) }},
		{"_c", func(v float64) string { return pair(c.both(sensors.Temperature, "C", v)) }},
		{"_k", func(v float64) string { return c.order(sig(v)+" K", sig(float64(v*1.8))+" °F") }},
		{"_m3", c.volume},
		{"_s", func(v float64) string { return sig(v) + " s" }},
	}
	for _, s := range suffixes {
		if name, ok := strings.CutSuffix(key, s.end); ok {
			return strings.ReplaceAll(name, "_", " "), s.show(v)
		}
	}
	return strings.ReplaceAll(key, "_", " "), sig(v)
}

// offered is the unit, of those a form offers, in which a person reads: the
// first one where it is as measured.
func (c choice) offered(units []string) string {
	for _, u := range units {
		if us := customary(u) || u == "ft" || u == "lb/ft"; c == choiceUS && us || c == choiceSI && !us {
			return u
		}
	}
	if len(units) == 0 {
		return ""
	}
	return units[0]
}

// order writes a value of both worlds, the one that is wanted first.
func (c choice) order(si, us string) string {
	if c == choiceUS {
		return pair(us, si)
	}
	return pair(si, us)
}

func (c choice) density(v float64) string {
	return c.order(sig(v)+" kg/m³", sig(float64(v*1000*0.028316846592*pound.scale))+" lb/1000 ft³")
}

func (c choice) massRate(v float64) string {
	return c.order(sig(float64(v*60))+" kg/min", sig(float64(v*60*pound.scale))+" lb/min")
}

func (c choice) volume(v float64) string {
	return c.order(cubic(v), sig(float64(v/0.028316846592))+" ft³")
}

// flow writes what a pump is sold by: litres a second, cubic feet a minute.
func (c choice) flow(v float64) string {
	return c.order(sig(float64(v*1e3))+" l/s", sig(float64(v*60/0.028316846592))+" cfm")
}

// short writes a length that a rule is laid to.
func (c choice) short(m float64) string {
	return c.order(sig(float64(m*1e3))+" mm", sig(float64(m/0.0254))+" in")
}

// cubic writes a volume: pipes in litres, rooms in cubic metres.
func cubic(m3 float64) string {
	if m3 >= 1 {
		return sig(m3) + " m³"
	}
	return sig(float64(m3*1e3)) + " l"
}

// pressure shows a pressure of a finding. Its key does not say whether a gauge
// or a vacuum gauge measured it: in the pressure test it was a gauge, and a
// change of a few Pa is one of the gauge's; elsewhere its size tells.
func (c choice) pressure(step string, v float64) string {
	if step != "pressure-test" && math.Abs(v) < 2e4 {
		return pair(c.both(sensors.Vacuum, "micron", v))
	}
	return pair(c.both(sensors.Pressure, "psi", v))
}

// beside writes a value in one unit with that in the other beside it.
func (d dress) beside(other dress, si float64) string {
	if d == other {
		return d.text(si)
	}
	return pair(d.text(si), other.text(si))
}

func pair(main, other string) string {
	if other == "" {
		return main
	}
	return main + " (" + other + ")"
}

// sig writes three significant digits as a plain decimal.
func sig(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return dress{}.write(v)
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(v))))
	if digits < 0 {
		return thousands(strconv.FormatFloat(v, 'f', 0, 64))
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return thousands(s)
}
