package daemon

import (
	"log/slog"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

func TestWhatCameBefore(t *testing.T) {
	points := []sensors.Point{{Name: "a", Quantity: sensors.Mass}, {Name: "b", Quantity: sensors.Mass}}
	seq := func(point string, n uint64, v float64) sensors.Reading {
		return sensors.Reading{Point: point, Seq: n, HasSeq: true, Value: v}
	}
	own := func(point string, ms int64, v float64) sensors.Reading {
		return sensors.Reading{Point: point, Own: ms, Value: v}
	}
	type step struct {
		r     sensors.Reading
		again bool // the broker's DUP
		after time.Duration
		want  bool
	}
	for name, steps := range map[string][]step{
		"a sequence number twice":                             {{seq("a", 1, 5), false, 0, false}, {seq("a", 1, 5), false, time.Second, true}},
		"the same number of another point":                    {{seq("a", 1, 5), false, 0, false}, {seq("b", 1, 5), false, 0, false}},
		"a gateway sends its last readings again":             {{seq("a", 1, 5), false, 0, false}, {seq("a", 2, 6), false, 0, false}, {seq("a", 1, 5), false, 0, true}, {seq("a", 2, 6), false, 0, true}, {seq("a", 3, 6), false, 0, false}},
		"a restarted instrument counts from 1 again":          {{seq("a", 1, 5), false, 0, false}, {seq("a", 1, 7), false, time.Second, false}},
		"and says the same, long after":                       {{seq("a", 1, 5), false, 0, false}, {seq("a", 1, 5), false, time.Hour, false}},
		"but what the broker calls sent again is, long after": {{seq("a", 1, 5), false, 0, false}, {seq("a", 1, 5), true, time.Hour, true}},
		"counts from 1 again, and the link broke meanwhile":   {{seq("a", 1, 5), false, 0, false}, {seq("a", 1, 7), true, time.Hour, false}},
		"an own time twice":                                   {{own("a", 100, 5), false, 0, false}, {own("a", 100, 5), false, time.Hour, true}},
		"a coarse clock":                                      {{own("a", 1000, 5), false, 0, false}, {own("a", 1000, 6), false, 0, false}},
		"neither number nor time":                             {{sensors.Reading{Point: "a", Value: 5}, false, 0, false}, {sensors.Reading{Point: "a", Value: 5}, false, 0, false}},
	} {
		t.Run(name, func(t *testing.T) {
			s, at := newSeen(points), time.Duration(0)
			for i, x := range steps {
				at += x.after
				if got := s.before(&x.r, x.again, at); got != x.want {
					t.Errorf("reading %d: came before = %v, want %v", i, got, x.want)
				}
			}
		})
	}
}

func TestMessageSentAgain(t *testing.T) {
	s := newSeen(nil)
	first := sensors.Receipt{Client: "box", Packet: 7, Hash: 99}
	again := sensors.Receipt{Client: "box", Packet: 7, Hash: 99, Again: true}
	if s.again(again) {
		t.Error("a message that was never kept counts as kept")
	}
	s.receipt(first)
	if !s.again(again) {
		t.Error("a message sent again is not known")
	}
	if s.again(first) {
		t.Error("without the broker's word that it is sent again, an equal message is a new one")
	}
	other := again
	other.Hash = 100
	if s.again(other) {
		t.Error("another message under a used packet id counts as the old one")
	}
	s.receipt(sensors.Receipt{Client: "box", Packet: 7, Hash: 100})
	if s.again(again) {
		t.Error("a packet id that was used again still stands for its old message")
	}
}

// The memory has an end, and forgets the oldest first.
func TestMemoryIsBounded(t *testing.T) {
	s := newSeen([]sensors.Point{{Name: "a"}})
	for i := range 3 * seenLength {
		r := sensors.Reading{Point: "a", Seq: uint64(i), HasSeq: true}
		if s.before(&r, false, 0) {
			t.Fatalf("reading %d counts as come before", i)
		}
	}
	if len(s.ring) != seenLength || len(s.index) != seenLength {
		t.Errorf("%d keys in the ring and %d in the index, want %d", len(s.ring), len(s.index), seenLength)
	}
	newest := sensors.Reading{Point: "a", Seq: 3*seenLength - 1, HasSeq: true}
	if !s.before(&newest, false, 0) {
		t.Error("the newest is forgotten")
	}
}

// A publisher that sends its last reading again over a restart of the box: the
// journal gave the value back rounded to its count.
func TestWhatCameBeforeARestart(t *testing.T) {
	dir, points := t.TempDir(), []sensors.Point{{Name: "a", Quantity: sensors.Temperature}}
	j, err := journal.Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if err := j.Points(points); err != nil {
		t.Fatal(err)
	}
	r := sensors.Reading{Point: "a", Own: 1772344800000, Value: 21.123456}
	kept := r
	if err := j.Append([]rules.Entry{{At: rules.Instant{Boot: 1}, Body: &rules.Measured{Reading: kept}}}, nil); err != nil {
		t.Fatal(err)
	}
	s, err := remember(t.Context(), j, points)
	if err != nil {
		t.Fatal(err)
	}
	if !s.before(&r, false, time.Second) {
		t.Error("the same reading, sent again after a restart of the box, counts as new")
	}
}
