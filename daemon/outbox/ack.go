package outbox

import (
	"context"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Link is what an acknowledgement link is of, and how that stands.
type Link struct {
	rules.Finding
	State string    // open, acknowledged, over, newer, expired
	By    string    // who acknowledged it
	When  time.Time // when; zero: nobody has
}

// What has become of a link's flag.
const (
	LinkOpen         = "open"         // the link acknowledges it
	LinkAcknowledged = "acknowledged" // somebody has, by this link or otherwise
	LinkOver         = "over"         // it was cleared
	LinkNewer        = "newer"        // it was raised again since, and a newer message has its link
	LinkExpired      = "expired"      // the link is too old
)

// Look says how the flag of a link stands; ok is false for a link that this box
// has never made. It changes nothing.
func (o *Outbox) Look(ctx context.Context, id int64, until time.Duration, key string) (l Link, ok bool, err error) {
	if o.parts.Links == nil || !o.parts.Links.Check(id, until, key) {
		return l, false, nil
	}
	found, err := o.parts.Journal.Findings(ctx, id-1, 1)
	if err != nil || len(found) != 1 || found[0].ID != id {
		return l, false, err
	}
	l.Finding = found[0].Finding
	if err := o.acknowledged(ctx, &l); err != nil {
		return l, true, err
	}
	open, err := o.parts.Journal.OpenFlags(ctx, 0)
	l.State = LinkOver
	for _, f := range open {
		if keyOf(f.Finding) != keyOf(l.Finding) {
			continue
		}
		switch {
		case f.Seq != l.Seq || f.At != l.At:
			l.State = LinkNewer
		case f.Acknowledged:
			l.State = LinkAcknowledged
		case o.since() > until:
			l.State = LinkExpired
		default:
			l.State = LinkOpen
		}
	}
	return l, true, err
}

// acknowledged finds the first mark by which a link's flag was acknowledged.
func (o *Outbox) acknowledged(ctx context.Context, l *Link) error {
	marks, err := o.parts.Journal.Told(ctx, l.Seq)
	if err != nil {
		return err
	}
	anchors, err := o.parts.Journal.Anchors(ctx)
	for _, e := range marks {
		b, ok := e.Body.(*rules.Told)
		if ok && b.Name == "acknowledged" && journal.Acknowledges(b, e.Seq, &rules.Flag{Finding: l.Finding}) {
			ms, _ := anchors.Wall(e.At)
			l.By, l.When = b.By, time.UnixMilli(ms).In(o.parts.Zone)
			return err
		}
	}
	return err
}

// since is now by the outbox's own clock.
func (o *Outbox) since() time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch {
	case o.s == nil:
		return 0
	case o.began.IsZero():
		return o.s.T
	}
	return o.s.T + time.Since(o.began)
}

// Use acknowledges by a link, once: tell records the mark, by which the link is
// used up. What it returns is how the link's flag stands after it.
func (o *Outbox) Use(ctx context.Context, id int64, until time.Duration, key, by string, tell func(context.Context, ...rules.Told) error) (l Link, ok bool, err error) {
	o.using.Lock()
	defer o.using.Unlock()
	l, ok, err = o.Look(ctx, id, until, key)
	if err != nil || !ok || l.State != LinkOpen {
		return l, ok, err
	}
	mark := rules.Told{Kind: "mark", Name: "acknowledged", System: l.System, Note: strings.TrimSpace(l.Flag + " " + l.Subject), By: by}
	if err := tell(ctx, mark); err != nil {
		return l, true, err
	}
	return o.Look(ctx, id, until, key)
}
