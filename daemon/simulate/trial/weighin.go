package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

const weighInDoc = `Draw-in and weigh-in on a platform scale: cylinders with a heel, hand valves, swaps, kicks, silence.
The draw-in dies away as the line's pressure meets the cylinder's; with the compressor running a hand valve meters
0.02 to 2 kg/min, is turned and shut now and then, and is closed on time, early or late. Cylinders are swapped with
their mark, with a late one or with none. The scale may fall silent for 10 s to 20 min and come back with its gross
weight or zeroed under its load, hold its last value, send what it kept late, creep, drift, stand in the wind, be
kicked for less than 10 s or carry a hose laid on it. The box may lose its power. True: what left the cylinders
(charged_kg), when the target was reached (arrival_s), and by how much it was passed; times are s from the first row.`

// Rates, creep, wind and bumps are the field guide's ranges (step 3); what it
// does not give is common practice or our choice, and invented.
type weighing struct {
	r     *rand.Rand
	begun time.Time
	t     float64 // s since then
	rows  []Row

	// What is true.
	charged  float64 // kg that left the cylinders
	net      float64 // kg in the cylinder on the scale
	tare     float64
	heel     float64 // kg that stay in it as vapour
	contents float64 // kg with which cylinders come
	lifted   bool    // it is not on the platform
	open     bool
	metered  float64 // kg/s by the hand valve; 0: the draw-in's own way
	full     float64 // kg at which the draw-in has met the cylinder's pressure
	tau      float64 // s of the draw-in
	bend     float64 // 1: exponential
	rate     float64 // kg/s now

	scale  scale
	boxOff float64 // until when the box has no power
	lost   float64 // the share of readings that never come
	when   []triggered
	later  []timed
	seen   truthSeen
}

// triggered is what happens once a mass has gone in.
type triggered struct {
	kg float64
	do func()
}

// timed is what happens at a time.
type timed struct {
	t  float64
	do func()
}

// truthSeen is what the truth is told of at the end.
type truthSeen struct {
	targetKg, digitKg     float64
	near, arrival, over   float64 // s; NaN: never
	rateThen              float64
	touched               float64 // s: the valve, a bump or a silence last changed what the scale can see of the flow
	steady                float64 // s before the arrival
	drawn, unweighed      float64
	swaps, unmarked, bump int
	silent, frozen, cut   float64
	rezeroed, late, shift bool
	flowed, unseen        bool
	restored              bool
	still, missed         bool // the scale was read standing still since the valve was shut or a cylinder put on; once it was not
	stands                standing
	passing               []passing
	foretells             foretelling
	zeroed                int
	startPlatform         float64
	blind                 float64 // the longest stretch without a live reading, from 5 min before the target to 30 s after passing
}

const tick = 0.1 // s

func makeWeighIn(r *rand.Rand) Trial {
	w := newWeighing(r)
	steps := pick(r, "both", "both", "both", "weigh-in", "weigh-in", "draw-in")
	w.disturb()
	w.run(between(r, 20, 120))
	closeAt := w.seen.targetKg + w.misses()
	if steps != "weigh-in" {
		w.drawIn(closeAt, steps == "both")
	}
	if steps == "both" {
		w.betweenSteps()
	}
	if steps != "draw-in" {
		w.weighIn(closeAt)
	}
	w.run(between(r, 10, 60))
	return Trial{Site: w.site(), Rows: sorted(w.rows), Truth: w.truth(steps)}
}

func newWeighing(r *rand.Rand) *weighing {
	w := &weighing{
		r: r, begun: time.Date(2026, 6, 12, 19, r.IntN(60), r.IntN(60), 0, time.UTC),
		tau: spreadOver(r, 120, 900), bend: pick(r, 1, 1, between(r, 0.7, 1.3)),
		contents: pick(r, 9.0, 10.0, 11.3, 22.7, 50.0), lost: pick(r, 0, 0, 0.01, 0.03),
	}
	w.seen.targetKg = math.Round(between(r, 2.5, 22)*10) / 10
	w.seen.near, w.seen.arrival, w.seen.over = math.NaN(), math.NaN(), math.NaN()
	w.seen.foretells.at = math.NaN()
	w.full = w.seen.targetKg * between(r, 0.4, 0.9) // 50 to 80 % is usual (the field guide, from memory)
	if chance(r, 0.1) {
		w.full = w.seen.targetKg * between(r, 1, 1.3)
	}
	w.full = min(w.full, 2.8/60*w.tau) // a hose lets 3 kg/min pass at most (common practice)
	w.scale = newScale(r)
	w.seen.digitKg = w.scale.digit
	w.newCylinder(between(r, 0.4, 1))
	w.scale.reset(w.load())
	return w
}

// newCylinder is one more or less full.
func (w *weighing) newCylinder(fill float64) {
	w.net = w.contents * fill
	w.tare = w.contents * between(w.r, 0.45, 0.8)
	w.seen.stands.another()
	w.heel = w.contents * between(w.r, 0.06, 0.08) // 0.78 kg in a cylinder of 11.9 l: 7 % (the field guide)
	w.lifted = false
}

// load is what the platform carries.
func (w *weighing) load() float64 {
	if w.lifted {
		return 0
	}
	return w.tare + w.net
}

// run lets time pass.
func (w *weighing) run(s float64) { w.until(s, func() bool { return false }) }

// until lets time pass until something is so, at most for so many seconds.
func (w *weighing) until(s float64, so func() bool) {
	for end := w.t + s; w.t < end && !so(); {
		w.flow()
		w.t += tick
		for len(w.when) > 0 && w.charged >= w.when[0].kg {
			do := w.when[0].do
			w.when = w.when[1:]
			do()
		}
		for len(w.later) > 0 && w.t >= w.later[0].t {
			do := w.later[0].do
			w.later = w.later[1:]
			do()
		}
		w.read()
	}
}

// flow moves what one tick lets pass.
func (w *weighing) flow() {
	w.rate = 0
	if !w.open || w.lifted {
		return
	}
	left := max(0, w.net-w.heel)
	supply := 1 - math.Exp(-left/0.15) // the dip of the last liquid
	w.rate = w.metered * supply
	if w.metered == 0 {
		w.rate = w.full / w.tau * math.Pow(max(0, 1-w.charged/w.full), w.bend) * supply
	}
	kg := min(w.rate*tick, left)
	w.net -= kg
	w.charged += kg
	s := &w.seen
	if !s.flowed {
		s.flowed, s.startPlatform = true, w.scale.platform(w.t)
	}
	if math.IsNaN(s.arrival) && w.charged >= s.targetKg {
		s.arrival, s.rateThen, s.steady = w.t, w.rate, w.t-s.touched
	}
	if math.IsNaN(s.near) && w.charged >= s.targetKg-0.2 {
		s.near = w.t
	}
	if math.IsNaN(s.over) && w.charged > s.targetKg+s.digitKg {
		s.over = w.t
	}
}

// touch notes that what the scale sees of the flow changes now, and may knock
// the scale: a hand on the valve.
func (w *weighing) touch() {
	w.seen.touched = w.t
	if chance(w.r, 0.4) {
		w.scale.bump(w.t, between(w.r, 0.5, 3), between(w.r, -0.3, 0.3))
	}
}

// tell marks something, or as soon as the box has power again.
func (w *weighing) tell(kind, name, note string) {
	at := w.t
	if at < w.boxOff {
		at = w.boxOff + 2
	}
	w.rows = append(w.rows, Row{Time: afterS(w.begun, at), Kind: kind, Name: name, Note: note})
}

// misses is by how much the valve is closed too late, in kg.
func (w *weighing) misses() float64 {
	switch x := w.r.Float64(); {
	case x < 0.4:
		return 0.02 * w.r.NormFloat64()
	case x < 0.55:
		return -between(w.r, 0.05, 0.4)
	}
	return spreadOver(w.r, 0.05, 1)
}

func (w *weighing) opens() {
	w.mustBeSeen()
	w.seen.stands.over()
	w.open = true
	w.touch()
}

func (w *weighing) shuts() {
	w.open, w.seen.still = false, false
	w.touch()
}

// mustBeSeen notes where a cylinder begins to give, or is taken off, and no
// reading of it standing still is there: nobody could find what it gave.
func (w *weighing) mustBeSeen() { w.seen.missed = w.seen.missed || !w.seen.still && !w.open }

func (w *weighing) drawIn(closeAt float64, more bool) {
	r := w.r
	w.tell("begin", "draw-in", "")
	w.seen.still = false
	w.seen.stands.unheard()
	w.run(between(r, 15, 150))
	w.opens()
	patient := pick(r, 0.015, 0.018, 0.1, 0.3) / 60 // kg/s at which the technician calls it done
	done := func() bool { return w.charged >= closeAt || w.charged > 0.3*w.full && w.rate < patient && !w.empty() }
	for end := w.t + 7200; w.t < end && !done(); {
		w.until(min(600, end-w.t), func() bool { return done() || w.empty() })
		if w.empty() && !done() {
			w.swap()
		}
	}
	if !more || !chance(r, 0.12) {
		w.shuts()
	}
	w.run(between(r, 20, 400))
	w.wakeScale()
	w.mustBeSeen()
	if more && chance(r, 0.15) {
		return // nobody ends it: the weigh-in's begin does
	}
	w.tell("end", "draw-in", "")
	w.seen.drawn = w.charged
}

// betweenSteps is the count of units and the preheat; shorter than it would be.
func (w *weighing) betweenSteps() {
	w.run(between(w.r, 30, 900))
	if w.seen.drawn == 0 {
		w.seen.drawn = w.charged
	}
	w.open = false
	if chance(w.r, 0.15) {
		w.swap()
		w.open = false
	}
	w.run(between(w.r, 20, 60))
}

func (w *weighing) weighIn(closeAt float64) {
	r := w.r
	w.tell("begin", "weigh-in", "")
	w.seen.still = false
	if w.charged == 0 {
		w.seen.stands.unheard()
	}
	w.run(between(r, 15, 200))
	speed := spreadOver(r, 0.08, 0.6) / 60 // 0.1 to 0.5 kg/min is usual (the field guide, from memory)
	if chance(r, 0.15) {
		speed = spreadOver(r, 0.6, 2) / 60
	}
	w.metered = speed
	for end := w.t + 4*3600; w.t < end && w.charged < closeAt; {
		if !w.open {
			w.opens()
		}
		w.until(between(r, 120, 900), func() bool { return w.charged >= closeAt || w.empty() })
		switch {
		case w.charged >= closeAt:
		case w.empty():
			w.swap()
		case chance(r, 0.3): // the valve is turned
			w.metered = min(2.0/60, max(0.02/60, w.metered*between(r, 0.6, 1.6)))
			w.touch()
		case chance(r, 0.25): // and shut for a while
			w.shuts()
			w.run(between(r, 30, 300))
		}
	}
	w.shuts()
	w.run(between(r, 60, 300))
	w.wakeScale()
	w.mustBeSeen()
	w.tell("end", "weigh-in", "")
}

// wakeScale waits for a scale that shows nothing, as nobody ends a weighing
// without having looked; seldom somebody does.
func (w *weighing) wakeScale() {
	if last := max(w.scale.silent, w.scale.frozen, w.boxOff); w.t < last {
		if chance(w.r, 0.1) {
			w.seen.unseen = true
			return
		}
		w.run(last - w.t + between(w.r, 15, 60))
	}
}

// empty is when the technician sees that the cylinder gives no more.
func (w *weighing) empty() bool { return w.net < w.heel+0.12 }

// swap changes the cylinder with the valve shut, and marks it or not.
func (w *weighing) swap() {
	r := w.r
	w.shuts()
	w.run(between(r, 8, 60))
	how := pick(r, "before", "after", "after", "after", "late", "never")
	if how == "before" {
		w.tell("mark", "cylinder-swapped", "")
		w.run(between(r, 2, 25))
	}
	w.mustBeSeen()
	w.lifted = true
	w.scale.hose = 0 // what lay on it falls off
	w.run(between(r, 12, 120))
	w.newCylinder(pick(r, 1, 1, 1, between(r, 0.3, 0.9)))
	w.seen.still, w.seen.touched = false, w.t
	if chance(r, 0.3) {
		w.scale.bump(w.t, between(r, 0.5, 4), between(r, -2, 2))
	}
	w.run(between(r, 8, 60))
	switch how {
	case "after":
		w.tell("mark", "cylinder-swapped", "")
	case "late":
		mark := Row{Time: afterS(w.begun, w.t+between(r, 120, 500)), Kind: "mark", Name: "cylinder-swapped"}
		w.rows = append(w.rows, mark)
	case "never":
		w.seen.unmarked++
	}
	w.seen.swaps++
	w.run(between(r, 2, 40))
	w.opens()
}

func (w *weighing) site() string {
	return fmt.Sprintf(`# Invented: a weigh-in at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
points:
  - {name: scale, measures: mass, role: charging-scale, unit: %s, every: %ds, silent_after: %ds}
steps:
  weigh-in: {target: %.1f kg}
`, w.scale.unit, int(w.scale.every), max(10, int(5*w.scale.every)), w.seen.targetKg)
}

func (w *weighing) truth(steps string) []Fact {
	s := &w.seen
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	facts := []Fact{
		{Name: "steps", Word: steps},
		{Name: "target_kg", Number: s.targetKg},
		{Name: "charged_kg", Number: w.charged},
		{Name: "drawn_kg", Number: s.drawn},
		{Name: "digit_kg", Number: s.digitKg},
		{Name: "every_s", Number: w.scale.every},
		{Name: "wind_kg", Number: w.scale.wind.spread},
		{Name: "platform_kg", Number: w.scale.platform(w.t) - s.startPlatform}, // what creep and drift falsify
		{Name: "silent_s", Number: s.silent},
		{Name: "frozen_s", Number: s.frozen},
		{Name: "power_cut_s", Number: s.cut},
		{Name: "late", Word: yes(s.late)},
		{Name: "rezeroed", Word: yes(s.rezeroed)},
		{Name: "restored", Word: yes(s.restored)}, // lifted off, zeroed empty and put back
		{Name: "unweighed_kg", Number: s.unweighed},
		{Name: "zeroed", Number: float64(s.zeroed)},
		{Name: "ended_unseen", Word: yes(s.unseen)}, // a step ended while the scale showed nothing
		{Name: "ends_seen", Word: yes(!s.missed)},   // each cylinder was read standing still before it gave and after
		{Name: "standing_kg", Number: s.stands.gave()},
		{Name: "hose_laid_on", Word: yes(s.shift)},
		{Name: "swaps", Number: float64(s.swaps)},
		{Name: "swaps_unmarked", Number: float64(s.unmarked)},
		{Name: "bumps", Number: float64(s.bump)},
	}
	if !math.IsNaN(s.arrival) {
		facts = append(facts,
			Fact{Name: "near_s", Number: s.near}, // 0.2 kg before it
			Fact{Name: "arrival_s", Number: s.arrival},
			Fact{Name: "arrival_kg_per_s", Number: s.rateThen},
			Fact{Name: "steady_s", Number: s.steady}, // how long before it the valve was untouched and the scale heard and let be
			Fact{Name: "blind_s", Number: s.blind},
			Fact{Name: "over_kg", Number: w.charged - s.targetKg})
		if at := s.foretells.at; !math.IsNaN(at) {
			facts = append(facts, Fact{Name: "near_known_s", Number: at}) // who knew mass and flow by then would tell that it is near
		}
	}
	if !math.IsNaN(s.over) {
		facts = append(facts, Fact{Name: "over_s", Number: s.over}, // one display digit over
			Fact{Name: "over_sigma", Number: w.tells(s.over + max(12, s.digitKg/max(s.rateThen, 1e-6)))})
	}
	return facts
}
