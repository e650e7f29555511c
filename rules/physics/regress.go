package physics

import "math"

// Wander is an instrument's error as it wanders: of a standard deviation, and
// forgotten with a time constant; White is what each value has for itself.
type Wander struct{ Sd, TauS, White float64 }

// Regression is a linear model fitted by generalised least squares to values
// whose errors wander, with what was known of its coefficients beforehand.
type Regression struct {
	Theta []float64   // the coefficients
	Cov   [][]float64 // their covariance, by the errors as stated
	Chi2  float64     // of what is left, in units of the errors as stated
	Prior float64     // the same of the coefficients, in units of their priors
	Free  float64     // how many values that is worth
}

// Errors are those of a row of values at their times, taken apart so that
// neighbours become independent.
type Errors struct{ root [][]float64 }

// Errors are those of values at times. What is forgotten at once, or sooner, is white.
func (w Wander) Errors(tS []float64) (e Errors, ok bool) {
	all := make([]float64, len(tS)*(len(tS)+1)/2)
	e.root = make([][]float64, len(tS))
	for i := range tS {
		row := all[: i+1 : i+1]
		all = all[i+1:]
		for c := range row {
			row[c] = float64(float64(w.Sd*w.Sd) * w.kept(i == c, math.Abs(tS[i]-tS[c])))
		}
		row[i] += float64(w.White*w.White) + float64(1e-6*float64(w.Sd*w.Sd))
		e.root[i] = row
	}
	return e, cholesky(e.root)
}

// kept is how much of a value's wander is in another one so long after it.
func (w Wander) kept(itself bool, afterS float64) float64 {
	switch {
	case itself:
		return 1
	case !(w.TauS > 0): // 0/0 of two values at one time would be no number
		return 0
	}
	return math.Exp(-afterS / w.TauS)
}

// Times are the same errors, so many times as large.
func (e Errors) Times(k float64) Errors {
	more := Errors{make([][]float64, len(e.root))}
	for i, row := range e.root {
		more.root[i] = make([]float64, len(row))
		for c, v := range row {
			more.root[i][c] = float64(k * v)
		}
	}
	return more
}

// Regress fits y = X theta. A column's prior is its coefficient's standard
// deviation about nought before anything was measured; 0: nothing was known.
// ok is false where the values do not fix the coefficients.
func Regress(e Errors, columns [][]float64, y, prior []float64) (r Regression, ok bool) {
	n, k := len(y), len(columns)
	if n <= k {
		return r, false
	}
	v := e.root
	white := make([][]float64, k) // what the columns are once neighbours are independent
	for c := range columns {
		white[c] = forward(v, columns[c])
	}
	wy := forward(v, y)
	a, b := make([][]float64, k), make([]float64, k)
	known := 0.0
	for i := range a {
		a[i] = make([]float64, i+1)
		for c := range a[i] {
			a[i][c] = dot(white[i], white[c])
		}
		b[i] = dot(white[i], wy)
		if prior[i] > 0 {
			// A column that says little leaves its prior as it was, and costs no freedom.
			own := 1 / float64(prior[i]*prior[i])
			known += own / (own + a[i][i])
			a[i][i] += own
		}
	}
	if !cholesky(a) {
		return r, false
	}
	r.Theta = back(a, forward(a, b))
	r.Cov = make([][]float64, k)
	for i := range r.Cov {
		unit := make([]float64, k)
		unit[i] = 1
		r.Cov[i] = back(a, forward(a, unit))
	}
	for i := range wy {
		e := wy[i]
		for c := range white {
			e -= float64(white[c][i] * r.Theta[c])
		}
		r.Chi2 += float64(e * e)
	}
	for i, sd := range prior {
		if sd > 0 {
			r.Prior += float64((r.Theta[i] / sd) * (r.Theta[i] / sd))
		}
	}
	r.Free = float64(n-k) + known
	return r, true
}

// Var is the variance of a sum of the coefficients, each times its part.
func (r Regression) Var(part []float64) (v float64) {
	for i := range part {
		v += float64(part[i] * dot(r.Cov[i], part))
	}
	return max(v, 0)
}

// cholesky factors a symmetric matrix, given as its lower triangle, in place.
func cholesky(a [][]float64) bool {
	for i := range a {
		for c := 0; c <= i; c++ {
			s := a[i][c]
			for k := range c {
				s -= float64(a[i][k] * a[c][k])
			}
			if c < i {
				a[i][c] = s / a[c][c]
				continue
			}
			if !(s > 1e-12*math.Abs(a[i][i])) {
				return false
			}
			a[i][i] = math.Sqrt(s)
		}
	}
	return true
}

// forward solves L x = b, back L' x = b.
func forward(l [][]float64, b []float64) []float64 {
	x := make([]float64, len(b))
	for i := range b {
		x[i] = (b[i] - dot(l[i][:i], x[:i])) / l[i][i]
	}
	return x
}

func back(l [][]float64, b []float64) []float64 {
	x := append([]float64(nil), b...)
	for i := len(x) - 1; i >= 0; i-- {
		for k := i + 1; k < len(x); k++ {
			x[i] -= float64(l[k][i] * x[k])
		}
		x[i] /= l[i][i]
	}
	return x
}

func dot(a, b []float64) (s float64) {
	for i := range a {
		s += float64(a[i] * b[i])
	}
	return s
}
