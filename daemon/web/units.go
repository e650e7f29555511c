package web

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// The indoor units at a glance: for the walk through the building.

// unitRow is one room of a step that looks at each.
type unitRow struct {
	Unit, Title      string
	State, StateWord string
	Figure, Other    string // its split
	Line             string // between what and what it should be
	Sentence         string
	Asked            string
	Steady           bool
	Values           []titled
	Verdict          *verdictView
	Place            string // the note of a mark that says: the carried probe is here
	Links            []linkRow
}

// unitsView is the list of the rooms, and how many stand how.
type unitsView struct {
	Rows  []unitRow
	Count string
	Step  string
	Back  string
	Who   string
}

// roomTitle is what people call an indoor unit.
func roomTitle(u rules.Unit) string {
	if u.Room == "" {
		return u.Name
	}
	return u.Room + " (" + u.Name + ")"
}

// unitOf is the system's unit of a name; one the site file has no longer has its name only.
func (s Snapshot) unitOf(system, name string) rules.Unit {
	for _, sys := range s.Site.Systems {
		for _, u := range sys.Units {
			if sys.Name == system && u.Name == name {
				return u
			}
		}
	}
	return rules.Unit{Name: name}
}

// each lists the units of a step that judges them one by one, in the order in
// which its judge walks through them; nothing for any other step. The order
// stays when a state changes: a row must not move away under a thumb.
func (s *screens) each(snap Snapshot, c choice, st Step) *unitsView {
	stands := st.Outlook.Units
	given := map[string]*Finding{}
	for i := range st.Verdicts {
		f := &st.Verdicts[i]
		if f.Unit == "" {
			continue
		}
		given[f.Unit] = f
		if !slices.ContainsFunc(stands, func(u rules.UnitStand) bool { return u.Unit == f.Unit }) { // its judge is gone
			stands = append(slices.Clone(stands), rules.UnitStand{Unit: f.Unit, Result: f.Result, Cause: f.Cause, Sentence: f.Text, Values: f.Values})
		}
	}
	if len(stands) == 0 {
		return nil
	}
	v := &unitsView{Step: st.Name, Back: stepURL(st.System, st.Name)}
	count := map[string]int{}
	for _, u := range stands {
		row := s.unitRow(snap, c, st, u, given[u.Unit])
		count[row.State]++
		v.Rows = append(v.Rows, row)
	}
	var parts []string
	for _, state := range neediestFirst {
		if n := count[state]; n > 0 {
			parts = append(parts, s.words.say("units.count", n, midSentence(s.words.name("state", state))))
		}
	}
	v.Count = strings.Join(parts, ", ")
	return v
}

// What is wrong is counted first.
var neediestFirst = []string{rules.NotPassed, underWay, rules.NotProven, waiting, rules.Passed}

func (s *screens) unitRow(snap Snapshot, c choice, st Step, u rules.UnitStand, f *Finding) unitRow {
	if f != nil && !st.Ended.IsZero() { // what its judge said while it went on is over
		u = rules.UnitStand{Unit: f.Unit, Result: f.Result, Cause: f.Cause, Values: f.Values}
	}
	row := unitRow{Unit: u.Unit, Title: roomTitle(snap.unitOf(st.System, u.Unit)), State: u.Result, Sentence: u.Sentence, Steady: u.Steady && u.Result == "" && st.Ended.IsZero(),
		Values: s.values(c, rules.Finding{Step: st.Name, Values: u.Values})}
	if row.State == "" {
		row.State = waiting
		if len(u.Values) > 0 { // it is measured, so it is its turn
			row.State = underWay
		}
	}
	row.StateWord = s.words.name("state", row.State)
	if u.Cause != "" && u.Cause != "none" && row.State != rules.Passed {
		row.StateWord = s.words.say("units.because", row.StateWord, midSentence(s.words.name("cause", u.Cause)))
	}
	if u.Asked != "" && st.Ended.IsZero() {
		row.Asked = s.words.say("units.asked", midSentence(s.words.name("command", u.Asked)))
	}
	number := map[string]float64{}
	for _, x := range u.Values {
		number[x.Key] = x.Number
	}
	if k, ok := number["split_k"]; ok {
		row.Figure, row.Other = c.kelvins(k)
		low, lows := number["low_k"]
		high, highs := number["high_k"]
		if lows && highs {
			l, lowOther := c.kelvins(low)
			h, other := c.kelvins(high)
			row.Line = s.words.say("units.line", l, h, lowOther, other)
		}
	}
	if f != nil {
		v := s.verdict(snap, c, st, *f)
		row.Verdict = &v
		if u.Result == f.Result { // the verdict says it
			row.Sentence = ""
		}
	}
	if st.Ended.IsZero() {
		q := url.Values{"step": {st.Name}, "unit": {u.Unit}}
		if st.System != "" {
			q.Set("system", st.System)
		}
		row.Links = append(row.Links, linkRow{"/mark/command?" + q.Encode(), s.words.name("mark", "command")})
		if slices.Contains(walked, st.Name) {
			if snap.carries(st.System) {
				row.Place = u.Unit
			}
			row.Links = append(row.Links, linkRow{"/typed?" + q.Encode(), s.words.say("typed.go")})
		}
	}
	return row
}

// carries reports whether a system has probes that may stand in any room.
func (s Snapshot) carries(system string) bool {
	for _, sys := range s.Site.Systems {
		if sys.Name == system {
			points := slices.DeleteFunc(slices.Clone(s.Site.Points), func(p sensors.Point) bool { return p.System != "" && p.System != system })
			return rules.WhoseAir(sys.Units, points, nil).Carries()
		}
	}
	return false
}

// walked are the steps through which one pair of probes may be carried from room to room.
var walked = []string{"cooling-check", "heating-check", "mixed-run"}

// kelvins writes a difference in both worlds' degrees, the wanted one first.
func (c choice) kelvins(k float64) (main, other string) {
	if c == choiceUS {
		return rules.Rankine.Text(k), rules.Kelvin.Text(k)
	}
	return rules.Kelvin.Text(k), rules.Rankine.Text(k)
}

// askView is the next run of a plan: what to command now.
type askView struct {
	Title, Sentence string
	Groups          []askGroup
	Fields          []string // unit=what, for the form
	Left            string
	System, Back    string
	Who             string
}

type askGroup struct {
	What  string
	Rooms []string
	Rest  string // instead of the rooms' names: all the others
}

// ask is what the step under way proposes to command next; nil where it proposes nothing.
func (s *screens) ask(snap Snapshot, st Step) *askView {
	n := st.Outlook.Next
	if n == nil || !st.Ended.IsZero() {
		return nil
	}
	a := &askView{Title: s.words.say("ask.title"), Sentence: n.Sentence, System: st.System, Back: stepURL(st.System, st.Name)}
	switch {
	case n.Of > 0 && len(n.Commands) == 0: // a walk: nobody is asked anything
		a.Title = s.words.say("ask.walk", n.Run, n.Of)
	case n.Of > 0:
		a.Title = s.words.say("ask.run", n.Run, n.Of)
	}
	if n.Left > 0 { // this run is under way: nothing is asked of anybody but to wait
		a.Left = s.words.say("ask.left", s.words.aboutSpan(n.Left)) // in the words of what is to go
		a.Title, a.Sentence = s.words.say("ask.under-way", n.Run, n.Of), ""
	}
	for _, what := range slices.Backward(commands) { // heat and cool before fan only
		g := askGroup{What: s.words.name("command", what)}
		for _, x := range n.Commands {
			if x.What == what {
				g.Rooms = append(g.Rooms, roomTitle(snap.unitOf(st.System, x.Unit)))
				if a.Left == "" {
					a.Fields = append(a.Fields, x.Unit+"="+what)
				}
			}
		}
		if len(g.Rooms) > 0 {
			a.Groups = append(a.Groups, g)
		}
	}
	if n := len(a.Groups); n > 0 && len(a.Groups[n-1].Rooms) > manyRooms { // what is asked of everybody else
		rest := "ask.rest"
		if n == 1 {
			rest = "ask.all"
		}
		a.Groups[n-1].Rest = s.words.say(rest, len(a.Groups[n-1].Rooms))
	}
	return a
}

// manyRooms is from where a list of rooms is longer than a person reads.
const manyRooms = 4

// everyUnit stands in a form for all units of the system.
const everyUnit = "*"

// askEvery records that every unit of a system was asked the same.
func (s *screens) askEvery(w http.ResponseWriter, r *http.Request, snap Snapshot) {
	f := r.PostForm
	var all []rules.Told
	for _, sys := range snap.Site.Systems {
		for _, u := range sys.Units {
			if sys.Name == f.Get("system") || f.Get("system") == "" {
				all = append(all, rules.Told{Kind: "command", Name: u.Name, Note: f.Get("what"), By: tidy(f.Get("by"), mostName)})
			}
		}
	}
	if len(all) == 0 || !slices.Contains(commands, f.Get("what")) {
		s.again(w, r, snap, s.words.say("problem.command"))
		return
	}
	s.record(w, r, "mark", back(f.Get("back")), all...)
}

// postCommands records one command a unit: what a plan's run asked for.
func (s *screens) postCommands(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	snap, by := s.box.Now(), tidy(r.PostForm.Get("by"), mostName)
	var all []rules.Told
	for _, field := range r.PostForm["ask"] {
		unit, what, _ := strings.Cut(field, "=")
		if !hasUnit(snap, unit) || !slices.Contains(commands, what) {
			s.again(w, r, snap, s.words.say("problem.command"))
			return
		}
		all = append(all, rules.Told{Kind: "command", Name: unit, Note: what, By: by})
	}
	if len(all) == 0 {
		s.again(w, r, snap, s.words.say("problem.command"))
		return
	}
	s.record(w, r, "mark", back(r.PostForm.Get("back")), all...)
}

// tableView is who answered whom.
type tableView struct {
	Heads []tableHead
	Rows  []answerRow
	Look  []answerRow // those that a person must look at
	Fine  []answerRow
	Rest  []answerRow // whose turn has not come
	More  string      // how many these are
	Count string      // of those that answered as they should
	Help  string      // what the figures are
}

type tableHead struct{ Unit, Title string }

type answerRow struct {
	Unit, Title      string
	State, StateWord string
	Said             string // who answered
	Cells            []cellView
	Blank            string // what a cell without a figure means
}

type cellView struct {
	Text   string
	Strong bool
	Chosen bool
}

// strongK is from where a room has clearly answered (the field guide, step 8).
const strongK = 5

func (s *screens) answers(snap Snapshot, c choice, st Step) *tableView {
	t := st.Outlook.Table
	if t == nil || len(t.Units) == 0 {
		return nil
	}
	v := &tableView{Help: s.words.say("answers.help")}
	if c == choiceUS {
		v.Help = s.words.say("answers.help-us")
	}
	for _, u := range t.Units {
		v.Heads = append(v.Heads, tableHead{u, roomTitle(snap.unitOf(st.System, u))})
	}
	others := func(ps []rules.Pair, unit string) (rooms []string) {
		for _, p := range ps {
			if p.Unit == unit {
				rooms = append(rooms, roomTitle(snap.unitOf(st.System, p.Answers)))
			}
		}
		return rooms
	}
	asked, unclear := underWay, s.words.say("answers.unclear") // asked, and not told apart
	unasked, turn := waiting, s.words.say("answers.waiting")
	if !st.Ended.IsZero() {
		asked, unclear = rules.NotProven, s.words.say("answers.never-clear")
		unasked, turn = rules.NotProven, s.words.say("answers.never-asked")
	}
	run := st.Outlook.Next == nil || st.Outlook.Next.Left > 0 // else what a unit is still asked is of another step, or of a run that is over
	at := map[string]string{}                                 // what is asked of each at present
	for _, u := range st.Outlook.Units {
		at[u.Unit] = u.Asked
	}
	for i, u := range t.Units {
		row := answerRow{Unit: u, Title: v.Heads[i].Title, State: waiting, Blank: s.words.say("answers.untried")}
		if slices.Contains(t.Asked, u) {
			row.State, row.Blank = asked, s.words.say("answers.not-clear")
		}
		for j := range t.Units {
			row.Cells = append(row.Cells, s.cell(t, c, i, j))
			if row.Cells[j].Text != "" && row.State == waiting {
				row.State = asked
			}
			if row.Cells[j].Chosen && i == j {
				row.State = rules.Passed
			}
		}
		crossed, leaks := others(t.Pairs, u), others(t.Leaks, u)
		switch {
		case len(crossed) > 0:
			row.State, row.Said = rules.NotPassed, s.words.say("answers.crossed", strings.Join(crossed, ", "))
		case slices.Contains(t.Dead, u):
			row.State, row.Said = rules.NotPassed, s.words.say("answers.dead")
		case row.State == rules.Passed:
			row.Said = s.words.say("answers.itself")
		case row.State == asked:
			row.Said = unclear
		case st.Ended.IsZero() && run && (at[u] == "heat" || at[u] == "cool"):
			row.State, row.Said = underWay, s.words.say("answers.now")
		default:
			row.State, row.Said = unasked, turn
		}
		if len(leaks) > 0 {
			row.State, row.Said = rules.NotPassed, row.Said+" "+s.words.say("answers.leaks", strings.Join(leaks, ", "))
		}
		row.StateWord = s.words.name("state", row.State)
		v.Rows = append(v.Rows, row)
		switch row.State {
		case rules.Passed:
			v.Fine = append(v.Fine, row)
		case waiting:
			v.Rest = append(v.Rest, row)
		default:
			v.Look = append(v.Look, row)
		}
	}
	v.More = s.words.say("answers.rest", len(v.Rest))
	v.Count = s.words.say("answers.fine", len(v.Fine), len(v.Rows))
	slices.SortStableFunc(v.Look, func(a, b answerRow) int {
		return cmp.Compare(slices.Index(neediestFirst, a.State), slices.Index(neediestFirst, b.State))
	})
	return v
}

func (s *screens) cell(t *rules.Table, c choice, i, j int) (v cellView) {
	if i >= len(t.Cells) || j >= len(t.Cells[i]) || !t.Cells[i][j].Known {
		return v
	}
	x := t.Cells[i][j]
	d := rules.Kelvin
	if c == choiceUS {
		d = rules.Rankine
	}
	return cellView{d.Number(x.ResponseK), x.ResponseK >= strongK, x.Chosen}
}
