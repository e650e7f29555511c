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
	for _, s := range Scenarios() {
		if digest(t, 7, s.Name) != digest(t, 7, s.Name) {
			t.Errorf("%s: the same seed gave two nights", s.Name)
		}
		if digest(t, 7, s.Name) == digest(t, 8, s.Name) {
			t.Errorf("%s: two seeds gave the same night", s.Name)
		}
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

func TestTimesNeverGoBack(t *testing.T) {
	for _, s := range Scenarios() {
		var last int64
		var messages, readings int
		play(t, 3, s.Name, func(_ *Night, tick Tick) {
			for _, m := range tick.Messages {
				if m.Own <= last {
					t.Fatalf("%s: %s at %d after %d", s.Name, m.Topic, m.Own, last)
				}
				if messages%97 == 0 && payloadTime(t, m.Payload) != m.Own {
					t.Fatalf("%s: %s tells another time than %d", s.Name, m.Payload, m.Own)
				}
				last = m.Own
				messages++
				readings += 1 + bytes.Count(m.Payload, []byte("},{"))
			}
			for _, m := range tick.Marks {
				if m.Own != tick.At || tick.At != last {
					t.Fatalf("%s: the mark %s %s at %d; the last message at %d", s.Name, m.Kind, m.Name, m.Own, last)
				}
			}
		})
		if readings > 300_000 {
			t.Errorf("%s: %d readings are more than a demo should make", s.Name, readings)
		}
	}
}

// Steps begin and end once each way, in the usual order, each end after its begin.
func TestStepsAreWhole(t *testing.T) {
	for _, s := range Scenarios() {
		open := map[string]bool{}
		var begun []string
		play(t, 5, s.Name, func(_ *Night, tick Tick) {
			for _, m := range tick.Marks {
				switch m.Kind {
				case "begin":
					if open[m.Name] {
						t.Errorf("%s: %s begun twice", s.Name, m.Name)
					}
					open[m.Name] = true
					begun = append(begun, m.Name)
				case "end":
					if !open[m.Name] {
						t.Errorf("%s: %s ended before it began", s.Name, m.Name)
					}
					delete(open, m.Name)
				}
			}
		})
		if len(open) > 0 {
			t.Errorf("%s: left open: %v", s.Name, open)
		}
		for _, step := range []string{"preheat", "evacuation", "vacuum-hold", "draw-in", "unit-count", "weigh-in", "trial-run", "cooling-check", "heating-check", "hand-over"} {
			if !slices.Contains(begun, step) {
				t.Errorf("%s: %s was never begun", s.Name, step)
			}
		}
	}
}

// facts is what truly happened in a night, whatever the instruments show.
type facts struct {
	holds  []hold
	drawn  float64
	quiet  time.Duration // longest silence of the scale
	preRun time.Duration // preheat before the compressor ran
}

type hold struct{ from, peak, to float64 } // micron shown without noise

func watch(t *testing.T, seed uint64, scenario string) facts {
	var f facts
	var heat, scale time.Duration
	holding := false
	n := play(t, seed, scenario, func(n *Night, tick Tick) {
		for _, m := range tick.Marks {
			switch m.Kind + " " + m.Name {
			case "begin vacuum-hold":
				f.holds, holding = append(f.holds, hold{from: n.micron()}), true
			case "end vacuum-hold":
				holding = false
			case "begin preheat":
				heat = n.t
			case "begin weigh-in":
				f.preRun = n.t - heat
			}
		}
		if holding {
			h := &f.holds[len(f.holds)-1]
			h.to = n.micron()
			h.peak = max(h.peak, h.to)
		}
		for _, m := range tick.Messages {
			if m.Topic == "quayside/scale" {
				f.quiet = max(f.quiet, n.t-scale)
				scale = n.t
			}
		}
	})
	f.drawn = n.charge.drawn
	return f
}

// Every seed tells the scenario's story, with room for the gauge's noise.
func TestEachScenarioIsTrue(t *testing.T) {
	for _, s := range scenarios {
		for seed := range seeds {
			f := watch(t, seed, s.Name)
			last := f.holds[len(f.holds)-1]
			if last.from > 300 || last.peak > 465 || last.to <= last.from {
				t.Errorf("%s, seed %d: the last hold should be dry and tight: %+v", s.Name, seed, last)
			}
			if fails := s.leak || s.wet; fails != (len(f.holds) == 2) || fails && f.holds[0].peak < 520 {
				t.Errorf("%s, seed %d: holds %+v", s.Name, seed, f.holds)
			}
			over := f.drawn - targetKg
			if s.over != (over > 0.2) || !s.over && (over < -0.01 || over > digitKg) {
				t.Errorf("%s, seed %d: %.3f kg over the target", s.Name, seed, over)
			}
			if s.scaleOff != (f.quiet > 2*time.Minute) || !s.scaleOff && f.quiet > 2*time.Second {
				t.Errorf("%s, seed %d: the scale was silent for %s", s.Name, seed, f.quiet)
			}
			if f.preRun < 6*time.Hour {
				t.Errorf("%s, seed %d: the compressor ran after %s of preheat", s.Name, seed, f.preRun)
			}
		}
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
