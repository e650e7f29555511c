package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"standwatch/rules"
)

// signRoles are those who sign a hand-over, as the trade has them.
var signRoles = []string{"technician", "supervisor", "contractor", "owner", "witness"}

// roleOf is the word for who signed; a role from a field log is said as it stands.
func (s *screens) roleOf(role string) string {
	if slices.Contains(signRoles, role) {
		return s.words.name("signs", role)
	}
	return role
}

// postSigned records a name, and the drawing where one was made. A name typed
// alone counts as well: the page works without script.
func (s *screens) postSigned(w http.ResponseWriter, r *http.Request) {
	f, snap, job, ok := s.ofJob(w, r)
	if !ok {
		return
	}
	x, problem := s.signedBy(f)
	if problem != "" {
		s.writeRecord(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	if len(snap.Site.Systems) > 1 {
		x.System = job.System
	}
	x.Number = job.Number
	s.record(w, r, "signed", recordURL(job.System, job.Number)+"#signed",
		rules.Told{Kind: "mark", Name: rules.MarkSigned, System: job.System, Note: x.Note()}) // who is logged in stands under it; else nobody but who signs
}

// signedBy reads the form of a name.
func (s *screens) signedBy(f url.Values) (x rules.Signed, problem string) {
	x.Role, x.Name = f.Get("role"), tidy(f.Get("name"), mostName)
	x.Name = strings.TrimSpace(strings.ReplaceAll(x.Name, ", drawn ", ", "))
	switch {
	case !slices.Contains(signRoles, x.Role):
		return x, s.words.say("problem.sign-role")
	case x.Name == "":
		return x, s.words.say("problem.sign-name")
	}
	if text := f.Get("strokes"); text != "" {
		var ok bool
		if x.Strokes, ok = rules.ReadStrokes(text); !ok {
			return x, s.words.say("problem.sign-drawing")
		}
	}
	return x, ""
}
