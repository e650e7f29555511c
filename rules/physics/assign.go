package physics

import "math"

// Assign matches rows to columns so that the sum of the matched weights is
// greatest; each row and each column is matched at most once. A row for which
// nothing above nought is left stays unmatched (-1). A weight of minus
// infinity is never taken.
//
// It is the Hungarian method with shortest augmenting paths and potentials
// (Kuhn 1955; Jonker and Volgenant 1987), of cubic cost. The libraries for it
// in Go are hardly kept and know no unmatched rows.
func Assign(weights [][]float64) (to []int, total float64) {
	n := len(weights)
	to = make([]int, n)
	if n == 0 {
		return to, 0
	}
	m := len(weights[0])
	// To leave a row unmatched is to match it to a column of its own at no cost.
	cost := func(i, j int) float64 {
		switch {
		case j < m:
			return -weights[i][j]
		case j == m+i:
			return 0
		}
		return math.Inf(1)
	}
	all := m + n
	u, v := make([]float64, n), make([]float64, all+1)
	row := make([]int, all+1) // of each column; the last column is where a path begins
	for j := range row {
		row[j] = -1
	}
	from := make([]int, all+1)
	least := make([]float64, all+1)
	done := make([]bool, all+1)
	for i := range n {
		for j := range least {
			least[j], done[j] = math.Inf(1), false
		}
		at := all
		row[at] = i
		for row[at] >= 0 {
			done[at] = true
			r, next, step := row[at], -1, math.Inf(1)
			for j := range all {
				if done[j] {
					continue
				}
				if c := cost(r, j) - u[r] - v[j]; c < least[j] {
					least[j], from[j] = c, at
				}
				if least[j] < step {
					step, next = least[j], j
				}
			}
			for j := range done {
				if done[j] {
					u[row[j]] += step
					v[j] -= step
				} else {
					least[j] -= step
				}
			}
			at = next
		}
		for at != all {
			row[at] = row[from[at]]
			at = from[at]
		}
		row[all] = -1
	}
	for i := range to {
		to[i] = -1
	}
	for j := range m {
		if i := row[j]; i >= 0 {
			to[i] = j
			total += weights[i][j]
		}
	}
	return to, total
}

// Margins says by how much the best total beats the best one without each
// matched pair; of an unmatched row infinity.
func Margins(weights [][]float64, to []int, total float64) []float64 {
	margins := make([]float64, len(to))
	for i, j := range to {
		margins[i] = math.Inf(1)
		if j < 0 {
			continue
		}
		w := weights[i][j]
		weights[i][j] = math.Inf(-1)
		_, second := Assign(weights)
		weights[i][j] = w
		margins[i] = total - second
	}
	return margins
}
