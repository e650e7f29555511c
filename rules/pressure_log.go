package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/sensors"
)

const (
	pressBinsMost = 128              // of the whole test
	recentFor     = 31 * time.Minute // the newest readings are kept finer
	standsFor     = 30 * time.Minute // a slow instrument's value stands that long
	aloneFor      = time.Hour        // a thermometer on one value: our choice
)

// pressLog keeps a pressure test's readings as the means of stretches, fine for
// the last half hour and coarser, the longer the test, for the whole of it.
type pressLog struct {
	points int
	gauge  int
	fine   time.Duration
	width  time.Duration // of the whole test's stretches; doubles
	bins   []pressBin
	recent []pressBin
	tracks []pressTrack
	// movePa is the mean difference between neighbouring readings of the gauge, stray ones cut.
	movePa float64
	stepPa float64 // the least of those that is one, and how many were
	steps  int
}

// pressBin gathers a stretch of every point's readings.
type pressBin struct {
	n   int64 // which stretch
	tS  float64
	sum []float64
	num []float64
}

// pressTrack is the last few readings of a point, the newest last.
type pressTrack struct {
	n    int // readings so far
	of   int // how many are looked at: more where they come fast
	last [5]float64
	t    time.Duration

	warm      bool // a thermometer
	still     still
	low, high float64 // C
	gone      bool    // it stood still as none that measures does, and stands for nothing in this test any more
}

// pressState is what the points say at one time, by place; NaN: nothing.
type pressState struct {
	t       time.Duration
	gaugePa float64
	value   []float64
	lagK    float64 // how far the gas's temperature is ahead of its own slow mean
}

func newPressLog(points []sensors.Point, gauge int, fine time.Duration) pressLog {
	fine = max(fine.Truncate(time.Second), time.Second)
	l := pressLog{points: len(points), gauge: gauge, fine: fine, width: fine, tracks: make([]pressTrack, len(points))}
	for i, p := range points {
		l.tracks[i].of = 3
		l.tracks[i].warm = p.Role == "pipe-air" || p.Role == "outdoor-air"
		l.tracks[i].low, l.tracks[i].high = math.Inf(1), math.Inf(-1)
		if p.Every <= 5*time.Second {
			l.tracks[i].of = 5
		}
	}
	return l
}

// newest is the last reading.
func (t *pressTrack) newest() float64 { return t.last[4] }

// middle is the middle one of the last three readings, or of five where they
// come fast: a stray one or two count for nothing.
func (t *pressTrack) middle() float64 {
	s := t.last
	few := s[5-t.of:]
	if t.n < t.of {
		return t.newest()
	}
	slices.Sort(few)
	return few[t.of/2]
}

// level is the gauge's, as the middle one of its last readings.
func (l *pressLog) level() float64 { return l.tracks[l.gauge].middle() }

// keep takes a reading in.
func (l *pressLog) keep(place int, s sample, now time.Duration) {
	if k := &l.tracks[place]; k.n == 0 || s.t >= k.t {
		if place == l.gauge && k.n > 0 {
			l.move(math.Abs(s.v-k.newest()), k.n)
		}
		if k.warm && !k.gone {
			l.lookIfStill(place, s)
		}
		k.n++
		k.t = s.t
		copy(k.last[:], k.last[1:])
		k.last[4] = s.v
		s.v = k.middle()
	}
	for s.t/l.width >= pressBinsMost {
		l.width *= 2
		l.bins = joined(l.bins)
	}
	l.bins = l.gather(l.bins, l.width, place, s)
	if oldest := int64((now - recentFor) / l.fine); int64(s.t/l.fine) >= oldest {
		l.recent = l.gather(l.recent, l.fine, place, s)
		for len(l.recent) > 0 && l.recent[0].n < oldest {
			l.recent = l.recent[1:]
		}
	}
}

// lookIfStill follows whether a thermometer still measures: one that is frozen
// would take the night's cold for a leak.
func (l *pressLog) lookIfStill(place int, s sample) {
	k := &l.tracks[place]
	k.still.hear(s)
	k.low, k.high = min(k.low, s.v), max(k.high, s.v)
	if k.still.run < stillLeast || k.still.run%stillLeast != 0 || s.t-k.still.from <= bridged { // seldom: it is asked at each reading
		return
	}
	k.gone = k.still.frozen() || l.standsAlone(place)
}

// standsAlone reports whether a thermometer that went up and down with the day
// shows one value for an hour, and many times as long as it ever did, while
// another one goes on.
func (l *pressLog) standsAlone(place int) bool {
	k := &l.tracks[place]
	if k.still.at-k.still.from < aloneFor || k.still.run < stillTimes*k.still.longest || k.high-k.low < stableK {
		return false
	}
	for i := range l.tracks {
		o := &l.tracks[i]
		if i == place || !o.warm || o.gone || o.n == 0 {
			continue
		}
		was := slices.IndexFunc(l.bins, func(b pressBin) bool { return time.Duration(b.n)*l.width >= k.still.from && b.num[i] > 0 })
		if was >= 0 && math.Abs(l.bins[was].sum[i]/l.bins[was].num[i]-o.newest()) > stableK {
			return true
		}
	}
	return false
}

// move follows how much neighbouring readings differ, over some hundred of them.
func (l *pressLog) move(pa float64, n int) {
	if pa > 0 {
		l.steps++
		if l.stepPa == 0 || pa < l.stepPa {
			l.stepPa = pa
		}
	}
	if n > 3 {
		pa = min(pa, float64(5*l.movePa)+100)
	}
	l.movePa += (pa - l.movePa) / float64(min(n, 300))
}

// noisePa is the standard deviation of a reading: neighbours of independent
// normal ones differ by 2/sqrt(pi) of it in the mean.
func (l *pressLog) noisePa() float64 { return l.movePa * math.Sqrt(math.Pi) / 2 }

// restart forgets what was heard before a time that lies in the fine stretches.
func (l *pressLog) restart(t time.Duration) {
	l.bins = nil
	for _, b := range l.recent {
		if time.Duration(b.n)*l.fine >= t {
			b.sum, b.num = slices.Clone(b.sum), slices.Clone(b.num)
			l.bins = append(l.bins, b)
		}
	}
	for w := l.fine; w < l.width; w *= 2 {
		l.bins = joined(l.bins)
	}
}

func (l *pressLog) gather(bins []pressBin, width time.Duration, place int, s sample) []pressBin {
	n := int64(s.t / width)
	i := len(bins)
	for i > 0 && bins[i-1].n > n {
		i--
	}
	if i == 0 || bins[i-1].n < n {
		both := make([]float64, 2*l.points)
		bins = slices.Insert(bins, i, pressBin{n: n, sum: both[:l.points:l.points], num: both[l.points:]})
		i++
	}
	b := &bins[i-1]
	b.sum[place] += s.v
	b.num[place]++
	if place == l.gauge {
		b.tS += s.t.Seconds()
	}
	return bins
}

// joined are bins of twice the width.
func joined(bins []pressBin) (wide []pressBin) {
	for _, b := range bins {
		b.n /= 2
		if k := len(wide); k > 0 && wide[k-1].n == b.n {
			wide[k-1].tS += b.tS
			for i := range b.sum {
				wide[k-1].sum[i] += b.sum[i]
				wide[k-1].num[i] += b.num[i]
			}
			continue
		}
		wide = append(wide, b)
	}
	return wide
}

// history is the whole test as the gauge was heard, the last half hour finer.
// What other points say between is interpolated.
func (l *pressLog) history() (h []pressState) {
	if l.gauge < 0 {
		return nil
	}
	until := time.Duration(math.MaxInt64)
	if len(l.recent) > 0 {
		until = time.Duration(l.recent[0].n) * l.fine
	}
	h = l.states(l.bins, l.width, 0, until) // the rest is in the finer ones
	h = append(h, l.states(l.recent, l.fine, 0, math.MaxInt64)...)
	for place := range l.points {
		if place != l.gauge {
			stand(h, place)
		}
	}
	return h
}

// states are what bins that lie between two times say.
func (l *pressLog) states(bins []pressBin, width, from, to time.Duration) (h []pressState) {
	for _, b := range bins {
		if time.Duration(b.n)*width < from {
			continue
		}
		if time.Duration(b.n+1)*width > to {
			break
		}
		if b.num[l.gauge] == 0 {
			continue
		}
		s := pressState{t: asTime(b.tS / b.num[l.gauge]), gaugePa: b.sum[l.gauge] / b.num[l.gauge], value: make([]float64, l.points)}
		for i := range s.value {
			s.value[i] = b.sum[i] / b.num[i] // NaN where nothing was heard
		}
		h = append(h, s)
	}
	return h
}

// stand fills in what a slow instrument says between its readings.
func stand(h []pressState, place int) {
	before := -1
	for i := 0; i <= len(h); i++ {
		if i < len(h) && math.IsNaN(h[i].value[place]) {
			continue
		}
		for k := before + 1; k < i; k++ {
			sinceBefore, toNext := standsFor+1, standsFor+1
			if before >= 0 {
				sinceBefore = h[k].t - h[before].t
			}
			if i < len(h) {
				toNext = h[i].t - h[k].t
			}
			switch {
			case before >= 0 && i < len(h) && min(sinceBefore, toNext) <= standsFor:
				part := sinceBefore.Seconds() / (sinceBefore + toNext).Seconds()
				h[k].value[place] = h[before].value[place] + float64(part*(h[i].value[place]-h[before].value[place]))
			case sinceBefore <= standsFor:
				h[k].value[place] = h[before].value[place]
			case toNext <= standsFor:
				h[k].value[place] = h[i].value[place]
			}
		}
		before = i
	}
}

// swing is by how much the thermometer that moved most has moved.
func (l *pressLog) swing(h []pressState) (k float64) {
	for i := range l.tracks {
		if !l.tracks[i].warm || l.tracks[i].gone {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, s := range h {
			if v := s.value[i]; !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		k = max(k, high-low)
	}
	return k
}

// after are the states from a time on.
func after(h []pressState, t time.Duration) []pressState {
	i := 0
	for i < len(h) && h[i].t < t {
		i++
	}
	return h[i:]
}

// around is the mean of what was heard within a distance of a time.
func around(h []pressState, t, within time.Duration) (pressState, bool) {
	return meanOf(h, t-within, t+within)
}

// meanOf is the mean of what was heard between two times; where a point was not heard all the while its value is NaN.
func meanOf(h []pressState, from, to time.Duration) (m pressState, ok bool) {
	n, tS := 0.0, 0.0
	for _, s := range h {
		if s.t < from || s.t > to {
			continue
		}
		if n == 0 {
			m.value = make([]float64, len(s.value))
		}
		n++
		tS += s.t.Seconds()
		m.gaugePa += s.gaugePa
		m.lagK += s.lagK
		for i, v := range s.value {
			m.value[i] += v
		}
	}
	if n == 0 {
		return m, false
	}
	m.t, m.gaugePa, m.lagK = asTime(tS/n), m.gaugePa/n, m.lagK/n
	for i := range m.value {
		m.value[i] /= n
	}
	return m, true
}
