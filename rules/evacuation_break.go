package rules

import (
	"math"
	"time"

	"standwatch/rules/physics"
)

// toldBreak takes the mark, unless the break was seen before it was said.
func (j *evacuation) toldBreak(t time.Duration) (out []Finding) {
	if j.lost { // it was nitrogen
		j.lost = false
		j.breaks++
		out = append(out, j.cleared("vacuum-rising", evacNitrogen()))
	}
	switch {
	case j.broken:
	case !j.saidBreak && j.breaks > 0 && t-j.pulledAt < markLate: // a late mark
	case j.floorPa == 0 && !j.absDown && j.isAbsUp(t): // there is no vacuum to break
		j.unseen++
		return out
	default:
		out = append(out, j.broke()...)
	}
	j.saidBreak, j.saidAt = true, t
	return out
}

// broke ends a pull.
func (j *evacuation) broke() (out []Finding) {
	j.lastMinute()
	if j.floorPa > 0 && len(j.floors) < 32 {
		j.floors = append(j.floors, j.floorPa)
	}
	j.breaks++
	j.pairPa, j.beforePa = 0, 0
	j.broken, j.saidBreak, j.absSaw, j.peakPa, j.absPeakPa, j.saidPa, j.floorPa, j.isUp = true, false, false, 0, 0, 0, 0, false
	if j.stalled {
		out = append(out, j.cleared("vacuum-stalled", evacBroken()))
	}
	if j.frozen {
		out = append(out, j.clearFreezing()...)
	}
	if j.volume.fast {
		out = append(out, j.cleared("pulldown-too-fast", evacBroken()))
	}
	j.stalled, j.dwelt, j.cause = false, false, ""
	j.volume.next()
	j.forget()
	return out
}

// lastMinute counts the minute that a break or the end cuts short.
func (j *evacuation) lastMinute() {
	if n := len(j.past); n > 0 && j.floorPa > 0 && 2*j.open.n >= j.past[n-1].n { // with less of it noise would count
		j.floorPa = min(j.floorPa, j.open.pa())
	}
}

// pull begins the next pull. Where a break was marked, and the transducer went
// on showing a vacuum, it was none.
func (j *evacuation) pull(t time.Duration) (out []Finding) {
	floor := 0.0
	if n := len(j.floors); n > 0 && !j.lost && !(j.absSaw && j.absPeakPa < letInPa) {
		if broken := max(j.absPeakPa, j.saidPa); broken > 0 {
			j.dilutedBy *= physics.AfterBreak(j.floors[n-1], broken, 1)
		} else {
			j.dilutedBy = 0
		}
	}
	if j.absSaw && j.absPeakPa < letInPa {
		j.breaks--
		j.unseen++
		if n := len(j.floors); n > 0 { // it is the same pull
			floor, j.floors = j.floors[n-1], j.floors[:n-1]
		}
	}
	j.broken, j.pumping, j.isolated, j.absDown, j.floorPa, j.isUp, j.isMarked, j.pulledAt = false, true, false, false, floor, false, false, t
	j.atAir = lasting{}
	j.forget()
	if j.lost {
		j.lost = false
		out = []Finding{j.cleared("vacuum-rising", evacPulledAgain())}
	}
	return out
}

// isPulledAgain reports whether a break is over, as the gauge shows it. One that
// was valved off for a break that somebody marked is opened at any pressure: what
// it shows may be far below nitrogen's, but nothing else than a pump lowers it.
func (j *evacuation) isPulledAgain(s sample) bool {
	low := max(s.v, j.beforePa) // of two, for a stray one says nothing
	j.peakPa, j.pairPa = max(j.peakPa, s.v), max(j.pairPa, min(s.v, j.beforePa))
	j.beforePa = s.v
	if j.isAbsUp(s.t) {
		return false
	}
	j.wasShut = j.peakPa < breakLeastPa && j.saidBreak && low < fallsAgain*j.pairPa
	return j.wasShut || j.peakPa >= breakLeastPa && s.v < fallsAgain*j.peakPa
}

// over is a gauge without a value; above its range as at the beginning of a pull.
func (j *evacuation) over(t time.Duration, reason string) []Finding {
	if !j.offScale {
		j.offScale, j.offSince = true, t
	}
	if !pastItsTop(reason) || t < 0 {
		return nil
	}
	if j.broken {
		j.peakPa = max(j.peakPa, gaugeTopPa)
		return nil
	}
	out, _ := j.rises(sample{t, gaugeTopPa})
	return out
}

// rises sees gas let in that nobody marked: the floor lifted for a minute.
func (j *evacuation) rises(s sample) (out []Finding, rose bool) {
	lift, half := j.lifted()
	if j.floorPa == 0 || s.v < breakLeastPa || s.v < lift {
		if j.isUp = false; s.v < half {
			j.isMid = false
		} else if !j.isMid {
			j.isMid, j.midAt = true, s.t
		}
		return nil, false
	}
	if !j.isUp {
		j.isUp, j.upSince, j.absMostPa = true, s.t, 0
	}
	if j.absHeard(s.t) {
		j.absMostPa = max(j.absMostPa, j.abs(s.t))
	}
	switch {
	case s.t-j.upSince < minute:
		return nil, true
	case j.isMarked && s.t-j.pulledAt <= openLate, j.absHeard(s.t) && !j.absDown: // the gauge was valved off
		j.floorPa, j.isUp = 0, false
		j.forget()
		return nil, true
	case j.isMid && j.upSince-j.midAt > breakWithin || j.absHeard(s.t) && !j.isLetIn(s.t):
		return nil, true // a leak, or water: no nitrogen comes in like that
	}
	stopped := !j.pumping && !j.isolated
	if n := len(j.floors); j.wasShut && j.breaks > 0 && n > 0 && s.t-j.saidAt <= markLate { // marked early, and pulled on until now
		j.wasShut, j.breaks, j.floors = false, j.breaks-1, j.floors[:n-1]
	}
	out = j.broke()
	j.peakPa = s.v
	if stopped && !j.absHeard(s.t) {
		out = append(out, j.airIn(s.v))
	}
	return out, true
}

// lifted is how far a break lifts this pull's floor, and where it is half way. A
// gauge that ends before that, over a wet pipe, shows no more than its end.
func (j *evacuation) lifted() (pa, halfPa float64) {
	pa = breakRise * j.floorPa
	if top := nearTop * j.highPa; pa > top && top > breakTop*j.floorPa {
		return top, math.Sqrt(j.floorPa * top)
	}
	return pa, pa / 2
}

// airIn is air through a pump that stands with its valve open.
func (j *evacuation) airIn(pa float64) Finding {
	j.lost = true
	j.breaks-- // it was no nitrogen
	return Finding{Edge: Raised, Flag: "vacuum-rising", Urgency: Wake, Text: evacAir(pa, !j.pumping), Values: []Value{{"pressure_pa", pa}}}
}

// absHeard reports whether an absolute transducer was heard lately, and
// isAbsUp whether it shows gas let in.
func (j *evacuation) absHeard(t time.Duration) bool { return !math.IsNaN(j.abs(t)) }
func (j *evacuation) isAbsUp(t time.Duration) bool  { return j.abs(t) > upPa }

// isLetIn reports whether it shows gas let in that stays, be it less than an atmosphere.
func (j *evacuation) isLetIn(t time.Duration) bool {
	return j.abs(t) > max(letInPa, letInStands*j.absMostPa)
}

func (j *evacuation) abs(t time.Duration) float64 { return j.of("absolute-pressure", t, bridged) }

// readAbsolute follows the transducer: gas let in, the fall after it, and what
// the fall says of the volume.
func (j *evacuation) readAbsolute(place int, s sample) (out []Finding) {
	if n := j.newest[place]; math.IsNaN(n.v) || s.t >= n.t {
		j.newest[place] = s
		out = j.followAbsolute(s)
	}
	if j.pumping || j.broken {
		if f := j.volume.read(s); f != nil {
			out = append(out, *f)
		}
	}
	if f := j.volume.zero(s, j.last, j.heard && !j.broken && j.pumping && j.unit == ""); f != nil {
		out = append(out, *f)
	}
	return out
}

func (j *evacuation) followAbsolute(s sample) (out []Finding) {
	if j.broken {
		j.absSaw, j.absPeakPa = true, max(j.absPeakPa, s.v)
		if j.absPeakPa > letInPa && s.v < min(pulledPa, fallsAgain*j.absPeakPa) {
			return j.pull(s.t)
		}
		air := j.of("barometer", s.t, 24*time.Hour)
		if math.IsNaN(air) {
			air = j.startedPa // where no barometer tells it: what the transducer stood at before the first pull
		}
		if air == 0 || j.absPeakPa > air+nitrogenPa || j.saidBreak || j.lost {
			return nil
		}
		if j.atAir.by(s.t, math.Abs(s.v-air) <= nitrogenPa, airFor) {
			return []Finding{j.airIn(s.v)}
		}
		return nil
	}
	if s.v > upPa && j.floorPa == 0 && !j.volume.fell() && j.breaks == 0 {
		j.stands(s)
	}
	j.absDown = j.absDown || s.v < pulledPa
	if s.v > upPa && j.absDown {
		out = j.broke()
		j.absSaw, j.absPeakPa = true, s.v
	}
	return out
}

// stands keeps where the transducer stood before the first pull: at first its
// first reading, then any level it has kept. A slow pull keeps none.
func (j *evacuation) stands(s sample) {
	if j.startedPa == 0 {
		j.startedPa = s.v
	}
	switch {
	case math.Abs(s.v-j.standPa) > restsWithin*j.standPa:
		j.standPa, j.standAt = s.v, s.t
	case s.t-j.standAt >= restsFor:
		j.startedPa = j.standPa
	}
}
