package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"time"

	"standwatch/rules"
)

// Links are the acknowledgement links that messages carry. Who holds one may
// acknowledge one flag, once, without logging in, and do nothing else.
type Links interface {
	// Look says how a link's flag stands and changes nothing; ok is false for a
	// link that the box has not made.
	Look(ctx context.Context, id int64, until time.Duration, key string) (l Link, ok bool, err error)
	// Use acknowledges, where the link is still good for that.
	Use(ctx context.Context, id int64, until time.Duration, key, by string) (l Link, ok bool, err error)
}

// Link is how the flag of an acknowledgement link stands: open, acknowledged,
// over, newer (raised again since), expired.
type Link struct {
	rules.Finding
	State string
	By    string
	When  time.Time // of the acknowledgement; zero: nobody has
}

// guesses bounds how many wrong links are looked at. Right ones always are:
// nobody can keep a person from acknowledging by guessing.
type guesses struct {
	mu    sync.Mutex
	since time.Time
	n     int
}

// mostGuesses a minute; a link's key has 128 bits.
const mostGuesses = 30

// wrong counts one more, and reports whether that is too many.
func (g *guesses) wrong(now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if now.Sub(g.since) > time.Minute {
		g.since, g.n = now, 0
	}
	g.n++
	return g.n > mostGuesses
}

// ackView is the page behind the link in a message.
type ackView struct {
	Title, Text, Caution string
	ID, Until, Key       string
	Said, Shape          string // what has become of it; empty: it can be acknowledged
	When                 moment
}

// ackLink is a link as a request has it.
func ackLink(q url.Values) (id int64, until time.Duration, key string, ok bool) {
	id, err1 := strconv.ParseInt(q.Get("id"), 10, 64)
	seconds, err2 := strconv.ParseInt(q.Get("until"), 10, 32)
	key = q.Get("key")
	return id, time.Duration(seconds) * time.Second, key, err1 == nil && err2 == nil && id > 0 && key != "" && len(key) < 100
}

// ackPage shows the flag and a form. A GET changes nothing: mail programs and
// messengers open links by themselves.
func (s *screens) ackPage(w http.ResponseWriter, r *http.Request) {
	s.ack(w, r, r.URL.Query(), func(id int64, until time.Duration, key string) (Link, bool, error) {
		return s.links.Look(r.Context(), id, until, key)
	})
}

// postAck acknowledges, and shows the page again, which now says so.
func (s *screens) postAck(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	by := tidy(r.PostForm.Get("by"), mostName)
	s.ack(w, r, r.PostForm, func(id int64, until time.Duration, key string) (Link, bool, error) {
		l, ok, err := s.links.Use(r.Context(), id, until, key, by)
		if ok && err == nil && by != "" {
			setCookie(w, r, "who", url.QueryEscape(by))
		}
		return l, ok, err
	})
}

func (s *screens) ack(w http.ResponseWriter, r *http.Request, q url.Values, look func(int64, time.Duration, string) (Link, bool, error)) {
	id, until, key, good := ackLink(q)
	var l Link
	var err error
	if good = good && s.links != nil; good {
		l, good, err = look(id, until, key)
	}
	switch {
	case err != nil:
		s.log.Error("a link could not be looked at or used", "id", id, "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.tell")
		return
	case !good && s.guesses.wrong(time.Now()):
		w.Header().Set("Retry-After", "60")
		s.refuse(w, r, http.StatusTooManyRequests, "refused.ack-often")
		return
	case !good:
		s.refuse(w, r, http.StatusForbidden, "refused.ack")
		return
	}
	snap := s.box.Now()
	v := s.frame(r, "ack", snap)
	v.Path = "/"
	b := ackView{Title: s.words.name("flag", l.Flag), Text: l.Text, ID: q.Get("id"), Until: q.Get("until"), Key: key, When: s.words.moment(l.When, snap.Wall, snap.zone())}
	if l.Urgency == rules.Wake {
		b.Caution = s.words.say("ack.caution")
	}
	by := cmp.Or(l.By, s.words.say("ack.somebody"))
	b.Shape = "waiting"
	switch l.State {
	case "acknowledged":
		b.Said, b.Shape = s.words.say("ack.acknowledged", by), "passed"
	case "over":
		if b.Said, b.Shape = s.words.say("ack.over"), "cleared"; !l.When.IsZero() {
			b.Said = s.words.say("ack.over-by", by)
		}
	case "newer":
		b.Said = s.words.say("ack.newer")
	case "expired":
		b.Said = s.words.say("ack.expired")
	}
	v.Body = b
	s.write(w, http.StatusOK, "ack", v)
}
