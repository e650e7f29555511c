package web

import (
	"context"
	"errors"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/people"
	"standwatch/daemon/record"
)

// Visits takes in what earlier visits left, and shows it.
type Visits interface {
	// Offer reads a bundle; fingerprint is that of the paper, where somebody typed it.
	Offer(ctx context.Context, in io.Reader, fingerprint string) (record.Visit, error)
	// Take takes in one that was offered.
	Take(ctx context.Context, bundle string, t TakeVisit) error
	// Beside are the earlier visits of a system, set beside a job of it.
	Beside(ctx context.Context, system string, job int) ([]record.Earlier, error)
}

// TakeVisit is with what words a bundle is taken in.
type TakeVisit struct {
	System, By string
	Reason     string // why although it was changed
	Elsewhere  bool   // although it is of another site or system
}

// What keeps a bundle from being taken in.
var (
	ErrBundleLarge  = errors.New("the bundle is larger than a page takes")
	ErrBundleRoom   = errors.New("the disk has no room for the bundle")
	ErrNotOffered   = errors.New("that bundle is not waiting to be taken in")
	ErrTakenAlready = errors.New("that bundle has been taken in before")
	ErrNotSaid      = errors.New("a word is missing")
)

// mostBundleBody is how large a form with a bundle may be: a little above what
// is taken, so that it can be said.
const mostBundleBody = 260 << 20

// bundleTime is how long a bundle may take to arrive and to be verified.
const bundleTime = 10 * time.Minute

// earlierView is the page of earlier visits: their figures beside this job's,
// and the form that takes a bundle in.
type earlierView struct {
	System string
	Others []linkRow
	Title  string // the job beside which they stand
	Back   string
	Visits []visitView
	Offer  *offerView // a bundle that was read, before it is taken in
	Form   visitForm
	Empty  bool // the journal holds nothing yet
}

type visitForm struct{ Fingerprint string }

// offerView is what a bundle is, and what is to be said of it.
type offerView struct {
	Bundle, Fingerprint string
	Facts               []titled
	Changed, Remarks    []string
	Elsewhere           []string
	Reason              string
}

type visitView struct {
	ID, Title        string
	Facts            []titled
	Changed, Remarks []string
	Kept             bool
	Steps            []stepBeside
	System           []besideRow
	Units            []unitsBeside
	ByName           bool
	Matched          []matchedRow
	Gone, New        string
}

type stepBeside struct{ Title, ThenState, Then, NowState, Now string }

type besideRow struct{ Title, Small, Then, Now, Difference string }

// unitsBeside are the units in one step.
type unitsBeside struct {
	Title, Outdoor string
	Rows           []unitBeside
}

type unitBeside struct {
	Title, Small string
	Rows         []besideRow
}

type matchedRow struct{ Now, Then, By, Room, ThenRoom string }

func earlierURL(system string) string {
	if q := jobQuery(system, 0).Encode(); q != "" {
		return "/earlier?" + q
	}
	return "/earlier"
}

func (s *screens) earlierPage(w http.ResponseWriter, r *http.Request) {
	s.writeEarlier(w, r, http.StatusOK, r.URL.Query(), nil, "")
}

func (s *screens) writeEarlier(w http.ResponseWriter, r *http.Request, status int, f url.Values, offer *offerView, problem string) {
	snap := s.box.Now()
	job, ok := s.job(snap, f)
	if !ok || s.visits == nil {
		s.refuse(w, r, http.StatusNotFound, "refused.job")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), paperTime)
	defer cancel()
	select { // it reads the journal from the job's beginning to its end
	case s.readers <- struct{}{}:
		defer func() { <-s.readers }()
	case <-ctx.Done():
		return
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(paperTime)) // a test's recorder has none
	v := s.frame(r, "earlier", snap)
	b := earlierView{System: job.System, Title: s.ofSystem(snap, job), Back: recordURL(job.System, job.Number), Offer: offer, Form: visitForm{tidy(f.Get("fingerprint"), 100)}}
	for _, sys := range snap.Site.Systems {
		if len(snap.Site.Systems) > 1 {
			b.Others = append(b.Others, linkRow{earlierURL(sys.Name), sys.Name})
		}
	}
	visits, err := s.visits.Beside(ctx, job.System, job.Number)
	switch {
	case errors.Is(err, record.ErrEmpty):
		b.Empty = true
	case err != nil:
		s.notRead(r.Context(), "earlier visits were not read", "system", job.System, "job", job.Number, "error", err)
		s.refuse(w, r, http.StatusInternalServerError, "refused.earlier")
		return
	}
	for i, e := range visits {
		b.Visits = append(b.Visits, s.visitView(snap, v.Units, e, i+1))
	}
	v.Problem, v.Body = problem, b
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	s.write(w, status, "earlier", v)
}

// dayOf is a day as people file it.
func dayOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

func (s *screens) visitView(snap Snapshot, c choice, e record.Earlier, n int) visitView {
	v := visitView{ID: "earlier-" + strconv.Itoa(n), Title: s.words.say("earlier.visit", e.What), Kept: e.Kept, ByName: e.AllByName(), Remarks: slices.Concat(e.Doubts, e.Unread)}
	if !e.Made.IsZero() {
		v.Title = s.words.say("earlier.visit", dayOf(e.Made))
	}
	fact := func(key, text string) {
		if text != "" {
			v.Facts = append(v.Facts, titled{Title: s.words.say(key), Text: text})
		}
	}
	if e.Kept {
		fact("earlier.of", strings.Join(slices.DeleteFunc([]string{e.Site, e.System, s.words.say("job.title-plain", e.Job)}, func(p string) bool { return p == "" }), ", "))
		fact("earlier.refrigerant", e.Refrigerant)
		fact("earlier.signed", strings.Join(e.Signed, "; "))
		fact("earlier.key", strings.TrimPrefix(e.Key+", "+s.keyWord(e.Known, e.Key), ", "))
	} else {
		fact("earlier.of", e.What)
	}
	by := e.By
	if by == "" {
		by = s.words.say("step.nobody")
	}
	fact("earlier.taken", s.words.say("check.by", by, s.words.clock(e.At, snap.Wall, snap.zone())))
	fact("earlier.reason", e.Reason)
	fact("earlier.bundle", e.Bundle)
	for _, text := range e.Changed {
		v.Changed = append(v.Changed, s.words.say("earlier.changed", text))
	}
	for _, x := range e.Steps {
		row := stepBeside{Title: s.words.name("step", x.Step)}
		row.ThenState, row.Then = s.stateBeside(x.Then)
		row.NowState, row.Now = s.stateBeside(x.Now)
		v.Steps = append(v.Steps, row)
	}
	s.addFigures(&v, c, e)
	for _, m := range e.Units {
		row := matchedRow{Now: m.Unit, Then: m.Earlier, By: s.words.say("earlier.by-name"), Room: m.Room, ThenRoom: m.EarlierRoom}
		switch {
		case m.By == record.ByAddress:
			row.By = s.words.say("earlier.by-address", m.Address)
		case m.Address != "" && m.EarlierAddress != "":
			row.By = s.words.say("earlier.by-name-moved", m.EarlierAddress, m.Address)
		}
		v.Matched = append(v.Matched, row)
	}
	v.Gone, v.New = strings.Join(e.Gone, ", "), strings.Join(e.New, ", ")
	return v
}

// stateBeside is the shape and the word of how a step came out.
func (s *screens) stateBeside(state string) (shape, word string) {
	switch state {
	case "":
		return waiting, s.words.name("state", waiting)
	case "open":
		return underWay, s.words.name("state", underWay)
	case "accepted":
		return ended, s.words.say("earlier.accepted")
	case "passed", "failed", "not-proven":
		return state, s.words.name("state", state)
	}
	return ended, s.words.name("state", ended)
}

// addFigures sorts the figures to the system and to the units in each step.
func (s *screens) addFigures(v *visitView, c choice, e record.Earlier) {
	unitStep := map[string]int{}
	for _, x := range e.Figures {
		if x.Unit != "" {
			if _, ok := unitStep[x.Step]; !ok {
				unitStep[x.Step] = len(v.Units)
				v.Units = append(v.Units, unitsBeside{Title: s.words.name("step", x.Step)})
			}
		}
	}
	for _, x := range e.Figures {
		row := s.besideRow(c, x)
		i, byUnit := unitStep[x.Step]
		switch {
		case x.Unit != "":
			rows := &v.Units[i].Rows
			if n := len(*rows); n == 0 || (*rows)[n-1].Title != x.Unit {
				small := ""
				for _, m := range e.Units {
					if m.Unit == x.Unit {
						small = m.Room
						if m.Earlier != m.Unit {
							small = strings.TrimPrefix(small+" · "+s.words.say("earlier.was", m.Earlier), " · ")
						}
					}
				}
				*rows = append(*rows, unitBeside{Title: x.Unit, Small: small})
			}
			last := &(*rows)[len(*rows)-1]
			last.Rows = append(last.Rows, row)
		case byUnit && x.Key == record.OutdoorKey:
			then, now := row.Then, row.Now
			if then == "" {
				then = s.words.say("earlier.no-figure")
			}
			if now == "" {
				now = s.words.say("earlier.no-figure")
			}
			v.Units[i].Outdoor = s.words.say("earlier.outdoor", then, now)
		default:
			v.System = append(v.System, row)
		}
	}
}

func (s *screens) besideRow(c choice, x record.Beside) besideRow {
	step := s.words.say("earlier.charge")
	if x.Step != "" {
		step = s.words.name("step", x.Step)
	}
	label, _ := c.keyed(x.Step, x.Key, 0)
	switch said, ok := s.words["value."+x.Key]; {
	case x.Of != "":
		label = strings.ToUpper(x.Of[:1]) + x.Of[1:]
	case x.Step == "" && x.Key == "additional_kg":
		label = s.words.say("earlier.additional")
	case ok:
		label = said
	}
	show := func(v *float64) string {
		if v == nil {
			return ""
		}
		if name, ok := strings.CutSuffix(x.Key, "_s"); ok && !strings.HasSuffix(name, "_per") {
			return s.words.measured(*v)
		}
		_, text := c.keyed(x.Step, x.Key, *v)
		return text
	}
	row := besideRow{Title: label, Small: step, Then: show(x.Then), Now: show(x.Now)}
	if x.Difference != nil {
		row.Difference = s.difference(c, x.Step, x.Key, *x.Then, *x.Now)
	}
	return row
}

// difference is by how much a figure differs, in the figure's own units and to
// the digits in which it is shown.
func (s *screens) difference(c choice, step, key string, then, now float64) string {
	quantum := record.DifferenceDigit(step, key, then, now)
	d := math.Round(math.Abs(now-then)/quantum) * quantum
	if d == 0 {
		return "0"
	}
	key, step = record.DifferenceKey(step, key)
	_, text := c.keyed(step, key, d)
	if name, ok := strings.CutSuffix(key, "_s"); ok && !strings.HasSuffix(name, "_per") {
		text = s.words.measured(d)
	}
	return record.WithSign(text, now < then)
}

func (s *screens) keyWord(known, key string) string {
	if key == "" {
		return s.words.say("earlier.key-none")
	}
	switch known {
	case record.KeyGiven:
		return s.words.say("earlier.key-given")
	case record.KeyOwn:
		return s.words.say("earlier.key-own")
	case record.KeyEarlier:
		return s.words.say("earlier.key-earlier")
	}
	return s.words.say("earlier.key-unknown")
}

// postVisit reads a bundle and shows what it is; nothing is taken in yet.
func (s *screens) postVisit(w http.ResponseWriter, r *http.Request) {
	if s.visits == nil {
		s.refuse(w, r, http.StatusNotFound, "refused.page")
		return
	}
	select { // each is a file in the data folder while it arrives
	case s.uploads <- struct{}{}:
		defer func() { <-s.uploads }()
	default:
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.photos-busy")
		return
	}
	until, answer := time.Now().Add(bundleTime), http.NewResponseController(w) // the server's own times are shorter
	_ = answer.SetReadDeadline(until)                                          // a test's recorder has none
	_ = answer.SetWriteDeadline(until.Add(paperTime))
	f := url.Values{}
	body := &arriving{ReadCloser: r.Body}
	r.Body = body
	v, sent, err := s.readOffer(r, f)
	problem := ""
	var most *http.MaxBytesError
	switch {
	case errors.Is(err, ErrBundleLarge) || errors.As(err, &most):
		problem = s.words.say("problem.bundle-large")
	case errors.Is(err, ErrBundleRoom):
		problem = s.words.say("problem.bundle-room")
	case errors.Is(err, record.ErrNoFigures):
		problem = s.words.say("problem.bundle-unread", strings.Join(v.Changed, " "))
	case err != nil && !sent:
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	case err != nil:
		if body.err != nil { // a page closed or a network lost on the way is no fault of the box
			s.log.Info("a bundle did not arrive whole", "error", err)
		} else {
			s.log.Error("a bundle was not read", "error", err)
		}
		problem = s.words.say("problem.bundle-broken")
	case !sent:
		problem = s.words.say("problem.bundle-none")
	}
	if problem != "" {
		s.writeEarlier(w, r, http.StatusUnprocessableEntity, f, nil, problem)
		return
	}
	s.writeOffer(w, r, http.StatusOK, f, v, "")
}

// arriving is what a browser sends, and how its way here ended where that was not its end.
type arriving struct {
	io.ReadCloser
	err error
}

func (a *arriving) Read(p []byte) (int, error) {
	n, err := a.ReadCloser.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		a.err = err
	}
	return n, err
}

// readOffer reads the form: its fields stand before the file.
func (s *screens) readOffer(r *http.Request, f url.Values) (v record.Visit, sent bool, err error) {
	parts, err := r.MultipartReader()
	if err != nil {
		return v, false, err
	}
	for {
		var part *multipart.Part
		if part, err = parts.NextPart(); errors.Is(err, io.EOF) {
			return v, sent, nil
		}
		if err != nil {
			return v, sent, err
		}
		if part.FormName() != "bundle" {
			text, err := io.ReadAll(io.LimitReader(part, mostBody))
			if err != nil {
				return v, sent, err
			}
			f.Set(part.FormName(), string(text))
			continue
		}
		if part.FileName() == "" || sent {
			continue
		}
		given := ""
		if typed := tidy(f.Get("fingerprint"), 100); typed != "" {
			if given, err = record.ParseFingerprint(typed); err != nil {
				given = "" // said below: it fits no key
			}
		}
		if v, err = s.visits.Offer(r.Context(), part, given); err != nil {
			return v, true, err
		}
		sent = true
	}
}

func (s *screens) writeOffer(w http.ResponseWriter, r *http.Request, status int, f url.Values, v record.Visit, problem string) {
	snap := s.box.Now()
	job, ok := s.job(snap, f)
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.job")
		return
	}
	typed := tidy(f.Get("fingerprint"), 100)
	if typed != "" && v.Known != record.KeyGiven { // who compares wants to be refused where it differs
		s.writeEarlier(w, r, http.StatusUnprocessableEntity, f, nil, s.words.say("problem.bundle-key"))
		return
	}
	rec := v.Record
	b := &offerView{Bundle: v.Bundle, Fingerprint: typed, Changed: v.Changed, Remarks: v.Unread, Elsewhere: v.Doubts(snap.Site, job.System), Reason: tidy(f.Get("reason"), mostRemark)}
	fact := func(key, text string) {
		if text != "" {
			b.Facts = append(b.Facts, titled{Title: s.words.say(key), Text: text})
		}
	}
	fact("earlier.of", strings.Join(slices.DeleteFunc([]string{rec.Site, rec.System.Name, s.words.say("job.title-plain", rec.Job.Number)}, func(p string) bool { return p == "" }), ", "))
	fact("earlier.date", dayOf(rec.Made))
	fact("earlier.refrigerant", rec.System.Refrigerant)
	var names []string
	for _, x := range rec.Signatures {
		names = append(names, x.Name)
	}
	fact("earlier.signed", strings.Join(names, "; "))
	fact("earlier.key", strings.TrimPrefix(v.Key+", "+s.keyWord(v.Known, v.Key), ", "))
	fact("earlier.holds", s.words.say("earlier.holds-text", len(rec.Steps), len(rec.System.Indoor)))
	fact("earlier.bundle", v.Bundle)
	s.writeEarlier(w, r, status, f, b, problem)
}

// postTakeVisit takes a bundle in that was shown.
func (s *screens) postTakeVisit(w http.ResponseWriter, r *http.Request) {
	f, _, job, ok := s.ofJob(w, r)
	if !ok {
		return
	}
	if s.visits == nil {
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.job")
		return
	}
	t := TakeVisit{System: job.System, By: strings.ReplaceAll(tidy(f.Get("by"), mostName), ",", " "), Reason: tidy(f.Get("reason"), mostRemark), Elsewhere: f.Get("elsewhere") != ""}
	if v, in := people.Of(r.Context()); in { // nobody signs for somebody else
		t.By = v.Name
	}
	ctx, cancel := context.WithTimeout(r.Context(), 30*time.Second)
	defer cancel()
	problem := ""
	switch err := s.visits.Take(ctx, f.Get("bundle"), t); {
	case errors.Is(err, ErrNotOffered):
		problem = s.words.say("problem.bundle-again")
	case errors.Is(err, ErrTakenAlready):
		problem = s.words.say("problem.bundle-already")
	case errors.Is(err, ErrNotSaid):
		problem = s.words.say("problem.bundle-said")
	case err != nil:
		s.log.Error("a bundle was not taken in", "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.tell")
		return
	}
	if problem != "" {
		s.writeEarlier(w, r, http.StatusUnprocessableEntity, f, nil, problem)
		return
	}
	u, _ := url.Parse(earlierURL(job.System)) // made here
	q := u.Query()
	q.Set("done", "earlier")
	u.RawQuery = q.Encode()
	http.Redirect(w, r, u.String(), http.StatusSeeOther)
}
