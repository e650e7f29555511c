package rules

import (
	"math"
	"sort"
	"time"
)

// This file is the part of the vacuum hold that cannot wait for a fit: air that
// comes in fast, and a gauge that the pressure has left behind. All of it is
// common practice; a thermal vacuum gauge ends at 20,000 to 25,000 micron.
const (
	farOver     = 1.1              // of the limit: beyond any noise
	farFor      = 45 * time.Second // for as long: a kicked hose is shorter
	wildlyOver  = 5.0              // of the limit, and
	wildlyUp    = 2.0              // of what the hold began at: no settling does that
	wildlyFor   = 15 * time.Second
	airWithin   = 3 * time.Minute // from a fifth of that, which the limit is: with a valve open it takes minutes (the field guide)
	farReadings = 12              // whose line is the rise then
	mostOfThem  = 0.9             // of the readings, so that a spike in them excuses nothing
	soonAfter   = time.Minute     // it lay wildly over: a valve that was opened and shut again has let in what it did,
	wentOn      = 1.5             // and water still has far to go (our choice, from drawn curves)
	backFor     = 5 * time.Minute // a level that has fallen back must stay
	backWithin  = 0.15            // of the level before: the gauge's own doing
	kickMost    = 10 * time.Minute
	deafFor     = 15 * time.Second // off scale, or without a value from above the limit
	garbledFor  = time.Minute      // without a value for another reason
	beforeFirst = 2 * time.Minute  // how long a level before a jump is looked at
)

// airIn is what is known of a sudden rise.
type airIn struct {
	beforePa float64       // the level before it; not a number: it was no sudden one
	from     time.Duration // when it began
	back     time.Duration // since when the level is under the limit again; 0: it is not
	spoiled  bool          // the hold can prove nothing any more
	wild     bool          // the newest readings lie wildly over the limit,
	fast     bool          // and came there as fast as air does,
	wildAt   time.Duration // then;
	soonPa   float64       // the level soon after; 0: it is not as long

	deaf   time.Duration // since when the gauge speaks but gives no value, and for how many readings
	deafN  int
	reason string
}

// heldOver reports whether the newest readings, of so long a time and at least
// so many, lie above a level.
func (j *vacuumHold) heldOver(pa float64, long time.Duration, least int) bool {
	n := len(j.ss)
	if n < least || j.ss[n-1].t-j.ss[0].t < long {
		return false
	}
	i := sort.Search(n, func(i int) bool { return j.ss[i].t > j.ss[n-1].t-long })
	i = min(max(0, i-1), n-least) // the window's first reading speaks for its beginning
	over := 0
	for _, s := range j.ss[i:] {
		if s.v > pa {
			over++
		}
	}
	return j.ss[n-1].v > pa && float64(over) >= mostOfThem*float64(n-i)
}

// isFarOver reports whether the newest readings lie beyond any noise: air
// comes in. Wildly over the limit it does so while the hold still settles.
func (j *vacuumHold) isFarOver() bool {
	n := len(j.ss)
	return j.isWild() || n >= 5 && j.ss[n-5].t >= j.sett && j.heldOver(farOver*j.limit.Value, farFor, 5)
}

func (j *vacuumHold) isWild() bool { return j.heldOver(j.wildPa(), wildlyFor, 3) }

// wildPa is what lies wildly over the limit.
func (j *vacuumHold) wildPa() float64 {
	wild := wildlyOver * j.limit.Value
	if !math.IsNaN(j.startPa) {
		wild = max(wild, wildlyUp*j.startPa)
	}
	if j.slipped {
		wild /= micronPa // as if it showed micron
	}
	return wild
}

// comesIn reports whether the newest readings lie wildly over the limit and came
// there from it as fast as air does. Water and leaks get as far in an hour, and the fit
// knows the cause of what takes longer.
func (j *vacuumHold) comesIn() bool {
	was := j.air.wild
	if j.air.wild = j.isWild(); j.air.wild && !was {
		last, under := j.ss[len(j.ss)-1].t, time.Duration(0)
		for k := len(j.ss) - 1; k >= 0; k-- {
			if j.ss[k].v <= j.wildPa()/wildlyOver {
				under = j.ss[k].t
				break
			}
		}
		j.air.fast = last-under <= airWithin
		j.air.wildAt, j.air.soonPa = last, 0
	}
	if j.air.wild && j.air.soonPa == 0 && j.ss[len(j.ss)-1].t >= j.air.wildAt+soonAfter {
		j.air.soonPa = j.recentPa()
	}
	return j.air.wild && j.air.fast
}

// isWater reports whether what came as fast as air does is water after all, of which much boils in
// warm pipes: the fit has seen it level off since, and it took minutes over that.
func (j *vacuumHold) isWater(cause string) bool {
	return cause == "moisture" && j.causeAt >= j.air.wildAt && j.air.soonPa > 0 && j.view.nowPa > wentOn*j.air.soonPa
}

// noteBefore keeps the level before a sudden rise.
func (j *vacuumHold) noteBefore() {
	j.air.beforePa, j.air.back = math.NaN(), 0
	k := len(j.ss)
	for k > 0 && j.ss[k-1].v > j.limit.Value {
		k--
	}
	if k == 0 || k == len(j.ss) {
		return
	}
	j.air.from = j.ss[k-1].t
	i := sort.Search(k, func(i int) bool { return j.ss[i].t >= j.air.from-beforeFirst })
	if before := median(j.ss[i:k]); before < 0.8*j.limit.Value {
		j.air.beforePa = before
	}
}

// fellBack clears a flag whose level has been under the limit again for some
// minutes. A sealed system cannot fall back: where it came back at once to where
// it was, the gauge is to blame, and the hold proves nothing.
func (j *vacuumHold) fellBack(t time.Duration) (out []Finding) {
	if !j.raised || j.told != Wake || j.startedHi || j.result == Passed {
		return nil
	}
	now := j.recentPa()
	if math.IsNaN(now) || now > j.limit.Value || j.air.deafN > 0 {
		j.air.back = 0
		return nil
	}
	if j.air.back == 0 {
		j.air.back = t
	}
	if t-j.air.back < backFor {
		return nil
	}
	j.raised = false
	kicked := math.Abs(now-j.air.beforePa) <= backWithin*j.air.beforePa && j.air.back-j.air.from <= kickMost
	out = append(out, Finding{Edge: Cleared, Flag: "vacuum-rising", Text: vacuumFellBack(now)})
	if kicked && j.result == NotPassed {
		j.air.spoiled = true
		out = append(out, j.verdict(NotProven, "gauge", holdKicked(now)))
	}
	return out
}

// noValue follows a gauge that speaks but gives no value: one that the pressure
// has left behind shows just that.
func (j *vacuumHold) noValue(now time.Duration, reason string) []Finding {
	if j.air.deafN == 0 {
		j.air.deaf = now
	}
	j.air.deafN++
	j.air.reason = reason
	long := farFor
	switch {
	case pastItsTop(reason) || j.recentPa() > j.limit.Value:
		long = deafFor
	case reason == "garbage" || reason == "not-a-number" || reason == "fault":
		long = garbledFor
	default:
		return nil // a dead cable
	}
	if j.raised && j.told == Wake || j.result == Passed || j.charging || j.air.deafN < 3 || now-j.air.deaf < long {
		return nil
	}
	j.raised, j.told, j.air.beforePa = true, Wake, math.NaN()
	f := j.flag(Wake, gaugeLeftBehind(now-j.air.deaf, reason, j.recentPa()))
	f.Values = []Value{{"pressure_pa", j.recentPa()}, {"limit_pa", j.limit.Value}, {"silent_s", seconds(now - j.air.deaf)}, {"elapsed_s", seconds(now)}}
	return []Finding{f}
}
