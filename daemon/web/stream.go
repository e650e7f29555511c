package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"standwatch/daemon/people"
)

// update is one event of a stream: the parts of the page that have changed.
type update struct {
	Clock string            `json:"clock"` // the box's time of day, for "lost at"
	Now   int64             `json:"now"`   // Unix ms by the box
	Parts map[string]string `json:"parts,omitempty"`
}

const pictureEvery = 5 * time.Second

// stream keeps one open page up to date. A client never has more than the
// newest state coming: what it was too slow for is not kept.
func (s *screens) stream(w http.ResponseWriter, r *http.Request) {
	page := r.URL.Query().Get("page")
	if _, ok := liveParts[page]; !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.page")
		return
	}
	places := []chan struct{}{s.places}
	if v, ok := people.Of(r.Context()); ok && v.Share != "" { // whoever was given a link leaves room for who has a password
		places = append(places, s.shown)
	}
	for _, p := range places {
		select {
		case p <- struct{}{}:
			defer func() { <-p }()
		default:
			w.Header().Set("Retry-After", "30")
			s.refuse(w, r, http.StatusServiceUnavailable, "refused.streams")
			return
		}
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	out := http.NewResponseController(w)
	send := func(text string) bool {
		// The server's write time-out would end a stream that is well.
		_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := w.Write([]byte(text)); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	changed, stop := s.box.Watch()
	defer stop()
	sent := map[string]string{}
	wantsPicture := r.URL.Query().Get("svg") == "1"
	var lastEvent, lastWord, lastPicture time.Time
	var told news
	wait := time.NewTimer(0)
	defer wait.Stop()
	dirty := true
	for id := 1; ; {
		since := time.Since(lastEvent)
		due := since >= staleAfter || dirty && since >= s.beat // ages grow while nothing changes: look again now and then
		if dirty && !due && since >= s.beat/newsFaster {
			due = newsOf(s.box.Now()) != told
		}
		if due {
			// A picture reads the journal: not at every beat.
			picture := wantsPicture && time.Since(lastPicture) >= pictureEvery
			if picture {
				lastPicture = time.Now()
			}
			dirty, told = false, newsOf(s.box.Now())
			u, err := s.changes(r, page, sent, picture)
			if err != nil {
				s.log.Error("a live page could not be written", "page", page, "error", err)
				return
			}
			text, err := json.Marshal(u)
			if err != nil {
				return
			}
			if !send(fmt.Sprintf("id: %d\ndata: %s\n\n", id, text)) {
				return
			}
			id++
			lastEvent, lastWord = time.Now(), time.Now()
		}
		if time.Since(lastWord) >= s.ping {
			if !send(": still here\n\n") {
				return
			}
			lastWord = time.Now()
		}
		next := staleAfter - time.Since(lastEvent)
		if dirty {
			next = s.beat - time.Since(lastEvent)
		}
		wait.Reset(min(max(next, time.Millisecond), s.ping))
		select {
		case <-r.Context().Done():
			return
		case <-changed:
			dirty = true
			if quiet := s.beat/newsFaster - time.Since(lastEvent); quiet > 0 { // not at every commit
				time.Sleep(quiet)
			}
		case <-wait.C:
		}
	}
}

// Figures move at the beat; what a person must see at once, a flag, a verdict, a mark
// or a step's begin, waits for a small part of it only.
const (
	staleAfter = 2 * time.Second
	newsFaster = 10
)

// news is what tells one state of the box from another, but for its figures.
type news struct {
	finding  int64
	mark     uint64
	flags    int
	taken    int // acknowledged
	running  int
	past     int
	newest   uint64 // begin of the step begun last
	heldBack int    // of what leaves the box
}

func newsOf(snap Snapshot) news {
	n := news{flags: len(snap.Flags), running: len(snap.Running), past: len(snap.Past)}
	if len(snap.Recent) > 0 {
		n.finding = snap.Recent[0].ID
	}
	if len(snap.Marks) > 0 {
		n.mark = snap.Marks[0].Seq
	}
	for _, f := range snap.Flags {
		if f.Acknowledged {
			n.taken++
		}
	}
	for _, st := range snap.Running {
		n.newest = max(n.newest, st.Begin)
	}
	for _, f := range snap.Outward {
		if !f.OK {
			n.heldBack++
		}
	}
	return n
}

// changes renders the page's live parts and keeps those that differ from sent.
func (s *screens) changes(r *http.Request, page string, sent map[string]string, picture bool) (update, error) {
	v, status := s.look(r, page, picture)
	u := update{Clock: v.Clock, Now: v.NowMs, Parts: map[string]string{}}
	if status != http.StatusOK {
		return u, nil
	}
	for _, part := range liveParts[page] {
		if part == "leadcurve" && !picture {
			continue
		}
		var b strings.Builder
		if err := s.pages[page].ExecuteTemplate(&b, part, v); err != nil {
			return u, err
		}
		if text := b.String(); sent[part] != text {
			sent[part] = text
			u.Parts[part] = text
		}
	}
	return u, nil
}
