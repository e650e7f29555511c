package trial

import (
	"cmp"
	"slices"
)

// disturb draws what goes wrong, and at which mass.
func (w *weighing) disturb() {
	r := w.r
	at := func(do func()) {
		w.when = append(w.when, triggered{w.seen.targetKg * between(r, 0.05, 1.02), do})
	}
	if chance(r, 0.45) {
		at(w.fallSilent)
	}
	if chance(r, 0.1) {
		at(w.fallSilent)
	}
	if chance(r, 0.08) {
		at(w.freeze)
	}
	if chance(r, 0.08) {
		at(w.powerCut)
	}
	if chance(r, 0.1) {
		at(w.zeroMidRun)
	}
	if chance(r, 0.12) {
		at(w.layHoseOn)
	}
	for range r.IntN(5) {
		at(w.kick)
	}
	slices.SortFunc(w.when, func(a, b triggered) int { return cmp.Compare(a.kg, b.kg) })
}

// busy is while one upset is under way: two at once would leave no truth that
// anybody could find.
func (w *weighing) busy() bool {
	return w.lifted || w.t < w.scale.silent || w.t < w.scale.frozen || w.t < w.boxOff
}

// fallSilent is a scale that switches itself off, a flat battery, or a radio
// that is lost: 10 s to 20 min. Most come back with the gross weight; some are
// zeroed as they start, with the cylinder on them; some send late what they kept.
func (w *weighing) fallSilent() {
	if w.busy() {
		return
	}
	r, s := w.r, &w.scale
	span := spreadOver(r, 10, 1200)
	if w.rate > 0 { // not more than a cylinder would give: people notice
		span = min(span, 0.6*(w.net-w.heel)/w.rate)
	}
	s.silent = w.t + max(span, 10)
	s.buffers = chance(r, 0.12)
	if s.buffers {
		w.seen.late = true
	} else {
		w.seen.silent += s.silent - w.t
	}
	w.seen.touched = s.silent
	if s.buffers || !chance(r, 0.3) {
		return
	}
	before := w.charged
	w.seen.rezeroed = true
	w.later = append(w.later, timed{s.silent, func() {
		w.seen.unweighed += w.charged - before
		s.tared(w.t, w.load())
		if chance(r, 0.3) {
			w.tell("mark", "scale-zeroed", "")
		}
		if chance(r, 0.35) && !w.lifted {
			w.run(between(r, 30, 120))
			w.restore()
		}
	}})
}

// restore is what the box asks for when a scale has come back zeroed under its
// load: the cylinder is lifted off, the empty platform zeroed, and the cylinder
// put back. From then on the gross weight is right again.
func (w *weighing) restore() {
	if w.busy() {
		return
	}
	r, open := w.r, w.open
	if open {
		w.shuts()
	}
	w.run(between(r, 8, 20))
	w.lifted = true
	w.scale.hose = 0
	w.run(between(r, 12, 40))
	w.scale.tared(w.t, 0)
	w.tell("mark", "scale-zeroed", "")
	w.run(between(r, 5, 15))
	w.lifted = false
	w.seen.still, w.seen.touched, w.seen.restored = false, w.t, true
	w.run(between(r, 12, 40))
	if open {
		w.opens()
	}
}

// freeze is a display that holds its last value.
func (w *weighing) freeze() {
	if w.busy() {
		return
	}
	span := spreadOver(w.r, 20, 400)
	w.scale.frozen = w.t + span
	w.seen.frozen += span
	w.seen.touched = w.scale.frozen
}

// powerCut takes the box's power; the scale weighs on.
func (w *weighing) powerCut() {
	if w.busy() {
		return
	}
	span := spreadOver(w.r, 10, 900)
	w.boxOff = w.t + span
	w.seen.cut += span
	w.seen.touched = w.boxOff
	note := pick(w.r, "", "unproven")
	w.rows = append(w.rows, Row{Time: afterS(w.begun, w.boxOff), Kind: "mark", Name: "power-cut", Note: note})
}

// zeroMidRun is somebody who presses the button with the cylinder on.
func (w *weighing) zeroMidRun() {
	if w.busy() {
		return
	}
	w.scale.tared(w.t, w.load())
	w.seen.zeroed++
	w.seen.touched = w.t
	if chance(w.r, 0.7) {
		w.tell("mark", "scale-zeroed", "")
	}
}

// layHoseOn is a weight that stays: 0.05 to 0.5 kg more, or less.
func (w *weighing) layHoseOn() {
	if w.busy() {
		return
	}
	w.scale.hose += float64(spreadOver(w.r, 0.05, 0.5) * pick(w.r, -1.0, 1.0))
	w.seen.shift = true
	w.seen.touched = w.t
}

// kick is a bump of less than 10 s, 0.05 to 2 kg (the field guide).
func (w *weighing) kick() {
	if w.busy() {
		return
	}
	w.scale.bump(w.t, between(w.r, 0.5, 9), spreadOver(w.r, 0.05, 2)*pick(w.r, -1.0, 1.0))
	w.seen.bump++
	w.seen.touched = w.scale.bumped
}
