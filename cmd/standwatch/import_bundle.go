package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

type importBundleCommand struct {
	File    string `arg:"" placeholder:"FILE" help:"The bundle that an earlier visit left."`
	Data    string `placeholder:"DIR" help:"Take it into this journal; without it, only show what it is. While a box runs, its page Record takes it in."`
	System  string `placeholder:"NAME" help:"Of which of the site's systems it is; needed where the site has several and none is called as in the bundle."`
	Key     string `placeholder:"FINGERPRINT" help:"The fingerprint on that visit's paper: a bundle signed by any other key is refused."`
	By      string `placeholder:"NAME" help:"Who takes it in."`
	Changed string `name:"although-changed" placeholder:"REASON" help:"Take it in although it is not as it was signed; needs --by. Its figures are then shown as from a bundle that was changed."`
	Other   bool   `name:"although-other" help:"Take it in although it is of another site or system."`
}

// Run says what a bundle is and takes it in.
func (c importBundleCommand) Run(ctx context.Context, o output) error {
	given := ""
	if c.Key != "" {
		var err error
		if given, err = record.ParseFingerprint(c.Key); err != nil {
			return usagef("--key: %w", err)
		}
	}
	if c.Changed != "" && c.By == "" {
		return usagef("--although-changed needs --by: a person answers for it")
	}
	v, found, err := readVisit(c.File)
	if err != nil {
		for _, f := range found.Faults {
			fmt.Fprintf(o.err, "- %s\n", f.Description)
		}
		return err
	}
	if c.Data == "" {
		if given == v.Key {
			v.Known = record.KeyGiven
		}
		sayVisit(o.out, c.File, v, nil)
		return otherKey(v, given)
	}
	r, err := journal.OpenReader(ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	last, err := r.Last(ctx)
	if err == nil && last == 0 {
		err = fmt.Errorf("%s: %w", c.Data, record.ErrEmpty)
	}
	if err != nil {
		return err
	}
	site, _, err := record.Site(ctx, r, 0)
	if err != nil {
		return err
	}
	system, err := c.system(site, v)
	if err != nil {
		return err
	}
	own, err := record.ReadKey(c.Data)
	if err == nil {
		err = v.Recognise(ctx, r, own, given)
	}
	if err != nil {
		return err
	}
	sayVisit(o.out, c.File, v, v.Doubts(site, system))
	if err := otherKey(v, given); err != nil {
		return err
	}
	return c.take(ctx, o, site, v, system)
}

// otherKey refuses a bundle of another key than the paper's.
func otherKey(v record.Visit, given string) error {
	if given != "" && v.Key != "" && v.Key != given {
		return errors.New("it is signed by another key than the paper's: somebody else made it, or the paper belongs to another box. Nothing was taken in")
	}
	return nil
}

func readVisit(file string) (v record.Visit, found record.Verified, err error) {
	f, size, err := openBundle(file)
	if err != nil {
		return v, found, err
	}
	defer f.Close()
	if v, found, err = record.ReadVisit(f, size); err != nil {
		err = fmt.Errorf("%s: %w; %s", file, err, wantBundle)
	}
	return v, found, err
}

// system is the one whose earlier visit a bundle is.
func (c importBundleCommand) system(site rules.Site, v record.Visit) (string, error) {
	var names []string
	for _, s := range site.Systems {
		if s.Name == site.SystemOf(c.System) || c.System == "" && s.Name == v.Record.System.Name {
			return s.Name, nil
		}
		names = append(names, s.Name)
	}
	if c.System != "" {
		return "", usagef("--system: the site has no system %q; it has %s", c.System, strings.Join(names, ", "))
	}
	return "", usagef("the bundle is of the system %q, and the site has %s: say with --system of which it is", v.Record.System.Name, strings.Join(names, ", "))
}

// take writes the figures and the mark into the journal of a box that stands.
func (c importBundleCommand) take(ctx context.Context, o output, site rules.Site, v record.Visit, system string) error {
	if who := journal.Writer(c.Data); who != "" {
		return fmt.Errorf("%s writes this journal: take the bundle in on the box's page, under Record, Earlier visits", who)
	}
	j, err := journal.Open(ctx, c.Data, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	tell := func(ctx context.Context, b rules.Told) error {
		_, at, err := j.End(ctx)
		if err != nil {
			return err
		}
		b.Own = time.Now().UnixMilli() // when it was said; the box's time stands still meanwhile
		return j.Append([]rules.Entry{{At: at, Body: &b}}, nil)
	}
	err = daemon.TakeIn(ctx, j, site, v, daemon.Taking{System: system, By: c.By, Reason: c.Changed, Elsewhere: c.Other}, tell)
	switch {
	case errors.Is(err, daemon.ErrChanged):
		err = fmt.Errorf("%w (--although-changed REASON --by NAME)", err)
	case errors.Is(err, daemon.ErrElsewhere):
		err = fmt.Errorf("%w (--although-other)", err)
	}
	if err = errors.Join(err, j.Close()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(o.out, "Taken in: the record of this job has its figures beside its own from now on.\n")
	return err
}

// sayVisit is what people read before they take a bundle in.
func sayVisit(w io.Writer, file string, v record.Visit, doubts []string) {
	r := v.Record
	state := "intact"
	if len(v.Changed) > 0 {
		state = "NOT as it was signed"
	}
	fmt.Fprintf(w, "%s is %s.\n", file, state)
	for _, text := range v.Changed {
		fmt.Fprintf(w, "- %s\n", text)
	}
	line := func(label, text string) {
		if text != "" {
			fmt.Fprintf(w, "%-10s %s\n", label+":", text)
		}
	}
	line("Site", r.Site)
	line("System", strings.TrimSpace(r.System.Name+" "+r.System.Refrigerant))
	line("Job", strings.TrimSpace(fmt.Sprintf("%d %s", r.Job.Number, r.Job.Name)))
	if !r.Made.IsZero() {
		line("Goes to", r.Made.Format("2006-01-02 15:04 -0700"))
	}
	for _, s := range r.Signatures {
		line("Signed", strings.TrimSpace(s.Role+" "+s.Name))
	}
	line("Key", strings.TrimPrefix(v.Key+", "+record.KnownWord(v), ", "))
	line("Bundle", "SHA-256 "+v.Bundle)
	line("Holds", fmt.Sprintf("%d steps, %d indoor units, %d lengths of line", len(r.Steps), len(r.System.Indoor), len(r.TakeOff.ByDiameter)))
	for _, text := range append(v.Unread, doubts...) {
		line("Remark", text)
	}
}
