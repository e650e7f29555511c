package trial

import (
	_ "embed"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"
)

const trialRunDoc = `A trial run of 45 min or more in full cooling: superheat and subcooling within their ranges, or off by a fault.
Short of charge, overcharged, restricted, flooding, with air left in; valves that hunt at first or all the while,
discharges that are too hot, instruments that are missing or show absolute pressure, runs that are ended early. Clamps
are off by up to 0.5 K, transducers by up to 1 % of their reading. True: superheat and subcooling (superheat_k), the
same by what the instruments show without their noise (superheat_shown_k), and how far from a limit they must be for
such instruments to decide (superheat_band_k).`

//go:embed saturation.csv
var saturationCSV string // its source stands in its first lines

// fluid is a refrigerant's saturation: temperatures in C, absolute pressures in Pa.
type fluid struct {
	name             string
	tempC, bub, dewP []float64
}

func fluidNamed(name string) fluid {
	f := fluid{name: name}
	for line := range strings.Lines(saturationCSV) {
		cells := strings.Split(strings.TrimSpace(line), ",")
		if strings.ReplaceAll(name, "-", "") != cells[0] || len(cells) != 4 {
			continue
		}
		var v [3]float64
		for i := range v {
			v[i], _ = strconv.ParseFloat(cells[i+1], 64) // a test reads them all
		}
		f.tempC, f.bub, f.dewP = append(f.tempC, v[0]), append(f.bub, v[1]*1000), append(f.dewP, v[2]*1000)
	}
	return f
}

// pressure is that at a temperature, by four points of a curve: the pressure's
// logarithm is nearly straight over the inverse temperature.
func (f fluid) pressure(curve []float64, tempC float64) float64 {
	i := 1
	for i < len(f.tempC)-3 && tempC > f.tempC[i+1] {
		i++
	}
	sum := 0.0
	for j := i - 1; j <= i+2; j++ {
		l := math.Log(curve[j])
		for k := i - 1; k <= i+2; k++ {
			if k != j {
				l *= (1/(tempC+273.15) - 1/(f.tempC[k]+273.15)) / (1/(f.tempC[j]+273.15) - 1/(f.tempC[k]+273.15))
			}
		}
		sum += l
	}
	return math.Exp(sum)
}

// temperature is the inverse of pressure.
func (f fluid) temperature(curve []float64, pa float64) float64 {
	low, high := f.tempC[0], f.tempC[len(f.tempC)-1]
	for range 50 {
		mid := (low + high) / 2
		if f.pressure(curve, mid) > pa {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

// running is the invented run. Ranges and patterns are the field guide's (step 6).
type running struct {
	r     *rand.Rand
	begun time.Time
	t     float64
	rows  []Row
	fluid fluid

	class                  string
	superheat, subcooling  float64 // K, once it has settled
	evapC, condC, outC     float64
	dischargeC             float64
	hunts                  float64 // K, all the while
	period                 float64 // s
	atmosphere             float64
	barometer, absolute    bool
	without                string // a role that is not fitted
	every, noiseK, noisePa float64
	clamp                  [2]float64 // suction and liquid, K
	gain                   [2]float64 // of the transducers, 1 is true
	starts, lasts          float64
	settles                float64 // s
	code                   bool
	drift                  drift
	wandered               float64
}

func makeTrialRun(r *rand.Rand) Trial {
	w := newRunning(r)
	w.run(between(r, 30, 200))
	w.tell("begin", "trial-run", "")
	if chance(r, 0.8) {
		for i := range 4 {
			w.tell("command", unitName(i), "cool")
		}
	}
	w.starts = w.t + pick(r, between(r, 0, 120), between(r, 120, 500))
	w.run(w.lasts)
	if w.code {
		w.tell("mark", "fault-code", pick(r, "E4", "U0 at ou1", "P2"))
		w.run(between(r, 30, 300))
	}
	w.tell("end", "trial-run", "")
	w.run(30)
	return Trial{Site: w.site(), Rows: sorted(w.rows), Truth: w.truth()}
}

func newRunning(r *rand.Rand) *running {
	w := &running{r: r, begun: time.Date(2026, 7, 20, 8+r.IntN(9), r.IntN(60), r.IntN(60), 0, time.UTC), fluid: fluidNamed(pick(r, "R-410A", "R-410A", "R-32", "R-454B", "R-407C")),
		evapC: between(r, 2, 11), outC: between(r, 22, 37), atmosphere: between(r, 97e3, 103e3), barometer: chance(r, 0.6),
		every: pick(r, 5.0, 10, 10, 20, 30), noiseK: between(r, 0.02, 0.15), noisePa: between(r, 500, 4000),
		lasts: between(r, 2800, 4500), settles: between(r, 120, 400), period: between(r, 120, 360), dischargeC: between(r, 65, 95)}
	w.condC = w.outC + between(r, 8, 16)
	if w.barometer && chance(r, 0.3) {
		w.atmosphere = between(r, 78e3, 92e3) // in the hills
	}
	if !w.barometer {
		w.atmosphere = between(r, 100e3, 102.6e3)
	}
	w.clamp, w.gain = [2]float64{between(r, -0.5, 0.5), between(r, -0.5, 0.5)}, [2]float64{1 + between(r, -0.01, 0.01), 1 + between(r, -0.01, 0.01)}
	w.drift = drift{r: r, spread: between(r, 0.05, 0.3), tau: 300}
	w.superheat, w.subcooling = between(r, 3, 8), between(r, 3, 10)
	if chance(r, 0.6) { // as who sets up a system means it
		w.superheat, w.subcooling = between(r, 4.2, 6.8), between(r, 4.3, 8.7)
	}
	low, high := func() float64 { return between(r, 0, 2.9) }, func(from float64) float64 { return from + spreadOver(r, 0.2, 10) }
	switch w.class = pick(r, "good", "good", "good", "good", "short-of-charge", "overcharge", "restriction", "flooding", "superheat", "subcooling", "discharge"); w.class {
	case "short-of-charge":
		w.superheat, w.subcooling = high(8), low()
	case "overcharge":
		w.superheat, w.subcooling = low(), high(10)
	case "restriction":
		w.superheat, w.subcooling = high(8), high(10)
	case "flooding":
		w.superheat, w.subcooling = low(), low()
	case "superheat":
		w.superheat = pick(r, low(), high(8))
	case "subcooling":
		w.subcooling = pick(r, low(), high(10))
	case "discharge":
		w.dischargeC = between(r, 114, 130)
	}
	if chance(r, 0.07) {
		w.hunts = between(r, 5, 12)
	}
	switch u := r.Float64(); {
	case u < 0.05:
		w.without = "suction-pressure"
	case u < 0.1:
		w.without = "liquid-line"
	case u < 0.14:
		w.absolute = true
	case u < 0.18:
		w.code = true
	case u < 0.23:
		w.lasts = between(r, 900, 2400)
	}
	return w
}

func (w *running) run(s float64) {
	for end := w.t + s; w.t < end; {
		w.t += branchTick
		if math.Mod(w.t, 30) == 0 {
			w.wandered = w.drift.after(30)
		}
		if math.Mod(w.t, w.every) == 0 {
			w.read()
		}
	}
}

// state is the plant now: temperatures in C, absolute pressures in Pa.
func (w *running) state() (suctionPa, suctionC, liquidPa, liquidC, dischargeC float64) {
	x, swing := 0.0, w.hunts
	if run := w.t - w.starts; w.starts > 0 && run > 0 {
		x = 1 - math.Exp(-run/w.settles)
		swing = max(swing, 6*math.Exp(-run/300)) // a valve hunts in its first minutes
	}
	saw := math.Mod(w.t, w.period)/w.period - 0.5
	evap, cond := w.outC+float64(x*(w.evapC-w.outC)), w.outC+float64(x*(w.condC-w.outC))
	suctionPa, liquidPa = w.fluid.pressure(w.fluid.dewP, evap), w.fluid.pressure(w.fluid.bub, cond)
	superheat := max(0, w.superheat+float64(x*swing*saw)+w.wandered)
	subcooling := max(0, w.subcooling+float64(0.2*x*swing*saw)+float64(0.5*w.wandered))
	return suctionPa, evap + float64(x*superheat), liquidPa, cond - float64(x*subcooling), w.outC + float64(x*(w.dischargeC-w.outC))
}

// steady is what the instruments show in the end, without noise, as superheat
// and subcooling by the atmosphere that is known.
func (w *running) steady() (superheat, subcooling float64) {
	pa := 101325.0
	if w.barometer {
		pa = w.atmosphere
	}
	suction := float64((w.fluid.pressure(w.fluid.dewP, w.evapC)-w.atmosphere)*w.gain[0]) + pa
	liquid := float64((w.fluid.pressure(w.fluid.bub, w.condC)-w.atmosphere)*w.gain[1]) + pa
	return w.evapC + w.superheat + w.clamp[0] - w.fluid.temperature(w.fluid.dewP, suction),
		w.fluid.temperature(w.fluid.bub, liquid) - (w.condC - w.subcooling + w.clamp[1])
}

// bands are how far off two such instruments can be at the most, and 0.3 K.
func (w *running) bands() (superheat, subcooling float64) {
	low, high := w.fluid.pressure(w.fluid.dewP, w.evapC), w.fluid.pressure(w.fluid.bub, w.condC)
	more := 0.0
	if !w.barometer {
		more = 1.5e3
	}
	superheat = 0.8 + w.fluid.temperature(w.fluid.dewP, float64(low*1.01)+more) - w.evapC
	subcooling = 0.8 + w.fluid.temperature(w.fluid.bub, float64(high*1.01)+more) - w.condC
	return superheat, subcooling
}

func (w *running) read() {
	suctionPa, suctionC, liquidPa, liquidC, dischargeC := w.state()
	zero := w.atmosphere
	if w.absolute {
		zero = 0
	}
	put := func(role string, v float64, decimals int) {
		if role != w.without {
			w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: "reading", Name: role, Value: text(v, decimals)})
		}
	}
	noise := func(spread float64) float64 { return float64(spread * w.r.NormFloat64()) }
	put("suction-pressure", (float64((suctionPa-zero)*w.gain[0])+noise(w.noisePa))/1000, 1)
	put("suction-line", suctionC+w.clamp[0]+noise(w.noiseK), 2)
	put("liquid-pressure", (float64((liquidPa-zero)*w.gain[1])+noise(w.noisePa))/1000, 1)
	put("liquid-line", liquidC+w.clamp[1]+noise(w.noiseK), 2)
	put("discharge-line", dischargeC+noise(0.3), 1)
	put("outdoor", w.outC+noise(0.1), 2)
	if w.barometer {
		put("barometer", (w.atmosphere+noise(10))/100, 1)
	}
}

func (w *running) tell(kind, name, note string) {
	w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: kind, Name: name, Note: note})
}

func (w *running) site() string {
	var points strings.Builder
	point := func(role, measures, unit string) {
		name := role
		if role == "outdoor-air" {
			name = "outdoor"
		}
		if role != w.without {
			fmt.Fprintf(&points, "  - {name: %s, measures: %s, role: %s, unit: %s, every: %ds}\n", name, measures, role, unit, int(w.every))
		}
	}
	point("suction-pressure", "pressure", "kPa")
	point("suction-line", "temperature", "C")
	point("liquid-pressure", "pressure", "kPa")
	point("liquid-line", "temperature", "C")
	point("discharge-line", "temperature", "C")
	point("outdoor-air", "temperature", "C")
	if w.barometer {
		point("barometer", "absolute-pressure", "hPa")
	}
	return fmt.Sprintf(`# Invented: a trial run at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: %s
  outdoor_units: [{name: ou1}]
  indoor_units: [{name: iu01}, {name: iu02}, {name: iu03}, {name: iu04}]
points:
%s`, w.fluid.name, points.String())
}

func (w *running) truth() []Fact {
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	shownSH, shownSC := w.steady()
	bandSH, bandSC := w.bands()
	facts := []Fact{
		{Name: "class", Word: w.class},
		{Name: "refrigerant", Word: w.fluid.name},
		{Name: "superheat_k", Number: w.superheat},
		{Name: "superheat_shown_k", Number: shownSH},
		{Name: "superheat_band_k", Number: bandSH},
		{Name: "subcooling_k", Number: w.subcooling},
		{Name: "subcooling_shown_k", Number: shownSC},
		{Name: "subcooling_band_k", Number: bandSC},
		{Name: "discharge_c", Number: w.dischargeC},
		{Name: "noise_k", Number: w.drift.spread},
		{Name: "hunts_k", Number: w.hunts},
		{Name: "absolute", Word: yes(w.absolute)},
		{Name: "fault_code", Word: yes(w.code)},
		{Name: "ran_s", Number: w.lasts},
	}
	if w.without != "" {
		facts = append(facts, Fact{Name: "without", Word: w.without})
	}
	return facts
}
