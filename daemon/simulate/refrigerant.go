package simulate

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed saturation.csv
var saturationCSV string // its source stands in its first lines

// saturation is the table of R-410A, by rising temperature.
type saturation []saturated

// saturated is one temperature on the boiling curve: absolute pressures in Pa,
// densities in kg/m3.
type saturated struct{ tempC, bubble, dew, liquid, vapour float64 }

func readSaturation(csv string) (saturation, error) {
	var table saturation
	for i, line := range strings.Split(strings.TrimSpace(csv), "\n") {
		cells := strings.Split(line, ",")
		if strings.HasPrefix(line, "#") || cells[0] == "fluid" {
			continue
		}
		if len(cells) < 6 {
			return nil, fmt.Errorf("saturation.csv:%d: %d columns; six are needed", i+1, len(cells))
		}
		var v [5]float64
		for j := range v {
			x, err := strconv.ParseFloat(cells[j+1], 64)
			if err != nil {
				return nil, fmt.Errorf("saturation.csv:%d: %q is not a number", i+1, cells[j+1])
			}
			v[j] = x
		}
		table = append(table, saturated{v[0], v[1] * 1e3, v[2] * 1e3, v[3], v[4]})
	}
	return table, nil
}

// at interpolates at a temperature in C; outside the table the ends stand.
func (s saturation) at(tempC float64) saturated {
	for i := 1; i < len(s); i++ {
		a, b := s[i-1], s[i]
		if tempC > b.tempC && i < len(s)-1 {
			continue
		}
		x := min(1, max(0, (tempC-a.tempC)/(b.tempC-a.tempC)))
		mix := func(p, q float64) float64 { return p + x*(q-p) }
		return saturated{tempC, mix(a.bubble, b.bubble), mix(a.dew, b.dew), mix(a.liquid, b.liquid), mix(a.vapour, b.vapour)}
	}
	return s[0]
}
