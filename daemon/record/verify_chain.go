package record

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// checkChain looks for what every bundle has, makes the chain anew from the
// entries, and the field log from them.
func (v *verifier) checkChain() {
	entries, has := v.bodies[partEntries]
	chain, also := v.bodies[partChain]
	log, logged := v.bodies[partLog]
	for _, name := range everyBundle {
		if _, ok := v.bodies[name]; !ok && !v.faulty(name) {
			v.fault(name, "%s is missing: every bundle has it, and this one was signed without.", name)
		}
	}
	if !has || !also {
		return
	}
	r, ok := v.relink(entries, chain)
	if !ok || !entries.good || !chain.good {
		return
	}
	switch {
	case r.head != v.Manifest.Head:
		v.fault(partManifest, "The chain ends with %s and the manifest says %s.", r.head, v.Manifest.Head)
	case r.entries != v.Manifest.Entries:
		v.fault(partManifest, "There are %d entries and the manifest says %d.", r.entries, v.Manifest.Entries)
	}
	if !v.keptWhole(r) {
		v.fault(partManifest, "The manifest says that the chain was kept to entry %d, and of the first %d that it was late; there are %d.", v.Manifest.Kept, v.Manifest.Late, r.entries)
	}
	v.checkPhotos(r.photos)
	if logged {
		v.compareLog(entries, log, r.anchors)
	}
}

// keptWhole reports whether what the manifest says of the chain can be so.
func (v *verifier) keptWhole(r relinked) bool {
	return v.Manifest.Late <= r.entries && v.Manifest.Kept <= r.entries
}

// checkPhotos compares the pictures with the marks that name them. One that is
// named and not here the journal may not have held.
func (v *verifier) checkPhotos(named map[string]bool) {
	for _, p := range v.parts {
		name, ok := strings.CutPrefix(p.Name, photoFolder)
		if !ok {
			continue
		}
		name = strings.TrimSuffix(name, ".jpg")
		switch {
		case name != p.SHA256.String():
			v.fault(p.Name, "%s is another picture than the one that a mark names.", p.Name)
		case !named[name]:
			v.fault(p.Name, "%s is a picture that no mark names.", p.Name)
		}
		delete(named, name)
	}
	v.PhotosMissing = len(named)
}

func (v *verifier) faulty(part string) bool {
	for _, f := range v.Faults {
		if f.Part == part {
			return true
		}
	}
	return false
}

// relinked is what the entries came to.
type relinked struct {
	head    journal.Hash
	entries uint64
	anchors journal.Anchors
	photos  map[string]bool // that marks name
}

// relink puts the entries through the chain, link by link against what
// chain.txt says of it: so a changed link is told by its numbers, and those
// behind it are not.
func (v *verifier) relink(entries, chain body) (r relinked, ok bool) {
	r.anchors, r.photos = journal.Anchors{}, map[string]bool{}
	said := bufio.NewScanner(v.unpack(chain.placed, chain.body()))
	lines := bufio.NewReaderSize(v.unpack(entries.placed, entries.body()), 1<<16)
	behind := journal.Link{Hash: journal.ChainBegin()}
	told := len(v.Faults)
	c := journal.NewChainer(behind)
	compare := func(link journal.Link) bool {
		want, err := nextLink(said)
		if err != nil || want.First != link.First || want.Last != link.Last {
			if chain.good || entries.good {
				v.faultLink(partChain, link, "Where chain.txt should have the link of entries %d to %d it does not.")
			}
			return false
		}
		if want.Hash != link.Hash {
			part := partEntries
			if entries.good && !chain.good {
				part = partChain
			}
			v.faultLink(part, link, "The chain is broken in the link of entries %d to %d: the entries are not those that were chained, or their hash was changed.")
		}
		behind = want // what follows is judged for itself
		return true
	}
	for {
		line, err := readLine(lines)
		if errors.Is(err, io.EOF) {
			break
		}
		var l journal.Line
		if err == nil {
			l, err = journal.ReadLine(line)
		}
		if err == nil && l.Seq != r.entries+1 {
			err = fmt.Errorf("it has the number %d", l.Seq)
		}
		if err == nil && len(r.anchors) > mostAnchors {
			err = errors.New("a journal has no million starts")
		}
		if err != nil {
			first := r.entries - r.entries%journal.LinkEntries + 1
			v.faultLink(partEntries, journal.Link{First: first, Last: first + journal.LinkEntries - 1},
				fmt.Sprintf("Entry %d cannot be read (%v), which belongs to the link of entries %%d to %%d.", r.entries+1, err))
			return r, false
		}
		r.entries++
		r.anchors.Tell(l.Entry)
		for _, name := range photosOf([]rules.Entry{l.Entry}) {
			r.photos[name] = true
		}
		if link, full := c.Add(line); full {
			r.head = link.Hash
			if !compare(link) {
				return r, false
			}
			c = journal.NewChainer(behind)
		}
	}
	if link, any := c.End(); any {
		r.head = link.Hash
		if !compare(link) {
			return r, false
		}
	}
	if said.Scan() && (chain.good || entries.good) {
		v.fault(partChain, "chain.txt has more links than there are entries.")
	}
	return r, len(v.Faults) == told
}

func (v *verifier) faultLink(part string, l journal.Link, format string) {
	v.Faults = append(v.Faults, Fault{Part: part, First: l.First, Last: l.Last, Description: fmt.Sprintf(format, l.First, l.Last)})
}

// readLine reads a line with its line feed, of a bounded length.
func readLine(in *bufio.Reader) (line []byte, err error) {
	for {
		part, err := in.ReadSlice('\n')
		if err == nil && line == nil {
			return part, nil
		}
		line = append(line, part...)
		switch {
		case err == nil:
			return line, nil
		case errors.Is(err, bufio.ErrBufferFull) && len(line) <= mostLine:
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, errors.New("it is longer than any entry")
		case errors.Is(err, io.EOF) && len(line) > 0:
			return nil, io.ErrUnexpectedEOF
		default:
			return nil, err
		}
	}
}

var errLink = errors.New("no link")

// nextLink reads a line of chain.txt, in the one form that it has.
func nextLink(in *bufio.Scanner) (l journal.Link, err error) {
	if !in.Scan() {
		return l, errLink
	}
	f := strings.Split(in.Text(), " ")
	if len(f) != 3 {
		return l, errLink
	}
	l.First, _ = strconv.ParseUint(f[0], 10, 64)
	l.Last, _ = strconv.ParseUint(f[1], 10, 64)
	if err := l.Hash.UnmarshalText([]byte(f[2])); err != nil {
		return l, err
	}
	return l, nil
}

// compareLog makes the field log from the entries and compares it with the one in the bundle.
func (v *verifier) compareLog(entries, log body, anchors journal.Anchors) {
	same := &comparer{in: bufio.NewReaderSize(v.unpack(log.placed, log.body()), 1<<16), line: 1}
	out := newLogOf(same, anchors)
	lines := bufio.NewReaderSize(v.unpack(entries.placed, entries.body()), 1<<16)
	for {
		line, err := readLine(lines)
		if err != nil {
			break // it was read through before: it is the end
		}
		l, err := journal.ReadLine(line)
		if err == nil {
			err = out.write(l)
		}
		if err != nil {
			break
		}
	}
	if out.w.Flush() != nil || !same.atEnd() {
		v.fault(partLog, "%s is not what the entries give, from line %d on.", partLog, same.line)
		return
	}
	if from, to := out.span.texts(); from != v.Manifest.From || to != v.Manifest.To {
		v.fault(partManifest, "The entries are from %q to %q and the manifest says %.40q to %.40q.", from, to, v.Manifest.From, v.Manifest.To)
	}
}

// comparer compares what is written to it with what it reads.
type comparer struct {
	in   *bufio.Reader
	line int
}

var errDiffers = errors.New("it differs")

func (c *comparer) Write(b []byte) (int, error) {
	got := make([]byte, len(b))
	n, _ := io.ReadFull(c.in, got)
	for i := range b {
		if i >= n || got[i] != b[i] {
			return i, errDiffers
		}
		if b[i] == '\n' {
			c.line++
		}
	}
	return len(b), nil
}

func (c *comparer) atEnd() bool {
	_, err := c.in.ReadByte()
	return errors.Is(err, io.EOF)
}
