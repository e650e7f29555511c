package exchange

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"standwatch/rules"
)

// Sum is what the lines of one kind and size come to.
type Sum struct {
	Line             string
	OutsideDiameterM float64
	WallM            float64
	LengthM          float64
	Rows             int
}

// Sums adds the lengths up, by kind of line and by size.
func Sums(runs []rules.Run) (all []Sum) {
	for _, line := range rules.RunLines {
		var of []Sum
		for _, r := range runs {
			if r.Line != line {
				continue
			}
			i := slices.IndexFunc(of, func(s Sum) bool {
				return rules.TubeSize(s.OutsideDiameterM) == rules.TubeSize(r.OutsideDiameterM) && s.WallM == r.WallM
			})
			if i < 0 {
				of = append(of, Sum{Line: line, OutsideDiameterM: r.OutsideDiameterM, WallM: r.WallM})
				i = len(of) - 1
			}
			of[i].LengthM += r.LengthM
			of[i].Rows++
		}
		slices.SortStableFunc(of, func(a, b Sum) int {
			switch {
			case a.OutsideDiameterM < b.OutsideDiameterM-1e-6:
				return -1
			case a.OutsideDiameterM > b.OutsideDiameterM+1e-6:
				return 1
			}
			return 0
		})
		all = append(all, of...)
	}
	return all
}

// Doubts are what about the take-off is more likely a slip than a pipe.
func (p Preview) Doubts(plant rules.System) (texts []string) {
	runs := p.Runs()
	if p.Kind != TakeOff || len(runs) == 0 {
		return nil
	}
	for _, d := range plant.Pipework(runs).Doubts() {
		texts = append(texts, d.Text)
	}
	return texts
}

// Against holds the units of the list against those of the site file.
func (p Preview) Against(plant rules.System) (texts []string) {
	units := p.AllUnits()
	if p.Kind != Units || len(plant.Units)+len(plant.Branches)+len(plant.Outdoor) == 0 {
		return nil
	}
	listed := func(kind, name string) bool {
		return slices.ContainsFunc(units, func(u Unit) bool { return u.Kind == kind && u.Name == name }) || kind == rules.KindBranch && slices.Contains(p.branchNames(), name)
	}
	known := map[string][]string{rules.KindBranch: plant.Branches, rules.KindOutdoor: plant.Outdoor}
	for _, u := range plant.Units {
		known[rules.KindIndoor] = append(known[rules.KindIndoor], u.Name)
		if i := slices.IndexFunc(units, func(x Unit) bool { return x.Kind == rules.KindIndoor && x.Name == u.Name }); i >= 0 {
			x := units[i]
			for _, d := range []struct{ what, list, site string }{{"room", x.Room, u.Room}, {"branch unit", x.Branch, u.Branch}, {"port", number0(x.Port), number0(u.Port)}} {
				if d.list != "" && d.site != "" && d.list != d.site {
					texts = append(texts, fmt.Sprintf("%s: the list has %s %s, the site file %s", u.Name, d.what, d.list, d.site))
				}
			}
		}
	}
	for _, kind := range rules.Kinds() {
		if kind != rules.KindIndoor && !slices.ContainsFunc(units, func(u Unit) bool { return u.Kind == kind }) && (kind != rules.KindBranch || len(p.branchNames()) == 0) {
			continue // the list is of others
		}
		for _, name := range known[kind] {
			if !listed(kind, name) {
				texts = append(texts, fmt.Sprintf("%s: in the site file, not in the list", name))
			}
		}
	}
	for _, u := range units {
		if !slices.Contains(known[u.Kind], u.Name) {
			texts = append(texts, fmt.Sprintf("%s (line %d): in the list, not in the site file", u.Name, u.Line))
		}
	}
	return texts
}

func number0(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// As is how a column was understood, in words.
func (c Column) As() string {
	if c.Meaning == "" || c.Meaning == "note" || c.Meaning == "pieces" {
		if c.Remark != "" {
			return c.Remark
		}
		if c.Meaning == "pieces" {
			return "pieces"
		}
		return "not used"
	}
	s := strings.ReplaceAll(c.Meaning, "_", " ")
	if c.Line != "" {
		s += " of the " + strings.ReplaceAll(c.Line, "-", " ") + " line"
	}
	if c.Unit != "" {
		s += ", unit " + c.Unit
	}
	if c.decimal != "" && (c.Meaning == "length" || c.Meaning == "outside_diameter") {
		s += ", decimal " + c.decimal
	}
	if c.Remark != "" {
		s += " (" + c.Remark + ")"
	}
	return s
}

// Lines are the numbers of the lines, as people say them: 4, or 4 to 6.
func (l Line) Lines() string {
	if l.To > l.From {
		return fmt.Sprintf("%d to %d", l.From, l.To)
	}
	return strconv.Itoa(l.From)
}

// Short is a line's text where there is room for one.
func (l Line) Short() string {
	text := oneLine(strings.NewReplacer("\t", " | ", "\n", " ").Replace(l.Text))
	return strings.TrimSpace(text)
}

// Counts says how many lines were taken for what, in a fixed order.
func (p Preview) Counts() string {
	var parts []string
	total := 0
	for _, s := range []State{Understood, Waits, NotUnderstood, LeftOut, Title, Heading, Total, Blank} {
		if n := p.Count(s); n > 0 {
			word := string(s)
			if s == Waits && n > 1 {
				word = "wait for an answer"
			}
			parts = append(parts, fmt.Sprintf("%d %s", n, word))
			total += n
		}
	}
	switch total {
	case 0:
		return "no line"
	case 1:
		return "1 line: " + parts[0]
	}
	return fmt.Sprintf("%d lines: %s", total, strings.Join(parts, "; "))
}

// Write prints the preview for people.
func (p Preview) Write(out io.Writer, plant rules.System) error {
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	heading := "no line with headings"
	if p.HeadingLine > 0 {
		heading = fmt.Sprintf("headings in line %d", p.HeadingLine)
	}
	say("%s: read as %s, cells parted by %s, %s.", p.File, p.Encoding, p.Separator, heading)
	say("%s.", p.Counts())
	table := func(rows [][]string) {
		w := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
		for _, row := range rows {
			fmt.Fprintln(w, strings.TrimRight(strings.Join(row, "\t"), "\t"))
		}
		_ = w.Flush() // into memory
	}
	if len(p.Columns) > 0 {
		say("")
		rows := [][]string{{"COLUMN", "HEADING", "UNDERSTOOD AS"}}
		for _, c := range p.Columns {
			rows = append(rows, []string{strconv.Itoa(c.Number), or(oneLine(c.Heading), "-"), c.As()})
		}
		table(rows)
	}
	p.writeUnderstood(say, table)
	p.writeOthers(say, table)
	if sums := Sums(p.Runs()); len(sums) > 0 {
		say("")
		rows := [][]string{{"SUM OF", "OUTSIDE DIAMETER", "LENGTH", "ROWS"}}
		for _, s := range sums {
			size := rules.TubeSize(s.OutsideDiameterM)
			if s.WallM > 0 {
				size += fmt.Sprintf(", wall %.4g mm", s.WallM*1e3)
			}
			rows = append(rows, []string{strings.ReplaceAll(s.Line, "-", " "), size, Length(s.LengthM), strconv.Itoa(s.Rows)})
		}
		table(rows)
	}
	list := func(title string, texts []string) {
		if len(texts) > 0 {
			say("\n%s", title)
		}
		for _, t := range texts {
			say("  %s", t)
		}
	}
	list("Of the whole list:", p.Remarks)
	list("Look at these again:", append(p.Doubts(plant), p.Against(plant)...))
	for _, q := range p.Questions {
		say("\nAsked: %s. To go on, %s: %s.", q.Problem, q.Want, q.Say)
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func or(text, instead string) string {
	if text == "" {
		return instead
	}
	return text
}

// Length is a length as both worlds measure it.
func Length(m float64) string { return fmt.Sprintf("%.2f m (%.1f ft)", m, m/0.3048) }

func (p Preview) writeUnderstood(say func(string, ...any), table func([][]string)) {
	runs := [][]string{{"LINE", "RUN", "KIND", "OUTSIDE DIAMETER", "LENGTH", "WALL", "FACTOR", ""}}
	units := [][]string{{"LINE", "KIND", "NAME", "ADDRESS", "ROOM", "BRANCH UNIT", "PORT", "MODEL", ""}}
	for _, l := range p.Lines {
		if l.State != Understood {
			continue
		}
		remark := strings.Join(l.Remarks, "; ")
		for _, r := range l.Runs {
			f := r.Fields()
			runs = append(runs, []string{l.Lines(), r.Name, strings.ReplaceAll(r.Line, "-", " "), rules.TubeSize(r.OutsideDiameterM), Length(r.LengthM), or(f[4], "-"), or(f[5], "-"), remark})
		}
		for _, u := range l.Units {
			units = append(units, []string{l.Lines(), u.Kind, u.Name, or(u.Address, "-"), or(u.Room, "-"), or(u.Branch, "-"), or(number0(u.Port), "-"), or(u.Model, "-"), remark})
		}
	}
	for _, rows := range [][][]string{runs, units} {
		if len(rows) > 1 {
			say("")
			table(rows)
		}
	}
}

// writeOthers names the lines that are no rows, and what is wrong with those that should be.
func (p Preview) writeOthers(say func(string, ...any), table func([][]string)) {
	var rows [][]string
	for _, l := range p.Lines {
		switch l.State {
		case Title, Total, LeftOut:
			rows = append(rows, []string{"line " + l.Lines(), string(l.State), l.Short(), strings.Join(l.Remarks, "; ")})
		}
	}
	if len(rows) > 0 {
		say("")
		table(rows)
	}
	for _, s := range []State{NotUnderstood, Waits} {
		said, rest := 0, []string{}
		for _, l := range p.Lines {
			if l.State != s {
				continue
			}
			if said == 0 {
				say("\n%s%s:", strings.ToUpper(string(s)[:1]), string(s)[1:])
			}
			if said++; s == Waits && said > mostWaiting { // one answer settles them all
				rest = append(rest, l.Lines())
				continue
			}
			for _, f := range l.Faults {
				say("  %v", f)
			}
			say("    line %s: %s", l.Lines(), l.Short())
		}
		if len(rest) > 0 {
			say("  and so the lines %s", strings.Join(rest, ", "))
		}
	}
}

// mostWaiting lines that wait for an answer are shown, the others named.
const mostWaiting = 5

// WriteTakeoff writes the take-off as the project's own file.
func (p Preview) WriteTakeoff(out io.Writer) error {
	w := csv.NewWriter(out)
	columns := rules.RunNeeds
	var rows [][]string
	for _, r := range p.Runs() {
		f := r.Fields()
		for i := len(f); i > columns; i-- {
			if f[i-1] != "" {
				columns = i
			}
		}
		rows = append(rows, f)
	}
	if err := w.Write(rules.RunColumns[:columns]); err != nil {
		return err
	}
	for _, f := range rows {
		if err := w.Write(f[:columns]); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

// WriteUnits writes the lists of units for the site file. What that has no place for stands behind them.
func (p Preview) WriteUnits(out io.Writer) error {
	var b strings.Builder
	write := func(key string, units []string) {
		if len(units) > 0 {
			fmt.Fprintf(&b, "%s:\n%s\n", key, strings.Join(units, "\n"))
		}
	}
	of := map[string][]string{}
	for _, u := range p.AllUnits() {
		if u.Kind == rules.KindBranch {
			continue
		}
		s := "  - {name: " + quote(u.Name)
		for _, f := range []struct{ key, text string }{{"room", u.Room}, {"branch", u.Branch}} {
			if f.text != "" && u.Kind == rules.KindIndoor {
				s += ", " + f.key + ": " + quote(f.text)
			}
		}
		if u.Port > 0 && u.Kind == rules.KindIndoor {
			s += ", port: " + strconv.Itoa(u.Port)
		}
		if u.RoomM3 > 0 && u.Kind == rules.KindIndoor {
			s += ", room_volume: " + strconv.FormatFloat(u.RoomM3, 'g', 6, 64) + " m3"
		}
		s += "}"
		var notes []string
		for _, f := range []struct{ key, text string }{{"address", u.Address}, {"model", u.Model}, {"capacity", u.Capacity}} {
			if f.text != "" {
				notes = append(notes, f.key+" "+f.text)
			}
		}
		if len(notes) > 0 {
			s += " # " + strings.Join(notes, ", ")
		}
		of[u.Kind] = append(of[u.Kind], s)
	}
	for _, n := range p.branchNames() {
		of[rules.KindBranch] = append(of[rules.KindBranch], "  - {name: "+quote(n)+"}")
	}
	write("outdoor_units", of[rules.KindOutdoor])
	write("branch_units", of[rules.KindBranch])
	write("indoor_units", of[rules.KindIndoor])
	_, err := io.WriteString(out, b.String())
	return err
}

// quote writes a text so that YAML reads the same: JSON's strings are YAML's.
func quote(text string) string {
	plain := true
	for i, r := range text {
		letter := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'
		plain = plain && (letter || i > 0 && (r >= '0' && r <= '9' || r == '-' || r == '_'))
	}
	if plain && !slices.Contains([]string{"true", "false", "null", "yes", "no", "on", "off", "y", "n"}, strings.ToLower(text)) {
		return text
	}
	b, err := json.Marshal(text)
	if err != nil { // no text does that
		return `""`
	}
	return string(b)
}

// JSON is the preview for programs: keys end in their SI unit.
func (p Preview) JSON(plant rules.System) ([]byte, error) {
	type run struct {
		Run       string  `json:"run"`
		Line      string  `json:"line"`
		DiameterM float64 `json:"outside_diameter_m"`
		LengthM   float64 `json:"length_m"`
		WallM     float64 `json:"wall_m,omitempty"`
		FactorKgM float64 `json:"factor_kg_per_m,omitempty"`
	}
	type unit struct {
		Kind     string  `json:"kind"`
		Name     string  `json:"name"`
		Address  string  `json:"address,omitempty"`
		Room     string  `json:"room,omitempty"`
		Branch   string  `json:"branch,omitempty"`
		Port     int     `json:"port,omitempty"`
		RoomM3   float64 `json:"room_m3,omitempty"`
		Model    string  `json:"model,omitempty"`
		Capacity string  `json:"capacity,omitempty"`
	}
	type fault struct {
		Line    int    `json:"line"`
		Column  int    `json:"column"`
		Problem string `json:"problem"`
		Want    string `json:"want,omitempty"`
	}
	type line struct {
		From    int      `json:"from"`
		To      int      `json:"to"`
		State   State    `json:"state"`
		Text    string   `json:"text"`
		Runs    []run    `json:"runs,omitempty"`
		Units   []unit   `json:"units,omitempty"`
		Faults  []fault  `json:"faults,omitempty"`
		Remarks []string `json:"remarks,omitempty"`
	}
	type column struct {
		Number  int    `json:"number"`
		Heading string `json:"heading"`
		Meaning string `json:"meaning,omitempty"`
		Line    string `json:"line,omitempty"`
		Unit    string `json:"unit,omitempty"`
		As      string `json:"as"`
	}
	type question struct {
		Option  string `json:"option"`
		Problem string `json:"problem"`
		Want    string `json:"want"`
		Say     string `json:"say"`
	}
	type sum struct {
		Line      string  `json:"line"`
		DiameterM float64 `json:"outside_diameter_m"`
		LengthM   float64 `json:"length_m"`
		Rows      int     `json:"rows"`
	}
	out := struct {
		File      string     `json:"file"`
		Kind      string     `json:"kind"`
		Encoding  string     `json:"encoding"`
		Separator string     `json:"separator"`
		Heading   int        `json:"heading_line"`
		Complete  bool       `json:"complete"`
		Columns   []column   `json:"columns"`
		Lines     []line     `json:"lines"`
		Questions []question `json:"questions"`
		Sums      []sum      `json:"sums,omitempty"`
		Remarks   []string   `json:"remarks"`
	}{File: p.File, Kind: p.Kind, Encoding: p.Encoding, Separator: p.Separator, Heading: p.HeadingLine, Complete: p.Complete(),
		Columns: []column{}, Lines: []line{}, Questions: []question{}, Remarks: append(append(append([]string{}, p.Remarks...), p.Doubts(plant)...), p.Against(plant)...)}
	for _, c := range p.Columns {
		out.Columns = append(out.Columns, column{c.Number, c.Heading, c.Meaning, c.Line, c.Unit, c.As()})
	}
	for _, l := range p.Lines {
		x := line{From: l.From, To: l.To, State: l.State, Text: l.Text, Remarks: l.Remarks}
		for _, r := range l.Runs {
			x.Runs = append(x.Runs, run{r.Name, r.Line, digits(r.OutsideDiameterM), digits(r.LengthM), digits(r.WallM), digits(r.FactorKgM)})
		}
		for _, u := range l.Units {
			x.Units = append(x.Units, unit{u.Kind, u.Name, u.Address, u.Room, u.Branch, u.Port, digits(u.RoomM3), u.Model, u.Capacity})
		}
		for _, f := range l.Faults {
			x.Faults = append(x.Faults, fault{f.Line, f.Column, f.Problem, f.Want})
		}
		out.Lines = append(out.Lines, x)
	}
	for _, q := range p.Questions {
		out.Questions = append(out.Questions, question(q))
	}
	for _, s := range Sums(p.Runs()) {
		out.Sums = append(out.Sums, sum{s.Line, digits(s.OutsideDiameterM), digits(s.LengthM), s.Rows})
	}
	return json.Marshal(out)
}

// digits rounds to seven significant digits, as the take-off's file has them.
func digits(x float64) float64 {
	y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 7, 64), 64) // of what was just written
	return y
}
