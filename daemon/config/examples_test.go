package config_test

import (
	"errors"
	"log/slog"
	"path/filepath"
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
