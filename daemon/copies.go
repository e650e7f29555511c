package daemon

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/outbox"
	"standwatch/daemon/record"
	"standwatch/daemon/stick"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// copies leave the box by mail and by stick. What went is told to the journal
// here: by stick once it has been read back, by mail once the server has it.
type copies struct {
	box    *Box
	papers papers
}

// Copies are the box's ways out, for the screens.
func (b *Box) Copies(program string) web.Copies {
	return copies{b, papers{dir: b.Dir, program: program, key: b.parts.Key}}
}

// leaving is a paper that leaves the box.
type leaving struct {
	what string
	web.Paper
	sum  string
	size int64
}

// leave makes the papers that a copy is made of, all of one reading of the
// journal, and the record last: the newest mark of a copy is the record's.
func (p papers) leave(ctx context.Context, system string, job int) (rec record.Record, all []leaving, err error) {
	r, err := journal.OpenReader(ctx, p.dir)
	if err != nil {
		return rec, nil, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	rec, forms, err := record.Forms(ctx, r, record.Which{System: system, Job: job}, p.key)
	if errors.Is(err, record.ErrEmpty) {
		return rec, nil, web.ErrNoPaper
	}
	if err != nil {
		return rec, nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, shut(all))
		}
	}()
	for _, want := range []struct{ what, kind string }{{"label", "label-a6"}, {"bundle", bundleKind}, {"record", "pdf-a4"}} {
		paper, err := p.one(ctx, r, want.kind, rec, forms)
		if err != nil {
			return rec, all, err
		}
		l := leaving{what: want.what, Paper: paper}
		h := sha256.New()
		if l.size, err = io.Copy(h, l.Body); err == nil {
			_, err = l.Body.Seek(0, io.SeekStart)
		}
		l.sum = hex.EncodeToString(h.Sum(nil))
		if all = append(all, l); err != nil {
			return rec, all, err
		}
	}
	return rec, all, nil
}

func shut(all []leaving) (err error) {
	for _, l := range all {
		err = errors.Join(err, l.Body.Close())
	}
	return err
}

// copyOf is the journal's word for a paper that goes to somebody.
func (c copies) copyOf(g web.Going, rec record.Record, l leaving, how string) rules.Copy {
	x := rules.Copy{What: l.what, To: g.To, How: how, Of: rec.Entries, Sum: l.sum}
	x.Number = rec.Job.Number
	if len(c.box.parts.Site.Systems) > 1 {
		x.System = rec.System.Name
	}
	return x
}

// Mails reports whether there is a mail server to send by.
func (c copies) Mails() bool { return c.box.Post != nil }

// Mail puts a mail with the record, and the bundle where it is small enough, into the queue.
func (c copies) Mail(ctx context.Context, g web.Going) (err error) {
	if c.box.Post == nil {
		return &web.CopyTrouble{Key: "mail-none"}
	}
	address, err := outbox.Address(g.Address)
	if err != nil {
		return &web.CopyTrouble{Key: "mail-address"}
	}
	after := c.box.Now().Kept
	rec, all, err := c.papers.leave(ctx, g.System, g.Number)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, shut(all)) }()
	parcel := outbox.Parcel{To: address, By: g.By, System: g.System, Number: rec.Job.Number, After: after}
	text := letter{site: rec.Site, system: rec.System.Name, job: rec.Job, whom: g.To, key: c.papers.key.Fingerprint()}
	text.entries, text.made = rec.Entries, rec.Made
	bundle, paper := all[1], all[2]
	going := []leaving{bundle, paper}
	if bundle.size+paper.size > outbox.MostParcel {
		going, text.left = going[1:], &bundle
	}
	for _, l := range going {
		parcel.Files = append(parcel.Files, outbox.Enclosed{Name: l.File, Media: l.Media, Body: l.Body})
		parcel.Copies = append(parcel.Copies, c.copyOf(g, rec, l, rules.ByMail+" "+address))
	}
	text.files = going
	parcel.Subject, parcel.Text = text.subject(), text.String()
	err = c.box.Post.Put(ctx, parcel)
	for key, is := range map[string]error{"mail-full": outbox.ErrPostFull, "mail-large": outbox.ErrPostLarge, "mail-twice": outbox.ErrPostTwice} {
		if errors.Is(err, is) {
			return &web.CopyTrouble{Key: key, Err: err}
		}
	}
	return err
}

// Posted are the mails of a job that have not been taken yet.
func (c copies) Posted(ctx context.Context, system string, job int) (all []web.Posted, err error) {
	if c.box.Post == nil {
		return nil, nil
	}
	waiting, err := c.box.Post.Waiting(ctx)
	for _, w := range waiting {
		if w.System != system || w.Number != job {
			continue
		}
		p := web.Posted{ID: w.Key, Address: w.To, By: w.By, Trouble: w.Trouble, Taken: w.Taken || w.Refused != ""}
		for _, x := range w.Copies {
			p.To, p.Whats = x.To, append(p.Whats, x.What)
		}
		all = append(all, p)
	}
	return all, err
}

// TakeBack takes a mail out of the queue.
func (c copies) TakeBack(ctx context.Context, id string) error {
	if c.box.Post == nil {
		return &web.CopyTrouble{Key: "mail-gone"}
	}
	err := c.box.Post.TakeBack(ctx, id)
	if errors.Is(err, outbox.ErrPostGone) {
		return &web.CopyTrouble{Key: "mail-gone", Err: err}
	}
	return err
}

// posted tells the journal how a mail went; what it knows already it is not told again.
func (d *Daemon) posted(ctx context.Context, p outbox.Parcel) error {
	known, err := d.parts.Journal.Told(ctx, p.After)
	if err != nil {
		return err
	}
	name, went := rules.MarkCopy, p.Copies
	if p.Refused != "" { // once, of the record
		name, went = rules.MarkCopyRefused, p.Copies[len(p.Copies)-1:]
	}
	var marks []rules.Told
	for _, c := range went {
		c.Refused = p.Refused
		m := rules.Told{Kind: "mark", Name: name, System: p.System, Note: c.Note(), By: p.By}
		if !slices.ContainsFunc(known, func(e rules.Entry) bool {
			b, ok := e.Body.(*rules.Told)
			return ok && b.Name == m.Name && b.Note == m.Note
		}) {
			marks = append(marks, m)
		}
	}
	if len(marks) == 0 {
		return nil
	}
	return d.Tell(ctx, marks...)
}

// Stick says whether a stick can be written to.
func (c copies) Stick() web.StickState {
	s := c.box.Stick
	if s == nil {
		return web.StickState{}
	}
	state := web.StickState{Dir: s.Dir}
	if s.Busy() {
		state.Trouble = &web.CopyTrouble{Key: "stick-" + stick.Busy}
	} else if _, err := s.Look(); err != nil {
		state.Trouble = stickTrouble(err)
	}
	return state
}

func stickTrouble(err error) *web.CopyTrouble {
	t := &stick.Trouble{Kind: stick.Other}
	errors.As(err, &t)
	return &web.CopyTrouble{Key: "stick-" + t.Kind, Err: err}
}

// ToStick writes bundle, record and label into a folder of the stick, with their
// sums beside them, and tells the journal.
func (c copies) ToStick(ctx context.Context, g web.Going) (folder string, err error) {
	s := c.box.Stick
	if s == nil {
		return "", &web.CopyTrouble{Key: "stick-" + stick.None}
	}
	if _, err := s.Look(); err != nil { // before seconds are spent on papers
		return "", stickTrouble(err)
	}
	rec, all, err := c.papers.leave(ctx, g.System, g.Number)
	if err != nil {
		return "", err
	}
	var sums bytes.Buffer
	var files []stick.Source
	var marks []rules.Told
	for _, l := range all {
		files = append(files, stick.Source{Name: l.File, Body: l.Body})
		fmt.Fprintf(&sums, "%s  %s\n", l.sum, stick.Name(l.File))
		marks = append(marks, rules.Told{Kind: "mark", Name: rules.MarkCopy, System: g.System, By: g.By,
			Note: c.copyOf(g, rec, l, rules.ByStick).Note()})
	}
	files = append(files, stick.Source{Name: rec.FileName("sha256.txt"), Body: &sums})
	folder = stick.Name(rec.FileName(rec.Made.Format("2006-01-02")))
	written, err := s.Write(ctx, folder, files)
	if err != nil { // one that hangs may still read them: they are left to the collector
		return "", stickTrouble(err)
	}
	if err := shut(all); err != nil {
		return "", err
	}
	for i, l := range all {
		if written[i].Sum != l.sum {
			return "", &web.CopyTrouble{Key: "stick-" + stick.Differs}
		}
	}
	return folder, c.box.Tell(ctx, marks...)
}

// letter is the text of a mail with papers.
type letter struct {
	site, system, whom, key string
	job                     record.Job
	entries                 uint64
	made                    time.Time
	files                   []leaving
	left                    *leaving // too large for the mail
}

func (l letter) of() string {
	of := l.site
	if l.system != "" {
		of += ", " + l.system
	}
	if l.job.Of > 1 {
		of += fmt.Sprintf(", job %d (%s)", l.job.Number, l.job.Name)
	}
	return of
}

func (l letter) subject() string { return "Record of the start-up: " + l.of() }

// String says what is enclosed, by which it can be told from any other, and what it is not.
func (l letter) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Enclosed is the record of the start-up of %s, as the box on site keeps it,\nfor: %s. It holds what was entered up to %s (entry %d). The job is %s.\n\n",
		l.of(), l.whom, l.made.Format("2006-01-02 15:04 MST"), l.entries, cmp.Or(l.job.State, rules.JobOpen))
	file := func(x leaving) { fmt.Fprintf(&b, "%s\n  %d bytes, SHA-256:\n  %s\n", x.File, x.size, x.sum) }
	for _, f := range l.files {
		file(f)
	}
	if l.left != nil {
		b.WriteString("\nToo large for a mail, to be had on a stick or by download from the box:\n")
		file(*l.left)
	}
	fmt.Fprintf(&b, "\nThe bundle has the record, the readings and what proves them; \"standwatch verify FILE\"\non any machine says whether it is as the box signed it. The box's key:\n%s\n", l.key)
	b.WriteString("\nKeep it at least five years (common practice). It reports readings and rules chosen for this job. It\n" +
		"does not replace the equipment manual, the code official or a qualified technician.\nThe box opens and closes nothing.\n")
	return b.String()
}
