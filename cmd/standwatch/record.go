package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unicode"

	"standwatch/daemon"
	"standwatch/daemon/config"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

type recordCommand struct {
	Data   string   `placeholder:"DIR" help:"The journal's folder; also while the box runs."`
	Site   string   `placeholder:"SITE.yaml" help:"A site file, in place of a journal: with field logs, which are put through the rules first."`
	System string   `placeholder:"NAME" help:"Whose record; needed where the site has several systems."`
	Job    int      `placeholder:"N" help:"Which of the system's jobs, instead of the newest."`
	Format string   `enum:"pdf,html,csv,json" default:"pdf" help:"pdf, html (one page that needs nothing beside itself), csv or json (every figure)."`
	Paper  string   `enum:"a4,letter" default:"a4" help:"a4 or letter, of a PDF."`
	Out    string   `placeholder:"FILE" help:"Where it goes; - is standard output. Else a PDF is named SITE-SYSTEM-job-N.pdf here, and the rest goes to standard output."`
	Logs   []string `arg:"" optional:"" name:"log" help:"Field logs (CSV), in order, with --site."`
}

// Run writes one job's record.
func (c recordCommand) Run(ctx context.Context, o output) (err error) {
	switch {
	case (c.Data == "") == (c.Site == ""):
		return usagef("give either --data DIR or --site SITE.yaml with its field logs")
	case c.Site != "" && len(c.Logs) == 0:
		return usagef("--site needs the field logs that the record is made of")
	case c.Data != "" && len(c.Logs) > 0:
		return usagef("%q: a journal needs no field logs; give --site in place of --data, or leave the log out", c.Logs[0])
	case c.Job < 0:
		return usagef("--job: %d is no job; they are numbered from 1", c.Job)
	}
	dir := c.Data
	if c.Site != "" {
		if dir, err = os.MkdirTemp("", "standwatch-record-*"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
		if err := c.replayed(ctx, dir, o); err != nil {
			return err
		}
	}
	r, err := journal.OpenReader(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	rec, err := record.Read(ctx, r, record.Which{System: c.System, Job: c.Job})
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := c.write(ctx, &b, r, rec); err != nil {
		return err
	}
	out := c.Out
	if out == "" && c.Format == "pdf" {
		out = recordName(rec)
	}
	if out == "" || out == "-" {
		_, err = o.out.Write(b.Bytes())
		return err
	}
	if err := os.WriteFile(out, b.Bytes(), 0o644); err != nil {
		return unwritten("--out", out, err)
	}
	_, err = fmt.Fprintln(o.out, out)
	return err
}

// replayed puts the field logs into a new journal.
func (c recordCommand) replayed(ctx context.Context, dir string, o output) (err error) {
	site, errs := daemon.Load(c.Site)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	j, err := newJournal(ctx, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	nothing := func(rules.Finding, time.Time) error { return nil }
	if _, err := daemon.Replay(ctx, daemon.ReplayParts{Site: site.Site.Site, Rules: rules.All(), Journal: j, Found: nothing}, c.Logs); err != nil {
		return faults(o.err, config.Faults(err))
	}
	return nil
}

func (c recordCommand) write(ctx context.Context, w io.Writer, r *journal.Reader, rec record.Record) error {
	switch c.Format {
	case "json":
		return record.JSON(w, rec)
	case "csv":
		return record.CSV(w, rec)
	}
	d := record.Lay(rec)
	if c.Data != "" { // the box's own: as its page hands it out, with what proves it
		key, err := record.ReadKey(c.Data) // a copy of a journal has none: its paper must not depend on where it lies
		if err != nil {
			return err
		}
		if d, err = record.Proved(ctx, r, key.Fingerprint(), rec); err != nil {
			return err
		}
	}
	if c.Format == "html" {
		return record.HTML(w, d)
	}
	paper := record.A4
	if c.Paper == "letter" {
		paper = record.Letter
	}
	return record.PDF(w, d, paper)
}

// recordName is a file's name that says whose record it is: letters and digits
// of any script, and hyphens.
func recordName(r record.Record) string {
	var parts []string
	for _, s := range []string{r.Site, r.System.Name, "job", strconv.Itoa(r.Job.Number)} {
		words := strings.FieldsFunc(strings.ToLower(s), func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) })
		parts = append(parts, words...)
	}
	return filepath.Clean(strings.Join(parts, "-") + ".pdf")
}
