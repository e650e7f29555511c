package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
)

// level is a minute of the gauge: the mean of ln p.
type level struct {
	minute int64
	ln     float64
	tempC  float64
	n      float64
}

func (l level) pa() float64 { return math.Exp(l.ln / l.n) }

// minute closes a minute and looks at the pull.
func (j *evacuation) minute() (out []Finding) {
	l := j.open
	j.open = level{}
	l.tempC = j.pipeC()
	j.past = append(j.past, l)
	for len(j.past) > 1 && l.minute-j.past[0].minute > int64(stallOver/minute) {
		j.past = append(j.past[:0], j.past[1:]...)
	}
	if j.floorPa == 0 || l.pa() < j.floorPa {
		j.floorPa = l.pa()
	}
	if j.unit != "" {
		return nil
	}
	out = j.lookAtStall(l)
	return append(out, j.lookAtWater(l)...)
}

// pipeC is the coldest pipe; where none is measured, the outdoor air.
func (j *evacuation) pipeC() float64 {
	if c, _ := j.pipesC(); !math.IsNaN(c) {
		return c
	}
	return j.of("outdoor-air", j.clock.newest, 30*minute)
}

// pipesC are the coldest and the warmest pipe.
func (j *evacuation) pipesC() (coldest, warmest float64) {
	coldest, warmest = math.NaN(), math.NaN()
	for i, p := range j.points {
		s := j.newest[i]
		if p.Role != "pipe-air" || math.IsNaN(s.v) || j.clock.newest-s.t > 30*minute {
			continue
		}
		coldest, warmest = least(coldest, s.v), -least(-warmest, -s.v)
	}
	return coldest, warmest
}

func least(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

// fallen is by how much the level fell over these minutes, as a ratio, along
// a straight line through ln p.
func fallen(past []level) float64 {
	t, ln := make([]float64, len(past)), make([]float64, len(past))
	for i, l := range past {
		t[i], ln[i] = float64(l.minute), l.ln/l.n
	}
	_, slope := lineAt(t, ln, t[len(t)-1])
	return -float64(slope * (t[len(t)-1] - t[0]))
}

func (j *evacuation) lookAtStall(l level) []Finding {
	if j.stalled && l.pa() <= j.target.Value {
		j.stalled = false
		return []Finding{j.cleared("vacuum-stalled", evacReached(l.pa(), j.target))}
	}
	past, over := j.past, stallOver
	for j.stalled && past[0].minute < j.stallFrom { // what fell before it stalled is not falling again
		past = past[1:]
	}
	water := lately(past, stallWater)
	boils := water != nil && j.boils(water)
	if !j.stalled && (boils || water != nil && j.why(water) == "moisture") {
		past, over = water, stallWater
	}
	if !j.stalled && l.minute-past[0].minute < int64(over/minute) || len(past) < int(float64(stallLeast)*float64(over)/float64(stallOver)) {
		return nil
	}
	fall := fallen(past)
	j.stillFor, j.movesFor = j.stillFor+1, j.movesFor+1
	if fall > stallFall*float64(over)/float64(stallOver) && !boils || l.pa() <= j.target.Value {
		j.stillFor = 0
	}
	if fall < stallGone || boils {
		j.movesFor = 0
	}
	if cause := j.why(past); j.stalled && cause != "unknown" {
		j.cause = cause // the pipe's temperature moved since
	}
	switch {
	case !j.stalled && j.stillFor >= stallLasts:
		j.stalled, j.cause, j.stallFrom = true, j.why(past), past[0].minute
		return []Finding{{Edge: Raised, Flag: "vacuum-stalled", Urgency: Tell, Points: []string{j.points[j.gauge].Name},
			Text: evacStalled(l.pa(), j.target, j.pullTarget(), j.cause, l.tempC, over) + evacWater(j.cause, j.drawn(l), j.volume.wholeM3, l.tempC),
			Values: []Value{{"pressure_pa", l.pa()}, {"target_pa", j.target.Value}, {"coldest_c", l.tempC}, {"water_pa", vapourPa(l.tempC)},
				{"water_kg_per_s", j.drawn(l)}}}}
	case j.stalled && j.movesFor >= stallLasts:
		j.stalled, j.stillFor = false, 0
		return []Finding{j.cleared("vacuum-stalled", evacFalls(l.pa()))}
	}
	return nil
}

// boils reports whether the level went as water's does that boils away: at its
// pressure all the while, and falling only as its pool cools.
func (j *evacuation) boils(past []level) bool {
	for _, l := range past {
		if r := l.pa() / vapourPa(l.tempC); !(r > boilLeast && r < waterMost) || l.pa() < iceToPa || j.isTop(l) {
			return false
		}
	}
	return fallen(past) < boilFall
}

// drawn is the water that the pump draws off at this level, kg/s, if it is
// water; not a number where the pump is not known.
func (j *evacuation) drawn(l level) float64 {
	r := j.volume.rig
	if r.pumpM3PerS <= 0 || j.cause != "moisture" {
		return math.NaN()
	}
	return physics.DrawnKgPerS(r.hose.SpeedM3PerS(r.pumpM3PerS, l.pa()), l.pa(), l.tempC)
}

// lately are the last minutes, where they reach back so far.
func lately(past []level, span time.Duration) []level {
	last := past[len(past)-1].minute
	for i := len(past) - 1; i >= 0; i-- {
		if last-past[i].minute >= int64(span/minute) {
			return past[i:]
		}
	}
	return nil
}

// why names water where the level is its vapour pressure at the coldest pipe
// and, where the pipe's temperature moved, moved with it (6 to 7 % a kelvin).
// Below that it may be a pool that boils itself colder than the clamps: 40 g an
// hour take 27 W, and still air gives a pipe little (latent heat 2.45 MJ/kg).
func (j *evacuation) why(past []level) string {
	l := past[len(past)-1]
	switch r := l.pa() / vapourPa(l.tempC); {
	case j.isTop(l):
		return "top"
	case math.IsNaN(l.tempC):
		return "unknown"
	case r > waterMost || l.pa() <= iceFromPa/2:
		return "leak"
	case r < 1 && l.pa() < iceToPa && r < waterLeast:
		return "ice"
	case r < waterLeast:
		return "pool"
	}
	var tC, ln []float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range past {
		if math.IsNaN(p.tempC) {
			continue
		}
		low, high = min(low, p.tempC), max(high, p.tempC)
		tC, ln = append(tC, p.tempC), append(ln, p.ln/p.n)
	}
	if high-low >= 2 {
		if _, perK := lineAt(tC, ln, tC[0]); perK < 0.03 || perK > 0.12 {
			return "leak"
		}
	}
	return "moisture"
}

// isTop reports whether a gauge that moves stood where it ends, all of a minute.
func (j *evacuation) isTop(l level) bool { return l.pa() > topStands*j.highPa && l.pa() > breakLeastPa }

func vapourPa(tempC float64) float64 {
	pa, _, err := physics.BoilingPa(tempC)
	if err != nil {
		return math.NaN()
	}
	return pa
}
