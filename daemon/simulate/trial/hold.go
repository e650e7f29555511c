package trial

import (
	"math"
	"math/rand/v2"
	"time"
)

const vacuumHoldDoc = `The vacuum hold: pipework pumped down, valved off, and watched for an hour (sometimes 30 min or 2 h).
Invented: every figure is drawn. Ranges and where they come from:
  pipework 40 to 200 l (common practice), in sections that differ in pressure while the pump's side evens out
  leaks of air, water in walls and oil that leaves over minutes to hours, puddles that boil, freeze and thaw,
  valves that seep, rubber hoses (rates from memory), wall temperatures that move; their strength is chosen
  so that the peak lies from about 60 to 5,000 micron, often near the limit
  gauge: noise of 0.5 to 3 % of the reading (field guide), white or drifting with correlation times of 20 s to 10 min
  or 1/f, slow waves to 1.5 %, spikes, 1 micron digits, a reading each 1 to 10 s, water vapour shown 1 to 2.1 fold
  (2: gauge makers' gas factor 0.5); gaps from 10 s to 25 min, late readings
Facts: class; cause and result as a gauge without noise would give them; peak_pa, start_pa, end_pa as that gauge
shows them (peak after the first 5 min), peak_total_pa of all gas; crosses_s from the hold's begin (-1: never);
cause: what has five sixths of the rise (pure: 95 %), none where it hardly rises, unknown for seeping valves and hoses;
visible: whether the noise leaves its shape to be told from the other's (visible_chi2 above 16).`

const (
	settleS    = 300.0 // the first minutes, while the pump's side evens out (field guide: 3 to 5 min)
	holdStepS  = 0.5
	aimStepS   = 2.0
	aimRounds  = 4
	aimFrom    = 0.01 // strengths, from where to where and how far apart
	aimTo      = 100.0
	aimStride  = 3.0
	beforeS    = 300.0 // of pumping are in the log
	pumpAtMost = 3600.0
)

// holdPlan is all that is drawn before the physics runs.
type holdPlan struct {
	class           string
	lines           *lines
	m3, wallC       float64
	limitPa, lastsS float64
	pump            pump
	pumpToPa        float64 // the gauge at which the technician isolates
	pumpLeastS      float64
	leak            float64
	leakAt          int
	molecular       bool
	filmPa          float64 // of the films at the beginning of the pumping
	films           []film  // holds a m3 of pipework, and gives
	puddleKg        float64
	puddle          puddle
	puddleAt        int
	seep            *seep
	seepAt          int
	hose            *hoseGas
	warmK, warmS    float64 // the wall warms by so much and back over this period
	warmPhase       float64
	gauge           *vacuumGauge
	gaps            []gap
	late            []gap
	targetMicron    float64 // for the peak
	scalesLeak      bool    // whose strength is sought
	scalesFilms     bool
	scalesPuddle    bool
}

// gap is a stretch in which nothing is heard (or heard late).
type gap struct{ from, length float64 }

func makeHold(r *rand.Rand) Trial {
	p := planHold(r)
	tail := between(r, 60, 600)
	strength := p.aim()
	high := func() bool { return p.run(strength, aimStepS, settleS).startPa > 0.9*p.limitPa }
	if high() && chance(r, 0.85) {
		// Few begin a hold so high: they fetch a wide hose first, and do not
		// shut the valve on what keeps even that from coming down.
		p.pump = pump{m3PerS: 4.7e-3, ultimatePa: 2, tired: 0.1, boreM: 0.019, lengthM: 0.9}
		strength = p.aim()
		for range 4 {
			if high() {
				p.targetMicron *= 0.6
				strength = p.aim()
			}
		}
	}
	return p.tell(r, p.run(strength, holdStepS, p.endsS()+tail), tail)
}

// aim seeks the strength at which the peak comes where it was drawn: the least
// such, for a puddle that boils faster may be dry, or ice, before the valve is
// shut. Where none reaches it, the highest peak will do.
func (p *holdPlan) aim() float64 {
	peak := func(strength float64) float64 { return p.run(strength, aimStepS, p.endsS()).peakPa }
	low, high := aimFrom, aimFrom
	best, bestPa := aimFrom, 0.0
	for high <= aimTo {
		pa := peak(high)
		if pa > bestPa {
			best, bestPa = high, pa
		}
		if pa >= p.targetMicron*micronPa {
			break
		}
		low, high = high, high*aimStride
	}
	if high > aimTo {
		return best
	}
	for range aimRounds {
		mid := math.Sqrt(low * high)
		if peak(mid) > p.targetMicron*micronPa {
			high = mid
		} else {
			low = mid
		}
	}
	return math.Sqrt(low * high)
}

func planHold(r *rand.Rand) *holdPlan {
	p := &holdPlan{lines: newLines(r, true)}
	p.m3 = p.lines.takeOffM3 * between(r, 0.95, 1.1)
	p.wallC = between(r, 4, 32)
	p.limitPa = pick(r, 500.0, 500, 500, 500, 500, 500, 500, 300, 1000) * micronPa
	p.lastsS = pick(r, 3600.0, 3600, 3600, 3600, 3600, 3600, 3600, 1800, 7200)
	p.pump = pump{m3PerS: between(r, 1, 4.7) / 1000, ultimatePa: spreadOver(r, 1, 8), tired: 0.1,
		boreM: pick(r, 0.0064, 0.008, 0.0095, 0.0095, 0.0127, 0.0127, 0.019), lengthM: between(r, 0.9, 3)}
	p.pumpToPa = spreadOver(r, 120, 320) * micronPa * p.limitPa / (500 * micronPa)
	p.pumpLeastS = spreadOver(r, 600, 1800)
	p.gauge = newVacuumGauge(r)
	p.drawGaps(r)
	p.drawWater(r)
	p.drawClass(r)
	p.warmS, p.warmPhase = between(r, 1, 6)*3600, between(r, 0, 2*math.Pi)
	return p
}

// drawGaps: most holds have none.
func (p *holdPlan) drawGaps(r *rand.Rand) {
	length := 0.0
	switch x := r.Float64(); {
	case x < 0.55:
	case x < 0.72:
		length = between(r, 10, 110)
	case x < 0.87:
		length = between(r, 130, 580)
	case x < 0.93:
		length = between(r, 620, 1500)
	default:
		for t := between(r, 0, 600); t < p.lastsS-300; t += between(r, 300, 1500) {
			p.gaps = append(p.gaps, gap{t, between(r, 10, 100)})
		}
	}
	if length > 0 {
		p.gaps = append(p.gaps, gap{between(r, 60, p.lastsS-length-60), length})
	}
	if chance(r, 0.2) {
		for t := between(r, 0, 600); t < p.lastsS; t += between(r, 200, 1200) {
			p.late = append(p.late, gap{t, between(r, 5, 90)})
		}
	}
}

// drawWater draws what any pipework holds: a little moisture in four depths.
func (p *holdPlan) drawWater(r *rand.Rand) {
	for range 4 {
		p.films = append(p.films, film{holdsM3: spreadOver(r, 0.1, 10), givesM3S: 1 / spreadOver(r, 400, 20000)})
	}
	p.filmPa = spreadOver(r, 0.1, 15)
	p.puddleAt = 1 + r.IntN(6)
	p.puddleKg = spreadOver(r, 0.05, 30) / 1000
	p.puddle = puddle{coolsJK: spreadOver(r, 20, 200), warmsWK: spreadOver(r, 0.05, 3), givesM3S: spreadOver(r, 1e-5, 1e-3)}
	p.warmK = between(r, -0.5, 0.5)
}

// drawClass draws what is wrong, if anything, and how far it should go.
func (p *holdPlan) drawClass(r *rand.Rand) {
	p.leakAt, p.molecular = 1+r.IntN(6), chance(r, 0.5)
	target := spreadOver(r, 60, 460)
	bad := func() float64 {
		switch x := r.Float64(); {
		case x < 0.3:
			return spreadOver(r, 350, 700)
		case x < 0.75:
			return spreadOver(r, 520, 5000)
		}
		return spreadOver(r, 150, 480)
	}
	usual := p.filmPa
	p.filmPa = 0
	switch x := r.Float64(); {
	case x < 0.12:
		p.class, p.filmPa, p.scalesFilms = "dry-and-tight", 10, true
	case x < 0.40:
		p.class, p.leak, p.scalesLeak, p.filmPa, target = "leak", 1e-3, true, usual, bad()
	case x < 0.57:
		p.class, p.filmPa, p.scalesFilms, target = "moisture", 100, true, bad()
	case x < 0.71:
		p.class, p.filmPa, p.scalesPuddle, target = "puddle", usual, true, bad()
	case x < 0.83:
		p.class, p.leak, p.filmPa, p.scalesLeak, p.scalesFilms, target = "leak-and-moisture", p.m3/90*spreadOver(r, 0.3, 3), 100, true, true, bad()
	case x < 0.89:
		p.class, p.filmPa, target = "seeping-valve", usual, bad()
	case x < 0.94:
		p.class, p.filmPa, target = "hose", usual, bad()
		p.hose = &hoseGas{steady: spreadOver(r, 1e-4, 1e-3), first: spreadOver(r, 1e-4, 1e-2)}
	default:
		p.class, p.filmPa, p.scalesFilms, p.warmK, target = "warming-wall", 100, true, pick(r, -1.0, 1)*between(r, 3, 8), bad()
	}
	p.targetMicron = target * p.limitPa / (500 * micronPa)
	p.pumpToPa = min(p.pumpToPa, 0.8*p.targetMicron*micronPa)
	if p.class == "seeping-valve" {
		ratio := spreadOver(r, 0.003, 0.2)
		p.seepAt = 1 + r.IntN(6)
		p.seep = &seep{m3: p.m3 * ratio, pa: p.targetMicron * micronPa * spreadOver(r, 1.05, 4) / ratio}
		p.seep.m3PerS = 1e-3 / p.seep.pa
	}
}

// endsS is when the hold is over: gaps of 2 to 10 min extend it (the contract).
func (p *holdPlan) endsS() float64 {
	end := p.lastsS
	for _, g := range p.gaps {
		if g.length > 120 && g.length <= 600 {
			end += g.length
		}
	}
	return end
}

func (p *holdPlan) longestGap() (s float64) {
	for _, g := range p.gaps {
		s = max(s, g.length)
	}
	return s
}

// wall is the pipes' temperature t seconds into the hold.
func (p *holdPlan) wall(t float64) float64 {
	return p.wallC + float64(p.warmK*(math.Sin(2*math.Pi*t/p.warmS+p.warmPhase)-math.Sin(p.warmPhase)))
}

// build makes the pipework before the last pumping, with what is wrong at a
// strength.
func (p *holdPlan) build(strength float64) *pipework {
	by := func(yes bool, x float64) float64 {
		if yes {
			return x * strength
		}
		return x
	}
	wall := p.wall(-p.pumpLeastS)
	pipe := &pipework{at: p.lines.sections(p.m3, wall)}
	for i := range pipe.at {
		s := &pipe.at[i]
		s.air = 1500 * micronPa
		for _, f := range p.films {
			s.films = append(s.films, film{pa: by(p.scalesFilms, p.filmPa), holdsM3: f.holdsM3 * s.m3, givesM3S: f.givesM3S * s.m3})
		}
	}
	at := &pipe.at[p.leakAt]
	at.leak, at.molecular = by(p.scalesLeak, p.leak), p.molecular
	if p.scalesPuddle {
		pipe.at[p.puddleAt].puddle = newPuddle(p.puddleKg, p.puddle.coolsJK, p.puddle.warmsWK, min(p.puddle.givesM3S*strength, 3e-3), wall)
	}
	if p.seep != nil {
		s := *p.seep
		s.m3PerS *= strength
		pipe.at[p.seepAt].seep = &s
	}
	if p.hose != nil {
		h := hoseGas{steady: p.hose.steady * strength, first: p.hose.first * strength}
		pipe.at[0].hose = &h
	}
	pipe.pump = &p.pump
	return pipe
}

// held is what the physics gave: a curve from the begin, a second apart, as an
// ideal gauge shows it and in all.
type held struct {
	before                  []float64 // while pumping, up to the begin
	shown                   []float64
	startPa, peakPa, endPa  float64
	totalPa, leak, crossesS float64
	in                      inflow
	factor                  float64
}

// run pumps down, isolates and lets the hold go on to an end.
func (p *holdPlan) run(strength, dt, end float64) held {
	pipe := p.build(strength)
	h := held{crossesS: -1, leak: pipe.at[p.leakAt].leak, factor: p.gauge.factor}
	far := len(pipe.at) - 1
	every := max(1, int(math.Round(1/dt)))
	warm := func(t float64) {
		for i := range pipe.at {
			pipe.at[i].warm(p.wall(t))
		}
	}
	warm(0)
	for k := 0; ; k++ {
		now := p.gauge.ideal(&pipe.at[far])
		if k%every == 0 {
			h.before = append(h.before, now)
		}
		if t := float64(k) * dt; t >= p.pumpLeastS && now <= p.pumpToPa || t >= pumpAtMost {
			break
		}
		pipe.step(dt)
	}
	pipe.pump = nil
	pipe.in = inflow{}
	over := p.endsS()
	for k := 0; float64(k)*dt <= end; k++ {
		t := float64(k) * dt
		if k%(30*every) == 0 {
			warm(t)
		}
		now := p.gauge.ideal(&pipe.at[far])
		if k%every == 0 {
			h.shown = append(h.shown, now)
		}
		if t >= settleS && t <= over {
			h.peakPa, h.totalPa = max(h.peakPa, now), max(h.totalPa, pipe.at[far].total())
		}
		switch {
		case now <= p.limitPa && t <= settleS:
			h.crossesS = -1 // it fell back while settling
		case now > p.limitPa && h.crossesS < 0 && t <= over:
			h.crossesS = t
		}
		if k == 0 {
			h.startPa = now
		}
		if t <= over {
			h.endPa, h.in = now, pipe.in
		}
		pipe.step(dt)
	}
	return h
}

// ideal is the curve t seconds after the begin, or before it.
func (h held) ideal(t float64) float64 {
	if t < 0 {
		return h.before[len(h.before)-1+int(math.Floor(t))]
	}
	return h.shown[int(t)]
}

// tell writes the trial.
func (p *holdPlan) tell(r *rand.Rand, h held, tail float64) Trial {
	begin := time.Date(2026, 3, 1+r.IntN(28), r.IntN(24), r.IntN(60), r.IntN(60), 0, time.UTC)
	var rows []Row
	mark := func(t float64, kind, name string) {
		rows = append(rows, Row{Time: afterS(begin, t), Kind: kind, Name: name})
	}
	over := p.endsS() + tail
	for t := -min(beforeS, float64(len(h.before)-1)); t < over; t += p.gauge.everyS {
		p.gauge.follow(h.ideal(t), p.gauge.everyS)
		row := p.gauge.row(afterS(begin, t), t)
		if inside(p.gaps, t) {
			continue
		}
		if g := which(p.late, t); g != nil {
			row.Known = afterS(begin, g.from+g.length+0.4)
		}
		rows = append(rows, row)
	}
	wall := &drift{r: r, spread: 0.05, tau: 60}
	for t := -beforeS; t < over; t += 20 {
		c := p.wall(t) + wall.after(20)
		rows = append(rows, Row{Time: afterS(begin, t), Kind: "reading", Name: "pipe-wall", Value: text(toDigit(c, 0.0625), 4), Unit: "C"})
	}
	if chance(r, 0.5) {
		mark(-3, "mark", "isolated")
	}
	mark(0, "begin", "vacuum-hold")
	mark(over, "end", "vacuum-hold")
	return Trial{Site: p.site(), TakeOff: p.lines.csv(), Rows: sorted(rows), Truth: p.truth(h)}
}

func inside(gaps []gap, t float64) bool { return which(gaps, t) != nil }

func which(gaps []gap, t float64) *gap {
	for i, g := range gaps {
		if t > g.from && t < g.from+g.length {
			return &gaps[i]
		}
	}
	return nil
}

func (p *holdPlan) site() string {
	return `# Invented: a vacuum hold at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: R-410A
  takeoff: ` + TakeOffName + `
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: ` + text(p.gauge.everyS, 0) + `s}
  - {name: pipe-wall, measures: temperature, role: pipe-air, unit: C, every: 20s}
steps:
  vacuum-hold: {limit: ` + text(p.limitPa/micronPa, 0) + ` micron, lasts: ` + text(p.lastsS/60, 0) + `min}
`
}

func (p *holdPlan) truth(h held) []Fact {
	cause := h.cause()
	chi2 := p.visible(h, cause)
	leak, water := h.shares()
	pure := "no"
	if max(leak, water) >= purely {
		pure = "yes"
	}
	visible := "no"
	if chi2 > visibleChi2 {
		visible = "yes"
	}
	return []Fact{
		{Name: "class", Word: p.class}, {Name: "cause", Word: cause}, {Name: "pure", Word: pure},
		{Name: "leak_share", Number: six(leak)}, {Name: "water_share", Number: six(water)}, {Name: "result", Word: p.result(h)},
		{Name: "peak_pa", Number: six(h.peakPa)}, {Name: "peak_total_pa", Number: six(h.totalPa)}, {Name: "start_pa", Number: six(h.startPa)},
		{Name: "end_pa", Number: six(h.endPa)}, {Name: "crosses_s", Number: six(h.crossesS)}, {Name: "limit_pa", Number: six(p.limitPa)},
		{Name: "lasts_s", Number: p.lastsS}, {Name: "leak_pa_m3_per_s", Number: six(h.leak)}, {Name: "volume_m3", Number: six(p.m3)},
		{Name: "wall_c", Number: six(p.wallC)}, {Name: "gas_factor", Number: p.gauge.factor}, {Name: "noise", Number: six(p.gauge.spread())},
		{Name: "noise_slow", Number: six(p.gauge.slow)}, {Name: "correlation_10s", Number: six(p.gauge.alike(10))},
		{Name: "correlation_60s", Number: six(p.gauge.alike(60))}, {Name: "visible", Word: visible}, {Name: "visible_chi2", Number: six(chi2)},
		{Name: "gap_s", Number: six(p.longestGap())}, {Name: "every_s", Number: p.gauge.everyS},
	}
}

// result is what may be said of the hold: above its limit at the begin and
// still so once settled it has not started, a long gap proves no pass.
func (p *holdPlan) result(h held) string {
	late := h.startPa > p.limitPa && h.shown[int(settleS)] > p.limitPa
	switch {
	case late:
		return "not-started"
	case h.peakPa > p.limitPa:
		return "failed"
	case p.longestGap() > 600:
		return "not-proven"
	}
	return "passed"
}

// Shares of the rise: a cause that has five sixths of it is the cause, and
// pure from 95 % on.
const (
	mostly = 5.0 / 6
	purely = 0.95
)

// shares are those of the leak and of water in what came in, as the gauge shows it.
func (h held) shares() (leak, water float64) {
	leak, water = max(h.in.leak, 0), max(h.factor*h.in.water, 0)
	all := leak + water + max(h.in.other, 0)
	if all <= 0 {
		return 0, 0
	}
	return leak / all, water / all
}

// cause is what made the gauge rise.
func (h held) cause() string {
	leak, water := h.shares()
	switch {
	case h.endPa < 1.1*h.startPa:
		return "none"
	case leak >= mostly:
		return "leak"
	case water >= mostly:
		return "moisture"
	case leak+water >= mostly:
		return "leak-and-moisture"
	}
	return "unknown"
}

func six(x float64) float64 {
	if x == 0 {
		return 0
	}
	scale := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}
