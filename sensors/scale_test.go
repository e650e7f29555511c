package sensors_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"standwatch/daemon/config"
	"standwatch/sensors"
)

// readScale reads a scale as a person writes it under a point.
func readScale(t testing.TB, measures, settings string) (sensors.Point, sensors.Scale, []string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "site.yaml")
	text := "site: {name: Quayside Library}\npoints:\n  - {name: p, measures: " + measures + ", every: 1s, i2c: {bus: a,\n" + settings + "}}\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	site, errs := config.Load(file, []sensors.Driver{{Name: "i2c", Device: "bus"}})
	if len(errs) > 0 || len(site.Points) != 1 {
		t.Fatalf("%s\n%v", text, errs)
	}
	p := site.Points[0]
	var faults []error
	d := sensors.Decode(p.Settings, &faults)
	d.Text("bus", "")
	s := sensors.ReadScale(p, d)
	d.Done()
	var told []string
	for _, f := range faults {
		told = append(told, strings.TrimPrefix(f.Error(), file+":"))
	}
	return p, s, told
}

func mustScale(t testing.TB, measures, settings string) (sensors.Point, sensors.Scale) {
	t.Helper()
	p, s, faults := readScale(t, measures, settings)
	if len(faults) > 0 {
		t.Fatalf("%s: %v", settings, faults)
	}
	return p, s
}

// table reads a reference table without its lines of source and its header.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func good(t *testing.T, r sensors.Reading, want, within float64) {
	t.Helper()
	if r.Health.Grade != sensors.Good || !(math.Abs(r.Value-want) <= within) {
		t.Errorf("%+v, want %g within %g", r, want, within)
	}
}

func health(t *testing.T, r sensors.Reading, grade sensors.Grade, reason string) {
	t.Helper()
	if r.Health != (sensors.Health{Grade: grade, Reason: reason}) || grade == sensors.Failed && r.Value != 0 {
		t.Errorf("%+v, want %s for %q", r, grade, reason)
	}
}

// Coefficient sets and temperatures of testdata/steinhart_hart_eval.csv, with the thermistor on
// either side of its divider.
func TestThermistorByCoefficients(t *testing.T) {
	t.Parallel()
	for _, row := range table(t, "steinhart_hart_eval.csv") {
		ohm, c := number(t, row[4]), number(t, row[5])
		for _, side := range []string{"ground", "supply"} {
			p, s := mustScale(t, "temperature", fmt.Sprintf("ntc: {steinhart-hart: [%s, %s, %s], series: 4700 ohm, side: %s}", row[1], row[2], row[3], side))
			volts := 3.3 * ohm / (ohm + 4700)
			if side == "supply" {
				volts = 3.3 - volts
			}
			good(t, s.Reading(p, volts, 3.3, false), c, 0.0006) // the table has four decimals, the point three
		}
	}
}

// Three rows of a printed table give the rest of it: testdata/steinhart_hart_fit.csv, whose case
// 2 is a table of which 0, 25 and 50 C are fitted.
func TestThermistorByThreePoints(t *testing.T) {
	t.Parallel()
	points := map[string]string{
		"1": "[2045 ohm, -50 C], [100 ohm, 25 C], [15 ohm, 100 C]",
		"2": "[32128 ohm, 0 C], [9814 ohm, 25 C], [3542 ohm, 50 C]",
		"3": "[25 kohm, 5 C], [10 kohm, 25 C], [4 kohm, 45 C]",
	}
	for _, row := range table(t, "steinhart_hart_fit.csv") {
		p, s := mustScale(t, "temperature", "ntc: {points: ["+points[row[0]]+"], series: 1 kohm, lowest: -50 C, highest: 120 C}")
		ohm := number(t, row[4])
		good(t, s.Reading(p, 5*ohm/(ohm+1000), 5, false), number(t, row[5]), 0.0011)
	}
}

// At 25 C the resistance is the nominal one; elsewhere R = R25 exp(B (1/T - 1/T25)), IEC
// 60539-1, by which makers tell B: for 3950 K at 85 C that is 1/9.20 of it (worked by hand).
func TestThermistorByBeta(t *testing.T) {
	t.Parallel()
	p, s := mustScale(t, "temperature", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}")
	good(t, s.Reading(p, 1.65, 3.3, false), 25, 0.0005)
	good(t, s.Reading(p, 3.3*1086.7/(10000+1086.7), 3.3, false), 85, 0.05)
	// It goes by the ratio: another supply, the same temperature.
	good(t, s.Reading(p, 2.4, 4.8, false), 25, 0.0005)
	if !s.Supplied || s.Highest != 1 {
		t.Errorf("a divider reaches its whole supply: %+v", s)
	}
}

func TestThermistorBroken(t *testing.T) {
	t.Parallel()
	for _, side := range []string{"ground", "supply"} {
		p, s := mustScale(t, "temperature", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm, side: "+side+"}")
		volts := func(part float64) float64 {
			if side == "supply" {
				part = 1 - part
			}
			return 3.3 * part
		}
		for _, part := range []float64{0.995, 1, 1.01} { // no cable, a wet plug of 2 Mohm
			health(t, s.Reading(p, volts(part), 3.3, false), sensors.Failed, sensors.ReasonOpen)
		}
		for _, part := range []float64{-0.001, 0, 0.005} { // 50 ohm of cable
			health(t, s.Reading(p, volts(part), 3.3, false), sensors.Failed, sensors.ReasonShort)
		}
		health(t, s.Reading(p, 0, 0.4, false), sensors.Failed, sensors.ReasonNoSupply)
		health(t, s.Reading(p, 0, math.NaN(), false), sensors.Failed, sensors.ReasonNoSupply)
		health(t, s.Reading(p, 1.65, 3.3, true), sensors.Failed, sensors.ReasonOffScale)
	}
}

// testdata/transducer.csv.
func TestRatiometric(t *testing.T) {
	t.Parallel()
	for _, row := range table(t, "transducer.csv") {
		p, s := mustScale(t, "pressure", "ratiometric: {from: 0 bar, to: "+row[2]+" kPag}")
		good(t, s.Reading(p, number(t, row[1]), number(t, row[0]), false), 1000*number(t, row[3]), 0.06)
	}
	p, s := mustScale(t, "pressure", "ratiometric: {from: 0 barg, to: 50 barg}")
	// Below 2.5 and above 97.5 % of the supply: the wire, by the same table's convention.
	health(t, s.Reading(p, 0.1, 5, false), sensors.Failed, sensors.ReasonBelowZero)
	health(t, s.Reading(p, 0, 5, false), sensors.Failed, sensors.ReasonBelowZero)
	health(t, s.Reading(p, 4.9, 5, false), sensors.Failed, sensors.ReasonOverRange)
	// A gauge transducer of 50 bar on a pipe under vacuum: -2 % of its range. There is a value, in doubt.
	if r := s.Reading(p, 0.42, 5, false); math.Abs(r.Value+1e5) > 1 {
		t.Errorf("under vacuum it reads %v", r)
	}
	health(t, s.Reading(p, 0.42, 5, false), sensors.Suspect, sensors.ReasonUnderRange)
	health(t, s.Reading(p, 0.42, 1.9, false), sensors.Failed, sensors.ReasonNoSupply)
}

// NAMUR NE 43: 3.8 to 20.5 mA is measured, below 3.6 and above 21 mA is a failure.
func TestLoop(t *testing.T) {
	t.Parallel()
	p, s := mustScale(t, "pressure", "loop: {shunt: 150 ohm, from: -1 bar, to: 39 bar}")
	at := func(mA float64) sensors.Reading { return s.Reading(p, mA*0.150, 0, false) }
	good(t, at(4), -1e5, 0.001)
	good(t, at(12), 19e5, 0.001)
	good(t, at(20), 39e5, 0.001)
	good(t, at(3.81), -1e5-40e5*0.19/16, 0.001)
	good(t, at(20.49), 39e5+40e5*0.49/16, 0.001)
	health(t, at(3.79), sensors.Suspect, sensors.ReasonUnderRange)
	health(t, at(3.61), sensors.Suspect, sensors.ReasonUnderRange)
	health(t, at(3.59), sensors.Failed, sensors.ReasonBelowZero)
	health(t, at(0), sensors.Failed, sensors.ReasonBelowZero)
	health(t, at(20.51), sensors.Suspect, sensors.ReasonOverRange)
	health(t, at(21.01), sensors.Failed, sensors.ReasonOverRange)
	if s.Supplied || math.Abs(s.Highest-3.15) > 1e-9 {
		t.Errorf("a loop of 150 ohm reaches 21 mA x 150 ohm: %+v", s)
	}
}

func TestLinear(t *testing.T) {
	t.Parallel()
	p, s := mustScale(t, "current", "linear: {from: [0 V, 0 A], to: [5 V, 50 A]}") // a current transmitter
	good(t, s.Reading(p, 1.23, 0, false), 12.3, 1e-6)
	good(t, s.Reading(p, -0.002, 0, false), -0.02, 1e-6)
	health(t, s.Reading(p, -0.2, 0, false), sensors.Failed, sensors.ReasonUnderRange)
	health(t, s.Reading(p, 5.4, 0, false), sensors.Failed, sensors.ReasonOverRange)

	p, s = mustScale(t, "absolute-pressure", "linear: {from: [1 V, 800 hPa], to: [5 V, 1.1 bara]}")
	good(t, s.Reading(p, 3, 0, false), 95000, 0.001)
	health(t, s.Reading(p, 0.8, 0, false), sensors.Failed, sensors.ReasonBelowZero)

	p, s = mustScale(t, "temperature", "linear: {from: [0 V, 50 C], to: [5 V, -10 C]}") // a falling one
	good(t, s.Reading(p, 2.5, 0, false), 20, 0.0005)
	health(t, s.Reading(p, -0.2, 0, false), sensors.Failed, sensors.ReasonOverRange)
	health(t, s.Reading(p, 5.4, 0, false), sensors.Failed, sensors.ReasonUnderRange)

	// A gauge on its way down: below nothing is nothing, and never a number.
	p, s = mustScale(t, "vacuum", "linear: {from: [0 V, 0 mbar], to: [10 V, 10 mbar]}")
	good(t, s.Reading(p, 5, 0, false), 500, 0.001)
	health(t, s.Reading(p, -0.001, 0, false), sensors.Failed, sensors.ReasonOffScale)
}

// Printed conversion tables of two gauges: testdata/vacuum_gauge_log.csv.
func TestLogGauge(t *testing.T) {
	t.Parallel()
	for _, row := range table(t, "vacuum_gauge_log.csv") {
		p, s := mustScale(t, "vacuum", fmt.Sprintf("log: {a: %s V, b: %s V, unit: %s, under-range: 1.82 V, over-range: 8.6 V}", row[4], row[5], row[3]))
		want, err := sensors.Vacuum.ToSI(number(t, row[2]), row[3])
		if err != nil {
			t.Fatal(err)
		}
		good(t, s.Reading(p, number(t, row[1]), 0, false), want, want*number(t, row[6])+0.0005)
	}
	p, s := mustScale(t, "vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar, dead: 0.5 V, under-range: 1.82 V, over-range: 8.6 V, fault: 9.5 V}")
	health(t, s.Reading(p, 0.2, 0, false), sensors.Failed, sensors.ReasonBelowZero)
	health(t, s.Reading(p, 1, 0, false), sensors.Failed, sensors.ReasonUnderRange)
	health(t, s.Reading(p, 9, 0, false), sensors.Failed, sensors.ReasonOffScale) // at the atmosphere it rests
	health(t, s.Reading(p, 10, 0, false), sensors.Failed, sensors.ReasonFault)
}

// The same gauges by points of their tables: straight between 1 V and 1 V is exact in the logarithm.
func TestTable(t *testing.T) {
	t.Parallel()
	p, s := mustScale(t, "vacuum", "table: {points: [[2 V, 0.001 torr], [5 V, 1 torr], [7 V, 100 torr]], between: log}")
	const torr = 101325.0 / 760
	good(t, s.Reading(p, 4, 0, false), 0.1*torr, 0.0006)
	good(t, s.Reading(p, 6, 0, false), 10*torr, 0.0006)
	good(t, s.Reading(p, 5, 0, false), torr, 0.0006)
	good(t, s.Reading(p, 7.05, 0, false), 100*torr*math.Pow(10, 0.05), 0.0006)
	health(t, s.Reading(p, 7.07, 0, false), sensors.Failed, sensors.ReasonOffScale)
	health(t, s.Reading(p, 1.93, 0, false), sensors.Failed, sensors.ReasonUnderRange)

	p, s = mustScale(t, "temperature", "table: {points: [[0 V, 100 C], [1 V, 50 C], [5 V, 0 C]]}")
	good(t, s.Reading(p, 0.5, 0, false), 75, 1e-9)
	good(t, s.Reading(p, 3, 0, false), 25, 1e-9)
	health(t, s.Reading(p, 5.2, 0, false), sensors.Failed, sensors.ReasonUnderRange)
	health(t, s.Reading(p, -0.2, 0, false), sensors.Failed, sensors.ReasonOverRange)
}

func TestPlainVoltage(t *testing.T) {
	t.Parallel()
	p, s := mustScale(t, "voltage", "")
	good(t, s.Reading(p, 3.2987, 0, false), 3.2987, 1e-9)
	health(t, s.Reading(p, 6.144, 0, true), sensors.Failed, sensors.ReasonOffScale)
}

// Everything wrong is told with its place and what would be right.
func TestScaleFaults(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ measures, settings, want string }{
		{"pressure", "", "nothing says how the voltage becomes pressure; add one of ntc, ratiometric, loop, linear, log, table"},
		{"pressure", "loop: {shunt: 150 ohm, from: 0 bar, to: 50 bar}, ratiometric: {from: 0 bar, to: 50 bar}", "loop beside ratiometric: a point has one scale"},
		{"pressure", "loop: {shunt: 150, from: 0 bar, to: 50 bar}", `shunt: "150" has no unit`},
		{"pressure", "loop: {shunt: 0 ohm, from: 0 bar, to: 50 bar}", `shunt: "0 ohm" is nothing`},
		{"pressure", "loop: {from: 0 bar, to: 50 bar}", "shunt is missing"},
		{"pressure", "loop: {shunt: 150 ohm, from: 0 bar, to: 0 bar}", "to is the same as from"},
		{"pressure", "loop: {shunt: 150 ohm, from: 60 bar, to: 0 bar}", "to is lower than from; write the lower end under from"},
		{"pressure", "ratiometric: {from: 50 bar, to: 0 bar}", "to is lower than from"},
		{"pressure", "loop: {from: 0 bar, to: 60 bar}", "shunt is missing; add shunt: 150 ohm"},
		{"pressure", "loop: {shunt: 150 ohm, from: 0 psia, to: 500 psig}", `"psia" is absolute pressure, but here it is gauge`},
		{"absolute-pressure", "ratiometric: {from: 0 bar, to: 50 barg}", `"barg" is gauge pressure, but here it is absolute`},
		{"temperature", "ratiometric: {from: 0 bar, to: 50 bar}", `"bar" is not a unit of a temperature`},
		{"pressure", "ratiometric: {from: 0 bar, to: 50 bar, shunt: 1 ohm}", `unknown key "shunt"`},
		{"pressure", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}", "a thermistor measures temperature, not pressure"},
		{"temperature", "ntc: {resistance: 10 kohm, beta: 3950, series: 10 kohm}", `beta: "3950" has no unit`},
		{"temperature", "ntc: {resistance: 10 kohm, beta: 3950 K}", "series is missing"},
		{"temperature", "ntc: {beta: 3950 K, series: 10 kohm}", "resistance is missing"},
		{"temperature", "ntc: {series: 10 kohm}", "nothing tells the thermistor"},
		{"temperature", "ntc: {steinhart-hart: [1e-3, 2e-4], series: 10 kohm}", "steinhart-hart should be three numbers"},
		{"temperature", "ntc: {steinhart-hart: [1e-3, two, 1e-7], series: 10 kohm}", `"two" is not a number`},
		{"temperature", "ntc: {steinhart-hart: [1e-3, 2e-4, NaN], series: 10 kohm}", `"NaN" is not a number`},
		{"temperature", "ntc: {steinhart-hart: [1e-3, -2e-4, 0], series: 10 kohm}", "give no curve from -50 to 150 C"},
		{"temperature", "ntc: {steinhart-hart: [1.129148, 0.234125, 8.76741e-5], series: 10 kohm}", "give no curve from -50 to 150 C"}, // thousandths meant
		{"temperature", "ntc: {beta: 3950 K, steinhart-hart: [1e-3, 2e-4, 1e-7], resistance: 1 kohm, series: 10 kohm}", "told in two ways"},
		{"temperature", "ntc: {points: [[10 kohm, 25 C], [3601 ohm, 50 C]], series: 10 kohm}", "points should be three points"},
		{"temperature", "ntc: {points: [[10 kohm, 25 C], [32 kohm, 0 C], [3601 ohm, 50 C]], series: 10 kohm}", "the resistance should fall while the temperature rises"},
		{"temperature", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm, lowest: 90 C, highest: 80 C}", "lowest is no lower than highest"},
		{"temperature", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm, side: left}", `side: "left" is not known here`},
		{"pressure", "linear: {from: [4.5 V, 0 bar], to: [0.5 V, 50 bar]}", "to has no higher voltage than from"},
		{"pressure", "linear: {from: [0.5 V, 0 bar]}", "to is missing"},
		{"pressure", "linear: {from: 0.5 V, to: [4.5 V, 50 bar]}", "from should be two values in brackets"},
		{"vacuum", "log: {a: 6.8 V, b: 0 V, unit: mbar, under-range: 1.82 V, over-range: 8.6 V}", `b: "0 V" is nothing`},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: psig, under-range: 1.82 V, over-range: 8.6 V}", `"psig" is gauge pressure`},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, under-range: 1.82 V, over-range: 8.6 V}", "unit is missing"},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar}", "under-range is missing"},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar, under-range: 8.6 V, over-range: 1.82 V}", "over-range is no higher than under-range"},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar, under-range: 1.82 V, over-range: 8.6 V, dead: 2 V}", "dead is higher than under-range"},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar, under-range: 1.82 V, over-range: 8.6 V, fault: 2 V}", "fault is lower than over-range"},
		{"vacuum", "log: {a: 0.68 V, b: 0.6 V, unit: mbar, under-range: 1.82 V, over-range: 8.6 V}", "the formula gives"},
		{"vacuum", "table: {points: [[1 V, 1 mbar]]}", "a table has two points at least"},
		{"vacuum", "table: {points: [[1 V, 1 mbar], [1 V, 2 mbar]]}", "its voltage is no higher than the one before"},
		{"vacuum", "table: {points: [[1 V, 1 mbar], [2 V, 3 mbar], [3 V, 2 mbar]]}", "its value turns back"},
		{"vacuum", "table: {points: [[1 V, 0 mbar], [2 V, 3 mbar]], between: log}", "a logarithm needs values above zero"},
		{"vacuum", "table: {points: [[1 V, 1 mbar, 3], [2 V, 3 mbar]]}", "points should be two values in brackets"},
	} {
		_, _, faults := readScale(t, c.measures, c.settings)
		if len(faults) == 0 || len(faults) > 2 || !strings.Contains(faults[0], c.want) { // two where both ends are wrong
			t.Errorf("%s: %s\ngives %q\nwant %q", c.measures, c.settings, faults, c.want)
			continue
		}
		if line, _, _ := strings.Cut(faults[0], ":"); line != "3" && line != "4" {
			t.Errorf("%s: the place is %s", c.settings, faults[0])
		}
	}
}

// Whatever comes from a converter, a reading is a plausible number or a named failure.
func FuzzScale(f *testing.F) {
	kinds := []struct{ measures, settings string }{
		{"temperature", "ntc: {resistance: 10 kohm, beta: 3950 K, series: 10 kohm}"},
		{"temperature", "ntc: {steinhart-hart: [1.129148e-3, 2.34125e-4, 8.76741e-8], series: 10 kohm, side: supply}"},
		{"pressure", "ratiometric: {from: 0 bar, to: 50 bar}"},
		{"pressure", "loop: {shunt: 150 ohm, from: 0 bar, to: 50 bar}"},
		{"vacuum", "log: {a: 6.8 V, b: 0.6 V, unit: mbar, under-range: 1.82 V, over-range: 8.6 V}"},
		{"vacuum", "table: {points: [[2 V, 0.001 torr], [5 V, 1 torr]], between: log}"},
		{"voltage", ""},
	}
	var points []sensors.Point
	var all []sensors.Scale
	for _, k := range kinds {
		p, s := mustScale(f, k.measures, k.settings)
		points, all = append(points, p), append(all, s)
	}
	f.Add(1.65, 3.3, false)
	f.Add(0.0, 0.0, true)
	f.Add(math.Inf(1), 5.0, false)
	f.Add(math.NaN(), math.NaN(), false)
	f.Fuzz(func(t *testing.T, volts, supply float64, beyond bool) {
		for i, s := range all {
			r := s.Reading(points[i], volts, supply, beyond)
			if r.Health.Grade == sensors.Failed {
				if r.Value != 0 || r.Health.Reason == "" {
					t.Errorf("%s: %+v", kinds[i].settings, r)
				}
			} else if !points[i].Quantity.Plausible(r.Value) || beyond {
				t.Errorf("%s: %g V of %g V gives %+v", kinds[i].settings, volts, supply, r)
			}
		}
	})
}

// What people write is read or refused with its place, and never brings the reader down.
func FuzzScaleSettings(f *testing.F) {
	f.Add("10 kohm", "3950 K", "-50 C", "1 V")
	f.Add("1e300 Mohm", "1e-300 K", "-273.15 C", "-0 mV")
	f.Fuzz(func(t *testing.T, ohm, kelvin, celsius, volts string) {
		n := func(text string) sensors.Node {
			return sensors.Node{Line: 1, Column: 1, Kind: sensors.Scalar, Text: text}
		}
		m := func(pairs ...any) sensors.Node {
			out := sensors.Node{Line: 1, Column: 1, Kind: sensors.Mapping}
			for i := 0; i < len(pairs); i += 2 {
				out.Fields = append(out.Fields, sensors.Field{Key: pairs[i].(string), Line: 1, Col: 1, Value: pairs[i+1].(sensors.Node)})
			}
			return out
		}
		l := func(items ...sensors.Node) sensors.Node {
			return sensors.Node{Line: 1, Column: 1, Kind: sensors.List, Items: items}
		}
		for _, settings := range []sensors.Node{
			m("ntc", m("resistance", n(ohm), "beta", n(kelvin), "series", n("10 kohm"), "lowest", n(celsius))),
			m("ntc", m("steinhart-hart", l(n(ohm), n(kelvin), n(celsius)), "series", n("1 kohm"))),
			m("ntc", m("points", l(l(n(ohm), n(celsius)), l(n("10 kohm"), n("25 C")), l(n("1 ohm"), n("1e3 C"))), "series", n(ohm))),
			m("linear", m("from", l(n(volts), n(celsius)), "to", l(n("5 V"), n("100 C")))),
			m("table", m("points", l(l(n(volts), n(celsius)), l(n("5 V"), n("100 C")), l(n("6 V"), n(celsius))))),
		} {
			var faults []error
			p := sensors.Point{Name: "p", Quantity: sensors.Temperature}
			d := sensors.Decode(settings, &faults)
			s := sensors.ReadScale(p, d)
			if len(faults) > 0 {
				continue
			}
			for _, v := range []float64{-1, 0, 0.7, 2.5, 5, 7} {
				if r := s.Reading(p, v, 5, false); r.Health.Grade != sensors.Failed && !p.Quantity.Plausible(r.Value) {
					t.Errorf("%+v: %g V gives %+v", settings, v, r)
				}
			}
		}
	})
}
