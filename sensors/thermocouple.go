package sensors

import (
	"errors"
	"fmt"
)

// UsualLowestC is below what a thermocouple on a pipe shows: R-410A boils at -51 C under the atmosphere,
// and nothing in a system that is being started up is colder for long (our choice).
const UsualLowestC = -60.0

// Thermocouple is what a chip that reads one was told of it by its points.
type Thermocouple struct {
	Hot, Cold string // points: the thermocouple, and the chip's cold junction; empty: not asked for
	Type      string // B, E, J, K, N, R, S or T
	LowestC   float64
}

// ReadThermocouple reads the settings of a chip with one thermocouple and its cold junction; more reads what the chip has beside.
func ReadThermocouple(chip string, c Config, more func(*Decoder)) (t Thermocouple, err error) {
	var faults []error
	for _, p := range c.Points {
		d := Decode(p.Settings, &faults)
		if p.Quantity != Temperature {
			d.Fail(p.Settings, fmt.Sprintf("%s measures temperature, not %s", chip, p.Quantity), "write measures: temperature")
		}
		before := len(faults)
		reads, into := d.OneOf("reads", "thermocouple", "thermocouple", "cold-junction"), &t.Cold
		if len(faults) > before {
			continue // its other settings cannot be judged
		}
		if reads == "thermocouple" {
			into = &t.Hot
			t.read(d)
			more(d)
		}
		if *into != "" {
			d.Fail(p.Settings, fmt.Sprintf("the %s of this chip is the point %s already", reads, *into), "one chip has one thermocouple, and its cold junction by reads: cold-junction")
		}
		*into = p.Name
		d.Done()
	}
	return t, errors.Join(faults...)
}

func (t *Thermocouple) read(d *Decoder) {
	if d.Required("type", "K", "T") != "" {
		t.Type = d.OneOf("type", "K", "B", "E", "J", "K", "N", "R", "S", "T")
	}
	t.LowestC = UsualLowestC
	if text := d.Text("lowest", ""); text != "" {
		var err error
		if t.LowestC, err = Temperature.Parse(text); err != nil {
			d.Fail(d.Node("lowest"), fmt.Sprintf("lowest: %v", err), "")
		}
	}
}
