package web

import (
	"math"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Invented moments of the sealed system: a pressure test that leaks, an
// evacuation in its nitrogen break, a draw-in that has ended and liquid that is
// shut in, and steps that a person answers for.

// addPoint adds a point to the invented box, with its curve.
func (b *fakeBox) addPoint(s *Snapshot, p sensors.Point, curve func(time.Time) float64) {
	s.Site.Points = append(s.Site.Points, p)
	s.Points = append(s.Points, Point{Point: p, Value: curve(s.Wall), Taken: s.Wall, Heard: s.Wall, Count: 5000})
	b.curve[p.Name] = curve
}

func line(value float64, text string) *rules.Setting {
	return &rules.Setting{Value: value, Text: text, Source: "site file", Given: true}
}

// leaking is a pressure test that loses 31 kPa an hour.
func (b *fakeBox) leaking(s *Snapshot, now time.Time) {
	begun := now.Add(-80 * time.Minute)
	tight := func(t time.Time) float64 { return 3.38e6 - 60e3*(1-math.Exp(-t.Sub(begun).Minutes()/20)) }
	shown := func(t time.Time) float64 { return tight(t) - 31e3*max(0, t.Sub(begun).Hours()) }
	b.addPoint(s, sensors.Point{Name: "test-gauge", Quantity: sensors.Pressure, Role: "test-pressure", Unit: "psi", Every: 30 * time.Second, Source: "mqtt"}, shown)
	target := line(3.44738e6, "500 psi")
	st := Step{Step: rules.Step{Name: "pressure-test", Begin: 31, Limits: map[string]rules.Setting{"target": *target}}, Begun: begun, FigureAt: now,
		Outlook: rules.Outlook{Sentence: "Pressure test, 1 h 20 min of 3 h. 475.5 psi (3279 kPa), target 500.0 psi (3447 kPa): falling by 4.5 psi (31.0 kPa) an hour. Soap the joints now.",
			Point: "test-gauge", Figure: shown(now), Quantity: sensors.Pressure, HasFig: true, Limit: target, Elapsed: 80 * time.Minute, Lasts: 3 * time.Hour, Left: 100 * time.Minute, Sure: "sure"}}
	for m := 10.0; m <= 180; m += 10 {
		t := begun.Add(time.Duration(m * float64(time.Minute)))
		if !t.After(now) {
			st.Expected = append(st.Expected, TrendPoint{t.UnixMilli(), tight(t) - 13e3, tight(t), tight(t) + 13e3})
		}
		wide := 13e3 + 150*max(0, m-80)
		st.Trend = append(st.Trend, TrendPoint{t.UnixMilli(), shown(t) - wide, shown(t), shown(t) + wide})
	}
	falling := rules.Finding{Edge: rules.Raised, Flag: "pressure-falling", Step: "pressure-test", Begin: 31, Urgency: rules.Tell, Points: []string{"test-gauge"},
		Text:   "Pressure falling: -4.1 psi (-27.9 kPa) once temperature and barometer are allowed for, give or take 1.9 psi (12.9 kPa), and 4.5 psi (31.0 kPa) an hour. It will surely not hold for its 3 h. Soap the joints now, not tomorrow.",
		Values: []rules.Value{{Key: "pressure_pa", Number: 3.296e6}, {Key: "target_pa", Number: 3.44738e6}, {Key: "compensated_change_pa", Number: -27.95e3}, {Key: "elapsed_s", Number: 4200}}}
	s.Running, s.Flags = []Step{st}, []Flag{{Flag: rules.Flag{Finding: falling}, Raised: now.Add(-9 * time.Minute)}}
	s.Recent = []Finding{{falling, 40, now.Add(-9 * time.Minute)}}
}

// breaking is an evacuation whose first pull has been broken with nitrogen.
func (b *fakeBox) breaking(s *Snapshot, now time.Time) {
	begun := now.Add(-70 * time.Minute)
	b.curve["gauge"] = func(t time.Time) float64 {
		switch m := t.Sub(begun).Minutes(); {
		case m < 55:
			return micronPa(1400 + 700_000*math.Exp(-max(m, 0)/7))
		default:
			return micronPa(760_000)
		}
	}
	target := line(micronPa(500), "500 micron")
	s.Running = []Step{{Step: rules.Step{Name: "evacuation", Begin: 33, Limits: map[string]rules.Setting{"target": *target}}, Begun: begun, FigureAt: now,
		Outlook: rules.Outlook{Sentence: "Evacuation under way for 1 h 10 min. Nitrogen break 1 stands. Let it stand for 10 min or more, vent it, and pull again.", Point: "gauge", Figure: micronPa(760_000),
			Quantity: sensors.Vacuum, HasFig: true, Limit: target, Elapsed: 70 * time.Minute, Left: -1, Sure: "too early to say"}}}
	s.Points[0].Value, s.Flags = micronPa(760_000), nil
}

// drawnIn is a draw-in whose flow has died away, and indoor power that came while its liquid stands shut in.
func (b *fakeBox) drawnIn(s *Snapshot, now time.Time) {
	begun := now.Add(-30 * time.Minute)
	drawn := func(t time.Time) float64 { return 5.75 * (1 - math.Exp(-max(0, t.Sub(begun).Minutes())/7)) }
	b.curve["scale"] = func(t time.Time) float64 { return 13.25 - drawn(t) }
	target := line(10.2, "10.2 kg")
	in := drawn(now)
	st := Step{Step: rules.Step{Name: "draw-in", Begin: 35, Limits: map[string]rules.Setting{"target": *target}}, Begun: begun, FigureAt: now,
		Ledger: []Segment{{rules.Segment{Scale: "scale", Cylinder: 1, FromKg: 13.25, ToKg: 13.25 - in, LowKg: in - 0.01, BestKg: in, HighKg: in + 0.01}, begun, now}},
		Outlook: rules.Outlook{Sentence: "Draw-in, 5.67 of 10.20 kg (12 lb 8 oz of 22 lb 8 oz). Nothing flows now. If it stays so with the cylinder valve open, line and cylinder have most likely come level: close the valve and end the draw-in.", Point: "scale", Figure: in, Quantity: sensors.Mass, HasFig: true,
			Limit: line(13.25-10.2, ""), Elapsed: 30 * time.Minute, Left: -1, Sure: "sure"}}
	st.Outlook.Limit.Source = "gross weight with 10.20 kg charged; site file"
	stopped := rules.Finding{Edge: rules.Raised, Flag: "flow-stopped", Step: "draw-in", Begin: 35, Subject: "scale", Urgency: rules.Tell, Points: []string{"scale"},
		Text:   "Draw-in has ended: nothing has flowed for 5 min, with 5.67 of 10.20 kg drawn in; 4.53 kg (10 lb 0 oz) remain for the weigh-in.",
		Values: []rules.Value{{Key: "drawn_kg", Number: 5.67}, {Key: "target_kg", Number: 10.2}, {Key: "remaining_kg", Number: 4.53}}}
	power := rules.Finding{Edge: rules.Raised, Flag: "power-too-early", Step: "draw-in", Begin: 35, Subject: "indoor-power", Urgency: rules.Wake, Points: []string{"indoor-power"},
		Text: "The indoor units have power while liquid stands between shut valves: it can burst a pipe as it warms. Switch it off, and open the service valves as the unit maker says."}
	s.Running, s.Flags = []Step{st}, []Flag{{Flag: rules.Flag{Finding: power}, Raised: now.Add(-40 * time.Second)}, {Flag: rules.Flag{Finding: stopped}, Raised: now.Add(-3 * time.Minute)}}
	s.Points[1].Value = 13.25 - in
}

// answered are a pressure test that was done before the box came, and a hold that was accepted though not proven.
func (b *fakeBox) answered(s *Snapshot, now time.Time) {
	gap := rules.Finding{Edge: rules.Given, Flag: "vacuum-hold", Step: "vacuum-hold", Begin: 9, Result: rules.NotProven, Cause: "gap", Points: []string{"gauge"},
		Text: "Vacuum hold not proven: the gauge was not heard for more than 10 min. Begin the hold again.", Values: []rules.Value{{Key: "limit_pa", Number: 66.66}, {Key: "elapsed_s", Number: 2900}}}
	hold := b.holding(*s)[1]
	hold.Ended, hold.Verdicts = now.Add(-2*time.Minute), []Finding{{gap, 41, now.Add(-3 * time.Minute)}}
	hold.Accepted = []Said{{Step: "vacuum-hold", By: "Rui", Text: "gauge's battery changed; read by hand at 340 micron after 1 h", At: now.Add(-time.Minute)}}
	s.Running, s.Flags, s.Past = nil, nil, []Step{hold}
	s.Reported = []Said{{Step: "pressure-test", By: "Ines", Text: "38 bar for 24 h, 12 March", At: now.Add(-5 * time.Hour)}}
}
