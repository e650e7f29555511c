package rules

import (
	"strings"
	"testing"
	"time"
)

// Who is told that the charge is uncertain is told which event did that, how
// long ago, how much it leaves in doubt, and what settles that event.
func TestDoubtNamesTheEventThatMadeIt(t *testing.T) {
	silent := &platform{zeroedRow: 2, rows: []Segment{
		{LowKg: 1, BestKg: 1, HighKg: 1, Ended: EndedSilence},
		{Since: 100 * time.Second, Until: 400 * time.Second, LowKg: 0, BestKg: 1, HighKg: 1.25, Ended: EndedHeard, Unseen: true},
		{LowKg: 1, BestKg: 1, HighKg: 1.5, Ended: EndedShift, FromKg: 30, ToKg: 29},
	}, start: weight{kg: 31}}
	for _, c := range []struct {
		ledger ledger
		se     float64
		want   []string
	}{
		{ledger: ledger{platforms: []*platform{silent}}, want: []string{"silent for 5 min: that", "1.25 kg in doubt", "put it back"}},
		{ledger: ledger{platforms: []*platform{{rows: silent.rows[2:], start: silent.start}}}, want: []string{"jumped from 29.00 kg to 31.00 kg", "0.50 kg in doubt", "Look at what lies on the scale"}},
		{ledger: ledger{platforms: []*platform{{rows: []Segment{{LowKg: -0.2, FromKg: 21.4, ToKg: 21.1, Ended: EndedShift}}, start: silent.start}}}, want: []string{"from 21.40 kg to 21.10 kg between two readings", "0.20 kg in doubt", "Look at what lies on the scale"}},
		{ledger: ledger{before: charge{highKg: 0.4}}, want: []string{"the step before", "0.40 kg in doubt"}},
		{ledger: ledger{platforms: []*platform{{betweenHi: 0.3}}}, want: []string{"between the step before and this one", "0.30 kg in doubt"}},
		{ledger: ledger{platforms: []*platform{{betweenHi: 0.3, hand: leeway{moreKg: 0.3}}}}, want: []string{"a hand on it", "0.30 kg in doubt", "Weigh the cylinder, and compare"}},
		{se: 0.05, want: []string{"scatter", "0.20 kg in doubt", "wind"}},
		{ledger: ledger{platforms: []*platform{{rows: []Segment{{Until: 450 * time.Second, HighKg: 0.2, Ended: EndedSwap}}}}}, want: []string{"changed, and it may have flowed until then", "0.20 kg in doubt", "Mark the change of cylinder"}},
	} {
		said := chargeUncertain(charge{bestKg: 2}, c.ledger.doubtful(charge{seKg: c.se}))
		for _, want := range c.want {
			if !strings.Contains(said, want) {
				t.Errorf("%q lacks %q", said, want)
			}
		}
	}
}

// Without what an empty cylinder weighs nobody is told that one is nearly
// empty: who is about to charge is told that, and what to enter.
func TestWhoGivesNoTareIsToldSo(t *testing.T) {
	for given, want := range map[bool]bool{false: true, true: false} {
		site, all := weighInNight{every: time.Second}.entries()
		if given {
			site.Systems[0].Steps["weigh-in"]["tare"] = Setting{Value: 6, Given: true}
			site.Systems[0].Steps["weigh-in"]["contents"] = Setting{Value: 24, Given: true}
		}
		e := NewEngine(site, []Rule{ChargeTarget})
		said := func() bool {
			return strings.Contains(e.running[0].seats[0].judge.(*chargeTarget).Outlook(e.now).Sentence, cylinderUnknown)
		}
		for _, entry := range all[:40] {
			e.Next(entry)
		}
		if said() != want {
			t.Errorf("tare and contents given %v: told %v", given, said())
		}
		for _, entry := range all[40:600] {
			e.Next(entry)
		}
		if said() {
			t.Error("told still while it flows")
		}
	}
}
