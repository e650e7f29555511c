package all

import (
	"os"
	"slices"
	"strings"
	"testing"

	"standwatch/sensors"
)

// Every instrument's folder is in the list, and no name is there twice.
func TestEveryDriverIsListed(t *testing.T) {
	t.Parallel()
	source, err := os.ReadFile("all.go")
	if err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	drivers, chips := 2, 0 // those of sensors/bus
	for _, e := range entries {
		switch {
		case !e.IsDir(), slices.Contains([]string{"all", "bus", "sensortest", "testdata"}, e.Name()):
		case strings.Contains(string(source), "\t\t"+e.Name()+".Driver(),"):
			drivers++
		case strings.Contains(string(source), "\t\t"+e.Name()+".Chip(),"):
			chips++
		default:
			t.Errorf("sensors/%s is neither in Drivers nor among the chips", e.Name())
		}
	}
	names := map[string]bool{}
	for _, d := range Drivers() {
		if names[d.Name] || d.Doc == "" || d.New == nil {
			t.Errorf("driver %q: twice, or without its sentence or New", d.Name)
		}
		names[d.Name] = true
	}
	if len(names) != drivers {
		t.Errorf("%d drivers, want %d", len(names), drivers)
	}
	listed := append(I2CChips(), SPIChips()...)
	for i, c := range listed {
		if c.Doc == "" || c.New == nil || slices.ContainsFunc(listed[:i], func(o sensors.Chip) bool { return o.Name == c.Name }) {
			t.Errorf("chip %q: twice, or without its sentence or New", c.Name)
		}
	}
	if len(listed) != chips {
		t.Errorf("%d chips, want %d", len(listed), chips)
	}
}
