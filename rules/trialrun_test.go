package rules

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// trialOf plays a trial run in which nothing changes and returns what was found.
func trialOf(t *testing.T, fluid string, v map[string]float64) (out []Finding) {
	t.Helper()
	site := Site{Systems: []System{{Refrigerant: fluid, Steps: map[string]map[string]Setting{}}}}
	for _, role := range sensors.Roles {
		if _, ok := v[role]; ok {
			q := sensors.Temperature
			switch role {
			case "suction-pressure", "liquid-pressure":
				q = sensors.Pressure
			case "barometer":
				q = sensors.AbsolutePressure
			}
			site.Points = append(site.Points, sensors.Point{Name: role, Role: role, Quantity: q, Every: 10 * time.Second})
		}
	}
	e := feed{Engine: NewEngine(site, []Rule{TrialRun})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "trial-run"})
	for s := 0.0; s <= 46*60; s += 10 {
		for _, p := range site.Points {
			out = append(out, e.read(1, s, p.Name, v[p.Role])...)
		}
	}
	return append(out, e.next(1, 46*60+1, &Told{Kind: "end", Name: "trial-run"})...)
}

func lastVerdict(t *testing.T, out []Finding) (v Finding) {
	t.Helper()
	for _, f := range out {
		if f.Edge == Given {
			v = f
		}
	}
	if v.Result == "" {
		t.Fatal("no verdict")
	}
	return v
}

func trialValue(t *testing.T, f Finding, key string) float64 {
	t.Helper()
	for _, v := range f.Values {
		if v.Key == key {
			return v.Number
		}
	}
	t.Fatalf("%s: no %s in %v", f.Text, key, f.Values)
	return 0
}

// Source: superheat_subcooling.csv (its own lines): an evaluation of the
// published equations apart from the library, at two barometers.
func TestTrialRunAgainstThePropertyLibrary(t *testing.T) {
	text, err := os.ReadFile("../testdata/reference/superheat_subcooling.csv")
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) != 13 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		n := func(i int) float64 {
			x, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		f := lastVerdict(t, trialOf(t, "R-"+strings.TrimPrefix(row[0], "R"), map[string]float64{"barometer": n(1) * 1e3,
			"suction-pressure": n(2) * 1e3, "suction-line": n(3), "liquid-pressure": n(5) * 1e3, "liquid-line": n(6)}))
		for key, want := range map[string]float64{"superheat_k": n(4), "subcooling_k": n(7)} {
			if got := trialValue(t, f, key); !(math.Abs(got-want) <= 0.005) {
				t.Errorf("%v: %s %g, want %g", row, key, got, want)
			}
		}
	}
}

// Source: the field guide, worked example 13: which curve goes with which. Its
// blend has a glide of 1.3 K, as R-454B has; the other curve would be wrong by that.
func TestTrialRunTakesDewForSuperheatAndBubbleForSubcooling(t *testing.T) {
	r, err := physics.RefrigerantNamed("R-454B")
	if err != nil {
		t.Fatal(err)
	}
	low, _ := r.AtTemperature(8)
	high, _ := r.AtTemperature(43)
	f := lastVerdict(t, trialOf(t, "R-454B", map[string]float64{"barometer": physics.AtmospherePa,
		"suction-pressure": low.DewPa - physics.AtmospherePa, "suction-line": 13, "liquid-pressure": high.BubblePa - physics.AtmospherePa, "liquid-line": 38.5}))
	for key, want := range map[string]float64{"superheat_k": 5, "dew_c": 8, "subcooling_k": 4.5, "bubble_c": 43} {
		if got := trialValue(t, f, key); math.Abs(got-want) > 0.005 {
			t.Errorf("%s %g, want %g", key, got, want)
		}
	}
	if bubble, _ := r.BubbleC(low.DewPa); 8-bubble < 1 || 8-bubble > 1.6 {
		t.Errorf("a glide of %.2f K: this test would not see the wrong curve", 8-bubble)
	}
	if f.Result != Passed {
		t.Error(f.Text)
	}
}

// Source: the field guide, step 6: a clamp of 0.5 K and a pressure of 1 % give
// 0.3 to 0.5 K by pressure, and about 0.7 K in all.
func TestTrialRunCarriesItsDoubt(t *testing.T) {
	f := lastVerdict(t, trialOf(t, "R-410A", map[string]float64{"barometer": physics.AtmospherePa,
		"suction-pressure": 850e3, "suction-line": 12, "liquid-pressure": 2700e3, "liquid-line": 40}))
	for key, low := range map[string]float64{"superheat_doubt_k": 0.3, "subcooling_doubt_k": 0.3} {
		got := trialValue(t, f, key)
		if by := math.Sqrt(got*got - 0.25); got > 0.75 || by < low-0.05 || by > 0.5 {
			t.Errorf("%s %.3f K, of which %.3f K by pressure", key, got, by)
		}
	}
	// Without a barometer the weather adds to it.
	more := lastVerdict(t, trialOf(t, "R-410A", map[string]float64{
		"suction-pressure": 850e3, "suction-line": 12, "liquid-pressure": 2700e3, "liquid-line": 40}))
	if a, b := trialValue(t, f, "superheat_doubt_k"), trialValue(t, more, "superheat_doubt_k"); !(b > a) {
		t.Errorf("doubt %g with a barometer and %g without", a, b)
	}
}

// Source: the field guide, step 6, its table of patterns.
func TestTrialRunNamesThePatterns(t *testing.T) {
	r, _ := physics.RefrigerantNamed("R-410A")
	for _, c := range []struct {
		sh, sc, overAir float64
		cause           string
		flags           int
	}{
		{5.5, 6, 15, "none", 0},
		{14, 1, 15, "short-of-charge", 2},
		{0.8, 14, 15, "overcharge", 2},
		{14, 14, 15, "restriction", 2},
		{0.6, 0.8, 15, "flooding", 2},
		{5.5, 14, 27, "air-left-in", 1},
		{5.5, 14, 15, "subcooling-high", 1},
		{14, 6, 15, "superheat-high", 1},
		{5.5, 8.6, 15, "none", 0},
		{7.8, 6, 15, "too-close", 0},
		{3.2, 6, 15, "too-close", 0},
	} {
		low, _ := r.AtTemperature(6)
		high, _ := r.AtTemperature(45)
		out := trialOf(t, "R-410A", map[string]float64{"barometer": physics.AtmospherePa, "suction-pressure": low.DewPa - physics.AtmospherePa, "suction-line": 6 + c.sh,
			"liquid-pressure": high.BubblePa - physics.AtmospherePa, "liquid-line": 45 - c.sc, "outdoor-air": 45 - c.overAir})
		f := lastVerdict(t, out)
		raised := 0
		for _, x := range out {
			if x.Edge == Raised {
				raised++
			}
		}
		if f.Cause != c.cause || raised != c.flags {
			t.Errorf("superheat %g, subcooling %g: %s, %d flags; want %s, %d\n%s", c.sh, c.sc, f.Cause, raised, c.cause, c.flags, f.Text)
		}
		if f.Result == NotPassed && !strings.Contains(f.Text, "suspicion") {
			t.Errorf("not said as a suspicion: %s", f.Text)
		}
	}
}

// Clamps find their pressures, and the far end of the liquid line, by their names.
func TestPointsOfATrialRunArePutTogether(t *testing.T) {
	r, _ := physics.RefrigerantNamed("R-410A")
	for _, c := range []struct {
		points, outdoor, units        string
		superheat, subcooling, losses string
	}{
		{"suction-pressure suction-line liquid-pressure liquid-line", "ou1", "", "suction-line/suction-pressure", "liquid-line/liquid-pressure", ""},
		{"suction-pressure-ou1 suction-pressure-ou2 suction-line-ou2 suction-line-ou1", "ou1 ou2", "", "suction-line-ou2/suction-pressure-ou2 suction-line-ou1/suction-pressure-ou1", "", ""},
		{"suction-pressure suction-line-1 suction-line-2", "", "", "suction-line-1/suction-pressure suction-line-2/suction-pressure", "", ""},
		{"liquid-pressure liquid-line-far liquid-line", "", "", "", "liquid-line/liquid-pressure", "liquid-line/liquid-line-far"},
		{"liquid-pressure liquid-line-ou1 liquid-line-iu07", "ou1", "iu07", "", "liquid-line-ou1/liquid-pressure", "liquid-line-ou1/liquid-line-iu07"},
		{"liquid-pressure-ou1 liquid-line-top liquid-line-ou1", "ou1", "", "", "liquid-line-ou1/liquid-pressure-ou1", "liquid-line-ou1/liquid-line-top"},
		{"liquid-pressure liquid-line-ou1 liquid-line-ou2", "ou1 ou2", "", "", "liquid-line-ou1/liquid-pressure liquid-line-ou2/liquid-pressure", ""},
		{"liquid-pressure near-liquid end-liquid", "", "", "", "near-liquid/liquid-pressure", "near-liquid/end-liquid"},
		{"liquid-pressure far-end", "", "", "", "far-end/liquid-pressure", ""},
	} {
		m := mating{fluid: r, atmosphere: func() float64 { return physics.AtmospherePa }, outdoor: strings.Fields(c.outdoor)}
		for _, u := range strings.Fields(c.units) {
			m.units = append(m.units, Unit{Name: u})
		}
		for _, p := range strings.Fields(c.points) {
			role := "liquid-line"
			for _, x := range []string{"suction-pressure", "suction-line", "liquid-pressure"} {
				if strings.HasPrefix(p, x) {
					role = x
				}
			}
			m.tracks = append(m.tracks, &track{point: sensors.Point{Name: p, Role: role}})
		}
		said := func(ps []*pair) string {
			var all []string
			for _, p := range ps {
				all = append(all, p.a.point.Name+"/"+p.b.point.Name)
			}
			return strings.Join(all, " ")
		}
		l := m.lines()
		if a, b, d := said(l.superheat), said(l.subcooling), said(l.loss); a != c.superheat || b != c.subcooling || d != c.losses {
			t.Errorf("%s: superheat %q, subcooling %q, losses %q", c.points, a, b, d)
		}
	}
}

func TestFaultCodesAndTheUnitsOwnResult(t *testing.T) {
	for _, c := range []struct {
		notes string
		open  int
	}{{"E4", 1}, {"E4 at ou1|U1", 2}, {"E4|U1|E4 cleared", 1}, {"E4|U1|all cleared", 0}, {"none", 0}, {"E4|E4", 1}, {"E4|no fault", 0}} {
		j := &trialRun{}
		for _, n := range strings.Split(c.notes, "|") {
			j.fault(n)
		}
		if len(j.codes) != c.open {
			t.Errorf("%s leaves %v", c.notes, j.codes)
		}
	}
	for note, bad := range map[string]bool{"trial-run: finished without a fault": false, "trial-run ok": false, "Trial run failed, code E4": true,
		"trial-run: not finished": true, "trial-run abnormal": true, "charge label not filled in": false} {
		j := &trialRun{step: Step{Name: "trial-run"}}
		if j.ownResult(note); j.ownBad != bad || strings.HasPrefix(note, "charge") != (j.own == "") {
			t.Errorf("%s: bad %v, taken as %q", note, j.ownBad, j.own)
		}
	}
}

func TestWhatIsSaidOfATrialRun(t *testing.T) {
	r, _ := physics.RefrigerantNamed("R-410A")
	low, _ := r.AtTemperature(6)
	high, _ := r.AtTemperature(45)
	still, _ := r.AtTemperature(25)
	point := func(role string, q sensors.Quantity) sensors.Point {
		return sensors.Point{Name: role, Role: role, Quantity: q, Every: 10 * time.Second}
	}
	e := feed{Engine: NewEngine(Site{Systems: []System{{Refrigerant: "R-410A"}}, Points: []sensors.Point{
		point("suction-pressure", sensors.Pressure), point("suction-line", sensors.Temperature),
		point("liquid-pressure", sensors.Pressure), point("liquid-line", sensors.Temperature)}}, []Rule{TrialRun})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "trial-run"})
	e.say(t, 1, 5, "Trial run, 0 of 45 min.", "settle")
	play := func(from, to, suctionPa, suctionC, liquidPa, liquidC float64) {
		for s := from; s < to; s += 10 {
			e.read(1, s, "suction-pressure", suctionPa-physics.AtmospherePa)
			e.read(1, s, "suction-line", suctionC)
			e.read(1, s, "liquid-pressure", liquidPa-physics.AtmospherePa)
			e.read(1, s, "liquid-line", liquidC)
		}
	}
	play(10, 300, still.BubblePa, 25, still.BubblePa, 25)
	if o := e.say(t, 1, 300, "stands still"); o.Left.Minutes() != 40 || o.Sure != "too early to say" {
		t.Errorf("%+v", o)
	}
	play(300, 1900, low.DewPa, 11.5, high.BubblePa, 39)
	o := e.say(t, 1, 1900, "31 of 45 min", "Superheat 5.5 K (9.9 °F), steady; subcooling 6.0 K (10.8 °F), steady.")
	if o.Point != "suction-line" || o.Figure != 11.5 || o.Sure != "likely" || math.Abs(trialValue(t, Finding{Values: o.Values}, "superheat_k")-5.5) > 0.01 {
		t.Errorf("%+v", o)
	}
	e.next(1, 1900, &Told{Kind: "mark", Name: "fault-code", Note: "E4"})
	e.say(t, 1, 1901, "The unit shows E4.")
	e.next(1, 1902, &Told{Kind: "mark", Name: "fault-code", Note: "E4 cleared"})
	play(1910, 2750, low.DewPa, 11.5, high.BubblePa, 39)
	if o := e.say(t, 1, 2750, "Trial run passed.", "Superheat 5.5 K"); o.Sure != "sure" {
		t.Errorf("passed, and %q", o.Sure)
	}
}
