package web

import (
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// choice is which units a person wants as the main ones; kept in a cookie.
type choice string

const (
	asMeasured choice = ""   // the unit the instrument speaks
	choiceSI   choice = "si" //
	choiceUS   choice = "us"
)

// onOff has no unit.
var onOff = rules.Scale{Factor: 1}

// scales returns the SI and the US unit of a quantity; the same twice where
// both worlds agree.
func scales(q sensors.Quantity) (si, us rules.Scale) {
	switch q {
	case sensors.Temperature:
		return rules.Celsius, rules.Fahrenheit
	case sensors.Vacuum:
		return rules.Pascal, rules.Micron
	case sensors.Pressure:
		return rules.Kilopascal, rules.PSI
	case sensors.AbsolutePressure:
		return rules.Kilopascal, rules.InHg
	case sensors.Mass:
		return rules.Kilogram, rules.Pound
	case sensors.Humidity:
		return rules.Percent, rules.Percent
	case sensors.Current:
		return rules.Ampere, rules.Ampere
	case sensors.Voltage:
		return rules.Volt, rules.Volt
	}
	return onOff, onOff
}

// gauges are units of pressure that an instrument may speak beside those of the two worlds.
var gauges = map[string]rules.Scale{"bar": rules.Bar, "barg": rules.Bar, "MPa": rules.Megapascal}

// customary tells which world a unit of an instrument belongs to.
func customary(unit string) bool {
	switch unit {
	case "micron", "microns", "torr", "Torr", "mmHg", "inHg", "psi", "psig", "psia", "lb", "oz", "F", "°F":
		return true
	}
	return false
}

// scales returns the unit that a person wants first, and the other one.
func (c choice) scales(q sensors.Quantity, unit string) (main, other rules.Scale) {
	si, us := scales(q)
	if own, ok := gauges[unit]; ok && c == asMeasured && (q == sensors.Pressure || q == sensors.AbsolutePressure) {
		return own, us
	}
	if c == choiceUS || c == asMeasured && customary(unit) {
		return us, si
	}
	return si, us
}

// both writes a value in the wanted unit and, where the other world writes it
// otherwise, in that one too.
func (c choice) both(q sensors.Quantity, unit string, si float64) (main, other string) {
	m, o := c.scales(q, unit)
	if m == o {
		return m.Text(si), ""
	}
	return m.Text(si), o.Text(si)
}

// keyed is a figure of a step's finding: its label and its value in words.
func (c choice) keyed(step, key string, v float64) (label, text string) {
	label, si, us := rules.Figure(step, key, v)
	if label != "" {
		label = strings.ToUpper(label[:1]) + label[1:]
	}
	if (strings.HasSuffix(key, "_pa") || strings.HasSuffix(key, "_pa_per_s")) && c == asMeasured { // the trade's gauges first
		return label, pair(us, si)
	}
	return label, c.order(si, us)
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
	if c == choiceUS && us != "" {
		return pair(us, si)
	}
	return pair(si, us)
}

// given writes a setting, or what a list gave, in both worlds' units.
func (c choice) given(v float64, si, us rules.Scale) string {
	return c.order(rules.AsGiven(si.Value(v))+" "+si.Symbol, rules.AsGiven(us.Value(v))+" "+us.Symbol)
}

// Units of what is set and never read off.
var (
	litresASecond = rules.Scale{Symbol: "l/s", Factor: 1e3}
	cubicFeetAMin = rules.Scale{Symbol: "cfm", Factor: 60 / 0.028316846592}
	millimetre    = rules.Scale{Symbol: "mm", Factor: 1e3}
	inch          = rules.Scale{Symbol: "in", Factor: 1 / 0.0254}
	kilogramAMin  = rules.Scale{Symbol: "kg/min", Factor: 60}
	poundAMin     = rules.Scale{Symbol: "lb/min", Factor: 60 / 0.45359237}
	kilogramRoom  = rules.Scale{Symbol: "kg/m³", Factor: 1}
	poundRoom     = rules.Scale{Symbol: "lb/1000 ft³", Factor: 1000 * 0.028316846592 / 0.45359237}
	litre         = rules.Scale{Symbol: "l", Factor: 1e3}
	cubicMetre    = rules.Scale{Symbol: "m³", Factor: 1}
	cubicFoot     = rules.Scale{Symbol: "ft³", Factor: 1 / 0.028316846592}
	kilogramMetre = rules.Scale{Symbol: "kg/m", Factor: 1}
	poundFoot     = rules.Scale{Symbol: "lb/ft", Factor: 0.3048 / 0.45359237}
)

func pair(main, other string) string {
	if other == "" {
		return main
	}
	return main + " (" + other + ")"
}
