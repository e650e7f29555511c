package journal

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"zombiezen.com/go/sqlite"
)

// Shelf is where the box keeps what is its own and no evidence of the site:
// people, sessions, messages on their way; and what the site file said, which
// entries do not repeat. Each kind of thing is a shelf with
// its own name; a thing has a key and is kept as JSON. Nothing on it is ever
// exported or judged.
type Shelf struct {
	j    *Journal
	kind string
}

// Shelf returns the shelf of a kind of thing.
func (j *Journal) Shelf(kind string) *Shelf { return &Shelf{j, kind} }

// Get reads the thing under key into v; ok is false where there is none.
func (s *Shelf) Get(ctx context.Context, key string, v any) (ok bool, err error) {
	return s.j.Shelved(ctx, s.kind, key, v)
}

// Shelved reads a thing from a shelf of a journal that another process may have
// open; ok is false where there is none.
func (r *Reader) Shelved(ctx context.Context, kind, key string, v any) (ok bool, err error) {
	err = r.read(ctx, "read from the shelf of "+kind, func(conn *sqlite.Conn) error {
		ok, err = onShelf(conn, kind, key, v)
		return err
	})
	return ok, err
}

// Each calls f with every thing on the shelf, in the order of the keys, as they
// stood at one moment. f must not use the journal.
func (s *Shelf) Each(ctx context.Context, f func(key string, body []byte) error) error {
	return s.j.EachShelved(ctx, s.kind, f)
}

// EachShelved calls f with every thing on a shelf of a journal that another
// process may have open, in the order of the keys. f must not use the journal.
func (r *Reader) EachShelved(ctx context.Context, kind string, f func(key string, body []byte) error) error {
	return r.read(ctx, "read the shelf of "+kind, func(conn *sqlite.Conn) error {
		return eachOnShelf(conn, kind, func(key string, body []byte) error {
			r.taken.Add(int64(len(body)))
			return f(key, body)
		})
	})
}

// hasShelves is false of a journal of the first schema, which a reader leaves
// as it is: its record is made all the same.
func hasShelves(conn *sqlite.Conn) (bool, error) {
	n, err := number(conn, `SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'shelf'`)
	return n > 0, err
}

// Put keeps v under key, in the place of what was there.
func (s *Shelf) Put(key string, v any) error {
	return s.j.Change(func(tx *Change) error { return tx.Put(s.kind, key, v) })
}

// Drop takes away what is under key, if anything is.
func (s *Shelf) Drop(key string) error {
	return s.j.Change(func(tx *Change) error { return tx.Drop(s.kind, key) })
}

// Change is a change to the shelves under way.
type Change struct{ conn *sqlite.Conn }

// Change runs f, and keeps all that it did or, where it fails, nothing. What f
// reads nobody changes meanwhile. f must use nothing else of the journal.
func (j *Journal) Change(f func(*Change) error) error {
	j.write.Lock()
	defer j.write.Unlock()
	var refused error // f's own words, which no trouble with the disk explains
	err := j.transaction("change the shelf", func() error {
		refused = f(&Change{j.conn})
		return refused
	})
	if refused != nil {
		return refused
	}
	return err
}

// Get reads the thing under key into v; ok is false where there is none.
func (c *Change) Get(kind, key string, v any) (ok bool, err error) {
	return onShelf(c.conn, kind, key, v)
}

// Each calls f with every thing on a shelf, in the order of the keys.
func (c *Change) Each(kind string, f func(key string, body []byte) error) error {
	return eachOnShelf(c.conn, kind, f)
}

// Put keeps v under key, in the place of what was there.
func (c *Change) Put(kind, key string, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("what belongs on the shelf of %s under %q cannot be written down: %w", kind, key, err)
	}
	return execute(c.conn, `INSERT INTO shelf (kind, key, body) VALUES (?, ?, ?)
		ON CONFLICT (kind, key) DO UPDATE SET body = excluded.body`, kind, key, string(body))
}

// Drop takes away what is under key, if anything is.
func (c *Change) Drop(kind, key string) error {
	return execute(c.conn, `DELETE FROM shelf WHERE kind = ? AND key = ?`, kind, key)
}

func onShelf(conn *sqlite.Conn, kind, key string, v any) (ok bool, err error) {
	if has, err := hasShelves(conn); !has {
		return false, err
	}
	err = rows(conn, `SELECT body FROM shelf WHERE kind = ? AND key = ?`, func(s *sqlite.Stmt) error {
		ok = true
		return json.Unmarshal([]byte(s.ColumnText(0)), v)
	}, kind, key)
	if err != nil {
		return false, fmt.Errorf("%s %q: %w", kind, key, err)
	}
	return ok, nil
}

func eachOnShelf(conn *sqlite.Conn, kind string, f func(key string, body []byte) error) error {
	type thing struct {
		key  string
		body []byte
	}
	if has, err := hasShelves(conn); !has {
		return err
	}
	var things []thing // f may change the shelf
	err := rows(conn, `SELECT key, body FROM shelf WHERE kind = ? ORDER BY key`, func(s *sqlite.Stmt) error {
		things = append(things, thing{s.ColumnText(0), []byte(s.ColumnText(1))})
		return nil
	}, kind)
	for _, t := range things {
		err = errors.Join(err, f(t.key, t.body))
		if err != nil {
			return err
		}
	}
	return err
}

// mostPhotos bounds the pictures together: they share the disk with a night's readings.
const mostPhotos = 256 << 20

// ErrPhotosFull says that no further picture fits.
var ErrPhotosFull = errors.New("there is no room for another photo")

// KeepPhoto keeps a picture and returns its name: the SHA-256 of its bytes, in
// hexadecimal, which the mark that it belongs to names. The same picture is
// kept once. ErrPhotosFull where it would be one too many.
func (j *Journal) KeepPhoto(picture []byte) (name string, err error) {
	sum := sha256.Sum256(picture)
	name = hex.EncodeToString(sum[:])
	j.write.Lock()
	defer j.write.Unlock()
	full := false
	err = j.transaction("keep a photo", func() error {
		kept, err := number(j.conn, `SELECT COALESCE(SUM(LENGTH(body)), 0) FROM photos WHERE name <> ?`, name)
		if err != nil {
			return err
		}
		if full = kept+int64(len(picture)) > j.mostPhotos; full {
			return ErrPhotosFull
		}
		return execute(j.conn, `INSERT INTO photos (name, body) VALUES (?, ?) ON CONFLICT (name) DO NOTHING`, name, picture)
	})
	if full {
		return name, ErrPhotosFull
	}
	return name, err
}

// Photo returns the picture of a name; nil where there is none.
func (r *Reader) Photo(ctx context.Context, name string) (picture []byte, err error) {
	err = r.read(ctx, "read a photo", func(conn *sqlite.Conn) error {
		return rows(conn, `SELECT body FROM photos WHERE name = ?`, func(s *sqlite.Stmt) error {
			picture = make([]byte, s.ColumnLen(0))
			s.ColumnBytes(0, picture)
			r.taken.Add(int64(len(picture)))
			return nil
		}, name)
	})
	return picture, err
}

// PhotoSize is how many bytes the picture of a name has, without reading it; 0
// where there is none.
func (r *Reader) PhotoSize(ctx context.Context, name string) (size int64, err error) {
	err = r.read(ctx, "look for a photo", func(conn *sqlite.Conn) error {
		size, err = number(conn, `SELECT COALESCE(MAX(LENGTH(body)), 0) FROM photos WHERE name = ?`, name)
		return err
	})
	return size, err
}
