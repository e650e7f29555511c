package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"standwatch/daemon/doctor"
	"standwatch/daemon/journal"
	"standwatch/sensors"
)

// A machine with nothing on it: what the site file expects is missing, and the command fails.
func TestDoctorOfABareMachine(t *testing.T) {
	t.Parallel()
	m := doctor.Machine{Env: sensors.Env{Root: fstest.MapFS{}}}
	file := filepath.Join(t.TempDir(), "new.yaml")
	var out, errs bytes.Buffer
	err := doctorCommand{Config: "../../configs/onewire.yaml", Write: file, Wait: time.Second}.look(t.Context(), output{&out, &errs}, m)
	if err == nil {
		t.Error("three missing probes are no failure")
	}
	for _, want := range []string{"This machine has no bus", "oil-sump-ou1", "no value: does not answer, look at the plug", "3 of 3 do not answer", "standwatch check " + file} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	out.Reset()
	if status := run(t.Context(), []string{"check", file}, &out, &errs); status != exitDone {
		t.Errorf("the file written is not accepted: %s%s", out.String(), errs.String())
	}
	before, _ := os.ReadFile(file)
	err = doctorCommand{Write: file, Wait: time.Second}.look(t.Context(), output{&out, &errs}, m)
	if after, _ := os.ReadFile(file); err == nil || !strings.Contains(err.Error(), "is there already") || !bytes.Equal(before, after) {
		t.Errorf("a site file was overwritten: %v", err)
	}
}

func TestDoctorWritesJSON(t *testing.T) {
	t.Parallel()
	m := doctor.Machine{Env: sensors.Env{Root: fstest.MapFS{
		"sys/bus/w1/devices/28-0316a2794bff/id": {},
		"sys/bus/iio/devices/iio:device0/name":  {Data: []byte("hx711\n")},
	}}}
	var out bytes.Buffer
	err := doctorCommand{Config: "../../configs/onewire.yaml", Wait: time.Second, JSON: true}.look(t.Context(), output{&out, &out}, m)
	if err == nil {
		t.Error("missing probes are no failure")
	}
	var got struct {
		Buses []struct {
			Kind  string
			Found []struct {
				Where string
				Lacks []string
			}
		}
		Expected []seen
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatalf("%v: %s", err, out.String())
	}
	if len(got.Buses) != 2 || got.Buses[0].Found[0].Where != "28-0316a2794bff" || len(got.Buses[1].Found[0].Lacks) != 1 {
		t.Errorf("%s", out.String())
	}
	if len(got.Expected) != 3 || !got.Expected[0].Missing || got.Expected[0].Value != nil {
		t.Errorf("%s", out.String())
	}
}

func TestDoctorUsage(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{"doctor", "--wait", "0s"}, {"doctor", "--wait", "soon"}, {"doctor", "x"}} {
		var out bytes.Buffer
		if status := run(t.Context(), args, &out, &out); status != exitUsage {
			t.Errorf("%v: status %d, %s", args, status, out.String())
		}
	}
	var out bytes.Buffer
	if status := run(t.Context(), []string{"doctor", "--config", "not-here.yaml"}, &out, &out); status != exitFailed || !strings.Contains(out.String(), "not-here.yaml") {
		t.Errorf("%d, %s", status, out.String())
	}
}

// Beside a box that runs doctor asks nothing: it says who runs and what to do.
func TestDoctorBesideARunningBox(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(site, []byte("site: {name: Quayside Library}\nbox: {name: b, data: data}\npoints: []\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "data")
	j, err := journal.Open(t.Context(), data, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	m := doctor.Machine{Env: sensors.Env{Root: fstest.MapFS{}}}
	var out bytes.Buffer
	look := func() error {
		return doctorCommand{Config: site, Wait: time.Second}.look(t.Context(), output{&out, &out}, m)
	}
	if err := look(); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("process %d writes the journal in %s", os.Getpid(), data)) || out.Len() > 0 {
		t.Errorf("beside a box that runs: %v\n%s", err, out.String())
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := look(); err != nil {
		t.Errorf("once it has stopped: %v", err)
	}
	if j, err = journal.Open(t.Context(), data, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatalf("doctor holds the journal: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// What the box stands on is looked at before it starts: a clock that was never
// set, a disk without room, a journal that is none.
func TestDoctorLooksAtWhatTheBoxStandsOn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for file, body := range map[string]string{"damaged/journal.db": "no journal at all", "torn/journal.db": "SQL", "whole/journal.db": "SQLite format 3\x00 and more", "fresh/journal.db": ""} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, file)), 0o700); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, file), body)
	}
	now := time.Date(2026, 6, 12, 22, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		data string
		now  time.Time
		what string
		ok   bool
		says string
	}{
		{"nowhere/deep", now, "journal", true, "the first start makes it"},
		{"nowhere/deep", now, "disk", true, "free on the disk of " + dir},
		{"damaged", now, "journal", false, "damaged or no journal"},
		{"torn", now, "journal", false, "damaged or no journal"},
		{"whole", now, "journal", true, "looks it through at each start"},
		{"fresh", now, "journal", true, "looks it through at each start"}, // cut off before anything was kept
		{"whole", now, "clock", true, "2026-06-12 22:00 UTC"},
		{"whole", time.Unix(7, 0).UTC(), "clock", false, "it says 1970-01-01, so it was never set"},
	} {
		for _, g := range standsOn(filepath.Join(dir, c.data), c.now) {
			if g.What == c.what && (g.OK != c.ok || !strings.Contains(g.Says, c.says)) {
				t.Errorf("%s at %s: %+v, want %t, %q", c.data, c.now, g, c.ok, c.says)
			}
		}
	}
	if g := diskGround("/proc/self"); g.OK { // a file system without room
		t.Errorf("%+v", g)
	}
}
