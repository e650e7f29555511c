package physics

import (
	"math"
	"testing"
)

// ones are as many ones.
func ones(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = 1
	}
	return x
}

// Source: Anscombe, "Graphs in Statistical Analysis", The American Statistician
// 27 (1973), the first of his four sets: y = 3.00 + 0.500 x, the standard error of
// the slope 0.118, the sum of squares of what is left 13.76.
func TestRegressAgainstAnscombe(t *testing.T) {
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	e, ok := Wander{White: 1, TauS: 1}.Errors(x)
	if !ok {
		t.Fatal("white errors are always independent")
	}
	r, ok := Regress(e, [][]float64{ones(len(x)), x}, y, []float64{0, 0})
	if !ok {
		t.Fatal("a line is fixed by eleven points")
	}
	near(t, "intercept", r.Theta[0], 3.00, 0.005)
	near(t, "slope", r.Theta[1], 0.500, 0.0005)
	near(t, "left over", r.Chi2, 13.76, 0.005)
	near(t, "free", r.Free, 9, 1e-9)
	near(t, "standard error of the slope", math.Sqrt(r.Cov[1][1]*r.Chi2/r.Free), 0.118, 0.0005)
	near(t, "variance at x = 10", r.Var([]float64{1, 10}), 1.0/11+(10.0-9)*(10-9)/110, 1e-9)
	// Errors three times as large leave the line and a ninth of the chi-square.
	more, _ := Regress(e.Times(3), [][]float64{ones(len(x)), x}, y, []float64{0, 0})
	near(t, "slope, larger errors", more.Theta[1], r.Theta[1], 1e-9)
	near(t, "left over, larger errors", more.Chi2, r.Chi2/9, 1e-9)
}

// Source: the variance of the best mean of n values whose neighbours correlate by
// rho is s2 (1 + rho)/(n (1 - rho) + 2 rho), from memory (first-order autoregression).
func TestRegressWeighsWhatWanders(t *testing.T) {
	const n, sd, rho = 9, 2.0, 0.8
	var tS, y []float64
	for i := range n {
		tS, y = append(tS, float64(60*i)), append(y, 5)
	}
	e, ok := Wander{Sd: sd, TauS: -60 / math.Log(rho)}.Errors(tS)
	if !ok {
		t.Fatal("these errors can be taken apart")
	}
	r, ok := Regress(e, [][]float64{ones(n)}, y, []float64{0})
	if !ok {
		t.Fatal("a mean is fixed by nine values")
	}
	near(t, "mean", r.Theta[0], 5, 1e-9)
	relative(t, "variance of the mean", r.Cov[0][0], sd*sd*(1+rho)/(n*(1-rho)+2*rho), 1e-4)
	// What was known before counts as a value of that standard deviation.
	known, _ := Regress(e, [][]float64{ones(n)}, y, []float64{1.5})
	relative(t, "variance with a prior", known.Cov[0][0], 1/(1/r.Cov[0][0]+1/(1.5*1.5)), 1e-9)
	relative(t, "mean with a prior", known.Theta[0], 5/r.Cov[0][0]*known.Cov[0][0], 1e-9)
}

func TestRegressRefusesWhatIsNotFixed(t *testing.T) {
	e, _ := Wander{White: 1, TauS: 1}.Errors([]float64{0, 1, 2})
	if _, ok := Regress(e, [][]float64{ones(3), ones(3)}, []float64{1, 2, 3}, []float64{0, 0}); ok {
		t.Error("two columns that are the same fix nothing")
	}
	if _, ok := Regress(e, [][]float64{ones(3), {0, 1, 2}, {0, 1, 4}}, []float64{1, 2, 3}, []float64{0, 0, 0}); ok {
		t.Error("three coefficients of three values leave nothing to judge by")
	}
}

// What is forgotten at once is white: a mean's variance is sd^2/n (any textbook), also of values at one time.
func TestRegressTakesAWanderOfNoTimeForWhite(t *testing.T) {
	e, ok := Wander{Sd: 2, TauS: 0}.Errors([]float64{0, 0, 1, 2})
	if !ok {
		t.Fatal("refused")
	}
	r, ok := Regress(e, [][]float64{ones(4)}, []float64{1, 2, 3, 4}, []float64{0})
	if !ok {
		t.Fatal("not fixed")
	}
	relative(t, "mean", r.Theta[0], 2.5, 1e-9)
	relative(t, "variance of the mean", r.Cov[0][0], 2*2/4.0, 1e-5)
}
