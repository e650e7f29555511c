package simulate

import "math"

// cylinder is one on the scale, standing upside down so that liquid leaves it.
type cylinder struct {
	tare, net float64 // kg
	litres    float64 // inside
	tempC     float64
}

// heel is the mass in kg that stays as vapour when the liquid is out.
func (c *cylinder) heel(s saturation) float64 { return c.litres / 1000 * s.at(c.tempC).vapour }

// charging is the cylinder, its hose and what has gone into the system.
type charging struct {
	table   saturation
	on      *cylinder // on the scale; nil while it is being changed
	open    bool      // the hose is open into the liquid line
	full    float64   // kg in the pipe when its pressure is the cylinder's
	slow    float64   // s: time constant of the draw-in, the hose's doing
	metered float64   // kg/s asked for by the valve while the compressor runs
	drawn   float64   // kg in all
}

// step lets a second pass; running says that the compressor draws.
func (c *charging) step(outdoorC float64, running bool) {
	if c.on == nil {
		return
	}
	c.on.tempC += (outdoorC - c.on.tempC) / 1800
	if !c.open {
		return
	}
	flow := c.flow(running)
	c.on.net -= flow
	c.drawn += flow
	c.on.tempC -= 0.8 * flow // what boils to fill the room of the liquid that left
}

// flow is in kg/s. Into the evacuated pipe it dies away as the line's pressure
// meets the cylinder's; into the running system the valve meters it.
func (c *charging) flow(running bool) float64 {
	left := max(0, c.on.net-c.on.heel(c.table))
	supply := 1 - math.Exp(-left/0.15) // the dip of the last liquid
	if running {
		warm := c.table.at(c.on.tempC).bubble / c.table.at(25).bubble
		return c.metered * math.Sqrt(warm) * supply
	}
	return max(0, c.full-c.drawn) / c.slow * supply
}

// scale shows the gross weight to its digit. It may fall asleep.
type scale struct {
	digit  float64
	asleep bool
	noise  wander
	slow   float64 // the platform settles over a second or two
}

func (s *scale) read(gross float64) float64 {
	s.slow += 0.8 * (gross - s.slow)
	return to(s.digit, s.slow+s.noise.next())
}
