package rules

import (
	"cmp"
	"encoding/hex"
	"slices"
	"strings"
	"time"
)

// A job's papers are left behind with several people, and which copy has gone
// where is read from marks. A mark's note reads
//
//	copy  [SYSTEM: ][job N: ]WHAT to WHOM, HOW[, sha256 SUM][, by WHO]
//
// such as `south: job 1: record to owner, mail ines@example.org, sha256 9f86..,
// by Ana`. A download that nobody has passed on yet is to nobody: `bundle,
// download, by Ana`.

// Copy is one copy of a job's papers, with where it went.
type Copy struct {
	JobMark        // Text is empty; By is who saw to it
	What    string // bundle, record, label
	To      string // one of CopiesDue, or anybody else; empty: nobody yet
	How     string // mail ADDRESS, stick, download, hand
	Sum     string // SHA-256 of its bytes, in hex; empty: not known
}

// CopiesDue are those who keep a copy (the field guide, step 10).
var CopiesDue = []string{"unit panel", "owner", "main contractor", "installer", "commissioning file"}

// MarkCopy is the name of a copy's mark.
const MarkCopy = "copy"

// Ways that a copy takes.
const (
	ByMail     = "mail" // and the address after a blank
	ByStick    = "stick"
	ByDownload = "download"
	ByHand     = "hand" // somebody's word for it
)

const sumWord = "sha256 "

// Note is the mark's note.
func (c Copy) Note() string {
	note := c.What
	if c.To != "" {
		note += " to " + c.To
	}
	note += ", " + c.How
	if c.Sum != "" {
		note += ", " + sumWord + c.Sum
	}
	return jobOf(c.System, c.Number) + said(note, c.By)
}

// ReadCopy reads a note of a copy; ok is false where it does not say what went or how.
func (j *Jobs) ReadCopy(note string) (c Copy, ok bool) {
	c.JobMark = j.ReadJobMark(note)
	parts := strings.Split(c.Text, ", ")
	c.Text = ""
	if n := len(parts) - 1; n > 1 && strings.HasPrefix(parts[n], sumWord) {
		c.Sum = strings.TrimPrefix(parts[n], sumWord)
		if sum, err := hex.DecodeString(c.Sum); err != nil || len(sum) != 32 {
			return c, false
		}
		parts = parts[:n]
	}
	if len(parts) < 2 {
		return c, false
	}
	what, how := strings.Join(parts[:len(parts)-1], ", "), parts[len(parts)-1]
	c.What, c.To, _ = strings.Cut(what, " to ")
	c.What, c.To, c.How = strings.TrimSpace(c.What), strings.TrimSpace(c.To), strings.TrimSpace(how)
	way, address, _ := strings.Cut(c.How, " ")
	known := slices.Contains([]string{ByMail, ByStick, ByDownload, ByHand}, way) && (way == ByMail) == (address != "")
	return c, c.What != "" && known
}

// takeCopy adds a copy's mark to the job that it names.
func (j *Jobs) takeCopy(e Entry, b *Told) {
	c, ok := j.ReadCopy(b.Note)
	c.Mark, c.Seq, c.At, c.Own, c.By = b.Name, e.Seq, e.At, b.Own, cmp.Or(c.By, b.By)
	job := j.meant(&c.JobMark, b)
	switch {
	case job == nil:
	case !ok:
		j.doubt(job.System, copyUnclear())
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
func (job Job) Old(c Copy) bool { return c.Seq < job.Ended }

// Due lists who has no copy yet, or an old one, of CopiesDue.
func (job Job) Due() (due []string) {
	for _, whom := range CopiesDue {
		if c, ok := job.CopyTo(whom); !ok || job.Old(c) {
			due = append(due, whom)
		}
	}
	return due
}

// CopiesGone reminds of the copies that are due when the hand-over ends.
var CopiesGone = Rule{
	Name:  "copies-due",
	Doc:   "Tells at the end of the hand-over who has no copy of the record yet, or one from before the last step ended.",
	Flags: []string{"copies-due"},
	Roles: []string{},
	Begin: func(s Start) Judge { return &copiesGone{s.System, s.Jobs, len(s.Open) > 0} },
}

type copiesGone struct {
	system string
	jobs   *Jobs
	up     bool
}

func (j *copiesGone) Next(e Entry) []Finding {
	b, ok := e.Body.(*Told)
	if !ok || j.jobs == nil {
		return nil
	}
	job, ok := j.jobs.Newest(j.system)
	if !ok {
		return nil
	}
	due := job.Due()
	switch {
	case b.Kind == "end" && b.Name == "hand-over" && len(due) > 0 && !j.up:
		j.up = true
		return []Finding{{Edge: Raised, Flag: "copies-due", Urgency: Tell, Text: copiesDue(due, len(job.Copies) > 0)}}
	case j.up && len(due) == 0:
		j.up = false
		return []Finding{{Edge: Cleared, Flag: "copies-due", Text: copiesAllGone}}
	case j.up && b.Kind == "mark" && b.Name == MarkJobBegun && job.Begun.Seq == e.Seq && job.Number > 1:
		j.up = false
		return []Finding{{Edge: Cleared, Flag: "copies-due", Text: copiesLeft(due)}}
	}
	return nil
}

func (j *copiesGone) Due() (time.Duration, bool) { return 0, false }
