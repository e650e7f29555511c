package web

import (
	"context"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/people"
)

// guarded is an invented night on a box that knows who may get in: a real
// store over a real journal, with a clock that the test moves.
type guarded struct {
	night *fakeBox
	*screens
	people  *people.Store
	journal *journal.Journal
	mu      sync.Mutex
	since   time.Duration
	tokens  map[string]string // of sessions, by who has them
}

const goodPassword = "needles all night long"

func newGuarded(scene, dir string, opts ...Option) (*guarded, error) {
	g := &guarded{night: newFakeBox(scene), tokens: map[string]string{}}
	var err error
	if g.journal, err = journal.Open(context.Background(), dir, slog.New(slog.DiscardHandler)); err != nil {
		return nil, err
	}
	g.people, err = people.Open(context.Background(), g.journal, []byte("the key of a box that is nowhere"), func() (time.Duration, int64, bool) {
		g.mu.Lock()
		defer g.mu.Unlock()
		return g.since, midnight.Add(4 * time.Hour).Add(g.since).UnixMilli(), true
	})
	if err != nil {
		return nil, err
	}
	g.screens = g.night.screens(append([]Option{WithPeople(g.people), WithMetrics(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = w.Write([]byte("standwatch_up 1\n"))
	}))}, opts...)...)
	return g, nil
}

func (g *guarded) pass(d time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.since += d
}

// settle claims the box for Ines, a technician, and lets Rui and a supervisor look on.
func (g *guarded) settle() error {
	ctx := context.Background()
	code, err := g.people.Code(ctx)
	if err != nil {
		return err
	}
	phone, desk := people.From{Address: "192.0.2.9", Device: "phone"}, people.From{Address: "192.0.2.7", Device: "computer"}
	if g.tokens["technician"], err = g.people.Claim(ctx, code, "Ines Duarte", goodPassword, "", phone); err != nil {
		return err
	}
	g.pass(time.Hour)
	ines := people.Visitor{Name: "Ines Duarte", Role: people.Technician}
	invitation, err := g.people.Invite(ines, "Rui", people.Viewer, 24*time.Hour)
	if err != nil {
		return err
	}
	if g.tokens["viewer"], err = g.people.Accept(ctx, invitation, "Rui Matos", goodPassword, "", desk); err != nil {
		return err
	}
	share, err := g.people.Share(ines, "Supervisor", 7*24*time.Hour)
	if err != nil {
		return err
	}
	if g.tokens["link"], err = g.people.OpenShare(ctx, share, "", desk); err != nil {
		return err
	}
	if _, err = g.people.Invite(ines, "", people.Technician, 72*time.Hour); err != nil {
		return err
	}
	g.pass(20 * time.Minute)
	return nil
}

// as lets every request through a handler carry somebody's session.
func (g *guarded) as(h http.Handler, who string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if token := g.tokens[who]; token != "" {
			r.AddCookie(&http.Cookie{Name: "standwatch", Value: token})
		}
		h.ServeHTTP(w, r)
	})
}
