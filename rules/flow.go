package rules

import (
	"slices"
	"time"

	"standwatch/sensors"
)

// flowWatch is what is watched of the flow and of the ledger itself.
type flowWatch struct {
	limit           Setting // how fast it may flow
	limited         bool
	tare, contents  float64 // of a cylinder; nought: not known
	doubtful, sure  lasting
	fast, slow      lasting
	stopped, flows  lasting
	low, full       lasting
	heavy           lasting
	flowed          bool // in this step and from this cylinder
	cylinder        int
	silent          time.Duration // the newest reading before
	doubtUp, fastUp bool
	stopUp, lowUp   bool
}

const (
	stoppedFor = 5 * time.Minute  // without flow: the draw-in has come to its end (the field guide)
	stillSpan  = 4 * time.Minute  // of readings: nearly all that are kept; our choice
	fastFor    = 20 * time.Second // too fast for as long; our choice, twice a bump
	slowFor    = time.Minute      // within the limit again for as long; our choice
	slowShare  = 0.9              // of the limit: hysteresis; our choice
	lowShare   = 0.08             // of a cylinder's contents: what is left is mostly vapour (the field guide)
	overFull   = 1.1              // of a full cylinder's weight: hose, valve and a base under it are less (our choice)
)

func watchFlow(s Step) flowWatch {
	w := flowWatch{cylinder: 1}
	w.limit, w.limited = limit(s, "rate")
	if tare, ok := limit(s, "tare"); ok {
		w.tare = tare.Value
	}
	if contents, ok := limit(s, "contents"); ok {
		w.contents = contents.Value
	}
	return w
}

// followFlow says what the flow and the ledger's band are worth a word.
func (j *chargeTarget) followFlow(now time.Duration, c charge) (out []Finding) {
	out = append(out, j.followDoubt(now, c)...)
	out = append(out, j.followRate(now, c)...)
	out = append(out, j.followStop(now, c)...)
	return append(out, j.followCylinder(now, c)...)
}

// followDoubt tells when it is no longer known what went in.
func (j *chargeTarget) followDoubt(now time.Duration, c charge) []Finding {
	w := &j.flow
	wide := c.widened()
	doubt := c.unit || max(wide.highKg-c.bestKg, c.bestKg-wide.lowKg) > c.tolerance()
	switch {
	case w.doubtful.by(now, doubt, sureFor) && !w.doubtUp:
		w.doubtUp = true
		f := j.flag("charge-uncertain", Tell, chargeUncertain(wide, j.ledger.doubtful(c)))
		f.Values = append(f.Values, Value{"charged_low_kg", wide.lowKg}, Value{"charged_high_kg", wide.highKg})
		return []Finding{f}
	case w.sure.by(now, !doubt, sureFor) && w.doubtUp:
		w.doubtUp = false
		return []Finding{{Edge: Cleared, Flag: "charge-uncertain", Text: chargeCertain(c)}}
	}
	return nil
}

// followRate tells when it flows faster than the job allows: liquid may reach
// the compressor. A draw-in is fast by nature and is judged only where the
// site gives a limit.
func (j *chargeTarget) followRate(now time.Duration, c charge) []Finding {
	w := &j.flow
	if !w.limited {
		return nil
	}
	rate, doubt := j.ledger.rate()
	urgency := Tell
	if w.limit.Given {
		urgency = Wake
	}
	switch {
	case w.fast.by(now, rate-2*doubt > w.limit.Value, fastFor) && !w.fastUp:
		w.fastUp = true
		f := j.flag("charging-too-fast", urgency, chargingFast(c, rate, w.limit, j.step.Name))
		f.Values = append(f.Values, Value{"limit_kg_per_s", w.limit.Value})
		return []Finding{f}
	case w.slow.by(now, rate < slowShare*w.limit.Value, slowFor) && w.fastUp:
		w.fastUp = false
		return []Finding{{Edge: Cleared, Flag: "charging-too-fast", Text: chargingSlower(c, rate, w.limit)}}
	}
	return nil
}

// followStop tells the end of a draw-in. In a weigh-in flow stops whenever the
// valve is shut by hand: that is no news.
func (j *chargeTarget) followStop(now time.Duration, c charge) []Finding {
	w := &j.flow
	if j.step.Name != "draw-in" {
		return nil
	}
	rate, doubt := j.ledger.rate()
	if cylinder := j.ledger.cylinder(); cylinder != w.cylinder || j.ledger.lifted() {
		w.cylinder, w.flowed, w.stopped.holds = cylinder, false, false
	}
	last, _ := j.ledger.heard()
	if last-w.silent > gapAtLeast && (last-w.silent).Seconds() > float64(lostReads*j.ledger.usual().Seconds()) { // what was not seen was not still
		w.stopped.holds = false
	}
	w.silent = last
	if rate > noFlow && rate > 4*doubt {
		w.flowed = true
	}
	// A few readings alone neither begin nor end a stillness: a flow that dies away
	// is slower than the noise of so few.
	flows := w.flows.by(now, rate-2*doubt > noFlow, fastFor)
	span := j.ledger.seenFor()
	if span < stillSpan {
		rate += doubt
	}
	still := w.flowed && (rate < noFlow || w.stopped.holds && !flows)
	began := still && !w.stopped.holds
	if w.stopped.by(now, still, stoppedFor); began { // a line's rate is that of its middle
		w.stopped.since -= span / 2
	}
	switch {
	case w.stopped.by(now, still, stoppedFor) && !w.stopUp:
		w.stopUp, j.ledger.stopped = true, true
		urgency := Tell
		if j.ledger.endSaid { // with the scale's silence: nobody is called twice for one matter
			urgency = Note
		}
		return []Finding{j.flag("flow-stopped", urgency, flowStopped(c))}
	case flows && now-w.flows.since >= slowFor:
		j.ledger.endSaid = false // it was not: the true end is told anew
		if w.stopUp {
			w.stopUp, j.ledger.stopped = false, false
			return []Finding{{Edge: Cleared, Flag: "flow-stopped", Text: flowsAgain(c, rate)}}
		}
	}
	return nil
}

// followCylinder tells when the cylinder is nearly empty, where its empty
// weight and its contents are known.
func (j *chargeTarget) followCylinder(now time.Duration, c charge) []Finding {
	w := &j.flow
	if !w.knowsCylinder() {
		return nil
	}
	net, most := 0.0, 0.0
	known := j.ledger.gross() && !j.ledger.lifted()
	if known {
		net, most = j.ledger.trueKg()
		net, most = net-w.tare, most-w.tare
		known = net > -lowShare*w.contents
	}
	if w.heavy.by(now, known && w.inPounds(net+w.tare), sureFor) {
		j.ledger.inPounds()
	}
	switch {
	case w.low.by(now, known && net < lowShare*w.contents && most < 2*lowShare*w.contents, bumpMost) && !w.lowUp:
		w.lowUp = true
		f := j.flag("cylinder-low", Tell, cylinderLow(c, net, w.contents))
		f.Values = append(f.Values, Value{"left_in_cylinder_kg", net})
		return []Finding{f}
	case w.full.by(now, known && net > 2*lowShare*w.contents, sureFor) && w.lowUp:
		w.lowUp = false
		return []Finding{{Edge: Cleared, Flag: "cylinder-low", Text: cylinderFull(c, net)}}
	}
	return nil
}

// inPounds reports whether so much is more than a full cylinder weighs, and what
// one weighs, were it pounds.
func (w *flowWatch) inPounds(kg float64) bool {
	most, pounds := float64(overFull*(w.tare+w.contents)), float64(kg*poundKg)
	return kg > most && pounds > w.tare/overFull && pounds < most
}

func (w *flowWatch) knowsCylinder() bool { return w.tare > 0 && w.contents > 0 }

// flowed reports whether anything has surely flowed in this step.
func (l *ledger) flowed() bool {
	return slices.ContainsFunc(l.platforms, func(p *platform) bool { return p.fastest > 0 })
}

// rate is what leaves the cylinders a second, and its standard error.
func (l *ledger) rate() (kgPerS, doubt float64) {
	for _, p := range l.platforms {
		if !p.lifted && p.fit.span >= levelLeast {
			kgPerS += p.fit.rate
			doubt += p.fit.rateSe
		}
	}
	return kgPerS, doubt
}

// seenFor is how much of the past rate rests on: the least, of several scales.
func (l *ledger) seenFor() (span time.Duration) {
	for i, p := range l.platforms {
		if i == 0 || p.fit.span < span {
			span = p.fit.span
		}
	}
	return span
}

// cylinder is how many cylinders stood on the scales.
func (l *ledger) cylinder() (n int) {
	for _, p := range l.platforms {
		n += p.cylinder
	}
	return n
}

// lifted reports whether a cylinder is off its scale.
func (l *ledger) lifted() bool {
	for _, p := range l.platforms {
		if p.lifted {
			return true
		}
	}
	return false
}

// gross reports whether it is known what stands on the scale.
func (l *ledger) gross() bool {
	return len(l.platforms) == 1 && len(l.platforms[0].good) > 0
}

// trueKg is the weight on the one scale, above the empty platform and without
// what was laid on the cylinder; and what it is at the most, where some of it left
// unseen.
func (l *ledger) trueKg() (best, most float64) {
	p := l.platforms[0]
	if p.zeroedRow > 0 {
		best = p.belowZeroed() - p.laidKg
		r := p.rows[p.zeroedRow-1]
		return best, best + r.BestKg - r.LowKg
	}
	best = p.levelKg() - p.zero - p.laidKg
	return best, best
}

// weighingLimits are the settings of a draw-in and a weigh-in.
func weighingLimits() (ls []Limit) {
	m, t := sensors.Masses, sensors.Times
	for _, step := range []string{"draw-in", "weigh-in"} {
		target := Limit{Step: step, Key: "target", Dimension: m, Source: siteFile, Doc: "the whole additional charge, counted from the first draw-in"}
		rate := Limit{Step: step, Key: "rate", Dimension: sensors.MassRates, Source: siteFile, Doc: "how fast it may flow"}
		if step == "draw-in" {
			target.Doc = "the whole additional charge; without it the weigh-in's target counts"
		} else {
			// The upper end of 0.1 to 0.5 kg/min of the field guide, from memory.
			rate.Default, rate.HasDef, rate.Source = 0.5/60, true, "from memory; the unit maker's figure comes first"
			rate.Doc = "how fast it may flow with the compressor running: liquid must not reach it"
		}
		ls = append(ls, target,
			Limit{Step: step, Key: "lead", Dimension: t, Default: 120, HasDef: true, Source: practice, Doc: "how long before the charge's predicted arrival somebody is told"},
			Limit{Step: step, Key: "near", Dimension: m, Default: 0.2, HasDef: true, Source: practice, Doc: "the mass left at which somebody is called whatever the rate"},
			Limit{Step: step, Key: "allowance", Dimension: m, Source: allowanceSource, Doc: "how far the charge may be from its target, and what went in unweighed from what is known"},
			rate,
			Limit{Step: step, Key: "tare", Dimension: m, Source: siteFile, Doc: "what an empty cylinder weighs; with its contents it tells when one is nearly empty"},
			Limit{Step: step, Key: "contents", Dimension: m, Source: siteFile, Doc: "what a full cylinder holds"})
	}
	return ls
}
