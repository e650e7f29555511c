package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// release is set by the packager: -ldflags "-X main.release=1.2.3".
var release = "development"

// version says which build this is.
func version() string {
	revision := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				revision = " " + s.Value[:12]
			}
		}
	}
	return fmt.Sprintf("standwatch %s%s %s/%s", release, revision, runtime.GOOS, runtime.GOARCH)
}
