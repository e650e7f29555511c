package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"
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
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	default:
		w.Header().Set("Retry-After", "30")
		s.refuse(w, r, http.StatusServiceUnavailable, "refused.streams")
		return
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
	tick := time.NewTicker(s.beat)
	defer tick.Stop()
	dirty := true
	for id := 1; ; {
		// Ages grow while nothing changes: look again now and then.
		if dirty || time.Since(lastEvent) >= 2*time.Second {
			// A picture reads the journal: not at every beat.
			picture := wantsPicture && time.Since(lastPicture) >= pictureEvery
			if picture {
				lastPicture = time.Now()
			}
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
			dirty, lastEvent, lastWord = false, time.Now(), time.Now()
		}
		if time.Since(lastWord) >= s.ping {
			if !send(": still here\n\n") {
				return
			}
			lastWord = time.Now()
		}
		select { // at least one beat between two events
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
		select {
		case <-changed:
			dirty = true
		default:
		}
	}
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
