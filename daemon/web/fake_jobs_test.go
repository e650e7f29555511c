package web

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// threeSystems is a site with three systems: one in the midst of its hold, one
// whose second job weighs in, one whose only job is closed and signed.
func threeSystems(s *Snapshot, now time.Time) {
	plant := func(name string, first int) rules.System {
		sys := rules.System{Name: name, Refrigerant: "R-410A", Outdoor: []string{name + "-ou1"}}
		for i := range 3 {
			sys.Units = append(sys.Units, rules.Unit{Name: fmt.Sprintf("iu%02d", first+i), Room: fmt.Sprintf("Room %d.%d", first/10+1, i+1)})
		}
		return sys
	}
	s.Site.Systems = []rules.System{plant("north", 1), plant("south", 11), plant("tower", 21)}
	s.Points, s.Site.Points = slices.Clone(s.Points), slices.Clone(s.Site.Points)
	for i := range s.Points {
		name := ""
		switch s.Points[i].Name {
		case "gauge":
			name = "north"
		case "scale", "indoor-power":
			name = "south"
		case "ou1-sump":
			name = "tower"
		}
		s.Points[i].System, s.Site.Points[i].System = name, name
	}
	hold := (&fakeBox{}).holding(*s)[1]
	hold.System = "north"
	weigh := weighing(*s, now)
	weigh.System = "south"
	preheat := Step{Step: rules.Step{System: "north", Name: "preheat", Begin: 8}, Begun: now.Add(-90 * time.Minute),
		Outlook: rules.Outlook{Sentence: "Preheat, 90 min of 6 h. Sump 14.5 K over the outdoor air.", Lasts: 6 * time.Hour, Left: 270 * time.Minute}}
	s.Running = []Step{preheat, hold, weigh}
	given := func(step string, begin uint64, system, result, text string, at time.Time) Step {
		return Step{Step: rules.Step{System: system, Name: step, Begin: begin}, Begun: at.Add(-25 * time.Hour), Ended: at,
			Verdicts: []Finding{{Wall: at, Finding: rules.Finding{Edge: rules.Given, Flag: step, Step: step, System: system, Begin: begin, Result: result, Cause: "none", Text: text}}}}
	}
	day := 24 * time.Hour
	s.Past = []Step{
		given("evacuation", 18, "south", rules.Passed, "Evacuation passed: 180 micron.", now.Add(-2*time.Hour)),
		given("pressure-test", 7, "north", rules.Passed, "Pressure test passed: 3.79 MPa held for 24 h.", now.Add(-day)),
		given("hand-over", 6, "tower", rules.Passed, "Hand-over passed.", now.Add(-3*day)),
		given("pressure-test", 5, "tower", rules.Passed, "Pressure test passed: 3.79 MPa held for 24 h.", now.Add(-9*day)),
		given("vacuum-hold", 3, "south", rules.NotPassed, "Vacuum hold failed: 510 micron.", now.Add(-40*day)),
		given("pressure-test", 2, "south", rules.Passed, "Pressure test passed: 3.80 MPa held for 24 h.", now.Add(-42*day)),
	}
	said := func(mark, text, by string, seq uint64, at time.Time) JobMark {
		return JobMark{rules.JobMark{Mark: mark, Text: text, By: by, Seq: seq}, at}
	}
	hand := rules.Strokes{}
	for _, x := range []float64{0.08, 0.32, 0.6} {
		hand = append(hand, []rules.Dot{{X: x, Y: 0.7}, {X: x + 0.06, Y: 0.2}, {X: x + 0.1, Y: 0.75}, {X: x + 0.18, Y: 0.35}, {X: x + 0.22, Y: 0.7}})
	}
	s.Jobs = map[string][]Job{
		"north": {{Job: rules.Job{System: "north", Number: 1, Name: rules.FirstJob, From: 1, State: rules.JobOpen}}},
		"south": {
			{Job: rules.Job{System: "south", Number: 1, Name: rules.FirstJob, From: 1, To: 10, State: rules.JobArchived},
				Said: []JobMark{said(rules.MarkJobClosed, "the riser is to be laid anew", "Rui", 9, now.Add(-39*day)), said(rules.MarkJobArchived, "folder 7", "Rui", 11, now.Add(-30*day))}},
			{Job: rules.Job{System: "south", Number: 2, Name: "riser laid anew", By: "Ines", From: 11, State: rules.JobOpen, Begun: rules.JobMark{Mark: rules.MarkJobBegun, By: "Ines", Seq: 11}}, Begun: now.Add(-6 * day)},
		},
		"tower": {{Job: rules.Job{System: "tower", Number: 1, Name: rules.FirstJob, From: 1, To: 20, State: rules.JobClosed},
			Said: []JobMark{said(rules.MarkJobClosed, "handed over to the owner", "Ines", 20, now.Add(-2*day))},
			Signed: []Signed{{rules.Signed{Role: "technician", Name: "Ines", Strokes: hand}, now.Add(-2 * day)},
				{rules.Signed{Role: "owner", Name: "Ελένη Κ."}, now.Add(-2 * day)}}}},
	}
	tower := &s.Jobs["tower"][0]
	tower.Ended = 15
	for i, c := range []rules.Copy{{What: "record", To: "owner", How: "mail owner@library.example"}, {What: "label", To: "unit panel", How: rules.ByHand}, {What: "record", To: "installer", How: rules.ByStick, Of: 15, Sum: strings.Repeat("9f86d081", 8)}, {What: "bundle", How: rules.ByDownload}} {
		c.Seq, c.By = uint64(14+i), "Ines"
		tower.Job.Copies = append(tower.Job.Copies, c)
		tower.Copies = append(tower.Copies, Copy{c, now.Add(-2 * day)})
	}
	bad := rules.Copy{What: "record", To: "commissioning file", How: "mail files@library.example", Refused: "550 5.1.1 no such person here"}
	bad.Seq = 19
	tower.Job.Refused = append(tower.Job.Refused, bad)
	s.Checks = map[string][]Check{}
	for _, sys := range s.Site.Systems {
		for _, c := range rules.NewCheckList(s.Site, sys.Name).All() {
			s.Checks[sys.Name] = append(s.Checks[sys.Name], Check{CheckState: c})
		}
	}
	early := rules.Finding{Edge: rules.Raised, Flag: "power-too-early", System: "south", Subject: "indoor-power", Urgency: rules.Wake, Points: []string{"indoor-power"},
		Text: "The indoor units have power while liquid stands between shut valves. Keep clear of the line, open the service valves as the unit maker says, and mark it."}
	s.Flags = append([]Flag{{Flag: rules.Flag{Finding: early}, Raised: now.Add(-3 * time.Minute)}}, s.Flags...)
	for i, system := range []string{"", "", "tower"} {
		s.Flags[i].System = max(s.Flags[i].System, system)
	}
	s.Recent = append([]Finding{{early, 30, now.Add(-3 * time.Minute)}}, s.Recent...)
	for i := range s.Points {
		if s.Points[i].Quantity == sensors.Contact {
			s.Points[i].Taken, s.Points[i].Heard = now, now
		}
	}
}

// fakePapers makes papers that say what they were asked for.
type fakePapers struct{}

func (fakePapers) Kinds() []string { return []string{"pdf-a4", "html", "csv", "label-a6", "bundle"} }

func (fakePapers) Paper(_ context.Context, kind, system string, job int) (Paper, error) {
	media := map[string]string{"pdf-a4": "application/pdf", "html": "text/html; charset=utf-8", "csv": "text/csv; charset=utf-8"}[kind]
	if kind == "label-a6" { // nothing was charged
		return Paper{}, ErrNoPaper
	}
	if kind == "bundle" {
		return Paper{}, fmt.Errorf("the disk is full")
	}
	return Paper{File: "Quayside Ελ " + system + "-" + kind, Media: media, Entries: 12,
		Body: inHand{strings.NewReader(fmt.Sprintf("%s of %s, job %d", kind, system, job))}}, nil
}

// inHand is a paper in memory.
type inHand struct{ io.ReadSeeker }

func (inHand) Close() error { return nil }

// fakeCopies sends nothing, and says what it was asked for.
type fakeCopies struct {
	noMail bool
	stick  StickState
	posted []Posted
	err    error
	asked  []string
}

func (c *fakeCopies) Mails() bool { return !c.noMail }

func (c *fakeCopies) ask(how string, g Going) error {
	c.asked = append(c.asked, fmt.Sprintf("%s %s job %d to %s %s by %s", how, g.System, g.Number, g.To, g.Address, g.By))
	return c.err
}

func (c *fakeCopies) Mail(_ context.Context, g Going) error { return c.ask("mail", g) }

func (c *fakeCopies) Posted(_ context.Context, system string, _ int) ([]Posted, error) {
	if system != "tower" {
		return nil, nil
	}
	return c.posted, nil
}

func (c *fakeCopies) TakeBack(_ context.Context, id string) error {
	c.asked = append(c.asked, "back "+id)
	return c.err
}

func (c *fakeCopies) Stick() StickState { return c.stick }

func (c *fakeCopies) ToStick(_ context.Context, g Going) (string, error) {
	return "tower", c.ask("stick", g)
}

// newFakeCopies has a mail that is not taken, and a stick.
func newFakeCopies() *fakeCopies {
	return &fakeCopies{stick: StickState{Dir: "/media/standwatch"}, posted: []Posted{
		{ID: "1", To: "main contractor", Address: "site@contractor.example", By: "Ines", Whats: []string{"bundle", "record"}, Trouble: "the mail server mail.example.org:587 does not take it: 451 4.7.1 greylisted, come again"}}}
}
