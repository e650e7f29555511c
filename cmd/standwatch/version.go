package main

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"sync"
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

// maker says which build makes a paper. Builds that are all called the same, for
// nobody gave them a version or their source was changed after the commit, are
// told apart by what they are: verify would take another one's paper for a forgery.
var maker = sync.OnceValue(func() string {
	changed, revision := false, false
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			changed = changed || s.Key == "vcs.modified" && s.Value == "true"
			revision = revision || s.Key == "vcs.revision" && s.Value != ""
		}
	}
	if revision && !changed || release != "development" {
		return program()
	}
	return program() + ", build " + ownSum()
})

// ownSum is the start of this program's own SHA-256. The kernel's name for it comes
// first: behind the path an update may have put the next one.
func ownSum() string {
	self, err := os.Open("/proc/self/exe")
	if err != nil {
		path, failed := os.Executable()
		if self, err = os.Open(path); cmp.Or(failed, err) != nil {
			return "unknown"
		}
	}
	defer func() { _ = self.Close() }() // only read
	sum := sha256.New()
	if _, err := io.Copy(sum, self); err != nil {
		return "unknown"
	}
	return fmt.Sprintf("%x", sum.Sum(nil)[:6])
}
