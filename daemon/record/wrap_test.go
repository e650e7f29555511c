package record

import "testing"

// A number stays with its unit where the line allows it.
func TestANumberKeepsItsUnit(t *testing.T) {
	for text, want := range map[string]bool{"return 24.2 °C, split": true, "5 in all": true, "target 500 micron (66.7 Pa)": true, "90 % of it": true,
		"of 12 units": false, "room 2 Pascal": false, "at 3": false, "pull 1 and 2": false} {
		rs, tied := []rune(text), false
		for i, r := range rs {
			tied = tied || i > 0 && r == ' ' && unitOfNumber(rs, i)
		}
		if tied != want {
			t.Errorf("%q: a number with its unit %v", text, tied)
		}
	}
}
