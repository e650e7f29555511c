package uplink

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Readings go out corrected by what held when they were taken, also after a
// restart, and what is said later changes nothing that went out.
func TestReadingsGoOutCorrected(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := newMemory(), newStore()
		m.prove(1, morning)
		say := func(ms int64, name, note string) rules.Entry {
			return rules.Entry{At: rules.Instant{Boot: 1, Since: time.Duration(ms) * time.Millisecond}, Body: &rules.Told{Kind: "mark", Name: name, Note: note}}
		}
		failed := measured("gauge", 0, 7000)
		failed.Body.(*rules.Measured).Health = sensors.Health{Grade: sensors.Failed, Reason: "crc"}
		m.add(measured("gauge", 66, 1000), say(2000, "calibrated", "gauge offset -2 Pa by Ines"), measured("gauge", 66, 3000), measured("hall", 21, 3000))
		_, stop := begin(t, m, s, nil)
		synctest.Wait()
		stop()
		m.add(measured("gauge", 1, 4000), say(5000, "calibrated", "gauge withdrawn"), measured("gauge", 66, 6000), failed)
		_, stop = begin(t, m, s, nil)
		synctest.Wait()
		stop()
		const gauge = `vacuum,box=box-1,point=gauge,role=vacuum-gauge,site=Quayside\ Library,system=north 1772344`
		want := []string{
			gauge + `801000000000 pascals=66`,
			gauge + `803000000000 pascals=64`,
			gauge + `804000000000 health="failed: over-corrected"`,
			gauge + `806000000000 pascals=66`,
			gauge + `807000000000 health="failed: crc"`,
			`temperature,box=box-1,point=hall,site=Quayside\ Library 1772344803000000000 celsius=21`,
		}
		slices.Sort(want)
		if got := s.points(); !slices.Equal(got, want) {
			t.Errorf("store holds\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		if got := m.entries[2].Body.(*rules.Measured).Value; got != 66 {
			t.Errorf("what was kept became %v", got)
		}
	})
}
