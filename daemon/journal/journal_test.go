package journal

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

var quayside = []sensors.Point{
	{Name: "gauge", Quantity: sensors.Vacuum},
	{Name: "scale", Quantity: sensors.Mass},
	{Name: "ambient", Quantity: sensors.Temperature},
	{Name: "barometer", Quantity: sensors.AbsolutePressure},
	{Name: "heater", Quantity: sensors.Contact},
}

func open(t testing.TB, dir string) *Journal {
	t.Helper()
	j, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	if err := j.Points(quayside); err != nil {
		t.Fatal(err)
	}
	return j
}

// keep copies entries, since a reader's *Measured is its own.
func keep(t testing.TB, seq func(func(rules.Entry, error) bool)) []rules.Entry {
	t.Helper()
	var out []rules.Entry
	for e, err := range seq {
		if err != nil {
			t.Fatal(err)
		}
		if m, ok := e.Body.(*rules.Measured); ok {
			c := *m
			e.Body = &c
		}
		out = append(out, e)
	}
	return out
}

func same(t testing.TB, want, got []rules.Entry) {
	t.Helper()
	for i := range min(len(want), len(got)) {
		if !equal(want[i], got[i]) {
			t.Fatalf("entry %d: want %+v %+v, got %+v %+v", i, want[i], want[i].Body, got[i], got[i].Body)
		}
	}
	if len(want) != len(got) {
		t.Fatalf("want %d entries, got %d", len(want), len(got))
	}
}

func equal(a, b rules.Entry) bool {
	m, ok := a.Body.(*rules.Measured)
	n, also := b.Body.(*rules.Measured)
	if ok && also { // most of them, and reflection is slow
		return a.Seq == b.Seq && a.At == b.At && *m == *n
	}
	return reflect.DeepEqual(a, b)
}

// site makes entries as a site would: mostly steady, now and then odd.
type site struct {
	*rand.Rand
	at  rules.Instant
	seq map[string]uint64
}

func newSite(seed uint64) *site {
	return &site{rand.New(rand.NewPCG(seed, 1)), rules.Instant{Boot: 1}, map[string]uint64{}}
}

func (s *site) entries(n int) []rules.Entry {
	out := make([]rules.Entry, n)
	for i := range out {
		if s.IntN(3) == 0 {
			s.at.Since += time.Duration(s.IntN(3000)) * time.Millisecond
		}
		out[i] = rules.Entry{At: s.at, Body: s.body()}
		if b, ok := out[i].Body.(*rules.Started); ok {
			b.Version = "test"
			s.at = rules.Instant{Boot: s.at.Boot + 1}
			out[i].At = s.at
		}
	}
	return out
}

func (s *site) body() rules.Body {
	switch s.IntN(400) {
	case 0:
		return &rules.Told{Kind: "mark", Name: "note", Note: "a \"quoted\" note, ünicode", Own: s.Int64N(1e13)}
	case 1:
		return &rules.Clocked{Wall: 1_790_000_000_000 + s.Int64N(1e9), Error: time.Second, Source: "system", Proven: s.IntN(2) == 0}
	case 2:
		if s.IntN(5) == 0 {
			return &rules.Started{Gap: time.Hour, GapKnown: true, Machine: "m"}
		}
	}
	p := quayside[s.IntN(len(quayside))]
	m := &rules.Measured{Reading: sensors.Reading{Point: p.Name}, Taken: s.at.Since}
	switch s.IntN(20) {
	case 0:
		m.Health = sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonCRC}
	case 1:
		m.Health = sensors.Health{Grade: sensors.Suspect, Reason: fmt.Sprint("odd-", s.IntN(3))}
		m.Taken -= time.Duration(s.IntN(100_000_000)) * time.Millisecond
	}
	if m.Health.Grade != sensors.Failed {
		m.Value = p.Quantity.Round(s.NormFloat64() * 1000)
	}
	if s.IntN(2) == 0 {
		m.Own = 1_790_000_000_000 + m.Taken.Milliseconds()
		if s.IntN(10) == 0 {
			m.Own = s.Int64() - s.Int64()
		}
	}
	if s.IntN(2) == 0 {
		s.seq[p.Name]++
		if s.IntN(50) == 0 {
			s.seq[p.Name] = s.Uint64()
		}
		m.HasSeq, m.Seq = true, s.seq[p.Name]
	}
	return m
}

// appendAll appends in commits of odd sizes.
func appendAll(t testing.TB, j *Journal, s *site, entries []rules.Entry) {
	t.Helper()
	for rest := entries; len(rest) > 0; {
		n := min(len(rest), 1+s.IntN(300))
		if err := j.Append(rest[:n], nil); err != nil {
			t.Fatal(err)
		}
		rest = rest[n:]
	}
}

func TestEntriesComeBackExactly(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	s := newSite(1)
	want := s.entries(20_000)
	appendAll(t, j, s, want)
	for i, e := range want {
		if e.Seq != uint64(i+1) {
			t.Fatalf("entry %d has number %d", i, e.Seq)
		}
	}
	same(t, want, keep(t, j.Entries(t.Context(), 0, 0, nil)))
	same(t, want[4999:5010], keep(t, j.Entries(t.Context(), 5000, 5010, nil)))
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, dir)
	same(t, want, keep(t, j.Entries(t.Context(), 0, 0, nil)))
	more := s.entries(100)
	appendAll(t, j, s, more)
	if more[0].Seq != 20_001 {
		t.Fatalf("the first entry after reopening has number %d", more[0].Seq)
	}
	same(t, more, keep(t, j.Entries(t.Context(), 20_001, 0, nil)))
}

func TestOnlyTheNamedPoints(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(2)
	all := s.entries(5000)
	appendAll(t, j, s, all)
	for _, names := range [][]string{{}, {"gauge"}, {"scale", "heater"}, {"unheard-of"}} {
		var want []rules.Entry
		for _, e := range all {
			m, ok := e.Body.(*rules.Measured)
			if !ok || contains(names, m.Point) {
				want = append(want, e)
			}
		}
		same(t, want, keep(t, j.Entries(t.Context(), 0, 0, names)))
	}
}

func contains(names []string, name string) bool {
	for _, n := range names {
		if n == name {
			return true
		}
	}
	return false
}

// benchReadings is one commit of 8,192 one-reading messages with own time and sequence.
func benchReadings() ([]rules.Entry, []sensors.Receipt) {
	es := make([]rules.Entry, 8192)
	rs := make([]sensors.Receipt, len(es))
	for i := range es {
		p := quayside[i%len(quayside)]
		es[i].Body = &rules.Measured{Reading: sensors.Reading{Point: p.Name, Value: p.Quantity.Round(float64(i) / 7),
			Own: 1_790_000_000_000 + int64(i), Seq: uint64(i / len(quayside)), HasSeq: true}}
		rs[i] = sensors.Receipt{Client: "standwatch-bench", Packet: uint16(i), Hash: uint64(i) * 0x9e3779b97f4a7c15}
	}
	return es, rs
}

func BenchmarkAppend(b *testing.B) {
	j := open(b, b.TempDir())
	es, rs := benchReadings()
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += 100 * time.Millisecond
		for i := range es {
			es[i].At = rules.Instant{Boot: 1, Since: at}
			es[i].Body.(*rules.Measured).Taken = at - time.Duration(i%50)*time.Millisecond
		}
		if err := j.Append(es, rs); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(es)*b.N)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkEntries(b *testing.B) {
	j := open(b, b.TempDir())
	es, _ := benchReadings()
	for k := range 50 {
		at := time.Duration(k) * 100 * time.Millisecond
		for i := range es {
			es[i].At = rules.Instant{Boot: 1, Since: at}
			es[i].Body.(*rules.Measured).Taken = at - time.Duration(i%50)*time.Millisecond
		}
		if err := j.Append(es, nil); err != nil {
			b.Fatal(err)
		}
	}
	for _, points := range [][]string{nil, {"gauge"}} {
		b.Run(fmt.Sprint(points), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				for _, err := range j.Entries(context.Background(), 0, 0, points) {
					if err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(50*len(es)*b.N)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
