package rules

import (
	"math"
	"sort"
	"time"

	"standwatch/rules/physics"
)

// holdView is what the readings say at one moment.
type holdView struct {
	ok                      bool
	t                       time.Duration
	rises                   physics.Rises
	nowPa, sePa             float64 // the level and its standard error
	isOver, willBe          float64 // how probably the level is over the limit, and will be at the hold's end
	endPa                   float64 // at the hold's end
	peakPa                  float64
	slopePaPerS, meanPaPerS float64 // now, and over all that is compared
	rosePa                  float64 // over that
	cause, likely           string  // once it is much more probable than the others; more than not
	sure                    float64 // of the likely cause
	water                   float64 // how probably it is moisture, if it does not rise faster and faster
}

// look takes a view of the readings up to a moment of the hold.
func (j *vacuumHold) look(t time.Duration) {
	if j.stale {
		j.sortOut()
	}
	j.looked = max(t, j.clock.newest)
	var all []physics.Stretch
	for _, b := range j.buckets {
		if b.n > 0 {
			all = append(all, physics.Stretch{TS: b.tS / b.n, PPa: b.pPa / b.n, N: b.n, SpanS: (b.last - b.first).Seconds()})
		}
	}
	all = withoutKicks(all)
	if from, ends := j.atEnd(); ends { // what it shows since then bends the curve, and is none
		t = min(t, from)
		all = all[:sort.Search(len(all), func(i int) bool { return all[i].TS+float64(all[i].SpanS/2) >= from.Seconds() })]
	}
	if t >= j.ends() && j.view.rosePa > flatLeast*j.view.nowPa && j.startedFlat() {
		all = sinceBent(all, j.sett)
	}
	j.besideWalls(all)
	n := len(all)
	if n < 5 || t < j.sett || all[n-1].TS-all[0].TS < viewFrom.Seconds() {
		j.view = holdView{}
		return
	}
	v := holdView{t: t, rises: physics.FitRises(all, j.limit.Value)}
	if v.ok = v.rises.Known; v.ok {
		now, first := t.Seconds(), max(all[0].TS, j.sett.Seconds())
		level := v.rises.At(now)
		v.nowPa, v.sePa = level.Pa, level.SePa
		v.isOver = level.Above(j.limit.Value)
		v.endPa, v.willBe = v.nowPa, v.isOver
		if end := j.ends().Seconds(); end > now {
			level := v.rises.At(end)
			v.endPa, v.willBe = level.Quantile(0.5), level.Above(j.limit.Value)
		}
		before, atFirst := v.rises.At(now-60).Pa, v.rises.At(first).Pa
		v.slopePaPerS, v.meanPaPerS = (v.nowPa-before)/60, (v.nowPa-atFirst)/max(now-first, 1)
		if now-first < viewFrom.Seconds() { // so short a stretch has no mean
			v.meanPaPerS = v.slopePaPerS
		}
		v.peakPa, v.rosePa = max(v.nowPa, atFirst), v.nowPa-atFirst
		v.lookForPeak(all, j.sett.Seconds())
		v.lookForCause(max(now, j.ends().Seconds()) - first)
		j.lookAtWalls(&v, asTime(first))
	}
	j.view, j.seen = v, all
}

// startedFlat reports whether the first minutes rose by less than a quarter as fast as the
// level rises since, as far as is seen, which no shape of a rise does: the pump may have gone
// on, and been valved off some minutes after the begin, of which nobody said a word; or what
// rises comes to the gauge from far off.
func (j *vacuumHold) startedFlat() bool {
	i := sort.Search(len(j.ss), func(i int) bool { return j.ss[i].t > j.sett })
	first := lineThrough(j.ss[:i])
	return first.slopePaPerS < j.view.meanPaPerS/4
}

// sinceBent are the stretches from where the level bent upwards in the first minutes, once as
// much has settled since as after a begin: with the flat ones before it no shape of a rise fits.
func sinceBent(all []physics.Stretch, sett time.Duration) []physics.Stretch {
	ss := samples(all[:sort.Search(len(all), func(i int) bool { return all[i].TS > bentWithin*sett.Seconds() })])
	bent, _ := bentBest(ss)
	return all[sort.Search(len(all), func(i int) bool { return all[i].TS >= (bent + sett/2).Seconds() }):]
}

func samples(all []physics.Stretch) []sample {
	ss := make([]sample, len(all))
	for i, s := range all {
		ss[i] = sample{asTime(s.TS), s.PPa}
	}
	return ss
}

const (
	flatLeast  = 0.1              // of the level: a lesser rise is not worth the look
	bentWithin = 4.0              // settling times (our choice)
	flatMost   = 30 * time.Minute // of a hold: later the flat minutes are a small part of what is seen (our choice)
)

// lately is how probably the level will be over the limit at the hold's end by the readings
// since it bent upwards alone, once as much has settled since as after a begin: with the flat
// ones before they make a chord of a curve that bends.
func (j *vacuumHold) lately() float64 {
	ss := samples(j.seen)
	bent, _ := bentBest(ss)
	if j.view.t-bent < j.sett {
		return 0
	}
	i := sort.Search(len(ss), func(i int) bool { return ss[i].t >= bent+j.sett/2 })
	p := 1.0
	for _, from := range []int{i, len(ss) * 2 / 5} { // the bend may be found too early
		r := physics.FitRises(j.seen[from:], j.limit.Value)
		if !r.Known {
			return 0
		}
		p = min(p, r.At(j.ends().Seconds()).Above(j.limit.Value))
	}
	return p
}

// withoutKicks leaves out the few stretches that depart from their neighbours'
// median as no rise does: a kicked hose. The newest count once they are many.
func withoutKicks(all []physics.Stretch) []physics.Stretch {
	n := len(all)
	if n < 2*kickWide {
		return all
	}
	off, near := make([]float64, n), make([]float64, 0, 2*kickWide+1)
	for i, s := range all {
		near = near[:0]
		for _, x := range all[max(0, i-kickWide):min(n, i+kickWide+1)] {
			near = append(near, x.PPa)
		}
		sort.Float64s(near)
		off[i] = math.Abs(s.PPa/middle(near) - 1)
	}
	usual := append([]float64(nil), off...)
	sort.Float64s(usual)
	most := max(kickShare, spikeTimes*middle(usual))
	kept := make([]physics.Stretch, 0, n)
	for i, s := range all {
		if off[i] <= most {
			kept = append(kept, s)
		}
	}
	return kept
}

// lookForPeak finds a level beyond the fit's and beyond noise, over some minutes.
func (v *holdView) lookForPeak(all []physics.Stretch, fromS float64) {
	from, sum, of := 0, 0.0, 0.0
	for _, s := range all {
		if s.TS < fromS {
			from++
			continue
		}
		sum, of = sum+float64(s.PPa*s.N), of+s.N
		for s.TS-all[from].TS > peakOver {
			sum, of = sum-float64(all[from].PPa*all[from].N), of-all[from].N
			from++
		}
		if mean := sum / of; mean > v.peakPa && mean > v.rises.At(s.TS).Pa*(1+float64(3*max(v.rises.Spread, noiseLeast))) {
			v.peakPa = max(v.peakPa, mean)
		}
	}
}

const peakOver = 180.0 // s

// lineAt is a straight line through points, at a time, and its slope.
func lineAt(tS, pPa []float64, t float64) (p, slope float64) {
	n := float64(len(tS))
	var mt, mp, stt, stp float64
	for i := range tS {
		mt += tS[i] / n
		mp += pPa[i] / n
	}
	for i := range tS {
		d := tS[i] - mt
		stt += float64(d * d)
		stp += float64(d * (pPa[i] - mp))
	}
	if stt > 0 {
		slope = stp / stt
	}
	return mp + float64(slope*(t-mt)), slope
}

// lookForCause names the cause where one is much more probable than the others.
// Short of that the likely one is a leak unless the straight line is surely beaten
// (the field guide: moisture is what beats it by 10 in chi-square), or else what is
// more probable than not.
func (v *holdView) lookForCause(spanS float64) {
	v.cause, v.likely = "unknown", "unknown"
	c := v.rises.Causes(spanS)
	rises := 1 - c.Steady
	if rises < riseSure {
		return
	}
	v.water = c.Moisture / rises
	rises += c.Faster
	for _, x := range []struct {
		cause string
		p     float64
	}{{"leak", c.Leak}, {"moisture", c.Moisture}, {"leak-and-moisture", c.Both}, {speedsUp, c.Faster}} {
		switch p := x.p / rises; {
		case p > causeSure:
			v.cause, v.likely, v.sure = x.cause, x.cause, p
		case p > 0.5:
			v.likely, v.sure = x.cause, p
		}
	}
	if bent := rises - c.Faster - c.Straight; v.cause == "unknown" && c.Straight*bentSurely > bent {
		v.likely, v.sure = "leak", c.Leak/rises
	}
}

// line is a straight line through readings: its level at the last of them and
// its slope, with standard errors from how they scatter about it.
type line struct {
	pPa, sePa, slopePaPerS, seSlope, spreadPa float64
	known                                     bool
}

func lineThrough(ss []sample) (l line) {
	n := len(ss)
	if n < 5 {
		return l
	}
	tS, pPa := make([]float64, n), make([]float64, n)
	for i, s := range ss {
		tS[i], pPa[i] = s.t.Seconds(), s.v
		if i > 0 && i < n-1 { // a spike says nothing
			pPa[i] = median(ss[i-1 : i+2])
		}
	}
	l.pPa, l.slopePaPerS = lineAt(tS, pPa, tS[n-1])
	var own, neighbour, last float64
	for i := range tS {
		d := pPa[i] - l.pPa - float64(l.slopePaPerS*(tS[i]-tS[n-1]))
		own += float64(d * d)
		if i > 0 {
			neighbour += float64(d * last)
		}
		last = d
	}
	least := float64(noiseLeast * l.pPa)
	rho := neighbour / max(own, float64(float64(least*least)*float64(n)))
	rho = min(max(rho+(1+float64(4*rho))/float64(n), 0), 0.97) // as physics.FitRise does
	worth := float64(n) * (1 - rho) / (1 + rho)
	spread := math.Sqrt(max(own/max(float64(n)-2*float64(n)/worth, 1), float64(least*least)))
	l.spreadPa, l.sePa = spread, 2*spread/math.Sqrt(worth)
	l.seSlope = math.Sqrt(12/worth) * spread / max(tS[n-1]-tS[0], 1)
	l.known = worth >= 3
	return l
}
