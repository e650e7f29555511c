package record

import (
	"encoding/xml"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/plot/vg"
)

// aNight is an invented evacuation: it falls, is swapped over to the hold, and
// loses its gauge for twenty minutes.
func aNight(t testing.TB) Curve {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 3, 12, 21, 40, 0, 0, zone)
	at := func(minutes float64) time.Time {
		return begin.Add(time.Duration(minutes * float64(time.Minute)))
	}
	var fall, hold, model []Sample
	for m := 0.0; m < 150; m += 0.2 {
		fall = append(fall, Sample{at(m), 300 + float64(99000*math.Exp(-m/14)) + 8*math.Sin(m)})
	}
	for m := 170.0; m <= 240; m += 0.2 {
		hold = append(hold, Sample{at(m), 330 + float64(90*(1-math.Exp(-(m-170)/20))) + 3*math.Sin(7*m)})
	}
	band := Band{Name: "what the model allows, 95 in 100"}
	for m := 170.0; m <= 240; m += 2 {
		v := 330 + float64(90*(1-math.Exp(-(m-170)/20)))
		model = append(model, Sample{at(m), v})
		band.At = append(band.At, at(m))
		band.Low = append(band.Low, v-(m-165)/3)
		band.High = append(band.High, v+(m-165)/3)
	}
	return Curve{
		Title: "Vacuum at the gauge on the service port, 21:40 to 01:40.", Unit: "micron", Log: true,
		Begin: begin, End: at(240),
		Lines:  []Line{{Name: "gauge on the service port", Stretches: [][]Sample{fall, hold}}, {Name: "fitted rise", Model: true, Stretches: [][]Sample{model}}},
		Bands:  []Band{band},
		Limits: []Limit{{Value: 500, Label: "500 micron (site file)", Above: true}},
		Ticks: []Tick{{at(0), "evacuation begun"}, {at(171), "vacuum hold begun"}, {at(150), "flag: gauge silent"},
			{at(169), "flag cleared"}, {at(230), "verdict: passed"}},
		Describe: "First 99,300, lowest 292, last 420 micron.",
	}
}

// drawn is a pen that remembers.
type drawn struct {
	strokes [][]vg.Point
	inks    []color.Color
	texts   []string
	at      []vg.Point
}

func (d *drawn) stroke(pts []vg.Point, _ vg.Length, _ []vg.Length, c color.Color) {
	d.strokes, d.inks = append(d.strokes, pts), append(d.inks, c)
}
func (d *drawn) fill([]vg.Point, color.Color) {}
func (d *drawn) text(at vg.Point, _, _ vg.Length, _ bool, s string, _ color.Color) {
	d.texts, d.at = append(d.texts, s), append(d.at, at)
}

func (d *drawn) where(t *testing.T, text string) vg.Point {
	i := slices.Index(d.texts, text)
	if i < 0 {
		t.Fatalf("the curve does not say %q, only %q", text, d.texts)
	}
	return d.at[i]
}

func drawIt(c Curve) *drawn {
	d := &drawn{}
	drawWith(d, c, 500, curveHeight(c, 500))
	return d
}

// Nobody may see a value where nothing was measured.
func TestGapIsNotBridged(t *testing.T) {
	d := drawIt(aNight(t))
	// Between the flag that the gauge is silent, 150 min after the begin, and
	// its end after 170 min of 240.
	left, right := d.where(t, "22:00").X, d.where(t, "01:30").X
	minute := (right - left) / 210 // both labels are centred and as wide
	from, to := left+minute*(150-20), left+minute*(170-20)
	measured := 0
	for i, pts := range d.strokes {
		if d.inks[i] != color.Color(ink) || len(pts) < 10 {
			continue
		}
		measured++
		for j := 1; j < len(pts); j++ {
			if pts[j-1].X < to-15 && pts[j].X > from+15 {
				t.Errorf("a line goes from %v to %v over the gap from %v to %v", pts[j-1], pts[j], from, to)
			}
		}
	}
	if measured != 2 {
		t.Errorf("%d stretches were drawn, want the 2 on both sides of the gap", measured)
	}
	d.where(t, "no data")
}

func TestCurveSaysWhatItShows(t *testing.T) {
	d := drawIt(aNight(t))
	for _, want := range []string{"micron", "times in CET (+01:00)", "gauge on the service port", "fitted rise",
		"500 micron (site file)", "flag: gauge silent", "verdict: passed", "13 Mar", "300", "1000", "100,000"} {
		d.where(t, want)
	}
	svg := SVG(aNight(t), "curve")
	for _, want := range []string{">micron</text>", `aria-label="Vacuum at the gauge on the service port, 21:40 to 01:40. First 99,300,`} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing for a page lacks %q", want)
		}
	}
	if strings.Contains(svg, "style=") {
		t.Error("the drawing for a page holds a style attribute, which the box's pages forbid")
	}
	if err := xml.Unmarshal([]byte(svg), new(struct{})); err != nil {
		t.Error(err)
	}
}

// Where a pull-down passes its target is what its curve is drawn for: a long name of
// the target at the right end lay on just that. One in the way of any place is drawn
// beneath the curve.
func TestNoLimitsNameHidesTheCurve(t *testing.T) {
	const name = "40.0 Pa (300 micron) (a guide specification's clause, 3.3.3)"
	c := aNight(t)
	c.Bands, c.Ticks, c.Limits = nil, nil, []Limit{{Value: 300, Label: name, Above: true}, {Value: 310, Label: "the other"}}
	var fall []Sample
	for m := range 241 {
		fall = append(fall, Sample{c.Begin.Add(time.Duration(m) * time.Minute), 150 + float64(9000*math.Exp(-float64(m)/40))})
	}
	c.Lines = []Line{{Name: "gauge", Stretches: [][]Sample{fall}}}
	d := drawIt(c)
	at, other := d.where(t, name), d.where(t, "the other")
	right, crossed := at.X+small(curvePrint).Width(name), 0
	for i, pts := range d.strokes {
		if d.inks[i] != color.Color(ink) || len(pts) < 10 {
			continue
		}
		crossed++
		for _, pt := range pts {
			if pt.X > at.X && pt.X < right && pt.Y > at.Y-2 && pt.Y < at.Y+curveLine-3 {
				t.Errorf("the curve runs through the target's name at %v, which stands from %v to %v", pt, at, right)
			}
		}
	}
	if crossed != 1 {
		t.Errorf("%d curves are drawn, want 1", crossed)
	}
	if other.X < right && at.X < other.X+small(curvePrint).Width("the other") && math.Abs(float64(other.Y-at.Y)) < curveLine-3 {
		t.Errorf("two limits' names lie on each other: %v and %v", at, other)
	}
	last := -1
	for i, pts := range d.strokes {
		if len(pts) == 2 && d.inks[i] == color.Color(ink) && pts[0].Y == pts[1].Y && pts[1].X-pts[0].X > 300 {
			last = i
		}
	}
	for i, pts := range d.strokes {
		if len(pts) >= 10 && d.inks[i] == color.Color(ink) && i < last {
			t.Error("the curve is drawn beneath a limit's name")
		}
	}
}

// On the night of 29 March 2026 the clocks of Berlin go from 02:00 to 03:00:
// the rule of the European Union, last Sunday of March at 01:00 UTC.
func TestTimeAxisOverSummerTime(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 3, 29, 0, 0, 0, 0, zone)
	var got []string
	for _, tick := range timeTicks(begin, begin.Add(6*time.Hour), 9) {
		got = append(got, fmt.Sprintf("%s@%g", tick.Label, tick.At/3600))
	}
	if want := "29 Mar@0 01:00@1 03:00@2 04:00@3 05:00@4 06:00@5 07:00@6"; strings.Join(got, " ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, " "), want)
	}
	if got := zoneName(begin, begin.Add(6*time.Hour)); got != "CET (+01:00), then CEST (+02:00)" {
		t.Error(got)
	}
}

// The hour that comes twice says which it is, and no other. The European Union's clocks go back on the last Sunday of
// October at 01:00 UTC (directive 2000/84/EC); Lord Howe's by half an hour at 15:00 UTC (the tz database).
func TestTheHourThatComesTwice(t *testing.T) {
	for _, c := range []struct{ zone, utc, want string }{
		{"Europe/Lisbon", "2026-10-24T23:59:59Z", "2026-10-25 00:59:59"},
		{"Europe/Lisbon", "2026-10-25T00:00:00Z", "2026-10-25 01:00:00 WEST"},
		{"Europe/Lisbon", "2026-10-25T00:59:59Z", "2026-10-25 01:59:59 WEST"},
		{"Europe/Lisbon", "2026-10-25T01:00:00Z", "2026-10-25 01:00:00 WET"},
		{"Europe/Lisbon", "2026-10-25T01:59:59Z", "2026-10-25 01:59:59 WET"},
		{"Europe/Lisbon", "2026-10-25T02:00:00Z", "2026-10-25 02:00:00"},
		{"Europe/Lisbon", "2026-03-29T00:30:00Z", "2026-03-29 00:30:00"},
		{"Europe/Lisbon", "2026-03-29T01:30:00Z", "2026-03-29 02:30:00"},
		{"Australia/Lord_Howe", "2026-04-04T14:29:59Z", "2026-04-05 01:29:59"},
		{"Australia/Lord_Howe", "2026-04-04T14:30:00Z", "2026-04-05 01:30:00 +11"},
		{"Australia/Lord_Howe", "2026-04-04T15:00:00Z", "2026-04-05 01:30:00 +1030"},
		{"Australia/Lord_Howe", "2026-04-04T15:30:00Z", "2026-04-05 02:00:00"},
		{"Asia/Kathmandu", "2026-10-25T01:00:00Z", "2026-10-25 06:45:00"},
		{"UTC", "2026-10-25T01:00:00Z", "2026-10-25 01:00:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339, c.utc)
		if err != nil {
			t.Fatal(err)
		}
		if got := momentText(at.In(zone)); got != c.want {
			t.Errorf("%s in %s is %q, want %q", c.utc, c.zone, got, c.want)
		}
	}
}

func FuzzCurve(f *testing.F) {
	f.Add(300.0, 500.0, 1.0, int64(3600), true, uint8(3))
	f.Add(math.NaN(), math.Inf(1), -1.0, int64(0), false, uint8(0))
	f.Add(0.0, 0.0, 1e300, int64(-5), true, uint8(255))
	f.Add(95.0, 18.0, 1e300, int64(12), false, uint8(158))
	f.Fuzz(func(t *testing.T, a, b, limit float64, seconds int64, log bool, ticks uint8) {
		begin := time.Unix(1e9, 0).UTC()
		seconds %= 400 * 86400
		c := Curve{Log: log, Begin: begin, End: begin.Add(time.Duration(seconds) * time.Second), Unit: "Pa",
			Lines: []Line{{Name: "a", Stretches: [][]Sample{{{begin, a}, {begin.Add(time.Second), b}}, nil, {{begin.Add(time.Minute), b}}}},
				{Model: true, Name: "m", Stretches: [][]Sample{{{begin, b}, {begin.Add(time.Hour), limit}}}}},
			Bands:  []Band{{At: []time.Time{begin, begin.Add(time.Hour)}, Low: []float64{a, b}, High: []float64{b, limit}}},
			Limits: []Limit{{limit, "limit", true}, {b, "other", false}}}
		for i := range ticks {
			c.Ticks = append(c.Ticks, Tick{begin.Add(time.Duration(i) * time.Minute), strings.Repeat("x", int(i))})
		}
		if err := xml.Unmarshal([]byte(SVG(c, "")), new(struct{})); err != nil || strings.Contains(SVG(c, ""), "NaN") {
			t.Error("no drawing", err)
		}
	})
}
