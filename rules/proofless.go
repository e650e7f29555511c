package rules

import (
	"math"
	"sort"
	"time"

	"standwatch/rules/physics"
)

// This file looks at a hold that would pass for what proves nothing: a level
// that falls, one that never moves by a digit, one that jumped.
const (
	fallShare   = 0.8              // of the settled level at the end; and on the way
	fallShareAt = 0.9              //
	fallLeast   = 20 * micronPa    // no gauge's drift (common practice)
	fallFrom    = 10 * time.Minute // of the hold, before it is said
	fallOver    = 90 * time.Second // at both ends
	finerThan   = 0.01             // of the level: a gauge that shows so little moves in an hour
	jumpOver    = 20 * time.Second // at least, of a level that is compared
	jumpShare   = 0.1              // of the level within a minute, and
	jumpTimes   = 4.0              // what it moved in the minutes before and after
)

// falls reports whether the level has fallen, to so much of what it was once
// settled: more than any noise does, and more than water's pressure fell at walls
// that grew colder meanwhile. That far a sealed system falls too.
func (j *vacuumHold) falls(share float64) (f falling, falls bool) {
	v := j.view
	if !v.ok || v.t < j.sett+fallFrom/2 || v.t < fallFrom {
		return f, false
	}
	f.firstPa, f.nowPa = j.levelOver(j.sett, j.sett+fallOver), j.levelOver(v.t-fallOver, v.t) // no fit: that knows only rises
	dry := f.nowPa < share*f.firstPa && f.firstPa-f.nowPa > fallLeast
	if !dry {
		return f, false
	}
	var water float64
	water, f.colderK = j.colder(j.sett+fallOver, v.t)
	wet := float64(f.firstPa * water)
	return f, f.nowPa < share*wet && wet-f.nowPa > fallLeast
}

// falling is a level that fell, and by how much the pipes cooled.
type falling struct{ firstPa, nowPa, colderK float64 }

// colder is what water's pressure at the walls fell to between two moments, of
// what it was, and by how much the walls cooled: the mean of those that are known;
// one, and nought, where none is or they grew warmer.
func (j *vacuumHold) colder(from, to time.Duration) (water, byK float64) {
	sum, by, of := 0.0, 0.0, 0.0
	for i := range j.walls {
		a, knownA := j.walls[i].tempC(from)
		b, knownB := j.walls[i].tempC(to)
		if knownA && knownB {
			sum, by, of = sum+physics.WaterPressurePa(b)/physics.WaterPressurePa(a), by+a-b, of+1
		}
	}
	if of == 0 || sum >= of {
		return 1, 0
	}
	return sum / of, by / of
}

// levelOver is the mean of what was heard over a time; not a number where
// nothing was, and so neither less nor more.
func (j *vacuumHold) levelOver(from, to time.Duration) float64 {
	sum, of := 0.0, 0.0
	for _, b := range j.buckets {
		if b.n > 0 && b.last >= from && b.first <= to {
			sum, of = sum+b.pPa, of+b.n
		}
	}
	return sum / of
}

// hearPower notes that indoor or branch units had power: their expansion valves
// shut (common practice), and the gauge sees only the part that it stands on.
func (j *vacuumHold) hearPower(b *Measured) {
	for i := range j.power {
		p := &j.power[i]
		if p.name != b.Point || !b.Health.Usable() {
			continue
		}
		now := j.clock.of(b.Taken)
		j.lookAtPower(now)
		p.hear(b.Value >= 0.5, now)
	}
}

// lookAtPower keeps who told power for long enough to shut a valve.
func (j *vacuumHold) lookAtPower(now time.Duration) {
	for _, p := range j.power {
		if p.on && p.before+now-p.since >= powerLasts && j.powered == "" {
			j.powered = p.name
		}
	}
}

// froze is the run in which the gauge did no longer measure, where it was longer
// than a gap that is bridged, or at any time longer than one that extends the hold.
func (j *vacuumHold) froze() (run still, froze bool) {
	if j.wasFrozen.run > 0 {
		return j.wasFrozen, true
	}
	return j.still, j.still.at-j.still.from > j.bridge() && j.still.stopped()
}

// atEnd reports whether the gauge has come to rest above the limit, and since when:
// most likely where its range ends (2000, 20,000 or 25,000 micron, from memory).
func (j *vacuumHold) atEnd() (from time.Duration, ends bool) {
	return j.still.from, j.still.value > j.limit.Value && j.still.at-j.still.from > j.bridge() && j.still.stopped()
}

// stuck reports whether not one reading of the hold differs from the others, on
// a gauge whose digits are fine enough to move, or of which nothing else was ever seen.
func (j *vacuumHold) stuck() bool {
	if j.still.step > 0 {
		return false
	}
	if j.sawStepPa == 0 {
		return true
	}
	return j.still.heard >= stillLeast && j.sawStepPa < finerThan*j.still.value
}

// restsOn is the step on which a coarse gauge has come to rest, so that its level
// is known to half of that at the best; 0 where it goes on moving, or is fine.
func (j *vacuumHold) restsOn() (stepPa float64) {
	stepPa = j.still.step
	if stepPa == 0 || j.sawStepPa > 0 && j.sawStepPa < stepPa {
		stepPa = j.sawStepPa
	}
	if j.still.run < stillLeast || stepPa < finerThan*j.still.value {
		return 0
	}
	return stepPa
}

// jumped finds a step in a level that is otherwise calm: by how much, and when.
func (j *vacuumHold) jumped() (byPa float64, at time.Duration, ok bool) {
	var tS, pPa []float64
	var b bucket
	for _, x := range j.buckets {
		if x.n == 0 || x.first < j.sett {
			continue
		}
		if b.n == 0 {
			b.first = x.first
		}
		b.tS, b.pPa, b.n = b.tS+x.tS, b.pPa+x.pPa, b.n+x.n
		if x.last-b.first >= jumpOver {
			tS, pPa = append(tS, b.tS/b.n), append(pPa, b.pPa/b.n)
			b = bucket{}
		}
	}
	n := len(pPa)
	if n < 12 {
		return 0, 0, false
	}
	var moves []float64
	for i := 2; i < n; i++ {
		moves = append(moves, math.Abs(pPa[i]-pPa[i-2]))
	}
	usual := append([]float64(nil), moves...)
	sort.Float64s(usual)
	for i := 4; i+4 < n; i++ { // from two before i to two after it
		by := pPa[i+2] - pPa[i-1]
		calm := max(math.Abs(pPa[i-1]-pPa[i-4]), math.Abs(pPa[min(i+5, n-1)]-pPa[i+2]), 3*usual[len(usual)/2])
		if math.Abs(by) > max(math.Abs(byPa), jumpTimes*calm, float64(jumpShare*pPa[i-1]), fallLeast) {
			byPa, at, ok = by, time.Duration(tS[i]*float64(time.Second)), true
		}
	}
	return byPa, at, ok
}

// provesNothing says why a hold that would pass is not proven; empty where it is.
func (j *vacuumHold) provesNothing() (cause, text string) {
	if f, falls := j.falls(fallShare); falls && !j.valved { // what is valved off falls where water dries up or freezes
		return "unknown", holdFell(f.firstPa, f.nowPa)
	}
	if j.stuck() {
		return "gauge", holdStuck(j.still.value, j.still.heard, j.sawStepPa == 0)
	}
	if s, froze := j.froze(); froze {
		return "gauge", holdFroze(s.value, s.run, s.from, j.wasFrozen.run > 0)
	}
	if j.lookAtPower(j.clock.newest); j.powered != "" {
		return "unknown", holdPowered(j.powered)
	}
	return "", ""
}
