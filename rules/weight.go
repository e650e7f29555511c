package rules

import (
	"math"
	"sort"
	"time"
)

type sample struct {
	t time.Duration // of the step
	v float64
}

// point is a reading as it is reckoned with: seconds, and what was read.
type point struct{ x, y float64 }

// weight is what stands on a scale at a moment and how fast it falls, with the standard
// errors that the readings' scatter leaves.
type weight struct {
	t          time.Duration
	kg, rate   float64 // kg, kg/s
	se, rateSe float64
	span       time.Duration
	n          int
	misfit     float64 // the readings' scatter about it, of what their noise explains
}

// at is the weight at another moment, were the flow the same.
func (l weight) at(t time.Duration) float64 {
	return l.kg - float64(l.rate*(t-l.t).Seconds())
}

const (
	levelLeast  = 10 * time.Second // the shortest span that gives a level
	levelReads  = 3                // and the fewest readings, where they come often
	levelGrows  = 1.4              // from one span tried to the next; our choice, from trial runs with seeds
	levelAgrees = 2.5              // standard errors within which a longer span agrees with the shorter ones; our choice, the same
	fewAgree    = 3.0              // the same, of fewer than four readings
	seldom      = 4 * time.Second  // readings further apart are believed one by one
)

// newestLevel is the level at the last of the readings, by a line through as
// many of them as agree with one: the span grows as long as what it says of
// level and rate lies within the doubt of every shorter span (Lepski's method:
// O. Lepski, Theory Probab. Appl. 35 (1991) 454; from memory). So a valve that
// was just shut, or opened, is followed at once, and a steady flow is averaged.
func newestLevel(ss []sample, n noise) weight { return levelFrom(ss, n, false) }

// firstLevel is the level at the first of the readings, in the same way.
func firstLevel(ss []sample, n noise) weight { return levelFrom(ss, n, true) }

func levelFrom(ss []sample, n noise, first bool) weight {
	last := len(ss) - 1
	from, step := last, -1
	if first {
		from, step = 0, 1
	}
	origin := ss[from]
	sigma, kappa := n.sigma(), n.inflation()
	best := weight{t: origin.t, kg: origin.v, se: sigma, rateSe: math.Inf(1), n: 1}
	sparse := last > 0 && max(ss[from+step].t-origin.t, origin.t-ss[from+step].t) >= seldom
	var sx, sy, sxx, sxy, syy float64
	lo, hi, lowest, highest := math.Inf(-1), math.Inf(1), math.Inf(-1), math.Inf(1)
	next := float64(levelReads)
	for i := 0; i <= last; i++ {
		s := ss[from+i*step]
		x, y := (s.t - origin.t).Seconds(), s.v-origin.v
		sx += x
		sy += y
		sxx += float64(x * x)
		sxy += float64(x * y)
		syy += float64(y * y)
		m := float64(i + 1)
		span := max(s.t-origin.t, origin.t-s.t)
		switch {
		case i == 0 && sparse:
			off := float64(fewAgree * best.se)
			lo, hi = best.kg-off, best.kg+off
			continue
		case sparse && m < 4: // each
		case m < levelReads || span < levelLeast && i < last || m < next && i < last:
			continue
		}
		next = math.Ceil(m * levelGrows)
		mean := sx / m
		wide := sxx - float64(sx*mean)
		if wide <= 0 {
			continue
		}
		slope := (sxy - float64(sy*mean)) / wide
		// Rounding to the digit averages out only where noise or flow moves the
		// readings over several digits.
		rounds := 1 + max(0, -slope)*span.Seconds()/n.digit + float64(m*n.dither())
		rounding := float64(n.digit*n.digit) / 12 / rounds
		each := float64(sigma*sigma) * float64(kappa*kappa)
		l := weight{t: origin.t, span: span, n: i + 1}
		l.rateSe = math.Sqrt(max(each/wide, 12*rounding/float64(span.Seconds()*span.Seconds())))
		// Nothing flows back into a cylinder, and a slope smaller than its own
		// standard error costs more doubt than leaving it out costs truth.
		if -slope > l.rateSe {
			l.rate = -slope
			l.kg = origin.v + (sy-float64(slope*sx))/m
			l.se = math.Sqrt(max(each/m+each*float64(mean*mean)/wide, 4*rounding))
		} else {
			l.kg = origin.v + sy/m
			bias := min(0, slope) * mean
			l.se = math.Sqrt(max(each/m, rounding) + float64(bias*bias))
		}
		if l.kg < lo || l.kg > hi || l.rate < lowest || l.rate > highest {
			break
		}
		agrees := levelAgrees
		if m < 4 {
			agrees = fewAgree
		}
		off, offRate := float64(agrees*l.se), float64(agrees*l.rateSe)
		lo, hi = max(lo, l.kg-off), min(hi, l.kg+off)
		lowest, highest = max(lowest, l.rate-offRate), min(highest, l.rate+offRate)
		// The sum of squares about the line, and about the mean.
		about := max(0, syy-float64(sy*sy)/m-float64(max(0, -slope)*max(0, -slope)*wide))
		l.misfit = math.Sqrt(about/max(1, m-2)) / sigma
		best = l
	}
	return best
}

// hinged looks whether the level stood still near its end and flowed beyond it
// (a valve shut before the last reading, or opened after the first): where
// that fits clearly better than a line, the part that stood still gives the
// level.
func hinged(w weight, ss []sample, n noise, first bool) weight {
	if still, ok := n.stoodAt(ss, first, w.kg); ok {
		still.rateSe = w.rateSe
		return still
	}
	m := min(len(ss), max(3*w.n, 8))
	if m < 4 {
		return w
	}
	pick := ends(ss, first)
	bent := bendOf(m)
	for i := range m {
		bent.add((pick(i).t - pick(0).t).Seconds(), pick(i).v-pick(0).v)
	}
	at, best, line := hinge(w, pick, m, n, first)
	// A flow that dies away bends all along.
	each := float64(n.blur() * n.blur())
	if best > line-hingeBetter || best > bent.about()/each || best > 2*float64(m) {
		return atRest(w, n, pick)
	}
	return at
}

// stoodAt is the level at an end where the display stood still, to one digit, for as
// long as gives a level twice over, and another level lies beside that. Of seldom
// readings of a flow that dies away nobody knows the noise well: what stood still needs none.
func (n *noise) stoodAt(ss []sample, first bool, kg float64) (still weight, ok bool) {
	pick := ends(ss, first)
	m, sum := 0, 0.0
	for low, high := math.Inf(1), math.Inf(-1); m < len(ss); m++ {
		low, high = min(low, pick(m).v), max(high, pick(m).v)
		if high-low > 1.01*n.digit {
			break
		}
		sum += pick(m).v - pick(0).v
	}
	if m < 2 || n.risen.seen >= 2*risesNeed && n.risen.middle() > n.digit/2 {
		return still, false
	}
	still = weight{t: pick(0).t, kg: pick(0).v + sum/float64(m), n: m, span: max(pick(m-1).t-pick(0).t, pick(0).t-pick(m-1).t)}
	still.se = n.digit / math.Sqrt(12)
	return still, still.span >= 2*levelLeast && math.Abs(still.kg-kg) > 0.75*n.digit
}

// near is a level that lies no further from the reading at its own moment than
// rounding and noise move one: else what stood still then gives it.
func (n *noise) near(w weight, ss []sample, first bool) weight {
	if n.amid(tail(ss, gustReads)); first {
		n.amid(ss[:min(len(ss), gustReads)])
	}
	defer n.amid(nil)
	shown := ends(ss, first)(0).v
	most := float64(n.digit/2) + float64(3*n.beyondDigit())
	if math.Abs(w.kg-shown) <= most {
		return w
	}
	rest := restLevel(ss, *n, first)
	if math.Abs(rest.kg-shown) > most || rest.n < levelReads && n.alone(w, ss, first, most) {
		return w
	}
	rest.rate, rest.rateSe = 0, w.rateSe
	if rest.n < levelReads { // one reading is no rest: the flow may go on
		rest.rate = w.rate
	}
	return rest
}

// alone reports whether the reading at an end is the only one of those about it that lies
// so far off, where they come often: a gust, or a hand, and no flow that has changed.
func (n *noise) alone(w weight, ss []sample, first bool, most float64) bool {
	pick := ends(ss, first)
	if len(ss) <= levelReads {
		return false
	}
	for i := 1; i <= levelReads; i++ {
		if s, next := pick(i), pick(i-1); max(s.t-next.t, next.t-s.t) >= seldom || math.Abs(w.at(s.t)-s.v) > most {
			return false
		}
	}
	return true
}

// ends picks readings from the first on, or from the newest back.
func ends(ss []sample, first bool) func(int) sample {
	if first {
		return func(i int) sample { return ss[i] }
	}
	return func(i int) sample { return ss[len(ss)-1-i] }
}

// hinge is the level by the best of all moments among so many readings at which
// a flow may have begun or stopped, with the chi-square that it leaves, and
// the one that is left where it flowed all along.
func hinge(w weight, pick func(int) sample, m int, n noise, first bool) (at weight, best, line float64) {
	sign := 1.0 // a fall, seen backwards, rises
	if first {
		sign = -1
	}
	origin := pick(0)
	each := float64(n.blur() * n.blur())
	at, best, line = w, math.Inf(1), math.Inf(1)
	step := max(1, m/40)
	for k := 0; k < m-1; k += step {
		from := pick(k).t
		var sz, sy, szz, szy, syy float64
		for i := range m {
			s := pick(i)
			z := 0.0
			if i > k {
				z = math.Abs((s.t - from).Seconds()) * sign
			}
			y := s.v - origin.v
			sz, sy = sz+z, sy+y
			szz, szy, syy = szz+float64(z*z), szy+float64(z*y), syy+float64(y*y)
		}
		f := float64(m)
		wide := szz - float64(sz*sz)/f
		if wide <= 0 {
			continue
		}
		rate := max(0, (szy-float64(sz*sy)/f)/wide)
		about := max(0, syy-float64(sy*sy)/f-float64(rate*rate*wide)) / each
		if k == 0 {
			line = about
		}
		if about < best {
			best = about
			at = weight{t: origin.t, kg: origin.v + (sy-float64(rate*sz))/f, n: w.n, span: w.span, rateSe: w.rateSe}
			at.se = math.Sqrt(max(each/f+each*float64(sz/f*sz/f)/wide, float64(n.digit*n.digit)/12/(1+float64(float64(k)*n.dither()))))
			if k == 0 {
				at.rate = rate
			}
		}
	}
	return at, best, line
}

// atRest takes for standing still what shows no flow beyond doubt: that is how
// cylinders are put on and taken off.
func atRest(w weight, n noise, pick func(int) sample) weight {
	if w.rate == 0 || w.n < levelReads || w.rate > math.Sqrt(hingeBetter)*w.rateSe {
		return w
	}
	sum, m := 0.0, float64(w.n)
	for i := range w.n {
		sum += pick(i).v - pick(0).v
	}
	rounds := 1 + float64(m*n.dither())
	w.kg, w.rate = pick(0).v+sum/m, 0
	w.se = math.Sqrt(max(n.blur()*n.blur()/m, float64(n.digit*n.digit)/12/rounds))
	return w
}

// bend are the sums of a least-squares parabola: of a line, and of what of the
// squares no line explains.
type bend struct {
	line   lineSums
	xs, ys []float64
}

// bendOf has room for so many points.
func bendOf(points int) bend {
	room := make([]float64, 2*points)
	return bend{xs: room[:0:points], ys: room[points:points]}
}

func (b *bend) add(x, y float64) {
	b.line.add(x, y)
	b.xs, b.ys = append(b.xs, x), append(b.ys, y)
}

// about is the sum of squares about the parabola.
func (b *bend) about() (sum float64) {
	for _, e := range b.offs() {
		sum += float64(e * e)
	}
	return sum
}

// offs are how far the points lie off it.
func (b *bend) offs() []float64 {
	var square lineSums
	for _, x := range b.xs {
		square.add(x, float64(x*x))
	}
	room := make([]float64, 2*len(b.xs))
	offs, bent := room[:len(b.xs)], room[len(b.xs):]
	line, squares := b.line.fit(), square.fit()
	var szz, szy float64
	for i, x := range b.xs {
		offs[i], bent[i] = line.off(x, b.ys[i]), squares.off(x, float64(x*x))
		szz, szy = szz+float64(bent[i]*bent[i]), szy+float64(bent[i]*offs[i])
	}
	if szz <= 1e-9 {
		return offs
	}
	for i := range offs {
		offs[i] -= float64(szy / szz * bent[i])
	}
	return offs
}

// restLevel is the level at the newest or the first of readings, of what stood
// still then: the mean of as many as agree with all fewer of them (Lepski's
// method, as above).
func restLevel(ss []sample, n noise, first bool) weight {
	at := restBy(ss, n, first)
	if still, ok := n.stoodAt(ss, first, at.kg); ok {
		still.rateSe = math.Inf(1)
		return still
	}
	return at
}

func restBy(ss []sample, n noise, first bool) weight {
	pick := ends(ss, first)
	blur, origin := n.blur(), pick(0)
	var best weight
	sum, lo, hi := 0.0, math.Inf(-1), math.Inf(1)
	for i := range ss {
		sum += pick(i).v - origin.v
		m := float64(i + 1)
		l := weight{t: origin.t, kg: origin.v + sum/m, rateSe: math.Inf(1), n: i + 1, span: max(pick(i).t-origin.t, origin.t-pick(i).t)}
		l.se = math.Sqrt(max(float64(blur*blur)/m, float64(n.digit*n.digit)/12/(1+float64(m*n.dither()))))
		if l.kg < lo || l.kg > hi {
			break
		}
		// What stands still is rounded alike: that hides no change.
		off := float64(restAgrees * blur / math.Sqrt(m))
		lo, hi = max(lo, l.kg-off), min(hi, l.kg+off)
		best = l
	}
	if best.n < levelReads {
		return weight{t: origin.t, kg: origin.v, se: n.sigma(), rateSe: math.Inf(1), n: 1}
	}
	// Its last ones may be flow already.
	m := min(len(ss), best.n+max(3, best.n/2))
	if at, chi, _ := hinge(best, pick, m, n, first); chi <= 2*float64(m) {
		at.rate = 0
		return at
	}
	return best
}

const restAgrees = 2.0 // standard errors within which a longer mean agrees with the shorter ones; our choice

// hingeBetter is by how much chi-square must fall before a hinge is believed:
// 1 % by chance, for the one more parameter (chi-square tables).
const hingeBetter = 6.63

// stepBetter is by how much chi-square must fall before a jump is believed
// against a change of flow: five standard deviations of a normal distribution,
// since any reading may be one.
const stepBetter = 25

// bentBest is where two lines through readings meet best, and the sum of squares about them.
func bentBest(ss []sample) (bend time.Duration, least float64) {
	least = math.Inf(1)
	for i := 1; i < len(ss); i++ {
		for _, at := range []time.Duration{ss[i-1].t, (ss[i-1].t + ss[i].t) / 2} {
			if about := bentAt(ss, at); about < least {
				bend, least = at, about
			}
		}
	}
	return bend, least
}

// bentAt is the sum of squares about two lines that meet at a time.
func bentAt(ss []sample, bend time.Duration) float64 {
	// About the first line through all, the second slope takes what the part of
	// it that is no line explains.
	var line lineSums
	for _, s := range ss {
		line.add((s.t - bend).Seconds(), s.v-ss[0].v)
	}
	var szz, szy float64
	over := lineSums{}
	for _, s := range ss {
		over.add((s.t - bend).Seconds(), max(0, (s.t-bend).Seconds()))
	}
	first, second := line.fit(), over.fit()
	for _, s := range ss {
		x := (s.t - bend).Seconds()
		z := second.off(x, max(0, x))
		y := first.off(x, s.v-ss[0].v)
		szz, szy = szz+float64(z*z), szy+float64(z*y)
	}
	about := line.about()
	if szz > 1e-9 {
		about -= float64(szy*szy) / szz
	}
	return max(0, about)
}

// steppedAt is the sum of squares about a line before a time and another from
// then on.
func steppedAt(ss []sample, step time.Duration) float64 {
	var before, after lineSums
	for _, s := range ss {
		if s.t < step {
			before.add((s.t - step).Seconds(), s.v-ss[0].v)
		} else {
			after.add((s.t - step).Seconds(), s.v-ss[0].v)
		}
	}
	return before.about() + after.about()
}

// lineSums are the sums of a least-squares line.
type lineSums struct{ n, x, y, xx, xy, yy float64 }

func (l *lineSums) add(x, y float64) {
	l.n++
	l.x, l.y = l.x+x, l.y+y
	l.xx, l.xy, l.yy = l.xx+float64(x*x), l.xy+float64(x*y), l.yy+float64(y*y)
}

func (l *lineSums) slope() float64 {
	wide := l.xx - float64(l.x*l.x)/l.n
	if wide <= 1e-9 {
		return 0
	}
	return (l.xy - float64(l.x*l.y)/l.n) / wide
}

// fitLine is the line itself.
type fitLine struct{ x, y, slope float64 }

func (l *lineSums) fit() fitLine { return fitLine{l.x / l.n, l.y / l.n, l.slope()} }

// off is how far a point lies off the line.
func (l fitLine) off(x, y float64) float64 { return y - l.y - float64(l.slope*(x-l.x)) }

// about is the sum of squares about the line.
func (l *lineSums) about() float64 {
	if l.n < 2 {
		return 0
	}
	b := l.slope()
	return max(0, l.yy-float64(l.y*l.y)/l.n-float64(b*(l.xy-float64(l.x*l.y)/l.n)))
}

func tail(ss []sample, n int) []sample { return ss[max(0, len(ss)-n):] }

// median of the samples' values; of an even number the mean of the middle two.
func median(ss []sample) float64 {
	vs := make([]float64, len(ss))
	for i, s := range ss {
		vs[i] = s.v
	}
	sort.Float64s(vs)
	return middle(vs)
}

func middle(sorted []float64) float64 {
	n := len(sorted)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

func seconds(d time.Duration) float64 { return d.Seconds() }
