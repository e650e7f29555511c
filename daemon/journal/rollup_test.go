package journal

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// direct computes columns from the entries themselves: the other way round to
// the same answer.
func direct(all []rules.Entry, anchors Anchors, point string, from, to int64, width time.Duration) (out []Column) {
	type key struct {
		boot uint32
		part int64
	}
	values, worst, bad := map[key][]float64{}, map[key]sensors.Health{}, map[key]int{}
	for _, e := range all {
		m, ok := e.Body.(*rules.Measured)
		a, placed := anchors[e.At.Boot]
		if !ok || m.Point != point || !placed {
			continue
		}
		w := width.Milliseconds()
		part := int64(math.Floor(float64(m.Taken.Milliseconds()) / float64(w)))
		if a.OffsetMs+part*w > to || a.OffsetMs+(part+1)*w <= from {
			continue
		}
		k := key{e.At.Boot, part}
		if m.Health.Usable() {
			values[k] = append(values[k], m.Value)
		} else {
			bad[k]++
			if values[k] == nil {
				values[k] = []float64{}
			}
		}
		if h := worst[k]; m.Health.Grade > h.Grade || m.Health.Grade == h.Grade && m.Health.Reason > h.Reason {
			worst[k] = m.Health
		} else {
			worst[k] = h
		}
	}
	for k, vs := range values {
		c := Column{WallMs: anchors[k.boot].OffsetMs + k.part*width.Milliseconds() + width.Milliseconds()/2, Count: len(vs), Bad: bad[k], Worst: worst[k]}
		if len(vs) > 0 {
			c.Low, c.High = slices.Min(vs), slices.Max(vs)
			for _, v := range vs {
				c.Mean += v / float64(len(vs))
			}
		}
		out = append(out, c)
	}
	slices.SortStableFunc(out, func(a, b Column) int { return cmp.Compare(a.WallMs, b.WallMs) })
	return out
}

// sameColumns compares columns; columns of two boots may lie at one moment.
func sameColumns(t *testing.T, what string, q sensors.Quantity, want, got []Column) {
	t.Helper()
	if len(want) != len(got) {
		t.Fatalf("%s: %d columns, want %d", what, len(got), len(want))
	}
	order := func(a, b Column) int {
		return cmp.Or(cmp.Compare(a.WallMs, b.WallMs), cmp.Compare(a.Count, b.Count), cmp.Compare(a.Low, b.Low), cmp.Compare(a.Bad, b.Bad))
	}
	want, got = slices.SortedFunc(slices.Values(want), order), slices.SortedFunc(slices.Values(got), order)
	near := q.FromCounts(1) / (2 * meanParts) * 1.001 // the mean is kept in eighths of a count
	for i, w := range want {
		g := got[i]
		if math.Abs(w.Mean-g.Mean) > near+1e-12*math.Abs(w.Mean) {
			t.Fatalf("%s: column %d has a mean of %v, want %v", what, i, g.Mean, w.Mean)
		}
		w.Mean, g.Mean = 0, 0
		if w != g {
			t.Fatalf("%s: column %d is %+v, want %+v", what, i, g, w)
		}
	}
}

// checkColumns asks for random windows and compares with the direct way.
func checkColumns(t *testing.T, r *Reader, all []rules.Entry, rnd *rand.Rand, times int) {
	t.Helper()
	anchors, err := r.Anchors(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	low, high := int64(math.MaxInt64), int64(math.MinInt64)
	for _, e := range all {
		if ms, ok := anchors.Wall(e.At); ok {
			low, high = min(low, ms), max(high, ms)
		}
	}
	if low > high {
		return // no boot has a clock yet
	}
	names := []string{"scale", "gauge", "heater"}
	for range times {
		from := low + rnd.Int64N(high-low+1)
		to := min(high, from+rnd.Int64N(high-low+1))
		most := 1 + rnd.IntN(300)
		got, err := r.Columns(t.Context(), names, from, to, most)
		if err != nil {
			t.Fatal(err)
		}
		for i, name := range names {
			what := fmt.Sprintf("%s from %d to %d at most %d, width %v", name, from, to, most, got.Width)
			q := quayside[slices.IndexFunc(quayside, func(p sensors.Point) bool { return p.Name == name })].Quantity
			if got.Width == 0 { // each is one reading
				var singles []Column
				for _, c := range direct(all, anchors, name, from, to, time.Millisecond) {
					for range c.Count + c.Bad {
						singles = append(singles, c)
					}
				}
				if len(singles) != len(got.Points[i]) || len(singles) > most {
					t.Fatalf("%s: %d readings, want %d", what, len(got.Points[i]), len(singles))
				}
				for k, c := range got.Points[i] {
					if c.WallMs != singles[k].WallMs || c.Count+c.Bad != 1 || c.Count == 1 && (c.Mean < singles[k].Low-1e-9 || c.Mean > singles[k].High+1e-9) {
						t.Fatalf("%s: reading %d is %+v, want one of %+v", what, k, c, singles[k])
					}
				}
				continue
			}
			sameColumns(t, what, q, direct(all, anchors, name, from, to, got.Width), got.Points[i])
		}
		if wide := int64(most+2) * got.Width.Milliseconds(); got.Width > 0 && wide < to-from {
			t.Fatalf("columns of %v cannot be %d between %d and %d", got.Width, most, from, to)
		}
	}
}

func TestColumnsAreWhatTheReadingsComeTo(t *testing.T) {
	for seed := range uint64(4) {
		dir := t.TempDir()
		j := open(t, dir)
		s := newSite(100 + seed)
		var all []rules.Entry
		for round := range 8 {
			more := s.entries(1500) // some hours and boots, late readings among them
			appendAll(t, j, s, more)
			all = append(all, more...)
			switch s.IntN(3) { // roll-ups and blocks are made in any order, or not at all
			case 0:
				if err := j.RollUp(t.Context()); err != nil {
					t.Fatal(err)
				}
			case 1:
				if err := j.Seal(t.Context(), s.at); err != nil {
					t.Fatal(err)
				}
			}
			if round == 4 {
				if err := j.Close(); err != nil {
					t.Fatal(err)
				}
				j = open(t, dir)
			}
			checkColumns(t, &j.Reader, all, s.Rand, 8)
		}
		// Another process reads the same.
		r, err := OpenReader(t.Context(), dir)
		if err != nil {
			t.Fatal(err)
		}
		checkColumns(t, r, all, s.Rand, 10)
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		// A table that is empty is filled again.
		if err := execute(j.conn, `DELETE FROM rollups`); err != nil {
			t.Fatal(err)
		}
		checkColumns(t, &j.Reader, all, s.Rand, 5)
		if err := j.RollUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n := count(t, j, `SELECT count(*) FROM rollups`); n == 0 {
			t.Error("nothing was rolled up again")
		}
		checkColumns(t, &j.Reader, all, s.Rand, 10)
	}
}

func TestRollUpsReachToTheLastHourThatIsOver(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, rules.Entry{At: at(0), Body: &rules.Clocked{Wall: 1_790_000_000_000, Proven: true}})
	put(t, j, reading(10, "gauge", 1), reading(3599, "gauge", 2))
	put(t, j, reading(3601, "gauge", 4))
	rolled := func(want uint64) {
		t.Helper()
		if err := j.RollUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got, err := j.rolledUp(t.Context()); err != nil || got != want {
			t.Errorf("rolled up to entry %d (%v), want %d", got, err, want)
		}
	}
	rolled(3)
	rolled(3)
	put(t, j, reading(7000, "gauge", 8))
	rolled(3)
	// A late reading lies in the roll-up of the hour it came in, and is put to its own.
	late := reading(7300, "gauge", 16)
	late.Body.(*rules.Measured).Taken = 20 * time.Second
	put(t, j, late)
	rolled(5)
	put(t, j, rules.Entry{At: rules.Instant{Boot: 2}, Body: &rules.Clocked{Wall: 1_790_010_000_000, Proven: true}})
	rolled(6)
	got, err := j.Columns(t.Context(), []string{"gauge"}, 1_790_000_000_000, 1_790_000_000_000+2*3600*1000-1, 12)
	if err != nil || got.Width != 10*time.Minute {
		t.Fatalf("columns of %v (%v)", got.Width, err)
	}
	if c := got.Points[0][0]; c.Count != 2 || c.Low != 1 || c.High != 16 || c.Mean != 8.5 || c.WallMs != 1_790_000_300_000 {
		t.Errorf("the first ten minutes come to %+v", c)
	}
	if n := count(t, j, `SELECT count(*) FROM rollups`); n != 3*int64(len(levels)) {
		t.Errorf("%d rows of roll-ups, want %d", n, 3*len(levels))
	}
}

func TestAnAnchorMendsARolledUpBoot(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, rules.Entry{At: at(0), Body: &rules.Clocked{Wall: 1_000_000_000_000}})
	put(t, j, reading(30, "gauge", 1))
	put(t, j, reading(3700, "gauge", 2), reading(3701, "gauge", 3))
	if err := j.RollUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	put(t, j, rules.Entry{At: at(3702), Body: &rules.Clocked{Wall: 1_790_003_702_000, Proven: true}})
	got, err := j.Columns(t.Context(), []string{"gauge"}, 1_790_000_000_000, 1_790_007_200_000, 12)
	if err != nil || len(got.Points[0]) != 2 || got.Points[0][0].WallMs != 1_790_000_300_000 {
		t.Errorf("the columns are %+v (%v), want the first in the middle of the boot's first ten minutes by the new anchor", got, err)
	}
	if got, err := j.Columns(t.Context(), []string{"gauge"}, 1_000_000_000_000, 1_000_007_200_000, 12); err != nil || len(got.Points[0]) != 0 {
		t.Errorf("where the old anchor put them there is still %+v (%v)", got, err)
	}
}

// Many readings in an hour are rolled up, and sealed, in several pieces, whose
// ends need not be the same.
func TestABlockMayReachBeyondWhatIsRolledUp(t *testing.T) {
	j := open(t, t.TempDir())
	all := []rules.Entry{{At: at(0), Body: &rules.Clocked{Wall: 1_790_000_000_000, Proven: true}}}
	put(t, j, all...)
	for k := range 8 {
		es := make([]rules.Entry, 30_000)
		for i := range es {
			es[i] = reading(float64(400*k), quayside[i%5].Name, float64(i%100)/100)
		}
		put(t, j, es...)
		all = append(all, es...)
	}
	step := func(what string, err error, rolled uint64) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := j.rolledUp(t.Context()); err != nil || got != rolled {
			t.Errorf("%s: rolled up to %d (%v), want %d", what, got, err, rolled)
		}
		const from, to = 1_790_000_000_000, 1_790_003_600_000
		got, err := j.Columns(t.Context(), []string{"scale"}, from, to, 30)
		if err != nil {
			t.Fatal(err)
		}
		anchors, err := j.Anchors(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		sameColumns(t, what, sensors.Mass, direct(all, anchors, "scale", from, to, got.Width), got.Points[0])
	}
	step("rolled up", j.RollUp(t.Context()), 120_001)
	step("sealed", j.Seal(t.Context(), rules.Instant{Boot: 2}), 120_001)
	next := reading(3700, "gauge", 1)
	put(t, j, next)
	all = append(all, next)
	step("rolled up again", j.RollUp(t.Context()), 240_001)
}

func TestOfAPointThatMeasuresSomethingElseNowTheNewestIsShown(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, rules.Entry{At: at(0), Body: &rules.Clocked{Wall: 1_790_000_000_000, Proven: true}}, reading(1, "gauge", 7))
	if err := j.Points([]sensors.Point{{Name: "gauge", Quantity: sensors.Pressure}}); err != nil {
		t.Fatal(err)
	}
	put(t, j, reading(2, "gauge", 300_000))
	put(t, j, reading(4000, "gauge", 400_000))
	if err := j.RollUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, most := range []int{100, 2} { // readings, and roll-ups
		got, err := j.Columns(t.Context(), []string{"gauge"}, 1_790_000_000_000, 1_790_005_000_000, most)
		if err != nil {
			t.Fatal(err)
		}
		if cs := got.Points[0]; len(cs) != 2 || cs[0].Mean != 300_000 || cs[1].Mean != 400_000 {
			t.Errorf("at most %d: %+v", most, cs)
		}
	}
}

func TestColumnsOfNothing(t *testing.T) {
	j := open(t, t.TempDir())
	put(t, j, rules.Entry{At: at(0), Body: &rules.Clocked{Wall: 1_790_000_000_000}}, reading(1, "gauge", 5))
	for _, c := range []struct {
		points   []string
		from, to int64
		most     int
	}{{nil, 0, 1, 10}, {[]string{"gauge"}, 10, 0, 10}, {[]string{"gauge"}, 0, 10, 0}, {[]string{"unheard-of"}, 0, math.MaxInt64 / 4, 10}} {
		got, err := j.Columns(t.Context(), c.points, c.from, c.to, c.most)
		if err != nil {
			t.Errorf("%+v: %v", c, err)
		}
		for _, p := range got.Points {
			if len(p) != 0 {
				t.Errorf("%+v: there is %+v", c, p)
			}
		}
	}
}

func FuzzRollup(f *testing.F) {
	z, err := packEncoder()
	if err != nil {
		f.Fatal(err)
	}
	points := make([]cells, 3)
	points[1].of(-4).add(17, sensors.Health{})
	points[1].of(3).add(-9, sensors.Health{Grade: sensors.Failed, Reason: "crc"})
	points[2].of(0).add(1, sensors.Health{})
	f.Add(encodeRollup(points, z))
	f.Add([]byte{rollFormat})
	f.Fuzz(func(t *testing.T, blob []byte) {
		d := rollDecoder{}
		n := 0
		_ = d.decode(blob, make([]bool, 3), func(uint32, int64, *cell) { n++ }) // nothing is wanted: nothing comes
		if n != 0 {
			t.Error("parts of points that nobody wants")
		}
		_ = d.decode(blob, []bool{false, true, true}, func(id uint32, _ int64, _ *cell) {
			if id == 0 || id > 2 {
				t.Errorf("point %d", id)
			}
		})
	})
}
