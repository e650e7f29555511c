package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

func form(pairs ...string) url.Values {
	f := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		f.Set(pairs[i], pairs[i+1])
	}
	return f
}

func TestMarksAreRecordedAsTheContractWritesThem(t *testing.T) {
	for name, c := range map[string]struct {
		form url.Values
		want rules.Told
		to   string
	}{
		"begin": {form("kind", "begin", "step", "draw-in", "by", "Ines", "back", "/"),
			rules.Told{Kind: "begin", Name: "draw-in", By: "Ines"}, "/?done=begin"},
		"end": {form("kind", "end", "step", "vacuum-hold", "back", "/steps/vacuum-hold"),
			rules.Told{Kind: "end", Name: "vacuum-hold"}, "/steps/vacuum-hold?done=end"},
		// 31 lb 5 oz is 14.2 kg on any cylinder label; 31.3125 lb x 0.45359237.
		"weight": {form("kind", "mark", "name", "cylinder-weight", "value", "31.3125", "unit", "lb"),
			rules.Told{Kind: "mark", Name: "cylinder-weight", Value: 14.203111, Unit: "kg"}, "/?done=mark"},
		"comma": {form("kind", "mark", "name", "cylinder-weight", "value", "12,5", "unit", "kg"),
			rules.Told{Kind: "mark", Name: "cylinder-weight", Value: 12.5, Unit: "kg"}, "/?done=mark"},
		"break without a pressure": {form("kind", "mark", "name", "nitrogen-break", "value", "", "unit", "psi"),
			rules.Told{Kind: "mark", Name: "nitrogen-break"}, "/?done=mark"},
		"count": {form("kind", "mark", "name", "counted", "value", "12", "unit", "1"),
			rules.Told{Kind: "mark", Name: "counted", Value: 12, Unit: "1"}, "/?done=mark"},
		"note": {form("kind", "mark", "name", "note", "note", "wind on\r\nthe scale\x00", "by", "Ines"),
			rules.Told{Kind: "mark", Name: "note", Note: "wind on  the scale", By: "Ines"}, "/?done=mark"},
		"accepted": {form("kind", "mark", "name", "accepted", "of", "evacuation", "note", "owner agrees", "by", "Ines"),
			rules.Told{Kind: "mark", Name: "accepted", Note: "evacuation by Ines: owner agrees", By: "Ines"}, "/?done=mark"},
		"reported": {form("kind", "mark", "name", "reported", "of", "pressure-test", "note", "by the piping crew, their sheet 7", "by", "Ines"),
			rules.Told{Kind: "mark", Name: "reported", Note: "pressure-test by Ines: by the piping crew, their sheet 7", By: "Ines"}, "/?done=mark"},
		"command": {form("kind", "command", "unit", "iu02", "what", "heat"),
			rules.Told{Kind: "command", Name: "iu02", Note: "heat"}, "/?done=mark"},
		"acknowledge": {form("kind", "acknowledge", "flag", "point-silent", "system", "", "subject", "iu01-return", "by", "Ines", "back", "/flags"),
			rules.Told{Kind: "mark", Name: "acknowledged", Note: "point-silent iu01-return", By: "Ines"}, "/flags?done=acknowledge"},
		"elsewhere": {form("kind", "mark", "name", "oil-changed", "back", "//elsewhere.example/"),
			rules.Told{Kind: "mark", Name: "oil-changed"}, "/?done=mark"},
	} {
		box := newFakeBox("hold")
		resp, text := visit(t, box.screens().handler(), "POST", "/marks", c.form)
		if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != c.to {
			t.Errorf("%s: %d to %q, want 303 to %q\n%s", name, resp.StatusCode, resp.Header.Get("Location"), c.to, text)
			continue
		}
		got := box.told[0]
		got.Limits = nil
		if got.Kind != c.want.Kind || got.Name != c.want.Name || got.Note != c.want.Note || got.By != c.want.By ||
			got.Value != c.want.Value || got.Unit != c.want.Unit || got.System != c.want.System {
			t.Errorf("%s: recorded %+v, want %+v", name, got, c.want)
		}
	}
}

func TestWhatIsWrongWithAFormIsSaidAndNothingRecorded(t *testing.T) {
	for name, c := range map[string]struct {
		form url.Values
		says string
	}{
		"no kind":          {form(), "does not know"},
		"unknown step":     {form("kind", "begin", "step", "lunch"), "no such step"},
		"unknown system":   {form("kind", "begin", "step", "draw-in", "system", "roof"), "no such step"},
		"begun twice":      {form("kind", "begin", "step", "vacuum-hold"), "already under way"},
		"ended before":     {form("kind", "end", "step", "weigh-in"), "not under way"},
		"unknown mark":     {form("kind", "mark", "name", "power-cut"), "does not know this mark"},
		"no note":          {form("kind", "mark", "name", "checked"), "Write a note"},
		"no number":        {form("kind", "mark", "name", "cylinder-weight", "value", "heavy", "unit", "kg"), "Write the value"},
		"not a number":     {form("kind", "mark", "name", "cylinder-weight", "value", "NaN", "unit", "kg"), "Write the value"},
		"wrong unit":       {form("kind", "mark", "name", "cylinder-weight", "value", "12", "unit", "psi"), "Write the value"},
		"no value":         {form("kind", "mark", "name", "counted", "value", "", "unit", "1"), "Write the value"},
		"accepted by whom": {form("kind", "mark", "name", "accepted", "of", "vacuum-hold", "note", "well"), "Write your name"},
		"reported by whom": {form("kind", "mark", "name", "reported", "of", "pressure-test", "note", "sheet 7"), "Write your name"},
		"reported how":     {form("kind", "mark", "name", "reported", "of", "pressure-test", "by", "Ines"), "Write who did the work"},
		"accepted why":     {form("kind", "mark", "name", "accepted", "of", "evacuation", "by", "Ines"), "Write the reason"},
		"accepted passed":  {form("kind", "mark", "name", "accepted", "of", "pressure-test", "note", "well", "by", "Ines"), "nothing to accept: Pressure test is passed"},
		"accepted early":   {form("kind", "mark", "name", "accepted", "of", "vacuum-hold", "note", "well", "by", "Ines"), "nothing to accept: Vacuum hold is under way"},
		"accepted what":    {form("kind", "mark", "name", "accepted", "of", "", "note", "well", "by", "Ines"), "no such step"},
		"unknown unit":     {form("kind", "command", "unit", "iu99", "what", "heat"), "indoor units"},
		"unknown command":  {form("kind", "command", "unit", "iu01", "what", "explode"), "indoor units"},
		"flag gone":        {form("kind", "acknowledge", "flag", "scale-silent", "subject", "scale"), "no longer open"},
	} {
		box := newFakeBox("hold")
		resp, text := visit(t, box.screens().handler(), "POST", "/marks", c.form)
		if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, c.says) || len(box.told) != 0 {
			t.Errorf("%s: %d, recorded %v, want 422 and %q in\n%s", name, resp.StatusCode, box.told, c.says, text)
		}
	}
}

// While the box reads what it kept before its start it does not know what is under way: a
// step is neither begun, which would begin it twice, nor said not to be.
func TestNoStepIsBegunBeforeTheBoxKnowsWhatIsUnderWay(t *testing.T) {
	for _, kind := range []string{"begin", "end"} {
		box := newFakeBox("hold")
		box.snap.Running, box.snap.Behind = nil, true
		h := box.screens().handler()
		resp, text := visit(t, h, "POST", "/marks", form("kind", kind, "step", "vacuum-hold", "system", ""))
		if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "Send it again in a moment") || len(box.told) != 0 {
			t.Errorf("%s: %d, recorded %v\n%s", kind, resp.StatusCode, box.told, text)
		}
		if _, text = visit(t, h, "GET", "/", nil); !strings.Contains(text, "still reads what it kept") {
			t.Errorf("the page Now says nothing of it:\n%s", text)
		}
	}
}

func TestAFormKeepsWhatWasTyped(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	_, text := visit(t, h, "POST", "/marks", form("kind", "mark", "name", "cylinder-weight", "value", "12 or so", "unit", "lb", "note", `number "7" <b>`, "by", "Ines"))
	for _, want := range []string{`value="12 or so"`, `<option value="lb" selected>`, `number &#34;7&#34; &lt;b&gt;`, `value="Ines"`} {
		if !strings.Contains(text, want) {
			t.Errorf("%s is missing in\n%s", want, text)
		}
	}
}

func TestTooLongAFormIsRefused(t *testing.T) {
	box := newFakeBox("hold")
	resp, _ := visit(t, box.screens().handler(), "POST", "/marks", form("kind", "mark", "name", "note", "note", strings.Repeat("x", mostBody)))
	if resp.StatusCode != http.StatusBadRequest || len(box.told) != 0 {
		t.Errorf("%d, recorded %v", resp.StatusCode, box.told)
	}
}

func TestABoxThatCannotRecordSaysSo(t *testing.T) {
	box := newFakeBox("hold")
	box.tellErr = errors.New("disk full")
	resp, text := visit(t, box.screens().handler(), "POST", "/marks", form("kind", "mark", "name", "oil-changed"))
	if resp.StatusCode != http.StatusServiceUnavailable || !strings.Contains(text, "Nothing was recorded") {
		t.Errorf("%d\n%s", resp.StatusCode, text)
	}
}

func TestALinkAcknowledgesByItsButtonOnly(t *testing.T) {
	box := newFakeBox("weigh")
	h := box.screens().handler()
	const link = "/flags/ack?id=7&until=90&key=secret"
	resp, text := visit(t, h, "GET", link, nil)
	if resp.StatusCode != 200 || !strings.Contains(text, "Scale silent for 60 s") || !strings.Contains(text, "Do not go up alone") || len(box.told) != 0 {
		t.Fatalf("%d, recorded %v\n%s", resp.StatusCode, box.told, text)
	}
	// Its key stays on this box's own pages, and no copy is kept.
	if resp.Header.Get("Referrer-Policy") != "same-origin" || resp.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("headers %v", resp.Header)
	}
	for _, f := range []url.Values{form("id", "7", "until", "90", "key", "guess"), form("id", "7", "until", "90"), form("id", "x", "until", "90", "key", "secret"),
		form("id", "8", "until", "90", "key", "secret"), form("id", "7", "until", "99999", "key", "secret"), form("id", "7", "key", "secret")} {
		if resp, _ := visit(t, h, "POST", "/flags/ack", f); resp.StatusCode != http.StatusForbidden || len(box.told) != 0 {
			t.Errorf("%v: %d, recorded %v", f, resp.StatusCode, box.told)
		}
	}
	// The page is opened from a mail: the browser sends no word of its origin.
	for range 2 { // and it is used once
		resp, text = visit(t, h, "POST", "/flags/ack", form("id", "7", "until", "90", "key", "secret", "by", "Ines"))
		if resp.StatusCode != http.StatusOK || len(box.told) != 1 || !strings.Contains(text, "Acknowledged by Ines") {
			t.Fatalf("%d, recorded %v\n%s", resp.StatusCode, box.told, text)
		}
	}
	if got := box.told[0]; got.Name != "acknowledged" || got.Note != "scale-silent scale" || got.By != "Ines" {
		t.Errorf("recorded %+v", got)
	}
	if _, text = visit(t, h, "GET", link, nil); !strings.Contains(text, "Acknowledged by Ines") || strings.Contains(text, "<button class=\"main\"") {
		t.Errorf("a used link shows\n%s", text)
	}
}

func TestALinkSaysWhatBecameOfItsFlag(t *testing.T) {
	box := newFakeBox("weigh")
	links := &fakeLinks{box: box}
	h := box.screens(WithLinks(links)).handler()
	for state, want := range map[string]string{"over": "This is over", "newer": "raised again since", "expired": "older than 24 hours"} {
		links.state = state
		for _, method := range []string{"GET", "POST"} {
			target, f := "/flags/ack?id=7&until=90&key=secret", url.Values(nil)
			if method == "POST" {
				target, f = "/flags/ack", form("id", "7", "until", "90", "key", "secret")
			}
			if resp, text := visit(t, h, method, target, f); resp.StatusCode != 200 || !strings.Contains(text, want) || strings.Contains(text, `<button class="main"`) {
				t.Errorf("%s, %s: %d\n%s", state, method, resp.StatusCode, text)
			}
		}
	}
	if len(box.told) != 0 {
		t.Errorf("recorded %v", box.told)
	}
}

// Who guesses is put off; who holds a link is not.
func TestGuessedLinks(t *testing.T) {
	box := newFakeBox("weigh")
	h := box.screens().handler()
	put := 0
	for i := range 100 {
		resp, _ := visit(t, h, "GET", fmt.Sprintf("/flags/ack?id=7&until=90&key=guess%d", i), nil)
		if resp.StatusCode == http.StatusTooManyRequests {
			put++
		}
	}
	if put != 70 {
		t.Errorf("%d of 100 were put off", put)
	}
	if resp, _ := visit(t, h, "POST", "/flags/ack", form("id", "7", "until", "90", "key", "secret")); resp.StatusCode != 200 || len(box.told) != 1 {
		t.Errorf("%d, recorded %v", resp.StatusCode, box.told)
	}
}

func TestNothingIsRecordedByLooking(t *testing.T) {
	box := newFakeBox("hold")
	h := box.screens().handler()
	for _, target := range []string{"/marks?kind=end&step=vacuum-hold", "/confirm?do=end&step=vacuum-hold", "/mark/oil-changed?kind=mark&name=oil-changed",
		"/flags/ack?id=7&until=90&key=secret", "/units?units=us"} {
		for _, method := range []string{"GET", "HEAD"} {
			resp, _ := visit(t, h, method, target, nil)
			if len(box.told) != 0 || resp.Header.Get("Set-Cookie") != "" {
				t.Errorf("%s %s changed something: %v", method, target, box.told)
			}
		}
	}
}

func TestBeginningOutOfOrderWarnsOnceAndRecordsIt(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	_, text := visit(t, h, "GET", "/confirm?do=begin&step=draw-in", nil)
	for _, want := range []string{"not passed: vacuum hold.", `name="note" value="begun before: vacuum hold"`, "Gloves and goggles", "This will be recorded"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	for step, want := range map[string]bool{"draw-in": true, "weigh-in": true, "preheat": false} {
		if _, text := visit(t, h, "GET", "/confirm?do=begin&step="+step, nil); strings.Contains(text, "the hold is judged no more, and stays not proven") != want {
			t.Errorf("beginning %s while a hold has no verdict: it is said that it is judged no more: %v", step, !want)
		}
	}
	held := newFakeBox("hold")
	at := slices.IndexFunc(held.snap.Running, func(st Step) bool { return st.Name == "vacuum-hold" })
	held.snap.Running[at].Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Flag: "vacuum-hold", Step: "vacuum-hold", Result: rules.Passed, Cause: "none"}}}
	if _, text := visit(t, held.screens().handler(), "GET", "/confirm?do=begin&step=draw-in", nil); !strings.Contains(text, "Its verdict so far stands: passed.") {
		t.Errorf("beginning a draw-in beside a hold that has passed:\n%s", text)
	}
	if _, text := visit(t, newFakeBox("weigh").screens().handler(), "GET", "/confirm?do=begin&step=draw-in", nil); strings.Contains(text, "judged no more") {
		t.Error("it is said without a hold")
	}
	_, text = visit(t, h, "GET", "/confirm?do=end&step=vacuum-hold", nil)
	if !strings.Contains(text, "recorded as not proven") {
		t.Errorf("ending early is not warned of:\n%s", text)
	}
}

func TestUnitsAreKeptByTheBrowser(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	resp, _ := visit(t, h, "POST", "/units", form("units", "si", "back", "/points"))
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/points" {
		t.Fatalf("%d to %q", resp.StatusCode, resp.Header.Get("Location"))
	}
	cookie := resp.Cookies()[0]
	if !cookie.HttpOnly || cookie.SameSite != http.SameSiteStrictMode {
		t.Errorf("the cookie is open to others: %v", cookie)
	}
	_, text := visit(t, h, "GET", "/", nil, func(r *http.Request) { r.AddCookie(cookie) })
	if !strings.Contains(text, `<span class="unit">Pa</span>`) || !strings.Contains(text, `micron</span>`) {
		t.Errorf("not in Pa with micron beside:\n%s", text)
	}
	if resp, _ := visit(t, h, "POST", "/units", form("units", "furlongs")); resp.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("furlongs: %d", resp.StatusCode)
	}
}

func TestASiteWithTwoSystemsNamesThem(t *testing.T) {
	box := newFakeBox("idle")
	box.snap.Site.Systems = []rules.System{{Name: "north"}, {Name: "south"}}
	h := box.screens().handler()
	for _, page := range []string{"/", "/steps", "/steps/evacuation?system=south", "/confirm?do=begin&step=evacuation&system=south"} {
		if resp, text := visit(t, h, "GET", page, nil); resp.StatusCode != 200 || !strings.Contains(text, "south") && page != "/" {
			t.Errorf("%s: %d\n%s", page, resp.StatusCode, text)
		}
	}
	if resp, _ := visit(t, h, "GET", "/steps/evacuation", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a step of no system: %d", resp.StatusCode)
	}
	if resp, _ := visit(t, h, "POST", "/marks", form("kind", "begin", "step", "evacuation")); resp.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("begun on no system: %d", resp.StatusCode)
	}
	resp, text := visit(t, h, "POST", "/marks", form("kind", "begin", "step", "evacuation", "system", "south", "back", "/steps/evacuation?system=south"))
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 1 || box.told[0].System != "south" {
		t.Fatalf("%d, recorded %v\n%s", resp.StatusCode, box.told, text)
	}
	if to := resp.Header.Get("Location"); to != "/steps/evacuation?done=begin&system=south" {
		t.Errorf("back to %q", to)
	}
}

// Whatever a form says of where to go back to, the browser stays on the box.
func FuzzBackStaysHere(f *testing.F) {
	for _, s := range []string{"/", "/flags?done=x", "//evil.example", `/\evil.example`, "http://evil.example/", "javascript:alert(1)", "/%2f/evil", "", "/\t/evil.example", "/a:b"} {
		f.Add(s)
	}
	here, err := url.Parse("http://127.0.0.1:8090/marks")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string) {
		there, err := here.Parse(back(s))
		if err != nil || there.Host != here.Host || there.Scheme != here.Scheme {
			t.Errorf("back to %q leads to %v, %v", s, there, err)
		}
	})
}

// The end of some steps gives their verdict: the page that asks must not say
// that there will be none.
func TestEndingAStepSaysWhatVerdictItGives(t *testing.T) {
	for step, want := range map[string]string{
		"weigh-in": "Its end gives the verdict", "draw-in": "Its end gives the verdict",
		"vacuum-hold": "recorded as not proven", "cooling-check": "no verdict when the step ends",
		"pressure-test": "recorded as not proven", "hand-over": "it stays without one",
	} {
		s := newFakeBox("hold").screens()
		got := s.sofar(Step{Step: rules.Step{Name: step}})
		if !strings.Contains(got, want) || step != "hand-over" && strings.Contains(got, "without one") {
			t.Errorf("%s: %q, want %q", step, got, want)
		}
		failed := []Finding{{Finding: rules.Finding{Edge: rules.Given, Unit: "iu01", Result: rules.NotPassed}}}
		got = s.sofar(Step{Step: rules.Step{Name: step}, Verdicts: failed})
		if !strings.Contains(got, "if it ends now: failed") || (step == "cooling-check") != strings.Contains(got, want) {
			t.Errorf("%s with a failed verdict: %q", step, got)
		}
	}
}

// A form offers first the unit in which a person reads.
func TestFormsOfferTheUnitsAPersonReads(t *testing.T) {
	h := newFakeBox("take-off").screens().handler()
	for choice, want := range map[string]map[string]string{
		"us": {"/mark/nitrogen-break?step=evacuation": "psi", "/mark/cylinder-weight?step=weigh-in": "lb", "/mark/typed?step=cooling-check": "F", "/takeoff": "ft"},
		"si": {"/mark/nitrogen-break?step=evacuation": "kPa", "/mark/cylinder-weight?step=weigh-in": "kg", "/mark/typed?step=cooling-check": "C", "/takeoff": "m"},
		"":   {"/mark/nitrogen-break?step=evacuation": "psi", "/mark/cylinder-weight?step=weigh-in": "kg", "/mark/typed?step=cooling-check": "C", "/takeoff": "m"},
	} {
		for page, unit := range want {
			_, text := visit(t, h, "GET", page, nil, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "units", Value: choice}) })
			if !strings.Contains(text, `<option value="`+unit+`" selected>`) {
				t.Errorf("%q at %s: %s does not stand first", choice, page, unit)
			}
		}
	}
}

// The verdict that an end gives is a moment behind the page that follows the
// button: until then nobody is asked to accept a step without one.
func TestAStepThatHasJustEndedIsBeingJudged(t *testing.T) {
	box := newFakeBox("idle")
	for ago, want := range map[time.Duration]string{time.Second: "being judged", 10 * time.Second: "no verdict"} {
		box.snap.Running = nil
		box.snap.Past = []Step{{Step: rules.Step{Name: "mixed-run", Begin: 9}, Begun: holdBegun, Ended: box.snap.Wall.Add(-ago)}}
		_, text := visit(t, box.screens().handler(), "GET", "/steps/mixed-run", nil)
		if !strings.Contains(text, "<strong>"+want+"</strong>") || strings.Contains(text, "act-accept") != (want == "no verdict") {
			t.Errorf("%s after its end:\n%s", ago, text)
		}
	}
}
