package people

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"standwatch/daemon/journal"
)

// How long links may last; our choice.
const (
	MostInvitation = 14 * 24 * time.Hour
	mostShare      = SessionLength
	mostLinks      = 50 // of a kind
	mostPeople     = 100
)

// link is an invitation, or a link that only shows, on its shelf under the
// SHA-256 of its token.
type link struct {
	For    string // whom it is for
	Role   Role   `json:",omitempty"` // of an invitation
	By     string
	Made   Moment
	Length time.Duration
}

func (l *link) over(now Moment) bool { return l.Made.Since(now) >= l.Length }

// Link is a link as a person sees it.
type Link struct {
	ID     string // no secret
	For    string
	Role   Role
	By     string
	Made   Moment
	Length time.Duration
}

// Invite makes an invitation: who opens it once may become a person.
func (s *Store) Invite(by Visitor, whom string, role Role, length time.Duration) (token string, err error) {
	if !role.Known() {
		return "", fmt.Errorf("%q is no role", role)
	}
	return s.link(invitationShelf, link{For: whom, Role: role, By: by.Name, Length: min(length, MostInvitation)},
		fmt.Sprintf("%s invited %s as %s", by.Name, cmp.Or(whom, "somebody"), role))
}

// Share makes a link that only shows.
func (s *Store) Share(by Visitor, whom string, length time.Duration) (token string, err error) {
	if whom == "" {
		return "", ErrName
	}
	return s.link(shareShelf, link{For: whom, By: by.Name, Length: min(length, mostShare)},
		fmt.Sprintf("%s gave %s a link that only shows", by.Name, whom))
}

func (s *Store) link(shelf string, l link, note string) (token string, err error) {
	token, key, err := newToken()
	if err != nil {
		return "", err
	}
	return token, s.j.Change(func(tx *journal.Change) error {
		n := 0
		if err := tx.Each(shelf, func(string, []byte) error { n++; return nil }); err != nil {
			return err
		}
		if n >= mostLinks {
			return ErrFull
		}
		l.Made = s.Now()
		if err := tx.Put(livedShelf, "box", lived{l.Made.Lived}); err != nil {
			return err
		}
		if err := tx.Put(shelf, key, l); err != nil {
			return err
		}
		return s.tell(tx, l.By, note)
	})
}

// Invitations lists those that nobody has used, the newest first.
func (s *Store) Invitations(ctx context.Context) ([]Link, error) {
	return s.links(ctx, invitationShelf)
}

// Shares lists the links that only show, the newest first.
func (s *Store) Shares(ctx context.Context) ([]Link, error) { return s.links(ctx, shareShelf) }

func (s *Store) links(ctx context.Context, shelf string) (all []Link, err error) {
	now := s.Now()
	err = s.j.Shelf(shelf).Each(ctx, func(id string, body []byte) error {
		var l link
		if err := json.Unmarshal(body, &l); err != nil {
			return err
		}
		if !l.over(now) {
			all = append(all, Link{id, l.For, l.Role, l.By, l.Made, l.Length})
		}
		return nil
	})
	slices.SortStableFunc(all, func(a, b Link) int { return cmp.Compare(b.Made.Lived, a.Made.Lived) })
	return all, err
}

// Accept makes a person of who brings an invitation, once, and begins a session.
func (s *Store) Accept(ctx context.Context, token, name, password, earlier string, from From) (session string, err error) {
	me := who{"code from", neighbour(from.Address)}
	if err := s.tries.take(s.Now().Lived, me); err != nil {
		return "", err
	}
	var l link
	if ok, err := s.j.Shelf(invitationShelf).Get(ctx, keyOf(token), &l); err != nil || !ok || l.over(s.Now()) {
		return "", cmp.Or(err, ErrOver)
	}
	s.tries.good(me)
	return s.join(ctx, name, password, earlier, from, func(tx *journal.Change, now Moment) (Role, string, error) {
		if ok, err := tx.Get(invitationShelf, keyOf(token), &l); err != nil || !ok || l.over(now) {
			return "", "", cmp.Or(err, ErrOver) // used meanwhile
		}
		if ok, err := tx.Get(personShelf, fold(name), &kept{}); err != nil || ok {
			return "", "", cmp.Or(err, ErrName)
		}
		return l.Role, fmt.Sprintf("%s came in as %s, invited by %s", name, l.Role, l.By), tx.Drop(invitationShelf, keyOf(token))
	})
}

// join makes a person, or gives one a new password, where by says that it may
// be, and as what; and begins a session. Sessions that the person has end.
func (s *Store) join(ctx context.Context, name, password, earlier string, from From,
	by func(*journal.Change, Moment) (Role, string, error)) (token string, err error) {
	key := fold(name)
	if key == "" {
		return "", ErrName
	}
	if err := fit(password, name); err != nil {
		return "", err
	}
	hash, err := s.hash(ctx, password)
	if err != nil {
		return "", err
	}
	var gone []string
	err = s.j.Change(func(tx *journal.Change) error {
		now := s.Now()
		role, note, err := by(tx, now)
		if err != nil {
			return err
		}
		n := 0
		if err := tx.Each(personShelf, func(string, []byte) error { n++; return nil }); err != nil {
			return err
		}
		if n >= mostPeople {
			return ErrFull
		}
		if gone, err = dropSessions(tx, func(x session) bool { return x.Person == key }); err != nil {
			return err
		}
		if err := tx.Drop(sessionShelf, keyOf(earlier)); err != nil {
			return err
		}
		if err := tx.Put(personShelf, key, kept{Person{Name: name, Role: role, Made: now}, hash}); err != nil {
			return err
		}
		if err := s.tell(tx, name, note); err != nil {
			return err
		}
		token, err = s.begin(tx, now, session{Person: key, From: from})
		return err
	})
	if err == nil {
		s.end(gone...)
		if !s.claimed.Swap(true) {
			s.end("")
			s.Announce()
		}
	}
	return token, err
}

// OpenShare begins a session of who brings a link that only shows.
func (s *Store) OpenShare(ctx context.Context, token, earlier string, from From) (opened string, err error) {
	me := who{"code from", neighbour(from.Address)}
	if err := s.tries.take(s.Now().Lived, me); err != nil {
		return "", err
	}
	err = s.j.Change(func(tx *journal.Change) error {
		var l link
		now := s.Now()
		if ok, err := tx.Get(shareShelf, keyOf(token), &l); err != nil || !ok || l.over(now) {
			return cmp.Or(err, ErrOver)
		}
		if err := tx.Drop(sessionShelf, keyOf(earlier)); err != nil {
			return err
		}
		opened, err = s.begin(tx, now, session{Share: keyOf(token), From: from})
		return err
	})
	if err == nil {
		s.tries.good(me)
	}
	return opened, err
}

// Withdraw takes back an invitation or a link that only shows; the sessions of
// the latter end.
func (s *Store) Withdraw(by Visitor, id string) error {
	if id == "" { // a session without a link is a person's
		return ErrOver
	}
	var gone []string
	err := s.j.Change(func(tx *journal.Change) (err error) {
		for _, shelf := range []string{invitationShelf, shareShelf} {
			var l link
			ok, err := tx.Get(shelf, id, &l)
			if err != nil {
				return err
			}
			if !ok {
				continue
			}
			if err := tx.Drop(shelf, id); err != nil {
				return err
			}
			what := "the invitation of"
			if shelf == shareShelf {
				what = "the link that only shows, of"
			}
			if err := s.tell(tx, by.Name, fmt.Sprintf("%s took back %s %s", by.Name, what, cmp.Or(l.For, "somebody"))); err != nil {
				return err
			}
		}
		gone, err = dropSessions(tx, func(x session) bool { return x.Share == id })
		return err
	})
	if err == nil {
		s.end(gone...)
	}
	return err
}

// Remove takes a person away, with the sessions he has and the links he made.
// One technician stays.
func (s *Store) Remove(by Visitor, name string) error {
	key := fold(name)
	var gone []string
	err := s.j.Change(func(tx *journal.Change) error {
		var p kept
		if ok, err := tx.Get(personShelf, key, &p); err != nil || !ok {
			return cmp.Or(err, ErrName)
		}
		others := 0
		err := tx.Each(personShelf, func(k string, body []byte) error {
			var q kept
			if err := json.Unmarshal(body, &q); err != nil {
				return err
			}
			if k != key && q.Role == Technician {
				others++
			}
			return nil
		})
		if err != nil {
			return err
		}
		if others == 0 {
			return ErrLast
		}
		shares := map[string]bool{}
		for _, shelf := range []string{invitationShelf, shareShelf} {
			err := tx.Each(shelf, func(id string, body []byte) error {
				var l link
				if err := json.Unmarshal(body, &l); err != nil || fold(l.By) != key {
					return err
				}
				shares[id] = true
				return tx.Drop(shelf, id)
			})
			if err != nil {
				return err
			}
		}
		if gone, err = dropSessions(tx, func(x session) bool { return x.Person == key || shares[x.Share] }); err != nil {
			return err
		}
		if err := tx.Drop(personShelf, key); err != nil {
			return err
		}
		return s.tell(tx, by.Name, fmt.Sprintf("%s removed %s, %s", by.Name, p.Name, p.Role))
	})
	if err == nil {
		s.end(gone...)
	}
	return err
}
