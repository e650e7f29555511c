package sensors

import (
	"context"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"
)

// Chip knows one kind of device of which several share a bus (I2C, SPI). The
// package sensors/bus makes the drivers of them: it owns the bus, groups points by
// device, opens and reopens each by itself.
type Chip struct {
	Name string // what `chip:` under a point says: "ads1115"
	Doc  string // one sentence

	Addresses []uint16 // where it can be on an I2C bus; the first is the usual one

	// On SPI: the fastest clock and the mode of the data sheet.
	Speed physic.Frequency
	Mode  spi.Mode

	// New checks the settings of all points of one such device and touches
	// nothing. What the bus itself reads (bus, port, address, chip) is no longer in them.
	// All faults come at once, joined (errors.Join) of Fault values.
	New func(env Env, c Config) (Open, error)

	// Find asks whether the device that answers is such a chip, without changing
	// how it measures, and says in a few words what it shows ("23.4 C"). Nil: nothing
	// tells it from another.
	Find func(ctx context.Context, c conn.Conn) (shows string, err error)

	// Start are the points that a starting configuration gives a chip that was found.
	Start []Start
}

// Start is a point of a starting configuration: what can be known by looking at an
// instrument, without knowing what it hangs on.
type Start struct {
	Name     string // after the instrument's own: "temperature"
	Measures Quantity
	Settings string // beside where it is, as in the site file: "channel: 0"
	// Lacks is what only a person can say (which probe hangs there); such a point is written as
	// a comment, with that beside it.
	Lacks string
}

// Open opens a chip: sets it up as its points want it. It is called again after each failure,
// for a chip that lost its power has forgotten everything. A transaction that takes too
// long returns an error by itself (sensors/bus), so a probe only needs ctx where it waits.
type Open func(ctx context.Context, c conn.Conn) (Probe, error)
