package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"testing"

	"zombiezen.com/go/sqlite"
)

// What the disk does not give back is told by the numbers of its entries, as
// unread and not as changed; what is busy, full or told to stop is neither.
func TestWhatADiskDoesNotGiveBackIsUnread(t *testing.T) {
	for _, x := range []struct {
		err  error
		want bool
	}{
		{sqlite.ResultIOErrRead.ToError(), true},
		{sqlite.ResultBusy.ToError(), false},
		{sqlite.ResultFull.ToError(), false},
		{sqlite.ResultCorrupt.ToError(), true},
		{&fs.PathError{Op: "stat", Path: "journal.db", Err: syscall.EIO}, true},
		{sqlite.ResultIOErrNoMem.ToError(), false},
		{syscall.EMFILE, false},
		{context.Canceled, false},
	} {
		err := fmt.Errorf("in between: %w", explain("read", "data", errors.Join(x.err, errors.New("closed"))))
		var u *UnreadError
		if got := errors.As(unread(4097, 8192, err), &u); got != x.want {
			t.Errorf("%v: unread %t", err, got)
		} else if got && (u.First != 4097 || u.Last != 8192) {
			t.Errorf("%v: %+v", err, u)
		}
	}
	if unread(1, 2, nil) != nil {
		t.Error("nothing is an error")
	}
}
