package main

import (
	"bytes"
	"context"
	"fmt"
	"os"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
)

type labelCommand struct {
	Data   string `required:"" placeholder:"DIR" help:"The journal's folder."`
	System string `placeholder:"NAME" help:"The system; needed where the site has several."`
	Job    int    `placeholder:"N" help:"The job, instead of the newest."`
	Paper  string `default:"a6" enum:"a6,a5" help:"The sheet: a6 or a5."`
	Format string `default:"pdf" enum:"pdf,text" help:"pdf, or text for a label printer: lines of 40 letters."`
	Out    string `placeholder:"FILE" help:"Where to write it; a text goes to standard output without it, a PDF to charge-label.pdf."`
}

// Run writes the charge label of a job.
func (c labelCommand) Run(ctx context.Context, o output) error {
	r, err := journal.OpenReader(ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	rec, err := record.Read(ctx, r, record.Which{System: c.System, Job: c.Job})
	if err != nil {
		return err
	}
	key, err := record.ReadKey(c.Data) // a copy of a journal has none, and a label must not carry the fingerprint of a new one
	if err != nil {
		return err
	}
	if c.Format == "text" && c.Out == "" {
		_, err := fmt.Fprint(o.out, record.LabelText(rec, key.Fingerprint()))
		return err
	}
	var b bytes.Buffer
	if c.Format == "text" {
		b.WriteString(record.LabelText(rec, key.Fingerprint()))
	} else if err := record.Label(&b, rec, key.Fingerprint(), record.LabelPaper(c.Paper)); err != nil {
		return err
	}
	if c.Out == "" {
		c.Out = "charge-label.pdf"
	}
	if err := os.WriteFile(c.Out, b.Bytes(), 0o644); err != nil {
		return unwritten("--out", c.Out, err)
	}
	fmt.Fprintln(o.out, c.Out)
	return nil
}
