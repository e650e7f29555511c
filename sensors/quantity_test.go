package sensors

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The factors are those published (testdata/units.csv names where); ours must
// give the same to the digits printed there.
func TestPublishedConversionFactors(t *testing.T) {
	f, err := os.Open("testdata/units.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment, r.FieldsPerRecord = '#', 4
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	ours := map[string]string{"micron Hg": "micron", "Torr": "torr", "inHg (0 C)": "inHg", "inch": "in"}
	si := map[string]float64{"mm": 1e-3, "l/s": 1e-3}
	checked := 0
	for _, rec := range records[1:] {
		symbol := rec[0]
		if s := ours[symbol]; s != "" {
			symbol = s
		}
		if _, ok := units[symbol]; !ok {
			continue // a unit of leak rates or an atmosphere: nobody writes a setting in it
		}
		want, err := strconv.ParseFloat(rec[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		if f := si[rec[1]]; f != 0 {
			want *= f
		}
		got, unit, err := SI(1, symbol)
		if err != nil {
			t.Fatal(err)
		}
		// Half a unit of the last printed digit, six significant ones at the least.
		if math.Abs(got-want) > 5e-6*want {
			t.Errorf("1 %s = %g %s, published %g %s", symbol, got, unit, want, rec[1])
		}
		checked++
	}
	if checked < 9 {
		t.Errorf("only %d of the published factors were found", checked)
	}
}

func near(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Max(1, math.Abs(want)) }

// The spellings of the plain-text contract, and those a person may fall into.
func TestSpellings(t *testing.T) {
	const psi = 6894.757293168361 // Pa: pound-force an inch squared, exact by definition (0.45359237 kg, 9.80665 m/s2, 25.4 mm)
	for _, c := range []struct {
		text string
		dim  Dimension
		want float64
	}{
		{"500 micron", Pressures, 101325.0 / 760 / 2}, // 760 mm of mercury an atmosphere, conventional
		{"550 psi", Pressures, 550 * psi},
		{"6 h", Times, 21600},
		{"2min", Times, 120},
		{"250ms", Times, 0.25},
		{"1 h 30 min", Times, 5400},
		{"1 d 2 h 3 min 4 s", Times, 93784},
		{"28 C", Temperatures, 28},
		{"28°C", Temperatures, 28},
		{"80.6 F", Temperatures, 27}, // (80.6 - 32) / 1.8
		{"-40 F", Temperatures, -40},
		{"3 K", Differences, 3},
		{"+5 K", Differences, 5},
		{"45 %", Ratios, 0.45},
		{"45%", Ratios, 0.45},
		{"14.2 kg", Masses, 14.2},
		{"31 lb 5 oz", Masses, 31*0.45359237 + 5*0.028349523125},
		{"31lb 5oz", Masses, 31*0.45359237 + 5*0.028349523125},
		{"31lb5oz", Masses, 31*0.45359237 + 5*0.028349523125},
		{"1h30min", Times, 5400},
		{"1d2h3min4s", Times, 93784},
		{"0.45 1", Ratios, 0.45},
		{"500 mTorr", Pressures, 101325.0 / 760 / 2}, // a thousandth of a torr
		{"-31 lb 5 oz", Masses, -(31*0.45359237 + 5*0.028349523125)},
		{"1/2 in", Lengths, 0.0127},
		{"3/8in", Lengths, 0.009525},
		{"1-1/8 in", Lengths, 0.028575},
		{"1 1/8 in", Lengths, 0.028575},
		{"5 ft 6 in", Lengths, 1.6764},
		{"42 ft", Lengths, 12.8016},
		{"12.5 m", Lengths, 12.5},
		{".5 m", Lengths, 0.5},
		{"5. m", Lengths, 5},
		{"66.7 Pa", Pressures, 66.7},
		{"3.8 MPa", Pressures, 3.8e6},
		{"1e3 Pa", Pressures, 1000},
		{"2.5E-1 bar", Pressures, 25000},
		{"4.72 l/s", Flows, 0.00472},
		{"10 cfm", Flows, 10 * 0.000471947443}, // a cubic foot (0.3048 m) a minute: 0.028316846592/60
		{"0.5 lb/min", MassRates, 0.5 * 0.45359237 / 60},
		{"  7\u00a0kg ", Masses, 7},
		{"-0 kg", Masses, 0},
	} {
		got, err := ParseQuantity(c.text, c.dim)
		if err != nil || !near(got, c.want) {
			t.Errorf("%q = %v, %v; want %v", c.text, got, err, c.want)
		}
		if math.Signbit(got) && got == 0 {
			t.Errorf("%q is a negative zero", c.text)
		}
	}
}

func TestWhatIsNoQuantity(t *testing.T) {
	for _, c := range []struct {
		text  string
		dim   Dimension
		words []string
	}{
		{"500", Pressures, []string{`"500" has no unit`, "micron", "psi"}},
		{"1e3", Pressures, []string{`"1e3" has no unit`}},
		{"", Pressures, []string{`"" is not a pressure`}},
		{"   ", Pressures, []string{"not a pressure"}},
		{"micron", Pressures, []string{`"micron" is not a pressure`}},
		{"NaN Pa", Pressures, []string{`"NaN Pa" is not a pressure`}},
		{"NaN", Masses, []string{"not a mass"}},
		{"inf kg", Masses, []string{"not a mass"}},
		{"1e400 Pa", Pressures, []string{"1e400"}},
		{"1e308 MPa", Pressures, []string{"1e308"}},
		{"--5 K", Differences, []string{`"--5 K" is not a temperature difference`, "K"}},
		{"+-5 K", Differences, []string{"not a temperature difference"}},
		{"5 C", Differences, []string{`"C" is not a unit of a temperature difference`, "write one of K"}},
		{"3 K", Temperatures, []string{`"K" is not a unit of a temperature`}},
		{"-300 C", Temperatures, []string{"absolute zero"}},
		{"500 foo", Pressures, []string{`"500 foo": "foo" is not a unit of a pressure`, "micron"}},
		{"500 Micron", Pressures, []string{`"Micron" is not a unit`}},
		{"14,2 kg", Masses, []string{`"14,2 kg": write decimals with a point`}},
		{"-5,5C", Temperatures, []string{`"-5,5C": write decimals with a point`}},
		{"1,000 micron", Pressures, []string{"nothing between thousands"}},
		{"31 lb 5,5 oz", Masses, []string{"write decimals with a point"}},
		{"5 kg 3 kg", Masses, []string{"not a mass"}},
		{"31 lb -5 oz", Masses, []string{"not a mass"}},
		{"5 oz 3 lb", Masses, []string{"not a mass"}},
		{"31 lb 5", Masses, []string{"31 lb 5"}},
		{"5 kg extra", Masses, []string{"not a mass"}},
		{"1/0 in", Lengths, []string{"1/0"}},
		{"1/2/3 in", Lengths, []string{"1/2/3"}},
		{"1.5/2 in", Lengths, []string{"1.5/2"}},
		{"5-3 kg", Masses, []string{"5-3"}},
		{"0x10 kg", Masses, []string{"0x10"}},
		{"1_000 kg", Masses, []string{"1_000"}},
		{"1:30 h", Times, []string{"1:30"}},
		{"5.5.5 kg", Masses, []string{"5.5.5"}},
		{". kg", Masses, []string{"not a mass"}},
		{"5 m", Times, []string{`"m" is not a unit of a time`, "min"}},
		{"5 kg\x00", Masses, []string{"is not a unit of a mass"}},
	} {
		got, err := ParseQuantity(c.text, c.dim)
		if err == nil {
			t.Errorf("%q was taken as %v", c.text, got)
			continue
		}
		for _, w := range c.words {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%q: %v; says nothing of %q", c.text, err, w)
			}
		}
	}
}

func TestGaugeAndAbsoluteMustNotContradict(t *testing.T) {
	for _, c := range []struct {
		q    Quantity
		text string
		ok   bool
	}{
		{Pressure, "550 psi", true}, {Pressure, "550 psig", true}, {Pressure, "38 barg", true}, {Pressure, "3800 kPag", true},
		{Pressure, "550 psia", false}, {Pressure, "38 bara", false}, {Pressure, "3800 kPaa", false},
		{Vacuum, "500 micron", true}, {Vacuum, "0.01 psia", true}, {Vacuum, "0.01 psig", false}, {Vacuum, "1 kPag", false},
		{AbsolutePressure, "1013 hPa", true}, {AbsolutePressure, "14.7 psia", true}, {AbsolutePressure, "0 barg", false},
	} {
		if _, err := c.q.Parse(c.text); (err == nil) != c.ok {
			t.Errorf("%s as %s: %v", c.text, c.q, err)
		}
		symbol := c.text[strings.IndexByte(c.text, ' ')+1:]
		_, err := c.q.ToSI(1, symbol)
		if (err == nil) != c.ok {
			t.Errorf("unit %s for %s: %v", symbol, c.q, err)
		}
		if err != nil && strings.Contains(err.Error()[strings.Index(err.Error(), "write"):], symbol) {
			t.Errorf("%v: it offers what it refuses", err)
		}
	}
}

func TestTimes(t *testing.T) {
	for text, want := range map[string]time.Duration{"1.5 s": 1500 * time.Millisecond, "24h": 24 * time.Hour, "0 s": 0, "0.4 ms": 0} {
		if got, err := ParseTime(text); err != nil || got != want {
			t.Errorf("%q = %v %v, want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"-1 s", "1e300 d", "40 y", "90"} {
		if got, err := ParseTime(text); err == nil {
			t.Errorf("%q was taken as %v", text, got)
		}
	}
}

func TestReadingsAreRoundedNumbersOrFailed(t *testing.T) {
	for _, c := range []struct {
		q     Quantity
		value float64
		unit  string
		want  float64
		h     Health
	}{
		{Temperature, 21.0625, "", 21.063, Health{}}, // stored in millikelvin
		{Temperature, 300.15, "K", 27, Health{}},
		{Temperature, -0.0001, "", 0, Health{}},
		{Temperature, -274, "", 0, Health{Failed, ReasonOffScale}},
		{Vacuum, 500, "micron", 66.661, Health{}},
		{Vacuum, -1, "Pa", 0, Health{Failed, ReasonOffScale}},
		{Vacuum, 1, "psig", 0, Health{Failed, ReasonUnit}},
		{Mass, math.NaN(), "kg", 0, Health{Failed, ReasonNotANumber}},
		{Mass, math.Inf(1), "kg", 0, Health{Failed, ReasonNotANumber}},
		{Mass, 1e300, "lb", 0, Health{Failed, ReasonOffScale}},
		{Mass, 1, "stone", 0, Health{Failed, ReasonUnit}},
		{Humidity, 45, "%", 0.45, Health{}},
		{Humidity, 45, "", 0, Health{Failed, ReasonOffScale}},
		{Contact, 1, "", 1, Health{}},
	} {
		r := c.q.Reading("p", c.value, c.unit)
		if r.Point != "p" || r.Value != c.want || r.Health != c.h || math.Signbit(r.Value) && r.Value == 0 {
			t.Errorf("%s %v %q: %+v, want %v %v", c.q, c.value, c.unit, r, c.want, c.h)
		}
	}
}

func TestCountsKeepTheValue(t *testing.T) {
	for _, q := range Quantities() {
		low, high := quantities[q].low, quantities[q].high
		for i := range 1000 {
			v := q.Round(low + (high-low)*float64(i)/999)
			if back := q.FromCounts(q.Counts(v)); back != v {
				t.Fatalf("%s: %v comes back as %v", q, v, back)
			}
			// The decimal text of a stored value is that value: logs rely on it.
			if text, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', -1, 64), 64); err != nil || text != v {
				t.Fatalf("%s: %v is written as %v", q, v, text)
			}
		}
		if word, ok := QuantityOf(q.String()); !ok || word != q {
			t.Errorf("%s is not found by its word", q)
		}
		if q.Field() == "" || q.SI() == "" || q.Dimension() == NoDimension {
			t.Errorf("%s lacks a name", q)
		}
		if _, err := q.ToSI(0, q.SI()); err != nil {
			t.Errorf("%s: its own SI unit: %v", q, err)
		}
	}
}

func TestEveryDimensionHasItsSIUnit(t *testing.T) {
	for d := Temperatures; int(d) < len(dimensionWords); d++ {
		v, unit, err := SI(7, dimensionSI[d])
		if err != nil || v != 7 || unit != dimensionSI[d] || units[unit].dim != d {
			t.Errorf("%s: 7 %s is %v %s %v", d, dimensionSI[d], v, unit, err)
		}
	}
	for symbol, want := range map[string]string{"psig": "Pag", "bara": "Paa", "micron": "Pa"} {
		if _, unit, err := SI(1, symbol); unit != want || err != nil {
			t.Errorf("%s becomes %s, want %s (%v)", symbol, unit, want, err)
		}
	}
	if _, _, err := SI(1, "glow"); err == nil {
		t.Error("glow is a unit")
	}
}

func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"500 micron", "31 lb 5 oz", "1-1/8 in", "--5 K", "1e400 Pa", "80.6 F", "1 1/2 h 3 min", "-0 C", "5/0 m", "é"} {
		f.Add(s, byte(3))
	}
	f.Fuzz(func(t *testing.T, text string, d byte) {
		dim := Dimension(d%12) + 1
		v, err := ParseQuantity(text, dim)
		if err != nil {
			if v != 0 {
				t.Errorf("%q: %v beside an error", text, v)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || v == 0 && math.Signbit(v) {
			t.Errorf("%q is %v", text, v)
		}
		// What was understood, written in SI, is understood alike.
		again, err := ParseQuantity(strconv.FormatFloat(v, 'g', -1, 64)+" "+dimensionSI[dim], dim)
		if err != nil || again != v {
			t.Errorf("%q is %v, which is read as %v %v", text, v, again, err)
		}
	})
}
