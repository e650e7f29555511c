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
	stopsAbout   = time.Minute       // after as long a valve is as likely shut as not, where nothing is known: near the target somebody stands by it; our choice
	surelyPast   = 0.95              // the probability at which somebody is called; our choice, from trial runs with seeds
)

// mayStand is what may stand on a scale now, and how likely that is.
type mayStand struct{ share, kg, variance float64 }

// past is the probability that the charge is above a mass by now, over all
// moments at which the flow may have stopped.
func (l *ledger) past(limitKg float64) (above float64) {
	all := []mayStand{{1, l.charge(Setting{}, false).bestKg, 0}}
	for _, p := range l.platforms {
		ends := p.variance + float64(p.startSe()*p.startSe())
		if len(p.own()) == 0 || p.lifted {
			all = among(all, []mayStand{{1, 0, ends + float64(p.fit.se*p.fit.se)}})
			continue
		}
		stands := p.mayStand()
		for i := range stands {
			stands[i].kg = p.levelKg() - stands[i].kg
			stands[i].variance += ends
		}
		all = among(all, stands)
	}
	for _, s := range all {
		above += float64(s.share * (1 - math.Erf((limitKg-s.kg)/math.Sqrt(2*s.variance))) / 2)
	}
	return above
}

// among takes each of what may stand on one scale with each on another.
func among(these, those []mayStand) (all []mayStand) {
	for _, a := range these {
		for _, b := range those {
			all = append(all, mayStand{a.share * b.share, a.kg + b.kg, a.variance + b.variance})
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
	each := float64(p.noise.sigma()*p.noise.sigma()) * float64(p.noise.inflation()*p.noise.inflation())
	m := float64(n)
	rounding := float64(p.noise.digit*p.noise.digit) / 12 / (1 + float64(m*p.noise.dither()))
	best := math.Inf(1)
	var chis []float64
	for k := n - 1; k >= 0; k-- {
		away := last.t - ss[k].t
		if k < n-1 && away > 2*stopsAbout {
			break
		}
		// A line up to there, and level since.
		var sx, sy, sxx, sxy, syy float64
		for _, s := range ss {
			x := min(0, (s.t - ss[k].t).Seconds())
			y := s.v - last.v
			sx, sy = sx+x, sy+y
			sxx, sxy, syy = sxx+float64(x*x), sxy+float64(x*y), syy+float64(y*y)
		}
		wide := sxx - float64(sx*sx)/m
		fall, about := 0.0, syy-float64(sy*sy)/m
		variance := each / m
		if wide > 1e-9 {
			fall = max(0, -(sxy-float64(sx*sy)/m)/wide)
		}
		if fall > 0 {
			about -= float64(fall * fall * wide)
			variance += float64(each * (sx / m) * (sx / m) / wide)
		}
		chi := max(0, about) / each
		best = min(best, chi)
		prior := 1.0
		if k < n-1 {
			prior = (ss[k+1].t - ss[k].t).Seconds() / stopsAbout.Seconds() * math.Exp(-away.Seconds()/stopsAbout.Seconds())
		}
		chis = append(chis, chi)
		stands = append(stands, mayStand{prior, last.v + (sy+float64(fall*sx))/m, max(variance, rounding)})
	}
	sum := 0.0
	for i := range stands {
		stands[i].share = float64(stands[i].share * math.Exp((best-chis[i])/2))
		sum += stands[i].share
	}
	for i := range stands {
		stands[i].share /= sum
	}
	return stands, best <= 2*m
}
