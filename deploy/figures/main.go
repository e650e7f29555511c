// Figures is the program behind deploy/bench: it measures standwatch from
// outside, as a child process against a real mosquitto, and prints the figures
// with a description of the machine. Nothing here passes or fails: a figure is
// read by a person, who knows what else the machine was doing.
package main

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
)

// measure is one figure or a group that is measured together.
type measure struct {
	name, doc string
	take      func(bench) error
}

var measures = []measure{
	{"size", "the stripped program", size},
	{"start", "start of the program to the first committed reading", start},
	{"backlog", "draining a broker's backlog of one-reading JSON messages, against a subscriber that only acknowledges", backlog},
	{"packs", "draining a backlog of SenML packs of 100 readings", packs},
	{"flag", "publishing a reading to the flag it raises being stored", flagDelay},
	{"pages", "the first page, and how long a flag takes to a page and to a webhook", pages},
	{"replay", "replay from CSV and from the journal", replay},
	{"trace", "the page Trace over 12 h of 200 points at 1 Hz", trace},
	{"steady", "200 points at 1 Hz", steady},
	{"fleet", "a board of 200 boxes", fleet},
}

// bench is what every measure knows.
type bench struct {
	program  string // the standwatch under test
	dir      string // a folder on the disk that is measured
	messages int
	rounds   int
	seconds  int
}

func main() {
	if len(os.Args) == 4 && os.Args[1] == "acknowledge" { // the bare subscriber, as a child of backlog
		if err := acknowledge(os.Args[2], os.Args[3]); err != nil {
			fmt.Fprintln(os.Stderr, "figures:", err)
			os.Exit(1)
		}
		return
	}
	var b bench
	var only string
	flag.StringVar(&b.program, "program", "", "the standwatch to measure")
	flag.StringVar(&b.dir, "dir", "", "an empty folder on the disk to measure")
	flag.IntVar(&b.messages, "messages", 200_000, "messages of a backlog")
	flag.IntVar(&b.rounds, "rounds", 5, "rounds, alternating")
	flag.IntVar(&b.seconds, "seconds", 60, "how long to watch the steady state")
	flag.StringVar(&only, "only", "", "names of measures, with commas; empty: all")
	flag.Parse()
	if b.program == "" || b.dir == "" {
		fmt.Fprintln(os.Stderr, "figures: run deploy/bench")
		os.Exit(2)
	}
	machine(b.dir)
	status := 0
	for _, m := range measures {
		if only != "" && !slices.Contains(strings.Split(only, ","), m.name) {
			continue
		}
		fmt.Printf("\n%s: %s\n", m.name, m.doc)
		if err := m.take(b); err != nil {
			fmt.Printf("  not measured: %v\n", err)
			status = 1
		}
	}
	os.Exit(status)
}
