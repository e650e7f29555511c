package daemon

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
)

// fortnight is a journal of a job so many days long, with photos and one earlier visit.
func fortnight(t testing.TB, days, photos int) *Box {
	t.Helper()
	ctx := t.Context()
	dir := t.TempDir()
	j, err := journal.Open(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	site := rules.Site{Name: "Quayside Library", Zone: time.UTC, Systems: []rules.System{{Refrigerant: "R-410A"}}}
	for i := range 40 {
		site.Points = append(site.Points, sensors.Point{Name: fmt.Sprintf("pipe-%d", i), Quantity: sensors.Temperature})
	}
	if err := j.Points(site.Points); err != nil {
		t.Fatal(err)
	}
	if err := record.KeepSite(ctx, j, site); err != nil {
		t.Fatal(err)
	}
	put := func(bodies ...rules.Body) func(time.Duration) {
		return func(at time.Duration) {
			var es []rules.Entry
			for _, b := range bodies {
				es = append(es, rules.Entry{At: rules.Instant{Boot: 1, Since: at}, Body: b})
			}
			if err := j.Append(es, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	put(&rules.Started{Version: "v1"}, &rules.Clocked{Wall: time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC).UnixMilli(), Proven: true, Source: "network"}, &rules.Told{Kind: "begin", Name: "take-off"})(0)
	r := rand.New(rand.NewPCG(1, 2))
	for at := time.Duration(0); at < time.Duration(days)*24*time.Hour; at += time.Hour {
		var bodies []rules.Body
		for k := range 120 {
			taken := at + time.Duration(k)*30*time.Second
			for i := range site.Points {
				bodies = append(bodies, &rules.Measured{Reading: sensors.Reading{Point: site.Points[i].Name, Value: 20 + r.NormFloat64()}, Taken: taken})
			}
		}
		put(bodies...)(at + time.Hour - time.Second)
	}
	end := time.Duration(days) * 24 * time.Hour
	for i := range photos {
		picture := make([]byte, 200<<10)
		for k := range picture {
			picture[k] = byte(r.Uint32())
		}
		name, err := j.KeepPhoto(picture)
		if err != nil {
			t.Fatal(err)
		}
		put(&rules.Told{Kind: "mark", Name: "checked", Note: fmt.Sprintf("drains done by Ines: photo %d photo %s", i, name)})(end)
	}
	put(&rules.Told{Kind: "end", Name: "take-off"})(end)
	v := record.Visit{Bundle: fmt.Sprintf("%x", sha256.Sum256([]byte("a bundle"))), Record: record.Record{Format: 1, Site: site.Name, Job: record.Job{Number: 1}}}
	if err := TakeIn(ctx, j, site, v, Taking{By: "Ines"}, tellIn(j)); err != nil {
		t.Fatal(err)
	}
	_, at, err := j.End(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Seal(ctx, at); err != nil {
		t.Fatal(err)
	}
	return &Box{Journal: j, Dir: dir}
}

// The page of earlier visits reads the job when something was told or found, and
// no photo ever; what it shows is the record's.
func TestThePageOfEarlierVisitsReadsWhatIsNew(t *testing.T) {
	b := fortnight(t, 1, 5)
	v, j := b.Visits(), b.Journal
	load := func() (bytes int64, all []record.Earlier) {
		t.Helper()
		before := j.Taken()
		all, err := v.Beside(t.Context(), "", 1)
		if err != nil {
			t.Fatal(err)
		}
		return j.Taken() - before, all
	}
	first, all := load()
	rec := readRecord(t, j)
	if len(rec.Photos) != 5 || len(all) != 1 || fmt.Sprint(all) != fmt.Sprint(rec.Earlier) {
		t.Fatalf("%d photos, %v, want %v", len(rec.Photos), all, rec.Earlier)
	}
	if first < 10_000 || first > 500<<10 { // a day's readings, and none of 5 photos of 200 kB
		t.Errorf("the first load reads %d bytes", first)
	}
	again, same := load()
	if again > first/50 || fmt.Sprint(same) != fmt.Sprint(all) {
		t.Errorf("the first load reads %d bytes, the second %d", first, again)
	}
	if err := tellIn(j)(t.Context(), rules.Told{Kind: "mark", Name: rules.MarkEarlier, Note: rules.Earlier{Sum: strings.Repeat("1d", 32), By: "Rui", What: "a bundle"}.Note()}); err != nil {
		t.Fatal(err)
	}
	if n, all := load(); n < first || len(all) != 2 {
		t.Errorf("after a mark %d bytes are read, and there are %d visits", n, len(all))
	}
	if err := tellIn(j)(t.Context(), rules.Told{Kind: "begin", Name: "vacuum-hold"}); err != nil {
		t.Fatal(err)
	}
	load()
	known := v.(*visits).besides[record.Which{Job: 1}]
	if until := time.Until(known.until); until <= 0 || until > besideFor {
		t.Errorf("figures of a step under way are shown for %s more", until)
	}
}

// Where no earlier visit was taken in, the page reads no reading.
func TestThePageOfNoEarlierVisitReadsNothing(t *testing.T) {
	j, _, dir := visitOf(t, nil, nil)
	b := &Box{Journal: j, Dir: dir}
	before := j.Taken()
	if all, err := b.Visits().Beside(t.Context(), "", 1); err != nil || len(all) != 0 {
		t.Fatal(all, err)
	}
	if n := j.Taken() - before; n > 0 {
		t.Errorf("%d bytes are read", n)
	}
}

func BenchmarkEarlierPage(b *testing.B) {
	box := fortnight(b, 14, 300)
	v := box.Visits()
	for b.Loop() {
		if _, err := v.Beside(b.Context(), "", 1); err != nil {
			b.Fatal(err)
		}
	}
}

// A bundle that arrives takes at most half of the room that readings have.
func TestABundleLeavesRoomForReadings(t *testing.T) {
	j, _, data := visitOf(t, nil, nil)
	name, _ := bundleOf(t, j, data)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	v := (&Box{Journal: j, Dir: data, Daemon: New(Parts{})}).Visits().(*visits)
	for room, want := range map[int64]error{int64(2 * len(b)): nil, int64(2*len(b)) - 2: web.ErrBundleRoom, 0: web.ErrBundleRoom} {
		v.room = func(string) (int64, error) { return room, nil }
		if _, err := v.Offer(t.Context(), bytes.NewReader(b), ""); !errors.Is(err, want) {
			t.Errorf("with room for %d bytes, a bundle of %d: %v", room, len(b), err)
		}
	}
	if n, err := diskRoom(data); err != nil || n <= 0 {
		t.Errorf("%d, %v", n, err)
	}
	left, err := os.ReadDir(data)
	for _, f := range left {
		if strings.HasPrefix(f.Name(), ".bundle") || err != nil {
			t.Errorf("%s is left, %v", f.Name(), err)
		}
	}
}
