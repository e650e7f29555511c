package config_test

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/daemon/broker"
	"standwatch/daemon/config"
	"standwatch/daemon/outbox"
	"standwatch/daemon/uplink"
	"standwatch/daemon/web"
	"standwatch/sensors"
	"standwatch/sensors/all"
)

// Every example is accepted by everybody who reads a part of it.
func TestTheExamplesAreAccepted(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	if err != nil || len(files) < 2 {
		t.Fatalf("the examples are not found: %v %v", files, err)
	}
	for _, file := range files {
		if filepath.Base(file) == "board.yaml" { // daemon/board's, and looked at there
			continue
		}
		site, faults := config.Load(file, all.Drivers())
		if site == nil {
			t.Fatal(faults)
		}
		for _, d := range site.Devices {
			if _, err := d.Driver.New(sensors.Env{Log: slog.New(slog.DiscardHandler)}, d.Config); err != nil {
				faults = append(faults, err)
			}
		}
		for _, b := range config.Entries(site.Brokers) {
			for _, f := range b.Value.Fields {
				if f.Key == "embedded" {
					broker.Read(f.Value, &faults)
				}
			}
		}
		uplink.Read(site.Uplink, &faults)
		outbox.Read(site.Outbox, &faults)
		web.Read(site.Web, &faults)
		faults = append(faults, site.CheckFiles()...)
		for _, f := range config.Faults(errors.Join(faults...)) {
			t.Error(f)
		}
		if len(site.Devices) == 0 {
			t.Errorf("%s: an example for run has no device", file)
		}
	}
}

// Points that spell one device in two ways are on one device, so that its driver sees what cannot be.
func TestOneDeviceHoweverItIsSpelt(t *testing.T) {
	for points, want := range map[string]string{
		`[{name: a, measures: voltage, i2c: {bus: "1", chip: ads1115, address: 0x48, channel: 0}},
 {name: b, measures: voltage, i2c: {bus: /dev/i2c-1, chip: ads1115, address: 0x48, channel: 0}}]`: "input 0 is the point a already",
		`[{name: a, measures: voltage, i2c: {bus: I2C1, chip: ads1115, address: 0x48, channel: 0}},
 {name: b, measures: mass, i2c: {bus: 1, chip: ads1115, address: 0x48, channel: 0}}]`: "input 0 is the point a already",
		`[{name: a, measures: temperature, spi: {port: SPI0.0, chip: max31856, type: K}},
 {name: b, measures: temperature, spi: {port: /dev/spidev0.0, chip: max31865, wires: 3, reference: 430 ohm}}]`: "where a has a chip max31856",
		`[{name: a, measures: temperature, spi: {port: "0", chip: max31856, type: K}},
 {name: b, measures: temperature, spi: {port: SPI0.0, chip: max31856, type: K}}]`: "is the point a already",
		`[{name: a, measures: mass, loadcell: {counts_per_kg: 20000}},
 {name: b, measures: mass, loadcell: {device: hx711, counts_per_kg: 20000}}]`: "this channel is the point a already",
		`[{name: a, measures: voltage, i2c: {chip: ads1115, address: 0x48, channel: 0}},
 {name: b, measures: voltage, i2c: {bus: "1", chip: ads1115, address: 0x48, channel: 1}}]`: "of a and b only one names its bus",
		`[{name: a, measures: temperature, onewire: {bus: w1, id: 28-0316a2794bff}},
 {name: b, measures: temperature, onewire: {id: 28-0316a2794bff}}]`: "of a and b only one names its bus",
	} {
		file := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(file, []byte("site: {name: Quayside Library}\npoints: "+points+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		site, faults := config.Load(file, all.Drivers())
		for _, d := range site.Devices {
			if _, err := d.Driver.New(sensors.Env{}, d.Config); err != nil {
				faults = append(faults, err)
			}
		}
		if got := fmt.Sprint(faults); !strings.Contains(got, want) || !strings.Contains(got, file+":3:") {
			t.Errorf("%s\ngives %s\nwant %q at line 3", points, got, want)
		}
	}
}
