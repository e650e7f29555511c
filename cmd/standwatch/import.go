package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"standwatch/daemon"
	"standwatch/daemon/exchange"
	"standwatch/rules"
	"standwatch/sensors"
)

type importCommands struct {
	List   importCommand       `cmd:"" default:"withargs" help:"A take-off or a list of units, as an installer sent it; the word list may be left out: import takeoff FILE, import units FILE."`
	Bundle importBundleCommand `cmd:"" help:"An earlier visit's bundle: its figures stand in this job's record beside the new ones."`
}

type importCommand struct {
	What         string `arg:"" enum:"takeoff,units" help:"takeoff or units."`
	File         string `arg:"" placeholder:"FILE" help:"The list, a CSV file of any kind; - is standard input."`
	Site         string `placeholder:"FILE" help:"Hold it against this site file."`
	System       string `placeholder:"NAME" help:"Which of the site's systems; without it the first."`
	Out          string `placeholder:"FILE" help:"Write the take-off, or the lists of units for the site file; - is standard output, and then the preview goes to standard error."`
	LengthUnit   string `placeholder:"U" help:"Of lengths that have none: m, ft, mm, in."`
	DiameterUnit string `placeholder:"U" help:"Of diameters that have none: mm or in."`
	Decimal      string `placeholder:"MARK" help:"How numbers are written that can be read in two ways: point or comma."`
	Line         string `placeholder:"KIND" help:"The kind of line of all rows that do not say: liquid, suction or hot-gas."`
	Columns      string `placeholder:"C" help:"What a column is: length=Rohrlänge,outside_diameter=#3,liquid-length=Fl."`
	LeaveOut     []int  `placeholder:"N,..." help:"Lines to leave out although they were not understood."`
	asked
}

// mostImport is a little above what exchange takes, so that it can say so.
const mostImport = 2 << 20

// Run prints how a list was read, and writes it out where all of it was understood.
func (c importCommand) Run(o output) error {
	columns, err := exchange.ParseColumns(c.Columns)
	if err != nil {
		return usagef("--columns: %w", err)
	}
	plant, errs := c.plant()
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	data, err := readList(c.File)
	if err != nil {
		return faults(o.err, []error{sensors.Fault{File: c.File, Line: 1, Column: 1, Problem: reason(err).Error(), Want: "name a list as CSV"}})
	}
	p, err := exchange.Read(c.File, data, c.What, exchange.Options{LengthUnit: c.LengthUnit, DiameterUnit: c.DiameterUnit,
		Decimal: c.Decimal, Line: c.Line, Columns: columns, LeaveOut: c.LeaveOut})
	var fault sensors.Fault
	if errors.As(err, &fault) {
		return faults(o.err, []error{fault})
	}
	if err != nil {
		return usageError{err}
	}
	shown := o.out
	if c.Out == "-" {
		shown = o.err
	}
	if err := c.show(shown, p, plant); err != nil {
		return err
	}
	if !p.Complete() {
		err := fmt.Errorf("nothing was written: answer what is asked, mend the list, or leave lines out with --leave-out")
		if c.Out == "" {
			err = fmt.Errorf("not everything was understood: answer what is asked above, mend the list, or leave lines out with --leave-out")
		}
		return err
	}
	return c.write(o, p)
}

// plant is the system that the list is of.
func (c importCommand) plant() (rules.System, []error) {
	if c.Site == "" {
		if c.System != "" {
			return rules.System{}, []error{usagef("--system needs --site")}
		}
		return rules.System{}, nil
	}
	site, errs := daemon.Load(c.Site)
	if len(errs) > 0 {
		return rules.System{}, errs
	}
	for _, s := range site.Systems {
		if c.System == "" || s.Name == c.System {
			return s, nil
		}
	}
	return rules.System{}, []error{fmt.Errorf("--system: %s has no system %q", c.Site, c.System)}
}

func readList(file string) ([]byte, error) {
	in := io.Reader(os.Stdin)
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	return io.ReadAll(io.LimitReader(in, mostImport))
}

func (c importCommand) show(out io.Writer, p exchange.Preview, plant rules.System) error {
	if !c.JSON {
		return p.Write(out, plant)
	}
	b, err := p.JSON(plant)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s\n", b)
	return err
}

func (c importCommand) write(o output, p exchange.Preview) error {
	if c.Out == "" {
		return nil
	}
	var b bytes.Buffer
	write := p.WriteTakeoff
	if p.Kind == exchange.Units {
		write = p.WriteUnits
	}
	if err := write(&b); err != nil {
		return err
	}
	if c.Out == "-" {
		_, err := o.out.Write(b.Bytes())
		return err
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644) // what is there is somebody's
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already and is not overwritten; give another --out, or move it away", c.Out)
	}
	if err != nil {
		return unwritten("--out", c.Out, err)
	}
	_, err = f.Write(b.Bytes())
	return errors.Join(err, f.Close())
}
