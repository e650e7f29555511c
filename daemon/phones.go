package daemon

import (
	"context"
	"log/slog"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/outbox"
	"standwatch/daemon/people"
	"standwatch/daemon/web"
)

// openPush opens who is told by push.
func openPush(ctx context.Context, b *Box, s *Site, log *slog.Logger) (*outbox.Push, error) {
	c := s.Outbox.Push
	if c.Contact == "" && strings.HasPrefix(s.Web.PublicURL, "https://") {
		c.Contact = s.Web.PublicURL
	}
	return outbox.OpenPush(ctx, outbox.PushParts{
		Config: c, Shelf: b.Journal.Shelf("push"), Now: time.Now, Flags: "/flags", Log: log,
		Known: func(ctx context.Context, person string) bool {
			all, err := b.People.List(ctx)
			return err != nil || !b.People.Claimed() || slices.ContainsFunc(all, func(p people.Person) bool { return p.Name == person })
		},
	})
}

// phones lets the screens subscribe browsers to pushes.
type phones struct {
	push *outbox.Push
	box  *Box
}

// Phones is what the screens need to let a browser be told by push.
func (b *Box) Phones() web.Phones { return phones{b.Push, b} }

func (p phones) Key() string { return p.push.PublicKey() }

func (p phones) List(ctx context.Context, person string) (all []web.Phone, err error) {
	devices, err := p.push.List(ctx, person)
	for _, d := range devices {
		all = append(all, web.Phone{ID: d.ID, Person: d.Person, Name: d.Name, WakeOnly: d.WakeOnly, Added: d.Added, Last: d.Last, Trouble: d.Trouble})
	}
	return all, err
}

func (p phones) Add(ctx context.Context, x web.Phone, s web.Subscription) error {
	_, err := p.push.Add(ctx, outbox.Device{Person: x.Person, Name: x.Name, WakeOnly: x.WakeOnly, Endpoint: s.Endpoint, Key: s.Key, Secret: s.Secret})
	if err != nil {
		return err
	}
	return p.box.Outbox.Resettle(ctx)
}

func (p phones) Remove(ctx context.Context, person, id string) error {
	if err := p.push.Remove(ctx, person, id); err != nil {
		return err
	}
	return p.box.Outbox.Resettle(ctx)
}

func (p phones) Try(ctx context.Context, person, id, sentence string) error {
	return p.push.Try(ctx, person, id, sentence)
}
