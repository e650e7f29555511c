package record

import (
	"bytes"
	"strings"
	"testing"
)

// Where the scale speaks pounds the paper's tables do, and the data stay in SI.
// 1/2 in holds 0.094 kg/m of liquid, 0.063 lb/ft, and 0.096 l/m (reference table
// in the field guide); a foot is 0.3048 m, a pound 0.45359237 kg, by definition.
func TestTablesOfASiteInPounds(t *testing.T) {
	r := Record{Site: "Quayside Library",
		TakeOff: TakeOff{Runs: []Run{{Run: "a", Line: "liquid", DiameterM: 0.0127, LengthM: 30.48, FactorKgM: 0.094, VolumeM3: 30.48 * 0.000096, ChargeKg: 2.865}}},
		Steps:   []Step{{Step: "weigh-in", State: "passed", Ledger: []Segment{{Scale: "scale", Cylinder: 1, FromKg: 22.6796185, ToKg: 18.1436948, LowKg: 4.53, BestKg: 4.5359237, HighKg: 4.54}}}}}
	for unit, want := range map[string][]string{
		"":   {"in kg", "22.680", "18.144", "4.536", "Maker's factor, kg/m", "0.094", "Holds, l", "2.93", "Charge, kg", "2.865"},
		"lb": {"in lb", "50.00", "40.00", "10.00", "Maker's factor, lb/ft", "0.0632", "Holds, ft³", "0.103", "Charge, lb", "6.32"},
	} {
		r.MassUnit = unit
		var page bytes.Buffer
		if err := HTML(&page, Lay(r)); err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(page.String(), "&#39;", "'")
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("with the unit %q the paper lacks %q\n%s", unit, w, text)
			}
		}
		var data bytes.Buffer
		if err := CSV(&data, r); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(data.String(), "from_kg,22.6796185,kg") {
			t.Errorf("with the unit %q the data are\n%s", unit, data.String())
		}
	}
}
