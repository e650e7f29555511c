package simulate

// room is a room with its indoor unit.
type room struct {
	unit     string
	branch   int // 0, 1, 2
	air      air
	outsideT float64 // what its walls and neighbours hold it to
	outsideW float64
	strength float64 // of the coil; 1 is as it should be
	command  string  // off, fan, cool, heat
	port     *room   // whose port of the branch unit its pipes are on; nil: its own
	effect   float64 // 0 to 1: how far coil and refrigerant have settled
	doing    string  // what the effect is of: cool or heat
	supply   float64 // C
	lost     bool    // the supply probe has come off

	supplyNoise, returnNoise, humidityNoise wander
}

const (
	coolingDrop = 14.0e3 // J a kg of air that a sound coil takes at full capacity (12.5 to 15.5 kJ/kg, common practice)
	heatingRise = 21.0   // K that it gives (15 to 30 K, common practice)
	coilSettles = 180.0  // s
	portChanges = 60.0   // s, from hot gas to suction or back, with the compressor running (our choice)
	roomSettles = 5400.0 // s, walls and neighbours
	roomCools   = 25000.0
)

// step lets s seconds pass; charged is how well the system is filled, running
// whether the compressor runs.
func (r *room) step(s, charged float64, running bool) {
	aim := 0.0
	if gets := r.gets(); running && gets != "" {
		if r.effect < 0.02 {
			r.doing = gets
		}
		if r.doing == gets {
			aim = charged
		}
	}
	settles := coilSettles
	if r.gets() != "" && r.gets() != r.doing { // its port has changed over: what the coil held is drawn out of it
		settles = portChanges
	}
	r.effect += (aim - r.effect) * min(1, s/settles)
	out := r.leaving()
	r.supply = out.tempC
	r.air.tempC += s * ((r.outsideT-r.air.tempC)/roomSettles + (out.tempC-r.air.tempC)/roomCools)
	r.air.ratio += s * ((r.outsideW-r.air.ratio)/roomSettles + (out.ratio-r.air.ratio)/roomCools)
}

// gets is what its coil is given. A port gives what its own room is asked for;
// the coil takes it only where its room is asked for something and so has
// opened its expansion valve.
func (r *room) gets() string {
	port := r
	if r.port != nil {
		port = r.port
	}
	if works(r.command) && works(port.command) {
		return port.command
	}
	return ""
}

func works(command string) bool { return command == "cool" || command == "heat" }

// leaving is the air behind the coil.
func (r *room) leaving() air {
	switch r.doing {
	case "cool":
		return r.air.cooled(coolingDrop * r.strength * r.effect)
	case "heat":
		return air{r.air.tempC + heatingRise*r.strength*r.effect, r.air.ratio}
	}
	return r.air
}
