package simulate

import (
	"math"
	"time"
)

// outdoor is the outdoor unit with what is clamped to it, and the weather.
type outdoor struct {
	table       saturation
	airC        float64
	barometer   float64 // Pa
	powered     bool
	indoorPower bool
	running     string  // "", cool, heat
	settled     float64 // 0 to 1, since the compressor started
	sumpC       float64
	swing       wander // the valve hunting, 0 mean
}

// step lets a second pass, t after the night's begin.
func (o *outdoor) step(t time.Duration) {
	// From a hot evening to the coolest hour about dawn, then up again.
	h := t.Hours()
	o.airC = 23.6 + 4.9*math.Cos(math.Pi*min(h, 8.75)/8.75) + 1.2*max(0, h-8.75)
	o.barometer = 101580 - 22*h
	warm := o.airC
	if o.powered {
		warm += 19 // the crankcase heater's plateau
	}
	if o.running != "" {
		warm += 14
	}
	o.sumpC += (warm - o.sumpC) / 4300
	aim := 0.0
	if o.running != "" {
		aim = 1
	}
	o.settled += (aim - o.settled) / 240
}

// cycle is what the clamps and transducers on the outdoor unit's lines see.
type cycle struct {
	liquidPressure, suctionPressure float64 // absolute, Pa
	liquidC, suctionC, dischargeC   float64
}

// cycle works out the running refrigerant cycle; filled is charged mass over
// the whole, still what stands in the pipe before the compressor runs.
func (o *outdoor) cycle(filled float64, still float64) cycle {
	rest := cycle{still, still, o.airC, o.airC, o.airC + 0.3*(o.sumpC-o.airC)}
	if o.settled < 0.01 {
		return rest
	}
	evaporating, condensing := 6.5-6*max(0, 1-filled), max(34, o.airC+13)+4*max(0, filled-1)
	if o.running == "heat" {
		evaporating, condensing = o.airC-9, 46
	}
	hunt := o.swing.next()
	superheat := 5.5 + 14*max(0, 1-filled) + hunt
	subcooling := max(0.5, 6-10*max(0, 1-filled)+30*max(0, filled-1)) - 0.3*hunt
	on := cycle{
		liquidPressure:  o.table.at(condensing).bubble,
		suctionPressure: o.table.at(evaporating).dew,
		liquidC:         condensing - subcooling,
		suctionC:        evaporating + superheat,
		dischargeC:      condensing + 27 + 1.2*superheat,
	}
	x := o.settled
	mix := func(a, b float64) float64 { return a + x*(b-a) }
	return cycle{
		mix(rest.liquidPressure, on.liquidPressure), mix(rest.suctionPressure, on.suctionPressure),
		mix(rest.liquidC, on.liquidC), mix(rest.suctionC, on.suctionC), mix(rest.dischargeC, on.dischargeC),
	}
}
