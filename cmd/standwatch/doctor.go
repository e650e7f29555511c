package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/config"
	"standwatch/daemon/doctor"
	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/sensors"
	"standwatch/sensors/all"
)

type doctorCommand struct {
	Config string        `placeholder:"FILE" help:"The site file: what is expected."`
	Write  string        `placeholder:"FILE" help:"Write a site file to start from, with what was found. An existing file is left alone."`
	Wait   time.Duration `default:"8s" help:"The longest to wait for the instruments' values."`
	JSON   bool          `help:"Write one JSON object instead."`
}

// packaged is where a box made of the package keeps its journal: looked at where no site file says another.
const packaged = "/var/lib/standwatch"

// seen is a point with what it told.
type seen struct {
	Point   string   `json:"point"`
	Source  string   `json:"source"`
	Value   *float64 `json:"value"` // SI
	Unit    string   `json:"unit"`
	Health  string   `json:"health"`
	Reason  string   `json:"reason,omitempty"`
	Missing bool     `json:"missing"` // it told nothing that is a value
	shown   string
}

// Run looks at the machine.
func (c doctorCommand) Run(ctx context.Context, o output) error {
	if c.Wait <= 0 {
		return usagef("--wait: give a time, such as 8s")
	}
	return c.look(ctx, o, daemon.Machine())
}

func (c doctorCommand) look(ctx context.Context, o output, m doctor.Machine) error {
	var site *daemon.Site
	if c.Config != "" {
		var errs []error
		if site, errs = daemon.Load(c.Config); len(errs) > 0 {
			return faults(o.err, errs)
		}
	}
	data := packaged
	if site != nil {
		data = site.Box.Data
	}
	if who := journal.Writer(data); who != "" {
		return fmt.Errorf("a box runs here already (%s writes the journal in %s), and two programs that ask the same instruments spoil each other's readings: its pages show each point and device as it is now. To look with doctor, stop it between two steps (sudo systemctl stop standwatch, where the package runs it), and start it again after", who, data)
	}
	buses := doctor.Look(ctx, m)
	file := doctor.File(buses)
	if c.Write != "" {
		err := writeNew(c.Write, func(w io.Writer) error { _, err := io.WriteString(w, file); return err })
		if errors.Is(err, os.ErrExist) {
			return fmt.Errorf("%s is there already, and a site file is not overwritten: name another with --write", c.Write)
		}
		if err != nil {
			return unwritten("--write", c.Write, err)
		}
	}
	expected, found, err := c.listen(ctx, m, site, buses, file)
	if err != nil {
		return err
	}
	missing := 0
	for _, e := range expected {
		if e.Missing {
			missing++
		}
	}
	var stands []ground
	if site != nil {
		stands = standsOn(data, time.Now())
	}
	if c.JSON {
		err = json.NewEncoder(o.out).Encode(report(buses, found, expected, stands))
	} else {
		err = printed(o.out, site, buses, found, expected, stands, c.Write)
	}
	bad := 0
	for _, g := range stands {
		if !g.OK {
			bad++
		}
	}
	switch {
	case err == nil && missing > 0:
		return toldError{fmt.Errorf("without an answer: %s", counted(missing, "point"))}
	case err == nil && bad > 0:
		return toldError{fmt.Errorf("what the box stands on is not right: %s", counted(bad, "fault"))}
	}
	return err
}

// listen hears what the site file expects, and what was found besides.
func (c doctorCommand) listen(ctx context.Context, m doctor.Machine, site *daemon.Site, buses []doctor.Bus, file string) (expected []seen, found map[string]seen, err error) {
	dir, err := os.MkdirTemp("", "standwatch-doctor-")
	if err != nil {
		return nil, nil, fmt.Errorf("doctor needs a folder to work in: make room in %s, or name another by TMPDIR: %w", os.TempDir(), err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	name := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(name, []byte(file), 0o600); err != nil {
		return nil, nil, fmt.Errorf("doctor needs some kB to work in: make room in %s, or name another folder by TMPDIR: %w", os.TempDir(), err)
	}
	start, errs := config.Load(name, all.Drivers())
	if len(errs) > 0 {
		return nil, nil, fmt.Errorf("the site file made of what was found is not accepted (a fault of the program): %w", errors.Join(errs...))
	}
	// The names of what was found are of this run only, and may stand in the site file for something else.
	const mine = "\x00"
	var devices []config.Device
	for _, d := range start.Devices {
		d.Config.Points = append([]sensors.Point(nil), d.Config.Points...)
		var free []sensors.Point
		for _, p := range d.Config.Points {
			if site == nil || !used(site.Points, buses, p.Name) {
				p.Name = mine + p.Name
				free = append(free, p)
			}
		}
		if d.Config.Points = free; len(free) > 0 {
			devices = append(devices, d)
		}
	}
	if site != nil {
		devices = append(devices, site.Devices...)
	}
	got := doctor.Listen(ctx, m.Env, devices, c.Wait)
	found = map[string]seen{}
	for _, p := range start.Points {
		if r, ok := got[mine+p.Name]; ok {
			found[p.Name] = heard(p, r, true)
		}
	}
	if site != nil {
		for _, d := range site.Devices {
			if d.Driver.Device == "broker" {
				continue
			}
			for _, p := range d.Config.Points {
				r, ok := got[p.Name]
				expected = append(expected, heard(p, r, ok))
			}
		}
	}
	return expected, found, nil
}

// used tells whether the instrument for which a starting point was made is in the site file.
func used(points []sensors.Point, buses []doctor.Bus, start string) bool {
	for _, b := range buses {
		for _, f := range b.Found {
			for _, s := range f.Start {
				if s.Name == start {
					return len(users(points, b, f)) > 0
				}
			}
		}
	}
	return false
}

func users(points []sensors.Point, b doctor.Bus, f doctor.Found) (list []sensors.Point) {
	for _, p := range points {
		if f.Uses(b, p) {
			list = append(list, p)
		}
	}
	return list
}

func heard(p sensors.Point, r sensors.Reading, ok bool) seen {
	s := seen{Point: p.Name, Source: p.Source, Unit: p.Quantity.SI()}
	switch {
	case !ok:
		s.Missing, s.Health, s.shown = true, "silent", "told nothing"
		return s
	case r.Health.Grade == sensors.Failed:
		s.Missing, s.shown = true, "no value: "+web.Reason(r.Health.Reason)
	default:
		s.Value = &r.Value
		s.shown = fmt.Sprintf("%v %s", r.Value, p.Quantity.SI())
		if other, ok := asMeasured(p, r.Value); ok {
			s.shown = other
		}
		if r.Health.Reason != "" {
			s.shown += " (" + web.Reason(r.Health.Reason) + ")"
		}
	}
	s.Health, s.Reason = r.Health.Grade.String(), r.Health.Reason
	return s
}

func printed(out io.Writer, site *daemon.Site, buses []doctor.Bus, found map[string]seen, expected []seen, stands []ground, wrote string) error {
	w := tabwriter.NewWriter(out, 0, 8, 2, ' ', 0)
	switch {
	case len(buses) > 0:
	case os.Geteuid() == 0:
		fmt.Fprintln(w, "This machine has no bus, port or line that an instrument could hang on: switch its buses on, and plug in what is missing.")
	default:
		fmt.Fprintln(w, "This machine has no bus, port or line that an instrument could hang on, or who asks may not use it: switch its buses on, and ask as root (sudo standwatch doctor).")
	}
	by := map[string]seen{}
	for _, e := range expected {
		by[e.Point] = e
	}
	for _, b := range buses {
		title := b.Kind
		if b.Name != "" {
			title += " " + b.Name
		}
		fmt.Fprintf(w, "%s: %s\n", title, b.Label)
		if b.Trouble != "" {
			fmt.Fprintf(w, "  cannot be looked at: %s\n", b.Trouble)
		}
		if b.Kind == "contact" {
			printLines(w, site, b)
			continue
		}
		if len(b.Found) == 0 && b.Trouble == "" {
			fmt.Fprintln(w, "  nothing that this version knows answers here")
		}
		for _, f := range b.Found {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\n", f.Where, cmp.Or(f.Chip, "-"), cmp.Or(f.Shows, "-"), standing(site, b, f, by, found))
		}
	}
	if site != nil {
		fmt.Fprintln(w, "\nThe site file expects:")
		missing := 0
		for _, e := range expected {
			if e.Missing {
				missing++
			}
			fmt.Fprintf(w, "  %s\t%s\t%s\n", e.Point, e.Source, e.shown)
		}
		switch {
		case len(expected) == 0 && len(site.Points) > 0:
			fmt.Fprintf(w, "  nothing that is wired to this machine: of its %s standwatch points shows what comes while the box runs\n", counted(len(site.Points), "point"))
		case len(expected) == 0:
			fmt.Fprintln(w, "  nothing: it has no points")
		case missing == 0:
			fmt.Fprintln(w, "All of it answers.")
		default:
			fmt.Fprintf(w, "%d of %d do not answer: look at plug, supply and address; while the box runs it holds its lines and ports, so stop it first.\n", missing, len(expected))
		}
	}
	if len(stands) > 0 {
		fmt.Fprintln(w, "\nThe box stands on:")
		for _, g := range stands {
			fmt.Fprintf(w, "  %s\t%s\n", g.What, g.Says)
		}
	}
	if wrote != "" {
		fmt.Fprintf(w, "Written to %s: give the points their names and roles, then standwatch check %s\n", wrote, wrote)
	}
	return w.Flush()
}

// standing says what an instrument is to the site file, and what it shows.
func standing(site *daemon.Site, b doctor.Bus, f doctor.Found, by, found map[string]seen) string {
	text := ""
	add := func(s string) {
		if text != "" {
			text += ", "
		}
		text += s
	}
	if site != nil {
		for _, p := range users(site.Points, b, f) {
			add(p.Name + " " + by[p.Name].shown)
		}
		if text != "" {
			return text
		}
		add("not in the site file")
	}
	for _, s := range f.Start {
		if x, ok := found[s.Name]; ok {
			add(s.Name + " " + x.shown)
		} else if s.Lacks != "" {
			add(s.Name + " lacks " + s.Lacks)
		}
	}
	return text
}

// printLines lists those in use; the others are too many.
func printLines(w io.Writer, site *daemon.Site, b doctor.Bus) {
	fmt.Fprintf(w, "  %d of them\n", len(b.Found))
	if site == nil {
		return
	}
	for _, f := range b.Found {
		for _, p := range users(site.Points, b, f) {
			fmt.Fprintf(w, "  %s\t%s\n", f.Where, p.Name)
		}
	}
}

// report is what --json writes.
func report(buses []doctor.Bus, found map[string]seen, expected []seen, stands []ground) any {
	type instrument struct {
		Where  string   `json:"where"`
		Chip   string   `json:"chip,omitempty"`
		Shows  string   `json:"shows,omitempty"`
		Points []seen   `json:"points"`
		Lacks  []string `json:"lacks,omitempty"`
	}
	type bus struct {
		Kind    string       `json:"kind"`
		Name    string       `json:"name,omitempty"`
		Label   string       `json:"label"`
		Trouble string       `json:"trouble,omitempty"`
		Found   []instrument `json:"found"`
	}
	all := []bus{}
	for _, b := range buses {
		x := bus{Kind: b.Kind, Name: b.Name, Label: b.Label, Trouble: b.Trouble, Found: []instrument{}}
		for _, f := range b.Found {
			in := instrument{Where: f.Where, Chip: f.Chip, Shows: f.Shows, Points: []seen{}}
			for _, s := range f.Start {
				if v, ok := found[s.Name]; ok {
					in.Points = append(in.Points, v)
				}
				if s.Lacks != "" {
					in.Lacks = append(in.Lacks, s.Lacks)
				}
			}
			x.Found = append(x.Found, in)
		}
		all = append(all, x)
	}
	if expected == nil {
		expected = []seen{}
	}
	return struct {
		Buses    []bus    `json:"buses"`
		Expected []seen   `json:"expected"`
		Stands   []ground `json:"stands_on,omitempty"`
	}{all, expected, stands}
}
