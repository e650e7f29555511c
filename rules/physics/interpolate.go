package physics

import "sort"

// spline is a cubic spline through points of increasing x, whose first two and
// last two pieces are one cubic each (not-a-knot), so that the ends of a table
// are as good as its middle.
type spline struct{ x, y, bend []float64 } // bend: second derivatives

// newSpline needs at least four points.
func newSpline(x, y []float64) spline {
	n := len(x) - 1
	h := make([]float64, n)
	for i := range h {
		h[i] = x[i+1] - x[i]
	}
	// One equation for each inner bend: below*b[i-1] + here*b[i] + above*b[i+1] = right.
	below, here, above, right := make([]float64, n+1), make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)
	for i := 1; i < n; i++ {
		below[i], here[i], above[i] = h[i-1], 2*(h[i-1]+h[i]), h[i]
		right[i] = 6 * ((y[i+1]-y[i])/h[i] - (y[i]-y[i-1])/h[i-1])
	}
	here[1] += float64(h[0] * (h[0] + h[1]) / h[1])
	above[1] -= float64(h[0] * h[0] / h[1])
	here[n-1] += float64(h[n-1] * (h[n-2] + h[n-1]) / h[n-2])
	below[n-1] -= float64(h[n-1] * h[n-1] / h[n-2])
	for i := 2; i < n; i++ {
		k := below[i] / here[i-1]
		here[i] -= float64(k * above[i-1])
		right[i] -= float64(k * right[i-1])
	}
	b := make([]float64, n+1)
	for i := n - 1; i > 0; i-- {
		b[i] = right[i] / here[i]
		if i < n-1 {
			b[i] -= float64(above[i] * b[i+1] / here[i])
		}
	}
	b[0] = b[1] + float64((b[1]-b[2])*h[0]/h[1])
	b[n] = b[n-1] + float64((b[n-1]-b[n-2])*h[n-1]/h[n-2])
	return spline{x, y, b}
}

// at is the spline's value; beyond its ends the outermost cubic goes on.
func (s spline) at(x float64) float64 {
	i := min(max(sort.SearchFloat64s(s.x, x)-1, 0), len(s.x)-2)
	h := s.x[i+1] - s.x[i]
	a, b := (s.x[i+1]-x)/h, (x-s.x[i])/h
	line := float64(a*s.y[i]) + float64(b*s.y[i+1])
	curve := float64((float64(a*a)-1)*a*s.bend[i]) + float64((float64(b*b)-1)*b*s.bend[i+1])
	return line + float64(curve*h*h/6)
}

// solve finds where a rising function passes a value, to the last digit or so.
func solve(low, high, value float64, f func(float64) float64) float64 {
	for range 60 {
		mid := float64((low + high) / 2)
		if f(mid) > value {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2
}
