package rules

import (
	"cmp"
	"encoding/hex"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A job's papers are left behind with several people, and which copy has gone
// where is read from marks. A mark's note reads
//
//	copy          [SYSTEM: ][job N: ]WHAT to WHOM, HOW[, of entry N][, sha256 SUM][, by WHO]
//	copy-refused  [SYSTEM: ][job N: ]WHAT to WHOM, mail ADDRESS[, of entry N][, sha256 SUM], refused: WHY[, by WHO]
//
// such as `south: job 1: record to owner, mail ines@example.org, of entry 4711,
// sha256 9f86.., by Ana`. The entry is the journal's newest when the paper was
// made, for a mail may be taken days later. A download that nobody has passed on
// yet is to nobody: `bundle, download, by Ana`.

// Copy is one copy of a job's papers, with where it went.
type Copy struct {
	JobMark        // Text is empty; By is who saw to it
	What    string // bundle, record, label
	To      string // one of CopiesDue, or anybody else; empty: nobody yet
	How     string // mail ADDRESS, stick, download, hand
	Of      uint64 // the newest entry that it can hold; 0: not known, and then its mark's
	Sum     string // SHA-256 of its bytes, in hex; empty: not known
	Refused string // why it did not go; empty: it went
}

// Holds is the newest entry that a copy can hold.
func (c Copy) Holds() uint64 { return cmp.Or(c.Of, c.Seq) }

// CopiesDue are those who keep a copy (the field guide, step 10).
var CopiesDue = []string{"unit panel", "owner", "main contractor", "installer", "commissioning file"}

// The marks of a copy that went, and of one that was refused for good.
const (
	MarkCopy        = "copy"
	MarkCopyRefused = "copy-refused"
)

// Ways that a copy takes.
const (
	ByMail     = "mail" // and the address after a blank
	ByStick    = "stick"
	ByDownload = "download"
	ByHand     = "hand" // somebody's word for it
)

const (
	sumWord     = "sha256 "
	entryWord   = "of entry "
	refusedWord = ", refused: "
)

// Note is the mark's note.
func (c Copy) Note() string {
	note := c.What
	if c.To != "" {
		note += " to " + c.To
	}
	note += ", " + c.How
	if c.Of != 0 {
		note += ", " + entryWord + strconv.FormatUint(c.Of, 10)
	}
	if c.Sum != "" {
		note += ", " + sumWord + c.Sum
	}
	if c.Refused != "" { // in the other side's words, which are not to be read as ours
		note += refusedWord + strings.ReplaceAll(c.Refused, byWord, " by ")
	}
	return jobOf(c.System, c.Number) + said(note, c.By)
}

// ReadCopy reads a note of a copy; ok is false where it does not say what went or how.
func (j *Jobs) ReadCopy(note string) (c Copy, ok bool) {
	c.JobMark = j.ReadJobMark(note)
	text, refused, isRefused := strings.Cut(c.Text, refusedWord)
	parts := strings.Split(text, ", ")
	c.Text, c.Refused = "", strings.TrimSpace(refused)
	if n := len(parts) - 1; n > 1 && strings.HasPrefix(parts[n], sumWord) {
		c.Sum = strings.TrimPrefix(parts[n], sumWord)
		if sum, err := hex.DecodeString(c.Sum); err != nil || len(sum) != 32 {
			return c, false
		}
		parts = parts[:n]
	}
	if n := len(parts) - 1; n > 1 && strings.HasPrefix(parts[n], entryWord) {
		of, err := strconv.ParseUint(strings.TrimPrefix(parts[n], entryWord), 10, 64)
		if err != nil || of == 0 {
			return c, false
		}
		c.Of, parts = of, parts[:n]
	}
	if len(parts) < 2 {
		return c, false
	}
	what, how := strings.Join(parts[:len(parts)-1], ", "), parts[len(parts)-1]
	c.What, c.To, _ = strings.Cut(what, " to ")
	c.What, c.To, c.How = strings.TrimSpace(c.What), strings.TrimSpace(c.To), strings.TrimSpace(how)
	way, address, _ := strings.Cut(c.How, " ")
	known := slices.Contains([]string{ByMail, ByStick, ByDownload, ByHand}, way) && (way == ByMail) == (address != "")
	return c, c.What != "" && known && isRefused == (c.Refused != "")
}

// takeCopy adds a copy's mark to the job that it names. None holds what was not there yet.
func (j *Jobs) takeCopy(e Entry, b *Told) {
	c, ok := j.ReadCopy(b.Note)
	c.Mark, c.Seq, c.At, c.Own, c.By = b.Name, e.Seq, e.At, b.Own, cmp.Or(c.By, b.By)
	job := j.meant(&c.JobMark, b)
	switch {
	case job == nil:
	case !ok, c.Of > e.Seq, (c.Refused != "") != (b.Name == MarkCopyRefused):
		j.doubt(job.System, copyUnclear())
	case c.Refused != "":
		job.Refused = append(job.Refused, c)
	default:
		job.Copies = append(job.Copies, c)
	}
}

// CopyTo is the newest copy that somebody got; ok is false where there is none.
func (job Job) CopyTo(whom string) (Copy, bool) {
	for _, c := range slices.Backward(job.Copies) {
		if strings.EqualFold(c.To, whom) {
			return c, true
		}
	}
	return Copy{}, false
}

// Old reports whether a step of the job ended after a copy was made: it lacks
// what came of that. The hand-over's own end changes no paper.
func (job Job) Old(c Copy) bool { return c.Holds() < job.Ended }

// RefusedTo is the newest copy to somebody that was refused, where none has
// gone to him since.
func (job Job) RefusedTo(whom string) (Copy, bool) {
	gone, _ := job.CopyTo(whom)
	for _, c := range slices.Backward(job.Refused) {
		if strings.EqualFold(c.To, whom) {
			return c, c.Seq > gone.Seq
		}
	}
	return Copy{}, false
}

// SaidSince reports whether somebody has signed, or closed or reopened the job,
// after a copy was made: it lacks that word.
func (job Job) SaidSince(c Copy) bool {
	after := func(m JobMark) bool { return m.Seq > c.Holds() && m.Mark != MarkJobArchived }
	return slices.ContainsFunc(job.Said, after) || slices.ContainsFunc(job.Signed, func(s Signed) bool { return after(s.JobMark) })
}

// Due lists who has no copy yet, or an old one, of CopiesDue.
func (job Job) Due() (due []string) {
	for _, whom := range CopiesDue {
		if c, ok := job.CopyTo(whom); !ok || job.Old(c) {
			due = append(due, whom)
		}
	}
	return due
}

// CopiesGone reminds of the copies that are due when the hand-over ends, and
// says which were refused.
var CopiesGone = Rule{
	Name:  "copies-due",
	Doc:   "Tells at the end of the hand-over who has no copy of the record yet, or one from before the last step ended; and, at any time, that a mail with a copy was refused for good.",
	Flags: []string{"copies-due", "copy-refused"},
	Roles: []string{},
	Begin: func(s Start) Judge {
		j := &copiesGone{system: s.System, jobs: s.Jobs}
		for _, f := range s.Open {
			if f.Flag == "copies-due" {
				j.up = true
			} else {
				j.refused = append(j.refused, f.Subject)
			}
		}
		return j
	},
}

type copiesGone struct {
	system  string
	jobs    *Jobs
	up      bool
	refused []string // to whom
}

func (j *copiesGone) Next(e Entry) (found []Finding) {
	b, ok := e.Body.(*Told)
	if !ok || j.jobs == nil {
		return nil
	}
	job, ok := j.jobs.Newest(j.system)
	if !ok {
		return nil
	}
	due := job.Due()
	begun := b.Kind == "mark" && b.Name == MarkJobBegun && job.Begun.Seq == e.Seq && job.Number > 1
	switch {
	case b.Kind == "end" && b.Name == "hand-over" && len(due) > 0 && !j.up:
		j.up = true
		found = append(found, Finding{Edge: Raised, Flag: "copies-due", Urgency: Tell, Text: copiesDue(due, len(job.Copies) > 0)})
	case j.up && len(due) == 0:
		j.up = false
		found = append(found, Finding{Edge: Cleared, Flag: "copies-due", Text: copiesAllGone})
	case j.up && begun:
		j.up = false
		found = append(found, Finding{Edge: Cleared, Flag: "copies-due", Text: copiesLeft(due)})
	}
	return append(found, j.refusals(e, begun)...)
}

// refusals says which mails were refused, and when that is mended.
func (j *copiesGone) refusals(e Entry, begun bool) (found []Finding) {
	for _, job := range j.jobs.of[j.system] {
		for _, c := range job.Refused {
			if c.Seq == e.Seq && !slices.Contains(j.refused, c.To) {
				j.refused = append(j.refused, c.To)
				found = append(found, Finding{Edge: Raised, Flag: "copy-refused", Subject: c.To, Urgency: Tell, Text: copyRefused(c)})
			}
		}
		for _, c := range job.Copies {
			if i := slices.Index(j.refused, c.To); i >= 0 && c.Seq == e.Seq {
				j.refused = slices.Delete(j.refused, i, i+1)
				found = append(found, Finding{Edge: Cleared, Flag: "copy-refused", Subject: c.To, Text: copyGoneSince(c)})
			}
		}
	}
	if begun {
		for _, whom := range j.refused {
			found = append(found, Finding{Edge: Cleared, Flag: "copy-refused", Subject: whom, Text: copyRefusedLeft(whom)})
		}
		j.refused = nil
	}
	return found
}

func (j *copiesGone) Due() (time.Duration, bool) { return 0, false }
