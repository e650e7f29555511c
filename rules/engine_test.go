package rules

import (
	"fmt"
	"testing"
	"time"

	"standwatch/sensors"
)

func at(boot uint32, s float64) Instant {
	return Instant{boot, time.Duration(s * float64(time.Second)).Round(time.Millisecond)}
}

// feed numbers entries and applies them.
type feed struct {
	*Engine
	seq uint64
}

func (f *feed) next(boot uint32, s float64, b Body) []Finding {
	f.seq++
	return f.Next(Entry{Seq: f.seq, At: at(boot, s), Body: b})
}

func (f *feed) read(boot uint32, s float64, point string, v float64) []Finding {
	return f.next(boot, s, &Measured{Reading: sensors.Reading{Point: point, Value: v}, Taken: at(boot, s).Since})
}

// alarm is a judge for tests of the engine: it wants to be asked at set
// moments and says each time which one it was.
type alarm struct {
	name string
	at   []time.Duration
}

func (a *alarm) Next(e Entry) []Finding {
	if _, ok := e.Body.(*Due); !ok {
		return nil
	}
	a.at = a.at[1:]
	return []Finding{{Edge: Raised, Flag: a.name, Subject: fmt.Sprint(e.At.Since), Urgency: Tell}}
}

func (a *alarm) Due() (time.Duration, bool) {
	if len(a.at) == 0 {
		return 0, false
	}
	return a.at[0], true
}

func alarms(name string, secs ...int) Rule {
	return Rule{Name: name, Flags: []string{name}, Begin: func(Start) Judge {
		a := &alarm{name: name}
		for _, s := range secs {
			a.at = append(a.at, time.Duration(s)*time.Second)
		}
		return a
	}}
}

var onePoint = []sensors.Point{{Name: "p", Quantity: sensors.Temperature, SilentAfter: 10 * time.Second}}

func TestDeadlinesFireInOrderAndStrictlyBeforeTheEntry(t *testing.T) {
	e := feed{Engine: NewEngine(Site{Points: onePoint}, []Rule{alarms("a", 5, 20, 30), alarms("b", 5, 10, 30)})}
	e.next(1, 0, &Started{})
	var got []string
	for _, f := range e.read(1, 30, "p", 1) {
		got = append(got, f.Flag+" "+f.Subject+" "+fmt.Sprint(f.At.Since))
	}
	want := []string{"a 5s 5s", "b 5s 5s", "b 10s 10s", "a 20s 20s"} // 30 s is in time: not before the entry at 30 s
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if due, ok := e.Due(); !ok || due != at(1, 30) {
		t.Errorf("Due is %v %v, want 30 s", due, ok)
	}
	if fs := e.next(1, 30.001, &Clocked{}); len(fs) != 2 {
		t.Errorf("just after 30 s: %d findings, want both deadlines", len(fs))
	}
}

func TestDeadlinesAreVoidAtTheNextStart(t *testing.T) {
	e := feed{Engine: NewEngine(Site{Points: onePoint}, []Rule{alarms("a", 5)})}
	e.next(1, 0, &Started{})
	if fs := e.next(2, 100, &Started{}); len(fs) != 0 {
		t.Errorf("a deadline outlived its boot: %v", fs)
	}
}

// stubborn wants the same moment for ever.
type stubborn struct{}

func (stubborn) Next(Entry) []Finding       { return nil }
func (stubborn) Due() (time.Duration, bool) { return time.Second, true }

func TestAJudgeThatNeverMovesOnCannotHoldUpTime(t *testing.T) {
	e := feed{Engine: NewEngine(Site{Points: onePoint}, []Rule{{Name: "s", Begin: func(Start) Judge { return stubborn{} }}})}
	e.next(1, 0, &Started{})
	for s := range 100 {
		e.read(1, float64(10+s), "p", 1) // would not return
	}
}

func TestAcknowledgementNamesFlagAndSubject(t *testing.T) {
	e := feed{Engine: NewEngine(Site{Points: onePoint}, []Rule{PointSilent})}
	e.next(1, 0, &Started{})
	e.next(1, 20, &Clocked{})
	e.next(1, 21, &Told{Kind: "mark", Name: "acknowledged", Note: "point-silent q"})
	if e.Open()[0].Acknowledged {
		t.Error("acknowledged by another subject's mark")
	}
	e.next(1, 22, &Told{Kind: "mark", Name: "acknowledged", Note: "point-silent p", By: "ana"})
	if o := e.Open()[0]; !o.Acknowledged || o.By != "ana" {
		t.Errorf("not acknowledged: %+v", o)
	}
}

func BenchmarkStandingRulesAndAStep(b *testing.B) {
	var site Site
	for i := range 200 {
		site.Points = append(site.Points, sensors.Point{Name: fmt.Sprintf("room-%03d-supply", i), Quantity: sensors.Temperature, SilentAfter: 10 * time.Second})
	}
	site.Points = append(site.Points, sensors.Point{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", SilentAfter: 10 * time.Second})
	e := NewEngine(site, All())
	e.Next(Entry{Seq: 1, At: Instant{1, 0}, Body: &Started{}})
	e.Next(Entry{Seq: 2, At: Instant{1, 0}, Body: &Told{Kind: "begin", Name: "vacuum-hold"}})
	m := &Measured{}
	entry := Entry{Body: m}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		p := n % len(site.Points)
		since := time.Duration(n/len(site.Points)) * time.Second
		entry.Seq, entry.At = uint64(n+3), Instant{1, since}
		m.Reading = sensors.Reading{Point: site.Points[p].Name, Value: 35}
		m.Taken = since
		e.Next(entry)
		n++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
