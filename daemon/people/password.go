package people

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// How a password is hashed: argon2id (RFC 9106) with the least that the OWASP
// Password Storage Cheat Sheet asks for, 19 MiB in two passes on one lane. On
// the smallest board that takes a good part of a second, which is why one hash
// is made at a time.
const (
	hashMemory = 19 << 10 // KiB
	hashPasses = 2
	hashLanes  = 1
	hashSalt   = 16
	hashLength = 32
)

// What a password must be. Length is what counts (NIST SP 800-63B, appendix
// A); twelve is our choice: the door is slow and a phone's keyboard small.
const (
	LeastPassword = 12
	mostPassword  = 200
	leastLetters  = 5 // different ones
)

// fit says whether a password serves for a person.
func fit(password, name string) error {
	n := utf8.RuneCountInString(password)
	different := map[rune]bool{}
	for _, r := range password {
		different[r] = true
	}
	plain := strings.ReplaceAll(fold(password), " ", "")
	if n < LeastPassword || len(password) > mostPassword || len(different) < leastLetters ||
		strings.Trim(plain, "0123456789") == strings.ReplaceAll(fold(name), " ", "") ||
		strings.Contains("01234567890123456789", plain) || strings.Contains("passwordpassword", plain) || strings.HasPrefix("qwertyuiopasdfghjklzxcvbnm", plain) {
		return ErrPassword
	}
	return nil
}

// mostWaiting is how many may wait for their hash.
const mostWaiting = 4

// turn waits until a hash may be made. Who comes while enough wait is sent
// away: that costs nothing.
func (s *Store) turn(ctx context.Context) (done func(), err error) {
	select {
	case s.waiting <- struct{}{}:
	default:
		return nil, ErrBusy
	}
	defer func() { <-s.waiting }()
	late := time.NewTimer(10 * time.Second)
	defer late.Stop()
	select {
	case s.hashing <- struct{}{}:
		return func() { <-s.hashing }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-late.C:
		return nil, ErrBusy
	}
}

// hash makes what is kept of a password, in the usual form:
// $argon2id$v=19$m=...,t=...,p=...$salt$hash.
func (s *Store) hash(ctx context.Context, password string) (string, error) {
	done, err := s.turn(ctx)
	if err != nil {
		return "", err
	}
	defer done()
	salt := make([]byte, hashSalt)
	if _, err := rand.Read(salt); err != nil {
		return "", err
	}
	sum := argon2.IDKey([]byte(password), salt, hashPasses, hashMemory, hashLanes, hashLength)
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashPasses, hashLanes,
		b64.EncodeToString(salt), b64.EncodeToString(sum)), nil
}

// nobody is the hash against which the password of somebody who is not there
// is tried, so that the answer takes as long. Nothing hashes to it.
const nobody = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// matches tries a password against what is kept.
func (s *Store) matches(ctx context.Context, password, kept string) (bool, error) {
	memory, passes, lanes, salt, sum, err := parseHash(kept)
	if err != nil {
		return false, err
	}
	done, err := s.turn(ctx)
	if err != nil {
		return false, err
	}
	defer done()
	got := argon2.IDKey([]byte(password), salt, passes, memory, lanes, uint32(len(sum)))
	return subtle.ConstantTimeCompare(got, sum) == 1, nil
}

func parseHash(kept string) (memory, passes uint32, lanes uint8, salt, sum []byte, err error) {
	wrong := fmt.Errorf("what is kept of a password cannot be read: give the person a new one by `standwatch pair`")
	part := strings.Split(kept, "$")
	if len(part) != 6 || part[0] != "" || part[1] != "argon2id" || part[2] != "v="+strconv.Itoa(argon2.Version) {
		return 0, 0, 0, nil, nil, wrong
	}
	if n, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || n != 3 ||
		memory == 0 || memory > 256<<10 || passes == 0 || passes > 16 || lanes == 0 {
		return 0, 0, 0, nil, nil, wrong
	}
	b64 := base64.RawStdEncoding
	if salt, err = b64.DecodeString(part[4]); err != nil || len(salt) < 8 {
		return 0, 0, 0, nil, nil, wrong
	}
	if sum, err = b64.DecodeString(part[5]); err != nil || len(sum) < 16 {
		return 0, 0, 0, nil, nil, wrong
	}
	return memory, passes, lanes, salt, sum, nil
}
