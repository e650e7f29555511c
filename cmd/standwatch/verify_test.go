package main

import (
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// What is wrong with an earlier bundle is said of that one: the one asked about is not accused.
func TestVerifySinceNoBundle(t *testing.T) {
	night := filepath.Join(t.TempDir(), "night")
	out := func(args ...string) string {
		b, _ := exec.Command("standwatch", args...).CombinedOutput()
		return string(b)
	}
	site, log := filepath.Join("..", "..", "testdata", "record", "quayside.yaml"), filepath.Join("..", "..", "testdata", "record", "quayside.log.csv")
	out("replay", "--site", site, "--data", night, log)
	bundle := filepath.Join(t.TempDir(), "night.zip")
	if said := out("bundle", "--data", night, "--new-key", "--out", bundle); !strings.Contains(said, "entries in") {
		t.Fatal(said)
	}
	if said := out("verify", "--no-remake", bundle, "--since", "main.go"); strings.Contains(said, "NOT intact") || !strings.Contains(said, "--since: main.go is no bundle") {
		t.Errorf("it says %q", said)
	}
	if said := out("bundle", "--data", night, "--out", t.TempDir()); !strings.Contains(said, "is a folder") {
		t.Errorf("a bundle as a folder: %q", said)
	}
}

// Statuses as the contract has them: 0 intact, 1 not, 2 a wrong command line.
func TestVerifyExits(t *testing.T) {
	for args, want := range map[string]int{
		"verify --key nonsense some.zip": exitUsage,
		"verify":                         exitUsage,
		"verify main.go":                 exitFailed,
		"verify not-there.zip":           exitFailed,
	} {
		err := exec.Command("standwatch", strings.Fields(args)...).Run()
		got := 0
		if exit, ok := err.(*exec.ExitError); ok {
			got = exit.ExitCode()
		}
		if got != want {
			t.Errorf("%s: status %d, want %d (%v)", args, got, want, err)
		}
	}
}
