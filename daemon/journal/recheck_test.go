package journal

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
)

// walked rechecks a whole chain, so many links at a time, and returns what is broken.
func walked(t *testing.T, j *Journal, n int) (broken []BrokenError) {
	t.Helper()
	for from, steps := uint64(1), 0; ; steps++ {
		next, err := j.Recheck(t.Context(), from, n)
		var b *BrokenError
		switch {
		case errors.As(err, &b):
			broken = append(broken, *b)
		case err != nil:
			t.Fatal(err)
		}
		if next == 1 {
			return broken
		}
		if next <= from || steps > 1000 {
			t.Fatalf("from %d it goes on with %d", from, next)
		}
		from = next
	}
}

// Whatever is done to entries or to their links is told by the numbers of the
// entries, and nothing else is.
func TestAChangedJournalIsTold(t *testing.T) {
	const links, more = 3, 700
	for _, c := range []struct {
		what   string
		change string // of the database
		want   []BrokenError
	}{
		{"nothing", `SELECT 1`, nil},
		{"a mark", `UPDATE events SET since_ms = since_ms + 1 WHERE seq = (SELECT min(seq) FROM events WHERE seq > 4096)`, []BrokenError{{4097, 8192}}},
		{"a mark behind the last link", `UPDATE events SET since_ms = since_ms + 1 WHERE seq = (SELECT min(seq) FROM events WHERE seq > 12288)`, []BrokenError{{12289, 12988}}},
		{"a mark that no program reads", `UPDATE events SET body = '{' WHERE seq = (SELECT min(seq) FROM events WHERE seq > 4096)`, []BrokenError{{4097, 8192}}},
		{"a mark is gone", `DELETE FROM events WHERE seq = (SELECT min(seq) FROM events WHERE seq > 4096)`, []BrokenError{{4097, 8192}}},
		{"the newest entries are gone", `DELETE FROM batches WHERE last_seq > 12000; DELETE FROM events WHERE seq > 12000`, []BrokenError{{8193, 12288}, {12289, 12988}}},
		{"a link", `UPDATE shelf SET body = json_set(body, '$.Hash', (SELECT json_extract(body, '$.Hash') FROM shelf WHERE kind = 'chain' AND key = '00000000000000004096')) WHERE kind = 'chain' AND key = '00000000000000008192'`, []BrokenError{{4097, 8192}, {8193, 12288}}},
		{"a link that no program reads", `UPDATE shelf SET body = '{"Hash":"x"}' WHERE kind = 'chain' AND key = '00000000000000008192'`, []BrokenError{{4097, 8192}, {8193, 12288}}},
		{"a link is gone", `DELETE FROM shelf WHERE kind = 'chain' AND key = '00000000000000008192'`, []BrokenError{{4097, 8192}, {8193, 12288}}},
		{"the first link is gone", `DELETE FROM shelf WHERE kind = 'chain' AND key = '00000000000000004096'`, []BrokenError{{1, 4096}, {4097, 8192}}},
		{"what is kept behind the last link", `UPDATE shelf SET body = replace(body, '12988', '12987') WHERE kind = 'chain' AND key = 'tail'`, []BrokenError{{12289, 12987}}},
		{"the tail is none that a program reads", `UPDATE shelf SET body = '[]' WHERE kind = 'chain' AND key = 'tail'`, []BrokenError{{1, 12988}}}, // from wherever it is looked at
	} {
		t.Run(c.what, func(t *testing.T) {
			j := open(t, t.TempDir())
			s := newSite(95)
			appendAll(t, j, s, s.entries(links*LinkEntries+more))
			if err := j.Chain(t.Context()); err != nil {
				t.Fatal(err)
			}
			if got := walked(t, j, 2); got != nil {
				t.Fatalf("before anything is done: %v", got)
			}
			for rest := c.change; rest != ""; {
				st, left, err := j.conn.PrepareTransient(rest)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := st.Step(); err != nil {
					t.Fatal(err)
				}
				if err := st.Finalize(); err != nil {
					t.Fatal(err)
				}
				rest = rest[len(rest)-left:]
			}
			for _, n := range []int{1, 2, 100} {
				if got := walked(t, j, n); !slices.Equal(got, c.want) {
					t.Errorf("%d links at a time: %v, want %v", n, got, c.want)
				}
			}
		})
	}
}

// endsAfter is a context that ends once it was asked so often.
type endsAfter struct {
	context.Context
	left int
}

func (c *endsAfter) Err() error {
	if c.left--; c.left < 0 {
		return context.Canceled
	}
	return nil
}

// A box that is stopped in the middle of a comparison has found nothing.
func TestAStopIsNoChange(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(99)
	appendAll(t, j, s, s.entries(2*LinkEntries+50))
	if err := j.Chain(t.Context()); err != nil {
		t.Fatal(err)
	}
	for n := 0; ; {
		c := &endsAfter{t.Context(), n}
		_, err := j.Recheck(c, LinkEntries+1, 5)
		var broken *BrokenError
		if errors.As(err, &broken) {
			t.Fatalf("stopped after %d questions: %v", n, err)
		}
		if err == nil {
			break
		}
		if n++; n > 20 { // between two links a context is asked now and then, within one at each entry
			n += 97
		}
	}
}

// A chain's end is read without the chain, and says the same of it.
func TestTheChainsEndIsTheChains(t *testing.T) {
	j := open(t, t.TempDir())
	s := newSite(96)
	all := s.entries(3*LinkEntries + 50)
	if err := j.BeginChain(t.Context()); err != nil {
		t.Fatal(err)
	}
	at := 0
	for _, n := range []int{0, 10, LinkEntries, LinkEntries + 1, 3*LinkEntries + 50} {
		appendAll(t, j, s, all[at:n])
		at = n
		if err := j.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}
		end, err := j.KeptEnd(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		whole := kept(t, j)
		for _, to := range []uint64{1, LinkEntries, uint64(n), math.MaxInt64} {
			a, b := end.Chained(to)
			if c, d := whole.Chained(to); a != c || b != d || end.Tail != whole.Tail {
				t.Errorf("after %d, up to %d: %d late, kept to %d by the end; %d, %d by the whole", n, to, a, b, c, d)
			}
		}
	}
}

// What a minute's chaining reads does not grow with the journal.
func TestChainingReadsWhatIsNew(t *testing.T) {
	read := func(entries int) int64 {
		t.Helper()
		j := open(t, t.TempDir())
		s := newSite(97)
		all := s.entries(entries + 200)
		appendAll(t, j, s, all[:entries])
		if err := j.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}
		appendAll(t, j, s, all[entries:])
		before := j.Taken()
		if err := j.Chain(t.Context()); err != nil {
			t.Fatal(err)
		}
		if end := kept(t, j); end.Tail.Last != j.seq {
			t.Fatalf("the chain was carried on to %d of %d", end.Tail.Last, j.seq)
		}
		return j.Taken() - before
	}
	small, large := read(LinkEntries+500), read(40*LinkEntries+500)
	t.Logf("%d and %d bytes", small, large)
	if large > 2*small {
		t.Errorf("with 1 link %d bytes are read, with 40 links %d", small, large)
	}
}

func BenchmarkRecheck(b *testing.B) {
	j := open(b, b.TempDir())
	s := newSite(98)
	for range 40 {
		appendAll(b, j, s, s.entries(LinkEntries))
	}
	if err := j.Chain(b.Context()); err != nil {
		b.Fatal(err)
	}
	from := uint64(1)
	for b.Loop() {
		next, err := j.Recheck(b.Context(), from, 1)
		if err != nil {
			b.Fatal(err)
		}
		from = next
	}
}
