package record

import "math"

// piece is a part of a state's shape, in a box of 20 by 20, y down: a line
// along points, filled or open; without points the open circle.
type piece struct {
	points [][2]float64
	full   bool
}

const circleRadius = 7.5

// shapes are the states' shapes, the same on paper and on the page, and as on
// the box's own pages where those have the state. The word always stands beside.
func shapes(state string) []piece {
	square := [][2]float64{{3, 3}, {17, 3}, {17, 17}, {3, 17}, {3, 3}}
	switch state {
	case "passed":
		return []piece{{square, true}}
	case "failed":
		return []piece{{[][2]float64{{10, 2}, {19, 18}, {1, 18}, {10, 2}}, true}}
	case "not-proven":
		return []piece{{[][2]float64{{10, 1.5}, {18.5, 10}, {10, 18.5}, {1.5, 10}, {10, 1.5}}, false}}
	case "reported": // by somebody, not measured
		return []piece{{square, false}}
	case "accepted": // by somebody, against the finding
		return []piece{{square, false}, {[][2]float64{{6, 10}, {9, 14}, {14.5, 6}}, false}}
	case "under-way":
		half := make([][2]float64, 0, 19)
		for i := 0; i <= 18; i++ {
			sin, cos := math.Sincos(math.Pi/2 - float64(i)*math.Pi/18)
			half = append(half, [2]float64{10 + float64(circleRadius*cos), 10 - float64(circleRadius*sin)})
		}
		return []piece{{}, {half, true}}
	case "ended":
		return []piece{{}, {[][2]float64{{4.7, 15.3}, {15.3, 4.7}}, false}}
	}
	return []piece{{}} // open: it waits for somebody
}
