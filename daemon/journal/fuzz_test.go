package journal

import (
	"testing"

	"standwatch/rules"
)

// blobs gives batches as they are written, the last of them sealed.
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
	block, err := w.seal()
	must(err)
	return append(w.batches, block)
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
	for _, b := range blobs(f) {
		f.Add(b.blob, uint16(b.last-b.first))
	}
	f.Fuzz(func(t *testing.T, blob []byte, more uint16) {
		decodeDamaged(t, batch{first: 10, last: 10 + uint64(more), boot: 1, blob: blob})
	})
}

// The check sums of a sealed block keep a fuzzer out; here it writes inside them.
func FuzzBlock(f *testing.F) {
	z, err := packEncoder()
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{0, 1, 0, 1}, []byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{0, 1, 0}, []byte{1, 2, 2, 4, 1, 0, 0, 1, 2, 5, 7, 0, 0, 0, 6, 1, 3, 2, 0, 4, 0, 0})
	f.Fuzz(func(t *testing.T, order, columns []byte) {
		b := append([]byte{sealedBlock, 0, 2, 1, 2, 1, 2, 1, 'x', 1, 0}, byte(len(order)&0x7f))
		b = appendPacked(b, order, z)
		for range 2 {
			b = appendPacked(b, columns, z)
		}
		decodeDamaged(t, batch{first: 10, last: 9 + uint64(len(order)), boot: 1, blob: b})
	})
}

func decodeDamaged(t *testing.T, b batch) {
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
}
