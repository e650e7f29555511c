package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

const branchCheckDoc = `A branch check of a heat recovery building with 4 to 64 indoor units: who answers whom.
Units are asked one at a time to heat (or to cool, on a warm day), or in coded halves: one half heats, the other
cools. A port gives heat or cold to the room that its pipe leads to, and only while that room's own valve is open;
where units at rest shut their valves tight, crossed pipes answer nothing until two of them are asked at once. Crossed
are pipes, addresses or supply sensors, in pairs or in rings of three; ports may be dead, leak, or rooms share a duct.
Rooms drift, the sun comes, doors open, the outdoor unit defrosts. True: who answers whom (pairs), dead ports, leaks,
and the least response of a unit that was asked (least_response_k: held for a minute, weather and neighbours aside).`

// Lags, splits and the plans are the field guide's (step 8); shares of upsets
// are our choice, and invented.
type building struct {
	r     *rand.Rand
	begun time.Time
	t     float64 // s since then
	rows  []Row
	later float64 // s from a command to its row

	heating bool   // on the days on which one at a time means heat
	rest    string // what a unit that is not under test is asked: fan or off
	coils   []*coil
	asked   []string // of each unit, by its number

	// The plant as it is. A command of unit i acts on the hardware hw[i], whose
	// port feeds coil feeds[hw[i]]; sensor k hangs in the air of coil shows[k].
	hw, feeds, shows []int
	ajar             float64 // how far a valve at rest stands open
	liquid           []int   // whose liquid pipe a coil has; its own where nothing is crossed
	leakFrom, leakTo int     // hardware and coil; -1: none
	leak             float64
	ductFrom, ductTo int // coils; -1: none
	duct             float64

	startDelay float64 // s more where the compressor stood
	stood      float64 // s since the compressor was last needed
	capacity   float64 // of this run
	weather
	probes
	seen branchSeen
}

// coil is an indoor unit's coil with its room.
type coil struct {
	dead          bool // its port gives nothing
	heatK, coolK  float64
	tau, delay    float64
	mode, pending int // 1 heats, -1 cools, 0 rests
	share, pShare float64
	at            float64 // when what is pending comes true
	effect        float64 // K
	roomC, warmed float64 // its room, and what its own coil has done to it
	walls         float64 // s in which the room follows its coil's split
	plenumK       float64 // what the sensor shows above the room with the fan off
	still         float64 // how far the air stands
	sun, sunFrom  float64
	sunLasts      float64
	door, doorTau float64
	wander        drift
	wandered      float64
	trend         float64
	reached       []float64 // each 30 s of a run, in the sense asked
	sensorK       float64   // its supply sensor's own error
	correlated    drift
	silentFrom    float64
	silentTo      float64
	noSensor      bool
	phaseS        float64
	disobeysFrom  float64
	disobeysTo    float64
	draughty      bool
}

type weather struct {
	defrostEvery, defrostLasts float64 // s; 0: none
	defrostAt, defrostTo       float64
	waits                      bool // the technician waits for the defrost's end
	outC                       float64
}

type probes struct {
	every    float64
	noiseK   float64
	digit    float64
	lost     float64 // share of readings
	returns  bool
	outdoors bool
}

type branchSeen struct {
	plan, kind  string
	pairTried   bool
	least       float64
	defrosts    int
	doors, suns int
	runs        int
}

const branchTick = 5.0 // s

func makeBranchCheck(r *rand.Rand) Trial {
	b := newBuilding(r)
	if chance(r, 0.1) {
		b.askAll(b.resting(), nil)
	}
	b.run(between(r, 30, 300), nil)
	b.tell("begin", "branch-check", "", 0)
	b.askAll(b.resting(), nil)
	b.run(between(r, 540, 900), nil) // 10 min of baseline (the field guide)
	if b.seen.plan == "coded" {
		b.coded()
	} else {
		b.oneAtATime()
	}
	if chance(r, 0.5) {
		b.askAll(b.resting(), nil)
		b.run(between(r, 60, 600), nil)
	}
	b.tell("end", "branch-check", "", 0)
	b.run(between(r, 10, 60), nil)
	return Trial{Site: b.site(), Rows: sorted(b.rows), Truth: b.truth()}
}

func newBuilding(r *rand.Rand) *building {
	b := &building{r: r, begun: time.Date(2026, 10, 20, 6+r.IntN(14), r.IntN(60), r.IntN(60), 0, time.UTC),
		rest: pick(r, "fan", "fan", "fan", "off"), leakFrom: -1, leakTo: -1, ductFrom: -1, ductTo: -1,
		startDelay: between(r, 0, 150), stood: 3600, capacity: 1}
	b.heating = chance(r, 0.7)
	n := 4 + r.IntN(9)
	b.seen.plan = pick(r, "one", "one", "coded")
	switch {
	case b.seen.plan == "coded" && chance(r, 0.7):
		n = int(spreadOver(r, 8, 64.99)) // above 12 units it is proposed
	case b.seen.plan == "one" && chance(r, 0.08):
		n = int(spreadOver(r, 12, 64.99))
	}
	if chance(r, 0.2) {
		b.later = 40
	}
	b.outC = between(r, 18, 34)
	if b.heating || b.seen.plan == "coded" {
		b.outC = between(r, -8, 20)
		if b.outC < 8 && chance(r, 0.6) { // colder than that a coil ices up (common practice)
			b.defrostEvery, b.defrostLasts = between(r, 2400, 6000), between(r, 180, 600) // 3 to 10 min (the field guide)
			b.defrostAt, b.defrostTo = between(r, 0, b.defrostEvery), -1
			b.waits = chance(r, 0.75)
		}
	}
	b.fit(n)
	b.cross(n)
	b.faults(n)
	return b
}

// fit gives each room its coil, its air and its sensor.
func (b *building) fit(n int) {
	r := b.r
	b.probes = probes{every: pick(r, 5.0, 10, 10, 15, 20, 30), noiseK: pick(r, between(r, 0.02, 0.2), between(r, 0.1, 0.5), 0.5),
		digit: pick(r, 0.01, 0.0625, 0.1), lost: pick(r, 0, 0, 0.01, 0.03), returns: n <= 16 && chance(r, 0.5), outdoors: chance(r, 0.6)}
	if b.seen.plan == "one" && n > 14 {
		b.every = 30
	}
	low, high := 8.0, 25.0
	if chance(r, 0.35) {
		low, high = 5, 9
	}
	alike := pick(r, 0, 0, 0.7) // of the noise's spread, how much lasts for a while
	sun, doors := chance(r, 0.4), chance(r, 0.4)
	base := between(r, 17, 25)
	for range n {
		c := &coil{tau: between(r, 60, 240), delay: between(r, 10, 120), roomC: base + between(r, -2, 2), walls: spreadOver(r, 4000, 20000),
			plenumK: between(r, -1.5, 2.5), doorTau: between(r, 60, 300), trend: between(r, -0.6, 0.6) / 3600,
			wander:  drift{r: r, spread: between(r, 0.1, 0.8), tau: between(r, 1800, 7200)},
			sensorK: between(r, -0.4, 0.4), sunLasts: between(r, 2400, 9000), sunFrom: between(r, -3600, 18000), phaseS: between(r, 0, b.every)}
		c.heatK, c.coolK = between(r, low, high), min(between(r, low, high), between(r, 5, 15))
		left := math.Exp(-(540 - c.delay) / c.tau) // of the way, 9 min after it is asked
		if b.seen.plan == "coded" {
			left *= 2 // the way is from heat to cold
		}
		c.heatK, c.coolK = min(30, c.heatK/(1-left)), min(20, c.coolK/(1-left))
		c.correlated = drift{r: r, spread: b.noiseK * alike, tau: between(r, 60, 180)}
		if sun && chance(r, 0.4) {
			c.sun = between(r, 1, 4)
			b.seen.suns++
		}
		c.draughty = doors && chance(r, 0.5)
		b.coils = append(b.coils, c)
		b.asked = append(b.asked, "")
	}
	b.noiseK *= math.Sqrt(1 - float64(alike*alike))
}

// cross lays out who feeds whom.
func (b *building) cross(n int) {
	r := b.r
	straight := func() []int {
		is := make([]int, n)
		for i := range is {
			is[i] = i
		}
		return is
	}
	b.hw, b.feeds, b.shows, b.liquid = straight(), straight(), straight(), straight()
	kinds := []string{"addresses", "addresses", "pipes", "pipes", "pipes-ajar", "pipes-ajar", "sensors"}
	if b.seen.plan == "one" {
		kinds = append(kinds, "one-pipe")
	}
	b.seen.kind = pick(r, kinds...)
	if chance(r, 0.4) {
		b.seen.kind = "straight"
		return
	}
	if b.seen.kind == "pipes-ajar" {
		b.ajar = between(r, 0.5, 1) // units at rest are seldom shut tight (from memory)
	}
	to := straight()
	free := straight()
	take := func(k int) []int { // neighbours, mostly: that is where hands slip
		i := r.IntN(len(free) - k + 1)
		is := slices.Clone(free[i : i+k])
		if chance(r, 0.3) {
			r.Shuffle(len(free), func(i, j int) { free[i], free[j] = free[j], free[i] })
			is = slices.Clone(free[:k])
		}
		free = slices.DeleteFunc(free, func(i int) bool { return slices.Contains(is, i) })
		return is
	}
	if b.seen.kind != "one-pipe" && chance(r, 0.2) {
		is := take(3)
		to[is[0]], to[is[1]], to[is[2]] = is[1], is[2], is[0]
	} else {
		for range min(pick(r, 1, 1, 1, 2, 2, 3), n/2) {
			is := take(2)
			to[is[0]], to[is[1]] = is[1], is[0]
		}
	}
	switch b.seen.kind {
	case "addresses":
		b.hw = to
	case "pipes", "pipes-ajar":
		b.feeds = to
	case "sensors":
		for i, k := range to {
			b.shows[k] = i
		}
	case "one-pipe":
		b.liquid = to
	}
}

// faults are those that are no crossing.
func (b *building) faults(n int) {
	r := b.r
	var plain []int
	for i := range n {
		if b.answers(i) == i && b.liquid[i] == i {
			plain = append(plain, i)
		}
	}
	r.Shuffle(len(plain), func(i, j int) { plain[i], plain[j] = plain[j], plain[i] })
	next := func() *coil {
		c := b.coils[plain[0]]
		plain = plain[1:]
		return c
	}
	if len(plain) > 0 && chance(r, 0.06) {
		next().dead = true
	}
	if len(plain) > 0 && chance(r, 0.04) {
		next().noSensor = true
	}
	if len(plain) > 0 && chance(r, 0.04) {
		c := next()
		c.disobeysFrom = between(r, 1200, 9000) // its thermostat is satisfied
		c.disobeysTo = c.disobeysFrom + between(r, 600, 3000)
	}
	if len(plain) > 1 && chance(r, 0.06) {
		b.leakFrom, b.leakTo, b.leak = plain[0], plain[1], between(r, 0.2, 0.6)
		plain = plain[2:]
	}
	if len(plain) > 1 && chance(r, 0.12) {
		b.ductFrom, b.ductTo, b.duct = plain[0], plain[1], between(r, 0.05, 0.25)
	}
	if chance(r, 0.1) {
		c := b.coils[r.IntN(n)]
		c.silentFrom = between(r, 600, 9000)
		c.silentTo = c.silentFrom + between(r, 30, 400)
	}
}

// answers is the sensor that shows what unit i was asked.
func (b *building) answers(i int) int { return slices.Index(b.shows, b.feeds[b.hw[i]]) }

func sense(command string) int {
	switch command {
	case "heat":
		return 1
	case "cool":
		return -1
	}
	return 0
}

// settle finds what each coil is fed, and begins to change what has changed.
func (b *building) settle() {
	n := len(b.coils)
	port := make([]int, n) // of the hardware
	for i, what := range b.asked {
		if c := b.coils[b.hw[i]]; c.disobeysTo <= b.t || c.disobeysFrom > b.t {
			port[b.hw[i]] = sense(what)
		}
	}
	for q := range n {
		c := b.coils[b.feeds[q]]
		mode, share := port[q], 1.0
		if port[b.feeds[q]] == 0 {
			share = b.ajar
		}
		if k := b.feeds[q]; b.liquid[k] != k && port[b.liquid[k]] == 0 || share == 0 || b.coils[q].dead {
			mode, share = 0, 0
		}
		if mode == c.pending && (share == c.pShare || mode == 0) {
			continue
		}
		c.pending, c.pShare, c.at = mode, share, b.t+between(b.r, 5, 30)
		if mode != 0 {
			c.at = b.t + c.delay
			if b.stood > 180 {
				c.at += b.startDelay
			}
		}
	}
}

// defrosts lets the outdoor unit ice up while rooms are heated.
func (b *building) defrosts(heated bool) bool {
	if b.defrostEvery == 0 {
		return false
	}
	if b.t < b.defrostTo {
		return true
	}
	if heated {
		b.defrostAt -= branchTick
	}
	if b.defrostAt > 0 || !heated {
		return false
	}
	b.seen.defrosts++
	b.defrostAt, b.defrostTo = b.defrostEvery*between(b.r, 0.8, 1.2), b.t+b.defrostLasts
	return true
}

// step lets one tick pass.
func (b *building) step() {
	needed, heated := false, false
	for _, c := range b.coils {
		needed, heated = needed || c.pending != 0, heated || c.mode > 0
	}
	b.stood += branchTick
	if needed {
		b.stood = 0
	}
	defrost := b.defrosts(heated)
	for _, c := range b.coils {
		if b.t >= c.at {
			c.mode, c.share = c.pending, c.pShare
		}
		c.effect += (b.goal(c, defrost) - c.effect) * branchTick / c.tau
		b.live(c)
	}
	if b.leakFrom >= 0 {
		from, to := b.coils[b.leakFrom], b.coils[b.leakTo]
		to.effect += b.leak * b.full(from) * branchTick / to.tau
	}
	b.t += branchTick
}

// full is what a coil comes to in the end.
func (b *building) full(c *coil) float64 {
	k := c.heatK
	if c.mode < 0 {
		k = c.coolK
	}
	return float64(c.mode) * c.share * k * b.capacity
}

func (b *building) goal(c *coil, defrost bool) float64 {
	if defrost && c.mode > 0 {
		return -0.25 * c.heatK // it takes its heat from the rooms
	}
	return b.full(c)
}

// live is what a room does by itself.
func (b *building) live(c *coil) {
	c.warmed += float64((c.effect/c.walls - c.warmed/9000) * branchTick)
	c.roomC += float64(c.trend * branchTick)
	c.door -= c.door * branchTick / c.doorTau
	if math.Mod(b.t, 60) == 0 {
		c.wandered = c.wander.after(60)
		if c.draughty && chance(b.r, 0.4/60) {
			c.door += float64(pick(b.r, -1.0, -1, 1) * between(b.r, 1, 4))
			b.seen.doors++
		}
	}
}

// room is its air now.
func (b *building) room(c *coil) float64 {
	sun := 0.0
	if x := (b.t - c.sunFrom) / c.sunLasts; c.sun > 0 && x > 0 && x < 1 {
		sun = c.sun * math.Sin(math.Pi*x)
	}
	return c.roomC + c.warmed + c.wandered + c.door + sun
}

// supply is the air at the outlet of coil k.
func (b *building) supply(k int, fanOff bool) float64 {
	c := b.coils[k]
	aim := 0.0
	if fanOff {
		aim = 1
	}
	c.still += (aim - c.still) * branchTick / 200
	t := b.room(c) + c.effect + float64(c.still*c.plenumK)
	if k == b.ductTo {
		from := b.coils[b.ductFrom]
		t += float64(b.duct * (b.room(from) + from.effect - t))
	}
	return t
}

// read is what the instruments show after a tick.
func (b *building) read() {
	due := math.Mod(b.t, b.every) == 0
	for s := range b.coils {
		k := b.shows[s]
		own := b.coils[s] // the sensor is the name's
		fan := b.asked[slices.Index(b.hw, k)] == "off"
		v := b.supply(k, fan)
		if !due || own.noSensor || b.t >= own.silentFrom && b.t < own.silentTo {
			continue
		}
		at := afterS(b.begun, b.t+own.phaseS)
		v += own.sensorK + float64(b.noiseK*b.r.NormFloat64()) + own.correlated.after(b.every)
		if !chance(b.r, b.lost) {
			b.rows = append(b.rows, Row{Time: at, Kind: "reading", Name: unitName(s) + "-supply", Value: b.shown(v)})
		}
		if b.returns {
			b.rows = append(b.rows, Row{Time: at, Kind: "reading", Name: unitName(s) + "-return", Value: b.shown(b.room(own) + float64(0.7*b.noiseK*b.r.NormFloat64()))})
		}
	}
	if b.outdoors && math.Mod(b.t, 60) == 0 {
		b.rows = append(b.rows, Row{Time: afterS(b.begun, b.t), Kind: "reading", Name: "outdoor", Value: b.shown(b.outC + float64(0.1*b.r.NormFloat64()))})
	}
}

func (b *building) shown(v float64) string { return text(toDigit(v, b.digit), 4) }

func unitName(i int) string { return fmt.Sprintf("iu%02d", i+1) }

func (b *building) tell(kind, name, note string, late float64) {
	b.rows = append(b.rows, Row{Time: afterS(b.begun, b.t+late), Kind: kind, Name: name, Note: note})
}

func (b *building) site() string {
	var units, points, branches strings.Builder
	ports := 4 + b.r.IntN(5)
	for i, c := range b.coils {
		supply := ""
		if !c.noSensor {
			supply = fmt.Sprintf(", supply: %s-supply", unitName(i))
			fmt.Fprintf(&points, "  - {name: %s-supply, measures: temperature, role: supply-air, unit: C, every: %ds}\n", unitName(i), int(b.every))
		}
		if b.returns {
			supply += fmt.Sprintf(", return: %s-return", unitName(i))
			fmt.Fprintf(&points, "  - {name: %s-return, measures: temperature, role: return-air, unit: C, every: %ds}\n", unitName(i), int(b.every))
		}
		fmt.Fprintf(&units, "    - {name: %s, room: Room %d, branch: bu%d, port: %d%s}\n", unitName(i), i+1, i/ports+1, i%ports+1, supply)
		if i%ports == 0 {
			fmt.Fprintf(&branches, "    - {name: bu%d}\n", i/ports+1)
		}
	}
	if b.outdoors {
		points.WriteString("  - {name: outdoor, measures: temperature, role: outdoor-air, unit: C, every: 60s}\n")
	}
	return fmt.Sprintf(`# Invented: a branch check at a site that does not exist.
site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: R-410A
  heat_recovery: true
  branch_units:
%s  indoor_units:
%spoints:
%s`, branches.String(), units.String(), points.String())
}

func (b *building) truth() []Fact {
	var pairs, dead, unmeasured []string
	disobeys := "no"
	for i, c := range b.coils {
		if k := b.answers(i); k != i {
			pairs = append(pairs, unitName(i)+">"+unitName(k))
		}
		if c.dead {
			dead = append(dead, unitName(i))
		}
		if c.noSensor {
			unmeasured = append(unmeasured, unitName(i))
		}
		if c.disobeysTo > 0 && c.disobeysFrom < b.t {
			disobeys = "yes"
		}
	}
	var leak, duct string
	if b.leakFrom >= 0 {
		leak = unitName(b.leakFrom) + ">" + unitName(b.leakTo)
	}
	if b.ductFrom >= 0 {
		duct = unitName(b.ductFrom) + ">" + unitName(b.ductTo)
	}
	clear := "yes" // the guide's rule: three times the next in its row and column
	if b.ductFrom >= 0 && b.duct*b.coils[b.ductFrom].heatK*3 > min(b.coils[b.ductTo].heatK, b.coils[b.ductTo].coolK) {
		clear = "no"
	}
	plan := b.seen.plan
	if plan == "one" && b.heating {
		plan = "one-heat"
	} else if plan == "one" {
		plan = "one-cool"
	}
	facts := []Fact{
		{Name: "units", Number: float64(len(b.coils))},
		{Name: "plan", Word: plan},
		{Name: "kind", Word: b.seen.kind},
		{Name: "least_response_k", Number: b.seen.least},
		{Name: "noise_k", Number: math.Hypot(b.noiseK, b.coils[0].correlated.spread)},
		{Name: "every_s", Number: b.every},
		{Name: "defrosts", Number: float64(b.seen.defrosts)},
		{Name: "doors", Number: float64(b.seen.doors)},
		{Name: "rooms_in_sun", Number: float64(b.seen.suns)},
		{Name: "clear", Word: clear},
		{Name: "thermostat", Word: disobeys},
	}
	for _, f := range []Fact{{Name: "pairs", Word: strings.Join(pairs, " ")}, {Name: "dead", Word: strings.Join(dead, " ")},
		{Name: "unmeasured", Word: strings.Join(unmeasured, " ")}, {Name: "leak", Word: leak}, {Name: "duct", Word: duct}} {
		if f.Word != "" {
			facts = append(facts, f)
		}
	}
	if b.seen.pairTried {
		facts = append(facts, Fact{Name: "tried_in_pairs", Word: "yes"})
	}
	return facts
}
