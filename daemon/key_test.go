package daemon

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

// A key that was lost, or put in the place of the old one, is made or taken and
// told in the journal, once; the same key is never told.
func TestAChangedKeyIsTold(t *testing.T) {
	dir := t.TempDir()
	var prints []string
	start := func() {
		synctest.Test(t, func(t *testing.T) {
			d, j := box(t, dir, weighing(time.Now(), func(time.Duration) bool { return false }))
			key, err := record.OpenKey(dir)
			if err != nil {
				t.Fatal(err)
			}
			prints = append(prints, key.Fingerprint())
			d.parts.Key = key
			run(t, d, func(context.Context) { time.Sleep(time.Second) })
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		})
	}
	start()
	start()
	if err := os.Remove(filepath.Join(dir, record.KeyFile)); err != nil {
		t.Fatal(err)
	}
	start()
	start()
	_, j := box(t, dir, nil)
	defer j.Close()
	marks, err := j.Marks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, e := range marks {
		if b, ok := e.Body.(*rules.Told); ok && b.Name == "note" && b.Note != "stopped" {
			told = append(told, b.Note)
		}
	}
	if prints[0] != prints[1] || prints[1] == prints[2] || prints[2] != prints[3] {
		t.Errorf("keys %q", prints)
	}
	if len(told) != 1 || !strings.Contains(told[0], prints[0]) || !strings.Contains(told[0], prints[2]) {
		t.Errorf("told %q", told)
	}
	if late, kept := chainedTo(t, j); late != 0 || kept == 0 { // an orderly stop chains to the end
		t.Errorf("%d late, kept to %d", late, kept)
	}
}

func chainedTo(t *testing.T, j interface {
	Last(context.Context) (uint64, error)
	Kept(context.Context) (journal.Kept, error)
}) (late, kept uint64) {
	t.Helper()
	last, err := j.Last(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	k, err := j.Kept(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	late, kept = k.Chained(last)
	if kept != last {
		t.Errorf("the chain is kept to %d of %d", kept, last)
	}
	return late, kept
}
