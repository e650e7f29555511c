package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Files that are here and hold no certificate are a fault, for with them nobody gets
// in; files that are not here are none, for a site file may be checked elsewhere.
func TestCheckLooksAtCertificates(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	const text = `site: {name: Quayside Library, timezone: UTC}
system: {refrigerant: R-410A}
web: {listen: "0.0.0.0:8443", certificate: web.pem, key: web.key}
brokers: {site: {embedded: {listen: "127.0.0.1:8883", cert_file: broker.pem, key_file: broker.key, users: [{name: bridge, password: choose another, publish: ["q/#"]}]}}}
points: [{name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 1s, mqtt: {topic: q/gauge}}]
`
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	check := func() (status int, said string) {
		var out, errs bytes.Buffer
		status = run(t.Context(), []string{"check", site}, &out, &errs)
		return status, out.String() + errs.String()
	}
	if status, said := check(); status != exitDone || !strings.Contains(said, "note: web: the certificate supplied: stat") || !strings.Contains(said, "note: the broker site in the box: the certificate supplied: stat") {
		t.Errorf("files that are not here: %d\n%s", status, said)
	}
	for _, name := range []string{"web.pem", "web.key", "broker.pem", "broker.key"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("hello"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	status, said := check()
	for _, want := range []string{fmt.Sprintf("%s:3:6: the certificate supplied: ", site), fmt.Sprintf("%s:4:10: the broker site in the box: the certificate supplied: ", site)} {
		if status == exitDone || !strings.Contains(said, want) {
			t.Errorf("files without a certificate: %d, no %q in\n%s", status, want, said)
		}
	}
}

// A branch check that leaves its commands less time than it can read them in is said, and is no fault.
func TestCheckNotesAShortSettle(t *testing.T) {
	site := filepath.Join(t.TempDir(), "site.yaml")
	for settle, said := range map[string]bool{"90s": true, "10min": false} {
		text := "site: {name: Quayside Library, timezone: UTC}\nsystem: {refrigerant: R-410A, heat_recovery: true, steps: {branch-check: {settle: " + settle + "}}}\n"
		if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		status := run(t.Context(), []string{"check", site}, &out, &errs)
		if status != exitDone || strings.Contains(out.String(), "note: branch-check: settle: 90 s is too short for an answer to be read; the branch check leaves each command 4 min") != said {
			t.Errorf("settle: %s: %d\n%s%s", settle, status, out.String(), errs.String())
		}
	}
}
