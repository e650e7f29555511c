package record

import (
	"context"
	"math"
	"strconv"
	"time"

	"standwatch/daemon/journal"
)

// stood is where a journal stood when something was made of it. What comes
// meanwhile is left out, so that all parts of a bundle rest on the same, and
// who makes them anew from it finds them equal.
type stood struct {
	entries uint64       // its last one
	finding int64        // the newest finding's number
	chain   journal.Kept // its end
}

func stand(ctx context.Context, r *journal.Reader) (s stood, err error) {
	if s.entries, err = r.Last(ctx); err != nil {
		return s, err
	}
	newest, err := r.FindingsBefore(ctx, math.MaxInt64, 1)
	for _, f := range newest {
		s.finding = f.ID
	}
	if err != nil {
		return s, err
	}
	s.chain, err = r.KeptEnd(ctx)
	return s, err
}

// Chained says how well the chain proves the entries that something rests on.
type Chained struct {
	// Late entries were there before their chain was kept: who changed them
	// before that left no trace in it.
	Late uint64 `json:"late,omitempty"`
	// Kept is the last entry that was chained while the box ran, within a minute
	// or so of its coming. Those behind it are chained with the paper or bundle.
	Kept  uint64 `json:"kept"`
	Since string `json:"unchained_since,omitempty"` // when the first of those behind came, where a clock told
}

// chainedAt is how well entries up to one are chained.
func (s stood) chainedAt(ctx context.Context, r *journal.Reader, anchors journal.Anchors, to uint64) (c Chained, err error) {
	if c.Late, c.Kept = s.chain.Chained(to); c.Kept == to || c.Late == to {
		return c, nil
	}
	for e, err := range r.Entries(ctx, c.Kept+1, c.Kept+1, nil) {
		if err != nil {
			return c, err
		}
		if ms, ok := anchors.Wall(e.At); ok {
			c.Since = wallText(ms)
		}
	}
	return c, nil
}

// wallText is a time of day as a manifest has it.
func wallText(ms int64) string {
	return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z")
}

// Behind is how many entries are chained with the paper or bundle only, where
// the chain was kept at all.
func (c Chained) Behind(entries uint64) uint64 {
	if c.Late >= entries {
		return 0
	}
	return entries - c.Kept
}

// Says says what the chain does not prove, a sentence each; none where it was
// kept from the first entry to the last.
func (c Chained) Says(entries uint64) (said []string) {
	switch {
	case c.Late >= entries:
		return []string{wordsProofNow}
	case c.Late > 0:
		said = append(said, "The first "+strconv.FormatUint(c.Late, 10)+wordsProofLate)
	}
	if n := c.Behind(entries); n > 0 {
		since := ""
		if c.Since != "" {
			since = ", come since " + c.Since + ","
		}
		said = append(said, "The last "+numberOf(int(n), "entry", "entries")+since+wordsProofBehind)
	}
	return said
}

// Proof is what a paper carries of the bundle that proves it: who compares the
// two knows that they are of one box and one journal.
type Proof struct {
	Fingerprint string       // of the key that signs
	Entries     uint64       // to which the paper rests on the journal
	Head        journal.Hash // of the chain, there
	Chained     Chained
}

// prove returns the proof of what a record rests on, as a bundle made with it has it.
func prove(ctx context.Context, r *journal.Reader, fingerprint string, rec Record) (p Proof, err error) {
	p = Proof{Fingerprint: fingerprint, Entries: rec.Entries, Chained: rec.chained}
	p.Head, err = r.Head(ctx, p.Entries)
	return p, err
}

// Lay writes the proof's part of the paper.
func (p Proof) Lay() []Block {
	facts := Facts{{wordsProofHead, p.Head.String()}, {wordsProofEntries, strconv.FormatUint(p.Entries, 10)}}
	if p.Fingerprint != "" { // else none has been needed yet
		facts = append(Facts{{wordsProofKey, p.Fingerprint}}, facts...)
	}
	blocks := []Block{
		Heading{Level: 2, Text: wordsProof, ID: "proof"},
		Paragraph{Text: wordsProofWhat},
		facts,
		Paragraph{Tone: Small, Text: wordsProofHow},
	}
	for _, s := range p.Chained.Says(p.Entries) {
		blocks = append(blocks, Paragraph{Tone: Small, Text: s})
	}
	return blocks
}
