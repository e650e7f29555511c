package outbox

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/mail"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	gomail "github.com/wneessen/go-mail"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Bounds of the mails with papers. Our choice: a third more travels, and what
// many mail servers take ends not far above; waiting ones share the disk with a
// night's readings; slower than that no link carries a mail at all.
const (
	MostParcel  = 10 << 20 // bytes of its files
	mostParcels = 10       // waiting
	slowestLink = 16 << 10 // bytes a second
)

const postShelf = "outbox post"

// Parcel is a mail with a job's papers to one address. Its bytes lie in files
// until it is taken: made again they would hold what came later, and be other
// bytes than those that a person sent off and whose sums were written down.
type Parcel struct {
	To, Subject, Text string
	Copies            []rules.Copy // what the journal is told once it is taken, or refused
	By                string       // who sent it
	System            string       // whose job's papers they are
	Number            int
	After             uint64 // the journal's newest entry when it was sent off
	Files             []Enclosed
	Taken             bool   // the mail server has; the journal is not told yet
	Refused           string // why it never will, in the server's words
}

// Enclosed is one file of a parcel.
type Enclosed struct {
	Name, Media, Sum string // SHA-256 in hex
	Size             int64
	Body             io.Reader `json:"-"` // only on the way in
}

// Waiting is a parcel that is not taken yet.
type Waiting struct {
	Key string
	Parcel
	Trouble string // why it was not taken the last time; empty: not tried, or under way
}

// PostParts is what the post is made of.
type PostParts struct {
	Mail    Mail
	Box     string
	ID      string // tells this journal from others of the box
	Dir     string // where the files of parcels lie
	Journal *journal.Journal
	Log     *slog.Logger
	// Done tells the journal that a parcel was taken, or refused for good. It may be asked
	// twice for one, over a power cut, and writes it down once.
	Done func(context.Context, Parcel) error
}

// Post brings papers to people by mail: a follower with a queue of its own, so
// that a slow mail with papers holds up no message that should wake somebody.
// Quiet hours and the rota are no matter of it: somebody asked for it now.
type Post struct {
	parts PostParts
	news  chan struct{} // one slot

	files sync.Mutex // files are put down and cleared away by one at a time

	mu      sync.Mutex // guards what follows
	sending string     // the key of the one under way
	trouble map[string]string
	state   journal.FollowerState
}

// NewPost makes the post. It starts nothing.
func NewPost(p PostParts) *Post {
	return &Post{parts: p, news: make(chan struct{}, 1), trouble: map[string]string{},
		state: journal.FollowerState{Name: "outbox:papers", Sentence: "not started yet"}}
}

// What keeps a parcel from being sent off.
var (
	ErrPostAddress = errors.New("that is no mail address")
	ErrPostFull    = errors.New("too many mails with papers wait already")
	ErrPostLarge   = errors.New("the papers are too large for a mail")
	ErrPostTwice   = errors.New("the same mail is on its way already")
	ErrPostGone    = errors.New("that mail is sent already, or under way")
)

// Address is a mail address without a name beside it, in letters that every
// mail server takes, and that a note of a mark can carry.
func Address(text string) (string, error) {
	a, err := mail.ParseAddress(text)
	if err != nil || len(a.Address) > 120 ||
		strings.ContainsFunc(a.Address, func(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune(`,:;"<>()\`, r) }) {
		return "", ErrPostAddress
	}
	return a.Address, nil
}

// Put puts a parcel into the queue. It is durable when Put returns without error.
func (p *Post) Put(ctx context.Context, parcel Parcel) (err error) {
	if parcel.To, err = Address(parcel.To); err != nil {
		return err
	}
	p.files.Lock()
	defer p.files.Unlock()
	if err := os.MkdirAll(p.parts.Dir, 0o750); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, p.clear(ctx))
		}
	}()
	size := int64(0)
	for i := range parcel.Files {
		f := &parcel.Files[i]
		if err := p.keepFile(f, MostParcel-size); err != nil {
			return err
		}
		size += f.Size
	}
	if err := syncFolder(p.parts.Dir); err != nil {
		return err
	}
	err = p.parts.Journal.Change(func(tx *journal.Change) error {
		n, last, twice := 0, "", false
		err := tx.Each(postShelf, func(key string, body []byte) error {
			var other Parcel
			n, last = n+1, key
			err := json.Unmarshal(body, &other)
			twice = twice || other.To == parcel.To && slices.EqualFunc(other.Copies, parcel.Copies, func(a, b rules.Copy) bool { return a.Note() == b.Note() })
			return err
		})
		switch {
		case err != nil:
			return err
		case twice:
			return ErrPostTwice
		case n >= mostParcels:
			return ErrPostFull
		}
		next := 1
		if _, err := fmt.Sscanf(last, "%d", &next); err == nil {
			next++
		}
		return tx.Put(postShelf, fmt.Sprintf("%019d", next), parcel)
	})
	if err != nil {
		return err
	}
	p.wake()
	return nil
}

func (p *Post) wake() {
	select {
	case p.news <- struct{}{}:
	default:
	}
}

// keepFile puts a file's bytes down under their sum.
func (p *Post) keepFile(f *Enclosed, most int64) (err error) {
	tmp, err := os.CreateTemp(p.parts.Dir, ".new-*")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tmp.Close()) }()
	h := sha256.New()
	if f.Size, err = io.Copy(io.MultiWriter(tmp, h), io.LimitReader(f.Body, most+1)); err == nil && f.Size > most {
		err = ErrPostLarge
	}
	if f.Sum = hex.EncodeToString(h.Sum(nil)); err == nil {
		err = tmp.Sync()
	}
	if err == nil {
		err = os.Rename(tmp.Name(), filepath.Join(p.parts.Dir, f.Sum))
	}
	if err != nil {
		_ = os.Remove(tmp.Name()) // clear comes by again
	}
	return err
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// clear takes away the files that no parcel has any more. The caller holds files.
func (p *Post) clear(ctx context.Context) error {
	used := map[string]bool{}
	all, err := p.waiting(ctx)
	if err != nil {
		return err
	}
	for _, w := range all {
		for _, f := range w.Files {
			used[f.Sum] = true
		}
	}
	there, err := os.ReadDir(p.parts.Dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	for _, f := range there {
		if !used[f.Name()] {
			err = errors.Join(err, os.Remove(filepath.Join(p.parts.Dir, f.Name())))
		}
	}
	return err
}

func (p *Post) waiting(ctx context.Context) (all []Waiting, err error) {
	err = p.parts.Journal.Shelf(postShelf).Each(ctx, func(key string, body []byte) error {
		w := Waiting{Key: key}
		err := json.Unmarshal(body, &w.Parcel)
		all = append(all, w)
		return err
	})
	return all, err
}

// Waiting are the parcels on their way, oldest first.
func (p *Post) Waiting(ctx context.Context) ([]Waiting, error) {
	all, err := p.waiting(ctx)
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range all {
		all[i].Trouble = p.trouble[all[i].Key]
	}
	return all, err
}

// TakeBack takes a parcel out of the queue that the mail server has not got yet.
func (p *Post) TakeBack(ctx context.Context, key string) error {
	p.mu.Lock()
	defer p.mu.Unlock() // nothing is begun meanwhile
	if p.sending == key {
		return ErrPostGone
	}
	defer p.wake() // its files go
	return p.parts.Journal.Change(func(tx *journal.Change) error {
		var parcel Parcel
		ok, err := tx.Get(postShelf, key, &parcel)
		if err != nil {
			return err
		}
		if !ok || parcel.Taken || parcel.Refused != "" {
			return ErrPostGone
		}
		delete(p.trouble, key)
		return tx.Drop(postShelf, key)
	})
}

// State says how the post stands. It names no address: states go to logs and brokers.
func (p *Post) State() journal.FollowerState {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state
}

// Run sends what waits until ctx ends.
func (p *Post) Run(ctx context.Context) error {
	for pause := firstPause; ctx.Err() == nil; {
		failed, err := p.round(ctx)
		if ctx.Err() != nil {
			break
		}
		if err != nil {
			p.tell(false, "its queue cannot be read or kept: "+err.Error())
			failed = true
		}
		var again <-chan time.Time
		if failed {
			again = time.After(pause)
			pause = min(2*pause, longestPause)
		} else {
			pause = firstPause
		}
		select {
		case <-ctx.Done():
		case <-p.news:
		case <-again:
		}
	}
	return nil
}

// round tries each parcel once: one that its own server turns away for now holds up no other.
func (p *Post) round(ctx context.Context) (failed bool, err error) {
	all, err := p.waiting(ctx)
	if err != nil {
		return true, err
	}
	left := int64(len(all))
	for _, w := range all {
		p.mu.Lock()
		p.state.Waiting, p.sending = left, w.Key
		p.mu.Unlock()
		err := p.deliver(ctx, w)
		p.mu.Lock()
		p.sending = ""
		if delete(p.trouble, w.Key); err == nil {
			left--
		} else if ctx.Err() == nil {
			failed, p.trouble[w.Key] = true, serversWords(err.Error())
		}
		p.state.Waiting = left
		p.mu.Unlock()
	}
	if ctx.Err() != nil { // what a stop cut short says nothing of the server, nor is anything up to date
		return false, ctx.Err()
	}
	if failed {
		p.tell(false, fmt.Sprintf("%d mails with papers wait, and the mail server %s does not take them now; they are kept and sent again until it does. The page Record says why", left, p.parts.Mail.Server))
	} else {
		p.tell(true, "up to date")
	}
	p.files.Lock()
	defer p.files.Unlock()
	return failed, p.clear(ctx)
}

func (p *Post) tell(ok bool, sentence string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if changed := p.state.OK != ok || p.state.Sentence != sentence; changed && !ok {
		p.parts.Log.Warn("outbox waits", "destination", "papers", "why", sentence)
	}
	p.state.OK, p.state.Sentence = ok, sentence
}

// deliver brings one parcel to its end: sent, told, dropped, each kept before the
// next. A cut between the server's yes and our keeping of it sends it again
// under the same Message-ID.
func (p *Post) deliver(ctx context.Context, w Waiting) error {
	parcel := w.Parcel
	ok, err := p.parts.Journal.Shelf(postShelf).Get(ctx, w.Key, &parcel)
	if err != nil || !ok { // taken back meanwhile
		return err
	}
	if !parcel.Taken && parcel.Refused == "" {
		err := p.send(ctx, w.Key, parcel)
		var r *refusal
		switch {
		case errors.As(err, &r):
			parcel.Refused = inOneLine(serversWords(r.text))
		case err != nil:
			return err
		default:
			parcel.Taken = true
		}
		if err := p.parts.Journal.Shelf(postShelf).Put(w.Key, parcel); err != nil {
			return fmt.Errorf("the journal cannot keep how the mail went: %w", err)
		}
	}
	if err := p.parts.Done(ctx, parcel); err != nil {
		return err
	}
	if parcel.Refused != "" {
		p.parts.Log.Warn("outbox: a mail with papers was refused for good; the page Record says why", "destination", "papers")
	}
	p.mu.Lock()
	if parcel.Refused == "" {
		p.state.LastDone = time.Now()
	}
	p.mu.Unlock()
	return p.parts.Journal.Shelf(postShelf).Drop(w.Key)
}

// serversWords are what a mail server said, without the library's frame: the
// address and the message stand beside it anyway.
func serversWords(text string) string {
	text, _, _ = strings.Cut(text, ", affected recipient")
	if i := strings.Index(text, " command: "); i >= 0 && strings.HasPrefix(text, "sending SMTP ") {
		text = text[i+len(" command: "):]
	}
	return text
}

// inOneLine makes another side's words fit for a mark's note.
func inOneLine(text string) string { return cut(strings.Join(strings.Fields(text), " "), 200) }

// send sends a parcel; a *refusal where it will never be taken.
func (p *Post) send(ctx context.Context, key string, parcel Parcel) error {
	b := &mailbox{p.parts.Mail, parcel.To}
	size := int64(0)
	for _, f := range parcel.Files {
		size += f.Size
	}
	b.Timeout += time.Duration(size/slowestLink) * time.Second
	msg, err := b.begin(fmt.Sprintf("%s-%s-papers-%d-%s", plain(p.parts.Box), plain(p.parts.ID), parcel.After, strings.TrimLeft(key, "0")))
	if err != nil {
		return &refusal{err.Error()}
	}
	msg.Subject(inOneLine(parcel.Subject))
	msg.SetBodyString(gomail.TypeTextPlain, parcel.Text)
	for _, f := range parcel.Files {
		file, err := os.Open(filepath.Join(p.parts.Dir, f.Sum))
		if err != nil {
			return fmt.Errorf("the file %s of a mail is gone from the box: %w; take the mail back and send it anew", f.Name, err)
		}
		defer file.Close()
		if err := f.is(file); err != nil {
			return err
		}
		msg.AttachReadSeeker(f.Name, file, f.named)
	}
	return b.post(ctx, msg)
}

// is sees that a file still is what was sent off.
func (f Enclosed) is(file io.ReadSeeker) error {
	h := sha256.New()
	if _, err := io.Copy(h, file); err != nil {
		return err
	}
	if hex.EncodeToString(h.Sum(nil)) != f.Sum {
		return fmt.Errorf("the file %s of a mail was changed on the box's disk; take the mail back and send it anew", f.Name)
	}
	_, err := file.Seek(0, io.SeekStart)
	return err
}

// named gives an attachment its name by RFC 2231 where it has other letters:
// the library would write an encoded word into a parameter, which RFC 2047 forbids.
func (f Enclosed) named(file *gomail.File) {
	media, params, err := mime.ParseMediaType(f.Media)
	if err != nil {
		media, params = "application/octet-stream", map[string]string{}
	}
	params["name"] = f.Name
	file.Header.Set("Content-Type", mime.FormatMediaType(media, params))
	file.Header.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.Name}))
}
