package rules

import (
	"math"
)

// lookAtUnit asks whether the gauge's numbers can be of the unit that the site
// file gives it: a wrong one makes every judgement wrong.
func (j *evacuation) lookAtUnit(s sample) {
	p := j.points[j.gauge]
	if s.v < leastGaugePa {
		j.small++
	} else {
		j.small = 0
	}
	j.lookAtBoth(s)
	if j.firstPa == 0 {
		j.firstPa = s.v
	}
	if j.flat >= 0 && math.Abs(s.v-j.firstPa) < 0.002*j.firstPa { // only how it begins
		j.flat++
	} else {
		j.flat = -1
	}
	if j.flat == oddFor || j.broken {
		j.atAtm = j.atAtm || s.v > upPa && s.v < 2*upPa+2*nitrogenPa
	}
	switch {
	case j.small >= oddFor:
		j.unit = evacUnitSmall(p.Name, p.Unit, s.v)
	case j.odd >= oddFor:
		j.unit = evacUnitOdd(p.Name, p.Unit, s.v, j.oddPa)
	case j.flat >= 2*oddFor && isOtherTop(p.Unit, s.v):
		j.unit = evacUnitTop(p.Name, p.Unit, s.v)
	case j.flat >= 2*oddFor && isOtherAir(p.Unit, s.v):
		j.unit = evacUnitAir(p.Name, p.Unit, s.v)
	}
}

// isOtherTop reports whether a number is where a gauge ends that speaks the other of
// micron and Pa: at 25,000, 20,000 or 19,000 micron (from memory).
func isOtherTop(unit string, pa float64) bool {
	n := pa / unitPa(unit)
	for _, top := range []float64{25000, 20000, 19000} {
		if unit == "micron" && math.Abs(n/(top*micronPa)-1) < 0.002 || unit == "Pa" && top != 20000 && math.Abs(n/top-1) < 0.002 { // 20 kPa is a range that gauges have
			return true
		}
	}
	return false
}

// isOtherAir reports whether a number is the atmosphere in the other of micron and
// Pa, from a high mountain down to the sea, or in any unit more than there is.
func isOtherAir(unit string, pa float64) bool {
	const low, high = 70e3, 108e3
	return unit == "micron" && pa > low*micronPa && pa < high*micronPa || pa > 3*high
}

// unitChecks counts what showed that the gauge's unit is right: that it stood at
// the atmosphere, that an absolute transducer bore it out, or that it ends where a
// gauge of its unit does and one of the other of micron and Pa does not.
func (j *evacuation) unitChecks() (n float64) {
	if j.gauge < 0 {
		return 0
	}
	const ends = 1.05 * gaugeTopPa // and in Pa no thermal gauge's numbers are higher
	unit := j.points[j.gauge].Unit
	top := j.highPa / unitPa(unit)
	for _, shown := range []bool{j.atAtm, j.agreed >= oddFor, unit == "micron" && top > ends && j.highPa < ends} {
		if shown {
			n++
		}
	}
	return n
}

// lookAtBoth holds the gauge against the absolute transducer, where both can
// read: they fall together, and by the same factor apart. A gauge that is
// valved off does not fall.
func (j *evacuation) lookAtBoth(s sample) {
	abs := j.abs(s.t) - j.volume.zeroPa
	if !(abs > zeroMostPa && abs < 0.9*gaugeTopPa) || s.v <= 0 || j.broken {
		return
	}
	r := s.v / abs
	switch {
	case r < oddMost && r > 1/oddMost:
		j.odd = 0
		j.agreed++
		return
	case j.odd == 0 || math.Abs(math.Log(r/j.oddRatio)) > 0.3:
		j.odd, j.oddRatio, j.oddFrom, j.oddGauge = 0, r, abs, s.v
	}
	if j.odd < oddFor-1 || abs < 0.8*j.oddFrom && s.v < 0.9*j.oddGauge {
		j.odd++
		j.oddPa = abs
	}
}
