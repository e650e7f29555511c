package sensors

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Scale turns the voltage that a converter measures into the value of a point. It is
// read from the point's own settings, of which one names the kind:
//
//	ntc:         {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}  # a divider with a thermistor
//	ratiometric: {from: 0 bar, to: 50 bar}                             # 10 to 90 % of the supply: 0.5 to 4.5 V of 5 V
//	loop:        {shunt: 150 ohm, from: 0 bar, to: 50 bar}             # 4 to 20 mA through a resistor
//	linear:      {from: [1 V, 0 bar], to: [5 V, 50 bar]}
//	log:         {a: 6.143 V, b: 1.286 V, unit: mbar, under-range: 1.9 V, over-range: 9.9 V}
//	table:       {points: [[0.5 V, 0.1 mbar], [4 V, 10 mbar]], between: log}
//
// A point that measures voltage may go without. Gauge and absolute are told apart by
// what the point measures. A transducer that is sealed at one atmosphere is an absolute one:
// its point measures absolute-pressure, and its range is written 1.01325 bar higher than on its plate.
type Scale struct {
	// Supplied: the value comes from the signal as a part of the probe's supply.
	Supplied bool
	// Highest is the highest signal that still tells something, in volts or as a
	// part of the supply: what the converter must be able to take in. 0: not known.
	Highest float64

	value func(signal float64) (si float64, h Health)
}

// Reasons of signals.
const (
	ReasonUnderRange = "under-range" // less than the instrument reads
	ReasonOverRange  = "over-range"  // more than the instrument reads
	ReasonNoSupply   = "no-supply"   // what feeds the probe has no voltage
)

// ends names what a signal below and above its range stands for. A vacuum gauge is off-scale
// at the atmosphere, where it rests: nothing is wrong with it.
func ends(q Quantity, falls bool) (low, high string) {
	low, high = ReasonUnderRange, ReasonOverRange
	if q == Vacuum {
		high = ReasonOffScale
	}
	if falls { // a low signal is a high value
		return high, low
	}
	return low, high
}

// leastSupply is below every supply of a probe in use, 3.3 V and 5 V (common practice).
const leastSupply = 2.0

// Reading makes a point's reading of a voltage, and of the supply where the scale asks for it.
// Beyond says that the converter is at its end, and the true voltage lies beyond.
func (s Scale) Reading(p Point, volts, supply float64, beyond bool) Reading {
	fail := func(reason string) Reading { return Reading{Point: p.Name, Health: Health{Failed, reason}} }
	if s.Supplied {
		if !(supply >= leastSupply) {
			return fail(ReasonNoSupply)
		}
		volts /= supply
	}
	si, h := s.value(volts)
	switch {
	case h.Grade == Failed:
		return fail(h.Reason)
	case beyond:
		return fail(ReasonOffScale)
	}
	r := p.Quantity.Reading(p.Name, si, "")
	if r.Health.Grade == Good {
		r.Health = h
	}
	return r
}

// scales are the kinds of scale, by the setting that names them.
var scales = []struct {
	key  string
	read func(p Point, d *Decoder) Scale
}{
	{"ntc", readNTC},
	{"ratiometric", readRatiometric},
	{"loop", readLoop},
	{"linear", readLinear},
	{"log", readLog},
	{"table", readTable},
}

// ReadScale reads which scale a point has. Where there are faults the scale is not to be used.
func ReadScale(p Point, d *Decoder) Scale {
	var keys, given []string
	s := Scale{value: func(volts float64) (float64, Health) { return volts, Health{} }}
	for _, kind := range scales {
		keys = append(keys, kind.key)
		n, ok := d.Given(kind.key)
		if !ok {
			continue
		}
		if given = append(given, kind.key); len(given) > 1 {
			d.Fail(n, fmt.Sprintf("%s beside %s: a point has one scale", kind.key, given[0]), "delete one of them")
			continue
		}
		inner := Decode(n, d.faults)
		s = kind.read(p, inner)
		inner.Done()
	}
	if len(given) == 0 && p.Quantity != Voltage {
		d.Fail(Node{}, fmt.Sprintf("nothing says how the voltage becomes %s", p.Quantity), "add one of "+strings.Join(keys, ", "))
	}
	return s
}

// Amount reads a quantity with its unit.
func (d *Decoder) Amount(key string, other float64, dim Dimension) float64 {
	n, ok := d.scalar(key)
	if !ok {
		return other
	}
	return d.amount(key, n, dim.parse)
}

// usual is what often stands under a key, for who left it out.
var usual = map[string]string{
	"resistance": "10 kohm", "series": "10 kohm, the resistor that the thermistor is in series with", "shunt": "150 ohm, the resistor that the current goes through",
}

// must reads what has to be given. It is NaN where there is a fault, which no comparison
// finds a second fault in.
func (d *Decoder) must(key string, parse func(string) (float64, error)) float64 {
	if d.Required(key, usual[key]) == "" {
		return math.NaN()
	}
	return d.amount(key, d.Node(key), parse)
}

func (d *Decoder) amount(key string, n Node, parse func(string) (float64, error)) float64 {
	v, err := parse(n.Text)
	if err != nil {
		d.Fail(n, fmt.Sprintf("%s: %v", key, err), "")
		return math.NaN()
	}
	return v
}

func (dim Dimension) parse(text string) (float64, error) { return ParseQuantity(text, dim) }

// positive faults what is there and not greater than zero.
func (d *Decoder) positive(key string, v float64) float64 {
	if v <= 0 {
		d.Fail(d.Node(key), fmt.Sprintf("%s: %q is nothing", key, d.Node(key).Text), "write what is there")
		return math.NaN()
	}
	return v
}

// pair reads two quantities in brackets: [1 V, 0 bar].
func (d *Decoder) pair(key string, n Node, one, two func(string) (float64, error)) (a, b float64) {
	if n.Kind != List || len(n.Items) != 2 || n.Items[0].Kind != Scalar || n.Items[1].Kind != Scalar {
		d.Fail(n, key+" should be two values in brackets", "write [signal, value]")
		return math.NaN(), math.NaN()
	}
	return d.amount(key, n.Items[0], one), d.amount(key, n.Items[1], two)
}

// The bands of a signal with a live zero, as parts of its span, from NAMUR NE 43 for 4 to
// 20 mA: what lies within 3.8 and 20.5 mA is measured; below 3.6 and above 21 mA the
// transmitter or its loop has failed; between, it is at its end and the value is in doubt.
const (
	failedLow    = (3.6 - 4) / 16
	saturatedLow = (3.8 - 4) / 16
	saturated    = (20.5 - 4) / 16
	failedHigh   = (21.0 - 4) / 16
)

// line is a straight scale with its bands.
type line struct {
	zero, span          float64 // of the signal
	from, to            float64 // SI
	lowFails, highFails float64 // parts of the span
	low, high           string  // what a signal there stands for
}

func (l line) scale(q Quantity, supplied bool) Scale {
	l.low, l.high = ends(q, l.to < l.from)
	return Scale{Supplied: supplied, Highest: l.zero + float64(l.highFails*l.span), value: l.value}
}

func (l line) value(signal float64) (float64, Health) {
	part := (signal - l.zero) / l.span
	switch si := l.from + float64(part*(l.to-l.from)); {
	case part < l.lowFails && l.zero > 0:
		return 0, Health{Failed, ReasonBelowZero}
	case part < l.lowFails:
		return 0, Health{Failed, l.low}
	case part > l.highFails:
		return 0, Health{Failed, l.high}
	case part < saturatedLow:
		return si, Health{Suspect, l.low}
	case part > saturated:
		return si, Health{Suspect, l.high}
	default:
		return si, Health{}
	}
}

// between reads the two ends of what is measured.
func (d *Decoder) between(p Point) (from, to float64) {
	from, to = d.must("from", p.Quantity.Parse), d.must("to", p.Quantity.Parse)
	switch {
	case from == to:
		d.Fail(d.Node("to"), "to is the same as from", "write the range on the transducer's plate")
	case from > to: // a slip far more often than an instrument, and one that turns every value about
		d.Fail(d.Node("to"), "to is lower than from", "write the lower end under from; an instrument whose signal falls is written as linear or table")
	}
	return from, to
}

// readRatiometric reads a transducer that gives 10 to 90 % of its supply: 0.5 to 4.5 V of
// 5 V. Under 2.5 and above 97.5 % a wire is broken or shorted (common practice); that is wider than
// NAMUR's bands, for a gauge transducer on a pipe under vacuum reads below its zero.
func readRatiometric(p Point, d *Decoder) Scale {
	const zero, end, wire = 0.1, 0.9, 0.025
	l := line{zero: zero, span: end - zero, lowFails: (wire - zero) / (end - zero), highFails: (1 - wire - zero) / (end - zero)}
	l.from, l.to = d.between(p)
	s := l.scale(p.Quantity, true)
	s.Highest = 1 // the supply itself, on a shorted wire
	return s
}

// readLoop reads a 4 to 20 mA transmitter and the resistor that its current goes through.
func readLoop(p Point, d *Decoder) Scale {
	ohm := d.positive("shunt", d.must("shunt", Resistances.parse))
	l := line{zero: 0.004 * ohm, span: 0.016 * ohm, lowFails: failedLow, highFails: failedHigh}
	l.from, l.to = d.between(p)
	return l.scale(p.Quantity, false)
}

// readLinear reads any other straight scale by two points of it.
func readLinear(p Point, d *Decoder) Scale {
	l := line{lowFails: failedLow, highFails: failedHigh}
	var end float64
	l.zero, l.from = d.mustPair("from", p)
	end, l.to = d.mustPair("to", p)
	l.span = end - l.zero
	if l.span <= 0 {
		d.Fail(d.Node("to"), "to has no higher voltage than from", "write the end with the higher voltage under to; the values may fall")
	}
	if l.from == l.to {
		d.Fail(d.Node("to"), "to is the same value as from", "write two points of the scale that differ")
	}
	return l.scale(p.Quantity, false)
}

func (d *Decoder) mustPair(key string, p Point) (volts, si float64) {
	n, given := d.Given(key)
	if !given {
		d.Fail(Node{}, key+" is missing", "add "+key+": [volts, value]")
		return math.NaN(), math.NaN()
	}
	return d.pair(key, n, Voltages.parse, p.Quantity.Parse)
}

// readLog reads an analogue vacuum gauge whose voltage goes with the logarithm of the pressure,
// as makers write it: P = 10^((V-a)/b) in some unit, with the voltages between which that holds.
// Below dead, if that is given, there is no gauge at all; without it a gauge whose plug is out shows as
// under-range. Above fault, if that is given, the gauge says that it is broken.
func readLog(p Point, d *Decoder) Scale {
	a := d.must("a", Voltages.parse)
	b := d.positive("b", d.must("b", Voltages.parse))
	unit := d.Required("unit")
	if _, err := p.Quantity.ToSI(1, unit); err != nil && unit != "" {
		d.Fail(d.Node("unit"), "unit: "+err.Error(), "")
	}
	under, over := d.must("under-range", Voltages.parse), d.must("over-range", Voltages.parse)
	dead := d.Amount("dead", math.Inf(-1), Voltages)
	fault := d.Amount("fault", math.Inf(1), Voltages)
	if fault < over {
		d.Fail(d.Node("fault"), "fault is lower than over-range", "write the voltage above which the gauge says that it is broken")
	}
	if under >= over {
		d.Fail(d.Node("over-range"), "over-range is no higher than under-range", "write the voltages between which the maker's formula holds")
	}
	if dead > under {
		d.Fail(d.Node("dead"), "dead is higher than under-range", "write the voltage below which there is no signal at all")
	}
	low, high := ends(p.Quantity, false)
	value := func(volts float64) (float64, Health) {
		switch {
		case volts < dead:
			return 0, Health{Failed, ReasonBelowZero}
		case volts < under:
			return 0, Health{Failed, low}
		case volts > fault:
			return 0, Health{Failed, ReasonFault}
		case volts > over:
			return 0, Health{Failed, high}
		}
		si, err := p.Quantity.ToSI(math.Pow(10, (volts-a)/b), unit)
		if err != nil {
			return 0, Health{Failed, ReasonUnit}
		}
		return si, Health{}
	}
	// The formula rises, so that its upper end is where a slip shows.
	if si, h := value(over); h.Grade == Good && si > quantities[p.Quantity].high {
		d.Fail(d.Node("over-range"), fmt.Sprintf("over-range: the formula gives %.3g %s there", si, p.Quantity.SI()), "look at a, b and unit")
	}
	highest := over
	if !math.IsInf(fault, 1) {
		highest = fault
	}
	return Scale{Highest: highest, value: value}
}

// knot is one row of a table.
type knot struct{ volts, si float64 }

// readTable reads a scale given by points of it. Between them it is straight, or straight in the logarithm
// of the value; a little beyond its ends, as much as for a live zero, it goes on so.
func readTable(p Point, d *Decoder) Scale {
	n, given := d.Given("points")
	logarithm := d.OneOf("between", "linear", "linear", "log") == "log"
	if !given || n.Kind != List || len(n.Items) < 2 {
		d.Fail(n, "a table has two points at least", "write points: [[1 V, 0.1 mbar], [2 V, 1 mbar], ...]")
		return Scale{}
	}
	var table []knot
	for _, it := range n.Items {
		volts, si := d.pair("points", it, Voltages.parse, p.Quantity.Parse)
		k := knot{volts, si}
		if logarithm {
			if si <= 0 {
				d.Fail(it, "points: a logarithm needs values above zero", "write between: linear, or leave the point out")
			}
			k.si = math.Log(si)
		}
		if i := len(table); i > 0 && k.volts <= table[i-1].volts {
			d.Fail(it, "points: its voltage is no higher than the one before", "write the points by rising voltage")
		} else if i > 1 && (k.si-table[i-1].si)*(table[1].si-table[0].si) <= 0 || i == 1 && k.si == table[0].si {
			d.Fail(it, "points: its value turns back", "write values that only rise or only fall: look for a slip of the pen")
		}
		table = append(table, k)
	}
	return tableScale(p.Quantity, table, logarithm)
}

func tableScale(q Quantity, table []knot, logarithm bool) Scale {
	first, last := table[0], table[len(table)-1]
	slack := float64(-saturatedLow * (last.volts - first.volts))
	low, high := ends(q, last.si < first.si)
	value := func(volts float64) (float64, Health) {
		switch {
		case volts < first.volts-slack:
			return 0, Health{Failed, low}
		case volts > last.volts+slack:
			return 0, Health{Failed, high}
		}
		i := slices.IndexFunc(table[1:len(table)-1], func(k knot) bool { return volts < k.volts })
		if i < 0 {
			i = len(table) - 2
		}
		a, b := table[i], table[i+1]
		si := a.si + float64((volts-a.volts)/(b.volts-a.volts)*(b.si-a.si))
		if logarithm {
			si = math.Exp(si)
		}
		return si, Health{}
	}
	return Scale{Highest: last.volts + slack, value: value}
}
