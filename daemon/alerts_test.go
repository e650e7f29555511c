package daemon

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// A metric that is renamed leaves an alert behind that never fires, and nothing
// else would say so.
func TestAlertsNameMetricsThatAreThere(t *testing.T) {
	told := scrape(t, night(), figures{diskFree: 0.25, odd: map[string]uint64{"unclaimed-message": 3}})
	b, err := os.ReadFile("../deploy/prometheus/standwatch.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	named, alerts := regexp.MustCompile(`\b(standwatch|process)_[a-z0-9_]+`), 0
	for line := range strings.Lines(string(b)) {
		if strings.Contains(line, "- alert:") {
			alerts++
		}
		if strings.Contains(line, "#") {
			line, _, _ = strings.Cut(line, "#")
		}
		for _, name := range named.FindAllString(line, -1) {
			if !strings.Contains(told, "\n"+name+"{") && !strings.Contains(told, "\n"+name+" ") {
				t.Errorf("an alert goes by %s, which /metrics does not tell", name)
			}
		}
	}
	if alerts == 0 {
		t.Error("no alert found")
	}
}
