package rules

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"standwatch/sensors"
)

// BenchmarkWeighIn judges a weigh-in that is weighed each second, on to the
// target and past it. Beside the mean it tells the median reading: fits are
// scheduled, so most readings meet none.
func BenchmarkWeighIn(b *testing.B) {
	site := Site{Points: []sensors.Point{{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale", Every: time.Second}},
		Systems: []System{{Steps: map[string]map[string]Setting{"weigh-in": {"target": {Value: 8, Source: "site file", Given: true}}}}}}
	r := rand.New(rand.NewPCG(1, 2))
	var grosses []float64
	for s := range 3600 {
		flowed := min(8.1, 0.15/60*float64(max(0, s-60)))
		grosses = append(grosses, math.Round((30-flowed+0.003*r.NormFloat64())/0.005)*0.005)
	}
	var took []time.Duration
	for b.Loop() {
		e := NewEngine(site, []Rule{ChargeTarget, ScaleSilent})
		seq := uint64(0)
		next := func(s int, body Body) {
			seq++
			e.Next(Entry{Seq: seq, At: Instant{1, time.Duration(s) * time.Second}, Body: body})
		}
		next(0, &Started{GapKnown: true})
		next(0, &Told{Kind: "begin", Name: "weigh-in"})
		took = took[:0]
		for s, kg := range grosses {
			m := &Measured{Reading: sensors.Mass.Reading("scale", kg, "kg"), Taken: time.Duration(s+1) * time.Second}
			began := time.Now()
			next(s+1, m)
			took = append(took, time.Since(began))
		}
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Nanoseconds()), "ns/median-reading")
	b.ReportMetric(float64(took[len(took)*9/10].Nanoseconds()), "ns/9-in-10")
	b.ReportMetric(0, "ns/op")
}

// The oldest rows fold into one, of the same sums, however many there were.
func TestFoldedRowsKeepTheirSums(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	p := &platform{cylinder: 1, start: weight{kg: 20}}
	l := &ledger{platforms: []*platform{p}}
	for range 5 * rowsMost {
		kg := r.Float64()
		row := Segment{Cylinder: 1, LowKg: kg, BestKg: kg, HighKg: kg}
		if r.IntN(3) == 0 {
			row.LowKg, row.HighKg = 0, 2*kg
		}
		p.rows = append(p.rows, row)
	}
	p.zeroedRow = len(p.rows) - 1
	zeroed := p.rows[p.zeroedRow-1]
	was := l.charge(Setting{}, false)
	p.weigh(sample{time.Second, 20})
	is := l.charge(Setting{}, false)
	if len(p.rows) != rowsMost || p.rows[p.zeroedRow-1] != zeroed {
		t.Errorf("%d rows, of which number %d was zeroed; want %d, and the one before the last", len(p.rows), p.zeroedRow, rowsMost)
	}
	for _, d := range []float64{is.lowKg - was.lowKg, is.bestKg - was.bestKg, is.highKg - was.highKg, is.unweighedKg - was.unweighedKg} {
		if math.Abs(d) > 2e-6 {
			t.Errorf("%+v became %+v", was, is)
		}
	}
}
