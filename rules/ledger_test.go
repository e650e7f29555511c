package rules

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"standwatch/sensors"
)

// weighInNight is a weigh-in, weighed at even times, on to the target and past it
// by so much; then the step is left as it is for a while.
type weighInNight struct {
	every, quiet time.Duration
	overKg       float64
}

// entries are what the box would have heard, and the site.
func (n weighInNight) entries() (Site, []Entry) {
	site := Site{Points: []sensors.Point{{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale", Every: n.every}},
		Systems: []System{{Steps: map[string]map[string]Setting{"weigh-in": {"target": {Value: 8, Source: "site file", Given: true}}}}}}
	r := rand.New(rand.NewPCG(1, 2))
	all := []Entry{{Seq: 1, At: Instant{Boot: 1}, Body: &Started{GapKnown: true}}, {Seq: 2, At: Instant{Boot: 1}, Body: &Told{Kind: "begin", Name: "weigh-in"}}}
	for at := n.every; at <= time.Hour+n.quiet; at += n.every {
		flowed := min(8+n.overKg, 0.15/60*max(0, (at-time.Minute).Seconds()))
		kg := math.Round((30-flowed+0.003*r.NormFloat64())/0.005) * 0.005
		all = append(all, Entry{Seq: uint64(len(all) + 1), At: Instant{1, at}, Body: &Measured{Reading: sensors.Mass.Reading("scale", kg, "kg"), Taken: at}})
	}
	return site, all
}

// BenchmarkWeighIn judges weigh-ins. Of each reading the least time of all runs
// counts, without what else the machine did then; fits are scheduled, so the
// median reading meets none. deploy/scoring has the same of all other steps.
func BenchmarkWeighIn(b *testing.B) {
	for _, c := range []struct {
		name string
		weighInNight
	}{
		{"EachSecond", weighInNight{every: time.Second, overKg: 0.1}},
		{"Each5Seconds", weighInNight{every: 5 * time.Second, overKg: 0.1}},
		{"LeftJustOver", weighInNight{every: time.Second, quiet: 2 * time.Hour, overKg: 0.004}},
	} {
		b.Run(c.name, func(b *testing.B) {
			site, all := c.entries()
			took := make([]time.Duration, len(all))
			runs := 0
			for b.Loop() {
				e := NewEngine(site, []Rule{ChargeTarget, ScaleSilent})
				for i, entry := range all {
					began := time.Now()
					e.Next(entry)
					if d := time.Since(began); runs == 0 || d < took[i] {
						took[i] = d
					}
				}
				runs++
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(runs*len(all)), "ns/mean-reading")
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Nanoseconds()), "ns/median-reading")
			b.ReportMetric(float64(took[len(took)*9/10].Nanoseconds()), "ns/9-in-10")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// Nothing is fitted at most readings: what is, takes room.
func TestMostReadingsOfAWeighInAreFittedToNothing(t *testing.T) {
	for _, n := range []weighInNight{{every: time.Second, overKg: 0.1}, {every: time.Second, quiet: 2 * time.Hour, overKg: 0.004}, {every: time.Second, quiet: time.Hour, overKg: -0.1}} {
		site, all := n.entries()
		e := NewEngine(site, []Rule{ChargeTarget, ScaleSilent})
		var before, after runtime.MemStats
		fitted := 0
		for _, entry := range all {
			runtime.ReadMemStats(&before)
			e.Next(entry)
			if runtime.ReadMemStats(&after); after.Mallocs > before.Mallocs {
				fitted++
			}
		}
		if 3*fitted > len(all) { // each fourth by the clock of the fits
			t.Errorf("%+v: %d of %d entries took room", n, fitted, len(all))
		}
	}
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
