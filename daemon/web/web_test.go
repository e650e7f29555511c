package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// visit asks a handler as a browser on this machine would.
func visit(t *testing.T, h http.Handler, method, target string, form url.Values, change ...func(*http.Request)) (*http.Response, string) {
	t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r := httptest.NewRequest(method, "http://127.0.0.1:8090"+target, body)
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(text)
}

func TestEveryPageAnswersInEveryScene(t *testing.T) {
	for _, scene := range []string{"hold", "weigh", "idle", "empty", "old"} {
		h := newFakeBox(scene).screens().handler()
		for _, page := range []string{"/", "/points", "/steps", "/flags", "/box", "/ledger", "/branches", "/more"} {
			resp, text := visit(t, h, "GET", page, nil)
			if resp.StatusCode != 200 || !strings.Contains(text, "</html>") {
				t.Errorf("%s %s: %d\n%s", scene, page, resp.StatusCode, text)
			}
		}
	}
}

// On a phone what the running step is told about stands before its curve.
func TestWhatToSeeToStandsBeforeTheCurve(t *testing.T) {
	box := newFakeBox("hold")
	told := rules.Finding{Edge: rules.Raised, Flag: "vacuum-rising", Step: "vacuum-hold", Begin: 9, Urgency: rules.Tell, Text: "It will pass."}
	box.snap.Flags = append(box.snap.Flags, Flag{Flag: rules.Flag{Finding: told}, Raised: box.snap.Wall})
	_, text := visit(t, box.screens().handler(), "GET", "/", nil)
	card, curve, other := strings.Index(text, `id="flag-vacuum-rising`), strings.Index(text, `class="curve"`), strings.Index(text, `id="flag-point-silent`)
	if card < 0 || curve < 0 || other < 0 || card > curve || other < curve {
		t.Errorf("the step's flag at %d, the curve at %d, another's flag at %d", card, curve, other)
	}
	second := box.snap.Flags[len(box.snap.Flags)-1]
	second.Flag.Flag = "freezing-risk"
	box.snap.Flags = append(box.snap.Flags, second)
	_, text = visit(t, box.screens().handler(), "GET", "/", nil)
	if first, next := strings.Index(text, `id="flag-vacuum-rising`), strings.Index(text, `id="flag-freezing-risk`); first > strings.Index(text, `class="curve"`) || next < strings.Index(text, `class="curve"`) {
		t.Error("of two flags to tell not the first one alone stands before the curve")
	}
	box.snap.Flags = box.snap.Flags[:len(box.snap.Flags)-1]
	box.snap.Flags[len(box.snap.Flags)-1].Acknowledged = true
	_, text = visit(t, box.screens().handler(), "GET", "/", nil)
	if strings.Index(text, `id="flag-vacuum-rising`) < strings.Index(text, `class="curve"`) {
		t.Error("an acknowledged flag stands before the curve")
	}
}

// Who waits to be woken sees on Now that the way to the phone is broken.
func TestNowSaysWhichWaysDoNotWork(t *testing.T) {
	box := newFakeBox("hold") // a bus of its two devices and the store do not work
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); !strings.Contains(text, "Not working: 2 of 4 ways in and out of the box.") {
		t.Error("Now says nothing of the ways that do not work")
	}
	for i := range box.snap.Devices {
		box.snap.Devices[i].OK = true
	}
	box.snap.Outward[0].OK, box.snap.Outward[0].Quarantined = true, 0
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); strings.Contains(text, "Not working") {
		t.Error("Now complains while all works")
	}
	box.snap.Outward[0].Quarantined = 1
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); !strings.Contains(text, "Not working: 1 of 4") {
		t.Error("what a store refused for good is no trouble on Now")
	}
}

func TestAfterTheNightNowSaysWhatIsNotSettled(t *testing.T) {
	box := newFakeBox("idle")
	box.snap.Past = nil
	for i, name := range usualOrder[2:] {
		verdict := Finding{Finding: rules.Finding{Edge: rules.Given, Flag: name, Step: name, Result: rules.Passed}}
		if name == "cooling-check" {
			verdict.Result = rules.NotPassed
		}
		box.snap.Past = append([]Step{{Step: rules.Step{Name: name, Begin: uint64(i + 1)}, Begun: midnight, Ended: midnight, Verdicts: []Finding{verdict}}}, box.snap.Past...)
	}
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/", nil)
	for _, want := range []string{"No step is under way, and the cooling check is not settled: failed.", "Never begun: take-off, pressure test.", "begin the step anew, or accept the result"} {
		if !strings.Contains(text, want) || strings.Contains(text, "Every step") {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	box.snap.Past = box.snap.Past[1:] // hand-over waits: it is next, and not among what was left out
	if _, text = visit(t, h, "GET", "/", nil); strings.Contains(text, "hand-over.</a>") || !strings.Contains(text, "is not settled: failed") || !strings.Contains(text, "Next in the usual order: hand-over") {
		t.Errorf("with a next step:\n%s", text)
	}
	box.snap.Past[2].Verdicts[0].Result = rules.NotProven
	if _, text = visit(t, h, "GET", "/", nil); !strings.Contains(text, "and 2 are not settled.") {
		t.Errorf("two of them:\n%s", text)
	}
	for i := range box.snap.Past { // a person answers for them
		box.snap.Past[i].Accepted = []Said{{System: "", Step: box.snap.Past[i].Name, By: "Ines", Text: "known", At: midnight}}
	}
	if _, text = visit(t, h, "GET", "/", nil); strings.Contains(text, "not settled") {
		t.Errorf("what was accepted is not settled:\n%s", text)
	}
}

// A first visit is told what to do, and no longer than it needs it.
func TestNowSaysWhatToBeginWith(t *testing.T) {
	box := newFakeBox("empty")
	_, text := visit(t, box.screens().handler(), "GET", "/", nil)
	for _, want := range []string{"It opens and closes nothing. To begin with:", `href="/points"`, "No points are set up.", `href="/takeoff"`, "/mark/reported", "Who is told at night?"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	box.snap.Running = newFakeBox("hold").snap.Running
	if _, text = visit(t, box.screens().handler(), "GET", "/", nil); strings.Contains(text, "To begin with:") {
		t.Error("it goes on after a step was begun")
	}
}

// Where a step has a verdict a unit, its row counts them and says the worst.
func TestAStepsRowSaysTheWorstOfItsUnits(t *testing.T) {
	s := newFakeBox("idle").screens()
	st := Step{Begun: midnight, Ended: midnight}
	for unit, result := range []string{rules.Passed, rules.NotProven, rules.NotPassed, rules.Passed} {
		name := string(rune('a' + unit))
		st.Verdicts = append(st.Verdicts, Finding{Finding: rules.Finding{Edge: rules.Given, Unit: name, Result: result, Text: name + " " + result + "."}})
	}
	if got := s.rowOf(s.box.Now(), st).Text; got != "1 failed, 1 not proven, 2 passed. c failed." {
		t.Errorf("%q", got)
	}
	st.Verdicts = st.Verdicts[:1]
	if got := s.rowOf(s.box.Now(), st).Text; got != "a passed." {
		t.Errorf("of one unit: %q", got)
	}
}

// Twelve commands of one tap are one event; a command by itself is one of its own.
func TestTheCommandsOfOneTapAreOneEvent(t *testing.T) {
	box := newFakeBox("rooms")
	st, wall := box.snap.Running[0], box.snap.Wall.Add(-time.Minute)
	told := func(unit, what string, at time.Time) {
		box.snap.Marks = append([]Mark{{Told: rules.Told{Kind: "command", Name: unit, Note: what}, Wall: at}}, box.snap.Marks...)
	}
	for _, u := range box.snap.Site.Systems[0].Units[:12] {
		told(u.Name, "cool", wall)
	}
	told("iu13", "heat", wall)
	told("iu14", "cool", wall.Add(30*time.Second))
	es, _ := box.screens().events(t.Context(), box.snap, asMeasured, st, 0, 1<<60)
	var said []string
	for _, e := range es {
		if e.Kind == "mark" {
			said = append(said, e.Text)
		}
	}
	if got := strings.Join(said, "; "); got != "iu13 asked to: heat; 12 units asked to: cool; iu14 asked to: cool" && got != "12 units asked to: cool; iu13 asked to: heat; iu14 asked to: cool" {
		t.Errorf("%q", got)
	}
}

// The demo's clock stands still once its night is over, and the page says why.
func TestAnEndedDemoSaysSo(t *testing.T) {
	box := newFakeBox("idle")
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); strings.Contains(text, "night is over") {
		t.Error("a night under way is called over")
	}
	box.snap.Over = true
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); !strings.Contains(text, "Its night is over, and its clock stands still at 03:25:20.") {
		t.Error("nothing says why the clock stands still")
	}
}

func TestWhatFailedStandsFirstOnAStepsPage(t *testing.T) {
	s := newFakeBox("idle").screens()
	var fs []Finding
	for unit, result := range []string{rules.Passed, rules.NotProven, rules.NotPassed, rules.Passed} {
		fs = append(fs, Finding{Finding: rules.Finding{Edge: rules.Given, Unit: string(rune('a' + unit)), Result: result}})
	}
	order := ""
	for _, v := range s.verdicts(s.box.Now(), asMeasured, Step{Verdicts: fs}) {
		order += v.Unit
	}
	if order != "cbad" {
		t.Errorf("units in the order %s, want cbad", order)
	}
}

// Where what is in the pipes burns, each step at which it is there says so first.
func TestCautionsGoByTheRefrigerant(t *testing.T) {
	for refrigerant, burns := range map[string]bool{"R-410A": false, "R-407C": false, "R-134a": false, "R-32": true, "R-454B": true} {
		box := newFakeBox("idle")
		box.snap.Site.Systems[0].Refrigerant = refrigerant
		h := box.screens().handler()
		for _, step := range usualOrder {
			for _, page := range []string{"/steps/" + step, "/confirm?do=begin&step=" + step} {
				_, text := visit(t, h, "GET", page, nil)
				wants := burns && step != "take-off" && step != "vacuum-hold"
				if got := strings.Contains(text, refrigerant+" is flammable (class A2L)"); got != wants {
					t.Errorf("%s at %s: says that it burns: %v", refrigerant, page, got)
				}
				if !strings.Contains(text, "licensed technician come before anything here") {
					t.Errorf("%s does not say who comes first", page)
				}
			}
		}
	}
}
