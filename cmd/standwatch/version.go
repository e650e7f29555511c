package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// release is set by the packager: -ldflags "-X main.release=1.2.3".
var release = "development"

// version says which build this is.
func version() string { return fmt.Sprintf("%s %s/%s", program(), runtime.GOOS, runtime.GOARCH) }

// program says which build this is, the same on every kind of machine.
func program() string {
	revision := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				revision = " " + s.Value[:12]
			}
		}
	}
	return "standwatch " + release + revision
}
