package config

import (
	"slices"
	"testing"
)

func TestTheSiteFileAddsAndDropsChecks(t *testing.T) {
	s, faults := load(t, `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
checks:
  drop: [thermostats, soap-search]
  add:
    - {name: crane-gone, before: [preheat, trial-run], after: draw-in, text: The crane is off the roof., why: It shades the outdoor units., source: method statement 7}
`)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	names := map[string]bool{}
	for _, c := range s.Checks("") {
		names[c.Name] = true
		if c.Name == "crane-gone" && (!c.Own || !slices.Equal(c.Before, []string{"preheat", "trial-run"}) || c.After != "draw-in" || c.Source != "method statement 7" || c.Why == "") {
			t.Errorf("%+v", c)
		}
	}
	if names["thermostats"] || names["soap-search"] || !names["crane-gone"] || !names["drains"] {
		t.Errorf("the list has %v", names)
	}
}
