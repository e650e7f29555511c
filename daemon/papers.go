package daemon

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"

	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/daemon/web"
)

// papers makes what the page Record hands out, by a reader of its own: making
// one takes seconds, and nothing else waits for it.
type papers struct {
	dir, program string
	key          record.Key
}

// Papers are the box's, for the screens.
func (b *Box) Papers(program string) web.Papers {
	return papers{dir: b.Dir, program: program, key: b.parts.Key}
}

const bundleKind = "bundle"

func (papers) Kinds() []string { return append(append([]string(nil), record.Kinds...), bundleKind) }

func (p papers) Paper(ctx context.Context, kind, system string, job int) (_ web.Paper, err error) {
	r, err := journal.OpenReader(ctx, p.dir)
	if err != nil {
		return web.Paper{}, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	rec, forms, err := record.Forms(ctx, r, record.Which{System: system, Job: job}, p.key)
	switch {
	case errors.Is(err, record.ErrEmpty):
		return web.Paper{}, web.ErrNoPaper
	case err != nil:
		return web.Paper{}, err
	}
	return p.one(ctx, r, kind, rec, forms)
}

// one makes one paper of a record that has been read.
func (p papers) one(ctx context.Context, r *journal.Reader, kind string, rec record.Record, forms []record.Form) (web.Paper, error) {
	if kind == bundleKind {
		body, err := p.bundle(ctx, r, rec, forms)
		return web.Paper{File: rec.FileName("bundle.zip"), Media: "application/zip", Body: body, Entries: rec.Entries}, err
	}
	for _, f := range forms {
		if f.Kind != kind {
			continue
		}
		var b bytes.Buffer
		err := f.Write(&b)
		return web.Paper{File: rec.FileName(f.File), Media: f.Media, Body: held{bytes.NewReader(b.Bytes())}, Entries: rec.Entries}, err
	}
	return web.Paper{}, web.ErrNoPaper
}

// held is a file in memory.
type held struct{ *bytes.Reader }

func (held) Close() error { return nil }

// bundle grows in a file that nobody else sees, and that is gone once it is closed.
func (p papers) bundle(ctx context.Context, r *journal.Reader, rec record.Record, forms []record.Form) (_ io.ReadSeekCloser, err error) {
	f, err := os.CreateTemp(p.dir, ".bundle-*")
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	if err := os.Remove(f.Name()); err != nil {
		return nil, err
	}
	_, err = record.Bundle(ctx, f, record.Bundled{Journal: r, Key: p.key, Program: p.program, Record: rec, Parts: record.PartsOf(forms)})
	if err != nil {
		return nil, err
	}
	_, err = f.Seek(0, io.SeekStart)
	return f, err
}
