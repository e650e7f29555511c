package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"standwatch/daemon/journal"
)

// ground is something that a box stands on, as it is before the box starts.
type ground struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Says string `json:"says"`
}

// standsOn looks at the clock, the folder of the journal and its disk. It opens
// no journal: a reader that is not the box's own user could leave files behind
// that the box may not use.
func standsOn(data string, now time.Time) []ground {
	return []ground{clockGround(now), diskGround(data), journalGround(data)}
}

// builtBefore is a year in which no standwatch was built yet.
const builtBefore = 2025

func clockGround(now time.Time) ground {
	if now.Year() <= builtBefore {
		return ground{"clock", false, fmt.Sprintf("it says %s, so it was never set: durations will be right, dates will not. Let the machine reach a time server, or fit a battery clock", now.Format(time.DateOnly))}
	}
	return ground{"clock", true, now.Format("2006-01-02 15:04 MST") + ", by this machine"}
}

// least is what a folder should have free for a night, and a little more (our
// choice: a night of two hundred points has some 10 MB).
const least = 100 << 20

func diskGround(data string) ground {
	dir := data
	for { // the first start makes what is not there
		_, err := os.Stat(dir)
		if !errors.Is(err, fs.ErrNotExist) || dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return ground{"disk", false, fmt.Sprintf("the disk of %s cannot be looked at: %v", dir, err)}
	}
	free := int64(st.Bavail) * int64(st.Bsize)
	switch {
	case free < least:
		return ground{"disk", false, fmt.Sprintf("only %s are free on the disk of %s: make room, or the night does not fit on it", size(free), dir)}
	case st.Flags&syscall.MS_RDONLY != 0:
		return ground{"disk", false, fmt.Sprintf("the disk of %s is mounted read-only: nothing can be kept there", dir)}
	}
	return ground{"disk", true, fmt.Sprintf("%s are free on the disk of %s", size(free), dir)}
}

func journalGround(data string) ground {
	f, err := os.Open(filepath.Join(data, journal.File))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return ground{"journal", true, fmt.Sprintf("none in %s yet: the first start makes it", data)}
	case errors.Is(err, fs.ErrPermission):
		return ground{"journal", false, fmt.Sprintf("it lies in %s and cannot be read by who asks: ask as root (sudo standwatch doctor), or mend its owner", data)}
	case err != nil:
		return ground{"journal", false, fmt.Sprintf("it cannot be read: %v", err)}
	}
	defer f.Close()                     // it is only read
	const magic = "SQLite format 3\x00" // of the file's first 16 bytes (SQLite, Database File Format, 1.3)
	head := make([]byte, len(magic))
	info, err := f.Stat()
	if n, readErr := io.ReadFull(f, head); err == nil && readErr != nil && n > 0 || err == nil && n == len(magic) && string(head) != magic {
		return ground{"journal", false, fmt.Sprintf("what lies in %s is damaged or no journal: move the folder aside, keep it, and let the box begin a new one", data)}
	}
	if err != nil {
		return ground{"journal", false, fmt.Sprintf("it cannot be read: %v", err)}
	}
	return ground{"journal", true, fmt.Sprintf("%s in %s; the box looks it through at each start and says so in its log", size(info.Size()), data)}
}
