package rules

import (
	"math"
	"time"
)

// still follows whether an instrument that shows one value over and over may still
// measure. What tells is how it moved before: noise that spans several of its own
// steps cannot come to rest on one of them, noise that is smaller than a step may
// rest there for hours. A level that rises or falls tells nothing of the noise, so
// only turns count: a change of two steps or more one way, and the next one back. A noise
// that wanders goes there and back in many readings: those are swings, and tell by how
// long they took.
type still struct {
	value    float64
	from, at time.Duration // the newest run of the very same value
	run      int           // readings in it
	longest  int           // in an earlier run
	heard    int
	changes  int
	turns    int
	change   float64 // the change before this run, 0: none yet
	step     float64 // the least change seen; 0: none
	usual    float64 // the mean size of a change, stray ones cut

	swings int           // there and back by as much as a turn, in however many readings
	toward float64       // where the newest one goes: 1 or -1; 0: none yet
	far    float64       // and how far it has come
	astray bool          // the newest reading lies far from there
	began  time.Duration // the first reading
}

const (
	turnSteps   = 2.0                // a noise of less than half a step makes no such turns
	turnMost    = 8.0                // of the usual change: a stray reading there and back is no noise
	usualOver   = 20                 // changes
	turnsLeast  = 8                  // before anything is said of the noise
	swingTimes  = 10                 // of the mean time of a swing, without any change (our choice)
	stillTimes  = 5                  // of the longest run before: what hands on each value several times shows runs
	stillLeast  = 20                 // readings
	stillChance = 1e-6               // of so long a run from an instrument that measures; our choice: a night has some thousand runs
	ninetyFive  = 1.6448536269514722 // one-sided, of a standard normal
	sameAs      = 1e-9               // of the value
)

// turnRates are how often readings with a normal noise of so many steps turn, in
// any phase (reckoned by drawing them).
var turnRates = []struct{ noise, rate float64 }{
	{0.4, 0.0028}, {0.45, 0.0057}, {0.5, 0.0104}, {0.55, 0.0178}, {0.6, 0.025}, {0.7, 0.044}, {0.8, 0.068},
	{1, 0.117}, {1.5, 0.231}, {2, 0.311}, {3, 0.411}, {5, 0.508},
}

// hear takes a reading, in order.
func (s *still) hear(x sample) {
	s.heard++
	d := x.v - s.value
	s.swing(x)
	if s.heard == 1 || math.Abs(d) > sameAs*math.Abs(x.v) {
		if s.heard > 1 {
			s.moved(d)
		}
		s.longest, s.run = max(s.longest, s.run), 0
		s.value, s.from = x.v, x.t
	}
	s.run++
	s.at = x.t
}

func (s *still) moved(d float64) {
	size, before := math.Abs(d), math.Abs(s.change)
	if s.step == 0 || size < s.step {
		s.step = size
	}
	if least := min(size, before); d*s.change < 0 && least > (turnSteps-0.5)*s.step && max(size, before) < turnMost*s.usual {
		s.turns++
	}
	s.changes++
	if s.changes > 3 {
		size = min(size, turnMost*s.usual)
	}
	s.usual += (size - s.usual) / float64(min(s.changes, usualOver))
	s.change = d
}

// swing follows how the readings go there and back; a stray one is no swing.
func (s *still) swing(x sample) {
	by := x.v - s.far
	switch {
	case s.heard == 1:
		s.far, s.began = x.v, x.t
	case s.step == 0:
	case math.Abs(by) >= turnMost*s.usual:
		if s.astray { // no stray one: it goes on from there, after a gap perhaps
			s.far, s.toward = x.v, 0
		}
		s.astray = !s.astray
		return
	case by*s.toward > 0:
		s.far = x.v
	case math.Abs(by) > (turnSteps-0.5)*s.step:
		if s.toward != 0 {
			s.swings++
		}
		s.far, s.toward = x.v, math.Copysign(1, by)
	}
	s.astray = false
}

// noise is the least that its noise may be, in steps; 0: less than can be told.
func (s *still) noise() (steps float64) {
	k := float64(s.turns)
	if k < turnsLeast {
		return 0
	}
	rate := (k - float64(ninetyFive*math.Sqrt(k))) / float64(s.heard-s.run)
	for _, x := range turnRates {
		if rate >= x.rate {
			steps = x.noise
		}
	}
	return steps
}

// stopped reports whether a gauge of a closed volume is frozen, or has rested for many of its swings: there
// they are its noise. Those of a thermometer are the day's, which grows quiet.
func (s *still) stopped() bool {
	k := float64(s.swings)
	return s.frozen() || s.run >= max(stillLeast, stillTimes*s.longest) && k >= turnsLeast &&
		float64(k*(s.at-s.from).Seconds()) >= float64(swingTimes*(s.from-s.began).Seconds())
}

// frozen reports whether the newest run is longer than an instrument that goes
// on measuring shows.
func (s *still) frozen() bool {
	if s.run < max(stillLeast, stillTimes*s.longest) {
		return false
	}
	noise := s.noise()
	return noise > 0 && float64(s.run)*math.Log(math.Erf(1/(2*math.Sqrt2*noise))) < math.Log(stillChance)
}
