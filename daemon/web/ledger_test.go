package web

import (
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// The curve of a charge is of the mass that went in: it does not jump where a
// cylinder is swapped, has no line where no scale saw anything, and its bounds
// grow with what nobody weighed.
func TestChargeIsDrawnAsMassThatWentIn(t *testing.T) {
	box := newFakeBox("weigh")
	box.heardAgain()
	s := box.screens()
	st, _ := box.snap.running("", "weigh-in")
	ch, err := s.stepChart(t.Context(), box.snap, asMeasured, st, mostSamples)
	if err != nil {
		t.Fatal(err)
	}
	at := func(min float64) int64 { return weighBegun.Add(time.Duration(min * float64(time.Minute))).UnixMilli() }
	for i, y := range ch.Y {
		if y == nil {
			continue
		}
		m := float64(ch.Times[i]-at(0)) / 60_000
		want := 3.19 + 0.16*m
		if m > 20 {
			want = 3.19 + 3.2 + 0.16*(m-22)
		}
		if math.Abs(*y-want) > 0.001 || m > 20.05 && m < 21.95 || m > 40.85 {
			t.Fatalf("after %.2f min: %.3f kg, want %.3f", m, *y, want)
		}
	}
	if n := len(ch.runs()); n != 2 {
		t.Errorf("%d unbroken lines, want one a cylinder", n)
	}
	if l := ch.Limit; l == nil || l.At != 14.2 || l.Side != "above" || l.Label != "target 14.20 kg (31 lb 5 oz)" {
		t.Errorf("the target's line: %+v", ch.Limit)
	}
	last := ch.Trend[len(ch.Trend)-1]
	if last.Ms != box.snap.Wall.UnixMilli() || math.Abs(last.Best-9.59) > 1e-9 || math.Abs(last.Low-9.365) > 1e-9 || math.Abs(last.High-9.695) > 1e-9 {
		t.Errorf("now between %g and %g, best %g", last.Low, last.High, last.Best)
	}
	arrival := TrendPoint{box.snap.Wall.Add(30 * time.Minute).UnixMilli(), 13.6, 14.2, 14.8}
	st.Trend = []TrendPoint{arrival}
	if all := carried(st, nil); all[len(all)-1] != arrival {
		t.Errorf("arrival: %+v", all[len(all)-1])
	}
	if st.Ended = box.snap.Wall; carried(st, nil)[len(carried(st, nil))-1] == arrival {
		t.Error("a charge that is over is still projected")
	}
}

// The ledger is a table with a row a stretch, its sum, and what remains.
func TestLedgerIsATable(t *testing.T) {
	box := newFakeBox("weigh")
	box.heardAgain()
	h := box.screens().handler()
	for _, page := range []string{"/", "/steps/weigh-in"} {
		_, text := visit(t, h, "GET", page, nil)
		for _, want := range []string{"What went in", "Steps before", "Cylinder 1", "10.00 to 6.80\u00a0kg", "02:43 to 03:03", "cylinder off or swapped", "Cylinder 2",
			"no scale saw it flow", "0.00 to 0.24 kg", "<strong>9.59 kg</strong>", "9.37 to 9.70 kg", "of it 0.19 kg that no scale saw flow, 0.00 to 0.26 kg", "4.61 kg (10\u00a0lb\u00a03\u00a0oz)"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q is missing in\n%s", page, want, text)
			}
		}
	}
	st := box.snap.Running[0]
	st.Ledger[0].BestKg = 8.5
	if l := box.screens().ledger(box.snap, choiceUS, st); l.Target[1].Title != "Over the target" || l.Target[1].Text != "1 lb 9 oz (0.70 kg)" {
		t.Errorf("%+v", l.Target)
	}
	// What the weights before and after leave no doubt of counts as weighed, as the judge counts it.
	st.Ledger[2].BestKg, st.Ledger[2].LowKg, st.Ledger[2].HighKg = 0.5, 0.5, 0.5
	if l := box.screens().ledger(box.snap, asMeasured, st); l.Rows[2].Unseen != "not watched: by the weights before and after" || l.Unseen != "of it 0.19 kg that no scale saw flow, 0.00 to 0.24 kg" {
		t.Errorf("%q, %q", l.Rows[2].Unseen, l.Unseen)
	}
	// What was judged at the end is told where it is not the rows' sum, and what remains is of it.
	over := st
	over.Ended, over.Ledger = box.snap.Wall, slices.Clone(st.Ledger)
	over.Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Flag: "weigh-in", Values: []rules.Value{{Key: "charged_kg", Number: 14.3}}}}}
	if l := box.screens().ledger(box.snap, asMeasured, over); len(l.Target) != 3 || l.Target[0].Title != "As judged" || !strings.HasPrefix(l.Target[0].Text, "14.30 kg") || !strings.HasPrefix(l.Target[2].Text, "0.10 kg") {
		t.Errorf("%+v", l.Target)
	}
	// A night has two days.
	st.Ledger[1].Begun = midnight.Add(-time.Hour)
	if l := box.screens().ledger(box.snap, asMeasured, st); l.Rows[1].When != "11 Mar 23:00 to 12 Mar 03:03" {
		t.Errorf("%q", l.Rows[1].When)
	}
	st.Limits = nil
	if l := box.screens().ledger(box.snap, asMeasured, st); l.Target != nil {
		t.Errorf("without a target: %+v", l.Target)
	}
}

// What is behind a verdict: over the target is not "remaining" less than nothing,
// and a span from one day to the next names both.
func TestWhatIsBehindAVerdictOfANight(t *testing.T) {
	box := newFakeBox("weigh")
	st := box.snap.Running[0]
	st.Begun = midnight.Add(-time.Hour)
	v := box.screens().verdict(box.snap, asMeasured, st, Finding{Wall: midnight.Add(time.Hour), Finding: rules.Finding{Edge: rules.Given, Flag: "weigh-in", Result: rules.NotPassed,
		Values: []rules.Value{{Key: "remaining_kg", Number: -0.43}}}})
	if len(v.Values) != 1 || v.Values[0].Title != "Over the target" || v.Values[0].Text != "0.43 kg (15 oz)" {
		t.Errorf("%+v", v.Values)
	}
	if len(v.Basis) == 0 || v.Basis[0].Text != "11 Mar 23:00 to 12 Mar 01:00, 2 h" {
		t.Errorf("%+v", v.Basis)
	}
}

// An open flag that was raised again says when its words are of, and when it was first raised.
func TestAFlagRaisedAgainHasTheTimeOfItsWords(t *testing.T) {
	box := newFakeBox("weigh")
	f := box.snap.Flags[0]
	f.Raised, f.Newest = box.snap.Wall.Add(-50*time.Minute), box.snap.Wall.Add(-3*time.Minute)
	fv := box.screens().flagView(box.snap, view{}, f.Finding, f.Raised, &f)
	if fv.When.Ago != "3 min ago" || fv.First != "first raised 02:35" {
		t.Errorf("%+v, %q", fv.When, fv.First)
	}
	f.Newest = f.Raised
	if fv := box.screens().flagView(box.snap, view{}, f.Finding, f.Raised, &f); fv.When.Ago != "50 min ago" || fv.First != "" {
		t.Errorf("%+v, %q", fv.When, fv.First)
	}
}

// Whatever a figure is called, by a judge of ours or by a box that tells a board
// of its findings, the page is made; and where one cannot be made it says so.
func TestAPageIsMadeWhateverAFigureIsCalled(t *testing.T) {
	box := newFakeBox("hold")
	box.snap.Flags[0].Values = []rules.Value{{Key: "sure_ratio", Number: 0.99}, {Key: "_pa", Number: 1}, {Key: "", Number: 2}, {Key: "µ_k", Number: 3}}
	h := box.screens().handler()
	if _, text := visit(t, h, "GET", "/", nil); !strings.Contains(text, "<dt>How sure</dt><dd>99 %</dd>") {
		t.Errorf("the figure is missing in\n%s", text)
	}
	s := box.screens()
	w := httptest.NewRecorder()
	s.guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("odd") })).ServeHTTP(w, httptest.NewRequest("GET", "http://127.0.0.1:8090/", nil))
	if w.Code != http.StatusInternalServerError || !strings.Contains(w.Body.String(), "The box goes on measuring") {
		t.Errorf("%d, %q", w.Code, w.Body)
	}
}
