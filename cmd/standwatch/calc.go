package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/alecthomas/kong"

	"standwatch/daemon/config"
	"standwatch/rules"
	"standwatch/rules/physics"
	"standwatch/sensors"
)

type calcCommand struct {
	Saturation saturationCalc `cmd:"" help:"A refrigerant's pressures, temperatures and densities where it boils."`
	Superheat  superheatCalc  `cmd:"" help:"How much warmer the suction line is than the dew temperature."`
	Subcooling subcoolingCalc `cmd:"" help:"How much colder the liquid line is than the bubble temperature."`
	Charge     chargeCalc     `cmd:"" help:"Volume and additional charge of a take-off."`
	Pressure   pressureCalc   `cmd:"" help:"What sealed nitrogen reads after its temperature has changed."`
	Boiling    boilingCalc    `cmd:"" help:"Where water boils, or ice sublimes."`
	Air        airCalc        `cmd:"" help:"Wet bulb, humidity ratio, enthalpy and dew point of air."`
	Leak       leakCalc       `cmd:"" help:"A leak's rate from the rise of a sealed volume's pressure."`
	Pulldown   pulldownCalc   `cmd:"" help:"How long a pump takes on a dry, tight volume."`
}

// Quantities as flags. A value that begins with a minus is a value here.

type amount struct {
	si   float64
	text string // as written; empty: not given
}

func (a amount) given() bool { return a.text != "" }

func (a *amount) read(c *kong.DecodeContext, parse func(string) (float64, error)) error {
	token := c.Scan.Pop()
	if token.IsEOL() {
		return fmt.Errorf("the value is missing")
	}
	text := fmt.Sprint(token.Value)
	si, err := parse(text)
	if err != nil {
		return err
	}
	a.si, a.text = si, text
	return nil
}

func dimension(d sensors.Dimension) func(string) (float64, error) {
	return func(text string) (float64, error) { return sensors.ParseQuantity(text, d) }
}

type (
	temperature      struct{ amount }
	gaugePressure    struct{ amount }
	absolutePressure struct{ amount }
	ratio            struct{ amount }
	mass             struct{ amount }
	volume           struct{ amount }
	flow             struct{ amount }
	length           struct{ amount }
	duration         struct{ amount }
	pressureRate     struct{ amount }
)

func (a *temperature) Decode(c *kong.DecodeContext) error {
	return a.read(c, sensors.Temperature.Parse)
}
func (a *gaugePressure) Decode(c *kong.DecodeContext) error { return a.read(c, sensors.Pressure.Parse) }
func (a *absolutePressure) Decode(c *kong.DecodeContext) error {
	return a.read(c, sensors.AbsolutePressure.Parse)
}
func (a *ratio) Decode(c *kong.DecodeContext) error    { return a.read(c, sensors.Humidity.Parse) }
func (a *mass) Decode(c *kong.DecodeContext) error     { return a.read(c, sensors.Mass.Parse) }
func (a *volume) Decode(c *kong.DecodeContext) error   { return a.read(c, dimension(sensors.Volumes)) }
func (a *flow) Decode(c *kong.DecodeContext) error     { return a.read(c, dimension(sensors.Flows)) }
func (a *length) Decode(c *kong.DecodeContext) error   { return a.read(c, dimension(sensors.Lengths)) }
func (a *duration) Decode(c *kong.DecodeContext) error { return a.read(c, dimension(sensors.Times)) }
func (a *pressureRate) Decode(c *kong.DecodeContext) error {
	return a.read(c, parsePressureRate)
}

// parsePressureRate reads a pressure a time: 0.02 Pa/s, 6 micron/min, 60 kPa/24h.
func parsePressureRate(text string) (float64, error) {
	i := strings.LastIndex(text, "/")
	if i < 0 {
		return 0, fmt.Errorf("%q is not a pressure a time; write 0.02 Pa/s, 6 micron/min or 60 kPa/24h", text)
	}
	pa, err := sensors.ParseQuantity(text[:i], sensors.Pressures)
	if err != nil {
		return 0, err
	}
	span := strings.TrimSpace(text[i+1:])
	if span == "" || span[0] < '0' || span[0] > '9' {
		span = "1 " + span
	}
	s, err := sensors.ParseQuantity(span, sensors.Times)
	if err != nil {
		return 0, err
	}
	if s <= 0 {
		return 0, fmt.Errorf("%q: no time passes", text)
	}
	return pa / s, nil
}

// bound is a range that a given value must lie in.
type bound struct {
	flag      string
	given     amount
	low, high float64 // SI
	unit      string
}

// within reports the first value outside its range. The lower end itself is
// outside where it is 0: no volume, no pump.
func within(bounds ...bound) error {
	for _, b := range bounds {
		lowest := fmt.Sprintf("from %.10g", b.low)
		if b.low == 0 {
			lowest = "above 0"
		}
		if si := b.given.si; !(si >= b.low && si <= b.high) || b.low == 0 && si == 0 {
			return fmt.Errorf("%s: %s is outside what this is made for, %s to %.10g %s", b.flag, b.given.text, lowest, b.high, b.unit)
		}
	}
	return nil
}

// Ranges: a barometer anywhere people build; pipes and rooms on earth; test
// pressures up to a transducer's 7 MPa (common practice).
func barometer(flag string, p absolutePressure) bound {
	return bound{flag, p.amount, 50e3, 110e3, "Pa absolute"}
}

func weather(flag string, t temperature) bound { return bound{flag, t.amount, -60, 100, "C"} }

// answer is what a calculation found: one figure a line for people, one key
// each in JSON.
type answer struct {
	figures []figure
	runs    []answer // of a take-off
	found   []string // warnings, in JSON too
	notes   []string // cautions, for people
	source  string
}

// figure is one value. Without a label it is for JSON only, without a key for
// people only.
type figure struct {
	key       string
	value     any
	label     string
	si, other string // as people read it
}

func (a answer) write(o output, asJSON bool) error {
	if asJSON {
		b, err := a.json()
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(o.out, "%s\n", b)
		return err
	}
	if err := a.table(o.out); err != nil {
		return err
	}
	for _, n := range append(a.found, a.notes...) {
		fmt.Fprintln(o.out, n)
	}
	fmt.Fprintln(o.out, "Source:", a.source)
	return nil
}

func (a answer) table(out io.Writer) error {
	if len(a.runs) > 0 {
		w := tabwriter.NewWriter(out, 0, 8, 2, ' ', 0)
		for i, r := range a.runs {
			var heads, cells []string
			for _, f := range r.figures {
				if f.label != "" {
					heads, cells = append(heads, strings.ToUpper(f.label)), append(cells, f.si)
				}
			}
			if i == 0 {
				fmt.Fprintln(w, strings.Join(heads, "\t"))
			}
			fmt.Fprintln(w, strings.Join(cells, "\t"))
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	w := tabwriter.NewWriter(out, 0, 8, 2, ' ', 0)
	for _, f := range a.figures {
		if f.label != "" {
			fmt.Fprintln(w, strings.TrimRight(f.label+"\t"+f.si+"\t"+f.other, "\t"))
		}
	}
	return w.Flush()
}

// json writes the keys in their order.
func (a answer) json() ([]byte, error) {
	b := []byte("{")
	add := func(key string, value any) error {
		text, err := json.Marshal(value)
		if err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
		if len(b) > 1 {
			b = append(b, ',')
		}
		b = append(append(strconv.AppendQuote(b, key), ':'), text...)
		return nil
	}
	for _, f := range a.figures {
		if f.key == "" {
			continue
		}
		if err := add(f.key, f.value); err != nil {
			return nil, err
		}
	}
	if len(a.runs) > 0 {
		var rows []json.RawMessage
		for _, r := range a.runs {
			row, err := r.json()
			if err != nil {
				return nil, err
			}
			rows = append(rows, row)
		}
		if err := add("runs", rows); err != nil {
			return nil, err
		}
	}
	if len(a.found) > 0 {
		if err := add("warnings", a.found); err != nil {
			return nil, err
		}
	}
	return append(b, '}'), nil
}

// digits rounds to eight significant digits: more than any table here has, few
// enough to be the same on every machine.
func digits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 8, 64), 64)
	if err != nil || y == 0 {
		return 0
	}
	return y
}

// Figures in both unit systems.

const (
	kgPerLb  = 0.45359237
	paPerPsi = 6894.757293168361
	m3PerFt3 = 0.3048 * 0.3048 * 0.3048
	micronPa = 101325.0 / 760 / 1000
)

func celsius(key, label string, c float64) figure {
	return figure{key, digits(c), label, fmt.Sprintf("%.2f C", c), fmt.Sprintf("%.2f F", float64(c*1.8)+32)}
}

func kelvin(key, label string, k float64) figure {
	return figure{key, digits(k), label, fmt.Sprintf("%.2f K", k), fmt.Sprintf("%.2f F difference", k*1.8)}
}

func absolute(key, label string, pa float64) figure {
	return figure{key, digits(pa), label, fmt.Sprintf("%.2f kPa absolute", pa/1e3), fmt.Sprintf("%.2f psi absolute", pa/paPerPsi)}
}

func vacuum(key, label string, pa float64) figure {
	return figure{key, digits(pa), label, fmt.Sprintf("%.5g Pa absolute", pa), fmt.Sprintf("%.5g micron", pa/micronPa)}
}

func gauge(key, label string, pa float64) figure {
	return figure{key, digits(pa), label, fmt.Sprintf("%.2f kPa gauge", pa/1e3), fmt.Sprintf("%.2f psi gauge", pa/paPerPsi)}
}

func change(key, label string, pa float64) figure {
	return figure{key, digits(pa), label, fmt.Sprintf("%+.2f kPa", pa/1e3), fmt.Sprintf("%+.2f psi", pa/paPerPsi)}
}

func kilograms(key, label string, kg float64) figure {
	tenths := int(math.Round(kg / kgPerLb * 160)) // of an ounce, so that none shows as 16.0
	return figure{key, digits(kg), label, fmt.Sprintf("%.3f kg", kg), fmt.Sprintf("%d lb %.1f oz (%.2f lb)", tenths/160, float64(tenths%160)/10, kg/kgPerLb)}
}

func litres(key, label string, m3 float64) figure {
	return figure{key, digits(m3), label, fmt.Sprintf("%.3f l", m3*1e3), fmt.Sprintf("%.4f cu ft", m3/m3PerFt3)}
}

func density(key, label string, kgM3 float64) figure {
	return figure{key, digits(kgM3), label, fmt.Sprintf("%.2f kg/m3", kgM3), fmt.Sprintf("%.3f lb/cu ft", kgM3/kgPerLb*m3PerFt3)}
}

// refrigerant is the flag that names one, and what the atmosphere is where a
// gauge is read.
type refrigerant struct {
	Refrigerant string           `required:"" placeholder:"R" help:"R-410A, R-32, R-454B, R-407C or R-134a."`
	Atmosphere  absolutePressure `default:"101325 Pa" placeholder:"P" help:"The barometer, absolute; 101.325 kPa without it."`
}

func (r refrigerant) table() (*physics.Refrigerant, error) {
	t, err := physics.RefrigerantNamed(r.Refrigerant)
	if err != nil {
		return nil, usagef("--refrigerant: %w", err)
	}
	return t, within(barometer("--atmosphere", r.Atmosphere))
}

func saturationSource(r *physics.Refrigerant) string {
	return fmt.Sprintf("%s: %s; %s", r.Name, r.Model, physics.SaturationSource)
}

type asked struct {
	JSON bool `name:"json" help:"One JSON object, keys ending in their SI unit."`
}

type saturationCalc struct {
	refrigerant
	Temp     temperature   `required:"" xor:"at" placeholder:"T" help:"At this temperature ..."`
	Pressure gaugePressure `required:"" xor:"at" placeholder:"P" help:"... or at this gauge pressure."`
	asked
}

// Run prints where a refrigerant boils.
func (c saturationCalc) Run(o output) error {
	r, err := c.table()
	if err != nil {
		return err
	}
	var s physics.Saturation
	if c.Temp.given() {
		s, err = r.AtTemperature(c.Temp.si)
	} else {
		s, err = r.AtPressure(c.Pressure.si + c.Atmosphere.si)
	}
	if err != nil {
		return err
	}
	return answer{figures: []figure{
		absolute("bubble_pressure_pa", "bubble pressure", s.BubblePa),
		absolute("dew_pressure_pa", "dew pressure", s.DewPa),
		gauge("", "bubble pressure", s.BubblePa-c.Atmosphere.si),
		gauge("", "dew pressure", s.DewPa-c.Atmosphere.si),
		celsius("bubble_temp_c", "bubble temperature", s.BubbleC),
		celsius("dew_temp_c", "dew temperature", s.DewC),
		density("liquid_density_kg_m3", "liquid, at the bubble point", s.LiquidKgPerM3),
		density("vapour_density_kg_m3", "vapour, at the dew point", s.VapourKgPerM3),
	}, source: saturationSource(r)}.write(o, c.JSON)
}

// lineState is a pipe's temperature and pressure.
type lineState struct {
	refrigerant
	Pressure gaugePressure `required:"" placeholder:"P" help:"The gauge pressure in the line."`
	Temp     temperature   `required:"" placeholder:"T" help:"The line's temperature."`
	asked
}

func (c lineState) table() (*physics.Refrigerant, error) {
	r, err := c.refrigerant.table()
	if err != nil {
		return nil, err
	}
	return r, within(weather("--temp", c.Temp))
}

type superheatCalc struct{ lineState }

// Run prints the superheat.
func (c superheatCalc) Run(o output) error {
	r, err := c.table()
	if err != nil {
		return err
	}
	k, dewC, err := r.SuperheatK(c.Temp.si, c.Pressure.si, c.Atmosphere.si)
	if err != nil {
		return err
	}
	return answer{figures: []figure{
		kelvin("superheat_k", "superheat", k),
		celsius("dew_temp_c", "dew temperature", dewC),
		celsius("suction_temp_c", "suction line", c.Temp.si),
		absolute("pressure_pa", "pressure", c.Pressure.si+c.Atmosphere.si),
	}, source: saturationSource(r)}.write(o, c.JSON)
}

type subcoolingCalc struct{ lineState }

// Run prints the subcooling.
func (c subcoolingCalc) Run(o output) error {
	r, err := c.table()
	if err != nil {
		return err
	}
	k, bubbleC, err := r.SubcoolingK(c.Temp.si, c.Pressure.si, c.Atmosphere.si)
	if err != nil {
		return err
	}
	return answer{figures: []figure{
		kelvin("subcooling_k", "subcooling", k),
		celsius("bubble_temp_c", "bubble temperature", bubbleC),
		celsius("liquid_temp_c", "liquid line", c.Temp.si),
		absolute("pressure_pa", "pressure", c.Pressure.si+c.Atmosphere.si),
	}, source: saturationSource(r)}.write(o, c.JSON)
}

type chargeCalc struct {
	Takeoff     string      `required:"" placeholder:"FILE" help:"The take-off: CSV with run,line,outside_diameter,length and perhaps wall,factor."`
	Refrigerant string      `required:"" placeholder:"R" help:"R-410A, R-32, R-454B, R-407C or R-134a."`
	LiquidTemp  temperature `default:"40 C" placeholder:"T" help:"Where no factor is given: the liquid's temperature; 40 C without it (common practice)."`
	Factory     mass        `placeholder:"M" help:"The factory charge of all outdoor units; without it the total is not known."`
	Extra       mass        `default:"0 kg" placeholder:"M" help:"The maker's allowances beside the lines: for units, for capacity."`
	ExtraVolume volume      `default:"0 l" placeholder:"V" help:"What coils and branch units hold, for the total volume."`
	asked
}

// Run prints the charge of a take-off.
func (c chargeCalc) Run(o output) error {
	r, err := physics.RefrigerantNamed(c.Refrigerant)
	if err != nil {
		return usagef("--refrigerant: %w", err)
	}
	if least, most := min(c.Factory.si, c.Extra.si, c.ExtraVolume.si), max(c.Factory.si, c.Extra.si, c.ExtraVolume.si); least < 0 || most > 1e4 {
		return fmt.Errorf("--factory, --extra and --extra-volume go from 0 to 10000 kg and m3")
	}
	if _, err := r.LiquidKgPerM3(c.LiquidTemp.si); err != nil {
		return fmt.Errorf("--liquid-temp: %w", err)
	}
	runs, errs := readTakeoff(c.Takeoff)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	a, err := c.answer(rules.Pipework{Runs: runs, Refrigerant: c.Refrigerant, LiquidC: c.LiquidTemp.si,
		ExtraKg: c.Extra.si, FactoryKg: c.Factory.si, BesideM3: c.ExtraVolume.si})
	if err != nil {
		return err
	}
	a.source = "bores by the walls named above; " + saturationSource(r)
	return a.write(o, c.JSON)
}

func readTakeoff(file string) ([]rules.Run, []error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, []error{sensors.Fault{File: file, Line: 1, Column: 1, Problem: reason(err).Error(), Want: "name a take-off, a CSV file"}}
	}
	defer f.Close()
	runs, errs := config.ReadTakeoff(f, file)
	if len(errs) == 0 && len(runs) == 0 {
		errs = []error{sensors.Fault{File: file, Line: 1, Column: 1, Problem: "the take-off has no runs", Want: "write one line a run below the header"}}
	}
	return runs, errs
}

func (c chargeCalc) answer(p rules.Pipework) (answer, error) {
	sum, err := p.Sum()
	if err != nil {
		return answer{}, err
	}
	a := answer{
		figures: []figure{
			litres("liquid_volume_m3", "liquid lines", sum.LiquidM3),
			litres("total_volume_m3", "total volume", sum.InsideM3),
			kilograms("additional_kg", "additional charge", sum.AdditionalKg),
			c.given("factory_kg", "factory charge", "not given", p.FactoryKg),
			c.given("total_kg", "total charge", "not known: give the factory charge by --factory", sum.TotalKg),
			{key: "estimate", value: sum.Estimate},
			density("liquid_density_kg_m3", "liquid at "+c.LiquidTemp.text, sum.LiquidKgM3),
		},
		notes: []string{"The maker's instructions govern: the factors and allowances of its manual, and no charge above its limit."},
	}
	if sum.Estimate {
		a.notes = append([]string{"ESTIMATE: lines without the maker's factor are filled by bore and liquid density."}, a.notes...)
	}
	for i, run := range p.Runs {
		a.runs = append(a.runs, runAnswer(run, sum.Lines[i], sum.LiquidKgM3))
	}
	for _, d := range p.Doubts() {
		a.found = append(a.found, d.Text)
	}
	return a, nil
}

// given is a figure that rests on the factory charge: null where nobody gave one.
func (c chargeCalc) given(key, label, without string, kg float64) figure {
	if c.Factory.text == "" {
		return figure{key: key, label: label, si: without}
	}
	return kilograms(key, label, kg)
}

func runAnswer(run rules.Run, l physics.Line, liquidKgM3 float64) answer {
	kg, estimate := l.ChargeKg(liquidKgM3)
	basis := "gas: none"
	switch {
	case l.FactorKgM > 0:
		basis = "maker's factor"
	case estimate:
		basis = "estimate"
	}
	a := answer{figures: []figure{
		{"run", run.Name, "run", run.Name, ""},
		{"line", run.Line, "line", run.Line, ""},
		{"outside_diameter_m", digits(run.OutsideDiameterM), "outside", fmt.Sprintf("%.4g mm (%.4g in)", run.OutsideDiameterM*1e3, run.OutsideDiameterM/0.0254), ""},
		{"bore_m", digits(l.Tube.BoreM()), "bore", fmt.Sprintf("%.4g mm", l.Tube.BoreM()*1e3), ""},
		{"length_m", digits(l.LengthM), "length", fmt.Sprintf("%.4g m (%.4g ft)", l.LengthM, l.LengthM/0.3048), ""},
		{"volume_m3", digits(l.VolumeM3()), "volume", fmt.Sprintf("%.3f l", l.VolumeM3()*1e3), ""},
		{"mass_kg", digits(kg), "charge", fmt.Sprintf("%.3f kg (%.2f lb)", kg, kg/kgPerLb), ""},
		{"estimate", estimate, "by", basis, ""},
		{"", nil, "wall", l.Tube.Source, ""},
	}}
	if ratio, _ := l.FactorRatio(liquidKgM3); ratio > 0 {
		a.figures = append(a.figures, figure{key: "factor_ratio", value: digits(ratio)})
	}
	return a
}

type pressureCalc struct {
	Start         gaugePressure    `required:"" placeholder:"P" help:"The gauge at the start."`
	StartTemp     temperature      `required:"" placeholder:"T" help:"The gas then: the pipe's mean temperature."`
	EndTemp       temperature      `required:"" placeholder:"T" help:"The gas at the end."`
	Atmosphere    absolutePressure `default:"101325 Pa" placeholder:"P" help:"The barometer at the start, absolute; 101.325 kPa without it."`
	EndAtmosphere absolutePressure `placeholder:"P" help:"The barometer at the end; as at the start without it."`
	Read          gaugePressure    `placeholder:"P" help:"What the gauge reads at the end, to see what is left over."`
	asked
}

// Run prints what a nitrogen hold should read.
func (c pressureCalc) Run(o output) error {
	if !c.EndAtmosphere.given() {
		c.EndAtmosphere = c.Atmosphere
	}
	if err := within(barometer("--atmosphere", c.Atmosphere), barometer("--end-atmosphere", c.EndAtmosphere),
		bound{"--start", c.Start.amount, -c.Atmosphere.si, 7e6, "Pa gauge"}, weather("--start-temp", c.StartTemp), weather("--end-temp", c.EndTemp)); err != nil {
		return err
	}
	h := physics.Hold{GaugePa: c.Start.si, TempC: c.StartTemp.si, AtmospherePa: c.Atmosphere.si}
	expected := h.ExpectedGaugePa(c.EndTemp.si, c.EndAtmosphere.si)
	startPa := c.Start.si + c.Atmosphere.si
	slope := physics.NitrogenPaPerK(startPa, c.StartTemp.si)
	ideal := physics.IdealSealedPa(startPa, c.StartTemp.si, c.EndTemp.si) - c.EndAtmosphere.si
	a := answer{figures: []figure{
		gauge("expected_pa", "expected", expected),
		change("change_pa", "change", expected-c.Start.si),
		{"slope_pa_per_k", digits(slope), "a degree", fmt.Sprintf("%.2f kPa/K", slope/1e3), fmt.Sprintf("%.3f psi/F", slope/paPerPsi/1.8)},
		gauge("ideal_pa", "by the plain gas law", ideal),
	},
		notes:  []string{"Nitrogen with a regulator and a relief valve; the lowest-rated part and the maker's instructions set the ceiling, at the hottest hour."},
		source: "nitrogen with its second virial coefficient (LibreTexts table A9); checked from -5 to 50 C, up to 600 psi"}
	if c.Read.given() {
		a.figures = append(a.figures, gauge("read_pa", "read", c.Read.si), change("compensated_change_pa", "left over", c.Read.si-expected))
	}
	return a.write(o, c.JSON)
}

type boilingCalc struct {
	Pressure absolutePressure `required:"" xor:"at" placeholder:"P" help:"At this absolute pressure ..."`
	Temp     temperature      `required:"" xor:"at" placeholder:"T" help:"... or at this temperature."`
	asked
}

// Run prints where water boils.
func (c boilingCalc) Run(o output) error {
	tempC, pa := c.Temp.si, c.Pressure.si
	var ice bool
	var err error
	if c.Temp.given() {
		pa, ice, err = physics.BoilingPa(tempC)
	} else {
		tempC, ice, err = physics.BoilingC(pa)
	}
	if err != nil {
		return err
	}
	phase, source := "water", "IAPWS-IF97, region 4"
	if ice {
		phase, source = "ice", "IAPWS R14-08(2011), ice"
	}
	return answer{figures: []figure{
		celsius("temp_c", "temperature", tempC),
		vacuum("pressure_pa", "pressure", pa),
		{"phase", phase, "phase", phase, ""},
	}, source: source}.write(o, c.JSON)
}

type airCalc struct {
	DryBulb    temperature      `required:"" placeholder:"T" help:"The air's temperature."`
	WetBulb    temperature      `required:"" xor:"moisture" placeholder:"T" help:"Its wet bulb ..."`
	Humidity   ratio            `required:"" xor:"moisture" placeholder:"RH" help:"... or its relative humidity, in %."`
	Atmosphere absolutePressure `default:"101325 Pa" placeholder:"P" help:"The barometer, absolute; 101.325 kPa without it."`
	asked
}

// Run prints what is in the air.
func (c airCalc) Run(o output) error {
	if err := within(barometer("--atmosphere", c.Atmosphere), bound{"--dry-bulb", c.DryBulb.amount, -60, 60, "C"}); err != nil {
		return err
	}
	wetC, w, err := c.moisture()
	if err != nil {
		return err
	}
	dry, pa := c.DryBulb.si, c.Atmosphere.si
	dew := physics.DewPointC(w, pa)
	if math.IsInf(dew, -1) {
		return fmt.Errorf("air as dry as this has no dew point above %g C; check the reading", physics.WaterLeastC)
	}
	relative, h := physics.RelativeHumidity(dry, w, pa), physics.AirEnthalpyJPerKg(dry, w)
	return answer{figures: []figure{
		celsius("wet_bulb_c", "wet bulb", wetC),
		{"humidity_ratio", digits(w), "water a mass of dry air", fmt.Sprintf("%.3f g/kg", w*1e3), fmt.Sprintf("%.2f grains/lb", w*7000)},
		{"enthalpy_j_per_kg", digits(h), "enthalpy (0 at 0 C; at 0 F), dry air", fmt.Sprintf("%.3f kJ/kg", h/1e3), fmt.Sprintf("%.3f Btu/lb", float64(h/2326)+7.686)},
		celsius("dew_point_c", "dew point (frost below 0 C)", dew),
		{"relative_humidity", digits(relative), "relative humidity", fmt.Sprintf("%.2f %%", relative*100), ""},
	}, source: "ASHRAE Handbook Fundamentals 2017, chapter 1; IAPWS for water's pressure"}.write(o, c.JSON)
}

// moisture is the wet bulb and the humidity ratio, whichever was given.
func (c airCalc) moisture() (wetBulbC, w float64, err error) {
	dry, pa := c.DryBulb.si, c.Atmosphere.si
	if c.Humidity.given() {
		if err := within(bound{"--humidity", c.Humidity.amount, 0, 1, "(1 is 100 %)"}); err != nil {
			return 0, 0, err
		}
		w = physics.HumidityRatio(dry, c.Humidity.si, pa)
		return physics.WetBulbC(dry, w, pa), w, nil
	}
	wetBulbC = c.WetBulb.si
	if wetBulbC > dry {
		return 0, 0, fmt.Errorf("--wet-bulb: %g C is above the dry bulb's %g C; a wick cannot be warmer than its air", wetBulbC, dry)
	}
	if w = physics.HumidityRatioWetBulb(dry, wetBulbC, pa); !(w > 0) {
		return 0, 0, fmt.Errorf("--wet-bulb: at %g C even dry air keeps a wick above %.1f C; is the wick wet?", dry, physics.WetBulbC(dry, 0, pa))
	}
	return wetBulbC, w, nil
}

type leakCalc struct {
	Volume volume       `required:"" placeholder:"V" help:"The sealed volume."`
	Rise   pressureRate `required:"" placeholder:"P/T" help:"Its pressure's rise at steady temperature: 6 micron/min; a fall has a minus."`
	Temp   temperature  `default:"20 C" placeholder:"T" help:"The gas, for its mass; 20 C without it."`
	asked
}

// Run prints a leak's rate.
func (c leakCalc) Run(o output) error {
	if err := within(bound{"--volume", c.Volume.amount, 0, 1e4, "m3"}, bound{"--rise", c.Rise.amount, -1e6, 1e6, "Pa/s"}, weather("--temp", c.Temp)); err != nil {
		return err
	}
	const yearS = 365 * 86400
	q := physics.LeakPaM3PerS(c.Volume.si, c.Rise.si)
	mol := physics.LeakMolPerS(q, c.Temp.si)
	air := mol * physics.AirKgPerMol
	return answer{figures: []figure{
		{"leak_pa_m3_per_s", digits(q), "leak", fmt.Sprintf("%.4g Pa m3/s", q), fmt.Sprintf("%.4g micron l/s", physics.MicronLPerS(q))},
		{"", nil, "the same", fmt.Sprintf("%.4g mbar l/s", physics.MbarLPerS(q)), fmt.Sprintf("%.4g cm3 at 1 atm a minute", physics.AtmosphericCm3PerMin(q))},
		{"leak_mol_per_s", digits(mol), "amount", fmt.Sprintf("%.4g mol/s", mol), ""},
		{"air_kg_per_s", digits(air), "as air", fmt.Sprintf("%.4g kg a year", air*yearS), fmt.Sprintf("%.4g lb a year", air*yearS/kgPerLb)},
		{"rise_pa_per_s", digits(c.Rise.si), "rise", fmt.Sprintf("%.4g Pa/s", c.Rise.si), fmt.Sprintf("%.4g micron/min", c.Rise.si*60/micronPa)},
	}, source: "Q = V dp/dt, at steady temperature; water that boils in the pipe looks like a leak"}.write(o, c.JSON)
}

type pulldownCalc struct {
	Volume     volume           `required:"" placeholder:"V" help:"The volume to be emptied."`
	Pump       flow             `required:"" placeholder:"FLOW" help:"The pump's speed: 10 cfm, 4.7 l/s."`
	From       absolutePressure `required:"" placeholder:"P" help:"From this absolute pressure ..."`
	To         absolutePressure `required:"" placeholder:"P" help:"... to this one."`
	Ultimate   absolutePressure `xor:"end" placeholder:"P" help:"What the pump would reach at last; nothing without it."`
	HoseBore   length           `xor:"end" and:"hose" placeholder:"D" help:"The hose's bore, for its conductance ..."`
	HoseLength length           `and:"hose" placeholder:"L" help:"... and its length."`
	Took       duration         `placeholder:"TIME" help:"How long it took, to see how much volume that speaks for."`
	asked
}

// Run prints how long a pull takes.
func (c pulldownCalc) Run(o output) error {
	if err := c.check(); err != nil {
		return err
	}
	s := physics.PullDownS(c.Volume.si, c.Pump.si, c.From.si, c.To.si, c.Ultimate.si)
	source := "t = V/S ln((p0-pu)/(p1-pu)), constant speed"
	if c.HoseBore.given() {
		s = physics.Hose{BoreM: c.HoseBore.si, LengthM: c.HoseLength.si}.PullDownS(c.Volume.si, c.Pump.si, c.From.si, c.To.si)
		source = "dt = V/S(p) dp/p with the hose's conductance, 135 d^4 p/l and its molecular term"
	}
	a := answer{figures: []figure{
		{"time_s", digits(s), "time", fmt.Sprintf("%.1f s", s), fmt.Sprintf("%.2f min", s/60)},
	},
		notes:  []string{"Dry and tight: boiling water and leaks make it longer. Below 3.3 kPa (25 torr) water may boil."},
		source: source}
	if c.Took.given() {
		share := c.Took.si / s
		a.figures = append(a.figures, litres("apparent_volume_m3", "volume the time speaks for", c.Volume.si*share),
			figure{"apparent_ratio", digits(share), "of the volume given", fmt.Sprintf("%.1f %%", share*100), ""})
	}
	return a.write(o, c.JSON)
}

func (c pulldownCalc) check() error {
	err := within(bound{"--volume", c.Volume.amount, 0, 1e4, "m3"}, bound{"--pump", c.Pump.amount, 0, 1e3, "m3/s"},
		bound{"--from", c.From.amount, 0, 2e5, "Pa absolute"}, bound{"--to", c.To.amount, 0, 2e5, "Pa absolute"})
	switch {
	case err != nil:
		return err
	case c.To.si >= c.From.si:
		return fmt.Errorf("--to: %s is not below --from, %s", c.To.text, c.From.text)
	case c.Ultimate.si < 0 || c.Ultimate.si >= c.To.si:
		return fmt.Errorf("--ultimate: the pump would never reach --to, %s", c.To.text)
	case c.Took.given() && c.Took.si <= 0:
		return fmt.Errorf("--took: %s is no time", c.Took.text)
	case c.HoseBore.given():
		return within(bound{"--hose-bore", c.HoseBore.amount, 0, 1, "m"}, bound{"--hose-length", c.HoseLength.amount, 0, 100, "m"})
	}
	return nil
}
