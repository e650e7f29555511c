package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// deadBridge is a box whose bridge has died, with one point on a wire silent besides.
func deadBridge(t *testing.T) *fakeBox {
	t.Helper()
	box := newFakeBox("idle")
	box.change(func(s *Snapshot) {
		s.Site.Points, s.Flags, s.Recent, s.Running = nil, nil, nil, nil
		for i := range 14 {
			p := sensors.Point{Name: fmt.Sprintf("probe-%02d", i+1), Source: "mqtt", Device: "site"}
			if i == 13 {
				p.Source, p.Device = "onewire", "pipes"
			}
			s.Site.Points = append(s.Site.Points, p)
			at := s.Wall.Add(time.Duration(i-60) * time.Second)
			f := rules.Finding{Flag: "point-silent", Subject: p.Name, Points: []string{p.Name}, Urgency: rules.Tell, Text: p.Name + " silent for 25 s."}
			s.Flags = append(s.Flags, Flag{Flag: rules.Flag{Finding: f}, Raised: at, Newest: at})
			s.Recent = append([]Finding{{Finding: f, ID: int64(i + 1), Wall: at}}, s.Recent...)
		}
	})
	return box
}

func TestADeadBridgeIsOneCard(t *testing.T) {
	box := deadBridge(t)
	h := box.screens().handler()
	for _, page := range []string{"/", "/flags"} {
		_, text := visit(t, h, "GET", page, nil)
		if n := strings.Count(text, `<article class="flag`); n != 2 {
			t.Errorf("%s has %d cards, want the bridge's and the wire's", page, n)
		}
		for _, want := range []string{"Point silent: 13 points", "13 points of MQTT site are silent: probe-01, probe-02, probe-03 and 10 more.", "probe-14 silent"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %q", page, want)
			}
		}
	}
	// What happened is one row as well, and its order stays: the wire's came last.
	_, text := visit(t, h, "GET", "/flags", nil)
	if _, happened, _ := strings.Cut(text, `class="rows edges"`); strings.Count(happened, `<li class="edge">`) != 2 || strings.Index(happened, "probe-14") > strings.Index(happened, "13 points") {
		t.Errorf("what happened is\n%s", happened)
	}
}

func TestOneButtonTakesTheFlagsOfACardThatAreStillOpen(t *testing.T) {
	box := deadBridge(t)
	box.change(func(s *Snapshot) { s.Flags[1].Acknowledged, s.Flags[1].By = true, "Rui" }) // a moment ago, on another phone
	f := form("kind", "acknowledge", "flag", "point-silent", "system", "", "by", "Ines", "back", "/")
	f["subject"] = []string{"probe-01", "probe-02", "probe-03", "probe-gone"}
	resp, text := visit(t, box.screens().handler(), "POST", "/marks", f)
	var notes []string
	for _, m := range box.told {
		notes = append(notes, m.Name+" "+m.Note+" by "+m.By)
	}
	if want := []string{"acknowledged point-silent probe-01 by Ines", "acknowledged point-silent probe-03 by Ines"}; resp.StatusCode != http.StatusSeeOther || !slices.Equal(notes, want) {
		t.Errorf("%d, recorded %q, want %q\n%s", resp.StatusCode, notes, want, text)
	}
	// Nothing of it is left to take: that is said, and nothing is recorded.
	box.told = nil
	f["subject"] = []string{"probe-02", "probe-gone"}
	if resp, _ := visit(t, box.screens().handler(), "POST", "/marks", f); resp.StatusCode != http.StatusUnprocessableEntity || len(box.told) > 0 {
		t.Errorf("%d, recorded %+v", resp.StatusCode, box.told)
	}
	// Whose flag is taken stands apart from whose is not.
	if _, text := visit(t, box.screens().handler(), "GET", "/flags", nil); !strings.Contains(text, "12 points of MQTT site") || !strings.Contains(text, "Acknowledged by Rui") {
		t.Errorf("with one of them taken\n%s", text)
	}
}
