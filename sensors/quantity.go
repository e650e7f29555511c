package sensors

import (
	"fmt"
	"math"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"
)

// Quantity is what a point measures. It fixes the SI unit, the finest step
// that is stored, and the names the uplink uses.
type Quantity uint8

// The quantities. The zero value is none.
const (
	NoQuantity Quantity = iota
	Temperature
	Vacuum           // absolute, by a vacuum gauge
	Pressure         // gauge pressure: above the atmosphere
	AbsolutePressure // absolute, by a transducer or a barometer
	Mass
	Humidity // relative, as a ratio
	Current
	Voltage
	Contact // 0 open or off, 1 closed or on
)

type quantity struct {
	word, unit, field string
	counts            float64 // counts per SI unit: what is stored is a whole number of them
	low, high         float64 // SI; outside is not a reading of anything
	dim               Dimension
}

// Sources of the bounds: absolute zero; nothing on such a site passes 100 MPa,
// 100 t, 2,000 C (common practice). A transducer's zero is off by 0.25 to 0.5 % of its range
// (common practice; 200 kPa to 2 MPa), so at a deep vacuum it shows less than nothing and is sound.
var quantities = [...]quantity{
	NoQuantity:       {"", "", "", 1, 0, 0, NoDimension},
	Temperature:      {"temperature", "C", "celsius", 1e3, -273.15, 2000, Temperatures},
	Vacuum:           {"vacuum", "Pa", "pascals", 1e3, 0, 1e8, Pressures},
	Pressure:         {"pressure", "Pa", "pascals", 1e3, -2e5, 1e8, Pressures},
	AbsolutePressure: {"absolute-pressure", "Pa", "pascals", 1e3, -1e4, 1e8, Pressures},
	Mass:             {"mass", "kg", "kilograms", 1e6, -1e5, 1e5, Masses},
	Humidity:         {"humidity", "1", "ratio", 1e6, 0, 1.05, Ratios},
	Current:          {"current", "A", "amperes", 1e6, -1e4, 1e4, Currents},
	Voltage:          {"voltage", "V", "volts", 1e6, -1e4, 1e4, Voltages},
	Contact:          {"contact", "1", "state", 1, 0, 1, Ratios},
}

// Quantities lists every quantity a point may measure.
func Quantities() []Quantity {
	var qs []Quantity
	for q := Temperature; int(q) < len(quantities); q++ {
		qs = append(qs, q)
	}
	return qs
}

// QuantityOf finds a quantity by the word used after `measures:`.
func QuantityOf(word string) (Quantity, bool) {
	for _, q := range Quantities() {
		if quantities[q].word == word {
			return q, true
		}
	}
	return NoQuantity, false
}

// String returns the word used after `measures:`.
func (q Quantity) String() string { return quantities[q].word }

// SI returns the symbol of the SI unit: C, Pa, kg, A, V, or 1 for a ratio.
func (q Quantity) SI() string { return quantities[q].unit }

// Field returns the SI unit written out, as stores name it: celsius, pascals.
func (q Quantity) Field() string { return quantities[q].field }

// Dimension returns what units the quantity may be written in.
func (q Quantity) Dimension() Dimension { return quantities[q].dim }

// Counts returns the stored whole number for an SI value: millikelvin,
// millipascal, milligram.
func (q Quantity) Counts(si float64) int64 {
	return int64(math.Round(float64(si * quantities[q].counts)))
}

// FromCounts is the inverse of Counts.
func (q Quantity) FromCounts(n int64) float64 { return float64(n) / quantities[q].counts }

// Round rounds an SI value to the nearest stored count, so that a value is the
// same before and after the journal.
func (q Quantity) Round(si float64) float64 { return q.FromCounts(q.Counts(si)) }

// Plausible reports whether the value can be a reading of the quantity at all.
func (q Quantity) Plausible(si float64) bool {
	return si >= quantities[q].low && si <= quantities[q].high // false for NaN
}

// Reading makes a reading of a value in the given unit ("" = SI). What cannot
// be one is failed, with the reason; it is never a number.
func (q Quantity) Reading(point string, value float64, unit string) Reading {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return Reading{Point: point, Health: Health{Failed, ReasonNotANumber}}
	}
	si := value
	if unit != "" {
		var err error
		if si, err = q.ToSI(value, unit); err != nil {
			return Reading{Point: point, Health: Health{Failed, ReasonUnit}}
		}
	}
	if !q.Plausible(si) {
		return Reading{Point: point, Health: Health{Failed, ReasonOffScale}}
	}
	return Reading{Point: point, Value: q.Round(si)}
}

// Dimension groups the units that may be converted into each other.
type Dimension uint8

// The dimensions in which people write quantities.
const (
	NoDimension Dimension = iota
	Temperatures
	Differences // of temperature: K, never C
	Pressures
	Masses
	Lengths
	Times
	Ratios
	Flows   // volume per time
	Volumes //
	Currents
	Voltages
	MassRates // mass per time
	Densities // mass per volume: of liquid, of a room's air
	Resistances
)

var dimensionWords = [...]string{"", "a temperature", "a temperature difference", "a pressure", "a mass", "a length", "a time", "a ratio", "a flow", "a volume", "a current", "a voltage", "a mass per time", "a mass per volume", "a resistance"}

// dimensionSI is the SI unit of each dimension, as people write it.
var dimensionSI = [...]string{"", "C", "K", "Pa", "kg", "m", "s", "1", "m3/s", "m3", "A", "V", "kg/s", "kg/m3", "ohm"}

// String returns the dimension as a noun: "a pressure".
func (d Dimension) String() string { return dimensionWords[d] }

// SI is the dimension's SI unit, as people write it; empty: a word.
func (d Dimension) SI() string { return dimensionSI[d] }

type reference uint8

const (
	either reference = iota
	gauge
	absolute
)

// String returns gauge or absolute.
func (r reference) String() string { return [...]string{"", "gauge", "absolute"}[r] }

type unit struct {
	dim           Dimension
	scale, offset float64 // SI = float64(value*scale) + offset
	ref           reference
}

// Conversions: exact by definition but for the micron, 101325/760 Pa per
// 1000 micron (one thousandth of a millimetre of mercury, conventional).
var units = map[string]unit{
	"C":  {dim: Temperatures, scale: 1},
	"°C": {dim: Temperatures, scale: 1},
	"F":  {dim: Temperatures, scale: 5.0 / 9, offset: -160.0 / 9},
	"°F": {dim: Temperatures, scale: 5.0 / 9, offset: -160.0 / 9},
	"K":  {dim: Differences, scale: 1},

	"Pa":      {dim: Pressures, scale: 1},
	"hPa":     {dim: Pressures, scale: 100},
	"kPa":     {dim: Pressures, scale: 1e3},
	"MPa":     {dim: Pressures, scale: 1e6},
	"mbar":    {dim: Pressures, scale: 100},
	"bar":     {dim: Pressures, scale: 1e5},
	"psi":     {dim: Pressures, scale: 6894.757293168361},
	"micron":  {dim: Pressures, scale: 101325.0 / 760 / 1000},
	"microns": {dim: Pressures, scale: 101325.0 / 760 / 1000},
	"torr":    {dim: Pressures, scale: 101325.0 / 760},
	"Torr":    {dim: Pressures, scale: 101325.0 / 760},
	"mTorr":   {dim: Pressures, scale: 101325.0 / 760 / 1000},
	"mmHg":    {dim: Pressures, scale: 101325.0 / 760},
	"inHg":    {dim: Pressures, scale: 3386.389},
	"psig":    {dim: Pressures, scale: 6894.757293168361, ref: gauge},
	"psia":    {dim: Pressures, scale: 6894.757293168361, ref: absolute},
	"barg":    {dim: Pressures, scale: 1e5, ref: gauge},
	"bara":    {dim: Pressures, scale: 1e5, ref: absolute},
	"kPag":    {dim: Pressures, scale: 1e3, ref: gauge},
	"kPaa":    {dim: Pressures, scale: 1e3, ref: absolute},
	"MPag":    {dim: Pressures, scale: 1e6, ref: gauge},
	"Pag":     {dim: Pressures, scale: 1, ref: gauge},
	"Paa":     {dim: Pressures, scale: 1, ref: absolute},

	"kg": {dim: Masses, scale: 1},
	"g":  {dim: Masses, scale: 1e-3},
	"mg": {dim: Masses, scale: 1e-6},
	"lb": {dim: Masses, scale: 0.45359237},
	"oz": {dim: Masses, scale: 0.028349523125},

	"m":  {dim: Lengths, scale: 1},
	"mm": {dim: Lengths, scale: 1e-3},
	"cm": {dim: Lengths, scale: 1e-2},
	"ft": {dim: Lengths, scale: 0.3048},
	"in": {dim: Lengths, scale: 0.0254},

	"ms":  {dim: Times, scale: 1e-3},
	"s":   {dim: Times, scale: 1},
	"min": {dim: Times, scale: 60},
	"h":   {dim: Times, scale: 3600},
	"d":   {dim: Times, scale: 86400},

	"%":   {dim: Ratios, scale: 0.01},
	"%RH": {dim: Ratios, scale: 0.01},
	"1":   {dim: Ratios, scale: 1},

	"l/s":  {dim: Flows, scale: 1e-3},
	"L/s":  {dim: Flows, scale: 1e-3},
	"m3/h": {dim: Flows, scale: 1.0 / 3600},
	"m3/s": {dim: Flows, scale: 1},
	"cfm":  {dim: Flows, scale: 0.000471947443},
	"l":    {dim: Volumes, scale: 1e-3},
	"L":    {dim: Volumes, scale: 1e-3}, // as pumps' plates and field sheets write it
	"m3":   {dim: Volumes, scale: 1},
	"ft3":  {dim: Volumes, scale: 0.3048 * 0.3048 * 0.3048},

	"A":  {dim: Currents, scale: 1},
	"mA": {dim: Currents, scale: 1e-3},
	"V":  {dim: Voltages, scale: 1},
	"mV": {dim: Voltages, scale: 1e-3},

	"ohm":  {dim: Resistances, scale: 1},
	"kohm": {dim: Resistances, scale: 1e3},
	"Mohm": {dim: Resistances, scale: 1e6},
	"Ω":    {dim: Resistances, scale: 1},
	"kΩ":   {dim: Resistances, scale: 1e3},

	"kg/min": {dim: MassRates, scale: 1.0 / 60},
	"kg/s":   {dim: MassRates, scale: 1},
	"lb/min": {dim: MassRates, scale: 0.45359237 / 60},

	"kg/m3":      {dim: Densities, scale: 1},
	"g/m3":       {dim: Densities, scale: 1e-3},
	"lb/ft3":     {dim: Densities, scale: 0.45359237 / (0.3048 * 0.3048 * 0.3048)},
	"lb/1000ft3": {dim: Densities, scale: 0.45359237 / (304.8 * 0.3048 * 0.3048)},
}

// SI converts a value of any known unit into the SI unit of its dimension and
// names that. Gauge and absolute pressure stay told apart: Pag, Paa.
func SI(value float64, symbol string) (si float64, unit string, err error) {
	u, ok := units[symbol]
	if !ok {
		return 0, "", fmt.Errorf("%q is not a unit known here", symbol)
	}
	unit = dimensionSI[u.dim]
	switch u.ref {
	case gauge:
		unit = "Pag"
	case absolute:
		unit = "Paa"
	}
	return float64(value*u.scale) + u.offset, unit, nil
}

// Units lists the symbols a dimension may be written in, sorted.
func (d Dimension) Units() []string { return d.units(either) }

// units leaves out those that contradict gauge or absolute.
func (d Dimension) units(ref reference) []string {
	var us []string
	for s, u := range units {
		if u.dim == d && (ref == either || u.ref == either || u.ref == ref) {
			us = append(us, s)
		}
	}
	sort.Strings(us)
	return us
}

func (d Dimension) accepted(ref reference) string { return strings.Join(d.units(ref), ", ") }

// reference says whether the quantity is gauge or absolute by its nature.
func (q Quantity) reference() reference {
	switch q {
	case Pressure:
		return gauge
	case Vacuum, AbsolutePressure:
		return absolute
	}
	return either
}

// ToSI converts a value from a named unit into the quantity's SI unit.
// The error says what would be accepted. A unit that contradicts gauge or
// absolute is an error.
func (q Quantity) ToSI(value float64, symbol string) (float64, error) {
	if q == Temperature && symbol == "K" { // an instrument that speaks kelvin means the absolute scale
		return float64(value) - 273.15, nil
	}
	u, err := q.Dimension().unit(symbol, q.reference())
	if err != nil {
		return 0, err
	}
	return float64(value*u.scale) + u.offset, nil
}

// unit finds a unit of the dimension; the error says what would be accepted.
func (d Dimension) unit(symbol string, ref reference) (unit, error) {
	u, ok := units[symbol]
	switch {
	case !ok || u.dim != d:
		return u, fmt.Errorf("%q is not a unit of %s; write one of %s", symbol, d, d.accepted(ref))
	case ref != either && u.ref != either && u.ref != ref:
		return u, fmt.Errorf("%q is %s pressure, but here it is %s; write one of %s", symbol, u.ref, ref, d.accepted(ref))
	}
	return u, nil
}

// ParseQuantity reads a quantity as people write it, a number and a unit
// ("500 micron", "2min", "31 lb 5 oz", "1-1/8 in"), into SI.
func ParseQuantity(text string, dim Dimension) (float64, error) {
	return parseQuantity(text, dim, either)
}

// Parse reads a quantity as people write it, for this quantity: gauge and
// absolute spellings that contradict it are errors.
func (q Quantity) Parse(text string) (float64, error) {
	return parseQuantity(text, q.Dimension(), q.reference())
}

// ParseTime reads a time as people write it: "250ms", "2 min", "6 h".
func ParseTime(text string) (time.Duration, error) {
	s, err := ParseQuantity(text, Times)
	if err != nil {
		return 0, err
	}
	if s < 0 || s > 1e9 {
		return 0, fmt.Errorf("%q is not a length of time this box can wait", text)
	}
	return time.Duration(math.Round(s*1e3)) * time.Millisecond, nil
}

// amount is a number and what is written on to the next blank: a fraction
// ("1/2", "1-1/8", "1 1/8") or a decimal, perhaps with an exponent.
var amount = regexp.MustCompile(`^(?:(?:(\d+)[ -])?(\d+)/(\d+)|((?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)) ?([^ ]*) ?`)

// joined is where a smaller unit's number follows without a blank: 31lb5oz, 1h30min.
var joined = regexp.MustCompile(`(lb|ft|d|h|min)(\d)`)

// comma is what follows a number's first digits where it is written with a comma: 5,5 C; 1,000 Pa.
var comma = regexp.MustCompile(`^,\d`)

// smaller names the unit that may follow another in one quantity: 31 lb 5 oz.
var smaller = map[string]string{"lb": "oz", "ft": "in", "d": "h", "h": "min", "min": "s"}

func parseQuantity(text string, dim Dimension, ref reference) (float64, error) {
	rest := joined.ReplaceAllString(strings.Join(strings.Fields(text), " "), "$1 $2")
	if cut, ok := strings.CutSuffix(rest, "ft 3"); ok && strings.HasSuffix(text, "ft3") {
		rest = cut + "ft3" // a cubic foot, no foot and 3 of something
	}
	sign := 1.0
	if strings.HasPrefix(rest, "-") || strings.HasPrefix(rest, "+") {
		if rest[0] == '-' {
			sign = -1 // of the whole: -31 lb 5 oz
		}
		rest = rest[1:]
	}
	total, follows := 0.0, ""
	for first := true; first || rest != ""; first = false {
		m := amount.FindStringSubmatch(rest)
		if m != nil && comma.MatchString(m[5]) {
			return 0, fmt.Errorf("%q: write decimals with a point, and nothing between thousands", text)
		}
		if m == nil || !first && m[5] != follows {
			return 0, fmt.Errorf("%q is not %s; write a number and one of %s", text, dim, dim.accepted(ref))
		}
		if m[5] == "" {
			return 0, fmt.Errorf("%q has no unit; write %s with one of %s", text, dim, dim.accepted(ref))
		}
		u, err := dim.unit(m[5], ref)
		if err != nil {
			return 0, fmt.Errorf("%q: %w", text, err)
		}
		v, ok := number(m)
		if !ok {
			return 0, fmt.Errorf("%q has no number that could be %s", text, dim)
		}
		total += float64(sign*v*u.scale) + u.offset
		follows, rest = smaller[m[5]], rest[len(m[0]):]
	}
	switch {
	case math.IsInf(total, 0):
		return 0, fmt.Errorf("%q has no number that could be %s", text, dim)
	case dim == Temperatures && total < quantities[Temperature].low:
		return 0, fmt.Errorf("%q is below absolute zero", text)
	}
	return total + 0, nil // a zero without its sign
}

// number is the value of an amount.
func number(m []string) (v float64, ok bool) {
	if m[4] != "" {
		v, err := strconv.ParseFloat(m[4], 64)
		return v, err == nil
	}
	whole, err := strconv.ParseFloat("0"+m[1], 64)
	a, err1 := strconv.ParseFloat(m[2], 64)
	b, err2 := strconv.ParseFloat(m[3], 64)
	return whole + a/b, err == nil && err1 == nil && err2 == nil && b != 0
}
