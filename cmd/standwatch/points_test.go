package main

import (
	"testing"

	"standwatch/sensors"
)

// 1 micron is 101325/760/1000 Pa; 0 C is 32 F; 1 lb is 0.45359237 kg (NIST
// Special Publication 811, appendix B).
func TestPointsAreShownAsTheirInstrumentsSpeak(t *testing.T) {
	for _, c := range []struct {
		q    sensors.Quantity
		unit string
		si   float64
		want string
	}{
		{sensors.Vacuum, "micron", 41.597, "312 micron"},
		{sensors.Vacuum, "micron", 101325, "760000 micron"},
		{sensors.Temperature, "F", 27, "80.6 F"},
		{sensors.Temperature, "K", 0, "273.15 K"},
		{sensors.Mass, "lb", 14.2, "31.306 lb"},
		{sensors.Mass, "kg", 14.2, ""},
		{sensors.Mass, "", 14.2, ""},
	} {
		got, ok := asMeasured(sensors.Point{Quantity: c.q, Unit: c.unit}, c.si)
		if got != c.want || ok != (c.want != "") {
			t.Errorf("%g in %q: %q, want %q", c.si, c.unit, got, c.want)
		}
	}
}

func TestPointsAreShownInSIInFull(t *testing.T) {
	for _, c := range []struct {
		q    sensors.Quantity
		si   float64
		want string
	}{
		{sensors.Pressure, 3792116.511, "3792116.511 Pa"},
		{sensors.Vacuum, 0.00004, "0.00004 Pa"},
		{sensors.Mass, 9.4, "9.4 kg"},
		{sensors.Humidity, 0.45, "45 %"},
		{sensors.Contact, 1, "on"},
		{sensors.Contact, 0, "off"},
	} {
		if got := asSI(c.q, c.si); got != c.want {
			t.Errorf("%g of %s: %q, want %q", c.si, c.q, got, c.want)
		}
	}
}
