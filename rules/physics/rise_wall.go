package physics

import (
	"math"
	"slices"
)

// The grid of how fast water follows the wall, and from where on the wall is said
// to have moved: half a kelvin.
const (
	wallFirstS = 60.0
	wallRatio  = 1.6
	wallMoved  = 0.03 // of water's pressure
)

// wall is how water's pressure at the wall went: of that at first, and after how
// long. Empty: not known, or it hardly moved.
type wall struct{ tS, is []float64 }

// follow is what approaches the wall's pressure with a time constant, from
// nothing, dt seconds on: the exact answer while the wall's goes straight from a to b.
func follow(g, a, b, dtS, tauS float64) float64 {
	x := dtS / tauS
	if x <= 0 {
		return g
	}
	keep := math.Exp(-x)
	return float64(keep*g) + b - float64(a*keep) - float64((b-a)*(-math.Expm1(-x)/x))
}

// at is what a walled form's start and its rise are multiplied with at a time;
// the wall stays as it was last.
func (w wall) at(f *form, tS float64) (start, rise float64) {
	i, _ := slices.BinarySearch(w.tS, tS)
	if i = max(i-1, 0); i+1 < len(w.tS) {
		to := w.is[i] + float64((w.is[i+1]-w.is[i])*((tS-w.tS[i])/(w.tS[i+1]-w.tS[i])))
		rise = follow(f.raw[i], w.is[i], to, tS-w.tS[i], f.tauS)
	} else {
		rise = follow(f.raw[i], w.is[i], w.is[i], tS-w.tS[i], f.tauS)
	}
	return math.Exp(-tS/f.tauS) + rise, rise
}

// takeWall takes how water's pressure at the wall went.
func (f *fit) takeWall(stretches []Stretch) {
	low, high := math.Inf(1), 0.0
	for _, s := range stretches {
		if !(s.Water > 0.01 && s.Water < 100) {
			return
		}
		low, high = min(low, s.Water), max(high, s.Water)
	}
	if high > low*(1+wallMoved) {
		f.wall.tS = f.tS
		for _, s := range stretches {
			f.wall.is = append(f.wall.is, s.Water)
		}
	}
}
