package rules

import (
	"math"
	"time"
)

// A display that holds its last value while it flows, and then shows all of it at once.

// frozen reports whether the weight lies lower after a jump because the scale
// had shown its last value while it flowed: the fall is no more than would have
// flowed, at the rate before or after, since the value was first shown. It is
// sure where it flows on or noise would have moved the readings. Else it may as
// well be a hose that was lifted off after the valve was shut; to take it for
// charge is the safer side, as what is missing is added sooner than what is too
// much is recovered.
func (p *platform) frozen(last, first sample, after weight) (frozen, sure bool) {
	rate := max(p.sameBy, after.rate)
	stood := last.t - p.same.t
	if stood < freezeFor || rate <= noFlow || math.Abs(after.kg) < emptyKg || p.emptied(after.kg) || p.hintedAt(first.t) && p.hinted-hintFor <= first.t && !p.untouched(last, first) ||
		float64(rate*stood.Seconds()) < 2*p.units.digit() { // so slow a flow moves the display no sooner
		return false, false
	}
	fall, since := last.v-first.v, (first.t - p.same.t).Seconds()
	if fall > float64(gapHigh*rate*since)+p.jump() && p.openedAt(p.same.t) { // how wide nobody had seen yet
		rate = max(rate, p.widest())
	}
	meant := float64(rate * since)
	if fall < 0 || fall > float64(gapHigh*meant)+p.jump() || p.takenOff(fall) {
		return false, false
	}
	return true, p.thaws(first) || after.rate > 4*after.rateSe && after.rate > noFlow || p.stuck(last) || fall > gulpMost
}

// untouched reports whether a jump is no swap although one was marked: nobody changes a
// cylinder between two readings within the time of a bump.
func (p *platform) untouched(last, first sample) bool {
	return p.hint == "cylinder-swapped" && first.t-last.t < bumpMost
}

// thawed reports whether the jump may be what flowed while the scale showed its
// last value.
func (p *platform) thawed(last sample) bool {
	frozen, _ := p.frozen(last, p.pending[0], weight{kg: p.pending[0].v})
	return frozen
}

// thaws reports whether a scale that had shown the very same weight while it
// flowed shows by a reading what flowed meanwhile.
func (p *platform) thaws(s sample) bool {
	meant := float64(p.sameBy * (s.t - p.same.t).Seconds())
	return s.t-p.same.t >= freezeFor && p.sameBy > noFlow && math.Abs(p.same.v-s.v-meant) < float64(meant/4)+p.units.digit()
}

// held reports whether what a reading fell by is no more than may have flowed while
// the scale showed the very same weight.
func (p *platform) held(s sample) bool {
	meant, fall := float64(p.sameBy*(s.t-p.same.t).Seconds()), p.same.v-s.v
	return p.good[len(p.good)-1].t-p.same.t >= freezeFor && p.sameBy > noFlow && fall >= 0 && fall < float64(gapHigh*meant)+p.units.digit()
}

// openedAt reports whether a valve was opened, or wider, within the time of a bump before
// a believed reading: it lies below where the flow before that would have it.
func (p *platform) openedAt(t time.Duration) bool {
	i := len(p.good) - 1
	for i > 0 && p.good[i].t > t {
		i--
	}
	k := i
	for k > 0 && t-p.good[k].t < bumpMost {
		k--
	}
	if k < levelReads || k == i {
		return false
	}
	before := newestLevel(p.good[:k+1], p.noise)
	return before.at(t)-p.good[i].v > max(p.pairs(), p.units.digit())
}

// stuck reports whether the newest readings are the very same although the
// scale's noise would have moved one of them, in all but one of 10,000 cases.
func (p *platform) stuck(last sample) bool {
	sigma := math.Sqrt(max(0, float64(p.noise.white*p.noise.white)-float64(p.noise.digit*p.noise.digit)/12))
	if sigma == 0 {
		return false
	}
	same := 0
	for i := len(p.good) - 1; i >= 0 && p.good[i].v == last.v; i-- {
		same++
	}
	// At the most a reading shows the same digit as often as noise stays
	// within half of it.
	return float64(float64(same)*math.Log(math.Erf(p.noise.digit/2/sigma/math.Sqrt2))) < math.Log(1e-4)
}

// thawedBefore takes for what flowed a jump that a silence, or a cylinder's being
// lifted off, has followed before it was known to stay, where the scale had
// shown its last value; surely, if that is asked.
func (p *platform) thawedBefore(last sample, surely bool) bool {
	if p.lifted || p.back || p.hintedAt(p.pending[0].t) && !p.untouched(last, p.pending[0]) {
		return false
	}
	frozen, sure := p.frozen(last, p.pending[0], weight{kg: p.pending[0].v})
	if !frozen || surely && !sure {
		return false
	}
	p.thaw(sure)
	return true
}

// thawedAside does so where the display was on its way to what the empty platform
// shows, or somebody touched the cylinder first.
func (p *platform) thawedAside(last, lifted sample) bool {
	since := p.fast[:max(0, len(p.fast)-1)]
	if len(p.pending) != 1 || len(since) < 2 || !p.lifts(lifted) {
		return false
	}
	n := len(since)
	for n > 1 && since[n-1].v < since[n-2].v-p.pairs() {
		n--
	}
	k := n - 1
	for k > 0 && math.Abs(since[k-1].v-since[n-1].v) < emptyKg {
		k--
	}
	if n-k < 2 {
		return false
	}
	onItsWay := append([]sample(nil), since[n:]...)
	was := p.pending
	if p.pending = append([]sample(nil), since[k:n]...); !p.thawedBefore(last, false) {
		p.pending = was
		return false
	}
	for _, s := range onItsWay {
		p.weigh(s)
	}
	return true
}

// thaw takes a jump for what flowed while the scale showed its last value;
// surely, or perhaps.
func (p *platform) thaw(sure bool) {
	since := p.pending
	p.bridge(since[0], EndedSilence)
	if !sure {
		p.rows[len(p.rows)-1].LowKg = 0
	}
	for _, s := range since[1:] {
		p.accept(s)
	}
}

// thawedOnce is what may have gone in by one of seldom readings before a cylinder was lifted
// off: on its way, or all that had flowed while the scale showed its last value.
func (p *platform) thawedOnce(last sample) float64 {
	if len(p.aside) != 1 || p.usual() < seldom {
		return 0
	}
	if frozen, _ := p.frozen(last, p.aside[0], weight{kg: p.aside[0].v}); !frozen {
		return 0
	}
	return last.v - p.aside[0].v
}

// stuckOn widens what may have gone in where the scale had shown the very same
// weight for long before it fell: it may have been its last value.
func (p *platform) stuckOn(last sample, fallKg float64) {
	if stood := last.t - p.same.t; stood >= freezeFor {
		r := &p.rows[len(p.rows)-1]
		r.HighKg += max(0, min(fallKg, float64(gapHigh*max(p.fastest, p.sameBy)*stood.Seconds())))
	}
}
