package main

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/board"
	"standwatch/rules"
)

type checkCommand struct {
	Files []string `arg:"" name:"file" help:"Site files, or files of a board."`
}

// checkBoard looks at a board's file.
func checkBoard(file string, o output) []error {
	conf, errs := board.Load(file)
	missing, doubt := conf.CheckFiles(time.Now())
	errs = append(errs, missing...)
	if len(errs) == 0 {
		of := fmt.Sprintf("%d brokers", len(conf.Brokers))
		if len(conf.Brokers) == 1 {
			of = "one broker"
		}
		fmt.Fprintf(o.out, "%s: in order: a board of %s\n", file, of)
		if doubt != nil {
			fmt.Fprintf(o.out, "%s: note: %v\n", file, doubt)
		}
	}
	return errs
}

// Run checks each file and writes every fault of every file, one line each.
func (c checkCommand) Run(o output) error {
	var all []error
	for _, file := range c.Files {
		if board.IsBoard(file) {
			if errs := checkBoard(file, o); len(errs) > 0 {
				all = append(all, errs...)
			}
			continue
		}
		site, errs := daemon.Load(file)
		var doubt error // of the certificate supplied
		var doubts []string
		if site != nil {
			errs = append(errs, site.CheckFiles()...)
			var fault error
			if fault, doubt = site.Web.CheckCertificate(time.Now()); fault != nil {
				errs = append(errs, site.Site.Web.Fault(fault.Error(), ""))
			}
			for _, name := range slices.Sorted(maps.Keys(site.Brokers)) { // with such files the box does not start
				b := site.Brokers[name]
				if b.Cert == "" {
					continue
				}
				own := daemon.BrokerCertificate(b)
				if fault := own.Fault(time.Now()); fault != nil {
					errs = append(errs, site.Site.Brokers.Fault(fmt.Sprintf("the broker %s in the box: %v", name, fault), ""))
				} else if why := own.Doubt(time.Now(), nil); why != nil && !errors.Is(why, fs.ErrPermission) {
					doubts = append(doubts, fmt.Sprintf("the broker %s in the box: %v", name, why))
				}
			}
		}
		if len(errs) > 0 {
			all = append(all, errs...)
			continue
		}
		fmt.Fprintf(o.out, "%s: in order: %s, %s\n", file, counted(len(site.Points), "point"), counted(len(site.Systems), "system"))
		if doubt != nil {
			fmt.Fprintf(o.out, "%s: note: web: %v\n", file, doubt)
		}
		for _, why := range doubts {
			fmt.Fprintf(o.out, "%s: note: %s\n", file, why)
		}
		if site.Web.OnlyHere() && site.Outbox.Reaches() { // no fault of the file: somebody may sit at the box
			fmt.Fprintf(o.out, "%s: note: messages carry no link that acknowledges, for only this machine can open the pages; set web.listen to an address of the site network, or web.public_url where a proxy brings people here\n", file)
		}
		for _, b := range site.Shut() {
			fmt.Fprintf(o.out, "%s: note: the broker %s in the box lets nobody publish, for it has no users; add users: [{name: bridge, password_file: FILE, publish: [\"bridge/#\"]}] under embedded\n", file, b)
		}
		if names := site.Unpacked(); len(names) > 0 { // our own pages and board take them
			fmt.Fprintf(o.out, "%s: note: what reads standwatch/%s/latest at a broker may refuse the whole pack for the names of %s: SenML (RFC 8428) has letters a to z, digits and - : . / _ in names; use these, or set outward: false\n",
				file, site.Box.Name, strings.Join(names, ", "))
		}
		for _, sys := range site.Systems {
			if why := site.Site.Site.ShortSettle(sys.Name); why != "" { // no fault: the step leaves the time that it needs
				fmt.Fprintf(o.out, "%s: note: %s\n", file, why)
			}
		}
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

// counted is a number with its noun.
func counted(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}
