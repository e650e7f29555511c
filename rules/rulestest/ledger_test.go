package rulestest_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

var (
	ledgerSeeds = flag.Uint64("ledger-seeds", 400, "how many invented weigh-ins are judged")
	ledgerFrom  = flag.Uint64("ledger-from", 0, "the first seed")
	ledgerShow  = flag.Int("ledger-show", 0, "how many wrong ones are told")
)

// weighing is an invented weigh-in with its truth. All of it is invented; the
// sizes of what happens to a scale are the field guide's, step 3.
type weighing struct {
	seed          uint64
	every         time.Duration
	digit         float64
	white, wind   float64 // standard deviations of one reading
	gust          float64 // s: the wind's correlation time
	target        float64
	rate          float64 // kg/min
	decays        float64 // min; nought: a steady flow
	swaps, bumps  int
	shift, zeroed bool
	freezes, cut  bool
	unproven      bool
	silences      int
	overshoot     float64

	story    []string
	truth    float64       // kg at the end
	arrives  time.Duration // when the target is in; nought: never
	passRate float64       // kg/min then
	opened   time.Duration // when flow last began before it
	passes   time.Duration // when target and a digit are in
	blind    bool          // nobody weighs when it arrives
	charged  map[string]float64
	result   string
	near     time.Duration
	over     time.Duration
	overTrue float64 // what had truly gone in when it was called
	flags    []string
}

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

func logUniform(r *rand.Rand, lo, hi float64) float64 {
	return lo * math.Exp(r.Float64()*math.Log(hi/lo))
}

// invent makes a weigh-in and judges it.
func invent(seed uint64) *weighing {
	r := rand.New(rand.NewPCG(seed, 11))
	w := &weighing{seed: seed, charged: map[string]float64{}}
	w.every = time.Duration(pick(r, 1., 2, 2, 5, 10, 30) * 1e9)
	w.digit = pick(r, 0.005, 0.005, 0.01, 0.02, 0.05)
	w.white = pick(r, 0, 0.002, 0.004, 0.006)
	if r.IntN(6) == 0 {
		w.wind, w.gust = logUniform(r, 0.01, 0.05), logUniform(r, 1, 15)
	}
	w.target = 3 + 15*r.Float64()
	w.rate = logUniform(r, 0.06, 2)
	if r.IntN(4) == 0 {
		w.rate = logUniform(r, 0.5, 2)
		w.decays = 1.6 * w.target / w.rate
	}
	switch r.IntN(3) {
	case 0:
		w.overshoot = -0.3 - r.Float64()
	case 1:
		w.overshoot = 2*w.digit + 0.02 + 0.4*r.Float64()
	}
	w.swaps = pick(r, 0, 0, 1, 2)
	w.bumps = r.IntN(4)
	w.shift = r.IntN(5) == 0
	w.silences = pick(r, 0, 0, 1, 2)
	w.zeroed = w.silences > 0 && r.IntN(3) == 0
	w.freezes = r.IntN(10) == 0
	w.cut = r.IntN(8) == 0
	w.unproven = r.IntN(2) == 0
	w.run(r)
	return w
}

type event struct {
	at  time.Duration
	did func()
}

func (w *weighing) run(r *rand.Rand) {
	site := rules.Site{Points: []sensors.Point{{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale", Unit: "kg", Every: w.every, SilentAfter: max(10*time.Second, 5*w.every)}},
		Systems: []rules.System{{Steps: map[string]map[string]rules.Setting{"weigh-in": {"target": {Value: w.target, Source: "site file", Given: true}}}}}}
	e := rules.NewEngine(site, []rules.Rule{rules.ChargeTarget})
	seq, boot, bootAt := uint64(0), uint32(1), time.Duration(0)
	var now time.Duration // since the first boot
	flowed := 0.0
	next := func(b rules.Body) {
		seq++
		for _, f := range e.Next(rules.Entry{Seq: seq, At: rules.Instant{Boot: boot, Since: now - bootAt}, Body: b}) {
			switch {
			case f.Edge == rules.Given:
				w.result = f.Result
				for _, v := range f.Values {
					w.charged[v.Key] = v.Number
				}
			case f.Edge == rules.Raised:
				w.flags = append(w.flags, f.Flag)
				if f.Flag == "charge-near-target" && w.near == 0 {
					w.near = now
				}
				if f.Flag == "charge-over-target" && w.over == 0 {
					w.over, w.overTrue = now, flowed
				}
			}
		}
	}
	next(&rules.Started{GapKnown: true})
	next(&rules.Told{Kind: "begin", Name: "weigh-in"})

	// What stands on the scale, and what the scale makes of it.
	gross := 12 + w.target + 20*r.Float64()
	on, zero, hose, bump := true, 0.0, 0.0, 0.0
	open, heard, frozen := false, true, math.NaN()
	step := 100 * time.Millisecond
	stops := w.target + w.overshoot // the valve is shut then
	sec := func(lo, hi float64) time.Duration {
		return (time.Duration((lo+(hi-lo)*r.Float64())*1e9) / step) * step
	}
	tell := func(format string, a ...any) {
		w.story = append(w.story, fmt.Sprintf("%v %.3f kg: ", now, flowed)+fmt.Sprintf(format, a...))
	}
	mark := func(name string) { next(&rules.Told{Kind: "mark", Name: name}) }

	var soon []event
	after := func(d time.Duration, did func()) { soon = append(soon, event{now + d, did}) }
	// What happens at which charged mass.
	type plan struct {
		kg  float64
		did func()
	}
	var plans []plan
	share := func() float64 { return (0.1 + 0.8*r.Float64()) * stops }
	busy := false // one thing at a time
	for range w.swaps {
		plans = append(plans, plan{share(), func() {
			busy, open = true, false
			late := r.IntN(2) == 0
			marked := r.IntN(10) < 7
			tell("swap, marked %v, late %v", marked, late)
			after(max(sec(8, 60), 2*w.every), func() {
				if marked && !late {
					mark("cylinder-swapped")
				}
				on = false
				off := sec(10, 60)
				// An unmarked swap at a scale that is seldom read can only be seen where it takes its time.
				off = max(off, 3*w.every)
				after(off, func() {
					gross, on = 12+5+25*r.Float64(), true
					if marked && late {
						mark("cylinder-swapped")
					}
					after(max(sec(10, 60), 2*w.every), func() { open, busy = true, false })
				})
			})
		}})
	}
	for range w.silences {
		zeroed := w.zeroed
		plans = append(plans, plan{share(), func() {
			busy, heard = true, false
			long := sec(30, 600)
			tell("silent for %v, zeroed %v", long, zeroed)
			after(long, func() {
				if zeroed {
					zero = gross
				}
				heard = true
				after(max(sec(15, 60), 2*w.every), func() { busy = false })
			})
		}})
	}
	for range w.bumps {
		plans = append(plans, plan{share(), func() {
			bump = logUniform(r, 0.05, 2) * pick(r, -1., 1)
			long := sec(0.5, 9.5)
			tell("bump %.3f kg for %v", bump, long)
			after(long, func() { bump = 0 })
		}})
	}
	if w.shift {
		plans = append(plans, plan{share(), func() {
			busy = true
			d := logUniform(r, 0.05, 2) * pick(r, -1., 1)
			tell("shift %.3f kg", d)
			hose += d
			after(40*time.Second, func() { busy = false })
		}})
	}
	if w.freezes {
		plans = append(plans, plan{share(), func() {
			busy, frozen = true, math.Inf(1)
			long := sec(40, 300)
			tell("freezes for %v", long)
			after(long, func() { frozen = math.NaN(); after(30*time.Second, func() { busy = false }) })
		}})
	}
	if w.cut {
		plans = append(plans, plan{share(), func() {
			busy, heard = true, false
			long := sec(20, 300)
			tell("box off for %v, unproven %v", long, w.unproven)
			after(long, func() {
				heard = true
				boot, bootAt = boot+1, now
				gap := &rules.Started{Gap: long, GapKnown: !w.unproven}
				if w.unproven {
					gap.Gap = 0
				}
				next(gap)
				after(30*time.Second, func() { busy = false })
			})
		}})
	}
	begins := sec(20, 150)
	after(max(begins, 2*w.every), func() { open = true; w.opened = now; tell("valve opened") })

	truly := map[time.Duration]float64{}
	drift, last, read := w.wind*r.NormFloat64(), 0.0, time.Duration(0)
	phase := sec(0, w.every.Seconds())
	ends := time.Duration(math.MaxInt64)
	for ; (now < ends || busy) && now < 8*time.Hour; now += step {
		for i := 0; i < len(soon); i++ {
			if soon[i].at <= now {
				did := soon[i].did
				soon = append(soon[:i], soon[i+1:]...)
				i--
				did()
			}
		}
		if open && !busy {
			for i, p := range plans {
				if flowed >= p.kg {
					plans = append(plans[:i], plans[i+1:]...)
					p.did()
					break
				}
			}
		}
		if open {
			rate := w.rate / 60
			if w.decays > 0 {
				rate *= max(0.05, 1-flowed/(1.1*max(stops, w.target)))
			}
			kg := rate * step.Seconds()
			flowed += kg
			gross -= kg
			if w.arrives == 0 && flowed >= w.target {
				w.arrives = now
				w.blind = busy
			}
			if w.passes == 0 && flowed >= w.target+w.digit {
				w.passes, w.passRate = now, rate*60
				w.blind = w.blind || busy
			}
			if flowed >= stops {
				open = false
				tell("valve shut")
				ends = now + max(sec(60, 400), 3*w.every)
			}
		}
		if gross < 12 && on && open { // never empty
			gross += 30
			zero += 30
		}
		if now >= read+phase {
			read += w.every
			k := math.Exp(-w.every.Seconds() / max(w.gust, 0.01))
			drift = k*drift + math.Sqrt(1-k*k)*w.wind*r.NormFloat64()
			v := -zero + bump
			if on {
				v += gross + hose
			}
			truly[now] = v
			v += drift + w.white*r.NormFloat64()
			v = math.Round(v/w.digit) * w.digit
			if !math.IsNaN(frozen) {
				v = last
			}
			last = v
			if heard {
				next(&rules.Measured{Reading: sensors.Mass.Reading("scale", v, "kg"), Taken: now - bootAt})
			}
		}
	}
	w.truth = flowed
	for _, o := range e.Outlooks(rules.Instant{Boot: boot, Since: now - bootAt}) {
		for _, g := range o.Ledger {
			tell("row %d %v..%v %.3f..%.3f (truly %.3f..%.3f): %.4f %.4f %.4f %s %v", g.Cylinder, g.Since+bootAt, g.Until+bootAt, g.FromKg, g.ToKg, truly[g.Since+bootAt], truly[g.Until+bootAt], g.LowKg, g.BestKg, g.HighKg, g.Ended, g.Unseen)
		}
	}
	next(&rules.Told{Kind: "end", Name: "weigh-in"})
}

func (w *weighing) String() string {
	return fmt.Sprintf("seed %d: every %v, digit %g, noise %g wind %.3f (%.0f s), target %.3f, %.2f kg/min decays %.0f, stops %+.3f\n\t%s\n\ttruth %.4f, %v %s, arrives %v, near %v, passes %v, over %v at %.3f, %v",
		w.seed, w.every, w.digit, w.white, w.wind, w.gust, w.target, w.rate, w.decays, w.overshoot, strings.Join(w.story, "\n\t"), w.truth, w.charged, w.result, w.arrives, w.near, w.passes, w.over, w.overTrue, w.flags)
}

// share counts how many of what was tried was right.
type share struct{ right, of int }

func (s *share) count(right bool) {
	s.of++
	if right {
		s.right++
	}
}

func (s share) String() string { return fmt.Sprintf("%d of %d", s.right, s.of) }

func (s share) below(least float64) bool { return float64(s.right) < least*float64(s.of) }

// The charged mass, its band and its calls, against the truth of invented
// weigh-ins through swaps, silences, bumps, shifts and wind.
func TestInventedWeighIns(t *testing.T) {
	var calm, windy, banded, near, over, quiet, exact share
	shown := 0
	show := func(w *weighing, why string) {
		if shown < *ledgerShow {
			t.Logf("%s: %v", why, w)
			shown++
		}
	}
	for seed := *ledgerFrom; seed < *ledgerFrom+*ledgerSeeds; seed++ {
		w := invent(seed)
		off := w.charged["charged_kg"] - w.truth
		fine := math.Abs(off) <= 0.010+1.5*w.digit
		switch {
		case w.zeroed:
			in := w.truth >= w.charged["charged_low_kg"]-0.0005 && w.truth <= w.charged["charged_high_kg"]+0.0005
			banded.count(in)
			if !in {
				show(w, "band")
			}
		case w.wind > 0:
			windy.count(fine)
			if !fine {
				show(w, fmt.Sprintf("windy mass off by %.4f", off))
			}
		default:
			calm.count(fine)
			if !fine {
				show(w, fmt.Sprintf("mass off by %.4f", off))
			}
		}
		if w.zeroed || w.blind || w.freezes {
			continue
		}
		if w.arrives > 0 && w.arrives-w.opened > 110*time.Second {
			ahead := w.arrives - w.near
			in := w.near > 0 && ahead >= time.Minute && ahead <= 5*time.Minute
			near.count(in)
			if !in {
				show(w, fmt.Sprintf("near %v ahead", ahead))
			}
		}
		if w.passes > 0 && w.wind == 0 && w.overshoot > 0 {
			in := w.over > 0 && w.overTrue > w.target && w.over-w.passes <= max(12*time.Second, time.Duration(w.digit/w.passRate*60e9))+w.every
			over.count(in)
			if !in {
				show(w, fmt.Sprintf("over %v late", w.over-w.passes))
			}
		}
		if w.overshoot < 0 {
			quiet.count(w.over == 0)
			if w.over > 0 {
				show(w, "false over")
			}
		}
		if w.overshoot == 0 { // shut at the very target, a digit short of what is called: noise decides some
			exact.count(w.over == 0)
			if w.over > 0 {
				show(w, "over at the very target")
			}
		}
	}
	t.Logf("mass right in calm air %v, in wind %v; truth in the band after a zeroing %v; told 1 to 5 min ahead %v; over in time %v; not over where it is not %v, shut at the very target %v",
		calm, windy, banded, near, over, quiet, exact)
	// So few trials can only show that something broke; deploy/accuracy counts.
	never := share{quiet.right + exact.right, quiet.of + exact.of} // passed the target: as often as not shut at the very target
	if calm.below(0.93) || windy.below(0.7) || banded.below(0.9) || near.below(0.95) || over.below(0.85) || quiet.below(0.99) || exact.below(0.8) || never.below(0.93) {
		t.Error("too few are right")
	}
}

// A flow that moves the display by a digit or two from one reading to the next
// never shows the same twice, and is no scale that sends only what has changed:
// what may have flowed in a silence at the end lies in the band.
func TestASteadyFlowIsNoScaleThatSendsChanges(t *testing.T) {
	for _, c := range []struct {
		every              string
		kgPerS, digit, abs float64
	}{{"1s", 0.006, 0.005, 0}, {"1s", 0.006, 0.005, 0.001}, {"2s", 0.0055, 0.01, 0}, {"5s", 0.0022, 0.01, 0}} {
		for _, quiet := range []float64{20, 50} {
			v, _ := weighIn(t, c.every, fmt.Sprintf("0s,begin,weigh-in,,,\n* scale 1s..401s every %s line 40..%g kg abs %g seed 2 round %g\n%gs,end,weigh-in,,,",
				c.every, 40-c.kgPerS*400, c.abs, c.digit, 401+quiet))
			if went := c.kgPerS * (400 + quiet); v["charged_low_kg"] > went || v["charged_high_kg"] < went {
				t.Errorf("%+v, silent for %g s: %v, went in %.3f kg", c, quiet, v, went)
			}
		}
	}
}
