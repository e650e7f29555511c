package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// hidden are the values that a form carries without showing them.
func hidden(text string) url.Values {
	f := url.Values{}
	for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)">`).FindAllStringSubmatch(text, -1) {
		f.Set(m[1], m[2])
	}
	return f
}

// seen is visit, with the page's text as a person reads it.
func seen(t *testing.T, h http.Handler, method, target string, form url.Values) (*http.Response, string) {
	t.Helper()
	res, text := visit(t, h, method, target, form)
	return res, strings.ReplaceAll(text, "&#43;", "+")
}

// steadyBox shows fixed values, with what is said of one instrument.
func steadyBox(values map[string]float64) *fakeBox {
	box := newFakeBox("idle")
	for point, v := range values {
		box.curve[point] = func(time.Time) float64 { return v }
	}
	box.change(func(s *Snapshot) {
		s.Points = append(s.Points, Point{Point: sensors.Point{Name: "high", Quantity: sensors.Pressure, Unit: "psi", Every: 2 * time.Second}, Taken: s.Wall, Heard: s.Wall})
		for i := range s.Points {
			s.Points[i].Taken, s.Points[i].Health = s.Wall, sensors.Health{}
		}
	})
	return box
}

// A probe in ice shows 0.42 C: the page says so, and what is recorded is what
// was seen, with an offset of -0.42 K; the same for open air.
func TestIceAndOpenAir(t *testing.T) {
	box := steadyBox(map[string]float64{"ambient": 0.42, "high": 20e3})
	h := box.screens().handler()
	for _, row := range []struct {
		point, with, do, apart, note, unit string
		value                              float64
	}{
		{"ambient", "ice", "correct", "off by +0.42 K", "ambient shows 0.42 C at 0 C against the ice point valid until 2027-03-01 by Ines: crushed twice", "K", -0.42},
		{"ambient", "ice", "checked", "off by +0.42 K", "ambient checked within 0.5 K against the ice point valid until 2027-03-01 by Ines: crushed twice", "", 0},
		{"high", "air", "correct", "off by +2.9 psi", "high shows 20000 Pa at 0 Pa against open air valid until 2027-03-01 by Ines: crushed twice", "Pa", -20e3},
	} {
		page := "/points/" + row.point + "/against"
		res, text := seen(t, h, "GET", page+"?with="+row.with, nil)
		if res.StatusCode != http.StatusOK || !strings.Contains(text, row.apart) || !strings.Contains(text, "Steady for") || strings.Contains(text, "%!") {
			t.Fatalf("%s answers %d:\n%s", page, res.StatusCode, text)
		}
		f := hidden(text)
		for k, v := range map[string]string{"do": row.do, "by": "Ines", "until": "2027-03-01", "remark": "crushed twice"} {
			f.Set(k, v)
		}
		if res, text := seen(t, h, "POST", page, f); res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(res.Header.Get("Location"), "/points/"+row.point) {
			t.Fatalf("recording answers %d:\n%s", res.StatusCode, text)
		}
		told := box.told[len(box.told)-1]
		if told.Name != "calibrated" || told.Note != row.note || told.Value != row.value || told.Unit != row.unit {
			t.Errorf("recorded is %+v, want %q %v %s", told, row.note, row.value, row.unit)
		}
	}
}

// Nothing is recorded of a reading that moves, that was looked at long ago, that
// is none, or that is too far off to be a calibration.
func TestNothingIsRecordedOfAReadingThatDoesNotStand(t *testing.T) {
	box := steadyBox(map[string]float64{"ambient": 40})
	box.curve["ou1-sump"] = func(at time.Time) float64 { return 20 + at.Sub(midnight).Minutes() }
	h := box.screens().handler()
	_, moving := seen(t, h, "GET", "/points/ou1-sump/against", nil)
	if !strings.Contains(moving, "Still moving: +1.00 K in 1 min") || hidden(moving).Get("steady") != "no" {
		t.Errorf("a reading that climbs 1 K a minute:\n%s", moving)
	}
	_, far := seen(t, h, "GET", "/points/ambient/against", nil)
	old := hidden(far)
	old.Set("at", "1000")
	none := hidden(far)
	none.Set("shown", "")
	for name, row := range map[string]struct {
		point string
		form  url.Values
		want  string
	}{
		"moving": {"ou1-sump", hidden(moving), "not steady when you looked"},
		"old":    {"ambient", old, "not steady when you looked"},
		"none":   {"ambient", none, "no reading to record"},
		"far":    {"ambient", hidden(far), "no calibration but a fault"},
	} {
		row.form.Set("do", "correct")
		row.form.Set("by", "Ines")
		if res, text := seen(t, h, "POST", "/points/"+row.point+"/against", row.form); res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, row.want) {
			t.Errorf("%s: %d, want %q:\n%s", name, res.StatusCode, row.want, text)
		}
	}
	if len(box.told) > 0 {
		t.Errorf("recorded was %+v", box.told)
	}
	for _, page := range []string{"/points/indoor-power/against", "/points/nonesuch/against", "/points/gauge/against?with=ice"} {
		if res, _ := seen(t, h, "GET", page, nil); res.StatusCode != http.StatusNotFound {
			t.Errorf("%s answers %d", page, res.StatusCode)
		}
	}
}

// Beside another gauge: 500 micron shown where 488 are true.
func TestBesideAnotherInstrument(t *testing.T) {
	box := steadyBox(map[string]float64{"gauge": 66.661})
	h := box.screens().handler()
	_, text := seen(t, h, "GET", "/points/gauge/against", nil)
	if !strings.Contains(text, "only another gauge") || strings.Contains(text, "melting ice") {
		t.Errorf("the page of a vacuum gauge:\n%s", text)
	}
	f := hidden(text)
	for k, v := range map[string]string{"do": "correct", "by": "Ines", "true": "488", "unit": "micron", "against": "gauge by the pump: serial 7"} {
		f.Set(k, v)
	}
	if res, text := seen(t, h, "POST", "/points/gauge/against", f); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("recording answers %d:\n%s", res.StatusCode, text)
	}
	if told := box.told[0]; told.Note != "gauge shows 66.661 Pa at 65.061 Pa against gauge the pump 7 by Ines" || told.Value != -1.6 || told.Unit != "Pa" {
		t.Errorf("recorded is %+v", told)
	}
	f.Set("true", "a little less")
	if res, _ := seen(t, h, "POST", "/points/gauge/against", f); res.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("no number answers %d", res.StatusCode)
	}
}

// A scale is weighed empty, with a weight, and empty again. From 20 kg of the
// 21 kg that it carries comes a gain; from 2 kg none; and a scale that does not
// come back is told so.
func TestKnownWeight(t *testing.T) {
	box := steadyBox(nil)
	shows := 0.02
	before := box.Now().Wall.Add(-20 * time.Hour)
	box.curve["scale"] = func(at time.Time) float64 {
		if at.Before(before) { // what it carried
			return 21
		}
		return shows
	}
	h := box.screens().handler()
	weigh := func(weight string, loaded, again float64) (text string) {
		t.Helper()
		f := url.Values{}
		for _, x := range []float64{0.02, loaded, again} {
			shows = x
			_, text = seen(t, h, "GET", "/points/scale/against?"+f.Encode(), nil)
			f = hidden(text)
			if strings.Contains(text, `name="true"`) {
				f.Set("true", weight)
				f.Set("unit", "kg")
			}
		}
		_, text = seen(t, h, "GET", "/points/scale/against?"+f.Encode(), nil)
		return text
	}
	text := weigh("20", 20.06, 0.02)
	if !strings.Contains(text, "made +0.040 kg of difference") || !strings.Contains(text, "against-correct") {
		t.Fatalf("20 kg:\n%s", text)
	}
	f := hidden(text)
	f.Set("do", "correct")
	f.Set("by", "Ines")
	if res, text := seen(t, h, "POST", "/points/scale/against", f); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("recording answers %d:\n%s", res.StatusCode, text)
	}
	if told := box.told[0]; told.Note != "scale shows 20.06 kg at 20 kg and 0.02 kg at 0 kg against a known weight of 20 kg by Ines" || told.Unit != "" {
		t.Errorf("recorded is %+v", told)
	}
	if text := weigh("2", 2.03, 0.02); !strings.Contains(text, "too light for a gain") || strings.Contains(text, "against-correct") {
		t.Errorf("2 kg:\n%s", text)
	}
	if text := weigh("20", 20.06, 0.14); !strings.Contains(text, "touches it") || hidden(text).Get("steady") != "no" {
		t.Errorf("a scale that does not come back:\n%s", text)
	}
	if text := weigh("-3", 20.06, 0.02); !strings.Contains(text, "2 of 3") {
		t.Errorf("a weight that is none:\n%s", text)
	}
}

// The page of a point says by what it is corrected, what it shows, that its
// calibration has run out, and everything that was ever said of it.
func TestHistoryOfAnInstrument(t *testing.T) {
	box := steadyBox(map[string]float64{"gauge": 40})
	box.change(func(s *Snapshot) {
		said := rules.NewCalibrations(s.Site)
		for i, note := range []string{"gauge offset 5 Pa against a second gauge valid until 2020-01-01 by Ines: <b>warm</b>", "gauge off by a bit", "gauge checked within 3 Pa valid until 2020-06-01"} {
			said.Tell(rules.Entry{Seq: uint64(i + 1)}, &rules.Told{Kind: "mark", Name: "calibrated", Note: note})
		}
		p := &s.Points[0]
		p.Holds, p.Expired, p.Shown, p.Value = said.Holds("gauge"), true, 40, 45
		p.Instrument.Serial = "4711"
		for _, m := range said.Marks("gauge") {
			p.Said = append(p.Said, CalibrationMark{m, s.Wall})
		}
	})
	h := box.screens().handler()
	_, text := seen(t, h, "GET", "/points/gauge", nil)
	for _, want := range []string{"What it shows is corrected by +37.5 micron", "Valid until 2020-06-01", "ran out on 2020-06-01", "The instrument shows 300 micron",
		"Corrected by +37.5 micron", "against a second gauge", "&lt;b&gt;warm", "Not understood", "right within 22.5 micron", "/points/gauge/against?with=reference"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page has no %q:\n%s", want, text)
		}
	}
	if _, text := seen(t, h, "GET", "/points", nil); !strings.Contains(text, "calibration expired") {
		t.Errorf("the list does not say that it has run out:\n%s", text)
	}
	if _, text := seen(t, h, "GET", "/points/indoor-power", nil); strings.Contains(text, "Its instrument") {
		t.Error("a contact has a calibration")
	}
}
