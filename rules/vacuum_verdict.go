package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
)

// isOver reports whether the limit has surely been passed: for some time, for
// an hour has a hundred looks, or beyond all doubt.
func (j *vacuumHold) isOver(t time.Duration) bool {
	v := j.view
	if !v.ok || v.isOver < surelyOver || j.recentPa() <= 0.9*j.limit.Value {
		j.above = lasting{}
		return j.isFarOver()
	}
	return j.above.by(t, true, overFor) || j.isFarOver()
}

func (j *vacuumHold) passLimit(out []Finding) []Finding {
	if j.isFarOver() {
		j.view.nowPa = max(j.view.nowPa, j.recentPa())
		j.view.t = max(j.view.t, j.ss[len(j.ss)-1].t)
		if l := lineThrough(j.ss[max(0, len(j.ss)-farReadings):]); l.slopePaPerS > j.view.slopePaPerS { // the fit lags behind
			j.view.slopePaPerS = l.slopePaPerS
		}
	}
	cause := j.settledCause()
	if j.ended || j.view.t >= j.ends() && !j.whole {
		cause = j.lastCause()
	}
	words := cause
	if j.comesIn() && !j.isWater(cause) {
		words, cause = "air", "leak"
	}
	if !j.raised || j.told < Wake {
		j.raised, j.told = true, Wake
		j.noteBefore()
		text := vacuumPassed(j.view.nowPa, j.limit, j.view.slopePaPerS, words, j.sureOf(words))
		if j.result == Passed {
			text = afterTheHold(text)
		}
		out = append(out, j.flag(Wake, text))
	}
	switch {
	case j.result == Passed: // the hour's verdict stands
	case j.result != NotPassed || cause != "unknown" && cause != j.gaveCause || !j.whole && j.view.t >= j.ends():
		if cause == "unknown" && j.result == NotPassed { // what was clear stays so
			cause, words = j.gaveCause, j.gaveCause
		}
		text := holdFailed(j.view.nowPa, j.limit, j.view.t, words, j.sureOf(words))
		if from, ends := j.atEnd(); ends {
			text += holdAtEnd(j.still.value, from)
		}
		out = append(out, j.verdict(NotPassed, cause, text))
	}
	return out
}

// followCause keeps since when the cause has been the same.
func (j *vacuumHold) followCause(t time.Duration) {
	cause := "unknown"
	if j.view.ok {
		cause = j.view.cause
	}
	if cause != j.cause {
		j.cause, j.causeAt = cause, t
	}
}

// settledCause is the cause, once it has lasted.
func (j *vacuumHold) settledCause() string {
	if j.cause == "" || j.view.t-j.causeAt < persistFor {
		return "unknown"
	}
	return j.cause
}

// lastCause is the cause when no more will be heard of the hold: the likelier
// one, where none has settled.
func (j *vacuumHold) lastCause() string {
	if cause := j.settledCause(); cause != "unknown" || !j.view.ok {
		return cause
	}
	return j.view.likely
}

// leakMostSure is how sure a leak can be by a gauge: ice that warms by a few kelvin an hour
// rises as straight, and is thought of beforehand as physics.FitRises does of what speeds up
// beside a straight line, 2 to 25.
const leakMostSure = 0.93

// sureOf is how sure a cause is now; 0 where another one is seen.
func (j *vacuumHold) sureOf(cause string) float64 {
	if cause != j.view.likely {
		return 0
	}
	if cause == "leak" {
		return min(j.view.sure, leakMostSure)
	}
	return j.view.sure
}

// project tells when the limit will surely be passed before the hold's end.
func (j *vacuumHold) project(t time.Duration, out []Finding) []Finding {
	v := j.view
	surely := v.ok && !j.mayWander(t) && j.result != Passed && t < j.ends() && (v.willBe > surelyWill || j.isSurely && v.willBe > stillWill)
	if !surely {
		j.isSurely = false
		if !j.raised || j.told != Tell {
			return out
		}
		if j.fine == 0 {
			j.fine = t
		}
		if t-j.fine >= gapMost {
			j.raised, j.fine = false, 0
			out = append(out, Finding{Edge: Cleared, Flag: "vacuum-rising", Text: vacuumNoLonger(j.limit)})
		}
		return out
	}
	j.fine = 0
	if !j.isSurely {
		j.isSurely, j.stood = true, 0
	} else {
		j.stood += float64((t - j.surely).Seconds() * standing(min(v.willBe, j.willBe)))
	}
	j.surely, j.willBe = t, v.willBe
	if j.raised || j.stood < willFor.Seconds() || t < flatMost && j.startedFlat() && j.lately() < stillWill {
		return out
	}
	j.raised, j.told = true, Tell
	return append(out, j.flag(Tell, vacuumWillPass(v, j.limit, j.ends(), j.settledCause(), j.sureOf(j.settledCause()))))
}

// mayWander reports whether what has risen so far a bad gauge may show by itself that
// wanders over minutes, so near the limit that this is all that a projection would be of: no
// few minutes tell how a gauge wanders.
func (j *vacuumHold) mayWander(t time.Duration) bool {
	bad := float64(wanders * noiseMost * j.view.nowPa)
	return t < j.sett+wandersFor && j.view.rosePa < bad && j.limit.Value-(j.view.nowPa-j.view.rosePa) < 2*bad
}

// standing is what a second counts for which a projection stands: one where it
// is just sure, two where it is far surer, and between them by its log odds.
func standing(willBe float64) float64 {
	odds := func(p float64) float64 { return math.Log(p / (1 - p)) }
	far := willFor.Seconds() / lookEvery.Seconds()
	if willBe >= farSurer {
		return far
	}
	return 1 + float64((far-1)*max(0, odds(willBe)-odds(surelyWill))/(odds(farSurer)-odds(surelyWill)))
}

// final is the verdict at the hold's end.
func (j *vacuumHold) final() []Finding {
	v := j.view
	end, doubt := v.nowPa, v.sePa
	if doubt < 0.25*micronPa { // less than a gauge shows
		doubt = 0
	}
	step := j.restsOn()
	if doubt < step/2 {
		doubt = step / 2
	}
	result, cause, text := NotProven, "unknown", holdTooClose(end, doubt, j.limit)
	switch {
	case step > 0 && math.Abs(end-j.limit.Value) < step/2*(1-1e-6): // somewhere on that step
	case (doubt == 0 || step > 0) && end <= j.limit.Value*(1+1e-6) || doubt > 0 && v.isOver < 0.5-tooClose:
		result, cause = Passed, "none"
		f, falls := j.falls(fallShare)
		if falls { // the fit knows only rises
			end, j.view.nowPa = f.nowPa, f.nowPa
		}
		text = holdPassed(end, j.limit, v.t, j.startPa > j.start.Value, j.start, j.leakRise())
		if falls { // and nothing forbids it
			text = holdDried(end, j.limit, v.t, f.firstPa)
		}
		if step > 0 {
			text += holdReadTo(step)
		}
		if by, at, ok := j.jumped(); ok {
			text += holdJumped(by, at)
		}
		if !falls && f.colderK > 0 {
			text += holdCooled(f.firstPa, f.nowPa, f.colderK)
		}
		if why, said := j.provesNothing(); why != "" {
			result, cause, text, j.air.spoiled = NotProven, why, said, true
		}
	case j.startedHi:
		text = holdNotStarted(j.startPa, j.limit)
	case doubt == 0 || step > 0 || v.isOver > 0.5+tooClose:
		return j.passLimit(nil)
	}
	if result == j.result {
		return nil
	}
	return []Finding{j.verdict(result, cause, text)}
}

// leakRise is the rise a second where the cause is settled as a leak that would
// pass the limit within as long again; else 0.
func (j *vacuumHold) leakRise() float64 {
	v := j.view
	if c := j.settledCause(); c != "leak" && c != "leak-and-moisture" || v.nowPa+float64(v.slopePaPerS*j.lasts.Seconds()) <= j.limit.Value {
		return 0
	}
	return v.slopePaPerS
}

// over is the end mark: whoever ends a hold early has no verdict but this.
func (j *vacuumHold) over() []Finding {
	now := j.clock.newest
	j.ended = true
	j.look(now)
	out := j.decide(now)
	if j.result != "" {
		return out
	}
	cause := "unknown"
	switch {
	case j.charging:
		return append(out, j.verdict(NotProven, cause, holdCharged()))
	case len(j.ss) == 0 && j.zeros > 0:
		return append(out, j.verdict(NotProven, "gauge", holdNoGauge(j.gauge.Name, j.zeros)))
	case len(j.ss) == 0:
		cause = "gauge"
	case now < j.sett:
		cause = "settling"
	case now-j.ss[len(j.ss)-1].t > j.bridge():
		cause = "gap"
	}
	return append(out, j.verdict(NotProven, cause, holdEnded(now, j.ends(), cause)))
}

func (j *vacuumHold) flag(u Urgency, text string) Finding {
	v := j.view
	if !v.ok && v.endPa == 0 { // too early for a fit
		v.slopePaPerS, v.endPa = math.NaN(), math.NaN()
	}
	return Finding{Edge: Raised, Flag: "vacuum-rising", Urgency: u, Points: []string{j.gauge.Name}, Text: text,
		Values: []Value{{"pressure_pa", v.nowPa}, {"limit_pa", j.limit.Value}, {"rise_pa_per_s", v.slopePaPerS},
			{"expected_pa", v.endPa}, {"elapsed_s", seconds(v.t)}}}
}

func (j *vacuumHold) verdict(result, cause, text string) Finding {
	j.result, j.gaveCause = result, cause
	j.whole = j.view.t >= j.ends()
	v := j.view
	values := []Value{{"limit_pa", j.limit.Value}, {"elapsed_s", seconds(j.clock.newest)}, {"start_pa", j.startPa}}
	if v.ok {
		values = append(values, Value{"end_pa", v.nowPa}, Value{"peak_pa", max(v.peakPa, v.nowPa)},
			Value{"rise_pa_per_s", v.meanPaPerS})
		if v.cause == "moisture" {
			values = append(values, Value{"plateau_pa", v.rises.PlateauPa()})
		}
		if j.pipeM3 > 0 { // as if all of the rise were a leak: more does not come in
			values = append(values, Value{"leak_pa_m3_per_s", physics.LeakPaM3PerS(j.pipeM3, max(0, v.meanPaPerS))})
		}
	}
	if result == Passed {
		values = append(values, Value{"unit_checks", j.checks})
	}
	return Finding{Edge: Given, Result: result, Cause: causeGiven(cause), Text: text, Points: []string{j.gauge.Name}, Values: values}
}
