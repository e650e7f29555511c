package rules

import (
	"slices"
	"time"

	"standwatch/sensors"
)

// This file proposes what to ask of the units next. A plan is a list of runs,
// and a run says of each unit heat (1), cool (-1) or fan only (0). It follows
// what was done so far, whatever that was, and demands nothing.

// branchMany is the number of units above which asking one after the other
// takes so long that the code is proposed.
const branchMany = 12

// PlanAlone asks each of some of n units by itself.
func PlanAlone(n int, some []int, what int8) (plan [][]int8) {
	for _, i := range some {
		run := make([]int8, n)
		run[i] = what
		plan = append(plan, run)
	}
	return plan
}

// PlanCoded asks some of n units by the binary digits of their numbers: in each
// pair of runs those with the digit heat while the others cool, and then the
// reverse, so that every room's own valve is open in every run. Of two units it
// is the pair's test: one heats, one cools.
func PlanCoded(n int, some []int) (plan [][]int8) {
	for digit := 0; digit == 0 || 1<<digit < len(some); digit++ {
		run, reverse := make([]int8, n), make([]int8, n)
		for number, i := range some {
			run[i] = int8(2*(number>>digit&1) - 1)
			reverse[i] = -run[i]
		}
		plan = append(plan, run, reverse)
	}
	return plan
}

// PlanPairs asks each two of some of n units to cool together: where it is too
// warm to heat it shows whether each opens the other's room.
func PlanPairs(n int, some []int) (plan [][]int8) {
	for k, a := range some {
		for _, b := range some[k+1:] {
			run := make([]int8, n)
			run[a], run[b] = -1, -1
			plan = append(plan, run)
		}
	}
	return plan
}

// plan is the whole plan as far as it can be seen, and how often each of its
// runs was done.
func (j *branchCheck) plan(now time.Duration) (plan [][]int8, done map[string]int) {
	n := len(j.units)
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	what := int8(1)
	if j.tooWarm() {
		what = -1
	}
	done = map[string]int{}
	coded, begun := n > branchMany && what > 0, false
	for _, r := range j.held(now) {
		heat, cool := askedOf(r.asked)
		if !j.said(r.asked) {
			continue
		}
		done[runKey(r.asked)]++
		alike := n > 1 && max(heat, cool) == n // a trial run still stands: it tells nobody apart
		if heat+cool > 0 && !alike && !begun { // it goes on as a person has begun
			coded, begun = heat+cool > 1, true
		}
	}
	if rest := make([]int8, n); !begun || done[runKey(rest)] > 0 {
		plan = append(plan, rest)
	}
	if coded {
		plan = append(plan, PlanCoded(n, all)...)
	} else {
		for _, i := range all {
			run, reverse := PlanAlone(n, []int{i}, what), PlanAlone(n, []int{i}, -what)
			if done[runKey(reverse[0])] > 0 { // it may be asked either way
				run = reverse
			}
			plan = append(plan, run...)
		}
	}
	if j.view == nil || slices.ContainsFunc(plan, func(run []int8) bool { return done[runKey(run)] == 0 }) {
		return plan, done
	}
	// What answered nothing alone, or not clearly, is tried together; what stands
	// by itself once more, for a defrost may have taken its answer.
	t := j.told(j.view, j.newest)
	again := slices.Concat(t.half, t.dead, t.unclear)
	slices.Sort(again)
	switch {
	case len(again) < 2:
		plan = append(plan, PlanAlone(n, again, what)...)
	case what < 0:
		plan = append(plan, PlanPairs(n, again)...)
	default:
		plan = append(plan, PlanCoded(n, again)...)
	}
	return plan, done
}

// runKey is a run as a key of a map.
func runKey(run []int8) string {
	key := make([]byte, len(run))
	for i, w := range run {
		key[i] = byte(w)
	}
	return string(key)
}

// complete reports whether there is nothing left to ask.
func (j *branchCheck) complete(now time.Duration) bool {
	ask, _ := j.next(now)
	return ask == nil
}

// held are the runs that were left to work, the present one among them.
func (j *branchCheck) held(now time.Duration) (held []branchRun) {
	for _, r := range append(slices.Clone(j.runs), branchRun{j.since, now, j.asked}) {
		if r.to-r.from >= j.settle {
			held = append(held, r)
		}
	}
	return held
}

// said reports whether a run was told: of one in which all rest, each unit's own
// state, for one that nobody has spoken of may still be running.
func (j *branchCheck) said(run []int8) bool {
	heat, cool := askedOf(run)
	return heat+cool > 0 || !slices.Contains(j.words, "")
}

func askedOf(run []int8) (heat, cool int) {
	for _, w := range run {
		switch w {
		case 1:
			heat++
		case -1:
			cool++
		}
	}
	return heat, cool
}

// next is the run to ask now: the one under way until it has worked, else the
// first of the plan that was not done.
func (j *branchCheck) next(now time.Duration) (ask *Ask, left time.Duration) {
	if len(j.units) == 0 {
		return nil, -1
	}
	plan, done := j.plan(now)
	show, wanted := -1, map[string]int{}
	for k, run := range plan {
		key := runKey(run)
		wanted[key]++
		if wanted[key] <= done[key] {
			continue
		}
		left += j.settle
		switch {
		case ask == nil && j.heard && j.said(run) && now-j.since < j.settle && slices.Equal(run, j.asked):
			ask = j.asking(run, k+1, len(plan))
			ask.Left = j.since + j.settle - now
			left += ask.Left - j.settle
		case show < 0:
			show = k
		}
	}
	switch {
	case ask != nil:
		return ask, left
	case show < 0:
		return nil, 0
	}
	ask = j.asking(plan[show], show+1, len(plan))
	ask.Left = -1
	return ask, left
}

func (j *branchCheck) asking(run []int8, at, of int) *Ask {
	a := &Ask{Run: at, Of: of}
	var heat, cool []string
	for i, w := range run {
		what := "fan"
		switch w {
		case 1:
			what, heat = "heat", append(heat, unitName(j.units[i]))
		case -1:
			what, cool = "cool", append(cool, unitName(j.units[i]))
		}
		a.Commands = append(a.Commands, Asked{j.names[i], what})
	}
	a.Sentence = branchAsk(heat, cool, len(run)-len(heat)-len(cool), j.settle)
	return a
}

// Outlook says who has answered, and what to ask next.
func (j *branchCheck) Outlook(at Instant) Outlook {
	now := max(0, j.clock.of(at.Since))
	o := Outlook{Elapsed: now, Left: -1, Sure: "too early to say", Quantity: sensors.Temperature}
	o.Next, o.Left = j.next(now)
	w := branchStand{elapsed: now, units: len(j.units), running: o.Next}
	show := slices.IndexFunc(j.asked, func(a int8) bool { return a != 0 })
	for i := range j.airs {
		a := &j.airs[i]
		if show < 0 && a.measured {
			show = i
		}
		if !a.measured {
			w.blind = append(w.blind, unitName(j.units[i]))
		}
	}
	if show >= 0 {
		x := &j.airs[show].supply
		if o.Point = x.point; len(x.n) > 0 {
			o.Figure, o.HasFig, o.FigAt = Num(x.last.v), true, Instant{at.Boot, j.clock.when(x.last.t)}
		}
	}
	o.Table = &Table{Units: j.names, Cells: make([][]Cell, len(j.units))}
	for i := range o.Table.Cells {
		o.Table.Cells[i] = make([]Cell, len(j.units))
	}
	if f := j.view; f != nil {
		t := j.told(f, j.newest)
		o.Values = rounded([]Value{{"straight_units", float64(len(t.straight))}, {"crossed_units", float64(len(t.crossed))}, {"dead_units", float64(len(t.dead))}, {"margin_k", f.marginK}})
		o.Table.Cells, o.Table.Leaks = f.cells, f.leaks
		for _, i := range t.crossed {
			o.Table.Pairs = append(o.Table.Pairs, Pair{j.names[i], j.names[f.room[i]]})
		}
		o.Table.Dead = j.of(t.dead)
		for i, name := range j.names {
			if f.tried[i] {
				o.Table.Asked = append(o.Table.Asked, name)
			}
		}
		w.tried, w.straight, w.crossed, w.dead = t.asked, len(t.straight), j.answersOf(f, t.crossed), j.roomsOf(t.dead)
		if o.Next == nil && len(t.unclear)+len(t.untried)+len(t.blind) == 0 {
			o.Sure = "sure"
		}
	}
	for i, u := range j.units {
		o.Units = append(o.Units, j.stand(i, u))
	}
	o.Sentence = branchStands(w)
	return o
}

// stand is how one unit stands.
func (j *branchCheck) stand(i int, u Unit) UnitStand {
	s := UnitStand{Unit: u.Name, Asked: j.words[i]}
	if x := &j.airs[i].supply; len(x.n) > 0 {
		s.Values = append(s.Values, Value{"supply_c", Num(x.last.v)})
	}
	if !j.airs[i].measured {
		s.Result, s.Cause = NotProven, "missing"
		s.Sentence = branchNoSensor(unitName(u))
		return s
	}
	f := j.view
	if f == nil {
		return s
	}
	t := j.told(f, j.newest)
	switch r := f.room[i]; {
	case slices.Contains(t.straight, i):
		s.Result, s.Cause = Passed, "none"
		s.Sentence = branchItself(f.answers[i][i].k())
		s.Values = append(s.Values, Value{"response_k", Num(f.answers[i][i].k())})
	case slices.Contains(t.crossed, i):
		s.Result, s.Cause = NotPassed, "crossed"
		s.Sentence = branchOther(unitName(j.units[r]), f.answers[i][r].k())
		s.Values = append(s.Values, Value{"response_k", Num(f.answers[i][r].k())})
	case slices.Contains(t.half, i):
		s.Result, s.Cause, s.Sentence = NotPassed, "one-pipe", branchOnlyBeside()
	case slices.Contains(t.dead, i):
		s.Result, s.Cause, s.Sentence = NotPassed, "dead", branchNobody()
	}
	return s
}
