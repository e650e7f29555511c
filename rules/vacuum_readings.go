package rules

import (
	"math"
	"sort"
	"time"
)

// bucket is a stretch of readings without spikes.
type bucket struct {
	tS, pPa     float64 // sums
	n           float64
	first, last time.Duration
}

// bridge is the longest gap that counts as heard; a gauge that speaks rarely
// may take longer.
func (j *vacuumHold) bridge() time.Duration { return max(bridged, j.gauge.Every*3/2) }
func (j *vacuumHold) gapMost() time.Duration {
	return max(gapMost, j.gauge.Every*3)
}

// ends is when the hold is over: later for every gap that was not bridged.
func (j *vacuumHold) ends() time.Duration { return j.lasts + j.extend }

// append takes a reading in its order.
func (j *vacuumHold) append(s sample) {
	was := time.Duration(0)
	if n := len(j.ss); n > 0 {
		was = j.ss[n-1].t
	}
	j.gap(s.t - was)
	if s.v != j.still.value && j.still.at-j.still.from > j.gapMost() && j.still.stopped() {
		j.wasFrozen = j.still
	}
	j.still.hear(s)
	j.ss = append(j.ss, s)
	if n := len(j.ss); n >= 5 {
		j.unlessSpike(j.ss[n-3], median(j.ss[n-5:]))
	}
}

// unlessSpike takes a reading into its bucket, but for one that departs from
// its neighbours as no noise does.
func (j *vacuumHold) unlessSpike(s sample, among float64) {
	off := math.Abs(s.v/among - 1)
	if off <= max(spikeTimes*j.rough, spikeLeast) {
		j.bucket(s.t, s.v)
	}
	j.rough += float64((min(off, float64(4*j.rough)+spikeLeast) - j.rough) / 50)
}

func (j *vacuumHold) gap(d time.Duration) {
	if d > j.gapMost() {
		j.broken = true
	} else if d > j.bridge() {
		j.extend += d
	}
}

func (j *vacuumHold) bucket(t time.Duration, pPa float64) {
	from := j.sett / 2 // what has not settled by then physics.FitRises allows for
	if t < from {
		return
	}
	i := int((t - from) / j.width)
	for i >= bucketsMost {
		j.halve()
		i = int((t - from) / j.width)
	}
	for len(j.buckets) <= i {
		j.buckets = append(j.buckets, bucket{})
	}
	b := &j.buckets[i]
	b.tS += t.Seconds()
	b.pPa += pPa
	if b.n == 0 {
		b.first = t
	}
	b.last = t
	b.n++
}

// halve joins buckets in pairs.
func (j *vacuumHold) halve() {
	var half []bucket
	for i := 0; i < len(j.buckets); i += 2 {
		b := j.buckets[i]
		if i+1 < len(j.buckets) {
			c := j.buckets[i+1]
			if b.n == 0 {
				b.first = c.first
			}
			if c.n > 0 {
				b.last = c.last
			}
			b.tS, b.pPa, b.n = b.tS+c.tS, b.pPa+c.pPa, b.n+c.n
		}
		half = append(half, b)
	}
	j.buckets, j.width = half, 2*j.width
}

// sortOut makes gaps and buckets anew after a late reading. An unknown gap stays.
func (j *vacuumHold) sortOut() {
	ss := j.ss
	j.ss, j.buckets, j.extend, j.broken, j.stale = nil, nil, 0, j.clock.unknown, false
	j.rough = noiseLeast
	j.still, j.wasFrozen = still{}, still{}
	for _, s := range ss {
		j.append(s)
	}
}

// forget drops the older readings of a hold that has its verdict and that nobody
// has ended, or that is over because it is charged: for what is still asked of it
// the newest are enough, and the buckets keep the means of all.
func (j *vacuumHold) forget() {
	n := len(j.ss)
	if j.result == "" && !j.charging || j.stale || j.ss[n-1].t-j.ss[0].t < 2*keptFor {
		return
	}
	i := sort.Search(n, func(i int) bool { return j.ss[i].t >= j.ss[n-1].t-keptFor })
	j.ss = append([]sample(nil), j.ss[i:]...)
	j.forgot = true
}

// recentPa is the level of the last few readings.
func (j *vacuumHold) recentPa() float64 {
	if len(j.ss) == 0 {
		return math.NaN()
	}
	return median(tail(j.ss, 5))
}
