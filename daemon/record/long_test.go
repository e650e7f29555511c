package record_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/record"
)

// fortnight writes a field log of 14 days in which three systems are started
// up beside one another: ten points each, read every minute, and holds, checks
// and weigh-ins done again and again. It hands out how often each system
// began each step.
func fortnight(t *testing.T, dir string) (site, log string, begun map[string]map[string]int) {
	t.Helper()
	systems := []string{"north", "south", "roof"}
	var s strings.Builder
	s.WriteString("site: {name: Quayside Library, timezone: Europe/Lisbon}\nsystems:\n")
	for _, y := range systems {
		fmt.Fprintf(&s, "  - name: %s\n    refrigerant: R-410A\n    outdoor_units: [{name: ou-%s, factory_charge: 9.3 kg}]\n    indoor_units:\n", y, y)
		for i := range 3 {
			fmt.Fprintf(&s, "      - {name: iu%d-%s, room: Room %d, supply: supply%d-%s, return: return%d-%s}\n", i+1, y, i+1, i+1, y, i+1, y)
		}
		s.WriteString("    steps: {vacuum-hold: {lasts: 6h}, weigh-in: {target: 3 kg}}\n")
	}
	s.WriteString("points:\n")
	for _, y := range systems {
		for _, p := range []string{"gauge-%s, measures: vacuum, role: vacuum-gauge, unit: Pa", "scale-%s, measures: mass, role: charging-scale, unit: kg", "test-%s, measures: pressure, role: test-pressure, unit: kPa", "pipe-%s, measures: temperature, role: pipe-air, unit: C"} {
			fmt.Fprintf(&s, "  - {name: "+p+", system: %s, every: 1min}\n", y, y)
		}
		for i := range 3 {
			fmt.Fprintf(&s, "  - {name: supply%d-%s, measures: temperature, role: supply-air, unit: C, system: %s, every: 1min}\n", i+1, y, y)
			fmt.Fprintf(&s, "  - {name: return%d-%s, measures: temperature, role: return-air, unit: C, system: %s, every: 1min}\n", i+1, y, y)
		}
	}
	site, log = filepath.Join(dir, "site.yaml"), filepath.Join(dir, "log.csv")
	if err := os.WriteFile(site, []byte(s.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	row := func(at time.Time, kind, name, value string) {
		fmt.Fprintf(w, "%s,%s,%s,%s,,\n", at.Format("2006-01-02T15:04:05.000Z"), kind, name, value)
	}
	r := rand.New(rand.NewPCG(14, 3))
	begun = map[string]map[string]int{}
	// The hours of a day at which a system's steps begin and end.
	plan := []struct {
		step       string
		begin, end int
		every      int // days
	}{{"vacuum-hold", 0, 7, 1}, {"cooling-check", 8, 10, 2}, {"weigh-in", 11, 12, 5}, {"pressure-test", 13, 23, 3}}
	w.WriteString("time,kind,name,value,unit,note\n")
	day0 := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	for minute := range 14 * 24 * 60 {
		at := day0.Add(time.Duration(minute) * time.Minute)
		day, hour, into := minute/1440, minute/60%24, float64(minute%1440)/60
		for n, y := range systems {
			for _, p := range plan {
				if (day+n)%p.every != 0 || minute%60 != 0 {
					continue
				}
				if hour == p.begin {
					if begun[y] == nil {
						begun[y] = map[string]int{}
					}
					begun[y][p.step]++
					row(at, "begin", y+"/"+p.step, "")
				}
				if hour == p.end {
					row(at, "end", y+"/"+p.step, "")
				}
			}
			at := at.Add(time.Duration(n+1) * time.Second)
			value := func(point string, v, noise float64) {
				row(at, "reading", point+"-"+y, fmt.Sprintf("%.3f", v+float64(noise*r.NormFloat64())))
			}
			value("gauge", 30+15*(1-math.Exp(-into/2)), 0.2)
			value("scale", 30-math.Max(0, math.Min(3, (into-11.2)*5)), 0.001)
			value("test", 3800, 0.5)
			value("pipe", 18, 0.05)
			for i := range 3 {
				value(fmt.Sprintf("supply%d", i+1), 13, 0.1)
				value(fmt.Sprintf("return%d", i+1), 24, 0.1)
			}
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return site, log, begun
}

// Fourteen days of three systems: each system's record has its own steps and
// nobody else's, and prints on a bounded number of pages.
func TestAFortnightOfThreeSystems(t *testing.T) {
	site, log, begun := fortnight(t, t.TempDir())
	j, _ := replayed(t, site, log)
	var before, after runtime.MemStats
	for system, steps := range begun {
		runtime.GC()
		runtime.ReadMemStats(&before)
		r := read(t, j, record.Which{System: system})
		runtime.GC()
		runtime.ReadMemStats(&after)
		// A record keeps its curves' samples, and reads the entries one after the other: some MB of 600 000 readings.
		kept, most := int64(after.HeapAlloc)-int64(before.HeapAlloc), int64(after.HeapSys)-int64(before.HeapSys)
		t.Logf("%s: the record holds %d kB, the heap grew by %d kB", system, kept>>10, most>>10)
		if kept > 64<<20 || most > 256<<20 {
			t.Errorf("%s: the record holds on to %d MB, and the heap grew by %d MB", system, kept>>20, most>>20)
		}
		got := map[string]int{}
		for _, s := range r.Steps {
			got[s.Step]++
			for _, g := range s.Curves {
				if !strings.HasSuffix(g.Point, "-"+system) {
					t.Errorf("%s: %s shows a curve of %s", system, s.Step, g.Point)
				}
				if !g.From.Before(g.To) || s.Begun.After(g.From) {
					t.Errorf("%s: %s of %s shows a curve from %s to %s", system, s.Step, s.Begun, g.From, g.To)
				}
			}
			for _, u := range s.Units {
				if !strings.HasSuffix(u.Unit, "-"+system) {
					t.Errorf("%s: %s names the unit %s", system, s.Step, u.Unit)
				}
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(steps) {
			t.Errorf("%s: steps %v, begun were %v", system, got, steps)
		}
		d := record.Lay(r)
		for _, p := range []record.Paper{record.A4, record.Letter} {
			var b bytes.Buffer
			if err := record.PDF(&b, d, p); err != nil {
				t.Fatal(err)
			}
			pages := bytes.Count(b.Bytes(), []byte("/Type /Page\n"))
			t.Logf("%s on %s: %d steps, %d pages, %d bytes", system, p.Name, len(r.Steps), pages, b.Len())
			if pages < 5 || pages > 2*len(r.Steps)+40 {
				t.Errorf("%s on %s: %d pages of %d steps", system, p.Name, pages, len(r.Steps))
			}
			if b.Len() > 2_000_000 {
				t.Errorf("%s on %s: %d bytes", system, p.Name, b.Len())
			}
		}
	}
}
