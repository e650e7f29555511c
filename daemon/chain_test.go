package daemon

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// alter changes a journal's file behind the box's back.
func alter(t *testing.T, dir, query string) {
	t.Helper()
	conn, err := sqlite.OpenConn(filepath.Join(dir, "journal.db"), sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetBusyTimeout(time.Second)
	if err := sqlitex.ExecuteTransient(conn, query, nil); err != nil {
		t.Fatal(err)
	}
	if conn.Changes() != 1 {
		t.Fatalf("%s changed %d rows", query, conn.Changes())
	}
}

// Who changes the journal while the box stands, or under it while it runs, is
// told of, once; and once it is as it was, that too.
func TestAJournalThatIsChangedRaisesAFlag(t *testing.T) {
	const flag, change, back = "journal-changed", `UPDATE events SET since_ms = since_ms + 1000000 WHERE seq = 1`, `UPDATE events SET since_ms = since_ms - 1000000 WHERE seq = 1`
	for _, running := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			dir, start := t.TempDir(), time.Now()
			never := func(time.Duration) bool { return false }
			raised := func(d *Daemon) (n int) {
				for _, f := range d.Now().Flags {
					if f.Flag.Flag == flag {
						n++
					}
				}
				return n
			}
			d, j := box(t, dir, weighing(start, never))
			run(t, d, func(context.Context) {
				time.Sleep(5 * time.Minute)
				if raised(d) != 0 {
					t.Error("raised where nobody changed anything")
				}
				if running {
					alter(t, dir, change)
					time.Sleep(3 * time.Minute)
					if raised(d) != 1 {
						t.Error("the journal was changed under the box, and nobody is told")
					}
				}
			})
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			if !running {
				alter(t, dir, change)
			}
			d, j = box(t, dir, weighing(start, never))
			run(t, d, func(context.Context) {
				time.Sleep(30 * time.Second) // before the first round
				if raised(d) != 1 {
					t.Error("the journal was changed before the start, and nobody is told")
				}
				time.Sleep(10 * time.Minute)
				if raised(d) != 1 {
					t.Error("the flag was cleared, and nothing was mended")
				}
				alter(t, dir, back)
				time.Sleep(5 * time.Minute)
				if raised(d) != 0 {
					t.Error("the flag stands, and the journal is as it was")
				}
			})
			if n := strings.Count(findings(t, j), `"rule":"`+flag+`"`); n != 2 {
				t.Errorf("%d findings, want the flag raised once and cleared once", n)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		})
	}
}

// Who stops a box while it starts has stopped it in order.
func TestAStopInTheMidstOfAStartIsOrderly(t *testing.T) {
	d, j := box(t, t.TempDir(), weighing(time.Now(), func(time.Duration) bool { return false }))
	defer j.Close()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := d.Run(ctx); err != nil {
		t.Error(err)
	}
}

// A disk that gave nothing once is asked again; twice at one place, somebody is told.
func TestADiskThatGivesNothingIsToldTheSecondTime(t *testing.T) {
	at := func(first uint64) error {
		return fmt.Errorf("in between: %w", &journal.UnreadError{First: first, Last: first + 4095})
	}
	w := chainWatch{next: 1}
	for i, x := range []struct {
		err  error
		want bool
	}{{at(1), false}, {nil, false}, {at(1), false}, {at(4097), false}, {errors.New("busy"), false}, {at(4097), false}, {at(4097), true}, {at(4097), true}} {
		if got := w.twice(x.err, &w.behind); got != x.want {
			t.Errorf("%d: %t", i, got)
		}
	}
	m, ok := w.tells(web.Snapshot{})
	if want := rules.ChainUnread(4097, 8192); !ok || m.Note != want.Note {
		t.Errorf("%+v, want %+v", m, want)
	}
	open := web.Snapshot{}
	open.Flags = append(open.Flags, web.Flag{})
	open.Flags[0].Flag.Flag = "journal-changed"
	if m, ok := w.tells(open); ok || w.unread != nil {
		t.Errorf("it is told again: %+v", m)
	}
	w.whole, w.tail = true, true
	if m, ok := w.tells(open); !ok || m.Note != rules.ChainWhole().Note {
		t.Errorf("all is well again: %+v", m)
	}
}
