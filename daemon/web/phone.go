package web

import (
	"context"
	"encoding/json"
	"net/http"
	"time"

	"standwatch/daemon/people"
)

// Phones is what the screens need of the browsers that are told by push.
type Phones interface {
	Key() string // the box's public key, to which a subscription is bound
	List(ctx context.Context, person string) ([]Phone, error)
	Add(ctx context.Context, p Phone, s Subscription) error
	Remove(ctx context.Context, person, id string) error
	Try(ctx context.Context, person, id, sentence string) error
}

// Phone is a browser that is told by push.
type Phone struct {
	ID, Person, Name string
	WakeOnly         bool
	Added, Last      time.Time // Last zero: told nothing yet
	Trouble          string    // why the last message was not taken
}

// Subscription is what a browser gives to be told by.
type Subscription struct{ Endpoint, Key, Secret string }

// WithPhones lets browsers be told by push.
func WithPhones(p Phones) Option { return func(s *screens) { s.phones = p } }

// phoneRoutes are the page This phone, and the script that shows a push.
func (s *screens) phoneRoutes(mux *routes) {
	mux.HandleFunc("GET /phone", s.phonePage)
	mux.HandleFunc("POST /phone", s.postPhone)
	mux.HandleFunc("POST /phone/test", s.postPhoneTest)
	mux.HandleFunc("POST /phone/remove", s.postPhoneRemove)
	mux.HandleFunc("GET /phone/worker.js", s.worker)
}

type phoneView struct {
	Off    string // why nobody can be told by push here; empty: it can be tried
	Key    string
	Phones []phoneRow
}

type phoneRow struct {
	ID, Name, Sort, Trouble string
	Added, Last             moment
}

// asks is who is asking about his phones; ok is false for who only looks on.
func asks(r *http.Request) (person string, ok bool) {
	v, in := people.Of(r.Context())
	if in {
		return v.Name, v.Share == ""
	}
	return "", true // nobody has claimed the box: whoever sits at it sees all
}

func (s *screens) phonePage(w http.ResponseWriter, r *http.Request) {
	s.showPhone(w, r, http.StatusOK, "")
}

func (s *screens) showPhone(w http.ResponseWriter, r *http.Request, status int, problem string) {
	snap := s.box.Now()
	v := s.frame(r, "phone", snap)
	p := phoneView{}
	person, ok := asks(r)
	switch {
	case s.phones == nil:
		p.Off = s.words.say("phone.off")
	case !ok:
		p.Off = s.words.say("phone.link")
	default:
		p.Key = s.phones.Key()
		all, err := s.phones.List(r.Context(), person)
		if err != nil {
			s.log.Error("the phones that are told could not be read", "error", err)
			s.refuse(w, r, http.StatusServiceUnavailable, "problem.kept")
			return
		}
		now := time.Now()
		for _, x := range all {
			row := phoneRow{ID: x.ID, Name: x.Name, Sort: s.words.say("phone.all"), Trouble: x.Trouble,
				Added: s.words.moment(x.Added, now, snap.zone()), Last: s.words.moment(x.Last, now, snap.zone())}
			if x.WakeOnly {
				row.Sort = s.words.say("phone.wake")
			}
			if person == "" && x.Person != "" {
				row.Name += " · " + x.Person
			}
			p.Phones = append(p.Phones, row)
		}
	}
	v.Problem, v.Body, v.Script, v.Path = problem, p, "phone.js", "/phone"
	s.write(w, status, "phone", v)
}

// mine reads a form about phones; ok is false where it has been answered.
func (s *screens) mine(w http.ResponseWriter, r *http.Request) (person string, ok bool) {
	if !s.form(w, r) {
		return "", false
	}
	person, ok = asks(r)
	switch {
	case s.phones == nil:
		s.refuse(w, r, http.StatusNotFound, "phone.off")
		return "", false
	case !ok:
		s.refuse(w, r, http.StatusConflict, "phone.link")
		return "", false
	}
	return person, true
}

func (s *screens) postPhone(w http.ResponseWriter, r *http.Request) {
	person, ok := s.mine(w, r)
	if !ok {
		return
	}
	f := r.PostForm
	if person == "" {
		person = tidy(f.Get("by"), mostName)
	}
	p := Phone{Person: person, Name: tidy(f.Get("name"), mostName), WakeOnly: f.Get("sort") == "wake"}
	if p.Name == "" {
		p.Name = s.words.say("device." + device(r.UserAgent()))
	}
	sub := Subscription{f.Get("endpoint"), f.Get("key"), f.Get("secret")}
	if sub.Endpoint == "" { // the browser's script did not run
		s.showPhone(w, r, http.StatusUnprocessableEntity, s.words.say("problem.phone-script"))
		return
	}
	if err := s.phones.Add(r.Context(), p, sub); err != nil {
		s.showPhone(w, r, http.StatusUnprocessableEntity, s.words.say("problem.phone", err))
		return
	}
	http.Redirect(w, r, "/phone?done=phone", http.StatusSeeOther)
}

func (s *screens) postPhoneTest(w http.ResponseWriter, r *http.Request) {
	person, ok := s.mine(w, r)
	if !ok {
		return
	}
	snap := s.box.Now()
	sentence := s.words.say("phone.test-sentence", snap.Site.Name, snap.Wall.In(snap.zone()).Format("15:04"))
	if err := s.phones.Try(r.Context(), person, r.PostForm.Get("id"), sentence); err != nil {
		s.showPhone(w, r, http.StatusBadGateway, s.words.say("problem.phone-test", err))
		return
	}
	http.Redirect(w, r, "/phone?done=phone-test", http.StatusSeeOther)
}

func (s *screens) postPhoneRemove(w http.ResponseWriter, r *http.Request) {
	person, ok := s.mine(w, r)
	if !ok {
		return
	}
	if err := s.phones.Remove(r.Context(), person, r.PostForm.Get("id")); err != nil {
		s.log.Error("a phone could not be removed", "error", err)
		s.showPhone(w, r, http.StatusServiceUnavailable, s.words.say("problem.kept"))
		return
	}
	http.Redirect(w, r, "/phone?done=phone-removed", http.StatusSeeOther)
}

// worker is the script that a browser keeps to show pushes: it stands under a
// path of its own, so that it has no say over any page, and keeps none.
func (s *screens) worker(w http.ResponseWriter, r *http.Request) {
	said, err := json.Marshal(map[string]string{"unreadable": s.words.say("phone.unreadable"), "ended": s.words.say("phone.ended"), "language": s.words.say("language")})
	if err != nil { // texts only
		panic("web: " + err.Error())
	}
	h := w.Header()
	h.Set("Content-Type", "text/javascript; charset=utf-8")
	h.Set("Cache-Control", "no-cache")
	body := append([]byte("self.said="), said...)
	body = append(append(body, ";\n"...), s.assets["worker.js"].body...)
	_, _ = w.Write(body) // to a browser that may have gone
}
