package rules

import (
	"strconv"
	"strings"
	"time"
)

// How a ledger begins: where the weighing step before it ended, by its last weight,
// its total and its rate.

func beginLedger(s Start) *ledger {
	if l, ok := s.between.goesOn(s); ok {
		return l
	}
	l := &ledger{clock: startWatch(s)}
	for _, p := range s.Points {
		if p.Role == "charging-scale" {
			tare, _ := limit(s.Step, "tare")
			l.lb = p.Unit == "lb" || p.Unit == "oz"
			l.platforms = append(l.platforms, &platform{point: p.Name, every: p.Every, cylinder: 1, tare: tare.Value, swapped: -toldLate})
		}
	}
	last, ok := lastWeighed(s.Earlier)
	if !ok {
		l.weighedBefore(s)
	}
	if ok {
		l.before = earlierCharge(last)
		gap := endedMost
		if last.At.Boot == s.Entry.At.Boot {
			gap = min(gap, max(0, s.Began.Since-last.At.Since))
		}
		for i, p := range l.platforms {
			p.carry(last, i, gap, s.Swapped > last.Seq, s.Weighed > last.Seq)
			if s.ended != nil {
				p.knows(s.ended.platforms[i])
				p.swapped = l.clock.of(s.ended.clock.when(p.swapped))
				if s.between == nil { // the step's own ledger: the total that this goes on from has its rain
					p.rain.countedKg = p.rain.allKg(p.units.digit())
				}
			}
		}
	}
	return l
}

// knows takes over what an earlier step learned of the scale, and the swap that it saw:
// somebody may tell of that only now.
func (p *platform) knows(was *platform) {
	p.units = was.units // not its noise: compressors run now
	p.unit, p.byTare, p.agreed = was.unit, was.byTare, was.agreed
	p.swapped, p.untold = was.swapped, was.untold
	p.rain = was.rain.carried()
}

// lastWeighed is the newest verdict of a draw-in or weigh-in: each counts
// from the system's first draw-in.
func lastWeighed(given []Finding) (last Finding, ok bool) {
	for _, f := range given {
		if isWeighing(f.Step) && (!ok || f.Seq >= last.Seq) {
			last, ok = f, true
		}
	}
	return last, ok
}

// carry goes on from the gross weight at which the step before ended.
func (p *platform) carry(last Finding, place int, gap time.Duration, swapped, elsewhere bool) {
	for _, v := range last.Values {
		switch v.Key {
		case grossKey(place):
			from := sample{-gap, v.Number}
			p.start, p.from = weight{t: from.t, kg: from.v}, &from
			p.fit = p.start
			p.good, p.carried = []sample{from}, true
		case rateKey(place):
			p.endRate, p.fit.rate = v.Number, v.Number
		case unheardKey(place):
			p.unheardKg = v.Number
			p.betweenHi = p.unheardKg // until it is heard
		}
	}
	if (swapped || elsewhere) && p.from != nil { // another cylinder stands there, or another system drew from it: its weight says nothing of the one before
		p.betweenHi = p.mostBetween(gap)
		p.standsAnew()
	}
	if swapped {
		p.cylinder++
	}
}

// unheardYet reports whether the scale was not heard since the step before.
func (p *platform) unheardYet() bool { return p.carried && len(p.good) == 1 && len(p.pending) == 0 }

// standsAnew forgets the weight at which the step before ended.
func (p *platform) standsAnew() {
	p.from, p.carried, p.good = nil, false, nil
}

// mostBetween is what may have flowed between two steps, by the rate at which
// the first one ended, and while nothing was heard as it was ended.
func (p *platform) mostBetween(gap time.Duration) float64 {
	return max(0, min(float64(gapHigh*p.endRate*gap.Seconds())+p.unheardKg, p.start.kg))
}

// flowedUnheard reports whether a reading lies where flow while nothing was heard as the
// step before was ended would have brought it, of a known rate: as much as would be told of a
// silence within a step.
func (p *platform) flowedUnheard(from, s sample) bool {
	fall := from.v - s.v
	return p.unheardKg > 0 && p.unheardKg < from.v && fall >= -p.jump() && fall <= p.jump()+float64(1.5*p.endRate*(s.t-from.t).Seconds())+p.unheardKg
}

// unseen is what a cylinder may have given, between the steps and since this one was begun, that was changed
// before the scale was heard; the next one may have given, too.
func (p *platform) unseen(betweenKg, inKg float64, changed, since time.Duration) {
	p.betweenHi = betweenKg
	if quiet := changed - p.stepAt; quiet >= backAfter && quiet.Seconds() > float64(lostReads*p.every.Seconds()) {
		p.betweenHi += float64(p.widest() * quiet.Seconds())
		if inKg > emptyKg { // of a scale that was zeroed under it nobody knows
			p.betweenHi = max(betweenKg, min(inKg, p.betweenHi))
		}
		p.firstHeard = &firstHeard{p.betweenHi, since}
	}
}

// firstHeard is another cylinder that stood there as a step's scale was first heard.
type firstHeard struct {
	beforeKg float64       // what the one before it may have given unseen
	since    time.Duration // when it was put on, at the earliest
}

// begin takes the gross weight with which a segment begins. Where it goes on
// from the step before, what flowed between counts: surely where the rate at
// that step's end explains it, else doubtfully.
func (p *platform) begin(first weight) {
	if p.from == nil {
		p.start, p.blur = first, p.noise.blur()
		if p.stands && !p.lifted {
			p.betweenKg, p.betweenHi = p.hand.lessKg, p.hand.moreKg
		}
		if !p.lifted {
			p.reckon(first)
		}
		if len(p.rows) == 0 && p.cylinder == 1 && !p.settling && (p.settled || p.usual() >= seldom) && !p.silence(first.t, 0) {
			p.betweenHi = float64(p.flowsAtFirst(first) * first.t.Seconds()) // it may have flowed since the step's begin
		}
		if a := p.firstHeard; a != nil && len(p.begun) > 0 {
			p.betweenHi = a.beforeKg + float64(gapHigh*p.flowsAtFirst(first)*(p.begun[0].t-a.since).Seconds())
		}
		return
	}
	fall := p.from.v - first.kg
	p.start, p.betweenKg, p.betweenHi = weight{t: p.from.t, kg: p.from.v}, 0, 0
	read := *p.from
	read.t -= p.usual() // it was read up to that long before the step's end
	switch {
	case p.beganAsleep && fall > p.jump()+float64(gapHigh*p.flowedFrom(first)*first.t.Seconds()): // it may be another one, or was touched before the begin
		p.betweenKg = fall
	case p.continues(read, sample{first.t, first.kg}, p.endRate) || p.flowedUnheard(read, sample{first.t, first.kg}):
	case fall < gulpMost:
		p.betweenKg = max(0, fall)
	default:
		p.start, p.blur, p.betweenHi = first, p.noise.blur(), fall
	}
}

// flowsAtFirst is the flow at a segment's first reading: of seldom ones what the next two show
// alike, for a flow that ebbs lies on no line.
func (p *platform) flowsAtFirst(first weight) float64 {
	if first.rate > 4*first.rateSe {
		return first.rate
	}
	ss := p.begun
	if p.usual() < seldom || len(ss) < levelReads || ss[0].v-ss[1].v <= p.jump() || ss[1].v-ss[2].v <= p.jump() {
		return 0
	}
	return p.steepest(ss[:2])
}

// A verdict tells the gross weight of each scale, and what left it then: the
// next step goes on from there.
func grossKey(place int) string { return numbered("gross", place) + "_kg" }
func rateKey(place int) string  { return numbered("flow", place) + "_kg_per_s" }

func numbered(key string, place int) string {
	if place == 0 {
		return key
	}
	return key + "_" + strconv.Itoa(place+1)
}

// What may have gone in after the last weight. The next step weighs that, where the cylinder
// stands there still.
func unheardKey(place int) string { return numbered("unheard", place) + "_kg" }

// unheard are these values.
func (l *ledger) unheard(heard bool) (vs []Value) {
	for i, p := range l.platforms {
		quiet := l.clock.newest - l.stepAt
		if ss := p.own(); len(ss) > 0 {
			quiet = l.clock.newest - ss[len(ss)-1].t
		}
		if kg := wholeMg(p.flowsOn(quiet, heard)); kg > 0 {
			vs = append(vs, Value{unheardKey(i), kg})
		}
	}
	return vs
}

// grosses are these values.
func (l *ledger) grosses() (vs []Value) {
	for i, p := range l.platforms {
		if len(p.good) == 0 {
			continue
		}
		vs = append(vs, Value{grossKey(i), wholeMg(p.levelKg())})
		if p.fit.rate > noFlow {
			vs = append(vs, Value{rateKey(i), p.fit.rate})
		}
	}
	return vs
}

// earlierCharge is the total after an earlier draw-in or weigh-in.
func earlierCharge(f Finding) (was charge) {
	was.unit = f.Cause == "unit"
	unheardKg := 0.0
	for _, v := range f.Values {
		switch v.Key {
		case "drawn_kg", "charged_kg":
			was.bestKg, was.lowKg, was.highKg = v.Number, v.Number, v.Number
		case "charged_low_kg":
			was.lowKg = v.Number
		case "charged_high_kg":
			was.highKg = v.Number
		case "unweighed_kg":
			was.unweighedKg = v.Number
		default:
			if strings.HasPrefix(v.Key, "unheard") {
				unheardKg += v.Number
			}
		}
	}
	was.highKg -= unheardKg
	return was
}
