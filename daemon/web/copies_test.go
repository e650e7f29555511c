package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"standwatch/rules"
)

// askedOf posts a form to a page of three systems.
func askedOf(box *fakeBox, c *fakeCopies, path string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Host = "127.0.0.1:8090"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	box.screens(WithCopies(c)).handler().ServeHTTP(w, r)
	return w
}

// A download for somebody is the paper, and a mark with its sum; a GET is no copy.
func TestADownloadForSomebodyIsACopy(t *testing.T) {
	box := newFakeBox("three")
	form := url.Values{"system": {"tower"}, "job": {"1"}, "what": {"record"}, "to": {"owner"}, "by": {"Ines"}}
	w := askedOf(box, newFakeCopies(), "/record/download", form)
	body := "pdf-a4 of tower, job 1"
	if w.Code != http.StatusOK || w.Body.String() != body || !strings.HasPrefix(w.Header().Get("Content-Disposition"), "attachment; ") || w.Header().Get("Content-Length") != "22" {
		t.Fatalf("%d %q %v", w.Code, w.Body, w.Header())
	}
	sum := sha256.Sum256([]byte(body))
	want := rules.Told{Kind: "mark", Name: rules.MarkCopy, System: "tower", By: "Ines",
		Note: "tower: job 1: record to owner, download, of entry 12, sha256 " + hex.EncodeToString(sum[:])}
	if len(box.told) != 1 || box.told[0].Note != want.Note || box.told[0].By != "Ines" || box.told[0].Name != want.Name || box.told[0].System != "tower" {
		t.Errorf("told %+v, want %+v", box.told, want)
	}
	for name, change := range map[string]url.Values{"to nobody": {"to": {""}}, "to the king": {"to": {"the king"}}, "of nothing": {"what": {"gold"}},
		"that fails": {"what": {"bundle"}}, "that there is none of": {"what": {"label"}}, "of no job": {"job": {"7"}}} {
		box := newFakeBox("three")
		f := url.Values{}
		for k, v := range form {
			f[k] = v
		}
		for k, v := range change {
			f[k] = v
		}
		if w := askedOf(box, newFakeCopies(), "/record/download", f); w.Code < 400 || len(box.told) != 0 {
			t.Errorf("one %s: %d, told %+v", name, w.Code, box.told)
		}
	}
	r := httptest.NewRequest(http.MethodGet, "/record/papers/pdf-a4?system=tower", nil)
	r.Host = "127.0.0.1:8090"
	box = newFakeBox("three")
	w = httptest.NewRecorder()
	if box.screens().handler().ServeHTTP(w, r); w.Code != http.StatusOK || len(box.told) != 0 {
		t.Errorf("a GET: %d, told %+v", w.Code, box.told)
	}
	// A browser that goes away has no copy.
	box = newFakeBox("three")
	r = httptest.NewRequest(http.MethodPost, "/record/download", strings.NewReader(form.Encode()))
	r.Host = "127.0.0.1:8090"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	box.screens().inEach().ServeHTTP(away{httptest.NewRecorder()}, r)
	if len(box.told) != 0 {
		t.Errorf("one that broke off: told %+v", box.told)
	}
}

// away is a browser that goes away.
type away struct{ http.ResponseWriter }

func (away) Write([]byte) (int, error) { return 0, errors.New("broken pipe") }

func TestMailAndStickAreAskedFor(t *testing.T) {
	form := func(more ...string) url.Values {
		f := url.Values{"system": {"tower"}, "job": {"1"}, "to": {"owner"}, "by": {"Ines"}, "address": {" ana@quayside.example "}}
		for i := 0; i < len(more); i += 2 {
			f.Set(more[i], more[i+1])
		}
		return f
	}
	for _, c := range []struct {
		path  string
		form  url.Values
		err   error
		asked string // empty: nothing
		code  int
		says  string
	}{
		{"/record/mail", form(), nil, "mail tower job 1 to owner ana@quayside.example by Ines", 303, "done=mail"},
		{"/record/stick", form("to", "installer"), nil, "stick tower job 1 to installer ana@quayside.example by Ines", 303, "done=stick"},
		{"/record/mail/back", form("id", "1"), nil, "back 1", 303, "done=mail-back"},
		{"/record/mail", form("to", "the king"), nil, "", 422, "Say who has the copy"},
		{"/record/mail", form("system", "roof"), nil, "", 422, ""},
		{"/record/stick", form("to", ""), nil, "", 422, "Say who has the copy"},
		{"/record/mail", form("do", "mail"), &CopyTrouble{Key: "mail-address"}, "mail tower job 1 to owner ana@quayside.example by Ines", 422, "Write the address that the mail goes to"},
		{"/record/stick", form("do", "stick"), &CopyTrouble{Key: "stick-full"}, "stick tower job 1 to owner ana@quayside.example by Ines", 422, "The stick is full"},
		{"/record/stick", form(), &CopyTrouble{Key: "stick-other", Err: errors.New("invalid argument")}, "stick tower job 1 to owner ana@quayside.example by Ines", 422, "invalid argument"},
		{"/record/stick", form(), errors.New("the journal is full"), "stick tower job 1 to owner ana@quayside.example by Ines", 500, "did not go out"},
		{"/record/mail/back", form("id", "1"), &CopyTrouble{Key: "mail-gone"}, "back 1", 422, "is sent already"},
	} {
		box, copies := newFakeBox("three"), newFakeCopies()
		copies.err = c.err
		w := askedOf(box, copies, c.path, c.form)
		text := w.Body.String() + w.Header().Get("Location")
		if w.Code != c.code || !strings.Contains(text, c.says) || strings.Join(copies.asked, "; ") != c.asked || len(box.told) != 0 {
			t.Errorf("%s %v: %d, asked %q, told %v, %s", c.path, c.form, w.Code, copies.asked, box.told, w.Header().Get("Location"))
		}
		if do := c.form.Get("do"); do != "" && !strings.Contains(text, "<details open><summary>") {
			t.Errorf("%s: the form that failed is not open", c.path)
		}
	}
	// Every trouble of a stick has its sentence.
	w := english(t)
	for _, kind := range []string{"none", "own", "read-only", "denied", "full", "gone", "slow", "differs", "busy", "other"} {
		if _, ok := w["trouble.stick-"+kind]; !ok {
			t.Errorf("no sentence for a stick that is %q", kind)
		}
	}
}

// What the page says of each copy: where it is, what it holds, whether that is all.
func TestHandOverShowsWhereCopiesAre(t *testing.T) {
	box := newFakeBox("three")
	box.snap.Jobs["tower"][0].Job.Signed = []rules.Signed{{JobMark: rules.JobMark{Seq: 17}}}
	show := func(opts ...Option) string {
		r := httptest.NewRequest(http.MethodGet, "/record?system=tower", nil)
		r.Host = "127.0.0.1:8090"
		w := httptest.NewRecorder()
		box.screens(opts...).handler().ServeHTTP(w, r)
		_, text, _ := strings.Cut(w.Body.String(), `id="copies"`)
		text, _, _ = strings.Cut(text, `id="signed"`)
		return strings.Join(strings.Fields(tags.ReplaceAllString(text, " ")), " ")
	}
	text := show(WithCopies(newFakeCopies()))
	for _, want := range []string{
		"3 copies are due. The record ends at entry 20.",
		"The owner The record, by mail to owner@library.example", "up to entry 14. A step has ended since: a newer copy is due.",
		"The installer The record, on a USB stick", "up to entry 15. Since then somebody has signed", "SHA-256 9f86d0819f86",
		"The commissioning file · No copy yet. The mail to files@library.example was refused: 550 5.1.1 no such person here.",
		"The main contractor: on its way by mail to site@contractor.example, with the record, the bundle.", "451 4.7.1 greylisted", "Do not send it",
		"A stick is in.", "Download and record", "Send the mail", "Write to the stick",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
	none := newFakeCopies()
	none.noMail, none.posted, none.stick.Trouble = true, nil, &CopyTrouble{Key: "stick-none"}
	text = show(WithCopies(none))
	for _, want := range []string{"No mail server is known.", "No stick is in.", "Download and record"} {
		if !strings.Contains(text, want) {
			t.Errorf("without mail and stick it does not say %q", want)
		}
	}
	for _, not := range []string{"Send the mail", "Write to the stick", "on its way"} {
		if strings.Contains(text, not) {
			t.Errorf("without mail and stick it says %q", not)
		}
	}
	none.stick = StickState{}
	if text = show(WithCopies(none)); !strings.Contains(text, "names no place for a stick") {
		t.Error("without a place for a stick it does not say so")
	}
}

// What a copy lacks is said by what came after the entry that it holds, not after its mark.
func TestSinceACopy(t *testing.T) {
	box := newFakeBox("three")
	s, snap := box.screens(), box.Now()
	job := Job{Job: rules.Job{Number: 1, From: 1, Ended: 15}}
	c := Copy{Copy: rules.Copy{Of: 14}}
	c.Seq = 18
	var all []string
	for _, of := range []uint64{14, 15, snap.Kept} {
		c.Of = of
		all = append(all, s.since(snap, job, c))
	}
	job.Said = []JobMark{}
	job.Job.Said = []rules.JobMark{{Mark: rules.MarkJobReopened, Seq: 17}}
	c.Of = 16
	all = append(all, s.since(snap, job, c))
	job.Job.Said[0].Mark = rules.MarkJobArchived // changes no paper
	all = append(all, s.since(snap, job, c))
	want := []string{"It holds all up to entry 14. A step has ended since: a newer copy is due.", "It holds all up to entry 15. Of the 184188 entries since, none ends a step or signs.",
		"It holds all up to entry 184203, and nothing has come since.", "It holds all up to entry 16. Since then somebody has signed, or closed or reopened the job: this copy lacks that.",
		"It holds all up to entry 16. Of the 184187 entries since, none ends a step or signs."}
	if !slices.Equal(all, want) {
		t.Errorf("%q", all)
	}
}
