package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// What has failed, or passed, is not said to have minutes left; what is not proven may still run its time.
func TestAResultLeavesNoMinutes(t *testing.T) {
	for result, left := range map[string]bool{rules.NotPassed: false, rules.Passed: false, rules.NotProven: true, "": true} {
		box := newFakeBox("hold")
		i := slices.IndexFunc(box.snap.Running, func(s Step) bool { return s.Name == "vacuum-hold" })
		if result != "" {
			box.snap.Running[i].Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "vacuum-hold", Result: result}, Wall: box.snap.Wall}}
		}
		_, text := visit(t, box.screens().handler(), "GET", "/", nil)
		_, stands, _ := strings.Cut(text, `class="think stands"`)
		stands, _, _ = strings.Cut(stands, "</p>")
		if strings.Contains(stands, "min left") != left || !left && !strings.Contains(stands, "<strong>"+result) {
			t.Errorf("with the result %q the page says %q", result, stands)
		}
	}
}

// A preheat only waits: begun last it comes after what a person works at, but not when it is what calls.
func TestAPreheatLeadsNoOtherStep(t *testing.T) {
	at := time.Date(2026, 3, 12, 2, 0, 0, 0, time.UTC)
	snap := Snapshot{Running: []Step{
		{Step: rules.Step{Name: "preheat"}, Begun: at.Add(time.Hour)},
		{Step: rules.Step{Name: "vacuum-hold"}, Begun: at},
		{Step: rules.Step{Name: "unit-count"}, Begun: at.Add(time.Minute)},
	}}
	order := func() (names []string) {
		for _, s := range slices.SortedStableFunc(slices.Values(snap.Running), snap.ahead) {
			names = append(names, s.Name)
		}
		return names
	}
	if got := order(); !slices.Equal(got, []string{"unit-count", "vacuum-hold", "preheat"}) {
		t.Errorf("in the order %v", got)
	}
	snap.Flags = []Flag{{Flag: rules.Flag{Finding: rules.Finding{Flag: "preheat-broken", Step: "preheat", Urgency: rules.Wake}}}}
	if got := order(); got[0] != "preheat" {
		t.Errorf("with its power gone, in the order %v", got)
	}
}

// What is not kept is not judged: the first page says so at once, and why, until something is kept again.
func TestNowSaysWhyNothingIsKept(t *testing.T) {
	box := newFakeBox("hold")
	since := box.snap.Wall.Add(-5 * time.Second)
	box.snap.Devices = append(box.snap.Devices, Device{Name: "journal", Sentence: "Readings are not being kept: the disk is full.", Since: since})
	for kept, want := range map[time.Time]bool{since.Add(-time.Second): true, since.Add(time.Second): false} {
		box.snap.KeptAt = kept
		if _, text := visit(t, box.screens().handler(), "GET", "/", nil); strings.Contains(text, "Readings are not being kept") != want {
			t.Errorf("kept %s after it failed: it says so, %v", kept.Sub(since), !want)
		}
	}
}

// A take-off begun anew offers the rows of the one before, by one button.
func TestATakeOffBegunAnewOffersTheRowsBefore(t *testing.T) {
	box := newFakeBox("take-off")
	i := slices.IndexFunc(box.snap.Running, func(s Step) bool { return s.Name == "take-off" })
	before := box.snap.Running[i]
	rows := len(before.Entered.Rows)
	box.snap.Running[i].Entered = rules.Entered{}
	before.Ended = box.snap.Wall
	box.snap.Past = append([]Step{before}, box.snap.Past...)
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/takeoff", nil)
	if rows < 2 || !strings.Contains(text, `id="before"`) {
		t.Fatalf("%d rows before, and no button takes them over\n%s", rows, text)
	}
	_, sheet, _ := strings.Cut(text, `name="sheet" value="`)
	sheet, _, _ = strings.Cut(sheet, `"`)
	sheet = strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&#43;", "+", "&amp;", "&").Replace(sheet)
	visit(t, h, "POST", "/takeoff", form("do", "sheet", "sheet", sheet, "by", "Ines"))
	if len(box.told) != rows {
		t.Errorf("%d rows recorded of %d", len(box.told), rows)
	}
}
