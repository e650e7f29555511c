// Scoring is the program behind deploy/accuracy: it lets the judges judge
// trials whose truth is known, made from seeds, and prints how often they were
// right, with what they are asked for beside it. The same seeds give the same
// report, byte for byte; a test holds few of them to it on an ARM board too.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"standwatch/daemon/simulate/trial"
)

// scores counts each scenario's trials. Each names what it counts.
var scores = []struct {
	scenario string
	new      func() score
}{
	{"pulldown", newPulldownScore},
	{"vacuum-hold", newHoldScore},
	{"pressure-test", newPressureScore},
	{"weigh-in", newWeighScore},
	{"preheat", newPreheatScore},
	{"trial-run", newTrialRunScore},
	{"branch-check", newBranchScore},
	{"cooling-check", newCoolingScore},
	{"heating-check", newHeatingScore},
}

// score takes trials one by one, in the order of their seeds.
type score interface {
	take(c judged, odd func(what string))
	write(w io.Writer)
}

func main() {
	seeds := flag.Uint64("seeds", 200, "how many trials of each scenario")
	from := flag.Uint64("from", 1, "the first seed: a judge is tried on seeds that nobody looked at")
	only := flag.String("only", "", "scenarios, with commas; empty: all")
	cases := flag.Bool("cases", false, "also list what was not right, a line each")
	update := flag.String("update", "", "a folder: write the tables there that are kept, all of them")
	flag.Parse()
	if *update != "" {
		if err := rewrite(*update); err != nil {
			fmt.Fprintln(os.Stderr, "scoring:", err)
			os.Exit(1)
		}
		return
	}
	if *seeds == 0 || *from == 0 || flag.NArg() > 0 {
		fmt.Fprintln(os.Stderr, "scoring: run deploy/accuracy; it takes --seeds N (1 or more), --from SEED (1 or more), --only NAMES, --cases, or --update")
		os.Exit(2)
	}
	var names []string
	if *only != "" {
		names = strings.Split(*only, ",")
	}
	if err := report(os.Stdout, *from, *seeds, names, *cases); err != nil {
		fmt.Fprintln(os.Stderr, "scoring:", err)
		os.Exit(1)
	}
}

// kept are the tables in testdata/accuracy, and how many seeds each has. The
// first two are checked by a test, the first of them also on an emulated one.
var kept = []struct {
	name  string
	seeds uint64
}{{"few.txt", 8}, {"some.txt", 30}, {"report.txt", 200}}

// rewrite writes the tables that are kept.
func rewrite(dir string) error {
	for _, k := range kept {
		var b bytes.Buffer
		if err := report(&b, 1, k.seeds, nil, false); err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, k.name), b.Bytes(), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// report scores so many seeds of each scenario, or of those named.
func report(w io.Writer, from, seeds uint64, only []string, cases bool) error {
	for _, name := range only {
		if !slices.ContainsFunc(trial.Scenarios(), func(s trial.Scenario) bool { return s.Name == name }) {
			return fmt.Errorf("there is no scenario %q; standwatch simulate --list says what there is", name)
		}
	}
	which := ""
	if from > 1 {
		which = fmt.Sprintf(" from seed %d", from)
	}
	if _, err := fmt.Fprintf(w, preface, seeds, which); err != nil {
		return err
	}
	var weak []string
	for _, s := range scores {
		if len(only) > 0 && !slices.Contains(only, s.scenario) {
			continue
		}
		i := slices.IndexFunc(trial.Scenarios(), func(t trial.Scenario) bool { return t.Name == s.scenario })
		if i < 0 {
			return fmt.Errorf("%s is scored and cannot be simulated", s.scenario)
		}
		counted := s.new()
		var odd []string
		err := judgeAll(trial.Scenarios()[i], from, seeds, func(c judged) {
			counted.take(c, func(what string) {
				odd = append(odd, fmt.Sprintf("  seed %d: %s; true: %s", c.truth.Seed, what, c.facts()))
			})
		})
		if err != nil {
			return err
		}
		var b bytes.Buffer
		counted.write(&b)
		fmt.Fprintf(w, "\n== %s\n%s", s.scenario, b.String())
		for line := range strings.Lines(b.String()) {
			if strings.Contains(line, ": short") {
				weak = append(weak, fmt.Sprintf("  %s: %s", s.scenario, strings.Join(strings.Fields(line), " ")))
			}
		}
		if cases {
			fmt.Fprintf(w, "  not right:\n%s\n", strings.Join(odd, "\n"))
		}
	}
	if len(weak) == 0 {
		weak = []string{"  nowhere that so many trials show"}
	}
	_, err := fmt.Fprintf(w, "\n== where it is weak\n%s\n", strings.Join(weak, "\n"))
	return err
}

const preface = `How right the judges are, on invented trials whose truth is known (standwatch simulate),
%d seeds of each scenario%s. A share stands with its 95 %% interval (Wilson's). "asked" is what
the project asks of itself; "short" means that the share does not reach it, "within doubt" that
so few trials cannot tell. Trials are made apart from the judges' models, and are harsher than
most nights: upsets are drawn far more often than they come. deploy/accuracy makes this table.
`
