package physics

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Example 15 of the field guide: 2 and 3 are crossed.
func TestAssignByTheFieldGuidesExample(t *testing.T) {
	r := [][]float64{{9.1, .3, .2, .1}, {.2, .4, 8.6, .3}, {.1, 8.9, .5, .2}, {.3, .2, .1, 9.4}}
	to, total := Assign(r)
	if !slices.Equal(to, []int{0, 2, 1, 3}) || math.Abs(total-36.0) > 1e-9 {
		t.Errorf("%v, %g; want 1-1, 2-3, 3-2, 4-4 and 36.0", to, total)
	}
	identity := 0.0
	for i := range r {
		identity += r[i][i]
	}
	if math.Abs(total-identity-16.6) > 1e-9 {
		t.Errorf("better than straight by %g; want 16.6", total-identity)
	}
}

// The example of SciPy's documentation of linear_sum_assignment: the least
// cost of this matrix is 5, by the columns 1, 0, 2.
func TestAssignByAPublishedExample(t *testing.T) {
	w := [][]float64{{4, 1, 3}, {2, 0, 5}, {3, 2, 2}}
	for i := range w {
		for j := range w[i] {
			w[i][j] = 10 - w[i][j] // the least cost is the greatest of what is left
		}
	}
	if to, total := Assign(w); !slices.Equal(to, []int{1, 0, 2}) || total != 25 {
		t.Errorf("%v, %g", to, total)
	}
}

// best tries every matching, unmatched rows included.
func best(w [][]float64, i int, taken []bool) float64 {
	if i == len(w) {
		return 0
	}
	most := best(w, i+1, taken)
	for j := range w[i] {
		if !taken[j] {
			taken[j] = true
			most = max(most, w[i][j]+best(w, i+1, taken))
			taken[j] = false
		}
	}
	return most
}

func TestAssignAgainstEveryMatching(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 400 {
		n, m := 1+r.IntN(6), 1+r.IntN(6)
		w := make([][]float64, n)
		for i := range w {
			w[i] = make([]float64, m)
			for j := range w[i] {
				w[i][j] = math.Round(r.NormFloat64() * 5)
				if r.IntN(8) == 0 {
					w[i][j] = math.Inf(-1)
				}
			}
		}
		to, total := Assign(w)
		if want := best(w, 0, make([]bool, m)); math.Abs(total-want) > 1e-9 {
			t.Fatalf("%v: %v, %g; the best is %g", w, to, total, want)
		}
		sum, taken := 0.0, map[int]bool{}
		for i, j := range to {
			if j >= 0 {
				if taken[j] {
					t.Fatalf("%v: column %d twice: %v", w, j, to)
				}
				taken[j] = true
				sum += w[i][j]
			}
		}
		if math.Abs(sum-total) > 1e-9 {
			t.Fatalf("%v: %v sums to %g, not %g", w, to, sum, total)
		}
		for i, margin := range Margins(w, to, total) {
			if to[i] < 0 {
				continue
			}
			was := w[i][to[i]]
			w[i][to[i]] = math.Inf(-1)
			if want := total - best(w, 0, make([]bool, m)); math.Abs(margin-want) > 1e-9 {
				t.Fatalf("row %d: margin %g, want %g", i, margin, want)
			}
			w[i][to[i]] = was
		}
	}
}
