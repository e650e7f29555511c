package people

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// Proof is what shows to the other side that one holds the box's secret, for
// a question that it has put. Both sides put one: `pair` proves that it may
// ask, and the box that it is the box, before anybody believes its fingerprint.
func Proof(key []byte, what ...string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(strings.Join(what, "\n")))
	return hex.EncodeToString(h.Sum(nil))
}

// Question is what `pair` must answer now. Each is put until it has been answered.
func (s *Store) Question() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.question == "" {
		s.question = rand.Text()
	}
	return s.question
}

// Answered reports whether proof answers the question, for one that the other
// side has put; then the question is used up.
func (s *Store) Answered(theirs, proof string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.question == "" || !hmac.Equal([]byte(proof), []byte(Proof(s.key, "pair", s.question, theirs))) {
		return false
	}
	s.question = ""
	return true
}

// Prove is the box's own proof of what it answers.
func (s *Store) Prove(what ...string) string { return Proof(s.key, what...) }
