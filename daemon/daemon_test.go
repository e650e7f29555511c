package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/fieldlog/fieldlogtest"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// The site of these tests: a scale and a gauge at the invented site.
func testSite() rules.Site {
	return rules.Site{
		Name: "Quayside Library",
		Systems: []rules.System{{Refrigerant: "R-410A", Steps: map[string]map[string]rules.Setting{
			"weigh-in": {"target": {Value: 14.2, Text: "14.2 kg", Source: "site file", Given: true}},
		}}},
		Points: []sensors.Point{
			{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale", Every: 2 * time.Second, SilentAfter: 10 * time.Second},
			{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Every: time.Second, SilentAfter: 30 * time.Second},
		},
	}
}

// script is a source that does what a function says.
type script func(ctx context.Context, emit sensors.Emit)

func (s script) Run(ctx context.Context, emit sensors.Emit) error {
	s(ctx, emit)
	<-ctx.Done()
	return nil
}

// box opens the journal in dir and makes a daemon over it.
func box(t *testing.T, dir string, src sensors.Source) (*Daemon, *journal.Journal) {
	t.Helper()
	return boxOf(t, testSite(), dir, src)
}

// boxOf is box for a site that differs.
func boxOf(t *testing.T, site rules.Site, dir string, src sensors.Source) (*Daemon, *journal.Journal) {
	t.Helper()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	j, err := journal.Open(t.Context(), dir, log)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	return New(Parts{
		Site: site, BoxName: "test", Journal: j, Clock: steady{now, now.Sub(bootDay)}, Machine: "the same for all of a test",
		Sources: []Source{{"instruments", src}}, Log: log,
	}), j
}

// steady is the clock of a machine that runs on while a box is stopped and started again, by the
// bubble's time alone: the kernel's own would count, too, how long the test's work takes.
type steady struct {
	begun  time.Time
	booted time.Duration // until begun
}

var bootDay = time.Date(1999, 12, 31, 0, 0, 0, 0, time.UTC) // the day before a bubble's time begins

func (s steady) Stamp(int64) time.Duration {
	return (s.booted + time.Since(s.begun)).Truncate(time.Millisecond)
}

func (s steady) Anchor(at time.Duration) *rules.Clocked {
	return &rules.Clocked{Wall: bootDay.UnixMilli() + at.Milliseconds(), Source: "system", Proven: true}
}

// run runs a box for a while of the bubble's time, and stops it in order.
func run(t *testing.T, d *Daemon, during func(ctx context.Context)) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	during(ctx)
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func findings(t *testing.T, j *journal.Journal) string {
	t.Helper()
	found, err := j.Findings(context.WithoutCancel(t.Context()), 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	anchors, err := j.Anchors(context.WithoutCancel(t.Context()))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, f := range found {
		ms, _ := anchors.Wall(f.At)
		fmt.Fprintf(&b, "%s\n", f.JSON(time.UnixMilli(ms)))
	}
	return b.String()
}

// replayed exports a journal and puts the log through Replay.
func replayed(t *testing.T, j *journal.Journal) string {
	t.Helper()
	ctx := context.WithoutCancel(t.Context())
	file := filepath.Join(t.TempDir(), "log.csv")
	if err := os.WriteFile(file, fieldlogtest.Of(t, j), 0o600); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	_, err := Replay(ctx, ReplayParts{Site: testSite(), Rules: rules.All(), Found: func(f rules.Finding, wall time.Time) error {
		fmt.Fprintf(&b, "%s\n", f.JSON(wall))
		return nil
	}}, []string{file})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// weighing gives the scale every 2 s, losing 4 g a second, but for the spans
// in which it sleeps, and a gauge that stays.
func weighing(start time.Time, asleep func(time.Duration) bool) script {
	return func(ctx context.Context, emit sensors.Emit) {
		for ctx.Err() == nil {
			t := time.Since(start)
			var rs []sensors.Reading
			if !asleep(t) {
				rs = append(rs, sensors.Mass.Reading("scale", 38.4-0.004*t.Seconds(), "kg"))
			}
			emit(sensors.Delivery{Readings: append(rs, sensors.Vacuum.Reading("gauge", 312, "micron"))})
			time.Sleep(2 * time.Second)
		}
	}
}

// A scale that goes quiet in a weigh-in is told at its limit and wakes at 60 s,
// though nothing else happens; and a replay of the exported log finds the same
// at the same moments, also over restarts.
func TestSilentScaleLiveAndReplayed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, start := t.TempDir(), time.Now()
		asleep := func(d time.Duration) bool {
			return d > 5*time.Minute && d < 7*time.Minute || d > 12*time.Minute
		}
		d, j := box(t, dir, weighing(start, asleep))
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Minute)
			if err := d.Tell(ctx, rules.Told{Kind: "begin", Name: "weigh-in"}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(9 * time.Minute)
		})
		first := findings(t, j)
		for _, want := range []string{
			`"rule":"scale-silent","state":"raised","urgency":"tell"`,
			`"rule":"scale-silent","state":"raised","urgency":"wake"`,
			`"rule":"scale-silent","state":"cleared"`,
		} {
			if strings.Count(first, want) != 1 {
				t.Errorf("the first run found %d times %s, want once:\n%s", strings.Count(first, want), want, first)
			}
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}

		// Again over the same journal: nothing is repeated, the step goes on, and
		// the second silence is found by the judge that began in the first run.
		time.Sleep(time.Minute)
		d, j = box(t, dir, weighing(start, asleep))
		run(t, d, func(context.Context) {
			time.Sleep(3 * time.Minute)
			if s := d.Now(); len(s.Running) != 1 || s.Running[0].Name != "weigh-in" {
				t.Errorf("after a restart the running steps are %v", s.Running)
			}
		})
		both := findings(t, j)
		if !strings.HasPrefix(both, first) {
			t.Errorf("the restart changed what had been found:\n%s\nwas\n%s", both, first)
		}
		if n := strings.Count(both[len(first):], `"rule":"scale-silent","state":"raised","urgency":"wake"`); n != 1 {
			t.Errorf("the second silence woke %d times, want once:\n%s", n, both[len(first):])
		}
		if again := replayed(t, j); again != both {
			t.Errorf("the replay found\n%s\nlive it was\n%s", again, both)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// While readings come, time passes by them: the wall clock is written down at the start and once an
// hour, and not at each deadline that the next reading puts off. An anchor is a mark, which is read
// at every start, and a commit of its own. One that no reading comes for is written when it is due.
func TestSteadyReadingsNeedNoAnchors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		speaks := 80 * time.Minute
		d, j := box(t, t.TempDir(), script(func(ctx context.Context, emit sensors.Emit) {
			for ctx.Err() == nil && time.Since(start) < speaks {
				emit(sensors.Delivery{Readings: []sensors.Reading{sensors.Mass.Reading("scale", 38.4, "kg"), sensors.Vacuum.Reading("gauge", 312, "micron")}})
				time.Sleep(3700 * time.Millisecond)
			}
		}))
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Minute)
			if err := d.Tell(ctx, rules.Told{Kind: "begin", Name: "weigh-in"}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Minute)
			if err := d.Tell(ctx, rules.Told{Kind: "end", Name: "weigh-in"}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(speaks + 20*time.Second - time.Since(start))
		})
		marks, err := j.Marks(context.WithoutCancel(t.Context()))
		if err != nil {
			t.Fatal(err)
		}
		var at []time.Duration
		for _, m := range marks {
			if _, ok := m.Body.(*rules.Clocked); ok {
				at = append(at, (m.At.Since - marks[0].At.Since).Round(time.Second))
			}
		}
		// The second: the begin's own look at its points. The last: 10 s after the scale's last reading.
		if len(at) != 4 || at[0] != 0 || at[1] > 62*time.Second || at[2]-at[1]-time.Hour > 2*time.Second || at[2] < at[1]+time.Hour || at[3] < speaks+6*time.Second || at[3] > speaks+11*time.Second {
			t.Errorf("the wall clock was written down at %v; want at the start, at the begin, an hour later, and about %v", at, speaks+10*time.Second)
		}
		if found := findings(t, j); strings.Count(found, `"rule":"point-silent","state":"raised"`) != 1 {
			t.Errorf("the scale's silence was not found once:\n%s", found)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// Nothing is acknowledged before it is durable, and everything is.
func TestKeptAfterCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		var j *journal.Journal
		kept := 0
		src := script(func(ctx context.Context, emit sensors.Emit) {
			for i := range 100 {
				emit(sensors.Delivery{
					Readings: []sensors.Reading{sensors.Mass.Reading("scale", float64(i), "kg")},
					Kept: func() {
						kept++
						last, err := j.Last(context.WithoutCancel(ctx))
						if err != nil || last < uint64(kept) {
							t.Errorf("acknowledged %d readings, but %d entries are in the journal (%v)", kept, last, err)
						}
					},
				})
				time.Sleep(10 * time.Millisecond)
			}
		})
		var d *Daemon
		d, j = box(t, dir, src)
		run(t, d, func(context.Context) { time.Sleep(900 * time.Millisecond) }) // stops with some still waiting
		if kept < 90 {
			t.Errorf("%d readings were acknowledged, want all that were handed over (90)", kept)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A time of its own that is years off is named, and the reading stands at the
// moment the box heard it.
func TestOwnTimeYearsOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := time.Now()
		src := script(func(ctx context.Context, emit sensors.Emit) {
			for _, own := range []time.Time{now.AddDate(-10, 0, 0), now.AddDate(10, 0, 0), now.Add(-time.Hour), now} {
				r := sensors.Mass.Reading("scale", 1, "kg")
				r.Own = own.UnixMilli()
				emit(sensors.Delivery{Readings: []sensors.Reading{r}})
			}
		})
		d, j := box(t, t.TempDir(), src)
		run(t, d, func(context.Context) { time.Sleep(time.Second) })
		var got []string
		for e, err := range j.Entries(context.WithoutCancel(t.Context()), 1, 0, nil) {
			if err != nil {
				t.Fatal(err)
			}
			if m, ok := reading(e); ok {
				got = append(got, fmt.Sprintf("%s %v", m.Health.Reason, (m.Taken-e.At.Since).Round(time.Second)))
			}
		}
		want := "time-off 0s, time-off 0s,  -1h0m0s,  0s"
		if s := strings.Join(got, ", "); s != want {
			t.Errorf("kept as %q, want %q", s, want)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A driver that panics silences its own points and nothing else, and is run again.
func TestPanicInASource(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		runs := 0
		src := script(func(ctx context.Context, emit sensors.Emit) {
			if runs++; runs == 1 {
				panic("a cable fell off")
			}
			emit(sensors.Delivery{Readings: []sensors.Reading{sensors.Mass.Reading("scale", 1, "kg")}})
		})
		d, j := box(t, t.TempDir(), src)
		run(t, d, func(context.Context) {
			time.Sleep(time.Second)
			if ds := d.Now().Devices; len(ds) != 1 || ds[0].OK || !strings.Contains(ds[0].Sentence, "a cable fell off") {
				t.Errorf("the devices say %+v", ds)
			}
			time.Sleep(sourcePause)
			if p := d.Now().Points[0]; p.Count != 1 {
				t.Errorf("after the pause %d readings came, want 1", p.Count)
			}
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A flag of a point that the site file names no more is cleared at the next
// start: no judge is left that could, and it would stand on the screens for ever.
func TestFlagOfAPointThatIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		nothing := script(func(context.Context, sensors.Emit) {})
		start := func(site rules.Site) (open []string) {
			d, j := boxOf(t, site, dir, nothing)
			defer j.Close()
			run(t, d, func(context.Context) {
				time.Sleep(time.Minute)
				for _, f := range d.Now().Flags {
					if f.Flag.Flag != "box-restarted" { // the box's own
						open = append(open, f.Subject)
					}
				}
			})
			slices.Sort(open)
			return open
		}
		both, one := testSite(), testSite()
		one.Points = one.Points[1:]
		start(both)
		if got := start(both); !slices.Equal(got, []string{"gauge", "scale"}) {
			t.Fatalf("open %q, want those of both points", got)
		}
		for range 2 {
			if got := start(one); !slices.Equal(got, []string{"gauge"}) {
				t.Errorf("open %q, want that of the point which is left", got)
			}
		}
	})
}

// wild is a rule with a fault.
type wild struct{}

func (wild) Next(e rules.Entry) []rules.Finding {
	if _, ok := e.Body.(*rules.Measured); ok {
		panic("a fault of this rule")
	}
	return nil
}

func (wild) Due() (time.Duration, bool) { return 0, false }

// A rule that panics is silent from then on and shows; readings and the other
// rules go on.
func TestPanicInARule(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := script(func(_ context.Context, emit sensors.Emit) {
			emit(sensors.Delivery{Readings: []sensors.Reading{sensors.Vacuum.Reading("gauge", 312, "micron")}})
		})
		d, j := box(t, t.TempDir(), src)
		p := d.parts
		p.Rules = append([]rules.Rule{{Name: "wild", Flags: []string{"wild"}, Begin: func(rules.Start) rules.Judge { return wild{} }}}, rules.All()...)
		d = New(p)
		run(t, d, func(context.Context) {
			time.Sleep(time.Minute)
			if ds := d.Now().Devices; len(ds) != 1 || ds[0].OK || ds[0].Name != "rule wild" || !strings.Contains(ds[0].Sentence, "a fault of this rule") {
				t.Errorf("the box says %+v", ds)
			}
		})
		if f := findings(t, j); !strings.Contains(f, `"rule":"point-silent"`) {
			t.Errorf("the other rules found only\n%s", f)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// slow is a rule that waits at one mark until it is let go on, and counts the marks it has seen.
type slow struct {
	wait chan struct{}
	seen *atomic.Int64
}

func (s slow) Next(e rules.Entry) []rules.Finding {
	if m, ok := e.Body.(*rules.Told); ok {
		if m.Note == "wait" {
			<-s.wait
		}
		s.seen.Add(1)
	}
	return nil
}

func (slow) Due() (time.Duration, bool) { return 0, false }

// While judging is slow more is committed than memory holds, and then nothing
// more comes: all of it is judged all the same. (A demo once stood still so.)
func TestWhatCameWhileJudgingWasSlowIsJudged(t *testing.T) {
	site := testSite()
	site.Points = nil // nobody's silence brings a later commit
	d, j := boxOf(t, site, t.TempDir(), script(func(context.Context, sensors.Emit) {}))
	s := slow{make(chan struct{}), new(atomic.Int64)}
	p := d.parts
	p.Rules = []rules.Rule{{Name: "slow", Flags: []string{"slow"}, Roles: []string{}, Begin: func(rules.Start) rules.Judge { return s }}}
	d = New(p)
	told := int64(0)
	tell := func(ctx context.Context, note string) {
		if err := d.Tell(ctx, rules.Told{Kind: "mark", Name: "note", Note: note}); err != nil {
			t.Error(err)
		}
		told++
	}
	run(t, d, func(ctx context.Context) {
		for range 10 {
			tell(ctx, "wait")
			for range 2 * offeredLength {
				tell(ctx, "more")
			}
			s.wait <- struct{}{}
			for begun := time.Now(); s.seen.Load() < told; time.Sleep(time.Millisecond) {
				if time.Since(begun) > 30*time.Second {
					t.Errorf("of %d marks %d are judged, and nothing more happens", told, s.seen.Load())
					return
				}
			}
		}
	})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}
