package rules

import (
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// This file turns readings into superheats and subcoolings: readings of half a
// minute are one value, two points make a pair, and a pair's last minutes say
// how it stands.
const (
	slotLasts  = 30 * time.Second // a valve hunts in 2 min at the fastest
	slotsKept  = 64               // a power of two; half an hour
	viewOver   = 20               // slots that a level is judged over: 10 min
	viewLeast  = 10               // and at least: 5 min
	huntOver   = 30               // slots: two and a half of the slowest swings
	heldFor    = 2 * time.Minute  // a value stands so long where none follows (the contract bridges 2 min)
	heldSlots  = 40               // and never longer
	driftMostK = 1.0              // over those 10 min: steady (our choice: a fifth of the range 3 to 8 K)
	swingMostK = 2.5              // between its tenth and its ninetieth percentile: steady (our choice: half of it)
	huntLeastK = 2.0              // from trough to crest: less is a valve at work (our choice)
	huntShare  = 0.4              // of the scatter is that swing's; of a saw-tooth's 0.61 (its Fourier series), of noise 0.4 once in a thousand
	huntFromM  = 2.0              // minutes (the field guide)
	huntToM    = 6.0
)

// track is one point's readings, half a minute at a time.
type track struct {
	point sensors.Point
	cells [slotsKept]cell
	first sample
	last  time.Duration
	heard bool
	gaps  time.Duration // longer than what is bridged, added up
}

type cell struct {
	slot      int64
	sum, n    float64
	low, high float64
}

// mean leaves out the lowest and the highest of three values and more: a glitch.
func (c cell) mean() float64 {
	if c.n < 3 {
		return c.sum / c.n
	}
	return (c.sum - c.low - c.high) / (c.n - 2)
}

// add takes a reading; it returns how long none was heard before it.
func (k *track) add(s sample) (quiet time.Duration) {
	if s.t < 0 {
		return 0
	}
	slot := int64(s.t / slotLasts)
	c := &k.cells[slot%slotsKept]
	if c.slot > slot {
		return 0
	}
	if c.slot < slot {
		*c = cell{slot: slot}
	}
	if c.n == 0 {
		c.low, c.high = s.v, s.v
	}
	c.sum, c.low, c.high = c.sum+s.v, min(c.low, s.v), max(c.high, s.v)
	c.n++
	if s.t <= k.last && k.heard {
		return 0
	}
	if !k.heard {
		k.first = s
	}
	quiet = s.t - k.last
	k.last, k.heard = s.t, true
	return quiet
}

// stands is how long a value of the point stands for the time after it.
func (k *track) stands() time.Duration { return max(heldFor, k.point.Every*5/2) }

// at is the point's value in a slot: what was heard in it, or what still stands.
func (k *track) at(slot int64) float64 {
	held := min(int64(k.stands()/slotLasts), heldSlots)
	for s := slot; s >= max(0, slot-held); s-- {
		if c := k.cells[s%slotsKept]; c.slot == s && c.n > 0 {
			return c.mean()
		}
	}
	return math.NaN()
}

// level is the median over slots.
func (k *track) level(from, to int64) float64 {
	var vs []float64
	for s := max(from, to-slotsKept+1); s < to; s++ {
		if v := k.at(s); !math.IsNaN(v) {
			vs = append(vs, v)
		}
	}
	sort.Float64s(vs)
	return middle(vs)
}

// stale reports whether the point has not been heard lately.
func (k *track) stale(now time.Duration) bool { return !k.heard || now-k.last > k.stands() }

// pair is what two points give together: superheat of a line and its pressure.
type pair struct {
	place string // which of several, ou1; empty: the only one
	a, b  *track
	of    func(a, b float64) float64
	front int64 // slots before it are complete
	known [slotsKept]reckoned
	view  view
	off   lasting // beyond its limits
	good  lasting // within them
	up    bool    // its flag is
}

type reckoned struct {
	slot    int64
	a, b, v float64
}

// advance reports whether a further minute is complete.
func (p *pair) advance() bool {
	if !p.a.heard || !p.b.heard {
		return false
	}
	f := int64(min(p.a.last, p.b.last)/minute) * int64(minute/slotLasts)
	if f <= p.front {
		return false
	}
	p.front = f
	return true
}

func (p *pair) value(slot int64) float64 {
	a, b := p.a.at(slot), p.b.at(slot)
	if math.IsNaN(a) || math.IsNaN(b) {
		return math.NaN()
	}
	r := &p.known[slot%slotsKept]
	if r.slot != slot || r.a != a || r.b != b {
		*r = reckoned{slot, a, b, p.of(a, b)}
	}
	return r.v
}

// view is how a pair has stood over its last minutes.
type view struct {
	ok      bool
	k       float64 // median
	uK      float64 // by clamps and transducers
	a, b    float64 // medians of what it was made of
	driftK  float64 // over those minutes
	lowK    float64 // a tenth lies lower
	highK   float64 // a tenth lies higher
	lastK   float64
	slots   int
	steady  bool
	hunts   bool
	periodM float64 // minutes
	waveK   float64 // trough to crest
}

// look is how the pair stands by the slots from a moment on.
func (p *pair) look(from int64) view {
	var v view
	var t, y []float64
	for s := max(from, p.front-huntOver, 0); s < p.front; s++ {
		if x := p.value(s); !math.IsNaN(x) {
			t, y = append(t, float64(float64(s)*slotLasts.Minutes())), append(y, x)
		}
	}
	cut := 0
	for cut < len(t) && t[cut] < float64(p.front-viewOver)*slotLasts.Minutes() {
		cut++
	}
	ys := y[cut:]
	v.slots = len(ys)
	if v.slots < viewLeast {
		return v
	}
	since := max(from, p.front-viewOver)
	v.ok, v.k = true, middleValue(ys)
	v.a, v.b = p.a.level(since, p.front), p.b.level(since, p.front)
	v.lastK = middleValue(ys[len(ys)-4:])
	slope := theilSen(t[cut:], ys)
	over := t[len(t)-1] - t[cut]
	v.driftK = float64(slope * over)
	rest := make([]float64, len(ys))
	for i := range ys {
		rest[i] = ys[i] - float64(slope*(t[cut+i]-t[len(t)-1]))
	}
	low, high := spread(rest)
	v.lowK, v.highK = spread(ys)
	if least, most := spread(y); most-least > huntLeastK/2 {
		v.hunts, v.periodM, v.waveK = hunting(t, y, slope)
	}
	v.steady = math.Abs(v.driftK) <= driftMostK && high-low <= swingMostK && !v.hunts
	return v
}

// hunting looks for a swing of 2 to 6 min: the sine that explains most of what
// is left once the trend is taken out.
func hunting(t, y []float64, slope float64) (hunts bool, periodM, waveK float64) {
	if len(y) < viewOver {
		return false, 0, 0
	}
	rest := make([]float64, len(y))
	mean := 0.0
	for i := range y {
		rest[i] = y[i] - float64(slope*t[i])
		mean += rest[i] / float64(len(y))
	}
	total := 0.0
	for i := range rest {
		rest[i] -= mean
		total += float64(rest[i] * rest[i])
	}
	best := 0.0
	for f := 1 / huntToM; f <= 1/huntFromM+1e-9; f += 1.0 / 36 { // twice as fine as a quarter of an hour tells apart
		var ss, cc, sc, sy, cy float64
		for i := range rest {
			s, c := math.Sincos(2 * math.Pi * f * t[i])
			ss, cc, sc = ss+float64(s*s), cc+float64(c*c), sc+float64(s*c)
			sy, cy = sy+float64(s*rest[i]), cy+float64(c*rest[i])
		}
		det := float64(ss*cc) - float64(sc*sc)
		if det <= 1e-9*ss*cc { // sampled at its own crests: one amplitude only
			continue
		}
		a := (float64(sy*cc) - float64(cy*sc)) / det
		b := (float64(cy*ss) - float64(sy*sc)) / det
		if by := float64(a*sy) + float64(b*cy); by > best {
			best, periodM, waveK = by, 1/f, 2*hypot(a, b)
		}
	}
	return total > 0 && best > huntShare*total && waveK >= huntLeastK, periodM, waveK
}

// theilSen is the median slope of all pairs: one odd value moves it by little.
func theilSen(t, y []float64) float64 {
	all := make([]float64, 0, len(t)*len(t)/2)
	for i := range t {
		for k := range i {
			if t[i] > t[k] {
				all = append(all, (y[i]-y[k])/(t[i]-t[k]))
			}
		}
	}
	if len(all) == 0 {
		return 0
	}
	sort.Float64s(all)
	return middle(all)
}

func middleValue(ys []float64) float64 {
	s := slices.Clone(ys)
	sort.Float64s(s)
	return middle(s)
}

// spread is the tenth and the ninetieth percentile.
func spread(ys []float64) (low, high float64) {
	s := slices.Clone(ys)
	sort.Float64s(s)
	cut := len(s) / 10
	return s[cut], s[len(s)-1-cut]
}

// lines are a system's points, put together to pairs.
type lines struct {
	superheat, subcooling []*pair
	loss                  []*pair // liquid at the outdoor unit less liquid far from it
	parted                *pair   // condensing less evaporating; nil: a pressure is missing
}

// mating are the points of a trial run by their roles.
type mating struct {
	fluid      *physics.Refrigerant // nil: not known
	atmosphere func() float64
	outdoor    []string
	units      []Unit
	tracks     []*track
}

func (m mating) of(role string) (ks []*track) {
	for _, k := range m.tracks {
		if k.point.Role == role {
			ks = append(ks, k)
		}
	}
	return ks
}

// lines puts each clamp with the pressure that is called most alike.
func (m mating) lines() (l lines) {
	suction, liquid := m.of("suction-pressure"), m.of("liquid-pressure")
	near, far := m.near(m.of("liquid-line"), liquid)
	if m.fluid != nil {
		dew := func(gaugePa float64) float64 { return orNaN(m.fluid.DewC(gaugePa + m.atmosphere())) }
		bubble := func(gaugePa float64) float64 { return orNaN(m.fluid.BubbleC(gaugePa + m.atmosphere())) }
		lines := m.of("suction-line")
		for _, k := range lines {
			if p := m.mate(k, suction); p != nil {
				l.superheat = append(l.superheat, &pair{place: m.place(k, len(lines)), a: k, b: p,
					of: func(c, pa float64) float64 { return c - dew(pa) }})
			}
		}
		for _, k := range near {
			if p := m.mate(k, liquid); p != nil {
				l.subcooling = append(l.subcooling, &pair{place: m.place(k, len(near)), a: k, b: p,
					of: func(c, pa float64) float64 { return bubble(pa) - c }})
			}
		}
		if len(suction) > 0 && len(liquid) > 0 {
			l.parted = &pair{a: liquid[0], b: suction[0], of: func(liq, suc float64) float64 { return bubble(liq) - dew(suc) }}
		}
	}
	for _, k := range far {
		l.loss = append(l.loss, &pair{place: k.point.Name, a: near[0], b: k, of: func(at, far float64) float64 { return at - far }})
	}
	return l
}

func orNaN(v float64, err error) float64 {
	if err != nil {
		return math.NaN()
	}
	return v
}

// Words of points' names that say what is measured, not where.
var whatWords = []string{"suction", "liquid", "discharge", "gas", "line", "pipe", "pressure", "temperature", "temp", "clamp", "gauge", "high", "low", "side", "p", "t"}

// Words that put a clamp at the far end of the liquid line.
var farWords = []string{"far", "farthest", "furthest", "remote", "end", "last", "indoor", "room"}

// where are the words of a name that say where the point is.
func where(name string) (ws []string) {
	for _, w := range strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune("-_./ ", r) }) {
		if !slices.Contains(whatWords, w) {
			ws = append(ws, w)
		}
	}
	return ws
}

func alike(a, b string) (score int) {
	x, y := where(a), where(b)
	for _, w := range x {
		if slices.Contains(y, w) {
			score += 3
		} else {
			score--
		}
	}
	for _, w := range y {
		if !slices.Contains(x, w) {
			score--
		}
	}
	return score
}

// mate is the pressure that goes with a clamp: lines of one network join, so
// that any will do where none is called like it.
func (m mating) mate(k *track, ps []*track) (best *track) {
	for _, p := range ps {
		if best == nil || alike(k.point.Name, p.point.Name) > alike(k.point.Name, best.point.Name) {
			best = p
		}
	}
	return best
}

// place is what to call one of several.
func (m mating) place(k *track, of int) string {
	if of < 2 {
		return ""
	}
	if ws := where(k.point.Name); len(ws) > 0 {
		return strings.Join(ws, " ")
	}
	return k.point.Name
}

// near tells the liquid clamps at the outdoor units from those at the line's
// far end, by their names.
func (m mating) near(ks, pressures []*track) (near, far []*track) {
	var open []*track
	for _, k := range ks {
		ws := where(k.point.Name)
		in := func(name string) bool { return strings.Contains(strings.ToLower(k.point.Name), strings.ToLower(name)) }
		switch {
		case slices.ContainsFunc(m.outdoor, in):
			near = append(near, k)
		case slices.ContainsFunc(m.units, func(u Unit) bool { return in(u.Name) }),
			slices.ContainsFunc(ws, func(w string) bool { return slices.Contains(farWords, w) }):
			far = append(far, k)
		default:
			open = append(open, k)
		}
	}
	slices.SortStableFunc(open, func(a, b *track) int { return best(b, pressures) - best(a, pressures) })
	for _, k := range open {
		own := slices.ContainsFunc(pressures, func(p *track) bool { return len(where(p.point.Name)) > 0 && alike(k.point.Name, p.point.Name) > 0 })
		if len(near) == 0 || own || len(near) < len(m.outdoor) {
			near = append(near, k)
		} else {
			far = append(far, k)
		}
	}
	if len(near) == 0 && len(far) > 0 {
		near, far = far[:1], far[1:]
	}
	return near, far
}

func best(k *track, ps []*track) int {
	score := math.MinInt
	for _, p := range ps {
		score = max(score, alike(k.point.Name, p.point.Name))
	}
	return score
}
