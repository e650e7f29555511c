package rules

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

// The binary code in runs and their reverses tells as many units apart as it
// has codes: every two differ in some run, and in none is any unit at rest.
func TestTheCodeTellsUnitsApart(t *testing.T) {
	for n := 2; n <= 64; n++ {
		some := make([]int, n)
		for i := range some {
			some[i] = i
		}
		plan := PlanCoded(n, some)
		least := 2
		for 1<<(least/2) < n {
			least += 2
		}
		if len(plan) != least {
			t.Fatalf("%d units: %d runs; 2 log2 N are %d", n, len(plan), least)
		}
		for a := range n {
			for b := range a {
				if !slices.ContainsFunc(plan, func(run []int8) bool { return run[a] != run[b] }) {
					t.Fatalf("%d units: %d and %d are asked the same in every run", n, a, b)
				}
			}
		}
		for k := 0; k < len(plan); k += 2 {
			for i := range n {
				if plan[k][i] == 0 || plan[k][i] != -plan[k+1][i] {
					t.Fatalf("%d units: run %d asks %v, its reverse %v", n, k, plan[k], plan[k+1])
				}
			}
		}
	}
	if plan := PlanCoded(5, []int{1, 3}); len(plan) != 2 || !slices.Equal(plan[0], []int8{0, -1, 0, 1, 0}) {
		t.Errorf("a pair's test: %v", plan)
	}
	if plan := PlanPairs(4, []int{0, 2, 3}); len(plan) != 3 || !slices.Equal(plan[1], []int8{-1, 0, 0, -1}) {
		t.Errorf("pairs in cooling: %v", plan)
	}
}

// checked is a branch check of some units, whose rooms do as they are told.
type checked struct {
	*testing.T
	feed
	t  float64
	to map[int]int // a unit's room; none: dead
	// together are units that get something only when all of them are asked
	together []int
	answers  [][]float64 // by unit asked to heat and room, where a table gives them
	lasts    int         // half minutes of a run; none: 21
	lagS     float64     // of the rooms; none: 120
	asked    []string
	levels   []float64
	found    []Finding
}

func newCheck(t *testing.T, n int, more ...sensors.Point) *checked {
	return newCheckOf(t, System{HeatRecovery: true}, n, more...)
}

func newCheckOf(t *testing.T, sys System, n int, more ...sensors.Point) *checked {
	t.Helper()
	site := Site{Points: more}
	c := &checked{T: t, to: map[int]int{}}
	for i := range n {
		name := string(rune('a'+i)) + "1"
		sys.Units = append(sys.Units, Unit{Name: name})
		site.Points = append(site.Points, sensors.Point{Name: name + "-supply", Role: "supply-air", Quantity: sensors.Temperature, Every: 30 * time.Second})
		c.to[i] = i
		c.asked, c.levels = append(c.asked, "fan"), append(c.levels, 20)
	}
	site.Systems = []System{sys}
	c.feed = feed{Engine: NewEngine(site, []Rule{BranchCheck})}
	c.tell(&Started{})
	c.tell(&Told{Kind: "begin", Name: "branch-check"})
	return c
}

func (c *checked) tell(b Body) { c.found = append(c.found, c.next(1, c.t, b)...) }

func (c *checked) outlook() Outlook { return c.Outlooks(at(1, c.t))[0].Outlook }

// do asks what is proposed and waits until it has worked.
func (c *checked) do(a *Ask) {
	for i, x := range a.Commands {
		c.asked[i] = x.What
		c.tell(&Told{Kind: "command", Name: x.Unit, Note: x.What})
	}
	lasts := c.lasts
	if lasts == 0 {
		lasts = 21
	}
	c.pass(lasts)
}

// pass lets some half minutes pass.
func (c *checked) pass(halves int) {
	lag := c.lagS
	if lag == 0 {
		lag = 120
	}
	for range halves {
		c.t += 30
		aim := make([]float64, len(c.levels))
		for i, what := range c.asked {
			if c.answers != nil && what == "heat" {
				for j, k := range c.answers[i] {
					aim[j] += k
				}
				continue
			}
			half := slices.Contains(c.together, i) && slices.ContainsFunc(c.together, func(k int) bool { return c.asked[k] == "fan" })
			if to, ok := c.to[i]; ok && !half && (to == i || c.asked[to] != "fan") {
				aim[to] += map[string]float64{"heat": 12, "cool": -9}[what]
			}
		}
		for i := range c.levels {
			c.levels[i] += (20 + aim[i] - c.levels[i]) * 30 / lag
			c.found = append(c.found, c.read(1, c.t, string(rune('a'+i))+"1-supply", c.levels[i])...)
		}
	}
}

// follow does what is proposed until nothing is, and returns the last verdict.
func (c *checked) follow(most int) (v Finding, runs int) {
	c.Helper()
	for ; runs < most; runs++ {
		a := c.outlook().Next
		if a == nil {
			break
		}
		if a.Left >= 0 {
			c.Fatalf("run %d: %q has %v left, though the one before was left to work", runs, a.Sentence, a.Left)
		}
		c.do(a)
	}
	for _, f := range c.found {
		if f.Edge == Given {
			v = f
		}
	}
	return v, runs
}

// Whoever follows what is proposed comes to a verdict before the end: units are
// asked alone, and two that answer nothing together.
func TestFollowingTheProposals(t *testing.T) {
	c := newCheck(t, 5)
	c.to[1], c.to[3] = 3, 1
	v, runs := c.follow(20)
	if v.Result != NotPassed || v.Cause != "crossed" || !slices.Equal(v.Pairs, []Pair{{"b1", "d1"}, {"d1", "b1"}}) {
		t.Errorf("%s %s %v: %s", v.Result, v.Cause, v.Pairs, v.Text)
	}
	if runs != 1+5+1 {
		t.Errorf("%d runs; one at rest, five alone, one as a pair", runs)
	}
	o := c.outlook()
	if o.Next != nil || !strings.Contains(o.Sentence, "The plan is done") || o.Sure != "sure" || !o.Table.Cells[1][3].Chosen || o.Table.Cells[1][1].Chosen ||
		len(o.Table.Pairs) != 2 || o.Units[1].Cause != "crossed" || o.Units[0].Result != Passed {
		t.Errorf("%+v", o)
	}
}

func TestTheCodeIsProposedAboveTwelveUnits(t *testing.T) {
	c := newCheck(t, 14)
	c.to[2], c.to[7], c.to[9] = 7, 9, 2
	v, runs := c.follow(20)
	if v.Cause != "crossed" || len(v.Pairs) != 3 || runs != 9 {
		t.Errorf("%d runs, %s %s %v: %s", runs, v.Result, v.Cause, v.Pairs, v.Text)
	}
}

// Where it is too warm to heat, each is asked to cool, and what answers nothing
// two by two.
func TestTooWarmToHeat(t *testing.T) {
	c := newCheck(t, 4, sensors.Point{Name: "outdoors", Role: "outdoor-air", Quantity: sensors.Temperature, Every: time.Minute})
	c.read(1, 0, "outdoors", 33)
	c.to[0], c.to[2] = 2, 0
	v, runs := c.follow(20)
	if v.Cause != "crossed" || !slices.Equal(v.Pairs, []Pair{{"a1", "c1"}, {"c1", "a1"}}) || runs != 6 {
		t.Errorf("%d runs, %s %s %v: %s", runs, v.Result, v.Cause, v.Pairs, v.Text)
	}
	for _, f := range c.outlook().Units {
		if f.Asked == "heat" {
			t.Errorf("%s was asked to heat", f.Unit)
		}
	}
}

// One that answers nothing is asked once more: a defrost may have taken its answer.
func TestADeadUnitIsAskedTwice(t *testing.T) {
	c := newCheck(t, 4)
	delete(c.to, 2)
	v, runs := c.follow(20)
	if v.Cause != "dead" || !strings.Contains(v.Text, "c1") || runs != 6 {
		t.Errorf("%d runs, %s %s: %s", runs, v.Result, v.Cause, v.Text)
	}
}

func TestNothingAnswersAnywhere(t *testing.T) {
	c := newCheck(t, 3)
	c.to = map[int]int{}
	c.follow(10)
	c.tell(&Told{Kind: "end", Name: "branch-check"})
	v := c.found[len(c.found)-1]
	if v.Result != NotProven || v.Cause != "no-answer" || !strings.Contains(v.Text, "not one room answered") {
		t.Errorf("%s %s: %s", v.Result, v.Cause, v.Text)
	}
}

// Two units that claim one sensor are said, and nothing is made of it.
func TestOneSensorForTwoUnits(t *testing.T) {
	site := Site{Points: []sensors.Point{{Name: "s", Role: "supply-air", Quantity: sensors.Temperature, Every: 30e9}, {Name: "t", Role: "supply-air", Quantity: sensors.Temperature, Every: 30e9}},
		Systems: []System{{Units: []Unit{{Name: "a1", Supply: "s"}, {Name: "b1", Supply: "s"}, {Name: "c1", Supply: "t"}}}}}
	e := feed{Engine: NewEngine(site, []Rule{BranchCheck})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "branch-check"})
	for i, u := range []string{"", "a1", "b1", "c1"} {
		if u != "" {
			e.next(1, float64(600*i), &Told{Kind: "command", Name: u, Note: "heat"})
		}
		for s := 600 * i; s < 600*i+600; s += 30 {
			v := 20.0
			if u != "c1" && u != "" && s > 600*i+120 {
				v = 35
			}
			e.read(1, float64(s), "s", v)
			e.read(1, float64(s), "t", 20)
		}
		if u != "" {
			e.next(1, float64(600*i+600), &Told{Kind: "command", Name: u, Note: "fan"})
		}
	}
	fs := e.next(1, 2500, &Told{Kind: "end", Name: "branch-check"})
	if v := fs[len(fs)-1]; v.Result == Passed || len(v.Pairs) > 0 || !strings.Contains(v.Text, "claim the sensor s") {
		t.Errorf("%s %s %v: %s", v.Result, v.Cause, v.Pairs, v.Text)
	}
}

// With one pipe of two units exchanged neither answers alone, and both rightly together.
func TestOnePipeOfAPair(t *testing.T) {
	c := newCheck(t, 4)
	c.together = []int{1, 2}
	v, _ := c.follow(20)
	if v.Result != NotPassed || v.Cause != "one-pipe" || len(v.Pairs) > 0 || !strings.Contains(v.Text, "b1 and c1") {
		t.Errorf("%s %s %v: %s", v.Result, v.Cause, v.Pairs, v.Text)
	}
}

// The field guide's worked example 15: what each of four rooms answered when one
// unit after the other was asked to heat for 10 min. Units 2 and 3 are crossed,
// and the best sum is 16.6 K above the one of straight pipes.
func TestTheGuidesCrossedRooms(t *testing.T) {
	c := newCheck(t, 4)
	c.answers = [][]float64{{9.1, .3, .2, .1}, {.2, .4, 8.6, .3}, {.1, 8.9, .5, .2}, {.3, .2, .1, 9.4}}
	c.lasts = 21 // 10 min, the default, and one reading after it
	v, runs := c.follow(12)
	if v.Result != NotPassed || v.Cause != "crossed" || !slices.Equal(v.Pairs, []Pair{{"b1", "c1"}, {"c1", "b1"}}) || runs != 5 {
		t.Fatalf("%d runs, %s %s %v: %s", runs, v.Result, v.Cause, v.Pairs, v.Text)
	}
	// The last unit still runs: that its answer was not seen to go again does not
	// make it larger than what was measured.
	cells := c.outlook().Table.Cells
	for i, row := range c.answers {
		for j, k := range row {
			if got := cells[i][j]; !got.Known || math.Abs(got.ResponseK-k) > 0.5 || got.Chosen != (k > 5) {
				t.Errorf("unit %d in room %d: %+v; the example has %v K", i+1, j+1, got, k)
			}
		}
	}
}

// The unit asked last has not been seen to rest again. Its answer is no larger or
// smaller for that: its room is taken to lag as the others did.
func TestTheLastUnitsAnswer(t *testing.T) {
	for _, lagS := range []float64{60, 120} {
		for _, k := range []float64{6, 9.4, 14, 20} {
			c := newCheck(t, 3)
			c.lagS, c.answers = lagS, [][]float64{{k, 0, 0}, {0, k, 0}, {0, 0, k}}
			c.follow(4)
			for i, row := range c.outlook().Table.Cells {
				if got := row[i].ResponseK; math.Abs(got-k) > 0.5 {
					t.Errorf("rooms that lag %g s and give %g K: unit %d is said to give %.1f K", lagS, k, i+1, got)
				}
			}
		}
	}
}

// A run is not done before its answer can be read, whatever the site file says.
func TestAShortSettleIsStretched(t *testing.T) {
	sys := System{HeatRecovery: true, Steps: map[string]map[string]Setting{"branch-check": {"settle": {Value: 90, Given: true}}}}
	c := newCheckOf(t, sys, 4)
	c.to[1], c.to[3] = 3, 1
	c.lasts = 9
	v, _ := c.follow(12)
	if v.Cause != "crossed" || !slices.Equal(v.Pairs, []Pair{{"b1", "d1"}, {"d1", "b1"}}) {
		t.Errorf("runs of 4.5 min: %s %s %v: %s", v.Result, v.Cause, v.Pairs, v.Text)
	}
	c = newCheckOf(t, sys, 4)
	c.lasts = 4
	for _, run := range append(PlanAlone(4, []int{0}, 0), PlanAlone(4, []int{0, 1, 2, 3}, 1)...) {
		a := &Ask{}
		for i, x := range run {
			a.Commands = append(a.Commands, Asked{string(rune('a'+i)) + "1", map[int8]string{0: "fan", 1: "heat"}[x]})
		}
		c.do(a)
	}
	if o := c.outlook(); o.Next == nil || strings.Contains(o.Sentence, "plan is done") || len(o.Table.Asked) > 0 {
		t.Errorf("after runs of 2 min: %s", o.Sentence)
	}
	c.tell(&Told{Kind: "end", Name: "branch-check"})
	v = c.found[len(c.found)-1]
	if v.Result != NotProven || strings.Contains(v.Text, "No supply air") || !strings.Contains(v.Text, "Not asked to heat or cool for long enough: a1, b1, c1 and d1") {
		t.Errorf("after runs of 2 min: %s %s: %s", v.Result, v.Cause, v.Text)
	}
	site := Site{Systems: []System{sys, {Name: "tower", HeatRecovery: true}}, Points: []sensors.Point{{System: "tower", Role: "supply-air", Every: 5 * time.Minute}}}
	if why := site.ShortSettle(""); !strings.Contains(why, "settle: 90 s is too short") || !strings.Contains(why, "4 min") {
		t.Errorf("said of 90 s: %q", why)
	}
	if used := site.Used("", "branch-check", "settle", Setting{Value: 90, Text: "90 s", Source: siteFile}); used.Value != 240 || used.Text != "4 min" || used.Source != "the least in which an answer can be read; 90 s by site file is too short" {
		t.Errorf("shown of 90 s: %+v", used)
	}
	if used := site.Used("", "trial-run", "settle", Setting{Value: 90}); used.Value != 90 {
		t.Errorf("shown of another step's 90 s: %+v", used)
	}
	if why := site.ShortSettle("tower"); !strings.Contains(why, "10 min is too short") {
		t.Errorf("said of the default with a reading each 5 min: %q", why)
	}
}

// That a room has no sensor is said before an hour was spent on asking.
func TestAMissingSensorIsSaidFirst(t *testing.T) {
	c := newCheckOf(t, System{HeatRecovery: true, Units: []Unit{{Name: "z1"}}}, 2)
	if o := c.outlook(); !strings.Contains(o.Sentence, "No supply air is measured at z1") {
		t.Errorf("said: %s", o.Sentence)
	}
}

// One run, held against nothing, leaves the air unclear and not unmeasured.
func TestOneRunWithoutRest(t *testing.T) {
	c := newCheck(t, 3)
	c.do(&Ask{Commands: []Asked{{"a1", "heat"}, {"b1", "fan"}, {"c1", "fan"}}})
	if o := c.outlook(); !slices.Equal(o.Table.Asked, []string{"a1"}) {
		t.Errorf("asked are %v", o.Table.Asked)
	}
	c.do(&Ask{Commands: []Asked{{"a1", "fan"}, {"b1", "fan"}, {"c1", "fan"}}})
	for i, row := range c.outlook().Table.Cells {
		if i > 0 && slices.ContainsFunc(row, func(x Cell) bool { return x.Known }) {
			t.Errorf("unit %d was not asked, and is said to have given %+v", i+1, row)
		}
	}
	c.tell(&Told{Kind: "end", Name: "branch-check"})
	if v := c.found[len(c.found)-1]; v.Result != NotProven || strings.Contains(v.Text, "No supply air") {
		t.Errorf("%s %s: %s", v.Result, v.Cause, v.Text)
	}
}

// Rest begins when a person has said that the units rest: they may still be
// running. All in cooling, as a trial run leaves them, is no run of a plan.
func TestRestIsWhatWasSaid(t *testing.T) {
	c := newCheck(t, 4)
	for i := range c.levels {
		c.asked[i] = "cool" // and nobody told the box
	}
	c.pass(30)
	o := c.outlook()
	if o.Next == nil || o.Next.Run != 1 || o.Next.Left >= 0 {
		t.Fatalf("15 min after the begin, and nothing said: %+v", o.Next)
	}
	rest := o.Next
	for i, x := range rest.Commands {
		c.asked[i] = x.What
		c.tell(&Told{Kind: "command", Name: x.Unit, Note: x.What})
	}
	if a := c.outlook().Next; a == nil || a.Run != 1 || a.Left != 10*time.Minute {
		t.Errorf("just said: %+v", a)
	}
	c.pass(21)
	if v, runs := c.follow(12); v.Result != Passed || runs != 4 {
		t.Errorf("%d runs, %s %s: %s", runs, v.Result, v.Cause, v.Text)
	}

	c = newCheck(t, 4)
	var all Ask
	for i := range c.levels {
		all.Commands = append(all.Commands, Asked{string(rune('a'+i)) + "1", "cool"})
	}
	c.do(&all)
	if a := c.outlook().Next; a == nil || a.Of != 5 || !strings.Contains(a.Sentence, "run their fans only") {
		t.Errorf("after a trial run: %+v", a)
	}
}

// A unit that was asked long enough, in runs too short to be read because others
// were asked meanwhile, was not asked for long enough.
func TestAStretchOfShortRuns(t *testing.T) {
	c := newCheck(t, 2)
	c.lasts = 6
	for _, other := range []string{"fan", "heat", "fan", "heat"} {
		c.do(&Ask{Commands: []Asked{{"a1", "heat"}, {"b1", other}}})
	}
	c.tell(&Told{Kind: "end", Name: "branch-check"})
	if v := c.found[len(c.found)-1]; v.Result != NotProven || strings.Contains(v.Text, "No supply air") || !strings.Contains(v.Text, "Not asked to heat or cool for long enough: a1") {
		t.Errorf("%s %s: %s", v.Result, v.Cause, v.Text)
	}
}
