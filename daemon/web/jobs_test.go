package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"standwatch/rules"
)

// whatever the page Record posts, what the journal is told reads back as that.
func TestWhatIsSaidOfAJobIsAMark(t *testing.T) {
	for _, c := range []struct {
		path string
		form url.Values
		name string
		note string // empty: refused
	}{
		{"/record/job", url.Values{"do": {"archive"}, "system": {"tower"}, "job": {"1"}, "by": {"Ines"}, "text": {"sent, to the owner"}}, rules.MarkJobArchived, "tower: job 1: sent, to the owner, by Ines"},
		{"/record/job", url.Values{"do": {"reopen"}, "system": {"tower"}, "by": {"Ines"}, "text": {"a leak"}}, rules.MarkJobReopened, "tower: job 1: a leak, by Ines"},
		{"/record/job", url.Values{"do": {"begin"}, "system": {"tower"}, "by": {"Ines"}, "text": {"third floor"}}, rules.MarkJobBegun, "tower: third floor, by Ines"},
		{"/record/job", url.Values{"do": {"begin"}, "system": {"tower"}, "by": {"Ines"}}, "", ""},                               // no name
		{"/record/job", url.Values{"do": {"reopen"}, "system": {"tower"}, "by": {"Ines"}}, "", ""},                              // no reason
		{"/record/job", url.Values{"do": {"close"}, "system": {"tower"}, "by": {"Ines"}}, "", ""},                               // is closed
		{"/record/job", url.Values{"do": {"close"}, "system": {"south"}, "by": {"Ines"}}, "", ""},                               // a weigh-in is under way
		{"/record/job", url.Values{"do": {"reopen"}, "system": {"south"}, "job": {"1"}, "by": {"Ines"}, "text": {"x"}}, "", ""}, // another followed
		{"/record/job", url.Values{"do": {"burn"}, "system": {"tower"}}, "", ""},
		{"/record/job", url.Values{"do": {"close"}, "system": {"roof"}}, "", ""},
		{"/record/job", url.Values{"do": {"archive"}, "system": {"tower"}, "job": {"9"}}, "", ""},
		{"/record/signed", url.Values{"system": {"tower"}, "job": {"1"}, "role": {"owner"}, "name": {" A. Reis, owner "}}, rules.MarkSigned, "tower: job 1: owner, A. Reis, owner"},
		{"/record/signed", url.Values{"system": {"tower"}, "role": {"witness"}, "name": {"Ελένη"}, "strokes": {"0000zzzz-i0i0"}}, rules.MarkSigned, "tower: job 1: witness, Ελένη, drawn 0000zzzz-i0i0"},
		{"/record/signed", url.Values{"system": {"tower"}, "role": {"witness"}, "name": {"Rui"}, "strokes": {"<script>"}}, "", ""},
		{"/record/signed", url.Values{"system": {"tower"}, "role": {"witness"}, "name": {"Rui"}, "strokes": {strings.Repeat("0000", 601)}}, "", ""},
		{"/record/signed", url.Values{"system": {"tower"}, "role": {"king"}, "name": {"Rui"}}, "", ""},
		{"/record/signed", url.Values{"system": {"tower"}, "role": {"owner"}}, "", ""},
		{"/record/copied", url.Values{"system": {"tower"}, "what": {"record"}, "to": {"owner"}, "how": {"hand"}}, rules.MarkCopy, "tower: job 1: record to owner, hand"},
		{"/record/copied", url.Values{"system": {"tower"}, "what": {"bundle"}, "to": {"main contractor"}, "how": {"mail"}, "address": {"Site <site@contractor.example>"}}, rules.MarkCopy, "tower: job 1: bundle to main contractor, mail site@contractor.example"},
		{"/record/copied", url.Values{"system": {"tower"}, "what": {"bundle"}, "to": {"installer"}, "how": {"mail"}, "address": {"nowhere"}}, "", ""},
		{"/record/copied", url.Values{"system": {"tower"}, "what": {"bundle"}, "to": {"the king"}, "how": {"hand"}}, "", ""},
		{"/record/copied", url.Values{"system": {"tower"}, "what": {"bundle"}, "to": {"owner"}, "how": {"pigeon"}}, "", ""},
	} {
		box := newFakeBox("three")
		r := httptest.NewRequest(http.MethodPost, c.path, strings.NewReader(c.form.Encode()))
		r.Host = "127.0.0.1:8090"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		box.screens().handler().ServeHTTP(w, r)
		switch {
		case c.note == "":
			if w.Code != http.StatusUnprocessableEntity || len(box.told) != 0 {
				t.Errorf("%s %v: %d, told %v", c.path, c.form, w.Code, box.told)
			}
		case w.Code != http.StatusSeeOther || len(box.told) != 1:
			t.Errorf("%s %v: %d, told %v\n%s", c.path, c.form, w.Code, box.told, w.Body)
		default:
			if m := box.told[0]; m.Kind != "mark" || m.Name != c.name || m.Note != c.note || m.System != "tower" {
				t.Errorf("%s %v: told %+v", c.path, c.form, m)
			}
		}
	}
}

func TestPapersAreHandedOut(t *testing.T) {
	h := newFakeBox("three").screens().handler()
	get := func(path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Host = "127.0.0.1:8090"
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	w := get("/record/papers/pdf-a4?system=south&job=1")
	if w.Code != http.StatusOK || w.Body.String() != "pdf-a4 of south, job 1" || w.Header().Get("Content-Type") != "application/pdf" ||
		!strings.Contains(w.Header().Get("Content-Disposition"), `attachment; filename="Quayside -- south-pdf-a4"; filename*=UTF-8''Quayside%20%CE%95%CE%BB%20south-pdf-a4`) {
		t.Errorf("%d %q %v", w.Code, w.Body, w.Header())
	}
	if w := get("/record/papers/html?system=tower"); w.Header().Get("Content-Disposition") != "" || strings.Contains(w.Header().Get("Content-Security-Policy"), "script-src") {
		t.Errorf("a page to read: %v", w.Header())
	}
	for path, want := range map[string]int{"/record/papers/label-a6?system=south": http.StatusNotFound, "/record/papers/bundle?system=south": http.StatusInternalServerError,
		"/record/papers/gold?system=south": http.StatusNotFound, "/record/papers/csv?system=roof": http.StatusNotFound, "/record/papers/csv?system=south&job=x": http.StatusNotFound} {
		if w := get(path); w.Code != want {
			t.Errorf("%s: %d, want %d", path, w.Code, want)
		}
	}
}

// What a page shows of a system is of its newest job; an earlier one's stands on the page Record.
func TestAnEarlierJobProvesNothingOfTheNewest(t *testing.T) {
	box := newFakeBox("three")
	s := box.screens()
	snap := box.Now()
	if row := s.stepRow(snap, "south", "vacuum-hold"); row.State != waiting {
		t.Errorf("a hold that failed in an earlier job: %+v", row)
	}
	if row := s.stepRow(snap, "south", "evacuation"); row.State != rules.Passed {
		t.Errorf("an evacuation of this job: %+v", row)
	}
	for _, row := range s.unsettled(snap) {
		t.Errorf("what an earlier job left is not asked for: %+v", row)
	}
	first, _ := s.job(snap, url.Values{"system": {"south"}, "job": {"1"}})
	if rows := s.stepsOf(snap, first); len(rows) != 2 || rows[0].Name != "pressure-test" || rows[1].State != rules.NotPassed {
		t.Errorf("the steps of the first job: %+v", rows)
	}
	if open := s.openOf(snap, first); len(open) != 0 {
		t.Errorf("what was open of an ended job stands on its paper: %+v", open)
	}
	if next := s.next(snap); next == nil || next.System == "tower" {
		t.Errorf("a closed job has no next step: %+v", next)
	}
	if s.shutJob(snap, "tower") == "" || s.shutJob(snap, "north") != "" {
		t.Error("the tower's job is closed, and north's is open")
	}
}

var tags = regexp.MustCompile(`<[^>]*>`)

// Of three systems each is named wherever something of it is shown.
func TestThreeSystemsAreToldApart(t *testing.T) {
	h := newFakeBox("three").screens().handler()
	for page, want := range map[string][]string{
		"/":                                      {"System north", "south"}, // whose sentence comes first stands above it
		"/steps":                                 {"north", "south", "tower", "Record of job 2: riser laid anew"},
		"/ledger":                                {"north", "south", "tower"},
		"/branches":                              {"north", "south", "tower"},
		"/points":                                {"north", "south", "tower"},
		"/flags":                                 {"south", "tower"},
		"/checks":                                {"north", "south", "tower"},
		"/steps/weigh-in?system=south":           {"Weigh-in, south"},
		"/sheet?system=tower":                    {"tower"},
		"/takeoff?system=tower":                  {"tower"},
		"/typed?step=cooling-check&system=south": {"south"},
		"/confirm?do=begin&step=draw-in&system=tower":   {"tower", "is closed"},
		"/mark/note?step=weigh-in&system=south":         {"south"},
		"/mark/command?step=cooling-check&system=south": {"south"},
		"/checks/valves-shut?system=tower":              {"tower"},
		"/record":                                       {"north", "south", "tower"},
		"/record?system=south":                          {"riser laid anew", "archived", "Job 1"},
		"/record?system=tower":                          {"Ελένη", "handed over to the owner", "closed by Ines"},
		"/record/job?do=begin&system=tower":             {"tower"},
		"/trace":                                        {"north", "south", "tower"},
	} {
		r := httptest.NewRequest(http.MethodGet, page, nil)
		r.Host = "127.0.0.1:8090"
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		_, main, _ := strings.Cut(w.Body.String(), "<main")
		main = tags.ReplaceAllString(main, " ")
		for _, name := range want {
			if !strings.Contains(main, name) {
				t.Errorf("%s (%d) does not say %q", page, w.Code, name)
			}
		}
	}
}

// A mark entered on a system's page, and a flag of it taken on, are of that system alone: another's
// scale knows nothing of this one's cylinder, and another's call goes on. An instrument may serve all.
func TestAMarkIsOfItsPagesSystem(t *testing.T) {
	box := newFakeBox("three")
	up := func(system string) Flag {
		return Flag{Flag: rules.Flag{Finding: rules.Finding{Edge: rules.Raised, Flag: "vacuum-rising", Step: "vacuum-hold", System: system, Urgency: rules.Wake}}}
	}
	box.snap.Flags = append(box.snap.Flags, up("north"), up("south"))
	h := box.screens().handler()
	for _, c := range []struct{ name, step, note, value, want string }{
		{"cylinder-swapped", "weigh-in", "", "", "south"}, {"cylinder-weight", "weigh-in", "", "12,5", "south"}, {"isolated", "vacuum-hold", "", "", "south"}, {"valves-opened", "weigh-in", "", "", "south"},
		{"note", "weigh-in", "wind", "", "south"}, {"placed", "weigh-in", "gauge at the branch", "", ""}, {"calibrated", "weigh-in", "gauge checked within 5 micron", "", ""},
	} {
		box.told = nil
		visit(t, h, "POST", "/marks", form("kind", "mark", "name", c.name, "step", c.step, "system", "south", "note", c.note, "value", c.value, "unit", "kg"))
		if len(box.told) != 1 || box.told[0].System != c.want {
			t.Errorf("%s of south's page: recorded %+v; want it of %q", c.name, box.told, c.want)
		}
	}
	box.told = nil
	visit(t, h, "POST", "/marks", form("kind", "acknowledge", "flag", "vacuum-rising", "system", "south", "subject", ""))
	if len(box.told) != 1 || box.told[0].System != "south" {
		t.Errorf("south's flag taken on: recorded %+v", box.told)
	}
}

// What ended without being proved in a system that rests is on Now, whatever is under way in another.
func TestNowShowsWhatRestsUnsettled(t *testing.T) {
	box := newFakeBox("three")
	bad := box.snap.Past[0] // south's evacuation
	bad.Begin, bad.Name = 19, "draw-in"
	bad.Verdicts = []Finding{{Finding: rules.Finding{Edge: rules.Given, Flag: "draw-in", Step: "draw-in", System: "south", Begin: 19, Result: rules.NotProven, Text: "Draw-in not proven: the scale was silent."}, Wall: bad.Ended}}
	box.snap.Past = append([]Step{bad}, box.snap.Past...)
	for _, weighs := range []bool{true, false} {
		if !weighs {
			box.snap.Running = slices.DeleteFunc(box.snap.Running, func(st Step) bool { return st.System == "south" })
		}
		_, text := visit(t, box.screens().handler(), "GET", "/", nil)
		if said := strings.Contains(text, "the scale was silent"); said == weighs {
			t.Errorf("south under way %v, its draw-in told of %v\n%s", weighs, said, text)
		}
	}
	// What is accepted stands on the page where it is.
	if _, text := visit(t, box.screens().handler(), "GET", "/mark/accepted?step=draw-in&system=south", nil); !strings.Contains(text, "Draw-in not proven: the scale was silent.") {
		t.Errorf("nobody sees what he accepts:\n%s", text)
	}
}

// What is still open stands before the papers: on a phone these alone fill a screen.
func TestWhatIsOpenComesBeforeThePapers(t *testing.T) {
	r := httptest.NewRequest(http.MethodGet, "/record?system=tower", nil)
	r.Host = "127.0.0.1:8090"
	w := httptest.NewRecorder()
	newFakeBox("three").screens().handler().ServeHTTP(w, r)
	open, papers := strings.Index(w.Body.String(), `id="h-open"`), strings.Index(w.Body.String(), `id="h-papers"`)
	if open < 0 || papers < open {
		t.Errorf("%d: what is open at %d, the papers at %d", w.Code, open, papers)
	}
}
