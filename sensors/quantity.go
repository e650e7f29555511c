package sensors

import (
	"fmt"
	"math"
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
// 100 t, 2,000 C (common practice).
var quantities = [...]quantity{
	NoQuantity:       {"", "", "", 1, 0, 0, NoDimension},
	Temperature:      {"temperature", "C", "celsius", 1e3, -273.15, 2000, Temperatures},
	Vacuum:           {"vacuum", "Pa", "pascals", 1e3, 0, 1e8, Pressures},
	Pressure:         {"pressure", "Pa", "pascals", 1e3, -2e5, 1e8, Pressures},
	AbsolutePressure: {"absolute-pressure", "Pa", "pascals", 1e3, 0, 1e8, Pressures},
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
)

var dimensionWords = [...]string{"", "a temperature", "a temperature difference", "a pressure", "a mass", "a length", "a time", "a ratio", "a flow", "a volume", "a current", "a voltage", "a mass per time"}

// dimensionSI is the SI unit of each dimension, as people write it.
var dimensionSI = [...]string{"", "C", "K", "Pa", "kg", "m", "s", "1", "m3/s", "m3", "A", "V", "kg/s"}

// String returns the dimension as a noun: "a pressure".
func (d Dimension) String() string { return dimensionWords[d] }

type reference uint8

const (
	either reference = iota
	gauge
	absolute
)

type unit struct {
	dim           Dimension
	scale, offset float64 // SI = float64(value*scale) + offset
	ref           reference
	temperature   bool
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
	"m3/h": {dim: Flows, scale: 1.0 / 3600},
	"m3/s": {dim: Flows, scale: 1},
	"cfm":  {dim: Flows, scale: 0.000471947443},
	"l":    {dim: Volumes, scale: 1e-3},
	"m3":   {dim: Volumes, scale: 1},

	"A":  {dim: Currents, scale: 1},
	"mA": {dim: Currents, scale: 1e-3},
	"V":  {dim: Voltages, scale: 1},
	"mV": {dim: Voltages, scale: 1e-3},

	"kg/min": {dim: MassRates, scale: 1.0 / 60},
	"kg/s":   {dim: MassRates, scale: 1},
	"lb/min": {dim: MassRates, scale: 0.45359237 / 60},
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
func (d Dimension) Units() []string {
	var us []string
	for s, u := range units {
		if u.dim == d {
			us = append(us, s)
		}
	}
	sort.Strings(us)
	return us
}

func (d Dimension) accepted() string { return strings.Join(d.Units(), ", ") }

// ToSI converts a value from a named unit into the quantity's SI unit.
// The error says what would be accepted. A unit that contradicts gauge or
// absolute is an error.
func (q Quantity) ToSI(value float64, symbol string) (float64, error) {
	u, ok := units[symbol]
	dim := q.Dimension()
	if q == Temperature && symbol == "K" { // an instrument that speaks kelvin means the absolute scale
		return float64(value) - 273.15, nil
	}
	if !ok || u.dim != dim {
		return 0, fmt.Errorf("%q is not a unit of %s; write one of %s", symbol, dim, dim.accepted())
	}
	if u.ref == gauge && (q == Vacuum || q == AbsolutePressure) {
		return 0, fmt.Errorf("%q is gauge pressure, but %s is absolute", symbol, q)
	}
	if u.ref == absolute && q == Pressure {
		return 0, fmt.Errorf("%q is absolute pressure, but %s is gauge", symbol, q)
	}
	return float64(value*u.scale) + u.offset, nil
}

// ParseQuantity reads a quantity as people write it, a number and a unit
// ("500 micron", "2min", "31 lb 5 oz", "1-1/8 in"), into SI.
func ParseQuantity(text string, dim Dimension) (float64, error) {
	return parseQuantity(text, dim, either)
}

// Parse reads a quantity as people write it, for this quantity: gauge and
// absolute spellings that contradict it are errors.
func (q Quantity) Parse(text string) (float64, error) {
	ref := either
	switch q {
	case Pressure:
		ref = gauge
	case Vacuum, AbsolutePressure:
		ref = absolute
	}
	return parseQuantity(text, q.Dimension(), ref)
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

func parseQuantity(text string, dim Dimension, ref reference) (float64, error) {
	rest := strings.TrimSpace(text)
	total, parts := 0.0, 0
	var last string
	for rest != "" {
		num, after := cutNumber(rest)
		if num == "" {
			break
		}
		v, err := number(num)
		if err != nil {
			return 0, fmt.Errorf("%q is not a number", num)
		}
		after = strings.TrimLeft(after, " ")
		end := strings.IndexByte(after, ' ')
		if end < 0 {
			end = len(after)
		}
		symbol := after[:end]
		if symbol == "" {
			return 0, fmt.Errorf("%q has no unit; write %s with one of %s", text, dim, dim.accepted())
		}
		u, ok := units[symbol]
		if !ok || u.dim != dim {
			return 0, fmt.Errorf("%q is not a unit of %s; write one of %s", symbol, dim, dim.accepted())
		}
		if ref == absolute && u.ref == gauge || ref == gauge && u.ref == absolute {
			return 0, fmt.Errorf("%q contradicts what is meant here (%s)", symbol, map[reference]string{gauge: "gauge pressure", absolute: "absolute pressure"}[ref])
		}
		if parts > 0 && (last != "lb" || symbol != "oz") && (last != "ft" || symbol != "in") {
			break
		}
		total += float64(v*u.scale) + u.offset
		last, rest = symbol, strings.TrimLeft(after[end:], " ")
		parts++
	}
	if parts == 0 || rest != "" {
		return 0, fmt.Errorf("%q is not %s; write a number and one of %s", text, dim, dim.accepted())
	}
	if math.IsNaN(total) || math.IsInf(total, 0) {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	return total, nil
}

// cutNumber splits a leading number (sign, digits, point, exponent, or a
// fraction such as 1/2 or 1-1/8) from what follows it.
func cutNumber(s string) (num, rest string) {
	i := 0
	for i < len(s) {
		c := s[i]
		digit := c >= '0' && c <= '9'
		sign := (c == '-' || c == '+') && i == 0
		mixed := (c == '-' || c == '/') && i > 0 && s[i-1] >= '0' && s[i-1] <= '9' && i+1 < len(s) && s[i+1] >= '0' && s[i+1] <= '9'
		if !digit && !sign && c != '.' && !mixed {
			break
		}
		i++
	}
	if strings.Trim(s[:i], "+-") == "" {
		return "", s
	}
	return s[:i], s[i:]
}

func number(s string) (float64, error) {
	whole := 0.0
	if i := strings.LastIndexByte(s, '-'); i > 0 { // 1-1/8
		w, err := strconv.ParseFloat(s[:i], 64)
		if err != nil || !strings.Contains(s[i:], "/") {
			return 0, fmt.Errorf("not a number")
		}
		whole, s = w, s[i+1:]
	}
	if n, d, ok := strings.Cut(s, "/"); ok {
		a, err1 := strconv.ParseFloat(n, 64)
		b, err2 := strconv.ParseFloat(d, 64)
		if err1 != nil || err2 != nil || b == 0 {
			return 0, fmt.Errorf("not a number")
		}
		return whole + a/b, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	return whole + v, err
}
