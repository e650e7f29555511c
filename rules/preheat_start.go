package rules

import (
	"math"
	"slices"
	"sort"
	"time"
)

// A compressor that starts before its oil is warm: seen to run during the
// preheat, or begun on by a step while none has passed.

// StartedTooEarly says at the begin of a step that runs the compressor that no
// preheat has passed. While one is under way its own judge says it.
var StartedTooEarly = Rule{
	Name:  "started-too-early",
	Doc:   "Says when a step that runs the compressor begins and the last preheat has not passed.",
	Steps: compressorSteps,
	Flags: []string{"started-too-early"},
	Roles: []string{},
	Begin: beginStartedTooEarly,
}

// RunsCompressor reports whether the compressor runs in a step.
func RunsCompressor(step string) bool { return slices.Contains(compressorSteps, step) }

// compressorSteps are those in which the compressor runs.
var compressorSteps = []string{"weigh-in", "trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run"}

// What shows that a compressor runs (our choice). A heater with its time constant warms what is near by
// 3 K in five minutes at most; a compressor parts the two pressures, or draws several times what heaters do.
const (
	startOver      = 5 * time.Minute
	dischargeRiseK = 15.0
	suctionFallPa  = 50e3
	liquidRisePa   = 50e3
	partPa         = 150e3
	currentStepA   = 3.0 // and
	currentTimes   = 4.0 // what the heaters take
	startLasts     = 30 * time.Second
	startLook      = 10 * time.Second
)

// startSigns is what shows that a compressor runs.
type startSigns struct {
	watches                    bool
	discharge, suction, liquid []*series
	currents                   []currentSigns
	looked                     time.Duration
	since                      time.Duration // of the signs that are seen now
	seen                       bool
}

type currentSigns struct {
	*series
	least float64   // on
	base  []float64 // what the heaters take: of the first minutes
}

func (g *startSigns) clear() {
	for _, all := range [][]*series{g.discharge, g.suction, g.liquid} {
		for _, x := range all {
			x.ss = nil
		}
	}
	for i := range g.currents {
		g.currents[i].ss = nil
	}
	g.seen = false
}

// running raises started-too-early where a compressor is seen to run.
func (j *preheat) running(now time.Duration) []Finding {
	g := &j.start
	if now-g.looked < startLook && g.looked > 0 {
		return nil
	}
	g.looked = now
	sign, point, value := g.sign()
	if sign == "" {
		g.seen = false
		return nil
	}
	if !g.seen {
		g.seen, g.since = true, now
	}
	if now-g.since < startLasts || j.failed() {
		return nil
	}
	a := j.account(now)
	j.now, j.tooEarly, j.ran, g.watches = a, true, true, false
	text := startedEarly(sign, point, value.Number, a, j.lasts, j.result == Passed)
	out := []Finding{{Edge: Raised, Flag: "started-too-early", Urgency: Wake, Points: []string{point}, Text: text, Values: append(j.values(a, now), value)}}
	if j.result != Passed {
		out = append(out, j.verdict(NotPassed, "started-early", preheatStarted(a, j.lasts), a, now)...)
	}
	return out
}

// sign is what shows now that a compressor runs.
func (g *startSigns) sign() (sign, point string, v Value) {
	for _, x := range g.discharge {
		n := len(x.ss)
		if n < 4 {
			continue
		}
		low := sort.Search(n, func(i int) bool { return x.ss[i].t > x.ss[n-1].t-startOver })
		least := math.Inf(1)
		for _, s := range x.ss[low:] {
			least = min(least, s.v)
		}
		if rise := median(x.ss[n-3:]) - least; rise > dischargeRiseK {
			return "discharge", x.point.Name, Value{"rise_k", rise}
		}
	}
	for _, low := range g.suction {
		for _, high := range g.liquid {
			fell, ok1 := low.moved()
			rose, ok2 := high.moved()
			if ok1 && ok2 && -fell > suctionFallPa && rose > liquidRisePa && rose-fell > partPa {
				return "pressures", low.point.Name, Value{"apart_pa", rose - fell}
			}
		}
	}
	for i := range g.currents {
		c := &g.currents[i]
		n := len(c.ss)
		if n < 2 {
			continue
		}
		now := min(c.ss[n-1].v, c.ss[n-2].v)
		if len(c.base) < 30 && now >= c.least && (len(c.base) == 0 || now < float64(currentTimes*c.base[0])+currentStepA) {
			c.base = append(c.base, now)
			sort.Float64s(c.base)
		}
		if len(c.base) >= 3 && now > max(middle(c.base)+currentStepA, currentTimes*middle(c.base)) {
			return "current", c.point.Name, Value{"current_a", now}
		}
	}
	return "", "", Value{}
}

// moved is by how much a pressure has moved in the last minutes: the medians of three at both ends.
func (x *series) moved() (by float64, ok bool) {
	n := len(x.ss)
	if n < 6 {
		return 0, false
	}
	i := min(sort.Search(n, func(i int) bool { return x.ss[i].t >= x.ss[n-1].t-startOver }), n-6)
	return median(x.ss[n-3:]) - median(x.ss[i:i+3]), true
}

type startedTooEarly struct {
	due  time.Duration
	text string
	how  Urgency
}

// beginStartedTooEarly looks how the preheat stands as a step begins that runs
// the compressor. One done before the box came, or accepted, is answered for.
func beginStartedTooEarly(s Start) Judge {
	j := &startedTooEarly{due: s.Entry.At.Since}
	if slices.ContainsFunc(s.Running, func(x Step) bool { return x.Name == "preheat" }) || slices.Contains(s.Answered, "preheat") {
		return j
	}
	result := ""
	for _, f := range s.Earlier {
		if f.Step == "preheat" {
			result = f.Result
		}
	}
	switch result {
	case Passed:
	case "":
		j.how, j.text = Note, noPreheat(s.Step.Name)
	default:
		j.how, j.text = Tell, preheatNotPassed(s.Step.Name, result)
	}
	return j
}

func (j *startedTooEarly) Next(Entry) []Finding {
	if j.text == "" {
		return nil
	}
	text := j.text
	j.text = ""
	return []Finding{{Edge: Raised, Flag: "started-too-early", Urgency: j.how, Text: text}}
}

func (j *startedTooEarly) Due() (time.Duration, bool) { return j.due, j.text != "" }
