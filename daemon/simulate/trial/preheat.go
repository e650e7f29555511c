package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

const preheatDoc = `A crankcase preheat of 4 to 24 h: power with short and long interruptions, a generator that cycles, a breaker.
An interruption of 15 min or less pauses the clock; a longer one sets it back unless every sump stayed 10 K over the
outdoor air. Sumps warm with a time constant of 1 to 2 h by 11 to 30 K; some heaters are dead or weak, and the sun
stands on some shells at noon. Power is seen by a contact (at each change and each minute) or a sampled current.
True: when the time was met (due_s, from the first row), how warm each sump was then, and how long each stood so.`

// The rule and the time constants are the field guide's (step 4); shares are our choice, and invented.
type warming struct {
	r     *rand.Rand
	begun time.Time
	t     float64
	rows  []Row

	lasts      float64
	offs       []outage
	kind       string
	sensed     string // contact, current
	everyPower float64
	every      float64
	amps       float64
	sumps      []*sump
	meanC      float64
	swingC     float64
	hour       float64
	weather    drift
	outC       float64
	cloud      drift
	noSump     bool
	shade      float64 // the outdoor air's sensor is off by
	early      float64 // when the compressor starts, 0: not
	discharge  float64
	pressures  bool

	began, net, due, ended float64
	leastOver              float64 // of all sumps in the outage under way
	edge                   bool    // an interruption so near a limit that nobody can know
	restarts, pauses       int
	silentFrom, silentTo   float64
}

// outage is a stretch without power, from and to in s.
type outage struct{ from, to float64 }

// sump is a compressor's.
type sump struct {
	state  string // good, dead, weak
	riseK  float64
	tau    float64
	sunK   float64
	overK  float64 // over the outdoor air, by its heater
	sun    float64
	errorK float64
	warmS  float64 // for how long it has stood 11.5 K over
	atDue  float64
	wasS   float64 // warmS at due
}

const (
	warmTick = 10.0 // s
	pauseS   = 900  // the field guide
	warmK    = 10
)

func makePreheat(r *rand.Rand) Trial {
	w := newWarming(r)
	w.run(between(r, 20, 300))
	w.tell("begin", "preheat")
	w.began = w.t
	horizon := w.began + 40*3600
	if w.kind == "stopped" {
		horizon = w.began + float64(w.lasts*between(r, 0.3, 0.9))
	}
	for w.due == 0 && w.t < horizon && (w.early == 0 || w.t < w.early+600) {
		w.run(60)
	}
	if w.due > 0 {
		w.run(between(r, 600, 3600))
	}
	w.tell("end", "preheat")
	w.ended = w.t
	w.run(30)
	w.rows = sorted(w.rows)
	return Trial{Site: w.site(), Rows: w.rows, Truth: w.truth()}
}

func newWarming(r *rand.Rand) *warming {
	w := &warming{r: r, begun: time.Date(2026, 4, 14, r.IntN(24), r.IntN(60), r.IntN(60), 0, time.UTC),
		lasts: pick(r, 4.0, 6, 6, 6, 6, 8, 12, 24) * 3600, sensed: pick(r, "contact", "contact", "contact", "current"),
		everyPower: 60, every: pick(r, 30.0, 60), meanC: between(r, 2, 30), swingC: between(r, 2, 8),
		weather: drift{r: r, spread: 0.3, tau: 1800}, cloud: drift{r: r, spread: 0.3, tau: 1200},
		noSump: chance(r, 0.1), shade: between(r, -0.3, 0.3), pressures: chance(r, 0.5), amps: between(r, 0.4, 2)}
	if w.sensed == "current" {
		w.everyPower = pick(r, 10.0, 20, 30)
	}
	w.hour = float64(w.begun.Hour()) + float64(w.begun.Minute())/60
	dead := chance(r, 0.3)
	for i := range 1 + r.IntN(3) {
		s := &sump{state: "good", riseK: between(r, 14, 30), tau: between(r, 3600, 7200), errorK: between(r, -0.5, 0.5)}
		if dead && (i == 0 || chance(r, 0.3)) {
			s.state, s.riseK = "dead", 0
			if chance(r, 0.25) {
				s.state, s.riseK = "weak", between(r, 2, 7)
			}
		}
		if chance(r, 0.4) || s.state != "good" && chance(r, 0.4) {
			s.sunK = pick(r, between(r, 2, 8), between(r, 8, 14))
		}
		if chance(r, 0.3) {
			s.overK = s.riseK * between(r, 0, 0.8) // it was on before
		}
		w.sumps = append(w.sumps, s)
	}
	w.kind = pick(r, "steady", "short", "short", "long", "long", "cycling", "mixed", "mixed", "stopped")
	w.interrupt()
	if chance(r, 0.08) {
		w.early = between(r, 3600, w.lasts*0.8)
		if !w.pressures {
			w.pressures = true
		}
	}
	if w.kind == "steady" && chance(r, 0.5) {
		w.silentFrom = between(r, 1800, w.lasts)
		w.silentTo = w.silentFrom + between(r, 180, 2400)
	}
	return w
}

// interrupt draws when the power is off.
func (w *warming) interrupt() {
	r := w.r
	t := between(r, 600, 7200)
	off := func(s float64) {
		s = math.Round(s)
		w.offs = append(w.offs, outage{math.Round(t), math.Round(t) + s})
		t += s
	}
	short := func() float64 { return between(r, 10, 880) }
	long := func() float64 { return spreadOver(r, 920, 14400) }
	switch w.kind {
	case "short":
		for range 1 + r.IntN(4) {
			off(short())
			t += between(r, 300, w.lasts/2)
		}
	case "long":
		for range 1 + r.IntN(2) {
			t += between(r, 0, w.lasts*0.6)
			off(long())
		}
	case "cycling": // a generator or a breaker
		t += between(r, 0, 3600)
		on, rest := between(r, 600, 3600), between(r, 60, 700)
		for range 3 + r.IntN(10) {
			off(rest * between(r, 0.8, 1.2))
			t += float64(on * between(r, 0.8, 1.2))
		}
	case "mixed":
		for range 2 + r.IntN(5) {
			off(pick(r, short, short, long)())
			t += spreadOver(r, 60, w.lasts/2)
		}
	case "stopped":
		if chance(r, 0.5) {
			off(long())
		}
	}
	if chance(r, 0.1) { // it is switched on after the begin only
		w.offs = slices.Insert(w.offs, 0, outage{-1, math.Round(between(r, 310, 560))})
	}
}

// powered reports whether there is power, and until when that holds.
func (w *warming) powered(t float64) (on bool, until float64) {
	for _, o := range w.offs {
		if t < o.from {
			return true, o.from
		}
		if t < o.to {
			return false, o.to
		}
	}
	return true, math.Inf(1)
}

func (w *warming) run(s float64) {
	for end := w.t + s; w.t < end; {
		w.power(w.t, w.t+warmTick)
		w.t += warmTick
		w.live()
		w.read()
	}
}

// power keeps the account and writes what the input shows between two moments.
func (w *warming) power(from, to float64) {
	for t := from; t < to; {
		on, until := w.powered(t)
		until = min(until, to)
		if w.began > 0 && on && w.due == 0 {
			w.net += until - t
			if w.net >= w.lasts {
				w.due = until - (w.net - w.lasts)
				for _, s := range w.sumps {
					s.atDue, s.wasS = s.overK+s.sun, s.warmS
				}
			}
		}
		t = until
		if now, _ := w.powered(t); now != on {
			w.changed(t, now)
		}
	}
	every := w.everyPower
	if math.Mod(to, every) == 0 {
		on, _ := w.powered(to)
		w.input(to, on)
	}
}

// changed is power lost or back.
func (w *warming) changed(t float64, on bool) {
	if w.sensed == "contact" {
		w.input(t, on)
	}
	if !on {
		w.leastOver = w.least()
		return
	}
	for _, o := range w.offs {
		if o.to != t || w.began == 0 || w.due > 0 {
			continue
		}
		lost := o.to - max(o.from, w.began)
		switch {
		case w.net == 0:
		case lost <= pauseS:
			w.pauses++
		case w.noSump || w.leastOver < warmK:
			w.net, w.restarts = 0, w.restarts+1
		default:
			w.pauses++
		}
		if w.net > 0 || w.restarts > 0 {
			w.edge = w.edge || math.Abs(lost-pauseS) < w.everyPower+10 && (w.sensed == "current" || math.Abs(lost-pauseS) < 5)
			w.edge = w.edge || lost > pauseS && !w.noSump && math.Abs(w.leastOver-warmK) < 1.5
		}
	}
}

// least is how far the coolest sump stands over the outdoor air.
func (w *warming) least() float64 {
	least := math.Inf(1)
	for _, s := range w.sumps {
		least = min(least, s.overK+s.sun)
	}
	return least
}

func (w *warming) live() {
	day := math.Mod(w.hour+w.t/3600, 24)
	if math.Mod(w.t, 60) == 0 {
		w.outC = w.meanC + float64(w.swingC*math.Cos(2*math.Pi*(day-15)/24)) + w.weather.after(60)
	}
	shine := 0.0
	if day > 9 && day < 17 {
		shine = math.Sin(math.Pi * (day - 9) / 8)
		if math.Mod(w.t, 60) == 0 {
			w.cloud.after(60)
		}
		shine *= min(1, max(0, 0.8+float64(w.cloud.spread*w.cloud.at)))
	}
	on, _ := w.powered(w.t)
	for _, s := range w.sumps {
		aim := 0.0
		if on {
			aim = s.riseK
		}
		s.overK += (aim - s.overK) * warmTick / s.tau
		s.sun += (float64(s.sunK*shine) - s.sun) * warmTick / 1800
		if s.overK+s.sun > 11.5 {
			s.warmS += warmTick
		} else {
			s.warmS = 0
		}
	}
	if !on {
		w.leastOver = min(w.leastOver, w.least())
	}
	hot := 5.0
	if w.early > 0 && w.t > w.early {
		hot = 55
	}
	w.discharge += (hot - w.discharge) * warmTick / 180
}

// input is a reading of the power.
func (w *warming) input(t float64, on bool) {
	if t >= w.silentFrom && t < w.silentTo {
		return
	}
	value := "0"
	if on {
		value = "1"
	}
	if w.sensed == "current" {
		amps := math.Abs(0.01 * w.r.NormFloat64())
		if on {
			amps += w.amps
			if w.early > 0 && t > w.early {
				amps += 8
			}
		}
		value = text(amps, 3)
	}
	w.rows = append(w.rows, Row{Time: afterS(w.begun, t), Kind: "reading", Name: "outdoor-power", Value: value})
}

func (w *warming) read() {
	if math.Mod(w.t, w.every) != 0 {
		return
	}
	reading := func(name string, v float64, decimals int) {
		w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: "reading", Name: name, Value: text(v, decimals)})
	}
	reading("outdoor", w.outC+w.shade+float64(0.05*w.r.NormFloat64()), 2)
	if !w.noSump {
		for i, s := range w.sumps {
			reading(fmt.Sprintf("sump-%d", i+1), toDigit(w.outC+s.overK+s.sun+s.errorK+float64(0.05*w.r.NormFloat64()), 0.0625), 4)
		}
	}
	if w.pressures {
		reading("discharge", w.outC+w.discharge+float64(0.1*w.r.NormFloat64()), 2)
	}
}

func (w *warming) tell(kind, name string) {
	w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: kind, Name: name})
}

func (w *warming) site() string {
	var points strings.Builder
	input := "measures: contact, role: outdoor-power"
	if w.sensed == "current" {
		input = "measures: current, role: outdoor-power, unit: A"
	}
	fmt.Fprintf(&points, "  - {name: outdoor-power, %s, every: %ds}\n", input, int(w.everyPower))
	point := func(name, role string) {
		fmt.Fprintf(&points, "  - {name: %s, measures: temperature, role: %s, unit: C, every: %ds}\n", name, role, int(w.every))
	}
	point("outdoor", "outdoor-air")
	if !w.noSump {
		for i := range w.sumps {
			point(fmt.Sprintf("sump-%d", i+1), "oil-sump")
		}
	}
	if w.pressures {
		point("discharge", "discharge-line")
	}
	return fmt.Sprintf(`# Invented: a preheat at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A, outdoor_units: [{name: ou1}]}
points:
%ssteps:
  preheat: {lasts: %dh}
`, points.String(), int(w.lasts/3600))
}

func (w *warming) truth() []Fact {
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	result, clear := "met", !w.edge
	first := w.rows[0].Time.Sub(w.begun).Seconds()
	off := 0
	for _, o := range w.offs {
		if o.from > w.began && o.to-o.from >= 120 && o.to < w.ended {
			off++
		}
	}
	started := 0.0
	if w.early > 0 && w.early < w.ended-590 { // else it was ended before that
		started = w.early - first
	}
	facts := []Fact{
		{Name: "kind", Word: w.kind},
		{Name: "lasts_s", Number: w.lasts},
		{Name: "sensed", Word: w.sensed},
		{Name: "power_every_s", Number: w.everyPower},
		{Name: "restarts", Number: float64(w.restarts)},
		{Name: "pauses", Number: float64(w.pauses)},
		{Name: "outages", Number: float64(off)}, // of 2 min and more
		{Name: "power_unheard_s", Number: w.silentTo - w.silentFrom},
		{Name: "compressor_s", Number: started},
		{Name: "sumps_measured", Word: yes(!w.noSump)},
	}
	var dead []string
	for i, s := range w.sumps {
		if s.state != "good" {
			dead = append(dead, fmt.Sprintf("sump-%d", i+1))
			result = "no-warmth"
			if s.atDue > warmK-1.5 {
				result = "sun" // it stood warm, and not by its heater
			}
		} else if w.due > 0 && (s.atDue < 12 || s.wasS < 3600) {
			clear = false // warm only just
		}
	}
	if w.due == 0 {
		result = "stopped"
	} else {
		facts = append(facts, Fact{Name: "due_s", Number: w.due - first})
	}
	for _, o := range w.offs {
		if o.from > w.began && o.from < w.ended {
			facts = append(facts, Fact{Name: "off_s", Number: o.from - first}, Fact{Name: "on_s", Number: o.to - first})
		}
	}
	facts = append(facts, Fact{Name: "result", Word: result}, Fact{Name: "clear", Word: yes(clear)})
	if len(dead) > 0 {
		facts = append(facts, Fact{Name: "dead", Word: strings.Join(dead, " ")})
	}
	return facts
}
