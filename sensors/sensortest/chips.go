package sensortest

import (
	"context"
	"errors"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/spi"

	"standwatch/sensors"
)

// Respond is one chip on a bus: it is written w and fills r. It is called by one
// goroutine at a time.
type Respond func(w, r []byte) error

// OnI2C is a machine with one I2C bus and one chip on it. In the scene Absent nobody
// acknowledges the address; in Stuck each transfer lasts 30 s. New chips are made by chip
// for each world, so that each begins as after power-on.
func OnI2C(address uint16, chip func(Scene) Respond) func(Scene) (sensors.Env, func()) {
	return func(scene Scene) (sensors.Env, func()) {
		respond := chip(scene)
		return sensors.Env{I2C: func(string) (i2c.BusCloser, error) {
			return &i2cBus{scene, address, respond}, nil
		}}, nil
	}
}

// OnSPI is a machine with one SPI port and one chip on it. In the scene Absent the line
// floats high, as most boards pull it: every bit reads as one.
func OnSPI(chip func(Scene) Respond) func(Scene) (sensors.Env, func()) {
	return func(scene Scene) (sensors.Env, func()) {
		respond := chip(scene)
		return sensors.Env{SPI: func(string) (spi.PortCloser, error) {
			return &spiPort{scene, respond}, nil
		}}, nil
	}
}

// I2C is a machine with a good chip at an address of its bus.
func I2C(address uint16) func(Respond) sensors.Env {
	return func(r Respond) sensors.Env {
		env, _ := OnI2C(address, func(Scene) Respond { return r })(Good)
		return env
	}
}

// SPI is a machine with a good chip on its port.
func SPI(r Respond) sensors.Env {
	env, _ := OnSPI(func(Scene) Respond { return r })(Good)
	return env
}

// Night runs a chip in the daemon's way, changes it after a while, and gives what
// its readings say, without repetitions; a reading of which says says nothing is
// left out.
func Night(t *testing.T, d sensors.Driver, c sensors.Config, on func(Respond) sensors.Env, chip Respond, change func(), says func(sensors.Reading) string) (told []string) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex // the chip changes while it is read
		src, err := d.New(on(func(w, r []byte) error {
			mu.Lock()
			defer mu.Unlock()
			return chip(w, r)
		}), c)
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error)
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			done <- src.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				for _, r := range d.Readings {
					if s := says(r); s != "" && (len(told) == 0 || told[len(told)-1] != s) {
						told = append(told, s)
					}
				}
			})
		}()
		time.Sleep(10 * time.Second)
		mu.Lock()
		change()
		mu.Unlock()
		time.Sleep(time.Minute)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return told
}

// Health is what a reading says of its health.
func Health(r sensors.Reading) string { return r.Health.Grade.String() + " " + r.Health.Reason }

const stuck = 30 * time.Second

var errGivenUp = errors.New("given up")

type i2cBus struct {
	scene   Scene
	address uint16
	respond Respond
}

func (b *i2cBus) String() string                  { return "fake I2C" }
func (b *i2cBus) Close() error                    { return nil }
func (b *i2cBus) SetSpeed(physic.Frequency) error { return nil }
func (b *i2cBus) Tx(addr uint16, w, r []byte) error {
	switch {
	case b.scene == Stuck:
		time.Sleep(stuck)
		return errGivenUp
	case b.scene == Absent, addr != b.address:
		return syscall.EREMOTEIO
	}
	return b.respond(w, r)
}

type spiPort struct {
	scene   Scene
	respond Respond
}

func (p *spiPort) String() string                    { return "fake SPI" }
func (p *spiPort) Close() error                      { return nil }
func (p *spiPort) LimitSpeed(physic.Frequency) error { return nil }
func (p *spiPort) Duplex() conn.Duplex               { return conn.Full }
func (p *spiPort) TxPackets([]spi.Packet) error      { return errors.New("not used here") }
func (p *spiPort) Connect(physic.Frequency, spi.Mode, int) (spi.Conn, error) {
	return p, nil
}

func (p *spiPort) Tx(w, r []byte) error {
	switch p.scene {
	case Stuck:
		time.Sleep(stuck)
		return errGivenUp
	case Absent:
		for i := range r {
			r[i] = 0xFF
		}
		return nil
	}
	return p.respond(w, r)
}
