package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// golden compares a table with the one that is kept.
func golden(t *testing.T, name string) {
	t.Helper()
	for _, k := range kept {
		if k.name != name {
			continue
		}
		want, err := os.ReadFile(filepath.Join("..", "..", "testdata", "accuracy", name))
		if err != nil {
			t.Fatal(err)
		}
		var got bytes.Buffer
		if err := report(&got, 1, k.seeds, nil, false); err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(got.Bytes(), want) {
			return
		}
		was, is := strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")
		for i := range max(len(was), len(is)) {
			a, b := line(was, i), line(is, i)
			if a != b {
				t.Errorf("testdata/accuracy/%s, line %d:\n was %s\n is  %s", name, i+1, a, b)
			}
		}
		t.Errorf("a judge or a trial has changed: run deploy/accuracy --update and read what has become worse")
	}
}

func line(ls []string, i int) string {
	if i < len(ls) {
		return ls[i]
	}
	return ""
}

// TestTrialsTogether is the one that is run with the race detector: trials are
// judged side by side, and nothing may depend on that.
func TestTrialsTogether(t *testing.T) {
	var first, second bytes.Buffer
	for _, w := range []*bytes.Buffer{&first, &second} {
		if err := report(w, 1, 2, nil, false); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Errorf("the same trials were counted as\n%s\nand as\n%s", &first, &second)
	}
}

// TestFewTrials is also run on an emulated machine.
func TestFewTrials(t *testing.T)  { golden(t, "few.txt") }
func TestSomeTrials(t *testing.T) { golden(t, "some.txt") }
