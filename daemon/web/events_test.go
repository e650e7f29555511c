package web

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// What a person told the box during a step has its tick, with what it said; not
// what concerns another system, a step as a whole, or only a flag.
func TestMarksAreTicks(t *testing.T) {
	box := newFakeBox("hold")
	at := func(min int) time.Time { return holdBegun.Add(time.Duration(min) * time.Minute) }
	mark := func(min int, name, note string) Mark {
		return Mark{Told: rules.Told{Kind: "mark", Name: name, Note: note}, Wall: at(min)}
	}
	weight := mark(9, "cylinder-weight", "")
	weight.Value, weight.Unit = 20.5, "kg"
	broken := mark(3, "nitrogen-break", "")
	broken.Value, broken.Unit = 13789.5, "Pa"
	counted := mark(8, "counted", "")
	counted.Value, counted.Unit = 12, "1"
	elsewhere := mark(4, "isolated", "elsewhere")
	elsewhere.System = "roof"
	asked := Mark{Told: rules.Told{Kind: "command", Name: "iu01", Note: "cool"}, Wall: at(5)}
	box.snap.Marks = []Mark{weight, counted, mark(7, "accepted", "vacuum-hold x"), mark(6, "acknowledged", "point-silent"), asked, elsewhere,
		broken, mark(1, "isolated", "core tool shut"), mark(-1, "pump-stopped", "before")}
	box.snap.Recent, box.snap.Past = nil, nil
	s := box.screens()
	st, _ := box.snap.running("", "vacuum-hold")
	from, to := stepWindow(box.snap, st)
	es, before := s.events(t.Context(), box.snap, asMeasured, st, from, to)
	var got []string
	for _, e := range es {
		got = append(got, fmt.Sprintf("%d %s %s %s", e.N, e.Kind, e.When.Clock, e.Text))
	}
	want := "1 mark 03:03 Valved off: core tool shut|2 mark 03:05 Nitrogen break: 2.0 psi (13.8 kPa)|" +
		"3 mark 03:10 Units counted: 12 units|4 mark 03:11 Cylinder weight: 20.50 kg (45 lb 3 oz)"
	if strings.Join(got, "|") != want || before != 0 {
		t.Errorf("%d before\n%s\nwant\n%s", before, strings.Join(got, "|"), want)
	}
	if text := s.markText(box.snap, asMeasured, mark(2, "note", "stopped")); text != "The box's program was stopped" {
		t.Errorf("the program's own note: %s", text)
	}
	disk := Mark{Told: rules.DiskFree(0.0754)}
	if text := s.markText(box.snap, asMeasured, disk); text != "The box itself: 7.5 %, disk" {
		t.Errorf("the disk's mark: %s", text)
	}
	cooling := Step{Step: rules.Step{Name: "cooling-check"}, Begun: holdBegun}
	es, _ = s.events(t.Context(), box.snap, asMeasured, cooling, from, to)
	if n := len(es); n != 4+1 || es[2].Text != "iu01 asked to: cool" { // and the vacuum hold's begin
		t.Errorf("while units are watched: %d ticks, %+v", n, es)
	}
	preheat := Step{Step: rules.Step{Name: "preheat", Begin: 4}, Begun: holdBegun} // meanwhile: the hold's own mark is not its business
	if es, _ = s.events(t.Context(), box.snap, asMeasured, preheat, from, to); len(es) != 3+1 || !strings.HasPrefix(es[1].Text, "Nitrogen break") {
		t.Errorf("beside the hold: %d ticks, %+v", len(es), es)
	}
	for i := range 30 {
		box.snap.Marks = append(box.snap.Marks, mark(10, "note", fmt.Sprint(i)))
	}
	if es, before = s.events(t.Context(), box.snap, asMeasured, st, from, to); len(es) != mostEvents || before != 34-mostEvents {
		t.Errorf("%d ticks and %d before, of 34", len(es), before)
	}
}

// The ticks of a step that lies far back come from the journal.
func TestTicksOfLongAgoComeFromTheJournal(t *testing.T) {
	box := newFakeBox("idle")
	st := Step{Step: rules.Step{Name: "vacuum-hold", Begin: 9}, Begun: midnight, Ended: midnight.Add(time.Hour)}
	for id := int64(400); id > 0; id-- {
		f := Finding{ID: id, Wall: midnight.Add(time.Duration(id) * time.Minute), Finding: rules.Finding{Edge: rules.Raised, Flag: "vacuum-rising", Step: "vacuum-hold", Begin: 9}}
		if id > 55 {
			f.Begin = 10
		}
		box.older = append(box.older, f)
	}
	box.snap.Recent, box.snap.Past = box.older[:100], nil
	s := box.screens()
	from, to := stepWindow(box.snap, st)
	if es, before := s.events(t.Context(), box.snap, asMeasured, st, from, to); len(es) != mostEvents || before != 55-mostEvents || es[mostEvents-1].When.Clock != "00:55" {
		t.Errorf("%d ticks and %d before: %+v", len(es), before, es)
	}
	box.findErr = errors.New("gone")
	if es, _ := s.events(t.Context(), box.snap, asMeasured, st, from, to); len(es) != 0 {
		t.Errorf("%+v", es)
	}
}

// A flag stands on the curve where it was raised; where there is no curve then
// it stands nowhere.
func TestFlagsStandOnTheCurve(t *testing.T) {
	var samples []journal.Sample
	for i := range int64(100) {
		if i < 40 || i > 60 {
			samples = append(samples, one(i*1000, float64(i)))
		}
	}
	c := draw(samples, 0, 100_000, 600)
	c.Events = []event{{Ms: 20_400, Kind: "raised"}, {Ms: 50_000, Kind: "cleared"}, {Ms: 80_000, Kind: "mark"}, {Ms: 90_600, Kind: "cleared"}}
	c.onCurve()
	if c.Events[0].At == nil || *c.Events[0].At != 20 || c.Events[1].At != nil || c.Events[2].At != nil || c.Events[3].At == nil || *c.Events[3].At != 91 {
		t.Errorf("%+v", c.Events)
	}
	c.axes(time.UTC, 6)
	svg := string(c.svg(372, 268, "x"))
	if strings.Count(svg, `class="pennant raised"`) != 1 || strings.Count(svg, `class="pennant cleared"`) != 1 {
		t.Errorf("flags in\n%s", svg)
	}
}

func TestTicksTooCloseToReadShareALabel(t *testing.T) {
	es := []event{{Ms: 0, N: 1}, {Ms: 100, N: 2}, {Ms: 110, N: 3}, {Ms: 120, N: 4}, {Ms: 200, N: 5}}
	var got []string
	for _, l := range labels(es, func(ms int64) float64 { return float64(ms) }) {
		got = append(got, fmt.Sprintf("%s at %g", l.text, l.x))
	}
	if strings.Join(got, ", ") != "1 at 0, 2–4 at 110, 5 at 200" {
		t.Error(got)
	}
}

// The page of what happened says that there is more, and leads to it.
func TestFlagsPageLeadsToWhatIsOlder(t *testing.T) {
	box := newFakeBox("idle")
	box.snap.Recent = nil
	for id := int64(130); id > 0; id-- {
		f := Finding{ID: id, Wall: midnight, Finding: rules.Finding{Edge: rules.Cleared, Flag: "point-silent", Text: fmt.Sprintf("finding %d.", id)}}
		box.older = append(box.older, f)
	}
	box.snap.Recent = box.older[:100]
	h := box.screens().handler()
	page, seen := "/flags", 0
	for {
		resp, text := visit(t, h, "GET", page, nil)
		if resp.StatusCode != 200 {
			t.Fatalf("%s: %d", page, resp.StatusCode)
		}
		for id := 130; id > 0; id-- {
			if strings.Contains(text, fmt.Sprintf("<p>finding %d.</p>", id)) {
				if id != 130-seen {
					t.Fatalf("%s: finding %d after %d others", page, id, seen)
				}
				seen++
			}
		}
		link := regexp.MustCompile(`href="(/flags\?before=\d+)">Older ones`).FindStringSubmatch(text)
		if link == nil {
			if !strings.Contains(text, "Nothing older than this.") {
				t.Errorf("%s does not say that it is the last", page)
			}
			break
		}
		page = link[1]
	}
	if seen != 130 || page != "/flags?before=31" {
		t.Errorf("%d findings seen, the last page is %s", seen, page)
	}
	box.findErr = errors.New("gone")
	if _, text := visit(t, h, "GET", "/flags?before=31", nil); !strings.Contains(text, "could not be read from the journal") {
		t.Error("a journal that cannot be read is not said")
	}
	for _, bad := range []string{"-1", "x"} {
		if resp, _ := visit(t, h, "GET", "/flags?before="+bad, nil); resp.StatusCode != 404 {
			t.Errorf("before=%s: %d", bad, resp.StatusCode)
		}
	}
}

// What is over is still there to be seen: its curve, its verdict with the
// numbers, and the other times it was begun.
func TestAPastStepShowsItsCurveAndItsNumbers(t *testing.T) {
	box := newFakeBox("idle")
	over := box.holding(box.snap)[1]
	over.Ended = holdBegun.Add(20 * time.Minute)
	over.Verdicts = []Finding{{Wall: holdBegun.Add(19 * time.Minute), Finding: rules.Finding{Edge: rules.Given, Flag: "vacuum-hold", Step: "vacuum-hold",
		Begin: 9, Seq: 12345, Result: rules.NotPassed, Cause: "leak-and-moisture", Text: "It failed.", Points: []string{"gauge"},
		Values: []rules.Value{{Key: "peak_pa", Number: 80}, {Key: "elapsed_s", Number: 1140}, {Key: "odd_pa", Number: 40}}}}}
	first := over
	first.Begin, first.Begun, first.Ended = 3, holdBegun.Add(-3*time.Hour), holdBegun.Add(-2*time.Hour)
	first.Outlook, first.Trend = rules.Outlook{}, nil // it lies before a restart
	box.snap.Past = append([]Step{over, first}, box.snap.Past...)
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/steps/vacuum-hold", nil)
	for _, want := range []string{`class="curve"`, `class="model"`, "cause: a leak and moisture", "<dt>Highest</dt><dd>600 micron (80.0\u00a0Pa)</dd>", "<dt>Odd</dt>",
		"Source: site file", "03:02 to 03:21, 19 min", "entries 9 to 12,345", `href="/points/gauge"`, `href="/steps/vacuum-hold?begin=3&amp;system="`} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	_, text = visit(t, h, "GET", "/steps/vacuum-hold?begin=3", nil)
	if !strings.Contains(text, `class="limit"`) || strings.Contains(text, `class="model"`) || !strings.Contains(text, "begin=9&amp;system=") {
		t.Errorf("the first hold:\n%s", text)
	}
	if resp, _ := visit(t, h, "GET", "/curve?step=vacuum-hold&begin=3", nil); resp.StatusCode != 200 {
		t.Errorf("its curve: %d", resp.StatusCode)
	}
	for _, none := range []string{"/curve?step=unit-count", "/curve?step=hand-over"} { // over without one, and never begun: no fault
		if resp, text := visit(t, h, "GET", none, nil); resp.StatusCode != 200 || strings.TrimSpace(text) != "null" {
			t.Errorf("%s: %d %s", none, resp.StatusCode, text)
		}
	}
	for _, bad := range []string{"/steps/vacuum-hold?begin=4", "/steps/vacuum-hold?begin=x", "/curve?step=vacuum-hold&begin=4", "/curve?step=tea-break"} {
		if resp, _ := visit(t, h, "GET", bad, nil); resp.StatusCode != 404 {
			t.Errorf("%s: %d", bad, resp.StatusCode)
		}
	}
}

// Water's vapour pressure at the coldest pipe stands beside a vacuum: 611.657 Pa
// at the triple point (IAPWS), 1228 Pa at 10 C (IAPWS-95, steam tables).
func TestWaterLineIsAtTheColdestPipe(t *testing.T) {
	box := newFakeBox("hold")
	pipe := func(name string) Point {
		p := Point{Point: sensors.Point{Name: name, Quantity: sensors.Temperature, Role: "pipe-air", Every: 10 * time.Second}}
		p.Taken = box.snap.Wall
		return p
	}
	s := box.screens()
	st, _ := box.snap.running("", "vacuum-hold")
	from, to := holdBegun.UnixMilli(), box.snap.Wall.UnixMilli()
	line, ok := s.waterLine(t.Context(), box.snap, st, rules.Pascal, from, to)
	if !ok || line.Label != "water boils here\n(by outdoor air)" || line.Y[0] < 1228 || line.Y[0] > 1600 { // 10.5 to 12.5 C
		t.Errorf("by outdoor air: %v %+v", ok, line)
	}
	box.curve["roof"] = func(time.Time) float64 { return 0.01 }
	box.curve["plant"] = func(time.Time) float64 { return 18 }
	box.snap.Points = append(box.snap.Points, pipe("roof"), pipe("plant"))
	if line, ok = s.waterLine(t.Context(), box.snap, st, rules.Pascal, from, to); !ok || line.Label != "water boils here\n(coldest pipe)" || len(line.Y) < 50 {
		t.Fatalf("%v %+v", ok, line)
	}
	for i, y := range line.Y {
		if y < 611 || y > 613 || i > 0 && line.Times[i] <= line.Times[i-1] {
			t.Errorf("place %d: %g Pa at %d", i, y, line.Times[i])
		}
	}
	box.snap.Points = box.snap.Points[:2]
	if line, ok = s.waterLine(context.Background(), box.snap, st, rules.Pascal, from, to); ok {
		t.Errorf("where nobody measures a temperature: %+v", line)
	}
}

// A small change of a pressure test is the gauge's, not a vacuum.
func TestAPressureTestsFiguresAreAGauges(t *testing.T) {
	if _, text := asMeasured.keyed("pressure-test", "compensated_change_pa", -2100); text != "-0.3 psi (-2.1 kPa)" {
		t.Error(text)
	}
	if _, text := choiceSI.keyed("pressure-test", "start_pa", 3.79e6); text != "3790 kPa (549.7 psi)" {
		t.Error(text)
	}
}
