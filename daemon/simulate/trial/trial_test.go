package trial_test

import (
	"bytes"
	"fmt"
	"hash/fnv"
	"os"
	"path/filepath"
	"testing"
	"time"

	"standwatch/daemon/config"
	"standwatch/daemon/fieldlog"
	"standwatch/daemon/simulate/trial"
	"standwatch/sensors/all"
)

// of is a scenario by its name.
func of(t testing.TB, name string) trial.Scenario {
	for _, s := range trial.Scenarios() {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("there is no scenario %q", name)
	return trial.Scenario{}
}

// bytesOf is everything that a trial writes.
func bytesOf(t testing.TB, one trial.Trial) []byte {
	var b bytes.Buffer
	if err := one.WriteLog(&b); err != nil {
		t.Fatal(err)
	}
	b.WriteString(one.Site + one.TakeOff)
	if err := one.WriteTruth(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestSameSeedSameBytes(t *testing.T) {
	for _, s := range trial.Scenarios() {
		seen := map[string]bool{}
		for seed := range uint64(3) {
			a, b := bytesOf(t, s.Of(seed)), bytesOf(t, s.Of(seed))
			if !bytes.Equal(a, b) {
				t.Errorf("%s, seed %d: made twice, not the same bytes", s.Name, seed)
			}
			h := fnv.New64a()
			h.Write(a)
			seen[fmt.Sprint(h.Sum64())] = true
		}
		if len(seen) != 3 {
			t.Errorf("%s: three seeds give %d different trials", s.Name, len(seen))
		}
	}
}

// What a trial writes is what the box reads: the site file without a fault,
// the log row by row, in the order in which the box knew the rows.
func TestTrialsAreValid(t *testing.T) {
	for _, s := range trial.Scenarios() {
		for seed := range uint64(12) {
			one := s.Of(seed)
			dir := t.TempDir()
			site := filepath.Join(dir, "x.site.yaml")
			write(t, site, one.SiteWith("x.takeoff.csv"))
			if one.TakeOff != "" {
				write(t, filepath.Join(dir, "x.takeoff.csv"), one.TakeOff)
			}
			read, faults := config.Load(site, all.Drivers())
			if len(faults) > 0 {
				t.Fatalf("%s, seed %d: %v\n%s", s.Name, seed, faults, one.Site)
			}
			if one.TakeOff != "" && read.Systems[0].PipeM3 <= 0 {
				t.Errorf("%s, seed %d: the take-off gives no volume", s.Name, seed)
			}
			var log bytes.Buffer
			if err := one.WriteLog(&log); err != nil {
				t.Fatal(err)
			}
			in := fieldlog.NewReader(&log, "x.csv", read.Site)
			rows := 0
			for {
				if _, err := in.Next(); err != nil {
					if err.Error() != "EOF" {
						t.Errorf("%s, seed %d: %v", s.Name, seed, err)
					}
					break
				}
				rows++
			}
			if rows != len(one.Rows) || rows < 40 {
				t.Errorf("%s, seed %d: %d rows made, %d read", s.Name, seed, len(one.Rows), rows)
			}
			var last time.Time
			for _, r := range one.Rows {
				known := r.Time
				if !r.Known.IsZero() {
					known = r.Known
				}
				if known.Before(last) {
					t.Errorf("%s, seed %d: %s %s, known at %v, stands after %v", s.Name, seed, r.Kind, r.Name, known, last)
				}
				last = known
			}
			if len(one.Truth) < 3 {
				t.Errorf("%s, seed %d: %d facts", s.Name, seed, len(one.Truth))
			}
		}
	}
}

func write(t testing.TB, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
