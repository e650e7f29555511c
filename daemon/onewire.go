package daemon

import (
	"fmt"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewirereg"
	"periph.io/x/host/v3"
)

// openOneWire opens a 1-Wire bus by name; empty: the first there is.
func openOneWire(name string) (onewire.BusCloser, error) {
	if _, err := host.Init(); err != nil { // loads once; a box that asks for no bus needs none
		return nil, fmt.Errorf("this machine's buses: %w", err)
	}
	bus, err := onewirereg.Open(name)
	if err != nil {
		return nil, fmt.Errorf("1-Wire bus %q: %w; is it switched on in the machine's boot configuration?", name, err)
	}
	return bus, nil
}
