package trial

import "math"

// What nobody can know the truth tells too, so that a judge is not asked for
// it: three facts by somebody who knows more than any judge.

// standing is what the scale showed while a cylinder stood still on it: the
// mean of each such stretch. Somebody who knew which readings those are, and
// took the first stretch's mean of each cylinder less the last one's, would
// still err by what rounding and wind leave.
type standing struct {
	sum         float64
	n           int
	coarse      bool // while the display still came to rest
	first, last float64
	known       bool
	total       float64
}

// read takes a reading; one while the display still comes to rest counts only
// where there is no better one.
func (s *standing) read(kg float64, rested bool) {
	switch {
	case s.n == 0 || s.coarse:
		s.sum, s.n, s.coarse = kg, 1, !rested
	case rested:
		s.sum, s.n = s.sum+kg, s.n+1
	}
}

// unheard forgets what was shown before the first step's begin: no step hears it.
func (s *standing) unheard() { s.sum, s.n, s.coarse = 0, 0, false }

// over ends a stretch: a valve is opened.
func (s *standing) over() {
	if s.n == 0 {
		return
	}
	s.last = s.sum / float64(s.n)
	if !s.known {
		s.first, s.known = s.last, true
	}
	s.sum, s.n = 0, 0
}

// another ends a cylinder.
func (s *standing) another() {
	s.total = s.gave()
	s.known, s.first, s.last = false, 0, 0
}

// gave is what left the cylinders, by what they weighed standing still.
func (s *standing) gave() float64 {
	s.over()
	return s.total + s.first - s.last
}

// The lead and the mass left at which charge-near-target is asked for.
const (
	nearS  = 120
	nearKg = 0.2
)

// foretelling is when somebody would tell that the target is near who knew, at
// each reading that the box hears at once, what had gone in and how fast it
// flowed, though not what comes: a valve that is then turned makes his word
// come too early, one that is opened late too late. Once the valve is turned
// down he takes it back, and tells anew.
type foretelling struct {
	near bool
	at   float64 // s: when it came near last; NaN: never
}

func (f *foretelling) read(t, leftKg, kgPerS float64) {
	near := leftKg <= max(nearKg, float64(nearS*kgPerS))
	if near && !f.near {
		f.at = t
	}
	f.near = near
}

// passing is a reading after the target was passed by a digit, and by how much
// the target itself was passed then by what the scale can show: what its creep
// and warmth hide is in no reading.
type passing struct{ t, kg float64 }

// tells is by how many standard deviations the readings until a time tell what
// happened from a valve shut at the very target, to somebody who knows flow and
// noise (the square root of the likelihood's non-centrality: Neyman and
// Pearson). Who may call falsely once in a hundred times, and must call in 95
// of a hundred, needs 2.33 + 1.64 of them: where there are fewer, or no reading
// at all, no judge can do both. A reading before the digit was passed is no
// cause to call, whatever it shows.
func (w *weighing) tells(until float64) float64 {
	wind, digit := &w.scale.wind, w.scale.digit
	rounding, still := float64(digit*digit)/12, float64(wind.spread*wind.spread)
	// Where noise does not move a reading over its digit, what each cylinder
	// weighed standing still is rounded for good.
	ends := 0.0
	if wind.spread < digit/2 {
		ends = float64(rounding * float64(1+2*w.seen.swaps))
	}
	// The scale's noise follows itself and is rounded: a Kalman filter whitens
	// what is to be told, and what is the same in all readings.
	at, variance := math.NaN(), still
	var state, same, told, both, alike float64
	for _, p := range w.seen.passing {
		if p.t > until {
			break
		}
		if !math.IsNaN(at) {
			keep := math.Exp(-(p.t - at) / wind.tau)
			state, same = state*keep, same*keep
			variance = still + float64(keep*keep*(variance-still))
		}
		at = p.t
		off, one, of := p.kg-state, 1-same, variance+rounding
		told += float64(off * off / of)
		both += float64(off * one / of)
		alike += float64(one * one / of)
		gain := variance / of
		state += float64(gain * off)
		same += float64(gain * one)
		variance *= 1 - gain
	}
	return math.Sqrt(max(0, told-float64(ends*both*both)/(1+float64(ends*alike))))
}
