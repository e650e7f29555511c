package rules

import "time"

// sameAct is how long after the begin a mark that the pump is valved off tells
// of the begin itself (our choice: two taps of one thumb).
const sameAct = time.Minute

// isolatedBefore is how long before the begin such a mark still tells of the hold (our
// choice: the valve is shut, the gauge is looked at, and the hold is begun).
const isolatedBefore = 5 * time.Minute

// valvedOff moves the hold's beginning to where somebody says that the pump was
// valved off: until then it pulled, and what it holds down proves nothing. A
// verdict of a hold that passed or failed stands. Who says it again, of a pump that
// nobody started meanwhile, tells nothing new and does not lose the hour, unless
// nothing was to be proven of it any more, or the level has fallen: then it may have
// been opened for a while.
func (j *vacuumHold) valvedOff(e Entry, b *Told) []Finding {
	late := j.clock.newest
	if b.System != j.begun.System {
		return nil
	}
	again := j.valved
	j.valved = true
	if again && j.result == "" && !j.dropped() || late < sameAct || j.charging || j.badUnit || j.result == Passed || j.result == NotPassed {
		return nil
	}
	if j.startPa <= j.limit.Value && j.recentPa() > j.limit.Value { // nothing rises like that at a pump: it was valved off before
		return nil
	}
	var out []Finding
	if j.raised {
		out = append(out, Finding{Edge: Cleared, Flag: "vacuum-rising", Text: holdValvedOff()})
	}
	s := j.begun
	s.Entry, s.Began = e, e.At
	anew := beginVacuumHold(s).(*vacuumHold)
	anew.valved = true                            // of this mark, which the engine has not yet taken
	anew.power, anew.powered = j.power, j.powered // a valve that power shut stays so
	for i := range anew.power {
		anew.power[i].since -= late
	}
	*j = *anew
	return out
}

// dropped reports whether the level stands far under the highest that it had.
func (j *vacuumHold) dropped() bool {
	highest := 0.0
	for _, b := range j.buckets {
		if b.n > 0 {
			highest = max(highest, b.pPa/b.n)
		}
	}
	now := j.recentPa()
	return now < fallShare*highest && highest-now > fallLeast
}
