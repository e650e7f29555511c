package trial

import "math"

// The pipework under vacuum is a chain of sections from the pump's end to the
// far end, each with its own temperature, and what lies between them conducts.
// Two gases are followed, air (with nitrogen) and water vapour, as partial
// pressures. Every step is solved backward in time for all sections at once,
// so a short stub beside a long pipe is no trouble.

// section is a stretch of pipework.
type section struct {
	m3, tempC   float64
	air, vapour float64 // Pa
	leak        float64 // Pa m3/s of air from outside
	molecular   bool    // a fine pore: inflow in proportion to the difference; else to that of squares
	seep        *seep
	hose        *hoseGas
	films       []film
	puddle      *puddle
	toNext      duct // to the section after it
}

func (s *section) total() float64 { return s.air + s.vapour }

// duct is what lies between two sections.
type duct struct {
	boreM, lengthM float64
	shut           bool
	seepsM3S       float64 // where shut
}

// film is moisture held by walls and oil: its own pressure, how much gas it
// holds at a pressure, and how fast it exchanges.
type film struct {
	pa, holdsM3, givesM3S float64
}

// seep is gas trapped behind a closed valve that does not quite close.
type seep struct {
	m3, pa, m3PerS float64
}

// passes is what comes through in the next dt seconds, at the difference of
// pressure now: less than at first, for what is behind the valve runs out.
func (s *seep) passes(dt float64) float64 {
	return s.m3PerS / (1 + float64(s.m3PerS*dt/s.m3))
}

// hoseGas is what a rubber hose lets through and gives off: a steady part, and
// one that falls with the square root of the time under vacuum (diffusion out
// of a thick wall).
type hoseGas struct {
	steady, first, s float64 // Pa m3/s, the same after a minute, seconds under vacuum
}

func (h *hoseGas) gives(dt float64) float64 {
	h.s += dt
	return h.steady + float64(h.first*math.Sqrt(60/max(h.s, 60)))
}

// conductance of a round tube in m3/s for air: Poiseuille's law and Knudsen's
// for molecular flow with his bridge between them (M. Knudsen, Ann. Phys. 28
// (1909) 75, as printed in vacuum handbooks; from memory).
func conductance(boreM, lengthM, meanPa, tempC float64) float64 {
	rt := gasJ / airKg * (tempC + zeroC) // J/kg
	d3 := boreM * boreM * boreM
	viscous := math.Pi * d3 * boreM * meanPa / (128 * airPaS * lengthM)
	x := meanPa * boreM / (airPaS * math.Sqrt(rt))
	molecular := math.Sqrt(2*math.Pi*rt) * d3 / (6 * lengthM) * (1 + x) / (1 + float64(1.24*x))
	return viscous + molecular
}

// inflow sums what came in since it was last cleared, in Pa m3.
type inflow struct{ leak, water, other float64 }

// pipework is the chain, with the pump at section 0.
type pipework struct {
	at     []section
	pump   *pump // nil: shut off
	in     inflow
	s      float64
	a, b   []float64 // of the linear equations
	c, d   []float64
	passes []float64 // of each duct
}

func (p *pipework) prepare() {
	n := len(p.at)
	p.a, p.b, p.c, p.d, p.passes = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
}

// leakInto is what comes in from outside: choked or nearly so, far below the
// atmosphere.
func (s *section) leakInto() float64 {
	x := max(0, 1-s.total()/atmosphere)
	if !s.molecular {
		x *= 1 + s.total()/atmosphere
	}
	return s.leak * x
}

// step lets dt seconds pass.
func (p *pipework) step(dt float64) {
	if p.a == nil {
		p.prepare()
	}
	n := len(p.at)
	for i := 0; i+1 < n; i++ {
		a, b := &p.at[i], &p.at[i+1]
		if a.toNext.shut {
			p.passes[i] = a.toNext.seepsM3S
		} else {
			p.passes[i] = conductance(a.toNext.boreM, a.toNext.lengthM, (a.total()+b.total())/2, a.tempC)
		}
	}
	drawn := 0.0
	if p.pump != nil {
		drawn = p.pump.at(p.at[0].total())
	}
	p.stepAir(dt, drawn)
	p.stepVapour(dt, drawn)
	p.s += dt
}

// open sets the equations of one gas up: what each section holds, and the ducts.
func (p *pipework) open(dt, drawn float64, held func(*section) float64) {
	n := len(p.at)
	for i := range p.at {
		v := p.at[i].m3 / dt
		p.a[i], p.b[i], p.c[i], p.d[i] = 0, v, 0, v*held(&p.at[i])
		if i > 0 {
			p.a[i] = -p.passes[i-1]
			p.b[i] += p.passes[i-1]
		}
		if i+1 < n {
			p.c[i] = -p.passes[i]
			p.b[i] += p.passes[i]
		}
	}
	p.b[0] += drawn
}

// solve is Thomas's elimination; the result stands in d.
func (p *pipework) solve() {
	n := len(p.at)
	for i := 1; i < n; i++ {
		w := p.a[i] / p.b[i-1]
		p.b[i] -= float64(w * p.c[i-1])
		p.d[i] -= float64(w * p.d[i-1])
	}
	p.d[n-1] /= p.b[n-1]
	for i := n - 2; i >= 0; i-- {
		p.d[i] = (p.d[i] - float64(p.c[i]*p.d[i+1])) / p.b[i]
	}
}

func (p *pipework) stepAir(dt, drawn float64) {
	p.open(dt, drawn, func(s *section) float64 { return s.air })
	for i := range p.at {
		s := &p.at[i]
		q := float64(s.leakInto())
		p.in.leak += float64(q * dt)
		if s.hose != nil {
			h := s.hose.gives(dt)
			p.in.other += float64(h * dt)
			q += h
		}
		if s.seep != nil {
			g := s.seep.passes(dt)
			p.b[i] += g
			q += float64(g * s.seep.pa)
		}
		p.d[i] += q
	}
	p.solve()
	for i := range p.at {
		s := &p.at[i]
		s.air = p.d[i]
		if s.seep != nil {
			through := float64(s.seep.passes(dt) * (s.seep.pa - s.air) * dt)
			p.in.other += through
			s.seep.pa -= through / s.seep.m3
		}
	}
}

func (p *pipework) stepVapour(dt, drawn float64) {
	p.open(dt, drawn, func(s *section) float64 { return s.vapour })
	type offer struct{ pa, m3PerS float64 }
	var offers [16]offer
	for i := range p.at {
		s := &p.at[i]
		slow := 1 / (1 + s.air/denseAirPa)
		for _, f := range s.films {
			p.b[i] += float64(slow * f.givesM3S)
			p.d[i] += float64(slow * f.givesM3S * f.pa)
		}
		if s.puddle != nil {
			pa, g := s.puddle.offers(s.air, s.tempC, dt)
			offers[i] = offer{pa, g}
			p.b[i] += g
			p.d[i] += float64(g * pa)
		}
	}
	p.solve()
	for i := range p.at {
		s := &p.at[i]
		slow := 1 / (1 + s.air/denseAirPa)
		s.vapour = p.d[i]
		for k := range s.films {
			f := &s.films[k]
			gave := float64(slow * f.givesM3S * (f.pa - s.vapour) * dt)
			f.pa -= gave / f.holdsM3
			p.in.water += gave
		}
		if s.puddle != nil && s.puddle.kg > 0 {
			gave := float64(offers[i].m3PerS * (offers[i].pa - s.vapour) * dt)
			s.puddle.gave(gave, s.tempC, s.tempC, dt)
			p.in.water += gave
		}
	}
}

// warm brings a section to a temperature: the gas in it follows at once.
func (s *section) warm(tempC float64) {
	ratio := (tempC + zeroC) / (s.tempC + zeroC)
	s.air *= ratio
	s.vapour *= ratio
	for k := range s.films { // Clausius and Clapeyron: what a wall holds is held less
		t1, t2 := s.tempC+zeroC, tempC+zeroC
		s.films[k].pa *= math.Exp(evaporateJ * waterKg / gasJ * (1/t1 - 1/t2))
	}
	s.tempC = tempC
}

// pump is a rotary vane pump behind its hose. Its speed at the hose's far end
// is worked out once for a ladder of pressures.
type pump struct {
	m3PerS, ultimatePa float64
	tired              float64 // share of its speed lost at the atmosphere
	boreM, lengthM     float64 // of the hose
	ladder             []float64
}

const (
	ladderFromPa = 0.1
	ladderSteps  = 40 // a decade
	ladderRungs  = 6*ladderSteps + 10
)

// own is the pump's speed at its own inlet: flat, falling to nothing at its
// ultimate pressure, a little less near the atmosphere (from memory of pump
// curves).
func (p *pump) own(pa float64) float64 {
	if pa <= p.ultimatePa {
		return 0
	}
	return p.m3PerS * (1 - p.ultimatePa/pa) * (1 - float64(p.tired*pa/atmosphere))
}

// passes is what goes through the hose, in Pa m3/s: laminar and molecular flow
// by Knudsen, but no more than turbulent flow with a loss at its ends allows
// (isothermal flow of a gas; friction by Blasius; textbook formulas).
func (p *pump) passes(fromPa, toPa float64) float64 {
	laminar := conductance(p.boreM, p.lengthM, (fromPa+toPa)/2, 20) * (fromPa - toPa)
	rt := gasJ / airKg * (20 + zeroC)
	area := math.Pi / 4 * p.boreM * p.boreM
	kgPerS := laminar / rt
	for range 8 {
		re := max(1, 4*kgPerS/(math.Pi*p.boreM*airPaS))
		loss := 0.316/math.Sqrt(math.Sqrt(re))*p.lengthM/p.boreM + 1.5 + 2*math.Log(max(fromPa/max(toPa, 1e-3), 1))
		kgPerS = (kgPerS + float64(area*math.Sqrt((float64(fromPa*fromPa)-float64(toPa*toPa))/(rt*loss)))) / 2
	}
	return min(laminar, kgPerS*rt)
}

// at is the speed at the hose's far end in m3/s.
func (p *pump) at(pa float64) float64 {
	if p.ladder == nil {
		p.climb()
	}
	x := float64(math.Log10(max(pa, ladderFromPa)/ladderFromPa) * ladderSteps)
	i := min(int(x), ladderRungs-2)
	return p.ladder[i] + float64((p.ladder[i+1]-p.ladder[i])*min(x-float64(i), 1))
}

func (p *pump) climb() {
	p.ladder = make([]float64, ladderRungs)
	for i := range p.ladder {
		pa := ladderFromPa * math.Pow(10, float64(i)/ladderSteps)
		low, high := 0.0, pa
		for range 36 {
			mid := (low + high) / 2
			if p.passes(pa, mid) > p.own(mid)*mid {
				low = mid
			} else {
				high = mid
			}
		}
		p.ladder[i] = p.own(high) * high / pa
	}
}
