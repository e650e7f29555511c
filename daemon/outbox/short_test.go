package outbox

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"standwatch/rules"
)

// Every flag has words that say what it means and what to do; none is for a
// flag that nobody knows.
func TestEveryFlagHasItsWords(t *testing.T) {
	// In the contract, and raised by the box itself rather than by a rule.
	known := map[string]bool{"do.power-returned": true, "do.clock-unproven": true, "do.store-unreachable": true, "do.disk-filling": true, "do." + unkept: true}
	for _, r := range rules.All() {
		for _, f := range r.Flags {
			known["do."+f] = true
			if do := english["do."+f]; do == "" || utf8.RuneCountInString(do) > 60 {
				t.Errorf("words/en.yaml: do.%s is %q; say in at most 60 characters what it means and what to do", f, do)
			}
		}
	}
	for key := range english {
		if strings.HasPrefix(key, "do.") && !known[key] {
			t.Errorf("words/en.yaml: %s is of no flag", key)
		}
	}
}

// found is a line of what a script expects to be found, without its figures at
// the end: rules/rulestest holds the rules to these lines, word by word.
var found = regexp.MustCompile(`^\S+(?: \d+, \S+)? (?:(raised|cleared) (wake|tell|note) (\S+)|(verdict))(?: (\S+))?([^:]*): (.*?)((?: [a-z_0-9]+=\S+)*)$`)

// everyFinding is what the rules' scripts find, all of it.
func everyFinding(t *testing.T) (all []rules.Finding) {
	t.Helper()
	files, err := filepath.Glob("../../testdata/rules/*/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		_, lines, ok := strings.Cut(string(text), "-- found\n")
		if !ok {
			t.Fatalf("%s says nothing of what is found", file)
		}
		for line := range strings.SplitSeq(strings.TrimSpace(lines), "\n") {
			if line == "" {
				continue
			}
			m := found.FindStringSubmatch(line)
			if m == nil {
				t.Fatalf("%s: cannot be read: %s", file, line)
			}
			all = append(all, expected(m))
		}
	}
	return all
}

func expected(m []string) rules.Finding {
	f := rules.Finding{Edge: rules.Raised, Flag: m[3], Text: m[7], Urgency: map[string]rules.Urgency{"wake": rules.Wake, "tell": rules.Tell}[m[2]]}
	system, step, of := strings.Cut(m[5], "/")
	if !of {
		system, step = "", m[5]
	}
	f.System = system
	if slices.Contains(rules.StepNames(), step) {
		f.Step = step
	}
	switch {
	case m[1] == "cleared":
		f.Edge = rules.Cleared
	case m[4] != "":
		f.Edge, f.Flag = rules.Given, f.Step
		f.Result = strings.Fields(m[6])[0]
	}
	return f
}

// Whatever the rules ever say fits into 200 characters, with the site, the
// step, the first figure, what to do, and a waking with its caution.
func TestEveryFindingFitsAPhone(t *testing.T) {
	all := everyFinding(t)
	if len(all) < 500 {
		t.Fatalf("the scripts found %d things only", len(all))
	}
	at := time.Date(2026, 3, 1, 2, 14, 0, 0, time.UTC)
	for _, f := range all {
		for _, m := range []message{
			{Finding: f, Site: "Quayside Library", Call: 1, Since: at},
			{Finding: f, Site: "Quayside Library", Call: 12, Since: at},
			{Finding: f, Site: "Quayside Library and the reading rooms over the old fish market", Call: 112, Since: at},
		} {
			if m.System == "" {
				m.System = "north wing, second floor"
			}
			s := m.short()
			say := func(what string) { t.Errorf("%s\n  of %s %s: %s\n  in %q", what, f.Edge, f.Flag, f.Text, s) }
			if n := utf8.RuneCountInString(s); n > 200 {
				say(fmt.Sprintf("%d characters", n))
			}
			if !strings.Contains(s, "Quayside Library") || !strings.Contains(s, f.Step) {
				say("no site or no step")
			}
			if x := firstFigure(f.Text); !strings.Contains(s, x) {
				say("no " + x)
			}
			if m.wakes() && !strings.HasSuffix(s, "Do not go up alone, in the dark or in lightning.") {
				say("no caution")
			}
			if f.Edge == rules.Raised && !strings.Contains(s, f.Text) && !strings.Contains(s, english["do."+f.Flag]) {
				say("nothing to do")
			}
		}
	}
}

func TestShort(t *testing.T) {
	for _, row := range []struct {
		m    message
		want string
	}{
		{message{Finding: rules.Finding{Flag: "scale-silent", Step: "weigh-in", Urgency: rules.Wake, Text: "Scale silent for 60 s at 9.40 of 14.20 kg. What flows now is not weighed. Close the cylinder valve or wake the scale."}, Site: "Quayside Library", Call: 3, Since: time.Date(2026, 3, 1, 2, 14, 0, 0, time.UTC)},
			"WAKE 3 since 02:14 Quayside Library, weigh-in: Scale silent for 60 s at 9.40 of 14.20 kg. Unweighed: close the cylinder valve or wake the scale. Do not go up alone, in the dark or in lightning."},
		{message{Finding: rules.Finding{Flag: "battery-low", Urgency: rules.Tell, Text: "The battery of scale is low. Change or charge it before it falls silent."}, Site: "Quayside Library"},
			"TELL Quayside Library: The battery of scale is low. Change or charge it before it falls silent."},
		{message{Finding: rules.Finding{Edge: rules.Given, Step: "weigh-in", Result: rules.Passed, Text: "Weigh-in passed: 14.20 of 14.20 kg (31 lb 5 oz), within 0.14 kg of the target (site file; tolerance by common practice)."}, Site: "Quayside Library"},
			"PASSED Quayside Library, weigh-in: Weigh-in passed: 14.20 of 14.20 kg (31 lb 5 oz), within 0.14 kg of the target (site file; tolerance by common practice)."},
	} {
		if got := row.m.short(); got != row.want {
			t.Errorf("%s\nwant\n%s", got, row.want)
		}
	}
}

// The pieces: what is kept when it must be short.
func TestFit(t *testing.T) {
	for _, row := range []struct {
		said string
		room int
		want string
	}{
		{"All is well.", 50, "All is well."},
		{"Low at 3.0 K (5 F). Look at it. Then again at that.", 32, "Low at 3.0 K (5 F). Look at it."},
		{"Pressure at 480 psi (3309 kPa): 61.2 psi (422.1 kPa) lost within 10 min.", 50, "Pressure at 480 psi: 61.2 psi lost within 10 min."},
		{"Pressure at 480 psi (3309 kPa): 61.2 psi (422.1 kPa) lost within 10 min.", 30, "Pressure at 480 psi."},
		{"mains: indoor or branch units have power after the evacuation, before the valves are open.", 57, "mains: indoor or branch units have power after the…"},
		{"iu03 and iu04 have not been seen to answer at all for 12 min now.", 30, "iu03 and iu04 have… 12 min."},
	} {
		if got := fit(row.said, row.room); got != row.want || utf8.RuneCountInString(got) > row.room {
			t.Errorf("fit(%q, %d) = %q, want %q", row.said, row.room, got, row.want)
		}
	}
}
