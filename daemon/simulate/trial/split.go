package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

const coolingCheckDoc = `A cooling check of 3 to 10 rooms: each unit's split against the target of its return air's humidity.
A unit gives its target (a coil leaving at 92 %, 12.5 to 15.5 kJ/kg taken, by the trial's own psychrometrics) and so
much more or less; some heat, some do nothing. Units start slowly, some modulate later, rooms cool and become drier.
Measured by sensors in each room, by one pair that is carried from room to room, or read off and typed; humidity by a
hygrometer or a wet bulb in each room, in one room, or nowhere. True of each unit: its split, its limits, and how far
from them it must be for its sensors to decide (iu01_band_k: 0.3 K, the stated error, and what a hygrometer's error
does to the target).`

const heatingCheckDoc = `A heating check of 3 to 10 rooms: 15 to 30 K are good, or what the site file allows beside that.
As the cooling check; the outdoor unit defrosts, and on some days it is too warm outside to heat at all.`

// Ranges are the field guide's (steps 7 and 8); shares are our choice, and invented.
type walking struct {
	r       *rand.Rand
	step    string
	heating bool
	begun   time.Time
	t       float64
	rows    []Row

	how       string // own, carried, typed
	moist     string // of cooling: humidity, wet-bulb, one-room, none
	every     float64
	noiseK    float64
	errorK    float64 // stated, of a split
	given     bool    // in the site file
	tolK      float64
	pa        float64
	barometer bool
	untold    bool // nobody logs a command
	outC      float64
	rooms     []*airRoom
	digit     float64

	defrostEvery, defrostLasts, defrostTo float64
	defrosts                              int

	at    int // where the carried pair is; -1: under way
	probe [3]float64
}

// airRoom is a room with its unit.
type airRoom struct {
	class        string
	overK        float64 // over its target; in heating the split itself
	tempC, kgKg  float64
	driftC       float64 // a second
	dries        float64 // kg/kg a second
	startTau     float64
	begins       float64 // when it is asked
	modulates    float64 // when its compressor slows down; 0: never
	share        float64 // of its capacity then
	cycle        float64 // s; 0: it runs on
	effect       float64 // 0 to 1
	biasS, biasR float64
	biasM        float64 // of humidity (0 to 1) or of the wet bulb (K)
	visited      float64 // when it was measured by a person; 0: not
	wander       drift
	wandered     float64
	silentFrom   float64
	shiftK       float64 // what errors of the return air do to the target, at the most
	modSeen      bool
}

func makeCoolingCheck(r *rand.Rand) Trial { return makeWalk(r, "cooling-check") }
func makeHeatingCheck(r *rand.Rand) Trial { return makeWalk(r, "heating-check") }

func makeWalk(r *rand.Rand, step string) Trial {
	w := newWalking(r, step)
	w.run(between(r, 20, 200))
	early := chance(r, 0.1)
	if early {
		w.ask()
		w.run(between(r, 600, 1500))
	}
	w.tell("begin", step, "", "", "")
	if !early {
		w.run(between(r, 0, 60))
		w.ask()
	}
	w.run(900 + between(r, 0, 300)) // 15 min (the field guide)
	switch w.how {
	case "own":
		w.run(between(r, 900, 2700))
	case "carried":
		w.walk()
	case "typed":
		w.readOff()
	}
	w.tell("end", step, "", "", "")
	w.run(between(r, 10, 60))
	return Trial{Site: w.site(), Rows: sorted(w.rows), Truth: w.truth()}
}

func newWalking(r *rand.Rand, step string) *walking {
	w := &walking{r: r, step: step, heating: step == "heating-check", begun: time.Date(2026, 7, 8, 7+r.IntN(10), r.IntN(60), r.IntN(60), 0, time.UTC),
		how: pick(r, "own", "own", "own", "carried", "carried", "typed"), moist: pick(r, "humidity", "humidity", "humidity", "wet-bulb", "wet-bulb", "one-room", "none"),
		every: pick(r, 5.0, 10, 10, 15, 30), noiseK: spreadOver(r, 0.02, 0.3), errorK: 0.3, digit: pick(r, 0.01, 0.0625, 0.1),
		pa: between(r, 96e3, 103e3), barometer: chance(r, 0.3), untold: chance(r, 0.06), at: -1}
	if chance(r, 0.6) {
		w.given, w.errorK = true, math.Round(between(r, 0.1, 1)*10)/10
	}
	if !w.barometer {
		w.pa = between(r, 99.5e3, 102.5e3)
	}
	w.outC = between(r, 16, 36)
	if w.heating {
		w.moist = "none"
		w.outC = between(r, -8, 26)
		if chance(r, 0.06) {
			w.outC = between(r, 29, 36) // above 28 C units refuse (common practice)
		}
		if chance(r, 0.3) {
			w.given, w.tolK = true, math.Round(between(r, 0.5, 3)*10)/10
		}
		if w.outC < 7 && chance(r, 0.7) {
			w.defrostEvery, w.defrostLasts = between(r, 2000, 5000), between(r, 180, 600) // 3 to 10 min (the field guide)
		}
	} else {
		w.tolK = 1.7 // the field guide
	}
	if w.how == "typed" && w.moist == "one-room" {
		w.moist = "humidity"
	}
	w.furnish()
	return w
}

func (w *walking) furnish() {
	r := w.r
	n := 3 + r.IntN(8)
	baseW := moisture(24, between(r, 0.3, 0.7), w.pa)
	weak := 0.0 // short of charge: many rooms at once
	if chance(r, 0.1) {
		weak = between(r, 3, 6)
	}
	for range n {
		x := &airRoom{tempC: between(r, 21, 28), startTau: between(r, 60, 200), share: 1, kgKg: baseW * between(r, 0.97, 1.03)}
		if w.heating {
			x.tempC = between(r, 16, 23)
		}
		if chance(r, 0.15) {
			x.startTau = between(r, 200, 420)
		}
		x.driftC = -between(r, 0, 2) / 3600
		x.dries = -x.kgKg * between(r, 0, 0.08) / 3600
		if w.heating {
			x.driftC, x.dries = -x.driftC, 0
		}
		x.biasS, x.biasR = between(r, -0.5, 0.5)*w.errorK, between(r, -0.5, 0.5)*w.errorK
		switch w.moist {
		case "humidity", "one-room":
			x.biasM = between(r, -0.025, 0.025) // 2 to 3 % (the field guide)
		case "wet-bulb":
			x.biasM = between(r, -0.3, 0.3)
		}
		x.wander = drift{r: r, spread: between(r, 0.02, 0.15), tau: 600}
		w.class(x, weak)
		if w.how == "own" {
			w.upset(x)
		}
		w.rooms = append(w.rooms, x)
	}
}

// class says how good the unit is.
func (w *walking) class(x *airRoom, weak float64) {
	r := w.r
	low, high := -1.7, 1.7
	if w.heating {
		low, high = 15-w.tolK, 30+w.tolK
	}
	near := between(r, 0.05, 1.5) // of its limit
	switch u := r.Float64(); {
	case u < 0.08:
		x.class, x.overK = "reversed", -between(r, 4, 20)
		return
	case u < 0.16:
		x.class, x.overK = "idle", between(r, -0.6, 0.9)
		return
	case u < 0.5:
		x.overK = between(r, low, high)
	case u < 0.6:
		x.overK = low + near
	case u < 0.7:
		x.overK = high - near
	case u < 0.78:
		x.overK = low - near
	case u < 0.85:
		x.overK = high + near
	case u < 0.93:
		x.overK = low - between(r, 0.3, 5)
	default:
		x.overK = high + between(r, 0.3, 8)
	}
	x.overK -= weak
	if w.heating {
		x.overK = max(x.overK, 3)
	} else {
		x.overK = max(x.overK, 3-targetSplit(x.tempC, x.kgKg, w.pa))
	}
	switch {
	case x.overK < low:
		x.class = "low"
	case x.overK > high:
		x.class = "high"
	default:
		x.class = "good"
	}
}

// upset is what happens while sensors of its own watch a room.
func (w *walking) upset(x *airRoom) {
	r := w.r
	switch u := r.Float64(); {
	case u < 0.1: // its room is cool enough, after it had 12 min of steady running
		x.modulates, x.share = between(r, 1700, 2600), between(r, 0.4, 0.75)
	case u < 0.16:
		x.modulates, x.cycle = between(r, 1700, 2600), between(r, 480, 1000)
	case u < 0.19: // too early for anybody to know
		x.modulates, x.share = between(r, 300, 1000), between(r, 0.4, 0.75)
		x.class = "modulated"
	case u < 0.24:
		x.silentFrom = between(r, 600, 2000)
	}
}

// ask asks every unit for what the step is about.
func (w *walking) ask() {
	what := "cool"
	if w.heating {
		what = "heat"
	}
	pause := pick(w.r, 0.0, 0, 2, 10)
	for i, x := range w.rooms {
		if !w.untold {
			w.tell("command", unitName(i), "", "", what)
		}
		x.begins = w.t + between(w.r, 5, 90)
		w.run(pause)
	}
}

// splitK is what the unit makes of its air in the end, warmer above nought.
func (w *walking) splitK(x *airRoom) float64 {
	switch {
	case w.heating && w.outC > 28:
		return 0
	case w.heating:
		return x.overK
	case x.class == "reversed" || x.class == "idle":
		return -x.overK
	}
	return -targetSplit(x.tempC, x.kgKg, w.pa) - x.overK
}

func (w *walking) run(s float64) {
	for end := w.t + s; w.t < end; {
		w.t += branchTick
		heated := false
		for _, x := range w.rooms {
			heated = heated || w.heating && x.effect > 0.5 && w.outC <= 28
		}
		if heated && w.defrostEvery > 0 && math.Mod(w.t, w.defrostEvery) < branchTick {
			w.defrosts++
			w.defrostTo = w.t + w.defrostLasts
		}
		for _, x := range w.rooms {
			w.live(x)
		}
		w.read()
	}
}

func (w *walking) live(x *airRoom) {
	aim, tau := 0.0, x.startTau
	if x.begins > 0 && w.t >= x.begins {
		aim = 1
		x.tempC += float64(x.driftC * branchTick)
		x.kgKg += float64(x.dries * branchTick)
		if run := w.t - x.begins; x.modulates > 0 && run > x.modulates {
			aim, x.modSeen = x.share, true
			if x.cycle > 0 && math.Mod(run-x.modulates, x.cycle) < 0.45*x.cycle {
				aim = 0
			}
		}
	}
	if w.t < w.defrostTo && w.heating && x.overK > 0 {
		aim, tau = -0.2, 60
	}
	x.effect += (aim - x.effect) * branchTick / tau
	if math.Mod(w.t, 30) == 0 {
		x.wandered = x.wander.after(30)
	}
}

// air is supply, return and moisture as sensors of a room would show them,
// with their lasting errors.
func (w *walking) air(x *airRoom) (supply, back, moist float64) {
	back = x.tempC + x.wandered
	supply = back + float64(x.effect*w.splitK(x))
	switch w.moist {
	case "wet-bulb":
		moist = wetBulb(back, x.kgKg, w.pa) + x.biasM
	default:
		moist = min(0.99, relativeHumidity(back, x.kgKg, w.pa)+x.biasM)
	}
	return supply + x.biasS, back + x.biasR, moist
}

// band takes in what the return air's errors do to the target now.
func (w *walking) band(x *airRoom) {
	if w.heating || w.moist == "none" {
		return
	}
	pa := 101325.0
	if w.barometer {
		pa = w.pa
	}
	_, back, m := w.air(x)
	if w.moist == "one-room" {
		_, at, rh := w.air(w.rooms[0])
		m = relativeHumidity(back, moisture(at, rh, pa), pa)
	}
	said := moisture(back, m, pa)
	if w.moist == "wet-bulb" {
		said = kgKgOfWetBulb(back, m, pa)
	}
	x.shiftK = max(x.shiftK, math.Abs(targetSplit(back, said, pa)-targetSplit(x.tempC+x.wandered, x.kgKg, w.pa)))
}

func (w *walking) noisy(v float64) string {
	return text(toDigit(v+float64(w.noiseK*w.r.NormFloat64()), w.digit), 4)
}

func (w *walking) reading(name, value string) {
	if !chance(w.r, 0.005) {
		w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: "reading", Name: name, Value: value})
	}
}

func (w *walking) humid(v float64) string {
	return text(float64(100*v)+float64(0.2*w.r.NormFloat64()), 1)
}

func (w *walking) read() {
	if math.Mod(w.t, 60) == 0 {
		w.reading("outdoor", text(w.outC+float64(0.1*w.r.NormFloat64()), 2))
		if w.barometer {
			w.reading("barometer", text(w.pa/100, 1))
		}
	}
	if math.Mod(w.t, w.every) != 0 {
		return
	}
	for i, x := range w.rooms {
		if w.how != "own" || x.silentFrom > 0 && w.t > x.silentFrom && w.t < x.silentFrom+300 {
			continue
		}
		supply, back, moist := w.air(x)
		w.reading(unitName(i)+"-supply", w.noisy(supply))
		w.reading(unitName(i)+"-return", w.noisy(back))
		w.moistRow(i, moist, unitName(i))
		if x.begins > 0 && w.t > x.begins+900 {
			w.band(x)
		}
	}
	if w.how == "carried" {
		w.carry()
	}
	if w.moist == "one-room" && w.how != "own" {
		_, _, moist := w.air(w.rooms[0])
		w.moistRow(0, moist, "iu01")
	}
}

// moistRow is a hygrometer's or a wet bulb's reading.
func (w *walking) moistRow(i int, moist float64, of string) {
	switch {
	case w.moist == "humidity" || w.moist == "one-room" && i == 0:
		w.reading(of+"-humidity", w.humid(moist))
	case w.moist == "wet-bulb":
		w.reading(of+"-wetbulb", w.noisy(moist))
	}
}

// carry lets the carried pair follow the air where it is.
func (w *walking) carry() {
	seen := [3]float64{21, 21, 0.45} // in the corridor
	if w.moist == "wet-bulb" {
		seen[2] = 14.5
	}
	if w.at >= 0 {
		seen[0], seen[1], seen[2] = w.air(w.rooms[w.at])
	}
	if w.probe[0] == 0 {
		w.probe = seen
	}
	for k := range seen {
		w.probe[k] += float64((seen[k] - w.probe[k]) * min(1, w.every/35)) // in moving air (from memory)
	}
	w.reading("probe-supply", w.noisy(w.probe[0]))
	w.reading("probe-return", w.noisy(w.probe[1]))
	if w.moist != "one-room" {
		w.moistRow(0, w.probe[2], "probe")
	}
}

// walk carries the pair from room to room.
func (w *walking) walk() {
	r := w.r
	for i, x := range w.rooms {
		if chance(r, 0.06) {
			continue // forgotten
		}
		w.at = -1
		w.run(between(r, 20, 120))
		w.at = i
		w.run(between(r, 0, 20))
		w.tell("mark", "placed", "", "", pick(r, unitName(i), unitName(i)+" "+w.roomName(i), "probe at "+unitName(i)))
		w.waitOut()
		w.run(between(r, 330, 600))
		x.visited = w.t
		w.band(x)
	}
	w.at = -1
	w.run(between(r, 20, 100))
}

// waitOut is who knows a defrost and waits for its end.
func (w *walking) waitOut() {
	for w.t < w.defrostTo+420 && w.defrosts > 0 {
		w.run(30)
	}
}

func (w *walking) roomName(i int) string { return fmt.Sprintf("Room %d", i+1) }

// readOff is a walk in which readings are typed.
func (w *walking) readOff() {
	r := w.r
	for i, x := range w.rooms {
		if chance(r, 0.06) {
			continue
		}
		w.run(between(r, 60, 200))
		w.waitOut()
		supply, back, moist := w.air(x)
		w.typed(w.noisy10(supply), "C", unitName(i)+" supply")
		w.run(between(r, 5, 60))
		w.typed(w.noisy10(back), "C", unitName(i)+" return")
		switch w.moist {
		case "humidity":
			w.typed(text(100*moist, 0), "%", unitName(i)+" humidity")
		case "wet-bulb":
			w.typed(w.noisy10(moist), "C", unitName(i)+" wet-bulb")
		}
		x.visited = w.t
		w.band(x)
	}
	w.run(between(r, 20, 100))
}

// noisy10 is as a person reads it off: the display's average, to a tenth.
func (w *walking) noisy10(v float64) string { return text(v, 1) }

func (w *walking) typed(value, unit, note string) { w.tell("mark", "typed", value, unit, note) }

func (w *walking) tell(kind, name, value, unit, note string) {
	w.rows = append(w.rows, Row{Time: afterS(w.begun, w.t), Kind: kind, Name: name, Value: value, Unit: unit, Note: note})
}

func (w *walking) site() string {
	var units, points, steps strings.Builder
	point := func(name, measures, role, unit string, every float64) {
		fmt.Fprintf(&points, "  - {name: %s, measures: %s, role: %s, unit: %q, every: %ds}\n", name, measures, role, unit, int(every))
	}
	moist := func(of string) string {
		switch w.moist {
		case "humidity":
			point(of+"-humidity", "humidity", "return-humidity", "%", w.every)
			return fmt.Sprintf(", humidity: %s-humidity", of)
		case "wet-bulb":
			point(of+"-wetbulb", "temperature", "return-wet-bulb", "C", w.every)
			return fmt.Sprintf(", wet_bulb: %s-wetbulb", of)
		}
		return ""
	}
	for i := range w.rooms {
		more := ""
		if w.how == "own" {
			point(unitName(i)+"-supply", "temperature", "supply-air", "C", w.every)
			point(unitName(i)+"-return", "temperature", "return-air", "C", w.every)
			more = fmt.Sprintf(", supply: %s-supply, return: %s-return", unitName(i), unitName(i)) + moist(unitName(i))
		}
		if w.moist == "one-room" && i == 0 {
			point("iu01-humidity", "humidity", "return-humidity", "%", w.every)
			more += ", humidity: iu01-humidity"
		}
		fmt.Fprintf(&units, "    - {name: %s, room: %s%s}\n", unitName(i), w.roomName(i), more)
	}
	if w.how == "carried" {
		point("probe-supply", "temperature", "supply-air", "C", w.every)
		point("probe-return", "temperature", "return-air", "C", w.every)
		moist("probe")
	}
	point("outdoor", "temperature", "outdoor-air", "C", 60)
	if w.barometer {
		point("barometer", "absolute-pressure", "barometer", "hPa", 60)
	}
	if w.given {
		fmt.Fprintf(&steps, "steps:\n  %s: {sensor-error: %s K", w.step, text(w.errorK, 1))
		if w.heating {
			fmt.Fprintf(&steps, ", tolerance: %s K", text(w.tolK, 1))
		}
		steps.WriteString("}\n")
	}
	return fmt.Sprintf(`# Invented: a %s at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: R-410A
  indoor_units:
%spoints:
%s%s`, w.step, units.String(), points.String(), steps.String())
}

func (w *walking) truth() []Fact {
	yes := func(b bool) string {
		if b {
			return "yes"
		}
		return "no"
	}
	facts := []Fact{
		{Name: "units", Number: float64(len(w.rooms))},
		{Name: "measured", Word: w.how},
		{Name: "moisture", Word: w.moist},
		{Name: "sensor_error_k", Number: w.errorK},
		{Name: "noise_k", Number: w.noiseK},
		{Name: "every_s", Number: w.every},
		{Name: "commands_logged", Word: yes(!w.untold)},
		{Name: "defrosts", Number: float64(w.defrosts)},
		{Name: "too_warm", Word: yes(w.heating && w.outC > 28)},
	}
	for i, x := range w.rooms {
		low, high := -1.7, 1.7
		if w.heating {
			low, high = 15-w.tolK, 30+w.tolK
		}
		class := x.class
		switch {
		case w.heating && w.outC > 28:
			class = "too-warm"
		case w.how != "own" && x.visited == 0:
			class = "unmeasured"
		}
		off := min(math.Abs(x.overK-low), math.Abs(x.overK-high))
		if class == "idle" || class == "reversed" {
			off = 5
		}
		facts = append(facts, Fact{Name: unitName(i), Word: class},
			Fact{Name: unitName(i) + "_off_k", Number: off},
			Fact{Name: unitName(i) + "_band_k", Number: 0.3 + w.errorK + x.shiftK})
		if x.modSeen {
			facts = append(facts, Fact{Name: unitName(i) + "_modulates", Word: "yes"})
		}
	}
	return facts
}
