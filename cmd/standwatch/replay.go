package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/config"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

type replayCommand struct {
	Site string   `required:"" placeholder:"SITE.yaml" help:"The site file."`
	JSON bool     `name:"json" help:"One JSON object a line, on standard output."`
	Data string   `placeholder:"DIR" help:"Keep everything in a new journal in this folder."`
	Logs []string `arg:"" name:"log" help:"Field logs (CSV), in order."`
}

// Run replays the logs and writes the findings as they come.
func (c replayCommand) Run(ctx context.Context, o output) (err error) {
	site, errs := daemon.Load(c.Site)
	if len(errs) > 0 {
		return faults(o.err, errs)
	}
	parts := daemon.ReplayParts{Site: site.Site.Site, Rules: rules.All()}
	if c.Data != "" {
		j, err := newJournal(ctx, c.Data)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, j.Close()) }()
		parts.Journal = j
	}
	w := bufio.NewWriter(o.out)
	defer func() { err = errors.Join(err, w.Flush()) }()
	parts.Found = func(f rules.Finding, wall time.Time) error {
		if c.JSON {
			_, err := fmt.Fprintf(w, "%s\n", f.JSON(wall))
			return err
		}
		_, err := fmt.Fprintln(w, sentence(f, wall.In(site.Zone)))
		return err
	}
	done, err := daemon.Replay(ctx, parts, c.Logs)
	if err != nil {
		return faults(o.err, config.Faults(err))
	}
	if done.Steps == 0 {
		fmt.Fprintln(o.err, "note: no log begins a step, so no step was judged; add a row of kind begin")
	}
	return c.summary(w, site, done)
}

func (c replayCommand) summary(w *bufio.Writer, site *daemon.Site, done daemon.Replayed) error {
	if !c.JSON {
		_, err := fmt.Fprintf(w, "%d readings in %d entries, %s to %s\n", done.Readings, done.Entries, clockTime(done.From.In(site.Zone)), clockTime(done.To.In(site.Zone)))
		return err
	}
	b, err := json.Marshal(struct {
		Type     string `json:"type"`
		Readings int    `json:"readings"`
		Entries  int    `json:"entries"`
		From     string `json:"from"`
		To       string `json:"to"`
	}{"summary", done.Readings, done.Entries, stamp(done.From), stamp(done.To)})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s\n", b)
	return err
}

// newJournal opens a journal that must be new: a replay never mixes with what
// a box has measured.
func newJournal(ctx context.Context, dir string) (*journal.Journal, error) {
	j, err := journal.Open(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	last, err := j.Last(ctx)
	if err == nil && last > 0 {
		err = fmt.Errorf("%s already holds a journal with %d entries; give a new folder", dir, last)
	}
	if err != nil {
		return nil, errors.Join(err, j.Close())
	}
	return j, nil
}

// sentence is a finding for people: when, how urgent, what.
func sentence(f rules.Finding, wall time.Time) string {
	what := f.Flag
	switch f.Edge {
	case rules.Given:
		what = strings.TrimSpace(f.Step+" "+f.Unit) + ": " + f.Result
	case rules.Raised:
		what += " raised, " + f.Urgency.String()
	case rules.Cleared:
		what += " cleared"
	}
	if f.System != "" {
		what = f.System + " " + what
	}
	return fmt.Sprintf("%s  %-34s %s", clockTime(wall), what, f.Text)
}

func clockTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Format("2006-01-02 15:04:05") + record.WhichHour(t)
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}
