package record

import (
	"context"
	"strconv"

	"standwatch/daemon/journal"
)

// Proof is what a paper carries of the bundle that proves it: who compares the
// two knows that they are of one box and one journal.
type Proof struct {
	Fingerprint string       // of the key that signs
	Entries     uint64       // to which the paper rests on the journal
	Head        journal.Hash // of the chain, there
	Late        uint64       // entries that were there before the chain was kept
}

// Prove returns the proof of a journal up to an entry (0: to its end), as a
// bundle made there has it.
func Prove(ctx context.Context, r *journal.Reader, key Key, to uint64) (p Proof, err error) {
	p = Proof{Fingerprint: key.Fingerprint(), Entries: to}
	if to == 0 {
		if p.Entries, err = r.Last(ctx); err != nil {
			return p, err
		}
	}
	if p.Late, err = r.ChainedLate(ctx, p.Entries); err != nil {
		return p, err
	}
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
	switch {
	case p.Late >= p.Entries:
		blocks = append(blocks, Paragraph{Tone: Small, Text: wordsProofNow})
	case p.Late > 0:
		blocks = append(blocks, Paragraph{Tone: Small, Text: "The first " + strconv.FormatUint(p.Late, 10) + wordsProofLate})
	}
	return blocks
}
