package people

import (
	"context"
	"crypto/sha256"
	"errors"
	"time"
)

// Alone is one password for whoever reads, kept as a line of a file: for a
// program that has no people of its own and keeps nothing.
type Alone struct {
	store *Store // only its turns at hashing and its count of tries
	kept  string
}

// NewAlone takes the line that HashAlone made.
func NewAlone(kept string) (*Alone, error) {
	if _, _, _, _, _, err := parseHash(kept); err != nil {
		return nil, errors.New("the line is no hashed password: write one with `standwatch board --password`")
	}
	return &Alone{onlyHashes(), kept}, nil
}

func onlyHashes() *Store {
	return &Store{waiting: make(chan struct{}, mostWaiting), hashing: make(chan struct{}, 1)}
}

// HashAlone makes the line that is kept of a password.
func HashAlone(ctx context.Context, password string) (string, error) {
	if err := fit(password, ""); err != nil {
		return "", err
	}
	return onlyHashes().hash(ctx, password)
}

// Try tries a password; now is any time that only goes on. Who keeps being
// wrong waits (WaitError), and nobody else.
func (a *Alone) Try(ctx context.Context, address, password string, now time.Duration) error {
	me := who{"log in from", neighbour(address)}
	a.store.tries.forget(now)
	if len(password) > mostPassword {
		return ErrWrong
	}
	if err := a.store.tries.take(now, me); err != nil {
		return err
	}
	same, err := a.store.matches(ctx, password, a.kept)
	if err != nil {
		a.store.tries.back(me)
		return err
	}
	if !same {
		return ErrWrong
	}
	a.store.tries.good(me)
	return nil
}

// Key is a secret that changes with the password, to sign who is in with.
func (a *Alone) Key() []byte {
	sum := sha256.Sum256([]byte("standwatch board " + a.kept))
	return sum[:]
}
