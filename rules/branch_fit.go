package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/rules/physics"
)

// This file is the branch check's model: pure functions of what was asked and
// of what the supply air did.
//
// A run is a stretch in which what is asked does not change. Of each room and
// run the supply air at the run's end is taken, from windows of two minutes. It is
//
//	level that wanders + response x what was asked of one unit, delayed + error
//
// and the question is which unit that is: one of the system's, or none. For
// each room and each unit the likelihood of the readings is worked out with the
// size of the response left open, by one filter over time. It needs no plan:
// one unit at a time, pairs, codes and what a person does beside them are all
// the same to it. The matching of units to rooms with the greatest likelihood
// over all of them is taken, and how much it beats the next best says how sure
// it is.
//
// A unit reaches the room to which its pipes lead, and there only what that
// room's own expansion valve lets through, which is shut while its unit is off or
// on fan. Crossed control wires, or supply sensors that are exchanged, answer
// whatever is asked of that room. Both are tried for every pair.

const (
	// What a response is, before it is measured: 12 K, give or take 8. Cooling
	// gives 8 to 15 K, heating 15 to 30 (field guide, steps 7 and 8); from 5 K on
	// it is to be found.
	branchLikelyK = 12.0
	branchGiveK   = 8.0
	branchLeastK  = 3.5 // an answer: midway between strong (5 K) and none (2 K) of the field guide
	branchNoneK   = 2.0
	branchStrongK = 5.0
	branchDipK    = 1.5     // colder by so much while asked to heat is a defrost (our choice, from trial runs with seeds)
	branchShare   = 1.0 / 3 // of the right room's answer: above it another room's is more than cross-talk (field guide)

	// Before anything is measured one unit in a hundred is crossed, and one is
	// dead: our choice. It is outweighed by any clear answer.
	branchOddsCrossed = 0.01
	branchOddsDead    = 0.01
	// The least log-odds at which a matched pair is sure: 1 to 1100, our choice.
	branchSure = 7.0

	branchWindow  = 2 * time.Minute
	branchSkip    = 2 * time.Minute // of a run, until a response has begun; at most half the run
	branchWindows = 6               // of a run, at most: the last ones
	branchKept    = 3               // of these, the last ones stand for the run

	branchFree     = 4 // readings' worth of what is known of a room's scale beforehand (our choice)
	branchTogether = 4 // rooms that must answer at once, for the plant's pull to be told from theirs
)

// branchRun is a stretch in which what is asked of the units does not change.
type branchRun struct {
	from, to time.Duration
	asked    []int8 // by unit: heat 1, cool -1, fan, off and nothing 0
}

// branchSpan is a window of a run.
type branchSpan struct {
	run      int
	from, to time.Duration
}

// mid is the window's middle.
func (s branchSpan) mid() time.Duration { return (s.from + s.to) / 2 }

// branchSpans lays windows into the runs, the last of them ending where the run does.
func branchSpans(runs []branchRun, window time.Duration) (all []branchSpan) {
	for k, r := range runs {
		long := r.to - r.from
		room := long - min(branchSkip, long/2)
		n := min(int(room/window), branchWindows)
		for i := n; i > 0; i-- {
			all = append(all, branchSpan{k, r.to - time.Duration(i)*window, r.to - time.Duration(i-1)*window})
		}
	}
	return all
}

// branchData is what a branch check has to go by.
type branchData struct {
	runs   []branchRun
	spans  []branchSpan
	kept   [][][]int   // by unit and run: the windows that stand for it
	levels [][]float64 // by unit and run: the supply air, or its split; not a number where it was not measured
	has    []bool      // by unit: it was measured in two runs, so that there is something to compare
	heard  []bool      // by unit: it was measured in one at least
	dipped []bool      // by unit: its room went the other way while it was asked to heat, as in a defrost
	settle time.Duration
}

// take adds a room by what was measured in each window.
func (d *branchData) take(row []float64) {
	d.dipped = append(d.dipped, d.dips(len(d.levels), row))
	d.unbroken(row)
	kept, levels, n := make([][]int, len(d.runs)), make([]float64, len(d.runs)), 0
	for w, v := range row {
		if k := d.spans[w].run; !math.IsNaN(v) {
			kept[k] = append(kept[k], w)
		}
	}
	for k, ws := range kept {
		ws = ws[max(0, len(ws)-branchKept):]
		kept[k], levels[k] = ws, math.NaN()
		if len(ws) > 0 {
			levels[k] = d.over(ws, row)
			n++
		}
	}
	d.kept, d.levels, d.has = append(d.kept, kept), append(d.levels, levels), append(d.has, n > 1)
	d.heard = append(d.heard, n > 0)
}

// dips reports whether a room became colder in a run in which its own unit was
// asked to heat. A dead branch leaves it as it is; a defrost draws heat from it.
func (d *branchData) dips(j int, row []float64) bool {
	base, last := math.NaN(), math.NaN()
	for w, v := range row {
		if w > 0 && d.spans[w].run != d.spans[w-1].run {
			base = last
		}
		if math.IsNaN(v) {
			continue
		}
		last = v
		if d.runs[d.spans[w].run].asked[j] == 1 && v < base-branchDipK {
			return true
		}
	}
	return false
}

// over is the mean of some windows.
func (d *branchData) over(ws []int, row []float64) (mean float64) {
	for _, w := range ws {
		mean += row[w] / float64(len(ws))
	}
	return mean
}

// branchNoise is how the levels err, and how the rooms lag.
type branchNoise struct {
	errorK   float64   // of a run's level
	wanderK  float64   // of what the room does by itself, in ten minutes
	lagS     float64   // of a response
	roomF    []float64 // by room, how much worse it keeps to this than the others
	roomLagS []float64 // and its own lag
	// How strongly the plant pulls in each run, heating and cooling, against what
	// it does as a rule: 1 where too few rooms answer to say. Defrosts, stops and
	// slow starts are in all rooms at once.
	heatF, coolF []float64
}

// signal is what a unit's answer in a room would be, a kelvin in size: for heat,
// and for cool.
type signal struct{ heat, cool []float64 }

// lag is how a room lags.
func (n branchNoise) lag(j int) float64 {
	if n.roomLagS != nil {
		return n.roomLagS[j]
	}
	return n.lagS
}

// delays are how far a response has come after each run and at each window.
type delays struct {
	run  []float64 // what is left of the run before, at the run's end
	span []float64
}

func (d branchData) delays(lagS float64) delays {
	var x delays
	for _, r := range d.runs {
		x.run = append(x.run, math.Exp(-(r.to-r.from).Seconds()/lagS))
	}
	for _, s := range d.spans {
		x.span = append(x.span, math.Exp(-(s.mid()-d.runs[s.run].from).Seconds()/lagS))
	}
	return x
}

// signal is what unit i does in room j, run by run. Valved: only as far as the
// room's own unit is asked for something, so that its valve is open.
func (d branchData) signal(x delays, n branchNoise, i, j int, valved bool) signal {
	return d.at(n, d.windows(x, i, j, valved), j)
}

// at takes a signal's windows as they stand for a room's runs.
func (d branchData) at(n branchNoise, s signal, j int) signal {
	z := signal{make([]float64, len(d.runs)), make([]float64, len(d.runs))}
	for k, ws := range d.kept[j] {
		z.heat[k], z.cool[k] = d.over(ws, s.heat), d.over(ws, s.cool)
		if n.heatF != nil {
			z.heat[k] *= n.heatF[k]
			z.cool[k] *= n.coolF[k]
		}
	}
	return z
}

// windows is the same window by window.
func (d branchData) windows(x delays, i, j int, valved bool) (s signal) {
	s.heat, s.cool = make([]float64, len(d.spans)), make([]float64, len(d.spans))
	heat, cool, w := 0.0, 0.0, 0
	for k, r := range d.runs {
		h, c := 0.0, 0.0
		if !valved || r.asked[j] != 0 {
			switch r.asked[i] {
			case 1:
				h = 1
			case -1:
				c = -1
			}
		}
		for ; w < len(d.spans) && d.spans[w].run == k; w++ {
			s.heat[w] = h + float64((heat-h)*x.span[w])
			s.cool[w] = c + float64((cool-c)*x.span[w])
		}
		heat, cool = h+float64((heat-h)*x.run[k]), c+float64((cool-c)*x.run[k])
	}
	return s
}

// sieve takes the wandering level out of a room's runs: what is left of a row
// is independent from run to run, with an error of one.
type sieve struct {
	at   []int     // the runs that were measured
	gain []float64 // how far the level follows each
	root []float64 // the error of each before it is heard
	ln   float64   // the logarithm of the errors' squares, summed
}

func (d branchData) sieve(j int, n branchNoise) (s sieve) {
	scale := 1.0
	if n.roomF != nil {
		scale = n.roomF[j]
	}
	r := float64(float64(scale*n.errorK) * float64(scale*n.errorK))
	q := float64(scale*n.wanderK) * float64(scale*n.wanderK) / 600
	doubt, last := 0.0, time.Duration(0)
	for w, v := range d.levels[j] {
		if math.IsNaN(v) {
			continue
		}
		ws := d.kept[j][w]
		at := (d.spans[ws[0]].mid() + d.spans[ws[len(ws)-1]].mid()) / 2
		if len(s.at) == 0 { // the first one tells the level, and nothing else
			s.at, s.gain, s.root = append(s.at, w), append(s.gain, 1), append(s.root, 0)
			doubt, last = r, at
			continue
		}
		doubt += float64(q * (at - last).Seconds())
		f := doubt + r
		s.at, s.gain, s.root = append(s.at, w), append(s.gain, doubt/f), append(s.root, math.Sqrt(f))
		s.ln += math.Log(f)
		doubt, last = float64(doubt*r)/f, at
	}
	return s
}

// through is a row without its wandering level.
func (s sieve) through(row, into []float64) []float64 {
	into = into[:0]
	level := 0.0
	for k, w := range s.at {
		off := row[w] - level
		if k > 0 {
			into = append(into, off/s.root[k])
		}
		level += float64(s.gain[k] * off)
	}
	return into
}

// answer is a response that was fitted.
type answer struct {
	heatK, coolK     float64 // in the sense asked
	heatSe, coolSe   float64 // their standard errors
	bothSe           float64 // of their mean
	ln               float64 // how much likelier the readings are with it than without, as a logarithm
	valved, measured bool
}

// k is the response in the sense that is known best: heat, cool, or their mean.
func (a answer) k() float64 {
	switch {
	case a.bothSe < min(a.heatSe, a.coolSe):
		return (a.heatK + a.coolK) / 2
	case a.heatSe <= a.coolSe:
		return a.heatK
	}
	return a.coolK
}

// known reports whether the size of the response is.
func (a answer) known() bool {
	return a.measured && min(a.heatSe, a.coolSe, a.bothSe) < branchGiveK/4
}

// fitAnswer fits both sizes to a sieved row, with what is known of a response beforehand.
func fitAnswer(y, heat, cool []float64, likelyK, giveK float64) answer {
	p := 1 / float64(giveK*giveK)
	a11, a22, a12 := p, p, 0.0
	b1, b2 := float64(p*likelyK), float64(p*likelyK)
	for k, v := range y {
		h, c := heat[k], cool[k]
		a11 += float64(h * h)
		a22 += float64(c * c)
		a12 += float64(h * c)
		b1 += float64(h * v)
		b2 += float64(c * v)
	}
	det := float64(a11*a22) - float64(a12*a12)
	h1, h2 := (float64(a22*b1)-float64(a12*b2))/det, (float64(a11*b2)-float64(a12*b1))/det
	a := answer{heatK: h1, coolK: h2, heatSe: math.Sqrt(a22 / det), coolSe: math.Sqrt(a11 / det),
		bothSe: math.Sqrt((a11+a22-float64(2*a12))/det) / 2, measured: true,
		ln: float64((float64(b1*h1)+float64(b2*h2)-float64(2*p*float64(likelyK*likelyK)))/2) - float64(math.Log(det/float64(p*p))/2)}
	// Who answers does what is asked, not the opposite: only sizes above nought
	// count, of those that the readings leave and of those thought of beforehand.
	a.ln += min(lnAbove(h1/a.heatSe), lnAbove(h2/a.coolSe), lnAbove((h1+h2)/2/a.bothSe)) - float64(2*lnAbove(likelyK/giveK))
	return a
}

// lnAbove is the logarithm of the probability that a normal quantity lies above
// nought whose mean is so many of its deviations above it.
func lnAbove(z float64) float64 {
	if z < -10 { // the tail's leading term
		return -float64(float64(z*z)/2) - math.Log(-z*math.Sqrt(2*math.Pi))
	}
	return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
}

// branchFit is what the readings say.
type branchFit struct {
	noise   branchNoise
	answers [][]answer // by unit asked and room
	room    []int      // of each unit, the room that answers it; -1: none
	margin  []float64  // the log-odds of that against the next best of all
	marginK float64    // the same in kelvins over the whole building: the sum of the answers against the next best
	tried   []bool     // by unit: it was asked for something long enough
	seconds []second   // by room: what another unit does in it
	halfway []bool     // by unit: its room answers only when another unit is asked for something, too
	leaks   []Pair     // a room that answered besides the right one
	leakK   []float64
	cells   [][]Cell
}

// sure reports whether the unit's room is known beyond doubt.
func (f *branchFit) sure(i int) bool { return f.room[i] >= 0 && f.margin[i] >= branchSure }

// fit tells which unit each room follows.
func (d branchData) fit(names []string) *branchFit {
	n := len(names)
	f := &branchFit{noise: branchNoise{errorK: 0.4, wanderK: 0.7, lagS: 150}, tried: d.tried(n)}
	for range 2 {
		d.match(f, n, false)
		// How the readings err is not known beforehand: it is what makes them
		// likeliest, and the matching is done again with it. What a second unit
		// does in a room is no error.
		d.pulls(f)
		d.second(f, n)
		d.learn(f)
	}
	d.match(f, n, true)
	d.fill(f, names)
	return f
}

// unbroken leaves out of each run what a room gave and then lost while nothing
// else was asked: the outdoor unit defrosted or stopped. Nothing but an answer
// takes a room's supply air so far, so what it once reached counts.
func (d *branchData) unbroken(row []float64) {
	base, w := math.NaN(), 0
	for k := range d.runs {
		first := w
		last, most := math.NaN(), 0.0
		for ; w < len(d.spans) && d.spans[w].run == k; w++ {
			if math.IsNaN(row[w]) {
				continue
			}
			last = row[w]
			if off := row[w] - base; math.Abs(off) > math.Abs(most) {
				most = off
			}
		}
		if math.Abs(most) >= branchStrongK {
			for v := first; v < w; v++ {
				if (row[v]-base)/most < 0.5 {
					row[v] = math.NaN()
				}
			}
		}
		if !math.IsNaN(last) {
			base = last
		}
	}
}

// tried says which units were asked for something for most of the settling time
// at a stretch, in which the air could be read.
func (d branchData) tried(n int) []bool {
	tried := make([]bool, n)
	since, read := make([]time.Duration, n), make([]bool, n)
	for k, r := range d.runs {
		spanned := slices.ContainsFunc(d.spans, func(s branchSpan) bool { return s.run == k })
		for i := range n {
			if k == 0 || d.runs[k-1].asked[i] != r.asked[i] {
				since[i], read[i] = r.from, false
			}
			read[i] = read[i] || spanned
			tried[i] = tried[i] || r.asked[i] != 0 && read[i] && r.to-since[i] >= d.settle*4/5
		}
	}
	return tried
}

// both reports whether i and j were ever asked for something at the same time.
func (d branchData) both(i, j int) bool {
	for _, s := range d.spans {
		if asked := d.runs[s.run].asked; asked[i] != 0 && asked[j] != 0 {
			return true
		}
	}
	return false
}

// match works out every pair's likelihood and takes the best matching.
func (d branchData) match(f *branchFit, n int, margins bool) {
	f.answers = make([][]answer, n)
	weights, bare := make([][]float64, n), make([][]float64, n)
	for i := range n {
		f.answers[i], weights[i], bare[i] = make([]answer, n), make([]float64, n), make([]float64, n)
	}
	buffer := func() []float64 { return make([]float64, 0, len(d.runs)) }
	y, heat, cool := buffer(), buffer(), buffer()
	for j := range n {
		if !d.has[j] {
			for i := range n {
				weights[i][j], bare[i][j] = math.Inf(-1), math.Inf(-1)
			}
			continue
		}
		x := d.delays(f.noise.lag(j))
		s := d.sieve(j, f.noise)
		y = s.through(d.without(f, j), y)
		fit := func(z signal) answer {
			heat, cool = s.through(z.heat, heat), s.through(z.cool, cool)
			return fitAnswer(y, heat, cool, branchLikelyK, branchGiveK)
		}
		for i := range n {
			a := fit(d.signal(x, f.noise, i, j, false))
			ln, odds := a.ln, 1.0
			if i != j {
				v := answer{}
				if d.both(i, j) {
					v = fit(d.signal(x, f.noise, i, j, true))
				}
				ln = max(a.ln, v.ln) + math.Log1p(math.Exp(-math.Abs(a.ln-v.ln))) - math.Ln2
				odds = branchOddsCrossed / float64(n-1)
				if v.measured && v.ln > a.ln {
					a = v
					a.valved = true
				}
			}
			weights[i][j] = ln + math.Log(odds/branchOddsDead)
			bare[i][j] = ln - math.Log(branchOddsDead)
			f.answers[i][j] = a
		}
	}
	var total float64
	f.room, total = physics.Assign(weights)
	if margins {
		// That straight is likelier than crossed must not stand in for evidence:
		// the matching has to be the best one without it, too.
		same := 0.0
		for i, j := range f.room {
			if j >= 0 {
				same += bare[i][j]
			}
		}
		f.margin = physics.Margins(weights, f.room, total)
		for i, m := range physics.Margins(bare, f.room, same) {
			f.margin[i] = min(f.margin[i], m)
		}
	}
	for i, j := range f.room { // what hardly moves is no answer
		if j >= 0 && f.answers[i][j].k() < branchLeastK {
			f.room[i] = -1
		}
	}
}

// second is a unit that a room answers besides the one that it follows.
type second struct {
	answer
	unit  int       // -1: none
	takes []float64 // by run, what that does to its level
}

// without is a room's levels without what a second unit does in it.
func (d branchData) without(f *branchFit, j int) []float64 {
	if f.seconds == nil || f.seconds[j].unit < 0 {
		return d.levels[j]
	}
	row := append([]float64(nil), d.levels[j]...)
	for k, v := range f.seconds[j].takes {
		row[k] -= v
	}
	return row
}

// second finds for each room the unit that it answers most beside the one it
// follows, where it surely does: by a valve that passes, a duct, or by chance (a
// door that opened in that very run).
func (d branchData) second(f *branchFit, n int) {
	noise := f.noise
	noise.roomF = nil // what makes a room worse than the others is what is looked for
	f.seconds = make([]second, n)
	var heat, cool []float64
	for j, i := range f.of() {
		best := second{unit: -1}
		if d.has[j] {
			x, s := d.delays(noise.lag(j)), d.sieve(j, noise)
			row := append([]float64(nil), d.levels[j]...)
			if i >= 0 {
				a := f.answers[i][j]
				z := d.signal(x, noise, i, j, a.valved)
				for k := range row {
					row[k] -= float64(a.heatK*z.heat[k]) + float64(a.coolK*z.cool[k])
				}
			}
			y := s.through(row, nil)
			for l := range n {
				if l == i || l == j || !f.tried[l] {
					continue
				}
				z := d.signal(x, noise, l, j, false)
				heat, cool = s.through(z.heat, heat), s.through(z.cool, cool)
				a := fitAnswer(y, heat, cool, 0, branchGiveK)
				if a.ln > max(best.ln, branchSure+math.Log(float64(n))) {
					best = second{a, l, make([]float64, len(row))}
					for k := range row {
						best.takes[k] = float64(a.heatK*z.heat[k]) + float64(a.coolK*z.cool[k])
					}
				}
			}
		}
		f.seconds[j] = best
	}
}

// of is which unit each room follows by the matching; -1: none.
func (f *branchFit) of() []int {
	of := make([]int, len(f.room))
	for j := range of {
		of[j] = -1
	}
	for i, j := range f.room {
		if j >= 0 {
			of[j] = i
		}
	}
	return of
}

// pulls works out how strongly the plant pulled in each run: the middle one
// of what the rooms that should answer did, where these are enough.
func (d branchData) pulls(f *branchFit) {
	bare := f.noise
	bare.heatF, bare.coolF = nil, nil
	heats, cools := make([][]sample, len(d.runs)), make([][]sample, len(d.runs))
	for j, i := range f.of() {
		if i < 0 {
			continue
		}
		a := f.answers[i][j]
		if !a.known() {
			continue
		}
		x := d.delays(f.noise.lag(j))
		now, plain := d.signal(x, f.noise, i, j, a.valved), d.signal(x, bare, i, j, a.valved)
		var rest []sample
		levels := d.without(f, j)
		for w, v := range levels {
			if !math.IsNaN(v) {
				rest = append(rest, sample{v: v - float64(a.heatK*now.heat[w]) - float64(a.coolK*now.cool[w])})
			}
		}
		level := median(rest)
		for w, v := range levels {
			switch {
			case math.IsNaN(v):
			case plain.heat[w] > 0.5 && plain.cool[w] > -0.1 && a.heatK > branchLeastK:
				heats[w] = append(heats[w], sample{v: (v - level) / float64(a.heatK*plain.heat[w])})
			case plain.cool[w] < -0.5 && plain.heat[w] < 0.1 && a.coolK > branchLeastK:
				cools[w] = append(cools[w], sample{v: (v - level) / float64(a.coolK*plain.cool[w])})
			}
		}
	}
	f.noise.heatF, f.noise.coolF = pull(heats), pull(cools)
}

// pull is the middle of each run's, against the middle of all runs.
func pull(all [][]sample) []float64 {
	f := make([]float64, len(all))
	var middles []sample
	for w, ss := range all {
		f[w] = 1
		if len(ss) >= branchTogether {
			f[w] = min(max(median(ss), 0), 1.5)
			middles = append(middles, sample{v: f[w]})
		}
	}
	if usual := 1.0; len(middles) > 0 {
		usual = median(middles)
		for w, ss := range all {
			if len(ss) >= branchTogether && usual > 0.2 {
				f[w] /= usual
			}
		}
	}
	return f
}

// branchLags are what a room may lag by: a coil warms in a minute or in eight.
var branchLags = [...]float64{45, 90, 150, 225, 330, 480}

// branchLagOff is how far a room's lag is from the others' beforehand, in doublings (our choice).
const branchLagOff = 1.0

// learn finds the noise and the lags at which the matching's readings are likeliest.
func (d branchData) learn(f *branchFit) {
	of := f.of()
	n := f.noise
	n.roomF, n.roomLagS = nil, nil
	all := func(n branchNoise) (ln float64) {
		for j, i := range of {
			l, left, free := d.likelihood(f, j, i, n)
			// One room that is worse than the others does not speak for them all:
			// each has a scale of its own, of which little is known beforehand.
			ln += l + float64(left/2) - float64((branchFree+free)/2*math.Log1p(left/branchFree))
		}
		return ln
	}
	ln := all(n)
	better := func(try branchNoise) {
		if l := all(try); l > ln {
			ln, n = l, try
		}
	}
	for range 2 {
		for _, lag := range branchLags {
			try := n
			try.lagS = lag
			better(try)
		}
		for _, e := range []float64{0.15, 0.3, 0.6, 1.2, 2.4} {
			try := n
			try.errorK = e
			better(try)
		}
		for _, w := range []float64{0.05, 0.15, 0.35, 0.7, 1.4, 2.8} {
			try := n
			try.wanderK = w
			better(try)
		}
	}
	// Each room lags in its own way, and one that keeps to it less well than
	// the others is trusted less.
	n.roomF, n.roomLagS = make([]float64, len(of)), make([]float64, len(of))
	for j, i := range of {
		n.roomF[j], n.roomLagS[j] = 1, n.lagS
		best, left, free := d.likelihood(f, j, i, n)
		for _, lag := range branchLags {
			was := n.roomLagS[j]
			n.roomLagS[j] = lag
			l, rest, _ := d.likelihood(f, j, i, n)
			// Of a room whose answer has not been seen to go again any lag would do:
			// it lags as the others do until its own readings say otherwise.
			if far := math.Log2(lag/n.lagS) / branchLagOff; l-float64(far*far/2) > best && i >= 0 {
				best, left = l-float64(far*far/2), rest
			} else {
				n.roomLagS[j] = was
			}
		}
		n.roomF[j] = math.Sqrt(max(1, (branchFree+left)/(branchFree+free)))
	}
	f.noise = n
}

// likelihood is that of room j if it follows unit i (-1: none), as a logarithm,
// and what is left of its readings, in units of the errors, with how many are free.
func (d branchData) likelihood(f *branchFit, j, i int, n branchNoise) (ln, left, free float64) {
	if !d.has[j] {
		return 0, 0, 0
	}
	s := d.sieve(j, n)
	y := s.through(d.without(f, j), nil)
	ss := 0.0
	for _, v := range y {
		ss += float64(v * v)
	}
	a, used := answer{}, 0.0
	var heat, cool []float64
	if i >= 0 {
		z := d.signal(d.delays(n.lag(j)), n, i, j, f.answers[i][j].valved)
		heat, cool = s.through(z.heat, nil), s.through(z.cool, nil)
		a = fitAnswer(y, heat, cool, branchLikelyK, branchGiveK)
		used = 2
	}
	for k, v := range y {
		if i >= 0 {
			v -= float64(a.heatK*heat[k]) + float64(a.coolK*cool[k])
		}
		left += float64(v * v)
	}
	return a.ln - float64(ss/2) - float64(s.ln/2), left, max(0, float64(len(y))-used)
}

// fill works out the table: each room's answer to each unit, beside its answer
// to the unit it follows; and which of these are too large for cross-talk.
func (d branchData) fill(f *branchFit, names []string) {
	n := len(names)
	of := f.of()
	f.cells = make([][]Cell, n)
	for i := range n {
		f.cells[i] = make([]Cell, n)
	}
	var y, heat, cool []float64
	for j := range n {
		if !d.has[j] {
			continue
		}
		x := d.delays(f.noise.lag(j))
		s := d.sieve(j, f.noise)
		rest := append([]float64(nil), d.levels[j]...)
		if i := of[j]; i >= 0 {
			a := f.answers[i][j]
			z := d.signal(x, f.noise, i, j, a.valved)
			for w := range rest {
				rest[w] -= float64(a.heatK*z.heat[w]) + float64(a.coolK*z.cool[w])
			}
			if a.known() { // of a unit that was not asked there is only what is thought beforehand
				f.cells[i][j] = Cell{ResponseK: a.k(), Known: true, Chosen: f.sure(i)}
			}
		}
		y = s.through(rest, y)
		for i := range n {
			if i == of[j] || !f.tried[i] {
				continue
			}
			z := d.signal(x, f.noise, i, j, false)
			heat, cool = s.through(z.heat, heat), s.through(z.cool, cool)
			a := fitAnswer(y, heat, cool, 0, branchGiveK)
			f.cells[i][j] = Cell{ResponseK: a.k(), Known: a.known()}
		}
	}
	d.half(f)
	// A second answer that is more than cross-talk: a third of the right one in
	// its row or its column (the field guide).
	for j, l := range f.seconds {
		if l.unit < 0 || l.k() < branchNoneK || !f.sure(l.unit) {
			continue
		}
		right := f.answers[l.unit][f.room[l.unit]].k()
		if i := of[j]; i >= 0 {
			right = min(right, f.answers[i][j].k())
		}
		if l.k() > float64(branchShare*right) {
			f.leaks = append(f.leaks, Pair{names[l.unit], names[j]})
			f.leakK = append(f.leakK, l.k())
		}
	}
	d.marginK(f)
}

// half finds the units that answer nothing alone and rightly beside others. With
// one pipe of two units exchanged, what goes out by one's pipe can come back
// only by the other's, so that both have to be open.
func (d branchData) half(f *branchFit) {
	f.halfway = make([]bool, len(f.room))
	noise := f.noise
	noise.roomF = nil // what makes such a room worse than the others is what is looked for
	for i, j := range f.room {
		if j != i || !d.has[j] {
			continue
		}
		alone, beside := d, d
		alone.runs, beside.runs = d.only(i, true), d.only(i, false)
		x, s := d.delays(noise.lag(j)), d.sieve(j, noise)
		y := s.through(d.without(f, j), nil)
		of := func(d branchData) []float64 {
			z := d.signal(x, noise, i, j, false)
			for k := range z.heat {
				z.heat[k] += z.cool[k]
			}
			return s.through(z.heat, nil)
		}
		a := fitAnswer(y, of(alone), of(beside), branchLikelyK, branchGiveK)
		f.halfway[i] = a.heatSe < branchGiveK/4 && a.coolSe < branchGiveK/4 && a.heatK < branchNoneK && a.coolK > branchLeastK
	}
}

// only is the runs with what is asked of unit i left in those alone, or in the others.
func (d branchData) only(i int, alone bool) (runs []branchRun) {
	for _, r := range d.runs {
		if heat, cool := askedOf(r.asked); r.asked[i] != 0 && (heat+cool == 1) != alone {
			r.asked = append([]int8(nil), r.asked...)
			r.asked[i] = 0
		}
		runs = append(runs, r)
	}
	return runs
}

// marginK is the field guide's measure: the sum of the chosen answers against
// the next best sum, in kelvins.
func (d branchData) marginK(f *branchFit) {
	n := len(f.cells)
	w := make([][]float64, n)
	for i := range n {
		w[i] = make([]float64, n)
		for j := range n {
			w[i][j] = max(0, f.cells[i][j].ResponseK)
		}
	}
	total := 0.0
	for i, j := range f.room {
		if j >= 0 {
			total += w[i][j]
		}
	}
	f.marginK = math.Inf(1)
	for i, j := range f.room {
		if j < 0 || !f.cells[i][j].Known {
			continue
		}
		was := w[i][j]
		w[i][j] = math.Inf(-1)
		_, second := physics.Assign(w)
		w[i][j] = was
		f.marginK = min(f.marginK, total-second)
	}
}
