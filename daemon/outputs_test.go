package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A line that drives a horn must not be read as a contact: to read it makes it an input.
func TestOneUseOfALine(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "site.yaml")
	text := `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
box:
  outputs: [{name: horn, gpio: GPIO17, does: sound}]
points:
  - {name: power, measures: contact, role: outdoor-power, contact: {gpio: GPIO17}}
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	_, faults := Load(file)
	if err := errors.Join(faults...); err == nil || !strings.Contains(err.Error(), ":6:") || !strings.Contains(err.Error(), "the line GPIO17 is the box's output horn already") {
		t.Error(err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(text, "contact: {gpio: GPIO17}", "contact: {gpio: GPIO27}", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, faults := Load(file); faults != nil {
		t.Error(faults)
	}
}
