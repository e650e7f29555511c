package web

import (
	"encoding/json"
	"net/http"
	"strings"
	"time"

	"standwatch/daemon/people"
)

// PairAnswer is what the box tells `standwatch pair`.
type PairAnswer struct {
	Question    string   `json:"question,omitempty"` // to be answered first
	Claimed     bool     `json:"claimed"`
	Addresses   []string `json:"addresses"` // where the site network reaches the box
	Fingerprint string   `json:"fingerprint,omitempty"`
	Trouble     string   `json:"trouble,omitempty"` // why nobody on the site network gets in
	Minutes     int      `json:"minutes"`
	Proof       string   `json:"proof,omitempty"`
}

// Said is what of an answer is proved.
func (a PairAnswer) Said(question, theirs string) []string {
	a.Proof = ""
	text, _ := json.Marshal(a) // of strings and numbers: it cannot fail
	return []string{"paired", question, theirs, string(text)}
}

// postPair opens the box for a claim, for who proves on this machine that he
// holds its key.
func (s *screens) postPair(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	theirs, question := r.PostForm.Get("question"), s.people.Question()
	if len(theirs) < 16 || !s.people.Answered(theirs, r.PostForm.Get("proof")) {
		s.writeJSON(w, http.StatusUnauthorized, PairAnswer{Question: s.people.Question()})
		return
	}
	if err := s.people.Pair(); err != nil {
		s.log.Error("the box could not be opened for a claim", "error", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "problem.kept")
		return
	}
	a := PairAnswer{Claimed: s.people.Claimed(), Addresses: s.cfg.Addresses(), Minutes: int(people.PairingLasts / time.Minute)}
	if s.cfg.PublicURL != "" {
		a.Addresses = append([]string{s.cfg.PublicURL}, a.Addresses...)
	}
	if s.door != nil && s.cfg.Beyond() {
		if trouble := s.door.opened(r.Context()); trouble != nil {
			a.Trouble = trouble.Error()
		}
		a.Fingerprint = s.door.Fingerprint()
	}
	a.Proof = s.people.Prove(a.Said(question, theirs)...)
	s.writeJSON(w, http.StatusOK, a)
}

func (s *screens) writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // a reader that has gone away is no fault of ours
}

// accessView is what the page Box says of who gets in.
type accessView struct {
	Claimed     bool
	People      bool   // there is such a thing on this box
	State       string // of the site network's door: a shape
	Door        string
	Addresses   []string
	Fingerprint string
}

// doorState says how the site network's door stands.
func (s *screens) doorState() (shape, sentence string) {
	listening, trouble := s.door.state()
	switch {
	case trouble != nil:
		return "failed", s.words.say("box.door-trouble", trouble)
	case listening == "":
		return "waiting", s.words.say("box.door-shut")
	case !s.people.Claimed():
		return "under-way", s.words.say("box.door-claim", s.words.span(s.people.Pairing()))
	}
	if doubt := s.door.doubt(time.Now()); doubt != nil {
		return "suspect", s.words.say("box.door-open") + " " + s.words.say("box.door-doubt", doubt)
	}
	return "good", s.words.say("box.door-open")
}

func (s *screens) accessOfBox() accessView {
	a := accessView{People: s.people != nil}
	if s.people != nil {
		a.Claimed = s.people.Claimed()
	}
	if s.cfg.PublicURL != "" {
		a.Addresses = append(a.Addresses, s.cfg.PublicURL)
	}
	if s.door != nil && s.cfg.Beyond() {
		a.State, a.Door = s.doorState()
		a.Addresses = append(a.Addresses, s.cfg.Addresses()...)
		a.Fingerprint = strings.ReplaceAll(s.door.Fingerprint(), ":", " ")
	}
	return a
}
