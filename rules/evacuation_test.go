package rules

import (
	"math"
	"strings"
	"testing"

	"standwatch/sensors"
)

// evacSite is the field guide's worked example 7 (120 l, 2 l/s), through a
// hose so wide that it does not count.
func evacSite(points ...sensors.Point) Site {
	return Site{Points: points, Systems: []System{{PipeM3: 0.12, Steps: map[string]map[string]Setting{"evacuation": {
		"pump": {Value: 0.002}, "hose-bore": {Value: 0.1}, "hose-length": {Value: 0.5}}}}}}
}

var (
	absolute = sensors.Point{Name: "abs", Quantity: sensors.AbsolutePressure, Role: "absolute-pressure", Every: 1e9}
	micronAt = sensors.Point{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Every: 1e10}
)

// A pull that draws on a part only: the share is the field guide's V_app over
// the take-off's volume, told below 0.76 and waking below 0.5.
func TestPullDownTellsHowMuchIsDrawnOn(t *testing.T) {
	for share, want := range map[float64]string{1.1: "", 1: "", 0.8: "", 0.7: "tell", 0.55: "tell", 0.376: "wake"} {
		for _, every := range []float64{1, 5, 10} {
			e := feed{Engine: NewEngine(evacSite(absolute, micronAt), All())}
			e.next(1, 0, &Started{})
			e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
			for s := every; s < 400; s += every {
				e.read(1, s, "abs", 101325*math.Exp(-s*0.002/(0.12*share)))
			}
			got := ""
			for _, f := range e.Open() {
				if f.Flag == "pulldown-too-fast" {
					got = f.Urgency.String()
					for _, v := range f.Values {
						if v.Key == "volume_ratio" && math.Abs(v.Number-share) > 0.02 {
							t.Errorf("share %g every %g s: found %g", share, every, v.Number)
						}
					}
				}
			}
			if got != want {
				t.Errorf("share %g every %g s: %q, want %q", share, every, got, want)
			}
		}
	}
}

// What the technician reads: nothing nags while the gauge is over its range.
func TestWhatIsSaidOfAnEvacuation(t *testing.T) {
	e := feed{Engine: NewEngine(evacSite(micronAt), All())}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
	e.say(t, 1, 5, "Pull 1", "not been heard")
	pull := func(from, to, level float64) {
		for s := from; s < to; s += 10 {
			e.read(1, s, "gauge", level*micronPa)
		}
	}
	pull(10, 600, 2300)
	e.say(t, 1, 600, "Pull 1, 2300 micron", "ready for the nitrogen break")
	e.next(1, 610, &Told{Kind: "mark", Name: "nitrogen-break"})
	e.say(t, 1, 611, "Nitrogen break 1")
	e.next(1, 1500, &Told{Kind: "mark", Name: "pump-started"})
	pull(1500, 2100, 2300) // still valved off
	pull(2100, 2400, 15000)
	pull(2400, 3600, 250)
	o := e.say(t, 1, 3600, "Pull 2, 250 micron", "ready for isolation")
	if strings.Contains(o.Sentence, "break 2") {
		t.Error(o.Sentence)
	}
	if open := e.Open(); len(open) > 0 {
		t.Errorf("open: %v", open)
	}
}

// A pull that falls as 1/t from 10,000 micron at the tenth minute reaches 2,500
// at the fortieth: that is what is projected at the twenty-fifth.
func TestPullIsProjectedToItsTarget(t *testing.T) {
	e := feed{Engine: NewEngine(evacSite(micronAt), All())}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
	for s := 300.0; s <= 1500; s += 10 {
		e.read(1, s, "gauge", 10000*micronPa*600/s)
	}
	o := e.say(t, 1, 1500, "Pull 1, 4000 micron", "falling: 2500 micron by the curve so far in about 15 min")
	if len(o.Trend) == 0 || math.Abs(o.Left.Minutes()-15) > 2 {
		t.Fatalf("left %v, trend %v", o.Left, o.Trend)
	}
	last := o.Trend[len(o.Trend)-1]
	if math.Abs(last.Best/(2500*micronPa)-1) > 0.01 || math.Abs(last.Since.Minutes()-40) > 2 || last.Low > last.Best || last.High < last.Best {
		t.Errorf("last %+v", last)
	}
}

// Source: the field guide, worked example 18, through the marks: 2,500 and 1,500
// micron, both broken to 2 psi, then 300: 0.0015 micron of air are left.
func TestAirLeftIsSaidWithTheVerdict(t *testing.T) {
	e := feed{Engine: NewEngine(Site{Points: []sensors.Point{micronAt}}, []Rule{Evacuation})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
	s := 0.0
	for _, floor := range []float64{2500, 1500, 300} {
		e.next(1, s+1, &Told{Kind: "mark", Name: "pump-started"})
		for end := s + 600; s < end; s += 10 {
			e.read(1, s+10, "gauge", floor*micronPa)
		}
		if floor > 300 {
			e.next(1, s+1, &Told{Kind: "mark", Name: "nitrogen-break", Value: 2 * psiPa, Unit: "Pa"})
		}
		s += 10
	}
	for _, f := range e.next(1, s, &Told{Kind: "end", Name: "evacuation"}) {
		for _, v := range f.Values {
			if v.Key == "air_pa" {
				if math.Abs(v.Number/micronPa/0.001509-1) > 0.01 || f.Result != Passed {
					t.Errorf("%s, %g micron", f.Text, v.Number/micronPa)
				}
				return
			}
		}
		t.Error(f.Text)
	}
}
