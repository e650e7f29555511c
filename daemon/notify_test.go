package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/outbox"
	"standwatch/rules"
	"standwatch/sensors"
)

// What is said stands in sd_notify(3): assignments, one datagram a message.
func TestSystemdIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	ln, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	env := map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "7"}
	get := func(name string) string { return env[name] }
	s, err := Systemd(get, 7)
	if err != nil || s.Watchdog != 30*time.Second {
		t.Fatalf("watchdog %v, %v", s.Watchdog, err)
	}
	s.tell("READY=1")
	s.tell("WATCHDOG=1")
	if err := ln.SetReadDeadline(time.Now().Add(2 * time.Minute)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"READY=1", "WATCHDOG=1"} {
		b := make([]byte, 100)
		n, err := ln.Read(b)
		if err != nil || string(b[:n]) != want {
			t.Errorf("%q, %v; want %q", b[:n], err, want)
		}
	}
	if s, err := Systemd(get, 8); err != nil || s.Watchdog != 0 || s.Tell == nil {
		t.Errorf("another process' watchdog: %v, %v", s.Watchdog, err)
	}
	env["NOTIFY_SOCKET"] = path + "-gone"
	if _, err := Systemd(get, 7); err == nil || !strings.Contains(err.Error(), "-gone") {
		t.Errorf("a socket that is not there: %v", err)
	}
	env["NOTIFY_SOCKET"] = ""
	if s, err := Systemd(get, 7); err != nil || s.Tell != nil {
		t.Errorf("started by hand: %v", err)
	}
}

// heardStates keeps what a supervisor is told, with the time since the first.
type heardStates struct {
	mu    sync.Mutex
	begun time.Time
	all   []string
}

func (s *heardStates) supervisor(watchdog time.Duration) Supervisor {
	s.begun = time.Now()
	return Supervisor{Watchdog: watchdog, Tell: func(state string) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.all = append(s.all, state)
	}}
}

func (s *heardStates) count(state string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.all {
		if x == state {
			n++
		}
	}
	return n
}

// A box at which nothing happens is well: it is ready, and feeds its watchdog.
func TestWatchdogOfAQuietBox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, j := box(t, t.TempDir(), script(func(context.Context, sensors.Emit) {}))
		var s heardStates
		d.parts.Supervisor = s.supervisor(4 * time.Second)
		run(t, d, func(context.Context) { time.Sleep(time.Minute) })
		if len(s.all) < 3 || s.all[0] != "READY=1" && s.all[1] != "READY=1" || s.all[len(s.all)-1] != "STOPPING=1" {
			t.Errorf("told %q", s.all)
		}
		if n := s.count("WATCHDOG=1"); n < 30 || n > 61 {
			t.Errorf("fed %d times in a minute, want each one to two seconds", n)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A box that keeps nothing any more is not fed, however busy it is. A full disk
// is no reason to restart: that makes no room, and takes away the page that says so.
func TestWatchdogStarvesWhileNothingIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := script(func(ctx context.Context, emit sensors.Emit) {
			for ctx.Err() == nil {
				emit(sensors.Delivery{Readings: []sensors.Reading{sensors.Mass.Reading("scale", 9, "kg")}})
				time.Sleep(time.Second)
			}
		})
		d, j := box(t, t.TempDir(), src)
		var s heardStates
		d.parts.Supervisor = s.supervisor(4 * time.Second)
		d.loop.begun = time.Now().Add(-time.Hour) // the journal is a long one
		guards := make(chan func() (time.Duration, string), 1)
		d.parts.Guard = func(_ context.Context, kept func() (time.Duration, string)) {
			if quiet, _ := kept(); quiet > alive {
				t.Errorf("at its start the box is said to have kept nothing for %s", quiet)
			}
			guards <- kept
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- d.Run(ctx) }()
		time.Sleep(10 * time.Second)
		before := s.count("WATCHDOG=1")
		if before < 5 {
			t.Errorf("fed %d times in 10 s of readings", before)
		}
		if err := j.Close(); err != nil { // from here on no commit succeeds
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		before = s.count("WATCHDOG=1")
		time.Sleep(time.Minute)
		if n := s.count("WATCHDOG=1") - before; n != 0 {
			t.Errorf("fed %d times while nothing was kept", n)
		}
		if quiet, why := (<-guards)(); quiet < time.Minute || why == "" {
			t.Errorf("people are to be told that nothing was kept for %s: %q", quiet, why)
		}
		stop()
		<-done // an error, since the last readings were not kept

		for range 8 {
			if d.loop.failing == "" {
				t.Error("the loop does not know that it fails")
			}
			d.stopping = make(chan struct{})
			d.loop.retry(fmt.Errorf("journal: append: %w", journal.ErrFull))
		}
		if n := s.count("WATCHDOG=1") - before; n < 4 {
			t.Errorf("fed %d times in 8 s of a full disk, of which the page must go on to tell", n)
		}
		if !slices.Contains(s.all, "STOPPING=1") {
			t.Errorf("told %q", s.all)
		}
	})
}

// A disk that stays full for hours is told of once in the log, and once when there is room again.
func TestAFailingDiskIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, j := box(t, t.TempDir(), script(func(context.Context, sensors.Emit) {}))
		var log strings.Builder
		d.parts.Log = slog.New(slog.NewTextHandler(&log, nil))
		d.stopping = make(chan struct{})
		l := newLoop(d)
		l.mended()
		full := fmt.Errorf("journal: append: %w", journal.ErrFull)
		for range 60 {
			l.retry(full)
		}
		l.retry(errors.New("journal: append: input/output error"))
		l.mended()
		l.mended()
		for text, want := range map[string]int{"the disk is full": 1, "input/output error": 1, "commits work again": 1, "after=1m1s": 1} {
			if n := strings.Count(log.String(), text); n != want {
				t.Errorf("%q stands %d times in the log, want %d:\n%s", text, n, want, log.String())
			}
		}
		l.retry(full)
		if n := strings.Count(log.String(), "the disk is full"); n != 2 {
			t.Errorf("the next failure is told %d times", n-1)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// A horn sounds anew for a flag that is newer than those it knows, by the sequence number. That nothing
// is kept has no entry of its own: it stands as newer than all that was ever kept, or a horn whose last
// call was acknowledged would stay silent.
func TestThatNothingIsKeptIsNewerThanEveryFlag(t *testing.T) {
	d, j := box(t, t.TempDir(), script(func(context.Context, sensors.Emit) {}))
	defer func() { _ = j.Close() }() // nothing was kept
	d.judging.head.Store(41)
	b := &Box{Daemon: d}
	if open := b.standing(); len(open) != 0 {
		t.Fatalf("of a box that has just begun %v stand open", open)
	}
	d.loop.begun = time.Now().Add(-2 * outbox.UnkeptFor) // and it has not turned since
	open := b.standing()
	if len(open) != 1 || open[0].Urgency != rules.Wake || open[0].Seq != 41 {
		t.Errorf("open are %v; want that nothing is kept, to wake for, of entry 41", open)
	}
}
