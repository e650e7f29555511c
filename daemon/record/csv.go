package record

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"standwatch/rules"
)

// JSON writes a record's data.
func JSON(w io.Writer, r Record) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

// columns are the columns of the CSV: a row is one figure, or one sentence.
var columns = []string{"part", "system", "job", "step", "begun", "unit", "key", "value", "si_unit", "text"}

// CSV writes every figure of a record, a row each (RFC 4180). Numbers are in SI,
// the shortest plain decimal, as in a field log; times are in UTC.
func CSV(w io.Writer, r Record) error {
	c := sheetCSV{w: csv.NewWriter(w), r: r}
	c.w.UseCRLF = true
	_ = c.w.Write(columns) // the writer keeps its error for the end
	c.all()
	c.w.Flush()
	return c.w.Error()
}

type sheetCSV struct {
	w    *csv.Writer
	r    Record
	step string
	at   time.Time
}

func (c *sheetCSV) row(part, unit, key, value, si, text string) {
	_ = c.w.Write([]string{part, c.r.System.Name, strconv.Itoa(c.r.Job.Number), c.step, stampUTC(c.at), unit, key, value, si, text})
}

func stampUTC(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}

func plainNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func (c *sheetCSV) number(part, unit, key string, v float64, text string) {
	c.row(part, unit, key, plainNumber(v), siOfKey(key), text)
}

func (c *sheetCSV) text(part, unit, key, text string) { c.row(part, unit, key, "", "", text) }

// siOfKey is the SI unit that a figure's key ends in; empty: it counts.
func siOfKey(key string) string {
	for _, s := range [][2]string{{"_pa_m3_per_s", "Pa m3/s"}, {"_pa_per_s", "Pa/s"}, {"_kg_per_m3", "kg/m3"}, {"_kg_per_m", "kg/m"}, {"_kg_per_s", "kg/s"},
		{"_m3", "m3"}, {"_pa", "Pa"}, {"_kg", "kg"}, {"_c", "C"}, {"_k", "K"}, {"_m", "m"}, {"_s", "s"}, {"_a", "A"}, {"_v", "V"}} {
		if strings.HasSuffix(key, s[0]) {
			return s[1]
		}
	}
	return ""
}

func (c *sheetCSV) all() {
	r := c.r
	c.text("job", "", "site", r.Site)
	c.text("job", "", "refrigerant", r.System.Refrigerant)
	c.text("job", "", "name", r.Job.Name)
	c.text("job", "", "state", r.Job.State)
	c.text("job", "", "begun", stampUTC(r.Job.Begun))
	c.text("job", "", "ended", stampUTC(r.Job.Ended))
	c.text("job", "", "made", stampUTC(r.Made))
	c.number("job", "", "entries", float64(r.Entries), "")
	c.charge(r.Charge)
	c.takeOff(r.TakeOff)
	for _, s := range r.Steps {
		c.oneStep(s)
	}
	c.step, c.at = "", time.Time{}
	for _, e := range r.Earlier {
		c.earlier(e)
	}
	for _, o := range r.Outstanding {
		c.text("open-point", "", o.What+" "+o.Name, o.Text)
	}
	c.sheet(r)
	for _, f := range r.Flags {
		c.flag(f)
	}
	c.step, c.at = "", time.Time{}
	c.told(r)
}

func (c *sheetCSV) charge(ch Charge) {
	for _, v := range []rules.Value{{Key: "factory_kg", Number: ch.FactoryKg}, {Key: "calculated_kg", Number: ch.CalculatedKg}, {Key: "target_kg", Number: ch.TargetKg}} {
		if v.Number != 0 { // 0: not known, which is no figure
			c.number("charge", "", v.Key, v.Number, "")
		}
	}
	if ch.Weighed {
		for _, v := range []rules.Value{{Key: "additional_kg", Number: ch.AdditionalKg}, {Key: "additional_low_kg", Number: ch.LowKg}, {Key: "additional_high_kg", Number: ch.HighKg},
			{Key: "unweighed_kg", Number: ch.UnweighedKg}} {
			c.number("charge", "", v.Key, v.Number, ch.Result)
		}
		if ch.TotalKg != 0 {
			c.number("charge", "", "total_kg", ch.TotalKg, ch.Result)
		}
	}
}

func (c *sheetCSV) takeOff(t TakeOff) {
	for _, x := range t.Runs {
		for _, v := range []rules.Value{{Key: "outside_diameter_m", Number: x.DiameterM}, {Key: "length_m", Number: x.LengthM}, {Key: "wall_m", Number: x.WallM},
			{Key: "factor_kg_per_m", Number: x.FactorKgM}, {Key: "volume_m3", Number: x.VolumeM3}, {Key: "charge_kg", Number: x.ChargeKg}} {
			if v.Number != 0 || v.Key != "factor_kg_per_m" && v.Key != "wall_m" { // 0: nobody gave one
				c.number("take-off", x.Run, v.Key, v.Number, x.Line)
			}
		}
	}
	for _, v := range []rules.Value{{Key: "liquid_length_m", Number: t.LiquidM}, {Key: "gas_length_m", Number: t.GasM}, {Key: "allowances_kg", Number: t.AllowancesKg},
		{Key: "additional_kg", Number: t.AdditionalKg}, {Key: "total_kg", Number: t.TotalKg}, {Key: "inside_volume_m3", Number: t.InsideM3}} {
		if v.Number != 0 { // 0: not known
			c.number("take-off", "", v.Key, v.Number, "")
		}
	}
}

// sheet is the address sheet: units, how many were counted, what was set.
func (c *sheetCSV) sheet(r Record) {
	for _, u := range r.Units {
		c.text("unit", u.Unit, "kind", u.Kind)
		c.text("unit", u.Unit, "room", u.Room)
		c.text("unit", u.Unit, "address", u.Address)
		if u.Planned != "" {
			c.text("unit", u.Unit, "planned_address", u.Planned)
		}
		c.text("unit", u.Unit, "model", u.Model)
		c.text("unit", u.Unit, "found", strconv.FormatBool(u.Found))
	}
	for _, n := range r.Counted {
		c.number("counted", "", "expected_"+n.Kind+"_units", float64(n.Expected), "")
		c.number("counted", "", "found_"+n.Kind+"_units", float64(n.Found), "")
		if n.Counted >= 0 {
			c.number("counted", "", "counted_"+n.Kind+"_units", float64(n.Counted), "")
		}
	}
	for _, x := range r.Settings {
		c.at = x.At
		c.text("setting", x.Unit, x.Number, fmt.Sprintf("from %s to %s %s", x.From, x.To, x.Note))
	}
}

func (c *sheetCSV) flag(f Flag) {
	c.step, c.at = f.Step, f.Raised
	c.text("flag", f.Subject, f.Flag, f.Urgency+": "+f.Text)
	c.text("flag", f.Subject, f.Flag+" cleared", stampUTC(f.Cleared))
	if f.Acknowledged {
		c.text("flag", f.Subject, f.Flag+" acknowledged", strings.TrimSpace(stampUTC(f.AcknowledgedAt)+" "+f.By))
	}
	for _, v := range f.Figures {
		c.number("flag", f.Subject, v.Key, v.Number, f.Flag)
	}
}

// told is what people said and signed, and what it rests on.
func (c *sheetCSV) told(r Record) {
	for _, x := range r.Checks {
		c.text("check", "", x.Check, x.State)
	}
	for _, s := range r.Reported {
		c.step, c.at = s.Step, s.At
		c.text("reported", "", s.By, s.Text)
	}
	for _, s := range r.Accepted {
		c.step, c.at = s.Step, s.At
		c.text("accepted", "", s.By, s.Text)
	}
	c.step = ""
	c.marks("mark", r.Notes)
	c.marks("later-mark", r.Later)
	c.at = time.Time{}
	for _, x := range r.Instruments {
		c.text("instrument", x.Point, "serial", x.Serial)
		c.text("instrument", x.Point, "calibrated", x.Calibrated)
		c.text("instrument", x.Point, "against", x.Against)
		c.text("instrument", x.Point, "valid_until", x.Until)
	}
	for _, s := range r.Signatures {
		c.at = s.At
		c.text("signature", "", s.Role, s.Name)
	}
	for _, b := range r.Runs {
		c.at = b.Begun
		c.row("run", "", "gap_s", plainNumber(b.GapS), "s", fmt.Sprintf("run %d, %s, clock %s, proven %t", b.Boot, b.Version, b.Clock, b.Proven))
	}
}

func (c *sheetCSV) marks(part string, notes []Note) {
	for _, n := range notes {
		c.at = n.At
		value := ""
		if n.Unit != "" {
			value = plainNumber(n.Value)
		}
		c.row(part, "", n.Mark, value, n.Unit, n.Note)
	}
}

func (c *sheetCSV) oneStep(s Step) {
	c.step, c.at = s.Step, s.Begun
	c.text("step", "", "state", s.State)
	c.text("step", "", "cause", s.Cause)
	c.text("step", "", "sentence", s.Sentence)
	c.text("step", "", "ended", stampUTC(s.Ended))
	c.text("step", "", "clock", s.Clock)
	c.number("step", "", "took_s", s.ElapsedS, "")
	for _, v := range s.Figures {
		c.number("figure", "", v.Key, v.Number, "")
	}
	for _, v := range s.Conditions {
		c.number("condition", "", v.Key, v.Number, "")
	}
	for _, x := range s.Limits {
		value := ""
		if x.Unit != "" {
			value = plainNumber(x.Value)
		}
		c.row("limit", "", x.Key, value, x.Unit, strings.TrimSpace(x.Text+" ("+x.Source+")"))
	}
	for _, v := range s.Verdicts {
		c.text("verdict", v.Unit, v.Result, v.Text)
		if v.Unit == "" {
			continue // its figures are the step's
		}
		for _, x := range v.Figures {
			c.number("verdict", v.Unit, x.Key, x.Number, v.Result)
		}
	}
	if a := s.After; a != nil {
		c.text("after", "", "ended", stampUTC(a.Ended))
		for _, v := range a.Verdicts {
			c.text("after", v.Unit, v.Result, v.Text)
			for _, x := range v.Figures {
				c.number("after", v.Unit, x.Key, x.Number, v.Result)
			}
		}
	}
	for i, x := range s.Ledger {
		n := fmt.Sprintf("%d", i+1)
		what := strings.TrimSpace(fmt.Sprintf("%s cylinder %d %s", x.Scale, x.Cylinder, x.Ended))
		for _, v := range []rules.Value{{Key: "from_kg", Number: x.FromKg}, {Key: "to_kg", Number: x.ToKg}, {Key: "low_kg", Number: x.LowKg}, {Key: "best_kg", Number: x.BestKg}, {Key: "high_kg", Number: x.HighKg}} {
			c.number("ledger", n, v.Key, v.Number, what)
		}
	}
	if b := s.Branch; b != nil {
		for i, row := range b.Responses {
			for j, x := range row {
				if x.Known {
					c.number("branch", b.Units[i], "response_k", x.K, b.Units[j])
				}
			}
		}
	}
	for _, x := range s.Gaps {
		if why := stampUTC(x.Until) + " " + x.Why; x.LengthS == 0 { // not known, and no 0 s
			c.text("gap", x.Point, "length_s", why)
		} else {
			c.number("gap", x.Point, "length_s", x.LengthS, why)
		}
	}
	for _, g := range s.Curves {
		c.row("curve", g.Point, "lowest", plainNumber(rules.Num(g.Lowest.Value)), g.Quantity.SI(), stampUTC(g.Lowest.At))
		c.row("curve", g.Point, "highest", plainNumber(rules.Num(g.Highest.Value)), g.Quantity.SI(), stampUTC(g.Highest.At))
	}
	for _, u := range s.Airs {
		for _, a := range []struct {
			what string
			g    *Graph
		}{{"supply", u.Supply}, {"return", u.Return}} {
			if a.g != nil {
				c.row("unit-curve", u.Unit, a.what+" lowest", plainNumber(rules.Num(a.g.Lowest.Value)), a.g.Quantity.SI(), stampUTC(a.g.Lowest.At))
				c.row("unit-curve", u.Unit, a.what+" highest", plainNumber(rules.Num(a.g.Highest.Value)), a.g.Quantity.SI(), stampUTC(a.g.Highest.At))
			}
		}
	}
}
