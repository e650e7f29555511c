package daemon

import (
	"context"
	"time"

	"standwatch/daemon/clock"
	"standwatch/daemon/outbox"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// This file joins the outbox to what it needs of the daemon, and to the pages.

// moment is now, by the machine's clock and by the newest anchor of its wall clock.
func (d *Daemon) moment() clock.Moment {
	g := d.judging
	g.mu.Lock()
	defer g.mu.Unlock()
	at := g.view.at
	if !d.parts.OwnTimes && g.view.boot != 0 {
		at = rules.Instant{Boot: g.view.boot, Since: d.parts.Clock.Stamp(0)}
	}
	m := clock.Moment{Machine: d.parts.Machine, Since: at.Since, Proven: g.view.anchors[at.Boot].Proven}
	m.Wall, _ = g.view.anchors.Wall(at)
	return m
}

// stands is how a step under way stands, in the words of the top of the screen.
func (d *Daemon) stands(system, step string) string {
	g := d.judging
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, o := range g.engine.Outlooks(g.view.at) {
		if o.Name == step && o.System == system {
			return o.Sentence
		}
	}
	return ""
}

// keeper is the rota, as the page Watch shows and changes it.
type keeper struct{ b *Box }

// Rota is the box's rota, for its pages.
func (b *Box) Rota() web.Keeper { return keeper{b} }

// Watching says how the watch stands.
func (k keeper) Watching() web.Watching {
	o := k.b.Outbox
	w, own := o.Watch()
	x := web.Watching{Own: own, Rota: web.Rota{Quiet: w.Quiet}}
	for _, p := range w.People {
		x.People = append(x.People, web.OnRota(p))
	}
	x.Order, x.On, x.Still = o.OnWatch()
	for _, p := range o.Paths() {
		nobody := p.Name == outbox.PushPath && !k.b.Push.Taken(context.Background())
		x.Paths = append(x.Paths, web.WatchPath{Name: p.Name, Group: p.Group, Wakes: p.Least == rules.Wake, Tries: !nobody, Nobody: nobody, FollowerState: p.FollowerState})
	}
	return x
}

// SetRota changes the rota.
func (k keeper) SetRota(ctx context.Context, r *web.Rota) error {
	if r == nil {
		return k.b.Outbox.SetWatch(ctx, nil)
	}
	w := &outbox.Watch{Quiet: r.Quiet}
	for _, p := range r.People {
		w.People = append(w.People, outbox.Person(p))
	}
	return k.b.Outbox.SetWatch(ctx, w)
}

// TryPath sends a test message.
func (k keeper) TryPath(ctx context.Context, path string) error { return k.b.Outbox.Try(ctx, path) }

// links are the links in messages, as the pages show them.
type links struct{ b *Box }

// AckLinks are the acknowledgement links of the box, for its pages.
func (b *Box) AckLinks() web.Links { return links{b} }

// Look says how a link's flag stands.
func (l links) Look(ctx context.Context, id int64, until time.Duration, key string) (web.Link, bool, error) {
	x, ok, err := l.b.Outbox.Look(ctx, id, until, key)
	return shown(x), ok, err
}

// Use acknowledges by a link.
func (l links) Use(ctx context.Context, id int64, until time.Duration, key, by string) (web.Link, bool, error) {
	x, ok, err := l.b.Outbox.Use(ctx, id, until, key, by, l.b.Tell)
	return shown(x), ok, err
}

func shown(x outbox.Link) web.Link {
	return web.Link{Finding: x.Finding, State: x.State, By: x.By, When: x.When}
}
