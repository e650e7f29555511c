package rules

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

var countPlant = System{
	Units:    []Unit{{Name: "iu01", Room: "Reading room"}, {Name: "iu02", Room: "Map room"}, {Name: "iu03", Room: "Office"}, {Name: "iu10", Room: "Office"}},
	Branches: []string{"bu1"}, Outdoor: []string{"ou1"},
}

func TestWhatPeopleWriteOfAUnitFound(t *testing.T) {
	for note, want := range map[string]UnitFound{
		"iu01": {Unit: "iu01"},
		"iu01 address 3 room Reading room model X": {Unit: "iu01", Address: "3", Room: "Reading room", Model: "X"},
		"iu01: address 3, room Reading room":       {Unit: "iu01", Address: "3", Room: "Reading room"},
		"IU-1 addr=1-03":                           {Unit: "iu01", Address: "1-03"},
		"address 3: iu02":                          {Unit: "iu02", Address: "3"},
		"iu02 #7":                                  {Unit: "iu02", Address: "7"},
		"iu03,4,Office,cassette,filter dirty":      {Unit: "iu03", Address: "4", Room: "Office", Model: "cassette", Note: "filter dirty"},
		"iu03, address 4, model cassette":          {Unit: "iu03", Address: "4", Model: "cassette"},
		`"iu03","4","Office, north","X"`:           {Unit: "iu03", Address: "4", Room: "Office, north", Model: "X"},
		"room Map room address 5":                  {Unit: "iu02", Address: "5", Room: "Map room"},
		"Map room":                                 {Unit: "iu02"},
		"room Office address 9":                    {Room: "Office", Address: "9"}, // two units have that room
		"iu99 address 12":                          {Unit: "iu99", Address: "12"},
		"bu1":                                      {Unit: "bu1"},
		"iu10 address 5 withdrawn":                 {Unit: "iu10", Address: "5", Withdrawn: true},
		"iu10 not found":                           {Unit: "iu10", Withdrawn: true},
		"":                                         {},
		"Map room at 2":                            {Unit: "iu02", Address: "2"},
		"unit at address 4":                        {Address: "4"},
		"iu10 missing, no answer":                  {Unit: "iu10", Withdrawn: true},
		"no iu10":                                  {Unit: "iu10", Withdrawn: true},
	} {
		if got := NewAddressSheet(countPlant).readFound(note); got != want {
			t.Errorf("%q is read as %+v, want %+v", note, got, want)
		}
		if again := NewAddressSheet(countPlant).readFound(want.Text()); want.Note == "" && again != want {
			t.Errorf("%q, written as %q, is read as %+v", note, want.Text(), again)
		}
	}
}

func TestWhatPeopleWriteOfASetting(t *testing.T) {
	for note, want := range map[string]SettingChange{
		"iu01 setting 12 from 0 to 3":               {"iu01", "12", "0", "3", ""},
		"iu01,12,0,3":                               {"iu01", "12", "0", "3", ""},
		"iu01, no 12, from 0, to 3":                 {"iu01", "12", "0", "3", ""},
		"iu1 12-4 from 0 to 3 note ceiling is high": {"iu01", "12-4", "0", "3", "ceiling is high"},
		"ou1 mode 8 from off to on":                 {"ou1", "8", "off", "on", ""},
	} {
		if got := NewAddressSheet(countPlant).readSetting(note); got != want {
			t.Errorf("%q is read as %+v, want %+v", note, got, want)
		}
		if again := NewAddressSheet(countPlant).readSetting(want.Text()); again != want {
			t.Errorf("%q, written as %q, is read as %+v", note, want.Text(), again)
		}
	}
}

// count feeds marks to a unit count of a plant and returns the last verdict.
func count(t *testing.T, plant System, marks ...Told) (last Finding) {
	t.Helper()
	e := feed{Engine: NewEngine(Site{Systems: []System{plant}}, []Rule{UnitCount})}
	e.next(1, 0, &Started{})
	found := e.next(1, 0, &Told{Kind: "begin", Name: "unit-count"})
	for i, m := range marks {
		m.Kind = "mark"
		found = append(found, e.next(1, float64(i+1), &m)...)
	}
	for _, f := range append(found, e.next(1, 1000, &Told{Kind: "end", Name: "unit-count"})...) {
		if f.Edge == Given {
			last = f
		}
	}
	return last
}

func TestCountsAreHeldAgainstTheList(t *testing.T) {
	said := func(v float64, note string) Told {
		return Told{Name: "counted", Value: v, Unit: "1", Note: note}
	}
	found := func(notes ...string) (all []Told) {
		for _, n := range notes {
			all = append(all, Told{Name: "unit-found", Note: n})
		}
		return all
	}
	all := found("iu01 address 1", "iu02 address 2", "iu03 address 3", "iu10 address 4")
	for _, c := range []struct {
		what          string
		marks         []Told
		result, cause string
		says          string
	}{
		{"exact", []Told{said(4, "")}, Passed, "none", "Not counted: 1 branch unit and 1 outdoor unit"},
		{"without a unit", []Told{{Name: "counted", Value: 4}}, Passed, "none", ""},
		{"one too few", []Told{said(3, "")}, NotPassed, "missing", "3 indoor units counted, 4 on"},
		{"one too many", []Told{said(5, "indoor units")}, NotPassed, "too-many", ""},
		{"none", []Told{said(0, "")}, NotPassed, "missing", ""},
		{"found of what there is", []Told{{Name: "counted", Note: "3 of 4 indoor units found"}}, NotPassed, "missing", "3 indoor units counted, 4 on"},
		{"the kind first", []Told{{Name: "counted", Note: "indoor 4, branch 1, outdoor 1"}}, Passed, "none", ""},
		{"the kind first, without commas", []Told{{Name: "counted", Note: "indoor: 4 branch: 2 outdoor: 1"}}, NotPassed, "too-many", "2 branch units"},
		{"with a value too", []Told{said(4, "4 indoor units, 1 branch unit")}, Passed, "none", ""},
		{"value and note apart", []Told{said(4, "3 of 4 found")}, NotProven, "not-entered", "3 of 4 found"},
		{"all as a fraction", []Told{{Name: "counted", Note: "4/4"}}, Passed, "none", ""},
		{"of more than the list has", []Told{{Name: "counted", Note: "4 of 5 found"}}, NotProven, "not-entered", "4 of 5 found"},
		{"in letters", []Told{{Name: "counted", Note: "4 IDU / 1 BU / 1 ODU"}}, Passed, "none", ""},
		{"in words alone", []Told{{Name: "counted", Note: "all four there"}}, NotProven, "not-entered", "all four there"},
		{"by another list", []Told{{Name: "counted", Note: "4 found, expected 5 by drawing"}}, NotProven, "not-entered", "expected 5"},
		{"one missing", []Told{{Name: "counted", Note: "1 indoor unit missing"}}, NotProven, "not-entered", "missing"},
		{"two numbers, one kind", []Told{{Name: "counted", Note: "4 indoor units on 2 floors"}}, NotProven, "not-entered", "2 floors"},
		{"a remark with a number", []Told{said(4, "page 2 of the display")}, Passed, "none", ""},
		{"a remark", []Told{said(4, "read off the display")}, Passed, "none", ""},
		{"all of them", []Told{said(6, "all together")}, Passed, "none", ""},
		{"mended", []Told{said(3, ""), said(4, "")}, Passed, "none", ""},
		{"a branch unit too few", []Told{said(4, ""), said(0, "branch boxes")}, NotPassed, "missing", ""},
		{"in words", []Told{{Name: "counted", Note: "4 indoor units, 1 branch unit, 1 outdoor unit"}}, Passed, "none", ""},
		{"half a unit", []Told{said(3.5, "")}, NotProven, "not-entered", "3.5"},
		{"by name", all, Passed, "none", ""},
		{"by name, one missing", all[:3], NotPassed, "missing", "Missing: iu10 (Office)"},
		{"by name, one unknown", append(slices.Clone(all), found("iu44")...), NotPassed, "too-many", "iu44"},
		{"an address twice", append(slices.Clone(all[:3]), found("iu10 address 03")...), NotPassed, "duplicate", "Address 3 is set twice"},
		{"a unit at two addresses", append(slices.Clone(all), found("iu10 address 9")...), NotPassed, "duplicate", "iu10 was found at address 4 and at 9"},
		{"and taken back", append(slices.Clone(all), found("iu10 address 9", "iu10 address 9 withdrawn")...), Passed, "none", ""},
		{"told twice alike", append(slices.Clone(all), all...), Passed, "none", ""},
		{"by address alone", found("address 1", "address 2", "address 3", "address 4"), Passed, "none", ""},
		{"the number is right, the sheet is not", append([]Told{said(4, "")}, found("iu01 address 1", "iu02 address 1")...), NotPassed, "duplicate", ""},
		{"nothing", nil, NotProven, "not-entered", ""},
	} {
		f := count(t, countPlant, c.marks...)
		if f.Result != c.result || f.Cause != c.cause || !strings.Contains(f.Text, c.says) {
			t.Errorf("%s: %s %s: %s; want %s %s", c.what, f.Result, f.Cause, f.Text, c.result, c.cause)
		}
	}
	if f := count(t, System{}, said(4, "")); f.Result != NotProven {
		t.Errorf("a site without units: %+v", f)
	}
}

// A field log's marks name no system: a unit of the other one is no unit too many here.
func TestAUnitOfAnotherSystemIsNotCountedHere(t *testing.T) {
	site := Site{Systems: []System{{Name: "north", Units: []Unit{{Name: "iu01"}}}, {Name: "south", Units: []Unit{{Name: "iu21"}}}}}
	e := feed{Engine: NewEngine(site, []Rule{UnitCount})}
	e.next(1, 0, &Started{})
	var found []Finding
	for i, b := range []*Told{{Kind: "begin", Name: "unit-count", System: "north"}, {Kind: "begin", Name: "unit-count", System: "south"},
		{Kind: "mark", Name: "unit-found", Note: "iu01 address 1"}, {Kind: "mark", Name: "unit-found", Note: "iu21 address 1"},
		{Kind: "end", Name: "unit-count", System: "north"}, {Kind: "end", Name: "unit-count", System: "south"}} {
		found = append(found, e.next(1, float64(i), b)...)
	}
	if len(found) != 2 || found[0].Result != Passed || found[1].Result != Passed || found[0].System == found[1].System {
		t.Errorf("found %+v", found)
	}
}

// The count is exact and yet one room's air stands still with its fan forced on: the verdict stands, and somebody is told.
func TestCountedExactlyButAFanStandsStill(t *testing.T) {
	site := Site{Systems: []System{{}}}
	for _, n := range []string{"iu01", "iu02", "iu03"} {
		site.Systems[0].Units = append(site.Systems[0].Units, Unit{Name: n, Supply: n + "-supply"})
		site.Points = append(site.Points, sensors.Point{Name: n + "-supply", Quantity: sensors.Temperature, Role: "supply-air", Every: 10 * time.Second})
	}
	e := feed{Engine: NewEngine(site, []Rule{UnitCount})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "unit-count"})
	found := e.next(1, 1, &Told{Kind: "mark", Name: "counted", Value: 3, Unit: "1"})
	for s := 10.0; s < 1500; s += 10 {
		for i, n := range []string{"iu01", "iu02", "iu03"} {
			c := 26 + 0.05*math.Sin(s)
			if s > 600 && i < 2 {
				c -= 3
			}
			found = append(found, e.read(1, s, n+"-supply", c)...)
			if s == 600 {
				found = append(found, e.next(1, s, &Told{Kind: "command", Name: n, Note: "fan"})...)
			}
		}
	}
	flags := 0
	for _, f := range found {
		if f.Edge == Raised {
			flags++
			if f.Subject != "iu03" || f.Urgency != Tell || !slices.Equal(f.Points, []string{"iu03-supply"}) {
				t.Errorf("raised %+v", f)
			}
		} else if f.Edge == Given && f.Result != Passed {
			t.Errorf("verdict %+v", f)
		}
	}
	if flags != 1 {
		t.Errorf("%d flags: %+v", flags, found)
	}
}
