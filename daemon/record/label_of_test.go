package record

import (
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

// charged is the record of the field guide's worked example 1.
func charged() Record {
	at := time.Date(2026, 3, 2, 5, 40, 0, 0, time.UTC)
	return Record{
		Made: at.Add(time.Hour), Site: "Quayside Library", SiteKnown: true,
		System:  System{Refrigerant: "R-410A", Outdoor: []string{"ou1", "ou2"}, GWP: 2088, GWPSource: "IPCC AR4"},
		Job:     Job{Number: 1, Of: 1, Name: rules.FirstJob},
		Charge:  Charge{FactoryKg: 19.6, CalculatedKg: 14.977, TargetKg: 14.977, AdditionalKg: 14.977, LowKg: 14.975, HighKg: 14.979, TotalKg: 34.577, Weighed: true, Result: rules.Passed},
		TakeOff: TakeOff{ByDiameter: []Length{{"liquid", 6.35e-3, 62}, {"liquid", 9.52e-3, 38.5}, {"suction", 12.7e-3, 62}, {"hot-gas", 12.7e-3, 10}}},
		Steps: []Step{
			{Step: "pressure-test", Verdicts: []Verdict{{At: at.Add(-48 * time.Hour), Result: rules.Passed, Figures: Figures{{Key: "start_pa", Number: 3792e3}, {Key: "elapsed_s", Number: 86400}}}}},
			{Step: "vacuum-hold", Verdicts: []Verdict{{At: at.Add(-4 * time.Hour), Result: rules.Passed, Figures: Figures{{Key: "end_pa", Number: 53.3288}, {Key: "limit_pa", Number: 66.661}, {Key: "elapsed_s", Number: 3600}}}}},
			{Step: "weigh-in", Verdicts: []Verdict{{At: at, Result: rules.Passed}}},
		},
		Signatures: []Signed{{Role: "technician", Name: "Ana Quay", At: at}},
	}
}

// 34.577 kg at a GWP of 2088 are 72.2 t of CO2 (the EU's rule: mass in t times
// GWP); 400 and 500 micron are 53.3288 and 66.661 Pa, 3792 kPa are 550 psi.
func TestLabelOfARecord(t *testing.T) {
	l := labelOf(charged(), "0123 4567")
	for _, want := range []string{
		"Factory: 19.60 kg (43 lb 3 oz)\n", "Added: 14.98 kg (33 lb 0 oz)\n  weighed\n", "TOTAL: 34.58 kg (76 lb 4 oz)\n", "GWP 2088 (IPCC AR4): 72.2 t CO2e\n",
		"12.7 mm 1/2 in       72 m", "3792 kPa (550.0 psi)", "53.3 Pa (400 micron) for 1 h", "500", "Charged on: 2026-03-02", "Signed: Ana Quay, technician",
	} {
		if got := l.text(); !strings.Contains(got, want) {
			t.Errorf("the label lacks %q:\n%s", want, got)
		}
	}
	if got := l.Pressure.Text; got != "3792 kPa (550.0 psi) for 24 h: passed, 2026-02-28" {
		t.Errorf("pressure test: %s", got)
	}
	if len(l.Notes) > 0 {
		t.Errorf("notes on a charge that is in order: %q", l.Notes)
	}
}

// A figure that is not settled is none on the label, and what stands says what it is worth.
func TestLabelSaysWhatItsFiguresAreWorth(t *testing.T) {
	cases := map[string]struct {
		change func(*Record)
		known  bool
		total  bool
		want   string
	}{
		"part of it unseen": {func(r *Record) {
			r.Charge.LowKg, r.Charge.HighKg, r.Charge.UnweighedKg = 13.4, 15.2, 1.2
			r.Steps[2].Verdicts[0].Result, r.Steps[2].Verdicts[0].Text = rules.NotProven, "Weigh-in not proven: 1.20 kg unseen."
			r.Steps[2].Accepted = []Said{{By: "Ines Cais", Text: "weighed again by hand"}}
		}, true, true, "1.20 kg of it seen by no scale: estimated; Weigh-in not proven: 1.20 kg unseen.; Accepted by Ines Cais: weighed again by hand"},
		"under way": {func(r *Record) {
			r.Steps[2].Verdicts, r.Steps[2].Open = nil, true
		}, false, false, "The weigh-in is not ended: 14.98 kg so far; Take-off: 14.98 kg to be added"},
		"drawn in only": {func(r *Record) {
			r.Steps = r.Steps[:2]
		}, false, false, "Drawn in by weight so far: 14.98 kg; the weigh-in is not done; Take-off: 14.98 kg to be added"},
		"reported": {func(r *Record) {
			r.Steps, r.Charge = nil, Charge{FactoryKg: 19.6}
			r.Reported = []Said{{Step: "weigh-in", By: "Rui Cais", Text: "14.98 kg, his sheet 7"}}
		}, false, false, "reported, not measured by this box: Rui Cais: 14.98 kg, his sheet 7"},
		"no factory charge": {func(r *Record) { r.Charge.FactoryKg = 0 }, true, false, labelFactoryOpen + "; " + labelWeighed},
		"no scale heard": {func(r *Record) {
			r.Charge = Charge{FactoryKg: 19.6, CalculatedKg: 14.977}
			r.Steps[2].Verdicts[0] = Verdict{Result: rules.NotProven, Text: "Weigh-in not proven: no scale was heard."}
		}, false, false, "Weigh-in not proven: no scale was heard.; Take-off: 14.98 kg to be added"},
		"nothing": {func(r *Record) { *r = Record{Site: "Quayside Library"} }, false, false, ""},
	}
	for name, c := range cases {
		r := charged()
		c.change(&r)
		l := labelOf(r, "")
		said := l.Notes
		if l.Added.How != "" {
			said = slices.Insert(slices.Clone(said), min(len(said), strings.Count(c.want, labelFactoryOpen)), l.Added.How)
		}
		if got := strings.Join(said, "; "); got != c.want || l.Added.Known != c.known || l.Total.Known != c.total {
			t.Errorf("%s: added known %v, total known %v, said %q, want %v, %v, %q", name, l.Added.Known, l.Total.Known, got, c.known, c.total, c.want)
		}
		if l.Charged.IsZero() == c.known {
			t.Errorf("%s: charged on %v", name, l.Charged)
		}
	}
}

// What no scale saw and the weights before and after leave no doubt of is weighed.
func TestBridgedSilenceIsWeighed(t *testing.T) {
	g := reading{rec: Record{Steps: []Step{{Step: "draw-in", Ledger: []Segment{
		{Scale: "scale", LowKg: 2, BestKg: 2, HighKg: 2},
		{Scale: "scale", LowKg: 0.75, BestKg: 0.75, HighKg: 0.75, Unseen: true},
		{Scale: "scale", LowKg: 0, BestKg: 0.25, HighKg: 0.5, Unseen: true},
	}}}}}
	g.charge()
	if got := g.rec.Charge; got.AdditionalKg != 3 || got.UnweighedKg != 0.25 {
		t.Errorf("%g kg went in, of them %g kg seen by no scale; want 3 and 0.25", got.AdditionalKg, got.UnweighedKg)
	}
}
