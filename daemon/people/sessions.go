package people

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"standwatch/daemon/journal"
)

// How long a session lasts; our choice. A start-up takes days, a weekend among
// them: nobody is thrown out in the middle of a night in which he is needed.
const (
	SessionLength = 30 * 24 * time.Hour
	SessionIdle   = 5 * 24 * time.Hour
	usedEvery     = 5 * time.Minute // how often a session's last use is written down
	mostSessions  = 20              // of one person or link; the longest unused one goes
)

// From is where somebody comes from, for who looks through the sessions.
type From struct {
	Address string
	Device  string // what the browser says it is
}

// session is one on the shelf, under the SHA-256 of its token.
type session struct {
	Person     string `json:",omitempty"` // the person's key
	Share      string `json:",omitempty"` // the key of the link that only shows
	From       From
	Made, Used Moment
}

// over reports whether a session has had its time. That of a link ends with it.
func (x *session) over(now Moment) bool {
	return x.Made.Since(now) >= SessionLength || x.Used.Since(now) >= SessionIdle
}

// Session is a session as a person sees it.
type Session struct {
	ID    string // no secret
	Name  string // whose
	Share string // the link by which it came in; empty: with a password
	From  From
	Made  Moment
	Used  Moment
}

// newToken makes 256 bits for a person to carry, and the key under which the
// box keeps what they open.
func newToken() (token, key string, err error) {
	b := make([]byte, 32)
	if _, err := rand.Read(b); err != nil {
		return "", "", err
	}
	token = base64.RawURLEncoding.EncodeToString(b)
	return token, keyOf(token), nil
}

// keyOf is what the box keeps of a token. Looking it up by its hash takes no
// longer for a token that is nearly right.
func keyOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// held is a request under way.
type held struct{ end context.CancelFunc }

// Enter lets in who carries a session's token. The context it returns carries
// who it is (Of), and ends when the session does: a page that stays open is no
// way around a revocation. Call done when the request is over.
func (s *Store) Enter(ctx context.Context, token string) (_ context.Context, done func(), ok bool, err error) {
	id := keyOf(token)
	// Held before it is looked up: a revocation in between finds it.
	ctx, end := context.WithCancel(ctx)
	h := &held{end}
	s.hold(id, h)
	leave := func() { s.release(id, h); end() }
	v, left, ok, err := s.visitor(ctx, id)
	if !ok || err != nil {
		leave()
		return nil, nil, false, err
	}
	ctx, stop := context.WithTimeout(With(ctx, v), left)
	return ctx, func() { stop(); leave() }, true, nil
}

// BeforeClaim lets in who needs no session because the box is nobody's yet, for
// as long as it is.
func (s *Store) BeforeClaim(ctx context.Context) (_ context.Context, done func()) {
	ctx, end := context.WithCancel(ctx)
	h := &held{end}
	s.hold("", h)
	if s.Claimed() { // in between
		end()
	}
	return ctx, func() { s.release("", h); end() }
}

func (s *Store) hold(id string, h *held) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[id] == nil {
		s.open[id] = map[*held]bool{}
	}
	s.open[id][h] = true
}

func (s *Store) release(id string, h *held) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open[id], h)
	if len(s.open[id]) == 0 {
		delete(s.open, id)
	}
}

// end ends the requests under way of sessions that are gone.
func (s *Store) end(ids ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, id := range ids {
		for h := range s.open[id] {
			h.end()
		}
	}
}

// visitor looks up who a session belongs to, and for how long.
func (s *Store) visitor(ctx context.Context, id string) (v Visitor, left time.Duration, ok bool, err error) {
	var x session
	if ok, err = s.j.Shelf(sessionShelf).Get(ctx, id, &x); !ok || err != nil {
		return v, 0, false, err
	}
	now := s.Now()
	if x.over(now) {
		return v, 0, false, nil
	}
	left = SessionLength - x.Made.Since(now)
	if x.Share != "" {
		var l link
		if ok, err = s.j.Shelf(shareShelf).Get(ctx, x.Share, &l); !ok || err != nil || l.over(now) {
			return v, 0, false, err
		}
		v, left = Visitor{Name: l.For, Role: Viewer, Session: id, Share: x.Share}, min(left, l.Length-l.Made.Since(now))
	} else {
		var p kept
		if ok, err = s.j.Shelf(personShelf).Get(ctx, x.Person, &p); !ok || err != nil {
			return v, 0, false, err
		}
		v = Visitor{Name: p.Name, Role: p.Role, Session: id}
	}
	if x.Used.Since(now) >= usedEvery {
		_ = s.j.Change(func(tx *journal.Change) error { // a full disk is no reason to throw somebody out
			if ok, err := tx.Get(sessionShelf, id, &x); !ok || err != nil {
				return err // revoked meanwhile
			}
			x.Used = now
			return tx.Put(sessionShelf, id, x)
		})
	}
	return v, left, true, nil
}

// begin makes a session, and drops the longest unused ones where its owner has
// too many.
func (s *Store) begin(tx *journal.Change, now Moment, x session) (token string, err error) {
	token, key, err := newToken()
	if err != nil {
		return "", err
	}
	x.Made, x.Used = now, now
	type one struct {
		id   string
		used time.Duration
	}
	var others []one
	err = tx.Each(sessionShelf, func(id string, body []byte) error {
		var y session
		if err := json.Unmarshal(body, &y); err != nil {
			return err
		}
		if y.Person == x.Person && y.Share == x.Share {
			others = append(others, one{id, y.Used.Lived})
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	slices.SortFunc(others, func(a, b one) int { return cmp.Compare(b.used, a.used) })
	for i := mostSessions - 1; i < len(others); i++ {
		if err := tx.Drop(sessionShelf, others[i].id); err != nil {
			return "", err
		}
	}
	if err := tx.Put(livedShelf, "box", lived{now.Lived}); err != nil { // or a restart would make it younger than what it keeps
		return "", err
	}
	return token, tx.Put(sessionShelf, key, x)
}

// LogIn checks a name and a password and begins a session. The token of an
// earlier session of the same browser, if any, counts no more: whoever planted
// it has nothing.
func (s *Store) LogIn(ctx context.Context, name, password, earlier string, from From) (token string, err error) {
	key := fold(name)
	counted := []who{{"log in from", neighbour(from.Address)}}
	if key != "" && !s.knows(ctx, key, from.Address) {
		counted = append(counted, who{"name", keyOf(key)}) // a hash: a name may be as long as somebody likes
	}
	if err := s.tries.take(s.Now().Lived, counted...); err != nil {
		return "", err
	}
	var p kept
	found, err := s.j.Shelf(personShelf).Get(ctx, key, &p)
	if err != nil {
		return "", err
	}
	if !found {
		p.Hash = nobody
	}
	right, err := s.matches(ctx, password, p.Hash)
	if err != nil {
		s.tries.back(counted...)
		return "", err
	}
	if !right || !found {
		return "", ErrWrong
	}
	s.tries.good(counted...)
	err = s.j.Change(func(tx *journal.Change) error {
		var again kept // removed, or with another password, while the hash was made
		if ok, err := tx.Get(personShelf, key, &again); err != nil || !ok || again.Hash != p.Hash {
			return cmp.Or(err, ErrWrong)
		}
		if err := tx.Drop(sessionShelf, keyOf(earlier)); err != nil {
			return err
		}
		token, err = s.begin(tx, s.Now(), session{Person: key, From: from})
		return err
	})
	return token, err
}

// knows reports whether a person has a session from an address: there the
// wrong tries of strangers with his name do not slow him down.
func (s *Store) knows(ctx context.Context, person, address string) bool {
	found := false
	_ = s.j.Shelf(sessionShelf).Each(ctx, func(_ string, body []byte) error { // not known is the safe answer
		var x session
		if json.Unmarshal(body, &x) == nil && x.Person == person && neighbour(x.From.Address) == neighbour(address) {
			found = true
		}
		return nil
	})
	return found && neighbour(address) != ""
}

// Sessions lists the sessions that count, the one used last first.
func (s *Store) Sessions(ctx context.Context) (all []Session, err error) {
	names := map[string]string{}
	people, err := s.List(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range people {
		names[fold(p.Name)] = p.Name
	}
	shares, err := s.Shares(ctx)
	if err != nil {
		return nil, err
	}
	for _, l := range shares {
		names["share "+l.ID] = l.For
	}
	now := s.Now()
	err = s.j.Shelf(sessionShelf).Each(ctx, func(id string, body []byte) error {
		var x session
		if err := json.Unmarshal(body, &x); err != nil {
			return err
		}
		name := names[x.Person]
		if x.Share != "" {
			name = names["share "+x.Share]
		}
		if name != "" && !x.over(now) {
			all = append(all, Session{id, name, x.Share, x.From, x.Made, x.Used})
		}
		return nil
	})
	slices.SortStableFunc(all, func(a, b Session) int { return cmp.Compare(b.Used.Lived, a.Used.Lived) })
	return all, err
}

// Revoke ends a session; who may do so is the caller's matter. Logging out, by
// which a session ends itself, is not told to the journal.
func (s *Store) Revoke(by Visitor, id string) error {
	err := s.j.Change(func(tx *journal.Change) error {
		var x session
		if ok, err := tx.Get(sessionShelf, id, &x); err != nil || !ok {
			return err // over already
		}
		if err := tx.Drop(sessionShelf, id); err != nil || id == by.Session {
			return err
		}
		whose, err := owner(tx, x)
		if err != nil {
			return err
		}
		return s.tell(tx, by.Name, by.Name+" ended a session of "+whose)
	})
	if err == nil {
		s.end(id)
	}
	return err
}

// owner is who came in by a session.
func owner(tx *journal.Change, x session) (string, error) {
	if x.Share != "" {
		var l link
		_, err := tx.Get(shareShelf, x.Share, &l)
		return l.For + " (a link that only shows)", err
	}
	var p kept
	_, err := tx.Get(personShelf, x.Person, &p)
	return p.Name, err
}

// Password gives a person who knows the present password another one. All his
// sessions end; the one that asks gets a new token.
func (s *Store) Password(ctx context.Context, v Visitor, present, password string, from From) (token string, err error) {
	key := fold(v.Name)
	if v.Share != "" {
		return "", ErrWrong
	}
	if err := fit(password, v.Name); err != nil {
		return "", err
	}
	mine := who{"log in from", v.Session}
	if err := s.tries.take(s.Now().Lived, mine); err != nil {
		return "", err
	}
	var p kept
	if ok, err := s.j.Shelf(personShelf).Get(ctx, key, &p); err != nil || !ok {
		return "", cmp.Or(err, ErrWrong)
	}
	right, err := s.matches(ctx, present, p.Hash)
	if err != nil {
		s.tries.back(mine)
		return "", err
	}
	if !right {
		return "", ErrWrong
	}
	s.tries.good(mine)
	hash, err := s.hash(ctx, password)
	if err != nil {
		return "", err
	}
	var gone []string
	err = s.j.Change(func(tx *journal.Change) error {
		var again kept
		if ok, err := tx.Get(personShelf, key, &again); err != nil || !ok || again.Hash != p.Hash {
			return cmp.Or(err, ErrWrong)
		}
		again.Hash = hash
		if err := tx.Put(personShelf, key, again); err != nil {
			return err
		}
		if gone, err = dropSessions(tx, func(x session) bool { return x.Person == key }); err != nil {
			return err
		}
		if token, err = s.begin(tx, s.Now(), session{Person: key, From: from}); err != nil {
			return err
		}
		return s.tell(tx, p.Name, p.Name+" changed the password of "+p.Name+"; earlier sessions ended")
	})
	if err == nil {
		s.end(gone...)
	}
	return token, err
}

// dropSessions ends the sessions that are meant and names them.
func dropSessions(tx *journal.Change, meant func(session) bool) (gone []string, err error) {
	err = tx.Each(sessionShelf, func(id string, body []byte) error {
		var x session
		if err := json.Unmarshal(body, &x); err != nil {
			return err
		}
		if !meant(x) {
			return nil
		}
		gone = append(gone, id)
		return tx.Drop(sessionShelf, id)
	})
	return gone, err
}
