package journal

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"iter"
	"math"
	"strings"
	"syscall"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
)

// LinkEntries is how many entries a link of the chain covers. Links are cut by
// the numbers alone, so that the chain follows from the entries and from
// nothing else: not from when it was made, by which program, or how the
// entries were stored then.
const LinkEntries = 4096

// chainWord begins the chain. What is the box's own is in the first entry.
const chainWord = "standwatch chain 1\n"

// Link is a stretch of the journal and the hash of all up to its end: the
// SHA-256 of the hash before it and of its entries' lines.
type Link struct {
	First, Last uint64
	Hash        Hash
}

// Hash is a SHA-256.
type Hash [sha256.Size]byte

// String returns it in hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText returns it in hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads it as MarshalText wrote it, and in no other way.
func (h *Hash) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	if err != nil || len(b) != len(h) || hex.EncodeToString(b) != string(text) {
		return fmt.Errorf("%.80q is no SHA-256 in hexadecimal", text)
	}
	copy(h[:], b)
	return nil
}

// ChainBegin is the hash before the first link.
func ChainBegin() Hash { return sha256.Sum256([]byte(chainWord)) }

// Chainer makes links of lines.
type Chainer struct {
	sum  hash.Hash
	open Link // its hash is that of the link before
	any  bool
}

// NewChainer carries a chain on behind a link: from its beginning behind none
// (Link{Hash: ChainBegin()}).
func NewChainer(behind Link) *Chainer {
	c := &Chainer{sum: sha256.New()}
	c.begin(behind)
	return c
}

func (c *Chainer) begin(behind Link) {
	c.sum.Reset()
	c.sum.Write(behind.Hash[:])
	c.open, c.any = Link{First: behind.Last + 1, Last: behind.Last, Hash: behind.Hash}, false
}

// Add takes the next entry's line. full is whether a link ended with it.
func (c *Chainer) Add(line []byte) (link Link, full bool) {
	c.sum.Write(line)
	c.any = true
	c.open.Last++
	if c.open.Last%LinkEntries != 0 {
		return Link{}, false
	}
	link = c.link()
	c.begin(link)
	return link, true
}

func (c *Chainer) link() Link {
	l := c.open
	c.sum.Sum(l.Hash[:0])
	return l
}

// End ends the chain with the entries that fill no link. ok is false where there are none.
func (c *Chainer) End() (link Link, ok bool) { return c.link(), c.any }

// Lines yields the lines of the entries from <= Seq <= to (0: to the end), in
// short transactions. A line is valid until the next is asked for.
func (r *Reader) Lines(ctx context.Context, from, to uint64) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		if to == 0 {
			var err error
			if to, err = r.Last(ctx); err != nil {
				yield(nil, err)
				return
			}
		}
		w := walk{}
		var texts []eventText
		var line []byte
		for next := max(from, 1); next <= to; next = w.end + 1 {
			err := r.read(ctx, "read entries", func(conn *sqlite.Conn) (err error) {
				if err = w.load(r, conn, next, to); err == nil {
					texts, err = eventTexts(conn, texts[:0], next, w.end)
				}
				return err
			})
			var broken error
			if err == nil {
				var more bool
				i, seq := 0, next
				more, err = w.play(next, func(e rules.Entry, _ error) bool {
					if e.Seq != seq {
						broken = fmt.Errorf("entry %d is missing", seq)
						return false
					}
					seq++
					if m, ok := e.Body.(*rules.Measured); ok {
						line = appendReading(line[:0], e, m, w.dec.catalog[w.dec.id].quantity)
						return yield(line, nil)
					}
					if i >= len(texts) || texts[i].seq != e.Seq {
						broken = fmt.Errorf("entry %d is not the same twice", e.Seq)
						return false
					}
					line = appendEvent(line[:0], e, texts[i].kind, texts[i].body)
					i++
					return yield(line, nil)
				})
				if err == nil && broken == nil && !more {
					return
				}
				if err == nil && broken == nil && seq != min(w.end, to)+1 {
					broken = fmt.Errorf("entry %d is missing", seq)
				}
			}
			if err == nil {
				err = broken
			}
			if err != nil {
				yield(nil, fmt.Errorf("read entries from %d: %w", next, err))
				return
			}
		}
	}
}

// eventText is a mark, start or anchor as it is stored.
type eventText struct {
	seq        uint64
	kind, body string
}

func eventTexts(conn *sqlite.Conn, texts []eventText, from, to uint64) ([]eventText, error) {
	err := rows(conn, `SELECT seq, kind, body FROM events WHERE seq >= ? AND seq <= ? ORDER BY seq`, func(s *sqlite.Stmt) error {
		t := eventText{uint64(s.ColumnInt64(0)), s.ColumnText(1), s.ColumnText(2)}
		if strings.ContainsRune(t.body, '\n') || !json.Valid([]byte(t.body)) {
			return fmt.Errorf("entry %d was not written by a standwatch", t.seq)
		}
		texts = append(texts, t)
		return nil
	}, int64(from), int64(to))
	return texts, err
}

// chainShelf keeps the links, each under the number of its last entry, under
// chainBegun how many entries were there before any was made, and under
// chainTail the hash of the entries behind the last link, as far as they have
// come.
const (
	chainShelf = "chain"
	chainBegun = "begun"
	chainTail  = "tail"
)

func linkKey(last uint64) string { return fmt.Sprintf("%020d", last) }

type begun struct{ Entries uint64 }

// BeginChain writes down how many entries were there before their chain was
// kept, unless it is begun already. Call it before the first Append.
func (j *Journal) BeginChain(ctx context.Context) error {
	last, err := j.Last(ctx)
	if err != nil {
		return err
	}
	var b begun
	if has, err := j.Shelved(ctx, chainShelf, chainBegun, &b); has || err != nil {
		return err
	}
	return j.Shelf(chainShelf).Put(chainBegun, begun{last})
}

// Chain makes the links of all entries that have none yet, and keeps the hash of
// those behind them that fill none. Call it every minute or so, from a goroutine that may take its time: only keeping a link
// keeps Append waiting, and only entries behind the newest link are read. A crash leaves each link kept or not made; as they
// follow from the entries alone, the next call makes the same. A *BrokenError
// where those behind the newest link are not what they were, an *UnreadError
// where the disk does not give them.
func (j *Journal) Chain(ctx context.Context) error {
	if err := j.BeginChain(ctx); err != nil {
		return err
	}
	last, err := j.Last(ctx)
	if err != nil {
		return err
	}
	kept, behind, err := j.keptEnd(ctx, math.MaxInt64)
	if err != nil {
		return err
	}
	if max(behind.Last, kept.Tail.Last) >= last {
		return nil
	}
	c := NewChainer(behind)
	for line, err := range j.Lines(ctx, behind.Last+1, last) {
		if err != nil {
			return fmt.Errorf("journal: chain: %w", unread(behind.Last+1, last, err))
		}
		link, full := c.Add(line)
		if err := kept.Check(c, link, full); err != nil { // else what was changed would be chained as it is now
			return fmt.Errorf("journal: chain: %w", err)
		}
		if full {
			if err := j.Shelf(chainShelf).Put(linkKey(link.Last), link); err != nil {
				return err
			}
		}
	}
	if tail, ok := c.End(); ok {
		return j.Shelf(chainShelf).Put(chainTail, tail)
	}
	return nil
}

// Kept is the chain as far as it was made while the entries came.
type Kept struct {
	Links []Link // in order; none where only the chain's end was asked for
	Tail  Link   // of entries that filled no link yet; Last is 0 where there are none
	to    uint64 // the last entry of the newest link
	late  begun
	begun bool
}

// KeptTo is a chain of which it is known only how far it was kept, and how many
// entries late.
func KeptTo(late, kept uint64) Kept {
	return Kept{Tail: Link{Last: kept}, late: begun{late}, begun: true}
}

// BrokenError says that entries are not those that were chained when they came.
type BrokenError struct{ First, Last uint64 }

// Error says so, and what to do.
func (e *BrokenError) Error() string {
	return fmt.Sprintf("entries %d to %d are no longer those that were chained when they came: the journal was changed or its disk is damaged. Export what can be read, and keep the folder as it is", e.First, e.Last)
}

// UnreadError says that entries cannot be read: the disk does not give them
// back, or the database is damaged.
type UnreadError struct {
	First, Last uint64
	err         error
}

// Error says so, and why.
func (e *UnreadError) Error() string {
	return fmt.Sprintf("entries %d to %d cannot be read: %v", e.First, e.Last, e.err)
}

// Unwrap returns what the disk answered.
func (e *UnreadError) Unwrap() error { return e.err }

// unread is an error of reading entries, with their numbers where it is the disk
// that does not give them. SQLite calls a disk's EIO damage in the midst of a
// query and an I/O error elsewhere, as strace -e inject=pread64:error=EIO shows.
func unread(first, last uint64, err error) error {
	code := sqlite.ErrCode(err)
	if unreadable(err) || errors.Is(err, syscall.EIO) || code.ToPrimary() == sqlite.ResultIOErr && code != sqlite.ResultIOErrNoMem {
		return &UnreadError{first, max(first, last), err}
	}
	return err
}

// Check compares what a Chainer has come to, with the link that it has just
// ended where it has, with what was kept of it.
func (k Kept) Check(c *Chainer, link Link, full bool) error {
	switch { // a sum of what is under way only where there is one to compare it with
	case !full && c.open.Last != k.Tail.Last:
		return nil
	case !full:
		link = c.link()
	}
	i := int(link.First / LinkEntries)
	changed := full && i < len(k.Links) && k.Links[i] != link
	changed = changed || link.Last == k.Tail.Last && link.First == k.Tail.First && link.Hash != k.Tail.Hash
	if !changed {
		return nil
	}
	return &BrokenError{link.First, link.Last}
}

// Chained returns how many of the entries up to one were there before the chain
// was kept (all, where it never was), and to which it was kept: those behind
// were not chained yet.
func (k Kept) Chained(to uint64) (late, kept uint64) {
	kept = min(max(k.to, k.Tail.Last), to)
	if !k.begun || kept == 0 {
		return to, 0
	}
	return min(k.late.Entries, to), kept
}

// Kept returns what is kept of the chain.
func (r *Reader) Kept(ctx context.Context) (k Kept, err error) {
	err = r.EachShelved(ctx, chainShelf, func(key string, body []byte) error {
		switch key {
		case chainBegun:
			k.begun = true
			return json.Unmarshal(body, &k.late)
		case chainTail:
			return json.Unmarshal(body, &k.Tail)
		}
		l, err := readLink(key, body)
		if err == nil && l.First != k.to+1 {
			err = fmt.Errorf("the chain lacks the link before entry %d", l.First)
		}
		k.Links, k.to = append(k.Links, l), l.Last
		return err
	})
	return k, err
}

func readLink(key string, body []byte) (l Link, err error) {
	if err = json.Unmarshal(body, &l); err == nil && (linkKey(l.Last) != key || l.Last%LinkEntries != 0 || l.First != l.Last-LinkEntries+1) {
		err = fmt.Errorf("it is of entries %d to %d", l.First, l.Last)
	}
	if err != nil {
		return l, fmt.Errorf("link %s of the chain: %w", key, err)
	}
	return l, nil
}

// KeptEnd returns how far the chain is kept, without its links: what it costs
// does not grow with the journal.
func (r *Reader) KeptEnd(ctx context.Context) (Kept, error) {
	k, _, err := r.keptEnd(ctx, math.MaxInt64)
	return k, err
}

// keptEnd is KeptEnd with the newest link that ends at an entry or before it.
func (r *Reader) keptEnd(ctx context.Context, to uint64) (k Kept, newest Link, err error) {
	newest = Link{Hash: ChainBegin()}
	err = r.read(ctx, "read the chain's end", func(conn *sqlite.Conn) (err error) {
		if k.begun, err = onShelf(conn, chainShelf, chainBegun, &k.late); err != nil || !k.begun {
			return err
		}
		if _, err = onShelf(conn, chainShelf, chainTail, &k.Tail); err != nil {
			return err
		}
		return rows(conn, `SELECT key, body FROM shelf WHERE kind = ? AND key <= ? ORDER BY key DESC LIMIT 1`, func(s *sqlite.Stmt) (err error) {
			r.taken.Add(int64(s.ColumnLen(1)))
			newest, err = readLink(s.ColumnText(0), []byte(s.ColumnText(1)))
			return err
		}, chainShelf, linkKey(to))
	})
	k.to = newest.Last
	return k, newest, err
}

// Recheck makes n links anew from the entries, from the one that begins with
// entry from, and what is kept behind the last link with it, and compares them
// with what is kept. It returns with which entry to go on, 1 once it has come to
// the chain's end. A *BrokenError where entries are not what they were, an
// *UnreadError where the disk does not give them; next leads behind them.
func (r *Reader) Recheck(ctx context.Context, from uint64, n int) (next uint64, err error) {
	end, newest, err := r.keptEnd(ctx, math.MaxInt64)
	if unreadable(err) { // its newest link, or what is behind it: nothing proves any entry from here on
		last, err := r.Last(ctx)
		return 1, cmp.Or(err, error(&BrokenError{from, max(last, from)}))
	}
	if err != nil {
		return 1, unread(from, from+LinkEntries-1, err)
	}
	_, behind, err := r.keptEnd(ctx, from-1)
	if unreadable(err) {
		return from + LinkEntries, &BrokenError{from, from + LinkEntries - 1}
	}
	if err != nil {
		return from + LinkEntries, unread(from, from+LinkEntries-1, err)
	}
	for ; n > 0 && from <= newest.Last; n-- {
		link := Link{First: from, Last: from + LinkEntries - 1}
		next := from + LinkEntries
		ok, err := r.Shelved(ctx, chainShelf, linkKey(link.Last), &link)
		if err != nil && !unreadable(err) {
			return next, unread(from, next-1, err)
		}
		if err != nil || !ok || behind.Last != from-1 { // links were taken out
			return next, &BrokenError{from, next - 1}
		}
		if err := r.relink(ctx, behind, link); err != nil {
			return next, err
		}
		behind, from = link, next
	}
	if from <= newest.Last {
		return from, nil
	}
	if end.Tail.First == newest.Last+1 { // else a link has taken its place
		err = r.relink(ctx, newest, end.Tail)
	}
	return 1, err
}

// relink makes a link anew behind another, and compares.
func (r *Reader) relink(ctx context.Context, behind, link Link) error {
	last, err := r.Last(ctx)
	if err != nil {
		return unread(link.First, link.Last, err)
	}
	broken := &BrokenError{link.First, link.Last}
	if last < link.Last || link.First != behind.Last+1 {
		return broken
	}
	c := NewChainer(behind)
	var got Link
	for line, err := range r.Lines(ctx, link.First, link.Last) {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case unreadable(err):
			return broken
		case err != nil:
			return unread(link.First, link.Last, err)
		}
		got, _ = c.Add(line)
	}
	if tail, ok := c.End(); ok {
		got = tail
	}
	if got != link {
		return broken
	}
	return nil
}

// unreadable reports whether it is what was read that is wrong, and not the reading.
func unreadable(err error) bool {
	var machine syscall.Errno
	if err == nil || errors.As(err, &machine) || errors.Is(err, errClosed) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	switch sqlite.ErrCode(err).ToPrimary() {
	case sqlite.ResultError, sqlite.ResultCorrupt, sqlite.ResultNotADB: // the first is of an error that is none of the database's
		return true
	}
	return false
}

// Head returns the hash of all entries up to one, by the links that are kept and
// the entries behind them.
func (r *Reader) Head(ctx context.Context, to uint64) (Hash, error) {
	_, behind, err := r.keptEnd(ctx, to)
	if err != nil {
		return Hash{}, err
	}
	c := NewChainer(behind)
	if to > behind.Last {
		for line, err := range r.Lines(ctx, behind.Last+1, to) {
			if err != nil {
				return Hash{}, err
			}
			if link, full := c.Add(line); full {
				behind = link
			}
		}
	}
	if link, ok := c.End(); ok {
		behind = link
	}
	return behind.Hash, nil
}

// Tell takes what an entry says of wall time; entries must come in their order.
func (a Anchors) Tell(e rules.Entry) {
	if _, ok := e.Body.(*rules.Clocked); !ok {
		return
	}
	if x := anchor(e); x.Proven || !a[e.At.Boot].Proven {
		a[e.At.Boot] = x
	}
}
