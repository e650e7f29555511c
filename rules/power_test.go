package rules

import (
	"testing"

	"standwatch/sensors"
)

// One contact serves two systems: power is wrong while either pipework is
// sealed, and right once both systems' service valves are marked open.
func TestOneContactServesTwoSystems(t *testing.T) {
	site := Site{
		Points:  []sensors.Point{{Name: "mains", Quantity: sensors.Contact, Role: "indoor-power", Every: 1e10}},
		Systems: []System{{Name: "east"}, {Name: "west"}},
	}
	e := feed{Engine: NewEngine(site, []Rule{PowerTooEarly})}
	up := func(want bool, when string) {
		t.Helper()
		if got := len(e.Open()) == 1; got != want {
			t.Errorf("%s: flag up %v, want %v", when, got, want)
		}
	}
	e.next(1, 0, &Started{})
	e.next(1, 1, &Told{Kind: "begin", Name: "draw-in", System: "east"})
	e.next(1, 2, &Told{Kind: "begin", Name: "evacuation", System: "west"})
	e.next(1, 3, &Told{Kind: "end", Name: "draw-in", System: "east"})
	e.next(1, 4, &Told{Kind: "mark", Name: "valves-opened", System: "east"})
	e.read(1, 5, "mains", 1)
	e.read(1, 15, "mains", 1)
	up(true, "west is under vacuum")
	e.next(1, 16, &Told{Kind: "mark", Name: "valves-opened", System: "west"})
	up(true, "a mark out of order")
	e.next(1, 17, &Told{Kind: "end", Name: "evacuation", System: "west"})
	e.read(1, 18, "mains", 0)
	up(true, "off proves nothing")
	e.next(1, 19, &Told{Kind: "begin", Name: "draw-in", System: "west"})
	e.next(1, 20, &Told{Kind: "mark", Name: "valves-opened", System: "west"})
	up(false, "both are open")
	e.read(1, 21, "mains", 1)
	e.read(1, 31, "mains", 1)
	up(false, "power after that")
}

// A box that starts anew between two steps knows from the marks that the
// pipework is sealed, and from the flags what was told.
func TestPowerIsKnownOverARestart(t *testing.T) {
	site := Site{Points: []sensors.Point{{Name: "mains", Quantity: sensors.Contact, Role: "indoor-power", Every: 1e10}}}
	e := feed{Engine: NewEngine(site, []Rule{PowerTooEarly})}
	e.Past(Entry{Seq: 1, At: at(1, 1), Body: &Told{Kind: "begin", Name: "vacuum-hold"}})
	e.Past(Entry{Seq: 2, At: at(1, 3600), Body: &Told{Kind: "end", Name: "vacuum-hold"}})
	e.seq = 2
	e.next(2, 0, &Started{})
	e.read(2, 1, "mains", 1)
	found := e.read(2, 11, "mains", 1)
	if len(found) != 1 || found[0].Urgency != Wake || found[0].Step != "vacuum-hold" {
		t.Fatalf("found %+v", found)
	}
	again := feed{Engine: NewEngine(site, []Rule{PowerTooEarly}), seq: 9}
	again.Resume(e.Open())
	again.Past(Entry{Seq: 1, At: at(1, 1), Body: &Told{Kind: "begin", Name: "vacuum-hold"}})
	again.next(3, 0, &Started{})
	again.read(3, 1, "mains", 1)
	if found := again.read(3, 11, "mains", 1); len(found) > 0 {
		t.Errorf("told twice: %+v", found)
	}
	if found := again.next(3, 12, &Told{Kind: "begin", Name: "draw-in"}); len(found) != 2 {
		t.Errorf("a draw-in begun with power on: %+v", found)
	}
}

// A box that starts anew amid a step gives each system's judge its own pipework
// back, and no other's.
func TestPowerOverARestartIsOfItsOwnSystem(t *testing.T) {
	site := Site{
		Points: []sensors.Point{
			{Name: "mains-east", System: "east", Quantity: sensors.Contact, Role: "indoor-power", Every: 1e10},
			{Name: "mains-west", System: "west", Quantity: sensors.Contact, Role: "indoor-power", Every: 1e10},
		},
		Systems: []System{{Name: "east"}, {Name: "west"}},
	}
	e := feed{Engine: NewEngine(site, []Rule{PowerTooEarly})}
	e.next(1, 0, &Started{})
	e.next(1, 1, &Told{Kind: "begin", Name: "vacuum-hold", System: "east"})
	e.next(2, 0, &Started{})
	for _, point := range []string{"mains-east", "mains-west"} {
		e.read(2, 1, point, 1)
	}
	for _, point := range []string{"mains-east", "mains-west"} {
		e.read(2, 11, point, 1)
	}
	if open := e.Open(); len(open) != 1 || open[0].System != "east" || open[0].Urgency != Wake {
		t.Errorf("power at both, the east sealed: %+v", open)
	}
}
