package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// Source: the field guide, worked examples 1 and 2: 14.977 kg (33.02 lb) to
// add, 34.577 kg (76.23 lb) in all; 14.12 l in liquid lines, 66.57 l with the coils.
func TestTheTakeOffPageAddsUp(t *testing.T) {
	h := newFakeBox("take-off").screens().handler()
	_, text := visit(t, h, "GET", "/takeoff", nil)
	text = strings.ReplaceAll(text, "\u00a0", " ")
	for _, want := range []string{"14.98 kg (33 lb 0 oz)", "34.58 kg (76 lb 4 oz)", "14.1 l", "66.6 l", "15.88 mm (5/8 in)",
		"0.048 kg/m (0.0323 lb/ft)", "62 m (203.4 ft)", "0.432 kg/m³ in Reading room"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if strings.Contains(text, "Look at these again") || strings.Contains(text, "estimate") {
		t.Error("a take-off without a slip is doubted, or the maker's factors called an estimate")
	}
}

func TestARowIsAMarkThatReplayReads(t *testing.T) {
	row := form("do", "add", "run", "riser, roof", "line", "liquid", "size", "1/2 in\r\n", "length", "12,5", "length_unit", "m", "factor", "0.063", "factor_unit", "lb/ft", "by", "Ines")
	box := newFakeBox("take-off")
	resp, text := visit(t, box.screens().handler(), "POST", "/takeoff", row)
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 1 {
		t.Fatalf("%d, recorded %v\n%s", resp.StatusCode, box.told, text)
	}
	if to, _ := url.Parse(resp.Header.Get("Location")); to.Path != "/takeoff" || to.Query().Get("line") != "suction" || to.Query().Get("run") != "riser, roof" || to.Query().Get("length") != "12,5" {
		t.Errorf("back to %s: the run's other line should come next", to)
	}
	told := box.told[0]
	if want := `take-off row: "riser, roof",liquid,1/2 in,12.5 m,,0.063 lb/ft`; told.Kind != "mark" || told.Name != "setting" || told.Note != want || told.By != "Ines" {
		t.Fatalf("recorded %+v, want a setting with the note %s", told, want)
	}
	var e rules.Entered
	if !e.Tell(&told, "") || len(e.Rows) != 1 || e.Rows[0].LengthM != 12.5 || e.Rows[0].Name != "riser, roof" {
		t.Errorf("read back as %+v", e)
	}
	// ... and taken out again, by the button beside it.
	out := form("do", "remove")
	out["field"] = []string{"c", "suction", "7/8 in", "24 m", "", ""}
	box = newFakeBox("take-off")
	resp, _ = visit(t, box.screens().handler(), "POST", "/takeoff", out)
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 1 || box.told[0].Note != "take-off row removed: c,suction,7/8 in,24 m,," {
		t.Errorf("%d, recorded %v", resp.StatusCode, box.told)
	}
}

func TestARowThatCannotBeIsRefused(t *testing.T) {
	good := []string{"do", "add", "run", "a", "line", "liquid", "size", "1/2 in", "length", "5", "length_unit", "m", "factor_unit", "kg/m"}
	for name, c := range map[string]struct {
		scene string
		with  []string
		says  string
	}{
		"not begun":    {"hold", nil, "not under way"},
		"no name":      {"take-off", []string{"run", " "}, "Name the run"},
		"no size":      {"take-off", []string{"size", ""}, "Choose the outside diameter"},
		"no line":      {"take-off", []string{"line", "drain"}, "not a kind of line"},
		"no length":    {"take-off", []string{"length", ""}, "The row was not taken: length"},
		"below nought": {"take-off", []string{"length", "-3"}, "is no length of pipe"},
		"too long":     {"take-off", []string{"length", "1e308 m"}, "no length of pipe"},
		"thousands":    {"take-off", []string{"length", "1,250 ft"}, "1,250 ft"},
		"or metres":    {"take-off", []string{"length", "1,250"}, "1,250 m"},
		"zero":         {"take-off", []string{"length", "0"}, "no length of pipe"},
		"no such tube": {"take-off", []string{"other", "17"}, "no wall is known for copper tube of 17 mm"},
		"factor":       {"take-off", []string{"factor", "much"}, "not a mass a length"},
		"gone":         {"take-off", []string{"do", "remove", "field", "x"}, "no longer there"},
		"system":       {"take-off", []string{"system", "roof"}, "no such step"},
	} {
		box := newFakeBox(c.scene)
		resp, text := visit(t, box.screens().handler(), "POST", "/takeoff", form(append(good, c.with...)...))
		if resp.StatusCode/100 != 4 || !strings.Contains(text, c.says) || len(box.told) != 0 {
			t.Errorf("%s: %d, recorded %v, want 4xx and %q in\n%s", name, resp.StatusCode, box.told, c.says, text)
		}
	}
	// What was typed is still there.
	_, text := visit(t, newFakeBox("take-off").screens().handler(), "POST", "/takeoff", form(append(good, "length", "five", "by", "Ines")...))
	if !strings.Contains(text, `value="five"`) || !strings.Contains(text, `value="Ines"`) {
		t.Errorf("the form forgot what was typed:\n%s", text)
	}
}

func TestALiveTakeOffShowsItsSlips(t *testing.T) {
	box := newFakeBox("take-off")
	told := rules.RowMark("", []string{"e", "liquid", "1/2 in", "10 m", "", "0.063 kg/m"}, false) // lb/ft written as kg/m
	box.snap.Running[0].Entered.Tell(&told, "")
	_, text := visit(t, box.screens().handler(), "GET", "/takeoff", nil)
	for _, want := range []string{"Look at these again", "0.67 times what a metre of 12.7 mm (1/2 in)", "As long as lines are missing", "e has a liquid line and no gas line"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
}

// A step reported done is shown as that, never as passed; and an accepted
// result keeps its verdict.
func TestWhatIsAnsweredForStandsBesideTheVerdict(t *testing.T) {
	box := newFakeBox("idle")
	now := box.snap.Wall
	box.snap.Past = []Step{{Step: rules.Step{Name: "vacuum-hold", Begin: 9}, Begun: holdBegun, Ended: now,
		Verdicts: []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "vacuum-hold", Result: rules.NotProven, Cause: "gap", Text: "Vacuum hold not proven."}, Wall: now}},
		Accepted: []Said{{Step: "vacuum-hold", By: "R. Sample", Text: "held two hours by the shop's gauge", At: now.Add(-time.Minute)}}}}
	box.snap.Reported = []Said{{Step: "pressure-test", By: "Ines", Text: "piping crew, sheet 7", At: now.Add(-time.Hour)}}
	s := box.screens()
	h := s.handler()
	_, text := visit(t, h, "GET", "/steps/pressure-test", nil)
	for _, want := range []string{"reported, not proved here", "told by Ines", "piping crew, sheet 7"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if row := s.stepRow(box.snap, "", "pressure-test"); row.State != reported {
		t.Errorf("the reported step is %s", row.State)
	}
	_, text = visit(t, h, "GET", "/steps/vacuum-hold", nil)
	for _, want := range []string{"not proven", "Accepted by R. Sample", "held two hours", "The verdict above stands"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	// Settled by a person, it is not asked for again: the next step is offered.
	if next := s.next(box.snap); next == nil || next.Name != "draw-in" {
		t.Errorf("next is %+v", next)
	}
	_, note := s.outOfOrder(box.snap, "", "draw-in")
	if strings.Contains(note, "vacuum") || strings.Contains(note, "pressure") || !strings.Contains(note, "evacuation") {
		t.Errorf("before the draw-in it misses %q", note)
	}
}

func TestAPastedSheetIsRecordedWholeOrNotAtAll(t *testing.T) {
	const sheet = "run,line,outside_diameter,length,wall,factor\r\na,liquid,1/2 in,30 m,,0.1 kg/m\r\n\"b, roof\",suction,7/8 in,30 m\r\n"
	box := newFakeBox("take-off")
	resp, text := visit(t, box.screens().handler(), "POST", "/takeoff", form("do", "sheet", "sheet", sheet, "by", "Ines"))
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 2 || box.told[1].Note != `take-off row: "b, roof",suction,7/8 in,30 m,,` || box.told[1].By != "Ines" {
		t.Errorf("%d, recorded %+v\n%s", resp.StatusCode, box.told, text)
	}
	for name, c := range map[string]struct{ sheet, says string }{
		"empty":    {"", "could not be read"},
		"a column": {"a,liquid,1/2 in\n", "Line 1 of the sheet has too few"},
		"a unit":   {sheet + "c,liquid,1/2 in,30,,\n", "Line 4 of the sheet: length"},
		"a quote":  {`a,"liquid,1/2 in,30 m`, "could not be read"},
	} {
		box := newFakeBox("take-off")
		resp, text := visit(t, box.screens().handler(), "POST", "/takeoff", form("do", "sheet", "sheet", c.sheet))
		if resp.StatusCode != http.StatusUnprocessableEntity || len(box.told) != 0 || !strings.Contains(text, c.says) {
			t.Errorf("%s: %d, recorded %v, want 422 and %q in\n%s", name, resp.StatusCode, box.told, c.says, text)
		}
	}
	// A take-off that has just begun offers the rows of the one before, to be mended.
	box = newFakeBox("take-off")
	past := box.snap.Running[0]
	past.Ended, past.Begin = box.snap.Wall, 3
	box.snap.Past, box.snap.Running[0].Entered = []Step{past}, rules.Entered{}
	if _, text := visit(t, box.screens().handler(), "GET", "/takeoff", nil); !strings.Contains(text, "d,suction,1-1/8 in,15.5 m,,") {
		t.Errorf("the rows of the take-off before are not offered:\n%s", text)
	}
}

// What the file has is offered as text that reads back the same.
func TestTheFilesRowsReadBack(t *testing.T) {
	for _, run := range []rules.Run{
		{Name: "a, b", Line: "liquid", OutsideDiameterM: 0.009525, LengthM: 18.9, FactorKgM: 0.0476216},
		{Name: "c", Line: "hot-gas", OutsideDiameterM: 0.028, LengthM: 30.48, WallM: 0.0015},
	} {
		rows, problem := newFakeBox("take-off").screens().readSheet(sheetOf(rules.Entered{}, []rules.Run{run}))
		if problem != "" || len(rows) != 1 {
			t.Fatalf("%+v: %s", run, problem)
		}
		var e rules.Entered
		told := rules.RowMark("", rows[0], false)
		e.Tell(&told, "")
		if len(e.Rows) != 1 || e.Rows[0].Run != run {
			t.Errorf("%+v came back as %+v", run, e)
		}
	}
}
