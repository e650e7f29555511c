package rules

import (
	"math"
	"time"

	"standwatch/sensors"
)

// levelNow is the level of the last minutes of pumping, and by how much it fell in them.
func (j *evacuation) levelNow() (pa, fall float64, ok bool) {
	past := j.past
	if j.open.n > 0 {
		past = append(append([]level(nil), past...), j.open)
	}
	for len(past) > 0 && past[len(past)-1].minute-past[0].minute > int64(levelOver/minute) {
		past = past[1:]
	}
	if len(past) == 0 {
		return math.NaN(), 0, false
	}
	if len(past) < 3 {
		return past[len(past)-1].pa(), 0, false
	}
	var last []sample // a spike is one of three
	for _, l := range past[len(past)-3:] {
		last = append(last, sample{v: l.pa()})
	}
	return median(last), fallen(past), true
}

// ended is the end mark: the evacuation's verdict. One that the gauge's unit was
// wrong was given when that was seen, and stands.
func (j *evacuation) ended() []Finding {
	if j.unitTold {
		return nil
	}
	j.unitTold = j.unit != ""
	j.lastMinute()
	pa, fall, ok := j.levelNow()
	now := j.clock.newest
	quiet := max(bridged, 3*j.every())
	w := evacWords{pulls: j.pulls(), breaks: j.breaks, unseen: j.unseen, pa: pa, target: j.target, cause: j.cause,
		compared: j.volume.compared, unit: j.unit}
	result, cause := NotProven, "unknown"
	switch {
	case !j.heard || j.unit != "":
		cause = "gauge"
	case j.broken:
	case now-j.last.t > quiet || j.offScale || !j.pumping && j.shutAt-j.last.t > quiet:
		cause = "gap"
	case j.contradicted(now, pa):
		cause, w.absPa = "gauge", j.abs(now)
	case !ok:
	case pa > j.target.Value*(1+1e-6):
		result = NotPassed
		if j.stalled && (j.cause == "leak" || j.cause == "moisture") {
			cause = j.cause
		}
	case j.levelRises(pa, fall):
		w.rising = true
	case j.volume.fast || j.frozen:
		w.doubt = true
	default:
		result, cause = Passed, "none"
	}
	w.result, w.broken, w.lost = result, j.broken, j.lost
	w.why = cause
	values := []Value{{"elapsed_s", seconds(now)}, {"target_pa", j.target.Value}}
	if j.unit == "" { // else they would be made of a wrong unit
		values = append(values, Value{"end_pa", pa}, Value{"breaks", float64(j.breaks)})
		for i, p := range j.pulls() {
			values = append(values, Value{pullKey(i), p})
		}
		if j.breaks > 0 && !j.broken && j.dilutedBy > 0 {
			w.airPa = pa * j.dilutedBy
			values = append(values, Value{"air_pa", w.airPa})
		}
		values = append(values, j.volume.values()...)
		if j.heard {
			values = append(values, Value{"unit_checks", j.unitChecks()})
		}
		if j.still.step > 0 {
			values = append(values, Value{"gauge_step_pa", j.still.step})
		}
	}
	f := Finding{Edge: Given, Result: result, Cause: cause, Text: evacVerdict(w), Values: values}
	if j.gauge >= 0 {
		f.Points = []string{j.points[j.gauge].Name}
	}
	return []Finding{f}
}

// contradicted reports whether the transducer shows no vacuum where the gauge
// does: its valve is shut.
func (j *evacuation) contradicted(t time.Duration, pa float64) bool {
	return pa < absLeastPa/2 && j.abs(t)-j.volume.zeroPa > absLeastPa
}

func (j *evacuation) every() time.Duration {
	if j.gauge < 0 {
		return 0
	}
	return j.points[j.gauge].Every
}

// pulls lists each pull's lowest level.
func (j *evacuation) pulls() []float64 {
	if j.floorPa == 0 {
		return j.floors
	}
	return append(append([]float64(nil), j.floors...), j.floorPa)
}

// pullTarget is where this pull is broken, or isolated.
func (j *evacuation) pullTarget() Setting {
	switch j.breaks {
	case 0:
		return j.first
	case 1:
		return j.second
	}
	return j.target
}

// Outlook says which pull it is and what comes next.
func (j *evacuation) Outlook(at Instant) Outlook {
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Quantity: sensors.Vacuum, Limit: &j.target, Sure: "too early to say"}
	if j.gauge >= 0 {
		o.Point = j.points[j.gauge].Name
	}
	if j.heard {
		o.Figure, o.HasFig, o.FigAt = Num(j.last.v), true, Instant{at.Boot, j.clock.when(j.last.t)}
	}
	pa, fall, ok := j.levelNow()
	shut := j.contradicted(j.clock.newest, pa)
	ok = ok && !shut
	w := evacStand{shut: shut, elapsed: o.Elapsed, pull: j.breaks + 1, broken: j.broken, pumping: j.pumping, heard: j.heard, over: j.offScale,
		nowPa: j.last.v, next: j.pullTarget(), target: j.target, stalled: j.stalled, cause: j.cause, frozen: j.frozen, cold: j.isCold,
		fast: j.volume.fast, lost: j.lost, unit: j.unit}
	w.last = j.breaks >= 2
	w.ready = ok && !j.broken && pa <= w.next.Value && !j.levelRises(pa, fall)
	w.deep = ok && !j.broken && pa <= j.target.Value && !j.levelRises(pa, fall)
	if w.left = -1; w.ready {
		o.Sure = "likely"
	} else if ok && !j.broken && j.pumping && j.unit == "" && !j.stalled {
		o.Trend, w.left = j.trend()
		if o.Left = w.left; w.left >= 0 {
			o.Sure = "likely"
		}
	}
	o.Sentence = evacStands(w)
	return o
}

const (
	trendOver  = 20 * time.Minute // minutes that the projection rests on
	trendLeast = 8                // of them heard
	trendMost  = 6 * time.Hour    // further ahead nothing is said
	trendNoise = 0.02             // of the level: a gauge's (the field guide: 0.5 to 3 %)
)

// trend projects the pull to its target. What walls and oil give off dies away
// as a power of the time (about 1/t: vacuum engineering tables, from memory), a
// dry pull as an exponential: the power is the slower and the best, the
// exponential the lower edge, and a level that stays the upper.
func (j *evacuation) trend() (ps []TrendPoint, left time.Duration) {
	past := j.past
	for len(past) > 0 && past[len(past)-1].minute-past[0].minute > int64(trendOver/minute) {
		past = past[1:]
	}
	from := j.pulledAt.Minutes()
	if len(past) < trendLeast || float64(past[0].minute) < from {
		return nil, -1
	}
	var t, lnT, lnP []float64
	for _, l := range past {
		m := float64(l.minute) + 0.5
		t, lnT, lnP = append(t, m), append(lnT, math.Log(m-from)), append(lnP, l.ln/l.n)
	}
	n := len(t) - 1
	now, power := lineAt(lnT, lnP, lnT[n])
	_, slope := lineAt(t, lnP, t[n])
	target := math.Log(j.pullTarget().Value)
	if power >= -trendNoise || slope >= 0 || now <= target {
		return nil, -1
	}
	ends := math.Exp(lnT[n]+(target-now)/power) + from - t[n] // minutes from the last
	if ends > trendMost.Minutes() {
		return nil, -1
	}
	const steps = 24
	for i := range steps + 1 {
		ahead := ends * float64(i) / steps
		best := math.Exp(now + float64(power*(math.Log(t[n]+ahead-from)-lnT[n])))
		low := math.Exp(now + float64(slope*ahead) - 2*trendNoise)
		at := time.Duration(float64(minute) * (t[n] + ahead)).Round(time.Second)
		ps = append(ps, TrendPoint{j.clock.when(at), Num(min(low, best)), Num(best), Num(math.Exp(now + 2*trendNoise))})
	}
	return ps, max(0, (time.Duration(float64(minute)*(t[n]+ends))).Round(time.Minute)-j.clock.newest.Round(time.Minute))
}

// levelRises reports whether the level rose in these minutes as it would be past the
// target within an hour: far below it a gauge's wandering is no rise.
func (j *evacuation) levelRises(pa, fall float64) bool {
	hour := time.Hour.Seconds() / levelOver.Seconds()
	return -fall > levelRise && float64(pa*(1-float64(fall*hour))) > j.target.Value
}
