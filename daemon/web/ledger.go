package web

import (
	"cmp"
	"context"
	"slices"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// The ledger of a charge: what the pages show of what went in by weight.

// ledgerView is the table under a charge's curve.
type ledgerView struct {
	Rows   []segmentRow
	Best   string // of all of them
	Other  string
	Band   string
	Unseen string   // what of it no scale saw flow
	Target []titled // target, remaining, arrival
}

type segmentRow struct {
	Title  string // the cylinder
	When   string
	Ended  string
	FromTo string // on the scale
	In     string // best estimate of what went in
	Other  string // in the other world's unit
	Band   string // where it is not as good as the best estimate
	Unseen string // how it is known what flowed while no scale watched; empty: one did
}

// bandShown is the doubt, to either side, from which it is written out: half
// of what a charging scale shows.
const bandShown = 0.005

func (s *screens) ledger(snap Snapshot, c choice, st Step) *ledgerView {
	if len(st.Ledger) == 0 {
		return nil
	}
	unit := ""
	if p, ok := snap.point(st.Outlook.Point); ok {
		unit = p.Unit
	}
	say := func(kg float64) (main, other string) { return c.both(sensors.Mass, unit, kg) }
	scale, _ := c.scales(sensors.Mass, unit)
	between := func(from, to float64) string { // the unit once, where it stands at the end
		if scale == rules.Pound {
			return s.words.say("ledger.between", scale.Text(from), scale.Text(to))
		}
		return s.words.say("ledger.between", scale.Number(from), scale.Text(to))
	}
	band := func(low, best, high float64) string {
		if best-low < bandShown && high-best < bandShown || scale.Text(low) == scale.Text(high) {
			return ""
		}
		return between(low, high)
	}
	scales := map[string]bool{}
	for _, x := range st.Ledger {
		scales[x.Scale] = true
	}
	delete(scales, "")
	l := &ledgerView{}
	var low, best, high float64
	var unseen rules.Segment // of it
	for _, x := range st.Ledger {
		low, best, high = low+x.LowKg, best+x.BestKg, high+x.HighKg
		if x.Unseen && !rules.Bridged(x.LowKg, x.HighKg) {
			unseen.LowKg, unseen.BestKg, unseen.HighKg = unseen.LowKg+x.LowKg, unseen.BestKg+x.BestKg, unseen.HighKg+x.HighKg
		}
		r := segmentRow{Band: band(x.LowKg, x.BestKg, x.HighKg)}
		switch {
		case x.Unseen && rules.Bridged(x.LowKg, x.HighKg):
			r.Unseen = s.words.say("ledger.bridged")
		case x.Unseen:
			r.Unseen = s.words.say("ledger.unseen")
		}
		r.In, r.Other = say(x.BestKg)
		if x.Scale == "" {
			r.Title = s.words.say("ledger.step")
			l.Rows = append(l.Rows, r)
			continue
		}
		r.Title = s.words.say("ledger.cylinder", x.Cylinder)
		if len(scales) > 1 {
			r.Title = s.words.say("ledger.of", r.Title, x.Scale)
		}
		r.FromTo = between(x.FromKg, x.ToKg)
		r.When = s.words.say("ledger.between", s.words.clock(x.Begun, snap.Wall, snap.zone()), s.words.clock(x.Ended, x.Begun, snap.zone()))
		r.Ended = s.words.name("ended", x.Segment.Ended)
		if x.Segment.Ended == "" && !st.Ended.IsZero() {
			r.Ended = s.words.say("ended.step")
		}
		l.Rows = append(l.Rows, r)
	}
	l.Best, l.Other = say(best)
	l.Band = band(low, best, high)
	if scale.Text(unseen.HighKg) != scale.Text(0) {
		l.Unseen = s.words.say("ledger.of-it", scale.Text(unseen.BestKg))
		if b := band(unseen.LowKg, unseen.BestKg, unseen.HighKg); b != "" {
			l.Unseen = s.words.say("ledger.of-it-band", scale.Text(unseen.BestKg), b)
		}
	}
	if kg, ok := judged(st); ok && scale.Text(kg) != scale.Text(best) {
		l.Target = append(l.Target, titled{s.words.say("ledger.judged"), pair(say(kg)), s.words.say("ledger.judged-why")})
		low, best, high = low+kg-best, kg, high+kg-best
	}
	target := chargeTarget(st)
	if target == nil {
		return l
	}
	l.Target = append(l.Target, titled{s.words.say("ledger.target"), pair(say(target.Value)), s.words.say("step.source", target.Source)})
	if left := target.Value - best; left >= 0 {
		l.Target = append(l.Target, titled{s.words.say("ledger.remaining"), pair(say(left)), band(target.Value-high, left, target.Value-low)})
	} else {
		l.Target = append(l.Target, titled{s.words.say("ledger.over"), pair(say(-left)), ""})
	}
	if left := st.Outlook.Left; left > 0 && st.Ended.IsZero() {
		l.Target = append(l.Target, titled{s.words.say("ledger.arrival"), s.words.say("behind.arrives",
			s.words.aboutSpan(left), s.words.clock(snap.Wall.Add(left), snap.Wall, snap.zone())), ""})
	}
	return l
}

// judged is the charge by its verdict, for which all weights were gone through
// once more at the end.
func judged(st Step) (kg float64, ok bool) {
	for _, f := range st.Verdicts {
		for _, v := range f.Values {
			if v.Key == "charged_kg" || v.Key == "drawn_kg" {
				kg, ok = v.Number, true
			}
		}
	}
	return kg, ok && !st.Ended.IsZero()
}

// chargeTarget is what a charge is aimed at; nil where nobody said.
func chargeTarget(st Step) *rules.Setting {
	if t, ok := st.Limits["target"]; ok && t.Value > 0 {
		return &t
	}
	return nil
}

// charged are the scales' samples as charged mass: within a weighed stretch of
// the ledger what stood before it, and what has left the cylinder since.
func (s *screens) charged(ctx context.Context, st Step, from, to int64, most int) (all []journal.Sample, err error) {
	var scales []string
	for _, x := range st.Ledger {
		if x.Scale != "" && !slices.Contains(scales, x.Scale) {
			scales = append(scales, x.Scale)
		}
	}
	for _, scale := range scales {
		samples, err := s.box.Curve(ctx, scale, from, to, most)
		if err != nil {
			return nil, err
		}
		before, k := 0.0, 0 // what the stretches before the k-th brought
		for _, x := range samples {
			for k < len(st.Ledger) && (st.Ledger[k].Scale != scale || x.WallMs > st.Ledger[k].Ended.UnixMilli() && k+1 < len(st.Ledger)) {
				before += st.Ledger[k].BestKg
				k++
			}
			if k == len(st.Ledger) {
				break
			}
			if seg := st.Ledger[k]; !seg.Unseen && x.WallMs >= seg.Begun.UnixMilli() {
				base := before + seg.FromKg
				x.Value, x.Low, x.High = base-x.Value, base-x.High, base-x.Low
				all = append(all, x)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b journal.Sample) int { return cmp.Compare(a.WallMs, b.WallMs) })
	return all, nil
}

// carriedPlaces is how many places of a stretch that a scale saw are drawn.
const carriedPlaces = 40

// carried is the charge with its bounds: along the samples where a scale saw
// it flow, straight where none did, and on to where the target is expected to
// be reached.
func carried(st Step, samples []journal.Sample) (ts []TrendPoint) {
	var low, best, high float64
	add := func(at, low, best, high float64) { ts = append(ts, TrendPoint{int64(at), low, best, high}) }
	for _, x := range st.Ledger {
		from, to := float64(x.Begun.UnixMilli()), float64(x.Ended.UnixMilli())
		if x.Scale != "" {
			add(from, low, best, high)
		}
		if x.Scale != "" && !x.Unseen {
			var seen []journal.Sample
			for _, p := range samples {
				if ms := float64(p.WallMs); ms > from && ms < to {
					seen = append(seen, p)
				}
			}
			for k := 1; k < carriedPlaces && len(seen) > carriedPlaces; k++ {
				at := k * len(seen) / carriedPlaces
				share := (float64(seen[at].WallMs) - from) / max(to-from, 1)
				v := middle(seen[max(0, at-2):min(len(seen), at+3)])
				add(float64(seen[at].WallMs), v-(best-low)-share*(x.BestKg-x.LowKg), v, v+(high-best)+share*(x.HighKg-x.BestKg))
			}
		}
		low, best, high = low+x.LowKg, best+x.BestKg, high+x.HighKg
		if x.Scale != "" {
			add(to, low, best, high)
		}
	}
	if st.Ended.IsZero() {
		ts = append(ts, st.Trend...)
	}
	return ts
}

// middle is the median of a few samples: a bump is not flow.
func middle(samples []journal.Sample) float64 {
	v := make([]float64, len(samples))
	for i, s := range samples {
		v[i] = s.Value
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// newestFirst are the steps under way and past, the one begun last first.
func (s Snapshot) newestFirst() []Step {
	return slices.SortedStableFunc(slices.Values(slices.Concat(s.Running, s.Past)), func(a, b Step) int { return b.Begun.Compare(a.Begun) })
}

// chargeSteps are the steps with a ledger.
var chargeSteps = []string{"draw-in", "weigh-in"}

// ledgerPage is what went in by weight, of each system, the newest step first.
type ledgerPage struct {
	Lead    *stepView // whose curve is shown
	Systems []chargeSystem
}

type chargeSystem struct {
	System  string
	Charges []charge
	Begin   string // where to begin one
	Target  string // what the site says, while nothing has been weighed
	TakeOff string
}

// charge is one step of a charge: how it stands, and its stretches.
type charge struct {
	stepRow
	Verdicts []verdictView
	Ledger   *ledgerView
}

func (s *screens) ledgerPage(ctx context.Context, snap Snapshot, v view, svg bool) ledgerPage {
	var p ledgerPage
	for _, sys := range snap.Site.Systems {
		c := chargeSystem{System: sys.Name, Begin: stepURL(sys.Name, "draw-in"), TakeOff: takeoffURL(sys.Name)}
		for _, st := range snap.newestFirst() {
			if st.System != sys.Name || !slices.Contains(chargeSteps, st.Name) || !snap.ofNewest(st) {
				continue
			}
			full, _ := snap.begun(st.System, st.Name, st.Begin)
			c.Charges = append(c.Charges, charge{stepRow: s.rowOf(snap, st),
				Verdicts: s.verdicts(snap, v.Units, full), Ledger: s.ledger(snap, v.Units, full)})
			if p.Lead == nil && full.Outlook.Point != "" {
				sv := s.stepView(snap, v.Units, full)
				s.addCurve(ctx, snap, v.Units, full, &sv, svg)
				p.Lead = &sv
			}
		}
		if set, ok := snap.Site.Settings(sys.Name, "weigh-in")["target"]; ok && set.Value > 0 {
			for _, row := range s.limitRows(snap, v.Units, "", "weigh-in", map[string]rules.Setting{"target": set}) {
				c.Target = row.Text
			}
		}
		p.Systems = append(p.Systems, c)
	}
	return p
}
