package rules

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

// The card shows the half that is going on, as it was asked, and proposes the
// exchange once it has lasted: whoever reads the next half amid this one
// exchanges too early.
func TestTheMixedRunShowsTheHalfThatIsGoingOn(t *testing.T) {
	site := Site{Systems: []System{{HeatRecovery: true}}}
	for i := range 4 {
		site.Systems[0].Units = append(site.Systems[0].Units, Unit{Name: fmt.Sprintf("iu%d", i+1)})
	}
	x := feed{Engine: NewEngine(site, []Rule{MixedRun})}
	x.next(1, 0, &Started{})
	x.next(1, 0, &Told{Kind: "begin", Name: "mixed-run"})
	says := func(s float64) string {
		a := x.Outlooks(at(1, s))[0].Next
		if a == nil {
			return "nothing"
		}
		var asked []string
		for _, c := range a.Commands {
			asked = append(asked, c.What)
		}
		left := "now"
		if a.Left > 0 {
			left = a.Left.String()
		}
		return fmt.Sprintf("%d of %d %s: %s", a.Run, a.Of, left, strings.Join(asked, " "))
	}
	ask := func(s float64, whats ...string) {
		for i, what := range whats {
			x.next(1, s, &Told{Kind: "command", Name: fmt.Sprintf("iu%d", i+1), Note: what})
		}
	}
	lasts := (20 * time.Minute).Seconds()
	want := func(s float64, w string) {
		t.Helper()
		if got := says(s); got != w {
			t.Errorf("after %v: %s, want %s", time.Duration(s)*time.Second, got, w)
		}
	}
	want(10, "1 of 2 now: heat cool heat cool")
	ask(60, "heat", "cool", "heat", "cool")
	want(60+300, "1 of 2 15m0s: heat cool heat cool")
	want(60+lasts, "2 of 2 now: cool heat cool heat")
	ask(1400, "cool", "heat", "cool", "heat")
	want(1400+600, "2 of 2 10m0s: cool heat cool heat")
	want(1400+lasts, "nothing")
	o := x.Outlooks(at(1, 1400+lasts))[0].Outlook
	if !strings.Contains(o.Sentence, "both halves have had their 20 min: end the step") || !strings.Contains(o.Units[0].Sentence, "type what you read off") {
		t.Errorf("at the end it says %q, and of a unit without sensors %q", o.Sentence, o.Units[0].Sentence)
	}
	// Who stops all of them between the halves is asked for the other half.
	x = feed{Engine: NewEngine(site, []Rule{MixedRun})}
	x.next(1, 0, &Started{})
	x.next(1, 0, &Told{Kind: "begin", Name: "mixed-run"})
	ask(60, "cool", "heat", "cool", "heat")
	ask(1400, "fan", "fan", "fan", "fan")
	want(1500, "2 of 2 now: heat cool heat cool")
}

// Sensors add up how long each unit has run as they go: the second half is not over as it begins.
func TestTheMixedRunShowsItsSecondHalfWithSensors(t *testing.T) {
	site := Site{Systems: []System{{HeatRecovery: true}}}
	for i := range 2 {
		u := Unit{Name: fmt.Sprintf("iu%d", i+1), Supply: fmt.Sprintf("s%d", i+1), Return: fmt.Sprintf("r%d", i+1)}
		site.Systems[0].Units = append(site.Systems[0].Units, u)
		site.Points = append(site.Points, sensors.Point{Name: u.Supply, Role: "supply-air", Quantity: sensors.Temperature, Every: 30 * time.Second},
			sensors.Point{Name: u.Return, Role: "return-air", Quantity: sensors.Temperature, Every: 30 * time.Second})
	}
	x := feed{Engine: NewEngine(site, []Rule{MixedRun})}
	x.next(1, 0, &Started{})
	x.next(1, 0, &Told{Kind: "begin", Name: "mixed-run"})
	modes := []string{"heat", "cool"}
	for s := 30.0; s < 1400+600; s += 30 {
		for i := range 2 {
			switch s {
			case 60, 1410:
				x.next(1, s, &Told{Kind: "command", Name: fmt.Sprintf("iu%d", i+1), Note: modes[(i+int(s/1000))%2]})
			}
			split := map[string]float64{"heat": 18, "cool": -11}[modes[(i+int(s/1400))%2]]
			x.read(1, s, fmt.Sprintf("r%d", i+1), 22)
			x.read(1, s, fmt.Sprintf("s%d", i+1), 22+split)
		}
	}
	o := x.Outlooks(at(1, 1400+600))[0].Outlook
	if o.Next == nil || o.Next.Run != 2 || o.Next.Left <= 0 || strings.Contains(o.Sentence, "both halves have had") {
		t.Errorf("amid the second half: %+v, %q", o.Next, o.Sentence)
	}
}
