package rules

import (
	"strings"
	"testing"
	"time"
)

// boxSaid is what of a flag was said, in order: its edge and urgency, with its subject.
func boxSaid(fs []Finding, flag string) (said []string) {
	for _, f := range fs {
		if f.Flag == flag {
			said = append(said, strings.TrimSpace(f.Edge.String()+" "+f.Urgency.String()+" "+f.Subject))
		}
	}
	return said
}

// booted is a feed that counts the boots.
type booted struct {
	feed
	boot uint32
}

func (e *booted) at(sec float64, b Body) []Finding {
	if _, ok := b.(*Started); ok {
		e.boot++
	}
	return e.next(e.boot, sec, b)
}

func TestClockUnproven(t *testing.T) {
	const wall = int64(1_790_000_000_000) // Unix ms at the machine's boot
	anchor := func(sec float64, off time.Duration, proven bool) *Clocked {
		return &Clocked{Wall: wall + int64(sec*1000) + off.Milliseconds(), Proven: proven, Source: "system"}
	}
	hold := &Told{Kind: "begin", Name: "vacuum-hold"}
	want := func(what string, fs []Finding, said ...string) {
		t.Helper()
		if got := boxSaid(fs, "clock-unproven"); strings.Join(got, "|") != strings.Join(said, "|") {
			t.Errorf("%s: %q, want %q", what, got, said)
		}
	}
	e := &booted{feed: feed{Engine: NewEngine(Site{}, All())}}
	e.at(20, &Started{})
	want("no step is under way", e.at(20, anchor(20, 0, false)))
	want("a hold begins while the clock may still come right", e.at(60, hold))
	want("two minutes have passed", e.at(150, anchor(150, 0, false)), "raised note")
	want("the time server says it was 3 h behind", e.at(200, anchor(200, 3*time.Hour, true)), "cleared note", "raised note set")
	want("an hour's anchor", e.at(900, anchor(900, 3*time.Hour+time.Millisecond, true)))
	want("no news after a quarter of an hour", e.at(1200, anchor(1200, 3*time.Hour, true)), "cleared note set")
	want("somebody sets it back", e.at(2000, anchor(2000, time.Hour, true)), "raised tell set")
	want("no longer synchronised is no news", e.at(2100, anchor(2100, time.Hour, false)))

	e.at(30, &Started{Machine: "next"})
	want("the next boot is unproven again, and the hold goes on", e.at(30, anchor(30, time.Hour, false)))
	want("two minutes after that start", e.at(300, anchor(300, time.Hour, false)), "raised note")
	want("the quarter of an hour counts from there", e.at(1000, anchor(1000, time.Hour, false)), "cleared tell set")
	want("the hold ends", e.at(1100, &Told{Kind: "end", Name: "vacuum-hold"}), "cleared note")
}

func TestBoxRestarted(t *testing.T) {
	e := &booted{feed: feed{Engine: NewEngine(Site{Systems: []System{{Name: "south"}, {Name: "north"}}}, All())}}
	start := func(b *Started) []Finding {
		e.at(100, b)
		return e.at(100, &Clocked{Wall: 1_790_000_000_000, Proven: true})
	}
	if fs := start(&Started{}); len(fs) > 0 {
		t.Errorf("the box's first start is told as a return: %v", fs)
	}
	e.at(200, &Told{Kind: "begin", Name: "weigh-in", System: "north"})
	fs := start(&Started{Same: true, GapKnown: true, Gap: 3 * time.Minute})
	if got := boxSaid(fs, "box-restarted"); len(got) != 1 || got[0] != "raised tell" {
		t.Fatalf("a restart while a step is under way is told once, not once a system: %q", got)
	}
	for _, f := range fs {
		if f.Flag == "box-restarted" && (!strings.Contains(f.Text, "Weigh-in of north") || f.System != "") {
			t.Errorf("it names the step and its system, and is of the box itself: %+v", f)
		}
	}
	if fs := start(&Started{}); len(boxSaid(fs, "power-returned")) != 1 || len(boxSaid(fs, "box-restarted")) != 1 {
		t.Errorf("power that returns takes the place of the restart: %v", fs)
	}
	e.at(300, &Told{Kind: "end", Name: "weigh-in", System: "north"})
	if got := boxSaid(e.at(100+16*60, &Clocked{Wall: 1_790_000_960_000, Proven: true}), "power-returned"); len(got) != 1 || got[0] != "cleared tell" {
		t.Errorf("a quarter of an hour later: %q", got)
	}
}
