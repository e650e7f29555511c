package simulate

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed quayside.yaml
var siteYAML string

//go:embed takeoff.csv
var takeoffCSV string

// litresPerMetre of annealed copper tube by outside diameter: ASTM B280 walls,
// pi/4 of the bore squared.
var litresPerMetre = map[string]float64{
	"3/8 in": 0.04901, "1/2 in": 0.09632, "5/8 in": 0.15608,
	"3/4 in": 0.23430, "7/8 in": 0.31225, "1-1/8 in": 0.53236,
}

// volumes adds up a take-off: all lines, and the liquid lines alone, in litres.
func volumes(csv string) (all, liquid float64, err error) {
	for i, line := range strings.Split(strings.TrimSpace(csv), "\n")[1:] {
		c := strings.Split(line, ",")
		if len(c) != 4 {
			return 0, 0, fmt.Errorf("takeoff.csv:%d: %d columns; run,line,outside_diameter,length are needed", i+2, len(c))
		}
		per, ok := litresPerMetre[c[2]]
		metres, bad := strconv.ParseFloat(strings.TrimSuffix(c[3], " m"), 64)
		if !ok || bad != nil {
			return 0, 0, fmt.Errorf("takeoff.csv:%d: %q of %q cannot be read", i+2, c[3], c[2])
		}
		all += per * metres
		if c[1] == "liquid" {
			liquid += per * metres
		}
	}
	return all, liquid, nil
}

const (
	coilsL       = 12 * 1.8 // the indoor units' coils (from memory: 1 to 3 l each)
	branchUnitsL = 3 * 1.5  // and the branch units (an assumption)
)
