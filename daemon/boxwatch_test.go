package daemon

import (
	"slices"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
)

func TestTheBoxNotesHowItStands(t *testing.T) {
	engine := rules.NewEngine(rules.Site{}, rules.All())
	engine.Next(rules.Entry{Seq: 1, At: rules.Instant{Boot: 1}, Body: &rules.Started{}})
	w := boxWatch{map[string]time.Time{}, map[string]*cut{}}
	begun := time.Now()
	seq := uint64(1)
	// look is one look of the box, whose marks are then judged as the journal's would be.
	look := func(after time.Duration, ok bool, free float64) (notes []string) {
		var s web.Snapshot
		for _, f := range engine.Open() {
			s.Flags = append(s.Flags, web.Flag{Flag: f})
		}
		s.Outward = []journal.FollowerState{{Name: "uplink:desk", OK: ok}, {Name: "outbox:phone"}}
		for _, m := range w.look(begun.Add(after), s, free) {
			seq++
			engine.Next(rules.Entry{Seq: seq, At: rules.Instant{Boot: 1, Since: after}, Body: &m})
			notes = append(notes, m.Note)
		}
		return notes
	}
	for i, c := range []struct {
		after time.Duration
		ok    bool
		free  float64
		want  []string
	}{
		{0, true, 0.5, nil},
		{time.Minute, false, 0.5, nil},
		{10 * time.Minute, false, 0.5, nil},
		{11 * time.Minute, false, 0.5, []string{"store away desk"}},
		{12 * time.Minute, false, 0.5, nil},
		{13 * time.Minute, true, 0.09, []string{"store back desk", "disk"}},
		{14 * time.Minute, false, 0.09, nil},
		{15 * time.Minute, true, 0.04, []string{"disk"}},
		{16 * time.Minute, false, 0.04, nil}, // away anew, counted anew
		{25 * time.Minute, false, 0.11, nil},
		{26 * time.Minute, false, 0.12, []string{"store away desk", "disk"}},
		{27 * time.Minute, false, 0.5, nil},
	} {
		if got := look(c.after, c.ok, c.free); !slices.Equal(got, c.want) {
			t.Errorf("look %d: noted %q, want %q", i, got, c.want)
		}
	}
	// A new run knows nothing of its own, but the flags that are open.
	w = boxWatch{map[string]time.Time{}, map[string]*cut{}}
	if got := look(40*time.Minute, true, 0.5); !slices.Equal(got, []string{"store back desk"}) {
		t.Errorf("after a restart: noted %q", got)
	}
	if open := engine.Open(); len(open) > 0 {
		t.Errorf("still open: %+v", open)
	}
}

func TestDiskFree(t *testing.T) {
	part, err := diskFree(t.TempDir())
	if err != nil || part < 0 || part > 1 {
		t.Errorf("%v, %v", part, err)
	}
	if _, err := diskFree("/no/such/folder"); err == nil {
		t.Error("a folder that is not there has a disk")
	}
}

func TestTheBoxNotesABrokerThatIsAway(t *testing.T) {
	w := boxWatch{map[string]time.Time{}, map[string]*cut{}}
	points := []web.Point{{Point: sensors.Point{Name: "gauge", Source: "mqtt", Device: "site"}}, {Point: sensors.Point{Name: "sump", Source: "onewire", Device: "pipe bus"}}}
	begun := time.Now()
	for _, c := range []struct {
		after time.Duration
		ok    bool
		want  string
	}{
		{0, true, ""},
		{2 * time.Second, false, ""},
		{4 * time.Second, true, ""}, // made again at once
		{6 * time.Second, false, ""},
		{8 * time.Second, false, ""},
		{10 * time.Second, false, "broker away site"},
		{12 * time.Second, false, "broker away site"}, // the first could not be kept
		{14 * time.Second, false, ""},
		{20 * time.Second, true, ""},
		{24 * time.Second, false, ""}, // it flaps: still away
		{40 * time.Second, false, ""},
		{42 * time.Second, true, ""},
		{52 * time.Second, true, "broker back site"},
		{54 * time.Second, true, ""},
	} {
		got := ""
		for _, m := range w.brokers(begun.Add(c.after), points, []web.Device{{Name: "site", OK: c.ok}, {Name: "pipe bus", OK: false}, {Name: "another"}}) {
			got += m.Note
			if c.after == 10*time.Second {
				w.untold([]rules.Told{m})
			}
		}
		if got != c.want {
			t.Errorf("after %s, reached %v: noted %q, want %q", c.after, c.ok, got, c.want)
		}
	}
}
