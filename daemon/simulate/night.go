package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"standwatch/rules"
)

// Message is what an instrument publishes: QoS 1, never retained.
type Message struct {
	Topic   string
	Payload []byte
	Own     int64 // the time the payload tells, Unix ms
}

// Tick is one second of the night: messages in the order of their own times,
// then what the technician tells the box (Own is the last message's time).
type Tick struct {
	At       int64 // Unix ms, of the last message
	Messages []Message
	Marks    []rules.Told
}

// Night is the whole night, second by second.
type Night struct {
	scenario Scenario
	begin    time.Time
	t        time.Duration // since begin
	rand     *rand.Rand    // of the technician's hands

	pipe     pipework
	pump     *pump // nil while valved off
	rig      pump
	stub     float64 // Pa: what the gauge sees while it is valved off
	isolated bool    // the gauge is on its own stub
	filling  bool    // nitrogen goes in
	charge   charging
	outdoor  outdoor
	rooms    []*room
	scale    scale
	scaleBat float64

	gaugeNoise, clampNoise, airNoise, barometerNoise, pressureNoise wander

	seq    map[string]uint64
	now    Tick
	script []act
	since  time.Duration // when the last act was done
	wait   time.Duration // what the next one waits for, with the hands' own pace
	ready  bool          // wait is known
	ended  bool
}

// The night begins at half past nine of a hot evening in June.
var begin = time.Date(2026, time.June, 16, 20, 30, 0, 0, time.UTC)

const (
	factoryKg = 9.3  // as the site file says
	targetKg  = 14.2 // the additional charge, as the site file says
	digitKg   = 0.005
)

// New makes a night. The seed decides the noise, the technician's pace and
// small differences between the rooms.
func New(seed uint64, scenario string) (*Night, error) {
	i := slices.IndexFunc(scenarios, func(s Scenario) bool { return s.Name == scenario })
	if i < 0 {
		return nil, fmt.Errorf("there is no scenario %q; choose one of %s", scenario, names())
	}
	table, err := readSaturation(saturationCSV)
	if err != nil {
		return nil, err
	}
	all, liquid, err := volumes(takeoffCSV)
	if err != nil {
		return nil, err
	}
	n := &Night{scenario: scenarios[i], begin: begin, seq: map[string]uint64{}}
	random := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
	n.rand = random(1)
	n.buildPipe(all+coilsL+branchUnitsL, random(2))
	n.buildCharge(table, liquid, random(3))
	n.buildOutdoor(table, random(4))
	n.buildRooms(random(5))
	n.script = n.technician()
	return n, nil
}

// Begin is the site's time just before the first message.
func (n *Night) Begin() time.Time { return n.begin.Add(-time.Second) }

// Scenario is the story played.
func (n *Night) Scenario() Scenario { return n.scenario }

func (n *Night) buildPipe(litres float64, r *rand.Rand) {
	damp := 1 + 0.06*r.NormFloat64()
	n.pipe = pipework{
		volume: litres, wallC: 21, dry: atmosphere - 1500, vapour: 1500,
		puddleG: 18 * damp, puddleC: 21,
		film: 2300 * filmDry * damp, holds: filmDry, gives: 0.035,
	}
	n.stub = atmosphere
	if n.scenario.wet {
		n.pipe.puddleG = 45 * damp
		n.pipe.holds, n.pipe.film, n.pipe.gives = filmWet, 300*filmWet*damp, 0.035
	}
	if n.scenario.leak {
		n.pipe.film *= 0.25 // else it is a dry pipe
		n.pipe.leak = 9 * micronPa / 60 * litres * (1 + 0.05*r.NormFloat64())
	}
	// A two-stage pump of 10 cfm (4.72 l/s) on 1.2 m of hose of 9.5 mm bore, valve cores out.
	n.rig = pump{speed: 4.72, ultimate: 2, bore: 0.95, length: 120}
	n.gaugeNoise = wander{rand: r, spread: 0.012, alike: 0.95}
}

const (
	filmDry = 82.0  // l: what walls and oil hold, see pipework.film
	filmWet = 200.0 // oil in the low end has taken up more, at a lower pressure
)

func (n *Night) buildCharge(table saturation, liquidL float64, r *rand.Rand) {
	at := table.at(23)
	pool := 0.30 * liquidL // of the liquid lines' volume lies low enough to stay full of liquid
	n.charge = charging{
		table: table,
		on:    &cylinder{tare: 6.15, net: 11.34, litres: 11.9, tempC: 28},
		full:  (at.liquid*pool + at.vapour*(n.pipe.volume-pool)) / 1000,
		slow:  380,
	}
	n.scale = scale{digit: digitKg, noise: wander{rand: r, spread: 0.0025, alike: 0.7}}
	n.scale.slow = n.gross()
	n.scaleBat = 64
	if n.scenario.battery {
		n.scaleBat = 22.3 // it passes 20 % in the third hour
	}
}

func (n *Night) buildOutdoor(table saturation, r *rand.Rand) {
	n.outdoor = outdoor{table: table, airC: 28.5, sumpC: 29.5, swing: wander{rand: r, spread: 0.35, alike: 0.9}}
	n.clampNoise = wander{rand: r, spread: 0.05, alike: 0.5}
	n.airNoise = wander{rand: r, spread: 0.12, alike: 0.97}
	n.barometerNoise = wander{rand: r, spread: 4, alike: 0.9}
	n.pressureNoise = wander{rand: r, spread: 900, alike: 0.6}
}

func (n *Night) buildRooms(r *rand.Rand) {
	for i := range 12 {
		t := 26.2 + 0.5*r.NormFloat64()
		a := moist(t, 0.52+0.015*r.NormFloat64())
		n.rooms = append(n.rooms, &room{
			unit: fmt.Sprintf("iu%02d", i+1), branch: i / 4,
			air: a, outsideT: t - 0.2, outsideW: a.ratio,
			strength: 1 + min(0.04, max(-0.04, 0.02*r.NormFloat64())), command: "off",
			supplyNoise:   wander{rand: r, spread: 0.08, alike: 0.8},
			returnNoise:   wander{rand: r, spread: 0.06, alike: 0.8},
			humidityNoise: wander{rand: r, spread: 0.004, alike: 0.9},
		})
	}
	if n.scenario.weak {
		n.rooms[6].strength = 0.42 // its valve opens half way only
	}
	if n.scenario.crossed {
		n.rooms[4].port, n.rooms[5].port = n.rooms[5], n.rooms[4]
	}
}

// Next gives the next second of the night; ok is false when it is over.
func (n *Night) Next() (Tick, bool) {
	if n.ended && len(n.script) == 0 && n.t-n.since > 90*time.Second {
		return Tick{}, false
	}
	n.now = Tick{}
	n.live()
	n.measure()
	n.now.At = n.now.Messages[len(n.now.Messages)-1].Own
	n.act()
	n.t += time.Second
	return n.now, true
}

// live lets a second pass in the whole site.
func (n *Night) live() {
	n.outdoor.step(n.t)
	n.pipe.wallC = 21 + 0.15*(n.outdoor.airC-21)
	if n.charge.drawn == 0 {
		n.pipe.step(n.pump)
		if n.filling {
			n.pipe.fill(400, atmosphere+12000) // to about 2 psi above the atmosphere
		}
	}
	if n.isolated {
		n.stub += 0.002 // a stub is never quite tight
	} else {
		n.stub = n.pipe.shown()
	}
	n.charge.step(n.outdoor.airC, n.outdoor.running != "")
	n.scaleBat -= 1.0 / 3600
}

func (n *Night) gross() float64 {
	if c := n.charge.on; c != nil {
		return c.tare + c.net
	}
	return 0
}

// filled is how well the system is charged: what it needs is the outdoor unit's own and the target.
func (n *Night) filled() float64 { return (factoryKg + n.charge.drawn) / (factoryKg + targetKg) }

// linePressure is absolute, in Pa, of the field pipe while no compressor runs.
func (n *Night) linePressure() float64 {
	if n.charge.drawn == 0 {
		return n.pipe.pressure()
	}
	cylinder := n.charge.table.at(n.outdoor.airC).bubble
	return n.pipe.pressure() + cylinder*math.Min(1, n.charge.drawn/n.charge.full)
}
