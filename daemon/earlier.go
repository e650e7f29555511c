package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// Taking is with what words an earlier visit's bundle is taken in.
type Taking struct {
	System    string // the site's, whose earlier visit it is
	By        string
	Reason    string // why although it was changed; empty: it is refused then
	Elsewhere bool   // although it is of another site or system
}

// Why a bundle is not taken in.
var (
	ErrChanged   = errors.New("it is not as it was signed. Who takes it in all the same says so by name and with a reason; every old figure is then shown as from a bundle that was changed")
	ErrElsewhere = errors.New("it is of another site or system. If it is the right one all the same, say so")
)

// AlreadyError says that a system has taken a bundle in before.
type AlreadyError struct{ By string }

// Error says so, with who did it.
func (e AlreadyError) Error() string {
	if e.By == "" {
		return "this bundle has been taken in already: it is said once"
	}
	return "this bundle has been taken in already, by " + e.By + ": it is said once"
}

// TakeIn keeps an earlier visit's figures in a journal and tells its mark: the
// figures first, so that no mark names what is not there.
func TakeIn(ctx context.Context, j *journal.Journal, site rules.Site, v record.Visit, t Taking, tell func(context.Context, rules.Told) error) error {
	if err := admit(ctx, &j.Reader, site, v, t); err != nil {
		return err
	}
	m := rules.Earlier{Sum: v.Bundle, By: t.By}
	if len(v.Changed) > 0 {
		v.Reason = t.Reason
	}
	m.What = v.What()
	if len(site.Systems) > 1 {
		m.System = t.System
	}
	if err := record.KeepVisit(j, v); err != nil {
		return err
	}
	return tell(ctx, rules.Told{Kind: "mark", Name: rules.MarkEarlier, System: t.System, Note: m.Note(), By: t.By})
}

// admit says why a visit is not taken in; nil: it may be.
func admit(ctx context.Context, r *journal.Reader, site rules.Site, v record.Visit, t Taking) error {
	b, taken, err := record.TakenIn(ctx, r, site, t.System, v.Bundle)
	switch {
	case err != nil:
		return err
	case taken:
		return AlreadyError{b.By}
	case len(v.Changed) > 0 && (t.Reason == "" || t.By == ""):
		return ErrChanged
	case len(v.Doubts(site, t.System)) > 0 && !t.Elsewhere:
		return ErrElsewhere
	}
	return nil
}

// mostBundle is how large a bundle may be that a page takes (our choice: a
// fortnight of three systems is a fifth of it).
const mostBundle = 256 << 20

// mostOffered is how many bundles wait for a word at once.
const mostOffered = 4

// visits takes earlier visits' bundles in on a running box. A bundle is read
// from a file that nobody else sees and that is gone once its figures are.
type visits struct {
	box     *Box
	mu      sync.Mutex
	offered []record.Visit // not taken in yet, oldest first: what a restart forgets is offered once more

	room    func(dir string) (int64, error) // bytes that the disk of a folder takes still
	reading chan struct{}                   // one place: who waits for it finds what the one before has read
	besides map[record.Which]beside
}

// beside is what earlier visits left beside a job, as of a mark and a finding.
type beside struct {
	all     []record.Earlier
	mark    uint64
	finding int64
	until   time.Time // zero: as long as nothing is told or found
}

// besideFor is how long figures of a step under way may be shown without a new
// look at its readings (our choice): a look puts the whole job through its judges.
const besideFor = time.Minute

// mostBesides bounds how many jobs are kept in mind.
const mostBesides = 20

// Visits are the box's, for the screens.
func (b *Box) Visits() web.Visits {
	return &visits{box: b, room: diskRoom, reading: make(chan struct{}, 1), besides: map[record.Which]beside{}}
}

// Offer reads a bundle, and keeps its figures until somebody takes them in.
func (v *visits) Offer(ctx context.Context, in io.Reader, fingerprint string) (out record.Visit, err error) {
	f, err := os.CreateTemp(v.box.Dir, ".bundle-*")
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := os.Remove(f.Name()); err != nil {
		return out, err
	}
	room, err := v.room(v.box.Dir)
	if err != nil {
		return out, err
	}
	most := min(mostBundle, room/2) // readings go on being kept meanwhile, and are worth more
	n, err := io.Copy(f, io.LimitReader(in, most+1))
	switch {
	case err != nil:
		return out, err
	case n > mostBundle:
		return out, web.ErrBundleLarge
	case n > most:
		return out, web.ErrBundleRoom
	}
	if out, _, err = record.ReadVisit(f, n); err != nil {
		return out, err
	}
	if err := out.Recognise(ctx, &v.box.Journal.Reader, v.box.parts.Key, fingerprint); err != nil {
		return out, err
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.forget(out.Bundle)
	if len(v.offered) >= mostOffered {
		v.offered = v.offered[1:]
	}
	v.offered = append(v.offered, out)
	return out, nil
}

func (v *visits) forget(bundle string) (found record.Visit, ok bool) {
	for i, o := range v.offered {
		if o.Bundle == bundle {
			v.offered = append(v.offered[:i:i], v.offered[i+1:]...)
			return o, true
		}
	}
	return found, false
}

// Take takes in a bundle that was offered.
func (v *visits) Take(ctx context.Context, bundle string, t web.TakeVisit) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	offered, ok := v.forget(bundle)
	if !ok {
		return web.ErrNotOffered
	}
	err := TakeIn(ctx, v.box.Journal, v.box.parts.Site, offered, Taking{System: t.System, By: t.By, Reason: t.Reason, Elsewhere: t.Elsewhere},
		func(ctx context.Context, told rules.Told) error { return v.box.Tell(ctx, told) })
	var already AlreadyError
	switch {
	case errors.As(err, &already):
		return web.ErrTakenAlready
	case err != nil:
		v.offered = append(v.offered, offered) // for another word
		if errors.Is(err, ErrChanged) || errors.Is(err, ErrElsewhere) {
			return fmt.Errorf("%w: %w", web.ErrNotSaid, err)
		}
	}
	return err
}

// Beside is what earlier visits left beside a system's job. A page costs a look
// at the journal's end, unless something was told or found since the last.
func (v *visits) Beside(ctx context.Context, system string, job int) ([]record.Earlier, error) {
	select {
	case v.reading <- struct{}{}:
		defer func() { <-v.reading }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	r, which := &v.box.Journal.Reader, record.Which{System: system, Job: job}
	mark, finding, err := r.Newest(ctx)
	if err != nil {
		return nil, err
	}
	known, ok := v.besides[which]
	if ok && known.mark == mark && known.finding == finding && (known.until.IsZero() || time.Now().Before(known.until)) {
		return known.all, nil
	}
	now := beside{mark: mark, finding: finding} // what comes while it is read is looked at the next time
	moving := false
	if now.all, moving, err = record.ReadEarlier(ctx, r, which); err != nil {
		return nil, err
	}
	if moving {
		now.until = time.Now().Add(besideFor)
	}
	if len(v.besides) >= mostBesides {
		clear(v.besides)
	}
	v.besides[which] = now
	return now.all, nil
}
