package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/sensors"
)

// trialOpinion is what the judge makes of a trial run at one moment.
type trialOpinion struct {
	result, cause string
	text          string
	wait          bool          // for what may yet be measured,
	until         time.Duration // at the latest, of the step; 0: until readings come
}

// decide gives the verdict, once it can be given, and another one where that
// has come to stand: a failed run is mended, or an unsteady one calms down.
func (j *trialRun) decide(now time.Duration, ended bool) []Finding {
	if now < j.lasts && !ended && !j.tripped() && !j.exchanged() {
		return nil
	}
	o := j.judge(now, ended)
	if o.wait && (!ended || j.result != "") {
		j.other = lasting{}
		if j.result == "" && o.until > now {
			j.nextDue = o.until
		}
		return nil
	}
	is := o.result + o.cause
	switch {
	case j.result == "":
	case j.result == Passed || is == j.result+j.cause:
		j.other = lasting{}
		return nil
	default:
		if is != j.otherIs {
			j.other = lasting{}
		}
		j.otherIs = is
		if !j.other.by(now, true, newResult) {
			return nil
		}
	}
	return j.give(o, now)
}

// revise replaces a verdict at once where the unit itself says that it was none:
// whoever enters its fault code knows more than clamps do.
func (j *trialRun) revise() []Finding {
	if j.result == "" || len(j.codes) == 0 && !j.ownBad {
		return nil
	}
	now := j.clock.newest
	if o := j.judge(now, false); o.cause != j.cause {
		return j.give(o, now)
	}
	return nil
}

func (j *trialRun) give(o trialOpinion, now time.Duration) []Finding {
	j.result, j.cause, j.other, j.nextDue = o.result, o.cause, lasting{}, 0
	return []Finding{{Edge: Given, Result: o.result, Cause: o.cause, Text: o.text, Points: j.judged(), Values: j.allValues(now)}}
}

func (j *trialRun) judged() (names []string) {
	for _, k := range j.tracks {
		if k.heard {
			names = append(names, k.point.Name)
		}
	}
	return names
}

func (j *trialRun) allValues(now time.Duration) (vs []Value) {
	for _, ps := range [...][]*pair{j.lines.superheat, j.lines.subcooling, j.lines.loss} {
		if p := j.worst(ps); p != nil {
			vs = append(vs, j.values(p)...)
		}
	}
	if k, c := j.discharge(now); k != nil {
		vs = append(vs, Value{"discharge_c", c}, Value{"most_discharge_c", j.mostC.Value})
	}
	if head := j.head(); !math.IsNaN(head) {
		vs = append(vs, Value{"head_k", head})
	}
	return append(vs, Value{"atmosphere_pa", j.airPa}, Value{"elapsed_s", seconds(now)})
}

// head is how far the refrigerant condenses above the outdoor air.
func (j *trialRun) head() float64 {
	p := j.worst(j.lines.subcooling)
	if p == nil || j.air == nil {
		return math.NaN()
	}
	return p.view.a + p.view.k - j.air.level(p.front-viewOver, p.front)
}

// judge says what the run proves so far.
func (j *trialRun) judge(now time.Duration, ended bool) trialOpinion {
	w := j.stand(now)
	fail := func(cause string) trialOpinion {
		return trialOpinion{result: NotPassed, cause: cause, text: trialFailed(cause, w)}
	}
	open := func(cause, why string) trialOpinion {
		return trialOpinion{result: NotProven, cause: cause, text: trialNotProven(why, w)}
	}
	wait := func(until time.Duration, cause, why string) trialOpinion {
		o := open(cause, why)
		o.wait, o.until = true, until
		return o
	}
	switch {
	case len(j.codes) > 0:
		return fail("fault-code")
	case j.ownBad:
		return fail("own-result")
	case j.absolute:
		return open("gauge", trialAbsolute(j.overAtm, j.restC, j.fluid.Name))
	case j.charging && !ended:
		return wait(0, "charging", "")
	}
	if j.exchanged() {
		return open("gauge", trialExchanged(j.lines.parted.b.point.Name, j.lines.parted.a.point.Name))
	}
	if !j.runs {
		return open("not-running", trialStands(j.ran, j.runFrom))
	}
	if p := j.absurdOne(); p != nil {
		return open("gauge", trialAbsurd(j.part(p)))
	}
	if cause := j.pattern(); cause != "" {
		return fail(cause)
	}
	if w.discharge != "" && w.dischargeC > j.mostC.Value {
		return fail("discharge-too-hot")
	}
	if p := j.worst(j.lines.loss); p != nil && p.view.steady && j.beyond(p) > p.view.uK {
		return fail("line-heat-loss")
	}
	if w.drain != "" {
		return fail("drain-rising")
	}
	if why := j.missing(); len(why) > 0 {
		return open("missing", trialMissing(why))
	}
	if k := j.stalest(now); k != nil {
		if quiet := now - k.last; !ended && quiet < gapEnds {
			return wait(k.last+gapEnds, "gap", "")
		}
		return open("gap", trialSilent(k.point.Name, now-k.last, k.heard))
	}
	if due := j.due(); now < due {
		switch {
		case j.countFrom > 0:
			return open("gap", trialGap(j.gapOf, now-j.countFrom, j.lasts))
		case !ended:
			return wait(due, "gap", "")
		case due > j.lasts:
			return open("gap", trialShort(now, due))
		}
		return open("interrupted", trialShort(now, j.lasts))
	}
	close := ""
	for _, p := range slices.Concat(j.lines.superheat, j.lines.subcooling) {
		v := p.view
		switch {
		case !v.ok || v.slots < viewLeast:
			return wait(0, "unsteady", trialTooFew(now-max(j.runFrom, j.changed), j.settle))
		case v.hunts:
			return open("hunting", trialHunts(j.part(p)))
		case !v.steady:
			return wait(0, "unsteady", trialUnsteady(j.part(p)))
		case j.beyond(p) > -v.uK && close == "":
			close = trialClose(j.part(p))
		}
	}
	if p := j.worst(j.lines.loss); p != nil && j.beyond(p) > 0 && close == "" {
		close = trialClose(j.part(p))
	}
	if close != "" {
		return open("too-close", close)
	}
	return trialOpinion{result: Passed, cause: "none", text: trialPassed(w)}
}

func (j *trialRun) part(p *pair) trialPart {
	return trialPart{j.kind(p).name, p.place, p.view, j.aimOf(p), j.beyond(p) > p.view.uK}
}

func (j *trialRun) absurdOne() *pair {
	for _, p := range slices.Concat(j.lines.superheat, j.lines.subcooling) {
		if j.absurd(p) && (p.view.steady || p.view.highK < 0) {
			return p
		}
	}
	return nil
}

// side says on which side of its limits a pair likely lies, and whether surely.
func (j *trialRun) side(p *pair) (side int, sure bool) {
	if p == nil || !p.view.steady && !j.allBeyond(p) {
		return 0, false
	}
	v, a, by := p.view, j.aimOf(p), j.beyond(p)
	switch {
	case by <= v.uK/2:
		return 0, false
	case v.k > a.most.Value:
		return 1, by > v.uK
	}
	return -1, by > v.uK
}

// pattern names what superheat and subcooling together suggest (the field
// guide's table); empty where neither surely lies outside its limits.
func (j *trialRun) pattern() string {
	sh, sc := j.worst(j.lines.superheat), j.worst(j.lines.subcooling)
	hot, sureHot := j.side(sh)
	cold, sureCold := j.side(sc)
	if !sureHot && !sureCold {
		return ""
	}
	switch {
	case hot > 0 && cold < 0:
		return "short-of-charge"
	case hot < 0 && cold > 0:
		return "overcharge"
	case hot > 0 && cold > 0:
		return "restriction"
	case hot < 0 && cold < 0 && (sh.view.hunts || sc.view.hunts):
		return "hunting"
	case hot < 0 && cold < 0:
		return "flooding"
	case hot > 0:
		return "superheat-high"
	case hot < 0:
		return "superheat-low"
	case cold > 0 && j.head() > headOverK:
		return "air-left-in"
	case cold > 0:
		return "subcooling-high"
	}
	return "subcooling-low"
}

// missing says which figure cannot be had, and for want of what.
func (j *trialRun) missing() (why []string) {
	has := func(role string) bool {
		return slices.ContainsFunc(j.tracks, func(k *track) bool { return k.point.Role == role })
	}
	for _, f := range []struct {
		name, line, pressure string
		pairs                []*pair
	}{{"superheat", "suction-line", "suction-pressure", j.lines.superheat}, {"subcooling", "liquid-line", "liquid-pressure", j.lines.subcooling}} {
		if len(f.pairs) > 0 {
			continue
		}
		var want []string
		for _, role := range []string{f.line, f.pressure} {
			if !has(role) {
				want = append(want, role)
			}
		}
		why = append(why, trialWants(f.name, want, j.fluid == nil))
	}
	return why
}

// stalest is the point needed that has been silent for longest; nil: none is.
func (j *trialRun) stalest(now time.Duration) (worst *track) {
	for _, k := range j.tracks {
		if j.needed(k) && k.stale(now) && (worst == nil || k.last < worst.last) {
			worst = k
		}
	}
	return worst
}

// stand gathers what the sentences are made of.
func (j *trialRun) stand(now time.Duration) trialWords {
	w := trialWords{elapsed: now, codes: j.codes, own: j.own, mostC: j.mostC, headK: j.head(), barometer: j.airKnown, charging: j.charging, overAtm: j.overAtm}
	for _, p := range slices.Concat(j.lines.superheat, j.lines.subcooling, j.lines.loss) {
		if p.view.ok {
			w.parts = append(w.parts, j.part(p))
		}
	}
	if p := j.worst(j.lines.superheat); p != nil {
		w.hint = j.hint(p)
	}
	if k, c := j.discharge(now); k != nil {
		w.discharge, w.dischargeC = k.point.Name, c
	}
	for _, p := range j.pans {
		if p != nil && p.high(now) {
			w.drain = p.point.Name
		}
	}
	fitted := func(role string) bool {
		return slices.ContainsFunc(j.tracks, func(k *track) bool { return k.point.Role == role && k.heard })
	}
	pans := slices.ContainsFunc(j.pans, func(p *pan) bool { return p != nil })
	for _, f := range []struct {
		has  bool
		word string
	}{{fitted("discharge-line"), "discharge"}, {len(j.lines.loss) > 0, "what the liquid line loses"}, {pans, "drain"}} {
		if !f.has {
			w.unfitted = append(w.unfitted, f.word)
		}
	}
	if slices.ContainsFunc(j.units, func(u Unit) bool { return j.asked[u.Name] != "" }) { // else nobody logs commands here
		for _, u := range j.units {
			if j.asked[u.Name] != "cool" {
				w.idle = append(w.idle, u.Name)
			}
		}
	}
	return w
}

// Outlook says how the run stands.
func (j *trialRun) Outlook(at Instant) Outlook {
	now := max(0, j.clock.of(at.Since))
	o := Outlook{Elapsed: now, Lasts: j.lasts, Left: max(0, j.due()-now), Sure: "too early to say", Quantity: sensors.Temperature}
	w := j.stand(now)
	w.lasts, w.settle, w.runFrom = j.lasts, j.settle, max(j.runFrom, j.changed)
	w.stands, w.missing, w.result, w.cause = !j.runs && !j.exchanged(), j.missing(), j.result, j.cause
	if k := j.stalest(now); k != nil && k.heard {
		w.silent, w.quiet = k.point.Name, now-k.last
	}
	for _, k := range j.tracks {
		if k.point.Role == "suction-line" && k.heard && !o.HasFig {
			slot := int64(k.last / slotLasts)
			o.Point, o.Figure, o.HasFig = k.point.Name, Num(k.at(slot)), true
			o.FigAt = Instant{at.Boot, j.clock.when(k.last)}
		}
	}
	if len(w.parts) > 0 {
		o.Sure = "likely"
	}
	if j.result != "" {
		o.Sure, o.Left = "sure", 0
	}
	o.Values = rounded(j.allValues(now))
	o.Sentence = trialStandsSo(w)
	return o
}
