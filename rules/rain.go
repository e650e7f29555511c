package rules

import (
	"math"
	"time"
)

// Rain on the platform, a scale that creeps, warmth: the weight rises while a valve is shut,
// and hides as much of what flows. How fast it rises at rest tells what it may have hidden
// in all.
type rain struct {
	began     time.Duration // of the segment in which it rests
	from, to  weight        // the rest, so far
	back      weight        // what was to before
	rises     time.Duration // when it last rose faster than rain
	rests     bool
	roseKg    float64 // in the rests before
	roseFor   time.Duration
	variance  float64       // of the rests' ends, kg squared
	before    time.Duration // that it was followed in earlier steps
	countedKg float64       // of what it may have hidden, in what those came to
	seen      bool          // any level
	since     time.Duration // the first
	now       time.Duration // the newest
}

const (
	restLeast = 2 * time.Minute // that tells a rise; our choice
	restEach  = restLeast / 2   // from one level of it to the next
	rainMost  = 5               // times what was seen of it; our choice: it may have rained at the rests alone
)

// see takes a level of a segment that began then.
func (r *rain) see(level weight, began time.Duration, flows bool) {
	if !r.seen {
		r.since, r.seen = level.t, true
	}
	r.now = level.t
	if flows || began != r.began {
		*r = r.closed()
	}
	switch {
	case flows || level.span < levelLeast || level.n < levelReads:
	case !r.rests:
		if r.rises == 0 || level.t-r.rises >= 2*restEach {
			r.began, r.from, r.back, r.to, r.rests = began, level, level, level, true
		}
	case level.t-r.to.t < restEach:
	case flowsBack(r.from, level): // so fast is no rain: it is recovered
		r.rises, r.rests = level.t, false
	case r.from.kg-level.kg > hypot(r.from.se, level.se): // a flow that dies away is no rest: what rises does so from the lowest on
		r.from, r.back, r.to = level, level, level
	case flowsBack(r.to, level):
		r.to, r.rises = r.back, level.t // it may have begun before
		*r = r.closed()
	default:
		r.back, r.to = r.to, level
	}
}

// flowsBack reports whether a weight rose as if a flow went back into the cylinder.
func flowsBack(was, is weight) bool {
	return is.kg-was.kg > float64(noFlow*(is.t-was.t).Seconds())+float64(4*hypot(is.se, was.se))
}

// kg is what it may have hidden by now, and no earlier step has counted; a rise of less than two
// digits, or than noise explains (three standard errors), is none.
func (r rain) kg(digit float64) float64 { return max(0, r.allKg(digit)-r.countedKg) }

func (r rain) allKg(digit float64) float64 {
	c := r.closed()
	if c.roseFor == 0 || c.roseKg < max(2*digit, 3*math.Sqrt(c.variance)) {
		return 0
	}
	return c.roseKg * min(rainMost, (c.before+c.now-c.since).Seconds()/c.roseFor.Seconds())
}

// closed is the same with the rest that it is in among those before.
func (r rain) closed() rain {
	if long := r.to.t - r.from.t; r.rests && long >= restLeast {
		r.roseKg, r.roseFor = r.roseKg+r.to.kg-r.from.kg, r.roseFor+long
		r.variance += float64(r.from.se*r.from.se) + float64(r.to.se*r.to.se)
	}
	r.rests = false
	return r
}

// carried is what the next step knows of it.
func (r rain) carried() rain {
	c := r.closed()
	return rain{roseKg: c.roseKg, roseFor: c.roseFor, variance: c.variance, before: c.before + c.now - c.since, countedKg: c.countedKg}
}
