package journal

import (
	"fmt"
	"log/slog"
	"math"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// A night for the benchmarks: 12 h of 200 thermometers, a reading a second each.
const (
	nightPoints  = 200
	nightSeconds = 12 * 3600
	nightBegins  = 1_790_000_000_000
)

func longNight(b *testing.B) (*Journal, []string) {
	b.Helper()
	j, err := Open(b.Context(), b.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = j.Close() })
	var points []sensors.Point
	var names []string
	for i := range nightPoints {
		names = append(names, fmt.Sprintf("point-%03d", i))
		points = append(points, sensors.Point{Name: names[i], Quantity: sensors.Temperature})
	}
	if err := j.Points(points); err != nil {
		b.Fatal(err)
	}
	if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1}, Body: &rules.Clocked{Wall: nightBegins, Proven: true}}}, nil); err != nil {
		b.Fatal(err)
	}
	const together = 10 // seconds a commit: only the making is faster
	for s := 0; s < nightSeconds; s += together {
		es := make([]rules.Entry, 0, together*nightPoints)
		for k := range together {
			at := time.Duration(s+k) * time.Second
			for i := range nightPoints {
				t := float64(s + k)
				v := 20 + 5*math.Sin(t/7000+float64(i)) + 0.2*math.Sin(t*float64(i%7+1))
				es = append(es, rules.Entry{At: rules.Instant{Boot: 1, Since: at + time.Duration(i)*time.Millisecond},
					Body: &rules.Measured{Reading: sensors.Reading{Point: names[i], Value: v}, Taken: at + time.Duration(i)*time.Millisecond}})
			}
		}
		if err := j.Append(es, nil); err != nil {
			b.Fatal(err)
		}
	}
	return j, names
}

// Reading a trace of a night of 200 points, with its roll-ups and without.
func BenchmarkColumns(b *testing.B) {
	j, names := longNight(b)
	if err := j.Seal(b.Context(), rules.Instant{Boot: 1, Since: nightSeconds * time.Second}); err != nil {
		b.Fatal(err)
	}
	ask := func(name string, points []string, hours float64, most int) {
		b.Run(name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				to := int64(nightBegins + nightSeconds*1000)
				got, err := j.Columns(b.Context(), points, to-int64(hours*3.6e6), to, most)
				if err != nil {
					b.Fatal(err)
				}
				n = len(got.Points[0])
			}
			b.ReportMetric(float64(n), "columns")
		})
	}
	// Else the first would pay for reading all of it from the write-ahead log.
	if err := execute(j.conn, `PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		b.Fatal(err)
	}
	ask("raw/4-points/12h", names[:4], 12, 720)
	ask("raw/200-points/12h", names, 12, 100)
	b.Run("rolling-up", func(b *testing.B) {
		for b.Loop() {
			if err := execute(j.conn, `DELETE FROM rollups`); err != nil {
				b.Fatal(err)
			}
			if err := j.RollUp(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		for _, q := range []struct{ name, sql string }{{"sealed-bytes", `SELECT sum(length(blob)) FROM batches`},
			{"minute-bytes", `SELECT sum(length(blob)) FROM rollups WHERE level_ms = 60000`}, {"ten-minute-bytes", `SELECT sum(length(blob)) FROM rollups WHERE level_ms = 600000`}} {
			n, err := number(j.conn, q.sql)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(n), q.name)
		}
	})
	ask("4-points/12h", names[:4], 12, 720)
	ask("200-points/12h", names, 12, 100)
	ask("4-points/6h", names[:4], 6, 720)
	ask("4-points/3h", names[:4], 3, 720)
	ask("4-points/1h", names[:4], 1, 720)
	ask("4-points/5min", names[:4], 1.0/12, 720)
}
