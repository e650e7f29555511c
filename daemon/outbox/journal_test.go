package outbox

import (
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// With the journal itself, and the program started anew between any two
// findings: each message once, in order.
func TestWithTheJournal(t *testing.T) {
	dir, h := t.TempDir(), &hook{}
	h.say(func(n int, _ int64) (int, string, http.Header, error) {
		if n == 2 || n == 3 {
			return 0, "", nil, errors.New("no route to host")
		}
		return 200, "", nil, nil
	})
	findings := []rules.Finding{
		flag(rules.Raised, rules.Tell, "a", 1), flag(rules.Raised, rules.Wake, "a", 2), verdict(rules.Passed, 3),
		flag(rules.Cleared, rules.Wake, "a", 4), flag(rules.Raised, rules.Note, "b", 5), flag(rules.Cleared, rules.Note, "b", 6),
	}
	taken := []int{1, 2, 3, 4, 4, 4} // messages after each finding
	for i, x := range findings {
		j, err := journal.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			at := rules.Instant{Boot: 1}
			if err := j.Append([]rules.Entry{{At: at, Body: &rules.Started{}}, {At: at, Body: &rules.Clocked{Wall: morning, Proven: true}}}, nil); err != nil {
				t.Fatal(err)
			}
		}
		o := New(Parts{Config: Config{Webhooks: []Webhook{{Name: "phone", URL: "http://hook.invalid/", Least: rules.Tell, Timeout: time.Second}}, FromNow: true},
			Box: "box-1", ID: "j1", Journal: j, Log: slog.New(slog.DiscardHandler), Transport: h, Now: runsOn})
		if err := o.Begin(t.Context()); err != nil {
			t.Fatal(err)
		}
		f, stop := o.paths[0], run(t, o)
		x.Seq = 2
		if _, err := j.Find([]rules.Finding{x}); err != nil {
			t.Fatal(err)
		}
		await(t, func() bool { return len(h.got()) == taken[i] && f.State().Waiting == 0 && f.State().OK })
		stop()
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	want := []string{"1 raised tell", "2 raised wake", "3 passed", "4 cleared wake"}
	if got := h.got(); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}
