package rules

import (
	"math"
	"time"
)

// Whether the charge has passed a mass. A line through the last minutes is
// quick and sure while it flows; but the valve may have been shut a moment ago,
// which noise hides for a while. So all moments are weighed at which it may
// have been.

const (
	passingFor   = 150 * time.Second // of readings that tell: the field guide's 3 min, less what a shut valve hides
	passingMost  = 120               // of them at most
	passingReads = 8                 // at the least, where they come seldom
	stopsMost    = 12                // moments tried between two readings, one for each standard deviation that flowed there
	stopsAbout   = 20 * time.Second  // after as long a valve is as likely shut as not, where nothing is known: near the target somebody stands by it; our choice
	surelyPast   = 0.99              // the probability at which somebody is called: one false call in a hundred is what is asked of it
)

// mayStand is what may stand on a scale now, and how likely that is.
type mayStand struct {
	share, kg, variance float64
	chi                 float64 // how ill it fits the readings: chi-square
}

// past are the probabilities that the charge is above two masses by now, over
// all moments at which the flow may have stopped.
func (l *ledger) past(limitsKg [2]float64) (above [2]float64) {
	all := []mayStand{{share: 1, kg: l.charge(Setting{}, false).bestKg}}
	for _, p := range l.platforms {
		ends := p.variance + float64(p.startSe()*p.startSe())
		if len(p.own()) == 0 || p.lifted {
			all = among(all, []mayStand{{share: 1, variance: ends + float64(p.fit.se*p.fit.se)}})
			continue
		}
		stands := p.mayStand()
		for i := range stands {
			stands[i].kg = p.levelKg() - stands[i].kg
			stands[i].variance += ends
		}
		all = among(all, stands)
	}
	for i, limit := range limitsKg {
		for _, s := range all {
			above[i] += float64(s.share * (1 - math.Erf((limit-s.kg)/math.Sqrt(2*s.variance))) / 2)
		}
	}
	return above
}

// among takes each of what may stand on one scale with each on another.
func among(these, those []mayStand) (all []mayStand) {
	all = make([]mayStand, 0, len(these)*len(those))
	for _, a := range these {
		for _, b := range those {
			all = append(all, mayStand{share: a.share * b.share, kg: a.kg + b.kg, variance: a.variance + b.variance})
		}
	}
	return all
}

// mayStand weighs the moments at which the flow may have stopped by how well
// they fit the readings.
func (p *platform) mayStand() []mayStand {
	ss := p.own()
	last := ss[len(ss)-1]
	from := max(0, len(ss)-passingMost)
	for from < len(ss)-passingReads && last.t-ss[from].t > passingFor {
		from++
	}
	for {
		stands, fits := p.stopped(ss[from:])
		m := len(ss) - from
		if fits || m < 2*passingReads || last.t-ss[from+m/2].t < 3*bumpMost {
			return stands
		}
		from += m / 2 // the flow was another before
	}
}

// stopped weighs these moments by some readings, and reports whether one fits.
func (p *platform) stopped(ss []sample) (stands []mayStand, fits bool) {
	n := len(ss)
	last := ss[n-1]
	blur := p.noise.blur()
	each := float64(blur * blur)
	m := float64(n)
	rounding := float64(p.noise.digit*p.noise.digit) / 12 / (1 + float64(m*p.noise.dither()))
	best := math.Inf(1)
	bent := bendOf(n)
	for _, s := range ss {
		bent.add((s.t - last.t).Seconds(), s.v-last.v)
	}
	all := bent.line
	stands = make([]mayStand, 0, n+stopsMost)
	// weigh takes a line up to a moment, by the sums of what was read until then,
	// and a level since.
	weigh := func(until lineSums, stop, prior float64) {
		sx := until.x - float64(until.n*stop)
		sxx := until.xx - float64(2*stop*until.x) + float64(until.n*stop*stop)
		sxy := until.xy - float64(stop*until.y)
		wide := sxx - float64(sx*sx)/m
		fall, about := 0.0, all.yy-float64(all.y*all.y)/m
		variance := each / m
		if wide > 1e-9 {
			fall = max(0, -(sxy-float64(sx*all.y)/m)/wide)
		}
		if fall > 0 {
			about -= float64(fall * fall * wide)
			variance += float64(each * (sx / m) * (sx / m) / wide)
		}
		chi := max(0, about) / each
		best = min(best, chi)
		stands = append(stands, mayStand{prior, last.v + (all.y+float64(fall*sx))/m, max(variance, rounding), chi})
	}
	weigh(all, 0, 1) // it flows
	var until lineSums
	for k, s := range ss[:n-1] {
		at := bent.xs[k]
		until.add(at, bent.ys[k])
		// Between two readings much may flow: the flow stopped at any moment there.
		span := bent.xs[k+1] - at
		parts := 1
		if flowed := s.v - ss[k+1].v; flowed > blur {
			parts = int(min(flowed/blur, stopsMost)) + 1
		}
		for i := range parts {
			stop := at + float64(span*float64(i)/float64(parts))
			weigh(until, stop, span/float64(parts)/stopsAbout.Seconds()*math.Exp(stop/stopsAbout.Seconds()))
		}
	}
	sum := 0.0
	for i := range stands {
		stands[i].share = float64(stands[i].share * math.Exp((best-stands[i].chi)/2))
		sum += stands[i].share
	}
	for i := range stands {
		stands[i].share /= sum
	}
	// A flow that dies away bends all along; so does noise at times, and this is
	// asked at each reading.
	return stands, best <= 2*m && bent.about()/each > best-stepBetter
}
