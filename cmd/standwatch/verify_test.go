package main

import (
	"os/exec"
	"strings"
	"testing"
)

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
