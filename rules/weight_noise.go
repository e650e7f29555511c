package rules

import (
	"math"
	"slices"
	"sort"
)

// How far a scale's readings scatter, and to which digit it rounds them.

// noise is how a scale's readings scatter about what flows: by how they lie
// about a level, and by what of neighbours no smooth flow explains.
type noise struct {
	digit          float64
	spread, rho    float64     // of the readings about their level: standard deviation, and correlation of two on end
	scatters, rhos [31]float64 // by the newest levels
	levels, still  int         // how many; of these, of what stood still
	row            [6]point    // the newest readings on end, the newest last
	rows           int         // how many
	curved, waved  sizes       // what of four of them no parabola explains; of six, no polynomial of the fourth order
	white          float64
	risen          sizes // by how much a reading lies above the one before, or as high: nothing flows back

	least float64 // what sigma is at the least, where a level is taken in a gust; nought: it is not

	sd, wider float64 // sigma and inflation, until what they depend on changes; nought: to be found anew
}

// ring are the newest sizes of what should be noise, in standard deviations of
// one reading.
type ring struct {
	of   [31]float64
	seen int
}

func (z *ring) add(size float64) {
	z.of[z.seen%len(z.of)] = math.Abs(size)
	z.seen++
}

// sizes are the same, with what they are in order of size.
type sizes struct {
	ring
	sorted [31]float64
}

func (z *sizes) add(size float64) {
	size = math.Abs(size)
	i, n, k := z.seen%len(z.of), min(z.seen+1, len(z.of)), min(z.seen, len(z.of))
	if k == len(z.of) { // it takes the oldest's place
		for k = 0; k < n-1 && z.sorted[k] != z.of[i]; k++ {
		}
	}
	for ; k > 0 && z.sorted[k-1] > size; k-- {
		z.sorted[k] = z.sorted[k-1]
	}
	for ; k < n-1 && z.sorted[k+1] < size; k++ {
		z.sorted[k] = z.sorted[k+1]
	}
	z.sorted[k] = size
	z.ring.add(size)
}

// sigma is their standard deviation, by what a third of them lies under: a flow
// that changes now and then moves that little.
func (z *sizes) sigma() float64 {
	return z.sorted[min(z.seen, len(z.of))/3] / normalThird
}

// middle is the same, by what half of them lie under.
func (z *sizes) middle() float64 {
	return z.sorted[min(z.seen, len(z.of))/2] / normalHalf
}

// see takes a reading that is believed.
func (n *noise) see(s sample) {
	last := len(n.row) - 1
	now := point{s.t.Seconds(), s.v}
	if now.x <= n.row[last].x {
		n.rows = 0
	}
	if rise := s.v - n.row[last].y; n.rows > 0 && rise >= 0 {
		n.risen.add(rise / math.Sqrt2)
		n.changed()
	}
	copy(n.row[:], n.row[1:])
	n.row[last] = now
	n.rows++
	if n.rows < 4 {
		return
	}
	n.curved.add(unexplained(n.row[2:]))
	if n.rows >= len(n.row) {
		n.waved.add(unexplained(n.row[:]))
	}
	if n.curved.seen >= 4 && n.curved.seen%4 == 0 {
		n.white = n.curved.sigma()
		// Seldom readings of a flow that dies away bend more than they scatter.
		if n.waved.seen >= 4 {
			n.white = min(n.white, n.waved.sigma())
		}
		n.changed()
	}
}

// changed tells that what is known of the noise is another.
func (n *noise) changed() { n.sd, n.wider = 0, 0 }

// rounded takes the digit to which the readings are rounded.
func (n *noise) rounded(digit float64) {
	if digit != n.digit {
		n.digit = digit
		n.changed()
	}
}

// unexplained is what of readings no polynomial of an order two below their
// number explains: their divided difference, in standard deviations of one
// reading's noise.
func unexplained(few []point) float64 {
	var sum, norm float64
	for i, p := range few {
		w := 1.0
		for _, q := range few[:i] {
			w *= p.x - q.x
		}
		for _, q := range few[i+1:] {
			w *= p.x - q.x
		}
		w = 1 / w
		sum += float64(w * (p.y - few[0].y))
		norm += float64(w * w)
	}
	return sum / math.Sqrt(norm)
}

// normalThird is what a third of a normal distribution's sizes lie under, in
// standard deviations: a flow that changes now and then moves it little.
const (
	normalThird = 0.4307
	normalHalf  = 0.6745 // and half of them
)

// apart tells that the next reading cannot be compared with those before.
func (n *noise) apart() { n.rows = 0 }

// learn takes how the readings lie about their level.
func (n *noise) learn(l weight, ss []sample) {
	// A flow that changes lies about its level as gusts do: what stands still
	// tells noise alone, where it was seen.
	if l.rate > 0 && n.still >= 8 {
		return
	}
	kg, rho, ok := l.scatter(ss)
	if !ok {
		return
	}
	if l.rate == 0 {
		if n.still == 0 {
			n.levels = 0
		}
		n.still++
	}
	// A level that is left behind by a change of flow says nothing of noise:
	// the middle of many is taken.
	n.scatters[n.levels%len(n.scatters)], n.rhos[n.levels%len(n.rhos)] = kg, rho
	n.levels++
	if n.levels < 8 || n.levels%4 == 0 {
		m := min(n.levels, len(n.scatters))
		n.spread, n.rho = middleOf(n.scatters[:m]), middleOf(n.rhos[:m])
		n.changed()
	}
}

// scatter is how the readings of a level lie about it: standard deviation, and
// correlation from one to the next. While it flows they are taken about a
// parabola: a flow that dies away bends, and what bends is no noise.
func (l weight) scatter(ss []sample) (kg, rho float64, ok bool) {
	few := tail(ss, l.n)
	if len(few) < 8 {
		return 0, 0, false
	}
	curve := bendOf(len(few))
	for _, s := range few {
		curve.add((s.t - few[0].t).Seconds(), s.v-few[0].v)
	}
	offs, free := curve.offs(), 3.0
	if l.rate == 0 {
		free = 2
		for i, s := range few {
			offs[i] = s.v - l.kg
		}
	}
	var sum, lagged float64
	for i, e := range offs {
		sum += float64(e * e)
		if i > 0 {
			lagged += float64(e * offs[i-1])
		}
	}
	m := float64(len(few))
	if sum <= 0 {
		return 0, 0, true
	}
	rho = lagged / sum
	rho += (1 + float64(4*rho)) / m // a short stretch's correlation is too small by as much (Kendall 1954; from memory)
	return math.Sqrt(sum / (m - free)), min(max(rho, 0), 0.95), true
}

func middleOf(vs []float64) float64 {
	few := append([]float64(nil), vs...)
	sort.Float64s(few)
	return middle(few)
}

// sigma is the standard deviation of one reading: never less than rounding to
// the display digit leaves.
func (n *noise) sigma() float64 {
	if n.sd == 0 {
		n.sd = max(n.deviation(), n.least)
	}
	return n.sd
}

// amid takes the noise for no less than a minute of readings shows, since wind comes in
// gusts; none: for what it is.
func (n *noise) amid(ss []sample) {
	n.least = 0
	if m := len(ss); m > 0 && ss[m-1].t-ss[0].t <= gustFor {
		here := noise{digit: n.digit}
		for _, s := range ss {
			here.see(s)
		}
		if here.curved.seen >= 8 {
			n.least = here.deviation()
		}
	}
	n.changed()
}

func (n *noise) deviation() float64 {
	rounding := n.digit / math.Sqrt(12)
	// Few readings of a fast flow that dies away bend more than any wind blows.
	least := min(max(n.white, rounding), max(windMost, rounding))
	if n.risen.seen >= risesNeed {
		least = min(least, max(rounding, risesMost*n.risen.middle()))
	}
	return min(max(n.spread, least), gusts*least)
}

// Readings of a slow scale on end bend more by a valve that is turned than they
// scatter; what stood still rises by noise alone, or by a hand now and then, so the middle
// one tells it. Of two the greater one is less than a third of it once in 30 times, and
// flow makes them smaller: our choice is three times it.
const (
	risesNeed = 2
	risesMost = 3.0
)

// windMost is what wind moves a reading at the most, kg (the field guide).
const windMost = 0.05

// gusts is how much further readings lie about their level than neighbours
// from each other, where each follows the one before it by 0.9 (a series of
// first order): more is a level that was left behind.
const gusts = 3.8

// beyondDigit is what of it rounding does not explain.
func (n *noise) beyondDigit() float64 {
	sigma := n.sigma()
	return math.Sqrt(max(0, float64(sigma*sigma)-float64(n.digit*n.digit)/12))
}

// blur is what one reading tells of a level, correlation allowed for.
func (n *noise) blur() float64 { return n.sigma() * n.inflation() }

// dither is how far noise alone moves a reading over its digit: from nought to
// one, where it rounds each reading anew.
func (n *noise) dither() float64 {
	share := 2 * n.white / n.digit
	return min(1, float64(share*share))
}

// inflation is by how much correlation from reading to reading widens a mean's
// standard error.
func (n *noise) inflation() float64 {
	if n.wider == 0 {
		n.wider = n.widening()
	}
	return n.wider
}

func (n *noise) widening() float64 {
	// Readings that are rounded follow each other without being noise.
	share := n.beyondDigit() / n.sigma()
	rho := float64(n.rho * share * share)
	return math.Sqrt((1 + rho) / (1 - rho))
}

// granularity finds the display digit: the coarsest usual division of which
// all readings are multiples.
type granularity struct {
	seen  int
	last  int64
	fails [len(divisionsMg)]bool
	now   float64 // the digit; nought: to be looked up
	none  bool    // all have failed
}

// Usual divisions of charging scales, coarsest first, in mg: grams, then
// fractions of a pound and of an ounce (common practice).
var divisionsMg = [...]float64{100e3, 50e3, 20e3, 10e3, 5e3, 2e3, 1e3,
	0.05 * 453592.37, 0.02 * 453592.37, 0.01 * 453592.37, 0.5 * 28349.523125, 0.2 * 28349.523125, 0.1 * 28349.523125}

func (g *granularity) see(kg float64) {
	mg := int64(math.Round(kg * 1e6))
	if mg == g.last {
		return
	}
	g.last = mg
	g.seen++
	g.now = 0
	for i, d := range divisionsMg {
		if g.fails[i] {
			continue
		}
		n := math.Round(float64(mg) / d)
		if math.Abs(float64(mg)-float64(n*d)) > 1 {
			g.fails[i] = true
			g.none = !slices.Contains(g.fails[:], false)
		}
	}
}

// known reports whether enough different readings were seen: a scale of 5 g
// shows three multiples of 50 g on end once in a thousand times.
func (g *granularity) known() bool { return g.seen >= 3 }

// digit is the display digit in kg; 5 g until it is known, or where none fits
// (common practice).
func (g *granularity) digit() float64 {
	if g.now > 0 {
		return g.now
	}
	g.now = 0.005
	if g.known() {
		for i, d := range divisionsMg {
			if !g.fails[i] {
				g.now = d * 1e-6
				break
			}
		}
	}
	return g.now
}

// finest is what the readings are rounded to: the digit, or next to nothing
// where they are no multiples of any.
func (g *granularity) finest() float64 {
	if g.known() && g.none {
		return 0.001
	}
	return g.digit()
}
