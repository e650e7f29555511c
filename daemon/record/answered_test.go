package record_test

import (
	"os"
	"path/filepath"
	"testing"

	"standwatch/daemon/record"
)

// A result is accepted by a named person with the reason (the contract), so a
// mark that lacks them, or comes before there is anything to accept, changes nothing.
func TestWhatIsNotAccepted(t *testing.T) {
	const site = `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: Pa, every: 1min}
`
	for _, c := range []struct {
		name, mark string
		state      string
		accepted   int
	}{
		{"whole", "2026-06-01T06:40:00Z,mark,accepted,,,evacuation by Ines: the hold will show it\n", "accepted", 1},
		{"no reason", "2026-06-01T06:40:00Z,mark,accepted,,,evacuation\n", "not-proven", 0},
		{"a name alone", "2026-06-01T06:40:00Z,mark,accepted,,,evacuation by Ines\n", "not-proven", 0},
		{"a reason alone", "2026-06-01T06:40:00Z,mark,accepted,,,evacuation: the owner insists\n", "not-proven", 0},
		{"with a comma", "2026-06-01T06:40:00Z,mark,accepted,,,\"evacuation by Ines, the hold will show it\"\n", "accepted", 1},
		{"no reason after the name", "2026-06-01T06:40:00Z,mark,accepted,,,evacuation by Ines: \n", "not-proven", 0},
		{"a system that is not there", "2026-06-01T06:40:00Z,mark,accepted,,,west/evacuation by Ines: the hold will show it\n", "not-proven", 0},
		{"before its end", "2026-06-01T06:10:00Z,mark,accepted,,,evacuation by Ines: the hold will show it\n", "not-proven", 0},
		{"another step", "2026-06-01T06:40:00Z,mark,accepted,,,vacuum-hold by Ines: it was done before\n", "not-proven", 0},
	} {
		dir := t.TempDir()
		siteFile, log := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "log.csv")
		begin := "time,kind,name,value,unit,note\n2026-06-01T06:00:00Z,begin,evacuation,,,\n2026-06-01T06:01:00Z,reading,gauge,900,,\n"
		end := "2026-06-01T06:30:00Z,end,evacuation,,,\n"
		text := begin + end + c.mark
		if c.name == "before its end" {
			text = begin + c.mark + end
		}
		if err := os.WriteFile(siteFile, []byte(site), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(log, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		j, _ := replayed(t, siteFile, log)
		r := read(t, j, record.Which{})
		if len(r.Steps) != 1 || r.Steps[0].State != c.state || len(r.Accepted) != c.accepted || len(r.Unclear) != 1-c.accepted {
			t.Errorf("%s: steps %+v, accepted %+v, unclear %q", c.name, r.Steps, r.Accepted, r.Unclear)
		}
	}
}
