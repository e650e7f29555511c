package rules

import (
	"testing"

	"standwatch/sensors"
)

// A room's instrument is told by its room: who carries the new battery looks for
// the room, and not for a name in the site file.
func TestALowBatteryIsTheRooms(t *testing.T) {
	j := beginBatteryLow(Start{Points: []sensors.Point{{Name: "t17"}}, Units: []Unit{{Name: "iu04", Room: "Map room", Return: "t17"}}})
	low := Entry{Body: &Measured{Reading: sensors.Reading{Point: "t17", Health: sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}}}}
	var found []Finding
	for range batteryReports {
		found = append(found, j.Next(low)...)
	}
	if len(found) != 1 || found[0].Text != "The battery of Return air of Map room (t17) is low. Change or charge it before it falls silent." {
		t.Errorf("told %+v", found)
	}
}
