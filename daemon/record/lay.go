package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

const footM = 0.3048 // by definition

// Lay writes a record as a paper: first what matters, then each step with what
// it was judged by, then what all of it rests on.
func Lay(r Record) Document {
	l := laying{r: r}
	l.first()
	l.takeOff()
	for _, s := range r.Steps {
		l.step(s)
	}
	l.earlier()
	l.units()
	l.settings()
	l.flags()
	l.checks()
	l.answered()
	l.notes()
	l.instruments()
	l.box()
	l.cautions()
	l.signatures()
	d := Document{Title: recordTitle, Subject: subject(r), Language: "en", Foot: subject(r), Made: r.Made, Blocks: l.blocks}
	return d
}

func subject(r Record) string {
	var parts []string
	for _, name := range []string{r.Site, r.System.Name} {
		if name != "" {
			parts = append(parts, name)
		}
	}
	return strings.Join(append(parts, jobText(r.Job)), ", ")
}

func jobText(j Job) string {
	if j.Name == fmt.Sprintf("job %d", j.Number) || j.Name == "" {
		return fmt.Sprintf("job %d", j.Number)
	}
	return fmt.Sprintf("job %d (%s)", j.Number, j.Name)
}

type laying struct {
	r      Record
	blocks []Block
}

func (l *laying) put(bs ...Block) {
	for _, b := range bs {
		if t, ok := b.(Table); ok {
			b = t.withoutEmpty()
		}
		l.blocks = append(l.blocks, b)
	}
}

// withoutEmpty leaves out the columns in which no row says anything: blanks
// look like something forgotten.
func (t Table) withoutEmpty() Table {
	out := Table{Caption: t.Caption, Label: t.Label, Rows: make([][]string, len(t.Rows))}
	for i, c := range t.Columns {
		if len(t.Rows) > 0 && !slices.ContainsFunc(t.Rows, func(row []string) bool { return i < len(row) && row[i] != "" }) {
			continue
		}
		out.Columns = append(out.Columns, c)
		for k, row := range t.Rows {
			if i < len(row) {
				out.Rows[k] = append(out.Rows[k], row[i])
			}
		}
	}
	return out
}

func (l *laying) say(tone Tone, text string) { l.put(Paragraph{Tone: tone, Text: text}) }

// part begins a part of the paper.
func (l *laying) part(text, id string) { l.put(Heading{Level: 2, Text: text, ID: id}) }

func (l *laying) first() {
	r := l.r
	facts := Facts{{"Site", r.Site}}
	if r.System.Name != "" {
		facts = append(facts, Fact{"System", r.System.Name})
	}
	units := fmt.Sprintf("%d outdoor, %d branch, %d indoor", len(r.System.Outdoor), len(r.System.Branches), len(r.System.Indoor))
	facts = append(facts, Fact{"Refrigerant", cmp.Or(r.System.Refrigerant, notKnown)}, Fact{"Units", units},
		Fact{"Job", fmt.Sprintf("%s of %d, %s", jobText(r.Job), r.Job.Of, r.Job.State)},
		Fact{"From", momentText(r.Job.Begun)}, Fact{"To", l.jobEnd()}, Fact{"Times", timesIn(r.Zone)})
	for _, s := range r.Job.Said {
		facts = append(facts, Fact{titled(strings.TrimPrefix(s.What, "job-")), by(s.Text, s.By, momentText(s.At))})
	}
	l.put(facts)
	if !r.SiteKnown {
		l.say(Caution, siteUnknown)
	}
	l.charge()
	l.part("Results", "results")
	if len(r.Steps) == 0 {
		l.say(Plain, noSteps)
	}
	for _, s := range r.Steps {
		text := s.Sentence
		if title := l.stepTitle(s); !strings.HasPrefix(strings.ToLower(text), strings.ToLower(title)) {
			if rest, said := strings.CutPrefix(text, titled(stepWord(s.Step))+" "); said { // begun several times: its number goes into the name that stands there
				text = title + " " + rest
			} else {
				text = title + ": " + text
			}
		}
		l.put(Paragraph{Tone: Result, State: s.shown(), Text: text})
	}
	for _, s := range r.Reported {
		l.put(Paragraph{Tone: Result, State: "reported", Text: titled(stepWord(s.Step)) + ": " + by(s.Text, s.By, momentText(s.At))})
	}
	l.part("Open points", "open-points")
	if len(r.Outstanding) == 0 {
		l.say(Plain, nothingOpen)
	}
	for _, o := range OpenLines(r.Outstanding) {
		l.put(Paragraph{Tone: Result, State: openState, Text: o.Text(inEnglish)})
	}
	for _, text := range r.Unclear {
		l.put(Paragraph{Tone: Result, State: openState, Text: text})
	}
	l.put(Paragraph{Tone: Caution, Text: whatItIs})
}

func (l *laying) jobEnd() string {
	if l.r.Job.Ended.IsZero() {
		return goesOn(momentText(l.r.Made))
	}
	return momentText(l.r.Job.Ended)
}

// by is what was said, by whom and when.
func by(text, who, when string) string {
	if who != "" {
		text = strings.TrimSpace(text + ", by " + who)
	}
	if when != "" {
		text += " (" + when + ")"
	}
	return strings.TrimPrefix(text, ", ")
}

func (l *laying) charge() {
	c := l.r.Charge
	l.part("Charge", "charge")
	facts := Facts{{"Factory", l.factory()}}
	if c.Weighed {
		facts = append(facts, Fact{"Additional, as weighed", massText(c.AdditionalKg) + ", " + l.chargeState()})
		if rules.Kilogram.Number(c.LowKg) != rules.Kilogram.Number(c.HighKg) {
			facts = append(facts, Fact{"Between", massText(c.LowKg) + " and " + massText(c.HighKg)})
		}
		if c.UnweighedKg != 0 {
			facts = append(facts, Fact{"Of it seen by no scale", massText(c.UnweighedKg)})
		}
		if c.FactoryKg > 0 {
			facts = append(facts, Fact{"Factory + additional = total", fmt.Sprintf("%s + %s = %s", massText(c.FactoryKg), massText(c.AdditionalKg), massText(c.TotalKg))})
		}
	} else {
		facts = append(facts, Fact{"Additional", notWeighed})
	}
	if c.TargetKg > 0 {
		facts = append(facts, Fact{"Target, additional", massText(c.TargetKg)})
	}
	if c.CalculatedKg > 0 {
		facts = append(facts, Fact{"By the take-off, additional", massText(c.CalculatedKg)})
	}
	if s := l.r.System; s.GWP > 0 && c.Weighed && c.FactoryKg > 0 {
		facts = append(facts, Fact{"CO₂ equivalent", fmt.Sprintf("%s t (GWP %s, %s)", rules.Decimals(float64(s.GWP*c.TotalKg)/1000, 1), rules.AsGiven(s.GWP), s.GWPSource)})
	}
	l.put(facts)
}

func (l *laying) factory() string {
	if open := l.r.Charge.FactoryOpen; len(open) > 0 {
		return "not in the site file for " + strings.Join(open, ", ")
	}
	if l.r.Charge.FactoryKg == 0 {
		return "not in the site file"
	}
	return massText(l.r.Charge.FactoryKg)
}

func (l *laying) chargeState() string {
	if l.r.Charge.Result == "" {
		return "no verdict yet"
	}
	return outcome(l.r.Charge.Result)
}

func (l *laying) takeOff() {
	t := l.r.TakeOff
	if len(t.Runs) == 0 {
		return
	}
	l.part("Take-off", "take-off")
	from := "From the site file."
	if t.Entered {
		from = "Entered on site."
	}
	l.say(Plain, from)
	mass, factorUnit, volumeUnit := l.mass(), "kg/m", "l"
	perM, perM3 := 1.0, 1e3
	if mass == rules.Pound {
		factorUnit, perM = "lb/ft", rules.Pound.Factor*footM
		volumeUnit, perM3 = "ft³", 1/(footM*footM*footM)
	}
	rows := Table{Caption: "Lines as measured", Columns: []Column{{Title: "Run", Wide: true}, {Title: "Line"}, {Title: "Outside diameter, mm"}, {Title: "Length", Number: true}, {Title: "Maker's factor, " + factorUnit, Number: true}, {Title: "Holds, " + volumeUnit, Number: true}, {Title: "Charge, " + mass.Symbol, Number: true}}}
	for _, x := range t.Runs {
		factor, kg := "", ""
		if x.FactorKgM > 0 {
			factor = rules.AsGiven(float64(x.FactorKgM * perM))
		}
		if x.ChargeKg != 0 {
			kg = massCell(mass, x.ChargeKg)
		}
		rows.Rows = append(rows.Rows, []string{x.Run, x.Line, diameterText(x.DiameterM), lengthText(x.LengthM), factor, rules.Significant(float64(x.VolumeM3*perM3), 3), kg})
	}
	l.put(rows)
	sums := Table{Caption: "Length by diameter", Columns: []Column{{Title: "Line"}, {Title: "Outside diameter, mm"}, {Title: "Length", Number: true}}}
	for _, x := range t.ByDiameter {
		sums.Rows = append(sums.Rows, []string{x.Line, diameterText(x.DiameterM), lengthText(x.LengthM)})
	}
	l.put(sums)
	facts := Facts{{"Lines hold, with coils and branch units", rules.Litres(t.InsideM3)}}
	if t.AllowancesKg != 0 {
		facts = append(facts, Fact{"Maker's allowances", massText(t.AllowancesKg)})
	}
	if t.AdditionalKg > 0 {
		facts = append(facts, Fact{"To add", massText(t.AdditionalKg)})
	}
	if t.TotalKg > 0 {
		facts = append(facts, Fact{"With the factory's", massText(t.TotalKg)})
	}
	if t.Estimated > 0 {
		facts = append(facts, Fact{"Without the maker's factor", fmt.Sprintf("%s: reckoned as full of liquid at %s, an estimate", numberOf(t.Estimated, "line", "lines"), tempText(t.LiquidC))})
	}
	l.put(facts)
	for _, d := range t.Doubts {
		l.put(Paragraph{Tone: Result, State: openState, Text: d})
	}
}

func (l *laying) stepTitle(s Step) string {
	title := titled(stepWord(s.Step))
	if s.Number > 1 || slices.ContainsFunc(l.r.Steps, func(o Step) bool { return o.Step == s.Step && o.Number > 1 }) {
		title += fmt.Sprintf(" %d", s.Number)
	}
	return title
}

// mostGaps is how many gaps a step's paper names; the rest are counted. CSV and JSON have all.
const mostGaps = 12

func (l *laying) step(s Step) {
	l.put(Heading{Level: 2, Text: l.stepTitle(s), ID: fmt.Sprintf("%s-%d", s.Step, s.Number)})
	l.put(Paragraph{Tone: Result, State: s.shown(), Text: s.Sentence})
	end := "under way"
	switch {
	case s.State == leftState:
		end = outcome(leftState)
	case !s.Open:
		end = momentText(s.Ended)
	}
	facts := Facts{{"Begun", momentText(s.Begun)}, {"Ended", end}, {"Took", rules.Span(s.ElapsedS)}, {"Clock", clockText(s.Clock)}}
	if s.Cause != "" && s.Cause != "none" {
		facts = append(facts, Fact{"Cause", causeWord(s.Cause)})
	}
	if s.Sure != "" {
		facts = append(facts, Fact{"How sure of the result, at the last", s.Sure})
	}
	if mean, ok := s.Conditions.Of(OutdoorKey); ok {
		low, _ := s.Conditions.Of("outdoor_low_c")
		high, _ := s.Conditions.Of("outdoor_high_c")
		facts = append(facts, Fact{"Outdoor air", fmt.Sprintf("%s on average, from %s to %s", tempText(mean), tempText(low), tempText(high))})
	}
	l.put(facts)
	if s.After != nil {
		l.say(Plain, afterText(*s.After))
	}
	for _, a := range s.Accepted {
		l.put(Paragraph{Tone: Result, State: acceptedState, Text: by(a.Text, a.By, momentText(a.At))})
	}
	if len(s.Figures) > 0 {
		t := Table{Caption: "Figures", Columns: []Column{{Title: "Figure", Wide: true}, {Title: "Value", Number: true}}}
		for _, v := range s.Figures {
			label, text := figureText(s.Step, v.Key, v.Number)
			t.Rows = append(t.Rows, []string{label, text})
		}
		l.put(t)
	}
	if len(s.Limits) > 0 {
		t := Table{Caption: "What it was judged by", Columns: []Column{{Title: "Setting"}, {Title: "Value"}, {Title: "Source", Wide: true}}}
		for _, x := range s.Limits {
			t.Rows = append(t.Rows, []string{limitLabel(x.Key), x.limitText(s.Step), x.Source})
		}
		l.put(t)
	}
	l.curves(s)
	l.ledger(s)
	l.stepUnits(s)
	l.branches(s)
	l.airs(s)
	for i, x := range s.Gaps {
		if i == mostGaps {
			l.say(Small, fmt.Sprintf("And %s more; CSV and JSON name all.", numberOf(len(s.Gaps)-i, "gap", "gaps")))
			break
		}
		l.say(Small, gapText(x))
	}
	for _, v := range s.Before {
		l.say(Small, fmt.Sprintf("Replaced: %s%s at %s: %s", unitPrefix(v.Unit), outcome(v.Result), momentText(v.At), v.Text))
	}
}

func unitPrefix(unit string) string {
	if unit == "" {
		return ""
	}
	return unit + " "
}

func (l *laying) curve(s Step, g Graph) Curve {
	scale := axis(g.Quantity, g.Unit)
	show := scale.Value
	c := Curve{Title: fmt.Sprintf("%s, %s", g.Point, stepWord(s.Step)), Unit: scale.Symbol, Log: g.Log, Begin: g.From, End: g.To}
	line := Line{Name: g.Point}
	var first, last Sample
	for i, stretch := range g.Lines {
		var out []Sample
		for _, x := range stretch {
			out = append(out, Sample{x.At, show(x.Value)})
		}
		line.Stretches = append(line.Stretches, out)
		if i == 0 {
			first = out[0]
		}
		last = out[len(out)-1]
	}
	c.Lines = append(c.Lines, line)
	if c.Begin.IsZero() || first.At.Before(c.Begin) {
		c.Begin = first.At
	}
	if c.End.Before(last.At) {
		c.End = last.At
	}
	for _, b := range g.Bands {
		model, band := Line{Name: bandName(b.Name), Model: true}, Band{Name: bandName(b.Name) + ", range"}
		var out []Sample
		for i, at := range b.At {
			if at.After(c.End) || at.Before(c.Begin) { // what was still to come
				continue
			}
			out = append(out, Sample{at, show(b.Best[i])})
			band.At, band.Low, band.High = append(band.At, at), append(band.Low, show(b.Low[i])), append(band.High, show(b.High[i]))
		}
		if len(out) > 1 {
			model.Stretches = [][]Sample{out}
			c.Lines, c.Bands = append(c.Lines, model), append(c.Bands, band)
		}
	}
	if g.Limit != nil && g.Limit.Unit != "" {
		c.Limits = []Limit{{Value: show(g.Limit.Value), Label: fmt.Sprintf("%s (%s)", cmp.Or(g.Limit.Text, g.Limit.limitText(s.Step)), g.Limit.Source), Above: g.Above}}
	}
	for _, f := range l.r.Flags {
		if f.Step == s.Step && !f.Raised.Before(c.Begin) && !f.Raised.After(c.End) && len(c.Ticks) < 8 {
			c.Ticks = append(c.Ticks, Tick{f.Raised, rules.FlagWord(f.Flag)})
		}
	}
	for _, n := range l.r.Notes {
		if n.Mark != "note" && n.Mark != "placed" && !n.At.Before(c.Begin) && !n.At.After(c.End) && len(c.Ticks) < 12 {
			c.Ticks = append(c.Ticks, Tick{n.At, stepWord(n.Mark)})
		}
	}
	slices.SortStableFunc(c.Ticks, func(a, b Tick) int { return a.At.Compare(b.At) })
	c.Describe = fmt.Sprintf("Single readings of %s from %s to %s: first %s, lowest %s, highest %s, last %s %s.", g.Point, momentText(c.Begin), momentText(c.End),
		scale.Write(first.Value), scale.Number(g.Lowest.Value), scale.Number(g.Highest.Value), scale.Write(last.Value), scale.Symbol)
	if len(s.Figures) > 0 {
		c.Describe += " " + judgedApart
	}
	return c
}

func (l *laying) ledger(s Step) {
	if len(s.Ledger) == 0 {
		return
	}
	mass := l.mass()
	cell := func(kg float64) string { return massCell(mass, kg) }
	t := Table{Caption: "Ledger: what went in, stretch by stretch, in " + mass.Symbol, Columns: []Column{{Title: "Cylinder", Wide: true}, {Title: "From"}, {Title: "To"}, {Title: "Weight before", Number: true}, {Title: "after", Number: true}, {Title: "At least", Number: true}, {Title: "Best", Number: true}, {Title: "At most", Number: true}}}
	var low, best, high float64
	for _, x := range s.Ledger {
		name := "steps before this one"
		if x.Scale != "" {
			name = fmt.Sprintf("%d on %s", x.Cylinder, x.Scale)
			if x.Unseen {
				name += ", " + unseenWord(x)
			}
			if x.Ended != "" {
				name += "; until " + endedWord(x.Ended)
			}
		}
		t.Rows = append(t.Rows, []string{name, clockOf(x.From), clockOf(x.Until), cell(x.FromKg), cell(x.ToKg), cell(x.LowKg), cell(x.BestKg), cell(x.HighKg)})
		low, best, high = low+x.LowKg, best+x.BestKg, high+x.HighKg
	}
	t.Rows = append(t.Rows, []string{"The rows together, as the ledger stood last", "", "", "", "", cell(low), cell(best), cell(high)})
	judged, known := s.Figures.Of("charged_kg")
	if !known {
		judged, known = s.Figures.Of("drawn_kg")
	}
	least, ok := s.Figures.Of("charged_low_kg")
	most, also := s.Figures.Of("charged_high_kg")
	if known && ok && also {
		t.Rows = append(t.Rows, []string{"As judged", "", "", "", "", cell(least), cell(judged), cell(most)})
	}
	l.put(t)
	if known && ok && also {
		l.say(Small, ledgerJudged)
	}
}

// mass is in what a table's masses stand, as the charging scale has them.
func (l *laying) mass() rules.Scale { return axis(sensors.Mass, cmp.Or(l.r.MassUnit, "kg")) }

// massCell is a mass in a table that names its unit: to the gram, or to the hundredth of a pound.
func massCell(in rules.Scale, kg float64) string {
	if in == rules.Pound {
		return in.Number(kg)
	}
	return rules.Decimals(kg, 3)
}

func (l *laying) branches(s Step) {
	b := s.Branch
	if b == nil {
		return
	}
	const wide = 10 // columns a page holds; more stand in further tables
	for from := 0; from < len(b.Units); from += wide {
		to := min(from+wide, len(b.Units))
		t := Table{Caption: "Who answered whom: how much each room's supply air changed, K, as asked", Columns: []Column{{Title: "Asked"}}}
		for _, u := range b.Units[from:to] {
			t.Columns = append(t.Columns, Column{Title: u, Number: true})
		}
		for i, row := range b.Responses {
			cells := []string{b.Units[i]}
			for _, c := range row[from:min(to, len(row))] {
				switch {
				case !c.Known:
					cells = append(cells, "")
				case c.Chosen:
					cells = append(cells, "["+rules.Decimals(c.K, 1)+"]")
				default:
					cells = append(cells, rules.Decimals(c.K, 1))
				}
			}
			t.Rows = append(t.Rows, cells)
		}
		l.put(t)
	}
	l.say(Small, "In brackets: the room that is taken to answer. Blank: not tried.")
	for _, p := range b.Pairs {
		l.put(Paragraph{Tone: Result, State: rules.NotPassed, Text: fmt.Sprintf("What was asked of %s was answered in the room of %s.", p.Unit, p.Answers)})
	}
	for _, u := range b.Dead {
		l.put(Paragraph{Tone: Result, State: rules.NotPassed, Text: fmt.Sprintf("%s was asked, and answered nowhere.", u)})
	}
	for _, p := range b.Leaks {
		l.put(Paragraph{Tone: Result, State: rules.NotProven, Text: fmt.Sprintf("When %s was asked, the room of %s answered as well.", p.Unit, p.Answers)})
	}
}

func (l *laying) units() {
	if len(l.r.Units) == 0 {
		return
	}
	l.part("Units and their addresses", "units")
	t := Table{Label: "Address sheet", Columns: []Column{{Title: "Unit"}, {Title: "Kind"}, {Title: "Room", Wide: true}, {Title: "Address"}, {Title: "Model"}, {Title: "Branch, port"}, {Title: "Found"}, {Title: "Remark"}}}
	for _, u := range l.r.Units {
		branch, found := u.Branch, "no"
		if u.Port > 0 {
			branch += fmt.Sprintf(", %d", u.Port)
		}
		if u.Found {
			found = "yes"
		}
		address := strings.Join(append(some(u.Address), u.Others...), ", ")
		if u.Planned != "" {
			address = strings.TrimSpace(address + " (planned: " + u.Planned + ")")
		}
		t.Rows = append(t.Rows, []string{u.Unit, cmp.Or(u.Kind, "not in the site file"), u.Room, address, u.Model, branch, found, u.Note})
	}
	l.put(t)
	var parts []string
	for _, c := range l.r.Counted {
		counted := "not counted"
		if c.Counted >= 0 {
			counted = fmt.Sprintf("%d counted", c.Counted)
		}
		parts = append(parts, fmt.Sprintf("%s: %d expected, %d found by name, %s", titled(c.Kind), c.Expected, c.Found, counted))
	}
	l.say(Plain, strings.Join(parts, ". ")+".")
}

func some(s string) []string {
	if s == "" {
		return nil
	}
	return []string{s}
}

func (l *laying) settings() {
	l.part("Settings changed", "settings")
	if len(l.r.Settings) == 0 {
		l.say(Plain, noSettings)
		return
	}
	t := Table{Label: "Settings changed", Columns: []Column{{Title: "Unit"}, {Title: "Setting"}, {Title: "From"}, {Title: "To"}, {Title: "Remark", Wide: true}, {Title: "When"}, {Title: "By"}}}
	for _, x := range l.r.Settings {
		t.Rows = append(t.Rows, []string{x.Unit, x.Number, x.From, x.To, x.Note, momentText(x.At), x.By})
	}
	l.put(t)
}

func (l *laying) flags() {
	l.part("Flags", "flags")
	if len(l.r.Flags) == 0 {
		l.say(Plain, "None was raised.")
		return
	}
	t := Table{Label: "Flags, in the order raised", Columns: []Column{{Title: "Raised"}, {Title: "Flag"}, {Title: "Urgency"}, {Title: "What was said", Wide: true}, {Title: "Acknowledged"}, {Title: "Cleared"}}}
	for _, f := range l.r.Flags {
		if f.Unread && !f.Acknowledged { // who answered for one finds it
			continue
		}
		ack := "no"
		if f.Acknowledged {
			ack = strings.TrimSpace(f.By + " " + momentText(f.AcknowledgedAt))
		}
		t.Rows = append(t.Rows, []string{momentText(f.Raised), strings.TrimSpace(titled(rules.FlagWord(f.Flag)) + " " + f.Subject), f.Urgency, f.Text, ack, clearedText(f)})
	}
	if len(t.Rows) > 0 {
		l.put(t)
	}
	if each := l.unread(); len(each) > 0 {
		l.say(Plain, silencesUnread(each))
	}
}

// unread are the silences of instruments while no step needed them: of each how
// many, and how long in all.
func (l *laying) unread() (each []string) {
	type sum struct {
		subject string
		times   int
		seconds float64
		open    bool
	}
	var sums []sum
	for _, f := range l.r.Flags {
		if !f.Unread || f.Acknowledged {
			continue
		}
		i := slices.IndexFunc(sums, func(s sum) bool { return s.subject == f.Subject })
		if i < 0 {
			i, sums = len(sums), append(sums, sum{subject: f.Subject})
		}
		until := f.Cleared
		if f.Open {
			until, sums[i].open = l.r.Made, true
		}
		silent, _ := f.Figures.Of("silent_s") // before the flag was raised
		sums[i].times++
		sums[i].seconds += silent
		if !f.Raised.IsZero() && until.After(f.Raised) {
			sums[i].seconds += until.Sub(f.Raised).Seconds()
		}
	}
	for _, s := range sums {
		text := fmt.Sprintf("%s %s, %s", s.subject, numberOf(s.times, "time", "times"), rules.Span(math.Floor(s.seconds)))
		if s.open {
			text += ", open"
		}
		each = append(each, text)
	}
	return each
}

func (l *laying) checks() {
	if len(l.r.Checks)+len(l.r.Photos) == 0 {
		return
	}
	l.part("Checks that no sensor sees", "checks")
	t := Table{Label: "Checks", Columns: []Column{{Title: "Check"}, {Title: "State"}, {Title: "What is so when it is done", Wide: true}, {Title: "Said", Wide: true}, {Title: "Source", Wide: true}}}
	for _, c := range l.r.Checks {
		var said []string
		for _, m := range c.Said {
			said = append(said, by(strings.TrimSuffix(outcome(m.State)+": "+m.Remark, ": "), m.By, momentText(m.At)))
		}
		t.Rows = append(t.Rows, []string{c.Check, outcome(c.State), c.Text, strings.Join(said, "; "), c.Source})
	}
	if len(t.Rows) > 0 {
		l.put(t)
	}
	for _, p := range l.r.Photos {
		switch {
		case p.Kept:
			l.put(Picture{Size: p.Size, Read: p.read, Caption: fmt.Sprintf("%s. SHA-256 %s", p.Of, p.Name)})
		default:
			l.say(Small, fmt.Sprintf("Photo of %s, SHA-256 %s: this journal does not hold it.", p.Of, p.Name))
		}
	}
}

func (l *laying) answered() {
	if len(l.r.Reported) > 0 {
		l.part("Reported from before the box came", "reported")
		l.say(Plain, reportedMeans)
		l.said(l.r.Reported, "reported")
	}
	if len(l.r.Accepted) > 0 {
		l.part("Accepted", "accepted")
		l.say(Plain, acceptedMeans)
		l.said(l.r.Accepted, acceptedState)
	}
}

func (l *laying) said(all []Said, state string) {
	for _, s := range all {
		l.put(Paragraph{Tone: Result, State: state, Text: titled(stepWord(s.Step)) + ": " + by(s.Text, s.By, momentText(s.At))})
	}
}

func (l *laying) notes() {
	if len(l.r.Notes) > 0 {
		l.part("What people told the box", "notes")
		l.marks("Marks", l.r.Notes)
	}
	if len(l.r.Later) > 0 {
		l.part("Told later", "later")
		l.say(Plain, laterMeans)
		l.marks("Marks after the close", l.r.Later)
	}
}

func (l *laying) marks(label string, notes []Note) {
	t := Table{Label: label, Columns: []Column{{Title: "When"}, {Title: "Mark"}, {Title: "Value", Number: true}, {Title: "Note", Wide: true}, {Title: "By"}}}
	for _, n := range notes {
		value := ""
		if n.Unit != "" {
			value = markText(n.Value, n.Unit)
		}
		t.Rows = append(t.Rows, []string{momentText(n.At), titled(stepWord(n.Mark)), value, n.Note, n.By})
	}
	l.put(t)
}

func (l *laying) instruments() {
	if len(l.r.Instruments) == 0 {
		return
	}
	l.part("Instruments", "instruments")
	t := Table{Label: "Instruments", Columns: []Column{{Title: "Point", Wide: true}, {Title: "Measures"}, {Title: "Read by"}, {Title: "Serial"}, {Title: "Calibrated"}, {Title: "Against", Wide: true}, {Title: "Until"}, {Title: "Used"}}}
	for _, x := range l.r.Instruments {
		used := "no"
		if x.Used {
			used = "yes"
		}
		calibrated := x.Calibrated
		if x.By != "" {
			calibrated = strings.TrimSpace(calibrated + " by " + x.By)
		}
		t.Rows = append(t.Rows, []string{x.Point, cmp.Or(stepWord(x.Role), stepWord(x.Measures)), x.Kind, cmp.Or(x.Serial, "not given"), cmp.Or(calibrated, "not given"), x.Against, x.Until, used})
	}
	l.put(t)
	for _, x := range l.r.Instruments {
		for _, m := range x.Said {
			who := m.By
			if strings.Contains(m.Note, "by "+who) { // the note says it
				who = ""
			}
			text := by(stepWord(titled(m.What))+": "+m.Note, who, momentText(m.At))
			if m.Problem != "" {
				text += ". Nothing was made of it: " + m.Problem
			}
			l.say(Small, text)
		}
	}
}

func (l *laying) box() {
	l.part("The box and its clock", "box")
	t := Table{Caption: "Runs of the box", Columns: []Column{{Title: "Run", Number: true}, {Title: "Begun"}, {Title: "Program", Wide: true}, {Title: "Away before"}, {Title: "Clock by"}, {Title: "Proven"}}}
	for _, b := range l.r.Runs {
		gap, proven := "not known", "no"
		switch {
		case b.First:
			gap = ""
		case b.GapKnown:
			gap = rules.Span(b.GapS)
		}
		if b.Proven {
			proven = "yes"
		}
		t.Rows = append(t.Rows, []string{fmt.Sprint(b.Boot), momentText(b.Begun), b.Version, gap, cmp.Or(b.Clock, "none"), proven})
	}
	l.put(t)
	l.say(Small, fmt.Sprintf("It rests on the journal's first %d entries. %s", l.r.Entries, clockMeans))
}

func (l *laying) cautions() {
	l.part("Take care", "cautions")
	for _, text := range recordCautions {
		l.say(Caution, text)
	}
	if f := l.r.System.Refrigerant; f == "R-32" || f == "R-454B" {
		l.say(Caution, f+flammableCaution)
	}
}

func (l *laying) signatures() {
	l.part("Names", "names")
	for _, s := range l.r.Signatures {
		x := Signature{Name: s.Name, Role: s.Role, Signed: s.At}
		for _, stroke := range s.Strokes {
			var dots []Dot
			for _, d := range stroke {
				dots = append(dots, Dot{d.X, d.Y})
			}
			x.Strokes = append(x.Strokes, dots)
		}
		l.put(x)
		if s.After {
			l.say(Small, s.Name+laterEntries)
		}
	}
	if len(l.r.Signatures) == 0 {
		l.put(Signature{Role: "Technician"})
	}
	if !slices.ContainsFunc(l.r.Signatures, func(s Signed) bool { return s.Role != "technician" }) { // room for a pen
		l.put(Signature{Role: "Received by"})
	}
}
