package trial

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"
)

// Products that are added are written float64(a*b)+c: a compiler may fuse them
// into one rounding on one machine and not on another (deploy/check finds what
// is left). What still differs by machine is the last place of math's functions.

// between draws evenly from low to high.
func between(r *rand.Rand, low, high float64) float64 {
	return low + float64((high-low)*r.Float64())
}

// spreadOver draws from low to high so that each factor is as likely as any
// other: for what spans decades. Both are above zero.
func spreadOver(r *rand.Rand, low, high float64) float64 {
	return low * math.Exp(r.Float64()*math.Log(high/low))
}

// pick draws one of several.
func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

// chance is true with a probability.
func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

// drift is noise whose neighbours resemble each other: mean 0, a standard
// deviation, and the time in which its correlation falls to 1/e.
type drift struct {
	r           *rand.Rand
	spread, tau float64
	at          float64
	begun       bool
}

// after is its value dt seconds after the last.
func (d *drift) after(dt float64) float64 {
	if d.spread == 0 {
		return 0
	}
	if !d.begun {
		d.begun, d.at = true, d.r.NormFloat64()
		return d.spread * d.at
	}
	alike := 0.0
	if d.tau > 0 {
		alike = math.Exp(-dt / d.tau)
	}
	d.at = float64(alike*d.at) + float64(math.Sqrt(1-float64(alike*alike))*d.r.NormFloat64())
	return d.spread * d.at
}

// toDigit rounds to a display's digit.
func toDigit(x, digit float64) float64 {
	if digit <= 0 {
		return x
	}
	return math.Round(x/digit) * digit
}

// text writes a number with so many decimals.
func text(x float64, decimals int) string {
	return strconv.FormatFloat(x+0, 'f', decimals, 64)
}

// afterS is a moment some seconds after another, to the millisecond.
func afterS(t time.Time, s float64) time.Time {
	return t.Add(time.Duration(math.Round(s*1000)) * time.Millisecond)
}
