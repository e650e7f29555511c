package journal

import (
	"testing"

	"standwatch/rules"
)

// samples gives blobs as they are written.
func blobs(t testing.TB) (out []batch) {
	j := open(t, t.TempDir())
	s := newSite(4)
	appendAll(t, j, s, s.entries(2000))
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	w := walk{}
	conn, err := j.take()
	must(err)
	must(w.load(&j.Reader, conn, 1, 1<<40))
	must(j.give(conn))
	return w.batches
}

var quaysideCatalog = func() []known {
	out := []known{{}}
	for _, p := range quayside {
		out = append(out, known{p.Name, p.Quantity})
	}
	return out
}()

// Whatever a damaged disk gives back, decoding ends, without a panic, within
// the batch's numbers.
func FuzzDecode(f *testing.F) {
	for i, b := range blobs(f) {
		if i < 20 {
			f.Add(b.blob, uint16(b.last-b.first))
		}
	}
	f.Fuzz(func(t *testing.T, blob []byte, more uint16) {
		b := batch{first: 10, last: 10 + uint64(more), boot: 1, blob: blob}
		for _, want := range [][]bool{nil, {false, true, false, false, false, false}} {
			d := decoder{catalog: quaysideCatalog, want: want}
			next := b.first
			_, err := d.decode(b, b.first, b.last, func(e rules.Entry) bool {
				if e.Seq < next || e.Seq > b.last {
					t.Fatalf("number %d after %d of %d to %d", e.Seq, next, b.first, b.last)
				}
				next = e.Seq + 1
				return true
			})
			if err == nil && want == nil && next != b.last+1 {
				t.Fatalf("no error, yet the batch ends at %d of %d", next-1, b.last)
			}
		}
	})
}
