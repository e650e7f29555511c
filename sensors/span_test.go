package sensors

import (
	"errors"
	"strings"
	"testing"
)

func spanOf(pairs ...string) (Span, []error) {
	n := Node{File: "site.yaml", Line: 3, Column: 5, Kind: Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, Field{Key: pairs[i], Line: 3, Col: 7, Value: Node{File: "site.yaml", Line: 3, Column: 9, Kind: Scalar, Text: pairs[i+1]}})
	}
	var faults []error
	d := Decode(n, &faults)
	s := ReadSpan(d)
	d.Done()
	return s, faults
}

// Two ways to say the same cell: its slope, or a known weight.
func TestSpan(t *testing.T) {
	t.Parallel()
	for _, pairs := range [][]string{
		{"zero", "84000", "counts_per_kg", "20000"},
		{"zero", "84000", "known", "20 kg", "shows", "484000"},
		{"zero", "84000", "known", "20000 g", "shows", "484000"},
	} {
		s, faults := spanOf(pairs...)
		if faults != nil {
			t.Fatal(faults)
		}
		for counts, want := range map[float64]float64{84000: 0, 484000: 20, 64000: -1, 709000: 31.25} {
			if r := s.Mass("p", counts); r.Value != want || r.Health.Grade != Good {
				t.Errorf("%v: %g counts are %+v, want %g kg", pairs, counts, r, want)
			}
		}
	}
	if s, faults := spanOf("zero", "1000", "known", "10 kg", "shows", "-99000"); faults != nil || s.Mass("p", -49000).Value != 5 {
		t.Errorf("a cell that hangs the other way round: %+v %v", s, faults)
	}
}

func TestSpanFaults(t *testing.T) {
	t.Parallel()
	for want, pairs := range map[string][]string{
		"nothing says how many counts a kilogram makes": {"zero", "5"},
		"keep one of them":                            {"counts_per_kg", "20000", "known", "1 kg", "shows", "3"},
		"shows is missing":                            {"known", "20 kg"},
		"known: -1 kg is no weight to put on":         {"known", "-1 kg", "shows", "400000"},
		`known: "20" has no unit`:                     {"known", "20", "shows", "400000"},
		"counts a kilogram are too few":               {"zero", "400000", "known", "20 kg", "shows", "400001"},
		`zero: "NaN" is no number of counts`:          {"zero", "NaN", "counts_per_kg", "20000"},
		`counts_per_kg: "1e9" is no number of counts`: {"counts_per_kg", "1e9"},
	} {
		_, faults := spanOf(pairs...)
		if err := errors.Join(faults...); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "site.yaml:3:") {
			t.Errorf("%v: %v, want %q", pairs, err, want)
		}
	}
}

// Single wild values and codes that measure nothing are left out; too many of them are told.
func TestMedianCounts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		shown  []int32
		want   float64
		reason string
	}{
		{[]int32{1000, 1002, 1001}, 1001, ""},
		{[]int32{1000, 4194303, 1001}, 1001, ""},       // 2^22-1: the lower bits stuck
		{[]int32{1000, 8388607, 1002, 1001}, 1001, ""}, // an end of the range, once
		{[]int32{-1, 1000, -1, 1002, 1001}, 1001, ""},  // all bits one
		{[]int32{8388607, 8388607, 8388607, 8388607, 8388607}, 0, ReasonOverload},
		{[]int32{-8388608, -8388608, -8388608, -8388608, -8388608}, 0, ReasonUnderload},
		{[]int32{-1, -1, -1, 1000, 1001}, 0, ReasonDisconnected},
	} {
		i := 0
		got, reason, err := MedianCounts(func() (int32, error) { i++; return c.shown[i-1], nil })
		if got != c.want || reason != c.reason || err != nil || i != len(c.shown) {
			t.Errorf("%v: %g %q %v after %d, want %g %q", c.shown, got, reason, err, i, c.want, c.reason)
		}
	}
}
