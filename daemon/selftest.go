package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"
)

// selfTest looks at what the box stands on, once after each start, and says how
// it found it in one line of the log each. What can lose readings stands on the
// pages too. It hinders nothing: the box measures meanwhile.
func (d *Daemon) selfTest(ctx context.Context) {
	if d.parts.OwnTimes { // a simulated night stands on nothing of this machine
		return
	}
	say := func(what, sentence string, err error) {
		switch {
		case ctx.Err() != nil: // told to stop in the midst of it
		case err != nil:
			d.parts.Log.Warn("self-test", "of", what, "found", err)
			d.devices.set(what, false, sentenceOf(err))
		default:
			d.parts.Log.Info("self-test", "of", what, "found", sentence)
		}
	}
	at := d.parts.Clock.Stamp(0)
	if a := d.parts.Clock.Anchor(at); a.Proven {
		say("clock", fmt.Sprintf("The wall clock can be believed (%s).", a.Source), nil)
	} else { // no fault: flags and pages go on saying it
		say("clock", "The wall clock cannot be believed yet: durations are right, dates are not. Let the box reach a time server, or fit a battery clock.", nil)
	}
	if w := d.parts.Supervisor.Watchdog; w > 0 {
		say("watchdog", fmt.Sprintf("The program is started again if it keeps nothing for %s.", w), nil)
	} else {
		say("watchdog", "Nobody restarts the program if it hangs: it was not started by its service unit.", nil)
	}
	if d.parts.Data != "" {
		sentence, err := testDisk(d.parts.Data)
		say("disk", sentence, err)
	}
	sentence, err := d.parts.Journal.Whole(ctx)
	if err == nil && d.parts.Emptied {
		err = fmt.Errorf("this start found an empty journal in %s, and beside it the key of a box that was started before. If that was meant, the next start says so no more; "+
			"else a night was lost with its file (journal.db): look after the card or disk, and for a copy", d.parts.Data)
	}
	say("journal", sentence, err)
}

// sentenceOf is an error as a page says it.
func sentenceOf(err error) string { return "Self-test: " + err.Error() + "." }

// unfit are kinds of file systems on which a journal does not last, or cannot
// be locked, by their number in linux/magic.h.
var unfit = map[int64]string{
	0x01021994: "is in memory (tmpfs): a power cut loses every reading",
	0x858458f6: "is in memory (ramfs): a power cut loses every reading",
	0x6969:     "is another machine's (NFS): the journal needs a local disk",
	0xfe534d42: "is another machine's (SMB): the journal needs a local disk",
	0xff534d42: "is another machine's (CIFS): the journal needs a local disk",
}

// slowWrite is a durable write that takes longer than most cards' worst stalls
// (our choice); what is told is the median of five.
const slowWrite = time.Second

// testDisk looks at the disk of a folder: its kind, its room, and how long a
// durable write takes.
func testDisk(dir string) (string, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return "", fmt.Errorf("the disk of %s cannot be looked at: %w", dir, err)
	}
	if why := unfit[int64(uint32(st.Type))]; why != "" { // its width differs between machines
		return "", fmt.Errorf("the disk of %s %s; name a folder on a card or disk of this machine (box: data)", dir, why)
	}
	free, err := diskFree(dir)
	if err != nil {
		return "", err
	}
	took, err := durableWrite(dir)
	if err != nil {
		return "", fmt.Errorf("the disk of %s takes nothing: %w; make room, or look whether it is mounted read-only", dir, err)
	}
	if took > slowWrite {
		return "", fmt.Errorf("the disk of %s takes %s for a durable write, so that readings wait and flags come late; change the card", dir, took.Round(10*time.Millisecond))
	}
	return fmt.Sprintf("%.0f %% free; a durable write takes %s.", 100*free, took.Round(10*time.Microsecond)), nil
}

// durableWrite is how long it takes to have 4 KiB on the disk for good: the
// median of five.
func durableWrite(dir string) (_ time.Duration, err error) {
	f, err := os.Create(filepath.Join(dir, "self-test")) // one name: what a start leaves that is cut off here the next one takes away
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	var took []time.Duration
	for range 5 {
		begun := time.Now()
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			return 0, err
		}
		if err := f.Sync(); err != nil {
			return 0, err
		}
		took = append(took, time.Since(begun))
	}
	slices.Sort(took)
	return took[len(took)/2], nil
}
