package daemon

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"standwatch/daemon/fieldlog"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

// Replayed counts what a replay applied.
type Replayed struct {
	Readings, Entries int
	From, To          time.Time // zero: the log was empty
	Steps             int       // begun
}

// ReplayParts says what is replayed and where the findings go.
type ReplayParts struct {
	Site  rules.Site
	Rules []rules.Rule
	// Found gets each finding with the wall time of its moment, in order.
	Found func(f rules.Finding, wall time.Time) error
	// Journal, if not nil, is a new journal that keeps everything.
	Journal *journal.Journal
}

// Replay puts field logs, in the order given, through the engine that runs
// live. A fault of a log is a sensors.Fault; all faults of the logs come
// joined, and nothing has been applied from the first faulty row on.
func Replay(ctx context.Context, p ReplayParts, files []string) (Replayed, error) {
	r := replay{
		ReplayParts: p, engine: rules.NewEngine(p.Site, p.Rules), log: fieldlog.NewReplay(p.Site),
	}
	if p.Journal != nil {
		if err := p.Journal.Points(p.Site.Points); err != nil {
			return r.done, err
		}
		if err := record.KeepSite(ctx, p.Journal, p.Site); err != nil {
			return r.done, err
		}
	}
	var faults []error
	for _, file := range files {
		errs, err := r.file(ctx, file, len(faults) > 0)
		if err != nil {
			return r.done, err
		}
		faults = append(faults, errs...)
	}
	if len(faults) > 0 {
		return r.done, errors.Join(faults...)
	}
	return r.done, r.keep()
}

// mostFaults bounds the faults told of one file: who sends a log in another
// format wants one line, not a million.
const mostFaults = 100

type replay struct {
	ReplayParts
	engine *rules.Engine
	log    *fieldlog.Replay
	done   Replayed

	waiting []rules.Entry // for the journal
	found   []rules.Finding
}

// file applies one log. After its first fault it only looks for more.
func (r *replay) file(ctx context.Context, name string, faulty bool) (faults []error, err error) {
	f, err := os.Open(name)
	if err != nil {
		return []error{fmt.Errorf("%s:1:1: %w; give a field log that can be read", name, errors.Unwrap(err))}, nil
	}
	defer f.Close()
	in := fieldlog.NewReader(bufio.NewReader(f), name, r.Site)
	for n := 0; ; n++ {
		row, err := in.Next()
		switch {
		case err == io.EOF:
			return faults, nil
		case err != nil:
			faults = append(faults, err)
			if len(faults) >= mostFaults {
				return append(faults, fmt.Errorf("%s: more than %d faults; is it a field log of this site?", name, mostFaults)), nil
			}
			continue
		case faulty || len(faults) > 0:
			continue
		}
		if err := r.row(row); err != nil {
			return faults, err
		}
		if n%4096 == 0 && ctx.Err() != nil {
			return faults, ctx.Err()
		}
	}
}

func (r *replay) row(row fieldlog.Row) error {
	for _, e := range r.log.Next(row) {
		switch b := e.Body.(type) {
		case *rules.Measured:
			r.done.Readings++
		case *rules.Told:
			if b.Kind == fieldlog.Begin {
				r.done.Steps++
			}
		}
		r.done.Entries++
		wall := r.wall(e.At)
		if r.done.From.IsZero() {
			r.done.From = wall
		}
		r.done.To = wall
		found := r.engine.Next(e)
		for _, f := range found {
			if err := r.Found(f, r.wall(f.At)); err != nil {
				return err
			}
		}
		if r.Journal != nil {
			r.waiting, r.found = append(r.waiting, e), append(r.found, found...)
		}
	}
	if len(r.waiting) >= batchLength {
		return r.keep()
	}
	return nil
}

func (r *replay) wall(at rules.Instant) time.Time { return time.UnixMilli(r.log.Wall(at)) }

// keep commits what waits for the journal.
func (r *replay) keep() error {
	if r.Journal == nil || len(r.waiting) == 0 {
		return nil
	}
	if err := r.Journal.Append(r.waiting, nil); err != nil {
		return err
	}
	if _, err := r.Journal.Find(r.found); err != nil {
		return err
	}
	r.waiting, r.found = r.waiting[:0], r.found[:0]
	return nil
}
