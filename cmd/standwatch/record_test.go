package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

const recordSite = `site: {name: Quayside Library, timezone: Europe/Lisbon}
system:
  refrigerant: R-410A
  outdoor_units: [{name: ou1, factory_charge: 9.3 kg}]
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 10s}
  - {name: scale, measures: mass, role: charging-scale, unit: kg, every: 2s, silent_after: 10s}
steps:
  vacuum-hold: {limit: 500 micron, lasts: 1h}
  weigh-in: {target: 2 kg}
`

// recordLog is a hold that rises from 30 to 50 Pa, and 2.00 kg weighed in.
func recordLog(ended bool) string {
	var b strings.Builder
	b.WriteString("time,kind,name,value,unit,note\n")
	at := time.Date(2026, 6, 12, 20, 0, 0, 0, time.UTC)
	row := func(kind, name, value, unit, note string) {
		fmt.Fprintf(&b, "%s,%s,%s,%s,%s,%s\n", at.Format("2006-01-02T15:04:05.000Z"), kind, name, value, unit, note)
	}
	row("begin", "vacuum-hold", "", "", "")
	for i := range 390 {
		row("reading", "gauge", strconv.FormatFloat(30+20*(1-math.Exp(-float64(i)/60)), 'f', 3, 64), "Pa", "")
		at = at.Add(10 * time.Second)
	}
	if !ended {
		return b.String()
	}
	row("end", "vacuum-hold", "", "", "")
	row("mark", "reported", "", "", "pressure-test by Ines: sheet 7")
	row("begin", "weigh-in", "", "", "")
	for i := range 600 {
		row("reading", "scale", strconv.FormatFloat(30-math.Max(0, math.Min(2, float64(i-60)*0.005)), 'f', 3, 64), "kg", "")
		at = at.Add(2 * time.Second)
	}
	row("end", "weigh-in", "", "", "")
	return b.String()
}

func recordOf(t *testing.T, args ...string) (out string, status int, complaint string) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(context.Background(), append([]string{"record"}, args...), &o, &e)
	return o.String(), status, e.String()
}

// figures are a record's CSV as part/step/key to its rows.
func figures(t *testing.T, text string) map[string][][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	m := map[string][][]string{}
	for _, r := range rows[1:] {
		key := r[0] + "/" + r[3] + "/" + r[6]
		m[key] = append(m[key], r)
	}
	return m
}

// The printed figures are held against a script of another language that knows
// nothing but the field log.
func TestTheRecordsFiguresAreThoseOfTheFieldLog(t *testing.T) {
	dir := t.TempDir()
	site, log := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "log.csv")
	write := func(name, text string) {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(site, recordSite)
	write(log, recordLog(true))
	out, status, complaint := recordOf(t, "--site", site, "--format", "csv", log)
	if status != exitDone {
		t.Fatal(complaint)
	}
	got := figures(t, out)
	script, err := exec.Command("awk", "-F,", `
		$2=="begin" { step=$3 } $2=="end" { step="" }
		step=="vacuum-hold" && $3=="gauge" { v=$4+0; if (!n++) low=v; if (v<low) low=v; if (v>high) high=v }
		step=="weigh-in" && $3=="scale" { if (!k++) first=$4; last=$4 }
		END { printf "%.6f %.6f %.6f\n", low, high, first-last }`, log).Output()
	if err != nil {
		t.Fatal(err)
	}
	var low, high, charged float64
	if _, err := fmt.Sscan(string(script), &low, &high, &charged); err != nil {
		t.Fatal(err)
	}
	for key, x := range map[string]struct{ want, within float64 }{
		"curve/vacuum-hold/lowest":        {low, 0.01},
		"curve/vacuum-hold/highest":       {high, 0.01},
		"charge//additional_kg":           {charged, 0.02},
		"charge//total_kg":                {9.3 + charged, 0.02},
		"figure/weigh-in/charged_kg":      {charged, 0.02},
		"limit/vacuum-hold/limit":         {66.6612, 0.001}, // 500 micron of mercury, 101325/760 Pa a millimetre
		"figure/vacuum-hold/peak_pa":      {high, 1},        // of the fitted curve, not of one reading
		"figure/vacuum-hold/limit_pa":     {66.6612, 0.001},
		"figure/weigh-in/target_kg":       {2, 0},
		"charge//factory_kg":              {9.3, 0},
		"figure/vacuum-hold/end_pa":       {high, 1},
		"charge//unweighed_kg":            {0, 0.01},
		"charge//target_kg":               {2, 0},
		"charge//additional_high_kg":      {charged, 0.05},
		"charge//additional_low_kg":       {charged, 0.05},
		"step/vacuum-hold/took_s":         {3900, 0.5},
		"figure/vacuum-hold/elapsed_s":    {3600, 1},
		"figure/weigh-in/charged_high_kg": {charged, 0.05},
	} {
		if len(got[key]) != 1 {
			t.Errorf("%s stands %d times in the CSV", key, len(got[key]))
			continue
		}
		v, err := strconv.ParseFloat(got[key][0][7], 64)
		if err != nil || math.Abs(v-x.want) > x.within+1e-9 {
			t.Errorf("%s: %v, by the field log %v (%v)", key, v, x.want, err)
		}
	}
	if rows := got["reported/pressure-test/Ines"]; len(rows) != 1 || rows[0][9] != "sheet 7" {
		t.Errorf("reported: %v", rows)
	}
	again, _, _ := recordOf(t, "--site", site, "--format", "csv", log)
	if again != out {
		t.Error("the same log gives another record")
	}
	for _, format := range []string{"html", "json", "pdf"} {
		text, status, complaint := recordOf(t, "--site", site, "--format", format, "--out", "-", log)
		if status != exitDone || len(text) < 1000 {
			t.Errorf("%s: status %d, %d bytes, %s", format, status, len(text), complaint)
		}
	}
}

func TestARecordInTheMiddleOfAStepAndOfNothing(t *testing.T) {
	dir := t.TempDir()
	site, log := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "log.csv")
	for name, text := range map[string]string{site: recordSite, log: recordLog(false)} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	out, status, complaint := recordOf(t, "--site", site, "--format", "html", log)
	if status != exitDone || !strings.Contains(out, "under way") || !strings.Contains(out, "It opens and closes nothing.") && !strings.Contains(out, "The tool opens and closes nothing.") {
		t.Errorf("status %d: %s", status, complaint)
	}
	if err := os.WriteFile(log, []byte("time,kind,name,value,unit,note\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, status, complaint := recordOf(t, "--site", site, log); status != exitFailed || !strings.Contains(complaint, "the journal is empty") {
		t.Errorf("of an empty log: status %d, %s", status, complaint)
	}
	if _, status, _ := recordOf(t); status != exitUsage {
		t.Errorf("without anything: status %d", status)
	}
}
