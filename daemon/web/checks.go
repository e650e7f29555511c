package web

import (
	"context"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/people"
	"standwatch/rules"
)

// checkView is a check that no sensor sees, as a row or as its own page.
type checkView struct {
	Name, Title, Text  string
	Why, Source        string
	State, StateWord   string // the shape and the word
	By                 string // who said so, and when
	Remark             string
	Against            string // what the box measured against it
	Watched            string // of indoor power: whether a point watches it
	URL                string
	Before             string // the steps before which it should be settled
	Photos             []photoView
	Ticked             bool // in a form
	System             string
	Back               string
	Said               []checkSaid // what was said of it, newest first
	CanWithdraw, Again bool
	Form               checkForm
}

type checkForm struct{ Remark string }

type checkSaid struct {
	State, StateWord, By, Remark string
	When                         moment
	Photos                       []photoView
}

type photoView struct{ URL, Alt string }

// checkGroup is the checks that stand with a step.
type checkGroup struct {
	Title, URL, Count string
	Before, After     []checkView
}

// checkShapes are the shapes of a check's states.
var checkShapes = map[string]string{"": waiting, rules.CheckDone: rules.Passed, rules.CheckWrong: rules.NotPassed,
	rules.CheckApart: ended, rules.CheckLeft: rules.NotProven, rules.CheckWithdrawn: waiting}

func checksURL(system string) string {
	if system == "" {
		return "/checks"
	}
	return "/checks?" + url.Values{"system": {system}}.Encode()
}

func checkURL(system, name, back string) string {
	q := url.Values{}
	if system != "" {
		q.Set("system", system)
	}
	if back != "" {
		q.Set("back", back)
	}
	u := "/checks/" + url.PathEscape(name)
	if len(q) > 0 {
		u += "?" + q.Encode()
	}
	return u
}

// against is what the box measured against a check that counts as done.
func against(snap Snapshot, system string, c Check) string {
	if c.Name != rules.CheckPowerOff {
		return ""
	}
	for _, f := range snap.Flags {
		if f.Flag.Flag == "power-too-early" && (f.System == system || f.System == "") {
			return f.Text
		}
	}
	return ""
}

// open are the checks that a step asks for before it begins.
func (s Snapshot) openChecks(system, step string) (open []Check) {
	for _, c := range s.Checks[system] {
		unsettled := !c.Settled() || against(s, system, c) != ""
		if slices.Contains(c.Before, step) && unsettled && !c.Left {
			open = append(open, c)
		}
	}
	return open
}

func (s *screens) checkView(snap Snapshot, system string, c Check, back string) checkView {
	v := checkView{Name: c.Name, Title: s.words.name("check", c.Name), Text: c.Text, Why: c.Why, Source: c.Source,
		URL: checkURL(system, c.Name, back), Against: against(snap, system, c)}
	state := c.State
	if c.Left && !c.Settled() {
		state = rules.CheckLeft
	}
	v.State, v.StateWord = checkShapes[state], s.words.say("checkstate."+state)
	if v.Against != "" && c.State == rules.CheckDone {
		v.State, v.StateWord = rules.NotPassed, s.words.say("checkstate.against")
	}
	if n := len(c.Said); n > 0 && state != "" {
		v.By, v.Remark = s.saidOfCheck(snap, c.Said[n-1]), c.Said[n-1].Remark
		v.Photos = s.photos(v.Title, c.Said[n-1])
	}
	return v
}

func (s *screens) saidOfCheck(snap Snapshot, m CheckMark) string {
	by := m.By
	if by == "" {
		by = s.words.say("step.nobody")
	}
	return s.words.say("check.by", by, s.words.clock(m.Wall, snap.Wall, snap.zone()))
}

func (s *screens) photos(title string, m CheckMark) (all []photoView) {
	for i, name := range m.Photos {
		all = append(all, photoView{"/photos/" + name + ".jpg", s.words.say("check.photo-alt", i+1, title)})
	}
	return all
}

// checkGroup is what stands with a step: before it, and after it.
func (s *screens) checkGroup(snap Snapshot, system, step string) checkGroup {
	g := checkGroup{Title: s.words.name("step", step), URL: stepURL(system, step), Count: s.checkCount(snap, system, step)}
	back := stepURL(system, step)
	for _, c := range snap.Checks[system] {
		switch {
		case c.Before[0] == step || slices.Contains(c.Before, step) && !c.Settled():
			g.Before = append(g.Before, s.checkView(snap, system, c, back))
		case c.After == step:
			g.After = append(g.After, s.checkView(snap, system, c, back))
		}
	}
	return g
}

// checkCount says how the checks before a step stand; nothing where it has none.
func (s *screens) checkCount(snap Snapshot, system, step string) string {
	all, open, wrong := 0, 0, 0
	for _, c := range snap.Checks[system] {
		if !slices.Contains(c.Before, step) {
			continue
		}
		all++
		switch {
		case c.State == rules.CheckWrong || against(snap, system, c) != "":
			wrong++
		case !c.Settled():
			open++
		}
	}
	switch {
	case all == 0:
		return ""
	case wrong > 0:
		return s.words.count("check.count-wrong", all, wrong, open)
	case open > 0:
		return s.words.count("check.count", all, open)
	}
	return s.words.count("check.count-none", all)
}

// checksPage lists all checks of a system, with the steps they stand with.
func (s *screens) checksPage(w http.ResponseWriter, r *http.Request) {
	v, status := s.look(r, "checks", false)
	if status != http.StatusOK {
		s.refuse(w, r, status, "refused.step")
		return
	}
	s.write(w, http.StatusOK, "checks", v)
}

type checksView struct {
	System string
	Others []linkRow // the same page of the other systems
	Groups []checkGroup
}

func (s *screens) checksView(snap Snapshot, system string) checksView {
	v := checksView{System: system}
	for _, sys := range snap.Site.Systems {
		if len(snap.Site.Systems) > 1 {
			v.Others = append(v.Others, linkRow{checksURL(sys.Name), sys.Name})
		}
	}
	for _, step := range s.order {
		g := s.checkGroup(snap, system, step)
		g.After = nil // each stands once: with the step that asks for it
		g.Before = slices.DeleteFunc(g.Before, func(c checkView) bool {
			return !slices.ContainsFunc(snap.Checks[system], func(x Check) bool { return x.Name == c.Name && x.Before[0] == step })
		})
		for i := range g.Before {
			g.Before[i].URL = checkURL(system, g.Before[i].Name, checksURL(system))
		}
		if len(g.Before) > 0 {
			v.Groups = append(v.Groups, g)
		}
	}
	return v
}

// checkPage is a check's own page.
func (s *screens) checkPage(w http.ResponseWriter, r *http.Request) {
	s.writeCheck(w, r, http.StatusOK, r.PathValue("check"), r.URL.Query(), "")
}

func (s *screens) writeCheck(w http.ResponseWriter, r *http.Request, status int, name string, f url.Values, problem string) {
	snap := s.box.Now()
	system, c, ok := s.check(snap, f.Get("system"), name)
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.check")
		return
	}
	v := s.frame(r, "check", snap)
	b := s.checkView(snap, system, c, "")
	b.System, b.Back, b.Form.Remark = system, checksURL(system), f.Get("remark")
	if f.Get("back") != "" {
		b.Back = back(f.Get("back"))
	}
	var steps []string
	for _, step := range c.Before {
		steps = append(steps, midSentence(s.words.name("step", step)))
	}
	b.Before = s.words.say("check.before-steps", strings.Join(steps, ", "))
	if c.After != "" {
		b.Before = s.words.say("check.between-steps", midSentence(s.words.name("step", c.After)), strings.Join(steps, ", "))
	}
	if c.Name == rules.CheckPowerOff {
		b.Watched = s.words.say("check.unwatched")
		for _, p := range snap.Points {
			if p.Role == "indoor-power" && (p.System == "" || p.System == system) {
				b.Watched = s.words.say("check.watched", p.Name)
			}
		}
	}
	for _, m := range slices.Backward(c.Said) {
		b.Said = append(b.Said, checkSaid{State: checkShapes[m.State], StateWord: s.words.say("checkstate." + m.State),
			By: s.saidOfCheck(snap, m), Remark: m.Remark, When: s.words.moment(m.Wall, snap.Wall, snap.zone()), Photos: s.photos(b.Title, m)})
	}
	b.CanWithdraw = c.State != ""
	b.Title = s.withSystem(snap, b.Title, system)
	v.Title, v.Problem, v.Body = b.Title, problem, b
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	s.write(w, status, "check", v)
}

// check finds a check of a system.
func (s *screens) check(snap Snapshot, system, name string) (string, Check, bool) {
	system, ok := s.knownStep(snap, system, s.order[0])
	if !ok {
		return "", Check{}, false
	}
	for _, c := range snap.Checks[system] {
		if c.Name == name {
			return system, c, true
		}
	}
	return "", Check{}, false
}

// postCheck records what a person says of a check: a mark, so that a replay sees the same.
func (s *screens) postCheck(w http.ResponseWriter, r *http.Request) {
	f, photos, problem := s.checkForm(w, r)
	name := f.Get("check")
	snap := s.box.Now()
	system, c, ok := s.check(snap, f.Get("system"), name)
	switch {
	case problem != "" && name == "": // nothing of the form could be read
		v := s.frame(r, "lost", snap)
		v.Title = s.words.say("refused.title")
		v.Body = titled{Title: v.Title, Text: problem}
		s.write(w, http.StatusUnprocessableEntity, "lost", v)
		return
	case !ok:
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.check")
		return
	}
	t := rules.Tick{System: system, Check: name, State: f.Get("state"), Remark: tidy(f.Get("remark"), mostRemark)}
	t.By = strings.ReplaceAll(tidy(f.Get("by"), mostName), ":", "")
	switch {
	case problem != "":
	case !slices.Contains([]string{rules.CheckDone, rules.CheckWrong, rules.CheckApart, rules.CheckWithdrawn}, t.State):
		problem = s.words.say("problem.kind")
	case t.State == rules.CheckWrong && t.Remark == "":
		problem = s.words.say("problem.check-wrong")
	case t.State == rules.CheckApart && t.Remark == "":
		problem = s.words.say("problem.check-apart")
	case t.State == rules.CheckWithdrawn && len(c.Said) == 0:
		problem = s.words.say("problem.check-nothing")
	}
	for i := 0; problem == "" && i < len(photos); i++ {
		photo, err := s.box.KeepPhoto(photos[i])
		switch {
		case errors.Is(err, journal.ErrPhotosFull):
			problem = s.words.say("problem.photos-full")
		case err != nil:
			s.log.Error("a photo was not kept", "check", name, "error", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "refused.tell")
			return
		}
		t.Photos = append(t.Photos, photo)
	}
	if problem != "" {
		s.writeCheck(w, r, http.StatusUnprocessableEntity, name, f, problem)
		return
	}
	to := checkURL(system, name, "")
	if f.Get("back") != "" {
		to = back(f.Get("back"))
	}
	s.record(w, r, "mark", to, tickMark(system, t))
}

// mostRemark leaves a note room for its photos.
const mostRemark = 500

func tickMark(system string, t rules.Tick) rules.Told {
	return rules.Told{Kind: "mark", Name: "checked", System: system, Note: t.Text(), By: t.By}
}

// checkForm reads the form, with photos or without. Each photo is made small
// before the next one is read, and only one at a time in the whole box.
func (s *screens) checkForm(w http.ResponseWriter, r *http.Request) (f url.Values, photos [][]byte, problem string) {
	f = url.Values{}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "multipart/form-data" {
		if err := r.ParseForm(); err != nil {
			return f, nil, s.words.say("refused.form")
		}
		return r.PostForm, nil, ""
	}
	select { // each holds its photo in memory while it arrives
	case s.uploads <- struct{}{}:
		defer func() { <-s.uploads }()
	default:
		return f, nil, s.words.say("refused.photos-busy")
	}
	until, answer := time.Now().Add(photoTime), http.NewResponseController(w) // the server's own times are shorter
	_ = answer.SetReadDeadline(until)                                         // a test's recorder has none
	_ = answer.SetWriteDeadline(until.Add(time.Minute))
	parts, err := r.MultipartReader()
	if err != nil {
		return f, nil, s.words.say("refused.form")
	}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			if v, in := people.Of(r.Context()); in { // nobody signs for somebody else
				f.Set("by", v.Name)
			}
			return f, photos, problem
		}
		if err != nil {
			return f, nil, s.unread(err)
		}
		if part.FormName() != "photo" {
			text, err := io.ReadAll(io.LimitReader(part, mostBody))
			if err != nil {
				return f, nil, s.unread(err)
			}
			f.Add(part.FormName(), string(text))
			continue
		}
		small, err := s.takePhoto(r.Context(), part)
		var fault photoFault
		switch {
		case errors.As(err, &fault): // the other fields may still follow: they are shown again
			problem = s.words.say(string(fault))
		case err != nil:
			return f, nil, s.unread(err)
		case small != nil:
			photos = append(photos, small)
		}
		if len(photos) > mostPhotosOf {
			return f, nil, s.words.say("problem.photos-many", mostPhotosOf)
		}
	}
}

// photoTime is how long a form with photos may take to arrive: 12 MB over a poor network.
const photoTime = 2 * time.Minute

// takePhoto reads one photo and makes it small; nil where no file was chosen.
func (s *screens) takePhoto(ctx context.Context, part *multipart.Part) ([]byte, error) {
	picture, err := io.ReadAll(part) // the whole body has its bound
	if err != nil || len(picture) == 0 {
		return nil, err
	}
	select {
	case s.shrinking <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-s.shrinking }()
	return shrink(picture)
}

// unread says why a form could not be read to its end.
func (s *screens) unread(err error) string {
	var most *http.MaxBytesError
	if errors.As(err, &most) {
		return s.words.say("problem.photo-body", most.Limit>>20)
	}
	return s.words.say("refused.form")
}

// asked is what the page asked before a step begins, and the answers: checks
// ticked now, and a reason for those that stay open.
func (s *screens) asked(snap Snapshot, f url.Values, system, step string) (all []rules.Told, problem string) {
	by := strings.ReplaceAll(tidy(f.Get("by"), mostName), ":", "")
	reason := tidy(f.Get("reason"), mostRemark)
	for _, c := range snap.openChecks(system, step) {
		t := rules.Tick{System: system, Check: c.Name, State: rules.CheckDone, By: by}
		if !slices.Contains(f["ticked"], c.Name) {
			if f.Has("reason") && reason == "" { // the page asks for it; who posts by script was not asked
				problem = s.words.say("problem.check-reason")
			}
			t.State, t.Remark = rules.CheckLeft, s.words.say("check.left-remark", midSentence(s.words.name("step", step)))
			if reason != "" {
				t.Remark += ", " + reason
			}
		}
		all = append(all, tickMark(system, t))
	}
	return all, problem
}
