package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/exchange"
	"standwatch/daemon/people"
	"standwatch/rules"
	"standwatch/sensors"
)

// A list as an installer sent it is read, shown line by line as it was
// understood, and taken in only as it was shown. Nothing is kept in between: the
// page carries the list along.

const (
	mostListBody    = 4 << 20 // of a form with a list: exchange takes 1 MB, which other letters and line ends may make more of (our choice)
	mostListColumns = 40      // that can be named on the page; the command has no such bound (our choice)
)

// importView is the page: the form, and under it what was understood of a list.
type importView struct {
	System         string
	Systems, Kinds []option
	Kind, Back     string
	Text, File     string // of the list; empty: none was sent
	List           *listView
}

// listView is how a list was understood.
type listView struct {
	Title, Read, Counts string
	Asked               []titled // what has to be answered, and how
	Columns             []listColumn
	Choices             []listChoice // units and the decimal mark
	Wrong, Waiting      []listLine   // not understood; waiting for an answer
	Good, Apart         []listLine   // understood; titles, headings, totals, left out
	Blank               string       // the numbers of blank lines
	Sums                []titled
	Look                []string // what about it is doubtful
	Whole               []string // remarks on all of it
	Complete            bool
	Seen                string // seals what is shown
	Sentence            string // what will be recorded
	Button              string
	Warn                []string
	Rows                []option // whether earlier rows stay
	Text                string   // what the command would write
}

// listColumn is a column, with what it may be said to be.
type listColumn struct {
	Number      int
	Heading, As string
	Options     []option
}

type listChoice struct {
	Name, Title string
	Options     []option
}

// listLine is a line of the list.
type listLine struct {
	Number    int
	Lines     string
	StateWord string
	Text      string
	Said      []string // what it was understood as
	Faults    []string
	Remarks   []string
	CanLeave  bool
	Left      bool
}

func importURL(system, kind string) string {
	q := url.Values{"kind": {kind}}
	if system != "" {
		q.Set("system", system)
	}
	return "/import?" + q.Encode()
}

func (s *screens) importPage(w http.ResponseWriter, r *http.Request) {
	s.writeImport(w, r, http.StatusOK, r.URL.Query(), nil, "")
}

// writeImport shows the form, and a list that was read.
func (s *screens) writeImport(w http.ResponseWriter, r *http.Request, status int, f url.Values, p *exchange.Preview, problem string) {
	snap := s.box.Now()
	v := s.frame(r, "import", snap)
	v.Problem = problem
	if r.Method == http.MethodPost {
		v.Path = "/import"
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	plant, ok := planted(snap, f.Get("system"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	kind := listKind(f)
	b := importView{System: plant.Name, Kind: kind, Back: takeoffURL(plant.Name)}
	if kind == exchange.Units {
		b.Back = sheetURL(plant.Name)
	}
	for _, k := range []string{exchange.TakeOff, exchange.Units} {
		b.Kinds = append(b.Kinds, option{k, s.words.name("import.kind", k), k == kind})
	}
	if len(snap.Site.Systems) > 1 {
		for _, sys := range snap.Site.Systems {
			b.Systems = append(b.Systems, option{sys.Name, sys.Name, sys.Name == plant.Name})
		}
	}
	if p != nil {
		b.Text, b.File = p.Text, p.File
		l := s.listView(snap, v.Units, plant, *p, f)
		b.List = &l
	}
	v.Body = b
	s.write(w, status, "import", v)
}

// planted is the system of that name; without a name the first.
func planted(snap Snapshot, name string) (rules.System, bool) {
	for _, sys := range snap.Site.Systems {
		if name == "" || sys.Name == name {
			return sys, true
		}
	}
	return rules.System{}, false
}

func listKind(f url.Values) string {
	if f.Get("kind") == exchange.Units {
		return exchange.Units
	}
	return exchange.TakeOff
}

// postImport reads a list and shows it, or takes in what was shown.
func (s *screens) postImport(w http.ResponseWriter, r *http.Request) {
	f, file, data, problem := s.listForm(w, r)
	refuse := func(p *exchange.Preview, problem string) {
		s.writeImport(w, r, http.StatusUnprocessableEntity, f, p, problem)
	}
	if problem == "" && len(bytes.TrimSpace(data)) == 0 {
		problem = s.words.say("problem.import-nothing")
	}
	if problem != "" {
		refuse(nil, problem)
		return
	}
	o, err := listOptions(f)
	if err != nil {
		refuse(nil, s.words.say("problem.import", err.Error()))
		return
	}
	p, err := exchange.Read(file, data, listKind(f), o)
	if err != nil {
		var fault sensors.Fault
		text := err.Error()
		if errors.As(err, &fault) {
			text = fault.Problem
		}
		refuse(nil, s.words.say("problem.import", text))
		return
	}
	do := f.Get("do")
	if do != "take" && do != "file" {
		s.writeImport(w, r, http.StatusOK, f, &p, "")
		return
	}
	snap := s.box.Now()
	plant, ok := planted(snap, f.Get("system"))
	switch {
	case !ok:
		s.refuse(w, r, http.StatusNotFound, "refused.step")
	case !p.Complete():
		refuse(&p, s.words.say("problem.import-open"))
	case f.Get("seen") != listSeal(snap, plant, p):
		refuse(&p, s.words.say("problem.import-changed"))
	case do == "file":
		s.listFile(w, p)
	default:
		s.takeIn(w, r, snap, plant, p, f)
	}
}

// listForm reads the form: a file, or the text of a list, and what is said of it.
func (s *screens) listForm(w http.ResponseWriter, r *http.Request) (f url.Values, file string, data []byte, problem string) {
	f = url.Values{}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "multipart/form-data" {
		if err := r.ParseForm(); err != nil {
			return f, "", nil, s.words.say("refused.form")
		}
		return r.PostForm, listName(r.PostForm.Get("file")), []byte(unixLines(r.PostForm.Get("text"))), ""
	}
	select { // each holds its list in memory while it arrives
	case s.uploads <- struct{}{}:
		defer func() { <-s.uploads }()
	default:
		return f, "", nil, s.words.say("refused.photos-busy")
	}
	until, answer := time.Now().Add(photoTime), http.NewResponseController(w) // the server's own times are shorter
	_ = answer.SetReadDeadline(until)                                         // a test's recorder has none
	_ = answer.SetWriteDeadline(until.Add(time.Minute))
	parts, err := r.MultipartReader()
	if err != nil {
		return f, "", nil, s.words.say("refused.form")
	}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		var body []byte
		if err == nil {
			body, err = io.ReadAll(part) // the whole body has its bound
		}
		var most *http.MaxBytesError
		switch {
		case errors.As(err, &most):
			return f, "", nil, s.words.say("problem.import-large", most.Limit>>20)
		case err != nil:
			return f, "", nil, s.words.say("refused.form")
		case part.FormName() == "list" && len(body) > 0:
			file, data = part.FileName(), body
		case part.FormName() != "list":
			f.Add(part.FormName(), string(body))
		}
	}
	if v, in := people.Of(r.Context()); in { // nobody signs for somebody else
		f.Set("by", v.Name)
	}
	if data == nil {
		file, data = f.Get("file"), []byte(unixLines(f.Get("text")))
	}
	return f, listName(file), data, ""
}

// unixLines takes back what a browser makes of a text's line breaks.
func unixLines(text string) string { return strings.ReplaceAll(text, "\r\n", "\n") }

// listName is what a list is called in what is said of it.
func listName(file string) string {
	name := tidy(path.Base(strings.ReplaceAll(file, `\`, "/")), mostName)
	if name == "" || name == "." || name == "/" {
		return "list"
	}
	return name
}

// listOptions are what the form says of the list.
func listOptions(f url.Values) (o exchange.Options, err error) {
	o = exchange.Options{LengthUnit: f.Get("length_unit"), DiameterUnit: f.Get("diameter_unit"), Decimal: f.Get("decimal"), Line: f.Get("line")}
	for i := range mostListColumns {
		if m := f.Get("column" + strconv.Itoa(i+1)); m != "" {
			o.Columns = append(o.Columns, exchange.Named{Meaning: m, Heading: "#" + strconv.Itoa(i+1)})
		}
	}
	for _, text := range f["out"] {
		n, err := strconv.Atoi(text)
		if err != nil {
			return o, fmt.Errorf("%q is no line", text)
		}
		o.LeaveOut = append(o.LeaveOut, n)
	}
	return o, nil
}

// listSeal stands for what a person saw of a list and of what it would replace.
func listSeal(snap Snapshot, plant rules.System, p exchange.Preview) string {
	h := sha256.New()
	b, _ := p.JSON(plant) // of texts and numbers: it cannot fail
	fmt.Fprintf(h, "%s\n%s\n%s\n", plant.Name, p.Text, b)
	st, running := snap.running(plant.Name, "take-off")
	fmt.Fprintf(h, "%v %d\n", running, st.Begin)
	for _, row := range st.Entered.Rows {
		fmt.Fprintf(h, "%q\n", row.Fields)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// listText is what the command would write of it.
func listText(p exchange.Preview) string {
	var b bytes.Buffer
	write := p.WriteTakeoff
	if p.Kind == exchange.Units {
		write = p.WriteUnits
	}
	_ = write(&b) // into memory
	return b.String()
}

// listFile hands out what the command would write.
func (s *screens) listFile(w http.ResponseWriter, p exchange.Preview) {
	name, kind := "takeoff.csv", "text/csv; charset=utf-8"
	if p.Kind == exchange.Units {
		name, kind = "units.yaml", "text/plain; charset=utf-8"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = io.WriteString(w, listText(p)) // who has gone away needs none
}

// takeIn records what was shown: marks, so that a replay sees the same.
func (s *screens) takeIn(w http.ResponseWriter, r *http.Request, snap Snapshot, plant rules.System, p exchange.Preview, f url.Values) {
	by := tidy(f.Get("by"), mostName)
	var all []rules.Told
	to := sheetURL(plant.Name)
	if p.Kind == exchange.Units {
		all = rules.PlannedMarks(plant.Name, plannedUnits(p))
	} else {
		to = takeoffURL(plant.Name)
		st, running := snap.running(plant.Name, "take-off")
		if !running {
			before, problem := s.asked(snap, f, plant.Name, "take-off")
			if problem != "" {
				s.writeImport(w, r, http.StatusUnprocessableEntity, f, &p, problem)
				return
			}
			all = append(before, rules.Told{Kind: "begin", Name: "take-off", System: plant.Name, Limits: snap.Site.Settings(plant.Name, "take-off")})
		} else if f.Get("rows") != "add" {
			for _, row := range st.Entered.Rows {
				all = append(all, rules.RowMark(plant.Name, row.Fields, true))
			}
		}
		for _, run := range p.Runs() {
			all = append(all, rules.RowMark(plant.Name, run.Fields(), false))
		}
	}
	all = append(all, rules.Told{Kind: "mark", Name: "note", System: plant.Name, Note: s.listNote(plant, p)})
	for i := range all {
		all[i].By = by
	}
	s.record(w, r, "import", to, all...)
}

// listNote says for the record where rows came from, and what was left out of them.
func (s *screens) listNote(plant rules.System, p exchange.Preview) string {
	n := len(p.Runs())
	if p.Kind == exchange.Units {
		n = len(p.AllUnits())
	}
	note := s.words.say("import.note", s.words.name("import.kind", p.Kind), p.File, n)
	if plant.Name != "" {
		note = rules.OfSystem(plant.Name, note)
	}
	var left []string
	for _, l := range p.Lines {
		if l.State == exchange.LeftOut {
			left = append(left, l.Lines())
		}
	}
	if len(left) > 0 {
		note += s.words.say("import.note-left", strings.Join(left, ", "))
	}
	return tidy(note, mostNote)
}

func plannedUnits(p exchange.Preview) (all []rules.Planned) {
	for _, u := range p.AllUnits() {
		all = append(all, plannedUnit(u))
	}
	return all
}

func plannedUnit(u exchange.Unit) rules.Planned {
	x := rules.Planned{Kind: u.Kind, Unit: u.Name, Address: u.Address, Room: u.Room, Branch: u.Branch, Model: u.Model}
	if u.Port > 0 {
		x.Port = strconv.Itoa(u.Port)
	}
	return x
}

// planned says how a unit list has a unit.
func (s *screens) planned(u rules.Planned) string {
	return s.words.say("import.planned", s.plan(u))
}

func (s *screens) plan(u rules.Planned) string {
	var parts []string
	add := func(key, text string) {
		if text != "" {
			parts = append(parts, s.words.say(key, text))
		}
	}
	add("import.address", u.Address)
	add("import.room", u.Room)
	add("import.branch", strings.TrimSuffix(u.Branch+"/"+u.Port, "/"))
	add("import.model", u.Model)
	if len(parts) == 0 {
		parts = []string{s.words.say("import.planned-bare")}
	}
	return strings.Join(parts, ", ")
}

// listView makes the preview.
func (s *screens) listView(snap Snapshot, c choice, plant rules.System, p exchange.Preview, f url.Values) listView {
	l := listView{Title: p.File, Counts: p.Counts(), Complete: p.Complete(), Seen: listSeal(snap, plant, p), Whole: p.Remarks}
	l.Read = s.words.say("import.read-none", p.Encoding, p.Separator)
	if p.HeadingLine > 0 {
		l.Read = s.words.say("import.read", p.Encoding, p.Separator, p.HeadingLine)
	}
	for _, q := range p.Questions {
		l.Asked = append(l.Asked, titled{Title: beginning(q.Problem), Text: beginning(q.Want), Small: s.words.say("import.answer." + strings.TrimLeft(q.Option, "-"))})
	}
	s.listColumns(&l, p, f)
	s.listLines(&l, c, p)
	for _, sum := range exchange.Sums(p.Runs()) {
		size := rules.TubeSize(sum.OutsideDiameterM)
		if sum.WallM > 0 {
			size += s.words.say("import.wall", strconv.FormatFloat(sum.WallM*1e3, 'g', 4, 64))
		}
		l.Sums = append(l.Sums, titled{Title: s.words.name("line", sum.Line) + ", " + size, Text: c.length(sum.LengthM), Small: s.words.count("import.rows", sum.Rows)})
	}
	if p.Kind == exchange.Units {
		l.Look = p.Against(plant)
	} else {
		l.Look = s.listDoubts(snap, plant, p)
	}
	if l.Complete {
		l.Text = listText(p)
		s.listTaking(&l, snap, plant, p, f)
	}
	return l
}

// listDoubts are what the judge will say of the rows, and of a take-off that was there before.
func (s *screens) listDoubts(snap Snapshot, plant rules.System, p exchange.Preview) (texts []string) {
	var e rules.Entered
	for _, run := range p.Runs() {
		told := rules.RowMark(plant.Name, run.Fields(), false)
		e.Tell(&told, plant.Name)
	}
	if len(e.Rows) == 0 {
		return nil
	}
	work, doubts := plant.TakenOff(e)
	if sum, err := work.Sum(); err == nil {
		if before, ok := snap.past(plant.Name, "take-off"); ok && len(before.Verdicts) > 0 {
			doubts = sum.BesideBefore(before.Verdicts[len(before.Verdicts)-1].Finding, doubts)
		}
	}
	for _, d := range doubts {
		texts = append(texts, d.Text)
	}
	return texts
}

// listTaking says what taking it in will record.
func (s *screens) listTaking(l *listView, snap Snapshot, plant rules.System, p exchange.Preview, f url.Values) {
	at := snap.Wall.In(snap.zone()).Format("15:04")
	if shut := s.shutJob(snap, plant.Name); shut != "" {
		l.Warn = append(l.Warn, shut)
	}
	if p.Kind == exchange.Units {
		l.Sentence, l.Button = s.words.say("import.take-units", at, len(p.AllUnits())), s.words.say("import.take-units-button")
		return
	}
	l.Button = s.words.say("import.take-button")
	st, running := snap.running(plant.Name, "take-off")
	switch n := len(st.Entered.Rows); {
	case !running:
		l.Sentence = s.words.say("import.take-begin", at, len(p.Runs()))
	case n == 0:
		l.Sentence = s.words.say("import.take", at, len(p.Runs()))
	default:
		l.Sentence = s.words.say("import.take-again", at, len(p.Runs()), n)
		add := f.Get("rows") == "add"
		l.Rows = []option{{"replace", s.words.say("import.replace", n), !add}, {"add", s.words.say("import.add", n), add}}
	}
}

// listColumns are the columns as they were understood, and how to say otherwise.
func (s *screens) listColumns(l *listView, p exchange.Preview, f url.Values) {
	options := func(name string, all []string, title func(string) string) (os []option) {
		os = []option{{"", s.words.say("import.as-list"), f.Get(name) == ""}}
		for _, x := range all {
			os = append(os, option{x, title(x), f.Get(name) == x})
		}
		return os
	}
	for i, c := range p.Columns[:min(len(p.Columns), mostListColumns)] {
		l.Columns = append(l.Columns, listColumn{c.Number, c.Heading, c.As(), options("column"+strconv.Itoa(i+1), exchange.Meanings(p.Kind), s.meaning)})
	}
	choose := func(name string, all ...string) {
		title := func(x string) string { return s.words.name("import."+name, x) }
		l.Choices = append(l.Choices, listChoice{name, s.words.say("import.choice." + name), options(name, all, title)})
	}
	choose("decimal", "point", "comma")
	if p.Kind == exchange.TakeOff {
		choose("length_unit", "m", "ft", "cm", "mm", "in")
		choose("diameter_unit", "mm", "in")
		choose("line", rules.RunLines...)
	}
}

// meaning is what a column may be said to be, in words.
func (s *screens) meaning(m string) string {
	for _, line := range rules.RunLines {
		if of, ok := strings.CutPrefix(m, line+"-"); ok {
			return s.words.say("import.of-line", s.words.name("import.column", of), midSentence(s.words.name("line", line)))
		}
	}
	return s.words.name("import.column", m)
}

// listLines shares the lines out: each stands in one place.
func (s *screens) listLines(l *listView, c choice, p exchange.Preview) {
	var blank []string
	for _, x := range p.Lines {
		row := listLine{Number: x.From, Lines: s.words.say("import.line", x.Lines()), StateWord: s.words.name("import.state", string(x.State)), Text: lineText(x.Text), Remarks: x.Remarks, Left: x.State == exchange.LeftOut}
		for _, fault := range x.Faults {
			if x.State == exchange.NotUnderstood || x.State == exchange.Waits {
				row.Faults = append(row.Faults, s.listFault(fault))
			}
		}
		for _, run := range x.Runs {
			row.Said = append(row.Said, strings.Join([]string{run.Name, s.words.name("line", run.Line), s.tubeText(run), c.length(run.LengthM)}, " · "))
		}
		for _, u := range x.Units {
			row.Said = append(row.Said, s.unitText(u))
		}
		switch x.State {
		case exchange.NotUnderstood:
			row.CanLeave = true
			l.Wrong = append(l.Wrong, row)
		case exchange.Waits:
			row.CanLeave = true
			l.Waiting = append(l.Waiting, row)
		case exchange.Understood:
			l.Good = append(l.Good, row)
		case exchange.Blank:
			blank = append(blank, x.Lines())
		default:
			row.CanLeave = row.Left
			l.Apart = append(l.Apart, row)
		}
	}
	if len(blank) > 0 {
		l.Blank = s.words.say("import.blank", strings.Join(blank, ", "))
	}
}

// lineText is a line as it stands, its tabs to be seen, and no longer than a person reads.
func lineText(text string) string {
	const most = 400
	text = strings.ReplaceAll(text, "\t", " | ")
	if short := tidy(text, most); len(short) < len(strings.TrimSpace(text)) {
		return short + " ..."
	}
	return tidy(text, most)
}

func (s *screens) listFault(f sensors.Fault) string {
	if f.Want == "" {
		return s.words.say("import.fault", f.Line, f.Column, f.Problem)
	}
	return s.words.say("import.fault-want", f.Line, f.Column, f.Problem, f.Want)
}

func (s *screens) tubeText(run rules.Run) string {
	text := rules.TubeSize(run.OutsideDiameterM)
	if run.WallM > 0 {
		text += s.words.say("import.wall", strconv.FormatFloat(run.WallM*1e3, 'g', 4, 64))
	}
	if run.FactorKgM > 0 {
		text += ", " + rules.AsGiven(run.FactorKgM) + " kg/m"
	}
	return text
}

func (s *screens) unitText(u exchange.Unit) string {
	text := strings.Join([]string{u.Name, midSentence(s.words.name("kind", u.Kind)), s.plan(plannedUnit(u))}, " · ")
	if u.RoomM3 > 0 {
		text += " · " + rules.AsGiven(u.RoomM3) + " m³"
	}
	if u.Capacity != "" {
		text += " · " + u.Capacity
	}
	return text
}

// The page's own sections, in the order in which a person needs them.
func (l listView) Sections() (all []listSection) {
	for _, x := range []listSection{{"failed", "wrong", true, l.Wrong}, {"not-proven", "waiting", true, l.Waiting}, {"passed", "good", len(l.Good) <= 12, l.Good}, {"none", "apart", len(l.Apart) <= 12, l.Apart}} {
		if len(x.Lines) > 0 {
			all = append(all, x)
		}
	}
	return all
}

type listSection struct {
	Shape, Name string
	Open        bool
	Lines       []listLine
}

// Count is how many lines stand in it.
func (x listSection) Count() int { return len(x.Lines) }
