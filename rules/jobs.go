package rules

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// This file knows the jobs of a system: what was done there from one coming to
// the next handing over. They are read from marks alone, so a replay finds the
// same. Without any mark a system has one job, from the first entry on. The
// marks' notes read
//
//	job-begun     [SYSTEM: ]NAME[, by WHO]
//	job-closed    [SYSTEM: ][job N: ]REASON[, by WHO]
//	job-reopened  the same
//	job-archived  the same
//	signed        [SYSTEM: ][job N: ]ROLE, WHO[, drawn STROKES]
//
// such as `south: job 1: handed over to the owner, by Ines`. The system stands
// in the note where the site has several, for a field log has no other place
// for it; a job that is not named is the system's newest.

// Job is one job of one system.
type Job struct {
	System string
	Number int    // from 1, in the order begun
	Name   string // as job-begun calls it
	By     string // who began it
	Begun  JobMark
	// From and To are the sequence numbers of its first and its last entry; a To
	// of 0 goes on. A closed job ends with the word that closed it, so that its
	// paper stays as it is; what is said of it later, and a name signed later,
	// stand below all the same.
	From, To uint64
	State    string    // open, closed, archived
	Said     []JobMark // closed, reopened, archived: oldest first
	Signed   []Signed  // oldest first
	Copies   []Copy    // of its papers, oldest first
	Refused  []Copy    // that a mail server would not take, oldest first
	Ended    uint64    // the end of its last step but the hand-over; 0: none
	// Late is the first step begun after it was closed, and not reopened since:
	// the job goes on to hold what nobody has put elsewhere; 0: none.
	Late uint64

	begun bool // a step was
}

// How a job stands.
const (
	JobOpen     = "open"
	JobClosed   = "closed"
	JobArchived = "archived" // closed, and put away: it is listed last
)

// FirstJob is what a job is called that nobody named.
const FirstJob = "first job"

// The marks of jobs.
const (
	MarkJobBegun    = "job-begun"
	MarkJobClosed   = "job-closed"
	MarkJobReopened = "job-reopened"
	MarkJobArchived = "job-archived"
	MarkSigned      = "signed"
)

// JobMark is what a mark says of a job, with where it stands in the journal.
type JobMark struct {
	Mark   string // its name; empty: nobody said so, of a first job
	System string // as written in the note; empty: the mark's own, or the site's only one
	Number int    // of the job; 0: the newest
	Text   string // the name, or the reason
	By     string
	Seq    uint64
	At     Instant
	Own    int64 // Unix ms; 0: at At
}

// Note is the mark's note.
func (m JobMark) Note() string { return jobOf(m.System, m.Number) + said(m.Text, m.By) }

func jobOf(system string, number int) (s string) {
	if system != "" {
		s = system + ": "
	}
	if number != 0 {
		s += "job " + strconv.Itoa(number) + ": "
	}
	return s
}

const byWord = ", by "

func said(text, by string) string {
	if by == "" {
		return text
	}
	return text + byWord + by
}

// Signed is a name under a job's record. It stands under what the journal held before it.
type Signed struct {
	JobMark // Text is empty; By is who was logged in, where known
	Role    string
	Name    string
	Strokes Strokes // nil: typed only
}

// Note is the mark's note.
func (s Signed) Note() string {
	note := jobOf(s.System, s.Number) + s.Role + ", " + s.Name
	if len(s.Strokes) > 0 {
		note += drawnWord + s.Strokes.String()
	}
	return note
}

const drawnWord = ", drawn "

// Strokes are a hand's lines on a field three times as wide as high, each dot
// from its upper left corner as a share of its width and of its height.
type Strokes [][]Dot

// Dot is a place on that field.
type Dot struct{ X, Y float64 }

const (
	strokeGrid  = 36*36 - 1 // two digits of base 36
	mostDots    = 600
	mostStrokes = 80
	digits36    = "0123456789abcdefghijklmnopqrstuvwxyz"
)

// String is the strokes as letters and digits: four a dot, a hyphen between two
// strokes. It is short enough to stand in a note, so a drawing goes wherever the
// mark goes: into a field log and out of it.
func (s Strokes) String() string {
	var b strings.Builder
	for i, stroke := range s {
		if i > 0 {
			b.WriteByte('-')
		}
		for _, d := range stroke {
			for _, share := range [2]float64{d.X, d.Y} {
				n := int(float64(min(1, max(0, share))*strokeGrid) + 0.5)
				b.WriteByte(digits36[n/36])
				b.WriteByte(digits36[n%36])
			}
		}
	}
	return b.String()
}

// ReadStrokes reads what String wrote; ok is false where it is something else,
// or more than a name takes.
func ReadStrokes(text string) (s Strokes, ok bool) {
	dots := 0
	for _, part := range strings.Split(text, "-") {
		if len(part)%4 != 0 || part == "" {
			return nil, false
		}
		var stroke []Dot
		for i := 0; i < len(part); i += 4 {
			var share [2]float64
			for k := range share {
				high, low := strings.IndexByte(digits36, part[i+2*k]), strings.IndexByte(digits36, part[i+2*k+1])
				if high < 0 || low < 0 {
					return nil, false
				}
				share[k] = float64(36*high+low) / strokeGrid
			}
			stroke = append(stroke, Dot{share[0], share[1]})
		}
		dots += len(stroke)
		s = append(s, stroke)
	}
	return s, dots <= mostDots && len(s) <= mostStrokes
}

// Jobs are the jobs of a site's systems: what the marks so far have made of them.
type Jobs struct {
	systems []string
	of      map[string][]Job
	doubts  []jobDoubt // of the last mark told
	last    uint64     // its sequence number
}

// jobDoubt is what cannot be meant as it stands.
type jobDoubt struct{ system, subject, text string }

// NewJobs is a site's jobs before anybody has said anything.
func NewJobs(site Site) *Jobs {
	j := &Jobs{of: map[string][]Job{}}
	for _, s := range site.Systems {
		j.systems = append(j.systems, s.Name)
	}
	if len(j.systems) == 0 {
		j.systems = []string{""}
	}
	for _, s := range j.systems {
		j.of[s] = []Job{{System: s, Number: 1, Name: FirstJob, From: 1, State: JobOpen}}
	}
	return j
}

// Of lists a system's jobs in the order begun: at least one, of a system of the site.
func (j *Jobs) Of(system string) []Job {
	list := slices.Clone(j.of[system])
	for i := range list {
		list[i].Said, list[i].Signed, list[i].Copies = slices.Clone(list[i].Said), slices.Clone(list[i].Signed), slices.Clone(list[i].Copies)
		list[i].Refused = slices.Clone(list[i].Refused)
	}
	return list
}

// Newest is the job that a system's steps belong to; ok is false for no system of the site.
func (j *Jobs) Newest(system string) (newest Job, ok bool) {
	if list := j.of[system]; len(list) > 0 {
		return list[len(list)-1], true
	}
	return Job{}, false
}

// Tell takes an entry's mark; began is true where it begins another job of system.
func (j *Jobs) Tell(e Entry, b *Told) (system string, began bool) {
	j.doubts, j.last = nil, e.Seq
	switch {
	case b.Kind == "begin":
		j.beginStep(e, b)
	case b.Kind == "mark" && b.Name == MarkSigned:
		s, ok := j.ReadSigned(b.Note)
		s.Mark, s.Seq, s.At, s.Own, s.By = b.Name, e.Seq, e.At, b.Own, b.By
		job := j.meant(&s.JobMark, b)
		switch {
		case job == nil:
		case !ok:
			j.doubt(job.System, signedUnclear())
		default:
			job.Signed = append(job.Signed, s)
		}
	case b.Kind == "mark" && (b.Name == MarkCopy || b.Name == MarkCopyRefused):
		j.takeCopy(e, b)
	case b.Kind == "end" && b.Name != "hand-over":
		if job := j.newest(j.systemOf(b)); job != nil {
			job.Ended = e.Seq
		}
	case b.Kind == "mark" && IsJobMark(b.Name):
		m := j.ReadJobMark(b.Note)
		m.Mark, m.Seq, m.At, m.Own, m.By = b.Name, e.Seq, e.At, b.Own, cmp.Or(m.By, b.By)
		if job := j.meant(&m, b); job != nil {
			return job.System, j.say(job, m)
		}
	}
	return "", false
}

// IsJobMark reports whether a mark's name is one of a job's.
func IsJobMark(name string) bool {
	return slices.Contains([]string{MarkJobBegun, MarkJobClosed, MarkJobReopened, MarkJobArchived}, name)
}

// ReadJobMark reads a note of a job's mark.
func (j *Jobs) ReadJobMark(note string) (m JobMark) {
	m.System, m.Number, m.Text = j.cutJob(note)
	if i := strings.LastIndex(m.Text, byWord); i >= 0 {
		m.Text, m.By = m.Text[:i], strings.TrimSpace(m.Text[i+len(byWord):])
	} else if rest, ok := strings.CutPrefix(m.Text, "by "); ok { // without a reason
		m.Text, m.By = "", strings.TrimSpace(rest)
	}
	return m
}

// ReadSigned reads a note of a name signed; ok is false where it lacks the role
// or the name, or holds a drawing that cannot be read.
func (j *Jobs) ReadSigned(note string) (s Signed, ok bool) {
	var rest string
	s.System, s.Number, rest = j.cutJob(note)
	if i := strings.LastIndex(rest, drawnWord); i >= 0 {
		if s.Strokes, ok = ReadStrokes(strings.TrimSpace(rest[i+len(drawnWord):])); !ok {
			return s, false
		}
		rest = rest[:i]
	}
	role, name, _ := strings.Cut(rest, ", ")
	s.Role, s.Name = strings.TrimSpace(role), strings.TrimSpace(name)
	return s, s.Role != "" && s.Name != ""
}

// cutJob takes the system and the job's number off a note's beginning.
func (j *Jobs) cutJob(note string) (system string, number int, rest string) {
	rest = strings.TrimSpace(note)
	for _, s := range j.systems {
		if after, ok := strings.CutPrefix(rest, s+":"); ok && s != "" && len(s) > len(system) {
			system, rest = s, after
			break
		}
	}
	rest = strings.TrimSpace(rest)
	if after, ok := strings.CutPrefix(rest, "job "); ok {
		if n, text, ok := strings.Cut(after, ":"); ok {
			if i, err := strconv.Atoi(strings.TrimSpace(n)); err == nil && i > 0 {
				return system, i, strings.TrimSpace(text)
			}
		}
	}
	return system, 0, rest
}

func (j *Jobs) newest(system string) *Job {
	list := j.of[system]
	if len(list) == 0 {
		return nil
	}
	return &list[len(list)-1]
}

// meant is the job that a mark is about; nil, with a doubt, where there is none.
func (j *Jobs) meant(m *JobMark, b *Told) *Job {
	system := cmp.Or(m.System, b.System)
	if system == "" && len(j.systems) == 1 {
		system = j.systems[0]
	}
	list, ok := j.of[system]
	switch {
	case !ok:
		j.doubt("", jobOfNoSystem(b.Name, j.systems))
	case m.Number > len(list):
		j.doubt(system, jobUnknown(b.Name, m.Number, len(list)))
	case m.Number > 0:
		return &list[m.Number-1]
	default:
		return &list[len(list)-1]
	}
	return nil
}

func (j *Jobs) doubt(system, text string) {
	j.doubts = append(j.doubts, jobDoubt{system, "job", text})
}

// say applies a word on a job. Whatever it makes of it, the word is kept.
func (j *Jobs) say(job *Job, m JobMark) (began bool) {
	if m.Mark == MarkJobBegun {
		return j.beginJob(m, job.System)
	}
	newest, title := job.Number == len(j.of[job.System]), job.title()
	job.Said = append(job.Said, m)
	switch {
	case m.Mark == MarkJobReopened && !newest:
		j.doubt(job.System, jobOverReopened(title, j.newest(job.System).title()))
	case m.Mark == MarkJobReopened && job.State == JobOpen:
		j.doubt(job.System, jobOpenAlready(title))
	case m.Mark == MarkJobReopened:
		job.State, job.To, job.Late = JobOpen, 0, 0
	case m.Mark == MarkJobClosed && job.State != JobOpen && job.Late == 0:
		j.doubt(job.System, jobClosedAlready(title, job.State))
	case m.Mark == MarkJobArchived:
		if job.State == JobOpen {
			j.doubt(job.System, jobArchivedOpen(title))
		}
		job.State = JobArchived
		job.end(m.Seq)
	default:
		job.State = JobClosed
		job.end(m.Seq)
	}
	return false
}

// end ends a job that still goes on.
func (job *Job) end(seq uint64) {
	if job.To == 0 {
		job.To, job.Late = seq, 0
	}
}

func (job *Job) title() string { return "job " + strconv.Itoa(job.Number) + " (" + job.Name + ")" }

// beginJob ends a system's newest job with the entry before. One in which
// nothing was begun yet only gets its name: it is this very one.
func (j *Jobs) beginJob(m JobMark, system string) bool {
	old := j.newest(system)
	if m.Number != 0 {
		m.Text = strings.TrimSpace("job " + strconv.Itoa(m.Number) + ": " + m.Text) // a name, whatever it looks like
		m.Number = 0
	}
	if old.State == JobOpen && !old.begun && old.Begun.Mark == "" {
		old.Name, old.By, old.Begun = cmp.Or(m.Text, old.Name), m.By, m
		return false
	}
	number := old.Number + 1
	if old.To == 0 {
		old.To = m.Seq - 1
	}
	if old.State == JobOpen {
		old.State = JobClosed
	}
	j.of[system] = append(j.of[system], Job{System: system, Number: number, Name: cmp.Or(m.Text, "job "+strconv.Itoa(number)), By: m.By, Begun: m, From: m.Seq, State: JobOpen})
	return true
}

// has reports whether the site has a system: its only one need not be named.
func (j *Jobs) has(system string) bool {
	return system == "" && len(j.systems) == 1 || slices.Contains(j.systems, system)
}

// systemOf is the system of a step's begin or end.
func (j *Jobs) systemOf(b *Told) string {
	if b.System == "" && len(j.systems) == 1 {
		return j.systems[0]
	}
	return b.System
}

// beginStep keeps what is begun after a job was closed in that job, for want of
// another: nothing is lost.
func (j *Jobs) beginStep(e Entry, b *Told) {
	job := j.newest(j.systemOf(b))
	if job == nil {
		return
	}
	job.begun = true
	if job.State == JobOpen {
		return
	}
	if job.Late == 0 {
		job.Late = e.Seq
	}
	job.To = 0
	j.doubt(job.System, begunInClosed(b.Name, job.title(), job.State))
}

// doubted is what the entry of a sequence number leaves in doubt of a system's jobs.
func (j *Jobs) doubted(system string, seq uint64) (subject, text string) {
	if j == nil || j.last != seq {
		return "", ""
	}
	for _, d := range j.doubts {
		if d.system == system {
			return d.subject, d.text
		}
	}
	return "", ""
}

// ended reports whether the entry of a sequence number ended a job of a system.
func (j *Jobs) ended(system string, seq uint64) bool {
	if j == nil || j.last != seq {
		return false
	}
	return slices.ContainsFunc(j.of[system], func(job Job) bool { return job.To == seq || job.To == seq-1 && job.To != 0 })
}
