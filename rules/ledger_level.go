package rules

import "math"

// The open segment: the level with which it began, and the level now.

func (p *platform) open(first []sample) {
	p.start, p.begun, p.settled = weight{t: first[0].t, kg: first[0].v, se: p.noise.sigma()}, nil, false
	p.began, p.settling, p.stands, p.joint = first[0].t, false, false, nil
	p.good, p.from, p.carried = nil, nil, false
	p.noise.apart()
	p.fit, p.fitted = weight{t: first[0].t, kg: first[0].v, se: p.noise.sigma(), rateSe: math.Inf(1)}, first[0].t
	p.suspect = 0
	for _, s := range first {
		p.accept(s)
	}
	p.refit()
}

// refit takes the level by the newest readings, and the segment's first one
// until that is settled.
func (p *platform) refit() {
	ss := p.own()
	if len(ss) == 0 {
		return
	}
	p.fit = newestLevel(ss, p.noise)
	p.fitted = p.fit.t
	p.noise.learn(p.fit, ss)
	p.rateCheck(ss)
	if p.fit.rate > 4*p.fit.rateSe && p.fit.span >= levelLeast {
		p.flowedAt = p.fit.t
		if p.fit.rate > p.fastest && p.fit.t > p.fastAt {
			p.slower, p.fastAt = p.fastest, p.fit.t
		}
		p.fastest = max(p.fastest, p.fit.rate)
	}
	p.unitBySwap()
	p.rain.see(p.fit, p.began, p.lifted || p.fit.rate > max(noFlow, 2*p.fit.rateSe))
	if p.joint != nil && p.begun[len(p.begun)-1].t-p.begun[0].t >= 3*bumpMost {
		p.rejoin()
	}
	p.loaded()
	if len(p.begun) == 0 || p.settled && p.noise.blur() > 0.7*p.blur {
		return
	}
	first := p.first()
	// It is settled once what follows no longer agrees with it.
	p.settled = p.settled || first.n < len(p.begun)/2 && len(p.begun) > 8 && p.begun[len(p.begun)-1].t-p.begun[0].t > 6*levelLeast || len(p.begun) >= firstMost
	if p.settled && !p.settling {
		first = hinged(first, p.begun, p.noise, true)
	}
	p.begin(first)
}

// first is the level with which the segment begins. After a jump a display
// still comes to rest for a reading or two, and a hand may be on what it shows.
func (p *platform) first() weight {
	from := p.begun[0]
	if still, ok := p.stoodAfterHand(); ok {
		still.t = from.t
		return still
	}
	level, stood := p.firstOf(p.begun)
	if stood && p.settling { // however it was touched then
		return level
	}
	for k := 1; p.settling && k < len(p.begun); k++ {
		before, s := p.begun[k-1], p.begun[k]
		if k+levelReads > len(p.begun) && s.v-before.v <= p.pairs() { // nothing flows back: a rise needs no more to be told
			break
		}
		if s.t-before.t >= 2*bumpMost && k+1 < len(p.begun) && s.v < before.v-p.pairs() && p.begun[k+1].v < s.v-p.pairs() { // so far apart it is sooner a valve that was opened
			break
		}
		dt := s.t - before.t
		if before.t-from.t >= bumpMost { // readings far apart may have the first alone within it
			break
		}
		next, _ := p.firstOf(p.begun[k:])
		off := before.v - next.at(before.t)
		noise := float64(3*math.Sqrt(float64(p.noise.sigma()*p.noise.sigma())+float64(next.se*next.se))) + float64(p.noise.digit/2)
		if off <= noise && off >= -noise-float64(next.rate*dt.Seconds()) { // or a valve was opened then
			break
		}
		level = next
		if next.rate < 4*next.rateSe || s.v > before.v { // what was just put on stands still
			level.rate = 0
		}
		level.t, level.kg = from.t, level.at(from.t)
	}
	return level
}

// firstOf is the level at the first of readings: of a load put on, while it
// stood still, where that was seen; the display may still come to rest before.
func (p *platform) firstOf(ss []sample) (level weight, stood bool) {
	for k := 0; p.stands && k < len(ss) && ss[k].t-ss[0].t < bumpMost; k++ {
		// Lower than at first it may as well flow: so it must have stood for longer.
		if rest := restLevel(ss[k:], p.noise, true); rest.n >= levelReads && ss[k].v >= ss[0].v || rest.n >= 2*levelReads {
			rest.t = ss[0].t
			still := ss[k : k+rest.n]
			return rest, highestOf(still)-lowestOf(still) <= float64(2.01*p.noise.digit)
		}
	}
	return firstLevel(ss, p.noise), false
}

// finish takes the open segment's two levels for good, as nearly as the
// readings give them.
func (p *platform) finish() {
	if p.joint != nil {
		p.rejoin()
	}
	p.refit()
	ss := p.own()
	if len(ss) == 0 {
		return
	}
	defer p.noise.amid(nil)
	p.noise.amid(tail(ss, gustReads))
	p.fit = hinged(newestLevel(ss, p.noise), ss, p.noise, false)
	if len(p.begun) > 0 { // the scale's noise is known better than it was
		p.noise.amid(p.begun[:min(len(p.begun), gustReads)])
		first := p.first()
		if !p.settling {
			first = p.noise.near(hinged(first, p.begun, p.noise, true), p.begun, true)
		}
		p.begin(first)
	}
}

// levelKg is the gross weight now.
func (p *platform) levelKg() float64 { return p.fit.at(p.good[len(p.good)-1].t) }

// openKg is what left the open segment's cylinder.
func (p *platform) openKg() float64 {
	if len(p.good) == 0 {
		return 0
	}
	kg := p.start.kg - p.levelKg()
	switch {
	case !p.lifted:
		return kg
	case p.flowedLifted(kg):
		return kg + p.onKg
	}
	return 0
}

// startSe is the doubt of the first level: where noise turned out smaller than
// it seemed then, so is that.
func (p *platform) startSe() float64 {
	if now := p.noise.blur(); p.blur > now {
		return p.start.se * now / p.blur
	}
	return p.start.se
}

// endsVariance is the variance of the open segment's two ends.
func (p *platform) endsVariance() float64 {
	return float64(p.startSe()*p.startSe()) + float64(p.fit.se*p.fit.se)
}
