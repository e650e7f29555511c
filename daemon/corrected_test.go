package daemon

import (
	"context"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// A night in which a gauge is calibrated, in the middle of a hold and before
// the next, exchanged and calibrated anew, over a restart: a replay finds the
// same to the byte, pages show the corrected value with the raw one beside it,
// and each reading of a curve is corrected by what held when it was taken.
func TestCalibratedLiveAndReplayed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		steady := script(func(ctx context.Context, emit sensors.Emit) {
			for ctx.Err() == nil {
				emit(sensors.Delivery{Readings: []sensors.Reading{sensors.Vacuum.Reading("gauge", 40, "Pa"), sensors.Mass.Reading("scale", 30, "kg")}})
				time.Sleep(2 * time.Second)
			}
		})
		tell := func(ctx context.Context, d *Daemon, told ...rules.Told) {
			t.Helper()
			if err := d.Tell(ctx, told...); err != nil {
				t.Fatal(err)
			}
		}
		calibrated := func(note string) rules.Told {
			return rules.Told{Kind: "mark", Name: "calibrated", Note: note, By: "Ines"}
		}
		start := time.Now()
		d, j := box(t, dir, steady)
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Minute)
			tell(ctx, d, calibrated("gauge offset 5 Pa against a second gauge valid until 1999-12-31"), calibrated("gauge off by a bit"))
			tell(ctx, d, rules.Told{Kind: "begin", Name: "vacuum-hold"})
			time.Sleep(10 * time.Minute)
			tell(ctx, d, calibrated("gauge gain 1.1 against a second gauge"))
			time.Sleep(20 * time.Minute)
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		d, j = box(t, dir, steady)
		run(t, d, func(ctx context.Context) {
			time.Sleep(40 * time.Minute)
			tell(ctx, d, rules.Told{Kind: "end", Name: "vacuum-hold"}, rules.Told{Kind: "begin", Name: "vacuum-hold"})
			time.Sleep(70 * time.Minute)
			tell(ctx, d, rules.Told{Kind: "end", Name: "vacuum-hold"}, rules.Told{Kind: "mark", Name: "placed", Note: "gauge exchanged serial 12"})
			time.Sleep(20 * time.Minute)
			tell(ctx, d, calibrated("gauge shows 40 Pa at 38 Pa"))
			time.Sleep(10 * time.Second)
			now := d.Now()
			for _, p := range now.Points {
				if p.Name == "gauge" && (p.Value != 38 || p.Shown != 40 || p.Holds.Serial != "12" || len(p.Said) != 5) {
					t.Errorf("the page of the gauge has %+v", p)
				}
				if p.Name == "scale" && (p.Value != 30 || p.Shown != 30 || len(p.Said) != 0) {
					t.Errorf("the page of the scale has %+v", p)
				}
			}
			if n := len(now.Past); n != 2 || !strings.Contains(now.Past[1].Verdicts[0].Text, "gauge +37.5 micron") || !strings.Contains(now.Past[0].Verdicts[0].Text, "gauge times 1.1") {
				t.Errorf("the %d holds do not say by which correction they were read: %+v", n, now.Past)
			}
			for minute, want := range map[float64]float64{0.5: 40, 5: 45, 20: 44, 90: 44, 150: 40} {
				at := start.Add(time.Duration(minute * float64(time.Minute))).UnixMilli()
				ss, err := d.Curve(ctx, "gauge", at-20_000, at+20_000, 100)
				if err != nil || len(ss) == 0 {
					t.Fatalf("no curve: %v", err)
				}
				for _, s := range ss {
					if s.Value != want || s.Low != want || s.High != want {
						t.Errorf("at minute %v the curve shows %+v, want %v", minute, s, want)
					}
				}
				cs, err := d.Columns(ctx, []string{"scale", "gauge"}, at-20_000, at+20_000, 100)
				if err != nil || len(cs.Points[1]) == 0 {
					t.Fatalf("no trace: %v", err)
				}
				for _, c := range cs.Points[1] {
					if math.Abs(c.Mean-want) > 1e-9 || c.Low != want || c.High != want {
						t.Errorf("at minute %v the trace shows %+v, want %v", minute, c, want)
					}
				}
				if c := cs.Points[0][0]; c.Mean != 30 {
					t.Errorf("the scale's trace shows %+v", c)
				}
			}
			whole, err := d.Columns(ctx, []string{"gauge"}, start.UnixMilli(), time.Now().UnixMilli(), 20)
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range whole.Points[0] {
				if c.Count > 0 && (c.Low > c.Mean+1e-9 || c.High < c.Mean-1e-9 || c.Low < 38 || c.High > 45) {
					t.Errorf("a wide column is %+v", c)
				}
			}
		})
		live := findings(t, j)
		for _, want := range []string{`"rule":"calibration-waits"`, `"rule":"mark-doubtful"`, `"rule":"calibration-expired"`, `"start_pa":45`, `"start_pa":44`} {
			if strings.Count(live, want) == 0 {
				t.Errorf("live nothing was found of %s:\n%s", want, live)
			}
		}
		if again := replayed(t, j); again != live {
			t.Errorf("the replay found\n%s\nlive it was\n%s", again, live)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
