package daemon

import (
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/gpio/gpiotest"
)

func TestFindLine(t *testing.T) {
	if err := gpioreg.Register(&gpiotest.Pin{N: "STANDWATCH-TEST-LINE", Num: 9017}); err != nil {
		t.Fatal(err)
	}
	if got, err := findLine("STANDWATCH-TEST-LINE"); err != nil || got == nil {
		t.Errorf("%v, %v", got, err)
	}
	if _, err := findLine("GPIO17-NOT-HERE"); err == nil || !strings.Contains(err.Error(), "no GPIO line called GPIO17-NOT-HERE") {
		t.Error(err)
	}
}

// What this machine does not have is said with its name.
func TestNoSuchBus(t *testing.T) {
	for name, open := range map[string]func(string) error{
		"I2C":    func(n string) error { _, err := openI2C(n); return err },
		"SPI":    func(n string) error { _, err := openSPI(n); return err },
		"1-Wire": func(n string) error { _, err := openOneWire(n); return err },
	} {
		if err := open("not-here"); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "not-here") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
