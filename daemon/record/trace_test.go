package record

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// fed hands a trace readings, one a second, as a hold might go: values of them
// are spikes that last for one reading.
func fed(n, most int) (t *trace, low, high float64) {
	t = &trace{point: sensors.Point{Name: "gauge", Quantity: sensors.Vacuum, SilentAfter: 10 * time.Second}, most: most}
	r := rand.New(rand.NewPCG(4, 9))
	low, high = math.Inf(1), math.Inf(-1)
	var m rules.Measured
	for i := range n {
		v := 100 + float64(i%86400)/1000 + r.Float64()
		switch i {
		case n / 3:
			v = 3.25
		case 2 * n / 3:
			v = 9000.5
		}
		at := time.Duration(i) * time.Second
		if i > n/2 {
			at += time.Minute // a gap
		}
		m.Reading, m.Taken = sensors.Reading{Point: "gauge", Value: v}, at
		t.add(rules.Instant{Boot: 1, Since: at}, &m, nil)
		low, high = min(low, v), max(high, v)
	}
	return t, low, high
}

func held(t *trace) (n int) {
	for _, b := range t.boots {
		n += len(b)
	}
	return n
}

// A fortnight at a reading a second keeps no more than mostKept, with its
// extremes, its ends and its gap; and what is drawn of it is what is drawn of
// all of it, but for less than a dot.
func TestALongStepIsThinnedAsItIsRead(t *testing.T) {
	const fortnight = 14 * 86400
	thin, low, high := fed(fortnight, mostKept)
	if n := held(thin); n > mostKept || n < mostKept/4 || n != thin.kept {
		t.Errorf("%d readings are kept, and counted as %d; %d at most", n, thin.kept, mostKept)
	}
	whole, _, _ := fed(fortnight, math.MaxInt)
	if n := held(whole); n != fortnight {
		t.Fatalf("%d of %d are kept whole", n, fortnight)
	}
	g := reading{site: rules.Site{Zone: time.UTC}, anchors: journal.Anchors{1: {}}}
	lines, l, h := g.stretches(thin, mostDrawn)
	all, wl, wh := g.stretches(whole, mostDrawn)
	if l != wl || h != wh || l.Value != low || h.Value != high {
		t.Errorf("lowest %v and highest %v, want %v and %v", l, h, wl, wh)
	}
	if len(lines) != 2 || len(all) != 2 || len(thin.gaps) != 1 {
		t.Fatalf("%d and %d stretches, %d gaps; want 2 and 1", len(lines), len(all), len(thin.gaps))
	}
	// In each of as many columns as a paper has, the drawn lines reach as low and as high.
	const columns = 200
	span := all[1][len(all[1])-1].At.Sub(all[0][0].At)
	reach := func(lines [][]Sample) (lowest, highest [columns]float64) {
		for i := range lowest {
			lowest[i], highest[i] = math.Inf(1), math.Inf(-1)
		}
		for _, line := range lines {
			for _, s := range line {
				c := min(columns-1, int(float64(s.At.Sub(all[0][0].At))/float64(span)*columns))
				lowest[c], highest[c] = min(lowest[c], s.Value), max(highest[c], s.Value)
			}
		}
		return lowest, highest
	}
	tl, th := reach(lines)
	al, ah := reach(all)
	for c := range columns {
		if math.Abs(tl[c]-al[c]) > 8 || math.Abs(th[c]-ah[c]) > 8 { // a column is 6,000 readings, over which the ramp climbs 6
			t.Errorf("column %d: %g to %g, want %g to %g", c, tl[c], th[c], al[c], ah[c])
		}
	}
	for i := range lines {
		if lines[i][0] != all[i][0] || lines[i][len(lines[i])-1] != all[i][len(all[i])-1] {
			t.Errorf("stretch %d runs from %v to %v, want %v to %v", i, lines[i][0], lines[i][len(lines[i])-1], all[i][0], all[i][len(all[i])-1])
		}
	}
}

// A radio that falls silent each few readings has more stretches than are kept
// readings of: then more are kept, and their number stays in proportion.
func TestManyStretchesAreKept(t *testing.T) {
	const stretches = 5000
	x := &trace{point: sensors.Point{Name: "gauge", Quantity: sensors.Vacuum, SilentAfter: time.Second}, most: 1000}
	var m rules.Measured
	for i := range stretches {
		for k := range 20 {
			at := time.Duration(i)*time.Minute + time.Duration(k)*time.Second
			m.Reading, m.Taken = sensors.Reading{Point: "gauge", Value: float64(k)}, at
			x.add(rules.Instant{Boot: 1, Since: at}, &m, nil)
		}
	}
	if n := held(x); len(x.boots) != stretches || n > 8*stretches || n < 2*stretches {
		t.Errorf("%d stretches, %d kept", len(x.boots), n)
	}
	for i, b := range x.boots[:stretches-1] {
		if b[0].value != 0 || b[len(b)-1].value != 19 {
			t.Fatalf("stretch %d runs from %g to %g", i, b[0].value, b[len(b)-1].value)
		}
	}
}
