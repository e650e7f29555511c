// Package people is who may get in: people with their roles and passwords,
// their sessions, invitations, links that only show, and the code by which a
// box is claimed. All of it stands on shelves of the journal; nothing secret is
// kept that could be used by who reads it: of passwords an argon2id hash, of
// tokens a SHA-256.
//
// Nothing here knows of pages or requests but what a request carries: who is
// asking (Of).
package people

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"standwatch/daemon/journal"
)

// Role is what a person may do.
type Role string

// A technician acts and invites, a viewer reads.
const (
	Viewer     Role = "viewer"
	Technician Role = "technician"
)

// May reports whether who has the role may do what another one is needed for.
func (r Role) May(need Role) bool {
	return r == Technician || r == Viewer && need == Viewer
}

// Known reports whether it is a role at all.
func (r Role) Known() bool { return r == Technician || r == Viewer }

// Person is somebody who may log in.
type Person struct {
	Name string
	Role Role
	Made Moment
}

// kept is a person on the shelf.
type kept struct {
	Person
	Hash string // of the password, as argon2id writes it down
}

// Visitor is who is asking: a person with a session, or somebody with a link
// that only shows.
type Visitor struct {
	Name    string
	Role    Role
	Session string // the session's id, which is no secret
	Share   string // the id of the link that only shows; empty: a person with a password
}

type visitorKey struct{}

// With returns a context that carries who is asking.
func With(ctx context.Context, v Visitor) context.Context {
	return context.WithValue(ctx, visitorKey{}, v)
}

// Of returns who is asking; ok is false where nobody has logged in.
func Of(ctx context.Context) (v Visitor, ok bool) {
	v, ok = ctx.Value(visitorKey{}).(Visitor)
	return v, ok
}

// The shelves.
const (
	personShelf     = "person"     // by folded name
	sessionShelf    = "session"    // by the SHA-256 of its token
	invitationShelf = "invitation" // by the SHA-256 of its token
	shareShelf      = "share"      // by the SHA-256 of its token
	counterShelf    = "claim"      // one thing, "code"
	livedShelf      = "lived"      // one thing, "box"
	untoldShelf     = "access"     // what the journal is still to be told
)

// Clock is the box's time as Moment keeps it: the time since some fixed moment
// of this run, which never goes back, and the wall clock (Unix ms) with whether
// it can be believed.
type Clock func() (since time.Duration, wall int64, proven bool)

// Store is all who may get in.
type Store struct {
	j     *journal.Journal
	key   []byte
	clock Clock

	claimed atomic.Bool
	hashing chan struct{} // one hash at a time: a storm of log-ins must not eat the box
	waiting chan struct{} // and few wait for it
	tries   tries
	told    sync.Mutex // what the journal is to be told is told once

	mu       sync.Mutex
	base     time.Duration // how long the box had lived when this run began
	changed  chan struct{}
	window   time.Duration // lived, until which a code that `pair` printed counts
	question string        // that `pair` is to answer
	open     map[string]map[*held]bool
}

// Open reads who may get in. key is the box's own secret, by which its codes
// are made.
func Open(ctx context.Context, j *journal.Journal, key []byte, clock Clock) (*Store, error) {
	s := &Store{j: j, key: key, clock: clock, changed: make(chan struct{}), open: map[string]map[*held]bool{},
		hashing: make(chan struct{}, 1), waiting: make(chan struct{}, mostWaiting)}
	var was lived
	if _, err := j.Shelf(livedShelf).Get(ctx, "box", &was); err != nil {
		return nil, fmt.Errorf("how long the box has run: %w", err)
	}
	since, _, _ := clock()
	// A start counts as a whole beat, so that switching the box off and on does
	// not lengthen anything.
	s.base = was.Lived + livedBeat - since
	all, err := s.List(ctx)
	if err != nil {
		return nil, err
	}
	s.claimed.Store(len(all) > 0)
	return s, nil
}

// List returns everybody who may log in, in the order of their names.
func (s *Store) List(ctx context.Context) (all []Person, err error) {
	err = s.j.Shelf(personShelf).Each(ctx, func(_ string, body []byte) error {
		var k kept
		if err := json.Unmarshal(body, &k); err != nil {
			return err
		}
		all = append(all, k.Person)
		return nil
	})
	return all, err
}

// Claimed reports whether the box has a person. Until then whoever sits at the
// machine itself may do everything, and nobody else anything.
func (s *Store) Claimed() bool { return s.claimed.Load() }

// Changed returns a channel that is closed when the box is claimed, or opened
// for a claim.
func (s *Store) Changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// Announce says that something has changed.
func (s *Store) Announce() {
	s.mu.Lock()
	defer s.mu.Unlock()
	close(s.changed)
	s.changed = make(chan struct{})
}

// What people are told when something cannot be done.
var (
	ErrName     = errors.New("the name is missing or taken")
	ErrPassword = fmt.Errorf("the password does not serve: %d letters or more, of %d kinds at least, and not a name or a row of the keyboard", LeastPassword, leastLetters)
	ErrWrong    = errors.New("the name or the password is wrong")
	ErrCode     = errors.New("the code is wrong or used")
	ErrOver     = errors.New("the link is wrong, used or over")
	ErrBusy     = errors.New("too many are logging in at once")
	ErrLast     = errors.New("the last technician cannot be removed")
	ErrFull     = errors.New("there are too many of these already")
)

// fold is the key of a name: case and blanks do not tell people apart.
func fold(name string) string {
	return strings.ToLower(strings.Join(strings.Fields(name), " "))
}
