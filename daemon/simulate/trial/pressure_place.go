package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

// acr is an annealed tube of ASTM B280 (testdata/reference/copper_tube_b280.csv).
type acr struct {
	od     string
	odMm   float64
	wallMm float64
	line   string
}

func (t acr) m3PerM() float64 {
	bore := (t.odMm - 2*t.wallMm) / 1000
	return math.Pi / 4 * bore * bore
}

// layPipes lays the network: what lies where, and the take-off of it. Coils
// and branch units, which a take-off of lines does not know, add to the volume.
func (p *pressing) layPipes() {
	r := p.r
	small := []acr{{"3/8 in", 9.525, 0.8128, "liquid"}, {"5/8 in", 15.875, 0.889, "suction"}}
	middle := []acr{{"5/8 in", 15.875, 0.889, "liquid"}, {"7/8 in", 22.225, 1.143, "suction"}}
	large := []acr{{"3/4 in", 19.05, 1.0668, "liquid"}, {"1-1/8 in", 28.575, 1.27, "suction"}, {"7/8 in", 22.225, 1.143, "hot-gas"}}
	var csv strings.Builder
	csv.WriteString("run,line,outside_diameter,length\n")
	lay := func(place string, metres float64, tubes []acr, lines int) {
		metres = math.Round(metres*2) / 2
		s := &stretch{place: place}
		for i := range lines {
			for _, t := range tubes {
				fmt.Fprintf(&csv, "%s %d,%s,%s,%s m\n", place, i+1, t.line, t.od, text(metres, 1))
				s.m3 += float64(metres * t.m3PerM())
			}
		}
		p.tookM3 += s.m3
		s.m3 *= between(r, 1, 1.06) // what a tape misses
		p.pipe.parts = append(p.pipe.parts, s)
	}
	lay("roof", between(r, 3, 25), large, 1)
	lay("shaft", between(r, 8, 40), large, 1)
	lay("ceiling", between(r, 15, 60), middle, 1)
	units := 4 + r.IntN(16)
	lay("rooms", between(r, 3, 8), small, units)
	p.pipe.parts[3].m3 += float64(float64(units) * between(r, 0.001, 0.002)) // coils: 1 to 3 l (the field guide, from memory)
	p.takeOff = csv.String()
}

// sky is the weather and the house.
type sky struct {
	r              *rand.Rand
	hour           float64 // of the day
	meanC, swingC  float64 // the day's mean, and half its swing
	sunK           float64 // what full sun adds to a roof pipe
	roomC          float64
	morning        bool // the heating comes on at seven
	weather, cloud drift
	outC, sun      float64
	shaftC         float64
	pa             float64 // the atmosphere
	baseA, ampA    float64
	periodA, faseA float64
	t              float64
	hasBarometer   bool
	hasThermometer bool
	thermometerC   float64 // its offset
	nextAir        float64
	nextWeather    float64
}

func newSky(r *rand.Rand, at time.Time) sky {
	s := sky{
		r: r, hour: float64(at.Hour()) + float64(at.Minute())/60,
		meanC: between(r, 0, 26), swingC: pick(r, between(r, 2, 8), between(r, 7, 11)), // days of 20 K among them
		sunK: pick(r, 0, between(r, 3, 15), between(r, 10, 28)), roomC: between(r, 17, 25), morning: chance(r, 0.4),
		weather:      drift{r: r, spread: between(r, 0.2, 1.2), tau: 7200},
		cloud:        drift{r: r, spread: 0.35, tau: between(r, 600, 5400)},
		baseA:        between(r, 98e3, 102.5e3),
		ampA:         between(r, 0, 1000), // up to 2 kPa from high to low (the field guide)
		periodA:      between(r, 24, 80) * 3600,
		faseA:        between(r, 0, 2*math.Pi),
		hasBarometer: chance(r, 0.65), hasThermometer: chance(r, 0.8), thermometerC: between(r, -0.4, 0.4),
	}
	s.after(1e-9)
	s.shaftC = float64(0.5*s.roomC) + float64(0.5*s.meanC)
	return s
}

// after lets time pass.
func (s *sky) after(dt float64) {
	s.t += dt
	s.hour += dt / 3600
	if s.t >= s.nextWeather {
		s.nextWeather = s.t + 60
		day := math.Mod(s.hour, 24)
		s.outC = s.meanC + float64(s.swingC*math.Cos(2*math.Pi*(day-15)/24)) + s.weather.after(60)
		high := max(0, math.Sin(math.Pi*(day-6)/14)) // six to twenty o'clock
		if day < 6 || day > 20 {
			high = 0
		}
		s.sun = high * min(1, max(0, 0.7+s.cloud.after(60)))
		s.pa = s.baseA + float64(s.ampA*math.Sin(s.faseA+2*math.Pi*s.t/s.periodA))
		s.shaftC += (float64(0.6*s.roomC) + float64(0.4*s.outC) - s.shaftC) * 60 / 9000
	}
}

// room is the air in rooms and ceilings.
func (s *sky) room() float64 {
	warm := float64(0.15 * (s.outC - s.meanC))
	if day := math.Mod(s.hour, 24); s.morning && day > 7 && day < 18 {
		warm += float64(3.5 * (1 - math.Exp(-(day-7)/1.2)))
	}
	return s.roomC + warm
}

// air is the air of a place.
func (s *sky) air(place string) float64 {
	switch place {
	case "roof":
		return s.outC
	case "shaft":
		return s.shaftC
	}
	return s.room()
}

// around is what a pipe of a place comes to.
func (s *sky) around(place string) float64 {
	switch place {
	case "roof":
		return s.outC + float64(s.sunK*s.sun)
	case "ceiling":
		return s.room() + 1.5
	}
	return s.air(place)
}

// clamp is a thermometer on a pipe.
type clamp struct {
	name  string
	of    *stretch
	c     float64
	tau   float64 // s by which it follows
	loose float64 // how much of the air it feels
	off   float64 // K
	every float64
	next  float64
	hiss  float64
	digit float64
}

// transducer is the gauge on the pipe.
type transducer struct {
	r       *rand.Rand
	unit    string
	every   float64
	next    float64
	digit   float64 // Pa
	hiss    float64 // Pa
	perK    float64 // Pa/K: its zero, by its temperature
	outside bool    // it stands in the outdoor air, else in a room
	firstC  float64
	known   bool
	slow    drift
	factor  float64
}

func (p *pressing) placeInstruments() {
	r := p.r
	g := &p.gauge
	*g = transducer{
		r: r, unit: pick(r, "psi", "psi", "bar", "kPa"), hiss: spreadOver(r, 150, 2000),
		// 0.02 % of 7 MPa a kelvin at most (the field guide's budget).
		perK: 1400 * between(r, -1, 1) * pick(r, 1, 0.3), outside: chance(r, 0.5),
		slow:   drift{r: r, spread: between(r, 0, 1500), tau: 12 * 3600}, // of its zero
		factor: 1 + float64(0.003*between(r, -1, 1)),                     // of its span: it cancels
		every:  pick(r, 1.0, 2, 5, 10, 30),
	}
	if p.lastsS > 7*3600 {
		g.every = pick(r, 5.0, 10, 10, 30, 60)
	}
	g.digit = map[string]float64{"psi": pick(r, 0.1, 0.5, 1) * psi, "bar": pick(r, 0.01, 0.05) * 1e5, "kPa": pick(r, 0.1, 1) * 1e3}[g.unit]
	how := r.Float64()
	for i, s := range p.pipe.parts {
		if how < 0.12 || how < 0.35 && i == r.IntN(4) {
			continue // none; or one is missing
		}
		p.probe = append(p.probe, &clamp{
			name: s.place + "-pipe", of: s, tau: spreadOver(r, 30, 400), loose: between(r, 0, 0.12),
			off: 0.2 * r.NormFloat64(), every: max(10, g.every), hiss: between(r, 0.01, 0.08), digit: pick(r, 0.0625, 0.1, 0.01),
		})
	}
}

// read lets the instruments show what is, and the box hear it.
func (p *pressing) read(dt float64) {
	if p.gap > 0 && p.t >= p.boxOff && p.t < p.boxOff+p.gap {
		return
	}
	say := func(name, value string) {
		p.rows = append(p.rows, Row{Time: afterS(p.begun, p.t), Kind: "reading", Name: name, Value: value})
	}
	g := &p.gauge
	if p.t >= g.next {
		g.next = p.t + g.every - float64(dt/2)
		c := p.sky.room()
		if g.outside {
			c = p.sky.outC
		}
		if !g.known {
			g.known, g.firstC = true, c
		}
		pa := float64((p.pipe.pa-p.sky.pa)*g.factor) + float64(g.perK*(c-g.firstC)) + g.slow.after(g.every) + float64(g.hiss*g.r.NormFloat64())
		pa = toDigit(pa, g.digit)
		switch g.unit {
		case "psi":
			say("gauge", text(pa/psi, 1))
		case "bar":
			say("gauge", text(pa/1e5, 2))
		default:
			say("gauge", text(pa/1e3, 1))
		}
	}
	for _, c := range p.probe {
		if p.t >= c.next {
			c.next = p.t + c.every - float64(dt/2)
			say(c.name, text(toDigit(c.c+c.off+float64(c.hiss*p.r.NormFloat64()), c.digit), 4))
		}
	}
	if p.t < p.sky.nextAir {
		return
	}
	p.sky.nextAir = p.t + 60 - float64(dt/2)
	if p.sky.hasThermometer {
		say("ambient", text(toDigit(p.sky.outC+p.sky.thermometerC+float64(0.05*p.r.NormFloat64()), 0.0625), 4))
	}
	if p.sky.hasBarometer {
		say("barometer", text(p.sky.pa/100+float64(0.1*p.r.NormFloat64()), 1))
	}
}
