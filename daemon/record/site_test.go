package record

import (
	"context"
	"log/slog"
	"reflect"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

func TestTheJournalSaysWhatTheSiteFileSaidThen(t *testing.T) {
	ctx := context.Background()
	j, err := journal.Open(ctx, t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	site := rules.Site{Name: "Quayside Library", Zone: lisbon, Systems: []rules.System{{
		Refrigerant: "R-410A", FactoryKg: 9.3, Runs: []rules.Run{{Name: "main", Line: "liquid", OutsideDiameterM: 0.0127, LengthM: 20}},
		Steps: map[string]map[string]rules.Setting{"vacuum-hold": {"limit": {Value: 66.7, Text: "500 micron", Source: "site file", Given: true}}},
	}}, Points: []sensors.Point{{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge",
		Settings: sensors.Node{Kind: sensors.Scalar, Text: "secret"}}}}
	mark := func() {
		t.Helper()
		if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1}, Body: &rules.Told{Kind: "mark", Name: "note", Note: "x"}}}, nil); err != nil {
			t.Fatal(err)
		}
	}
	keep := func() {
		t.Helper()
		if err := KeepSite(ctx, j, site); err != nil {
			t.Fatal(err)
		}
	}
	if got, known, err := Site(ctx, &j.Reader, 0); err != nil || known || len(got.Systems) != 1 {
		t.Errorf("an empty journal knows the site: %v, %v, %v", got, known, err)
	}
	keep()
	mark()
	keep() // said already
	mark()
	old := site.Name
	site.Name = "Quayside Library and Café"
	keep()
	mark()
	for seq, want := range map[uint64]string{1: old, 2: old, 3: site.Name, 0: site.Name} {
		got, known, err := Site(ctx, &j.Reader, seq)
		if err != nil || !known {
			t.Fatal(known, err)
		}
		wanted := site
		wanted.Name = want
		wanted.Points = []sensors.Point{{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge"}} // without the driver's settings
		if got.Zone.String() != lisbon.String() {
			t.Errorf("zone %v", got.Zone)
		}
		got.Zone = lisbon
		if !reflect.DeepEqual(got, wanted) {
			t.Errorf("at %d:\ngot  %+v\nwant %+v", seq, got, wanted)
		}
	}
}
