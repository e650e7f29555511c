package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"standwatch/daemon/exchange"
	"standwatch/rules"
)

// sheetView is the address sheet: which unit answers at which address, how many
// were counted, and what was set differently. It prints as it stands.
type sheetView struct {
	System, Title string
	Back, Import  string
	Counts        []countRow
	Rows          []sheetRow
	Settings      []rules.SettingChange
	Twice         []string
	Idle          string // no unit count is under way that judges what is entered
	Form          sheetForm
}

type countRow struct {
	Kind, Title    string
	Expected       string
	Found, Counted string
	State          string
}

type sheetRow struct {
	rules.AddressRow
	Title, State, StateWord string
	Addresses               string
	Planned, Astray         string // what a unit list says of it
	Back                    string // the note that takes it back; empty: nothing to take back
}

type sheetForm struct {
	Do                                    string // what was to be entered, and was not
	Units                                 []option
	Address, Room, Model, Note            string
	Counts                                map[string]string
	SettingUnit, Number, From, To, Remark string
}

func sheetURL(system string) string {
	if system == "" {
		return "/sheet"
	}
	return "/sheet?" + url.Values{"system": {system}}.Encode()
}

// otherUnit stands in the form for a unit that the site file does not list.
const otherUnit = "*"

func (s *screens) sheetPage(w http.ResponseWriter, r *http.Request) {
	s.writeSheet(w, r, http.StatusOK, r.URL.Query(), "")
}

func (s *screens) writeSheet(w http.ResponseWriter, r *http.Request, status int, f url.Values, problem string) {
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), "unit-count")
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	v := s.frame(r, "sheet", snap)
	v.Title, v.Problem = s.withSystem(snap, s.words.say("title.sheet"), system), problem
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	v.Body = s.sheetView(snap, system, f)
	s.write(w, status, "sheet", v)
}

// sheet is what is entered of a system's units.
func (s Snapshot) sheet(system string) *rules.AddressSheet {
	if x, ok := s.Sheets[system]; ok {
		return &x
	}
	for _, sys := range s.Site.Systems {
		if sys.Name == system {
			return rules.NewAddressSheet(sys, s.Site.OthersOf(system)...)
		}
	}
	return rules.NewAddressSheet(rules.System{})
}

func (s *screens) sheetView(snap Snapshot, system string, f url.Values) sheetView {
	x := snap.sheet(system)
	v := sheetView{System: system, Title: s.stepTitle(snap, system, "unit-count"), Back: stepURL(system, "unit-count"), Import: importURL(system, exchange.Units),
		Settings: x.Settings, Twice: x.Twice(),
		Form: sheetForm{Do: f.Get("do"), Address: f.Get("address"), Room: f.Get("room"), Model: f.Get("model"), Note: f.Get("note"), Counts: map[string]string{},
			SettingUnit: f.Get("at"), Number: f.Get("number"), From: f.Get("from"), To: f.Get("to"), Remark: f.Get("remark")}}
	count, counting := snap.running(system, "unit-count")
	if !counting {
		v.Idle = s.words.say("sheet.idle", v.Title)
	}
	for _, kind := range rules.Kinds() {
		expected, found := x.Expected(kind), x.FoundOf(kind)
		row := countRow{Kind: kind, Title: s.words.name("kind", kind), Expected: strconv.Itoa(expected), Found: strconv.Itoa(found), State: waiting}
		v.Form.Counts[kind] = f.Get(kind)
		if n, told := x.Counts[kind]; told {
			row.Counted, row.State = strconv.Itoa(n), rules.NotPassed
			if n == expected {
				row.State = rules.Passed
			}
		} else if expected > 0 && found == expected {
			row.State = rules.Passed
		}
		if expected > 0 || row.Counted != "" {
			v.Counts = append(v.Counts, row)
		}
	}
	for _, r := range x.Rows {
		row := sheetRow{AddressRow: r, Title: r.Unit, State: waiting, Addresses: strings.Join(append([]string{r.Address}, r.Others...), ", ")}
		if r.Room == "" {
			row.Room = r.Site.Room
		}
		if u, ok := x.PlanOf(r.Unit); ok {
			row.Planned, row.Astray = s.planned(u), x.Astray(r)
		}
		if r.Found {
			row.State = rules.Passed
		}
		if r.Kind == "" || len(r.Others) > 0 {
			row.State = rules.NotPassed
		}
		row.StateWord = s.words.name("found", row.State)
		if r.Found && counting && count.waitsFor(r.Unit) {
			row.State, row.StateWord = rules.NotProven, s.words.say("found.before")
		}
		if r.Found || r.Kind == "" {
			row.Back = rules.UnitFound{Unit: r.Unit, Address: r.Address, Withdrawn: true}.Text()
		}
		v.Rows = append(v.Rows, row)
		if r.Kind != "" {
			title := r.Unit
			if r.Site.Room != "" {
				title = roomTitle(r.Site)
			}
			v.Form.Units = append(v.Form.Units, option{r.Unit, title, f.Get("unit") == r.Unit})
		}
	}
	if f.Get("unit") == "" { // the first one that nobody has found yet
		if i := slices.IndexFunc(x.Rows, func(r rules.AddressRow) bool { return r.Kind != "" && !r.Found }); i >= 0 {
			choose(v.Form.Units, x.Rows[i].Unit)
		}
	}
	v.Form.Units = append(v.Form.Units, option{otherUnit, s.words.say("sheet.other"), f.Get("unit") == otherUnit})
	return v
}

// waitsFor reports whether a unit count has not heard of a unit since it began:
// what was found before may have lost its power since.
func (st Step) waitsFor(unit string) bool {
	return slices.ContainsFunc(st.Outlook.Units, func(u rules.UnitStand) bool { return u.Unit == unit && u.Result == "" })
}

// postSheetEntry records what was found, counted or set: marks, so that a replay sees the same.
func (s *screens) postSheetEntry(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	f := r.PostForm
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), "unit-count")
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	all, problem := s.sheetMarks(snap, system, f)
	if problem != "" {
		s.writeSheet(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	for i := range all {
		all[i].Kind, all[i].System, all[i].By = "mark", system, tidy(f.Get("by"), mostName)
	}
	to := sheetURL(system)
	if next := s.nextUnit(snap.sheet(system), f); next != "" { // the next one of the list comes next
		q := url.Values{"unit": {next}, "model": {f.Get("model")}}
		if system != "" {
			q.Set("system", system)
		}
		to = "/sheet?" + q.Encode()
	}
	s.record(w, r, "mark", to, all...)
}

// nextUnit is the first unit after the one just entered that nobody has found.
func (s *screens) nextUnit(x *rules.AddressSheet, f url.Values) string {
	if f.Get("do") != "found" {
		return ""
	}
	after := false
	for _, r := range x.Rows {
		if after && r.Kind != "" && !r.Found {
			return r.Unit
		}
		after = after || r.Unit == f.Get("unit")
	}
	return ""
}

// sheetMarks makes the marks of a form, or says what is wrong with it.
func (s *screens) sheetMarks(snap Snapshot, system string, f url.Values) (all []rules.Told, problem string) {
	field := func(key string) string { return tidy(f.Get(key), mostName) }
	switch f.Get("do") {
	case "found":
		unit := field("unit")
		x := snap.sheet(system)
		if unit == otherUnit {
			if unit = field("other"); unit == "" && field("address") == "" {
				return nil, s.words.say("problem.sheet-other")
			}
		} else if !slices.ContainsFunc(x.Rows, func(r rules.AddressRow) bool { return r.Unit == unit && r.Kind != "" }) {
			return nil, s.words.say("problem.sheet-unit")
		}
		found := rules.UnitFound{Unit: unit, Address: field("address"), Room: field("room"), Model: field("model"), Note: field("note")}
		return []rules.Told{{Name: "unit-found", Note: found.Text()}}, ""
	case "withdraw":
		if field("found") == "" {
			return nil, s.words.say("problem.sheet-unit")
		}
		return []rules.Told{{Name: "unit-found", Note: tidy(f.Get("found"), mostNote)}}, ""
	case "count":
		for _, kind := range rules.Kinds() {
			text := field(kind)
			if text == "" {
				continue
			}
			n, err := strconv.ParseUint(text, 10, 16)
			if err != nil || n > 1000 {
				return nil, s.words.say("problem.sheet-count", s.words.name("kind", kind))
			}
			all = append(all, rules.Told{Name: "counted", Value: float64(n), Unit: "1", Note: kind})
		}
		if len(all) == 0 {
			return nil, s.words.say("problem.sheet-no-count")
		}
		return all, ""
	case "setting":
		c := rules.SettingChange{Unit: field("at"), Number: field("number"), From: field("from"), To: field("to"), Note: field("remark")}
		if c.Unit == "" || c.Number == "" || c.To == "" {
			return nil, s.words.say("problem.sheet-setting")
		}
		return []rules.Told{{Name: "setting", Note: c.Text()}}, ""
	}
	return nil, s.words.say("problem.kind")
}
