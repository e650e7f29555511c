package doctor

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/daemon/config"
)

// Where nothing was found the file is one all the same, with a point to write another by.
func TestAFileWithNothingFound(t *testing.T) {
	text := File([]Bus{{Kind: "i2c", Name: "1", Found: []Found{{Chip: "thing", Start: []Start{{Line: "- {name: x}", Lacks: "its type"}}}}}})
	name := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, faults := config.Load(name, nil); len(faults) > 0 {
		t.Errorf("%v\n%s", faults, text)
	}
	if strings.Contains(text, "[]") || !strings.Contains(text, "#   - {name: suction-line-ou1, measures: temperature") || !strings.Contains(text, "lacks its type") {
		t.Errorf("it says\n%s", text)
	}
}
