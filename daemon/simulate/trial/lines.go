package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// lines is a system's pipework as its take-off has it, and as it is.
type lines struct {
	rows           []string
	takeOffM3      float64 // of the rows
	coilsM3        float64 // of the indoor units' coils
	trunkM, limbM  float64 // from the outdoor unit to the last branch, and on to the farthest unit
	trunkB, limbB  float64 // bores of their suction lines
	units          int
	coilsInTakeOff bool
}

// tube is copper tube by its outside diameter and wall, both in mm (sizes of
// EN 12735-1; walls as commonly sold).
type tube struct{ outside, wall float64 }

func (t tube) boreM() float64 { return (t.outside - 2*t.wall) / 1000 }

// newLines draws a system of 6 to 20 indoor units. Lengths are common
// practice; a coil holds 1 to 3 l (from memory).
func newLines(r *rand.Rand, coilsInTakeOff bool) *lines {
	l := &lines{units: 6 + r.IntN(15), coilsInTakeOff: coilsInTakeOff}
	add := func(name, line string, t tube, lengthM float64) {
		lengthM = toDigit(lengthM, 0.5)
		l.rows = append(l.rows, fmt.Sprintf("%s,%s,%s mm,%s m,%s mm", name, line, text(t.outside, 2), text(lengthM, 1), text(t.wall, 1)))
		l.takeOffM3 += float64(math.Pi / 4 * t.boreM() * t.boreM() * lengthM)
	}
	gas := pick(r, tube{22.22, 1}, tube{28.58, 1})
	for i := range 3 + r.IntN(3) {
		m := between(r, 6, 30)
		l.trunkM += m
		add(fmt.Sprintf("trunk %d", i+1), "liquid", tube{15.88, 1}, m)
		add(fmt.Sprintf("trunk %d", i+1), "suction", gas, m)
	}
	l.trunkB, l.limbB = gas.boreM(), tube{15.88, 1}.boreM()
	coil := between(r, 1, 3) / 1000
	for i := range l.units {
		m := between(r, 3, 15)
		l.limbM = max(l.limbM, m)
		add(fmt.Sprintf("iu%02d", i+1), "liquid", tube{9.52, 0.8}, m)
		add(fmt.Sprintf("iu%02d", i+1), "suction", tube{15.88, 1}, m)
		if coilsInTakeOff { // measured as the tube that they are
			t := tube{9.52, 0.8}
			add(fmt.Sprintf("coil iu%02d", i+1), "suction", t, coil/(math.Pi/4*t.boreM()*t.boreM()))
		} else {
			l.coilsM3 += coil
		}
	}
	return l
}

func (l *lines) csv() string {
	return "run,line,outside_diameter,length,wall\n" + strings.Join(l.rows, "\n") + "\n"
}

// sections lays a volume out as a chain: the manifold at the pump, the trunk,
// the limbs with their coils, and the stub on which the gauge sits.
func (l *lines) sections(m3, tempC float64) []section {
	const trunk, limbs = 3, 3
	rest := m3 - 0.0003 - 0.00003
	trunkM3 := rest * l.trunkM * l.trunkB * l.trunkB / (float64(l.trunkM*l.trunkB*l.trunkB) + float64(3*l.limbM*l.limbB*l.limbB))
	chain := []section{{m3: 0.0003, toNext: duct{boreM: 0.010, lengthM: 0.3}}}
	for range trunk {
		chain = append(chain, section{m3: trunkM3 / trunk, toNext: duct{boreM: l.trunkB, lengthM: l.trunkM / trunk}})
	}
	for range limbs {
		chain = append(chain, section{m3: (rest - trunkM3) / limbs, toNext: duct{boreM: l.limbB, lengthM: l.limbM / limbs}})
	}
	chain[len(chain)-1].toNext = duct{boreM: 0.005, lengthM: 0.2}
	chain = append(chain, section{m3: 0.00003})
	for i := range chain {
		chain[i].tempC = tempC
	}
	return chain
}
