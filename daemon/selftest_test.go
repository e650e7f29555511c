package daemon

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/sensors"
)

// lines is a log that a test reads.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lines) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func TestSelfTestSaysWhatTheBoxStandsOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "self-test"), []byte("of a start that was killed"), 0o600); err != nil {
			t.Fatal(err)
		}
		var log lines
		d, j := box(t, dir, script(func(context.Context, sensors.Emit) {}))
		d.parts.Log, d.parts.Data = slog.New(slog.NewTextHandler(&log, nil)), dir
		d.parts.Supervisor = Supervisor{Tell: func(string) {}, Watchdog: 30 * time.Second}
		run(t, d, func(context.Context) { time.Sleep(2 * time.Second) })
		said := log.b.String()
		for _, want := range []string{
			`of=clock found="The wall clock can be believed`, `of=watchdog found="The program is started again if it keeps nothing for 30s.`,
			`of=journal found="The journal is whole: `, "schema 3 of 3, SQLite 3.", "of=disk found=",
		} {
			if strings.Count(said, want) != 1 {
				t.Errorf("the log says %d times %q:\n%s", strings.Count(said, want), want, said)
			}
		}
		if left, _ := filepath.Glob(filepath.Join(dir, "self-test*")); len(left) > 0 {
			t.Errorf("it left %v", left)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

// /dev/shm is a file system in memory on every Linux.
func TestSelfTestRefusesADiskInMemory(t *testing.T) {
	dir, err := os.MkdirTemp("/dev/shm", "standwatch-*")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if _, err := testDisk(dir); err == nil || !strings.Contains(err.Error(), "a power cut loses every reading") {
		t.Errorf("error %v", err)
	}
	gone := filepath.Join(dir, "gone")
	if _, err := testDisk(gone); err == nil || !strings.Contains(err.Error(), gone) {
		t.Errorf("a folder that is not there: error %v", err)
	}
}

// A journal whose file was lost looks like a new one. The keys beside it tell.
func TestSelfTestTellsALostJournalFromANewOne(t *testing.T) {
	dir := t.TempDir()
	site := keyed(t)
	for _, c := range []struct {
		before string
		lost   bool
	}{{"a new box", false}, {"a restart", false}, {"journal.db cut to nothing", true}, {"a restart after that", false}} {
		if c.lost {
			for _, name := range []string{"journal.db", "journal.db-wal", "journal.db-shm"} {
				if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.WriteFile(filepath.Join(dir, "journal.db"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		var log lines
		b, err := Open(t.Context(), site, Setup{Data: dir, Version: "v1", Log: slog.New(slog.NewTextHandler(&log, nil))})
		if err != nil {
			t.Fatal(err)
		}
		run(t, b.Daemon, func(context.Context) {
			for end := time.Now().Add(2 * time.Minute); !strings.Contains(log.text(), "of=journal found=") && time.Now().Before(end); {
				time.Sleep(10 * time.Millisecond)
			}
		})
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		if said := strings.Contains(log.text(), "this start found an empty journal"); said != c.lost || !strings.Contains(log.text(), "of=journal found=") {
			t.Errorf("%s: a lost journal is told: %t, want %t\n%s", c.before, said, c.lost, log.text())
		}
	}
}
