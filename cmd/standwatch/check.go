package main

import (
	"fmt"

	"standwatch/daemon"
	"standwatch/rules"
)

type checkCommand struct {
	Files []string `arg:"" name:"file" help:"Site files."`
}

// Run checks each file and writes every fault of every file, one line each.
func (c checkCommand) Run(o output) error {
	var all []error
	for _, file := range c.Files {
		site, errs := daemon.Load(file)
		if site != nil {
			errs = append(errs, site.CheckFiles()...)
		}
		if len(errs) > 0 {
			all = append(all, errs...)
			continue
		}
		fmt.Fprintf(o.out, "%s: in order: %d points, %d systems\n", file, len(site.Points), len(site.Systems))
		for i, e := range site.Equipment {
			_, doubts := site.Systems[i].TakenOff(rules.Entered{})
			for _, d := range doubts { // no fault of the file: the take-off's own judge says the same
				fmt.Fprintf(o.out, "%s: note: %s\n", e.Takeoff, d.Text)
			}
		}
	}
	if len(all) > 0 {
		return faults(o.err, all)
	}
	return nil
}
