package daemon

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

// Every form that the page offers is made of a journal with a job in it, twice
// the same, and none of a journal that holds nothing.
func TestEveryPaperIsMade(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		d, j := box(t, dir, weighing(time.Now(), func(time.Duration) bool { return false }))
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Second)
			for _, m := range []rules.Told{{Kind: "begin", Name: "hand-over"}, {Kind: "end", Name: "hand-over"},
				{Kind: "mark", Name: rules.MarkSigned, Note: "owner, Ελένη, drawn 0000zzzz"}, {Kind: "mark", Name: rules.MarkJobClosed, Note: "handed over, by Ines"}} {
				if err := d.Tell(ctx, m); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Minute)
			}
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
	key, err := record.OpenKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	p := papers{dir: dir, program: "standwatch test", key: key}
	if kinds := p.Kinds(); !slices.Contains(kinds, "label-a6") || !slices.Contains(kinds, "bundle") {
		t.Errorf("made are %v", kinds)
	}
	r, err := journal.OpenReader(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	_, forms, err := record.Forms(t.Context(), r, record.Which{}, key)
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
	var made []string
	for _, f := range forms {
		made = append(made, f.Kind)
	}
	if !slices.Equal(made, record.Kinds) {
		t.Errorf("record.Kinds has %v, and made are %v", record.Kinds, made)
	}
	var names []string
	for _, kind := range p.Kinds() {
		var sums [2][sha256.Size]byte
		for i := range sums {
			f, err := p.Paper(t.Context(), kind, "", 1)
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			body, err := io.ReadAll(f.Body)
			if err != nil || len(body) < 40 || f.Media == "" {
				t.Errorf("%s: %d bytes, %q: %v", kind, len(body), f.Media, err)
			}
			if err := f.Body.Close(); err != nil {
				t.Error(err)
			}
			sums[i] = sha256.Sum256(body)
			if i == 0 {
				names = append(names, f.File)
			}
		}
		if sums[0] != sums[1] {
			t.Errorf("%s of the same journal is not the same twice", kind)
		}
	}
	slices.Sort(names)
	if len(slices.Compact(names)) != len(p.Kinds()) || slices.ContainsFunc(names, func(n string) bool { return strings.ContainsAny(n, " /\\:") }) {
		t.Errorf("files called %q", names)
	}

	empty := t.TempDir()
	j, err := journal.Open(t.Context(), empty, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	for _, kind := range p.Kinds() {
		if _, err := (papers{dir: empty, key: key}).Paper(t.Context(), kind, "", 0); err == nil {
			t.Errorf("%s is made of an empty journal", kind)
		}
	}
}
