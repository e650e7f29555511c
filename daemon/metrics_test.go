package daemon

import (
	"bytes"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
)

func scrape(t *testing.T, s web.Snapshot, f figures) string {
	t.Helper()
	w := httptest.NewRecorder()
	newMetrics(func() web.Snapshot { return s }, func() figures { return f }, "v1").ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	return w.Body.String()
}

// ours leaves out what the libraries tell of Go and the process.
func ours(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE "), "standwatch_") && !strings.Contains(line, "goversion=") {
			b.WriteString(line)
		}
	}
	return b.String()
}

func night() web.Snapshot {
	now := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	point := func(name string, q sensors.Quantity, v float64, silent time.Duration, h sensors.Health) web.Point {
		return web.Point{Point: sensors.Point{Name: name, System: "north", Role: "r-" + name, Quantity: q, SilentAfter: 10 * time.Second},
			Value: v, Health: h, Taken: now.Add(-silent), Heard: now.Add(-silent), Count: 7, Bad: 2}
	}
	s := web.Snapshot{Wall: now, KeptAt: now.Add(-time.Second), Kept: 1234, ClockProven: true,
		Flags:   []web.Flag{{Flag: rules.Flag{Finding: rules.Finding{Urgency: rules.Wake}}}, {Flag: rules.Flag{Finding: rules.Finding{Urgency: rules.Tell}}}},
		Devices: []web.Device{{Name: "site", OK: true}, {Name: "far"}},
		Outward: []journal.FollowerState{{Name: "uplink:desk", OK: true, Waiting: 3, Quarantined: 1, LastDone: now}, {Name: "outbox:phone"}},
		Points: []web.Point{
			point("gauge", sensors.Vacuum, 66.7, time.Second, sensors.Health{}),
			point("edge", sensors.Temperature, 21.5, 10*time.Second, sensors.Health{}),
			point("late", sensors.Temperature, 99, 10*time.Second+time.Millisecond, sensors.Health{}),
			point("weak", sensors.Humidity, 0.5, 0, sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}),
			point("doubtful", sensors.Current, 3, 0, sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonRetained}),
			point("broken", sensors.Pressure, 0, 0, sensors.Health{Grade: sensors.Failed, Reason: "open-circuit"}),
			point("scale", sensors.Mass, 14.25, 0, sensors.Health{}),
			point("line", sensors.Pressure, 101325, 0, sensors.Health{}),
			point("air", sensors.AbsolutePressure, 101325, 0, sensors.Health{}),
			point("heater", sensors.Contact, 1, 0, sensors.Health{}),
			point("supply", sensors.Voltage, 12, 0, sensors.Health{}),
			{Point: sensors.Point{Name: "mute", Quantity: sensors.Temperature, SilentAfter: time.Minute}},
		}}
	return s
}

// The page is compared whole with testdata/metrics.txt; STANDWATCH_GOLDEN=1
// writes it anew.
func TestMetrics(t *testing.T) {
	text := scrape(t, night(), figures{commits: 5, duplicates: 2, queued: 4, journalBytes: 8192, walByte: 4096, quiet: 1500 * time.Millisecond, diskFree: 0.25, odd: map[string]uint64{"unclaimed-message": 3}})
	golden := filepath.Join("testdata", "metrics.txt")
	if os.Getenv("STANDWATCH_GOLDEN") != "" {
		if err := os.WriteFile(golden, []byte(ours(text)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got := ours(text); got != string(want) {
		t.Errorf("metrics are\n%s\nwant\n%s", got, want)
	}
	for _, absent := range []string{`celsius{point="late"`, `celsius{point="mute"`, `timestamp_seconds{point="mute"`, "amperes", `point_pressure_pascals{point="broken"`, "_kilograms"} {
		if strings.Contains(text, absent) {
			t.Errorf("%s should not be told", absent)
		}
	}
}

// promlint is Prometheus' own check of names, units, types and help texts
// (prometheus.io/docs/practices/naming).
func TestMetricsConventions(t *testing.T) {
	text := scrape(t, night(), figures{odd: map[string]uint64{"unclaimed-message": 3}})
	problems, err := promlint.New(bytes.NewReader([]byte(text))).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, "#") && len(strings.Fields(line[strings.LastIndexByte(line, '}')+1:])) > 2 {
			t.Errorf("a metric with a time of its own: %s", line)
		}
	}
}
