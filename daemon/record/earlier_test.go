package record

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Units of two visits are the same by the address at which they answer, else by name.
func TestUnitsOfTwoVisitsAreMatched(t *testing.T) {
	visit := func(units ...string) Record { // name/room/address
		var r Record
		for _, u := range units {
			f := strings.Split(u, "/")
			r.System.Indoor = append(r.System.Indoor, Indoor{Unit: f[0], Room: f[1]})
			r.Units = append(r.Units, UnitRow{Unit: f[0], Kind: rules.KindIndoor, Address: f[2]})
		}
		return r
	}
	for _, c := range []struct {
		what      string
		then, now Record
		want      []string // now=then by
		gone, new []string
	}{
		{"nobody entered addresses", visit("iu01/Hall/", "iu02/Attic/"), visit("iu01/Hall/", "iu02/Attic/"), []string{"iu01=iu01 name", "iu02=iu02 name"}, nil, nil},
		{"called otherwise, at the same address, as people write it", visit("iu01/Hall/1-03"), visit("hall/Hall/1-3"), []string{"hall=iu01 address"}, nil, nil},
		{"the address moved", visit("iu01/Hall/3"), visit("iu01/Hall/7"), []string{"iu01=iu01 name"}, nil, nil},
		{"two changed their names", visit("iu01/Hall/1", "iu02/Attic/2"), visit("iu01/Attic/2", "iu02/Hall/1"), []string{"iu01=iu02 address", "iu02=iu01 address"}, nil, nil},
		{"an address twice is none to go by", visit("iu01/Hall/1", "iu02/Attic/1"), visit("iu01/Hall/1", "iu02/Attic/2"), []string{"iu01=iu01 name", "iu02=iu02 name"}, nil, nil},
		{"one gone, one new", visit("iu01/Hall/1", "iu02/Attic/2"), visit("iu01/Hall/1", "iu03/Shed/3"), []string{"iu01=iu01 address"}, []string{"iu02 (Attic)"}, []string{"iu03 (Shed)"}},
		{"a name whose unit is matched already is new", visit("iu01/Hall/1"), visit("iu01/Shed/5", "iu09/Hall/1"), []string{"iu09=iu01 address"}, nil, []string{"iu01 (Shed)"}},
	} {
		both, gone, fresh := match(c.then, c.now)
		var got []string
		for _, m := range both {
			got = append(got, m.Unit+"="+m.Earlier+" "+m.By)
		}
		if !slices.Equal(got, c.want) || !slices.Equal(gone, c.gone) || !slices.Equal(fresh, c.new) {
			t.Errorf("%s: %v, gone %v, new %v", c.what, got, gone, fresh)
		}
	}
}

// A difference is written in the units of the figure and to its digits.
func TestDifferencesAreReadable(t *testing.T) {
	for _, c := range []struct {
		step, key string
		then, now float64
		want      string
	}{
		{"cooling-check", "supply_c", 15.3, 14.4, "-0.9 K (-1.6 °F)"}, // 0.9 x 1.8
		{"cooling-check", "supply_c", 15.3, 15.32, "0"},
		{"cooling-check", "split_k", 9.7, 10.7, "+1.0 K (+1.8 °F)"},
		{"", "total_kg", 23.4733, 23.4691, "0"},
		{"", "total_kg", 23.47, 24.01, "+0.54 kg (+1 lb 3 oz)"}, // 0.54/0.45359237 = 1.19 lb
		{"vacuum-hold", "end_pa", 25.6, 27.1, "+1.5 Pa (+11 micron)"},
		{"trial-run", "suction_pa", 877100, 872100, "-5.0 kPa (-0.7 psi)"},
		{"take-off", "liquid_length_m", 131, 128.5, "-2.5 m (-8.2 ft)"},
		{"vacuum-hold", "elapsed_s", 3600, 3570, "-30 s"},
	} {
		if got := differenceText(c.step, c.key, c.then, c.now); got != c.want {
			t.Errorf("%s %s from %v to %v: %q, want %q", c.step, c.key, c.then, c.now, got, c.want)
		}
	}
}

// What lies in a bundle is another's: what is of no use is left out and said.
func TestFiguresOfABundleAreNotBelieved(t *testing.T) {
	for _, c := range []struct{ what, text, says, fails string }{
		{"no JSON", "<html>", "", "no JSON object"},
		{"no format", `{"site":"x"}`, "", "in which format"},
		{"a format of nobody", `{"format":"one"}`, "", "in which format"},
		{"newer", `{"format":7,"site":"x","system":{},"job":{},"charge":{},"take_off":{},"steps":[],"units":[],"moon":1}`, "format 7", ""},
		{"a part that nobody knows", `{"format":1,"moon":1}`, "do not know these parts of its record: moon", ""},
		{"a part that is none", `{"format":1,"steps":"many"}`, `The part "steps" of its record could not be read`, ""},
		{"without charge", `{"format":1,"steps":[]}`, `no part "charge"`, ""},
		{"a step of nobody", `{"format":1,"steps":[{"step":"dance"}]}`, "these steps of its record: dance", ""},
		{"figures of nobody", `{"format":1,"steps":[{"step":"vacuum-hold","figures":{"end_pa":1e300,"<b>":1,"start_pa":3}}]}`, "2 figures", ""},
		{"too many units", `{"format":1,"system":{"indoor_units":[` + strings.Repeat(`{"unit":"a"},`, 500) + `{"unit":"b"}]}}`, "501, of which 400", ""},
	} {
		_, unread, err := readFigures([]byte(c.text))
		switch said := strings.ReplaceAll(strings.Join(unread, " "), "does not know", "do not know"); {
		case c.fails != "" && (err == nil || !strings.Contains(err.Error(), c.fails)):
			t.Errorf("%s: %v", c.what, err)
		case c.fails == "" && (err != nil || !strings.Contains(said, c.says)):
			t.Errorf("%s: %v, %q", c.what, err, said)
		}
	}
	r, _, err := readFigures([]byte(`{"format":1,"site":"Quay\u0000side\u202e  Library\n` + strings.Repeat("x", 500) + `","made":"0001-02-03T00:00:00Z"}`))
	if err != nil || !strings.HasPrefix(r.Site, "Quayside Library x") || len([]rune(r.Site)) != mostWord || !r.Made.IsZero() {
		t.Errorf("%v: %q, %v", err, r.Site, r.Made)
	}
}

// Whatever a record in a bundle says, it is read, kept, compared and printed
// without harm, and what is kept is small and reads back as itself.
func FuzzFigures(f *testing.F) {
	f.Add([]byte(`{"format":1,"made":"2026-06-12T20:53:20Z","site":"Quayside Library","system":{"refrigerant":"R-410A","indoor_units":[{"unit":"iu01","room":"Hall"}]},` +
		`"job":{"number":1},"charge":{"total_kg":12.5,"weighed":true},"take_off":{"lengths":[{"line":"liquid","outside_diameter_m":0.0127,"length_m":20}]},` +
		`"steps":[{"step":"cooling-check","units":[{"unit":"iu01","figures":{"split_k":9.7}}],"conditions":{"outdoor_c":19}}],"units":[{"unit":"iu01","kind":"indoor","address":"1"}]}`))
	f.Add([]byte(`{"format":1,"steps":[{"step":"vacuum-hold","figures":null},{"step":"vacuum-hold","figures":[1]}]}`))
	site := rules.Site{Name: "Quayside Library", Zone: time.UTC, Systems: []rules.System{{Refrigerant: "R-410A"}}}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, unread, err := readFigures(text)
		if err != nil {
			return
		}
		v := Visit{Bundle: strings.Repeat("ab", 32), Unread: unread, Record: r}
		kept, err := json.Marshal(v)
		if err != nil || len(kept) > 8<<20 || len(unread) > mostSentences {
			t.Fatalf("%d bytes, %d sentences, %v", len(kept), len(unread), err)
		}
		var again Visit
		if err := json.Unmarshal(kept, &again); err != nil {
			t.Fatal(err)
		}
		now := Record{Earlier: []Earlier{compare(again, r, site)}}
		for _, x := range now.Earlier[0].Figures {
			if x.Difference != nil && *x.Difference != 0 {
				t.Errorf("a record differs from itself: %+v", x)
			}
		}
		var out bytes.Buffer
		for _, b := range Lay(now).Blocks {
			if table, ok := b.(Table); ok {
				for _, row := range table.Rows {
					if len(row) != len(table.Columns) {
						t.Errorf("%s: %v", table.Caption, row)
					}
				}
			}
		}
		if err := CSV(&out, now); err != nil {
			t.Error(err)
		}
		if err := JSON(&out, now); err != nil {
			t.Error(err)
		}
	})
}

// What is kept of a record is what a later visit shows of it, and nothing else:
// what is read back is compared as the record itself.
func TestWhatIsKeptOfAVisitIsItsFigures(t *testing.T) {
	r := Record{Format: 1, Made: time.Date(2026, 6, 12, 20, 0, 0, 0, time.UTC), Site: "Quayside Library", SiteKnown: true, System: System{Refrigerant: "R-410A", Indoor: []Indoor{{Unit: "iu01", Room: "Hall"}}},
		Job: Job{Number: 1}, Charge: Charge{FactoryKg: 9.3, AdditionalKg: 2.7, TotalKg: 12, Weighed: true},
		Steps: []Step{{Step: "vacuum-hold", State: rules.Passed, Figures: Figures{{Key: "end_pa", Number: 48}}},
			{Step: "vacuum-hold", Number: 2, Open: true, State: openState},
			{Step: "hand-over", State: "ended"},
			{Step: "branch-check", State: "failed", Figures: Figures{{Key: "crossed_units", Number: 2}}},
			{Step: "cooling-check", State: rules.Passed, Conditions: Figures{{Key: OutdoorKey, Number: 24}}, Units: []Unit{{Unit: "iu01", Figures: Figures{{Key: "split_k", Number: 9.7}}}}}},
		Notes: []Note{{Mark: "note", Note: "the owner's telephone number"}}, Signatures: []Signed{{Role: "technician", Name: "Ines", Strokes: rules.Strokes{{{X: 0.5, Y: 0.5}}}}}}
	var text bytes.Buffer
	if err := JSON(&text, r); err != nil {
		t.Fatal(err)
	}
	kept, unread, err := readFigures(text.Bytes())
	if err != nil || len(unread) > 0 {
		t.Fatal(err, unread)
	}
	b, err := json.Marshal(kept)
	if err != nil || strings.Contains(string(b), "telephone") || strings.Contains(string(b), "strokes") {
		t.Errorf("%s, %v", b, err)
	}
	site := rules.Site{Name: "Quayside Library", Zone: time.UTC, Systems: []rules.System{{Refrigerant: "R-410A"}}}
	e := compare(Visit{Record: kept}, r, site)
	want := compare(Visit{Record: r}, r, site)
	if !reflect.DeepEqual(e.Figures, want.Figures) || len(e.Figures) != 7 || len(e.Doubts) > 0 {
		t.Errorf("%+v\n%+v", e, want)
	}
	for _, x := range e.Figures {
		if x.Then == nil || x.Now == nil || math.Abs(*x.Difference) > 0 {
			t.Errorf("%+v", x)
		}
	}
	// The hold that came to figures, not the one just begun; and each step that there was, in the usual order.
	var steps []string
	for _, s := range e.Steps {
		steps = append(steps, s.Step+" "+s.Then)
	}
	if got := strings.Join(steps, ", "); got != "vacuum-hold passed, cooling-check passed, branch-check failed, hand-over ended" {
		t.Error(got)
	}
}

// Bundles are kept once each, and only so many.
func TestAJournalKeepsAFewVisits(t *testing.T) {
	j, err := journal.Open(context.Background(), t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for i := range mostVisits + 1 {
		v := Visit{Bundle: strings.Repeat(string(rune('a'+i%26)), 60+i/26), Record: Record{Format: 1}}
		err := KeepVisit(j, v)
		if (err != nil) != (i == mostVisits) {
			t.Errorf("%d: %v", i, err)
		}
		if i == 0 {
			if err := KeepVisit(j, v); err != nil {
				t.Error(err)
			}
		}
	}
}

// A bundle of which a byte was changed is still read by who was told so, as far as it goes.
func TestAChangedBundleIsReadAsChanged(t *testing.T) {
	record := []byte(`{"format":1,"site":"Quayside Library","system":{"refrigerant":"R-410A"},"job":{"number":1},"charge":{"total_kg":12.5},"take_off":{},"steps":[],"units":[]}`)
	j := quayside(t, 60)
	parts := []Part{partOf(partFigures, record)}
	for _, name := range []string{"record.html", "record.csv", "record.pdf", "label.pdf", "label.txt"} {
		parts = append(parts, partOf(name, []byte(name)))
	}
	var out seekBuffer
	if _, err := Bundle(context.Background(), &out, Bundled{Journal: &j.Reader, Key: testKey, Program: "test", Parts: parts}); err != nil {
		t.Fatal(err)
	}
	read := func(b []byte) (Visit, error) {
		v, _, err := ReadVisit(bytes.NewReader(b), int64(len(b)))
		return v, err
	}
	good, err := read(out.b)
	if err != nil || len(good.Changed) > 0 || good.Key != testKey.Fingerprint() || good.Record.Charge.TotalKg != 12.5 || len(good.Unread) > 0 {
		t.Fatalf("%+v, %v", good, err)
	}
	manifest := bytes.Clone(out.b)
	at := bytes.LastIndex(manifest, []byte(`"entries": 60`))
	manifest[at+11] = '7'
	changed, err := read(manifest)
	if err != nil || len(changed.Changed) == 0 || changed.Key != "" || changed.Record.Charge.TotalKg != 12.5 || changed.Bundle == good.Bundle {
		t.Errorf("%+v, %v", changed, err)
	}
	forged := rezipped(t, out.b, func(names []string, parts map[string][]byte) []string {
		parts[partFigures] = bytes.Replace(record, []byte("12.5"), []byte("99.5"), 1)
		return names
	})
	if v, err := read(forged); err != nil || !strings.Contains(strings.Join(v.Changed, " "), "record.json was changed") || v.Record.Charge.TotalKg != 99.5 {
		t.Errorf("%+v, %v", v, err)
	}
	for _, b := range [][]byte{nil, []byte("hello"), out.b[:len(out.b)/3]} {
		if v, err := read(b); err == nil || len(v.Changed) == 0 {
			t.Errorf("%d bytes: %+v, %v", len(b), v, err)
		}
	}
}
