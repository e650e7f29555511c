package web

import (
	"net/http"
	"strings"
	"testing"

	"standwatch/rules"
)

func TestTheAddressSheetIsEnteredAsMarksThatReplayReads(t *testing.T) {
	box := newFakeBox("count")
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/sheet", nil)
	for _, want := range []string{"Address <strong>2</strong> · A · above the lift", "not found yet", "look at it again", "from 0 to 3", `<option value="iu03" selected>`} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	resp, _ := visit(t, h, "POST", "/sheet", form("do", "found", "unit", "iu03", "address", "3", "model", "A", "room", "Bindery", "by", "Ines"))
	if len(box.told) != 1 || resp.StatusCode != http.StatusSeeOther || !strings.Contains(resp.Header.Get("Location"), "unit=iu05") {
		t.Fatalf("%d to %q, recorded %+v: the next one not found should come next", resp.StatusCode, resp.Header.Get("Location"), box.told)
	}
	sheet := rules.NewAddressSheet(box.snap.Site.Systems[0])
	if m := box.told[0]; m.Name != "unit-found" || m.By != "Ines" || !sheet.Tell(&m) || sheet.FoundOf(rules.KindIndoor) != 1 ||
		sheet.Rows[2].Address != "3" || sheet.Rows[2].Room != "Bindery" || sheet.Rows[2].Model != "A" {
		t.Errorf("recorded %+v, read back as %+v", m, sheet.Rows)
	}
	box.told = nil
	visit(t, h, "POST", "/sheet", form("do", "count", "indoor", "5", "branch", "1", "outdoor", ""))
	visit(t, h, "POST", "/sheet", form("do", "setting", "at", "iu02", "number", "12", "from", "0", "to", "3"))
	visit(t, h, "POST", "/sheet", form("do", "withdraw", "found", "iu03 address 3 withdrawn"))
	for _, m := range box.told {
		sheet.Tell(&m)
	}
	if len(box.told) != 4 || sheet.Counts[rules.KindIndoor] != 5 || sheet.Counts[rules.KindBranch] != 1 || len(sheet.Settings) != 1 ||
		sheet.Settings[0] != (rules.SettingChange{Unit: "iu02", Number: "12", From: "0", To: "3"}) || sheet.FoundOf(rules.KindIndoor) != 0 {
		t.Errorf("recorded %+v, read back as %+v", box.told, sheet)
	}
	for want, f := range map[string][]string{
		"Choose one of the units":      {"do", "found", "unit", "iu99"},
		"needs a name or an address":   {"do", "found", "unit", "*"},
		"Indoor: write a whole number": {"do", "count", "indoor", "five"},
		"Enter at least one number":    {"do", "count"},
		"A setting needs its unit":     {"do", "setting", "at", "iu02"},
	} {
		box.told = nil
		resp, text := visit(t, h, "POST", "/sheet", form(f...))
		if resp.StatusCode != http.StatusUnprocessableEntity || len(box.told) > 0 || !strings.Contains(text, want) {
			t.Errorf("%v: %d, recorded %+v; %q is missing", f, resp.StatusCode, box.told, want)
		}
	}
}

// What is entered while no count is under way is judged by nobody, and what was
// found before this count began may have lost its power since: both are said.
func TestTheSheetSaysWhatNoCountJudges(t *testing.T) {
	box := newFakeBox("count")
	page := func() string {
		_, text := visit(t, box.screens().handler(), "GET", "/sheet", nil)
		return text
	}
	const idle, before = "is not under way: what you enter", "found before this count began"
	if text := page(); strings.Contains(text, idle) || strings.Contains(text, before) {
		t.Errorf("amid a count the sheet shows\n%s", text)
	}
	box.change(func(s *Snapshot) {
		s.Running[0].Outlook.Units = []rules.UnitStand{{Unit: "iu01", Result: rules.Passed}, {Unit: "iu02"}, {Unit: "iu03"}, {Unit: "iu04"}}
	})
	if text := page(); strings.Count(text, before) != 2 { // iu02 and iu04; iu03 was never found
		t.Errorf("begun anew the sheet shows\n%s", text)
	}
	box.change(func(s *Snapshot) { s.Running = nil })
	if text := page(); !strings.Contains(text, idle) || strings.Contains(text, before) {
		t.Errorf("with no count under way the sheet shows\n%s", text)
	}
}

// A form that was refused stands open, with what was written in it.
func TestARefusedCountStandsOpen(t *testing.T) {
	_, text := visit(t, newFakeBox("count").screens().handler(), "POST", "/sheet", form("do", "count", "indoor", "five"))
	if !strings.Contains(text, `<details class="entry" open><summary>Enter what the outdoor unit counts`) || !strings.Contains(text, `value="five"`) {
		t.Errorf("refused:\n%s", text)
	}
}
