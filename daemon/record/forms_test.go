package record

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// However long a site's name is, in letters of two bytes too, each form's file
// keeps its own ending, or one would be written over the other.
func TestALongNameLeavesTheFormsApart(t *testing.T) {
	r := Record{Site: strings.Repeat("Δημοτική βιβλιοθήκη ", 12), System: System{Name: strings.Repeat("north ", 60)}, Job: Job{Number: 2, Of: 3}}
	for _, form := range []string{"record.pdf", "record-letter.pdf", "bundle.zip", "label.pdf", "sha256.txt", "2026-06-17"} {
		if name := r.FileName(form); !strings.HasSuffix(name, "-job-2-"+form) || len(name) > 122 || !utf8.ValidString(name) || !strings.HasPrefix(name, "δημοτική-βιβλιοθήκη") {
			t.Errorf("%s is called %q, of %d bytes", form, name, len(name))
		}
	}
	if name := (Record{Site: "Quayside Library"}).FileName("bundle.zip"); name != "quayside-library-bundle.zip" {
		t.Errorf("called %q", name)
	}
}

// The number of a start in a bundle may be anybody's: the clock of a step is
// known to be none at the first start that no clock told, not at the last.
func TestTheClockOfAStepOverManyStarts(t *testing.T) {
	proven := journal.Anchor{Source: "ntp", Proven: true}
	for _, c := range []struct {
		until   uint32
		anchors journal.Anchors
		want    string
	}{
		{2, journal.Anchors{1: proven, 2: proven}, "proven"},
		{2, journal.Anchors{1: proven, 2: {}}, "unproven"},
		{3, journal.Anchors{1: {}, 3: proven}, "none"},
		{math.MaxUint32, journal.Anchors{1: proven}, "none"},
	} {
		g := reading{anchors: c.anchors, at: rules.Instant{Boot: c.until}}
		s := underWay{began: rules.Instant{Boot: 1}}
		s.Open = true
		if g.clock(&s); s.Clock != c.want {
			t.Errorf("to start %d: %q, want %q", c.until, s.Clock, c.want)
		}
	}
}

// Whatever figure a rule gives, page and paper call it by a name: the keys are
// those of all findings that the rules' scripts expect.
func TestEveryFigureOfTheScriptsHasAName(t *testing.T) {
	scripts, err := filepath.Glob("../../testdata/rules/*/*.txt")
	if err != nil || len(scripts) < 100 {
		t.Fatalf("%d scripts, %v", len(scripts), err)
	}
	key, pull := regexp.MustCompile(` ([a-z][a-z0-9_]*)=-?[0-9]`), regexp.MustCompile(`^pull_\d+_pa$`)
	seen := map[string]bool{}
	for _, name := range scripts {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		_, found, _ := strings.Cut(string(text), "-- found")
		for _, m := range key.FindAllStringSubmatch(found, -1) {
			if _, known := labels["value."+m[1]]; !known && !seen[m[1]] && !pull.MatchString(m[1]) {
				t.Errorf("%s: the figure %s has no name in words_figures.go", filepath.Base(name), m[1])
			}
			seen[m[1]] = true
		}
	}
	if len(seen) < 50 {
		t.Errorf("only %d figures were looked at", len(seen))
	}
}
