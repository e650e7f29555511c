package simulate

import (
	"math"
	"math/rand/v2"
)

// wander is noise whose neighbours resemble each other, of mean 0 and a given
// spread: gauges drift, they do not hiss.
type wander struct {
	rand   *rand.Rand
	spread float64 // standard deviation
	alike  float64 // correlation of one sample with the next
	at     float64
}

func (w *wander) next() float64 {
	w.at = w.alike*w.at + math.Sqrt(1-w.alike*w.alike)*w.rand.NormFloat64()
	return w.spread * w.at
}

// to rounds to a display's digit.
func to(digit, x float64) float64 { return math.Round(x/digit) * digit }
