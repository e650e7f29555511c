package journal

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

func count(t testing.TB, j *Journal, query string) int64 {
	t.Helper()
	n, err := number(j.conn, query)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestSealingChangesNothingThatIsRead(t *testing.T) {
	for seed := range uint64(4) {
		j := open(t, t.TempDir())
		s := newSite(10 + seed)
		all := s.entries(8000) // some hours, some boots
		appendAll(t, j, s, all)
		must := func(want []rules.Entry) {
			t.Helper()
			same(t, want, keep(t, j.Entries(t.Context(), 0, 0, nil)))
			same(t, want[4000:4100], keep(t, j.Entries(t.Context(), 4001, 4100, nil)))
			for _, names := range [][]string{{}, {"gauge"}, {"scale", "heater"}} {
				some := slices.DeleteFunc(slices.Clone(want), func(e rules.Entry) bool {
					m, ok := e.Body.(*rules.Measured)
					return ok && !slices.Contains(names, m.Point)
				})
				same(t, some, keep(t, j.Entries(t.Context(), 0, 0, names)))
			}
		}
		recent := keep(t, j.Recent(t.Context(), 20_000))
		mid := all[len(all)/2].At
		for _, before := range []rules.Instant{{}, mid, s.at, {Boot: s.at.Boot + 1}} {
			if err := j.Seal(t.Context(), before); err != nil {
				t.Fatal(err)
			}
			must(all)
			same(t, recent, keep(t, j.Recent(t.Context(), 20_000)))
		}
		if n := count(t, j, `SELECT count(*) FROM batches WHERE sealed = 0`); n != 0 {
			t.Errorf("%d batches of ended boots are not sealed", n)
		}
		more := s.entries(500)
		appendAll(t, j, s, more)
		must(append(slices.Clone(all), more...))
	}
}

func TestTheRunningHourIsNotSealed(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, reading(10, "gauge", 1))
	put(t, j, reading(3599, "gauge", 2), reading(3601, "gauge", 3))
	put(t, j, reading(3602, "gauge", 4))
	for _, c := range []struct {
		before float64
		want   string
	}{{3599.9, "2 batches, 0 blocks"}, {3700, "1 batches, 1 blocks"}, {7199, "1 batches, 1 blocks"}, {7200, "0 batches, 2 blocks"}} {
		if c.before == 3599.9 {
			c.want = "3 batches, 0 blocks"
		}
		if err := j.Seal(t.Context(), at(c.before)); err != nil {
			t.Fatal(err)
		}
		got := fmt.Sprintf("%d batches, %d blocks", count(t, j, `SELECT count(*) FROM batches WHERE sealed = 0`), count(t, j, `SELECT count(*) FROM batches WHERE sealed = 1`))
		if got != c.want {
			t.Errorf("before %v s: %s, want %s", c.before, got, c.want)
		}
	}
}

func TestABlockHasABound(t *testing.T) {
	j := open(t, t.TempDir())
	es := make([]rules.Entry, 30_000)
	for k := range 10 {
		for i := range es {
			es[i] = reading(float64(k), quayside[i%5].Name, float64(i%2))
		}
		put(t, j, es...)
	}
	if err := j.Seal(t.Context(), rules.Instant{Boot: 2}); err != nil {
		t.Fatal(err)
	}
	if n := count(t, j, `SELECT count(*) FROM batches WHERE sealed`); n != 2 { // 8 batches of 30,000 fit in 262,144
		t.Errorf("%d blocks, want 2", n)
	}
	n := uint64(0)
	for e, err := range j.Entries(t.Context(), 0, 0, nil) {
		if n++; err != nil || e.Seq != n {
			t.Fatalf("entry %d comes as %d, %v", n, e.Seq, err)
		}
	}
	if n != 300_000 {
		t.Errorf("%d entries", n)
	}
}

func TestOneGreatAppend(t *testing.T) {
	j := open(t, t.TempDir())
	es := make([]rules.Entry, 300_000)
	for i := range es {
		es[i] = reading(float64(i/1000), quayside[i%5].Name, float64(i%2))
	}
	put(t, j, es...)
	same(t, es, keep(t, j.Entries(t.Context(), 0, 0, nil)))
	if err := j.Seal(t.Context(), rules.Instant{Boot: 2}); err != nil {
		t.Fatal(err)
	}
	same(t, es, keep(t, j.Entries(t.Context(), 0, 0, nil)))
}

func TestManyPointsInABlock(t *testing.T) {
	j := open(t, t.TempDir())
	var points []sensors.Point
	for i := range 300 {
		points = append(points, sensors.Point{Name: fmt.Sprint("probe-", i), Quantity: sensors.Temperature})
	}
	if err := j.Points(points); err != nil {
		t.Fatal(err)
	}
	var es []rules.Entry
	for i := range 3000 {
		es = append(es, reading(float64(i/300), points[i*7%300].Name, float64(i%13)))
	}
	put(t, j, es...)
	if err := j.Seal(t.Context(), rules.Instant{Boot: 2}); err != nil {
		t.Fatal(err)
	}
	same(t, es, keep(t, j.Entries(t.Context(), 0, 0, nil)))
}

func TestReadingWhileSealing(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(20)
	all := s.entries(30_000)
	appendAll(t, j, s, all)
	i := 0
	for e, err := range j.Entries(t.Context(), 0, 0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		if e.Seq != uint64(i+1) {
			t.Fatalf("entry %d after %d", e.Seq, i)
		}
		if i++; i == 10 {
			if err := j.Seal(t.Context(), rules.Instant{Boot: s.at.Boot + 1}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if i != len(all) {
		t.Errorf("%d entries of %d", i, len(all))
	}
}

// night fills a journal with twelve hours of 40 points at 1 Hz, committed each
// second, with times and sequence numbers of their own: invented.
func night(b *testing.B, j *Journal) {
	s := newSite(30)
	var points []sensors.Point
	for i := range 40 {
		points = append(points, sensors.Point{Name: fmt.Sprint("probe-", i), Quantity: sensors.Temperature})
	}
	if err := j.Points(points); err != nil {
		b.Fatal(err)
	}
	const wall = 1_790_000_000_000
	if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1}, Body: &rules.Clocked{Wall: wall, Proven: true}}}, nil); err != nil {
		b.Fatal(err)
	}
	temp := make([]float64, len(points))
	es := make([]rules.Entry, len(points))
	for sec := range 12 * 3600 {
		for i, p := range points {
			temp[i] += 0.0625 * float64(s.IntN(3)-1)
			taken := time.Duration(sec)*time.Second + time.Duration(i*25)*time.Millisecond
			at := taken + time.Duration(1+s.IntN(3))*time.Millisecond
			es[i] = rules.Entry{At: rules.Instant{Boot: 1, Since: at}, Body: &rules.Measured{Taken: taken, Reading: sensors.Reading{
				Point: p.Name, Value: temp[i], Own: wall + taken.Milliseconds(), Seq: uint64(sec), HasSeq: true}}}
		}
		if err := j.Append(es, nil); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNight(b *testing.B) {
	j := open(b, b.TempDir())
	night(b, j)
	size := func() float64 {
		return float64(count(b, j, `SELECT sum(length(blob)) FROM batches`)) / (12 * 3600 * 40)
	}
	curve := func(b *testing.B) {
		for b.Loop() {
			got, err := j.Series(b.Context(), "probe-7", 1_790_000_000_000, 1_790_000_000_000+12*3600_000, 800)
			if err != nil || len(got) != 800 {
				b.Fatal(len(got), err)
			}
		}
	}
	entries := func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for _, err := range j.Entries(b.Context(), 0, 0, nil) {
				if err != nil {
					b.Fatal(err)
				}
			}
		}
		b.ReportMetric(12*3600*40*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		b.ReportMetric(size(), "B/reading")
	}
	b.Run("plain/entries", entries)
	b.Run("plain/curve", curve)
	start := time.Now()
	if err := j.Seal(b.Context(), rules.Instant{Boot: 2}); err != nil {
		b.Fatal(err)
	}
	b.Logf("sealed in %v", time.Since(start))
	b.Run("sealed/entries", entries)
	b.Run("sealed/curve", curve)
}
