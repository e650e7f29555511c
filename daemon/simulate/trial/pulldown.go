package trial

import (
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

const pulldownDoc = `The pull-down: a pump draws air from the whole pipework, or from a part of it because valves have shut.
Invented: every figure is drawn. Ranges and where they come from:
  pipework 40 to 200 l (common practice), coils 1 to 3 l each (from memory); its true volume within 10 % of the stated one
  pump 1 to 4.7 l/s (2 to 10 cfm) within 10 % of its plate, flat, a little less near the atmosphere (from memory);
  hose 0.9 to 3 m of 6.4 to 19 mm bore, laminar, molecular and turbulent flow
  shut off: nothing, less than 20 %, or 40 to 90 % of the volume; from the start of a pull or in the middle of one; some valves seep
  absolute transducer of 0.1 kPa digits with noise to 0.15 kPa and an offset of about 0.1 kPa (field guide: 0 to 200 kPa), or none;
  thermal gauge that ends at 25,000 micron; a reading each 1 to 10 s; water in some pipes, which may be warm
Facts: shut_share of the volume, shut_pull (0: none), shut_at_s after the begin, shut_at_pa;
window_share: the share shut off on the way from 100 to 25 torr of that pull; proof: what the instruments could prove it by
(pump: speed and volume stated; earlier: a whole pull before; both; none, also where it fell before the step's begin);
expect: flag where 40 % or more was shut off on that way and there is proof, none where nothing was shut, else either.`

const (
	pullStepS   = 0.5
	windowHiPa  = 100 * torrPa
	windowLowPa = 25 * torrPa
	pullFlag    = 0.4 // the share that must be told
)

// pullPlan is all that is drawn before the physics runs.
type pullPlan struct {
	lines           *lines
	coils           string // how their volume is stated: take-off, site-file, unknown
	m3, stated      float64
	known           bool // the pump is stated
	plateM3S        float64
	pump            pump
	wallC, humidity float64
	puddleKg        float64
	puddleGives     float64
	fromPa          float64
	pulls           int
	shutPull        int // 1 the first; 0: none
	share           float64
	splitShare      float64 // of the volume behind the valve, shut or not
	shutAtPa        float64 // +Inf: before the pull
	seepsS          float64 // in which what is behind the valve comes through; 0: it does not
	gaugeAt         int
	gauge           *vacuumGauge
	absolute        *manifoldGauge
	marks           bool
	mostS           float64 // of a pull
}

// manifoldGauge is an absolute transducer at the manifold.
type manifoldGauge struct {
	r                    *rand.Rand
	noisePa, offPa, gain float64
	everyS               float64
}

func (a *manifoldGauge) row(at time.Time, pa float64) Row {
	v := float64(pa*a.gain) + a.offPa + float64(a.noisePa*a.r.NormFloat64())
	return Row{Time: at, Kind: "reading", Name: "manifold", Value: text(toDigit(max(0, v)/1000, 0.1), 1), Unit: "kPa"}
}

func makePulldown(r *rand.Rand) Trial {
	p := planPull(r)
	w := &pulling{plan: p, r: r, share: math.NaN(),
		begin: time.Date(2026, 3, 1+r.IntN(28), r.IntN(24), r.IntN(60), r.IntN(60), 0, time.UTC)}
	w.run()
	return Trial{Site: p.site(), TakeOff: p.lines.csv(), Rows: sorted(w.rows), Truth: p.truth(w)}
}

func planPull(r *rand.Rand) *pullPlan {
	p := &pullPlan{coils: pick(r, "take-off", "site-file", "site-file", "unknown"), known: chance(r, 0.65), pulls: 1}
	p.lines = newLines(r, p.coils == "take-off")
	p.stated = p.lines.takeOffM3
	if p.coils == "site-file" {
		p.stated += p.lines.coilsM3
	}
	p.m3 = (p.lines.takeOffM3 + p.lines.coilsM3) * between(r, 0.9, 1.1)
	p.plateM3S = toDigit(between(r, 1, 4.7), 0.1) / 1000
	p.pump = pump{m3PerS: p.plateM3S * between(r, 0.9, 1.1), ultimatePa: spreadOver(r, 1, 8), tired: 0.1,
		boreM: pick(r, 0.0064, 0.008, 0.0095, 0.0127, 0.019), lengthM: toDigit(between(r, 0.9, 3), 0.1)}
	p.wallC, p.humidity = between(r, 4, 34), between(r, 0.3, 0.8)
	if chance(r, 0.4) {
		p.puddleKg, p.puddleGives = spreadOver(r, 0.5, 50)/1000, spreadOver(r, 1e-5, 2e-3)
	}
	p.fromPa = atmosphere
	if chance(r, 0.1) {
		p.fromPa = between(r, 4e4, 9e4)
	}
	if chance(r, 0.4) {
		p.pulls = 2
	}
	p.drawShut(r)
	p.gauge, p.gaugeAt = newVacuumGauge(r), 3
	if chance(r, 0.1) {
		p.gaugeAt = 7
	}
	if chance(r, 0.8) {
		p.absolute = &manifoldGauge{r: r, noisePa: spreadOver(r, 10, 150), offPa: 100 * r.NormFloat64(), gain: 1 + float64(0.002*r.NormFloat64()),
			everyS: pick(r, 1.0, 2, 2, 5, 10)}
	}
	p.marks, p.mostS = chance(r, 0.6), between(r, 1200, 2400)
	return p
}

func (p *pullPlan) drawShut(r *rand.Rand) {
	p.splitShare = between(r, 0.1, 0.9)
	switch x := r.Float64(); {
	case x < 0.4:
		return
	case x < 0.85:
		p.share = between(r, 0.4, 0.9)
	default:
		p.share = between(r, 0.03, 0.2)
	}
	p.splitShare, p.shutPull = p.share, p.pulls
	p.shutAtPa = math.Inf(1)
	if chance(r, 0.35) {
		p.shutAtPa = spreadOver(r, 800, 8e4)
	}
	if chance(r, 0.3) {
		p.seepsS = spreadOver(r, 3600, 72000)
	}
}

// pulling is the job while it is done.
type pulling struct {
	plan     *pullPlan
	r        *rand.Rand
	pipe     *pipework
	rows     []Row
	begin    time.Time
	s        float64
	nextG    float64
	nextA    float64
	shutAtS  float64
	shutAtPa float64
	// On the way from 100 to 25 torr of the pull that counts:
	share, lnSum, lastPa float64
	fallS, hiS           float64
	unseen               bool // the first pull fell before the step had begun: nobody was looking
}

const valveAt = 3 // the valve lies behind this section

func (w *pulling) run() {
	p := w.plan
	w.pipe = &pipework{at: p.lines.sections(p.m3, p.wallC)}
	w.split()
	for i := range w.pipe.at {
		s := &w.pipe.at[i]
		s.vapour = p.humidity * saturatedPa(p.wallC) * p.fromPa / atmosphere
		s.air = p.fromPa - s.vapour
	}
	if p.puddleKg > 0 {
		w.pipe.at[2].puddle = newPuddle(p.puddleKg, 60, 0.5, p.puddleGives, p.wallC)
	}
	w.shutAtS = -1
	early := w.r.IntN(4) == 0 // the pump runs before the box is told
	w.mark(0, "begin", "evacuation")
	w.s, w.nextG, w.nextA = -60, -60, -60
	if early {
		w.wait(between(w.r, 0, 50))
	} else {
		w.wait(60 + between(w.r, 10, 200))
	}
	for n := 1; n <= p.pulls; n++ {
		if n == p.shutPull && math.IsInf(p.shutAtPa, 1) {
			w.shut()
		}
		w.pull(n)
		if n < p.pulls {
			w.nitrogen()
		}
	}
	w.mark(w.s, "end", "evacuation")
}

// split puts the drawn share of the volume behind the valve.
func (w *pulling) split() {
	near, far := 0.0, 0.0
	for i, s := range w.pipe.at {
		if i <= valveAt {
			near += s.m3
		} else {
			far += s.m3
		}
	}
	behind := float64(w.plan.splitShare * (near + far))
	for i := range w.pipe.at {
		if i <= valveAt {
			w.pipe.at[i].m3 *= (near + far - behind) / near
		} else {
			w.pipe.at[i].m3 *= behind / far
		}
	}
}

func (w *pulling) mark(t float64, kind, name string) {
	w.rows = append(w.rows, Row{Time: afterS(w.begin, t), Kind: kind, Name: name})
}

func (w *pulling) shut() {
	d := &w.pipe.at[valveAt].toNext
	d.shut = true
	if w.plan.seepsS > 0 {
		d.seepsM3S = w.plan.share * w.plan.m3 / w.plan.seepsS
	}
	w.shutAtS, w.shutAtPa = w.s, w.pipe.at[0].total()
}

// wait lets time pass, and the instruments speak.
func (w *pulling) wait(s float64) {
	for end := w.s + s; w.s < end; {
		w.tick()
	}
}

func (w *pulling) tick() {
	p := w.plan
	w.pipe.step(pullStepS)
	w.s += pullStepS
	p.gauge.follow(p.gauge.ideal(&w.pipe.at[p.gaugeAt]), pullStepS)
	if w.s >= w.nextG {
		w.rows = append(w.rows, p.gauge.row(afterS(w.begin, w.s), w.s))
		w.nextG = w.s + p.gauge.everyS
	}
	if p.absolute != nil && w.s >= w.nextA {
		w.rows = append(w.rows, p.absolute.row(afterS(w.begin, w.s), w.pipe.at[0].total()))
		w.nextA = w.s + p.absolute.everyS
	}
	if math.Mod(w.s, 30) == 0 {
		c := toDigit(p.wallC+float64(0.05*w.r.NormFloat64()), 0.0625)
		w.rows = append(w.rows, Row{Time: afterS(w.begin, w.s), Kind: "reading", Name: "pipe-wall", Value: text(c, 4), Unit: "C"})
	}
}

// pull pumps until the gauge is deep enough, or the technician has had enough.
func (w *pulling) pull(n int) {
	p := w.plan
	target := pick(w.r, 2500.0, 1500, 1000) * micronPa
	if n == p.pulls {
		target = pick(w.r, 1500.0, 500, 300) * micronPa
	}
	pump := p.pump
	pump.m3PerS *= between(w.r, 0.98, 1.02) // warmer oil, another ballast (from memory)
	w.pipe.pump = &pump
	if p.marks {
		w.mark(w.s, "mark", "pump-started")
	}
	w.share, w.lnSum, w.fallS, w.lastPa = 0, 0, -1, w.pipe.at[0].total()
	from := w.s
	for w.s-from < p.mostS {
		w.tick()
		pa := w.pipe.at[0].total()
		if n == p.shutPull && !w.pipe.at[valveAt].toNext.shut && pa <= p.shutAtPa {
			w.shut()
		}
		w.follow(pa)
		if w.s-from > 240 && p.gauge.ideal(&w.pipe.at[p.gaugeAt]) <= target {
			break
		}
	}
	w.wait(between(w.r, 60, 300))
	w.pipe.pump = nil
	if p.marks {
		w.mark(w.s, "mark", "pump-stopped")
	}
}

// follow sums what is shut on the way from 100 to 25 torr, by the logarithm of
// the pressure, as a pump feels it.
func (w *pulling) follow(pa float64) {
	if w.lastPa >= windowHiPa && pa < windowHiPa {
		w.hiS = w.s
		w.unseen = w.unseen || w.s < 0
	}
	if pa < windowHiPa && w.lastPa > windowLowPa && w.lastPa > pa {
		ln := math.Log(min(w.lastPa, windowHiPa) / max(pa, windowLowPa))
		w.lnSum += ln
		if w.pipe.at[valveAt].toNext.shut {
			w.share += float64(w.plan.share * ln)
		}
		if pa <= windowLowPa {
			w.fallS = w.s - w.hiS
		}
	}
	w.lastPa = pa
}

// windowShare is the share that was shut on that way.
func (w *pulling) windowShare() float64 {
	if w.lnSum == 0 {
		return 0
	}
	return w.share / w.lnSum
}

// nitrogen breaks the vacuum, waits and vents.
func (w *pulling) nitrogen() {
	if w.plan.marks {
		w.mark(w.s, "mark", "nitrogen-break")
	}
	to := atmosphere + between(w.r, 5e3, 2e4)
	rate := to / between(w.r, 60, 180)
	for w.pipe.at[0].total() < to {
		for i := range w.pipe.at {
			if i <= valveAt || !w.pipe.at[valveAt].toNext.shut {
				w.pipe.at[i].air += float64(rate * pullStepS)
			}
		}
		w.tick()
	}
	w.wait(between(w.r, 300, 900))
	for i := range w.pipe.at {
		s := &w.pipe.at[i]
		if over := s.total() / atmosphere; over > 1 {
			s.air, s.vapour = s.air/over, s.vapour/over
		}
	}
	w.wait(between(w.r, 20, 90))
}

func (p *pullPlan) site() string {
	var b strings.Builder
	b.WriteString(`# Invented: a pull-down at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: R-410A
  takeoff: ` + TakeOffName + "\n")
	if p.coils == "site-file" {
		b.WriteString("  indoor_units:\n")
		for i := range p.lines.units {
			b.WriteString("    - {name: iu" + text(float64(101+i), 0)[1:] + ", volume: " + text(p.lines.coilsM3/float64(p.lines.units)*1000, 3) + " l}\n")
		}
	}
	b.WriteString("points:\n  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: " + text(p.gauge.everyS, 0) + "s}\n" +
		"  - {name: pipe-wall, measures: temperature, role: pipe-air, unit: C, every: 30s}\n")
	if p.absolute != nil {
		b.WriteString("  - {name: manifold, measures: absolute-pressure, role: absolute-pressure, unit: kPa, every: " + text(p.absolute.everyS, 0) + "s}\n")
	}
	b.WriteString("steps:\n  evacuation: {target: 500 micron")
	if p.known {
		b.WriteString(", pump: " + text(p.plateM3S*1000, 1) + " l/s, hose-bore: " + text(p.pump.boreM*1000, 1) + " mm, hose-length: " + text(p.pump.lengthM, 1) + " m")
	}
	b.WriteString("}\n")
	return b.String()
}

// proof is what the instruments could prove a shut part by.
func (p *pullPlan) proof(w *pulling) string {
	pump := p.absolute != nil && p.known && p.coils != "unknown"
	earlier := p.absolute != nil && p.pulls > 1 && !w.unseen
	pump = pump && (p.pulls > 1 || !w.unseen)
	switch {
	case pump && earlier:
		return "both"
	case pump:
		return "pump"
	case earlier:
		return "earlier"
	}
	return "none"
}

func (p *pullPlan) truth(w *pulling) []Fact {
	window := w.windowShare()
	expect := "either"
	switch {
	case p.shutPull == 0:
		expect = "none"
	case window >= pullFlag && p.proof(w) != "none":
		expect = "flag"
	}
	water := "no"
	if p.puddleKg > 0 {
		water = "yes"
	}
	absolute := "no"
	if p.absolute != nil {
		absolute = "yes"
	}
	return []Fact{
		{Name: "expect", Word: expect}, {Name: "proof", Word: p.proof(w)}, {Name: "coils", Word: p.coils}, {Name: "absolute", Word: absolute},
		{Name: "shut_share", Number: six(p.share)}, {Name: "window_share", Number: six(window)}, {Name: "shut_pull", Number: float64(p.shutPull)},
		{Name: "pulls", Number: float64(p.pulls)}, {Name: "shut_at_s", Number: six(w.shutAtS)}, {Name: "shut_at_pa", Number: six(w.shutAtPa)},
		{Name: "volume_m3", Number: six(p.m3)}, {Name: "stated_m3", Number: six(p.stated)}, {Name: "pump_m3_per_s", Number: six(p.pump.m3PerS)},
		{Name: "hose_bore_m", Number: p.pump.boreM},
		{Name: "fall_100_to_25_torr_s", Number: six(w.fallS)}, {Name: "wall_c", Number: six(p.wallC)}, {Name: "water", Word: water},
		{Name: "water_kg", Number: six(p.puddleKg)},
	}
}
