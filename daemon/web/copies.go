package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"net/mail"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/rules"
)

// Copies is how copies of a job's papers leave the box, but for a download.
// What goes wrong is a *CopyTrouble where a person can do something about it.
type Copies interface {
	Mails() bool // whether there is a mail server
	// Mail puts a mail into a queue that outlives the box; the journal is told once it is taken.
	Mail(ctx context.Context, g Going) error
	// Posted are the mails of a job that are not taken yet.
	Posted(ctx context.Context, system string, job int) ([]Posted, error)
	TakeBack(ctx context.Context, id string) error
	Stick() StickState
	// ToStick writes the papers, reads them back and tells the journal.
	ToStick(ctx context.Context, g Going) (folder string, err error)
}

// Going is a copy that is to go out.
type Going struct {
	System  string
	Number  int    // of the job
	To      string // one of rules.CopiesDue
	Address string // of a mail
	By      string
}

// Posted is a mail on its way.
type Posted struct {
	ID, To, Address, By string
	Whats               []string
	Trouble             string // why it was not taken the last time
	Taken               bool   // only the journal is not told yet
}

// StickState is how it stands with a USB stick.
type StickState struct {
	Dir     string       // where it is mounted; empty: the site file names no place
	Trouble *CopyTrouble // why it cannot be written to; nil: it can
}

// CopyTrouble is why a copy does not go, by a key of the catalogue.
type CopyTrouble struct {
	Key string
	Err error // may be nil
}

func (t *CopyTrouble) Error() string {
	if t.Err == nil {
		return t.Key
	}
	return t.Key + ": " + t.Err.Error()
}

// copiesView is where copies of a job's papers have gone, and where they are due.
type copiesView struct {
	Due   []dueRow
	Going []goingRow
	Other []string // copies to anybody else, or to nobody yet, a sentence each
	Left  string   // how many are due still
	Holds string   // what the record holds now
	Form  copyForm
}

type dueRow struct {
	State, Title, Text string
	Gone               []goneRow // of each paper the newest copy, the newest first
	Refused            string
}

// goneRow is a copy that somebody has.
type goneRow struct{ Text, Of, Sum string }

type goingRow struct{ ID, Text, Trouble string }

type copyForm struct {
	What, To, How         []option
	Address, Open         string
	Download, Mail, Stick bool   // each can be done
	MailWhy, StickSays    string // why not; how it stands with the stick
}

// copyKinds are the papers that go out, each with the kind that is downloaded.
var copyKinds = []struct{ what, kind string }{{"record", "pdf-a4"}, {"bundle", "bundle"}, {"label", "label-a6"}}

var copyWhats = []string{copyKinds[0].what, copyKinds[1].what, copyKinds[2].what}

// copyHows are the ways that a person ticks.
var copyHows = []string{rules.ByHand, rules.ByMail, rules.ByStick, rules.ByDownload}

func (s *screens) copiesView(ctx context.Context, snap Snapshot, job Job, f func(string) string) copiesView {
	v := copiesView{Form: s.copyForm(f)}
	gone := map[string][]Copy{} // newest first
	for _, c := range slices.Backward(job.Copies) {
		i := slices.IndexFunc(rules.CopiesDue, func(whom string) bool { return strings.EqualFold(whom, c.To) })
		switch {
		case i < 0 && c.To == "":
			v.Other = append(v.Other, s.saidOfCopy(snap, c))
		case i < 0:
			v.Other = append(v.Other, c.To+": "+s.saidOfCopy(snap, c))
		case !slices.ContainsFunc(gone[rules.CopiesDue[i]], func(newer Copy) bool { return newer.What == c.What }):
			gone[rules.CopiesDue[i]] = append(gone[rules.CopiesDue[i]], c)
		}
	}
	slices.Reverse(v.Other)
	due := 0
	for _, whom := range rules.CopiesDue {
		row := dueRow{Title: s.words.name("copyto", slug(whom)), State: "passed"}
		for i, c := range gone[whom] {
			if i == 0 || job.Old(c.Copy) || c.Of != 0 {
				row.Gone = append(row.Gone, goneRow{s.saidOfCopy(snap, c), s.since(snap, job, c), c.Sum})
			} else {
				row.Gone = append(row.Gone, goneRow{s.saidOfCopy(snap, c), "", c.Sum})
			}
		}
		switch {
		case len(row.Gone) == 0:
			row.State, row.Text = waiting, s.words.say("copies.due")
			due++
		case job.Old(gone[whom][0].Copy):
			row.State = ended
			due++
		}
		if c, ok := job.RefusedTo(whom); ok {
			_, address, _ := strings.Cut(c.How, " ")
			row.Refused = s.words.say("copies.refused", address, c.Refused)
		}
		v.Due = append(v.Due, row)
	}
	if v.Left = s.words.say("copies.all"); due > 0 {
		v.Left = s.words.count("copies.left", due)
	}
	if v.Holds = s.words.say("copies.holds", rules.Decimals(float64(s.lastOf(snap, job)), 0)); job.To != 0 {
		v.Holds = s.words.say("copies.holds-ended", rules.Decimals(float64(job.To), 0))
	}
	s.goingOut(ctx, job, &v)
	return v
}

// lastOf is the newest entry that a job's record can hold now.
func (s *screens) lastOf(snap Snapshot, job Job) uint64 {
	if job.To != 0 {
		return job.To
	}
	return snap.Kept
}

func (s *screens) saidOfCopy(snap Snapshot, c Copy) string {
	how, address, _ := strings.Cut(c.How, " ")
	by := c.By
	if by == "" {
		by = s.words.say("step.nobody")
	}
	return s.words.say("copies.gone."+how, s.words.name("copy", c.What), s.words.clock(c.Wall, snap.Wall, snap.zone()), by, address)
}

// since says whether the record has changed since a copy was made.
func (s *screens) since(snap Snapshot, job Job, c Copy) string {
	last, holds := s.lastOf(snap, job), c.Holds()
	switch {
	case job.Old(c.Copy):
		return s.words.say("copies.old", holds)
	case job.SaidSince(c.Copy):
		return s.words.say("copies.said-since", holds)
	case last > holds:
		return s.words.say("copies.since", holds, last-holds)
	}
	return s.words.say("copies.since-none", holds)
}

// goingOut adds what is on its way, and what could go.
func (s *screens) goingOut(ctx context.Context, job Job, v *copiesView) {
	v.Form.Download = s.papers != nil
	v.Form.MailWhy, v.Form.StickSays = s.words.say("copies.no-mail"), s.words.say("copies.no-stick")
	if s.copies == nil {
		return
	}
	if v.Form.Mail = s.copies.Mails(); v.Form.Mail {
		v.Form.MailWhy = ""
	}
	if stick := s.copies.Stick(); stick.Dir != "" {
		if v.Form.Stick = stick.Trouble == nil; v.Form.Stick {
			v.Form.StickSays = s.words.say("copies.stick-there")
		} else {
			v.Form.StickSays = s.troubleWords(stick.Trouble)
		}
	}
	posted, err := s.copies.Posted(ctx, job.System, job.Number)
	if err != nil {
		s.notRead(ctx, "mails with papers were not read", "error", err)
	}
	for _, p := range posted {
		row := goingRow{ID: p.ID, Trouble: p.Trouble}
		var whats []string
		for _, w := range slices.Backward(p.Whats) {
			whats = append(whats, midSentence(s.words.name("copy", w)))
		}
		row.Text = s.words.say("copies.going", s.words.name("copyto", slug(p.To)), p.Address, strings.Join(whats, ", "))
		if p.Taken {
			row.ID = ""
		}
		v.Going = append(v.Going, row)
	}
}

// troubleWords is a trouble in a sentence, with the machine's own word where no other is known.
func (s *screens) troubleWords(t *CopyTrouble) string {
	text := s.words.name("trouble", t.Key)
	if t.Key == "stick-other" && t.Err != nil {
		text += " (" + t.Err.Error() + ")"
	}
	return text
}

func (s *screens) copyForm(f func(string) string) copyForm {
	v := copyForm{Address: f("address"), Open: f("do")}
	for _, what := range copyWhats {
		v.What = append(v.What, option{what, s.words.name("copy", what), what == f("what")})
	}
	for _, whom := range rules.CopiesDue {
		v.To = append(v.To, option{whom, s.words.name("copyto", slug(whom)), whom == f("to")})
	}
	for _, how := range copyHows {
		v.How = append(v.How, option{how, s.words.name("copyhow", how), how == f("how")})
	}
	return v
}

func slug(name string) string { return strings.ReplaceAll(name, " ", "-") }

// oddInAddress are the letters that a note of a mark, or some mail server, could not carry.
func oddInAddress(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune(`,:;"<>()\`, r) }

// postCopied records a copy that somebody saw to.
func (s *screens) postCopied(w http.ResponseWriter, r *http.Request) {
	f, snap, job, ok := s.ofJob(w, r)
	if !ok {
		return
	}
	c := rules.Copy{What: f.Get("what"), To: f.Get("to"), How: f.Get("how")}
	c.Number, c.By = job.Number, tidy(strings.ReplaceAll(f.Get("by"), ",", " "), mostName)
	if who := signerOf(r); who.Fixed {
		c.By = "" // stands beside the note
	}
	if len(snap.Site.Systems) > 1 {
		c.System = job.System
	}
	problem := ""
	switch {
	case !slices.Contains(copyWhats, c.What) || !slices.Contains(rules.CopiesDue, c.To) || !slices.Contains(copyHows, c.How):
		problem = s.words.say("problem.copy")
	case c.How == rules.ByMail:
		a, err := mail.ParseAddress(f.Get("address"))
		if err != nil || strings.ContainsFunc(a.Address, oddInAddress) || len(a.Address) > 120 {
			problem = s.words.say("problem.copy-address")
			break
		}
		c.How += " " + a.Address
	}
	if problem != "" {
		s.writeRecord(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	by := c.By
	c.By = ""
	s.record(w, r, "copied", recordURL(job.System, job.Number)+"#copies",
		rules.Told{Kind: "mark", Name: rules.MarkCopy, System: job.System, Note: c.Note(), By: by})
}

// going reads a form of a copy that is to leave the box; where it cannot, it has answered.
func (s *screens) going(w http.ResponseWriter, r *http.Request) (g Going, job Job, ok bool) {
	f, _, job, ok := s.ofJob(w, r)
	if !ok {
		return g, job, false
	}
	g = Going{System: job.System, Number: job.Number, To: f.Get("to"), Address: strings.TrimSpace(f.Get("address")), By: tidy(f.Get("by"), mostName)}
	if who := signerOf(r); who.Fixed {
		g.By = who.Name
	}
	if !slices.Contains(rules.CopiesDue, g.To) {
		s.writeRecord(w, r, http.StatusUnprocessableEntity, f, s.words.say("problem.copy"))
		return g, job, false
	}
	return g, job, true
}

// gone goes back to the page Record with what was done.
func (s *screens) gone(w http.ResponseWriter, r *http.Request, job Job, done string, by string) {
	if by != "" && !signerOf(r).Fixed {
		setCookie(w, r, "who", url.QueryEscape(by))
	}
	q := jobQuery(job.System, job.Number, "done", done)
	http.Redirect(w, r, "/record?"+q.Encode()+"#copies", http.StatusSeeOther)
}

// notGone says why a copy does not go.
func (s *screens) notGone(w http.ResponseWriter, r *http.Request, err error) {
	var t *CopyTrouble
	switch {
	case errors.As(err, &t):
		s.writeRecord(w, r, http.StatusUnprocessableEntity, r.PostForm, s.troubleWords(t))
	case errors.Is(err, ErrNoPaper):
		s.refuse(w, r, http.StatusNotFound, "refused.paper")
	default:
		s.log.Error("a copy did not go out", "way", r.URL.Path, "error", err)
		s.refuse(w, r, http.StatusInternalServerError, "refused.copy")
	}
}

// postMail sends a mail off.
func (s *screens) postMail(w http.ResponseWriter, r *http.Request) {
	g, job, ok := s.going(w, r)
	if !ok {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), paperTime)
	defer cancel()
	if s.copies == nil || !s.copies.Mails() {
		s.notGone(w, r, &CopyTrouble{Key: "mail-none"})
		return
	}
	done, ok := s.reading(ctx, w)
	if !ok {
		return
	}
	defer done()
	if err := s.copies.Mail(ctx, g); err != nil {
		s.notGone(w, r, err)
		return
	}
	s.gone(w, r, job, "mail", g.By)
}

// postTakeBack takes a mail out of the queue.
func (s *screens) postTakeBack(w http.ResponseWriter, r *http.Request) {
	f, _, job, ok := s.ofJob(w, r)
	if !ok {
		return
	}
	if s.copies == nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.job")
		return
	}
	if err := s.copies.TakeBack(r.Context(), f.Get("id")); err != nil {
		s.notGone(w, r, err)
		return
	}
	s.gone(w, r, job, "mail-back", "")
}

// stickTime is how long a stick may take: a bundle of some ten megabytes at the
// slowest that a stick writes, and then the page has an answer.
const stickTime = paperTime - 30*time.Second

// postStick writes to a stick. A browser that goes away meanwhile does not stop
// it: what is half written helps nobody.
func (s *screens) postStick(w http.ResponseWriter, r *http.Request) {
	g, job, ok := s.going(w, r)
	if !ok {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), stickTime)
	defer cancel()
	if s.copies == nil {
		s.notGone(w, r, &CopyTrouble{Key: "stick-none"})
		return
	}
	done, ok := s.reading(ctx, w)
	if !ok {
		s.notGone(w, r, &CopyTrouble{Key: "stick-busy"})
		return
	}
	defer done()
	if _, err := s.copies.ToStick(ctx, g); err != nil {
		s.notGone(w, r, err)
		return
	}
	s.gone(w, r, job, "stick", g.By)
}

// postDownload hands a paper out as somebody's copy. The journal is told after
// the last byte went to the browser: a copy that nobody has is worse than a
// mark that is missing. Whether the browser kept it only a person can say.
func (s *screens) postDownload(w http.ResponseWriter, r *http.Request) {
	g, job, ok := s.going(w, r)
	if !ok {
		return
	}
	i := slices.Index(copyWhats, r.PostForm.Get("what"))
	if i < 0 {
		s.writeRecord(w, r, http.StatusUnprocessableEntity, r.PostForm, s.words.say("problem.copy"))
		return
	}
	p, ok := s.makePaper(w, r, copyKinds[i].kind, job)
	if !ok {
		return
	}
	defer p.Body.Close()
	size, err := p.Body.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = p.Body.Seek(0, io.SeekStart)
	}
	if err != nil {
		s.notGone(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", p.Media)
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Length", strconv.FormatInt(size, 10))
	h.Set("Content-Disposition", disposition(p.File))
	if g.By != "" && !signerOf(r).Fixed {
		setCookie(w, r, "who", url.QueryEscape(g.By))
	}
	sum := sha256.New()
	if _, err = io.Copy(io.MultiWriter(w, sum), p.Body); err == nil {
		if err = http.NewResponseController(w).Flush(); errors.Is(err, http.ErrNotSupported) {
			err = nil
		}
	}
	if err != nil {
		s.notRead(r.Context(), "a download broke off, and counts as no copy", "error", err)
		return
	}
	c := rules.Copy{What: copyWhats[i], To: g.To, How: rules.ByDownload, Of: p.Entries, Sum: hex.EncodeToString(sum.Sum(nil))}
	if c.Number = job.Number; len(s.box.Now().Site.Systems) > 1 {
		c.System = job.System
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), 10*time.Second)
	defer cancel()
	if err := s.box.Tell(ctx, rules.Told{Kind: "mark", Name: rules.MarkCopy, System: job.System, Note: c.Note(), By: g.By}); err != nil {
		s.log.Error("a copy was downloaded, and the journal could not be told: tick it by hand", "error", err)
	}
}
