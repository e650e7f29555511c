package daemon

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/web"
	"standwatch/rules"
)

// A job goes from the page into the journal, and is there after a restart:
// closed, signed, followed by another whose steps, checks and reports are its own.
func TestJobsOutliveTheBox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, start := t.TempDir(), time.Now()
		awake := func(time.Duration) bool { return false }
		d, j := box(t, dir, weighing(start, awake))
		post := func(h http.Handler, path string, form url.Values) {
			t.Helper()
			time.Sleep(time.Second)
			if code, text := ask(t, h, "POST", path, "application/x-www-form-urlencoded", bytes.NewBufferString(form.Encode())); code != http.StatusSeeOther {
				t.Errorf("%s %v: %d\n%s", path, form, code, text)
			}
		}
		run(t, d, func(context.Context) {
			h := web.New(web.Config{}, d)
			post(h, "/marks", url.Values{"kind": {"mark"}, "name": {"reported"}, "of": {"pressure-test"}, "by": {"Ines"}, "note": {"sheet 7"}})
			post(h, "/marks", url.Values{"kind": {"mark"}, "name": {"checked"}, "note": {"drains done by Ines"}, "by": {"Ines"}})
			post(h, "/marks", url.Values{"kind": {"begin"}, "step": {"hand-over"}, "by": {"Ines"}})
			post(h, "/marks", url.Values{"kind": {"end"}, "step": {"hand-over"}, "by": {"Ines"}})
			post(h, "/record/signed", url.Values{"role": {"owner"}, "name": {"Ελένη"}, "strokes": {"0000zzzz"}})
			post(h, "/record/job", url.Values{"do": {"close"}, "by": {"Ines"}, "text": {"handed over"}})
			time.Sleep(time.Second)
			if len(d.Now().Reported) != 1 {
				t.Errorf("reported: %v", d.Now().Reported)
			}
			post(h, "/record/job", url.Values{"do": {"begin"}, "by": {"Rui"}, "text": {"third floor"}})
			time.Sleep(time.Second)
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}

		d, j = box(t, dir, weighing(start, awake))
		defer func() { _ = j.Close() }()
		run(t, d, func(context.Context) {
			time.Sleep(time.Second)
			s := d.Now()
			jobs := s.Jobs[""]
			if len(jobs) != 2 {
				t.Fatalf("%d jobs after a restart", len(jobs))
			}
			first, second := jobs[0], jobs[1]
			if first.State != rules.JobClosed || first.To == 0 || first.Said[0].By != "Ines" || first.Said[0].Text != "handed over" || first.Said[0].Wall.IsZero() {
				t.Errorf("the first: %+v", first)
			}
			if len(first.Signed) != 1 || first.Signed[0].Name != "Ελένη" || len(first.Signed[0].Strokes) != 1 || first.Signed[0].Seq > first.To {
				t.Errorf("signed: %+v", first.Signed)
			}
			if second.State != rules.JobOpen || second.Name != "third floor" || second.By != "Rui" || second.From <= first.To {
				t.Errorf("the second: %+v", second)
			}
			if len(s.Reported) != 0 {
				t.Errorf("what was reported of the first job counts in the second: %v", s.Reported)
			}
			for _, c := range s.Checks[""] {
				if c.State != "" || c.Left {
					t.Errorf("%s was settled in the first job, and is %q in the second", c.Name, c.State)
				}
			}
			h := web.New(web.Config{}, d)
			if _, text := ask(t, h, "GET", "/steps/hand-over", "", nil); !strings.Contains(text, "waiting") {
				t.Error("the second job begins with its hand-over done")
			}
			if _, text := ask(t, h, "GET", "/record?job=1", "", nil); !strings.Contains(text, "Ελένη") || !strings.Contains(text, "handed over") || !strings.Contains(text, "Hand-over") {
				t.Error("the first job's page does not show it any more")
			}
		})
	})
}
