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
	NewKey bool   `help:"Sign by a key made here, where the folder has none, as a copy of a box's: nobody can tell such a bundle from a forged one by the box's papers."`
}

// Run writes the bundle beside its place, and puts it there once it is whole.
func (c bundleCommand) Run(ctx context.Context, o output) (err error) {
	r, err := journal.OpenReader(ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	key, remark, err := c.key(ctx, r)
	if err != nil {
		return err
	}
	rec, forms, err := record.Forms(ctx, r, record.Which{System: c.System, Job: c.Job}, key)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(c.Out), ".bundle-*")
	if err != nil {
		return unwritten("--out", c.Out, err)
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
	if err = os.Rename(f.Name(), c.Out); err != nil {
		return unwritten("--out", c.Out, err)
	}
	fmt.Fprintf(o.out, "%s: %d entries in %d parts, %s.\nKey:   %s\nHead:  %s\n", c.Out, m.Entries, len(m.Parts)+2, size(info.Size()), key.Fingerprint(), m.Head)
	if remark != "" {
		fmt.Fprintln(o.out, remark)
	}
	return nil
}

// key is the folder's own. A copy of a box's folder may lack it, and a bundle
// signed by one made in silence looks like a forged one to who holds the paper.
func (c bundleCommand) key(ctx context.Context, r *journal.Reader) (key record.Key, remark string, err error) {
	signs, err := record.SignsBy(ctx, r)
	if err != nil {
		return key, "", err
	}
	if key, err = record.ReadKey(c.Data); err != nil {
		return key, "", err
	}
	if key.Fingerprint() == "" {
		if !c.NewKey {
			whose := "This journal never ran on a box"
			if signs != "" {
				whose = "Its box signs by " + signs
			}
			return key, "", fmt.Errorf("%s has no key to sign with (%s). %s. Make the bundle on the box, from its page Record or with this command, or bring the box's %[2]s along; --new-key makes a key here, whose fingerprint stands on none of the box's papers", c.Data, record.KeyFile, whose)
		}
		if key, err = record.OpenKey(c.Data); err != nil {
			return key, "", err
		}
	}
	if signs != "" && signs != key.Fingerprint() {
		remark = "It is signed by another key than the box's, " + signs + ": who compares it with a paper or label of the box finds that they differ."
	}
	return key, remark, nil
}

func size(n int64) string {
	if n < 1e6 {
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
