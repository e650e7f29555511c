package sensors

import (
	"fmt"
	"math"
	"strconv"
)

// kelvin is 0 C.
const kelvin = 273.15

// A clamp or an immersion probe on refrigerant pipes is made for no more than this (common
// practice); what would be colder is a broken wire, what would be hotter a shorted one.
const (
	coldestC = -50
	hottestC = 150
)

// steinhart are the coefficients of the Steinhart-Hart equation (J. S. Steinhart and S. R.
// Hart, Deep-Sea Research 15, 1968): 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm.
type steinhart struct{ a, b, c float64 }

func (s steinhart) inverse(lnR float64) float64 {
	return s.a + float64(s.b*lnR) + float64(s.c*float64(lnR*lnR)*lnR)
}

// celsius is the temperature of a thermistor of that many ohm.
func (s steinhart) celsius(ohm float64) float64 {
	return 1/s.inverse(math.Log(ohm)) - kelvin
}

// byBeta gives the coefficients of a thermistor known by its resistance at one
// temperature and its beta: 1/T = 1/T0 + ln(R/R0)/beta.
func byBeta(ohm, atC, beta float64) steinhart {
	return steinhart{a: 1/(atC+kelvin) - float64(math.Log(ohm)/beta), b: 1 / beta}
}

// through gives the coefficients that meet three points of a thermistor's table, ohm
// and C (divided differences of 1/T over ln R).
func through(ohm, c [3]float64) steinhart {
	var l, y [3]float64
	for i := range l {
		l[i], y[i] = math.Log(ohm[i]), 1/(c[i]+kelvin)
	}
	g2, g3 := (y[1]-y[0])/(l[1]-l[0]), (y[2]-y[0])/(l[2]-l[0])
	var s steinhart
	s.c = (g3 - g2) / (l[2] - l[1]) / (l[0] + l[1] + l[2])
	s.b = g2 - float64(s.c*(float64(l[0]*l[0])+float64(l[0]*l[1])+float64(l[1]*l[1])))
	s.a = y[0] - float64((s.b+float64(s.c*float64(l[0]*l[0])))*l[0])
	return s
}

// ohm finds the resistance at a temperature. Not ok where the coefficients give
// none, or where the curve turns back on the way there from a thermistor's middle.
func (s steinhart) ohm(c float64) (ohm float64, ok bool) {
	// ln R from a tenth of an ohm to 10 Gohm, narrowed to where 1/T rises with it.
	low, high := math.Log(0.1), math.Log(1e10)
	if turn := -s.b / (3 * s.c); s.c != 0 && turn > 0 {
		if turn = math.Sqrt(turn); s.c < 0 {
			low, high = max(low, -turn), min(high, turn)
		} else {
			low = max(low, turn)
		}
	} else if s.b <= 0 {
		return 0, false
	}
	want := 1 / (c + kelvin)
	if !(low < high && s.inverse(low) <= want && want <= s.inverse(high)) {
		return 0, false
	}
	for range 100 {
		if mid := (low + high) / 2; s.inverse(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Exp(low), true
}

// readNTC reads a thermistor in a divider: a series resistor from it to the supply (side: ground, the
// usual one) or to ground (side: supply). The thermistor is told by resistance and beta, by its
// coefficients or by three points of its table.
func readNTC(p Point, d *Decoder) Scale {
	if p.Quantity != Temperature {
		d.Fail(Node{}, fmt.Sprintf("a thermistor measures temperature, not %s", p.Quantity), "write measures: temperature")
	}
	before := len(*d.faults)
	series := d.positive("series", d.must("series", Resistances.parse))
	grounded := d.OneOf("side", "ground", "ground", "supply") == "ground"
	lowest, highest := d.Amount("lowest", coldestC, Temperatures), d.Amount("highest", hottestC, Temperatures)
	s := readThermistor(d)
	if lowest >= highest {
		d.Fail(d.Node("lowest"), "lowest is no lower than highest", "write the range that the probe is made for")
	}
	if len(*d.faults) > before {
		return Scale{}
	}
	open, ok := s.ohm(lowest)
	short, ok2 := s.ohm(highest)
	if !ok || !ok2 || open <= short {
		d.Fail(Node{}, fmt.Sprintf("the thermistor's figures give no curve from %g to %g C", lowest, highest),
			"look for a slip of the pen; resistances count in ohm, and lowest and highest must lie where the figures hold")
	}
	return Scale{Supplied: true, Highest: 1, value: func(part float64) (float64, Health) {
		if !grounded {
			part = 1 - part
		}
		if part >= 1 {
			return 0, Health{Failed, ReasonOpen}
		}
		switch r := series * part / (1 - part); {
		case r > open:
			return 0, Health{Failed, ReasonOpen}
		case r < short:
			return 0, Health{Failed, ReasonShort}
		default:
			return s.celsius(r), Health{}
		}
	}}
}

// readThermistor reads the one of three ways by which a thermistor is told.
func readThermistor(d *Decoder) steinhart {
	coefficients, byThree := d.Given("steinhart-hart")
	points, byTable := d.Given("points")
	_, byRatio := d.Given("beta")
	_, resistance := d.Given("resistance")
	d.Given("at")
	switch {
	case !(byThree || byTable || byRatio || resistance):
		d.Fail(Node{}, "nothing tells the thermistor", "give resistance and beta, steinhart-hart or points, from its data sheet")
	case byThree && byTable, byThree && byRatio, byTable && byRatio:
		d.Fail(Node{}, "the thermistor is told in two ways", "give beta, steinhart-hart or points")
	case byThree:
		if coefficients.Kind != List || len(coefficients.Items) != 3 {
			d.Fail(coefficients, "steinhart-hart should be three numbers", "write [a, b, c] of 1/T = a + b ln R + c (ln R)^3, for kelvin and ohm")
			return steinhart{}
		}
		var v [3]float64
		for i, n := range coefficients.Items {
			v[i] = d.amount("steinhart-hart", n, bare)
		}
		return steinhart{v[0], v[1], v[2]}
	case byTable:
		return readPoints(points, d)
	default:
		ohm := d.positive("resistance", d.must("resistance", Resistances.parse))
		beta := d.positive("beta", d.must("beta", Differences.parse))
		return byBeta(ohm, d.Amount("at", 25, Temperatures), beta)
	}
	return steinhart{}
}

// bare reads a coefficient, whose unit is that of its formula.
func bare(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	return v, nil
}

// readPoints reads three points of a thermistor's table.
func readPoints(n Node, d *Decoder) steinhart {
	var ohm, c [3]float64
	if n.Kind != List || len(n.Items) != len(ohm) {
		d.Fail(n, "points should be three points of the thermistor's table", "write points: [[32.65 kohm, 0 C], [10 kohm, 25 C], [3601 ohm, 50 C]]")
		return steinhart{}
	}
	for i, it := range n.Items {
		ohm[i], c[i] = d.pair("points", it, Resistances.parse, Temperatures.parse)
		if ohm[i] <= 0 {
			d.Fail(it, "points: a resistance of nothing", "write what the table says")
		} else if i > 0 && !(ohm[i] < ohm[i-1] && c[i] > c[i-1]) && !math.IsNaN(ohm[i]+c[i]+ohm[i-1]+c[i-1]) {
			d.Fail(it, "points: the resistance should fall while the temperature rises", "write the points by rising temperature; an NTC is meant")
		}
	}
	return through(ohm, c)
}
