package web

import (
	"cmp"
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"standwatch/daemon/exchange"
	"standwatch/rules"
	"standwatch/sensors"
)

// takeoffView is the take-off: its rows, what they come to, what about them is
// doubtful, and the form for one more. calc and the judge use the same functions.
type takeoffView struct {
	System, Title     string
	Back, BeginURL    string
	Import            string
	Running, FromFile bool
	Ended             string // when the shown one did
	Before            int    // rows of the take-off before, while this one has none
	Rows              []takeoffRow
	Sums              []titled
	Doubts, Whole     []string // of rows; and of all together, while rows may be missing
	Estimate          bool
	Form              takeoffForm
}

type takeoffRow struct {
	Run, Line, Size, Length, Factor, Charge, Basis string
	Fields                                         []string // as entered; nil: of the file
}

type takeoffForm struct {
	Run, Other, Wall, Length, Factor string
	Sheet                            string // rows as CSV, to paste or to mend
	Pasted                           bool   // it is what somebody has just sent
	Lines, Sizes, Lengths, Factors   []option
}

// tubeSizes are offered; any other is written out.
var tubeSizes = []string{"1/4 in", "3/8 in", "1/2 in", "5/8 in", "3/4 in", "7/8 in", "25.4 mm", "1-1/8 in", "31.75 mm", "1-3/8 in", "38.1 mm", "1-5/8 in"}

func takeoffURL(system string) string {
	if system == "" {
		return "/takeoff"
	}
	return "/takeoff?" + url.Values{"system": {system}}.Encode()
}

// takeoffPage shows the take-off under way, else the last one, else the site file's.
func (s *screens) takeoffPage(w http.ResponseWriter, r *http.Request) {
	s.writeTakeoff(w, r, http.StatusOK, r.URL.Query(), "")
}

func (s *screens) writeTakeoff(w http.ResponseWriter, r *http.Request, status int, f url.Values, problem string) {
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), "take-off")
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	v := s.frame(r, "takeoff", snap)
	v.Problem, v.Title = problem, s.stepTitle(snap, system, "take-off")
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	v.Body = s.takeoffView(snap, v.Units, system, f)
	s.write(w, status, "takeoff", v)
}

func (s *screens) takeoffView(snap Snapshot, c choice, system string, f url.Values) takeoffView {
	t := takeoffView{System: system, Title: s.stepTitle(snap, system, "take-off"), Back: stepURL(system, "take-off"),
		BeginURL: confirmURL("begin", system, "take-off"), Import: importURL(system, exchange.TakeOff), Form: s.takeoffForm(c, f)}
	st, ok := snap.running(system, "take-off")
	t.Running = ok
	if !ok {
		if st, ok = snap.past(system, "take-off"); ok {
			t.Ended = s.words.moment(st.Ended, snap.Wall, snap.zone()).Clock
		}
	}
	var plant rules.System
	for _, sys := range snap.Site.Systems {
		if sys.Name == system {
			plant = sys
		}
	}
	if t.Running && t.Form.Sheet == "" && len(st.Entered.Rows) == 0 {
		before, _ := snap.past(system, "take-off")
		t.Form.Sheet, t.Before = sheetOf(before.Entered, plant.Runs), len(before.Entered.Rows)
	}
	p, doubts := plant.TakenOff(st.Entered)
	t.FromFile = len(st.Entered.Rows) == 0 && len(p.Runs) > 0
	for _, d := range doubts {
		if d.OfRows() || !t.Running || t.FromFile {
			t.Doubts = append(t.Doubts, d.Text)
		} else {
			t.Whole = append(t.Whole, d.Text)
		}
	}
	sum, err := p.Sum()
	if err != nil || len(p.Runs) == 0 {
		return t
	}
	t.Estimate = sum.Estimate
	for i, run := range p.Runs {
		l := sum.Lines[i]
		row := takeoffRow{Run: run.Name, Line: s.words.name("line", run.Line), Size: rules.TubeSize(run.OutsideDiameterM),
			Length: c.length(run.LengthM), Basis: s.words.say("takeoff.gas")}
		if run.FactorKgM > 0 {
			row.Factor = c.factor(run.FactorKgM)
		}
		switch kg, estimate := l.ChargeKg(sum.LiquidKgM3); {
		case estimate && sum.LiquidKgM3 > 0:
			row.Charge, row.Basis = pair(c.both(sensors.Mass, "kg", kg)), s.words.say("takeoff.estimate")
		case kg > 0:
			row.Charge, row.Basis = pair(c.both(sensors.Mass, "kg", kg)), s.words.say("takeoff.by-factor")
		}
		if t.Running && !t.FromFile {
			row.Fields = st.Entered.Rows[i].Fields
		}
		t.Rows = append(t.Rows, row)
	}
	t.Sums = s.takeoffSums(c, plant, p, sum)
	return t
}

func (s *screens) takeoffSums(c choice, plant rules.System, p rules.Pipework, sum rules.PipeSum) (rows []titled) {
	add := func(key, text string) { rows = append(rows, titled{Title: s.words.say(key), Text: text}) }
	mass := func(kg float64) string { return pair(c.both(sensors.Mass, "kg", kg)) }
	volume := func(m3 float64) string { return rules.Litres(m3) }
	add("takeoff.liquid-volume", volume(sum.LiquidM3))
	add("takeoff.pipe-volume", volume(sum.TotalM3))
	if p.BesideM3 > 0 {
		add("takeoff.total-volume", volume(sum.InsideM3))
	}
	if !sum.Known() {
		return rows
	}
	if p.ExtraKg > 0 {
		add("takeoff.extra", mass(p.ExtraKg))
	}
	add("takeoff.additional", mass(sum.AdditionalKg))
	if p.FactoryKg > 0 {
		add("takeoff.factory", mass(p.FactoryKg))
	}
	add("takeoff.total", mass(sum.TotalKg))
	if u, kgM3, _ := plant.SmallestRoom(sum.TotalKg); u.RoomM3 > 0 && plant.RoomLimitKgM3 > 0 {
		room := u.Room
		if room == "" {
			room = u.Name
		}
		add("takeoff.room", s.words.say("takeoff.room-is", rules.Significant(kgM3, 3), room, rules.AsGiven(plant.RoomLimitKgM3)))
	}
	return rows
}

// length is a pipe's length as both worlds measure it.
func (c choice) length(m float64) string {
	return c.order(rules.Metres(m), rules.Feet(m))
}

// factor is a mass a length as makers' manuals of both worlds print it.
func (c choice) factor(kgM float64) string {
	return c.given(kgM, kilogramMetre, poundFoot)
}

func (s *screens) takeoffForm(c choice, f url.Values) takeoffForm {
	t := takeoffForm{Run: f.Get("run"), Other: f.Get("other"), Wall: f.Get("wall"), Length: f.Get("length"), Factor: f.Get("factor"), Sheet: f.Get("sheet"), Pasted: f.Get("sheet") != ""}
	for _, l := range rules.RunLines {
		t.Lines = append(t.Lines, option{l, s.words.name("line", l), l == f.Get("line")})
	}
	for _, size := range tubeSizes {
		m, _ := sensors.ParseQuantity(size, sensors.Lengths) // of our own list
		t.Sizes = append(t.Sizes, option{size, rules.TubeSize(m), size == f.Get("size")})
	}
	units := func(key string, all ...string) (os []option) {
		for _, u := range all {
			os = append(os, option{u, u, u == cmp.Or(f.Get(key), c.offered(all))})
		}
		return os
	}
	t.Lengths, t.Factors = units("length_unit", "m", "ft"), units("factor_unit", "kg/m", "lb/ft")
	return t
}

// postTakeoff records a row, or that one is taken out: a mark, so that a replay sees the same.
func (s *screens) postTakeoff(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	f := r.PostForm
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), "take-off")
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	st, running := snap.running(system, "take-off")
	if !running {
		s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, s.words.say("takeoff.begin"))
		return
	}
	next := url.Values{"system": {system}}
	var told rules.Told
	if f.Get("do") == "remove" {
		fields := f["field"]
		if !slices.ContainsFunc(st.Entered.Rows, func(x rules.EnteredRow) bool { return slices.Equal(x.Fields, fields) }) {
			s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, s.words.say("problem.row-gone"))
			return
		}
		told = rules.RowMark(system, fields, true)
	} else if f.Get("do") == "sheet" {
		s.postSheet(w, r, system, f)
		return
	} else {
		fields := rowFields(f)
		if fields[0] == "" {
			s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, s.words.say("problem.row-name"))
			return
		}
		if fields[2] == "" { // no size is offered first: the smallest would be entered by who forgot to choose
			s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, s.words.say("problem.row-size"))
			return
		}
		_, faults := rules.ReadRun(func(column string) string { return fields[slices.Index(rules.RunColumns, column)] })
		if len(faults) > 0 {
			s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, s.words.say("problem.row", faults[0].String()))
			return
		}
		told = rules.RowMark(system, fields, false)
		// The run's other lines come next: the same name and length.
		next.Set("run", fields[0])
		next.Set("length", f.Get("length"))
		next.Set("length_unit", f.Get("length_unit"))
		next.Set("factor_unit", f.Get("factor_unit"))
		if f.Get("line") == "liquid" {
			next.Set("line", "suction")
		}
	}
	told.By = tidy(f.Get("by"), mostName)
	s.record(w, r, "mark", "/takeoff?"+next.Encode(), told)
}

// postSheet records every row of a pasted sheet, or none where one of them is wrong.
func (s *screens) postSheet(w http.ResponseWriter, r *http.Request, system string, f url.Values) {
	rows, problem := s.readSheet(f.Get("sheet"))
	if problem != "" {
		s.writeTakeoff(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	all := make([]rules.Told, len(rows))
	for i, fields := range rows {
		all[i] = rules.RowMark(system, fields, false)
		all[i].By = tidy(f.Get("by"), mostName)
	}
	s.record(w, r, "mark", takeoffURL(system), all...)
}

// readSheet reads rows as the take-off's file has them, with its header or without.
func (s *screens) readSheet(text string) (rows [][]string, problem string) {
	in := csv.NewReader(strings.NewReader(strings.TrimSpace(text)))
	in.FieldsPerRecord = -1
	all, err := in.ReadAll()
	if err != nil {
		return nil, s.words.say("problem.sheet", err.Error())
	}
	for i, fields := range all {
		if i == 0 && slices.Equal(fields, rules.RunColumns[:min(len(fields), len(rules.RunColumns))]) {
			continue
		}
		if len(fields) < rules.RunNeeds || len(fields) > len(rules.RunColumns) {
			return nil, s.words.say("problem.sheet-columns", i+1, strings.Join(rules.RunColumns, ","))
		}
		for len(fields) < len(rules.RunColumns) {
			fields = append(fields, "")
		}
		for k := range fields {
			fields[k] = tidy(fields[k], mostName)
		}
		if fields[0] == "" {
			return nil, s.words.say("problem.sheet-row", i+1, s.words.say("problem.row-name"))
		}
		if _, faults := rules.ReadRun(func(column string) string { return fields[slices.Index(rules.RunColumns, column)] }); len(faults) > 0 {
			return nil, s.words.say("problem.sheet-row", i+1, faults[0].String())
		}
		rows = append(rows, fields)
	}
	if len(rows) == 0 {
		return nil, s.words.say("problem.sheet", s.words.say("takeoff.none"))
	}
	return rows, ""
}

// sheetOf is the rows that came before, to be pasted again and mended: those of the take-off before, else of the site file.
func sheetOf(before rules.Entered, file []rules.Run) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	_ = w.Write(rules.RunColumns) // into memory
	for _, row := range before.Rows {
		_ = w.Write(row.Fields)
	}
	if len(before.Rows) == 0 {
		for _, run := range file {
			_ = w.Write(run.Fields())
		}
	}
	w.Flush()
	return b.String()
}

// partsThousands reports whether a number's comma may part thousands: 1,250 and not 0,250 or 12,5.
func partsThousands(number string) bool {
	before, after, found := strings.Cut(number, ",")
	behind := len(after) - len(strings.TrimLeft(after, "0123456789"))
	return found && behind == 3 && !strings.HasPrefix(before, "0")
}

// rowFields are the form's fields as a take-off's columns.
func rowFields(f url.Values) []string {
	// A comma is a decimal one, but not where it may part thousands: then it is refused.
	number := func(key string) string {
		text := tidy(f.Get(key), mostName)
		if partsThousands(text) {
			return text
		}
		return strings.ReplaceAll(text, ",", ".")
	}
	with := func(number, unit string) string {
		if number == "" {
			return ""
		}
		if strings.TrimLeft(number, "+-0123456789., ") != "" { // its own unit was written: 42 ft 6 in
			return number
		}
		return number + " " + unit
	}
	size := tidy(f.Get("size"), mostName)
	if other := number("other"); other != "" {
		size = with(other, "mm")
	}
	return []string{tidy(f.Get("run"), mostName), f.Get("line"), size, with(number("length"), f.Get("length_unit")),
		with(number("wall"), "mm"), with(number("factor"), f.Get("factor_unit"))}
}
