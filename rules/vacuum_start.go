package rules

import (
	"math"
	"sort"
	"time"
)

// lookAtStart takes the pressure at which the hold began, once it is known.
func (j *vacuumHold) lookAtStart() {
	if !math.IsNaN(j.startPa) || len(j.ss) < 3 {
		return
	}
	j.startPa = j.ss[0].v
	if first := j.ss[:3]; j.ss[2].t-j.ss[0].t <= 15*time.Second {
		j.startPa = median(first)
	}
	j.startedHi = j.startPa > j.limit.Value && j.ss[0].t < time.Minute
	j.slipped = j.startedHi && (j.gauge.Unit == "Pa" || j.gauge.Unit == "") && j.startPa*micronPa <= j.limit.Value && j.startPa >= slipFrom
}

// slipFrom is the least number that is taken for micron where pascals are said
// (our choice: no hold is begun from 900 micron, and few below 120).
const slipFrom = 120.0

// lookAtLateStart follows a hold that began above its limit. Still above it
// once settled it has not started; while the pump goes on pulling nobody is called.
func (j *vacuumHold) lookAtLateStart(t time.Duration) (out []Finding) {
	if t < j.sett || j.result != "" && j.result != NotProven {
		return nil
	}
	from := sort.Search(len(j.ss), func(i int) bool { return j.ss[i].t >= t-max(j.sett/2, bridged) })
	l := lineThrough(j.ss[from:])
	if l.known && !j.unstarted && j.startPa-float64(3*l.spreadPa) <= j.limit.Value { // within its noise: then it did begin
		j.startedHi = false
		return nil
	}
	if (!l.known || l.pPa-float64(2.5*l.sePa) <= j.limit.Value) && !j.isFarOver() {
		return nil
	}
	if j.slipped {
		if j.result == "" {
			j.air.spoiled = true
			out = append(out, j.verdict(NotProven, "gauge", holdSlipped(j.gauge.Name, j.startPa, j.limit)))
		}
		return out
	}
	j.unstarted = true
	if v := &j.view; !v.ok {
		v.t, v.nowPa, v.endPa, v.slopePaPerS = t, l.pPa, l.pPa, l.slopePaPerS
	}
	text := holdNotStarted(j.startPa, j.limit)
	if (l.slopePaPerS >= 0 || l.known && l.slopePaPerS > -2*l.seSlope) && (!j.raised || j.told < Wake) {
		j.raised, j.told = true, Wake
		out = append(out, j.flag(Wake, text))
	}
	if j.result == "" {
		out = append(out, j.verdict(NotProven, "unknown", text))
	}
	return out
}

// lookAtUnit says of readings that no vacuum gauge can mean that their unit is
// wrong: the hold proves nothing then.
func (j *vacuumHold) lookAtUnit(s sample) []Finding {
	text := ""
	j.small, j.great = j.small+1, j.great+1
	if s.v >= leastGaugePa {
		j.small = 0
	}
	if s.v < 1.2*gaugeTopPa {
		j.great = -1 << 30 // only how it begins
	}
	switch {
	case j.result != "" || j.charging:
		return nil
	case j.small == oddFor:
		text = evacUnitSmall(j.gauge.Name, j.gauge.Unit, s.v)
	case j.great == oddFor:
		text = holdNoVacuum(j.gauge.Name, s.v)
	default:
		return nil
	}
	j.air.spoiled, j.badUnit = true, true
	return []Finding{j.verdict(NotProven, "gauge", text)}
}
