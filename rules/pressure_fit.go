package rules

import (
	"math"
	"slices"
	"time"

	"standwatch/rules/physics"
)

// What a comparison is unsure of: one standard uncertainty each, the field
// guide's (step 1, error budget) where nothing else is said.
const (
	pipeDoubtK   = 0.3    // clamps on the pipes
	airDoubtK    = 1.5    // outdoor air instead of them (common practice)
	noTempDoubtK = 5.0    // no temperature at all (common practice)
	stabilityPa  = 3000.0 // the transducer, within stableK of where it began
	stableK      = 2.0    //
	resolutionPa = 500.0  //
	barometerPa  = 100.0  //
	unweighedPa  = 2000.0 // where nobody measures it

	// What was known of the coefficients before the test. The test itself fixes
	// them better, the more the temperature has gone up and down in it.
	zeroPaPerK     = 1400.0 // of the transducer's zero: 0.02 % of 7 MPa a kelvin (the field guide)
	lagS           = 600.0  // by which gas and clamp may be apart (common practice)
	unseen         = 0.2    // of the pipe, that may follow the outdoor air where no clamp is (our choice)
	unclampedGain  = 0.6    // by how much less or more than the clamps pipes without one may follow the weather: indoors hardly (our choice)
	unclampedFrom  = 0.2    // of the pipework: less is how well its volume is known (our choice)
	unclampedDayK  = 4.0    // by which they follow the day on their own, in a phase that nobody knows: rooms by 1, a roof in the sun by 8 (our choice);
	unclampedLeast = 1.5    // this, and by as much as any thermometer has moved, where that is less
	sunMostK       = 15.0   // by which the sun warms a pipe above what the clamps show (from memory)
	dayS           = 86400.0
	airGain        = 0.4  // by how much less or more than the outdoor air pipes may follow it (our choice)
	lagsMost       = 6.0  // times lagS, before a fall is told: a clamp on the lagging is an hour ahead (our choice, from trial runs with seeds)
	lagsShown      = 2.0  // times lagS, and two standard errors: then they are (our choice, from trial runs with seeds)
	airLags        = 3.0  // times lagS, where only the outdoor air is known (our choice)
	shareKnown     = 0.25 // of the doubt of a clamp's share is left where its volume is given (our choice)

	jumpSure = 5.0 // standard errors: a jump that is none of theirs (our choice, from trial runs with seeds)

	wanderS = 3600.0 // for which the doubts' errors stay alike: sun and wind change within the hour (our choice)
)

const (
	noTemperature = iota
	byAir
	byClamps
)

// pressGas is how the gas's temperature is known, and its weather.
type pressGas struct {
	source byte
	clamps []int // places
	m3     []float64
	given  bool // the clamps' volumes are
	air    int  // place of the outdoor air; -1: not known
	weight int  // place of the barometer; -1: not known
}

// gasOf chooses what is known in both states, so that a clamp that dies does
// not move the mean of those that are left.
func (j *pressureTest) gasOf(a, b pressState) pressGas {
	g := pressGas{air: -1, weight: -1, given: true}
	known := func(i int) bool { return !math.IsNaN(a.value[i]) && !math.IsNaN(b.value[i]) && !j.tracks[i].gone }
	for i, p := range j.points {
		switch {
		case p.Role == "pipe-air" && known(i):
			g.clamps = append(g.clamps, i)
			g.m3 = append(g.m3, p.VolumeM3)
			g.given = g.given && p.VolumeM3 > 0
		case p.Role == "outdoor-air" && g.air < 0 && known(i):
			g.air = i
		case p.Role == "barometer" && g.weight < 0 && known(i):
			g.weight = i
		}
	}
	switch {
	case len(g.clamps) > 0:
		g.source = byClamps
	case g.air >= 0:
		g.source = byAir
	}
	if !g.given {
		for i := range g.m3 {
			g.m3[i] = 1
		}
	}
	return g
}

func (g pressGas) same(o pressGas) bool {
	return g.source == o.source && g.air == o.air && slices.Equal(g.clamps, o.clamps)
}

// tempC is the temperature that stands for all the gas.
func (g pressGas) tempC(s pressState) float64 {
	switch g.source {
	case byClamps:
		t := make([]float64, len(g.clamps))
		for i, place := range g.clamps {
			t[i] = s.value[place]
		}
		return physics.MeanGasC(t, g.m3)
	case byAir:
		return s.value[g.air]
	}
	return 20
}

func (g pressGas) hold(s pressState) physics.Hold {
	h := physics.Hold{GaugePa: s.gaugePa, TempC: g.tempC(s), AtmospherePa: physics.AtmospherePa}
	if g.weight >= 0 {
		h.AtmospherePa = s.value[g.weight]
	}
	return h
}

// terms are what a state's pressure may owe to something other than a leak,
// each for a coefficient of one; priors are what the coefficients may be.
func (j *pressureTest) terms(g pressGas, s pressState, perK float64) []float64 {
	var x []float64
	t := g.tempC(s)
	if g.source != noTemperature {
		zero := t
		if g.air >= 0 {
			zero = s.value[g.air]
		}
		x = append(x, zero, float64(perK*s.lagK))
	}
	if g.source == byAir {
		x = append(x, float64(perK*t))
	}
	if j.gain(g) > 0 {
		x = append(x, float64(perK*t))
	}
	if j.unclamped(g) > 0 {
		sin, cos := math.Sincos(float64(2 * math.Pi / dayS * s.t.Seconds()))
		x = append(x, float64(perK*sin), float64(perK*cos))
	}
	if g.source == byClamps && g.air >= 0 {
		x = append(x, float64(perK*(s.value[g.air]-t)))
	}
	if len(g.clamps) > 1 {
		for _, place := range g.clamps {
			x = append(x, float64(perK*(s.value[place]-t)))
		}
	}
	if j.settle.tauS > 0 && j.start != nil {
		x = append(x, math.Exp(-max((s.t-j.start.t).Seconds(), 0)/j.settle.tauS))
	}
	return x
}

// leftOut is the part of the pipework without a clamp, where the clamps' volumes
// tell: it may follow the weather by less or more than they do.
func (j *pressureTest) leftOut(g pressGas) float64 {
	if len(g.clamps) == 0 || !g.given || j.pipeM3 <= 0 {
		return 0
	}
	left := 1.0
	for _, m3 := range g.m3 {
		left -= m3 / j.pipeM3
	}
	if left <= unclampedFrom {
		return 0
	}
	return left
}

// unclamped is the part of the gas that may follow the day in its own way,
// as no clamp tells. Where nobody says how much each stands for, one clamp leaves
// half of the pipe, and each more half of that, since who has two puts them
// where the pipe is unlike; and half as much where few are said to stand for all of it (our choice).
func (j *pressureTest) unclamped(g pressGas) float64 {
	if len(g.clamps) == 0 {
		return 0
	}
	few := math.Pow(0.5, float64(len(g.clamps)))
	if g.given && j.pipeM3 > 0 {
		few = max(j.leftOut(g), few/2)
	}
	return few
}

// gain is by how much less or more than the clamps all the gas may follow the
// weather: the pipework without a clamp. Where nobody says how much that is, what the
// clamps show within a day may be the sun on them alone; once the day has come round it is the gas's.
func (j *pressureTest) gain(g pressGas) float64 {
	if g.given && j.pipeM3 > 0 {
		return float64(unclampedGain * j.leftOut(g))
	}
	return float64(unclampedGain*j.unclamped(g)) * max(0, 1-j.seenS/dayS)
}

func (j *pressureTest) priors(g pressGas) []float64 {
	var sd []float64
	if g.source != noTemperature {
		lag := 1.0
		if g.source == byAir {
			lag = airLags
		}
		sd = append(sd, zeroPaPerK, lag)
	}
	if g.source == byAir {
		sd = append(sd, airGain)
	}
	if gain := j.gain(g); gain > 0 {
		sd = append(sd, gain)
	}
	left := j.unclamped(g)
	if left > 0 {
		dayK := min(unclampedDayK, unclampedLeast+j.swingK)
		sd = append(sd, float64(dayK*left), float64(dayK*left))
	}
	if g.source == byClamps && g.air >= 0 {
		sd = append(sd, max(unseen, float64(unclampedGain*left)))
	}
	if n := float64(len(g.clamps)); n > 1 {
		// Shares that are not known are as likely one way as any other: each is
		// then 1/n with this standard deviation (Dirichlet's distribution with all parameters 1;
		// that they add up to one is in what they are multiplied with).
		share := 1 / math.Sqrt(n*(n+1))
		if g.given {
			share *= shareKnown
		}
		for range g.clamps {
			sd = append(sd, share)
		}
	}
	if j.settle.tauS > 0 && j.start != nil {
		sd = append(sd, math.Abs(j.settle.leftPa))
	}
	return sd
}

// pressCompared is a state held against an earlier one.
type pressCompared struct {
	changePa   float64 // what the gauge shows more than the same gas would
	expectedPa float64 // what temperature and barometer alone change
	basePa     float64 // the doubt, without
	termsPa    float64 // that of what may be owed to something else
	priorPa    float64 // the same as it was before the test taught anything of it
	gas        pressGas
}

func (c pressCompared) doubtPa() float64 { return physics.Doubt(c.basePa, c.termsPa) }

// base is the field guide's budget.
func (j *pressureTest) base(g pressGas, perK float64) float64 {
	kelvin := [...]float64{noTemperature: noTempDoubtK, byAir: airDoubtK, byClamps: pipeDoubtK}[g.source]
	weather := barometerPa
	if g.weight < 0 {
		weather = unweighedPa
	}
	return physics.Doubt(float64(kelvin*perK), stabilityPa, j.digit(), weather)
}

// compare holds b against a, with what the test has shown so far of everything else.
func (j *pressureTest) compare(a, b pressState) pressCompared { return j.compareBy(j.view, a, b) }

// compareBy is the same by what a view has learned of the temperatures; an empty one: by the clamps as they stand.
func (j *pressureTest) compareBy(by pressView, a, b pressState) pressCompared {
	c := pressCompared{gas: j.gasOf(a, b)}
	from, to := c.gas.hold(a), c.gas.hold(b)
	perK := physics.NitrogenPaPerK(max(from.GaugePa+from.AtmospherePa, 1e4), from.TempC)
	expected := from.ExpectedGaugePa(to.TempC, to.AtmospherePa)
	c.changePa, c.expectedPa = b.gaugePa-expected, expected-a.gaugePa
	c.basePa = float64(j.base(c.gas, perK) * max(by.scale, 1))
	x, y, sd := j.terms(c.gas, a, perK), j.terms(c.gas, b, perK), j.priors(c.gas)
	learned := by.ok && by.gas.same(c.gas) && len(by.theta) == len(x)
	prior := 0.0
	for i := range y {
		y[i] -= x[i]
		if learned {
			c.changePa -= float64(by.theta[i] * y[i])
		}
		if i == 0 && c.gas.source != noTemperature {
			y[i] = math.Copysign(max(math.Abs(y[i])-stableK, 0), y[i]) // within them it is in the budget
		}
		prior += float64(float64(sd[i]*sd[i]) * float64(y[i]*y[i]))
	}
	variance := prior
	if learned {
		variance = physics.Regression{Cov: by.cov}.Var(y)
	}
	c.priorPa, c.termsPa = math.Sqrt(prior), math.Sqrt(variance)
	c.changePa = math.Round(c.changePa) // what is less is the machine's rounding
	return c
}

// lag notes how far each state's temperature is ahead of its own slow mean.
// Before the first state it went on as it begins.
func (j *pressureTest) lag(h []pressState) {
	if len(h) < 2 {
		return
	}
	g := j.gasOf(h[0], h[len(h)-1])
	if g.source == noTemperature {
		return
	}
	var tS, c []float64
	for _, s := range h {
		if v := g.tempC(s); s.t-h[0].t <= 2*asTime(lagS) && !math.IsNaN(v) {
			tS, c = append(tS, s.t.Seconds()), append(c, v)
		}
	}
	rate := 0.0
	if n := len(tS); n > 2 {
		_, rate = lineAt(tS, c, tS[0])
	}
	ahead := float64(lagS * rate)
	last, lastC := h[0].t, g.tempC(h[0])
	h[0].lagK = ahead
	for i := 1; i < len(h); i++ {
		v := g.tempC(h[i])
		if math.IsNaN(v) {
			h[i].lagK = ahead
			continue
		}
		d := max((h[i].t - last).Seconds(), 1)
		steady := float64(lagS * (v - lastC) / d) // how far it gets ahead at this rate
		ahead = steady + float64((ahead-steady)*math.Exp(-d/lagS))
		h[i].lagK, last, lastC = ahead, h[i].t, v
	}
}

// pressView is what the readings say at one moment.
type pressView struct {
	ok                bool
	t                 time.Duration
	end               pressState
	endC              float64
	source            byte
	changePa, doubtPa float64 // doubt: one standard uncertainty
	expectedPa        float64 // what temperature and barometer alone change
	slopePaPerS       float64
	slopeSe           float64
	monotone, step    bool

	gas   pressGas
	theta []float64 // of the terms, and their covariance
	cov   [][]float64
	scale float64 // how much more than its doubt is left over; 1: no more
	trend []pressTrend
}

type pressTrend struct {
	t               time.Duration
	low, best, high float64
	tight           float64 // what the gauge would show had nothing left; 0: still to come
}

// fallsWithLag reports whether the pressure falls as surely where gas and clamps
// are further apart than where clamps sit well, if the test shows that they are.
func (j *pressureTest) fallsWithLag(leftS float64) bool {
	f := j.fit(after(j.course(), j.start.t-j.averaged()), j.view.gas, lagsMost)
	if !f.ok || j.view.source == noTemperature {
		return f.ok
	}
	se := func(i int) float64 { return math.Sqrt(max(f.Cov[i][i], 0)) }
	if lag := math.Abs(f.Theta[3]); lag < lagsShown || lag < 2*se(3) {
		return true
	}
	return f.Theta[1] < -tellSure*se(1) && float64((f.Theta[1]+float64(1.645*se(1)))*(j.spanS()+leftS)) < -3*j.view.doubtPa
}

// fallsByItself reports whether a fall is more than the sun can do on pipes that no
// clamp covers, and no work of what the fit has learned: it shows by the clamps as
// they stand. Once half a day is over the sun has come and gone.
func (j *pressureTest) fallsByItself(v pressView) bool {
	if j.compareBy(pressView{}, *j.start, v.end).changePa > v.changePa/2 {
		return false
	}
	sunK := sunMostK
	if !v.gas.given || j.pipeM3 <= 0 { // nobody says that there are any: by what the clamps have moved
		sunK = min(sunMostK, unclampedLeast+j.swingK)
	}
	return (v.end.t-j.start.t).Seconds() > dayS/2 || v.changePa < -float64(j.unseenBy(v.gas)*sunK)*j.paPerK(*j.start)
}

// unseenBy is the part of the pipework that no clamp covers, as far as is known.
func (j *pressureTest) unseenBy(g pressGas) float64 {
	switch {
	case len(g.clamps) == 0:
		return 0 // the outdoor air is in no sun, and its doubt is wide
	case !g.given || j.pipeM3 <= 0:
		return max(unseen, math.Pow(0.5, float64(len(g.clamps))))
	}
	left := 1.0
	for _, m3 := range g.m3 {
		left -= m3 / j.pipeM3
	}
	return max(left, 0)
}

// seen takes a view of the test from its start up to a time.
func (j *pressureTest) seen(h []pressState, t time.Duration) (v pressView) {
	if j.start == nil {
		return v
	}
	end, ok := meanOf(h, t-j.averaged(), t+j.fine)
	if !ok || end.t <= j.start.t {
		return v
	}
	j.seenS = (t - j.start.t).Seconds()
	v = pressView{ok: true, t: t, end: end}
	v.gas = j.gasOf(*j.start, end)
	v.source = v.gas.source
	fit := j.fit(after(h, j.start.t-j.averaged()), v.gas, 1)
	if fit.ok {
		v.theta, v.cov, v.scale = fit.terms(fit.Regression)
		v.slopePaPerS, v.slopeSe = fit.Theta[1], math.Sqrt(max(fit.Cov[1][1], 0))
	}
	j.view = v // what has been learned
	c := j.compare(*j.start, end)
	v.changePa, v.doubtPa, v.expectedPa, v.endC = c.changePa, c.doubtPa(), c.expectedPa, v.gas.tempC(end)
	if fit.ok {
		var without physics.Regression
		if without, v.step = fit.jump(v.changePa, v.doubtPa); v.step {
			v.theta, v.cov, v.scale = fit.terms(without)
			j.view = v
			c = j.compare(*j.start, end)
			v.changePa, v.doubtPa = c.changePa, c.doubtPa()
		}
		v.monotone = fit.falls(v.doubtPa)
		v.trend = fit.trend(j, v)
	}
	return v
}

// pressFit is a straight line and the terms fitted to the test's course.
type pressFit struct {
	physics.Regression
	ok     bool
	rows   []pressState
	tS     []float64 // since the first
	y      []float64 // Pa: what is more than the same gas would show
	left   []float64 // y without the terms
	cols   [][]float64
	prior  []float64
	noise  physics.Errors
	wander physics.Wander // the noise as stated
	scale  float64
}

// terms are what a fit has learned of them: the coefficients, their covariance, and
// how much more is left over than was stated.
func (f pressFit) terms(r physics.Regression) (theta []float64, cov [][]float64, scale float64) {
	for _, row := range r.Cov[2:len(f.cols)] {
		cov = append(cov, row[2:len(f.cols)])
	}
	scale = f.scale
	if len(r.Theta) > len(f.cols) {
		scale = 1
	}
	return r.Theta[2:len(f.cols)], cov, scale
}

// withHeat is by how much chi-square a fit is better with a fill's heat that
// fades, and by how much a straight line alone is better than heat alone; ampPa is
// the heat at the first row. They go by the noise that is left over (never less than
// a tenth of what is stated) and by what was known before.
func (f pressFit) withHeat(tauS float64) (gain, straight, ampPa float64) {
	heat := make([]float64, len(f.tS))
	for i, t := range f.tS {
		heat[i] = math.Exp(-t / tauS)
	}
	cols, prior := append(slices.Clone(f.cols), heat), append(slices.Clone(f.prior), heatMostPa)
	calm, ok1 := physics.Regress(f.noise, f.cols, f.y, f.prior)
	hot, ok2 := physics.Regress(f.noise, cols, f.y, prior)
	heatOnly, ok3 := physics.Regress(f.noise, slices.Delete(cols, 1, 2), f.y, slices.Delete(prior, 1, 2))
	if !ok1 || !ok2 || !ok3 {
		return 0, 0, 0
	}
	n := float64(len(f.y))
	left := func(r physics.Regression) float64 { return r.Chi2 + r.Prior + float64(0.01*n) }
	return float64(n * math.Log(left(calm)/left(hot))), float64(n * math.Log(left(heatOnly)/left(calm))), hot.Theta[len(hot.Theta)-1]
}

const pressRows = 48 // of a fit

// fit fits the course of the test; lags are how many times lagS gas and clamps may be apart.
func (j *pressureTest) fit(h []pressState, g pressGas, lags float64) (f pressFit) {
	if len(h) < 6 {
		return f
	}
	slot := max((h[len(h)-1].t-h[0].t)/pressRows, j.fine)
	for i := 0; i < len(h); {
		k := i + 1
		for k < len(h) && h[k].t-h[i].t < slot {
			k++
		}
		s, _ := meanOf(h[i:k], 0, h[k-1].t)
		if c := g.tempC(s); !math.IsNaN(c) && (g.air < 0 || !math.IsNaN(s.value[g.air])) && (g.weight < 0 || !math.IsNaN(s.value[g.weight])) {
			f.rows = append(f.rows, s)
		}
		i = k
	}
	n := len(f.rows)
	if n < 6 {
		return f
	}
	first := g.hold(f.rows[0])
	p0 := max(first.GaugePa+first.AtmospherePa, 1e4)
	mol0 := physics.NitrogenMolPerM3(p0, first.TempC)
	perK := physics.NitrogenPaPerK(p0, first.TempC)
	f.prior = append([]float64{0, 0}, j.priors(g)...)
	if g.source != noTemperature {
		f.prior[3] *= lags
	}
	f.cols = make([][]float64, len(f.prior))
	from := j.terms(g, f.rows[0], perK)
	for _, s := range f.rows {
		at := g.hold(s)
		mol := physics.NitrogenMolPerM3(max(at.GaugePa+at.AtmospherePa, 1e4), at.TempC)
		f.y = append(f.y, float64(p0*math.Log(mol/mol0))) // a leak's outflow goes with the pressure: a straight line here
		t := (s.t - f.rows[0].t).Seconds()
		f.tS = append(f.tS, t)
		f.cols[0], f.cols[1] = append(f.cols[0], 1), append(f.cols[1], t)
		for i, x := range j.terms(g, s, perK) {
			f.cols[i+2] = append(f.cols[i+2], x-from[i])
		}
	}
	f.scale = 1
	f.wander = physics.Wander{Sd: j.base(g, perK) / math.Sqrt2, TauS: wanderS, White: j.white(slot)}
	if f.noise, f.ok = f.wander.Errors(f.tS); !f.ok {
		return f
	}
	if f.Regression, f.ok = physics.Regress(f.noise, f.cols, f.y, f.prior); f.ok && f.Free > 0 && f.Chi2 > f.Free {
		f.scale = math.Sqrt(f.Chi2 / f.Free)
		f.Regression, f.ok = physics.Regress(f.noise.Times(f.scale), f.cols, f.y, f.prior)
	}
	if f.ok {
		for i, y := range f.y {
			for k := 2; k < len(f.cols); k++ {
				y -= float64(f.Theta[k] * f.cols[k][i])
			}
			f.left = append(f.left, y)
		}
	}
	return f
}

// falls reports whether the pressure, without the terms, goes down all the way:
// no quarter of the test stands above an earlier one by more than the doubt.
func (f pressFit) falls(doubtPa float64) bool {
	var mean [4]float64
	n := len(f.left)
	for q := range mean {
		from, to := n*q/4, n*(q+1)/4
		for _, v := range f.left[from:to] {
			mean[q] += v / float64(to-from)
		}
	}
	lowest := mean[0]
	for _, m := range mean[1:] {
		if m > lowest+doubtPa {
			return false
		}
		lowest = min(lowest, m)
	}
	return mean[3] < mean[0]
}

// jump looks whether the pressure fell at once to a new level, as it does where
// a valve to another part is opened: what is left without the jump is no leak.
// It returns the fit without it.
func (f pressFit) jump(changePa, doubtPa float64) (without physics.Regression, ok bool) {
	n := len(f.left)
	doubtPa /= f.scale // the jump may be most of what is left over
	at := -1
	for i := range n - 2 { // it may lie within a row: over two
		if at < 0 || f.left[i+2]-f.left[i] < f.left[at+2]-f.left[at] {
			at = i
		}
	}
	if changePa > -2*doubtPa || at < 0 || f.left[at+2]-f.left[at] > changePa/2 {
		return f.Regression, false
	}
	if at+4 >= n {
		return f.Regression, true // and nobody knows yet how it goes on
	}
	cut := func(x []float64) []float64 { return slices.Delete(slices.Clone(x), at+1, at+2) }
	after := make([]float64, n)
	for i := at + 1; i < n; i++ {
		after[i] = 1
	}
	var cols [][]float64
	for _, c := range append(slices.Clone(f.cols), after) {
		cols = append(cols, cut(c))
	}
	noise, ok := f.wander.Errors(cut(f.tS))
	if !ok {
		return f.Regression, true
	}
	without, ok = physics.Regress(noise, cols, cut(f.y), append(slices.Clone(f.prior), 0))
	if !ok {
		return f.Regression, true
	}
	if k := len(f.cols); without.Theta[k] > -float64(jumpSure*math.Sqrt(without.Cov[k][k])) {
		return f.Regression, false // sun and wind do as much within the hour
	}
	slope := without.Theta[1] + float64(2*math.Sqrt(max(without.Cov[1][1], 0)))
	return without, float64(slope*(f.tS[n-1]-f.tS[0])) > -3*doubtPa
}

// trend is the fitted course, and how it goes on at the temperature of now.
func (f pressFit) trend(j *pressureTest, v pressView) (ps []pressTrend) {
	for i, s := range f.rows {
		best := s.gaugePa - (f.left[i] - f.Theta[0] - float64(f.Theta[1]*f.tS[i]))
		tight := best - float64(f.Theta[1]*(f.tS[i]-f.tS[0]))
		ps = append(ps, pressTrend{s.t, best - 2*v.doubtPa, best, best + 2*v.doubtPa, tight})
	}
	if v.t >= j.ends() {
		return ps
	}
	now := ps[len(ps)-1]
	for i := 1; i <= 8; i++ {
		ahead := (j.ends() - now.t) * time.Duration(i) / 8
		wide := 2 * physics.Doubt(v.doubtPa, float64(v.slopeSe*ahead.Seconds()))
		best := now.best + float64(v.slopePaPerS*ahead.Seconds())
		ps = append(ps, pressTrend{now.t + ahead, best - wide, best, best + wide, 0})
	}
	return ps
}

// What the fill's heat can be.
const (
	heatMostPa = 300e3            // 20 K at 550 psi (common practice)
	gasEven    = 5 * time.Minute  // gas in a pipe has the wall's temperature by then (a bore of 20 mm conducts within 30 s; coils take longer)
	calmPart   = 0.25             // of the usual doubt: what moves less has evened out before (our choice)
	settleMost = 90 * time.Minute // a fill has evened out by then, whatever it looks like
	heatSure   = 12.0             // by how much chi-square it must fit better with than without (our choice, from trial runs with seeds)
)

var heatTausS = [...]float64{180, 300, 480, 780, 1260, 2000}

// settling is what is left of a fill's heat where the comparison begins.
type settling struct{ leftPa, tauS float64 }

// findStart finds where the comparison begins: nothing moved since the fill; or
// the fill's heat, which fades as a leak does not, moves the pressure by less than
// two standard uncertainties an hour (the field guide); or the time for it is over.
func (j *pressureTest) findStart(h []pressState, t time.Duration) {
	window := min(settleFor, j.lasts/4)
	h = after(h, j.filled)
	if j.start != nil || t-j.filled < window || len(h) < 6 || t-j.tried < window/10 && t < j.ends() {
		return
	}
	j.tried, j.settle = t, settling{}
	if last := h[len(h)-1]; math.Abs(j.compare(h[0], last).changePa) < calmPart*j.base(pressGas{source: byClamps}, j.paPerK(h[0])) { // it was calm before
		j.begin(h, h[0].t)
		return
	}
	h = after(h, j.filled+min(gasEven, window/4)) // the gas evens out with the wall first, and the wall with what is around it then
	if len(h) < 6 {
		return
	}
	from, left, straight := j.heat(h)
	late := t-j.filled >= min(settleMost, j.lasts*3/4)
	switch {
	case left.tauS == 0 && !late && !straight && j.moves(h):
		return // nothing says yet that it moves by a fill's heat: the more is seen the surer
	case t-from < window && !late:
		return
	case t-from < window:
		left.leftPa *= math.Exp((from - t + window).Seconds() / max(left.tauS, 1))
		from = t - window
	}
	if j.begin(h, from) && left.leftPa != 0 {
		j.settle = left
	}
}

// paPerK is by how much a state's pressure changes a kelvin, its temperature taken as 20 C.
func (j *pressureTest) paPerK(s pressState) float64 {
	return physics.NitrogenPaPerK(max(s.gaugePa+physics.AtmospherePa, 1e4), 20)
}

// moves reports whether the pressure changed faster than counts as settled.
func (j *pressureTest) moves(h []pressState) bool {
	last := h[len(h)-1]
	c := j.compare(h[0], last)
	return math.Abs(c.changePa) > float64(2*c.basePa)*(last.t-h[0].t).Hours()
}

// heat looks for a fill's heat that fades: from when on it moves the pressure by
// less than counts as settled, and what is left of it then. Straight is whether
// the pressure surely moves in a straight line instead, as heat does not.
func (j *pressureTest) heat(h []pressState) (from time.Duration, left settling, straight bool) {
	from = h[0].t
	g := j.gasOf(h[0], h[len(h)-1])
	f := j.fit(h, g, 1)
	if !f.ok {
		return from, left, straight
	}
	u := j.base(g, j.paPerK(h[0]))
	gain, least := heatSure, math.Inf(1)
	for _, tau := range heatTausS {
		better, line, pa := f.withHeat(tau)
		if better > gain {
			gain, left = better, settling{pa, tau}
		}
		least = min(least, line)
	}
	straight = least > heatSure
	if left.tauS == 0 {
		return from, left, straight
	}
	// amp/tau exp(-t/tau) = 2u an hour
	if calmS := left.tauS * math.Log(math.Abs(left.leftPa)/left.tauS*3600/(2*u)); calmS > 0 {
		from += asTime(calmS)
		left.leftPa *= math.Exp(-calmS / left.tauS)
	} else {
		left.leftPa = 0
	}
	return from, left, straight
}

// begin begins the comparison.
func (j *pressureTest) begin(h []pressState, from time.Duration) bool {
	s, ok := meanOf(h, from, from+j.averaged())
	if ok {
		j.start = &s
		j.lowPa, j.topPa = math.Inf(1), math.Inf(-1)
	}
	return ok
}

// digit is the doubt of the gauge's resolution. A gauge quieter than its last
// digit is off by as much as half of it at either end (evenly, so by 1/sqrt(12)).
func (j *pressureTest) digit() float64 {
	if j.steps < 5 || j.noisePa() > j.stepPa { // fewer steps show no digit
		return resolutionPa
	}
	return max(resolutionPa, j.stepPa/math.Sqrt(6))
}

// white is what each row of a fit has for itself: the gauge's noise.
func (j *pressureTest) white(slot time.Duration) float64 {
	n := max(slot.Seconds()/max(j.every().Seconds(), 1), 1)
	return max(j.noisePa(), resolutionPa) / math.Sqrt(n)
}
