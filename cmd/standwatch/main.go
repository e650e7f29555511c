// Standwatch is the box that stays on site while a technician starts up a
// multi-split refrigerant system. This is its one binary: flags, signals and
// wiring; the work is in the packages daemon, rules and sensors.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"slices"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit statuses, as the contract has them.
const (
	exitDone   = 0
	exitFailed = 1 // what was given cannot be used, or the work failed
	exitUsage  = 2 // the command line itself is wrong
)

type commands struct {
	Run      runCommand      `cmd:"" help:"Watch a site: read its instruments, judge the steps, serve the screens."`
	Demo     demoCommand     `cmd:"" help:"Play a night at an invented site, over real MQTT, with the screens."`
	Pair     pairCommand     `cmd:"" help:"Let somebody in: print the box's one-time code, and open it to the site network for a claim."`
	Board    boardCommand    `cmd:"" help:"Show many boxes on one page, from what they tell a broker and a store."`
	Doctor   doctorCommand   `cmd:"" help:"Look at this machine: its buses, the instruments on them and what they show, what the site file expects, and what is missing."`
	Check    checkCommand    `cmd:"" help:"Check site files: every fault at once, FILE:LINE:COLUMN."`
	Replay   replayCommand   `cmd:"" help:"Put field logs through the rules and print the findings."`
	Export   exportCommand   `cmd:"" help:"Write what a journal holds as a field log, also while the box runs."`
	Label    labelCommand    `cmd:"" help:"Print a charge label: what is in the pipes, for the inside of the unit panel."`
	Record   recordCommand   `cmd:"" help:"Write the record of a job: as PDF, as a page, or every figure as CSV or JSON."`
	Bundle   bundleCommand   `cmd:"" help:"Write the record with all that it rests on into one signed file."`
	Verify   verifyCommand   `cmd:"" help:"Say whether a bundle is as the box signed it, or which part was changed. Needs neither box nor network."`
	Import   importCommands  `cmd:"" help:"Read a take-off or a unit list as an installer sent it, show what was understood, and write it out; or take in what an earlier visit left."`
	Points   pointsCommand   `cmd:"" help:"List the points of a site, and their newest readings where there is a journal."`
	Calc     calcCommand     `cmd:"" help:"Work out what the screens show: saturation, charge, pressure, boiling, air, superheat, subcooling, leak, pulldown."`
	Simulate simulateCommand `cmd:"" help:"Invent a stretch of a job from a seed: a field log, its site file, and what was true."`
	Version  versionCommand  `cmd:"" help:"Print the version."`
}

func main() {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // a terminal that is shut ends it in order, too; nohup asks to go on
		ends = append(ends, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// output is where commands write.
type output struct{ out, err io.Writer }

// run parses and runs a command line, and returns the exit status.
func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	var c commands
	exited := -1
	all, first := scenarios()
	parser, err := kong.New(&c,
		kong.Name("standwatch"),
		kong.Description("The box that stays: watches the start-up of a multi-split refrigerant system. It opens and closes nothing."),
		kong.Writers(out, errOut),
		kong.Exit(func(status int) { exited = status }),
		kong.Vars{"scenarios": all, "scenario": first},
	)
	if err != nil {
		fmt.Fprintln(errOut, "standwatch:", err)
		return exitUsage
	}
	if len(args) > 0 && args[0] == "help" { // standwatch help record
		args = append(slices.Clone(args[1:]), "--help")
	}
	k, err := parser.Parse(args)
	if exited >= 0 { // --help
		return exited
	}
	if err != nil {
		fmt.Fprintf(errOut, "standwatch: %s; see %s --help\n", plain(err.Error()), commandOf(err))
		return exitUsage
	}
	k.BindTo(ctx, (*context.Context)(nil))
	k.Bind(output{out, errOut})
	if err := k.Run(); err != nil {
		var told toldError
		if !errors.As(err, &told) {
			fmt.Fprintln(errOut, "standwatch:", err)
		}
		var usage usageError
		if errors.As(err, &usage) {
			return exitUsage
		}
		return exitFailed
	}
	return exitDone
}

// commandOf is the command that a command line names, as far as it names one.
func commandOf(err error) string {
	name := "standwatch"
	var p *kong.ParseError
	if errors.As(err, &p) && p.Context != nil {
		for _, step := range p.Context.Path {
			if step.Command != nil {
				name += " " + step.Command.Name
			}
		}
	}
	return name
}

// machineWords are how the parser speaks of numbers, and how a person does.
var machineWords = []struct {
	said  *regexp.Regexp
	plain string
}{
	{regexp.MustCompile(`expected a (?:float|valid \d+ bit float) but got ("[^"]*")(?: \(string\))?`), "$1 is not a number"},
	{regexp.MustCompile(`expected a valid \d+ bit u?int but got ("[^"]*")`), "$1 is no whole number that fits here"},
	{regexp.MustCompile(`expected \w+ value but got ("-[^"]*") \(short flag\); perhaps try (--[\w-]+="[^"]*")\?`), "$1 begins with a hyphen; if it is meant, write $2"},
}

func plain(text string) string {
	for _, w := range machineWords {
		text = w.said.ReplaceAllString(text, w.plain)
	}
	return text
}

// toldError is a failure whose lines have already been written.
type toldError struct{ error }

// usageError is a command line that parses but cannot be meant.
type usageError struct{ error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// faults writes every fault on its own line and returns the failure they are.
func faults(w io.Writer, errs []error) error {
	for _, err := range errs {
		fmt.Fprintln(w, err)
	}
	return toldError{fmt.Errorf("%d faults", len(errs))}
}

type versionCommand struct{}

// Run prints the version.
func (versionCommand) Run(o output) error {
	fmt.Fprintln(o.out, version())
	return nil
}
