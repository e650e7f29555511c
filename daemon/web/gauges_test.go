package web

import (
	"testing"

	"standwatch/sensors"
)

// A gauge in bar is shown in bar as long as nobody asks for another unit. By
// definition a bar is 100 kPa, and 14.5038 psi (NIST SP 811, appendix B).
func TestAGaugeInBarIsShownInBar(t *testing.T) {
	for _, c := range []struct {
		choice      choice
		unit        string
		main, other string
	}{
		{asMeasured, "bar", "38.00 bar", "551.1 psi"}, {asMeasured, "barg", "38.00 bar", "551.1 psi"}, {asMeasured, "MPa", "3.800 MPa", "551.1 psi"},
		{asMeasured, "kPa", "3800 kPa", "551.1 psi"}, {choiceSI, "bar", "3800 kPa", "551.1 psi"}, {choiceUS, "bar", "551.1 psi", "3800 kPa"},
	} {
		if main, other := c.choice.both(sensors.Pressure, c.unit, 3.8e6); main != c.main || other != c.other {
			t.Errorf("%q of a gauge in %s: %s (%s), want %s (%s)", c.choice, c.unit, main, other, c.main, c.other)
		}
	}
}
