package rules

import (
	"testing"
	"time"

	"standwatch/sensors"
)

// Two scales stand for one system, and one of them is not heard in this step: the other is followed all the same.
func TestAScaleThatIsNeverHeardBesideOneThatIs(t *testing.T) {
	limits := map[string]Setting{"target": {Value: 1, Given: true}, "tare": {Value: 10, Given: true}, "contents": {Value: 20, Given: true}}
	site := Site{
		Points: []sensors.Point{{Name: "a", Quantity: sensors.Mass, Role: "charging-scale", Every: time.Second},
			{Name: "b", Quantity: sensors.Mass, Role: "charging-scale", Every: time.Second}},
		Systems: []System{{Steps: map[string]map[string]Setting{"draw-in": limits, "weigh-in": limits}}},
	}
	for _, heard := range []string{"a", "b"} {
		e := feed{Engine: NewEngine(site, []Rule{ChargeTarget})}
		e.next(1, 0, &Started{})
		e.next(1, 1, &Told{Kind: "begin", Name: "weigh-in"})
		for i := range 600 {
			e.read(1, 2+float64(i), heard, 30-0.01*float64(i))
		}
		e.Outlooks(at(1, 700))
		e.next(1, 701, &Told{Kind: "end", Name: "weigh-in"})
	}
	// The second was heard in the draw-in only.
	e := feed{Engine: NewEngine(site, []Rule{ChargeTarget})}
	e.next(1, 0, &Started{})
	e.next(1, 1, &Told{Kind: "begin", Name: "draw-in"})
	for i := range 60 {
		e.read(1, 2+float64(i), "a", 30)
		e.read(1, 2+float64(i), "b", 30)
	}
	e.next(1, 70, &Told{Kind: "end", Name: "draw-in"})
	e.next(1, 71, &Told{Kind: "begin", Name: "weigh-in"})
	for i := range 600 {
		e.read(1, 72+float64(i), "a", 30-0.01*float64(i))
	}
	e.Outlooks(at(1, 700))
	e.next(1, 701, &Told{Kind: "end", Name: "weigh-in"})
}

func TestAShortPressureTestWithoutAGauge(t *testing.T) {
	for _, lasts := range []float64{0, 1, 60, 600} {
		site := Site{Systems: []System{{Steps: map[string]map[string]Setting{"pressure-test": {"lasts": {Value: lasts, Given: true}}}}}}
		for _, endAt := range []float64{1.5, 30, 100, 5000} {
			e := feed{Engine: NewEngine(site, []Rule{PressureTest})}
			e.next(1, 0, &Started{})
			e.next(1, 1, &Told{Kind: "begin", Name: "pressure-test"})
			e.Outlooks(at(1, 1))
			e.next(1, endAt, &Clocked{})
			e.next(1, endAt, &Told{Kind: "end", Name: "pressure-test"})
		}
	}
}

// What the gauge shows of a system that is being charged is no hold: it is not fitted reading by reading.
func TestAHoldThatNobodyEndsBeforeTheCharge(t *testing.T) {
	site := Site{Points: []sensors.Point{{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Every: time.Second}}}
	e := feed{Engine: NewEngine(site, []Rule{VacuumRising})}
	e.next(1, 0, &Started{})
	e.next(1, 1, &Told{Kind: "begin", Name: "vacuum-hold"})
	hold := e.running[0].seats[0].judge.(*vacuumHold)
	looks, looked := 0, hold.looked
	for i := range 4200 {
		if i == 1800 {
			e.next(1, 2+float64(i), &Told{Kind: "begin", Name: "draw-in"})
		}
		e.read(1, 2+float64(i), "gauge", 30+float64(i%3)*0.1)
		if hold.looked != looked {
			looks, looked = looks+1, hold.looked
		}
	}
	if looks < 20 || looks > 200 {
		t.Errorf("%d looks at 4200 readings", looks)
	}
}
