package rules

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// enter tells an engine a take-off, row by row, and returns its verdict.
func enter(t *testing.T, e *Engine, seq uint64, atS float64, rows ...string) (uint64, Finding) {
	t.Helper()
	f := feed{Engine: e, seq: seq}
	f.next(1, atS, &Told{Kind: "begin", Name: "take-off"})
	for i, row := range rows {
		f.next(1, atS+1+float64(i), &Told{Kind: "mark", Name: "setting", Note: "take-off row: " + row})
	}
	for _, found := range f.next(1, atS+1000, &Told{Kind: "end", Name: "take-off"}) {
		if found.Edge == Given {
			return f.seq, found
		}
	}
	t.Fatal("no verdict")
	return 0, Finding{}
}

// What was entered goes before the site file's take-off: its volume is what
// later steps know, and its charge their target, unless the site gives one.
// Source: the field guide, worked examples 1 and 2 (liquid and gas lines 14.12 + 34.45 l, lines 13.777 kg).
func TestWhatWasEnteredIsTheTakeOffFromThenOn(t *testing.T) {
	rows := []string{"a,liquid,3/8 in,62 m,,0.048 kg/m", "b,liquid,1/2 in,38.5 m,,0.094 kg/m", "c,liquid,5/8 in,24 m,,0.152 kg/m", "d,liquid,3/4 in,15.5 m,,0.228 kg/m",
		"a,suction,5/8 in,62 m", "b,suction,3/4 in,38.5 m", "c,suction,7/8 in,24 m", "d,suction,1-1/8 in,15.5 m"}
	for _, own := range []bool{false, true} {
		var start Start
		spy := Rule{Name: "spy", Steps: []string{"weigh-in"}, Roles: []string{}, Begin: func(s Start) Judge {
			start = s
			return &heatingWindow{}
		}}
		site := Site{Systems: []System{{Refrigerant: "R-410A", PipeM3: 0.2, CoilsM3: 0.018, Steps: map[string]map[string]Setting{}}}}
		if own {
			site.Systems[0].Steps["weigh-in"] = map[string]Setting{"target": {Value: 14.2, Source: siteFile, Given: true}}
		}
		e := NewEngine(site, append(All(), spy))
		f := feed{Engine: e}
		f.next(1, 0, &Started{})
		seq, verdict := enter(t, e, f.seq, 1, rows...)
		if verdict.Result != Passed {
			t.Errorf("the take-off is %s: %s", verdict.Result, verdict.Text)
		}
		f.seq = seq
		f.next(1, 5000, &Told{Kind: "begin", Name: "weigh-in"})
		if math.Abs(start.PipeM3-0.04857) > 2e-5 {
			t.Errorf("the weigh-in knows pipes of %g m3, want 0.04857", start.PipeM3)
		}
		target, _ := limit(start.Step, "target")
		if want := 13.777; !own && (math.Abs(target.Value-want) > 1e-3 || target.Given || target.Source != "take-off by the maker's factors") {
			t.Errorf("target %+v, want %g by the take-off", target, want)
		}
		if own && target.Value != 14.2 {
			t.Errorf("the site's own target became %+v", target)
		}
	}
}

// The charge goes by the liquid lines (field guide, the take-off): a take-off of
// gas lines alone tells none, and is nobody's target.
func TestGasLinesAloneTellNoCharge(t *testing.T) {
	var start Start
	spy := Rule{Name: "spy", Steps: []string{"weigh-in"}, Roles: []string{}, Begin: func(s Start) Judge {
		start = s
		return &heatingWindow{}
	}}
	e := NewEngine(Site{Systems: []System{{Refrigerant: "R-410A", FactoryKg: 9.3}}}, append(All(), spy))
	f := feed{Engine: e}
	f.next(1, 0, &Started{})
	seq, verdict := enter(t, e, f.seq, 1, "a,suction,7/8 in,30 m", "a,liquid,1/2 in,30 m,,0.1 kg/ft")
	if verdict.Result != NotProven || !strings.Contains(verdict.Text, "no liquid line") {
		t.Errorf("the take-off is %s: %s", verdict.Result, verdict.Text)
	}
	f.seq = seq
	f.next(1, 5000, &Told{Kind: "begin", Name: "weigh-in"})
	if target, aimed := limit(start.Step, "target"); aimed {
		t.Errorf("the weigh-in's target is %+v", target)
	}
}

func TestAnEstimateIsNotProvenAndSaysSo(t *testing.T) {
	e := NewEngine(Site{Systems: []System{{Refrigerant: "R-32"}}}, All())
	f := feed{Engine: e}
	f.next(1, 0, &Started{})
	_, v := enter(t, e, f.seq, 1, "a,liquid,1/2 in,30 m,,", "a,suction,7/8 in,30 m,,")
	// 30 m of 1/2 in hold 2.89 l; R-32 at 40 C has 893 kg/m3 (the field guide, step 0).
	if v.Result != NotProven || v.Cause != "estimate" || math.Abs(valueOf(v, "additional_kg")-2.89*0.893) > 0.01 || !strings.Contains(v.Text, "estimate") {
		t.Errorf("%s %s %s %v", v.Result, v.Cause, v.Text, v.Values)
	}
	if s := targetSource(true, false); !strings.Contains(s, "estimate") || !strings.Contains(s, "not proven") {
		t.Error(s)
	}
}

// Each slip is told, and by nothing else of the same take-off.
func TestSlipsOfATakeOff(t *testing.T) {
	for name, c := range map[string]struct {
		rows  string
		kinds []string
	}{
		"in order":                {"a,liquid,1/2 in,30 m,,0.1 kg/m|a,suction,7/8 in,30 m,,", nil},
		"two pieces of one run":   {"a,liquid,1/2 in,30 m,,|a,liquid,1/2 in,12 m,,|a,suction,7/8 in,42 m,,", nil},
		"names that never pair":   {"l1,liquid,1/2 in,30 m,,|g1,suction,7/8 in,30 m,,", nil},
		"5/8 factor on 1/2":       {"a,liquid,1/2 in,30 m,,0.152 kg/m|a,suction,7/8 in,30 m,,", []string{"factor"}},
		"lb/ft written as kg/m":   {"a,liquid,1/2 in,30 m,,0.063 kg/m|a,suction,7/8 in,30 m,,", []string{"factor"}},
		"a factor on gas":         {"a,liquid,1/2 in,30 m,,0.094 kg/m|a,suction,7/8 in,30 m,,0.3 kg/m", []string{"factor"}},
		"feet as metres":          {"a,liquid,1/2 in,30 m,,|a,suction,7/8 in,98.4 m,,", []string{"lengths"}},
		"all in feet":             {"a,liquid,1/2 in,180 m,,|a,suction,7/8 in,180 m,,", []string{"units"}},
		"long even in feet":       {"a,liquid,1/2 in,1234.5 m,,|a,suction,7/8 in,30 m,,", []string{"long"}},
		"one line of three":       {"a,liquid,1/2 in,62 m,,|a,suction,7/8 in,20 m,,", []string{"missing"}},
		"one piece too many":      {"a,liquid,1/2 in,62 m,,|a,liquid,1/2 in,70 m,,|a,suction,7/8 in,62 m,,", []string{"missing"}},
		"a length apart":          {"a,liquid,1/2 in,31 m,,|a,suction,7/8 in,29 m,,", nil},
		"as long as it may be":    {"a,liquid,1/2 in,165 m,,|a,suction,7/8 in,165 m,,", nil},
		"twice":                   {"a,liquid,1/2 in,30 m,,|a,liquid,12.7 mm,30 m,,|a,suction,7/8 in,30 m,,", []string{"twice"}},
		"two diameters":           {"a,liquid,1/2 in,30 m,,|a,liquid,5/8 in,30 m,,|a,suction,7/8 in,30 m,,", []string{"contradiction"}},
		"suction below liquid":    {"a,liquid,5/8 in,30 m,,|a,suction,1/2 in,30 m,,", []string{"contradiction"}},
		"no gas line":             {"a,liquid,5/8 in,30 m,,", []string{"missing"}},
		"no liquid line":          {"a,suction,7/8 in,30 m,,|a,hot-gas,3/4 in,30 m,,", []string{"missing"}},
		"no gas line of one":      {"a,liquid,5/8 in,30 m,,|a,suction,7/8 in,30 m,,|b,liquid,3/8 in,3 m,,", []string{"missing"}},
		"hot gas and suction":     {"a,liquid,5/8 in,30 m,,|a,suction,1-1/8 in,30 m,,|a,hot-gas,7/8 in,30 m,,", nil},
		"only metric, wall given": {"a,liquid,16 mm,30 m,1 mm,|a,suction,28 mm,30 m,1 mm,", nil},
	} {
		var e Entered
		for _, row := range strings.Split(c.rows, "|") {
			if !e.Tell(&Told{Kind: "mark", Name: "setting", Note: "take-off row: " + row}, "") {
				t.Errorf("%s: %s was not taken", name, row)
			}
		}
		_, doubts := System{Refrigerant: "R-410A"}.TakenOff(e)
		var kinds []string
		for _, d := range doubts {
			kinds = append(kinds, d.Kind)
		}
		if !slices.Equal(kinds, c.kinds) || len(e.Bad) > 0 {
			t.Errorf("%s: found %v (%+v), want %v; bad %v", name, kinds, doubts, c.kinds, e.Bad)
		}
	}
}

// A take-off within 5 % of the site file's is no doubt; beyond it is (the field guide, step 0).
func TestASecondTakeOff(t *testing.T) {
	file := []Run{{Name: "a", Line: "liquid", OutsideDiameterM: 0.0127, LengthM: 100, FactorKgM: 0.1}, {Name: "a", Line: "suction", OutsideDiameterM: 0.022225, LengthM: 100}}
	for length, kinds := range map[string][]string{"104 m": nil, "96 m": nil, "106 m": {"second"}, "94 m": {"second"}, "328 m": {"units", "second"}, "328 ft": nil} {
		var e Entered
		for _, row := range []string{"a,liquid,1/2 in," + length + ",,0.1 kg/m", "a,suction,7/8 in," + length + ",,"} {
			e.Tell(&Told{Kind: "mark", Name: "setting", Note: "take-off row: " + row}, "")
		}
		_, doubts := System{Refrigerant: "R-410A", Runs: file}.TakenOff(e)
		var got []string
		for _, d := range doubts {
			got = append(got, d.Kind)
		}
		if !slices.Equal(got, kinds) {
			t.Errorf("%s: %v, want %v", length, got, kinds)
		}
	}
}

// Whatever stands in a mark's note, it is a row, a bad row or no row: nothing panics,
// and what was taken is taken out again by the same fields.
func FuzzRowMarks(f *testing.F) {
	for _, s := range []string{"take-off row: a,liquid,1/2 in,30 m", "take-off row removed: a,liquid,1/2 in,30 m,,", "roof/take-off row: \"a\"\"b\",suction,7/8 in,3 ft,1 mm,0.1 lb/ft", "take-off row: ", "take-off row: a\n,b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, note string) {
		var e Entered
		e.Tell(&Told{Kind: "mark", Name: "setting", Note: note}, "roof")
		e.Tell(&Told{Kind: "mark", Name: "setting", Note: note}, "")
		p, _ := System{Refrigerant: "R-410A"}.TakenOff(e)
		if s, err := p.Sum(); err != nil || math.IsNaN(s.TotalM3) {
			t.Fatalf("%q: %v %v", note, s, err)
		}
		for _, r := range e.Rows {
			mark := RowMark("roof", r.Fields, true)
			n := len(e.Rows)
			e.Tell(&mark, "roof")
			if len(e.Rows) != n-1 {
				t.Fatalf("%q was not taken out by %q", r.Fields, mark.Note)
			}
		}
	})
}

// A gas line is no thinner than its liquid line, in whatever order the rows come and whichever gas line it is.
func TestAGasLineThinnerThanItsLiquidLineIsDoubted(t *testing.T) {
	liquid, suction, hot := Run{Name: "riser", Line: "liquid", OutsideDiameterM: 0.01905, LengthM: 22}, Run{Name: "riser", Line: "suction", OutsideDiameterM: 0.028575, LengthM: 22}, Run{Name: "riser", Line: "hot-gas", OutsideDiameterM: 0.022225, LengthM: 22}
	thin := func(r Run) Run { r.OutsideDiameterM = 0.0127; return r }
	for _, c := range []struct {
		runs []Run
		want string
	}{
		{[]Run{liquid, suction, hot}, ""},
		{[]Run{liquid, thin(suction), hot}, "the suction line"},
		{[]Run{liquid, suction, thin(hot)}, "the hot-gas line"},
		{[]Run{suction, thin(hot), liquid}, "the hot-gas line"},
		{[]Run{thin(suction), hot, liquid}, "the suction line"},
		{[]Run{thin(hot), liquid}, "the hot-gas line"},
	} {
		said := ""
		for _, d := range (Pipework{Runs: c.runs, Refrigerant: "R-410A", LiquidC: 25}).Doubts() {
			if d.Kind == "contradiction" {
				said = d.Text
			}
		}
		if (c.want == "") != (said == "") || !strings.Contains(said, c.want) {
			t.Errorf("%v: said %q, want %q", c.runs, said, c.want)
		}
	}
}
