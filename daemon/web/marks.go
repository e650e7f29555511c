package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// What a person types is kept for years: no longer than a person would read.
const (
	mostName = 80
	mostNote = 1000
)

// confirmView asks once before a step begins or ends.
type confirmView struct {
	Title     string
	Sentence  string // what will be recorded
	Warn      string // out of the usual order, or without a verdict
	Overtaken string // what is judged no more once this has begun
	Shut      string // the system's newest job is closed
	Cautions  []string
	Further   []string // folded: a person presses a button that he sees
	Do        string
	System    string
	Step      string
	Note      string // recorded with the answer
	Checks    []checkView
	Reason    string // why some stay open
	Button    string
	Back      string
}

// confirmPage asks, in a sentence that says what will be recorded.
func (s *screens) confirmPage(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	snap := s.box.Now()
	do, step := q.Get("do"), q.Get("step")
	system, ok := s.knownStep(snap, q.Get("system"), step)
	if !ok || do != "begin" && do != "end" {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	v := s.frame(r, "confirm", snap)
	s.writeConfirm(w, http.StatusOK, v, snap, do, system, step, q)
}

func (s *screens) writeConfirm(w http.ResponseWriter, status int, v view, snap Snapshot, do, system, step string, f url.Values) {
	title := midSentence(s.stepTitle(snap, system, step))
	at := snap.Wall.In(snap.zone()).Format("15:04")
	c := confirmView{Do: do, System: system, Step: step, Back: stepURL(system, step),
		Title: s.words.say("confirm."+do, title), Button: s.words.say("confirm." + do + "-button"),
		Sentence: s.words.say("confirm."+do+"-sentence", title, at)}
	if do == "begin" {
		c.Warn, c.Note = s.outOfOrder(snap, system, step)
		c.Overtaken = s.overtakes(snap, system, step)
		c.Shut = s.shutJob(snap, system)
		c.Cautions = s.cautions(snap, system, step)
		shown := shownCautions
		if s.flammableCaution(snap, system, step) != "" { // it comes first, and hides nothing of the step's own
			shown++
		}
		if n := len(c.Cautions); n > shown+1 { // one alone is not worth a fold
			c.Cautions, c.Further = c.Cautions[:shown], c.Cautions[shown:]
		}
		c.Reason = f.Get("reason")
		for _, open := range snap.openChecks(system, step) {
			x := s.checkView(snap, system, open, confirmURL(do, system, step))
			x.Ticked = slices.Contains(f["ticked"], open.Name)
			c.Checks = append(c.Checks, x)
		}
	} else if st, ok := snap.running(system, step); ok {
		c.Warn = s.sofar(st)
	}
	v.Title, v.Body = c.Title, c
	s.write(w, status, "confirm", v)
}

// shownCautions is how many of a step's own sentences of care stand before what is asked on a
// phone's first screen; the step's own page shows all.
const shownCautions = 2

// overtakes says plainly that a charge ends what can be judged of a hold under
// way: from then on its gauge shows refrigerant.
func (s *screens) overtakes(snap Snapshot, system, step string) string {
	hold, ok := snap.running(system, "vacuum-hold")
	if !ok || !slices.Contains(chargeSteps, step) {
		return ""
	}
	if n := len(hold.Verdicts); n > 0 {
		return s.words.say("confirm.overtakes-verdict", midSentence(s.words.name("result", outcome(hold.Verdicts))))
	}
	return s.words.say("confirm.overtakes")
}

// outOfOrder warns once where the usual order has something before this step
// that nobody has begun; the answer is recorded with the mark.
func (s *screens) outOfOrder(snap Snapshot, system, step string) (warning, note string) {
	var missing []string
	for _, name := range s.order {
		if name == step {
			break
		}
		row := s.stepRow(snap, system, name)
		if name == "take-off" || name == "preheat" && row.State == underWay && !(rules.RunsCompressor(step) && snap.unmet(system, name)) {
			continue // the one is paper, the other overlaps any step, and must be met before a compressor runs
		}
		if row.State != rules.Passed && row.State != ended && !row.settled() {
			missing = append(missing, midSentence(row.Title))
		}
	}
	if len(missing) == 0 {
		return "", ""
	}
	list := strings.Join(missing, ", ")
	return s.words.say("confirm.order", list), s.words.say("confirm.order-note", list)
}

// unmet reports whether a step under way has not passed so far.
func (s Snapshot) unmet(system, step string) bool {
	st, ok := s.running(system, step)
	return ok && outcome(st.Verdicts) != rules.Passed
}

// sofar says what verdict stands if the step ends now, or is given by its end.
func (s *screens) sofar(st Step) string {
	gives := s.words["confirm.gives."+st.Name] // some verdicts are given by the end itself
	if len(st.Verdicts) == 0 {
		return cmp.Or(gives, s.words.say("confirm.no-verdict"))
	}
	stands := s.words.say("confirm.verdict", midSentence(s.words.name("result", outcome(st.Verdicts))))
	if st.Name == "cooling-check" || st.Name == "heating-check" { // one verdict a unit
		stands += " " + gives
	}
	return stands
}

// markView is the form of one mark.
type markView struct {
	Title    string
	Help     string
	Sentence string
	Name     string
	System   string
	Step     string
	Steps    []option  // to choose from, where the mark is about a step
	Given    []stepRow // what can be accepted, with its verdict
	Units    []option
	Rooms    []option // of a command
	Commands []option
	HasValue bool
	Already  string // somebody has just recorded the same
	Ask      string // what the note is to say
	Value    string
	Note     string
	Back     string
}

type option struct {
	Value, Title string
	Chosen       bool
}

func (s *screens) markPage(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	snap := s.box.Now()
	name := r.PathValue("mark")
	m, ok := s.markForm(snap, name, q.Get("system"), q.Get("step"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.mark")
		return
	}
	if kind, ok := markByName(name); ok {
		if c := unitsOf(r); c != asMeasured {
			choose(m.Units, c.offered(kind.Units))
		}
	}
	if unit := q.Get("unit"); hasUnit(snap, unit) { // asked from that unit's row
		choose(m.Rooms, unit)
		if len(m.Rooms) == 0 {
			m.Note = unit + " "
		}
	}
	v := s.frame(r, "mark", snap)
	v.Title, v.Body = m.Title, m
	s.write(w, http.StatusOK, "mark", v)
}

func (s *screens) markForm(snap Snapshot, name, system, step string) (markView, bool) {
	kind, ok := markByName(name)
	if !ok && name != "command" {
		return markView{}, false
	}
	m := markView{Title: s.words.name("mark", name), Help: s.words.say("markhelp." + name), Name: name, Step: step,
		Sentence: s.words.say("form.sentence", midSentence(s.words.name("mark", name)), snap.Wall.In(snap.zone()).Format("15:04")),
		HasValue: kind.Value != sensors.NoDimension, Back: "/steps"}
	if sys, ok := s.knownStep(snap, system, step); ok {
		m.System, m.Back = sys, stepURL(sys, step)
		m.Title = s.withSystem(snap, m.Title, sys)
	}
	m.Ask = s.words.say("form.note")
	if ask := s.words["form.note-"+name]; ask != "" {
		m.Ask = ask
	} else if !kind.NeedNote {
		m.Ask = s.words.say("form.note-optional")
	}
	for i, u := range kind.Units {
		m.Units = append(m.Units, option{u, s.words.name("unit", u), i == 0})
	}
	if kind.Value == sensors.Masses { // as the scale shows it: a weight in pounds sent off as kilograms is a charge lost
		choose(m.Units, snap.unitFor(sensors.Mass, "kg"))
	}
	m.Already = s.already(snap, m.System, name)
	if kind.Of == "step" {
		asked := slices.Contains(s.order, step) && s.stepRow(snap, m.System, step).acceptable() // from that step's page
		for _, st := range s.order {
			row := s.stepRow(snap, m.System, st)
			if name == "accepted" && row.acceptable() && (st == step || !asked) {
				m.Given = append(m.Given, row)
			}
			if name != "accepted" || row.acceptable() {
				m.Steps = append(m.Steps, option{st, s.words.name("step", st), st == step})
			}
		}
		if len(m.Steps) == 0 {
			m.Help = s.words.say("markhelp.nothing-to-accept")
		}
	}
	if name == "command" {
		for _, c := range commands {
			m.Commands = append(m.Commands, option{c, s.words.name("command", c), c == usualCommand[step]})
		}
		for _, sys := range snap.Site.Systems {
			for _, u := range sys.Units {
				if m.System == "" || m.System == sys.Name {
					m.Rooms = append(m.Rooms, option{u.Name, roomTitle(u), false})
				}
			}
		}
		m.Rooms = append(m.Rooms, option{everyUnit, s.words.say("form.every-room"), false}) // last: not by a slip of the thumb
	}
	return m, true
}

// onceOnly are marks of what happens once and is seen by all who stand there.
var onceOnly = []string{"cylinder-swapped", "scale-zeroed", "valves-opened", "isolated", "nitrogen-break", "oil-changed", "pump-started", "pump-stopped", "power-off", "power-on"}

// alreadyFor is how long the same mark is taken for another's of the same matter; our choice.
const alreadyFor = 10 * time.Minute

// already says who has just recorded the same mark, for two phones stand beside
// one scale; empty: nobody has.
func (s *screens) already(snap Snapshot, system, name string) string {
	if !slices.Contains(onceOnly, name) {
		return ""
	}
	for _, m := range snap.Marks {
		if m.Name != name || m.System != "" && system != "" && m.System != system || snap.Wall.Sub(m.Wall) > alreadyFor {
			continue
		}
		at := s.words.moment(m.Wall, snap.Wall, snap.zone())
		if m.By == "" {
			return s.words.say("form.already", at.Ago, at.Clock)
		}
		return s.words.say("form.already-by", at.Ago, at.Clock, m.By)
	}
	return ""
}

// postMark records what a person tells the box, and goes back to the page.
func (s *screens) postMark(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	snap := s.box.Now()
	if r.PostForm.Get("kind") == "command" && r.PostForm.Get("unit") == everyUnit {
		s.askEvery(w, r, snap)
		return
	}
	if r.PostForm.Get("kind") == "acknowledge" && len(r.PostForm["subject"]) > 1 {
		s.takeAll(w, r, snap, r.PostForm)
		return
	}
	told, done, problem := s.told(snap, r.PostForm)
	if problem != "" {
		s.again(w, r, snap, problem)
		return
	}
	told.By = tidy(r.PostForm.Get("by"), mostName)
	var before []rules.Told
	if told.Kind == "begin" {
		if before, problem = s.asked(snap, r.PostForm, told.System, told.Name); problem != "" {
			v := s.frame(r, "confirm", snap)
			v.Problem, v.Who = problem, v.Who.or(told.By)
			s.writeConfirm(w, http.StatusUnprocessableEntity, v, snap, "begin", told.System, told.Name, r.PostForm)
			return
		}
	}
	s.record(w, r, done, back(r.PostForm.Get("back")), append(before, told)...)
}

// told makes the mark of a form, or says what is wrong with the form.
func (s *screens) told(snap Snapshot, f url.Values) (told rules.Told, done, problem string) {
	note := tidy(f.Get("note"), mostNote)
	switch kind := f.Get("kind"); kind {
	case "begin", "end":
		step := f.Get("step")
		system, ok := s.knownStep(snap, f.Get("system"), step)
		if !ok {
			return told, "", s.words.say("problem.step")
		}
		if snap.Behind { // what is under way is not known yet: a step must not be begun twice for that
			return told, "", s.words.say("problem.behind")
		}
		_, running := snap.running(system, step)
		if running == (kind == "begin") {
			return told, "", s.words.say("problem."+kind, s.stepTitle(snap, system, step))
		}
		told = rules.Told{Kind: kind, Name: step, System: system, Note: note}
		if kind == "begin" {
			told.Limits = snap.Site.Settings(system, step)
		}
		return told, kind, ""
	case "command":
		unit, what := f.Get("unit"), f.Get("what")
		if !hasUnit(snap, unit) || !slices.Contains(commands, what) {
			return told, "", s.words.say("problem.command")
		}
		return rules.Told{Kind: "command", Name: unit, Note: what}, "mark", ""
	case "acknowledge":
		return s.acknowledged(snap, f.Get("flag"), f.Get("system"), f.Get("subject"))
	case "mark":
		told, problem = s.toldMark(snap, f, note)
		return told, "mark", problem
	}
	return told, "", s.words.say("problem.kind")
}

func (s *screens) toldMark(snap Snapshot, f url.Values, note string) (told rules.Told, problem string) {
	m, ok := markByName(f.Get("name"))
	if !ok {
		return told, s.words.say("problem.mark")
	}
	told = rules.Told{Kind: "mark", Name: m.Name, Note: note}
	// Where a site has several systems, what one's cylinder, pump or valves did is of no other. What moves or
	// corrects an instrument is of all that it serves, and the note of an answer names its own.
	if m.Name != "placed" && m.Name != "calibrated" && m.Of == "" {
		told.System, _ = s.knownStep(snap, f.Get("system"), f.Get("step"))
	}
	if m.NeedNote && note == "" {
		if m.Of != "" {
			return told, s.words.say("problem." + m.Name + "-note")
		}
		return told, s.words.say("problem.note")
	}
	if m.Of == "step" {
		told.Note, problem = s.answeredFor(snap, m.Name, f, note)
		return told, problem
	}
	text := strings.TrimSpace(strings.ReplaceAll(f.Get("value"), ",", "."))
	if m.Value == sensors.NoDimension || text == "" && !m.Needs {
		return told, ""
	}
	unit := f.Get("unit")
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !slices.Contains(m.Units, unit) || !(v >= 0 && v <= 1e9) { // NaN is neither
		return told, s.words.say("problem.value", strings.Join(m.Units, ", "))
	}
	if unit == "1" {
		told.Value, told.Unit = v, unit
		return told, ""
	}
	dim, q := m.Value, sensors.Pressure
	switch {
	case unit == "%":
		dim, q = sensors.Ratios, sensors.Humidity
	case m.Value == sensors.Masses:
		q = sensors.Mass
	case m.Value == sensors.Temperatures:
		q = sensors.Temperature
	}
	si, err := sensors.ParseQuantity(strconv.FormatFloat(v, 'f', -1, 64)+" "+unit, dim)
	if err != nil {
		return told, s.words.say("problem.value", strings.Join(m.Units, ", "))
	}
	told.Value, told.Unit = q.Round(si), q.SI()
	return told, ""
}

// answeredFor is the note of a step reported or accepted: which step, by whom,
// and why. The name stands in the note too, for a field log has no other place for it.
func (s *screens) answeredFor(snap Snapshot, mark string, f url.Values, note string) (text, problem string) {
	system, ok := s.knownStep(snap, f.Get("system"), f.Get("of"))
	if !ok {
		return "", s.words.say("problem.step")
	}
	by := strings.ReplaceAll(tidy(f.Get("by"), mostName), ":", "")
	if by == "" {
		return "", s.words.say("problem." + mark + "-by")
	}
	if row := s.stepRow(snap, system, f.Get("of")); mark == "accepted" && !row.acceptable() {
		return "", s.words.say("problem.accepted-nothing", s.stepTitle(snap, system, f.Get("of")), row.StateWord)
	}
	return rules.OfSystem(system, f.Get("of")) + " by " + by + ": " + note, ""
}

// acknowledged is the mark that says somebody has taken a flag on.
func (s *screens) acknowledged(snap Snapshot, flag, system, subject string) (told rules.Told, done, problem string) {
	for _, f := range snap.Flags {
		if f.Flag.Flag == flag && f.System == system && f.Subject == subject {
			if f.Acknowledged { // on another phone, a moment ago: who took it first has it
				if f.By == "" {
					return told, "", s.words.say("problem.flag-taken")
				}
				return told, "", s.words.say("problem.flag-taken-by", f.By)
			}
			return acknowledgement(f.Finding), "acknowledge", ""
		}
	}
	return told, "", s.words.say("problem.flag")
}

func acknowledgement(f rules.Finding) rules.Told {
	return rules.Told{Kind: "mark", Name: "acknowledged", System: f.System, Note: strings.TrimSpace(f.Flag + " " + f.Subject)}
}

// record tells the box one thing or several at once, and sends the browser back by GET.
func (s *screens) record(w http.ResponseWriter, r *http.Request, done, to string, told ...rules.Told) {
	// A form that came whole counts, also where who sent it is gone before the answer: a network lost between.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), 10*time.Second)
	defer cancel()
	if who := signerOf(r); who.Fixed { // whatever a form says
		for i := range told {
			told[i].By = who.Name
		}
	}
	if err := s.box.Tell(ctx, told...); err != nil {
		s.log.Error("a mark was not recorded", "kind", told[0].Kind, "name", told[0].Name, "of", len(told), "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.tell")
		return
	}
	if by := told[0].By; by != "" && !signerOf(r).Fixed {
		setCookie(w, r, "who", url.QueryEscape(by))
	}
	u, _ := url.Parse(to) // back has checked it
	q := u.Query()
	q.Set("done", done)
	u.RawQuery = q.Encode()
	http.Redirect(w, r, u.String(), http.StatusSeeOther)
}

// again shows the form once more with what was wrong.
func (s *screens) again(w http.ResponseWriter, r *http.Request, snap Snapshot, problem string) {
	f := r.PostForm
	v := s.frame(r, "mark", snap)
	v.Problem, v.Who = problem, v.Who.or(tidy(f.Get("by"), mostName))
	name := f.Get("name")
	if f.Get("kind") == "command" {
		name = "command"
	}
	m, ok := s.markForm(snap, name, f.Get("system"), f.Get("step"))
	if !ok {
		v.Title = s.words.say("refused.title")
		v.Page, v.Body = "lost", titled{Title: v.Title, Text: problem}
		s.write(w, http.StatusUnprocessableEntity, "lost", v)
		return
	}
	m.Value, m.Note = f.Get("value"), f.Get("note")
	choose(m.Units, f.Get("unit"))
	choose(m.Rooms, f.Get("unit"))
	choose(m.Steps, f.Get("of"))
	choose(m.Commands, f.Get("what"))
	v.Title, v.Body = m.Title, m
	s.write(w, http.StatusUnprocessableEntity, "mark", v)
}

func choose(os []option, value string) {
	for i := range os {
		os[i].Chosen = os[i].Value == value
	}
}

func hasUnit(snap Snapshot, name string) bool {
	for _, sys := range snap.Site.Systems {
		for _, u := range sys.Units {
			if u.Name == name {
				return true
			}
		}
	}
	return false
}

// tidy is one line of text a person typed, without what cannot be printed.
func tidy(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case r < ' ' || r == 0x7f || r == utf8.RuneError:
			return -1
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	for len(s) > most {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return s
}

// back is a page of ours to return to; anything else is Now.
func back(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Opaque != "" || u.User != nil ||
		!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.Contains(to, `\`) {
		return "/"
	}
	return to
}

// postUnits keeps which units come first, in a cookie.
func (s *screens) postUnits(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	switch c := choice(r.PostForm.Get("units")); c {
	case choiceSI, choiceUS, asMeasured:
		setCookie(w, r, "units", string(c))
		http.Redirect(w, r, back(r.PostForm.Get("back")), http.StatusSeeOther)
	default:
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.units")
	}
}
