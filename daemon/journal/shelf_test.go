package journal

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

type parcel struct{ To string }

func TestShelfKeepsAcrossARestart(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	s := j.Shelf("parcels")
	for _, k := range []string{"b", "a", "c"} {
		if err := s.Put(k, parcel{k + "-street"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Put("a", parcel{"elsewhere"}); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Drop("c"), s.Drop("never there"), j.Shelf("others").Put("a", 1)); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, dir)
	var seen []string
	err := j.Shelf("parcels").Each(t.Context(), func(key string, body []byte) error {
		seen = append(seen, key+string(body))
		return nil
	})
	if want := []string{`a{"To":"elsewhere"}`, `b{"To":"b-street"}`}; err != nil || !slices.Equal(seen, want) {
		t.Errorf("the shelf holds %v (%v), want %v", seen, err, want)
	}
	var p parcel
	if ok, err := j.Shelf("parcels").Get(t.Context(), "b", &p); !ok || err != nil || p.To != "b-street" {
		t.Errorf("b is %v, %v (%v)", p, ok, err)
	}
	if ok, err := j.Shelf("parcels").Get(t.Context(), "c", &p); ok || err != nil {
		t.Errorf("c is still there (%v)", err)
	}
}

func TestAChangeIsWholeOrNothing(t *testing.T) {
	j := open(t, t.TempDir())
	no := errors.New("no")
	err := j.Change(func(tx *Change) error {
		return errors.Join(tx.Put("parcels", "a", parcel{}), no)
	})
	if !errors.Is(err, no) {
		t.Errorf("the change says %v, want its own error", err)
	}
	if ok, err := j.Shelf("parcels").Get(t.Context(), "a", &parcel{}); ok || err != nil {
		t.Errorf("half a change was kept (%v)", err)
	}
	// Of many that want the same thing one gets it.
	var got sync.Map
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			err := j.Change(func(tx *Change) error {
				if taken, err := tx.Get("parcels", "one", &parcel{}); taken || err != nil {
					return errors.Join(err, no)
				}
				return tx.Put("parcels", "one", parcel{fmt.Sprint(i)})
			})
			if err == nil {
				got.Store(i, true)
			}
		})
	}
	wg.Wait()
	n := 0
	got.Range(func(any, any) bool { n++; return true })
	if n != 1 {
		t.Errorf("%d got it, want 1", n)
	}
}

func TestPhoto(t *testing.T) {
	j := open(t, t.TempDir())
	picture := bytes.Repeat([]byte{0xff, 0xd8, 0}, 1000)
	name, err := j.KeepPhoto(picture)
	again, err2 := j.KeepPhoto(picture)
	if err != nil || err2 != nil || name != again || len(name) != 64 {
		t.Fatalf("kept as %q and %q (%v, %v)", name, again, err, err2)
	}
	if got, err := j.Photo(t.Context(), name); err != nil || !bytes.Equal(got, picture) {
		t.Errorf("%d bytes came back (%v), want %d", len(got), err, len(picture))
	}
	if got, err := j.Photo(t.Context(), "another"); got != nil || err != nil {
		t.Errorf("there is a photo that nobody kept (%v)", err)
	}
}

// Where no more fit, the one kept already is still there and may be told again.
func TestPhotosHaveABound(t *testing.T) {
	j := open(t, t.TempDir())
	j.mostPhotos = 2500
	first, err := j.KeepPhoto(make([]byte, 1500))
	if err != nil {
		t.Fatal(err)
	}
	other, err := j.KeepPhoto(bytes.Repeat([]byte{1}, 1001))
	if !errors.Is(err, ErrPhotosFull) {
		t.Errorf("one byte too many: %v", err)
	}
	if got, err := j.Photo(t.Context(), other); got != nil || err != nil {
		t.Errorf("it was kept all the same: %d bytes (%v)", len(got), err)
	}
	if _, err := j.KeepPhoto(make([]byte, 1500)); err != nil {
		t.Errorf("the first one again: %v", err)
	}
	if _, err := j.KeepPhoto(bytes.Repeat([]byte{1}, 1000)); err != nil {
		t.Errorf("as many as fit: %v", err)
	}
	if got, err := j.Photo(t.Context(), first); len(got) != 1500 || err != nil {
		t.Errorf("%d bytes (%v)", len(got), err)
	}
}

// Journals that the programs of those schemas wrote (built at the commits before
// the next schema came) open with all that is in them, and go on.
func TestAnEarlierSchemaGrows(t *testing.T) {
	for schema := 1; schema < len(schemas); schema++ {
		t.Run(fmt.Sprint(schema), func(t *testing.T) {
			packed, err := os.Open(fmt.Sprintf("testdata/schema%d.db.gz", schema))
			if err != nil {
				t.Fatalf("%v; a new schema needs a journal of the one before: have that program write what this test asks for", err)
			}
			defer packed.Close()
			z, err := gzip.NewReader(packed)
			must(t, err)
			b, err := io.ReadAll(z)
			must(t, err)
			dir := t.TempDir()
			must(t, os.WriteFile(filepath.Join(dir, File), b, 0o600))
			if r, err := OpenReader(t.Context(), dir); err != nil { // export, before the new program has run
				t.Error(err)
			} else {
				if n := whole(t, r.Entries(t.Context(), 0, 0, nil)); n != 1000 {
					t.Errorf("a reader sees %d entries, want 1000", n)
				}
				must(t, r.EachShelved(t.Context(), "site", func(key string, _ []byte) error { return fmt.Errorf("a site from nowhere: %s", key) }))
				k, err := r.Kept(t.Context())
				if late, kept := k.Chained(1000); late != 1000 || kept != 0 || err != nil { // a bundle, before the new program has run
					t.Errorf("chained late %d, kept to %d, %v, want 1000 and 0", late, kept, err)
				}
				must(t, r.Close())
			}

			j := open(t, dir)
			if n := whole(t, j.Entries(t.Context(), 0, 0, nil)); n != 1000 {
				t.Errorf("the grown journal holds %d entries, want 1000", n)
			}
			found, err := j.Findings(t.Context(), 0, 10)
			if err != nil || len(found) != 1 || found[0].Finding.Text != "kept by an earlier program" || found[0].Finding.Seq != 900 {
				t.Errorf("findings %+v, %v", found, err)
			}
			if at, err := j.Cursor(t.Context(), "uplink:desk"); at != 777 || err != nil {
				t.Errorf("cursor %d, %v", at, err)
			}
			put(t, j, numbered(1001))
			must(t, j.Shelf("parcels").Put("a", parcel{}))
			must(t, j.Close())

			j = open(t, dir)
			if n := whole(t, j.Entries(t.Context(), 0, 0, nil)); n != 1001 {
				t.Errorf("after a restart %d entries, want 1001", n)
			}
			if sentence, err := j.Whole(t.Context()); err != nil || !strings.Contains(sentence, fmt.Sprintf("schema %d of %[1]d", len(schemas))) {
				t.Errorf("%q, %v", sentence, err)
			}
		})
	}
}
