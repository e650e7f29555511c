package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/record"
	"standwatch/rules"
)

// Papers makes what a job ends with, from the journal.
type Papers interface {
	// Kinds are those that can be made here, in the order of the page.
	Kinds() []string
	// Paper makes one of a system's job.
	Paper(ctx context.Context, kind, system string, job int) (Paper, error)
}

// Paper is one of them as a file.
type Paper struct {
	File  string // its name
	Media string // its type; text/html is shown, all else is saved
	Body  io.ReadSeekCloser

	Entries uint64 // the journal's newest entry that it can hold
}

// ErrNoPaper is of a kind, or a job, of which nothing can be made.
var ErrNoPaper = errors.New("nothing is made of that")

// recordView is the page Record: how a job stands, its paper, and who signs it.
type recordView struct {
	System  string
	Number  int       // of the job
	Others  []linkRow // the same page of the other systems
	Jobs    []jobRow  // of the system, where it had several
	Job     jobRow
	Title   string
	Said    []saidOfJob
	Late    string
	Open    []linkRow
	Ended   bool // what was open of it stands on its paper
	Steps   []stepRow
	Papers  []paperRow
	Signed  []signedView
	Form    signForm
	Copies  copiesView
	Earlier string // the page of earlier visits; empty: there is none
	Does    []linkRow
}

type jobRow struct {
	URL, Title, State, StateWord string
	Here                         bool
}

type saidOfJob struct{ State, Text, Remark string }

type paperRow struct{ URL, Title, Help string }

type signedView struct {
	Role, Name, When string
	Drawing          template.HTML
}

type signForm struct {
	Roles []option
	Name  string
}

func recordURL(system string, number int) string {
	if q := jobQuery(system, number).Encode(); q != "" {
		return "/record?" + q
	}
	return "/record"
}

func (s *screens) recordPage(w http.ResponseWriter, r *http.Request) {
	s.writeRecord(w, r, http.StatusOK, r.URL.Query(), "")
}

func (s *screens) writeRecord(w http.ResponseWriter, r *http.Request, status int, f url.Values, problem string) {
	snap := s.box.Now()
	job, ok := s.job(snap, f)
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.job")
		return
	}
	v := s.frame(r, "record", snap)
	v.Problem, v.Body = problem, s.recordView(r.Context(), snap, job, f)
	if v.Acts {
		v.Script = "sign.js"
	}
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	s.write(w, status, "record", v)
}

// jobShapes are the shapes of a job's states.
var jobShapes = map[string]string{rules.JobOpen: underWay, rules.JobClosed: ended, rules.JobArchived: ended}

func (s *screens) jobRow(job Job) jobRow {
	return jobRow{URL: recordURL(job.System, job.Number), Title: s.jobTitle(job), State: jobShapes[job.State], StateWord: s.words.say("job.state." + job.State)}
}

func (s *screens) recordView(ctx context.Context, snap Snapshot, job Job, f url.Values) recordView {
	v := recordView{System: job.System, Number: job.Number, Job: s.jobRow(job), Title: s.ofSystem(snap, job), Steps: s.stepsOf(snap, job), Form: signForm{Name: f.Get("name")}, Copies: s.copiesView(ctx, snap, job, f.Get)}
	for _, sys := range snap.Site.Systems {
		if len(snap.Site.Systems) > 1 {
			v.Others = append(v.Others, linkRow{recordURL(sys.Name, 0), sys.Name})
		}
	}
	all := slices.Clone(snap.Jobs[job.System])
	slices.Reverse(all) // the newest first, what was put away last
	slices.SortStableFunc(all, func(a, b Job) int { return archived(a) - archived(b) })
	for _, j := range all {
		row := s.jobRow(j)
		row.Here = j.Number == job.Number
		if len(all) > 1 {
			v.Jobs = append(v.Jobs, row)
		}
	}
	if job.Job.Begun.Mark != "" {
		v.Said = append(v.Said, saidOfJob{underWay, s.saidOfJob(snap, job.Job.Begun, job.Begun), ""})
	}
	for _, m := range job.Said {
		state := ended
		if m.Mark == rules.MarkJobReopened {
			state = underWay
		}
		v.Said = append(v.Said, saidOfJob{state, s.saidOfJob(snap, m.JobMark, m.Wall), m.Text})
	}
	if job.Late != 0 {
		v.Late = s.words.say("job.late")
	}
	v.Open, v.Ended = s.openOf(snap, job), job.To != 0
	if s.visits != nil {
		v.Earlier = earlierURL(job.System)
	}
	if s.papers != nil {
		for _, kind := range s.papers.Kinds() {
			v.Papers = append(v.Papers, paperRow{"/record/papers/" + url.PathEscape(kind) + "?" + jobQuery(job.System, job.Number).Encode(),
				s.words.name("paper", kind), s.words.say("paperhelp." + kind)})
		}
	}
	for _, x := range job.Signed {
		v.Signed = append(v.Signed, signedView{Role: s.roleOf(x.Role), Name: x.Name, When: s.words.clock(x.Wall, snap.Wall, snap.zone()), Drawing: s.drawing(x)})
	}
	for i, role := range signRoles {
		v.Form.Roles = append(v.Form.Roles, option{role, s.words.name("signs", role), role == f.Get("role") || f.Get("role") == "" && i == 0})
	}
	for _, do := range jobOffers(job, snap.newest(job.System).Number == job.Number) {
		v.Does = append(v.Does, linkRow{jobURL(do, job.System, job.Number), s.words.say("job.button." + do)})
	}
	return v
}

func archived(j Job) int {
	if j.State == rules.JobArchived {
		return 1
	}
	return 0
}

func (s *screens) saidOfJob(snap Snapshot, m rules.JobMark, at time.Time) string {
	by := m.By
	if by == "" {
		by = s.words.say("step.nobody")
	}
	return s.words.say("job.said."+strings.TrimPrefix(m.Mark, "job-"), by, s.words.clock(at, snap.Wall, snap.zone()))
}

// openOf is what is still open of a job that goes on, as its paper says it. What
// was open of one that has ended stands on its paper.
func (s *screens) openOf(snap Snapshot, job Job) (rows []linkRow) {
	if job.To != 0 {
		return nil
	}
	at := record.Standing{Site: snap.Site}
	for _, sys := range snap.Site.Systems {
		if sys.Name == job.System {
			at.System = sys
		}
	}
	urls := map[string]string{}
	for i := len(snap.newestFirst()) - 1; i >= 0; i-- {
		st := snap.newestFirst()[i]
		if st.System != job.System || !job.holds(st) {
			continue
		}
		var verdicts []record.Verdict
		for _, f := range latest(st.Verdicts) {
			verdicts = append(verdicts, record.Verdict{Unit: f.Unit, Result: f.Result, Cause: f.Cause, Text: f.Text})
		}
		state, _, _ := record.StateOf(verdicts, st.Ended.IsZero(), len(st.Accepted) > 0)
		at.Steps = append(at.Steps, record.StepStanding{Step: st.Name, State: state})
		urls[st.Name] = s.rowOf(snap, st).URL
	}
	for _, x := range snap.Reported {
		if x.System == job.System {
			at.Reported = append(at.Reported, x.Step)
		}
	}
	for _, c := range snap.Checks[job.System] {
		at.Checks = append(at.Checks, c.CheckState)
	}
	for _, f := range snap.Flags {
		if f.System == job.System || f.System == "" {
			at.Flags = append(at.Flags, f.Flag)
		}
	}
	slices.SortStableFunc(at.Flags, func(a, b rules.Flag) int {
		switch {
		case a.First.Before(b.First):
			return -1
		case b.First.Before(a.First):
			return 1
		}
		return 0
	})
	where := map[string]string{"step": "/steps", "flag": "/flags", "check": checksURL(job.System)}
	in := record.Words{Say: s.words.say, Count: s.words.count, Name: func(kind, name string) string {
		if kind == "step" {
			return s.words.name(kind, name)
		}
		return midSentence(s.words.name(kind, name))
	}}
	for _, o := range record.OpenLines(record.OpenPoints(at)) {
		rows = append(rows, linkRow{cmp.Or(urls[o.Name], where[o.What]), o.Text(in)})
	}
	return rows
}

// paperTime is how long a long job's paper may take to be made and sent.
const paperTime = 3 * time.Minute

// paper makes a paper and hands it out.
func (s *screens) paper(w http.ResponseWriter, r *http.Request) {
	snap := s.box.Now()
	job, ok := s.job(snap, r.URL.Query())
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.paper")
		return
	}
	p, ok := s.makePaper(w, r, r.PathValue("paper"), job)
	if !ok {
		return
	}
	defer p.Body.Close()
	h := w.Header()
	h.Set("Content-Type", p.Media)
	h.Set("Cache-Control", "no-store")
	if strings.HasPrefix(p.Media, "text/html") { // it brings its own style, and nothing that runs
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	} else {
		h.Set("Content-Disposition", disposition(p.File))
	}
	http.ServeContent(w, r, "", time.Time{}, p.Body)
}

func disposition(file string) string {
	return `attachment; filename="` + plainFile(file) + `"; filename*=UTF-8''` + url.PathEscape(file)
}

// reading waits for a place among those who read the journal from a job's
// beginning to its end, and gives the answer the time that takes.
func (s *screens) reading(ctx context.Context, w http.ResponseWriter) (done func(), ok bool) {
	select {
	case s.readers <- struct{}{}:
	case <-ctx.Done():
		return nil, false
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(paperTime)) // a test's recorder has none
	return func() { <-s.readers }, true
}

// makePaper makes a paper; where it cannot, it has answered.
func (s *screens) makePaper(w http.ResponseWriter, r *http.Request, kind string, job Job) (p Paper, ok bool) {
	if s.papers == nil || !slices.Contains(s.papers.Kinds(), kind) {
		s.refuse(w, r, http.StatusNotFound, "refused.paper")
		return p, false
	}
	ctx, cancel := context.WithTimeout(r.Context(), paperTime)
	defer cancel()
	done, ok := s.reading(ctx, w)
	if !ok {
		return p, false
	}
	defer done()
	p, err := s.papers.Paper(ctx, kind, job.System, job.Number)
	switch {
	case errors.Is(err, ErrNoPaper):
		s.refuse(w, r, http.StatusNotFound, "refused.paper")
	case err != nil:
		s.notRead(r.Context(), "a paper was not made", "kind", kind, "system", job.System, "job", job.Number, "error", err)
		s.refuse(w, r, http.StatusInternalServerError, "refused.paper-broken")
	}
	return p, err == nil
}

// plainFile is a file's name for a browser that knows no other letters.
func plainFile(name string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' || strings.ContainsRune(`"\/:*?<>|%`, r) {
			return '-'
		}
		return r
	}, name)
}

// drawing is a name as the hand drew it.
func (s *screens) drawing(x Signed) template.HTML {
	if len(x.Strokes) == 0 {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="hand" viewBox="-6 -6 312 112" role="img" aria-label="%s">`, template.HTMLEscapeString(s.words.say("sign.drawing", x.Name)))
	for _, stroke := range x.Strokes {
		b.WriteString(`<path d="`)
		for i, d := range stroke {
			word := "L"
			if i == 0 {
				word = "M"
			}
			fmt.Fprintf(&b, "%s%.1f %.1f", word, 300*d.X, 100*d.Y)
		}
		if len(stroke) == 1 { // a point is a short line
			b.WriteString("h0.1")
		}
		b.WriteString(`"/>`)
	}
	b.WriteString("</svg>")
	return template.HTML(b.String()) // numbers and an escaped name
}
