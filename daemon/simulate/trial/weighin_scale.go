package trial

import (
	"math"
	"math/rand/v2"
)

// scale is a platform with its display.
type scale struct {
	r      *rand.Rand
	unit   string
	digit  float64 // kg
	every  float64 // s
	next   float64 // s: when it reads again
	slow   float64 // kg: what its filter has come to
	zero   float64 // kg taken off what it carries
	hose   float64 // kg: a hose laid on it
	bumpKg float64
	bumped float64 // s: until then

	wind  drift
	creep float64 // kg, in the end, of what was loaded at the beginning
	warm  float64 // kg/h: the sun on it
	curve float64 // kg: and the way there

	silent, frozen float64 // s: until then nothing comes; the last value stands
	buffers        bool    // what was taken in a silence comes at its end
	held           float64
	atLast         float64 // s: the newest live reading
}

func newScale(r *rand.Rand) scale {
	s := scale{
		r: r, unit: "kg", digit: pick(r, 0.005, 0.005, 0.01, 0.01, 0.02, 0.05),
		every: pick(r, 1.0, 1.0, 2.0, 2.0, 2.0, 5.0, 10.0, 30.0),
	}
	if chance(r, 0.2) {
		s.unit, s.digit = "lb", pick(r, 0.01, 0.02, 0.05)*0.45359237
	}
	s.wind = drift{r: r, spread: between(r, 0.0005, 0.002), tau: between(r, 1, 3)}
	if chance(r, 0.35) { // 10 to 50 g of wind (the field guide)
		s.wind.spread = spreadOver(r, 0.004, 0.05)
	}
	if chance(r, 0.35) { // less than 20 g in half an hour (the field guide, from memory)
		s.creep = between(r, -0.02, 0.02)
		s.warm = between(r, -0.015, 0.015)
		s.curve = between(r, -0.008, 0.008)
	}
	return s
}

func (s *scale) reset(load float64) { s.slow = load }

// tared is what the zero button does: all that is on it shows as nothing.
func (s *scale) tared(t, load float64) { s.zero, s.slow = load+s.platform(t)+s.hose, -s.platform(t) }

// platform is what creep and warmth have added by now.
func (s *scale) platform(t float64) float64 {
	return float64(s.creep*(1-math.Exp(-t/900))) + float64(s.warm*t/3600) + float64(s.curve*math.Sin(t/1500))
}

// bump knocks it for some seconds.
func (s *scale) bump(t, seconds, kg float64) { s.bumped, s.bumpKg = t+seconds, kg }

// follow lets its filter follow a load for one tick.
func (s *scale) follow(t, load float64) {
	kg := load + s.hose - s.zero
	if t < s.bumped {
		kg += s.bumpKg
	}
	s.slow += float64((kg - s.slow) * filter)
}

// filter is what a tick moves a display whose filter takes 0.6 s.
const filter = 0.1535

// read lets the scale show, the box hear, and the log grow.
func (w *weighing) read() {
	s := &w.scale
	s.follow(w.t, w.load())
	if w.t < s.next {
		return
	}
	s.next += s.every
	shown := toDigit(s.slow+s.platform(w.t)+s.wind.after(s.every), s.digit)
	if w.t < s.frozen {
		shown = s.held
	} else {
		s.held = shown
	}
	silent := w.t < s.silent
	if w.t < w.boxOff || silent && !s.buffers || chance(w.r, w.lost) {
		return
	}
	row := Row{Time: afterS(w.begun, w.t+between(w.r, -0.04, 0.04)), Kind: "reading", Name: "scale"}
	row.Value = text(shown, 3)
	if s.unit == "lb" {
		row.Value = text(shown/0.45359237, 2)
	}
	if silent {
		row.Known = afterS(w.begun, s.silent)
	} else if w.t >= s.frozen {
		w.live(shown)
	}
	w.rows = append(w.rows, row)
}

// rests is how long a display that follows by 0.6 s takes to show a cylinder
// that was put on, to a few grams: ten times as long.
const rests = 6 // s

// live notes a reading that the box hears at once.
func (w *weighing) live(shown float64) {
	s := &w.seen
	still := math.IsNaN(s.over) || w.scale.atLast < s.over+30
	if soon := s.targetKg-w.charged < 5*60*w.rate; soon && still {
		s.blind = max(s.blind, w.t-w.scale.atLast)
	}
	w.scale.atLast = w.t
	if !w.open && !w.lifted && w.t > w.scale.bumped+2 && w.t > s.touched+2 {
		s.still = true
		s.stands.read(shown, w.t > max(w.scale.bumped, s.touched)+rests)
	}
	if math.IsNaN(s.arrival) {
		s.foretells.read(w.t, s.targetKg-w.charged, w.rate)
	}
	if !math.IsNaN(s.over) {
		seen := w.charged - (w.scale.platform(w.t) - s.startPlatform)
		s.passing = append(s.passing, passing{w.t, max(0, seen-s.targetKg)})
	}
}
