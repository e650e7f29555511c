package rules

import (
	"strings"
	"testing"
	"time"
)

// A hold that is still under way when a charge begins says that it is judged no
// more: what the gauge shows then must not read as a vacuum that may yet stand.
func TestHoldWordsOnceAChargeBegan(t *testing.T) {
	h := holdWords{elapsed: 10 * time.Minute, lasts: time.Hour, heard: true, known: true, nowPa: 120, slopePaPerS: 0.04,
		limit: Setting{Value: 66.7}}
	if s := holdStands(h); !strings.Contains(s, "too early to say") {
		t.Fatalf("without a charge: %s", s)
	}
	h.charging = true
	if s := holdStands(h); !strings.Contains(s, "A charge has begun") || strings.Contains(s, "too early") {
		t.Errorf("with a charge: %s", s)
	}
	h.result = Passed
	if s := holdStands(h); !strings.Contains(s, "Vacuum hold passed") {
		t.Errorf("passed before the charge: %s", s)
	}
}
