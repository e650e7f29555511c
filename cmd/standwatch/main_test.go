package main

import (
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets tests run this very binary as `standwatch`, so that scripts and
// the kill test exercise the real program.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"standwatch": main})
}

func TestCommandLine(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script"})
}
