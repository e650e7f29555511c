package main

import (
	"slices"
	"testing"
	"time"

	"standwatch/daemon/fieldlog"
	"standwatch/daemon/simulate/trial"
	"standwatch/rules"
)

// BenchmarkReading judges a trial of each scenario by all rules, as a replay
// does. Of each reading the least time of all runs counts, without what else the
// machine did then. Fits are scheduled, so the median reading meets none.
func BenchmarkReading(b *testing.B) {
	for _, s := range trial.Scenarios() {
		b.Run(s.Name, func(b *testing.B) {
			t := s.Of(1)
			site, err := siteOf(t)
			if err != nil {
				b.Fatal(err)
			}
			var all []rules.Entry
			if err := hear(t, site, fieldlog.NewReplay(site), func(e rules.Entry) { all = append(all, e) }); err != nil {
				b.Fatal(err)
			}
			took := make([]time.Duration, len(all))
			runs := 0
			for b.Loop() {
				engine := rules.NewEngine(site, rules.All())
				for i, e := range all {
					began := time.Now()
					engine.Next(e)
					if d := time.Since(began); runs == 0 || d < took[i] {
						took[i] = d
					}
				}
				runs++
			}
			var readings []time.Duration
			for i, e := range all {
				if _, is := e.Body.(*rules.Measured); is {
					readings = append(readings, took[i])
				}
			}
			slices.Sort(readings)
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(runs*len(all)), "ns/mean-reading")
			b.ReportMetric(float64(readings[len(readings)/2].Nanoseconds()), "ns/median-reading")
			b.ReportMetric(float64(readings[len(readings)*9/10].Nanoseconds()), "ns/9-in-10")
			b.ReportMetric(0, "ns/op")
		})
	}
}
