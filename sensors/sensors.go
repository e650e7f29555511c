// Package sensors is the vocabulary of everything that measures: a Point, its
// Quantity, a Reading with its Health, and the three shapes an instrument can
// take (Probe, Source, Driver).
//
// A source validates, converts to SI, names the health and hands readings over.
// It never judges. An instrument's failure is data (Health), not an error: the
// daemon must not die because a cable fell off.
//
// The package imports nothing of ours; one package below it is one instrument.
package sensors

import (
	"context"
	"io"
	"io/fs"
	"log/slog"
	"slices"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/spi"
)

// Point is one thing measured at one place: the trade's word. Its name is
// unique on the site.
type Point struct {
	Name        string
	System      string // the refrigerant network it belongs to; empty for the box's own
	Quantity    Quantity
	Role        string        // what it stands for in a step: "vacuum-gauge", "charging-scale", ...
	Unit        string        // what the instrument speaks where a payload names no unit
	Every       time.Duration // how often a reading is expected
	During      []Pace        // how often instead while a step is under way, in the site file's order
	SilentAfter time.Duration // longest allowed silence
	Instrument  Instrument    // what hangs there, by the site file
	VolumeM3    float64       // of pipe-air: the pipework that it stands for; 0: not given
	Source      string        // the driver's name ("mqtt", "onewire"); empty: replay only
	Device      string        // the broker or bus by which it comes; empty: replay only
	Settings    Node          // the driver's own part of the site file, with positions
}

// Pace is how often a point is read while a step is under way.
type Pace struct {
	Step  string
	Every time.Duration
}

// EveryAmid is how often the point is to be read while these steps are under way:
// the shortest of what it says for them.
func (p Point) EveryAmid(steps []string) time.Duration {
	every, found := p.Every, false
	for _, d := range p.During {
		if slices.Contains(steps, d.Step) && (!found || d.Every < every) {
			every, found = d.Every, true
		}
	}
	return every
}

// Instrument is what the papers of a point's instrument say; any of it may be
// empty. Days are written 2027-03-01.
type Instrument struct {
	Serial     string
	Calibrated string // the day
	ValidUntil string // the last day on which that holds
	Against    string // the reference or the laboratory
}

// Roles lists the roles a point may have, in the order of the contract.
var Roles = []string{
	"vacuum-gauge", "charging-scale", "test-pressure", "pipe-air", "barometer", "outdoor-air",
	"supply-air", "return-air", "return-wet-bulb", "return-humidity", "liquid-line", "suction-line",
	"suction-pressure", "liquid-pressure", "oil-sump", "discharge-line", "absolute-pressure",
	"outdoor-power", "indoor-power", "drain",
}

// Grade says how far a reading may be believed.
type Grade uint8

// The three grades. The zero value is Good.
const (
	Good    Grade = iota
	Suspect       // there is a value, and a reason to doubt it
	Failed        // there is no value, and a reason why
)

// String returns the grade's word: good, suspect or failed.
func (g Grade) String() string {
	switch g {
	case Good:
		return "good"
	case Suspect:
		return "suspect"
	}
	return "failed"
}

// Health is a grade and the named reason for it. Good has no reason.
type Health struct {
	Grade  Grade
	Reason string // lower-case words joined by hyphens: "crc", "open-circuit"
}

// The reasons that rules and screens know by name. A driver may name others.
const (
	ReasonBatteryLow   = "battery-low"    // suspect, yet the value stands
	ReasonRetained     = "retained"       // a broker's kept copy, of unknown age: never live
	ReasonRedelivered  = "redelivered"    // sent again by the broker, without a time of its own
	ReasonQueued       = "queued"         // kept by the broker while the box was away, without a time of its own
	ReasonTime         = "time-off"       // its own time is years off; the box's stands instead
	ReasonOffline      = "offline"        // the instrument's last will or availability topic says so
	ReasonGarbage      = "garbage"        // the payload could not be read
	ReasonOversize     = "oversize"       // the payload is larger than any reading
	ReasonUnit         = "wrong-unit"     // a unit that is unknown or of another quantity
	ReasonNotANumber   = "not-a-number"   // NaN, infinity or no number where one should be
	ReasonOffScale     = "off-scale"      // outside what the quantity can be
	ReasonCRC          = "crc"            // the check sum does not fit
	ReasonPowerOn      = "power-on-value" // what a chip shows before its first conversion
	ReasonDisconnected = "disconnected"   // the device does not answer
	ReasonFault        = "fault"          // the instrument itself reports a fault

	ReasonHung      = "hung"            // it holds the bus and does not answer in time
	ReasonIdentity  = "wrong-identity"  // what answers there is another device
	ReasonOpen      = "open-circuit"    // a probe or its cable is broken
	ReasonShort     = "short-circuit"   // a probe or its cable is short-circuited
	ReasonBelowZero = "below-live-zero" // a transducer's signal is lower than its zero: no supply, or a broken wire
	ReasonOverload  = "overload"        // more than the instrument can take
	ReasonUnderload = "underload"       // less than the instrument can show
	ReasonMotion    = "in-motion"       // suspect, yet the value stands: a scale that has not settled

	ReasonBrownOut     = "brown-out"      // its supply broke down meanwhile
	ReasonStale        = "stale"          // it answers, and converts no more
	ReasonOverVoltage  = "over-voltage"   // a probe's wire is above the supply or below ground
	ReasonGround       = "ground-contact" // a probe's wire touches ground
	ReasonColdJunction = "cold-junction"  // a thermocouple's converter is itself too cold or too hot
	ReasonReversed     = "reversed"       // suspect: a thermocouple colder than its pipe can be
)

// Usable reports whether a judge may put the value into a comparison: it is
// good, or suspect for a reason that does not touch the value. A weight in motion is one: while
// refrigerant flows a cylinder on a platform never settles, and the judges know noise.
func (h Health) Usable() bool {
	return h.Grade == Good || h.Grade == Suspect && (h.Reason == ReasonBatteryLow || h.Reason == ReasonTime || h.Reason == ReasonMotion)
}

// Live reports whether the reading is a sign of life: something measured now,
// not a broker's kept or repeated copy.
func (h Health) Live() bool {
	switch h.Reason {
	case ReasonRetained, ReasonRedelivered, ReasonQueued, ReasonOffline:
		return false
	}
	return true
}

// Reading is one value of one point, in SI, as the instrument gave it.
type Reading struct {
	Point  string
	Value  float64 // SI, rounded to the quantity's count (Quantity.Round); 0 where Health is Failed
	Health Health
	Own    int64  // the instrument's own time, Unix ms; 0: it told none
	Seq    uint64 // the instrument's own sequence number
	HasSeq bool
}

// Receipt identifies one message of a broker, so that what was committed but
// not surely acknowledged is known again when it comes a second time.
type Receipt struct {
	Client string // the client's name at its broker; empty: no receipt (a bus, QoS 0)
	Packet uint16
	Again  bool   // the broker marked it as sent again (DUP)
	Hash   uint64 // of topic and payload
}

// Delivery is what a source hands over at once: its readings go into one
// transaction, and Kept is called once after that is durable (nil: nobody waits).
// A delivery without readings is allowed and only asks for its Kept. Kept must
// not wait: the one loop calls it.
type Delivery struct {
	Readings []Reading
	Receipt  Receipt
	Kept     func()
}

// Emit hands a delivery to the daemon's one queue. It waits while the queue is
// full, and returns at once when the daemon stops (Kept is then never called).
type Emit func(Delivery)

// Probe is an open instrument that answers when asked.
type Probe interface {
	// Read asks once. The error is for the log and for reopening; what the
	// instrument itself reports as wrong comes as readings with health.
	Read(context.Context) ([]Reading, error)
	Close() error
}

// Source delivers readings until ctx ends. It opens its device itself, and
// again after a failure; it returns an error only when its settings are unusable.
type Source interface {
	Run(ctx context.Context, emit Emit) error
}

// Env is what a driver may use of the world; everything in it may be nil but Log.
type Env struct {
	Log *slog.Logger
	// Status reports a device or broker as working or missing, in a sentence
	// for people. Called when it changes.
	Status func(device string, ok bool, sentence string)
	// Count adds one to a named counter of odd things: "unclaimed-message".
	Count func(what string)
	// OneWire opens a 1-Wire bus by name.
	OneWire func(name string) (onewire.BusCloser, error)
	// I2C opens an I2C bus by its number or its adapter's name.
	I2C func(name string) (i2c.BusCloser, error)
	// SPI opens a chip select by name: "SPI0.0".
	SPI func(name string) (spi.PortCloser, error)
	// GPIO finds a line by its name, never by a number.
	GPIO func(line string) (gpio.PinIO, error)
	// Serial opens a serial port by its path. Read returns (0, nil) when the line
	// was idle for a while, and an error once the port is gone; Close ends a waiting Read.
	Serial func(path string, line SerialLine) (io.ReadWriteCloser, error)
	// Root is the machine's file tree, for what the kernel measures itself
	// (sys/bus/w1, sys/bus/iio).
	Root fs.FS
	// Write writes into one of the kernel's files, by its name in Root: what asks it to do something.
	Write func(name string, data []byte) error
	// Pace is how often a point is to be read now, by the steps under way.
	Pace func(Point) time.Duration
}

// SerialLine is how characters go over a serial line: 9600 baud, 8 data bits,
// parity "none", "even" or "odd", 1 or 2 stop bits.
type SerialLine struct {
	Baud     int
	DataBits int
	Parity   string
	StopBits int
}

// usualEvery is for points that do not say how often they are to be read.
const usualEvery = 10 * time.Second

// Pacer gives a device's interval for Poll: that of its most hurried point now.
func (e Env) Pacer(points []Point) func() time.Duration {
	return func() time.Duration {
		least := time.Duration(0)
		for _, p := range points {
			every := p.Every
			if e.Pace != nil {
				every = e.Pace(p)
			}
			if every > 0 && (least == 0 || every < least) {
				least = every
			}
		}
		if least == 0 {
			return usualEvery
		}
		return least
	}
}

// Config is one device or broker with all its points, as the site file has it.
type Config struct {
	Name   string // the device's name: the broker's, the bus's
	Device Node   // its own entry in the site file, if it has one (brokers)
	Box    string // the box's name, for stable client ids
	Points []Point
}

// Driver knows one kind of device or broker.
type Driver struct {
	Name   string // the key under a point that names it: "mqtt", "onewire"
	Doc    string // one sentence
	Device string // the setting of a point that names its device: "broker", "bus", "port"
	// Spell gives the one spelling of a device's name, so that points that spell it otherwise are on the
	// same device ("/dev/i2c-1" is "1"). Nil: as it stands.
	Spell func(name string) string
	// New checks settings and touches nothing. All faults come at once,
	// joined (errors.Join) of Fault values.
	New func(env Env, c Config) (Source, error)
}

// Poll makes a source of a probe: it opens it, reads it at the interval that
// every gives at that moment, and reopens it with a growing pause after a failure. While it is
// closed its points are told as failed, with the reason that the error names (Because), else disconnected.
func Poll(points []string, open func(context.Context) (Probe, error), every func() time.Duration) Source {
	return &poller{points: points, open: open, every: every}
}
