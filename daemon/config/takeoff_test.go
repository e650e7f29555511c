package config

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/rules"
)

func TestTakeoff(t *testing.T) {
	runs, faults := ReadTakeoff(strings.NewReader("run,line,outside_diameter,length,factor\n"+
		"riser,liquid,3/8 in,62 m,0.048 kg/m\n"+
		"riser,suction,5/8 in,100 ft,\n"+
		"hall,hot-gas,12.7 mm,1.5 m,0.032 lb/ft\n"), "takeoff.csv")
	if len(faults) > 0 || len(runs) != 3 {
		t.Fatalf("%v %v", runs, faults)
	}
	// 3/8 in = 9.525 mm, 100 ft = 30.48 m: exact by definition. 0.032 lb/ft = 0.04762 kg/m.
	for i, want := range []rules.Run{
		{Name: "riser", Line: "liquid", OutsideDiameterM: 0.009525, LengthM: 62, FactorKgM: 0.048, Row: 2},
		{Name: "riser", Line: "suction", OutsideDiameterM: 0.015875, LengthM: 30.48, FactorKgM: 0, Row: 3},
		{Name: "hall", Line: "hot-gas", OutsideDiameterM: 0.0127, LengthM: 1.5, FactorKgM: 0.0476216, Row: 4},
	} {
		got := runs[i]
		if got.Name != want.Name || got.Line != want.Line || got.Row != want.Row || math.Abs(got.OutsideDiameterM-want.OutsideDiameterM) > 1e-9 ||
			math.Abs(got.LengthM-want.LengthM) > 1e-9 || math.Abs(got.FactorKgM-want.FactorKgM) > 1e-6 {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
}

func TestTakeoffFaults(t *testing.T) {
	const head = "run,line,outside_diameter,length\n"
	for _, c := range []struct {
		text     string
		expected []string
	}{
		{"", []string{"1:1 the take-off is empty"}},
		// As an installer sent it: one word, and it leads to what reads such lists.
		{"run;line;outside_diameter;length\na;liquid;9,52 mm;5 m\n", []string{"1:1 the first line names no column of a take-off"}},
		{"\xff\xfer\x00u\x00n\x00\n", []string{"1:1 standwatch import takeoff t --out takeoff.csv"}},
		{"run,line,outside_diameter,length,length\na,liquid,3/8 in,10 m,12 m\n", []string{`1:34 the column "length" stands there twice`}},
		{"run,line,diameter,length\n", []string{`1:10 there is no column "diameter"`, "1:1 the column outside_diameter is missing"}},
		{head + "a,liquit,3/8 in,5 m\n", []string{"2:3 did you mean liquid?"}},
		{head + "é,liquid,3/8,5 m\né,liquid,3/8 in,0 m\n", []string{`2:10 "3/8" has no unit`, `3:17 "0 m" is no length of pipe`}},
		{head + "a,liquid,3/8 in\nb,liquid,3/8 in,5 kg\n", []string{"2:1 wrong number of fields", `3:17 "kg" is not a unit of a length`}},
		{head + "a,liquid,\"3/8 in,5 m\n", []string{`2:22 extraneous or missing "`}},
		// A diameter that no tube has: its line and column, not only its run.
		{head + "a,liquid,3/8 in,5 m\na,suction,17 mm,5 m\n", []string{"3:11 outside_diameter: no wall is known for copper tube of 17 mm outside"}},
		{head[:len(head)-1] + ",wall\na,liquid,3/8 in,5 m,5 mm\n", []string{"2:10 a tube of 9.525 mm outside with a wall of 5 mm has no bore"}},
		{head[:len(head)-1] + ",factor\na,liquid,3/8 in,5 m,0.048\n", []string{`2:21 "0.048" is not a mass a length`}},
	} {
		_, faults := ReadTakeoff(strings.NewReader(c.text), "t")
		for i, f := range faults {
			faults[i] = errors.New(strings.TrimPrefix(f.Error(), "t:"))
		}
		want(t, faults, c.expected...)
	}
}

// The pipework's volume, of the field guide's worked example 2 without its
// coils (14.12 L of liquid and 34.45 L of gas lines), comes from the take-off.
func TestPipeVolume(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	text := "site: {name: Quayside Library}\nsystem: {refrigerant: R-410A, takeoff: takeoff.csv}\n"
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	without, faults := Load(site, nil)
	if len(faults) > 0 || without.Systems[0].PipeM3 != 0 {
		t.Fatalf("without its take-off the site has %v and %g m3", faults, without.Systems[0].PipeM3)
	}
	csv := `run,line,outside_diameter,length
a,liquid,3/8 in,62 m
b,liquid,1/2 in,38.5 m
c,liquid,5/8 in,24 m
d,liquid,3/4 in,15.5 m
a,suction,5/8 in,62 m
b,suction,3/4 in,38.5 m
c,suction,7/8 in,24 m
d,suction,1-1/8 in,15.5 m
`
	if err := os.WriteFile(filepath.Join(dir, "takeoff.csv"), []byte(csv), 0o600); err != nil {
		t.Fatal(err)
	}
	with, faults := Load(site, nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if litres := with.Systems[0].PipeM3 * 1e3; math.Abs(litres-(14.12+34.45)) > 0.05 {
		t.Errorf("the pipes hold %.2f L, want 48.57", litres)
	}
}

// Without weigh-in.target the take-off's charge with the maker's allowances is
// the target of draw-in and weigh-in. Source: the field guide, worked example 1: 13.777 kg of lines and 10 times 0.12 kg.
func TestTargetFromTheTakeoff(t *testing.T) {
	const factors = `run,line,outside_diameter,length,factor
a,liquid,3/8 in,62 m,0.048 kg/m
b,liquid,1/2 in,38.5 m,0.094 kg/m
c,liquid,5/8 in,24 m,0.152 kg/m
d,liquid,3/4 in,15.5 m,0.228 kg/m
`
	for _, c := range []struct {
		csv, steps, source string
		kg                 float64
	}{
		{factors, "", "take-off by the maker's factors", 14.977},
		{strings.ReplaceAll(factors, "0.152 kg/m", ""), "", "take-off, an estimate by bore and liquid density", 14.977 - 3.648 + 0.156*24*0.9757},
		{factors, "steps: {weigh-in: {target: 14.2 kg}}\n", "site file", 14.2},
	} {
		dir := t.TempDir()
		site := filepath.Join(dir, "site.yaml")
		text := "site: {name: Quayside Library}\nsystem: {refrigerant: R-410A, takeoff: takeoff.csv, extra_charge: 1.2 kg}\n" + c.steps
		for file, content := range map[string]string{site: text, filepath.Join(dir, "takeoff.csv"): c.csv} {
			if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		s, faults := Load(site, nil)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		for _, step := range []string{"draw-in", "weigh-in"} {
			target := s.Settings("", step)["target"]
			if math.Abs(target.Value-c.kg) > 0.01 || target.Source != c.source || target.Given != (c.source == "site file") {
				t.Errorf("%s: %+v, want %g kg by %s", step, target, c.kg, c.source)
			}
		}
	}
}

// A slip of the pen in every row is told three times and counted.
func TestAnAlikeFaultIsToldFewTimes(t *testing.T) {
	text := "run,line,outside_diameter,length\n" + strings.Repeat("a,luquid,1/2 in,5 m\n", 40) + "b,liquid,1/2 in,5\n"
	_, errs := ReadTakeoff(strings.NewReader(text), "f.csv")
	if len(errs) != 4 || !strings.Contains(errs[2].Error(), "f.csv:4:3: ") || !strings.Contains(errs[2].Error(), "37 times, last in line 41") || !strings.Contains(errs[3].Error(), "f.csv:42:") {
		t.Errorf("%d faults: %v", len(errs), errs)
	}
}
