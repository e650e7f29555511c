package outbox

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// KeyFile holds the box's own key, beside the journal.
const KeyFile = "links.key"

// Links makes and checks acknowledgement links. Whoever holds one may
// acknowledge one flag and nothing else.
type Links struct {
	key    []byte
	public func() string
}

// OpenLinks reads the box's key from its data folder, and makes one where
// there is none. public says under which address other people's devices reach
// the box's pages at the moment; where it says none, no link is made, for one
// that nobody can open is worse than none.
func OpenLinks(dir string, public func() string) (*Links, error) {
	path := filepath.Join(dir, KeyFile)
	key, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		key, err = makeKey(path)
	}
	if err != nil {
		return nil, fmt.Errorf("the key for acknowledgement links: %w", err)
	}
	if len(key) < 32 {
		return nil, fmt.Errorf("the key for acknowledgement links, %s, is cut off; remove it, and a new one is made (links already sent end with it)", path)
	}
	return &Links{key, public}, nil
}

// makeKey writes a new key, complete or not at all.
func makeKey(path string) ([]byte, error) {
	key := make([]byte, 32)
	if _, err := rand.Read(key); err != nil {
		return nil, err
	}
	f, err := os.CreateTemp(filepath.Dir(path), KeyFile+".*") // mode 0600
	if err != nil {
		return nil, err
	}
	_, err = f.Write(key)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return nil, err
	}
	return key, nil
}

// linkFor is how long a link acknowledges, by the outbox's own clock.
const linkFor = 24 * time.Hour

// Make returns the link that acknowledges a finding's flag until a moment of
// the outbox's own clock; empty where no other device reaches the box.
func (l *Links) Make(id int64, until time.Duration) string {
	base := strings.TrimRight(l.public(), "/")
	if base == "" {
		return ""
	}
	q := url.Values{"id": {strconv.FormatInt(id, 10)}, "until": {strconv.FormatInt(int64(until/time.Second), 10)}, "key": {l.sign(id, until)}}
	return base + "/flags/ack?" + q.Encode()
}

// Check reports whether key is the one that Make gave for id and until.
func (l *Links) Check(id int64, until time.Duration, key string) bool {
	return hmac.Equal([]byte(key), []byte(l.sign(id, until)))
}

// Box returns a short name of this data folder, so that two journals of a box
// never give two messages the same id. It tells nothing of the key.
func (l *Links) Box() string { return hex.EncodeToString(l.mac("journal"))[:12] }

// Derive makes a key of its own for another purpose from the box's key, so
// that what is made by the one says nothing of the other.
func (l *Links) Derive(purpose string) []byte { return l.mac("derive " + purpose) }

// sign gives half a SHA-256, which is more than anybody can guess and still fits a mail's line.
func (l *Links) sign(id int64, until time.Duration) string {
	return base64.RawURLEncoding.EncodeToString(l.mac(fmt.Sprintf("acknowledge %d until %d", id, int64(until/time.Second)))[:16])
}

func (l *Links) mac(what string) []byte {
	h := hmac.New(sha256.New, l.key)
	h.Write([]byte(what))
	return h.Sum(nil)
}
