package daemon

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewirereg"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spireg"
	"periph.io/x/host/v3"
	"periph.io/x/host/v3/sysfs"

	"standwatch/daemon/doctor"
	"standwatch/sensors"
	"standwatch/sensors/all"
)

const boot = "is it switched on in the machine's boot configuration, and may the box use it?"

// wired is what the machine itself has: its buses, lines and files.
func wired(env sensors.Env) sensors.Env {
	env.OneWire, env.I2C, env.SPI, env.GPIO = openOneWire, openI2C, openSPI, findLine
	env.Serial, env.Root, env.Write = openSerial, os.DirFS("/"), writeFile
	return env
}

// load makes the machine's buses and lines known, once; a box that asks for none needs none.
func load() error {
	if _, err := host.Init(); err != nil {
		return fmt.Errorf("this machine's buses: %w", err)
	}
	return nil
}

// openOneWire opens a 1-Wire bus by name; empty: the first there is.
func openOneWire(name string) (onewire.BusCloser, error) {
	if err := load(); err != nil {
		return nil, err
	}
	bus, err := onewirereg.Open(name)
	if err != nil {
		return nil, fmt.Errorf("1-Wire bus %q: %w; %s", name, err, boot)
	}
	return bus, nil
}

// openI2C opens an I2C bus by its number ("1", "I2C1") or by its adapter's name, which stays
// when an adapter that is plugged in gets another number; empty: the first there is.
func openI2C(name string) (i2c.BusCloser, error) {
	if err := load(); err != nil {
		return nil, err
	}
	if n, ok := adapter(name); ok {
		name = strconv.Itoa(n)
	}
	bus, err := i2creg.Open(name)
	if n, wrong := strconv.Atoi(name); err != nil && wrong == nil {
		bus, err = sysfs.NewI2C(n) // plugged in after the start
	}
	if err != nil {
		return nil, fmt.Errorf("I2C bus %q: %w; %s", name, err, boot)
	}
	return bus, nil
}

// adapter finds the number of an I2C adapter's name.
func adapter(name string) (n int, ok bool) {
	files, _ := filepath.Glob("/sys/bus/i2c/devices/i2c-*/name") // the pattern is well formed
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil || strings.TrimSpace(string(text)) != name {
			continue
		}
		if n, err = strconv.Atoi(strings.TrimPrefix(filepath.Base(filepath.Dir(f)), "i2c-")); err == nil {
			return n, true
		}
	}
	return 0, false
}

// openSPI opens a chip select by name: "SPI0.0".
func openSPI(name string) (spi.PortCloser, error) {
	if err := load(); err != nil {
		return nil, err
	}
	port, err := spireg.Open(name)
	var n, sel int
	if _, wrong := fmt.Sscanf(name, "SPI%d.%d", &n, &sel); err != nil && wrong == nil {
		port, err = sysfs.NewSPI(n, sel) // its driver was loaded after the start
	}
	if err != nil {
		return nil, fmt.Errorf("SPI port %q: %w; %s", name, err, boot)
	}
	return port, nil
}

// writeFile writes into a file that the kernel has; it makes none.
func writeFile(name string, data []byte) error {
	f, err := os.OpenFile("/"+name, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}

// idle is how long Read of a serial port waits for a character.
const idle = 200 * time.Millisecond

// openSerial opens a serial port by its path.
func openSerial(path string, line sensors.SerialLine) (io.ReadWriteCloser, error) {
	mode := &serial.Mode{BaudRate: line.Baud, DataBits: line.DataBits,
		Parity:   map[string]serial.Parity{"even": serial.EvenParity, "odd": serial.OddParity}[line.Parity],
		StopBits: map[int]serial.StopBits{2: serial.TwoStopBits}[line.StopBits]}
	port, err := serial.Open(path, mode)
	if err != nil {
		var said *serial.PortError
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, errors.New("there is no such port: is its adapter plugged in?")
		case !errors.As(err, &said):
		case said.Code() == serial.PermissionDenied:
			return nil, errors.New("the box may not use it: is its user in the group dialout?")
		case said.Code() == serial.PortBusy:
			return nil, errors.New("another program has it")
		}
		return nil, err
	}
	if err := port.SetReadTimeout(idle); err != nil {
		return nil, errors.Join(err, port.Close())
	}
	return port, nil
}

// findLine finds a GPIO line by its name.
func findLine(name string) (gpio.PinIO, error) {
	if err := load(); err != nil {
		return nil, err
	}
	pin := gpioreg.ByName(name)
	if pin == nil {
		return nil, fmt.Errorf("this machine has no GPIO line called %s", name)
	}
	return pin, nil
}

// Machine is this machine as the doctor looks at it.
func Machine() doctor.Machine {
	return doctor.Machine{
		Env: wired(sensors.Env{Log: slog.New(slog.DiscardHandler)}), Lines: lineNames,
		I2C: all.I2CChips(), SPI: all.SPIChips(),
	}
}

// lineNames lists the GPIO lines by name; the kernel gives those without one none to be found by.
func lineNames() (names []string) {
	if load() != nil {
		return nil
	}
	for _, p := range gpioreg.All() {
		names = append(names, p.Name())
	}
	return names
}
