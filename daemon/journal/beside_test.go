package journal

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

func at(s float64) rules.Instant {
	return rules.Instant{Boot: 1, Since: time.Duration(s*1000) * time.Millisecond}
}

func put(t testing.TB, j *Journal, es ...rules.Entry) []rules.Entry {
	t.Helper()
	if err := j.Append(es, nil); err != nil {
		t.Fatal(err)
	}
	return es
}

func reading(s float64, point string, value float64) rules.Entry {
	return rules.Entry{At: at(s), Body: &rules.Measured{Reading: sensors.Reading{Point: point, Value: value}, Taken: at(s).Since}}
}

func mark(s float64, m rules.Told) rules.Entry { return rules.Entry{At: at(s), Body: &m} }

func TestWhatIsNeverStored(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, reading(10, "gauge", 1))
	for _, c := range []struct {
		name, want string
		e          rules.Entry
	}{
		{"an unknown point", "not told of", reading(11, "unheard-of", 1)},
		{"time going back", "time never goes back", reading(9, "gauge", 1)},
		{"an earlier boot", "time never goes back", rules.Entry{At: rules.Instant{Boot: 0, Since: time.Hour}, Body: &rules.Told{}}},
		{"a deadline", "never stored", rules.Entry{At: at(11), Body: &rules.Due{}}},
		{"nothing", "never stored", rules.Entry{At: at(11)}},
		{"a value that is no number", "is no value", reading(11, "gauge", math.NaN())},
		{"a value beyond counting", "is no value", reading(11, "gauge", 1e300)},
		{"a mark with no number", "cannot be written down", mark(11, rules.Told{Value: math.Inf(1)})},
	} {
		err := j.Append([]rules.Entry{reading(11, "scale", 1), c.e}, nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one that says %q", c.name, err, c.want)
		}
	}
	if got := keep(t, j.Entries(t.Context(), 0, 0, nil)); len(got) != 1 {
		t.Errorf("after refused appends the journal has %d entries, want the 1", len(got))
	}
	if es := put(t, j, reading(11, "gauge", 2)); es[0].Seq != 2 {
		t.Errorf("the next entry has number %d, want 2", es[0].Seq)
	}
}

func TestAppendBringsIntoTheStoredForm(t *testing.T) {
	j := open(t, t.TempDir())
	e := rules.Entry{At: rules.Instant{Boot: 1, Since: 1_234_567 * time.Microsecond}, Body: &rules.Measured{
		Reading: sensors.Reading{Point: "scale", Value: 14.2000004, Seq: 9},
		Taken:   1_234_999 * time.Microsecond,
	}}
	want := rules.Entry{Seq: 1, At: rules.Instant{Boot: 1, Since: 1234 * time.Millisecond}, Body: &rules.Measured{
		Reading: sensors.Reading{Point: "scale", Value: 14.2}, Taken: 1234 * time.Millisecond,
	}}
	same(t, []rules.Entry{want}, put(t, j, e))
	same(t, []rules.Entry{want}, keep(t, j.Entries(t.Context(), 0, 0, nil)))
}

func TestAPointThatChangesItsQuantityKeepsItsPast(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, reading(1, "scale", 14.2))
	if err := j.Points([]sensors.Point{{Name: "scale", Quantity: sensors.Temperature}}); err != nil {
		t.Fatal(err)
	}
	put(t, j, reading(2, "scale", 21.5))
	var got []float64
	for _, e := range keep(t, j.Entries(t.Context(), 0, 0, []string{"scale"})) {
		got = append(got, e.Body.(*rules.Measured).Value)
	}
	if !reflect.DeepEqual(got, []float64{14.2, 21.5}) {
		t.Errorf("values %v", got)
	}
	if err := j.Append([]rules.Entry{reading(3, "gauge", 1)}, nil); err == nil {
		t.Error("a reading of a point that is no longer there was taken")
	}
	qs, err := j.Quantities(t.Context())
	if err != nil || qs["scale"] != sensors.Temperature || qs["gauge"] != sensors.Vacuum {
		t.Errorf("quantities %v, %v", qs, err)
	}
}

func TestFindingsAreUnique(t *testing.T) {
	j := open(t, t.TempDir())
	f := rules.Finding{At: at(5), Seq: 3, Edge: rules.Raised, Flag: "scale-silent", System: "s", Step: "weigh-in", Begin: 1,
		Subject: "scale", Urgency: rules.Tell, Points: []string{"scale"}, Text: "The scale is silent.",
		Values: []rules.Value{{Key: "silent_s", Number: 10.1}}}
	others := []func(*rules.Finding){
		func(f *rules.Finding) { f.Flag = "flow-stopped" }, func(f *rules.Finding) { f.System = "" },
		func(f *rules.Finding) { f.Begin = 2 }, func(f *rules.Finding) { f.Subject = "" },
		func(f *rules.Finding) { f.Edge = rules.Cleared }, func(f *rules.Finding) { f.Seq = 4 },
		func(f *rules.Finding) { f.At.Since += time.Millisecond }, func(f *rules.Finding) { f.At.Boot = 2 },
	}
	all := []rules.Finding{f}
	for _, change := range others {
		g := f
		change(&g)
		all = append(all, g)
	}
	first, err := j.Find(all[:3])
	if err != nil || len(first) != 3 {
		t.Fatalf("stored %d, %v", len(first), err)
	}
	again := f
	again.Text = "said otherwise, yet the same edge"
	fresh, err := j.Find(append([]rules.Finding{again}, all...))
	if err != nil || len(fresh) != len(all)-3 {
		t.Fatalf("stored %d new ones, want %d, %v", len(fresh), len(all)-3, err)
	}
	got, err := j.Findings(t.Context(), 0, 100)
	if err != nil || len(got) != len(all) {
		t.Fatalf("%d findings, %v", len(got), err)
	}
	for i, s := range got {
		if s.ID != int64(i+1) || !reflect.DeepEqual(s.Finding, all[i]) {
			t.Errorf("finding %d: %+v, want %+v", i, s, all[i])
		}
	}
	if page, err := j.Findings(t.Context(), 4, 2); err != nil || len(page) != 2 || page[0].ID != 5 {
		t.Errorf("page %+v, %v", page, err)
	}
	if page, err := j.FindingsBefore(t.Context(), 4, 2); err != nil || len(page) != 2 || page[0].ID != 3 || page[1].ID != 2 || !reflect.DeepEqual(page[0].Finding, all[2]) {
		t.Errorf("page before the fourth %+v, %v", page, err)
	}
}

func TestChangedIsClosedByWhatIsNew(t *testing.T) {
	j := open(t, t.TempDir())
	closed := func(c <-chan struct{}) bool {
		select {
		case <-c:
			return true
		default:
			return false
		}
	}
	c := j.Changed()
	if closed(c) {
		t.Error("changed at rest")
	}
	put(t, j, reading(1, "gauge", 1))
	if !closed(c) {
		t.Error("not changed by an entry")
	}
	f := rules.Finding{At: at(1), Seq: 1, Flag: "point-silent"}
	c = j.Changed()
	if _, err := j.Find([]rules.Finding{f}); err != nil || !closed(c) {
		t.Error("not changed by a finding", err)
	}
	c = j.Changed()
	if _, err := j.Find([]rules.Finding{f}); err != nil || closed(c) {
		t.Error("changed by a finding that was there", err)
	}
}

func TestOpenFlags(t *testing.T) {
	j := open(t, t.TempDir())
	edge := func(seq uint64, e rules.Edge, flag, subject string, u rules.Urgency) rules.Finding {
		return rules.Finding{At: at(float64(seq)), Seq: seq, Edge: e, Flag: flag, Subject: subject, Urgency: u}
	}
	ack := func(s float64, note, by string) rules.Entry {
		return mark(s, rules.Told{Kind: "mark", Name: "acknowledged", Note: note, By: by})
	}
	put(t, j,
		ack(1, "scale-silent", "too early"), // 1
		reading(2, "gauge", 1),              // 2
		reading(3, "gauge", 1),              // 3
		ack(4, "scale-silent", "Ana"),       // 4
		ack(5, "point-silent gauge", "Rui"), // 5
		reading(6, "gauge", 1),              // 6
	)
	_, err := j.Find([]rules.Finding{
		edge(2, rules.Raised, "scale-silent", "", rules.Tell),
		edge(2, rules.Raised, "point-silent", "gauge", rules.Tell),
		edge(2, rules.Raised, "point-silent", "ambient", rules.Tell),
		edge(2, rules.Raised, "battery-low", "scale", rules.Note),
		edge(3, rules.Cleared, "battery-low", "scale", rules.Note),
		edge(3, rules.Cleared, "never-raised", "", rules.Note),
		edge(3, rules.Given, "weigh-in", "", rules.Note),
		edge(6, rules.Raised, "scale-silent", "", rules.Wake),
	})
	if err != nil {
		t.Fatal(err)
	}
	show := func(before uint64) (out []string) {
		flags, err := j.OpenFlags(t.Context(), before)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range flags {
			s := fmt.Sprintf("%s %s %v since %v", f.Flag, f.Subject, f.Urgency, f.First.Since)
			if f.Acknowledged {
				s += " seen by " + f.By
			}
			out = append(out, s)
		}
		return out
	}
	for _, c := range []struct {
		before uint64
		want   []string
	}{
		{2, nil},
		{3, []string{"scale-silent  tell since 2s", "point-silent gauge tell since 2s", "point-silent ambient tell since 2s", "battery-low scale note since 2s"}},
		{6, []string{"scale-silent  tell since 2s seen by Ana", "point-silent gauge tell since 2s seen by Rui", "point-silent ambient tell since 2s"}},
		// raised again with a higher urgency: what was seen before does not count
		{0, []string{"scale-silent  wake since 2s", "point-silent gauge tell since 2s seen by Rui", "point-silent ambient tell since 2s"}},
	} {
		if got := show(c.before); !reflect.DeepEqual(got, c.want) {
			t.Errorf("before %d: %q, want %q", c.before, got, c.want)
		}
	}
}

func TestStepsAndMarks(t *testing.T) {
	j := open(t, t.TempDir())
	limits := map[string]rules.Setting{"limit": {Value: 66.7, Text: "500 micron", Source: "site file", Given: true}}
	es := put(t, j,
		mark(1, rules.Told{Kind: "begin", Name: "evacuation", System: "a"}),
		reading(2, "gauge", 1),
		mark(3, rules.Told{Kind: "begin", Name: "evacuation", System: "b"}),
		mark(4, rules.Told{Kind: "begin", Name: "preheat", System: "a", Limits: limits}),
		mark(5, rules.Told{Kind: "end", Name: "evacuation", System: "a"}),
	)
	marks, err := j.Marks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	same(t, append(es[:1:1], es[2:]...), marks)
}

// More marks than a page holds, so that pages must join without a seam.
func TestManyMarks(t *testing.T) {
	j := open(t, t.TempDir())
	var es []rules.Entry
	for i := range 2*pageEvents + 3 {
		es = append(es, mark(float64(i), rules.Told{Kind: "mark", Name: "note", Note: fmt.Sprint(i)}))
	}
	put(t, j, es...)
	marks, err := j.Marks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	same(t, es, marks)
	same(t, es, keep(t, j.Entries(t.Context(), 0, 0, nil)))
}

func TestAnchorsAndFreezing(t *testing.T) {
	j := open(t, t.TempDir())
	const wall = 1_790_000_000_000
	clock := func(boot uint32, s float64, wall int64, proven bool) rules.Entry {
		return rules.Entry{At: rules.Instant{Boot: boot, Since: at(s).Since}, Body: &rules.Clocked{Wall: wall, Source: "system", Proven: proven}}
	}
	put(t, j, clock(1, 10, wall+10_000, false))
	if _, ok, err := j.Freeze("uplink", 1); ok || err != nil {
		t.Errorf("frozen by an anchor that is not proven: %v, %v", ok, err)
	}
	if a, err := j.Anchors(t.Context()); err != nil || a[1].OffsetMs != wall || a[1].Proven {
		t.Errorf("anchors %v, %v", a, err)
	}
	put(t, j, clock(1, 20, wall+25_000, true), clock(1, 30, wall+36_000, true))
	a, err := j.Anchors(t.Context())
	if err != nil || a[1].OffsetMs != wall+6000 || !a[1].Proven {
		t.Errorf("anchors %v, %v", a, err)
	}
	if ms, ok := a.Wall(at(1)); ms != wall+7000 || !ok {
		t.Errorf("wall %d, %v", ms, ok)
	}
	for range 2 { // the first proven one, and kept
		if off, ok, err := j.Freeze("uplink", 1); off != wall+5000 || !ok || err != nil {
			t.Errorf("frozen at %d, %v, %v", off, ok, err)
		}
	}
	put(t, j, clock(1, 40, wall, false), clock(2, 1, wall, false))
	if a, err = j.Anchors(t.Context()); err != nil || a[1].OffsetMs != wall+6000 || a[2].OffsetMs != wall-1000 {
		t.Errorf("anchors %v, %v", a, err)
	}
	if _, ok := a.Wall(rules.Instant{Boot: 3}); ok {
		t.Error("a boot without an anchor has a wall time")
	}
}

// Two runs on one boot of the machine count time from the same moment: the
// later one's proof frees the earlier one's readings exactly. Proof on another
// boot of the machine frees them by their own unproven clock, no later than it began.
func TestFreezingWithoutProof(t *testing.T) {
	const wall = 1_790_000_000_000
	put := func(j *Journal, boot uint32, machine string, offset int64, proven bool) {
		put(t, j,
			rules.Entry{At: rules.Instant{Boot: boot, Since: at(10).Since}, Body: &rules.Started{Machine: machine}},
			rules.Entry{At: rules.Instant{Boot: boot, Since: at(10).Since}, Body: &rules.Clocked{Wall: offset + at(10).Since.Milliseconds(), Source: "system", Proven: proven}})
	}
	for name, c := range map[string]struct {
		machine     string // of boot 2, which is proven
		first, want int64  // offset of boot 1's unproven anchor, and by which it is frozen
	}{
		"the same machine boot":         {"a", wall - 500_000, wall},
		"another, the old clock behind": {"b", wall - 500_000, wall - 500_000},
		"another, the old clock ahead":  {"b", wall + 500_000, wall},
	} {
		t.Run(name, func(t *testing.T) {
			j := open(t, t.TempDir())
			put(j, 1, "a", c.first, false)
			if _, ok, err := j.Freeze("uplink", 1); ok || err != nil {
				t.Errorf("frozen before there is any proof: %v, %v", ok, err)
			}
			put(j, 2, c.machine, wall, true)
			for range 2 {
				if off, ok, err := j.Freeze("uplink", 1); off != c.want || !ok || err != nil {
					t.Errorf("frozen at %d, %v, %v, want %d", off-wall, ok, err, c.want-wall)
				}
			}
			if off, ok, err := j.Freeze("uplink", 2); off != wall || !ok || err != nil {
				t.Errorf("the proven boot is frozen at %d, %v, %v", off-wall, ok, err)
			}
		})
	}
}

func TestCursorsAndQuarantine(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	for _, at := range []int64{7, 9} {
		if err := j.SetCursor("uplink", at); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Quarantine("uplink", "temperature,point=x celsius=nan", "400: unable to parse"); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, dir)
	for name, want := range map[string]int64{"uplink": 9, "outbox": 0} {
		if got, err := j.Cursor(t.Context(), name); got != want || err != nil {
			t.Errorf("cursor of %s: %d, %v", name, got, err)
		}
	}
	for name, want := range map[string]int64{"uplink": 1, "outbox": 0} {
		if got, err := j.Quarantined(t.Context(), name); got != want || err != nil {
			t.Errorf("quarantined by %s: %d, %v", name, got, err)
		}
	}
}

// A store that refuses everything does not fill the disk: the newest are kept,
// all are counted, over a restart too.
func TestQuarantineIsBounded(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	set := func(from, to int) {
		t.Helper()
		j.mostAside = 50
		for i := from; i < to; i++ {
			if err := j.Quarantine("uplink", fmt.Sprint("line ", i), "400: no"); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := j.Quarantine("outbox:mail", "a message", "550: no"); err != nil {
		t.Fatal(err)
	}
	set(0, 130)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, dir)
	set(130, 260)
	for name, want := range map[string]int64{"uplink": 260, "outbox:mail": 1} {
		if got, err := j.Quarantined(t.Context(), name); got != want || err != nil {
			t.Errorf("quarantined by %s: %d, %v; want %d", name, got, err, want)
		}
	}
	kept, err := number(j.conn, `SELECT count(*) FROM quarantine WHERE follower = 'uplink'`)
	if err != nil || kept > 50 || kept < 45 {
		t.Errorf("%d are kept of at most 50, %v", kept, err)
	}
	newest, err := text(j.conn, `SELECT item FROM quarantine WHERE follower = 'uplink' ORDER BY id DESC LIMIT 1`)
	if err != nil || newest != "line 259" {
		t.Errorf("the newest is %q, %v", newest, err)
	}
	if n, err := number(j.conn, `SELECT count(*) FROM quarantine WHERE follower = 'outbox:mail'`); err != nil || n != 1 {
		t.Errorf("%d of another follower are left, %v", n, err)
	}
}

func TestReceipts(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	n := 0
	commit := func(client string, count int) (out []sensors.Receipt) {
		for range count {
			n++
			out = append(out, sensors.Receipt{Client: client, Packet: uint16(n), Hash: uint64(n) << 40})
		}
		if err := j.Append(nil, out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	want := commit("quiet", 3)
	if err := j.Append([]rules.Entry{reading(1, "gauge", 1)}, []sensors.Receipt{{}}); err != nil { // a bus gives none
		t.Fatal(err)
	}
	var busy []sensors.Receipt
	for i := range 40 {
		busy = append(busy, commit("busy", 5000)...)
		if i == 20 {
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = open(t, dir)
		}
	}
	got, err := j.Receipts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got[:3], want) {
		t.Errorf("the quiet client's receipts: %v", got[:3])
	}
	got = got[3:]
	if len(got) < receiptsKept || len(got) > receiptsKept+5000 {
		t.Errorf("%d receipts kept of the busy client, want %d and at most a commit more", len(got), receiptsKept)
	}
	if !reflect.DeepEqual(got, busy[len(busy)-len(got):]) {
		t.Error("the receipts kept are not the newest in order")
	}
}

func TestRecent(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(3)
	all := s.entries(3000)
	appendAll(t, j, s, all)
	var want []rules.Entry
	for i := len(all) - 1; i >= 0 && len(want) < 1000; i-- {
		if _, ok := all[i].Body.(*rules.Measured); ok {
			want = append(want, all[i])
		}
	}
	same(t, want, keep(t, j.Recent(t.Context(), 1000)))
	if got := keep(t, j.Recent(t.Context(), 1<<30)); len(got) < 2000 {
		t.Errorf("all that is there is %d readings", len(got))
	}
}

func TestSeries(t *testing.T) {
	j := open(t, t.TempDir())
	const wall = 1_790_000_000_000
	put(t, j, rules.Entry{At: at(0), Body: &rules.Clocked{Wall: wall, Proven: true}})
	for i := range 100 {
		e := reading(float64(i), "gauge", float64(i))
		m := e.Body.(*rules.Measured)
		if i%10 == 9 {
			m.Health = sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonCRC}
		}
		put(t, j, e, reading(float64(i), "scale", 1))
	}
	late := reading(100, "gauge", 4.5)
	late.Body.(*rules.Measured).Taken = at(4.5).Since
	put(t, j, late)

	got, err := j.Series(t.Context(), "gauge", wall+2000, wall+9000, 100)
	if err != nil {
		t.Fatal(err)
	}
	var values []float64
	for _, s := range got {
		values = append(values, s.Value)
		if s.Low != s.Value || s.High != s.Value {
			t.Errorf("one reading spreads: %+v", s)
		}
	}
	if want := []float64{2, 3, 4, 4.5, 5, 6, 7, 8, 0}; !reflect.DeepEqual(values, want) {
		t.Errorf("values %v, want %v (by the time taken)", values, want)
	}
	if h := got[len(got)-1].Health; h.Reason != sensors.ReasonCRC || h.Grade != sensors.Failed {
		t.Errorf("the failed reading's health: %+v", h)
	}

	got, err = j.Series(t.Context(), "gauge", wall, wall+99_999, 10)
	if err != nil || len(got) != 10 {
		t.Fatalf("%d samples, %v", len(got), err)
	}
	// 10 to 18 are values, 19 failed: their mean is 14 by arithmetic.
	if want := (Sample{wall + 14_000, 14, 10, 18, sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonCRC}}); got[1] != want {
		t.Errorf("second span %+v, want %+v", got[1], want)
	}
	if got, err := j.Series(t.Context(), "gauge", wall+200_000, wall+300_000, 10); len(got) != 0 || err != nil {
		t.Errorf("after the end: %v, %v", got, err)
	}
	for name, ask := range map[string]struct {
		from, to int64
		most     int
	}{"backwards": {wall + 9000, wall + 2000, 10}, "none asked for": {wall, wall + 9000, 0}} {
		if got, err := j.Series(t.Context(), "gauge", ask.from, ask.to, ask.most); len(got) != 0 || err != nil {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

// One entry (the end of a check) may give every unit its verdict at once.
func TestVerdictsOfManyUnitsFromOneEntryAreAllKept(t *testing.T) {
	j := open(t, t.TempDir())
	var all []rules.Finding
	for _, unit := range []string{"iu01", "iu02", "iu03"} {
		all = append(all, rules.Finding{At: rules.Instant{Boot: 1, Since: time.Minute}, Seq: 7, Edge: rules.Given, Flag: "cooling-check", Step: "cooling-check", Begin: 3, Unit: unit, Result: rules.NotProven})
	}
	for _, want := range []int{3, 0} { // found again after a restart they are not new
		if fresh, err := j.Find(all); err != nil || len(fresh) != want {
			t.Fatalf("%d are new, want %d; %v", len(fresh), want, err)
		}
	}
	kept, err := j.Findings(t.Context(), 0, 10)
	if err != nil || len(kept) != 3 {
		t.Errorf("%d verdicts kept; %v", len(kept), err)
	}
}
