package web

import (
	"net/http"
	"slices"
)

// place is one of the pages that the others are reached from.
type place struct {
	Name string // of its page
	URL  string
	Of   []string // pages that belong to it
	Near bool     // in the row of a phone, which has room for four; the others stand on the page More
}

// The pages in the order of a desk's row. A page that this build does not have is not offered.
var places = []place{
	{Name: "now", URL: "/", Near: true},
	{Name: "trace", URL: "/trace", Near: true},
	{Name: "steps", URL: "/steps", Of: []string{"step", "takeoff", "sheet", "typed", "confirm", "mark", "checks", "check", "import"}, Near: true},
	{Name: "ledger", URL: "/ledger"},
	{Name: "branches", URL: "/branches"},
	{Name: "record", URL: "/record", Of: []string{"job", "earlier"}},
	{Name: "points", URL: "/points", Of: []string{"point"}},
	{Name: "flags", URL: "/flags", Of: []string{"ack"}, Near: true},
	{Name: "watch", URL: "/watch"},
	{Name: "people", URL: "/people"},
	{Name: "phone", URL: "/phone"},
	{Name: "box", URL: "/box"},
}

// navLink is a place as the row shows it.
type navLink struct {
	Name, URL, Title, Help string
	Here, Near             bool
}

// nav is the row of pages. More stands at its end, for the narrow row only.
func (s *screens) nav(page string) (links []navLink) {
	more := navLink{Name: "more", URL: "/more", Title: s.words.say("nav.more"), Here: page == "more", Near: true}
	for _, p := range places {
		if s.pages[p.Name] == nil {
			continue
		}
		l := navLink{Name: p.Name, URL: p.URL, Title: s.words.say("nav." + p.Name), Help: s.words.say("more." + p.Name),
			Here: p.Name == page || slices.Contains(p.Of, page), Near: p.Near}
		more.Here = more.Here || l.Here && !l.Near
		links = append(links, l)
	}
	return append(links, more)
}

// moreView is the page More: what else there is, and how to read the shapes.
type moreView struct {
	Links  []navLink
	States []stateWord
}

type stateWord struct{ State, Word string }

// shown are the states whose shapes the page More explains.
var explained = []string{waiting, underWay, "passed", "failed", "not-proven", reported, ended}

func (s *screens) morePage(w http.ResponseWriter, r *http.Request) {
	v := s.frame(r, "more", s.box.Now())
	var m moreView
	for _, l := range v.Nav {
		if l.Name != "more" {
			m.Links = append(m.Links, l)
		}
	}
	for _, state := range explained {
		m.States = append(m.States, stateWord{state, s.words.say("more.state." + state)})
	}
	v.Body = m
	s.write(w, http.StatusOK, "more", v)
}
