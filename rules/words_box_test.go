package rules

import (
	"strings"
	"testing"
	"time"
)

// By how much a clock was off is said as a person reads it: a board that began in 1970 was
// off by more hours than anybody counts. From 1970-01-01 to 2026-11-27 are 20,784 days
// (date -u -d 2026-11-27 +%s, divided by 86,400).
func TestByHowMuchAClockWasOff(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		by   time.Duration
		want string
	}{
		{2 * time.Hour, "2 h ahead"}, {-2 * time.Hour, "2 h back"},
		{47 * time.Hour, "47 h ahead"}, {2 * day, "2 days ahead"}, {-2 * day, "2 days back"},
		{-365*day - 3*time.Hour, "365 days back"}, {20784*day + time.Hour, "20,784 days ahead"},
	} {
		for _, sentence := range []string{clockWasSet(c.by), clockCameRight(c.by)} {
			if !strings.Contains(sentence, "was set "+c.want) {
				t.Errorf("%s: %q, want %q", c.by, sentence, c.want)
			}
		}
	}
}
