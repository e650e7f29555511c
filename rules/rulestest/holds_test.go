package rulestest_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Invented holds in great number, none with a model of the judge's own noise:
// gauges whose noise is white, drifts, wanders within bounds or is pink; leaks,
// moisture, both, pools that freeze, hoses that outgas; spikes, gaps, coarse
// digits, sampling of 1 to 10 s. Everything follows from a case's seed.

var holdsRun = flag.Int("holds", 100, "how many inventedHold holds are judged")
var holdsSeed = flag.Uint64("holdsseed", 1, "the first of their seeds")
var holdsSay = flag.Bool("holdssay", false, "print every hold that was judged wrongly")

// inventedHold is one hold and what it truly is.
type inventedHold struct {
	seed    uint64
	kind    string
	micron  func(min float64) float64
	peak    float64 // after settling
	crosses float64 // min; 0: never
	every   time.Duration
	noise   float64
	drifts  string
	tauC    float64 // s
	spikes  float64
	gaps    [][2]float64
	round   float64
	tau     float64
	visible bool
	rise    float64
}

func inventHold(seed uint64) inventedHold {
	r := rand.New(rand.NewPCG(seed, 11))
	h := inventedHold{seed: seed}
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	logly := func(a, b float64) float64 { return a * math.Pow(b/a, r.Float64()) }
	start := between(120, 300)
	peak := between(start+5, 500)
	if r.IntN(2) == 0 {
		peak = logly(500, 1500)
	}
	rise := peak - start
	kinds := []string{"leak", "moisture", "leak", "moisture", "both", "steady", "ice", "outgas"}
	h.kind = kinds[r.IntN(len(kinds))]
	tau := logly(5, 90)
	share := between(0.25, 0.75)
	power := between(0.15, 0.6)
	level := between(250, 500)
	knee := between(6, 50)
	var shape func(float64) float64
	switch h.kind {
	case "leak":
		shape = func(m float64) float64 { return start + rise*m/60 }
	case "moisture":
		h.tau = tau
		shape = func(m float64) float64 { return start + rise*(1-math.Exp(-m/tau))/(1-math.Exp(-60/tau)) }
	case "both":
		tau = logly(4, 25)
		h.tau = tau
		shape = func(m float64) float64 {
			return start + rise*(share*m/60+(1-share)*(1-math.Exp(-m/tau))/(1-math.Exp(-60/tau)))
		}
	case "steady":
		if peak > 500 {
			peak = between(250, 500)
		}
		flat := peak
		shape = func(float64) float64 { return flat }
	case "ice": // rises until a pool's ice vapour pressure, and stands
		shape = func(m float64) float64 { return level - (level-start)*math.Exp(-m/(knee/3)) }
	case "outgas":
		shape = func(m float64) float64 { return start + rise*math.Pow(m/60, power) }
	}
	kick, tauS := 0.0, between(20, 70)
	if r.IntN(2) == 0 {
		kick = between(-0.3, 0.4)
	}
	h.micron = func(m float64) float64 { return shape(m) * (1 + kick*math.Exp(-m*60/tauS)) }
	for m := 5.0; m <= 60; m += 0.05 {
		p := shape(m)
		h.peak = max(h.peak, p)
		if p > 500 && h.crosses == 0 {
			h.crosses = m
		}
	}
	for m := 0.0; m < 5 && h.crosses > 0 && h.crosses <= 5; m += 0.05 {
		if shape(m) > 500 {
			h.crosses = max(m, 0.05)
			break
		}
	}
	h.rise = rise
	h.every = []time.Duration{1, 2, 5, 10}[r.IntN(4)] * time.Second
	h.noise = between(0.005, 0.03)
	h.drifts = []string{"white", "ar", "ar", "mixed", "walk", "pink"}[r.IntN(6)]
	h.tauC = logly(20, 330)
	if h.drifts == "white" {
		h.tauC = 0
	}
	if r.IntN(2) == 0 {
		h.spikes = logly(0.0005, 0.01)
	}
	if r.IntN(4) == 0 {
		at := between(6, 50)
		h.gaps = append(h.gaps, [2]float64{at, at + between(0.3, 1.6)})
	}
	h.round = []float64{1, 1, 0.1}[r.IntN(3)]
	// A shape is visible where it lies at least five standard errors of so
	// many independent readings from the nearest of the other kind.
	worth := 55 * 60 / max(2*h.tauC, h.every.Seconds())
	var off float64
	switch h.kind {
	case "leak":
		off = nearest(h.micron, 45)
	case "moisture":
		off = nearest(h.micron, 0)
	}
	h.visible = off/h.noise*math.Sqrt(worth) >= 5
	return h
}

// nearest is the root mean square by which a curve misses the best line (tau 0)
// or the best approach of so many minutes at most, as a share of its level.
func nearest(f func(float64) float64, tauMost float64) float64 {
	best := math.Inf(1)
	taus := []float64{0}
	if tauMost > 0 {
		taus = nil
		for t := 5.0; t <= tauMost; t *= 1.2 {
			taus = append(taus, t)
		}
		taus = append(taus, tauMost)
	}
	for _, tau := range taus {
		var s0, s1, s2, y0, y1, yy float64
		for m := 6.0; m <= 60; m++ {
			g := m
			if tau > 0 {
				g = 1 - math.Exp(-m/tau)
			}
			p := f(m)
			w := 1 / (p * p)
			s0 += w
			s1 += w * g
			s2 += w * g * g
			y0 += w * p
			y1 += w * p * g
			yy += w * p * p
		}
		det := s0*s2 - s1*s1
		a, b := (y0*s2-y1*s1)/det, (s0*y1-s1*y0)/det
		best = min(best, (yy-a*y0-b*y1)/55)
	}
	return math.Sqrt(max(best, 0))
}

// wandering makes a gauge's noise, of unit spread.
func (h inventedHold) wandering(r *rand.Rand) func() float64 {
	dt := h.every.Seconds()
	ou := func(tauC float64) func() float64 {
		x, keep := r.NormFloat64(), math.Exp(-dt/tauC)
		return func() float64 {
			x = keep*x + math.Sqrt(1-keep*keep)*r.NormFloat64()
			return x
		}
	}
	switch h.drifts {
	case "ar":
		return ou(h.tauC)
	case "mixed":
		slow, a := ou(h.tauC), math.Sqrt(0.2+0.6*r.Float64())
		return func() float64 { return a*slow() + math.Sqrt(1-a*a)*r.NormFloat64() }
	case "walk": // a random walk between walls at 1.7 spreads
		x := (2*r.Float64() - 1) * 1.7
		step := math.Sqrt(2 * dt / h.tauC)
		return func() float64 {
			x += step * r.NormFloat64()
			for x > 1.7 || x < -1.7 {
				x = math.Copysign(3.4, x) - x
			}
			return x
		}
	case "pink":
		var parts []func() float64
		for _, tau := range []float64{3, 12, 50, 200, 600} {
			parts = append(parts, ou(tau))
		}
		return func() float64 {
			sum := 0.0
			for _, p := range parts {
				sum += p()
			}
			return sum / math.Sqrt(float64(len(parts)))
		}
	}
	return r.NormFloat64
}

// judgement is what the judge made of a hold.
type judgement struct {
	told, woken, at     float64 // min; 0: never
	result, cause, text string
}

func (h inventedHold) judged() (j judgement) {
	r := rand.New(rand.NewPCG(h.seed, 12))
	site := rules.Site{Points: []sensors.Point{{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Unit: "micron", Every: h.every}}}
	e := rules.NewEngine(site, []rules.Rule{rules.VacuumRising})
	seq := uint64(0)
	next := func(at time.Duration, b rules.Body) {
		seq++
		for _, f := range e.Next(rules.Entry{Seq: seq, At: rules.Instant{Boot: 1, Since: at}, Body: b}) {
			switch min := max(f.At.Since.Minutes(), 0.01); {
			case f.Edge == rules.Given:
				if j.result == "" {
					j.at = min
				}
				j.result, j.cause, j.text = f.Result, f.Cause, f.Text
			case f.Edge == rules.Raised && f.Urgency == rules.Wake && j.woken == 0:
				j.woken = min
			case f.Edge == rules.Raised && j.told == 0:
				j.told = min
			}
		}
	}
	next(0, &rules.Started{GapKnown: true})
	next(0, &rules.Told{Kind: "begin", Name: "vacuum-hold"})
	wander := h.wandering(r)
	for at := time.Duration(0); at <= 61*time.Minute; at += h.every {
		p := h.micron(at.Minutes()) * max(0.5, 1+h.noise*wander())
		if r.Float64() < h.spikes {
			p *= 0.2 + 4*r.Float64()
		}
		lost := false
		for _, g := range h.gaps {
			lost = lost || at.Minutes() > g[0] && at.Minutes() < g[1]
		}
		if lost {
			continue
		}
		m := sensors.Vacuum.Reading("gauge", math.Round(max(p, 1)/h.round)*h.round, "micron")
		next(at, &rules.Measured{Reading: m, Taken: at})
	}
	return j
}

// called is when somebody was first called.
func (j judgement) called() float64 {
	if j.told > 0 && (j.woken == 0 || j.told < j.woken) {
		return j.told
	}
	return j.woken
}

func (h inventedHold) String() string {
	return fmt.Sprintf("seed %d: %s peak %.0f crosses %.1f tau %.0f, %s noise %.1f %% tauC %.0f every %v", h.seed, h.kind, h.peak, h.crosses, h.tau, h.drifts, h.noise*100, h.tauC, h.every)
}

// tally counts what the judge made of many holds.
type tally struct {
	clear, right, early int // peaks outside 480 to 520, judged rightly; passed before the end
	pass, falsely       int // holds that stay at or under 500, called nevertheless
	fails, before       int // failing holds that cross later than 10 min, called before
	ahead               []float64
	shaped, named       int
	confused            map[string]int
}

func (a *tally) add(h inventedHold, j judgement, wrong func(string)) {
	if h.peak < 480 || h.peak > 520 {
		a.clear++
		want := rules.Passed
		if h.peak > 500 {
			want = rules.NotPassed
		}
		if j.result == want {
			a.right++
		} else {
			wrong(fmt.Sprintf("RESULT %s", h))
		}
	}
	if j.result == rules.Passed && j.at < 59.9 {
		a.early++
	}
	if h.peak <= 500 {
		a.pass++
		if j.called() > 0 && (j.called() < 60 || h.peak < 480) {
			a.falsely++
			wrong(fmt.Sprintf("FALSE %s", h))
		}
	} else if h.crosses > 10 {
		a.fails++
		if c := j.called(); c > 0 && c < h.crosses {
			a.before++
			a.ahead = append(a.ahead, 1-c/h.crosses)
		} else {
			a.ahead = append(a.ahead, 0)
		}
		if *holdsSay && a.ahead[len(a.ahead)-1] < 0.4 {
			wrong(fmt.Sprintf("LATE %.2f %s", a.ahead[len(a.ahead)-1], h))
		}
	}
	if h.peak > 520 {
		v := ""
		if h.visible && (h.kind == "leak" || h.kind == "moisture") {
			v = "visible "
			a.shaped++
			if j.cause == h.kind {
				a.named++
			} else {
				wrong(fmt.Sprintf("CAUSE %s", h))
			}
		}
		a.confused[v+h.kind+" -> "+j.cause]++
	}
}

func (a *tally) String() string {
	var b strings.Builder
	of := func(what string, n, all int) {
		fmt.Fprintf(&b, "%s %d of %d (%.2f %%)\n", what, n, all, 100*float64(n)/max(float64(all), 1))
	}
	of("result right, peak outside 480 to 520:", a.right, a.clear)
	of("passed early:", a.early, a.clear)
	of("called in a hold that stays below:", a.falsely, a.pass)
	of("failing later than 10 min called before the limit:", a.before, a.fails)
	sort.Float64s(a.ahead)
	if n := len(a.ahead); n > 0 {
		fmt.Fprintf(&b, "time still ahead, quartiles: %.2f %.2f %.2f\n", a.ahead[n/4], a.ahead[n/2], a.ahead[3*n/4])
	}
	of("cause right where the shape is visible:", a.named, a.shaped)
	var keys []string
	for k := range a.confused {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		fmt.Fprintf(&b, "  %s: %d\n", k, a.confused[k])
	}
	return b.String()
}

// What is asked (issue 3): the result right in 99.5 % of clear holds, the cause
// in 90 % of shapes the noise leaves visible, failing holds called in 80 % with
// 40 % of the time still ahead at the median, false calls in 1 % at most,
// nothing passed early. So few holds as are run each time can miss a share by
// chance, so that what is asserted is a little less; -holds 2000 tells more.
func TestInventedHolds(t *testing.T) {
	a := tally{confused: map[string]int{}}
	for seed := *holdsSeed; seed < *holdsSeed+uint64(*holdsRun); seed++ {
		h := inventHold(seed)
		j := h.judged()
		a.add(h, j, func(s string) {
			if *holdsSay {
				t.Logf("%s: told %.1f woken %.1f %s %s", s, j.told, j.woken, j.result, j.cause)
			}
		})
	}
	t.Logf("%d holds\n%s", *holdsRun, &a)
	share := func(n, all int) float64 { return float64(n) / float64(all) }
	for _, c := range []struct {
		what        string
		is, atLeast float64
	}{
		{"results right", share(a.right, a.clear), 0.985},
		{"not passed early", 1 - share(a.early, a.clear), 1},
		{"not called falsely", 1 - share(a.falsely, a.pass), 0.96},
		{"called before the limit", share(a.before, a.fails), 0.75},
		{"time still ahead at the median", a.ahead[len(a.ahead)/2], 0.35},
		{"causes right", share(a.named, a.shaped), 0.85},
	} {
		if !(c.is >= c.atLeast) {
			t.Errorf("%s: %.3f, want at least %.3f", c.what, c.is, c.atLeast)
		}
	}
}
