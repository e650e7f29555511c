package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/sensors"
)

// ChargeTarget follows the charge towards its target.
var ChargeTarget = Rule{
	Name:  "charge-target",
	Doc:   "Weighs the charge in: tells before the target is reached, wakes somebody at it and past it, says when the ledger is in doubt, when a cylinder is nearly empty, when flow has stopped or is too fast, and gives the verdicts of draw-in and weigh-in.",
	Steps: []string{"draw-in", "weigh-in"},
	Flags: []string{"charge-near-target", "charge-over-target", "charge-uncertain", "cylinder-low", "flow-stopped", "charging-too-fast", "mark-doubtful"},
	Roles: []string{"charging-scale"},
	Begin: beginChargeTarget,
}

const (
	wakeLead   = time.Minute     // before the predicted arrival: close the valve (the field guide)
	sureFor    = 4 * time.Second // a condition must last, or the next reading may deny it
	clearAfter = 3 * time.Minute // a flag's condition must be gone for as long
	toleranceP = 0.01            // of the target, or
	toleranceK = 0.1             // kg, whichever is more (common practice)
	quietEnd   = 60 * time.Second

	overWithin = 12 * time.Second // what is asked of the word that the target is passed
	overSpare  = 2 * time.Second  // of it: what the moment of passing is in doubt; our choice
	likelyPast = 0.9              // the probability of being over by a digit at which somebody is called where nothing flows any more; our choice

	refuted    = 0.2             // the probability of being over by a digit at which a call was none,
	refutedFor = 2 * bumpMost    // where it stands so long
	refutable  = 5 * time.Minute // after the call: later nobody looks each time; all three our choice
)

type chargeTarget struct {
	ledger *ledger
	system string
	step   Step
	scale  string
	quiet  time.Duration // from when on the scale counts as silent
	target Setting
	aimed  bool
	lead   time.Duration
	nearKg float64
	flow   flowWatch

	allowanceKg float64 // that the site gave

	near, call, atHand lasting // told and woken by the rate; by the mass left
	far, under, past   lasting // what clears them; being over
	none               lasting // being not over by a digit, after somebody was called
	beyond             lasting // being over by more than is allowed
	nearUp             Urgency // told already; nought: nothing
	nearOpen           bool    // and not cleared since
	overUp             bool
	overAt             time.Duration // when somebody was called for it
	still              lasting       // nothing flows
	notOverKg          float64       // the charge that was found not to be over
	callBy             time.Duration // until then what may be a valve just shut is waited for
	beyondUp           bool
	opened             bool          // somebody said that the service valves are
	overAs             string        // the subject of the call that is up
	weighed            byHand        // that somebody was told of,
	handUp             bool          // and it is up
	unused             bool          // somebody was told that a weight settled nothing
	handedOver         bool          // a weigh-in has taken over from this draw-in
	most               float64       // kg/s: the fastest flow of the step
	mostAt             time.Duration // and when it was
}

// lasting is a condition and since when it has held.
type lasting struct {
	since time.Duration
	holds bool
}

// by reports whether the condition has held for as long.
func (l *lasting) by(now time.Duration, holds bool, long time.Duration) bool {
	if holds && !l.holds {
		l.since = now
	}
	l.holds = holds
	return holds && now-l.since >= long
}

func beginChargeTarget(s Start) Judge {
	j := &chargeTarget{ledger: s.weigher.of(s), system: s.System, step: s.Step}
	j.target, j.aimed = limit(s.Step, "target")
	lead, _ := limit(s.Step, "lead")
	near, _ := limit(s.Step, "near")
	j.lead, j.nearKg = asTime(lead.Value), near.Value
	j.flow = watchFlow(s.Step)
	if given, ok := limit(s.Step, "allowance"); ok {
		j.allowanceKg = given.Value
	}
	if len(s.Points) > 0 {
		j.scale = s.Points[0].Name
		j.quiet = (&silence{point: s.Points[0]}).limit()
	}
	return j
}

func (j *chargeTarget) Next(e Entry) []Finding {
	j.ledger.Next(e)
	switch b := e.Body.(type) {
	case *Measured:
		if !j.handedOver && b.Health.Usable() {
			if j.unused {
				return append(j.unusedWeight(0), j.follow(j.ledger.clock.newest)...)
			}
			return j.follow(j.ledger.clock.newest)
		}
	case *Told:
		switch {
		case b.Kind == "mark" && b.Name == "valves-opened" && b.System == j.system:
			j.opened = true
		case b.Kind == "mark" && b.Name == "cylinder-weight" && !j.handedOver:
			return append(j.byHand(), j.unusedWeight(b.Value)...)
		case j.handedOver:
		case goesOn(j.step.Name, b):
			j.handedOver = true
			return append([]Finding{j.verdict()}, j.letGo()...)
		case b.Kind == "end" && b.Name == j.step.Name:
			return []Finding{j.verdict()}
		}
	}
	return nil
}

// byHand says where a person's weight and the scale's are two, and where they no longer are.
func (j *chargeTarget) byHand() (out []Finding) {
	for _, p := range j.ledger.platforms {
		h := p.byHand
		switch doubt := h.times(p.cylinder) != 1; {
		case doubt && j.weighed != h:
			f := j.flag("mark-doubtful", Tell, weighedOtherwise(j.charge(), h))
			f.Subject, f.Points = handWeighed, []string{p.point}
			if out, j.weighed = append(out, f), h; j.handUp {
				out = append([]Finding{{Edge: Cleared, Flag: f.Flag, Subject: f.Subject, Text: markStands("cylinder-weight")}}, out...)
			}
			j.handUp = true
		case !doubt && j.handUp:
			j.handUp = false
			out = append(out, Finding{Edge: Cleared, Flag: "mark-doubtful", Subject: handWeighed, Text: weighedAlike(j.charge(), h)})
		}
	}
	return out
}

const handWeighed = "cylinder-weight"

// unusedWeight says where a weight that was asked for after a lost zero does not fit what was
// weighed before and so settles nothing, and where that is settled by then. kg is what was told now.
func (j *chargeTarget) unusedWeight(kg float64) []Finding {
	var open *platform
	for _, p := range j.ledger.platforms {
		if p.zeroedRow > 0 && p.byHand.cylinder == p.cylinder && p.byHand.kg > 0 {
			open = p
		}
	}
	switch {
	case open == nil && j.unused:
		j.unused = false
		return []Finding{{Edge: Cleared, Flag: "mark-doubtful", Subject: weightUnused, Text: unusedSettled()}}
	case open != nil && !j.unused && open.byHand.kg == kg:
		j.unused = true
		f := j.flag("mark-doubtful", Tell, weighedInVain(j.charge(), kg, open.zeroedGross))
		f.Subject, f.Points = weightUnused, []string{open.point}
		return []Finding{f}
	}
	return nil
}

const weightUnused = "cylinder-weight unused"

// goesOn reports whether a mark begins the weigh-in that goes on from this
// draw-in, also where nobody has ended that.
func goesOn(step string, b *Told) bool {
	return step == "draw-in" && b.Kind == "begin" && b.Name == "weigh-in"
}

// letGo clears what is up: the weigh-in's judge speaks from now on.
func (j *chargeTarget) letGo() (out []Finding) {
	for _, flag := range ChargeTarget.Flags {
		out = append(out, Finding{Edge: Cleared, Flag: flag, Text: chargeHandedOver()})
	}
	return append(out, Finding{Edge: Cleared, Flag: "charge-over-target", Subject: beyondAllowance, Text: chargeHandedOver()})
}

func (j *chargeTarget) charge() charge {
	c := j.ledger.charge(j.target, j.aimed)
	c.allowanceKg, c.opened = j.allowanceKg, j.opened
	return c
}

// arrival is when the target will be reached at the present rate; ok is false
// while nothing flows.
func (j *chargeTarget) arrival(c charge) (left time.Duration, ok bool) {
	rate := j.ledger.flow()
	if rate <= 0 {
		return 0, false
	}
	return asTime(min(c.remainingKg()/rate, 1e6)), true
}

func (j *chargeTarget) follow(now time.Duration) (out []Finding) {
	if _, ok := j.ledger.heard(); !ok {
		return nil
	}
	c := j.charge()
	if rate := j.ledger.flow(); rate > j.most {
		j.most, j.mostAt = rate, now
	}
	if j.aimed {
		out = append(j.followOver(now, c), j.followNear(now, c)...)
	}
	return append(out, j.followFlow(now, c)...)
}

// isOver reports whether the charge is above its target by more than one
// display digit: likely by so much, and all but surely above the target itself.
// A bump is over before it is believed, unless the flow before it was going to
// arrive by now. And a valve that is shut at the target shows only by the
// readings after it, which are waited for where they come in time.
func (j *chargeTarget) isOver(now time.Duration, c charge) bool {
	rate, digit := j.ledger.flow(), j.ledger.digit()
	over, surely, from := false, false, c.targetKg
	if j.overAt > 0 { // after a call that was taken back it is not looked at each time while it stands where it stood
		from += digit
	}
	if j.still.by(now, rate <= 0, time.Minute) { // nor while it stands and was found not to be over
		from = max(from, j.notOverKg+float64(digit/2))
	}
	if c.bestKg > from {
		at := j.ledger.past([2]float64{c.targetKg, c.targetKg + digit})
		likely := likelyPast
		if rate > 0 { // there will be more
			likely = 0.5
		}
		over = at[0] >= surelyPast && at[1] >= likely
		surely = at[1] >= surelyPast
		if !over {
			j.notOverKg = c.bestKg
		}
	}
	held := j.past.by(now, over, bumpMost)
	if over && j.past.since == now {
		j.callBy = now + timely(rate, digit, -c.remainingKg())
	}
	if !over || held || !surely && now+j.ledger.usual() <= j.callBy {
		return held
	}
	kg, ok := j.ledger.foretold()
	return ok && kg > c.targetKg
}

// timely is how long there is left until somebody must have been called who is
// to hear of it within 12 s after the target was passed by a digit, or within the
// time in which a digit flows: by a charge that may be known no better than to
// half a digit.
func timely(rate, digit, overKg float64) time.Duration {
	if rate <= 0 {
		return overWithin - overSpare
	}
	whole, since := asTime(min(digit/rate, 60)), asTime(min(max(0, overKg-digit)/rate, 60))
	return max(overWithin, whole) - whole/2 - since - overSpare
}

// isRefuted reports whether a charge that was called over is, by the readings
// since, not over by a digit.
func (j *chargeTarget) isRefuted(now time.Duration, c charge) bool {
	most := c.targetKg + j.ledger.digit()
	none := now-j.overAt <= refutable && c.bestKg <= most && j.ledger.flow() == 0 && j.ledger.past([2]float64{most, most})[0] <= refuted
	return j.none.by(now, none, refutedFor)
}

// beyondAllowance is the subject of the flag that is raised when a charge has
// passed not its target alone but what is allowed above it.
const beyondAllowance = "allowance"

// isBeyond reports whether the charge is surely above its target by more than
// is allowed, so that some has to come out again.
func (j *chargeTarget) isBeyond(now time.Duration, c charge) bool {
	most := c.targetKg + c.tolerance()
	beyond := c.bestKg > most && j.ledger.past([2]float64{most, most})[0] >= surelyPast
	return j.beyond.by(now, beyond, bumpMost)
}

// followOver calls somebody when the target is passed, and again when the
// allowance is: who was told that it is still within has acknowledged that, and not this.
// One of the two calls stands at a time.
func (j *chargeTarget) followOver(now time.Duration, c charge) (out []Finding) {
	said := chargeBack
	switch {
	case !j.overUp && j.isOver(now, c):
		j.overUp, j.overAt, j.overAs, j.beyondUp = true, now, "", -c.remainingKg() > c.tolerance()
		out = append(out, j.flag("charge-over-target", Wake, chargeOver(c)))
		if j.nearOpen {
			j.nearOpen = false
			out = append(out, Finding{Edge: Cleared, Flag: "charge-near-target", Text: chargePassed(c)})
		}
		return out
	case !j.overUp:
		return nil
	case j.isRefuted(now, c):
		said = chargeNotOver
		fallthrough
	case j.under.by(now, c.remainingKg() >= 0, clearAfter):
		j.overUp, j.past, j.none = false, lasting{}, lasting{}
		if c.remainingKg() > j.nearKg { // so much was recovered, or was none, that it comes near anew
			j.nearUp = 0
		}
		j.beyondUp, j.beyond = false, lasting{}
		return []Finding{{Edge: Cleared, Flag: "charge-over-target", Subject: j.overAs, Text: said(c)}}
	case !j.beyondUp && j.isBeyond(now, c):
		j.beyondUp, j.overAs = true, beyondAllowance
		f := j.flag("charge-over-target", Wake, chargeOver(c))
		f.Subject = beyondAllowance
		// The call before ends first: who reads flags by their names alone sees one, up and called anew.
		return []Finding{{Edge: Cleared, Flag: "charge-over-target", Text: chargeBeyond(c)}, f}
	}
	return nil
}

func (j *chargeTarget) followNear(now time.Duration, c charge) []Finding {
	left, flows := j.arrival(c)
	usual := j.ledger.usual()
	// What is asked is the lead or the mass itself, so what passes while it is made sure comes on top.
	atHand := j.atHand.by(now, c.remainingKg() >= 0 && // past it the other flag speaks
		c.remainingKg() <= j.nearKg+float64(j.ledger.flow()*max(sureFor, usual).Seconds()), sureFor)
	comes := func(lead time.Duration) bool { return flows && left >= 0 && left <= lead+max(bumpMost, usual) }
	near := j.near.by(now, comes(j.lead), bumpMost) || atHand
	call := j.call.by(now, comes(min(j.lead, wakeLead)), bumpMost) || atHand
	gone := j.far.by(now, c.remainingKg() > 2*j.nearKg && (!flows || left > 2*j.lead), clearAfter)
	switch {
	case j.overUp:
		return nil
	case call && j.nearUp < Wake:
		j.nearUp, j.nearOpen = Wake, true
		return []Finding{j.flag("charge-near-target", Wake, chargeNear(c, left, flows, Wake))}
	case near && j.nearUp < Tell:
		j.nearUp, j.nearOpen = Tell, true
		return []Finding{j.flag("charge-near-target", Tell, chargeNear(c, left, flows, Tell))}
	case gone && !call && !near && j.nearUp > 0:
		open := j.nearOpen
		if j.nearUp, j.nearOpen = 0, false; open {
			return []Finding{{Edge: Cleared, Flag: "charge-near-target", Text: chargeFar(c)}}
		}
	}
	return nil
}

func (j *chargeTarget) flag(name string, u Urgency, text string) Finding {
	c := j.charge()
	values := append(j.ledger.values(j.target, j.aimed), Value{"remaining_kg", c.remainingKg()})
	if left, flows := j.arrival(c); flows && left > 0 {
		values = append(values, Value{"rate_kg_per_s", j.ledger.flow()}, Value{"left_s", seconds(left)})
	}
	return Finding{Edge: Raised, Flag: name, Urgency: u, Points: []string{j.scale}, Text: text, Values: values}
}

// verdict is what the scale says at the end of the step.
func (j *chargeTarget) verdict() Finding {
	for _, p := range j.ledger.platforms {
		p.finish()
		if ss := p.own(); len(ss) > 0 {
			p.fit = p.noise.near(p.fit, ss, false)
		}
	}
	c := j.charge()
	last, heard := j.ledger.heard()
	quiet := j.ledger.clock.newest - last
	unheard := j.ledger.unheard(heard)
	for _, v := range unheard {
		c.highKg += v.Number
	}
	f := Finding{Edge: Given, Points: []string{j.scale}}
	key := "charged_kg"
	if j.step.Name == "draw-in" {
		key = "drawn_kg"
	}
	f.Values = []Value{{key, c.bestKg}}
	if j.aimed {
		f.Values = append(f.Values, Value{"target_kg", c.targetKg}, Value{"remaining_kg", c.remainingKg()})
	}
	wide := c.widened()
	f.Values = append(f.Values, Value{"charged_low_kg", wide.lowKg}, Value{"charged_high_kg", wide.highKg},
		Value{"unweighed_kg", c.unweighedKg}, Value{"elapsed_s", seconds(j.ledger.clock.newest - j.ledger.stepAt)})
	f.Values = append(f.Values, j.ledger.grosses()...)
	if heard { // else it has no weight to go on from
		f.Values = append(f.Values, unheard...)
	}
	if !heard {
		f.Result, f.Cause, f.Text = NotProven, "gap", scaleNeverHeard(j.step.Name)
		return f
	}
	most := quietEnd
	if j.ledger.sendsChanges() { // what it showed last stands for as long as the site lets it be silent
		most = max(most, j.quiet)
	}
	switch {
	case slices.ContainsFunc(j.ledger.platforms, (*platform).leftFlowing):
		f.Result, f.Cause, f.Text = NotProven, "gap", boxAwayAtEnd(j.step.Name, c)
		return f
	case quiet >= most:
		f.Result, f.Cause, f.Text = NotProven, "gap", scaleQuietAtEnd(j.step.Name, quiet, c)
		return f
	}
	f.Result, f.Cause = c.weighed(j.step.Name)
	c.lowKg, c.highKg = wide.lowKg, wide.highKg // the sentence gives the band that the values give
	f.Text = weighed(j.step.Name, f.Result, f.Cause, c, c.tolerance(), j.target.Source)
	if j.target.Doubt && j.step.Name == "weigh-in" && f.Result != NotProven {
		f.Result, f.Cause, f.Text = NotProven, "estimate", weighedToAnEstimate(c, j.target.Source)
	}
	return f
}

// tolerance is how far a charge may be from its target, and its band from its
// best estimate.
func (c charge) tolerance() float64 {
	if c.allowanceKg > 0 {
		return c.allowanceKg
	}
	return max(toleranceP*c.targetKg, toleranceK)
}

const allowanceSource = practice + ": 1 % of the target or 0.1 kg, whichever is more"

// ChargeTolerance is how far a charge may be from its target by the settings of
// its step; without a target there is none.
func ChargeTolerance(settings map[string]Setting) (Setting, bool) {
	target, ok := settings["target"]
	if given := settings["allowance"]; given.Value > 0 {
		return given, ok
	}
	return Setting{Value: charge{targetKg: target.Value}.tolerance(), Source: allowanceSource}, ok
}

// widened takes the scale's noise and its digit into the band, two standard errors,
// and what it may have crept by.
func (c charge) widened() charge {
	by := hypot(2*c.seKg, c.creepKg)
	c.lowKg = wholeMg(max(0, c.lowKg-by))
	c.highKg = wholeMg(c.highKg + by)
	return c
}

// weighed compares a charge with its target. A draw-in has no least: what
// remains is for the weigh-in. The scale's noise and digit count only where
// they alone are more than the tolerance: within it, what a scale shows is taken.
func (c charge) weighed(step string) (result, cause string) {
	tol := c.tolerance()
	if 2*c.seKg > tol {
		c = c.widened()
	}
	switch {
	case c.unit:
		return NotProven, "unit"
	case !c.aimed && step == "draw-in":
		return Passed, "none"
	case !c.aimed:
		return NotProven, "unknown"
	case c.lowKg > c.targetKg+tol:
		return NotPassed, "over"
	case step == "draw-in" && c.highKg <= c.targetKg+tol:
		return Passed, "none"
	case step != "draw-in" && c.highKg < c.targetKg-tol:
		return NotPassed, "short"
	case step != "draw-in" && c.lowKg >= c.targetKg-tol && c.highKg <= c.targetKg+tol:
		return Passed, "none"
	case c.unweighedKg > 0:
		return NotProven, "gap"
	}
	return NotProven, "unknown"
}

// Due is nothing: the scale's silence is scale-silent's matter.
func (j *chargeTarget) Due() (time.Duration, bool) { return 0, false }

// trend is the charge from now on to its target, at the present
// flow: its band is the ledger's, and widens by twice the flow's standard error.
//
// A draw-in slows down as the line's pressure meets the cylinder's: it is carried
// on as it has died away since it flowed fastest, at the most as fast as now, and
// at the least as if from now on it died away three times as quickly, or as
// quickly as it came to what it is (our choice).
func (j *chargeTarget) trend(c charge, now, from, left time.Duration) (ps []TrendPoint) {
	rate := j.ledger.flow()
	_, doubt := j.ledger.rate()
	best, least := math.Inf(1), math.Inf(1) // s, in which the flow dies away by e
	if j.step.Name == "draw-in" {
		flowed := max(seconds(now-j.mostAt), 60)
		if rate < j.most {
			best = flowed / math.Log(j.most/rate)
		}
		least = min(best/3, flowed)
		left = min(left, now-j.ledger.stepAt) // nobody looks further ahead than he has seen
	}
	flows := func(s, tau float64) float64 {
		if math.IsInf(tau, 1) {
			return float64(rate * s)
		}
		return float64(rate*tau) * -math.Expm1(-s/tau)
	}
	const steps = 8
	for i := range steps + 1 {
		s := left.Seconds() * float64(i) / steps
		low, more, high := flows(s, least), flows(s, best), float64(rate*s)
		wide := min(float64(2*doubt*s), low) // nothing flows back
		ps = append(ps, TrendPoint{from + asTime(s), Num(c.lowKg + low - wide), Num(c.bestKg + more), Num(c.highKg + high + wide)})
	}
	return ps
}

// Outlook says how the charge stands.
func (j *chargeTarget) Outlook(at Instant) Outlook {
	clock := j.ledger.clock
	o := Outlook{Ledger: j.ledger.segments(), Point: j.scale, Quantity: sensors.Mass, Elapsed: max(0, clock.of(at.Since)-j.ledger.stepAt), Left: -1, Sure: "sure"}
	last, heard := j.ledger.heard()
	if !heard {
		o.Sentence, o.Sure = chargeNotHeard(j.step.Name, j.charge()), "too early to say"
		return o
	}
	c := j.charge()
	o.Figure, o.HasFig, o.FigAt = Num(c.bestKg), true, Instant{at.Boot, clock.when(last)}
	left, flows := j.arrival(c)
	if j.aimed {
		// On the scale's own curve: the gross weight at which the target is in.
		o.Limit = &Setting{Value: Num(j.ledger.grossKg() - c.remainingKg()), Given: j.target.Given, Source: targetLine(c, j.target)}
		if flows && c.remainingKg() > 0 {
			o.Left, o.Sure = left, "likely"
		}
	}
	quiet := o.Elapsed + j.ledger.stepAt - last
	if quiet < j.quiet {
		quiet = 0
	} else {
		o.Left, o.Sure = -1, "too early to say"
	}
	if o.Left >= 0 {
		o.Trend = j.trend(c, clock.of(at.Since), at.Since, left)
	}
	o.Sentence = chargeStands(j.step.Name, c, j.ledger.flow(), o.Left, quiet, j.overUp)
	if j.step.Name == "draw-in" {
		o.Left = -1 // it slows down: when it would arrive is said with that, and not as a time
	}
	if !j.flow.knowsCylinder() && quiet == 0 && !j.ledger.flowed() {
		o.Sentence += " " + cylinderUnknown
	}
	wide := c.widened()
	o.Values = []Value{{"charged_low_kg", wide.lowKg}, {"charged_high_kg", wide.highKg}}
	if j.flow.doubtUp { // nobody is sure of a charge that may be another by more than is allowed
		o.Sentence += " " + chargeInDoubt(wide)
		if o.Sure = "likely"; c.unit || quiet > 0 {
			o.Sure = "too early to say"
		}
	}
	return o
}
