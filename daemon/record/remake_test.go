package record_test

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
)

// bundled is a file with the bundle of a job.
func bundled(t *testing.T, r *journal.Reader, w record.Which, program string) (file string) {
	t.Helper()
	key, err := record.OpenKey(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	rec, forms, err := record.Forms(t.Context(), r, w, key)
	if err != nil {
		t.Fatal(err)
	}
	return filed(t, record.Bundled{Journal: r, Key: key, Program: program, Record: rec, Parts: record.PartsOf(forms)})
}

func filed(t *testing.T, b record.Bundled) (file string) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "bundle.zip")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := record.Bundle(t.Context(), f, b); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return file
}

func verifiedFile(t *testing.T, file string) record.Verified {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, err := record.Verify(bytes.NewReader(b), int64(len(b)))
	if err != nil || len(v.Faults) > 0 {
		t.Fatalf("%v, %+v", err, v.Faults)
	}
	return v
}

// The record in a bundle is what its entries give: who has the bundle alone
// makes every paper of it again, to the byte.
func TestARecordIsMadeAnewFromItsBundle(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	j, _ := replayed(t, filepath.Join(dir, "quayside.yaml"), filepath.Join(dir, "quayside.log.csv"))
	v := verifiedFile(t, bundled(t, &j.Reader, record.Which{}, "standwatch 7"))
	again, faults, err := v.Remake(t.Context(), t.TempDir(), "standwatch 7")
	if err != nil || len(faults) > 0 || !again.Same || len(again.Equal) != 6 || len(again.Other) > 0 || again.FiguresOther > 0 {
		t.Errorf("%v, %+v, %+v", err, faults, again)
	}
	part, _ := v.Open("record.csv")
	csv, err := io.ReadAll(part)
	if err != nil || again.FiguresEqual != strings.Count(string(csv), "\n") {
		t.Errorf("%d figures are equal of %d lines, %v", again.FiguresEqual, strings.Count(string(csv), "\n"), err)
	}
	if again, faults, err = v.Remake(t.Context(), t.TempDir(), "standwatch 8"); err != nil || len(faults) > 0 || again.Same || again.FiguresOther > 0 {
		t.Errorf("by another version: %v, %+v, %+v", err, faults, again)
	}
	// The chain as it was when the bundle was made, not as it would be now.
	if err := j.Chain(t.Context()); err != nil {
		t.Fatal(err)
	}
	v = verifiedFile(t, bundled(t, &j.Reader, record.Which{}, "standwatch 7"))
	if again, faults, err = v.Remake(t.Context(), t.TempDir(), "standwatch 7"); err != nil || len(faults) > 0 || len(again.Equal) != 6 {
		t.Errorf("chained meanwhile: %v, %+v, %+v", err, faults, again)
	}
}

// A paper written by hand into a bundle and signed is told by the program that
// would have written another, and its figures by any.
func TestAPaperThatTheEntriesDoNotGiveIsTold(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	j, _ := replayed(t, filepath.Join(dir, "quayside.yaml"), filepath.Join(dir, "quayside.log.csv"))
	key, err := record.OpenKey(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	rec, forms, err := record.Forms(t.Context(), &j.Reader, record.Which{}, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, forged := range []string{"record.pdf", "record.html", "record.csv", "record.json", "label.pdf", "label.txt"} {
		parts := record.PartsOf(forms)
		for i, p := range parts {
			if p.Name != forged {
				continue
			}
			parts[i].Write = func(w io.Writer) error {
				var b bytes.Buffer
				if err := p.Write(&b); err != nil {
					return err
				}
				at := bytes.LastIndexByte(b.Bytes(), '0')
				b.Bytes()[at] = '1'
				_, err := w.Write(b.Bytes())
				return err
			}
		}
		file := filed(t, record.Bundled{Journal: &j.Reader, Key: key, Program: "standwatch 7", Record: rec, Parts: parts})
		v := verifiedFile(t, file) // every byte is as it was signed
		_, faults, err := v.Remake(t.Context(), t.TempDir(), "standwatch 7")
		if err != nil || len(faults) != 1 || faults[0].Part != forged {
			t.Errorf("%s: %v, %+v", forged, err, faults)
		}
		if forged != "record.csv" && forged != "label.txt" {
			continue
		}
		again, faults, err := v.Remake(t.Context(), t.TempDir(), "standwatch 8")
		if err != nil || len(faults) > 0 || !slices.Equal(again.Other, []string{forged}) || (again.FiguresOther == 1) != (forged == "record.csv") {
			t.Errorf("%s by another version: %v, %+v, %+v", forged, err, faults, again)
		}
	}
}

// What a bundle makes of it that somebody signed to fill a machine's memory is
// told by its name, and is not held.
func TestATableTooLargeIsNotRead(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	j, _ := replayed(t, filepath.Join(dir, "quayside.yaml"), filepath.Join(dir, "quayside.log.csv"))
	key, err := record.OpenKey(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	rec, forms, err := record.Forms(t.Context(), &j.Reader, record.Which{}, key)
	if err != nil {
		t.Fatal(err)
	}
	blown := func(w io.Writer) error {
		_, err := io.Copy(w, io.LimitReader(zeros{}, 64<<20+1))
		return err
	}
	for _, name := range []string{"record.csv", "record.pdf"} {
		parts := record.PartsOf(forms)
		for i := range parts {
			if parts[i].Name == name {
				parts[i].Write = blown
			}
		}
		file := filed(t, record.Bundled{Journal: &j.Reader, Key: key, Program: "standwatch 7", Record: rec, Parts: parts})
		again, faults, err := verifiedFile(t, file).Remake(t.Context(), t.TempDir(), "standwatch 7")
		if name == "record.csv" {
			if err == nil || !strings.Contains(err.Error(), "record.csv is larger than 67108864 bytes") {
				t.Errorf("%s: %v", name, err)
			}
		} else if err != nil || len(faults) != 1 || faults[0].Part != name || !slices.Equal(again.Other, []string{name}) {
			t.Errorf("%s: %v, %+v, %+v", name, err, faults, again)
		}
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }
