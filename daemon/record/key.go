package record

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"standwatch/daemon/journal"
)

// KeyFile holds the key by which the box signs its bundles, beside the journal.
// It never leaves the box.
const KeyFile = "record.key"

// Key is the box's own (ed25519, RFC 8032).
type Key struct{ private ed25519.PrivateKey }

// OpenKey reads the key from the box's data folder, and makes it where there is
// none: the one thing in this package that is made by chance.
func OpenKey(dir string) (Key, error) {
	path := filepath.Join(dir, KeyFile)
	k, err := readKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		if err = makeKey(path); err == nil {
			k, err = readKey(path)
		}
	}
	if err != nil {
		return Key{}, fmt.Errorf("the key that signs records: %w", err)
	}
	return k, nil
}

// ReadKey reads the key from the box's data folder; it is empty where none has
// been needed yet.
func ReadKey(dir string) (Key, error) {
	k, err := readKey(filepath.Join(dir, KeyFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Key{}, nil
	case err != nil:
		return Key{}, fmt.Errorf("the key that signs records: %w", err)
	}
	return k, nil
}

// keyShelf is where the journal keeps under which key the box signed last.
const keyShelf = "record-key"

type signer struct{ Fingerprint string }

// SignsBy returns the fingerprint of the key by which the box of a journal signed
// last; empty where it never ran on one.
func SignsBy(ctx context.Context, r *journal.Reader) (string, error) {
	var was signer
	_, err := r.Shelved(ctx, keyShelf, "now", &was)
	return was.Fingerprint, err
}

// KeyChanged returns what to write into the journal where the box signs by
// another key than it did: the file was lost, moved aside, or is another box's.
// Papers from before carry the old fingerprint. keep is to be called once that
// is written.
func KeyChanged(ctx context.Context, j *journal.Journal, key Key) (note string, keep func() error, err error) {
	now := signer{key.Fingerprint()}
	var was signer
	known, err := j.Shelved(ctx, keyShelf, "now", &was)
	if err != nil || now.Fingerprint == "" || known && was == now {
		return "", func() error { return nil }, err
	}
	if known {
		note = fmt.Sprintf(wordsKeyChanged, was.Fingerprint, now.Fingerprint)
	}
	return note, func() error { return j.Shelf(keyShelf).Put("now", now) }, nil
}

func readKey(path string) (Key, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return Key{}, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return Key{}, fmt.Errorf("%s is cut off or no key: bring it back from a copy, or move it aside and a new one is made (its fingerprint will not be the one on older papers)", path)
	}
	private, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return Key{}, fmt.Errorf("%s: %w", path, err)
	}
	k, ok := private.(ed25519.PrivateKey)
	if !ok {
		return Key{}, fmt.Errorf("%s holds another kind of key; a record is signed by ed25519", path)
	}
	return Key{k}, nil
}

// makeKey writes a new key, complete or not at all, and not over one that
// another process has just made.
func makeKey(path string) error {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return err
	}
	body, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), KeyFile+".*") // mode 0600
	if err != nil {
		return err
	}
	err = pem.Encode(f, &pem.Block{Type: "PRIVATE KEY", Bytes: body})
	err = errors.Join(err, f.Sync(), f.Close(), leaveToOwner(f.Name()))
	if err == nil {
		err = os.Link(f.Name(), path)
		if errors.Is(err, fs.ErrExist) {
			err = nil
		} else if err != nil { // a file system without links
			err = os.Rename(f.Name(), path)
		}
	}
	_ = os.Remove(f.Name()) // gone already after a rename
	return err
}

// leaveToOwner gives a file that root makes to whoever the folder belongs to,
// or the box could not read it.
func leaveToOwner(path string) error {
	info, err := os.Stat(filepath.Dir(path))
	if err != nil || os.Geteuid() != 0 {
		return err
	}
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return os.Chown(path, int(s.Uid), int(s.Gid))
	}
	return nil
}

// Fingerprint is how people compare the key; empty where there is none.
func (k Key) Fingerprint() string {
	if k.private == nil {
		return ""
	}
	return fingerprint(k.public())
}

func (k Key) public() ed25519.PublicKey {
	return k.private.Public().(ed25519.PublicKey) // of an ed25519 key it always is one
}

func (k Key) sign(b []byte) []byte { return ed25519.Sign(k.private, b) }

// fingerprint is the SHA-256 of a public key in sixteen groups of four.
func fingerprint(public ed25519.PublicKey) string {
	sum := sha256.Sum256(public)
	text := hex.EncodeToString(sum[:])
	var b strings.Builder
	for i := 0; i < len(text); i += 4 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(text[i : i+4])
	}
	return b.String()
}

// ParseFingerprint reads a fingerprint as somebody types it from a paper:
// groups and capitals are as he likes.
func ParseFingerprint(text string) (string, error) {
	plain := strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == ':' || r == '\u00a0' || r == '\n' || r == '\t' {
			return -1
		}
		return r
	}, strings.ToLower(text))
	if sum, err := hex.DecodeString(plain); err != nil || len(sum) != sha256.Size {
		return "", fmt.Errorf("%q is no fingerprint: the paper has sixteen groups of four digits 0 to 9 and letters a to f", text)
	}
	var groups []string
	for i := 0; i < len(plain); i += 4 {
		groups = append(groups, plain[i:i+4])
	}
	return strings.Join(groups, " "), nil
}
