package web

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

var anew = flag.Bool("update", false, "write the golden pictures anew")

// one makes a sample of one good reading.
func one(ms int64, v float64) journal.Sample {
	return journal.Sample{WallMs: ms, Value: v, Low: v, High: v}
}

// draw lays out samples a second apart in kilograms.
func draw(samples []journal.Sample, from, to int64, most int) *chart {
	c := &chart{From: from, To: to}
	c.series(samples, time.Second, most, rules.Kilogram, rules.Pound, time.UTC)
	return c
}

func TestAGapIsNeverBridged(t *testing.T) {
	failed := sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonDisconnected}
	suspect := sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonRetained}
	battery := sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}
	for name, c := range map[string]struct {
		samples []journal.Sample
		runs    string // first and last time of each unbroken run, in seconds
	}{
		"none":                     {nil, ""},
		"steady":                   {[]journal.Sample{one(0, 1), one(1000, 1), one(2000, 1)}, "0-2"},
		"2.5 intervals are no gap": {[]journal.Sample{one(0, 1), one(2500, 1)}, "0-2.5"},
		"more are":                 {[]journal.Sample{one(0, 1), one(2501, 1)}, "0-0 2.501-2.501"},
		"a failed reading":         {[]journal.Sample{one(0, 1), {WallMs: 1000, Health: failed}, one(2000, 1)}, "0-0 2-2"},
		"failed at the start":      {[]journal.Sample{{WallMs: 0, Health: failed}, one(1000, 1), one(2000, 1)}, "1-2"},
		"of unknown age":           {[]journal.Sample{one(0, 1), {WallMs: 500, Value: 9, Health: suspect}, one(1000, 1)}, "0-0 1-1"},
		"a low battery":            {[]journal.Sample{one(0, 1), {WallMs: 1000, Value: 1, Low: 1, High: 1, Health: battery}, one(2000, 1)}, "0-2"},
		"twice and backwards":      {[]journal.Sample{one(0, 1), one(1000, 1), one(1000, 2), one(500, 3), one(2000, 1)}, "0-2"},
	} {
		ch := draw(c.samples, 0, 3000, 600)
		var runs []string
		for _, r := range ch.runs() {
			runs = append(runs, fmt.Sprintf("%g-%g", float64(ch.Times[r[0]])/1000, float64(ch.Times[r[1]-1])/1000))
		}
		if got := strings.Join(runs, " "); got != c.runs {
			t.Errorf("%s: runs %q, want %q", name, got, c.runs)
		}
		for i := 1; i < len(ch.Times); i++ {
			if ch.Times[i] <= ch.Times[i-1] {
				t.Errorf("%s: times do not rise: %v", name, ch.Times)
			}
		}
	}
}

// Readings put together, one sample for each 10 s, are no gaps; a hole is.
func TestReadingsPutTogetherAreOneLine(t *testing.T) {
	var samples []journal.Sample
	for s := int64(0); s < 3000; s += 10 {
		if s < 1000 || s >= 1500 {
			samples = append(samples, journal.Sample{WallMs: s * 1000, Value: 5, Low: 4.9, High: 5.1})
		}
	}
	if ch := draw(samples, 0, 6000_000, 600); len(ch.runs()) != 2 || ch.YLow == nil {
		t.Errorf("%d runs, want 2", len(ch.runs()))
	}
	for i := range samples { // a value that stands still has no spread
		samples[i].Low, samples[i].High = 5, 5
	}
	if ch := draw(samples, 0, 6000_000, 600); len(ch.runs()) != 2 || ch.YLow != nil {
		t.Errorf("standing still: %d runs, want 2", len(ch.runs()))
	}
}

// The page's script must get null for a gap: it would draw through anything else.
func TestTheScriptGetsNullForAGap(t *testing.T) {
	ch := draw([]journal.Sample{one(0, 1), one(9000, 2)}, 0, 10_000, 600)
	text, err := json.Marshal(ch)
	if err != nil {
		t.Fatal(err)
	}
	if want := `"times":[0,4500,9000],"y":[1,null,2]`; !strings.Contains(string(text), want) {
		t.Errorf("%s\nwant %s", text, want)
	}
}

// The trade reads a vacuum on round numbers: 50, 100, 200, 300, 500, 1000
// micron (common practice; the project's LOOK).
func TestVacuumAxisHasTheTradesNumbers(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      string
	}{
		{60, 900, "50 100 200 300 500 1000"},
		{250, 500, "200 300 500"},
		{500, 500, "500 1000"},
		{300, 25_000, "300 1000 3000 10,000 30,000"}, // more would crowd a phone
		{300, 760_000, "300 1000 3000 10,000 30,000 100,000 300,000 1,000,000"},
		{0, 0.5, "0.001 0.003 0.01 0.03 0.1 0.3"},
	} {
		from, to, ticks := valueAxis(c.low, c.high, true)
		var labels []string
		for _, k := range ticks {
			labels = append(labels, k.Label)
		}
		got := strings.Join(labels, " ")
		if got != c.want || from > max(c.low, 1e-3) || to < c.high {
			t.Errorf("%g to %g: %g to %g with %q, want %q", c.low, c.high, from, to, got, c.want)
		}
	}
}

func TestLinearAxisIsRoundAndHoldsItsData(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      string
	}{{0, 14.2, "0 5 10 15"}, {-3, 4, "-4 -2 0 2 4"}, {20, 20, "19.5 20.0 20.5"}, {549.6, 550.4, "549.6 549.8 550.0 550.2 550.4"},
		{101.2, 101.9, "101.2 101.4 101.6 101.8 102.0"}} {
		from, to, ticks := valueAxis(c.low, c.high, false)
		var labels []string
		for _, k := range ticks {
			labels = append(labels, k.Label)
		}
		if got := strings.Join(labels, " "); got != c.want || from > c.low || to < c.high {
			t.Errorf("%g to %g: %g to %g with %q, want %q", c.low, c.high, from, to, got, c.want)
		}
	}
}

func TestTimeAxisIsInTheSitesDay(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 6, 16, 21, 33, 0, 0, lisbon)
	for _, c := range []struct {
		span time.Duration
		want string
	}{
		{time.Hour, "21:45 22:00 22:15 22:30"},
		{3*time.Hour + 30*time.Minute, "22:00 23:00 00:00 01:00"},
		{90 * time.Second, "21:33:00 21:33:30 21:34:00 21:34:30"},
		{24 * time.Hour, "00:00 06:00 12:00 18:00"},
	} {
		var labels []string
		for _, k := range timeAxis(begin.UnixMilli(), begin.Add(c.span).UnixMilli(), lisbon, 6) {
			labels = append(labels, k.Label)
		}
		if got := strings.Join(labels, " "); got != c.want {
			t.Errorf("%v: %q, want %q", c.span, got, c.want)
		}
	}
}

func TestALimitLeavesRoomForItsForbiddenSide(t *testing.T) {
	for _, side := range []string{"above", "below"} {
		for _, log := range []bool{false, true} {
			y := 500.0
			c := &chart{From: 0, To: 1000, Log: log, Times: []int64{1}, Y: []*float64{&y}, Limit: &limitLine{At: 500, Side: side}}
			c.axes(time.UTC, 6)
			if side == "below" && c.Low >= 500 || side == "above" && c.High <= 500 {
				t.Errorf("log %v, %s: axis %g to %g hides the forbidden side of 500", log, side, c.Low, c.High)
			}
		}
	}
}

// A projection that runs away must not press the measured curve flat.
func TestAProjectionDoesNotSqueezeTheCurve(t *testing.T) {
	low, high := 10.0, 12.0
	c := &chart{From: 0, To: 1000, Times: []int64{1, 2}, Y: []*float64{&low, &high}, Trend: []trendPlace{{3, 0, 9000, 1e9}, {4, 0, 99_000, 1e9}}}
	c.axes(time.UTC, 6)
	if c.High > 20 {
		t.Errorf("axis %g to %g for a curve from 10 to 12", c.Low, c.High)
	}
}

func goldenChart() *chart {
	at := func(min float64) int64 { return midnight.Add(time.Duration(min * float64(time.Minute))).UnixMilli() }
	c := &chart{Point: "gauge", Unit: "micron", Log: true, From: at(0), To: at(61), Now: at(24), Stale: at(21)}
	var samples []journal.Sample
	for m := 0.0; m <= 21; m++ {
		if m < 9 || m > 13 {
			v := micronPa(250 + 170*(1-math.Exp(-m/20)))
			samples = append(samples, journal.Sample{WallMs: at(m), Value: v, Low: v * 0.98, High: v * 1.02})
		}
	}
	c.series(samples, time.Minute, 600, rules.Micron, rules.Pascal, zone)
	c.Limit = &limitLine{At: 500, Label: "limit 500 micron", Source: []string{"site file"}, Side: "above"}
	for _, m := range []float64{21, 40, 60} {
		v := 250 + 170*(1-math.Exp(-m/20))
		c.Trend = append(c.Trend, trendPlace{at(m), v * (1 - (m-20)/400), v, v * (1 + (m-20)/400)})
	}
	c.Lines = []sideLine{{Label: "as a tight pipe would show", Times: []int64{at(0), at(30)}, Y: []float64{240, 300}, Low: []float64{230, 280}, High: []float64{250, 320}}, {Label: "water boils here", Times: []int64{at(0), at(30), at(60)}, Y: []float64{440, 450, 470}}}
	c.Events = []event{{Ms: at(7), N: 1, Kind: "raised"}, {Ms: at(8), N: 2, Kind: "mark"}, {Ms: at(20), N: 3, Kind: "cleared"}}
	c.onCurve()
	c.axes(zone, 6)
	return c
}

// The picture that the golden file holds was looked at: a curve with a hole,
// its band, the limit hatched above, a widening projection, old data hatched.
func TestPictureOfACurve(t *testing.T) {
	falling := goldenChart()
	falling.Log, falling.Limit = false, &limitLine{At: 300, Label: `<limit> "300"`, Source: []string{"a & b", "second line"}, Side: "below"}
	falling.axes(zone, 6)
	for name, c := range map[string]*chart{"hold.svg": goldenChart(), "falling.svg": falling} {
		got := strings.ReplaceAll(string(c.svg(720, 320, "gauge during vacuum hold")), "><", ">\n<") + "\n"
		path := filepath.Join("testdata", name)
		if *anew {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs; look at it, then run with -args -update\n%s", name, got)
		}
	}
}

func TestASteadyValueIsAFlatLine(t *testing.T) {
	low, high := 874.0, 879.0
	c := &chart{From: 0, To: 1000, Times: []int64{1, 2}, Y: []*float64{&low, &high}}
	c.axes(time.UTC, 6)
	if c.High-c.Low < 40 {
		t.Errorf("axis %g to %g makes a storm of %g to %g", c.Low, c.High, low, high)
	}
}

// One absurd reading must not leave the curve a flat line at the edge: it is
// marked, with its number. A jump that stays, or a plausible one, is drawn.
func TestAnAbsurdReadingDoesNotSpoilTheAxis(t *testing.T) {
	for name, c := range map[string]struct {
		at          map[int]float64
		low, high   float64
		log, strays bool
	}{
		"a scale shows -400 kg once":     {at: map[int]float64{30: -400}, low: 5, high: 15, strays: true},
		"twice":                          {at: map[int]float64{30: -400, 31: 5000}, low: 5, high: 15, strays: true},
		"three in a row are no accident": {at: map[int]float64{30: -400, 31: -400, 32: -400}, low: -1000, high: 200},
		"the newest may be true":         {at: map[int]float64{59: -400}, low: -1000, high: 200},
		"a cylinder lifted off":          {at: map[int]float64{30: 0, 31: 0, 32: 0}, low: 0, high: 15},
		"lifted for two readings":        {at: map[int]float64{30: 0, 31: 0}, low: 8, high: 11, strays: true},
		"a probe at power-up":            {at: map[int]float64{30: 85}, low: 8, high: 11, strays: true},
		"a gust":                         {at: map[int]float64{30: 11}, low: 8, high: 12},
		"a gauge that loses its cable":   {at: map[int]float64{30: 760_000}, low: 5, high: 15, log: true, strays: true},
		"a kicked hose":                  {at: map[int]float64{30: 300}, low: 5, high: 15, log: true, strays: true},
		"a spike within the decade":      {at: map[int]float64{30: 60}, low: 5, high: 100, log: true},
	} {
		var samples []journal.Sample
		for i := range 60 {
			v, ok := c.at[i]
			if !ok {
				v = 9 + float64(i)/60
			}
			samples = append(samples, one(int64(i)*1000, v))
		}
		ch := &chart{From: 0, To: 60_000, Log: c.log}
		ch.series(samples, time.Second, 600, rules.Kilogram, rules.Pound, time.UTC)
		ch.axes(time.UTC, 6)
		if ch.Low < c.low || ch.High > c.high || len(ch.Strays) > 0 != c.strays {
			t.Errorf("%s: axis %g to %g with %d strays, want within %g to %g", name, ch.Low, ch.High, len(ch.Strays), c.low, c.high)
		}
		if !c.strays && (ch.Low > slicesMin(c.at) || ch.High < slicesMax(c.at)) {
			t.Errorf("%s: axis %g to %g hides it", name, ch.Low, ch.High)
		}
		if c.strays && (!strings.Contains(string(ch.svg(372, 268, "x")), ch.Strays[0].Text+"</text>") || ch.Strays[0].Text == "") {
			t.Errorf("%s: %+v is not marked", name, ch.Strays)
		}
	}
}

// Nor is a gap bridged in a line that the curve is compared with.
func TestALineBesideTheCurveHasItsGapsToo(t *testing.T) {
	l := sideLine{Label: "water boils here", Times: []int64{0, 60, 120, 300, 360, 420}, Y: []float64{1, 2, 3, 4, 5, 6}, Low: []float64{0, 1, 2, 3, 4, 5}, High: []float64{2, 3, 4, 5, 6, 7}}
	parts := l.runs()
	if len(parts) != 2 || parts[0].Label != "" || parts[1].Label != l.Label || parts[0].Times[2] != 120 || parts[1].Y[0] != 4 || parts[1].High[0] != 5 || len(parts[0].Low) != 3 {
		t.Errorf("%+v", parts)
	}
	if parts = (sideLine{Times: []int64{5}, Y: []float64{1}}).runs(); parts != nil {
		t.Errorf("a single place is no line: %+v", parts)
	}
}

// A bump that one sample of a long curve hides among its readings does not
// stretch the axis either: the scale in a bin showed 31 kg for a moment.
func TestABumpWithinASampleIsMarked(t *testing.T) {
	var samples []journal.Sample
	for i := range int64(200) {
		v := float64(i) / 20
		samples = append(samples, journal.Sample{WallMs: i * 13_000, Value: v, Low: v - 0.01, High: v + 0.01})
	}
	samples[150].High, samples[150].Value = 31, 9
	c := draw(samples, 0, 2_600_000, 200)
	c.axes(time.UTC, 6)
	if c.High > 15 || len(c.Strays) != 1 || c.Strays[0].Text != "31.00 kg" || !c.Strays[0].Up {
		t.Errorf("axis to %g, strays %+v", c.High, c.Strays)
	}
	for i := 100; i < 110; i++ { // many bumps are a noisy scale: all of it is shown
		samples[i].High = 31
	}
	c = draw(samples, 0, 2_600_000, 200)
	if c.axes(time.UTC, 6); c.High < 31 {
		t.Errorf("axis to %g hides a noisy scale", c.High)
	}
}

func slicesMin(m map[int]float64) float64 { return slices.Min(slices.Collect(maps.Values(m))) }
func slicesMax(m map[int]float64) float64 { return slices.Max(slices.Collect(maps.Values(m))) }

// A pressure test is drawn against what a tight pipe would show, with its doubt
// up to now and the projection from there; the stages of filling before it do
// not press it flat.
func TestAPressureTestIsDrawnAgainstATightPipe(t *testing.T) {
	box := newFakeBox("idle")
	begun := midnight.Add(-4 * time.Hour)
	box.snap.Wall = midnight
	box.snap.Points = append(box.snap.Points, Point{Point: sensors.Point{Name: "test", Quantity: sensors.Pressure, Role: "test-pressure", Unit: "psi", Every: time.Minute}, Taken: midnight})
	box.curve["test"] = func(t time.Time) float64 {
		if t.Before(begun.Add(time.Hour)) {
			return 345e3
		}
		return 3.79e6 - 2*t.Sub(begun.Add(time.Hour)).Seconds()
	}
	st := Step{Step: rules.Step{Name: "pressure-test", Begin: 5}, Begun: begun, Outlook: rules.Outlook{Point: "test", Lasts: 6 * time.Hour}}
	for m := 60.0; m <= 360; m += 30 {
		at := begun.Add(time.Duration(m) * time.Minute).UnixMilli()
		if m <= 240 {
			st.Expected = append(st.Expected, TrendPoint{at, 3.78e6, 3.79e6, 3.80e6})
		}
		best := 3.79e6 - 120*(m-60)
		st.Trend = append(st.Trend, TrendPoint{at, best - 1e4, best, best + 1e4})
	}
	ch, err := box.screens().stepChart(t.Context(), box.snap, asMeasured, st, mostSamples)
	if err != nil {
		t.Fatal(err)
	}
	if ch.Low < 500 || ch.High < 551 || ch.High > 600 { // 345 kPa are 50 psi
		t.Errorf("axis %g to %g psi", ch.Low, ch.High)
	}
	if len(ch.Lines) != 1 || len(ch.Lines[0].Low) != 7 || math.Abs(ch.Lines[0].High[0]-551.15) > 0.1 || ch.Trend[0].Ms != midnight.UnixMilli() || len(ch.Trend) != 5 {
		t.Errorf("lines %+v\ntrend %+v", ch.Lines, ch.Trend)
	}
	svg := string(ch.svg(720, 320, "x"))
	if strings.Count(svg, `class="projection"`) != 2 || !strings.Contains(svg, "as a tight pipe would show</text>") {
		t.Error(svg)
	}
}

// Before the first reading of a hold is drawn, its axis reaches what the gauge
// shows, which its limit alone would leave out.
func TestTheFirstSecondsOfAHoldHaveRoomForItsReading(t *testing.T) {
	box := newFakeBox("hold")
	box.curve["gauge"] = func(time.Time) float64 { return 0 } // a log axis has no place for it: nothing is drawn
	at := slices.IndexFunc(box.snap.Running, func(st Step) bool { return st.Name == "vacuum-hold" })
	st := box.snap.Running[at]
	st.Begun, st.Trend, st.Expected = box.snap.Wall, nil, nil
	p := slices.IndexFunc(box.snap.Points, func(p Point) bool { return p.Name == st.Outlook.Point })
	box.snap.Points[p].Value, box.snap.Points[p].Health = micronPa(210), sensors.Health{}
	ch, err := box.screens().stepChart(t.Context(), box.snap, asMeasured, st, mostSamples)
	if err != nil {
		t.Fatal(err)
	}
	if ch.Low > 210 || ch.High < 500 {
		t.Errorf("the axis goes from %g to %g micron while the gauge shows 210", ch.Low, ch.High)
	}
	box.snap.Points[p].Taken = time.Time{}
	if ch, err = box.screens().stepChart(t.Context(), box.snap, asMeasured, st, mostSamples); err != nil || ch.Low != 500 {
		t.Errorf("with a gauge that was never heard it begins at %g, %v: this test sees other readings", ch.Low, err)
	}
}

// Words stand where no piece of the curve runs, be it a straight stretch without
// a reading in it, and the labels of the axis have room.
func TestWordsStandBesideTheCurve(t *testing.T) {
	c := &chart{From: 0, To: 100, Low: 0, High: 300, Values: []tick{{At: 100, Label: "1,000,000"}}}
	p := &plot{c, 400, 300, 60, 390, 20, 260, nil}
	if !(box{100, 100, 200, 120}).crossed(50, 90, 250, 130) || (box{100, 100, 200, 120}).crossed(50, 90, 250, 99) || (box{100, 100, 200, 120}).crossed(150, 130, 150, 200) ||
		(box{100, 100, 200, 120}).crossed(90, 100, 90, 120) || (box{100, 100, 200, 120}).crossed(50, 140, 150, 119.9) != true {
		t.Error("a line and a box are taken to meet, or not, where it is the other way about")
	}
	low, high := 0.0, 300.0
	c.Times, c.Y = []int64{70, 100}, []*float64{&low, &high} // right through the usual place, between its only readings
	x, _, anchor := p.words([]string{"limit 200 micron"}, 60, 390, func(float64) float64 { return p.y(200) }, true)
	if anchor != "start" || x > 300-7*16 {
		t.Errorf("the words stand at %g, %s: on the curve", x, anchor)
	}
	c.Y, c.Stale, c.Now = []*float64{&low, &low}, 95, 100
	if x, _, anchor := p.words([]string{"other"}, 60, 390, func(float64) float64 { return p.y(100) }, true); anchor != "start" || x+7*5 > 376 {
		t.Errorf("the words stand at %g, %s: where there are no data", x, anchor)
	}
	raised := 198.0
	c.Y, c.Stale, c.Events, p.taken = []*float64{&low, &low}, 0, []event{{Ms: 98, At: &raised}}, nil
	if x, _, anchor := p.words([]string{"target 200 kg"}, 60, 390, func(float64) float64 { return p.y(200) }, true); anchor != "start" || x > 200 {
		t.Errorf("the words stand at %g, %s: on a flag", x, anchor)
	}
	c.Events = nil
	if svg := string(c.svg(372, 290, "x")); !strings.Contains(svg, `<rect class="field" x="85"`) {
		t.Errorf("a label of nine signs has no room:\n%s", svg)
	}
}

// A span of readings bears their mean time: half a span is no silence.
func TestASpanOfReadingsIsNotOld(t *testing.T) {
	snap := newFakeBox("hold").snap
	p := snap.Points[0].Point
	now := snap.Wall.UnixMilli()
	for age, old := range map[time.Duration]bool{60 * time.Second: false, 200 * time.Second: true} {
		var ss []journal.Sample
		for i := range int64(300) {
			ss = append(ss, journal.Sample{WallMs: now - age.Milliseconds() - (299-i)*120_000, Value: 50, Low: 49, High: 51})
		}
		if ch := newChart(snap, asMeasured, p, now-600*60_000, now, ss, 300); (ch.Stale != 0) != old {
			t.Errorf("the last span of 2 min is %v old on average: stale %v", age, ch.Stale != 0)
		}
	}
}
