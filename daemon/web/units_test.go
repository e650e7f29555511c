package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

func TestTheWalkShowsEveryRoomOnceWithItsFigures(t *testing.T) {
	box := newFakeBox("rooms")
	_, text := visit(t, box.screens().handler(), "GET", "/steps/cooling-check", nil)
	for _, want := range []string{"2 failed, 1 under way, 1 not proven, 11 waiting, 9 passed", "failed: low", "5.4 K", "9.7 °F",
		"Right is 9.7 K to 13.1 K (17.5 °F to 23.6 °F).", "asked: cool", "steady", "The probe is here", "/mark/command?step=cooling-check&amp;unit=iu13"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if n := strings.Count(text, "iu04 blows"); n != 1 { // in its verdict
		t.Errorf("what is said of a room stands %d times on the page", n)
	}
	// A past step whose judge is gone shows the same from its verdicts.
	box.change(func(s *Snapshot) {
		st := s.Running[0]
		st.Ended, st.Outlook = s.Wall, rules.Outlook{}
		s.Running, s.Past = nil, []Step{st}
	})
	_, text = visit(t, box.screens().handler(), "GET", "/steps/cooling-check", nil)
	if !strings.Contains(text, "2 failed, 1 not proven, 10 passed") && !strings.Contains(text, "2 failed, 1 not proven, 9 passed") || strings.Contains(text, "The probe is here") {
		t.Errorf("a past check shows:\n%s", text)
	}
}

func TestTheBranchTableNamesWhoAnsweredWhom(t *testing.T) {
	_, text := visit(t, newFakeBox("branches").screens().handler(), "GET", "/steps/branch-check", nil)
	for _, want := range []string{"11 of 16 rooms answered themselves.", "Answered in Periodicals 1 (iu04) instead.", "Answered in Children&#39;s corner 1 (iu03) instead.",
		"No room answered.", "Foyer 1 (iu05) answered as well.", "Not asked yet, or not for long enough (", "Run 16 of 16", "all the others (15)", "not tried"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if n := strings.Count(text, "<td class="); n != 16*16 {
		t.Errorf("the matrix has %d cells", n)
	}
}

func TestARunUnderWayAsksForPatienceOnly(t *testing.T) {
	box := newFakeBox("branches")
	box.change(func(s *Snapshot) { s.Running[0].Outlook.Next.Left = 4 * time.Minute })
	_, text := visit(t, box.screens().handler(), "GET", "/steps/branch-check", nil)
	if !strings.Contains(text, "Run 16 of 16 is under way") || !strings.Contains(text, "for 4 min more") || strings.Contains(text, "I have asked them") || !strings.Contains(text, "all the others (15)") {
		t.Errorf("a run under way shows\n%s", text)
	}
}

func TestARunOfThePlanIsRecordedUnitByUnit(t *testing.T) {
	box := newFakeBox("branches")
	h := box.screens().handler()
	f := url.Values{"ask": {"iu01=heat", "iu02=fan"}, "by": {"Ines"}, "back": {"/steps/branch-check"}}
	resp, _ := visit(t, h, "POST", "/commands", f)
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 2 || box.told[0].Kind != "command" || box.told[0].Name != "iu01" || box.told[0].Note != "heat" ||
		box.told[1].Note != "fan" || box.told[1].By != "Ines" || !strings.HasPrefix(resp.Header.Get("Location"), "/steps/branch-check") {
		t.Errorf("%d to %q, recorded %+v", resp.StatusCode, resp.Header.Get("Location"), box.told)
	}
	box.told = nil
	resp, _ = visit(t, h, "POST", "/marks", form("kind", "command", "unit", "*", "what", "fan", "step", "branch-check"))
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 16 || box.told[15].Name != "iu16" || box.told[15].Note != "fan" {
		t.Errorf("%d, recorded %+v", resp.StatusCode, box.told)
	}
	// Half a run is not recorded where one of its units or commands does not exist.
	for _, bad := range [][]string{{"iu01=heat", "iu99=heat"}, {"iu01=heat", "iu02=boil"}, {"iu01"}, nil} {
		box.told = nil
		resp, text := visit(t, h, "POST", "/commands", url.Values{"ask": bad})
		if resp.StatusCode != http.StatusUnprocessableEntity || len(box.told) > 0 || !strings.Contains(text, "Choose one of the indoor units") {
			t.Errorf("%v: %d, recorded %+v", bad, resp.StatusCode, box.told)
		}
	}
	resp, _ = visit(t, h, "POST", "/marks", form("kind", "command", "unit", "*", "what", "boil"))
	if resp.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("all asked to boil: %d", resp.StatusCode)
	}
}

func TestWhatIsReadOffIsTypedAsTheContractsMarks(t *testing.T) {
	box := newFakeBox("rooms")
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/typed?step=cooling-check&unit=iu13", nil)
	if !strings.Contains(text, `<option value="iu13" selected>`) || !strings.Contains(text, "wet bulb") {
		t.Errorf("the form is\n%s", text)
	}
	resp, _ := visit(t, h, "POST", "/typed", form("step", "cooling-check", "unit", "iu13", "supply", "55,4", "return", "75.2", "humidity", "50", "degrees", "F", "by", "Ines"))
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 3 {
		t.Fatalf("%d, recorded %+v", resp.StatusCode, box.told)
	}
	for i, want := range []rules.Told{{Value: 24, Unit: "C", Note: "iu13 return"}, {Value: 0.5, Unit: "1", Note: "iu13 humidity"}, {Value: 13, Unit: "C", Note: "iu13 supply"}} {
		want.Kind, want.Name, want.By = "mark", "typed", "Ines"
		got := box.told[i]
		if got.Kind != want.Kind || got.Name != want.Name || got.Value != want.Value || got.Unit != want.Unit || got.Note != want.Note || got.By != want.By {
			t.Errorf("recorded %+v, want %+v", got, want)
		}
	}
	for want, f := range map[string][]string{
		"Supply air: write a number":       {"unit", "iu13", "supply", "cold", "degrees", "C"},
		"Return air: write a number":       {"unit", "iu13", "return", "240", "degrees", "C"},
		"Return air, humidity in %: write": {"unit", "iu13", "humidity", "140", "degrees", "C"},
		"Humidity is in %, such as 50":     {"unit", "iu13", "humidity", "0.5", "degrees", "C"},
		"Did you read °F?":                 {"unit", "iu13", "return", "75", "supply", "55", "degrees", "C"},
		"The wet bulb cannot stand above":  {"unit", "iu13", "return", "24", "wet-bulb", "26", "degrees", "C"},
		"Return air: write a number that":  {"unit", "iu13", "return", "nan", "degrees", "C"},
		"not that warm here":               {"unit", "iu13", "supply", "54", "degrees", "C"},
		"Type at least one reading":        {"unit", "iu13", "degrees", "C"},
		"Choose one of the units":          {"unit", "iu99", "supply", "13", "degrees", "C"},
	} {
		box.told = nil
		resp, text := visit(t, h, "POST", "/typed", form(append(f, "step", "cooling-check")...))
		if resp.StatusCode != http.StatusUnprocessableEntity || len(box.told) > 0 || !strings.Contains(text, want) {
			t.Errorf("%v: %d, recorded %+v; %q is missing", f, resp.StatusCode, box.told, want)
		}
	}
	box.told = nil // a cold room's return alone: nobody spoke of a wet bulb
	if resp, text := visit(t, h, "POST", "/typed", form("step", "cooling-check", "unit", "iu13", "return", "-5", "degrees", "C")); resp.StatusCode != http.StatusSeeOther || len(box.told) != 1 {
		t.Errorf("%d, recorded %+v\n%s", resp.StatusCode, box.told, text)
	}
	if resp, _ := visit(t, h, "GET", "/typed?step=vacuum-hold", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("typed in a vacuum hold: %d", resp.StatusCode)
	}
}

// endRunning ends the step that runs.
func endRunning(s *Snapshot) {
	st := s.Running[0]
	st.Ended = s.Wall
	s.Running, s.Past = nil, []Step{st}
}

// Who was asked and cannot be told apart is not said to be unasked.
func TestAskedAndNotClear(t *testing.T) {
	box := newFakeBox("branches")
	box.change(func(s *Snapshot) {
		x := s.Running[0].Outlook.Table
		s.Running[0].Outlook.Table = &rules.Table{Units: x.Units, Asked: x.Units}
		s.Running[0].Outlook.Next = nil
	})
	h := box.screens().handler()
	for _, page := range []string{"/steps/branch-check", "/branches"} {
		_, text := visit(t, h, "GET", page, nil)
		if strings.Count(text, "Asked; no clear answer yet.") != 16 || strings.Contains(text, "Not asked") || strings.Contains(text, "not tried") || !strings.Contains(text, "not clear") {
			t.Errorf("%s shows\n%s", page, text)
		}
	}
	box.change(endRunning)
	_, text := visit(t, h, "GET", "/branches", nil)
	if strings.Count(text, "Asked; no clear answer.") != 16 || strings.Contains(text, "answer yet") || strings.Contains(text, "Not asked") {
		t.Errorf("once it is over the page shows\n%s", text)
	}
}

// The unit that is asked at present is not said to be unasked, and once the check
// is over nobody's turn is still to come.
func TestAskedNowAndNeverAsked(t *testing.T) {
	box := newFakeBox("branches")
	box.change(func(s *Snapshot) {
		o := &s.Running[0].Outlook
		o.Table = &rules.Table{Units: o.Table.Units}
		o.Units, o.Next.Left = []rules.UnitStand{{Unit: o.Table.Units[2], Asked: "heat"}, {Unit: o.Table.Units[3], Asked: "fan"}}, time.Minute
	})
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/steps/branch-check", nil)
	if strings.Count(text, "Asked now; its answer is awaited.") != 1 || !strings.Contains(text, "Not asked yet, or not for long enough (15)") {
		t.Errorf("while one is asked the page shows\n%s", text)
	}
	box.change(endRunning)
	_, text = visit(t, h, "GET", "/steps/branch-check", nil)
	if strings.Count(text, "Not asked, or not for long enough.") != 16 || strings.Contains(text, "Asked now") || strings.Contains(text, "Not asked yet") {
		t.Errorf("once it is over the page shows\n%s", text)
	}
}

// What to ask comes first, one unit's air is small beside it, and one wait is one figure.
func TestWhatToAskComesBeforeOneUnitsAir(t *testing.T) {
	box := newFakeBox("branches")
	box.change(func(s *Snapshot) {
		o := &s.Running[0].Outlook
		o.Point, o.Figure, o.HasFig, o.Quantity = "iu01-supply", 21.5, true, sensors.Temperature
		o.Left, o.Next.Left = 80*time.Second, 80*time.Second
	})
	_, text := visit(t, box.screens().handler(), "GET", "/", nil)
	if strings.Contains(text, `class="figure`) || !strings.Contains(text, "21.5") || !strings.Contains(text, "about 80 s to go") || !strings.Contains(text, "for 80 s more") {
		t.Errorf("Now shows\n%s", text)
	}
	box.change(func(s *Snapshot) { s.Running[0].Outlook.Next = nil })
	if _, text = visit(t, box.screens().handler(), "GET", "/", nil); !strings.Contains(text, `class="figure`) {
		t.Errorf("with nothing to ask Now shows\n%s", text)
	}
}

// Where no probe is carried, no button says that one has come; where one is, a
// unit with sensors of its own has it too, for they may differ.
func TestAProbeComesOnlyWhereOneIsCarried(t *testing.T) {
	for carried, points := range map[bool][]sensors.Point{
		true:  {{Name: "probe-supply", Role: "supply-air"}, {Name: "probe-return", Role: "return-air"}},
		false: {{Name: "iu01-supply", Role: "supply-air"}, {Name: "iu01-return", Role: "return-air"}},
	} {
		box := newFakeBox("rooms")
		box.change(func(s *Snapshot) { s.Site.Points = points })
		_, text := visit(t, box.screens().handler(), "GET", "/steps/cooling-check", nil)
		if strings.Contains(text, "The probe is here") != carried {
			t.Errorf("carried %v: the button is there %v", carried, !carried)
		}
	}
}

// A walk asks nothing of any unit, and its card says so.
func TestAWalksCardDoesNotSayAsk(t *testing.T) {
	box := newFakeBox("rooms")
	box.change(func(s *Snapshot) {
		s.Running[0].Outlook.Next = &rules.Ask{Run: 3, Of: 24, Left: -1, Sentence: "Next: iu12."}
	})
	_, text := visit(t, box.screens().handler(), "GET", "/steps/cooling-check", nil)
	if !strings.Contains(text, "Room 3 of 24") || strings.Contains(text, "ask the units now") {
		t.Errorf("the card of a walk says\n%s", text)
	}
}

// A compressor must not start before the preheat is met, so a preheat under way does not count as done there.
func TestAPreheatUnderWayIsWarnedOfBeforeACompressorRuns(t *testing.T) {
	box := newFakeBox("idle")
	s := box.screens()
	preheat := Step{Step: rules.Step{Name: "preheat", Begin: 9}, Begun: holdBegun}
	box.snap.Running = []Step{preheat}
	for step, warned := range map[string]bool{"unit-count": false, "weigh-in": true, "trial-run": true, "heating-check": true} {
		if _, note := s.outOfOrder(box.snap, "", step); strings.Contains(note, "preheat") != warned {
			t.Errorf("before %s amid a preheat that is not met: %q", step, note)
		}
	}
	preheat.Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "preheat", Result: rules.Passed}}}
	box.snap.Running = []Step{preheat}
	if _, note := s.outOfOrder(box.snap, "", "trial-run"); strings.Contains(note, "preheat") {
		t.Errorf("met, and %q", note)
	}
}

// Units may still be asked to heat by the step before: no run of this one is under way then, and no answer awaited.
func TestNoAnswerIsAwaitedBeforeARunIsAsked(t *testing.T) {
	box := newFakeBox("branches")
	awaited := func(left time.Duration) bool {
		box.change(func(s *Snapshot) {
			o := &s.Running[0].Outlook
			o.Next.Left, o.Units = left, []rules.UnitStand{{Unit: "iu16", Asked: "heat"}} // it has not been tried yet
		})
		_, text := visit(t, box.screens().handler(), "GET", "/steps/branch-check", nil)
		return strings.Contains(text, "its answer is awaited")
	}
	if awaited(-1) {
		t.Error("an answer is awaited before the run was asked")
	}
	if !awaited(4 * time.Minute) {
		t.Error("no answer is awaited amid the run")
	}
}
