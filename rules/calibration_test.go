package rules

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

func calibratedSite() Site {
	return Site{Points: []sensors.Point{
		{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge"},
		{Name: "clamp", Quantity: sensors.Temperature, Role: "liquid-line"},
		{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale"},
		{Name: "high", Quantity: sensors.Pressure, Role: "liquid-pressure"},
		{Name: "damp", Quantity: sensors.Humidity, Role: "return-humidity"},
		{Name: "power", Quantity: sensors.Contact, Role: "outdoor-power"},
	}, Systems: []System{{Steps: map[string]map[string]Setting{}}}}
}

// Corrections worked by hand: what is true is the gain times what is shown plus
// the offset (VIM, JCGM 200:2012, 2.53: a correction compensates for an
// estimated systematic effect, as an addend or a factor).
func TestWhatIsSaidOfAnInstrument(t *testing.T) {
	said := NewCalibrations(calibratedSite())
	micron := 101325.0 / 760 / 1000
	for _, row := range []struct {
		note, unit   string
		value        float64
		shown, right float64 // SI; what the correction makes of a shown value
		want         Calibration
	}{
		{note: "clamp shows 0.4 C at 0 C against the ice point valid until 2027-03-01 by Ines: crushed ice", shown: 20.4, right: 20,
			want: Calibration{What: Corrected, Against: "the ice point", Until: "2027-03-01", By: "Ines", Remark: "crushed ice"}},
		// Two points: 0.4 at 0 and 50.9 at 50 are a gain of 50/50.5, and 25.65 lies midway.
		{note: "clamp shows 0.4 C at 0 C and 50.9 C at 50 C against thermometer R7", shown: 25.65, right: 25, want: Calibration{What: Corrected, Against: "thermometer R7"}},
		{note: "clamp shows 32.72 F at 32 F", shown: 0.4, right: 0, want: Calibration{What: Corrected}},
		{note: "clamp offset -0.72 F", shown: 10, right: 9.6, want: Calibration{What: Corrected}},
		{note: "clamp offset -0.4C", shown: 10, right: 9.6, want: Calibration{What: Corrected}},
		{note: "clamp against the ice point", value: -0.4, unit: "K", shown: 10, right: 9.6, want: Calibration{What: Corrected, Against: "the ice point"}},
		{note: "clamp shows 0.4 C at 0 C", value: -0.4, unit: "K", shown: 10, right: 9.6, want: Calibration{What: Corrected}},
		{note: "gauge offset -12 micron", shown: 500 * micron, right: 488 * micron, want: Calibration{What: Corrected}},
		{note: "scale shows 20.04 kg at 20 kg and 0 kg at 0 kg against known weight", shown: 40.08, right: 40, want: Calibration{What: Corrected, Against: "known weight"}},
		{note: "scale gain 0.998", shown: 40, right: 39.92, want: Calibration{What: Corrected}},
		{note: "scale gain 0.998 offset 0.1 kg", shown: 40, right: 40.02, want: Calibration{What: Corrected}},
		{note: "scale shows 0 lb at 1 lb 8 oz", shown: 1, right: 1.680389, want: Calibration{What: Corrected}},
		{note: "high shows 3 psi at 0 psi against open air", shown: 1e6, right: 1e6 - 3*6894.757, want: Calibration{What: Corrected, Against: "open air"}},
		{note: "damp offset 2 %", shown: 0.5, right: 0.52, want: Calibration{What: Corrected}},
		{note: "clamp checked within 0.2 K against the ice point by Ines", shown: 20, right: 20, want: Calibration{What: AsFound, Within: 0.2, Against: "the ice point", By: "Ines"}},
		{note: "gauge against laboratory 4 valid until 2027-01-01", shown: 50, right: 50, want: Calibration{What: AsFound, Against: "laboratory 4", Until: "2027-01-01"}},
		{note: "clamp withdrawn by Ines: the ice had salt in it", shown: 20, right: 20, want: Calibration{What: Withdrawn, By: "Ines", Remark: "the ice had salt in it"}},
	} {
		got, err := ReadCalibration(&Told{Kind: "mark", Name: "calibrated", Note: row.note, Value: row.value, Unit: row.unit}, said.quantity)
		if err != nil {
			t.Errorf("%q: %v", row.note, err)
			continue
		}
		fix := &got.Fix
		if got.What != Corrected {
			fix = nil
		}
		q := said.quantity(got.Point)
		if v := fix.Value(q, row.shown); math.Abs(v-row.right) > 2e-6*math.Abs(row.right)+q.FromCounts(1) {
			t.Errorf("%q makes %v of %v, want %v", row.note, v, row.shown, row.right)
		}
		row.want.Point, row.want.Fix, row.want.Pairs = strings.Fields(row.note)[0], got.Fix, got.Pairs
		if !reflect.DeepEqual(got, row.want) {
			t.Errorf("%q is read as %+v, want %+v", row.note, got, row.want)
		}
	}
}

func TestWhatCannotBeMeantOfAnInstrument(t *testing.T) {
	said := NewCalibrations(calibratedSite())
	for note, want := range map[string]string{
		"":                                       "names no point",
		": the gauge":                            "no point",
		"gage offset 3 micron":                   `no point "gage"`,
		"clamp":                                  "does not say what was found",
		"clamp by Ines":                          "does not say what was found",
		"clamp is fine":                          `"is" says nothing`,
		"clamp offset 0.4":                       "no difference",
		"clamp offset warm":                      "no difference",
		"clamp offset 4 psi":                     "no difference",
		"gauge offset 12":                        "no unit",
		"high offset 1 psia":                     "absolute",
		"clamp gain":                             "no gain",
		"clamp gain NaN":                         "no gain",
		"clamp gain 10":                          "no calibration but a fault",
		"clamp gain -1":                          "no calibration but a fault",
		"clamp offset 40 K":                      "no calibration but a fault",
		"clamp shows 0.4 C":                      "is not a temperature",
		"clamp at 0 C":                           "what the instrument showed",
		"clamp within 0 K":                       "no span",
		"clamp shows 1 C at 0 C offset 1 K":      "give the correction already",
		"clamp shows 1 C at 0 C and 1 C at 50 C": "are one",
		"clamp shows 1 C at 0 C and 51 C at 50 C gain 1.1": "give the correction already",
		"clamp checked offset 1 K":                         "cannot both be",
		"clamp withdrawn offset 1 K":                       "cannot both be",
		"clamp offset 1 K offset 2 K":                      "twice",
		"clamp offset 1 K valid until next year":           "not a day",
		"clamp offset 1 K valid until 2027-02-30":          "not a day",
		"power offset 1":                                   "contact",
	} {
		got, err := ReadCalibration(&Told{Kind: "mark", Name: "calibrated", Note: note}, said.quantity)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is read as %+v, error %v; want one with %q", note, got, err, want)
		}
	}
	if _, err := ReadCalibration(&Told{Kind: "mark", Name: "calibrated", Note: "clamp shows 0.4 C at 0 C", Value: 0.4, Unit: "K"}, said.quantity); err == nil {
		t.Error("a value that says the opposite of its note was taken")
	}
	for note, want := range map[string]string{
		"gauge: exchanged":            "a colon stands before",
		"gauge: exchanged serial 4":   "a colon stands before",
		"gage exchanged":              `no point "gage"`,
		"gauge exchanged offset 1 Pa": `"offset" says nothing`,
	} {
		got, err := ReadCalibration(&Told{Kind: "mark", Name: "placed", Note: note}, said.quantity)
		if !IsExchange(note) || err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("placed: %q is read as %+v, error %v; want one with %q", note, got, err, want)
		}
	}
}

func FuzzCalibration(f *testing.F) {
	f.Add("clamp shows 0.4 C at 0 C and 50.9 C at 50 C against thermometer R7 valid until 2027-03-01 by Ines: all well", false, 0.0, "")
	f.Add("gauge exchanged serial 4711 against by valid until 2027-03-01", true, 0.0, "")
	f.Add("gauge: exchanged", true, 0.0, "")
	f.Add("scale gain 0.998", false, 0.02, "kg")
	f.Add("damp checked within 2 % at and shows", false, 0.0, "")
	f.Add("high shows 3 psi at 0 psi gain 1.01", false, math.Inf(1), "Pa")
	said := NewCalibrations(calibratedSite())
	f.Fuzz(func(t *testing.T, note string, placed bool, value float64, unit string) {
		b := &Told{Kind: "mark", Name: "calibrated", Note: note, Value: value, Unit: unit}
		if placed {
			if b.Name = "placed"; !IsExchange(note) {
				return
			}
		}
		got, err := ReadCalibration(b, said.quantity)
		if err != nil {
			return
		}
		if fix := got.Fix; got.What == Corrected && !(fix.Gain >= leastGain && fix.Gain <= mostGain && math.Abs(fix.Offset) < 1e7) {
			t.Errorf("%q corrects by %+v", note, fix)
		}
		q := said.quantity(got.Point)
		b.Note, b.Value, b.Unit = got.Text(q), 0, ""
		again, err := ReadCalibration(b, said.quantity)
		again.Remark, got.Remark = strings.TrimSpace(again.Remark), strings.TrimSpace(got.Remark)
		got.Against, got.By, got.Serial = unambiguous(got.Against), unambiguous(got.By), unambiguous(got.Serial)
		if err != nil || !reflect.DeepEqual(again, got) {
			t.Errorf("%q is read as %+v, written as %q and then read as %+v, %v", note, got, b.Note, again, err)
		}
	})
}

// eye keeps what a judge is handed.
type eye struct{ saw []float64 }

func (e *eye) Next(x Entry) []Finding {
	if m, ok := x.Body.(*Measured); ok {
		e.saw = append(e.saw, m.Value)
	}
	return nil
}
func (*eye) Due() (time.Duration, bool) { return 0, false }

// A step goes on with the correction it began with; what stands watch has the
// new one at once; another instrument ends the old one's everywhere.
func TestAStepKeepsTheCorrectionItBeganWith(t *testing.T) {
	watching, stepping, second := &eye{}, &eye{}, &eye{}
	steps := []*eye{stepping, second}
	e := feed{Engine: NewEngine(calibratedSite(), []Rule{
		{Name: "watch", Roles: []string{"vacuum-gauge"}, Begin: func(Start) Judge { return watching }},
		{Name: "step", Steps: []string{"vacuum-hold"}, Roles: []string{"vacuum-gauge"}, Begin: func(Start) Judge {
			s := steps[0]
			steps = steps[1:]
			return s
		}},
	})}
	mark := func(s float64, name, note string) { e.next(1, s, &Told{Kind: "mark", Name: name, Note: note}) }
	e.next(1, 0, &Started{})
	e.read(1, 1, "gauge", 50)
	mark(2, "calibrated", "gauge offset -2 Pa")
	e.next(1, 3, &Told{Kind: "begin", Name: "vacuum-hold"})
	e.read(1, 4, "gauge", 50)
	mark(5, "calibrated", "gauge offset -3 Pa")
	e.read(1, 6, "gauge", 50)
	e.read(1, 7, "clamp", 50)
	mark(8, "placed", "gauge exchanged serial 12")
	e.read(1, 9, "gauge", 50)
	mark(10, "calibrated", "gauge gain 1.1")
	e.read(1, 11, "gauge", 50)
	e.next(1, 12, &Told{Kind: "begin", Name: "vacuum-hold"})
	e.read(1, 13, "gauge", 50)
	if want := []float64{50, 48, 47, 50, 55, 55}; !reflect.DeepEqual(watching.saw, want) {
		t.Errorf("what stands watch saw %v, want %v", watching.saw, want)
	}
	if want := []float64{48, 48, 50, 50}; !reflect.DeepEqual(stepping.saw, want) {
		t.Errorf("the step saw %v, want %v", stepping.saw, want)
	}
	if want := []float64{55}; !reflect.DeepEqual(second.saw, want) {
		t.Errorf("the second step saw %v, want %v", second.saw, want)
	}
	said := e.Calibrations()
	for seq, want := range map[uint64]float64{2: 50, 5: 48, 7: 47, 10: 50, 12: 55} {
		if got := said.At("gauge", seq).Value(sensors.Vacuum, 50); got != want {
			t.Errorf("reading %d is held for %v, want %v", seq, got, want)
		}
	}
}

// A carried probe is no exchange: its mark still says in which room it is.
func TestAnExchangeIsToldFromACarriedProbe(t *testing.T) {
	for note, want := range map[string]bool{
		"iu03 Reading room": false, "probe at iu03": false, "probe-1 iu03": false, "gauge": false, "gauge serial": false, "iu03 by Ines": false,
		"gauge exchanged": true, "gauge exchanged: by a new one": true, "gauge serial 4711": true, "clamp exchanged by Ines": true,
	} {
		if IsExchange(note) != want {
			t.Errorf("%q is taken for an exchange: %v", note, !want)
		}
	}
}

// The day up to which a calibration holds ends at midnight of the site, and the
// newest word holds: 2027-03-01 in Lisbon ends at 2027-03-02T00:00Z (date(1)).
func TestUntilWhenACalibrationHolds(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	site := calibratedSite()
	site.Zone = zone
	site.Points[0].Instrument = sensors.Instrument{Serial: "4711", ValidUntil: "2027-03-01", Against: "a laboratory"}
	said := NewCalibrations(site)
	const over = 1803945600000
	expired := func(point string, wall int64) bool { _, is := said.Expired(point, wall); return is }
	if expired("gauge", over-1) || !expired("gauge", over) || expired("clamp", over) {
		t.Error("the site file's day does not end with it")
	}
	seq := uint64(0)
	tell := func(name, note string) {
		seq++
		said.Tell(Entry{Seq: seq}, &Told{Kind: "mark", Name: name, Note: note})
	}
	tell("calibrated", "gauge checked against a second gauge valid until 2027-06-01")
	if expired("gauge", over) {
		t.Error("a newer word does not hold")
	}
	tell("calibrated", "gauge nonsense")
	if h := said.Holds("gauge"); h.Until != "2027-06-01" || h.Against != "a second gauge" || h.Serial != "4711" {
		t.Errorf("after a word that cannot be read it stands at %+v", h)
	}
	tell("placed", "gauge exchanged serial 4712")
	if h := said.Holds("gauge"); h.Until != "" || h.Serial != "4712" || h.Fix != nil {
		t.Errorf("after an exchange it stands at %+v", h)
	}
	tell("placed", "gauge exchanged serial 4711")
	if h := said.Holds("gauge"); h.Until != "2027-03-01" || h.Against != "a laboratory" {
		t.Errorf("when the site file's own instrument hangs there again it stands at %+v", h)
	}
	tell("calibrated", "gauge checked against a second gauge valid until 2027-06-01")
	tell("calibrated", "gauge withdrawn by Ines")
	if h := said.Holds("gauge"); h.Until != "2027-03-01" || h.Against != "a laboratory" {
		t.Errorf("what was withdrawn is still told: %+v", h)
	}
	if n := len(said.Marks("gauge")); n != 6 {
		t.Errorf("%d words are remembered, want 6", n)
	}
}

// What a correction makes impossible is no value, and a failed reading stays one.
func TestCorrectedReadings(t *testing.T) {
	fix := &Correction{Gain: 1, Offset: -5}
	if got := fix.Of(sensors.Vacuum, sensors.Reading{Value: 3}); got.Health.Grade != sensors.Failed || got.Health.Reason != reasonOverCorrected || got.Value != 0 {
		t.Errorf("a vacuum of 3 Pa less 5 is %+v", got)
	}
	failed := sensors.Reading{Health: sensors.Health{Grade: sensors.Failed, Reason: "crc"}}
	if got := fix.Of(sensors.Vacuum, failed); got != failed {
		t.Errorf("a failed reading became %+v", got)
	}
	doubted := sensors.Reading{Value: 50, Health: sensors.Health{Grade: sensors.Suspect, Reason: "battery-low"}}
	if got := fix.Of(sensors.Vacuum, doubted); got.Value != 45 || got.Health != doubted.Health {
		t.Errorf("a doubted reading became %+v", got)
	}
}
