package clock

import (
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// boot reads the time since the machine's boot, suspend counted, and the
// kernel's boot id.
func boot() (since time.Duration, id string, err error) {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return 0, "", fmt.Errorf("clock: read the time since boot: %w", err)
	}
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return 0, "", fmt.Errorf("clock: read the boot id: %w", err)
	}
	return time.Duration(t.Nano()), strings.TrimSpace(string(b)), nil
}

// facts is what the machine shows of its wall clock.
type facts struct {
	wall         time.Time
	read         time.Time     // when it was read, by the monotonic clock: the rest is asked after it, and a busy machine takes its time
	synchronised bool          // says the kernel (adjtimex)
	err          time.Duration // greatest error the kernel admits; 0: it does not say
	deviceTree   bool          // a board, not a PC or a virtual machine
	rtc          bool          // a battery clock is there
}

// built is before any time at which this program can run. An earlier wall
// clock was never set.
var built = Built()

// Built is before any time at which this program can run.
func Built() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }

// proven reports whether a wall clock may be believed.
func proven(f facts) bool {
	if f.wall.Before(built) {
		return false
	}
	return f.synchronised || f.rtc || !f.deviceTree
}

// staUnsync is STA_UNSYNC, timeError is TIME_ERROR of linux/timex.h.
const (
	staUnsync = 0x40
	timeError = 5
)

// look asks the machine.
func look() facts {
	now := time.Now() // both clocks, one right after the other
	f := facts{wall: now, read: now}
	var t syscall.Timex // with no modes set adjtimex only tells
	if state, err := syscall.Adjtimex(&t); err == nil {
		f.synchronised = state != timeError && t.Status&staUnsync == 0
		f.err = time.Duration(t.Maxerror) * time.Microsecond
	}
	f.deviceTree, f.rtc = madeOf(os.DirFS("/"))
	return f
}

// madeOf tells whether the machine describes itself by a device tree, as boards do,
// and whether it has a clock with a battery.
func madeOf(root fs.FS) (deviceTree, rtc bool) {
	for _, path := range []string{"proc/device-tree/model", "sys/firmware/devicetree"} {
		if _, err := fs.Stat(root, path); err == nil {
			deviceTree = true
		}
	}
	rtcs, _ := fs.Glob(root, "sys/class/rtc/rtc*") // the pattern is well formed
	return deviceTree, len(rtcs) > 0
}
