package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
)

type bundleCommand struct {
	Data   string `required:"" placeholder:"DIR" help:"The journal's folder."`
	Out    string `required:"" placeholder:"FILE" help:"The bundle, a zip. What is there is written over."`
	System string `placeholder:"NAME" help:"The system whose record it holds; needed where the site has several. The journal in it is always the whole."`
	Job    int    `placeholder:"N" help:"The job whose record it holds, instead of the newest."`
}

// Run writes the bundle beside its place, and puts it there once it is whole.
func (c bundleCommand) Run(ctx context.Context, o output) (err error) {
	r, err := journal.OpenReader(ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	key, err := record.OpenKey(c.Data)
	if err != nil {
		return err
	}
	rec, forms, err := record.Forms(ctx, r, record.Which{System: c.System, Job: c.Job}, key)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(c.Out), ".bundle-*")
	if err != nil {
		return fmt.Errorf("--out: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	m, err := record.Bundle(ctx, f, record.Bundled{Journal: r, Key: key, Program: maker(), Record: rec, Parts: record.PartsOf(forms)})
	info, statErr := f.Stat()
	if err = errors.Join(err, statErr, f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), c.Out); err != nil {
		return err
	}
	fmt.Fprintf(o.out, "%s: %d entries in %d parts, %s.\nKey:   %s\nHead:  %s\n", c.Out, m.Entries, len(m.Parts)+2, size(info.Size()), key.Fingerprint(), m.Head)
	return nil
}

func size(n int64) string {
	if n < 1e6 {
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
