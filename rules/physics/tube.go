package physics

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Tube is copper tube of one size.
type Tube struct {
	OutsideM, WallM float64
	Source          string // the standard, or where the wall comes from
}

// BoreM is the inside diameter.
func (t Tube) BoreM() float64 { return t.OutsideM - 2*t.WallM }

// M3PerM is the volume of a metre of it, in m3.
func (t Tube) M3PerM() float64 {
	b := t.BoreM()
	return math.Pi / 4 * b * b
}

const inch = 0.0254

const (
	b280   = "ASTM B280, annealed"
	b88    = "ASTM B88 type L, drawn; the same in ASTM B280 from memory"
	en     = "EN 12735-1 size, wall from memory"
	within = 0.06e-3 // 5/8 in is sold as 15.88, 15.875 and 15.9 mm
)

// tubes are the sizes whose wall is known. Where several walls are sold the
// first counts, the usual one: annealed tube to ASTM B280 (as read in
// engineering tables of that standard), then sizes of EN 12735-1 that B280
// lacks. Drawn tube holds 3 to 4 % less from 1/2 to 5/8 in: give its wall.
var tubes = []Tube{
	{inch / 4, 0.030 * inch, b280},
	{3 * inch / 8, 0.032 * inch, b280},
	{inch / 2, 0.032 * inch, b280},
	{5 * inch / 8, 0.035 * inch, b280},
	{3 * inch / 4, 0.035 * inch, b280}, // 0.042 in is sold too
	{7 * inch / 8, 0.045 * inch, b280},
	{1.125 * inch, 0.050 * inch, b280},
	{1.375 * inch, 0.055 * inch, b280},
	{1.625 * inch, 0.060 * inch, b88},
	{25.4e-3, 1.0e-3, en},
	{31.75e-3, 1.1e-3, en},
	{38.1e-3, 1.25e-3, en},
}

// TubeOf finds the tube of an outside diameter; a wall that is given (not 0)
// wins over the standard's.
func TubeOf(outsideM, wallM float64) (Tube, error) {
	if wallM != 0 {
		t := Tube{outsideM, wallM, "wall as given"}
		if !(wallM > 0 && t.BoreM() > 0) {
			return Tube{}, fmt.Errorf("a tube of %.4g mm outside with a wall of %.4g mm has no bore", outsideM*1e3, wallM*1e3)
		}
		return t, nil
	}
	i := slices.IndexFunc(tubes, func(t Tube) bool { return math.Abs(t.OutsideM-outsideM) <= within })
	if i < 0 {
		var sizes []string
		for _, t := range slices.SortedFunc(slices.Values(tubes), func(a, b Tube) int { return cmp.Compare(a.OutsideM, b.OutsideM) }) {
			sizes = append(sizes, fmt.Sprintf("%.5g", t.OutsideM*1e3))
		}
		return Tube{}, fmt.Errorf("no wall is known for copper tube of %.5g mm outside; give its wall, or one of the sizes %s mm", outsideM*1e3, strings.Join(sizes, ", "))
	}
	return tubes[i], nil
}
