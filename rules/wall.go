package rules

import (
	"cmp"
	"slices"
	"time"

	"standwatch/rules/physics"
)

// wall is how warm a pipe was in the course of a hold: what the vacuum hold
// needs to know of it, for water on it goes with its temperature.
type wall struct {
	point string
	at    []sample // C, a while apart
	every time.Duration
}

const (
	wallEvery = 20 * time.Second
	wallMost  = 500
	wallOld   = 10 * time.Minute // a temperature older than this says nothing
)

// hearWall takes a pipe's temperature.
func (j *vacuumHold) hearWall(b *Measured) {
	if !b.Health.Usable() || b.Value < physics.WaterLeastC || b.Value > 100 {
		return
	}
	for i := range j.walls {
		if j.walls[i].point == b.Point {
			j.walls[i].hear(sample{j.clock.of(b.Taken), b.Value})
		}
	}
}

// hear keeps what comes in order, and only so often.
func (w *wall) hear(s sample) {
	w.every = max(w.every, wallEvery)
	if n := len(w.at); n > 0 && s.t < w.at[n-1].t+w.every {
		return
	}
	if len(w.at) == wallMost {
		for i := range wallMost / 2 {
			w.at[i] = w.at[2*i]
		}
		w.at, w.every = w.at[:wallMost/2], 2*w.every
	}
	w.at = append(w.at, s)
}

// tempC is its temperature at a moment: the mean of the last few before it; ok is
// false where none is known.
func (w *wall) tempC(t time.Duration) (c float64, ok bool) {
	i, _ := slices.BinarySearchFunc(w.at, t, func(s sample, t time.Duration) int { return cmp.Compare(s.t, t) })
	if i == 0 { // the first is soon after the begin
		i = min(1, len(w.at))
	}
	if i == 0 || t-w.at[i-1].t > wallOld || w.at[i-1].t-t > wallOld {
		return 0, false
	}
	last := tail(w.at[:i], 5)
	for _, s := range last {
		c += s.v / float64(len(last))
	}
	return c, true
}

// besideWalls puts beside each stretch how water's pressure at the walls stood
// then, as the mean of all the pipes whose temperature is known throughout.
func (j *vacuumHold) besideWalls(all []physics.Stretch) {
	of := 0.0
	for i := range j.walls {
		of += j.walls[i].beside(all)
	}
	if of == 0 {
		return
	}
	for i := range all {
		all[i].Water /= of
	}
}

// beside adds one pipe's ratios; 1, or 0 where its temperature is not known throughout.
func (w *wall) beside(all []physics.Stretch) (added float64) {
	ratios := make([]float64, len(all))
	first := 0.0
	for i, s := range all {
		c, ok := w.tempC(asTime(s.TS))
		if !ok {
			return 0
		}
		pa := physics.WaterPressurePa(c)
		if i == 0 {
			first = pa
		}
		ratios[i] = pa / first
	}
	for i := range all {
		all[i].Water += ratios[i]
	}
	return 1
}

// lookAtWalls takes the cause back, or names another, where the walls know better:
// above water's pressure at the warmest of them, by more than a gauge takes vapour
// for, it is not water alone (the field guide); and what rises by no more than a gas
// that grows warmer does is neither leak nor water.
func (j *vacuumHold) lookAtWalls(v *holdView, first time.Duration) {
	warmest, before, now, of := physics.WaterLeastC, 0.0, 0.0, 0.0
	for i := range j.walls {
		a, knownA := j.walls[i].tempC(first)
		b, knownB := j.walls[i].tempC(v.t)
		if knownA && knownB {
			warmest, before, now, of = max(warmest, b), before+a, now+b, of+1
		}
	}
	if of == 0 {
		v.wetAnyway()
		return
	}
	if v.likely == speedsUp && (now-before > float64(wallWarmed*of) || j.nearWater(v)) && v.nowPa < vapourShown*physics.WaterPressurePa(warmest) {
		if v.likely = thaws; v.cause == speedsUp {
			v.cause = thaws
		}
	}
	v.wetAnyway()
	if v.likely == "moisture" && v.nowPa > vapourShown*physics.WaterPressurePa(warmest) {
		v.cause, v.likely, v.sure = "unknown", "unknown", 0
	}
	from := v.rises.At(first.Seconds()).Pa
	gas := from * (now - before) / (before + float64(zeroC*of))
	if gas > max(2*v.sePa, gasLeast*from) && v.nowPa-from < gas+float64(2*v.sePa) {
		v.cause, v.likely, v.sure = "temperature", "temperature", 0
	}
}

// wetAnyway names moisture where it is surely that but for a rise that grows faster,
// of which the walls say nothing: either way no leak.
func (v *holdView) wetAnyway() {
	if v.likely == speedsUp && v.water > causeSure {
		v.cause, v.likely, v.sure = "moisture", "moisture", v.water
	}
}

// nearWater reports whether the level is near water's pressure, or ice's, at one of
// the pipes, as a gauge may show it.
func (j *vacuumHold) nearWater(v *holdView) bool {
	for i := range j.walls {
		if c, known := j.walls[i].tempC(v.t); known {
			if pa := physics.WaterPressurePa(c); v.nowPa > pa/2 && v.nowPa < vapourShown*pa {
				return true
			}
		}
	}
	return false
}

// What speeds up no leak does; ice or water may that grows warmer, and the pipes tell.
// In a verdict the one is "unknown", the other "moisture".
const (
	speedsUp = "speeds-up"
	thaws    = "thaws"
)

// causeGiven is a cause as a verdict has it.
func causeGiven(cause string) string {
	switch cause {
	case speedsUp:
		return "unknown"
	case thaws:
		return "moisture"
	}
	return cause
}

const (
	wallWarmed  = 0.5    // K: as much as the fit knows of a wall that moved
	vapourShown = 2.1    // times as much as there is (gauge makers' tables: 2)
	gasLeast    = 0.01   // of the level: 3 K
	zeroC       = 273.15 // K
)
