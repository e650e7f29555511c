package people

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"standwatch/daemon/journal"
)

// PairingLasts is how long the box lets somebody on the site network in to
// claim it, and takes the code of a claimed box, after `standwatch pair`.
const PairingLasts = 15 * time.Minute

// codeLetters leaves out the four that are taken for others.
const codeLetters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// Code is the one-time code of the box whose secret is key, after so many have
// been used. Twelve letters are 60 bits: nobody guesses that at a door that
// makes him wait.
func Code(key []byte, used uint64) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte("claim"))
	h.Write(binary.BigEndian.AppendUint64(nil, used))
	sum := h.Sum(nil)
	var b strings.Builder
	for i := range 12 {
		if i == 4 || i == 8 {
			b.WriteByte('-')
		}
		b.WriteByte(codeLetters[sum[i]&31])
	}
	return b.String()
}

// typedCode is a code as a person may type it.
func typedCode(text string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case 'O':
			return '0'
		case 'I', 'L':
			return '1'
		case '-', ' ', '\t', '\n', '\r', '\u00a0', '\u2011':
			return -1
		}
		return r
	}, strings.ToUpper(text))
}

// used counts the codes that have been used.
type used struct{ Codes uint64 }

// UsedCodes reads from a journal that another process may have open how many
// codes have been used, and whether the box is claimed.
func UsedCodes(ctx context.Context, r *journal.Reader) (n uint64, claimed bool, err error) {
	var u used
	if _, err := r.Shelved(ctx, counterShelf, "code", &u); err != nil {
		return 0, false, err
	}
	return u.Codes, u.Codes > 0, nil
}

// Code is the code that counts now.
func (s *Store) Code(ctx context.Context) (string, error) {
	var u used
	if _, err := s.j.Shelf(counterShelf).Get(ctx, "code", &u); err != nil {
		return "", err
	}
	return Code(s.key, u.Codes), nil
}

// Pair opens the box for a claim: its pages on the site network, the claim
// alone, until PairingLasts is over. On a box that is claimed already the code
// is a fresh one each time.
func (s *Store) Pair() error {
	if s.Claimed() {
		err := s.j.Change(func(tx *journal.Change) error {
			var u used
			if _, err := tx.Get(counterShelf, "code", &u); err != nil {
				return err
			}
			return tx.Put(counterShelf, "code", used{u.Codes + 1})
		})
		if err != nil {
			return err
		}
	}
	s.mu.Lock()
	s.window = s.base + s.sinceStart() + PairingLasts
	s.mu.Unlock()
	s.Announce()
	return nil
}

func (s *Store) sinceStart() time.Duration {
	since, _, _ := s.clock()
	return since
}

// Pairing is for how much longer the box is open for a claim from the site
// network; 0: it is not.
func (s *Store) Pairing() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return max(0, s.window-s.base-s.sinceStart())
}

// Claimable reports whether a code counts now: on a box that is not claimed
// always, on one that is for a while after `pair`.
func (s *Store) Claimable() bool { return !s.Claimed() || s.Pairing() > 0 }

// Claim makes a technician of who brings the box's code, and begins a session.
// The code counts once. On a claimed box it may also give somebody who is a
// person already a new password: who holds the box holds it.
func (s *Store) Claim(ctx context.Context, code, name, password, earlier string, from From) (token string, err error) {
	me := who{"code from", neighbour(from.Address)}
	if err := s.tries.take(s.Now().Lived, me); err != nil {
		return "", err
	}
	var u used
	if _, err := s.j.Shelf(counterShelf).Get(ctx, "code", &u); err != nil {
		return "", err
	}
	if !s.Claimable() || !s.right(code, u) {
		return "", ErrCode
	}
	s.tries.good(me)
	return s.join(ctx, name, password, earlier, from, func(tx *journal.Change, _ Moment) (Role, string, error) {
		var again used
		if _, err := tx.Get(counterShelf, "code", &again); err != nil || !s.Claimable() || !s.right(code, again) {
			return "", "", cmp.Or(err, ErrCode) // somebody else was first
		}
		if err := tx.Put(counterShelf, "code", used{again.Codes + 1}); err != nil {
			return "", "", err
		}
		did := "claimed the box"
		if s.Claimed() {
			did = "came in by the box's own code"
		}
		return Technician, fmt.Sprintf("%s %s, technician", name, did), nil
	})
}

func (s *Store) right(code string, u used) bool {
	want := strings.ReplaceAll(Code(s.key, u.Codes), "-", "")
	return subtle.ConstantTimeCompare([]byte(typedCode(code)), []byte(want)) == 1
}
