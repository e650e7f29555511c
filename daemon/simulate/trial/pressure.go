package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

const pressureDoc = `A nitrogen pressure test of 1 to 24 h at up to 550 psi, in stages or at once. The pipework lies in parts of their own
temperature: a roof in sun and cloud, a shaft, a ceiling, rooms that are heated in the morning. Filling warms the gas,
and that dies away. Clamps lag, sit badly and are off by some tenths of a kelvin; the transducer's zero moves with its
temperature; the barometer moves by up to 2 kPa, and not every box has one. Kinds: tight; a leak of 0.3 to 15 times what
such a test can see (from the start, later, or only at the top stage); crept (the regulator adds gas); opened (a valve to
another part); vented (a rupture, or somebody). True: kind, leak_pa_m3_per_s at the test's pressure, volume_m3; times are
s from the first row. lost_pa is what left the pipe after the last stage was reached, as a pressure.`

const psi = 6894.757293168361 // Pa

// pressing is a pressure test as it truly goes.
type pressing struct {
	r     *rand.Rand
	begun time.Time
	t     float64
	rows  []Row
	pipe  gasPipe
	sky   sky
	probe []*clamp
	gauge transducer

	kind     string
	finalPa  float64 // gauge, aimed at
	lastsS   float64
	finalS   float64 // when the last stage was reached; NaN: not yet
	finalMol float64
	eventS   float64 // when it leaks, opens, vents; s after the last stage was reached
	leak     float64 // Pa m3/s at the last stage
	viscous  bool
	topOnly  bool
	ventS    float64 // s: time constant
	otherM3  float64 // what a valve opens to
	opened   bool
	flow     float64 // mol/s of filling
	takeOff  string
	tookM3   float64 // by the take-off
	boxOff   float64
	cut      float64
	cutNote  string // unproven: nobody knows its length
	gap      float64
	lowC     float64 // of the outdoor air since the last stage
	highC    float64
	volumes  bool // the site says which volume a clamp stands for
	begunS   float64
	started  float64 // Pa gauge at the last stage
}

func makePressureTest(r *rand.Rand) Trial {
	p := &pressing{
		r: r, begun: time.Date(2026, time.Month(1+r.IntN(12)), 3+r.IntN(20), 7+r.IntN(12), r.IntN(60), r.IntN(60), 0, time.UTC),
		finalS: math.NaN(), lowC: math.Inf(1), highC: math.Inf(-1),
		finalPa: pick(r, 550.0, 550.0, 550.0, 500.0, 400.0, 300.0) * psi,
		lastsS:  3600 * pick(r, 24.0, 24.0, 24.0, 1.0, 2.0, 3.0, 6.0),
		volumes: chance(r, 0.5),
	}
	p.layPipes()
	p.sky = newSky(r, p.begun)
	p.placeInstruments()
	p.choose()
	for _, s := range p.pipe.parts {
		s.wallC = p.sky.around(s.place)
		s.gasC = s.wallC
	}
	for _, c := range p.probe {
		c.c = c.of.wallC
	}
	p.pipe.hold(airPa)
	p.work()
	return Trial{Site: p.site(), TakeOff: p.takeOff, Rows: sorted(p.rows), Truth: p.truth()}
}

// choose draws what is wrong with this test, if anything.
func (p *pressing) choose() {
	r := p.r
	switch x := r.Float64(); {
	case x < 0.45:
		p.kind = "tight"
	case x < 0.75:
		p.kind = "leak"
	case x < 0.84:
		p.kind = "crept"
	case x < 0.92:
		p.kind = "opened"
	default:
		p.kind = "vented"
	}
	p.leak = p.seen() * spreadOver(r, 0.3, 15)
	p.viscous = chance(r, 0.8)
	p.topOnly = chance(r, 0.25)
	p.eventS = 0
	if p.kind == "leak" && chance(r, 0.15) {
		p.eventS = p.lastsS * between(r, 0.1, 0.5)
	}
	if p.kind == "opened" || p.kind == "vented" {
		p.eventS = p.lastsS * between(r, 0.08, 0.9)
	}
	p.ventS = spreadOver(r, 5, 90)
	p.otherM3 = p.pipe.m3() * spreadOver(r, 0.02, 0.4)
}

// seen is the smallest leak such a test can see by the field guide's budget
// (step 1): 0.3 K of the gas, 3 kPa of the transducer, 0.5 kPa of its display.
// It only sets the range from which leaks are drawn.
func (p *pressing) seen() float64 {
	kelvin := 0.3 * 14.5e3 * p.finalPa / (550 * psi)
	return p.pipe.m3() * 2 * math.Sqrt(float64(kelvin*kelvin)+9.25e6) / p.lastsS
}

// work is what the technician does: the stages, the wait, the end.
func (p *pressing) work() {
	r := p.r
	stages := []float64{p.finalPa}
	if chance(r, 0.7) {
		stages = []float64{50 * psi, 150 * psi, p.finalPa} // common practice
	}
	p.run(between(r, 20, 120))
	early := chance(r, 0.6) // the step begins before the filling, or when it is done
	if early {
		p.begin()
	}
	for i, pa := range stages {
		p.fill(pa)
		if i < len(stages)-1 {
			p.run(pick(r, between(r, 180, 420), between(r, 900, 2400)))
		}
	}
	if chance(r, 0.8) { // looked at once it has cooled, and topped up where that shows
		p.run(between(r, 300, 1500))
		if p.pipe.pa-p.sky.pa < 0.99*p.finalPa {
			p.fill(p.finalPa)
		}
	}
	if !early {
		p.run(between(r, 5, 120))
		p.begin()
	}
	p.finalS, p.finalMol, p.started = p.t, p.pipe.mol, p.pipe.pa-p.sky.pa
	end := max(p.finalS+p.lastsS, p.begunS+p.lastsS) + between(r, 120, 1800)
	if chance(r, 0.08) {
		p.quiet(p.finalS+float64(between(r, 0.1, 0.9)*p.lastsS), min(spreadOver(r, 60, 1500), 0.1*p.lastsS))
	}
	for p.t < end {
		p.step()
	}
	p.tell("end", "pressure-test", "")
	for until := p.t + 120; p.t < until; {
		p.step()
	}
}

func (p *pressing) begin() {
	p.begunS = p.t
	p.tell("begin", "pressure-test", "")
}

// quiet is a stretch of which the log has nothing: the box had no power, or
// the readings were lost.
func (p *pressing) quiet(from, span float64) {
	p.boxOff, p.gap = from, span
	if chance(p.r, 0.4) {
		p.cut, p.cutNote = span, pick(p.r, "", "unproven")
		p.rows = append(p.rows, Row{Time: afterS(p.begun, from+span), Kind: "mark", Name: "power-cut", Note: p.cutNote})
	}
}

func (p *pressing) tell(kind, name, note string) {
	p.rows = append(p.rows, Row{Time: afterS(p.begun, p.t), Kind: kind, Name: name, Note: note})
}

func (p *pressing) run(s float64) {
	for end := p.t + s; p.t < end; {
		p.step()
	}
}

// fill opens the regulator until the gauge shows a stage's pressure.
func (p *pressing) fill(pa float64) {
	// 1 to 4 bar a minute (common practice).
	p.flow = between(p.r, 1, 4) * 1e5 / 60 * p.pipe.m3() / (molarR * 295)
	for end := p.t + 7200; p.t < end && p.pipe.pa-p.sky.pa < pa; {
		p.step()
	}
	p.flow = 0
}

// step lets some seconds pass: few while gas moves fast.
func (p *pressing) step() {
	dt := min(10, p.gauge.every)
	sinceFinal := p.t - p.finalS
	if fast := !math.IsNaN(p.finalS) && sinceFinal > p.eventS-20 && sinceFinal < p.eventS+600 && (p.kind == "opened" || p.kind == "vented"); fast || p.flow > 0 {
		dt = min(dt, 1)
	}
	p.t += dt
	p.sky.after(dt)
	was := p.pipe.mol / p.pipe.m3()
	p.exchange(dt, sinceFinal)
	p.pipe.settle()
	p.warm(dt, math.Log(p.pipe.mol/p.pipe.m3()/was))
	if !math.IsNaN(p.finalS) {
		p.lowC, p.highC = min(p.lowC, p.sky.outC), max(p.highC, p.sky.outC)
	}
	p.read(dt)
}

// exchange is the gas that comes and goes.
func (p *pressing) exchange(dt, sinceFinal float64) {
	p.pipe.mol += float64(p.flow * dt)
	gauge := p.pipe.pa - p.sky.pa
	leaks := p.kind == "leak" && (!p.topOnly || gauge > 0.6*p.finalPa)
	if math.IsNaN(p.finalS) {
		if leaks && p.eventS == 0 {
			p.pipe.mol -= float64(p.leaks(dt))
		}
		return
	}
	switch {
	case leaks && sinceFinal >= p.eventS:
		p.pipe.mol -= float64(p.leaks(dt))
	case p.kind == "crept" && gauge < 1.08*p.finalPa:
		p.pipe.mol += float64(p.leak / (molarR * 295) * dt)
	case p.kind == "opened" && sinceFinal >= p.eventS && !p.opened:
		// The other part stands at the atmosphere's pressure; it is joined at once.
		room := p.pipe.parts[len(p.pipe.parts)-1]
		n, _ := nitrogenDensity(p.sky.pa, room.gasC, 0)
		room.m3 += p.otherM3
		p.pipe.mol += float64(p.otherM3 * n)
		p.opened = true
	case p.kind == "vented" && sinceFinal >= p.eventS:
		p.pipe.mol -= float64(p.pipe.mol * max(0, gauge) / p.pipe.pa * min(1, dt/p.ventS))
	}
}

// leaks is what a hole lets out: by the difference of the squares of the
// pressures where it flows as a thick gas, else by their difference.
func (p *pressing) leaks(dt float64) float64 {
	full, now := p.finalPa+airPa, p.pipe.pa
	part := (now - p.sky.pa) / (full - airPa)
	if p.viscous {
		part = (float64(now*now) - float64(p.sky.pa*p.sky.pa)) / (float64(full*full) - float64(airPa*airPa))
	}
	return p.leak * max(0, part) / (molarR * 295) * dt
}

// warm moves the temperatures. Gas that is let into a closed room warms it by
// (cp/cv - 1) T for each factor e of density, 117 K, and gives that to the wall:
// in a bore of 20 mm at 38 bar within 30 s by conduction alone (r2/5.8a, a from
// memory), the sooner the thinner it is; corners are slower. The wall takes 16 times as much heat a kelvin at that
// pressure, less at a lower one.
func (p *pressing) warm(dt, denser float64) {
	const (
		perE     = 117.0
		wallTau  = 900.0
		wallPart = 0.06
	)
	dense := p.pipe.pa / (550 * psi)
	part, gasTau := wallPart*dense, 10+float64(30*dense)
	for _, s := range p.pipe.parts {
		s.warmK += float64(perE * denser)
		given := s.warmK * dt / (gasTau + dt)
		s.warmK -= given
		s.wallC += float64(part*given) + float64((p.sky.around(s.place)-s.wallC)*dt/(wallTau+dt))
		s.gasC = s.wallC + s.warmK
	}
	for _, c := range p.probe {
		at := c.of.wallC + float64(c.loose*(p.sky.air(c.of.place)-c.of.wallC))
		c.c += (at - c.c) * dt / (c.tau + dt)
	}
}

func (p *pressing) site() string {
	var s strings.Builder
	fmt.Fprintf(&s, `# Invented: a pressure test at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A, takeoff: %s}
points:
  - {name: gauge, measures: pressure, role: test-pressure, unit: %s, every: %ds}
`, TakeOffName, p.gauge.unit, int(p.gauge.every))
	for _, c := range p.probe {
		volume := ""
		if p.volumes {
			volume = fmt.Sprintf(", volume: %s l", text(1000*c.of.m3, 1))
		}
		fmt.Fprintf(&s, "  - {name: %s, measures: temperature, role: pipe-air, unit: C, every: %ds%s}\n", c.name, int(c.every), volume)
	}
	if p.sky.hasThermometer {
		fmt.Fprintln(&s, "  - {name: ambient, measures: temperature, role: outdoor-air, unit: C, every: 60s}")
	}
	if p.sky.hasBarometer {
		fmt.Fprintln(&s, "  - {name: barometer, measures: absolute-pressure, role: barometer, unit: hPa, every: 60s}")
	}
	fmt.Fprintf(&s, "steps:\n  pressure-test: {target: %.0f psi, lasts: %.0fh}\n", p.finalPa/psi, p.lastsS/3600)
	return s.String()
}

func (p *pressing) truth() []Fact {
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	temperature := "clamps"
	switch {
	case len(p.probe) == 0 && p.sky.hasThermometer:
		temperature = "outdoor-air"
	case len(p.probe) == 0:
		temperature = "none"
	case len(p.probe) < len(p.pipe.parts):
		temperature = "some-clamps"
	}
	meanC := p.pipe.parts[0].gasC
	lost := (p.finalMol - p.pipe.mol) / p.finalMol * (p.started + airPa)
	facts := []Fact{
		{Name: "kind", Word: p.kind},
		{Name: "volume_m3", Number: p.pipe.m3()},
		{Name: "takeoff_m3", Number: p.tookM3},
		{Name: "target_pa", Number: p.finalPa},
		{Name: "lasts_s", Number: p.lastsS},
		{Name: "begin_s", Number: p.begunS},
		{Name: "last_stage_s", Number: p.finalS},
		{Name: "every_s", Number: p.gauge.every},
		{Name: "temperature", Word: temperature},
		{Name: "barometer", Word: yes(p.sky.hasBarometer)},
		{Name: "outdoor_swing_k", Number: p.highC - p.lowC},
		{Name: "roof_gas_c", Number: meanC},
		{Name: "zero_pa_per_k", Number: p.gauge.perK},
		{Name: "gap_s", Number: p.gap},
		{Name: "gap_from_s", Number: p.boxOff},
		{Name: "power_cut_s", Number: p.cut},
		{Name: "power_cut_unproven", Word: yes(p.cutNote != "")},
		{Name: "seen_pa_m3_per_s", Number: p.seen()}, // the smallest leak by the field guide's budget
		{Name: "lost_pa", Number: lost},
	}
	switch p.kind {
	case "leak":
		facts = append(facts, Fact{Name: "leak_pa_m3_per_s", Number: p.leak}, Fact{Name: "leak_over_seen", Number: p.leak / p.seen()},
			Fact{Name: "top_stage_only", Word: yes(p.topOnly)}, Fact{Name: "event_s", Number: p.finalS + p.eventS})
	case "crept":
		facts = append(facts, Fact{Name: "creep_pa_m3_per_s", Number: p.leak}, Fact{Name: "creep_over_seen", Number: p.leak / p.seen()})
	case "opened", "vented":
		facts = append(facts, Fact{Name: "event_s", Number: p.finalS + p.eventS})
		if p.kind == "opened" {
			facts = append(facts, Fact{Name: "opened_m3", Number: p.otherM3})
		}
	}
	return facts
}
