package main

import (
	"bytes"
	"strings"
	"testing"
)

// The interval against published examples of Wilson's: 81 of 263 gives 0.2553
// to 0.3662, 0 of 20 gives 0 to 0.1611 (Newcombe 1998, table I, method 3).
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		good, all int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {0, 20, 0, 0.1611}} {
		low, high := wilson(c.good, c.all)
		if d := max(low-c.low, c.low-low, high-c.high, c.high-high); d > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.good, c.all, low, high, c.low, c.high)
		}
	}
}

func TestShareSaysWhetherItReaches(t *testing.T) {
	for _, c := range []struct {
		share
		want string
	}{
		{share{name: "x", asked: 0.9, good: 95, all: 100}, "asked 90 %\n"},
		{share{name: "x", asked: 0.9, good: 89, all: 100}, "short, within doubt"},
		{share{name: "x", asked: 0.9, good: 50, all: 100}, "asked 90 %: short\n"},
		{share{name: "x", asked: 0.02, atMost: true, good: 20, all: 100}, "at most: short\n"},
		{share{name: "x", asked: 0.9}, "none"},
	} {
		var b bytes.Buffer
		c.write(&b)
		if !strings.Contains(b.String(), c.want) {
			t.Errorf("%d of %d: %q lacks %q", c.good, c.all, b.String(), c.want)
		}
	}
}
