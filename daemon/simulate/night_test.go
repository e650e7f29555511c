package simulate

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// play runs a night to its end.
func play(t *testing.T, seed uint64, scenario string, each func(*Night, Tick)) *Night {
	t.Helper()
	n, err := New(seed, scenario)
	if err != nil {
		t.Fatal(err)
	}
	for seconds := 0; ; seconds++ {
		tick, more := n.Next()
		if !more {
			return n
		}
		if seconds > 16*3600 {
			t.Fatalf("%s, seed %d: the night does not end; waiting before act %d", scenario, seed, len(n.script))
		}
		if each != nil {
			each(n, tick)
		}
	}
}

func digest(t *testing.T, seed uint64, scenario string) string {
	h := sha256.New()
	play(t, seed, scenario, func(_ *Night, tick Tick) {
		for _, m := range tick.Messages {
			fmt.Fprintf(h, "%s %s %d\n", m.Topic, m.Payload, m.Own)
		}
		for _, m := range tick.Marks {
			fmt.Fprintf(h, "%+v\n", m)
		}
	})
	return fmt.Sprintf("%x", h.Sum(nil))
}

func TestTheSeedDecides(t *testing.T) {
	seven := digest(t, 7, DefaultScenario)
	if digest(t, 7, DefaultScenario) != seven {
		t.Error("the same seed gave two nights")
	}
	if digest(t, 8, DefaultScenario) == seven {
		t.Error("two seeds gave the same night")
	}
}

func TestNoSuchScenario(t *testing.T) {
	_, err := New(1, "fire")
	if err == nil || !strings.Contains(err.Error(), "good-night") {
		t.Errorf("the error should name what there is: %v", err)
	}
}

// payloadTime finds the time a payload tells.
func payloadTime(t *testing.T, payload []byte) int64 {
	t.Helper()
	if payload[0] == '[' {
		var pack []struct {
			Time float64 `json:"bt"`
		}
		if err := json.Unmarshal(payload, &pack); err != nil {
			t.Fatalf("%s: %v", payload, err)
		}
		return int64(pack[0].Time*1000 + 0.5)
	}
	var doc struct{ Time time.Time }
	if err := json.Unmarshal(payload, &doc); err != nil {
		t.Fatalf("%s: %v", payload, err)
	}
	return doc.Time.UnixMilli()
}

// facts is what truly happened in a night, whatever the instruments show.
type facts struct {
	holds    []hold
	drawn    float64
	quiet    time.Duration // longest silence of the scale
	preheat  time.Duration // before the compressor ran
	readings int
}

type hold struct{ from, peak, to float64 } // micron shown without noise

// watcher follows a night and holds it to what is true of every night: times
// never go back, steps begin and end.
type watcher struct {
	facts
	last        int64
	messages    int
	heat, scale time.Duration // when the heaters came on, when the scale last spoke
	open        map[string]bool
	begun       []string
}

func (w *watcher) tick(t *testing.T, n *Night, tick Tick) {
	for _, m := range tick.Messages {
		if m.Own <= w.last {
			t.Fatalf("%s at %d after %d", m.Topic, m.Own, w.last)
		}
		if w.messages%97 == 0 && payloadTime(t, m.Payload) != m.Own {
			t.Fatalf("%s tells another time than %d", m.Payload, m.Own)
		}
		w.last = m.Own
		w.messages++
		w.readings += 1 + bytes.Count(m.Payload, []byte("},{"))
		if m.Topic == "quayside/scale" {
			w.quiet = max(w.quiet, n.t-w.scale)
			w.scale = n.t
		}
	}
	for _, m := range tick.Marks {
		if m.Own != tick.At || tick.At != w.last {
			t.Fatalf("the mark %s %s at %d; the last message at %d", m.Kind, m.Name, m.Own, w.last)
		}
		w.mark(t, n, m)
	}
	if w.open["vacuum-hold"] {
		h := &w.holds[len(w.holds)-1]
		h.to = n.micron()
		h.peak = max(h.peak, h.to)
	}
	w.drawn = n.charge.drawn
}

func (w *watcher) mark(t *testing.T, n *Night, m rules.Told) {
	if m.Kind != "begin" && m.Kind != "end" {
		return
	}
	if w.open[m.Name] == (m.Kind == "begin") {
		t.Errorf("%s of %s, which is under way: %t", m.Kind, m.Name, w.open[m.Name])
	}
	w.open[m.Name] = m.Kind == "begin"
	if m.Kind == "end" {
		return
	}
	w.begun = append(w.begun, m.Name)
	switch m.Name {
	case "vacuum-hold":
		w.holds = append(w.holds, hold{from: n.micron()})
	case "preheat":
		w.heat = n.t
	case "weigh-in":
		w.preheat = n.t - w.heat
	}
}

// steps of every night, in the order of their begin marks in a good one.
var steps = []string{"preheat", "evacuation", "vacuum-hold", "draw-in", "unit-count", "weigh-in", "trial-run", "cooling-check", "heating-check", "hand-over"}

// check holds a whole night to its scenario's story, with room for the gauge's noise.
func (w *watcher) check(t *testing.T, s Scenario) {
	for _, step := range steps {
		if !slices.Contains(w.begun, step) || w.open[step] {
			t.Errorf("%s was begun: %t, and left open: %t", step, slices.Contains(w.begun, step), w.open[step])
		}
	}
	if w.readings > 300_000 {
		t.Errorf("%d readings are more than a demo should make", w.readings)
	}
	last := w.holds[len(w.holds)-1]
	if last.from > 300 || last.peak > 465 || last.to <= last.from {
		t.Errorf("the last hold should be dry and tight: %+v", last)
	}
	if fails := s.leak || s.wet; fails != (len(w.holds) == 2) || fails && w.holds[0].peak < 520 {
		t.Errorf("holds %+v", w.holds)
	}
	over := w.drawn - targetKg
	if s.over != (over > 0.2) || !s.over && (over < -0.04 || over > 0) {
		t.Errorf("%.3f kg over the target", over)
	}
	if s.scaleOff != (w.quiet > 2*time.Minute) || !s.scaleOff && w.quiet > 2*time.Second {
		t.Errorf("the scale was silent for %s", w.quiet)
	}
	if w.preheat < 6*time.Hour {
		t.Errorf("the compressor ran after %s of preheat", w.preheat)
	}
}

func BenchmarkNight(b *testing.B) {
	for b.Loop() {
		n, _ := New(1, DefaultScenario)
		for {
			if _, more := n.Next(); !more {
				break
			}
		}
	}
}
