package trial

import (
	"math/bits"
	"slices"
)

// resting is every unit at rest.
func (b *building) resting() []string {
	all := make([]string, len(b.coils))
	for i := range all {
		all[i] = b.rest
	}
	return all
}

// askAll asks of each unit what is new to it, one after the other, and lets
// the time pass that it takes. Watched are the coils that should answer.
func (b *building) askAll(what []string, watched []int) {
	pause := pick(b.r, 0, 0, 1, 3) // s from unit to unit, at a central controller
	spent := 0.0
	for i, w := range what {
		if b.asked[i] == w {
			continue
		}
		b.asked[i] = w
		late := 0.0
		if b.later > 0 {
			late = between(b.r, 2, b.later)
		}
		b.tell("command", unitName(i), w, late)
		spent += float64(pause)
		for ; spent >= branchTick; spent -= branchTick {
			b.settle()
			b.step()
			b.read()
		}
	}
	b.capacity = between(b.r, 1, 1.2)
	b.settle()
	for _, k := range watched {
		b.coils[k].reached = b.coils[k].reached[:0]
	}
}

// run lets time pass. What the watched coils reach is noted; where the
// technician waits for a defrost, its time is added.
func (b *building) run(s float64, watched []int) {
	for end := b.t + s; b.t < end; {
		b.settle()
		b.step()
		b.read()
		if b.waits && b.t < b.defrostTo {
			end += branchTick
		}
		if int(b.t)%30 != 0 {
			continue
		}
		for _, k := range watched {
			c := b.coils[k]
			c.reached = append(c.reached, c.effect*float64(c.pending))
		}
	}
}

// noted is the response that each watched coil had for a minute of the run.
func (b *building) noted(watched []int) {
	for _, k := range watched {
		had := slices.Clone(b.coils[k].reached)
		slices.Sort(had)
		slices.Reverse(had)
		v := 0.0
		if len(had) >= 2 {
			v = had[1]
		}
		if b.seen.runs == 0 || v < b.seen.least {
			b.seen.least = v
		}
		b.seen.runs++
	}
}

// stage asks, waits and notes.
func (b *building) stage(what []string, s float64) {
	var watched []int // who should answer, and can
	for i, w := range what {
		k := b.feeds[b.hw[i]]
		if sense(w) == 0 || b.coils[b.hw[i]].dead || b.coils[b.shownBy(k)].noSensor || b.coils[k].disobeysTo > 0 {
			continue
		}
		open := sense(what[slices.Index(b.hw, k)]) != 0 || b.ajar > 0
		if open && (b.liquid[k] == k || sense(what[slices.Index(b.hw, b.liquid[k])]) != 0) {
			watched = append(watched, k)
		}
	}
	b.askAll(what, watched)
	b.run(s, watched)
	b.noted(watched)
}

// shownBy is the sensor that hangs in the air of coil k.
func (b *building) shownBy(k int) int { return slices.Index(b.shows, k) }

// waitS is how long the technician waits: 10 min by the field guide, and a bit.
func (b *building) waitS() float64 { return between(b.r, 600, 840) }

func (b *building) oneAtATime() {
	r := b.r
	order := make([]int, len(b.coils))
	for i := range order {
		order[i] = i
	}
	if chance(r, 0.2) {
		r.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
	what := "cool"
	if b.heating {
		what = "heat"
	}
	back := pick(r, 0, 300, between(r, 300, 700)) // s of rest between two units
	var silent []int
	for _, i := range order {
		ask := b.resting()
		ask[i] = what
		b.stage(ask, b.waitS())
		if k := b.feeds[b.hw[i]]; b.coils[k].pending == 0 || b.coils[b.hw[i]].dead {
			silent = append(silent, i)
		}
		if back > 0 {
			b.askAll(b.resting(), nil)
			b.run(back, nil)
		}
	}
	if len(silent) > 1 && b.outC < 27 && chance(r, 0.75) { // one of the two is asked to heat
		b.inPairs(silent, back)
	}
}

// inPairs asks two of those that answered nothing alone: one heats, one cools.
func (b *building) inPairs(silent []int, back float64) {
	b.seen.pairTried = true
	slices.Sort(silent)
	done := map[int]bool{}
	for gap := 1; gap < len(silent); gap++ {
		for x := 0; x+gap < len(silent); x++ {
			i, j := silent[x], silent[x+gap]
			if done[i] && done[j] {
				continue
			}
			ask := b.resting()
			ask[i], ask[j] = "heat", "cool"
			b.stage(ask, b.waitS())
			if b.coils[b.feeds[b.hw[i]]].pending != 0 && !b.coils[b.hw[i]].dead {
				done[i] = true
			}
			if b.coils[b.feeds[b.hw[j]]].pending != 0 && !b.coils[b.hw[j]].dead {
				done[j] = true
			}
			if back > 0 {
				b.askAll(b.resting(), nil)
				b.run(back, nil)
			}
		}
	}
}

// coded asks by each bit of a unit's number, and by its complement: one half
// heats, the other cools.
func (b *building) coded() {
	r := b.r
	n := len(b.coils)
	number := make([]int, n)
	for i := range number {
		number[i] = i
	}
	if chance(r, 0.3) {
		r.Shuffle(n, func(i, j int) { number[i], number[j] = number[j], number[i] })
	}
	from := pick(r, 0, 1) // numbered from
	if bits.Len(uint(n-1+from)) > bits.Len(uint(n-1)) {
		from = 0
	}
	for bit := range bits.Len(uint(n - 1 + from)) {
		for _, one := range []string{"heat", "cool"} {
			ask := make([]string, n)
			for i := range ask {
				ask[i] = one
				if (number[i]+from)>>bit&1 == 0 {
					ask[i] = map[string]string{"heat": "cool", "cool": "heat"}[one]
				}
			}
			b.stage(ask, b.waitS())
		}
	}
}
