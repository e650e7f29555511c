package rules

import "math"

// hypot is the root of the sum of two squares. The library's is fused on arm64 and
// written otherwise for amd64: the last place would not be the same on every machine.
func hypot(a, b float64) float64 { return math.Sqrt(float64(a*a) + float64(b*b)) }
