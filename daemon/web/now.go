package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// figure is the number as tall as a thumb.
type figure struct {
	Number, Unit string
	Point        string
	Other        string // in the units of the other world
	Size         int    // of the numerals, in hundredths of the width of a phone
	Old          bool
	When         moment
}

func (s *screens) figure(snap Snapshot, c choice, st Step) *figure {
	o := st.Outlook
	if !o.HasFig {
		return nil
	}
	if k, ok := judgedFirst(st); ok {
		main, other := rules.Kelvin, rules.Rankine
		if c == choiceUS || c == asMeasured && customary(snap.unitFor(sensors.Temperature, "C")) {
			main, other = other, main
		}
		return &figure{Point: s.words.say("now.superheat"), Number: main.Number(k), Unit: main.Symbol, Other: other.Text(k),
			Size: numeralSize(main.Number(k), main.Symbol), When: s.words.moment(st.FigureAt, snap.Wall, snap.zone()), Old: snap.Wall.Sub(st.FigureAt) > time.Minute}
	}
	unit := ""
	quiet := time.Minute
	if p, ok := snap.point(o.Point); ok {
		quiet = silence(p.Point)
		if p.Quantity == o.Quantity {
			unit = p.Unit
		}
	}
	main, other := c.scales(o.Quantity, unit)
	f := &figure{Point: o.Point, Number: main.Number(o.Figure), Unit: main.Symbol,
		When: s.words.moment(st.FigureAt, snap.Wall, snap.zone()),
		Old:  snap.Wall.Sub(st.FigureAt) > quiet+s.late}
	if f.Old { // as old as the sentence above says, which rounds
		f.When.Ago = s.words.say("time.ago", s.words.agedSpan(snap.Wall.Sub(st.FigureAt)))
	}
	if o.Quantity == sensors.Contact {
		f.Number = s.onOff(o.Figure)
	}
	if main == rules.Pound {
		f.Other = main.Text(o.Figure) + ", " + other.Text(o.Figure)
	} else if main != other {
		f.Other = other.Text(o.Figure)
	}
	f.Size = numeralSize(f.Number, f.Unit)
	return f
}

// judgedFirst is the superheat of a trial run, by which it is judged before all
// else; the suction line's own temperature says little without it.
func judgedFirst(st Step) (k float64, ok bool) {
	for _, v := range st.Outlook.Values {
		if st.Name == "trial-run" && v.Key == "superheat_k" {
			return v.Number, true
		}
	}
	return 0, false
}

// chargedBefore says of a trial run what its weigh-in came to, where that was not
// what was aimed at: the run shows what that charge does. Who has accepted it stands with it.
func (s *screens) chargedBefore(snap Snapshot, st Step) string {
	if st.Name != "trial-run" {
		return ""
	}
	for _, x := range snap.newestFirst() {
		if x.Name != "weigh-in" || x.System != st.System || x.Begin > st.Begin && !st.Ended.IsZero() {
			continue
		}
		for _, f := range latest(x.Verdicts) {
			if f.Result == rules.NotPassed || f.Result == rules.NotProven {
				said, _, _ := strings.Cut(f.Text, ". ")
				said = strings.TrimSuffix(said, ".") + "."
				if n := len(x.Accepted); n > 0 {
					said += " " + s.said(snap, "step.accepted-by", x.Accepted[n-1])
				}
				return said
			}
		}
		return ""
	}
	return ""
}

// lastTime is how a step under way went the last time it was ended in its job,
// where that was not well and nobody has accepted it: it is why it was begun again.
func (s *screens) lastTime(snap Snapshot, st Step) *stepRow {
	if !st.Ended.IsZero() {
		return nil
	}
	for _, x := range snap.newestFirst() {
		if x.Name != st.Name || x.System != st.System || x.Begin >= st.Begin || x.Ended.IsZero() || !snap.ofNewest(x) {
			continue
		}
		row := s.rowOf(snap, x)
		if row.State != rules.NotPassed && row.State != rules.NotProven || row.accepted {
			return nil
		}
		row.Text, _, _ = strings.Cut(row.Text, ". ")
		row.Text = strings.TrimSuffix(row.Text, ".") + "."
		return &row
	}
	return nil
}

// numeralSize is the largest of the style sheet's sizes at which number and
// unit share a phone's width: as tall as a thumb where there are few digits.
func numeralSize(number, unit string) int {
	digitsEm := 0.0
	for _, r := range number {
		if r >= '0' && r <= '9' || r >= 'a' {
			digitsEm += 0.7 // the widest of the system fonts
		} else {
			digitsEm += 0.4
		}
	}
	room := 84 - 3.6*float64(len(unit))
	for _, size := range []int{32, 28, 24, 20, 17, 14} {
		if digitsEm*float64(size) <= room {
			return size
		}
	}
	return 11
}

func (s *screens) onOff(v float64) string {
	if v != 0 {
		return s.words.say("contact.on")
	}
	return s.words.say("contact.off")
}

// stepView is a step under way as Now shows it.
type stepView struct {
	System, Name, Title  string
	Of                   string // its system, where the site has several
	Sentence             string
	Fig                  *figure
	State, StateWord     string // under way, or failed already
	Begun                moment
	Elapsed, Lasts, Left string
	Sure                 string
	Behind               []titled  // the numbers behind the sentence
	Points               []linkRow // whose readings it rests on
	Verdicts             []verdictView
	URL, EndURL          string
	Charge               string    // of a trial run: what went in before it, where that was not what was aimed at
	Last                 *stepRow  // the time before, where it did not end well
	NoFig                string    // why there is no figure yet
	Ways                 []linkRow // of a step that no reading draws: where its work is entered
	CurveURL             string
	Events               []event
	Wide, Narrow         template.HTML
	Table                []tableRow
	CurveTitle           string
	Before               int // events before those listed
	Ledger               *ledgerView
	Units                *unitsView // of a step that looks at each indoor unit
	Ask                  *askView   // what it proposes to command next
	Answers              *tableView // of a branch check
}

type tableRow struct{ Clock, Value string }

type nowView struct {
	Lead   *stepView
	Others []stepView
	Wakes  []flagView // that nobody has acknowledged, and that wake: before the figure, so that their button is in sight on a phone
	Urgent []flagView // the first of the step shown, that nobody has acknowledged: before the curve
	Flags  []flagView
	Next   *stepRow
	// NextTitle is its name within a sentence.
	NextTitle string
	LeftOver  []string   // what was never begun, reported or accepted, before that
	Idle      string     // the sentence while nothing is under way
	Unsettled []stepRow  // ended failed or not proven in a system that rests, and nobody has accepted it
	Start     []startRow // at a site where nothing has been begun yet
	Checks    string     // that are open before the next one
	Recent    []flagView // while nothing is under way
	Heard     heardView
	Quiet     string // nothing has been kept for a while
}

type heardView struct {
	Sentence string
	Trouble  string // brokers, stores and message ways that do not work
}

func (s *screens) nowView(ctx context.Context, snap Snapshot, v view, svg bool) nowView {
	var n nowView
	running := slices.Clone(snap.Running)
	slices.SortStableFunc(running, snap.ahead)
	for i, st := range running {
		sv := s.stepView(snap, v.Units, st)
		if i > 0 {
			n.Others = append(n.Others, sv)
			continue
		}
		s.addCurve(ctx, snap, v.Units, st, &sv, svg)
		n.Lead = &sv
	}
	n.Unsettled = slices.DeleteFunc(s.unsettled(snap), func(r stepRow) bool { // where a system's work goes on, its step leads
		return slices.ContainsFunc(running, func(st Step) bool { return st.System == r.System })
	})
	if n.Lead == nil {
		n.Start = s.start(snap)
		n.Idle = s.idle(n.Unsettled)
		n.Next = s.next(snap)
		n.LeftOver = s.leftOver(snap, n.Next)
		if n.Next != nil {
			n.NextTitle = midSentence(s.withSystem(snap, n.Next.Title, n.Next.System))
			if open := snap.openChecks(n.Next.System, n.Next.Name); len(open) > 0 && n.Next.State == waiting {
				n.Checks = s.words.count("now.checks-open", len(open))
			}
		}
		for _, f := range snap.Recent {
			n.Recent = append(n.Recent, s.flagView(snap, v, f.Finding, f.Wall, nil))
		}
		n.Recent = s.together(n.Recent)
		n.Recent = n.Recent[:min(5, len(n.Recent))]
	}
	for _, f := range snap.Flags {
		fv := s.flagView(snap, v, f.Finding, f.Raised, &f)
		ofLead := n.Lead != nil && f.System == n.Lead.System && f.Step == n.Lead.Name && f.Urgency != rules.Note
		switch {
		case !f.Acknowledged && f.Urgency == rules.Wake:
			n.Wakes = append(n.Wakes, fv)
		case !f.Acknowledged && ofLead && len(n.Urgent)+len(n.Wakes) == 0: // one thing before the curve, unless more wake
			n.Urgent = append(n.Urgent, fv)
		default:
			n.Flags = append(n.Flags, fv)
		}
	}
	n.Flags = s.together(n.Flags)
	n.Heard = heardView{s.heard(snap), s.ways(snap)}
	if snap.KeptAt.IsZero() {
		n.Quiet = s.words.say("now.nothing-kept")
	} else if d := snap.Wall.Sub(snap.KeptAt); d > time.Minute {
		n.Quiet = s.words.say("now.quiet", s.words.span(d))
	}
	if snap.Behind {
		n.Quiet = s.words.say("now.behind")
	}
	for _, d := range snap.Devices { // a full disk, say: why, and at once
		if d.Name == "journal" && !d.OK && !snap.KeptAt.After(d.Since) {
			n.Quiet = d.Sentence
		}
	}
	return n
}

// ahead orders steps under way by what a person looks for first: the gravest
// open flag, then what does not only wait as a preheat does, whenever it was
// begun, then the step begun last.
func (s Snapshot) ahead(a, b Step) int {
	waits := func(st Step) int {
		if st.Name == "preheat" {
			return 1
		}
		return 0
	}
	return cmp.Or(s.urgency(b)-s.urgency(a), waits(a)-waits(b), b.Begun.Compare(a.Begun))
}

// urgency is that of the step's gravest open flag.
func (s Snapshot) urgency(st Step) int {
	u := 0
	for _, f := range s.Flags {
		if f.Step == st.Name && f.System == st.System {
			u = max(u, 1+int(f.Urgency))
		}
	}
	return u
}

func (s *screens) stepView(snap Snapshot, c choice, st Step) stepView {
	o := st.Outlook
	sv := stepView{System: st.System, Name: st.Name, Title: s.stepTitle(snap, st.System, st.Name),
		Sentence: o.Sentence, Fig: s.figure(snap, c, st),
		Begun: s.words.moment(st.Begun, snap.Wall, snap.zone()), Elapsed: s.words.span(snap.Wall.Sub(st.Begun)),
		Verdicts: s.verdicts(snap, c, st), Behind: s.behind(snap, c, st), Ledger: s.ledger(snap, c, st), Points: pointLinks(snap, []string{o.Point}),
		URL: stepURL(st.System, st.Name), EndURL: confirmURL("end", st.System, st.Name)}
	if len(snap.Site.Systems) > 1 {
		sv.Of = s.words.say("now.system", st.System)
	}
	sv.Charge, sv.Last = s.chargedBefore(snap, st), s.lastTime(snap, st)
	sv.Units, sv.Ask, sv.Answers = s.each(snap, c, st), s.ask(snap, st), s.answers(snap, c, st)
	switch st.Name {
	case "take-off":
		sv.Ways = []linkRow{{takeoffURL(st.System), s.words.say("ledger.to-take-off")}}
	case "unit-count":
		sv.Ways = []linkRow{{sheetURL(st.System), s.words.say("sheet.go")}}
	case "hand-over":
	default:
		sv.NoFig = s.words.say("now.no-figure")
	}
	if sv.Answers != nil { // which says the same of each
		sv.Units = nil
	}
	if sv.Units != nil { // each unit's verdict stands with the unit
		sv.Verdicts = slices.DeleteFunc(sv.Verdicts, func(v verdictView) bool { return v.Unit != "" })
	}
	if sv.Sentence == "" {
		sv.Sentence = s.words.say("now.no-outlook", sv.Title, sv.Elapsed)
	}
	if o.Sure != "" {
		sv.Sure = s.words.name("sure", o.Sure)
	}
	sv.State, sv.StateWord = underWay, s.words.say("state."+underWay)
	// What has passed or failed waits for a person and no longer for the clock; what is not proven may still be.
	for _, f := range latest(st.Verdicts) {
		if f.Unit == "" && f.Result != rules.NotProven {
			sv.State, sv.StateWord = f.Result, s.words.say("state."+f.Result)
			return sv
		}
	}
	if o.Lasts > 0 {
		sv.Lasts = s.words.span(o.Lasts)
		if left := o.Lasts - snap.Wall.Sub(st.Begun); left > 0 {
			sv.Left = s.words.say("now.left", s.words.span(wholeMinutes(left)))
		} else {
			sv.Left = s.words.say("now.time-is-up")
		}
	}
	switch {
	case o.Left > 0 && o.Lasts > 0:
		sv.Left = s.words.say("now.left", s.words.span(wholeMinutes(o.Left)))
	case o.Left > 0: // predicted: the sentence above says it in the same words
		sv.Left = s.words.say("now.to-go", s.words.aboutSpan(o.Left))
	}
	return sv
}

// wholeMinutes rounds a time left up, so that 23 min gone and 37 left make 60.
func wholeMinutes(d time.Duration) time.Duration {
	if d < time.Minute {
		return d
	}
	return (d + time.Minute - 1).Truncate(time.Minute)
}

func (s *screens) addCurve(ctx context.Context, snap Snapshot, c choice, st Step, sv *stepView, svg bool) {
	if st.Outlook.Point == "" {
		return
	}
	q := url.Values{"system": {st.System}, "step": {st.Name}}
	if !st.Ended.IsZero() {
		q.Set("begin", fmt.Sprint(st.Begin))
	}
	sv.CurveURL = "/curve?" + q.Encode()
	sv.CurveTitle = s.curveTitle(snap, st)
	from, to := stepWindow(snap, st)
	sv.Events, sv.Before = s.events(ctx, snap, c, st, from, to)
	if !svg {
		return
	}
	ch, err := s.stepChart(ctx, snap, c, st, mostDrawn)
	if err != nil {
		s.notRead(ctx, "a curve could not be read", "point", st.Outlook.Point, "error", err)
	}
	if ch == nil || err != nil {
		return
	}
	sv.Table = tableOf(ch)
	sv.Wide, sv.Narrow = ch.svg(720, 342, ch.Title), ch.svg(372, 290, ch.Title)
}

// tableOf is the curve as rows: a screen reader's way to read it.
func tableOf(c *chart) []tableRow {
	const rows = 24
	every := max(1, (len(c.Text)+rows-1)/rows)
	var t []tableRow
	for i := 0; i < len(c.Text); i++ {
		if i%every == 0 || i == len(c.Text)-1 {
			clock, value, ok := strings.Cut(c.Text[i], "  ")
			if ok {
				t = append(t, tableRow{clock, value})
			}
		}
	}
	return t
}

func (s *screens) heard(snap Snapshot) string {
	var never, late, failed int
	for _, p := range snap.Points {
		switch {
		case p.Heard.IsZero():
			never++
		case snap.Wall.Sub(p.Heard) > silence(p.Point):
			late++
		case p.Health.Grade == sensors.Failed:
			failed++
		}
	}
	n := len(snap.Points)
	switch {
	case n == 0:
		return s.words.say("heard.none")
	case never == n:
		return s.words.say("heard.never", n)
	case never+late+failed == 0 && n == 1:
		return s.words.say("heard.one")
	case never+late+failed == 0:
		return s.words.say("heard.all", n)
	}
	switch {
	case failed == 0:
		return s.words.say("heard.silent", n-never-late, n, never+late)
	case never+late == 0:
		return s.words.say("heard.failed", n-failed, n, failed)
	}
	return s.words.say("heard.some", n-never-late-failed, n, never+late, failed)
}

// ways says how many of the brokers and buses, stores and message ways do not
// work; nothing where all do. Somebody who waits to be woken must know it here.
func (s *screens) ways(snap Snapshot) string {
	bad, all := 0, len(snap.Devices)+len(snap.Outward)
	for _, d := range snap.Devices {
		if !d.OK {
			bad++
		}
	}
	for _, f := range snap.Outward {
		if !f.OK || f.Quarantined > 0 {
			bad++
		}
	}
	if bad == 0 {
		return ""
	}
	return s.words.say("heard.ways", bad, all)
}
