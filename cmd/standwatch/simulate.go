package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"standwatch/daemon/simulate/trial"
	"standwatch/sensors"
)

type simulateCommand struct {
	Scenario string `placeholder:"NAME" help:"What is invented; without it, what there is."`
	Seed     uint64 `default:"1" placeholder:"N" help:"The same seed gives the same bytes."`
	Out      string `placeholder:"LOG.csv" help:"The field log to write. Beside it: LOG.site.yaml, LOG.truth.json, and LOG.takeoff.csv where pipework matters."`
	List     bool   `help:"Say what can be invented."`
}

// Run writes a trial's files, or lists the scenarios.
func (c simulateCommand) Run(o output) error {
	if c.List || c.Scenario == "" && c.Out == "" {
		return listTrials(o.out)
	}
	s, err := c.scenario()
	if err != nil {
		return err
	}
	if c.Out == "" {
		return usagef("--out is missing: name the field log to write, such as %s-%d.csv", s.Name, c.Seed)
	}
	return writeTrial(o.out, s.Of(c.Seed), c.Out)
}

func (c simulateCommand) scenario() (trial.Scenario, error) {
	all := trial.Scenarios()
	var names []string
	for _, s := range all {
		names = append(names, s.Name)
	}
	if c.Scenario == "" {
		return trial.Scenario{}, usagef("--scenario is missing: write one of %s", strings.Join(names, ", "))
	}
	i := slices.Index(names, c.Scenario)
	if i < 0 {
		return trial.Scenario{}, usagef("--scenario: there is no %q; %s", c.Scenario, sensors.Known(c.Scenario, names, "see standwatch simulate --list"))
	}
	return all[i], nil
}

func listTrials(w io.Writer) error {
	for _, s := range trial.Scenarios() {
		if _, err := fmt.Fprintf(w, "%s\n    %s\n", s.Name, strings.ReplaceAll(strings.TrimSpace(s.Doc), "\n", "\n    ")); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintln(w, "All data are invented. standwatch simulate --scenario NAME --seed N --out LOG.csv writes the log and, beside it, the site file and what was true.")
	return err
}

// writeTrial writes the log and what belongs to it. It overwrites nothing.
func writeTrial(w io.Writer, t trial.Trial, out string) error {
	stem := strings.TrimSuffix(out, filepath.Ext(out))
	takeOff := stem + ".takeoff.csv"
	type file struct {
		name  string
		write func(io.Writer) error
	}
	text := func(s string) func(io.Writer) error {
		return func(w io.Writer) error {
			_, err := io.WriteString(w, s)
			return err
		}
	}
	files := []file{
		{out, t.WriteLog},
		{stem + ".site.yaml", text(t.SiteWith(filepath.Base(takeOff)))},
		{stem + ".truth.json", t.WriteTruth},
	}
	if t.TakeOff != "" {
		files = append(files, file{takeOff, text(t.TakeOff)})
	}
	for _, f := range files {
		if _, err := os.Lstat(f.name); err == nil {
			return fmt.Errorf("%s is there already and is not overwritten; give another --out, or move it away", f.name)
		}
	}
	for _, f := range files {
		if err := writeNew(f.name, f.write); err != nil {
			return unwritten("--out", f.name, err)
		}
	}
	_, err := fmt.Fprintf(w, "%s, seed %d: %d rows in %s; what was true is in %s.truth.json\nstandwatch replay --site %s.site.yaml %s\n",
		t.Scenario, t.Seed, len(t.Rows), out, stem, stem, out)
	return err
}

// writeNew writes a file that must not be there yet.
func writeNew(name string, write func(io.Writer) error) (err error) {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return write(f)
}

// unwritten says of a file that a flag names why it was not written, and what to do.
func unwritten(flag, name string, err error) error {
	if info, serr := os.Stat(name); serr == nil && info.IsDir() {
		return fmt.Errorf("%s is a folder; give %s a file in it", name, flag)
	}
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already, and is not written over; give %s another name", name, flag)
	}
	return fmt.Errorf("%s cannot be written: %w; give %s a file in a folder that is there and may be written to", name, reason(err), flag)
}

// reason is what is wrong with a file, where its name is said anyway.
func reason(err error) error {
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		return p.Err
	case errors.As(err, &l):
		return l.Err
	}
	return err
}
