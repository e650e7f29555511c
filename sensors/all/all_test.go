package all

import (
	"os"
	"strings"
	"testing"
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
	folders := 0
	for _, e := range entries {
		if !e.IsDir() || e.Name() == "all" || e.Name() == "sensortest" || e.Name() == "testdata" {
			continue
		}
		folders++
		if !strings.Contains(string(source), "\t\t"+e.Name()+".Driver(),") {
			t.Errorf("sensors/%s is not in Drivers", e.Name())
		}
	}
	names := map[string]bool{}
	for _, d := range Drivers() {
		if names[d.Name] || d.Doc == "" || d.New == nil {
			t.Errorf("driver %q: twice, or without its sentence or New", d.Name)
		}
		names[d.Name] = true
	}
	if len(names) != folders {
		t.Errorf("%d drivers for %d folders", len(names), folders)
	}
}
