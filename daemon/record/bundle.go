package record

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"

	"standwatch/daemon/fieldlog"
	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// The parts of a bundle that prove the others.
const (
	partEntries  = "entries.jsonl" // every entry, a line each, as the chain hashes them
	partChain    = "chain.txt"     // a link a line: first entry, last entry, hash
	partLog      = "field-log.csv" // the entries as `export` writes them
	partFindings = "findings.jsonl"
	partSite     = "site.jsonl"    // what the site file said, and from which entry on
	partEarlier  = "earlier.jsonl" // what earlier visits left, where a mark took one in
	partReadMe   = "how-to-check.txt"
	partScript   = "how-to-check.sh"
	partManifest = "manifest.json"
	partSigned   = "manifest.sig"
	photoFolder  = "photos/"
)

const bundleFormat = "standwatch bundle 1"

// Part is one file of a bundle.
type Part struct {
	Name  string
	Write func(io.Writer) error
}

// Bundled is what a bundle is made of.
type Bundled struct {
	Journal *journal.Reader
	Key     Key
	Program string // which standwatch made it, without the processor's kind
	Record  Record // the one in it; the entries are the whole journal's
	Parts   []Part // the record, in each of its forms
}

// Manifest says what a bundle holds. Its signature covers it, and by it every byte.
type Manifest struct {
	Format  string       `json:"format"`
	Program string       `json:"program"`
	System  string       `json:"system,omitempty"`
	Job     int          `json:"job,omitempty"`
	Entries uint64       `json:"entries"`
	From    string       `json:"from,omitempty"` // of the first and the last entry, where a clock told it
	To      string       `json:"to,omitempty"`
	Head    journal.Hash `json:"head"`
	Chained
	Key   string    `json:"key"`
	Parts []partSum `json:"parts"`
}

// everyBundle are the parts without which none is whole: the record in each
// form of PartsOf, and what it rests on.
var everyBundle = []string{
	"record.pdf", "record.html", "record.csv", "record.json", "label.pdf", "label.txt",
	partLog, partFindings, partSite, partEntries, partChain, partReadMe, partScript,
}

const howToCheck = `This is the record of a start-up, with everything it rests on.

  standwatch verify BUNDLE     says whether every byte is as the box signed it.

Compare the fingerprint that it prints with the one on the paper that was handed
over or on the label in the panel. Without that program,

  sh how-to-check.sh BUNDLE [FINGERPRINT]

does the same with openssl (3.0 or later), unzip and sha256sum; read it before
you run it. Any other program can, by this:

1. manifest.sig is the ed25519 signature (RFC 8032), in hexadecimal, of the bytes
   of manifest.json, by the public key that manifest.json names. The fingerprint
   is the SHA-256 of those 32 bytes.
2. manifest.json has the size and SHA-256 of every other part.
3. entries.jsonl has all that was measured and marked, a line each, in order.
   chain.txt has one line a link: its first entry, its last, its hash. The hash of
   a link is the SHA-256 of the hash before it (32 bytes) and of its lines with
   their line feeds; before the first stands the SHA-256 of "standwatch chain 1"
   and a line feed. The last hash is the head in manifest.json.
   The entries behind "kept" in manifest.json were chained when this bundle was
   made and not before; the first "late" of them had come before any chain.
4. photos/ has pictures, each called by its own SHA-256, as the marks among the
   entries name it.
5. field-log.csv has the same entries as people read them, with the wall times
   that the clock anchors among them give. findings.jsonl has what was said of
   them at the time, site.jsonl what the site file said.

Nothing was edited: a correction is a later entry. The tool opens and closes
nothing, and does not replace the equipment manual, the code official or a
qualified technician.
`

// Bundle writes the bundle of a journal as it stands. The same journal, key and
// program give the same bytes.
func Bundle(ctx context.Context, out io.WriteSeeker, b Bundled) (m Manifest, err error) {
	if b.Key.private == nil {
		return m, errors.New("the box has no key to sign with: what is wrong with it stands in the box's log, and standwatch bundle says it too")
	}
	m = Manifest{Format: bundleFormat, Program: b.Program, System: b.Record.System.Name, Job: b.Record.Job.Number, Key: hex.EncodeToString(b.Key.public())}
	now := b.Record.stood
	if now.entries == 0 {
		if now, err = stand(ctx, b.Journal); err != nil {
			return m, err
		}
	}
	to := now.entries
	if to == 0 {
		return m, errors.New("the journal holds no entry yet: there is nothing to prove")
	}
	marks, anchors, err := marksTo(ctx, b.Journal, to)
	if err != nil {
		return m, err
	}
	if m.Chained, err = now.chainedAt(ctx, b.Journal, anchors, to); err != nil {
		return m, err
	}
	z := &zipWriter{out: out}
	c := &carried{journal: b.Journal, stood: now, anchors: anchors}
	with := func(f func(context.Context, io.Writer) error) func(io.Writer) error {
		return func(w io.Writer) error { return f(ctx, w) }
	}
	parts := slices.Clone(b.Parts)
	parts = append(parts, Part{partLog, with(c.writeLog)}, Part{partFindings, with(c.writeFindings)}, Part{partSite, with(c.writeSite)})
	if named := visitsOf(marks); len(named) > 0 {
		parts = append(parts, Part{partEarlier, func(w io.Writer) error { return writeEarlier(ctx, b.Journal, named, w) }})
	}
	for _, name := range photosOf(marks) {
		size, err := b.Journal.PhotoSize(ctx, name)
		if err != nil {
			return m, err
		}
		if size > 0 {
			parts = append(parts, Part{photoFolder + name + ".jpg", func(w io.Writer) error { // one is in memory at a time
				picture, err := b.Journal.Photo(ctx, name)
				if err == nil {
					_, err = w.Write(picture)
				}
				return err
			}})
		}
	}
	parts = append(parts, Part{partEntries, with(c.writeEntries)}, Part{partChain, c.writeChain}, partOf(partReadMe, []byte(howToCheck)), partOf(partScript, checkScript))
	for _, p := range parts {
		if err := ctx.Err(); err != nil {
			return m, err
		}
		if err := z.add(p.Name, deflated, p.Write); err != nil {
			return m, err
		}
	}
	m.Entries, m.Head = to, c.head
	m.From, m.To = c.times.texts()
	for _, p := range z.parts {
		m.Parts = append(m.Parts, p.partSum)
	}
	return m, writeManifest(z, m, b.Key)
}

// writeManifest ends a bundle. Neither part is packed, so that both are found
// where the rest is damaged.
func writeManifest(z *zipWriter, m Manifest, k Key) error {
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return err
	}
	text = append(text, '\n')
	signed := []byte(hex.EncodeToString(k.sign(text)) + "\n")
	for _, p := range []Part{partOf(partManifest, text), partOf(partSigned, signed)} {
		if err := z.add(p.Name, stored, p.Write); err != nil {
			return err
		}
	}
	return z.finish()
}

func partOf(name string, body []byte) Part {
	return Part{name, func(w io.Writer) error { _, err := w.Write(body); return err }}
}

// photoName is how a mark names a photo (journal.KeepPhoto).
var photoName = regexp.MustCompile(`\b[0-9a-f]{64}\b`)

// photosOf are the names of photos that marks have, in order.
func photosOf(marks []rules.Entry) (names []string) {
	for _, e := range marks {
		if t, ok := e.Body.(*rules.Told); ok && t.Name != rules.MarkEarlier { // whose sum is a bundle's
			names = append(names, photoName.FindAllString(t.Note, -1)...)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// carried writes the parts that carry the journal out.
type carried struct {
	journal *journal.Reader
	stood   stood
	anchors journal.Anchors
	links   []journal.Link
	head    journal.Hash
	times   span
}

func (c *carried) writeEntries(ctx context.Context, w io.Writer) error {
	kept, err := c.journal.Kept(ctx)
	if err != nil {
		return err
	}
	kept.Tail = c.stood.chain.Tail // what was behind the last link then; links only come to the others
	chain := journal.NewChainer(journal.Link{Hash: journal.ChainBegin()})
	for line, err := range c.journal.Lines(ctx, 1, c.stood.entries) {
		if err != nil {
			return err
		}
		if _, err := w.Write(line); err != nil {
			return err
		}
		link, full := chain.Add(line)
		if err := kept.Check(chain, link, full); err != nil {
			return err
		}
		if full {
			c.links = append(c.links, link)
		}
	}
	if link, ok := chain.End(); ok {
		c.links = append(c.links, link)
	}
	c.head = c.links[len(c.links)-1].Hash
	return nil
}

func (c *carried) writeChain(w io.Writer) error {
	for _, l := range c.links {
		if _, err := fmt.Fprintf(w, "%d %d %s\n", l.First, l.Last, l.Hash); err != nil {
			return err
		}
	}
	return nil
}

func (c *carried) writeLog(ctx context.Context, w io.Writer) (err error) {
	log := newLogOf(w, c.anchors)
	for line, err := range c.journal.Lines(ctx, 1, c.stood.entries) {
		if err != nil {
			return err
		}
		l, err := journal.ReadLine(line)
		if err == nil {
			err = log.write(l)
		}
		if err != nil {
			return fmt.Errorf("entry %d: %w", l.Seq, err)
		}
	}
	c.times = log.span
	return log.w.Flush()
}

func (c *carried) writeFindings(ctx context.Context, w io.Writer) error {
	for after := int64(0); ; {
		page, err := c.journal.Findings(ctx, after, 1000)
		if err != nil {
			return err
		}
		var b bytes.Buffer
		for _, f := range page {
			after = f.ID
			if f.Seq > c.stood.entries || f.ID > c.stood.finding {
				continue
			}
			text, err := json.Marshal(f.Finding)
			if err != nil {
				return err
			}
			b.Write(append(text, '\n'))
		}
		if _, err := w.Write(b.Bytes()); err != nil {
			return err
		}
		if len(page) < 1000 {
			return nil
		}
	}
}

func (c *carried) writeSite(ctx context.Context, w io.Writer) error {
	return c.journal.EachShelved(ctx, siteShelf, func(key string, body []byte) error {
		from, err := strconv.ParseUint(key, 10, 64)
		if err != nil || from > c.stood.entries {
			return err
		}
		_, err = fmt.Fprintf(w, "{\"from\":%d,\"said\":%s}\n", from, body)
		return err
	})
}

// logOf writes the field log of lines.
type logOf struct {
	w        *fieldlog.Writer
	rows     *fieldlog.Export
	quantity sensors.Quantity // of the line under way
	wall     func(rules.Instant) (int64, bool)
	span     span
}

// span is from when to when entries were made, in Unix ms, where a clock told.
type span struct {
	from, to int64
	known    bool
}

func (s *span) add(ms int64) {
	if !s.known {
		s.from, s.known = ms, true
	}
	s.to = ms
}

// texts are the two in RFC 3339, empty where no clock told.
func (s span) texts() (from, to string) {
	if !s.known {
		return "", ""
	}
	return wallText(s.from), wallText(s.to)
}

func newLogOf(w io.Writer, anchors journal.Anchors) *logOf {
	l := &logOf{w: fieldlog.NewWriter(w), wall: anchors.Wall}
	l.rows = fieldlog.NewExport(func(string) sensors.Quantity { return l.quantity }, anchors.Wall)
	return l
}

func (l *logOf) write(line journal.Line) error {
	l.quantity = line.Quantity
	if ms, ok := l.wall(line.At); ok {
		l.span.add(ms)
	}
	row, ok := l.rows.Row(line.Entry)
	if !ok {
		return nil
	}
	return l.w.Write(row)
}
