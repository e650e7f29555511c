package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
)

// Rota is who is on watch, and when what does not wake anybody waits.
type Rota struct {
	People []OnRota
	Quiet  string // hours; empty: none
}

// OnRota is one person of the rota.
type OnRota struct {
	Name  string
	Paths []string
	Hours string // empty: at any hour
}

// Watching is how the watch stands.
type Watching struct {
	Rota
	Own   bool     // the rota was entered here, and not in the site file
	Order []string // whom a wake calls, in order, if it were now
	On    bool     // the first of them is on watch by his hours
	Still bool     // the quiet hours hold
	Paths []WatchPath
}

// WatchPath is one way out: a webhook, one mail address, ...
type WatchPath struct {
	Name   string
	Group  string // a name that stands for it and others; may be its own
	Wakes  bool   // it takes only what wakes
	Tries  bool   // a test message can be sent by it
	Nobody bool   // no phone has asked for its messages yet
	journal.FollowerState
}

// Keeper keeps the rota, and sends test messages.
type Keeper interface {
	Watching() Watching
	// SetRota changes the rota; nil: back to the site file's. The error says what is wrong with it.
	SetRota(ctx context.Context, r *Rota) error
	// TryPath sends a test message; the error is how it failed, in the other side's words.
	TryPath(ctx context.Context, path string) error
}

// WithKeeper gives the page Watch its rota.
func WithKeeper(k Keeper) Option { return func(s *screens) { s.keeper = k } }

// spareRows of the rota's form are for people who are added.
const spareRows = 2

// watchView is the page Watch.
type watchView struct {
	Sentence, Quiet string
	Now             bool // somebody is on the rota
	Own             bool
	Paths           []watchPathView
	Rows            []rotaRow
	QuietHours      string
	Tried           string // what came of a test message
	TriedShape      string
}

type watchPathView struct {
	Name, State, Sentence, For string
	Wakes, Tries               bool
	Waiting, Quarantined       int64
	Last                       moment
}

type rotaRow struct {
	Spare       bool // for somebody more: folded away, or the form is long on a phone
	N           int
	Title       string
	Name, Hours string
	Paths       []option
}

func (s *screens) watchPage(w http.ResponseWriter, r *http.Request) {
	s.showWatch(w, r, http.StatusOK, nil, "", "", "")
}

// showWatch shows the page, with a rota as it was typed where that was wrong.
func (s *screens) showWatch(w http.ResponseWriter, r *http.Request, status int, typed *Rota, problem, tried, shape string) {
	if s.keeper == nil {
		s.lost(w, r)
		return
	}
	snap := s.box.Now()
	k := s.keeper.Watching()
	v := s.frame(r, "watch", snap)
	v.Problem, v.Path = problem, "/watch"
	b := watchView{Own: k.Own, Now: len(k.Order) > 0, Tried: tried, TriedShape: shape}
	switch {
	case len(k.Order) == 0:
		b.Sentence = s.words.say("watch.nobody")
	case !k.On:
		b.Sentence = s.words.say("watch.off", k.Order[0])
	default:
		b.Sentence = s.words.say("watch.on", k.Order[0])
	}
	if len(k.Order) > 1 {
		b.Sentence += " " + s.words.say("watch.then", strings.Join(k.Order[1:], ", "))
	}
	if b.Now && k.Quiet != "" {
		b.Quiet = s.words.say("watch.quiet-later", k.Quiet)
		if k.Still {
			b.Quiet = s.words.say("watch.quiet-now", k.Quiet)
		}
	}
	for _, p := range k.Paths {
		x := watchPathView{Name: p.Name, State: "suspect", Sentence: p.Sentence, Wakes: p.Wakes, Tries: p.Tries, Waiting: p.Waiting, Quarantined: p.Quarantined,
			Last: s.words.moment(p.LastDone, snap.Wall, snap.zone()), For: s.words.say("watch.path-all")}
		switch {
		case p.Nobody:
			x.State, x.Sentence = waiting, s.words.say("watch.no-phone")
		case p.OK && p.LastDone.IsZero() && p.Quarantined > 0: // all that was sent was refused, which its sentence says
		case p.OK && p.LastDone.IsZero(): // a square would say that it works, which nobody has seen
			x.State, x.Sentence = waiting, s.words.say("watch.untried")
		case p.OK:
			x.State = "good"
		}
		var names []string
		for _, one := range k.People {
			for _, path := range one.Paths {
				if path == p.Name || path == p.Group {
					names = append(names, one.Name)
					break
				}
			}
		}
		if len(names) > 0 {
			x.For = strings.Join(names, ", ")
		}
		b.Paths = append(b.Paths, x)
	}
	rota := k.Rota
	if typed != nil {
		rota = *typed
	}
	b.QuietHours, b.Rows = rota.Quiet, s.rotaRows(rota, k.Paths)
	v.Body = b
	s.write(w, status, "watch", v)
}

func (s *screens) rotaRows(rota Rota, paths []WatchPath) (rows []rotaRow) {
	var names []string // of groups, and of the paths of those that have several
	for i, p := range paths {
		if i == 0 || paths[i-1].Group != p.Group {
			names = append(names, p.Group)
		}
		if i > 0 && paths[i-1].Group == p.Group || i+1 < len(paths) && paths[i+1].Group == p.Group {
			names = append(names, p.Name)
		}
	}
	for i := range len(rota.People) + spareRows {
		row := rotaRow{N: i, Title: s.words.say("watch.spare"), Spare: i >= len(rota.People) && len(rota.People) > 0}
		var has []string
		if i < len(rota.People) {
			row.Name, row.Hours, has = rota.People[i].Name, rota.People[i].Hours, rota.People[i].Paths
			row.Title = s.words.say("watch.person", i+1)
		}
		for _, h := range has { // a mail server's only address by its own name
			if !slices.Contains(names, h) {
				row.Paths = append(row.Paths, option{Value: h, Title: h, Chosen: true})
			}
		}
		for _, n := range names {
			o := option{Value: n, Title: n}
			for _, h := range has {
				o.Chosen = o.Chosen || h == n
			}
			row.Paths = append(row.Paths, o)
		}
		rows = append(rows, row)
	}
	return rows
}

// mostRota bounds the rows that a form may have.
const mostRota = 40

// postWatch changes the rota.
func (s *screens) postWatch(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	if s.keeper == nil {
		s.lost(w, r)
		return
	}
	f := r.PostForm
	var rota *Rota
	if f.Get("do") != "site-file" {
		rota = &Rota{Quiet: tidy(f.Get("quiet"), mostName)}
		for i := range mostRota {
			name := tidy(f.Get(fmt.Sprint("name", i)), mostName)
			if name == "" {
				continue
			}
			one := OnRota{Name: name, Hours: tidy(f.Get(fmt.Sprint("hours", i)), mostName)}
			for _, p := range f[fmt.Sprint("path", i)] {
				one.Paths = append(one.Paths, tidy(p, mostNote))
			}
			rota.People = append(rota.People, one)
		}
	}
	if err := s.keeper.SetRota(r.Context(), rota); err != nil {
		s.showWatch(w, r, http.StatusUnprocessableEntity, rota, s.words.say("problem.watch", err.Error()), "", "")
		return
	}
	http.Redirect(w, r, "/watch?done=watch", http.StatusSeeOther)
}

// postTryPath sends a test message and says how it went.
func (s *screens) postTryPath(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	if s.keeper == nil {
		s.lost(w, r)
		return
	}
	path := tidy(r.PostForm.Get("path"), mostNote)
	ctx, cancel := context.WithTimeout(r.Context(), 25*time.Second) // within what the server allows for an answer
	defer cancel()
	if err := s.keeper.TryPath(ctx, path); err != nil {
		s.showWatch(w, r, http.StatusOK, nil, "", s.words.say("watch.tried-failed", path, err.Error()), "failed")
		return
	}
	s.showWatch(w, r, http.StatusOK, nil, "", s.words.say("watch.tried", path), "passed")
}
