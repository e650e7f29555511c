package uplink

import (
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// With the journal itself, and the program started anew in between: the clock
// is proven late, corrected later, and every stamp stays as it was frozen.
func TestWithTheJournal(t *testing.T) {
	dir, s := t.TempDir(), newStore()
	s.say(func(n int, _ []string) (int, http.Header, string, error) {
		if n%2 == 1 {
			return 0, nil, "", errLost // every other answer is lost: all is sent twice
		}
		return 204, nil, "", nil
	})
	anchor := func(j *journal.Journal, wall int64, since time.Duration, proven bool) {
		t.Helper()
		if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1, Since: since}, Body: &rules.Clocked{Wall: wall, Proven: proven}}}, nil); err != nil {
			t.Fatal(err)
		}
	}
	session := func(work func(j *journal.Journal, f *Follower)) {
		t.Helper()
		j, err := journal.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Points(quay().Points); err != nil {
			t.Fatal(err)
		}
		f, stop := begin(t, newMemory(), s, func(p *Parts) { p.Journal, p.Config.Every = j, time.Millisecond })
		work(j, f)
		stop()
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	idle := func(f *Follower) func() bool {
		return func() bool { st := f.State(); return st.OK && st.Sentence == "up to date" && st.Waiting == 0 }
	}
	session(func(j *journal.Journal, f *Follower) {
		if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1}, Body: &rules.Started{}}}, nil); err != nil {
			t.Fatal(err)
		}
		anchor(j, 1000, 0, false)
		if err := j.Append([]rules.Entry{measured("gauge", 66.7, 1000)}, nil); err != nil {
			t.Fatal(err)
		}
		raised := rules.Finding{At: rules.Instant{Boot: 1, Since: time.Second}, Seq: 3, Flag: "vacuum-rising", System: "north", Urgency: rules.Wake, Text: "It rises."}
		if _, err := j.Find([]rules.Finding{raised}); err != nil {
			t.Fatal(err)
		}
		eventually(t, "it waits for a clock", func() bool { return strings.Contains(f.State().Sentence, "waiting for a proven clock") })
		anchor(j, morning+2000, 2*time.Second, true)
		eventually(t, "all is sent", idle(f))
	})
	session(func(j *journal.Journal, f *Follower) {
		anchor(j, morning+3500, 3*time.Second, true) // half a second more, too late for what is frozen
		if err := j.Append([]rules.Entry{measured("gauge", 66.8, 4000), measured("gauge", 66.9, 4000)}, nil); err != nil {
			t.Fatal(err)
		}
		eventually(t, "all is sent", func() bool { last, _ := j.Last(t.Context()); return last == 7 && idle(f)() })
		eventually(t, "it has arrived", func() bool { return len(s.points()) == 4 })
	})
	want := []string{
		`flag,box=box-1,rule=vacuum-rising,site=Quayside\ Library,system=north 1772344801000000000 state="raised",urgency="wake",text="It rises."`,
		`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344801000000000 pascals=66.7`,
		`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344804000000000 pascals=66.8`,
		`vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344804000000001 pascals=66.9`,
	}
	if got := s.points(); !slices.Equal(got, want) {
		t.Errorf("store holds\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
