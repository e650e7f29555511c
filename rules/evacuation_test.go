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
