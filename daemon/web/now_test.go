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

// A silence has one age on a page, which is the sentence's, and its charge is one.
func TestOneSilenceHasOneAge(t *testing.T) {
	box := newFakeBox("weigh")
	for range 5 {
		box.tick("weigh")
	}
	_, text := visit(t, box.screens().handler(), "GET", "/", nil)
	flat := strings.Join(strings.Fields(tags.ReplaceAllString(strings.ReplaceAll(text, "\u00a0", " "), " ")), " ")
	if n := strings.Count(flat, "77 s ago"); n < 2 || strings.Contains(flat, "72 s ago") {
		t.Errorf("the age stands there %d times\n%s", n, flat)
	}
	if n := strings.Count(flat, "9.40 of 14.20 kg"); n < 2 || strings.Contains(flat, "9.59") { // the sentence and the flag: as it was last weighed
		t.Errorf("one charge stands there %d times\n%s", n, flat)
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

// A hold begun again after one that failed says so, until somebody accepts the one before.
func TestAStepBegunAgainShowsTheTimeBefore(t *testing.T) {
	box := newFakeBox("hold")
	i := slices.IndexFunc(box.snap.Running, func(s Step) bool { return s.Name == "vacuum-hold" })
	before := box.snap.Running[i]
	before.Begin, before.Begun, before.Ended = before.Begin-1, before.Begun.Add(-time.Hour), before.Begun.Add(-time.Minute)
	before.Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "vacuum-hold", Result: rules.NotPassed, Text: "Vacuum hold failed: 912 micron. Search the leak."}, Wall: before.Ended}}
	box.snap.Past = append([]Step{before}, box.snap.Past...)
	for _, c := range []struct {
		result   string
		accepted []Said
		says     bool
	}{{rules.NotPassed, nil, true}, {rules.NotProven, nil, true}, {rules.Passed, nil, false}, {rules.NotPassed, []Said{{By: "Rui"}}, false}} {
		box.snap.Past[0].Verdicts[0].Result, box.snap.Past[0].Accepted = c.result, c.accepted
		for _, path := range []string{"/", "/steps/vacuum-hold"} {
			_, text := visit(t, box.screens().handler(), "GET", path, nil)
			text = strings.ReplaceAll(text, "\u00a0", " ")
			if strings.Contains(text, "The time before, ") != c.says || c.says && !strings.Contains(text, "912 micron") {
				t.Errorf("%s after one that was %s and accepted by %v: it says so, %v", path, c.result, c.accepted, !c.says)
			}
		}
	}
}

// A trial run's word on a weigh-in that failed has with it who took that on.
func TestATrialRunSaysWhoAcceptedItsCharge(t *testing.T) {
	box := newFakeBox("hold")
	weighed := Step{Step: rules.Step{Name: "weigh-in", Begin: 40}, Begun: box.snap.Wall.Add(-2 * time.Hour), Ended: box.snap.Wall.Add(-time.Hour),
		Verdicts: []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "weigh-in", Result: rules.NotPassed, Text: "Weigh-in failed: 9.40 of 14.20 kg, 4.80 kg short. It still has to go in, by weight."}, Wall: box.snap.Wall.Add(-time.Hour)}}}
	box.snap.Running, box.snap.Past = []Step{{Step: rules.Step{Name: "trial-run", Begin: 50}, Begun: box.snap.Wall.Add(-time.Minute)}}, []Step{weighed}
	for _, accepted := range [][]Said{nil, {{By: "Rui", Text: "the rest tomorrow", At: box.snap.Wall.Add(-time.Minute)}}} {
		box.snap.Past[0].Accepted = accepted
		_, text := visit(t, box.screens().handler(), "GET", "/", nil)
		text = strings.ReplaceAll(text, "\u00a0", " ")
		if !strings.Contains(text, "4.80 kg short.") || strings.Contains(text, "Accepted by Rui") != (accepted != nil) {
			t.Errorf("accepted by %v, the page says\n%s", accepted, text)
		}
	}
}

// Liquid is shut in and no step is under way: what somebody is called for comes before the next
// step's button, and leads to the mark that it asks for.
func TestWhatWakesComesBeforeTheNextStep(t *testing.T) {
	box := newFakeBox("drawn-in")
	box.change(func(s *Snapshot) { s.Running = nil })
	_, text := visit(t, box.screens().handler(), "GET", "/", nil)
	power, next := strings.Index(text, `id="flag-power-too-early--indoor-power"`), strings.Index(text, "actions idle")
	if power < 0 || next < power {
		t.Errorf("what wakes at %d, the next step at %d", power, next)
	}
	if !strings.Contains(text, `href="/mark/valves-opened?step=draw-in"`) {
		t.Error("nothing leads to the mark of open service valves")
	}
}
